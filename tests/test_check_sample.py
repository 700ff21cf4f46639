"""The five sample arrangements checked from file to verdict, against other roads to the same numbers.

Independent of the program: the loads (plain sums), the axle's motion (``oracle_motion``), the ramp
angles (every vertex, brute force) and the targets' true places.
"""

from __future__ import annotations

import dataclasses
import math
import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import triangle_distances
from oracle_motion import (
    Axle,
    Carried,
    Shaft,
    carried_points,
    dense_minimum,
    exact_distances,
    least_over,
    pieces_of,
    random_poses,
    turns,
)
from shapes import box_mesh

from fitcheck.checks.run import check_scene
from fitcheck.checks.swept import far_enough_mm
from fitcheck.errors import AlignmentError
from fitcheck.layout.build_scan import scan_spec
from fitcheck.layout.load import load_scene, read_layout
from fitcheck.report.json_document import to_document
from fitcheck.report.schema import result_schema
from fitcheck.result import Clearance, Result, Verdict
from fitcheck.scan.prepare import prepare_scan
from fitcheck.vehicle.scene import Scene

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))

import hollin262  # noqa: E402

Floats = NDArray[np.float64]
Point = tuple[float, float, float]
SAMPLE = ROOT / "sample_meshes" / "hollin262"
ARRANGEMENTS = ("a", "a2", "d", "b", "b2")
STATES = ("kerb", "driver", "laden")


@dataclass(frozen=True)
class Checked:
    scene: Scene
    result: Result

    def row(self, *names: str) -> Clearance:
        (found,) = [row for row in self.result.clearances if set(row.between) == set(names)]
        return found


@pytest.fixture(scope="module")
def checked() -> dict[str, Checked]:
    """Each arrangement checked once, every pair computed anew."""
    found = {}
    for name in ARRANGEMENTS:
        scene = load_scene(SAMPLE / f"{name}.yaml")
        found[name] = Checked(scene, check_scene(scene, fresh=True))
    return found


# ------------------------------------------------------------------ the documents


