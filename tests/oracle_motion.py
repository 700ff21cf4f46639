"""A second road to the least distance over a solid axle's motion: very many poses, no bounds, no trust.

The motion is written down here a second time, from the trade's own description: a pose is
R = R_x(roll) · R_y(wind-up) about the axle's centre, then a shift (fore-aft of the leaf
spring's arc, lateral play, heave). Both stops move within [−droop, +bump]: a pose is given
by the height of the right and of the left stop, so every combination is allowed at once.
Frame: x rearward, y right, z up; mm, radians where named so.

``dense_minimum`` is exact for each pose that it looks at (to rounding), so its answer is
never below the true minimum over all poses; it is above it by what lies between the poses.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from oracle import segment_feet, triangle_witnesses
from shapes import Mesh, box_mesh, cylinder_mesh
from triangle_pairs import rotations

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Chance = np.random.Generator


# ------------------------------------------------------------------ the mechanism


@dataclass(frozen=True)
class Axle:
    """Limits and geometry of a solid axle; travel counts from the pose of the scan, droop is positive.

    ``eye``: where the leaf's fixed eye is, "front" or "rear"; "" when nothing moves it fore and aft.
    """

    centre_mm: tuple[float, float, float]
    bump_mm: float
    droop_mm: float
    stops_mm: float
    lateral_mm: float = 0.0
    drive_deg: float = 0.0
    brake_deg: float = 0.0
    eye: str = ""
    half_length_mm: float = 600.0
    flat_at_mm: float = 0.0

    def limits(self) -> Floats:
        """Least and greatest (2, 4) of right stop mm, left stop mm, wind-up rad, lateral mm."""
        high = [self.bump_mm, self.bump_mm, math.radians(self.drive_deg), self.lateral_mm]
        low = [-self.droop_mm, -self.droop_mm, -math.radians(self.brake_deg), -self.lateral_mm]
        return np.array([low, high])


def turns(axle: Axle, poses: Floats) -> Floats:
    """Rotations (n, 3, 3): wind-up about y first, then roll about x; the right side up is positive."""
    roll = np.arctan((poses[:, 0] - poses[:, 1]) / (2.0 * axle.stops_mm))
    c, s, one, nil = np.cos(roll), np.sin(roll), np.ones(len(roll)), np.zeros(len(roll))
    about_x = np.array([[one, nil, nil], [nil, c, -s], [nil, s, c]]).transpose(2, 0, 1)
    c, s = np.cos(poses[:, 2]), np.sin(poses[:, 2])
    about_y = np.array([[c, nil, s], [nil, one, nil], [-s, nil, c]]).transpose(2, 0, 1)
    return np.asarray(about_x @ about_y)


def shifts(axle: Axle, poses: Floats) -> Floats:
    """Where the axle's centre goes, (n, 3). Leaf: z²/(2R) toward the fixed eye, z from flat, R = ¾ half-length."""
    heave = (poses[:, 0] + poses[:, 1]) / 2.0
    arc = ((heave - axle.flat_at_mm) ** 2 - axle.flat_at_mm**2) / (2.0 * 0.75 * axle.half_length_mm)
    toward = {"front": -1.0, "rear": 1.0, "": 0.0}[axle.eye]
    return np.stack([toward * arc, poses[:, 3], heave], axis=1)


def carried_points(axle: Axle, poses: Floats, points: ArrayLike) -> Floats:
    """Points (k, 3) of the axle at the scan pose → (n, k, 3) at each pose."""
    centre = np.array(axle.centre_mm)
    arms = np.asarray(points, dtype=np.float64).reshape(-1, 3) - centre
    return np.einsum("nij,kj->nki", turns(axle, poses), arms) + (centre + shifts(axle, poses))[:, None]


# ------------------------------------------------------------------ what moves


@dataclass(frozen=True)
class Shaft:
    """A tube with a yoke at either end, between a joint on the body and one on the axle; whip widens both."""

    fixed_mm: tuple[float, float, float]
    moving_mm: tuple[float, float, float]
    tube_diameter_mm: float
    tube_whip_mm: float
    yoke_diameter_mm: float
    yoke_length_mm: float
    yoke_whip_mm: float


@dataclass(frozen=True)
class Carried:
    """A solid on the axle at the scan pose: kind "capsule" (a ball when both ends agree), "cylinder" or "box".

    A box runs from ``start_mm`` to ``end_mm``, its least and greatest corner.
    """

    kind: str
    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    radius_mm: float = 0.0


