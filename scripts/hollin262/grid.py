"""Triangle grids for the sample: rows of points, zipped together two by two.

Neighbouring rows need not have the same number of points, so a surface is fine where
it matters and coarse elsewhere without a single T-junction. Odd rows are shifted by half a
step, which makes the triangles nearly equilateral: fewer of them for the same longest edge.

Only sums, products and square roots are used, which every machine rounds alike: the
sample must come out the same to the byte everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mesh = tuple[Floats, Ints]
"""Vertices (n, 3) in mm and faces (m, 3), counter-clockwise seen from outside."""

ROW_SHARE = 0.866
"""Gap between rows over the step along a row: just under √3/2, so that no slanted edge is longer than a step."""


@dataclass(frozen=True)
class Row:
    """Points (n, 3) in mm along a row, at the ascending parameters ``along`` (n,) in mm."""

    along: Floats
    points: Floats


def pieces_of(length_mm: float, longest_mm: float) -> int:
    """How many equal pieces, none longer than ``longest_mm``; at least one."""
    return max(1, math.ceil(length_mm / longest_mm - 1e-9))


def cut(breaks: Sequence[float], steps: Sequence[float], *, shifted: bool) -> Floats:
    """Parameters along a row: every break is kept, and no step is longer than its segment's bound.

    ``steps`` has one entry a segment. ``shifted``: the points between the breaks move by half a step.
    """
    out: list[Floats] = [np.array([breaks[0]], dtype=np.float64)]
    for (start, end), step in zip(pairwise(breaks), steps, strict=True):
        count = pieces_of(end - start, step)
        ticks = np.arange(count, dtype=np.float64) + 0.5 if shifted else np.arange(1, count, dtype=np.float64)
        out += [start + ticks * ((end - start) / count), np.array([end], dtype=np.float64)]
    return np.concatenate(out)


def stations(zones: Sequence[tuple[float, float, float]]) -> list[tuple[float, float]]:
    """Where rows go along consecutive zones (start, end, step), as (place, step of that row).

    The row between two zones takes the finer step, and the coarser zone starts with
    a short gap, so that the edges of the change-over stay within the coarser step.
    """
    rows: list[tuple[float, float]] = []
    for number, (start, end, step) in enumerate(zones):
        before = zones[number - 1][2] if number else step
        after = zones[number + 1][2] if number + 1 < len(zones) else step
        inner_start = start + step / 2 if before < step else start
        inner_end = end - step / 2 if after < step else end
        count = pieces_of(inner_end - inner_start, ROW_SHARE * step)
        inner = inner_start + np.arange(count + 1) * ((inner_end - inner_start) / count)
        if number == 0:
            rows.append((start, step))
        rows += [(float(place), step) for place in inner if start + 1e-6 < place < end - 1e-6]
        rows.append((end, min(step, after)))
    return rows


def zip_rows(first: Floats, second: Floats) -> Ints:
    """Faces between two rows given by their parameters (n,) and (m,) over the same range.

    Indices below n are points of ``first``, the rest points of ``second``. Every step of
    one row gets the nearest point of the other as its apex. Normals are (along × across).
    """
    middles = np.concatenate([first[:-1] + first[1:], second[:-1] + second[1:]])
    order = np.argsort(middles, kind="stable")
    of_first = order < len(first) - 1
    taken = of_first.astype(np.int64)
    i = np.cumsum(taken) - taken
    j = np.cumsum(1 - taken) - (1 - taken) + len(first)
    return np.column_stack([i, np.where(of_first, i + 1, j + 1), j])


def loft(rows: Sequence[Row], *, closed: bool = False, flip: bool = False) -> Mesh:
    """Zip consecutive rows into one surface.

    Rows of different range are joined over the range that they share (both need a point at its ends).
    ``closed``: each row is a ring whose last point is its first. ``flip`` turns all normals.
    """
    firsts = np.cumsum([0, *(len(row.along) - closed for row in rows)])
    faces = []
    for number, (one, two) in enumerate(pairwise(rows)):
        lo, hi = max(one.along[0], two.along[0]), min(one.along[-1], two.along[-1])
        ids = [
            _row_ids(row, int(firsts[number + step]), closed)[(row.along >= lo) & (row.along <= hi)]
            for step, row in enumerate((one, two))
        ]
        shared = [row.along[(row.along >= lo) & (row.along <= hi)] for row in (one, two)]
        faces.append(np.concatenate(ids)[zip_rows(*shared)])
    vertices = np.concatenate([row.points[: len(row.points) - closed] for row in rows])
    joined = np.concatenate(faces)
    return vertices, joined[:, ::-1] if flip else joined


def _row_ids(row: Row, first: int, closed: bool) -> Ints:
    ids = first + np.arange(len(row.along))
    if closed:
        ids[-1] = first
    return ids


def flat_patch(corner: Sequence[float], along: int, across: int, sizes: tuple[float, float], step: float) -> Mesh:
    """A rectangle from ``corner``, ``sizes`` mm long on the axes ``along`` and ``across`` (0, 1, 2).

    Its border has equal steps, an even number on each side, so that patches of one box meet point to point.
    Normals are (along × across).
    """
    counts = [2 * pieces_of(size / 2, ROW_SHARE * step) for size in sizes]
    rows = []
    for number in range(counts[1] + 1):
        ticks = cut((0.0, sizes[0]), (sizes[0] / counts[0],), shifted=number % 2 == 1)
        points = np.tile(np.asarray(corner, dtype=np.float64), (len(ticks), 1))
        points[:, along] += ticks
        points[:, across] += number * (sizes[1] / counts[1])
        rows.append(Row(ticks, points))
    return loft(rows)


def box_surface(lo: Sequence[float], hi: Sequence[float], step: float, *, missing: Sequence[str] = ()) -> Mesh:
    """The faces of a box, welded, without the ``missing`` ones ("-x", "+z", …)."""
    size = [b - a for a, b in zip(lo, hi, strict=True)]
    faces = []
    for axis in range(3):
        one, two = (axis + 1) % 3, (axis + 2) % 3
        top = list(lo)
        top[axis] = hi[axis]
        if f"+{'xyz'[axis]}" not in missing:
            faces.append(flat_patch(top, one, two, (size[one], size[two]), step))
        if f"-{'xyz'[axis]}" not in missing:
            faces.append(flat_patch(lo, two, one, (size[two], size[one]), step))
    return weld(faces)


def weld(meshes: Sequence[Mesh]) -> Mesh:
    """One mesh of several, points closer than about a micrometre made one."""
    vertices, faces = joined(meshes)
    keys = np.round(vertices * 1000.0).astype(np.int64)
    _, first, place = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return vertices[first], place.reshape(-1)[faces]


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Several meshes side by side in one, nothing welded."""
    firsts = np.cumsum([0, *(len(vertices) for vertices, _ in meshes)])
    faces = [mesh[1] + first for mesh, first in zip(meshes, firsts[:-1], strict=True)]
    return np.concatenate([vertices for vertices, _ in meshes]), np.concatenate(faces)


def split(mesh: Mesh, chosen: NDArray[np.bool_]) -> tuple[Mesh, Mesh]:
    """The mesh without its ``chosen`` faces, and those faces; each keeps only the points that it uses."""
    return _only_used(mesh[0], mesh[1][~chosen]), _only_used(mesh[0], mesh[1][chosen])


def _only_used(vertices: Floats, faces: Ints) -> Mesh:
    used, place = np.unique(faces, return_inverse=True)
    return vertices[used], place.reshape(-1, 3)
