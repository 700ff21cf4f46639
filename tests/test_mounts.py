"""Drive units on rubber, twisting frames, crossmembers: closed forms and the mechanisms themselves."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.sweep import Obstacle, least_over_motion
from fitcheck.vehicle.motion import DRIVE, REVERSE, ROCKED, TWISTED, Carried, together
from fitcheck.vehicle.mounts import (
    BUILT_IN,
    Mount,
    axle_roll_nm_deg,
    box_section_mm4,
    crossmember_n_mm,
    racking_mm,
    rock_deg,
    rocking_unit,
    surge_mm,
    twist_at,
    twist_torque_nm,
    wheel_lift_mm,
)
from fitcheck.vehicle.moving import RigidPiece

X, Y = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
AT = (700.0, 0.0, 450.0)
MOUNTS = (Mount((700.0, -200.0, 450.0), 300.0), Mount((700.0, 200.0, 450.0), 300.0))


def unit(**changed):
    given = {"mounts": MOUNTS, "torque_nm": (600.0, 400.0), "surge_mm": 5.0, "settle_mm": 3.0}
    return rocking_unit("unit", AT, X, **(given | changed))


def placed(motion, pose, point) -> np.ndarray:
    return motion.place(np.atleast_2d(np.asarray(pose, dtype=float)), np.atleast_2d(point))[0, 0]


# -- a unit on its mounts --


def test_600_nm_on_two_mounts_of_300_at_200_is_1_43_degrees_and_7_5_mm_at_300() -> None:
    """K = 2 · 300 · 200² = 24 kN·m/rad, φ = 600 / 24 000 = 0.025 rad (closed form)."""
    assert rock_deg(600.0, MOUNTS, AT, X) == pytest.approx(math.degrees(0.025))
    assert rock_deg(600.0, MOUNTS, AT, X) == pytest.approx(1.43, abs=0.005)
    motion = unit()
    start = np.array([700.0, 300.0, 450.0])
    assert np.linalg.norm(placed(motion, [motion.high[0], 0.0, 0.0], start) - start) == pytest.approx(7.5, abs=0.005)


def test_only_the_distance_from_the_axis_counts() -> None:
    """Mounts along the axis, and an axis twice as long, change nothing; one on the axis holds nothing (closed form)."""
    moved = tuple(Mount((at[0] + 90.0, *at[1:]), mount.rate_n_mm) for mount in MOUNTS for at in (mount.at,))
    assert rock_deg(600.0, moved, AT, (2.0, 0.0, 0.0)) == pytest.approx(rock_deg(600.0, MOUNTS, AT, X))
    three = (*MOUNTS, Mount((0.0, 0.0, 450.0), 5000.0))
    assert rock_deg(600.0, three, AT, X) == pytest.approx(rock_deg(600.0, MOUNTS, AT, X))
    high = (Mount((700.0, 0.0, 650.0), 300.0), Mount((700.0, 120.0, 610.0), 300.0))
    assert rock_deg(600.0, high, AT, X) == pytest.approx(rock_deg(600.0, MOUNTS, AT, X))


def test_drive_rocks_right_handed_about_the_axis_and_reverse_the_other_way() -> None:
    """About x (rearward) the right side rises; the ends are T / K of either torque."""
    motion = unit()
    assert motion.coordinates == ("unit.rock", "unit.surge", "unit.settle")
    assert motion.high == pytest.approx([0.025, 5.0, 3.0])
    assert motion.low == pytest.approx([-400.0 / 24_000.0, -5.0, 0.0])
    assert placed(motion, [0.02, 0.0, 0.0], (700.0, 300.0, 450.0))[2] > 455.0
    pitched = rocking_unit("unit", AT, Y, drive_deg=2.0, reverse_deg=1.0)
    assert placed(pitched, [0.02, 0.0, 0.0], (700.0, 0.0, 650.0))[0] > 703.0


def test_surge_goes_rearward_and_settle_down() -> None:
    assert placed(unit(), [0.0, 4.0, 3.0], AT) == pytest.approx([704.0, 0.0, 447.0])


@pytest.mark.parametrize(
    ("degrees", "radius", "chord", "sideways", "drop"),
    [(3.0, 400.0, 20.94, 20.93, 0.55), (2.0, 350.0, 12.22, None, None), (5.0, 300.0, 26.17, None, None)],
)
def test_C21_C22_what_a_point_of_a_rocking_unit_does(degrees, radius, chord, sideways, drop) -> None:
    """Chord 2r·sin(φ/2), sideways r·sin φ, drop r(1 − cos φ) of a point above the roll axis (closed form)."""
    motion = rocking_unit("unit", AT, X, drive_deg=degrees, reverse_deg=degrees)
    top = np.array([700.0, 0.0, 450.0 + radius])
    moved = placed(motion, motion.high, top) - top
    assert np.linalg.norm(moved) == pytest.approx(chord, abs=0.005)
    if sideways is not None:
        assert abs(moved[1]) == pytest.approx(sideways, abs=0.005)
        assert -moved[2] == pytest.approx(drop, abs=0.005)


def test_the_swept_gap_of_a_rocking_unit_is_the_closed_form() -> None:
    """A ball of 10 above the axis at 300 against a wall: gap less 300·sin(3°), less surge nothing (closed form)."""
    motion = rocking_unit("unit", AT, X, drive_deg=3.0, reverse_deg=3.0, surge_mm=6.0, settle_mm=4.0)
    wall = solids.box((0.0, 40.0, 600.0), (1400.0, 60.0, 900.0))
    piece = RigidPiece("ball", motion, solids.sphere((700.0, 0.0, 750.0), 10.0))
    (least,) = least_over_motion([piece], [Obstacle(wall.vertices[None])], (motion.low, motion.high))
    exact = 40.0 - 10.0 - 300.0 * math.sin(math.radians(3.0))
    assert least.at_least_mm - 1e-9 <= exact <= least.distance_mm + 0.03
    assert least.proven


def test_its_causes_are_drive_reverse_and_all_of_it() -> None:
    motion = unit()
    causes = motion.causes()
    assert set(causes) == {DRIVE, REVERSE, ROCKED}
    assert causes[DRIVE] == (pytest.approx([0.0, 0.0, 0.0]), pytest.approx([0.025, 0.0, 0.0]))
    assert causes[REVERSE] == (pytest.approx([motion.low[0], 0.0, 0.0]), pytest.approx([0.0, 0.0, 0.0]))
    assert causes[ROCKED] == (pytest.approx(motion.low), pytest.approx(motion.high))
    assert motion.describe(motion.high)["unit.rock_deg"] == pytest.approx(1.432, abs=1e-3)
    assert pickle.loads(pickle.dumps(motion)) == motion


def test_measured_angles_come_before_torques() -> None:
    motion = unit(drive_deg=4.0)
    assert motion.high[0] == pytest.approx(math.radians(4.0))
    assert motion.low[0] == pytest.approx(-400.0 / 24_000.0)


def test_a_torque_of_nothing_needs_no_mounts() -> None:
    assert unit(torque_nm=(0.0, 0.0), mounts=()).high[0] == 0.0


BAD = {
    "drive: expected an angle, or a torque of 0 N·m or more; found nothing": {"torque_nm": None},
    "reverse: expected an angle, or a torque of 0 N·m or more; found -400 N·m": {"torque_nm": (600.0, -400.0)},
    "drive: expected a rock of 0° to 45°, found 90°": {"drive_deg": 90.0},
    "drive: expected a rock of 0° to 45°, found nan°": {"drive_deg": math.nan},
    "found none": {"mounts": ()},
    "mounts apart from the axis": {"mounts": (Mount((0.0, 0.0, 450.0), 300.0),)},
    "expected a rate of more than 0 N/mm, found 0": {"mounts": (*MOUNTS, Mount(AT, 0.0))},
    "surge: expected 0 mm or more, found -1 mm": {"surge_mm": -1.0},
    "settle: expected 0 mm or more": {"settle_mm": math.nan},
}


@pytest.mark.parametrize("complaint", BAD)
def test_a_unit_that_cannot_be_is_refused(complaint: str) -> None:
    with pytest.raises(InputError) as caught:
        unit(**BAD[complaint])
    assert complaint in str(caught.value)


def test_an_axis_without_a_direction_is_refused() -> None:
    for given in ({"torque_nm": (600.0, 0.0), "mounts": MOUNTS}, {"drive_deg": 1.0, "reverse_deg": 1.0}):
        with pytest.raises(InputError, match="an axis with a direction"):
            rocking_unit("unit", AT, (0.0, 0.0, 0.0), **given)


def test_surge_in_a_bump_is_mass_times_acceleration_over_the_rates() -> None:
    """60 kg, 3 g on two mounts of 300 N/mm: 60 · 3 · 9.80665 / 600 = 2.94 mm (closed form)."""
    assert surge_mm(60.0, 3.0, (300.0, 300.0)) == pytest.approx(2.942, abs=1e-3)


# -- a frame that twists --


def test_stations_of_a_frame_turn_by_their_distance_and_share_the_twist() -> None:
    """± 3° over 2600 mm, still at 0: half-way 1.5°, a thing at 400 off the axis rises by 400·sin (closed form)."""
    far, half = (twist_at("frame", x, 3.0, 2600.0, 0.0, 500.0) for x in (2600.0, 1300.0))
    assert together(far, half).coordinates == ("frame.twist",)
    assert far.high == pytest.approx([math.radians(3.0)])
    assert far.low == pytest.approx(-far.high)
    for motion, degrees in ((far, 3.0), (half, 1.5)):
        rise = placed(motion, motion.high, (1000.0, 400.0, 500.0))[2] - 500.0
        assert rise == pytest.approx(400.0 * math.sin(math.radians(degrees)))
    still = twist_at("frame", 0.0, 3.0, 2600.0, 0.0, 500.0)
    assert placed(still, still.high, (9.0, 400.0, 900.0)) == pytest.approx([9.0, 400.0, 900.0])
    assert set(far.causes()) == {TWISTED}


def test_two_stations_move_against_each_other_by_twist_rate_times_distance_times_radius() -> None:
    """φ′·Δx·r: 2° over 2600 mm, 800 mm apart, 500 from the axis: 5.37 mm (closed form, small angle)."""
    first, second = (twist_at("frame", x, 2.0, 2600.0, 0.0, 500.0) for x in (900.0, 1700.0))
    point = (1300.0, 500.0, 500.0)
    apart = np.linalg.norm(placed(first, first.high, point) - placed(second, second.high, point))
    assert apart == pytest.approx(math.radians(2.0) / 2600.0 * 800.0 * 500.0, rel=1e-4)


def test_a_rocking_unit_on_a_twisting_frame_has_both_coordinates() -> None:
    both = Carried(twist_at("frame", 700.0, 3.0, 2600.0, 0.0, 500.0), unit())
    assert both.coordinates == ("unit.rock", "unit.surge", "unit.settle", "frame.twist")


@pytest.mark.parametrize(
    "changed", [{"between_mm": 0.0}, {"between_mm": math.nan}, {"half_deg": -1.0}, {"half_deg": 90.0}]
)
def test_a_twist_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    given = {"station_x": 700.0, "half_deg": 3.0, "between_mm": 2600.0, "from_x": 0.0, "height_z": 500.0}
    with pytest.raises(InputError, match="mechanism 'frame'"):
        twist_at("frame", **(given | changed))


def test_the_torque_through_a_frame_ends_where_the_lighter_axle_lifts_a_wheel() -> None:
    """min(900 · 1.48, 700 · 1.5)·g / 2 = 5148 N·m (closed form), either axle being the lighter one."""
    assert twist_torque_nm(900.0, 1480.0, 700.0, 1500.0) == pytest.approx(700.0 * 1.5 * 9.80665 / 2.0)
    assert twist_torque_nm(700.0, 1500.0, 900.0, 1480.0) == pytest.approx(700.0 * 1.5 * 9.80665 / 2.0)


def test_roll_stiffness_of_two_springs_is_half_rate_times_spacing_squared() -> None:
    """Roll φ lifts one spring and lowers the other by t/2 · φ: moment 2 · k·(t/2)²·φ = k·t²/2·φ (closed form)."""
    angle, rate, spacing = math.radians(1.0), 48.0, 900.0
    moment = 2.0 * rate * (spacing / 2.0 * angle) * (spacing / 2.0) / 1000.0
    assert axle_roll_nm_deg(rate, spacing) == pytest.approx(moment)


def test_a_wheel_is_lifted_by_what_all_three_give() -> None:
    """h / t = T·(1/K_f + 1/K_t + 1/K_r) with K in N·m/rad (closed form)."""
    stiffnesses = (340.0, 1200.0, 500.0)
    radians = sum(3000.0 / (stiffness / math.radians(1.0)) for stiffness in stiffnesses)
    assert wheel_lift_mm(3000.0, 1480.0, stiffnesses) == pytest.approx(1480.0 * radians)


def test_a_box_across_two_rails_is_racked_by_twist_rate_length_and_spacing() -> None:
    """4° over 2600 mm, box 700 long on rails 760 apart: 14.3 mm, which is the fourth corner's way off the plane of the
    other three (worked with the mechanism)."""
    found = racking_mm(4.0, 2600.0, 700.0, 760.0)
    assert found == pytest.approx(14.28, abs=0.01)
    corners = []
    for x in (1000.0, 1700.0):
        rail = twist_at("frame", x, 4.0, 2600.0, 0.0, 500.0)
        corners += [placed(rail, rail.high, (x, y, 500.0)) for y in (-380.0, 380.0)]
    first, second, third, fourth = corners
    normal = np.cross(second - first, third - first)
    off = abs(normal @ (fourth - first)) / np.linalg.norm(normal)
    assert found == pytest.approx(off, rel=0.01)


# -- crossmembers --


def test_a_box_60_by_40_by_3_over_740_is_6650_n_mm() -> None:
    """48·E·I / L³, I = (40·60³ − 34·54³)/12 upright, E = 205 GPa; built in four times that (closed form)."""
    section = box_section_mm4(40.0, 60.0, 3.0)
    assert section == pytest.approx((40.0 * 60.0**3 - 34.0 * 54.0**3) / 12.0)
    assert crossmember_n_mm(section, 740.0) == pytest.approx(6650.0, abs=1.0)
    assert crossmember_n_mm(section, 740.0, ends=BUILT_IN) == pytest.approx(4.0 * crossmember_n_mm(section, 740.0))


def test_a_tube_whose_walls_meet_is_a_solid_bar() -> None:
    assert box_section_mm4(40.0, 60.0, 20.0) == pytest.approx(40.0 * 60.0**3 / 12.0)
    assert box_section_mm4(40.0, 60.0, 35.0) == pytest.approx(40.0 * 60.0**3 / 12.0)
