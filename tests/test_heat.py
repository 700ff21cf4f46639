"""Heat by other roads: closed forms, brute force, random poses, and the scale's own marks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from trucks import part, plate, rear_axle, scanned, scene

from fitcheck.checks.heat import SPACING_MM, Heat, heat_of_pair, heat_of_part, heat_of_scan, level_of
from fitcheck.checks.run import check_scene
from fitcheck.errors import InternalError
from fitcheck.geometry.heat import StillField, TriangleTree
from fitcheck.geometry.separation import nearest_to_origin
from fitcheck.geometry.skin import skin
from fitcheck.geometry.solids import Solid, box, capsule, cylinder, sphere
from fitcheck.geometry.surface import tile_surface
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.discs import WheelPiece
from fitcheck.vehicle.hoses import Line, hose_pieces
from fitcheck.vehicle.mechanisms import Leaf, Still, StraightTravel
from fitcheck.vehicle.motion import Carried, Limit, columns_of
from fitcheck.vehicle.mounts import rocking_unit
from fitcheck.vehicle.moving import MovingBody, RigidPiece, axle_body, shaft_body
from fitcheck.vehicle.scene import Contact, Exclusion, Region, Rule, ShaftPart
from fitcheck.vehicle.spans import End, RodPiece, Span, shaft_spans
from fitcheck.vehicle.steering import Kingpin, steered_wheels
from fitcheck.vehicle.swept_field import SweptField, _held


def by_force(points, corners):
    """Every point against every triangle."""
    shifted = (corners[None] - points[:, None, None]).reshape(-1, 3, 3)
    return np.linalg.norm(nearest_to_origin(shifted), axis=1).reshape(len(points), -1).min(axis=1)


def ragged_sheet(seed, cells=40, size=400.0):
    """A wavy sheet with noise, and a few triangles without area."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(0, size, cells), np.linspace(0, size, cells), indexing="ij")
    z = 20 * np.sin(x / 60) + rng.normal(0, 1, x.shape)
    i, j = np.meshgrid(np.arange(cells - 1), np.arange(cells - 1), indexing="ij")
    a = (i * cells + j).ravel()
    faces = np.concatenate([np.stack([a, a + 1, a + cells], 1), np.stack([a + 1, a + cells + 1, a + cells], 1)])
    flat = np.stack([a[:50], a[:50] + 1, a[:50]], axis=1)
    return np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1), np.concatenate([faces, flat])


# -- closed forms --


def test_the_heat_of_a_sphere_over_a_plane_is_the_height_of_each_of_its_points():
    scan = scanned(plate((-300.0, 300.0), (-300.0, 300.0), 0.0))
    truck = scene(parts=(part("ball", sphere((0, 0, 60), 50)),), scan=scan, rules=(Rule(("any", "scan"), 40, 90, ""),))
    heat = heat_of_part(truck, "ball", swept=True)
    near = heat.other >= 0
    assert np.abs(heat.found_mm[near] - heat.points_mm[near, 2]).max() <= 1e-9
    assert (heat.points_mm[~near, 2] >= 180 - 1e-9).all()
    assert heat.found_mm.min() == pytest.approx(10.0, abs=heat.cover_mm**2 / 100 + 1e-9)
    assert np.array_equal(heat.found_mm, heat.at_least_mm)


def test_the_heat_of_a_plane_under_a_sphere_is_the_distance_of_each_vertex_to_the_middle_less_the_radius():
    """The plane is one rectangle of 600 mm: its least is found between its vertices, and given to them."""
    x, y = np.meshgrid(np.linspace(-90, 90, 37), np.linspace(-90, 90, 37), indexing="ij")
    a = (np.arange(36)[:, None] * 37 + np.arange(36)).ravel()
    faces = np.concatenate([np.stack([a, a + 1, a + 37], 1), np.stack([a + 1, a + 38, a + 37], 1)])
    fine = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1)
    truck = scene(parts=(part("ball", sphere((0.0, 0.0, 55.0), 50.0)),), scan=scanned((fine, faces)))
    heat = heat_of_scan(truck, swept=False)
    exact = np.linalg.norm(heat.points_mm - (0, 0, 55), axis=1) - 50
    assert (heat.found_mm <= exact + 1e-9).all()  # a value is the least round its vertex
    assert (heat.found_mm >= exact - SPACING_MM).all()
    assert heat.found_mm.min() == pytest.approx(5.0, abs=1e-9)
    assert np.array_equal(heat.points_mm, truck.scan.metal.vertices[heat.rows])


