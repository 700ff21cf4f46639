"""The outer surface of a solid as triangles, no edge longer than a spacing.

What a picture draws and where a heat map asks: a solid is ``core ⊕ ball``, and this is the surface
of that. A flat triangle is cut into a lattice of its own. On a grown core edges that are too long are
halved, by both triangles that share one, and every new point is put onto the true surface.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError, InternalError
from fitcheck.geometry.solids import Solid, axis_frame

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Put = Callable[[Floats], Floats]

MOST_POINTS = 20_000_000
"""A skin that would need more points than this is refused."""

_CHORD_MM = 0.5
_LEAST_SIDES = 24
_TIE_MM = 1e-9
_PRODUCTS_A_CHUNK = 4_000_000


@dataclass(frozen=True, eq=False)
class Skin:
    """Triangles on a solid's outer surface: points (n, 3) mm, faces (m, 3) counter-clockwise seen from outside.

    Every point lies on the true surface of ``core ⊕ ball``. ``off_mm``: no point of these triangles is
    farther from the true surface than this, and none of the true surface farther from them (0 for a
    plain core). ``cover_mm``: no point of the true surface is farther than this from one of the points;
    also for an infinite spacing, where it is the longest edge over √3 and says little.
    """

    points_mm: Floats
    faces: Ints
    off_mm: float
    cover_mm: float


def skin(solid: Solid, spacing_mm: float = np.inf) -> Skin:
    """The outer surface of a solid with all edges ≤ ``spacing_mm``; infinite: a mesh to look at.

    A plain core gives its own triangles, cut until they are short enough; a mesh without triangles
    an empty skin. A grown core must be convex (sphere, capsule, rounded hull): its chords stand no more
    than 0.5 mm off the true surface, with at least 24 sides to a turn. Raises InputError for a spacing that
    would need more than 20 million points, InternalError for one that is not positive and for a grown
    core that is not convex.
    """
    if not spacing_mm > 0.0:
        raise InternalError("a skin needs a spacing above 0")
    if solid.radius_mm > 0.0:
        return _round_skin(solid, spacing_mm)
    points, faces = _latticed(solid.vertices, solid.faces, spacing_mm)
    return Skin(points, faces, 0.0, _cover(points, faces))


def _round_skin(solid: Solid, spacing_mm: float) -> Skin:
    if not solid.convex:
        raise InternalError("a grown core must be convex to have a skin")
    core = np.unique(solid.vertices, axis=0)
    if len(core) <= 2:
        start, faces = _rings(core, solid.radius_mm, spacing_mm)
    else:
        start, faces = _hull(_on_surface(core, _directions(solid), solid.radius_mm))
    points, faces = cut_short(start, faces, spacing_mm, lambda some: _put_on(some, solid))
    off = _sagitta(points[faces], core, solid.radius_mm)
    return Skin(points, faces, off, _cover(points, faces) + off)


def _cover(points: Floats, faces: Ints) -> float:
    """No point of a triangle is farther from its nearest corner than its longest edge over √3 (Jung 1901)."""
    if len(faces) == 0:
        return 0.0
    return float(_edge_lengths(points, faces).max()) / math.sqrt(3.0)


def _edge_lengths(points: Floats, faces: Ints) -> Floats:
    """Lengths (m, 3) of the edges from each corner to the next; a column at a time, which is quicker by far."""
    total = np.zeros(faces.shape)
    for axis in range(3):
        corners = np.ascontiguousarray(points[:, axis])[faces]
        for k in range(3):
            total[:, k] += (corners[:, k] - corners[:, (k + 1) % 3]) ** 2
    return np.sqrt(total)


# -- flat triangles --


def _latticed(points: Floats, faces: Ints, longest_mm: float) -> tuple[Floats, Ints]:
    """Cut every triangle into a lattice with no edge longer than ``longest_mm``; the old points come first."""
    if len(faces) == 0 or not np.isfinite(longest_mm):
        return points, faces
    given = len(points)
    points, faces = _sliced(points, faces, longest_mm, None)
    points, faces = _merged(points, faces, given)
    lengths = _edge_lengths(points, faces).max(axis=1)
    steps = np.maximum(np.ceil(lengths / longest_mm), 1.0)
    _refuse_many(len(points) + float(((steps + 1.0) * (steps + 2.0) / 2.0)[steps > 1].sum()), longest_mm)
    places, cut, count = [points], [faces[steps == 1]], len(points)
    for k in np.unique(steps[steps > 1]).astype(int):
        weights, corners = _lattice(k)
        some = points[faces[steps == k]]
        places.append(np.matmul(weights, some).reshape(-1, 3))
        began = count + len(weights) * np.arange(len(some))
        cut.append((began[:, None, None] + corners).reshape(-1, 3))
        count += len(places[-1])
    return np.concatenate(places), np.concatenate(cut).astype(np.int32)


def lattice_points(corners: Floats, spacing_mm: float) -> tuple[Floats, NDArray[np.intp]]:
    """Points (k, 3) on triangles (n, 3, 3), no point of a triangle farther than spacing/√3 from one of its own.

    With each point the row of its triangle. Raises InputError beyond 20 million points.
    """
    lengths = np.linalg.norm(corners - corners[:, (1, 2, 0)], axis=2).max(axis=1, initial=0.0)
    steps = np.maximum(np.ceil(lengths / spacing_mm), 1.0)
    _refuse_many(float(((steps + 1.0) * (steps + 2.0) / 2.0).sum()), spacing_mm)
    places, rows = [np.empty((0, 3))], [np.empty(0, dtype=np.intp)]
    for k in np.unique(steps).astype(int):
        weights, some = _lattice(k)[0], np.flatnonzero(steps == k)
        places.append(np.matmul(weights, corners[some]).reshape(-1, 3))
        rows.append(np.repeat(some, len(weights)))
    return np.concatenate(places), np.concatenate(rows)


def _lattice(steps: int) -> tuple[Floats, NDArray[np.intp]]:
    """Barycentric weights (w, 3) of a triangle cut in ``steps`` a side, and its ``steps``² faces."""
    i, j = np.meshgrid(np.arange(steps + 1), np.arange(steps + 1), indexing="ij")
    keep = i + j <= steps
    number = np.full(keep.shape, -1)
    number[keep] = np.arange(keep.sum())
    weights = np.stack([steps - i[keep] - j[keep], i[keep], j[keep]], axis=1) / steps
    i, j = i[i + j < steps], j[i + j < steps]
    up = np.stack([number[i, j], number[i + 1, j], number[i, j + 1]], axis=1)
    i, j = i[i + j < steps - 1], j[i + j < steps - 1]
    down = np.stack([number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]], axis=1)
    return weights, np.concatenate([up, down])


# -- cutting --


def cut_short(points: Floats, faces: Ints, longest_mm: float, put: Put | None = None) -> tuple[Floats, Ints]:
    """Cut triangles until no edge is longer than ``longest_mm``: points and faces, the old points first.

    Needles are cut across first (halving would make 3ᵏ triangles of them), then the longest edge of every
    triangle is halved. ``put`` says where a new point goes (None: it stays). An edge that two triangles share
    is halved by both, in the end, and at the same places. Raises InputError beyond 20 million points.
    """
    points, faces = np.asarray(points, dtype=np.float64), np.asarray(faces, dtype=np.int32)
    if len(faces) == 0 or not np.isfinite(longest_mm):
        return points, faces
    given, done = len(points), []
    _refuse_many(_area(points, faces) / (math.sqrt(3.0) / 2.0 * longest_mm**2), longest_mm)
    points, faces = _sliced(points, faces, longest_mm, put)
    while len(faces):
        lengths = _edge_lengths(points, faces)
        first = lengths.argmax(axis=1)
        long = lengths[np.arange(len(faces)), first] > longest_mm
        done.append(faces[~long])
        faces = _begun_at(faces[long], first[long])
        keys, where = np.unique(np.sort(faces[:, :2], axis=1) @ np.array([len(points), 1]), return_inverse=True)
        _refuse_many(len(points) + len(keys), longest_mm)
        middle = (len(points) + where).astype(np.int32)
        points = _with(points, (points[keys // len(points)] + points[keys % len(points)]) / 2.0, put)
        a, b, c = faces.T
        faces = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
    return _merged(points, np.concatenate(done), given)


def _area(points: Floats, faces: Ints) -> float:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2.0


def _refuse_many(count: float, spacing_mm: float) -> None:
    if count > MOST_POINTS:
        raise InputError(f"a spacing of {spacing_mm:g} mm is too fine: it needs more than {MOST_POINTS:,} points")


def _begun_at(faces: Ints, first: NDArray[np.intp]) -> Ints:
    """The same triangles, each begun at its given corner."""
    return np.asarray(np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1))


def _with(points: Floats, new: Floats, put: Put | None) -> Floats:
    return np.concatenate([points, new if put is None or len(new) == 0 else put(new)])


def _sliced(points: Floats, faces: Ints, longest_mm: float, put: Put | None) -> tuple[Floats, Ints]:
    """Cut triangles more than twice as long as wide across, about as far apart as they are wide."""
    lengths = _edge_lengths(points, faces)
    wide, long = lengths.min(axis=1), lengths.max(axis=1)
    needle = long > np.maximum(longest_mm, 2.0 * wide)
    if put is not None:
        needle[needle] = _straight(points, _begun_at(faces[needle], lengths[needle].argmin(axis=1)), put)
    if not needle.any():
        return points, faces
    wide, long = wide[needle], long[needle]
    apart = np.maximum(wide, np.sqrt(np.maximum(longest_mm**2 - wide**2, 0.0)))
    _refuse_many(len(points) + 2.0 * float(np.ceil(long / apart).sum()), longest_mm)
    turned = _begun_at(faces[needle], lengths[needle].argmin(axis=1))
    new, cut = _slices(points, turned, np.ceil(long / apart).astype(np.intp))
    return _with(points, new, put), np.concatenate([faces[~needle], cut])


def _straight(points: Floats, faces: Ints, put: Put) -> NDArray[np.bool_]:
    """Whether the true surface runs straight along both edges to the last corner: else a slice opens a crack."""
    straight = np.ones(len(faces), dtype=bool)
    for side in (0, 1) if len(faces) else ():
        middles = (points[faces[:, side]] + points[faces[:, 2]]) / 2.0
        straight &= np.linalg.norm(put(middles) - middles, axis=1) < _TIE_MM
    return straight


def _slices(points: Floats, faces: Ints, count: NDArray[np.intp]) -> tuple[Floats, Ints]:
    """Each triangle cut in ``count`` ≥ 2 slices along its first edge: the new points, and the triangles."""
    began = len(points) + 2 * (np.cumsum(count - 1) - (count - 1))
    row = np.repeat(np.arange(len(faces)), count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)

    def corner(side: int, at: NDArray[np.intp]) -> NDArray[np.intp]:
        between = began[row] + side * (count[row] - 1) + at - 1
        return np.where(at == 0, faces[row, side], np.where(at == count[row], faces[row, 2], between))

    near, far = [corner(side, step) for side in (0, 1)], [corner(side, step + 1) for side in (0, 1)]
    body = step + 1 < count[row]
    triangles = [np.stack([near[0], near[1], far[1]], axis=1), np.stack([near[0], far[1], far[0]], axis=1)[body]]
    new = np.empty((int(2 * (count - 1).sum()), 3))
    inner = step > 0
    for side in (0, 1):
        low, high = np.sort(faces[:, (side, 2)], axis=1)[row[inner]].T  # one way along it for both that share an edge
        share = np.where(low == faces[row[inner], side], step[inner], count[row[inner]] - step[inner])
        place = points[low] + (points[high] - points[low]) * (share / count[row[inner]])[:, None]
        new[near[side][inner] - len(points)] = place
    return new, np.concatenate(triangles).astype(np.int32)


def _merged(points: Floats, faces: Ints, given: int) -> tuple[Floats, Ints]:
    """One point for the middles that two triangles made in different rounds; the given points stay as they are."""
    order = np.lexsort(points[given:].T)
    if len(order) == 0:
        return points, faces
    ordered = points[given:][order]
    fresh = np.append(True, (ordered[1:] != ordered[:-1]).any(axis=1))
    rank = np.arange(len(points), dtype=np.int32)
    rank[given + order] = given - 1 + np.cumsum(fresh, dtype=np.int32)
    return np.concatenate([points[:given], ordered[fresh]]), rank[faces]


# -- round surfaces --


def _rings(core: Floats, radius_mm: float, spacing_mm: float) -> tuple[Floats, Ints]:
    """A sphere round one point, or a capsule round two, in rings about its axis from pole to pole.

    A capsule's cells are short enough at once: its long strips, cut by halves, would take three times the points.
    """
    side, way = spacing_mm / math.sqrt(2.0), core[-1] - core[0]
    length = float(np.linalg.norm(way))
    sides = max(_sides(radius_mm), 4 * math.ceil(math.pi / 2.0 * radius_mm / side) if length else 0)
    along = np.linspace(0.0, length, max(1, math.ceil(length / side)) + 1) if length else np.zeros(1)
    _refuse_many(sides * (sides / 2.0 + len(along)), spacing_mm)
    rise = np.linspace(-np.pi / 2.0, np.pi / 2.0, sides // 2 + 1)[1 : sides // 4]  # below the equator
    heights = np.concatenate([radius_mm * np.sin(rise), along, length - radius_mm * np.sin(rise[::-1])])
    widths = radius_mm * np.concatenate([np.cos(rise), np.ones(len(along)), np.cos(rise[::-1])])
    frame, turn = axis_frame(way), 2.0 * np.pi * np.arange(sides) / sides
    around = np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2])
    rings = heights[:, None, None] * frame[0] + widths[:, None, None] * around
    poles = np.outer([-radius_mm, length + radius_mm], frame[0])
    return core[0] + np.concatenate([rings.reshape(-1, 3), poles]), _ring_faces(len(heights), sides)


def _ring_faces(rings: int, sides: int) -> Ints:
    """Triangles between rings of points one above the other, closed by a pole below and one above."""
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    low = sides * np.arange(rings - 1)[:, None]
    walls = [np.stack([low + i, low + j, low + sides + j], axis=-1)]
    walls += [np.stack([low + i, low + sides + j, low + sides + i], axis=-1)]
    top, pole = sides * (rings - 1), np.full(sides, sides * rings)
    caps = [np.stack([pole, j, i], axis=1), np.stack([pole + 1, top + i, top + j], axis=1)]
    return np.concatenate([*(some.reshape(-1, 3) for some in walls), *caps]).astype(np.int32)


def _directions(solid: Solid) -> Floats:
    """Outward unit vectors (k, 3): rings about the solid's own first axis, and square to the core's faces."""
    sides, frame = _sides(solid.radius_mm), solid.frame
    turn = 2.0 * np.pi * np.arange(sides) / sides
    rise = np.linspace(-np.pi / 2.0, np.pi / 2.0, sides // 2 + 1)[1:-1]
    around = np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2])
    rings = np.cos(rise)[:, None, None] * around + np.sin(rise)[:, None, None] * frame[0]
    return np.concatenate([rings.reshape(-1, 3), frame[:1], -frame[:1], _face_normals(solid)])


def _sides(radius_mm: float) -> int:
    """Sides of a circle whose chords stand at most 0.5 mm inside it, at least 24, a multiple of 4."""
    if radius_mm <= 2.0 * _CHORD_MM:
        return _LEAST_SIDES
    sides = max(_LEAST_SIDES, math.ceil(math.pi / math.acos(1.0 - _CHORD_MM / radius_mm)))
    return 4 * math.ceil(sides / 4)


def _face_normals(solid: Solid) -> Floats:
    corners = solid.vertices[solid.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    normals = normals[size > 0.0] / size[size > 0.0, None]
    return np.concatenate([normals, -normals])  # of a flat core both sides face outward


def _on_surface(core: Floats, directions: Floats, radius_mm: float) -> Floats:
    """For each direction the points of the grown core that lie farthest that way."""
    heights = directions @ core.T
    row, corner = np.nonzero(heights >= heights.max(axis=1, keepdims=True) - _TIE_MM)
    return np.asarray(core[corner] + radius_mm * directions[row])


def _hull(points: Floats) -> tuple[Floats, Ints]:
    """The convex hull's triangles, wound counter-clockwise seen from outside."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points)
    faces = hull.simplices
    corners = points[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    inward = np.einsum("fi,fi->f", normals, hull.equations[:, :3]) < 0.0
    faces = np.where(inward[:, None], faces[:, ::-1], faces)
    used, where = np.unique(faces, return_inverse=True)
    return points[used], where.reshape(-1, 3).astype(np.int32)


def _put_on(points: Floats, solid: Solid) -> Floats:
    """Move points straight away from the nearest point of the core, out to the ball's radius."""
    foot = _nearest_on_core(points, solid)
    way = points - foot
    length = np.linalg.norm(way, axis=1)
    if not (length > 0.0).all():
        raise InternalError("a chord of a round surface runs through its core")
    return np.asarray(foot + way * (solid.radius_mm / length)[:, None])


def _nearest_on_core(points: Floats, solid: Solid) -> Floats:
    from fitcheck.geometry.separation import nearest_to_origin

    corners = solid.vertices[solid.faces]
    foot = np.empty_like(points)
    step = max(1, _PRODUCTS_A_CHUNK // 16 // len(corners))
    for start in range(0, len(points), step):
        some = points[start : start + step]
        near = nearest_to_origin((corners[None] - some[:, None, None]).reshape(-1, 3, 3)).reshape(len(some), -1, 3)
        best = np.einsum("nfi,nfi->nf", near, near).argmin(axis=1)
        foot[start : start + step] = near[np.arange(len(some)), best] + some
    return foot


def _sagitta(corners: Floats, core: Floats, radius_mm: float) -> float:
    """How far triangles with corners on the surface of a grown convex core lie inside it.

    A point p is r − f(p) off the surface, f its distance to the core, and f(p) ≥ u·p − max u·core for any
    unit u: here each triangle's own normal. Where that is noise: with c the core's point nearest to p = Σ wᵢaᵢ,
    r² ≤ Σ wᵢ|aᵢ − c|² = f(p)² + Σ wᵢ|aᵢ − p|², and the last term is at most a third of the longest edge squared.
    Going out along p's way from the core maps the closed triangles onto all of the surface, so the bound
    holds from the surface to the triangles as well.
    """
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    unit = normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None]
    step = max(1, _PRODUCTS_A_CHUNK // len(core))
    support = [(unit[i : i + step] @ core.T).max(axis=1) for i in range(0, len(unit), step)]
    depth = radius_mm + np.concatenate(support) - np.einsum("fki,fi->fk", corners, unit).min(axis=1)
    edges = ((corners - corners[:, (1, 2, 0)]) ** 2).sum(axis=2).max(axis=1)
    by_edges = radius_mm - np.sqrt(np.maximum(radius_mm**2 - edges / 3.0, 0.0))
    depth = np.where(np.linalg.norm(unit, axis=1) > 0.5, np.minimum(depth, by_edges), by_edges)
    return max(0.0, float(depth.max()))
