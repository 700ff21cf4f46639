"""Flexible lines that hang between two ends."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from span_motions import AXLE, Slide, Swing, Unbounded, assert_hulls_hold, assert_sweep_promise, cases, random_motions

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.ends import End
from fitcheck.vehicle.hoses import (
    Line,
    chord_error_mm,
    drop_mm,
    hang_mm,
    hose_pieces,
    least_length_mm,
    reach_of_line,
    sag_mm,
    slack_mm,
)
from fitcheck.vehicle.mechanisms import Still

STILL = Still()


def level_line(distance: float, length: float, motion=STILL, diameter: float = 20.0) -> Line:
    return Line("hose", End((0.0, 0.0, 500.0), STILL), End((distance, 0.0, 500.0), motion), length, diameter)


def parabola_length(distance: float, sag: float, steps: int = 20_001) -> float:
    """Arc length of z = −4s·t(1−t) over a level chord, by adding up very short chords."""
    t = np.linspace(0.0, 1.0, steps)
    return float(np.hypot(np.diff(distance * t), np.diff(4.0 * sag * t * (1.0 - t))).sum())


# -- the sag --


def test_600_apart_with_27_slack_sags_78():
    """Source: √(3·d·(L − d)/8), closed form."""
    assert sag_mm(np.array([600.0]), 627.0)[0] == pytest.approx(78.0, abs=0.1)


@pytest.mark.parametrize(("length", "short_pct"), [(1.01, 0.45), (627.0 / 600.0, 1.94), (1.1, 4.1), (1.25, 9.2)])
def test_the_sag_formula_is_the_first_term_of_the_arc_length_of_the_parabola(length, short_pct):
    """The formula's parabola is a little shorter than the line: its sag is short by the stated share, never long."""
    sag = float(sag_mm(np.array([1.0]), length)[0])
    assert parabola_length(1.0, sag) < length
    low, high = sag, 1.2 * sag
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if parabola_length(1.0, middle, 2001) < length else (low, middle)
    assert 100.0 * (1.0 - sag / high) == pytest.approx(short_pct, abs=0.15)


def true_drop(level: float, height: float, length: float) -> float:
    """The s at which the arc of a level span and a height, less 4t(1−t)·s, is exactly so long: bisection."""
    u = np.linspace(-1.0, 1.0, 8001)
    u = (u[1:] + u[:-1]) / 2.0
    low, high = 0.0, length
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if np.hypot(level, height - 4.0 * middle * u).mean() < length else (low, middle)
    return high


@pytest.mark.parametrize(("slack", "most_pct"), [(0.001, 0.1), (0.05, 0.1), (0.25, 0.7), (1.0, 3.5), (30.0, 1.0)])
def test_a_level_line_hangs_no_less_than_the_parabola_of_its_length_and_little_more(slack, most_pct):
    """Against the exact arc length; 30 times the chord of slack hangs as two upright halves, L/2."""
    true = true_drop(600.0, 0.0, 600.0 * (1.0 + slack))
    own = float(drop_mm(np.array([600.0, 0.0, 0.0]), 600.0 * (1.0 + slack)))
    assert true * (1.0 - 1e-6) <= own <= true * (1.0 + most_pct / 100.0)


@pytest.mark.parametrize("slack", [1e-4, 0.003, 0.02, 0.1, 0.3, 0.7, 1.5, 4.0, 12.0])
def test_no_line_at_any_slant_hangs_deeper_than_its_body(slack):
    """Slants from level to upright, either way up; a line a tenth too long is at most 5 % too deep up to 30°."""
    for slant_deg in (0.0, 7.0, 20.0, 30.0, 45.0, 60.0, 75.0, 85.0, 89.9, 90.0):
        level, height = 500.0 * math.cos(math.radians(slant_deg)), 500.0 * math.sin(math.radians(slant_deg))
        own = float(drop_mm(np.array([0.6 * level, 0.8 * level, -height]), 500.0 * (1.0 + slack)))
        true = true_drop(level, height, 500.0 * (1.0 + slack))
        assert own >= true * (1.0 - 1e-4) - 1e-6, slant_deg
        if slant_deg <= 30.0 and slack <= 0.1:
            assert own <= 1.05 * true


