"""Distances from many points to a moving body over its whole travel, each with a certificate.

The travel of a piece is cut into a few boxes of poses. Over each the piece lies in the hull of its corner
poses, grown by the second-order remainder (``vehicle/moving.py``): the distance to all those hulls bounds
every pose from below. The nearest point of a hull is a blend of its corners; the same blend of their poses
is a pose that the body takes, nearly the worst for that point, and its distance there is reached.

Each coordinate doubles the corners. One that hardly moves the piece is held at its middle instead, and the
hull is grown by the most that any corner is away from the one that stands for it: still a bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.heat import StillField, TriangleTree, finite, within
from fitcheck.geometry.separation import Hulls
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.discs import WheelPiece
from fitcheck.vehicle.motion import together
from fitcheck.vehicle.moving import MovingBody, Piece, RigidPiece
from fitcheck.vehicle.reach import limits_of

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

_REMAINDER_MM = 0.5
_MOST_BOXES = 96
_STEP_MM = 11.0
_MOST_RIGID_BOXES = 441
"""A rigid piece is cut finer: between poses that turn it, its corner poses' hull is wider than what it sweeps."""

_MOST_CORNERS = 200_000
"""So many points all hulls of a piece have at most: what a map of it may cost."""

_HELD_MM = 1.0
"""Coordinates that together move a piece by no more than this are held."""

_RIM_MM = 0.4
"""A polygon round a disc goes no further beyond it than this …"""
_RIM_SIDES = (12, 96)
"""… with so many sides at least and at most."""

_MUCH_MM = 1e4

_FEW_PLANES = 96
"""Of so many planes all are asked; of more, first those that face as many ways."""

_PAD_MM = 0.02
"""A core of one or two points gets a little width, so that its hull is a body."""

_LOOSE_MM = 1.0
"""A point whose two bounds are further apart than this is looked at again, pose by pose."""

_FAR_MM = 200.0
"""Points farther than this from all hulls' boxes are asked without a look at the hulls' planes."""

_PRODUCTS_A_CHUNK = 500_000
_ROUNDS = 6
_ROUNDING_MM = 1e-6


class SweptField:
    """The distance of any point to a moving body at its worst pose; what it rests on is built at once."""

    def __init__(self, body: MovingBody) -> None:
        motion = body.space
        moves = bool((motion.high > motion.low).any())
        self._pieces = [_PieceField(piece) for piece in body.pieces] if moves else []
        self._still = None if moves else StillField(body.solids(motion.scan_pose))

    def bounds(self, points: Floats, reach_mm: float = np.inf) -> tuple[Floats, Floats]:
        """For (n, 3) points: the least distance found over the travel, and a bound that no pose is below.

        ``found`` (n,) is reached at a pose of the body, within the chord error of its round pieces (0.01 mm);
        negative: that deep inside it there. ``at_least`` (n,) ≤ ``found`` is certified; where the body comes over
        a point both are the same, and nothing is claimed about other poses' depth. Both are infinite where the
        body never comes within ``reach_mm``. A body that does not move: both are its exact distance.
        """
        points = finite(points)
        if self._still is not None:
            distances = self._still.distances(points, reach_mm)
            return distances, distances
        lower = np.full((len(self._pieces), len(points)), np.inf)
        guesses = [np.empty((0, 0))] * len(self._pieces)
        asked = [np.empty(0, dtype=np.intp)] * len(self._pieces)
        rough = np.array([piece.roughly_below(points, reach_mm) for piece in self._pieces])
        least = np.full(len(points), np.inf)
        for k in np.argsort(rough.min(axis=1, initial=np.inf)):
            asked[k] = np.flatnonzero(rough[k] < np.minimum(least, reach_mm))
            lower[k, asked[k]], guesses[k] = self._pieces[k].below(points[asked[k]], reach_mm)
            least = np.minimum(least, lower[k])
        found = self._found(points, lower, list(zip(asked, guesses, strict=True)), reach_mm)
        near = least < reach_mm
        at_least = np.where(found > 0.0, np.minimum(np.maximum(least, 0.0), found), found)
        return np.where(near, found, np.inf), np.where(near, at_least, np.inf)

    def _found(self, points: Floats, lower: Floats, tries: list[tuple[Rows, Floats]], reach_mm: float) -> Floats:
        """The nearest-looking piece of each point first; then those that may still be nearer than what it gave."""
        found = np.full(len(points), np.inf)
        first = lower.argmin(axis=0)
        for again in (False, True):
            for k, (asked, guesses) in enumerate(tries):
                mine = (lower[k, asked] < found[asked]) if again else (first[asked] == k)
                mine &= (lower[k, asked] < reach_mm) & ((first[asked] == k) != again)
                rows = asked[mine]
                distances = self._pieces[k].at_best(points[rows], guesses[mine], lower[k, rows])
                found[rows] = np.minimum(found[rows], distances)
        return found