def floats_of(value: Any, path: str = "result") -> Iterator[tuple[str, float]]:
    """Every float of a result with the way to it."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from floats_of(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from floats_of(item, f"{path}[{key}]")
    elif isinstance(value, (list, tuple)):
        for k, item in enumerate(value):
            yield from floats_of(item, f"{path}[{k}]")
    elif isinstance(value, (float, np.floating)):
        yield path, float(value)


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_the_document_is_valid_under_the_published_schema(checked, name):
    jsonschema.Draft202012Validator(result_schema()).validate(to_document(checked[name].result))


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_the_exit_code_agrees_with_the_worst_row(checked, name):
    result = checked[name].result
    said = {row.verdict for row in result.clearances} | {limit.verdict for limit in result.limits}
    expected = 1 if Verdict.FAIL in said else 3 if Verdict.NOT_PROVEN in said else 0
    assert result.exit_code == expected
    assert to_document(result)["verdict"] == {0: "PASS", 1: "FAIL", 3: "NOT PROVEN"}[expected]


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_every_figure_is_finite(checked, name):
    figures = dict(floats_of(checked[name].result))
    assert len(figures) > 500
    assert [path for path, figure in figures.items() if not math.isfinite(figure)] == []


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_no_figure_is_missing_where_the_sample_gives_all_that_it_needs(checked, name):
    result = checked[name].result
    for row in result.clearances:
        if row.contact != "declared":
            assert None not in (row.distance_mm, row.at_least_mm, row.static_mm, row.points_mm), row.between
    for state in STATES:
        ground, loads = result.ground[state], result.loads[state]
        assert None not in (ground.belly_mm, ground.approach_deg, ground.departure_deg, ground.breakover_deg)
        assert None not in (*ground.under_axle_mm.values(), *ground.bump_left_mm.values())
        assert None not in (loads.ssf, loads.cg_mm[2], loads.cg_height_over_ground_mm)
    assert list(result.ground) == list(result.loads) == list(STATES)
    assert all(limit.value is not None for limit in result.limits)
    assert set(result.shafts) == {"rear_shaft", "front_shaft"}


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_counts_and_coverage_add_up(checked, name):
    result = checked[name].result
    document = to_document(result)
    assert sum(document["counts"].values()) == len(result.clearances)
    assert sum(document["limit_counts"].values()) == len(result.limits)
    coverage = document["coverage"]
    assert coverage["pairs"] == len(coverage["rows"])
    assert coverage["checked"] + coverage["declared_contact"] + coverage["excluded"] == coverage["pairs"]
    assert all(row["by"].strip() for row in coverage["rows"])
    pairs = [frozenset(row["between"]) for row in coverage["rows"]]
    assert len(set(pairs)) == len(pairs)
    judged = {frozenset(row["between"]) for row in coverage["rows"] if row["status"] != "excluded"}
    clearances = {frozenset(row.between) for row in result.clearances}
    assert len(clearances) == len(result.clearances)
    assert {pair for pair in judged if "ground" not in pair} == clearances


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_every_pair_of_things_with_a_shape_is_in_the_coverage(checked, name):
    """Parts, moving bodies, the scan, and the ground under each of them."""
    scene, result = checked[name].scene, checked[name].result
    things = {part.name for part in scene.parts if part.solids} | {body.name for body in scene.moving}
    pairs = {frozenset(pair) for pair in combinations([*things, "scan", "ground"], 2)}
    assert {frozenset(row.between) for row in result.coverage.rows} == pairs


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_a_moving_pairs_bound_is_within_a_tenth_of_a_millimetre_unless_it_is_far(checked, name):
    """Beyond twice what the rule wants and 100 mm the search ends early, and says so by its bracket."""
    moving = [row for row in checked[name].result.clearances if row.pose]
    assert len(moving) > 20
    for row in moving:
        far = row.at_least_mm >= far_enough_mm(row.must_mm + row.guard_mm, row.want_mm)
        assert row.distance_mm >= row.at_least_mm, row.between
        assert far or row.distance_mm - row.at_least_mm <= 0.1, row.between
        assert row.distance_mm <= row.static_mm + 1e-6, row.between


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_how_far_the_scan_leaves_a_thing_in_the_dark_stands_in_its_pair_with_the_scan_alone(checked, name):
    rows = checked[name].result.clearances
    assert {row.unseen_mm for row in rows if "scan" not in row.between} == {None}
    told = [row for row in rows if row.between[1] == "scan" and row.unseen_mm is not None]
    assert len(told) >= 5
    for row in told:
        apart = np.linalg.norm(np.subtract(row.unseen_point_mm, row.unseen_from_mm))
        assert apart == pytest.approx(row.unseen_mm, abs=1e-6), row


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_only_the_part_beside_the_unscanned_stretch_of_the_rail_is_not_proven_for_it(checked, name):
    """In A, A2 and D a box stands there; B1 is far from it. No other pair is held up by what was not seen."""
    held = {row.between for row in checked[name].result.clearances if row.reason.startswith("unseen place")}
    assert held == {"a": {("A2", "scan")}, "a2": {("A2", "scan")}, "d": {("D2", "scan")}}.get(name, set())


# ------------------------------------------------------------------ the alignment


@pytest.fixture(scope="module")
def alignment() -> Any:
    layout = read_layout(SAMPLE / "a.yaml")
    return prepare_scan(scan_spec(layout)).alignment


def test_every_target_lands_within_one_and_a_half_millimetres_of_its_true_place(alignment):
    true = np.array(list(hollin262.TARGETS_MM.values()), dtype=np.float64)
    landed = alignment.fit.moved(1000.0 * hollin262.to_scanner_m(true))
    off = np.linalg.norm(landed - true, axis=1)
    assert off.max() <= 1.5, dict(zip(hollin262.TARGETS_MM, off.round(2), strict=True))


def test_the_recovered_rotation_is_proper(alignment):
    rotation = alignment.fit.rotation
    assert np.abs(rotation @ rotation.T - np.eye(3)).max() < 1e-12
    assert np.linalg.det(rotation) == pytest.approx(1.0, abs=1e-12)


def sample_copy(folder: Path, vehicle: str) -> Path:
    """The sample's layouts in a folder of their own, with another vehicle file."""
    for name in ARRANGEMENTS:
        shutil.copy(SAMPLE / f"{name}.yaml", folder)
    (folder / "vehicle.yaml").write_text(vehicle, encoding="utf-8")
    return folder / "a.yaml"


