"""A zoo of named shapes as meshes (vertices (n, 3), faces (m, 3)), made without the program's own solids.

Closed shapes wind outward. ``ZOO`` maps a name to a maker that takes a seeded source of chance.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from triangle_pairs import rotations

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Mesh = tuple[Floats, Faces]
Chance = np.random.Generator


def box_mesh(lo: ArrayLike, hi: ArrayLike) -> Mesh:
    """An axis-parallel box, 12 faces outward, by splitting six quads."""
    lo, hi = np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)
    corner = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=np.float64)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))]
    return lo + corner * (hi - lo), np.array(faces, dtype=np.int32)


def cylinder_mesh(radius_mm: float, length_mm: float, sides: int) -> Mesh:
    """A prism inscribed in a cylinder along z, with two centre points for its ends."""
    turn = 2.0 * np.pi * np.arange(sides) / sides
    ring = radius_mm * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    low = np.column_stack([ring, np.full(sides, -length_mm / 2)])
    high = np.column_stack([ring, np.full(sides, length_mm / 2)])
    ends = np.array([[0, 0, -length_mm / 2], [0, 0, length_mm / 2]])
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    low_end, high_end = np.full(sides, 2 * sides), np.full(sides, 2 * sides + 1)
    faces = [(i, j, j + sides), (i, j + sides, i + sides), (j, i, low_end), (i + sides, j + sides, high_end)]
    return np.concatenate([low, high, ends]), np.concatenate([np.stack(f, axis=1) for f in faces]).astype(np.int32)


def sphere_mesh(radius_mm: float, rings: int, sides: int) -> Mesh:
    """A sphere by latitude and longitude, corners on the sphere."""
    polar = np.pi * np.arange(1, rings) / rings
    turn = 2.0 * np.pi * np.arange(sides) / sides
    grid = np.stack(
        [
            np.outer(np.sin(polar), np.cos(turn)),
            np.outer(np.sin(polar), np.sin(turn)),
            np.outer(np.cos(polar), np.ones(sides)),
        ],
        axis=2,
    ).reshape(-1, 3)
    top, bottom = len(grid), len(grid) + 1
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    faces = [np.stack([np.full(sides, top), i, j], axis=1)]
    for ring in range(rings - 2):
        a, b, c, d = ring * sides + i, ring * sides + j, (ring + 1) * sides + i, (ring + 1) * sides + j
        faces += [np.stack([a, c, d], axis=1), np.stack([a, d, b], axis=1)]
    last = (rings - 2) * sides
    faces.append(np.stack([last + i, np.full(sides, bottom), last + j], axis=1))
    return radius_mm * np.concatenate([grid, [[0, 0, 1.0], [0, 0, -1.0]]]), np.concatenate(faces).astype(np.int32)


def sheet_mesh(size_mm: float, cells: int, noise_mm: float, rng: Chance) -> Mesh:
    """An open square sheet in z = 0, its inner points lifted at random by ``noise_mm`` (one sigma)."""
    line = np.linspace(-size_mm / 2, size_mm / 2, cells + 1)
    x, y = np.meshgrid(line, line, indexing="ij")
    vertices = np.stack([x.ravel(), y.ravel(), noise_mm * rng.normal(size=x.size)], axis=1)
    a = (np.arange(cells)[:, None] * (cells + 1) + np.arange(cells)).ravel()
    b, c, d = a + 1, a + cells + 1, a + cells + 2
    return vertices, np.concatenate([np.stack([a, c, d], axis=1), np.stack([a, d, b], axis=1)]).astype(np.int32)


def moved(mesh: Mesh, rng: Chance, reach_mm: float) -> Mesh:
    """Turned at random and shifted by up to ``reach_mm`` in each axis."""
    vertices, faces = mesh
    return vertices @ rotations(rng, 1)[0].T + rng.uniform(-reach_mm, reach_mm, size=3), faces


def _box(rng: Chance) -> Mesh:
    half = rng.uniform(5, 150, size=3)
    return box_mesh(-half, half)


def _cylinder(rng: Chance) -> Mesh:
    return cylinder_mesh(rng.uniform(10, 80), rng.uniform(20, 400), int(rng.integers(8, 49)))


def _needle_cylinder(rng: Chance) -> Mesh:
    return cylinder_mesh(rng.uniform(0.01, 1.0), rng.uniform(200, 2000), int(rng.integers(6, 25)))


def _sphere(rng: Chance) -> Mesh:
    return sphere_mesh(rng.uniform(10, 120), int(rng.integers(6, 13)), int(rng.integers(8, 25)))


def _torus(rng: Chance) -> Mesh:
    import trimesh

    major = rng.uniform(40, 120)
    mesh = trimesh.creation.torus(major, rng.uniform(0.1, 0.5) * major, major_sections=20, minor_sections=12)
    return np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.int32)


def _noisy_sheet(rng: Chance) -> Mesh:
    return sheet_mesh(rng.uniform(50, 200), 11, rng.uniform(0.1, 2.0), rng)


def _flat_sheet(rng: Chance) -> Mesh:
    return sheet_mesh(rng.uniform(50, 200), 11, 0.0, rng)


def _dirty(rng: Chance) -> Mesh:
    """A noisy sheet with doubled triangles, doubled corners, three corners in line, and lone points."""
    vertices, faces = _noisy_sheet(rng)
    faces = faces.copy()
    faces[::9, 2] = faces[::9, 1]
    faces[4::17] = faces[4::17, :1]
    middle = (vertices[faces[2::13, 0]] + vertices[faces[2::13, 1]]) / 2
    in_line = np.column_stack([faces[2::13, :2], len(vertices) + np.arange(len(middle))])
    return np.concatenate([vertices, middle]), np.concatenate([faces, faces[:20], in_line]).astype(np.int32)


ZOO: dict[str, Callable[[Chance], Mesh]] = {
    "box": _box,
    "cylinder": _cylinder,
    "needle_cylinder": _needle_cylinder,
    "sphere": _sphere,
    "torus": _torus,
    "noisy_sheet": _noisy_sheet,
    "flat_sheet": _flat_sheet,
    "dirty": _dirty,
}
