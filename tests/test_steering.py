"""Steered wheels against plan geometry: locks, Ackermann, how far a tyre and a steering arm reach."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.motion import STEERED_LEFT, STEERED_RIGHT, Carried, together
from fitcheck.vehicle.moving import RigidPiece
from fitcheck.vehicle.steering import (
    Kingpin,
    Steering,
    ackermann_outer_deg,
    floor_angle_rad,
    kingpin_turn_rad,
    leaning_kingpin,
    steered_wheels,
)

LEFT, RIGHT = Kingpin((0.0, -650.0, 250.0), (0.0, -650.0, 500.0)), Kingpin((0.0, 650.0, 250.0), (0.0, 650.0, 500.0))
LEANING = (
    leaning_kingpin((0.0, -650.0, 250.0), inclination_deg=10.0, caster_deg=6.0, side="left"),
    leaning_kingpin((0.0, 650.0, 250.0), inclination_deg=10.0, caster_deg=6.0, side="right"),
)


def upright(inner: float = 35.0, outer: float | None = None, wheelbase: float = 2600.0) -> Steering:
    return steered_wheels("steering", LEFT, RIGHT, inner, outer, wheelbase)


def placed(side, steer_deg: float, points) -> np.ndarray:
    return side.place(np.array([[math.radians(steer_deg)]]), np.atleast_2d(points))[0]


def rim(radius: float, width: float, out: float = 0.0) -> np.ndarray:
    """Both rims of the right tyre at hub height and all round, its plane ``out`` outboard of the kingpin."""
    angle = np.radians(np.arange(360.0))
    ring = np.stack([radius * np.cos(angle), np.zeros(360), radius * np.sin(angle)], axis=1) + [0.0, 650.0 + out, 400.0]
    return np.concatenate([ring + [0.0, side * width / 2.0, 0.0] for side in (-1.0, 1.0)])


# -- sense and locks --


def test_a_positive_steer_turns_the_fronts_of_both_wheels_to_the_right() -> None:
    """x is rearward and y to the right: what is ahead of the kingpin goes to larger y."""
    steering = upright()
    for side, y in ((steering.left, -650.0), (steering.right, 650.0)):
        front = placed(side, 20.0, (-300.0, y, 400.0))[0]
        assert front[1] > y + 80.0
        assert front[0] > -300.0


@pytest.mark.parametrize("kingpins", [(LEFT, RIGHT), LEANING], ids=["upright", "leaning"])
@pytest.mark.parametrize(("inner", "outer"), [(35.0, 28.0), (30.0, 30.0), (28.0, 33.0), (38.0, None)])
def test_both_locks_are_met_exactly_as_seen_from_above(kingpins, inner: float, outer: float | None) -> None:
    """At right lock the right wheel is the inner one, at left lock the left; the spindle's plan angle is the lock."""
    steering = steered_wheels("steering", *kingpins, inner, outer, 2600.0)
    outer = steering.outer_deg
    assert steering.high == pytest.approx([math.radians((inner + outer) / 2.0)])
    assert steering.low == pytest.approx(-steering.high)
    for end, right, left in ((steering.high, inner, outer), (steering.low, -outer, -inner)):
        for side, lock in ((steering.right, right), (steering.left, left)):
            spindle = side.turn(end[None])[0] @ [0.0, 1.0, 0.0]
            assert math.degrees(math.atan2(spindle[0], spindle[1])) == pytest.approx(lock)
        described = steering.describe(end)
        assert described["steering.right_wheel_deg"] == pytest.approx(right)
        assert described["steering.left_wheel_deg"] == pytest.approx(left)
        assert described["steering.steer_deg"] == pytest.approx(math.degrees(end[0]))


def test_upright_kingpins_turn_by_the_steer_and_its_square() -> None:
    """Right a·t + b·t², left a·t − b·t², with a = 1, b = (inner − outer) / 2T² (closed form)."""
    steering = upright(35.0, 28.0)
    t, most = math.radians(10.0), math.radians(31.5)
    bend = math.radians(3.5) / most**2
    described = steering.describe(np.array([t]))
    assert described["steering.right_wheel_deg"] == pytest.approx(math.degrees(t + bend * t**2))
    assert described["steering.left_wheel_deg"] == pytest.approx(math.degrees(t - bend * t**2))


