"""Running gear held by rods of fixed length: an axle on links, a wheel on five rods, a strut.

Their poses are solved from the rods' lengths (``linkage_equations.py``), with certified bounds of the
motion's derivatives (``linkage_cells.py``, ``linkage_table.py``). What a motion is: ``motion.py``.

A radius arm is two rods from its body end to two points of the axle, one well above the other: a rigid arm
holds both. The rods of one arm that lie in one line hold no pitch, and are refused.

Not part of the promise: bushes that give (but for the least squares of an over-determined axle, where
they share the strain alike), rods that bend, and play in joints.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.solids import Solid
from fitcheck.vehicle import motion
from fitcheck.vehicle.linkage_equations import Linkage, rod_errors
from fitcheck.vehicle.linkage_held import Held, Rod, check_rods, ends_of
from fitcheck.vehicle.linkage_reach import shift_of, turn_of
from fitcheck.vehicle.linkage_table import solve
from fitcheck.vehicle.linkage_wheels import FiveRods, Strut
from fitcheck.vehicle.motion import Range
from fitcheck.vehicle.scene import Vector

__all__ = ["FiveRods", "LinkedAxle", "LinkedStraight", "Rod", "Strut"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LinkedAxle(Held):
    """A solid axle on links: 3-link and lateral rod, 4-link, radius arms (two rods an arm).

    Poses: [right_mm, left_mm, wind_up_rad, lateral_mm] as those of an axle on leaf springs
    (:class:`fitcheck.vehicle.mechanisms.SolidAxle`). Heave and roll follow from the two sides' heights at
    y = ± ``stops_mm``; fore-aft, side shift, yaw and pitch from the rods, by least squares on their lengths
    (bushes absorb what rigid links cannot); wind-up adds to the pitch and lateral play to the side shift.
    """

    name: str
    centre: Vector
    bump_mm: float
    droop_mm: float
    stops_mm: float
    rods: tuple[Rod, ...]
    lateral_mm: float = 0.0
    wind_up_drive_deg: float = 0.0
    wind_up_brake_deg: float = 0.0
    carries: tuple[tuple[str, Solid], ...] = ()
    part_class: str = "axle"
    origin: str = ""

    @cached_property
    def linkage(self) -> Linkage:
        return self._linkage("sides", 2)

    def _linkage(self, given: str, count: int) -> Linkage:
        bodies, carried = ends_of(self.rods, self.centre)
        low, high = (-float(self.droop_mm),) * count, (float(self.bump_mm),) * count
        names = tuple(rod.name for rod in self.rods)
        stops = float(self.stops_mm)
        return Linkage(self.name, names, bodies, carried, low, high, given, stops, origin=self.origin)

    def validated(self) -> Self:
        """Itself. Raises InputError for fewer than four rods, rods that leave it free, or that do not reach."""
        check_rods(self.name, self.rods)
        if len(self.rods) < 4:
            raise InputError(f"{self.name}: at least four rods hold an axle, not {len(self.rods)}: add a rod")
        if not self.stops_mm > 0.0:
            raise InputError(f"{self.name}: the stops are at y = ± a length greater than 0, not {self.stops_mm:g} mm")
        return super().validated()

    @property
    def middle(self) -> Vector:
        return self.centre

    @property
    def coordinates(self) -> tuple[str, ...]:
        return tuple(f"{self.name}.{side}" for side in ("right", "left", "wind_up", "lateral"))

    @property
    def low(self) -> Floats:
        brake = math.radians(self.wind_up_brake_deg)
        return np.array([-self.droop_mm, -self.droop_mm, -brake, -self.lateral_mm], dtype=np.float64)

    @property
    def high(self) -> Floats:
        drive = math.radians(self.wind_up_drive_deg)
        return np.array([self.bump_mm, self.bump_mm, drive, self.lateral_mm], dtype=np.float64)

    def heave_mm(self, poses: Floats) -> Floats:
        """(…, 4) → (…,)."""
        return np.asarray((poses[..., 0] + poses[..., 1]) / 2.0)

    def roll_rad(self, poses: Floats) -> Floats:
        """(…, 4) → (…,): right side up positive."""
        return np.asarray(np.arctan((poses[..., 0] - poses[..., 1]) / (2.0 * self.stops_mm)))

    def values(self, poses: Floats) -> Floats:
        """(n, 4) → (n, 6): shifts x, y, z of the axle's centre in mm, and yaw, roll, pitch in radians."""
        x, y, yaw, pitch = solve(self.linkage, poses[:, :2]).T
        roll = self.roll_rad(poses)
        return np.stack([x, y + poses[:, 3], self.heave_mm(poses), yaw, roll, pitch + poses[:, 2]], axis=1)

    def rod_strain_mm(self, poses: Floats) -> Floats:
        """(n, 4) → (n, k): by how much the bushes of each rod have to give; positive: stretched."""
        return rod_errors(self.linkage, solve(self.linkage, poses[:, :2]), poses[:, :2])

    def moved(self, poses: Floats) -> tuple[Floats, Floats]:
        sides = poses[:, :2]
        unknown = solve(self.linkage, sides)
        shift = shift_of(self.linkage, unknown, sides)
        shift[:, 1] += poses[:, 3]
        return np.asarray(turn_of(self.linkage, unknown, sides) @ _pitched(poses[:, 2])), shift

    def _after_wind_up(self, offset: Floats) -> Floats:
        """(3,) → (3,): the same after any wind-up within its limits."""
        most = max(math.radians(self.wind_up_drive_deg), math.radians(self.wind_up_brake_deg))
        sine = math.sin(min(most, math.pi / 2.0))
        x, y, z = (float(value) for value in offset)
        return np.array([min(x + sine * z, math.hypot(x, z)), y, min(z + sine * x, math.hypot(x, z))])

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 4) boxes → (n, 4), certified; ∞ for boxes that leave the travel."""
        sides = super().slope(low[:, :2], high[:, :2], self._after_wind_up(offset))
        one = np.ones((len(low), 1))
        return np.concatenate([sides, float(np.hypot(offset[0], offset[2])) * one, one], axis=1)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 4) boxes → (n, 4), certified; ∞ for boxes that leave the travel."""
        sides = super().bend(low[:, :2], high[:, :2], self._after_wind_up(offset))
        one = np.ones((len(low), 1))
        return np.concatenate([sides, float(np.hypot(offset[0], offset[2])) * one, 0.0 * one], axis=1)

    def describe(self, pose: Floats) -> dict[str, float]:
        """Heave, roll, wind-up and side play."""
        return {
            f"{self.name}.heave_mm": float(self.heave_mm(pose)),
            f"{self.name}.roll_deg": math.degrees(float(self.roll_rad(pose))),
            f"{self.name}.wind_up_deg": math.degrees(float(pose[2])),
            f"{self.name}.lateral_mm": float(pose[3]),
        }

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (4,) that :meth:`describe` wrote; it may lie outside the stops: see :meth:`within`."""
        movements = ("heave_mm", "roll_deg", "wind_up_deg", "lateral_mm")
        heave, roll, wind_up, lateral = (described.get(f"{self.name}.{movement}", 0.0) for movement in movements)
        side = self.stops_mm * math.tan(math.radians(roll))
        return np.array([heave + side, heave - side, math.radians(wind_up), lateral])

    def at_heave(self, heave_mm: float) -> Floats:
        """Both sides up by so much, as far as the stops let them."""
        return self.within(np.array([heave_mm, heave_mm, 0.0, 0.0]))

    def causes(self) -> dict[str, Range]:
        """Crossed: each side at its own stop. Straight travel is no box of these coordinates: see :meth:`straight`."""
        up, down, rest = self.high, self.low, self.scan_pose
        crossed = np.array([up[0], down[1], 0.0, 0.0]), np.array([down[0], up[1], 0.0, 0.0])
        found = {motion.RIGHT_UP: (crossed[0],) * 2, motion.LEFT_UP: (crossed[1],) * 2}
        turned = np.array([0.0, 0.0, 1.0, 0.0])
        return {**found, motion.DRIVE: (rest, up * turned), motion.REVERSE: (down * turned, rest)}

    def straight(self) -> LinkedStraight:
        """The axle's straight bump and droop alone."""
        return LinkedStraight(self)