@pytest.mark.parametrize("length", [601.0, 627.0, 700.0, 900.0, 1500.0])
def test_a_level_line_hangs_no_less_than_a_catenary_of_its_length(length):
    """Closed form: L = 2a·sinh(d/2a), sag a·(cosh(d/2a) − 1); at most 8 % more, where it is 2.5 times its span."""
    low, high = 1.0, 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if 2.0 * middle * math.sinh(min(300.0 / middle, 600.0)) > length else (low, middle)
    catenary = high * (math.cosh(300.0 / high) - 1.0)
    own = float(hang_mm(np.array([600.0]), length)[0])
    assert catenary <= own <= 1.08 * catenary


def test_the_hang_falls_with_distance_and_is_none_where_the_line_is_stretched():
    distances = np.linspace(0.0, 1000.0, 101)
    assert (np.diff(hang_mm(distances, 1000.0)) < 0.0).all()
    assert hang_mm(np.array([1000.0, 1001.0]), 1000.0).tolist() == [0.0, 0.0]
    assert (hang_mm(distances, 1000.0) >= sag_mm(distances, 1000.0)).all()
    assert hang_mm(np.array([600.0]), 627.0)[0] == pytest.approx(79.5, abs=0.05)
    assert drop_mm(np.zeros(3), 100.0) == 50.0
    assert drop_mm(np.array([0.0, 0.0, 100.0]), 100.0) == 0.0


# -- the body --


def test_the_pieces_hold_the_round_line_and_little_more():
    """2,000 points of the parabola lie within the radius of the capsules, their skin at most the chord error away."""
    line = Line("hose", End((0.0, 0.0, 500.0), STILL), End((500.0, 300.0, 420.0), STILL), 640.0, 20.0)
    sag = float(drop_mm(np.array([500.0, 300.0, -80.0]), 640.0))
    t = np.linspace(0.0, 1.0, 2000)[:, None]
    curve = np.array([0.0, 0.0, 500.0]) + t * np.array([500.0, 300.0, -80.0]) - 4.0 * t * (1.0 - t) * [[0.0, 0.0, sag]]
    capsules = [piece.at(np.empty(0)) for piece in hose_pieces(line)]
    assert len(capsules) == 8
    gaps = np.array([_to_segment(curve, solid.vertices) - (solid.radius_mm - 10.0) for solid in capsules]).min(axis=0)
    assert gaps.max() <= 1e-9
    assert {round(solid.chord_error_mm, 9) for solid in capsules} == {round(sag / 64.0, 9)}
    assert chord_error_mm(line) == pytest.approx(sag / 64.0, rel=1e-6)
    bare = np.array([_to_segment(curve, solid.vertices) for solid in capsules]).min(axis=0)
    assert bare.max() == pytest.approx(sag / 64.0, rel=0.25), "the sagitta is needed"


def _to_segment(points, ends) -> np.ndarray:
    along = ends[1] - ends[0]
    share = np.clip((points - ends[0]) @ along / (along @ along), 0.0, 1.0)
    return np.linalg.norm(points - ends[0] - share[:, None] * along, axis=1)


def test_a_line_hangs_over_a_floor_by_the_closed_form():
    """Closed form: lowest point 500 − sag − radius, and at most the chord error below it."""
    line = level_line(600.0, 627.0)
    floor = solids.box((-100.0, -100.0, -10.0), (700.0, 100.0, 0.0))
    least = min(closest(piece.at(np.empty(0)), floor).distance_mm for piece in hose_pieces(line))
    lowest = 500.0 - math.sqrt(0.0375 * 27.0 * 6243.0) - 10.0
    assert lowest - chord_error_mm(line) - 0.01 <= least <= lowest + 0.01


