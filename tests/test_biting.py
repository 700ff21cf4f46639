"""What bites, in words: the movement that alone is enough, or the pose in which all act together."""

from __future__ import annotations

import numpy as np
import pytest

from fitcheck.checks.biting import bites, pose_words
from fitcheck.result import Cause
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.motion import together

AXLE = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, 5.0, None, 6.0, 4.0)
SPACE = together(AXLE)


def described(*pose: float) -> dict[str, float]:
    return AXLE.describe(np.array(pose))


def causes(**least: float) -> list[Cause]:
    return [Cause(name.replace("_", " "), mm, mm) for name, mm in least.items()]


@pytest.mark.parametrize(
    ("pose", "words"),
    [
        ((30.0, 30.0, 0.0, 0.0), "rear_axle up 30"),
        ((80.0, 80.0, 0.0, 0.0), "rear_axle up 80, at its bump stop"),
        ((0.0, 60.0, 0.1047, 0.0), "rear_axle up 30 with the left side up 4.3° under full drive torque (6.0°)"),
        ((-20.0, -20.0, -0.035, -5.0), "rear_axle down 20 under reverse torque (2.0°) 5 to the left"),
        ((0.0, 0.0, 0.0, 0.0), ""),
    ],
)
def test_a_pose_is_said_as_a_person_says_it(pose, words):
    assert pose_words(SPACE, described(*pose)) == words


def test_one_movement_that_is_enough_is_named_alone():
    words = bites(causes(ride=42.0, straight_bump=23.1, drive_torque=40.0, everything_together=23.0), SPACE, {})
    assert words == "straight bump alone"


def test_where_all_act_together_the_pose_and_what_takes_the_most_are_named():
    found = causes(ride=42.0, straight_bump=23.1, drive_torque=35.0, everything_together=16.7)
    words = bites(found, SPACE, described(0.0, 60.0, 0.1047, 0.0))
    assert words.startswith("all together: rear_axle up 30 with the left side up 4.3° under full drive torque")
    assert words.endswith("alone, straight bump takes the most")


def test_nothing_bites_where_no_movement_brings_it_nearer():
    assert bites(causes(ride=42.0, everything_together=41.8), SPACE, {}) == ""
    assert bites([], SPACE, {}) == ""
