"""Distances between many pairs of convex hulls at once, each with a certificate.

For two convex sets K and T the distance is the greatest gap between parallel planes that
keep them apart: for *every* unit vector n, min n·K − max n·T is a lower bound. So a
direction need not be trusted, only evaluated. The directions come from the
Gilbert–Johnson–Keerthi iteration (1988) on the difference K − T, run on all pairs together
in numpy; its current point is a difference of two points that exist, hence an upper bound.

What the iteration needs of K − T is its support along a direction: see
:class:`~fitcheck.geometry.supports.Difference`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.supports import Difference, Hulls, stack_of

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

__all__ = ["Aim", "Hulls", "Separation", "cross", "nearest_to_origin", "separate", "separate_all"]

_ITERATIONS = 40
_GAP_MM = 2e-3
_ROUNDING_MM = 1e-9
"""Taken off every lower bound: what double precision can lose at vehicle coordinates."""

_LOOSE = 0.25
"""A bound that will not reach its cutoff need not be sharper than this share of what is missing."""


class Support(Protocol):
    """A convex set for each of m pairs, asked for the point least far along a direction."""

    @property
    def blur_mm(self) -> float:
        """By how much the point found may fail to be the least far."""

    def lowest(self, live: Indices, directions: Floats) -> Floats:
        """Rows ``live`` (l,), directions (l, 3) → points (l, 3 + t): where, and t numbers that are blended along."""


@dataclass(frozen=True)
class Separation:
    """Bounds (m,) on the distance of each pair, ball and remainder taken off, and what they rest on.

    ``directions`` (m, 3): the unit vectors of the best lower bounds, from the second to the first;
    ``tags`` (m, t): the numbers that came with the points, as the nearest point blends them; ``ends`` (m, t):
    those of the point that supports the bound.
    """

    lower_mm: Floats
    upper_mm: Floats
    directions: Floats
    tags: Floats
    ends: Floats


@dataclass(frozen=True)
class Aim:
    """What m pairs are asked for: ``off_mm`` is taken off each distance, ``cutoff_mm`` ends its search when reached.

    ``began`` (m, 3): directions to begin with. ``exact`` (m,): where the distance itself is wanted, not
    only whether it reaches the cutoff.
    """

    off_mm: Floats
    cutoff_mm: Floats
    began: Floats
    exact: NDArray[np.bool_]


def separate(
    hulls: Hulls, rows: Indices, atoms: Floats, cutoff_mm: Floats, directions: Floats | None = None
) -> Separation:
    """Distance bounds of m pairs: hull ``rows[i]`` against the hull of ``atoms[i]`` (k, 3); ``rows`` ascend.

    A pair is left as soon as its lower bound passes ``cutoff_mm[i]`` (as judged after ball and
    remainder are taken off). ``directions`` (m, 3) are where to begin, from the atom to the hull,
    a zero vector where nothing is known. Overlapping pairs get a lower bound ≤ 0 and an upper
    bound of 0 less ball and remainder. No pairs: empty arrays.
    """
    if len(rows) == 0:
        return Separation(np.empty(0), np.empty(0), np.empty((0, 3)), np.empty((0, 0)), np.empty((0, 0)))
    first, second = stack_of(hulls), stack_of(Hulls(atoms, None, 0.0, 0.0, np.zeros(len(atoms))))
    began = hulls.points[rows].mean(axis=1) - atoms.mean(axis=1) if directions is None else directions
    aim = Aim(first.off_mm[rows], cutoff_mm, began, np.ones(len(rows), dtype=bool))
    return separate_all(Difference(first, rows, second, np.arange(len(atoms))), aim)


def separate_all(support: Support, aim: Aim) -> Separation:
    """Distance bounds of the m convex sets to the origin. An infinite ``off_mm`` gives a lower bound of −∞."""
    count = len(aim.cutoff_mm)
    off = np.where(np.isfinite(aim.off_mm), aim.off_mm, 0.0)
    reach = np.minimum(aim.cutoff_mm + off, 1e300)
    lower, upper, best = np.full(count, -np.inf), np.full(count, np.inf), np.zeros((count, 3))
    live, current = np.arange(count), aim.began
    simplex = last = np.empty((0, 3, 3))
    ends = np.empty((0, 0))
    for turn in range(_ITERATIONS):
        length = np.sqrt(np.einsum("mi,mi->m", current, current))
        if turn:
            upper[live] = np.minimum(upper[live], length)
        direction = current / np.maximum(length, 1e-300)[:, None]
        vertex = support.lowest(live, direction)
        found = np.einsum("mi,mi->m", direction, vertex[:, :3])
        better = found > lower[live]
        lower[live[better]], best[live[better]] = found[better], direction[better]
        if turn:
            ends[live[better]] = vertex[better, 3:]
        if not turn:
            simplex = np.repeat(vertex[:, None, :], 3, axis=1)
            last, ends, current = simplex.copy(), vertex[:, 3:].copy(), vertex[:, :3]
            done = _done(lower, upper, reach, aim.exact)
            live, simplex, current = live[~done], simplex[~done], current[~done]
        else:
            touch = length < 1e-9
            lower[live[touch]] = 0.0
            go_on = ~(touch | _done(lower[live], upper[live], reach[live], aim.exact[live]))
            live = live[go_on]
            simplex, current, inside = _step(simplex[go_on], vertex[go_on])
            last[live] = simplex
            upper[live[inside]], lower[live[inside]] = 0.0, 0.0
            live, simplex, current = live[~inside], simplex[~inside], current[~inside]
        if len(live) == 0:
            break
    lower = np.where(np.isfinite(aim.off_mm), lower - off - _ROUNDING_MM - support.blur_mm, -np.inf)
    return Separation(lower, upper - off, best, _blended(last), ends)


def _done(lower: Floats, upper: Floats, reach: Floats, exact: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a pair is known well enough: far enough, certainly not far enough, or to the iteration's gap."""
    gap = upper - lower
    missing = np.minimum(reach - upper, upper + 1.0)
    return np.asarray((gap <= _GAP_MM) | (lower >= reach) | (~exact & (gap <= _LOOSE * missing)))


