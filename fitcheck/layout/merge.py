"""A layout, what it is based on and its vehicle file become one tree of values.

The vehicle file lies at the bottom, over it the layouts that this one is based on, over
those the layout itself. Mappings merge key by key; ``rules``, ``contacts`` and ``exclude``
are joined; any other list or value replaces. ``key: null`` takes an inherited entry away.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from fitcheck.errors import FileProblem, Mistake, Place
from fitcheck.layout.reader import Source, read_source
from fitcheck.layout.values import Value
from fitcheck.units import LENGTH_MM, MASS_KG, did_you_mean, nearest, spoken

JOINED = ("rules", "contacts", "exclude")

NAMED: tuple[tuple[str, ...], ...] = (
    ("parts",), ("measured",), ("mechanisms",), ("load_states",), ("load_states", "*"), ("targets", "*"),
    ("scan", "remove"), ("scan", "move"), ("scan", "align", "targets"), ("scan", "align", "centre"),
    ("weights", "removed"), ("weights", "added"),
    *(("mechanisms", "*", kind, "carries") for kind in ("solid_axle", "link_axle", "five_rods", "strut", "swing_arm",
                                                        "rocking_unit", "chain")),
    *(("mechanisms", "*", kind, "rods") for kind in ("link_axle", "five_rods", "strut")),
    ("mechanisms", "*", "rocking_unit", "mounts"), ("mechanisms", "*", "chain", "coordinates"),
)  # fmt: skip
"""Mappings whose keys are names that people choose ("*": any key)."""

_YAML_ENDINGS = (".yaml", ".yml")


@dataclass
class Stack:
    """The files of one layout, the layout itself first, and what they say together."""

    sources: list[Source] = field(default_factory=list)
    root: Value | None = None
    vehicle: str = ""
    units: dict[str, tuple[str, str]] = field(default_factory=dict)  # file → (length unit, mass unit) of bare numbers

    def mistakes(self) -> list[Mistake]:
        """All mistakes in file order."""
        return [
            found
            for source in self.sources
            for found in sorted(source.mistakes, key=lambda m: (m.place.line, m.place.column))
        ]

    def mistake(self, place: Place, message: str, hint: str = "") -> None:
        """Note a mistake in the file that the place names."""
        self.source_of(place).mistake(place, message, hint)

    def source_of(self, place: Place) -> Source:
        """The file that a place is in."""
        return next(source for source in self.sources if source.name == place.file)

    def file_beside(self, named: Value) -> Path:
        """The file that a value's text names, relative to the file that the value stands in."""
        return relative(self.source_of(named.place), str(named.data))


def read_stack(path: Path) -> Stack:
    """Read a layout and all the layouts that it is based on, and lay them over each other.

    Raises FileProblem where the layout itself cannot be opened. Everything else that is
    wrong is among the mistakes of the answer; ``root`` is None where there is no tree.
    """
    stack = Stack([read_source(path, path.as_posix())])
    chain = _follow(stack, stack.sources[0])
    vehicle_file = _vehicle_file(stack, chain)
    if vehicle_file is not None:
        chain += _follow(stack, vehicle_file, is_vehicle=True)
    _settle_units(stack, chain)
    if all(source.readable for source in stack.sources):
        stack.root = _lay(stack, chain)
    return stack


def _follow(stack: Stack, first: Source, is_vehicle: bool = False) -> list[Source]:
    """The file and those that it is based on, nearest first."""
    chain = [first]
    if is_vehicle and first not in stack.sources:
        stack.sources.append(first)
    while (named := _named(chain[-1], "based_on")) is not None:
        found = _open(stack, chain[-1], named, "based_on")
        if found is None:
            break
        if found in stack.sources:
            route = " → ".join(source.name for source in (*stack.sources[stack.sources.index(found) :], found))
            stack.mistake(named.place, f"this layout is based on itself: {route}", "take one of the based_on lines out")
            break
        stack.sources.append(found)
        chain.append(found)
    return chain


def _named(source: Source, key: str) -> Value | None:
    """The file that a source names under a key, if it is text."""
    value = source.root.get(key)
    return value if value is not None and isinstance(value.data, str) else None


def _open(stack: Stack, source: Source, named: Value, key: str) -> Source | None:
    """Open a file named in another, found relative to it; a file that is open already is not read twice."""
    path = relative(source, str(named.data))
    for known in stack.sources:
        if known.path == path or _same_file(known.path, path):
            return known
    try:
        return read_source(path, path.as_posix())
    except FileProblem as problem:
        source.mistake(named.place, f"{key}: {problem}", nearest_file(path))
        return None


def relative(source: Source, name: str) -> Path:
    """Where a file is that ``source`` names: relative to the source's own folder."""
    return Path(os.path.normpath(source.path.parent / name))


