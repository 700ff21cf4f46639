"""Rods and shafts between two points that may both move, and how near and far two ends come."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest
from span_motions import (
    AXLE,
    Slide,
    Swing,
    Unbounded,
    assert_hulls_hold,
    assert_sweep_promise,
    cases,
    random_box,
    random_motions,
)

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.ends import Ends
from fitcheck.vehicle.mechanisms import SolidAxle, Still
from fitcheck.vehicle.motion import Carried, Limit
from fitcheck.vehicle.reach import reach_between
from fitcheck.vehicle.spans import End, RodPiece, Span, shaft_spans

STILL = Still()


def random_ends(chance: np.random.Generator) -> tuple[End, End]:
    first, last = random_motions(chance)
    start = chance.uniform((1200.0, -200.0, 350.0), (1500.0, 200.0, 600.0))
    end = chance.uniform((2400.0, -600.0, 300.0), (2700.0, 700.0, 480.0))
    return End(tuple(start), first), End(tuple(end), last)


def swept(pieces, box: solids.Solid):
    """The least distance over all poses."""
    space = pieces[0].space
    return least_over_motion(pieces, [Obstacle(box.vertices[box.faces])], (space.low, space.high))[0]


# -- what every piece promises --


def test_rods_and_spans_never_leave_the_hull_of_their_corner_poses():
    """40 random pairs of ends, 8 boxes of every size each, 5 poses in each box."""
    used = []
    for case in cases(40):
        start, end = random_ends(case.chance)
        radius = float(case.chance.uniform(5.0, 80.0))
        share = sorted(case.chance.random(2))
        rod = RodPiece("rod", start, end, radius, (float(share[0]), float(share[1])))
        lengths = case.chance.uniform((-150.0, 0.0, 10.0, 0.0), (150.0, 0.5, 250.0, 0.9))
        first, last = (float(lengths[0]), float(lengths[1])), (float(lengths[2]), float(lengths[3]))
        span = Span("span", start, end, first, last, radius)
        used.append([assert_hulls_hold(piece, case.chance) for piece in (rod, span)])
    assert np.max(used, axis=0).min() > 0.2, "the remainder is needed, so the test can fail"


def test_short_spans_that_swing_far_stay_in_their_hulls():
    """A stub of 120 mm whose joint swings by 40°: beyond the turn up to which the disc's bound holds."""
    arm = Swing("arm", (-0.7, 0.7), through=(0.0, 0.0, 0.0), axis=(0.0, 1.0, 0.2))
    other = Swing("other", (-0.3, 0.3), through=(90.0, 40.0, 10.0), axis=(1.0, 0.0, 0.5))
    for case in cases(20):
        start = End((0.0, 0.0, 30.0), other)
        span = Span("stub", start, End((120.0, 10.0, 0.0), Carried(arm, other)), (0.0, 0.0), (-20.0, 1.0), 60.0)
        assert_hulls_hold(span, case.chance)


def test_halving_a_box_quarters_the_remainder():
    """Second order: what the sweep's speed rests on."""
    end = End((2390.0, 60.0, 404.0), AXLE)
    for piece in (
        RodPiece("rod", End((1330.0, 0.0, 480.0), STILL), end, 30.0),
        Span("span", End((1330.0, 0.0, 480.0), STILL), end, (-60.0, 1.0), (0.0, 1.0), 50.0),
    ):
        middle, half = (AXLE.low + AXLE.high) / 2.0, (AXLE.high - AXLE.low) / 8.0
        low, high = np.array([middle - half, middle - half / 2]), np.array([middle + half, middle + half / 2])
        grow = piece.hulls(low, high).grow_mm
        assert 3.5 < grow[0] / grow[1] < 5.0


@pytest.mark.parametrize("seed", range(3))
def test_a_shaft_between_two_moving_joints_is_swept_with_its_promise(seed):
    """A rocking start and an axle's end: no sampled pose is below the bound, the gap is within 0.1 mm."""
    chance = np.random.default_rng(seed)
    rock = Swing("rock", (-0.04, 0.05), through=(1250.0, 0.0, 450.0), axis=(1.0, 0.0, 0.0))
    axle = replace(AXLE, lateral_mm=0.0, bump_mm=50.0, droop_mm=50.0)
    end = End((2390.0, 60.0, 404.0), axle)
    spans = shaft_spans("shaft", End((1330.0, 20.0, 480.0), rock), end, 63.5, 100.0, 60.0, 3.0, 1.0)
    box = random_box(np.array([1900.0, 40.0, 440.0]), chance)
    assert_sweep_promise(spans, box, chance)


