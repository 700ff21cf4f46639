"""What was not seen is not air, from the layout file to the verdict: gaps, insides, mirrored halves, readings since.

The numbered silent errors are those that every naive check passes. Rails are 60 × 120, scanned outside only.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from scans import write_scan

from fitcheck import load_scene
from fitcheck.checks.run import check_scene
from fitcheck.geometry.inside import points_to_triangles
from fitcheck.geometry.mass_properties import signed_volume_mm3
from fitcheck.geometry.meshes import read_mesh
from fitcheck.report.json_document import to_document
from fitcheck.result import Clearance, Result, Verdict

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))

import hollin262  # noqa: E402
from hollin262.grid import box_surface, joined  # noqa: E402

SAMPLE = ROOT / "sample_meshes" / "hollin262"
RAIL = ((0.0, -30.0, 500.0), (1000.0, 30.0, 620.0))
ENDS = ("-x", "+x")
VEHICLE = "format: 1\nvehicle: test\nscan: {file: scan.ply, units: mm, align: as_scanned}\n"


def layout(folder: Path, parts: str, more: str = "", vehicle: str = VEHICLE) -> Path:
    (folder / "vehicle.yaml").write_text(vehicle, encoding="utf-8")
    text = f"format: 1\ntitle: test\nvehicle: vehicle.yaml\nparts:\n{parts}{more}"
    (folder / "layout.yaml").write_text(text, encoding="utf-8")
    return folder / "layout.yaml"


def box(name: str, x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> str:
    return f"  {name}: {{class: structure, box: {{x: {list(x)}, y: {list(y)}, z: {list(z)}}}}}\n"


def check(path: Path) -> Result:
    return check_scene(load_scene(path, cache_dir=path.parent / "cache"))


def row(result: Result, one: str, other: str = "scan") -> Clearance:
    (found,) = [found for found in result.clearances if set(found.between) == {one, other}]
    return found


def rail(folder: Path, missing: tuple[str, ...] = ENDS) -> None:
    write_scan(folder / "scan.ply", *box_surface(*RAIL, 10.0, missing=missing))


def torn_rail(folder: Path) -> None:
    """The rail without a patch of 120 × 120 of its right face."""
    vertices, faces = box_surface(*RAIL, 10.0, missing=ENDS)
    centres = vertices[faces].mean(axis=1)
    write_scan(folder / "scan.ply", vertices, faces[~((np.abs(centres[:, 0] - 500) < 60) & (centres[:, 1] > 29.9))])


CUBE = box("cube", (480, 520), (-20, 20), (540, 580))
BESIDE = box("cube", (480, 520), (40, 80), (540, 580))


# --- 1: wholly inside -------------------------------------------------------------------------------------------------


def test_silent_error_1_inside_a_cube_in_a_scanned_rail_is_found(tmp_path: Path) -> None:
    rail(tmp_path)
    found = row(check(layout(tmp_path, CUBE)), "cube")
    assert (found.verdict, found.contact) == (Verdict.FAIL, "inside")
    assert found.distance_mm is not None
    assert found.distance_mm < 0.0


def test_silent_error_1_inside_the_same_cube_10_outside_is_10_away(tmp_path: Path) -> None:
    rail(tmp_path)
    found = row(check(layout(tmp_path, BESIDE)), "cube")
    assert found.distance_mm == pytest.approx(10.0, abs=1e-6)
    assert found.verdict is Verdict.PASS


@pytest.mark.parametrize("missing", ["+z", "-z", "+y", "-y"], ids=["top", "bottom", "right", "left"])
def test_silent_error_1_inside_with_a_face_missing_is_never_a_pass(tmp_path: Path, missing: str) -> None:
    rail(tmp_path, (*ENDS, missing))
    assert row(check(layout(tmp_path, CUBE)), "cube").verdict is not Verdict.PASS


def test_silent_error_1_inside_a_cube_before_a_missing_face_is_not_proven(tmp_path: Path) -> None:
    """A channel or a rail with a face not scanned: whether the part stands in it cannot be told."""
    rail(tmp_path, (*ENDS, "+y"))
    found = row(check(layout(tmp_path, BESIDE)), "cube")
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.settle


def test_silent_error_1_inside_a_scanned_bolt_wholly_in_a_part_is_found(tmp_path: Path) -> None:
    rail_mesh = box_surface(*RAIL, 10.0, missing=ENDS)
    bolt = box_surface((495.0, 195.0, 555.0), (505.0, 205.0, 565.0), 5.0)
    write_scan(tmp_path / "scan.ply", *joined([rail_mesh, bolt]))
    found = row(check(layout(tmp_path, box("case", (400, 600), (100, 300), (500, 620)))), "case")
    assert (found.verdict, found.contact) == (Verdict.FAIL, "inside")


# --- 2: a hole reads as clearance -------------------------------------------------------------------------------------


def test_silent_error_2_hole_a_deleted_patch_is_not_proven_and_restored_is_as_before(tmp_path: Path) -> None:
    """Metal distance grows when the patch beside the part goes; the verdict does not get better."""
    path = layout(tmp_path, BESIDE)
    vertices, faces = box_surface(*RAIL, 10.0, missing=ENDS)
    write_scan(tmp_path / "scan.ply", vertices, faces)
    before = to_document(check(path))["clearances"]
    torn_rail(tmp_path)
    found = row(check(path), "cube")
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.distance_mm is not None
    assert found.distance_mm > 20.0
    assert found.unseen_mm is not None
    assert found.unseen_mm < 10.0
    write_scan(tmp_path / "scan.ply", vertices, faces)
    assert to_document(check(path))["clearances"] == before


# --- 5: reflections ---------------------------------------------------------------------------------------------------

HALF = "format: 1\nvehicle: test\nscan: {file: scan.ply, units: mm, align: as_scanned, mirror: {scanned: left}}\n"


def test_silent_error_5_mirrored_metal_has_its_inside_inside(tmp_path: Path) -> None:
    """A rail at y −330 to −270 stands for one at 270 to 330, where a cube in it is found and one beside it is clear."""
    left = box_surface((0.0, -330.0, 500.0), (1000.0, -270.0, 620.0), 10.0, missing=ENDS)
    write_scan(tmp_path / "scan.ply", *left)
    parts = box("inside", (480, 520), (280, 320), (540, 580)) + box("beside", (480, 520), (350, 390), (540, 580))
    result = check(layout(tmp_path, parts, vehicle=HALF))
    assert row(result, "inside").verdict is Verdict.FAIL
    beside = row(result, "beside")
    assert beside.distance_mm == pytest.approx(20.0, abs=1e-6)
    assert (beside.verdict, beside.assumed) == (Verdict.NOT_PROVEN, True)
    scan = load_scene(tmp_path / "layout.yaml", cache_dir=tmp_path / "cache").scan
    assert scan is not None
    assert scan.assumed is not None
    open_volume = signed_volume_mm3(np.array(scan.assumed.vertices) - [500, 300, 560], np.array(scan.assumed.faces))
    assert open_volume > 0.0


def test_silent_error_5_the_scanned_side_of_a_half_scan_still_passes(tmp_path: Path) -> None:
    left = box_surface((0.0, -330.0, 500.0), (1000.0, -270.0, 620.0), 10.0, missing=ENDS)
    write_scan(tmp_path / "scan.ply", *left)
    result = check(layout(tmp_path, box("beside", (480, 520), (-390, -350), (540, 580)), vehicle=HALF))
    assert row(result, "beside").verdict is Verdict.PASS


# --- 9, 15: nothing counted, and geometry altered ---------------------------------------------------------------------


def test_silent_error_9_nothing_counted_an_inside_out_scan_passes_nothing(tmp_path: Path) -> None:
    vertices, faces = box_surface(*RAIL, 10.0, missing=ENDS)
    write_scan(tmp_path / "scan.ply", vertices, faces[:, ::-1])
    found = row(check(layout(tmp_path, BESIDE)), "cube")
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.distance_mm == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize(
    "edit",
    [
        "measured: {felt: {empty: {box: {x: [400, 600], y: [20, 90], z: [480, 640]}}}}\n",
        "measured: {felt: {metal: {box: {x: [480, 520], y: [32, 38], z: [540, 580]}}, tape: 0.5}}\n",
        "uncertainty: {alignment: 3}\n",
    ],
    ids=["empty", "metal", "alignment"],
)
def test_silent_error_15_stale_a_reading_edited_alone_is_a_cold_run(tmp_path: Path, edit: str) -> None:
    torn_rail(tmp_path)
    path = layout(tmp_path, BESIDE)
    plain = to_document(check(path))
    layout(tmp_path, BESIDE, edit)
    warm = to_document(check(path))
    shutil.rmtree(tmp_path / "cache")
    cold = to_document(check(path))
    for document in (plain, warm, cold):
        document.pop("timing_s")
    assert warm == cold
    assert warm["clearances"] != plain["clearances"]


# --- readings taken since ---------------------------------------------------------------------------------------------


def test_a_place_felt_empty_is_judged_on_metal_again(tmp_path: Path) -> None:
    torn_rail(tmp_path)
    path = layout(tmp_path, BESIDE)
    before = row(check(path), "cube")
    asked = re.search(r"\{empty: .*\}\}\}", before.settle)
    assert asked is not None, before.settle
    layout(tmp_path, BESIDE, f"measured: {{felt: {asked.group()}}}\n")
    after = row(check(path), "cube")
    assert after.verdict is Verdict.PASS, after.reason
    assert after.distance_mm == before.distance_mm


def test_metal_that_was_taped_is_judged_with_the_tape(tmp_path: Path) -> None:
    rail(tmp_path)
    reading = "measured: {clip: {metal: {box: {x: [480, 520], y: [30, 37], z: [540, 580]}}, tape: 2}}\n"
    found = row(check(layout(tmp_path, BESIDE, reading)), "cube")
    assert found.distance_mm == pytest.approx(3.0, abs=1e-6)
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.guard_parts["clip taped"] == 2.0
    assert "scan" not in found.guard_parts
    assert "clip" in found.reason


def test_a_taped_rod_beside_a_declared_contact_is_judged_whole(tmp_path: Path) -> None:
    rail(tmp_path)
    more = (
        "contacts: [{between: [cube, scan], at: {box: {x: [470, 530], y: [20, 50], z: [530, 590]}}, why: foot}]\n"
        "measured: {pipe: {metal: {capsule: {from: [300, 88, 560], to: [700, 88, 560], diameter: 10}}}}\n"
    )
    found = row(check(layout(tmp_path, BESIDE, more)), "cube")
    assert found.distance_mm == pytest.approx(3.0, abs=1e-6)
    assert found.verdict is not Verdict.PASS


def test_taped_metal_far_away_changes_nothing(tmp_path: Path) -> None:
    rail(tmp_path)
    plain = row(check(layout(tmp_path, BESIDE)), "cube")
    reading = "measured: {clip: {metal: {box: {x: [480, 520], y: [2000, 2037], z: [540, 580]}}}}\n"
    assert row(check(layout(tmp_path, BESIDE, reading)), "cube") == plain


# --- the sample -------------------------------------------------------------------------------------------------------

BRACKET = (np.array([1660.0, 325.0, 560.0]), np.array([1720.0, 370.0, 600.0]))


@pytest.fixture(scope="module")
def truck(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("truck")
    for path in SAMPLE.iterdir():
        if path.suffix in (".yaml", ".ply"):
            shutil.copy(path, folder / path.name)
    return folder


def sample(folder: Path, text: str, only: tuple[str, ...] = ("A2",)) -> Result:
    path = folder / "own.yaml"
    path.write_text(f"format: 1\ntitle: own\nbased_on: a.yaml\n{text}", encoding="utf-8")
    return check_scene(load_scene(path), only=only)


def test_the_part_beside_the_hidden_bracket_is_not_proven_and_the_place_is_named(truck: Path) -> None:
    found = row(sample(truck, ""), "A2")
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.unseen_point_mm is not None
    low, high = BRACKET
    off = np.maximum(np.maximum(low - found.unseen_point_mm, np.array(found.unseen_point_mm) - high), 0.0)
    assert np.linalg.norm(off) < 60.0
    named = np.array([float(c) for c in re.findall(r"-?\d+", found.unseen_place)])
    assert np.linalg.norm(np.maximum(np.maximum(low - named, named - high), 0.0)) < 60.0


def test_the_place_felt_empty_is_judged_on_metal_and_the_bracket_taped_is_what_it_is(truck: Path) -> None:
    """Against the same truck scanned with its bracket and the whole rail."""
    before = row(sample(truck, ""), "A2")
    asked = re.search(r"\{empty: .*\}\}\}", before.settle)
    assert asked is not None
    empty = row(sample(truck, f"measured: {{felt: {asked.group()}}}\n"), "A2")
    assert (empty.verdict, empty.distance_mm) == (Verdict.PASS, before.distance_mm)
    low, high = BRACKET
    spans = ", ".join(f"{axis}: [{a:g}, {b:g}]" for axis, a, b in zip("xyz", low, high, strict=True))
    taped = row(sample(truck, f"measured: {{bracket: {{metal: {{box: {{{spans}}}}}}}}}\n"), "A2")
    pieces = hollin262.true_pieces()
    vertices, faces = joined([mesh for name, mesh in pieces.items() if name not in hollin262.ARTEFACTS])
    hollin262.write_ply(truck / "whole.ply", (hollin262.to_scanner_m(vertices), faces))
    true = row(sample(truck, "scan: {file: whole.ply}\n"), "A2")
    assert taped.verdict is true.verdict is Verdict.FAIL
    assert taped.contact == true.contact
    assert taped.distance_mm == pytest.approx(true.distance_mm, abs=1.0)  # drift and alignment move the scanned one


def test_a_cube_in_the_right_rail_is_found_with_and_without_its_own_scan(truck: Path) -> None:
    """The sensor that nobody scanned could be missed; it stands beside the unscanned stretch of the rail's face."""
    cube = "parts: {sensor: {class: lv, box: {x: [1729, 1767], y: [381, 419], z: [561, 599]}}}\n"
    off = "scan: {remove: {cube: {box: {x: [1720, 1776], y: [375, 425], z: [555, 605]}, stays: seen in the test}}}\n"
    seen, alone = (row(sample(truck, text, ("sensor",)), "sensor") for text in (cube, cube + off))
    assert seen.verdict is not Verdict.PASS
    assert alone.verdict is not Verdict.PASS


