"""Chains of turns and slides about given axes: the general mechanism.

A chain's coordinates are what a builder can tell apart ("arm angle", "surge"); its joints are turns about
axes and slides along axes, the outermost first, all given as they stand at the scan pose. A joint's value is
a law of the coordinates: Σ gains·q + squares·q². A carried point goes through the joints from the innermost
(the last) to the outermost (the first).

Bounds. Let ρₖ be the distance of the point from turn k's axis when its turn comes: at most its distance at the
scan pose plus all that the inner joints moved it before. Outer joints keep lengths, so that joint k moves the
point at most ρₖ for a radian (a slide: 1 for a millimetre). For an outer turn k and an inner joint l (or k = l)
the mixed second derivative is wₖ × (rotated) (wₗ × r), at most ρₗ (an inner slide: 1), and none for an outer
slide, whose direction no inner joint turns. With the laws' derivatives the chain rule gives ``slope`` and
``bend``; both hold in the whole box. Source: product of exponentials, e.g. Murray, Li, Sastry, A Mathematical
Introduction to Robotic Manipulation, chapter 3; the bounds are the triangle inequality.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle import motion
from fitcheck.vehicle.motion import Limit, Range
from fitcheck.vehicle.scene import Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]
Label = tuple[str, tuple[float, ...], tuple[float, ...]]
"""A cause of ``motion.CAUSES`` with the least and the greatest pose of its part of the travel."""

UNITS = {"mm": "mm", "rad": "deg"}
"""A coordinate's own unit → the unit in which it is described."""

_AGREED_MM = 1.0
"""How far the travel that is given and the one that the joints make may differ: a tape's reading."""

_STEPS = 64
_ROUNDS = 8
_BACK = 1.0 - 1e-12
"""A pose that is moved back to a limit goes this much further, so that rounding leaves it inside."""


@dataclass(frozen=True)
class Joint:
    """A "turn" (right-handed, rad) about an axis through a point, or a "slide" (mm) along an axis, at the scan pose."""

    kind: str
    axis: Vector  # of any length but 0
    through: Vector = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Law:
    """A joint's value: Σ gains·q + squares·q², in rad or mm. ``squares`` (): none."""

    gains: tuple[float, ...]
    squares: tuple[float, ...] = ()


@dataclass(frozen=True)
class Coordinate:
    """One of a mechanism's own coordinates: it runs from ``low`` ≤ 0 to ``high`` ≥ 0; 0 is the scan pose."""

    word: str
    low: float
    high: float
    unit: str = "mm"  # "mm" | "rad"


