"""Flexible lines between two ends that may move: brake hoses, coolant hoses, cables with slack.

A line of length L between ends d apart, of which a is level, is drawn as a parabola below its chord,
X(t) = (1−t)·P + t·Q − 4t(1−t)·s·ẑ, cut into eight capsules. A line that is stretched (d ≥ L) is straight.

How deep it hangs. The textbook sag √(3·d·(L − d)/8), :func:`sag_mm`, is the first term of the arc length of a level
parabola, L ≈ d + 8s²/3d: the parabola of exactly that length hangs deeper, and a slanting one deeper still. Bodies
hang by :func:`drop_mm` instead, which never understates it:
  level: √(3·(L − d)·(9L + d)/80), the next term of the series (s² = ⅜·d²·(e + 0.9e² − …), e = L/d − 1), and no less
  than the parabola's sag (too deep by 0.1 % at e = 0.05, 0.6 % at 0.25, 3.4 % at 1; compared up to e = 30);
  slanting: that times d/a. With w = d·ĉ − 4su·ẑ, u uniform in ±1, the length is the mean of |w|; taking u and −u
  together, and |w| being convex along the chord, it is no less than that of a level line which sags by s·a/d;
  never more than (L + √(L² − v²))/4 over a height v: the mean of |w| is at least that of its upright part |v − 4su|,
  which is 2s + v²/8s for s ≥ v/4.
What slants and is slack hangs less than this: at 30° and a tenth of slack by 4 %, at 45° by 11 %.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.separation import Hulls
from fitcheck.geometry.solids import Solid, capsule
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import End, Ends, Rates, rows_of, stray
from fitcheck.vehicle.motion import Together
from fitcheck.vehicle.reach import farthest_apart, length_bounds, reach_between

Floats = NDArray[np.float64]

_PIECES = 8
SAGITTA = 1.0 / _PIECES**2
"""A parabola of sag s strays by s/n² from the chord of one nth of it: 4s·(t − a)(b − t), t halfway."""

_ROUNDING_MM = 1e-9
"""What a distance may be wrong by; near the taut line the sag has an infinite slope and would magnify it."""


@dataclass(frozen=True)
class Line:
    """A flexible line: where it is fastened, its free length and its outside diameter, mm."""

    name: str
    start: End
    end: End
    length_mm: float
    diameter_mm: float


def sag_mm(distance_mm: Floats, length_mm: float) -> Floats:
    """The textbook sag (n,) of a line of that length below its chord; 0 where it is stretched.

    With 27 mm of slack between ends 600 mm apart: 78 mm. Short of the true sag by 2 % there, see the module.
    """
    return np.asarray(np.sqrt(np.maximum(0.375 * distance_mm * (length_mm - distance_mm), 0.0)))


def hang_mm(distance_mm: Floats, length_mm: float) -> Floats:
    """A sag (n,) that a level parabola of that length never exceeds; 0 where it is stretched. It falls with distance.

    27 mm of slack over 600 mm: 79.5 mm, and so does the parabola to 0.03 mm.
    """
    apart = np.minimum(distance_mm, length_mm)
    return np.asarray(np.sqrt(0.0375 * (length_mm - apart) * (9.0 * length_mm + apart)))


def drop_mm(way: Floats, length_mm: float) -> Floats:
    """Ways (…, 3) from one end to the other → how far the line's middle hangs below its chord, at most (…)."""
    level, height = np.hypot(way[..., 0], way[..., 1]), np.abs(way[..., 2])
    hung = hang_mm(np.linalg.norm(way, axis=-1), length_mm) * _slant(height, level)
    return np.asarray(np.minimum(hung, _deepest_at(height, length_mm)))


def _slant(height: Floats, level: Floats) -> Floats:
    """The distance over its level part."""
    return np.asarray(np.hypot(1.0, height / np.maximum(level, _ROUNDING_MM)))


def _deepest_at(height: Floats, length_mm: float) -> Floats:
    """What no line hangs deeper than over that height; it falls with the height."""
    return np.asarray((length_mm + np.sqrt(length_mm**2 - np.minimum(height, length_mm) ** 2)) / 4.0)