def test_a_mistyped_target_is_named(tmp_path):
    text = (SAMPLE / "vehicle.yaml").read_text(encoding="utf-8")
    mistyped = re.sub(r"(T5: .*vehicle: \[)3450", r"\g<1>3540", text)
    assert mistyped != text
    shutil.copy(SAMPLE / "hollin262_scan.ply", tmp_path)
    with pytest.raises(AlignmentError, match=r"target T5 is off by (8[89]|9[012])\.\d mm in x"):
        load_scene(sample_copy(tmp_path, mistyped), cache_dir=tmp_path / "prepared")


# ------------------------------------------------------------------ the same question put otherwise


def test_asking_for_one_part_gives_its_rows_of_the_full_run(checked):
    a = checked["a"]
    alone = check_scene(a.scene, only=["A2"], fresh=True)
    assert alone.clearances == tuple(row for row in a.result.clearances if "A2" in row.between)
    assert len(alone.clearances) > 5
    assert (alone.ground, alone.loads, alone.shafts) == (a.result.ground, a.result.loads, a.result.shafts)
    said: list[str] = []
    kept = check_scene(a.scene, only=["A2"], progress=said.append)
    count = len(alone.clearances)
    assert f"{count} of {count} pairs kept from an earlier check" in said
    assert kept.clearances == alone.clearances


def test_asking_for_one_load_state_gives_its_figures_of_the_full_run(checked):
    a = checked["a"]
    laden = check_scene(a.scene, load_states=["laden"], only=["A2"])
    assert laden.ground == {"laden": a.result.ground["laden"]}
    assert laden.loads == {"laden": a.result.loads["laden"]}
    assert laden.limits == tuple(limit for limit in a.result.limits if limit.state == "laden")
    assert len(laden.limits) > 5


# ------------------------------------------------------------------ the loads, by plain sums

# The sample's own data, invented: kg and the place (x, y, z) of each mass.
WHEELBASE, TRACK, HUBS = 2620.0, 1480.0, (381.9, 383.9)
FL, FR, RL, RR = 402.0, 398.0, 342.0, 338.0
WHEEL_RATES, TYRE_RATE = (40.0, 48.0), 300.0
REMOVED = (
    (238, 60, 0, 720), (96, 1010, 0, 560), (24, -420, 0, 800), (19, 1300, 300, 500), (44, 1880, -580, 560),
    (18, 150, -400, 900),
)  # fmt: skip
ADDED = (
    (118, 1010, 0, 560), (14, 480, 200, 780), (21, 300, -150, 820), (9, 620, 0, 760), (8, 150, -400, 900),
    (16, -380, 0, 760), (12, 1300, 0, 600), (6, 700, 0, 800),
)  # fmt: skip
DRIVER = (85, 1150, 350, 950)
PACKERS = (28, 2400, 0, 685)
BOXES = {
    "a": [(55.5, 1748, y, 548) for y in (-222.5, 222.5, -592.5, 592.5)],
    "a2": [
        (55.5, 1748, -222.5, 548), (48.3, 1688, 222.5, 548), (55.5, 1748, -592.5, 548), (62.7, 1688, 592.5, 548),
    ],
    "d": [(108, 1748, -222.5, 476), (108, 1748, 222.5, 476)],
    "b": [PACKERS, (107.5, 1888, 0, 638), (107, 3100, 0, 566)],
    "b2": [PACKERS, (107.5, 1808, 0, 638), (107, 3100, 0, 566)],
}  # fmt: skip


def cargo(name: str) -> tuple[float, float, float, float]:
    return 300, 2500, 0, 1090 if name in ("b", "b2") else 1000


def masses_of(name: str, state: str) -> list[tuple[float, float, float, float]]:
    """All signed changes since the scales."""
    aboard = {"kerb": [], "driver": [DRIVER], "laden": [DRIVER, cargo(name)]}[state]
    return [(-m, x, y, z) for m, x, y, z in REMOVED] + [*ADDED, *BOXES[name], *aboard]


