"""Inside the metal that an open, one-sided, noisy skin shows: right, wrong and undecided against closed forms.

Truth is how each scene was made: boxes and cylinders along an axis, whose inside is an inequality. A short campaign
is a test; ``scripts/campaign_sides.py`` runs the same one as long as one likes.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import oracle
import pytest
from shapes import Chance, Faces, Floats, Mesh, box_mesh, sphere_mesh
from side_scenes import FLAWS, RAIL, SCENES, Member, Sheet, circle, joined, noisy, rectangle, tally, without_some
from triangle_pairs import rotations

from fitcheck.errors import InternalError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.first_hits import neighbourhood, spread_directions
from fitcheck.geometry.near_borders import in_a_continued_tube
from fitcheck.geometry.outline import extruded_outline
from fitcheck.geometry.pseudo_normals import signs
from fitcheck.geometry.sides import Side, SideTester, points_within
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.geometry.winding import winding_tree

# ------------------------------------------------------------------ the table


@pytest.mark.parametrize("flaw", FLAWS)
@pytest.mark.parametrize("scene", SCENES)
def test_no_answer_is_wrong_whatever_is_missing(scene: str, flaw: str) -> None:
    """Silent error 1; undecided is allowed where the skin is not whole, and only there."""
    found = tally(scene, flaw, seed=list(FLAWS).index(flaw), count=120)
    assert found.wrong == 0
    if flaw == "whole" and "floor" not in scene:
        assert found.inside[2] + found.outside[2] <= 0.1 * len(found.truth)
    assert found.inside[0] >= 0.4 * found.truth.sum()
    assert found.outside[0] >= 0.2 * (~found.truth).sum()


HARD = [
    ("rail, tube and floor", "30 % in patches", 0),  # a pipe almost gone under a floor: its winding number is about 0
    ("rail, tube and floor", "30 % in patches", 6),
    ("rail, tube and floor", "a side unseen", 2),
    ("rail, tube and floor", "30 % in patches", 5006),  # the end of a pipe gone altogether
    ("rail and crossmember", "a side unseen", 3),
]
"""Trials in which simpler rules than those of ``Votes.combined`` gave a wrong answer."""


@pytest.mark.parametrize(("scene", "flaw", "seed"), HARD)
def test_trials_that_were_once_answered_wrong_are_not(scene: str, flaw: str, seed: int) -> None:
    assert tally(scene, flaw, seed).wrong == 0


# ------------------------------------------------------------------ a cube and a rail

MIDDLE = solids.box((330, -20, -20), (370, 20, 20))
BESIDE = solids.box((330, 40, -20), (370, 80, 20))


def rail_of(*, flaws: Callable[[Mesh], Mesh] = lambda mesh: mesh) -> SideTester:
    return SideTester.of(*flaws(Member(RAIL, 0, 700, (0, 0)).mesh(10.0)))


def topless(mesh: Mesh) -> Mesh:
    vertices, faces = mesh
    return vertices, faces[~(vertices[faces][:, :, 2] > 59.9).all(axis=1)]


def test_a_cube_in_a_rail_scanned_from_outside_is_inside_and_ten_beside_it_is_out() -> None:
    """Rail 60 × 120 with open ends, cube of 40; the distance of 10.0 is what it looks like from the surface alone."""
    rail = rail_of()
    assert rail.usable
    within = points_within(MIDDLE, 10.0)
    assert (rail.sides(within) == Side.INSIDE).all()
    beside = points_within(BESIDE, 10.0)
    assert (rail.sides(beside) == Side.OUT).all()
    assert closest(rail.surface, BESIDE).distance_mm == pytest.approx(10.0, abs=1e-9)
    assert closest(rail.surface, MIDDLE).distance_mm == pytest.approx(10.0, abs=1e-9)


def test_with_the_top_face_missing_a_cube_in_the_rail_is_never_out() -> None:
    rail = rail_of(flaws=topless)
    within = rail.sides(points_within(MIDDLE, 10.0))
    assert (within == Side.INSIDE).mean() > 0.5
    assert not (within == Side.OUT).any()
    beside = rail.sides(points_within(BESIDE, 10.0))
    assert (beside == Side.OUT).mean() > 0.5
    assert not (beside == Side.INSIDE).any()


@pytest.mark.parametrize("deep", [5, 20, 60, 120, 350])
def test_near_an_open_end_the_inside_is_not_out_and_the_outside_not_inside(deep: float) -> None:
    across = np.array([[0, 0], [15, 30], [-20, -50], [0, 45]], dtype=np.float64)
    rail = rail_of()
    said = rail.sides(np.column_stack([np.full(4, deep), across]))
    assert not (said == Side.OUT).any()
    if deep >= 60:
        assert (said == Side.INSIDE).all()
    assert not (rail.sides(np.column_stack([np.full(4, -deep), across])) == Side.INSIDE).any()


def test_between_two_rails_is_out() -> None:
    pair = SideTester.of(*joined([Member(RAIL, 0, 700, (y, 0)).mesh(10.0) for y in (0, 85)]))
    gap = np.column_stack([np.linspace(100, 600, 21), np.full(21, 42.5), np.linspace(-40, 40, 21)])
    assert (pair.sides(gap) == Side.OUT).all()


def test_rails_whose_facing_webs_were_not_seen_do_not_make_the_gap_inside() -> None:
    """The scanner could not look between them: what is left looks like one wide rail with two slots."""
    meshes = []
    for y, inner in ((0, 30.0), (85, 55.0)):
        vertices, faces = Member(RAIL, 0, 700, (y, 0)).mesh(10.0)
        meshes.append((vertices, faces[~(np.abs(vertices[faces][:, :, 1] - inner) < 0.1).all(axis=1)]))
    gap = np.column_stack([np.linspace(100, 600, 21), np.full(21, 42.5), np.linspace(-40, 40, 21)])
    assert (SideTester.of(*joined(meshes)).sides(gap) == Side.UNDECIDED).all()


def test_the_hollow_of_a_box_section_is_not_inside_because_most_of_its_inner_skin_is_missing() -> None:
    """Wall 8, outer skin whole, of the inner skin only one side left: backs all round, but for that front."""
    section = Member(rectangle(100, 120), 0, 600, (0, 0))
    inner, faces = Member(rectangle(84, 104), 0, 600, (0, 0)).mesh(10.0)
    lower = (inner[faces][:, :, 2] < -51.9).all(axis=1)
    tester = SideTester.of(*joined([section.mesh(10.0), (inner, faces[lower][:, ::-1].copy())]))
    hollow = np.column_stack([np.linspace(200, 400, 11), np.full(11, 20.0), np.linspace(-15, -5, 11)])
    votes = tester.votes(hollow)
    assert ((votes.pseudo_normal == Side.INSIDE) & (votes.back_share > 0.6)).any()
    assert (votes.combined() == Side.UNDECIDED).all()


def test_far_from_everything_the_distance_is_exact_and_a_point_is_out() -> None:
    votes = rail_of().votes(np.array([[350.0, 1030, 0], [350, -5030, 0]]))
    assert votes.distance_mm == pytest.approx([1000.0, 5000.0], abs=1e-9)
    assert votes.combined().tolist() == [Side.OUT] * 2
    assert votes.first_hit.tolist() == [Side.UNDECIDED] * 2


def test_above_a_floor_seen_from_below_nothing_is_inside_and_beneath_it_is_out() -> None:
    floor = SideTester.of(*Sheet((-900, -700), (900, 700), 0.0).mesh(30.0))
    assert floor.usable
    rng = np.random.default_rng(3)
    spots = rng.uniform([-600, -500, 5], [600, 500, 400], (60, 3))
    assert (floor.sides(spots) == Side.UNDECIDED).all()
    assert (floor.sides(spots * [1, 1, -1]) == Side.OUT).all()


@pytest.mark.parametrize("missing", [60, 100, 140])
def test_in_a_length_of_a_pipe_that_was_not_seen_nothing_is_out_though_a_rail_is_next_to_it(missing: float) -> None:
    """Pipe of 50 beside a rail: in the missing length the rail's web is the nearest thing, and it faces the point."""
    half = missing / 2
    stubs = [Member(circle(50), a, b, (75, 0)).mesh(8.0) for a, b in ((0, 300 - half), (300 + half, 600))]
    tester = SideTester.of(*joined([Member(RAIL, 0, 600, (0, 0)).mesh(8.0), *stubs]))
    x, y = np.meshgrid(np.linspace(302 - half, 298 + half, 15), [65.0, 75, 90], indexing="ij")
    within = tester.votes(np.column_stack([x.ravel(), y.ravel(), np.full(45, 5.0)]))
    assert not (within.combined() == Side.OUT).any()
    assert within.beyond_border.any() or missing < 140
    along = np.concatenate([np.linspace(20, 200, 8), np.linspace(400, 580, 8)])
    assert (tester.sides(np.column_stack([along, np.full(16, 75.0), np.full(16, 40.0)])) == Side.OUT).all()


