"""The skin of a solid: where its points lie, how long its edges are, and what its two figures promise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.errors import InputError, InternalError
from fitcheck.geometry.inside import points_to_triangles
from fitcheck.geometry.skin import MOST_POINTS, lattice_points, skin
from fitcheck.geometry.solids import Solid, box, capsule, cylinder, sphere

TURN = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])

SOLIDS = {
    "box": box((0, 0, 0), (216, 35, 60)),
    "flange": box((0, 0, 0), (300, 80, 6)),
    "turned": box((-50, -20, -30), (50, 20, 30)).moved(TURN, (10, 20, 30)),
    "cylinder": cylinder((0, 0, 0), (300, 40, 0), 30),
    "sphere": sphere((1, 2, 3), 50),
    "capsule": capsule((0, 0, 0), (0, 200, 50), 20),
    "pipe": capsule((0, 0, 0), (400, 0, 0), 2.4),
    "tyre": capsule((0, -5, 0), (0, 5, 0), 95),
    "rounded": Solid(box((0, 0, 0), (100, 50, 30)).vertices, box((0, 0, 0), (1, 1, 1)).faces, 10.0, True),
}
ROUND = [name for name, solid in SOLIDS.items() if solid.radius_mm]


def area(points, faces):
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def volume(points, faces):
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.einsum("fi,fi->", a, np.cross(b, c)) / 6.0)


def longest(points, faces):
    return float(np.linalg.norm(points[faces] - points[faces[:, (1, 2, 0)]], axis=2).max())


@pytest.mark.parametrize("name", SOLIDS)
@pytest.mark.parametrize("spacing", [5.0, 13.0])
def test_no_edge_is_longer_than_the_spacing_and_the_cover_is_that_of_the_longest(name, spacing):
    made = skin(SOLIDS[name], spacing)
    assert longest(made.points_mm, made.faces) <= spacing * (1 + 1e-12)
    assert made.cover_mm <= spacing / math.sqrt(3.0) + made.off_mm + 1e-9


@pytest.mark.parametrize("name", SOLIDS)
@pytest.mark.parametrize("spacing", [5.0, np.inf])
def test_every_point_lies_on_the_true_surface(name, spacing):
    """The distance of a skin's point to the core's triangles is the ball's radius."""
    solid = SOLIDS[name]
    made = skin(solid, spacing)
    picked = made.points_mm[:: max(1, len(made.points_mm) // 1500)]
    gaps = points_to_triangles(picked, solid.vertices[solid.faces])
    assert np.abs(gaps - solid.radius_mm).max() <= 1e-9


@pytest.mark.parametrize("name", SOLIDS)
def test_the_skin_bounds_the_solid_once_and_faces_outward(name):
    """Closed form: the volume of a convex core grown by r; a chord's loss is no more than area · off."""
    solid = SOLIDS[name]
    made = skin(solid, 5.0)
    expected = {
        "box": 216 * 35 * 60,
        "flange": 300 * 80 * 6,
        "turned": 100 * 40 * 60,
        "sphere": 4 / 3 * math.pi * 50**3,
        "capsule": 4 / 3 * math.pi * 20**3 + math.pi * 20**2 * math.hypot(200, 50),
        "pipe": 4 / 3 * math.pi * 2.4**3 + math.pi * 2.4**2 * 400,
        "tyre": 4 / 3 * math.pi * 95**3 + math.pi * 95**2 * 10,
        "rounded": 100 * 50 * 30 + 2 * 10 * (5000 + 3000 + 1500) + math.pi * 100 * 180 + 4 / 3 * math.pi * 1000,
        "cylinder": volume(solid.vertices, solid.faces),
    }[name]
    size = area(made.points_mm, made.faces)
    assert -1e-6 * expected <= expected - volume(made.points_mm, made.faces) <= size * made.off_mm + 1e-6 * expected


@pytest.mark.parametrize("name", SOLIDS)
def test_no_point_of_the_true_surface_is_farther_than_the_cover_from_a_point(name):
    """Random points: on plain cores on the triangles, on grown ones pushed out from the core."""
    from scipy.spatial import cKDTree

    solid, rng = SOLIDS[name], np.random.default_rng(3)
    corners = solid.vertices[solid.faces]
    weights = rng.dirichlet(np.ones(3), (len(corners), max(1, 6000 // len(corners))))
    places = np.einsum("fnk,fki->fni", weights, corners).reshape(-1, 3)
    if solid.radius_mm:
        ways = rng.normal(size=(4000, 3))
        ways /= np.linalg.norm(ways, axis=1)[:, None]
        core = solid.vertices[(ways @ solid.vertices.T).argmax(axis=1)]
        places = core + solid.radius_mm * ways
    made = skin(solid, 7.0)
    assert cKDTree(made.points_mm).query(places)[0].max() <= made.cover_mm + 1e-9


@pytest.mark.parametrize("name", ROUND)
def test_off_is_the_sagitta(name):
    """No point of the triangles is farther inside the true surface than said, and for a sphere nearly so far."""
    solid = SOLIDS[name]
    made = skin(solid)
    corners = made.points_mm[made.faces]
    weights = np.random.default_rng(4).dirichlet(np.ones(3), 12)
    places = np.einsum("nk,fki->fni", weights, corners).reshape(-1, 3)
    depth = solid.radius_mm - points_to_triangles(places[:: max(1, len(places) // 4000)], solid.vertices[solid.faces])
    if name != "rounded":
        assert depth.max() <= made.off_mm + 1e-9
    centres = np.linalg.norm(corners.mean(axis=1) - (1, 2, 3), axis=1) if name == "sphere" else None
    assert centres is None or 50 - centres.min() >= 0.5 * made.off_mm


def test_a_mesh_to_look_at_is_round_enough():
    """Chord of 0.5 mm or 24 sides: a circle of radius r has its corners no farther apart than that allows."""
    made = skin(sphere((0, 0, 0), 300.0))
    equator = made.points_mm[np.abs(made.points_mm[:, 0]) < 1e-9]
    assert len(equator) >= math.pi / math.acos(1 - 0.5 / 300.0)
    assert len(skin(sphere((0, 0, 0), 0.3)).points_mm) >= 24


def test_a_slender_prism_needs_no_more_points_than_its_surface_asks_for():
    """Halving alone would make three needles of one and need fifteen times as many."""
    made = skin(cylinder((0, 0, 0), (1000, 0, 0), 30), 5.0)
    sides = 60  # the chord error of the solid makes strips 3 mm wide: a point every 4 mm along each
    assert len(made.points_mm) <= 2 * 2 * sides * 1000 / 3.5


def test_triangles_that_are_short_enough_stay_as_they_are():
    solid = box((0, 0, 0), (2, 2, 2))
    made = skin(solid, 5.0)
    assert np.array_equal(made.points_mm, solid.vertices)
    assert np.array_equal(made.faces, solid.faces)


def test_a_mesh_without_triangles_has_an_empty_skin():
    made = skin(Solid(np.empty((0, 3)), np.empty((0, 3), np.int32)), 5.0)
    assert (len(made.points_mm), len(made.faces), made.cover_mm) == (0, 0, 0.0)


def test_lattice_points_name_their_triangles_and_cover_them():
    rng = np.random.default_rng(5)
    corners = rng.uniform(0, 40, (30, 3, 3))
    points, rows = lattice_points(corners, 5.0)
    for k in range(30):
        places = rng.dirichlet(np.ones(3), 200) @ corners[k]
        own = points[rows == k]
        assert np.linalg.norm(places[:, None] - own[None], axis=2).min(axis=1).max() <= 5.0 / math.sqrt(3.0)
        assert points_to_triangles(own, corners[k][None]).max() <= 1e-9


@pytest.mark.parametrize("spacing", [0.0, -1.0, math.nan])
def test_a_spacing_that_is_none_is_refused(spacing):
    with pytest.raises(InternalError):
        skin(SOLIDS["box"], spacing)


@pytest.mark.parametrize("name", ["box", "cylinder", "sphere", "capsule"])
def test_a_spacing_that_would_fill_the_memory_is_refused_before_it_does(name):
    with pytest.raises(InputError, match=f"{MOST_POINTS:,} points"):
        skin(SOLIDS[name], 0.005)


def test_a_grown_core_that_is_not_convex_is_refused():
    with pytest.raises(InternalError, match="convex"):
        skin(Solid(SOLIDS["box"].vertices, SOLIDS["box"].faces, 5.0, convex=False), 5.0)
