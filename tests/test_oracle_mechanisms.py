"""The oracle of mechanisms stands on closed forms, and its distances on the oracle of triangles."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import oracle
import oracle_bodies as bodies
import oracle_mechanisms as mechanisms
import oracle_motion
import pytest
import shapes
from numpy.typing import NDArray
from oracle_bodies import Between, End, Hose, Rigid
from oracle_mechanisms import Limit, Rod, Still, Travel, Upright
from oracle_motion import Carried as Shape
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]
PLAIN = oracle_motion.Axle((2620.0, 0.0, 384.0), 80.0, 90.0, 400.0)
LOOSE = oracle_motion.Axle((2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, 5.0, 6.0, 4.0)


def poses(travel: Travel, n: int, seed: int) -> Mapping[str, Floats]:
    return travel.named(np.random.default_rng(seed).uniform(travel.low, travel.high, size=(n, len(travel.low))))


def pose(**values: float) -> Mapping[str, Floats]:
    return {name.replace("__", "."): np.array([value]) for name, value in values.items()}


def went(motion: mechanisms.Motion, at: Mapping[str, Floats], point: tuple[float, float, float]) -> Floats:
    """How far and where to a point has gone."""
    return np.asarray(mechanisms.points_at(motion, at, point)[0, 0] - point)


# ------------------------------------------------------------------ turns, limits, chains


def test_turns_are_right_handed() -> None:
    """Against scipy's rotation vectors; and x × y = z in this frame, rearward × right = up."""
    rng = np.random.default_rng(1)
    axes, angles = mechanisms.unit(rng.normal(size=(20, 3))), rng.uniform(-3, 3, 20)
    assert np.allclose(
        mechanisms.turn_about(axes, angles), Rotation.from_rotvec(axes * angles[:, None]).as_matrix(), atol=1e-14
    )
    assert np.allclose(mechanisms.turn_about(mechanisms.Z, np.array([math.pi / 2]))[0] @ mechanisms.X, mechanisms.Y)


def test_a_pose_beyond_a_limit_is_pulled_onto_it() -> None:
    travel = Travel(("a", "b"), (-10.0, -10.0), (10.0, 10.0), (Limit((("a", 1.0), ("b", 1.0)), -4.0, 6.0),))
    named = travel.named(np.array([[10.0, 10.0], [-9.0, 0.0], [5.0, -5.0], [0.0, 0.0]]))
    assert np.allclose(named["a"], [3.0, -4.0, 5.0, 0.0])
    assert np.allclose(named["b"], [3.0, 0.0, -5.0, 0.0])


def test_shared_coordinates_are_joined_once() -> None:
    one, two = Travel(("s", "a"), (-1.0, 0.0), (1.0, 2.0)), Travel(("b", "s"), (-3.0, -1.0), (3.0, 1.0))
    assert mechanisms.joined(one, two) == Travel(("s", "a", "b"), (-1.0, 0.0, -3.0), (1.0, 2.0, 3.0))


def test_a_chain_turns_its_outermost_joint_last() -> None:
    """A slide on a turning arm goes along the turned axis; the other way about the slide stays put."""
    travel = Travel(("q", "s"), (-2.0, -9.0), (2.0, 9.0))
    turn = mechanisms.Joint("turn", (0, 0, 5), (100, 0, 0), (1.0, 0.0))
    slide = mechanisms.Joint("slide", (2, 0, 0), (0, 0, 0), (0.0, 1.0), (0.0, 0.1))
    at = {"q": np.array([math.pi / 2]), "s": np.array([5.0])}  # slide 5 + 0.1 · 25 = 7.5
    first = mechanisms.points_at(mechanisms.Chain(travel, (turn, slide)), at, (100, 0, 0))[0, 0]
    second = mechanisms.points_at(mechanisms.Chain(travel, (slide, turn)), at, (100, 0, 0))[0, 0]
    assert np.allclose(first, (100, 7.5, 0))
    assert np.allclose(second, (107.5, 0, 0))


