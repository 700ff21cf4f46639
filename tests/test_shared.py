"""What carries two bodies alike is taken off both, and what carries one is undone: the same least distance."""

from __future__ import annotations

import numpy as np
import pytest

from fitcheck.checks.movers import Movers
from fitcheck.checks.search import search
from fitcheck.checks.stretches import whole
from fitcheck.geometry.distance import least_between
from fitcheck.geometry.solids import box, capsule
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.discs import WheelPiece
from fitcheck.vehicle.drag_link import Pitman
from fitcheck.vehicle.ends import End
from fitcheck.vehicle.hoses import Drops, Line, hose_pieces
from fitcheck.vehicle.inverse import Inverse
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.motion import Carried, columns_of
from fitcheck.vehicle.mounts import twist_at
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.shared import without_shared
from fitcheck.vehicle.sight import SeenHose, seen, turned_mm
from fitcheck.vehicle.spans import RodPiece, shaft_spans
from fitcheck.vehicle.steering import Kingpin, steered_wheels

AXLE = SolidAxle("front_axle", (0.0, 0.0, 382.0), 70.0, 80.0, 400.0, 5.0)
STEERING = steered_wheels(
    "steering",
    Kingpin((0.0, -700.0, 300.0), (0.0, -700.0, 500.0)),
    Kingpin((0.0, 700.0, 300.0), (0.0, 700.0, 500.0)),
    33.0,
    28.0,
)
LEFT, RIGHT = (Carried(outer=AXLE, inner=side) for side in (STEERING.left, STEERING.right))
TUBE = MovingBody("tube", "axle", (RigidPiece("tube", AXLE, capsule((0, -640, 382), (0, 640, 382), 45.0)),))
ROD = MovingBody(
    "tie_rod",
    "steering",
    (RodPiece("rod", End((-160.0, -655.0, 360.0), LEFT), End((-160.0, 655.0, 360.0), RIGHT), 15.0),),
)


def least(movers: Movers):
    return search(movers, [whole(movers.space)], movers.closest(movers.space.scan_pose))[0]


def test_a_tie_rod_against_its_own_axle_knows_the_steering_alone():
    rod, tube = without_shared(ROD, TUBE)
    assert rod.space.coordinates == ("steering.steer",)
    assert tube.space.coordinates == ()


def test_the_least_distance_is_that_of_the_whole_motion():
    """By the brackets of both searches, and by poses of the whole motion, none of which comes nearer."""
    whole_motion, alone = Movers(ROD, other=TUBE), Movers(ROD, other=TUBE).alone()
    found = least(alone)
    assert found.distance_mm - found.at_least_mm <= 0.1
    random = np.random.default_rng(8)
    poses = random.uniform(whole_motion.space.low, whole_motion.space.high, (300, len(whole_motion.space.coordinates)))
    steered = whole_motion.space.coordinates.index("steering.steer")
    poses[:200, steered] = np.linspace(whole_motion.space.low[steered], whole_motion.space.high[steered], 200)
    distances = [whole_motion.closest(pose).distance_mm for pose in poses]
    assert min(distances) >= found.at_least_mm
    assert min(distances) == pytest.approx(found.distance_mm, abs=0.1)


def test_things_fixed_to_one_axle_do_not_move_against_each_other():
    bracket = MovingBody("bracket", "axle", (RigidPiece("b", AXLE, box((100, -50, 400), (160, 50, 460))),))
    one, two = without_shared(bracket, TUBE)
    assert one.space.coordinates == two.space.coordinates == ()
    found = least(Movers(bracket, other=TUBE).alone())
    assert found.distance_mm == pytest.approx(np.hypot(100.0, 18.0) - 45.0, abs=1e-2)


def test_the_twist_is_shared_at_one_station_and_not_at_two():
    here, there = (twist_at("frame", x, 2.0, 2620.0, 0.0, 580.0) for x in (0.0, 1000.0))
    knob = box((0, 0, 700), (50, 50, 750))
    other = MovingBody("b", "lv", (RigidPiece("b", here, box((0, 200, 700), (50, 250, 750))),))
    for motion, left in ((here, ()), (there, ("frame.twist",))):
        one, _ = without_shared(MovingBody("a", "lv", (RigidPiece("a", motion, knob),)), other)
        assert one.space.coordinates == left