def _blended(simplex: Floats) -> Floats:
    """The tags (m, t) of the nearest point of each triangle (m, 3, 3 + t)."""
    if simplex.shape[2] == 3:
        return np.empty((len(simplex), 0))
    return np.asarray(np.einsum("mk,mkt->mt", nearest_weights(simplex[:, :, :3]), simplex[:, :, 3:]))


def _step(simplex: Floats, vertex: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Add a vertex to each triangle, keep the face of the tetrahedron that is nearest to the origin."""
    count, _, size = simplex.shape
    faces = np.repeat(simplex[:, None], 3, axis=1)
    for k in range(3):
        faces[:, k, k] = vertex
    nearest = nearest_to_origin(faces[:, :, :, :3].reshape(-1, 3, 3)).reshape(count, 3, 3)
    best = np.einsum("mki,mki->mk", nearest, nearest).argmin(axis=1)
    pick = np.arange(count)
    inside = _holds_origin(simplex[:, :, :3], vertex[:, :3])
    return faces[pick, best].reshape(count, 3, size), nearest[pick, best], inside


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


def nearest_weights(triangles: Floats) -> Floats:
    """The weights (n, 3), each 0 … 1 with sum 1, of the corners in the point of each triangle nearest to the origin."""
    nearest = nearest_to_origin(triangles)
    first, second, to = (part - triangles[:, 0] for part in (triangles[:, 1], triangles[:, 2], nearest))
    a, b, c = (np.einsum("ni,ni->n", p, q) for p, q in ((first, first), (first, second), (second, second)))
    d, e = np.einsum("ni,ni->n", to, first), np.einsum("ni,ni->n", to, second)
    below = a * c - b * b
    flat = below <= 1e-12 * a * c
    scale = np.where(flat, 1.0, below)
    one, two = np.where(flat, d / np.where(a > 0.0, a, 1.0), (c * d - b * e) / scale), (a * e - b * d) / scale
    two = np.where(flat, np.where(a > 0.0, 0.0, e / np.where(c > 0.0, c, 1.0)), two)
    weights = np.clip(np.stack([1.0 - one - two, one, two], axis=1), 0.0, 1.0)
    return np.asarray(weights / weights.sum(axis=1)[:, None])