def test_the_same_cube_further_back_in_the_right_rail_is_inside(truck: Path) -> None:
    cube = "parts: {sensor: {class: lv, box: {x: [2500, 2540], y: [380, 420], z: [560, 600]}}}\n"
    found = row(sample(truck, cube, ("sensor",)), "sensor")
    assert (found.verdict, found.contact) == (Verdict.FAIL, "inside")


def test_a_mirrored_half_scan_has_no_pass_on_its_right_side(truck: Path) -> None:
    result = sample(truck, "scan: {mirror: {scanned: left}}\n", only=("scan",))
    scene = load_scene(truck / "own.yaml")
    right = {part.name for part in scene.parts if max((s.extents()[1, 1] for s in part.solids), default=-1.0) > 0.0}
    right |= {body.name for body in scene.moving}
    rows = [found for found in result.clearances if "scan" in found.between and set(found.between) & right]
    assert len(rows) >= 8
    assert Verdict.PASS not in {found.verdict for found in rows}
    assert all(found.assumed for found in rows)
    assert row(result, "A1").verdict is Verdict.PASS


def test_distances_to_unseen_places_are_those_of_their_meshes(truck: Path) -> None:
    """By brute force: corners of the part's box against every triangle of every place, and the other way round."""
    scene = load_scene(truck / "a.yaml")
    assert scene.scan is not None
    part = next(part for part in scene.parts if part.name == "A4")
    found = row(check_scene(scene, only=("A4",)), "A4")
    least = np.inf
    for place in scene.scan.unseen:
        corners = place.solid.vertices[place.solid.faces]
        for solid in part.solids:
            ours = solid.vertices[solid.faces]
            least = min(least, float(points_to_triangles(place.solid.vertices, ours).min()))
            least = min(least, float(points_to_triangles(solid.vertices, corners).min()))
    assert found.unseen_mm == pytest.approx(least, abs=0.5)
    assert found.unseen_mm <= least + 1e-9


