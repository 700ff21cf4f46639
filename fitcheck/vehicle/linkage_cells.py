"""Proof that a linkage's solution exists all over a cell of its coordinates, and bounds of its derivatives there.

Over a cell q₀ ± h the solution is sought in a tube u₀ + B(q − q₀) ± w (B its slope at q₀). With A ≈ (∂F/∂u)⁻¹ and
G(w, q) = F(u₀ + B(q − q₀) + w, q), M ≥ |1 − A ∂F/∂u| over the whole tube and e ≥ |A G(0, q)| over the cell: where
e + M w < w, Newton's map w → w − A G(w, q) takes the tube into itself and contracts, so that each q of the cell has
exactly one solution in it (Krawczyk's operator: Neumaier, Interval Methods for Systems of Equations, 1990, section
5.1). The derivatives then follow from the implicit function theorem:

    ∂F/∂u · u_i = −∂F/∂q_i,     ∂F/∂u · u_ii = −d²F/dt² along (u + t·u_i, q + t·e_i),

solved in enclosures by the same A: u_i = B_i + Y with ∂F/∂u · Y = −∂G/∂q_i, and likewise u_ii.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.intervals import Ball, most, times_matrix
from fitcheck.vehicle.linkage_equations import Linkage, columns, equations, placement, turned
from fitcheck.vehicle.linkage_solve import bends_at, slopes_at, solved

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_WIDER = 1.0 + 1e-8
"""Cells are proven a little beyond their faces: a pose's cell is found in rounded arithmetic."""

_TRIES = 4
_TUBE_GROWTH = 1.5
SPARE_MM = 1e-7
"""A solution is the only one this far beyond its tube, too: it is found with rounding errors."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Middles (n, d) with half widths (n, d), and there: u (n, m), its slopes (d, n, m) and bends (d, n, m)."""

    middle: Floats
    half: Floats
    unknown: Floats
    speeds: Floats
    bends: Floats

    def some(self, rows: NDArray[np.intp] | Flags) -> Cells:
        """The cells of these rows."""
        return Cells(
            self.middle[rows], self.half[rows], self.unknown[rows], self.speeds[:, rows], self.bends[:, rows]
        )

    def reach(self) -> Floats:
        """(n, m): how far u goes from its middle along the slopes."""
        return np.asarray(np.einsum("dnm,nd->nm", np.abs(self.speeds), self.half))


@dataclass(frozen=True, eq=False)
class Bounds:
    """What holds all over each cell. ``tube`` (n, m): w; ∞ where nothing is proven.

    The tube holds one solution at each pose, and none other is within ``SPARE_MM`` of it.

    ``shift`` (2, d, n, 3): magnitudes of the first and second derivatives of the centre's shift;
    ``turn`` (2, d, n, 3, 3): those of the rotation matrix.
    """

    tube: Floats
    shift: Floats
    turn: Floats

    def some(self, rows: NDArray[np.intp] | Flags) -> Bounds:
        """Those of these rows."""
        return Bounds(self.tube[rows], self.shift[:, :, rows], self.turn[:, :, rows])

    @property
    def proven(self) -> Flags:
        return np.asarray(np.isfinite(self.tube).all(axis=1))


def cells_at(linkage: Linkage, middle: Floats, half: Floats, unknown: Floats) -> Cells:
    """Cells with their solution's first and second derivatives in the middle."""
    with np.errstate(all="ignore"):
        here = slopes_at(linkage, unknown, middle)
        known = middle.shape[1]
        speeds = np.stack([-solved(here.by_unknown, here.by_given[..., i]) for i in range(known)])
        second = bends_at(linkage, unknown, middle, speeds)
        bends = np.stack([-solved(here.by_unknown, second[i]) for i in range(known)])
    return Cells(middle, half * _WIDER, unknown, speeds, bends)


def prove(linkage: Linkage, cells: Cells) -> Bounds:
    """Bounds over each of n cells; ∞ where the proof fails (never a guess)."""
    count, known = cells.middle.shape
    found = _nothing(count, known, cells.unknown.shape[1])
    with np.errstate(all="ignore"):
        rows = np.flatnonzero(np.isfinite(cells.bends).all(axis=(0, 2)) & np.isfinite(cells.unknown).all(axis=1))
        bend = np.einsum("dnm,nd->nm", np.abs(cells.bends), cells.half**2)
        spare = 2.0 * SPARE_MM / linkage.scale
        tube = 0.05 * cells.reach() + bend + 2.0 * spare
        for _ in range(_TRIES):
            if len(rows) == 0:
                break
            proof = _tubes(linkage, cells.some(rows), tube[rows])
            held = (proof.needed + spare <= tube[rows]).all(axis=1)
            _take(found, rows[held], _derivatives(linkage, cells.some(rows[held]), proof.some(held)))
            tube[rows] = np.maximum(tube[rows], _TUBE_GROWTH * proof.needed + spare)
            rows = rows[~held & np.isfinite(proof.needed).all(axis=1)]
    return found


def _nothing(count: int, known: int, unknown: int) -> Bounds:
    shift = np.full((2, known, count, 3), np.inf)
    return Bounds(np.full((count, unknown), np.inf), shift, np.full((2, known, count, 3, 3), np.inf))


def _take(found: Bounds, rows: NDArray[np.intp], new: Bounds) -> None:
    fine = new.proven & np.isfinite(new.shift).all(axis=(0, 1, 3)) & np.isfinite(new.turn).all(axis=(0, 1, 3, 4))
    found.tube[rows[fine]] = new.tube[fine]
    found.shift[:, :, rows[fine]], found.turn[:, :, rows[fine]] = new.shift[:, :, fine], new.turn[:, :, fine]


