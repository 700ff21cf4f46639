"""A motion undone: where points are seen, and bounds on how they move there that nothing exceeds."""

from __future__ import annotations

import numpy as np
import pytest

from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.drag_link import Pitman
from fitcheck.vehicle.ends import End
from fitcheck.vehicle.inverse import Following, Inverse, farthest_mm, turning_bend
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle, Still
from fitcheck.vehicle.motion import Carried, columns_of
from fitcheck.vehicle.mounts import twist_at
from fitcheck.vehicle.steering import Kingpin, steered_wheels

AXLE = SolidAxle("axle", (50.0, 0.0, 380.0), 70.0, 80.0, 400.0, 5.0, Leaf(600.0, "front", -20.0, 0.75), 4.0, 3.0)
STEERING = steered_wheels(
    "steering",
    Kingpin((0.0, -700.0, 300.0), (10.0, -680.0, 460.0)),
    Kingpin((0.0, 700.0, 300.0), (10.0, 680.0, 460.0)),
    33.0,
    26.0,
)
WHEEL = Carried(outer=twist_at("frame", 400.0, 2.0, 2600.0, 0.0, 580.0), inner=Carried(outer=AXLE, inner=STEERING.left))
UNIT = Chain(
    "unit",
    (Coordinate("rock", -0.08, 0.05, "rad"), Coordinate("settle", -9.0, 0.0, "mm")),
    (Joint("slide", (0.1, 0.0, 1.0)), Joint("turn", (1.0, 0.2, 0.0), (900.0, 60.0, 500.0))),
    (Law((0.0, 1.0)), Law((1.0, 0.0), (0.7, 0.0))),
)
ON_FRAME = Carried(outer=twist_at("frame", 1300.0, 2.0, 2600.0, 0.0, 580.0), inner=UNIT)
ROD_END = End((-150.0, -590.0, 380.0), WHEEL)
ARM = Pitman("arm", (-420.0, 250.0, 560.0), (1.0, 0.0, 0.0), (-420.0, 250.0, 380.0), ROD_END)
WAY = (Coordinate("way", -50.0, 50.0, "mm"),)
SLIDE, TURN = Joint("slide", (0.0, 1.0, 0.0)), Joint("turn", (1.0, 0.0, 0.0), (-420.0, 250.0, 380.0))
SCREW = Chain("screw", WAY, (SLIDE, TURN), (Law((1.0,)), Law((0.002,))))
SLID, TURNED = Chain("screw", WAY, (SLIDE,), (Law((1.0,)),)), Chain("screw", WAY, (TURN,), (Law((0.002,)),))
SEEN = {
    "screw": Inverse(SCREW),  # close to what the bounds say: the axis goes through a point
    "slide and turn": Following(outer=TURNED, inner=SLID),
    "axle": Inverse(AXLE),
    "steered side": Inverse(STEERING.right),
    "chain": Inverse(UNIT),
    "carried": Inverse(WHEEL),
    "unit from the wheel": Following(outer=Inverse(WHEEL), inner=ON_FRAME),
    "arm from the wheel": Following(outer=Inverse(WHEEL), inner=ARM),
    "axle from the unit": Following(outer=Inverse(ON_FRAME), inner=AXLE),
}
POINTS = np.array([[-420.0, 250.0, 380.0], [-150.0, -590.0, 420.0], [1000.0, 30.0, 650.0]])


def boxes_of(motion, random, count):
    """Boxes (n, d) of all sizes down to a thousandth of the travel."""
    ends = random.uniform(motion.low, motion.high, (2, count, len(motion.low)))
    shrink = 10.0 ** random.uniform(-3.0, 0.0, (count, 1))
    ends[1] = ends[0] + shrink * (ends[1] - ends[0])
    return ends.min(axis=0), ends.max(axis=0)


@pytest.mark.parametrize("name", SEEN)
def test_no_finite_difference_exceeds_the_bounds(name):
    """Speeds and second derivatives of single points, by central differences in random boxes of all sizes."""
    motion, random = SEEN[name], np.random.default_rng(5)
    low, high = boxes_of(motion, random, 40)
    steps = 1e-3 * (motion.high - motion.low)
    poses = random.uniform(low, high, (25, *low.shape))
    for point in POINTS:
        offset = motion.offsets(point[None])
        slope, bend = motion.slope(low, high, offset), motion.bend(low, high, offset)
        for k in np.flatnonzero(motion.high > motion.low):
            step = steps[k] * np.eye(len(steps))[k]
            before, here, after = (
                motion.place(some.reshape(-1, len(steps)), point[None]).reshape(*poses.shape[:2], 3)
                for some in (poses - step, poses, poses + step)
            )
            speed = np.linalg.norm(after - before, axis=2).max(axis=0) / (2.0 * steps[k])
            change = np.linalg.norm(after - 2.0 * here + before, axis=2).max(axis=0) / steps[k] ** 2
            assert (speed <= slope[:, k] * (1.0 + 1e-6) + 1e-6).all()
            assert (change <= bend[:, k] * (1.0 + 1e-3) + 4e-12 / steps[k] ** 2).all()