def test_a_rod_whose_ends_share_a_block_is_swept_with_its_promise():
    """A tie rod's ends both move with the axle and with the steering: each block is in its space once."""
    chance = np.random.default_rng(7)
    right = Carried(AXLE, Swing("steer", (-0.6, 0.6), through=(2620.0, 600.0, 384.0), axis=(0.0, 0.0, -1.0)))
    left = Carried(AXLE, Swing("steer", (-0.6, 0.6), through=(2620.0, -600.0, 384.0), axis=(0.0, 0.0, -1.0)))
    rod = RodPiece("tie rod", End((2770.0, 580.0, 384.0), right), End((2770.0, -580.0, 384.0), left), 15.0)
    assert len(rod.space.coordinates) == 5
    assert len(rod.space.blocks) == 2
    assert_sweep_promise([rod], random_box(np.array([2800.0, 100.0, 384.0]), chance), chance)


def test_where_a_motion_gives_no_bound_the_growth_is_infinite_and_never_a_number_that_is_none():
    wild = Unbounded("wild", (-10.0, 10.0))
    start, end = End((0.0, 0.0, 0.0), Slide("calm", (0.0, 5.0))), End((300.0, 0.0, 0.0), wild)
    for piece in (RodPiece("rod", start, end, 5.0), Span("span", start, end, (0.0, 0.0), (-60.0, 1.0), 9.0)):
        low, high = np.array([[0.0, -10.0], [0.0, 1.0]]), np.array([[5.0, 10.0], [5.0, 1.05]])
        grow = piece.hulls(low, high).grow_mm
        assert grow[0] == np.inf
        assert 0.0 <= grow[1] < 1.0
    still = RodPiece("rod", start, end, 5.0, (0.0, 0.0))
    assert still.hulls(low, high).grow_mm[0] == 0.0, "what lies at the other end is not touched by it"


def test_pieces_pickle_and_name_all_that_shapes_them():
    axle = SolidAxle("axle", (1000.0, 0.0, 0.0), 9.0, 9.0, 400.0)
    start, end = End((0.0, 0.0, 0.0), STILL), End((1000.0, 0.0, 0.0), axle)
    rod, span = RodPiece("rod", start, end, 5.0), Span("span", start, end, (0.0, 0.0), (0.0, 1.0), 30.0)
    for piece in (rod, span):
        rod.hulls(rod.space.low[None], rod.space.high[None])
        again = pickle.loads(pickle.dumps(piece))
        assert repr(again.facts()) == repr(piece.facts())
        assert hash(piece.facts()) == hash(again.facts())
        assert piece.straight().space.coordinates == ("axle.heave",)
        assert piece.reach_mm == piece.radius_mm
    assert repr(rod.facts()) != repr(RodPiece("rod", start, end, 5.0, (0.0, 0.5)).facts())


# -- closed forms --


def test_a_level_rod_above_a_box_keeps_the_hand_computed_distance():
    """Closed form: a rod at z = 100 lowered by up to 30 stands 100 − 30 − radius over the plane z = 0.

    Over a corner of the box it passes at hypot of the two offsets, less the radius.
    """
    down = Slide("down", (0.0, 30.0), along=(0.0, 0.0, -1.0))
    rod = RodPiece("rod", End((0.0, 0.0, 100.0), down), End((0.0, 500.0, 100.0), down), 12.0)
    level = swept([rod], solids.box((-300.0, 100.0, -50.0), (300.0, 200.0, 0.0)))
    assert level.distance_mm == pytest.approx(100.0 - 30.0 - 12.0, abs=0.01)
    beside = swept([rod], solids.box((40.0, 100.0, -50.0), (300.0, 200.0, 0.0)))
    assert beside.distance_mm == pytest.approx(math.hypot(40.0, 70.0) - 12.0, abs=0.01)


