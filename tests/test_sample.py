"""The sample truck is what it says it is: its scan, its faults, its targets and its layouts.

Where a number is compared, its source is the truck's own data sheet (invented for this project): rails 60 × 120
with inner faces at y ±370, and so on; areas and volumes are closed forms of those.
"""

from __future__ import annotations

import sys
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from ruamel.yaml import YAML

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))

import hollin262  # noqa: E402
import make_sample  # noqa: E402

Floats = NDArray[np.float64]
SAMPLE = ROOT / "sample_meshes" / "hollin262"
ARRANGEMENTS = ("a", "a2", "d", "b", "b2")
PIECES = hollin262.true_pieces()
SCANNED = {name: mesh for name, mesh in PIECES.items() if name not in hollin262.NOT_SCANNED}
FLOATERS = {name: mesh for name, mesh in PIECES.items() if name.startswith("floater")}
TUBES = {  # point on the centre line, its direction, area of the outside in mm²
    "left_rail": ((0, -400, 580), 0, 3900 * 360.0),
    "right_rail": ((0, 400, 580), 0, 3900 * 360.0 - 160 * 120),  # less the hidden stretch
    "crossmember_front": ((-325, 0, 560), 1, 740 * 260.0),
    "crossmember_unit": ((665, 0, 560), 1, 740 * 260.0),
    "crossmember_shaft": ((1275, 0, 610), 1, 740 * 220.0),
    "crossmember_axle": ((2355, 0, 615), 1, 740 * 200.0),
    "crossmember_tail": ((3375, 0, 590), 1, 740 * 300.0),
}
CLOSED = {  # volume in mm³
    "hidden_bracket": 60 * 45 * 40.0,
    "bumper": 60 * 1400 * 80.0,
    "sensor_cube": 40.0**3,
}
SHEETS = {  # the way all normals point, area in mm²
    "cab_sill_left": ((0, 0, -1), 1810 * 250.0),
    "cab_sill_right": ((0, 0, -1), 1810 * 250.0),
    "left_rail_double": ((0, -1, 0), 400 * 120.0),
    "right_rail_unscanned": ((0, -1, 0), 160 * 120.0),
}


def face_vectors(mesh: tuple[Floats, NDArray[np.int64]]) -> tuple[Floats, Floats]:
    """Centres (m, 3) and area vectors (m, 3), length = area, of the faces."""
    corners = mesh[0][mesh[1]]
    return corners.mean(axis=1), np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2


def longest_edges(mesh: tuple[Floats, NDArray[np.int64]]) -> Floats:
    corners = mesh[0][mesh[1]]
    return np.asarray(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1))


def to_vehicle_mm(scan_m: Floats) -> Floats:
    """The scanner's axes undone with what is known about them: rotation, origin, drift."""
    turned_back = np.asarray(scan_m, dtype=np.float64) * 1000 @ hollin262.scanner_rotation()
    return np.asarray((turned_back + scanner_origin_mm()) / [1.0002, 1, 1])


def scanner_origin_mm() -> Floats:
    """Where the scanner's origin is in the vehicle frame: minus the vehicle's origin in scanner axes, turned back."""
    return np.asarray(-1000 * hollin262.to_scanner_m(np.zeros((1, 3)))[0] @ hollin262.scanner_rotation())


def load(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = YAML(typ="safe").load((SAMPLE / f"{name}.yaml").read_text(encoding="utf-8"))
    return loaded


def merged(name: str) -> dict[str, Any]:
    """An arrangement with what it is based on, and the right-hand copies of left-hand boxes, in plain Python."""
    data = load(name)
    parts = dict(merged(data["based_on"][:-5])["parts"]) if "based_on" in data else {}
    for part, entry in data["parts"].items():
        own = {**parts.get(part, {}), **entry}
        if "box" in parts.get(part, {}) and "box" in entry:
            own["box"] = {**parts[part]["box"], **entry["box"]}
        if "mirror_of" in entry:
            other = parts[entry["mirror_of"]]
            own = {**other, "box": {**other["box"], "y": [-y for y in other["box"]["y"][::-1]]}}
            own["cg"] = [other["cg"][0], -other["cg"][1], other["cg"][2]]
        parts[part] = own
    return {**data, "parts": parts}


def box_extents(entry: dict[str, Any]) -> tuple[Floats, Floats]:
    """Least and greatest corner over body and rim."""
    lo, hi = np.array([entry["box"][axis] for axis in "xyz"], dtype=np.float64).T
    out = entry.get("rim", {}).get("out", 0)
    rim = np.array([out, out, 0])
    return lo - rim, hi + rim


@pytest.fixture(scope="module")
def scan() -> tuple[Floats, NDArray[np.int64]]:
    """The committed scan as trimesh reads it."""
    import trimesh

    mesh = trimesh.load_mesh(SAMPLE / make_sample.SCAN_FILE, process=False)
    return np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.int64)


