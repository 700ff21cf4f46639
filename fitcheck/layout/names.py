"""Names that point at other entries: parts, classes, mechanisms, load states, targets, files.

Works on the typed values, so that a wrong name is reported beside all other mistakes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from fitcheck.layout.merge import NAMED, Stack, nearest_file
from fitcheck.layout.names_carried import SPANS, check_carried, is_bodiless
from fitcheck.layout.values import Value
from fitcheck.units import did_you_mean, nearest
from fitcheck.vehicle.scene import PART_CLASSES, SCAN

ANY = "any"
_NAME = re.compile(r"\w[\w-]*")
_RESERVED = (SCAN, ANY)


def check_names(stack: Stack, root: Value) -> None:
    """Note every name that is malformed, taken twice, or points at nothing, and every file that is not there."""
    _check_spelling(stack, root)
    _check_clashes(stack, root)
    _check_twice_in_ledger(stack, root)
    _check_pairs(stack, root)
    _check_references(stack, root)
    check_carried(stack, root)
    _check_cycles(stack, root)
    _check_states(stack, root)
    _check_files(stack, root)


def names_in(root: Value, *path: str) -> tuple[str, ...]:
    """The names of a mapping; of a missing one: none."""
    found = root.get(*path)
    return tuple(name for name, _ in found.items()) if found is not None else ()


def _entries(value: Value, path: Sequence[str]) -> Iterator[tuple[str, Value]]:
    """All named entries of a mapping at a path with "*" for any key."""
    if not path:
        yield from value.items()
    elif path[0] == "*":
        for _, child in value.items():
            yield from _entries(child, path[1:])
    elif (child_or_none := value.child(path[0])) is not None:
        yield from _entries(child_or_none, path[1:])


def _check_spelling(stack: Stack, root: Value) -> None:
    for path in NAMED:
        for name, entry in _entries(root, path):
            if not _NAME.fullmatch(name):
                tidy = re.sub(r"[^\w-]+", "_", name).strip("_")
                hint = f"like '{tidy}'" if tidy else ""
                stack.mistake(entry.spot, f"a name is made of letters, digits, _ and -, found '{name}'", hint)


def _check_clashes(stack: Stack, root: Value) -> None:
    """A name in a rule means one thing. A part may be called like its class if it is the only one of it."""
    classes = [entry.text("class") for _, entry in _entries(root, ("parts",))]
    mechanisms = names_in(root, "mechanisms")
    for name, entry in _entries(root, ("parts",)):
        alone = entry.text("class") == name and classes.count(name) == 1
        if name in _RESERVED or name in mechanisms or (name in PART_CLASSES and not alone):
            what = "a mechanism" if name in mechanisms else "a class" if name in PART_CLASSES else "a word of rules"
            stack.mistake(
                entry.spot,
                f"'{name}' is {what} already: a rule could not tell them apart",
                "give the part another name",
            )
    for name, entry in _entries(root, ("mechanisms",)):
        # a rule with the name of what has no body means the class
        if name in _RESERVED or (name in PART_CLASSES and not is_bodiless(entry)):
            stack.mistake(entry.spot, f"'{name}' is a class or a word of rules", "give the mechanism another name")


def _check_twice_in_ledger(stack: Stack, root: Value) -> None:
    """The same name in two places of the ledger would count a mass twice."""
    off = names_in(root, "scan", "remove")
    for name, entry in _entries(root, ("weights", "removed")):
        removal = root.get("scan", "remove", name)
        if name in off and removal is not None and removal.child("stays") is None:
            stack.mistake(
                entry.spot,
                f"'{name}' comes off the scales twice: scan.remove takes its mass off already",
                "keep one of the two",
            )
    for name, entry in _entries(root, ("weights", "added")):
        if name in names_in(root, "parts"):
            stack.mistake(entry.spot, f"'{name}' is a part: its mass would count twice", "keep one of the two")


def _check_pairs(stack: Stack, root: Value) -> None:
    mechanisms = dict(_entries(root, ("mechanisms",)))
    bodies = [name for name, entry in mechanisms.items() if not is_bodiless(entry)]
    names = (*names_in(root, "parts"), *bodies, SCAN)
    for section in ("rules", "contacts", "exclude"):
        valid = (*names, *PART_CLASSES, *((ANY,) if section != "contacts" else ()))
        for entry in _members(root, section):
            for token in _members(entry, "between"):
                if isinstance(token.data, str) and token.data in mechanisms and token.data not in valid:
                    message = f"'{token.data}' has no body of its own"
                    stack.mistake(token.place, message, "name what it moves: parts, or a class")
                elif isinstance(token.data, str) and token.data not in valid:
                    _refuse_token(stack, token, token.data, valid, names)
    targets = names_in(root, "scan", "align", "targets")
    scan = root.child("scan")
    for bar in _members(scan, "scale_bars") if scan is not None else ():
        for end in _members(bar, "between"):
            if isinstance(end.data, str) and end.data not in targets:
                stack.mistake(end.place, f"'{end.data}' is no target of the scan", did_you_mean(end.data, targets))


def _refuse_token(stack: Stack, token: Value, word: str, valid: Sequence[str], names: Sequence[str]) -> None:
    if word == ANY:
        stack.mistake(token.place, "'any' cannot be declared to touch", "name both things: a contact is between two")
        return
    near = nearest(word, tuple(valid))
    hint = f"did you mean '{near}'?" if near else f"names here: {', '.join(names)}; or a class"
    stack.mistake(token.place, f"'{word}' is no part, class or mechanism", hint)


def _members(value: Value, key: str) -> list[Value]:
    found = value.child(key)
    return found.members() if found is not None else []


def _references(root: Value) -> Iterator[tuple[str, str, Value, str]]:
    """(part, key, value, name) of each part that another part's entry names."""
    for name, entry in _entries(root, ("parts",)):
        for key in ("mirror_of", "like"):
            value = entry.child(key)
            if value is not None and isinstance(value.data, str):
                yield name, key, value, value.data
        place = entry.child("place")
        for statement in (place.members() or [place]) if place is not None else ():
            on, to = statement.child("on"), statement.child("to")
            if on is not None and isinstance(on.data, str):
                yield name, "on", on, on.data
            if to is not None and isinstance(to.data, str) and re.match(r"\w[\w-]*\.[a-z]", to.data):
                yield name, "to", to, to.data.split(".")[0]


