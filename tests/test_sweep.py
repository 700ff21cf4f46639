"""The least distance over a whole motion: found, and never undercut."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import oracle_motion
import pytest
from numpy.typing import NDArray

from fitcheck.checks.rules import Party, choose_rule
from fitcheck.checks.swept import MovingPair, check_moving
from fitcheck.geometry import solids
from fitcheck.geometry.distance import Shape, closest
from fitcheck.geometry.separation import Hulls, separate
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import tile_surface
from fitcheck.geometry.sweep import TOLERANCE_MM, Obstacle, least_over_motion
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle
from fitcheck.vehicle.moving import MovingBody, axle_body, shaft_body
from fitcheck.vehicle.scene import ShaftPart

Floats = NDArray[np.float64]

CASES = 48
DENSE_POSES = 4_000

AXLE = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, 5.0, Leaf(600.0, "front"), 6.0, 4.0)
SHAFT = ShaftPart("shaft", (1330.0, 0.0, 480.0), (2390.0, 60.0, 404.0), "rear_axle", 63.5, 2.5, 100.0, 60.0, 3.0, 1.0)


def shaft(axle: SolidAxle = AXLE, part: ShaftPart = SHAFT) -> MovingBody:
    return shaft_body(part, {axle.name: axle})


def check(body: MovingBody, *shapes: Shape) -> Clearance:
    chosen = choose_rule(Party("thing", "structure"), Party(body.name, body.part_class), ())
    return check_moving(body, MovingPair(("thing", body.name), tuple(shapes), chosen, {}))


def own_axle(axle: oracle_motion.Axle, carries: tuple[tuple[str, Solid], ...] = ()) -> SolidAxle:
    leaf = Leaf(axle.half_length_mm, axle.eye, axle.flat_at_mm) if axle.eye else None
    return SolidAxle(
        "axle", axle.centre_mm, axle.bump_mm, axle.droop_mm, axle.stops_mm, axle.lateral_mm, leaf,
        axle.drive_deg, axle.brake_deg, carries,
    )  # fmt: skip


def own_body(case: oracle_motion.Case) -> MovingBody:
    """The case's body built by the product."""
    body = case.body
    if isinstance(body, oracle_motion.Shaft):
        part = ShaftPart(
            "shaft", body.fixed_mm, body.moving_mm, "axle", body.tube_diameter_mm, None, body.yoke_diameter_mm,
            body.yoke_length_mm, body.tube_whip_mm, body.yoke_whip_mm,
        )  # fmt: skip
        return shaft_body(part, {"axle": own_axle(case.axle)})
    return axle_body(own_axle(case.axle, (("carried", carried(body)),)))


def carried(body: oracle_motion.Carried) -> Solid:
    if body.kind == "box":
        return solids.box(body.start_mm, body.end_mm)
    if body.kind == "cylinder":
        return solids.cylinder(body.start_mm, body.end_mm, body.radius_mm)
    return solids.capsule(body.start_mm, body.end_mm, body.radius_mm)


@pytest.mark.parametrize("start", range(0, CASES, 12))
def test_engine_9_dense_sampling_never_undercuts_the_bound(start: int) -> None:
    """For random mechanisms, bodies and obstacles: bound ≤ every pose ≤ what was found, and both close together.

    The oracle is written from the trade's description of a solid axle alone; thousands of poses each.
    Round bodies are measured with a chord error ≤ 0.01 mm, which only ever makes them larger.
    """
    for seed in range(start, start + 12):
        case = oracle_motion.random_case(seed)
        row = check(own_body(case), Solid(*case.obstacle))
        assert row.distance_mm is not None
        assert row.at_least_mm is not None
        dense = oracle_motion.dense_minimum(
            case.axle, case.body, case.obstacle, DENSE_POSES, np.random.default_rng(seed)
        )
        assert dense.distance_mm >= row.at_least_mm - 1e-9, seed
        assert row.distance_mm <= dense.distance_mm + TOLERANCE_MM, seed
        assert row.distance_mm - row.at_least_mm <= TOLERANCE_MM, seed


def test_the_pose_found_is_one_the_vehicle_can_take() -> None:
    """Heave and roll together keep both sides between the stops, and the distance there is the one reported."""
    row = check(shaft(), solids.box((1340, 105, 471.5), (2156, 340, 630)))
    heave, roll = row.pose["rear_axle.heave_mm"], math.radians(row.pose["rear_axle.roll_deg"])
    for side in (-1, 1):
        assert -90.0 - 1e-9 <= heave + side * 400.0 * math.tan(roll) <= 80.0 + 1e-9
    first, second = (np.array(point) for point in row.points_mm or ())
    assert np.linalg.norm(first - second) == pytest.approx(row.distance_mm, abs=0.02)


