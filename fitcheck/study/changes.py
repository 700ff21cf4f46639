"""What differs between two Results of the same layout: data only, most important first.

Distances in mm, masses in kg, angles in degrees. A distance or height counts as changed from 0.05 mm on, an
angle or a share from 0.05, a load from 0.5 kg: less than what the report prints. A verdict always counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import TypeVar

from fitcheck.result import Clearance, CoverageRow, Ground, Limit, Loads, PartEcho, Result, Shaft, Verdict

COUNTS_MM = COUNTS_DEG = 0.05
COUNTS_KG = 0.5

_Item = TypeVar("_Item")


@dataclass(frozen=True)
class PairChange:
    """One pair before and after; None where it was not judged then."""

    between: tuple[str, str]
    before: Clearance | None
    after: Clearance | None

    @property
    def turned(self) -> bool:
        """Whether its verdict is another, or an open verdict came or went with the pair."""
        return _open(self.before) != _open(self.after)

    @property
    def moved_mm(self) -> float:
        """How much further apart; NaN where there is no distance to compare."""
        if self.before is None or self.after is None:
            return math.nan
        return _less(found_mm(self.after), found_mm(self.before))

    @property
    def moved(self) -> bool:
        """Whether its distance counts as changed, or came or went."""
        if self.before is None or self.after is None:
            return False
        return _changed(found_mm(self.before), found_mm(self.after), COUNTS_MM)

    @property
    def ruled_anew(self) -> bool:
        """Whether it is judged by another demand: must, want or guard."""
        if self.before is None or self.after is None:
            return False
        return _demand(self.before) != _demand(self.after)


@dataclass(frozen=True)
class PartChange:
    """A part before and after. ``moved_mm``: by how much the middle of its extents moved; None: it did not, or
    there is none. ``grown_mm``: by how much it got longer along x, y, z; None likewise."""

    name: str
    before: PartEcho | None
    after: PartEcho | None
    moved_mm: tuple[float, float, float] | None = None
    grown_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class LimitChange:
    """A target or rating in one load state."""

    name: str
    state: str
    before: Limit | None
    after: Limit | None

    @property
    def turned(self) -> bool:
        return _open(self.before) != _open(self.after)


@dataclass(frozen=True)
class FigureChange:
    """A height, angle, load or shaft figure. ``of``: the load state or the shaft."""

    of: str
    name: str
    before: float | None
    after: float | None


@dataclass(frozen=True)
class CoverageChange:
    """A pair that is treated in another way than before: checked, declared to touch, excluded."""

    between: tuple[str, str]
    before: CoverageRow
    after: CoverageRow


@dataclass(frozen=True)
class Changes:
    """Everything that differs; each list with what weighs most first. ``files``: those whose content differs."""

    verdict: tuple[Verdict, Verdict]
    pairs: tuple[PairChange, ...] = ()
    limits: tuple[LimitChange, ...] = ()
    parts: tuple[PartChange, ...] = ()
    figures: tuple[FigureChange, ...] = ()
    coverage: tuple[CoverageChange, ...] = ()
    warnings_new: tuple[str, ...] = ()
    warnings_gone: tuple[str, ...] = ()
    files: tuple[str, ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether no answer differs, whatever was typed."""
        return self.verdict[0] is self.verdict[1] and not any(
            getattr(self, one.name) for one in fields(self) if one.name not in ("verdict", "files")
        )


def changes_between(before: Result, after: Result) -> Changes:
    """What differs between two Results; between equal ones nothing."""
    old, new = (*before.warnings, *before.cautions), (*after.warnings, *after.cautions)
    return Changes(
        verdict=(before.verdict, after.verdict),
        pairs=tuple(sorted(_pairs(before, after), key=_urgency)),
        limits=tuple(sorted(_limits(before, after), key=lambda one: (not one.turned, -_severity(one.after)))),
        parts=tuple(_parts(before, after)),
        figures=tuple(_figures(before, after)),
        coverage=tuple(_coverage(before, after)),
        warnings_new=tuple(words for words in new if words not in old),
        warnings_gone=tuple(words for words in old if words not in new),
        files=tuple(file for file in {**before.inputs, **after.inputs} if _differs(file, before, after)),
    )


def found_mm(row: Clearance) -> float | None:
    """The distance of a pair, or minus its depth where it overlaps."""
    return row.distance_mm if row.depth_mm is None else -row.depth_mm


def _differs(file: str, before: Result, after: Result) -> bool:
    return before.inputs.get(file) != after.inputs.get(file)


def _both(before: Mapping[str, _Item], after: Mapping[str, _Item]) -> Iterator[tuple[str, _Item | None, _Item | None]]:
    """Names of either side with what both sides hold; what is still there first, in its order."""
    for name in {**after, **before}:
        yield name, before.get(name), after.get(name)


def _less(after: float | None, before: float | None) -> float:
    """The difference; NaN where either is missing."""
    return math.nan if after is None or before is None else after - before


def _changed(before: float | None, after: float | None, counts: float) -> bool:
    """Whether a figure counts as changed; one that came or went does."""
    known = [value is not None and math.isfinite(value) for value in (before, after)]
    return abs(_less(after, before)) > counts if all(known) else any(known)


def _open(judged: Clearance | Limit | None) -> Verdict:
    """A pair or limit that is not judged leaves nothing open."""
    return Verdict.PASS if judged is None else judged.verdict


def _severity(judged: Clearance | Limit | None) -> int:
    return _open(judged).severity


def _demand(row: Clearance) -> tuple[float, float, float, str]:
    return row.must_mm, row.want_mm, round(row.guard_mm, 6), row.contact if row.contact == "declared" else ""


# --- pairs ------------------------------------------------------------------------------------------------------------


