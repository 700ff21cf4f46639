"""A membrane over a border loop: the triangulation of its corners with the least area.

By dynamic programming over the polygon (Barequet and Sharir, Filling gaps in the boundary of
a polyhedron, 1995; the weight is the area alone). A loop of many corners is thinned first;
how far the left-out corners lie from the membrane's border is returned as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

MOST_CORNERS = 64
_SHARPEST, _TURN_STEP = 16, 3
_ALIKE = 3  # decimals of an area in mm²


@dataclass(frozen=True, eq=False)
class Membrane:
    """``border`` (k, 3) in order, ``faces`` (k − 2, 3) into it, running as the border does; ``slack_mm``: how far the
    loop's own corners lie from the border at most."""

    border: Floats
    faces: Ints
    slack_mm: float

    @property
    def corners(self) -> Floats:
        """Its triangles (k − 2, 3, 3)."""
        return self.border[self.faces]

    @property
    def area_mm2(self) -> float:
        a, b, c = (self.corners[:, k] for k in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def membrane(loop: Floats) -> Membrane:
    """The membrane over a closed loop (k, 3), k ≥ 3. Fewer corners: no faces."""
    border, slack = thinned(loop)
    return Membrane(border, least_area_faces(border), slack)


def thinned(loop: Floats) -> tuple[Floats, float]:
    """At most 64 corners of a loop, spread evenly, its first and last and the sharpest among them, and how far the
    others lie from the chords between them."""
    if len(loop) <= MOST_CORNERS:
        return loop, 0.0
    steps = np.linalg.norm(np.diff(loop, axis=0, append=loop[:1]), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    wanted = np.linspace(0.0, along[-2], MOST_CORNERS - _SHARPEST)
    even = np.clip(np.searchsorted(along, wanted), 0, len(loop) - 1)
    keep = np.unique(np.concatenate([even, _sharpest(loop)]))
    border = loop[keep]
    after = np.searchsorted(keep, np.arange(len(loop)), side="right") % len(keep)
    return border, float(segment_distances(loop, border[after - 1], border[after]).max())


def _sharpest(loop: Floats) -> Ints:
    """The corners at which a loop turns most, seen over a few corners to either side."""
    ways = [np.roll(loop, -step, axis=0) - loop for step in (_TURN_STEP, -_TURN_STEP)]
    lengths = [np.maximum(np.linalg.norm(way, axis=1), 1e-12) for way in ways]
    straight = -np.einsum("ki,ki->k", ways[0], ways[1]) / (lengths[0] * lengths[1])
    peaks = straight <= np.minimum(np.roll(straight, 1), np.roll(straight, -1))
    return np.argsort(np.where(peaks, np.round(straight, 6), 2.0), kind="stable")[:_SHARPEST].astype(np.int32)


def segment_distances(points: Floats, start: Floats, end: Floats) -> Floats:
    """Distance of each point (n, 3) from its segment; ``start`` and ``end`` broadcast against the points."""
    way = end - start
    length2 = np.maximum((way * way).sum(axis=-1), 1e-300)
    share = np.clip(((points - start) * way).sum(axis=-1) / length2, 0.0, 1.0)
    return np.asarray(np.linalg.norm(points - start - share[..., None] * way, axis=-1))


def least_area_faces(border: Floats) -> Ints:
    """Faces (k − 2, 3) over a closed polygon (k, 3) in space with the least total area; fewer than 3 corners: none."""
    count = len(border)
    if count < 3:
        return np.empty((0, 3), dtype=np.int32)
    areas = _areas(border)
    cost = np.zeros((count, count))
    apex = np.zeros((count, count), dtype=np.int32)
    for gap in range(2, count):  # all spans of one length at a time
        first = np.arange(count - gap)
        middles = first[:, None] + np.arange(1, gap)[None]
        last = (first + gap)[:, None]
        total = cost[first[:, None], middles] + cost[middles, last] + areas[first[:, None], middles, last]
        # among triangulations that are alike the first, not what the last bits of the corners make of them
        best = np.round(total, _ALIKE).argmin(axis=1)
        cost[first, first + gap] = total[first, best]
        apex[first, first + gap] = middles[first, best]
    faces, spans = [], [(0, count - 1)]
    while spans:
        i, j = spans.pop()
        if j - i >= 2:
            m = int(apex[i, j])
            faces.append((i, m, j))
            spans += [(i, m), (m, j)]
    return np.array(faces, dtype=np.int32)


def _areas(border: Floats) -> Floats:
    """Areas (k, k, k) of all triangles of corners."""
    ways = border[None] - border[:, None]  # ways[i, j]: from i to j
    normals = np.cross(ways[:, :, None], ways[:, None, :])
    return np.asarray(np.linalg.norm(normals, axis=3) / 2.0)