def test_a_doubled_skin_and_floaters_do_not_turn_an_answer() -> None:
    """The rail seen twice, 4 apart (same normals), and bits of dust beside it and in it."""
    rail = Member(RAIL, 0, 700, (0, 0)).mesh(10.0)
    again = Member(rectangle(68, 128), 0, 700, (0, 0)).mesh(11.0)
    bits = [(v + at, f) for at in ([350, 0, 35], [350, 95, 0]) for v, f in [sphere_mesh(6.0, 6, 8)]]
    tester = SideTester.of(*joined([rail, again, *bits]))
    assert (tester.sides(points_within(MIDDLE, 10.0)) != Side.OUT).all()
    assert (tester.sides(points_within(MIDDLE, 10.0)) == Side.INSIDE).mean() > 0.7
    far = points_within(solids.box((330, 45, -20), (370, 80, 20)), 10.0)
    assert (tester.sides(far) == Side.OUT).all()


# ------------------------------------------------------------------ surfaces that cannot be asked


@pytest.mark.parametrize("times", [0, 3])
def test_a_mirrored_closed_cube_keeps_its_inside(times: int) -> None:
    """Silent error 5: mirrored and every triangle reversed, the cube is as before; only mirrored, it is inside out."""
    vertices, faces = split(box_mesh((100, 100, 100), (200, 200, 200)), times)
    mirrored, points = vertices * [1, -1, 1], np.array([[150.0, -150, 150], [110, -120, 190], [150, -250, 150]])
    right = SideTester.of(mirrored, faces[:, ::-1].copy())
    assert right.sides(points).tolist() == [Side.INSIDE, Side.INSIDE, Side.OUT]
    wrong = SideTester.of(mirrored, faces)
    assert not wrong.usable
    assert (wrong.sides(points) == Side.UNDECIDED).all()


