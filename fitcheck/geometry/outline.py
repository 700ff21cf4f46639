"""A flat outline pulled straight into a closed solid: brackets, plates, odd-shaped boxes.

The outline may be concave (an L, a U) but must not cross or touch itself. The
triangles of both ends use exactly the outline's own corners, so the mesh closes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InputError, InternalError
from fitcheck.geometry.mass_properties import is_closed
from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

PLANES: dict[str, tuple[int, int, int]] = {"xy": (0, 1, 2), "xz": (0, 2, 1), "yz": (1, 2, 0)}
"""Plane → the axes of the outline's two numbers, then the axis along which it is pulled."""

NEAREST_POINTS_MM = 1e-6
"""Two neighbouring corners closer than this are one corner typed twice."""


def extruded_outline(points: ArrayLike, plane: str, lo_mm: float, hi_mm: float) -> Solid:
    """The closed solid over an outline of (n, 2) points in mm, from ``lo_mm`` to ``hi_mm``.

    ``plane`` "xy", "xz" or "yz" says which coordinates the points give. Either sense of
    rotation is accepted; the first point is not repeated at the end. Volume: the
    outline's area times ``hi_mm − lo_mm``. ``convex`` is set when the outline is.

    Raises InputError: fewer than three points, values that are not finite, repeated
    points, an outline that crosses or touches itself or has no area, ``lo_mm ≥ hi_mm``.
    """
    if plane not in PLANES:
        raise InputError(f"an outline lies in plane xy, xz or yz, not '{plane}'")
    if not (np.isfinite(lo_mm) and np.isfinite(hi_mm) and lo_mm < hi_mm):
        raise InputError(f"an outline runs from a lower to a higher value, not from {lo_mm:g} to {hi_mm:g}")
    ring = _checked_ring(points)
    triangles, convex = _triangulate(ring)
    first, second, along = PLANES[plane]
    count = len(ring)
    vertices = np.empty((2 * count, 3))
    vertices[:, first], vertices[:, second] = np.tile(ring[:, 0], 2), np.tile(ring[:, 1], 2)
    vertices[:, along] = np.repeat([lo_mm, hi_mm], count)
    faces = _faces(triangles, count)
    if plane == "xz":  # x, z, y is left-handed: what is counter-clockwise on paper is clockwise in space
        faces = np.ascontiguousarray(faces[:, ::-1])
    if not is_closed(vertices, faces):
        raise InternalError("an extruded outline did not close")
    return Solid(vertices, faces, convex=convex)


def _checked_ring(points: ArrayLike) -> Floats:
    """The outline counter-clockwise, (n, 2); raises InputError when it is none."""
    ring = np.asarray(points, dtype=np.float64)
    if ring.ndim != 2 or ring.shape[1] != 2 or len(ring) < 3:
        raise InputError(f"an outline needs at least three points of two numbers, found an array of {ring.shape}")
    if not np.isfinite(ring).all():
        raise InputError("an outline's points must be finite numbers")
    _refuse_repeated(ring)
    _refuse_crossing(ring)
    following = np.roll(ring, -1, axis=0)
    twice_area = float(np.sum(ring[:, 0] * following[:, 1] - ring[:, 1] * following[:, 0]))
    return ring if twice_area > 0 else ring[::-1].copy()


def _refuse_repeated(ring: Floats) -> None:
    steps = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    for i in np.flatnonzero(steps <= NEAREST_POINTS_MM):
        if i == len(ring) - 1:
            raise InputError("the outline's last point repeats its first: the outline closes by itself, leave it out")
        raise InputError(f"points {i + 1} and {i + 2} of the outline are the same ({_at(ring[i])}): leave one out")


def _refuse_crossing(ring: Floats) -> None:
    import shapely
    from shapely.validation import explain_validity

    polygon = shapely.Polygon(ring)
    if polygon.convex_hull.area <= 1e-9 * float(np.ptp(ring, axis=0).max()) ** 2:
        raise InputError("the outline has no area: its points lie on one line")
    if not polygon.is_valid:
        where = explain_validity(polygon).partition("[")[2].rstrip("]").replace(" ", ", ")
        raise InputError(
            f"the outline crosses or touches itself near ({where}): give its points in the order in which one "
            "walks round it, each once"
        )


def _triangulate(ring: Floats) -> tuple[Ints, bool]:
    """Triangles (n − 2, 3) of corner numbers, counter-clockwise, and whether the outline is convex."""
    import shapely

    polygon = shapely.Polygon(ring)
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    number = {(float(x), float(y)): i for i, (x, y) in enumerate(ring)}
    corners = [[number.get((x, y), -1) for x, y in shapely.get_coordinates(piece)[:3].tolist()] for piece in pieces]
    triangles = np.array(corners, dtype=np.int32).reshape(-1, 3)
    if len(triangles) != len(ring) - 2 or (triangles < 0).any():
        raise InternalError("an outline's triangles do not use its own corners")
    a, b, c = (ring[triangles[:, k]] for k in range(3))
    clockwise = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]) < 0
    triangles[clockwise] = triangles[clockwise][:, ::-1]
    return triangles, bool(polygon.convex_hull.area - polygon.area <= 1e-12 * polygon.area)


def _faces(triangles: Ints, count: int) -> Ints:
    """Both ends and the walls between them, for ``count`` corners at the low and as many at the high end."""
    i = np.arange(count)
    j = (i + 1) % count
    walls = np.concatenate([np.stack([i, j, j + count], axis=1), np.stack([i, j + count, i + count], axis=1)])
    return np.concatenate([triangles[:, ::-1], triangles + count, walls]).astype(np.int32)


def _at(point: Floats) -> str:
    return f"{point[0]:g}, {point[1]:g}"
