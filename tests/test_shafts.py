"""Propeller shafts: joint angles, lengths, plunge, critical speed. Row names (D7 …) are those of the check values.

"READ": stands in a maker's manual or a public page; "CALC": closed form, recomputed.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trucks import mass, rear_axle, weights

from fitcheck.checks.shaft_speed import critical_rpm, output_speeds_rpm
from fitcheck.checks.shaft_travel import angle_between_deg
from fitcheck.checks.shafts import (
    Road,
    check_shafts,
    compound_deg,
    compound_small_deg,
    ends_of,
    shaft_over_travel,
    swing_half_height_mm,
    swing_longer_mm,
    working_angles_deg,
)
from fitcheck.errors import InputError, InternalError
from fitcheck.result import Shaft
from fitcheck.vehicle.masses import GRAVITY
from fitcheck.vehicle.mechanisms import SolidAxle, Still
from fitcheck.vehicle.motion import Block, Limit
from fitcheck.vehicle.scene import Axle, LoadState, Scene, ShaftPart, Tyre

STEEL = math.sqrt(200e9 / 7850.0)
INCH = 25.4
GRAVITY_IN = 386.4  # in/s2: the inch pages' own 32.2 ft/s2; the standard 386.09 turns the speeds down by 0.04 %


def sound_m_s(psi: float, pounds_per_cubic_inch: float) -> float:
    """Speed of sound in a bar from an inch-pound page's E and weight density."""
    return math.sqrt(psi * GRAVITY_IN / pounds_per_cubic_inch) * INCH / 1000.0


def tube(length_in: float, diameter_in: float, wall_in: float, sound: float) -> float:
    return critical_rpm(length_in * INCH, diameter_in * INCH, wall_mm=wall_in * INCH, sound_m_s=sound)


def test_d7_compound_angle_by_the_root_of_squares() -> None:
    assert compound_small_deg(2.15, 2.5) == pytest.approx(3.297, abs=5e-4)  # Source: manual (READ; CALC)


@pytest.mark.parametrize(("plan", "side", "angle"), [(2.15, 2.5, 3.2956), (8.0, 6.0, 9.954)])
def test_d8_compound_angle_exact(plan: float, side: float, angle: float) -> None:
    """Source: closed form (CALC); and the angle between the lines themselves says the same."""
    assert compound_deg(plan, side) == pytest.approx(angle, abs=5e-4)
    line = np.array([1.0, math.tan(math.radians(plan)), math.tan(math.radians(side))])
    assert angle_between_deg(np.array([1.0, 0.0, 0.0]), line) == pytest.approx(compound_deg(plan, side))


def test_d9_signed_working_angles() -> None:
    front, rear = working_angles_deg(3.0, 1.0, -1.0)  # Source: manual (READ; CALC)
    assert (front, rear, front - rear) == (2.0, 2.0, 0.0)


def test_x4_misprinted_joint_angle_is_not_reproduced() -> None:
    """1200 rpm with a swing of 100 rpm: the exercise prints 16.2 deg; 16.423 gives 1251.04 and 1151.04 (CALC)."""
    low, high = output_speeds_rpm(1200.0, 16.423)
    assert (high, low) == pytest.approx((1251.04, 1151.04), abs=0.01)
    low, high = output_speeds_rpm(1200.0, 16.2)
    assert high - low < 98.0


def test_d12_uniform_tube_by_its_section() -> None:
    """n = (30 pi / L^2) sqrt(E I / (rho A)) with I and A written out is the same speed (closed form)."""
    outer, inner, length = 0.0762, 0.0702, 1.2
    area, inertia = math.pi / 4 * (outer**2 - inner**2), math.pi / 64 * (outer**4 - inner**4)
    expected = 30 * math.pi / length**2 * math.sqrt(200e9 * inertia / (7850.0 * area))
    assert critical_rpm(1200.0, 76.2, wall_mm=3.0, sound_m_s=STEEL) == pytest.approx(expected, rel=1e-12)


def test_d13_steel_tube_and_its_margin() -> None:
    # Source: shaft page (section data and speeds READ; L and E inferred, CALC).
    speed = critical_rpm(1200.0, 76.2, wall_mm=3.0, sound_m_s=STEEL)
    assert speed == pytest.approx(8557.0, abs=1.0)
    assert 0.75 * speed == pytest.approx(6418.0, abs=1.0)


