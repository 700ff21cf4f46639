"""A linkage over the whole of its travel, on a grid of cells: where to start solving, and proven bounds.

Built once for a linkage, when it is first asked. Each cell is proven on its own (``linkage_cells.py``), in parts
where it is too large for the proof; what neighbours share has to be one and the same solution, and the scan pose
one of them. Two tubes that hold one solution at a pose that they share hold the same all over the face that they
share: there each holds one alone, which goes on without a break. So the tubes together hold the one motion that
leads from the scan pose, and no pose is answered but in its tube. A linkage of which a cell is not proven is
refused: beside a dead centre there is more than one way to go on, and no bound.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle.linkage_cells import SPARE_MM, Bounds, Cells, cells_at, prove
from fitcheck.vehicle.linkage_equations import Linkage, columns, equations
from fitcheck.vehicle.linkage_reach import in_words, nodes_of, unproven
from fitcheck.vehicle.linkage_solve import follow, slopes_at, solved

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

_COUNTS = {"heave": (48,), "sides": (24, 24), "bump": (32, 44)}
"""Cells along each coordinate, by what they are."""

_LEVELS = 5
"""How often a cell is cut when it is too large for the proof."""

_MOST_PARTS = 3_000
_CHORD_STEPS = 10
_SETTLED_MM = 1e-10
_ON_FACE = 1e-11
"""Of a cell's width: closer to a face than this is on it. Less than what every part is proven beyond its faces."""

_ROUNDED = 1e-3
"""Of the travel: poses so little beyond it are answered, as those that were written down in rounded figures."""


@dataclass(frozen=True, eq=False)
class Grid:
    """``counts`` (d,) cells of ``step`` (d,) from ``low`` (d,), in C order; of no width where nothing moves."""

    low: Floats
    step: Floats
    counts: tuple[int, ...]

    def middles(self) -> Floats:
        index = np.stack(np.unravel_index(np.arange(np.prod(self.counts)), self.counts), axis=-1)
        return np.asarray(self.low + self.step * (index + 0.5))

    def place(self, poses: Floats) -> Floats:
        """(n, d) → how many cells from the low end."""
        return np.asarray((poses - self.low) / np.where(self.step > 0.0, self.step, 1.0))

    def rows(self, poses: Floats, parts: int) -> Rows:
        """(n, d) → the number of the cell, each of them cut in so many parts along every coordinate."""
        shape = tuple(count * parts for count in self.counts)
        index = np.clip(np.floor(self.place(poses) * parts), 0, np.array(shape) - 1).astype(np.intp)
        return np.asarray(np.ravel_multi_index(tuple(index.T), shape))


@dataclass(frozen=True, eq=False)
class Leaves:
    """Cells of whatever size that fill the travel, and what is proven of them.

    ``level`` (n,): how often a whole cell was cut; ``at`` (n, d): its place on the grid of that level.
    """

    cells: Cells
    bounds: Bounds
    level: Rows
    at: Rows

    def some(self, rows: Rows | Flags) -> Leaves:
        """The leaves of these rows."""
        return Leaves(self.cells.some(rows), self.bounds.some(rows), self.level[rows], self.at[rows])


@dataclass(frozen=True, eq=False)
class Table:
    """``leaf``: for each part of a cell, 2^levels along every coordinate, which of the leaves holds it.

    ``near`` (n, m, m): (∂F/∂u)⁻¹ in each leaf's middle. ``shift`` (2, d, …counts, 3), ``turn`` (2, d, …counts, 3, 3):
    the bounds of :class:`Bounds` for each cell; the greatest where there are more leaves in it.
    """

    grid: Grid
    levels: int
    leaf: Rows
    leaves: Leaves
    near: Floats
    shift: Floats
    turn: Floats


def _grid(linkage: Linkage) -> Grid:
    low, high = np.array(linkage.low), np.array(linkage.high)
    counts = zip(_COUNTS[linkage.given], high > low, strict=False)
    whole = tuple(count if is_wide else 1 for count, is_wide in counts)
    return Grid(low, (high - low) / whole, whole)


