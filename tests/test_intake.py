"""fitcheck scan, the figures: closed forms on made-up surfaces, and the sample, whose flaws are known.

Source of the sample's flaws: scripts/hollin262 puts them in (noise 0.4, left rail doubled 4 mm over x 200 to 600,
twelve specks, a 40 mm cube in the right rail, its inner face unscanned over x 1600 to 1760).
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import mesh_files as mf
import numpy as np
import pytest
from mesh_files import Faces, Floats, join
from shapes import box_mesh

from fitcheck.errors import FileProblem, InputError, MeshError, ScanError
from fitcheck.geometry.borders import topology
from fitcheck.layout import read_layout
from fitcheck.layout.build_scan import scan_spec
from fitcheck.scan.intake.drift import slope_of
from fitcheck.scan.intake.flaws import flaws_of
from fitcheck.scan.intake.holes import holes_of
from fitcheck.scan.intake.look import Asked, Looked, look_at
from fitcheck.scan.intake.loose import ALONE_MM, boxes_of, loose_pieces
from fitcheck.scan.intake.noise import noise_of
from fitcheck.scan.intake.patches import patches_at
from fitcheck.scan.intake.samples import Places, places_of
from fitcheck.scan.intake.scale import guess_unit
from fitcheck.scan.intake.skins import skins_of
from fitcheck.scan.spec import ScanSpec

SAMPLE = Path(__file__).parents[1] / "sample_meshes" / "hollin262"


def sheet(
    lo: tuple[float, float, float], wide: float, deep: float, step: float = 5.0, *, down: bool = False
) -> tuple[Floats, Faces]:
    """A level sheet from a corner, looking up, or down."""
    nx, ny = round(wide / step) + 1, round(deep / step) + 1
    vertices, faces = mf.grid(nx, ny, lo=lo, hi=[lo[0] + wide, lo[1] + deep, lo[2]])
    return vertices, faces[:, ::-1].copy() if down else faces


def rough(mesh: tuple[Floats, Faces], sigma: float, seed: int = 1) -> tuple[Floats, Faces]:
    """The mesh with noise along z."""
    vertices = mesh[0].copy()
    vertices[:, 2] += np.random.default_rng(seed).normal(0.0, sigma, len(vertices))
    return vertices, mesh[1]


def fine_box(
    lo: tuple[float, float, float], hi: tuple[float, float, float], step: float = 10.0
) -> tuple[Floats, Faces]:
    """A closed box of small triangles, not welded along its edges."""
    sides = []
    for axis, end in itertools.product(range(3), (0, 1)):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        flat, faces = mf.grid(round((hi[u] - lo[u]) / step) + 1, round((hi[v] - lo[v]) / step) + 1,
                              lo=[lo[u], lo[v], 0.0], hi=[hi[u], hi[v], 0.0])  # fmt: skip
        points = np.empty_like(flat)
        points[:, u], points[:, v], points[:, axis] = flat[:, 0], flat[:, 1], (lo, hi)[end][axis]
        sides.append((points, faces if end else faces[:, ::-1].copy()))
    return join(*sides)


def noise_sigma(places: Places) -> float | None:
    rows = places.drawn(2000)
    found = noise_of(patches_at(places, places.at(rows), places.directions(rows)), places.patch_mm)
    return None if found is None else found.sigma_mm


def loose(*meshes: tuple[Floats, Faces]):
    places = places_of(*join(*meshes))
    found = topology(places.vertices, places.faces)
    return loose_pieces(places, found, boxes_of(places, found))


def holes(vertices: Floats, faces: Faces):
    places = places_of(vertices, faces)
    return holes_of(places, topology(vertices, faces))[0]


# -- noise --


@pytest.mark.parametrize("sigma", [0.1, 0.4, 1.5])
def test_the_noise_of_a_plane_is_found_within_a_tenth(sigma):
    assert noise_sigma(places_of(*rough(sheet((0, 0, 0), 1500, 1000), sigma))) == pytest.approx(sigma, rel=0.10)


def test_the_noise_of_a_curved_panel_is_that_of_the_scanner_and_not_its_shape():
    """A bonnet's curve of 600 mm radius stands 0.7 mm off its chord over a patch of 30 mm at 5 mm spacing."""
    vertices, faces = rough(sheet((0, 0, 0), 800, 800), 0.3)
    vertices[:, 2] += np.sqrt(600.0**2 - (vertices[:, 0] - 400.0) ** 2)
    assert noise_sigma(places_of(vertices, faces)) == pytest.approx(0.3, rel=0.12)


