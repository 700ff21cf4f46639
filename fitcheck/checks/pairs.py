"""Still pairs: part and part, part and scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitcheck.checks.clearance import judge, row_of, undecided
from fitcheck.checks.contacts import cut_out
from fitcheck.checks.guard import Terms, guard_mm
from fitcheck.checks.rules import ChosenRule
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.overlap import MOVE_LIMIT_MM, Meeting, clearing_move, meet
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance, ClearingMove, Verdict
from fitcheck.vehicle.scene import Contact

Point = tuple[float, float, float]

_AXES = {"+x": (1, 0, 0), "-x": (-1, 0, 0), "+y": (0, 1, 0), "-y": (0, -1, 0), "+z": (0, 0, 1), "-z": (0, 0, -1)}


@dataclass(frozen=True, eq=False)
class StillPair:
    """Two still things and what judges them. ``part`` is the one that a clearing move would move."""

    between: tuple[str, str]
    part: tuple[Solid, ...]
    other: tuple[Shape, ...]
    chosen: ChosenRule
    terms: Terms
    contacts: tuple[Contact, ...] = ()

    @property
    def guard_mm(self) -> float:
        return guard_mm(self.terms)

    @property
    def clear_mm(self) -> float:
        """The distance at which the pair passes: what the rule demands, and the guard."""
        return self.chosen.rule.must_mm + self.guard_mm


def check_still(pair: StillPair) -> Clearance:
    """Judge one still pair: distance, containment, depth, and the moves that would clear it."""
    if pair.contacts:
        return _check_in_contact(pair)
    meeting = meet(pair.part, pair.other)
    return _judged(pair, meeting, pair.other)


def _check_in_contact(pair: StillPair) -> Clearance:
    """A pair with declared places: too deep anywhere is judged, and so is what lies outside the places."""
    whole = meet(pair.part, pair.other)
    if -whole.clearance_mm > max(contact.deeper_than_mm for contact in pair.contacts):
        return _judged(pair, whole, pair.other)
    part, other = _cut_one_side(pair)
    if not part or not other:
        return _declared(pair, whole)
    uncut = _solids(part)
    rest = meet(uncut, other) if len(uncut) == len(part) else meet(_solids(other), part)
    return replace(_judged(pair, rest, other), contact="declared" if rest.contact == "apart" else rest.contact)


def _cut_one_side(pair: StillPair) -> tuple[Sequence[Shape], Sequence[Shape]]:
    """Cut the declared places out of the side that is made of plain meshes."""
    if not any(isinstance(shape, Solid) and shape.radius_mm for shape in pair.other):
        return pair.part, cut_out(pair.other, pair.contacts, pair.clear_mm)
    if not any(solid.radius_mm for solid in pair.part):
        return cut_out(pair.part, pair.contacts, pair.clear_mm), pair.other
    return pair.part, cut_out(pair.other, pair.contacts, pair.clear_mm)  # refused there: both are round


def _solids(shapes: Sequence[Shape]) -> list[Solid]:
    return [shape for shape in shapes if isinstance(shape, Solid)]


def _declared(pair: StillPair, whole: Meeting) -> Clearance:
    return replace(
        _row(pair, whole),
        verdict=Verdict.PASS,
        reason=f"touches where declared: {pair.contacts[0].why}",
        contact="declared",
    )


def _judged(pair: StillPair, meeting: Meeting, other: Sequence[Shape]) -> Clearance:
    row = _row(pair, meeting)
    if meeting.contact in ("overlap", "inside"):
        return replace(row, moves=_moves(pair, meeting, other), moving_part=pair.between[0])
    return row


def _row(pair: StillPair, meeting: Meeting) -> Clearance:
    distance = meeting.clearance_mm
    judgement = judge(distance, distance, pair.guard_mm, pair.chosen.rule.must_mm)
    if meeting.contact == "unknown":
        judgement = undecided(judgement)
    if meeting.contact == "inside":
        judgement = replace(judgement, reason="one lies wholly inside the other")
    return row_of(
        pair,
        judgement,
        distance_mm=distance,
        at_least_mm=distance,
        static_mm=distance,
        points_mm=points_of(meeting.points_mm),
        depth_mm=-distance if distance < 0.0 else None,
        contact=meeting.contact,
    )


def points_of(points: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> tuple[Point, Point]:
    """A (2, 3) array as two points."""
    first, second = (tuple(float(value) for value in point) for point in points)
    return (first[0], first[1], first[2]), (second[0], second[1], second[2])


def _moves(pair: StillPair, meeting: Meeting, other: Sequence[Shape]) -> tuple[ClearingMove, ...]:
    """The first clear position along each axis and along the exit direction."""
    ways = {name: np.array(axis, dtype=np.float64) for name, axis in _AXES.items()}
    if meeting.exit is not None and np.abs(meeting.exit).max() < 1.0 - 1e-9:
        ways["exit"] = meeting.exit
    return tuple(
        ClearingMove(
            name,
            (float(way[0]), float(way[1]), float(way[2])),
            clearing_move(pair.part, other, way, pair.clear_mm),
            MOVE_LIMIT_MM,
        )
        for name, way in ways.items()
    )
