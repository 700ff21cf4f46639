"""Which point of the underside comes first? Height over a tilted floor, or the angle of a tangent plane.

A :class:`Measure` gives each point a figure (a height, the angle to one tyre, the sum of
the angles to both); the answer is the least figure over everything inside a zone. All of
a triangle counts, not its corners alone: triangles that cross the edge of the zone are cut
there, and where the sum of two angles is least in the middle of an edge (a flat floor is
critical at mid-wheelbase), the edge is searched.

A scan has millions of triangles. Its tiles' boxes give lower bounds, tiles are read
best-first, and reading stops when the next bound is no better than what was found: exact.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface
from fitcheck.geometry.tangents import tangent_deg
from fitcheck.vehicle.stance import Stance

Floats = NDArray[np.float64]

_MOST_TILES_AT_ONCE = 16
_SIDE = ((0, 0), (0, 1), (1, 0), (1, 1))  # corners of a tile's box seen from the side
_PIECES = 4  # of a tile's bottom edge, for the bound on the sum of two angles
_SAMPLES = 17
_ROUNDS = 8  # of so many samples: narrows a bracket by 6e-8
_BALL_SIDES = 256  # a ball as circumscribed polygon: 0.0075 % of its radius outside


@dataclass(frozen=True)
class Zone:
    """Where to look: s along the floor between two limits, |y| up to a half width; mm, inf = no limit."""

    s_low: float = -math.inf
    s_high: float = math.inf
    half_width: float = math.inf


@dataclass(frozen=True)
class Wheel:
    """A tyre in floor coordinates. ``outward`` +1: points are rearward of it, -1: ahead of it."""

    s_mm: float
    loaded_mm: float
    outward: float


@dataclass(frozen=True)
class Measure:
    """The figure that is to be least. Without wheels: the height over the floor, mm; else degrees."""

    stance: Stance
    zone: Zone
    wheels: tuple[Wheel, ...] = ()

    @property
    def searches_edges(self) -> bool:
        """The sum of two angles can be least inside an edge; one angle and a height are least at a corner."""
        return len(self.wheels) == 2

    def parts(self, floor: Floats, ball_mm: float = 0.0) -> list[Floats]:
        """The figure's terms for points (…, 2) in floor coordinates: one per wheel, or the height."""
        if not self.wheels:
            return [floor[..., 1] - ball_mm]
        return [
            tangent_deg(
                np.maximum(wheel.outward * (floor[..., 0] - wheel.s_mm), 0.0),
                floor[..., 1],
                loaded_mm=wheel.loaded_mm,
                ball_mm=ball_mm,
            )
            for wheel in self.wheels
        ]

    def figure(self, floor: Floats, ball_mm: float = 0.0) -> Floats:
        """The figure of points (…, 2) in floor coordinates."""
        return np.asarray(np.sum(self.parts(floor, ball_mm), axis=0))

    def contact(self, centre: Floats, figure: float, ball_mm: float) -> Floats:
        """The point (3,) of a ball that the floor, or the one tangent plane, touches."""
        turn = math.radians(figure) if len(self.wheels) == 1 and math.isfinite(figure) else 0.0
        lean = math.sin(turn) * (self.wheels[0].outward if turn else 0.0)
        return np.asarray(centre - ball_mm * (math.cos(turn) * self.stance.normal - lean * self.stance.tangent))

    def at(self, point: Floats) -> float:
        """The figure of one point (3,) in vehicle coordinates."""
        return float(self.figure(self.stance.to_floor(point)))


@dataclass(frozen=True)
class Found:
    """The least figure and its point (3,) in vehicle coordinates; +inf: points, but none that limits."""

    value: float
    point: Floats


def least_of(found: list[Found | None]) -> Found | None:
    """The least of several; None where there is none."""
    return min((item for item in found if item is not None), key=lambda item: item.value, default=None)


def least_of_solid(solid: Solid, measure: Measure) -> Found | None:
    """The least figure over a solid, its ball included; None where it has no point in the zone.

    The zone cuts the core; a ball that reaches into it from outside is not counted.
    """
    if solid.radius_mm > 0.0 and measure.searches_edges:
        return least_of_mesh(*_used(*_blown_up(solid)), measure)
    return least_of_mesh(*_used(solid.vertices, solid.faces), measure, ball_mm=solid.radius_mm)


