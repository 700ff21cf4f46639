"""Words that say what carries a thing: "rear_axle", "steering.left", the part that a joint is bolted to.

Works on the typed values, so that a wrong word is reported beside all other mistakes.
"""

from __future__ import annotations

from collections.abc import Iterator

from fitcheck.layout.merge import Stack
from fitcheck.layout.values import Value
from fitcheck.units import did_you_mean, nearest
from fitcheck.vehicle.scene import SCAN

SPANS = ("shaft", "half_shaft", "rod", "drag_link", "hose")
SIDES = ("left", "right")
BODILESS = ("steered_wheels", "frame_twist")
"""Mechanisms without a body of their own, which rules could name."""

_ONE_WHEEL = ("five_rods", "strut", "swing_arm")
_UNWHEELED = ("steered_wheels", "rocking_unit", "frame_twist")


def is_bodiless(mechanism: Value) -> bool:
    """Whether nothing of it could be judged: steering and the frame's twist only move what rides on them."""
    return any(mechanism.child(kind) is not None for kind in BODILESS)


def check_carried(stack: Stack, root: Value) -> None:
    """Note every word that nothing carries by, what carries itself, and copies that do not say what they ride on."""
    words = _words(root)
    for key, value in _typed_words(root):
        _check_word(stack, root, value, (words, key))
    for end in ("front", "rear"):
        for value in _each(root.get("axles", end, "mechanism")):
            _check_axle(stack, root, value)
    _check_circles(stack, root)
    _check_mirrored(stack, root)
    _check_mirrored_wheels(stack, root)


def _mechanisms(root: Value) -> dict[str, Value]:
    found = root.child("mechanisms")
    return dict(found.items()) if found is not None else {}


def _words(root: Value) -> tuple[str, ...]:
    """All words that a thing may ride on."""
    found: list[str] = []
    for name, entry in _mechanisms(root).items():
        if entry.child("steered_wheels") is not None:
            found += [f"{name}.{side}" for side in SIDES]
        elif entry.child("frame_twist") is None:
            found.append(name)
    return tuple(found)


def _each(value: Value | None) -> list[Value]:
    """A word alone, or the words of a pair."""
    if value is None:
        return []
    return value.members() or [value]


def _typed_words(root: Value) -> Iterator[tuple[str, Value]]:
    """("mechanism" | "part" | "joint", value) of each word, in file order."""
    for entry in _mechanisms(root).values():
        yield from (("mechanism", value) for value in _each(entry.child("on")))
    parts = root.child("parts")
    for _, entry in parts.items() if parts is not None else ():
        yield from (("part", value) for value in _each(entry.child("on")))
        for span in SPANS:
            ends = (entry.get(span, end, "on") for end in ("from", "to"))
            yield from (("joint", value) for value in ends if value is not None)


def _check_word(stack: Stack, root: Value, value: Value, known: tuple[tuple[str, ...], str]) -> None:
    words, kind = known
    word = value.data
    if not isinstance(word, str) or word in words:
        return
    part = root.get("parts", word) if kind == "joint" else None
    if part is not None and not any(part.child(span) is not None for span in SPANS):
        return
    message, hint = _complaint(root, word, words)
    stack.mistake(value.place, message, hint)


def _complaint(root: Value, word: str, words: tuple[str, ...]) -> tuple[str, str]:
    """Why nothing can ride on a word, and what to write."""
    name, dot, side = word.partition(".")
    entry = _mechanisms(root).get(name)
    if word == SCAN or root.get("parts", word) is not None:
        return f"'{word}' is no mechanism: nothing can ride on it", "leave 'on' out for what is fixed to the body"
    if entry is None:
        hint = did_you_mean(word, words) or "mechanisms are declared under 'mechanisms'"
        return f"there is no mechanism '{word}'", hint
    if entry.child("frame_twist") is not None:
        return f"'{name}' twists the whole frame: nothing rides on it by itself", "leave 'on' out"
    if entry.child("steered_wheels") is None:
        return f"'{name}' has no sides, found '{word}'", f"write on: {name}"
    if not dot:
        return f"'{name}' has a left and a right body: which one?", f"{name}.left or {name}.right"
    near = nearest(side, SIDES)
    return f"'{name}' has no '{side}'", f"did you mean '{name}.{near}'?" if near else f"{name}.left or {name}.right"


