"""Is the floor in the scan? A large flat plane that faces up, with all metal above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.intake import Floor
from fitcheck.scan.intake.patches import Patches
from fitcheck.scan.intake.places_boxes import vector

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_CM2 = 2000.0
"""Four patches of 20 by 25 cm, one by each tyre."""

_WITHIN_MM, _BELOW_MM, _BELOW_SHARE = 15.0, 30.0, 0.01
_ALIKE, _UP = 0.94, 0.90  # cosines: 20° between patches, 26° against the axis that is up
_LEAST_WIDE_MM = 700.0
_TRIED = 60


@dataclass(frozen=True)
class FloorGuess:
    """What was found, or in words why not."""

    floor: Floor | None
    words: str


def floor_of(patches: Patches, area_mm2: float, ups: tuple[Floats, ...], origin: Floats) -> FloorGuess:
    """The lowest plane that could be the floor.

    ``patches`` were drawn by area from ``area_mm2`` of surface, ``ups`` are the axes that may be up: z of the
    vehicle frame, or the file's y and z.
    """
    known = np.isfinite(patches.means[:, 0])
    means, normals = patches.means[known], patches.normals[known]
    share_cm2 = area_mm2 / 100.0 / max(1, len(patches.counts))
    found = [one for up in ups for one in _candidates(means, normals, up)]
    found = [one for one in found if one.sum() * share_cm2 >= LEAST_CM2 and _wide(means[one])]
    if not found:
        return FloorGuess(None, "no floor is in the scan: no large plane faces up with all metal above it")
    best = max(found, key=lambda mask: int(mask.sum()))
    middle, normal, off = _plane(means[best])
    up = max(ups, key=lambda axis: abs(float(axis @ normal)))
    normal = normal if normal @ up > 0.0 else -normal
    tilt = float(np.degrees(np.arccos(np.clip(normal @ up, -1.0, 1.0)))) if len(ups) == 1 else None
    height = float(normal @ (middle + origin))
    floor = Floor(vector(normal), height, float(best.sum() * share_cm2), off, tilt)
    return FloorGuess(floor, "")


def _candidates(means: Floats, normals: Floats, up: Floats) -> list[Mask]:
    """Patches that share a plane which faces up and has nothing below it, for planes through some of the patches."""
    facing = normals @ up > _UP
    low = np.flatnonzero(facing)
    low = low[np.argsort(means[low] @ up, kind="stable")][:: max(1, len(low) // _TRIED)]
    found = []
    for row in low.tolist():
        height = (means - means[row]) @ normals[row]
        on = facing & (normals @ normals[row] > _ALIKE) & (np.abs(height) < 3.0 * _WITHIN_MM)
        if on.sum() < 8:
            continue
        middle, normal, _ = _plane(means[on])
        normal = normal if normal @ up > 0.0 else -normal
        height = (means - middle) @ normal
        if (height < -_BELOW_MM).mean() <= _BELOW_SHARE:
            found.append(facing & (np.abs(height) < _WITHIN_MM))
    return found


def _plane(points: Floats) -> tuple[Floats, Floats, float]:
    """Middle, normal and one sigma of the points about their plane, what is off by more than three sigma left out."""
    keep = np.ones(len(points), dtype=bool)
    for _ in range(4):
        middle = points[keep].mean(axis=0)
        away = points - middle
        normal = np.linalg.svd(away[keep].T @ away[keep])[0][:, 2]
        height = away @ normal
        sigma = 1.4826 * float(np.median(np.abs(height[keep])))
        fresh = np.abs(height) <= max(3.0 * sigma, 1e-9)
        if fresh.sum() < 3 or (fresh == keep).all():
            break
        keep = fresh
    return middle, normal, float(height[keep].std())


def _wide(points: Floats) -> bool:
    away = points - points.mean(axis=0)
    axes = np.linalg.svd(away.T @ away)[0][:, :2]
    return bool((np.ptp(away @ axes, axis=0) > _LEAST_WIDE_MM).all())
