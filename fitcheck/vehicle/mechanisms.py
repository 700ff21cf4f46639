"""A solid axle on leaf springs, its straight travel alone, and what does not move at all.

The axle's coordinates are the heights of its two sides at the stops, so that *both stops
respected together* is a plain box and every combination inside it is a pose that the
vehicle can take. What a motion is: see :mod:`fitcheck.vehicle.motion`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.solids import Solid
from fitcheck.vehicle import motion
from fitcheck.vehicle.motion import Block, Limit, Range
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Leaf:
    """A leaf spring's arc: the seat moves toward the fixed eye by ((z − z₀)² − z₀²) / 2R.

    R = ``radius_factor`` · half length: ¾ for a strip of uniform strength up to ⅚ for a
    single uniform strip (beam bending); z₀ = ``flat_at_mm`` is the heave at which the
    spring is flat.
    """

    half_length_mm: float
    fixed_eye: str  # "front" | "rear"
    flat_at_mm: float = 0.0
    radius_factor: float = 0.75

    @property
    def arc_mm(self) -> float:
        return self.radius_factor * self.half_length_mm


@dataclass(frozen=True)
class SolidAxle:
    """A solid axle on leaf springs.

    Poses: [right_mm, left_mm, wind_up_rad, lateral_mm]. Right and left are the height
    changes at y = ± ``stops_mm`` from the scan pose, each in [−droop, bump]: heave =
    (right + left)/2, roll = atan((right − left)/2·stops), right side up positive.
    A point p goes to R_x(roll)·R_y(wind-up)·(p − centre) + centre + (Δx, lateral, heave).
    Positive wind-up lifts what lies ahead of the axle (a pinion nose under drive torque).
    """

    name: str
    centre_mm: Vector
    bump_mm: float
    droop_mm: float
    stops_mm: float
    lateral_mm: float = 0.0
    leaf: Leaf | None = None
    wind_up_drive_deg: float = 0.0
    wind_up_brake_deg: float = 0.0
    carries: tuple[tuple[str, Solid], ...] = field(default=(), repr=False)
    part_class: str = field(default="axle", repr=False)
    origin: str = field(default="", repr=False)

    @property
    def blocks(self) -> tuple[SolidAxle, ...]:
        return (self,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return tuple(f"{self.name}.{side}" for side in ("right", "left", "wind_up", "lateral"))

    @property
    def limits(self) -> tuple[Limit, ...]:
        return ()

    @property
    def low(self) -> Floats:
        brake = math.radians(self.wind_up_brake_deg)
        return np.array([-self.droop_mm, -self.droop_mm, -brake, -self.lateral_mm], dtype=np.float64)

    @property
    def high(self) -> Floats:
        drive = math.radians(self.wind_up_drive_deg)
        return np.array([self.bump_mm, self.bump_mm, drive, self.lateral_mm], dtype=np.float64)

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(4)

    def heave_mm(self, poses: Floats) -> Floats:
        return np.asarray((poses[..., 0] + poses[..., 1]) / 2.0)

    def roll_rad(self, poses: Floats) -> Floats:
        return np.asarray(np.arctan((poses[..., 0] - poses[..., 1]) / (2.0 * self.stops_mm)))

    def turn(self, poses: Floats) -> Floats:
        roll, wind_up = self.roll_rad(poses), poses[..., 2]
        cr, sr, cw, sw = np.cos(roll), np.sin(roll), np.cos(wind_up), np.sin(wind_up)
        zero = np.zeros_like(cr)
        rows = [[cw, zero, sw], [sr * sw, cr, -sr * cw], [-cr * sw, sr, cr * cw]]
        return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)

    def shift(self, poses: Floats) -> Floats:
        """(n, 4) → (n, 3): displacement of the axle's centre."""
        heave = self.heave_mm(poses)
        return np.stack([self._fore_aft_mm(heave), poses[..., 3], heave], axis=-1)

    def place(self, poses: Floats, points: Floats) -> Floats:
        centre = np.asarray(self.centre_mm)
        turned = np.matmul(np.asarray(points) - centre, self.turn(poses).transpose(0, 2, 1))
        return np.asarray(turned + (self.shift(poses) + centre)[:, None, :])

    def _fore_aft_mm(self, heave: Floats) -> Floats:
        if self.leaf is None:
            return np.zeros_like(heave)
        toward = -1.0 if self.leaf.fixed_eye == "front" else 1.0
        flat = self.leaf.flat_at_mm
        return np.asarray(toward * ((heave - flat) ** 2 - flat**2) / (2.0 * self.leaf.arc_mm))

    def offsets(self, points: Floats) -> Floats:
        return np.asarray(np.abs(np.asarray(points) - np.asarray(self.centre_mm)).max(axis=0))

    def _radii(self, low: Floats, high: Floats, offset: Floats) -> tuple[Floats, Floats, float]:
        """Greatest distance from the roll axis, greatest |tan roll|, distance from the wind-up axis."""
        wind_up = np.maximum(np.abs(low[..., 2]), np.abs(high[..., 2]))
        off_roll = np.hypot(offset[1], offset[0] * np.sin(np.minimum(wind_up, math.pi / 2)) + offset[2])
        tan_roll = np.maximum(np.abs(low[..., 0] - high[..., 1]), np.abs(high[..., 0] - low[..., 1]))
        return off_roll, tan_roll / (2.0 * self.stops_mm), float(np.hypot(offset[0], offset[2]))

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        off_roll, _, off_wind_up = self._radii(low, high, offset)
        side = 0.5 * np.hypot(1.0, self._steepest(low, high)) + off_roll / (2.0 * self.stops_mm)
        one = np.ones_like(side)
        return np.stack([side, side, off_wind_up * one, one], axis=-1)

    def _steepest(self, low: Floats, high: Floats) -> Floats:
        """Greatest |d(fore-aft)/d(heave)| over the boxes."""
        if self.leaf is None:
            return np.zeros(low.shape[:-1])
        ends = [np.abs(self.heave_mm(end) - self.leaf.flat_at_mm) for end in (low, high)]
        return np.asarray(np.maximum(*ends) / self.leaf.arc_mm)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        # Along one side's height: the leaf's arc gives (1/R)·(∂heave)² = 1/4R along x; the roll
        # φ = atan s gives |w|·φ′² + |w|·|φ″| across x, with φ′ ≤ 1/2b and |φ″| ≤ 2|s|/4b².
        off_roll, tan_roll, off_wind_up = self._radii(low, high, offset)
        arc = 0.0 if self.leaf is None else 1.0 / (4.0 * self.leaf.arc_mm)
        side = np.hypot(arc, off_roll * (1.0 + 2.0 * tan_roll) / (4.0 * self.stops_mm**2))
        one = np.ones_like(side)
        return np.stack([side, side, off_wind_up * one, 0.0 * one], axis=-1)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 4) boxes → (n, 4, 4): heave, roll and their bends are the same for both sides, but for the sign."""
        bend = self.bend(low, high, offset)
        found = bend[:, :, None] * np.eye(4)
        found[:, 0, 1] = found[:, 1, 0] = bend[:, 0]
        # The roll turns what the wind-up moves; the lateral play is a shift that nothing turns.
        found[:, :2, 2] = found[:, 2, :2] = bend[:, 2:3] / (2.0 * self.stops_mm)
        return np.asarray(found)

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, 4) boxes → (n, 4): a side's height rolls the axle by at most 1/2b, the wind-up turns it by itself."""
        del high
        return np.broadcast_to([0.5 / self.stops_mm, 0.5 / self.stops_mm, 1.0, 0.0], low.shape)

    def describe(self, pose: Floats) -> dict[str, float]:
        return {
            f"{self.name}.heave_mm": float(self.heave_mm(pose)),
            f"{self.name}.roll_deg": math.degrees(float(self.roll_rad(pose))),
            f"{self.name}.wind_up_deg": math.degrees(float(pose[2])),
            f"{self.name}.lateral_mm": float(pose[3]),
        }

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (4,) that :meth:`describe` wrote; a movement that is not named is 0.

        It may lie outside the stops: see :meth:`within`.
        """
        movements = ("heave_mm", "roll_deg", "wind_up_deg", "lateral_mm")
        heave, roll, wind_up, lateral = (described.get(f"{self.name}.{movement}", 0.0) for movement in movements)
        side = self.stops_mm * math.tan(math.radians(roll))
        return np.array([heave + side, heave - side, math.radians(wind_up), lateral])

    def within(self, pose: Floats) -> Floats:
        """The pose (4,), held at the stops of each side and at the limits of wind-up and lateral play."""
        return np.asarray(np.clip(pose, self.low, self.high))

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

    def straight(self) -> StraightTravel:
        """The axle's straight bump and droop alone."""
        return StraightTravel(self)


