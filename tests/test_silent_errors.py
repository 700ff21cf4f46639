"""Errors that would pass unseen, each looked for from the layout file to the verdict.

Source of the list: common practice in packaging work. Expected values are closed forms unless
said otherwise; the rooms' own tests go deeper, and these show that nothing is lost between them.
"""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
import scans
import shapes
from mesh_files import Faces, Floats
from test_align import PLACES
from test_kept import LAYOUT, VEHICLE, edit, write_scan

from fitcheck.checks.clearance import judge
from fitcheck.checks.run import check_scene
from fitcheck.errors import InputError, LayoutError, MeshError, ScanError
from fitcheck.layout import load_scene
from fitcheck.report.json_document import to_document
from fitcheck.report.terminal import print_result
from fitcheck.result import Clearance, Coverage, Result, Verdict

GRAVITY = 9.80665  # m/s², by definition
UNIT_MM = {"m": 1000.0, "mm": 1.0, "in": 25.4}
BASE_MM = 2620.0

PLAIN = """\
format: 1
vehicle: test
scan: {file: scan.ply, units: mm, align: as_scanned}
"""
MOTION = """\
mechanisms:
  rear_axle:
    solid_axle: {centre: [2620, 0, 384], bump: 80, droop: 90, stops: 400, carries: {CARRIES}}
"""
SCALES = """\
format: 1
vehicle: test
axles:
  front: {at: 0, track: 1480, rating: 1500, wheel_rate: 40, tyre: {radius: 395, width: 205, rate: 300}}
  rear: {at: 2620, track: 1480, wheel_rate: 48, tyre: {radius: 395, width: 205, rate: 300}}
weights:
  as_weighed: {front_left: 402, front_right: 398, rear_left: 342, rear_right: 338}
"""


def moving(carries: str) -> str:
    return PLAIN + MOTION.replace("CARRIES", carries[1:-1])


def write(folder: Path, parts: str = "", vehicle: str = PLAIN, more: str = "") -> Path:
    """A layout and its vehicle file; ``parts`` are lines of the ``parts`` entry."""
    (folder / "vehicle.yaml").write_text(vehicle, encoding="utf-8")
    listed = "".join(f"  {line}\n" for line in parts.splitlines())
    text = "format: 1\ntitle: test\nvehicle: vehicle.yaml\n" + (f"parts:\n{listed}" if listed else "") + more
    (folder / "layout.yaml").write_text(text, encoding="utf-8")
    return folder / "layout.yaml"


def check(layout: Path, cache: str = "cache") -> Result:
    return check_scene(load_scene(layout, cache_dir=layout.parent / cache))


def row(result: Result, one: str, other: str) -> Clearance:
    (found,) = [row for row in result.clearances if set(row.between) == {one, other}]
    return found


def distance(result: Result, one: str, other: str) -> float:
    found = row(result, one, other).distance_mm
    assert found is not None
    return found


def report(layout: Path, cache: str = "cache") -> dict[str, Any]:
    document = to_document(check(layout, cache))
    document.pop("timing_s")
    return document


def plate(
    folder: Path, *, x: tuple[float, float], y: tuple[float, float], z: float, seen_from_below: bool = False
) -> None:
    """A scan of one level plate of two triangles, from above."""
    corners = np.array([[x[0], y[0], z], [x[1], y[0], z], [x[1], y[1], z], [x[0], y[1], z]])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    write_scan(folder / "scan.ply", corners, faces[:, ::-1] if seen_from_below else faces)


def distant_plate(folder: Path) -> None:
    """Metal that no part of a test comes near to."""
    plate(folder, x=(0, 2600), y=(-900, 900), z=3000.0, seen_from_below=True)


# --- 3: units ---------------------------------------------------------------------------------------------------------


def scene_in(folder: Path, scan_unit: str, part_unit: str, *, declared: str = "", bar: float = 1.0) -> Path:
    """A sheet with targets and a scale bar in one unit, a mesh part in another, a box in mm.

    ``declared``: the unit that the layout claims, where it is not the scan's own. ``bar``: tape over truth.
    """
    folder.mkdir(exist_ok=True)
    unit = UNIT_MM[scan_unit]
    vertices, faces = shapes.sheet_mesh(2400.0, 20, 3.0, np.random.default_rng(3))
    write_scan(folder / "scan.ply", (vertices + [1750.0, 0.0, 660.0]) / unit, faces)
    wedge, sides = shapes.cylinder_mesh(80.0, 300.0, 5)
    mf.save(folder, "part.stl", mf.stl_text((wedge + [1700.0, -500.0, 450.0]) / UNIT_MM[part_unit], sides))
    targets = "".join(
        f"      {name}: {{scan: {[c / unit for c in place]}, vehicle: {list(place)}}}\n"
        for name, place in PLACES.items()
    )
    vehicle = (
        f"format: 1\nvehicle: test\nscan:\n  file: scan.ply\n  units: {declared or scan_unit}\n"
        f"  scale_bars: [{{between: [T1, T3], length: {3500.0 * bar}}}]\n  align:\n    targets:\n{targets}"
    )
    parts = (
        "A1: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}}\n"
        f"W: {{class: structure, mesh: {{file: part.stl, units: {part_unit}}}}}"
    )
    return write(folder, parts, vehicle)


