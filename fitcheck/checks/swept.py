"""Moving bodies against still things: the least distance over the whole travel, with its bound."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.clearance import judge
from fitcheck.checks.contacts import cut_out
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

    @property
    def guard_mm(self) -> float:
        return guard_mm(self.terms)

    def judged_shapes(self) -> tuple[Shape, ...]:
        """The shapes without the declared places."""
        if not self.contacts:
            return self.shapes
        return tuple(cut_out(self.shapes, self.contacts, self.chosen.rule.must_mm + self.guard_mm))


def check_moving(body: MovingBody, pairs: Sequence[MovingPair]) -> list[Clearance]:
    """Judge one moving body against several still things, all in one search."""
    shapes = [pair.judged_shapes() for pair in pairs]
    static = [_static(body, some) for some in shapes]
    full = _sweep(body, shapes, static)
    straight_body = body.straight()
    straight = _sweep(straight_body, shapes, static) if straight_body else None
    rows = []
    for i, pair in enumerate(pairs):
        row = _row(body, pair, _Swept(shapes[i], static[i], full[i]))
        rows.append(replace(row, straight_bump_mm=straight[i].distance_mm) if straight and full[i] else row)
    return rows


@dataclass(frozen=True, eq=False)
class _Swept:
    shapes: tuple[Shape, ...]
    static: Closest | None
    least: SweptLeast | None


def _static(body: MovingBody, shapes: Sequence[Shape]) -> Closest | None:
    """Least distance at the pose in which the vehicle was scanned; None when nothing is left to judge."""
    return least_between(body.solids(body.motion.scan_pose), shapes)


def _sweep(body: MovingBody, shapes: Sequence[Sequence[Shape]], static: Sequence[Closest | None]) -> list[SweptLeast]:
    """The least over the body's motion for each thing; the searches of all things run together."""
    jobs: dict[int, list[tuple[int, Obstacle]]] = defaultdict(list)
    for i, some in enumerate(shapes):
        start = static[i]
        for shape in some:
            upper = np.inf if start is None else start.distance_mm
            obstacle = _obstacle(body, shape, upper)
            if len(obstacle.atoms):
                jobs[obstacle.atoms.shape[1]].append((i, obstacle))
    found: dict[int, list[SweptLeast]] = defaultdict(list)
    limits = (body.motion.low, body.motion.high)
    for job in jobs.values():
        for (i, _), least in zip(
            job, least_over_motion(body.pieces, [obstacle for _, obstacle in job], limits), strict=True
        ):
            found[i].append(least)
    return [_least_of(found[i], body, static[i]) for i in range(len(shapes))]


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


def _obstacle(body: MovingBody, shape: Shape, start_mm: float) -> Obstacle:
    """A still thing as convex atoms; of a surface only what the whole motion can bring near enough."""
    pose = body.motion.scan_pose
    if isinstance(shape, Solid):
        if shape.convex:
            return Obstacle(shape.vertices[None], shape.radius_mm, start_mm, pose)
        return Obstacle(shape.vertices[shape.faces], shape.radius_mm, start_mm, pose)
    low, high = body.motion.low[None], body.motion.high[None]
    start_mm, pose = _scouted(body, shape, (start_mm, pose))
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
    least = swept.least
    if not swept.shapes and pair.contacts:
        row = _not_computed(pair)
        return replace(
            row, verdict=Verdict.PASS, reason=f"touches where declared: {pair.contacts[0].why}", contact="declared"
        )
    if swept.static is None or least is None:
        return _not_computed(pair)
    exact = _at_pose(body, swept.shapes, least) or swept.static
    depth = (
        _depth(body, swept.shapes, least) if exact.distance_mm <= CONTACT_TOLERANCE_MM or _holds(body, swept) else None
    )
    found = min(exact.distance_mm, least.distance_mm) if depth is None else 0.0
    bound = 0.0 if depth is not None else min(least.at_least_mm, found)
    rule = pair.chosen.rule
    judgement = judge(
        found if depth is None else -depth, bound if depth is None else -depth, pair.guard_mm, rule.must_mm
    )
    return Clearance(
        between=pair.between,
        verdict=judgement.verdict,
        reason=judgement.reason,
        rule=pair.chosen.words,
        must_mm=rule.must_mm,
        want_mm=rule.want_mm,
        guard_mm=pair.guard_mm,
        distance_mm=found,
        at_least_mm=bound,
        static_mm=swept.static.distance_mm,
        pose=body.motion.describe(least.pose),
        points_mm=points_of(exact.points_mm),
        depth_mm=depth,
        contact="apart" if depth is None else "overlap",
        rule_reason=rule.why,
        rule_source=rule.source,
        rule_label=rule.label,
        guard_parts=dict(pair.terms),
    )


def _not_computed(pair: MovingPair) -> Clearance:
    rule = pair.chosen.rule
    judgement = judge(None, None, pair.guard_mm, rule.must_mm)
    return Clearance(
        pair.between, judgement.verdict, judgement.reason, pair.chosen.words, rule.must_mm, rule.want_mm, pair.guard_mm,
        None, None, None, contact="unknown", rule_reason=rule.why, rule_source=rule.source, rule_label=rule.label,
        guard_parts=dict(pair.terms),
    )  # fmt: skip


def _at_pose(body: MovingBody, shapes: Sequence[Shape], least: SweptLeast) -> Closest | None:
    """The engine's exact distance in the pose found: body first, thing second; the piece found goes first."""
    solids = body.solids(least.pose)
    return least_between([solids[least.piece], *solids[: least.piece], *solids[least.piece + 1 :]], shapes)


def _holds(body: MovingBody, swept: _Swept) -> bool:
    """Whether the body is wholly inside a closed solid: apart for distances, and yet in it."""
    solids = [shape for shape in swept.shapes if isinstance(shape, Solid)]
    points = np.concatenate([solid.vertices for solid in body.solids(body.motion.scan_pose)])
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