# ── the files ──────────────────────────────────────────────────────────────────────────────────────────


def test_making_it_again_gives_the_committed_files_to_the_byte(tmp_path: Path) -> None:
    made = make_sample.write_sample(tmp_path)
    assert len(made) == 8
    for path in made:
        assert path.read_bytes() == (SAMPLE / path.name).read_bytes(), path.name


def test_the_sample_folder_holds_at_most_12_megabytes() -> None:
    assert (SAMPLE / make_sample.SCAN_FILE).stat().st_size <= 11.5e6
    assert sum(path.stat().st_size for path in SAMPLE.iterdir()) <= 12e6


def test_a_mesh_library_reads_the_scan_as_it_was_made(scan: tuple[Floats, NDArray[np.int64]]) -> None:
    vertices, faces = hollin262.scan_m()
    assert np.array_equal(scan[0], vertices.astype(np.float32))
    assert np.array_equal(scan[1], faces)
    assert len(faces) > 400_000
    assert np.isfinite(scan[0]).all()


def test_a_layout_without_a_target_line_is_refused() -> None:
    text = (SAMPLE / "vehicle.yaml").read_text(encoding="utf-8").replace("T4: {scan", "T7: {scan")
    with pytest.raises(SystemExit, match="T4"):
        make_sample.with_targets(text, hollin262.target_lines())


# ── the scan ───────────────────────────────────────────────────────────────────────────────────────────


def test_the_scan_is_in_metres_with_y_up_in_axes_of_its_own(scan: tuple[Floats, NDArray[np.int64]]) -> None:
    rotation = hollin262.scanner_rotation()
    assert np.linalg.det(rotation) == pytest.approx(1, abs=1e-9)
    assert np.degrees(np.arccos(rotation[1, 2])) == pytest.approx(1.1, abs=1e-6)  # tilt: the truck's z from Y
    rearward, right = rotation[0, 0], rotation[0, 1]  # shares of X, which the tilt about X leaves alone
    assert np.degrees(np.arctan2(-right, rearward)) == pytest.approx(23.4, abs=1e-6)
    sides = np.ptp(scan[0], axis=0)
    assert (sides < 5).all()
    assert sides[1] == sides.min()
    back = to_vehicle_mm(scan[0])
    assert np.allclose(back.min(axis=0), [-560, -850, 470], atol=3)
    assert np.allclose(back.max(axis=0), [3450, 850, 1123], atol=3)
    origin = scanner_origin_mm()
    assert -500 < origin[0] < 1310  # under the cab
    assert abs(origin[2]) < 100


def test_every_piece_is_one_connected_component(scan: tuple[Floats, NDArray[np.int64]]) -> None:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    vertices, faces = scan
    pairs = np.concatenate([faces[:, :2], faces[:, 1:]])
    links = coo_matrix((np.ones(len(pairs), bool), pairs.T), shape=(len(vertices),) * 2)
    count, label = connected_components(links, directed=False)
    assert count == len(SCANNED)
    firsts = np.cumsum([0, *(len(mesh[0]) for mesh in SCANNED.values())])
    assert len({int(label[first]) for first in firsts[:-1]}) == len(SCANNED)
    assert len(np.unique(scan[0], axis=0)) == len(scan[0])  # so no reader can weld two pieces into one


