"""The hulls of a moving body's pieces over many boxes of poses at once, ready to be asked together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.pose_boxes import corners_of
from fitcheck.geometry.supports import Hulls, Stack

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

_WASTE_POINTS = 6_000
"""Boxes of different widths share a call while that doubles no more points than this for nothing."""

_FEW_POINTS = 4
_TURN_SHARE, _SPREAD_SHARE = 0.25, 1e-3


class SweptPiece(Protocol):
    """A convex piece: its hull over boxes of poses."""

    def hulls(self, low: Floats, high: Floats) -> Hulls: ...


@dataclass(frozen=True)
class Mover:
    """A moving body: its convex pieces, and which coordinates of the whole pose are those of its own space."""

    pieces: Sequence[SweptPiece]
    columns: Rows


@dataclass(frozen=True)
class Boxes:
    """Which piece (n,) over which box of whole poses (n, d)."""

    piece: Rows
    low: Floats
    high: Floats


@dataclass(frozen=True, eq=False)
class _Part:
    """Boxes ``rows`` of one piece: its hulls, by corner (n, c, k, 3), and its widths in its own coordinates."""

    rows: Rows
    hulls: Hulls
    low: Floats
    high: Floats

    @cached_property
    def wide(self) -> NDArray[np.bool_]:
        return np.asarray((self.high - self.low).max(axis=0, initial=0.0) > 0.0)

    def by_corner(self, values: Floats) -> Floats:
        return values.reshape(len(self.rows), 2 ** int(self.wide.sum()), -1, 3)


@dataclass(frozen=True, eq=False)
class SweptHulls:
    """Hulls of n boxes: ``stack``, and the parts that it was made of."""

    mover: Mover
    stack: Stack
    parts: list[_Part]

    @cached_property
    def grown_mm(self) -> Floats:
        """The remainders alone (n,)."""
        found = np.empty(len(self.stack.points))
        for part in self.parts:
            found[part.rows] = part.hulls.grow_mm
        return found

    def led(self, lead: Rows) -> Stack:
        """The stack in groups by the corners of other coordinates."""
        return _stacked(self.mover, self.parts, lead)

    def gains(self, size: int, bends: Floats, piece: Rows) -> Floats:
        """How much a cut of each coordinate (n, size) is likely to sharpen the bound: only an order, no proof.

        What falls away: three quarters of the coordinate's share in the remainder (``bends`` (p, d) of the
        pieces), half of what is lost where the points of the piece do not all go the same way.
        """
        found = np.zeros((len(piece), size))
        for part in self.parts:
            own = np.zeros((len(part.rows), len(self.mover.columns)))
            own[:, part.wide] = _uneven(part.by_corner(part.hulls.points))
            own += 0.75 * bends[piece[part.rows]] * (part.high - part.low) ** 2 / 8.0
            found[part.rows[:, None], self.mover.columns] += own
        return found


def _uneven(points: Floats) -> Floats:
    """Points by corner (n, 2^w, k, 3) → (n, w): how differently each of w coordinates moves them."""
    wide = points.shape[1].bit_length() - 1
    some = points[:, :, :: max(1, points.shape[2] // _FEW_POINTS)]
    bits = 2 ** np.arange(wide)[::-1]
    full = 2**wide - 1
    moved = np.concatenate([some[:, bits] - some[:, :1], some[:, full:] - some[:, full - bits]], axis=2)
    apart = moved.max(axis=2) - moved.min(axis=2)
    spread = np.sqrt(np.einsum("nwki,nwki->nwk", moved, moved).max(axis=2))
    return np.asarray(_TURN_SHARE * np.sqrt(np.einsum("nwi,nwi->nw", apart, apart)) + _SPREAD_SHARE * spread)


def swept_hulls(mover: Mover, boxes: Boxes, lead: Rows) -> SweptHulls:
    """The hulls of n boxes. ``lead``: coordinates of the whole pose whose corners make the groups of the stack.

    Those without width, or that the body does not depend on, repeat its points. A hull with a point that is not
    finite grows by infinity: nothing can be said of it.
    """
    low, high = boxes.low[:, mover.columns], boxes.high[:, mover.columns]
    parts = []
    for piece in np.unique(boxes.piece):
        for rows in _alike(np.flatnonzero(boxes.piece == piece), high > low):
            hulls = mover.pieces[piece].hulls(low[rows], high[rows])
            parts.append(_Part(rows, hulls, low[rows], high[rows]))
    return SweptHulls(mover, _stacked(mover, parts, lead), parts)


def _stacked(mover: Mover, parts: list[_Part], lead: Rows) -> Stack:
    places = [int(np.flatnonzero(mover.columns == c)[0]) if c in mover.columns else -1 for c in lead]
    stacks = [_stack(part, places, mover.columns) for part in parts]
    return _finite(stacks[0] if len(stacks) == 1 else _joined(stacks, parts))


def _alike(rows: Rows, wide: NDArray[np.bool_]) -> list[Rows]:
    """Rows together if few corners are doubled for nothing, else by which coordinates have a width."""
    own, union = wide[rows].sum(axis=1), wide[rows].any(axis=0).sum()
    if (2.0**union - 2.0**own).sum() * 8 <= _WASTE_POINTS:
        return [rows]
    _, which = np.unique(own, return_inverse=True)
    return [rows[which == k] for k in range(int(which.max()) + 1)]


def _stack(part: _Part, places: list[int], columns: Rows) -> Stack:
    """One part with the corners of the leading coordinates first."""
    hulls, count = part.hulls, len(part.rows)
    corners = corners_of(part.low, part.high)
    points = _led(part, hulls.points, places)
    discs = None if hulls.discs is None else _led(part, hulls.discs, places)
    poses = _led(part, corners, places, corners.shape[2])
    each = hulls.points.shape[1] // corners.shape[1]
    corner = np.repeat(np.arange(poses.shape[2]), each)
    return Stack(
        points,
        discs,
        np.full(count, hulls.disc_radius_mm, dtype=np.float64),
        np.asarray(hulls.ball_mm + hulls.grow_mm, dtype=np.float64),
        poses,
        np.broadcast_to(corner, (count, len(corner))),
        columns,
        _swing(hulls),
    )


def _swing(hulls: Hulls) -> Floats:
    if hulls.swing_mm is not None:
        return hulls.swing_mm
    return np.full(len(hulls.points), 0.0 if hulls.discs is None else np.inf)


def _led(part: _Part, values: Floats, places: list[int], width: int = 3) -> Floats:
    """Values by corner (n, 2^w·k, width) → (n, u, 2^(w−lead)·k, width)."""
    count = len(part.rows)
    if not places:
        return values.reshape(count, 1, values.shape[1], width)
    sizes = [2 if wide else 1 for wide in part.wide]
    each = values.shape[1] // 2 ** int(part.wide.sum())
    first, rest = [p for p in places if p >= 0], [k for k in range(len(sizes)) if k not in places]
    by_axis = values.reshape(count, *sizes, each, width)
    moved = by_axis.transpose(0, *(1 + k for k in first), *(1 + k for k in rest), -2, -1)
    inner = each * 2 ** sum(sizes[k] == 2 for k in rest)
    moved = moved.reshape(count, *(sizes[p] if p >= 0 else 1 for p in places), inner, width)
    spread = np.broadcast_to(moved, (count, *(2,) * len(places), inner, width))
    return spread.reshape(count, 2 ** len(places), inner, width)


def _joined(stacks: list[Stack], parts: list[_Part]) -> Stack:
    """Stacks of different sizes in one: points and corners repeated up to the greatest number."""
    points, poses = (max(values.shape[2] for values in some) for some in _pairs(stacks))
    some, count = stacks[0], sum(len(part.rows) for part in parts)
    groups, own = some.points.shape[1], some.poses.shape[3]
    discs = any(stack.discs is not None for stack in stacks)
    joined = Stack(
        np.empty((count, groups, points, 3)),
        np.zeros((count, groups, points, 3)) if discs else None,
        np.empty(count),
        np.empty(count),
        np.empty((count, groups, poses, own)),
        np.empty((count, points), dtype=np.intp),
        some.columns,
        np.empty(count),
    )
    for stack, part in zip(stacks, parts, strict=True):
        rows = part.rows
        again = np.arange(points) % stack.points.shape[2]
        joined.points[rows] = stack.points[:, :, again]
        if joined.discs is not None and stack.discs is not None:
            joined.discs[rows] = stack.discs[:, :, again]
        joined.radius_mm[rows], joined.off_mm[rows] = stack.radius_mm, stack.off_mm
        joined.swing_mm[rows] = stack.swing_mm
        joined.poses[rows] = stack.poses[:, :, np.arange(poses) % stack.poses.shape[2]]
        joined.corner[rows] = stack.corner[:, again]
    return joined


def _pairs(stacks: list[Stack]) -> tuple[list[Floats], list[Floats]]:
    return [stack.points for stack in stacks], [stack.poses for stack in stacks]


def _finite(stack: Stack) -> Stack:
    good = np.isfinite(stack.points.sum(axis=(1, 2, 3)))
    off = np.where(good & ~np.isnan(stack.off_mm), stack.off_mm, np.inf)
    points = stack.points if good.all() else np.where(good[:, None, None, None], stack.points, 0.0)
    return replace(stack, points=points, off_mm=off)


def likely_bends(mover: Mover, low: Floats, high: Floats) -> Floats:
    """Second derivatives (p, d) of each piece along its own coordinates, from the remainder of one-sided boxes."""
    low, high = low[mover.columns], high[mover.columns]
    size, middle = len(low), (low + high) / 2.0
    wide = np.eye(size, dtype=bool)
    width = np.where(high > low, high - low, 1.0)
    found = np.zeros((len(mover.pieces), size))
    if size == 0:
        return found
    for k, piece in enumerate(mover.pieces):
        grow = piece.hulls(np.where(wide, low, middle), np.where(wide, high, middle)).grow_mm
        found[k] = np.where(high > low, 8.0 * np.minimum(grow, _MOST_BEND_MM) / width**2, 0.0)
    return found


_MOST_BEND_MM = 1e6
"""Stands for an infinite remainder where only an order is wanted."""
