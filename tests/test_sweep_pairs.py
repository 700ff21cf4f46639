"""Two moving bodies, parts of the travel in one call, and linear limits: found, and never undercut."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from fitcheck.geometry import solids, sweep_tasks
from fitcheck.geometry.distance import least_between
from fitcheck.geometry.pose_boxes import Halfspaces, corners_of
from fitcheck.geometry.separation import Aim, separate, separate_all
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.supports import Difference, Hulls, stack_of
from fitcheck.geometry.sweep import TOLERANCE_MM, Obstacle, SweptLeast, least_over_motion
from fitcheck.geometry.sweep_pairs import Mover, Part, least_between_motions

Floats = NDArray[np.float64]

ALL = np.arange(8)


@dataclass(frozen=True)
class Slides:
    """Moves along given ways (d, 3) by its d coordinates: no bend."""

    ways: Floats

    def place(self, poses: Floats, points: Floats) -> Floats:
        return points[None] + (poses @ self.ways)[:, None]

    def bend(self, points: Floats) -> Floats:
        return np.zeros(len(self.ways))


@dataclass(frozen=True)
class Turns:
    """Turned about a vertical axis by the first coordinate, about one along x by the second, both through a point."""

    centre: Floats

    def place(self, poses: Floats, points: Floats) -> Floats:
        c, s = np.cos(poses[:, :1]), np.sin(poses[:, :1])
        x, y, z = (points - self.centre).T
        x, y = c * x - s * y, s * x + c * y
        z = np.broadcast_to(z, x.shape)
        if poses.shape[1] > 1:
            c, s = np.cos(poses[:, 1:2]), np.sin(poses[:, 1:2])
            y, z = c * y - s * z, s * y + c * z
        return np.stack([x, y, z], axis=-1) + self.centre

    def bend(self, points: Floats) -> Floats:
        # Circular motion: the second derivative is the distance from the axis, at most that from the centre.
        return np.full(2, np.linalg.norm(points - self.centre, axis=1).max())


@dataclass(frozen=True)
class Piece:
    """A convex solid carried by a motion of ``size`` coordinates; no bound for boxes wider than ``finite``."""

    motion: Slides | Turns
    solid: Solid
    size: int
    finite: float = np.inf

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        corners = corners_of(low, high)
        rows = corners.reshape(corners.shape[0] * corners.shape[1], self.size)
        points = self.motion.place(rows, self.solid.vertices)
        half = (high - low) / 2.0
        grow = 0.5 * (half**2 @ self.motion.bend(self.solid.vertices)[: self.size])
        grow = np.where((2.0 * half > self.finite).any(axis=1), np.inf, grow)
        return Hulls(points.reshape(len(low), -1, 3), None, 0.0, self.solid.radius_mm, grow)

    def at(self, pose: Floats) -> Solid:
        vertices = self.motion.place(pose[None, : self.size], self.solid.vertices)[0]
        return Solid(vertices, self.solid.faces, self.solid.radius_mm, self.solid.convex, self.solid.closed)


def ball(motion: Slides | Turns, at: tuple[float, float, float], radius: float, size: int, **more: float) -> Piece:
    return Piece(motion, solids.sphere(at, radius), size, **more)


HEAVE = Slides(np.array([[0.0, 0.0, 1.0]]))
STILL = Slides(np.empty((0, 3)))


def one(first: Mover, second: Mover, low: list[float], high: list[float], **more: Halfspaces) -> SweptLeast:
    return least_between_motions(first, second, [Part(np.array(low), np.array(high))], **more)[0]


def assert_is(found: SweptLeast, distance_mm: float) -> None:
    """Bracketed: reached at a pose, bounded from below, both within the tolerance."""
    assert found.proven
    assert found.at_least_mm <= distance_mm + 1e-9
    assert distance_mm - 1e-9 <= found.distance_mm <= distance_mm + TOLERANCE_MM


# -- two bodies, closed forms --


def test_two_balls_on_one_heave_keep_their_distance_and_are_done_at_once() -> None:
    """Closed form: centres (300, 40, 0) apart, radii 30 and 20. Treated apart they would meet."""
    first, second = ball(HEAVE, (0, 0, 0), 30.0, 1), ball(HEAVE, (300, 40, 0), 20.0, 1)
    found = one(Mover([first], ALL[:1]), Mover([second], ALL[:1]), [-500.0], [500.0])
    assert_is(found, math.hypot(300.0, 40.0) - 50.0)
    assert found.boxes <= 3


def test_two_balls_on_heaves_of_their_own_meet_level() -> None:
    """Closed form: one stands 200 above the other, each goes 120 of it: level somewhere, 60 apart less 35."""
    first, second = ball(HEAVE, (0, 0, 200), 20.0, 1), ball(HEAVE, (60, 0, 0), 15.0, 1)
    found = one(Mover([first], ALL[:1]), Mover([second], ALL[1:2]), [-120.0, 0.0], [0.0, 120.0])
    assert_is(found, 25.0)
    assert found.pose[0] + 200.0 == pytest.approx(found.pose[1], abs=3.0)


def test_a_ball_that_turns_and_a_ball_that_slides() -> None:
    """Closed form: on a circle of 100 and on a line along y, 130 from the axis: least at y = 0, angle 0."""
    turning, sliding = ball(Turns(np.zeros(3)), (100, 0, 0), 10.0, 1), Slides(np.array([[0.0, 1.0, 0.0]]))
    second = ball(sliding, (130, 50, 0), 10.0, 1)
    found = one(Mover([turning], ALL[:1]), Mover([second], ALL[1:2]), [-0.8, -80.0], [0.9, 80.0])
    assert_is(found, 10.0)
    away = one(Mover([turning], ALL[:1]), Mover([second], ALL[1:2]), [0.5, -80.0], [0.9, -60.0])
    nearest = math.hypot(130.0 - 100.0 * math.cos(0.5), 100.0 * math.sin(0.5) + 10.0)
    assert_is(away, nearest - 20.0)


def test_two_capsules_turned_by_one_shared_angle() -> None:
    """Closed form: both turned about z alike keep their distance of 80 − 15 − 10; the remainders of both vanish."""
    turning = Turns(np.zeros(3))
    first = Piece(turning, solids.capsule((100, -50, 0), (100, 50, 0), 15.0), 1)
    second = Piece(turning, solids.capsule((100, 0, 80), (200, 0, 80), 10.0), 1)
    found = one(Mover([first], ALL[:1]), Mover([second], ALL[:1]), [-0.4], [0.4])
    assert_is(found, 55.0)


def test_two_capsules_that_cross_when_each_is_turned() -> None:
    """Closed form: axes in planes 60 apart, crossing as seen from above in some poses: 60 − 15 − 10."""
    first = Piece(Turns(np.zeros(3)), solids.capsule((50, 0, 0), (300, 0, 0), 15.0), 1)
    second = Piece(Turns(np.array([400.0, 0, 60])), solids.capsule((150, 40, 60), (350, 40, 60), 10.0), 1)
    found = one(Mover([first], ALL[:1]), Mover([second], ALL[1:2]), [0.0, -0.3], [0.5, 0.3])
    assert_is(found, 35.0)


def test_bodies_that_reach_into_each_other_in_a_corner_of_the_travel_collide() -> None:
    first, second = ball(HEAVE, (0, 0, 0), 30.0, 1), ball(HEAVE, (59.9, 0, 0), 30.0, 1)
    found = one(Mover([first], ALL[:1]), Mover([second], ALL[1:2]), [0.0, 90.0], [100.0, 300.0])
    assert found.distance_mm == found.at_least_mm == 0.0
    assert found.proven


def test_bodies_without_coordinates_are_measured_where_they_stand() -> None:
    """Space of no coordinates on either side, or on both."""
    still, moving = ball(STILL, (0, 0, 0), 10.0, 0), ball(HEAVE, (50, 0, 100), 10.0, 1)
    nothing = np.empty(0, dtype=np.intp)
    assert_is(one(Mover([still], nothing), Mover([moving], ALL[:1]), [-60.0], [60.0]), math.hypot(50, 40) - 20.0)
    assert_is(one(Mover([moving], ALL[:1]), Mover([still], nothing), [-60.0], [60.0]), math.hypot(50, 40) - 20.0)
    other = ball(STILL, (0, 70, 0), 10.0, 0)
    found = least_between_motions(
        Mover([still], nothing), Mover([other], nothing), [Part(np.empty(0), np.empty(0))]
    )[0]
    assert_is(found, 50.0)
    assert found.distance_mm - found.at_least_mm <= 2e-3


# -- two bodies, random --


def random_pair(seed: int) -> tuple[Mover, Mover, Part]:
    """Bodies of one or two boxes or capsules; slides and turns; none, one or all coordinates shared."""
    rng = np.random.default_rng([7, seed])
    bodies, size = [], 0
    for which in range(2):
        motion: Slides | Turns
        if (seed + which) % 3:
            motion = Turns(rng.uniform(-60, 60, 3) + [300.0 * which, 0, 0])
        else:
            motion = Slides(rng.normal(size=(2, 3)))
        centre = rng.uniform(-80, 80, 3) + [260.0 * which, 0, 0]
        pieces = []
        for _ in range(1 + seed % 2):
            half = rng.uniform(10, 60, 3)
            place = centre + rng.uniform(-40, 40, 3)
            solid = solids.box(place - half, place + half)
            if rng.random() < 0.4:
                solid = solids.capsule(place - half, place + half, float(rng.uniform(5, 20)))
            pieces.append(Piece(motion, solid, 2))
        shared = 0 if which == 0 else (0, 1, 2)[seed % 3]
        columns = np.array([*range(shared), *range(size, size + 2 - shared)])
        size = int(columns.max()) + 1 if which == 0 else size + 2 - shared
        bodies.append(Mover(pieces, columns[::-1].copy() if rng.random() < 0.5 else columns))
    high = np.where([_turned(bodies, k) for k in range(size)], rng.uniform(0.05, 0.35), rng.uniform(5, 40))
    return bodies[0], bodies[1], Part(-high * rng.uniform(0, 1, size), high)


def _turned(bodies: list[Mover], column: int) -> bool:
    return any(column in body.columns and isinstance(motion_of(body), Turns) for body in bodies)


def motion_of(body: Mover) -> Slides | Turns:
    piece = body.pieces[0]
    assert isinstance(piece, Piece)
    return piece.motion


def gap_at(first: Mover, second: Mover, pose: Floats) -> float:
    """The engine's exact distance of both bodies in a joint pose."""
    one, two = ([p.at(pose[b.columns]) for p in b.pieces if isinstance(p, Piece)] for b in (first, second))
    found = least_between(one, two)
    assert found is not None
    return found.distance_mm


