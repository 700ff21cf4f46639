"""Exact least distance between surfaces, triangle to triangle, with the two points.

The narrow phase is python-fcl's mesh-mesh distance, in double precision; never its
primitives, never its collide call (which misses coplanar contact). What surrounds it:

- Only the triangles that can matter are handed to it: tiles by the larger of the gap
  between boxes along the vehicle axes and along the solid's own axes, then triangles.
- Two flaws are mended here, by a second look with our own narrow phase: of two triangles with
  exactly parallel edges the library may take those edges for the nearest features although
  others are nearer, even where the triangles cross; and of two coplanar triangles, one wholly
  inside the other, it may return the distance to an edge. Both answers are too large.
- It answers 0.0 or crashes on non-finite or empty input: both are refused before.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.geometry.triangles import parallel_rows, triangle_distances

if TYPE_CHECKING:
    import fcl

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Shape = Solid | TiledSurface

CONTACT_TOLERANCE_MM = 1e-6
"""At or below this distance two surfaces touch."""

_ROUNDING_MM = 1e-9
"""Slack when a bound is compared with a distance: what double precision can lose at vehicle coordinates."""

_SEED_TRIANGLES = 256
_SEED_TILES = 4
_PART_TILE = 64
_WAYS = np.array(
    [
        [1, 0, 0], [0, 1, 0], [0, 0, 1],
        [1, 1, 0], [1, -1, 0], [1, 0, 1], [1, 0, -1], [0, 1, 1], [0, 1, -1],
        [1, 1, 1], [1, 1, -1], [1, -1, 1], [-1, 1, 1],
    ],
    dtype=np.float64,
)  # fmt: skip
_DIRECTIONS = _WAYS / np.linalg.norm(_WAYS, axis=1)[:, None]
_PAIRS_A_CHUNK = 1 << 18


@dataclass(frozen=True)
class Closest:
    """The least distance: ``points_mm`` (2, 3), first on the first shape; rows of both ``faces``."""

    distance_mm: float
    points_mm: Floats
    triangles: tuple[int, int]


def touching(distance_mm: float) -> bool:
    """Whether a distance means contact (≤ 1e-6 mm); a NaN is refused, never a miss."""
    if not np.isfinite(distance_mm):
        raise InternalError("a distance must be finite")
    return distance_mm <= CONTACT_TOLERANCE_MM


def closest(first: Shape, second: Shape, upper_mm: float = np.inf) -> Closest:
    """The least distance between two shapes, ball radii taken off, never below 0.

    ``upper_mm`` is a distance known to be reached or not of interest beyond: it only
    prunes, and the answer is exact whenever it is below ``upper_mm``. Raises InternalError
    for an empty shape (the least of nothing would be a silent pass), for non-finite
    vertices and for indices out of range.
    """
    near, far = _candidates(first, second, upper_mm)
    pair = _narrow(near, far)
    pair = _mend(near, far, pair)
    return _grow(first, second, near, far, pair)


def least_between(first: Sequence[Solid], second: Sequence[Shape]) -> Closest | None:
    """The least distance between two unions of shapes; None when either is empty.

    Points and rows are those of the nearest pair. What is nearest is best put first: the rest
    is then only bounded.
    """
    best: Closest | None = None
    for solid in first:
        for shape in second:
            if best is None or not _lower_bound(solid, shape) >= best.distance_mm:  # also where it is NaN
                found = closest(solid, shape, np.inf if best is None else best.distance_mm)
                best = found if best is None or found.distance_mm < best.distance_mm else best
    return best


def _lower_bound(solid: Solid, shape: Shape) -> float:
    """A distance that the two cannot be nearer than, from boxes alone."""
    if isinstance(shape, TiledSurface):
        return float(box_lower_bounds(shape.boxes, solid).min()) - solid.radius_mm
    (low, high), (other_low, other_high) = solid.extents(), shape.extents()
    return float(box_gaps(low, high, other_low, other_high))


def triangle_pair_distances(first: Floats, second: Floats) -> Floats:
    """Distances (n,) of n single triangle pairs (n, 3, 3) by the engine's own narrow phase."""
    result = np.empty(len(first))
    row = np.zeros(1, dtype=np.int64)
    for i, (one, other) in enumerate(zip(first, second, strict=True)):
        near, far = _Crop(one[None], row), _Crop(other[None], row)
        result[i] = _mend(near, far, _narrow(near, far)).distance_mm
    return result


@dataclass(frozen=True)
class _Crop:
    """Some triangles (k, 3, 3) of a shape, and their rows in its ``faces``.

    ``owner`` is the solid that they are all of: its model is built once.
    """

    corners: Floats
    rows: NDArray[np.int64]
    owner: Solid | None = None


