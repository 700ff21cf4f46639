"""Left against right: the mirror plane of a scan, how far its two halves differ, and whether its middle is straight.

Where the scan lies in the vehicle frame the plane is y = 0. Else the plane that brings
most of the metal onto metal is looked for, which is a hypothesis: a vehicle is not a
mirror image of itself. Distances are between small patches of both sides, so that noise
and the pitch of the points average out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.intake import Station, Symmetry, Uneven
from fitcheck.scan.intake.patches import Patches, patches_at
from fitcheck.scan.intake.places_boxes import vector
from fitcheck.scan.intake.samples import Places

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

ON_METAL_MM = 30.0
"""A mirrored place further from metal than this has no other half."""

_COARSE, _ASKED, _FITTED = 15_000, 1500, 1200
_CAPS_MM = (300.0, 200.0, 120.0, 80.0, 50.0, 30.0, 30.0, 20.0, 20.0, 20.0)
_LIKE = 0.8  # cosine between a mirrored normal and the one that it meets
_FLAT = 2.0  # patches rougher than so many times the noise lie across an edge
_LEAST_PAIRS, _LEAST_SHARE = 100, 0.3
_SIDEWAYS, _NEARLY = 0.8, 0.9  # cosines: 37°, 26°
_STATION_MM, _LEAST_AT_STATION, _LEAST_STATIONS = 250.0, 5, 4
_WORST, _WORST_APART_MM = 5, 200.0
_SLENDER = 1.5  # how much longer than wide a scan must be for its length to be known


@dataclass(frozen=True, eq=False)
class Plane:
    """The points p, less the places' origin, with ``normal`` · p = ``offset_mm``."""

    normal: Floats
    offset_mm: float

    def mirrored(self, points: Floats) -> Floats:
        """(n, 3) points on the other side."""
        return points - 2.0 * (points @ self.normal - self.offset_mm)[:, None] * self.normal

    def turned(self, ways: Floats) -> Floats:
        """(n, 3) directions as the mirror shows them."""
        return ways - 2.0 * (ways @ self.normal)[:, None] * self.normal


@dataclass(frozen=True, eq=False)
class _Metal:
    """A sample of the metal in a tree: ``points`` (n, 3), ``normals`` (n, 3) unit."""

    points: Floats
    normals: Floats
    tree: Any
    signed: bool

    def nearest(self, points: Floats, ways: Floats, cap_mm: float) -> tuple[Rows, NDArray[np.bool_]]:
        """The nearest point of each, and whether it is near enough and turned alike."""
        off, rows = self.tree.query(points, distance_upper_bound=cap_mm)
        found = np.isfinite(off)
        rows = np.where(found, rows, 0)
        toward = np.einsum("ij,ij->i", self.normals[rows], ways)
        return rows, found & ((toward if self.signed else np.abs(toward)) > _LIKE)


@dataclass(frozen=True, eq=False)
class MirrorFit:
    """The plane of the frame, or that of the scan itself; ``own`` is always the latter. ``length`` (3,): which way is
    along the vehicle."""

    plane: Plane
    own: Plane
    length: Floats
    by_frame: bool


def mirror_of(places: Places, patches: Patches, frame_plane: Plane | None) -> MirrorFit | None:
    """The mirror plane of the sampled ``patches``; None where no plane brings three tenths of them onto metal."""
    metal = _metal(places, patches)
    if len(metal.points) < _LEAST_PAIRS:
        return None
    axes = np.linalg.svd((metal.points - metal.points.mean(axis=0)).T @ (metal.points - metal.points.mean(axis=0)))[0].T
    if frame_plane is not None:
        own = _fitted(metal, frame_plane)
        return MirrorFit(frame_plane, own, np.array([1.0, 0.0, 0.0]), True)
    best = max((_fitted(metal, start) for start in _starts(metal, axes)), key=lambda plane: _score(metal, plane))
    if _score(metal, best) < _LEAST_SHARE:
        return None
    return MirrorFit(best, best, _along(metal, axes, best.normal), False)


def symmetry_of(places: Places, patches: Patches, fit: MirrorFit, sigma_mm: float) -> Symmetry | None:
    """How the two sides differ over the plane of ``fit``; None where hardly anything has its other half."""
    pairs = _pairs(places, patches, fit.plane, sigma_mm)
    if len(pairs.off_mm) < _LEAST_PAIRS:
        return None
    stations = _stations(pairs, fit, float(places.origin @ fit.length))
    off = np.abs(pairs.off_mm)
    return Symmetry(
        by="the vehicle frame" if fit.by_frame else "the scan itself",
        normal=vector(fit.plane.normal),
        offset_mm=float(fit.plane.offset_mm + fit.plane.normal @ places.origin),
        mirrored_share=pairs.share,
        median_mm=float(np.median(off)),
        most_mm=float(np.quantile(off, 0.95)),
        worst=_worst(pairs, places.origin),
        stations=stations,
        bow_mm=_bow(stations),
        own_offset_mm=_beside(fit, patches),
        own_turn_deg=float(np.degrees(np.arccos(np.clip(abs(fit.own.normal @ fit.plane.normal), 0.0, 1.0)))),
    )


