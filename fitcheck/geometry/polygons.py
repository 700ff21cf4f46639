"""Polygons cut into triangles without covering ground outside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

RING_LIMIT = 4000
"""Corners of one polygon; cutting takes time with their square, seconds here."""


@dataclass(frozen=True, eq=False)
class Polygons:
    """``counts`` (m,) corners of each polygon, ≥ 3; ``corners`` (sum of counts,) vertex indices."""

    counts: NDArray[np.int64]
    corners: Ints

    def __len__(self) -> int:
        return len(self.counts)


def triangulate(polygons: Polygons, vertices: Floats) -> tuple[Ints, int]:
    """Triangles (k, 3) of the polygons, wound as they were, in their order, and how many polygons cross themselves.

    A polygon of n corners gives n − 2 triangles. Quads are cut along the diagonal that
    stays inside; larger ones fanned where that stays inside, else by cutting off ears in the plane
    of their Newell normal. The areas tell whether that went well: where a polygon crosses itself, the triangles'
    do not sum to its own. Of none: none.
    """
    counts = polygons.counts
    first = np.cumsum(counts) - counts
    into = np.cumsum(counts - 2) - (counts - 2)
    faces = np.empty((int((counts - 2).sum()), 3), dtype=np.int32)
    three = counts == 3
    faces[into[three]] = polygons.corners[first[three][:, None] + np.arange(3)]
    four = counts == 4
    quads = polygons.corners[first[four][:, None] + np.arange(4)]
    rows = into[four]
    faces[rows], faces[rows + 1], crossing = _cut_quads(quads, vertices)
    for size in np.unique(counts[counts > 4]):
        which = np.flatnonzero(counts == size)
        rings = polygons.corners[first[which][:, None] + np.arange(size)]
        cut, crossed = _cut_rings(rings, vertices)
        faces[into[which][:, None] + np.arange(size - 2)] = cut
        crossing += crossed
    return faces, crossing


def _cut_quads(quads: Ints, vertices: Floats) -> tuple[Ints, Ints, int]:
    """Both halves (m, 3) each; the diagonal 1–3 is taken only where 0–2 would fold or leave the quad.

    Third, how many quads fold along either diagonal: they cross themselves.
    """
    p = vertices[quads]
    first = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    second = np.cross(p[:, 2] - p[:, 0], p[:, 3] - p[:, 0])
    folds = np.einsum("ij,ij->i", first, second) < 0.0
    third = np.cross(p[folds, 2] - p[folds, 1], p[folds, 3] - p[folds, 1])
    fourth = np.cross(p[folds, 3] - p[folds, 1], p[folds, 0] - p[folds, 1])
    crossing = int(np.count_nonzero(np.einsum("ij,ij->i", third, fourth) < 0.0))
    start = np.where(folds, 1, 0)[:, None]
    rows = np.arange(len(quads))[:, None]
    return (
        quads[rows, (start + np.array([0, 1, 2])) % 4],
        quads[rows, (start + np.array([0, 2, 3])) % 4],
        crossing,
    )


def _cut_rings(rings: Ints, vertices: Floats) -> tuple[Ints, int]:
    """Triangles (m, n − 2, 3) of m polygons of n corners each; how many of them cross themselves."""
    size = rings.shape[1]
    fan = np.stack([np.zeros(size - 2, int), np.arange(1, size - 1), np.arange(2, size)], axis=1)
    flat = _in_their_planes(vertices[rings])
    turns = _turns(flat, np.roll(flat, -1, axis=1), np.roll(flat, -2, axis=1))
    slices = _turns(flat[:, :1], flat[:, 1:-1], flat[:, 2:])
    hollow = ~((turns >= 0.0).all(axis=1) & (slices > 0.0).all(axis=1))
    faces = rings[:, fan]
    crossed = 0
    for row in np.flatnonzero(hollow):
        ears = _cut_ears(flat[row])
        faces[row] = rings[row][ears]
        areas = _turns(*(flat[row][ears[:, k]] for k in range(3)))
        crossed += bool(np.abs(areas).sum() > slices[row].sum() * (1.0 + 1e-9)) or not slices[row].sum() > 0.0
    return faces, crossed


def _in_their_planes(points: Floats) -> Floats:
    """(m, n, 2): each polygon seen along the axis its Newell normal is nearest to, so that it turns left."""
    local = points - points[:, :1]
    normal = np.cross(local, np.roll(local, -1, axis=1)).sum(axis=1)
    drop = np.argmax(np.abs(normal), axis=1)
    rows = np.arange(len(points))
    u, v = (drop + 1) % 3, (drop + 2) % 3
    back = normal[rows, drop] < 0.0
    u, v = np.where(back, v, u), np.where(back, u, v)
    every = np.arange(points.shape[1])
    return np.stack([local[rows[:, None], every, axis[:, None]] for axis in (u, v)], axis=-1)


def _turns(a: Floats, b: Floats, c: Floats) -> Floats:
    """Twice the signed areas of triangles in a plane."""
    return np.asarray(
        (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
    )


def _cut_ears(flat: Floats) -> NDArray[np.intp]:
    ring = np.arange(len(flat))
    ears = []
    while len(ring) > 3:
        at = _next_ear(flat[ring])
        ears.append((ring[at - 1], ring[at], ring[(at + 1) % len(ring)]))
        ring = np.delete(ring, at)
    ears.append((ring[0], ring[1], ring[2]))
    return np.array(ears, dtype=np.intp)


def _next_ear(flat: Floats) -> int:
    """The first corner that can be cut off; where a polygon crosses itself there may be none: then the first convex."""
    before, after = np.roll(flat, 1, axis=0), np.roll(flat, -1, axis=0)
    turns = _turns(before, flat, after)
    convex = np.flatnonzero(turns > 0.0)
    for at in convex:
        if _is_free(flat, before[at], flat[at], after[at]):
            return int(at)
    level = np.flatnonzero(turns == 0.0)  # a corner on a straight line takes nothing away
    return int(level[0]) if len(level) else int(convex[0]) if len(convex) else 0


def _is_free(flat: Floats, a: Floats, b: Floats, c: Floats) -> bool:
    """No corner in the triangle or on it, but at its corners: a slit towards a window comes back to the same place."""
    inside = (_turns(a, b, flat) >= 0) & (_turns(b, c, flat) >= 0) & (_turns(c, a, flat) >= 0)
    for corner in (a, b, c):
        inside &= (flat != corner).any(axis=1)
    return not inside.any()
