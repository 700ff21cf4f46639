"""Convex hulls that move, asked along directions: which point of a hull, or of a difference of two, is least far.

A hull over a box of poses has its points corner by corner of the box. Two hulls that depend on the same
coordinates must not be asked apart: the worst corner of one and the worst corner of the other need not be
poses that the vehicle takes together, and however small the box, that error shrinks with its width only, not
with its square. So their points come in *groups*, one for each corner of the coordinates in common, and the
support of the difference is the least over the groups. A linear limit on those coordinates is kept in the
same way: over a box the position errs from the corners' blend only by the remainder, and the weights of a
feasible pose's blend satisfy the limit as well. So its support is the least of a linear programme's vertices:
mixtures of a corner inside the limit and one outside that lie on it, and of those again for a second limit.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

_MANY_A_HULL = 8
"""From so many pairs a hull on, one matrix product a hull is quicker than copies of the hull."""

_PARALLEL = 1e-12
"""A direction with so small a sine to a disc's axis has no lowest rim point: the centre is as low."""

_SINE_ERROR = 1e-7
"""What √(1 − cos²) may be wrong by, with room."""


@dataclass(frozen=True)
class Hulls:
    """n convex hulls of k flat discs each, grown by a ball and by a remainder.

    ``points`` (n, k, 3) are the disc centres, ``discs`` (n, k, 3) the unit vectors that the
    discs are square to (None: plain points), all of ``disc_radius_mm``; ``ball_mm`` grows
    every hull, ``grow_mm`` (n,) each by its own amount (infinite: no bound can be given).

    Over a box of poses the points come corner by corner, and the remainder holds against the blend of the
    corners with a pose's own weights: whatever point the body has there is within ``grow_mm`` of the blend of one point
    from each corner's part of the hull. Bounds for bodies that share coordinates, and for linear limits, rest on that.
    ``swing_mm`` (n,): seen from its disc's centre, such a rim point stays within so much of one place at all
    corners (None: not known; then bounds cannot follow what turns, and close slowly where a disc turns beside a face).
    """

    points: Floats
    discs: Floats | None
    disc_radius_mm: float
    ball_mm: float
    grow_mm: Floats
    swing_mm: Floats | None = None

    def boxes(self) -> Floats:
        """Axis-aligned boxes (n, 2, 3) round the hulls, ball and remainder included."""
        reach = self.disc_radius_mm + self.ball_mm + self.grow_mm[:, None]
        return np.stack([self.points.min(axis=1) - reach, self.points.max(axis=1) + reach], axis=1)