def test_locks_about_the_kingpin_are_turns_about_it() -> None:
    """Read so, a leaning kingpin turns by exactly the locks: the trace of a rotation is 1 + 2·cos (closed form)."""
    steering = steered_wheels("steering", *LEANING, 35.0, 28.0, read="kingpin")
    for end, right, left in ((steering.high, 35.0, 28.0), (steering.low, 28.0, 35.0)):
        for side, lock in ((steering.right, right), (steering.left, left)):
            turned = (np.trace(side.turn(end[None])[0]) - 1.0) / 2.0
            assert math.degrees(math.acos(turned)) == pytest.approx(lock)


def test_a_kingpin_that_leans_turns_further_than_the_floor_shows() -> None:
    """Inclination 10°, no caster, 35° on the floor: 35.6° about the kingpin, by tan ψ = sin δ·cos i / (cos δ + …)."""
    pin = leaning_kingpin((0.0, 650.0, 250.0), inclination_deg=10.0, side="right")
    turn, lean = kingpin_turn_rad(pin, math.radians(35.0)), math.radians(10.0)
    assert math.degrees(turn) == pytest.approx(35.60, abs=0.01)
    plan = math.atan2(math.sin(turn) * math.cos(lean), math.cos(turn) * math.cos(lean) ** 2 + math.sin(lean) ** 2)
    assert math.degrees(plan) == pytest.approx(35.0)


@pytest.mark.parametrize("pin", [*LEANING, LEFT, Kingpin((0.0, 650.0, 250.0), (60.0, 590.0, 350.0))])
@pytest.mark.parametrize("angle", [-80.0, -40.0, -12.0, 0.0, 1.0, 33.0, 60.0, 80.0])
def test_floor_angle_and_kingpin_turn_undo_each_other(pin: Kingpin, angle: float) -> None:
    assert floor_angle_rad(pin, kingpin_turn_rad(pin, math.radians(angle))) == pytest.approx(math.radians(angle))


def test_the_kingpin_leans_inward_and_rearward_and_stays() -> None:
    """Top of both toward the middle and to larger x by the tangents; points of the axis do not move."""
    for pin, inward in ((LEANING[0], 1.0), (LEANING[1], -1.0)):
        lean = np.subtract(pin.upper, pin.lower)
        back, across = math.tan(math.radians(6.0)), inward * math.tan(math.radians(10.0))
        assert lean / lean[2] == pytest.approx([back, across, 1.0])
    steering = steered_wheels("steering", *LEANING, 35.0, 30.0)
    on_axis = np.array([LEANING[1].lower, LEANING[1].upper])
    assert placed(steering.right, 25.0, on_axis) == pytest.approx(on_axis)


# -- Ackermann --


@pytest.mark.parametrize(("inner", "spacing", "wheelbase"), [(35.0, 1300.0, 2600.0), (28.0, 1180.0, 2950.0)])
def test_at_ackermanns_locks_both_spindles_point_at_one_point_of_the_rear_axle(inner, spacing, wheelbase) -> None:
    """A spindle meets the rear axle's line wheelbase/tan(lock) from its kingpin: both in the same point."""
    outer = ackermann_outer_deg(inner, spacing, wheelbase)
    from_inner = wheelbase / math.tan(math.radians(inner))
    from_outer = wheelbase / math.tan(math.radians(outer))
    assert from_outer - from_inner == pytest.approx(spacing)
    assert outer < inner


@pytest.mark.parametrize("inner", [28.0, 35.0, 40.0])
@pytest.mark.parametrize("share", [0.4, 0.5, 0.6])
def test_between_the_locks_the_outer_wheel_stays_near_ackermann(inner: float, share: float) -> None:
    """As the module says: within 0.35° for inner locks up to 40° and a spacing up to 0.6 wheelbases."""
    wheelbase = 1300.0 / share
    steering = upright(inner, None, wheelbase)
    for steer in np.linspace(0.01, 1.0, 60) * steering.most_rad:
        found = steering.describe(np.array([steer]))
        exact = ackermann_outer_deg(found["steering.right_wheel_deg"], 1300.0, wheelbase)
        assert found["steering.left_wheel_deg"] == pytest.approx(exact, abs=0.35)


# -- how far things reach --