def test_noise_is_04_mm_along_the_normals_and_drift_02_mm_a_metre(scan: tuple[Floats, NDArray[np.int64]]) -> None:
    true = np.concatenate([mesh[0] for mesh in SCANNED.values()])
    off = to_vehicle_mm(scan[0]) - true
    assert np.sqrt((off**2).sum(axis=1).mean()) == pytest.approx(0.4, rel=0.01)
    assert np.abs(off).max() < 0.4 * 6
    assert np.linalg.norm(off.mean(axis=0)) < 0.01
    firsts = dict(zip(SCANNED, np.cumsum([0, *(len(mesh[0]) for mesh in SCANNED.values())]), strict=False))
    sill = off[firsts["cab_sill_left"] : firsts["cab_sill_right"]]
    assert np.abs(sill[:, :2]).max() < 0.002  # a flat sheet moves along z only; the rest is float32
    assert np.abs(sill[:, 2]).max() > 1
    ends = 1000 * hollin262.to_scanner_m(np.array([[0.0, 0, 0], [1000.0, 0, 0], [0, 1000.0, 0], [0, 0, 1000.0]]))
    assert np.linalg.norm(ends[1:] - ends[0], axis=1) == pytest.approx([1000.2, 1000, 1000], abs=1e-6)


def test_edges_are_fine_near_boxes_and_shafts_and_never_over_10_mm() -> None:
    from scipy.spatial import cKDTree

    boxes: list[tuple[str, Floats, Floats]] = []
    for name in ARRANGEMENTS:
        boxes += [(name, *box_extents(entry)) for entry in merged(name)["parts"].values()]
    boxes.append(("bracket", np.array([1660.0, 325, 560]), np.array([1720.0, 370, 600])))
    ends = [((1330, 0, 480), (2390, 60, 404)), ((690, 120, 480), (235, 120, 402))]
    shafts = cKDTree(np.concatenate([np.linspace(a, b, 500) for a, b in ends]))
    near_faces = 0
    for piece, mesh in SCANNED.items():
        if piece in FLOATERS:
            continue
        longest = longest_edges(mesh)
        assert longest.max() <= 10 + 1e-9, piece
        corners = mesh[0][mesh[1]]
        near = shafts.query(mesh[0])[0][mesh[1]].min(axis=1) < 59 + 50  # to the yokes' circle
        for name, lo, hi in boxes:
            lift = [0, 0, 90] if piece == "bed" and name in ("b", "b2") else [0, 0, 0]
            gap = np.linalg.norm(np.maximum(np.maximum(lo - corners - lift, corners + lift - hi), 0), axis=2)
            near |= gap.min(axis=1) < 59
        assert longest[near].max(initial=0) <= 5 + 1e-9, piece
        near_faces += int(near.sum())
    assert near_faces > 150_000


def test_the_hidden_stretch_is_empty_and_all_round_it_is_metal(scan: tuple[Floats, NDArray[np.int64]]) -> None:
    centres = to_vehicle_mm(scan[0])[scan[1]].mean(axis=1)
    on_face = centres[np.abs(centres[:, 1] - 370) < 3]
    on_face = on_face[(on_face[:, 2] > 522) & (on_face[:, 2] < 638)]
    hidden = (on_face[:, 0] > 1601) & (on_face[:, 0] < 1759)
    assert not hidden.any()
    x, z = np.meshgrid(np.arange(1400.0, 2000, 8), np.arange(526.0, 636, 8))
    asked = np.column_stack([x.ravel(), np.full(x.size, 370.0), z.ravel()])
    gap = distances_to(centres, asked)
    inside = (asked[:, 0] > 1600) & (asked[:, 0] < 1760)
    assert gap[~inside].max() < 5
    middle = (asked[:, 0] > 1640) & (asked[:, 0] < 1720) & (np.abs(asked[:, 2] - 580) < 12)
    assert gap[middle].min() > 15  # what comes nearest is the sensor cube behind, at x 1728 and y 380
    bracket = np.array([[1690.0, 325, 580], [1660.0, 340, 580], [1690.0, 340, 600]])
    assert distances_to(centres, bracket).min() > 20


def distances_to(points: Floats, asked: Floats) -> Floats:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(points).query(asked)[0])


# ── the pieces ─────────────────────────────────────────────────────────────────────────────────────────


def test_every_piece_has_a_test_of_its_normals() -> None:
    others = {"bed", "tank", "exhaust"}
    assert {*TUBES, *CLOSED, *SHEETS, *others, *FLOATERS} == set(PIECES)


