"""A layout becomes the scene that it describes."""

# ruff: noqa: E501  (layout texts)

from __future__ import annotations

import dataclasses
import hashlib
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fitcheck.errors import AlignmentError, InputError, LayoutError, MeshError
from fitcheck.geometry.solids import Solid
from fitcheck.layout import load_scene
from fitcheck.layout.starter import write_starter
from fitcheck.vehicle.scene import PointMass, Quantity, Scene
from tests.layout_texts import ARRANGEMENT, VEHICLE, write, write_pair

TETRAHEDRON = """\
solid t
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 0 1 0 vertex 1 0 0 endloop endfacet
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 1 0 0 vertex 0 0 1 endloop endfacet
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 0 0 1 vertex 0 1 0 endloop endfacet
facet normal 0 0 0 outer loop vertex 1 0 0 vertex 0 1 0 vertex 0 0 1 endloop endfacet
endsolid t
"""


def scene_of(folder: Path, arrangement: str = ARRANGEMENT, vehicle: str = VEHICLE) -> Scene:
    return load_scene(write_pair(folder, arrangement, vehicle))


def part_of(scene: Scene, name: str) -> Any:
    return next(part for part in scene.parts if part.name == name)


def body(scene: Scene, name: str) -> list[list[float]]:
    """Least and greatest corner of a part's first solid."""
    return part_of(scene, name).solids[0].extents().tolist()


# --- parts -------------------------------------------------------------------------------