@dataclass(frozen=True)
class ByHand:
    """Axle loads, centre of gravity, and how each axle's springs and tyres gave (front, rear)."""

    total: float
    front: float
    rear: float
    cg: Point
    spring_mm: tuple[float, float]
    tyre_mm: tuple[float, float]

    def over_ground(self, x: float, z: float) -> float:
        """Height square to the floor, which runs straight from axle to axle."""
        front, rear = (self.spring_mm[k] + self.tyre_mm[k] for k in (0, 1))
        lean = math.atan((rear - front) / WHEELBASE)
        return (z - front - (rear - front) * x / WHEELBASE) * math.cos(lean)


def by_hand(name: str, state: str) -> ByHand:
    """W_f = Σ m (1 − x/L); raised axle h = r + ΔW L / (W tan θ), sin θ = lift / L; drop = g ΔF / 2k."""
    weighed = FL + FR + RL + RR
    x0 = WHEELBASE * (RL + RR) / weighed
    y0 = TRACK / 2 * (FR + RR - FL - RL) / weighed
    z0 = HUBS[0] + (HUBS[1] - HUBS[0]) * x0 / WHEELBASE
    z0 += 42.0 * WHEELBASE / (weighed * math.tan(math.asin(620 / WHEELBASE)))
    rows = [(weighed, x0, y0, z0), *masses_of(name, state)]
    total = sum(m for m, *_ in rows)
    front = sum(m * (1 - x / WHEELBASE) for m, x, _, _ in rows)
    rear = sum(m * x / WHEELBASE for m, x, _, _ in rows)
    cg = [sum(row[0] * row[k] for row in rows) / total for k in (1, 2, 3)]
    gained = (front - FL - FR, rear - RL - RR)
    spring = [9.80665 * kg / (2 * rate) for kg, rate in zip(gained, WHEEL_RATES, strict=True)]
    tyre = [9.80665 * kg / (2 * TYRE_RATE) for kg in gained]
    return ByHand(total, front, rear, (cg[0], cg[1], cg[2]), (spring[0], spring[1]), (tyre[0], tyre[1]))


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_the_loads_are_the_plain_sums(checked, name, state):
    loads, hand = checked[name].result.loads[state], by_hand(name, state)
    assert (loads.mass_kg, loads.front_kg, loads.rear_kg) == pytest.approx(
        (hand.total, hand.front, hand.rear), abs=1e-9
    )
    assert loads.front_share_pct == pytest.approx(100 * hand.front / hand.total, abs=1e-9)
    assert loads.cg_mm == pytest.approx(hand.cg, abs=1e-6)
    right = FR + RR + sum(m * (0.5 + y / TRACK) for m, _, y, _ in masses_of(name, state))
    assert (loads.left_kg, loads.right_kg) == pytest.approx((hand.total - right, right), abs=1e-9)
    height = hand.over_ground(hand.cg[0], hand.cg[2])
    assert loads.cg_height_over_ground_mm == pytest.approx(height, abs=1e-6)
    assert loads.ssf == pytest.approx(TRACK / (2 * height), abs=1e-9)
    drops = {"front": hand.spring_mm[0] + hand.tyre_mm[0], "rear": hand.spring_mm[1] + hand.tyre_mm[1]}
    assert loads.body_drop_mm == pytest.approx(drops, abs=1e-9)


# ------------------------------------------------------------------ the swept clearances, by very many poses

REAR_AXLE = Axle((2620, 0, 384), 80, 90, 400, lateral_mm=5, drive_deg=6, brake_deg=4, eye="front", half_length_mm=600)
REAR_SHAFT = Shaft((1330, 0, 480), (2390, 60, 404), 63.5, 3, 100, 60, 1)
POSES = 20_000
POSE_NAMES = ("heave_mm", "roll_deg", "wind_up_deg", "lateral_mm")
BODIES: dict[tuple[str, str], tuple[Point, Point]] = {  # least and greatest corner of the box
    ("a", "A2"): ((1340, 105, 471.5), (2156, 340, 630)),
    ("a2", "A2"): ((1340, 105, 471.5), (2036, 340, 630)),
    ("d", "D2"): ((1340, 105, 326), (2156, 340, 630)),
    ("b", "B1"): ((1480, -233, 561.5), (2296, 233, 720)),
    ("b2", "B1"): ((1400, -233, 561.5), (2216, 233, 720)),
}