def split(mesh: Mesh, times: int) -> Mesh:
    """Each triangle into four by its edges' middles, again and again; corners are not shared."""
    corners = mesh[0][mesh[1]]
    for _ in range(times):
        a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
        ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
        corners = np.concatenate([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    return corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)


def rail_and_pieces(flipped: Callable[[Faces, Chance], Faces]) -> SideTester:
    meshes = [Member(RAIL, 0, 600, (200.0 * k, 0)).mesh(12.0) for k in range(4)]
    rng = np.random.default_rng(5)
    return SideTester.of(*joined([(v, flipped(f, rng)) for v, f in meshes]))


def some_reversed(faces: Faces, rng: Chance, share: float) -> Faces:
    chosen = rng.random(len(faces)) < share
    return np.where(chosen[:, None], faces[:, ::-1], faces)


BAD: dict[str, tuple[Callable[[], SideTester], str]] = {
    "all inverted": (lambda: rail_and_pieces(lambda f, _: f[:, ::-1].copy()), "look into the metal, one of them at"),
    "one rail of four": (
        lambda: SideTester.of(*joined([
            (v, f[:, ::-1].copy() if k == 2 else f)
            for k in range(4) for v, f in [Member(RAIL, 0, 600, (200.0 * k, 0)).mesh(12.0)]])),
        "look into the metal"),
    "half of the faces": (lambda: rail_and_pieces(lambda f, rng: some_reversed(f, rng, 0.5)), "triangles|neighbours"),
    "a fifth of the faces": (lambda: rail_and_pieces(lambda f, rng: some_reversed(f, rng, 0.2)), "neighbours"),
    "a cloud": (lambda: SideTester.of(RAIL @ np.ones((2, 3)), np.tile(np.arange(len(RAIL))[:, None], 3)), "no area"),
    "nothing": (lambda: SideTester.of(np.empty((0, 3)), np.empty((0, 3), np.int32)), "no triangles"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_surface_without_sides_leaves_everything_undecided_and_says_why(name: str) -> None:
    make, words = BAD[name]
    tester = make()
    assert not tester.usable
    assert re.search(words, tester.reason)
    votes = tester.votes(np.array([[300.0, 0, 0], [300, 100, 0]]))
    assert (votes.combined() == Side.UNDECIDED).all()


def test_a_single_inverted_piece_among_many_does_not_make_its_inside_out() -> None:
    """Too little of the whole to be refused: there the winding number is −1, and the answer stays open."""
    meshes = [Member(RAIL, 0, 2000, (200.0 * k, 0)).mesh(15.0) for k in range(6)]
    small, faces = Member(RAIL, 0, 500, (1500, 0)).mesh(15.0)
    tester = SideTester.of(*joined([*meshes, (small, faces[:, ::-1].copy())]))
    assert tester.usable
    assert tester.sides(np.array([[250.0, 1500, 0], [250, 1510, 30]])).tolist() == [Side.UNDECIDED] * 2
    assert tester.sides(np.array([[1000.0, 400, 0]])).tolist() == [Side.INSIDE]


# ------------------------------------------------------------------ what an answer does not depend on


def test_an_answer_does_not_depend_on_what_else_is_asked() -> None:
    members = SCENES["rail and crossmember"]
    rng = np.random.default_rng(12)
    mesh = FLAWS["30 % in patches"](joined([member.mesh(12.0) for member in members]), rng)
    points = rng.uniform([-50, -100, -100], [650, 450, 100], (40, 3))
    together = SideTester.of(*mesh).votes(points)
    alone = SideTester.of(*mesh)
    for k in (0, 7, 19, 39):
        one = alone.votes(points[k : k + 1])
        for name in ("pseudo_normal", "winding", "first_hit", "back_share", "distance_mm"):
            assert getattr(one, name)[0] == getattr(together, name)[k], name


def test_corners_need_not_be_shared_and_faces_may_stand_twice() -> None:
    vertices, faces = Member(RAIL, 0, 600, (0, 0)).mesh(12.0)
    points = np.random.default_rng(2).uniform([-50, -90, -120], [650, 90, 120], (150, 3))
    plain = SideTester.of(vertices, faces).votes(points)
    soup = SideTester.of(vertices[faces].reshape(-1, 3), np.arange(3 * len(faces), dtype=np.int32).reshape(-1, 3))
    assert (soup.votes(points).pseudo_normal == plain.pseudo_normal).all()
    twice = SideTester.of(vertices, np.concatenate([faces, faces[::7]])).votes(points)
    assert (twice.pseudo_normal == plain.pseudo_normal).all()


def test_nearer_than_the_noise_all_tests_abstain() -> None:
    rail = SideTester(rail_of().surface, noise_mm=1.0)
    votes = rail.votes(np.array([[300.0, 27.1, 0], [300, 26.9, 0], [300, 32.9, 0], [300, 33.1, 0]]))
    assert votes.combined().tolist() == [Side.UNDECIDED, Side.INSIDE, Side.UNDECIDED, Side.OUT]
    assert votes.winding.tolist() == votes.combined().tolist()


def test_no_points_have_no_sides_and_points_that_are_not_finite_are_refused() -> None:
    rail = rail_of()
    assert len(rail.sides(np.empty((0, 3)))) == 0
    with pytest.raises(InternalError, match="finite"):
        rail.sides(np.array([[0.0, np.nan, 0.0]]))


# ------------------------------------------------------------------ each test for itself


def test_the_sign_is_right_next_to_every_edge_and_corner() -> None:
    """Against the winding number by the oracle, on closed shapes; a sliver of a wedge has the sharpest edges."""
    rng = np.random.default_rng(6)
    wedge = np.array([[0, 0, 0], [100, 0, 0], [100, 3, 0], [0, 0, 80], [100, 0, 80], [100, 3, 80]], dtype=np.float64)
    prism = np.array([[0, 2, 1], [3, 4, 5], [0, 1, 4], [0, 4, 3], [1, 2, 5], [1, 5, 4], [0, 3, 5], [0, 5, 2]], np.int32)
    for vertices, faces in ((wedge, prism), box_mesh((0, 0, 0), (90, 40, 20)), sphere_mesh(40.0, 6, 9)):
        surface = tile_surface(vertices, faces)
        corners = vertices[faces].reshape(-1, 3)
        edges = (corners + np.roll(corners, 1, axis=0)) / 2
        points = np.concatenate([corners, edges, rng.uniform(-60, 120, (200, 3))])
        points = points + rng.standard_normal(points.shape) * rng.choice([0.01, 1.0, 20.0], (len(points), 1))
        near = neighbourhood(surface, np.ones(surface.tile_count, bool)).nearest(points)
        found = signs(surface, points, near[1], near[2])
        truth = np.where(oracle.winding_numbers(points, vertices, faces) > 0.5, -1, 1)
        assert (found == truth).all()
        assert np.allclose(near[0], oracle.points_to_mesh(points, vertices, faces), atol=1e-9)


def test_at_a_corner_each_triangle_counts_by_its_angle() -> None:
    """A spike whose upper face is cut into twenty: by number that face would outvote the three others."""
    rim = np.column_stack([np.full(21, -10.0), np.linspace(1, -1, 21), np.ones(21)])
    vertices = np.concatenate([[[0, 0, 0]], rim, [[-10, -1, -1], [-10, 1, -1]]])
    k = np.arange(1, 21)
    upper = np.column_stack([0 * k, k, k + 1])
    faces = np.concatenate([upper, [[0, 21, 22], [0, 22, 23], [0, 23, 1]]]).astype(np.int32)
    points = np.array([[1.0, 0, -0.3], [1, 0, 0.3], [0.5, 0.1, -0.2]])
    assert said(vertices, faces, points) == [1, 1, 1]
    assert said(vertices, faces[:, ::-1].copy(), points) == [-1, -1, -1]


def test_at_a_border_a_crowded_edge_and_between_fans_the_sign_is_not_given() -> None:
    """A square of two triangles along a diagonal; with a flap on the diagonal; with one triangle turned; two tips."""
    square = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 5, 8]], dtype=np.float64)
    plain, flap = np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.array([[0, 2, 4]], np.int32)
    points = np.array([[7.0, 4, 3], [5, 5, -3], [-3, 5, 3], [-3, -3, 3]])
    assert said(square, plain, points) == [1, -1, 0, 0]
    assert said(square, np.concatenate([plain, flap]), points)[1] == 0
    assert said(square, np.array([[0, 1, 2], [0, 3, 2]], np.int32), points)[:2] == [1, 0]
    tip = np.array([[0, 0, 0], [5, 0, 9], [-3, 4, 9], [-3, -4, 9]], dtype=np.float64)
    cone = np.array([[0, 2, 1], [0, 3, 2], [0, 1, 3], [1, 2, 3]], np.int32)
    aside = np.array([[-1.0, 0, -1]])
    assert said(tip, cone, aside) == [1]
    assert said(*joined([(tip, cone), (tip[:, [2, 1, 0]] * [1, 1, -1], cone)]), aside) == [0]


