"""A second road to distances between moving bodies: exact at a pose, sought over very many poses.

A body is a few convex solids that ride on the motions of ``oracle_mechanisms``; the distance
of two solids at a pose is the least over pairs of points that really lie in them, found in
closed form (cylinders: by golden section to 1e-7). ``dense_minimum`` looks at very many poses
and polishes the best few, so its answer is never below the true minimum.
Frame: x rearward, y right, z up; mm.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from oracle_mechanisms import Motion, Pose, Still, Travel, Vector, joined, points_at, unit
from oracle_motion import Carried as Shape
from oracle_motion import Piece, _golden_section, nearest_on_piece
from scipy.optimize import brentq

Floats = NDArray[np.float64]
Chance = np.random.Generator


# ------------------------------------------------------------------ bodies


STILL = Still()


@dataclass(frozen=True)
class End:
    """A point, where it is at the scan pose, and what carries it."""

    point: Vector
    on: Motion = STILL


class Body(Protocol):
    """What takes part: its coordinates, and its convex solids at each pose."""

    @property
    def travel(self) -> Travel: ...
    def pieces(self, pose: Pose) -> list[Piece]: ...


@dataclass(frozen=True)
class Rigid:
    """Solids (capsule, cylinder or box, as they are at the scan pose) that a motion carries."""

    on: Motion
    shapes: tuple[Shape, ...]

    @property
    def travel(self) -> Travel:
        return self.on.travel

    def pieces(self, pose: Pose) -> list[Piece]:
        turn, shift = self.on.frames(pose)
        out = []
        for shape in self.shapes:
            ends = np.einsum("nij,kj->nki", turn, np.array([shape.start_mm, shape.end_mm])) + shift[:, None]
            if shape.kind == "box":
                half = np.subtract(shape.end_mm, shape.start_mm) / 2.0
                middle = ends.mean(axis=1)
                out.append(Piece("box", middle, middle, 0.0, turn.transpose(0, 2, 1), half))
            else:
                out.append(Piece(shape.kind, ends[:, 0], ends[:, 1], shape.radius_mm))
        return out


@dataclass(frozen=True)
class Between:
    """A straight round thing between two moving points: from ``first`` = (a, b) to ``last`` at a + b · length mm.

    ``kind`` "capsule" (rods) or "cylinder" (tubes with flat ends).
    """

    kind: str
    start: End
    end: End
    radius_mm: float
    first: tuple[float, float] = (0.0, 0.0)
    last: tuple[float, float] = (0.0, 1.0)

    @property
    def travel(self) -> Travel:
        return joined(self.start.on.travel, self.end.on.travel)

    def pieces(self, pose: Pose) -> list[Piece]:
        start, along = self.line(pose)
        length = np.linalg.norm(along, axis=1, keepdims=True)
        ends = [start + (a + b * length) * along / length for a, b in (self.first, self.last)]
        return [Piece(self.kind, ends[0], ends[1], self.radius_mm)]

    def line(self, pose: Pose) -> tuple[Floats, Floats]:
        """The start (n, 3) and the way to the end (n, 3)."""
        start = points_at(self.start.on, pose, self.start.point)[:, 0]
        return start, points_at(self.end.on, pose, self.end.point)[:, 0] - start


@dataclass(frozen=True)
class Hose:
    """A flexible line of a length between two moving points: a parabola hanging down by ``drop``.

    Stretched (d > L): straight. Given as ``parts`` capsules between points of the parabola: it lies
    inside the true tube but for sag/parts² mm.
    """

    start: End
    end: End
    length_mm: float
    radius_mm: float
    parts: int = 60

    @property
    def travel(self) -> Travel:
        return joined(self.start.on.travel, self.end.on.travel)

    def centres(self, pose: Pose, shares: Floats) -> Floats:
        """Points (n, k, 3) of the line at shares 0 … 1 of the way."""
        start = points_at(self.start.on, pose, self.start.point)
        end = points_at(self.end.on, pose, self.end.point)
        line = start + shares[:, None] * (end - start)
        line[..., 2] -= 4.0 * drop(end - start, self.length_mm) * shares * (1.0 - shares)
        return np.asarray(line)

    def pieces(self, pose: Pose) -> list[Piece]:
        line = self.centres(pose, np.linspace(0.0, 1.0, self.parts + 1))
        return [Piece("capsule", line[:, k], line[:, k + 1], self.radius_mm) for k in range(self.parts)]


def drop(way: Floats, length_mm: float) -> Floats:
    """How deep the program draws a line (…, 3) of a length below its chord: never less than ``exact_sag``.

    The series of a level parabola's arc length to its second term, s² = 3/80 (L − d)(9 L + d), more by d / its
    level part where it slants, and (L + √(L² − v²)) / 4 over a height v at most.
    """
    apart, height = np.minimum(np.linalg.norm(way, axis=-1), length_mm), np.abs(way[..., 2])
    level = np.maximum(np.hypot(way[..., 0], way[..., 1]), 1e-9)
    hung = np.sqrt(3.0 * (length_mm - apart) * (9.0 * length_mm + apart) / 80.0) * np.hypot(1.0, height / level)
    return np.minimum(hung, (length_mm + np.sqrt(np.maximum(length_mm**2 - height**2, 0.0))) / 4.0)


def exact_sag(way: Vector, length_mm: float) -> float:
    """How deep a parabola of exactly that length hangs below its chord, by numbers; 0 where it is taut."""
    shares = (np.arange(4000) + 0.5) / 4000

    def length(hung: float) -> float:
        steps = np.array(way) - np.outer(4.0 * hung * (1.0 - 2.0 * shares), (0.0, 0.0, 1.0))
        return float(np.linalg.norm(steps, axis=1).mean())

    return (
        float(brentq(lambda hung: length(hung) - length_mm, 0.0, 3.0 * length_mm)) if length(0.0) < length_mm else 0.0
    )


def sag(apart_mm: Floats, length_mm: float) -> Floats:
    """√(3 d (L − d) / 8), nothing when it is taut. Source: parabola's length L ≈ d + 8 s² / (3 d)."""
    return np.sqrt(np.maximum(3.0 * apart_mm * (length_mm - apart_mm) / 8.0, 0.0))