@dataclass(frozen=True)
class _Pair:
    distance_mm: float
    points_mm: Floats
    near: int  # row in the crops
    far: int


# kept as long as their solids live
_models: weakref.WeakKeyDictionary[Solid, fcl.CollisionObject] = weakref.WeakKeyDictionary()
_tile_boxes: weakref.WeakKeyDictionary[Solid, Floats] = weakref.WeakKeyDictionary()


def _radius(shape: Shape) -> float:
    return shape.radius_mm if isinstance(shape, Solid) else 0.0


def _all(shape: Shape) -> _Crop:
    if len(shape.faces) and not 0 <= int(shape.faces.min()) <= int(shape.faces.max()) < len(shape.vertices):
        raise InternalError("a face names a vertex that is not there")
    owner = shape if isinstance(shape, Solid) else None
    return _Crop(_checked(shape.vertices[shape.faces]), np.arange(len(shape.faces)), owner)


def _checked(corners: Floats) -> Floats:
    if len(corners) == 0:
        raise InternalError("a distance needs at least one triangle on each side")
    corners = np.ascontiguousarray(corners, dtype=np.float64)
    if not np.isfinite(corners).all():
        raise InternalError("a distance needs finite vertices")
    return corners


def _object(crop: _Crop) -> fcl.CollisionObject:
    """The library's model of a crop; that of a whole solid is kept as long as the solid lives."""
    if crop.owner is None:
        return _new_object(crop)
    if crop.owner not in _models:
        _models[crop.owner] = _new_object(crop)
    return _models[crop.owner]


def _new_object(crop: _Crop) -> fcl.CollisionObject:
    import fcl

    model = fcl.BVHModel()
    count = len(crop.corners)
    model.beginModel(count, 3 * count)
    model.addSubModel(crop.corners.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3))
    model.endModel()
    return fcl.CollisionObject(model, fcl.Transform())


def box_gaps(lo: Floats, hi: Floats, other_lo: Floats, other_hi: Floats) -> Floats:
    """Distances between axis-aligned boxes; broadcasts over leading axes; 0 where they overlap."""
    total: Floats | float = 0.0
    for axis in range(3):  # an axis at a time: short vectors make numpy slow
        gap = np.maximum(lo[..., axis] - other_hi[..., axis], other_lo[..., axis] - hi[..., axis])
        gap = np.maximum(gap, 0.0, out=gap) if isinstance(gap, np.ndarray) else max(float(gap), 0.0)
        total = total + gap * gap
    return np.asarray(np.sqrt(total))


def box_lower_bounds(boxes: Floats, shape: Shape) -> Floats:
    """For each box (n, 2, 3) a distance that nothing in it can be nearer than to the shape's core."""
    vertices = shape.vertices if isinstance(shape, Solid) else shape.boxes.reshape(-1, 3)
    bounds = box_gaps(boxes[:, 0], boxes[:, 1], vertices.min(axis=0), vertices.max(axis=0))
    if isinstance(shape, Solid) and np.abs(shape.frame).max(axis=0).min() < 1.0 - 1e-12:
        own = vertices @ shape.frame.T
        centres = boxes.mean(axis=1) @ shape.frame.T
        halves = (boxes[:, 1] - boxes[:, 0]) / 2.0 @ np.abs(shape.frame).T
        bounds = np.maximum(bounds, box_gaps(centres - halves, centres + halves, own.min(axis=0), own.max(axis=0)))
    return bounds


def _candidates(first: Shape, second: Shape, upper_mm: float) -> tuple[_Crop, _Crop]:
    """The triangles of both shapes among which the nearest pair certainly is."""
    if isinstance(first, Solid) and isinstance(second, Solid):
        return _all(first), _all(second)
    if isinstance(first, Solid):
        far, near = _candidates(second, first, upper_mm)
        return near, far
    if isinstance(second, TiledSurface):
        return _both_tiled(first, second, upper_mm)
    near = _near_rows(first, second, upper_mm + second.radius_mm)
    return near, _all(second)


def _near_rows(surface: TiledSurface, solid: Solid, upper_mm: float) -> _Crop:
    if surface.triangle_count == 0:
        raise InternalError("a distance needs at least one triangle on each side")
    if not np.isfinite(solid.vertices).all():
        raise InternalError("a distance needs finite vertices")
    bounds = box_lower_bounds(surface.boxes, solid)
    if not np.isfinite(bounds).all():
        raise InternalError("a distance needs finite vertices")
    near = _nearest_tiles(surface, np.arange(len(bounds)), bounds)
    upper_mm = min(upper_mm, _least_of_nearest(near, solid))
    close = np.flatnonzero(bounds <= upper_mm + _ROUNDING_MM)
    finer = _finer_bounds(surface.boxes[close], solid)
    if len(close) > _SEED_TILES and len(solid.faces) > 2 * _PART_TILE:
        upper_mm = min(upper_mm, _least_of_nearest(_nearest_tiles(surface, close, finer), solid))
    close = close[finer <= upper_mm + _ROUNDING_MM]
    return _thinned(_rows(surface, close), solid, upper_mm) if len(close) else near