def said(vertices: Floats, faces: Faces, points: Floats) -> list[int]:
    surface = tile_surface(vertices, faces)
    near = neighbourhood(surface, np.ones(surface.tile_count, bool)).nearest(points)
    return [int(k) for k in signs(surface, points, near[1], near[2])]


def test_the_winding_number_is_within_its_proven_error_and_within_a_hundredth() -> None:
    """Against the sum over every triangle by the oracle, on bent, noisy skins with holes, 20 000 triangles and more."""
    rng = np.random.default_rng(9)
    members = (*SCENES["rail, tube and floor"], Member(circle(300, 100), -300, 600, (0, 400), inner=6.0))
    vertices, faces = without_some(noisy(joined([member.mesh(8.0) for member in members]), 1.0, rng), 0.1, rng)
    assert len(faces) > 20_000
    points = rng.uniform(vertices.min(axis=0) - 50, vertices.max(axis=0) + 50, (24, 3))
    truth = np.concatenate([oracle.winding_numbers(points[k : k + 4], vertices, faces) for k in range(0, 24, 4)])
    tree = winding_tree(tile_surface(vertices, faces))
    for far, within in ((3.0, 0.02), (5.0, 0.01), (14.0, 0.001)):
        found, bound = tree.at(points, far)
        error = np.abs(found - truth)
        assert (error <= bound + 1e-9).all()
        assert error.max() <= within
    assert bound.max() <= 0.03