def dense_least(gap: Callable[[Floats], float], low: Floats, high: Floats, within: Halfspaces | None = None) -> float:
    """The least of corners, random poses and steps from the best of them: never below the truth."""
    rng = np.random.default_rng(3)

    def kept(poses: Floats) -> Floats:
        return poses if within is None else poses[within.keep(poses)]

    poses = kept(np.concatenate([corners_of(low[None], high[None])[0], rng.uniform(low, high, (60, len(low)))]))
    gaps = [gap(pose) for pose in poses]
    best, pose = min(gaps), poses[int(np.argmin(gaps))]
    for share in (0.1, 0.03, 0.01):
        for near in kept(np.clip(pose + rng.normal(size=(20, len(low))) * share * (high - low), low, high)):
            if (there := gap(near)) < best:
                best, pose = there, near
    return best


@pytest.mark.parametrize("seed", range(18))
def test_random_pairs_are_never_undercut_and_closely_bracketed(seed: int) -> None:
    """bound ≤ every sampled pose; found is reached at its pose, and no more than the tolerance above the bound."""
    first, second, part = random_pair(seed)
    found = least_between_motions(first, second, [part])[0]
    assert found.proven
    assert found.distance_mm - found.at_least_mm <= TOLERANCE_MM
    assert ((part.low <= found.pose) & (found.pose <= part.high)).all()
    assert gap_at(first, second, found.pose) == pytest.approx(found.distance_mm, abs=5e-3)
    dense = dense_least(lambda pose: gap_at(first, second, pose), part.low, part.high)
    assert dense >= found.at_least_mm - 1e-9
    assert found.distance_mm <= dense + TOLERANCE_MM