def test_edges_steps_and_doubled_skins_do_not_count_as_noise():
    flat = sheet((0, 0, 0), 1500, 600)
    vertices, faces = join(flat, sheet((0, 0, 4), 400, 600))
    vertices[:, 2] += np.where(vertices[:, 0] % 100 < 50, 0.0, 12.0)  # a step every 50 mm
    assert noise_sigma(places_of(*rough((vertices, faces), 0.4))) == pytest.approx(0.4, rel=0.15)


def test_a_mesh_that_was_drawn_has_no_noise():
    assert noise_sigma(places_of(*sheet((0, 0, 0), 1500, 1000))) == 0.0


def test_of_too_few_patches_no_noise_is_told():
    assert noise_sigma(places_of(*box_mesh([0, 0, 0], [1000, 500, 300]))) is None


# -- skins --


def skins(*meshes: tuple[Floats, Faces], sigma: float = 0.3):
    return skins_of(places_of(*rough(join(*meshes), sigma)), sigma)


def test_two_sheets_4_mm_apart_that_face_the_same_way_are_a_doubled_skin():
    """300 × 200 mm over one of 1500 × 1000: 600 cm², in its place."""
    found = skins(sheet((0, 0, 0), 1500, 1000), sheet((900, 500, 4), 300, 200))
    assert len(found.doubled) == 1
    one = found.doubled[0]
    assert one.separation_mm == pytest.approx(4.0, abs=0.2)
    assert one.area_cm2 == pytest.approx(600.0, rel=0.1)
    np.testing.assert_allclose(np.array(one.box_mm)[:, :2], [[900, 500], [1200, 700]], atol=12.0)
    assert found.both_sides is None


def test_two_sheets_4_mm_apart_that_face_away_from_each_other_are_sheet_metal():
    found = skins(sheet((0, 0, 0), 1500, 1000, down=True), sheet((900, 500, 4), 300, 200))
    assert found.doubled == ()
    assert found.both_sides.thickness_mm == pytest.approx(4.0, abs=0.2)
    assert found.both_sides.area_cm2 == pytest.approx(600.0, rel=0.25)


def test_what_is_further_apart_than_15_mm_is_two_things():
    found = skins(sheet((0, 0, 0), 1500, 1000), sheet((900, 500, 16.5), 300, 200))
    assert found.doubled == ()
    assert found.both_sides is None


def test_the_back_of_a_sheet_between_two_skins_keeps_them_apart():
    """A plate seen from both sides, and another on it: the first that is met decides."""
    plate = join(sheet((0, 0, 0), 1500, 1000), sheet((0, 0, -3), 1500, 1000, down=True))
    other = sheet((900, 500, 6), 300, 200)
    under = sheet((900, 500, 3), 300, 200, down=True)
    assert skins(plate, other, under).doubled == ()


# -- holes --


def test_a_hole_in_a_sheet_is_found_with_its_size_and_place():
    """100 × 60 cut out of a sheet: a loop of 320 mm around its middle; the sheet's own end is told apart."""
    vertices, faces = sheet((0, 0, 50), 800, 400, 10.0)
    centres = vertices[faces].mean(axis=1)
    gone = (np.abs(centres[:, 0] - 550.0) < 50.0) & (np.abs(centres[:, 1] - 230.0) < 30.0)
    outer, inner = holes(vertices, faces[~gone])
    assert outer.outer
    assert not inner.outer
    assert (outer.number, inner.number) == (1, 2)
    assert inner.edge_mm == pytest.approx(320.0)
    assert (inner.across_mm, inner.narrow_mm) == pytest.approx((100.0, 60.0), rel=0.02)
    assert inner.place_mm == pytest.approx((550.0, 230.0, 50.0))
    assert inner.box_mm == ((500.0, 200.0, 50.0), (600.0, 260.0, 50.0))
    assert inner.closed


def test_a_closed_box_has_no_hole_and_without_its_lid_it_has_one():
    vertices, faces = box_mesh([0, 0, 0], [300, 200, 100])
    assert holes(vertices, faces) == ()
    normals = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    (lid,) = holes(vertices, faces[normals[:, 2] <= 0.0])
    assert lid.edge_mm == pytest.approx(1000.0)
    assert lid.place_mm == pytest.approx((150.0, 100.0, 100.0))


