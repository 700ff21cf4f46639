"""What the fit shows of the vehicle itself: how straight its frame is, and how its four wheels stand on the floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitcheck.scan.align_equations import Equations
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.scan.floor import ScannedFloor
from fitcheck.scan.spec import HUBS, ScanSpec


@dataclass(frozen=True)
class Straightness:
    """One left and right pair, in mm in the vehicle frame: its middle at ``x_mm``, ``middle_mm`` right of the middle
    plane; ``skew_mm``: how far its right mark lies behind its left one; ``lean_mm``: how far above."""

    x_mm: float
    middle_mm: float
    skew_mm: float
    lean_mm: float


@dataclass(frozen=True)
class FloorFit:
    """The scanned floor: how many ``patches`` and ``points`` of it, the share of points that was something else, and
    the flatness of the rest, one sigma in mm."""

    patches: int
    points: int
    rejected: float
    sigma_mm: float


def straightness_of(spec: ScanSpec, unit_mm: float, fit: RigidFit) -> dict[str, Straightness]:
    """Each pair by its name; of no pairs: {}."""
    found = {}
    for pair in spec.pairs:
        left, right = fit.moved(np.array([pair.left, pair.right]) * unit_mm)
        (x, y, _), (skew, _, lean) = (left + right) / 2.0, right - left
        found[pair.name] = Straightness(float(x), float(y), float(skew), float(lean))
    return found


def hub_warp_mm(eq: Equations, fit: RigidFit) -> float | None:
    """How far one wheel centre stands off the plane of the other three, less what was taped; None without all four.

    (front left + rear right) − (front right + rear left) of scanned less taped heights: closed form for
    wheels in a rectangle. It is the floor's warp, the frame's twist and unequal tyres together.
    """
    residuals = eq.residuals(fit)
    heights = {eq.datums[k].name.removeprefix("hub "): float(r) for k, r in zip(eq.of, residuals, strict=True)
               if eq.datums[k].kind == "hub"}  # fmt: skip
    if set(heights) != set(HUBS):
        return None
    front_left, front_right, rear_left, rear_right = (heights[name] for name in HUBS)
    return front_left + rear_right - front_right - rear_left


def floor_fit(floor: ScannedFloor | None) -> FloorFit | None:
    """The figures of the scanned floor; None where it was not asked for."""
    if floor is None:
        return None
    plane = floor.plane
    return FloorFit(floor.patches, int(plane.used.sum()), plane.rejected, plane.sigma_mm)
