"""A steering box's arm that a rod of fixed length turns."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from span_motions import (
    AXLE,
    Slide,
    Swing,
    assert_hulls_hold,
    assert_sweep_promise,
    random_boxes,
    unit_vectors,
)

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.vehicle.drag_link import Pitman
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle, Still
from fitcheck.vehicle.motion import Carried, Limit
from fitcheck.vehicle.moving import RigidPiece
from fitcheck.vehicle.spans import End, RodPiece
from fitcheck.vehicle.steering import Kingpin, steered_wheels

STILL = Still()


def random_pitman(seed: int) -> tuple[Pitman, np.random.Generator]:
    """An arm on the body, its rod to something that an axle carries, that steers on it, or that slides."""
    chance = np.random.default_rng(seed)
    steer = Swing("steer", (-0.45, 0.45), through=(2600.0, 600.0, 390.0), axis=(0.1, -0.1, 1.0))
    slide = Slide("slide", (-40.0, 40.0), along=(0.2, 0.9, 0.3))
    motion = (AXLE, Carried(AXLE, steer), slide, steer)[seed % 4]
    centre = chance.uniform((2350.0, -420.0, 460.0), (2450.0, -340.0, 540.0))
    axis = np.array([1.0, 0.0, 0.0]) + 0.15 * chance.normal(size=3)
    tip = centre + chance.normal(size=3) * 15.0 + (0.0, 0.0, -160.0)
    other = chance.uniform((2480.0, 380.0, 330.0), (2560.0, 460.0, 420.0))
    held = End(tuple(other.tolist()), motion)
    return Pitman("link", tuple(centre.tolist()), tuple(axis.tolist()), tuple(tip.tolist()), held), chance


def random_poses(space, count: int, chance: np.random.Generator) -> np.ndarray:
    return space.low + chance.random((count, len(space.low))) * (space.high - space.low)


@pytest.mark.parametrize("seed", range(12))
def test_the_rod_keeps_its_length_the_arm_its_radius_and_the_scan_pose_its_place(seed):
    arm, chance = random_pitman(seed)
    poses = random_poses(arm, 100, chance)
    tips = arm.place(poses, np.array([arm.tip]))[:, 0]
    others = arm.other.motion.place(poses, np.array([arm.other.point]))[:, 0]
    assert np.linalg.norm(tips - others, axis=1) == pytest.approx(arm.rod_mm, abs=1e-9)
    along = np.asarray(arm.axis) / np.linalg.norm(arm.axis)
    assert np.linalg.norm(np.cross(tips - arm.centre, along), axis=1) == pytest.approx(arm.radius_mm, abs=1e-9)
    assert (tips - arm.centre) @ along == pytest.approx(np.subtract(arm.tip, arm.centre) @ along, abs=1e-9)
    assert arm.angle(arm.scan_pose[None])[0] == pytest.approx(0.0, abs=1e-9)
    rotation = arm.turn(poses)
    assert np.abs(rotation @ rotation.transpose(0, 2, 1) - np.eye(3)).max() < 1e-12
    assert np.linalg.det(rotation) == pytest.approx(1.0)


def test_a_flat_four_bar_follows_the_cosine_rule():
    """Closed form: crank 100 at the origin, rod, rocker 120 about (300, 0) at 90°: Freudenstein's equation."""
    rocker = Swing("rocker", (-0.3, 0.3), through=(300.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0))
    arm = Pitman("arm", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 100.0, 0.0), End((300.0, 120.0, 0.0), rocker))
    for turned in (-0.3, -0.1, 0.2, 0.3):
        crank, out = math.pi / 2.0 + float(arm.angle(np.array([[turned]]))[0]), math.pi / 2.0 + turned
        rod = math.hypot(300.0, 20.0)
        ratios = 300.0 / 100.0, 300.0 / 120.0, (100.0**2 - rod**2 + 120.0**2 + 300.0**2) / (2 * 100.0 * 120.0)
        left = ratios[0] * math.cos(out) - ratios[1] * math.cos(crank) + ratios[2]
        assert left == pytest.approx(math.cos(crank - out), abs=1e-9)