@pytest.mark.parametrize(
    ("steer", "along", "across"), [(0.0, 316.0, 102.5), (30.0, 324.91, 246.77), (38.0, 312.12, 275.32)]
)
def test_C23_plan_half_size_of_a_steered_tyre(steer: float, along: float, across: float) -> None:
    """R 316, width 205, about its own centre: R·cos + w/2·sin and R·sin + w/2·cos (closed form)."""
    tyre = placed(upright(38.0, 38.0).right, steer, rim(316.0, 205.0))
    assert np.abs(tyre[:, 0]).max() == pytest.approx(along, abs=0.005)
    assert np.abs(tyre[:, 1] - 650.0).max() == pytest.approx(across, abs=0.005)


def test_C24_largest_plan_reach_of_that_tyre_is_what_the_sweep_finds() -> None:
    """hypot(316, 102.5) = 332.21 (closed form): a point 400 ahead of the kingpin is 67.79 away at the nearest pose."""
    tyre = solids.box((-316.0, 547.5, 399.0), (316.0, 752.5, 401.0))
    piece = RigidPiece("tyre", upright(38.0, 38.0).right, tyre)
    point = np.array([[[-400.0, 650.0, 400.0]]])
    (least,) = least_over_motion([piece], [Obstacle(point)], (piece.motion.low, piece.motion.high))
    exact = 400.0 - math.hypot(316.0, 102.5)
    assert least.at_least_mm - 1e-9 <= exact <= least.distance_mm + 0.03
    assert least.proven
    assert abs(least.pose[0]) == pytest.approx(math.atan2(102.5, 316.0), abs=0.02)


@pytest.mark.parametrize("steer", [35.0, -35.0])
def test_inboard_reach_of_a_steered_tyre_is_278_mm(steer: float) -> None:
    """R·sin δ + (w/2 − s)·cos δ = 277.76 for R 395, w 205, s 40, δ 35° (closed form), either way."""
    tyre = placed(upright(35.0, 35.0).right, steer, rim(395.0, 205.0, out=40.0))
    angle = math.radians(35.0)
    exact = 395.0 * math.sin(angle) + (102.5 - 40.0) * math.cos(angle)
    assert exact == pytest.approx(277.76, abs=0.005)
    assert 650.0 - tyre[:, 1].min() == pytest.approx(exact)


@pytest.mark.parametrize("lean_deg", [0.0, 14.0])
@pytest.mark.parametrize("steer", [-30.0, 10.0, 35.0])
def test_the_tip_of_a_steering_arm_goes_on_its_circle(lean_deg: float, steer: float) -> None:
    """Arm of 150 behind the kingpin, its tip inward by ``lean``: fore and aft and sideways by the arm's sin and cos."""
    arm, lean = 150.0, math.radians(lean_deg)
    tip = np.array([arm * math.cos(lean), 650.0 - arm * math.sin(lean), 300.0])
    moved = placed(upright(35.0, 35.0).right, steer, tip)[0]
    angle = lean + math.radians(steer)  # to the right: the front out, the tip behind inward
    assert moved == pytest.approx([arm * math.cos(angle), 650.0 - arm * math.sin(angle), 300.0])
    if not lean_deg:
        assert moved[1] - 650.0 == pytest.approx(-arm * math.sin(math.radians(steer)))


# -- bounds --


@pytest.mark.parametrize("side", ["left", "right"])
def test_no_difference_of_places_exceeds_the_bounds(side: str) -> None:
    """Means of p′ and p″ over segments within the box, as in the chains' own test."""
    rng = np.random.default_rng(5)
    motion = getattr(steered_wheels("steering", *LEANING, 40.0, 29.0), side)
    points = rng.uniform(-400.0, 400.0, (5, 3)) + [0.0, 600.0, 300.0]
    offset = motion.offsets(points)
    for least, most in [(motion.low, motion.high), *np.sort(rng.uniform(motion.low, motion.high, (9, 2)), axis=1)]:
        low, high = np.full((1, 1), least), np.full((1, 1), most)
        half = (high - low)[0] * rng.uniform(0.01, 0.5, 200)
        middle = low[0] + half + rng.uniform(size=200) * (high - low - 2.0 * half)[0]
        back, there, on = (motion.place((middle + k * half)[:, None], points) for k in (-1, 0, 1))
        first = np.linalg.norm(on - back, axis=2) / (2.0 * half[:, None])
        second = np.linalg.norm(on - 2.0 * there + back, axis=2) / half[:, None] ** 2
        assert (first <= motion.slope(low, high, offset) * (1.0 + 1e-9)).all()
        assert (second <= motion.bend(low, high, offset) + 1e-9 / half[:, None] ** 2).all()
        assert second.max() >= 0.5 * motion.bend(low, high, offset)[0, 0], "nor is the bound far off"


