"""From a scan file to layers in the vehicle frame: the right size, the right place, nothing lost, nothing bridged."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import oracle
import pytest
import scans
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapes import box_mesh
from test_align import PLACES

from fitcheck.errors import AlignmentError, FileProblem, InternalError, MeshError, ScanError
from fitcheck.geometry.surface import TiledSurface
from fitcheck.scan.prepare import PreparedScan, prepare_scan
from fitcheck.scan.remove import cut_scan, point_triangle_distances, region_distance_mm
from fitcheck.scan.spec import UNIT_MM, Removal, ScaleBar, ScanSpec, Shift, Target
from fitcheck.scan.units import unit_meant
from fitcheck.vehicle.scene import Region

Floats = NDArray[np.float64]
Prepare = Callable[[ScanSpec], PreparedScan]

TANK = Region("box", lo=(1590, -710, 460), hi=(2160, -450, 610))
EMPTY = Region("box", lo=(100, 100, 900), hi=(200, 200, 1000))


@pytest.fixture
def prepare(tmp_path: Path) -> Prepare:
    """prepare_scan with a cache of its own."""

    def run(spec: ScanSpec) -> PreparedScan:
        return prepare_scan(spec, cache_dir=tmp_path / "cache")

    return run


@pytest.fixture
def plain(tmp_path: Path) -> ScanSpec:
    """The truck as scanned: already in mm in the vehicle frame."""
    return ScanSpec(scans.write_scan(tmp_path / "plain.ply", *scans.truck()), "mm", origin="vehicle.yaml:3")


def distance_to(surface: TiledSurface, point: tuple[float, float, float]) -> float:
    return float(point_triangle_distances(point, surface.vertices[surface.faces]).min())


# --- units ------------------------------------------------------------------------------------------------------------


def test_one_mesh_in_m_mm_and_inch_is_one_prepared_scan(tmp_path: Path, prepare: Prepare) -> None:
    """Every unit gives the same triangles within 1e-6 mm, as scanned and by targets (silent error 3)."""
    vertices, faces = scans.truck()
    reference = scans.triangle_set(
        prepare(ScanSpec(scans.write_scan(tmp_path / "a.ply", vertices, faces), "mm")).layers.metal
    )
    for unit, mm in UNIT_MM.items():
        path = scans.write_scan(tmp_path / f"{unit}.ply", vertices, faces, mm)
        metal = prepare(ScanSpec(path, unit)).layers.metal
        assert np.abs(scans.triangle_set(metal) - reference).max() < 1e-6
        targets = tuple(Target(n, tuple(np.array(p) / mm), p) for n, p in PLACES.items())
        metal = prepare(ScanSpec(path, unit, targets)).layers.metal
        assert np.abs(scans.triangle_set(metal) - reference).max() < 1e-6


def test_the_scanner_s_axes_become_the_vehicle_s(tmp_path: Path, prepare: Prepare) -> None:
    """Metres, y up, turned 23.4° and tilted 1.1°: back in the vehicle frame to rounding (known move)."""
    vertices, faces = scans.truck()
    expected = prepare(ScanSpec(scans.write_scan(tmp_path / "v.ply", vertices, faces), "mm"))
    prepared = prepare(scans.scanner_scan(tmp_path))
    assert np.abs(scans.triangle_set(prepared.layers.metal) - scans.triangle_set(expected.layers.metal)).max() < 1e-6
    assert prepared.alignment is not None
    assert expected.alignment is None


def test_x_forward_is_the_same_truck_turned_about_z(tmp_path: Path, prepare: Prepare) -> None:
    """(x, y, z) → (−x, −y, z), a proper rotation: ISO 8855 to ISO 4130 (row A6)."""
    box = box_mesh([1000, 300, 200], [3000, 500, 400])
    path = scans.write_scan(tmp_path / "iso.ply", *box)
    metal = prepare(ScanSpec(path, "mm", frame="x forward")).layers.metal
    assert metal.vertices.min(axis=0).tolist() == [-3000, -500, 200]
    assert metal.vertices.max(axis=0).tolist() == [-1000, -300, 400]
    a, b, c = (metal.vertices[metal.faces[:, k]] for k in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0
    assert volume == pytest.approx(2000 * 200 * 200)  # positive: not mirrored (row A9)


def test_a_frame_beside_targets_or_an_unknown_word_is_refused(
    tmp_path: Path, prepare: Prepare, plain: ScanSpec
) -> None:
    """Either would turn the truck round unnoticed."""
    with pytest.raises(ScanError, match="is turned by its targets"):
        prepare(replace(scans.scanner_scan(tmp_path), frame="x forward"))
    with pytest.raises(ScanError, match=r"vehicle\.yaml:3: frame 'forward' is not known"):
        prepare(replace(plain, frame="forward"))
    with pytest.raises(ScanError, match="scan unit 'yd' is not known"):
        prepare(replace(plain, unit="yd"))


BAR = ScaleBar(("T1", "T4"), math.dist(PLACES["T1"], PLACES["T4"]), "vehicle.yaml:9")


@pytest.mark.parametrize(("share", "fails"), [(0.0049, False), (-0.0049, False), (0.0051, True), (-0.0051, True)])
def test_a_scale_bar_may_be_off_by_half_a_percent(tmp_path: Path, prepare: Prepare, share: float, fails: bool) -> None:
    """Both diagonals are 3590.3 mm; 0.49 % passes, 0.51 % stops with both lengths."""
    spec = scans.scanner_scan(tmp_path)
    spec = replace(spec, scale_bars=(replace(BAR, length_mm=BAR.length_mm / (1 + share)),))
    if fails:
        with pytest.raises(
            ScanError, match=r"vehicle\.yaml:9: scale bar T1 to T4: the scan has 3590\.3 mm, the tape .*0\.51 %"
        ):
            prepare(spec)
    else:
        prepare(spec)


@pytest.mark.parametrize("with_bar", [True, False])
@pytest.mark.parametrize(
    ("really", "declared", "ratio"),
    [
        ("in", "mm", "25.4 times too short"),
        ("mm", "in", "25.4 times too long"),
        ("m", "mm", "1000 times too short"),
        ("mm", "m", "1000 times too long"),
        ("cm", "mm", "10 times too short"),
        ("mm", "cm", "10 times too long"),
        ("ft", "mm", "304.8 times too short"),
        ("mm", "ft", "304.8 times too long"),
    ],
)
def test_a_wrong_unit_is_named(
    tmp_path: Path, prepare: Prepare, really: str, declared: str, ratio: str, with_bar: bool
) -> None:
    """25.4, 1000, 10, 304.8 and their inverses, by a scale bar and by the targets alone."""
    words = {"mm": "mm", "cm": "cm", "m": "metres", "in": "inches", "ft": "feet"}
    spec = scans.scanner_scan(tmp_path)
    targets = tuple(replace(t, scan=tuple(np.array(t.scan) * 1000 / UNIT_MM[really])) for t in spec.targets)
    spec = replace(spec, unit=declared, targets=targets, scale_bars=(BAR,) if with_bar else ())
    with pytest.raises(ScanError) as caught:
        prepare(spec)
    assert ratio in str(caught.value)
    assert f"looks like {words[really]} read as {words[declared]}" in str(caught.value)


def test_a_scale_bar_needs_two_known_targets_and_a_length(tmp_path: Path, prepare: Prepare) -> None:
    """A misspelt end and a length of zero or NaN."""
    spec = scans.scanner_scan(tmp_path)
    with pytest.raises(ScanError, match="there is no target 'T9'"):
        prepare(replace(spec, scale_bars=(ScaleBar(("T1", "T9"), 3590.0),)))
    for length in (0.0, -5.0, math.nan, math.inf):
        with pytest.raises(ScanError, match="Give its taped length"):
            prepare(replace(spec, scale_bars=(ScaleBar(("T1", "T4"), length),)))


@pytest.mark.parametrize(("unit", "guess"), [("m", "for mm"), ("cm", "for mm"), ("in", "for mm"), ("ft", "for mm")])
def test_a_scan_of_no_vehicle_s_size_is_refused(prepare: Prepare, plain: ScanSpec, unit: str, guess: str) -> None:
    """A 4000 mm long truck read in any other unit is outside 0.5 to 30 m; the message guesses the unit."""
    with pytest.raises(ScanError, match=guess):
        prepare(replace(plain, unit=unit))


def test_a_number_that_suggests_two_units_names_both_and_a_plausible_one_is_a_note(
    tmp_path: Path, prepare: Prepare
) -> None:
    """260 may be centimetres or inches; 4 feet is possible but unusual, so it is said."""
    vertices, faces = box_mesh([0, 0, 0], [260, 100, 100])
    with pytest.raises(ScanError, match="usual for inches or cm"):
        prepare(ScanSpec(scans.write_scan(tmp_path / "b.ply", vertices, faces), "mm"))
    path = scans.write_scan(tmp_path / "s.ply", vertices / 65, faces)
    assert "usual for metres; it was read in feet" in prepare(ScanSpec(path, "ft")).layers.notes[0]
    assert not any("check its unit" in note for note in prepare(ScanSpec(path, "m")).layers.notes)


def test_no_unit_is_guessed_without_a_reason() -> None:
    """A ratio of 1, of 1.3, none, zero and NaN name nothing."""
    assert [unit_meant(ratio, "mm") for ratio in (1.0, 1.3, None, 0.0, math.nan)] == [None] * 5


def test_swapped_and_mistyped_targets_stop_the_preparing(tmp_path: Path, prepare: Prepare) -> None:
    """Left and right exchanged: an AlignmentError and nothing in the cache."""
    spec = scans.scanner_scan(tmp_path)
    mirrored = tuple(replace(t, vehicle=(t.vehicle[0], -t.vehicle[1], t.vehicle[2])) for t in spec.targets)
    with pytest.raises(AlignmentError, match="left and right"):
        prepare(replace(spec, targets=mirrored))
    assert not (tmp_path / "cache").exists()


# --- nothing lost, nothing bridged ------------------------------------------------------------------------------------


def test_a_6_mm_rod_and_a_60_mm_window_survive_preparing(prepare: Prepare, plain: ScanSpec) -> None:
    """Distance to the rod from beside it, and to the sheet from the window's middle (closed forms; silent error 15)."""
    metal = prepare(plain).layers.metal
    vertices, faces = scans.truck()
    assert metal.triangle_count == len(faces)
    rod_side = 3.0 * math.cos(math.pi / 12)  # a 12-sided prism's face stands that far from its axis
    for x in (700.0, 1000.0, 1300.0):
        assert distance_to(metal, (x, 300.0, 500.0)) == pytest.approx(rod_side, abs=1e-9)
    around = np.abs(vertices[:, :2] - scans.WINDOW_AT).max(axis=1) < 11.0  # the four grid points inside the window
    height = float(vertices[around, 2].mean())
    assert distance_to(metal, (*scans.WINDOW_AT, height)) == pytest.approx(scans.WINDOW_MM / 2, abs=0.05)


