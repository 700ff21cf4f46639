"""A second road to every distance: brute force in plain numpy, sharing nothing with the program.

The distance of two triangles is the least over candidate point pairs, one per feature
pair: 9 edge to edge, 18 corner to edge, 6 corner to face, 6 edge through face. Each
candidate is a pair of points that really lie on the two triangles, so a rounding error
in finding it can make the answer too large by a hair, never too small. The true
nearest pair is always among the candidates, also for triangles that are a segment or
a point.

Method: Ericson, "Real-Time Collision Detection", chapter 5 (closest points of features);
solid angle: Van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125 (from memory).
``exact_distance_squared`` checks this module itself in whole-number arithmetic.
"""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.integer]

_CHUNK = 1 << 14


# ------------------------------------------------------------------ triangle to triangle


def triangle_distances(first: ArrayLike, second: ArrayLike) -> Floats:
    """Distances (n,) of triangles (n, 3, 3) row by row; corners may coincide or be in line."""
    return triangle_witnesses(first, second)[0]


def triangle_witnesses(first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Distances (n,) and the nearest points on each triangle, both (n, 3)."""
    first, second = _triangles(first), _triangles(second)
    parts = [
        _witnesses_of_chunk(first[start : start + _CHUNK], second[start : start + _CHUNK])
        for start in range(0, len(first), _CHUNK)
    ]
    if not parts:
        return np.empty(0), np.empty((0, 3)), np.empty((0, 3))
    distance, on_first, on_second = (np.concatenate(column) for column in zip(*parts, strict=True))
    return distance, on_first, on_second


def _triangles(corners: ArrayLike) -> Floats:
    return np.asarray(corners, dtype=np.float64).reshape(-1, 3, 3)


def _witnesses_of_chunk(first: Floats, second: Floats) -> tuple[Floats, Floats, Floats]:
    origin = first[:, :1]
    first, second = first - origin, second - origin
    pairs = [*_edge_edge(first, second), *_corner_and_edge_to_face(first, second)]
    swapped = [(y, x) for x, y in (*_corner_edge(second, first), *_corner_and_edge_to_face(second, first))]
    pairs += [*_corner_edge(first, second), *swapped]
    on_first = np.concatenate([x for x, _ in pairs], axis=1)
    on_second = np.concatenate([y for _, y in pairs], axis=1)
    squared = ((on_first - on_second) ** 2).sum(axis=2)
    rows, best = np.arange(len(first)), squared.argmin(axis=1)
    return np.sqrt(squared[rows, best]), on_first[rows, best] + origin[:, 0], on_second[rows, best] + origin[:, 0]


PointPairs = list[tuple[Floats, Floats]]


def _edge_edge(first: Floats, second: Floats) -> PointPairs:
    """Nearest points of the two carrier lines, kept inside both edges: (n, 9, 3) each."""
    p, q = first[:, :, None], second[:, None]
    along_first = first[:, [1, 2, 0], None] - p
    along_second = second[:, None, [1, 2, 0]] - q
    s, t = line_parameters(q - p, along_first, along_second)
    on_first = p + s[..., None] * along_first
    on_second = q + t[..., None] * along_second
    return [(on_first.reshape(-1, 9, 3), on_second.reshape(-1, 9, 3))]


def line_parameters(between: Floats, along_first: Floats, along_second: Floats) -> tuple[Floats, Floats]:
    """Where two lines p + s·u and q + t·v (``between`` = q − p) are nearest, cut to 0 … 1.

    By the cross product and not by 1 − cos²: at 1e-9 rad the latter has no digits left.
    """
    normal = np.cross(along_first, along_second)
    size = (normal * normal).sum(axis=-1)
    size = np.where(size > 0.0, size, np.inf)
    s = (np.cross(between, along_second) * normal).sum(axis=-1) / size
    t = (np.cross(between, along_first) * normal).sum(axis=-1) / size
    return np.clip(s, 0.0, 1.0), np.clip(t, 0.0, 1.0)


def _corner_edge(first: Floats, second: Floats) -> PointPairs:
    """Corners of the first to edges of the second: (n, 9, 3) each."""
    corner, start = first[:, :, None], second[:, None]
    foot = segment_feet(corner, start, second[:, None, [1, 2, 0]])
    return [(np.broadcast_to(corner, foot.shape).reshape(-1, 9, 3), foot.reshape(-1, 9, 3))]


def segment_feet(points: Floats, start: Floats, end: Floats) -> Floats:
    """The point of each segment that is nearest to each point (broadcast, last axis 3)."""
    along = end - start
    size = (along * along).sum(axis=-1)
    t = ((points - start) * along).sum(axis=-1) / np.where(size > 0.0, size, 1.0)
    return np.asarray(start + np.clip(t, 0.0, 1.0)[..., None] * along)


def _corner_and_edge_to_face(first: Floats, second: Floats) -> PointPairs:
    """Corners of the first, and where its edges cross the plane of the second: (n, 6, 3)."""
    plane = _face_frame(second)
    crossing = _plane_crossings(first, plane)
    points = np.concatenate([first, crossing], axis=1)
    return [(points, _face_feet(points, plane))]


def _face_frame(triangles: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Corner a, longest edge e, the second edge f, and the altitude vector h of each (n, 1, 3)."""
    edges = triangles[:, [1, 2, 0]] - triangles
    longest = (edges * edges).sum(axis=2).argmax(axis=1)
    rows = np.arange(len(triangles))
    a = triangles[rows, longest]
    e = triangles[rows, (longest + 1) % 3] - a
    f = triangles[rows, (longest + 2) % 3] - a
    size = (e * e).sum(axis=1, keepdims=True)
    size = np.where(size > 0.0, size, 1.0)
    h = f - (f * e).sum(axis=1, keepdims=True) / size * e
    h = h - (h * e).sum(axis=1, keepdims=True) / size * e
    return a[:, None], e[:, None], f[:, None], h[:, None]


def _plane_crossings(first: Floats, plane: tuple[Floats, Floats, Floats, Floats]) -> Floats:
    a, e, _, h = plane
    height = ((first - a) * np.cross(e, h)).sum(axis=2)
    ahead = height[:, [1, 2, 0]]
    rise = height - ahead
    t = np.clip(height / np.where(rise != 0.0, rise, 1.0), 0.0, 1.0)
    return np.asarray(first + t[..., None] * (first[:, [1, 2, 0]] - first))


def _face_feet(points: Floats, plane: tuple[Floats, Floats, Floats, Floats]) -> Floats:
    """Foot of each point on the face; a foot outside is pulled to some point of the face."""
    a, e, f, h = plane
    away = points - a
    v = (away * h).sum(axis=2) / _or_one((h * h).sum(axis=2))
    u = ((away * e).sum(axis=2) - v * (f * e).sum(axis=2)) / _or_one((e * e).sum(axis=2))
    u, v = np.maximum(u, 0.0), np.maximum(v, 0.0)
    excess = np.maximum(u + v, 1.0)
    return np.asarray(a + (u / excess)[..., None] * e + (v / excess)[..., None] * f)


def _or_one(size: Floats) -> Floats:
    return np.where(size > 0.0, size, 1.0)


# ------------------------------------------------------------------ points and meshes


def point_triangle_distances(points: ArrayLike, triangles: ArrayLike) -> Floats:
    """Distances (n,) of points (n, 3) to triangles (n, 3, 3), row by row."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 1, 3)
    triangles = _triangles(triangles)
    origin = triangles[:, :1]
    points, triangles = points - origin, triangles - origin
    feet = np.concatenate(
        [_face_feet(points, _face_frame(triangles)), segment_feet(points, triangles, triangles[:, [1, 2, 0]])], axis=1
    )
    return np.asarray(np.sqrt(((points - feet) ** 2).sum(axis=2).min(axis=1)))


def points_to_mesh(points: ArrayLike, vertices: Floats, faces: Ints) -> Floats:
    """Distance of each point (n, 3) to the nearest triangle of a mesh, every pair computed."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    triangles = vertices[faces]
    step = max(1, (1 << 16) // len(triangles))
    out = np.empty(len(points))
    for start in range(0, len(points), step):
        part = points[start : start + step]
        pairs = point_triangle_distances(np.repeat(part, len(triangles), axis=0), np.tile(triangles, (len(part), 1, 1)))
        out[start : start + step] = pairs.reshape(len(part), -1).min(axis=1)
    return out


def mesh_distance(first: tuple[Floats, Ints], second: tuple[Floats, Ints]) -> float:
    """Least distance over all triangle pairs of two meshes (vertices, faces).

    Pairs are left out only where the gap of their axis-aligned boxes, a lower bound,
    is above a distance that was already found between two other triangles.
    """
    a, b = first[0][first[1]], second[0][second[1]]
    gap = box_gaps(a, b)
    rows, columns = np.unravel_index(np.argsort(gap, axis=None)[:64], gap.shape)
    best = float(triangle_distances(a[rows], b[columns]).min())
    slack = 1e-9 * (1.0 + float(np.abs(a).max()) + float(np.abs(b).max()))
    rows, columns = np.nonzero(gap <= best + slack)
    return min(best, float(triangle_distances(a[rows], b[columns]).min()))


def box_gaps(first: Floats, second: Floats) -> Floats:
    """Gaps (n, m) between the axis-aligned boxes of triangles (n, 3, 3) and (m, 3, 3)."""
    lo_a, hi_a = first.min(axis=1)[:, None], first.max(axis=1)[:, None]
    lo_b, hi_b = second.min(axis=1)[None], second.max(axis=1)[None]
    apart = np.maximum(np.maximum(lo_b - hi_a, lo_a - hi_b), 0.0)
    return np.asarray(np.sqrt((apart * apart).sum(axis=2)))


def winding_numbers(points: ArrayLike, vertices: Floats, faces: Ints) -> Floats:
    """Solid angle of a closed mesh over 4π, (n,): 1 inside, 0 outside for outward faces."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 1, 1, 3)
    a, b, c = np.moveaxis(vertices[faces][None] - points, 2, 0)
    la, lb, lc = (np.sqrt((v * v).sum(axis=-1)) for v in (a, b, c))
    volume = (a * np.cross(b, c)).sum(axis=-1)
    below = la * lb * lc + (a * b).sum(axis=-1) * lc + (b * c).sum(axis=-1) * la + (c * a).sum(axis=-1) * lb
    return np.asarray(np.arctan2(volume, below).sum(axis=1) / (2.0 * math.pi))


# ------------------------------------------------------------------ the oracle's own check

_FACES_OF_TRIANGLE = [face for size in (1, 2, 3) for face in itertools.combinations(range(3), size)]
Whole = list[int]


def exact_distance_squared(first: ArrayLike, second: ArrayLike) -> Fraction:
    """The squared distance of two triangles (3, 3) without any rounding.

    Every double is a fraction with a power of two below, so all corners become whole
    numbers. For each of the 7 × 7 choices of a corner, edge or face the stationary pair
    of its carriers is solved by Cramer's rule and kept when it lies inside both. Choices
    with a singular system are left out: their minimum lies on a smaller choice as well.
    """
    a, b, unit = _whole_corners(_triangles(first)[0], _triangles(second)[0])
    found = [
        value
        for face_a in _FACES_OF_TRIANGLE
        for face_b in _FACES_OF_TRIANGLE
        if (value := _stationary([a[i] for i in face_a], [b[j] for j in face_b])) is not None
    ]
    return min(found) * unit * unit


def _whole_corners(a: Floats, b: Floats) -> tuple[list[Whole], list[Whole], Fraction]:
    below = max(value.as_integer_ratio()[1] for value in map(float, (*a.ravel(), *b.ravel())))
    whole = [[int(Fraction(float(value)) * below) for value in corner] for corner in (*a, *b)]
    return whole[:3], whole[3:], Fraction(1, below)


def _stationary(a: list[Whole], b: list[Whole]) -> Fraction | None:
    """Least |x − y|² of x in the hull of a, y in the hull of b when it is stationary inside both."""
    columns = [_minus(p, a[0]) for p in a[1:]] + [_minus(b[0], q) for q in b[1:]]
    if len(columns) == 4:
        return None
    r = _minus(b[0], a[0])
    gram = [[_dot(u, v) for v in columns] for u in columns]
    right = [_dot(u, r) for u in columns]
    det = _determinant(gram)
    if det == 0:
        return None
    tops = [
        _determinant([[*row[:k], g, *row[k + 1 :]] for row, g in zip(gram, right, strict=True)])
        for k in range(len(columns))
    ]
    mine, theirs = tops[: len(a) - 1], tops[len(a) - 1 :]
    if min(tops, default=0) < 0 or sum(mine) > det or sum(theirs) > det:
        return None
    return Fraction(_dot(r, r) * det - sum(g * t for g, t in zip(right, tops, strict=True)), det)


def _minus(a: Whole, b: Whole) -> Whole:
    return [x - y for x, y in zip(a, b, strict=True)]


def _dot(a: Whole, b: Whole) -> int:
    return sum(x * y for x, y in zip(a, b, strict=True))


def _determinant(m: list[Whole]) -> int:
    if not m:
        return 1
    if len(m) == 1:
        return m[0][0]
    if len(m) == 2:
        return m[0][0] * m[1][1] - m[0][1] * m[1][0]
    minors = ([[row[c] for c in range(len(m)) if c != k] for row in m[1:]] for k in range(len(m)))
    return sum((-1) ** k * m[0][k] * _determinant(minor) for k, minor in enumerate(minors))