def test_first_hits_are_all_backs_in_a_closed_box_and_half_of_them_over_a_wide_plate() -> None:
    """Closed forms: 1 and 0; half of all directions; on the axis of a tube of radius r, cut at ±l: l/√(l² + r²)."""
    shell = tile_surface(*split(box_mesh((0, 0, 0), (100, 100, 100)), 2))
    plate = tile_surface(*Sheet((-3000, -3000), (3000, 3000), 0.0).mesh(200.0))
    tube = tile_surface(*Member(circle(100, 90), -100, 100, (0, 0)).mesh(10.0))

    def shares(surface: TiledSurface, point: tuple[float, float, float], reach: float) -> list[float]:
        near = neighbourhood(surface, np.ones(surface.tile_count, bool))
        return [float(k) for k in near.first_hit_shares(np.array([point]), reach, 2048)[0]]

    assert shares(shell, (30, 60, 20), 300) == [1.0, 0.0]
    assert shares(shell, (300, 60, 20), 100) == [0.0, 0.0]
    assert shares(plate, (0, 0, 20), 1e4) == pytest.approx([0.5, 0.0], abs=0.01)
    assert shares(plate, (0, 0, -20), 1e4) == pytest.approx([0.0, 0.5], abs=0.01)
    assert shares(plate, (0, 0, 20), 40) == pytest.approx([0.25, 0.0], abs=0.01)
    assert shares(tube, (0, 0, 0), 300) == pytest.approx([100 / np.hypot(100, 50), 0.0], abs=0.01)


