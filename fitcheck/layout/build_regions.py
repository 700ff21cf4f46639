"""Entries that hold a box, cylinder, capsule or sphere → regions and solids in the vehicle frame."""

from __future__ import annotations

from fitcheck.errors import InternalError
from fitcheck.geometry import solids
from fitcheck.layout.entries import Ball, BoxRegion, Entry, Rod
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


def solid_of(entry: Entry) -> solids.Solid:
    """The same as a solid."""
    region = needed_region(entry)
    radius = region.radius_mm or 0.0
    if region.kind == "box" and region.lo is not None and region.hi is not None:
        return solids.box(region.lo, region.hi)
    if region.start is not None and region.kind == "sphere":
        return solids.sphere(region.start, radius)
    if region.start is not None and region.end is not None:
        make = solids.cylinder if region.kind == "cylinder" else solids.capsule
        return make(region.start, region.end, radius)
    raise InternalError(f"a {region.kind} without its points got past the schema")