@dataclass(frozen=True)
class Piece:
    """One convex solid at n poses. A box has its centre in ``start`` and ``end``, its axes as rows."""

    kind: str
    start: Floats
    end: Floats
    radius_mm: float = 0.0
    axes: Floats = field(default_factory=lambda: np.empty((0, 3, 3)))
    half_mm: Floats = field(default_factory=lambda: np.zeros(3))

    def at(self, rows: Rows) -> Piece:
        axes = self.axes[rows] if len(self.axes) else self.axes
        return Piece(self.kind, self.start[rows], self.end[rows], self.radius_mm, axes, self.half_mm)


def pieces_of(body: Shaft | Carried, axle: Axle, poses: Floats) -> list[Piece]:
    """The convex solids of a body at each pose."""
    if isinstance(body, Shaft):
        return _shaft_pieces(body, axle, poses)
    if body.kind == "box":
        lo, hi = np.array(body.start_mm), np.array(body.end_mm)
        centre = carried_points(axle, poses, (lo + hi) / 2)[:, 0]
        return [Piece("box", centre, centre, 0.0, turns(axle, poses).transpose(0, 2, 1), (hi - lo) / 2)]
    ends = carried_points(axle, poses, [body.start_mm, body.end_mm])
    return [Piece(body.kind, ends[:, 0], ends[:, 1], body.radius_mm)]


def _shaft_pieces(shaft: Shaft, axle: Axle, poses: Floats) -> list[Piece]:
    moving = carried_points(axle, poses, shaft.moving_mm)[:, 0]
    fixed = np.broadcast_to(np.array(shaft.fixed_mm), moving.shape)
    along = moving - fixed
    yoke = shaft.yoke_length_mm * along / np.linalg.norm(along, axis=1, keepdims=True)
    tube_radius = shaft.tube_diameter_mm / 2 + shaft.tube_whip_mm
    yoke_radius = shaft.yoke_diameter_mm / 2 + shaft.yoke_whip_mm
    return [
        Piece("cylinder", fixed, moving, tube_radius),
        Piece("cylinder", fixed, fixed + yoke, yoke_radius),
        Piece("cylinder", moving - yoke, moving, yoke_radius),
    ]


# ------------------------------------------------------------------ points to one piece


def nearest_on_piece(piece: Piece, points: Floats) -> Floats:
    """The nearest point of the solid to each point (n, k, 3), pose by pose; a point inside is its own."""
    if piece.kind == "box":
        local = np.einsum("nij,nkj->nki", piece.axes, points - piece.start[:, None])
        return (
            np.einsum("nij,nki->nkj", piece.axes, np.clip(local, -piece.half_mm, piece.half_mm)) + piece.start[:, None]
        )
    start, end = piece.start[:, None], piece.end[:, None]
    if piece.kind == "capsule":
        foot = segment_feet(points, start, end)
        return foot + _cut_to(points - foot, piece.radius_mm)
    length = np.linalg.norm(end - start, axis=2, keepdims=True)
    axis = (end - start) / length
    away = points - start
    along = np.einsum("nki,nji->nk", away, axis)[..., None]
    return start + np.clip(along, 0.0, length) * axis + _cut_to(away - along * axis, piece.radius_mm)


def _cut_to(vectors: Floats, longest: float) -> Floats:
    """Vectors (n, k, 3) shortened to at most ``longest``."""
    size = np.sqrt(np.einsum("nki,nki->nk", vectors, vectors))[..., None]
    return vectors * (longest / np.maximum(size, longest))


# ------------------------------------------------------------------ one pose, exactly


def exact_distances(piece: Piece, obstacle: Mesh) -> tuple[Floats, Floats]:
    """Distances (n,) of the solid at each pose to all triangles of the obstacle, and directions (n, 3) toward it.

    Every candidate is a real point of the obstacle, measured to the solid in closed form: never too small.
    Cylinder: its distance is convex along an edge, so the edges are searched to 1e-7; inside a face only
    the points nearest to the axis, the end centres and the rim points that face it can be the nearest.
    """
    vertices, faces = obstacle
    candidates = [np.broadcast_to(vertices, (len(piece.start), *vertices.shape))]
    if piece.kind == "box":
        candidates.append(_nearest_to_box(piece, vertices[faces]))
    elif piece.kind == "capsule":
        candidates.append(_nearest_to_segments(piece.start, piece.end, vertices[faces]))
    else:
        candidates += [_faces_to_cylinder(piece, vertices[faces]), _edges_to_cylinder(piece, vertices[_edges(faces)])]
    points = np.concatenate(candidates, axis=1)
    away = points - nearest_on_piece(piece, points)
    squared = np.einsum("nki,nki->nk", away, away)
    rows, least = np.arange(len(points)), squared.argmin(axis=1)
    distance = np.sqrt(squared[rows, least])
    return distance, away[rows, least] / np.where(distance > 0.0, distance, 1.0)[:, None]


