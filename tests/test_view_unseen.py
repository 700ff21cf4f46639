"""What was not seen, measured or assumed, in windows, pictures and heat: shown as what it is, never as passing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from PIL import Image
from staged import HIT, HOLE, HOLE_MUST_MM, OVER, arrangement, holed, holed_scene, lens, needs_drawing, open_row
from trucks import part, plate, scanned, scene

from fitcheck.checks.heat import Heat
from fitcheck.checks.run import check_scene
from fitcheck.geometry.separation import nearest_to_origin
from fitcheck.geometry.solids import Solid, box, sphere
from fitcheck.geometry.surface import tile_surface
from fitcheck.result import Verdict
from fitcheck.vehicle.scene import Measured, Region, Rule, ScanLayers, UnseenPlace
from fitcheck.view import colours
from fitcheck.view.column import Arrangement
from fitcheck.view.heating import as_judged
from fitcheck.view.picture import HEIGHT, WIDTH, measure_pictures, take_pictures
from fitcheck.view.stage import ASSUMED, LAYERS, MEASURED, UNSEEN
from fitcheck.view.unseen import left_open, places_of, unsettled_by
from fitcheck.view.vantage import vantage
from fitcheck.view.window import Window

ONE = holed()
ROW = next(row for row in ONE.result.clearances if row.between == (OVER, "scan"))
CLEAR_MM = HOLE_MUST_MM + ROW.guard_mm


# -- heat --


def to_mesh(points, solid):
    """By brute force: every point against every triangle, 0 inside by the solid angle summed."""
    corners = solid.vertices[solid.faces]
    shifted = corners[None] - points[:, None, None]
    away = np.linalg.norm(nearest_to_origin(shifted.reshape(-1, 3, 3)), axis=1).reshape(len(points), -1).min(axis=1)
    a, b, c = (shifted[:, :, k] / np.linalg.norm(shifted[:, :, k], axis=2)[..., None] for k in range(3))
    below = 1.0 + sum(np.einsum("nfi,nfi->nf", p, q) for p, q in ((a, b), (b, c), (c, a)))
    turns = 2.0 * np.arctan2(np.einsum("nfi,nfi->nf", a, np.cross(b, c)), below).sum(axis=1) / (4.0 * np.pi)
    return np.where(turns > 0.5, 0.0, away)


def from_below(x, y, z):
    """A plate that was scanned from below."""
    corners, faces = plate(x, y, z)
    return corners, faces[:, ::-1]


def doubtful_box():
    """A box under a plate, a lens that reaches into its top, and another one beside it."""
    places = (
        UnseenPlace("in", "hole", "", lens((60.0, 40.0, 205.0), 60.0, 20.0)),
        UnseenPlace("by", "shadow", "", lens((330.0, 100.0, 120.0), 40.0, 50.0)),
    )
    scan = dataclasses.replace(scanned(from_below((-300, 600), (-300, 500), 260.0)), unseen=places)
    rule = Rule(("any", "scan"), 15, 25, "")
    return scene(parts=(part("box", box((0, 0, 0), (300, 200, 200))),), scan=scan, rules=(rule,))


def test_the_distance_to_unseen_places_is_that_of_brute_force_on_200_points():
    truck = doubtful_box()
    heat = Heat(truck).part("box", swept=False)
    row = check_scene(truck).clearances[0]
    clear = row.must_mm + row.guard_mm
    rng, near = np.random.default_rng(3), heat.doubt.unseen
    some = np.concatenate([rng.choice(np.flatnonzero(near), 120, False), rng.choice(np.flatnonzero(~near), 80, False)])
    exact = np.array([to_mesh(heat.points_mm[some], place.solid) for place in truck.scan.unseen])
    found = heat.doubt.unseen_mm[some]
    assert np.abs(found[:120] - exact.min(axis=0)[:120]).max() <= 1e-9
    assert np.isinf(found[120:]).all()
    assert exact[:, 120:].min() >= clear
    assert np.array_equal(heat.doubt.place[some[:120]], exact.argmin(axis=0)[:120])
    assert (found == 0.0).any()  # inside the first
    assert row.unseen_mm == 0.0


def test_near_an_unseen_place_and_only_there_no_colour_passes():
    truck = doubtful_box()
    bare = dataclasses.replace(truck, scan=dataclasses.replace(truck.scan, unseen=()))
    heat, without = Heat(truck).part("box", swept=False), Heat(bare).part("box", swept=False)
    assert without.doubt is None
    assert without.level.min() > 2.0  # by metal alone it passes everywhere
    near = heat.doubt.unseen
    assert heat.level[near].max() < 2.0
    assert np.array_equal(heat.level[~near], without.level[~near])
    assert 0.02 < near.mean() < 0.5


def test_points_whose_nearest_metal_is_assumed_do_not_pass():
    left, right = (from_below((-2000, 2400), y, 300.0) for y in ((-2000, -20), (20, 2000)))
    layers = dataclasses.replace(
        scanned(left), assumed=tile_surface(*right), assumed_side="right"
    )
    truck = scene(parts=(part("box", box((100, -200, 200), (300, 200, 292))),), scan=layers)
    heat = Heat(truck).part("box", swept=False)
    row = check_scene(truck).clearances[0]
    assert row.assumed
    assert row.verdict is Verdict.NOT_PROVEN
    top = (heat.points_mm[:, 2] == 292.0) & (np.abs(heat.points_mm[:, 1]) > 0.01)
    assert np.array_equal(heat.doubt.assumed[top], heat.points_mm[top, 1] > 0.0)
    assert np.abs(heat.found_mm[top & (heat.points_mm[:, 1] > 20.0)] - 8.0).max() < 1e-9  # to the assumed plate
    assert heat.level[heat.doubt.assumed].max() < 2.0
    judged = as_judged(heat, [row])
    assert np.array_equal(judged.level, heat.level)  # no cap all over: the left half keeps its colours
    assert judged.level[top & ~heat.doubt.assumed].max() >= 2.0


def test_metal_that_was_taped_is_heat_as_well():
    felt = Measured("felt", "metal", Region("box", lo=(0, 0, 210), hi=(50, 50, 220)))
    truck = doubtful_box()
    taped = dataclasses.replace(truck, scan=dataclasses.replace(truck.scan, unseen=(), measured=(felt,)))
    heat = Heat(taped).part("box", swept=False)
    under = (heat.points_mm[:, 2] == 200.0) & (heat.points_mm[:, :2] <= 50.0).all(axis=1)
    assert heat.found_mm[under] == pytest.approx(10.0)


def test_what_the_engine_leaves_open_is_shown_open_locally():
    """The check itself on the plate with a gap: its row names the place, the colours pass elsewhere on the part."""
    built = holed_scene()
    row = next(row for row in check_scene(built).clearances if row.between == (OVER, "scan"))
    assert row.verdict is Verdict.NOT_PROVEN
    assert row.unseen_mm == pytest.approx(10.0, abs=0.1)
    found = unsettled_by(places_of(built), row)
    assert found.name == HOLE
    assert found.settle == row.settle != ""
    heat = as_judged(Heat(built).part(OVER, swept=True), [row])
    near = np.linalg.norm(heat.points_mm - np.array(row.unseen_from_mm), axis=1) < 10.0
    assert heat.level[near].max() < 2.0
    assert heat.level.max() == 4.0
    rim = as_judged(Heat(built).scan(swept=True), [row])
    assert rim.level[rim.doubt.unseen].max() < 2.0
    passed = dataclasses.replace(row, verdict=Verdict.PASS)
    assert not as_judged(Heat(built).scan(swept=True), [passed]).doubt.unseen.any()


def test_a_place_between_heat_points_is_shown_at_the_next_one_and_another_reason_all_over():
    built = holed_scene()
    bare = Heat(dataclasses.replace(built, scan=dataclasses.replace(built.scan, unseen=()))).part(OVER, swept=True)
    between = open_row(ROW, unseen_from_mm=(1052.0, -101.0, 560.0), points_mm=None)
    judged = as_judged(bare, [between])
    assert judged.doubt.unseen.sum() == 1
    assert judged.level[judged.doubt.unseen].max() < 2.0
    nowhere = as_judged(bare, [open_row(between, unseen_from_mm=None)])
    decided = bare.other == bare.others.index("scan")
    assert nowhere.level[decided].max() < 2.0  # where it is cannot be shown
    other = as_judged(bare, [open_row(ROW, reason="whether it lies inside metal cannot be told", points_mm=None)])
    assert other.level[decided].max() < 2.0


# -- rows and words --


def test_only_a_row_that_an_unseen_place_keeps_open_has_a_place_to_measure():
    places = places_of(ONE.scene)
    assert unsettled_by(places, ROW).points_mm.tolist() == [[1100, -100, 560], [1100, -100, 570]]
    assert unsettled_by(places, dataclasses.replace(ROW, verdict=Verdict.PASS)) is None
    assert unsettled_by(places, dataclasses.replace(ROW, verdict=Verdict.FAIL)) is None
    too_close = dataclasses.replace(ROW, reason="too close to call: likely pass")
    assert left_open(too_close)
    assert not left_open(dataclasses.replace(too_close, unseen_mm=CLEAR_MM))
    assert left_open(dataclasses.replace(ROW, unseen_mm=0.0, must_mm=0.0, guard_mm=0.0))
    assert unsettled_by(places, dataclasses.replace(ROW, unseen_place="gone", unseen_point_mm=None)) is None


def test_without_words_of_the_row_there_is_still_a_reading_to_take():
    found = unsettled_by(places_of(ONE.scene), dataclasses.replace(ROW, settle=""))
    assert found.settle == f"tape or feel at x 1100, y -100, z 570: is there metal within {CLEAR_MM:.1f} mm of over?"
    inside = unsettled_by((), dataclasses.replace(ROW, unseen_mm=0.0, unseen_from_mm=None))
    assert inside.reaches_in
    assert any("reaches into it" in line for line in inside.lines())


def test_what_was_measured_since_is_not_drawn_as_unseen():
    felt = Measured("felt", "empty", Region("box", lo=(900, -300, 500), hi=(1300, 100, 700)))
    known = dataclasses.replace(ONE.scene, scan=dataclasses.replace(ONE.scene.scan, measured=(felt,)))
    assert [place.name for place in places_of(ONE.scene)] == [HOLE]
    assert places_of(known) == ()


# -- the window --


@pytest.fixture
def window():
    opened = Window([ONE], off_screen=True)
    opened.open()
    yield opened
    opened.close()


def choose(window, between=(OVER, "scan")):
    column = window.columns[0]
    column.choose([row.between for row in column.rows].index(between))
    window.render()
    return column


def words_of(actors):
    return {actor.GetInput() for actor in actors if hasattr(actor, "GetInput") and isinstance(actor.GetInput(), str)}


def at(window, point):
    renderer = window.columns[0].renderer
    renderer.SetWorldPoint(*point, 1.0)
    renderer.WorldToDisplay()
    return tuple(int(value) for value in renderer.GetDisplayPoint()[:2])


def patch(window, point, half=12):
    x, y = at(window, point)
    pixels = window.canvas.pixels()
    row = pixels.shape[0] - 1 - y
    return pixels[row - half : row + half + 1, x - half : x + half + 1].reshape(-1, 3).astype(float)


@needs_drawing
def test_an_unseen_place_is_hatched_where_it_is_and_gone_with_its_layer(window):
    """From above the lens covers the gap: light paper with dark slanted lines, in grey as in colour."""
    window.act("heat")
    window.act("heat")
    window.act("layer pins")
    window.look("above")
    window.render()
    seen = colours.lightness(patch(window, [1100, -100, 630]) / 255.0)
    assert 0.1 < (seen < 62.0).mean() < 0.6
    assert (seen > 70.0).mean() > 0.2
    bare = colours.lightness(patch(window, [1600, -300, 600]) / 255.0)
    assert bare.std() < 1.0  # metal has no lines
    interactor = window.canvas.interactor
    interactor.SetKeySym("u")
    interactor.InvokeEvent("KeyPressEvent")
    assert UNSEEN in window.columns[0].stage.hidden
    assert colours.lightness(patch(window, [1100, -100, 630]) / 255.0).std() < 3.0


@needs_drawing
def test_the_lines_run_aslant_and_are_as_far_apart_from_near_as_from_far(window):
    """Along a row of the picture the ink comes back every 12 pixels, and a row lower it is shifted by one."""
    window.act("heat")
    window.act("heat")
    window.act("layer pins")
    for act in (lambda: window.look("above"), lambda: choose(window) and window.act("close_up")):
        act()
        window.render()
        square = colours.lightness(patch(window, [1100, -100, 625], 12).reshape(25, 25, 3) / 255.0)
        square = square - square.mean()
        fits = [float((square[:, :-12] * square[:, 12:]).sum()), float((square[:, :-6] * square[:, 6:]).sum())]
        assert fits[0] > 0.0 > fits[1]
        slanted = [(square[:-1, :-1] * square[1:, 1:]).sum(), (square[:-1, 1:] * square[1:, :-1]).sum()]
        assert max(slanted) > 1.3 * min(slanted)


@needs_drawing
def test_the_chosen_row_pins_its_place_with_the_distance_and_says_what_settles_it(window):
    column = choose(window)
    assert " 10.0 mm to hole 1, not seen " in words_of(column.stage.layers["pins"])
    words = " ".join(column.words().split())
    assert "it begins at x 1100, y -100, z 570; the part's nearest point is x 1100, y -100, z 560" in words
    assert "what settles it: feel from below at x 1100, y -100" in words
    choose(window, (HIT, "scan"))
    assert not any("not seen" in word for word in words_of(column.stage.layers["pins"]))
    assert "what settles it" not in column.words()


@needs_drawing
def test_layers_buttons_keys_and_legend_name_them(window):
    from fitcheck.view.controls import KEYS

    assert LAYERS[6:] == (UNSEEN, MEASURED, ASSUMED)
    assert "unseen places" in KEYS
    assert {f" ■ {layer} " for layer in LAYERS[6:]} <= words_of([made.actor for made in window.buttons])
    boxes = [made.actor for made in window.buttons]
    assert len({(actor.GetPosition()) for actor in boxes}) == len(boxes)
    legend = words_of(window.columns[0]._legend)
    assert any(word.startswith("not seen: metal or air") for word in legend)
    assert "measured by hand: metal" in legend
    assert "measured by hand: empty" in legend
    assert not any("assumed" in word for word in legend)


@needs_drawing
def test_a_scan_without_such_places_has_no_legend():
    plain = Window([arrangement()], off_screen=True)
    plain.open()
    assert plain.columns[0]._legend == []
    assert all(not plain.columns[0].stage.layers[layer] for layer in LAYERS[6:])
    plain.close()


@needs_drawing
def test_a_click_on_a_place_says_what_it_is_and_a_part_is_reached_through_it(window):
    column = window.columns[0]
    window.act("layer scan")
    window.act("layer parts")
    window.look("above")
    window.render()
    window.click(*at(window, [1100, -100, 630]))
    assert "hole 1 (hole): a gap of 200 mm in the plate" in column.here
    assert column.row.between == (OVER, "scan")
    window.click(*at(window, [1500, 250, 600]))
    assert column.here == "measured: taped: empty, ± 2.0 mm, by hand"
    window.act("layer parts")
    window.click(*at(window, [1100, -100, 630]))
    assert "hole 1" not in column.here
    assert OVER in column.row.between


@needs_drawing
def test_measured_metal_is_lined_level_and_empty_is_a_clear_box(window):
    window.act("layer pins")
    window.act("layer scan")
    window.look("above")
    window.render()
    metal = patch(window, [800, 200, 615], 6).reshape(13, 13, 3)
    assert metal.mean(axis=1).std(axis=0).max() > 3.0 * metal.mean(axis=0).std(axis=0).max()  # rows differ, columns not
    empty = patch(window, [1500, 250, 600], 12)
    assert np.abs(empty.mean(axis=0) - colours.rgb(colours.BACKGROUND) * 255.0).max() < 12.0
    rim = patch(window, [1400, 250, 600], 6)
    assert (colours.lightness(rim / 255.0) < 55.0).any()


@needs_drawing
def test_heat_near_the_place_is_hatched_on_the_part_and_what_a_click_there_says(window):
    window.heat_up()
    stage = window.columns[0].stage
    assert len(stage.parts[OVER].ink) == 1
    assert stage.parts[HIT].ink == []
    window.act("layer unseen places")
    window.act("layer scan")
    window.act("layer pins")
    window.look("above")
    window.render()
    inked = colours.lightness(patch(window, [1100, -100, 560]) / 255.0)
    assert (inked < 35.0).any()
    assert (inked > 45.0).any()
    window.click(*at(window, [1100, -100, 560]))
    assert window.columns[0].here == "at the place clicked: 10.0 mm to a place that was not seen: hole 1"
    window.act("heat")
    assert stage.parts[OVER].ink == []


@needs_drawing
def test_the_outline_is_that_of_the_common_camera():
    both = Window([ONE, ONE], off_screen=True)
    both.open()
    for column in both.columns:
        column.choose([row.between for row in column.rows].index((OVER, "scan")))
    both.look("above")
    both.render()
    outlines = [
        actor.GetMapper().GetInputAlgorithm()
        for column in both.columns
        for actor in column.stage.layers["pins"] + column.stage.layers[MEASURED]
        if hasattr(actor, "GetMapper") and actor.GetMapper().GetNumberOfInputConnections(0)
    ]
    silhouettes = [some for some in outlines if some.IsA("vtkPolyDataSilhouette")]
    assert len(silhouettes) == 6
    assert {id(some.GetCamera()) for some in silhouettes} == {id(both.columns[0].renderer.GetActiveCamera())}
    both.close()


# -- assumed metal and clouds --


def two_halves(cloud=False):
    """A grid whose right half is assumed; as a cloud each vertex is a triangle of its own."""
    x, y = np.meshgrid(np.linspace(0, 1000, 101), np.linspace(5, 400, 60), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.full(x.size, 300.0)], axis=1)
    i, j = (some.ravel() for some in np.meshgrid(np.arange(100), np.arange(59), indexing="ij"))
    a = i * 60 + j
    faces = np.concatenate([np.stack([a, a + 61, a + 60], 1), np.stack([a, a + 1, a + 61], 1)])  # seen from below
    if cloud:
        faces = np.repeat(np.arange(len(points))[:, None], 3, axis=1)
    mirrored = points * [1.0, -1.0, 1.0]
    layers = ScanLayers(
        tile_surface(mirrored, faces[:, ::-1]), assumed=tile_surface(points, faces), assumed_side="right", cloud=cloud
    )
    return scene(parts=(part("box", box((300, -100, 150), (600, 300, 292))),), scan=layers)


@needs_drawing
def test_assumed_metal_is_dotted_and_paler_than_scanned_metal():
    built = two_halves()
    window = Window([Arrangement(built, check_scene(built), "half")], off_screen=True)
    window.open()
    window.act("layer pins")
    window.act("layer parts")
    window.look("above")
    window.render()
    scanned_half, assumed_half = (colours.lightness(patch(window, [500, y, 300]) / 255.0) for y in (-200, 200))
    assert scanned_half.std() < 1.0
    assert np.median(assumed_half) > np.median(scanned_half) + 3.0
    assert 0.03 < (assumed_half < np.median(assumed_half) - 10.0).mean() < 0.4
    assert any("assumed" in word for word in words_of(window.columns[0]._legend))
    row = window.columns[0].row
    assert row.assumed
    assert "rests on metal that is assumed" in window.columns[0].words()
    window.act("layer assumed metal")
    assert np.abs(patch(window, [500, 200, 300]).mean(axis=0) - colours.rgb(colours.BACKGROUND) * 255.0).max() < 8.0
    window.close()


@needs_drawing
def test_a_cloud_is_drawn_as_points_and_takes_heat():
    built = two_halves(cloud=True)
    window = Window([Arrangement(built, check_scene(built), "cloud")], off_screen=True)
    window.open()
    stage = window.columns[0].stage
    assert stage.scan.plain_mesh.n_verts == built.scan.metal.triangle_count
    window.act("layer parts")
    window.act("layer pins")
    window.look("above")
    window.render()
    speckled = patch(window, [500, -200, 300], 25)
    assert speckled.std() > 3.0  # points, and the ground between them
    window.heat_up()
    levels = stage.scan.surface.GetMapper().GetInput().point_data["level"]
    assert levels.min() < 4.0 == levels.max()
    window._turning(True)
    window.close()


def test_a_cloud_is_thinned_to_points_that_were_scanned():
    from fitcheck.view.clouds import fewer, for_the_eye

    rng = np.random.default_rng(8)
    points = rng.uniform(0, 1000, (50_000, 3)) * [1.0, 1.0, 0.001]
    each = np.repeat(np.arange(len(points), dtype=np.int32)[:, None], 3, axis=1)
    surface = tile_surface(points, each)
    whole = for_the_eye(surface, 60_000, cloud=True)
    assert len(whole.points_mm) == 50_000
    thin = for_the_eye(surface, 5_000, cloud=True)
    assert 3_000 <= len(thin.points_mm) <= 6_500
    assert set(map(tuple, thin.points_mm)) <= set(map(tuple, surface.vertices))
    moved = np.linalg.norm(thin.points_mm[thin.parent] - surface.vertices, axis=1)
    assert moved.max() <= np.sqrt(3.0) * thin.cell_mm
    least = thin.least(np.arange(len(points)), np.arange(len(points), dtype=float), np.inf)
    assert np.isfinite(least).all()  # each point that is kept speaks for some
    assert len(fewer(thin, 500, cloud=True).points_mm) <= 650


# -- pictures --


@needs_drawing
def test_the_set_holds_a_close_up_of_what_to_measure_and_takes_an_old_one_away(tmp_path):
    (tmp_path / "measure-hit-scan.png").write_bytes(b"of another day")
    (tmp_path / "measure-mine.png").write_bytes(b"not ours")
    files = take_pictures([ONE], tmp_path)
    assert tmp_path / "measure-over-scan.png" in files
    assert sorted(path.name for path in tmp_path.glob("measure-*")) == ["measure-mine.png", "measure-over-scan.png"]
    pixels = np.asarray(Image.open(tmp_path / "measure-over-scan.png").convert("RGB")).astype(float)
    assert pixels.shape == (HEIGHT, WIDTH, 3)
    middle = colours.lightness(pixels[HEIGHT // 2 - 60 : HEIGHT // 2 + 60, WIDTH // 2 - 60 : WIDTH // 2 + 60] / 255.0)
    assert (middle < 15.0).any()  # the line and its ends
    inset = pixels[16 : 16 + HEIGHT // 4 - 8, -WIDTH // 4 :]
    assert inset.reshape(-1, 3).std() > 8.0  # where on the vehicle it is


@needs_drawing
def test_where_nothing_is_to_be_measured_there_is_no_such_picture(tmp_path):
    assert measure_pictures(arrangement(), tmp_path) == []
    assert list(tmp_path.iterdir()) == []
    assert [path.name for path in measure_pictures(ONE, tmp_path)] == ["measure-over-scan.png"]


@needs_drawing
def test_a_row_without_scanned_metal_near_is_shown_by_its_place(tmp_path):
    lone = dataclasses.replace(ROW, points_mm=None, distance_mm=None, at_least_mm=None)
    result = dataclasses.replace(ONE.result, clearances=(lone,))
    files = take_pictures([Arrangement(ONE.scene, result, "lone")], tmp_path)
    assert {path.name for path in files} >= {"worst_1.png", "measure-over-scan.png"}


@needs_drawing
def test_a_close_up_looks_from_where_no_metal_is_before_the_place():
    """A wall on each side but one: it looks in through the open one."""
    from fitcheck.view.shapes import polydata

    around = box((-60, -60, -60), (60, 60, 60))
    normals = np.cross(*(around.vertices[around.faces[:, k]] - around.vertices[around.faces[:, 0]] for k in (1, 2)))
    open_side = normals[:, 2] < -1.0
    metal = polydata(around.vertices, around.faces[~open_side])
    ball = np.array([[-10.0, -10, -40], [10, 10, -20]])
    camera = vantage(None, ball, np.array([[0.0, 0.0, -30.0], [5.0, 5.0, -25.0]]), metal)
    assert camera.look[2] > 0.3  # from below
    assert np.allclose(vantage(None, ball, ball, None).look, camera.look) or camera.look[2] > 0.0


def test_a_cloud_of_small_gaps_is_drawn_as_a_ball_each():
    from fitcheck.view.unseen import mesh_of_place

    middles = np.array([[0.0, 0, 0], [100, 0, 0], [200, 0, 0]])
    gaps = Solid(middles, np.repeat(np.arange(3, dtype=np.int32)[:, None], 3, axis=1), radius_mm=8.0)
    mesh = mesh_of_place(gaps)
    assert mesh.bounds == pytest.approx((-8.0, 208.0, -8.0, 8.0, -8.0, 8.0), abs=0.6)
    assert mesh_of_place(sphere((0, 0, 0), 8.0)).n_points * 3 == mesh.n_points