def test_what_is_carried_goes_through_its_own_motion_first() -> None:
    """A wheel of a steered axle: steered about its kingpin, then heaved by 30: the kingpin has heaved too."""
    axle = mechanisms.LeafAxle("front", PLAIN)
    wheel = steered("right", inner=0.6, outer=0.5)
    both = mechanisms.Carried(axle, wheel)
    assert both.travel.names == ("front.right", "front.left", "front.wind_up", "front.lateral", "steer.steer")
    at = pose(front__right=30, front__left=30, front__wind_up=0, front__lateral=0, steer__steer=0.3)
    assert np.allclose(went(both, at, wheel.lower), (0, 0, 30))
    assert np.allclose(went(both, at, (2400, 700, 400)), went(wheel, at, (2400, 700, 400)) + (0, 0, 30))


# ------------------------------------------------------------------ axles on rods


def parallel_links(extra: tuple[Rod, ...] = ()) -> mechanisms.LinkedAxle:
    """Four equal level links along x and a level lateral rod of 800 behind the axle's middle."""
    ends = [(2620.0, y, z) for y in (-450.0, 450.0) for z in (300.0, 500.0)]
    links = tuple(Rod((x - 900.0, y, z), (x, y, z)) for x, y, z in ends)
    return mechanisms.LinkedAxle("rear", PLAIN, (*links, Rod((2700, 400, 384), (2700, -400, 384)), *extra))


def test_parallel_equal_links_give_no_pitch_and_the_lateral_rods_arc() -> None:
    """Panhard: Δy = √(ℓ² − h₀²) − √(ℓ² − (h₀ + z)²): 800 level, 80 bump: 4.0 mm (closed form).

    The links carry every point along the same arc, fore² + side² + heave² = 2 · 900 · fore (closed form).
    """
    links = parallel_links()
    at = pose(rear__right=80, rear__left=80, rear__wind_up=0, rear__lateral=0)
    fore, side, heave = went(links, at, (2620.0, 0.0, 384.0))
    assert heave == pytest.approx(80)
    assert side == pytest.approx(800 - math.sqrt(800**2 - 80**2 - fore**2), abs=1e-9)
    assert side == pytest.approx(4.0, abs=0.02)
    assert fore == pytest.approx(-(fore**2 + side**2 + heave**2) / 1800, abs=1e-9)
    assert np.allclose(links.frames(at)[0][0], np.eye(3), atol=1e-12)


def test_a_side_view_swing_arm_pitches_by_its_angle() -> None:
    """Two level arms of 1000 with the axle fixed to them by a second rod pair: Δpitch = asin(z/s) ≈ z/s (closed form).

    Rods from the pivot's axis to two points of the axle one above the other make the axle turn about it.
    """
    pivots, ends = [(1620.0, y, 384.0) for y in (-400.0, 400.0)], [(2620.0, 0.0, z) for z in (384.0, 500.0)]
    axle = mechanisms.LinkedAxle("rear", PLAIN, tuple(Rod(a, b) for a in pivots for b in ends))
    at = pose(rear__right=60, rear__left=60, rear__wind_up=0, rear__lateral=0)
    turn = axle.frames(at)[0][0]
    assert math.asin(turn[0, 2]) == pytest.approx(-math.asin(60 / 1000), abs=1e-9)


def test_a_linked_axle_rests_where_scipy_finds_the_least_squares() -> None:
    """Radius arms and a lateral rod: more rods than freedoms, with bushes that give."""
    arms = [((1750.0, s * 380.0, 360.0), (2570.0, s * 450.0, z)) for s in (-1, 1) for z in (320.0, 420.0)]
    rods = (*(Rod(a, b) for a, b in arms), Rod((2720, 430, 420), (2720, -400, 360), 832.0))
    axle = mechanisms.LinkedAxle("rear", PLAIN, rods)
    at = poses(axle.travel, 12, 3)
    turn, shift = axle.frames(at)
    for k, (right, left) in enumerate(zip(at["rear.right"], at["rear.left"], strict=True)):
        heave, roll = (right + left) / 2, math.atan((right - left) / 800)

        def placed(free: Floats, heave: float = heave, roll: float = roll) -> Floats:
            way = Rotation.from_euler("ZXY", [free[2] / 500, roll, free[3] / 500])
            ends = np.array([rod.carried for rod in rods]) - PLAIN.centre_mm
            return np.asarray(way.apply(ends) + PLAIN.centre_mm + [free[0], free[1], heave])

        def misfit(free: Floats, placed=placed) -> Floats:
            length = np.linalg.norm(placed(free) - [rod.body for rod in rods], axis=1)
            return np.asarray(length - [rod.length for rod in rods])

        best = least_squares(misfit, np.zeros(4), xtol=1e-15, ftol=1e-15, gtol=1e-12)
        assert best.cost > 1e-6
        ends = np.array([rod.carried for rod in rods]) @ turn[k].T + shift[k]
        assert np.allclose(ends, placed(best.x), atol=1e-4)


