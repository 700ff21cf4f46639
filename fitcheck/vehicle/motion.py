"""What a thing that moves depends on, and where its points are: blocks of coordinates with limits.

A *block* is one mechanism's own coordinates ("rear_axle.right", …): a pose is a row of numbers
between its limits. A *space* is several blocks side by side: what a body, or a pair of bodies,
depends on; two bodies that name the same block share it. A *motion* carries points rigidly.

The sweep needs more than poses: for a box of poses it needs to know how far a point can
stray from the straight-line blend of the box's corner poses. That is what ``slope`` and
``bend`` bound: the first and second derivatives of a carried point's position along each
coordinate (a tensor-product linear interpolation errs by at most ½ Σ hᵢ² max|∂ᵢ²p|, hᵢ the
half widths: the one-dimensional error bound applied axis by axis).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]
Columns = NDArray[np.intp]
Range = tuple[Floats, Floats]
"""Least and greatest pose (d,) of a part of a block's travel."""

STRAIGHT_BUMP, STRAIGHT_DROOP = "straight bump", "straight droop"
RIGHT_UP, LEFT_UP = "crossed, right side up", "crossed, left side up"
DRIVE, REVERSE = "drive torque", "reverse torque"
STEERED_LEFT, STEERED_RIGHT = "steered left", "steered right"
ROCKED, TWISTED = "rocked", "twisted"
CAUSES = (
    STRAIGHT_BUMP,
    STRAIGHT_DROOP,
    RIGHT_UP,
    LEFT_UP,
    DRIVE,
    REVERSE,
    STEERED_LEFT,
    STEERED_RIGHT,
    ROCKED,
    TWISTED,
)
"""What a block may name a part of its travel by: movements that a builder can tell apart."""


@dataclass(frozen=True)
class Limit:
    """A bound on a sum of a block's coordinates: Σ gains·pose ≤ most."""

    gains: tuple[float, ...]
    most: float


class Block(Protocol):
    """One mechanism's coordinates. ``scan_pose`` is the pose in which the vehicle was scanned."""

    @property
    def name(self) -> str: ...
    @property
    def coordinates(self) -> tuple[str, ...]:
        """Names of the coordinates, unique in a scene: "rear_axle.right", … (d)."""

    @property
    def low(self) -> Floats: ...
    @property
    def high(self) -> Floats: ...
    @property
    def scan_pose(self) -> Floats: ...
    @property
    def limits(self) -> tuple[Limit, ...]: ...
    @property
    def bump_mm(self) -> float:
        """Travel of its wheels from the scan pose up to the metal stops; 0 without wheels. ``droop_mm``: down."""

    @property
    def droop_mm(self) -> float: ...
    @property
    def carries(self) -> tuple[tuple[str, Solid], ...]:
        """Convex solids that belong to the mechanism itself, with their names, at the scan pose."""

    @property
    def part_class(self) -> str: ...
    @property
    def origin(self) -> str:
        """file:line of its entry."""

    def causes(self) -> dict[str, Range]:
        """Parts of the travel by what causes them, keys of ``CAUSES``."""

    def at_heave(self, heave_mm: float) -> Floats:
        """The pose (d,) with its wheels straight up by so much, within the stops; one without wheels: the scan pose."""

    def describe(self, pose: Floats) -> dict[str, float]:
        """The pose in words of the trade, "NAME.movement_unit": value."""

    def pose_of(self, described: dict[str, float]) -> Floats:
        """The pose (d,) that :meth:`describe` wrote; a movement that is not named is at the scan pose."""

    def within(self, pose: Floats) -> Floats:
        """The pose (d,), held within the limits."""


class Space(Protocol):
    """Several blocks side by side."""

    @property
    def blocks(self) -> tuple[Block, ...]: ...
    @property
    def coordinates(self) -> tuple[str, ...]: ...
    @property
    def low(self) -> Floats: ...
    @property
    def high(self) -> Floats: ...
    @property
    def scan_pose(self) -> Floats: ...
    def describe(self, pose: Floats) -> dict[str, float]: ...


