"""What of a surface lies outside, or inside, a convex region given by planes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def outside_of(corners: Floats, normals: Floats, offsets: Floats) -> Floats:
    """The parts of (n, 3, 3) triangles outside the region {p : normals·p ≤ offsets}, as triangles.

    Triangles wholly outside any one plane, or wholly inside all, are told apart at once;
    the rest is cut plane by plane. What is kept covers exactly the outside (up to rounding);
    everything inside: an empty array.
    """
    if len(corners) == 0:
        return corners
    heights = np.einsum("nki,pi->nkp", corners, normals) - offsets
    apart = (heights >= 0.0).all(axis=1).any(axis=1)
    within = (heights <= 0.0).all(axis=(1, 2))
    pieces = [corners[apart]]
    for triangle in corners[~apart & ~within]:
        pieces += _cut(triangle, normals, offsets)
    return np.concatenate(pieces)


def inside_of(corners: Floats, normals: Floats, offsets: Floats) -> Floats:
    """The parts of (n, 3, 3) triangles inside the region {p : normals·p ≤ offsets}, as triangles."""
    if len(corners) == 0:
        return corners
    heights = np.einsum("nki,pi->nkp", corners, normals) - offsets
    within = (heights <= 0.0).all(axis=(1, 2))
    apart = (heights > 0.0).all(axis=1).any(axis=1)
    pieces = [corners[within]]
    for triangle in corners[~within & ~apart]:
        rest = triangle
        for normal, offset in zip(normals, offsets, strict=True):
            rest = _half(rest, offset - rest @ normal)
            if len(rest) < 3:
                break
        else:
            pieces.append(_fan(rest))
    return np.concatenate(pieces)


def _cut(triangle: Floats, normals: Floats, offsets: Floats) -> list[Floats]:
    kept: list[Floats] = []
    rest = triangle
    for normal, offset in zip(normals, offsets, strict=True):
        heights = rest @ normal - offset
        beyond = _half(rest, heights)
        if len(beyond) >= 3:
            kept.append(_fan(beyond))
        rest = _half(rest, -heights)
        if len(rest) < 3:
            break
    return kept


def _half(polygon: Floats, heights: Floats) -> Floats:
    """The part of a convex polygon with heights ≥ 0 (Sutherland and Hodgman 1974)."""
    points: list[Floats] = []
    for i in range(len(polygon)):
        j = (i + 1) % len(polygon)
        if heights[i] >= 0.0:
            points.append(polygon[i])
        if heights[i] * heights[j] < 0.0:
            share = heights[i] / (heights[i] - heights[j])
            points.append(polygon[i] + share * (polygon[j] - polygon[i]))
    return np.array(points).reshape(-1, 3)


def _fan(polygon: Floats) -> Floats:
    k = np.arange(1, len(polygon) - 1)
    return np.stack([np.repeat(polygon[:1], len(k), axis=0), polygon[k], polygon[k + 1]], axis=1)
