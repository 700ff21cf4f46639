"""Are these arrangements comparable, and what differs between them besides the figures?

Refused, all at once: another vehicle, another scan or alignment, other axles, mechanisms or
scales, other load states. Noted: rules, contacts, uncertainties, targets, and what comes off
or is moved. A layout may shift or take off scanned things and still be of the same scan: so
the file's content, the alignment and the number of scanned triangles are compared, and without
an alignment the extents of all that was scanned, where nothing was moved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from fitcheck.checks.baseline import has_moved_metal
from fitcheck.errors import InputError
from fitcheck.result import Result
from fitcheck.vehicle.masses import states_of
from fitcheck.vehicle.motion import Block
from fitcheck.vehicle.scene import LoadState, ScanLayers, Scene

NAMED = 3
"""So many pairs are named in a note; the others are counted."""


@dataclass(frozen=True)
class Named:
    """A scene under the short name of its column."""

    name: str
    scene: Scene


def short_names(files: Sequence[str]) -> tuple[str, ...]:
    """File stems; where two are alike, as many folders before them as tell them apart, or else a number."""
    for depth in range(1, 1 + max((len(Path(file).parts) for file in files), default=1)):
        names = ["/".join(Path(file).with_suffix("").parts[-depth:]) for file in files]
        if len(set(names)) == len(names):
            return tuple(names)
    return tuple(f"{Path(file).stem} ({k})" for k, file in enumerate(files, 1))


def refuse_incomparable(scenes: Sequence[Named]) -> None:
    """Raise InputError unless all are arrangements of one vehicle: every difference in one message."""
    if len(scenes) < 2:
        raise InputError("compare needs two layouts or more: name another one")
    _refuse_twins(scenes)
    first = scenes[0]
    found = [words for other in scenes[1:] for words in _differences(first, other)]
    if found:
        lines = "\n".join(f"  {words}" for words in found)
        raise InputError(
            f"these layouts cannot be compared: they differ in what has to be the same\n{lines}\n"
            "  Let all of them name one vehicle file ('vehicle:'), or compare those that belong together."
        )


def _refuse_twins(scenes: Sequence[Named]) -> None:
    seen: dict[Path, str] = {}
    for named in scenes:
        place = Path(named.scene.layout_file).resolve()
        if place in seen:
            raise InputError(
                f"{named.scene.layout_file}: this layout is named twice (also as {seen[place]}); name each once"
            )
        seen[place] = named.scene.layout_file


def _differences(first: Named, other: Named) -> Iterator[str]:
    """What two scenes may not differ in, in words with both files."""
    a, b = first.scene, other.scene

    def said(what: str, one: object, two: object) -> str:
        return f"{what}: {_words_of(one)} in {a.layout_file}, {_words_of(two)} in {b.layout_file}"

    if a.vehicle != b.vehicle:
        yield said("vehicle", repr(a.vehicle), repr(b.vehicle))
    yield from _scan_differences(a, b, said)
    yield from (said(*words) for words in _axle_differences(a, b))
    yield from (said(*words) for words in _mechanism_differences(a, b))
    yield from (said(*words) for words in _weight_differences(a, b))
    yield from (said(*words) for words in _state_differences(a, b))


def _words_of(value: Any) -> str:
    """A value as a person would type it."""
    if value is None:
        return "none"
    if hasattr(value, "__dataclass_fields__"):
        return ", ".join(f"{field.name} {_words_of(getattr(value, field.name))}" for field in fields(value))
    return f"{value:g}" if isinstance(value, float) else str(value)


# --- the scan --------------------------------------------------------------------------------


def _scan_differences(a: Scene, b: Scene, said: Callable[[str, object, object], str]) -> Iterator[str]:
    if a.scan is None or b.scan is None:
        if (a.scan is None) != (b.scan is None):
            yield said("scan", *("none" if scene.scan is None else "one" for scene in (a, b)))
        return
    if a.scan.key and a.scan.key == b.scan.key:
        return
    if a.scan.assumed_side != b.scan.assumed_side:
        yield said("the side that is assumed", *(scan.assumed_side or "none" for scan in (a.scan, b.scan)))
        return
    files = scan_file(a), scan_file(b)
    counts = _triangles(a.scan), _triangles(b.scan)
    if files[0][1] != files[1][1] or counts[0] != counts[1]:
        yield said(
            "scan",
            *(f"{file or 'a scan'} ({count} triangles)" for (file, _), count in zip(files, counts, strict=True)),
        )
    elif a.scan.alignment != b.scan.alignment:
        yield said("alignment of the scan", *(_alignment_words(scene.scan) for scene in (a, b)))
    elif a.scan.alignment is None and not _same_place(a, b):
        yield said("units or axes of the scan", *(f"it spans {_span_words(scan)}" for scan in (a.scan, b.scan)))


def scan_file(scene: Scene) -> tuple[str, str]:
    """The scan's file and its sha256: the scan is the last of a scene's inputs to be read. ("", "") of none."""
    if scene.scan is None or not scene.inputs:
        return "", ""
    return list(scene.inputs.items())[-1]


def _triangles(scan: ScanLayers) -> int:
    return scan.metal.triangle_count + sum(piece.triangle_count for piece in scan.removed.values())


def _alignment_words(scan: ScanLayers | None) -> str:
    if scan is None or scan.alignment is None:
        return "taken as scanned"
    return f"{len(scan.alignment.targets)} targets, rms {scan.alignment.rms_mm:.3f} mm"


def _span(scan: ScanLayers) -> np.ndarray[Any, np.dtype[np.float64]]:
    boxes = np.concatenate([surface.boxes for surface in (scan.metal, *scan.removed.values())])
    return np.concatenate([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)]) if len(boxes) else np.zeros(6)


def _same_place(a: Scene, b: Scene) -> bool:
    if a.scan is None or b.scan is None or has_moved_metal(a) or has_moved_metal(b):
        return True
    return bool(np.allclose(_span(a.scan), _span(b.scan), rtol=0.0, atol=1e-6))


def _span_words(scan: ScanLayers) -> str:
    low, high = np.split(_span(scan), 2)
    return ", ".join(f"{axis} {low[k]:.0f}…{high[k]:.0f}" for k, axis in enumerate("xyz"))


# --- the vehicle -----------------------------------------------------------------------------

_Words = tuple[str, object, object]


def _axle_differences(a: Scene, b: Scene) -> Iterator[_Words]:
    for name in sorted({*a.axles, *b.axles}):
        one, two = a.axles.get(name), b.axles.get(name)
        if one is None or two is None:
            yield _one_alone(f"axles.{name}", one)
        else:
            for path, left, right in _fields_that_differ(one, two):
                yield f"axles.{name}.{path}", left, right


def _one_alone(what: str, one: object) -> _Words:
    return (what, "none", "one") if one is None else (what, "one", "none")


def _fields_that_differ(one: Any, two: Any) -> Iterator[tuple[str, object, object]]:
    """The fields of two dataclasses of one kind that are not equal, nested ones by their path."""
    for field in fields(one):
        left, right = getattr(one, field.name), getattr(two, field.name)
        if left == right:
            continue
        if hasattr(left, "__dataclass_fields__") and type(left) is type(right):
            for path, *words in _fields_that_differ(left, right):
                yield f"{field.name}.{path}", words[0], words[1]
        else:
            yield field.name, left, right


def _mechanism_differences(a: Scene, b: Scene) -> Iterator[_Words]:
    for name in sorted({*a.mechanisms, *b.mechanisms}):
        one, two = a.mechanisms.get(name), b.mechanisms.get(name)
        if one is None or two is None:
            yield _one_alone(f"mechanisms.{name}", one)
            continue
        if type(one) is not type(two):
            yield f"mechanisms.{name}", type(one).__name__, type(two).__name__
            continue
        for path, left, right in _fields_that_differ(one, two):
            if path.partition(".")[0] not in _NOT_MOTION:
                yield f"mechanisms.{name}.{path}", left, right
        if _carried(one) != _carried(two):
            yield f"mechanisms.{name}.carries", _carried_words(one), _carried_words(two)


_NOT_MOTION = ("carries", "origin", "part_class")


def _carried(axle: Block) -> list[tuple[str, bytes, float]]:
    return [(name, solid.vertices.tobytes(), solid.radius_mm) for name, solid in axle.carries]


def _carried_words(axle: Block) -> str:
    """Each carried solid with its size along the axes."""
    sizes = {name: solid.extents()[1] - solid.extents()[0] for name, solid in axle.carries}
    words = [f"{name} {' × '.join(f'{side:.1f}' for side in size)}" for name, size in sizes.items()]
    return ", ".join(words) or "nothing"


def _weight_differences(a: Scene, b: Scene) -> Iterator[_Words]:
    if a.weights is None or b.weights is None:
        if (a.weights is None) != (b.weights is None):
            yield _one_alone("weights", a.weights)
        return
    corners = _fields_that_differ(a.weights.as_weighed, b.weights.as_weighed)
    for path, left, right in corners:
        yield f"weights.as_weighed.{path} (kg)", left, right
    for name in ("raised", "cg_height_mm", "gross_rating_kg"):
        left, right = getattr(a.weights, name), getattr(b.weights, name)
        if left != right:
            yield f"weights.{name}", left, right


def _state_differences(a: Scene, b: Scene) -> Iterator[_Words]:
    one, two = ({state.name: state for state in states_of(scene)} for scene in (a, b))
    if sorted(one) != sorted(two):
        yield "load states", ", ".join(one), ", ".join(two)
    for name in one:
        if name in two and _masses(one[name]) != _masses(two[name]):
            yield f"load state {name!r}", _aboard_words(one[name]), _aboard_words(two[name])


def _masses(state: LoadState) -> list[tuple[str, float]]:
    return sorted((mass.name, mass.mass_kg.value) for mass in state.aboard)


def _aboard_words(state: LoadState) -> str:
    return ", ".join(f"{name} {kg:g} kg" for name, kg in _masses(state)) or "nobody aboard"


# --- what is noted ---------------------------------------------------------------------------


def notes_on(scenes: Sequence[Named], results: Sequence[Result]) -> tuple[str, ...]:
    """What differs between comparable layouts besides their figures, each in a sentence."""
    notes = [*_scan_notes(scenes), *_aboard_notes(scenes)]
    notes += _values_note(scenes, "uncertainties differ (one sigma, mm)", _uncertainty_words)
    notes += _values_note(scenes, "measured since the scan differs", _measured_words)
    notes += _values_note(scenes, "the scanner's stations (seen_from) differ", _station_words)
    notes += _targets_note(scenes)
    for other, result in zip(scenes[1:], results[1:], strict=True):
        notes += _rule_notes(scenes[0].name, results[0], other.name, result)
    return tuple(notes)


def _scan_notes(scenes: Sequence[Named]) -> list[str]:
    """Scanned things that one layout moves or takes off and another does not."""
    done: dict[str, list[str]] = {}
    for named in scenes:
        for note in () if named.scene.scan is None else named.scene.scan.notes:
            if note.startswith(("moved ", "removed ")):
                done.setdefault(note.split(":")[0], []).append(named.name)
    return [
        f"scan: {', '.join(names)} alone {'has' if len(names) == 1 else 'have'} {what}"
        for what, names in done.items()
        if len(names) < len(scenes)
    ]


def _aboard_notes(scenes: Sequence[Named]) -> list[str]:
    """Who or what is aboard at another place."""
    notes = []
    for state in states_of(scenes[0].scene):
        for mass in state.aboard:
            places = {named.name: _place_of(named.scene, state.name, mass.name) for named in scenes}
            if len(set(places.values())) > 1:
                words = "; ".join(f"{_where(place)} in {', '.join(who)}" for place, who in _grouped(places))
                notes.append(f"load state {state.name}: {mass.name} lies at {words}")
    return notes


def _place_of(scene: Scene, state: str, name: str) -> tuple[float, float, float]:
    aboard = next(one.aboard for one in states_of(scene) if one.name == state)
    return next(mass.cg_mm for mass in aboard if mass.name == name)


def _where(place: tuple[float, float, float]) -> str:
    return ", ".join(f"{axis} {value:g}" for axis, value in zip("xyz", place, strict=True))


def _grouped(values: dict[str, Any]) -> list[tuple[Any, list[str]]]:
    groups: dict[Any, list[str]] = {}
    for name, value in values.items():
        groups.setdefault(value, []).append(name)
    return list(groups.items())


def _values_note(scenes: Sequence[Named], title: str, values: Callable[[Scene], str]) -> list[str]:
    found = {named.name: values(named.scene) for named in scenes}
    if len(set(found.values())) == 1:
        return []
    return [f"{title}: " + "; ".join(f"{value} in {', '.join(names)}" for value, names in _grouped(found))]


def _measured_words(scene: Scene) -> str:
    entries = () if scene.scan is None else scene.scan.measured
    return ", ".join(f"{entry.name} ({entry.what})" for entry in entries) or "nothing"


def _station_words(scene: Scene) -> str:
    return "not said" if scene.scan is None or not scene.scan.seen_from else ", ".join(scene.scan.seen_from)


def _uncertainty_words(scene: Scene) -> str:
    found = vars(scene.uncertainties).items()
    return ", ".join(f"{name} {'by place' if value is None else format(value, 'g')}" for name, value in found)


def _targets_note(scenes: Sequence[Named]) -> list[str]:
    found = {
        named.name: tuple(sorted((one.name, one.state, one.limit, one.sense) for one in named.scene.targets))
        for named in scenes
    }
    if len(set(found.values())) == 1:
        return []
    groups = ", ".join("/".join(names) for _, names in _grouped(found))
    return [f"the owner's targets are not the same ({groups}): their verdicts answer different questions"]


def _rule_notes(one: str, first: Result, two: str, second: Result) -> list[str]:
    """Pairs of two results that were judged by different figures, or judged in one alone."""
    musts = [{tuple(sorted(row.between)): row.must_mm for row in result.clearances} for result in (first, second)]
    changed = [
        f"{' – '.join(pair)} {musts[0][pair]:g} in {one}, {musts[1][pair]:g} in {two}"
        for pair in musts[0]
        if pair in musts[1] and musts[0][pair] != musts[1][pair]
    ]
    states = [{tuple(sorted(row.between)): row.status for row in result.coverage.rows} for result in (first, second)]
    other = [
        f"{' – '.join(pair)} {states[0][pair].replace('_', ' ')} in {one}, {states[1][pair].replace('_', ' ')} in {two}"
        for pair in states[0]
        if pair in states[1] and states[0][pair] != states[1][pair]
    ]
    return [
        f"{title}: {'; '.join(found[:NAMED])}" + (f" and {len(found) - NAMED} more" if len(found) > NAMED else "")
        for title, found in (("pairs under different rules (must, mm)", changed), ("pairs treated differently", other))
        if found
    ]
