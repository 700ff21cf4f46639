"""Bounds for bodies that turn beside a face: a direction for each corner pose instead of one for all of them.

One direction for a whole box of poses loses what a face turns in it: as much as the box is wide. So let each
corner pose s have its own unit vector n_s, and its own gap d_s along it. In between, the pose's weights w blend
the corners' differences D_s of any two material points, up to the remainder. Blend the directions with the same
weights (a blend of unit vectors is no longer than 1): then

    |D| ≥ (Σ w n_s)·(Σ w D_s) − remainder = Σ w n_s·D_s − Σ w (n_s − n̄)·(D_s − D̄) − remainder
        ≥ min d_s − R_n·R_D − remainder,

n̄ and D̄ the weighted means, by the Cauchy–Schwarz inequality: a weighted variance is at most the square of the
radius R of a ball that holds all values. Both radii shrink with the box, so that what is lost shrinks with its square.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.separation import Aim, separate_all
from fitcheck.geometry.supports import Difference, Stack

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Pairs:
    """m pairs of hulls in groups: ``rows`` of the first stack, ``others`` of the second, known directions (m, 3)."""

    first: Stack
    second: Stack
    rows: Rows
    others: Rows
    directions: Floats


def turned_bounds(pairs: Pairs) -> Floats:
    """Lower bounds (m,) of the distances before balls and remainders are taken off; −∞ where nothing is known."""
    groups = pairs.first.points.shape[1]
    count = len(pairs.rows)
    rows = (pairs.rows[:, None] * groups + np.arange(groups)).ravel()
    others = np.repeat(pairs.others, groups)
    if pairs.second.points.shape[1] == groups:
        others = (pairs.others[:, None] * groups + np.arange(groups)).ravel()
    began = np.repeat(pairs.directions, groups, axis=0)
    size = len(rows)
    aim = Aim(np.zeros(size), np.full(size, np.inf), began, np.ones(size, dtype=bool))
    found = separate_all(Difference(_by_group(pairs.first), rows, _by_group(pairs.second), others), aim)
    gaps = found.lower_mm.reshape(count, groups)
    ways = found.directions.reshape(count, groups, 3)
    turn = _radius(ways[:, :, None, :])[:, 0]
    least = gaps.min(axis=1)
    return np.where(least > 0.0, least - turn * _moved(pairs), -np.inf)


def _by_group(stack: Stack) -> Stack:
    """Every group as a hull of its own."""
    count, groups, each, _ = stack.points.shape
    shape = (count * groups, 1, each, 3)
    discs = None if stack.discs is None else stack.discs.reshape(shape)
    radius = np.repeat(stack.radius_mm, groups)
    return Stack(stack.points.reshape(shape), discs, radius, np.zeros(count * groups))


def _radius(values: Floats) -> Floats:
    """Values in groups (n, u, k, 3) → radii (n, k) of balls that hold each one in all groups."""
    apart = values - values.mean(axis=1, keepdims=True)
    return np.asarray(np.sqrt(np.einsum("nuki,nuki->nuk", apart, apart).max(axis=1)))


def _moved(pairs: Pairs) -> Floats:
    """How far from one place the difference of two material points is at most, at all groups (m,)."""
    first = pairs.first.points - pairs.first.points.mean(axis=1, keepdims=True)
    own = first.mean(axis=2, keepdims=True)
    if pairs.second.points.shape[1] == 1:  # it does not move with the groups
        return np.asarray((_radius(first).max(axis=1) + pairs.first.swing_mm)[pairs.rows])
    second = pairs.second.points - pairs.second.points.mean(axis=1, keepdims=True)
    common = (own + second.mean(axis=2, keepdims=True)) / 2.0
    one = _radius(first - common).max(axis=1) + pairs.first.swing_mm
    two = _radius(second - common).max(axis=1) + pairs.second.swing_mm
    return np.asarray(one[pairs.rows] + two[pairs.others])