@pytest.mark.parametrize(("scan_unit", "part_unit"), [("m", "mm"), ("in", "mm"), ("mm", "in"), ("in", "m")])
def test_silent_error_3_units_of_scan_and_part_change_no_clearance(
    tmp_path: Path, scan_unit: str, part_unit: str
) -> None:
    """One scene exported in m, mm and inch, one part of it in another unit: the same clearances."""
    expected = check(scene_in(tmp_path / "mm", "mm", "mm"))
    found = check(scene_in(tmp_path / "other", scan_unit, part_unit))
    assert len(found.clearances) == 3
    for clearance in expected.clearances:
        same = row(found, *clearance.between)
        assert same.distance_mm == pytest.approx(clearance.distance_mm, abs=1e-6)
        assert (same.verdict, same.reason, same.contact) == (clearance.verdict, clearance.reason, clearance.contact)
        assert same.guard_mm == pytest.approx(clearance.guard_mm, abs=1e-6)
    # Scanned sheet at 660 with noise of 3 mm (at most 5 sigma) over the box's top at 630; wedge beside it.
    assert distance(expected, "A1", "scan") == pytest.approx(30.0, abs=15.0)
    assert distance(expected, "A1", "W") < 100.0


@pytest.mark.parametrize("bar", [1.0051, 0.9949])
def test_silent_error_3_units_a_scale_bar_half_a_percent_off_stops_the_check(tmp_path: Path, bar: float) -> None:
    """Just over 0.5 % is refused with its place; just under is not."""
    with pytest.raises(ScanError, match=r"vehicle\.yaml:\d+.*T1 to T3.*limit 0\.5 %"):
        check(scene_in(tmp_path, "mm", "mm", bar=bar))
    assert check(scene_in(tmp_path, "mm", "mm", bar=1.0 + 0.95 * (bar - 1.0))).clearances


@pytest.mark.parametrize(
    ("really", "declared", "ratio", "named"),
    [
        ("in", "mm", "25.4 times too short", "inches read as mm"),
        ("mm", "in", "25.4 times too long", "mm read as inches"),
        ("m", "mm", "1000 times too short", "metres read as mm"),
        ("mm", "m", "1000 times too long", "mm read as metres"),
    ],
)
def test_silent_error_3_units_ratios_of_25_4_and_1000_are_named(
    tmp_path: Path, really: str, declared: str, ratio: str, named: str
) -> None:
    with pytest.raises(ScanError) as refusal:
        check(scene_in(tmp_path, really, "mm", declared=declared))
    assert ratio in str(refusal.value)
    assert f"looks like {named}" in str(refusal.value)