def reach_of_line(line: Line) -> tuple[float, float]:
    """Bounds within 0.01 mm on the least and greatest distance of the line's ends over their travel."""
    reach = reach_between(line.start, line.end)
    return reach.least_mm, reach.greatest_mm


def slack_mm(line: Line) -> float:
    """What is left of the line's length where its ends are farthest apart; negative: it is stretched by that."""
    return line.length_mm - least_length_mm(line)


def least_length_mm(line: Line) -> float:
    """The least length that reaches everywhere, without anything for bends."""
    return farthest_apart(line.start, line.end).at_most_mm


def chord_error_mm(line: Line) -> float:
    """How far the capsules may stand outside the round line in any pose, at most."""
    return hose_pieces(line)[0].deepest_mm() * SAGITTA


def hose_pieces(line: Line) -> tuple[HosePiece, ...]:
    """The line as eight capsules. Raises InputError for a length or a diameter that is not above 0."""
    for what, size in (("length", line.length_mm), ("diameter", line.diameter_mm)):
        if not (np.isfinite(size) and size > 0.0):
            raise InputError(f"line '{line.name}': its {what} must be above 0 mm, not {size}")
    return tuple(HosePiece(f"stretch {k + 1}", line, k) for k in range(_PIECES))


@dataclass(frozen=True, eq=False)
class HosePiece:
    """One eighth of a hanging line, with what the parabola strays from its chord added to the radius.

    Remainder. The chord's points are blends of the ends, less a share c = 4t(1−t) of the drop straight down.
    The blends stray as the ends do (:meth:`Rates.between`); the drop is enclosed on the way down only, each
    corner pose standing twice, at a lesser and at a greater drop. Where the line stays slack, its own drop less
    and plus its interpolation error, from the derivatives of hang(d)·d·(1/a): with |d′|, |a′| ≤ G, |d″| ≤ G²/d + M
    and |a″| ≤ G²/a + M by the product rule. Else, and where that is more, the least and greatest drop in the box:
    hang falls with d, the slant d/a = √(1 + v²/a²) with a, and rises with the height v; this needs no derivative,
    of which there is none at d = L.
    """

    name: str
    line: Line
    number: int

    @cached_property
    def _ends(self) -> Ends:
        return Ends(self.line.start, self.line.end)

    @property
    def space(self) -> Together:
        return self._ends.space

    @property
    def reach_mm(self) -> float:
        return self.line.diameter_mm / 2.0

    @property
    def cut(self) -> Floats:
        """From where to where it reaches (2,), as parts of the way."""
        return np.array([self.number, self.number + 1]) / _PIECES

    def straight(self) -> HosePiece:
        """The same between ends that go straight up and down only."""
        start, end = self.line.start.straight(), self.line.end.straight()
        return replace(self, line=replace(self.line, start=start, end=end))

    def facts(self) -> tuple[object, ...]:
        """What shapes it."""
        line = self.line
        return ("hose", self.name, line.start, line.end, line.length_mm, line.diameter_mm, self.number)

    def _lowered(self, first: Floats, last: Floats, drops: Floats) -> Floats:
        """Ends (n, 3) and k drops each (n, k) → the chord's two ends at each (n, 2k, 3)."""
        shares = self.cut[None, :, None]
        level = first[:, None] + shares * (last - first)[:, None]
        lowered = (4.0 * self.cut * (1.0 - self.cut))[:, None] * drops[:, None, :]
        points = np.repeat(level[:, :, None, :], drops.shape[1], axis=2)
        points[..., 2] -= lowered
        return points.reshape(len(first), -1, 3)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        first, last = self._ends.at(rows_of(corners_of(low, high)))
        rates = self._ends.rates(low, high)
        drops = self._drops((last - first).reshape(len(low), -1, 3), low, high, rates)
        points = self._lowered(first, last, drops.corners.reshape(-1, 2))
        grow = np.maximum(*(rates.between(float(share)) for share in self.cut)) + drops.most * SAGITTA
        return Hulls(points.reshape(len(low), -1, 3), None, 0.0, self.reach_mm, grow)

    def deepest_mm(self) -> float:
        """How far the line hangs in any pose, at most."""
        return float(self.drops(self.space.low[None], self.space.high[None]).most[0])

    def drops(self, low: Floats, high: Floats) -> Drops:
        """How far the line hangs over boxes (n, d)."""
        first, last = self._ends.at(rows_of(corners_of(low, high)))
        return self._drops((last - first).reshape(len(low), -1, 3), low, high, self._ends.rates(low, high))

    def _drops(self, way: Floats, low: Floats, high: Floats, rates: Rates) -> Drops:
        """Over boxes (n, d), with the ways between the ends at their corners (n, c, 3)."""
        middle = np.subtract(*reversed(self._ends.at((low + high) / 2.0)))
        return _drops(way, middle, rates, self.line.length_mm)

    def at(self, pose: Floats) -> Solid:
        """The piece in a pose (d,); its chord error is the parabola's height over the chord there."""
        first, last = self._ends.at(pose[None])
        drop = drop_mm(last - first, self.line.length_mm)
        start, end = self._lowered(first, last, drop[:, None])[0]
        over = float(drop[0]) * SAGITTA
        return replace(capsule(start, end, self.reach_mm + over), chord_error_mm=over)


