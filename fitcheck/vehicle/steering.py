"""Steered wheels: two kingpins that one coordinate turns, each by a law of its own.

The coordinate "NAME.steer" runs over ± the mean of both locks; positive turns the fronts of the wheels to the
right. A wheel turns about its kingpin by a·t + b·t²: b is what makes the inner wheel turn more than the outer one,
and both locks are met exactly. Locks are what a protractor or a turn plate on the floor reads: the turn of the
wheel's plane as seen from above. A leaning kingpin turns a little further for it (10° of inclination: 0.6° at 35°,
4 mm at a tyre's rim), see :func:`kingpin_turn_rad`; locks that are turns about the kingpin are ``read`` as such.

Between the locks the wheels follow the linkage, of which only its locks are known. It does not matter to one wheel
alone, whose angles are all swept; it does to what hangs on both. With the outer lock from Ackermann the outer wheel
stays within 0.35° of Ackermann all the way, for inner locks up to 40° and a kingpin spacing up to 0.6 wheelbases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.motion import STEERED_LEFT, STEERED_RIGHT, Limit, Range
from fitcheck.vehicle.scene import Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]

LEFT, RIGHT = "left", "right"

FLOOR, ABOUT_KINGPIN = "floor", "kingpin"

_MOST_LOCK_DEG = 80.0
_MOST_LEAN_DEG = 45.0


@dataclass(frozen=True)
class Kingpin:
    """A kingpin's axis by two points, at the scan pose."""

    lower: Vector
    upper: Vector


def leaning_kingpin(point: Vector, *, inclination_deg: float = 0.0, caster_deg: float = 0.0, side: str) -> Kingpin:
    """A kingpin through a point, its top leaning inward by ``inclination_deg`` and rearward by ``caster_deg``.

    Both angles are read in the front view and in the side view. ``side``: "left" or "right". Raises InputError for
    another side, or for angles of 45° and more.
    """
    if side not in (LEFT, RIGHT):
        raise InputError(f"kingpin: side: expected 'left' or 'right', found '{side}'")
    for word, angle in (("inclination", inclination_deg), ("caster", caster_deg)):
        if not abs(angle) < _MOST_LEAN_DEG:
            raise InputError(f"kingpin: {word}: expected less than {_MOST_LEAN_DEG:g}° either way, found {angle:g}°")
    inward = -1.0 if side == RIGHT else 1.0
    rise = 100.0
    x, y, z = point
    back, across = rise * math.tan(math.radians(caster_deg)), rise * math.tan(math.radians(inclination_deg))
    return Kingpin(point, (x + back, y + inward * across, z + rise))


def ackermann_outer_deg(inner_deg: float, spacing_mm: float, wheelbase_mm: float) -> float:
    """The outer wheel's angle at which both wheels turn about one point on the rear axle's line.

    cot(outer) − cot(inner) = kingpin spacing / wheelbase. Source: Jazar, Vehicle Dynamics, chapter 7.
    """
    return math.degrees(math.atan2(1.0, 1.0 / math.tan(math.radians(inner_deg)) + spacing_mm / wheelbase_mm))


def floor_angle_rad(kingpin: Kingpin, turn_rad: float) -> float:
    """How far the wheel's plane has turned as seen from above, when it turned about its kingpin by so much.

    Positive to the right, both. The wheel's spindle stands straight out at the scan pose; turned it is s, and the
    angle is atan2(s_x, s_y).
    """
    x, y, z = _down(kingpin)
    sine, cosine = math.sin(turn_rad), math.cos(turn_rad)
    return math.atan2(-z * sine + x * y * (1.0 - cosine), cosine + y * y * (1.0 - cosine))


def kingpin_turn_rad(kingpin: Kingpin, floor_rad: float) -> float:
    """The turn about the kingpin that :func:`floor_angle_rad` shows as so much; an upright kingpin: the same.

    The spindle's direction square to the wanted one vanishes: A·sin δ + B·cos δ + C = 0, solved for the small root.
    There is one for any kingpin that a steering accepts.
    """
    x, y, z = _down(kingpin)
    sine, cosine = math.sin(floor_rad), math.cos(floor_rad)
    rest = x * y * cosine - y * y * sine
    across, along = -z * cosine, -sine - rest
    return math.asin(-rest / math.hypot(across, along)) - math.atan2(along, across)