def test_parts_stand_where_their_entries_say(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    assert [part.name for part in scene.parts] == ["A1", "A2", "charger"]
    assert body(scene, "A1") == [[1340, -340, 471.5], [2156, -105, 630]]
    assert body(scene, "A2") == [[1340, 105, 471.5], [2156, 340, 630]]
    assert body(scene, "charger") == [[75, -325, 760], [525, 25, 880]]
    assert len(part_of(scene, "A2").solids) == 2  # box and rim


def test_a_copy_takes_over_class_mass_and_tolerances(tmp_path: Path) -> None:
    text = ARRANGEMENT.replace("    mass: 55.5\n", "    mass: 55.5\n    tape: 2\n    within: 1\n    sprung: false\n")
    a1, a2 = (part_of(scene_of(tmp_path, text), name) for name in ("A1", "A2"))
    taken = [
        (part.part_class, part.taped_sigma_mm, part.size_sigma_mm, part.sprung, part.mass.mass_kg) for part in (a1, a2)
    ]
    assert taken[0] == taken[1] == ("hv_box", 2.0, 1.0, False, Quantity(55.5, 55.5 * 0.03))
    assert a2.mass == PointMass("A2", a1.mass.mass_kg, (1748.0, 222.5, 548.0), 20.0)


def test_a_change_over_a_mirrored_part_replaces_only_what_it_says(tmp_path: Path) -> None:
    write(tmp_path, base=ARRANGEMENT, vehicle=VEHICLE)
    change = (
        "format: 1\nbased_on: base.yaml\nparts:\n  A2: {box: {x: [1340, 2036]}, mass: 48.3, cg: [1688, 222.5, 548]}\n"
    )
    scene = load_scene(write(tmp_path, a=change))
    assert body(scene, "A2") == [[1340, 105, 471.5], [2036, 340, 630]]
    assert part_of(scene, "A2").mass.cg_mm == (1688.0, 222.5, 548.0)
    assert body(scene, "A1")[1][0] == 2156.0
    assert part_of(scene, "A2").origin == f"{(tmp_path / 'a.yaml').as_posix()}:4"


def test_a_part_on_another_moves_with_it(tmp_path: Path) -> None:
    """Moving the parent by 10 moves the child by 10."""
    text = ARRANGEMENT.replace("{corner: front left bottom, at: [75, -325, 760]}", "{on: A1, face: rear, gap: 40}")
    before = np.array(body(scene_of(tmp_path, text), "charger"))
    after = np.array(body(scene_of(tmp_path, text.replace("[1340, 2156]", "[1350, 2166]")), "charger"))
    assert before[0][0] == 2156 + 40
    assert (after - before).tolist() == [[10, 0, 0], [10, 0, 0]]


def test_faces_with_gaps_give_a_place_and_a_size(tmp_path: Path) -> None:
    text = ARRANGEMENT.replace("{size: [450, 350, 120]}", "{x: [0, 450], size: [null, null, 120]}").replace(
        "{corner: front left bottom, at: [75, -325, 760]}",
        "[{face: left, gap: 10, to: A1.right}, {face: right, gap: 10, to: A2.left}, {face: bottom, gap: 5 mm, to: 100}]",
    )
    assert body(scene_of(tmp_path, text), "charger") == [
        [0, -95, 105],
        [450, 95, 225],
    ]  # from the boxes, not their rims


def test_shapes_of_every_kind_become_solids(tmp_path: Path) -> None:
    (tmp_path / "t.stl").write_text(TETRAHEDRON)
    parts = """\
  cyl: {class: lv, cylinder: {from: [0, 0, 0], to: [100, 0, 0], diameter: 20}}
  cap: {class: lv, capsule: {from: [0, 0, 0], to: [100, 0, 0], diameter: 20}}
  ball: {class: lv, sphere: {centre: [0, 0, 50], diameter: 20}}
  flat: {class: lv, outline: {points: [[0, 0], [10, 0], [0, 10]], plane: xz, from: -3, to: 4}}
  mesh: {class: lv, mesh: {file: t.stl, units: in}, place: {corner: front left bottom, at: [100, 200, 300]}}
  mass: {mass: 3 kg, cg: [1, 2, 3]}
"""
    scene = scene_of(tmp_path, ARRANGEMENT.split("rules:")[0] + parts)
    sizes = {part.name: np.ptp(part.solids[0].extents(), axis=0).tolist() for part in scene.parts if part.solids}
    assert sizes["cap"] == [120, 20, 20]
    assert sizes["cyl"] == pytest.approx([100, 20, 20], abs=0.1)
    assert sizes["ball"] == [20, 20, 20]
    assert sizes["flat"] == [10, 7, 10]
    assert body(scene, "mesh") == [pytest.approx([100, 200, 300]), pytest.approx([125.4, 225.4, 325.4])]
    assert part_of(scene, "mass").solids == ()
    assert part_of(scene, "mass").mass == PointMass("mass", Quantity(3.0, 0.09), (1.0, 2.0, 3.0), 20.0)
    assert scene.inputs[(tmp_path / "t.stl").as_posix()] == hashlib.sha256(TETRAHEDRON.encode()).hexdigest()


def test_a_bought_mesh_that_is_mirrored_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t.stl").write_text(TETRAHEDRON)
    text = (
        ARRANGEMENT.split("rules:")[0]
        + "  m: {class: lv, mesh: {file: t.stl, units: mm}, bought: true}\n  n: {mirror_of: m}\n"
    )
    with pytest.raises(LayoutError) as caught:
        scene_of(tmp_path, text)
    assert [mistake.place.line for mistake in caught.value.mistakes] == [text[: text.index("  n:")].count("\n") + 1]


def test_a_mesh_that_cannot_be_read_names_the_line_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "t.stl").write_bytes(b"")
    with pytest.raises(MeshError, match=r"a\.yaml:17: part 'm': .*t\.stl"):
        scene_of(tmp_path, ARRANGEMENT.split("rules:")[0] + "  m: {mesh: {file: t.stl, units: mm}}\n")


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ("{}", "has neither a shape nor a mass"),
        ("{mass: 3}", "has a mass but no place for it"),
        ("{class: lv}", "has neither a shape nor a mass"),
    ],
)
def test_a_part_that_is_nothing_is_refused(entry: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(LayoutError, match=says) as caught:
        scene_of(tmp_path, ARRANGEMENT.split("rules:")[0] + f"  empty: {entry}\n")
    assert caught.value.mistakes[0].place.line == 17


def test_likely_slips_are_warnings_with_their_line(tmp_path: Path) -> None:
    text = (
        ARRANGEMENT.replace("    class: lv\n", "")
        .replace("    mass: 55.5\n    cg: [1748, -222.5, 548]\n", "")
        .replace("at: [75, -325, 760]}", "at: [75, -325, 760]}\n    turn: {yaw: 1.57}")
    )
    found = scene_of(tmp_path, text, VEHICLE.replace("drive: 6", "drive: 0.105")).warnings
    expected = (
        "part 'charger': turn.yaw is 1.57: turns are in degrees, and this looks like radians (89.95°)",
        "part 'charger' has no class: it is checked as 'structure'",
        "wind_up.drive is 0.105: angles are in degrees, and this looks like radians (6.02°)",
        "no mass is given for A1, A2: they weigh nothing in the loads",
        "no 'scan' is given: no part is checked against the vehicle",
    )
    assert all(any(words in warning for warning in found) for words in expected), found
    assert any(warning.startswith(f"{(tmp_path / 'a.yaml').as_posix()}:10:") for warning in found)


@pytest.mark.parametrize("angle", ["45", "1.5", "2", "90", "0.5", "-30"])
def test_ordinary_angles_are_no_warning(angle: str, tmp_path: Path) -> None:
    text = ARRANGEMENT.replace("at: [75, -325, 760]}", f"at: [75, -325, 760]}}\n    turn: {{yaw: {angle}}}")
    assert not any("radians" in warning for warning in scene_of(tmp_path, text).warnings)


# --- everything else ----------------------------------------------------------------------


def test_mechanisms_and_shafts_move(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    axle: Any = scene.mechanisms["rear_axle"]
    assert (axle.bump_mm, axle.droop_mm, axle.stops_mm, axle.wind_up_drive_deg) == (80.0, 90.0, 400.0, 6.0)
    assert axle.leaf is not None
    assert (axle.leaf.half_length_mm, axle.leaf.arc_mm) == (600.0, 450.0)
    (shaft,) = scene.shafts
    assert (shaft.start_mm, shaft.end_mm, shaft.end_on, shaft.wall_mm) == (
        (1330, 0, 480),
        (2390, 60, 404),
        "rear_axle",
        2.5,
    )
    assert [(moving.name, moving.part_class) for moving in scene.moving] == [
        ("rear_axle", "axle"),
        ("rear_shaft", "shaft"),
    ]
    assert scene.axles["rear"].mechanisms == ("rear_axle",)
    assert scene.axles["front"].rating_kg == 1000.0


def test_a_shaft_between_two_joints_on_the_body_stands_still(tmp_path: Path) -> None:
    text = VEHICLE.replace("{on: rear_axle, at: [2390, 60, 404]}", "[2390, 60, 404]").replace(
        "wall: 2.5}", "wall: 2.5, material: aluminium}\n    mass: 8"
    )
    (shaft,) = scene_of(tmp_path, vehicle=text).shafts
    assert (shaft.end_on, shaft.speed_of_sound_m_s) == (None, 5090.0)
    assert shaft.mass is not None
    assert shaft.mass.cg_mm == (1860.0, 30.0, 442.0)  # its middle


def test_the_ledger_takes_both_columns(tmp_path: Path) -> None:
    """What was weighed and is gone, and what is cut out of the scan, comes off the scales; what stays does not."""
    from fitcheck.layout import read_layout
    from fitcheck.layout.build_masses import build_load_states, build_weights

    remove = "{tank: {piece: {at: [0, 0, 0]}, mass: 44, within: 1 kg, cg: [1880, -580, 560]}, axle: {piece: {at: [0, 0, 0]}, stays: it moves}}"
    text = VEHICLE + f"scan: {{file: a.yaml, units: m, align: as_scanned, remove: {remove}}}\n"
    layout = read_layout(write_pair(tmp_path, vehicle=text))
    weights = build_weights(layout)
    assert weights is not None
    assert [(mass.name, mass.mass_kg) for mass in weights.removed] == [
        ("engine", Quantity(238, 11.9)),
        ("tank", Quantity(44, 1)),
    ]
    assert weights.as_weighed.front_left == Quantity(402, 1.0)
    assert weights.raised is not None
    assert (weights.raised.axle, weights.raised.by_mm, weights.raised.other_axle_gains_kg) == (
        "rear",
        620.0,
        Quantity(42, 1.0),
    )
    states = build_load_states(layout)
    assert [(state.name, [mass.name for mass in state.aboard]) for state in states] == [
        ("kerb", []),
        ("laden", ["cargo"]),
    ]


def test_rules_contacts_exclusions_and_targets_keep_their_lines(tmp_path: Path) -> None:
    text = ARRANGEMENT + "  bump_left_mm: {laden: 3 cm}\nexclude: [{between: [rear_shaft, rear_axle], why: joined}]\n"
    scene = scene_of(tmp_path, text)
    file = (tmp_path / "a.yaml").as_posix()
    (rule,), (contact,), (exclusion,) = scene.rules, scene.contacts, scene.exclusions
    assert (rule.between, rule.must_mm, rule.want_mm, rule.why, rule.label) == (
        ("hv_box", "shaft"),
        15,
        25,
        "it spins",
        "judgement",
    )
    assert rule.origin == f"{file}:18"
    assert (contact.between, contact.at.kind, contact.at.lo, contact.deeper_than_mm) == (
        ("A1", "A2"),
        "box",
        (1400, -10, 560),
        1.0,
    )
    assert (exclusion.why, exclusion.origin) == ("joined", f"{file}:24")
    assert [(target.name, target.limit, target.sense) for target in scene.targets] == [
        ("breakover_deg", 32.0, "at least"),
        ("bump_left_front_mm", 30.0, "at least"),
        ("bump_left_rear_mm", 30.0, "at least"),
    ]


def test_uncertainties_are_typed_or_from_the_scan_or_the_defaults(tmp_path: Path) -> None:
    from fitcheck.layout import read_layout
    from fitcheck.layout.build import _uncertainties

    assert scene_of(tmp_path).uncertainties == Scene("", "", "", (), None).uncertainties
    scan = "scan: {file: a.yaml, units: m, align: as_scanned, accuracy: {local: 3, per_metre: 4}}\n"
    found = _uncertainties(read_layout(write_pair(tmp_path, vehicle=VEHICLE + scan + "uncertainty: {motion: 9}\n")))
    assert (found.scan, found.motion, found.fabrication) == (5.0, 9.0, 1.5)
    found = _uncertainties(read_layout(write_pair(tmp_path, vehicle=VEHICLE + scan + "uncertainty: {scan: 1 cm}\n")))
    assert found.scan == 10.0


def test_inputs_are_the_files_that_were_read_with_their_hashes(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    assert scene.inputs == {
        (tmp_path / f"{name}.yaml").as_posix(): hashlib.sha256(text.encode()).hexdigest()
        for name, text in (("a", ARRANGEMENT), ("vehicle", VEHICLE))
    }


# --- units -------------------------------------------------------------------------------


UNITLESS = """\
format: 1
vehicle: One
units: {{length: {unit}}}
axles:
  front: {{at: 0, track: {l1480}, wheel_rate: 40, tyre: {{radius: {l395}, width: {l205}, rate: 300}}}}
  rear: {{at: {l2620}, track: {l1480}, wheel_rate: 48, tyre: {{radius: {l395}, width: {l205}, rate: 300}}}}
mechanisms:
  ax: {{solid_axle: {{centre: [{l2620}, 0, {l384}], bump: {l80}, droop: {l90}, stops: {l400}, carries: {{tube: {{sphere: {{centre: [{l2620}, 0, {l384}], diameter: {l90}}}}}}}}}}}
parts:
  box: {{class: hv_box, box: {{x: [{l1340}, {l2156}], y: [0, {l105}], z: [{l384}, {l620}]}}, rim: {{out: {l80}, at: top, height: {l90}}}, mass: 5 kg}}
  cap: {{class: lv, capsule: {{from: [0, 0, {l384}], to: [{l80}, 0, {l384}], diameter: {l90}}}, place: {{corner: rear right top, at: [{l1340}, null, {l90}]}}, mass: 5 kg}}
  shaft_1: {{shaft: {{from: [0, 0, {l384}], to: [{l1340}, 0, {l384}], diameter: {l90}, whip: {l80}}}}}
rules: [{{between: [box, cap], must: {l80}, why: x}}]
targets: {{belly_mm: {{kerb: {l205}}}}}
"""


def numbers(value: Any, path: str = "") -> dict[str, float]:
    """Every number of a scene by its path; text, origins and hashes left out."""
    if isinstance(value, Solid):
        return numbers(value.vertices, path) | {f"{path}.radius": value.radius_mm}
    if isinstance(value, np.ndarray):
        return {f"{path}.{index}": float(number) for index, number in enumerate(value.ravel())}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {item.name: getattr(value, item.name) for item in dataclasses.fields(value)}
    if isinstance(value, (list, tuple)):
        value = dict(enumerate(value))
    if isinstance(value, dict):
        return {key: number for name, item in value.items() for key, number in numbers(item, f"{path}.{name}").items()}
    return {path: float(value)} if isinstance(value, (int, float)) else {}


def test_one_scene_in_mm_cm_m_inches_and_feet_is_the_same_scene(tmp_path: Path) -> None:
    lengths = (80, 90, 105, 205, 384, 395, 400, 620, 1340, 1480, 2156, 2620)
    scenes = {}
    for unit, mm in {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}.items():
        text = UNITLESS.format(unit=unit, **{f"l{length}": f"{length / mm:.15g}" for length in lengths})
        scenes[unit] = numbers(load_scene(write(tmp_path, a=text)))
    assert len(scenes["mm"]) > 150
    assert math.isclose(max(scenes["mm"].values()), 5110.0)
    for unit in scenes:
        assert scenes[unit] == pytest.approx(scenes["mm"], abs=1e-9), unit


# --- with a scan -------------------------------------------------------------------------


def test_the_scan_is_prepared_and_its_hash_is_among_the_inputs(tmp_path: Path) -> None:
    files = write_starter(tmp_path / "new")
    steps: list[str] = []
    scene = load_scene(tmp_path / "new" / "first.yaml", cache_dir=tmp_path / "cache", progress=steps.append)
    assert scene.scan is not None
    assert scene.scan.metal.triangle_count > 1000
    assert steps
    frame = next(path for path in files if path.suffix == ".ply")
    assert scene.inputs[frame.as_posix()] == hashlib.sha256(frame.read_bytes()).hexdigest()
    assert len(scene.inputs) == 3
    assert not scene.warnings


def test_cuts_of_the_scan_reach_it(tmp_path: Path) -> None:
    write_starter(tmp_path)
    change = """\
format: 1
based_on: first.yaml
scan:
  remove: {beam: {box: {x: [800, 950], y: [-380, 380], z: [650, 720]}, mass: 9, cg: [875, 0, 685]}}
  move: {tail: {piece: {at: [3300, 0, 600]}, by: [0, 0, 5], why: packed}}
"""
    scene = load_scene(write(tmp_path, a=change), cache_dir=tmp_path / "cache")
    assert scene.scan is not None
    assert scene.scan.removed["beam"].triangle_count > 0
    assert any("moved tail" in note for note in scene.scan.notes)
    assert scene.weights is not None
    assert [mass.name for mass in scene.weights.removed] == ["engine", "tank", "beam"]


def test_targets_in_the_file_align_the_scan_and_a_wrong_one_is_named(tmp_path: Path) -> None:
    """The starter's frame is in the vehicle's axes, so each target's two places agree."""
    write_starter(tmp_path)
    at = {"T1": (-300, -400, 520), "T2": (-300, 400, 520), "T3": (3200, -400, 640), "T4": (3200, 400, 520)}
    targets = ", ".join(f"{name}: {{scan: {list(place)}, vehicle: {list(place)}}}" for name, place in at.items())
    text = (
        (tmp_path / "vehicle.yaml")
        .read_text(encoding="utf-8")
        .replace("align: as_scanned", f"align: {{targets: {{{targets}}}}}")
    )
    (tmp_path / "vehicle.yaml").write_text(text, encoding="utf-8")
    assert load_scene(tmp_path / "first.yaml", cache_dir=tmp_path / "cache").scan is not None
    wrong = text.replace("vehicle: [3200, 400, 520]", "vehicle: [3290, 400, 520]")
    (tmp_path / "vehicle.yaml").write_text(wrong, encoding="utf-8")
    with pytest.raises(AlignmentError, match="T4"):
        load_scene(tmp_path / "first.yaml", cache_dir=tmp_path / "cache")


# --- the starter -------------------------------------------------------------------------


def test_a_new_project_passes_as_it_stands(tmp_path: Path) -> None:
    from fitcheck.checks.run import check_scene

    write_starter(tmp_path / "new")
    result = check_scene(load_scene(tmp_path / "new" / "first.yaml", cache_dir=tmp_path / "cache"))
    assert result.exit_code == 0
    assert len(result.clearances) > 10


def test_a_new_project_overwrites_nothing_and_leaves_nothing_half(tmp_path: Path) -> None:
    (tmp_path / "vehicle.yaml").write_text("mine")
    with pytest.raises(InputError, match=r"holds vehicle\.yaml already"):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["vehicle.yaml"]
    assert (tmp_path / "vehicle.yaml").read_text() == "mine"


def test_a_new_project_goes_beside_other_files_and_into_new_folders(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    written = write_starter(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["notes.txt", *(path.name for path in written)])
    assert all(path.is_file() for path in write_starter(tmp_path / "one" / "two"))


def test_a_write_that_fails_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    moved: list[object] = []

    def failing(source: Path, target: Path) -> None:
        moved.append(target)
        if len(moved) == 3:
            raise OSError(28, "No space left on device")
        Path(source).rename(target)

    monkeypatch.setattr(shutil, "move", failing)
    with pytest.raises(InputError, match="No space left on device"):
        write_starter(tmp_path / "one" / "two")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_is_an_input_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputError):
        write_starter(tmp_path / "file")
    with pytest.raises(InputError):
        write_starter(tmp_path / "file" / "below")
    assert (tmp_path / "file").read_text() == "mine"
