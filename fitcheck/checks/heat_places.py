"""Where heat is asked: points on a part's surface, and places on the scanned metal near other things."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.skin import lattice_points, skin
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = NDArray[np.intp]

def skin_of(solids: Sequence[Solid], spacing_mm: float) -> tuple[Floats, Ints, float]:
    """The skins of several solids as one: points, faces, cover."""
    skins = [skin(solid, spacing_mm) for solid in solids]
    starts = np.cumsum([0] + [len(some.points_mm) for some in skins])
    faces = [some.faces + np.int32(start) for some, start in zip(skins, starts[:-1], strict=True)]
    points = np.concatenate([some.points_mm for some in skins])
    return points, np.concatenate(faces).astype(np.int32), max(some.cover_mm for some in skins)


@dataclass(frozen=True, eq=False)
class Samples:
    """Places on the scan: first its vertices ``rows``, then places between, each with the vertices it speaks for."""

    rows: Rows
    faces: Ints  # of the vertices' own numbers
    points: Floats
    owners: Rows  # (k, 2): place number, vertex number
    cover_mm: float

    def lowest(self, order: Rows) -> Rows:
        """For each vertex the place that comes first in ``order`` of its own and those that it stands for."""
        rank = np.empty(len(order), dtype=np.int64)
        rank[order] = np.arange(len(order))
        least = rank[: len(self.rows)].copy()
        np.minimum.at(least, self.owners[:, 1], rank[self.owners[:, 0]])
        return np.asarray(order[least])


def _near_faces(surface: TiledSurface, boxes: Sequence[tuple[Floats, float]]) -> Ints:
    """The triangles (k, 3) that come within the reach of one of the boxes."""
    real = [(box, reach) for box, reach in boxes if (box[0] <= box[1]).all()]
    tiles = np.zeros(surface.tile_count, dtype=bool)
    for box, reach in real:
        tiles |= box_gaps(surface.boxes[:, 0], surface.boxes[:, 1], box[0], box[1]) <= reach
    faces = np.asarray(surface.faces[surface.face_rows(np.flatnonzero(tiles))])
    corners = surface.vertices[faces]
    low, high, near = corners.min(axis=1), corners.max(axis=1), np.zeros(len(faces), dtype=bool)
    for box, reach in real:
        near |= box_gaps(low, high, box[0], box[1]) <= reach
    return np.asarray(faces[near])


def samples_of(
    surface: TiledSurface, boxes: Sequence[tuple[Floats, float]], spacing_mm: float
) -> Samples:
    """The vertices of near triangles, the middles of edges above the spacing, lattices in triangles twice as long.

    ``boxes``: (2, 3) each with a reach; triangles within it are taken. Of none: an empty set of places.
    """
    rows, numbers = np.unique(_near_faces(surface, boxes), return_inverse=True)
    faces = numbers.reshape(-1, 3).astype(np.int32)
    vertices = np.asarray(surface.vertices[rows], dtype=np.float64)
    following = faces[:, (1, 2, 0)]
    ends = np.stack([np.minimum(faces, following), np.maximum(faces, following)], axis=-1).astype(np.int64)
    lengths = np.linalg.norm(vertices[ends[..., 0]] - vertices[ends[..., 1]], axis=2)
    large = lengths.max(axis=1, initial=0.0) > 2.0 * spacing_mm
    long = ends[(lengths > spacing_mm) & ~large[:, None]]
    keys = np.unique(long[:, 0] * max(1, len(rows)) + long[:, 1])
    halves = np.stack([keys // max(1, len(rows)), keys % max(1, len(rows))], axis=1)
    places, owners = [vertices, vertices[halves].mean(axis=1)], [_owned(len(vertices), halves)]
    inner, of = lattice_points(vertices[faces[large]], spacing_mm)
    owners.append(_owned(len(vertices) + len(halves), faces[large][of]))
    cover = float(min(lengths.max(initial=0.0), spacing_mm)) / np.sqrt(3.0)
    return Samples(rows.astype(np.intp), faces, np.concatenate([*places, inner]), np.concatenate(owners), cover)


def _owned(first: int, vertices: NDArray[np.integer]) -> Rows:
    """Place numbers from ``first`` on, each beside every vertex of its row."""
    count, each = vertices.shape
    return np.stack([np.repeat(first + np.arange(count), each), vertices.ravel()], axis=1).astype(np.intp)
