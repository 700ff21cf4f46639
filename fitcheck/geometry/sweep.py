"""The least distance over a whole motion, with a proof.

Branch and bound on the motion's parameters. Over a box of parameters a convex piece lies
inside the hull of its corner poses grown by a second-order remainder (see
``vehicle/mechanisms.py``): its distance is a lower bound. Upper bounds are distances at
real poses: the box's corner that supports the bound. What is returned is the least distance
found, its pose, and ``at_least_mm``, below which no pose can be: the least bound of all open
*and all discarded* boxes.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import box_gaps, boxes_of
from fitcheck.geometry.separation import Hulls, separate

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

__all__ = ["Hulls", "Obstacle", "SweptLeast", "corners_of", "least_over_motion"]

TOLERANCE_MM = 0.1
"""How far the distance found may stand above the bound."""

MOST_BOXES = 60_000
"""After so many boxes a pair keeps the honest bracket that it has."""

_CONTACT_MM = 1e-3
_NEAR_CONTACT_MM = 5e-3
_BATCH = 48
_ATOMS_A_BATCH = 3_000
_PAIRS_A_CALL = 20_000
_FEW_ATOMS = 16
_ASKED_ATOMS = 256
_MANY_ATOMS = 1024
_SLACK_MM = 0.03
"""Part of the tolerance kept for the tessellation of round pieces and the iteration's own gap."""


class SweptPiece(Protocol):
    """A convex piece: its hull over boxes of poses."""

    def hulls(self, low: Floats, high: Floats) -> Hulls: ...


@dataclass(frozen=True)
class Obstacle:
    """Something still: a union of convex atoms (a, k, 3), each the hull of k points, grown by a ball.

    ``start_mm`` is a distance known to be reached at ``start_pose``.
    """

    atoms: Floats
    ball_mm: float = 0.0
    start_mm: float = np.inf
    start_pose: Floats | None = None


@dataclass(frozen=True)
class SweptLeast:
    """``distance_mm`` is reached at ``pose`` by piece number ``piece``; no pose is below ``at_least_mm``.

    Where they collide both are 0: the search ends at the first contact, and claims nothing about
    depth. ``proven``: the two are within the tolerance; else the search was capped.
    """

    distance_mm: float
    at_least_mm: float
    pose: Floats
    piece: int
    boxes: int
    proven: bool


def corners_of(low: Floats, high: Floats) -> Floats:
    """All corners (n, 2^d, d) of n boxes; coordinates without width are not doubled."""
    wide = np.flatnonzero((high - low).max(axis=0) > 0.0)
    picks = np.array(list(itertools.product((0, 1), repeat=len(wide))), dtype=bool).reshape(2 ** len(wide), len(wide))
    corners = np.repeat(low[:, None, :], len(picks), axis=1)
    corners[:, :, wide] = np.where(picks[None], high[:, None, wide], low[:, None, wide])
    return corners


@dataclass(order=True)
class _Box:
    """Some poses of one piece against one obstacle, with the atoms that can matter there."""

    order: float
    serial: int
    obstacle: int = field(compare=False)
    piece: int = field(compare=False)
    low: Floats = field(compare=False)
    high: Floats = field(compare=False)
    atoms: Rows = field(compare=False)
    directions: Floats = field(compare=False)
    lower_mm: float = field(compare=False, default=-np.inf)