def test_d14_inch_tube_and_x7_its_rounded_print() -> None:
    """45 in, 3.5 in OD, 0.083 in wall, 30 Mpsi: 11383 rpm (CALC); the page prints 11390 (READ)."""
    speed = tube(45.0, 3.5, 0.083, sound_m_s(30e6, 0.283))
    assert speed == pytest.approx(11383.0, abs=1.0)
    assert abs(speed - 11390.0) > 4.0


def test_x5_misprinted_speed_of_a_48_inch_shaft_is_not_reproduced() -> None:
    """The page says "near 7200 rpm"; its own formula with 29 Mpsi and 0.283 lb/in3 gives 8295."""
    assert tube(48.0, 3.0, 0.12, sound_m_s(29e6, 0.283)) == pytest.approx(8295.0, abs=1.0)


def test_x6_uniform_beam_is_the_model_not_a_mass_at_mid_span() -> None:
    """An exercise's 5800 rpm lumps the mass at mid-span; the uniform tube turns at 8262 (CALC)."""
    density = 0.00883 / 12.0 * GRAVITY_IN  # slug/in3 to lb/in3
    assert tube(48.0, 3.0, 0.125, sound_m_s(29e6, density)) == pytest.approx(8262.0, abs=3.0)


def test_speed_of_the_sample_trucks_rear_shaft() -> None:
    # Source: closed form (CALC): diameter 63.5 x 2.5, 1.0645 m, 5110 m/s.
    assert critical_rpm(1064.5, 63.5, wall_mm=2.5, sound_m_s=5110.0) == pytest.approx(9170.0, abs=5.0)


@pytest.mark.parametrize(("length", "rise", "longer"), [(1200.0, 80.0, 2.66), (1000.0, 100.0, 4.99)])
def test_d16_a_swinging_shaft_gets_longer(length: float, rise: float, longer: float) -> None:
    assert swing_longer_mm(length, rise) == pytest.approx(longer, abs=0.005)  # Source: closed form (CALC)


def straight_axle(**more: Any) -> SolidAxle:
    """Travel +-80 about its scan pose, its centre at the pinion joint, so that roll and nothing else turns there."""
    return SolidAxle("axle", more.pop("centre", (1190.0, 0.0, 400.0)), 80.0, 80.0, 400.0, **more)


def over(shaft: ShaftPart, mechanisms: dict[str, Block], road: Road | None = None) -> Shaft:
    """The shaft with each joint on the mechanism that it names, or on the body."""
    return shaft_over_travel(shaft, ends_of(shaft, mechanisms), road)


D17 = ShaftPart("shaft", (0, 0, 460), (1190, 0, 400), "axle", 76.2, 3.0, None, None)


def test_d17_the_shortest_length_lies_inside_the_travel() -> None:
    """Horizontal run 1190, pinion 60 below: plunge 8.21; the ends of the travel alone give 8.04 (closed form)."""
    found = over(D17, {"axle": straight_axle()})
    assert found.length_mm.ride == pytest.approx(1191.51, abs=0.005)
    assert found.length_mm.min == pytest.approx(1190.00, abs=0.01)
    assert found.length_mm.max == pytest.approx(1198.21, abs=0.005)
    assert found.plunge_mm == pytest.approx(8.21, abs=0.01)
    ends = [math.hypot(1190.0, drop) for drop in (-20.0, 60.0, 140.0)]
    assert max(ends) - min(ends) == pytest.approx(8.04, abs=0.005)


def test_d17_joint_angles() -> None:
    # Source: closed form (CALC): 2.89 at ride, 6.71 at full droop; both joints' axes stay parallel.
    found = over(D17, {"axle": straight_axle()}).joint_deg
    for end in ("front", "rear"):
        assert found[end].ride == pytest.approx(2.89, abs=0.005)
        assert found[end].max == pytest.approx(6.71, abs=0.005)


def test_d17_the_slowest_critical_speed_is_reported() -> None:
    found = over(D17, {"axle": straight_axle()})
    assert found.critical_rpm == pytest.approx(critical_rpm(1198.2070, 76.2, wall_mm=3.0, sound_m_s=5110.0), rel=1e-6)


