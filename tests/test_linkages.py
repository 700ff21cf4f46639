"""Running gear on rods: it goes where the rods let it, and the bounds of its motion hold."""

from __future__ import annotations

import itertools
import math
import pickle
import re
from dataclasses import replace

import numpy as np
import oracle_mechanisms
import pytest
from numpy.typing import NDArray
from oracle_mechanisms import Upright
from random_linkages import AXLES, KINDS, random_linkage

from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.sweep import TOLERANCE_MM, Obstacle, least_over_motion
from fitcheck.vehicle import linkage_table, motion
from fitcheck.vehicle.linkages import FiveRods, LinkedAxle, Rod, Strut
from fitcheck.vehicle.moving import RigidPiece

Floats = NDArray[np.float64]

CENTRE = (2600.0, 0.0, 380.0)


def moved(point, *by):
    return tuple(float(a + b) for a, b in zip(point, by, strict=True))


def parallel_axle(length_mm=700.0, rod_mm=800.0, rod_drop_mm=0.0) -> LinkedAxle:
    """Three parallel, equal, level links ahead of the axle and a lateral rod with its body end on the left."""
    ends = {"right": (0.0, 450.0, -60.0), "left": (0.0, -450.0, -60.0), "top": (0.0, 50.0, 120.0)}
    links = [Rod(name, moved(CENTRE, -length_mm, y, z), moved(CENTRE, 0, y, z)) for name, (_, y, z) in ends.items()]
    across = math.sqrt(rod_mm**2 - rod_drop_mm**2)
    end = moved(CENTRE, 0.0, across / 2.0, 0.0)
    rod = Rod("lateral", moved(end, 0.0, -across, -rod_drop_mm), end)
    return LinkedAxle("axle", CENTRE, 80.0, 90.0, 400.0, (*links, rod), 4.0, 6.0, 4.0).validated()


def straight(axle: LinkedAxle, *heaves: float) -> Floats:
    """The six placement values (n, 6) at these heaves."""
    return axle.values(np.array([[heave, heave, 0.0, 0.0] for heave in heaves]))


# --- closed forms --------------------------------------------------------------------------


@pytest.mark.parametrize(("drop", "heave"), [(0.0, 80.0), (0.0, -90.0), (60.0, 80.0), (60.0, -90.0), (-110.0, 55.0)])
def test_a_lateral_rod_shifts_the_axle_by_its_arc(drop, heave):
    """Δy = √(ℓ² − h₀²) − √(ℓ² − (h₀ + z)²), toward its body end; closed form, links so long that they only guide."""
    axle = parallel_axle(length_mm=1e5, rod_drop_mm=drop)
    arc = math.sqrt(800.0**2 - drop**2) - math.sqrt(800.0**2 - (drop + heave) ** 2)
    assert straight(axle, heave)[0, 1] == pytest.approx(-arc, abs=2e-4)


def test_a_level_lateral_rod_of_800_moves_4_mm_at_80_bump():
    """Published figure: 4.0 mm."""
    assert straight(parallel_axle(length_mm=1e5), 80.0)[0, 1] == pytest.approx(-4.0, abs=0.02)


def test_links_and_lateral_rod_together():
    """Closed form by iteration: (ℓ − Δx)² + Δy² + z² = ℓ² for the links, (ℓᵣ − Δy)² + Δx² + z² = ℓᵣ² for the rod."""
    x = y = 0.0
    for _ in range(60):
        x, y = 700.0 - math.sqrt(700.0**2 - y**2 - 80.0**2), 800.0 - math.sqrt(800.0**2 - x**2 - 80.0**2)
    found = straight(parallel_axle(), 80.0)[0]
    assert found[:3] == pytest.approx([-x, -y, 80.0], abs=1e-9)


def test_parallel_equal_links_never_pitch_or_yaw():
    """A parallelogram: pitch and yaw 0 over straight travel, to 1e-9."""
    found = straight(parallel_axle(), *np.linspace(-90.0, 80.0, 35))
    assert np.abs(found[:, 3:]).max() < 1e-9


@pytest.mark.parametrize("converge_mm", [900.0, 1500.0, 4000.0])
def test_converging_links_pitch_the_axle_about_their_crossing(converge_mm):
    """Side-view swing arm s: Δpitch = z / s near the scan pose (a nose ahead falls as the axle rises)."""
    links = []
    for name, y, z in (("right", 450.0, -100.0), ("left", -450.0, -100.0), ("top", 0.0, 120.0)):
        along = np.array([-converge_mm, 0.0, -z])
        end = moved(CENTRE, 0, y, z)
        links.append(Rod(name, moved(end, *(along * 600.0 / converge_mm)), end))
    lateral = Rod("lateral", moved(CENTRE, 0, -400, 0), moved(CENTRE, 0, 400, 0))
    axle = LinkedAxle("axle", CENTRE, 80.0, 90.0, 400.0, (*links, lateral)).validated()
    assert straight(axle, 1.0)[0, 5] - straight(axle, -1.0)[0, 5] == pytest.approx(-2.0 / converge_mm, rel=2e-4)