def with_rim(low: Point, high: Point) -> list[tuple[Floats, Floats]]:
    """The box, and its rim: 20 wider all round, 6 high, 6 under the top."""
    top = high[2]
    rim = np.array([low[0] - 20, low[1] - 20, top - 12]), np.array([high[0] + 20, high[1] + 20, top - 6])
    return [(np.array(low), np.array(high)), rim]


def reported_pose(row: Clearance) -> Floats:
    """The row's pose as the oracle counts it: heights of the right and the left stop, wind-up, lateral; (1, 4)."""
    heave, roll, wind_up, lateral = (row.pose[f"rear_axle.{name}"] for name in POSE_NAMES)
    reach = 400 * math.tan(math.radians(roll))
    return np.array([[heave + reach, heave - reach, math.radians(wind_up), lateral]])


@pytest.mark.parametrize(("name", "box"), list(BODIES), ids="-".join)
def test_the_shafts_least_clearance_is_that_of_very_many_poses(checked, name, box):
    row, rng = checked[name].row(box, "rear_shaft"), np.random.default_rng(262)
    least = min(
        dense_minimum(REAR_AXLE, REAR_SHAFT, box_mesh(*corners), POSES, rng).distance_mm
        for corners in with_rim(*BODIES[name, box])
    )
    assert row.at_least_mm <= least + 1e-9
    assert row.distance_mm <= least + 0.1


@pytest.mark.parametrize(("name", "box"), list(BODIES), ids="-".join)
def test_the_shaft_comes_that_near_in_the_pose_that_is_named(checked, name, box):
    """Not below the oracle's by more than the prism round the cylinder stands out; limits of the travel are kept."""
    row = checked[name].row(box, "rear_shaft")
    pose, meshes = reported_pose(row), [box_mesh(*corners) for corners in with_rim(*BODIES[name, box])]
    low, high = REAR_AXLE.limits()
    assert ((pose >= low - 1e-9) & (pose <= high + 1e-9)).all()
    here = min(least_over(REAR_AXLE, REAR_SHAFT, mesh, pose).distance_mm for mesh in meshes)
    assert here - 0.1 <= row.distance_mm <= here + 1e-6
    still = min(least_over(REAR_AXLE, REAR_SHAFT, mesh, np.zeros((1, 4))).distance_mm for mesh in meshes)
    assert still - 0.1 <= row.static_mm <= still + 1e-6


@pytest.mark.parametrize(("name", "box"), list(BODIES), ids="-".join)
def test_straight_bump_alone_is_the_least_over_even_travel(checked, name, box):
    row = checked[name].row(box, "rear_shaft")
    poses = np.zeros((2001, 4))
    poses[:, :2] = np.linspace(-90, 80, 2001)[:, None]
    meshes = [box_mesh(*corners) for corners in with_rim(*BODIES[name, box])]
    least = min(least_over(REAR_AXLE, REAR_SHAFT, mesh, poses).distance_mm for mesh in meshes)
    assert row.straight_bump_mm == pytest.approx(least, abs=0.1)
    assert row.straight_bump_mm >= row.distance_mm - 1e-9


def test_the_rear_axle_comes_no_nearer_to_the_scan_than_is_proven(checked):
    """Poses round the named one against the metal round the named point; in the named pose they agree."""
    row = checked["a"].row("rear_axle", "scan")
    metal, pose = checked["a"].scene.scan.metal, reported_pose(row)
    near = np.linalg.norm(metal.vertices - np.array(row.points_mm[0]), axis=1) < 60
    mesh = np.asarray(metal.vertices), np.asarray(metal.faces[near[metal.faces].all(axis=1)])
    tube = Carried("capsule", (2620, -640, 384), (2620, 640, 384), 45)
    ball = Carried("capsule", (2620, 60, 384), (2620, 60, 384), 130)
    low, high = REAR_AXLE.limits()
    around = pose + np.random.default_rng(5).normal(size=(60, 4)) * 0.02 * (high - low)
    poses = np.clip(np.concatenate([pose, around]), low, high)
    used, faces = np.unique(mesh[1], return_inverse=True)
    patch = mesh[0][used], faces.reshape(-1, 3)
    found = [exact_distances(p, patch)[0] for body in (tube, ball) for p in pieces_of(body, REAR_AXLE, poses)]
    least = np.min(found, axis=0)
    assert len(faces) > 100
    assert least[0] == pytest.approx(row.distance_mm, abs=0.01)
    assert least.min() >= row.at_least_mm - 1e-9