@pytest.mark.parametrize(("along", "half"), [(500.0, 55.48), (1000.0, 72.94)])
def test_d18_cone_of_a_swinging_tube(along: float, half: float) -> None:
    # Source: closed form (CALC): R 38, +-2 deg.
    assert swing_half_height_mm(along, radius_mm=38.0, swing_deg=2.0) == pytest.approx(half, abs=0.006)


def test_wind_up_turns_the_pinions_axis() -> None:
    """A level shaft in line with its pinion: 6 deg of wind-up about the pinion joint is 6 deg at the rear joint."""
    level = replace(D17, start_mm=(0, 0, 400))
    stiff = replace(straight_axle(wind_up_drive_deg=6.0, wind_up_brake_deg=4.0), bump_mm=0.0, droop_mm=0.0)
    found = over(level, {"axle": stiff})
    assert found.joint_deg["rear"].ride == pytest.approx(0.0, abs=1e-9)
    assert found.joint_deg["rear"].max == pytest.approx(6.0, abs=0.01)
    assert found.joint_deg["front"].max == pytest.approx(0.0, abs=1e-9)
    assert found.plunge_mm == pytest.approx(0.0, abs=1e-9)


def sample_shaft(**more: Any) -> ShaftPart:
    shaft = ShaftPart("rear_shaft", (1330, 0, 480), (2390, 60, 404), "rear_axle", 63.5, 2.5, 100.0, 60.0)
    return replace(shaft, **more)


def test_extremes_over_all_four_coordinates_against_a_fine_grid() -> None:
    """Leaf arc, roll, wind-up and side play together: no pose of 27 x 27 x 15 x 5 lies outside, and some lie close."""
    axle, shaft = rear_axle(), sample_shaft()
    found = over(shaft, {"rear_axle": axle})
    counts = (27, 27, 15, 5)
    values = [np.linspace(low, high, n) for low, high, n in zip(axle.low, axle.high, counts, strict=True)]
    poses = np.array(list(product(*values)))
    along = axle.place(poses, np.array([shaft.end_mm], float))[:, 0] - np.array(shaft.start_mm)
    length = np.linalg.norm(along, axis=1)
    front = np.degrees(np.arccos(along[:, 0] / length))
    rear = np.degrees(np.arccos(np.einsum("ni,ni->n", axle.turn(poses)[:, :, 0], along) / length))
    assert length.min() - 0.1 <= found.length_mm.min <= length.min() + 1e-9
    for high, got, close in (
        (length.max(), found.length_mm.max, 0.05),
        (front.max(), found.joint_deg["front"].max, 0.05),
        (rear.max(), found.joint_deg["rear"].max, 0.05),
    ):
        assert high - 1e-9 <= got <= high + close
    assert found.plunge_mm == pytest.approx(found.length_mm.max - found.length_mm.min)
    ride = np.array([1060.0, 60.0, -76.0])
    assert found.length_mm.ride == pytest.approx(np.linalg.norm(ride))
    assert found.joint_deg["front"].ride == pytest.approx(compound_deg(*np.degrees(np.arctan(ride[1:] / 1060.0))))


@settings(max_examples=20)
@given(rise=st.floats(-70.0, 70.0), out=st.floats(700.0, 2500.0))
def test_the_shortest_length_inside_straight_travel_is_found_to_a_hundredth(rise: float, out: float) -> None:
    """Joint within the travel's height: the shortest length is the horizontal run; else an end (closed form)."""
    shaft = replace(D17, start_mm=(1190.0 - out, 0.0, 400.0 + rise))
    found = over(shaft, {"axle": straight_axle()})
    assert found.length_mm.min == pytest.approx(out, abs=0.01)
    assert found.length_mm.max == pytest.approx(math.hypot(out, 80.0 + abs(rise)), abs=0.01)


def test_a_shaft_that_runs_forward_has_the_same_small_angles() -> None:
    """Axes are lines: a shaft toward -x is not at 170 deg to its joints."""
    front = ShaftPart("front_shaft", (690, 120, 480), (235, 120, 402), None, 63.5, 2.5, 100.0, 60.0)
    found = over(front, {}).joint_deg
    assert found["front"].ride == pytest.approx(math.degrees(math.atan(78.0 / 455.0)))
    assert found["rear"].ride == pytest.approx(found["front"].ride)