def test_articulation_and_wheel_rise():
    """φ = atan(170/800) = 12.0° and the wheel rises z + t/2·sin φ = 149 mm (published: 12.0°, 149)."""
    axle = parallel_axle()
    pose = np.array([80.0, -90.0, 0.0, 0.0])
    assert axle.describe(pose)["axle.roll_deg"] == pytest.approx(12.0, abs=0.01)
    wheel = np.array([moved(CENTRE, 0.0, 740.0, 0.0)])
    rise = axle.place(pose[None], wheel)[0, 0, 2] - CENTRE[2]
    assert rise == pytest.approx(-5.0 + 740.0 * math.sin(math.atan(170.0 / 800.0)), abs=1e-9)
    assert rise == pytest.approx(149.0, abs=0.2)


def test_five_rods_on_one_axis_are_a_swing_arm():
    """All inner ends on one line: nothing but the rotation about it keeps five lengths (Rodrigues' formula)."""
    rng = np.random.default_rng(3)
    pivot, axis = np.array([-100.0, 300.0, 300.0]), np.array([0.9, 0.35, 0.05])
    axis /= np.linalg.norm(axis)
    outer = [(-30, 690, 230), (30, 680, 235), (-20, 650, 460), (25, 640, 470), (120, 660, 290)]
    rods = tuple(
        Rod(f"rod {k}", tuple(pivot + at * axis), tuple(map(float, end)))
        for k, (at, end) in enumerate(zip((0.0, 80.0, 150.0, 220.0, 300.0), outer, strict=True))
    )
    wheel = FiveRods("wheel", (0.0, 740.0, 350.0), 80.0, 90.0, rods).validated()
    points = rng.uniform(-300, 300, (8, 3)) + np.array(wheel.wheel)
    for angle in np.linspace(-0.18, 0.15, 12):
        turned = [_about(point, pivot, axis, angle) for point in points]
        height = _about(np.array(wheel.wheel), pivot, axis, angle)[2] - wheel.wheel[2]
        assert -90.0 <= height <= 80.0
        assert wheel.place(np.array([[height]]), points)[0] == pytest.approx(np.array(turned), abs=1e-8)


def _about(point: Floats, pivot: Floats, axis: Floats, angle: float) -> Floats:
    arm = point - pivot
    return (
        pivot
        + arm * math.cos(angle)
        + np.cross(axis, arm) * math.sin(angle)
        + axis * (axis @ arm) * (1.0 - math.cos(angle))
    )


@pytest.mark.parametrize("top_z", [820.0, 1e6])
def test_a_plane_strut_leans_as_its_line_does(top_z):
    """Closed form in front view: the ball joint on the arm's circle, the strut's line from it to the fixed top.

    A steering rod of 100 km along x only keeps the wheel from steering. With the top very far up the wheel does not
    lean at all and goes the ball joint's own way.
    """
    pivot, ball, top = np.array([350.0, 240.0]), np.array([690.0, 220.0]), np.array([570.0, top_z])
    rods = (
        Rod("front", (-170.0, *pivot), (0.0, *ball)),
        Rod("rear", (190.0, *pivot), (0.0, *ball)),
        Rod("steering", (1e8, 600.0, 280.0), (0.0, 600.0, 280.0)),
    )
    foot = ball + 0.3 * (top - ball)
    strut = Strut("wheel", (0.0, 740.0, 350.0), 80.0, 90.0, (0.0, *top), (0.0, *foot), rods).validated()
    hub = np.array([740.0, 350.0])
    for angle in np.linspace(-0.2, 0.2, 9):
        c, s = math.cos(angle), math.sin(angle)
        moved_ball = pivot + np.array([[c, -s], [s, c]]) @ (ball - pivot)
        before, after = top - ball, top - moved_ball
        lean = math.atan2(after[1], after[0]) - math.atan2(before[1], before[0])
        c, s = math.cos(lean), math.sin(lean)
        moved_hub = moved_ball + np.array([[c, -s], [s, c]]) @ (hub - ball)
        found = strut.values(np.array([[moved_hub[1] - hub[1]]]))[0]
        assert found[1] == pytest.approx(moved_hub[0] - hub[0], abs=1e-3)
        assert found[4] == pytest.approx(lean, abs=2e-6)


