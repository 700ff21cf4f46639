"""Scenes of open, one-sided, noisy skins of metal whose inside is an inequality, and a count of what was said of them.

Tubes along an axis, and what a scanner does to them. Used by tests/test_sides.py and scripts/campaign_sides.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from shapes import Chance, Floats, Mesh
from triangle_pairs import rotations

from fitcheck.geometry.inside import points_to_triangles
from fitcheck.geometry.sides import Side, SideTester, Votes

# ------------------------------------------------------------------ what scenes are made of


@dataclass(frozen=True)
class Member:
    """A straight tube: ``ring`` (k, 2) its outline, counter-clockwise, about the axis x, y or z, from ``start`` to
    ``end`` along it; ``at`` (2,) is where its middle is across. ``inner``: the wall, where a second skin was seen."""

    ring: Floats
    start: float
    end: float
    at: tuple[float, float]
    axis: int = 0
    capped: bool = False
    inner: float = 0.0

    def mesh(self, step: float) -> Mesh:
        parts = self._skins(self.ring, self.start, self.end, step)
        if self.inner:
            half, short = np.abs(self.ring).max(axis=0), self.inner if self.capped else 0.0
            within = self.ring * ((half - self.inner) / half)
            skins = self._skins(within, self.start + short, self.end - short, step)
            parts += [(vertices, faces[:, ::-1].copy()) for vertices, faces in skins]
        vertices, faces = joined(parts)
        return np.roll(vertices, self.axis, axis=1), faces

    def _skins(self, ring: Floats, start: float, end: float, step: float) -> list[Mesh]:
        tube = _skin(ring + self.at, np.linspace(start, end, max(2, round((end - start) / step))))
        return [tube, *(_caps(ring + self.at, start, end) if self.capped else [])]

    def depth(self, points: Floats) -> Floats:
        """How deep in the metal: the least of the depths below its walls and ends; negative outside."""
        own = np.roll(points, -self.axis, axis=1)
        across, half = np.abs(own[:, 1:] - self.at), np.abs(self.ring).max(axis=0)
        flat = (half - across).min(axis=1)
        below = half[0] - np.linalg.norm(across, axis=1) if is_round(self.ring) else flat
        ends = np.minimum(own[:, 0] - self.start, self.end - own[:, 0])
        deep = np.minimum(below, ends)
        if self.inner:
            deep = np.minimum(deep, self.inner - np.minimum(below, ends if self.capped else np.inf))
        return np.asarray(deep)


@dataclass(frozen=True)
class Sheet:
    """A floor seen from below only: its faces look down."""

    lo: tuple[float, float]
    hi: tuple[float, float]
    height: float

    def mesh(self, step: float) -> Mesh:
        counts = [max(2, round((b - a) / step)) for a, b in zip(self.lo, self.hi, strict=True)]
        x, y = (np.linspace(a, b, n + 1) for a, b, n in zip(self.lo, self.hi, counts, strict=True))
        grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        i, j = (k.ravel() for k in np.meshgrid(np.arange(counts[0]), np.arange(counts[1]), indexing="ij"))
        a = i * (counts[1] + 1) + j
        b, c, d = a + counts[1] + 1, a + counts[1] + 2, a + 1
        faces = np.concatenate([np.stack([a, c, b], axis=1), np.stack([a, d, c], axis=1)])
        return np.column_stack([grid, np.full(len(grid), self.height)]), faces.astype(np.int32)

    def depth(self, points: Floats) -> Floats:
        """There is no metal to be in; near it the truth is not asked."""
        outside = np.maximum(np.maximum(np.array(self.lo) - points[:, :2], points[:, :2] - self.hi), 0.0)
        return -np.sqrt((outside**2).sum(axis=1) + (points[:, 2] - self.height) ** 2)


NDArrayBool = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
Scene = tuple[Member | Sheet, ...]


def rectangle(width: float, height: float, step: float = 10.0) -> Floats:
    a, b = max(2, round(width / step)), max(2, round(height / step))
    s, t = np.arange(a) / a - 0.5, np.arange(b) / b - 0.5
    sides = [(s, -0.5 + 0 * s), (0.5 + 0 * t, t), (-s, 0.5 + 0 * s), (-0.5 + 0 * t, -t)]
    return np.concatenate([np.column_stack(side) for side in sides]) * [width, height]


def circle(diameter: float, sides: int = 28) -> Floats:
    turn = 2.0 * np.pi * np.arange(sides) / sides
    return diameter / 2.0 * np.column_stack([np.cos(turn), np.sin(turn)])


def is_round(ring: Floats) -> bool:
    return bool(np.ptp(np.linalg.norm(ring, axis=1)) < 1e-9)


def _skin(ring: Floats, stations: Floats) -> Mesh:
    k, n = len(ring), len(stations)
    vertices = np.column_stack([np.repeat(stations, k), np.tile(ring, (n, 1))])
    i, j = (m.ravel() for m in np.meshgrid(np.arange(n - 1), np.arange(k), indexing="ij"))
    a, b = i * k + j, i * k + (j + 1) % k
    return vertices, np.concatenate([np.stack([a, b, b + k], axis=1), np.stack([a, b + k, a + k], axis=1)]).astype(
        np.int32
    )


def _caps(ring: Floats, start: float, end: float) -> list[Mesh]:
    k = len(ring)
    j = np.arange(k, dtype=np.int32)
    fan = np.stack([np.full(k, k), (j + 1) % k, j], axis=1).astype(np.int32)
    ends = []
    for x, faces in ((start, fan), (end, fan[:, ::-1].copy())):
        plane = np.concatenate([ring, ring.mean(axis=0, keepdims=True)])
        ends.append((np.column_stack([np.full(k + 1, x), plane]), faces))
    return ends


def joined(meshes: list[Mesh]) -> Mesh:
    offsets = np.cumsum([0, *(len(v) for v, _ in meshes)])
    faces = [f + o for (_, f), o in zip(meshes, offsets[:-1], strict=True)]
    return np.concatenate([v for v, _ in meshes]), np.concatenate(faces).astype(np.int32)


RAIL, WIDE = rectangle(60, 120), rectangle(50, 80)
SCENES: dict[str, Scene] = {
    "closed box section": (Member(RAIL, 0, 500, (0, 0), capped=True),),
    "rail, ends open": (Member(RAIL, 0, 700, (0, 0)),),
    "round tube": (Member(circle(60), 0, 600, (0, 0)),),
    "rail with an inner skin": (Member(RAIL, 0, 600, (0, 0), inner=4.0),),
    "closed, with an inner skin": (Member(rectangle(100, 120), 0, 400, (0, 0), capped=True, inner=8.0),),
    "two rails, 25 apart": (Member(RAIL, 0, 600, (0, 0)), Member(RAIL, 0, 600, (85, 0))),
    "rail and crossmember": (Member(RAIL, 0, 600, (0, 0)), Member(WIDE, 40, 400, (10, 300), axis=1)),
    "rail, tube and floor": (
        Member(RAIL, 0, 600, (0, 0)), Member(circle(50), 0, 600, (70, 10)), Sheet((-100, -250), (700, 250), 85.0)),
}  # fmt: skip


# ------------------------------------------------------------------ what a scanner does to them


def noisy(mesh: Mesh, sigma_mm: float, rng: Chance) -> Mesh:
    """Every vertex moved along its normal."""
    vertices, faces = mesh
    corners = vertices[faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, faces[:, k], across)
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
    return vertices + sigma_mm * rng.standard_normal((len(vertices), 1)) * normals, faces


def without_some(mesh: Mesh, share: float, rng: Chance) -> Mesh:
    """A share of the faces missing, each for itself."""
    keep = rng.permutation(len(mesh[1])) >= share * len(mesh[1])
    return mesh[0], mesh[1][keep]


def without_patches(mesh: Mesh, share: float, rng: Chance) -> Mesh:
    """A share of the faces missing, as round patches of 15 to 70 mm; half of them cut right through."""
    vertices, faces = mesh
    corners = vertices[faces]
    middles, normals = corners.mean(axis=1), np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    gone = np.zeros(len(faces), dtype=bool)
    while gone.mean() < share:
        k = int(rng.integers(len(faces)))
        patch = np.linalg.norm(middles - middles[k], axis=1) < rng.uniform(15, 70)
        if rng.random() < 0.5:
            patch &= normals @ normals[k] > 0.0
        rows = np.flatnonzero(patch & ~gone)
        gone[rows[: int(np.ceil((share - gone.mean()) * len(faces)))]] = True
    return vertices, faces[~gone]


def without_a_side(mesh: Mesh, share: float, rng: Chance) -> Mesh:
    """All faces missing that look one way, as far as ``share`` of all goes: what was out of the scanner's sight."""
    vertices, faces = mesh
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    way = np.eye(3)[rng.integers(3)] * rng.choice([-1.0, 1.0])
    rows = np.flatnonzero(normals @ way > 0.6 * np.linalg.norm(normals, axis=1))
    keep = np.ones(len(faces), dtype=bool)
    keep[rows[: int(share * len(faces))]] = False
    return vertices, faces[keep]