def test_two_fixed_joints_leave_nothing_to_move() -> None:
    found = over(replace(D17, end_on=None), {})
    assert found.plunge_mm == 0.0
    assert found.length_mm.min == found.length_mm.ride == found.length_mm.max
    assert found.joint_deg["front"].ride == found.joint_deg["front"].max


def test_both_joints_on_one_axle_keep_the_length() -> None:
    both = replace(D17, start_on="axle", start_mm=(1190, -300, 400), end_mm=(1190, 300, 400), start_axis=(0, 1, 0))
    found = over(both, {"axle": straight_axle()})
    assert found.plunge_mm == pytest.approx(0.0, abs=1e-9)
    assert found.joint_deg["front"].max == pytest.approx(0.0, abs=1e-6)


def test_joints_on_two_mechanisms_move_apart() -> None:
    """One axle 80 down and the other 80 up: the run of 1000 becomes hypot(1000, 160)."""
    ahead, behind = (replace(straight_axle(centre=(x, 0.0, 400.0)), name=str(x)) for x in (0.0, 1000.0))
    shaft = replace(D17, start_on="ahead", end_on="behind", start_mm=(0, 0, 400), end_mm=(1000, 0, 400))
    found = over(shaft, {"ahead": ahead, "behind": behind})
    assert found.length_mm.max == pytest.approx(math.hypot(1000.0, 160.0), abs=0.01)
    assert found.length_mm.min == pytest.approx(1000.0, abs=0.01)


def test_without_a_wall_there_is_no_critical_speed() -> None:
    assert over(replace(D17, wall_mm=None), {"axle": straight_axle()}).critical_rpm is None


def test_joints_that_coincide_are_refused_with_the_place_of_the_entry() -> None:
    shaft = replace(D17, end_on=None, end_mm=D17.start_mm, origin="truck.yaml:41")
    with pytest.raises(InputError, match=r"truck\.yaml:41: the two joints of shaft coincide"):
        over(shaft, {})


def test_an_unknown_mechanism_is_our_own_bug() -> None:
    with pytest.raises(InternalError, match="is no mechanism"):
        over(D17, {})


def truck(**more: Any) -> Scene:
    """Two axles, the rear one on its mechanism, on four scales."""
    tyre = Tyre(395.0, 205.0, 300.0)
    front = Axle("front", 0.0, 1480.0, 1000.0, 40.0, tyre)
    rear = Axle("rear", 2620.0, 1480.0, 1450.0, 48.0, tyre, mechanisms=("rear_axle",))
    facts: dict[str, Any] = {
        "parts": (),
        "scan": None,
        "axles": {"front": front, "rear": rear},
        "weights": weights(),
        "mechanisms": {"rear_axle": rear_axle()},
        "load_states": (LoadState("kerb"), LoadState("laden", (mass("cargo", 300.0, (2620, 0, 1000)),))),
    }
    return Scene("truck", "truck.yaml", "truck", **{**facts, **more})


def test_every_shaft_of_a_scene_is_checked() -> None:
    shafts = (sample_shaft(mass=mass("rear_shaft", 8.0, (1860, 30, 440))), sample_shaft(name="spare", end_on=None))
    found = check_shafts(truck(shafts=shafts))
    assert list(found) == ["rear_shaft", "spare"]
    assert found["rear_shaft"].rides_on == (None, "rear_axle")
    assert found["spare"].rides_on == (None, None)
    assert check_shafts(truck()) == {}


# -- the poses that are named --


def test_a_load_states_angle_is_that_of_the_axle_pushed_up_by_what_the_springs_gave() -> None:
    """300 kg over the rear axle: 300 g / (2 x 48) = 30.65 mm up; the shaft's drop of 60 leaves 29.35 (closed form)."""
    shaft = replace(D17, end_mm=(1190, 0, 400), end_on="rear_axle")
    axle = straight_axle()
    one = truck(shafts=(shaft,), mechanisms={"rear_axle": replace(axle, name="rear_axle")})
    found = check_shafts(one)["shaft"]
    up = 300.0 * GRAVITY / (2.0 * 48.0)
    for end in ("front", "rear"):
        angles = found.joint_deg[end]
        assert list(angles.laden) == ["kerb", "laden"]
        assert angles.laden["kerb"] == pytest.approx(angles.ride)
        assert angles.laden["laden"] == pytest.approx(math.degrees(math.atan((60.0 - up) / 1190.0)), abs=1e-6)
        assert angles.droop == pytest.approx(math.degrees(math.atan(140.0 / 1190.0)), abs=1e-6)