@lru_cache(maxsize=64)
def table_of(linkage: Linkage) -> Table:
    """The linkage's table. Raises InputError where its rods cannot reach over the travel, or lock within it."""
    known, grid = nodes_of(linkage), _grid(linkage)
    middles = grid.middles()
    start = [part[_nearest(middles, known[0])] for part in known]
    leaves = _leaves(linkage, _cells(linkage, (start[0], start[1]), middles, grid.step / 2.0), grid)
    lost = ~leaves.bounds.proven
    if not lost.any():
        lost = ~_agree(linkage, leaves, grid)
    if lost.any():
        raise _refusal(linkage, leaves.cells.middle[lost])
    levels = int(leaves.level.max())
    shift, turn = _worst(leaves, grid)
    return Table(grid, levels, _filled(leaves, grid, levels), leaves, _near(linkage, leaves.cells), shift, turn)


def _refusal(linkage: Linkage, poses: Floats) -> InputError:
    """What is not proven around (n, d) poses, with its place in its file: by now the reader's has been left."""
    problem = unproven(linkage, poses)
    return InputError(f"{linkage.origin}: {problem}") if linkage.origin else problem


def _near(linkage: Linkage, cells: Cells) -> Floats:
    here = slopes_at(linkage, cells.unknown, cells.middle).by_unknown
    ways = [np.broadcast_to(way, cells.unknown.shape) for way in np.eye(here.shape[-1])]
    return np.stack([solved(here, way) for way in ways], axis=-1)


def _nearest(middles: Floats, poses: Floats) -> Rows:
    size = np.maximum(np.ptp(poses, axis=0), 1e-9)
    return np.asarray(((middles[:, None] - poses) / size).__pow__(2).sum(axis=-1).argmin(axis=1))


def _cells(linkage: Linkage, start: tuple[Floats, Floats], middles: Floats, half: Floats) -> Cells:
    """Cells with these middles (n, d), each followed from a solved pose; NaN where the way ends before."""
    unknown, reached = follow(linkage, start, middles)
    unknown[reached < 1.0] = np.nan
    return cells_at(linkage, middles, np.broadcast_to(half, middles.shape), unknown)


def _guess(cells: Cells, poses: Floats) -> Floats:
    """(n, d) poses, each in its cell → u (n, m) to the second order along each coordinate."""
    away = poses - cells.middle
    slopes = np.einsum("dnm,nd->nm", cells.speeds, away)
    return np.asarray(cells.unknown + slopes + 0.5 * np.einsum("dnm,nd->nm", cells.bends, away**2))


# --- proof -------------------------------------------------------------------------------


def _leaves(linkage: Linkage, cells: Cells, grid: Grid) -> Leaves:
    """The cells, cut where the proof needs it. What is unproven after that remains so."""
    at = np.stack(np.unravel_index(np.arange(len(cells.middle)), grid.counts), axis=-1).astype(np.intp)
    found, each = [], 2 ** len(cells.speeds)
    for level in range(_LEVELS + 1):
        leaves = Leaves(cells, prove(linkage, cells), np.full(len(at), level), at)
        failed = np.flatnonzero(~leaves.bounds.proven)
        if level == _LEVELS or len(failed) == 0 or len(failed) * each > _MOST_PARTS:
            found.append(leaves)
            break
        found.append(leaves.some(leaves.bounds.proven))
        at = (2 * at[failed][:, None] + _corners(cells.middle.shape[1])).reshape(-1, cells.middle.shape[1])
        cells = _halved(linkage, cells.some(failed))
    return _all_of(found)


def _corners(known: int) -> Rows:
    """(2^d, d) of 0 and 1."""
    return np.array(list(itertools.product((0, 1), repeat=known)))


def _all_of(parts: list[Leaves]) -> Leaves:
    cells, bounds = [part.cells for part in parts], [part.bounds for part in parts]
    return Leaves(
        Cells(
            *(np.concatenate([getattr(part, word) for part in cells]) for word in ("middle", "half", "unknown")),
            *(np.concatenate([getattr(part, word) for part in cells], axis=1) for word in ("speeds", "bends")),
        ),
        Bounds(
            np.concatenate([part.tube for part in bounds]),
            *(np.concatenate([getattr(part, word) for part in bounds], axis=2) for word in ("shift", "turn")),
        ),
        np.concatenate([part.level for part in parts]),
        np.concatenate([part.at for part in parts]),
    )


