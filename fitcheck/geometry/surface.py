"""A triangle surface cut into tiles, so that a query reads only the triangles that can matter.

Sort the triangles by the Morton code of their centroids, cut them into tiles of
about 256, keep each tile's axis-aligned box. Everything is a plain array, so a
prepared surface can be memory-mapped from disk.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

TILE_SIZE = 256
_CHUNK = 1 << 20


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
        return np.arange(ends[-1]) - np.repeat(ends - counts, counts) + np.repeat(self.starts[tiles], counts)

    def triangles(self, rows: NDArray[np.int64]) -> Floats:
        """Corners (k, 3, 3) of the triangles in the given rows of ``faces``."""
        return np.asarray(self.vertices[np.asarray(self.faces[rows])], dtype=np.float64)


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
        return TiledSurface(
            np.empty((0, 3)), np.empty((0, 3), np.int32), np.zeros(1, np.int64), np.empty((0, 2, 3))
        )
    lo, hi = vertices.min(axis=0), vertices.max(axis=0)
    codes = np.empty(len(faces), dtype=np.uint64)
    for start in range(0, len(faces), _CHUNK):
        part = faces[start : start + _CHUNK]
        centroids = vertices[part[:, 0]]
        centroids += vertices[part[:, 1]]
        centroids += vertices[part[:, 2]]
        centroids /= 3.0
        codes[start : start + _CHUNK] = morton_codes(centroids, lo, hi)
    faces = faces[np.argsort(codes, kind="stable")]
    del codes
    vertices, faces = _in_first_use_order(vertices, faces)
    starts = np.append(np.arange(0, len(faces), tile_size, dtype=np.int64), len(faces))
    return TiledSurface(vertices, faces, starts, _tile_boxes(vertices, faces, starts))


def _in_first_use_order(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    flat = faces.ravel()
    first = np.full(len(vertices), len(flat), dtype=np.int64)
    first[flat[::-1]] = np.arange(len(flat) - 1, -1, -1, dtype=np.int64)
    order = np.argsort(first, kind="stable")[: int(np.count_nonzero(first < len(flat)))]
    rank = np.empty(len(vertices), dtype=np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    return vertices[order], rank[faces]


def _tile_boxes(vertices: Floats, faces: Ints, starts: NDArray[np.int64]) -> Floats:
    boxes = np.empty((len(starts) - 1, 2, 3))
    tiles_a_chunk = max(1, _CHUNK // max(1, int(starts[1] - starts[0])))
    for first in range(0, len(starts) - 1, tiles_a_chunk):
        last = min(first + tiles_a_chunk, len(starts) - 1)
        begin = starts[first]
        corners = vertices[faces[begin : starts[last]]]
        offsets = starts[first:last] - begin
        boxes[first:last, 0] = np.minimum.reduceat(corners.min(axis=1), offsets, axis=0)
        boxes[first:last, 1] = np.maximum.reduceat(corners.max(axis=1), offsets, axis=0)
    return boxes