def _nearest_tiles(surface: TiledSurface, tiles: Rows, bounds: Floats) -> _Crop:
    return _rows(surface, np.sort(tiles[np.argsort(bounds, kind="stable")[:_SEED_TILES]]))


def _least_of_nearest(crop: _Crop, solid: Solid) -> float:
    """An upper bound on the distance: that of a few triangles that look nearest."""
    order = np.argsort(_finer_bounds(boxes_of(crop.corners), solid), kind="stable")[:_SEED_TRIANGLES]
    return _narrow(_Crop(crop.corners[order], crop.rows[order]), _all(solid)).distance_mm


def _thinned(crop: _Crop, solid: Solid, upper_mm: float) -> _Crop:
    """Only the triangles whose own bounds are within the distance; the best few of them tighten it first.

    Where none is within it, the one that looks nearest: its distance is no less than ``upper_mm``.
    """
    boxes = boxes_of(crop.corners)
    bounds = box_lower_bounds(boxes, solid)
    keep = np.flatnonzero(bounds <= upper_mm + _ROUNDING_MM)
    if len(solid.faces) > 2 * _PART_TILE:
        keep = keep[_slab_bounds(crop.corners[keep], solid) <= upper_mm + _ROUNDING_MM]
    keep = keep[_finer_bounds(boxes[keep], solid) <= upper_mm + _ROUNDING_MM]
    if len(keep) > 2 * _SEED_TRIANGLES:
        upper_mm = min(upper_mm, _least_of_nearest(_Crop(crop.corners[keep], crop.rows[keep]), solid))
        keep = keep[_finer_bounds(boxes[keep], solid) <= upper_mm + _ROUNDING_MM]
    if len(keep) == 0:
        keep = np.array([int(bounds.argmin())])
    return _Crop(crop.corners[keep], crop.rows[keep])


def boxes_of(corners: Floats) -> Floats:
    """Axis-aligned boxes (n, 2, 3) round convex atoms (n, k, 3); corner by corner is quicker than a reduction."""
    low, high = corners[:, 0].copy(), corners[:, 0].copy()
    for k in range(1, corners.shape[1]):
        np.minimum(low, corners[:, k], out=low)
        np.maximum(high, corners[:, k], out=high)
    return np.stack([low, high], axis=1)


def _slab_bounds(corners: Floats, solid: Solid) -> Floats:
    """Lower bounds of triangles (n, 3, 3) from their gaps to the solid along thirteen directions."""
    spans = solid.vertices @ _DIRECTIONS.T
    heights = np.matmul(corners.reshape(-1, 3), _DIRECTIONS.T).reshape(len(corners), 3, len(_DIRECTIONS))
    low = np.minimum(np.minimum(heights[:, 0], heights[:, 1]), heights[:, 2])
    high = np.maximum(np.maximum(heights[:, 0], heights[:, 1]), heights[:, 2])
    return np.asarray(np.maximum(low - spans.max(axis=0), spans.min(axis=0) - high).max(axis=1))