@dataclass(frozen=True)
class Drops:
    """How far a line hangs over n boxes: at the corners, at least and at most (n, c, 2); anywhere, at most (n,)."""

    corners: Floats
    most: Floats


def _drops(way: Floats, middle: Floats, rates: Rates, length_mm: float) -> Drops:
    """From the ways between its ends at the boxes' corners (n, c, 3) and middles (n, 3)."""
    flat = np.array([1.0, 1.0, 0.0])
    near, far = length_bounds(way, middle, rates)
    level, most_level = length_bounds(way * flat, middle * flat, rates)
    height, most_height = length_bounds(way * (1.0 - flat), middle * (1.0 - flat), rates)
    near = np.maximum(near - _ROUNDING_MM, 0.0)
    least = hang_mm(far + _ROUNDING_MM, length_mm) * _slant(height, most_level)
    most = hang_mm(near, length_mm) * _slant(most_height, level - _ROUNDING_MM)
    deepest = _deepest_at(most_height + _ROUNDING_MM, length_mm)
    smooth = (near > _ROUNDING_MM) & (far < length_mm - _ROUNDING_MM) & (level > _ROUNDING_MM) & (most < deepest)
    least = np.minimum(least, deepest)
    most = np.minimum(most, _deepest_at(height - _ROUNDING_MM, length_mm))
    spans = [np.where(smooth, size, length_mm / 2.0) for size in (near, far, level)]
    off = np.where(smooth, _drop_stray((spans[0], spans[1], spans[2]), rates, length_mm), np.inf)
    own = drop_mm(way, length_mm)[:, :, None] + off[:, None, None] * [-1.0, 1.0]
    whole = np.broadcast_to(np.stack([least, most], axis=1)[:, None, :], own.shape)
    return Drops(np.where((off <= (most - least) / 2.0)[:, None, None], own, whole), most)


def _drop_stray(spans: tuple[Floats, Floats, Floats], rates: Rates, length_mm: float) -> Floats:
    """How far the drop can stray from the blend of its corner values (n,), see :class:`HosePiece`.

    ``spans``: the least and the greatest distance of the ends, and the least level one, mm.
    """
    near, far, level = (span[:, None] for span in spans)
    deep, flat = hang_mm(near, length_mm), np.maximum(hang_mm(far, length_mm), 1e-12)
    steep = 0.0375 * (4.0 * length_mm + far) / flat
    speed, square = rates.slope, rates.slope**2
    away = square / near + rates.bend
    hang = _Jet(deep, steep * speed, (0.0375 + steep**2) / flat * square + steep * away)
    inverse = _Jet(1.0 / level, speed / level**2, 3.0 * square / level**3 + rates.bend / level**2)
    drop = hang.times(_Jet(far, speed, away)).times(inverse)
    return stray(rates.half, drop.slope, drop.bend)


@dataclass(frozen=True)
class _Jet:
    """A positive function's greatest value (n, 1), slope and bend (n, d) over n boxes."""

    most: Floats
    slope: Floats
    bend: Floats

    def times(self, other: _Jet) -> _Jet:
        """Of the product of two."""
        slope = self.most * other.slope + self.slope * other.most
        bend = self.most * other.bend + 2.0 * self.slope * other.slope + self.bend * other.most
        return _Jet(self.most * other.most, slope, bend)
