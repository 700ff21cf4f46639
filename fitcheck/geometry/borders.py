"""The edges of a triangle surface: its connected pieces, and the loops where it ends.

Vertices are welded by position first, so that a soup of triangles has the same edges as
the surface that it came from. A border edge belongs to one face, a crowded one to more
than two. Border edges are chained into loops; a loop that meets itself in a point is cut
there into simple ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = NDArray[np.int64]

_BITS, _COUNT = 32, (1 << 32) - 1


@dataclass(frozen=True, eq=False)
class Loop:
    """A closed chain of border edges, or an open one where the surface is tangled.

    ``corners`` (k,): rows of the given vertices in order, the first not repeated at the end; faces of
    the surface run along it from corner to corner, unless they disagree. ``piece``: the one that it bounds.
    """

    corners: Rows
    piece: int
    closed: bool = True


@dataclass(frozen=True, eq=False)
class Topology:
    """``pieces`` (m,): label of each face's connected piece, counted from 0; faces that share a corner are connected.

    ``edge_count`` counts edges once; ``border_edges`` of one face, ``crowded_edges`` of more than two,
    ``flipped_edges`` of two faces that run the same way along it, so that one of them is turned over.
    """

    pieces: Ints
    piece_count: int
    loops: tuple[Loop, ...]
    edge_count: int
    border_edges: int
    crowded_edges: int
    flipped_edges: int


def topology(vertices: ArrayLike, faces: ArrayLike) -> Topology:
    """Pieces, border loops and edge counts of (n, 3) vertices and (m, 3) faces with valid indices.

    Edges of faces that name a position twice are left out. No faces: no pieces, no loops.
    """
    points = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    corners = np.asarray(faces, dtype=np.int32).reshape(-1, 3)
    if len(corners) == 0:
        return Topology(np.empty(0, np.int32), 0, (), 0, 0, 0, 0)
    corners = first_of_place(points)[corners]
    edges = _edges(corners, len(points))
    faces_at, downward = edges.data & _COUNT, edges.data >> _BITS
    labels = _vertex_pieces(edges)
    pieces, count = _face_pieces(labels, corners)
    lone = np.flatnonzero(faces_at == 1)
    chains = chain_edges(_ends(edges, lone, downward[lone] == 1))
    face_label = np.full(len(points), -1, dtype=np.int64)
    for side in range(3):
        face_label[corners[:, side]] = pieces
    loops = tuple(Loop(rows, int(face_label[rows[0]]), closed) for rows, closed in chains)
    crowded = int(np.count_nonzero(faces_at > 2))
    flipped = int(np.count_nonzero((faces_at == 2) & (downward != 1)))
    return Topology(pieces, count, loops, edges.nnz, len(lone), crowded, flipped)


def first_of_place(points: Floats) -> Ints:
    """For each of (n, 3) points the row of one point with exactly its position (0.0 and -0.0 are equal)."""
    bits = (np.ascontiguousarray(points) + 0.0).view(np.uint64)  # -0.0 becomes 0.0
    with np.errstate(over="ignore"):
        mixed = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F) + (mixed >> np.uint64(29))
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= bits[:, 2] * np.uint64(0x165667B19E3779F9) + (mixed >> np.uint64(32))
        mixed *= np.uint64(0x94D049BB133111EB)
    rows = np.arange(len(points), dtype=np.int32)
    order = np.argsort(mixed).astype(np.int32)
    ordered = mixed[order]
    same = np.flatnonzero(ordered[1:] == ordered[:-1])
    if len(same) == 0:
        return rows
    if (bits[order[same]] != bits[order[same + 1]]).any():  # two places with one hash: weld the slow way
        from fitcheck.geometry.meshes import weld

        number = weld(points)
        first = np.full(int(number.max()) + 1, -1, dtype=np.int32)
        first[number[::-1]] = rows[::-1]
        return np.asarray(first[number])
    group = np.cumsum(np.concatenate([[True], ordered[1:] != ordered[:-1]])) - 1
    least = np.full(int(group[-1]) + 1, len(points), dtype=np.int32)
    np.minimum.at(least, group, order)
    rows[order] = least[group]
    return rows


def _edges(corners: Ints, count: int) -> Any:
    """All edges as a sparse matrix (count, count) in csr form: row the lesser corner, column the greater, each once.

    An entry is the number of faces at the edge, plus 2**32 for each of them that runs it from the greater to the
    lesser. Its counting sort is several times faster than sorting keys, as neighbours in a mesh are near in memory.
    """
    from scipy.sparse import coo_matrix

    low, high = np.empty(3 * len(corners), dtype=np.int32), np.empty(3 * len(corners), dtype=np.int32)
    runs = np.empty(3 * len(corners), dtype=np.int64)
    columns = [np.ascontiguousarray(corners[:, side]) for side in range(3)]
    for side in range(3):
        a, b = columns[side], columns[(side + 1) % 3]
        part = slice(side * len(corners), (side + 1) * len(corners))
        np.minimum(a, b, out=low[part])
        np.maximum(a, b, out=high[part])
        np.greater(a, b, out=runs[part], casting="unsafe")
    runs <<= _BITS
    runs += 1
    proper = low != high
    if not proper.all():
        low, high, runs = low[proper], high[proper], runs[proper]
    return coo_matrix((runs, (low, high)), shape=(count, count)).tocsr()


def _ends(edges: Any, rows: Rows, downward: NDArray[np.bool_]) -> Rows:
    """The two ends (k, 2) of some edges, in the direction that their face runs them."""
    low = np.searchsorted(edges.indptr, rows, side="right") - 1
    ends = np.stack([low, edges.indices[rows]], axis=1).astype(np.int64)
    ends[downward] = ends[downward][:, ::-1]
    return ends


def _vertex_pieces(edges: Any) -> Ints:
    """The label of each vertex's connected piece; single vertices have one each."""
    from scipy.sparse.csgraph import connected_components

    return np.asarray(connected_components(edges, directed=False)[1], dtype=np.int32)