@pytest.mark.parametrize("seed", [1, 2, 4, 5])
def test_the_order_of_the_bodies_does_not_matter(seed: int) -> None:
    first, second, part = random_pair(seed)
    one_way, other_way = (least_between_motions(*pair, [part])[0] for pair in ((first, second), (second, first)))
    assert one_way.distance_mm == pytest.approx(other_way.distance_mm, abs=TOLERANCE_MM)
    for found in (one_way, other_way):
        assert found.at_least_mm <= min(one_way.distance_mm, other_way.distance_mm)


# -- parts of the travel --


def parts_of(part: Part) -> list[Part]:
    """All of it, a pose, the way along each coordinate, each corner."""
    low, high = part.low, part.high
    rest = np.zeros_like(low)
    along = np.eye(len(low), dtype=bool)
    ways = [Part(rest, np.where(k, high, rest)) for k in along] + [Part(np.where(k, low, rest), rest) for k in along]
    return [part, Part(rest, rest), *ways, Part(low, low), Part(high, high)]


@pytest.mark.parametrize("seed", [0, 3, 4, 8])
def test_parts_in_one_call_give_what_each_gives_alone(seed: int) -> None:
    """Two moving bodies. A single pose comes out exact to the iteration's own gap."""
    first, second, part = random_pair(seed)
    parts = parts_of(part)
    together = least_between_motions(first, second, parts)
    for each, found in zip(parts, together, strict=True):
        alone = least_between_motions(first, second, [each])[0]
        assert found.distance_mm == pytest.approx(alone.distance_mm, abs=TOLERANCE_MM)
        assert found.at_least_mm <= alone.distance_mm
        assert alone.at_least_mm <= found.distance_mm
        if (each.low == each.high).all():
            assert found.distance_mm - found.at_least_mm <= 2.1e-3
            assert gap_at(first, second, each.low) == pytest.approx(found.distance_mm, abs=5e-3)
    assert all(found.at_least_mm >= together[0].at_least_mm - TOLERANCE_MM for found in together)


