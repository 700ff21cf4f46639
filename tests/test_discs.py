"""Wheels as two discs, and what a tyre grows to."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from span_motions import AXLE, Swing, assert_hulls_hold, assert_sweep_promise, cases, random_box, unit_vectors

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.discs import WheelPiece, tyre_size
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Carried

HUB = (2620.0, 740.0, 384.0)
KINGPIN = Swing("steer", (-0.6, 0.6), through=(2620.0, 690.0, 384.0), axis=(0.05, -0.15, 1.0))


def wheel(motion, radius: float = 384.0, width: float = 235.0, axis=(0.0, 2.0, 0.0)) -> WheelPiece:
    return WheelPiece("wheel", motion, HUB, axis, radius, width)


def swept(piece: WheelPiece, box: solids.Solid) -> float:
    limits = piece.space.low, piece.space.high
    return least_over_motion([piece], [Obstacle(box.vertices[box.faces])], limits)[0].distance_mm


def test_a_wheel_never_leaves_the_hull_of_its_corner_poses():
    """24 random wheels on an axle, on a kingpin, and on both; 8 boxes each, 5 poses in each box."""
    used = []
    for case in cases(24):
        motion = (AXLE, KINGPIN, Carried(AXLE, KINGPIN), AXLE.straight())[case.seed % 4]
        axis = np.array([0.0, 1.0, 0.0]) + 0.1 * case.chance.normal(size=3)
        radius, width = case.chance.uniform((250.0, 120.0), (420.0, 300.0))
        used.append(assert_hulls_hold(wheel(motion, radius, width, tuple(axis)), case.chance))
    assert max(used) > 0.2


@pytest.mark.parametrize("seed", range(2))
def test_a_wheel_that_steers_on_an_axle_is_swept_with_its_promise(seed):
    chance = np.random.default_rng(seed)
    axle = AXLE.straight()
    box = random_box(np.array(HUB) + (100.0, -150.0, 150.0), chance)
    assert_sweep_promise([wheel(Carried(axle, KINGPIN))], box, chance)


def test_c25_circumscription_hides_nothing():
    """Closed form: an inscribed polygon of N sides hides R(1 − cos(π/N)), 0.42 mm at R 350, N 64; the prism none."""
    assert 350.0 * (1.0 - math.cos(math.pi / 64)) == pytest.approx(0.42, abs=0.005)
    piece = WheelPiece("wheel", Still(), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 350.0, 200.0)
    turn = np.linspace(0.0, 2.0 * math.pi, 2001)
    directions = np.stack([np.cos(turn), np.zeros_like(turn), np.sin(turn)], axis=1)
    reach = (piece.at(np.empty(0)).vertices @ directions.T).max(axis=0)
    assert reach.min() >= 350.0 - 1e-9
    assert reach.max() <= 350.0 + 0.01 + 1e-9
    below = solids.box((-50.0, -50.0, -420.0), (50.0, 50.0, -360.0))
    assert closest(piece.at(np.empty(0)), below).distance_mm == pytest.approx(10.0, abs=0.0101)


@pytest.mark.parametrize(
    ("steer", "along", "across"), [(0.0, 316.0, 102.5), (30.0, 324.91, 246.77), (38.0, 312.12, 275.32)]
)
def test_c23_a_steered_tyre_reaches_as_far_as_a_turned_rectangle(steer, along, across):
    """Closed form: R·cos + w/2·sin along, R·sin + w/2·cos across (R 316, width 205, upright kingpin in its middle)."""
    kingpin = Swing("steer", (-0.7, 0.7), through=HUB, axis=(0.0, 0.0, 1.0))
    a = math.radians(steer)
    assert 316.0 * math.cos(a) + 102.5 * math.sin(a) == pytest.approx(along, abs=0.006)
    extents = wheel(kingpin, 316.0, 205.0).at(np.array([a])).extents() - HUB
    assert extents[1, 0] == pytest.approx(along, abs=0.02)
    assert extents[1, 1] == pytest.approx(across, abs=0.02)


def test_c24_the_largest_plan_reach_of_a_steering_tyre_is_its_diagonal():
    """Closed form: hypot(316, 102.5) = 332.21, at atan(102.5/316) = 18° of steer, inside the travel."""
    kingpin = Swing("steer", (-0.6, 0.6), through=HUB, axis=(0.0, 0.0, 1.0))
    wall = solids.box((HUB[0] + 350.0, -200.0, 0.0), (HUB[0] + 360.0, 2000.0, 900.0))
    assert math.hypot(316.0, 102.5) == pytest.approx(332.21, abs=0.006)
    assert swept(wheel(kingpin, 316.0, 205.0), wall) == pytest.approx(350.0 - math.hypot(316.0, 102.5), abs=0.1)


def test_inboard_reach_of_a_tyre_at_lock():
    """Source: closed form R·sin δ + (w/2 − s)·cos δ for an upright kingpin s inboard: 395, 205, 40, 35° → 278 mm."""
    lock = math.radians(35.0)
    kingpin = Swing("steer", (-lock, lock), through=(HUB[0], HUB[1] - 40.0, HUB[2]), axis=(0.0, 0.0, 1.0))
    reach = 395.0 * math.sin(lock) + (102.5 - 40.0) * math.cos(lock)
    assert reach == pytest.approx(278.0, abs=0.5)
    rail = solids.box((HUB[0] - 600.0, HUB[1] - 40.0 - 300.0, 200.0), (HUB[0] + 600.0, HUB[1] - 40.0 - 290.0, 500.0))
    assert swept(wheel(kingpin, 395.0, 205.0), rail) == pytest.approx(290.0 - reach, abs=0.1)


def test_the_hull_at_one_pose_is_the_wheel_there():
    piece = wheel(Carried(AXLE, KINGPIN))
    pose = np.array([0.4, 60.0, -50.0, 0.05, 2.0])
    hulls, solid = piece.hulls(pose[None], pose[None]), piece.at(pose)
    directions = unit_vectors(200, np.random.default_rng(0))
    along = hulls.discs[0] @ directions.T
    heights = hulls.points[0] @ directions.T + hulls.disc_radius_mm * np.sqrt(1.0 - along**2)
    over = heights.max(axis=0) - (solid.vertices @ directions.T).max(axis=0)
    assert over.min() >= -1e-9
    assert over.max() <= 0.0101
    assert hulls.grow_mm[0] == 0.0


def test_a_wheel_pickles_and_goes_straight():
    piece = wheel(AXLE)
    assert piece.straight().space.coordinates == ("rear_axle.heave",)
    assert piece.reach_mm == 384.0
    assert repr(pickle.loads(pickle.dumps(piece)).facts()) == repr(piece.facts())


@pytest.mark.parametrize(
    ("axis", "radius", "width"), [((0, 0, 0), 300, 200), ((0, 1, 0), 0, 200), ((0, 1, 0), 300, math.nan)]
)
def test_a_wheel_that_is_none_is_an_error(axis, radius, width):
    with pytest.raises(InputError, match="wheel 'spare'"):
        WheelPiece("spare", Still(), HUB, axis, radius, width).at(np.empty(0))


@pytest.mark.parametrize(
    ("extra", "radius", "width"),
    [
        ({}, 380.0, 235.0),
        ({"growth_pct": 2.0}, 387.6, 235.0),
        ({"bulge_mm": 15.0}, 380.0, 265.0),
        ({"mud_mm": 20.0}, 400.0, 275.0),
        ({"chains": "S"}, 417.0, 265.0),
        ({"chains": "U"}, 430.0, 281.0),
        ({"chains": "W"}, 444.0, 311.0),
        ({"growth_pct": 1.0, "bulge_mm": 10.0, "mud_mm": 20.0, "chains": "S"}, 440.8, 325.0),
    ],
)
def test_tyre_size_adds_what_a_tyre_grows_by(extra, radius, width):
    """Source: SAE classes for chain room, S 37/15, U 50/23, W 64/38 mm (common practice); both sidewalls count."""
    assert tyre_size(380.0, 235.0, **extra) == pytest.approx((radius, width))


@pytest.mark.parametrize(
    ("extra", "said"),
    [({"chains": "X"}, "one of S, U, W, not 'X'"), ({"mud_mm": -1.0}, "mud"), ({"growth_pct": math.nan}, "growth")],
)
def test_a_tyre_that_cannot_be_is_an_error(extra, said):
    with pytest.raises(InputError, match=said):
        tyre_size(380.0, 235.0, **extra)
