"""The parts of the travel by cause: which poses each holds, and which are left out."""

from __future__ import annotations

import numpy as np
import trucks

from fitcheck.checks.stretches import EVERYTHING, LADEN, NAMES, RIDE, UNLADEN, Laden, laden_of, stretches, whole
from fitcheck.vehicle.mechanisms import SolidAxle, Still
from fitcheck.vehicle.motion import CAUSES, together
from fitcheck.vehicle.scene import LoadState

AXLE = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, 5.0, None, 6.0, 4.0)
PLAIN = SolidAxle("front_axle", (0.0, 0.0, 382.0), 70.0, 80.0, 400.0)


def test_an_axle_has_ride_crossed_and_both_torques_and_straight_travel_apart():
    names = [part.name for part in stretches(AXLE, UNLADEN)]
    assert names == [RIDE, "crossed, right side up", "crossed, left side up", "drive torque", "reverse torque"]
    straight = stretches(together(AXLE.straight()), UNLADEN, straight=True)
    assert [part.name for part in straight] == ["straight bump", "straight droop"]
    assert [(float(part.low[0]), float(part.high[0])) for part in straight] == [(0.0, 80.0), (-90.0, 0.0)]


def test_crossed_is_one_pose_with_each_side_at_its_own_stop():
    crossed = next(part for part in stretches(AXLE, UNLADEN) if part.name == "crossed, right side up")
    assert np.array_equal(crossed.low, crossed.high)
    assert crossed.low[:2].tolist() == [80.0, -90.0]


def test_a_movement_without_travel_is_no_cause():
    assert "drive torque" not in [part.name for part in stretches(PLAIN, UNLADEN)]


def test_two_axles_cross_together_and_each_cause_leaves_the_rest_as_scanned():
    both = together(AXLE, PLAIN)
    parts = {part.name: part for part in stretches(both, UNLADEN)}
    assert parts["crossed, left side up"].high.tolist() == [-90.0, 80.0, 0.0, 0.0, -80.0, 70.0, 0.0, 0.0]
    torque = parts["drive torque"]
    assert np.count_nonzero(torque.high) == 1
    assert np.count_nonzero(torque.low) == 0


def test_the_whole_is_all_poses_and_what_stands_still_has_the_ride_pose_alone():
    assert whole(AXLE).name == EVERYTHING
    assert np.array_equal(whole(AXLE).low, AXLE.low)
    assert [part.name for part in stretches(Still(), UNLADEN)] == [RIDE]


def test_laden_is_the_heaviest_state_within_the_stops_and_to_the_mm():
    parts = {part.name: part for part in stretches(AXLE, Laden("laden", (("rear_axle", 300.0),)))}
    assert parts[LADEN].low[:2].tolist() == [80.0, 80.0]
    states = tuple(
        LoadState(name, (trucks.mass(name, kg, (2620.0, 0.0, 900.0)),))
        for name, kg in (("light", 10.0), ("heavy", 300.0))
    )
    found = laden_of(trucks.scene(axles=trucks.axles(mechanism="rear_axle"), load_states=states))
    # 300 kg over the rear axle: 300 g / (2 · 48 N/mm) = 30.6 mm of spring (closed form)
    assert found == Laden("heavy", (("rear_axle", 31.0),))
    assert laden_of(trucks.scene(load_states=states)) == Laden("heavy")


def test_every_cause_has_its_place_in_the_order_of_a_table():
    assert set(CAUSES) < set(NAMES)
    assert (NAMES[0], NAMES[-1]) == (RIDE, EVERYTHING)