def test_large_triangles_of_the_scan_are_asked_between_their_corners():
    scan = scanned(plate((-300.0, 300.0), (-300.0, 300.0), 0.0))
    truck = scene(parts=(part("ball", sphere((33.0, -71.0, 55.0), 50.0)),), scan=scan)
    heat = heat_of_scan(truck, swept=False)
    assert heat.cover_mm <= SPACING_MM / np.sqrt(3) + 1e-9
    assert 5.0 - 1e-9 <= heat.found_mm.min() <= 5.0 + heat.cover_mm
    assert len(heat.points_mm) >= 3
    assert len(heat.faces) >= 1


def test_a_box_inside_another_is_negative_by_its_depth_and_so_is_a_sphere_and_a_mesh():
    points = skin(box((-10, -10, -10), (10, 10, 10)), 5.0).points_mm
    expected = -(50 - np.abs(points).max(axis=1))
    holder = box((-50, -50, -50), (50, 50, 50))
    for solid in (holder, replace(holder, convex=False)):
        assert np.abs(StillField([solid]).distances(points) - expected).max() <= 1e-9
    in_ball = StillField([sphere((0, 0, 0), 50)]).distances(points)
    assert np.abs(in_ball + 50 - np.linalg.norm(points, axis=1)).max() <= 1e-9
    rounded = StillField([Solid(holder.vertices, holder.faces, 5.0, True)]).distances(points)
    assert np.abs(rounded - expected + 5.0).max() <= 1e-9


def test_an_open_mesh_has_no_inside():
    holder = box((-50, -50, -50), (50, 50, 50))
    opened = Solid(holder.vertices, holder.faces[:-2], closed=False)
    assert StillField([opened]).distances(np.zeros((1, 3)))[0] == pytest.approx(50.0)


# -- brute force --


@pytest.mark.parametrize("reach", [15.0, 60.0, np.inf])
def test_still_distances_are_those_of_brute_force(reach):
    """A tiled surface with triangles without area, a capsule and a box; beyond the reach infinity."""
    vertices, faces = ragged_sheet(1)
    rng = np.random.default_rng(2)
    points = rng.uniform((-100, -100, -60), (500, 500, 120), (300, 3))
    ball, block = capsule((50, 50, 80), (250, 80, 90), 12), box((300, 300, 60), (340, 380, 100))
    surface = tile_surface(vertices, faces, 64)
    expected = by_force(points, vertices[faces])
    expected = np.minimum(expected, by_force(points, ball.vertices[ball.faces]) - 12)
    outside = np.maximum(np.maximum((300, 300, 60) - points, points - (340, 380, 100)), 0)
    inside = ((points > (300, 300, 60)) & (points < (340, 380, 100))).all(axis=1)
    assert not inside.any() or inside.sum() < 20
    expected = np.minimum(expected, np.where(inside, np.inf, np.linalg.norm(outside, axis=1)))
    found = StillField([surface, ball, block]).distances(points, reach)
    sure = ~inside
    near = sure & (expected < reach)
    assert near.sum() > 20
    assert np.abs(found - expected)[near].max() <= 1e-9
    assert np.isinf(found[sure & ~near]).all()


def test_nothing_empty_or_not_finite_looks_like_air():
    empty = tile_surface(np.empty((0, 3)), np.empty((0, 3), np.int32))
    for shapes in ([], [empty]):
        with pytest.raises(InternalError):
            StillField(shapes)
    field = StillField([box((0, 0, 0), (1, 1, 1))])
    with pytest.raises(InternalError):
        field.distances(np.array([[np.nan, 0, 0]]))
    with pytest.raises(InternalError):
        TriangleTree(np.full((1, 3, 3), np.nan))
    assert len(field.distances(np.empty((0, 3)))) == 0