@dataclass(frozen=True, eq=False)
class _Proof:
    """``tube`` (n, m): all enclosures hold over it; ``needed``: ≤ tube where Newton's map keeps inside, else ∞ or more.

    ``near`` A (n, m, m); ``first`` dF along unknowns and coordinates (m + d, n, m); ``off`` M, ``resist`` (1 − M)⁻¹.
    """

    tube: Floats
    needed: Floats
    near: Floats
    first: Ball
    off: Floats
    resist: Floats

    def some(self, rows: Flags) -> _Proof:
        return _Proof(
            self.tube[rows], self.needed[rows], self.near[rows], self.first[:, rows], self.off[rows], self.resist[rows]
        )

    def solved(self, lag: Ball) -> Ball:
        """Y of ∂F/∂u · Y = −lag (d, n, m): Y = −A lag + (1 − A ∂F/∂u) Y, and |Y| ≤ (1 − M)⁻¹ |A lag|."""
        found = -times_matrix(self.near, lag)
        rest = np.einsum("nij,njk,dnk->dni", self.off, self.resist, found.most) * (1.0 + 1e-9)
        return Ball(found.middle, found.lines, found.radius + rest)

    def along(self, vectors: Floats) -> Ball:
        """∂F/∂u times exact vectors (d, n, m)."""
        found = 0.0 * self.first[:1]
        for k in range(vectors.shape[-1]):
            found = found + self.first[k : k + 1] * vectors[:, :, k : k + 1]
        return found


def _over(cells: Cells, tube: Floats) -> tuple[Ball, Ball]:
    """u and q as balls over the cells' tubes, the place in the cell (d numbers in [−1, 1]) as their lines."""
    half = cells.half.T[:, :, None]
    given = tuple(half[i] * np.eye(len(half))[i] for i in range(len(half)))
    lines = tuple(cells.speeds * half * _WIDER)
    return Ball(cells.unknown, lines, tube), Ball(cells.middle, given, np.zeros_like(cells.middle))


def _tubes(linkage: Linkage, cells: Cells, tube: Floats) -> _Proof:
    """Newton's map over tubes of half width ``tube`` (n, m)."""
    count, known = cells.unknown.shape[1], cells.middle.shape[1]
    unknown, given = _over(cells, tube)
    ways = np.eye(count + known)[:, None, :]
    jet = equations(linkage, columns(unknown, ways[..., :count]), columns(given, ways[..., count:]))
    first = jet.parts[1].whole((count + known, *cells.unknown.shape))
    near = _inverse(np.moveaxis(first.middle[:count], 0, -1))
    on_slope, there = _over(cells, np.zeros_like(tube))
    error = times_matrix(near, equations(linkage, columns(on_slope), columns(there)).parts[0][None]).most[0]
    off = _off_unit(near, first[:count])
    resist = _inverse(np.eye(count) - off)
    needed = np.einsum("nij,nj->ni", resist, error) * (1.0 + 1e-6) + 1e-12 / linkage.scale
    # M w + e < w with w > 0 proves at once that the map contracts and that (1 − M)⁻¹ is what it looks like.
    kept = (needed > 0.0) & (np.einsum("nij,nj->ni", off, needed) + error < needed)
    kept = kept.all(axis=1) & (resist >= -1e-12).all(axis=(1, 2))
    return _Proof(tube, np.where(kept[:, None], needed, np.inf), near, first, off, np.maximum(resist, 0.0))


def _inverse(matrix: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError:
        fine = np.abs(np.linalg.det(np.nan_to_num(matrix))) > 0.0
        safe = np.where(fine[:, None, None], np.nan_to_num(matrix), np.eye(matrix.shape[-1]))
        return np.where(fine[:, None, None], np.linalg.pinv(safe), np.nan)


def _off_unit(near: Floats, by_unknown: Ball) -> Floats:
    """(n, m, m): M ≥ |1 − A ∂F/∂u|, its columns along the first axis of ∂F/∂u (m, n, m)."""
    columns_of = times_matrix(near, by_unknown) - np.eye(near.shape[-1])[:, None, :]
    return np.moveaxis(columns_of.most, 0, -1)


def _derivatives(linkage: Linkage, cells: Cells, proof: _Proof) -> Bounds:
    """Enclosures of u_i and u_ii over proven tubes, and what they mean for the placement."""
    known = cells.middle.shape[1]
    unknown, given = _over(cells, proof.tube)
    speeds = proof.solved(proof.first[-known:] + proof.along(cells.speeds)) + cells.speeds
    ways = np.eye(known)[:, None, :]
    path = columns(given, ways, 0.0 * ways)
    second = equations(linkage, columns(unknown, speeds, 0.0 * cells.speeds), path).parts[2]
    bends = proof.solved(second + proof.along(cells.bends)) + cells.bends
    at = placement(linkage, columns(unknown, speeds, bends), path)
    shape = (known, len(proof.tube))
    shift = [[np.broadcast_to(most(jet.parts[k]), (*shape, 1))[..., 0] for jet in at.shift] for k in (1, 2)]
    turn = [[np.broadcast_to(most(row.parts[k]), (*shape, 3)) for row in turned(at, np.eye(3)).whole] for k in (1, 2)]
    return Bounds(
        proof.needed,
        np.moveaxis(np.array(shift), 1, -1) * (1.0 + 1e-9) + 1e-12,
        np.moveaxis(np.array(turn), 1, -2) * (1.0 + 1e-9) + 1e-15,
    )