@pytest.mark.parametrize("seed", range(3))
def test_radius_arms_settle_where_least_squares_puts_them(seed):
    """More rods than freedoms: the squares' sum is least, as scipy finds from rotation matrices of its own."""
    from scipy.optimize import least_squares
    from scipy.spatial.transform import Rotation

    axle = random_linkage("radius arms", seed).validated()
    body, carried = (np.array([getattr(rod, end) for rod in axle.rods]) for end in ("body", "carried"))
    lengths = np.linalg.norm(carried - body, axis=1)
    centre = np.array(axle.centre)
    rng = np.random.default_rng(seed)
    for pose in rng.uniform(axle.low, axle.high, (4, 4)) * [1, 1, 0, 0]:
        heave, roll = axle.heave_mm(pose), axle.roll_rad(pose)

        def errors(u: Floats, heave: float = heave, roll: float = roll) -> Floats:
            turn = Rotation.from_euler("ZXY", [u[2], roll, u[3]]).as_matrix()
            ends = (carried - centre) @ turn.T + centre + [u[0], u[1], heave]
            return np.linalg.norm(ends - body, axis=1) - lengths

        exact = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-13}
        theirs = least_squares(errors, np.zeros(4), x_scale=[1, 1, 1e-3, 1e-3], jac="3-point", **exact)
        ours = axle.values(pose[None])[0, [0, 1, 3, 5]]
        assert ours[:2] == pytest.approx(theirs.x[:2], abs=1e-5)
        assert ours[2:] == pytest.approx(theirs.x[2:], abs=1e-6)
        slopes = [(errors(ours + d) ** 2 - errors(ours - d) ** 2).sum() / 2e-4 for d in 1e-4 * np.eye(4)[:2]]
        assert np.abs(slopes).max() < 1e-6
        assert axle.rod_strain_mm(pose[None])[0] == pytest.approx(errors(ours), abs=1e-6)