@dataclass(frozen=True)
class _Mesh:
    """Triangles (f, 3, 3) of a hull, and the pose (f, 3, d) that each of their corners belongs to."""

    triangles: Floats
    poses: Floats


class _PieceField:
    """One piece over the whole travel: a tree over its hulls, and its distance in any pose."""

    def __init__(self, piece: Piece) -> None:
        space = piece.space
        self.piece = piece
        self.low, self.high = space.low, space.high
        self._whole = piece.hulls(self.low[None], self.high[None])
        self._around = self._whole.boxes()[0]
        self._off_around = self._whole.ball_mm + float(self._whole.grow_mm[0]) + _ROUNDING_MM
        self._solid = StillField([piece.solid]) if isinstance(piece, RigidPiece) else None
        self._limits = limits_of(together(space))
        self._ready = False

    @cached_property
    def _planes_around(self) -> Floats:
        """The planes of one hull over the whole travel."""
        return _some(_hull_mesh(self._whole, corners_of(self.low[None], self.high[None]), 0)[1])

    def _build(self) -> None:
        held = _held(self.piece, self.low, self.high)
        low, high = _cut(self.piece, held)
        hulls, corners = _with_held(self.piece, low, high, held)
        self._off = hulls.ball_mm + float(hulls.grow_mm.max()) + _ROUNDING_MM
        self._middles, self._half = (low + high) / 2.0, (high - low).max(axis=0) / 2.0
        made = [_hull_mesh(hulls, corners, number) for number in range(len(low))]
        self._planes = [planes for _, planes in made]
        self._boxes = np.array([[m.triangles.min(axis=(0, 1)), m.triangles.max(axis=(0, 1))] for m, _ in made])
        self._triangles = np.concatenate([mesh.triangles for mesh, _ in made])
        self._poses = np.concatenate([mesh.poses for mesh, _ in made])
        self._tree = TriangleTree(self._triangles)
        self._ready = True

    def roughly_below(self, points: Floats, reach_mm: float) -> Floats:
        """Lower bounds (n,) from one hull over the whole travel, by its planes; infinite beyond the reach."""
        lower = np.full(len(points), np.inf)
        rows = within(points, self._around, reach_mm)
        if len(rows):
            lower[rows] = _heights(points[rows], self._planes_around) - self._off_around
        return lower

    def below(self, points: Floats, reach_mm: float) -> tuple[Floats, Floats]:
        """Lower bounds (n,) over all poses (beyond the reach: infinity), and a likely worst pose (n, d) of each."""
        if len(points) == 0:
            return np.empty(0), np.empty((0, len(self.low)))
        if not self._ready:
            self._build()
        deepest, holder = self._deepest(points, reach_mm + self._off)
        lower, poses = np.where(deepest >= -_ROUNDING_MM, -self._off, np.inf), self._middles[holder]
        out = np.flatnonzero((deepest < -_ROUNDING_MM) & (deepest >= -reach_mm - self._off))
        distances, faces, places = self._tree.nearest(points[out])
        lower[out] = distances - self._off
        poses[out] = np.einsum("nk,nkd->nd", _weights(places, self._triangles[faces]), self._poses[faces])
        return lower, np.clip(poses, self.low, self.high)

    def _deepest(self, points: Floats, reach_mm: float) -> tuple[Floats, Rows]:
        """How deep each point is in the hull that holds it deepest, and that hull's number.

        Negative: no nearer to any hull than that; −inf: farther than the reach from all their boxes.
        """
        deepest, holder = np.full(len(points), -np.inf), np.zeros(len(points), dtype=np.intp)
        for number, planes in enumerate(self._planes):
            rows = within(points, self._boxes[number], min(reach_mm, _FAR_MM))
            if len(rows):
                depth = -_heights(points[rows], _some(planes))
                inside = np.flatnonzero(depth > -_ROUNDING_MM)
                if len(inside) and len(planes) > _FEW_PLANES:
                    depth[inside] = -_heights(points[rows[inside]], planes)
                deeper = depth > deepest[rows]
                deepest[rows[deeper]], holder[rows[deeper]] = depth[deeper], number
        return np.maximum(deepest, -np.inf if reach_mm <= _FAR_MM else -_FAR_MM), holder

    def at_best(self, points: Floats, poses: Floats, lower: Floats) -> Floats:
        """Distances (n,) at poses near the given ones: reached, and not far above the lower bounds where possible."""
        if len(points) == 0:
            return np.empty(0)
        found = self.at(points, poses)
        unsure = (lower <= 0.0) & (found > 0.0)  # inside the hulls: does the body come over it?
        loose = np.flatnonzero(unsure | (found - np.maximum(lower, 0.0) > _LOOSE_MM))
        step = self._half.copy()
        poses, best = poses[loose].copy(), found[loose]
        for _ in range(_ROUNDS if len(loose) else 0):
            for axis in np.flatnonzero(step):
                for way in (-step[axis], step[axis]):
                    tried = poses.copy()
                    tried[:, axis] = np.clip(tried[:, axis] + way, self.low[axis], self.high[axis])
                    there = self.at(points[loose], tried)
                    better = there < best
                    poses[better], best[better] = tried[better], there[better]
            step /= 2.0
        found[loose] = best
        return found

    def at(self, points: Floats, poses: Floats) -> Floats:
        """The signed distance (n,) of each point to the piece in the pose of its own (n, d), held within the limits."""
        poses = self._allowed(poses)
        if isinstance(self.piece, RigidPiece | WheelPiece):
            motion = self.piece.motion
            turn, origin = motion.turn(poses), motion.place(poses, np.zeros((1, 3)))[:, 0]
            points = np.einsum("nji,nj->ni", turn, points - origin)
            if self._solid is not None:
                return self._solid.distances(points)
            poses = np.broadcast_to(self.piece.space.scan_pose, poses.shape)[:1]
        hulls = self.piece.hulls(poses, poses)
        return _to_capsules(points, hulls) if hulls.discs is None else _to_cylinders(points, hulls)

    def _allowed(self, poses: Floats) -> Floats:
        """The poses (n, d), those beyond a linear limit drawn back toward the scan pose, which keeps them all."""
        gains, most = self._limits
        if len(most) == 0:
            return poses
        home = self.piece.space.scan_pose
        beyond, room = (poses - home) @ gains.T, np.maximum(most - gains @ home, 0.0)
        share = np.where(beyond > room, room / np.where(beyond > room, beyond, 1.0), 1.0).min(axis=1)
        return np.asarray(home + share[:, None] * (poses - home))


