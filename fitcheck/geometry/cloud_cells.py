"""The Voronoi cells of a cloud's points, each in the plane of its neighbours, bounded sector by sector (see clouds)."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Rows = NDArray[np.int64]

OPEN = 2.0371
"""A gap in which a disc of this many spacings fits is a border (no round number: no ties on a grid)."""

_PASSES = (8, 48, 192)  # neighbours: more where fewer leave the cell open, most along scan lines far apart
_SECTORS = 12
_BEYOND = 1.1  # √(1 + 1/4): past a border the surface goes on for less than one spacing, or it would have a point
_LINE = 0.04  # mean squares across and along: neighbours in a strip narrower than a fifth of its length
_UNBIASED = (_PASSES[0] + 1) / (_PASSES[0] - 2)  # a plane takes three of the points
_JUMP = 5.0  # times as far as the one before: a neighbour of another group
_FAR = 8.0  # times as far as eighth neighbours are from most points
_CHUNK = 1 << 13  # points at a time: what they need stays in the processor's cache


@dataclass(frozen=True, eq=False)
class Cells:
    """Of m points: ``reach`` (m,) the cell's far corner, infinite where open; ``closed`` (m,) the same over the sectors
    that no gap opens; ``beyond`` (m,) how far the surface goes on where one does; ``limit`` (m,) the reach from which a
    sector counts as open; ``thin`` (m,) neighbours in a strip; ``normal`` (m, 3); ``noise`` (m,) one sigma off the
    plane; ``alone`` (m,) one of a few that float far from all others. Lengths in mm."""

    reach: Floats
    closed: Floats
    beyond: Floats
    limit: Floats
    thin: NDArray[np.bool_]
    normal: Floats
    noise: Floats
    alone: NDArray[np.bool_]

    @property
    def open(self) -> NDArray[np.bool_]:
        """(m,) where a gap opens the cell."""
        return self.reach > self.limit


def cells_of(tree: Any, rows: Rows) -> Cells:
    """The cells of these rows of a cKDTree of at least four places, each there once. Of no rows: none."""
    far_away = _FAR * _typical(tree)
    cells = _pass(tree, rows, (_PASSES[0], far_away), np.zeros(len(rows), dtype=bool))
    for neighbours in _PASSES[1:]:  # a strip of neighbours gives no plane; still open in many: only a strip needs more
        first = neighbours == _PASSES[1]
        again = np.flatnonzero(~cells.alone & (cells.open | cells.thin if first else cells.open & cells.thin))
        if len(again) == 0 or len(tree.data) <= _PASSES[0] + 1:
            break
        better = _pass(tree, rows[again], (neighbours, far_away), cells.thin[again])
        for field in fields(Cells):
            getattr(cells, field.name)[again] = getattr(better, field.name)
    return cells


def _typical(tree: Any) -> float:
    """The median distance of the eighth neighbour, over places spread evenly through the rows."""
    some = tree.data[:: max(1, len(tree.data) // 1000)]
    return float(np.median(tree.query(some, k=min(_PASSES[0], len(tree.data) - 1) + 1)[0][:, -1]))


def _pass(tree: Any, rows: Rows, how: tuple[int, float], thin: NDArray[np.bool_]) -> Cells:
    """Chunk by chunk on all processors; neighbours in space follow each other, as they do in the tree.

    ``how``: the number of neighbours, and what is far away; ``thin`` (m,): rows known to be so from fewer neighbours.
    """
    count = min(how[0], len(tree.data) - 1)
    rank = np.empty(len(tree.data), dtype=np.int64)
    rank[tree.indices] = np.arange(len(tree.data))
    order = np.argsort(rank[rows])
    reach, closed, beyond, limit, noise = np.empty((5, len(rows)))
    cells = Cells(reach, closed, beyond, limit, thin.copy(), np.empty((len(rows), 3)), noise, thin.copy())
    chunk = max(1, _CHUNK * _PASSES[0] // count)

    def fill(start: int) -> None:
        part = order[start : start + chunk]
        found = _cells(tree, rows[part], (count, how[1]), thin[part])
        for field in fields(Cells):
            getattr(cells, field.name)[part] = getattr(found, field.name)

    _on_all_processors(fill, range(0, len(rows), chunk))
    return cells


def _on_all_processors(work: Callable[[int], None], starts: range) -> None:
    if len(starts) < 2:
        for start in starts:
            work(start)
        return
    with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as pool:
        list(pool.map(work, starts))


def _cells(tree: Any, rows: Rows, how: tuple[int, float], thin: NDArray[np.bool_]) -> Cells:
    count, here = how[0], tree.data[rows]
    far, near = tree.query(here, k=count + 1)
    local = (tree.data[near[:, 1:].T] - here).transpose(2, 0, 1).astype(np.float32)  # (3, k, m)
    square = _mean_squares(local[:, : _PASSES[0]])  # the near ones alone: farther ones may be of the sheet behind
    if thin.any():
        square[:, :, thin] = _mean_squares(local[:, :, thin])
    normal = _normals(square)
    first = _across(normal)
    second = _cross(normal, first)
    u, v = _along(local, first), _along(local, second)
    reaches = _reaches(u, v, local)
    edge = far[:, -1]
    shut = np.maximum(np.count_nonzero(reaches <= edge, axis=0), 1) / _SECTORS
    spacing = edge * np.sqrt(np.pi * shut / (count + 1))
    thin = thin | _is_thin(square, first, second)
    limit = np.where(thin & (count >= _PASSES[1]), 0.55 * edge, OPEN * spacing)
    alone, across = _alone(far, how[1])
    closed = np.where((reaches <= limit) & ~alone, reaches, 0.0).max(axis=0)
    beyond = np.where(alone, _BEYOND * across, np.where(thin, edge, _BEYOND * spacing))
    off = np.where(alone, 0.0, _along(square, normal, normal))
    noise = np.sqrt(np.maximum(off, 0.0) * _UNBIASED)
    reach = np.where(alone, np.inf, reaches.max(axis=0))
    return Cells(reach, closed, beyond, limit, thin, normal.T, noise, alone)


def _alone(far: Floats, far_away: float) -> tuple[NDArray[np.bool_], Floats]:
    """Which points (m,) are of a few that float far from all others, and how far the farthest of the few is.

    ``far`` (m, k + 1): distances of the neighbours, the point itself first.
    """
    jump = (far[:, 2:] > _JUMP * far[:, 1:-1]) & (far[:, 2:] > far_away)
    alone = np.asarray(jump.any(axis=1))
    return alone, far[np.arange(len(far)), 1 + jump.argmax(axis=1)]


def _is_thin(square: Floats, first: Floats, second: Floats) -> NDArray[np.bool_]:
    """Whether the neighbours' mean squares in the plane are far less across than along."""
    one, other = _along(square, first, first), _along(square, second, second)
    swing, mean = np.hypot((one - other) / 2.0, _along(square, first, second)), (one + other) / 2.0
    return np.asarray(mean - swing < _LINE * (mean + swing))