def test_both_ends_of_a_tube_are_holes_and_not_its_outer_border():
    vertices, faces = fine_box((0, 0, 0), (900, 60, 120))
    ends = np.isin(vertices[faces].mean(axis=1)[:, 0], (0.0, 900.0))
    found = holes(vertices, faces[~ends])
    assert [hole.outer for hole in found] == [False, False]
    assert sorted(hole.place_mm[0] for hole in found) == pytest.approx([0.0, 900.0])


# -- loose pieces --


def test_specks_are_pieces_far_from_all_larger_ones():
    near = box_mesh([200, 200, ALONE_MM - 5], [210, 210, 60])
    far = [box_mesh([300, 300, 100], [310, 310, 110]), box_mesh([320, 300, 100], [330, 310, 110])]
    found = loose(sheet((0, 0, 0), 800, 600), near, *far)
    assert found.count == 4
    assert sorted(speck.place_mm for speck in found.specks) == [(305, 305, 105), (325, 305, 105)]
    assert all(speck.faces == 12 and speck.sides_mm == pytest.approx((10, 10, 10)) for speck in found.specks)
    assert found.small_near_metal == 1


def test_a_large_piece_far_away_is_no_speck():
    found = loose(sheet((0, 0, 0), 800, 600), sheet((0, 0, 400), 200, 200))
    assert found.specks == ()


def test_a_piece_inside_an_open_tube_is_found_and_one_beside_it_is_not():
    vertices, faces = fine_box((0, 0, 0), (900, 60, 120))
    tube = vertices, faces[~np.isin(vertices[faces].mean(axis=1)[:, 0], (0.0, 900.0))]
    found = loose(tube, fine_box((400, 15, 40), (440, 45, 80), 5.0), fine_box((400, 75, 40), (440, 105, 80), 5.0))
    (one,) = found.within
    assert one.place_mm == pytest.approx((420, 30, 60), abs=0.5)
    assert one.share > 0.9
    np.testing.assert_allclose(np.array(one.around_mm)[1], [900, 60, 120], atol=6.0)


# -- flaws --


def mesh_flaws(vertices: Floats, faces: Faces):
    places = places_of(vertices, np.asarray(faces, dtype=np.int32))
    return flaws_of(places, topology(vertices, faces))


def test_a_sound_box_has_no_flaw_and_looks_outward():
    found = mesh_flaws(*box_mesh([0, 0, 0], [300, 200, 100]))
    assert (found.edges, found.border_edges, found.crowded_edges, found.flipped_edges) == (18, 0, 0, 0)
    assert (found.flat_faces, found.doubled_faces, found.closed_faces, found.inward_faces) == (0, 0, 12, 0)


def test_a_box_turned_inside_out_is_told():
    vertices, faces = box_mesh([0, 0, 0], [300, 200, 100])
    outward = box_mesh([5000, 0, 0], [5300, 200, 100])
    found = mesh_flaws(*join((vertices, faces[:, ::-1].copy()), outward))
    assert (found.closed_faces, found.inward_faces) == (24, 12)


def test_doubled_turned_flat_and_crowding_faces_are_counted():
    vertices, faces = box_mesh([0, 0, 0], [300, 200, 100])
    turned = faces.copy()
    turned[0] = turned[0, ::-1]
    assert mesh_flaws(vertices, turned).flipped_edges == 3
    again = np.concatenate([faces, faces[3:5, [1, 2, 0]], faces[7:8, ::-1]])
    assert mesh_flaws(vertices, again).doubled_faces == 3
    apart = join((vertices, faces), (vertices[faces[0]] + 900.0, np.array([[0, 1, 2], [1, 0, 2]], np.int32)))
    assert mesh_flaws(*apart).doubled_faces == 1  # a face twice, alone: no edge of it is crowded
    assert mesh_flaws(*apart).crowded_edges == 0
    fin = np.concatenate([faces, [[0, 1, len(vertices)]]])
    assert mesh_flaws(np.concatenate([vertices, [[150.0, 100.0, -80.0]]]), fin).crowded_edges == 1
    middle = np.concatenate([vertices, [(vertices[0] + vertices[1]) / 2]])
    assert mesh_flaws(middle, np.concatenate([faces, [[0, 1, len(vertices)]]])).flat_faces == 1