def nearest_file(path: Path) -> str:
    """ "did you mean …?" for a file that is not there, or ''."""
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except (OSError, ValueError):
        return f"there is no folder {path.parent.as_posix()}"
    near = nearest(path.name, names)
    return f"did you mean '{near}'?" if near else "files are found relative to the file that names them"


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return False


def _vehicle_file(stack: Stack, chain: list[Source]) -> Source | None:
    """The vehicle file that the chain names; the nearest file decides. None: the vehicle is in the chain itself."""
    for source in chain:
        named = _named(source, "vehicle")
        if named is None:
            continue
        if _is_file_name(source, str(named.data)):
            found = _open(stack, source, named, "vehicle")
            if found in stack.sources:
                source.mistake(
                    named.place,
                    "a layout cannot be its own vehicle file",
                    "name the vehicle file, or write the vehicle's name",
                )
                return None
            return found
        twin = next((ending for ending in _YAML_ENDINGS if relative(source, f"{named.data}{ending}").is_file()), None)
        if twin is not None and source.path.name != f"{named.data}{twin}":
            source.mistake(named.place, f"'{named.data}' is no file", f"did you mean '{named.data}{twin}'?")
        return None
    return None


def _is_file_name(source: Source, name: str) -> bool:
    if name.lower().endswith(_YAML_ENDINGS):
        return True
    try:
        return relative(source, name).is_file()
    except (OSError, ValueError):
        return False


def _settle_units(stack: Stack, chain: list[Source]) -> None:
    """What a bare number means in each file: its own ``units``, else those of what it lies on, else mm and kg."""
    settled = ("mm", "kg")
    for source in reversed(chain):
        settled = (
            _unit(source, "length", tuple(LENGTH_MM), settled[0]),
            _unit(source, "mass", tuple(MASS_KG), settled[1]),
        )
        stack.units[source.name] = settled


def _unit(source: Source, key: str, valid: tuple[str, ...], inherited: str) -> str:
    """A wrong unit keeps the inherited one here; the schema names the mistake."""
    typed = source.root.text("units", key)
    return typed if typed in valid else inherited


def _lay(stack: Stack, chain: list[Source]) -> Value:
    """All files of the chain over each other, the last at the bottom. A title is not inherited."""
    root = Value({}, Place(chain[0].name, 1, 1))
    for source in reversed(chain):
        _check_head(source)
        root = _over(source, root, source.root, ())
    kept = {key: value for key, value in root.items() if key != "title" or chain[0].root.get("title") is not None}
    names = [(source, source.root.text("vehicle")) for source in chain]
    stack.vehicle = next((name for source, name in reversed(names) if name and not _is_file_name(source, name)), "")
    return Value(kept, root.place, root.key)


def _check_head(source: Source) -> None:
    """Each file says its format, and none has a section with nothing under it."""
    head = source.root.get("format")
    if head is None:
        source.mistake(Place(source.name, 1, 1), "'format' is missing", "a layout begins with 'format: 1'")
    elif head.data != 1 or isinstance(head.data, bool):
        source.mistake(head.place, f"expected format 1, found {spoken(head.data)}", "this version reads format 1")
    for key, value in source.root.items():
        if value.data is None and key != "format":
            source.mistake(value.spot, f"there is nothing under '{key}'", "write its entries, or take the line out")


def _over(source: Source, base: Value, over: Value, path: tuple[str, ...]) -> Value:
    """``over``, from ``source``, laid over ``base``."""
    if len(path) == 1 and path[0] in JOINED and isinstance(base.data, list) and isinstance(over.data, list):
        return Value([*base.data, *over.data], over.place, over.key)
    if not isinstance(over.data, dict):
        return over
    merged = dict(base.data) if isinstance(base.data, dict) else {}
    for key, value in over.data.items():
        if value.data is None and path:
            _take_away(source, merged, key, value, path)
        else:
            inherited = merged.get(key, Value(None, value.place, value.key))
            merged[key] = _over(source, inherited, value, (*path, key))
    return Value(merged, over.place, over.key)


def _take_away(source: Source, merged: dict[str, Value], key: str, value: Value, path: tuple[str, ...]) -> None:
    """``key: null``: the inherited entry goes; a name that was not inherited is a mistake."""
    if key in merged:
        del merged[key]
    elif is_named(path):
        hint = did_you_mean(key, list(merged)) or f"write '{key}: {{}}' for an entry without keys"
        source.mistake(value.spot, f"there is nothing to take away: no '{key}' is inherited in {'.'.join(path)}", hint)
    else:
        merged[key] = value


def is_named(path: tuple[str, ...]) -> bool:
    """Whether the keys at this path are names that people choose."""
    return any(
        len(path) == len(pattern) and all(want in ("*", have) for want, have in zip(pattern, path, strict=True))
        for pattern in NAMED
    )