@dataclass(frozen=True)
class Stack:
    """n hulls in groups: ``points`` (n, u, k, 3), perhaps ``discs``, radii (n,), what grows them ``off_mm`` (n,).

    ``poses`` (n, u, c, d) are the corner poses of each group, ``corner`` (n, k) which of the c a point is of;
    empty where nobody asks. ``columns`` (d,): which coordinates of the whole pose those are.
    ``swing_mm`` (n,) as in :class:`Hulls`, infinite where it is not known.
    """

    points: Floats
    discs: Floats | None
    radius_mm: Floats
    off_mm: Floats
    poses: Floats = field(default_factory=lambda: np.empty((0, 0, 0, 0)))
    corner: Indices = field(default_factory=lambda: np.empty((0, 0), dtype=np.intp))
    columns: Indices = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    swing_mm: Floats = field(default_factory=lambda: np.empty(0))

    def boxes(self) -> Floats:
        """Axis-aligned boxes (n, 2, 3) round the hulls with all that grows them."""
        reach = (self.radius_mm + self.off_mm)[:, None]
        flat = self.points.reshape(len(self.points), -1, 3)
        return np.stack([flat.min(axis=1) - reach, flat.max(axis=1) + reach], axis=1)

    def at(self, rows: Indices) -> Stack:
        """Some of the hulls, in that order."""
        discs = None if self.discs is None else self.discs[rows]
        poses = self.poses[rows] if len(self.poses) else self.poses
        corner = self.corner[rows] if len(self.corner) else self.corner
        swing = self.swing_mm[rows] if len(self.swing_mm) else self.swing_mm
        radius, off = self.radius_mm[rows], self.off_mm[rows]
        return Stack(self.points[rows], discs, radius, off, poses, corner, self.columns, swing)

    def heights(self, rows: Indices, directions: Floats, *, ascending: bool) -> Floats:
        """How far each point (m, u, k), or its disc's lowest, lies along the directions (m, 3)."""
        count, groups, each, _ = self.points.shape
        if ascending and len(rows) > _MANY_A_HULL * count:
            return self._heights_by_hull(rows, directions)
        shape = (len(rows), groups * each, 3)
        heights = np.matmul(self.points[rows].reshape(shape), directions[:, :, None])
        if self.discs is not None:
            along = np.matmul(self.discs[rows].reshape(shape), directions[:, :, None])
            heights -= self.radius_mm[rows, None, None] * np.sqrt(np.maximum(1.0 - along**2, 0.0))
        return np.asarray(heights.reshape(len(rows), groups, each))

    def _heights_by_hull(self, rows: Indices, directions: Floats) -> Floats:
        count, groups, each, _ = self.points.shape
        heights = np.empty((len(rows), groups * each))
        ends = np.searchsorted(rows, np.arange(count + 1))
        for hull in np.flatnonzero(ends[1:] > ends[:-1]):
            span = slice(ends[hull], ends[hull + 1])
            heights[span] = directions[span] @ self.points[hull].reshape(-1, 3).T
            if self.discs is not None:
                along = directions[span] @ self.discs[hull].reshape(-1, 3).T
                heights[span] -= self.radius_mm[hull] * np.sqrt(np.maximum(1.0 - along**2, 0.0))
        return heights.reshape(len(rows), groups, each)

    def spots(self, rows: Indices, group: Indices, index: Indices, directions: Floats) -> Floats:
        """The chosen points (m, 3), or the lowest points of their discs."""
        points = self.points[rows, group, index]
        if self.discs is None:
            return points
        disc = self.discs[rows, group, index]
        # Twice: where it is short, once leaves noise along the disc, which the radius would magnify.
        square = _across(_across(directions, disc), disc)
        size = np.sqrt(np.einsum("mi,mi->m", square, square))
        reach = np.where(size > _PARALLEL, self.radius_mm[rows] / np.maximum(size, _PARALLEL), 0.0)
        return np.asarray(points - reach[:, None] * square)


def _across(directions: Floats, disc: Floats) -> Floats:
    """What is left of the directions across the discs (m, 3)."""
    return np.asarray(directions - np.einsum("mi,mi->m", disc, directions)[:, None] * disc)


def stack_of(hulls: Hulls) -> Stack:
    """Hulls as one group each, without their poses."""
    count = len(hulls.points)
    discs = None if hulls.discs is None else hulls.discs[:, None]
    radius = np.full(count, hulls.disc_radius_mm, dtype=np.float64)
    return Stack(hulls.points[:, None], discs, radius, hulls.ball_mm + hulls.grow_mm)


@dataclass(frozen=True)
class Mixtures:
    """What linear limits leave of the groups of each of n hulls: l mixtures of c groups each.

    ``group`` and ``share`` (n, l, c), shares sum to 1; ``closed`` (n, l) is infinite where there is no mixture, else 0.
    """

    group: Indices
    share: Floats
    closed: Floats

    def least(self, rows: Indices, heights: Floats) -> Indices:
        """Which mixture of each row (m,) is least, by the heights (m, u) of the groups."""
        picks = np.arange(len(rows))[:, None, None]
        mixed = (heights[picks, self.group[rows]] * self.share[rows]).sum(axis=2) + self.closed[rows]
        return np.asarray(mixed.argmin(axis=1))


def mixtures(slack: Floats) -> Mixtures:
    """From how far each group is beyond each of k limits (n, u, k), ≤ 0 inside, to the mixtures that keep them all.

    Limit by limit: what is inside stays, and each pair across the limit is mixed so that it lies on it.
    """
    count, groups, limits = slack.shape
    group = np.broadcast_to(np.arange(groups), (count, groups))[:, :, None]
    mixed = Mixtures(group, np.ones((count, groups, 1)), np.zeros((count, groups)))
    for k in range(limits):
        values = (slack[np.arange(count)[:, None, None], mixed.group, k] * mixed.share).sum(axis=2)
        mixed = _cut(mixed, np.where(mixed.closed > 0.0, np.nan, values))
    return mixed