@pytest.mark.parametrize("kind", ["three links", "four links", "five rods, steered", "strut, steered"])
def test_rods_keep_their_lengths(kind):
    """Where there are as many rods as freedoms each keeps its length, to 1e-9 mm, all over the travel."""
    held = random_linkage(kind, 0).validated()
    poses = np.random.default_rng(1).uniform(held.low, held.high, (200, len(held.low)))
    if kind in AXLES:
        poses[:, 2:] = 0.0
    for rod in held.rods:
        end = held.place(poses, np.array([rod.carried]))[:, 0]
        body = np.tile(rod.body, (200, 1))
        if kind not in AXLES and rod.name == held.steering_rod:
            body[:, 1] += poses[:, 1]
        assert np.linalg.norm(end - body, axis=1) == pytest.approx(np.full(200, rod.apart_mm), abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_the_scan_pose_moves_nothing(kind):
    held = random_linkage(kind, 0)
    points = np.random.default_rng(0).uniform(-500, 500, (5, 3)) + np.array(held.middle)
    assert held.place(held.scan_pose[None], points)[0] == pytest.approx(points, abs=1e-9)
    assert held.turn(held.scan_pose[None])[0] == pytest.approx(np.eye(3), abs=1e-12)


# --- the promise ---------------------------------------------------------------------------


def dense_derivatives(held: object, points: Floats, poses: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Central differences (n, k) of places along one coordinate."""
    ahead, here, behind = (held.place(poses + sign * step, points) for sign in (1.0, 0.0, -1.0))
    size = np.abs(step).max()
    return (
        np.linalg.norm(ahead - behind, axis=-1) / (2.0 * size),
        np.linalg.norm(ahead + behind - 2.0 * here, axis=-1) / size**2,
    )


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", KINDS)
def test_no_point_is_faster_or_bends_more_than_its_bound(kind, seed):
    """Central differences at 400 random poses and points never exceed slope and bend of the box that they span.

    A difference is a mean of derivatives over its box, so the bound has to hold for it, but for rounding.
    """
    whole = random_linkage(kind, seed).validated()
    rng = np.random.default_rng(seed)
    for held in (whole, whole.straight()) if kind in AXLES else (whole,):
        points = rng.uniform(-1, 1, (4, 3)) * [300, 700, 300] + np.array(held.middle)
        for axis in range(len(held.low)):
            step = np.zeros(len(held.low))
            step[axis] = 0.003 * (held.high - held.low)[axis]
            poses = rng.uniform(held.low + step, held.high - step, (400, len(step)))
            speed, curve = dense_derivatives(held, points, poses, step)
            for k in range(len(points)):
                offset = held.offsets(points[k : k + 1])
                most = held.slope(poses - step, poses + step, offset)[:, axis]
                assert (speed[:, k] <= most * (1.0 + 1e-9) + 1e-8 / step[axis]).all()
                most = held.bend(poses - step, poses + step, offset)[:, axis]
                assert (curve[:, k] <= most * (1.0 + 1e-9) + 1e-9 / step[axis] ** 2).all()
                assert np.isfinite(most).all()


def test_a_larger_box_has_larger_bounds():
    """The bound of a box is at least that of every part of it, also of parts that meet on a cell's face."""
    axle = parallel_axle()
    rng = np.random.default_rng(5)
    ends = np.sort(rng.uniform(axle.low, axle.high, (2, 60, 4)), axis=0)
    grid = np.array(axle.low) + np.round((ends - axle.low) / (axle.high - axle.low) * 20) / 20 * (axle.high - axle.low)
    for low, high in (ends, grid):
        inner = low + 0.25 * (high - low), high - 0.25 * (high - low)
        for what in (axle.slope, axle.bend):
            offset = np.array([300.0, 700.0, 200.0])
            assert (what(low, high, offset) >= what(*inner, offset) * (1.0 - 1e-12)).all()


@pytest.mark.parametrize("by_mm", [0.0, 3.0, 40.0])
def test_offsets_of_moved_points_grow_by_no_more_than_the_move(by_mm):
    """The contract of ``offsets`` that carried motions rest on."""
    axle = parallel_axle()
    points = np.random.default_rng(2).uniform(-400, 400, (20, 3))
    way = np.random.default_rng(3).normal(size=(20, 3))
    way *= by_mm / np.linalg.norm(way, axis=1, keepdims=True)
    assert (axle.offsets(points + way) <= axle.offsets(points) + by_mm + 1e-12).all()


def test_a_leaf_on_another_branch_disagrees_with_its_neighbours():
    """A leaf whose solution is 1 mm beside its neighbours' is found out; with its own solution all agree."""
    linkage = random_linkage("five rods, steered", 0).linkage
    table = linkage_table.table_of(linkage)
    assert linkage_table._agree(linkage, table.leaves, table.grid).all()
    unknown = table.leaves.cells.unknown.copy()
    unknown[700] += 1.0 / linkage.scale
    leaves = replace(table.leaves, cells=replace(table.leaves.cells, unknown=unknown))
    assert not linkage_table._agree(linkage, leaves, table.grid)[700]


SWEPT = [("three links", 3), ("radius arms", 1), ("five rods", 0), ("five rods, steered", 2), ("strut, steered", 0)]


@pytest.mark.parametrize(("kind", "seed"), SWEPT)
def test_dense_sampling_never_undercuts_the_swept_bound(kind, seed):
    """A ball carried past a box: 20,000 poses, exact distances (point to axis-aligned box), gap ≤ 0.1 mm."""
    held = random_linkage(kind, seed).validated()
    rng = np.random.default_rng(seed)
    start = np.array(held.middle) + rng.uniform(-1, 1, 3) * [150, 150, 120]
    piece = RigidPiece("ball", held, solids.sphere(start, 20.0))
    poses = rng.uniform(held.low, held.high, (20_000, len(held.low)))
    places = held.place(poses, start[None])[:, 0]
    low = places.max(axis=0) + np.array([20.0, -40.0, 20.0])
    high = low + np.array([60.0, 90.0, 70.0])
    box = solids.box(low, high)
    [found] = least_over_motion([piece], [Obstacle(box.vertices[None])], (held.low, held.high))
    gaps = np.linalg.norm(np.maximum(low - places, 0.0) + np.maximum(places - high, 0.0), axis=1) - 20.0
    assert found.proven
    assert found.at_least_mm <= gaps.min() + 1e-9
    assert found.distance_mm <= gaps.min() + TOLERANCE_MM
    assert found.distance_mm - found.at_least_mm <= TOLERANCE_MM


def test_straight_travel_is_the_axle_with_both_sides_alike():
    axle = random_linkage("three links", 0)
    alone, heaves = axle.straight(), np.linspace(-40.0, 40.0, 9)[:, None]
    points = np.random.default_rng(0).uniform(-500, 500, (5, 3)) + np.array(axle.centre)
    assert alone.place(heaves, points) == pytest.approx(axle.place(alone.full(heaves), points), abs=1e-9)
    assert alone.coordinates == ("axle.heave",)
    assert alone.straight() is alone
    assert set(alone.causes()) == {motion.STRAIGHT_BUMP, motion.STRAIGHT_DROOP}


def test_wind_up_and_lateral_play_come_on_top():
    """Wind-up turns the axle about its own line, lateral play shifts it: nothing else changes."""
    axle = parallel_axle()
    pose = np.array([[30.0, -20.0, 0.05, 3.0]])
    without = axle.values(pose * [1, 1, 0, 0])
    assert axle.values(pose) - without == pytest.approx(np.array([[0, 3, 0, 0, 0, 0.05]]), abs=1e-12)
    on_line = np.array([moved(CENTRE, 0, 300, 0)])
    apart = axle.place(pose, on_line) - axle.place(pose * [1, 1, 0, 0], on_line)
    assert apart[0, 0] == pytest.approx([0.0, 3.0, 0.0], abs=1e-9)


# --- the contract --------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_pose_survives_its_description(kind):
    held = random_linkage(kind, 0)
    pose = held.within(held.low + 0.7 * (held.high - held.low))
    assert held.pose_of(held.describe(pose)) == pytest.approx(pose, abs=1e-9)
    assert held.pose_of({}) == pytest.approx(held.scan_pose)
    assert (held.at_heave(1e4) <= held.high).all()
    assert held.at_heave(10.0)[0] == 10.0


@pytest.mark.parametrize("kind", KINDS)
def test_causes_lie_within_the_travel(kind):
    held = random_linkage(kind, 0)
    assert set(held.causes()) <= set(motion.CAUSES)
    for low, high in held.causes().values():
        assert (held.low - 1e-12 <= low).all()
        assert (low <= high).all()
        assert (high <= held.high + 1e-12).all()


@pytest.mark.parametrize("arm_x_mm", [-130.0, 130.0])
@pytest.mark.parametrize("kind", ["five rods, steered", "strut, steered"])
def test_which_way_the_rack_steers_follows_from_the_arm(kind, arm_x_mm):
    """An arm ahead of the axle: rack to the right, wheel to the right. Behind it: the other way round."""
    held = random_linkage(kind, 0)
    rods = [rod for rod in held.rods if rod.name != "steering"]
    rods.append(Rod("steering", (arm_x_mm, 320.0, 280.0), (arm_x_mm, 660.0, 280.0)))
    held = replace(held, rods=tuple(rods), rack_mm=25.0)
    causes = held.causes()
    assert causes[motion.STEERED_RIGHT][1 if arm_x_mm < 0.0 else 0][1] == math.copysign(25.0, -arm_x_mm)
    front = np.array([moved(held.wheel, -300.0, 0.0, 0.0)])
    for cause, way in ((motion.STEERED_RIGHT, 1.0), (motion.STEERED_LEFT, -1.0)):
        end = max(causes[cause], key=lambda pose: abs(pose[1]))
        hub = held.place(end[None], np.array([held.wheel]))[0, 0, 1]
        assert way * (held.place(end[None], front)[0, 0, 1] - hub) > 30.0
        assert way * held.describe(end)["wheel.steer_deg"] > 5.0


@pytest.mark.parametrize("kind", KINDS)
def test_mechanisms_pickle_and_say_what_they_are(kind):
    """Kept answers are filed under the repr: it names all rods and no arrays."""
    held = random_linkage(kind, 0)
    held.slope(held.low[None], held.high[None], np.zeros(3))
    again = pickle.loads(pickle.dumps(held))
    assert again == held
    assert repr(again) == repr(held)
    assert "array" not in repr(held)
    assert all(rod.name in repr(held) for rod in held.rods)
    assert held.blocks == (held,)
    assert len(held.coordinates) == len(held.low) == len(held.high)


def test_a_wheel_without_travel_stays():
    """Bump and droop 0: one pose, no rack; bounds are finite."""
    held = random_linkage("five rods", 0)
    held = FiveRods("wheel", held.wheel, 0.0, 0.0, held.rods).validated()
    assert held.place(np.zeros((1, 1)), np.array([held.wheel]))[0, 0] == pytest.approx(held.wheel)
    assert np.isfinite(held.bend(held.low[None], held.high[None], np.ones(3))).all()


# --- refusals ------------------------------------------------------------------------------


def test_rods_that_do_not_reach_are_refused_by_name():
    """A short lateral rod at 25° cannot follow 200 mm of bump: the message names rod, pose and figure."""
    axle = parallel_axle()
    rods = list(axle.rods)
    rods[-1] = Rod("lateral", moved(CENTRE, 0.0, 120.0, -60.0), moved(CENTRE, 0.0, 250.0, 0.0))
    bad = LinkedAxle("rear", CENTRE, 120.0, 90.0, 400.0, tuple(rods))
    with pytest.raises(InputError, match=r"rear: the rods cannot reach: at .*up \d+.* the rod (lateral|\w+) would"):
        bad.validated()


def test_a_wheel_that_cannot_rise_so_far_is_refused():
    held = random_linkage("five rods", 0)
    tall = FiveRods("wheel", held.wheel, 400.0, 90.0, held.rods)
    with pytest.raises(InputError, match=r"wheel: the rods cannot reach: at bump \d+"):
        tall.validated()
    with pytest.raises(InputError, match="cannot reach"):
        tall.slope(tall.low[None], tall.high[None], np.ones(3))


def test_an_axle_left_free_is_refused():
    """Four links along the vehicle hold nothing sideways."""
    axle = parallel_axle()
    extra = Rod("top left", moved(CENTRE, -700, -200, 120), moved(CENTRE, 0, -200, 120))
    free = LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, (*axle.rods[:3], extra))
    with pytest.raises(InputError, match="rear: these rods leave the axle free to move sideways"):
        free.validated()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rods": ()}, "five rods hold a wheel, not 0"),
        ({"rack_mm": 30.0, "steering_rod": "tie"}, "the rack moves the rod tie, which is none of its rods"),
        ({"rack_mm": 30.0}, r"the rod \(none named\)"),
    ],
)
def test_wheels_that_are_not_held_are_refused(change, message):
    held = random_linkage("five rods", 0)
    with pytest.raises(InputError, match=message):
        replace(held, **change).validated()