def test_every_triangle_is_kept_as_it_was_scanned(prepare: Prepare, plain: ScanSpec) -> None:
    """The set of triangles before and after is the same to the last bit; spacing is the median edge."""
    vertices, faces = scans.truck()
    prepared = prepare(plain).layers
    before = vertices[faces].reshape(-1, 9)
    after = prepared.metal.vertices[prepared.metal.faces].reshape(-1, 9)
    assert np.array_equal(before[np.lexsort(before.T)], after[np.lexsort(after.T)])
    edges = np.linalg.norm(vertices[faces] - np.roll(vertices[faces], 1, axis=1), axis=2)
    assert prepared.spacing_mm == pytest.approx(float(np.median(edges)), rel=0.05)


# --- removal and shift ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("entry", [{"region": TANK}, {"piece_at": (1875.0, -580.0, 600.0)}])
def test_a_removed_tank_is_a_layer_of_its_own(prepare: Prepare, plain: ScanSpec, entry: dict[str, Any]) -> None:
    """By box and by connected piece: 12 faces come off, and together the layers are what was scanned."""
    whole = prepare(plain).layers
    layers = prepare(replace(plain, removals=(Removal("tank", **entry),))).layers
    assert layers.removed["tank"].triangle_count == 12
    assert layers.metal.triangle_count == whole.metal.triangle_count - 12
    assert layers.removed["tank"].vertices.min(axis=0).tolist() == [1600, -700, 470]
    assert distance_to(layers.metal, (1875.0, -580.0, 600.0)) > 15.0
    assert layers.notes[0] == f"removed tank: 12 of {whole.metal.triangle_count} faces"