def test_the_rear_shafts_figures_are_those_of_very_many_poses(checked):
    """Length and joint angles over 200 000 poses; critical speed in closed form (pinned tube, √(E/ρ) 5110 m/s)."""
    shaft = checked["a"].result.shafts["rear_shaft"]
    poses = random_poses(REAR_AXLE, 200_000, np.random.default_rng(7))
    along = carried_points(REAR_AXLE, poses, REAR_SHAFT.moving_mm)[:, 0] - REAR_SHAFT.fixed_mm
    length = np.linalg.norm(along, axis=1)
    front = np.degrees(np.arccos(along[:, 0] / length))
    rear = np.degrees(np.arccos(np.einsum("ni,ni->n", along, turns(REAR_AXLE, poses)[:, :, 0]) / length))
    assert shaft.length_mm.ride == pytest.approx(math.hypot(1060, 60, 76), abs=1e-9)
    assert 0.0 <= length.min() - shaft.length_mm.min + 1e-6 <= 0.05
    assert 0.0 <= shaft.length_mm.max - length.max() + 1e-6 <= 0.05
    assert shaft.plunge_mm == pytest.approx(shaft.length_mm.max - shaft.length_mm.min, abs=1e-9)
    for joint, angles in (("front", front), ("rear", rear)):
        assert shaft.joint_deg[joint].ride == pytest.approx(angles[0], abs=1e-6)
        assert 0.0 <= shaft.joint_deg[joint].max - angles.max() + 1e-6 <= 0.05
    rpm = 30 * math.pi / (shaft.length_mm.max / 1000) ** 2 * 5110 * math.hypot(0.0635, 0.0585) / 4
    assert shaft.critical_rpm == pytest.approx(rpm, rel=1e-9)


# ------------------------------------------------------------------ the verdicts


def guard(*sigmas: float) -> float:
    """Two standard uncertainties of the sum."""
    return 2 * math.sqrt(sum(sigma**2 for sigma in sigmas))


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_boxes_are_held_to_the_owners_rules_and_guards(checked, name):
    """Must and guard in mm: shaft 15 and scan, alignment, joint, fabrication, motion; scan 2 and three of them."""
    boxes = [part.name for part in checked[name].scene.parts if part.part_class == "hv_box"]
    assert len(boxes) >= 5
    for box in boxes:
        shaft, scan = checked[name].row(box, "rear_shaft"), checked[name].row(box, "scan")
        assert (shaft.must_mm, shaft.want_mm, scan.must_mm, scan.want_mm) == (15, 25, 2, 5)
        assert shaft.guard_mm == pytest.approx(guard(0.5, 0.8, 2, 1.5, 2), abs=1e-9)
        assert scan.guard_mm == pytest.approx(guard(0.5, 0.8, 1.5), abs=1e-9)


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_a_pass_keeps_the_rule_with_its_guard_and_a_fail_breaks_it_in_spite_of_it(checked, name):
    verdicts = set()
    for row in checked[name].result.clearances:
        if row.contact == "declared":
            continue
        found = row.distance_mm if row.depth_mm is None else -row.depth_mm
        proven = row.at_least_mm if row.depth_mm is None else -row.depth_mm
        passes, fails = proven - row.guard_mm >= row.must_mm, found + row.guard_mm < row.must_mm
        expected = Verdict.PASS if passes else Verdict.FAIL if fails else Verdict.NOT_PROVEN
        if row.unseen_mm is not None and row.unseen_mm - row.guard_mm < row.must_mm and passes:
            expected = Verdict.NOT_PROVEN
        assert row.verdict is expected, row
        verdicts.add(row.verdict)
    assert len(verdicts) > 1


# ------------------------------------------------------------------ still pairs, in closed form and by triangle

