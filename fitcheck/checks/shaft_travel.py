"""The extremes of a shaft over everything that moves its two joints.

A grid over all combinations of the coordinates, then a search from the best places of it.
They are *computed* extremes, to 0.01 mm and 0.01 deg where they are smooth, not certified
bounds as clearances have them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle.motion import Motion, Space, columns_of, together
from fitcheck.vehicle.scene import ShaftPart, Vector

Floats = NDArray[np.float64]

LENGTH, FRONT, REAR, SWING = range(4)
"""Columns of :meth:`Ends.figures`."""

_GRID = {1: 65, 2: 17, 3: 9, 4: 7, 5: 4, 6: 3, 7: 3}  # samples along each of so many coordinates
_SCATTERED = 2000  # samples where a grid would have too many
_STARTS = 3  # places from which the search goes on
_FINEST = 1e-4  # last step, as a part of the travel: 0.02 mm of 200, far less on a smooth extreme
_MOST_STEPS = 200
_FAR_MM = 1000.0
_NO_PART = 1e-6  # mm or deg


@dataclass(frozen=True)
class Extreme:
    """A least or greatest figure and the pose (d,) in which it was found."""

    value: float
    pose: Floats


class Ends:
    """The two joints of a shaft over the joint space of what carries them."""

    def __init__(self, shaft: ShaftPart, motions: tuple[Motion, Motion]) -> None:
        self.shaft = shaft
        self.motions = motions
        self.space = together(*motions)
        self.columns = tuple(columns_of(motion, self.space) for motion in motions)
        along, _, _ = self.lines(self.space.scan_pose[None])
        self.ride_line: Floats = along[0]

    def lines(self, poses: Floats) -> tuple[Floats, Floats, Floats]:
        """(n, d) poses → from joint to joint (n, 3), axis of the front and of the rear joint (n, 3).

        Raises InputError where the joints coincide.
        """
        start, first = self._joint(0, poses, self.shaft.start_mm, self.shaft.start_axis)
        end, second = self._joint(1, poses, self.shaft.end_mm, self.shaft.end_axis)
        along = end - start
        length = np.linalg.norm(along, axis=1)
        if not (np.isfinite(length).all() and (length > 0.0).all()):
            raise InputError(
                f"{self.shaft.origin or 'shaft'}: the two joints of {self.shaft.name} coincide somewhere in the "
                "travel; check where its ends are"
            )
        return along, first, second

    def _joint(self, end: int, poses: Floats, at: Vector, axis: Vector) -> tuple[Floats, Floats]:
        """Place and axis (n, 3) of one joint."""
        # The axis as a second point: a mechanism that has to solve for its pose solves once.
        first = np.asarray(at, dtype=np.float64)
        far = first + _FAR_MM * np.asarray(axis, dtype=np.float64)
        placed = self.motions[end].place(poses[:, self.columns[end]], np.stack([first, far]))
        return placed[:, 0], np.asarray(placed[:, 1] - placed[:, 0])

    def figures(self, poses: Floats) -> Floats:
        """(n, d) poses → (n, 4): length mm, front and rear joint angle deg, angle from the line at ride deg."""
        along, first, second = self.lines(poses)
        angles = [angle_between_deg(line, along) for line in (first, second, self.ride_line)]
        return np.stack([np.linalg.norm(along, axis=1), *angles], axis=1)

    def between_planes_deg(self, poses: Floats) -> Floats:
        """Angle (n,) about the shaft between the planes in which its joints bend; 0 where one does not bend."""
        along, first, second = self.lines(poses)
        unit = along / np.linalg.norm(along, axis=1, keepdims=True)
        across = [axis - np.sum(axis * unit, axis=1, keepdims=True) * unit for axis in (first, second)]
        turned = np.sum(np.cross(*across) * unit, axis=1)
        return np.asarray(np.degrees(np.arctan2(turned, np.sum(across[0] * across[1], axis=1))))


def angle_between_deg(first: Floats, second: Floats) -> Floats:
    """Angle (n,) between lines along (n, 3) vectors, 0 … 90; exact near 0, where an arc cosine is not."""
    across = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.degrees(np.arctan2(across, np.abs(np.sum(first * second, axis=-1)))))


def extremes(ends: Ends, wanted: Sequence[tuple[int, int]]) -> list[Extreme]:
    """Each wanted figure's least (sign −1) or greatest (+1) and its pose: climb from the best places of a grid."""
    samples = _within(ends.space, _samples(ends.space))
    values = ends.figures(samples)
    columns, signs = np.repeat(np.array(wanted, dtype=np.intp), _STARTS, axis=0).T
    best = [np.argsort(-sign * values[:, column], kind="stable")[:_STARTS] for column, sign in wanted]
    starts = samples[np.concatenate([np.resize(order, _STARTS) for order in best])]
    heights, poses = _climb(ends, starts, columns, signs)
    tops = np.arange(len(wanted)) * _STARTS + heights.reshape(len(wanted), _STARTS).argmax(axis=1)
    poses = _plain(ends, poses[tops], columns[tops], signs[tops])
    values = ends.figures(poses)[np.arange(len(tops)), columns[tops]]
    return [Extreme(float(value), pose) for value, pose in zip(values, poses, strict=True)]