def test_wind_up_and_play_come_on_top_of_the_links() -> None:
    links = mechanisms.LinkedAxle("rear", LOOSE, parallel_links().rods)
    at = pose(rear__right=0, rear__left=0, rear__wind_up=0.1, rear__lateral=5)
    assert went(links, at, (2620.0, 0.0, 384.0)) == pytest.approx((0, 5, 0))
    assert went(links, at, (2390.0, 0.0, 384.0))[2] == pytest.approx(230 * math.sin(0.1))


# ------------------------------------------------------------------ independent suspension


def test_a_trailing_arm_rises_by_its_coordinate_and_swings_on_its_arc() -> None:
    """Level arm of 500, 80 up: forward by 500 − √(500² − 80²) = 6.44 (closed form)."""
    arm = mechanisms.SwingArm("rr", (2600.0, 700.0, 350.0), ((2100.0, 300.0, 350.0), (2100.0, 500.0, 350.0)), 80, 90)
    assert went(arm, pose(rr__bump=80), arm.wheel) == pytest.approx((math.sqrt(500**2 - 80**2) - 500, 0, 80))


def random_arm(seed: int) -> mechanisms.SwingArm:
    rng = np.random.default_rng(seed)
    wheel = np.array([2600.0, 720.0, 350.0])
    first = wheel + rng.uniform([-500, -420, -60], [-350, -300, 60])
    second = wheel + rng.uniform([-150, -500, -60], [80, -350, 60])
    return mechanisms.SwingArm("rr", tuple(wheel), (tuple(first), tuple(second)), 85.0, 95.0)


@pytest.mark.parametrize("seed", range(8))
def test_five_rods_from_one_axis_are_a_swing_arm(seed: int) -> None:
    """Rods from two points of an axis to three points of the upright leave only the turn about the axis."""
    arm = random_arm(seed)
    a, b = arm.pivots
    ends = [tuple(np.add(arm.wheel, away)) for away in ((-40, -120, 30), (60, -80, -70), (10, 20, 130))]
    rods = (Rod(a, ends[0]), Rod(b, ends[0]), Rod(a, ends[1]), Rod(b, ends[1]), Rod(a, ends[2]))
    at = poses(arm.travel, 30, seed)
    upright = Upright("rr", arm.wheel, arm.bump_mm, arm.droop_mm, rods)
    for one, two in zip(arm.frames(at), upright.frames(at), strict=True):
        assert np.allclose(one, two, atol=1e-6)
    assert np.allclose(mechanisms.points_at(arm, at, arm.wheel)[:, 0, 2] - 350.0, at["rr.bump"])


def five_rods() -> Upright:
    wheel = np.array([0.0, 740.0, 350.0])
    pairs = [
        ((-180, -430, -90), (-20, -70, -110)),
        ((170, -430, -100), (0, -70, -110)),
        ((-130, -360, 110), (-10, -110, 130)),
        ((140, -360, 120), (10, -110, 130)),
        ((120, -410, -60), (130, -80, -70)),
    ]
    rods = tuple(Rod(tuple(wheel + a), tuple(wheel + b)) for a, b in pairs)
    return Upright("fr", tuple(wheel), 80, 85, rods, steering=4, rack_mm=60)


def strut() -> Upright:
    wheel = np.array([0.0, 740.0, 350.0])
    ball = wheel + (0, -60, -110)
    pairs = [(wheel + (-190, -420, -90), ball), (wheel + (150, -420, -95), ball)]
    pairs.append((wheel + (130, -400, -60), wheel + (140, -70, -60)))
    rods = tuple(Rod(tuple(a), tuple(b)) for a, b in pairs)
    top, foot = tuple(wheel + (20, -170, 480)), tuple(wheel + (5, -90, 90))
    return Upright("fr", tuple(wheel), 80, 85, rods, steering=2, rack_mm=60, top=top, foot=foot)