def _cut(mixed: Mixtures, slack: Floats) -> Mixtures:
    """The mixtures inside one more limit, by how far each is beyond it (n, l), NaN where there is none."""
    inside, outside = slack <= 0.0, slack > 0.0
    size = slack.shape[1]
    one, two = (places.ravel() for places in np.indices((size, size)))
    good = np.concatenate([inside, inside[:, one] & outside[:, two]], axis=1)
    one, two = np.concatenate([np.arange(size), one]), np.concatenate([np.arange(size), two])
    picked = np.argsort(~good, axis=1, kind="stable")[:, : int(good.sum(axis=1).max(initial=1))]
    one, two, rows = one[picked], two[picked], np.arange(len(slack))[:, None]
    near, far = slack[rows, one], slack[rows, two]
    share = np.where((near <= 0.0) & (far > 0.0), -near / np.where(far > near, far - near, 1.0), 0.0)[:, :, None]
    return Mixtures(
        np.concatenate([mixed.group[rows, one], mixed.group[rows, two]], axis=2),
        np.concatenate([(1.0 - share) * mixed.share[rows, one], share * mixed.share[rows, two]], axis=2),
        np.where(np.take_along_axis(good, picked, axis=1), 0.0, np.inf),
    )


@dataclass(frozen=True)
class Difference:
    """m differences of two hulls, first less second: rows of two stacks; ``rows`` and ``others`` (m,), rows ascend.

    ``size``: how many coordinates the whole pose has that is blended along; 0: none. ``mixed``: limits, a row
    for each hull of the first.
    """

    first: Stack
    rows: Indices
    second: Stack
    others: Indices
    size: int = 0
    mixed: Mixtures | None = None

    @property
    def blur_mm(self) -> float:
        """By how much the point found may fail to be the lowest: the sine of small angles in double precision."""
        radii = (float(some.radius_mm.max(initial=0.0)) for some in (self.first, self.second) if some.discs is not None)
        return _SINE_ERROR * sum(radii)

    def lowest(self, live: Indices, directions: Floats) -> Floats:
        """Rows ``live`` (l,), directions (l, 3) → the lowest point of each difference with its pose (l, 3 + size)."""
        low = self.first.heights(self.rows[live], directions, ascending=True)
        high = self.second.heights(self.others[live], -directions, ascending=False)
        index, other = low.argmin(axis=2), high.argmin(axis=2)
        if low.shape[1] == 1:
            nought = np.zeros(len(live), dtype=np.intp)
            return self._vertex(live, directions, nought, index[:, 0], other[:, 0])
        least = low.min(axis=2) + high.min(axis=2)
        picks = np.arange(len(live))

        def vertex(group: Indices) -> Floats:
            beside = group if other.shape[1] > 1 else np.zeros_like(group)
            return self._vertex(live, directions, group, index[picks, group], other[picks, beside])

        if self.mixed is None:
            return vertex(least.argmin(axis=1))
        rows = self.rows[live]
        best = self.mixed.least(rows, least)
        parts = zip(self.mixed.group[rows, best].T, self.mixed.share[rows, best].T, strict=True)
        return np.asarray(sum(share[:, None] * vertex(group) for group, share in parts))

    def _vertex(self, live: Indices, directions: Floats, group: Indices, index: Indices, other: Indices) -> Floats:
        rows, others = self.rows[live], self.others[live]
        beside = group if self.second.points.shape[1] > 1 else np.zeros_like(group)
        found = np.zeros((len(live), 3 + self.size))
        found[:, :3] = self.first.spots(rows, group, index, directions)
        found[:, :3] -= self.second.spots(others, beside, other, -directions)
        for stack, which, some, point in ((self.first, rows, group, index), (self.second, others, beside, other)):
            if self.size and len(stack.columns):
                found[:, 3 + stack.columns] = stack.poses[which, some, stack.corner[which, point]]
        return found
