"""Simple motions with exact bounds, and what the tests of bodies between two points ask of every piece."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.separation import Hulls, separate
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.sweep import TOLERANCE_MM, Obstacle, least_over_motion
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle, Still
from fitcheck.vehicle.motion import Carried, Limit

Floats = NDArray[np.float64]

AXLE = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, 5.0, Leaf(600.0, "front"), 6.0, 4.0)


@dataclass(frozen=True)
class OneBlock:
    """A block of one coordinate."""

    name: str
    span: tuple[float, float]
    limits: tuple[Limit, ...] = ()

    @property
    def blocks(self):
        return (self,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return (f"{self.name}.by",)

    @property
    def low(self) -> Floats:
        return np.array([self.span[0]])

    @property
    def high(self) -> Floats:
        return np.array([self.span[1]])

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(1)

    def describe(self, pose: Floats) -> dict[str, float]:
        return {f"{self.name}.by": float(pose[0])}

    def straight(self):
        return self


@dataclass(frozen=True)
class Swing(OneBlock):
    """A turn about an axis through a point; span in rad. A point r from the axis has speed and bend r."""

    through: tuple[float, float, float] = (0.0, 0.0, 0.0)
    axis: tuple[float, float, float] = (0.0, 1.0, 0.0)

    def turn(self, poses: Floats) -> Floats:
        x, y, z = np.asarray(self.axis) / np.linalg.norm(self.axis)
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        angle = poses[:, 0, None, None]
        return np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)

    def place(self, poses: Floats, points: Floats) -> Floats:
        return np.einsum("nij,kj->nki", self.turn(poses), np.asarray(points) - self.through) + self.through

    def offsets(self, points: Floats) -> Floats:
        arms = np.cross(np.asarray(points) - self.through, np.asarray(self.axis) / np.linalg.norm(self.axis))
        return np.array([np.linalg.norm(arms, axis=-1).max()])

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.full_like(low, offset[0])

    bend = slope


@dataclass(frozen=True)
class Slide(OneBlock):
    """A shift along a direction; span in mm."""

    along: tuple[float, float, float] = (0.0, 0.0, 1.0)

    def turn(self, poses: Floats) -> Floats:
        return np.broadcast_to(np.eye(3), (len(poses), 3, 3))

    def place(self, poses: Floats, points: Floats) -> Floats:
        return np.asarray(points) + poses[:, 0, None, None] * np.asarray(self.along)

    def offsets(self, points: Floats) -> Floats:
        return np.zeros(1)

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.full_like(low, np.linalg.norm(self.along))

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.zeros_like(low)


@dataclass(frozen=True)
class Unbounded(Slide):
    """The same of which nothing can be said in boxes wider than a tenth of a millimetre."""

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.where(high - low > 0.1, np.inf, super().slope(low, high, offset))

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.where(high - low > 0.1, np.inf, 0.0)


def random_motions(chance: np.random.Generator):
    """Motions of a start and of an end: still ones, an axle, what steers on it, and blocks that both share."""
    axle = SolidAxle(
        "axle", (2600.0, 0.0, 380.0), *chance.uniform(20.0, 100.0, 2), chance.uniform(300.0, 500.0),
        chance.uniform(0.0, 8.0), Leaf(chance.uniform(400.0, 700.0), "front"), *chance.uniform(0.0, 8.0, 2),
    )  # fmt: skip
    kingpin = Swing("steer", (-0.6, 0.6), through=(2600.0, 650.0, 380.0), axis=(0.1, -0.2, 1.0))
    rock = Swing("rock", (-0.05, 0.08), through=(1300.0, 0.0, 500.0), axis=(1.0, 0.1, 0.0))
    slide = Slide("surge", (-10.0, 10.0), along=(1.0, 0.2, 0.3))
    pool = [
        Still(), axle, axle.straight(), Carried(axle, kingpin), rock, Carried(slide, rock), slide,
    ]  # fmt: skip
    starts = (0, 1, 4, 5, 6)
    ends = (1, 2, 3, 4, 5)
    first, last = pool[chance.choice(starts)], pool[chance.choice(ends)]
    straight = isinstance(last, type(pool[2]))
    return (pool[0] if straight and first is axle else first), last


def random_boxes(space, count: int, chance: np.random.Generator) -> tuple[Floats, Floats]:
    """Boxes (count, d) of all sizes, some coordinates without width."""
    width = space.high - space.low
    size = 10.0 ** chance.uniform(-3.0, 0.0, (count, 1)) * (chance.random((count, len(width))) < 0.8) * width
    low = space.low + chance.random(size.shape) * (width - size)
    return low, low + size


def reach_of_solid(solid: Solid, directions: Floats) -> Floats:
    """How far a solid reaches along unit directions (m,)."""
    return (solid.vertices @ directions.T).max(axis=0) + solid.radius_mm


def reach_of_hull(hulls: Hulls, row: int, directions: Floats) -> Floats:
    """How far a hull with its ball and remainder reaches along unit directions (m,)."""
    heights = hulls.points[row] @ directions.T
    if hulls.discs is not None:
        along = hulls.discs[row] @ directions.T
        heights = heights + hulls.disc_radius_mm * np.sqrt(np.maximum(1.0 - along**2, 0.0))
    return heights.max(axis=0) + hulls.ball_mm + hulls.grow_mm[row]


def unit_vectors(count: int, chance: np.random.Generator) -> Floats:
    found = chance.normal(size=(count, 3))
    return found / np.linalg.norm(found, axis=1)[:, None]


def assert_hulls_hold(piece, chance: np.random.Generator, *, boxes: int = 8, poses: int = 5) -> float:
    """In every pose of a box the piece lies in the box's hull; returns the greatest share of the remainder used."""
    low, high = random_boxes(piece.space, boxes, chance)
    hulls = piece.hulls(low, high)
    assert not np.isnan(hulls.grow_mm).any()
    used = 0.0
    for row in range(boxes):
        for _ in range(poses):
            pose = low[row] + chance.random(low.shape[1]) * (high[row] - low[row])
            directions = unit_vectors(60, chance)
            over = reach_of_solid(piece.at(pose), directions) - reach_of_hull(hulls, row, directions)
            assert over.max() <= 1e-9, (piece.facts(), low[row], high[row], pose)
            grow = float(hulls.grow_mm[row])
            if grow > 1e-6:
                used = max(used, float(over.max()) / grow + 1.0)
    return used


