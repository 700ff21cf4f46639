"""Membranes and cushions over gaps: closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.geometry import solids
from fitcheck.geometry.cushions import (
    BAY_MM,
    FULL,
    MOST_MM,
    bays,
    cushion,
    less,
    small_balls,
    solid_of_balls,
    solid_of_small_balls,
)
from fitcheck.geometry.inside import inside
from fitcheck.geometry.membranes import MOST_CORNERS, membrane


def ring(radius: float, count: int, height: float = 0.0) -> np.ndarray:
    turn = 2.0 * math.pi * np.arange(count) / count
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), height * np.cos(2 * turn)], axis=1)


def rectangle(a: float, b: float, step: float = 5.0) -> np.ndarray:
    sides = [np.linspace(0, a, int(a / step), endpoint=False), np.linspace(0, b, int(b / step), endpoint=False)]
    return np.concatenate([
        np.stack([sides[0], 0 * sides[0], 0 * sides[0]], axis=1),
        np.stack([0 * sides[1] + a, sides[1], 0 * sides[1]], axis=1),
        np.stack([a - sides[0], 0 * sides[0] + b, 0 * sides[0]], axis=1),
        np.stack([0 * sides[1], b - sides[1], 0 * sides[1]], axis=1),
    ])  # fmt: skip


def test_a_flat_membrane_has_the_area_of_its_polygon():
    assert membrane(rectangle(160, 120)).area_mm2 == pytest.approx(160 * 120)


def test_a_membrane_over_an_l_shaped_loop_has_the_area_of_the_l():
    loop = np.array([[0, 0, 0], [90, 0, 0], [90, 30, 0], [30, 30, 0], [30, 90, 0], [0, 90, 0]], dtype=float)
    assert membrane(loop).area_mm2 == pytest.approx(90 * 30 + 60 * 30)


def test_a_long_loop_is_thinned_and_says_by_how_much():
    loop = ring(50.0, 400)
    found = membrane(loop)
    assert MOST_CORNERS / 2 < len(found.border) <= MOST_CORNERS
    sagitta = 50.0 * (1.0 - math.cos(math.pi / 48))  # closed form: the rise of a circle over its chord
    assert sagitta * 0.9 <= found.slack_mm <= sagitta * 1.5


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_corners_have_no_membrane(count):
    assert len(membrane(np.zeros((count, 3))).faces) == 0


def test_a_cushion_over_a_round_gap_stands_out_by_its_radius_and_a_tenth():
    over = cushion(ring(40.0, 60))
    assert over is not None
    assert over.width_mm == pytest.approx(80.0, rel=0.03)
    assert over.extents()[1, 2] == pytest.approx(FULL * 40.0, rel=0.03)


def test_a_cushion_over_a_rectangle_stands_out_by_half_its_narrow_side():
    over = cushion(rectangle(160, 120))
    assert over is not None
    assert over.width_mm == pytest.approx(120.0, rel=0.05)
    assert -FULL * 60.0 * 1.02 <= over.extents()[0, 2] <= -0.97 * FULL * 60.0


@pytest.mark.parametrize("legs", [(30.0, 30.0), (20.0, 45.0), (50.0, 15.0)])
def test_a_cushion_holds_the_right_angled_edge_that_its_membrane_cuts(legs):
    """A patch lost round an edge: the loop runs down one face and back over the other (Thales)."""
    a, b = legs
    along = np.linspace(0.0, 90.0, 19)
    top = np.stack([along, 0 * along + a, 0 * along], axis=1)  # on the face z = 0, a from the edge
    side = np.stack([along[::-1], 0 * along, 0 * along - b], axis=1)  # on the face y = 0
    end = (
        [[90.0, a * k / 6, 0.0] for k in range(5, 0, -1)]
        + [[90.0, 0, 0]]
        + [[90.0, 0, -b * k / 6] for k in range(1, 6)]
    )
    begin = (
        [[0.0, 0, -b * k / 6] for k in range(5, 0, -1)] + [[0.0, 0, 0]] + [[0.0, a * k / 6, 0.0] for k in range(1, 6)]
    )
    over = cushion(np.concatenate([top, end, side, begin]))
    assert over is not None
    edge = np.stack([np.linspace(35, 55, 9), np.zeros(9), np.zeros(9)], axis=1)
    assert inside(edge, solid_of_balls(over.balls)).all()


def test_a_very_wide_gap_stands_out_no_further_than_the_most():
    over = cushion(ring(400.0, 60))
    assert over is not None
    assert over.balls[:, 3].max() == MOST_MM


def test_the_solid_holds_every_ball_and_is_closed():
    import trimesh

    balls = np.array([[0, 0, 0, 20.0], [15, 0, 0, 14.0], [200, 0, 0, 9.0]])
    solid = solid_of_balls(balls)
    mesh = trimesh.Trimesh(solid.vertices, solid.faces, process=True)
    assert mesh.is_watertight
    random = np.random.default_rng(1).normal(size=(400, 3))
    random /= np.linalg.norm(random, axis=1)[:, None]
    for x, y, z, radius in balls:
        assert inside(np.array([x, y, z]) + radius / FULL * random, solid).all()
        assert not inside(np.array([[x, y, z - 1.001 * radius]]), solid).any()
    assert mesh.volume < 1.1 * 4 / 3 * math.pi * (20**3 + 14**3 + 9**3)


@pytest.mark.parametrize("loop", [ring(4.0, 12), np.zeros((0, 3)), ring(1.0, 3)])
def test_a_gap_that_no_part_passes_has_no_cushion(loop):
    assert cushion(loop) is None


def test_a_small_gap_lies_in_its_ball():
    loop = ring(4.0, 12, height=1.0)
    (ball,) = small_balls(loop)
    assert (np.linalg.norm(loop - ball[:3], axis=1) <= ball[3]).all()
    together = solid_of_small_balls(np.array([ball, [100, 0, 0, 3.0]]))
    assert inside(loop * 0.9, together).all()
    assert not inside(np.array([[50.0, 0, 0]]), together).any()


def test_what_was_felt_empty_is_cut_out_exactly():
    block = solids.box((0, 0, 0), (10, 10, 10))
    left = less(block, [solids.box((5, -1, -1), (11, 11, 11))])
    assert left is not None
    assert left.extents() == pytest.approx(np.array([[0, 0, 0], [5, 10, 10]]))
    assert less(block, [solids.box((-1, -1, -1), (11, 11, 11))]) is None


def notched(width: float, depth: float) -> tuple[np.ndarray, np.ndarray]:
    """The border of a sheet of 600 × 400 that faces +z, run counter-clockwise, with a notch in its lower side."""
    corners = [[0, 0], [300 - width / 2, 0], [300 - width / 2, depth], [300 + width / 2, depth], [300 + width / 2, 0],
               [600, 0], [600, 400], [0, 400]]  # fmt: skip
    points = []
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1], strict=True):
        steps = max(1, int(np.hypot(x1 - x0, y1 - y0) / 8))
        points += [[x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps, 0.0] for k in range(steps)]
    border = np.array(points)
    return border, np.tile([0.0, 0.0, 1.0], (len(border), 1))


def test_a_notch_in_an_outer_border_is_found_with_its_mouth():
    border, normals = notched(90.0, 60.0)
    found = bays(border, normals)
    first, last = found[0]
    assert np.linalg.norm(border[first] - border[last % len(border)]) <= BAY_MM
    rows = np.arange(first, last + 1) % len(border)
    assert border[rows][:, 1].max() == 60.0
    assert len(found) == 1


def test_a_slit_stands_out_no_further_than_it_is_wide():
    along = np.linspace(0.0, 200.0, 41)
    slit = np.concatenate([
        np.stack([along, 0 * along, 0 * along], axis=1), np.stack([along[::-1], 0 * along + 6.0, 0 * along], axis=1)
    ])  # fmt: skip
    assert cushion(slit) is None
    balls = small_balls(slit)
    assert balls[:, 3].max() < 8.0
    middle = np.stack([along, 0 * along + 3.0, 0 * along], axis=1)
    assert inside(middle, solid_of_small_balls(balls)).all()


def test_a_shallow_dent_in_a_straight_border_is_a_notch():
    border, normals = notched(360.0, 25.0)
    found = bays(border, normals)
    rows = np.arange(found[0][0], found[0][1] + 1) % len(border)
    assert np.ptp(border[rows][:, 0]) >= 360.0


@pytest.mark.parametrize(("width", "depth"), [(560.0, 200.0), (90.0, 4.0)], ids=["wide", "shallow"])
def test_a_wide_opening_and_a_ragged_edge_are_no_notches(width, depth):
    border, normals = notched(width, depth)
    assert all(np.ptp(border[np.arange(a, b + 1) % len(border)], axis=0).max() < 40 for a, b in bays(border, normals))


def test_a_corner_that_stands_out_is_no_notch():
    border, normals = notched(90.0, 60.0)
    assert bays(border[::-1].copy(), normals) != bays(border, normals)
    square = rectangle(300, 300, 8.0)
    assert bays(square, np.tile([0.0, 0.0, 1.0], (len(square), 1))) == []