def test_a_hose_never_leaves_the_hull_of_its_corner_poses():
    """40 random lines: slack, just taut, and stretched in places; 6 boxes each, 4 poses in each box."""
    used = []
    for case in cases(40):
        first, last = random_motions(case.chance)
        start, end = case.chance.uniform((2300.0, 100.0, 500.0), (2400.0, 200.0, 650.0)), (2600.0, 250.0, 420.0)
        length = math.dist(start, end) * float(case.chance.choice([0.6, 1.0, 1.02, 1.2, 1.9, 3.0]))
        line = Line("hose", End(tuple(start), first), End(end, last), length, 20.0)
        piece = hose_pieces(line)[case.seed % 8]
        used.append(assert_hulls_hold(piece, case.chance, boxes=6, poses=4))
    assert max(used) > 0.2


@pytest.mark.parametrize("along", [(1.0, 0.0, 0.0), (0.3, 0.2, 1.0), (0.0, 1.0, -0.4), (0.8, -0.1, 0.6)])
def test_the_drop_in_a_box_lies_between_the_blends_of_its_corners_lesser_and_greater_drops(along):
    """The middle of the line over one slide, in boxes narrow enough to be blended; and the width is not idle.

    The ends move in straight lines, so that their own remainder is nothing: what strays is the drop alone.
    """
    for length in (540.0, 600.0, 800.0):
        pull = Slide("pull", (-60.0, 60.0), along=along)
        start, end = (0.0, 0.0, 500.0), (480.0, 100.0, 380.0)
        line = Line("hose", End(start, STILL), End(end, pull), length, 20.0)
        half = 5.0
        middles = np.arange(-50.0, 51.0, 5.0)[:, None]
        points = hose_pieces(line)[3].hulls(middles - half, middles + half).points.reshape(len(middles), 2, 2, 2, 3)
        blends = points[:, :, 1, :, 2].mean(axis=1)  # over both corners: at the lesser and at the greater drop
        way = np.subtract(end, start) + middles * np.asarray(along)
        true = 500.0 + way[:, 2] / 2.0 - drop_mm(way, length)
        assert (blends[:, 1] <= true + 1e-9).all()
        assert (true <= blends[:, 0] + 1e-9).all()
        width = (blends[:, 0] - blends[:, 1]) / 2.0
        assert (width <= 40.0 * np.abs(true - blends.mean(axis=1)) + 0.2).all()


@pytest.mark.parametrize("factor", [1.0, 1.05])
@pytest.mark.parametrize("seed", range(2))
def test_a_brake_hose_is_swept_with_its_promise(seed, factor):
    """On an axle, over, under and beside it; with factor 1 it is just taut at the scan pose and stretched in droop."""
    chance = np.random.default_rng(seed)
    start, end = (2450.0, 250.0, 560.0), (2600.0, 350.0, 440.0)
    line = Line("hose", End(start, STILL), End(end, AXLE.straight()), math.dist(start, end) * factor + 20.0, 14.0)
    centre = np.array([2520.0, 300.0, 500.0]) + [(0.0, 0.0, -220.0), (0.0, 150.0, 150.0)][seed] + chance.normal(size=3)
    assert_sweep_promise(hose_pieces(line), solids.box(centre - 40.0, centre + 40.0), chance)


def test_a_hose_that_turns_taut_within_the_travel_is_bounded_there():
    """Its sag has no derivative at d = L; the sweep over that pose still ends, above and below the line."""
    pull = Slide("pull", (-30.0, 30.0), along=(1.0, 0.0, 0.0))
    line = level_line(600.0, 605.0, pull)
    over = solids.box((250.0, -20.0, 530.0), (350.0, 20.0, 560.0))
    under = solids.box((250.0, -20.0, 300.0), (350.0, 20.0, 320.0))
    chance = np.random.default_rng(0)
    assert assert_sweep_promise(hose_pieces(line), over, chance) == pytest.approx(30.0 - 10.0, abs=0.02)
    deepest = float(hang_mm(np.array([570.0]), 605.0)[0])
    below = assert_sweep_promise(hose_pieces(line), under, chance)
    assert 180.0 - 10.0 - deepest - deepest / 64.0 - 0.02 <= below <= 180.0 - 10.0 - deepest + 0.02


