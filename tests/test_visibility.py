"""What cannot be seen from the stations: closed forms, shadows of removed things, places, and what was measured."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapes import box_mesh
from test_sight import free_lines

from fitcheck.errors import InternalError
from fitcheck.geometry.inside import inside
from fitcheck.geometry.surface import tile_surface
from fitcheck.scan import visibility
from fitcheck.scan.visibility import (
    CONE_DEG,
    EXPLAINED,
    FILLED,
    OUT_OF_SIGHT,
    SEEN,
    SHADOW,
    STATIONS,
    SightGrid,
    sight_grid,
    sight_places,
)

CELL_MM = 20.0
MARGIN_MM = CELL_MM * math.sqrt(3)
SIDES = ("below", "above", "left", "right", "front", "rear")


def surface(*meshes):
    """Several meshes as one tiled surface."""
    if not meshes:
        return tile_surface(np.empty((0, 3)), np.empty((0, 3), np.int32))
    shift = np.cumsum([0, *(len(v) for v, _ in meshes[:-1])])
    faces = np.concatenate([f + s for (_, f), s in zip(meshes, shift, strict=True)])
    return tile_surface(np.concatenate([v for v, _ in meshes]), faces.astype(np.int32))


def sheet(x, y, z):
    """A flat sheet over two spans at one height, its corners 100 mm apart."""
    across, along = (np.linspace(lo, hi, round((hi - lo) / 100) + 1) for lo, hi in (x, y))
    vertices = np.array([[a, b, z] for a in across for b in along], dtype=np.float64)
    n = len(along)
    quads = [(i * n + j, (i + 1) * n + j, (i + 1) * n + j + 1, i * n + j + 1) for i in range(len(across) - 1)
             for j in range(n - 1)]  # fmt: skip
    return vertices, np.array([f for a, b, c, d in quads for f in ((a, b, c), (a, c, d))], dtype=np.int32)


def open_box(lo, hi):
    """A box without its top."""
    vertices, faces = box_mesh(lo, hi)
    return vertices, faces[~(vertices[faces][:, :, 2] == hi[2]).all(axis=1)]


def state_at(grid, *points):
    """The state of the cells that hold these points; beyond the grid all is seen."""
    cells = np.floor((np.array(points, dtype=np.float64) - grid.origin_mm) / grid.cell_mm).astype(int)
    within = ((cells >= 0) & (cells < grid.state.shape)).all(axis=1)
    return [int(grid.state[tuple(cell)]) if known else SEEN for cell, known in zip(cells, within, strict=True)]


def middles(grid, mask):
    return grid.origin_mm + (np.argwhere(mask) + 0.5) * grid.cell_mm


PLATE = sheet((0, 1200), (-400, 400), 900)


# -- out of sight --


def test_above_a_plate_seen_from_below_the_umbra_is_as_large_as_similar_triangles_say():
    """Closed form: at height h the dark has shrunk by h·tan of the cone from each edge; its apex is at half the width
    over that tangent. Past the plate's rim a cell and the reach of a sample may be added, never taken."""
    grid = sight_grid(surface(PLATE), {}, ("below",))
    slope = math.tan(math.radians(CONE_DEG))
    apex = 400.0 / slope
    for h in np.arange(50.0, apex + 60.0, 20.0):
        x, y = np.meshgrid(np.arange(10.0, 1200.0, 20.0), np.arange(-390.0, 400.0, 20.0))
        points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 900.0 + h)])
        state = np.array(state_at(grid, *points))
        past = np.maximum(np.abs(points[:, 0] - 600) - 600, np.abs(points[:, 1]) - 400)  # < 0: over the plate
        assert (state[past < -(h + 10) * slope] == OUT_OF_SIGHT).all()
        lit = past > -(h - 10) * slope * math.cos(math.radians(180 / 16)) + 40.0  # 16 lines round the rim
        assert (state[lit] == SEEN).all()
    assert sight_places(grid)[0].kind == "out of sight"
    assert max(place.solid.extents()[1, 2] for place in sight_places(grid)) == pytest.approx(900 + apex, abs=45)


@pytest.mark.parametrize("stations", [("below", "above"), ("left", "below"), ("rear", "below"), SIDES])
def test_a_plate_alone_hides_nothing_when_both_of_its_sides_can_be_seen(stations):
    grid = sight_grid(surface(PLATE), {}, stations)
    assert sight_places(grid) == ()
    assert set(np.unique(grid.state)) <= {SEEN, EXPLAINED}