def _pitched(angles: Floats) -> Floats:
    """(n,) → (n, 3, 3): R_y."""
    c, s, zero, one = np.cos(angles), np.sin(angles), np.zeros_like(angles), np.ones_like(angles)
    rows = [[c, zero, s], [zero, one, zero], [-s, zero, c]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


@dataclass(frozen=True)
class LinkedStraight(Held):
    """A linked axle's straight bump and droop alone: one coordinate, the heave."""

    axle: LinkedAxle

    @cached_property
    def linkage(self) -> Linkage:
        return self.axle._linkage("heave", 1)

    @property
    def middle(self) -> Vector:
        return self.axle.centre

    @property
    def name(self) -> str:
        return self.axle.name

    @property
    def bump_mm(self) -> float:
        return self.axle.bump_mm

    @property
    def droop_mm(self) -> float:
        return self.axle.droop_mm

    @property
    def carries(self) -> tuple[tuple[str, Solid], ...]:
        return self.axle.carries

    @property
    def part_class(self) -> str:
        return self.axle.part_class

    @property
    def origin(self) -> str:
        return self.axle.origin

    @property
    def coordinates(self) -> tuple[str, ...]:
        return (f"{self.axle.name}.heave",)

    def full(self, poses: Floats) -> Floats:
        """(…, 1) → the axle's own coordinates (…, 4)."""
        zero = np.zeros_like(poses[..., 0])
        return np.stack([poses[..., 0], poses[..., 0], zero, zero], axis=-1)

    def describe(self, pose: Floats) -> dict[str, float]:
        """As the axle's own."""
        return self.axle.describe(self.full(pose))

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The heave alone (1,)."""
        return np.array([described.get(f"{self.name}.heave_mm", 0.0)])

    def at_heave(self, heave_mm: float) -> Floats:
        """Up by so much, as far as the stops let it."""
        return self.within(np.array([heave_mm]))

    def causes(self) -> dict[str, Range]:
        """Bump and droop, from the scan pose to either stop."""
        rest = self.scan_pose
        return {motion.STRAIGHT_BUMP: (rest, self.high), motion.STRAIGHT_DROOP: (self.low, rest)}

    def straight(self) -> LinkedStraight:
        """Itself."""
        return self
