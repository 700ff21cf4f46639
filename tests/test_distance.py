"""Distances against closed forms, published rows and invariances.

The rows M1 … M49 are a table of check values. READ: the value stands in a published
source; CALC: closed form, recomputed. Triangles with fewer than three different corners
stand for points and segments: the program must measure them, not drop them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import oracle
import pytest
import shapes
import triangle_pairs
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import FitcheckError, InternalError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import Closest, closest, touching, triangle_pair_distances
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface

Floats = NDArray[np.float64]


def one_triangle(*corners: ArrayLike) -> TiledSurface:
    """One triangle as a surface; two corners make a segment, one a point."""
    points = [np.asarray(corner, dtype=np.float64) for corner in corners]
    return tile_surface(np.array((points + [points[-1]] * 2)[:3]), np.array([[0, 1, 2]], dtype=np.int32))


def surface(mesh: shapes.Mesh) -> TiledSurface:
    return tile_surface(mesh[0], mesh[1])


def solid(mesh: shapes.Mesh) -> Solid:
    return Solid(mesh[0], mesh[1])


def big_plane(point: ArrayLike, normal: ArrayLike, reach_mm: float = 1e4) -> TiledSurface:
    """A square of two triangles that stands for a plane."""
    frame = solids.axis_frame(normal)
    corners = [u * frame[1] + v * frame[2] for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    return tile_surface(
        np.asarray(point) + reach_mm * np.array(corners), np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    )


# ------------------------------------------------------------------ M1 … M15: segments

# Source: the segment-segment table in the public tests of an open geometry library,
# recomputed; squared distances.
SEGMENTS: dict[str, tuple[list[tuple[float, float, float]], float]] = {
    "M1": ([(-8, -7, 0), (11, 6, 0), (23, -27, 2), (-17, 16, 2)], 4.0),
    "M2": ([(0, 0, 0), (5, 0, 0), (1, 1, 2), (6, 1, 2)], 5.0),
    "M3": ([(0, 0, 0), (5, 0, 0), (1, 1, 2), (2, 1, 2)], 5.0),
    "M4": ([(5, 0, 0), (8, 0, 0), (1, 1, 2), (2, 1, 2)], 14.0),
    "M5": ([(0, 0, 0), (5, 0, 0), (6, 1, 2), (8, 1, 2)], 6.0),
    "M6": ([(0, 0, 0), (0, -3, 0), (1, 4, 2), (1, 7, 2)], 21.0),
    "M7": ([(0, 0, 0), (0, 0, 0), (8, 1, 2), (6, 1, 2)], 41.0),
    "M8": ([(0, 0, 0), (1, 0, 0), (2, 1, 2), (2, -1, 2)], 5.0),
    "M9": ([(2, 0, 0), (0, 2, 0), (1, 1, 4), (4, 0, 4)], 16.0),
    "M10": ([(10, 0, 0), (0, 10, 0), (6, 6, 20), (20, 0, 20)], 402.0),
    "M11": ([(-10, -13, 0), (0, 10, 0), (10, 5, 20), (70, -30, 20)], 524.642),
    "M12": ([(0, 0, 0), (30, -10, 0), (-5, 20, 20), (40, 30, 20)], 824.706),
    "M13": ([(4, 0, 0), (-3, -1, 0), (1, 1, 2), (2, 11, 2)], 6.0),
    "M14": ([(3, 4, 0), (7, 7, 0), (7, 0, 2), (6, 5, 2)], 5.0),
    "M15": ([(-1, 1, 0), (3, 4, 0), (7, 0, 2), (6, 5, 2)], 180.0 / 13.0),
}


@pytest.mark.parametrize("row", SEGMENTS)
@pytest.mark.parametrize("order", [(0, 1, 2, 3), (1, 0, 2, 3), (0, 1, 3, 2), (1, 0, 3, 2), (2, 3, 0, 1), (3, 2, 1, 0)])
def test_segment_rows(row: str, order: tuple[int, ...]) -> None:
    """Segments as triangles without area; either one reversed, or the two swapped: same value."""
    points, squared = SEGMENTS[row]
    a, b, c, d = (points[k] for k in order)
    found = closest(one_triangle(a, b), one_triangle(c, d)).distance_mm
    exactly = oracle.exact_distance_squared([a, b, b], [c, d, d])
    assert found**2 == pytest.approx(float(exactly), rel=1e-12)
    assert found**2 == pytest.approx(squared, abs=5e-4)


# ------------------------------------------------------------------ M20 … M32: triangles


@dataclass(frozen=True)
class Row:
    """Two triangles, their distance, and where the value comes from."""

    first: tuple[tuple[float, float, float], ...]
    second: tuple[tuple[float, float, float], ...]
    distance: float
    source: str


UNIT = ((0, 0, 0), (1, 0, 0), (0, 1, 0))
TRIANGLES = {
    "M20 parallel planes": Row(UNIT, ((0, 0, 1), (1, 0, 1), (0, 1, 1)), 1.0, "READ in a published example; CALC"),
    "M21 point and face": Row(((0, 0, 0),), ((1, 0, 0), (0, 1, 0), (0, 0, 1)), 1 / math.sqrt(3), "READ; CALC"),
    "M22 corner over face": Row(((0, 0, 0), (4, 0, 0), (0, 4, 0)), ((1, 1, 2), (1, 1, 5), (2, 1, 5)), 2.0, "CALC"),
    "M23 corner to corner": Row(
        ((0, 0, 0), (-1, 0, 0), (0, -1, 0)), ((3, 4, 12), (4, 4, 12), (3, 5, 12)), 13.0, "CALC"
    ),
    "M24 corner to edge": Row(((0, 0, 0), (2, 0, 0), (1, -1, 0)), ((1, 3, 4), (1, 5, 4), (1, 4, 6)), 5.0, "CALC"),
    "M25 crossed edges": Row(((-1, 0, 0), (1, 0, 0), (0, 0, -1)), ((0, -1, 1), (0, 1, 1), (0, 0, 2)), 1.0, "CALC"),
    "M26 skew edges": Row(
        ((0, 0, 0), (1, 0, 1), (1, 0, -1)),
        ((0, 0, 1), (1, 1, 1), (0, 1, 2)),
        1 / math.sqrt(3),
        "READ (skew face diagonals of a unit cube); CALC",
    ),
    "M27 pierced": Row(((0, 0, 0), (4, 0, 0), (0, 4, 0)), ((1, 1, -1), (1, 1, 1), (2, 3, 1)), 0.0, "CALC"),
    "M28 coplanar apart": Row(UNIT, ((2, 2, 0), (3, 2, 0), (2, 3, 0)), 3 / math.sqrt(2), "CALC"),
    "M29 coplanar, one in the other": Row(
        ((0, 0, 0), (10, 0, 0), (0, 10, 0)), ((1, 1, 0), (2, 1, 0), (1, 2, 0)), 0.0, "CALC"
    ),
    "M30 shared edge": Row(UNIT, ((0, 0, 0), (1, 0, 0), (0, -1, 1)), 0.0, "CALC"),
    "M31 sliver 1000 by 1e-6": Row(
        ((0, 0, 0), (1000, 0, 0), (500, 1e-6, 0)), ((500, 0, 3), (501, 0, 3), (500, 1, 3)), 3.0, "CALC"
    ),
    "M32 without area": Row(
        ((0, 0, 0), (5, 0, 0), (2.5, 0, 0)), ((1, 1, 2), (6, 1, 2), (3, 5, 2)), math.sqrt(5), "CALC"
    ),
}


@pytest.mark.parametrize("name", TRIANGLES)
@pytest.mark.parametrize("roll", [0, 1, 2])
def test_triangle_rows(name: str, roll: int) -> None:
    """Whichever corner comes first, whichever triangle comes first."""
    row = TRIANGLES[name]
    first, second = one_triangle(*row.first), one_triangle(*row.second[roll:], *row.second[:roll])
    assert closest(first, second).distance_mm == pytest.approx(row.distance, abs=1e-12)
    assert closest(second, first).distance_mm == pytest.approx(row.distance, abs=1e-12)


# python-fcl takes exactly parallel edges for the nearest features although another pair of features is
# nearer or the triangles cross, and answers 7 to 8 for each of these.
PARALLEL = [
    ([(0, 0, 0), (2.5, 0, 0), (-3.8, -3.6, -2.6)], [(0.9, -6.0, -5.0), (3.6, -6.0, -5.0), (1.9, 5.4, 4.6)], 0.0),
    ([(0, 0, 0), (3.5, 0, 0), (1.4, 5.4, -0.9)], [(0.2, 5.7, 5.3), (4.9, 5.7, 5.3), (3.2, -3.2, -5.3)], 0.0),
    ([(0, 0, 0), (3.6, 0, 0), (3.9, 6.0, -3.8)], [(1.2, 5.6, -4.6), (4.3, 5.6, -4.6), (2.1, 3.5, 6.0)], 0.0),
    ([(0, 0, 0), (2.5, 0, 0), (3.4, 5.5, 2.6)], [(0.1, 5.9, -5.8), (4.4, 5.9, -5.8), (-0.4, 0.8, 0.2)], 0.7481055569),
    ([(0, 0, 0), (4.8, 0, 0), (-0.6, 4.9, 4.5)], [(-0.2, -6, 5.2), (3.2, -6, 5.2), (3.6, 1.3, -2.4)], 0.7249934403),
]


@pytest.mark.parametrize(("first", "second", "truth"), PARALLEL)
@pytest.mark.parametrize("roll", [0, 1, 2])
def test_parallel_edges_do_not_hide_a_nearer_feature(
    first: list[Any], second: list[Any], truth: float, roll: int
) -> None:
    """Source: exact whole-number arithmetic (tests/oracle.py), coordinates in tenths of a millimetre."""
    exactly = math.sqrt(oracle.exact_distance_squared(first, second))
    assert exactly == pytest.approx(truth, abs=1e-9)
    a, b = one_triangle(*first), one_triangle(*second[roll:], *second[:roll])
    assert closest(a, b).distance_mm == pytest.approx(exactly, abs=1e-6)
    assert closest(b, a).distance_mm == pytest.approx(exactly, abs=1e-6)


# ------------------------------------------------------------------ M40 … M49: solids


def about_z(degrees: float) -> Floats:
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])


def half_cube() -> Solid:
    return solids.box((-0.5, -0.5, -0.5), (0.5, 0.5, 0.5))


def m40() -> Closest:
    return closest(solids.box((0, 0, 0), (1, 1, 1)), solids.box((4, 5, 13), (6, 7, 15)))


def m41() -> Closest:
    return closest(half_cube().moved(about_z(45), (0, 0, 0)), big_plane((2, 0, 0), (1, 0, 0)))


def m42() -> Closest:
    diagonal = solids.axis_frame((1, 1, 1))[[1, 2, 0]]
    return closest(half_cube().moved(diagonal, (0, 0, 0)), big_plane((0, 0, 2), (0, 0, 1)))


def m45() -> Closest:
    return closest(solids.sphere((20, 15, 0), 10), solids.box((-9, -9, -9), (0, 0, 9)))


def m47() -> Closest:
    a, b, c, d = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / (2 * math.sqrt(2))
    return closest(one_triangle(a, b), one_triangle(c, d))


SOLIDS = {
    "M40 boxes with gaps 3, 4, 12": (m40, 13.0),
    "M41 cube on its edge before a plane": (m41, 2 - math.sqrt(2) / 2),
    "M42 cube on its corner under a plane": (m42, 2 - math.sqrt(3) / 2),
    "M45 sphere beside a box edge": (m45, 15.0),
    "M47 opposite edges of a regular tetrahedron": (m47, 1 / math.sqrt(2)),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_solid_rows(name: str) -> None:
    """All CALC (closed form)."""
    measure, truth = SOLIDS[name]
    assert measure().distance_mm == pytest.approx(truth, abs=1e-12)


@pytest.mark.parametrize("edge", [((1, 0, 0), (1, 1, 0)), ((0, 1, 0), (0, 1, 1)), ((0, 0, 1), (1, 0, 1))])
def test_row_m46_body_diagonal_to_an_edge_it_does_not_meet(edge: tuple[tuple[int, ...], tuple[int, ...]]) -> None:
    """1/√2, for an edge in each direction (CALC)."""
    found = closest(one_triangle((0, 0, 0), (1, 1, 1)), one_triangle(*edge)).distance_mm
    assert found == pytest.approx(1 / math.sqrt(2), abs=1e-12)


def test_row_m43_crossed_cylinders() -> None:
    """Radii 40 and 25, axes 100 apart at right angles: 35, less at most both chord errors (CALC)."""
    first = solids.cylinder((-300, 0, 0), (300, 0, 0), 40)
    second = solids.cylinder((0, -300, 100), (0, 300, 100), 25)
    found = closest(first, second).distance_mm
    assert 35 - first.chord_error_mm - second.chord_error_mm - 1e-9 <= found <= 35 + 1e-9


@pytest.mark.parametrize(("y_mm", "truth"), [(0.0, 200.0), (90.0, 200.0), (150.0, math.hypot(200, 50))])
def test_row_m44_rim_of_a_cylinder(y_mm: float, truth: float) -> None:
    """Radius 300, half-width 100 along y, point (400, y, 300): beside the tread 200, past the rim 206.155 (CALC)."""
    wheel = solids.cylinder((0, -100, 0), (0, 100, 0), 300)
    found = closest(wheel, one_triangle((400, y_mm, 300))).distance_mm
    assert truth - wheel.chord_error_mm - 1e-9 <= found <= truth + 1e-9


def test_row_m48_box_turning_about_its_centre_sweeps_a_radius_of_50() -> None:
    """Half-sizes 40 × 30: a point 60 out is 10 away at the worst turn, and never nearer (CALC)."""
    point, part = one_triangle((60, 0, 0)), solids.box((-40, -30, -5), (40, 30, 5))

    def at(turn_deg: float) -> float:
        return closest(point, part.moved(about_z(turn_deg), np.zeros(3))).distance_mm

    assert at(math.degrees(math.atan2(30, 40))) == pytest.approx(10.0, abs=1e-12)
    assert min(at(turn) for turn in np.linspace(0, 360, 721)) >= 10.0 - 1e-12


def test_row_m49_box_in_a_box_has_a_surface_distance_and_is_inside() -> None:
    """Surfaces are 4 apart, so distance alone would call it clear; the solid angle says inside (CALC)."""
    inner, outer = shapes.box_mesh((-6, -6, -6), (6, 6, 6)), shapes.box_mesh((-10, -10, -10), (10, 10, 10))
    found = closest(surface(outer), solid(inner))
    assert found.distance_mm == pytest.approx(4.0, abs=1e-12)
    assert not touching(found.distance_mm)
    assert np.allclose(oracle.winding_numbers(inner[0], *outer), 1.0)


# ------------------------------------------------------------------ grown solids, closed forms


def test_a_capsule_is_its_axis_less_its_radius() -> None:
    """Axis 50 above a corner of a box and beyond its end by (30, 40): √(50² + 30²) − 12 (closed form)."""
    rod = solids.capsule((30, -100, 50), (30, 100, 50), 12)
    found = closest(rod, solids.box((-10, -10, -10), (0, 10, 0)))
    assert found.distance_mm == pytest.approx(math.hypot(50, 30) - 12, abs=1e-12)


def test_two_balls_and_their_nearest_points() -> None:
    """Centres (0,0,0) and (30,40,0), radii 10 and 15: 25 apart, nearest points on the line of centres."""
    found = closest(solids.sphere((0, 0, 0), 10), solids.sphere((30, 40, 0), 15))
    assert found.distance_mm == pytest.approx(25.0, abs=1e-12)
    assert np.allclose(found.points_mm, [[6, 8, 0], [21, 28, 0]], atol=1e-9)


def test_overlapping_balls_are_never_below_zero() -> None:
    found = closest(solids.sphere((0, 0, 0), 10), solids.sphere((5, 0, 0), 10)).distance_mm
    assert found == 0.0
    assert touching(found)


# ------------------------------------------------------------------ corners are not enough


def test_middle_of_a_plate_of_two_triangles() -> None:
    """2000 × 2000 plate, a box 10 above its middle: 10, not 1414 to the nearest corner (closed form)."""
    plate = big_plane((0, 0, 0), (0, 0, 1), 1000)
    found = closest(plate, solids.box((-20, -20, 10), (20, 20, 50)))
    assert found.distance_mm == pytest.approx(10.0, abs=1e-12)


def test_two_crossed_rods() -> None:
    """Thin square rods that cross 10 apart, their corners hundreds apart: 10 (closed form)."""
    along_x = solids.box((-500, -1, -2), (500, 1, 0))
    along_y = solids.box((-1, -500, 10), (1, 500, 12))
    assert closest(along_x, along_y).distance_mm == pytest.approx(10.0, abs=1e-12)
    assert closest(surface((along_x.vertices, along_x.faces)), along_y).distance_mm == pytest.approx(10.0, abs=1e-12)


def test_a_far_shape_still_gets_its_exact_distance() -> None:
    """No search radius, no cut-off: 1 km is 1 km."""
    found = closest(surface(shapes.box_mesh((0, 0, 0), (1, 1, 1))), solids.box((1e6 + 1, 0, 0), (1e6 + 2, 1, 1)))
    assert found.distance_mm == pytest.approx(1e6, rel=1e-14)


def test_touching_is_at_most_a_millionth() -> None:
    assert touching(0.0)
    assert touching(1e-6)
    assert not touching(1.01e-6)
    for no_distance in (float("inf"), float("nan")):
        with pytest.raises(InternalError):
            touching(no_distance)


def test_nothing_to_measure_is_an_error_and_not_a_clear_pass() -> None:
    """The least of no distances is infinite: that must never come out as a number."""
    empty = tile_surface(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32))
    part = half_cube()
    with pytest.raises(InternalError):
        closest(empty, part)
    with pytest.raises(InternalError):
        closest(part, empty)
    with pytest.raises(InternalError):
        closest(part, Solid(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)))


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_a_coordinate_that_is_no_number_is_an_error(bad: float) -> None:
    vertices, faces = shapes.box_mesh((0, 0, 0), (1, 1, 1))
    broken = vertices.copy()
    broken[3, 1] = bad
    with pytest.raises(FitcheckError):
        closest(Solid(broken, faces), half_cube())
    with pytest.raises(FitcheckError):
        closest(half_cube(), Solid(broken, faces))


# ------------------------------------------------------------------ invariances

shift_mm = st.floats(-1e4, 1e4).map(lambda value: round(value, 3))
seed = st.integers(0, 2**32 - 1)
few = settings(max_examples=15, deadline=None, derandomize=True)


def _pair(number: int) -> tuple[shapes.Mesh, shapes.Mesh]:
    rng = np.random.default_rng(number)
    first, second = rng.choice(sorted(shapes.ZOO), size=2)
    return shapes.moved(shapes.ZOO[first](rng), rng, 50.0), shapes.moved(shapes.ZOO[second](rng), rng, 300.0)


def _distance(pair: tuple[shapes.Mesh, shapes.Mesh]) -> float:
    return closest(surface(pair[0]), solid(pair[1])).distance_mm


def _map(pair: tuple[shapes.Mesh, shapes.Mesh], change: Any) -> tuple[shapes.Mesh, shapes.Mesh]:
    (a, faces_a), (b, faces_b) = pair
    return (change(a), faces_a), (change(b), faces_b)


@few
@given(seed)
def test_swapping_the_two_changes_nothing(number: int) -> None:
    first, second = _pair(number)
    assert _distance((first, second)) == pytest.approx(_distance((second, first)), abs=1e-10)


@few
@given(seed, shift_mm, shift_mm, shift_mm)
def test_moving_both_together_changes_nothing(number: int, x: float, y: float, z: float) -> None:
    """Shift to 1e4 and any turn. At 1e4 a coordinate is stored to 1e-12: 1e-9 leaves room for a hundred roundings."""
    pair = _pair(number)
    turn = triangle_pairs.rotations(np.random.default_rng(number), 1)[0]
    both = _map(pair, lambda points: points @ turn.T + np.array([x, y, z]))
    assert abs(_distance(both) - _distance(pair)) < 1e-9


@few
@given(seed, st.floats(1e-2, 1e2))
def test_a_larger_scene_has_larger_distances_in_proportion(number: int, scale: float) -> None:
    pair = _pair(number)
    assert _distance(_map(pair, lambda points: scale * points)) == pytest.approx(
        scale * _distance(pair), rel=1e-10, abs=1e-9
    )


@few
@given(seed, st.sampled_from([25.4, 1000.0, 10.0, 304.8]))
def test_changing_the_unit_there_and_back_changes_nothing(number: int, mm_per_unit: float) -> None:
    """Inch, metre, centimetre, foot: divide, multiply, measure."""
    pair = _pair(number)
    there_and_back = _map(pair, lambda points: (points / mm_per_unit) * mm_per_unit)
    assert _distance(there_and_back) == pytest.approx(_distance(pair), abs=1e-10)


@few
@given(seed)
def test_order_of_faces_and_corners_changes_nothing(number: int) -> None:
    first, (vertices, faces) = _pair(number)
    rng = np.random.default_rng(number)
    shuffled = np.roll(rng.permutation(faces), 1, axis=1)
    assert _distance((first, (vertices, shuffled))) == pytest.approx(_distance((first, (vertices, faces))), abs=1e-10)


@few
@given(seed, st.floats(0, 1000))
def test_moving_away_along_the_nearest_line_adds_exactly_that_much_for_convex_shapes(
    number: int, step_mm: float
) -> None:
    """Two convex solids apart: the nearest line is a common normal, so a step along it adds its length."""
    rng = np.random.default_rng(number)
    first, second = (shapes.moved(shapes.ZOO[kind](rng), rng, 1.0) for kind in ("box", "cylinder"))
    away = rng.normal(size=3)
    second = second[0] + 900.0 * away / np.linalg.norm(away), second[1]
    near = closest(solid(first), solid(second))
    direction = (near.points_mm[1] - near.points_mm[0]) / near.distance_mm
    assert _distance((first, (second[0] + step_mm * direction, second[1]))) == pytest.approx(
        near.distance_mm + step_mm, abs=1e-8
    )


def test_pair_distances_of_nothing_are_nothing() -> None:
    assert triangle_pair_distances(np.empty((0, 3, 3)), np.empty((0, 3, 3))).shape == (0,)
