"""A steering box's arm, turned by a rod of fixed length whose other end moves with the axle.

The arm's tip A(α) runs on a circle of radius r about the sector's axis, the rod's other end is B(q). In the
circle's own axes (through its centre, the first toward the tip at the scan pose) B is w = (x, y, z), and
|A − B| = L is x·cos α + y·sin α = K with K = (r² + |w|² − L²)/2r, so α = atan2(y, x) ± acos(K/ρ), ρ² = x² + y².

Bounds. With f = ½(|A − B|² − L²): f_α = r·(x·sin α − y·cos α) = ±r·√(ρ² − K²), f_αα = r·K. Along coordinate i
f_α·αᵢ = (A − B)·Bᵢ, and f_α·αᵢᵢ = −|Bᵢ|² + 2·αᵢ·A_α·Bᵢ − r·K·αᵢ² + (A − B)·Bᵢᵢ, with |A_α| = r. So where |f_α| ≥ m,
|Bᵢ| ≤ g, |A_α·Bᵢ| ≤ p, |αᵢ| ≤ a, |Bᵢᵢ| ≤ M: |αᵢᵢ| ≤ (g² + 2·a·p + r·|K|·a² + L·M)/m, and a = L·g/m will do.

It will not do well where the rod stands nearly square to Bᵢ, as a drag link does to the heave of its axle. So the
directions are kept. sᵢ is the mean slope of B between the box's corners along coordinate i; every Bᵢ in the box is
within eᵢ = Σⱼ hⱼ·max|Bᵢⱼ| of it (each corner edge's mean is a mean of Bᵢ; the distance along coordinate j from a pose
to the corners is hⱼ on average). From the box's middle (index 0) B goes by at most Σⱼ hⱼ·(sⱼ + a vector ≤ eⱼ), the
arm by the angle t = Σⱼ hⱼ·aⱼ, so A by at most t·(A_α0 + a vector ≤ ½·r·t), and
  |A_α·Bᵢ| ≤ |A_α0·sᵢ| + r·t·|sᵢ| + r·eᵢ,
  |(A − B)·Bᵢ| ≤ |(A − B)₀·sᵢ| + t·(|A_α0·sᵢ| + ½·r·t·|sᵢ|) + Σⱼ hⱼ·(|sⱼ·sᵢ| + eⱼ·|sᵢ|) + L·eᵢ.
The latter over m bounds αᵢ anew. Likewise K grows along coordinate j by w·Bⱼ/r, and f_α by r·K·αⱼ − A_α·Bⱼ, which
gives another m where that is more than what bounds on |w| and ρ give. With the lesser t it is all done again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import End, Rates, halves, rows_of, times, weighted
from fitcheck.vehicle.motion import Block, columns_of, mixed_of, together
from fitcheck.vehicle.reach import length_bounds, limits_of
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]

_SURE = 0.25
"""How much of the least ρ² − K² found over the travel is proven before the search stops."""

_MOST_BOXES = 4_000
_ROUNDING = 1e-9
_PLACE_ROUNDING_MM = 1e-10
_LEAST_WIDTH = 1e-6
"""Boxes narrower than this part of the range are widened to it before slopes are read off their corners."""

_ROUNDS = 3
_IN_LINE = 1e-6
"""Rod and arm count as in line where sin of the angle between them (seen along the axis) is below this."""


@dataclass(frozen=True)
class _Known:
    """What is known over n boxes: ρ² − K² at least, |K| at most (n,), and the rates of the rod's other end.

    ``corners`` (n, k, 3) and ``middle`` (n, 3): its places there, in the circle's axes.
    """

    square: Floats
    most_k: Floats
    rates: Rates
    mixed: Floats  # greatest mixed second derivatives of that end (n, d, d)
    corners: Floats
    middle: Floats


@dataclass(frozen=True)
class _Course:
    """Which way the rod's other end goes in n boxes, in the circle's axes: sᵢ ± eᵢ along coordinate i."""

    half: Floats  # half widths (n, d)
    mean: Floats  # sᵢ (n, d, 3)
    length: Floats  # |sᵢ| (n, d)
    off: Floats  # eᵢ (n, d)
    speed: Floats  # at most |Bᵢ| (n, d)
    angle: Floats  # of the arm in the middle (n,)
    middle: Floats  # B there (n, 3)

    def turned(self, rate: Floats) -> Floats:
        """How far the arm can be from its angle in the middle (n,), where it turns by ``rate`` (n, d) at most."""
        return np.asarray(np.minimum(times(self.half, rate).sum(axis=1), np.pi))

    def across(self, radius_mm: float) -> Floats:
        """|A_α0·sᵢ| (n, d)."""
        sine, cosine = np.sin(self.angle)[:, None], np.cos(self.angle)[:, None]
        return np.asarray(radius_mm * np.abs(cosine * self.mean[:, :, 1] - sine * self.mean[:, :, 0]))

    def rod(self, radius_mm: float) -> Floats:
        """|(A − B)₀·sᵢ| (n, d)."""
        tip = radius_mm * np.stack([np.cos(self.angle), np.sin(self.angle), np.zeros_like(self.angle)], axis=1)
        return np.asarray(np.abs(np.einsum("ni,ndi->nd", tip - self.middle, self.mean)))

    def drift(self) -> Floats:
        """Σⱼ hⱼ·(|sⱼ·sᵢ| + eⱼ·|sᵢ|) (n, d): what the way of the other end from the middle makes along sᵢ."""
        between = np.abs(np.einsum("ndi,nei->nde", self.mean, self.mean))
        astray = times(self.half, self.off).sum(axis=1)[:, None]
        return np.asarray(np.einsum("nde,ne->nd", between, self.half) + times(self.length, astray))


@dataclass(frozen=True)
class Pitman:
    """The motion of what sits on a steering box's sector shaft; its poses are those of the rod's other end.

    ``centre`` and ``axis``: the sector's axis; ``tip``: the rod's end on the arm; ``other``: its other end, with
    what moves it. All at the scan pose, which also gives the rod's length. The arm keeps to the side of its rod
    on which it was scanned. Raises InputError, with the pose, where the rod cannot reach within the travel, and
    where arm and rod are in line at the scan pose.
    """

    name: str
    centre: Vector
    axis: Vector
    tip: Vector
    other: End
    origin: str = ""

    def __post_init__(self) -> None:
        self._check_measures()
        _ = self._surest  # a rod that cannot reach is refused now, not at the first pose that shows it

    def _check_measures(self) -> None:
        values = np.array([self.centre, self.axis, self.tip, self.other.point], dtype=np.float64)
        if not np.isfinite(values).all() or not np.linalg.norm(values[1]) > 0.0:
            raise InputError(f"{self._where}: the sector's axis must have a direction, and all points must be numbers")
        if not self.radius_mm > 1e-3:
            raise InputError(f"{self._where}: the arm's tip lies on the sector's axis: measure where the rod is held")
        x, y, _ = self._local(np.array([self.other.point]))[0]
        if not abs(y) > _IN_LINE * np.hypot(x, y):
            raise InputError(
                f"{self._where}: arm and rod are in line at the scan pose: to which side the arm goes is not known. "
                "Measure tip and rod again"
            )

    @property
    def _where(self) -> str:
        return f"{self.origin}: {self.name}" if self.origin else self.name

    # -- the space: that of the rod's other end --

    @property
    def blocks(self) -> tuple[Block, ...]:
        return self.other.motion.blocks

    @property
    def coordinates(self) -> tuple[str, ...]:
        return self.other.motion.coordinates

    @property
    def low(self) -> Floats:
        return self.other.motion.low

    @property
    def high(self) -> Floats:
        return self.other.motion.high

    @property
    def scan_pose(self) -> Floats:
        return self.other.motion.scan_pose

    def describe(self, pose: Floats) -> dict[str, float]:
        return self.other.motion.describe(pose)

    def straight(self) -> Pitman:
        """The same on an axle that goes straight up and down only."""
        return replace(self, other=self.other.straight())

    # -- geometry --

    @cached_property
    def _frame(self) -> Floats:
        """Rows: toward the tip, square to it in the circle's plane, along the axis."""
        along = np.asarray(self.axis, dtype=np.float64)
        along = along / np.linalg.norm(along)
        arm = np.subtract(self.tip, self.centre)
        arm = arm - (arm @ along) * along
        first = arm / max(float(np.linalg.norm(arm)), 1e-12)
        return np.array([first, np.cross(along, first), along])

    @cached_property
    def radius_mm(self) -> float:
        """From the sector's axis to the tip."""
        along = np.asarray(self.axis, dtype=np.float64)
        return float(np.linalg.norm(np.cross(np.subtract(self.tip, self.centre), along / np.linalg.norm(along))))

    @cached_property
    def rod_mm(self) -> float:
        """The rod's length, as it is at the scan pose."""
        return float(np.linalg.norm(np.subtract(self.tip, self.other.point)))

    @cached_property
    def _side(self) -> float:
        """The sign of acos that gives α = 0 at the scan pose."""
        return -float(np.sign(self._local(np.array([self.other.point]))[0, 1]))

    def _local(self, points: Floats) -> Floats:
        """(…, 3) points of the vehicle → in the circle's axes, from its centre."""
        circle = np.asarray(self.tip) - self.radius_mm * self._frame[0]
        return np.asarray((points - circle) @ self._frame.T)

    def _reach(self, places: Floats) -> tuple[Floats, Floats, Floats]:
        """Places w (n, 3) of the rod's other end → the angle from the first axis, K and ρ (n,)."""
        x, y = places[:, 0], places[:, 1]
        return np.arctan2(y, x), self._k(np.linalg.norm(places, axis=1)), np.hypot(x, y)

    def _k(self, distances: Floats) -> Floats:
        return np.asarray((self.radius_mm**2 + distances**2 - self.rod_mm**2) / (2.0 * self.radius_mm))

    def angle(self, poses: Floats) -> Floats:
        """(n, d) → the arm's angle about ``axis`` against the scan pose, rad (n,), within ±π.

        At poses outside a mechanism's linear limits, where the rod may not reach, the nearest angle.
        """
        places = self._local(self.other.motion.place(poses, np.array([self.other.point]))[:, 0])
        toward, k, rho = self._reach(places)
        angle = toward + self._side * np.arccos(np.clip(k / np.maximum(rho, 1e-12), -1.0, 1.0))
        return np.asarray((angle + np.pi) % (2.0 * np.pi) - np.pi)

    def turn(self, poses: Floats) -> Floats:
        angle = self.angle(poses)
        first, second, along = self._frame
        cosine, sine = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
        across = np.outer(first, first) + np.outer(second, second)
        quarter = np.outer(second, first) - np.outer(first, second)
        return np.asarray(np.outer(along, along) + cosine * across + sine * quarter)

    def place(self, poses: Floats, points: Floats) -> Floats:
        arms = np.asarray(points, dtype=np.float64) - np.asarray(self.centre)
        return np.asarray(np.einsum("nij,kj->nki", self.turn(poses), arms) + np.asarray(self.centre))

    # -- bounds --

    def offsets(self, points: Floats) -> Floats:
        """How far the farthest point is from the sector's axis (1,)."""
        arms = np.asarray(points, dtype=np.float64) - np.asarray(self.centre)
        return np.asarray(np.linalg.norm(arms @ self._frame[:2].T, axis=-1).max(keepdims=True))

    def slope(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        return weighted(float(offset[0]), self._turning(low, high)[0])

    def bend(self, low: Floats, high: Floats, offset: Floats) -> Floats:
        rate, change = self._turning(low, high)
        return weighted(float(offset[0]), np.hypot(rate**2, change))

    def _turning(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Bounds (n, d) on |α′| and |α″| along each coordinate; ∞ where arm and rod may come into line.

        Slope and bend of the same boxes are asked for one after the other: the last answer is kept.
        """
        key = low.tobytes(), high.tobytes()
        if key not in self._last:
            self._last.clear()
            self._last[key] = self._turning_anew(*self._widened(low, high))
        return self._last[key]

    @cached_property
    def _last(self) -> dict[tuple[bytes, bytes], tuple[Floats, Floats]]:
        return {}

    @cached_property
    def _offset(self) -> Floats:
        """Of the rod's other end, in its motion."""
        return self.other.motion.offsets(np.array([self.other.point]))

    def _turning_anew(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        known = self._over(low, high)
        course = self._course(low, high, known)
        least = self.radius_mm * np.sqrt(np.maximum(known.square, self._surest))[:, None]
        most_k = np.minimum(known.most_k, self._most_k(course))[:, None]
        proven, rate = least > 0.0, np.full_like(low, np.inf)
        for _ in range(_ROUNDS):
            turned = course.turned(rate)
            along_rod = np.minimum(self.rod_mm * course.speed, self._along_rod(course, turned))
            rate = np.minimum(rate, along_rod / np.where(proven, least, 1.0))
            along_arm = self._along_arm(course, course.turned(rate))
            least = np.maximum(least, self._least_lever(course, rate, along_arm, most_k))
        # Where nothing moves along a coordinate, an unbounded K must not make 0·∞ of it.
        own = self.radius_mm * np.where(rate > 0.0, most_k, 0.0) * rate**2
        pull = course.speed**2 + 2.0 * times(rate, along_arm) + own
        change = (pull + self.rod_mm * known.rates.end_bend) / np.where(proven, least, 1.0)
        return np.where(proven, rate, np.inf), np.where(proven, change, np.inf)

    def _most_k(self, course: _Course) -> Floats:
        """At most |K| (n,): it grows along a coordinate by w·Bⱼ/r."""
        far = np.linalg.norm(course.middle, axis=1)
        outward = np.abs(np.einsum("ni,ndi->nd", course.middle, course.mean)) + course.drift()
        reach = (far + times(course.half, course.speed).sum(axis=1))[:, None]
        growth = times(course.half, outward + np.where(course.off > 0.0, reach, 0.0) * course.off).sum(axis=1)
        return np.asarray(np.abs(self._k(far)) + growth / self.radius_mm)

    def _least_lever(self, course: _Course, rate: Floats, along_arm: Floats, most_k: Floats) -> Floats:
        """At least |f_α| (n, 1): its value in the middle, less what r·K·αⱼ − A_α·Bⱼ makes of it."""
        sine, cosine = np.sin(course.angle), np.cos(course.angle)
        own = self.radius_mm * np.abs(course.middle[:, 0] * sine - course.middle[:, 1] * cosine)
        change = self.radius_mm * np.where(rate > 0.0, most_k, 0.0) * rate + along_arm
        return np.asarray((own - times(course.half, change).sum(axis=1))[:, None])

    def _widened(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Boxes with some width along each coordinate that has a range: across none at all no slope is measured."""
        need = np.maximum(_LEAST_WIDTH * (self.high - self.low) - (high - low), 0.0)
        return np.maximum(low - need, self.low), np.minimum(high + need, self.high)

    def _course(self, low: Floats, high: Floats, known: _Known) -> _Course:
        """Where the rod is in the middle of each box, and which way its other end goes there."""
        middle, half = (low + high) / 2.0, (high - low) / 2.0
        signs = np.sign(corners_of(low, high) - middle[:, None, :])
        over = np.where(half > 0.0, half, 1.0)
        mean = np.einsum("nkd,nki->ndi", signs, known.corners) / (signs.shape[1] * over[:, :, None])
        off = times(half[:, None, :], known.mixed).sum(axis=2) + _PLACE_ROUNDING_MM / over
        slope = known.rates.end_slope
        off = np.where(half > 0.0, off, slope)
        length = np.linalg.norm(mean, axis=2)
        return _Course(half, mean, length, off, np.minimum(slope, length + off), self.angle(middle), known.middle)

    def _along_arm(self, course: _Course, turned: Floats) -> Floats:
        """At most |A_α·Bᵢ| (n, d): how fast the rod's other end goes along the way of the arm's tip."""
        own = course.across(self.radius_mm)
        found = own + self.radius_mm * (np.minimum(turned, 2.0)[:, None] * course.length + course.off)
        return np.asarray(np.minimum(found, self.radius_mm * course.speed))

    def _along_rod(self, course: _Course, turned: Floats) -> Floats:
        """At most |(A − B)·Bᵢ| (n, d): how fast it goes along the rod, times the rod's length."""
        arm = turned[:, None] * (course.across(self.radius_mm) + 0.5 * self.radius_mm * turned[:, None] * course.length)
        return course.rod(self.radius_mm) + arm + course.drift() + self.rod_mm * course.off

    def _over(self, low: Floats, high: Floats) -> _Known:
        """|w| and ρ in each box lie between bounds on lengths; ρ² − K² follows."""
        motion, point = self.other.motion, np.array([self.other.point])
        corners = self._local(motion.place(rows_of(corners_of(low, high)), point)[:, 0]).reshape(len(low), -1, 3)
        middle = self._local(motion.place((low + high) / 2.0, point)[:, 0])
        slope, mixed = motion.slope(low, high, self._offset), mixed_of(motion, low, high, self._offset)
        bend = np.einsum("nii->ni", mixed)
        rates = Rates((high - low) / 2.0, np.zeros_like(low), slope, np.zeros_like(low), bend)
        flat = np.array([1.0, 1.0, 0.0])
        rho, _ = length_bounds(corners * flat, middle * flat, rates)
        most_k = np.abs([self._k(size) for size in length_bounds(corners, middle, rates)]).max(axis=0)
        return _Known(rho**2 - most_k**2, most_k, rates, mixed, corners, middle)

    @cached_property
    def _surest(self) -> float:
        """ρ² − K² is nowhere less than this in the box of all poses; 0: not known.

        Raises InputError where a pose within the linear limits shows that the rod does not reach.
        """
        whole = together(self.other.motion)
        gains, most = limits_of(whole)
        if len(gains):
            self._search(gains[:, columns_of(self.other.motion, whole)], most)
        # Boxes of poses have corners outside the linear limits: bounds have to hold there as well.
        return self._search(np.zeros((0, len(self.low))), np.empty(0), refuse=not len(gains))

    def _search(self, gains: Floats, most: Floats, *, refuse: bool = True) -> float:
        """Halve the boxes of poses within the limits until each holds a fair part of the least ρ² − K² found."""
        low, high = self.low[None], self.high[None]
        found, closed, looked = np.inf, np.inf, 0
        while len(low) and looked < _MOST_BOXES:
            looked += len(low)
            found = min(found, self._least_found(np.concatenate([low, high, (low + high) / 2.0]), gains, most, refuse))
            if found <= 0.0:
                return 0.0
            known = self._over(low, high)
            done = known.square >= _SURE * found
            closed = min(closed, float(known.square[done].min(initial=np.inf)))
            low, high = halves(low[~done], high[~done], known.rates.travels()[~done])
            inside = np.minimum(low[:, None] * gains, high[:, None] * gains).sum(axis=-1) <= most + _ROUNDING
            low, high = low[inside.all(axis=1)], high[inside.all(axis=1)]
        return 0.0 if len(low) else closed

    def _least_found(self, poses: Floats, gains: Floats, most: Floats, refuse: bool) -> float:
        """The least ρ² − K² at the poses within the limits; ``refuse``: InputError where it is not above 0."""
        poses = poses[(poses @ gains.T <= most + _ROUNDING).all(axis=1)]
        places = self._local(self.other.motion.place(poses, np.array([self.other.point]))[:, 0])
        _, k, rho = self._reach(places)
        squares = rho**2 * (1.0 - _IN_LINE**2) - k**2
        worst = int(squares.argmin()) if len(squares) else -1
        if worst >= 0 and refuse and squares[worst] <= 0.0:
            raise self._out_of_reach(poses[worst])
        return float(squares.min(initial=np.inf))

    def _out_of_reach(self, pose: Floats) -> InputError:
        said = ", ".join(f"{name} {value:.6g}" for name, value in self.describe(pose).items())
        return InputError(
            f"{self._where}: the rod ({self.rod_mm:.1f} mm) cannot reach from the arm ({self.radius_mm:.1f} mm) "
            f"to its other end at {said}: measure its ends and the travel again"
        )