# ------------------------------------------------------------------ two solids at each pose


def piece_distances(first: Piece, second: Piece) -> Floats:
    """Distances (n,) of two convex solids, pose by pose; 0 where they overlap. NaN poses answer NaN."""
    kinds = (first.kind, second.kind)
    if "cylinder" in kinds:
        return _with_cylinder(first, second) if kinds[0] == "cylinder" else _with_cylinder(second, first)
    if kinds == ("box", "box"):
        return np.minimum(_edges_to_box(first, second), _edges_to_box(second, first))
    if "box" in kinds:
        box, other = (first, second) if kinds[0] == "box" else (second, first)
        return np.maximum(segment_to_box(other.start, other.end, box) - other.radius_mm, 0.0)
    gap = segment_to_segment((first.start, first.end), (second.start, second.end))
    return np.maximum(gap - first.radius_mm - second.radius_mm, 0.0)


def segment_to_segment(first: tuple[Floats, Floats], second: tuple[Floats, Floats]) -> Floats:
    """Distances (n,): the lines' nearest points where both are inside, and the four ends to the other segment."""
    (a, b), (c, d) = first, second
    u, v, between = b - a, d - c, c - a
    normal = np.cross(u, v)
    size = (normal * normal).sum(axis=-1)
    size = np.where(size > 0.0, size, np.inf)
    s = np.clip((np.cross(between, v) * normal).sum(axis=-1) / size, 0.0, 1.0)[..., None]
    t = np.clip((np.cross(between, u) * normal).sum(axis=-1) / size, 0.0, 1.0)[..., None]
    candidates = [a + s * u - c - t * v]
    candidates += [p - _foot(p, c, v) for p in (a, b)] + [p - _foot(p, a, u) for p in (c, d)]
    return np.linalg.norm(candidates, axis=-1).min(axis=0)


def _foot(point: Floats, start: Floats, along: Floats) -> Floats:
    size = (along * along).sum(axis=-1)
    t = ((point - start) * along).sum(axis=-1) / np.where(size > 0.0, size, 1.0)
    return np.asarray(start + np.clip(t, 0.0, 1.0)[..., None] * along)