def test_a_point_is_in_a_continued_tube_only_where_borders_stand_all_round_it() -> None:
    """Beyond the end of an open tube: on its axis and off it, but not beside it, too far off, or past a flat sheet."""
    tube = tile_surface(*Member(RAIL, 0, 300, (0, 0)).mesh(10.0))
    points = np.array([[370.0, 0, 0], [400, 20, 45], [370, 40, 0], [500, 0, 0], [150, 0, 0], [-80, 0, 10]])
    found = in_a_continued_tube(tube, neighbourhood(tube, np.ones(tube.tile_count, bool)), points, 150.0)
    assert found.tolist() == [True, True, False, False, False, True]
    sheet = tile_surface(*Sheet((0, 0), (300, 300), 0.0).mesh(30.0))
    past = np.array([[350.0, 150, 10], [350, 150, -10], [350, 350, 5]])
    around = neighbourhood(sheet, np.ones(sheet.tile_count, bool))
    assert not in_a_continued_tube(sheet, around, past, 150.0).any()
    assert not in_a_continued_tube(sheet, around, np.empty((0, 3)), 150.0).any()
    assert around.sees(np.array([50.0, 50, 20]), np.array([[100.0, 100, 0], [100, 100, -5]])).tolist() == [True, False]


def test_the_directions_are_spread_evenly() -> None:
    """No more than two thirds again of the mean angle lies between neighbours, and they balance."""
    ways = spread_directions(128)
    assert np.allclose(np.linalg.norm(ways, axis=1), 1.0)
    assert np.abs(ways.mean(axis=0)).max() < 0.01
    cosines = ways @ ways.T - 2.0 * np.eye(128)
    nearest = np.degrees(np.arccos(cosines.max(axis=1)))
    assert nearest.min() > 12.0
    assert nearest.max() < 20.0
    assert np.abs(ways).max() < 0.9999