def in_inches(folder: Path) -> None:
    """The sample's scan once more, in inches and double precision, with its targets in inches in its vehicle file."""
    mesh = read_mesh(SAMPLE / "hollin262_scan.ply")
    folder.mkdir()
    write_scan(folder / "inch.ply", mesh.vertices, mesh.faces, unit_mm=0.0254)
    text = (SAMPLE / "vehicle.yaml").read_text(encoding="utf-8").replace("hollin262_scan.ply", "inch.ply")
    text = text.replace("  units: m  ", "  units: in ")

    def typed(found: re.Match[str]) -> str:
        return "scan: [" + ", ".join(repr(float(c) / 0.0254) for c in found.group(1).split(",")) + "]"

    text = re.sub(r"scan: \[([^\]]*)\]", typed, text)
    (folder / "vehicle.yaml").write_text(text, encoding="utf-8")
    shutil.copy(SAMPLE / "a.yaml", folder)


def differences(one: object, other: object, at: str = "") -> list[str]:
    """Where two documents differ: words at all, numbers by more than a thousandth of a millimetre.

    Where faces are parallel there are many nearest points, and either may be named.
    """
    if ".unseen_point" in at or ".unseen_from" in at:
        return []
    if isinstance(one, dict) and isinstance(other, dict):
        keys = sorted(set(one) | set(other))
        return [found for key in keys for found in differences(one.get(key), other.get(key), f"{at}.{key}")]
    if isinstance(one, (list, tuple)) and isinstance(other, (list, tuple)) and len(one) == len(other):
        return [d for k, pair in enumerate(zip(one, other, strict=True)) for d in differences(*pair, f"{at}[{k}]")]
    if isinstance(one, float) and isinstance(other, (float, int)):
        return [] if abs(one - other) <= 1e-3 else [f"{at}: {one} {other}"]
    return [] if one == other else [f"{at}: {one} {other}"]


def test_the_inch_copy_of_the_sample_gives_the_identical_report(tmp_path: Path) -> None:
    """Silent error 3: the unit of the scan changes no word and no figure."""
    in_inches(tmp_path / "inch")
    documents = []
    for folder in (SAMPLE, tmp_path / "inch"):
        document = to_document(check_scene(load_scene(folder / "a.yaml")))
        for name in ("layout", "inputs", "timing_s"):
            document.pop(name)
        documents.append(json.loads(json.dumps(document).replace(json.dumps(folder.as_posix())[1:-1], "")))
    assert differences(*documents) == []


def test_a_thing_with_no_inside_to_ask_is_no_pass(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing asked is nothing shown: no points in a part, no PASS."""
    rail(tmp_path)
    monkeypatch.setattr("fitcheck.checks.inside_metal.points_within", lambda *_: np.empty((0, 3)))
    found = row(check(layout(tmp_path, BESIDE)), "cube")
    assert found.verdict is Verdict.NOT_PROVEN
    assert "no inside to ask" in found.reason
