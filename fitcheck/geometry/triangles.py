"""Distances of triangle pairs by features, many pairs at once: fitcheck's own narrow phase.

The distance of two triangles is reached between a corner and the other triangle (6 cases) or
inside two edges (9 cases), or is 0 where an edge passes through the other triangle (6 cases).
All are evaluated and the least taken, so no case decides for another: exactly parallel edges,
coplanar triangles and triangles without area need no rule of their own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.separation import cross, nearest_to_origin

Floats = NDArray[np.float64]

_NEXT = (1, 2, 0)


def triangle_distances(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Distances (n,) of n triangle pairs (n, 3, 3), and a nearest pair of points (n, 2, 3).

    Triangles without area are segments or points. No pairs: empty arrays.
    """
    cases = [_corners_to(first, second), _corners_to(second, first)[..., ::-1, :], _between_edges(first, second)]
    cases += [_piercings(first, second), _piercings(second, first)]
    points = np.concatenate(cases, axis=1)
    gaps = np.linalg.norm(points[:, :, 0] - points[:, :, 1], axis=2)
    gaps = np.where(np.isnan(gaps), np.inf, gaps)
    best = gaps.argmin(axis=1) if len(first) else np.empty(0, dtype=np.intp)
    pick = np.arange(len(first))
    return gaps[pick, best], points[pick, best]


def _corners_to(first: Floats, second: Floats) -> Floats:
    """Each corner of the first (n, 3) and its nearest point of the second: (n, 3, 2, 3)."""
    shifted = second[:, None] - first[:, :, None]
    nearest = nearest_to_origin(shifted.reshape(-1, 3, 3)).reshape(-1, 3, 3)
    return np.stack([first, first + nearest], axis=2)


def _between_edges(first: Floats, second: Floats) -> Floats:
    """Nearest points inside both edges, for all nine pairs (n, 9, 2, 3); NaN where there are none."""
    start = np.repeat(first, 3, axis=1)
    other = np.tile(second, (1, 3, 1))
    along = np.repeat(first[:, _NEXT] - first, 3, axis=1)
    across = np.tile(second[:, _NEXT] - second, (1, 3, 1))
    between = start - other
    a, b, c = _dot(along, along), _dot(along, across), _dot(across, across)
    d, e = _dot(along, between), _dot(across, between)
    size = a * c - b * b
    usable = size > 1e-14 * a * c
    scale = np.where(usable, size, 1.0)
    s, t = (b * e - c * d) / scale, (a * e - b * d) / scale
    inside = usable & (s > 0.0) & (s < 1.0) & (t > 0.0) & (t < 1.0)
    points = np.stack([start + s[..., None] * along, other + t[..., None] * across], axis=2)
    return np.where(inside[:, :, None, None], points, np.nan)


def _piercings(first: Floats, second: Floats) -> Floats:
    """Where edges of the first pass through the second (n, 3, 2, 3), both points the same; NaN elsewhere."""
    normal = cross(second[:, 1] - second[:, 0], second[:, 2] - second[:, 0])
    heights = np.einsum("nki,ni->nk", first - second[:, :1], normal)
    ends = heights[:, _NEXT]
    crosses = ((heights > 0.0) & (ends < 0.0)) | ((heights < 0.0) & (ends > 0.0))
    share = heights / np.where(crosses, heights - ends, 1.0)
    points = first + share[..., None] * (first[:, _NEXT] - first)
    around = points[:, :, None] - second[:, None]
    sides = np.einsum("nkji,ni->nkj", cross(around, around[:, :, _NEXT]), normal)
    hit = crosses & (sides >= 0.0).all(axis=2)
    points = np.where(hit[:, :, None], points, np.nan)
    return np.stack([points, points], axis=2)


def _dot(first: Floats, second: Floats) -> Floats:
    return np.asarray(np.einsum("nki,nki->nk", first, second))


def parallel_rows(first: Floats, second: Floats) -> NDArray[np.bool_]:
    """Which of the first triangles (n, 3, 3) have an edge parallel, within about 1e-6, to one of the second's."""
    known = _edge_directions(second).reshape(-1, 3)
    known = np.concatenate([known, -known])
    asked = _edge_directions(first).reshape(-1, 3)
    found = np.zeros(len(asked), dtype=bool)
    for offset in (0.0, 0.5):  # a direction next to a cell's border in one grid is inside a cell of the other
        found |= np.isin(_cells(asked, offset), np.unique(_cells(known, offset)))
    return np.asarray(found.reshape(-1, 3).any(axis=1))


def _edge_directions(corners: Floats) -> Floats:
    edges = corners[:, _NEXT] - corners
    return np.asarray(edges / np.maximum(np.linalg.norm(edges, axis=2), 1e-300)[..., None])


def _cells(directions: Floats, offset: float) -> NDArray[np.int64]:
    cells = np.floor(directions * 5e5 + offset).astype(np.int64) + (1 << 20)
    return np.asarray((cells[:, 0] << 42) | (cells[:, 1] << 21) | cells[:, 2])