def _beside(fit: MirrorFit, patches: Patches) -> float:
    """How far the scan's own plane stands beside that of the frame, at the middle of the scan."""
    if not fit.by_frame:
        return 0.0
    middle = np.nanmean(patches.means, axis=0)
    own = fit.own if fit.own.normal @ fit.plane.normal > 0.0 else Plane(-fit.own.normal, -fit.own.offset_mm)
    return float((own.offset_mm - own.normal @ middle) - (fit.plane.offset_mm - fit.plane.normal @ middle))


# --- the plane --------------------------------------------------------------------------------------------------------


def _along(metal: _Metal, axes: Floats, across: Floats) -> Floats:
    """Which way is along the vehicle, square to ``across``: the longest way, set right by the way most faces look."""
    flat = axes - (axes @ across)[:, None] * across
    along = flat[0] if np.linalg.norm(flat[0]) > 0.5 else flat[1]
    along = along / np.linalg.norm(along)
    up = np.cross(along, across)
    looks = np.stack([metal.normals @ along, metal.normals @ up], axis=1)
    spread = np.linalg.svd(looks.T @ looks)[0]
    squared = spread[:, int(np.abs(spread[0]).argmax())] * np.sign(spread[0, int(np.abs(spread[0]).argmax())])
    return np.asarray(along if squared[0] < _NEARLY else squared[0] * along + squared[1] * up)


def _metal(places: Places, patches: Patches) -> _Metal:
    from scipy.spatial import cKDTree

    known = np.isfinite(patches.means[:, 0])
    if places.cloud:  # the direction of a lone point is not known: the patches alone
        points, normals = patches.means[known], patches.normals[known]
    else:
        rows = places.drawn(_COARSE, seed=1)
        points, normals = places.at(rows), places.directions(rows)
    return _Metal(points, normals, cKDTree(points), not places.cloud)


def _starts(metal: _Metal, axes: Floats) -> list[Plane]:
    """Planes square to the scan's own axes through its middle; not to its length, where it is clearly long."""
    middle = metal.points.mean(axis=0)
    spread = (metal.points - middle) @ axes.T
    wide = np.ptp(spread, axis=0)
    chosen = axes[1:] if wide[0] > _SLENDER * max(wide[1:]) else axes
    return [Plane(axis, float(axis @ middle)) for axis in chosen]


