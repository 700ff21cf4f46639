"""Boxes of poses, and linear limits that cut them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

_SLACK = 1e-12
"""What rounding may add to a sum of coordinates at its limit."""

_ROUNDS = 2

_AT_ONCE = 2
"""So many limits are kept exactly by a box's bound; the others only by cutting it."""


def corners_of(low: Floats, high: Floats) -> Floats:
    """All corners (n, 2^d, d) of n boxes; coordinates without width in all of them are not doubled."""
    wide = np.flatnonzero((high - low).max(axis=0, initial=0.0) > 0.0)
    picks = np.array(list(itertools.product((0, 1), repeat=len(wide))), dtype=bool).reshape(2 ** len(wide), len(wide))
    corners = np.repeat(low[:, None, :], len(picks), axis=1)
    corners[:, :, wide] = np.where(picks[None], high[:, None, wide], low[:, None, wide])
    return corners


@dataclass(frozen=True)
class Halfspaces:
    """Linear limits on poses: ``gains`` (m, d) · pose ≤ ``most`` (m,). ``home`` (d,) is a pose that keeps them all."""

    gains: Floats
    most: Floats
    home: Floats

    @property
    def allowed(self) -> Floats:
        """The limits (m,) with what rounding may add."""
        return np.asarray(self.most + _SLACK * (1.0 + np.abs(self.most)))

    def keep(self, poses: Floats) -> NDArray[np.bool_]:
        """Which poses (n, d) keep all limits."""
        return np.asarray((poses @ self.gains.T <= self.allowed).all(axis=1))

    def tightened(self, low: Floats, high: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Boxes (n, d) without what no feasible pose of them reaches, and which of them hold a pose at all.

        Each limit bounds each coordinate by what the least of all others leaves (interval propagation).
        """
        low, high = low.copy(), high.copy()
        for _ in range(_ROUNDS):
            for gains, most in zip(self.gains, self.allowed, strict=True):
                for axis in np.flatnonzero(gains):
                    least = np.minimum(gains * low, gains * high)
                    room = (most - (least.sum(axis=1) - least[:, axis])) / gains[axis]
                    end, pick = (high, np.minimum) if gains[axis] > 0.0 else (low, np.maximum)
                    end[:, axis] = pick(end[:, axis], room)
        crossed = (low > high).any(axis=1)
        holds = ~crossed & (self.least(low, high) <= self.allowed).all(axis=1)
        return np.minimum(low, high), high, np.asarray(holds)

    def least(self, low: Floats, high: Floats) -> Floats:
        """The least of each sum (n, m) over boxes (n, d)."""
        return np.asarray(low @ np.maximum(self.gains, 0.0).T + high @ np.minimum(self.gains, 0.0).T)

    def slack(self, low: Floats, high: Floats, limits: Rows, lead: Rows) -> Floats:
        """How far beyond k limits the corners (n, 2^lead, k) of the leading coordinates are, the rest at its least."""
        gains = self.gains[limits]
        rest = gains.copy()
        rest[:, lead] = 0.0
        picks = np.array(list(itertools.product((False, True), repeat=len(lead)))).reshape(2 ** len(lead), len(lead))
        ends = np.where(picks[None], high[:, None, lead], low[:, None, lead])
        others = replace(self, gains=rest).least(low, high)
        return np.asarray(ends @ gains[:, lead].T + others[:, None] - self.allowed[limits])

    def cutting(self, low: Floats, high: Floats) -> Rows:
        """Which two limits take the largest share of each box (n, 2), in ascending order; −1: none."""
        least, greatest = self.least(low, high), -replace(self, gains=-self.gains).least(low, high)
        beyond = greatest - self.allowed
        share = np.where(beyond > 0.0, beyond / np.maximum(greatest - least, 1e-300), 0.0)
        best = np.argsort(-share, axis=1, kind="stable")[:, :_AT_ONCE]
        return np.sort(np.where(np.take_along_axis(share, best, axis=1) > 0.0, best, -1), axis=1)

    def settled(self, poses: Floats, low: Floats, high: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Poses (n, d) of boxes, moved toward home, else into a corner, until they keep all limits; and which do."""
        found, good = poses.copy(), self.keep(poses)
        for goal in (np.broadcast_to(self.home, poses.shape), self._innermost(poses, low, high)):
            moved = self._toward(poses, goal)
            fits = ~good & self.keep(moved) & (moved >= low).all(axis=1) & (moved <= high).all(axis=1)
            found[fits], good = moved[fits], good | fits
        return found, good

    def _innermost(self, poses: Floats, low: Floats, high: Floats) -> Floats:
        """The corner (n, d) of each box that is farthest inside the limit that its pose breaks the most."""
        gains = self.gains[(poses @ self.gains.T - self.most).argmax(axis=1)]
        return np.where(gains > 0.0, low, np.where(gains < 0.0, high, poses))

    def _toward(self, poses: Floats, goal: Floats) -> Floats:
        """The first pose on the way to a goal that keeps all limits, where the goal does."""
        there, excess = goal @ self.gains.T, poses @ self.gains.T - self.most
        way = excess + self.most - there
        part = np.where(excess > 0.0, excess / np.where(way > 0.0, way, np.inf), 0.0).max(axis=1, initial=0.0)
        return np.asarray(poses + np.minimum(part, 1.0)[:, None] * (goal - poses))