@pytest.mark.parametrize("upright", [five_rods(), strut()], ids=["five rods", "strut"])
def test_an_upright_meets_all_its_demands_at_every_pose(upright: Upright) -> None:
    """Rod lengths with the rack slid, the wheel centre's height, the strut's axis through its top mount."""
    at = poses(upright.travel, 50, 5)
    assert np.allclose(mechanisms.points_at(upright, at, upright.wheel)[:, 0, 2] - 350.0, at["fr.bump"], atol=1e-9)
    for k, rod in enumerate(upright.rods):
        body = np.array(rod.body) + np.outer(at["fr.rack"], mechanisms.Y if k == upright.steering else np.zeros(3))
        length = np.linalg.norm(mechanisms.points_at(upright, at, rod.carried)[:, 0] - body, axis=1)
        assert np.allclose(length, math.dist(rod.body, rod.carried), atol=1e-7)
    turn = upright.frames(at)[0]
    assert np.allclose(turn @ turn.transpose(0, 2, 1), np.eye(3), atol=1e-12)
    if upright.top and upright.foot:
        axis = mechanisms.points_at(upright, at, [upright.foot, upright.top])
        off = np.cross(upright.top - axis[:, 0], mechanisms.unit(axis[:, 1] - axis[:, 0]))
        assert np.allclose(off, 0.0, atol=1e-7)


def test_a_rack_to_the_right_behind_the_axle_steers_the_front_to_the_left() -> None:
    """The steering rod stands behind the wheel centre: its end goes right (+y) with the rack, the front goes left."""
    for upright in (five_rods(), strut()):
        forward = upright.frames(pose(fr__bump=0, fr__rack=40))[0][0] @ (-1, 0, 0)
        assert forward[1] < -0.2


def test_five_rods_agree_with_scipys_root() -> None:
    upright = five_rods()
    at = pose(fr__bump=70, fr__rack=-30)
    wheel = np.array(upright.wheel)

    def demands(free: Floats) -> Floats:
        way = Rotation.from_rotvec(free[2:] / 300)
        moved = way.apply(np.array([rod.carried for rod in upright.rods]) - wheel) + wheel + [free[0], free[1], 70]
        body = np.array([rod.body for rod in upright.rods]) + np.outer([0, 0, 0, 0, 1], [0, -30, 0])
        return np.asarray(np.linalg.norm(moved - body, axis=1) - [rod.length for rod in upright.rods])

    found = root(demands, np.zeros(5), tol=1e-12)
    assert found.success
    assert np.allclose(upright.frames(at)[0][0], Rotation.from_rotvec(found.x[2:] / 300).as_matrix(), atol=1e-8)


def test_rods_that_cannot_reach_say_so() -> None:
    """Travel of 900 with arms of 350: no answer, not a wrong one."""
    far = Upright("fr", five_rods().wheel, 900, 85, five_rods().rods, steering=4, rack_mm=60)
    assert np.isnan(far.frames(pose(fr__bump=900, fr__rack=0))[0]).all()


# ------------------------------------------------------------------ steering


def steered(side: str, inner: float, outer: float) -> mechanisms.SteeredWheel:
    y = {"right": 600.0, "left": -600.0}[side]
    lower, upper = (2600.0, y + math.copysign(30, y), 250.0), (2615.0, y, 500.0)
    return mechanisms.SteeredWheel("steer", side, lower, upper, inner, outer)


@pytest.mark.parametrize(("side", "at_right_lock", "at_left_lock"), [("right", 35, -30), ("left", 30, -35)])
def test_the_inner_wheel_has_the_inner_angle(side: str, at_right_lock: float, at_left_lock: float) -> None:
    """t = ±(35 + 30)/2°: turning right the right wheel is the inner one; and straight ahead is straight ahead.

    Read from above, along the wheel's level diameter.
    """
    wheel = steered(side, math.radians(35), math.radians(30))
    lock = math.radians(32.5)
    turn = wheel.frames({"steer.steer": np.array([lock, -lock, 0.0])})[0]
    front = np.cross(mechanisms.Z, turn @ mechanisms.Y)  # in the wheel's plane, level, −x straight ahead
    assert np.degrees(np.arctan2(front[:, 1], -front[:, 0])) == pytest.approx([at_right_lock, at_left_lock, 0])


def test_an_upright_kingpin_turns_as_far_as_the_floor_shows() -> None:
    """a = 1, b = (inner − outer)/(2 T²): the right wheel at half the right lock (closed form)."""
    wheel = mechanisms.SteeredWheel("steer", "right", (0, 600, 300), (0, 600, 500), 0.6, 0.5)
    assert wheel.angles(np.array([0.275]))[0] == pytest.approx(0.275 + 0.1 / (2 * 0.55**2) * 0.275**2)


