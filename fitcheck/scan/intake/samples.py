"""A scan as places with a direction and an area, and a fixed sample of them, so that a look costs little.

A triangle is its centroid, its normal and its area; a point of a cloud is itself, with no
direction and the area 1. Samples are drawn by area with a fixed seed: the same file gives
the same figures, in whatever axes and unit it was written.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.scan.intake.near import Grid, grid_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = NDArray[np.int64]

SEED = 262
PATCH_SPACINGS = 3.0
"""The radius of a patch over the spacing: it holds about 30 points."""

_CHUNK = 1 << 16
_SPACING_FACES = 20_000
_SPACING_POINTS = 4000


@dataclass(frozen=True, eq=False)
class Places:
    """``vertices`` (n, 3) mm and ``faces`` (m, 3), none of a cloud. ``centres`` (3, m or n) float32, less ``origin``
    (3,); ``normals`` (3, m) float32, as long as the face's area in mm² (none of a cloud); ``areas`` (m or n,); ``box``
    (2, 3) of all vertices."""

    vertices: Floats
    faces: Ints
    origin: Floats
    centres: NDArray[np.float32]
    normals: NDArray[np.float32]
    areas: NDArray[np.float32]
    box: Floats

    @property
    def cloud(self) -> bool:
        return len(self.faces) == 0

    @property
    def count(self) -> int:
        return int(self.centres.shape[1])

    @cached_property
    def spacing(self) -> tuple[float, float, float]:
        """Median, 5 % and 95 % of the edge lengths of an even sample, or of nearest points' distances; mm."""
        lengths = self._nearest() if self.cloud else self._edges()
        low, middle, high = np.quantile(lengths, [0.05, 0.5, 0.95])
        return float(middle), float(low), float(high)

    @cached_property
    def patch_mm(self) -> float:
        """The radius of a patch."""
        return PATCH_SPACINGS * max(self.spacing[0], 1e-9)

    @cached_property
    def grid(self) -> Grid:
        """Cells as wide as a patch's radius."""
        return grid_of(self.centres, self.patch_mm)

    def at(self, rows: Rows) -> Floats:
        """Centres (k, 3) of rows, less the origin."""
        return np.asarray(self.centres[:, rows].T, dtype=np.float64)

    def points_on(self, rows: Rows) -> Floats:
        """A point (k, 3) on each row's face, less the origin, spread evenly over it; of a cloud the point itself."""
        if self.cloud:
            return self.at(rows)
        one, two = np.random.default_rng(SEED).random((2, len(rows), 1))
        one, two = np.where(one + two > 1.0, 1.0 - one, one), np.where(one + two > 1.0, 1.0 - two, two)
        a, b, c = (self.vertices[self.faces[rows, k]] for k in range(3))
        return np.asarray(a + one * (b - a) + two * (c - a) - self.origin)

    def directions(self, rows: Rows) -> Floats:
        """Unit normals (k, 3) of rows; zero where a face has no area."""
        found = np.asarray(self.normals[:, rows].T, dtype=np.float64)
        size = np.linalg.norm(found, axis=1)
        return found / np.where(size > 0.0, size, 1.0)[:, None]

    def drawn(self, count: int, seed: int = SEED) -> Rows:
        """So many rows drawn by their area, ascending; with the same seed the same."""
        total = np.cumsum(self.areas, dtype=np.float64)
        picks = np.random.default_rng(seed).random(count) * total[-1]
        return np.sort(np.minimum(np.searchsorted(total, picks), self.count - 1))

    def _edges(self) -> Floats:
        rows = np.arange(0, len(self.faces), max(1, len(self.faces) // _SPACING_FACES))
        corners = self.vertices[self.faces[rows]]
        return np.asarray(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)).ravel()

    def _nearest(self) -> Floats:
        """Doubled points do not count as neighbours of each other."""
        from scipy.spatial import cKDTree

        rows = np.random.default_rng(SEED).choice(self.count, min(_SPACING_POINTS, self.count), replace=False)
        tree = cKDTree(self.centres.T, balanced_tree=False, compact_nodes=False)
        off = tree.query(self.at(rows), k=min(9, self.count))[0]
        off = np.where(off > 0.0, off, np.inf).min(axis=1)
        return off[np.isfinite(off)] if np.isfinite(off).any() else np.zeros(1)


def places_of(vertices: Floats, faces: Ints) -> Places:
    """The places of a mesh, or of a cloud where there are no faces; at least one vertex."""
    columns = [np.ascontiguousarray(vertices[:, axis]) for axis in range(3)]
    box = np.array([[column.min() for column in columns], [column.max() for column in columns]])
    origin = box.mean(axis=0)
    if len(faces) == 0:
        centres = np.stack([(column - at).astype(np.float32) for column, at in zip(columns, origin, strict=True)])
        none = np.empty((3, 0), dtype=np.float32)
        return Places(vertices, faces, origin, centres, none, np.ones(len(vertices), dtype=np.float32), box)
    centres, normals = (np.empty((3, len(faces)), dtype=np.float32) for _ in range(2))
    for start in range(0, len(faces), _CHUNK):
        _fill(columns, origin, faces[start : start + _CHUNK], (centres, normals), start)
    areas = np.sqrt(normals[0] ** 2 + normals[1] ** 2 + normals[2] ** 2)
    return Places(vertices, faces, origin, centres, normals, areas, box)


def _fill(columns: list[Floats], origin: Floats, part: Ints, out: tuple[NDArray[np.float32], ...], start: int) -> None:
    """Centres and area vectors of some faces, an axis at a time: short rows of three would cost three times as much."""
    centres, normals = out
    rows = slice(start, start + len(part))
    a, b, c = (np.ascontiguousarray(part[:, k]) for k in range(3))
    firsts = [column[a] for column in columns]
    one = [column[b] - first for column, first in zip(columns, firsts, strict=True)]
    two = [column[c] - first for column, first in zip(columns, firsts, strict=True)]
    for axis in range(3):
        centres[axis, rows] = firsts[axis] - origin[axis] + (one[axis] + two[axis]) / 3.0
        u, v = (axis + 1) % 3, (axis + 2) % 3
        normals[axis, rows] = 0.5 * (one[u] * two[v] - one[v] * two[u])
