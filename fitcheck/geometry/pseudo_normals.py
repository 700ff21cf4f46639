"""On which side of its nearest triangle a point lies, also where the nearest place is an edge or a corner.

The sign is that of the angle-weighted pseudo-normal (Bærentzen and Aanæs, "Signed distance computation using
the angle weighted pseudonormal", 2005): right on faces, edges and corners of surfaces that are consistent there.
Where they are not, the sign means nothing and is not given: on a border, on an edge of more than two faces, where
neighbours wind against each other, at a corner where two fans meet, on a triangle without area.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.first_hits import cell_boxes
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Signs = NDArray[np.int8]
Corner = tuple[int, int, int]

WELD_MM = 1e-3
"""Corners that round to the same thousandth of a millimetre are one."""

_ON_MM = 1e-6
_CELL_MM = 32.0
_LEAST_SINE = 1e-6


def signs(surface: TiledSurface, points: Floats, rows: Rows, places: Floats) -> Signs:
    """+1 in front of the surface, −1 behind it, 0 where that cannot be told, for each of (n, 3) points.

    ``rows`` (n,) are the nearest triangles in the surface and ``places`` (n, 3) the nearest points on them.
    """
    corners = surface.triangles(rows)
    away = points - places
    normals, where = _face_normals(corners), _features(corners, places)
    sine = np.einsum("ni,ni->n", away, normals)
    if (where != 0).any():
        fans = _Fans.of(surface, corners[where != 0])
        for k in np.flatnonzero(where):
            normal = fans.normal(_keys(corners[k]), int(where[k]))
            sine[k] = 0.0 if normal is None else away[k] @ normal
    least = _LEAST_SINE * np.linalg.norm(away, axis=1)
    return np.where(sine > least, 1, np.where(sine < -least, -1, 0)).astype(np.int8)


def _face_normals(corners: Floats) -> Floats:
    """Unit normals (n, 3); zero for a triangle without area."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    longest = np.linalg.norm(corners[:, (1, 2, 0)] - corners, axis=2).max(axis=1)
    real = size > _ON_MM * longest
    return np.asarray(np.where(real[:, None], normals / np.where(real, size, 1.0)[:, None], 0.0))


def _features(corners: Floats, places: Floats) -> NDArray[np.int64]:
    """Which feature a place is on: 0 the face, otherwise a set of bits: 1, 2, 4 for being on the edge that starts
    at corner 0, 1, 2 (two bits: at the corner between them). A triangle without area is all edges (7)."""
    edges = corners[:, (1, 2, 0)] - corners
    lengths = np.linalg.norm(edges, axis=2)
    off = np.linalg.norm(np.cross(places[:, None] - corners, edges), axis=2) / np.where(lengths > 0.0, lengths, 1.0)
    return np.asarray(((off <= _ON_MM) * np.array([1, 2, 4])).sum(axis=1))


_EDGE = {1: (0, 1), 2: (1, 2), 4: (2, 0)}
_CORNER = {5: 0, 3: 1, 6: 2}