def _blown_up(solid: Solid) -> tuple[Floats, NDArray[np.integer]]:
    """The core, moved to each lower corner of a polygon round the ball as seen from the side."""
    turn = np.pi + np.pi * np.arange(_BALL_SIDES // 2 + 1) / (_BALL_SIDES // 2)
    corner = solid.radius_mm / math.cos(math.pi / _BALL_SIDES)
    offsets = corner * np.stack([np.cos(turn), np.zeros_like(turn), np.sin(turn)], axis=1)
    copies = np.arange(len(offsets))[:, None, None] * len(solid.vertices)
    return (solid.vertices + offsets[:, None]).reshape(-1, 3), (solid.faces + copies).reshape(-1, 3)


def least_of_surface(surface: TiledSurface, measure: Measure) -> Found | None:
    """The least figure over a tiled surface; None where it has no point in the zone."""
    bounds, order = _tile_bounds(surface.boxes, measure)
    best: Found | None = None
    for tiles in _in_batches(order):
        if best is not None:
            tiles = tiles[bounds[tiles] < best.value]
            if len(tiles) == 0:
                break
        limit = math.inf if best is None else best.value
        best = least_of([best, least_of_mesh(*_read(surface, tiles), measure, limit=limit)])
    return best


def reaches(surface: TiledSurface, measure: Measure) -> bool:
    """Whether a tiled surface has any point in the measure's zone."""
    _, order = _tile_bounds(surface.boxes, measure)
    level = replace(measure, wheels=())
    return any(least_of_mesh(*_read(surface, tiles), level) is not None for tiles in _in_batches(order))


def _in_batches(order: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Few tiles first, for a bound to cut with; then more at a time."""
    first, count = 0, 2
    while first < len(order):
        yield order[first : first + count]
        first, count = first + count, min(2 * count, _MOST_TILES_AT_ONCE)


def _read(surface: TiledSurface, tiles: NDArray[np.intp]) -> tuple[Floats, NDArray[np.integer]]:
    """Vertices (n, 3) and faces (k, 3) of some tiles alone."""
    return _used(surface.vertices, np.asarray(surface.faces[surface.face_rows(tiles)]))


def _used(vertices: Floats, faces: NDArray[np.integer]) -> tuple[Floats, NDArray[np.integer]]:
    """The same triangles without the vertices that none of them uses."""
    used, renumbered = np.unique(faces, return_inverse=True)
    return np.asarray(vertices[used], dtype=np.float64), renumbered.reshape(-1, 3)


def _tile_bounds(boxes: Floats, measure: Measure) -> tuple[Floats, NDArray[np.intp]]:
    """A lower bound (t,) of the figure in each tile, and the tiles that meet the zone, best first."""
    if not np.isfinite(boxes).all():
        raise InternalError("a tile of the scan has no finite box")
    zone = measure.zone
    side = [np.stack([boxes[:, i, 0], boxes[:, 0, 1], boxes[:, j, 2]], axis=-1) for i, j in _SIDE]
    corners = measure.stance.to_floor(np.array(side))
    along, up = corners[..., 0], corners[..., 1]
    low, high = np.maximum(along.min(axis=0), zone.s_low), np.minimum(along.max(axis=0), zone.s_high)
    meets = (low <= high) & (boxes[:, 0, 1] <= zone.half_width) & (boxes[:, 1, 1] >= -zone.half_width)
    order = np.flatnonzero(meets)
    bounds = np.full(len(boxes), math.inf)
    bounds[order] = _bottom_bounds(low[order], high[order], up.min(axis=0)[order], measure)
    return bounds, order[np.argsort(bounds[order], kind="stable")]


def _bottom_bounds(low: Floats, high: Floats, bottom: Floats, measure: Measure) -> Floats:
    """A lower bound (t,) of the figure over rectangles that stand on ``low`` … ``high`` at a height.

    Each term grows with the height and is least at an end of a piece of the bottom edge: the
    points above a tangent plane, with the tyre's circle, are a convex set that is open upward.
    That holds for planes up to the vertical; over the top of a tyre the angle is more than 90,
    and 90 bounds it.
    """
    along = np.linspace(low, high, 1 + (_PIECES if measure.searches_edges else 1))
    terms = measure.parts(np.stack([along, np.broadcast_to(bottom, along.shape)], axis=-1))
    lids = [np.minimum(term, 90.0) if measure.wheels else term for term in terms]
    return np.asarray(np.sum([np.minimum(lid[:-1], lid[1:]) for lid in lids], axis=0).min(axis=0))


def least_of_mesh(
    vertices: Floats, faces: NDArray[np.integer], measure: Measure, *, ball_mm: float = 0.0, limit: float = math.inf
) -> Found | None:
    """The least figure over all faces (k, 3) of the vertices (n, 3); all vertices are taken to be used.

    None where nothing lies in the zone. Figures above ``limit`` need not be found.
    Raises InternalError on a vertex that is not finite.
    """
    if not np.isfinite(vertices).all():
        raise InternalError("a mesh has a vertex that is not finite")
    floor = measure.stance.to_floor(vertices)
    limits = _limits(floor, vertices[:, 1], measure.zone)
    terms = measure.parts(floor, ball_mm)
    inside = np.all(limits >= 0.0, axis=1)
    cut = _crossing(inside, limits, faces)
    found = [_least_point(vertices[inside], np.sum(terms, axis=0)[inside], measure, ball_mm)]
    if cut.any():
        points = _cut_points(vertices[faces[cut]], limits[faces[cut]], measure)
        found.append(_least_point(points, measure.figure(measure.stance.to_floor(points), ball_mm), measure, ball_mm))
    best = least_of(found)
    if best is None or not measure.searches_edges:
        return best
    # One angle is least at a corner of a triangle: the sum of the two least is a lower bound.
    lowest = np.sum([term[faces].min(axis=1) for term in terms], axis=0)
    promising = cut | (np.all(inside[faces], axis=1) & (lowest < min(limit, best.value)))
    return least_of([best, _least_on_edges(vertices[faces[promising]], measure, min(limit, best.value))])


def _least_point(points: Floats, values: Floats, measure: Measure, ball_mm: float) -> Found | None:
    if len(points) == 0:
        return None
    lowest = int(np.argmin(values))
    least = float(values[lowest])
    return Found(least, measure.contact(points[lowest], least, ball_mm))


def _limits(floor: Floats, across: Floats, zone: Zone) -> Floats:
    """(…, 2) points in floor coordinates and their y → (…, m): how far inside each finite limit of the zone, mm."""
    limits = [
        (zone.s_low, floor[..., 0] - zone.s_low),
        (zone.s_high, zone.s_high - floor[..., 0]),
        (zone.half_width, zone.half_width - across),
        (zone.half_width, zone.half_width + across),
    ]
    held = [inside for at, inside in limits if math.isfinite(at)]
    return np.stack(held, axis=-1) if held else np.zeros((*across.shape, 1))


def _crossing(inside: NDArray[np.bool_], limits: Floats, faces: NDArray[np.integer]) -> NDArray[np.bool_]:
    """Which faces (k,) the edge of the zone may cut: not wholly inside, and not wholly beyond one limit."""
    reached = np.all(np.any(limits[faces] >= 0.0, axis=1), axis=1) if not inside.all() else np.zeros(len(faces), bool)
    return np.asarray(~np.all(inside[faces], axis=1) & reached)


def _cut_points(triangles: Floats, limits: Floats, measure: Measure) -> Floats:
    """New corners (n, 3) of the triangles after cutting them to the zone."""
    points = np.concatenate([_cuts(triangles, limits), _zone_corners(triangles, measure)])
    grace = _limits(measure.stance.to_floor(points), points[:, 1], measure.zone) >= -1e-9
    return np.asarray(points[np.all(grace, axis=1)])


def _cuts(triangles: Floats, limits: Floats) -> Floats:
    """Where edges cross the limits of the zone."""
    found = []
    for first, second in ((0, 1), (1, 2), (2, 0)):
        a, b = limits[:, first], limits[:, second]
        edge, limit = np.nonzero((a < 0.0) != (b < 0.0))
        part = (a[edge, limit] / (a[edge, limit] - b[edge, limit]))[:, None]
        found.append(triangles[edge, first] * (1.0 - part) + triangles[edge, second] * part)
    return np.concatenate(found)


def _zone_corners(triangles: Floats, measure: Measure) -> Floats:
    """Where the upright lines at the zone's four corners go through triangles."""
    zone = measure.zone
    ends = [(s, y) for s in (zone.s_low, zone.s_high) for y in (-zone.half_width, zone.half_width)]
    found = [np.empty((0, 3))]
    plan = np.stack([measure.stance.to_floor(triangles)[..., 0], triangles[..., 1]], axis=-1)
    first, second = plan[:, 1] - plan[:, 0], plan[:, 2] - plan[:, 0]
    area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        for end in ends:
            if not np.isfinite(end).all():
                continue
            off = np.asarray(end) - plan[:, 0]
            u = (off[:, 0] * second[:, 1] - off[:, 1] * second[:, 0]) / area
            v = (first[:, 0] * off[:, 1] - first[:, 1] * off[:, 0]) / area
            hit = (area != 0.0) & (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0)
            a, b, c = triangles[hit, 0], triangles[hit, 1], triangles[hit, 2]
            found.append(a + u[hit, None] * (b - a) + v[hit, None] * (c - a))
    return np.concatenate(found)


def _least_on_edges(triangles: Floats, measure: Measure, limit: float) -> Found | None:
    """The least figure on the triangles' edges, where one can be below ``limit``.

    On a piece of an edge outside both tyres the sum of the angles has one minimum: the
    points of equal sum lie on the convex branch of a limaçon (inscribed angle).
    """
    starts, ends = _edges_in_zone(triangles, measure)
    floor = measure.stance.to_floor(np.stack([starts, ends], axis=1))
    for pieces in (1, 4, 16):
        promising = _can_be_below(floor, measure, pieces, limit)
        if not promising.any():
            return None
        starts, ends, floor = starts[promising], ends[promising], floor[promising]
    part, values = _least_along(floor, measure)
    lowest = int(np.argmin(values))
    point = starts[lowest] * (1.0 - part[lowest]) + ends[lowest] * part[lowest]
    return Found(float(values[lowest]), point)


def _can_be_below(floor: Floats, measure: Measure, pieces: int, limit: float) -> NDArray[np.bool_]:
    """Which edges (m, 2, 2) may hold a figure below ``limit``.

    One angle is least at an end of a piece of an edge, so the sum of the two least is a lower bound.
    """
    part = np.linspace(0.0, 1.0, pieces + 1)[:, None]
    terms = measure.parts(floor[:, :1] * (1.0 - part) + floor[:, 1:] * part)
    bounds = np.sum([np.minimum(term[:, :-1], term[:, 1:]) for term in terms], axis=0)
    return np.asarray(bounds.min(axis=1) < limit)


def _edges_in_zone(triangles: Floats, measure: Measure) -> tuple[Floats, Floats]:
    """Edges (m, 3) + (m, 3) cut to the zone's limits along the floor."""
    starts = triangles.reshape(-1, 3)
    ends = triangles[:, [1, 2, 0]].reshape(-1, 3)
    a, b = (_limits(measure.stance.to_floor(p), p[:, 1], measure.zone) for p in (starts, ends))
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = a / (a - b)
    enters = np.where((a < 0.0) & (b >= 0.0), crossing, 0.0).max(axis=1)
    leaves = np.where((a >= 0.0) & (b < 0.0), crossing, 1.0).min(axis=1)
    kept = (enters <= leaves) & ~((a < 0.0) & (b < 0.0)).any(axis=1)
    starts, ends, enters, leaves = starts[kept], ends[kept], enters[kept, None], leaves[kept, None]
    along = ends - starts
    return starts + enters * along, starts + leaves * along


def _least_along(floor: Floats, measure: Measure) -> tuple[Floats, Floats]:
    """(m, 2, 2) edges in floor coordinates → where (m,) in 0 … 1 and how small (m,) the figure gets.

    Samples, then samples between the neighbours of the best, and so on. A point inside a
    tyre is +inf and never the best.
    """
    start, end = floor[:, :1], floor[:, 1:]
    low, high = np.zeros(len(floor)), np.ones(len(floor))
    each = np.arange(len(floor))
    for _ in range(_ROUNDS):
        part = np.linspace(low, high, _SAMPLES, axis=1)
        values = measure.figure(start * (1.0 - part[..., None]) + end * part[..., None])
        best = values.argmin(axis=1)
        low, high = part[each, np.maximum(best - 1, 0)], part[each, np.minimum(best + 1, _SAMPLES - 1)]
    return part[each, best], values[each, best]
