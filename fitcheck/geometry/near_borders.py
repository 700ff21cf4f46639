"""Whether a point lies where a surface would go on behind one of its borders.

A tube of which a length was not seen leaves stubs with open ends. A point in the missing length is far from all that
is left of the tube, and often nearer to the front of something else; but it sees the stub's border from behind, on
all sides, and lies beyond it rather than below it. So does a point before the mouth of a pipe that truly ends: the two
look the same. A point beside a tube sees borders through holes in its wall too, but not from behind that wall.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.first_hits import Neighbourhood, cell_boxes
from fitcheck.geometry.pseudo_normals import WELD_MM
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_CELL_MM = 100.0
_LEAST_BEYOND = 0.5
_GAP_MM, _ACROSS_MM = 20.0, 10.0
_WIDEST_GAP_DEG = 160.0


def in_a_continued_tube(surface: TiledSurface, near: Neighbourhood, points: Floats, reach_mm: float) -> Flags:
    """Which of (n, 3) points lie beyond and behind borders on all sides, within ``reach_mm`` and in free sight.

    Beyond: past the edge, in the plane of its triangle, by half of how far it is below that plane. ``near`` must hold
    all triangles within reach. A triangle without area has no border, and a hole that closes again within 20 mm none
    that counts.
    """
    within = np.zeros(len(points), dtype=bool)
    if len(points) == 0:
        return within
    middles, normals, outward = _wide_borders(near, *_border_edges(_within(surface, points, reach_mm)))
    for k, point in enumerate(points):
        away = point - middles
        below, beyond = -np.einsum("ei,ei->e", away, normals), np.einsum("ei,ei->e", away, outward)
        lengths = np.linalg.norm(away, axis=1)
        rows = np.flatnonzero((below > 0.0) & (beyond > _LEAST_BEYOND * below) & (lengths < reach_mm))
        within[k] = len(rows) > 2 and _all_round(normals[rows[near.sees(point, middles[rows])]])
    return within


def _wide_borders(near: Neighbourhood, edges: Floats, normals: Floats) -> tuple[Floats, Floats, Floats]:
    """Middles, normals, and ways out (e, 3) of the border edges past which the surface does not soon go on."""
    middles, along = edges.mean(axis=1), edges[:, 1] - edges[:, 0]
    outward = np.cross(along, normals) / np.linalg.norm(along, axis=1)[:, None]
    if len(edges):
        wide = near.nearest(middles + _GAP_MM * outward)[0] > _ACROSS_MM
        middles, normals, outward = middles[wide], normals[wide], outward[wide]
    return middles, normals, outward


def _all_round(normals: Floats) -> bool:
    """Whether unit vectors (k, 3), seen along the axis that they are most square to, leave no gap of 160° or more."""
    if len(normals) < 3:
        return False
    plane = np.linalg.eigh(normals.T @ normals)[1][:, 1:]
    across = normals @ plane
    across = across[np.linalg.norm(across, axis=1) > 0.5]
    turns = np.sort(np.degrees(np.arctan2(across[:, 1], across[:, 0])))
    return len(turns) > 2 and bool(np.diff(np.append(turns, turns[0] + 360.0)).max() < _WIDEST_GAP_DEG)


def _within(surface: TiledSurface, points: Floats, reach_mm: float) -> Floats:
    tiles = np.zeros(surface.tile_count, dtype=bool)
    for box in cell_boxes(points, _CELL_MM):
        tiles |= box_gaps(surface.boxes[:, 0], surface.boxes[:, 1], box[0], box[1]) <= reach_mm
    return surface.triangles(surface.face_rows(np.flatnonzero(tiles)))


def _border_edges(corners: Floats) -> tuple[Floats, Floats]:
    """The edges (e, 2, 3) that only one of the triangles (n, 3, 3) has, and the unit normals (e, 3)."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    corners, normals = corners[normals.any(axis=1)], normals[normals.any(axis=1)]
    keys = _numbers(corners)
    starts, ends = keys.ravel(), keys[:, (1, 2, 0)].ravel()
    pairs = _paired(np.minimum(starts, ends), np.maximum(starts, ends))
    _, first, counts = np.unique(pairs, return_index=True, return_counts=True)
    rows, side = np.divmod(first[counts == 1], 3)
    edges = np.stack([corners[rows, side], corners[rows, (side + 1) % 3]], axis=1)
    return edges, normals[rows] / np.linalg.norm(normals[rows], axis=1)[:, None]


def _numbers(corners: Floats) -> NDArray[np.uint64]:
    """A number (n, 3) for the welded place of each corner; that two places share one is as good as excluded."""
    grid = np.rint(corners / WELD_MM).astype(np.int64).astype(np.uint64)
    mixed = np.zeros(grid.shape[:2], dtype=np.uint64)
    for axis in range(3):
        mixed = _stirred(mixed ^ grid[:, :, axis])
    return mixed


def _paired(low: NDArray[np.uint64], high: NDArray[np.uint64]) -> NDArray[np.uint64]:
    return _stirred(_stirred(low) ^ high)


def _stirred(numbers: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """One to one on 64 bits, with every bit of the outcome depending on all before it (Vigna's splitmix64)."""
    numbers = numbers + np.uint64(0x9E3779B97F4A7C15)
    numbers = (numbers ^ (numbers >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    numbers = (numbers ^ (numbers >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(numbers ^ (numbers >> np.uint64(31)))