STOOD: dict[str, tuple[Point, Point]] = {  # the sample's own data, invented: boxes without a rim, in every arrangement
    "drive_unit": ((800, -180, 395), (1220, 180, 725)),
    "charger": ((75, -325, 760), (525, 25, 880)),
    "inverter": ((270, 145, 640), (690, 255, 920)),
    "hv_junction": ((560, -100, 610), (680, 100, 910)),
}
OUTBOARD = {"A3": ((1340, -710, 471.5), (2156, -475, 630)), "A4": ((1340, 475, 471.5), (2156, 710, 630))}
PACKS: dict[str, dict[str, tuple[Point, Point]]] = {  # boxes with a rim
    "a": {"A1": ((1340, -340, 471.5), (2156, -105, 630)), "A2": BODIES["a", "A2"], **OUTBOARD},
    "a2": {
        "A1": ((1340, -340, 471.5), (2156, -105, 630)),
        "A2": BODIES["a2", "A2"],
        "A3": OUTBOARD["A3"],
        "A4": ((1220, 475, 471.5), (2156, 710, 630)),
    },
    "d": {"D1": ((1340, -340, 326), (2156, -105, 630)), "D2": BODIES["d", "D2"]},
    "b": {"B1": BODIES["b", "B1"], "B2": ((2890, -233, 416), (3310, 233, 720))},
    "b2": {"B1": BODIES["b2", "B1"], "B2": ((2890, -233, 416), (3310, 233, 720))},
}


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_boxes_are_as_far_apart_as_their_faces_say(checked, name):
    """Distance of two boxes along the axes: the root of the squares of the gaps (closed form)."""
    solids = {part: [(np.array(low), np.array(high))] for part, (low, high) in STOOD.items()}
    solids |= {part: with_rim(*corners) for part, corners in PACKS[name].items()}
    for first, second in combinations(solids, 2):
        gap = min(
            float(np.linalg.norm(np.maximum(np.maximum(c - b, a - d), 0.0)))
            for a, b in solids[first]
            for c, d in solids[second]
        )
        row = checked[name].row(first, second)
        assert gap > 0.0
        assert (row.distance_mm, row.at_least_mm, row.static_mm) == pytest.approx((gap, gap, gap), abs=1e-6)
        assert row.contact == "apart"


@pytest.mark.parametrize("name", ["a", "d"])
def test_the_left_boxs_rim_cuts_into_the_brake_pipe_and_is_told_how_far_to_move(checked, name):
    """Pipe Ø 4.75 at (−362, 620), rim to y −360 and from z 618 to 624: 0.375 deep (closed form).

    The box is what the moves move, not the pipe taped on the vehicle: 15.375 to the right; up or down until the
    rim's corner, whose y is 2 off the pipe's, is 17.375 from it: √(17.375² − 2²) = 17.260, and 2 or 4 more.
    """
    row = checked[name].row("brake_pipe", {"a": "A1", "d": "D1"}[name])
    assert row.verdict is Verdict.FAIL
    assert row.contact == "overlap"
    assert row.depth_mm is not None
    assert 0.37 <= row.depth_mm <= 0.375 + 1e-6, "a lower estimate"
    assert row.guard_mm == pytest.approx(guard(2, 1.5), abs=1e-9)
    assert row.moving_part == row.between[0] == {"a": "A1", "d": "D1"}[name]
    moves = {move.direction: move.distance_mm for move in row.moves}
    above = math.sqrt(17.375**2 - 4)
    for direction, needed in (("+y", 15.375), ("+z", above + 2), ("-z", above + 4)):
        assert needed - 1e-6 <= moves[direction] <= needed + 0.1, direction
    assert moves["+x"] is moves["-x"] is None


@pytest.mark.parametrize(("name", "box"), list(BODIES), ids="-".join)
def test_a_box_is_that_far_from_the_scans_nearest_triangle(checked, name, box):
    """Each triangle near enough against each face of the box and its rim; from outside, so no face hides another."""
    row, metal = checked[name].row(box, "scan"), checked[name].scene.scan.metal
    triangles = np.asarray(metal.vertices)[metal.faces]
    assert row.contact == "apart"
    least = math.inf
    for low, high in with_rim(*BODIES[name, box]):
        gaps = np.maximum(np.maximum(low - triangles.max(axis=1), triangles.min(axis=1) - high), 0.0)
        far = np.linalg.norm(gaps, axis=1)
        order = np.argsort(far)
        vertices, faces = box_mesh(low, high)
        for start in range(0, len(order), 500):
            rows = order[start : start + 500]
            if far[rows[0]] >= least:
                break
            pairs = np.repeat(vertices[faces], len(rows), axis=0), np.tile(triangles[rows], (len(faces), 1, 1))
            least = min(least, float(triangle_distances(*pairs).min()))
    assert row.distance_mm == pytest.approx(least, abs=1e-6)


