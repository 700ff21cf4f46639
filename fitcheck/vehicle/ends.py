"""The two ends of a body between two points: where they are, and how fast they move.

Both may move, and may share what moves them. Over a box of poses a blend of the two strays from the
blend of the box's corner poses by no more than :class:`Rates` say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.vehicle.motion import Columns, Motion, Together, columns_of, together
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class End:
    """Where a body between two points is fastened: a point at the scan pose, mm, and what carries it."""

    point: Vector
    motion: Motion

    def straight(self) -> End:
        """The same, carried straight up and down only."""
        return End(self.point, self.motion.straight())


@dataclass(frozen=True)
class Rates:
    """Greatest first and second derivatives (n, d) of the two ends' places over n boxes."""

    half: Floats  # half widths of the boxes
    start_slope: Floats
    end_slope: Floats
    start_bend: Floats
    end_bend: Floats

    @property
    def slope(self) -> Floats:
        """Of the way from one end to the other; ``bend`` likewise."""
        return np.asarray(self.start_slope + self.end_slope)

    @property
    def bend(self) -> Floats:
        return np.asarray(self.start_bend + self.end_bend)

    def between(self, share: float) -> Floats:
        """How far the point start + share·(end − start) can stray from the blend of the corner poses (n,)."""
        first, last = abs(1.0 - share), abs(share)
        slope = weighted(first, self.start_slope) + weighted(last, self.end_slope)
        return stray(self.half, slope, weighted(first, self.start_bend) + weighted(last, self.end_bend))

    def travels(self) -> Floats:
        """How much the way from one end to the other can change from a box's middle along each coordinate (n, d)."""
        return times(self.half, self.slope)

    def travel(self) -> Floats:
        """The same along all of them (n,)."""
        return np.asarray(self.travels().sum(axis=1))


def stray(half: Floats, slope: Floats, bend: Floats) -> Floats:
    """How far a function can stray from the blend of its values at a box's corners (n,).

    Linear interpolation errs along one coordinate by at most ½ h² max|f″|, and by at most h max|f′|
    (h the half width), whichever is less; axis by axis the errors add up. (n, d) each; ∞ where there
    is no bound, never NaN: a coordinate without width adds nothing.
    """
    return np.asarray(np.minimum(times(0.5 * half**2, bend), times(half, slope)).sum(axis=1))


def times(width: Floats, rate: Floats) -> Floats:
    """The product, where 0·∞ is 0."""
    return np.asarray(width * np.where(width > 0.0, rate, 0.0))


def weighted(share: float, rate: Floats) -> Floats:
    """The product, where 0·∞ is 0."""
    return np.zeros_like(rate) if share == 0.0 else np.asarray(share * rate)


@dataclass(frozen=True, eq=False)
class Ends:
    """Two ends in the one space of both: a block that moves either is in it once."""

    start: End
    end: End

    @cached_property
    def space(self) -> Together:
        return together(self.start.motion, self.end.motion)

    @cached_property
    def _columns(self) -> tuple[Columns, Columns]:
        return columns_of(self.start.motion, self.space), columns_of(self.end.motion, self.space)

    @cached_property
    def _offsets(self) -> tuple[Floats, Floats]:
        first, last = (end.motion.offsets(np.array([end.point])) for end in (self.start, self.end))
        return first, last

    def at(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) poses → places of both ends (n, 3)."""
        first, last = (
            end.motion.place(poses[:, columns], np.array([end.point]))[:, 0]
            for end, columns in zip((self.start, self.end), self._columns, strict=True)
        )
        return first, last

    def rates(self, low: Floats, high: Floats) -> Rates:
        """(n, d) boxes → what bounds the two ends there."""
        motions = self.start.motion, self.end.motion
        slopes = [self._spread(k, motion.slope, low, high) for k, motion in enumerate(motions)]
        bends = [self._spread(k, motion.bend, low, high) for k, motion in enumerate(motions)]
        return Rates((high - low) / 2.0, *slopes, *bends)

    def _spread(self, k: int, bound: Callable[[Floats, Floats, Floats], Floats], low: Floats, high: Floats) -> Floats:
        """One end's bound over its own columns; on the others it does not depend."""
        found = np.zeros_like(low)
        columns = self._columns[k]
        if len(columns):
            found[:, columns] = bound(low[:, columns], high[:, columns], self._offsets[k])
        return found


def rows_of(corners: Floats) -> Floats:
    """Corners (n, c, d) of n boxes, one after the other (n·c, d)."""
    count, each, width = corners.shape
    return corners.reshape(count * each, width)


def halves(low: Floats, high: Floats, effect: Floats) -> tuple[Floats, Floats]:
    """Both halves of each box (n, d), cut across the coordinate of the greatest effect."""
    row, axis = np.arange(len(low)), effect.argmax(axis=1) if len(low) else np.empty(0, dtype=np.intp)
    middle = (low[row, axis] + high[row, axis]) / 2.0
    upper_low, lower_high = low.copy(), high.copy()
    upper_low[row, axis], lower_high[row, axis] = middle, middle
    return np.concatenate([low, upper_low]), np.concatenate([lower_high, high])