# -- drift --


def test_drift_is_the_slope_of_scan_less_tape():
    """0.35 mm a metre and a mark that sits 1 mm further in every length: the slope alone is drift. Closed form."""
    lengths = np.array([500.0, 1200.0, 2600.0, 3590.0])
    found = slope_of(lengths, 0.35e-3 * lengths + 1.0)
    assert found.mm_per_m == pytest.approx(0.35)
    assert found.expanded_mm_per_m == pytest.approx(0.0, abs=1e-9)
    assert (found.lengths, found.longest_mm) == (4, 3590.0)


def test_the_uncertainty_of_the_slope_is_the_common_formula():
    """Lengths 1, 2, 3, 4 m off by 0, 1, 0, 1 mm: slope 0.2, Σr² = 0.8, s² = 0.4, Σ(L − L̄)² = 5: 2 √0.08. By hand."""
    found = slope_of([1000.0, 2000.0, 3000.0, 4000.0], [0.0, 1.0, 0.0, 1.0])
    assert found.mm_per_m == pytest.approx(0.2)
    assert found.expanded_mm_per_m == pytest.approx(2.0 * math.sqrt(0.08))


def test_the_uncertainty_of_the_slope_over_all_pairs_of_targets_holds_in_about_95_of_100():
    """Ten marks give 45 lengths but only 24 free ones."""
    rng = np.random.default_rng(5)
    places = rng.uniform([0, -900, 0], [3500, 900, 1100], (10, 3))
    pairs = list(itertools.combinations(range(10), 2))
    held = 0
    for _ in range(200):
        taped, scanned = places + rng.normal(0, 1.2, (10, 3)), places * 1.0005 + rng.normal(0, 0.2, (10, 3))
        tape, scan = (np.array([np.linalg.norm(p[a] - p[b]) for a, b in pairs]) for p in (taped, scanned))
        found = slope_of(tape, scan - tape, 24)
        held += abs(found.mm_per_m - 0.5) < found.expanded_mm_per_m
    assert 175 <= held <= 199


def test_of_two_lengths_or_of_equal_ones_there_is_no_slope():
    assert slope_of([1000.0, 2000.0], [0.0, 1.0]) is None
    assert slope_of([1000.0, 1000.0, 1000.0], [0.0, 1.0, 2.0]) is None


# -- units --


@pytest.mark.parametrize(
    ("longest", "guesses"),
    [(4.3, ("m",)), (14.1, ("ft",)), (169.0, ("in",)), (430.0, ("cm",)), (4300.0, ("mm",)), (265.0, ("in", "cm")),
     (40.0, ()), (1.0, ())],
)  # fmt: skip
def test_the_unit_is_guessed_from_the_longest_side(longest, guesses):
    """Source: common practice, the usual lengths of vehicles; 250 to 280 may be inches or centimetres."""
    unit = guess_unit(np.array([[0.0, 0.0, 0.0], [longest, 1.0, 0.5]]), "", None)
    assert set(unit.guesses) == set(guesses)
    assert unit.used == (guesses[0] if len(guesses) == 1 else "")
    assert bool(unit.ask) == (unit.used == "")
    assert all(f"--units {guess}" in unit.ask for guess in guesses) or unit.used


# -- whole looks --


def write(path: Path, mesh: tuple[Floats, Faces], unit_mm: float = 1.0) -> Path:
    path.write_bytes(mf.ply_bytes(mesh[0] / unit_mm, mesh[1], number="double"))
    return path


def ladder(*, floor: bool = False, push_mm: float = 0.0, bow_mm: float = 0.0) -> tuple[Floats, Faces]:
    """Two rails, cross members, a flat bed looking down, a tank on the left, specks, noise of 0.4: 3600 mm long.

    ``push_mm``: how far the right rail stands further out; ``bow_mm``: how far all of it bows to the right.
    """
    parts = [
        fine_box((0, -430, 520), (3600, -370, 640), 15.0),
        fine_box((0, 370 + push_mm, 520), (3600, 430 + push_mm, 640), 15.0),
    ]
    parts += [fine_box((x, -370, 540), (x + 60, 370, 600), 15.0) for x in (300, 1500, 2400)]
    parts += [
        sheet((1600, -800, 700), 2000, 1600, 20.0, down=True),
        fine_box((1500, -700, 300), (2000, -500, 480), 15.0),
    ]
    parts += [box_mesh([x, 0, 900], [x + 12, 9, 910]) for x in (200, 900)]
    if floor:
        parts += [sheet((x, y, 0), 600, 500, 20.0) for x in (-200, 2300) for y in (-1100, 600)]
    vertices, faces = join(*parts)
    vertices += np.random.default_rng(3).normal(0.0, 0.4, vertices.shape)
    vertices[:, 1] += bow_mm * np.sin(np.pi * np.clip(vertices[:, 0] / 3600.0, 0.0, 1.0))
    return vertices, faces


