"""Flaws of the mesh itself: edges that do not fit together, faces without area, doubled, or turned inside out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.borders import Topology
from fitcheck.intake import Mesh
from fitcheck.scan.intake.samples import Places

Rows = NDArray[np.int64]

_FLAT_MM2 = 1e-9
_CLOSED_SHARE = 0.05
"""The area vectors of a closed surface sum to nothing, and those of an open tube nearly; of a sheet to all its area."""


def flaws_of(places: Places, topology: Topology) -> Mesh:
    """Counts over the whole mesh."""
    closed, inward = _inside_out(places, topology)
    return Mesh(
        edges=topology.edge_count,
        border_edges=topology.border_edges,
        crowded_edges=topology.crowded_edges,
        flipped_edges=topology.flipped_edges,
        flat_faces=int(np.count_nonzero(places.areas <= _FLAT_MM2)),
        doubled_faces=_doubled(places, topology),
        closed_faces=closed,
        inward_faces=inward,
    )


def _inside_out(places: Places, topology: Topology) -> tuple[int, int]:
    """Faces of pieces that close around something, and of those whose volume is negative (divergence theorem)."""
    labels, count = topology.pieces, topology.piece_count
    area = np.maximum(np.bincount(labels, places.areas, count), 1e-12)
    sums = np.stack([np.bincount(labels, places.normals[axis], count) for axis in range(3)])
    middle = np.stack([np.bincount(labels, places.areas * places.centres[axis], count) for axis in range(3)]) / area
    # Σ c · n about the piece's own middle: three times its volume
    flux = sum(np.bincount(labels, places.centres[axis] * places.normals[axis], count) for axis in range(3))
    volume = flux - (middle * sums).sum(axis=0)
    faces = np.bincount(labels, minlength=count)
    closed = (np.linalg.norm(sums, axis=0) < _CLOSED_SHARE * area) & (np.abs(volume) > 1e-3 * area**1.5 / 30.0)
    return int(faces[closed].sum()), int(faces[closed & (volume < 0.0)].sum())


def _doubled(places: Places, topology: Topology) -> int:
    """A doubled face crowds every edge at which it has a neighbour: without crowded edges only a piece of two faces can
    be one face twice."""
    if topology.crowded_edges:
        return doubled_faces(places, places.faces)
    twos = np.bincount(topology.pieces, minlength=topology.piece_count) == 2
    return doubled_faces(places, places.faces[twos[topology.pieces]]) if twos.any() else 0


def doubled_faces(places: Places, faces: NDArray[np.int32]) -> int:
    """How many of the faces have the same three corner places as one before them, whichever way they turn."""
    bits = (places.vertices + 0.0).view(np.uint64)
    marks = _mixed(bits[:, 0]) ^ _mixed(bits[:, 1] + np.uint64(0x9E3779B97F4A7C15))
    marks = _mixed(marks ^ _mixed(bits[:, 2] + np.uint64(0x3C6EF372FE94F82A)))
    sums = marks[faces[:, 0]]
    sums += marks[faces[:, 1]]
    sums += marks[faces[:, 2]]
    sums.sort()
    return int(np.count_nonzero(sums[1:] == sums[:-1]))


def _mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Stir 64 bits (splitmix64: Steele, Lea and Flood 2014): of two million sums two agree once in 10⁷ scans."""
    with np.errstate(over="ignore"):
        bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(bits ^ (bits >> np.uint64(31)))