@pytest.mark.parametrize("samples", [5, 11, 21, 41, 171])
def test_a_blade_touched_only_between_the_samples_of_a_regular_grid_is_found(samples: int) -> None:
    """Silent error 4: sampled poses miss the worst. A ball of radius 2 passes a blade's edge 0.05 too near.

    Contact lasts √(2·2·0.05)·2 = 0.9 mm of heave; the window lies midway between two samples.
    """
    grid = np.linspace(-90.0, 80.0, samples)
    middle = float((grid[samples // 2] + grid[samples // 2 + 1]) / 2.0)
    ball = solids.sphere((2620.0, 0.0, 384.0), 2.0)
    axle = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, carries=(("ball", ball),))
    body = axle_body(replace(axle, bump_mm=80.0))
    blade = solids.box((2600.0, 1.95, 384.0 + middle - 0.01), (2640.0, 60.0, 384.0 + middle + 0.01))
    sampled = min(closest(body.pieces[0].at(np.array([z, z, 0.0, 0.0])), blade).distance_mm for z in grid)
    if samples <= 171:
        assert sampled > 0.0, "the grid sees nothing"
    row = check(body, blade)
    assert row.contact == "overlap"
    assert row.verdict is Verdict.FAIL


def test_halving_the_grid_never_lowers_the_bound() -> None:
    """A finer set of samples stays above at_least_mm, whatever its step."""
    part = solids.box((1480, -233, 561.5), (2296, 233, 720))
    body = shaft()
    row = check(body, part)
    assert row.at_least_mm is not None
    for steps in (2, 3):
        axes = [np.linspace(lo, hi, steps) for lo, hi in zip(body.space.low, body.space.high, strict=True)]
        poses = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
        assert min(closest(solid, part).distance_mm for pose in poses for solid in body.solids(pose)) >= row.at_least_mm


@pytest.mark.parametrize("pose", [(0, 0, 0, 0), (80, 80, 0.1, 5), (-90, 80, -0.06, -5), (80, -90, 0.1, 0)])
def test_concentric_sleeve_gives_the_radius_difference_less_whip(pose: tuple[float, ...]) -> None:
    """Closed form, silent error 14: a sleeve round the tube, in whatever pose, is radius − radius − whip away."""
    at = np.array(pose, dtype=np.float64)
    body = shaft(AXLE, replace(SHAFT, yoke_diameter_mm=None))
    joint = AXLE.place(at[None], np.array([SHAFT.end_mm]))[0, 0]
    sleeve = _sleeve(np.array(SHAFT.start_mm), joint, 60.0)
    distances = [closest(solid, sleeve).distance_mm for solid in body.solids(at)]
    assert min(distances) == pytest.approx(60.0 - 31.75 - 3.0, abs=0.02)


def test_a_sleeve_round_a_shaft_that_does_not_move_keeps_its_distance_over_all_poses() -> None:
    """The same through the whole check: an axle without travel, distance and bound the closed form."""
    axle = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 0.0, 0.0, 400.0)
    body = shaft(axle, replace(SHAFT, yoke_diameter_mm=None))
    row = check(body, _sleeve(np.array(SHAFT.start_mm), np.array(SHAFT.end_mm), 60.0))
    assert row.distance_mm == pytest.approx(25.25, abs=0.02)
    assert row.at_least_mm == pytest.approx(25.25, abs=TOLERANCE_MM)


def _sleeve(start: Floats, end: Floats, radius: float) -> Shape:
    """An open tube of 120 flats round an axis, as a surface; its flats touch the circle of ``radius``."""
    frame = solids.axis_frame(end - start)
    turn = 2.0 * np.pi * np.arange(120) / 120
    ring = radius / np.cos(np.pi / 120) * (np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2]))
    i, j = np.arange(120), (np.arange(120) + 1) % 120
    faces = np.concatenate([np.stack([i, j, j + 120], 1), np.stack([i, j + 120, i + 120], 1)]).astype(np.int32)
    along = 0.2 * (end - start)
    return tile_surface(np.concatenate([ring + start + along, ring + end - along]), faces)