@pytest.fixture(scope="module")
def ladder_look(tmp_path_factory) -> Looked:
    return look_at(Asked(write(tmp_path_factory.mktemp("ladder") / "ladder.ply", ladder())))


def turned(vertices: Floats) -> Floats:
    """A rigid move: turned about a slanted axis, y nearly up, far from the origin."""
    z_up = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]], dtype=float)
    a, b = math.radians(37.0), math.radians(4.0)
    about_y = np.array([[math.cos(a), 0, math.sin(a)], [0, 1, 0], [-math.sin(a), 0, math.cos(a)]])
    about_x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    return vertices @ (about_x @ about_y @ z_up).T + [5100.0, -830.0, 12400.0]


def test_a_rigid_move_and_another_unit_give_the_same_figures(ladder_look, tmp_path):
    vertices, faces = ladder()
    moved = look_at(Asked(write(tmp_path / "moved.ply", (turned(vertices), faces), 25.4), unit="in")).report
    here = ladder_look.report
    assert moved.spacing.median_mm == pytest.approx(here.spacing.median_mm, rel=1e-6)
    assert moved.noise.sigma_mm == pytest.approx(here.noise.sigma_mm, rel=0.02)
    assert moved.mesh == here.mesh
    assert [hole.edge_mm for hole in moved.holes] == pytest.approx([hole.edge_mm for hole in here.holes], rel=1e-6)
    assert [hole.outer for hole in moved.holes] == [hole.outer for hole in here.holes]
    assert [speck.faces for speck in moved.pieces.specks] == [speck.faces for speck in here.pieces.specks]
    there = [np.array(speck.place_mm) for speck in moved.pieces.specks]
    for speck, place in zip(here.pieces.specks, there, strict=True):
        np.testing.assert_allclose(turned(np.array([speck.place_mm]))[0], place, atol=3.0)  # middles of upright boxes
    assert moved.size.longest_mm == pytest.approx(here.size.longest_mm, abs=1.0)
    assert moved.size.own_sides_mm == pytest.approx(here.size.own_sides_mm, abs=6.0)
    assert moved.symmetry.mirrored_share == pytest.approx(here.symmetry.mirrored_share, abs=0.03)
    assert moved.symmetry.median_mm == pytest.approx(here.symmetry.median_mm, abs=0.05)


def test_own_sides_are_those_of_the_thing_whatever_way_it_lies(ladder_look):
    """3600 × 1600 × 402, the specks left out."""
    assert ladder_look.report.size.own_sides_mm == pytest.approx((3600.0, 1600.0, 402.0), abs=5.0)


def test_the_mirror_plane_is_found_though_a_tank_hangs_on_one_side(ladder_look):
    found = ladder_look.report.symmetry
    assert found.by == "the scan itself"
    assert abs(found.normal[1]) == pytest.approx(1.0, abs=1e-4)
    assert found.offset_mm == pytest.approx(0.0, abs=0.5)
    assert 0.6 < found.mirrored_share < 0.97
    assert found.most_mm < 1.0


def test_a_rail_that_stands_3_mm_out_is_found_as_asymmetry(tmp_path):
    """Against y = 0 of a layout each rail is 3 mm off the other's mirror image; the scan's own plane goes between."""
    path = write(tmp_path / "pushed.ply", ladder(push_mm=3.0))
    found = look_at(Asked(path, spec=ScanSpec(path, "mm"))).report.symmetry
    assert found.by == "the vehicle frame"
    assert found.most_mm == pytest.approx(3.0, abs=0.3)
    assert all(abs(abs(one.place_mm[1]) - 400.0) < 60.0 for one in found.worst)
    assert found.own_offset_mm == pytest.approx(1.5, abs=0.3)
    own = look_at(Asked(path)).report.symmetry
    assert own.offset_mm * own.normal[1] == pytest.approx(1.5, abs=0.3)
    assert own.most_mm < 1.0