def test_both_end_poses_of_the_plunge_are_named_and_give_its_lengths() -> None:
    axle, shaft = rear_axle(), sample_shaft()
    found = over(shaft, {"rear_axle": axle})
    for pose, length in (
        (found.length_mm.min_pose, found.length_mm.min),
        (found.length_mm.max_pose, found.length_mm.max),
    ):
        place = axle.place(axle.pose_of(pose)[None], np.array([shaft.end_mm], float))[0, 0]
        assert np.linalg.norm(place - np.array(shaft.start_mm)) == pytest.approx(length, abs=1e-6)
    worst = axle.pose_of(found.joint_deg["rear"].max_pose)
    line = axle.place(worst[None], np.array([shaft.end_mm], float))[0] - np.array(shaft.start_mm)
    assert angle_between_deg(axle.turn(worst[None])[:, :, 0], line)[0] == pytest.approx(found.joint_deg["rear"].max)


def test_a_motion_given_to_an_end_is_used_before_a_mechanism_of_that_name() -> None:
    """Both joints carried by the same axle, by its motion: nothing changes length."""
    axle = straight_axle()
    shaft = replace(D17, start_on="unit", start_motion=axle, end_motion=axle)
    assert ends_of(shaft, {}) == (axle, axle)
    assert shaft_over_travel(shaft, ends_of(shaft, {})).plunge_mm == pytest.approx(0.0, abs=1e-9)


def test_a_movement_that_has_no_part_in_a_figure_is_not_named_in_its_pose() -> None:
    """Joint at the axle's centre: wind-up turns the rear joint's axis, and changes no length."""
    axle = straight_axle(wind_up_drive_deg=6.0, wind_up_brake_deg=4.0)
    found = over(D17, {"axle": axle})
    for pose in (found.length_mm.min_pose, found.length_mm.max_pose, found.joint_deg["front"].max_pose):
        assert pose["axle.wind_up_deg"] == 0.0
    assert abs(found.joint_deg["rear"].max_pose["axle.wind_up_deg"]) == pytest.approx(4.0, abs=0.01)


class Coupled(SolidAxle):
    """An axle whose two sides together come up by 40 at most: a limit on a sum of coordinates."""

    @property
    def limits(self) -> tuple[Limit, ...]:
        return (Limit((1.0, 1.0, 0.0, 0.0), 40.0),)


def test_a_limit_on_a_sum_of_coordinates_is_kept() -> None:
    """Heave at most 20: the joint, 60 below, never gets level; the shortest length is hypot(1190, 40)."""
    axle = Coupled("axle", (1190.0, 0.0, 400.0), 80.0, 80.0, 400.0)
    found = over(D17, {"axle": axle})
    assert found.length_mm.min == pytest.approx(math.hypot(1190.0, 40.0), abs=0.01)
    assert found.length_mm.max == pytest.approx(1198.21, abs=0.005)


def test_eight_coordinates_are_searched_too() -> None:
    """Both axles wind up, lean and shift: no random pose lies outside what is found."""
    ahead, behind = straight_axle(centre=(0.0, 0.0, 400.0)), straight_axle(centre=(1000.0, 0.0, 400.0))
    ahead = replace(ahead, name="ahead", wind_up_drive_deg=6.0, lateral_mm=5.0)
    behind = replace(behind, name="behind", wind_up_drive_deg=6.0, lateral_mm=5.0)
    shaft = replace(D17, start_on="ahead", end_on="behind", start_mm=(50, 30, 440), end_mm=(960, -20, 380))
    found = over(shaft, {"ahead": ahead, "behind": behind})
    chance = np.random.default_rng(3)
    pose = [one.low + chance.random((20000, 4)) * (one.high - one.low) for one in (ahead, behind)]
    start = ahead.place(pose[0], np.array([shaft.start_mm], float))[:, 0]
    along = behind.place(pose[1], np.array([shaft.end_mm], float))[:, 0] - start
    length = np.linalg.norm(along, axis=1)
    assert found.length_mm.min <= length.min() + 1e-9
    assert found.length_mm.max >= length.max() - 1e-9
    for end, axis in (("front", ahead.turn(pose[0])[:, :, 0]), ("rear", behind.turn(pose[1])[:, :, 0])):
        assert found.joint_deg[end].max >= angle_between_deg(axis, along).max() - 1e-9