def _check_axle(stack: Stack, root: Value, value: Value) -> None:
    name, mechanisms = value.data, _mechanisms(root)
    if not isinstance(name, str):
        return
    wheeled = [known for known, entry in mechanisms.items() if not any(entry.child(kind) for kind in _UNWHEELED)]
    if name in mechanisms and name not in wheeled:
        hint = f"one of: {', '.join(wheeled)}" if wheeled else "an axle, rods, a strut or an arm"
        stack.mistake(value.place, f"'{name}' carries no wheels through their travel", hint)
    elif name not in mechanisms:
        hint = did_you_mean(name, wheeled) or "mechanisms are declared under 'mechanisms'"
        stack.mistake(value.place, f"there is no mechanism '{name}'", hint)


def _check_circles(stack: Stack, root: Value) -> None:
    """A mechanism that is carried by itself, directly or over others; each circle is named once."""
    carriers = {name: _each(entry.child("on")) for name, entry in _mechanisms(root).items()}
    told: set[str] = set()
    for start in carriers:
        route = _route_back(start, carriers)
        if route and not told.intersection(route):
            told.update(route)
            value = next(v for v in carriers[start] if str(v.data).partition(".")[0] == (*route, start)[1])
            words = " → ".join([*route, start])
            what = f"'{start}' is carried by itself" if len(route) == 1 else "these mechanisms carry each other"
            stack.mistake(value.place, f"{what}: {words}", "take one of the 'on' lines out")


def _route_back(start: str, carriers: dict[str, list[Value]]) -> list[str]:
    """The way from a mechanism over what carries it back to itself; [] if there is none."""
    routes = [[start]]
    while routes:
        route = routes.pop()
        for value in carriers.get(route[-1], ()):
            name = str(value.data).partition(".")[0]
            if name == start:
                return route
            if name not in route:
                routes.append([*route, name])
    return []


def _check_mirrored(stack: Stack, root: Value) -> None:
    """What the mirror image of a carried part rides on is for the person to say."""
    parts = root.child("parts")
    for name, entry in parts.items() if parts is not None else ():
        original = entry.child("mirror_of")
        if original is None or entry.child("on") is not None:
            continue
        word = _ridden(root, str(original.data))
        if word is not None:
            message = f"'{original.data}' rides on '{word}': what does its mirror image '{name}' ride on?"
            stack.mistake(original.place, message, f"like on: {_other(root, word)}")


def _check_mirrored_wheels(stack: Stack, root: Value) -> None:
    """Only what holds one wheel has a mirror image, and what that rides on is for the person to say."""
    mechanisms = _mechanisms(root)
    whole = [name for name, entry in mechanisms.items() if any(entry.child(kind) for kind in _ONE_WHEEL)]
    for name, entry in mechanisms.items():
        original = entry.child("mirror_of")
        if original is None or not isinstance(original.data, str):
            continue
        word = original.data
        if word not in whole:
            wrong = f"'{word}' holds no wheel by itself" if word in mechanisms else f"there is no mechanism '{word}'"
            hint = did_you_mean(word, whole) or f"only these have a mirror image: {', '.join(_ONE_WHEEL)}"
            stack.mistake(original.place, wrong, hint)
        elif entry.child("on") is None and (on := mechanisms[word].child("on")) is not None:
            message = f"'{word}' rides on '{on.data}': what does its mirror image '{name}' ride on?"
            stack.mistake(original.place, message, f"like on: {_other(root, str(on.data))}")


def _ridden(root: Value, part: str) -> str | None:
    """What a part says that it rides on, or the part that it copies."""
    seen: set[str] = set()
    while part not in seen:
        seen.add(part)
        entry = root.get("parts", part)
        if entry is None:
            return None
        if entry.child("on") is not None:
            return entry.text("on")
        part = entry.text("like") or entry.text("mirror_of") or part
    return None


def _other(root: Value, word: str) -> str:
    """The word on the other side, if there is such a mechanism: left ↔ right."""
    swapped = word.replace("left", "\0").replace("right", "left").replace("\0", "right")
    return swapped if swapped in _words(root) else word
