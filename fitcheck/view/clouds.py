"""A scan for the eye, with so many triangles at most; of a point cloud, with so many points."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.reduce import Reduced, further, reduce_surface
from fitcheck.geometry.surface import TiledSurface
from fitcheck.view import shapes

Floats = NDArray[np.float64]

_HARDLY_MORE = 1.3
_ROUNDS = 6
_NO_FACES = np.empty((0, 3), dtype=np.int32)


def for_the_eye(surface: TiledSurface, most: int, *, cloud: bool) -> Reduced:
    """A surface with about ``most`` triangles; of a cloud, in which each triangle is one point, as many points."""
    if not cloud:
        return reduce_surface(surface, most)
    vertices = np.asarray(surface.vertices)
    return thinned(Reduced(vertices, _NO_FACES, np.arange(len(vertices)), 0.0), most)


def fewer(reduced: Reduced, most: int, *, cloud: bool) -> Reduced:
    """The same with fewer still; ``parent`` and figures remain those of the full scan."""
    return thinned(reduced, most) if cloud else further(reduced, most)


def mesh_of(reduced: Reduced, *, cloud: bool) -> Any:
    """The triangles, or the points, as a mesh of the drawing library."""
    return shapes.cloud(reduced.points_mm) if cloud else shapes.polydata(reduced.points_mm, reduced.faces)


def thinned(points: Reduced, most: int) -> Reduced:
    """Of the points in each cube of a grid one is kept, where it was scanned: hardly more than ``most``.

    As it is where it has hardly more. No point is farther from the one that stands for it than the cube's diagonal.
    """
    count = len(points.points_mm)
    if count <= _HARDLY_MORE * most:
        return points
    cell_mm = max(float(np.ptp(points.points_mm, axis=0).max()), 1e-6) / max(np.sqrt(most), 1.0)
    kept, parent = _one_a_cell(points.points_mm, cell_mm)
    for _ in range(_ROUNDS):  # a surface meets as many cubes as the square of the grid's fineness
        if most / _HARDLY_MORE <= len(kept) <= _HARDLY_MORE * most:
            break
        cell_mm *= float(np.sqrt(len(kept) / most))
        kept, parent = _one_a_cell(points.points_mm, cell_mm)
    return Reduced(points.points_mm[kept], _NO_FACES, parent[points.parent], cell_mm + points.cell_mm)


def _one_a_cell(points: Floats, cell_mm: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of the first point in each cube, and each point's cube. At most 2²⁰ cubes an axis."""
    span = float(np.ptp(points, axis=0).max())
    cell_mm = max(cell_mm, span / (2**20 - 1), 1e-9)
    keys = np.zeros(len(points), dtype=np.int64)
    for axis in range(3):
        column = np.ascontiguousarray(points[:, axis])
        keys = (keys << 21) | ((column - column.min()) / cell_mm).astype(np.int64)
    _, first, parent = np.unique(keys, return_index=True, return_inverse=True)
    return first, parent.reshape(-1)
