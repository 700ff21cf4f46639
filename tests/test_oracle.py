"""The oracle that judges the program's distances is itself judged by exact arithmetic and closed forms."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import oracle
import pytest
import shapes
import triangle_pairs
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def exact(first: Floats, second: Floats) -> float:
    return math.sqrt(oracle.exact_distance_squared(first, second))


@pytest.mark.parametrize("kind", triangle_pairs.CATEGORIES)
def test_oracle_equals_exact_arithmetic_for_every_kind_of_pair(kind: str) -> None:
    """Coordinates are taken as the fractions they are: no rounding on the other road."""
    rng = np.random.default_rng(11)
    for offset_mm in (0.0, 1e4):
        first, second = triangle_pairs.turned(triangle_pairs.CATEGORIES[kind](rng, 40), rng, offset_mm)
        found = oracle.triangle_distances(first, second)
        truth = np.array([exact(a, b) for a, b in zip(first, second, strict=True)])
        assert np.abs(found - truth).max() < 2e-12


def test_oracle_equals_exact_arithmetic_on_small_whole_numbers() -> None:
    """A 5 × 5 × 5 grid of corners makes every special position common: flat, in line, touching, doubled."""
    rng = np.random.default_rng(12)
    pairs = rng.integers(-2, 3, size=(600, 2, 3, 3)).astype(float)
    found = oracle.triangle_distances(pairs[:, 0], pairs[:, 1])
    squared = [oracle.exact_distance_squared(a, b) for a, b in pairs]
    assert np.abs(found - np.sqrt(np.array(squared, dtype=float))).max() < 1e-14
    assert sum(value == 0 for value in squared) > 50
    assert sum(value > 0 for value in squared) > 50


def test_exact_arithmetic_knows_closed_forms() -> None:
    """Unit triangles a height apart: 1. The skew face diagonals of a cube: 1/3 squared. Closed form."""
    lower = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    assert oracle.exact_distance_squared(lower, lower + [0, 0, 1]) == 1
    skew = np.array([[0.0, 0, 0], [1, 0, 1], [1, 0, -1]]), np.array([[0.0, 0, 1], [1, 1, 1], [0, 1, 2]])
    assert oracle.exact_distance_squared(*skew) == Fraction(1, 3)


@pytest.mark.parametrize("kind", sorted(triangle_pairs.CONTACT))
def test_kinds_made_to_touch_do_touch(kind: str) -> None:
    rng = np.random.default_rng(13)
    first, second = triangle_pairs.turned(triangle_pairs.CATEGORIES[kind](rng, 500), rng)
    assert oracle.triangle_distances(first, second).max() < 1e-12


def test_near_kinds_are_as_near_as_they_were_made() -> None:
    """A corner g over the inside of a face is g away (closed form)."""
    rng = np.random.default_rng(14)
    first, second = triangle_pairs.near_corner_over_face(rng, 500)
    assert np.abs(oracle.triangle_distances(first, second) - second[..., 2].min(axis=1)).max() < 1e-13


@pytest.mark.parametrize("kind", triangle_pairs.CATEGORIES)
def test_witnesses_lie_on_their_triangles_at_the_stated_distance(kind: str) -> None:
    rng = np.random.default_rng(15)
    first, second = triangle_pairs.turned(triangle_pairs.CATEGORIES[kind](rng, 200), rng, 100.0)
    distance, on_first, on_second = oracle.triangle_witnesses(first, second)
    assert np.abs(np.linalg.norm(on_first - on_second, axis=1) - distance).max() < 1e-11
    assert oracle.point_triangle_distances(on_first, first).max() < 1e-11
    assert oracle.point_triangle_distances(on_second, second).max() < 1e-11


def test_point_to_triangle_equals_exact_arithmetic() -> None:
    """Face, three edges and three corners as nearest feature, whole-number corners."""
    rng = np.random.default_rng(16)
    points = rng.integers(-4, 5, size=(300, 3)).astype(float)
    triangles = rng.integers(-2, 3, size=(300, 3, 3)).astype(float)
    truth = [exact(np.tile(p, (3, 1)), t) for p, t in zip(points, triangles, strict=True)]
    assert np.abs(oracle.point_triangle_distances(points, triangles) - truth).max() < 1e-14


def test_mesh_distance_skips_no_pair_that_matters() -> None:
    """With and without leaving out far pairs: the same number."""
    rng = np.random.default_rng(17)
    for kind in ("box", "sphere", "dirty", "needle_cylinder"):
        first, second = shapes.ZOO[kind](rng), shapes.moved(shapes.ZOO["noisy_sheet"](rng), rng, 150.0)
        a, b = first[0][first[1]], second[0][second[1]]
        rows, columns = np.indices((len(a), len(b))).reshape(2, -1)
        every = oracle.triangle_distances(a[rows], b[columns]).min()
        assert oracle.mesh_distance(first, second) == pytest.approx(every, abs=1e-12)


@pytest.mark.parametrize("kind", ["box", "cylinder", "sphere", "torus", "needle_cylinder"])
def test_winding_number_tells_inside_from_outside(kind: str) -> None:
    """A point just under a face counts 1, just over it 0, whatever the shape: faces wind outward."""
    vertices, faces = shapes.ZOO[kind](np.random.default_rng(18))
    corners = vertices[faces][::7]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    centre = corners.mean(axis=1)
    assert np.abs(oracle.winding_numbers(centre - 1e-3 * normal, vertices, faces) - 1.0).max() < 1e-6
    assert np.abs(oracle.winding_numbers(centre + 1e-3 * normal, vertices, faces)).max() < 1e-6


def test_points_to_mesh_of_a_box_is_the_box_formula() -> None:
    """Distance of a point outside an axis-parallel box: root of the squared overshoots (closed form)."""
    rng = np.random.default_rng(19)
    vertices, faces = shapes.box_mesh((-10, -20, -30), (10, 20, 30))
    points = rng.uniform(-80, 80, size=(400, 3))
    over = np.maximum(np.abs(points) - [10, 20, 30], 0.0)
    outside = (over > 0).any(axis=1)
    found = oracle.points_to_mesh(points, vertices, faces)
    assert np.abs(found - np.linalg.norm(over, axis=1))[outside].max() < 1e-12
    assert (found[~outside] > 0).all()