def test_parts_against_still_things_in_one_call_give_what_each_gives_alone() -> None:
    """The same atoms asked for several parts, and other atoms of other sizes beside them."""
    first, _, part = random_pair(6)
    part = Part(part.low[:2], part.high[:2])
    box, rod = solids.box((90, -30, 40), (200, 30, 120)), np.array([[[150.0, 0, 150], [150, 90, 150]]])
    atoms = box.vertices[None]
    asked = [Obstacle(atoms, 0.0, low=each.low, high=each.high) for each in parts_of(part)] + [Obstacle(rod, 12.0)]
    limits = part.low, part.high
    together = least_over_motion(first.pieces, asked, limits)
    for each, found in zip(asked, together, strict=True):
        alone = least_over_motion(first.pieces, [each], limits)[0]
        assert found.proven
        assert found.distance_mm == pytest.approx(alone.distance_mm, abs=TOLERANCE_MM)


def test_a_bound_that_is_enough_ends_the_search_with_an_honest_bracket() -> None:
    first, second, part = random_pair(5)
    full = least_between_motions(first, second, [part])[0]
    some = full.distance_mm / 2.0
    assert some > 1.0
    early = least_between_motions(first, second, [Part(part.low, part.high, enough_mm=some)])[0]
    assert some <= early.at_least_mm <= full.distance_mm
    assert early.distance_mm >= full.at_least_mm
    assert early.boxes < full.boxes


def test_a_capped_search_of_two_bodies_returns_the_honest_bracket() -> None:
    first, second, part = random_pair(5)
    full = least_between_motions(first, second, [part])[0]
    capped = least_between_motions(first, second, [part], most_boxes=3)[0]
    assert not capped.proven
    assert capped.at_least_mm <= full.distance_mm
    assert capped.distance_mm >= full.at_least_mm


# -- linear limits --


def limit(gains: list[list[float]], most: list[float]) -> Halfspaces:
    return Halfspaces(np.array(gains), np.array(most), np.zeros(len(gains[0])))


SQUARE = Slides(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))


