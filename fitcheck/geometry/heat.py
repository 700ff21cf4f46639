"""Distances from many points to a union of shapes: what a heat map is made of.

Each point gets its own exact distance, negative inside a closed solid (minus the depth). The search is
libigl's tree of triangles in double precision; of a large surface only the tiles that can matter are
put into one. A point that is not of interest beyond a reach may be answered with infinity there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.distance import Shape, box_gaps
from fitcheck.geometry.inside import depths, without_flat
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

_CELL_MM = 64.0
_PAIRS_A_CHUNK = 1 << 21
_POINTS_A_CHUNK = 1 << 16


class TriangleTree:
    """A tree over (f, 3, 3) triangles, asked often. Raises InternalError for none, or non-finite ones."""

    def __init__(self, corners: Floats) -> None:
        import igl

        if len(corners) == 0 or not np.isfinite(corners).all():
            raise InternalError("a tree needs finite triangles")
        self._corners = np.ascontiguousarray(without_flat(corners).reshape(-1, 3))
        self._faces = np.arange(len(self._corners), dtype=np.int64).reshape(-1, 3)
        self._tree: Any = igl.AABB()
        self._tree.init(self._corners, self._faces)

    def nearest(self, points: Floats) -> tuple[Floats, NDArray[np.int64], Floats]:
        """For (n, 3) points: distance, row of the nearest triangle, nearest point on it."""
        if len(points) == 0:
            return np.empty(0), np.empty(0, np.int64), np.empty((0, 3))
        points = np.ascontiguousarray(points)
        parts = [
            self._tree.squared_distance(self._corners, self._faces, points[i : i + _POINTS_A_CHUNK])
            for i in range(0, len(points), _POINTS_A_CHUNK)
        ]
        squared, rows, places = (np.concatenate([np.asarray(part[k]) for part in parts]) for k in range(3))
        distances = np.sqrt(squared)
        if len(distances) != len(points) or not np.isfinite(distances).all():
            raise InternalError("a distance of a point must be finite")
        return distances, rows.reshape(-1), places


class StillField:
    """The distance of any point to a union of still shapes; its trees are built when first asked.

    Raises InternalError when there is no shape: the distance to nothing would look like air.
    """

    def __init__(self, shapes: Sequence[Shape]) -> None:
        self.solids = [shape for shape in shapes if isinstance(shape, Solid)]
        self.surfaces = [shape for shape in shapes if isinstance(shape, TiledSurface)]
        if not self.solids and not any(surface.triangle_count for surface in self.surfaces):
            raise InternalError("the distance to nothing is not known")
        self._trees: list[TriangleTree | None] = [None] * len(self.solids)

    def distances(self, points: Floats, reach_mm: float = np.inf) -> Floats:
        """Least distance (n,) of each of (n, 3) points, negative inside a closed solid: minus the depth.

        Exact where it is below ``reach_mm``; infinity elsewhere. No points: an empty array.
        """
        points = finite(points)
        found = np.full(len(points), np.inf)
        for number, solid in enumerate(self.solids):
            near = within(points, solid.extents(), reach_mm)
            found[near] = np.minimum(found[near], self._to_solid(number, points[near]))
        for surface in self.surfaces:
            rows, distances = _to_surface(surface, points, np.minimum(found, reach_mm))
            found[rows] = np.minimum(found[rows], distances)
        return np.where(found < reach_mm, found, np.inf)

    def _to_solid(self, number: int, points: Floats) -> Floats:
        solid, tree = self.solids[number], self._trees[number]
        if len(points) == 0:
            return np.empty(0)
        if tree is None:
            tree = self._trees[number] = TriangleTree(solid.vertices[solid.faces])
        distances = tree.nearest(points)[0] - solid.radius_mm
        if solid.closed and len(solid.vertices) > 2:
            deep = depths(points, replace(solid, radius_mm=0.0))
            distances = np.where(deep > 0.0, -deep - solid.radius_mm, distances)
        return distances


def finite(points: Floats) -> Floats:
    """(n, 3) points as an array; raises InternalError where one is not finite."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    if not np.isfinite(points).all():
        raise InternalError("a point must be finite")
    return points


def within(points: Floats, box: Floats, reach_mm: float) -> Rows:
    """Rows of the (n, 3) points in a box (2, 3) grown by ``reach_mm``."""
    inside = np.ones(len(points), dtype=bool)
    for axis in range(3):
        inside &= (points[:, axis] >= box[0, axis] - reach_mm) & (points[:, axis] <= box[1, axis] + reach_mm)
    return np.flatnonzero(inside)


# -- large surfaces --


def _to_surface(surface: TiledSurface, points: Floats, reach_mm: Floats) -> tuple[Rows, Floats]:
    """Rows of the points that may be nearer to a surface than their own reach, and their distances."""
    if surface.tile_count == 0 or len(points) == 0:
        return np.empty(0, np.intp), np.empty(0)
    rows, tiles = _near(surface, points, reach_mm)
    if len(rows) == 0:
        return rows, np.empty(0)
    tree = TriangleTree(surface.triangles(surface.face_rows(tiles)))
    return rows, tree.nearest(points[rows])[0]


def _near(surface: TiledSurface, points: Floats, reach_mm: Floats) -> tuple[Rows, Rows]:
    """Which points can be within their reach of a surface, and the tiles that their nearest points can be on.

    Points are taken by cells of 64 mm. A tile matters to a cell when it can be nearer than the reach, and
    nearer than the tile whose farthest corner is nearest: that one is known to be reached.
    """
    order, starts, boxes = _cells(points)
    reach = np.maximum.reduceat(reach_mm[order], starts)
    lo, hi = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    near = np.flatnonzero(box_gaps(surface.boxes[:, 0], surface.boxes[:, 1], lo, hi) <= reach.max())
    wanted, asked = np.zeros(len(near), dtype=bool), np.zeros(len(boxes), dtype=bool)
    step = max(1, _PAIRS_A_CHUNK // max(1, len(near)))
    for start in range(0, len(boxes) if len(near) else 0, step):
        some, tiles = boxes[start : start + step, None], surface.boxes[None, near]
        gaps = box_gaps(some[:, :, 0], some[:, :, 1], tiles[:, :, 0], tiles[:, :, 1])
        limit = np.minimum(_box_spans(some, tiles).min(axis=1), reach[start : start + step])
        hit = gaps <= limit[:, None]
        wanted |= hit.any(axis=0)
        asked[start : start + step] = hit.any(axis=1)
    counts = np.diff(np.append(starts, len(points)))
    return np.sort(order[np.repeat(asked, counts)]), near[wanted]


def _box_spans(boxes: Floats, others: Floats) -> Floats:
    """The greatest distance that a point of one box can have from a point of the other."""
    total: Any = 0.0
    for axis in range(3):
        one, other = boxes[..., axis], others[..., axis]
        total = total + np.maximum(one[..., 1] - other[..., 0], other[..., 1] - one[..., 0]) ** 2
    return np.asarray(np.sqrt(total))


def _cells(points: Floats) -> tuple[Rows, Rows, Floats]:
    """Points by cells: an order, where each cell starts in it, and the box (c, 2, 3) of each cell's points."""
    places = np.floor((points - points.min(axis=0)) / _CELL_MM).astype(np.int64)
    span = places.max(axis=0) + 1
    keys = (places[:, 0] * span[1] + places[:, 1]) * span[2] + places[:, 2]
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.append(True, np.diff(keys[order]) != 0))
    ordered = points[order]
    boxes = np.stack([np.minimum.reduceat(ordered, starts), np.maximum.reduceat(ordered, starts)], axis=1)
    return order, starts, boxes
