"""The floor under the vehicle: a plane through scanned points, whatever else stands on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import AlignmentError
from fitcheck.scan.spec import FloorPatch

Floats = NDArray[np.float64]

LEAST_POINTS = 10
"""Of fewer points a plane could not be told from what stands on it."""

LEAST_FLOOR = 0.5
"""At least this share of the points must be floor."""

MOST_SIGMA_MM = 20.0
"""A floor is flatter than this (one sigma)."""

_TRIPLES, _SEED, _JUDGED = 400, 20240, 4000  # of 400 triples at 40 % outliers, 86 are all floor on average
_QUANTILE = 0.55  # of the distances: with up to 45 % outliers it is a distance of floor
_GAUSS_MEDIAN = 1.4826  # sigma over the median distance of a normal distribution
_LEAST_BAND_MM = 0.05  # a computed floor is exact; a scanned one never gets near
_ROUNDS = 20
_LINE_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class FloorPlane:
    """``normal`` · p = ``offset_mm``, p in mm in the axes of the points, ``normal`` (3,) of length 1.

    ``used`` (n,): which of the points are floor; ``sigma_mm``: their root-mean-square distance from the plane,
    the floor's flatness with the scan's noise in it. Points do not tell which side is up: the
    normal's greatest component is positive.
    """

    normal: Floats
    offset_mm: float
    sigma_mm: float
    used: NDArray[np.bool_]

    @property
    def rejected(self) -> float:
        """The share of the points that is not floor, 0 to 1."""
        return 1.0 - float(self.used.mean())

    def heights_mm(self, points: ArrayLike) -> Floats:
        """(n,) signed distances of (n, 3) points along the normal."""
        return np.asarray(np.asarray(points, dtype=np.float64) @ self.normal - self.offset_mm)


def floor_plane(points: ArrayLike) -> FloorPlane:
    """The plane of the majority of (n, 3) points in mm; feet, cables and jack heads on it are rejected.

    Of many planes through three points each the one with the least 55 % quantile of distances is
    taken (least quantile of squares: Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871; fixed seed), then a
    least-squares plane through the points within 3 robust sigma of it, until these stay the same.
    Holds with up to 40 % of points elsewhere. Raises AlignmentError for fewer than ten points, for
    points in one line, and where no plane holds half of them to 20 mm.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    if len(points) < LEAST_POINTS or not np.isfinite(points).all():
        raise AlignmentError(
            f"{len(points)} scanned points were given as floor; at least {LEAST_POINTS} finite ones are needed. "
            "Choose larger or other patches of the floor."
        )
    middle = points.mean(axis=0)
    arms = points - middle
    used = _settled(arms, _best_of_triples(arms))
    normal, centre = _least_squares_plane(arms[used])
    off = (arms[used] - centre) @ normal
    normal = normal * np.sign(normal[np.argmax(np.abs(normal))])
    sigma = float(np.sqrt((off**2).sum() / max(1, len(off) - 3)))
    if used.mean() < LEAST_FLOOR or sigma > MOST_SIGMA_MM:
        raise AlignmentError(
            f"the points given as floor lie in no plane: the best holds {100 * used.mean():.0f} % of them to "
            f"{sigma:.1f} mm (one sigma); at least {100 * LEAST_FLOOR:.0f} % to {MOST_SIGMA_MM:g} mm are expected. "
            "Choose patches of bare floor."
        )
    return FloorPlane(normal, float(normal @ (centre + middle)), sigma, used)


def _best_of_triples(arms: Floats) -> tuple[Floats, Floats]:
    """(normal, a point) of the plane through three points that is nearest to most of all points."""
    chance = np.random.default_rng(_SEED)
    judged = arms if len(arms) <= _JUDGED else arms[chance.choice(len(arms), _JUDGED, replace=False)]
    corners = judged[chance.integers(0, len(judged), (_TRIPLES, 3))]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1)
    extent = float(np.abs(arms).max())
    good = lengths > 1e-3 * extent**2 if extent > 0.0 else lengths > 1.0
    if not good.any():
        raise AlignmentError("the points given as floor lie in one line. Choose patches on both sides of the vehicle.")
    normals, corners = normals[good] / lengths[good, None], corners[good, 0]
    spans = np.abs(judged @ normals.T - np.einsum("ij,ij->i", normals, corners))
    best = int(np.argmin(np.quantile(spans, _QUANTILE, axis=0)))
    return normals[best], corners[best]