# --- 4: sampled poses -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("samples", [5, 11, 41, 171])
def test_silent_error_4_sampled_poses_a_blade_between_samples_is_found(tmp_path: Path, samples: int) -> None:
    """A carried ball of radius 2 passes a blade 0.05 too near, midway between two samples of a regular grid.

    The contact lasts 2·√(2·2·0.05) = 0.9 mm of heave (closed form): no sample of that grid sees it.
    """
    distant_plate(tmp_path)
    grid = np.linspace(-90.0, 80.0, samples)
    middle = 384.0 + float(grid[samples // 2] + grid[samples // 2 + 1]) / 2.0
    nearest_sample = float(np.abs(384.0 + grid - middle).min())
    assert math.hypot(1.95, nearest_sample - 0.01) > 2.0, "the grid sees nothing"
    blade = (
        f"blade: {{class: structure, box: {{x: [2600, 2640], y: [1.95, 60], z: [{middle - 0.01}, {middle + 0.01}]}}}}"
    )
    ball = "{ball: {sphere: {centre: [2620, 0, 384], diameter: 4}}}"
    found = row(check(write(tmp_path, blade, moving(ball))), "blade", "rear_axle")
    assert (found.verdict, found.contact) == (Verdict.FAIL, "overlap")


# --- 6: vertex distances ----------------------------------------------------------------------------------------------


def test_silent_error_6_vertex_distances_the_middle_of_two_large_triangles(tmp_path: Path) -> None:
    """A box 10 above the middle of a plate of 2000 × 2000: 10, not the 1414 to the nearest vertex."""
    plate(tmp_path, x=(0, 2000), y=(-1000, 1000), z=400.0)
    box = "A1: {class: hv_box, box: {x: [999, 1001], y: [-1, 1], z: [410, 500]}}"
    assert distance(check(write(tmp_path, box)), "A1", "scan") == pytest.approx(10.0, abs=1e-9)


def test_silent_error_6_vertex_distances_two_crossed_rods(tmp_path: Path) -> None:
    """Rods of 20 mm whose axes pass each other 30 apart are 10 apart, edge to edge as meshes and as capsules."""
    distant_plate(tmp_path)
    for name, turn in (("R1", [0, 1, 2]), ("R2", [1, 0, 2])):
        vertices, faces = shapes.box_mesh([-800, -10, -10], [800, 10, 10])
        height = 500.0 if name == "R1" else 530.0
        data = mf.stl_text(vertices[:, turn] + [1500.0, 0.0, height], faces if name == "R1" else faces[:, ::-1])
        mf.save(tmp_path, f"{name}.stl", data)
    parts = (
        "R1: {class: structure, mesh: {file: R1.stl, units: mm}}\n"
        "R2: {class: structure, mesh: {file: R2.stl, units: mm}}\n"
        "C1: {class: structure, capsule: {from: [700, 0, 800], to: [2300, 0, 800], diameter: 20}}\n"
        "C2: {class: structure, capsule: {from: [1500, -800, 830], to: [1500, 800, 830], diameter: 20}}"
    )
    found = check(write(tmp_path, parts))
    assert distance(found, "R1", "R2") == pytest.approx(10.0, abs=1e-9)
    assert distance(found, "C1", "C2") == pytest.approx(10.0, abs=1e-9)


# --- 7: intended contact ----------------------------------------------------------------------------------------------

FEET = "[[1300, 620], [1330, 620], [1330, 640], [1450, 640], [1450, 620], [1480, 620], [1480, 680], [1300, 680]]"
LUG = FEET.replace("[1450, 640]", "[1375, 640], [1375, 615], [1405, 615], [1405, 640], [1450, 640]")
PLACES_OF_FEET = """\
contacts:
  - {between: [A1, scan], at: {box: {x: [1290, 1340], y: [-390, -340], z: [610, 630]}}, why: front foot}
  - {between: [A1, scan], at: {box: {x: [1440, 1490], y: [-390, -340], z: [610, 630]}}, why: rear foot}
"""
A2 = "\nA2: {class: hv_box, box: {x: [1340, 1500], y: [105, 340], z: [471.5, 600]}}"


def on_the_rail(folder: Path, outline: str, *, nudge: str = "[0, 0, 0]", more: str = PLACES_OF_FEET) -> Path:
    """A part that stands with two feet on the top of a scanned rail, and a cross member 40 behind it."""
    rail = shapes.box_mesh([1000, -400, 500], [2400, -350, 620])
    cross = shapes.box_mesh([1520, -450, 620], [1560, 0, 680])
    write_scan(folder / "scan.ply", *mf.join(rail, cross))
    part = f"A1: {{class: structure, outline: {{plane: xz, from: -360, to: -345, points: {outline}}}, nudge: {nudge}}}"
    return write(folder, part + A2, more=more)


def test_silent_error_7_intended_contact_feet_on_the_rail_pass_and_the_rest_is_judged(tmp_path: Path) -> None:
    """With the contact declared at its feet the part passes by its 20 mm elsewhere; undeclared it fails."""
    found = check(on_the_rail(tmp_path, FEET))
    judged = row(found, "A1", "scan")
    assert (judged.verdict, judged.contact) == (Verdict.PASS, "declared")
    assert judged.distance_mm is not None
    assert 2.0 < judged.distance_mm <= 20.0, "the place is cut out, not the pair"
    undeclared = row(check(on_the_rail(tmp_path, FEET, more="")), "A1", "scan")
    assert undeclared.verdict is not Verdict.PASS


@pytest.mark.parametrize(("outline", "nudge"), [(LUG, "[0, 0, 0]"), (FEET, "[45, 0, 0]"), (FEET, "[0, 0, -5]")])
def test_silent_error_7_intended_contact_5_mm_into_the_metal_elsewhere_fails(
    tmp_path: Path, outline: str, nudge: str
) -> None:
    """A lug 5 deep between the feet, 5 into the cross member, and feet 5 deep in their own place."""
    found = row(check(on_the_rail(tmp_path, outline, nudge=nudge)), "A1", "scan")
    assert (found.verdict, found.contact) == (Verdict.FAIL, "overlap")
    assert 4.5 < (found.depth_mm or 0.0) < 5.0 + 1e-6, "of sampled points: a lower estimate"


def test_silent_error_7_intended_contact_and_exclusions_are_counted_and_printed(tmp_path: Path) -> None:
    """What was not judged as usual is listed with its author's reason, and its number is in every report."""
    more = PLACES_OF_FEET + "exclude:\n  - {between: [A1, A2], why: one welded frame}\n"
    found = check(on_the_rail(tmp_path, FEET, more=more))
    document = to_document(found)["coverage"]
    assert document["declared_contact"] == 1
    no_ground = 3  # without axles nothing is judged against the ground, and that is said
    assert document["excluded"] == 1 + no_ground
    words = {tuple(row["between"]): row["by"] for row in document["rows"]}
    assert "front foot" in words["A1", "scan"]
    assert "layout.yaml:" in words["A1", "A2"]
    assert "one welded frame" in words["A1", "A2"]
    with (tmp_path / "page.txt").open("w", encoding="utf-8") as page:
        print_result(found, page, parts=False)
    assert "1 declared" in (tmp_path / "page.txt").read_text(encoding="utf-8")


# --- 8: unchecked by default ------------------------------------------------------------------------------------------


def test_silent_error_8_unchecked_pair_a_renamed_class_is_an_error(tmp_path: Path) -> None:
    """In a part and in a rule, with the place and the nearest class."""
    distant_plate(tmp_path)
    box = "A1: {class: hv_bx, box: {x: [0, 100], y: [0, 100], z: [400, 500]}}"
    with pytest.raises(LayoutError, match=r"layout\.yaml:5:(?s:.*)hv_bx(?s:.*)did you mean 'hv_box'\?"):
        check(write(tmp_path, box))
    rule = "rules:\n  - {between: [hv_bx, shaft], must: 15, want: 25, why: it spins}\n"
    with pytest.raises(LayoutError, match=r"layout\.yaml:7:(?s:.*)hv_bx(?s:.*)did you mean 'hv_box'\?"):
        check(write(tmp_path, box.replace("hv_bx", "hv_box"), more=rule))


@pytest.mark.parametrize("count", [1, 2, 5])
def test_silent_error_8_unchecked_pair_every_pair_has_its_row(tmp_path: Path, count: int) -> None:
    """n(n − 1)/2 + n·(scan, ground, each moving body), and the same among scan, ground and moving bodies."""
    distant_plate(tmp_path)
    names = [f"B{k}" for k in range(count)]
    classes = ["hv_box", "lv", "coolant", "structure", "exhaust"]
    boxes = "\n".join(
        f"{name}: {{class: {part_class}, box: {{x: [{300 * k}, {300 * k + 100}], y: [0, 100], z: [400, 500]}}}}"
        for k, (name, part_class) in enumerate(zip(names, classes, strict=False))
    )
    shaft = (
        "parts:\n  shaft: {class: shaft, shaft: {from: [1330, -300, 480], "
        "to: {on: rear_axle, at: [2390, -340, 404]}, diameter: 63.5}}\n"
    )
    carried = "{tube: {capsule: {from: [2620, -600, 384], to: [2620, 600, 384], diameter: 90}}}"
    found = check(write(tmp_path, boxes, moving(carried) + shaft))
    bodies = ["shaft", "rear_axle"]
    rows = found.coverage.rows
    among = 1 + len(bodies) * 2 + len(bodies) * (len(bodies) - 1) // 2
    assert len(rows) == count * (count - 1) // 2 + count * (2 + len(bodies)) + among
    everything = [*names, "scan", "ground", *bodies]
    assert {frozenset(row.between) for row in rows} == {
        frozenset((one, other)) for k, one in enumerate(everything) for other in everything[k + 1 :]
    }
    assert all(row.by.strip() and row.status in ("checked", "declared_contact", "excluded") for row in rows)
    judged = {frozenset(row.between) for row in found.clearances}
    assert judged == {frozenset(row.between) for row in rows if row.status != "excluded"}


# --- 9: nothing is a pass ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("vertex", [math.nan, math.inf])
def test_silent_error_9_nothing_counted_a_part_of_no_triangles_or_no_numbers_is_an_error(
    tmp_path: Path, vertex: float
) -> None:
    distant_plate(tmp_path)
    vertices, faces = shapes.box_mesh([1300, -300, 400], [1500, -100, 500])
    layout = write(tmp_path, "A1: {class: hv_box, mesh: {file: part.ply, units: mm}}")
    mf.save(tmp_path, "part.ply", mf.ply_text(vertices, faces))
    assert check(layout).clearances, "it is a mesh before it is spoilt"
    mf.save(tmp_path, "part.ply", mf.ply_text(vertices, faces[:0]))
    with pytest.raises(MeshError, match=r"part\.ply"):
        check(layout)
    broken = vertices.copy()
    broken[3, 1] = vertex
    mf.save(tmp_path, "part.ply", mf.ply_text(broken, faces))
    with pytest.raises(MeshError, match=r"part\.ply"):
        check(layout)


def test_silent_error_9_nothing_counted_no_metal_within_500_is_a_finite_distance(tmp_path: Path) -> None:
    """Metal 2500 over a part is 2500 away, not infinitely far; and that far from any metal nothing is shown."""
    distant_plate(tmp_path)
    box = "A1: {class: hv_box, box: {x: [1000, 1200], y: [0, 100], z: [400, 500]}}"
    found = row(check(write(tmp_path, box)), "A1", "scan")
    assert found.distance_mm == pytest.approx(2500.0, abs=1e-9)
    assert found.verdict is Verdict.NOT_PROVEN
    assert "within 500 mm" in found.reason
    assert found.points_mm is not None


def test_silent_error_9_nothing_counted_what_was_not_computed_is_not_proven(tmp_path: Path) -> None:
    """No distance, no bound, NaN and infinity; a result without a row; a layout without a part."""
    for none in (None, math.nan, math.inf):
        assert judge(none, none, 0.0, 0.0).verdict is Verdict.NOT_PROVEN
    assert judge(50.0, None, 1.0, 2.0).verdict is Verdict.NOT_PROVEN
    assert judge(50.0, math.nan, 1.0, 2.0).verdict is Verdict.NOT_PROVEN
    distant_plate(tmp_path)
    box = "A1: {class: hv_box, box: {x: [1000, 1200], y: [0, 100], z: [2600, 2700]}}"
    found = check(write(tmp_path, box))
    assert (found.verdict, found.exit_code) == (Verdict.PASS, 0)
    (clearance,) = found.clearances
    judgement = judge(None, None, clearance.guard_mm, clearance.must_mm)
    lost = replace(clearance, distance_mm=None, at_least_mm=None, verdict=judgement.verdict)
    assert replace(found, clearances=(lost,)).exit_code == 3
    empty = Result("t", "t.yaml", (), Coverage(()))
    assert (empty.verdict, empty.exit_code) == (Verdict.NOT_PROVEN, 3)
    nothing = check(write(tmp_path))
    assert (nothing.verdict, nothing.exit_code) == (Verdict.NOT_PROVEN, 3)


def test_silent_error_9_nothing_counted_a_search_that_dies_is_no_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A computation that runs out of memory half way ends the check, and keeps no row for the next run."""
    write_scan(tmp_path / "scan.ply", *_sheet())
    layout = write(tmp_path, "A1: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}}")

    def die(*_: Any, **__: Any) -> None:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr("fitcheck.checks.scanned.check_still", die)
        with pytest.raises(MemoryError):
            check(layout)
    assert report(layout) == report(layout, "cold")


# --- 10: anchors, turns, mirrors --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("yaw", "x_mm", "y_mm"),
    [
        (0, (75, 525), (-325, 25)),
        (90, (-275, 75), (-325, 125)),
        (180, (-375, 75), (-675, -325)),
        (270, (75, 425), (-775, -325)),
    ],
)
def test_silent_error_10_anchors_and_turns_the_corner_stays_where_it_was_typed(
    tmp_path: Path, yaw: int, x_mm: tuple[float, float], y_mm: tuple[float, float]
) -> None:
    """Hand table: the part turns about the corner that was placed; yaw swings its rear to the right."""
    distant_plate(tmp_path)
    part = (
        "charger: {class: lv, box: {size: [450, 350, 120]}, "
        f"place: {{corner: front left bottom, at: [75, -325, 760]}}, turn: {{yaw: {yaw}}}}}"
    )
    (echo,) = check(write(tmp_path, part)).parts
    assert echo.x_mm == pytest.approx(x_mm, abs=1e-9)
    assert echo.y_mm == pytest.approx(y_mm, abs=1e-9)
    assert echo.z_mm == pytest.approx((760.0, 880.0), abs=1e-9)


def test_silent_error_10_anchors_and_turns_an_angle_in_radians_is_warned_of(tmp_path: Path) -> None:
    distant_plate(tmp_path)
    part = (
        "charger: {class: lv, box: {size: [450, 350, 120]}, "
        "place: {corner: front left bottom, at: [75, -325, 760]}, turn: {yaw: 1.57}}"
    )
    (warning,) = [text for text in check(write(tmp_path, part)).warnings if "radian" in text]
    assert "layout.yaml:" in warning
    assert "89.95°" in warning


def test_silent_error_10_anchors_and_turns_a_mirrored_bought_part_is_an_error(tmp_path: Path) -> None:
    distant_plate(tmp_path)
    mf.save(tmp_path, "unit.stl", mf.stl_text(*shapes.box_mesh([1300, -300, 400], [1500, -100, 500])))
    parts = "A1: {class: lv, bought: true, mesh: {file: unit.stl, units: mm}}\nA2: {mirror_of: A1}"
    with pytest.raises(LayoutError, match=r"layout\.yaml:6:(?s:.*)bought"):
        check(write(tmp_path, parts))
    mirrored = check(write(tmp_path, parts.replace("bought: true, ", "").replace("mm}", "mm, symmetric: true}")))
    assert {echo.name: echo.y_mm for echo in mirrored.parts}["A2"] == pytest.approx((100.0, 300.0))


# --- 11: weights ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x_mm", "front_kg", "rear_kg"),
    [(0.0, 100.0, 0.0), (BASE_MM / 2, 50.0, 50.0), (BASE_MM, 0.0, 100.0), (-BASE_MM / 2, 150.0, -50.0)],
)
def test_silent_error_11_weights_100_kg_at_four_places(
    tmp_path: Path, x_mm: float, front_kg: float, rear_kg: float
) -> None:
    """Moments about the rear axle (closed form); a mass ahead of the front axle lifts the rear."""
    bare = check(write(tmp_path, vehicle=SCALES)).loads["kerb"]
    found = check(write(tmp_path, f"ballast: {{mass: 100, cg: [{x_mm}, 0, 500]}}", SCALES)).loads["kerb"]
    assert (bare.front_kg, bare.rear_kg) == pytest.approx((800.0, 680.0))
    assert found.front_kg - bare.front_kg == pytest.approx(front_kg, abs=1e-9)
    assert found.rear_kg - bare.rear_kg == pytest.approx(rear_kg, abs=1e-9)


def test_silent_error_11_weights_strip_all_and_add_all_back_is_as_weighed(tmp_path: Path) -> None:
    things = [("engine", 238, [60, 0, 720]), ("tank", 44, [1880, -580, 560]), ("exhaust", 19, [1300, 300, 500])]
    entries = ", ".join(f"{name}: {{mass: {kg}, cg: {cg}}}" for name, kg, cg in things)
    parts = "\n".join(f"{name}_again: {{mass: {kg}, cg: {cg}}}" for name, kg, cg in things)
    loads = check(write(tmp_path, parts, f"{SCALES}  removed: {{{entries}}}\n")).loads["kerb"]
    assert (loads.mass_kg, loads.front_kg, loads.rear_kg) == pytest.approx((1480.0, 800.0, 680.0), abs=0.01)
    assert (loads.left_kg, loads.right_kg) == pytest.approx((744.0, 736.0), abs=0.01)
    stripped = check(write(tmp_path, vehicle=f"{SCALES}  removed: {{{entries}}}\n")).loads["kerb"]
    assert stripped.mass_kg == pytest.approx(1480.0 - 301.0, abs=0.01)


def test_silent_error_11_weights_a_part_removed_in_one_column_only_is_an_error(tmp_path: Path) -> None:
    """Off the scan but not off the scales is refused; off both, or said to stay, is not."""
    write_scan(tmp_path / "scan.ply", *mf.join(_sheet(), shapes.box_mesh([1600, -700, 400], [2150, -460, 600])))
    tank = "tank: {box: {x: [1590, 2160], y: [-710, -450], z: [390, 610]}%s}"
    vehicle = PLAIN.replace("as_scanned}", f"as_scanned, remove: {{{tank}}}}}") + SCALES.partition("test\n")[2]
    with pytest.raises(LayoutError, match=r"vehicle\.yaml:3:(?s:.*)not off the scales"):
        check(write(tmp_path, vehicle=vehicle % ""))
    both = check(write(tmp_path, vehicle=vehicle % ", mass: 44, cg: [1880, -580, 560]"))
    assert both.loads["kerb"].mass_kg == pytest.approx(1480.0 - 44.0)
    stays = check(write(tmp_path, vehicle=vehicle % ", stays: it is moved later"))
    assert stays.loads["kerb"].mass_kg == pytest.approx(1480.0)


# --- 12: the ground ---------------------------------------------------------------------------------------------------

STATES = """\
load_states:
  kerb: {}
  nose: {ballast: {mass: 100, cg: [0, 0, 500]}}
  tail: {ballast: {mass: 100, cg: [2620, 0, 500]}}
"""


def test_silent_error_12_ground_follows_springs_and_tyres(tmp_path: Path) -> None:
    """100 kg over an axle lower it by 100 g/2k_w + 100 g/2k_t (closed form), the other not at all."""
    plate(tmp_path, x=(-600, 3300), y=(-500, 500), z=300.0)
    found = check(write(tmp_path, vehicle=PLAIN + SCALES.partition("test\n")[2] + STATES))
    spring, tyre = 100 * GRAVITY / (2 * 40.0), 100 * GRAVITY / (2 * 300.0)
    assert found.loads["kerb"].body_drop_mm == pytest.approx({"front": 0.0, "rear": 0.0}, abs=1e-9)
    assert found.loads["nose"].body_drop_mm == pytest.approx({"front": spring + tyre, "rear": 0.0}, abs=1e-9)
    rear = 100 * GRAVITY / (2 * 48.0) + tyre
    assert found.loads["tail"].body_drop_mm == pytest.approx({"front": 0.0, "rear": rear}, abs=1e-9)
    assert found.ground["kerb"].belly_mm == pytest.approx(300.0, abs=1e-6)
    for state in ("nose", "tail"):
        belly = found.ground[state].belly_mm
        assert belly is not None
        assert belly < 295.0, "the floor is not where it was scanned"
    tail, kerb = found.ground["tail"], found.ground["kerb"]
    assert (tail.departure_deg or 0.0) < (kerb.departure_deg or 0.0), "a load in the tail lowers the tail"
    assert (tail.approach_deg or 0.0) > (kerb.approach_deg or 0.0)


def test_silent_error_12_ground_heavier_wheels_squash_the_tyre_and_not_the_spring(tmp_path: Path) -> None:
    vehicle = SCALES
    wheels = "wheels: {class: tyre, sprung: SPRUNG, mass: 20, cg: [0, 0, 382]}"
    unsprung = check(write(tmp_path, wheels.replace("SPRUNG", "false"), vehicle)).loads["kerb"]
    assert unsprung.body_drop_mm["front"] == pytest.approx(20 * GRAVITY / 600.0, abs=1e-9)
    sprung = check(write(tmp_path, wheels.replace("SPRUNG", "true"), vehicle)).loads["kerb"]
    assert sprung.body_drop_mm["front"] == pytest.approx(20 * GRAVITY * (1 / 600.0 + 1 / 80.0), abs=1e-9)


# --- 13: the range of the sweep ---------------------------------------------------------------------------------------


def test_silent_error_13_sweep_range_is_between_the_stops_whatever_the_springs(tmp_path: Path) -> None:
    """Spring rates doubled: every clearance is the same, and bump travel left is not."""
    write_scan(tmp_path / "scan.ply", *_sheet())
    axles = SCALES.partition("test\n")[2].replace("48, tyre", "RATE, mechanism: rear_axle, tyre")
    shaft = VEHICLE[VEHICLE.index("mechanisms:") :]
    states = "load_states: {laden: {cargo: {mass: 300, cg: [2620, 0, 900]}}}\n"
    boxes = "\n".join(line.strip() for line in LAYOUT.splitlines() if line.startswith("  A"))
    soft, stiff = (
        check(write(tmp_path, boxes, PLAIN + axles.replace("RATE", str(rate)) + states + shaft), f"cache{rate}")
        for rate in (48, 96)
    )
    assert len(soft.clearances) == 6
    assert stiff.clearances == soft.clearances
    left = [found.ground["laden"].bump_left_mm["rear"] for found in (soft, stiff)]
    # Bump travel less the spring's share of the load (closed form).
    assert left == pytest.approx([80 - 300 * GRAVITY / 96.0, 80 - 300 * GRAVITY / 192.0], abs=1e-6)


def test_silent_error_13_sweep_range_a_tyre_rises_149_at_crossed_axles_and_not_80(tmp_path: Path) -> None:
    """z_mid + (t/2)·sin φ with stops at ±400, 80 up and 90 down, track 1480 (closed form)."""
    roll = math.atan((80.0 + 90.0) / 800.0)
    rise = -5.0 + 740.0 * math.sin(roll)
    assert rise == pytest.approx(149.0, abs=0.5)
    plate(tmp_path, x=(2000, 3200), y=(300, 1200), z=700.0)
    ball = "{tyre: {sphere: {centre: [2620, 740, 384], diameter: 20}}}"
    found = row(check(write(tmp_path, vehicle=moving(ball))), "scan", "rear_axle")
    assert found.distance_mm == pytest.approx(700.0 - (384.0 + 10.0 + rise), abs=0.1)
    assert found.straight_bump_mm == pytest.approx(700.0 - (384.0 + 10.0 + 80.0), abs=0.1)
    assert found.static_mm == pytest.approx(700.0 - 394.0, abs=1e-3)


# --- 14: the shaft ----------------------------------------------------------------------------------------------------

FIXED_SHAFT = """\
parts:
  shaft:
    class: shaft
    shaft: {from: [1330, 0, 480], to: [2390, 0, 480], diameter: 63.5, yokes: {diameter: 100, length: 60}, whip: WHIP}
"""


def test_silent_error_14_shaft_is_more_than_its_tube_at_rest(tmp_path: Path) -> None:
    """A box beside a yoke is nearer than one beside the tube by the radius difference; whip comes off the tube's."""
    distant_plate(tmp_path)
    boxes = (
        "at_yoke: {class: hv_box, box: {x: [1335, 1385], y: [100, 200], z: [470, 490]}}\n"
        "at_tube: {class: hv_box, box: {x: [1800, 1850], y: [100, 200], z: [470, 490]}}"
    )
    found = check(write(tmp_path, boxes, PLAIN + FIXED_SHAFT.replace("WHIP", "0")))
    yoke, tube = distance(found, "at_yoke", "shaft"), distance(found, "at_tube", "shaft")
    assert yoke == pytest.approx(50.0, abs=0.02)
    assert tube - yoke == pytest.approx((100.0 - 63.5) / 2, abs=0.04)
    whipped = check(write(tmp_path, boxes, PLAIN + FIXED_SHAFT.replace("WHIP", "3")))
    assert tube - distance(whipped, "at_tube", "shaft") == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize(("bump", "droop"), [(0, 0), (80, 90)])
def test_silent_error_14_shaft_in_a_sleeve_keeps_the_radius_difference_less_whip(
    tmp_path: Path, bump: int, droop: int
) -> None:
    """Closed form: 60 − 31.75 − 3 in a long sleeve without travel.

    Over the whole travel the sleeve is a ring round the still joint, and a shaft that leans by
    θ = atan(90/1060) at full droop is nearer to it by 60·(1 − cos θ).
    """
    half = 0.01 if bump else 300.0
    middle = 0.0 if bump else 530.0
    start, end = np.array([1330.0, 0.0, 480.0]), np.array([2390.0, 0.0, 480.0])
    ring, faces = _sleeve(60.0, half)
    write_scan(tmp_path / "scan.ply", *mf.join((ring + start + [middle, 0, 0], faces), _far_sheet()))
    vehicle = PLAIN + MOTION.replace("80", str(bump)).replace("90", str(droop)).replace("CARRIES", "")
    shaft = (
        f"parts:\n  shaft: {{class: shaft, shaft: {{from: {start.tolist()}, to: {{on: rear_axle, at: {end.tolist()}}}, "
        "diameter: 63.5, whip: 3}}\n"
    )
    found = row(check(write(tmp_path, vehicle=vehicle + shaft)), "scan", "shaft")
    assert found.static_mm == pytest.approx(25.25, abs=0.02)
    least = 60.0 * math.cos(math.atan(droop / 1060.0)) - 34.75
    assert found.distance_mm == pytest.approx(least, abs=0.02)
    assert found.at_least_mm == pytest.approx(least, abs=0.1)


# --- 15: stale or altered geometry ------------------------------------------------------------------------------------

WITH_MESH = LAYOUT + "  W: {class: structure, mesh: {file: part.stl, units: mm}}\n"


def _sheet(dent_mm: float = 0.0) -> tuple[Floats, Faces]:
    """A noisy sheet over the boxes; its lowest vertex over A1, which decides that pair, lowered by ``dent_mm``."""
    vertices, faces = shapes.sheet_mesh(2400.0, 20, 3.0, np.random.default_rng(3))
    vertices = vertices + [1750.0, 0.0, 660.0]
    low, high = np.array([1340, -340]), np.array([2156, -105])
    over = np.flatnonzero(((vertices[:, :2] > low) & (vertices[:, :2] < high)).all(axis=1))
    vertices[over[vertices[over, 2].argmin()], 2] -= dent_mm
    return vertices, faces


def _far_sheet() -> tuple[Floats, Faces]:
    vertices, faces = _sheet()
    return vertices + [0.0, 0.0, 1500.0], faces


def _sleeve(radius: float, half: float) -> tuple[Floats, Faces]:
    """An open tube of 360 flats along x whose flats touch the circle of ``radius``."""
    turn = 2.0 * np.pi * np.arange(360) / 360
    ring = radius / math.cos(math.pi / 360) * np.stack([0.0 * turn, np.cos(turn), np.sin(turn)], axis=1)
    i, j = np.arange(360), (np.arange(360) + 1) % 360
    faces = np.concatenate([np.stack([i, j, j + 360], 1), np.stack([i, j + 360, i + 360], 1)]).astype(np.int32)
    return np.concatenate([ring - [half, 0, 0], ring + [half, 0, 0]]), faces


def _edit_layout(folder: Path) -> None:
    edit(folder / "layout.yaml", "y: [105, 340]", "y: [120, 340]")


def _edit_vehicle(folder: Path) -> None:
    edit(folder / "vehicle.yaml", "bump: 80", "bump: 85")


def _edit_scan(folder: Path) -> None:
    write_scan(folder / "scan.ply", *_sheet(dent_mm=0.001))


def _edit_part(folder: Path) -> None:
    mf.save(folder, "part.stl", mf.stl_text(*shapes.box_mesh([1300, 500, 400], [1500, 600, 500.001])))


@pytest.mark.parametrize("change", [_edit_layout, _edit_vehicle, _edit_scan, _edit_part])
def test_silent_error_15_stale_geometry_each_input_edited_alone_is_a_cold_run(tmp_path: Path, change: Any) -> None:
    """The report after an edit, with whatever was kept, is that of a run that kept nothing."""
    write_scan(tmp_path / "scan.ply", *_sheet())
    (tmp_path / "vehicle.yaml").write_text(VEHICLE, encoding="utf-8")
    (tmp_path / "layout.yaml").write_text(WITH_MESH, encoding="utf-8")
    mf.save(tmp_path, "part.stl", mf.stl_text(*shapes.box_mesh([1300, 500, 400], [1500, 600, 500])))
    layout = tmp_path / "layout.yaml"
    before = report(layout)
    assert report(layout) == before
    change(tmp_path)
    after = report(layout)
    assert after == report(layout, "cold")
    assert after["clearances"] != before["clearances"]
    assert after["inputs"] != before["inputs"]
    shutil.rmtree(tmp_path / "cache")
    assert report(layout) == after


def test_silent_error_15_stale_geometry_a_6_mm_rod_and_a_60_mm_window_survive(tmp_path: Path) -> None:
    """A box below the scanned rod meets the rod; one that stands in the scanned window meets no bridge over it."""
    vertices, faces = scans.truck()
    scans.write_scan(tmp_path / "scan.ply", vertices, faces)
    (x, y), half = scans.WINDOW_AT, scans.WINDOW_MM / 2 - 20.0
    parts = (
        "below: {class: structure, box: {x: [1000, 1100], y: [290, 310], z: [450, 487]}}\n"
        f"through: {{class: structure, box: {{x: [{x - half}, {x + half}], "
        f"y: [{y - half}, {y + half}], z: [600, 700]}}}}"
    )
    for cache in ("cache", "cache"):  # read, then kept
        found = check(write(tmp_path, parts), cache)
        assert distance(found, "below", "scan") == pytest.approx(10.0, abs=0.2)  # 500 − 3 − 487, a prism of 12 sides
        through = row(found, "through", "scan")
        assert (through.verdict, through.contact) == (Verdict.NOT_PROVEN, "apart")  # a window, or a gap in the scan?
        assert through.distance_mm == pytest.approx(20.0, abs=0.5)
    spans = f"{{x: [{x - 40}, {x + 40}], y: [{y - 40}, {y + 40}], z: [580, 720]}}"
    felt = f"measured: {{window: {{empty: {{box: {spans}}}}}}}\n"
    assert row(check(write(tmp_path, parts, more=felt)), "through", "scan").verdict is Verdict.PASS


def test_silent_errors_are_input_errors() -> None:
    """Every refusal above is one that the user can mend: exit code 2."""
    assert all(issubclass(kind, InputError) and kind.exit_code == 2 for kind in (LayoutError, MeshError, ScanError))