def _halved(linkage: Linkage, cells: Cells) -> Cells:
    """Each cell cut in two along every coordinate."""
    ways = _corners(cells.middle.shape[1]) - 0.5
    each = np.repeat(np.arange(len(cells.middle)), len(ways))
    half = cells.half[each] / 2.0
    middles = cells.middle[each] + np.tile(ways, (len(cells.middle), 1)) * cells.half[each]
    lost = ~np.isfinite(cells.unknown).all(axis=1)
    if lost.all():
        return cells.some(each)
    return _cells(linkage, (cells.middle[each], cells.unknown[each]), middles, half)


def _agree(linkage: Linkage, leaves: Leaves, grid: Grid) -> Flags:
    """Whether the solutions at a leaf's corners, found from any of the leaves there, lie in the tubes of all of them.

    The scan pose's solution, u = 0, must lie in the tubes of the leaves that hold it.
    """
    cells, ways, deepest = leaves.cells, _corners(leaves.at.shape[1]), int(leaves.level.max())
    keys = (leaves.at[:, None] + ways) << (deepest - leaves.level)[:, None, None]
    distinct, first, of = np.unique(keys.reshape(-1, len(grid.low)), axis=0, return_index=True, return_inverse=True)
    poses, start = grid.low + distinct * (grid.step / 2**deepest), cells.some(first // len(ways))
    found, reached = follow(linkage, (start.middle, start.unknown), poses)
    found[reached < 1.0] = np.nan
    at = of.reshape(len(cells.middle), len(ways))
    tubes = cells, leaves.bounds.tube
    fine = _inside(linkage, tubes, poses[at], found[at]).all(axis=1)
    home = (np.abs(cells.middle) <= cells.half).all(axis=1)
    rest, still = (np.zeros((len(at), 1, width)) for width in (len(grid.low), found.shape[1]))
    return np.asarray(fine & (~home | _inside(linkage, tubes, rest, still)[:, 0]))


def _inside(linkage: Linkage, tubes: tuple[Cells, Floats], poses: Floats, unknown: Floats) -> Flags:
    """(n, c, d), (n, c, m) → (n, c): whether u lies in the tube of its cell, (n, m) wide."""
    cells, tube = tubes
    ahead = np.einsum("dnm,ncd->ncm", cells.speeds, poses - cells.middle[:, None])
    stray = np.abs(unknown - cells.unknown[:, None] - ahead)
    return np.asarray((stray <= tube[:, None] + SPARE_MM / linkage.scale).all(axis=2))


def _filled(leaves: Leaves, grid: Grid, levels: int) -> Rows:
    """Which leaf holds each part of a cell, flat."""
    found = np.full(grid.counts, -1, dtype=np.intp)
    for level in range(levels + 1):
        for axis in range(found.ndim) if level else ():
            found = np.repeat(found, 2, axis=axis)
        rows = np.flatnonzero(leaves.level == level)
        found[tuple(leaves.at[rows].T)] = rows
    return found.reshape(-1)


def _worst(leaves: Leaves, grid: Grid) -> tuple[Floats, Floats]:
    """The greatest bounds of each cell's leaves."""
    of = np.ravel_multi_index(tuple((leaves.at >> leaves.level[:, None]).T), grid.counts)
    bounds, known, count = leaves.bounds, leaves.at.shape[1], int(np.prod(grid.counts))
    found = []
    for part in (bounds.shift, bounds.turn):
        most = np.zeros((count, 2, known, *part.shape[3:]))
        np.maximum.at(most, of, np.moveaxis(part, 2, 0))
        found.append(np.moveaxis(most, 0, 2).reshape(2, known, *grid.counts, *part.shape[3:]))
    return found[0], found[1]


# --- use ---------------------------------------------------------------------------------


def solve(linkage: Linkage, poses: Floats) -> Floats:
    """(n, d) → u (n, m), the solution that leads there from the scan pose. Raises InputError for poses out of travel.

    By chords with the leaf's own inverse; where that does not settle in its tube, along a path from its middle.
    """
    if poses.shape[1] == 2 and len(poses) > 2:
        distinct, back = np.unique(poses[:, 0] + 1j * poses[:, 1], return_inverse=True)
        if len(distinct) < len(poses):
            return solve(linkage, np.stack([distinct.real, distinct.imag], axis=-1))[back]
    table = table_of(linkage)
    beyond = _beyond(linkage, table.grid, poses)
    rows = table.leaf[table.grid.rows(poses, 2**table.levels)]
    cells, tube = table.leaves.cells.some(rows), table.leaves.bounds.tube[rows]
    unknown, settled = _by_chords(linkage, cells, poses, table.near[rows])
    held = _inside(linkage, (cells, tube), poses[:, None], unknown[:, None])[:, 0]
    rest = np.flatnonzero(~settled | ~(held | beyond))
    if len(rest):
        start = cells.some(rest)
        unknown[rest], reached = follow(linkage, (start.middle, start.unknown), poses[rest])
        held[rest] = _inside(linkage, (start, tube[rest]), poses[rest, None], unknown[rest, None])[:, 0]
        _refuse_ended(linkage, poses[rest], beyond[rest] & (reached < 1.0))
    if not (held | beyond).all():
        raise _refusal(linkage, poses[~(held | beyond)])
    return unknown


def _by_chords(linkage: Linkage, cells: Cells, poses: Floats, near: Floats) -> tuple[Floats, Flags]:
    """u (n, m) at poses, each in its cell, and where it settled."""
    unknown, given = _guess(cells, poses), columns(poses)
    for _ in range(_CHORD_STEPS):
        step = np.einsum("nij,nj->ni", near, equations(linkage, columns(unknown), given).parts[0])
        unknown = unknown - step
        settled = (np.abs(step * linkage.scale) <= _SETTLED_MM).all(axis=1)
        if settled.all():
            break
    return unknown, settled


def _beyond(linkage: Linkage, grid: Grid, poses: Floats) -> Flags:
    """(n,): which poses are out of the travel, by a rounding of figures; raises InputError for others out of it."""
    place, counts = grid.place(poses), np.array(grid.counts) * (grid.step > 0.0)
    out = np.maximum(-place, place - counts)
    far = (out > _ROUNDED * np.maximum(counts, 1)).any(axis=1) | ~np.isfinite(place).all(axis=1)
    _refuse_ended(linkage, poses, far)
    return np.asarray((out > _ON_FACE).any(axis=1))


def _refuse_ended(linkage: Linkage, poses: Floats, ended: Flags) -> None:
    if ended.any():
        where = in_words(linkage, poses[ended][0])
        raise InputError(f"{linkage.name}: {where} is out of its travel: expected a pose between its stops")


@lru_cache(maxsize=256)
def _speeds(linkage: Linkage, offset: bytes) -> Floats:
    """(2, d, …counts): greatest first and second derivatives of a point that is ``offset`` (3,) from the centre."""
    table = table_of(linkage)
    return np.asarray(np.linalg.norm(table.shift + table.turn @ np.frombuffer(offset), axis=-1))


def greatest(linkage: Linkage, low: Floats, high: Floats, *, offset: Floats, order: int) -> Floats:
    """(n, d) boxes → (n, d): a bound on a point's derivative of this order (1, 2) along each coordinate.

    ``offset`` (3,): how far the point is from the centre, at most, along each axis. A box takes the worst cell that
    it touches; one that leaves the travel has none: ∞.
    """
    grid = table_of(linkage).grid
    values = _speeds(linkage, np.asarray(offset, dtype=np.float64).tobytes())[order - 1]
    last, start, stop = np.array(grid.counts) - 1, grid.place(low), grid.place(high)
    first = np.clip(np.floor(start + _ON_FACE), 0, last).astype(np.intp)
    end = np.clip(np.ceil(stop - _ON_FACE) - 1, first, last).astype(np.intp)
    found = np.empty_like(low, dtype=np.float64)
    small = (end - first <= 1).all(axis=1)
    ends = [np.stack([first[small], end[small]])[:, :, k] for k in range(len(last))]
    corners = [values[(slice(None), *(ends[k][s] for k, s in enumerate(sides)))] for sides in _sides(len(last))]
    found[small] = np.max(corners, axis=0).T
    for i in np.flatnonzero(~small):
        window = values[(slice(None), *(slice(a, b + 1) for a, b in zip(first[i], end[i], strict=True)))]
        found[i] = window.reshape(len(values), -1).max(axis=1)
    counts = np.array(grid.counts) * (grid.step > 0.0)
    inside = (start >= -_ON_FACE) & (stop <= counts + _ON_FACE)
    found[~inside.all(axis=1)] = np.inf
    return found


def _sides(count: int) -> list[tuple[int, ...]]:
    return list(itertools.product((0, 1), repeat=count))