@pytest.mark.parametrize("station", STATIONS)
def test_each_station_leaves_the_other_side_of_a_board_in_the_dark(station):
    axis = np.array(STATIONS[station], dtype=np.float64)
    half = np.where(axis == 0, 300.0, 5.0)
    grid = sight_grid(surface(box_mesh([0, 0, 1000] - half, [0, 0, 1000] + half)), {}, (station,))
    before, behind = (np.array([0, 0, 1000]) + axis * step for step in (100.0, -100.0))
    assert state_at(grid, before, behind) == [SEEN, OUT_OF_SIGHT]


def test_the_inside_of_a_closed_box_is_out_of_sight_from_everywhere_and_keeps_clear_of_its_skin():
    lo, hi = np.array([0.0, 0, 500]), np.array([600.0, 400, 900])
    places = sight_places(sight_grid(surface(box_mesh(lo, hi)), {}, SIDES))
    ends = np.array([place.solid.extents() for place in places])
    assert (ends[:, 0].min(axis=0) >= lo + 5).all()
    assert (ends[:, 1].max(axis=0) <= hi - 5).all()
    assert (ends[:, 0].min(axis=0) <= lo + 45).all()
    assert (ends[:, 1].max(axis=0) >= hi - 45).all()
    assert any(inside([[301, 202, 703]], place.solid)[0] for place in places)


@pytest.mark.parametrize("shift", [0.0, 3.3, 7.7, 13.1])
def test_a_rail_that_was_scanned_makes_no_unseen_place_beside_or_inside_it(shift):
    """60 × 120 mm, open at its ends: its inside is explained by its skin, wherever the grid happens to lie."""
    rail = open_rail([0, 370 + shift, 520 + shift], [3000, 430 + shift, 640 + shift])
    assert sight_places(sight_grid(surface(rail), {}, ("below", "left", "right"))) == ()


def open_rail(lo, hi):
    vertices, faces = box_mesh(lo, hi)
    ends = [(vertices[faces][:, :, 0] == x).all(axis=1) for x in (lo[0], hi[0])]
    return vertices, faces[~ends[0] & ~ends[1]]


def test_no_unseen_cell_stands_out_before_a_scanned_face():
    """Behind a large wall all is dark; the nearest of it to the face is still 5 mm behind the skin at least."""
    wall = box_mesh([0, 0, 500], [300, 300, 800])
    for shift in (0.0, 5.0, 9.9, 15.0):
        grid = sight_grid(surface((wall[0] + [0, shift, shift], wall[1])), {}, ("left", "below"))
        ends = np.array([place.solid.extents() for place in sight_places(grid)])
        assert ends[:, 0, 1].min() >= 5.0 + shift
        assert ends[:, 0, 2].min() >= 505.0 + shift


def test_no_cell_is_called_seen_without_a_free_line_in_a_scene_of_many_things():
    rng = np.random.default_rng(8)
    meshes = [box_mesh([0.0, -400, 450], [1000.0, 400, 470])]
    for _ in range(5):
        at, size = rng.uniform([0, -300, 600], [900, 300, 1000]), rng.uniform(20, 500, 3)
        meshes.append(box_mesh(at - size / 2, at + size / 2))
    metal, tank = surface(*meshes[1:]), surface(meshes[0])
    grid = sight_grid(metal, {"tank": tank}, ("below", "left"))
    ways = visibility.lines_of_sight(("below", "left"))
    seen = middles(grid, grid.state == SEEN)
    seen = seen[rng.choice(len(seen), 1000, replace=False)]
    corners = np.concatenate([s.vertices[s.faces] for s in (metal, tank)])
    assert free_lines(seen, ways, corners).any(axis=1).all()
    shadow = middles(grid, grid.state == SHADOW)
    assert len(shadow) > 50
    assert free_lines(shadow, ways, metal.vertices[metal.faces]).any(axis=1).all()


# -- shadows --

TANK = open_box([300.0, -300, 600], [900.0, 300, 800])


def test_behind_a_removed_box_is_its_shadow_and_its_own_space_is_known():
    """A tank without a top under a plate, seen from below: what it filled is empty now; above it is its shadow."""
    grid = sight_grid(surface(PLATE), {"tank": surface(TANK)}, ("below",))
    filled, shadow, beyond, beside = state_at(grid, [600, 0, 700], [600, 0, 850], [600, 0, 960], [1100, 0, 700])
    assert (filled, shadow, beyond, beside) == (FILLED, SHADOW, OUT_OF_SIGHT, SEEN)
    within = middles(grid, grid.unseen())
    inner = ((within > [310, -290, 610]) & (within < [890, 290, 790])).all(axis=1)
    assert not inner.any()
    place = next(place for place in sight_places(grid) if place.kind == "shadow")
    assert place.name.startswith("behind the removed tank near (")
    assert "tank was there on scan day" in place.why