@dataclass(frozen=True)
class Chain:
    """A chain of joints with ranges and linear limits.

    ``labels``: parts of its travel by cause. ``wheel``: the centre of the wheel that it carries, if any; with it the
    poses straight up and down are found along the travel that is labelled straight bump and straight droop.
    Raises InputError for what cannot be: see :func:`complaints_about`.
    """

    name: str
    own: tuple[Coordinate, ...]
    joints: tuple[Joint, ...]  # outermost first
    laws: tuple[Law, ...]  # one a joint
    limits: tuple[Limit, ...] = ()
    labels: tuple[Label, ...] = ()
    bump_mm: float = 0.0
    droop_mm: float = 0.0
    carries: tuple[tuple[str, Solid], ...] = ()
    part_class: str = "axle"
    origin: str = ""
    wheel: Vector | None = None

    def __post_init__(self) -> None:
        for complaint in complaints_about(self):
            raise InputError(f"mechanism '{self.name}': {complaint}")

    @property
    def blocks(self) -> tuple[Chain, ...]:
        return (self,)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return tuple(f"{self.name}.{coordinate.word}" for coordinate in self.own)

    @property
    def low(self) -> Floats:
        return np.array([coordinate.low for coordinate in self.own], dtype=np.float64)

    @property
    def high(self) -> Floats:
        return np.array([coordinate.high for coordinate in self.own], dtype=np.float64)

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(len(self.own))

    def causes(self) -> dict[str, Range]:
        """The labelled parts of the travel."""
        return {cause: (np.array(low, dtype=np.float64), np.array(high)) for cause, low, high in self.labels}

    def straight(self) -> Chain:
        """Itself: straight bump and droop are boxes of its own coordinates."""
        return self

    # -- poses in words --

    def describe(self, pose: Floats) -> dict[str, float]:
        """Each coordinate in mm or degrees; with a wheel also how far its centre has risen ("NAME.wheel_mm")."""
        found = {key: float(value) / per for (key, per), value in zip(self._words(), pose, strict=True)}
        return found if self.wheel is None else {**found, f"{self.name}.wheel_mm": self.rise_mm(pose)}

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (d,) that :meth:`describe` wrote; a wheel's height counts where no coordinate is named."""
        words = self._words()
        height = described.get(f"{self.name}.wheel_mm")
        if height is not None and not any(key in described for key, _ in words):
            return self.at_heave(height)
        return np.array([described.get(key, 0.0) * per for key, per in words])

    def _words(self) -> list[tuple[str, float]]:
        """What each coordinate is called, and its own unit in one of the described."""
        per = {"mm": 1.0, "rad": math.radians(1.0)}
        return [(f"{self.name}.{own.word}_{UNITS[own.unit]}", per[own.unit]) for own in self.own]

    def within(self, pose: Floats) -> Floats:
        """The pose (d,) held within the ranges, then moved back toward the scan pose to within the linear limits."""
        held = np.clip(pose, self.low, self.high)
        sums = [(float(np.dot(limit.gains, held)), limit.most) for limit in self.limits]
        share = min([most / value * _BACK for value, most in sums if value > most], default=1.0)
        return np.asarray(held * share)

    def rise_mm(self, pose: Floats) -> float:
        """How far the wheel's centre stands above its place at the scan pose; without a wheel 0."""
        return 0.0 if self.wheel is None else float(self._rises(np.asarray(pose)[None])[0])

    def _rises(self, poses: Floats) -> Floats:
        return np.asarray(self.place(poses, np.array([self.wheel]))[:, 0, 2] - (self.wheel or (0, 0, 0))[2])

    def at_heave(self, heave_mm: float) -> Floats:
        """The pose (d,) on the straight travel where the wheel first stands so much higher, within the stops.

        Without a wheel, or without such a travel: the scan pose.
        """
        cause = motion.STRAIGHT_BUMP if heave_mm > 0.0 else motion.STRAIGHT_DROOP
        way = self.causes().get(cause)
        if self.wheel is None or way is None or heave_mm == 0.0:
            return self.scan_pose
        end = self._far_end(way)
        begin, width = 0.0, 1.0
        for _ in range(_ROUNDS):
            shares = begin + width * np.linspace(0.0, 1.0, _STEPS + 1)
            reached = self._rises(shares[:, None] * end) * math.copysign(1.0, heave_mm) >= abs(heave_mm)
            first = int(reached.argmax()) if reached.any() else _STEPS
            begin, width = float(shares[max(first - 1, 0)]), width / _STEPS
        return self.within((begin + width) * end)

    @staticmethod
    def _far_end(way: Range) -> Floats:
        """The corner of a part of the travel that lies farthest from the scan pose."""
        return np.where(np.abs(way[1]) > np.abs(way[0]), way[1], way[0])

    def rise_along_mm(self, cause: str) -> float:
        """How far the wheel's centre has risen at the far end of a labelled part of the travel; not labelled: 0."""
        way = self.causes().get(cause)
        return 0.0 if way is None else self.rise_mm(self._far_end(way))

    # -- where points are --

    def place(self, poses: Floats, points: Floats) -> Floats:
        rotation, origin = self._transform(poses)
        return np.asarray(np.matmul(np.asarray(points), rotation.transpose(0, 2, 1)) + origin[:, None, :])

    def turn(self, poses: Floats) -> Floats:
        return self._transform(poses)[0]

    def _transform(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) → rotations (n, 3, 3), where the origin goes (n, 3). The last answer is held: both are asked for."""
        held = self._last.get("poses")
        if held is None or held[0].shape != poses.shape or not (held[0] == poses).all():
            held = poses.copy(), self._transformed(poses)
            self._last["poses"] = held
        return held[1]

    @cached_property
    def _last(self) -> dict[str, tuple[Floats, tuple[Floats, Floats]]]:
        return {}

    def _transformed(self, poses: Floats) -> tuple[Floats, Floats]:
        rotation, origin = np.broadcast_to(np.eye(3), (len(poses), 3, 3)), np.zeros((len(poses), 3))
        values = self.values(poses)
        for k in reversed(range(len(self.joints))):
            value, axis, through = values[:, k], self._axes[k], np.asarray(self.joints[k].through)
            if self._turns[k]:
                turned = about_axis(axis, value)
                rotation = turned @ rotation
                origin = np.einsum("nij,nj->ni", turned, origin - through) + through
            else:
                origin = origin + value[:, None] * axis
        rotation = np.array(rotation)
        rotation.flags.writeable = origin.flags.writeable = False  # they are given out more than once
        return rotation, origin

    def values(self, poses: Floats) -> Floats:
        """(n, d) → (n, K): each joint's turn in rad or slide in mm."""
        return np.asarray(poses @ self._gains.T + poses**2 @ self._squares.T)

    @cached_property
    def _axes(self) -> Floats:
        axes = np.array([joint.axis for joint in self.joints], dtype=np.float64)
        return np.asarray(axes / np.linalg.norm(axes, axis=1, keepdims=True))

    @cached_property
    def _turns(self) -> NDArray[np.bool_]:
        return np.array([joint.kind == "turn" for joint in self.joints])

    @cached_property
    def _gains(self) -> Floats:
        return np.array([law.gains for law in self.laws], dtype=np.float64)

    @cached_property
    def _squares(self) -> Floats:
        none = (0.0,) * len(self.own)
        return np.array([law.squares or none for law in self.laws], dtype=np.float64)

    # -- bounds --

    def offsets(self, points: Floats) -> Floats:
        """(k, 3) points at scan pose → (K,): their greatest distance from each turn's axis; 0 for slides."""
        away = np.asarray(points)[:, None, :] - np.array([joint.through for joint in self.joints])
        off = np.linalg.norm(np.cross(away, self._axes), axis=2).max(axis=0)
        return np.asarray(np.where(self._turns, off, 0.0))

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return np.asarray(np.einsum("nkd,nk->nd", self._speeds(low, high), self._radii(low, high, offset)))

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        speeds, radii = self._speeds(low, high), self._radii(low, high, offset)
        turning = np.where(self._turns[:, None], speeds, 0.0)
        outer = np.cumsum(turning, axis=1) - turning  # of all joints outside of k
        both = 2.0 * np.abs(self._squares) + speeds * (turning + 2.0 * outer)
        return np.asarray(np.einsum("nkd,nk->nd", both, radii))

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d, d): Σ |∂ᵢuₖ|·|∂ⱼuₗ|·(what turn k makes of joint l), and the laws' own squares."""
        speeds, radii = self._speeds(low, high), self._radii(low, high, offset)
        turning = np.where(self._turns[:, None], speeds, 0.0)
        outer = np.cumsum(turning, axis=1) - turning
        moved = radii[:, :, None] * speeds
        one_way = np.einsum("nki,nkj->nij", outer, moved)
        own = np.einsum("nki,nkj->nij", turning, moved) + one_way + one_way.transpose(0, 2, 1)
        squares = np.einsum("kd,nk->nd", 2.0 * np.abs(self._squares), radii)
        return np.asarray(own + squares[:, :, None] * np.eye(len(self.own)))

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, d) boxes → (n, d): the turns' rates added up."""
        return np.asarray(np.where(self._turns[:, None], self._speeds(low, high), 0.0).sum(axis=1))

    def _speeds(self, low: Floats, high: Floats) -> Floats:
        """(n, d) boxes → (n, K, d): greatest |∂ᵢuₖ|, a linear function of qᵢ, so at an end of its range."""
        at = [np.abs(self._gains + 2.0 * self._squares * end[:, None, :]) for end in (low, high)]
        return np.asarray(np.maximum(*at))

    def _greatest(self, low: Floats, high: Floats) -> Floats:
        """(n, d) boxes → (n, K): greatest |uₖ|, from the range of each coordinate's parabola."""
        gains, squares = self._gains, self._squares
        peak = -gains / np.where(squares == 0.0, np.inf, 2.0 * squares)
        picks = [low[:, None, :], high[:, None, :], np.clip(peak, low[:, None, :], high[:, None, :])]
        parts = np.stack([gains * pick + squares * pick**2 for pick in picks])
        return np.asarray(np.maximum(np.abs(parts.min(axis=0).sum(axis=2)), np.abs(parts.max(axis=0).sum(axis=2))))

    def _radii(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, K): the most that a unit of a joint moves a point: a turn its radius, a slide 1."""
        greatest = self._greatest(low, high)
        chord = 2.0 * np.sin(np.minimum(greatest, np.pi) / 2.0)
        radii = np.ones_like(greatest)
        moved = np.zeros(len(low))
        for k in reversed(range(len(self.joints))):
            if self._turns[k]:
                radii[:, k] = offset[k] + moved
            moved = moved + (chord[:, k] * radii[:, k] if self._turns[k] else greatest[:, k])
        return radii


def about_axis(axis: Floats, angle: Floats) -> Floats:
    """Right-handed rotations (n, 3, 3) by angles (n,) in rad about a unit axis (3,): Rodrigues' formula."""
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    sine, rest = np.sin(angle)[:, None, None], (1.0 - np.cos(angle))[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + rest * (cross @ cross))


