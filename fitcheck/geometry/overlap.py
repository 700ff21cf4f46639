"""Overlap of a part (a union of closed solids) with a surface: how deep, and which way out.

For a part and a surface the *signed clearance* is the distance when they are apart and
minus the intrusion depth when they overlap: the greatest depth of a surface point inside
the part. Under translation it changes no faster than the move itself, so

- margin + depth is a lower bound on *any* move that clears by the margin; a sampled depth
  is only ever too small, so it keeps that promise;
- stepping along a direction by (margin − signed clearance) cannot jump over a clear position.

Depth saturates where a skin passes right through a part: it is never called "the move
needed". The clearing move is computed by stepping. It is a position, not a path to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry.clip import inside_of
from fitcheck.geometry.distance import CONTACT_TOLERANCE_MM, Shape, box_gaps, least_between
from fitcheck.geometry.inside import depths, inside
from fitcheck.geometry.sampling import points_on_triangles
from fitcheck.geometry.separation import nearest_to_origin
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]

SAMPLING_MM = 8.0
LEAST_SPACING_MM = 1.0
MOST_LATTICE = 4000
LEAST_STEP_MM = 0.05
MOVE_LIMIT_MM = 400.0


@dataclass(frozen=True)
class Meeting:
    """How two bodies stand: signed clearance in mm (−depth where they overlap), and where.

    ``contact`` is "apart", "touching", "overlap" (surfaces cross), "inside" (one wholly in the
    other) or "unknown" (apart, but whether one is inside the other cannot be told). ``exit`` is
    the unit vector along which the deepest point leaves the part.
    """

    clearance_mm: float
    points_mm: Floats
    contact: str
    exit: Floats | None = None


def meet(part: Sequence[Solid], other: Sequence[Shape]) -> Meeting:
    """Signed clearance between two unions of shapes; ``part`` must be closed solids.

    Solids of ``other`` are asked for containment both ways; of a surface it is asked whether a
    piece of it lies inside the part (whether the part lies inside an open surface cannot be
    told here). Raises InternalError when either has no triangles.
    """
    best = least_between(part, other)
    if best is None:
        raise InternalError("a clearance needs at least one shape on each side")
    deep = _deepest(part, other)
    if best.distance_mm > CONTACT_TOLERANCE_MM and deep is None:
        contact = "unknown" if _cannot_tell(part, other) else "apart"
        return Meeting(best.distance_mm, best.points_mm, contact)
    if deep is None:
        return Meeting(0.0, best.points_mm, "touching")
    depth, point, way_out = deep
    contact = "overlap" if best.distance_mm <= CONTACT_TOLERANCE_MM else "inside"
    return Meeting(-depth, np.array([point + depth * way_out, point]), contact, way_out)


def _deepest(part: Sequence[Solid], other: Sequence[Shape]) -> tuple[float, Floats, Floats] | None:
    """The deepest sampled point of either inside the other: depth, point, way out of the part."""
    best: tuple[float, Floats, Floats] | None = None
    for solid in part:
        for shape in other:
            for points, holder, sense in _samples(solid, shape):
                deep = depths(points, holder)
                if len(deep) and deep.max() > CONTACT_TOLERANCE_MM and (best is None or deep.max() > best[0]):
                    k = int(deep.argmax())
                    best = float(deep[k]), points[k], sense * _way_out(points[k], holder)
    return best


def _cannot_tell(part: Sequence[Solid], other: Sequence[Shape]) -> bool:
    """Whether something reaches into the box of a mesh that is not closed, and so may be inside it."""
    pairs = [(solid, shape) for solid in part for shape in other]
    pairs += [(shape, solid) for solid, shape in pairs if isinstance(shape, Solid)]
    return any(not holder.closed and len(_points_near(shape, holder.extents())) > 0 for holder, shape in pairs)


def _samples(solid: Solid, shape: Shape) -> list[tuple[Floats, Solid, float]]:
    """Points to ask about, the solid they may be inside of, and the sense of the way out for the part."""
    found = [(_inner_and_near(shape, solid), solid, -1.0)] if solid.closed else []
    if isinstance(shape, Solid) and shape.closed:
        found.append((_inner_and_near(solid, shape), shape, 1.0))
    return found


def _inner_and_near(shape: Shape, holder: Solid) -> Floats:
    """Surface points of a shape near a solid; of a convex one also its middle: two parts may coincide."""
    points = _points_near(shape, holder.extents())
    if isinstance(shape, Solid) and shape.convex:
        return np.concatenate([points, shape.vertices.mean(axis=0)[None]])
    return points


def _points_near(shape: Shape, extents: Floats) -> Floats:
    """Sample points of a shape's own surface that may lie inside a box of ``extents``."""
    if isinstance(shape, TiledSurface):
        tiles = np.flatnonzero(box_gaps(shape.boxes[:, 0], shape.boxes[:, 1], extents[0], extents[1]) <= 0.0)
        corners = shape.triangles(shape.face_rows(tiles))
    else:
        corners = shape.vertices[shape.faces]
    if len(corners) == 0:
        return np.empty((0, 3))
    lo, hi = corners.min(axis=1), corners.max(axis=1)
    meeting = box_gaps(lo, hi, extents[0], extents[1]) <= 0.0
    large = meeting & ((hi - lo).max(axis=1) > 2.0 * SAMPLING_MM)
    planes = np.concatenate([-np.eye(3), np.eye(3)]), np.concatenate([-extents[0], extents[1]])
    if len(corners) > 0 and not meeting.any():
        return np.empty((0, 3))
    spacing = float(np.clip((extents[1] - extents[0]).min() / 2.0, LEAST_SPACING_MM, SAMPLING_MM))
    pieces = np.concatenate([corners[meeting & ~large], inside_of(corners[large], *planes)])
    lattice = points_on_triangles(pieces, spacing)
    # Every corner is asked, so that no fragment is missed; of very many lattice points some will do.
    return np.concatenate([pieces.reshape(-1, 3), lattice[:: max(1, len(lattice) // MOST_LATTICE)]])


def _way_out(point: Floats, solid: Solid) -> Floats:
    """Unit vector from a point inside a solid to the nearest point of its surface."""
    corners = solid.vertices[solid.faces]
    if solid.radius_mm > 0.0 or not solid.convex:
        ways = nearest_to_origin(corners - point)
        nearest = ways[int(np.einsum("fi,fi->f", ways, ways).argmin())]
        return _unit(-nearest if solid.radius_mm > 0.0 else nearest)  # away from a core, towards a surface
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    heights = np.einsum("fi,fi->f", normals, corners[:, 0] - point) / np.where(size > 0.0, size, 1.0)
    best = int(np.where(size > 0.0, heights, np.inf).argmin())
    return np.asarray(normals[best] / size[best])


def _unit(vector: Floats) -> Floats:
    length = float(np.linalg.norm(vector))
    return vector / length if length > 0.0 else np.array([0.0, 0.0, 1.0])


def clearing_move(
    part: Sequence[Solid], other: Sequence[Shape], direction: Floats, margin_mm: float, limit_mm: float = MOVE_LIMIT_MM
) -> float | None:
    """The first distance along a unit ``direction`` at which the part clears ``other`` by ``margin_mm``.

    None when there is none within ``limit_mm``. Steps by (margin − signed clearance), never less
    than 0.05 mm, after sixty steps never less than 1 mm: a clear window narrower than that may
    be passed over.
    """
    moved_mm, steps = 0.0, 0
    while moved_mm <= limit_mm:
        steps += 1
        moved = [solid.moved(np.eye(3), moved_mm * direction) for solid in part]
        short = margin_mm - meet(moved, other).clearance_mm
        if short <= 1e-6:
            return moved_mm
        moved_mm += max(short, LEAST_STEP_MM if steps <= 60 else 1.0)
    return None


def any_inside(points: Floats, solids: Sequence[Solid]) -> bool | None:
    """Whether any of (n, 3) points lies inside any of the solids; None where a mesh is not closed to tell."""
    if any(bool(inside(points, solid).any()) for solid in solids if solid.closed):
        return True
    for solid in solids:
        low, high = solid.extents()
        if not solid.closed and bool(((points > low) & (points < high)).all(axis=1).any()):
            return None
    return False
