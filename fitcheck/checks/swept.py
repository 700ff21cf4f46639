"""Moving bodies: the least distance over the whole travel, with its bound, and over each part of the travel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.biting import bites
from fitcheck.checks.clearance import Judgement, judge, row_of, undecided
from fitcheck.checks.contacts import cut_out, too_deep
from fitcheck.checks.evidence import Evidence
from fitcheck.checks.guard import Terms, guard_mm
from fitcheck.checks.movers import Movers, can_be_cut, without_places
from fitcheck.checks.pairs import points_of
from fitcheck.checks.rules import ChosenRule
from fitcheck.checks.search import Found, search
from fitcheck.checks.stretches import EVERYTHING, STRAIGHT, UNLADEN, Laden, stretches, whole
from fitcheck.geometry.distance import CONTACT_TOLERANCE_MM, Closest, Shape
from fitcheck.geometry.inside import depths
from fitcheck.geometry.overlap import any_inside, meet
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.sweep import corners_of
from fitcheck.result import Cause, Clearance, Verdict
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.scene import Contact

Floats = NDArray[np.float64]

FAR_MM, FAR_STEP_MM = 100.0, 200.0
"""What is shown to stay so much farther than all that its rule asks cannot matter: its bracket is left wider than
the tolerance (judgement). In steps, so that an edited rule seldom asks for another search."""

_DEPTH_POSES = 3
_MOST_GRID = 4
"""Of more coordinates a grid has too many poses: the ends of each part of the travel stand for it."""


@dataclass(frozen=True, eq=False)
class MovingPair:
    """A moving body against a still thing (a part's solids, or the scan) or an ``other`` body, and what judges them."""

    between: tuple[str, str]
    shapes: tuple[Shape, ...]
    chosen: ChosenRule
    terms: Terms
    contacts: tuple[Contact, ...] = ()
    evidence: Evidence | None = None  # what the scan says beside its metal; None: the other thing is no scan
    other: MovingBody | None = None
    laden: Laden = UNLADEN

    @property
    def guard_mm(self) -> float:
        return guard_mm(self.terms)

    @property
    def clear_mm(self) -> float:
        """The distance at which the pair passes: what the rule demands, and the guard."""
        return self.chosen.rule.must_mm + self.guard_mm

    def judged_shapes(self) -> tuple[Shape, ...]:
        """The shapes without the declared places."""
        return tuple(cut_out(self.shapes, self.contacts, self.clear_mm)) if self.contacts else self.shapes


def far_enough_mm(clear_mm: float, want_mm: float) -> float:
    """Where a search may end early: at least 100 mm beyond what the pair must keep, and beyond twice what it should."""
    return FAR_MM + FAR_STEP_MM * math.ceil(max(clear_mm, 2.0 * want_mm, 1.0) / FAR_STEP_MM)


def movers_of(body: MovingBody, pair: MovingPair) -> Movers | None:
    """What is judged, without the declared places and in its own place; None where nothing is left beside them."""
    if pair.other is None:
        shapes = pair.judged_shapes()
        return Movers(body, shapes) if shapes or not pair.contacts else None
    if not pair.contacts:
        return Movers(body, other=pair.other)
    cut_body = can_be_cut(body) and not can_be_cut(pair.other)
    left = without_places(body if cut_body else pair.other, pair.contacts, pair.clear_mm)
    if left is None:
        return None
    return Movers(left, other=pair.other) if cut_body else Movers(body, other=left)


def check_moving(body: MovingBody, pair: MovingPair, *, by_cause: bool = True) -> Clearance:
    """Judge a moving body against a still thing or another body. Each pair alone: no answer depends on its company.

    ``by_cause``: also the least over each part of the travel; always, where the rule judges one of them.
    """
    by_cause = by_cause or pair.chosen.rule.cause not in ("", EVERYTHING)
    movers = movers_of(body, pair)
    movers = None if movers is None else movers.alone()
    static = None if movers is None else movers.closest(movers.space.scan_pose)
    deep = _too_deep(body, pair) if pair.contacts else None
    if deep is not None:
        return replace(deep, static_mm=None if static is None else static.distance_mm)
    if movers is None:
        reason = f"touches where declared: {pair.contacts[0].why}"
        return row_of(pair, Judgement(Verdict.PASS, reason), contact="declared")
    if static is None:
        return row_of(pair, judge(None, None, pair.guard_mm, pair.chosen.rule.must_mm), contact="unknown")
    parts = stretches(movers.space, pair.laden) if by_cause else []
    enough_mm = far_enough_mm(pair.clear_mm, pair.chosen.rule.want_mm)
    found = search(movers, [whole(movers.space), *parts], static, enough_mm)
    straight = _straight(movers, static, enough_mm) if by_cause else []
    return _row(pair, _Swept(movers, static, found[0], [*found[1:], *straight]))


def _straight(movers: Movers, static: Closest, enough_mm: float) -> list[Found]:
    """Straight bump and straight droop alone, each pose told in the words of its own mechanism."""
    straight = movers.straight()
    if straight is None:
        return []
    return search(straight, stretches(straight.space, UNLADEN, straight=True), static, enough_mm)


def _too_deep(body: MovingBody, pair: MovingPair) -> Clearance | None:
    """The row of a pair that overlaps deeper than its contacts allow, as scanned or at an end of the travel."""
    whole_pair = Movers(body, pair.shapes, pair.other)
    space = whole_pair.space
    for pose in (space.scan_pose, *_ends(whole_pair)):
        here, there = whole_pair.here(pose), list(whole_pair.there(pose))
        meeting = too_deep(*_where_declared(whole_pair, pose, here, there), pair.contacts)
        if meeting is not None:
            depth = -meeting.clearance_mm
            return row_of(
                pair,
                judge(-depth, -depth, pair.guard_mm, pair.chosen.rule.must_mm),
                distance_mm=0.0,
                at_least_mm=0.0,
                pose=space.describe(pose),
                points_mm=points_of(meeting.points_mm[::-1]),  # in the order of ``between``: the thing first
                depth_mm=depth,
                contact="overlap",
            )
    return None


def _where_declared(
    movers: Movers, pose: Floats, here: list[Solid], there: list[Shape]
) -> tuple[list[Solid], list[Shape]]:
    """Both sides as the carrier of the declared places sees them: turned back with it to its scan pose."""
    if movers.other is None:
        return here, there
    others = can_be_cut(movers.other)
    carrier, columns = (movers.other, movers.other_columns) if others else (movers.body, movers.columns)
    first = carrier.pieces[0]
    if not isinstance(first, RigidPiece):
        return here, there
    own = pose[columns][None]
    turn, origin = first.motion.turn(own)[0], first.motion.place(own, np.zeros((1, 3)))[0, 0]
    back: list[Shape] = [shape.moved(turn.T, -turn.T @ origin) for shape in there if isinstance(shape, Solid)]
    return [solid.moved(turn.T, -turn.T @ origin) for solid in here], back


def _ends(movers: Movers) -> Floats:
    """Poses (n, d) at the ends of the travel: all of them, or those of each part of it where they are too many."""
    space = movers.space
    if len(space.coordinates) <= _MOST_GRID:
        return movers.within(np.asarray(corners_of(space.low[None], space.high[None])[0]))
    ends = [end for part in stretches(space, UNLADEN) for end in (part.low, part.high)]
    return np.unique(movers.within(np.array([space.scan_pose, *ends])), axis=0)


@dataclass(frozen=True, eq=False)
class _Swept:
    movers: Movers
    static: Closest
    least: Found
    parts: list[Found]

    def judged(self, cause: str) -> Found | None:
        """What a rule looks at: everything together, or one cause; None where the pair has none such."""
        if cause in ("", EVERYTHING):
            return self.least
        return next((part for part in self.parts if part.stretch.name == cause), None)


def _row(pair: MovingPair, swept: _Swept) -> Clearance:
    exact = swept.movers.closest(swept.least.pose) or swept.static
    held = _holds(swept.movers)
    meets = min(exact.distance_mm, swept.least.distance_mm) <= CONTACT_TOLERANCE_MM or held is True
    depth = _depth(swept) if meets else None
    found = exact.distance_mm if depth is None else 0.0
    bound = min(swept.least.at_least_mm, found) if depth is None else 0.0
    causes = _causes(swept, found, bound)
    return row_of(
        pair,
        _judgement(pair, swept, (found, bound) if depth is None else (-depth, -depth), held),
        distance_mm=found,
        at_least_mm=bound,
        static_mm=swept.static.distance_mm,
        straight_bump_mm=_least([cause for cause in causes if cause.name in STRAIGHT]),
        pose=swept.movers.space.describe(swept.least.pose),
        points_mm=points_of(exact.points_mm[::-1]),
        depth_mm=depth,
        contact=_contact(pair, depth, held),
        causes=causes,
        bites=bites(causes, swept.movers.space, swept.movers.space.describe(swept.least.pose)),
        judged=pair.chosen.rule.cause,
    )


def _judgement(pair: MovingPair, swept: _Swept, over_all: tuple[float, float], held: bool | None) -> Judgement:
    """The verdict on what the rule judges; a rule for a cause that the pair knows nothing of has nothing to judge."""
    rule = pair.chosen.rule
    if rule.cause in ("", EVERYTHING):
        judgement = judge(*over_all, pair.guard_mm, rule.must_mm)
    else:
        part = swept.judged(rule.cause)
        figures = (swept.static.distance_mm,) * 2 if part is None else (part.distance_mm, part.at_least_mm)
        judgement = judge(-over_all[0] if held else figures[0], figures[1], pair.guard_mm, rule.must_mm)
        where = rule.cause if part is not None else f"'{rule.cause}' moves neither: judged as scanned"
        judgement = replace(judgement, reason=f"{judgement.reason}; judged: {where}")
    return undecided(judgement) if held is None else judgement


def _causes(swept: _Swept, found_mm: float, bound_mm: float) -> tuple[Cause, ...]:
    """The parts of the travel and the whole, none below the whole's own bound."""
    parts = [
        Cause(
            part.stretch.name,
            part.distance_mm if np.isfinite(part.distance_mm) else None,
            max(part.at_least_mm, min(bound_mm, part.distance_mm)) if np.isfinite(part.at_least_mm) else None,
            part.described(),
        )
        for part in swept.parts
    ]
    pose = swept.movers.space.describe(swept.least.pose)
    return (*parts, Cause(EVERYTHING, found_mm, bound_mm, pose)) if parts else ()


def _least(causes: Sequence[Cause]) -> float | None:
    found = [cause.distance_mm for cause in causes if cause.distance_mm is not None]
    return min(found, default=None)


def _contact(pair: MovingPair, depth: float | None, held: bool | None) -> str:
    if depth is not None:
        return "overlap"
    if held is None:
        return "unknown"
    return "declared" if pair.contacts else "apart"


def _holds(movers: Movers) -> bool | None:
    """Whether either is inside the other: apart for distances, and yet in it; None: cannot be told."""
    pose = movers.space.scan_pose
    solids = [shape for shape in movers.there(pose) if isinstance(shape, Solid) and not _is_facet(shape)]
    bodies = [solid for solid in movers.here(pose) if not _is_facet(solid)]
    if not bodies:
        return False
    points = np.concatenate([solid.vertices for solid in bodies])
    if any(any_inside(solid.vertices, bodies) for solid in solids):
        return True
    return any_inside(points, solids)


def _is_facet(solid: Solid) -> bool:
    """A triangle that is left of a thing with declared places: it has no inside to ask about."""
    return len(solid.faces) == 1 and not solid.closed


def _depth(swept: _Swept) -> float:
    """The deepest overlap found at the colliding pose and on a coarse grid of poses."""
    movers, pose = swept.movers, swept.least.pose
    near = [shape for shape in movers.there(pose) if isinstance(shape, Solid)]
    deepest = max(0.0, -meet(movers.here(pose), list(movers.there(pose))).clearance_mm)
    for one in _grid(movers, pose) if near else ():
        for solid in movers.here(one):
            for shape in movers.there(one):
                if isinstance(shape, Solid):
                    deepest = max(deepest, float(depths(solid.vertices, shape).max(initial=0.0)))
                    deepest = max(deepest, float(depths(shape.vertices, solid).max(initial=0.0)))
    return deepest


def _grid(movers: Movers, pose: Floats) -> Floats:
    """The pose itself and a coarse grid (n, d) over the travel, or the ends of its parts where that is too fine."""
    space = movers.space
    if len(space.coordinates) > _MOST_GRID:
        return np.unique(np.concatenate([pose[None], _ends(movers)]), axis=0)
    axes = [np.linspace(lo, hi, _DEPTH_POSES) for lo, hi in zip(space.low, space.high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes)) if axes else pose[None]
    return np.unique(np.concatenate([pose[None], movers.within(grid)]), axis=0)