@pytest.mark.parametrize("name", TUBES)
def test_rails_and_crossmembers_face_outward_and_have_no_ends(name: str) -> None:
    centre, axis, area = TUBES[name]
    centres, normals = face_vectors(PIECES[name])
    away = centres - centre
    away[:, axis] = 0
    assert (np.einsum("ij,ij->i", away, normals) > 0).all()
    assert np.abs(normals[:, axis]).max() < 1e-9
    assert np.linalg.norm(normals, axis=1).sum() == pytest.approx(area, rel=1e-9)


@pytest.mark.parametrize("name", [*CLOSED, *FLOATERS])
def test_closed_pieces_have_positive_volume_and_no_border(name: str) -> None:
    mesh = PIECES[name]
    centres, normals = face_vectors(mesh)
    volume = np.einsum("ij,ij->", centres - mesh[0].mean(axis=0), normals) / 3
    assert volume == pytest.approx(CLOSED[name], rel=1e-9) if name in CLOSED else volume > 0
    edges = np.concatenate([mesh[1][:, [k, (k + 1) % 3]] for k in range(3)])
    assert {tuple(edge) for edge in edges.tolist()} == {tuple(edge[::-1]) for edge in edges.tolist()}


@pytest.mark.parametrize("name", SHEETS)
def test_single_sheets_face_one_way(name: str) -> None:
    direction, area = SHEETS[name]
    assert face_vectors(PIECES[name])[1] @ direction == pytest.approx(
        np.linalg.norm(face_vectors(PIECES[name])[1], axis=1)
    )
    assert np.linalg.norm(face_vectors(PIECES[name])[1].sum(axis=0)) == pytest.approx(area, rel=1e-9)


def test_the_bed_faces_down_with_eight_joists_and_open_wheel_boxes() -> None:
    vertices, faces = PIECES["bed"]
    centres, normals = face_vectors((vertices, faces))
    flat = np.abs(normals[:, 2]) > 1e-9
    assert (normals[flat, 2] < 0).all()
    assert set(np.unique(vertices[faces[flat]][:, :, 2])) == {640.0, 690.0}
    plan = 2140 * 1700 - 2 * 880 * 250
    assert -normals[:, 2].sum() == pytest.approx(plan, rel=1e-9)
    joist = flat & (np.abs(centres[:, 2] - 640) < 1e-6)
    starts = (1310, 1607, 1904, 2201, 2499, 2796, 3093, 3390)  # pitch 297.1, the first at 1310, the last ends at 3450
    on = np.array([[start < x < start + 60 for start in starts] for x in centres[joist, 0]])
    assert (on.sum(axis=1) == 1).all()
    widths = [1200 if 2180 < start < 3060 else 1700 for start in starts]
    assert -normals[joist, 2] @ on == pytest.approx(60 * np.array(widths), rel=1e-9)
    lowered = np.where(np.min(np.abs(centres[:, :1] - starts), axis=1) < 1e-6, -1, 1)  # a joist's front faces forward
    assert (normals[~flat, 0] * lowered[~flat] > 0).all()
    open_box = (centres[:, 0] > 2180) & (centres[:, 0] < 3060) & (np.abs(centres[:, 1]) > 600)
    assert not open_box.any()


def test_the_tank_is_open_on_top_and_faces_outward() -> None:
    centres, normals = face_vectors(PIECES["tank"])
    assert (np.einsum("ij,ij->i", centres - [1875, -580, 555], normals) > 0).all()
    assert np.linalg.norm(normals, axis=1).sum() == pytest.approx(550 * 240 + 2 * 170 * (550 + 240), rel=1e-9)
    assert normals[:, 2].max() < 1e-9


def test_the_exhaust_is_an_open_pipe_that_faces_outward() -> None:
    vertices, _ = PIECES["exhaust"]
    centres, normals = face_vectors(PIECES["exhaust"])
    away = centres - [0, 300, 500]
    assert np.hypot(vertices[:, 1] - 300, vertices[:, 2] - 500) == pytest.approx(np.full(len(vertices), 25.0), abs=1e-5)
    assert (np.einsum("ij,ij->i", away[:, 1:], normals[:, 1:]) > 0).all()
    assert np.ptp(vertices[:, 0]) == 1900


def test_the_doubled_rail_lies_4_mm_outside_the_rail() -> None:
    vertices, _ = PIECES["left_rail_double"]
    assert (vertices.min(axis=0) == [200, -434, 520]).all()
    assert (vertices.max(axis=0) == [600, -434, 640]).all()
    assert PIECES["left_rail"][0][:, 1].min() == -430