def test_a_hose_keeps_what_carries_it_for_it_hangs_straight_down():
    line = Line("hose", End((0.0, -300.0, 500.0), AXLE), End((0.0, 100.0, 500.0), AXLE), 450.0, 11.0)
    hose = MovingBody("hose", "brake_line", hose_pieces(line))
    assert without_shared(hose, TUBE) == (hose, TUBE)


# -- what carries the one, and the other at one end --

FRAME, UNIT = (twist_at("frame", x, 2.0, 2620.0, 0.0, 580.0) for x in (200.0, 1400.0))
ON_FRAME, WHEEL = Carried(outer=FRAME, inner=AXLE), Carried(outer=FRAME, inner=LEFT)
TYRE = MovingBody("tyre", "tyre", (WheelPiece("tyre", WHEEL, (0.0, -760.0, 382.0), (0.0, 1.0, 0.0), 390.0, 205.0),))
BEAM = MovingBody("beam", "axle", (RigidPiece("beam", ON_FRAME, capsule((0, -640, 382), (0, 640, 382), 45.0)),))
ARM_END = End((-150.0, -600.0, 380.0), WHEEL)
PITMAN = Pitman("arm", (-420.0, 250.0, 560.0), (1.0, 0.0, 0.0), (-420.0, 250.0, 380.0), ARM_END)
LINK = MovingBody("link", "steering", (RodPiece("link", End((-420.0, 250.0, 380.0), PITMAN), ARM_END, 14.0),))
SHAFT = MovingBody(
    "shaft",
    "shaft",
    shaft_spans("shaft", End((900.0, 150.0, 560.0), UNIT), End((140.0, 180.0, 400.0), ON_FRAME), 76.0, 110.0, 60.0),
)
LINE = Line("hose", End((60.0, -420.0, 620.0), FRAME), End((70.0, -620.0, 420.0), WHEEL), 420.0, 12.0)
HOSE = MovingBody("hose", "brake_line", hose_pieces(LINE))
PAIRS = {
    "tyre and link": (TYRE, LINK),
    "link and tyre": (LINK, TYRE),
    "beam and link": (BEAM, LINK),
    "beam and shaft": (BEAM, SHAFT),
    "tyre and hose": (TYRE, HOSE),
    "hose and beam": (HOSE, BEAM),
}


@pytest.mark.parametrize("name", PAIRS)
def test_distances_are_the_same_where_one_sees_the_other(name):
    """In random poses, to the rounding of solids' sides; and what the chain carries stands still."""
    one, other = PAIRS[name]
    looked = seen(one, other)
    assert looked is not None
    space = Movers(one, other=other).space
    columns = [columns_of(body.space, space) for body in looked]
    for pose in np.random.default_rng(9).uniform(space.low, space.high, (8, len(space.coordinates))):
        here, there = (body.solids(pose[own]) for body, own in zip(looked, columns, strict=True))
        assert least_between(here, there).distance_mm == pytest.approx(
            Movers(one, other=other).closest(pose).distance_mm, abs=2e-2
        )
    assert any(len(body.space.coordinates) <= 1 for body in looked)