# ------------------------------------------------------------------ heights and angles, by every vertex


def underside_points(scene: Scene) -> Floats:
    """All vertices (n, 3) of the scan's metal and of the parts; a round part as points on its ball's underside."""
    turn = np.linspace(np.pi, 2 * np.pi, 181)
    ring = np.stack([np.cos(turn), np.zeros_like(turn), np.sin(turn)], axis=1)
    found = [np.asarray(scene.scan.metal.vertices)]
    for solid in (solid for part in scene.parts for solid in part.solids):
        around = solid.radius_mm * ring if solid.radius_mm else np.zeros((1, 3))
        found.append((solid.vertices[:, None] + around).reshape(-1, 3))
    return np.concatenate(found)


@pytest.fixture(scope="module")
def undersides(checked: dict[str, Checked]) -> dict[str, Floats]:
    return {name: underside_points(checked[name].scene) for name in ARRANGEMENTS}


def tangents_deg(along: Floats, height: Floats, radius: float) -> Floats:
    """α = atan2(d, r − h) − acos(r / ρ): from straight down round to the point, less where the plane touches."""
    reach = np.hypot(along, radius - height)
    angle = np.arctan2(along, radius - height) - np.arccos(np.minimum(radius / reach, 1.0))
    return np.where(reach < radius, np.inf, np.degrees(angle))


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_heights_and_ramp_angles_are_the_least_over_every_vertex(checked, undersides, name, state):
    """The program looks along the triangles' edges as well, so its figures may be smaller, by little, never larger."""
    hand, ground, points = by_hand(name, state), checked[name].result.ground[state], undersides[name]
    drops = [hand.spring_mm[k] + hand.tyre_mm[k] for k in (0, 1)]
    floor = [ground.floor_z_mm["front"], ground.floor_z_mm["rear"]]
    assert floor == pytest.approx(drops, abs=1e-9)
    lean = math.atan((floor[1] - floor[0]) / WHEELBASE)
    turn = np.array([[math.cos(lean), math.sin(lean)], [-math.sin(lean), math.cos(lean)]])
    s, n = turn @ (points[:, [0, 2]] - [0.0, floor[0]]).T
    hubs = [turn @ [x, HUBS[k] + hand.spring_mm[k] - floor[0]] for k, x in enumerate((0.0, WHEELBASE))]
    front, rear = float(hubs[0][0]), float(hubs[1][0])
    radii = [HUBS[k] - hand.tyre_mm[k] for k in (0, 1)]
    ahead, between, behind = s <= front, (s >= front) & (s <= rear), s >= rear
    inside = between & (np.abs(points[:, 1]) <= 1480 / 2 - 205 / 2)
    both = tangents_deg(s[between] - front, n[between], radii[0])
    both += tangents_deg(rear - s[between], n[between], radii[1])
    expected = {
        "belly_mm": n[inside].min(),
        "approach_deg": tangents_deg(front - s[ahead], n[ahead], radii[0]).min(),
        "departure_deg": tangents_deg(s[behind] - rear, n[behind], radii[1]).min(),
        "breakover_deg": both.min(),
    }
    for figure, value in expected.items():
        assert value - 0.05 <= getattr(ground, figure) <= value + 1e-6, figure


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_axles_stand_on_their_tyres_and_springs_use_up_their_travel(checked, name, state):
    """Differentials: radius 120 round z 382, 130 round z 384; bump travel 70 and 80 (the sample's own data)."""
    hand, ground = by_hand(name, state), checked[name].result.ground[state]
    under = {"front": 382 - 120 - hand.tyre_mm[0], "rear": 384 - 130 - hand.tyre_mm[1]}
    assert ground.under_axle_mm == pytest.approx(under, abs=1e-6)
    left = {"front": 70 - hand.spring_mm[0], "rear": 80 - hand.spring_mm[1]}
    assert ground.bump_left_mm == pytest.approx(left, abs=1e-9)
