"""What all running gear on rods has in common: the rods, and a motion solved from their lengths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle.linkage_equations import Linkage
from fitcheck.vehicle.linkage_reach import nodes_of, shift_of, turn_of
from fitcheck.vehicle.linkage_table import greatest, solve
from fitcheck.vehicle.motion import Limit
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]

_TAPED_MM = 5.0
"""How far a rod's given length may be from the distance between its ends."""


@dataclass(frozen=True)
class Rod:
    """A rod from ``body`` (its end on the chassis) to ``carried`` (its end on what it holds), at the scan pose.

    Its length is the distance between the two; ``length_mm``, where it is given, only checks that.
    """

    name: str
    body: Vector
    carried: Vector
    length_mm: float | None = None

    @property
    def apart_mm(self) -> float:
        return math.dist(self.body, self.carried)


class Held:
    """What all linkages share. Poses are those of the linkage, (n, d), unless a subclass adds to them."""

    @property
    def linkage(self) -> Linkage:
        raise NotImplementedError

    @property
    def middle(self) -> Vector:
        """The point about which it turns."""
        raise NotImplementedError

    @property
    def limits(self) -> tuple[Limit, ...]:
        return ()

    @property
    def blocks(self) -> tuple[Self, ...]:
        return (self,)

    @property
    def low(self) -> Floats:
        return np.array(self.linkage.low, dtype=np.float64)

    @property
    def high(self) -> Floats:
        return np.array(self.linkage.high, dtype=np.float64)

    @property
    def scan_pose(self) -> Floats:
        return np.zeros(len(self.low))

    def validated(self) -> Self:
        """Itself. Raises InputError where its rods leave it free, or do not reach over all its travel, or lock.

        Asked at poses spread over the travel, its ends among them, and on the way from one to the next. All of it is
        proven when the motion is first asked; should the proof fail between the poses, the InputError comes then.
        """
        nodes_of(self.linkage)
        return self

    def moved(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) → rotations (n, 3, 3) and shifts of the centre (n, 3)."""
        unknown = solve(self.linkage, poses)
        return turn_of(self.linkage, unknown, poses), shift_of(self.linkage, unknown, poses)

    def turn(self, poses: Floats) -> Floats:
        """(n, d) → (n, 3, 3)."""
        return self.moved(poses)[0]

    def shift(self, poses: Floats) -> Floats:
        """(n, d) → (n, 3): displacement of the centre."""
        return self.moved(poses)[1]

    def place(self, poses: Floats, points: Floats) -> Floats:
        """(n, d), (k, 3) → (n, k, 3)."""
        turn, shift = self.moved(poses)
        centre = np.asarray(self.middle)
        return np.asarray(np.einsum("nij,kj->nki", turn, np.asarray(points) - centre) + (shift + centre)[:, None, :])

    def offsets(self, points: Floats) -> Floats:
        """(k, 3) → (3,): greatest distance from the centre along each axis."""
        return np.asarray(np.abs(np.asarray(points) - np.asarray(self.middle)).max(axis=0))

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d), certified; ∞ for boxes that leave the travel."""
        return greatest(self.linkage, low, high, offset=offset, order=1)

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d) boxes → (n, d), certified; ∞ for boxes that leave the travel."""
        return greatest(self.linkage, low, high, offset=offset, order=2)

    def within(self, pose: Floats) -> Floats:
        """The pose (d,), held at the stops."""
        return np.asarray(np.clip(pose, self.low, self.high))


def seen_from(centre: Vector, point: Vector) -> Vector:
    """The point from the centre."""
    x, y, z = (float(at) - float(middle) for at, middle in zip(point, centre, strict=True))
    return x, y, z


def ends_of(rods: tuple[Rod, ...], centre: Vector) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
    """Body ends and carried ends of the rods, from the centre."""
    return tuple(seen_from(centre, rod.body) for rod in rods), tuple(seen_from(centre, rod.carried) for rod in rods)


def check_rods(name: str, rods: tuple[Rod, ...]) -> None:
    """Raise InputError for a rod without length, one whose taped length is another, or two of one name."""
    for rod in rods:
        if not rod.apart_mm > 1.0:
            raise InputError(f"{name}: both ends of the rod {rod.name} are at one place: give its two ends")
        if rod.length_mm is not None and abs(rod.length_mm - rod.apart_mm) > _TAPED_MM:
            raise InputError(
                f"{name}: the rod {rod.name} is said to be {rod.length_mm:.0f} mm long, but its ends are "
                f"{rod.apart_mm:.0f} mm apart: measure its ends and its length again"
            )
    names = [rod.name for rod in rods]
    twice = sorted({one for one in names if names.count(one) > 1})
    if twice:
        raise InputError(f"{name}: two rods are called {twice[0]}: give each a name of its own")