@pytest.mark.parametrize("name", PAIRS)
def test_hulls_hold_the_pieces_in_every_pose_of_a_box(name):
    """Along random directions no corner of a piece's solid stands out of the hull of a box of poses that it is in."""
    random = np.random.default_rng(10)
    ways = random.normal(size=(40, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    for body in seen(*PAIRS[name]):
        low, high = body.space.low, body.space.high
        for piece, _ in ((piece, k) for piece in body.pieces for k in range(3)):
            ends = random.uniform(low, high, (2, len(low)))
            ends[1] = ends[0] + 10.0 ** random.uniform(-2.0, 0.0) * (ends[1] - ends[0])
            box_low, box_high = ends.min(axis=0), ends.max(axis=0)
            hulls = piece.hulls(box_low[None], box_high[None])
            off = hulls.ball_mm + hulls.grow_mm[0]
            if hulls.discs is None:
                reach = (hulls.points[0] @ ways.T).max(axis=0) + off
            else:
                rim = np.sqrt(np.maximum(1.0 - (hulls.discs[0] @ ways.T) ** 2, 0.0)) * hulls.disc_radius_mm
                reach = (hulls.points[0] @ ways.T + rim).max(axis=0) + off
            for pose in random.uniform(box_low, box_high, (8, len(low))):
                solid = piece.at(pose)
                assert ((solid.vertices @ ways.T).max(axis=0) + solid.radius_mm <= reach + 1e-6).all()


def test_the_search_finds_the_least_that_poses_show_and_needs_few_boxes():
    """A tyre and the link at its arm are as near in all poses: from the wheel it is seen at once."""
    movers = Movers(TYRE, other=LINK)
    assert movers.seen[0] is not movers.body
    found = least(movers)
    assert found.distance_mm - found.at_least_mm <= 0.1
    assert movers.closest(found.pose).distance_mm == pytest.approx(found.distance_mm, abs=0.1)
    poses = np.random.default_rng(11).uniform(movers.space.low, movers.space.high, (60, len(movers.space.low)))
    assert min(movers.closest(pose).distance_mm for pose in poses) >= found.at_least_mm


def rocker(half_rad: float) -> Chain:
    """Turns about the y axis through the origin."""
    turn = Joint("turn", (0.0, 1.0, 0.0))
    return Chain("rocker", (Coordinate("rock", -half_rad, half_rad, "rad"),), (turn,), (Law((1.0,)),))


def test_a_hose_along_the_axis_that_turns_it_swings_in_an_arc():
    """Seen from what turns, its ends stand still and its middle goes round: the hull holds the arc's top."""
    motion = rocker(0.5)
    line = Line("hose", End((0.0, -200.0, 0.0), motion), End((0.0, 200.0, 0.0), motion), 440.0, 12.0)
    base = MovingBody("base", "x", (RigidPiece("base", motion, box((0, 0, 0), (1, 1, 1))),))
    stretch = seen(base, MovingBody("hose", "brake_line", hose_pieces(line)))[1].pieces[3]
    hulls = stretch.hulls(motion.low[None], motion.high[None])
    lowest = stretch.at(np.zeros(1)).vertices[:, 2].min()
    drop = -lowest
    assert hulls.points[0, :, 2].min() == pytest.approx(-drop * np.cos(0.5), abs=0.2)
    assert drop * (1.0 - np.cos(0.5)) - 0.2 <= hulls.grow_mm[0] <= 0.2 * drop


def test_drops_that_differ_at_the_corners_are_allowed_for_as_down_turns():
    """Blends of a drop that grows from 0 to 100 mm while down turns: never farther off than told, and half as far."""
    half = 0.05
    motion = rocker(half)
    drops = Drops(np.array([[[0.0, 0.0], [100.0, 100.0]]]), np.full(1, 100.0))
    told = turned_mm(Inverse(motion), motion.low[None], motion.high[None], drops)[0]
    share = np.linspace(0.0, 1.0, 201)
    down = -Inverse(motion).turn(-half + 2.0 * half * share[:, None])[:, :, 2]
    off = (100.0 * share)[:, None] * (down - down[-1])
    assert told / 2.0 <= np.linalg.norm(off, axis=1).max() <= told


def test_what_shares_no_carrier_is_seen_as_it_is():
    alone = MovingBody("unit", "unit", (RigidPiece("u", UNIT, box((800, -50, 400), (900, 50, 500))),))
    assert seen(alone, TUBE) is None
    assert Movers(alone, other=TUBE).seen is None


def test_a_seen_hose_goes_straight_with_its_axle():
    looked = seen(TYRE, HOSE)[1]
    stretch = looked.pieces[3].straight()
    assert isinstance(stretch, SeenHose)
    assert sorted(stretch.space.coordinates) == ["frame.twist", "front_axle.heave", "steering.steer"]
    assert repr(stretch.facts()) != repr(looked.pieces[3].facts())
