"""Connected pieces that a person should look at: specks in mid-air, and pieces that lie inside others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.borders import Topology
from fitcheck.geometry.inside import winding_numbers
from fitcheck.intake import Pieces, Speck, Within
from fitcheck.scan.intake.places_boxes import vector
from fitcheck.scan.intake.samples import Places

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Mask = NDArray[np.bool_]

FEW_FACES = 500
"""A speck has at most so many, and at most a hundredth of all …"""

ALONE_MM = 30.0
"""… and no larger piece within this (common practice)."""

_SHARE_OF_ALL = 0.01
_ASKED_POINTS = 8
_IN = 0.5  # the winding number of a point that has more metal around it than open sky
_MOST_INNER, _MOST_PRODUCTS = 40, 4_000_000


@dataclass(frozen=True, eq=False)
class Boxes:
    """Of each piece (p): its faces, its area in mm², its box ``lo``, ``hi`` (p, 3), less the places' origin."""

    counts: Rows
    areas: Floats
    lo: Floats
    hi: Floats


def boxes_of(places: Places, topology: Topology) -> Boxes:
    """The pieces' boxes, from the corners of small pieces and the centres of faces of large ones."""
    labels, count = topology.pieces, topology.piece_count
    counts = np.bincount(labels, minlength=count)
    lo, hi = np.full((3, count), np.inf, dtype=np.float32), np.full((3, count), -np.inf, dtype=np.float32)
    for axis in range(3):
        np.minimum.at(lo[axis], labels, places.centres[axis])
        np.maximum.at(hi[axis], labels, places.centres[axis])
    areas = np.bincount(labels, places.areas, count).astype(np.float64)
    found = Boxes(counts.astype(np.int64), areas, lo.T.astype(np.float64), hi.T.astype(np.float64))
    small = np.flatnonzero((counts <= FEW_FACES)[labels])
    for corner in range(3):
        at = places.vertices[places.faces[small, corner]] - places.origin
        np.minimum.at(found.lo, labels[small], at)
        np.maximum.at(found.hi, labels[small], at)
    return found


def loose_pieces(places: Places, topology: Topology, boxes: Boxes) -> Pieces:
    """Specks, and pieces inside others; numbered, the largest first."""
    small = boxes.counts <= min(FEW_FACES, max(1, int(_SHARE_OF_ALL * places.count)))
    small[np.argmax(boxes.counts)] = False  # what is largest is what was scanned
    alone = np.flatnonzero(small)
    if len(alone):
        alone = alone[~_near_larger(places, topology, alone, small)]
    alone = alone[np.argsort(-boxes.counts[alone], kind="stable")]
    specks = tuple(
        Speck(number, *_where(places, boxes, piece), int(boxes.counts[piece]), piece)
        for number, piece in enumerate(alone.tolist(), start=1)
    )
    return Pieces(topology.piece_count, specks, int(small.sum()) - len(alone), _within(places, topology, boxes, alone),
                  FEW_FACES, ALONE_MM)  # fmt: skip


def _where(places: Places, boxes: Boxes, piece: int) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    lo, hi = boxes.lo[piece], boxes.hi[piece]
    return vector(0.5 * (lo + hi) + places.origin), vector(hi - lo)


def _rows_by_piece(topology: Topology, wanted: Rows) -> dict[int, Rows]:
    """The faces of each wanted piece."""
    mask = np.zeros(topology.piece_count, dtype=bool)
    mask[wanted] = True
    rows = np.flatnonzero(mask[topology.pieces])
    rows = rows[np.argsort(topology.pieces[rows], kind="stable")]
    found, starts = np.unique(topology.pieces[rows], return_index=True)
    if len(found) == 0:
        return {}
    return {int(piece): part for piece, part in zip(found, np.split(rows, starts[1:]), strict=True)}


def _near_larger(places: Places, topology: Topology, asked: Rows, small: Mask) -> Mask:
    """Which of the asked pieces have a face of a larger one within reach, corner to centre or nearer."""
    parts = _rows_by_piece(topology, asked)
    picked = {piece: _even(rows, _ASKED_POINTS) for piece, rows in parts.items()}
    points = np.concatenate([places.vertices[places.faces[picked[piece], 0]] for piece in asked.tolist()])
    owner = np.repeat(np.arange(len(asked)), [len(picked[piece]) for piece in asked.tolist()])
    points_at, rows = places.grid.near(points - places.origin, ALONE_MM)
    near = np.zeros(len(asked), dtype=bool)
    near[owner[points_at[~small[topology.pieces[rows]]]]] = True
    return near


def _even(rows: Rows, most: int) -> Rows:
    return rows[np.linspace(0, len(rows) - 1, min(most, len(rows))).astype(np.int64)]


def _within(places: Places, topology: Topology, boxes: Boxes, specks: Rows) -> tuple[Within, ...]:
    """Pieces whose box lies in a larger one's box, asked by the winding number of that one at three of their points."""
    ranked = np.argsort(-boxes.counts, kind="stable")
    inner = ranked[np.isin(ranked, specks, invert=True)][:_MOST_INNER]
    pairs = [(int(a), int(b)) for a in inner for b in _around(boxes, int(a))]
    rows = _rows_by_piece(topology, np.unique(np.array([one for pair in pairs for one in pair], dtype=np.int64)))
    found: dict[int, tuple[float, int]] = {}
    spent = 0
    for a, b in pairs:
        spent += 3 * int(boxes.counts[b])
        if spent > _MOST_PRODUCTS or a in found:
            continue
        points = places.vertices[places.faces[_even(rows[a], 3), 0]]
        share = float(winding_numbers(points, places.vertices, places.faces[rows[b]]).min())
        if share > _IN:
            found[a] = share, b
    return tuple(
        Within(number, *_where(places, boxes, piece), int(boxes.counts[piece]), share,
               (vector(boxes.lo[around] + places.origin), vector(boxes.hi[around] + places.origin)))
        for number, (piece, (share, around)) in enumerate(found.items(), start=1)
    )  # fmt: skip


def _around(boxes: Boxes, piece: int) -> Rows:
    """Pieces of more area whose box holds this one's, the smallest first."""
    holds = ((boxes.lo <= boxes.lo[piece]) & (boxes.hi >= boxes.hi[piece])).all(axis=1)
    holds &= boxes.areas > boxes.areas[piece]
    rows = np.flatnonzero(holds)
    return np.asarray(rows[np.argsort(boxes.areas[rows], kind="stable")], dtype=np.int64)