# -- speed, uneven turning, the loop --


def test_road_speed_turns_the_shaft_over_the_least_loaded_radius() -> None:
    """110 km/h, ratio 4.1; hub at 395 - 980 g / 600 with the load: v / (2 pi r) x 4.1 (closed form)."""
    shaft = sample_shaft(ratio=4.1)
    found = check_shafts(truck(shafts=(shaft,), top_speed_km_h=110.0))["rear_shaft"].speed
    assert found is not None
    radius = 395.0 - (680.0 + 300.0) * GRAVITY / 600.0
    assert found.wheel_radius_mm == pytest.approx(radius)
    assert found.rpm == pytest.approx(110.0 / 3.6 / (2.0 * math.pi * radius / 1000.0) * 60.0 * 4.1)


@pytest.mark.parametrize(
    "missing", [{"top_speed_km_h": None}, {"axles": {}}, {"shafts": (sample_shaft(),)}], ids=["speed", "tyre", "ratio"]
)
def test_without_ratio_speed_or_tyre_there_is_no_shaft_speed(missing: dict[str, Any]) -> None:
    facts = {"shafts": (sample_shaft(ratio=4.1),), "top_speed_km_h": 110.0, **missing}
    found = check_shafts(truck(**facts))["rear_shaft"]
    assert found.speed is None
    assert found.pairs["ride"].acceleration_rad_s2 == (None, None)


def test_parallel_flanges_leave_nothing_of_two_joints_and_crossed_ones_add_up() -> None:
    """In one plane sqrt|a1^2 - a2^2|; planes square to each other: sqrt(a1^2 + a2^2) (closed form)."""
    parallel = over(replace(D17, end_on=None), {}).pairs["ride"]
    assert parallel.left_deg == pytest.approx(0.0, abs=1e-6)
    tip = math.tan(math.radians(4.0))
    level = replace(D17, end_on=None, end_mm=(1190, 0, 460), start_axis=(1.0, 0.0, tip))
    same = over(replace(level, end_axis=(1.0, 0.0, math.tan(math.radians(3.0)))), {}).pairs["ride"]
    assert same.joints_deg == pytest.approx((4.0, 3.0))
    assert same.left_deg == pytest.approx(math.sqrt(16.0 - 9.0))
    square = over(replace(level, end_axis=(1.0, math.tan(math.radians(3.0)), 0.0)), {}).pairs["ride"]
    assert square.left_deg == pytest.approx(5.0)
    out_of_phase = over(replace(level, end_axis=(1.0, 0.0, -tip), phased=False), {}).pairs["ride"]
    assert out_of_phase.left_deg == pytest.approx(math.sqrt(32.0))


@pytest.mark.parametrize(("start", "end", "x"), [(690.0, 235.0, (538.0, 690.0)), (1000.0, 2000.0, (1000.0, 1152.0))])
def test_the_loop_sits_within_152_mm_of_the_joint_where_the_shaft_starts(
    start: float, end: float, x: tuple[float, float]
) -> None:
    """Source: a drag-race rule, quoted by others. A level shaft that cannot swing needs its own radius and whip."""
    shaft = replace(D17, start_mm=(start, 0, 400), end_mm=(end, 0, 400), end_on=None, whip_mm=3.0)
    loop = over(shaft, {}).loop
    assert loop is not None
    assert loop.x_mm == pytest.approx(x)
    assert loop.room_mm == pytest.approx(76.2 / 2.0 + 3.0)


def test_the_loop_leaves_room_for_the_widest_swing() -> None:
    """D18's cone at 152 mm, with the angle between the line at ride and the line at full droop (closed form)."""
    loop = over(D17, {"axle": straight_axle()}).loop
    assert loop is not None
    swing = math.degrees(math.atan(60.0 / 1190.0) + math.atan(20.0 / 1190.0))  # 60 below at ride, 20 above in bump
    assert loop.room_mm == pytest.approx(swing_half_height_mm(152.0, radius_mm=38.1, swing_deg=swing), abs=0.01)


def test_two_still_ends_are_a_space_without_coordinates() -> None:
    assert shaft_over_travel(replace(D17, end_on=None), (Still(), Still())).length_mm.max_pose == {}