def test_the_shadow_of_a_box_is_as_large_as_similar_triangles_say():
    """Closed form: 600 square, from below at 60°: a pyramid of 300 / tan 60° = 173 mm over its bottom at z 600."""
    grid = sight_grid(surface(), {"tank": surface(sheet((300, 900), (-300, 300), 600))}, ("below",))
    apex = 600 + 300 / math.tan(math.radians(CONE_DEG))
    high = max(place.solid.extents()[1, 2] for place in sight_places(grid))
    assert high == pytest.approx(apex, abs=35)
    assert set(np.unique(grid.state)) == {SEEN, SHADOW, FILLED}
    assert state_at(grid, [600, 0, apex - 30], [600, 0, apex + 40], [330, 0, 660]) == [SHADOW, SEEN, SEEN]


def test_a_pipe_is_known_inside_and_hides_little():
    """An open-ended piece of Ø 50, as an exhaust is: its inside is known and its umbra is within a cell of it."""
    turn = 2 * np.pi * np.arange(40) / 40
    ring = np.column_stack([np.zeros(40), 300 + 25 * np.cos(turn), 500 + 25 * np.sin(turn)])
    vertices = np.concatenate([ring, ring + [1500, 0, 0]])
    i, j = np.arange(40), (np.arange(40) + 1) % 40
    faces = np.concatenate([np.stack([i, i + 40, j], axis=1), np.stack([j, i + 40, j + 40], axis=1)])
    pipe = tile_surface(vertices, faces.astype(np.int32))
    grid = sight_grid(surface(), {"exhaust": pipe}, ("below",))
    assert state_at(grid, [700, 300, 500], [700, 300, 515]) == [FILLED, FILLED]
    assert sight_places(grid) == ()


def test_of_two_removed_things_each_has_its_own_shadow():
    boxes = {name: surface(box_mesh([x, -300, 600], [x + 600, 300, 650])) for name, x in (("tank", 0), ("box", 1500))}
    grid = sight_grid(surface(), boxes, ("below",))
    assert state_at(grid, [300, 0, 700], [1800, 0, 700]) == [SHADOW, SHADOW + 1]
    names = {place.name.split(" near ")[0] for place in sight_places(grid)}
    assert names == {"behind the removed tank", "behind the removed box"}


def test_what_two_removed_things_hide_together_is_the_shadow_of_one_of_them():
    upper, lower = (surface(box_mesh([0, -300, z], [600, 300, z + 20])) for z in (600, 700))
    grid = sight_grid(surface(), {"upper": upper, "lower": lower}, ("below",))
    assert state_at(grid, [300, 0, 780])[0] in (SHADOW, SHADOW + 1)


def test_without_stations_only_shadows_are_told_as_seen_from_all_sides_and_it_is_said():
    """A closed box of metal is dark within from everywhere, and is told only where stations were declared."""
    cup = surface(open_box([50.0, -150, 600], [450.0, 150, 895]), sheet((0, 500), (-200, 200), 602))
    lid, block = sheet((0, 500), (-200, 200), 900), box_mesh([700, 0, 600], [900, 200, 800])
    grid = sight_grid(surface(lid, block), {"cup": cup}, ())
    assert OUT_OF_SIGHT not in grid.state
    assert any("seen_from" in note for note in grid.notes)
    assert state_at(grid, [801, 101, 701]) == [SEEN]
    assert OUT_OF_SIGHT in sight_grid(surface(lid, block), {"cup": cup}, SIDES).state
    assert {place.kind for place in sight_places(grid)} <= {"shadow"}


def test_a_hood_of_removed_sheet_over_a_plate_has_a_shadow_even_from_all_six_sides():
    """An open hood is no body: between it and the plate nothing was seen, and it did not fill that space."""
    hood = open_box([0.0, -200, 600], [500.0, 200, 880])
    walls = surface((hood[0], hood[1][:, ::-1].copy()))  # its skin faces inward, so it encloses nothing
    grid = sight_grid(surface(sheet((-50, 550), (-250, 250), 900)), {"hood": walls}, ())
    assert state_at(grid, [251, 1, 741]) == [SHADOW]


# -- membranes, floor, size --


def test_a_membrane_over_a_hole_blocks_like_metal():
    lid = sheet((0, 600), (0, 400), 500)
    cup = open_box([0.0, 0, 500], [600.0, 400, 900])
    upside = (cup[0] * [1, 1, -1] + [0, 0, 1400], cup[1][:, ::-1].copy())  # open below
    seen = sight_grid(surface(upside), {}, ("below",))
    closed = sight_grid(surface(upside), {}, ("below",), membranes=surface(lid))
    assert state_at(seen, [300, 200, 700]) == [SEEN]
    assert state_at(closed, [300, 200, 700]) == [OUT_OF_SIGHT]


