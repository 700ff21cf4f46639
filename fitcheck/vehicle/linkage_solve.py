"""Solving a linkage: Newton's method along a path from a solved pose, so that it stays on one branch.

Everything here is plain arithmetic that *finds*; what it finds is proven in ``linkage_table.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.vehicle.linkage_equations import Linkage, columns, equations

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

_MOST_STRIDES = 200
_LEAST_STRIDE = 2.0**-11
_MOST_STEPS = 25
_CLOSING = 0.25
_ROUGH_MM = 1e-6
"""Corrections as small as this may be rounding and need not shrink further."""

_SETTLED_MM = 1e-8
"""After a step so small Newton's error is its square times a curvature: far below 1e-10 mm."""

_LONGEST_STEP_MM = 60.0
"""A guess further off than this is none."""


@dataclass(frozen=True, eq=False)
class Slopes:
    """F (n, m), ∂F/∂u (n, m, m), ∂F/∂q (n, m, d)."""

    value: Floats
    by_unknown: Floats
    by_given: Floats


def slopes_at(linkage: Linkage, unknown: Floats, given: Floats) -> Slopes:
    """F and its first derivatives at (n, m), (n, d)."""
    count, known = unknown.shape[1], given.shape[1]
    ways = np.eye(count + known)[:, None, :]
    jet = equations(linkage, columns(unknown, ways[..., :count]), columns(given, ways[..., count:]))
    value, first = jet.parts
    first = np.moveaxis(np.array(np.broadcast_to(first, (count + known, *value.shape))), 0, -1)
    return Slopes(value, first[..., :count], first[..., count:])


def bends_at(linkage: Linkage, unknown: Floats, given: Floats, speeds: Floats) -> Floats:
    """Second derivative of F (d, n, m) along each coordinate, u going straight on with ``speeds`` (d, n, m)."""
    ways = np.eye(given.shape[1])[:, None, :]
    jet = equations(linkage, columns(unknown, speeds, 0.0 * speeds), columns(given, ways, 0.0 * ways))
    return np.asarray(np.broadcast_to(jet.parts[2], speeds.shape))


def solved(matrix: Floats, right: Floats) -> Floats:
    """(n, m, m), (n, m) → (n, m); NaN where a matrix is singular."""
    try:
        return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])
    except np.linalg.LinAlgError:
        rank = np.linalg.matrix_rank(np.nan_to_num(matrix))
        safe = np.where((rank == matrix.shape[-1])[:, None, None], matrix, np.nan)
        fine = np.isfinite(safe).all(axis=(1, 2))
        found = np.full_like(right, np.nan)
        found[fine] = np.linalg.solve(safe[fine], right[fine][..., None])[..., 0]
        return found


@dataclass(eq=False)
class _Going:
    """n paths under way: q = start + share·(end − start), with u there, and du/dshare."""

    start: Floats
    end: Floats
    unknown: Floats
    speed: Floats
    sign: Floats
    share: Floats
    stride: Floats

    def poses(self, rows: Rows, share: Floats) -> Floats:
        return np.asarray(self.start[rows] + share[:, None] * (self.end[rows] - self.start[rows]))


def follow(
    linkage: Linkage, start: tuple[Floats, Floats], given: Floats, *, stride: float = 1.0
) -> tuple[Floats, Floats]:
    """From solved poses (n, d), u (n, m) straight to n others, along the branch of the solution that starts there.

    → u (n, m), and the share of the way reached (n,). A step along the tangent is taken where Newton's method closes
    in on the solution from its start (each correction at most a quarter of the one before: Deuflhard, Newton Methods
    for Nonlinear Problems, 2004, section 5.1) and det ∂F/∂u keeps its sign; otherwise half of it is tried. Short of
    1 where steps become too small: there the rods lock or end. u is then the last that was found.
    """
    poses, unknown = (np.array(np.broadcast_to(part, (len(given), part.shape[1]))) for part in start)
    here, count = slopes_at(linkage, unknown, poses), len(given)
    speed = _along(here, given - poses)
    going = _Going(poses, given, unknown, speed, _sign(here), np.zeros(count), np.full(count, stride))
    with np.errstate(all="ignore"):
        for _ in range(_MOST_STRIDES):
            rows = np.flatnonzero((going.share < 1.0) & (going.stride >= _LEAST_STRIDE))
            if len(rows) == 0:
                break
            _stride(linkage, going, rows)
    return going.unknown, going.share


def _stride(linkage: Linkage, going: _Going, rows: Rows) -> None:
    """One step of these paths, or half the stride for the next."""
    share = np.minimum(1.0, going.share[rows] + going.stride[rows])
    poses = going.poses(rows, share)
    guess = going.unknown[rows] + going.speed[rows] * (share - going.share[rows])[:, None]
    unknown, fine, here = _close_in(linkage, poses, guess)
    fine &= _sign(here) == going.sign[rows]
    speed = _along(here, going.end[rows] - going.start[rows])
    fine &= np.isfinite(speed).all(axis=1)
    taken = rows[fine]
    going.unknown[taken], going.speed[taken], going.share[taken] = unknown[fine], speed[fine], share[fine]
    going.stride[rows] *= np.where(fine, 2.0, 0.5)


def _along(here: Slopes, way: Floats) -> Floats:
    """du (n, m) for dq (n, d)."""
    with np.errstate(all="ignore"):
        return -solved(here.by_unknown, np.einsum("nmd,nd->nm", here.by_given, way))


def _sign(here: Slopes) -> Floats:
    return np.asarray(np.sign(np.linalg.det(np.nan_to_num(here.by_unknown))))


def _close_in(linkage: Linkage, given: Floats, guess: Floats) -> tuple[Floats, Flags, Slopes]:
    """Newton's method at (n, d) → u (n, m), where it closed in on a solution, and the slopes all but there."""
    unknown, fine = guess.copy(), np.zeros(len(given), dtype=bool)
    last, todo = np.full(len(given), np.inf), np.arange(len(given))
    found = slopes_at(linkage, unknown, given)
    here = found
    for _ in range(_MOST_STEPS):
        step = -solved(here.by_unknown, here.value)
        size = np.abs(step * linkage.scale).max(axis=1)
        good = (size <= np.minimum(_LONGEST_STEP_MM, np.maximum(_CLOSING * last[todo], _ROUGH_MM))) & np.isfinite(size)
        unknown[todo[good]] += step[good]
        last[todo] = size
        fine[todo[good & (size <= _SETTLED_MM)]] = True
        todo = todo[good & (size > _SETTLED_MM)]
        if len(todo) == 0:
            break
        here = slopes_at(linkage, unknown[todo], given[todo])
        found.by_unknown[todo], found.by_given[todo] = here.by_unknown, here.by_given
    return unknown, fine, found
