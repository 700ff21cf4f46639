"""Which points lie near which: a grid of cells over many points, asked for few places at a time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_BITS, _MARGIN = 21, 64  # a cell number takes 21 bits an axis; a search may reach so many cells beyond the rim
_PAIRS_A_CHUNK = 1 << 20


@dataclass(frozen=True, eq=False)
class Grid:
    """``columns`` (3, n): the points, an axis a row. ``order`` and ``keys``: the points sorted by their cell."""

    columns: NDArray[np.floating]
    order: Rows
    keys: Rows
    lo: Floats
    cell_mm: float

    def near(self, places: Floats, radius_mm: float) -> tuple[Rows, Rows]:
        """All pairs (row of ``places`` (k, 3), row of a point) not further apart than a radius."""
        found = [
            pair for some in self._candidates(places, radius_mm) for pair in [self._within(places, radius_mm, some)]
        ]
        if not found:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        return np.concatenate([one for one, _ in found]), np.concatenate([other for _, other in found])

    def _within(self, places: Floats, radius_mm: float, some: tuple[Rows, Rows]) -> tuple[Rows, Rows]:
        asked, rows = some
        square = np.zeros(len(rows))
        for axis in range(3):
            square += (self.columns[axis][rows] - places[asked, axis]) ** 2
        keep = square <= radius_mm * radius_mm
        return asked[keep], rows[keep]

    def _candidates(self, places: Floats, radius_mm: float) -> Iterator[tuple[Rows, Rows]]:
        """Pairs by cells, some at a time; cells along z are neighbours in the order, so each column is one range."""
        reach = min(math.ceil(radius_mm / self.cell_mm), _MARGIN)
        cells = np.floor((places - self.lo) / self.cell_mm).astype(np.int64) + _MARGIN
        inside = ((cells > -_MARGIN) & (cells < (1 << _BITS) - _MARGIN)).all(axis=1)
        asked = np.flatnonzero(inside)
        cells = cells[inside]
        steps = np.arange(-reach, reach + 1)
        columns = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
        base = ((cells[:, None, 0] + columns[:, 0]) << (2 * _BITS)) | ((cells[:, None, 1] + columns[:, 1]) << _BITS)
        starts = np.searchsorted(self.keys, base + (cells[:, None, 2] - reach))
        ends = np.searchsorted(self.keys, base + (cells[:, None, 2] + reach), side="right")
        counts = ends - starts
        totals = np.cumsum(counts.sum(axis=1))
        cuts = np.searchsorted(totals, np.arange(_PAIRS_A_CHUNK, (totals[-1] if len(totals) else 0), _PAIRS_A_CHUNK))
        for part in np.split(np.arange(len(asked)), np.unique(cuts)):
            if len(part) and counts[part].any():
                each = counts[part].ravel()
                yield np.repeat(asked[part], counts[part].sum(axis=1)), self.order[_ranges(starts[part].ravel(), each)]


def grid_of(columns: NDArray[np.floating], cell_mm: float) -> Grid:
    """Sort (3, n) points, n ≥ 1, into cells at least so wide (wider where the whole would need too many)."""
    lo = columns.min(axis=1).astype(np.float64)
    span = float((columns.max(axis=1) - lo).max())
    cell = max(cell_mm, span / (2**_BITS - 4 * _MARGIN), 1e-9)
    keys = np.zeros(columns.shape[1], dtype=np.int64)
    for axis in range(3):
        keys <<= _BITS
        keys |= ((columns[axis] - lo[axis]) / cell).astype(np.int64) + _MARGIN
    order = np.argsort(keys, kind="stable")
    return Grid(columns, order, keys[order], lo, cell)


def _ranges(starts: Rows, counts: Rows) -> Rows:
    """The numbers starts[i] … starts[i] + counts[i] − 1, one range after the other."""
    ends = np.cumsum(counts)
    return np.asarray(np.arange(ends[-1]) + np.repeat(starts - ends + counts, counts), dtype=np.int64)
