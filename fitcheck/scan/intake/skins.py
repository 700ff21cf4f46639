"""Skins that lie close over each other: doubled by drift (facing the same way), or sheet metal seen from both sides.

From sampled faces a line is drawn along the normal, both ways. The first face that it
meets decides: the same way about means that one metal was scanned twice, the other way
about means its back. Where a doubled skin is found all faces around are asked, so that its
area, place and separation are not those of a sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.intake import BothSides, Box, Doubled, Skins, Vector
from fitcheck.scan.intake.places_boxes import box_of, vector
from fitcheck.scan.intake.samples import Places

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

WITHIN_MM = 15.0
"""Skins further apart are two things."""

LEAST_MM = 2.0
"""Doubled skins nearer than this are noise of one."""

_SAMPLES, _AGAIN = 4000, 1000
_LEAST_SAMPLES = 3
_MOST_PLACES, _MOST_AGAIN = 40, 2
_ALONG = 0.7  # cosine: a skin over another runs along it, within 45°
_NOISES = 4.0  # closer than so many sigma is the noise of one skin


@dataclass(frozen=True, eq=False)
class _Met:
    """Of the rows asked (k,): how far away the first face along their normal is, mm (NaN: none within reach), and
    whether it faces the same way."""

    off_mm: Floats
    same: NDArray[np.bool_]


def skins_of(places: Places, sigma_mm: float) -> Skins:
    """Doubled skins, largest first, and what was seen from both sides. Empty of a cloud: it faces no way."""
    least = max(LEAST_MM, _NOISES * sigma_mm)
    rows = places.drawn(_SAMPLES)
    met = _met(places, rows, least)
    share_cm2 = float(places.areas.sum(dtype=np.float64)) / len(rows) / 100.0
    twice = rows[met.same & (met.off_mm >= least)]
    backs = met.off_mm[~met.same & np.isfinite(met.off_mm)]
    both = BothSides(float(np.median(backs)), 0.5 * len(backs) * share_cm2) if len(backs) >= _LEAST_SAMPLES else None
    groups = _groups(places, twice)
    found = [_looked_again(places, group, least) for group in groups[:_MOST_AGAIN]]
    found += [_as_sampled(places, group, met.off_mm[np.searchsorted(rows, group)]) for group in groups[_MOST_AGAIN:]]
    ranked = sorted((one for one in found if one is not None), key=lambda one: -one[1])
    doubled = tuple(Doubled(number, *figures) for number, figures in enumerate(ranked, start=1))
    return Skins(doubled, both, WITHIN_MM, 2.0 * _LEAST_SAMPLES * share_cm2)


def _groups(places: Places, rows: Rows) -> list[Rows]:
    """Rows that lie together, the largest groups first; single ones are chance."""
    if len(rows) < _LEAST_SAMPLES:
        return []
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pitch = float(np.sqrt(places.areas.sum(dtype=np.float64) / _SAMPLES))
    pairs = cKDTree(places.at(rows)).query_pairs(2.5 * pitch, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows), len(rows)))
    labels = connected_components(graph, directed=False)[1]
    sizes = np.bincount(labels)
    order = [label for label in np.argsort(-sizes, kind="stable")[:_MOST_PLACES] if sizes[label] >= _LEAST_SAMPLES]
    return [rows[labels == label] for label in order]


_Figures = tuple[float, float, Vector, Box]


def _as_sampled(places: Places, group: Rows, off_mm: Floats) -> _Figures:
    share_cm2 = float(places.areas.sum(dtype=np.float64)) / _SAMPLES / 100.0
    where = places.at(group) + places.origin
    return float(np.nanmedian(off_mm)), 0.5 * len(group) * share_cm2, vector(np.median(where, axis=0)), box_of(where)


def _looked_again(places: Places, group: Rows, least_mm: float) -> _Figures | None:
    """Separation, area, place and box of one doubled skin, from all faces around its samples."""
    pitch = np.sqrt(places.areas.sum(dtype=np.float64) / _SAMPLES)
    at = places.at(group)
    lo, hi = at.min(axis=0) - 1.5 * pitch, at.max(axis=0) + 1.5 * pitch
    near = np.ones(places.count, dtype=bool)
    for axis in range(3):
        near &= (places.centres[axis] >= lo[axis]) & (places.centres[axis] <= hi[axis])
    rows = np.flatnonzero(near)
    total = float(places.areas[rows].sum(dtype=np.float64))
    if len(rows) > _AGAIN:
        rows = np.sort(np.random.default_rng(len(rows)).choice(rows, _AGAIN, replace=False))
    met = _met(places, rows, least_mm)
    twice = met.same & (met.off_mm >= least_mm)
    if twice.sum() < _LEAST_SAMPLES:
        return None
    shown = float(places.areas[rows].sum(dtype=np.float64))
    area_cm2 = 0.5 * float(places.areas[rows[twice]].sum(dtype=np.float64)) * total / shown / 100.0
    where = places.at(rows[twice]) + places.origin
    return float(np.median(met.off_mm[twice])), area_cm2, vector(np.median(where, axis=0)), box_of(where)


def _met(places: Places, rows: Rows, least_mm: float) -> _Met:
    """What the line along the normal of each row's face meets first, on either side.

    A face of the same way about nearer than ``least_mm`` is the skin itself, as noise folds it.
    """
    centres, wide = places.at(rows), 0.7 * places.spacing[2]
    asked, others = places.grid.near(centres, float(np.hypot(WITHIN_MM, wide)))
    away, normals = places.at(others) - centres[asked], places.normals[:, others].T
    ways = _smoothed(places, places.directions(rows), asked, (away, normals))
    height = np.einsum("ij,ij->i", away, ways[asked])
    aside = np.einsum("ij,ij->i", away, away) - height**2
    toward = np.einsum("ij,ij->i", normals, ways[asked]) / np.maximum(places.areas[others], 1e-12)
    keep = (aside <= wide**2) & (np.abs(toward) > _ALONG) & (others != rows[asked])
    keep &= (toward < 0.0) | (np.abs(height) > 0.5 * least_mm)
    asked, others, toward = asked[keep], others[keep], toward[keep]
    off = np.abs(_along_line(places, centres[asked], ways[asked], others))
    off[(toward > 0.0) & (off < least_mm)] = np.nan
    off[off > WITHIN_MM] = np.nan
    return _first(off, asked, toward > 0.0, len(rows))


def _smoothed(places: Places, own: Floats, asked: Rows, others: tuple[Floats, NDArray[np.float32]]) -> Floats:
    """The mean normal (k, 3) of each face and those beside it: one face alone is tilted by its noise."""
    away, normals = others
    near = np.einsum("ij,ij->i", away, away) < places.patch_mm**2
    asked, normals = asked[near], normals[near]
    toward = np.einsum("ij,ij->i", normals, own[asked])
    ahead = toward > _ALONG * np.linalg.norm(normals, axis=1)
    sums = [np.bincount(asked[ahead], normals[ahead, axis], len(own)) for axis in range(3)]
    found = np.stack(sums, axis=1)
    size = np.linalg.norm(found, axis=1)
    return np.where(size[:, None] > 0.0, found / np.where(size > 0.0, size, 1.0)[:, None], own)


def _along_line(places: Places, starts: Floats, ways: Floats, faces: Rows) -> Floats:
    """How far along each line (start, way) it meets a face, mm; NaN where it passes by (Möller and Trumbore 1997)."""
    corners = places.vertices[places.faces[faces]] - places.origin
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = np.cross(ways, two)
    size = np.einsum("ij,ij->i", one, p)
    with np.errstate(all="ignore"):
        from_corner = starts - corners[:, 0]
        u = np.einsum("ij,ij->i", from_corner, p) / size
        q = np.cross(from_corner, one)
        v = np.einsum("ij,ij->i", ways, q) / size
        off = np.einsum("ij,ij->i", two, q) / size
    return np.where((u >= -1e-9) & (v >= -1e-9) & (u + v <= 1.0 + 1e-9), off, np.nan)


def _first(off: Floats, asked: Rows, same: NDArray[np.bool_], count: int) -> _Met:
    met = np.isfinite(off)
    off, asked, same = off[met], asked[met], same[met]
    order = np.lexsort((off, asked))
    off, asked, same = off[order], asked[order], same[order]
    first = np.ones(len(asked), dtype=bool)
    first[1:] = asked[1:] != asked[:-1]
    nearest, faces_same = np.full(count, np.nan), np.zeros(count, dtype=bool)
    nearest[asked[first]], faces_same[asked[first]] = off[first], same[first]
    return _Met(nearest, faces_same)