def assert_sweep_promise(pieces, box: Solid, chance: np.random.Generator, *, poses: int = 400) -> float:
    """Bound ≤ every pose ≤ what was found, and both within the tolerance; returns what was found.

    Very many poses with the convex pieces' own distances, a few with the exact distance of their meshes.
    """
    space = pieces[0].space
    found = least_over_motion(pieces, [Obstacle(box.vertices[box.faces])], (space.low, space.high))[0]
    assert found.proven
    assert found.distance_mm - found.at_least_mm <= TOLERANCE_MM
    width = space.high - space.low
    around = np.clip(found.pose + chance.normal(size=(poses, len(width))) * 0.02 * width, space.low, space.high)
    anywhere = space.low + chance.random((poses, len(width))) * width
    tried = np.concatenate([found.pose[None], around, anywhere])
    rows, atoms = np.arange(len(tried)), np.broadcast_to(box.vertices, (len(tried), *box.vertices.shape))
    for piece in pieces:
        apart = separate(piece.hulls(tried, tried), rows, atoms, np.full(len(tried), np.inf))
        assert apart.upper_mm.min() >= found.at_least_mm - 1e-9
    for pose in np.concatenate([tried[:3], tried[-2:]]):
        least = min(closest(piece.at(pose), box).distance_mm for piece in pieces)
        assert least >= found.at_least_mm - 1e-9, pose
    at_pose = min(closest(piece.at(found.pose), box).distance_mm for piece in pieces)
    assert abs(at_pose - found.distance_mm) <= 0.02
    return found.distance_mm


def random_box(middle: Floats, chance: np.random.Generator) -> Solid:
    """A box somewhere round a point."""
    size = chance.uniform(20.0, 200.0, 3)
    centre = middle + unit_vectors(1, chance)[0] * chance.uniform(250.0, 450.0)
    return solids.box(centre - size / 2.0, centre + size / 2.0)


@dataclass(frozen=True)
class Case:
    """A number, and the chance that comes of it."""

    seed: int
    chance: np.random.Generator = field(compare=False)


def cases(count: int) -> list[Case]:
    return [Case(seed, np.random.default_rng(seed)) for seed in range(count)]