@pytest.mark.parametrize("side", ["right", "left"])
def test_a_steer_to_the_right_takes_the_front_of_the_wheel_to_the_right(side: str) -> None:
    """With a kingpin nearly upright the front (−x) goes to +y by about R sin δ."""
    wheel = steered(side, 0.6, 0.6)
    front = went(wheel, pose(steer__steer=0.5), (2600 - 395, wheel.lower[1], 250))
    assert front[1] == pytest.approx(395 * math.sin(0.5), rel=0.02)
    assert front[1] > 0.0


def test_ackermann() -> None:
    """cot δo − cot δi = spacing/wheelbase; both axles of the wheels meet the rear axle's line (closed form)."""
    outer = mechanisms.outer_angle(math.radians(35), 1300, 2600)
    assert 1 / math.tan(outer) - 1 / math.tan(math.radians(35)) == pytest.approx(0.5)
    assert 2600 / math.tan(outer) - 2600 / math.tan(math.radians(35)) == pytest.approx(1300)


def test_inboard_reach_of_a_steered_wheel() -> None:
    """Upright kingpin, R 395, width 205, s 40, 35°: R sin δ + (w/2 − s) cos δ = 278 inboard (closed form)."""
    wheel = mechanisms.SteeredWheel("steer", "right", (0, 600, 300), (0, 600, 500), math.radians(35), math.radians(35))
    rim = [(x, 640 + y, 300) for x in (-395, 395) for y in (-102.5, 102.5)]
    reach = 600 - mechanisms.points_at(wheel, pose(steer__steer=math.radians(35)), rim)[0, :, 1].min()
    assert reach == pytest.approx(395 * math.sin(math.radians(35)) + 62.5 * math.cos(math.radians(35)))
    assert reach == pytest.approx(278, abs=0.5)


def test_a_pitman_arm_keeps_its_rod_at_one_length() -> None:
    """Arm of 150 about y, rod of 700 ahead of it: length kept at every pose, nothing moves at the scan pose."""
    arm = mechanisms.Pitman(
        (0, -400, 600), (0, 1, 0), (10, -400, 450), (700, -480, 420), mechanisms.LeafAxle("front", PLAIN)
    )
    at = poses(arm.travel, 50, 2)
    tip = mechanisms.points_at(arm, at, arm.tip)[:, 0]
    other = mechanisms.points_at(arm.on, at, arm.other)[:, 0]
    assert np.allclose(np.linalg.norm(tip - other, axis=1), math.dist(arm.tip, arm.other), atol=1e-9)
    assert np.abs(arm.angles(at)).max() < 0.5
    still = {name: np.zeros(1) for name in arm.travel.names}
    assert arm.angles(still) == pytest.approx(0.0, abs=1e-9)


def test_a_pitman_arm_follows_a_slide_along_the_rod() -> None:
    """A level rod to a slider, the arm hanging: a slide of s turns the arm so that a sin θ + … closes (closed form).

    Arm a down from the hub, slider at the tip's height, rod ℓ: (ℓ + s − a sin θ)² + (a − a cos θ)² = ℓ².
    """
    slide = mechanisms.Chain(
        Travel(("s",), (-60.0,), (60.0,)), (mechanisms.Joint("slide", (1, 0, 0), (0, 0, 0), (1.0,)),)
    )
    arm = mechanisms.Pitman((0, 0, 150), (0, -1, 0), (0, 0, 0), (500, 0, 0), slide)
    slid = np.array([-60.0, -5.0, 30.0, 60.0])
    angle = arm.angles({"s": slid})
    assert np.allclose((500 + slid - 150 * np.sin(angle)) ** 2 + (150 - 150 * np.cos(angle)) ** 2, 500**2)
    assert (np.sign(angle) == np.sign(slid)).all()


# ------------------------------------------------------------------ mounts, frame, lines


def test_a_rocking_unit() -> None:
    """3° at 400 from the roll axis: chord 20.94, sideways 20.93, drop 0.55 (closed form, C21); then surge, settle."""
    unit = mechanisms.RockingUnit("unit", (0, 0, 500), (1, 0, 0), math.radians(3), math.radians(3), 6, 3)
    gone = went(unit, pose(unit__rock=math.radians(3), unit__surge=0, unit__settle=0), (50, 0, 900))
    assert np.linalg.norm(gone) == pytest.approx(20.94, abs=0.005)
    assert gone == pytest.approx((0, -20.93, -0.55), abs=0.005)
    assert went(unit, pose(unit__rock=0, unit__surge=6, unit__settle=3), (50, 0, 900)) == pytest.approx((6, 0, -3))


