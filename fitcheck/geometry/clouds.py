"""Point clouds: how far the scanned surface can be from the nearest point, and where the points stop.

Both questions are asked of each point's Voronoi cell in the plane of its neighbours: the part of the
surface that is nearer to this point than to any other. Where points stand all round, the cell's far corner
is how far the surface near the point can be from it; where they stop, the cell is open.

The cell is bounded in sectors: a neighbour at (u, v) in the plane and h above it keeps the cell within
(u² + v² + h²) / (2 · (u cos t + v sin t)) in the direction t (the bisector plane), and a sector is bounded by its
nearest bisector at its own worst edge. So the bound is never short of the true cell, in whatever way the points stand.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.geometry.borders import first_of_place
from fitcheck.geometry.cloud_cells import OPEN, cells_of
from fitcheck.geometry.cloud_chains import chained, far_apart, joined, simple

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]


def cover_mm(points: ArrayLike, *, rows: ArrayLike | None = None) -> Floats:
    """For each of (n, 3) points in mm, or those of ``rows``, how far the surface near it can be from it, in mm.

    An upper estimate: the far corner of the point's Voronoi cell in the plane of its neighbours, and three sigma of
    their distance from that plane (at most as much again) at right angles to it. On a square grid of step s it is
    0.71 s to 0.82 s. At a border, where the cell is open, it is 1.1 to 2.04 mean spacings; where points stand in lines
    and no second line is near, the distance of the 192nd neighbour; of a few points that float far from all others,
    1.1 times the distance of the farthest of the few. Points that stand alike are one. Fewer than four places:
    infinite, for nothing is known. Of none: none.
    """
    given = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    asked = np.arange(len(given)) if rows is None else np.asarray(rows, dtype=np.int64)
    places, row_of = _places(given)
    if len(places) < 4:
        return np.full(len(asked), np.inf)
    cells = cells_of(_tree(given[places]), row_of[asked])
    plain = np.where(cells.open, np.maximum(cells.closed, cells.beyond), cells.reach)
    return np.hypot(plain, np.minimum(3.0 * cells.noise, plain))


def cloud_borders(points: ArrayLike, spacing: ArrayLike, *, least_mm: float | None = None) -> tuple[Rows, ...]:
    """The loops of rows along which (n, 3) points in mm stop: round windows, and the outer border alike.

    ``spacing`` mm, one number or (n,), is the mean distance of points. A border edge joins two points that a disc of
    2.04 spacings in the plane touches, empty on one side and not on the other (an alpha shape: Edelsbrunner,
    Kirkpatrick and Seidel, 1983); gaps into which no such disc goes, under about four spacings, are none. So is a
    window with another sheet less than two spacings behind it; and loops near a sheet that is less than three spacings
    away may come in pieces. Loops whose box has a diagonal under ``least_mm`` (6 mean spacings unless said)
    are dropped. Each loop's first row is not repeated at its end. A chain that cannot be closed is given too:
    straight from its last row to its first. Fewer than four places: none.
    """
    given = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    apart = np.broadcast_to(np.asarray(spacing, dtype=np.float64), (len(given),))
    places, _ = _places(given)
    if len(places) < 4:
        return ()
    tree = _tree(given[places])
    ends, middles = _border_edges(tree, OPEN * apart[places])
    loops, chains = chained(ends, middles)
    loops += joined(chains, tree.data, 2.0 * OPEN * float(np.mean(apart)))
    least = 6.0 * float(np.mean(apart)) if least_mm is None else least_mm
    rings = [ring for loop in loops for ring in simple(loop)]
    return tuple(places[ring] for ring in rings if far_apart(tree.data[ring], least))


def _places(points: Floats) -> tuple[Rows, Rows]:
    """Rows of the points but for repeats of a place, and for each point the number of its place among them."""
    if not len(points):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    first = first_of_place(points)
    places = np.flatnonzero(first == np.arange(len(points)))
    number = np.zeros(len(points), dtype=np.int64)
    number[places] = np.arange(len(places))
    return places, number[first]


def _tree(places: Floats) -> Any:
    from scipy.spatial import cKDTree

    return cKDTree(places, balanced_tree=False)


def _border_edges(tree: Any, radius: Floats) -> tuple[Rows, Floats]:
    """Ends (e, 2) of the edges that an empty disc touches from one side only, and the middle (e, 3) of that disc."""
    cells = cells_of(tree, np.arange(len(tree.data)))
    outer = np.flatnonzero(cells.reach >= radius * 0.999)  # such a disc's middle lies in its points' cells
    if len(outer) < 2:
        return np.empty((0, 2), np.int64), np.empty((0, 3))
    pairs = outer[_tree(tree.data[outer]).query_pairs(2.0 * float(radius[outer].max()), output_type="ndarray")]
    reach = np.maximum(radius[pairs[:, 0]], radius[pairs[:, 1]])
    start, along = tree.data[pairs[:, 0]], tree.data[pairs[:, 1]] - tree.data[pairs[:, 0]]
    normal = _shared_normal(cells.normal[pairs[:, 0]], cells.normal[pairs[:, 1]])
    length, rise = np.linalg.norm(along, axis=1), np.abs(np.einsum("ij,ij->i", along, normal))
    fits = (length < 2.0 * reach) & (rise < 0.5 * length)  # a steep one leads to the sheet behind
    pairs, reach, along, length, normal = pairs[fits], reach[fits], along[fits], length[fits], normal[fits]
    middle = start[fits] + along / 2.0
    aside = np.cross(along, normal)
    aside *= (np.sqrt(reach**2 - length**2 / 4.0) / np.linalg.norm(aside, axis=1))[:, None]
    empty = [tree.query(middle + way * aside, workers=-1)[0] >= reach * (1.0 - 1e-6) for way in (1.0, -1.0)]
    border = empty[0] != empty[1]
    return pairs[border], (middle + np.where(empty[0], 1.0, -1.0)[:, None] * aside)[border]


def _shared_normal(one: Floats, other: Floats) -> Floats:
    """The unit vector between two normals, which have no side of their own."""
    both = one + np.where(np.einsum("ij,ij->i", one, other) < 0.0, -1.0, 1.0)[:, None] * other
    return np.asarray(both / np.linalg.norm(both, axis=1)[:, None])