def test_a_box_beside_a_yoke_is_nearer_than_beside_the_tube_by_the_radius_difference() -> None:
    """Silent error 14: the shaft is not its tube at rest."""
    part = replace(
        SHAFT, start_mm=(1330.0, 0.0, 480.0), end_mm=(2390.0, 0.0, 480.0), end_on=None, whip_mm=0.0, yoke_whip_mm=0.0
    )
    body = shaft_body(part, {})
    beside_yoke = check(body, solids.box((1335, 100, 470), (1385, 200, 490)))
    beside_tube = check(body, solids.box((1800, 100, 470), (1850, 200, 490)))
    assert beside_yoke.distance_mm == pytest.approx(50.0, abs=0.02)
    assert beside_tube.distance_mm == pytest.approx(100.0 - 31.75, abs=0.02)


def test_engine_9_grazing_contact_in_a_narrow_window_is_found() -> None:
    """An overlap of 0.05 mm in a corner of the travel only."""
    body = shaft()
    limit = check(body, solids.box((1340, 105, 471.5), (2156, 340, 630)))
    assert limit.at_least_mm is not None
    assert limit.distance_mm is not None
    into = limit.distance_mm + 0.05
    grazed = check(body, solids.box((1340, 105 - into, 471.5), (2156, 340, 630)))
    assert grazed.verdict is Verdict.FAIL
    static = grazed.static_mm
    assert static is not None
    assert static > 15.0, "it is clear where it was scanned"
    near = check(body, solids.box((1340, 105 - limit.at_least_mm + 1.0, 471.5), (2156, 340, 630)))
    assert near.contact == "apart"


def test_engine_9_straight_bump_is_the_slice_of_all_poses() -> None:
    """One parameter as the slice of four: bound below, dense samples of the heave above."""
    part = solids.box((1340, 105, 471.5), (2156, 340, 630))
    body = shaft()
    row = check(body, part)
    assert row.straight_bump_mm is not None
    assert row.distance_mm is not None

    def at(z: float) -> float:
        return min(closest(solid, part).distance_mm for solid in body.solids(np.array([z, z, 0.0, 0.0])))

    coarse = min(np.linspace(-90.0, 80.0, 35), key=at)
    dense = min(at(z) for z in np.clip(coarse + np.linspace(-5.0, 5.0, 11), -90.0, 80.0))
    assert row.straight_bump_mm == pytest.approx(dense, abs=TOLERANCE_MM)
    assert row.distance_mm <= row.straight_bump_mm <= (row.static_mm or 0.0)


def test_engine_9_a_capped_search_returns_the_honest_bracket() -> None:
    """Too few boxes allowed: not proven, and the bound still holds."""
    body, part = shaft(), solids.box((1340, 105, 471.5), (2156, 340, 630))
    obstacles = [Obstacle(part.vertices[None])]
    limits = (body.space.low, body.space.high)
    full = least_over_motion(body.pieces, obstacles, limits)[0]
    capped = least_over_motion(body.pieces, obstacles, limits, most_boxes=3)[0]
    assert full.proven
    assert not capped.proven
    assert capped.at_least_mm <= full.at_least_mm + 1e-9
    assert capped.distance_mm >= full.distance_mm - TOLERANCE_MM


def test_spring_rates_do_not_enter_the_sweep() -> None:
    """Silent error 13, the sweep's half: travel is between stops, so a mechanism has no spring rate at all."""
    assert not [name for name in SolidAxle.__dataclass_fields__ if "rate" in name]


def test_articulation_lifts_a_wheel_more_than_straight_bump() -> None:
    """Closed form: z_mid + (t/2)·sin φ at crossed axles. Stops at ±400, track 1480, 80/90: 149 mm, not 80."""
    roll = math.atan((80.0 + 90.0) / 800.0)
    pose = np.array([[80.0, -90.0, 0.0, 0.0]])
    axle = replace(AXLE, leaf=None)
    wheel = axle.place(pose, np.array([[2620.0, 740.0, 384.0]]))[0, 0]
    assert wheel[2] - 384.0 == pytest.approx(-5.0 + 740.0 * math.sin(roll), abs=1e-9)
    assert math.degrees(roll) == pytest.approx(12.0, abs=0.01)
    assert wheel[2] - 384.0 == pytest.approx(149.0, abs=0.5)


def test_leaf_arc_moves_the_axle_toward_its_fixed_eye() -> None:
    """Closed form z²/2R with R = ¾·600 (strip of uniform strength, beam bending): 80 up moves it 7.1 mm."""
    poses = np.array([[80.0, 80.0, 0.0, 0.0]])
    assert AXLE.shift(poses)[0, 0] == pytest.approx(-(80.0**2) / 900.0)
    rear = replace(AXLE, leaf=Leaf(600.0, "rear", flat_at_mm=20.0))
    assert rear.shift(poses)[0, 0] == pytest.approx((60.0**2 - 20.0**2) / 900.0)