def test_the_angle_that_a_unit_rocks() -> None:
    """600 N·m on two 300 N/mm mounts at ±200: 1.43°, 7.5 mm at 300 mm (closed form)."""
    angle = mechanisms.rock_angle(600, [(300, 200), (300, 200)])
    assert math.degrees(angle) == pytest.approx(1.43, abs=0.005)
    assert 300 * angle == pytest.approx(7.5)


def test_frame_twist_grows_with_the_station() -> None:
    """1° between stations 1000 apart: 500 behind the front one a rail 400 out goes 3.49 up (closed form)."""
    twist = mechanisms.Twisted("frame", 1500, math.radians(1), 1000, 1000, 450)
    gone = went(twist, pose(frame__twist=math.radians(1)), (1480, 400, 450))
    assert gone[2] == pytest.approx(400 * math.sin(math.radians(0.5)))
    assert gone[2] == pytest.approx(3.49, abs=0.005)


def test_a_hose_hangs_as_low_as_its_slack_lets_it() -> None:
    """600 apart with 27 slack sags 78 (closed form); drawn 79.5 deep its parabola is as long as the hose."""
    assert bodies.sag(np.array([600.0]), 627)[0] == pytest.approx(78, abs=0.1)
    hose = Hose(End((0, 0, 500)), End((600, 0, 500)), 627.0, 10.0)
    line = hose.centres({"": np.zeros(1)}, np.linspace(0, 1, 2001))[0]
    assert line[:, 2].min() == pytest.approx(500 - math.sqrt(3 * 27 * 6243 / 80))
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(627, rel=1e-4)
    taut = Hose(End((0, 0, 500)), End((600, 0, 500)), 590.0, 10.0)
    assert np.allclose(taut.centres({"": np.zeros(1)}, np.linspace(0, 1, 5))[0, :, 2], 500)


@pytest.mark.parametrize("slack", [1.001, 1.02, 1.1, 1.5])
@pytest.mark.parametrize("slant_deg", [0, 20, 45, 75, 89])
def test_a_hose_is_never_drawn_higher_than_a_parabola_of_its_length_hangs(slant_deg: float, slack: float) -> None:
    """Against the arc length by numbers; level and nearly taut it is the same to a thousandth."""
    way = (400 * math.cos(math.radians(slant_deg)), 0.0, 400 * math.sin(math.radians(slant_deg)))
    exact, drawn = bodies.exact_sag(way, 400 * slack), float(bodies.drop(np.array(way), 400 * slack))
    assert drawn >= exact - 1e-6
    if slant_deg == 0 and slack <= 1.1:
        assert drawn == pytest.approx(exact, rel=2e-3)


def test_a_shaft_between_two_joints_and_its_plunge() -> None:
    """Run 1190, pinion 60 below at rest, ±80: lengths 1198.21 … 1190.00, plunge 8.21 (closed form, D17)."""
    axle = mechanisms.LeafAxle("rear", oracle_motion.Axle((1190, 0, -60), 80, 80, 400))
    shaft = Between("cylinder", End((0, 0, 0)), End((1190, 0, -60), axle), 40.0, (0.0, 0.0), (70.0, 0.0))
    heave = np.linspace(-80, 80, 17)
    nil = np.zeros(17)
    at = {"rear.right": heave, "rear.left": heave, "rear.wind_up": nil, "rear.lateral": nil}
    length = np.linalg.norm(shaft.line(at)[1], axis=1)
    assert length.max() == pytest.approx(1198.21, abs=0.005)
    assert length.max() - length.min() == pytest.approx(8.21, abs=0.005)
    yoke = shaft.pieces(at)[0]
    assert np.allclose(np.linalg.norm(yoke.end - yoke.start, axis=1), 70.0)
    assert np.allclose(yoke.start, 0.0)


# ------------------------------------------------------------------ distances


