"""A region of a layout as a solid."""

from __future__ import annotations

import numpy as np

from fitcheck.geometry import solids
from fitcheck.geometry.solids import Solid
from fitcheck.vehicle.scene import Region


def region_solid(region: Region) -> Solid:
    """A region as a solid; a round one lies inside it to the chord error of the tessellation."""
    if region.kind == "box" and region.lo is not None and region.hi is not None:
        return solids.box(region.lo, region.hi)
    start, radius = np.asarray(region.start), float(region.radius_mm or 0.0)
    if region.kind == "sphere" or region.end is None:
        return solids.sphere(start, radius)
    make = solids.cylinder if region.kind == "cylinder" else solids.capsule
    return make(start, np.asarray(region.end), radius)