def test_a_piece_hangs_together_by_position_not_by_number(tmp_path: Path, prepare: Prepare) -> None:
    """In an STL no triangle shares a vertex with another: the tank still comes off whole, and alone."""
    path = mf.save(tmp_path, "truck.stl", mf.stl_bytes(*scans.truck()))
    layers = prepare(ScanSpec(path, "mm", removals=(Removal("tank", piece_at=(1875.0, -580.0, 600.0)),))).layers
    assert layers.removed["tank"].triangle_count == 12


def test_the_nearest_piece_is_by_triangle_not_by_vertex() -> None:
    """Two large triangles 10 mm above the place win over a speck whose vertex is 40 mm away (silent error 6)."""
    plate = (
        np.array([[-1000.0, -1000, 0], [1000, -1000, 0], [1000, 1000, 0], [-1000, 1000, 0]]),
        np.array([[0, 1, 2], [0, 2, 3]]),
    )
    speck = box_mesh([-1, -1, -51], [1, 1, -50])
    vertices, faces = mf.join((plate[0], plate[1].astype(np.int32)), speck)
    cut = cut_scan(vertices, faces, removals=(Removal("plate", piece_at=(300.0, 100.0, -10.0)),))
    assert len(cut.removed["plate"]) == 2
    assert len(cut.faces) == 12