def _plain(ends: Ends, poses: Floats, columns: NDArray[np.intp], signs: NDArray[np.intp]) -> Floats:
    """The same poses with every coordinate at rest that has no part in its figure: what a pose names should matter."""
    rows = np.arange(len(poses))
    best = signs * ends.figures(poses)[rows, columns]
    for column in np.flatnonzero(ends.space.high > ends.space.low):
        trial = poses.copy()
        trial[:, column] = ends.space.scan_pose[column]
        trial = _within(ends.space, trial)
        same = signs * ends.figures(trial)[rows, columns] >= best - _NO_PART
        poses = np.where(same[:, None], trial, poses)
    return poses


def _samples(space: Space) -> Floats:
    """Poses (n, d) over the travel: an even grid, or corners and scattered ones where that has too many."""
    low, high = space.low, space.high
    moves = int(np.count_nonzero(high > low))
    count = _GRID.get(moves, 1)
    if moves <= max(_GRID):
        values = [np.linspace(a, b, count if b > a else 1) for a, b in zip(low, high, strict=True)]
        return np.array(list(product(*values)), dtype=np.float64)
    chance = np.random.default_rng(0)  # the same ones each time
    shares = chance.random((_SCATTERED, len(low)))
    shares[: _SCATTERED // 2] = np.round(shares[: _SCATTERED // 2])
    return np.asarray(np.vstack([space.scan_pose[None], low + shares * (high - low)]))


def _within(space: Space, poses: Floats) -> Floats:
    """Poses (n, d) drawn toward the scan pose as far as the limits on sums of coordinates ask."""
    rest, shares = space.scan_pose, np.ones(len(poses))
    for block in space.blocks:
        own = _columns_of_block(space, block.coordinates)
        for limit in block.limits:
            gains = np.asarray(limit.gains)
            more, room = (poses[:, own] - rest[own]) @ gains, limit.most - float(rest[own] @ gains)
            over = more > max(room, 0.0)
            shares[over] = np.minimum(shares[over], max(room, 0.0) / more[over])
    return np.asarray(rest + shares[:, None] * (poses - rest))


def _columns_of_block(space: Space, names: tuple[str, ...]) -> NDArray[np.intp]:
    # where so named coordinates stand in a pose of the space
    return np.array([space.coordinates.index(name) for name in names], dtype=np.intp)


def _climb(ends: Ends, poses: Floats, columns: NDArray[np.intp], signs: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Each pose to its best neighbour; where there is none, halve its step. All of them at once.

    Returns the heights (m,), sign times figure, and the poses (m, d) where the search ended.
    """
    travel, steps = ends.space.high - ends.space.low, _steps(ends.space)
    rows = np.arange(len(poses))
    poses, best = poses.copy(), signs * ends.figures(poses)[rows, columns]
    part = np.full(len(poses), 0.125)
    for _ in range(_MOST_STEPS):
        going = rows[part >= _FINEST]
        if not len(going):
            break
        around = poses[going, None, :] + part[going, None, None] * travel * steps
        around = np.clip(around, ends.space.low, ends.space.high).reshape(len(going) * len(steps), len(travel))
        around = _within(ends.space, around)
        figures = ends.figures(around).reshape(len(going), len(steps), -1)
        heights = signs[going, None] * figures[np.arange(len(going)), :, columns[going]]
        first = heights.argmax(axis=1)
        top = heights[np.arange(len(going)), first]
        better = top > best[going]
        poses[going[better]] = around.reshape(len(going), len(steps), len(travel))[better, first[better]]
        best[going[better]] = top[better]
        part[going[~better]] /= 2.0
    return best, poses


def _steps(space: Space) -> Floats:
    """Neighbours (s, d): all diagonals of up to four coordinates, of more those of two at a time."""
    low, high = space.low, space.high
    free = np.flatnonzero(high > low)
    if len(free) <= 4:
        ways = list(product((-1.0, 0.0, 1.0), repeat=len(free)))
        steps = np.zeros((len(ways), len(low)))
        steps[:, free] = ways
        return steps
    found = [np.zeros(len(low))]
    for one, other in combinations(free, 2):
        for way in product((-1.0, 0.0, 1.0), repeat=2):
            step = np.zeros(len(low))
            step[[one, other]] = way
            found.append(step)
    return np.unique(found, axis=0)