class Motion(Space, Protocol):
    """Carries points rigidly. Poses are (n, d) arrays between ``low`` and ``high``.

    ``offsets`` sums up carried points for the bounds; what it holds is the motion's own affair, but the
    offsets of points that were first moved by at most t are at most these offsets plus t, element by element.
    """

    def place(self, poses: Floats, points: Floats) -> Floats:
        """(n, d) poses, (k, 3) points at scan pose → (n, k, 3)."""

    def turn(self, poses: Floats) -> Floats:
        """(n, d) → (n, 3, 3) rotations against the scan pose."""

    def offsets(self, points: Floats) -> Floats:
        """(k, 3) points at scan pose → (o,): how far they are, at most, from what turns them."""

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d): greatest speed of a point along each coordinate."""

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d): greatest second derivative of a point along each coordinate."""

    def straight(self) -> Motion:
        """The same with its wheels going straight up and down only, where that is no box of its own coordinates."""


@runtime_checkable
class Telling(Protocol):
    """A motion that also tells how its points' speeds change; what needs that asks :func:`mixed_of`."""

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d, d): greatest mixed second derivatives of a point, ``bend`` on the diagonal."""

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, d) boxes → (n, d): greatest angular rate along each coordinate, rad per unit of it."""


def mixed_of(motion: Motion, low: Floats, high: Floats, offset: Floats) -> Floats:
    """Its ``mixed``; of a motion that does not tell: ∞ beside the diagonal."""
    if isinstance(motion, Telling):
        return motion.mixed(low, high, offset)
    bend = motion.bend(low, high, offset)
    return np.where(np.eye(low.shape[1], dtype=np.bool_), bend[:, None, :], np.inf)


def spin_of(motion: Motion, low: Floats, high: Floats) -> Floats:
    """Its ``spin``; of a motion that does not tell: ∞."""
    return motion.spin(low, high) if isinstance(motion, Telling) else np.full_like(low, np.inf)


@dataclass(frozen=True)
class Together:
    """A space of several blocks, each once, in their order."""

    blocks: tuple[Block, ...]

    @property
    def coordinates(self) -> tuple[str, ...]:
        return tuple(name for block in self.blocks for name in block.coordinates)

    @property
    def low(self) -> Floats:
        return _joined(block.low for block in self.blocks)

    @property
    def high(self) -> Floats:
        return _joined(block.high for block in self.blocks)

    @property
    def scan_pose(self) -> Floats:
        return _joined(block.scan_pose for block in self.blocks)

    def describe(self, pose: Floats) -> dict[str, float]:
        found: dict[str, float] = {}
        for block, part in zip(self.blocks, self.split(pose), strict=True):
            found |= block.describe(part)
        return found

    def split(self, pose: Floats) -> list[Floats]:
        """The pose (…, d) of each block."""
        ends = np.cumsum([len(block.coordinates) for block in self.blocks])
        return np.split(pose, ends[:-1], axis=-1) if self.blocks else []

    def joined(self, poses: dict[str, Floats]) -> Floats:
        """The pose (d,) with the named blocks as given, the others at the scan pose."""
        return _joined(poses.get(block.name, block.scan_pose) for block in self.blocks)


def together(*spaces: Space) -> Together:
    """The blocks of several spaces, each once, in order of appearance. None: a space without coordinates."""
    found: dict[str, Block] = {}
    for space in spaces:
        for block in space.blocks:
            known = found.setdefault(block.name, block)
            if known.coordinates != block.coordinates:
                raise InternalError(f"two mechanisms are called {block.name}")
    return Together(tuple(found.values()))


def columns_of(space: Space, whole: Space) -> Columns:
    """Which columns of poses of ``whole`` are the poses of ``space``."""
    places = {name: k for k, name in enumerate(whole.coordinates)}
    return np.array([places[name] for name in space.coordinates], dtype=np.intp)


def _joined(parts: Iterable[Floats]) -> Floats:
    return np.concatenate([np.empty(0), *parts])


def travel_mm(motion: Motion, points: Floats) -> float:
    """How far one of (k, 3) points can come from its place at the scan pose, at most."""
    low, high = motion.low[None], motion.high[None]
    widest = np.maximum(motion.high - motion.scan_pose, motion.scan_pose - motion.low)
    return float((motion.slope(low, high, motion.offsets(points))[0] * widest).sum())


