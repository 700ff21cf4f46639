"""Distances between many pairs of convex hulls at once, each with a certificate.

For two convex sets K and T the distance is the greatest gap between parallel planes that
keep them apart: for *every* unit vector n, min n·K − max n·T is a lower bound. So a
direction need not be trusted, only evaluated. The directions come from the
Gilbert–Johnson–Keerthi iteration (1988) on the difference K − T, run on all pairs together
in numpy; its current point is a difference of two points that exist, hence an upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

_ITERATIONS = 40
_GAP_MM = 2e-3
_ROUNDING_MM = 1e-9
"""Taken off every lower bound: what double precision can lose at vehicle coordinates."""


@dataclass(frozen=True)
class Hulls:
    """n convex hulls of k flat discs each, grown by a ball and by a remainder.

    ``points`` (n, k, 3) are the disc centres, ``discs`` (n, k, 3) the unit vectors that the
    discs are square to (None: plain points), all of ``disc_radius_mm``; ``ball_mm`` grows
    every hull, ``grow_mm`` (n,) each by its own amount.
    """

    points: Floats
    discs: Floats | None
    disc_radius_mm: float
    ball_mm: float
    grow_mm: Floats

    def boxes(self) -> Floats:
        """Axis-aligned boxes (n, 2, 3) round the hulls, ball and remainder included."""
        reach = self.disc_radius_mm + self.ball_mm + self.grow_mm[:, None]
        return np.stack([self.points.min(axis=1) - reach, self.points.max(axis=1) + reach], axis=1)


@dataclass(frozen=True)
class Separation:
    """Bounds (m,) on the distance of each pair, ball and remainder taken off, and what they rest on.

    ``nearest`` (m,): which of the hull's k points supports the last direction; ``directions``
    (m, 3): the unit vectors of the best lower bounds, from the atom to the hull.
    """

    lower_mm: Floats
    upper_mm: Floats
    nearest: Indices
    directions: Floats


def separate(
    hulls: Hulls, rows: Indices, atoms: Floats, cutoff_mm: Floats, directions: Floats | None = None
) -> Separation:
    """Distance bounds of m pairs: hull ``rows[i]`` against the hull of ``atoms[i]`` (k, 3); ``rows`` ascend.

    A pair is left as soon as its lower bound passes ``cutoff_mm[i]`` (as judged after ball and
    remainder are taken off). ``directions`` (m, 3) are where to begin, from the atom to the hull,
    a zero vector where nothing is known. Overlapping pairs get a lower bound ≤ 0 and an upper
    bound of 0 less ball and remainder. No pairs: empty arrays.
    """
    count = len(rows)
    off = hulls.ball_mm + hulls.grow_mm[rows] if count else np.empty(0)
    lower, upper = np.full(count, -np.inf), np.full(count, np.inf)
    nearest, best = np.zeros(count, dtype=np.intp), np.zeros((count, 3))
    current = hulls.points[rows].mean(axis=1) - atoms.mean(axis=1) if directions is None else directions
    live, simplex = np.arange(count), None
    for _ in range(_ITERATIONS):
        if len(live) == 0:
            break
        length = np.sqrt(np.einsum("mi,mi->m", current, current))
        if simplex is not None:
            upper[live] = np.minimum(upper[live], length)
        direction = current / np.maximum(length, 1e-300)[:, None]
        on_hull, nearest[live] = _support(hulls, rows[live], direction)
        vertex = on_hull - _far_corner(atoms[live], direction)
        found = np.einsum("mi,mi->m", direction, vertex)
        better = found > lower[live]
        lower[live[better]], best[live[better]] = found[better], direction[better]
        touch = (length < 1e-9) & (simplex is not None)
        lower[live[touch]] = 0.0
        go_on = (upper[live] - lower[live] > _GAP_MM) & (lower[live] - off[live] < cutoff_mm[live]) & ~touch
        live, vertex = live[go_on], vertex[go_on]
        if simplex is None:
            current, simplex = vertex, np.repeat(vertex[:, None, :], 3, axis=1)
            continue
        simplex, current, inside = _step(simplex[go_on], vertex)
        upper[live[inside]], lower[live[inside]] = 0.0, 0.0
        live, simplex, current = live[~inside], simplex[~inside], current[~inside]
    return Separation(lower - off - _ROUNDING_MM, upper - off, nearest, best)


def _support(hulls: Hulls, rows: Indices, direction: Floats) -> tuple[Floats, Indices]:
    """The point of each hull least far along its direction, and which disc it is on; ``rows`` ascend."""
    if len(rows) > 8 * len(hulls.points):
        return _support_by_hull(hulls, rows, direction)
    points = hulls.points[rows]
    heights = np.matmul(points, direction[:, :, None])[:, :, 0]
    along = None if hulls.discs is None else np.matmul(hulls.discs[rows], direction[:, :, None])[:, :, 0]
    index = _lowest(hulls, heights, along)
    return _on_disc(hulls, rows, index, direction), index


def _support_by_hull(hulls: Hulls, rows: Indices, direction: Floats) -> tuple[Floats, Indices]:
    """The same for many pairs a hull: one matrix product each, without copies of the hull."""
    index = np.empty(len(rows), dtype=np.intp)
    ends = np.searchsorted(rows, np.arange(len(hulls.points) + 1))
    for hull in range(len(hulls.points)):
        span = slice(ends[hull], ends[hull + 1])
        if span.start < span.stop:
            along = None if hulls.discs is None else direction[span] @ hulls.discs[hull].T
            index[span] = _lowest(hulls, direction[span] @ hulls.points[hull].T, along)
    return _on_disc(hulls, rows, index, direction), index


def _lowest(hulls: Hulls, heights: Floats, along: Floats | None) -> Indices:
    if along is not None:
        heights = heights - hulls.disc_radius_mm * np.sqrt(np.maximum(1.0 - along**2, 0.0))
    return np.asarray(heights.argmin(axis=1))


def _on_disc(hulls: Hulls, rows: Indices, index: Indices, direction: Floats) -> Floats:
    """The lowest point of the chosen discs."""
    points = hulls.points[rows, index]
    if hulls.discs is None:
        return points
    disc = hulls.discs[rows, index]
    square = direction - np.einsum("mi,mi->m", disc, direction)[:, None] * disc
    scale = hulls.disc_radius_mm / np.maximum(np.sqrt(np.einsum("mi,mi->m", square, square)), 1e-12)
    return np.asarray(points - scale[:, None] * square)


def _far_corner(atoms: Floats, direction: Floats) -> Floats:
    heights = np.matmul(atoms, direction[:, :, None])[:, :, 0]
    return np.asarray(atoms[np.arange(len(atoms)), heights.argmax(axis=1)])


def _step(simplex: Floats, vertex: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Add a vertex to each triangle, keep the face of the tetrahedron that is nearest to the origin."""
    count = len(simplex)
    faces = np.stack([simplex, simplex, simplex], axis=1)
    for k in range(3):
        faces[:, k, k] = vertex
    nearest = nearest_to_origin(faces.reshape(-1, 3, 3)).reshape(count, 3, 3)
    best = np.einsum("mki,mki->mk", nearest, nearest).argmin(axis=1)
    pick = np.arange(count)
    return faces[pick, best], nearest[pick, best], _holds_origin(simplex, vertex)