def test_a_face_belongs_to_a_region_only_wholly(prepare: Prepare, plain: ScanSpec) -> None:
    """A box that reaches to half of the tank holds none of its large side faces, and says so when that is all."""
    half = Region("box", lo=(1590, -710, 480), hi=(1900, -450, 610))
    with pytest.raises(ScanError, match=r"it cuts through \d+ faces and holds none of them wholly"):
        prepare(replace(plain, removals=(Removal("tank", region=half, origin="vehicle.yaml:20"),)))


def test_a_removal_that_meets_nothing_says_how_far_the_metal_is(prepare: Prepare, plain: ScanSpec) -> None:
    """Its file and line, and the distance to the nearest scanned point."""
    vertices = scans.truck()[0]
    expected = region_distance_mm(EMPTY, vertices).min()
    with pytest.raises(
        ScanError, match=rf"^vehicle\.yaml:21: removal 'ghost': no face .* is {expected:.1f} mm away, at \("
    ):
        prepare(replace(plain, removals=(Removal("ghost", region=EMPTY, origin="vehicle.yaml:21"),)))
    with pytest.raises(ScanError, match=r"removal 'ghost': the nearest metal is \d+\.\d mm from its place"):
        prepare(replace(plain, removals=(Removal("ghost", piece_at=(150.0, 150.0, 950.0)),)))
    with pytest.raises(ScanError, match="shift 'ghost': no face"):
        prepare(replace(plain, shifts=(Shift("ghost", (0, 0, 1), region=EMPTY),)))


def test_removals_claim_once_and_never_all() -> None:
    """A second entry on the same faces, one name twice, and one that leaves nothing are errors."""
    vertices, faces = scans.truck()
    tank = Removal("tank", region=TANK)
    with pytest.raises(ScanError, match="removed by an earlier entry"):
        cut_scan(vertices, faces, removals=(tank, Removal("again", region=TANK)))
    with pytest.raises(ScanError, match="given twice"):
        cut_scan(vertices, faces, removals=(tank, tank))
    world = Region("sphere", start=(0, 0, 0), radius_mm=1e5)
    with pytest.raises(ScanError, match="nothing is left"):
        cut_scan(vertices, faces, removals=(tank, Removal("all", region=world)))
    for neither in (Removal("x"), Removal("x", region=TANK, piece_at=(0, 0, 0))):
        with pytest.raises(InternalError):
            cut_scan(vertices, faces, removals=(neither,))
    with pytest.raises(ScanError, match="Give three finite lengths"):
        cut_scan(vertices, faces, shifts=(Shift("x", (0, math.nan, 0), region=TANK),))


def test_a_shift_moves_its_faces_and_stretches_no_neighbour(prepare: Prepare, plain: ScanSpec) -> None:
    """A strip of the sheet goes up by 90: it stays metal, its neighbours keep every corner."""
    strip = Region("box", lo=(2000, -1000, 600), hi=(2500, 1000, 700))
    whole = prepare(plain).layers.metal
    layers = prepare(replace(plain, shifts=(Shift("bed", (0, 0, 90), region=strip),))).layers
    assert layers.removed == {}
    assert layers.metal.triangle_count == whole.triangle_count
    before, after = (s.vertices[s.faces] for s in (whole, layers.metal))
    inside = strip.contains(before.reshape(-1, 3)).reshape(-1, 3).all(axis=1)
    expected = before + np.where(inside[:, None, None], [0.0, 0, 90], 0.0)
    expected, after = expected.reshape(-1, 9), after.reshape(-1, 9)
    assert inside.any()
    assert np.array_equal(expected[np.lexsort(expected.T)], after[np.lexsort(after.T)])