# -- over a travel --

AXLE = rear_axle()
SHAFT = ShaftPart("shaft", (1330, 0, 480), (2390, 60, 404), "rear_axle", 63.5, 2.5, 90.0, 60.0, 3.0, 6.0)


def bodies():
    whole, shaft = axle_body(AXLE), shaft_body(SHAFT, {"rear_axle": AXLE})
    straight = whole.straight()
    assert isinstance(straight.space, StraightTravel)
    carrier = RigidPiece("carrier", AXLE, box((2400, 20, 330), (2560, 120, 420)))
    boxed = MovingBody("boxed", "axle", (carrier,), ("rear_axle",))
    return {"axle": whole, "shaft": shaft, "straight": straight, "boxed": boxed, "straight shaft": shaft.straight()}


def at_pose(body, points, pose):
    """Signed distance of points to a body in one pose, by its solids; a shaft's by its cylinders in closed form."""
    least = np.full(len(points), np.inf)
    for piece in body.pieces:
        if isinstance(piece, Span):
            least = np.minimum(least, to_cylinder(points, piece, pose))
        else:
            least = np.minimum(least, to_rigid(points, piece.at(pose)))
    return least


def to_cylinder(points, piece, pose):
    still, moving = (placed(end, piece.space, pose) for end in (piece.start, piece.end))
    way = moving - still
    length = np.linalg.norm(way)
    start, end = (offset + share * length for offset, share in (piece.first, piece.last))
    along = (points - still) @ way / length
    off = np.linalg.norm(points - still - along[:, None] * way / length, axis=1) - piece.radius_mm
    beyond = np.maximum(start - along, along - end)
    return np.where(
        (off > 0) | (beyond > 0), np.hypot(np.maximum(off, 0), np.maximum(beyond, 0)), np.maximum(off, beyond)
    )


def placed(end, space, pose):
    """Where an end is, by what carries it."""
    own = pose[columns_of(end.motion, space)]
    return end.motion.place(own[None], np.array([end.point]))[0, 0]


def to_rigid(points, solid):
    if solid.radius_mm:
        return by_force(points, solid.vertices[solid.faces]) - solid.radius_mm
    local = (points - solid.vertices.mean(axis=0)) @ solid.frame.T
    half = np.abs((solid.vertices - solid.vertices.mean(axis=0)) @ solid.frame.T).max(axis=0)
    over = np.abs(local) - half
    return np.linalg.norm(np.maximum(over, 0), axis=1) + np.minimum(over.max(axis=1), 0)


@pytest.mark.parametrize("name", ["axle", "shaft", "straight", "boxed", "straight shaft"])
def test_no_random_pose_comes_nearer_than_the_bound_and_what_was_found_is_reached_or_nearly(name):
    """2,000 poses, half of them with a coordinate at its stop; 140 points near what the body sweeps."""
    body, rng = bodies()[name], np.random.default_rng(11)
    motion = body.space
    boxes = np.array([piece.hulls(motion.low[None], motion.high[None]).boxes()[0] for piece in body.pieces])
    points = rng.uniform(boxes[:, 0].min(axis=0) - 40, boxes[:, 1].max(axis=0) + 40, (4000, 3))
    found, at_least = SweptField(body).bounds(points, 80.0)
    apart = np.flatnonzero(np.isfinite(found) & (found > 0))[:110]
    over = np.flatnonzero(found <= 0)[:30]
    points, found, at_least = (some[np.append(apart, over)] for some in (points, found, at_least))
    least = np.full(len(points), np.inf)
    for _ in range(2000):
        pose = rng.uniform(motion.low, motion.high)
        stop = rng.random(len(pose)) < 0.4
        pose[stop] = np.where(rng.random(stop.sum()) < 0.5, motion.low[stop], motion.high[stop])
        least = np.minimum(least, at_pose(body, points, pose))
    assert len(apart) == 110
    assert (at_least <= found).all()
    assert (least >= at_least - 0.02)[: len(apart)].all(), (at_least - least)[: len(apart)].max()
    assert (least[: len(apart)] > -0.02).all()  # where only air was found, no pose comes over the point
    assert (found - at_least)[: len(apart)].max() <= 4.0
    assert np.median((found - at_least)[: len(apart)]) <= 1.0
    # the poses are sparse in four coordinates: they come near what was found, seldom below it
    assert (found[: len(apart)] - np.maximum(least[: len(apart)], 0)).max() <= 4.0