def segment_to_box(start: Floats, end: Floats, box: Piece) -> Floats:
    """Distances (n, …) of segments (n, …, 3) to the solid box.

    Along the segment the squared distance is a convex chain of parabolas that change where the line
    crosses one of the six planes: least at a crossing, at an end, or at the vertex of a parabola.
    """
    extra = (slice(None), *(None,) * (start.ndim - 2))
    a, b = (np.einsum("nij,n...j->n...i", box.axes, p - box.start[extra]) for p in (start, end))
    along, half = b - a, box.half_mm
    steady = np.where(along == 0.0, 1.0, along)
    crossings = np.clip(np.concatenate([(-half - a) / steady, (half - a) / steady], axis=-1), 0.0, 1.0)
    marks = np.sort(np.concatenate([np.zeros((*a.shape[:-1], 1)), crossings, np.ones((*a.shape[:-1], 1))], -1), -1)
    middle = a[..., None, :] + ((marks[..., 1:] + marks[..., :-1]) / 2.0)[..., None] * along[..., None, :]
    side = np.where(middle > half, 1.0, np.where(middle < -half, -1.0, 0.0))
    out = np.abs(side)
    bend = (out * along[..., None, :] ** 2).sum(axis=-1)
    slope = (out * along[..., None, :] * (a[..., None, :] - side * half)).sum(axis=-1)
    vertex = np.clip(-slope / np.where(bend > 0.0, bend, 1.0), marks[..., :-1], marks[..., 1:])
    places = np.concatenate([marks, vertex], axis=-1)
    points = a[..., None, :] + places[..., None] * along[..., None, :]
    beyond = np.maximum(np.abs(points) - half, 0.0)
    return np.sqrt((beyond**2).sum(axis=-1)).min(axis=-1)


def _corners(box: Piece) -> Floats:
    """Corners (n, 8, 3): bit k of the number tells the side along axis k."""
    signs = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))[:, ::-1]
    return np.einsum("kj,nji->nki", signs * box.half_mm, box.axes) + box.start[:, None]


_EDGES = [(i, i | 1 << k) for k in range(3) for i in range(8) if not i >> k & 1]


def _edges_to_box(first: Piece, second: Piece) -> Floats:
    """Every edge of the first to the solid second."""
    corners, edges = _corners(first), np.array(_EDGES)
    return segment_to_box(corners[:, edges[:, 0]], corners[:, edges[:, 1]], second).min(axis=1)


def _with_cylinder(cylinder: Piece, other: Piece) -> Floats:
    if other.kind == "capsule":
        return np.maximum(
            _segments_to_cylinder(other.start[:, None], other.end[:, None], cylinder) - other.radius_mm, 0.0
        )
    if other.kind == "cylinder":
        return _cylinder_to_cylinder(cylinder, other)
    corners, edges = _corners(other), np.array(_EDGES)
    found = _segments_to_cylinder(corners[:, edges[:, 0]], corners[:, edges[:, 1]], cylinder)
    starts, ends = _facing_segments(cylinder, other.axes)
    return np.minimum(found, segment_to_box(starts, ends, other).min(axis=1))


def _segments_to_cylinder(start: Floats, end: Floats, cylinder: Piece) -> Floats:
    """The nearest of segments (n, k, 3) to the solid cylinder: convex along each, by golden section."""
    along = end - start

    def squared(share: Floats) -> Floats:
        points = start + share[..., None] * along
        return ((points - nearest_on_piece(cylinder, points)) ** 2).sum(axis=-1)

    share = _golden_section(squared, start.shape[:2])
    ends = [squared(np.zeros(share.shape)), squared(np.ones(share.shape))]
    return np.sqrt(np.min([squared(share), *ends], axis=0)).min(axis=1)


def _facing_segments(cylinder: Piece, normals: Floats) -> tuple[Floats, Floats]:
    """Axis, and for each normal (n, m, 3) the two generators and the two cap diameters that face it."""
    axis = unit(cylinder.end - cylinder.start)[:, None]
    across = normals - (normals * axis).sum(axis=2, keepdims=True) * axis
    size = np.linalg.norm(across, axis=2, keepdims=True)
    rim = cylinder.radius_mm * across / np.where(size > 1e-12, size, 1.0)
    a, b = cylinder.start[:, None], cylinder.end[:, None]
    starts = np.concatenate([a, a - rim, a + rim, a - rim, b - rim], axis=1)
    return starts, np.concatenate([b, b - rim, b + rim, a + rim, b + rim], axis=1)


