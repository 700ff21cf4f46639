"""Inside, overlap, depth, clearing moves, and what lies outside a declared place."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapes
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from fitcheck.checks.contacts import cut_out, planes_of
from fitcheck.checks.pairs import StillPair, check_still
from fitcheck.checks.rules import Party, choose_rule
from fitcheck.errors import InputError, InternalError
from fitcheck.geometry import solids
from fitcheck.geometry.clip import outside_of
from fitcheck.geometry.distance import Shape, least_between
from fitcheck.geometry.inside import depths, inside, winding_numbers
from fitcheck.geometry.overlap import any_inside, clearing_move, meet
from fitcheck.geometry.sampling import points_on_triangles
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import Contact, Region

Floats = NDArray[np.float64]

CUBE = solids.box((0, 0, 0), (100, 100, 100))


def surface(*pieces: Solid) -> TiledSurface:
    """Solids as one scanned surface."""
    offsets = np.cumsum([0, *(len(piece.vertices) for piece in pieces)])
    faces = [piece.faces + offset for piece, offset in zip(pieces, offsets, strict=False)]
    return tile_surface(np.concatenate([piece.vertices for piece in pieces]), np.concatenate(faces).astype(np.int32))


def area(corners: Floats) -> float:
    return float(
        np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2
    )


# ------------------------------------------------------------------ inside


def test_depths_in_closed_form() -> None:
    """A box by its nearest face, a ball and a capsule by radius less distance; on or outside: −1."""
    assert depths(np.array([[50, 50, 10.0], [50, 50, 50], [0, 50, 50], [-1, 50, 50]]), CUBE).tolist() == [
        10,
        50,
        -1,
        -1,
    ]
    ball = solids.sphere((0, 0, 0), 10)
    assert depths(np.array([[0, 0, 0.0], [0, 6, 0], [0, 10, 0]]), ball) == pytest.approx([10, 4, -1])
    pipe = solids.capsule((0, 0, 0), (100, 0, 0), 5)
    assert depths(np.array([[50, 3, 0.0], [-3, 0, 0], [104, 0, 0], [106, 0, 0]]), pipe) == pytest.approx([2, 2, 1, -1])
    assert len(depths(np.empty((0, 3)), CUBE)) == 0


@given(st.integers(0, 2**32 - 1))
def test_a_closed_mesh_tells_inside_like_its_own_convex_faces(seed: int) -> None:
    """Winding numbers and distances to triangles against the face planes of the same box."""
    points = np.random.default_rng(seed).uniform(-40, 140, (60, 3))
    mesh = Solid(CUBE.vertices, CUBE.faces)
    assert depths(points, mesh) == pytest.approx(depths(points, CUBE), abs=1e-9)


def test_winding_number_is_one_inside_and_nought_outside_of_a_sphere() -> None:
    """van Oosterom and Strackee 1983; a closed mesh sums to 4π from inside."""
    vertices, faces = shapes.sphere_mesh(10.0, 12, 16)
    points = np.array([[0, 0, 0.0], [5, 5, 5], [20, 0, 0]])
    assert winding_numbers(points, vertices, faces) == pytest.approx([1, 1, 0], abs=1e-9)


def test_a_notch_is_outside() -> None:
    """An L: the notch of a concave part holds nothing."""
    from fitcheck.geometry.outline import extruded_outline

    corners = [(0, 0), (100, 0), (100, 40), (40, 40), (40, 100), (0, 100)]
    bracket = extruded_outline(corners, "xy", 0.0, 50.0)
    assert inside(np.array([[20, 20, 25.0], [70, 70, 25], [70, 20, 25]]), bracket).tolist() == [True, False, True]
    assert meet([bracket], [solids.box((60, 60, 10), (80, 80, 40))]).contact == "apart"


# ------------------------------------------------------------------ meeting


MEETINGS: dict[str, tuple[list[Solid], list[Shape], str, float]] = {
    "apart": ([CUBE], [solids.box((112, 0, 0), (150, 9, 9))], "apart", 12.0),
    "face to face": ([CUBE], [solids.box((100, 20, 20), (150, 80, 80))], "touching", 0.0),
    "5 deep": ([CUBE], [solids.box((95, 20, 20), (150, 80, 80))], "overlap", -5.0),
    "M49 box in box": ([CUBE], [solids.box((40, 40, 40), (60, 60, 60))], "inside", -50.0),
    "box round box": ([solids.box((40, 40, 40), (60, 60, 60))], [CUBE], "inside", -50.0),
    "scan fragment in a part": ([CUBE], [surface(solids.box((20, 20, 20), (24, 24, 24)))], "inside", -24.0),
    "in a capsule": (
        [solids.box((-2, -2, -2), (2, 2, 2))],
        [solids.capsule((-50, 0, 0), (50, 0, 0), 9)],
        "overlap",
        -9.0,
    ),
    "scan crossing": ([CUBE], [surface(solids.box((-50, 40, 40), (150, 60, 60)))], "overlap", -40.0),
}


@pytest.mark.parametrize("name", MEETINGS)
def test_meetings(name: str) -> None:
    """Closed forms; a sampled depth is a lower estimate, so it may be smaller but not larger."""
    part, other, contact, clearance = MEETINGS[name]
    found = meet(part, other)
    assert found.contact == contact
    if clearance >= 0 and contact != "inside":
        assert found.clearance_mm == pytest.approx(clearance, abs=1e-9)
    elif clearance:
        assert clearance - 1e-9 <= found.clearance_mm <= 0.8 * clearance
    else:
        assert found.clearance_mm < 0.0


def test_meeting_of_nothing_is_an_error_not_a_pass() -> None:
    with pytest.raises(InternalError):
        meet([], [CUBE])
    with pytest.raises(InternalError):
        meet([CUBE], [])


def test_inside_of_an_open_mesh_cannot_be_told() -> None:
    """Only where something reaches into its box; elsewhere it is apart."""
    opened = Solid(CUBE.vertices, CUBE.faces[2:], closed=False)
    assert meet([opened], [solids.box((40, 40, 40), (60, 60, 60))]).contact == "unknown"
    assert meet([solids.box((40, 40, 40), (60, 60, 60))], [opened]).contact == "unknown"
    assert meet([opened], [solids.box((140, 40, 40), (160, 60, 60))]).contact == "apart"
    assert any_inside(np.array([[50.0, 50, 50]]), [opened]) is None
    assert any_inside(np.array([[50.0, 50, 50]]), [opened, CUBE]) is True
    assert any_inside(np.array([[150.0, 50, 50]]), [opened, CUBE]) is False


spans = st.tuples(*[st.floats(-60, 60), st.floats(5, 80)] * 3)


@given(spans)
def test_depth_is_a_lower_bound_of_any_move(span: tuple[float, ...]) -> None:
    """Two boxes along the axes separate by the least overlap of their extents (separating axes): depth is no more."""
    low = np.array(span[::2])
    other = solids.box(low, low + np.array(span[1::2]))
    overlap = np.minimum(CUBE.extents()[1] - other.extents()[0], other.extents()[1] - CUBE.extents()[0])
    found = meet([CUBE], [other])
    if overlap.min() > 1e-3:
        assert found.contact in ("overlap", "inside")
        assert -found.clearance_mm <= overlap.min() + 1e-9
    elif overlap.min() < -1e-3:
        assert found.contact == "apart"


# ------------------------------------------------------------------ moves


WAYS = [np.array(way, dtype=np.float64) for way in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, 0, -1), (0.6, 0.8, 0))]


@pytest.mark.parametrize("way", WAYS, ids=str)
@pytest.mark.parametrize("margin", [0.0, 5.5])
def test_engine_8_clearing_move_is_the_first_clear_position(way: Floats, margin: float) -> None:
    """At s the pair clears by the margin; on 25 positions before s it does not."""
    part = [solids.box((-30, -40, -20), (50, 60, 35))]
    other: list[Shape] = [
        surface(solids.box((-10, -15, -200), (20, 25, 210)), solids.cylinder((70, -90, 0), (70, 90, 0), 9))
    ]
    moved = clearing_move(part, other, way, margin)
    if moved is None:
        assert way[2] != 0.0
        return

    def clearance(distance: float) -> float:
        return meet([solid.moved(np.eye(3), distance * way) for solid in part], other).clearance_mm

    assert clearance(moved) >= margin - 1e-5
    assert all(clearance(share * moved) < margin for share in np.linspace(0.0, 0.999, 25))


def test_engine_8_no_move_where_it_is_blocked() -> None:
    """A column that goes on beyond the limit cannot be left along itself."""
    column = surface(solids.box((-10, -10, -2000), (10, 10, 2000)))
    assert clearing_move([CUBE], [column], np.array([0.0, 0, 1]), 3.0) is None
    assert clearing_move([CUBE], [column], np.array([1.0, 0, 0]), 3.0) == pytest.approx(13.0, abs=0.06)


def test_a_judged_overlap_lists_its_moves_and_each_of_them_passes() -> None:
    row = check(CUBE, solids.box((90, 20, 20), (150, 80, 80)))
    assert row.contact == "overlap"
    ways = {move.direction: move.distance_mm for move in row.moves}
    clear = row.must_mm + row.guard_mm
    assert ways["-x"] == pytest.approx(10.0 + clear, abs=0.06)
    assert ways["+y"] == pytest.approx(80.0 + clear, abs=0.06)
    assert set(ways) == {"+x", "-x", "+y", "-y", "+z", "-z"}, "the way out is along an axis here"


# ------------------------------------------------------------------ declared places


def check(part: Solid, other: Shape, *contacts: Contact) -> Clearance:
    chosen = choose_rule(Party("A1", "structure"), Party("scan", "scan"), ())
    return check_still(StillPair(("A1", "scan"), (part,), (other,), chosen, {"u": 0.5}, contacts))


def foot(region: Region, deeper: float = 1.0) -> Contact:
    return Contact(("A1", "scan"), region, "mount foot", deeper, "a.yaml:7")


FLOOR = tile_surface(*shapes.sheet_mesh(1000.0, 40, 0.0, np.random.default_rng(1)))
STANDING = solids.box((-20, -20, 0), (20, 20, 60))
PLACES = {
    "box": Region("box", lo=(-25, -25, -5), hi=(25, 25, 5)),
    "cylinder": Region("cylinder", start=(0, 0, -5), end=(0, 0, 5), radius_mm=32),
    "sphere": Region("sphere", start=(0, 0, 0), radius_mm=32),
    "capsule": Region("capsule", start=(0, 0, -5), end=(0, 0, 5), radius_mm=32),
}


@pytest.mark.parametrize("kind", PLACES)
def test_a_declared_place_may_touch(kind: str) -> None:
    """On a flat floor: undeclared it fails, declared the floor round the place is judged and is clear."""
    assert check(STANDING, FLOOR).verdict is Verdict.FAIL
    row = check(STANDING, FLOOR, foot(PLACES[kind]))
    assert row.verdict is Verdict.PASS
    assert row.contact == "declared"


def test_elsewhere_on_the_same_pair_is_still_judged() -> None:
    """A second foot, not declared."""
    two = tile_surface(*shapes.sheet_mesh(1000.0, 40, 0.0, np.random.default_rng(1)))
    wide = solids.box((-200, -20, 0), (20, 20, 60))
    assert check(wide, two, foot(PLACES["box"])).verdict is Verdict.FAIL


@pytest.mark.parametrize(("deep", "verdict"), [(0.5, Verdict.PASS), (5.0, Verdict.FAIL)])
def test_deeper_than_the_contact_allows_is_judged_in_the_place_as_well(deep: float, verdict: Verdict) -> None:
    sunk = STANDING.moved(np.eye(3), (0, 0, -deep))
    assert check(sunk, FLOOR, foot(PLACES["box"])).verdict is verdict


def test_a_thing_wholly_inside_its_declared_place_touches_where_declared() -> None:
    little = surface(solids.box((-5, -5, -4), (5, 5, 0)))
    row = check(STANDING, little, foot(PLACES["box"]))
    assert row.verdict is Verdict.PASS
    assert row.reason == "touches where declared: mount foot"


def test_two_round_things_cannot_declare_a_place() -> None:
    """Nothing to cut: said, not guessed."""
    chosen = choose_rule(Party("a", "lv"), Party("b", "lv"), ())
    balls = (solids.sphere((0, 0, 0), 5),), (solids.sphere((9, 0, 0), 5),)
    with pytest.raises(InputError, match="exclude the pair"):
        check_still(StillPair(("a", "b"), *balls, chosen, {}, (foot(PLACES["box"], 20.0),)))


@given(st.integers(0, 2**32 - 1))
def test_what_is_cut_and_what_is_left_add_up(seed: int) -> None:
    """Areas: outside of a box region, and the rest, against the region turned inside out plane by plane."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform(-60, 60, (12, 3, 3))
    planes = planes_of(Region("box", lo=(-20, -25, -30), hi=(25, 20, 15)), 2.0)
    left = outside_of(corners, planes.normals, planes.offsets)
    inner = corners
    for normal, offset in zip(planes.normals, planes.offsets, strict=True):
        inner = outside_of(inner, -normal[None], np.array([-offset]))  # beyond the opposite half space: within this one
    assert area(left) + area(inner) == pytest.approx(area(corners), rel=1e-9)
    middles = left.mean(axis=1)
    assert (np.max(middles @ planes.normals.T - planes.offsets, axis=1) >= -1e-9).all()


