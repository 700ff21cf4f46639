"""What the scanner could not see: the space without a free line to its stations, and the shadows of removed parts.

A hand-held scanner moves about. Each station stands for all directions within :data:`CONE_DEG` of its axis, seen from
outside the vehicle, and a point is known to be empty when the line to outside is free along at least one of them.
Whatever was removed was there on scan day and stood in the way; the space that it filled itself is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.inside import winding_numbers
from fitcheck.geometry.sight import bounds, cone_directions, look, merged_boxes, spread_directions, thinned
from fitcheck.geometry.solids import box
from fitcheck.geometry.surface import TiledSurface
from fitcheck.vehicle.scene import UnseenPlace

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
Ints = NDArray[np.int32]
Mesh = tuple[Floats, Ints]
Words = tuple[str, str, str]
Tell = Callable[[str], None]

STATIONS: dict[str, tuple[int, int, int]] = {
    "below": (0, 0, -1),
    "above": (0, 0, 1),
    "left": (0, -1, 0),
    "right": (0, 1, 0),
    "front": (-1, 0, 0),
    "rear": (1, 0, 0),
}
"""Where a scanner may have been, and which way that is from the vehicle."""

CONE_DEG = 60.0
"""How far a line of sight may lean away from its station's axis. A judgement: from the side, half a metre off, a
scanner held at two metres looks down at 45 to 60 degrees on a bed at 0.7; lying under a rail at 0.5 metres one looks
up to 0.9 metres aside. Wider cones would call more seen than a person may have looked at."""

STEP_DEG = 20.0
"""How far apart the lines of sight are, about. Finer ones see 2 % more of what is hidden."""

REACH_CELLS = 0.35
"""How near to metal a line of sight may pass, in cells; it is looked at with this tolerance."""

ALL_ROUND_STEP_DEG = 35.0
"""The same where the scanner was on all six sides, or may have been: cones overlap there."""

APART_SHARE = 0.6
"""Of two lines nearer than this share of the step, from cones that overlap, one is enough."""

MARGIN_CELLS = 3.0**0.5
"""What lies within this many cells of scanned metal, or of a membrane, is explained by it: behind its skin, or in the
roughness of the grid. The skin itself was seen along some line, so what is right before it is empty. Measured to
thinned points: of a cell of 20 mm the middles within 27 mm are always explained, none beyond 38. So unseen
cells keep 10 mm at least behind a skin, and what is thinner than 27 mm may lie unnoticed on the far side of a sheet."""

FLOOR_MM = 50.0
"""Metal this near to z = 0 is the scan-day floor: the scanner stood between it and the vehicle."""

SEEN, OUT_OF_SIGHT, SHADOW, FILLED, EXPLAINED = 0, 1, 2, 254, 255
"""States of a cell; ``SHADOW`` + k is the shadow of removed thing k. ``FILLED``: a removed thing was there.
``EXPLAINED``: no line reaches it, and scanned metal is right beside it."""

MOST_CELLS = 4_000_000
MOST_POINTS = 4_000_000
"""Above these, cells become larger: a scan of a whole yard is looked at more coarsely."""

PLACE_MM = 320.0
"""No place is longer than this, so that its name says where to look."""


@dataclass(frozen=True, eq=False)
class SightGrid:
    """What is known of each cell of a grid: ``state`` (nx, ny, nz) uint8, cell (0, 0, 0) begins at ``origin_mm`` (3,).

    Beyond the grid everything is seen. ``things`` names the removed things in the order of their states; ``seen_from``
    is what was declared (empty: all six stations, shadows only). ``notes`` say what the reader should know.
    """

    origin_mm: Floats
    cell_mm: float
    state: NDArray[np.uint8]
    things: tuple[str, ...] = ()
    seen_from: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def unseen(self) -> Flags:
        """Which cells (nx, ny, nz) are out of sight or in a shadow."""
        return np.asarray((self.state != SEEN) & (self.state < FILLED))


def sight_grid(
    metal: TiledSurface,
    removed: dict[str, TiledSurface],
    seen_from: tuple[str, ...],
    *,
    cell_mm: float = 20.0,
    membranes: TiledSurface | None = None,
    progress: Tell | None = None,
) -> SightGrid:
    """Which cells of space can be seen from the stations, all surfaces as scanned, in mm in the vehicle frame.

    ``metal`` is what stays and ``removed`` what comes off; ``membranes`` over holes of the scan block as metal does.
    An unknown station raises InternalError. Without ``seen_from`` only shadows are told, as seen from all six sides.
    Without any surface the grid has no cells. A cell is called seen only when a line from its middle misses every
    surface; the error is to the other side: gaps of less than about 1.5 cells are not looked through.
    """
    _check(removed, seen_from)
    if progress is not None:
        progress("looking at the scan from where the scanner was")
    solid = _without_floor(*_joined(metal, membranes))
    things = [_without_floor(surface.vertices, surface.faces) for surface in removed.values()]
    frame, notes = _grid_over([solid, *things] if seen_from else things, seen_from or tuple(STATIONS), cell_mm)
    if len(solid[1]) < metal.triangle_count + (membranes.triangle_count if membranes is not None else 0):
        notes.append(f"scanned metal within {FLOOR_MM:g} mm of z = 0 is taken as the floor and hides nothing")
    if frame is None:
        return SightGrid(np.zeros(3), cell_mm, np.zeros((0, 0, 0), np.uint8), tuple(removed), seen_from, tuple(notes))
    state = _states(frame, solid, things, seen_from or tuple(STATIONS))
    if not seen_from:
        state[state == OUT_OF_SIGHT] = SEEN
        notes.append(_NOT_SAID)
    shaped = state.reshape(frame.shape)
    return SightGrid(frame.origin_mm, frame.cell_mm, shaped, tuple(removed), seen_from, tuple(notes))


_NOT_SAID = (
    "the layout does not say where the scanner was (scan: seen_from): what it could not see is not looked for, and "
    "the shadows of removed parts are as if it had been on all six sides"
)


def _check(removed: dict[str, TiledSurface], seen_from: tuple[str, ...]) -> None:
    unknown = set(seen_from) - set(STATIONS)
    if unknown:
        raise InternalError(f"a scanner cannot have been {sorted(unknown)}; expected some of {list(STATIONS)}")
    if len(removed) > FILLED - SHADOW:
        raise InternalError(f"{len(removed)} removed things are more than a grid can tell apart")


def _joined(metal: TiledSurface, membranes: TiledSurface | None) -> Mesh:
    if membranes is None or membranes.triangle_count == 0:
        return metal.vertices, metal.faces
    faces = np.concatenate([metal.faces, membranes.faces + np.int32(len(metal.vertices))])
    return np.concatenate([metal.vertices, membranes.vertices]), faces


# -- the grid --


@dataclass(frozen=True, eq=False)
class _Frame:
    """Cells in space: row r is cell ``unravel_index(r, shape)``."""

    origin_mm: Floats
    cell_mm: float
    shape: tuple[int, int, int]

    def middles(self, rows: Rows | None = None) -> Floats:
        """Middles (n, 3) of the cells in the given rows; of all where none are given."""
        rows = np.arange(int(np.prod(self.shape))) if rows is None else rows
        return self.origin_mm + (np.column_stack(np.unravel_index(rows, self.shape)) + 0.5) * self.cell_mm


def _grid_over(surfaces: Sequence[Mesh], stations: Sequence[str], cell_mm: float) -> tuple[_Frame | None, list[str]]:
    """Cells over all surfaces and over what one station alone leaves in the dark behind them."""
    ends = np.array([bounds(*surface) for surface in surfaces if len(surface[1])])
    if len(ends) == 0:
        return None, ["there is no surface to look at"]
    lo, hi = ends[:, 0].min(axis=0), ends[:, 1].max(axis=0)
    lo, hi = lo - _beyond(lo, hi, stations, -1), hi + _beyond(lo, hi, stations, 1)
    if len(stations) == len(STATIONS):  # from all sides a shadow ends nearer than the thing is wide
        width = float(np.sort(hi - lo)[1])
        lo, hi = lo - width, hi + width
    area = sum(_area(*surface) for surface in surfaces)
    cell = max(cell_mm, 2.0 / REACH_CELLS * math.sqrt(area / MOST_POINTS))  # voxels are half a reach
    while np.prod((hi - lo) / cell + 3.0) > MOST_CELLS:
        cell *= 1.1
    notes = []
    if cell > cell_mm:
        notes = [f"the scan is large: what could be seen is told in cells of {cell:.0f} mm, not {cell_mm:g}"]
    # on multiples of a cell, so that the mirror image of a scan about y = 0 has the mirrored cells
    first, last = np.floor(lo / cell).astype(int) - 1, np.ceil(hi / cell).astype(int) + 1
    nx, ny, nz = (int(k) for k in last - first)
    return _Frame(first * cell, cell, (nx, ny, nz)), notes


def _beyond(lo: Floats, hi: Floats, stations: Sequence[str], side: int) -> Floats:
    """How far (3,) behind the surfaces' box something may be hidden, on its low (−1) or high (1) sides.

    Past a box all is seen from a station on that side or square to it. Where the only station is opposite, the dark
    reaches half the box's lesser width over the tangent of the cone.
    """
    axes = np.array([STATIONS[name] for name in stations])
    deep = np.zeros(3)
    for axis in range(3):
        if (axes[:, axis] == -side).all():
            width = float(np.delete(hi - lo, axis).min())
            deep[axis] = width / 2.0 / math.tan(math.radians(CONE_DEG))
    return deep


def _area(vertices: Floats, faces: Ints) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2.0


def _without_floor(vertices: Floats, faces: Ints) -> Mesh:
    low = np.abs(vertices[:, 2]) <= FLOOR_MM
    return (vertices, faces[~low[faces].all(axis=1)]) if low.any() else (vertices, faces)


def _states(frame: _Frame, metal: Mesh, removed: Sequence[Mesh], stations: Sequence[str]) -> NDArray[np.uint8]:
    reach = REACH_CELLS * frame.cell_mm
    points, *things = (thinned(*surface, reach) for surface in (metal, *removed))
    sight = look(frame.middles(), points, things, directions=lines_of_sight(stations), reach_mm=reach)
    state = np.where(sight.seen, SEEN, SHADOW + sight.behind).astype(np.uint8)  # nobody in the way: OUT_OF_SIGHT
    for surface, some in zip(removed, things, strict=True):
        rows = np.flatnonzero(state)
        state[rows[_filled(frame.middles(rows), surface, some, frame.cell_mm)]] = FILLED
    rows = np.flatnonzero((state != SEEN) & (state != FILLED))
    state[rows[_near(frame.middles(rows), points, MARGIN_CELLS * frame.cell_mm)]] = EXPLAINED
    return state


def lines_of_sight(stations: Sequence[str]) -> Floats:
    """Unit vectors (n, 3) from the vehicle to outside: all that is looked along from these stations."""
    step = STEP_DEG if len(stations) < len(STATIONS) else ALL_ROUND_STEP_DEG
    cones = [cone_directions(np.array(STATIONS[name]), CONE_DEG, step) for name in STATIONS if name in stations]
    return spread_directions(cones, APART_SHARE * step)


def _filled(places: Floats, surface: Mesh, points: Singles, cell_mm: float) -> Flags:
    """Which of (n, 3) places a removed thing took up: inside it, or within a cell of its surface."""
    filled = np.zeros(len(places), dtype=bool)
    if len(points) == 0 or len(places) == 0:
        return filled
    lo, hi = points.min(axis=0) - cell_mm, points.max(axis=0) + cell_mm
    rows = np.flatnonzero(((places >= lo) & (places <= hi)).all(axis=1))
    if len(rows):
        filled[rows] = _near(places[rows], points, cell_mm)
        rows = rows[~filled[rows]]
        filled[rows] = winding_numbers(places[rows], *surface) > 0.5
    return filled


def _near(places: Floats, points: Singles, reach_mm: float) -> Flags:
    """Which of (n, 3) places lie within ``reach_mm`` of one of the points."""
    from scipy.spatial import cKDTree

    if len(points) == 0 or len(places) == 0:
        return np.zeros(len(places), dtype=bool)
    lo, hi = places.min(axis=0) - reach_mm, places.max(axis=0) + reach_mm
    points = points[((points >= lo) & (points <= hi)).all(axis=1)]
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    return np.asarray(np.isfinite(tree.query(places, distance_upper_bound=reach_mm)[0]))


# -- places --


def sight_places(grid: SightGrid) -> tuple[UnseenPlace, ...]:
    """The unseen cells of a grid as boxes, several of which may share a name: those of one place of a few hundred mm.

    Boxes do not overlap and together are exactly the unseen cells. A grid without unseen cells has no places.
    """
    cells = np.argwhere(grid.unseen())
    if len(cells) == 0:
        return ()
    state = grid.state[tuple(cells.T)]
    group = _grouped(grid, cells, state)
    lo, hi, owner = merged_boxes(cells, group)
    named = [_named(grid, cells[group == number], int(state[group == number][0])) for number in range(group.max() + 1)]
    boxes = grid.origin_mm + grid.cell_mm * np.stack([lo, hi], axis=1)
    return _places(boxes, owner, named)


def _grouped(grid: SightGrid, cells: Rows, state: NDArray[np.uint8]) -> Rows:
    """Numbers (n,) of the place that each cell belongs to: connected, of one kind, and at most ``PLACE_MM`` long."""
    from scipy.ndimage import label

    piece = np.empty(len(cells), dtype=np.intp)
    count = 0
    for value in np.unique(state):
        labels, found = label(grid.state == value, structure=np.ones((3, 3, 3)))
        rows = state == value
        piece[rows] = labels[tuple(cells[rows].T)] - 1 + count
        count += found
    first, last = np.full((count, 3), np.iinfo(np.intp).max), np.zeros((count, 3), dtype=np.intp)
    np.minimum.at(first, piece, cells)
    np.maximum.at(last, piece, cells + 1)
    size = (last - first)[piece]
    parts = np.ceil(size * grid.cell_mm / PLACE_MM).astype(np.intp)
    block = (cells - first[piece]) * parts // size
    return np.asarray(np.unique(np.column_stack([piece, block]), axis=0, return_inverse=True)[1].reshape(-1))


def _named(grid: SightGrid, cells: Rows, state: int) -> Words:
    """Name, kind and reason of the place that these cells make."""
    middle = cells[np.argmin(np.linalg.norm(cells - cells.mean(axis=0), axis=1))]
    at = ", ".join(f"{10 * round(c / 10)}" for c in grid.origin_mm + (middle + 0.5) * grid.cell_mm)
    sides = _listed(grid.seen_from) if grid.seen_from else "any side"
    lines = f"no line from {sides}, leaning {CONE_DEG:g}° at most, "
    if state == OUT_OF_SIGHT:
        return f"out of sight near ({at})", "out of sight", f"{lines}reaches it past the scanned metal"
    thing = grid.things[state - SHADOW]
    why = f"the {thing} was there on scan day, and {lines}reached past it"
    return f"behind the removed {thing} near ({at})", "shadow", why


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _places(boxes: Floats, owner: Rows, words: Sequence[Words]) -> tuple[UnseenPlace, ...]:
    return tuple(UnseenPlace(*words[int(k)], box(lo, hi)) for k, (lo, hi) in zip(owner, boxes, strict=True))