# ------------------------------------------------------------------ points of a part

SOLIDS: dict[str, tuple[Solid, Callable[[Floats], Floats]]] = {
    "box": (solids.box((0, 0, 0), (300, 100, 50)), lambda p: np.minimum(p, [300, 100, 50] - p).min(axis=1)),
    "sheet of 2 mm": (solids.box((0, 0, 0), (300, 100, 2)), lambda p: np.minimum(p, [300, 100, 2] - p).min(axis=1)),
    "ball": (solids.sphere((5, 6, 7), 40), lambda p: 40 - np.linalg.norm(p - [5, 6, 7], axis=1)),
    "rod": (
        solids.capsule((0, 0, 0), (500, 0, 0), 3),
        lambda p: 3 - np.linalg.norm(p - np.clip(p, [0, 0, 0], [500, 0, 0]), axis=1)),
    "cylinder": (
        solids.cylinder((0, 0, 0), (0, 0, 200), 60),
        lambda p: np.minimum(60.02 - np.hypot(p[:, 0], p[:, 1]), np.minimum(p[:, 2], 200 - p[:, 2]))),
    "an L": (
        extruded_outline([(0, 0), (100, 0), (100, 40), (40, 40), (40, 100), (0, 100)], "xy", 0.0, 100.0),
        lambda p: np.minimum(
            np.minimum(p, 100 - p).min(axis=1), np.maximum(40 - p[:, 0], 40 - p[:, 1]))),
}  # fmt: skip


@pytest.mark.parametrize("name", SOLIDS)
def test_the_points_of_a_part_are_strictly_inside_it_and_all_over_it(name: str) -> None:
    solid, depth = SOLIDS[name]
    turn, shift = rotations(np.random.default_rng(1), 1)[0], np.array([1000.0, -500, 300])
    for spacing in (10.0, 40.0, 1000.0):
        points = points_within(solid.moved(turn, shift), spacing)
        own = (points - shift) @ turn
        assert (depth(own) > 0.0).all()
        assert 5 <= len(points) <= 1000
        low, high = solid.extents()
        assert (own.min(axis=0) < low + 0.3 * (high - low)).all()
        assert (own.max(axis=0) > high - 0.3 * (high - low)).all()


def test_of_an_open_mesh_its_corners_are_asked_and_of_nothing_nothing() -> None:
    vertices, faces = box_mesh((0, 0, 0), (100, 100, 100))
    points = points_within(Solid(vertices, faces[2:], closed=False), 10.0)
    assert {tuple(p) for p in points} == {tuple(v) for v in vertices} | {(50.0, 50.0, 50.0)}
    assert len(points_within(Solid(np.empty((0, 3)), np.empty((0, 3), np.int32)), 10.0)) == 0


def test_a_finer_lattice_is_finer_until_there_are_most_points() -> None:
    box = solids.box((0, 0, 0), (300, 100, 50))
    few, many = len(points_within(box, 100.0)), len(points_within(box, 20.0))
    assert few < 20 < 100 < many <= 400
    assert len(points_within(box, 1.0, most=200)) <= 300


def test_what_was_expected_changes_no_answer() -> None:
    """One tree over all that will be asked, or one for each question: the same votes."""
    vertices, faces = joined([member.mesh(10.0) for member in SCENES["two rails, 25 apart"]])
    points = np.random.default_rng(8).uniform(vertices.min(axis=0) - 40, vertices.max(axis=0) + 40, (60, 3))
    plain, ready = SideTester.of(vertices, faces), SideTester.of(vertices, faces)
    ready.expect(np.array([[points.min(axis=0), points.max(axis=0)]]))
    ready.expect(np.empty((0, 2, 3)))
    one, other = plain.votes(points), ready.votes(points)
    assert (one.combined() == other.combined()).all()
    assert one.distance_mm == pytest.approx(other.distance_mm)
    assert (one.back_share == other.back_share).all()