def test_a_frame_that_bows_8_mm_is_not_straight(tmp_path):
    """A half wave of 8 mm lies 8 (1 − 2/π) = 2.9 and 8 · 2/π = 5.1 either side of its mean."""
    found = look_at(Asked(write(tmp_path / "bowed.ply", ladder(bow_mm=8.0)))).report.symmetry
    assert 3.5 < found.bow_mm < 5.6
    ends, middle = found.stations[0].off_mm, found.stations[len(found.stations) // 2].off_mm
    assert abs(middle - ends) > 5.0


def test_the_floor_is_found_where_it_was_scanned(tmp_path):
    floor = look_at(Asked(write(tmp_path / "floor.ply", ladder(floor=True)))).report.floor
    assert floor.normal == pytest.approx((0.0, 0.0, 1.0), abs=2e-3)
    assert floor.height_mm == pytest.approx(0.0, abs=1.0)
    assert floor.area_cm2 == pytest.approx(4 * 60 * 50, rel=0.15)
    assert floor.tilt_deg is None


def test_a_bed_that_looks_down_is_no_floor(ladder_look):
    assert ladder_look.report.floor is None
    assert "no floor" in ladder_look.report.floor_words


def test_a_cloud_gets_the_figures_that_make_sense_without_faces(tmp_path):
    vertices, _ = ladder(floor=True)
    text = "\n".join(f"{x:.3f} {y:.3f} {z:.3f}" for x, y, z in vertices)
    (tmp_path / "cloud.xyz").write_text(text + "\n", encoding="ascii")
    found = look_at(Asked(tmp_path / "cloud.xyz")).report
    assert found.cloud
    assert (found.triangles, found.points) == (0, len(vertices))
    assert found.unit.used == "mm"
    assert 5.0 < found.spacing.median_mm < 20.0
    assert found.noise.sigma_mm == pytest.approx(0.4, rel=0.25)
    assert (found.holes, found.skins, found.pieces, found.mesh) == ((), None, None, None)
    assert any("no faces" in text for text in found.not_looked_at)


def test_a_unit_that_is_not_known_is_asked_and_no_length_is_given(tmp_path):
    vertices, faces = ladder()
    path = write(tmp_path / "which.ply", (vertices, faces), 3600.0 / 265.0)
    found = look_at(Asked(path)).report
    assert (found.unit.used, found.size, found.noise, found.paste) == ("", None, None, "")
    assert "--units cm" in found.unit.ask
    assert look_at(Asked(path, unit="cm")).report.size.own_sides_mm[0] == pytest.approx(2650.0, rel=0.01)


@pytest.mark.parametrize(
    ("name", "content", "error"),
    [("gone.ply", None, FileProblem), ("empty.ply", b"", MeshError), ("text.ply", b"not a mesh\n", MeshError),
     ("scan.las", b"LASF", MeshError)],
)  # fmt: skip
def test_a_file_that_is_no_scan_is_one_clear_error(tmp_path, name, content, error):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(error, match=name):
        look_at(Asked(tmp_path / name))


def test_an_unknown_unit_is_refused(tmp_path):
    with pytest.raises(ScanError, match="'furlong' is not known"):
        look_at(Asked(tmp_path / "x.ply", unit="furlong"))


# -- the sample --


@pytest.fixture(scope="module")
def sample() -> Looked:
    layout = read_layout(SAMPLE / "a.yaml")
    spec = scan_spec(layout)
    return look_at(Asked(spec.file, spec.unit, spec, layout.file, "mm", layout.entries.axles.rear.at))


def test_the_noise_of_the_sample_is_found_within_15_percent(sample):
    assert sample.report.noise.sigma_mm == pytest.approx(0.4, rel=0.15)


def test_the_doubled_rail_of_the_sample_is_found_where_it_is(sample):
    (one,) = sample.report.skins.doubled
    assert one.separation_mm == pytest.approx(4.0, abs=0.2)
    assert one.area_cm2 == pytest.approx(40.0 * 12.0, rel=0.1)
    np.testing.assert_allclose(one.box_mm, [[200, -434, 520], [600, -430, 640]], atol=8.0)


def test_the_twelve_specks_of_the_sample_are_listed(sample):
    """Centres from scripts/hollin262/truck.py, less the drift of 0.2 mm a metre."""
    true = [(1500, -500, 960), (1850, 300, 1010), (2250, -120, 905), (2500, 640, 930), (2900, -700, 990),
            (3200, 150, 1040), (3350, -420, 920), (-350, 700, 900), (200, -760, 1010), (500, 720, 880),
            (900, -690, 1120), (1150, 520, 1060)]  # fmt: skip
    found = np.array([speck.place_mm for speck in sample.report.pieces.specks])
    assert len(found) == 12
    assert max(np.linalg.norm(found - place, axis=1).min() for place in true) < 6.0


def test_the_cube_in_the_right_rail_of_the_sample_is_found(sample):
    (one,) = sample.report.pieces.within
    assert one.place_mm == pytest.approx((1748, 400, 580), abs=3.0)
    assert one.sides_mm == pytest.approx((40, 40, 40), abs=3.0)


def test_the_unscanned_stretch_of_the_right_rail_is_the_largest_hole_of_the_sample(sample):
    hole = next(hole for hole in sample.report.holes if not hole.outer)
    assert hole.place_mm == pytest.approx((1680, 370, 580), abs=5.0)
    np.testing.assert_allclose(hole.box_mm, [[1600, 370, 520], [1760, 370, 640]], atol=5.0)


def test_the_sample_shows_no_floor_and_its_axes_are_those_of_its_layout(sample):
    report = sample.report
    assert report.floor is None
    assert report.frame.startswith("vehicle")
    assert report.unit.confirmed_by.startswith("scale bar T1 to T4")
    assert (report.unit.used, report.unit.ask) == ("m", "")
    assert report.mesh.inward_faces == report.mesh.flipped_edges == report.mesh.doubled_faces == 0


def test_left_and_right_of_the_sample_differ_by_noise_alone(sample):
    """It is drawn symmetric; what is left is noise, alignment (its own plane beside y = 0) and drift."""
    found = sample.report.symmetry
    assert found.by == "the vehicle frame"
    assert found.median_mm < 0.4
    assert found.most_mm < 2.0
    assert abs(found.own_offset_mm) < 1.5
    assert found.own_turn_deg < 0.05
    assert found.bow_mm < 0.5


def test_the_drift_of_the_sample_lies_within_its_uncertainty(sample):
    """The scan grows by 0.2 mm a metre along x, not across: between 0 and 0.2 over lengths of all directions."""
    found = sample.report.drift
    assert found.lengths == 46
    assert -found.expanded_mm_per_m < found.mm_per_m - 0.1 < found.expanded_mm_per_m


def test_a_patch_cut_out_of_the_sample_shows_up_as_a_loop_at_its_place(sample, tmp_path):
    """120 × 80 mm out of the left rail's outer face, where nothing else ends."""
    centres = sample.vertices[sample.faces].mean(axis=1)
    gone = (
        (np.abs(centres[:, 0] - 2600.0) < 60.0)
        & (np.abs(centres[:, 1] + 430.0) < 3.0)
        & (np.abs(centres[:, 2] - 580.0) < 40.0)
    )
    assert 100 < gone.sum() < 2000
    path = write(tmp_path / "cut.ply", (sample.vertices, sample.faces[~gone]))
    found = look_at(Asked(path)).report.holes
    assert len(found) == len(sample.report.holes) + 1
    nearest = min(found, key=lambda hole: math.dist(hole.place_mm, (2600.0, -430.0, 580.0)))
    assert nearest.place_mm == pytest.approx((2600.0, -430.0, 580.0), abs=8.0)
    assert nearest.across_mm == pytest.approx(120.0, abs=25.0)
    assert not nearest.outer


def test_targets_that_contradict_the_unit_stop_the_look(tmp_path):
    text = (SAMPLE / "vehicle.yaml").read_text(encoding="utf-8").replace("units: m ", "units: ft ")
    text = text.replace("file: hollin262_scan.ply", f"file: {(SAMPLE / 'hollin262_scan.ply').as_posix()}")
    (tmp_path / "vehicle.yaml").write_text(text, encoding="utf-8")
    spec = scan_spec(read_layout(tmp_path / "vehicle.yaml"))
    with pytest.raises(InputError, match="metres read as feet"):
        look_at(Asked(spec.file, spec=spec, layout="vehicle.yaml"))
