"""Moving bodies as unions of convex pieces, ready for the sweep.

A piece over a box of poses lies inside the convex hull of its corner poses, grown by
the second-order remainder. What the sweep reads of it is a :class:`Hulls`: points,
each the centre of a flat disc square to a direction (radius 0: the point itself),
the whole grown by a ball and by the remainder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.sweep import Hulls, corners_of
from fitcheck.vehicle.ends import stray
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import STRAIGHT_BUMP, Block, Motion, Space
from fitcheck.vehicle.scene import Part, ShaftPart
from fitcheck.vehicle.spans import End, shaft_spans

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RigidPiece:
    """A convex solid carried by a mechanism; given at scan pose."""

    name: str
    motion: Motion
    solid: Solid

    @property
    def space(self) -> Motion:
        return self.motion

    @property
    def reach_mm(self) -> float:
        return self.solid.radius_mm

    def straight(self) -> RigidPiece:
        """The same, carried straight up and down only."""
        return replace(self, motion=self.motion.straight())

    def facts(self) -> tuple[object, ...]:
        """What shapes it, beside its solid."""
        return ("rigid", self.name, self.motion)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        corners = corners_of(low, high)
        count, each, _ = corners.shape
        points = self.motion.place(corners.reshape(count * each, -1), self.solid.vertices)
        half = (high - low) / 2.0
        slope, bend = (bound(low, high, self._offset) for bound in (self.motion.slope, self.motion.bend))
        return Hulls(points.reshape(count, -1, 3), None, 0.0, self.solid.radius_mm, stray(half, slope, bend))

    @cached_property
    def _offset(self) -> Floats:
        return self.motion.offsets(self.solid.vertices)

    def at(self, pose: Floats) -> Solid:
        """The solid in a pose (d,)."""
        rotation = self.motion.turn(pose[None])[0]
        origin = self.motion.place(pose[None], np.zeros((1, 3)))[0, 0]
        return self.solid.moved(rotation, origin)


MOST_FACETS = 600
"""A carried mesh of more triangles is refused: each is swept by itself."""


class Piece(Protocol):
    """A convex piece of a moving body; its poses are those of its ``space``."""

    @property
    def name(self) -> str: ...
    @property
    def space(self) -> Space: ...
    def hulls(self, low: Floats, high: Floats) -> Hulls:
        """(n, d) boxes of poses → what holds the piece in all of them, corner by corner."""

    def at(self, pose: Floats) -> Solid:
        """The piece in a pose (d,)."""

    def straight(self) -> Piece:
        """The same with straight motions only."""

    def facts(self) -> tuple[object, ...]:
        """Everything that shapes it, but the solid of a rigid piece: its repr is part of a kept answer's key."""


@dataclass(frozen=True, eq=False)
class MovingBody:
    """A thing that mechanisms move: a union of convex pieces in one space.

    ``shapes``: what it is, where that is not its pieces: a carried mesh is swept triangle by triangle.
    """

    name: str
    part_class: str
    pieces: tuple[Piece, ...]
    rides_on: tuple[str, ...] = ()  # names of mechanisms
    taped: bool = False  # its joint centres were taped
    joined_to: tuple[str, ...] = ()  # bodies and parts that share a joint with it
    origin: str = ""
    shapes: tuple[Piece, ...] = ()

    @property
    def space(self) -> Space:
        return self.pieces[0].space if self.pieces else Still()

    def straight(self) -> MovingBody | None:
        """The same body with straight bump and droop only; None where nothing moves it so."""
        pieces, shapes = (tuple(piece.straight() for piece in some) for some in (self.pieces, self.shapes))
        body = replace(self, pieces=pieces, shapes=shapes)
        lifts = any(STRAIGHT_BUMP in block.causes() for block in body.space.blocks)
        return body if lifts else None

    def solids(self, pose: Floats) -> list[Solid]:
        """All that it is made of, in a pose (d,)."""
        return [piece.at(pose) for piece in self.shapes or self.pieces]


def axle_body(mechanism: Block, motion: Motion | None = None) -> MovingBody:
    """What a mechanism itself carries, as one moving body of its name; ``motion``: with what it rides on in turn."""
    motion = cast(Motion, mechanism) if motion is None else motion
    pieces = tuple(RigidPiece(name, motion, solid) for name, solid in mechanism.carries)
    on = (mechanism.name,)
    return MovingBody(mechanism.name, mechanism.part_class, pieces, on, taped=True, origin=mechanism.origin)


def carried_body(part: Part, motion: Motion, rides_on: tuple[str, ...]) -> MovingBody:
    """A part that a mechanism carries. Raises InputError for a mesh of too many triangles."""
    shapes = [RigidPiece(part.name, motion, solid) for solid in part.solids]
    pieces = [piece for shape in shapes for piece in _convex_pieces(part, shape)]
    own = () if len(pieces) == len(shapes) else tuple(shapes)
    return MovingBody(
        part.name, part.part_class, tuple(pieces), rides_on, joined_to=rides_on, origin=part.origin, shapes=own
    )


def _convex_pieces(part: Part, shape: RigidPiece) -> list[RigidPiece]:
    """The shape itself, or its triangles where it is not convex."""
    solid = shape.solid
    if solid.convex:
        return [shape]
    if len(solid.faces) > MOST_FACETS:
        raise InputError(
            f"{part.origin}: part '{part.name}' is carried by a mechanism, and its mesh has {len(solid.faces)} "
            f"triangles: at most {MOST_FACETS} can be swept. Make a coarser mesh that encloses it, or build it from "
            "boxes and cylinders"
        )
    return facets(shape, solid.vertices[solid.faces])


def facets(shape: RigidPiece, triangles: Floats) -> list[RigidPiece]:
    """Triangles (n, 3, 3) at scan pose as pieces carried like ``shape``."""
    face = np.array([[0, 1, 2]], dtype=np.int32)
    ball = shape.solid.radius_mm
    return [replace(shape, solid=Solid(corners, face, ball, convex=True, closed=False)) for corners in triangles]


def shaft_body(shaft: ShaftPart, mechanisms: Mapping[str, Block] | None = None) -> MovingBody:
    """A propeller shaft: tube in four lengths, and a yoke swinging at each joint; whip is in the radii.

    Its joints are carried by ``start_motion`` and ``end_motion``; where these are not given, by the ``mechanisms``
    that it names.
    """
    start = _carrier(shaft.start_on, shaft.start_motion, mechanisms or {})
    end = _carrier(shaft.end_on, shaft.end_motion, mechanisms or {})
    pieces = shaft_spans(
        shaft.name,
        End(shaft.start_mm, start),
        End(shaft.end_mm, end),
        diameter_mm=shaft.diameter_mm,
        yoke_diameter_mm=shaft.yoke_diameter_mm,
        yoke_length_mm=shaft.yoke_length_mm,
        whip_mm=shaft.whip_mm,
        yoke_whip_mm=shaft.yoke_whip_mm,
    )
    joined = tuple(word for word in (shaft.start_on, shaft.end_on) if word)
    rides_on = tuple(dict.fromkeys(word.partition(".")[0] for word in joined))
    return MovingBody(shaft.name, shaft.part_class, pieces, rides_on, True, joined, shaft.origin)


def _carrier(word: str | None, motion: Motion | None, mechanisms: Mapping[str, Block]) -> Motion:
    if motion is not None:
        return motion
    return cast(Motion, mechanisms[word]) if word else Still()