@pytest.mark.parametrize("name", ["axle", "carried", "unit from the wheel", "arm from the wheel"])
def test_the_bounds_are_of_use(name):
    """Over a small box they come to less than three times what the differences show along all coordinates."""
    motion = SEEN[name]
    middle, half = (motion.low + motion.high) / 2.0, 0.02 * (motion.high - motion.low)
    slope = motion.slope((middle - half)[None], (middle + half)[None], motion.offsets(POINTS[:1]))[0]
    ends = half * np.eye(len(half))
    first, last = (motion.place(middle + sign * ends, POINTS[:1])[:, 0] for sign in (-1.0, 1.0))
    assert slope @ half <= 3.0 * np.linalg.norm(last - first, axis=1).sum() / 2.0


@pytest.mark.parametrize("of", [AXLE, WHEEL, ON_FRAME, UNIT])
def test_an_inverse_undoes(of):
    """Placed by the motion and seen from what it carries, every point is where it was, and so is every direction."""
    random = np.random.default_rng(2)
    poses = random.uniform(of.low, of.high, (20, len(of.low)))
    back = Following(outer=Inverse(of), inner=of)
    assert back.coordinates == of.coordinates
    assert np.abs(back.place(poses, POINTS) - POINTS).max() < 1e-9
    assert np.abs(back.turn(poses) - np.eye(3)).max() < 1e-12
    away = (POINTS - of.place(poses, np.zeros((1, 3))))[..., None]
    solved = np.linalg.solve(of.turn(poses)[:, None], away)[..., 0]
    assert np.abs(Inverse(of).place(poses, POINTS) - solved).max() < 1e-9


@pytest.mark.parametrize("motion", [WHEEL, SEEN["carried"], SEEN["unit from the wheel"]])
def test_offsets_plus_a_way_will_do_for_points_that_went_it(motion):
    """Points that were first moved by at most t: no difference exceeds the bounds at the offsets plus t."""
    random = np.random.default_rng(4)
    low, high = motion.low[None], motion.high[None]
    steps = 1e-3 * (motion.high - motion.low)
    for _ in range(10):
        way = random.normal(size=(len(POINTS), 3)) * 10.0 ** random.uniform(-1.0, 3.0)
        offset = motion.offsets(POINTS) + np.linalg.norm(way, axis=1).max()
        slope, bend = motion.slope(low, high, offset)[0], motion.bend(low, high, offset)[0]
        poses = random.uniform(motion.low, motion.high, (200, len(steps)))
        for k in np.flatnonzero(steps > 0.0):
            step = steps[k] * np.eye(len(steps))[k]
            before, here, after = (motion.place(some, POINTS + way) for some in (poses - step, poses, poses + step))
            assert np.linalg.norm(after - before, axis=2).max() / (2.0 * steps[k]) <= slope[k] * (1.0 + 1e-6)
            change = np.linalg.norm(after - 2.0 * here + before, axis=2).max() / steps[k] ** 2
            assert change <= bend[k] * (1.0 + 1e-3) + 4e-12 / steps[k] ** 2


@pytest.mark.parametrize("of", [AXLE, STEERING.left, WHEEL, ON_FRAME])
def test_a_turned_direction_bends_no_more_than_told(of):
    """Second differences of all three axes turned by the motion, and by its inverse: the same bound holds for both."""
    random = np.random.default_rng(6)
    low, high = boxes_of(of, random, 30)
    bound, steps = turning_bend(of, low, high), 1e-3 * (of.high - of.low)
    poses = random.uniform(low, high, (20, *low.shape)).reshape(-1, len(steps))
    for k in np.flatnonzero(steps > 0.0):
        step = steps[k] * np.eye(len(steps))[k]
        change = (of.turn(poses - step) - 2.0 * of.turn(poses) + of.turn(poses + step)) / steps[k] ** 2
        most = np.linalg.norm(change, ord=2, axis=(1, 2)).reshape(20, -1).max(axis=0)
        assert (most <= bound[:, k] * (1.0 + 1e-3) + 4e-15 / steps[k] ** 2 + 1e-9).all()


def test_how_far_a_point_comes_is_bounded_over_all_poses():
    """By random poses and all corners; an arm of 180 mm that turns by less than half a right angle is not far off."""
    random = np.random.default_rng(3)
    for motion in (AXLE, ARM, ON_FRAME):
        poses = random.uniform(motion.low, motion.high, (4000, len(motion.low)))
        far = np.linalg.norm(motion.place(poses, POINTS) - POINTS, axis=2).max()
        assert far <= farthest_mm(motion, POINTS) <= 3.0 * far
    assert farthest_mm(Still(), POINTS) == 0.0


def test_coordinates_of_both_are_there_once():
    motion = SEEN["arm from the wheel"]
    assert sorted(motion.coordinates) == sorted(WHEEL.coordinates)
    assert len(columns_of(motion, WHEEL)) == len(WHEEL.coordinates)
    straight = motion.straight()
    assert sorted(straight.coordinates) == sorted(WHEEL.straight().coordinates)