def random_piece(kind: str, rng: np.random.Generator, n: int) -> oracle_motion.Piece:
    start, along = rng.normal(size=(n, 3)) * (110, 110, 50), rng.normal(size=(n, 3)) * (90, 90, 40)
    half = rng.uniform(5, 60, 3)
    return oracle_motion.Piece(
        kind, start, start if kind == "box" else start + along, 25.0, oracle_motion.rotations(rng, n), half
    )


def core_mesh(piece: oracle_motion.Piece, row: int) -> shapes.Mesh:
    """The box, or the segment as a flat triangle."""
    if piece.kind == "box":
        vertices, faces = shapes.box_mesh(-piece.half_mm, piece.half_mm)
        return vertices @ piece.axes[row] + piece.start[row], faces
    return np.array([piece.start[row], piece.end[row], piece.end[row]]), np.array([[0, 1, 2]], dtype=np.int32)


def is_inside(inner: oracle_motion.Piece, outer: oracle_motion.Piece, row: int) -> bool:
    """Whether a point of the inner core lies within the outer solid."""
    point = inner.start[row][None, None]
    nearest = oracle_motion.nearest_on_piece(outer.at(np.array([row])), point)
    return bool(np.allclose(nearest, point, atol=1e-9))


@pytest.mark.parametrize("kinds", [("capsule", "capsule"), ("capsule", "box"), ("box", "box")], ids="-".join)
def test_distances_agree_with_every_triangle_against_every_triangle(kinds: tuple[str, str]) -> None:
    """A solid inside the other has no triangle near: only pairs whose surfaces are apart and not nested count."""
    rng = np.random.default_rng(7)
    first, second = (random_piece(kind, rng, 150) for kind in kinds)
    found = bodies.piece_distances(first, second)
    radii = sum(25.0 for kind in kinds if kind == "capsule")
    truth = np.array([oracle.mesh_distance(core_mesh(first, k), core_mesh(second, k)) for k in range(150)])
    truth = np.maximum(truth - radii, 0.0)
    nested = (found == 0.0) & (truth > 1e-9)
    assert all(is_inside(first, second, k) or is_inside(second, first, k) for k in np.flatnonzero(nested))
    assert np.allclose(found[~nested], truth[~nested], atol=1e-9)
    assert (truth > 0).sum() > 60


def test_a_box_within_a_box_is_at_no_distance() -> None:
    n = np.zeros((1, 3)), np.eye(3)[None]
    large = oracle_motion.Piece("box", n[0], n[0], 0.0, n[1], np.array([50.0, 50, 50]))
    small = oracle_motion.Piece("box", n[0] + 5, n[0] + 5, 0.0, n[1], np.array([5.0, 5, 5]))
    assert bodies.piece_distances(large, small)[0] == 0.0
    assert bodies.piece_distances(small, large)[0] == 0.0


def test_cylinder_to_box_agrees_with_cylinder_to_triangles() -> None:
    rng = np.random.default_rng(8)
    cylinder, box = random_piece("cylinder", rng, 60), random_piece("box", rng, 60)
    box.start[:20] -= box.start[:20] - cylinder.start[:20] - (0, 0, 30)  # twenty overlap, or nearly
    found = bodies.piece_distances(cylinder, box)
    row = oracle_motion.Piece.at
    truth = [oracle_motion.exact_distances(row(cylinder, np.array([k])), core_mesh(box, k))[0][0] for k in range(60)]
    apart = found > 0.0
    assert apart.sum() > 25
    assert np.allclose(found[apart], np.array(truth)[apart], atol=1e-6)
    assert np.count_nonzero(~apart) > 10
    assert np.array(truth)[~apart].max() < 60.0  # touching, or one inside the other


def test_round_pairs_in_closed_form() -> None:
    """Two parallel cylinders side by side, two end to end and aside, a ball over a cylinder's rim."""
    one = np.ones((1, 3))

    def tube(kind: str, start: tuple[float, ...], end: tuple[float, ...], radius: float) -> oracle_motion.Piece:
        return oracle_motion.Piece(kind, one * start, one * end, radius)

    first = tube("cylinder", (0, 0, 0), (100, 0, 0), 20)
    assert bodies.piece_distances(first, tube("cylinder", (20, 70, 0), (90, 70, 0), 10))[0] == pytest.approx(40)
    aside = tube("cylinder", (130, 70, 0), (200, 70, 0), 10)
    assert bodies.piece_distances(first, aside)[0] == pytest.approx(math.hypot(30, 40))
    ball = tube("capsule", (130, 60, 0), (130, 60, 0), 15)
    assert bodies.piece_distances(first, ball)[0] == pytest.approx(math.hypot(30, 40) - 15)
    assert bodies.piece_distances(ball, first)[0] == pytest.approx(math.hypot(30, 40) - 15)


