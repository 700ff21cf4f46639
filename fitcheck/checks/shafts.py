"""What do a propeller shaft's joints, its spline and its speed have to bear?

Joint angles are between shaft and joint axis as lines in space, so plan and side angle
combine; the pinion's axis turns with its axle. Angles and lengths are taken over the whole
travel of the mechanism, every combination of its coordinates: the shortest length often
lies inside the travel. They are *computed* extremes (a grid, then a local search from the
best places of it, to 0.01 mm and 0.01 deg), not certified bounds as clearances have them.

"Ride" is the pose in which the vehicle was scanned.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import product

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError, InternalError
from fitcheck.result import JointAngles, Shaft, ShaftLength
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.scene import Scene, ShaftPart, Vector

Floats = NDArray[np.float64]

_GRID = {1: 65, 2: 17, 4: 7}  # samples along each of so many coordinates
_STARTS = 3  # places from which the search goes on
_FINEST = 1e-4  # last step, as a part of the travel: 0.02 mm of 200, far less on a smooth extreme
_MOST_STEPS = 200


def check_shafts(scene: Scene) -> dict[str, Shaft]:
    """Every shaft of the scene over its mechanism's travel."""
    return {shaft.name: shaft_over_travel(shaft, dict(scene.mechanisms)) for shaft in scene.shafts}


def shaft_over_travel(shaft: ShaftPart, mechanisms: dict[str, Motion]) -> Shaft:
    """Joint angles, lengths, plunge and critical speed of one shaft.

    Raises InputError where its joints coincide in some pose. The critical speed is that of
    the longest length (the lowest); None without a wall thickness.
    """
    ends = _Ends(shaft, mechanisms)
    low, high = ends.low, ends.high
    ride = ends.figures(ends.ride[None])[0]
    samples = _grid(low, high)
    values = ends.figures(samples)
    worst = [_extreme(ends, column, sign, samples, values) for column, sign in ((0, -1), (0, 1), (1, 1), (2, 1))]
    shortest, longest, front, rear = worst
    return Shaft(
        {"front": JointAngles(float(ride[1]), front), "rear": JointAngles(float(ride[2]), rear)},
        ShaftLength(float(ride[0]), shortest, longest),
        longest - shortest,
        critical_speed_of(shaft, longest),
    )


class _Ends:
    """The two joints of a shaft over the combined coordinates of what moves them."""

    def __init__(self, shaft: ShaftPart, mechanisms: dict[str, Motion]) -> None:
        self.shaft = shaft
        names = [name for name in dict.fromkeys((shaft.start_on, shaft.end_on)) if name]
        for name in names:
            if name not in mechanisms:
                raise InternalError(f"shaft {shaft.name} hangs on {name}, which is no mechanism")
        self.movers = {name: mechanisms[name] for name in names}
        still = Still()
        self.low = np.concatenate([still.low, *(mover.low for mover in self.movers.values())])
        self.high = np.concatenate([still.high, *(mover.high for mover in self.movers.values())])
        self.ride = np.concatenate([still.scan_pose, *(mover.scan_pose for mover in self.movers.values())])

    def figures(self, poses: Floats) -> Floats:
        """(n, d) poses → (n, 3): length mm, front and rear joint angle deg."""
        start, first = self._joint(poses, self.shaft.start_on, self.shaft.start_mm, self.shaft.start_axis)
        end, second = self._joint(poses, self.shaft.end_on, self.shaft.end_mm, self.shaft.end_axis)
        along = end - start
        length = np.linalg.norm(along, axis=1)
        if not (np.isfinite(length).all() and (length > 0.0).all()):
            raise InputError(
                f"{self.shaft.origin or 'shaft'}: the two joints of {self.shaft.name} coincide somewhere in the "
                "travel; check where its ends are"
            )
        return np.stack([length, angle_between_deg(first, along), angle_between_deg(second, along)], axis=1)

    def _joint(self, poses: Floats, on: str | None, at: Vector, axis: Vector) -> tuple[Floats, Floats]:
        """Place and axis (n, 3) of one joint."""
        column = 0
        for name, mover in self.movers.items():
            width = len(mover.low)
            if name == on:
                own = poses[:, column : column + width]
                place = mover.place(own, np.array([at], dtype=np.float64))[:, 0]
                return place, np.asarray(mover.turn(own) @ np.asarray(axis, dtype=np.float64))
            column += width
        return np.tile(np.asarray(at, dtype=np.float64), (len(poses), 1)), np.tile(axis, (len(poses), 1))