def test_equal_parallel_arms_turn_by_the_same_angle():
    """Closed form: a parallelogram."""
    steer = Swing("steer", (-0.6, 0.6), through=(0.0, 900.0, 0.0), axis=(0.0, 0.0, 1.0))
    arm = Pitman("arm", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (150.0, 0.0, 0.0), End((150.0, 900.0, 0.0), steer))
    angles = np.linspace(-0.6, 0.6, 41)[:, None]
    assert arm.angle(angles) == pytest.approx(angles[:, 0], abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_slope_and_bend_are_never_below_the_derivatives(seed):
    """Central differences at random poses in random boxes, and they are not idle: within 40 times in small boxes."""
    arm, chance = random_pitman(seed)
    points = np.array([arm.tip, np.add(arm.tip, (30.0, -20.0, 10.0))])
    offset = arm.offsets(points)
    low, high = random_boxes(arm, 12, chance)
    slope, bend = arm.slope(low, high, offset), arm.bend(low, high, offset)
    assert np.isfinite(slope).all()
    assert np.isfinite(bend).all()
    for row in range(len(low)):
        pose = low[row] + chance.random(low.shape[1]) * (high[row] - low[row])
        for k, name in enumerate(arm.coordinates):
            step = np.zeros(len(pose))
            step[k] = 1e-4 if "steer" in name or "wind_up" in name else 0.05
            ahead, here, back = (arm.place((pose + s * step)[None], points)[0] for s in (1, 0, -1))
            first = np.linalg.norm(ahead - back, axis=1).max() / (2.0 * step[k])
            second = np.linalg.norm(ahead - 2.0 * here + back, axis=1).max() / step[k] ** 2
            assert first <= slope[row, k] * (1.0 + 1e-6) + 1e-4
            assert second <= bend[row, k] * (1.0 + 1e-3) + 1e-3


def steered_linkage(seed: int) -> tuple[Pitman, np.random.Generator]:
    """A drag link before the axle, or one across it, to an arm that steers on the axle; lengths and places vary."""
    chance = np.random.default_rng(seed)
    side = "right" if seed % 2 else "left"
    sign = 1.0 if side == "right" else -1.0
    pins = [Kingpin((0.0, y, 300.0), (8.0, y * 0.98, 460.0)) for y in (-690.0, 690.0)]
    steering = steered_wheels("steering", *pins, 34.0, wheelbase_mm=2620.0)
    axle = SolidAxle("axle", (0.0, 0.0, 382.0), 70.0, 80.0, 400.0, 5.0, Leaf(560.0, "rear"))
    joint = np.add((0.0, sign * 560.0, 430.0), chance.normal(size=3) * 15.0)
    held = End(tuple(joint), Carried(axle, getattr(steering, side)))
    centre = np.add((-560.0, sign * 520.0, 560.0), chance.normal(size=3) * 20.0)
    tip = np.add(centre, (0.0, 0.0, -chance.uniform(110.0, 180.0)))
    axis = np.add((0.0, 1.0, 0.0), 0.05 * chance.normal(size=3))
    return Pitman("link", tuple(centre), tuple(axis), tuple(tip), held), chance


@pytest.mark.parametrize("seed", range(12))
def test_bounds_on_a_steered_drag_link_hold_in_every_pose(seed):
    """Dense finite differences in boxes of all sizes, and of no width along some coordinates."""
    arm, chance = steered_linkage(seed)
    points = np.array([arm.tip])
    offset = arm.offsets(points)
    low, high = random_boxes(arm, 16, chance)
    slope, bend = arm.slope(low, high, offset), arm.bend(low, high, offset)
    steps = np.array([1e-4, 0.05, 0.05, 1e-4, 0.05])
    for row in range(len(low)):
        poses = low[row] + chance.random((200, len(steps))) * (high[row] - low[row])
        here = arm.place(poses, points)[:, 0]
        for k, step in enumerate(np.diag(steps)):
            ahead, back = (arm.place(poses + way * step, points)[:, 0] for way in (1, -1))
            first = np.linalg.norm(ahead - back, axis=1).max() / (2.0 * steps[k])
            second = np.linalg.norm(ahead - 2.0 * here + back, axis=1).max() / steps[k] ** 2
            assert first <= slope[row, k] * (1.0 + 1e-6) + 1e-5
            assert second <= bend[row, k] * (1.0 + 1e-3) + 4e-12 / steps[k] ** 2


@pytest.mark.parametrize("seed", range(6))
def test_the_arm_bends_hardly_more_than_the_end_that_it_follows(seed):
    """In a box a quarter of the travel wide, in its middle: the remainders of both ends of the rod are alike."""
    arm, _ = steered_linkage(seed)
    middle, half = (arm.low + arm.high)[None] / 2.0, (arm.high - arm.low)[None] / 8.0
    low, high = middle - half, middle + half
    tip = arm.bend(low, high, arm.offsets(np.array([arm.tip])))
    motion, point = arm.other.motion, np.array([arm.other.point])
    end = motion.bend(low, high, motion.offsets(point))
    assert (half**2 * tip).sum() <= 3.0 * (half**2 * end).sum()
    assert (tip[0, :3] <= 5.0 * end[0, :3]).all()


def test_rod_and_arm_never_leave_the_hulls_of_their_corner_poses():
    """24 random linkages, the rod and a box on the arm, 6 boxes each, 4 poses in each box."""
    used = []
    for seed in range(24):
        arm, chance = random_pitman(seed)
        rod = RodPiece("rod", End(arm.tip, arm), arm.other, 16.0)
        assert rod.space.coordinates == arm.coordinates
        lever = RigidPiece("arm", arm, solids.box(np.subtract(arm.tip, 15.0), np.add(arm.tip, (15.0, 15.0, 120.0))))
        used.append([assert_hulls_hold(piece, chance, boxes=6, poses=4) for piece in (rod, lever)])
    assert np.max(used, axis=0).min() > 0.05


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_a_drag_link_is_swept_with_its_promise(seed):
    arm, chance = random_pitman(seed)
    if arm.other.motion is AXLE:
        arm = arm.straight()
    rod = RodPiece("rod", End(arm.tip, arm), arm.other, 16.0)
    centre = np.array([2480.0, 0.0, 380.0]) + unit_vectors(1, chance)[0] * 160.0
    assert_sweep_promise([rod], solids.box(centre - 40.0, centre + 40.0), chance)


def test_the_arm_follows_its_axle_straight_and_tells_its_poses_in_the_axle_s_words():
    arm, _ = random_pitman(0)
    assert arm.straight().coordinates == ("rear_axle.heave",)
    assert "rear_axle.heave_mm" in arm.describe(arm.scan_pose)
    assert arm.blocks == (AXLE,)
    again = pickle.loads(pickle.dumps(arm))
    assert again == arm
    assert repr(again) == repr(arm)
    assert hash(again) == hash(arm)


def slid(travel: tuple[float, float], limits: tuple[Limit, ...] = ()) -> Pitman:
    """Crank 100 at right angles to a rod of 400 whose other end slides away along it."""
    slide = Slide("slide", travel, limits, along=(1.0, 0.0, 0.0))
    other = End((400.0, 100.0, 0.0), slide)
    return Pitman("link", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 100.0, 0.0), other, "a.yaml:7")


