"""Swing arms against circles drawn by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.arms import pivot_axis, swing_arm
from fitcheck.vehicle.motion import STRAIGHT_BUMP, STRAIGHT_DROOP
from fitcheck.vehicle.moving import RigidPiece

WHEEL = (0.0, 740.0, 350.0)


def wheel_at(arm, pose):
    return arm.place(np.atleast_2d(pose), np.array([arm.wheel]))[0, 0]


@pytest.mark.parametrize(
    "pivots",
    [
        ((450.0, 300.0, 380.0), (450.0, 600.0, 380.0)),  # trailing arm
        ((450.0, 600.0, 380.0), (450.0, 300.0, 380.0)),  # the same, its pivots named the other way round
        ((-450.0, 300.0, 310.0), (-450.0, 600.0, 310.0)),  # leading arm
        ((-200.0, 150.0, 300.0), (200.0, 150.0, 300.0)),  # front-view swing arm
        ((500.0, 200.0, 400.0), (100.0, 50.0, 300.0)),  # semi-trailing, its axis slanted
    ],
)
def test_the_wheel_rises_and_falls_by_exactly_the_travel_on_a_circle(pivots) -> None:
    """A positive angle lifts, the ends are the stops, and the distance to the axis stays."""
    arm = swing_arm("arm", WHEEL, pivots, 90.0, 70.0)
    assert arm.coordinates == ("arm.arm",)
    assert wheel_at(arm, arm.high)[2] == pytest.approx(350.0 + 90.0)
    assert wheel_at(arm, arm.low)[2] == pytest.approx(350.0 - 70.0)
    assert arm.low[0] < 0.0 < arm.high[0]
    axis = np.subtract(pivots[1], pivots[0]) / np.linalg.norm(np.subtract(pivots[1], pivots[0]))
    radii = [
        np.linalg.norm(np.cross(wheel_at(arm, angle) - pivots[0], axis))
        for angle in np.linspace(arm.low[0], arm.high[0], 9)
    ]
    assert radii == pytest.approx([radii[0]] * 9)
    assert (arm.bump_mm, arm.droop_mm) == (90.0, 70.0)


@pytest.mark.parametrize("heave", [-70.0, -33.0, 0.0, 1e-3, 50.0, 90.0])
def test_at_a_heave_the_wheel_stands_so_much_higher(heave: float) -> None:
    arm = swing_arm("arm", WHEEL, ((500.0, 200.0, 400.0), (100.0, 50.0, 300.0)), 90.0, 70.0)
    pose = arm.at_heave(heave)
    assert wheel_at(arm, pose)[2] - 350.0 == pytest.approx(heave, abs=1e-6)
    assert arm.describe(pose)["arm.wheel_mm"] == pytest.approx(heave, abs=1e-6)
    assert arm.pose_of({"arm.wheel_mm": heave}) == pytest.approx(pose)


def test_beyond_the_stops_it_stands_at_them() -> None:
    arm = swing_arm("arm", WHEEL, ((450.0, 300.0, 380.0), (450.0, 600.0, 380.0)), 90.0, 70.0)
    assert arm.at_heave(500.0) == pytest.approx(arm.high)
    assert arm.at_heave(-500.0) == pytest.approx(arm.low)


@pytest.mark.parametrize("rise", [20.0, 60.0, 90.0])
def test_camber_of_a_level_front_view_arm_changes_by_asin_of_rise_over_length(rise: float) -> None:
    """Arm of 740 level at rest: the wheel's plane turns by asin(z / s), z / s while it is small (closed form)."""
    arm = swing_arm("arm", WHEEL, pivot_axis(WHEEL, front_view=(0.0, 350.0)), 90.0, 70.0)
    turned = arm.turn(arm.at_heave(rise)[None])[0] @ [0.0, 1.0, 0.0]
    camber = math.atan2(turned[2], turned[1])
    assert camber == pytest.approx(math.asin(rise / 740.0), abs=1e-9)
    assert camber == pytest.approx(rise / 740.0, rel=3e-3)
    assert turned[0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("rise", [10.0, 50.0])
def test_pitch_of_a_side_view_arm_is_rise_over_length(rise: float) -> None:
    """Side-view swing arm 1200 long and level: Δpitch = asin(z / s) ≈ z / s (closed form)."""
    arm = swing_arm("arm", WHEEL, pivot_axis(WHEEL, side_view=(1200.0, 350.0)), 90.0, 70.0)
    turned = arm.turn(arm.at_heave(rise)[None])[0] @ [1.0, 0.0, 0.0]
    assert abs(math.atan2(turned[2], turned[0])) == pytest.approx(rise / 1200.0, rel=1e-3)
    assert turned[1] == pytest.approx(0.0, abs=1e-12)


def test_both_virtual_pivots_together_give_the_line_through_them() -> None:
    """In each view the wheel's centre starts off square to the line from its own virtual pivot (closed form)."""
    front, side = (-900.0, 250.0), (1500.0, 500.0)
    arm = swing_arm("arm", WHEEL, pivot_axis(WHEEL, front_view=front, side_view=side), 90.0, 70.0)
    start = wheel_at(arm, np.array([1e-6])) - np.array(WHEEL)
    assert start[1] * (WHEEL[1] - front[0]) + start[2] * (WHEEL[2] - front[1]) == pytest.approx(0.0, abs=1e-6)
    assert start[0] * (WHEEL[0] - side[0]) + start[2] * (WHEEL[2] - side[1]) == pytest.approx(0.0, abs=1e-6)
    assert start[2] > 0.0


def test_its_causes_are_bump_and_droop_from_the_scan_pose() -> None:
    arm = swing_arm("arm", WHEEL, ((450.0, 300.0, 380.0), (450.0, 600.0, 380.0)), 90.0, 70.0)
    causes = arm.causes()
    assert set(causes) == {STRAIGHT_BUMP, STRAIGHT_DROOP}
    assert causes[STRAIGHT_BUMP] == (pytest.approx([0.0]), pytest.approx(arm.high))
    assert causes[STRAIGHT_DROOP] == (pytest.approx(arm.low), pytest.approx([0.0]))


def test_no_travel_is_an_arm_that_stands_still() -> None:
    arm = swing_arm("arm", WHEEL, ((450.0, 300.0, 380.0), (450.0, 600.0, 380.0)), 0.0, 0.0)
    assert (arm.low == 0.0).all()
    assert (arm.high == 0.0).all()


def test_the_least_gap_of_an_arms_wheel_to_an_edge_on_its_circle_is_the_difference_of_radii() -> None:
    """A ball r = 30 on an arm of 500 passes a plate's edge at 450 from the pivot: 500 − 30 − 450 = 20, part-way up."""
    wheel, pivot = (500.0, 0.0, 0.0), ((0.0, -1.0, 0.0), (0.0, 1.0, 0.0))
    arm = swing_arm("arm", wheel, pivot, 200.0, 200.0)
    angle = math.radians(10.0)
    edge = np.array([450.0 * math.cos(angle), 0.0, 450.0 * math.sin(angle)])
    piece = RigidPiece("ball", arm, solids.sphere(wheel, 30.0))
    (least,) = least_over_motion([piece], [Obstacle(edge[None, None, :])], (arm.low, arm.high))
    assert least.proven
    assert least.at_least_mm - 1e-9 <= 20.0 <= least.distance_mm + 1e-3
    assert least.pose == pytest.approx([angle], abs=0.02)


BAD = {
    "expected two pivots apart": {"pivots": ((1.0, 2.0, 3.0), (1.0, 2.0, 3.0))},
    "does not lift the wheel": {"pivots": ((300.0, 500.0, 0.0), (300.0, 500.0, 700.0))},
    "or goes through its centre": {"pivots": ((0.0, 0.0, 350.0), (0.0, 500.0, 350.0))} | {"wheel": (0.0, 740.0, 350.0)},
    "bump: expected at most 120.0 mm": {"pivots": ((200.0, 0.0, 350.0 - 160.0), (200.0, 9.0, 350.0 - 160.0))}
    | {"bump_mm": 120.0 + 0.2, "wheel": (320.0, 740.0, 350.0 - 160.0)},
    "droop: expected at most 120.0 mm": {"pivots": ((200.0, 0.0, 190.0), (200.0, 9.0, 190.0))}
    | {"droop_mm": 121.0, "wheel": (320.0, 740.0, 190.0)},
    "bump: expected a travel of 0 mm or more": {"bump_mm": -1.0},
    "droop: expected a travel of 0 mm or more": {"droop_mm": math.nan},
    "expected finite places": {"wheel": (math.nan, 0.0, 0.0)},
}


@pytest.mark.parametrize("complaint", BAD)
def test_an_arm_that_cannot_be_is_refused(complaint: str) -> None:
    """Among them travel that the arm cannot reach: level, 120 long, it reaches 120 up and 120 down."""
    pivots = ((450.0, 300.0, 380.0), (450.0, 600.0, 380.0))
    given = {"wheel": WHEEL, "pivots": pivots, "bump_mm": 90.0, "droop_mm": 70.0}
    with pytest.raises(InputError) as caught:
        swing_arm("arm", **(given | BAD[complaint]))
    assert str(caught.value).startswith("mechanism 'arm': ")
    assert complaint in str(caught.value)


def test_virtual_pivots_of_no_view_are_refused() -> None:
    with pytest.raises(InputError, match="found none"):
        pivot_axis(WHEEL)
