"""The motion oracle stands on closed forms, and leaves out no pose that matters."""

from __future__ import annotations

import math

import numpy as np
import oracle
import oracle_motion as motion
import pytest
import shapes
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PLAIN = motion.Axle((2620.0, 0.0, 384.0), 80.0, 90.0, 400.0)


def moved_point(axle: motion.Axle, pose: list[float], point: tuple[float, float, float]) -> Floats:
    return np.asarray(motion.carried_points(axle, np.array([pose]), point)[0, 0] - np.array(point))


def test_crossed_axle_lifts_the_wheel_beyond_straight_bump() -> None:
    """Stops ±400, travel 80/90, track 1480: atan(170/800) = 12.0°, wheel 149 up (closed form)."""
    rise = moved_point(PLAIN, [80, -90, 0, 0], (2620, 740, 384))[2]
    assert rise == pytest.approx(-5 + 740 * math.sin(math.atan(170 / 800)))
    assert rise == pytest.approx(149, abs=0.5)


def test_driving_wind_up_lifts_the_nose_ahead_of_the_axle() -> None:
    """x is rearward, so ahead is −x; 6° at 230 ahead: up by 230 sin 6° (closed form)."""
    assert moved_point(PLAIN, [0, 0, math.radians(6), 0], (2390, 0, 384))[2] == pytest.approx(
        230 * math.sin(math.radians(6))
    )


@pytest.mark.parametrize(("eye", "sign"), [("front", -1.0), ("rear", 1.0), ("", 0.0)])
def test_leaf_arc_pulls_toward_the_fixed_eye(eye: str, sign: float) -> None:
    """Half-length 600, 80 from flat: 80²/(2 · 450) = 7.1 toward the eye; counted from flat (closed form)."""
    axle = motion.Axle((0.0, 0.0, 0.0), 80, 90, 400, eye=eye, half_length_mm=600)
    assert moved_point(axle, [80, 80, 0, 0], (0, 0, 0))[0] == pytest.approx(sign * 6400 / 900)
    sprung = motion.Axle((0.0, 0.0, 0.0), 80, 90, 400, eye=eye, half_length_mm=600, flat_at_mm=40)
    assert moved_point(sprung, [80, 80, 0, 0], (0, 0, 0))[0] == pytest.approx(0.0, abs=1e-12)


def random_piece(kind: str, rng: np.random.Generator, n: int) -> motion.Piece:
    start, along = rng.normal(size=(2, n, 3)) * 60
    axes = motion.rotations(rng, n)
    return motion.Piece(kind, start, start if kind == "box" else start + along, 25.0, axes, np.array([30.0, 10, 20]))


@pytest.mark.parametrize("kind", ["box", "capsule", "cylinder"])
def test_nearest_point_of_a_solid_beats_every_sampled_point_of_it(kind: str) -> None:
    """And a point of the solid itself is its own nearest point."""
    rng = np.random.default_rng(1)
    piece = random_piece(kind, rng, 40)
    cloud = motion.nearest_on_piece(piece, rng.normal(size=(40, 400, 3)) * 200)
    assert np.allclose(motion.nearest_on_piece(piece, cloud), cloud, atol=1e-9)
    points = rng.normal(size=(40, 5, 3)) * 150
    nearest = np.linalg.norm(points - motion.nearest_on_piece(piece, points), axis=2)
    sampled = np.linalg.norm(points[:, :, None] - cloud[:, None], axis=3).min(axis=2)
    assert (nearest <= sampled + 1e-9).all()


def test_exact_cylinder_distance_lies_between_an_inner_and_an_outer_prism() -> None:
    """A prism inscribed in the cylinder is farther, the circumscribed one nearer; 0.02 apart for 90 sides."""
    rng = np.random.default_rng(2)
    for seed in range(40):
        piece = random_piece("cylinder", rng, 1)
        obstacle = motion._obstacle(("box", "triangle", "spike", "prism")[seed % 4], rng)
        obstacle = obstacle[0] + rng.normal(size=3) * 120, obstacle[1]
        found = motion.exact_distances(piece, obstacle)[0][0]
        inner, outer = (oracle.mesh_distance(prism(piece, r), obstacle) for r in (25.0, 25.0 / math.cos(math.pi / 90)))
        assert outer - 1e-9 <= found <= inner + 1e-9


def prism(piece: motion.Piece, radius_mm: float) -> shapes.Mesh:
    along = piece.end[0] - piece.start[0]
    length = float(np.linalg.norm(along))
    vertices, faces = shapes.cylinder_mesh(radius_mm, length, 90)
    across = np.linalg.svd(along[None])[2]
    frame = np.array([across[1], across[2], along / length])
    return vertices @ frame + (piece.start[0] + piece.end[0]) / 2, faces


@pytest.mark.parametrize("seed", range(24))
def test_leaving_poses_out_changes_nothing(seed: int) -> None:
    """The least over 400 poses, each measured exactly, against the same with hopeless poses left out."""
    case = motion.random_case(seed)
    poses = motion.random_poses(case.axle, 400, np.random.default_rng(seed))
    pieces = motion.pieces_of(case.body, case.axle, poses)
    every = min(motion.exact_distances(piece, case.obstacle)[0].min() for piece in pieces)
    found = motion.least_over(case.axle, case.body, case.obstacle, poses)
    assert every - 1e-9 <= found.distance_mm <= every + motion.SLACK_MM
    again = motion.least_over(case.axle, case.body, case.obstacle, found.pose[None])
    assert again.distance_mm == pytest.approx(found.distance_mm, abs=1e-12)


def test_poses_stay_within_both_stops_and_reach_them() -> None:
    """Heave ± stops · tan(roll) stays in −droop … bump, for all of 5000 poses, and both ends occur."""
    poses = motion.random_poses(PLAIN, 5000, np.random.default_rng(3))
    assert len(poses) == 5000
    for stop in poses[:, :2].T:
        assert (stop.min(), stop.max()) == (-90.0, 80.0)
    roll = np.arctan((poses[:, 0] - poses[:, 1]) / 800)
    assert np.allclose(poses[:, :2].mean(axis=1) + 400 * np.tan(roll), poses[:, 0])


def test_random_cases_are_a_fair_mixture() -> None:
    """Clear and colliding, every kind of obstacle, shafts and carried solids: none crowds out the rest."""
    cases = [motion.random_case(seed) for seed in range(90)]
    shafts = sum(isinstance(case.body, motion.Shaft) for case in cases)
    assert 30 <= shafts <= 70
    assert len({case.kind for case in cases}) == 6
    rng = np.random.default_rng(4)
    least = [
        motion.least_over(c.axle, c.body, c.obstacle, motion.random_poses(c.axle, 300, rng)).distance_mm for c in cases
    ]
    touching = sum(distance == 0.0 for distance in least)
    assert 15 <= touching <= 60
