"""Lines of sight: thinning covers the surface, no line through metal is called free, cells become boxes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapes import ZOO, box_mesh, cylinder_mesh

from fitcheck.geometry.inside import points_to_triangles
from fitcheck.geometry.sight import NOBODY, cone_directions, look, merged_boxes, spread_directions, thinned

REACH_MM = 10.0
WIDE_MM = 20.0  # for scenes of many square metres
UP, DOWN = np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, -1.0])


def free_lines(points, ways, corners):
    """(n, d): whether the half line from each point along each way misses all triangles.

    Source: Möller and Trumbore 1997, in plain numpy; a hit on an edge is a hit, parallel triangles are missed.
    """
    a, e1, e2 = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    free = np.ones((len(points), len(ways)), dtype=bool)
    for number, way in enumerate(ways):
        p = np.cross(way, e2)
        det = np.einsum("fi,fi->f", e1, p)
        with np.errstate(divide="ignore", invalid="ignore"):
            s = points[:, None] - a[None]
            u = np.einsum("nfi,fi->nf", s, p) / det
            q = np.cross(s, e1[None])
            v = q @ way / det
            t = np.einsum("nfi,fi->nf", q, e2) / det
            hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0) & (np.abs(det) > 1e-12)
        free[:, number] = ~hit.any(axis=1)
    return free


def some_scene(rng, count=14):
    """Boxes, open or closed, within two metres: corners (m, 3, 3) of their triangles."""
    found = []
    for _ in range(count):
        size, at = rng.uniform(5.0, 1300.0, 3), rng.uniform(-700.0, 700.0, 3)
        vertices, faces = box_mesh(at - size / 2, at + size / 2)
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        found.append((vertices @ turn.T)[faces[2 * rng.integers(0, 4) :]])
    return np.concatenate(found)


def as_mesh(corners):
    return corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)


# -- directions --


@pytest.mark.parametrize("axis", np.vstack([np.eye(3), -np.eye(3)]))
def test_a_cone_holds_its_axis_and_reaches_its_rim_and_no_further(axis):
    ways = cone_directions(axis, 60.0, 20.0)
    lean = np.degrees(np.arccos(np.clip(ways @ axis, -1, 1)))
    assert np.allclose(np.linalg.norm(ways, axis=1), 1.0)
    assert (ways[0] == axis).all()
    assert lean.max() == pytest.approx(60.0)
    assert sorted(set(lean.round(6))) == pytest.approx([0, 20, 40, 60])


def test_no_direction_of_a_cone_is_further_than_a_step_from_one_that_is_looked_along():
    """Within 0.75 steps: half the diagonal of a square of one step, a little more at the rim."""
    ways = cone_directions(UP, 60.0, 20.0)
    rng = np.random.default_rng(4)
    some = rng.normal(size=(4000, 3))
    some /= np.linalg.norm(some, axis=1)[:, None]
    some = some[some @ UP >= math.cos(math.radians(60))]
    assert np.degrees(np.arccos((some @ ways.T).max(axis=1))).max() <= 15.0


def test_a_cone_to_one_side_is_the_mirror_image_of_that_to_the_other():
    left, right = cone_directions(np.array([0.0, -1, 0]), 60, 20), cone_directions(np.array([0.0, 1, 0]), 60, 20)
    assert sorted((left * [1, -1, 1]).round(9).tolist()) == sorted(right.round(9).tolist())


def test_overlapping_cones_share_directions_and_lose_no_axis():
    cones = [cone_directions(axis, 60.0, 20.0) for axis in (DOWN, np.array([0.0, -1, 0]))]
    ways = spread_directions(cones, 12.0)
    assert (ways[:2] == [DOWN, [0, -1, 0]]).all()
    gaps = ways @ ways.T - 2 * np.eye(len(ways))
    assert np.degrees(np.arccos(gaps.max())) >= 12.0 - 1e-6
    assert len(ways) < len(cones[0]) + len(cones[1])
    every = np.concatenate(cones)
    assert np.degrees(np.arccos(np.clip((every @ ways.T).max(axis=1), -1, 1))).max() <= 12.0
    assert spread_directions([], 12.0).shape == (0, 3)


# -- thinning --


@pytest.mark.parametrize("name", sorted(ZOO))
@pytest.mark.parametrize("reach_mm", [6.0, 15.0])
def test_every_point_of_a_surface_is_within_reach_of_a_thinned_one(name, reach_mm):
    vertices, faces = ZOO[name](np.random.default_rng(5))
    points = thinned(vertices, faces, reach_mm).astype(np.float64)
    rng = np.random.default_rng(6)
    weights = rng.dirichlet(np.ones(3), (600, 1))
    every = np.matmul(weights, vertices[faces[rng.integers(0, len(faces), 600)]])[:, 0]
    gaps = np.array([np.linalg.norm(points - some, axis=1).min() for some in every])
    assert gaps.max() <= reach_mm
    assert points_to_triangles(points[::5], vertices[faces]).max() <= 0.44 * reach_mm


@pytest.mark.parametrize(
    "triangle",
    [
        [[0, 0, 0], [3000, 1, 0], [3000, 0, 0]],  # a needle
        [[0, 0, 0], [2000, 0, 0], [0, 1500, 300]],  # a large one
        [[0, 0, 0], [90, 0, 0], [0, 90, 0]],  # a few steps
        [[0, 0, 0], [500, 0, 0], [500, 0, 0]],  # a line
        [[7, 7, 7], [7, 7, 7], [7, 7, 7]],  # a point
    ],
)
def test_large_triangles_needles_and_flat_ones_are_covered(triangle):
    corners = np.array([triangle], dtype=np.float64)
    points = thinned(*as_mesh(corners), REACH_MM).astype(np.float64)
    weights = np.random.default_rng(1).dirichlet(np.ones(3), 300)
    gaps = [np.linalg.norm(points - some, axis=1).min() for some in weights @ corners[0]]
    assert max(gaps) <= REACH_MM


def test_corners_that_no_face_names_hide_nothing_and_no_faces_give_no_points():
    vertices = np.array([[0.0, 0, 0], [5, 0, 0], [0, 5, 0], [0, 0, 900]])
    assert thinned(vertices, np.array([[0, 1, 2]], dtype=np.int32), REACH_MM)[:, 2].max() < 10
    assert thinned(vertices, np.empty((0, 3), np.int32), REACH_MM).shape == (0, 3)


# -- looking --


@pytest.mark.parametrize("seed", range(3))
def test_no_cell_is_called_seen_without_an_exactly_free_line_along_one_of_the_directions(seed):
    rng = np.random.default_rng(seed)
    corners = some_scene(rng)
    ways = cone_directions(np.eye(3)[seed % 3], 60.0, 20.0)
    cells = rng.uniform(-900.0, 900.0, (400, 3))
    sight = look(cells, thinned(*as_mesh(corners), WIDE_MM), [], directions=ways, reach_mm=WIDE_MM)
    truth = free_lines(cells, ways, corners).any(axis=1)
    assert not (sight.seen & ~truth).any()
    assert 50 < (~truth).sum() < 350
    assert (truth & ~sight.seen).sum() <= 0.15 * len(cells)  # the harmless side: gaps of less than three reaches


@pytest.mark.parametrize("seed", range(2))
def test_a_cell_behind_a_thing_has_a_line_that_is_free_of_the_surface_and_none_that_is_free_of_all(seed):
    rng = np.random.default_rng(10 + seed)
    metal, one, other = some_scene(rng, 5), some_scene(rng, 4), some_scene(rng, 4)
    ways = cone_directions(DOWN, 60.0, 20.0)
    cells = rng.uniform(-900.0, 900.0, (400, 3))
    points = [thinned(*as_mesh(some), WIDE_MM) for some in (metal, one, other)]
    sight = look(cells, points[0], points[1:], directions=ways, reach_mm=WIDE_MM)
    alone = [look(cells, points[0], [points[k]], directions=ways, reach_mm=WIDE_MM).seen for k in (1, 2)]
    hidden = sight.behind != NOBODY
    assert hidden.sum() > 20
    assert free_lines(cells[hidden], ways, metal).any(axis=1).all()
    assert not sight.seen[hidden].any()
    for k in (0, 1):  # with the other one alone it would be seen, or both are in the way along all lines free of metal
        rows = sight.behind == k
        assert (alone[1 - k][rows] | ~alone[k][rows]).all()
    assert not (sight.seen & ~(alone[0] & alone[1])).any()


def test_a_larger_share_of_directions_sees_no_less():
    corners = some_scene(np.random.default_rng(3))
    points = thinned(*as_mesh(corners), WIDE_MM)
    cells = np.random.default_rng(2).uniform(-900.0, 900.0, (3000, 3))
    ways = cone_directions(UP, 60.0, 20.0)
    few = look(cells, points, [], directions=ways[::3], reach_mm=WIDE_MM).seen
    many = look(cells, points, [], directions=ways, reach_mm=WIDE_MM).seen
    assert (many | ~few).all()
    assert many.sum() > few.sum()


@pytest.mark.parametrize(("gap_mm", "through"), [(20.0, False), (60.0, True)])
def test_a_gap_of_two_reaches_is_not_looked_through_and_one_of_six_is(gap_mm, through):
    sheets = [box_mesh([-500, -500, 0], [-gap_mm / 2, 500, 1]), box_mesh([gap_mm / 2, -500, 0], [500, 500, 1])]
    corners = np.concatenate([v[f] for v, f in sheets])
    points = thinned(*as_mesh(corners), REACH_MM)
    sight = look(np.array([[0.0, 0, 100]]), points, [], directions=DOWN[None], reach_mm=REACH_MM)
    assert sight.seen[0] == through


def test_nothing_hides_nothing_and_no_direction_sees_nothing():
    none, cells = np.empty((0, 3), np.float32), np.zeros((3, 3))
    assert look(cells, none, [none], directions=UP[None], reach_mm=REACH_MM).seen.all()
    assert not look(cells, none, [], directions=np.empty((0, 3)), reach_mm=REACH_MM).seen.any()
    assert len(look(np.empty((0, 3)), none, [], directions=UP[None], reach_mm=REACH_MM).seen) == 0


def test_a_pipe_hides_as_far_as_its_radius_over_the_sine_of_the_cone():
    """Closed form: tangents of a circle of radius r at ± θ from the axis meet at r / sin θ from its middle."""
    radius, cone = 100.0, 40.0
    vertices, faces = cylinder_mesh(radius, 4000.0, 180)
    points = thinned(vertices[:, [2, 1, 0]], faces[:, ::-1].copy(), REACH_MM)
    height = np.arange(radius + 1, 300.0)
    cells = np.column_stack([np.zeros_like(height), np.zeros_like(height), height])
    seen = look(cells, points, [], directions=cone_directions(DOWN, cone, 10.0), reach_mm=REACH_MM).seen
    apex = radius / math.sin(math.radians(cone))
    assert not seen[height < apex].any()
    assert seen[height > (radius + 2.2 * REACH_MM) / math.sin(math.radians(cone))].all()


# -- boxes --


@pytest.mark.parametrize("seed", range(5))
def test_boxes_hold_each_cell_once_and_nothing_else(seed):
    rng = np.random.default_rng(seed)
    full = rng.random((9, 8, 7)) < rng.uniform(0.2, 0.95)
    cells = np.argwhere(full)
    group = rng.integers(0, 3, len(cells))
    found = np.full(full.shape, -1)
    for lo, hi, owner in zip(*merged_boxes(cells, group), strict=True):
        part = tuple(slice(a, b) for a, b in zip(lo, hi, strict=True))
        assert (found[part] == -1).all()
        found[part] = owner
    assert (found[full] == group).all()
    assert (found[~full] == -1).all()


def test_a_block_is_one_box_and_a_step_two():
    block = np.argwhere(np.ones((4, 5, 6)))
    assert len(merged_boxes(block, np.zeros(len(block), int))[0]) == 1
    step = block[(block[:, 0] > 1) | (block[:, 2] > 2)]
    assert len(merged_boxes(step, np.zeros(len(step), int))[0]) == 2
    assert len(merged_boxes(np.empty((0, 3), int), np.empty(0, int))[0]) == 0