# ------------------------------------------------------------------ very many poses


def test_a_ball_on_an_arm_is_found_at_its_nearest() -> None:
    """A ball on an arm of 300 passes a still ball: nearest at 0.7 rad, apart 500 − 300 − 20 − 30 (closed form)."""
    arm = mechanisms.Chain(Travel(("q",), (-1.5,), (1.5,)), (mechanisms.Joint("turn", (0, 0, 1), (0, 0, 0), (1.0,)),))
    far = (500 * math.cos(0.7), 500 * math.sin(0.7), 0.0)
    ball = Rigid(arm, (Shape("capsule", (300, 0, 0), (300, 0, 0), 20.0),))
    still = Rigid(Still(), (Shape("capsule", far, far, 30.0),))
    least = bodies.dense_minimum(ball, still, 100, np.random.default_rng(1))
    assert least.distance_mm == pytest.approx(150, abs=1e-6)
    assert least.pose[0] == pytest.approx(0.7, abs=1e-3)


def test_two_movers_meet_only_where_their_shared_coordinate_lets_them() -> None:
    """Both slide along x by one shared coordinate: they stay apart; by coordinates of their own they meet."""

    def slider(name: str) -> mechanisms.Chain:
        return mechanisms.Chain(
            Travel((name,), (-50.0,), (50.0,)), (mechanisms.Joint("slide", (1, 0, 0), (0, 0, 0), (1.0,)),)
        )

    box = Shape("box", (0, 0, 0), (10, 10, 10))
    ball = Shape("capsule", (40, 5, 5), (40, 5, 5), 10.0)
    rng = np.random.default_rng(2)
    shared = bodies.dense_minimum(Rigid(slider("s"), (box,)), Rigid(slider("s"), (ball,)), 200, rng)
    assert shared.distance_mm == pytest.approx(20)
    own = bodies.dense_minimum(Rigid(slider("s"), (box,)), Rigid(slider("t"), (ball,)), 200, rng)
    assert own.distance_mm == 0.0
    assert len(own.pose) == 2


def test_a_limit_keeps_poses_out_of_the_corner() -> None:
    """x and y slide 0 … 10 with x + y ≤ 12: the far corner stays 8/√2 away (closed form)."""
    travel = Travel(("x", "y"), (0.0, 0.0), (10.0, 10.0), (Limit((("x", 1.0), ("y", 1.0)), 0.0, 12.0),))
    joints = (
        mechanisms.Joint("slide", (1, 0, 0), (0, 0, 0), (1.0, 0.0)),
        mechanisms.Joint("slide", (0, 1, 0), (0, 0, 0), (0.0, 1.0)),
    )
    point = Rigid(mechanisms.Chain(travel, joints), (Shape("capsule", (0, 0, 0), (0, 0, 0), 0.0),))
    corner = Rigid(Still(), (Shape("capsule", (10, 10, 0), (10, 10, 0), 0.0),))
    least = bodies.dense_minimum(point, corner, 300, np.random.default_rng(3))
    assert least.distance_mm == pytest.approx(8 / math.sqrt(2), abs=1e-4)


def test_the_two_oracles_agree_on_a_leaf_sprung_axle() -> None:
    """A capsule on the axle and a box beside it, by the older oracle's own search."""
    case = oracle_motion.random_case(3)
    axle = mechanisms.LeafAxle("rear", case.axle)
    assert isinstance(case.body, oracle_motion.Carried)
    low, high = np.array(case.axle.centre_mm) + (-300, 100, 150), np.array(case.axle.centre_mm) + (-100, 400, 500)
    wall = Rigid(Still(), (Shape("box", tuple(low), tuple(high)),))
    body = Shape("capsule", tuple(low + (0, 0, -160)), tuple(high + (0, 0, -500)), 30.0)
    old = oracle_motion.dense_minimum(case.axle, body, shapes.box_mesh(low, high), 3000, np.random.default_rng(4))
    new = bodies.dense_minimum(Rigid(axle, (body,)), wall, 3000, np.random.default_rng(4))
    assert new.distance_mm == pytest.approx(old.distance_mm, abs=0.02)
