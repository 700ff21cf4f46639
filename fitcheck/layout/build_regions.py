"""Entries that hold a box, cylinder, capsule or sphere → regions and solids in the vehicle frame."""

from __future__ import annotations

from fitcheck.errors import InternalError
from fitcheck.geometry.solids import Solid
from fitcheck.layout.entries import Ball, BoxRegion, Entry, Rod
from fitcheck.vehicle.regions import region_solid
from fitcheck.vehicle.scene import Region


def region_of(entry: Entry) -> Region | None:
    """The region of an entry that has one of the four shapes; None if it has none of them."""
    box, sphere = getattr(entry, "box", None), getattr(entry, "sphere", None)
    if isinstance(box, BoxRegion):
        (x0, x1), (y0, y1), (z0, z1) = box.x, box.y, box.z
        return Region("box", lo=(x0, y0, z0), hi=(x1, y1, z1))
    if isinstance(sphere, Ball):
        return Region("sphere", start=sphere.centre, radius_mm=sphere.diameter / 2.0)
    for kind in ("cylinder", "capsule"):
        rod = getattr(entry, kind, None)
        if isinstance(rod, Rod):
            return Region(kind, start=rod.start, end=rod.end, radius_mm=rod.diameter / 2.0)
    return None


def needed_region(entry: Entry) -> Region:
    """The region of an entry whose schema demands one."""
    region = region_of(entry)
    if region is None:
        raise InternalError("an entry without a shape got past the schema")
    return region


def solid_of(entry: Entry) -> Solid:
    """The same as a solid."""
    return region_solid(needed_region(entry))
