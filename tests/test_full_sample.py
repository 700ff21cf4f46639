"""The sample truck with everything that moves is what its file says: bodies, pairs, locks, reach, rock, twist.

Its scan is left out but in the last test: nothing else rests on it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fitcheck.checks.crew import danger_mm
from fitcheck.checks.pairing import Pairing, pair_up
from fitcheck.checks.run import check_scene
from fitcheck.checks.swept import movers_of
from fitcheck.layout import build, load_scene
from fitcheck.vehicle.hoses import slack_mm
from fitcheck.vehicle.scene import Scene

FULL = Path(__file__).parents[1] / "sample_meshes" / "hollin262" / "full.yaml"
STILL = {"charger", "inverter", "hv_junction", "brake_pipe", "A1", "A2", "A3", "A4"}
FRONT, REAR, UNIT = ("front_axle",), ("rear_axle",), ("unit",)
STEERED = ("steering", "front_axle")
RIDES = {
    "rear_axle": REAR,
    "front_axle": FRONT,
    "drive_unit": UNIT,
    "front_left_tyre": STEERED,
    "front_right_tyre": STEERED,
    "rear_left_tyre": REAR,
    "rear_right_tyre": REAR,
    "tie_rod": STEERED,
    "drag_link": STEERED,
    "front_left_hose": STEERED,
    "front_right_hose": STEERED,
    "rear_hose": REAR,
    "rear_shaft": UNIT + REAR,
    "front_shaft": UNIT + FRONT,
}
"""What moves, and what moves it."""

JOINED = {
    frozenset(pair)
    for pair in (
        ("front_axle", "front_left_tyre"),
        ("front_axle", "front_right_tyre"),
        ("rear_axle", "rear_left_tyre"),
        ("rear_axle", "rear_right_tyre"),
        ("rear_axle", "rear_hose"),
    )
}
"""What shares a joint, and is not judged for that."""

EXCLUDED = {
    frozenset(pair)
    for pair in (
        ("rear_axle", "rear_shaft"),
        ("front_axle", "front_shaft"),
        ("tie_rod", "front_left_tyre"),
        ("tie_rod", "front_right_tyre"),
    )
}
"""What the layout itself leaves out, with a reason."""


@pytest.fixture(scope="module")
def scene() -> Iterator[Scene]:
    """The whole scene but for the scan."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build, "scan_spec", lambda layout: None)
        yield load_scene(FULL)


@pytest.fixture(scope="module")
def pairing(scene: Scene) -> Pairing:
    return pair_up(scene)


def body(scene: Scene, name: str) -> Any:
    return next(one for one in scene.moving if one.name == name)


# --- bodies and pairs ----------------------------------------------------------------------------


def test_every_body_rides_on_what_carries_it_and_nothing_is_remarked_on(scene: Scene) -> None:
    assert {one.name: one.rides_on for one in scene.moving} == RIDES
    assert scene.warnings == ()


def test_the_frames_twist_and_what_carries_a_body_are_all_that_move_it(scene: Scene) -> None:
    for one in scene.moving:
        blocks = {name.partition(".")[0] for name in one.space.coordinates}
        assert blocks == {*RIDES[one.name], "frame"}, one.name


def test_every_pair_is_in_the_coverage_once(pairing: Pairing) -> None:
    """Counted by hand: 8 still and 14 moving things make 22·21/2 pairs, and 22 with the ground."""
    pairs = [frozenset(row.between) for row in pairing.rows]
    assert len(pairs) == len(set(pairs)) == 22 * 21 // 2 + 22
    assert set().union(*pairs) == STILL | set(RIDES) | {"ground"}


def test_what_is_joined_and_what_is_excluded_is_left_out_and_nothing_else(pairing: Pairing) -> None:
    """The rest is judged: 28 still pairs, 14 bodies by 8 still things, 91 pairs of two bodies less these nine."""
    left_out = {frozenset(row.between): row.by for row in pairing.rows if row.status == "excluded"}
    assert {pair for pair, by in left_out.items() if "joined to each other" in by} == JOINED
    assert set(left_out) == JOINED | EXCLUDED
    assert Counter(row.status for row in pairing.rows)["declared_contact"] == 2
    assert len(pairing.still) == 8 * 7 // 2
    assert len(pairing.moving) == 14 * 8 + 14 * 13 // 2 - len(JOINED | EXCLUDED)


def test_nothing_that_moves_is_in_another_thing_on_scan_day(pairing: Pairing) -> None:
    """Boxes apart by rule and guard prove it for most pairs; the others are measured."""
    near = [(one, pair) for one, pair in pairing.moving if danger_mm((one, pair)) <= 0.0]
    assert near
    for one, pair in near:
        movers = movers_of(one, pair)
        assert movers is not None
        found = movers.closest(movers.space.scan_pose)
        assert found is not None
        assert found.distance_mm > pair.clear_mm, pair.between


# --- figures of the file -------------------------------------------------------------------------


