"""A wheel on rods: five of them, or a strut and three."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.solids import Solid, axis_frame
from fitcheck.vehicle import motion
from fitcheck.vehicle.linkage_equations import Linkage, Slide
from fitcheck.vehicle.linkage_held import Held, Rod, check_rods, ends_of, seen_from
from fitcheck.vehicle.linkage_solve import slopes_at, solved
from fitcheck.vehicle.linkage_table import solve
from fitcheck.vehicle.motion import Range
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]


class _Wheel(Held):
    """A wheel with one freedom, its centre's height, and a second where a rack steers it."""

    name: str
    wheel: Vector
    bump_mm: float
    droop_mm: float
    rods: tuple[Rod, ...]
    steering_rod: str
    rack_mm: float
    origin: str

    @property
    def middle(self) -> Vector:
        return self.wheel

    @property
    def coordinates(self) -> tuple[str, ...]:
        words = ("bump", "rack") if self.rack_mm else ("bump",)
        return tuple(f"{self.name}.{word}" for word in words)

    def validated(self) -> Self:
        """Itself. Raises InputError for rods that leave it free, do not reach, or are not what they are said to be."""
        check_rods(self.name, self.rods)
        names = [rod.name for rod in self.rods]
        if self.rack_mm and self.steering_rod not in names:
            raise InputError(
                f"{self.name}: the rack moves the rod {self.steering_rod or '(none named)'}, "
                f"which is none of its rods ({', '.join(names)}): name the steering rod"
            )
        return super().validated()

    def _held_by(self, slide: Slide | None) -> Linkage:
        bodies, carried = ends_of(self.rods, self.wheel)
        rack = (float(self.rack_mm),) if self.rack_mm else ()
        return Linkage(
            self.name,
            tuple(rod.name for rod in self.rods),
            bodies,
            carried,
            (-float(self.droop_mm), *(-most for most in rack)),
            (float(self.bump_mm), *rack),
            gains=tuple(float(rod.name == self.steering_rod) for rod in self.rods),
            slide=slide,
            origin=self.origin,
        )

    def values(self, poses: Floats) -> Floats:
        """(n, d) → (n, 6): shifts x, y, z of the wheel's centre in mm, and yaw, roll, pitch in radians."""
        unknown = solve(self.linkage, poses)
        return np.concatenate([unknown[:, :2], poses[:, :1], unknown[:, 2:]], axis=1)

    @cached_property
    def right_rack(self) -> float:
        """1.0 where a rack that goes to the right (+y) steers to the right, else −1.0 (its arm is on the other side).

        By the solved geometry: the yaw that the rack causes at the scan pose; a positive yaw turns the front left.
        """
        rest = np.zeros((1, len(self.low)))
        here = slopes_at(self.linkage, np.zeros((1, 5)), rest)
        yaw = -solved(here.by_unknown, here.by_given[..., 1])[0, 2]
        return 1.0 if yaw < 0.0 else -1.0

    def describe(self, pose: Floats) -> dict[str, float]:
        """Height of the wheel's centre; with a rack its shift, and how far the wheel steers to the right."""
        found = {f"{self.name}.bump_mm": float(pose[0])}
        if self.rack_mm:
            yaw = float(self.values(np.asarray(pose, dtype=np.float64)[None])[0, 3])
            found |= {f"{self.name}.rack_mm": float(pose[1]), f"{self.name}.steer_deg": -math.degrees(yaw)}
        return found

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (d,) that :meth:`describe` wrote; the angle follows from the rack."""
        return np.array([described.get(f"{name}_mm", 0.0) for name in self.coordinates])

    def at_heave(self, heave_mm: float) -> Floats:
        """The wheel up by so much, as far as the stops let it, steered straight ahead."""
        pose = self.scan_pose
        pose[0] = heave_mm
        return self.within(pose)

    def causes(self) -> dict[str, Range]:
        """Bump and droop with the rack in the middle; the rack either way with the wheel at scan height."""
        rest, up, down = self.scan_pose, self.at_heave(math.inf), self.at_heave(-math.inf)
        found = {motion.STRAIGHT_BUMP: (rest, up), motion.STRAIGHT_DROOP: (down, rest)}
        if self.rack_mm:
            ends = (np.array([0.0, -self.rack_mm]), rest), (rest, np.array([0.0, self.rack_mm]))
            left, right = ends if self.right_rack > 0.0 else ends[::-1]
            found |= {motion.STEERED_LEFT: left, motion.STEERED_RIGHT: right}
        return found

    def straight(self) -> Self:
        """Itself: its straight travel is a box of its coordinates."""
        return self


@dataclass(frozen=True)
class FiveRods(_Wheel):
    """A wheel held by five rods: two lower, two upper and one that steers, or any other five.

    Poses: [bump_mm], the height of the wheel's centre against the scan pose, or [bump_mm, rack_mm]: the body
    end of ``steering_rod`` goes along y (right positive) with the rack, ``rack_mm`` either way.
    """

    name: str
    wheel: Vector
    bump_mm: float
    droop_mm: float
    rods: tuple[Rod, ...]
    steering_rod: str = ""
    rack_mm: float = 0.0
    carries: tuple[tuple[str, Solid], ...] = ()
    part_class: str = "axle"
    origin: str = ""

    @cached_property
    def linkage(self) -> Linkage:
        return self._held_by(None)

    def validated(self) -> Self:
        """Itself. Raises InputError for another number of rods than five, and what all wheels refuse."""
        if len(self.rods) != 5:
            raise InputError(f"{self.name}: five rods hold a wheel, not {len(self.rods)}")
        return super().validated()


@dataclass(frozen=True)
class Strut(_Wheel):
    """A wheel on a strut: the line ``foot``–``top`` is fixed to the upright and slides through the top mount.

    Three rods: two of the lower arm to one ball joint, and the steering rod. Poses as of :class:`FiveRods`.
    """

    name: str
    wheel: Vector
    bump_mm: float
    droop_mm: float
    top: Vector
    foot: Vector
    rods: tuple[Rod, ...]
    steering_rod: str = ""
    rack_mm: float = 0.0
    carries: tuple[tuple[str, Solid], ...] = ()
    part_class: str = "axle"
    origin: str = ""

    @cached_property
    def linkage(self) -> Linkage:
        top, foot = seen_from(self.wheel, self.top), seen_from(self.wheel, self.foot)
        across = [tuple(float(at) for at in row) for row in axis_frame(np.subtract(top, foot))[1:]]
        (a, b, c), (d, e, f) = across
        return self._held_by(Slide(top, foot, (a, b, c), (d, e, f)))

    def validated(self) -> Self:
        """Itself. Raises InputError for another number of rods than three, a strut without length, and the rest."""
        if len(self.rods) != 3:
            raise InputError(f"{self.name}: a strut takes three rods, not {len(self.rods)}")
        if not math.dist(self.top, self.foot) > 1.0:
            raise InputError(f"{self.name}: top and foot of the strut are at one place: give two points of its axis")
        return super().validated()