def _finer_bounds(boxes: Floats, solid: Solid) -> Floats:
    """Lower bounds like :func:`box_lower_bounds`; for a solid of many triangles from the boxes of its tiles."""
    if len(solid.faces) <= 2 * _PART_TILE:
        return box_lower_bounds(boxes, solid)
    if solid not in _tile_boxes:
        _tile_boxes[solid] = tile_surface(solid.vertices, solid.faces, _PART_TILE).boxes
    tiles = _tile_boxes[solid]
    found = np.empty(len(boxes))
    step = max(1, _PAIRS_A_CHUNK // len(tiles))
    for start in range(0, len(boxes), step):
        part = boxes[start : start + step, None]
        found[start : start + step] = box_gaps(part[:, :, 0], part[:, :, 1], tiles[None, :, 0], tiles[None, :, 1]).min(
            axis=1
        )
    return found


def _both_tiled(first: TiledSurface, second: TiledSurface, upper_mm: float) -> tuple[_Crop, _Crop]:
    if not first.triangle_count or not second.triangle_count:
        raise InternalError("a distance needs at least one triangle on each side")
    gaps = box_gaps(
        first.boxes[:, None, 0], first.boxes[:, None, 1], second.boxes[None, :, 0], second.boxes[None, :, 1]
    )
    i, j = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
    seeds = (_rows(first, np.array([i])), _rows(second, np.array([j])))
    upper_mm = min(upper_mm, _narrow(*seeds).distance_mm)
    close = gaps <= upper_mm + _ROUNDING_MM
    if not close.any():
        return seeds
    return _rows(first, np.flatnonzero(close.any(axis=1))), _rows(second, np.flatnonzero(close.any(axis=0)))


def _rows(surface: TiledSurface, tiles: NDArray[np.intp]) -> _Crop:
    rows = surface.face_rows(tiles)
    return _Crop(_checked(surface.triangles(rows)), rows)


def _narrow(near: _Crop, far: _Crop) -> _Pair:
    import fcl

    still, moving = _object(near), _object(far)
    result = fcl.DistanceResult()  # a new one each time: a reused one keeps its old minimum
    distance = float(fcl.distance(still, moving, fcl.DistanceRequest(enable_nearest_points=True), result))
    points = np.array(result.nearest_points, dtype=np.float64)
    if not np.isfinite(distance) or not np.isfinite(points).all():
        raise InternalError("the distance library returned no finite answer")
    return _Pair(distance, points, int(result.b1), int(result.b2))


def _mend(near: _Crop, far: _Crop, pair: _Pair) -> _Pair:
    """Look again, with our own narrow phase, at the pairs that the library is known to misjudge."""
    if pair.distance_mm <= CONTACT_TOLERANCE_MM:
        return _meeting_point(near, far, pair)
    near_boxes, far_boxes = boxes_of(near.corners), boxes_of(far.corners)
    rows, columns = _within(near_boxes, far_boxes, pair.distance_mm)
    if len(rows) and len(columns):
        parallel = rows[parallel_rows(near.corners[rows], far.corners[columns])]
        pair = _least_pair((near, near_boxes, parallel), (far, far_boxes, columns), pair, pair.distance_mm)
    rows, columns = _within(near_boxes, far_boxes, CONTACT_TOLERANCE_MM)
    return _least_pair((near, near_boxes, rows), (far, far_boxes, columns), pair, CONTACT_TOLERANCE_MM)


def _within(near: Floats, far: Floats, reach_mm: float) -> tuple[Rows, Rows]:
    """Rows of both sides whose boxes are within reach of a box round the other side's rows."""
    rows, columns = np.arange(len(near)), np.arange(len(far))
    for _ in range(2):
        rows = rows[box_gaps(near[rows, 0], near[rows, 1], *_around(far[columns])) <= reach_mm]
        if len(rows) == 0:
            return rows, columns[:0]
        columns = columns[box_gaps(far[columns, 0], far[columns, 1], *_around(near[rows])) <= reach_mm]
        if len(columns) == 0:
            return rows[:0], columns
    return rows, columns


def _around(boxes: Floats) -> tuple[Floats, Floats]:
    return boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)


def _meeting_point(near: _Crop, far: _Crop, pair: _Pair) -> _Pair:
    """In contact the library names two triangles, but not a point that they share."""
    _, points = triangle_distances(near.corners[pair.near][None], far.corners[pair.far][None])
    return _Pair(pair.distance_mm, points[0], pair.near, pair.far)


def _least_pair(
    near: tuple[_Crop, Floats, Rows], far: tuple[_Crop, Floats, Rows], pair: _Pair, reach_mm: float
) -> _Pair:
    """The nearest of some triangle pairs, by our own narrow phase, if nearer than ``pair``."""
    (one, near_boxes, rows), (other, far_boxes, columns) = near, far
    step = max(1, _PAIRS_A_CHUNK // max(1, len(columns)))
    beside = far_boxes[None, columns]
    for start in range(0, len(rows), step):
        part = near_boxes[rows[start : start + step], None]
        i, j = np.nonzero(box_gaps(part[:, :, 0], part[:, :, 1], beside[:, :, 0], beside[:, :, 1]) <= reach_mm)
        if len(i):
            gaps, points = triangle_distances(one.corners[rows[start + i]], other.corners[columns[j]])
            best = int(gaps.argmin())
            if gaps[best] < pair.distance_mm:
                pair = _Pair(float(gaps[best]), points[best], int(rows[start + i[best]]), int(columns[j[best]]))
    return pair


def _grow(first: Shape, second: Shape, near: _Crop, far: _Crop, pair: _Pair) -> Closest:
    """Take the ball radii off a core distance and move both points onto the grown surfaces."""
    radii = _radius(first), _radius(second)
    points = pair.points_mm
    distance = pair.distance_mm - sum(radii)
    if any(radii) and pair.distance_mm > 0.0:
        direction = (points[1] - points[0]) / pair.distance_mm
        points = np.array([points[0] + radii[0] * direction, points[1] - radii[1] * direction])
    return Closest(max(0.0, distance), points, (int(near.rows[pair.near]), int(far.rows[pair.far])))