def test_a_rod_whose_taped_length_is_another_is_refused():
    axle = parallel_axle()
    rods = (Rod("right", axle.rods[0].body, axle.rods[0].carried, 712.0), *axle.rods[1:])
    with pytest.raises(InputError, match="the rod right is said to be 712 mm long, but its ends are 700 mm apart"):
        LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, rods).validated()
    near = (Rod("right", axle.rods[0].body, axle.rods[0].carried, 703.0), *axle.rods[1:])
    assert LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, near).validated()


def test_too_few_rods_and_rods_of_one_name_are_refused():
    axle = parallel_axle()
    with pytest.raises(InputError, match="at least four rods hold an axle, not 3: add a rod"):
        LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, axle.rods[:3]).validated()
    with pytest.raises(InputError, match="two rods are called right"):
        LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, (*axle.rods, axle.rods[0])).validated()
    point = Rod("dot", CENTRE, CENTRE)
    with pytest.raises(InputError, match="both ends of the rod dot are at one place"):
        LinkedAxle("rear", CENTRE, 80.0, 90.0, 400.0, (*axle.rods, point)).validated()


def test_a_strut_needs_three_rods_and_a_length():
    strut = random_linkage("strut", 0)
    with pytest.raises(InputError, match="a strut takes three rods, not 2"):
        replace(strut, rods=strut.rods[:2]).validated()
    with pytest.raises(InputError, match="top and foot of the strut are at one place"):
        replace(strut, foot=strut.top).validated()


