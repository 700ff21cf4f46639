"""Taking scanned things off the metal, and moving others: by a region, or by the connected piece at a place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InternalError, ScanError
from fitcheck.geometry.meshes import weld
from fitcheck.scan.spec import Removal, Shift
from fitcheck.vehicle.scene import Region

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

PIECE_WITHIN_MM = 50.0
"""A place that names a connected piece must lie this near to it, else the wrong thing would come off."""

_CHUNK = 1 << 17


@dataclass(frozen=True, eq=False)
class CutScan:
    """``faces`` (m, 3) is the metal that stays; ``removed``: name → its faces; both index ``vertices`` (n, 3) mm.

    ``still``: what of the metal was not moved; ``stood``: name → what was moved, where it stood on scan day.
    """

    vertices: Floats
    faces: Ints
    removed: dict[str, Ints]
    notes: tuple[str, ...]
    still: Ints
    stood: dict[str, Ints]


def cut_scan(
    vertices: Floats, faces: Ints, *, removals: tuple[Removal, ...] = (), shifts: tuple[Shift, ...] = ()
) -> CutScan:
    """Take the removals off the metal and move the shifts, all chosen by where they were scanned.

    A face belongs to a region when all its corners are inside. A face claimed by several
    removals goes to the first; a removed face is not moved. Raises ScanError for an entry
    that claims no face, and when nothing is left.
    """
    _check_entries(removals, shifts)
    pieces = _Pieces(vertices, faces)
    free = np.ones(len(faces), dtype=bool)
    removed: dict[str, Ints] = {}
    notes: list[str] = []
    for entry in removals:
        claimed = _claimed(entry, vertices, faces, pieces) & free
        if not claimed.any():
            raise ScanError(f"{_title(entry)}: all its faces were removed by an earlier entry. Drop one of them.")
        removed[entry.name] = faces[claimed]
        free &= ~claimed
        notes.append(f"removed {entry.name}: {int(claimed.sum())} of {len(faces)} faces")
    if not free.any():
        raise ScanError(f"{_title(removals[-1])}: with it nothing is left of the scan. Make the region smaller.")
    scanned, still, stood = faces, free.copy(), {}
    moves = [(shift, _claimed(shift, vertices, faces, pieces) & free) for shift in shifts]
    for shift, claimed in moves:
        stood[shift.name] = scanned[claimed]
        still &= ~claimed
        vertices, faces = _moved(vertices, faces, claimed, shift.by_mm)
        notes.append(f"moved {shift.name}: {int(claimed.sum())} of {len(faces)} faces")
    return CutScan(vertices, faces[free] if removals else faces, removed, tuple(notes), scanned[still], stood)


def region_distance_mm(region: Region, points: Floats) -> Floats:
    """How far each of (n, 3) points is outside the region, mm; 0 inside. Closed forms."""
    if region.kind == "box":
        outside = np.maximum(np.asarray(region.lo) - points, points - np.asarray(region.hi))
        return np.asarray(np.linalg.norm(np.maximum(outside, 0.0), axis=1))
    start, radius = np.asarray(region.start, dtype=np.float64), float(region.radius_mm or 0.0)
    if region.kind == "sphere":
        return np.asarray(np.maximum(np.linalg.norm(points - start, axis=1) - radius, 0.0))
    axis = np.asarray(region.end, dtype=np.float64) - start
    length = float(np.linalg.norm(axis))
    along = (points - start) @ (axis / length)
    beyond = along - np.clip(along, 0.0, length)
    radial = np.linalg.norm(points - start - along[:, None] * (axis / length), axis=1)
    if region.kind == "capsule":
        return np.asarray(np.maximum(np.hypot(radial, beyond) - radius, 0.0))
    return np.asarray(np.hypot(np.maximum(radial - radius, 0.0), beyond))


def point_triangle_distances(point: ArrayLike, corners: Floats) -> Floats:
    """Distances (n,) from a point (3,) to triangles (n, 3, 3), exact; degenerate ones as segments or points.

    The least of the distances to the three edges, and to the plane where the foot of the
    perpendicular lies inside.
    """
    p = np.asarray(point, dtype=np.float64)
    least = np.full(len(corners), np.inf)
    inside = np.ones(len(corners), dtype=bool)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    square = np.einsum("ij,ij->i", normal, normal)
    for k in range(3):
        a, edge = corners[:, k], corners[:, (k + 1) % 3] - corners[:, k]
        long = np.einsum("ij,ij->i", edge, edge)
        along = np.clip(np.einsum("ij,ij->i", p - a, edge) / np.where(long > 0, long, 1.0), 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(p - a - along[:, None] * edge, axis=1))
        inside &= np.einsum("ij,ij->i", np.cross(edge, p - a), normal) >= 0.0
    height = np.abs(np.einsum("ij,ij->i", p - corners[:, 0], normal)) / np.sqrt(np.where(square > 0, square, 1.0))
    return np.where(inside & (square > 0), np.minimum(least, height), least)


class _Pieces:
    """The connected pieces of a mesh, found when first asked for: faces sharing a position hang together."""

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        self._vertices, self._faces = vertices, faces
        self._labels: NDArray[np.int32] | None = None

    def of_face(self, face: int) -> Mask:
        """Which faces are in the piece of this one."""
        if self._labels is None:
            self._labels = self._label()
        return np.asarray(self._labels == self._labels[face])

    def _label(self) -> NDArray[np.int32]:
        from scipy.sparse import coo_matrix
        from scipy.sparse.csgraph import connected_components

        places = weld(self._vertices)[self._faces].astype(np.int32)
        count = int(places.max()) + 1
        rows = np.concatenate([places[:, 0], places[:, 1]])
        columns = np.concatenate([places[:, 1], places[:, 2]])
        graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(count, count))
        labels = connected_components(graph, directed=False)[1]
        return np.asarray(labels[places[:, 0]], dtype=np.int32)


def _check_entries(removals: tuple[Removal, ...], shifts: tuple[Shift, ...]) -> None:
    entries: list[Removal | Shift] = [*removals, *shifts]
    names = [entry.name for entry in entries]
    for entry in entries:
        if (entry.region is None) == (entry.piece_at is None):
            raise InternalError(f"{_title(entry)}: exactly one of region and piece_at must be given")
        if names.count(entry.name) > 1:
            raise ScanError(f"{_title(entry)}: the name is given twice. Give each its own.")
        if isinstance(entry, Shift) and not np.isfinite(entry.by_mm).all():
            raise ScanError(f"{_title(entry)}: moves by {entry.by_mm}. Give three finite lengths.")


def _claimed(entry: Removal | Shift, vertices: Floats, faces: Ints, pieces: _Pieces) -> Mask:
    if entry.region is not None:
        return _in_region(entry, entry.region, vertices, faces)
    point = np.asarray(entry.piece_at, dtype=np.float64)
    face, distance = _nearest_face(point, vertices, faces)
    if distance > PIECE_WITHIN_MM:
        raise ScanError(f"{_title(entry)}: the nearest metal is {distance:.1f} mm from its place; at most "
                        f"{PIECE_WITHIN_MM:g} were expected. Name a place on the piece.")  # fmt: skip
    return pieces.of_face(face)


def _in_region(entry: Removal | Shift, region: Region, vertices: Floats, faces: Ints) -> Mask:
    inside = np.empty(len(vertices), dtype=bool)
    for start in range(0, len(vertices), _CHUNK):
        inside[start : start + _CHUNK] = region.contains(vertices[start : start + _CHUNK])
    claimed = inside[faces[:, 0]]
    claimed &= inside[faces[:, 1]]
    claimed &= inside[faces[:, 2]]
    if not claimed.any():
        raise _claims_nothing(entry, region, vertices, faces, inside)
    return claimed


def _claims_nothing(entry: Removal | Shift, region: Region, vertices: Floats, faces: Ints, inside: Mask) -> ScanError:
    touched = int(inside[faces].any(axis=1).sum())
    if touched:
        why = f"it cuts through {touched} faces and holds none of them wholly"
    else:
        used = vertices[np.unique(faces)]
        distances = region_distance_mm(region, used)
        nearest = int(np.argmin(distances))
        at = ", ".join(f"{c:.0f}" for c in used[nearest])
        why = f"no face of the scan lies in it; the nearest metal is {distances[nearest]:.1f} mm away, at ({at})"
    return ScanError(f"{_title(entry)}: {why}. Correct its place or make it larger.")


def _nearest_face(point: Floats, vertices: Floats, faces: Ints) -> tuple[int, float]:
    bounds = np.empty(len(faces))
    for start in range(0, len(faces), _CHUNK):
        corners = vertices[faces[start : start + _CHUNK]]
        gap = np.maximum(np.maximum(corners.min(axis=1) - point, point - corners.max(axis=1)), 0.0)
        bounds[start : start + _CHUNK] = np.linalg.norm(gap, axis=1)
    reach = float(point_triangle_distances(point, vertices[faces[[int(np.argmin(bounds))]]])[0])
    near = np.flatnonzero(bounds <= max(reach, float(bounds.min())))  # rounding may put reach just below
    distances = point_triangle_distances(point, vertices[faces[near]])
    best = int(np.argmin(distances))
    return int(near[best]), float(distances[best])


def _moved(vertices: Floats, faces: Ints, claimed: Mask, by_mm: ArrayLike) -> tuple[Floats, Ints]:
    """The claimed faces get vertices of their own, so that their neighbours are not stretched."""
    used, corners = np.unique(faces[claimed], return_inverse=True)
    faces = faces.copy()
    faces[claimed] = (corners.reshape(-1, 3) + len(vertices)).astype(np.int32)
    return np.concatenate([vertices, vertices[used] + np.asarray(by_mm, dtype=np.float64)]), faces


def _title(entry: Removal | Shift) -> str:
    kind = "removal" if isinstance(entry, Removal) else "shift"
    return f"{entry.origin + ': ' if entry.origin else ''}{kind} {entry.name!r}"