def without_a_length(mesh: Mesh, share: float, rng: Chance) -> Mesh:
    """Everything missing over a length, about a place of the first member, as far as ``share`` of all goes."""
    vertices, faces = mesh
    middles = vertices[faces].mean(axis=1)
    away = np.abs(middles[:, 0] - rng.uniform(150, 350))
    keep = np.ones(len(faces), dtype=bool)
    keep[np.argsort(away, kind="stable")[: int(share * len(faces))]] = False
    return vertices, faces[keep]


FLAWS: dict[str, Callable[[Mesh, Chance], Mesh]] = {
    "whole": lambda mesh, rng: mesh,
    "noise 0.4": lambda mesh, rng: noisy(mesh, 0.4, rng),
    "noise 1": lambda mesh, rng: noisy(mesh, 1.0, rng),
    "30 % of faces": lambda mesh, rng: without_some(mesh, 0.3, rng),
    "30 % in patches": lambda mesh, rng: without_patches(mesh, 0.3, rng),
    "a side unseen": lambda mesh, rng: without_a_side(mesh, 0.34, rng),
    "a length unseen": lambda mesh, rng: without_a_length(mesh, 0.25, rng),
    "15 %, noise 1": lambda mesh, rng: without_some(noisy(mesh, 1.0, rng), 0.15, rng),
    "15 % patches, noise 1": lambda mesh, rng: without_patches(noisy(mesh, 1.0, rng), 0.15, rng),
}