def test_a_line_much_longer_than_its_chord_hangs_deepest_where_its_ends_are_nearest():
    """Closed form: 400 apart, √(3·(L − d)·(9L + d)/80) below, and at most the chord error more."""
    pull = Slide("pull", (-100.0, 100.0), along=(1.0, 0.0, 0.0))
    line = level_line(500.0, 1000.0, pull)
    low = solids.box((-200.0, -20.0, -40.0), (800.0, 20.0, -20.0))
    found = least_over_motion(hose_pieces(line), [Obstacle(low.vertices[low.faces])], (pull.low, pull.high))[0]
    want = 500.0 - math.sqrt(0.0375 * 600.0 * 9400.0) + 20.0 - 10.0
    assert found.proven
    assert found.pose[0] == pytest.approx(-100.0, abs=0.1)
    assert want - chord_error_mm(line) - 0.1 <= found.distance_mm <= want + 0.1


# -- how far it reaches --


def test_slack_is_what_is_left_where_the_ends_are_farthest_apart():
    """Closed form: a drop of 90 below a level of 0.3 m: √(300² + 90²) = 313.21."""
    drop = Slide("drop", (-90.0, 60.0))
    line = Line("hose", End((0.0, 0.0, 0.0), STILL), End((300.0, 0.0, 0.0), drop), 330.0, 12.0)
    near, far = reach_of_line(line)
    assert near == pytest.approx(300.0, abs=0.011)
    assert far == pytest.approx(math.hypot(300.0, 90.0), abs=0.011)
    assert least_length_mm(line) == far
    assert slack_mm(line) == pytest.approx(330.0 - math.hypot(300.0, 90.0), abs=0.011)
    short = Line("hose", line.start, line.end, 310.0, 12.0)
    assert slack_mm(short) == pytest.approx(310.0 - math.hypot(300.0, 90.0), abs=0.011)


def test_no_pose_takes_more_than_the_least_length():
    """300 random poses of two moving ends."""
    steer = Swing("steer", (-0.6, 0.6), through=(2600.0, 600.0, 400.0), axis=(0.0, 0.1, 1.0))
    line = Line("hose", End((2450.0, 300.0, 560.0), AXLE), End((2640.0, 520.0, 420.0), steer), 400.0, 12.0)
    piece = hose_pieces(line)[0]
    chance = np.random.default_rng(3)
    space = piece.space
    near, far = reach_of_line(line)
    for _ in range(300):
        pose = space.low + chance.random(len(space.low)) * (space.high - space.low)
        ends = AXLE.place(pose[None, :4], [line.start.point])[0, 0], steer.place(pose[None, 4:], [line.end.point])[0, 0]
        assert near - 1e-9 <= math.dist(*ends) <= far + 1e-9


def test_without_a_bound_on_the_motion_the_growth_is_infinite():
    wild = Unbounded("wild", (-10.0, 10.0))
    line = level_line(600.0, 620.0, wild)
    for piece in hose_pieces(line):
        grow = piece.hulls(np.array([[-10.0], [1.0]]), np.array([[10.0], [1.05]])).grow_mm
        assert grow[0] == np.inf
        assert 0.0 <= grow[1] < 3.0


def test_pieces_pickle_go_straight_and_name_what_shapes_them():
    line = Line("hose", End((2450.0, 250.0, 560.0), STILL), End((2600.0, 350.0, 440.0), AXLE), 240.0, 14.0)
    pieces = hose_pieces(line)
    assert len({repr(piece.facts()) for piece in pieces}) == 8
    assert pieces[3].straight().space.coordinates == ("rear_axle.heave",)
    again = pickle.loads(pickle.dumps(pieces[3]))
    assert hash(again.facts()) == hash(pieces[3].facts())
    assert again.reach_mm == 7.0


@pytest.mark.parametrize(("length", "diameter"), [(0.0, 10.0), (math.nan, 10.0), (100.0, -1.0), (math.inf, 10.0)])
def test_a_line_without_length_or_diameter_is_an_error(length, diameter):
    with pytest.raises(InputError, match="line 'hose'"):
        hose_pieces(level_line(600.0, length, diameter=diameter))
