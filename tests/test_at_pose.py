"""A pair's distance in one pose: the check's own numbers at the check's own poses."""

from __future__ import annotations

import numpy as np
import pytest
from staged import staged
from trucks import rear_axle

from fitcheck.checks.at_pose import described_poses, posed_pairs
from fitcheck.errors import InternalError

SCENE, RESULT = staged()
PAIRS = posed_pairs(SCENE)
MOVING = [row for row in RESULT.clearances if row.pose]


def test_there_are_moving_pairs_to_ask():
    assert {row.between for row in MOVING} == set(PAIRS.pairs)
    assert len(MOVING) >= 6


@pytest.mark.parametrize("row", MOVING, ids=lambda row: "-".join(row.between))
def test_as_scanned_it_is_the_static_distance_and_in_the_worst_pose_the_least(row):
    static = PAIRS.distance(row.between, {})
    worst = PAIRS.distance(row.between, described_poses(SCENE, row.pose))
    assert static.distance_mm == pytest.approx(row.static_mm, abs=1e-9)
    if row.depth_mm is None:
        assert worst.distance_mm == pytest.approx(row.distance_mm, abs=1e-6)
        assert np.allclose(worst.points_mm, row.points_mm, atol=1e-4)
    else:
        assert worst.distance_mm == 0.0


@pytest.mark.parametrize("row", MOVING, ids=lambda row: "-".join(row.between))
def test_no_pose_within_the_stops_comes_nearer_than_what_is_proven(row):
    axle, random = SCENE.mechanisms["rear_axle"], np.random.default_rng(3)
    for pose in random.uniform(axle.low, axle.high, size=(12, 4)):
        assert PAIRS.distance(row.between, {"rear_axle": pose}).distance_mm >= row.at_least_mm - 1e-9


def test_the_first_point_is_on_the_first_thing_of_the_pair():
    found = PAIRS.distance(("beside", "rear_shaft"), {})
    assert found.points_mm[0][1] == pytest.approx(110.0)  # the box's face toward the shaft
    assert found.points_mm[1][1] < 110.0
    row = next(row for row in MOVING if row.between == ("beside", "rear_shaft"))
    assert row.points_mm[0][1] == pytest.approx(110.0)


def test_a_still_pair_is_refused():
    with pytest.raises(InternalError, match="no pair that moves"):
        PAIRS.distance(("hit", "scan"), {})


def test_a_described_pose_is_the_pose_again():
    axle, random = rear_axle(), np.random.default_rng(8)
    for pose in random.uniform(axle.low, axle.high, size=(50, 4)):
        assert axle.pose_of(axle.describe(pose)) == pytest.approx(pose, abs=1e-9)


def test_a_pose_beyond_the_stops_is_held_at_them():
    axle = rear_axle()
    held = axle.within(axle.pose_of({"rear_axle.heave_mm": 80.0, "rear_axle.roll_deg": 10.0}))
    assert held[0] == 80.0  # the right side stands at its stop
    assert held[1] == pytest.approx(80.0 - 400.0 * np.tan(np.radians(10.0)))
    assert axle.within(np.array([500.0, -500.0, 1.0, -50.0])) == pytest.approx([80, -90, np.radians(6), -5])
