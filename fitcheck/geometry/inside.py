"""Inside or outside of a closed solid, and how deep.

Distances know surfaces only: a thing wholly inside another is "apart" for them. Here
points are asked. A convex core is asked by its face planes, a grown core (capsule,
sphere) by its distance, any other closed mesh by its winding number: the sum of signed
solid angles over 4π (van Oosterom and Strackee 1983), 1 inside and 0 outside.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.separation import nearest_to_origin
from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_PRODUCTS_A_CHUNK = 2_000_000
_EXACT_PRODUCTS = 500_000
_EXACT_DISTANCES = 50_000
_FLAT_MM = 1e-6


def depths(points: Floats, solid: Solid) -> Floats:
    """How deep each of (n, 3) points lies inside a solid, in mm; −1 for points outside or on it.

    The depth is the distance to the solid's surface; for no points: an empty array.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    deep = np.full(len(points), -1.0)
    lo, hi = solid.extents()
    near = np.flatnonzero(((points > lo) & (points < hi)).all(axis=1))
    if len(near):
        deep[near] = _depths_in_box(points[near], solid)
    return deep


def inside(points: Floats, solid: Solid) -> Flags:
    """Which of (n, 3) points lie strictly inside a solid."""
    return np.asarray(depths(points, solid) > 0.0)


def _depths_in_box(points: Floats, solid: Solid) -> Floats:
    if solid.radius_mm > 0.0:
        reach = solid.radius_mm - points_to_triangles(points, solid.vertices[solid.faces])
        return np.where(reach > 0.0, reach, -1.0)
    if solid.convex:
        return _convex_depths(points, solid)
    within = winding_numbers(points, solid.vertices, solid.faces) > 0.5
    deep = np.full(len(points), -1.0)
    if within.any():
        deep[within] = points_to_triangles(points[within], solid.vertices[solid.faces])
    return deep


def _convex_depths(points: Floats, solid: Solid) -> Floats:
    corners = solid.vertices[solid.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    keep = size > 0.0
    normals, offsets = normals[keep] / size[keep, None], corners[keep, 0]
    heights = np.einsum("fi,fi->f", normals, offsets) - points @ normals.T
    least = heights.min(axis=1)
    return np.where(least > 0.0, least, -1.0)


def winding_numbers(points: Floats, vertices: Floats, faces: NDArray[np.int32]) -> Floats:
    """The winding number of a triangle mesh at each of (n, 3) points; of no triangles: 0.

    Exact sums up to some size, beyond it libigl's fast approximation (within 0.011).
    """
    if len(points) * len(faces) > _EXACT_PRODUCTS:
        import igl

        return np.asarray(igl.fast_winding_number(vertices, faces.astype(np.int64), np.ascontiguousarray(points)))
    corners = vertices[faces]
    step = max(1, _PRODUCTS_A_CHUNK // max(1, len(faces)))
    parts = [_solid_angles(points[i : i + step], corners) for i in range(0, len(points), step)]
    return np.concatenate(parts) / (4.0 * np.pi) if parts else np.empty(0)


def _solid_angles(points: Floats, corners: Floats) -> Floats:
    a, b, c = (corners[None, :, k] - points[:, None] for k in range(3))
    la, lb, lc = (np.linalg.norm(side, axis=2) for side in (a, b, c))
    top = np.einsum("nfi,nfi->nf", a, np.cross(b, c))
    ab, bc, ca = (np.einsum("nfi,nfi->nf", p, q) for p, q in ((a, b), (b, c), (c, a)))
    below = la * lb * lc + ab * lc + bc * la + ca * lb
    return np.asarray(2.0 * np.arctan2(top, below).sum(axis=1))


def points_to_triangles(points: Floats, corners: Floats) -> Floats:
    """Least distance of each of (n, 3) points to any of (f, 3, 3) triangles, degenerate ones included."""
    if len(points) * len(corners) > _EXACT_DISTANCES:
        return _points_to_many_triangles(points, corners)
    best = np.full(len(points), np.inf)
    step = max(1, _PRODUCTS_A_CHUNK // 8 // max(1, len(corners)))
    for i in range(0, len(points), step):
        some = points[i : i + step]
        shifted = (corners[None] - some[:, None, None]).reshape(-1, 3, 3)
        gaps = np.linalg.norm(nearest_to_origin(shifted), axis=1).reshape(len(some), -1)
        best[i : i + step] = gaps.min(axis=1)
    return best


def _points_to_many_triangles(points: Floats, corners: Floats) -> Floats:
    """The same through libigl's tree."""
    import igl

    corners = without_flat(corners)
    faces = np.arange(3 * len(corners), dtype=np.int64).reshape(-1, 3)
    squared = igl.point_mesh_squared_distance(np.ascontiguousarray(points), corners.reshape(-1, 3), faces)[0]
    return np.asarray(np.sqrt(squared))


def without_flat(corners: Floats) -> Floats:
    """Triangles (n, 3, 3) as libigl's tree can take them: it answers too large near triangles without area.

    Those become segments, as written ``[a, b, b]`` on their longest edge, which moves the surface by less
    than 1e-6 mm.
    """
    corners = corners.copy()
    edges = corners[:, (1, 2, 0)] - corners
    lengths = np.linalg.norm(edges, axis=2)
    longest = lengths.argmax(axis=1)
    heights = np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1) / np.maximum(lengths.max(axis=1), 1e-300)
    flat = np.flatnonzero(heights < _FLAT_MM)
    start, end = corners[flat, longest[flat]], corners[flat, (longest[flat] + 1) % 3]
    corners[flat] = np.stack([start, end, end], axis=1)
    return corners