def _heights(points: Floats, planes: Floats) -> Floats:
    """How far (n,) points lie beyond the farthest of some planes (f, 4): no farther than from what those enclose."""
    step = max(1, _PRODUCTS_A_CHUNK // len(planes))
    parts = [(planes[:, :3] @ points[i : i + step].T + planes[:, 3:]).max(axis=0) for i in range(0, len(points), step)]
    return np.concatenate(parts)


def _to_cylinders(points: Floats, hulls: Hulls) -> Floats:
    """Signed distances (n,) of n points to n flat-ended cylinders, each between the two discs of a hull."""
    if hulls.discs is None:
        raise InternalError("only discs make a cylinder")
    start, end, axis = hulls.points[:, 0], hulls.points[:, 1], hulls.discs[:, 0]
    along = np.einsum("ni,ni->n", points - start, axis)
    length = np.einsum("ni,ni->n", end - start, axis)
    off_axis = np.linalg.norm(points - start - along[:, None] * axis, axis=1) - hulls.disc_radius_mm
    off_ends = np.maximum(-along, along - length)
    outside = np.hypot(np.maximum(off_axis, 0.0), np.maximum(off_ends, 0.0))
    return np.asarray(np.where(outside > 0.0, outside, np.maximum(off_axis, off_ends)))


def _to_capsules(points: Floats, hulls: Hulls) -> Floats:
    """Signed distances (n,) of n points to n capsules, each round the segment between a hull's two points."""
    start, way = hulls.points[:, 0], hulls.points[:, -1] - hulls.points[:, 0]
    square = np.einsum("ni,ni->n", way, way)
    share = np.einsum("ni,ni->n", points - start, way) / np.where(square > 0.0, square, 1.0)
    off = points - start - np.clip(share, 0.0, 1.0)[:, None] * way
    return np.asarray(np.linalg.norm(off, axis=1) - hulls.ball_mm)


def _held(piece: Piece, low: Floats, high: Floats) -> NDArray[np.bool_]:
    """Which coordinates (d,) move the piece by so little that they are held; never so much that nothing moves."""
    found, spent = np.zeros(len(low), dtype=bool), 0.0
    full, wide = piece.hulls(low[None], high[None]), high > low
    moved = {}
    for axis in np.flatnonzero(wide):
        one = np.arange(len(low)) == axis
        moved[axis] = float(_away(full, piece.hulls(*_middled(low[None], high[None], one)), wide, one)[0])
    for axis in sorted(moved, key=lambda some: moved[some])[: len(moved) - 1]:
        spent += moved[axis]
        if not spent <= _HELD_MM:
            break
        found[axis] = True
    return found


def _middled(low: Floats, high: Floats, held: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    middle = (low + high) / 2.0
    return np.where(held, middle, low), np.where(held, middle, high)


def _with_held(piece: Piece, low: Floats, high: Floats, held: NDArray[np.bool_]) -> tuple[Hulls, Floats]:
    """The hulls of n boxes with some coordinates held, and their corners: grown by what those coordinates do.

    Every corner of the whole box is no farther than that from the corner that stands for it, so the hull of the
    one lies in the other's, grown; the remainder is that of the whole box.
    """
    full = piece.hulls(low, high)
    if not held.any():
        return full, corners_of(low, high)
    narrow = _middled(low, high, held)
    kept = piece.hulls(*narrow)
    away = _away(full, kept, (high - low).max(axis=0) > 0.0, held)
    if not away.max() <= 2.0 * _HELD_MM:  # of a hose: what encloses its sag is not the same in a narrower box
        return full, corners_of(low, high)
    return replace(kept, grow_mm=full.grow_mm + away), corners_of(*narrow)


def _away(full: Hulls, kept: Hulls, wide: NDArray[np.bool_], held: NDArray[np.bool_]) -> Floats:
    """How far (n,) a point or disc of the corners of all ``wide`` coordinates is from the held corner's, at most.

    A disc whose centre moves by c, and its direction by n (of unit vectors), moves by c + radius·n at most.
    """
    both = [2] * int(wide.sum())
    less = [1 if one else 2 for one in held[wide]]
    each = full.points.shape[1] // 2 ** len(both)

    def moved(one: Floats, other: Floats) -> Floats:
        apart = one.reshape(-1, *both, each, 3) - other.reshape(-1, *less, each, 3)
        return np.asarray(np.linalg.norm(apart, axis=-1))

    off = moved(full.points, kept.points)
    if full.discs is not None and kept.discs is not None:
        off = off + full.disc_radius_mm * moved(full.discs, kept.discs)
    return np.asarray(off.reshape(len(full.points), -1).max(axis=1))


def _cut(piece: Piece, held: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Cut the travel into equal boxes, along the coordinates that help most, until the remainder is small.

    A held coordinate is cut as well where its remainder is large: that doubles no corners.
    """
    low, high = piece.space.low, piece.space.high
    most = max(4, _MOST_CORNERS // _points_of(piece, held))
    if isinstance(piece, RigidPiece):
        most, counts = min(most, _MOST_RIGID_BOXES), _steps(piece, low, high, min(most, _MOST_RIGID_BOXES))
    else:
        most, counts = min(most, _MOST_BOXES), np.ones(len(low), dtype=int)
    best = _grid(low, high, counts)
    grow = _remainder(piece, best)
    while grow > _REMAINDER_MM:
        tries = []
        for axis in np.flatnonzero(high > low):
            more = counts + (np.arange(len(low)) == axis)
            if more.prod() <= most:
                boxes = _grid(low, high, more)
                less = _remainder(piece, boxes)
                tries.append(((grow - less) / (more.prod() - counts.prod()), less, more, boxes))
        if not tries:
            break
        _, grow, counts, best = max(tries, key=lambda some: some[0])
    return best


def _remainder(piece: Piece, boxes: tuple[Floats, Floats]) -> float:
    """The greatest remainder of some boxes; where that has no bound yet, how many still have none counts."""
    grow = np.minimum(piece.hulls(*boxes).grow_mm, _MUCH_MM)
    return float(grow.max() if grow.max() < _MUCH_MM else grow.max() + grow.mean())


def _points_of(piece: Piece, held: NDArray[np.bool_]) -> int:
    """How many points the hull of one box has."""
    hulls = piece.hulls(*_middled(piece.space.low[None], piece.space.high[None], held))
    return int(hulls.points.shape[1]) * (1 if hulls.discs is None else _sides(hulls.disc_radius_mm))


def _steps(piece: RigidPiece, low: Floats, high: Floats, most: int) -> NDArray[np.int_]:
    """How often to cut each coordinate so that no point goes further in a box than a step; one that shifts: never."""
    offset = piece.motion.offsets(piece.solid.vertices)
    travel = (high - low) * piece.motion.slope(low[None], high[None], offset)[0]
    bends = (piece.motion.bend(low[None], high[None], offset)[0] > 0.0) & (travel > 0.0)
    counts = np.where(bends, np.ceil(travel / _STEP_MM), 1.0)
    while counts.prod() > most:
        counts = np.where(counts == counts.max(), counts - 1.0, counts)
    return counts.astype(int)


def _grid(low: Floats, high: Floats, counts: NDArray[np.int_]) -> tuple[Floats, Floats]:
    """A box cut into ``counts`` equal parts along each coordinate: lows and highs (n, d)."""
    cells = np.stack(np.meshgrid(*(np.arange(k) for k in counts), indexing="ij"), axis=-1).reshape(-1, len(low))
    wide = (high - low) / counts
    return low + cells * wide, np.where(cells + 1 == counts, high, low + (cells + 1) * wide)


def _hull_mesh(hulls: Hulls, corners: Floats, number: int) -> tuple[_Mesh, Floats]:
    """One hull as triangles with the poses of their corners, and its face planes (f, 4): n·p + c ≤ 0 inside."""
    from scipy.spatial import ConvexHull

    points = hulls.points[number]
    each = len(points) // corners.shape[1]
    around = _rims(hulls, number) if hulls.discs is not None else _padded(points)
    poses = np.repeat(np.repeat(corners[number], each, axis=0), around.shape[1], axis=0)
    flat = around.reshape(-1, 3)
    hull = ConvexHull(flat)
    return _Mesh(flat[hull.simplices], poses[hull.simplices]), hull.equations


def _padded(points: Floats) -> Floats:
    """Points (k, 1, 3); few of them get six neighbours each (k, 6, 3), so that their hull has a volume."""
    spread = points - points.mean(axis=0)
    if len(points) > 3 and np.linalg.svd(spread, compute_uv=False)[2] > _PAD_MM * np.sqrt(len(points)):
        return points[:, None]
    return np.asarray(points[:, None] + _PAD_MM * np.concatenate([np.eye(3), -np.eye(3)]))


def _rims(hulls: Hulls, number: int) -> Floats:
    """A polygon round each disc of a hull (k, sides, 3): its corners' hull contains the disc."""
    if hulls.discs is None:
        raise InternalError("only discs have rims")
    axis = hulls.discs[number]
    first = np.cross(axis, np.eye(3)[int(np.abs(axis.mean(axis=0)).argmin())])
    first /= np.linalg.norm(first, axis=1)[:, None]
    second = np.cross(axis, first)
    sides = _sides(hulls.disc_radius_mm)
    turn = 2.0 * np.pi * np.arange(sides) / sides
    radius = hulls.disc_radius_mm / np.cos(np.pi / sides)
    ring = np.cos(turn)[:, None] * first[:, None] + np.sin(turn)[:, None] * second[:, None]
    return np.asarray(hulls.points[number][:, None] + radius * ring)


def _sides(radius_mm: float) -> int:
    """Sides of the polygon round a disc."""
    wanted = np.pi / np.arccos(radius_mm / (radius_mm + _RIM_MM))
    return int(np.clip(np.ceil(wanted), *_RIM_SIDES))


def _some(planes: Floats) -> Floats:
    """Of many planes (f, 4) those that face a number of ways most: a point beyond one of them is outside."""
    if len(planes) <= _FEW_PLANES:
        return planes
    turn = np.arange(_FEW_PLANES) + 0.5
    up, round_ = 1.0 - 2.0 * turn / _FEW_PLANES, np.pi * (1.0 + np.sqrt(5.0)) * turn  # points spread over a ball
    level = np.sqrt(1.0 - up**2)
    ways = np.stack([level * np.cos(round_), level * np.sin(round_), up], axis=1)
    return np.asarray(planes[np.unique((planes[:, :3] @ ways.T).argmax(axis=0))])


def _weights(places: Floats, triangles: Floats) -> Floats:
    """Barycentric weights (n, 3), each in 0 … 1 with sum 1, of points on triangles (n, 3, 3)."""
    first, second, to = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0], places - triangles[:, 0]
    a, b, c = (np.einsum("ni,ni->n", p, q) for p, q in ((first, first), (first, second), (second, second)))
    d, e = np.einsum("ni,ni->n", to, first), np.einsum("ni,ni->n", to, second)
    below = a * c - b * b
    scale = np.where(below > 0.0, below, 1.0)
    one = np.where(below > 0.0, (c * d - b * e) / scale, 0.0)
    two = np.where(below > 0.0, (a * e - b * d) / scale, 0.0)
    weights = np.clip(np.stack([1.0 - one - two, one, two], axis=1), 0.0, 1.0)
    return np.asarray(weights / weights.sum(axis=1)[:, None])