def _face_pieces(labels: Ints, corners: Ints) -> tuple[Ints, int]:
    """Labels of faces, counted from 0 without gaps."""
    found = labels[corners[:, 0]]
    used = np.zeros(int(labels.max()) + 1, dtype=bool)
    used[found] = True
    number = np.cumsum(used, dtype=np.int32) - 1
    return np.asarray(number[found], dtype=np.int32), int(used.sum())


def chain_edges(ends: Rows) -> list[tuple[Rows, bool]]:
    """Chains of edges (k, 2): (corners in order, whether it closes). Every edge is in exactly one chain.

    Where several chains meet in a point they are cut there, so that no chain passes a point twice.
    """
    ways: dict[int, list[int]] = {}
    pairs: list[list[int]] = ends.tolist()
    for row, (a, b) in enumerate(pairs):
        ways.setdefault(a, []).append(row)
        ways.setdefault(b, []).append(row)
    free = [True] * len(pairs)
    chains: list[tuple[Rows, bool]] = []
    odd = [point for point, rows in ways.items() if len(rows) % 2]  # open chains end here
    for start in [*odd, *(pair[0] for pair in pairs)]:
        while any(free[row] for row in ways[start]):
            chains += _walk(start, pairs, ways, free)
    return chains


def _walk(start: int, pairs: list[list[int]], ways: dict[int, list[int]], free: list[bool]) -> list[tuple[Rows, bool]]:
    """One walk over free edges until none is left to go on; cut into simple chains."""
    path, place = [start], {start: 0}
    found: list[tuple[Rows, bool]] = []
    while True:
        here = path[-1]
        row = _onward(here, pairs, ways, free)
        if row < 0:
            break
        free[row] = False
        a, b = pairs[row]
        there = b if a == here else a
        if there in place:  # a loop closes: take it off the path
            begin = place[there]
            found.append((np.array(path[begin:], dtype=np.int64), True))
            for point in path[begin + 1 :]:
                del place[point]
            del path[begin + 1 :]
        else:
            place[there] = len(path)
            path.append(there)
    if len(path) > 1:
        found.append((np.array(path, dtype=np.int64), False))
    return found


def _onward(here: int, pairs: list[list[int]], ways: dict[int, list[int]], free: list[bool]) -> int:
    """A free edge at a point, one that its face runs away from it if there is one; -1: none."""
    other = -1
    for row in ways[here]:
        if free[row]:
            if pairs[row][0] == here:
                return row
            other = row
    return other
