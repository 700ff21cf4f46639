"""Volume, centroid, inertia and area of triangle meshes, by signed tetrahedra.

Every triangle (a, b, c) spans a tetrahedron with the origin; its signed volume is
det[a b c] / 6, and integrals over a closed mesh are sums over these tetrahedra.
Source: the canonical tetrahedron method of Blow and Binstock, "How to find the
inertia tensor (or other mass properties) of a 3D solid body represented by a
triangle mesh", 2004. Unit density throughout: multiply by the density wanted.

Lengths in mm, float64; faces wind counter-clockwise seen from outside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.meshes import weld

Floats = NDArray[np.float64]

_TETRAHEDRON = (np.ones((3, 3)) + np.eye(3)) / 120.0
"""∫ x xᵀ over the tetrahedron (0, e1, e2, e3)."""


@dataclass(frozen=True, eq=False)
class MassProperties:
    """A closed body at unit density: volume mm³, centroid (3,) mm, inertia (3, 3) mm⁵ about it, area mm²."""

    volume_mm3: float
    centroid_mm: Floats
    inertia_mm5: Floats
    area_mm2: float

    def inertia_about(self, point: ArrayLike) -> Floats:
        """Inertia (3, 3) mm⁵ about another point, axes kept: the parallel-axis theorem."""
        d = self.centroid_mm - np.asarray(point, dtype=np.float64)
        return self.inertia_mm5 + self.volume_mm3 * ((d @ d) * np.eye(3) - np.outer(d, d))


@dataclass(frozen=True, eq=False)
class Moments:
    """Content (volume mm³ or area mm²), ∫ x (3,) and ∫ x xᵀ (3, 3), about the origin."""

    content: float
    first: Floats
    second: Floats


def corners_of(vertices: ArrayLike, faces: ArrayLike) -> Floats:
    """Corners (m, 3, 3) of the triangles; no faces: (0, 3, 3)."""
    points = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    return points[np.asarray(faces, dtype=np.int64).reshape(-1, 3)]


def signed_volume_mm3(vertices: ArrayLike, faces: ArrayLike) -> float:
    """∑ det[a b c] / 6 about the origin; negative when the faces wind inward; no faces: 0.

    A volume only for a closed mesh. That of an open one changes with the origin.
    """
    return float(_determinants(corners_of(vertices, faces)).sum() / 6.0)


def area_mm2(vertices: ArrayLike, faces: ArrayLike) -> float:
    """Sum of the triangles' areas; no faces: 0."""
    return float(np.linalg.norm(_normals(corners_of(vertices, faces)), axis=1).sum() / 2.0)


def solid_moments(vertices: ArrayLike, faces: ArrayLike) -> Moments:
    """Volume, first and second moments about the origin of what a closed mesh encloses."""
    corners = corners_of(vertices, faces)
    det = _determinants(corners)
    first = np.einsum("t,tki->i", det, corners) / 24.0
    second = np.einsum("t,tki,kl,tlj->ij", det, corners, _TETRAHEDRON, corners, optimize=True)
    return Moments(float(det.sum() / 6.0), first, second)


def surface_moments(vertices: ArrayLike, faces: ArrayLike) -> Moments:
    """Area, first and second moments about the origin of the surface itself: a thin sheet, open or closed.

    For one triangle with corners a, b, c: ∫ x xᵀ = A/12·(aaᵀ + bbᵀ + ccᵀ + 9·ggᵀ), g its middle.
    """
    corners = corners_of(vertices, faces)
    area = np.linalg.norm(_normals(corners), axis=1) / 2.0
    middle = corners.mean(axis=1)
    second = np.einsum("t,tki,tkj->ij", area, corners, corners) + 9.0 * np.einsum("t,ti,tj->ij", area, middle, middle)
    return Moments(float(area.sum()), np.asarray(area @ middle), second / 12.0)


def inertia_of(moments: Moments) -> Floats:
    """Inertia (3, 3) about the origin from second moments: tr(C)·1 − C."""
    return np.asarray(np.trace(moments.second) * np.eye(3) - moments.second)


def mass_properties(vertices: ArrayLike, faces: ArrayLike, *, known_closed: bool = False) -> MassProperties:
    """Volume, centroid, inertia about the centroid, and area of a closed mesh at unit density.

    Vertices (n, 3), faces (m, 3), wound outward; cavities are further shells wound inward.
    Raises InputError when the mesh is empty, not finite, open, or encloses no volume; a mesh that
    is ``known_closed`` is not asked again.
    """
    points = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    if not known_closed:
        _refuse_open(points, faces)
    # About a point near the body: moments about a far origin would lose digits.
    datum = corners_of(points, faces).reshape(-1, 3).mean(axis=0)
    moments = solid_moments(points - datum, faces)
    reach = float(np.ptp(points, axis=0).max())
    if moments.content <= 1e-12 * reach**3:
        raise InputError(
            f"the mesh encloses no volume ({moments.content:g} mm³): expected faces that wind counter-clockwise "
            "seen from outside; turn its faces round or export it as a solid"
        )
    centroid = moments.first / moments.content
    about_datum = MassProperties(moments.content, np.zeros(3), inertia_of(moments), 0.0)
    shift = about_datum.inertia_about(centroid) - about_datum.inertia_mm5
    return MassProperties(moments.content, centroid + datum, about_datum.inertia_mm5 - shift, area_mm2(points, faces))


def is_closed(vertices: ArrayLike, faces: ArrayLike) -> bool:
    """Whether each directed edge is met by as many running the other way; no faces: False.

    Vertices at the same coordinates count as one, as mesh files often repeat them.
    """
    points = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    triangles = np.asarray(faces, dtype=np.int64).reshape(-1, 3)
    if len(triangles) == 0 or not np.isfinite(points).all():
        return False
    triangles = weld(points)[triangles]
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges = edges[edges[:, 0] != edges[:, 1]]
    forward, backward = np.sort(edges @ (len(points), 1)), np.sort(edges @ (1, len(points)))
    return len(edges) > 0 and bool(np.array_equal(forward, backward))


def _refuse_open(points: Floats, faces: ArrayLike) -> None:
    triangles = np.asarray(faces).reshape(-1, 3)
    if len(triangles) == 0:
        raise InputError("the mesh has no triangles: expected a closed surface; export the part again")
    if not np.isfinite(points).all():
        raise InputError("the mesh has coordinates that are not numbers: export the part again")
    if not is_closed(points, triangles):
        raise InputError(
            "the mesh is open: expected a closed surface, found edges with a triangle on one side only; "
            "close it or export it as a solid"
        )


def _determinants(corners: Floats) -> Floats:
    return np.asarray(np.einsum("ti,ti->t", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])))


def _normals(corners: Floats) -> Floats:
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