@dataclass(frozen=True)
class _Fans:
    """The triangles round some corners, by welded place; each as its three corners' keys and unit normal."""

    round: dict[Corner, list[tuple[tuple[Corner, Corner, Corner], Floats, Floats]]]

    @classmethod
    def of(cls, surface: TiledSurface, wanted: Floats) -> _Fans:
        """The fans of all corners of the ``wanted`` triangles (k, 3, 3)."""
        places = wanted.reshape(-1, 3)
        corners = _touching(surface, places)
        keys, names = _grid(corners), {_key(row) for row in _grid(places)}
        found: dict[Corner, list[tuple[tuple[Corner, Corner, Corner], Floats, Floats]]] = {name: [] for name in names}
        normals, angles = _face_normals(corners), _angles(corners)
        for k, three in enumerate(keys.tolist()):
            named = (tuple(three[0]), tuple(three[1]), tuple(three[2]))
            if len(set(named)) == 3:
                for name in named:
                    if name in found:
                        found[name].append((named, normals[k], angles[k]))
        return cls({name: _once(fan) for name, fan in found.items()})

    def normal(self, three: tuple[Corner, Corner, Corner], where: int) -> Floats | None:
        """The pseudo-normal of an edge or corner of a triangle; None where the surface is not consistent."""
        if where in _EDGE:
            return self._of_edge(*(three[k] for k in _EDGE[where]))
        return self._of_corner(three[_CORNER[where]]) if where in _CORNER else None

    def _of_edge(self, start: Corner, end: Corner) -> Floats | None:
        forth = [normal for three, normal, _ in self.round[start] if _runs(three, start, end)]
        back = [normal for three, normal, _ in self.round[start] if _runs(three, end, start)]
        if len(forth) != 1 or len(back) != 1 or not (forth[0].any() and back[0].any()):
            return None
        return np.asarray(forth[0] + back[0])

    def _of_corner(self, corner: Corner) -> Floats | None:
        following: dict[Corner, Corner] = {}
        total = np.zeros(3)
        for three, normal, angles in self.round[corner]:
            k = three.index(corner)
            if three[(k + 1) % 3] in following:
                return None
            following[three[(k + 1) % 3]] = three[(k + 2) % 3]
            total += angles[k] * normal
        return total if _one_ring(following) else None


def _one_ring(following: dict[Corner, Corner]) -> bool:
    """Whether the steps from corner to corner close in one round through all of them."""
    if len(following) < 3:
        return False
    first = at = next(iter(following))
    for _ in range(len(following) - 1):
        step = following.get(at)
        if step is None or step == first:
            return False
        at = step
    return following.get(at) == first


def _runs(three: tuple[Corner, Corner, Corner], start: Corner, end: Corner) -> bool:
    return any(three[k] == start and three[(k + 1) % 3] == end for k in range(3))


def _once(
    fan: list[tuple[tuple[Corner, Corner, Corner], Floats, Floats]],
) -> list[tuple[tuple[Corner, Corner, Corner], Floats, Floats]]:
    """Each triangle once, however often it stands in the file; one that is written the other way round stays."""
    known: dict[tuple[Corner, ...], tuple[tuple[Corner, Corner, Corner], Floats, Floats]] = {}
    for item in fan:
        three = item[0]
        k = three.index(min(three))
        known.setdefault(three[k:] + three[:k], item)
    return list(known.values())


def _touching(surface: TiledSurface, places: Floats) -> Floats:
    """All triangles (k, 3, 3) with a corner that rounds to one of the places (n, 3)."""
    sought = np.unique(_mixed(_grid(places)))
    tiles = np.zeros(surface.tile_count, dtype=bool)
    for box in cell_boxes(places, _CELL_MM):
        tiles |= box_gaps(surface.boxes[:, 0], surface.boxes[:, 1], box[0], box[1]) <= 2.0 * WELD_MM
    corners = surface.triangles(surface.face_rows(np.flatnonzero(tiles)))
    hit = np.isin(_mixed(_grid(corners.reshape(-1, 3))), sought).reshape(-1, 3).any(axis=1)
    return np.asarray(corners[hit])


def _angles(corners: Floats) -> Floats:
    """The angle (n, 3) at each corner."""
    ahead = corners[:, (1, 2, 0)] - corners
    behind = corners[:, (2, 0, 1)] - corners
    across = np.linalg.norm(np.cross(ahead, behind), axis=2)
    return np.asarray(np.arctan2(across, np.einsum("nki,nki->nk", ahead, behind)))


def _grid(places: Floats) -> NDArray[np.int64]:
    return np.asarray(np.rint(places / WELD_MM).astype(np.int64))


def _keys(corners: Floats) -> tuple[Corner, Corner, Corner]:
    one, two, three = (_key(row) for row in _grid(corners))
    return one, two, three


def _key(row: NDArray[np.int64]) -> Corner:
    return int(row[0]), int(row[1]), int(row[2])


def _mixed(grid: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number for each row of three; different rows may share one, which only costs time."""
    factors = np.array([73856093, 19349663, 83492791], dtype=np.int64)
    return np.asarray((grid * factors).sum(axis=-1))
