"""A surface with fewer triangles, for the eye alone: no distance is ever measured on it.

Vertices that share a cube of a grid become one, at their mean; triangles that lose a corner
go (vertex clustering: Rossignac and Borrel 1993). It takes seconds for ten million triangles,
never moves a point by more than the cube's diagonal, and knows for every vertex which one
took its place, so that figures of the full surface can be carried over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_SAMPLE = 20_000
_HARDLY_MORE = 1.3
_TRIANGLES_A_CELL = 3.0
"""A plane in general position meets 1.5 cubes for each face's worth of its area, and a point carries two triangles."""


@dataclass(frozen=True, eq=False)
class Reduced:
    """``points_mm`` (n, 3), ``faces`` (m, 3); ``parent`` (v,): the point that took each vertex's place.

    ``cell_mm``: the grid's cube, those of several rounds added up; 0 where nothing was reduced (then ``parent`` is
    the identity). No vertex is farther from its point than the cube's diagonal.
    """

    points_mm: Floats
    faces: Ints
    parent: NDArray[np.int64]
    cell_mm: float

    def least(self, rows: NDArray[np.intp], values: Floats, otherwise: float) -> Floats:
        """Figures (k,) of vertices ``rows`` → the least one at each point (n,); ``otherwise`` where there is none."""
        carried = np.full(len(self.points_mm), otherwise, dtype=np.float64)
        np.minimum.at(carried, self.parent[rows], values)
        return carried


def reduce_surface(surface: TiledSurface, most_triangles: int) -> Reduced:
    """A surface with about ``most_triangles``; as it is where it has hardly more. Empty: empty."""
    vertices, faces = np.asarray(surface.vertices), np.asarray(surface.faces)
    return further(Reduced(vertices, faces, np.arange(len(vertices)), 0.0), most_triangles)


def further(reduced: Reduced, most_triangles: int) -> Reduced:
    """The same surface with fewer triangles still; ``parent`` and figures remain those of the full one."""
    if len(reduced.faces) <= _HARDLY_MORE * most_triangles:
        return reduced
    cell_mm = _cell_for(reduced, most_triangles)
    points, parent = _clustered(reduced.points_mm, cell_mm)
    faces = _surviving(parent, reduced.faces, len(points))
    return Reduced(points, faces, parent[reduced.parent], cell_mm + reduced.cell_mm)


def _cell_for(reduced: Reduced, most_triangles: int) -> float:
    """The cube's edge, from the surface's area as told by a sample of its triangles."""
    count = len(reduced.faces)
    corners = reduced.points_mm[reduced.faces[np.linspace(0, count - 1, min(_SAMPLE, count)).astype(np.int64)]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).mean() / 2.0
    span = max(float(np.ptp(reduced.points_mm[:, axis])) for axis in range(3))
    finest = span / (2**20 - 1)  # 20 bits an axis are to spare
    return max(float(np.sqrt(_TRIANGLES_A_CELL * area * count / most_triangles)), finest, 1e-9)


def _clustered(vertices: Floats, cell_mm: float) -> tuple[Floats, NDArray[np.int64]]:
    """The mean of the vertices in each cube (n, 3), and each vertex's cube."""
    keys = np.zeros(len(vertices), dtype=np.int64)
    for axis in range(3):  # a column at a time: short rows make numpy slow
        column = np.ascontiguousarray(vertices[:, axis])
        keys = (keys << 21) | ((column - column.min()) / cell_mm).astype(np.int64)
    _, parent, sizes = np.unique(keys, return_inverse=True, return_counts=True)
    parent = parent.reshape(-1)
    points = np.stack([np.bincount(parent, vertices[:, axis], len(sizes)) / sizes for axis in range(3)], axis=1)
    return points, parent


def _surviving(parent: NDArray[np.int64], faces: Ints, count: int) -> Ints:
    """Triangles whose corners went to three different points, each once."""
    a, b, c = (parent[faces[:, k]] for k in range(3))
    keep = (a != b) & (b != c) & (c != a)
    found = np.stack([a[keep], b[keep], c[keep]], axis=1)
    first = found.argmin(axis=1)[:, None]  # turned until the least comes first: the winding stays
    found = np.take_along_axis(found, (first + np.arange(3)) % 3, axis=1)
    if count < 2**21:  # else the key of a triangle has no room in 63 bits, and doubled ones do no harm
        keys = (found[:, 0] * count + found[:, 1]) * count + found[:, 2]
        found = found[np.sort(np.unique(keys, return_index=True)[1])]
    return found.astype(np.int32)
