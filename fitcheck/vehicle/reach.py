"""How near and how far two ends come over all their travel, with a proof.

Branch and bound: over a box of poses the way v from one end to the other strays from the blend of its
corner values by at most a known amount (:class:`fitcheck.vehicle.ends.Rates`). Its length is convex in
v, so it is at most the longest corner's plus that; and at least the least corner's along any one direction
less that. Linear limits of the blocks are respected.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import End, Ends, Rates, halves, rows_of, stray
from fitcheck.vehicle.motion import Together, travel_mm

Floats = NDArray[np.float64]

TOLERANCE_MM = 0.01
_MOST_BOXES = 4_000
_BATCH = 32


@dataclass(frozen=True)
class Reach:
    """No pose brings the ends nearer than ``least_mm`` or farther than ``greatest_mm``.

    The poses (d,) come within 0.01 mm of that, unless very many boxes were not enough to show it.
    """

    least_mm: float
    greatest_mm: float
    least_pose: Floats
    greatest_pose: Floats

    @property
    def plunge_mm(self) -> float:
        """By how much a shaft between the two has to give."""
        return self.greatest_mm - self.least_mm


def reach_between(start: End, end: End, *, tolerance_mm: float = TOLERANCE_MM) -> Reach:
    """Least and greatest distance of two ends over the space of both. Ends that are still: both are the distance."""
    ends = Ends(start, end)
    near, far = (_Search(ends, sign, tolerance_mm).run() for sign in (1.0, -1.0))
    return Reach(max(near.proven, 0.0), -far.proven, near.pose, far.pose)


@dataclass(frozen=True)
class Farthest:
    """No pose takes the ends farther apart than ``at_most_mm``; they are ``found_mm`` apart at ``pose`` (d,)."""

    at_most_mm: float
    found_mm: float
    pose: Floats


def farthest_apart(start: End, end: End, *, tolerance_mm: float = TOLERANCE_MM) -> Farthest:
    """How far apart two ends come over the space of both."""
    found = _Search(Ends(start, end), -1.0, tolerance_mm).run()
    return Farthest(-found.proven, -found.reached, found.pose)


def meeting_pose(start: End, end: End, *, within_mm: float) -> Floats | None:
    """A pose (d,) that brings the ends so near; None: there is none, unless very many boxes did not show it."""
    moved = sum(travel_mm(one.motion, np.array([one.point])) for one in (start, end))
    if math.dist(start.point, end.point) - moved > within_mm:  # most shafts, without a search
        return None
    found = _Search(Ends(start, end), 1.0, TOLERANCE_MM, within_mm).run()
    return found.pose if found.reached < within_mm else None


@dataclass(frozen=True)
class _Found:
    """The least of sign·distance: ``proven`` is below every pose, ``reached`` at ``pose``, the best one looked at."""

    proven: float
    reached: float
    pose: Floats


@dataclass(order=True)
class _Box:
    bound: float
    serial: int
    low: Floats = field(compare=False)
    high: Floats = field(compare=False)
    travels: Floats = field(compare=False)  # what each coordinate changes between the ends, at most


class _Search:
    """The least of sign·distance over the travel, from below."""

    def __init__(self, ends: Ends, sign: float, tolerance_mm: float, enough: float = np.inf) -> None:
        self.ends, self.sign, self.tolerance, self.enough = ends, sign, tolerance_mm, enough
        self.gains, self.most = limits_of(ends.space)
        self.best, self.pose = np.inf, ends.space.scan_pose
        self.closed = np.inf
        self.open: list[_Box] = []
        self.serial = itertools.count()

    def run(self) -> _Found:
        """Until every box's bound is within the tolerance of the best pose, or is enough."""
        space = self.ends.space
        self._try(space.scan_pose[None])
        self._look(space.low[None], space.high[None])
        while self.open and next(self.serial) < _MOST_BOXES:
            boxes = [heapq.heappop(self.open) for _ in range(min(_BATCH, len(self.open)))]
            self._split([box for box in boxes if not self._close(box)])
        proven = min([self.closed, *(box.bound for box in self.open)])
        return _Found(min(proven, self.best), self.best, self.pose)

    def _close(self, box: _Box) -> bool:
        """Whether nothing in the box is of interest; its bound is remembered then."""
        done = box.bound >= min(self.best - self.tolerance, self.enough) or not (box.high > box.low).any()
        if done:
            self.closed = min(self.closed, box.bound)
        return done

    def _split(self, boxes: list[_Box]) -> None:
        """Both halves of each box, cut across the coordinate that moves the ends the most."""
        if not boxes:
            return
        low, high = np.array([box.low for box in boxes]), np.array([box.high for box in boxes])
        self._look(*halves(low, high, np.array([box.travels for box in boxes])))

    def _look(self, low: Floats, high: Floats) -> None:
        """Bound boxes (n, d), try their corners and middles, and keep them open."""
        least = np.minimum(low[:, None] * self.gains, high[:, None] * self.gains).sum(axis=-1)
        inside = (least <= self.most + 1e-9).all(axis=1)
        low, high = low[inside], high[inside]
        if not len(low):
            return
        corners, middles = rows_of(corners_of(low, high)), (low + high) / 2.0
        way = self._try(np.concatenate([corners, middles]))
        rates = self.ends.rates(low, high)
        near, far = length_bounds(way[: len(corners)].reshape(len(low), -1, 3), way[len(corners) :], rates)
        travels = rates.travels()
        for k, bound in enumerate(near if self.sign > 0 else -far):
            heapq.heappush(self.open, _Box(float(bound), next(self.serial), low[k], high[k], travels[k]))

    def _try(self, poses: Floats) -> Floats:
        """The ways (n, 3) from end to end in poses (n, d); the best of those within the limits is remembered."""
        first, last = self.ends.at(poses)
        way = np.asarray(last - first)
        found = self.sign * np.linalg.norm(way, axis=1)
        found[~(poses @ self.gains.T <= self.most + 1e-9).all(axis=1)] = np.inf
        k = int(found.argmin())
        if found[k] < self.best:
            self.best, self.pose = float(found[k]), poses[k]
        return way


def length_bounds(way: Floats, middle: Floats, rates: Rates) -> tuple[Floats, Floats]:
    """Bounds (n,) on how near and how far two ends are in n boxes of their space; 0 and ∞ at the worst.

    From the ways between them at the boxes' corners (n, c, 3) and middles (n, 3).
    """
    length = np.linalg.norm(middle, axis=1)
    along = np.einsum("nki,ni->nk", way, middle / np.maximum(length, 1e-12)[:, None]).min(axis=1)
    off, travel = stray(rates.half, rates.slope, rates.bend), rates.travel()
    near = np.maximum(np.maximum(along - off, length - travel), 0.0)
    return near, np.minimum(np.linalg.norm(way, axis=2).max(axis=1) + off, length + travel)


def limits_of(space: Together) -> tuple[Floats, Floats]:
    """The linear limits of all blocks of a space: gains (l, d) on its poses, and the most (l,) they may come to."""
    width, at = len(space.coordinates), 0
    rows, most = [], []
    for block in space.blocks:
        count = len(block.coordinates)
        for limit in block.limits:
            row = np.zeros(width)
            row[at : at + count] = limit.gains
            rows.append(row)
            most.append(limit.most)
        at += count
    return np.array(rows).reshape(len(rows), width), np.array(most)