def _reaches(u: Singles, v: Singles, local: Singles) -> Floats:
    """How far (sectors, m) the cell goes in each direction; infinite where no neighbour stands before it."""
    pull = np.float32(2.0) / np.maximum((local * local).sum(axis=0), np.float32(1e-30))
    u, v = u * pull, v * pull
    half = np.pi / _SECTORS
    nearness = np.empty((_SECTORS, u.shape[1]), dtype=np.float32)
    for sector in range(_SECTORS):
        c, s = np.float32(np.cos(2 * half * sector)), np.float32(np.sin(2 * half * sector))
        along, across = c * u + s * v, np.abs(c * v - s * u)
        along *= np.float32(np.cos(half))
        across *= np.float32(np.sin(half))
        nearness[sector] = (along - across).max(axis=0)  # at the sector's worse edge
    reaches = np.full(nearness.shape, np.inf)
    np.divide(1.0, nearness, out=reaches, where=nearness > 0.0)
    return reaches


# --- planes -----------------------------------------------------------------------------------------------------------


def _mean_squares(local: Singles) -> Floats:
    """(3, 3, m): covariance of the neighbours and the point itself."""
    count = local.shape[1] + 1
    middle = local.sum(axis=1, dtype=np.float64) / count
    square = np.empty((3, 3, local.shape[2]))
    for i in range(3):
        for j in range(i, 3):
            square[i, j] = square[j, i] = (local[i] * local[j]).sum(axis=0) / count - middle[i] * middle[j]
    return square


def _normals(square: Floats) -> Floats:
    """(3, m) unit axes of the least mean square: the closed form for symmetric matrices of three (Smith, 1961)."""
    scale = np.maximum(np.trace(square), 1e-300)
    a = square / scale
    q = np.trace(a) / 3.0
    b = a - q * np.eye(3)[:, :, None]
    p = np.sqrt(np.maximum((b * b).sum(axis=(0, 1)) / 6.0, 1e-300))
    half_det = (b[0] * _cross(b[1], b[2])).sum(axis=0) / (2.0 * p**3)
    least = q + 2.0 * p * np.cos(np.arccos(np.clip(half_det, -1.0, 1.0)) / 3.0 + 2.0 * np.pi / 3.0)
    rest = a - least * np.eye(3)[:, :, None]
    crosses = np.stack([_cross(rest[0], rest[1]), _cross(rest[1], rest[2]), _cross(rest[2], rest[0])])
    lengths = np.sqrt((crosses**2).sum(axis=1))
    best = lengths.argmax(axis=0)
    columns = np.arange(square.shape[2])
    normal = crosses[best, :, columns].T
    length = lengths[best, columns]
    alone = length < 1e-12  # neighbours on one line: any plane through it
    if alone.any():
        normal[:, alone] = _across(_longest_row(square[:, :, alone]))
        length = np.where(alone, 1.0, length)
    return np.asarray(normal / length)


def _longest_row(square: Floats) -> Floats:
    lengths = (square**2).sum(axis=1)
    row = square[lengths.argmax(axis=0), :, np.arange(square.shape[2])].T
    return np.asarray(row / np.maximum(np.sqrt(lengths.max(axis=0)), 1e-300))


def _across(axis: Floats) -> Floats:
    """(3, m) unit vectors at right angles to (3, m) ones."""
    flat = np.abs(axis[0]) < 0.7
    found = np.where(flat, np.stack([0.0 * axis[0], axis[2], -axis[1]]), np.stack([-axis[2], 0.0 * axis[0], axis[0]]))
    return np.asarray(found / np.maximum(np.sqrt((found**2).sum(axis=0)), 1e-300))


def _cross(a: Floats, b: Floats) -> Floats:
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def _along(rows: Any, axis: Floats, other: Floats | None = None) -> Any:
    """Products of (3, k, m) rows with (3, m) axes in their own precision, or of (3, 3, m) squares with two."""
    if other is None:
        short = axis.astype(np.float32)
        return rows[0] * short[0] + rows[1] * short[1] + rows[2] * short[2]
    return sum(axis[i] * rows[i, j] * other[j] for i in range(3) for j in range(3))
