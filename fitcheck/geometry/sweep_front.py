"""Boxes of poses that are still open, as columns, and what is kept with each of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

_COLUMNS = ("question", "first", "second", "low", "high", "lower_mm", "gain")
_PAIRS_A_CALL = 20_000
_ASKED_ATOMS = 256
_MANY_ATOMS = 1024


class Question(Protocol):
    """What is asked of one part of the travel."""

    @property
    def start_mm(self) -> float: ...
    @property
    def start_pose(self) -> Floats | None: ...
    @property
    def tolerance_mm(self) -> float: ...
    @property
    def enough_mm(self) -> float: ...


@dataclass
class Front:
    """Boxes of poses, one a row: which question, which pieces, limits (n, d), bound, use of a cut (n, d).

    ``near`` has for each box the second thing's atoms that can matter (a,) and the directions from them (a, 3).
    """

    question: Rows
    first: Rows
    second: Rows
    low: Floats
    high: Floats
    lower_mm: Floats
    gain: Floats
    near: list[tuple[Rows, Floats]]

    def __len__(self) -> int:
        return len(self.question)

    def at(self, rows: Rows) -> Front:
        """Some of the boxes, in that order."""
        near = [self.near[k] for k in rows]
        return Front(near=near, **{name: getattr(self, name)[rows] for name in _COLUMNS})

    def and_also(self, more: Front) -> Front:
        """Both together."""
        arrays = {name: np.concatenate([getattr(self, name), getattr(more, name)]) for name in _COLUMNS}
        return Front(near=self.near + more.near, **arrays)

    @property
    def wide(self) -> Flags:
        return np.asarray((self.high > self.low).any(axis=1))


def portions(rows: Rows, front: Front) -> list[Rows]:
    """Cut a list of boxes so that no part has too many pairs."""
    pairs = np.cumsum([len(front.near[k][0]) for k in rows])
    if len(rows) == 0 or pairs[-1] <= _PAIRS_A_CALL:
        return [rows]
    return [some for some in np.split(rows, np.flatnonzero(np.diff(pairs // _PAIRS_A_CALL)) + 1) if len(some)]


def spans(rows: Rows, count: int) -> list[tuple[int, slice]]:
    """Where in ascending rows each of ``count`` boxes is."""
    ends = np.searchsorted(rows, np.arange(count + 1))
    return [(k, slice(int(ends[k]), int(ends[k + 1]))) for k in range(count)]


def without(near: tuple[Rows, Floats], atoms: Rows, directions: Floats, far: Flags) -> tuple[Rows, Floats]:
    """The near atoms of a box, those asked with their new directions, less those too far."""
    if len(atoms) == len(near[0]):
        return (atoms[~far], directions[~far]) if far.any() else (atoms, directions)
    places = np.searchsorted(near[0], atoms)
    better = near[1].copy()
    better[places] = directions
    keep = np.ones(len(near[0]), dtype=bool)
    keep[places[far]] = False
    return near[0][keep], better[keep]


def nearest_looking(front: Front, rows: Rows, gaps: Floats, others_mm: Floats) -> Flags:
    """Where very many atoms are left of a whole motion, only those that look nearest are asked at first.

    The pose that they yield is what makes the rest too far, and the boxes round them bound them till then.
    """
    wide, keep = front.wide, np.ones(len(rows), dtype=bool)
    for k, span in spans(rows, len(front)):
        if span.stop - span.start > _MANY_ATOMS and front.lower_mm[k] == -np.inf and wide[k]:
            order = np.argpartition(gaps[span], _ASKED_ATOMS)
            keep[span.start + order[_ASKED_ATOMS:]] = False
            others_mm[k] = gaps[span][order[_ASKED_ATOMS:]].min()
    return keep


def between_boxes(boxes: Floats, outer: Floats) -> Floats:
    """Where to begin: the shortest way from each box (m, 2, 3) to the outer one, or from centre to centre."""
    way = np.maximum(outer[:, 0] - boxes[:, 1], 0.0) - np.maximum(boxes[:, 0] - outer[:, 1], 0.0)
    with np.errstate(invalid="ignore"):
        centres = np.nan_to_num(outer.mean(axis=1) - boxes.mean(axis=1), posinf=0.0, neginf=0.0)
    return np.asarray(np.where(way.any(axis=1, keepdims=True), way, centres + 1e-9))
