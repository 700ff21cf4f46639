"""Moving bodies as unions of convex pieces, ready for the sweep.

A piece over a box of poses lies inside the convex hull of its corner poses, grown by
the second-order remainder. What the sweep reads of it is a :class:`Hulls`: points,
each the centre of a flat disc square to a direction (radius 0: the point itself),
the whole grown by a ball and by the remainder.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.solids import Solid, cylinder, sides_for
from fitcheck.geometry.sweep import Hulls, corners_of
from fitcheck.vehicle.mechanisms import SolidAxle, Still, StraightTravel
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.scene import ShaftPart, Vector

Floats = NDArray[np.float64]

_TUBE_PIECES = 4
_TURN_LIMIT_RAD = 0.34
"""Up to this turn from a box's middle the bound on a disc's second derivative below holds."""


@dataclass(frozen=True, eq=False)
class RigidPiece:
    """A convex solid carried by a mechanism; given at scan pose."""

    name: str
    motion: Motion
    solid: Solid

    @property
    def reach_mm(self) -> float:
        return self.solid.radius_mm

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        corners = corners_of(low, high)
        count, each, _ = corners.shape
        points = self.motion.place(corners.reshape(count * each, -1), self.solid.vertices)
        half = (high - low) / 2.0
        bend = self.motion.bend(low, high, self.motion.offsets(self.solid.vertices))
        return Hulls(
            points.reshape(count, -1, 3), None, 0.0, self.solid.radius_mm, 0.5 * np.einsum("nd,nd->n", half**2, bend)
        )

    def at(self, pose: Floats) -> Solid:
        """The solid in a pose (d,)."""
        rotation = self.motion.turn(pose[None])[0]
        origin = self.motion.place(pose[None], np.zeros((1, 3)))[0, 0]
        return self.solid.moved(rotation, origin)


@dataclass(frozen=True, eq=False)
class ShaftPiece:
    """A length of a shaft between a still joint and a moving joint.

    Its ends lie at ``start[0] + start[1]·L`` and ``end[0] + end[1]·L`` from the still
    joint, L the momentary distance between the joints: (0, 0)–(60, 0) is the yoke at the
    still joint, (−60, 1)–(0, 1) the yoke at the moving one, and the tube from joint to
    joint telescopes.
    """

    name: str
    motion: Motion
    still_joint: Vector
    moving_joint: Vector  # at scan pose
    start: tuple[float, float]
    end: tuple[float, float]
    radius_mm: float

    @property
    def reach_mm(self) -> float:
        return self.radius_mm

    def _axis(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) → unit vectors from still to moving joint (n, 3), lengths (n,)."""
        reach = self.motion.place(poses, np.array([self.moving_joint]))[:, 0] - np.asarray(self.still_joint)
        length = np.linalg.norm(reach, axis=1)
        if not (length > 1e-3).all():
            raise InputError(
                f"the joints of the shaft ({self.name}) meet within the travel of its axle: move one of them"
            )
        return reach / length[:, None], length

    def _ends(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) → both end centres (n, 2, 3) and the axis (n, 3)."""
        axis, length = self._axis(poses)
        along = np.stack([offset + share * length for offset, share in (self.start, self.end)], axis=1)
        return np.asarray(self.still_joint) + along[:, :, None] * axis[:, None, :], axis

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        corners = corners_of(low, high)
        count, each, _ = corners.shape
        ends, axis = self._ends(corners.reshape(count * each, -1))
        discs = np.repeat(axis[:, None, :], 2, axis=1)
        return Hulls(
            ends.reshape(count, -1, 3),
            discs.reshape(count, -1, 3),
            self._outer_radius(),
            0.0,
            self._remainder(low, high),
        )

    def _outer_radius(self) -> float:
        """Radius of the circle round the tessellation, so that the bound holds for both."""
        return float(self.radius_mm / np.cos(np.pi / sides_for(self.radius_mm)))

    def _remainder(self, low: Floats, high: Floats) -> Floats:
        """How far a point of the piece can stray from the hull of its corner poses (n,).

        For a joint that moves with speed G and second derivative M along a coordinate, the
        unit axis u has |u′| ≤ G/L and |u″| ≤ M/L + (2/√3)·G²/L² (second derivative of
        v ↦ v/|v|), and a vector square to u, carried by the least rotation from the box's
        middle, has |e″| ≤ 1.4·|u″| + 1.5·|u′|² while u stays within 0.34 rad of it.
        """
        offset = self.motion.offsets(np.array([self.moving_joint]))
        half = (high - low) / 2.0
        speed, bend = self.motion.slope(low, high, offset), self.motion.bend(low, high, offset)
        _, length = self._axis((low + high) / 2.0)
        travel = np.einsum("nd,nd->n", half, speed)
        shortest = np.maximum(length - travel, 1e-9)[:, None]
        turn = speed / shortest
        axis_bend = bend / shortest + 2.0 / np.sqrt(3.0) * turn**2
        ends = np.max([abs(a) * axis_bend + abs(b) * bend for a, b in (self.start, self.end)], axis=0)
        point = ends + self._outer_radius() * (1.4 * axis_bend + 1.5 * turn**2)
        plain = 0.5 * np.einsum("nd,nd->n", half**2, point)
        wide = 0.5 * np.einsum("nd,nd->n", half**2, ends) + 2.0 * self._outer_radius()
        return np.asarray(np.where(travel / shortest[:, 0] <= _TURN_LIMIT_RAD, plain, wide))

    def at(self, pose: Floats) -> Solid:
        """The piece in a pose (d,), as a circumscribed prism."""
        ends, _ = self._ends(pose[None])
        return cylinder(ends[0, 0], ends[0, 1], self.radius_mm)


Piece = RigidPiece | ShaftPiece


@dataclass(frozen=True, eq=False)
class MovingBody:
    """A thing that a mechanism moves: a union of convex pieces that share one motion."""

    name: str
    part_class: str
    motion: Motion
    pieces: tuple[Piece, ...]
    mechanism: str | None  # its name
    taped: bool = False  # its joint centres were taped
    joined_to: tuple[str, ...] = ()  # bodies that share a joint with it
    origin: str = ""

    def straight(self) -> MovingBody | None:
        """The same body with straight bump and droop only; None where it does not move."""
        if not isinstance(self.motion, SolidAxle):
            return None
        motion = StraightTravel(self.motion)
        return replace(self, motion=motion, pieces=tuple(replace(piece, motion=motion) for piece in self.pieces))

    def solids(self, pose: Floats) -> list[Solid]:
        """All pieces in a pose (d,)."""
        return [piece.at(pose) for piece in self.pieces]


def axle_body(axle: SolidAxle) -> MovingBody:
    """What an axle carries, as one moving body named like the axle."""
    pieces = tuple(RigidPiece(name, axle, solid) for name, solid in axle.carries)
    return MovingBody(axle.name, axle.part_class, axle, pieces, axle.name, taped=True, origin=axle.origin)


def shaft_body(shaft: ShaftPart, mechanisms: dict[str, SolidAxle]) -> MovingBody:
    """A propeller shaft: tube in four lengths, and a yoke swinging at each joint; whip is in the radii."""
    motion: Motion = mechanisms[shaft.end_on] if shaft.end_on else Still()
    length = float(np.linalg.norm(np.subtract(shaft.end_mm, shaft.start_mm)))
    yoke = shaft.yoke_length_mm if shaft.yoke_diameter_mm else 0.0
    yoke = min(yoke or 0.0, length / 2.0)

    def piece(name: str, start: tuple[float, float], end: tuple[float, float], radius: float) -> ShaftPiece:
        return ShaftPiece(name, motion, shaft.start_mm, shaft.end_mm, start, end, radius)

    tube = shaft.diameter_mm / 2.0 + shaft.whip_mm
    cuts = [float(share) for share in np.linspace(0.0, 1.0, _TUBE_PIECES + 1)]
    pieces = [piece("tube", (0.0, cuts[k]), (0.0, cuts[k + 1]), tube) for k in range(_TUBE_PIECES)]
    if yoke and shaft.yoke_diameter_mm:
        swing = shaft.yoke_diameter_mm / 2.0 + shaft.yoke_whip_mm
        pieces += [
            piece("front yoke", (0.0, 0.0), (yoke, 0.0), swing),
            piece("rear yoke", (-yoke, 1.0), (0.0, 1.0), swing),
        ]
    joined = (shaft.end_on,) if shaft.end_on else ()
    return MovingBody(shaft.name, shaft.part_class, motion, tuple(pieces), shaft.end_on, True, joined, shaft.origin)
