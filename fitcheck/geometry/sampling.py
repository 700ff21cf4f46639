"""Points on triangles, no further apart than a spacing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MOST_STEPS = 200


def points_on_triangles(corners: Floats, spacing_mm: float) -> Floats:
    """Points (m, 3) on (n, 3, 3) triangles: corners, and a lattice no wider than ``spacing_mm``.

    Every point lies on its triangle. No triangles: no points. A triangle's lattice has at
    most 200 steps a side, so a very large one is sampled more coarsely.
    """
    if len(corners) == 0:
        return np.empty((0, 3))
    edges = np.linalg.norm(corners - corners[:, (1, 2, 0)], axis=2).max(axis=1)
    steps = np.clip(np.ceil(edges / spacing_mm), 1, _MOST_STEPS).astype(int)
    parts = [np.einsum("wk,nki->nwi", _lattice(k), corners[steps == k]).reshape(-1, 3) for k in np.unique(steps)]
    return np.concatenate(parts)


def _lattice(steps: int) -> Floats:
    """Barycentric weights (w, 3) of a triangular lattice, and the centroid."""
    i, j = np.meshgrid(np.arange(steps + 1), np.arange(steps + 1), indexing="ij")
    keep = i + j <= steps
    weights = np.stack([i[keep], j[keep], steps - i[keep] - j[keep]], axis=1) / steps
    return np.concatenate([weights, np.full((1, 3), 1.0 / 3.0)])
