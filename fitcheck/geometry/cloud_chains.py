"""Border edges of a point cloud, chained into loops: from edge to edge as a disc rolls along them."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]


def chained(ends: Rows, middles: Floats) -> tuple[list[Rows], list[Rows]]:
    """Loops of point rows, and open chains, from edges (e, 2), each touched by a disc with its middle at (e, 3).

    Where more than two edges meet in a point, the next is the one whose disc is nearest to the last one's: the disc
    has rolled there. A chain that does not come back to its beginning is continued from its other end.
    Of none: none.
    """
    at: dict[int, list[int]] = defaultdict(list)
    for edge, (a, b) in enumerate(ends.tolist()):
        at[a].append(edge)
        at[b].append(edge)
    free = np.ones(len(ends), dtype=bool)
    loops, chains = [], []
    for edge in range(len(ends)):
        if not free[edge]:
            continue
        free[edge] = False
        a, b = ends[edge].tolist()
        ahead = _walk((b, edge), a, (ends, middles), (at, free))
        if ahead and ahead[-1] == a:
            loops.append(np.array([b, *ahead], dtype=np.int64))
        else:
            back = _walk((a, edge), b, (ends, middles), (at, free))
            chains.append(np.array([*back[::-1], a, b, *ahead], dtype=np.int64))
    return loops, chains


def _walk(
    place: tuple[int, int],
    goal: int,
    edges: tuple[Rows, Floats],
    state: tuple[dict[int, list[int]], NDArray[np.bool_]],
) -> list[int]:
    """The points after ``place`` (a point, and the edge that led to it) until the goal, or a dead end."""
    (point, edge), (ends, middles), (at, free) = place, edges, state
    found: list[int] = []
    while point != goal:
        open_edges = [e for e in at[point] if free[e]]
        if not open_edges:
            break
        rolled = [float(np.linalg.norm(middles[e] - middles[edge])) for e in open_edges]
        edge = open_edges[int(np.argmin(rolled))]
        free[edge] = False
        a, b = ends[edge].tolist()
        point = b if a == point else a
        found.append(point)
    return found


def joined(chains: list[Rows], places: Floats, reach: float) -> list[Rows]:
    """Chains of rows of (n, 3) places put together where their ends lie within ``reach``, the nearest first.

    Noise tears a chain where it lets the disc touch three points nearly at once. Of none: none.
    """
    from scipy.spatial import cKDTree

    if not chains:
        return []
    tips = np.array([row for chain in chains for row in (chain[0], chain[-1])])
    pairs = cKDTree(places[tips]).query_pairs(reach, output_type="ndarray")
    gaps = np.linalg.norm(places[tips[pairs[:, 0]]] - places[tips[pairs[:, 1]]], axis=1)
    partner = np.full(len(tips), -1)
    for a, b in pairs[np.argsort(gaps, kind="stable")].tolist():
        if partner[a] < 0 and partner[b] < 0 and (a >> 1 != b >> 1 or len(chains[a >> 1]) > 2):
            partner[a], partner[b] = b, a
    return _followed(chains, partner)


def _followed(chains: list[Rows], partner: NDArray[np.int_]) -> list[Rows]:
    """Whole runs of chains from the ``partner`` of each tip: 2 i is the head of chain i, 2 i + 1 its tail."""
    done = np.zeros(len(chains), dtype=bool)
    found = []
    heads = [tip for tip in range(2 * len(chains)) if partner[tip] < 0]  # open runs from their ends, then rings
    for tip in [*heads, *range(2 * len(chains))]:
        rows: list[Rows] = []
        while tip >= 0 and not done[tip >> 1]:
            done[tip >> 1] = True
            rows.append(chains[tip >> 1][:: -1 if tip & 1 else 1])
            tip = int(partner[tip ^ 1])
        if rows:
            whole = np.concatenate(rows)
            keep = np.append(True, whole[1:] != whole[:-1])
            keep[-1] &= len(whole) < 2 or whole[-1] != whole[0]
            found.append(whole[keep])
    return found


def simple(loop: Rows) -> list[Rows]:
    """A loop cut into simple ones where it comes back to a point, none of which holds a row twice. Of none: none."""
    kept: list[int] = []
    where: dict[int, int] = {}
    found = []
    for row in loop.tolist():
        if row in where:
            ring = kept[where[row] :]
            found.append(np.array(ring, dtype=np.int64))
            del kept[where[row] :]
            for gone in ring:
                del where[gone]
        where[row] = len(kept)
        kept.append(row)
    return [*found, np.array(kept, dtype=np.int64)] if kept else found


def far_apart(places: Floats, least: float) -> bool:
    """Whether the box of (k, 3) places has a diagonal of at least that; of none: no."""
    return len(places) > 0 and float(np.linalg.norm(np.ptp(places, axis=0))) >= least