def test_a_scanned_floor_does_not_hide_the_underside_and_it_is_said():
    floor = sheet((-2000, 4000), (-2000, 2000), 3)
    grid = sight_grid(surface(PLATE, floor), {}, ("below",))
    assert state_at(grid, [600, 0, 500], [600, 0, 1000]) == [SEEN, OUT_OF_SIGHT]
    assert any("floor" in note for note in grid.notes)
    assert sight_grid(surface(PLATE), {}, ("below",)).notes == ()


def test_a_scan_of_a_whole_yard_is_looked_at_in_larger_cells_and_it_is_said(monkeypatch):
    monkeypatch.setattr(visibility, "MOST_CELLS", 100_000)
    posts = [box_mesh([x, y, 100], [x + 100, y + 100, 2000]) for x in (0, 6000) for y in (0, 4000)]
    grid = sight_grid(surface(*posts), {}, ("below", "left"))
    assert grid.cell_mm > 60
    assert grid.state.size <= visibility.MOST_CELLS
    assert "cells of" in grid.notes[0]


def test_no_surface_gives_no_cells_and_no_places():
    for grid in (sight_grid(surface(), {}, ("below",)), sight_grid(surface(), {"tank": surface()}, ())):
        assert grid.state.size == 0
        assert sight_places(grid) == ()


def test_an_unknown_station_is_refused():
    with pytest.raises(InternalError, match="inside"):
        sight_grid(surface(PLATE), {}, ("below", "inside"))


def test_the_same_scan_moved_with_its_grid_gives_the_same_cells_and_its_mirror_image_the_mirrored_ones():
    tank = {"tank": surface(TANK)}
    one = sight_grid(surface(PLATE), tank, ("left",))
    moved = {"tank": surface((TANK[0] + [40, 60, 80], TANK[1]))}
    other = sight_grid(surface((PLATE[0] + [40, 60, 80], PLATE[1])), moved, ("left",))
    assert one.state.shape == other.state.shape
    assert (one.state != other.state).mean() < 0.002  # samples on the border of a voxel may fall to either side
    mirror = [(v * [1, -1, 1], f[:, ::-1].copy()) for v, f in (PLATE, TANK)]
    right = sight_grid(surface(mirror[0]), {"tank": surface(mirror[1])}, ("right",))
    for value in (OUT_OF_SIGHT, SHADOW):  # the pixels of a mirrored line are turned otherwise: a few cells differ
        assert (right.state == value).sum() == pytest.approx((one.state == value).sum(), rel=0.15)


# -- places --


def grid_of(state, things=("tank", "exhaust"), seen_from=("below", "left")):
    return SightGrid(np.array([1000.0, -200, 500]), CELL_MM, np.asarray(state, np.uint8), things, seen_from)


@pytest.mark.parametrize("seed", range(4))
def test_places_hold_exactly_the_unseen_cells_and_each_is_of_one_kind(seed):
    rng = np.random.default_rng(seed)
    states = [SEEN, OUT_OF_SIGHT, OUT_OF_SIGHT, SHADOW, SHADOW + 1, FILLED, EXPLAINED]
    state = rng.choice(states, (12, 9, 7))
    grid = grid_of(state)
    points = middles(grid, np.ones(state.shape, bool))
    count = np.zeros(len(points), int)
    for place in sight_places(grid):
        held = inside(points, place.solid)
        count += held
        found = set(state.reshape(-1)[held])
        assert len(found) == 1
        wanted = {OUT_OF_SIGHT: "out of sight", SHADOW: "removed tank", SHADOW + 1: "removed exhaust"}[found.pop()]
        assert wanted in place.name
        assert place.kind == ("out of sight" if wanted == "out of sight" else "shadow")
    assert (count == grid.unseen().reshape(-1)).all()


def test_a_place_is_named_by_a_spot_inside_it_and_is_no_longer_than_320_mm():
    places = sight_places(grid_of(np.full((60, 30, 10), OUT_OF_SIGHT)))
    names = {place.name for place in places}
    assert len(names) == 4 * 2
    for name in names:
        ends = np.array([place.solid.extents() for place in places if place.name == name])
        lo, hi = ends[:, 0].min(axis=0), ends[:, 1].max(axis=0)
        assert (hi - lo <= visibility.PLACE_MM).all()
        at = np.array([float(c) for c in name.split("(")[1].rstrip(")").split(",")])
        assert ((at >= lo - 5) & (at <= hi + 5)).all()


def test_the_reason_names_the_stations():
    out = sight_places(grid_of(np.full((2, 2, 2), OUT_OF_SIGHT)))[0]
    assert "from below or left" in out.why
    everywhere = sight_places(grid_of(np.full((2, 2, 2), SHADOW), seen_from=()))[0]
    assert "from any side" in everywhere.why