def _fitted(metal: _Metal, plane: Plane) -> Plane:
    """The plane that brings mirrored points nearest to the surface of the other side: point to plane, Gauss–Newton,
    what finds nothing left out, the reach shrinking."""
    step = max(1, len(metal.points) // _ASKED)
    points, ways = metal.points[::step], metal.normals[::step]
    for cap in _CAPS_MM:
        rows, found = metal.nearest(plane.mirrored(points), plane.turned(ways), cap)
        if found.sum() < _LEAST_PAIRS // 2:
            return plane
        plane = _improved(plane, points[found], metal.points[rows[found]], metal.normals[rows[found]])
    return plane


def _improved(plane: Plane, points: Floats, others: Floats, normals: Floats) -> Plane:
    """One step: the change of two turns and the offset that makes (mirrored − other) · normal least in squares."""
    n, first = plane.normal, np.eye(3)[int(np.abs(plane.normal).argmin())]
    one = np.cross(n, first)
    one /= np.linalg.norm(one)
    turns = (one, np.cross(n, one))
    beyond, along = points @ n - plane.offset_mm, normals @ n
    left = np.einsum("ij,ij->i", plane.mirrored(points) - others, normals)
    slopes = np.stack([*(-2.0 * ((points @ e) * along + beyond * (normals @ e)) for e in turns), 2.0 * along], axis=1)
    weight = 1.0 / np.maximum(1.0, np.abs(left) / max(3.0, 1.5 * float(np.median(np.abs(left)))))
    square = (slopes * weight[:, None]).T @ slopes
    change = -np.linalg.lstsq(square, (slopes * weight[:, None]).T @ left, rcond=1e-9)[0]
    normal = n + change[0] * turns[0] + change[1] * turns[1]
    size = float(np.linalg.norm(normal))
    return Plane(normal / size, (plane.offset_mm + float(change[2])) / size)


def _score(metal: _Metal, plane: Plane) -> float:
    """The share of the metal whose mirror image is turned as the metal that it meets within the reach."""
    step = max(1, len(metal.points) // _ASKED)
    points, ways = metal.points[::step], metal.normals[::step]
    return float(metal.nearest(plane.mirrored(points), plane.turned(ways), ON_METAL_MM)[1].mean())


# --- left and right ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pairs:
    """``places`` (k, 3) and where their mirror images meet metal, ``others`` (k, 3); ``off_mm`` (k,) signed along the
    normal there; ``sideways`` (k,): cosine between that normal and the plane's; ``share`` of all places."""

    places: Floats
    others: Floats
    off_mm: Floats
    sideways: Floats
    share: float


def _pairs(places: Places, patches: Patches, plane: Plane, sigma_mm: float) -> _Pairs:
    """Each smooth patch, mirrored, against the patch of the other side at the foot of its normal."""
    metal = _metal(places, patches)
    flat = np.flatnonzero(patches.smooth_mm < _FLAT * max(sigma_mm, 1e-3 * places.patch_mm))
    flat = flat[:: max(1, len(flat) // _FITTED)]
    means, ways = plane.mirrored(patches.means[flat]), plane.turned(patches.normals[flat])
    rows, found = metal.nearest(means, ways, ON_METAL_MM + places.patch_mm)
    height = np.einsum("ij,ij->i", means - metal.points[rows], metal.normals[rows])
    found &= np.abs(height) < ON_METAL_MM
    feet = means[found] - height[found, None] * metal.normals[rows[found]]
    met = patches_at(places, feet, None if places.cloud else metal.normals[rows[found]])
    off = np.einsum("ij,ij->i", means[found] - met.means, met.normals)
    toward = np.einsum("ij,ij->i", ways[found], met.normals)
    aside = np.linalg.norm(means[found] - met.means - off[:, None] * met.normals, axis=1)
    good = (np.abs(toward) > _LIKE) & (np.abs(off) < ON_METAL_MM) & (aside < places.patch_mm)
    good &= met.smooth_mm < _FLAT * max(sigma_mm, 1e-3 * places.patch_mm)
    share = float(found.mean()) if len(found) else 0.0
    return _Pairs(patches.means[flat][found][good], met.means[good], off[good], met.normals[good] @ plane.normal, share)


def _worst(pairs: _Pairs, origin: Floats) -> tuple[Uneven, ...]:
    """The places that are off most, each well away from the others."""
    chosen: list[int] = []
    for row in np.argsort(-np.abs(pairs.off_mm), kind="stable")[:400].tolist():
        apart = all(
            np.linalg.norm(pairs.places[row] - place) > _WORST_APART_MM
            for other in chosen
            for place in (pairs.places[other], pairs.others[other])
        )
        if apart:
            chosen.append(row)
        if len(chosen) == _WORST:
            break
    return tuple(
        Uneven(vector(pairs.places[row] + origin), vector(pairs.others[row] + origin), float(abs(pairs.off_mm[row])))
        for row in chosen
    )


def _stations(pairs: _Pairs, fit: MirrorFit, origin_mm: float) -> tuple[Station, ...]:
    """The middle between left and right, along the length: half of what sideways-looking faces are off."""
    sideways = np.abs(pairs.sideways) > _SIDEWAYS
    # The middle of a place p and of q on the other side: (p + q) · n / 2 − offset = (q − mirrored p) · n / 2
    middle = -0.5 * pairs.off_mm[sideways] * pairs.sideways[sideways]
    along = pairs.places[sideways] @ fit.length + origin_mm
    if len(along) == 0:
        return ()
    first = np.floor(along.min() / _STATION_MM)
    found = []
    for number in range(int(np.floor(along.max() / _STATION_MM) - first) + 1):
        here = np.floor(along / _STATION_MM) - first == number
        if here.sum() >= _LEAST_AT_STATION:
            found.append(Station(float(np.median(along[here])), float(np.median(middle[here])), int(here.sum())))
    return tuple(found)


def _bow(stations: tuple[Station, ...]) -> float | None:
    if len(stations) < _LEAST_STATIONS:
        return None
    at, off = np.array([one.at_mm for one in stations]), np.array([one.off_mm for one in stations])
    at = (at - at.mean()) / max(float(np.ptp(at)), 1.0)
    slope, middle = np.polyfit(at, off, 1)
    return float(np.abs(off - middle - slope * at).max())


def starting_axes(points: Floats) -> Floats:
    """Rows: the axes along which (n, 3) points spread most, less, least."""
    away = points - points.mean(axis=0)
    return np.asarray(np.linalg.svd(away.T @ away)[0].T)


def farthest(points: Floats, directions: int = 60) -> tuple[Floats, Floats]:
    """Two of (n, 3) points, n ≥ 1, that lie furthest apart, as far as so many directions tell."""
    rng = np.random.default_rng(1)
    ways = np.concatenate([starting_axes(points), rng.normal(size=(directions, 3))])
    along = ways @ points.T
    ends = points[np.unique(np.concatenate([along.argmax(axis=1), along.argmin(axis=1)]))]
    pairs = max(itertools.combinations(range(len(ends)), 2), default=(0, 0),
                key=lambda pair: float(((ends[pair[0]] - ends[pair[1]]) ** 2).sum()))  # fmt: skip
    return ends[pairs[0]], ends[pairs[1]]