def _grid(low: Floats, high: Floats) -> Floats:
    """Poses (n, d) at an even grid over the travel; a coordinate without travel has one value."""
    moves = int(np.count_nonzero(high > low))
    count = _GRID.get(moves, 3 if moves > 4 else 9)
    values = [np.linspace(a, b, count if b > a else 1) for a, b in zip(low, high, strict=True)]
    return np.array(list(product(*values)), dtype=np.float64)


def _extreme(ends: _Ends, column: int, sign: int, samples: Floats, values: Floats) -> float:
    """Least (-1) or greatest (+1) of one figure: climb from the best places of the grid."""

    def height(poses: Floats) -> Floats:
        return sign * ends.figures(poses)[:, column]

    order = np.argsort(-sign * values[:, column], kind="stable")[:_STARTS]
    return sign * max(_climb(height, samples[place], ends.low, ends.high) for place in order)


def _climb(height: Callable[[Floats], Floats], pose: Floats, low: Floats, high: Floats) -> float:
    """Step to the best neighbour, diagonals included; where there is none, halve the step."""
    free = np.flatnonzero(high > low)
    steps = np.zeros((3 ** len(free), len(low)))
    steps[:, free] = np.array(list(product((-1.0, 0.0, 1.0), repeat=len(free)))).reshape(len(steps), -1)
    best, part = float(height(pose[None])[0]), 0.125
    for _ in range(_MOST_STEPS):
        around = np.clip(pose + part * (high - low) * steps, low, high)
        found = height(around)
        first = int(np.argmax(found))
        if found[first] > best:
            best, pose = float(found[first]), around[first]
        elif part < _FINEST:
            break
        else:
            part /= 2.0
    return best


def angle_between_deg(first: Floats, second: Floats) -> Floats:
    """Angle (n,) between lines along (n, 3) vectors, 0 … 90; exact near 0, where an arc cosine is not."""
    across = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.degrees(np.arctan2(across, np.abs(np.sum(first * second, axis=-1)))))


def critical_speed_of(shaft: ShaftPart, length_mm: float) -> float | None:
    """Critical speed of a shaft's tube at a length; None where the wall is not known."""
    if shaft.wall_mm is None:
        return None
    return critical_rpm(length_mm, shaft.diameter_mm, wall_mm=shaft.wall_mm, sound_m_s=shaft.speed_of_sound_m_s)


def critical_rpm(length_mm: float, diameter_mm: float, *, wall_mm: float, sound_m_s: float) -> float:
    """First critical speed of a uniform tube on pinned ends: (30 π / L²) √(E/ρ) ¼ √(Do² + Di²).

    ``sound_m_s`` is √(E/ρ). Source: Euler-Bernoulli beam, closed form. Other models of the
    same shaft (mass lumped at mid-span, sag) give other speeds.
    """
    inner = diameter_mm - 2.0 * wall_mm
    gyration = math.hypot(diameter_mm, inner) / 4.0 / 1000.0
    return 30.0 * math.pi / (length_mm / 1000.0) ** 2 * sound_m_s * gyration


def compound_deg(first_deg: float, second_deg: float) -> float:
    """True joint angle from its plan and its side view: tan² = tan² + tan², exact."""
    first, second = math.tan(math.radians(first_deg)), math.tan(math.radians(second_deg))
    return math.degrees(math.atan(math.hypot(first, second)))


def compound_small_deg(first_deg: float, second_deg: float) -> float:
    """The same by the manuals' rule, the root of the squares: good for small angles."""
    return math.hypot(first_deg, second_deg)


def working_angles_deg(output_deg: float, shaft_deg: float, pinion_deg: float) -> tuple[float, float]:
    """Angles at the front and the rear joint from three slopes in side view."""
    return abs(output_deg - shaft_deg), abs(shaft_deg - pinion_deg)


def output_speeds_rpm(speed_rpm: float, joint_deg: float) -> tuple[float, float]:
    """Least and greatest output speed of a cross joint over a turn: N cos b and N / cos b."""
    lean = math.cos(math.radians(joint_deg))
    return speed_rpm * lean, speed_rpm / lean


def swing_longer_mm(length_mm: float, rise_mm: float) -> float:
    """How much longer a level shaft gets when one end moves straight up: √(L² + dz²) − L."""
    return math.hypot(length_mm, rise_mm) - length_mm


def swing_half_height_mm(along_mm: float, *, radius_mm: float, swing_deg: float) -> float:
    """Half height of the cone that a tube sweeps about its joint: x tan(a) + R / cos(a)."""
    swing = math.radians(swing_deg)
    return along_mm * math.tan(swing) + radius_mm / math.cos(swing)
