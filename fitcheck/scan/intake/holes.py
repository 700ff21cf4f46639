"""Where the surface ends: border loops by size and place, told into holes and outer borders."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.borders import Loop, Topology
from fitcheck.intake import Hole
from fitcheck.scan.intake.places_boxes import box_of, own_axes, vector
from fitcheck.scan.intake.samples import Places

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

OUTER_SHARE = 0.8
"""A loop that spans so much of its piece along its two longest directions is where the piece ends, not a hole in it."""

_ASKED_FACES = 4000


def holes_of(places: Places, topology: Topology) -> tuple[tuple[Hole, ...], tuple[Loop, ...]]:
    """The loops with their size and place, the longest across first, and the loops themselves in that order."""
    outer = _outer(places, topology)
    found = [(_hole(places.vertices, loop, outer=row in outer), loop) for row, loop in enumerate(topology.loops)]
    found.sort(key=lambda pair: (-pair[0].across_mm, -pair[0].edge_mm))
    numbered = tuple(Hole(**{**vars(hole), "number": number}) for number, (hole, _) in enumerate(found, start=1))
    return numbered, tuple(loop for _, loop in found)


def _hole(vertices: Floats, loop: Loop, *, outer: bool) -> Hole:
    corners = vertices[loop.corners]
    ahead = np.roll(corners, -1, axis=0)
    sides = np.linalg.norm(ahead - corners, axis=1)
    if not loop.closed:
        corners, ahead, sides = corners[:-1], ahead[:-1], sides[:-1]
    spans = np.sort(own_axes(vertices[loop.corners])[1])[::-1]
    # the mean of the edge, each side by its length: close corners do not pull it to them
    middle = (0.5 * (corners + ahead) * sides[:, None]).sum(axis=0) / max(float(sides.sum()), 1e-12)
    return Hole(
        number=0,
        across_mm=float(spans[0]),
        narrow_mm=float(spans[1]),
        edge_mm=float(sides.sum()),
        edges=len(sides),
        place_mm=vector(middle),
        box_mm=box_of(vertices[loop.corners]),
        piece=loop.piece,
        outer=outer,
        closed=loop.closed,
    )


def _outer(places: Places, topology: Topology) -> set[int]:
    """Which loops are the outer border of their piece, at most one each: the longest, where it spans the piece."""
    longest: dict[int, tuple[int, int]] = {}
    for row, loop in enumerate(topology.loops):
        if len(loop.corners) > longest.get(loop.piece, (0, -1))[0]:
            longest[loop.piece] = len(loop.corners), row
    faces = _faces_of(topology, np.array(sorted(longest), dtype=np.int64))
    return {row for piece, (_, row) in longest.items() if _spans(places, faces[piece], topology.loops[row])}


def _faces_of(topology: Topology, pieces: Rows) -> dict[int, Rows]:
    """Some faces of each piece, spread evenly over it; one pass for all."""
    if len(pieces) == 0:
        return {}
    mask = np.zeros(topology.piece_count, dtype=bool)
    mask[pieces] = True
    rows = np.flatnonzero(mask[topology.pieces])
    labels = topology.pieces[rows]
    if (np.diff(labels) < 0).any():
        order = np.argsort(labels, kind="stable")
        rows, labels = rows[order], labels[order]
    parts = np.split(rows, np.searchsorted(labels, pieces[1:]))
    return {int(piece): part[:: max(1, len(part) // _ASKED_FACES)] for piece, part in zip(pieces, parts, strict=True)}


def _spans(places: Places, faces: Rows, loop: Loop) -> bool:
    corners = places.vertices[places.faces[faces, 0]]
    axes, spans = own_axes(np.concatenate([corners, places.vertices[loop.corners]]))
    own = np.ptp(places.vertices[loop.corners] @ axes.T, axis=0)
    two = np.argsort(-spans)[:2]
    return bool((own[two] >= OUTER_SHARE * spans[two]).all())
