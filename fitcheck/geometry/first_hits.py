"""What lies round some points of a large surface: the nearest triangle, and the first hit of many rays.

Both are asked of libigl's tree in double precision, built over the tiles that can matter. A triangle without
area is a segment for the nearest point and nothing for a ray.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.inside import without_flat
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Flags = NDArray[np.bool_]

RAY_COUNT = 128

_CELL_MM = 200.0
_RAYS_A_CHUNK = 1 << 16
_THIN_MM = 1e-5
_SIGHT = 1e-3


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """A tree over some tiles of a surface: ``tiles`` says which, ``rows`` are their triangles."""

    tiles: Flags
    rows: Rows
    corners: Floats
    faces: NDArray[np.int64]
    tree: Any

    def nearest(self, points: Floats) -> tuple[Floats, Rows, Floats]:
        """For (n, 3) points: distance, row of the nearest triangle in the surface, nearest point on it."""
        squared, found, places = self.tree.squared_distance(self.corners, self.faces, np.ascontiguousarray(points))
        distances = np.sqrt(np.asarray(squared, dtype=np.float64).reshape(-1))
        if len(distances) != len(points) or not np.isfinite(distances).all():
            raise InternalError("a distance of a point must be finite")
        return distances, self.rows[np.asarray(found).reshape(-1)], np.asarray(places).reshape(-1, 3)

    def first_hit_shares(self, points: Floats, reach_mm: float, count: int = RAY_COUNT) -> Floats:
        """Of ``count`` rays from each of (n, 3) points, which share (n, 2) first hits a back, and which a front.

        A ray that hits nothing within ``reach_mm`` is neither.
        """
        ways = spread_directions(count)
        corners = self.corners.reshape(-1, 3, 3)
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        shares = np.empty((len(points), 2))
        step = max(1, _RAYS_A_CHUNK // count)
        for start in range(0, len(points), step):
            some = points[start : start + step]
            turned = np.tile(ways, (len(some), 1))
            hit = self._first_hits(np.repeat(some, count, axis=0), turned, reach_mm)
            along = np.where(hit >= 0, np.einsum("ni,ni->n", turned, normals[np.maximum(hit, 0)]), 0.0)
            for side, seen in enumerate((along > 0.0, along < 0.0)):
                shares[start : start + step, side] = seen.reshape(len(some), count).mean(axis=1)
        return shares

    def sees(self, point: Floats, places: Floats) -> Flags:
        """Which of the places (n, 3) on the surface are in free sight of a point (3,)."""
        ways = places - point
        lengths = np.linalg.norm(ways, axis=1)
        starts = np.tile(point, (len(places), 1))
        before = self._first_hits(starts, ways / lengths[:, None], lengths * (1.0 - _SIGHT))
        return np.asarray(before < 0)

    def _first_hits(self, starts: Floats, ways: Floats, reach_mm: float | Floats) -> Rows:
        """The row in ``faces`` that each ray hits first; −1 for none within reach."""
        rows, lengths, _ = self.tree.intersect_ray_first(self.corners, self.faces, starts, ways)
        rows, lengths = np.asarray(rows, dtype=np.int64).reshape(-1), np.asarray(lengths).reshape(-1)
        return np.where((rows >= 0) & (lengths <= reach_mm), rows, -1)


def neighbourhood(surface: TiledSurface, wanted: Flags) -> Neighbourhood:
    """The tree over the tiles that are ``wanted`` (t,). Raises InternalError for none, or non-finite triangles."""
    import igl

    rows = surface.face_rows(np.flatnonzero(wanted))
    corners = surface.triangles(rows)
    if len(corners) == 0 or not np.isfinite(corners).all():
        raise InternalError("a tree needs finite triangles")
    thin = _thin(corners)
    corners[thin] = without_flat(corners[thin])
    corners = np.ascontiguousarray(corners.reshape(-1, 3))
    faces = np.arange(len(corners), dtype=np.int64).reshape(-1, 3)
    tree = igl.AABB()
    tree.init(corners, faces)
    return Neighbourhood(wanted, rows, corners, faces, tree)


def _thin(corners: Floats) -> Rows:
    """Rows of (n, 3, 3) triangles that may be too thin for the tree; an axis at a time, which is five times as fast."""
    a, b, c = ([np.ascontiguousarray(corners[:, k, axis]) for axis in range(3)] for k in range(3))
    u, v = ([q - p for p, q in zip(a, other, strict=True)] for other in (b, c))
    across = np.zeros(len(corners))
    for i, j in ((1, 2), (2, 0), (0, 1)):
        across += (u[i] * v[j] - u[j] * v[i]) ** 2
    edges = np.maximum(u[0] ** 2 + u[1] ** 2 + u[2] ** 2, v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    return np.flatnonzero(across <= 4.0 * _THIN_MM**2 * edges).astype(np.int64)


def tiles_round(surface: TiledSurface, points: Floats, reach_mm: float) -> Flags:
    """The tiles (t,) within ``reach_mm`` of any of (n, 3) points, and those that a nearest point can be on."""
    wanted = np.zeros(surface.tile_count, dtype=bool)
    low, high = surface.boxes[:, 0], surface.boxes[:, 1]
    for box in cell_boxes(points, _CELL_MM):
        gaps = box_gaps(low, high, box[0], box[1])
        spans = np.sqrt((np.maximum(high - box[0], box[1] - low) ** 2).sum(axis=1))
        wanted |= gaps <= max(reach_mm, float(spans.min()))
    return wanted


def tiles_near(surface: TiledSurface, boxes: Floats, reach_mm: float) -> Flags:
    """The tiles (t,) within ``reach_mm`` of any of the boxes (n, 2, 3)."""
    wanted = np.zeros(surface.tile_count, dtype=bool)
    for box in boxes:
        wanted |= box_gaps(surface.boxes[:, 0], surface.boxes[:, 1], box[0], box[1]) <= reach_mm
    return wanted


def cell_boxes(points: Floats, cell_mm: float) -> list[Floats]:
    """The box (2, 3) of those of (n, 3) points that lie in the same cell, for each cell that holds any."""
    if len(points) == 0:
        return []
    places = np.floor(points / cell_mm).astype(np.int64)
    order = np.lexsort(places.T)
    starts = np.flatnonzero(np.append(True, (np.diff(places[order], axis=0) != 0).any(axis=1)))
    return [np.array([some.min(axis=0), some.max(axis=0)]) for some in np.split(points[order], starts[1:])]


def spread_directions(count: int) -> Floats:
    """Unit vectors (count, 3) spread evenly: a golden spiral, turned so that none runs along an axis."""
    height = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = math.pi * (3.0 - math.sqrt(5.0)) * np.arange(count)
    flat = np.sqrt(1.0 - height**2)
    ways = np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
    return np.asarray(ways @ _TURN)


def _turn(a: float, b: float) -> Floats:
    about_x = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
    about_z = np.array([[math.cos(b), -math.sin(b), 0], [math.sin(b), math.cos(b), 0], [0, 0, 1]])
    return np.asarray(about_x @ about_z)


_TURN = _turn(0.713, 0.387)