def _settled(arms: Floats, plane: tuple[Floats, Floats]) -> NDArray[np.bool_]:
    """Which points are floor: within 3 robust sigma of the least-squares plane through themselves."""
    used = np.zeros(len(arms), dtype=bool)
    for _ in range(_ROUNDS):
        normal, centre = plane
        spans = np.abs((arms - centre) @ normal)
        near = spans[used] if used.any() else np.sort(spans)[: int(np.ceil(_QUANTILE * len(spans)))]
        now = spans <= max(3.0 * _GAUSS_MEDIAN * float(np.median(near)), _LEAST_BAND_MM)
        if (now == used).all():
            break
        used = now
        plane = _least_squares_plane(arms[used])
    return used


def _least_squares_plane(arms: Floats) -> tuple[Floats, Floats]:
    centre = arms.mean(axis=0)
    spread = arms - centre
    return np.asarray(np.linalg.eigh(spread.T @ spread)[1][:, 0]), centre


@dataclass(frozen=True, eq=False)
class ScannedFloor:
    """The floor that the scan itself holds. ``stand_ins`` (3, 3): three points of its plane, in mm in the scan's axes,
    with the middle and the spread of all floor points: together they say what the plane says, once."""

    plane: FloorPlane
    stand_ins: Floats
    patches: int


def scanned_floor(patches: Sequence[FloorPatch], vertices: Floats, unit_mm: float) -> ScannedFloor:
    """The floor plane through the scan's points in all patches. ``vertices`` (n, 3) in the scan's axes and unit.

    Raises AlignmentError for a patch that holds hardly any points or is not floor like the others,
    and for patches in one line.
    """
    found = [_points_in(patch, vertices, unit_mm) for patch in patches]
    plane = floor_plane(np.concatenate(found))
    ends = np.cumsum([len(points) for points in found])
    for patch, points, end in zip(patches, found, ends, strict=True):
        _check_patch(patch, plane, points, plane.used[end - len(points) : end])
    floor = np.concatenate(found)[plane.used]
    return ScannedFloor(plane, _stand_ins(floor, plane), len(patches))


def _points_in(patch: FloorPatch, vertices: Floats, unit_mm: float) -> Floats:
    off = vertices - np.asarray(patch.at)
    reach = patch.radius_mm / unit_mm
    near = vertices[np.einsum("ij,ij->i", off, off) <= reach**2]
    if len(near) < LEAST_POINTS:
        where = ", ".join(f"{value:g}" for value in patch.at)
        raise AlignmentError(
            f"{_at(patch)}the floor patch at [{where}] holds {len(near)} points of the scan within "
            f"{patch.radius_mm:g} mm; at least {LEAST_POINTS} are needed. Pick a point on the scanned floor, in the "
            "scan's own axes and unit, or enlarge its radius."
        )
    return np.asarray(near * unit_mm)


def _check_patch(patch: FloorPatch, plane: FloorPlane, points: Floats, used: NDArray[np.bool_]) -> None:
    if used.mean() < LEAST_FLOOR:
        off = float(np.median(np.abs(plane.heights_mm(points))))
        where = ", ".join(f"{value:g}" for value in patch.at)
        raise AlignmentError(
            f"{_at(patch)}the floor patch at [{where}] lies {off:.1f} mm off the plane of the other patches: something "
            "stands there, or the floor has a step. Pick another patch."
        )


def _stand_ins(floor: Floats, plane: FloorPlane) -> Floats:
    """At 0°, 120° and 240° about the middle, √2 times the spread away, so that their own spread is that of all."""
    middle = floor.mean(axis=0)
    arms = floor - middle
    arms -= np.outer(arms @ plane.normal, plane.normal)
    squares, ways = np.linalg.eigh(arms.T @ arms / len(arms))
    spread, axes = np.sqrt(np.maximum(squares[:0:-1], 0.0)), ways.T[:0:-1]
    if spread[1] <= _LINE_SHARE * spread[0]:
        raise AlignmentError("the floor patches lie in one line. Choose patches on both sides of the vehicle.")
    turns = np.deg2rad([0.0, 120.0, 240.0])
    ring = np.sqrt(2.0) * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    return np.asarray(middle + (ring * spread) @ axes)


def _at(patch: FloorPatch) -> str:
    return f"{patch.origin}: " if patch.origin else ""
