"""Declared contacts: a place where two things are meant to touch.

The place is cut out of the other thing's surface, as far round as the rule and its guard
reach; what is left of the pair is judged like any other. Inside the place an overlap deeper
than the contact allows is judged as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.clip import inside_of, outside_of
from fitcheck.geometry.distance import Shape, box_gaps
from fitcheck.geometry.overlap import Meeting, meet
from fitcheck.geometry.solids import Solid, axis_frame
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.vehicle.scene import Contact, Region

Floats = NDArray[np.float64]

_SIDES = 24


@dataclass(frozen=True)
class Planes:
    """A convex region {p : normals·p ≤ offsets} and the axis-aligned box (2, 3) round it."""

    normals: Floats
    offsets: Floats
    box: Floats


def planes_of(region: Region, grow_mm: float) -> Planes:
    """The region grown by ``grow_mm``, as planes; round ones become prisms of 24 sides round them."""
    if region.kind == "box":
        lo, hi = np.asarray(region.lo) - grow_mm, np.asarray(region.hi) + grow_mm
        return Planes(np.concatenate([-np.eye(3), np.eye(3)]), np.concatenate([-lo, hi]), np.array([lo, hi]))
    radius = float(region.radius_mm or 0.0) + grow_mm
    start = np.asarray(region.start, dtype=np.float64)
    end = start if region.end is None else np.asarray(region.end, dtype=np.float64)
    cap = grow_mm if region.kind == "cylinder" else radius
    frame = axis_frame(end - start)
    turn = 2.0 * np.pi * np.arange(_SIDES) / _SIDES
    sides = np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2])
    normals = np.concatenate([sides, -frame[:1], frame[:1]])
    offsets = np.concatenate([sides @ start + radius, [-frame[0] @ start + cap], [frame[0] @ end + cap]])
    reach = radius / np.cos(np.pi / _SIDES) + cap
    return Planes(normals, offsets, np.array([np.minimum(start, end) - reach, np.maximum(start, end) + reach]))


def cut_out(shapes: Sequence[Shape], contacts: Sequence[Contact], grow_mm: float) -> list[TiledSurface]:
    """What is left of the shapes outside the declared places, as surfaces.

    Raises InputError for a capsule or sphere: there is no mesh to cut.
    """
    left = []
    for shape in shapes:
        if isinstance(shape, Solid) and shape.radius_mm > 0.0:
            raise InputError(
                f"{contacts[0].origin}: contact between {' and '.join(contacts[0].between)}: a place cannot be cut out "
                "of a capsule or sphere. Make the part a cylinder, or exclude the pair with a reason."
            )
        surface = shape
        for contact in contacts:
            surface = _cut_one(surface, planes_of(contact.at, grow_mm))
        if isinstance(surface, Solid):
            surface = tile_surface(surface.vertices, surface.faces)
        left.append(surface)
    return [surface for surface in left if surface.triangle_count]


def in_place(shapes: Sequence[Shape], contact: Contact) -> list[TiledSurface]:
    """What of the shapes lies inside a declared place, as surfaces; nothing there: none."""
    planes = planes_of(contact.at, 0.0)
    found = []
    for shape in shapes:
        if isinstance(shape, Solid):
            corners = shape.vertices[shape.faces]
        else:
            hit = box_gaps(shape.boxes[:, 0], shape.boxes[:, 1], planes.box[0], planes.box[1]) <= 0.0
            corners = shape.triangles(shape.face_rows(np.flatnonzero(hit)))
        found.append(_soup(inside_of(corners, planes.normals, planes.offsets)))
    return [surface for surface in found if surface.triangle_count]


def _cut_one(shape: Shape, planes: Planes) -> TiledSurface:
    if isinstance(shape, Solid):
        return _soup(outside_of(shape.vertices[shape.faces], planes.normals, planes.offsets))
    hit = box_gaps(shape.boxes[:, 0], shape.boxes[:, 1], planes.box[0], planes.box[1]) <= 0.0
    if not hit.any():
        return shape
    rows = shape.face_rows(np.flatnonzero(hit))
    changed = _soup(outside_of(shape.triangles(rows), planes.normals, planes.offsets))
    return _joined(shape, np.flatnonzero(~hit), changed)


def _soup(corners: Floats) -> TiledSurface:
    return tile_surface(corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3))


def _joined(shape: TiledSurface, tiles: NDArray[np.intp], extra: TiledSurface) -> TiledSurface:
    """The given tiles of a surface and all of another, without touching the vertices that stay."""
    rows = shape.face_rows(tiles)
    counts = shape.starts[tiles + 1] - shape.starts[tiles]
    faces = np.concatenate([np.asarray(shape.faces[rows]), extra.faces + len(shape.vertices)]).astype(np.int32)
    starts = np.concatenate([[0], np.cumsum(counts), counts.sum() + extra.starts[1:]]).astype(np.int64)
    vertices = np.concatenate([np.asarray(shape.vertices), extra.vertices])
    return TiledSurface(vertices, faces, starts, np.concatenate([np.asarray(shape.boxes[tiles]), extra.boxes]))


def too_deep(part: Sequence[Solid], other: Sequence[Shape], contacts: Sequence[Contact]) -> Meeting | None:
    """The meeting that is deeper than the contacts allow: anywhere than the most, in each place than its own."""
    whole = meet(part, other)
    if -whole.clearance_mm > max(contact.deeper_than_mm for contact in contacts):
        return whole
    for contact in contacts:
        there = in_place(other, contact)
        if there:
            inner = meet(part, there)
            if -inner.clearance_mm > contact.deeper_than_mm:
                return inner
    return None
