"""Pairs of triangles by kind: each generator gives two (n, 3, 3) arrays from a seeded source of chance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Pairs = tuple[Floats, Floats]
Chance = np.random.Generator


def rotations(rng: Chance, n: int) -> Floats:
    """Random proper rotations (n, 3, 3) from unit quaternions."""
    q = rng.normal(size=(n, 4))
    w, x, y, z = (q / np.linalg.norm(q, axis=1, keepdims=True)).T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), 2, 0)


def turned(pairs: Pairs, rng: Chance, offset_mm: float = 0.0) -> Pairs:
    """Each pair turned at random together and shifted by up to ``offset_mm`` in each axis."""
    a, b = pairs
    turn = rotations(rng, len(a))
    shift = rng.uniform(-offset_mm, offset_mm, size=(len(a), 1, 3))
    return a @ turn.transpose(0, 2, 1) + shift, b @ turn.transpose(0, 2, 1) + shift


def _sizes(rng: Chance, n: int) -> Floats:
    return 10.0 ** rng.uniform(0.0, 2.0, size=(n, 1, 1))


def _any(rng: Chance, n: int) -> Floats:
    return rng.normal(size=(n, 3, 3)) * _sizes(rng, n)


def _flat(rng: Chance, n: int) -> Floats:
    """Triangles in z = 0 around the origin, corners at well spread angles."""
    angle = rng.uniform(0, 2 * np.pi, size=(n, 1)) + np.array([0.0, 2.1, 4.2]) + rng.uniform(-0.6, 0.6, size=(n, 3))
    reach = rng.uniform(0.5, 1.0, size=(n, 3))
    corners = np.stack([reach * np.cos(angle), reach * np.sin(angle), np.zeros((n, 3))], axis=2)
    return corners * _sizes(rng, n)


def _inner(triangles: Floats, rng: Chance) -> Floats:
    """A point (n, 1, 3) well inside each triangle."""
    weight = rng.dirichlet(np.full(3, 6.0), size=len(triangles))[:, None]
    return weight @ triangles


def _above(rng: Chance, n: int, gap_mm: Floats) -> Pairs:
    """A corner of the second stands ``gap_mm`` over the inside of the first, the rest higher."""
    a = _flat(rng, n)
    b = rng.normal(size=(n, 3, 3)) * _sizes(rng, n)
    b[..., 2] = np.abs(b[..., 2])
    b[:, 0] = 0.0
    b = b + _inner(a, rng)
    b[..., 2] += gap_mm[:, None]
    return a, b


def random(rng: Chance, n: int) -> Pairs:
    return _any(rng, n), _any(rng, n) + rng.normal(size=(n, 1, 3)) * 100.0


def near_corner_over_face(rng: Chance, n: int) -> Pairs:
    return _above(rng, n, 10.0 ** rng.uniform(-9, -1, size=n))


def touching_corner_on_face(rng: Chance, n: int) -> Pairs:
    return _above(rng, n, np.zeros(n))


def near_edges(rng: Chance, n: int) -> Pairs:
    """Two edges that pass each other at a tiny gap."""
    size = _sizes(rng, n)[:, 0]
    gap = 10.0 ** rng.uniform(-9, -1, size=n)
    angle = rng.uniform(0.2, 2.9, size=n)
    along = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1)
    a = np.stack([np.tile([-1.0, 0, 0], (n, 1)), np.tile([1.0, 0, 0], (n, 1)), rng.normal(size=(n, 3))], axis=1)
    b = np.stack([-along, along, rng.normal(size=(n, 3))], axis=1)
    a[:, 2, 2], b[:, 2, 2] = -np.abs(a[:, 2, 2]), np.abs(b[:, 2, 2])
    b = b * size[:, None]
    b[..., 2] += gap[:, None]
    return a * size[:, None], b


def crossing(rng: Chance, n: int) -> Pairs:
    """An edge of the second goes through the inside of the first."""
    a = _flat(rng, n)
    through = rng.normal(size=(n, 1, 3)) * _sizes(rng, n)
    point = _inner(a, rng)
    third = rng.normal(size=(n, 1, 3)) * _sizes(rng, n) + point
    lengths = rng.uniform(0.05, 1.0, size=(2, n, 1, 1))
    return a, np.concatenate([point + lengths[0] * through, point - lengths[1] * through, third], axis=1)


def coplanar_apart(rng: Chance, n: int) -> Pairs:
    a, b = _flat(rng, n), _flat(rng, n)
    b[..., 0] += (a[..., 0].max(axis=1) - b[..., 0].min(axis=1) + 10.0 ** rng.uniform(-6, 2, size=n))[:, None]
    return a, b


def coplanar_contained(rng: Chance, n: int) -> Pairs:
    """The second wholly inside the first, in its plane: no edges cross and the distance is 0."""
    a = _flat(rng, n)
    return a, _inner(a, rng) + (_flat(rng, n) / 100.0) * 0.02 * np.abs(a).max(axis=(1, 2))[:, None, None]


def coplanar_overlapping(rng: Chance, n: int) -> Pairs:
    a = _flat(rng, n)
    return a, _inner(a, rng) + _flat(rng, n)


def coplanar_touching(rng: Chance, n: int) -> Pairs:
    """In one plane, a corner of the second on an edge of the first, the rest beyond it."""
    a = _flat(rng, n)
    out = np.stack([a[:, 1, 1] - a[:, 0, 1], a[:, 0, 0] - a[:, 1, 0], np.zeros(n)], axis=1)
    share = rng.uniform(0.1, 0.9, size=(n, 1))
    corner = a[:, 0] + share * (a[:, 1] - a[:, 0])
    along = a[:, 1] - a[:, 0]
    step = rng.uniform(0.2, 2.0, size=(n, 2, 1))
    side = rng.uniform(-1.0, 1.0, size=(n, 2, 1))
    return a, np.stack(
        [corner, corner + step[:, 0] * out + side[:, 0] * along, corner + step[:, 1] * out + side[:, 1] * along], axis=1
    )


def shared_corner(rng: Chance, n: int) -> Pairs:
    a, b = _any(rng, n), _any(rng, n)
    b[:, 0] = a[:, 0]
    return a, b


def shared_edge(rng: Chance, n: int) -> Pairs:
    a, b = _any(rng, n), _any(rng, n)
    b[:, 0], b[:, 1] = a[:, 1], a[:, 0]
    return a, b


def identical(rng: Chance, n: int) -> Pairs:
    a = _any(rng, n)
    return a, a[:, [1, 2, 0]].copy()


def _edges_at_angle(rng: Chance, n: int, angle_rad: Floats) -> Pairs:
    """Two edges one over the other, their directions ``angle_rad`` apart."""
    size = _sizes(rng, n)
    start = rng.uniform(-1.5, 1.5, size=(n, 2))
    a = np.zeros((n, 3, 3))
    a[:, 1, 0], a[:, 2] = 1.0, rng.normal(size=(n, 3))
    a[:, 2, 2] = -np.abs(a[:, 2, 2])
    b = np.zeros((n, 3, 3))
    b[:, 0, 0] = start[:, 0]
    along = np.stack([np.cos(angle_rad), np.sin(angle_rad), np.zeros(n)], axis=1)
    b[:, 1] = b[:, 0] + along * rng.uniform(0.2, 2.0, size=(n, 1))
    b[:, 2] = rng.normal(size=(n, 3))
    b[:, 2, 2] = np.abs(b[:, 2, 2])
    b[..., 2] += rng.uniform(0.0, 0.5, size=(n, 1))
    b[..., 1] += rng.uniform(-0.5, 0.5, size=(n, 1))
    return a * size, b * size


def parallel_edges(rng: Chance, n: int) -> Pairs:
    return _edges_at_angle(rng, n, np.zeros(n))


def near_parallel_edges(rng: Chance, n: int) -> Pairs:
    return _edges_at_angle(rng, n, 10.0 ** rng.uniform(-10, -8, size=n))


def parallel_planes(rng: Chance, n: int) -> Pairs:
    a, b = _flat(rng, n), _flat(rng, n)
    b[..., :2] += rng.normal(size=(n, 1, 2)) * 20.0
    b[..., 2] += rng.uniform(0.0, 10.0, size=(n, 1))
    return a, b


def needle(rng: Chance, n: int) -> Pairs:
    """Slivers 100 long with an altitude of 1e-9 to 1e-3, near each other."""
    return _sliver(rng, n), _sliver(rng, n) + rng.normal(size=(n, 1, 3)) * 10.0 ** rng.uniform(-6, 1.5, size=(n, 1, 1))


def _sliver(rng: Chance, n: int) -> Floats:
    along = rng.normal(size=(n, 3))
    along *= 50.0 / np.linalg.norm(along, axis=1, keepdims=True)
    aside = np.cross(along, rng.normal(size=(n, 3)))
    aside *= 10.0 ** rng.uniform(-9, -3, size=(n, 1)) / np.linalg.norm(aside, axis=1, keepdims=True)
    return np.stack([-along, along, rng.uniform(-0.9, 0.9, size=(n, 1)) * along + aside], axis=1)


def needle_to_face(rng: Chance, n: int) -> Pairs:
    return _any(rng, n), _sliver(rng, n) + rng.normal(size=(n, 1, 3)) * 30.0


def zero_area_in_line(rng: Chance, n: int) -> Pairs:
    """The second has three different corners in line: a segment that must not be dropped."""
    a, b = _any(rng, n), _any(rng, n)
    b[:, 2] = b[:, 0] + rng.integers(-4, 9, size=(n, 1)) / 4.0 * (b[:, 1] - b[:, 0])
    return a, b + rng.normal(size=(n, 1, 3)) * 30.0


def duplicate_corner(rng: Chance, n: int) -> Pairs:
    a, b = _any(rng, n), _any(rng, n)
    b[:, 2] = b[:, 1]
    a[::2, 1] = a[::2, 0]
    return a, b + rng.normal(size=(n, 1, 3)) * 30.0


def single_point(rng: Chance, n: int) -> Pairs:
    a, b = _any(rng, n), np.repeat(rng.normal(size=(n, 1, 3)) * 50.0, 3, axis=1)
    a[::3] = a[::3, :1]
    return a, b


def tiny(rng: Chance, n: int) -> Pairs:
    """Triangles of about 1e-3 mm, as far apart as they are large."""
    return rng.normal(size=(n, 3, 3)) * 1e-3, rng.normal(size=(n, 3, 3)) * 1e-3 + rng.normal(size=(n, 1, 3)) * 2e-3


def large_and_small(rng: Chance, n: int) -> Pairs:
    return rng.normal(size=(n, 3, 3)) * 1000.0, rng.normal(size=(n, 3, 3)) + rng.normal(size=(n, 1, 3)) * 500.0


CATEGORIES: dict[str, Callable[[Chance, int], Pairs]] = {
    generator.__name__: generator
    for generator in (
        random, near_corner_over_face, touching_corner_on_face, near_edges, crossing, coplanar_apart,
        coplanar_contained, coplanar_overlapping, coplanar_touching, shared_corner, shared_edge, identical,
        parallel_edges, near_parallel_edges, parallel_planes, needle, needle_to_face, zero_area_in_line,
        duplicate_corner, single_point, tiny, large_and_small,
    )
}  # fmt: skip

CONTACT = frozenset(
    {"touching_corner_on_face", "crossing", "coplanar_contained", "coplanar_overlapping", "coplanar_touching",
     "shared_corner", "shared_edge", "identical"}
)  # fmt: skip
"""Kinds whose distance is 0 by construction, up to the rounding of a turn."""