def _cylinder_to_cylinder(first: Piece, second: Piece) -> Floats:
    """By turns the nearest point of the one to the last point of the other: from above, 300 rounds."""
    point = ((first.start + first.end) / 2.0)[:, None]
    for _ in range(300):
        mate = nearest_on_piece(second, point)
        point = nearest_on_piece(first, mate)
    return np.linalg.norm(point - nearest_on_piece(second, point), axis=2)[:, 0]


# ------------------------------------------------------------------ very many poses


@dataclass(frozen=True)
class Least:
    """The least distance found, and its pose in the order of ``travel``."""

    distance_mm: float
    pose: Floats
    travel: Travel


def distances(first: Body, second: Body, pose: Pose) -> Floats:
    """Distances (n,) of two bodies; infinite where a mechanism cannot reach the pose."""
    pairs = itertools.product(first.pieces(pose), second.pieces(pose))
    with np.errstate(invalid="ignore"):
        found = np.min([piece_distances(a, b) for a, b in pairs], axis=0)
    return np.where(np.isnan(found), np.inf, found)


def random_rows(travel: Travel, n: int, chance: Chance) -> Floats:
    """n rows: half anywhere, half with each number at a limit, at zero or anywhere; corners; the scan pose."""
    low, high = np.array(travel.low), np.array(travel.high)
    rows = chance.uniform(low, high, size=(n, len(low)))
    half = rows[n // 2 :]
    snap = chance.integers(0, 7, size=half.shape)
    half[:] = np.select([snap < 2, snap < 4, snap == 4], [low, high, 0.0], half)
    corners = itertools.islice(itertools.product(*zip(low, high, strict=True)), 256)
    return np.concatenate([np.zeros((1, len(low))), np.array(list(corners)).reshape(-1, len(low)), rows])


def dense_minimum(
    first: Body, second: Body, count: int, chance: Chance, *, travel: Travel | None = None, few: int = 4
) -> Least:
    """Least distance over ``count`` random poses, the best ``few`` of them polished; never below the true minimum.

    ``travel``: a part of the coordinates' ranges; without it all of both bodies'. Polish: 30 poses about
    each, ever nearer; and steps along each coordinate to both sides.
    """
    travel = joined(first.travel, second.travel) if travel is None else travel
    rows = random_rows(travel, count, chance)
    found = measure(first, second, travel, rows)
    best = np.argsort(found, kind="stable")[:few]
    rows, found = rows[best], found[best]
    low, high = np.array(travel.low), np.array(travel.high)
    for share in (0.2, 0.1, 0.05, 0.02, 0.01, 0.003, 0.001, 3e-4, 1e-4, 3e-5, 1e-5):
        if found.min() == 0.0 or not len(low):
            break
        trials = np.clip(_around(rows, share * (high - low), chance), low, high)
        reached = measure(first, second, travel, trials.reshape(-1, len(low))).reshape(trials.shape[:2])
        every, values = np.concatenate([rows[:, None], trials], axis=1), np.column_stack([found, reached])
        pick = values.argmin(axis=1)
        rows, found = every[np.arange(len(rows)), pick], values.min(axis=1)
    least = int(found.argmin())
    named = travel.named(rows[least : least + 1])
    return Least(float(found[least]), np.array([named[name][0] for name in travel.names]), travel)


def _around(rows: Floats, reach: Floats, chance: Chance) -> Floats:
    """Trials (few, m, k) about each row: random ones, and steps along each coordinate."""
    steps = np.concatenate([np.diag(reach), -np.diag(reach), np.diag(reach) / 3.0, -np.diag(reach) / 3.0])
    cloud = chance.normal(size=(30 + 10 * len(reach), len(reach))) * reach * 0.6
    return rows[:, None] + np.concatenate([steps, cloud])


def measure(first: Body, second: Body, travel: Travel, rows: Floats) -> Floats:
    """Distances (n,) at rows of poses (n, k), in parts that fit the memory."""
    parts = [distances(first, second, travel.named(rows[k : k + 2000])) for k in range(0, len(rows), 2000)]
    return np.concatenate(parts) if parts else np.empty(0)