def asked_points(scene: Scene, mesh: Mesh, rng: Chance, count: int) -> tuple[Floats, NDArrayBool]:
    """Points all over, near the faces that there were, and in the members; with whether they are in metal.

    Left out is what is within 4 mm of a face of the true surface: there a scan of this noise has no sides.
    """
    vertices, faces = mesh
    spots = vertices[faces[rng.integers(len(faces), size=2 * count)]].mean(axis=1)
    near = spots + rng.standard_normal((2 * count, 3)) * rng.choice([6.0, 15.0, 40.0], (2 * count, 1))
    low, high = vertices.min(axis=0) - 60, vertices.max(axis=0) + 60
    points = np.concatenate([near, rng.uniform(low, high, (count, 3))])
    depth = np.stack([member.depth(points) for member in scene])
    clear = points_to_triangles(points, vertices[faces]) > 4.0
    return points[clear][:count], (depth.max(axis=0) > 0.0)[clear][:count]


@dataclass(frozen=True)
class Tally:
    """Of points that are in metal and points that are not: right, wrong, undecided."""

    inside: tuple[int, int, int]
    outside: tuple[int, int, int]
    votes: Votes
    points: Floats
    truth: NDArrayBool

    @property
    def wrong(self) -> int:
        return self.inside[1] + self.outside[1]


def tally(scene: str, flaw: str, seed: int, count: int = 200) -> Tally:
    """One trial: a scene, a flaw, a turn at random."""
    rng = np.random.default_rng(seed)
    members = SCENES[scene]
    true = joined([member.mesh(12.0) for member in members])
    points, truth = asked_points(members, true, rng, count)
    vertices, faces = FLAWS[flaw](true, rng)
    turn, shift = rotations(rng, 1)[0], rng.uniform(-2000, 2000, 3)
    votes = SideTester.of(vertices @ turn.T + shift, faces).votes(points @ turn.T + shift)
    said = votes.combined()

    def counts(rows: NDArrayBool, right: Side, wrong: Side) -> tuple[int, int, int]:
        one, two, three = (int((said[rows] == side).sum()) for side in (right, wrong, Side.UNDECIDED))
        return one, two, three

    return Tally(counts(truth, Side.INSIDE, Side.OUT), counts(~truth, Side.OUT, Side.INSIDE), votes, points, truth)