def test_cutting_nothing_and_everything() -> None:
    assert len(outside_of(np.empty((0, 3, 3)), np.eye(3), np.ones(3))) == 0
    far = foot(Region("box", lo=(900, 900, 900), hi=(901, 901, 901)))
    assert cut_out([FLOOR], [far], 2.0)[0] is FLOOR
    whole = foot(Region("box", lo=(-900, -900, -900), hi=(900, 900, 900)))
    assert cut_out([FLOOR, CUBE], [whole], 2.0) == []
    with pytest.raises(InputError):
        cut_out([solids.sphere((0, 0, 0), 5)], [whole], 0.0)


def test_the_rest_of_a_cut_surface_is_where_it_was() -> None:
    """Distance to the cut floor from above the hole: to its rim."""
    left = cut_out([FLOOR], [foot(PLACES["box"])], 5.0)
    found = least_between([solids.sphere((0, 0, 40), 1)], left)
    assert found is not None
    assert found.distance_mm == pytest.approx(math.hypot(30, 40) - 1.0, abs=1e-9)


# ------------------------------------------------------------------ sampling


@given(st.integers(0, 2**32 - 1), st.floats(2.0, 30.0))
def test_samples_lie_on_their_triangle_no_wider_apart_than_asked(seed: int, spacing: float) -> None:
    corners = np.random.default_rng(seed).uniform(-80, 80, (1, 3, 3))
    points = points_on_triangles(corners, spacing)
    tree = [np.linalg.norm(points - corner, axis=1).min() for corner in corners[0]]
    assert max(tree) == pytest.approx(0.0, abs=1e-9)
    share = np.linalg.lstsq(
        np.vstack([corners[0].T, np.ones(3)]), np.vstack([points.T, np.ones(len(points))]), rcond=None
    )[0]
    assert share.min() >= -1e-6
    edge = points[[np.isclose(share[2], 0.0, atol=1e-9)][0]]
    along = np.sort(np.linalg.norm(edge - corners[0, 0], axis=1))
    assert max((b - a for a, b in pairwise(along)), default=0.0) <= spacing + 1e-9


def test_samples_of_nothing() -> None:
    assert points_on_triangles(np.empty((0, 3, 3)), 5.0).shape == (0, 3)


def test_parts_that_coincide_overlap_by_half_their_least_size() -> None:
    """The same box twice: a place forgotten. Touching everywhere and deepest in the middle."""
    found = meet([CUBE], [solids.box((0, 0, 0), (100, 100, 100))])
    assert (found.contact, found.clearance_mm) == ("overlap", pytest.approx(-50.0))


def test_two_overlapping_pipes_are_measured_at_their_deepest_within_a_fraction() -> None:
    """Axes 5 apart, radius 50: long thin faces are thinned, never their corners or the middle."""
    pipes = [solids.cylinder((x, 0, 0), (500 + x, 50, 50), 50) for x in (100, 105)]
    found = meet(pipes[:1], pipes[1:])
    assert found.contact == "overlap"
    assert -50.01 <= found.clearance_mm <= -40.0