def _edges(faces: NDArray[np.int32]) -> NDArray[np.int32]:
    every = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return np.unique(every, axis=0)


def _nearest_to_segments(start: Floats, end: Floats, triangles: Floats) -> Floats:
    """Each triangle's nearest point (n, t, 3) to segments whose ends are (n, 3) or (n, t, 3)."""
    shape = (len(start), len(triangles), 3)
    start, end = (p if p.ndim == 3 else np.broadcast_to(p[:, None], shape) for p in (start, end))
    segment = np.stack([start, end, end], axis=2).reshape(-1, 3, 3)
    every = np.broadcast_to(triangles, (shape[0], *triangles.shape)).reshape(-1, 3, 3)
    return triangle_witnesses(segment, every)[2].reshape(shape)


def _faces_to_cylinder(piece: Piece, triangles: Floats) -> Floats:
    axis = (piece.end - piece.start) / np.linalg.norm(piece.end - piece.start, axis=1, keepdims=True)
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    across = normal[None] - (axis @ normal.T)[..., None] * axis[:, None]
    size = np.linalg.norm(across, axis=2, keepdims=True)
    rim = piece.radius_mm * across / np.where(size > 0.0, size, 1.0)
    lines = [(piece.start, piece.end)]
    lines += [(centre[:, None] - rim, centre[:, None] + rim) for centre in (piece.start, piece.end)]
    return np.concatenate([_nearest_to_segments(a, b, triangles) for a, b in lines], axis=1)


_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


def _edges_to_cylinder(piece: Piece, edges: Floats) -> Floats:
    """Golden-section search along every edge (e, 2, 3), all poses at once."""
    length = np.linalg.norm(piece.end - piece.start, axis=1)[:, None]
    axis = (piece.end - piece.start) / length
    away = edges[None, :, 0] - piece.start[:, None]
    along = edges[:, 1] - edges[:, 0]
    height, rise = np.einsum("nei,ni->ne", away, axis), axis @ along.T
    radial = away - height[..., None] * axis[:, None]
    drift = along[None] - rise[..., None] * axis[:, None]
    a, b, c = ((p * q).sum(axis=2) for p, q in ((drift, drift), (drift, radial), (radial, radial)))

    def squared(s: Floats) -> Floats:
        level = height + s * rise
        beyond = np.maximum(np.maximum(level - length, -level), 0.0)
        outside = np.maximum(np.sqrt(np.maximum(a * s * s + 2 * b * s + c, 0.0)) - piece.radius_mm, 0.0)
        return np.asarray(beyond * beyond + outside * outside)

    s = _golden_section(squared, a.shape)
    return np.asarray(edges[None, :, 0] + s[..., None] * along[None])


def _golden_section(value: Callable[[Floats], Floats], shape: tuple[int, ...]) -> Floats:
    """Where a convex function of 0 … 1 is least, for every element, to 1e-7."""
    lo, hi = np.zeros(shape), np.ones(shape)
    left, right = np.full(shape, 1 - _GOLDEN), np.full(shape, _GOLDEN)
    at_left, at_right = value(left), value(right)
    for _ in range(34):
        keep_left = at_left <= at_right
        lo, hi = np.where(keep_left, lo, left), np.where(keep_left, right, hi)
        fresh = np.where(keep_left, hi - _GOLDEN * (hi - lo), lo + _GOLDEN * (hi - lo))
        at_fresh = value(fresh)
        left, right = np.where(keep_left, fresh, right), np.where(keep_left, left, fresh)
        at_left, at_right = np.where(keep_left, at_fresh, at_right), np.where(keep_left, at_left, at_fresh)
    return (lo + hi) / 2


def _nearest_to_box(piece: Piece, triangles: Floats) -> Floats:
    corners, faces = box_mesh(-piece.half_mm, piece.half_mm)
    placed = np.einsum("kj,nji->nki", corners, piece.axes) + piece.start[:, None]
    shape = (len(piece.start), len(faces), len(triangles), 3, 3)
    first = np.broadcast_to(placed[:, faces][:, :, None], shape).reshape(-1, 3, 3)
    second = np.broadcast_to(triangles, shape).reshape(-1, 3, 3)
    return triangle_witnesses(first, second)[2].reshape(len(piece.start), -1, 3)


# ------------------------------------------------------------------ very many poses


