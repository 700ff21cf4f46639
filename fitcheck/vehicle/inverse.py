"""A motion undone, and motions one after the other that share coordinates: a thing as another moving thing sees it.

Seen from what a motion T carries, a point P of the vehicle is at T⁻¹P. Distances are the same there: exactly.

Bounds of T⁻¹. T keeps lengths, so |T⁻¹P − P| = |P − TP| ≤ τ, how far T can take P itself. With p = T⁻¹P, Tp = P
stands still: along coordinate i, Tᵢp + R·pᵢ = 0, so |pᵢ| is the speed that T gives the point at p; once more,
Tᵢᵢp + 2·Rᵢ·pᵢ + R·pᵢᵢ = 0, so |pᵢᵢ| ≤ |Tᵢᵢp| + 2·ωᵢ·|pᵢ| with the angular rate ωᵢ. The points at p are at most
τ from those that the offsets sum up: their offsets are at most those plus τ, and their speeds those plus ω·τ.
Or, with a point c and the way t = Tc − c that T takes it: p = Rᵀ(P − c − t) + c, so |pᵢ| ≤ ωᵢ·(|P − c| + |t|) + |tᵢ|
and |pᵢᵢ| ≤ |Rᵢᵢ|·(|P − c| + |t|) + 2·ωᵢ·|tᵢ| + |tᵢᵢ| (Rᵀ and R have the same norms): less where c hardly moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.vehicle.ends import halves, times
from fitcheck.vehicle.motion import Block, Columns, Motion, Together, carry, columns_of, spin_of, together

Floats = NDArray[np.float64]

_TRAVEL_CUTS = 8
_FIRST_STEP_MM, _LAST_STEP_MM = 1024.0, 10.0
_FAR_MM = 1e6
"""A lever so long that what a motion does to its end tells how it turns."""


@dataclass(frozen=True)
class Inverse:
    """What undoes a motion: points of the vehicle as they are seen from what ``of`` carries."""

    of: Motion

    @property
    def blocks(self) -> tuple[Block, ...]:
        return self.of.blocks

    @property
    def coordinates(self) -> tuple[str, ...]:
        return self.of.coordinates

    @property
    def low(self) -> Floats:
        return self.of.low

    @property
    def high(self) -> Floats:
        return self.of.high

    @property
    def scan_pose(self) -> Floats:
        return self.of.scan_pose

    def describe(self, pose: Floats) -> dict[str, float]:
        return self.of.describe(pose)

    def straight(self) -> Inverse:
        """What undoes the straight travel."""
        return Inverse(self.of.straight())

    def turn(self, poses: Floats) -> Floats:
        return np.asarray(self.of.turn(poses).swapaxes(-1, -2))

    def place(self, poses: Floats, points: Floats) -> Floats:
        origin = self.of.place(poses, np.zeros((1, 3)))
        return np.asarray(np.einsum("nji,nkj->nki", self.of.turn(poses), np.asarray(points) - origin))

    def offsets(self, points: Floats) -> Floats:
        """Those of ``of``, and how far the points are from the one that it moves the least."""
        away = np.linalg.norm(np.asarray(points, dtype=np.float64) - self._steadiest, axis=-1).max()
        return np.append(self.of.offsets(points), away)

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        offset, away = offset[:-1], offset[-1]
        far, spin = self._far(low, high, offset), spin_of(self.of, low, high)
        near = self.of.slope(low, high, offset) + product(spin, np.broadcast_to(far[:, None], spin.shape))
        about = self.of.slope(low, high, self._centre) + product(spin, self._arms(low, high, away))
        return np.asarray(np.minimum(np.minimum(near, about), self.of.slope(low, high, offset + far.max(initial=0.0))))

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        spin, speed = spin_of(self.of, low, high), self.slope(low, high, offset)
        offset, away = offset[:-1], offset[-1]
        far = self._far(low, high, offset).max(initial=0.0)
        near = self.of.bend(low, high, offset + far) + 2.0 * product(spin, speed)
        own = self.of.bend(low, high, self._centre) + 2.0 * product(spin, self.of.slope(low, high, self._centre))
        about = own + product(turning_bend(self.of, low, high), self._arms(low, high, away))
        return np.asarray(np.minimum(near, about))

    def _arms(self, low: Floats, high: Floats, away: float) -> Floats:
        """|P − c| + |t|, at most (n, d)."""
        arms = away + self._far(low, high, self._centre)
        return np.broadcast_to(arms[:, None], low.shape)

    @cached_property
    def _centre(self) -> Floats:
        """Offsets of c."""
        return self.of.offsets(self._steadiest[None])

    @cached_property
    def _steadiest(self) -> Floats:
        """c (3,): a point that ``of`` moves little; which one is no matter of proof."""
        best, least, step = np.zeros(3), travel_of(self.of, np.zeros(3)), _FIRST_STEP_MM
        while step > _LAST_STEP_MM:
            tries = best + step * np.concatenate([np.eye(3), -np.eye(3)])
            found = [travel_of(self.of, one) for one in tries]
            k = int(np.argmin(found))
            best, least, step = (tries[k], found[k], step) if found[k] < least else (best, least, step / 2.0)
        return best

    def spin(self, low: Floats, high: Floats) -> Floats:
        """(n, d) boxes → (n, d): as fast as ``of``, the other way."""
        return spin_of(self.of, low, high)

    def mixed(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """(n, d, d): ``bend`` on the diagonal; beside it nothing is told."""
        return np.where(np.eye(low.shape[1], dtype=np.bool_), self.bend(low, high, offset)[:, None, :], np.inf)

    def _far(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        """τ (n,): how far a point can be from where it was at the scan pose, anywhere in each box."""
        rest = self.scan_pose
        away = np.maximum(np.abs(low - rest), np.abs(high - rest))
        speed = self.of.slope(np.minimum(low, rest), np.maximum(high, rest), offset)
        return np.asarray(times(away, speed).sum(axis=1))


@dataclass(frozen=True)
class Following:
    """What ``inner`` does to a point, and then ``outer``; unlike with ``Carried`` they may share coordinates.

    With P what the inner one makes of a point, along coordinate i the speed is at most the outer one's of P and the
    inner one's; the second derivative is that of both and twice the outer one's angular rate times the inner speed.
    """

    outer: Motion
    inner: Motion

    @cached_property
    def _space(self) -> Together:
        return together(self.inner, self.outer)

    @cached_property
    def _columns(self) -> tuple[Columns, Columns]:
        """Of the inner motion's coordinates, and of the outer one's."""
        return columns_of(self.inner, self._space), columns_of(self.outer, self._space)

    @property
    def blocks(self) -> tuple[Block, ...]:
        return self._space.blocks

    @property
    def coordinates(self) -> tuple[str, ...]:
        return self._space.coordinates

    @property
    def low(self) -> Floats:
        return self._space.low

    @property
    def high(self) -> Floats:
        return self._space.high

    @property
    def scan_pose(self) -> Floats:
        return self._space.scan_pose

    def describe(self, pose: Floats) -> dict[str, float]:
        return self._space.describe(pose)

    def straight(self) -> Following:
        """Both straight."""
        return Following(self.outer.straight(), self.inner.straight())

    def turn(self, poses: Floats) -> Floats:
        inner, outer = self._columns
        return np.asarray(self.outer.turn(poses[:, outer]) @ self.inner.turn(poses[:, inner]))

    def place(self, poses: Floats, points: Floats) -> Floats:
        inner, outer = self._columns
        return carry(self.outer, poses[:, outer], self.inner.place(poses[:, inner], points))

    def offsets(self, points: Floats) -> Floats:
        """The inner one's, and the outer one's of points that have gone as far as the inner one takes them."""
        key = np.asarray(points, dtype=np.float64).tobytes()
        if key not in self._known:
            moved = self.outer.offsets(points) + farthest_mm(self.inner, points)
            self._known[key] = np.concatenate([self.inner.offsets(points), moved])
        return self._known[key]

    @cached_property
    def _known(self) -> dict[bytes, Floats]:
        """Offsets that were asked for: several pieces share an end."""
        return {}

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        inner, outer = self._columns
        found = np.zeros_like(low)
        own, moved = self._shares(offset)
        found[:, inner] += self.inner.slope(low[:, inner], high[:, inner], own)
        found[:, outer] += self.outer.slope(low[:, outer], high[:, outer], moved)
        return found

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        inner, outer = self._columns
        found, speed, spin = (np.zeros_like(low) for _ in range(3))
        own, moved = self._shares(offset)
        speed[:, inner] = self.inner.slope(low[:, inner], high[:, inner], own)
        spin[:, outer] = spin_of(self.outer, low[:, outer], high[:, outer])
        found[:, inner] += self.inner.bend(low[:, inner], high[:, inner], own)
        found[:, outer] += self.outer.bend(low[:, outer], high[:, outer], moved)
        return np.asarray(found + 2.0 * product(spin, speed))

    @cached_property
    def _outer_offsets(self) -> int:
        return len(self.outer.offsets(np.zeros((1, 3))))

    def _shares(self, offset: Floats) -> tuple[Floats, Floats]:
        cut = len(offset) - self._outer_offsets
        return offset[:cut], offset[cut:]


def travel_of(motion: Motion, point: Floats) -> float:
    """How far a point (3,) may come along all coordinates together; ∞ where nothing bounds it."""
    low, high = motion.low[None], motion.high[None]
    return float(times(high - low, motion.slope(low, high, motion.offsets(point[None]))).sum())


def product(one: Floats, other: Floats) -> Floats:
    """Of two rates that are at least 0, where 0·∞ is 0."""
    return np.where(other > 0.0, one, 0.0) * np.where(one > 0.0, other, 0.0)


def farthest_mm(motion: Motion, points: Floats) -> float:
    """How far one of (k, 3) points can come from its place at the scan pose, at most; ∞ where nothing bounds it.

    In each of some boxes of poses: how far they are in its middle, and what the speeds there allow from it.
    """
    points, offset = np.asarray(points, dtype=np.float64), motion.offsets(points)
    low, high = motion.low[None], motion.high[None]
    for _ in range(_TRAVEL_CUTS if len(motion.low) else 0):
        low, high = halves(low, high, _effects(motion, low, high, offset))
    away = np.linalg.norm(motion.place((low + high) / 2.0, points) - points, axis=2).max(axis=1)
    found = float((away + _effects(motion, low, high, offset).sum(axis=1)).max())
    return found if np.isfinite(found) else np.inf


def _effects(motion: Motion, low: Floats, high: Floats, offset: Floats) -> Floats:
    return times((high - low) / 2.0, motion.slope(low, high, offset))


def turning_bend(motion: Motion, low: Floats, high: Floats) -> Floats:
    """(n, d) boxes → (n, d): greatest second derivative of a unit vector that the motion turns.

    R″u is what T″ does to a far point less what it does to a near one, over the distance of the two; to points a
    distance from the near one away belong its offsets plus that distance.
    """
    near = motion.offsets(np.zeros((1, 3)))
    return np.asarray((motion.bend(low, high, near + _FAR_MM) + motion.bend(low, high, near)) / _FAR_MM)
