"""Polygons cut into triangles without covering ground outside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Polygons:
    """``counts`` (m,) corners of each polygon, ≥ 3; ``corners`` (sum of counts,) vertex indices."""

    counts: NDArray[np.int64]
    corners: Ints

    def __len__(self) -> int:
        return len(self.counts)


def triangulate(polygons: Polygons, vertices: Floats) -> Ints:
    """Triangles (k, 3) of the polygons, wound as they were, in their order; of none: none.

    A polygon of n corners gives n − 2 triangles. Quads are cut along the diagonal that
    stays inside; larger ones by cutting off ears in the plane of their Newell normal.
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
    faces[rows], faces[rows + 1] = _cut_quads(quads, vertices)
    for polygon in np.flatnonzero(counts > 4):
        ring = polygons.corners[first[polygon] : first[polygon] + counts[polygon]]
        faces[into[polygon] : into[polygon] + counts[polygon] - 2] = ring[_cut_ears(vertices[ring])]
    return faces


def _cut_quads(quads: Ints, vertices: Floats) -> tuple[Ints, Ints]:
    """Both halves (m, 3) each; the diagonal 1–3 is taken only where 0–2 would fold or leave the quad."""
    p = vertices[quads]
    first = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    second = np.cross(p[:, 2] - p[:, 0], p[:, 3] - p[:, 0])
    folds = np.einsum("ij,ij->i", first, second) < 0.0
    start = np.where(folds, 1, 0)[:, None]
    rows = np.arange(len(quads))[:, None]
    return (
        quads[rows, (start + np.array([0, 1, 2])) % 4],
        quads[rows, (start + np.array([0, 2, 3])) % 4],
    )


def _cut_ears(points: Floats) -> NDArray[np.intp]:
    flat = _in_its_plane(points)
    ring = list(range(len(points)))
    ears: list[tuple[int, int, int]] = []
    while len(ring) > 3:
        at = next((i for i in range(len(ring)) if _is_ear(flat, ring, i)), 0)  # none: crossing itself; fan on
        ears.append((ring[at - 1], ring[at], ring[(at + 1) % len(ring)]))
        del ring[at]
    ears.append((ring[0], ring[1], ring[2]))
    return np.array(ears, dtype=np.intp)


def _in_its_plane(points: Floats) -> Floats:
    normal = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)  # Newell
    drop = int(np.argmax(np.abs(normal)))
    u, v = (drop + 1) % 3, (drop + 2) % 3
    return points[:, [u, v]] if normal[drop] >= 0 else points[:, [v, u]]


def _is_ear(flat: Floats, ring: list[int], at: int) -> bool:
    a, b, c = flat[ring[at - 1]], flat[ring[at]], flat[ring[(at + 1) % len(ring)]]
    if _turn(a, b, c) <= 0.0:
        return False
    skip = {ring[at - 1], ring[at], ring[(at + 1) % len(ring)]}
    others = [flat[i] for i in ring if i not in skip]
    return not any(_turn(a, b, p) >= 0 and _turn(b, c, p) >= 0 and _turn(c, a, p) >= 0 for p in others)


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