STEERED = steered_wheels(
    "steering", Kingpin((0, -700, 300), (0, -700, 460)), Kingpin((0, 700, 300), (0, 700, 460)),
    inner_deg=33.0, outer_deg=27.0, wheelbase_mm=2620.0,
)  # fmt: skip
UNIT = rocking_unit("unit", (1010, 0, 470), (1, 0, 0), drive_deg=1.5, reverse_deg=1.5, surge_mm=3.0, settle_mm=3.0)


def kinds():
    """A tyre that steers on an axle, a tie rod, a hose, a shaft on a rocking unit: 5 to 7 coordinates."""
    front = replace(AXLE, name="front_axle", centre_mm=(0, 0, 384), leaf=Leaf(600.0, "rear"), carries=())
    left, right = Carried(front, STEERED.left), Carried(front, STEERED.right)
    tyre = WheelPiece("tyre", left, (0, -740, 384), (0, 1, 0), 395.0, 205.0)
    rod = RodPiece("tie rod", End((-160, -655, 360), left), End((-160, 655, 360), right), 15.0)
    hose = hose_pieces(Line("hose", End((60, -445, 500), Still()), End((40, -640, 420), left), 360.0, 11.0))
    shaft = shaft_spans("shaft", End((1330, 0, 480), UNIT), End((2390, 60, 404), AXLE), diameter_mm=63.5)
    return {"tyre": (tyre,), "rod": (rod,), "hose": hose, "shaft": shaft}


def to_solid(points, solid):
    """A cylinder in closed form; a capsule by its middle line's ends."""
    if solid.radius_mm:
        return by_force(points, solid.vertices[solid.faces]) - solid.radius_mm
    return StillField([solid]).distances(points)


@pytest.mark.parametrize("name", ["tyre", "rod", "hose", "shaft"])
def test_every_kind_of_body_is_bounded_over_five_and_more_coordinates(name):
    """120 poses, four in ten of their coordinates at a stop: none comes nearer to 40 points than is proven."""
    body, rng = MovingBody(name, "x", kinds()[name], ()), np.random.default_rng(21)
    space = body.space
    assert len(space.coordinates) >= 5
    starts = [solid.extents() for solid in body.solids(space.scan_pose)]
    low, high = np.min([box[0] for box in starts], axis=0), np.max([box[1] for box in starts], axis=0)
    points = rng.uniform(low - 120, high + 120, (500, 3))
    found, at_least = SweptField(body).bounds(points, 80.0)
    apart = np.flatnonzero(np.isfinite(found) & (at_least > 0))[:40]
    points, found, at_least = points[apart], found[apart], at_least[apart]
    least = np.full(len(points), np.inf)
    for _ in range(120):
        pose = rng.uniform(space.low, space.high)
        stop = rng.random(len(pose)) < 0.4
        pose[stop] = np.where(rng.random(stop.sum()) < 0.5, space.low[stop], space.high[stop])
        for solid in body.solids(pose):
            least = np.minimum(least, to_solid(points, solid))
    assert len(points) == 40
    assert (at_least <= found).all()
    assert (least >= at_least - 0.02).all(), (at_least - least).max()
    assert np.median(found - at_least) <= 12.0


