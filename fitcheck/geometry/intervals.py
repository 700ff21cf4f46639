"""Numbers that stand for all their possible values, and what becomes of them along a path.

A :class:`Ball` is an array of middles m, of *lines* l and of radii r: it holds every m + Σ lᵢ εᵢ ± r, where the εᵢ
in [−1, 1] are common to all balls of one computation (affine arithmetic: de Figueiredo and Stolfi, Numerical
Algorithms 37, 2004): what depends on the same coordinate is not taken for independent, so that the excess shrinks
with the square of a cell's width. Operations give balls that hold every possible result, rounding included (each adds
a few units in the last place). A :class:`Jet` is a value with its first derivatives along a path (f, f′, f″); its
parts may be plain arrays or balls, so that one formula serves both to solve and to prove. A ball that is no
number (∞ or NaN) says nothing: whoever reads it has to ask for finite values.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Number = Any
"""A float, an array or a ball: whatever can be added and multiplied."""

_ROUNDING = 2.0**-50
"""Over twice what the few operations of one step may lose, relative to the sizes of their terms."""

_TINY = 1e-300


@dataclass(frozen=True, eq=False)
class Ball:
    """Middles, lines (one array for each ε) and radii of one shape."""

    middle: Floats
    lines: tuple[Floats, ...]
    radius: Floats

    __array_ufunc__ = None
    """An array times a ball is the ball's affair."""

    def __add__(self, other: Number) -> Ball:
        if not isinstance(other, Ball):
            middle = self.middle + other
            return Ball(middle, self.lines, _up(self.radius, np.abs(middle)))
        middle = self.middle + other.middle
        lines = tuple(np.asarray(a + b) for a, b in _paired(self, other))
        return Ball(middle, lines, _up(self.radius + other.radius, np.abs(middle) + self.spread + other.spread))

    __radd__ = __add__

    def __neg__(self) -> Ball:
        return Ball(-self.middle, tuple(-line for line in self.lines), self.radius)

    def __sub__(self, other: Number) -> Ball:
        return self.__add__(-other)

    def __rsub__(self, other: Number) -> Ball:
        return (-self).__add__(other)

    def __mul__(self, other: Number) -> Ball:
        if not isinstance(other, Ball):
            size = np.abs(other)
            lines = tuple(line * other for line in self.lines)
            return Ball(self.middle * other, lines, _up(self.radius * size, (np.abs(self.middle) + self.spread) * size))
        lines = tuple(np.asarray(self.middle * b + other.middle * a) for a, b in _paired(self, other))
        mine, its = np.abs(self.middle), np.abs(other.middle)
        my_spread, its_spread = self.spread, other.spread
        radius = mine * other.radius + its * self.radius + (my_spread + self.radius) * (its_spread + other.radius)
        return Ball(self.middle * other.middle, lines, _up(radius, mine * its + mine * its_spread + its * my_spread))

    __rmul__ = __mul__

    def __getitem__(self, key: Any) -> Ball:
        whole = self.whole()
        return Ball(whole.middle[key], tuple(line[key] for line in whole.lines), whole.radius[key])

    def whole(self, shape: tuple[int, ...] | None = None) -> Ball:
        """The same with all arrays of one shape."""
        shape = self.shape if shape is None else shape
        lines = tuple(np.broadcast_to(line, shape) for line in self.lines)
        return Ball(np.broadcast_to(self.middle, shape), lines, np.broadcast_to(self.radius, shape))

    @property
    def shape(self) -> tuple[int, ...]:
        return np.broadcast_shapes(np.shape(self.middle), np.shape(self.radius), *map(np.shape, self.lines))

    @property
    def spread(self) -> Floats | float:
        """How far the lines reach."""
        return sum((np.abs(line) for line in self.lines), 0.0)

    @property
    def most(self) -> Floats:
        """Greatest magnitude."""
        return np.asarray((np.abs(self.middle) + self.spread + self.radius) * (1.0 + _ROUNDING))