# -- what cannot be --


def complaints_about(chain: Chain) -> Iterable[str]:
    """What is wrong with a chain, one after the other: what, what was expected, what was found."""
    yield from _about_coordinates(chain)
    yield from _about_joints(chain)
    yield from _about_limits(chain)
    yield from _about_labels(chain)
    for word, travel in (("bump", chain.bump_mm), ("droop", chain.droop_mm)):
        if not (math.isfinite(travel) and travel >= 0.0):
            yield f"{word}: expected a travel of 0 mm or more, found {travel:g}"
    if chain.wheel is not None and not _finite(chain.wheel):
        yield f"wheel: expected three finite numbers, found {chain.wheel}"
    yield from _about_wheel(chain)


def _about_coordinates(chain: Chain) -> Iterable[str]:
    if not chain.own:
        yield "expected at least one coordinate, found none"
    for word, count in Counter(own.word for own in chain.own).items():
        if count > 1:
            yield f"{count} coordinates are called '{word}': give each a name of its own"
    for own in chain.own:
        yield from _about_coordinate(own)


def _about_coordinate(own: Coordinate) -> Iterable[str]:
    if not own.word or "." in own.word:
        yield f"a coordinate's name: expected a word without a dot, found '{own.word}'"
    if own.unit not in UNITS:
        yield f"{own.word}: expected the unit 'mm' or 'rad', found '{own.unit}'"
    found = f"found {own.low:g} to {own.high:g} {own.unit}"
    if not _finite((own.low, own.high)):
        yield f"{own.word}: expected a finite range, {found}"
    elif own.low > own.high:
        yield f"{own.word}: its stops cross: expected the least value before the greatest, {found}"
    elif not own.low <= 0.0 <= own.high:
        yield f"{own.word}: expected a range that holds 0, the pose of the scan, {found}"
    elif own.unit == "rad" and max(-own.low, own.high) > 2.0 * math.pi:
        yield f"{own.word}: expected radians, at most one whole turn to either side, {found}: are these degrees?"