def test_a_rod_that_cannot_reach_is_an_error_that_tells_the_pose():
    """Closed form: crank and rod are stretched out where hypot(400 + x, 100) = 500, x = 89.898."""
    stretched = math.sqrt(500.0**2 - 100.0**2) - 400.0
    assert stretched == pytest.approx(89.898, abs=1e-3)
    slid((-50.0, 85.0))
    with pytest.raises(InputError, match=r"a\.yaml:7: link: the rod \(400\.0 mm\) cannot reach .* slide\.by 95"):
        slid((-50.0, 95.0))
    with pytest.raises(InputError, match="cannot reach"):
        slid((-150.0, 150.0))


def test_what_a_linear_limit_rules_out_needs_no_reach():
    """The same travel, held by a limit: no error, and no finite bound where a box goes beyond the reach."""
    arm = slid((-50.0, 150.0), (Limit((1.0,), 60.0),))
    offset = arm.offsets(np.array([arm.tip]))
    low, high = np.array([[-50.0], [0.0]]), np.array([[150.0], [5.0]])
    assert arm.bend(low, high, offset)[0, 0] == np.inf
    assert np.isfinite(arm.bend(low, high, offset)[1, 0])
    with pytest.raises(InputError, match="cannot reach"):
        slid((-50.0, 150.0), (Limit((1.0,), 95.0),))


@pytest.mark.parametrize(
    ("arm", "said"),
    [
        ({"axis": (0.0, 0.0, 0.0)}, "must have a direction"),
        ({"tip": (0.0, 0.0, 30.0)}, "tip lies on the sector's axis"),
        ({"tip": (100.0, 0.0, 0.0)}, "in line at the scan pose"),
        ({"centre": (0.0, math.nan, 0.0)}, "must be numbers"),
    ],
)
def test_a_linkage_that_is_none_is_an_error(arm, said):
    measures = {"centre": (0.0, 0.0, 0.0), "axis": (0.0, 0.0, 1.0), "tip": (0.0, 100.0, 0.0)} | arm
    with pytest.raises(InputError, match=said):
        Pitman("link", **measures, other=End((400.0, 0.0, 0.0), STILL))


def test_a_linkage_without_motion_stands_still():
    arm = Pitman("link", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 100.0, 0.0), End((400.0, 50.0, 0.0), STILL))
    assert arm.place(np.empty((1, 0)), np.array([arm.tip]))[0, 0] == pytest.approx(arm.tip, abs=1e-9)