def _paired(one: Ball, other: Ball) -> Iterator[tuple[Number, Number]]:
    return zip_longest(one.lines, other.lines, fillvalue=0.0)


def _up(radius: Floats, size: Floats) -> Floats:
    return np.asarray(radius * (1.0 + _ROUNDING) + (_ROUNDING * size + _TINY))


def most(value: Number) -> Floats:
    """Greatest magnitude of whatever it is."""
    return value.most if isinstance(value, Ball) else np.abs(value)


def _bent(value: Ball, function: Floats, slope: Floats, curve: Floats | float) -> Ball:
    """f(c) + f′(c)·Σ lᵢ εᵢ ± (|f′(c)|·r + ½·max|f″|·(Σ|lᵢ| + r)²), by Taylor's theorem."""
    reach = value.spread + value.radius
    radius = np.abs(slope) * value.radius + 0.5 * curve * reach**2 * (1.0 + 4.0 * _ROUNDING)
    size = np.abs(function) + np.abs(slope) * reach + _ROUNDING
    return Ball(function, tuple(slope * line for line in value.lines), _up(radius, size))


def sine(value: Number) -> Number:
    """Of an angle in radians."""
    if not isinstance(value, Ball):
        return np.sin(value)
    return _bent(value, np.sin(value.middle), np.cos(value.middle), 1.0)


def cosine(value: Number) -> Number:
    """Of an angle in radians."""
    if not isinstance(value, Ball):
        return np.cos(value)
    return _bent(value, np.cos(value.middle), -np.sin(value.middle), 1.0)


def arctangent(value: Number) -> Number:
    """In radians; |atan″| ≤ 3√3/8."""
    if not isinstance(value, Ball):
        return np.arctan(value)
    return _bent(value, np.arctan(value.middle), 1.0 / (1.0 + value.middle**2), 0.65)


def inverse(value: Number) -> Number:
    """1/x of what is positive; a ball that holds 0 becomes one of radius ∞."""
    if not isinstance(value, Ball):
        return 1.0 / value
    least, middle = _least(value), value.middle
    with np.errstate(all="ignore"):
        return _bent(value, 1.0 / middle, -1.0 / middle**2, np.where(least > 0.0, 2.0 / least**3, np.inf))


def inverse_root(value: Number) -> Number:
    """1/√x of what is positive; a ball that holds 0 becomes one of radius ∞."""
    if not isinstance(value, Ball):
        return 1.0 / np.sqrt(value)
    least, middle = _least(value), value.middle
    with np.errstate(all="ignore"):
        curve = np.where(least > 0.0, 0.75 * least**-2.5, np.inf)
        return _bent(value, middle**-0.5, -0.5 * middle**-1.5, curve)


def _least(value: Ball) -> Floats:
    return np.asarray(value.middle - (value.spread + value.radius) * (1.0 + _ROUNDING))


def add_up(value: Number) -> Number:
    """The sum over the last axis."""
    if not isinstance(value, Ball):
        return value.sum(axis=-1)
    value = value.whole()
    lines = tuple(line.sum(axis=-1) for line in value.lines)
    size = (np.abs(value.middle) + value.spread).sum(axis=-1) * value.shape[-1]
    return Ball(value.middle.sum(axis=-1), lines, _up(value.radius.sum(axis=-1) * (1.0 + _ROUNDING), size))


def times_matrix(matrix: Floats, value: Ball) -> Ball:
    """Exact matrices (n, i, j) times vectors (d, n, j) → (d, n, i)."""

    def turned(array: Floats) -> Floats:
        return np.asarray(np.einsum("nij,dnj->dni", matrix, array))

    value, size = value.whole(), np.abs(matrix)
    spread = np.einsum("nij,dnj->dni", size, np.abs(value.middle) + value.spread) * matrix.shape[-1]
    radius = np.einsum("nij,dnj->dni", size, value.radius) * (1.0 + matrix.shape[-1] * _ROUNDING)
    return Ball(turned(value.middle), tuple(turned(line) for line in value.lines), _up(radius, spread))


