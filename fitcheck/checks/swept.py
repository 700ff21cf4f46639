"""Moving bodies against still things: the least distance over the whole travel, with its bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.clearance import Judgement, judge, row_of, undecided
from fitcheck.checks.contacts import cut_out, too_deep
from fitcheck.checks.evidence import Evidence
from fitcheck.checks.guard import Terms, guard_mm
from fitcheck.checks.pairs import points_of
from fitcheck.checks.rules import ChosenRule
from fitcheck.geometry.distance import CONTACT_TOLERANCE_MM, Closest, Shape, box_gaps, least_between
from fitcheck.geometry.inside import depths
from fitcheck.geometry.overlap import any_inside, meet
from fitcheck.geometry.separation import separate
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface
from fitcheck.geometry.sweep import Obstacle, SweptLeast, corners_of, least_over_motion
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Contact

Floats = NDArray[np.float64]

_DEPTH_POSES = 3
_SCOUT_TILES = 3
_SCOUT_POSES = 4


@dataclass(frozen=True, eq=False)
class MovingPair:
    """A moving body against a still thing (a part's solids, or the scan), and what judges them."""

    between: tuple[str, str]
    shapes: tuple[Shape, ...]
    chosen: ChosenRule
    terms: Terms
    contacts: tuple[Contact, ...] = ()
    evidence: Evidence | None = None  # what the scan says beside its metal; None: the other thing is no scan

    @property
    def guard_mm(self) -> float:
        return guard_mm(self.terms)

    def judged_shapes(self) -> tuple[Shape, ...]:
        """The shapes without the declared places."""
        if not self.contacts:
            return self.shapes
        return tuple(cut_out(self.shapes, self.contacts, self.chosen.rule.must_mm + self.guard_mm))


def check_moving(body: MovingBody, pair: MovingPair) -> Clearance:
    """Judge a moving body against a still thing. Each pair alone, so that no answer depends on its company."""
    shapes = pair.judged_shapes()
    static = _static(body, shapes)
    deep = _too_deep(body, pair) if pair.contacts else None
    if deep is not None:
        return replace(deep, static_mm=None if static is None else static.distance_mm)
    row = _row(body, pair, _Swept(shapes, static, _sweep(body, shapes, static)))
    straight = body.straight()
    if straight is None or static is None:
        return row
    least_mm = _sweep(straight, shapes, static).distance_mm
    return replace(row, straight_bump_mm=least_mm if np.isfinite(least_mm) else None)


def _too_deep(body: MovingBody, pair: MovingPair) -> Clearance | None:
    """The row of a pair that overlaps deeper than its contacts allow, as scanned or at an end of the travel."""
    corners = corners_of(body.motion.low[None], body.motion.high[None])[0]
    for pose in (body.motion.scan_pose, *corners):
        meeting = too_deep(body.solids(pose), list(pair.shapes), pair.contacts)
        if meeting is not None:
            depth = -meeting.clearance_mm
            return row_of(
                pair,
                judge(-depth, -depth, pair.guard_mm, pair.chosen.rule.must_mm),
                distance_mm=0.0,
                at_least_mm=0.0,
                pose=body.motion.describe(pose),
                points_mm=points_of(meeting.points_mm[::-1]),  # in the order of ``between``: the thing first
                depth_mm=depth,
                contact="overlap",
            )
    return None


@dataclass(frozen=True, eq=False)
class _Swept:
    shapes: tuple[Shape, ...]
    static: Closest | None
    least: SweptLeast | None


def _static(body: MovingBody, shapes: Sequence[Shape]) -> Closest | None:
    """Least distance at the pose in which the vehicle was scanned; None when nothing is left to judge."""
    return least_between(body.solids(body.motion.scan_pose), shapes)


def _sweep(body: MovingBody, shapes: Sequence[Shape], static: Closest | None) -> SweptLeast:
    """The least over the body's motion for a union of shapes; what one yields spares the next its search."""
    found: list[SweptLeast] = []
    start = (np.inf if static is None else static.distance_mm, body.motion.scan_pose)
    limits = (body.motion.low, body.motion.high)
    for shape in shapes:
        obstacle = _obstacle(body, shape, start)
        if len(obstacle.atoms):
            least = least_over_motion(body.pieces, [obstacle], limits)[0]
            found.append(least)
            if least.distance_mm < start[0]:
                start = least.distance_mm, least.pose
    return _least_of(found, body, static)


def _least_of(parts: list[SweptLeast], body: MovingBody, static: Closest | None) -> SweptLeast:
    """The answer for a union of obstacles: least distance, least bound."""
    if not parts:
        distance = np.nan if static is None else static.distance_mm
        return SweptLeast(distance, distance, body.motion.scan_pose, 0, 0, static is not None)
    least = min(parts, key=lambda part: part.distance_mm)
    bound = min(part.at_least_mm for part in parts)
    return replace(
        least, at_least_mm=bound, boxes=sum(part.boxes for part in parts), proven=all(p.proven for p in parts)
    )


def _obstacle(body: MovingBody, shape: Shape, start: tuple[float, Floats]) -> Obstacle:
    """A still thing as convex atoms; of a surface only what the whole motion can bring near enough."""
    start_mm, pose = start
    if isinstance(shape, Solid):
        if shape.convex:
            return Obstacle(shape.vertices[None], shape.radius_mm, start_mm, pose)
        return Obstacle(shape.vertices[shape.faces], shape.radius_mm, start_mm, pose)
    low, high = body.motion.low[None], body.motion.high[None]
    start_mm, pose = _scouted(body, shape, start)
    near = np.zeros(shape.tile_count, dtype=bool)
    for piece in body.pieces:
        outer = piece.hulls(low, high).boxes()[0]
        near |= box_gaps(shape.boxes[:, 0], shape.boxes[:, 1], outer[0], outer[1]) <= start_mm
    return Obstacle(shape.triangles(shape.face_rows(np.flatnonzero(near))), 0.0, start_mm, pose)


def _scouted(body: MovingBody, surface: TiledSurface, known: tuple[float, Floats]) -> tuple[float, Floats]:
    """A better start: for each piece in its likeliest extreme poses, its distance to the nearest-looking tiles."""
    best_mm, best = known
    corners = corners_of(body.motion.low[None], body.motion.high[None])[0]
    for piece in body.pieces:
        hulls = piece.hulls(corners, corners)
        outer = hulls.boxes()
        gaps = box_gaps(surface.boxes[None, :, 0], surface.boxes[None, :, 1], outer[:, None, 0], outer[:, None, 1])
        tiles = np.argsort(gaps, axis=1)[:, :_SCOUT_TILES]
        poses = np.sort(np.take_along_axis(gaps, tiles, axis=1).sum(axis=1).argsort()[:_SCOUT_POSES])
        atoms = [surface.triangles(surface.face_rows(np.sort(tiles[k]))) for k in poses]
        rows = np.repeat(poses, [len(some) for some in atoms])
        bounds = separate(hulls, rows, np.concatenate(atoms), np.full(len(rows), best_mm))
        k = int(bounds.upper_mm.argmin())
        if bounds.upper_mm[k] < best_mm:
            best_mm, best = float(bounds.upper_mm[k]), corners[rows[k]]
    return best_mm, best


def _row(body: MovingBody, pair: MovingPair, swept: _Swept) -> Clearance:
    least, must_mm = swept.least, pair.chosen.rule.must_mm
    if not swept.shapes and pair.contacts:
        reason = f"touches where declared: {pair.contacts[0].why}"
        return row_of(pair, Judgement(Verdict.PASS, reason), contact="declared")
    if swept.static is None or least is None:
        return row_of(pair, judge(None, None, pair.guard_mm, must_mm), contact="unknown")
    exact = _at_pose(body, swept.shapes, least) or swept.static
    held = _holds(body, swept)
    meets = min(exact.distance_mm, least.distance_mm) <= CONTACT_TOLERANCE_MM or held is True
    depth = _depth(body, swept.shapes, least) if meets else None
    found = exact.distance_mm if depth is None else 0.0
    bound = min(least.at_least_mm, found) if depth is None else 0.0
    judged = (found, bound) if depth is None else (-depth, -depth)
    judgement = judge(*judged, pair.guard_mm, must_mm)
    return row_of(
        pair,
        undecided(judgement) if held is None else judgement,
        distance_mm=found,
        at_least_mm=bound,
        static_mm=swept.static.distance_mm,
        pose=body.motion.describe(least.pose),
        points_mm=points_of(exact.points_mm[::-1]),
        depth_mm=depth,
        contact=_contact(pair, depth, held),
    )


def _contact(pair: MovingPair, depth: float | None, held: bool | None) -> str:
    if depth is not None:
        return "overlap"
    if held is None:
        return "unknown"
    return "declared" if pair.contacts else "apart"


def _at_pose(body: MovingBody, shapes: Sequence[Shape], least: SweptLeast) -> Closest | None:
    """The engine's exact distance in the pose found: body first, thing second; the piece found goes first."""
    solids = body.solids(least.pose)
    return least_between([solids[least.piece], *solids[: least.piece], *solids[least.piece + 1 :]], shapes)


def _holds(body: MovingBody, swept: _Swept) -> bool | None:
    """Whether body or thing is inside the other: apart for distances, and yet in it; None: cannot be told."""
    solids = [shape for shape in swept.shapes if isinstance(shape, Solid)]
    bodies = body.solids(body.motion.scan_pose)
    points = np.concatenate([solid.vertices for solid in bodies])
    if any(any_inside(solid.vertices, bodies) for solid in solids):
        return True
    return any_inside(points, solids)


def _depth(body: MovingBody, shapes: Sequence[Shape], least: SweptLeast) -> float:
    """The deepest overlap found at the colliding pose and on a coarse grid of poses."""
    axes = [np.linspace(lo, hi, _DEPTH_POSES) for lo, hi in zip(body.motion.low, body.motion.high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes)) if axes else least.pose[None]
    poses = np.unique(np.concatenate([least.pose[None], grid]), axis=0)
    near = [shape for shape in shapes if isinstance(shape, Solid)]
    deepest = max(0.0, -meet(body.solids(least.pose), list(shapes)).clearance_mm)
    for pose in poses if near else ():
        for solid in body.solids(pose):
            for shape in near:
                deepest = max(deepest, float(depths(solid.vertices, shape).max(initial=0.0)))
                deepest = max(deepest, float(depths(shape.vertices, solid).max(initial=0.0)))
    return deepest