def test_removals_and_shifts_are_chosen_where_they_were_scanned() -> None:
    """A removal's region does not meet what a shift brings into it, and a removed face is not moved."""
    vertices, faces = scans.truck()
    up = Shift("tank up", (0, 0, 1000), region=TANK)
    above = Region("box", lo=(1590, -710, 1460), hi=(2160, -450, 1610))
    with pytest.raises(ScanError, match="no face of the scan lies in it"):
        cut_scan(vertices, faces, removals=(Removal("above", region=above),), shifts=(up,))
    cut = cut_scan(vertices, faces, removals=(Removal("tank", region=TANK),), shifts=(up,))
    assert cut.vertices[cut.removed["tank"]][:, :, 2].max() == 600.0
    assert cut.vertices[cut.faces][:, :, 2].max() < 700.0


REGIONS = {
    "box": Region("box", lo=(-10, -20, -30), hi=(40, 50, 60)),
    "sphere": Region("sphere", start=(5, 6, 7), radius_mm=30),
    "cylinder": Region("cylinder", start=(0, 0, 0), end=(30, 40, 0), radius_mm=20),
    "capsule": Region("capsule", start=(0, 0, 0), end=(30, 40, 0), radius_mm=20),
}


@pytest.mark.parametrize("kind", REGIONS)
def test_distance_to_a_region_is_the_nearest_of_its_points(kind: str) -> None:
    """Against 300,000 points drawn inside: never farther than one of them, and one is nearly as near (other road)."""
    chance = np.random.default_rng(5)
    inside = chance.uniform(-80, 80, (300_000, 3))
    inside = inside[REGIONS[kind].contains(inside)]
    points = chance.uniform(-150, 150, (40, 3))
    distances = region_distance_mm(REGIONS[kind], points)
    drawn = np.array([np.linalg.norm(inside - p, axis=1).min() for p in points])
    assert (distances <= drawn + 1e-9).all()
    assert (distances >= drawn - 6.0).all()
    assert (region_distance_mm(REGIONS[kind], inside[:100]) == 0.0).all()


@settings(max_examples=200, deadline=None)
@given(seed=st.integers(0, 10**6), scale=st.sampled_from([0.0, 1e-6, 1.0]))
def test_point_to_triangle_agrees_with_the_oracle(seed: int, scale: float) -> None:
    """Random, needle and segment triangles against the brute-force oracle."""
    chance = np.random.default_rng(seed)
    corners = chance.normal(0, 100, 3) + chance.normal(0, 100, (3, 3)) * [[1], [1], [scale]]
    corners[2] = corners[2] if scale else corners[chance.integers(0, 2)]
    point = chance.normal(0, 100, 3)
    expected = float(oracle.point_triangle_distances(point[None], corners[None])[0])
    assert float(point_triangle_distances(point, corners[None])[0]) == pytest.approx(expected, abs=1e-6)


# --- bad files --------------------------------------------------------------------------------------------------------


def test_a_scan_that_cannot_be_used_leaves_no_cache(tmp_path: Path, prepare: Prepare) -> None:
    """Missing, empty, cut, NaN, all-zero, no points: the reader's clear error, and no half-made entry."""
    vertices, faces = scans.truck()
    nan = vertices.copy()
    nan[7, 2] = np.nan
    whole = mf.ply_bytes(vertices, faces)
    cases = {
        "empty": (b"", "is empty"),
        "cut": (whole[:-1000], "its header promises"),
        "nan": (mf.ply_bytes(nan, faces), "vertex 7"),
        "zero": (mf.ply_bytes(vertices * 0, faces), "lie at 0, 0, 0"),
        "nothing": (mf.ply_header(0, 0), "0 vertices"),
    }
    with pytest.raises(FileProblem, match="there is no such file"):
        prepare(ScanSpec(tmp_path / "gone.ply", "mm"))
    for name, (data, wrong) in cases.items():
        with pytest.raises(MeshError, match=wrong):
            prepare(ScanSpec(mf.save(tmp_path, f"{name}.ply", data), "mm"))
    assert not (tmp_path / "cache").exists()
