"""A reduced surface: what is kept, what it may move, and how figures are carried over."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from fitcheck.geometry.reduce import further, reduce_surface
from fitcheck.geometry.surface import tile_surface


def ball(subdivisions: int = 6) -> tuple[np.ndarray, np.ndarray]:
    made = trimesh.creation.icosphere(subdivisions=subdivisions, radius=500.0)
    return np.asarray(made.vertices) + [3.0, -40.0, 700.0], np.asarray(made.faces)


SURFACE = tile_surface(*ball())
FEW = reduce_surface(SURFACE, 8000)


def test_a_small_surface_is_left_as_it_is():
    same = reduce_surface(SURFACE, SURFACE.triangle_count)
    assert same.cell_mm == 0.0
    assert np.array_equal(same.points_mm, SURFACE.vertices)
    assert np.array_equal(same.faces, SURFACE.faces)
    assert np.array_equal(same.parent, np.arange(len(SURFACE.vertices)))


def test_there_are_about_as_many_triangles_as_asked():
    assert 6000 <= len(FEW.faces) <= 10000


def test_no_vertex_moves_by_more_than_the_cubes_diagonal():
    moved = np.linalg.norm(FEW.points_mm[FEW.parent] - SURFACE.vertices, axis=1)
    assert 0.0 < moved.max() <= np.sqrt(3.0) * FEW.cell_mm


def test_no_triangle_is_doubled_or_without_three_corners_and_all_face_outward():
    assert len({tuple(face) for face in FEW.faces}) == len(FEW.faces)
    assert (FEW.faces.argmin(axis=1) == 0).all()  # so a turned double would have been seen
    assert (np.diff(np.sort(FEW.faces, axis=1), axis=1) > 0).all()
    triangles = FEW.points_mm[FEW.faces] - [3.0, -40.0, 700.0]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    outward = np.einsum("fi,fi->f", normals, triangles.mean(axis=1)) > 0.0
    assert outward.mean() > 0.99


def test_area_and_volume_are_nearly_those_of_the_ball():
    """Closed form: 4πr² and 4πr³/3."""
    mesh = trimesh.Trimesh(FEW.points_mm, FEW.faces, process=False)
    assert mesh.area == pytest.approx(4.0 * np.pi * 500.0**2, rel=0.02)
    assert mesh.volume == pytest.approx(4.0 / 3.0 * np.pi * 500.0**3, rel=0.02)


def test_the_least_figure_of_a_cluster_is_carried_and_nothing_else():
    random = np.random.default_rng(2)
    rows = random.choice(len(SURFACE.vertices), 3000, replace=False)
    values = random.uniform(0.0, 4.0, 3000)
    carried = FEW.least(rows, values, 9.0)
    for point in range(0, len(FEW.points_mm), 97):
        mine = values[FEW.parent[rows] == point]
        assert carried[point] == (mine.min() if len(mine) else 9.0)
    assert carried.min() == values.min()


def test_reducing_further_keeps_parents_and_bound():
    fewer = further(FEW, 1000)
    assert 600 <= len(fewer.faces) <= 1600
    assert fewer.parent.shape == (len(SURFACE.vertices),)
    moved = np.linalg.norm(fewer.points_mm[fewer.parent] - SURFACE.vertices, axis=1)
    assert moved.max() <= np.sqrt(3.0) * fewer.cell_mm
    carried = fewer.least(np.array([5]), np.array([1.5]), 4.0)
    assert np.flatnonzero(carried == 1.5).tolist() == [fewer.parent[5]]


def test_an_empty_surface_stays_empty():
    none = reduce_surface(tile_surface(np.empty((0, 3)), np.empty((0, 3), np.int32)), 10)
    assert len(none.points_mm) == len(none.faces) == 0