def _check_references(stack: Stack, root: Value) -> None:
    parts = names_in(root, "parts")
    for name, key, value, other in _references(root):
        if other == SCAN and key in ("on", "to"):
            if key == "on":
                stack.mistake(
                    value.place, "a part cannot be placed on the scan yet", "measure the place and write its coordinate"
                )
        elif other not in parts:
            hint = did_you_mean(other, [part for part in parts if part != name])
            stack.mistake(value.place, f"there is no part '{other}'", hint)
        elif (span := next((span for span in SPANS if root.get("parts", other, span) is not None), None)) is not None:
            what = span.replace("_", " ")
            stack.mistake(
                value.place, f"'{other}' is a {what}: it moves, so nothing can be copied from it or placed on it"
            )


def _check_cycles(stack: Stack, root: Value) -> None:
    """A part that waits for itself cannot be placed. Each cycle is named once, where it was typed first."""
    waits: dict[str, list[tuple[str, Value]]] = {}
    for name, _, value, other in _references(root):
        waits.setdefault(name, []).append((other, value))
    told: set[frozenset[str]] = set()
    for start in waits:
        route = _route_back(start, waits)
        if route and frozenset(route) not in told:
            told.add(frozenset(route))
            value = next(value for other, value in waits[start] if other == route[1 % len(route)])
            words = " → ".join([*route, start])
            stack.mistake(value.place, f"these parts wait for each other: {words}", "place one of them by coordinates")


def _route_back(start: str, waits: dict[str, list[tuple[str, Value]]]) -> list[str]:
    """The shortest way from a part over what it names back to itself; [] if there is none."""
    came_from: dict[str, str] = {}
    queue = [start]
    while queue:
        here = queue.pop(0)
        for other, _ in waits.get(here, ()):
            if other == start:
                route = [here]
                while route[-1] != start:
                    route.append(came_from[route[-1]])
                return route[::-1]
            if other not in came_from:
                came_from[other] = here
                queue.append(other)
    return []


def _check_states(stack: Stack, root: Value) -> None:
    states = names_in(root, "load_states") or ("kerb",)
    for name, entry in _entries(root, ("targets", "*")):
        if name not in states:
            hint = did_you_mean(name, states)
            stack.mistake(entry.spot, f"there is no load state '{name}'", hint)


def _check_files(stack: Stack, root: Value) -> None:
    meshes = [entry.get("mesh", "file") for _, entry in _entries(root, ("parts",))]
    for named, what in ((root.get("scan", "file"), "scan"), *((mesh, "mesh") for mesh in meshes)):
        if named is None or not isinstance(named.data, str) or not named.data.strip():
            continue
        file = stack.file_beside(named)
        if not _is_there(file):
            stack.mistake(named.place, f"the {what} file {file.as_posix()} is not there", nearest_file(file))


def _is_there(file: Path) -> bool:
    try:
        return file.exists()
    except (OSError, ValueError):
        return False