def test_a_least_on_the_face_of_a_limit() -> None:
    """Closed form: a ball slides in a square, x + y ≤ 60; another stands at (100, 100): √2·70 between centres."""
    mover, target = Mover([ball(SQUARE, (0, 0, 0), 10.0, 2)], ALL[:2]), np.array([[[100.0, 100.0, 0.0]]])
    within = limit([[1.0, 1.0]], [60.0])
    found = least_over_motion(mover.pieces, [Obstacle(target, 5.0)], (np.zeros(2), np.full(2, 80.0)), within=within)[0]
    assert_is(found, 70.0 * math.sqrt(2.0) - 15.0)
    assert found.pose.sum() <= 60.0 + 1e-6
    still = Mover([ball(STILL, (100, 100, 0), 5.0, 0)], np.empty(0, dtype=np.intp))
    for pair in ((mover, still), (still, mover)):
        assert_is(one(*pair, [0.0, 0.0], [80.0, 80.0], within=within), 70.0 * math.sqrt(2.0) - 15.0)


def test_a_limit_that_the_distance_does_not_notice_along_its_face_takes_few_boxes() -> None:
    """Closed form: only x + y moves the ball toward a wall, and x + y is limited: every pose on the face is best."""
    ways = Slides(np.array([[1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]))
    mover = ball(ways, (0, 0, 0), 10.0, 3)
    wall = solids.box((200, -300, -300), (220, 300, 300))
    limits, within = (np.full(3, -80.0), np.full(3, 80.0)), limit([[1.0, 1.0, 0.0]], [50.0])
    found = least_over_motion([mover], [Obstacle(wall.vertices[None])], limits, within=within)[0]
    assert_is(found, 200.0 - 50.0 - 10.0)
    assert found.boxes <= 40


def test_the_pose_that_would_be_least_is_left_out_where_a_limit_forbids_it() -> None:
    """Closed form: within |x − y| ≤ 20 a ball comes no nearer to (100, 0) than (60, 40)."""
    mover, target = ball(SQUARE, (0, 0, 0), 10.0, 2), np.array([[[100.0, 0.0, 0.0]]])
    limits, within = (np.zeros(2), np.full(2, 100.0)), limit([[1.0, -1.0], [-1.0, 1.0]], [20.0, 20.0])
    free = least_over_motion([mover], [Obstacle(target)], limits)[0]
    held = least_over_motion([mover], [Obstacle(target)], limits, within=within)[0]
    assert free.distance_mm == 0.0
    assert_is(held, math.hypot(40.0, 40.0) - 10.0)


def test_a_limit_over_coordinates_of_both_bodies() -> None:
    """Closed form: two balls, 200 apart, each comes 100 to the other, together at most 120: 80 − 20."""
    toward, back = Slides(np.array([[1.0, 0, 0]])), Slides(np.array([[-1.0, 0, 0]]))
    first, second = ball(toward, (0, 0, 0), 10.0, 1), ball(back, (200, 0, 0), 10.0, 1)
    movers = Mover([first], ALL[:1]), Mover([second], ALL[1:2])
    assert_is(one(*movers, [0.0, 0.0], [100.0, 100.0], within=limit([[1.0, 1.0]], [120.0])), 60.0)


def test_a_part_of_the_travel_that_no_limit_allows_has_no_distance() -> None:
    """Infinite, and not proven: it is no PASS either."""
    mover, target = ball(SQUARE, (0, 0, 0), 10.0, 2), np.array([[[100.0, 0.0, 0.0]]])
    asked = [Obstacle(target, low=np.full(2, 50.0), high=np.full(2, 60.0)), Obstacle(target)]
    limits, within = (np.zeros(2), np.full(2, 60.0)), limit([[1.0, 1.0]], [60.0])
    nowhere, somewhere = least_over_motion([mover], asked, limits, within=within)
    assert not nowhere.proven
    assert nowhere.distance_mm == np.inf
    assert nowhere.boxes == 0
    assert_is(somewhere, 30.0)


@pytest.mark.parametrize("seed", range(8))
def test_random_limits_are_kept_and_never_undercut(seed: int) -> None:
    """One or two limits over all coordinates, against poses that keep them."""
    first, second, part = random_pair(seed)
    rng = np.random.default_rng([9, seed])
    gains = rng.normal(size=(1 + seed % 2, len(part.low))) / np.maximum(part.high, 1e-9)
    within = Halfspaces(gains, rng.uniform(0.05, 0.5, len(gains)), np.zeros(len(part.low)))
    found = least_between_motions(first, second, [part], within=within)[0]
    assert found.proven
    assert within.keep(found.pose[None])[0]
    assert gap_at(first, second, found.pose) == pytest.approx(found.distance_mm, abs=5e-3)
    dense = dense_least(lambda pose: gap_at(first, second, pose), part.low, part.high, within)
    assert found.at_least_mm - 1e-9 <= dense
    assert found.distance_mm <= dense + TOLERANCE_MM


# -- boxes without a bound --


def test_boxes_too_wide_for_a_bound_are_cut_until_there_is_one() -> None:
    """Closed form as above, though nothing can be said of turns of more than 0.1: no NaN, no crash."""
    turning = ball(Turns(np.zeros(3)), (100, 0, 0), 10.0, 1, finite=0.1)
    second = ball(Slides(np.array([[0.0, 1.0, 0.0]])), (130, 50, 0), 10.0, 1)
    for pair in ((turning, second), (second, turning)):
        wide = [(-0.8, 0.9), (-80.0, 80.0)] if pair[0] is turning else [(-80.0, 80.0), (-0.8, 0.9)]
        movers = Mover([pair[0]], ALL[:1]), Mover([pair[1]], ALL[1:2])
        assert_is(one(*movers, [wide[0][0], wide[1][0]], [wide[0][1], wide[1][1]]), 10.0)
    found = least_over_motion([turning], [Obstacle(np.array([[[130.0, 0, 0]]]))], (np.array([-0.8]), np.array([0.9])))
    assert_is(found[0], 20.0)


def test_where_no_bound_can_be_given_at_all_nothing_is_proven() -> None:
    """A pose's distance is still reached; what lies between the poses stays open."""
    never = ball(HEAVE, (0, 0, 0), 10.0, 1, finite=-1.0)
    atoms = np.array([[[100.0, 0.0, 0.0]]])
    found = least_over_motion([never], [Obstacle(atoms)], (np.array([-50.0]), np.array([50.0])), most_boxes=200)[0]
    assert not found.proven
    assert found.at_least_mm == -np.inf


# -- many at once --


def test_many_pairs_at_once_give_what_each_gives_alone() -> None:
    """Few hulls and few atoms in very many pairs, the atoms in no order: the same bounds as one pair at a time."""
    rng = np.random.default_rng(11)
    hulls = Hulls(rng.normal(size=(4, 6, 3)) * 40.0, None, 0.0, 0.0, np.zeros(4))
    atoms = rng.normal(size=(5, 3, 3)) * 40.0 + [0.0, 0.0, 150.0]
    rows, others = np.sort(rng.integers(0, 4, 300)), rng.integers(0, 5, 300)
    first, second = stack_of(hulls), stack_of(Hulls(atoms, None, 0.0, 0.0, np.zeros(5)))
    aim = Aim(np.zeros(300), np.full(300, np.inf), rng.normal(size=(300, 3)), np.ones(300, dtype=bool))
    found = separate_all(Difference(first, rows, second, others), aim)
    for row in range(4):
        for other in range(5):
            one = Hulls(hulls.points[row : row + 1], None, 0.0, 0.0, np.zeros(1))
            alone = separate(one, np.zeros(1, dtype=np.intp), atoms[other : other + 1], np.full(1, np.inf))
            same = (rows == row) & (others == other)
            assert found.lower_mm[same] == pytest.approx(alone.lower_mm[0], abs=3e-3)
            assert found.upper_mm[same] == pytest.approx(alone.upper_mm[0], abs=3e-3)


@pytest.mark.parametrize("seed", [0, 4, 7])
def test_a_thing_of_many_triangles_is_never_undercut(seed: int) -> None:
    """A shell of twelve triangles instead of the box that it bounds: bracketed beside every sampled pose."""
    first, _, part = random_pair(seed)
    low, high = part.low[first.columns], part.high[first.columns]
    centre = gap_centre(first)
    box = solids.box(centre + [70, 20, 20], centre + [150, 140, 90])
    found = least_over_motion(first.pieces, [Obstacle(box.vertices[box.faces])], (low, high))[0]

    def gap(pose: Floats) -> float:
        closest = least_between([piece.at(pose) for piece in first.pieces if isinstance(piece, Piece)], [box])
        assert closest is not None
        return closest.distance_mm

    dense = dense_least(gap, low, high)
    assert found.proven
    assert found.at_least_mm - 1e-9 <= dense
    assert found.distance_mm <= dense + TOLERANCE_MM


def gap_centre(body: Mover) -> Floats:
    """The middle of the first piece at the scan pose."""
    piece = body.pieces[0]
    assert isinstance(piece, Piece)
    return np.asarray(piece.solid.vertices.mean(axis=0))


# -- what turns beside a face --


@dataclass(frozen=True)
class Disc:
    """A flat-ended cylinder along y about a point, carried by a turn about the origin: two discs."""

    motion: Turns
    centre: tuple[float, float, float]
    radius: float
    half: float
    known_swing: bool = True

    def solid(self) -> Solid:
        middle, along = np.array(self.centre), np.array([0.0, self.half, 0.0])
        return solids.cylinder(middle - along, middle + along, self.radius)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        corners = corners_of(low, high)
        rows = corners.reshape(-1, 2)
        middle, along = np.array(self.centre), np.array([0.0, self.half, 0.0])
        faces = self.motion.place(rows, np.array([middle - along, middle + along]))
        axis = (faces[:, 1] - faces[:, 0]) / (2.0 * self.half)
        solid = self.solid()
        grow = 0.5 * (((high - low) / 2.0) ** 2 @ self.motion.bend(solid.vertices))
        rim = np.array([[0.0, 0, 0], [1, 0, 0], [0, 0, 1]])
        placed = self.motion.place(rows, rim).reshape(*corners.shape[:2], 3, 3)
        spokes = placed[:, :, 1:] - placed[:, :, :1]
        apart = spokes - spokes.mean(axis=1, keepdims=True)
        swing = self.radius * np.sqrt((apart**2).sum(axis=(2, 3)).max(axis=1))
        discs = np.repeat(axis[:, None], 2, axis=1).reshape(len(low), -1, 3)
        radius = self.radius + solid.chord_error_mm
        known = swing if self.known_swing else None
        return Hulls(faces.reshape(len(low), -1, 3), discs, radius, 0.0, grow, known)

    def at(self, pose: Floats) -> Solid:
        solid = self.solid()
        vertices = self.motion.place(pose[None], solid.vertices)[0]
        return Solid(vertices, solid.faces, solid.radius_mm, solid.convex, solid.closed)


def test_two_faces_that_turn_together_keep_their_distance() -> None:
    """Closed form: two boxes 30 apart on one turn. One direction for a whole box of poses would lose what they turn."""
    turning = Turns(np.zeros(3))
    first = Piece(turning, solids.box((-60, -100, -60), (60, 0, 60)), 2)
    second = Piece(turning, solids.box((-60, 30, -60), (60, 100, 60)), 2)
    found = one(Mover([first], ALL[:2]), Mover([second], ALL[:2]), [-0.1, -0.1], [0.1, 0.1])
    assert_is(found, 30.0)
    assert found.boxes < 3_000


@pytest.mark.parametrize("known", [True, False])
def test_a_disc_that_turns_beside_a_spike_is_bracketed(known: bool) -> None:
    """Against poses; knowing how far its rim swings spares most of the boxes."""
    disc = Disc(Turns(np.zeros(3)), (10.0, 0.0, 0.0), 80.0, 15.0, known)
    spike = solids.box((20, 40, 5), (24, 80, 9))
    low, high = np.array([-0.12, -0.1]), np.array([0.1, 0.12])
    found = least_over_motion([disc], [Obstacle(spike.vertices[None])], (low, high))[0]
    assert found.proven

    def gap(pose: Floats) -> float:
        closest = least_between([disc.at(pose)], [spike])
        assert closest is not None
        return closest.distance_mm

    assert found.at_least_mm <= dense_least(gap, low, high) <= found.distance_mm + TOLERANCE_MM
    assert found.boxes < (400 if known else 4_000)


@pytest.mark.parametrize("seed", range(9))
def test_bounds_that_follow_what_turns_never_undercut(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same random pairs with those bounds in use from the first box on."""
    first, second, part = random_pair(seed)
    monkeypatch.setattr(sweep_tasks, "_STUBBORN", -1)
    monkeypatch.setattr(sweep_tasks, "_WORTH", -1.0)
    found = least_between_motions(first, second, [part])[0]
    dense = dense_least(lambda pose: gap_at(first, second, pose), part.low, part.high)
    assert found.proven
    assert found.at_least_mm - 1e-9 <= dense
    assert found.distance_mm <= dense + TOLERANCE_MM