def test_the_outer_lock_is_ackermanns(scene: Scene) -> None:
    """Closed form: cot(outer) = cot(33°) + 1400/2620, so 25.74°."""
    steering: Any = scene.mechanisms["steering"]
    outer = math.degrees(math.atan(1.0 / (1.0 / math.tan(math.radians(33.0)) + 1400.0 / 2620.0)))
    assert (steering.inner_deg, steering.outer_deg) == pytest.approx((33.0, outer))
    turned = steering.describe(steering.low)
    assert turned["steering.left_wheel_deg"] == pytest.approx(-33.0)
    assert turned["steering.right_wheel_deg"] == pytest.approx(-outer)


def test_a_tyre_at_full_lock_reaches_inboard_as_far_as_it_must(scene: Scene) -> None:
    """Closed form: R·sin δ + (w/2 − s)·cos δ inboard of the kingpin, R grown by 1 %; the prism adds its chord."""
    tyre = body(scene, "front_left_tyre")
    radius, half, offset, lock = 395 * 1.01, 102.5, 40.0, math.radians(33.0)
    reach = radius * math.sin(lock) + (half - offset) * math.cos(lock)
    pose = tyre.space.scan_pose.copy()
    pose[tyre.space.coordinates.index("steering.steer")] = scene.mechanisms["steering"].low[0]
    (solid,) = tyre.solids(pose)
    assert reach - 0.5 <= solid.vertices[:, 1].max() + 700.0 <= reach + 1.5
    assert reach == pytest.approx(269.7, abs=0.1)


def test_the_unit_rocks_by_torque_over_its_mounts(scene: Scene) -> None:
    """Closed form: 600 N·m / (2 · 300 N/mm · 0.2² m²) = 0.025 rad, 1.43° either way; 3 fore and aft, 3 down."""
    unit = scene.mechanisms["unit"]
    assert unit.high == pytest.approx([0.025, 3.0, 3.0])
    assert unit.low == pytest.approx([-0.025, -3.0, 0.0])


def test_the_frame_twists_by_what_lifts_a_wheel_of_the_lighter_axle(scene: Scene) -> None:
    """Closed form: min(800, 680) kg · 1.48 m · g / 2 = 4935 N·m; over 1400 N·m/° 3.52°, between the axles."""
    twist = scene.twist
    assert twist is not None
    assert twist.torque_nm == pytest.approx(680 * 1.48 * 9.80665 / 2)
    assert twist.half_deg == pytest.approx(4934.7 / 1400, abs=1e-3)
    assert (twist.from_x_mm, twist.between_mm) == (0.0, 2620.0)


def test_the_tie_rod_keeps_its_length(scene: Scene) -> None:
    """Arms that point about at the rear axle's middle: 1260 mm within 3, from lock to lock, wherever the axle is."""
    (rod,) = body(scene, "tie_rod").pieces
    low, high = rod.start.motion.low, rod.start.motion.high
    poses = low + (high - low) * np.random.default_rng(1).random((200, len(low)))
    poses[:, 0] = np.linspace(low[0], high[0], len(poses))  # the steering: from lock to lock
    first, last = (end.motion.place(poses, np.array([end.point]))[:, 0] for end in (rod.start, rod.end))
    lengths = np.linalg.norm(last - first, axis=1)
    assert rod.start.motion.coordinates[0] == "steering.steer"
    assert rod.end.motion.coordinates == rod.start.motion.coordinates
    assert 1257.0 <= lengths.min() <= lengths.max() <= 1263.0


@pytest.mark.parametrize(("name", "spare_mm"), [("front_left_hose", 13), ("front_right_hose", 13), ("rear_hose", 29)])
def test_the_hoses_are_long_enough_everywhere(scene: Scene, name: str, spare_mm: float) -> None:
    """A line that is stretched in some pose is none: at full droop and full lock there is slack left."""
    assert slack_mm(body(scene, name).pieces[0].line) == pytest.approx(spare_mm, abs=1.0)


def test_the_box_beside_the_shaft_is_judged_against_all_that_moves() -> None:
    """A2 alone, on the real scan: more movements than A′ knows never leave more room, and each cause has its own."""
    full, plain = (check_scene(load_scene(FULL.with_name(name)), only=["A2"]) for name in ("full.yaml", "a2.yaml"))
    shaft, before = (
        next(row for row in found.clearances if row.between == ("A2", "rear_shaft")) for found in (full, plain)
    )
    assert before.at_least_mm - 0.1 >= shaft.distance_mm >= shaft.at_least_mm
    assert shaft.distance_mm - shaft.at_least_mm <= 0.1
    least = {cause.name: cause.distance_mm for cause in shaft.causes}
    assert {"ride", "laden", "straight bump", "drive torque", "rocked", "twisted", "everything together"} <= set(least)
    assert least["everything together"] == shaft.distance_mm == min(least.values())
    assert least["ride"] == pytest.approx(before.static_mm, abs=0.01)
    moved = {row.between for row in full.clearances if row.causes}
    assert len(moved) >= 13, "A2 against each body that moves"