@dataclass(frozen=True)
class StraightTravel:
    """An axle's straight bump and droop alone: one coordinate, the heave."""

    axle: SolidAxle

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
    def blocks(self) -> tuple[StraightTravel, ...]:
        return (self,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return (f"{self.axle.name}.heave",)

    @property
    def limits(self) -> tuple[Limit, ...]:
        return ()

    @property
    def low(self) -> Floats:
        return np.array([-self.axle.droop_mm])

    @property
    def high(self) -> Floats:
        return np.array([self.axle.bump_mm])

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(1)

    def full(self, poses: Floats) -> Floats:
        """(…, 1) → the axle's own coordinates (…, 4)."""
        zero = np.zeros_like(poses[..., 0])
        return np.stack([poses[..., 0], poses[..., 0], zero, zero], axis=-1)

    def turn(self, poses: Floats) -> Floats:
        return self.axle.turn(self.full(poses))

    def place(self, poses: Floats, points: Floats) -> Floats:
        return self.axle.place(self.full(poses), points)

    def offsets(self, points: Floats) -> Floats:
        return self.axle.offsets(points)

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        del offset
        return np.asarray(np.hypot(1.0, self.axle._steepest(self.full(low), self.full(high))))[..., None]

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        del high, offset
        arc = 0.0 if self.axle.leaf is None else 1.0 / self.axle.leaf.arc_mm
        return np.full_like(low, arc)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 1, 1): of one coordinate."""
        return self.bend(low, high, offset)[:, :, None]

    def spin(self, low: Floats, high: Floats) -> Floats:
        """It does not turn."""
        del high
        return np.zeros_like(low)

    def describe(self, pose: Floats) -> dict[str, float]:
        return self.axle.describe(self.full(pose))

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The heave alone (1,)."""
        return np.array([described.get(f"{self.name}.heave_mm", 0.0)])

    def within(self, pose: Floats) -> Floats:
        """The pose (1,), held at the stops."""
        return np.asarray(np.clip(pose, self.low, self.high))

    def at_heave(self, heave_mm: float) -> Floats:
        """Up by so much, as far as the stops let it."""
        return self.within(np.array([heave_mm]))

    def causes(self) -> dict[str, Range]:
        """Bump and droop, from the scan pose to either stop."""
        rest = self.scan_pose
        return {motion.STRAIGHT_BUMP: (rest, self.high), motion.STRAIGHT_DROOP: (self.low, rest)}

    def straight(self) -> StraightTravel:
        """Itself."""
        return self


@dataclass(frozen=True)
class Still:
    """No motion at all: what is fixed to the body. A space without coordinates."""

    @property
    def blocks(self) -> tuple[Block, ...]:
        return ()

    @property
    def coordinates(self) -> tuple[str, ...]:
        return ()

    def straight(self) -> Still:
        """Itself."""
        return self

    @property
    def low(self) -> Floats:
        return np.empty(0)

    @property
    def high(self) -> Floats:
        return np.empty(0)

    @property
    def scan_pose(self) -> Floats:
        return np.empty(0)

    def turn(self, poses: Floats) -> Floats:
        return np.broadcast_to(np.eye(3), (*poses.shape[:-1], 3, 3))

    def place(self, poses: Floats, points: Floats) -> Floats:
        return np.broadcast_to(np.asarray(points, dtype=np.float64), (len(poses), *np.shape(points)))

    def offsets(self, points: Floats) -> Floats:
        return np.zeros(3)

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.zeros_like(low)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.zeros_like(low)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 0, 0)."""
        return np.zeros((len(low), 0, 0))

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, 0)."""
        return np.zeros_like(low)

    def describe(self, pose: Floats) -> dict[str, float]:
        return {}