class _Search:
    """State of one search: bounds for each obstacle, and the boxes still open."""

    def __init__(self, pieces: Sequence[SweptPiece], obstacles: Sequence[Obstacle], low: Floats, high: Floats) -> None:
        self.pieces = pieces
        self.obstacles = obstacles
        self.low, self.high = low, high
        self.upper = np.array([obstacle.start_mm for obstacle in obstacles], dtype=np.float64)
        middle = (low + high) / 2.0
        self.pose = [middle if o.start_pose is None else np.asarray(o.start_pose) for o in obstacles]
        self.best_piece = [0] * len(obstacles)
        self.around = [boxes_of(o.atoms) for o in obstacles]
        self.discarded = np.full(len(obstacles), np.inf)
        self.boxes = np.zeros(len(obstacles), dtype=np.int64)
        self.open: list[_Box] = []
        self.serial = itertools.count()
        self.cut = TOLERANCE_MM - _SLACK_MM

    def target(self, obstacle: int) -> float:
        """A box whose bound reaches this cannot improve the answer by more than the tolerance."""
        upper = float(self.upper[obstacle])
        if upper <= _CONTACT_MM:
            return -np.inf  # found: nothing left to look for
        # Near zero the question is whether they touch at all: a bracket round 0 does not answer it.
        return max(upper - self.cut, min(upper / 2.0, _NEAR_CONTACT_MM))

    def root(self, obstacle: int, piece: int) -> _Box:
        atoms = np.arange(len(self.obstacles[obstacle].atoms))
        return _Box(-np.inf, next(self.serial), obstacle, piece, self.low, self.high, atoms, np.zeros((len(atoms), 3)))

    def part_of(self, box: _Box, low: Floats, high: Floats) -> _Box:
        """A smaller box of poses: its parent's atoms, directions and bound hold for it as well."""
        return replace(box, serial=next(self.serial), low=low, high=high)

    def drop(self, obstacle: int, lower_mm: float) -> None:
        """Remember a bound that is not looked at again: the certificate rests on it."""
        self.discarded[obstacle] = min(self.discarded[obstacle], lower_mm)

    def keep(self, box: _Box, lower_mm: float) -> None:
        """Open the box again, or discard it and remember its bound."""
        box.lower_mm = lower_mm
        if lower_mm >= self.target(box.obstacle) or not (box.high > box.low).any():
            self.drop(box.obstacle, lower_mm)
            return
        box.order = lower_mm - float(self.upper[box.obstacle])
        heapq.heappush(self.open, box)

    def found(self, box: _Box, upper_mm: float, pose: Floats) -> None:
        if upper_mm < self.upper[box.obstacle]:
            self.upper[box.obstacle] = upper_mm
            self.pose[box.obstacle] = pose
            self.best_piece[box.obstacle] = box.piece


def least_over_motion(
    pieces: Sequence[SweptPiece],
    obstacles: Sequence[Obstacle],
    limits: tuple[Floats, Floats],
    most_boxes: int = MOST_BOXES,
) -> list[SweptLeast]:
    """The least distance of a moving body (its pieces) to each obstacle over all poses in ``limits``.

    ``limits`` are the least and greatest parameters (d,), d may be 0. All obstacles must have
    atoms with the same number of points. An obstacle without atoms, or a body without pieces,
    is refused by the caller: here its answer would be distance ∞, ``proven`` False.
    """
    low, high = (np.asarray(limit, dtype=np.float64) for limit in limits)
    search = _Search(pieces, obstacles, low, high)
    roots = [
        search.root(o, p) for o, obstacle in enumerate(obstacles) for p in range(len(pieces)) if len(obstacle.atoms)
    ]
    _bound(search, roots)
    while search.open:
        children = [child for box in _next_boxes(search) for child in _split(search, box, most_boxes)]
        _bound(search, children)
    return [_answer(search, o) for o in range(len(obstacles))]


def _next_boxes(search: _Search) -> list[_Box]:
    """The most promising open boxes: many at once, unless they hold many atoms."""
    batch: list[_Box] = []
    atoms = 0
    while search.open and len(batch) < _BATCH and atoms < _ATOMS_A_BATCH:
        batch.append(heapq.heappop(search.open))
        atoms += len(batch[-1].atoms)
    return batch