# --- dead centres ----------------------------------------------------------------------------

FOLDING_STRUT = Strut(
    "wheel",
    (0.0, 740.0, 350.0),
    119.76168,
    60.42856,
    (-25.703415310841137, 543.0190555251698, 822.9907729879735),
    (39.50572420941339, 663.9530063104723, 453.7153096002609),
    (
        Rod("front", (-223.15440611331843, 440.3398813285785, 252.32191293758387), (-6.844, 644.5567, 230.9661)),
        Rod("rear", (155.09383779651, 454.61690802277303, 276.6753851198213), (-6.844, 644.5567, 230.9661)),
        Rod("steering", (125.073233, 482.042782, 282.870081), (105.3596310, 635.0091685, 307.1383705)),
    ),
)
"""Another way of putting it together lies so near the end of its travel that Newton's method may fall into it."""

FOLDING_RODS = FiveRods(
    "wheel",
    (4.839044676010161, 740.0, 350.0),
    99.29036,
    110.87838,
    (
        Rod("lower front", (-144.264942, 563.033127, 255.472784), (-24.516550, 699.534994, 271.645177)),
        Rod("lower rear", (201.453762, 563.148028, 252.598524), (34.321850, 673.133367, 258.364533)),
        Rod("upper front", (-131.028859, 576.349979, 499.993704), (2.620804, 675.494633, 512.495850)),
        Rod("upper rear", (118.755748, 590.414883, 431.409355), (17.052890, 706.223947, 469.956960)),
        Rod("steering", (103.036816, 599.862778, 286.761177), (119.448630, 718.088374, 319.888223)),
    ),
    "steering",
    40.0,
)
"""Locks near rack −40; other ways around the dead centre lead to the far side of it."""