def side_by_side(values: Sequence[Number]) -> Number:
    """Several values of like shapes, joined along the last axis."""
    if not any(isinstance(value, Ball) for value in values):
        return _joined(values)
    balls = [(value if isinstance(value, Ball) else Ball(value, (), np.zeros_like(value))).whole() for value in values]
    count = max(len(one.lines) for one in balls)
    lines = [[*one.lines, *[0.0 * one.middle] * (count - len(one.lines))] for one in balls]
    joined = tuple(_joined(own) for own in zip(*lines, strict=True))
    return Ball(_joined([one.middle for one in balls]), joined, _joined([one.radius for one in balls]))


def _joined(arrays: Sequence[Floats]) -> Floats:
    shape = np.broadcast_shapes(*(np.shape(array)[:-1] for array in arrays))
    return np.concatenate([np.broadcast_to(array, (*shape, np.shape(array)[-1])) for array in arrays], axis=-1)


@dataclass(frozen=True, eq=False)
class Jet:
    """(f,), (f, f′) or (f, f′, f″) along a path; all jets of one formula have the same length."""

    parts: tuple[Number, ...]

    __array_ufunc__ = None

    def __add__(self, other: Number) -> Jet:
        if not isinstance(other, Jet):
            return Jet((self.parts[0] + other, *self.parts[1:]))
        return Jet(tuple(a + b for a, b in zip(self.parts, other.parts, strict=True)))

    __radd__ = __add__

    def __neg__(self) -> Jet:
        return Jet(tuple(-part for part in self.parts))

    def __sub__(self, other: Number) -> Jet:
        return self.__add__(-other)

    def __rsub__(self, other: Number) -> Jet:
        return (-self).__add__(other)

    def __mul__(self, other: Number) -> Jet:
        if not isinstance(other, Jet):
            return Jet(tuple(part * other for part in self.parts))
        f, g = self.parts, other.parts
        rules: tuple[Callable[[], Number], ...] = (
            lambda: f[0] * g[0],
            lambda: f[1] * g[0] + f[0] * g[1],
            lambda: f[2] * g[0] + 2.0 * (f[1] * g[1]) + f[0] * g[2],
        )
        return Jet(tuple(rule() for rule in rules[: len(f)]))

    __rmul__ = __mul__


def chained(inner: Jet, *outer: Number) -> Jet:
    """Of a function with the values (g, g′, g″) at ``inner``: (g, g′f′, g″f′² + g′f″)."""
    f = inner.parts
    rules: tuple[Callable[[], Number], ...] = (
        lambda: outer[0],
        lambda: outer[1] * f[1],
        lambda: outer[2] * (f[1] * f[1]) + outer[1] * f[2],
    )
    return Jet(tuple(rule() for rule in rules[: len(f)]))


def jet_sine(angle: Jet) -> tuple[Jet, Jet]:
    """Sine and cosine of an angle."""
    sin, cos = sine(angle.parts[0]), cosine(angle.parts[0])
    return chained(angle, sin, cos, -sin), chained(angle, cos, -sin, -cos)


def jet_arctangent(value: Jet) -> Jet:
    """atan s: 1/(1 + s²), −2s/(1 + s²)²."""
    s = value.parts[0]
    first = inverse(1.0 + s * s)
    return chained(value, arctangent(s), first, -2.0 * (s * (first * first)))


def jet_inverse_root(value: Jet) -> Jet:
    """s^−½: −½·s^−3/2, ¾·s^−5/2."""
    root = inverse_root(value.parts[0])
    cube = root * (root * root)
    return chained(value, root, -0.5 * cube, 0.75 * (cube * (root * root)))


def jet_sum(value: Jet) -> Jet:
    """The sum over the last axis, which is kept with length 1."""
    return Jet(tuple(add_up(part)[..., None] for part in value.parts))


def jets_side_by_side(values: Sequence[Jet]) -> Jet:
    """Joined along the last axis."""
    return Jet(tuple(side_by_side(parts) for parts in zip(*(value.parts for value in values), strict=True)))