@pytest.mark.parametrize(("station", "half_height"), [(500.0, 55.48), (1000.0, 72.94)])
def test_d18_a_tube_swinging_about_its_front_joint_sweeps_a_cone(station, half_height):
    """Closed form: at x the tube of radius R at ±a reaches x·tan a + R/cos a: R 38, 2° → 55.48 and 72.94."""
    a, radius = math.radians(2.0), 38.0
    reach = station * math.tan(a) + radius / math.cos(a)
    assert reach == pytest.approx(half_height, abs=0.006)
    swing = Swing("swing", (-a, a), axis=(0.0, -1.0, 0.0))
    spans = shaft_spans("shaft", End((0.0, 0.0, 0.0), STILL), End((1200.0, 0.0, 0.0), swing), 2.0 * radius)
    for over in (0.05, 20.0):
        # A knife across the shaft, its edge at the station; the tube's top line passes it at over·cos a.
        knife = solids.box((station - 1e-4, -50.0, reach + over), (station + 1e-4, 50.0, reach + over + 80.0))
        assert swept(spans, knife).distance_mm == pytest.approx(over * math.cos(a), abs=0.015)
    touching = solids.box((station - 1e-4, -50.0, reach - 0.05), (station + 1e-4, 50.0, reach + 80.0))
    assert swept(spans, touching).distance_mm == 0.0


@pytest.mark.parametrize(("length", "rise", "change"), [(1200.0, 80.0, 2.66), (1000.0, 100.0, 4.99)])
def test_d16_a_shaft_about_a_fixed_joint_grows_by_the_closed_form(length, rise, change):
    """Closed form: √(L² + dz²) − L."""
    lift = Slide("lift", (0.0, rise))
    reach = reach_between(End((0.0, 0.0, 0.0), STILL), End((length, 0.0, 0.0), lift), tolerance_mm=1e-4)
    assert math.hypot(length, rise) - length == pytest.approx(change, abs=0.006)
    assert reach.plunge_mm == pytest.approx(math.hypot(length, rise) - length, abs=3e-4)


def test_d17_the_least_length_lies_inside_the_travel():
    """Closed form: run 1190, pinion 60 below, ±80: 1198.21 − 1190.00 = 8.21; the ends alone would give 8.04."""
    axle = SolidAxle("axle", (1190.0, 0.0, -60.0), 80.0, 80.0, 400.0).straight()
    reach = reach_between(End((0.0, 0.0, 0.0), STILL), End((1190.0, 0.0, -60.0), axle), tolerance_mm=1e-3)
    assert reach.least_mm == pytest.approx(1190.0, abs=2e-3)
    assert reach.greatest_mm == pytest.approx(math.hypot(1190.0, 140.0), abs=2e-3)
    assert reach.plunge_mm == pytest.approx(8.21, abs=0.01)
    assert reach.least_pose[0] == pytest.approx(60.0, abs=2.0)
    assert reach.greatest_pose[0] == pytest.approx(-80.0)


def test_the_plunge_of_a_half_shaft_follows_from_the_distance_of_its_joints():
    """Closed form: a wheel on a front-view arm of 500 mm about (y 300), its joint 650 from an inner joint at y 150.

    Along the arc the distance to a point off the pivot is √(a² + r² + 2ar·cos) by the cosine rule.
    """
    arm = Swing("arm", (-0.2, 0.2), through=(0.0, 300.0, 300.0), axis=(1.0, 0.0, 0.0))
    reach = reach_between(End((0.0, 150.0, 300.0), STILL), End((0.0, 800.0, 300.0), arm), tolerance_mm=1e-3)
    greatest, least = 650.0, math.sqrt(150.0**2 + 500.0**2 + 2 * 150.0 * 500.0 * math.cos(0.2))
    assert reach.greatest_mm == pytest.approx(greatest, abs=2e-3)
    assert reach.least_mm == pytest.approx(least, abs=2e-3)


def test_a_tie_rod_sweeps_back_by_its_arms():
    """Closed form: parallel arms of 150 turned by 35°: the rod moves 150·(1 − cos) forward and stays level."""
    lock = math.radians(35.0)
    right, left = (
        Swing("steer", (-lock, lock), through=(0.0, side * 650.0, 380.0), axis=(0.0, 0.0, 1.0)) for side in (1, -1)
    )
    rod = RodPiece("tie rod", End((150.0, 650.0, 380.0), right), End((150.0, -650.0, 380.0), left), 14.0)
    behind = swept([rod], solids.box((200.0, -50.0, 300.0), (260.0, 50.0, 460.0)))
    ahead = swept([rod], solids.box((-100.0, -50.0, 300.0), (50.0, 50.0, 460.0)))
    assert behind.distance_mm == pytest.approx(50.0 - 14.0, abs=0.01)
    assert ahead.distance_mm == pytest.approx(150.0 * math.cos(lock) - 50.0 - 14.0, abs=0.05)


