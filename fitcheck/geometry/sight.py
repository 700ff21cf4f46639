"""Lines of sight: which cells can be seen from outside past a surface, and what stands in the way.

A cell is seen when the line from its centre to outside is free along at least one direction. For each
direction the surface becomes a depth map, as a camera far away would see it. A surface is first thinned to
points such that every point of it lies within ``reach_mm`` of one; in a map each point blocks all that lies
behind it within that reach, and up to two pixels more. So a line that touches the surface is never called free,
and a gap narrower than about three times the reach is never looked through.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.solids import axis_frame

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

NOBODY = -1
"""Stands for a cell that the surface itself hides along every direction."""

_PIXELS_A_REACH = 2
_VOXEL_SHARE = 0.5
_ROUNDING_MM = 0.02  # single precision at coordinates of 1e5 mm
_POINTS_A_CHUNK = 1 << 21
_RULED_ABOVE = 8


def cone_directions(axis: Floats, half_angle_deg: float, step_deg: float) -> Floats:
    """Unit vectors (n, 3) round an axis: itself, and rings no further apart than ``step_deg``, the last on the rim.

    On a ring the directions are as far apart as the rings, their number a multiple of four, and the first one
    leans towards one of the other axes: a cone about y mirrors onto itself.
    """
    frame = np.roll(np.eye(3), -int(np.argmax(np.abs(axis))), axis=0)
    rings = max(1, math.ceil(half_angle_deg / step_deg))
    found = [np.asarray(axis, dtype=np.float64)[None]]
    for ring in range(1, rings + 1):
        lean = math.radians(half_angle_deg * ring / rings)
        count = 4 * math.ceil(math.degrees(2.0 * math.pi * math.sin(lean)) / step_deg / 4.0)
        turn = 2.0 * math.pi * np.arange(count) / count
        aside = np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2])
        found.append(math.cos(lean) * found[0] + math.sin(lean) * aside)
    return np.concatenate(found)


def spread_directions(cones: Sequence[Floats], apart_deg: float) -> Floats:
    """The directions of several cones in one list (n, 3), without those nearer than ``apart_deg`` to an earlier one.

    Axes come first, as they are the first of each cone. No cones: no directions.
    """
    axes = [cone[:1] for cone in cones]
    kept = np.empty((0, 3))
    for way in np.concatenate([np.empty((0, 3)), *axes, *(cone[1:] for cone in cones)]):
        if not (kept @ way > math.cos(math.radians(apart_deg))).any():
            kept = np.vstack([kept, way])
    return kept


# -- thinning --


def thinned(vertices: Floats, faces: Ints, reach_mm: float) -> Singles:
    """Points (n, 3) such that each point of the triangles lies within ``reach_mm`` of one; of none: none.

    They are the middles of voxels of half the reach that hold a sample of the surface: no point is further than 0.44
    ``reach_mm`` from the surface. ``vertices`` (v, 3) mm, finite; ``faces`` (m, 3). Vertices that no face names
    do not count.
    """
    if len(faces) == 0:
        return np.empty((0, 3), dtype=np.float32)
    voxel = _VOXEL_SHARE * reach_mm
    cover = reach_mm - voxel * math.sqrt(3.0) / 2.0
    origin, top = bounds(vertices, faces)
    counts = ((top - origin) / voxel).astype(np.int64) + 1
    keys = [_voxel_keys(some, origin, voxel, counts) for some in _samples(vertices, faces, cover)]
    places = np.column_stack(np.unravel_index(_distinct(np.concatenate(keys)), counts))
    return (origin + (places + 0.5) * voxel).astype(np.float32)


def bounds(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    """Least and greatest corner (3,) of the vertices (v, 3) that the faces name; at least one face."""
    corners = vertices[_used(vertices, faces)]
    columns = [np.ascontiguousarray(corners[:, axis]) for axis in range(3)]
    return np.array([some.min() for some in columns]), np.array([some.max() for some in columns])


def _used(vertices: Floats, faces: Ints) -> Flags:
    used = np.zeros(len(vertices), dtype=bool)
    used[faces.ravel()] = True
    return used


def _voxel_keys(points: Floats, origin: Floats, voxel: float, counts: NDArray[np.int64]) -> NDArray[np.int64]:
    key = np.zeros(len(points), dtype=np.int64)
    for axis in range(3):
        place = ((points[:, axis] - origin[axis]) / voxel).astype(np.int64)
        key *= counts[axis]
        key += np.clip(place, 0, counts[axis] - 1)
    return _distinct(key)


def _distinct(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    keys = np.sort(keys)
    return keys[np.append(True, keys[1:] != keys[:-1])] if len(keys) else keys


def _samples(vertices: Floats, faces: Ints, cover_mm: float) -> Iterator[Floats]:
    """Batches of points on triangles, none of the surface further than ``cover_mm`` from one."""
    yield vertices[_used(vertices, faces)]
    lengths = edge_lengths(vertices, faces)
    longest = lengths.max(axis=1)
    apart = cover_mm * math.sqrt(3.0)  # Jung 1901: a triangle's corners cover it within its longest edge over √3
    long = np.flatnonzero(longest > apart)
    steps = np.ceil(longest[long] / apart).astype(np.intp)
    for count in np.unique(steps[steps <= _RULED_ABOVE]):
        weights = _lattice(int(count))
        rows = long[steps == count]
        batch = max(1, _POINTS_A_CHUNK // len(weights))
        for first in range(0, len(rows), batch):
            yield np.matmul(weights, vertices[faces[rows[first : first + batch]]]).reshape(-1, 3)
    large = long[steps > _RULED_ABOVE]
    yield from _ruled(vertices[faces[large]], lengths[large], cover_mm)


def edge_lengths(vertices: Floats, faces: Ints) -> Floats:
    """Lengths (m, 3) of the edges from each corner to the next; a column at a time, which is quicker by far."""
    total = np.zeros(faces.shape)
    for axis in range(3):
        corners = np.ascontiguousarray(vertices[:, axis])[faces]
        for k in range(3):
            total[:, k] += (corners[:, k] - corners[:, (k + 1) % 3]) ** 2
    return np.sqrt(total)


def _lattice(steps: int) -> Floats:
    """Barycentric weights (w, 3) of a triangle cut in ``steps`` a side, its corners left out."""
    i, j = np.meshgrid(np.arange(steps + 1), np.arange(steps + 1), indexing="ij")
    keep = (i + j <= steps) & (np.maximum(np.maximum(i, j), steps - i - j) < steps)
    return np.stack([steps - i[keep] - j[keep], i[keep], j[keep]], axis=1) / steps


def _ruled(corners: Floats, lengths: Floats, cover_mm: float) -> Iterator[Floats]:
    """Points on large triangles and needles (n, 3, 3): rows side by side along the shortest edge.

    From any point half a step along each way leads to one: with steps of ``cover_mm`` it is within that.
    """
    first = (lengths.argmin(axis=1)[:, None] + np.arange(3)) % 3
    corners = np.take_along_axis(corners, first[:, :, None], axis=1)
    across = np.ceil(lengths.min(axis=1) / cover_mm).astype(np.intp) + 1
    along = np.ceil(lengths.max(axis=1) / cover_mm).astype(np.intp) + 1
    ends = np.cumsum(across * along)
    start = 0
    while start < len(corners):
        base = ends[start] - across[start] * along[start]
        stop = max(start + 1, int(np.searchsorted(ends, base + _POINTS_A_CHUNK, side="right")))
        row = np.repeat(np.arange(start, stop), (across * along)[start:stop])
        place = np.arange(len(row)) + base - (ends - across * along)[row]
        u = (place % across[row] / np.maximum(across[row] - 1, 1))[:, None]
        t = (place // across[row] / np.maximum(along[row] - 1, 1))[:, None]
        yield (1.0 - t) * ((1.0 - u) * corners[row, 0] + u * corners[row, 1]) + t * corners[row, 2]
        start = stop


# -- looking --


@dataclass(frozen=True, eq=False)
class Sight:
    """What can be seen of n cells: ``seen`` (n,), and for the others ``behind`` (n,) int16: the thing that hides the
    cell where the surface does not. ``NOBODY`` where the surface does along every direction, and of seen ones."""

    seen: Flags
    behind: NDArray[np.int16]


def look(
    cells: Floats, surface: Singles, things: Sequence[Singles], *, directions: Floats, reach_mm: float
) -> Sight:
    """Look at cells (n, 3) along all ``directions`` (d, 3, unit, from the cell to outside) past a surface and things.

    ``surface`` and each of ``things`` are points from :func:`thinned` with ``reach_mm``. A cell is ``behind`` the thing
    that, along some direction, is alone or with the fewest others in the way. No directions: nothing is seen.
    """
    places = np.ascontiguousarray(cells.T, dtype=np.float32)
    blockers = [np.ascontiguousarray(points.T) for points in (surface, *things)]
    seen = np.zeros(len(cells), dtype=bool)
    behind = np.full(len(cells), NOBODY, dtype=np.int16)
    fewest = np.full(len(cells), np.iinfo(np.int16).max, dtype=np.int16)
    rows = np.arange(len(cells))
    for way in directions:
        if len(rows) == 0:
            break
        frame = axis_frame(way).astype(np.float32)
        turned = frame @ places
        open_ = np.flatnonzero(~_hidden(turned, frame @ blockers[0], reach_mm))
        count, first = _in_the_way(turned[:, open_], [frame @ points for points in blockers[1:]], reach_mm)
        hit = rows[open_]
        better = count < fewest[hit]
        fewest[hit[better]], behind[hit[better]] = count[better], first[better]
        free = open_[count == 0]
        seen[rows[free]] = True
        left = np.ones(len(rows), dtype=bool)
        left[free] = False
        rows, places = rows[left], np.ascontiguousarray(places[:, left])
    behind[seen] = NOBODY
    return Sight(seen, behind)


def _in_the_way(
    cells: Singles, things: Sequence[Singles], reach_mm: float
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """How many things hide each cell along the first axis, and the first of them (``NOBODY``: none)."""
    count = np.zeros(cells.shape[1], dtype=np.int16)
    first = np.full(cells.shape[1], NOBODY, dtype=np.int16)
    for number, points in enumerate(things):
        hidden = _hidden(cells, points, reach_mm)
        first[hidden & (count == 0)] = number
        count += hidden
    return count, first


def _hidden(cells: Singles, points: Singles, reach_mm: float) -> Flags:
    """Which cells (3, n) lie behind points (3, m), seen from far out along the first axis.

    A point hides what lies behind it or up to ``reach_mm`` before it, within that of it or up to two pixels more.
    """
    hidden = np.zeros(cells.shape[1], dtype=bool)
    if points.shape[1] == 0 or cells.shape[1] == 0:
        return hidden
    pixel = np.float32((reach_mm + _ROUNDING_MM) / _PIXELS_A_REACH)
    border = _PIXELS_A_REACH + 1
    corner = points[1:].min(axis=1) - border * pixel
    tall, wide = (int(k) for k in np.ceil((points[1:].max(axis=1) - corner) / pixel) + border)
    height, width = ((points[k + 1] - corner[k]) / pixel for k in range(2))
    nearest = np.full(tall * wide, -np.inf, dtype=np.float32)
    np.maximum.at(nearest, height.astype(np.intp) * wide + width.astype(np.intp), points[0])
    depth = _widened(nearest.reshape(tall, wide)).ravel()
    height, width = (np.floor((cells[k + 1] - corner[k]) / pixel) for k in range(2))
    near = np.flatnonzero((height >= 0) & (height < tall) & (width >= 0) & (width < wide))
    pixels = height[near].astype(np.intp) * wide + width[near].astype(np.intp)
    hidden[near] = depth[pixels] + np.float32(reach_mm + _ROUNDING_MM) > cells[0, near]
    return hidden


def _widened(depth: Singles) -> Singles:
    """The greatest of each pixel's neighbours, the reach up and down and sideways."""
    for axis in (0, 1):
        source, depth = np.moveaxis(depth, axis, 0), np.moveaxis(depth.copy(), axis, 0)
        for shift in range(1, _PIXELS_A_REACH + 1):
            np.maximum(depth[shift:], source[:-shift], out=depth[shift:])
            np.maximum(depth[:-shift], source[shift:], out=depth[:-shift])
        depth = np.moveaxis(depth, 0, axis)
    return depth