def test_floaters_are_small_and_far_from_everything() -> None:
    assert len(FLOATERS) == 12
    rest = np.concatenate([mesh[0] for name, mesh in PIECES.items() if name not in FLOATERS])
    raised_bed = PIECES["bed"][0] + [0, 0, 90]
    lows, highs = zip(*(box_extents(e) for n in ARRANGEMENTS for e in merged(n)["parts"].values()), strict=True)
    for name, (vertices, faces) in FLOATERS.items():
        assert 4 <= len(faces) <= 30
        assert distances_to(np.concatenate([rest, raised_bed]), vertices).min() > 30 + 10, name
        others = np.concatenate([mesh[0] for other, mesh in FLOATERS.items() if other != name])
        assert distances_to(others, vertices).min() > 30 + 25
        for lo, hi in zip(lows, highs, strict=True):
            assert np.linalg.norm(np.maximum(np.maximum(lo - vertices, vertices - hi), 0), axis=1).min() > 100
        assert vertices[:, 2].min() > 850  # nor the lowest point, nor in the way of any angle
        assert vertices[:, 0].min() > -500
        assert vertices[:, 0].max() < 3400


@pytest.mark.parametrize(
    ("entry", "piece"), [("remove.exhaust", "exhaust"), ("remove.tank", "tank"), ("move.bed", "bed")]
)
def test_the_point_in_the_layout_picks_that_piece_and_no_other(entry: str, piece: str) -> None:
    kind, name = entry.split(".")
    at = load("b" if kind == "move" else "vehicle")["scan"][kind][name]["piece"]["at"]
    near = {other: distances_to(mesh[0], np.array([at], dtype=np.float64))[0] for other, mesh in SCANNED.items()}
    assert near.pop(piece) < 5
    assert min(near.values()) > 20


# ── the targets ────────────────────────────────────────────────────────────────────────────────────────


def best_fit(scan_mm: Floats, taped: Floats) -> Floats:
    """The scan points after the proper rigid move that fits ``taped`` best. Source: Arun, Huang, Blostein 1987."""
    p, q = scan_mm - scan_mm.mean(axis=0), taped - taped.mean(axis=0)
    u, _, vt = np.linalg.svd(p.T @ q)
    rotation = vt.T @ np.diag([1, 1, np.linalg.det(vt.T @ u.T)]) @ u.T
    assert np.linalg.det(rotation) == pytest.approx(1)
    return np.asarray(p @ rotation.T + taped.mean(axis=0))


def test_the_targets_recover_the_truck_within_15_mm() -> None:
    targets = load("vehicle")["scan"]["align"]["targets"]
    assert list(targets) == list(hollin262.TARGETS_MM)
    scan_mm = 1000 * np.array([target["scan"] for target in targets.values()])
    taped = np.array([target["vehicle"] for target in targets.values()], dtype=np.float64)
    true = np.array(list(hollin262.TARGETS_MM.values()), dtype=np.float64)
    found = best_fit(scan_mm, taped)
    assert np.linalg.norm(found - true, axis=1).max() < 1.5
    residual = np.linalg.norm(found - taped, axis=1)
    assert residual.max() < 5
    assert residual.max() > 1  # a tape is no micrometer
    assert np.abs(taped - true).max() >= 2
    assert (taped == np.round(taped)).all()


def test_the_frames_diagonals_tape_3590() -> None:
    layout = load("vehicle")["scan"]
    where = {name: 1000 * np.array(target["scan"]) for name, target in layout["align"]["targets"].items()}
    assert layout["scale_bars"] == [{"between": ["T1", "T4"], "length": 3590.3}]
    assert np.hypot(3500, 800) == pytest.approx(3590.3, abs=0.05)  # closed form
    for one, two in (("T1", "T4"), ("T2", "T3")):
        assert np.linalg.norm(where[one] - where[two]) == pytest.approx(3590.3, rel=5e-4)


# ── the layouts ────────────────────────────────────────────────────────────────────────────────────────