# -- one block for both --


def test_both_wheels_on_an_axle_share_the_steering_and_the_axle() -> None:
    steering, axle = upright(), SolidAxle("front", (0.0, 0.0, 350.0), 80.0, 90.0, 400.0)
    space = together(Carried(axle, steering.left), Carried(axle, steering.right))
    assert space.coordinates == ("steering.steer", "front.right", "front.left", "front.wind_up", "front.lateral")
    assert space.blocks[0] is steering


def test_its_causes_are_both_ways_from_straight_ahead() -> None:
    steering = upright()
    causes = steering.causes()
    assert set(causes) == {STEERED_LEFT, STEERED_RIGHT}
    assert causes[STEERED_RIGHT] == (pytest.approx([0.0]), pytest.approx(steering.high))
    assert causes[STEERED_LEFT] == (pytest.approx(steering.low), pytest.approx([0.0]))


def test_a_pose_in_words_is_read_back_and_held_at_the_locks() -> None:
    steering = upright()
    assert steering.pose_of(steering.describe(np.array([0.2]))) == pytest.approx([0.2])
    assert steering.pose_of({}) == pytest.approx([0.0])
    assert steering.within(np.array([9.0])) == pytest.approx(steering.high)
    assert steering.at_heave(40.0) == pytest.approx([0.0])


def test_a_steering_can_be_pickled_and_its_repr_does_not_change() -> None:
    steering = upright()
    before = repr(steering.right)
    placed(steering.right, 10.0, (0.0, 0.0, 0.0))
    again = pickle.loads(pickle.dumps(steering.right))
    assert again == steering.right
    assert repr(again) == before
    assert "left_kingpin" in before
    assert repr(steering.left) != before


# -- what cannot be --

BAD = {
    "inner lock: expected more than 0°": {"inner_deg": 0.0},
    "inner lock: expected more than 0° and up to 80°, found 95°": {"inner_deg": 95.0},
    "inner lock": {"inner_deg": math.nan},
    "outer lock": {"outer_deg": -20.0},
    "is one of them the whole range": {"outer_deg": 12.0},
    "expected the outer lock or a wheelbase": {"outer_deg": None},
    "of more than 0 mm to work it out, found -5 mm": {"outer_deg": None, "wheelbase_mm": -5.0},
    "left kingpin: expected its upper point above": {"left": Kingpin(LEFT.upper, LEFT.lower)},
    "right kingpin: expected its upper point above": {"right": Kingpin(RIGHT.lower, RIGHT.lower)},
    "right kingpin: expected finite places": {"right": Kingpin(RIGHT.lower, (math.nan, 0.0, 0.0))},
    "expected the left kingpin left of the right one": {"left": RIGHT, "right": LEFT},
    "read: expected 'floor' or 'kingpin', found 'ceiling'": {"read": "ceiling"},
}


@pytest.mark.parametrize("complaint", BAD)
def test_a_steering_that_cannot_be_is_refused(complaint: str) -> None:
    given = {"left": LEFT, "right": RIGHT, "inner_deg": 35.0, "outer_deg": 28.0, "wheelbase_mm": None}
    with pytest.raises(InputError) as caught:
        steered_wheels("steering", **(given | BAD[complaint]))
    assert str(caught.value).startswith("mechanism 'steering': ")
    assert complaint in str(caught.value)


def test_a_kingpin_that_leans_too_far_or_is_on_no_side_is_refused() -> None:
    with pytest.raises(InputError, match="45°"):
        leaning_kingpin((0.0, 650.0, 250.0), inclination_deg=50.0, side="right")
    with pytest.raises(InputError, match="'left' or 'right'"):
        leaning_kingpin((0.0, 650.0, 250.0), side="inner")
