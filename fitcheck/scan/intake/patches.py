"""Small patches of the surface around sampled places: a plane through each, and what is left off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.borders import first_of_place
from fitcheck.scan.intake.samples import Places

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

LEAST_POINTS = 12
_MOST_POINTS = 160
_SAME_WAY = 0.5  # cosine: faces turned further than 60° are another side of the thing


@dataclass(frozen=True, eq=False)
class Patches:
    """Row i belongs to the i-th place asked for. ``means`` (k, 3), less the places' origin; ``normals`` (k, 3) unit,
    outward where faces say so; ``off_mm`` (k,): one sigma about the plane, ``smooth_mm`` (k,): about the plane bent by
    its own curvature; ``counts`` (k,) points. NaN where there are fewer than twelve."""

    means: Floats
    normals: Floats
    off_mm: Floats
    smooth_mm: Floats
    counts: Rows


def patches_at(places: Places, centres: Floats, ways: Floats | None) -> Patches:
    """Patches around ``centres`` (k, 3), less the places' origin. ``ways`` (k, 3): only what faces about that way;
    None: all. Of none: none."""
    asked, rows = places.grid.near(centres, places.patch_mm)
    if ways is not None and not places.cloud:
        toward = np.einsum("ij,ij->i", places.directions(rows), ways[asked])
        asked, rows = asked[toward > _SAME_WAY], rows[toward > _SAME_WAY]
    padded, mask = _padded(places, asked, rows, len(centres))
    counts = mask.sum(axis=1)
    enough = counts >= LEAST_POINTS
    padded, mask, some = padded[enough], mask[enough], counts[enough]
    means = padded.sum(axis=1) / np.maximum(some, 1)[:, None]
    away = np.where(mask[..., None], padded - means[:, None], 0.0)
    values, vectors = np.linalg.eigh(np.einsum("kni,knj->kij", away, away))
    normals = vectors[:, :, 0]
    if ways is not None:
        normals *= np.where(np.einsum("ki,ki->k", normals, ways[enough]) < 0.0, -1.0, 1.0)[:, None]
    off = np.sqrt(np.maximum(values[:, 0], 0.0) / np.maximum(some - 3, 1))
    smooth = _off_quadric(away, mask, vectors, places.patch_mm)
    full = [_spread(found, enough) for found in (means, normals, off, smooth)]
    return Patches(full[0], full[1], full[2], full[3], counts)


def _padded(places: Places, asked: Rows, rows: Rows, count: int) -> tuple[Floats, NDArray[np.bool_]]:
    """The points of each patch as (count, most, 3) with a mask; the corners of faces, each place once."""
    if places.cloud:
        groups, points = asked, places.at(rows)
    else:
        keys = np.sort(((asked << 32)[:, None] | places.faces[rows].astype(np.int64)).ravel())
        keys = keys[np.append(True, keys[1:] != keys[:-1])] if len(keys) else keys
        groups, points = keys >> 32, places.vertices[keys & 0xFFFFFFFF] - places.origin
    groups, points = _each_place_once(groups, points)
    begins = np.searchsorted(groups, np.arange(count))
    place = np.arange(len(groups)) - begins[groups]
    keep = place < _MOST_POINTS
    padded = np.zeros((count, int(place[keep].max(initial=0)) + 1, 3))
    mask = np.zeros(padded.shape[:2], dtype=bool)
    padded[groups[keep], place[keep]] = points[keep]
    mask[groups[keep], place[keep]] = True
    return padded, mask


def _each_place_once(groups: Rows, points: Floats) -> tuple[Rows, Floats]:
    """A soup of triangles names a place once for each of its triangles."""
    order = np.lexsort((first_of_place(points), groups))
    groups, points = groups[order], points[order]
    new = np.ones(len(groups), dtype=bool)
    new[1:] = (groups[1:] != groups[:-1]) | (points[1:] != points[:-1]).any(axis=1)
    return groups[new], points[new]


def _off_quadric(away: Floats, mask: NDArray[np.bool_], vectors: Floats, radius_mm: float) -> Floats:
    """One sigma (k,) about the least-squares surface w = c₀ + c₁u + c₂v + c₃u² + c₄uv + c₅v² over each patch's own
    plane; n − 6 degrees of freedom (closed form of linear least squares)."""
    own = np.einsum("kni,kij->knj", away, vectors) / radius_mm
    w, u, v = own[..., 0], own[..., 2], own[..., 1]
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1) * mask[..., None]
    square = np.einsum("kni,knj->kij", terms, terms) + 1e-9 * np.eye(6)
    factors = np.linalg.solve(square, np.einsum("kni,kn->ki", terms, w)[..., None])[..., 0]
    left = (w - np.einsum("kni,ki->kn", terms, factors)) * mask
    return np.asarray(radius_mm * np.sqrt((left**2).sum(axis=1) / np.maximum(mask.sum(axis=1) - 6, 1)))


def _spread(found: Floats, enough: NDArray[np.bool_]) -> Floats:
    full = np.full((len(enough), *found.shape[1:]), np.nan)
    full[enough] = found
    return full