def test_hull_and_remainder_hold_every_pose() -> None:
    """No point of a piece in any pose of a box lies outside the hull of its corner poses grown by the remainder."""
    rng = np.random.default_rng(5)
    body = shaft()
    for piece in body.pieces:
        for _ in range(6):
            ends = np.sort(rng.uniform(body.space.low, body.space.high, (2, 4)), axis=0)
            hulls = piece.hulls(ends[:1], ends[1:])
            poses = rng.uniform(ends[0], ends[1], (6, 4))
            points = np.concatenate([piece.at(pose).vertices for pose in poses])
            atoms = points[:, None, :]
            bounds = separate(hulls, np.zeros(len(atoms), dtype=np.intp), atoms, np.full(len(atoms), np.inf))
            assert bounds.lower_mm.max() <= 1e-6


def test_separation_bounds_bracket_the_engine() -> None:
    """Against the exact distance of random boxes and discs: lower ≤ distance ≤ upper, 0.01 apart."""
    rng = np.random.default_rng(6)
    for _ in range(30):
        part = solids.box(-rng.uniform(5, 50, 3), rng.uniform(5, 50, 3))
        ends = rng.uniform(-200, 200, (2, 3))
        radius = float(rng.uniform(2, 40))
        tube = solids.cylinder(ends[0], ends[1], radius, 1e-4)
        axis = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        hulls = Hulls(ends[None], np.array([[axis, axis]]), radius, 0.0, np.zeros(1))
        found = separate(hulls, np.zeros(1, dtype=np.intp), part.vertices[None], np.full(1, np.inf))
        truth = closest(tube, part).distance_mm
        assert found.lower_mm[0] <= truth + 2e-4
        assert found.upper_mm[0] >= truth - 2e-4
        assert truth == 0.0 or found.upper_mm[0] - found.lower_mm[0] <= 0.01


def test_a_face_that_is_almost_level_is_never_bounded_above_its_true_distance() -> None:
    """Closed form: a disc of radius R tilted by a over a point level with its centre: its rim is R·sin a nearer.

    Seen along the disc's own axis no rim point is lowest, and what rounding leaves of one must not lift the bound.
    """
    rng = np.random.default_rng(4)
    tilt = 10.0 ** rng.uniform(-17, -3, 400)
    turn = rng.uniform(0, 2 * np.pi, 400)
    axis = np.stack([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)], axis=1)
    hulls = Hulls(np.zeros((400, 1, 3)), axis[:, None], 80.0, 0.0, np.zeros(400))
    plate = np.array([[-500.0, -500, -30], [500, -500, -30], [500, 500, -30], [-500, 500, -30]])
    found = separate(hulls, np.arange(400), np.repeat(plate[None], 400, axis=0), np.full(400, np.inf), -axis)
    truth = 30.0 - 80.0 * np.sin(tilt)
    assert (found.lower_mm <= truth + 1e-9).all()
    assert (found.upper_mm >= truth - 1e-9).all()
    assert (found.upper_mm - found.lower_mm <= 3e-3).all()


def test_a_scan_with_very_many_triangles_gives_the_same_as_its_own_brute_force() -> None:
    """A noisy sheet of 20,000 triangles over the shaft: bound ≤ random and extreme poses, found ≤ them + tolerance."""
    rng = np.random.default_rng(8)
    n = 100
    x, y = np.meshgrid(np.linspace(1250, 2450, n), np.linspace(-200, 200, n), indexing="ij")
    z = 610 + 10 * np.sin(x / 60) + rng.normal(0, 1.0, x.shape)
    i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + n], 1), np.stack([i + 1, i + n + 1, i + n], 1)]).astype(np.int32)
    surface = tile_surface(np.stack([x, y, z], -1).reshape(-1, 3), faces)
    body = shaft()
    row = check(body, surface)
    assert row.at_least_mm is not None
    assert row.distance_mm is not None
    poses = rng.uniform(body.space.low, body.space.high, (8, 4))
    corners = np.stack(np.meshgrid(*zip(body.space.low, body.space.high, strict=True), indexing="ij"), -1).reshape(
        -1, 4
    )
    least = min(closest(s, surface).distance_mm for pose in np.concatenate([poses, corners]) for s in body.solids(pose))
    assert row.at_least_mm <= least
    assert row.distance_mm <= least + TOLERANCE_MM
    assert row.distance_mm - row.at_least_mm <= TOLERANCE_MM
