"""All that mechanisms move → bodies for the sweep: what they carry themselves, parts, shafts, rods and hoses.

What shares a joint is *joined* and not judged against each other: a thing and the mechanism that
carries it, a rod and both that its ends are on. What merely rides on the same mechanism is not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.layout.build_mechanisms import told
from fitcheck.layout.build_parts import BuiltParts
from fitcheck.layout.build_spans import Hanging
from fitcheck.layout.load import Layout
from fitcheck.layout.riding import Riding, name_of
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.moving import MovingBody, Piece, axle_body, carried_body, shaft_body
from fitcheck.vehicle.scene import Part, ShaftPart, Vector

Floats = NDArray[np.float64]


def bodies(layout: Layout, built: BuiltParts, riding: Riding) -> tuple[MovingBody, ...]:
    """Bodies of mechanisms that carry something of their own, then of parts and shafts in file order.

    What cannot be moved (a mesh of too many triangles) joins the layout's mistakes.
    """
    found = [_own_body(riding, name) for name, block in riding.mechanisms.items() if block.carries]
    for part in built.parts:
        if part.on and part.solids:
            body = told(layout, ("parts", part.name), _part_body, built, riding, part)
            found += [] if body is None else [body]
    for shaft in built.shafts:
        body = told(layout, ("parts", shaft.name), _shaft_body, built, riding, shaft)
        found += [] if body is None else [body]
    return tuple(found)


def _own_body(riding: Riding, name: str) -> MovingBody:
    """What a mechanism itself carries; joined to what it rides on."""
    rides = riding.names(name)
    body = axle_body(riding.mechanisms[name], riding.motion(name))
    return replace(body, rides_on=rides, joined_to=rides[1:])


def _part_body(built: BuiltParts, riding: Riding, part: Part) -> MovingBody:
    held = built.hanging.get(part.name)
    if held is not None:
        return _hanging_body(built, riding, held)
    motion, rides = riding.motion(part.on, _station(part)), riding.names(part.on)
    radius = built.tyres.get(part.name)
    if radius is None:
        return carried_body(part, motion, rides)
    mates = tuple(other.name for other in built.parts if other.on == part.on and _in_wheel(built, other, part))
    wheel = _wheel(part, motion, radius)
    return MovingBody(part.name, part.part_class, (wheel,), rides, joined_to=(*rides, *mates), origin=part.origin)


def _in_wheel(built: BuiltParts, other: Part, tyre: Part) -> bool:
    """Whether a part that is carried like a tyre reaches into it: a hub, a knuckle, a brake."""
    if other.name == tyre.name or other.name in built.hanging or not other.solids:
        return False
    (low, high), (tyre_low, tyre_high) = _extents(other), _extents(tyre)
    return bool((low < tyre_high).all() and (tyre_low < high).all())


def _extents(part: Part) -> Floats:
    """Least and greatest corner (2, 3)."""
    boxes = np.array([solid.extents() for solid in part.solids])
    return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])


def _station(part: Part) -> float:
    return float(_extents(part)[:, 0].mean())


def _wheel(part: Part, motion: Motion, radius_mm: float) -> Piece:
    """The tyre as a cylinder, its true size inside the prism that stands for it among still parts."""
    from fitcheck.vehicle.discs import WheelPiece

    vertices = part.solids[0].vertices
    first, last = (half.mean(axis=0) for half in np.split(vertices, 2))
    axis = last - first
    return WheelPiece(
        part.name, motion, _vector((first + last) / 2.0), _vector(axis), radius_mm, float(np.linalg.norm(axis))
    )


def _vector(point: Floats) -> Vector:
    x, y, z = (float(value) for value in point)
    return x, y, z


def _hanging_body(built: BuiltParts, riding: Riding, held: Hanging) -> MovingBody:
    part = held.part
    rides, joined = _at_ends(built, riding, part.name, held.words)
    return MovingBody(part.name, part.part_class, held.pieces, rides, taped=True, joined_to=joined, origin=part.origin)


def _shaft_body(built: BuiltParts, riding: Riding, shaft: ShaftPart) -> MovingBody:
    rides, joined = _at_ends(built, riding, shaft.name, (shaft.start_on or "", shaft.end_on or ""))
    return replace(shaft_body(shaft, riding.mechanisms), rides_on=rides, joined_to=joined)


def _at_ends(
    built: BuiltParts, riding: Riding, name: str, words: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The mechanisms that move a span's ends; and what it is joined to.

    These mechanisms' bodies, what rides there (but for tyres: nothing is jointed to a tyre), the parts that its joints
    name, and spans that have a joint in common with it.
    """
    own = built.joints[name]
    meeting = [other for other, joints in built.joints.items() if other != name and own.meets(joints)]
    rides = tuple(dict.fromkeys(mechanism for word in words for mechanism in riding.names(word)))
    carriers = [name_of(word) for word in words if word]
    there = [part.name for part in built.parts if part.on and part.on in words and _can_hold(built, part)]
    return rides, tuple(dict.fromkeys([*carriers, *there, *own.bolted_to, *meeting]))


def _can_hold(built: BuiltParts, part: Part) -> bool:
    return part.name not in built.tyres and part.name not in built.hanging