# -- cells as boxes --


def merged_boxes(cells: Rows, group: Rows) -> tuple[Rows, Rows, Rows]:
    """Cells (n, 3) of an integer grid as few boxes that hold exactly them: first and last + 1 (k, 3), and their group.

    Only cells of one ``group`` (n,) share a box. Rows of cells become bars, equal bars side by side plates, equal
    plates blocks; of the six orders of the axes the one with the fewest boxes. No cells: no boxes.
    """
    start = np.column_stack([cells, cells + 1, group])
    ways = permutations(range(3))
    boxes = min((_fused(_fused(_fused(start, a), b), c) for a, b, c in ways), key=len)
    return boxes[:, :3], boxes[:, 3:6], boxes[:, 6]


def _fused(boxes: Rows, axis: int) -> Rows:
    """Boxes (n, 7) of first, last + 1 and group, those that continue one another along an axis made one."""
    same = [column for column in range(7) if column % 3 != axis or column == 6]
    boxes = boxes[np.lexsort([boxes[:, axis], *(boxes[:, column] for column in same)])]
    follows = (boxes[1:, same] == boxes[:-1, same]).all(axis=1) & (boxes[1:, axis] == boxes[:-1, axis + 3])
    alone = np.ones(1, dtype=bool)
    begins = np.concatenate([alone, ~follows])[: len(boxes)]
    fused: Rows = boxes[begins]
    fused[:, axis + 3] = boxes[np.concatenate([~follows, alone])[: len(boxes)], axis + 3]
    return fused