def test_a_coordinate_that_hardly_moves_a_piece_is_held_and_the_bound_stays_one():
    """A surge of ± 0.3 mm beside a swing of ± 3°: held, and what it does is in the bound."""
    unit = rocking_unit("unit", (0, 0, 0), (1, 0, 0), drive_deg=3.0, reverse_deg=3.0, surge_mm=0.3, settle_mm=0.0)
    piece = RigidPiece("block", unit, box((-50, 200, -20), (50, 260, 20)))
    held = _held(piece, unit.low, unit.high)
    assert dict(zip(unit.coordinates, held, strict=True))["unit.surge"]
    assert not dict(zip(unit.coordinates, held, strict=True))["unit.rock"]
    point = np.array([[50.3 + 5.0, 230.0, 0.0]])
    found, at_least = SweptField(MovingBody("block", "x", (piece,), ())).bounds(point, 30.0)
    assert 5.0 - 1.5 <= at_least[0] <= 5.0 + 1e-6
    assert found[0] == pytest.approx(5.0, abs=0.7)


def test_a_pose_beyond_a_linear_limit_is_not_said_to_be_reached():
    """Two slides along y of 10 each that together go no further than 12: the block comes to 12 of 20."""
    slides = (Joint("slide", (0, 1, 0)), Joint("slide", (0, 1, 0)))
    words = (Coordinate("a", 0.0, 10.0, "mm"), Coordinate("b", 0.0, 10.0, "mm"))
    chain = Chain("two", words, slides, (Law((1.0, 0.0)), Law((0.0, 1.0))), limits=(Limit((1.0, 1.0), 12.0),))
    body = MovingBody("block", "x", (RigidPiece("block", chain, box((-50, -50, -50), (50, 50, 50))),), ())
    found, at_least = SweptField(body).bounds(np.array([[0.0, 80.0, 0.0]]), 60.0)
    assert found[0] == pytest.approx(18.0, abs=1e-6)
    assert at_least[0] == pytest.approx(10.0, abs=0.1)  # the bound is over all of both


@pytest.mark.parametrize("name", ["axle", "shaft"])
def test_what_was_found_is_a_distance_that_a_search_over_poses_reaches(name):
    """From random starts down to the least by shrinking steps: no more than a hair above ``found``."""
    body, rng = bodies()[name], np.random.default_rng(12)
    motion = body.space
    boxes = np.array([piece.hulls(motion.low[None], motion.high[None]).boxes()[0] for piece in body.pieces])
    points = rng.uniform(boxes[:, 0].min(axis=0) - 20, boxes[:, 1].max(axis=0) + 20, (3000, 3))
    found, at_least = SweptField(body).bounds(points, 60.0)
    for k in np.flatnonzero(np.isfinite(found) & (found > 0))[:12]:
        best, where = np.inf, motion.scan_pose
        for start in rng.uniform(motion.low, motion.high, (40, len(motion.low))):
            here = at_pose(body, points[k][None], start)[0]
            if here < best:
                best, where = here, start
        step = (motion.high - motion.low) / 4
        while step.max() > 1e-3 * (motion.high - motion.low).max():
            tries = np.clip(where + rng.uniform(-1, 1, (24, len(where))) * step, motion.low, motion.high)
            values = [at_pose(body, points[k][None], pose)[0] for pose in tries]
            if min(values) < best:
                best, where = min(values), tries[int(np.argmin(values))]
            else:
                step = step / 2
        assert at_least[k] - 0.02 <= best <= found[k] + 1.5, (k, best, found[k], at_least[k])


def test_a_least_between_the_stops_is_found():
    """On the leaf's arc the axle is farthest back at its flat height, in the middle of the travel: not at a corner."""
    body = axle_body(replace(AXLE, carries=(("ball", sphere((2620, 0, 384), 30)),), wind_up_drive_deg=0, lateral_mm=0))
    point = np.array([[2620 + 30 + 7.0, 0.0, 384.0]])
    found, at_least = SweptField(body).bounds(point, 50.0)
    assert 7.0 - 0.5 <= at_least[0] <= 7.0 <= found[0] + 1e-9
    assert found[0] <= 7.0 + 0.5
    ends = [at_pose(body, point, np.array([h, h, 0.0, 0.0]))[0] for h in (-90.0, 80.0)]
    assert min(ends) > 40.0