def _holds_origin(simplex: Floats, vertex: Floats) -> NDArray[np.bool_]:
    """Whether the origin is strictly inside the tetrahedron of a triangle and a vertex."""
    first, second = simplex[:, (0, 0, 1)], simplex[:, (1, 2, 2)]
    normals = cross(first, second)  # a×b, a×c, b×c
    across = np.einsum("mki,mi->km", normals, vertex) * np.array([[-1.0], [1.0], [-1.0]])
    signs = np.concatenate([np.einsum("mi,mi->m", normals[:, 0], simplex[:, 2])[None], across])
    size = np.abs(signs)
    clear = size.min(axis=0) > 1e-12 * np.maximum(size.max(axis=0), 1e-300)
    return np.asarray(clear & ((signs > 0).all(axis=0) | (signs < 0).all(axis=0)))


def cross(first: Floats, second: Floats) -> Floats:
    """Cross products along the last axis; several times quicker than numpy's on short arrays."""
    a, b, c = first[..., 0], first[..., 1], first[..., 2]
    u, v, w = second[..., 0], second[..., 1], second[..., 2]
    return np.stack([b * w - c * v, c * u - a * w, a * v - b * u], axis=-1)


def nearest_to_origin(triangles: Floats) -> Floats:
    """The point of each triangle (n, 3, 3) nearest to the origin (n, 3); degenerate ones are segments."""
    following = triangles[:, (1, 2, 0)]
    edges = following - triangles
    squares = np.einsum("nki,nki->nk", edges, edges)
    share = -np.einsum("nki,nki->nk", triangles, edges) / np.where(squares > 0.0, squares, 1.0)
    on_edges = triangles + np.clip(share, 0.0, 1.0)[:, :, None] * edges
    best = np.einsum("nki,nki->nk", on_edges, on_edges).argmin(axis=1)
    nearest = on_edges[np.arange(len(triangles)), best]
    normal = cross(edges[:, 0], -edges[:, 2])
    size = np.einsum("ni,ni->n", normal, normal)
    sides = np.einsum("nki,ni->nk", cross(triangles, following), normal)
    inside = (sides > 0.0).all(axis=1) & (size > 0.0)
    # From weights, so that it is a point of the triangle also where a sliver's normal is noise.
    weights = sides[:, (1, 2, 0)] / np.where(inside, sides.sum(axis=1), 1.0)[:, None]
    return np.asarray(np.where(inside[:, None], np.einsum("nk,nki->ni", weights, triangles), nearest))
