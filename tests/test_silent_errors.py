"""Errors that would pass unseen, each looked for from the layout file to the verdict: 3 to 9, units and distances.

Source of the list: common practice in packaging work. Expected values are closed forms unless
said otherwise; the rooms' own tests go deeper, and these show that nothing is lost between them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
import shapes
from silent_layouts import UNIT_MM, check, distance, distant_plate, moving, noisy_sheet, plate, report, row, write
from test_align import PLACES
from test_kept import write_scan

from fitcheck.checks.clearance import judge
from fitcheck.errors import InputError, LayoutError, MeshError, ScanError
from fitcheck.report.json_document import to_document
from fitcheck.report.terminal import print_result
from fitcheck.result import Coverage, Result, Verdict

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
    write_scan(tmp_path / "scan.ply", *noisy_sheet())
    layout = write(tmp_path, "A1: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}}")

    def die(*_: Any, **__: Any) -> None:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr("fitcheck.checks.scanned.check_still", die)
        with pytest.raises(MemoryError):
            check(layout)
    assert report(layout) == report(layout, "cold")


def test_silent_errors_are_input_errors() -> None:
    """Every refusal above is one that the user can mend: exit code 2."""
    assert all(issubclass(kind, InputError) and kind.exit_code == 2 for kind in (LayoutError, MeshError, ScanError))