def test_every_arrangement_has_its_boxes_by_name() -> None:
    names = {name: list(merged(name)["parts"]) for name in ARRANGEMENTS}
    assert names["a"] == names["a2"] == ["A1", "A2", "A3", "A4"]
    assert names["d"] == ["D1", "D2"]
    assert names["b"] == names["b2"] == ["B1", "B2"]
    assert {*load("vehicle")["parts"]} >= {"rear_shaft", "front_shaft", "drive_unit", "brake_pipe"}
    assert [*load("vehicle")["load_states"]] == ["kerb", "driver", "laden"]


@pytest.mark.parametrize(
    ("name", "mass"),
    [("a", 4 * 55.5), ("a2", 2 * 55.5 + 48.3 + 62.7), ("d", 216.0), ("b", 214.5), ("b2", 214.5)],
)
def test_box_masses_add_up_and_every_centre_lies_in_its_box(name: str, mass: float) -> None:
    parts = merged(name)["parts"]
    assert sum(part["mass"] for part in parts.values()) == pytest.approx(mass)
    for part in parts.values():
        lo, hi = box_extents(part)
        assert part["class"] == "hv_box"
        assert (lo < part["cg"]).all()
        assert (hi > part["cg"]).all()
        assert part["cg"][0] == pytest.approx((lo[0] + hi[0]) / 2)  # modules fill the length


def test_boxes_of_one_arrangement_do_not_meet_each_other() -> None:
    for name in ARRANGEMENTS:
        for one, two in combinations(merged(name)["parts"].values(), 2):
            (lo, hi), (other_lo, other_hi) = box_extents(one), box_extents(two)
            assert np.maximum(other_lo - hi, lo - other_hi).max() > 5


def test_the_three_loose_hv_boxes_do_not_meet_as_they_stand() -> None:
    parts = load("vehicle")["parts"]
    extents = {}
    for name in ("charger", "inverter", "hv_junction"):
        size = np.array(parts[name]["box"]["size"], dtype=np.float64)
        place = parts[name]["place"]
        centre = np.array(place["at"]) + (size / 2 if "corner" in place else 0)  # front left bottom: least corner
        assert centre == pytest.approx(np.array(parts[name]["cg"], dtype=np.float64))
        extents[name] = (centre - size / 2, centre + size / 2)
    for (lo, hi), (other_lo, other_hi) in combinations(extents.values(), 2):
        assert np.maximum(other_lo - hi, lo - other_hi).max() > 20


def test_the_ledger_of_the_vehicle_is_the_data_sheets() -> None:
    vehicle = load("vehicle")
    weights = vehicle["weights"]
    assert sum(weights["as_weighed"].values()) == 1480
    removed = [*weights["removed"].values(), *vehicle["scan"]["remove"].values()]
    assert sum(entry["mass"] for entry in removed) == 238 + 96 + 24 + 19 + 44 + 18
    shaped = [part["mass"] for part in vehicle["parts"].values() if "mass" in part]
    bare = [entry["mass"] for entry in weights["added"].values()]
    assert sum(shaped) + sum(bare) == 118 + 14 + 21 + 9 + 8 + 16 + 12 + 6


def test_b_raises_bed_and_cargo_together() -> None:
    layout, vehicle = load("b"), load("vehicle")
    before, after = (data["load_states"]["laden"]["cargo"]["cg"] for data in (vehicle, layout))
    assert layout["scan"]["move"]["bed"]["by"] == [0, 0, 90]
    assert after == [before[0], before[1], before[2] + 90]


def laid_over(base: dict[str, Any], top: dict[str, Any]) -> dict[str, Any]:
    """Mappings key by key; anything else of ``top`` replaces."""
    out = dict(base)
    for key, value in top.items():
        inherited = out.get(key)
        out[key] = laid_over(inherited, value) if isinstance(inherited, dict) and isinstance(value, dict) else value
    return out


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_every_layout_over_its_vehicle_is_one_that_the_format_allows(name: str) -> None:
    from fitcheck.layout.schema import LayoutEntries

    layers = [load(name)]
    while "based_on" in layers[0]:
        layers.insert(0, load(layers[0]["based_on"].removesuffix(".yaml")))
    whole = load("vehicle")
    for layer in layers:
        whole = laid_over(whole, layer)
    read = LayoutEntries.model_validate(whole)
    assert {"rear_shaft", "front_shaft", "brake_pipe", *merged(name)["parts"]} <= set(read.parts)
