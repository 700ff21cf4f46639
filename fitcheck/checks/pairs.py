"""Still pairs: part and part, part and scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitcheck.checks.clearance import judge, row_of, undecided
from fitcheck.checks.contacts import cut_out, too_deep
from fitcheck.checks.evidence import Evidence
from fitcheck.checks.guard import Terms, guard_mm
from fitcheck.checks.rules import ChosenRule
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.overlap import MOVE_LIMIT_MM, Meeting, clearing_move, meet
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance, ClearingMove, Verdict
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import SCAN, Contact

Point = tuple[float, float, float]

SCAN_REACH_MM = 500.0
"""A part with no scanned metal nearer than this stands where the scan is no evidence (judgement)."""

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
    evidence: Evidence | None = None  # what the scan says beside its metal; None: the other thing is no scan
    twisted: MovingBody | None = None  # the part as the other sees it while the frame twists; None: it stands still
    twist_mm: float = 0.0  # where it cannot be swept: how far the twist may move it

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
    """A pair with declared places: nothing too deep in them, no touch beside them, the rule beyond its own reach."""
    deep = too_deep(pair.part, pair.other, pair.contacts)
    if deep is not None:
        return _judged(pair, deep, pair.other)
    beside = _meet_outside(pair, 0.0)
    if beside is not None and beside.contact != "apart":
        return _judged(pair, beside, pair.other)
    beyond = _meet_outside(pair, pair.clear_mm)
    if beyond is None:
        return _declared(pair, beside or meet(pair.part, pair.other))
    return replace(_row(pair, beyond), contact="declared" if beyond.contact == "apart" else beyond.contact)


def _meet_outside(pair: StillPair, grow_mm: float) -> Meeting | None:
    """How the pair meets outside its places grown by ``grow_mm``; None where nothing is left.

    The places are cut out of the side that is made of plain meshes.
    """
    cut_part = any(isinstance(shape, Solid) and shape.radius_mm for shape in pair.other)
    if cut_part and any(solid.radius_mm for solid in pair.part):
        cut_part = False  # both are round: refused below, in words
    left = cut_out(pair.part if cut_part else pair.other, pair.contacts, grow_mm)
    if not left:
        return None
    if not cut_part:
        return meet(pair.part, left)
    turned = meet(_solids(pair.other), left)
    return replace(turned, points_mm=turned.points_mm[::-1], exit=None if turned.exit is None else -turned.exit)


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
    if distance > SCAN_REACH_MM and judgement.verdict is Verdict.PASS and pair.between[1] == SCAN:
        reason = f"no scanned metal within {SCAN_REACH_MM:g} mm: the scan says nothing about this place"
        judgement = replace(judgement, verdict=Verdict.NOT_PROVEN, reason=reason)
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