def oracle_of(held: FiveRods | Strut) -> Upright:
    names = [rod.name for rod in held.rods]
    rods = tuple(oracle_mechanisms.Rod(rod.body, rod.carried) for rod in held.rods)
    steering = names.index("steering") if "steering" in names else len(names) - 1
    ends = (held.top, held.foot) if isinstance(held, Strut) else ()
    return Upright("wheel", held.wheel, held.bump_mm, held.droop_mm, rods, steering, held.rack_mm, *ends)


def followed(held: FiveRods | Strut, point: Floats, poses: Floats, steps: int = 150) -> Floats:
    """Where a point (3,) goes: by the oracle, in so many small steps from the scan pose, (n, 3)."""
    rack = poses[:, 1] if poses.shape[1] > 1 else 0.0 * poses[:, 0]
    turn, shift = oracle_of(held).followed(poses[:, 0], rack, steps)
    return np.asarray(turn @ (point - np.array(held.wheel)) + shift + np.array(held.wheel))


def leak_mm(held: FiveRods | Strut, low: Floats, high: Floats, share: Floats) -> float:
    """By how much a point leaves what boxes (n, d) allow it, at a share (n, d) of each.

    Linear interpolation between the corners' true places is wrong by ≤ ½ Σ bend·s(1 − s)·width².
    """
    point = np.array(held.wheel) + [120.0, -150.0, 200.0]
    ways = np.array(list(itertools.product((0.0, 1.0), repeat=low.shape[1])))
    between = sum(
        np.prod(np.where(way > 0.0, share, 1.0 - share), axis=1)[:, None]
        * held.place(low + way * (high - low), point[None])[:, 0]
        for way in ways
    )
    bend = held.bend(low, high, held.offsets(point[None]))
    off = np.linalg.norm(followed(held, point, low + share * (high - low)) - between, axis=1)
    return float((off - (0.5 * bend * share * (1.0 - share) * (high - low) ** 2).sum(axis=1)).max())


def test_beside_a_dead_centre_it_stays_on_the_branch_of_the_scan_pose():
    """From 108.5 to 114.1 mm it leans 27 … 32°, not 63° as another assembly of the same rods would."""
    poses = np.linspace(60.0, FOLDING_STRUT.bump_mm, 400)[:, None]
    turn = FOLDING_STRUT.validated().turn(poses)
    theirs, _ = oracle_of(FOLDING_STRUT).followed(poses[:, 0], 0.0 * poses[:, 0], 300)
    assert np.abs(turn - theirs).max() < 1e-8
    where = (poses[:, 0] > 108.5) & (poses[:, 0] < 114.1)
    angle = np.degrees(np.arccos((np.trace(turn[where], axis1=1, axis2=2) - 1.0) / 2.0))
    assert angle.min() > 27.0
    assert angle.max() < 32.0


@pytest.mark.parametrize("parts", [8, 16, 32, 64, 128])
def test_halved_boxes_beside_a_dead_centre_hold_the_motion(parts):
    """Boxes as bisection makes them, their ends on the faces of the cells among them."""
    held = FOLDING_STRUT
    edges = held.low + (held.high - held.low) * np.arange(parts + 1)[:, None] / parts
    for share in (0.25, 0.5, 0.9):
        assert leak_mm(held, edges[:-1], edges[1:], np.full((parts, 1), share)) < 1e-6


def test_a_strut_that_locks_within_its_travel_is_refused():
    with pytest.raises(InputError, match=r"wheel: the rods cannot reach: (they lock at|at) bump 1[23]\d"):
        replace(FOLDING_STRUT, bump_mm=160.0).validated()


def test_five_rods_that_lock_within_their_travel_are_refused_when_built():
    """All of the poses of the first look can be reached, but not from each other: pose and rods are named."""
    words = r"they lock at bump 87, rack -40 \(lower rear and upper rear and steering\), and the wheel could go either"
    with pytest.raises(InputError, match=words):
        FOLDING_RODS.validated()
    pose = np.array([88.8, 38.0])
    for ask in (lambda: FOLDING_RODS.turn(pose[None]), lambda: FOLDING_RODS.describe(pose)):
        with pytest.raises(InputError, match="they lock"):
            ask()