def _answer(search: _Search, o: int) -> SweptLeast:
    upper, lower = float(search.upper[o]), float(search.discarded[o])
    if upper <= _CONTACT_MM:
        return SweptLeast(max(upper, 0.0), 0.0, search.pose[o], search.best_piece[o], int(search.boxes[o]), True)
    lower = min(lower, upper)
    proven = bool(np.isfinite(upper) and upper - lower <= TOLERANCE_MM)
    return SweptLeast(upper, lower, search.pose[o], search.best_piece[o], int(search.boxes[o]), proven)


def _split(search: _Search, box: _Box, most_boxes: int) -> list[_Box]:
    """Two halves of an open box; none if it is out of the running by now, or its obstacle had its share."""
    if box.lower_mm >= search.target(box.obstacle) or search.boxes[box.obstacle] >= most_boxes:
        search.drop(box.obstacle, box.lower_mm)
        return []
    if search.upper[box.obstacle] <= _CONTACT_MM:
        return []
    axis = _longest(search.pieces[box.piece], box)
    middle = (box.low[axis] + box.high[axis]) / 2.0
    halves = []
    for side in (0, 1):
        low, high = box.low.copy(), box.high.copy()
        (high if side == 0 else low)[axis] = middle
        halves.append(search.part_of(box, low, high))
    return halves


def _longest(piece: SweptPiece, box: _Box) -> int:
    """The coordinate whose width moves the piece's points the most."""
    hull = piece.hulls(box.low[None], box.high[None])
    wide = np.flatnonzero(box.high > box.low)
    if len(wide) == 1:
        return int(wide[0])
    points = hull.points[0].reshape(*(2,) * len(wide), -1, 3)
    spread = [
        np.linalg.norm(np.take(points, 1, axis=k) - np.take(points, 0, axis=k), axis=-1).max() for k in range(len(wide))
    ]
    return int(wide[int(np.argmax(spread))])


def _bound(search: _Search, boxes: list[_Box]) -> None:
    """Bound each box from below, try a pose in it, and keep what is still open."""
    for piece in sorted({box.piece for box in boxes}):
        of_piece = [box for box in boxes if box.piece == piece]
        for some in _portions(of_piece):
            _bound_portion(search, search.pieces[piece], some)


def _portions(boxes: list[_Box]) -> list[list[_Box]]:
    """Cut a list so that no part has too many pairs."""
    portions: list[list[_Box]] = [[]]
    pairs = 0
    for box in boxes:
        if portions[-1] and pairs + len(box.atoms) > _PAIRS_A_CALL:
            portions.append([])
            pairs = 0
        portions[-1].append(box)
        pairs += len(box.atoms)
    return portions


def _bound_portion(search: _Search, piece: SweptPiece, boxes: list[_Box]) -> None:
    low, high = np.array([box.low for box in boxes]), np.array([box.high for box in boxes])
    hulls = piece.hulls(low, high)
    outer = hulls.boxes()
    asked = [_drop_far_atoms(search, box, outer[i]) for i, box in enumerate(boxes)]
    counts = np.array([len(some.picked) for some in asked])
    rows = np.repeat(np.arange(len(boxes)), counts)
    atoms = np.concatenate(
        [search.obstacles[box.obstacle].atoms[box.atoms[some.picked]] for box, some in zip(boxes, asked, strict=True)]
    )
    balls = np.array([search.obstacles[box.obstacle].ball_mm for box in boxes])
    cutoff = np.array([search.target(box.obstacle) for box in boxes]) + balls
    began = np.concatenate([box.directions[some.picked] for box, some in zip(boxes, asked, strict=True)])
    bounds = separate(hulls, rows, atoms, cutoff[rows], began)
    ends = np.cumsum(counts)
    tries = np.full(len(boxes), -1)
    for i, (box, some) in enumerate(zip(boxes, asked, strict=True)):
        if counts[i]:
            span = slice(ends[i] - counts[i], ends[i])
            tries[i] = span.start + int(bounds.lower_mm[span].argmin())
            _learn(search, box, some, (bounds.lower_mm[span] - balls[i], bounds.directions[span]))
    _try_poses(search, piece, boxes, (hulls, bounds.nearest, atoms, tries))
    for i, box in enumerate(boxes):
        if counts[i]:
            search.keep(box, box.lower_mm)


