"""A triangle surface cut into tiles, so that a query reads only the triangles that can matter.

Sort the triangles by the Morton code of their centroids, cut them into tiles of
about 256, keep each tile's axis-aligned box. Everything is a plain array, so a
prepared surface can be memory-mapped from disk.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

TILE_SIZE = 256
_CHUNK = 1 << 16  # rows at a time: the temporaries stay in the processor's cache


@dataclass(frozen=True, eq=False)
class TiledSurface:
    """Triangles in tile order.

    ``vertices`` (n, 3) float64 mm; ``faces`` (m, 3) int32 in tile order;
    ``starts`` (t + 1,) int64: tile k is ``faces[starts[k]:starts[k + 1]]``;
    ``boxes`` (t, 2, 3) float64: least and greatest corner of each tile.
    An empty surface has no faces, no tiles and ``starts == [0]``.
    """

    vertices: Floats
    faces: Ints
    starts: NDArray[np.int64]
    boxes: Floats

    @property
    def tile_count(self) -> int:
        return len(self.boxes)

    @property
    def triangle_count(self) -> int:
        return len(self.faces)

    def face_rows(self, tiles: NDArray[np.intp]) -> NDArray[np.int64]:
        """Row numbers in ``faces`` of all triangles in the given tiles, ascending by tile order."""
        if len(tiles) == 0:
            return np.empty(0, dtype=np.int64)
        counts = self.starts[tiles + 1] - self.starts[tiles]
        ends = np.cumsum(counts)
        rows = np.arange(ends[-1]) - np.repeat(ends - counts, counts) + np.repeat(self.starts[tiles], counts)
        return np.asarray(rows, dtype=np.int64)

    def triangles(self, rows: NDArray[np.int64]) -> Floats:
        """Corners (k, 3, 3) of the triangles in the given rows of ``faces``."""
        faces = np.asarray(self.faces[rows])
        if len(faces) and not 0 <= int(faces.min()) <= int(faces.max()) < len(self.vertices):
            raise InternalError("a face names a vertex that is not there")
        return np.asarray(self.vertices[faces], dtype=np.float64)


def morton_codes(points: Floats, lo: Floats, hi: Floats) -> NDArray[np.uint64]:
    """63-bit Morton codes of (n, 3) points inside the box ``lo`` … ``hi`` (21 bits an axis)."""
    span = np.where(hi > lo, hi - lo, 1.0)
    scaled = np.clip((points - lo) * ((2**21 - 1) / span), 0, 2**21 - 1).astype(np.uint64)
    code = np.zeros(len(points), dtype=np.uint64)
    for axis in range(3):
        code |= _spread_bits(scaled[:, axis]) << np.uint64(2 - axis)
    return code


def _spread_bits(value: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Put two zero bits between each of the lowest 21 bits."""
    for shift, mask in (
        (32, 0x1F00000000FFFF),
        (16, 0x1F0000FF0000FF),
        (8, 0x100F00F00F00F00F),
        (4, 0x10C30C30C30C30C3),
        (2, 0x1249249249249249),
    ):
        value = (value | (value << np.uint64(shift))) & np.uint64(mask)
    return value


def tile_surface(vertices: Floats, faces: Ints, tile_size: int = TILE_SIZE) -> TiledSurface:
    """Sort triangles along a Morton curve and cut them into tiles of ``tile_size``.

    ``vertices`` (n, 3) mm, finite; ``faces`` (m, 3) with valid indices. Vertices are
    put in the order of their first use, so that a tile reads neighbouring memory;
    unused vertices are dropped. No faces: an empty surface.
    """
    vertices = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    faces = np.asarray(faces, dtype=np.int32).reshape(-1, 3)
    if len(faces) == 0:
        return TiledSurface(np.empty((0, 3)), np.empty((0, 3), np.int32), np.zeros(1, np.int64), np.empty((0, 2, 3)))
    codes = _centroid_codes(vertices, faces)
    faces = np.take(faces, np.argsort(codes, kind="stable"), axis=0)
    del codes
    vertices, faces = _in_first_use_order(vertices, faces)
    starts = np.append(np.arange(0, len(faces), tile_size, dtype=np.int64), len(faces))
    return TiledSurface(vertices, faces, starts, _tile_boxes(vertices, faces, starts))


def _centroid_codes(vertices: Floats, faces: Ints) -> NDArray[np.uint64]:
    lo = np.array([vertices[:, axis].min() for axis in range(3)])  # a column at a time is ten times faster
    hi = np.array([vertices[:, axis].max() for axis in range(3)])
    codes = np.empty(len(faces), dtype=np.uint64)
    for start in range(0, len(faces), _CHUNK):
        part = faces[start : start + _CHUNK]
        centroids = np.take(vertices, part[:, 0], axis=0)
        centroids += np.take(vertices, part[:, 1], axis=0)
        centroids += np.take(vertices, part[:, 2], axis=0)
        centroids /= 3.0
        codes[start : start + _CHUNK] = morton_codes(centroids, lo, hi)
    return codes


def _in_first_use_order(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    flat = faces.ravel()
    rows = np.arange(len(flat), dtype=np.int32 if len(flat) < 2**31 else np.int64)
    first = np.empty(len(vertices), dtype=rows.dtype)
    first[flat[::-1]] = rows[::-1]  # where a vertex stands several times, the last written is its first use
    order = flat[first[flat] == rows]
    del rows, first
    rank = np.empty(len(vertices), dtype=np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    return np.take(vertices, order, axis=0), np.take(rank, faces)


def _tile_boxes(vertices: Floats, faces: Ints, starts: NDArray[np.int64]) -> Floats:
    """Boxes (t, 2, 3), an axis at a time: short rows of three would cost five times as much."""
    boxes = np.empty((len(starts) - 1, 2, 3))
    tiles_a_chunk = max(1, 4 * _CHUNK // max(1, int(starts[1] - starts[0])))
    for axis in range(3):
        places = np.ascontiguousarray(vertices[:, axis])
        for first in range(0, len(starts) - 1, tiles_a_chunk):
            last = min(first + tiles_a_chunk, len(starts) - 1)
            corners = np.take(places, faces[starts[first] : starts[last]].ravel())
            offsets = 3 * (starts[first:last] - starts[first])
            boxes[first:last, 0, axis] = np.minimum.reduceat(corners, offsets)
            boxes[first:last, 1, axis] = np.maximum.reduceat(corners, offsets)
    return boxes