def test_a_body_that_does_not_move_is_exact():
    shaft = replace(SHAFT, end_on=None)
    body = shaft_body(shaft, {})
    points = np.random.default_rng(1).uniform((1200, -100, 300), (2500, 150, 600), (300, 3))
    found, at_least = SweptField(body).bounds(points)
    exact = at_pose(body, points, np.empty(0))
    assert np.array_equal(found, at_least)
    assert np.abs(found - exact).max() <= 0.011  # the chord error of its prisms


# -- the scale --


@pytest.mark.parametrize(("must", "want", "guard"), [(10, 25, 4), (10, 12, 4), (0, 5, 6), (5, 20, 5), (0, 0, 1)])
def test_the_marks_of_the_scale_are_those_of_the_verdict(must, want, guard):
    fails, passes, wanted = max(0, must - guard), must + guard, max(want, must + guard)
    marks = level_of(np.array([fails, passes, wanted, 2 * wanted, 99.0 * wanted + 99]), must, want, guard)
    assert marks[0] == (1.0 if fails > 0 else 0.0)
    assert list(marks[1:]) == [2.0 if wanted > passes else 3.0, 3.0, 4.0, 4.0]
    assert list(level_of(np.array([-7.0, 0.0]), must, want, guard)) == [0.0, 0.0]
    hair = float(level_of(np.array([1e-9]), must, want, guard)[0])
    assert hair >= (0.0 if fails > 0 else 1.0)
    assert hair > 0.0
    steps = level_of(np.linspace(-5, 60, 4001), must, want, guard)
    assert (np.diff(steps) >= 0).all()
    assert float(level_of(np.array([max(must, 1e-12)]), must, want, guard)[0]) == pytest.approx(1.5)


def test_a_distance_that_is_no_number_has_no_level():
    with pytest.raises(InternalError):
        level_of(np.array([1.0, np.nan]), 1, 2, 3)


# -- from a scene --


def two_boxes(**more):
    parts = (part("one", box((0, 0, 0), (100, 100, 20))), part("two", box((0, 0, 26), (100, 100, 60))))
    return scene(parts=parts, **more)


def test_the_pair_that_is_lowest_on_its_own_scale_decides():
    """The farther of two walls decides where its rule asks for more."""
    parts = (
        part("middle", box((0, 0, 0), (50, 50, 50))),
        part("near", box((60, 0, 0), (70, 50, 50))),
        part("far", box((0, 0, 70), (50, 50, 80))),
    )
    rules = (Rule(("middle", "near"), 1, 2, ""), Rule(("middle", "far"), 60, 90, ""))
    heat = heat_of_part(scene(parts=parts, rules=rules), "middle", swept=False)
    on_top = (heat.points_mm[:, 2] == 50) & (heat.points_mm[:, 0] > 40)
    assert {heat.others[k] for k in heat.other[on_top]} == {"far"}
    assert np.allclose(heat.found_mm[on_top], 20.0)
    bottom = (heat.points_mm[:, 2] == 0) & (heat.points_mm[:, 0] == 50)
    assert {heat.others[k] for k in heat.other[bottom]} == {"far"}  # 70 mm off, still below its rule


def test_beyond_every_reach_there_is_nothing():
    apart = scene(parts=(part("one", box((0, 0, 0), (9, 9, 9))), part("two", box((900, 0, 0), (909, 9, 9)))))
    heat = heat_of_part(apart, "one", swept=True)
    assert (heat.other == -1).all()
    assert (heat.level == 4.0).all()
    assert np.isinf(heat.found_mm).all()
    pair = heat_of_pair(apart, "one", "two", swept=False)
    assert pair.found_mm.min() == pytest.approx(891.0)