def _pairs(before: Result, after: Result) -> Iterator[PairChange]:
    old, new = ({"\n".join(sorted(row.between)): row for row in result.clearances} for result in (before, after))
    for _, was, now in _both(old, new):
        row = now or was
        if row is None:
            continue
        change = PairChange(row.between, was, now)
        gone_or_new = was is None or now is None
        if gone_or_new or change.turned or change.ruled_anew or change.moved:
            yield change


def _urgency(change: PairChange) -> tuple[bool, int, int, float]:
    """Verdicts that turned, the worst outcome first; then the least room left over the rule."""
    return not change.turned, -_severity(change.after), -_severity(change.before), _room_mm(change)


def _room_mm(change: PairChange) -> float:
    row = change.after or change.before
    found = None if row is None else found_mm(row)
    return math.inf if row is None or found is None else found - row.guard_mm - row.must_mm


# --- limits -----------------------------------------------------------------------------------------------------------


def _limits(before: Result, after: Result) -> Iterator[LimitChange]:
    """Limits that turned, came, went, or ask for something else; their values are among the figures."""
    old, new = ({f"{one.name}\n{one.state}": one for one in result.limits} for result in (before, after))
    for _, was, now in _both(old, new):
        limit = now or was
        if limit is None:
            continue
        change = LimitChange(limit.name, limit.state, was, now)
        if change.turned or was is None or now is None or (was.limit, was.sense) != (now.limit, now.sense):
            yield change


# --- parts ------------------------------------------------------------------------------------------------------------


def _parts(before: Result, after: Result) -> Iterator[PartChange]:
    for name, was, now in _both({p.name: p for p in before.parts}, {p.name: p for p in after.parts}):
        if was is None or now is None:
            yield PartChange(name, was, now)
            continue
        change = PartChange(name, was, now, *_shifted(was, now))
        if change.moved_mm or change.grown_mm or _weighs_else(was, now):
            yield change


def _shifted(was: PartEcho, now: PartEcho) -> tuple[tuple[float, float, float] | None, ...]:
    """How its middle moved, and how its extents grew; None where that is nothing."""
    moved, grown = [], []
    for old, new in zip((was.x_mm, was.y_mm, was.z_mm), (now.x_mm, now.y_mm, now.z_mm), strict=True):
        if old is None or new is None:
            return None, None
        moved.append((new[0] + new[1] - old[0] - old[1]) / 2.0)
        grown.append(new[1] - new[0] - old[1] + old[0])
    return _three(moved), _three(grown)


def _three(values: list[float]) -> tuple[float, float, float] | None:
    return (values[0], values[1], values[2]) if max(map(abs, values)) > COUNTS_MM / 10.0 else None


def _weighs_else(was: PartEcho, now: PartEcho) -> bool:
    return (was.mass_kg, was.cg_mm, was.part_class) != (now.mass_kg, now.cg_mm, now.part_class)


# --- figures ----------------------------------------------------------------------------------------------------------


def _figures(before: Result, after: Result) -> Iterator[FigureChange]:
    """Heights and angles, loads, shafts: what counts as changed, the largest change of each kind first."""
    for found in (_of_ground, _of_loads, _of_shafts):
        old, new = found(before), found(after)
        changed = [
            FigureChange(*key, old.get(key), new.get(key))
            for key in {**new, **old}
            if _changed(old.get(key), new.get(key), _counts(key[1]))
        ]
        yield from sorted(changed, key=lambda one: -_size(one))


def _size(change: FigureChange) -> float:
    size = abs(_less(change.after, change.before))
    return math.inf if math.isnan(size) else size


def _counts(name: str) -> float:
    return COUNTS_KG if name.endswith("_kg") else COUNTS_MM if name.endswith("_mm") else COUNTS_DEG


_Figures = dict[tuple[str, str], float | None]


def _of_ground(result: Result) -> _Figures:
    return {(state, name): value for state, ground in result.ground.items() for name, value in _heights(ground)}


def _heights(ground: Ground) -> Iterable[tuple[str, float | None]]:
    yield "belly_mm", ground.belly_mm
    for name, by_axle in (("under_axle", ground.under_axle_mm), ("bump_left", ground.bump_left_mm)):
        for axle, value in by_axle.items():
            yield f"{name}_{axle}_mm", value
    yield "approach_deg", ground.approach_deg
    yield "departure_deg", ground.departure_deg
    yield "breakover_deg", ground.breakover_deg


def _of_loads(result: Result) -> _Figures:
    return {(state, name): value for state, loads in result.loads.items() for name, value in _weights(loads)}


def _weights(loads: Loads) -> Iterable[tuple[str, float | None]]:
    for name in ("mass_kg", "front_kg", "rear_kg", "front_share_pct"):
        yield name, getattr(loads, name)
    yield "cg_height_mm", loads.cg_mm[2]


def _of_shafts(result: Result) -> _Figures:
    return {(name, figure): value for name, shaft in result.shafts.items() for figure, value in _travel(shaft)}


def _travel(shaft: Shaft) -> Iterable[tuple[str, float | None]]:
    for end, angles in shaft.joint_deg.items():
        yield f"{end}_joint_deg", angles.max
    yield "plunge_mm", shaft.plunge_mm


# --- coverage ---------------------------------------------------------------------------------------------------------


def _coverage(before: Result, after: Result) -> Iterator[CoverageChange]:
    """Pairs of both Results whose status is another; pairs that came or went do so with their part."""
    old, new = ({"\n".join(sorted(row.between)): row for row in one.coverage.rows} for one in (before, after))
    for _, was, now in _both(old, new):
        if was is not None and now is not None and was.status != now.status:
            yield CoverageChange(now.between, was, now)