@dataclass(frozen=True)
class Least:
    """The least distance found, and the pose (4,) of it."""

    distance_mm: float
    pose: Floats


def random_poses(axle: Axle, n: int, rng: Chance) -> Floats:
    """n poses: half anywhere, half with each number at a limit or anywhere; all 16 corners and the scan pose."""
    low, high = axle.limits()
    poses = rng.uniform(low, high, size=(n, 4))
    half = poses[n // 2 :]
    snap = rng.integers(0, 3, size=half.shape)
    half[:] = np.where(snap == 0, low, np.where(snap == 1, high, half))
    corners = np.array(list(itertools.product(*zip(low, high, strict=True))))
    return np.concatenate([np.zeros((1, 4)), corners, poses[len(corners) + 1 :]])


def dense_minimum(axle: Axle, body: Shaft | Carried, obstacle: Mesh, n: int, rng: Chance) -> Least:
    """Least distance over n poses and, around the best of them, 4 × n/20 more; never below the true minimum."""
    best = least_over(axle, body, obstacle, random_poses(axle, n, rng))
    low, high = axle.limits()
    for share in (0.1, 0.03, 0.01, 0.001):
        if best.distance_mm == 0.0:
            break
        near = best.pose + rng.normal(size=(max(n // 20, 10), 4)) * share * (high - low)
        found = least_over(axle, body, obstacle, np.clip(near, low, high))
        best = min(best, found, key=lambda least: least.distance_mm)
    return best


SLACK_MM = 0.005
"""A pose is left out when it can be better than the best by no more than this: errs to the large side."""


def least_over(axle: Axle, body: Shaft | Carried, obstacle: Mesh, poses: Floats) -> Least:
    """The least distance over the given poses, within ``SLACK_MM``, never too small.

    For any direction the gap between the solid's and the obstacle's planes square to it is a lower
    bound. Poses with the lowest bound are measured exactly; the directions that they teach raise
    the bounds of the others, until no pose is left that could be less.
    """
    best = Least(math.inf, poses[0])
    every, directions = np.arange(len(poses)), _first_directions(obstacle)
    for piece in pieces_of(body, axle, poses):
        rows, bound = every, _gaps(piece, obstacle, directions)
        while best.distance_mm > 0.0:
            keep = bound < best.distance_mm - SLACK_MM
            rows, bound, piece = rows[keep], bound[keep], piece.at(np.flatnonzero(keep))
            if len(rows) == 0:
                break
            pick = np.argpartition(bound, min(6, len(rows) - 1))[:6]
            found, taught = exact_distances(piece.at(pick), obstacle)
            if found.min() < best.distance_mm:
                best = Least(float(found.min()), poses[rows[pick[found.argmin()]]])
            directions = np.concatenate([directions[-40:], taught[:2]])
            bound = np.maximum(bound, _gaps(piece, obstacle, taught))
            bound[pick] = math.inf
    return best


def _first_directions(obstacle: Mesh) -> Floats:
    a, b, c = np.moveaxis(obstacle[0][obstacle[1]], 1, 0)
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.concatenate([np.eye(3), -np.eye(3), normal, -normal])


def _gaps(piece: Piece, obstacle: Mesh, directions: Floats) -> Floats:
    """The widest gap (n,) between solid and obstacle along any of the unit directions (d, 3)."""
    start, end = piece.start @ directions.T, piece.end @ directions.T
    reach = np.maximum(start, end)
    if piece.kind == "box":
        reach = reach + sum(h * np.abs(piece.axes[:, k] @ directions.T) for k, h in enumerate(piece.half_mm))
    elif piece.kind == "capsule":
        reach = reach + piece.radius_mm
    else:
        length = np.linalg.norm(piece.end - piece.start, axis=1)[:, None]
        reach = reach + piece.radius_mm * np.sqrt(np.maximum(1.0 - ((end - start) / length) ** 2, 0.0))
    return np.asarray(((obstacle[0] @ directions.T).min(axis=0) - reach).max(axis=1))


# ------------------------------------------------------------------ random scenes


@dataclass(frozen=True)
class Case:
    """A mechanism, one body that it moves, and a small obstacle fixed to the vehicle."""

    axle: Axle
    body: Shaft | Carried
    obstacle: Mesh
    kind: str


def random_case(seed: int) -> Case:
    """A reproducible scene: axle, shaft or carried solid, and an obstacle 30 into to 90 off the body at some pose."""
    rng = np.random.default_rng([20, seed])
    axle = random_axle(rng)
    body = random_shaft(axle, rng) if seed % 3 else random_carried(axle, rng)
    kind = ("box", "turned box", "blade", "triangle", "spike", "prism")[(seed // 3) % 6]
    return Case(axle, body, _beside(_obstacle(kind, rng), axle, body, rng), kind)


def random_axle(rng: Chance) -> Axle:
    return Axle(
        centre_mm=(float(rng.uniform(2300, 2900)), 0.0, float(rng.uniform(330, 420))),
        bump_mm=float(rng.uniform(40, 120)),
        droop_mm=float(rng.uniform(40, 120)),
        stops_mm=float(rng.uniform(300, 550)),
        lateral_mm=float(rng.choice([0.0, 4.0, 8.0])),
        drive_deg=float(rng.choice([0.0, 6.0, 10.0])),
        brake_deg=float(rng.choice([0.0, 4.0, 8.0])),
        eye=str(rng.choice(["", "front", "rear"])),
        half_length_mm=float(rng.uniform(450, 750)),
        flat_at_mm=float(rng.uniform(-60, 90)),
    )


def random_shaft(axle: Axle, rng: Chance) -> Shaft:
    joint = np.array(axle.centre_mm) + rng.uniform([-280, -150, -40], [-150, 150, 60])
    unit = joint - rng.uniform([500, -80, -120], [1300, 80, 20])
    return Shaft(
        fixed_mm=(float(unit[0]), float(unit[1]), float(unit[2])),
        moving_mm=(float(joint[0]), float(joint[1]), float(joint[2])),
        tube_diameter_mm=float(rng.uniform(50, 90)),
        tube_whip_mm=float(rng.choice([0.0, 3.0, 5.0])),
        yoke_diameter_mm=float(rng.uniform(95, 140)),
        yoke_length_mm=float(rng.uniform(50, 80)),
        yoke_whip_mm=float(rng.choice([0.0, 1.0])),
    )


def random_carried(axle: Axle, rng: Chance) -> Carried:
    kind = str(rng.choice(["ball", "capsule", "cylinder", "box"]))
    start = np.array(axle.centre_mm) + rng.uniform([-200, -500, -80], [200, 500, 120])
    along = {"ball": np.zeros(3), "box": rng.uniform(40, 200, size=3)}.get(kind, rng.normal(size=3) * 120)
    end = start + along
    radius = 0.0 if kind == "box" else float(rng.uniform(20, 130))
    return Carried(
        "capsule" if kind == "ball" else kind,
        (float(start[0]), float(start[1]), float(start[2])),
        (float(end[0]), float(end[1]), float(end[2])),
        radius,
    )


def _obstacle(kind: str, rng: Chance) -> Mesh:
    """A small mesh about the origin."""
    if kind == "triangle":
        return rng.normal(size=(3, 3)) * 80, np.array([[0, 1, 2]], dtype=np.int32)
    if kind == "spike":
        vertices = np.array([[0, 0, 0], [8, 0, 60], [-4, 7, 60], [-4, -7, 60.0]]) @ rotations(rng, 1)[0].T
        return vertices, np.array([[0, 2, 1], [0, 3, 2], [0, 1, 3], [1, 2, 3]], dtype=np.int32)
    if kind == "prism":
        vertices, faces = cylinder_mesh(rng.uniform(15, 60), rng.uniform(30, 300), 10)
        return vertices @ rotations(rng, 1)[0].T, faces
    half = rng.uniform(10, 200, size=3)
    if kind == "blade":
        half[rng.integers(3)] = 0.5
    vertices, faces = box_mesh(-half, half)
    return (vertices, faces) if kind == "box" else (vertices @ rotations(rng, 1)[0].T, faces)


def _beside(obstacle: Mesh, axle: Axle, body: Shaft | Carried, rng: Chance) -> Mesh:
    """Shift the obstacle so that, seen along a random direction, it stands near the body at a random pose."""
    pieces = pieces_of(body, axle, random_poses(axle, 40, rng)[-1:])
    piece = pieces[int(rng.integers(len(pieces)))]
    direction = rng.normal(size=3) + [0, 0, 0.5]
    direction /= np.linalg.norm(direction)
    middle = piece.start[0] + rng.uniform(0, 1) * (piece.end[0] - piece.start[0])
    surface = nearest_on_piece(piece, (middle + 1e4 * direction)[None, None])[0, 0]
    gap = float(rng.uniform(-30, 90))
    reach = (obstacle[0] @ direction).min()
    foot = obstacle[0][(obstacle[0] @ direction).argmin()] if rng.random() < 0.5 else reach * direction
    return obstacle[0] - foot + surface + gap * direction, obstacle[1]