def _about_joints(chain: Chain) -> Iterable[str]:
    if not chain.joints:
        yield "expected at least one joint, found none"
    if len(chain.laws) != len(chain.joints):
        yield f"expected one law for each of {len(chain.joints)} joints, found {len(chain.laws)}"
    for number, joint in enumerate(chain.joints, start=1):
        if joint.kind not in ("turn", "slide"):
            yield f"joint {number}: expected a 'turn' or a 'slide', found '{joint.kind}'"
        if not _finite((*joint.axis, *joint.through)):
            yield f"joint {number}: expected finite numbers, found axis {joint.axis} through {joint.through}"
        elif not math.hypot(*joint.axis) > 1e-9:
            yield f"joint {number}: expected an axis with a direction, found {joint.axis}"
    for number, law in enumerate(chain.laws, start=1):
        yield from _about_gains(f"joint {number}: gains", law.gains, chain)
        if law.squares:
            yield from _about_gains(f"joint {number}: squares", law.squares, chain)


def _about_gains(what: str, gains: tuple[float, ...], chain: Chain) -> Iterable[str]:
    if len(gains) != len(chain.own):
        yield f"{what}: expected {len(chain.own)}, one for each coordinate, found {len(gains)}"
    elif not _finite(gains):
        yield f"{what}: expected finite numbers, found {gains}"


def _about_limits(chain: Chain) -> Iterable[str]:
    for number, limit in enumerate(chain.limits, start=1):
        yield from _about_gains(f"limit {number}: gains", limit.gains, chain)
        if not (math.isfinite(limit.most) and limit.most >= 0.0):
            yield (
                f"limit {number}: expected a bound of 0 or more, so that the pose of the scan keeps it, "
                f"found {limit.most:g}"
            )


def _about_labels(chain: Chain) -> Iterable[str]:
    for cause, low, high in chain.labels:
        if cause not in motion.CAUSES:
            yield f"expected a cause out of {', '.join(motion.CAUSES)}; found '{cause}'"
        if not len(low) == len(high) == len(chain.own):
            yield f"{cause}: expected {len(chain.own)} numbers at either end, found {len(low)} and {len(high)}"
        elif not all(o.low <= a <= b <= o.high for o, a, b in zip(chain.own, low, high, strict=True)):
            yield f"{cause}: expected a part of the travel, the least before the greatest; found {low} to {high}"


def _about_wheel(chain: Chain) -> Iterable[str]:
    """Travel to the stops is what the wheel makes of the straight travel: bump left rests on it."""
    ways = (motion.STRAIGHT_BUMP, "rises", 1.0, chain.bump_mm), (motion.STRAIGHT_DROOP, "falls", -1.0, chain.droop_mm)
    for cause, verb, sense, travel in ways if chain.wheel is not None else ():
        word, made = cause.removeprefix("straight "), sense * chain.rise_along_mm(cause)
        if abs(made - travel) <= _AGREED_MM:
            continue
        if cause in chain.causes():
            yield f"{word}: the wheel {verb} {made:.1f} mm along {cause}, found {travel:g} mm"
        else:
            yield f"{word}: {cause} is no labelled part of the travel, but the wheel's travel is {travel:g} mm"


def _finite(numbers: Iterable[float]) -> bool:
    return all(math.isfinite(number) for number in numbers)