def carry(motion: Motion, poses: Floats, points: Floats) -> Floats:
    """Points (n, k, 3), each row in the pose (n, d) of its own → (n, k, 3)."""
    origin = motion.place(poses, np.zeros((1, 3)))
    return np.asarray(np.matmul(points, motion.turn(poses).transpose(0, 2, 1)) + origin)


@dataclass(frozen=True)
class Carried:
    """What ``inner`` does to a point, and then ``outer``, which carries all of it: a wheel that steers on an axle.

    ``inner`` is given at the scan pose of ``outer``. Both have blocks of their own.
    """

    outer: Motion
    inner: Motion

    @property
    def blocks(self) -> tuple[Block, ...]:
        return (*self.inner.blocks, *self.outer.blocks)

    @property
    def coordinates(self) -> tuple[str, ...]:
        return (*self.inner.coordinates, *self.outer.coordinates)

    @property
    def low(self) -> Floats:
        return np.concatenate([self.inner.low, self.outer.low])

    @property
    def high(self) -> Floats:
        return np.concatenate([self.inner.high, self.outer.high])

    @property
    def scan_pose(self) -> Floats:
        return np.concatenate([self.inner.scan_pose, self.outer.scan_pose])

    def describe(self, pose: Floats) -> dict[str, float]:
        cut = len(self.inner.coordinates)
        return {**self.inner.describe(pose[:cut]), **self.outer.describe(pose[cut:])}

    def place(self, poses: Floats, points: Floats) -> Floats:
        cut = len(self.inner.coordinates)
        return carry(self.outer, poses[:, cut:], self.inner.place(poses[:, :cut], points))

    def turn(self, poses: Floats) -> Floats:
        cut = len(self.inner.coordinates)
        return np.asarray(self.outer.turn(poses[:, cut:]) @ self.inner.turn(poses[:, :cut]))

    def offsets(self, points: Floats) -> Floats:
        moved = self.outer.offsets(points) + travel_mm(self.inner, points)
        return np.concatenate([self.inner.offsets(points), moved])

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return self._both("slope", low, high, offset)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return self._both("bend", low, high, offset)

    @cached_property
    def _outer_offsets(self) -> int:
        return len(self.outer.offsets(np.zeros((1, 3))))

    def _both(self, what: str, low: Floats, high: Floats, offset: Floats) -> Floats:
        # Along a coordinate of its own either motion acts alone, and the outer one keeps lengths.
        cut = len(self.inner.coordinates)
        own = len(offset) - self._outer_offsets
        within = getattr(self.inner, what)(low[:, :cut], high[:, :cut], offset[:own])
        around = getattr(self.outer, what)(low[:, cut:], high[:, cut:], offset[own:])
        return np.concatenate([within, around], axis=-1)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """As ``bend``; and an outer coordinate turns the speed that an inner one gives."""
        cut = len(self.inner.coordinates)
        own = len(offset) - self._outer_offsets
        within = mixed_of(self.inner, low[:, :cut], high[:, :cut], offset[:own])
        around = mixed_of(self.outer, low[:, cut:], high[:, cut:], offset[own:])
        speed = self.inner.slope(low[:, :cut], high[:, :cut], offset[:own])[:, :, None]
        spin = spin_of(self.outer, low[:, cut:], high[:, cut:])[:, None, :]
        # 0·∞ is 0: what does not move is not turned.
        across = np.where(spin > 0.0, speed, 0.0) * np.where(speed > 0.0, spin, 0.0)
        return np.block([[within, across], [across.transpose(0, 2, 1), around]])

    def spin(self, low: Floats, high: Floats) -> Floats:
        """Turns follow one another: along a coordinate of its own either motion turns alone."""
        cut = len(self.inner.coordinates)
        inner = spin_of(self.inner, low[:, :cut], high[:, :cut])
        return np.concatenate([inner, spin_of(self.outer, low[:, cut:], high[:, cut:])], axis=-1)

    def straight(self) -> Carried:
        return Carried(self.outer.straight(), self.inner.straight())