@dataclass(frozen=True)
class _Asked:
    """Which of a box's atoms are asked exactly, and a bound on all others."""

    picked: Rows
    others_mm: float


def _drop_far_atoms(search: _Search, box: _Box, outer: Floats) -> _Asked:
    """Leave out atoms whose own box is too far to matter; each left out is as good as discarded.

    Where very many are left of a whole motion, only those that look nearest are asked at first: the
    pose that they yield is what makes the rest too far, and the boxes round them bound them till then.
    """
    search.boxes[box.obstacle] += 1
    around = search.around[box.obstacle][box.atoms]
    gaps = box_gaps(around[:, 0], around[:, 1], outer[0], outer[1]) - search.obstacles[box.obstacle].ball_mm
    far = gaps >= search.target(box.obstacle)
    if len(box.atoms) > _FEW_ATOMS and far.any():
        search.drop(box.obstacle, float(gaps[far].min()))
        box.atoms, box.directions, around, gaps = box.atoms[~far], box.directions[~far], around[~far], gaps[~far]
    unknown = np.flatnonzero(~box.directions.any(axis=1))
    box.directions = box.directions.copy()  # shared with the other half
    box.directions[unknown] = _between_boxes(around[unknown], outer)
    if len(gaps) <= _MANY_ATOMS or box.lower_mm > -np.inf or not (box.high > box.low).any():
        return _Asked(np.arange(len(gaps)), np.inf)
    order = np.argpartition(gaps, _ASKED_ATOMS)
    return _Asked(np.sort(order[:_ASKED_ATOMS]), float(gaps[order[_ASKED_ATOMS:]].min()))


def _learn(search: _Search, box: _Box, asked: _Asked, found: tuple[Floats, Floats]) -> None:
    """Take over the bounds and directions of the atoms asked, and let go of those too far to matter."""
    lower, directions = found
    box.lower_mm = max(box.lower_mm, min(float(lower.min()), asked.others_mm))
    box.directions[asked.picked] = directions
    far = lower >= search.target(box.obstacle)
    if far.any():
        search.drop(box.obstacle, float(lower[far].min()))
        keep = np.ones(len(box.atoms), dtype=bool)
        keep[asked.picked[far]] = False
        box.atoms, box.directions = box.atoms[keep], box.directions[keep]


def _between_boxes(boxes: Floats, outer: Floats) -> Floats:
    """Where to begin: the shortest way from each box to the outer one, or from centre to centre."""
    way = np.maximum(outer[0] - boxes[:, 1], 0.0) - np.maximum(boxes[:, 0] - outer[1], 0.0)
    apart = way.any(axis=1)
    return np.asarray(np.where(apart[:, None], way, outer.mean(axis=0) - boxes.mean(axis=1) + 1e-9))


def _try_poses(search: _Search, piece: SweptPiece, boxes: list[_Box], found: tuple[Hulls, Rows, Floats, Rows]) -> None:
    """An upper bound from each box: the corner pose that supports its bound, at its nearest atom."""
    hulls, nearest, atoms, tries = found
    picked = np.flatnonzero(tries >= 0)
    if len(picked) == 0:
        return
    low, high = np.array([boxes[i].low for i in picked]), np.array([boxes[i].high for i in picked])
    corners = corners_of(low, high)
    each = hulls.points.shape[1] // corners.shape[1]
    poses = corners[np.arange(len(picked)), nearest[tries[picked]] // each]
    there = piece.hulls(poses, poses)
    bounds = separate(there, np.arange(len(picked)), atoms[tries[picked]], np.full(len(picked), np.inf))
    for k, i in enumerate(picked):
        ball = search.obstacles[boxes[i].obstacle].ball_mm
        search.found(boxes[i], float(bounds.upper_mm[k]) - ball, poses[k])