def asked_near_its_end(held: FiveRods | Strut, rng: np.random.Generator) -> str:
    """ "sound", or what is wrong with it: most of the boxes are at the ends of the travel."""
    size = (held.high - held.low) * 10.0 ** rng.uniform(-3.0, 0.0, (40, 1))
    place = np.where(rng.random(size.shape) < 0.6, rng.choice([0.0, 1.0], size.shape), rng.random(size.shape))
    low = held.low + place * (held.high - held.low - size)
    try:
        leak = leak_mm(held, low, low + size, rng.random(size.shape))
    except InputError as refusal:
        return str(refusal)
    return "sound" if leak < 1e-6 else f"{leak} mm out"


@pytest.mark.parametrize(
    ("kind", "seed", "way", "most"),
    [
        ("five rods", 1, "bump_mm", 312.36),
        ("five rods", 2, "droop_mm", 167.02),
        ("five rods, steered", 3, "bump_mm", 316.18),
        ("strut", 1, "bump_mm", 258.96),
        ("strut", 2, "droop_mm", 367.37),
        ("strut, steered", 3, "droop_mm", 333.27),
    ],
)
def test_driven_toward_its_dead_centre_it_is_refused_or_sound(kind, seed, way, most):
    """At ``most`` it locks (found by bisection): refused there, and refused in words or sound closer and closer."""
    held = random_linkage(kind, seed)
    held = replace(held, bump_mm=10.0, droop_mm=10.0, rack_mm=min(held.rack_mm, 15.0))
    with pytest.raises(InputError, match="the rods cannot reach"):
        replace(held, **{way: most + 0.2}).validated()
    rng = np.random.default_rng(seed)
    found = [asked_near_its_end(replace(held, **{way: most - short}), rng) for short in (5.0, 2.0, 0.02)]
    assert found[0] == "sound"
    assert all(one == "sound" or re.search("they lock at|could not be proven", one) for one in found), found


def test_boxes_and_poses_out_of_the_travel_are_not_answered():
    """No bound for a box that leaves it, an error for a pose; a pose rounded to 0.001 mm is answered."""
    held = random_linkage("five rods, steered", 0)
    offset = np.array([100.0, 100.0, 100.0])
    for beyond in (0.01, 30.0):
        assert np.isinf(held.bend(held.scan_pose[None], held.high[None] + beyond, offset)).all()
        assert np.isinf(held.slope(held.low[None] - beyond, held.scan_pose[None], offset)).all()
    assert np.isfinite(held.bend(held.low[None], held.high[None], offset)).all()
    rounded = held.place((held.high + 0.001)[None], np.array([held.wheel]))
    assert rounded == pytest.approx(held.place(held.high[None], np.array([held.wheel])), abs=0.01)
    with pytest.raises(InputError, match=r"wheel: bump \d+, rack .* is out of its travel: expected a pose between"):
        held.turn(held.high[None] + 5.0)
    with pytest.raises(InputError, match="out of its travel"):
        held.turn(held.high[None] * np.nan)


# --- last, as they forget all tables ---------------------------------------------------------


def forget_tables() -> None:
    linkage_table.table_of.cache_clear()
    linkage_table._speeds.cache_clear()


@pytest.fixture
def tables(monkeypatch):
    """Tables may be built otherwise; none of them is kept."""
    forget_tables()
    yield monkeypatch
    forget_tables()


def test_what_cannot_be_proven_is_refused_in_words(tables):
    """One cell over the whole travel, never cut: the proof fails, though nothing locks; no answer, not a guess."""
    tables.setattr(linkage_table, "_COUNTS", {"bump": (1, 1)})
    tables.setattr(linkage_table, "_LEVELS", 0)
    held = replace(random_linkage("five rods, steered", 1), origin="truck.yaml:12").validated()
    low, high = held.scan_pose[None] - 1.0, held.scan_pose[None] + 1.0
    offset = np.array([0.0, 200.0, 200.0])
    asked = (
        lambda: held.bend(low, high, offset),
        lambda: held.slope(low, high, offset),
        lambda: held.turn(held.scan_pose[None]),
    )
    for ask in asked:
        with pytest.raises(InputError, match=r"truck\.yaml:12: wheel: it could not be proven that the"):
            ask()


def test_a_cell_too_large_for_the_proof_is_cut(tables):
    """With 2 × 2 cells the proof needs parts of them, and the bounds still hold."""
    held = random_linkage("five rods, steered", 1)
    offset = np.array([200.0, 200.0, 200.0])
    fine = held.bend(held.low[None], held.high[None], offset)
    tables.setattr(linkage_table, "_COUNTS", {"bump": (2, 2)})
    forget_tables()
    table = linkage_table.table_of(held.linkage)
    coarse = held.bend(held.low[None], held.high[None], offset)
    assert table.leaves.level.max() > 0
    assert np.isfinite(coarse).all()
    assert (coarse >= 0.5 * fine).all()