def test_what_the_check_proved_of_a_moving_pair_no_place_of_its_map_is_below():
    block = part("block", box((2400, -60, 625), (2800, 100, 700)))
    truck = scene(parts=(block,), mechanisms={"rear_axle": AXLE}, moving=(axle_body(AXLE),))
    row = next(row for row in check_scene(truck).clearances if row.between == ("block", "rear_axle"))
    alone, known = (Heat(truck, rows).pair("block", "rear_axle", swept=True) for rows in ((), (row,)))
    assert row.at_least_mm > 0.0
    assert known.at_least_mm.min() >= row.at_least_mm - 1e-9
    assert known.at_least_mm.min() > alone.at_least_mm.min()
    assert (known.at_least_mm <= known.found_mm).all()
    assert np.array_equal(known.found_mm, alone.found_mm)


def test_an_excluded_pair_gives_no_heat():
    truck = two_boxes(exclusions=(Exclusion(("one", "two"), "bolted"),))
    assert (heat_of_part(truck, "one", swept=False).other == -1).all()
    assert heat_of_pair(truck, "one", "two", swept=False) is None
    assert (heat_of_part(two_boxes(), "one", swept=False).other >= 0).any()


def test_a_declared_place_is_left_out_on_both_sides_and_the_rest_is_not():
    place = Contact(("one", "two"), Region("box", (0.0, 0.0, 0.0), (30.0, 100.0, 60.0)), "pads", origin="x.yaml:1")
    truck = two_boxes(contacts=(place,), rules=(Rule(("one", "two"), 8, 12, ""),))
    heat = Heat(truck)
    one, two = heat.pair("one", "two", swept=False), heat.pair("two", "one", swept=False)
    clear = 8 + 2 * np.sqrt(2 * 1.5**2)
    beyond = two.points_mm[:, 0] > 30 + clear
    assert np.isinf(two.found_mm[~beyond & (two.points_mm[:, 0] < 30)]).all()
    assert two.found_mm[beyond].min() == pytest.approx(6.0)
    at_edge = (one.points_mm[:, 0] == 0) & (one.points_mm[:, 2] == 20)
    assert one.found_mm[at_edge].min() == pytest.approx(np.hypot(30 + clear, 6.0))
    assert one.found_mm.min() == pytest.approx(6.0)


def test_moving_bodies_count_as_scanned_or_over_their_travel():
    """A box 200 mm over the axle: clear as scanned, and 120 mm from its bump stop."""
    tube = replace(AXLE, carries=(("tube", capsule((2620, -600, 384), (2620, 600, 384), 45)),), lateral_mm=0)
    block = part("block", box((2560, -50, 384 + 45 + 90), (2680, 50, 700)))
    truck = scene(parts=(block,), mechanisms={"rear_axle": tube}, moving=(axle_body(tube),))
    heat = Heat(truck)
    static = heat.pair("block", "rear_axle", swept=False)
    swept = heat.pair("block", "rear_axle", swept=True)
    assert static.found_mm.min() == pytest.approx(90.0, abs=0.2)
    assert swept.found_mm.min() == pytest.approx(10.0, abs=0.2)
    assert swept.at_least_mm.min() >= 10.0 - 4.0
    assert (heat.part("block", swept=False).other == -1).all()
    assert (heat.part("block", swept=True).level.min()) < 2.0


def test_a_map_names_what_it_lacks():
    truck = two_boxes()
    with pytest.raises(InternalError, match="'three'"):
        heat_of_part(truck, "three", swept=False)
    with pytest.raises(InternalError, match="no scan"):
        heat_of_scan(truck, swept=False)
    assert Heat(truck).things() == ("one", "two")
    assert [made.thing for made in Heat(truck).maps(swept=True)] == ["one", "two"]


def test_a_cylinder_is_asked_as_its_prism():
    rod = cylinder((0, 0, 0), (100, 0, 0), 20)
    points = np.array([[50.0, 40.0, 0.0], [120.0, 0.0, 0.0], [50.0, 0.0, 5.0]])
    assert StillField([rod]).distances(points) == pytest.approx([20.0, 20.0, -15.0], abs=0.011)