def test_shaft_spans_have_the_figures_of_the_shaft():
    end = End((1000.0, 0.0, 0.0), STILL)
    start = End((0.0, 0.0, 0.0), STILL)
    spans = shaft_spans("shaft", start, end, 60.0, 100.0, 70.0, 3.0, 1.0)
    assert [span.name for span in spans] == ["tube"] * 4 + ["front yoke", "rear yoke"]
    assert {span.radius_mm for span in spans} == {33.0, 51.0}
    pose = np.empty(0)
    across = solids.box((30.0, 80.0, -5.0), (40.0, 90.0, 5.0))
    assert min(closest(span.at(pose), across).distance_mm for span in spans) == pytest.approx(80.0 - 51.0, abs=0.02)
    short = shaft_spans("shaft", start, end, 60.0, 100.0, 900.0)
    assert short[-1].first == (-500.0, 1.0), "a yoke is at most half the shaft"
    assert len(shaft_spans("shaft", start, end, 60.0)) == 4


def test_joints_that_meet_within_the_travel_are_an_error_that_names_the_shaft():
    lift = Slide("lift", (-60.0, 60.0))
    with pytest.raises(InputError, match=r"rear shaft.*meet within their travel, at lift\.by 37"):
        shaft_spans("rear shaft", End((0.0, 0.0, 37.3), STILL), End((0.0, 0.0, 0.0), lift), 60.0)
    span = Span("rear shaft", End((0.0, 0.0, 60.0), STILL), End((0.0, 0.0, 0.0), lift), (0.0, 0.0), (0.0, 1.0), 30.0)
    with pytest.raises(InputError, match="rear shaft"):
        span.hulls(span.space.low[None], span.space.high[None])


# -- how near and far two ends come --


def test_reach_holds_every_pose_and_is_reached():
    """Random ends with shared blocks: 300 poses within the bounds; nearly always the named poses reach them.

    Where one axle carries both ends and their distance hardly changes, the search ends with a wider bracket.
    """
    near = []
    for case in cases(12):
        start, end = random_ends(case.chance)
        reach = reach_between(start, end)
        space = RodPiece("rod", start, end, 1.0).space
        chosen = np.array([reach.least_pose, reach.greatest_pose])
        poses = space.low + case.chance.random((300, len(space.low))) * (space.high - space.low)
        first, last = Ends(start, end).at(np.concatenate([chosen, poses]))
        found = np.linalg.norm(last - first, axis=1)
        assert reach.least_mm - 1e-9 <= found.min()
        assert found.max() <= reach.greatest_mm + 1e-9
        near.append(np.abs(found[:2] - [reach.least_mm, reach.greatest_mm]).max())
    assert np.mean(np.array(near) < 0.011) >= 0.8
    assert max(near) < 1.0


def test_reach_respects_the_linear_limits_of_a_block():
    """A slide of 50 to either side that a limit holds at 20 on one: the ends come no nearer than it lets them."""
    free = Slide("slide", (-50.0, 50.0), along=(1.0, 0.0, 0.0))
    held = Slide("slide", (-50.0, 50.0), limits=(Limit((-1.0,), 20.0),), along=(1.0, 0.0, 0.0))
    start = End((0.0, 0.0, 0.0), STILL)
    assert reach_between(start, End((300.0, 0.0, 0.0), free)).least_mm == pytest.approx(250.0, abs=0.02)
    assert reach_between(start, End((300.0, 0.0, 0.0), held)).least_mm == pytest.approx(280.0, abs=0.02)


def test_two_still_ends_are_as_far_apart_as_they_are():
    reach = reach_between(End((0.0, 0.0, 0.0), STILL), End((3.0, 4.0, 0.0), STILL))
    assert (reach.least_mm, reach.greatest_mm) == (5.0, 5.0)