def _down(kingpin: Kingpin) -> Vector:
    """The kingpin's unit direction downward: a right-handed turn about it steers to the right."""
    away = [low - up for low, up in zip(kingpin.lower, kingpin.upper, strict=True)]
    length = math.hypot(*away)
    return (away[0] / length, away[1] / length, away[2] / length)


@dataclass(frozen=True)
class Steering:
    """Both steered wheels, straight ahead at the scan pose. ``left`` and ``right`` carry points; this is their block.

    ``read``: "floor", locks as seen from above, or "kingpin", turns about it. Raises InputError for locks that no
    steering has, and for kingpins that do not stand up or stand on the wrong sides.
    """

    name: str
    left_kingpin: Kingpin
    right_kingpin: Kingpin
    inner_deg: float
    outer_deg: float
    read: str = FLOOR
    carries: tuple[tuple[str, Solid], ...] = ()
    part_class: str = "steering"
    origin: str = ""

    def __post_init__(self) -> None:
        _check_kingpins(self.name, self.left_kingpin, self.right_kingpin)
        _check_locks(self.name, self.inner_deg, self.outer_deg)
        if self.read not in (FLOOR, ABOUT_KINGPIN):
            raise InputError(f"mechanism '{self.name}': read: expected 'floor' or 'kingpin', found '{self.read}'")

    @property
    def blocks(self) -> tuple[Steering, ...]:
        return (self,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return (f"{self.name}.steer",)

    @property
    def most_rad(self) -> float:
        """The mean of both locks: the end of the coordinate's range."""
        return math.radians((self.inner_deg + self.outer_deg) / 2.0)

    @property
    def low(self) -> Floats:
        return np.array([-self.most_rad])

    @property
    def high(self) -> Floats:
        return np.array([self.most_rad])

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(1)

    @property
    def limits(self) -> tuple[Limit, ...]:
        return ()

    @property
    def bump_mm(self) -> float:
        return 0.0

    @property
    def droop_mm(self) -> float:
        return 0.0

    def causes(self) -> dict[str, Range]:
        """From straight ahead to either lock."""
        return {STEERED_LEFT: (self.low, self.scan_pose), STEERED_RIGHT: (self.scan_pose, self.high)}

    def at_heave(self, heave_mm: float) -> Floats:
        """The scan pose: steering lifts no wheel on purpose."""
        del heave_mm
        return self.scan_pose

    def describe(self, pose: Floats) -> dict[str, float]:
        """The coordinate, and each wheel's angle as seen from above; positive to the right."""
        found = {f"{self.name}.steer_deg": math.degrees(float(pose[0]))}
        for side in (self.left, self.right):
            turned = float(side.chain.values(np.asarray(pose)[None])[0, 0])
            found[f"{self.name}.{side.side}_wheel_deg"] = math.degrees(floor_angle_rad(side.kingpin, turned))
        return found

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (1,) that :meth:`describe` wrote; the wheels' own angles follow from it."""
        return np.array([math.radians(described.get(f"{self.name}.steer_deg", 0.0))])

    def within(self, pose: Floats) -> Floats:
        """The pose (1,), held at the locks."""
        return np.asarray(np.clip(pose, self.low, self.high))

    @cached_property
    def left(self) -> SteeredSide:
        """What the left kingpin carries."""
        return SteeredSide(self, LEFT)

    @cached_property
    def right(self) -> SteeredSide:
        """What the right kingpin carries."""
        return SteeredSide(self, RIGHT)


@dataclass(frozen=True)
class SteeredSide:
    """The motion of one steered wheel, hub and steering arm; its block is the steering."""

    steering: Steering
    side: str

    @property
    def blocks(self) -> tuple[Steering, ...]:
        return (self.steering,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return self.steering.coordinates

    @property
    def low(self) -> Floats:
        return self.steering.low

    @property
    def high(self) -> Floats:
        return self.steering.high

    @property
    def scan_pose(self) -> Floats:
        return self.steering.scan_pose

    @property
    def kingpin(self) -> Kingpin:
        return self.steering.left_kingpin if self.side == LEFT else self.steering.right_kingpin

    @cached_property
    def chain(self) -> Chain:
        """The turn about this kingpin by a·t + b·t², through both locks."""
        steering, most = self.steering, self.steering.most_rad
        at_right, at_left = steering.inner_deg, -steering.outer_deg
        if self.side == LEFT:
            at_right, at_left = -at_left, -at_right
        right, left = math.radians(at_right), math.radians(at_left)
        if steering.read == FLOOR:
            right, left = kingpin_turn_rad(self.kingpin, right), kingpin_turn_rad(self.kingpin, left)
        law = Law(((right - left) / (2.0 * most),), ((right + left) / (2.0 * most**2),))
        joint = Joint("turn", _down(self.kingpin), self.kingpin.lower)
        return Chain(steering.name, (Coordinate("steer", -most, most, "rad"),), (joint,), (law,))

    def describe(self, pose: Floats) -> dict[str, float]:
        return self.steering.describe(pose)

    def place(self, poses: Floats, points: Floats) -> Floats:
        return self.chain.place(poses, points)

    def turn(self, poses: Floats) -> Floats:
        return self.chain.turn(poses)

    def offsets(self, points: Floats) -> Floats:
        return self.chain.offsets(points)

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return self.chain.slope(low, high, offset)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return self.chain.bend(low, high, offset)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, 1, 1): of one coordinate."""
        return self.chain.mixed(low, high, offset)

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, 1): of the turn about the kingpin."""
        return self.chain.spin(low, high)

    def straight(self) -> SteeredSide:
        """Itself."""
        return self


def steered_wheels(
    name: str,
    left: Kingpin,
    right: Kingpin,
    inner_deg: float,
    outer_deg: float | None = None,
    wheelbase_mm: float | None = None,
    *,
    read: str = FLOOR,
    carries: tuple[tuple[str, Solid], ...] = (),
    part_class: str = "steering",
    origin: str = "",
) -> Steering:
    """Both steered wheels from their locks; no outer lock: Ackermann's.

    Raises InputError for what :class:`Steering` refuses, and for neither an outer lock nor a wheelbase.
    """
    _check_kingpins(name, left, right)
    if outer_deg is None:
        if wheelbase_mm is None or not (math.isfinite(wheelbase_mm) and wheelbase_mm > 0.0):
            raise InputError(
                f"mechanism '{name}': expected the outer lock or a wheelbase of more than 0 mm to work it out, "
                f"found {'neither' if wheelbase_mm is None else f'{wheelbase_mm:g} mm'}"
            )
        _check_locks(name, inner_deg, inner_deg)
        outer_deg = ackermann_outer_deg(inner_deg, right.lower[1] - left.lower[1], wheelbase_mm)
    return Steering(name, left, right, inner_deg, outer_deg, read, carries, part_class, origin)


def _check_kingpins(name: str, left: Kingpin, right: Kingpin) -> None:
    for side, pin in ((LEFT, left), (RIGHT, right)):
        if not all(math.isfinite(number) for number in (*pin.lower, *pin.upper)):
            raise InputError(f"mechanism '{name}': {side} kingpin: expected finite places, found {pin}")
        rise = pin.upper[2] - pin.lower[2]
        aside = math.hypot(pin.upper[0] - pin.lower[0], pin.upper[1] - pin.lower[1])
        if not rise > aside * math.tan(math.radians(90.0 - _MOST_LEAN_DEG)) or not rise > 1e-6:
            raise InputError(
                f"mechanism '{name}': {side} kingpin: expected its upper point above the lower one, leaning less than "
                f"{_MOST_LEAN_DEG:g}°, found {pin.lower} and {pin.upper}"
            )
    if not left.lower[1] < right.lower[1]:
        raise InputError(
            f"mechanism '{name}': expected the left kingpin left of the right one (y is to the right), "
            f"found y = {left.lower[1]:g} and {right.lower[1]:g} mm"
        )


def _check_locks(name: str, inner_deg: float, outer_deg: float) -> None:
    for word, lock in (("inner", inner_deg), ("outer", outer_deg)):
        if not 0.0 < lock <= _MOST_LOCK_DEG:
            raise InputError(
                f"mechanism '{name}': {word} lock: expected more than 0° and up to {_MOST_LOCK_DEG:g}°, found {lock:g}°"
            )
    least, most = sorted((inner_deg, outer_deg))
    if not most < 2.5 * least:
        raise InputError(
            f"mechanism '{name}': expected locks of which neither is 2.5 times the other, found {inner_deg:g}° inner "
            f"and {outer_deg:g}° outer: is one of them the whole range from side to side?"
        )
