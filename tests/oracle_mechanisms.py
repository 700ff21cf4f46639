"""A second road to every motion: each kind of mechanism anew from the trade's description, in plain numpy.

No bounds, no boxes, no trust: only "where does a point of the moving thing go at this pose".
A pose is a mapping from a coordinate's name to its values (n,); every motion answers
``frames(pose)`` with turns (n, 3, 3) and shifts (n, 3): a point p, given where it is at the
scan pose, goes to ``turn @ p + shift``. All coordinates zero: nothing moves. A pose that the
rods cannot reach answers NaN. Two motions that name the same coordinate share it.

Frame: x rearward, y right, z up: right-handed, since x × y = z (rearward × right =
forward × left = up). Lengths mm, angles radians where not named otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import oracle_motion
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]
Vector = tuple[float, float, float]
Pose = Mapping[str, Floats]
Frames = tuple[Floats, Floats]
X, Y, Z = np.eye(3)


# ------------------------------------------------------------------ coordinates and their limits


@dataclass(frozen=True)
class Limit:
    """``low`` ≤ Σ gain · coordinate ≤ ``high``; zero is allowed."""

    gains: tuple[tuple[str, float], ...]
    low: float
    high: float

    def scale(self, pose: Pose) -> Floats:
        """How far from zero toward the pose one may go, 0 … 1, shape (n,)."""
        total = np.asarray(sum(gain * pose[name] for name, gain in self.gains))
        bound = np.where(total > 0.0, self.high, self.low)
        return np.where(np.abs(total) > np.abs(bound), bound / np.where(total == 0.0, 1.0, total), 1.0)


@dataclass(frozen=True)
class Travel:
    """Names of coordinates, the least and greatest of each, and limits that couple them."""

    names: tuple[str, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    limits: tuple[Limit, ...] = ()

    def named(self, rows: Floats) -> Pose:
        """Poses (n, k) as a mapping, pulled straight toward the scan pose until every limit holds."""
        columns = np.clip(rows, self.low, self.high).T if self.names else rows.T
        pose = dict(zip(self.names, columns, strict=True))
        for limit in self.limits:
            scale = limit.scale(pose)
            pose = {name: value * scale for name, value in pose.items()}
        return pose if pose else {"": np.zeros(len(rows))}


def joined(*travels: Travel) -> Travel:
    """All coordinates of several travels, each once."""
    names, low, high, limits = [], [], [], []
    for travel in travels:
        for name, least, greatest in zip(travel.names, travel.low, travel.high, strict=True):
            if name not in names:
                names.append(name)
                low.append(least)
                high.append(greatest)
        limits += [limit for limit in travel.limits if limit not in limits]
    return Travel(tuple(names), tuple(low), tuple(high), tuple(limits))


class Motion(Protocol):
    """What every mechanism answers."""

    @property
    def travel(self) -> Travel: ...
    def frames(self, pose: Pose) -> Frames: ...


def points_at(motion: Motion, pose: Pose, points: ArrayLike) -> Floats:
    """Points (k, 3) as they are at the scan pose → (n, k, 3) at each pose."""
    turn, shift = motion.frames(pose)
    return np.einsum("nij,kj->nki", turn, np.asarray(points, dtype=float).reshape(-1, 3)) + shift[:, None]


def count(pose: Pose) -> int:
    """How many poses."""
    return len(next(iter(pose.values())))


# ------------------------------------------------------------------ turns


def turn_about(axis: ArrayLike, angle: Floats) -> Floats:
    """Right-handed turns (n, 3, 3) about a unit axis (3,) or (n, 3): Rodrigues' formula."""
    axis = np.broadcast_to(np.asarray(axis, dtype=float), (len(angle), 3))
    cross, s, c = cross_matrix(axis), np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray(np.eye(3) + s * cross + (1.0 - c) * (cross @ cross))


def cross_matrix(v: Floats) -> Floats:
    """Matrices (n, 3, 3) with ``matrix @ u`` = v × u."""
    x, y, z = v.T
    nil = np.zeros_like(x)
    return np.array([[nil, -z, y], [z, nil, -x], [-y, x, nil]]).transpose(2, 0, 1)


def about_point(turn: Floats, point: ArrayLike, shift: ArrayLike = 0.0) -> Frames:
    """Turn about a fixed point, then shift (n, 3)."""
    point = np.asarray(point, dtype=float)
    return turn, point - turn @ point + shift


def unit(v: ArrayLike) -> Floats:
    v = np.asarray(v, dtype=float)
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def triples(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
    """(n, 3) of three columns; a number stands for a whole column."""
    return np.stack(np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (x, y, z))), axis=-1)


# ------------------------------------------------------------------ still, chained, carried


@dataclass(frozen=True)
class Still:
    """What does not move; ``turn`` and ``shift`` place it (rows of the turn as tuples)."""

    turn: tuple[Vector, Vector, Vector] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    shift: Vector = (0.0, 0.0, 0.0)
    travel = Travel()

    def frames(self, pose: Pose) -> Frames:
        n = count(pose)
        return np.broadcast_to(np.array(self.turn), (n, 3, 3)), np.broadcast_to(np.array(self.shift), (n, 3))


@dataclass(frozen=True)
class Carried:
    """``inner`` mounted on ``outer``: a point goes through the inner motion first, then both ride on the outer."""

    outer: Motion
    inner: Motion

    @property
    def travel(self) -> Travel:
        return joined(self.outer.travel, self.inner.travel)

    def frames(self, pose: Pose) -> Frames:
        (turn, shift), (inner_turn, inner_shift) = self.outer.frames(pose), self.inner.frames(pose)
        return turn @ inner_turn, np.einsum("nij,nj->ni", turn, inner_shift) + shift


@dataclass(frozen=True)
class Joint:
    """``kind`` "turn" (right-handed, about the axis through the point) or "slide" (along the axis).

    Its value is Σ gain · q + Σ square · q², one gain and one square a coordinate.
    """

    kind: str
    axis: Vector
    through: Vector
    gains: tuple[float, ...]
    squares: tuple[float, ...] = ()

    def frames(self, columns: list[Floats]) -> Frames:
        value = sum(gain * q for gain, q in zip(self.gains, columns, strict=True))
        value = value + sum(square * q * q for square, q in zip(self.squares, columns, strict=False))
        value, axis = np.asarray(value, dtype=float), unit(self.axis)
        if self.kind == "slide":
            return np.broadcast_to(np.eye(3), (len(value), 3, 3)), value[:, None] * axis
        return about_point(turn_about(axis, value), self.through)


@dataclass(frozen=True)
class Chain:
    """Turns and slides about axes as they stand at the scan pose, outermost first."""

    travel: Travel
    joints: tuple[Joint, ...]

    def frames(self, pose: Pose) -> Frames:
        columns = [pose[name] for name in self.travel.names]
        turn, shift = Still().frames(pose)
        for joint in self.joints:
            inner, moved = joint.frames(columns)
            turn, shift = turn @ inner, np.einsum("nij,nj->ni", turn, moved) + shift
        return turn, shift


# ------------------------------------------------------------------ axles


def axle_travel(name: str, axle: oracle_motion.Axle) -> Travel:
    """Right stop mm, left stop mm, wind-up rad, lateral mm."""
    low, high = axle.limits().tolist()
    return Travel(tuple(f"{name}.{word}" for word in ("right", "left", "wind_up", "lateral")), tuple(low), tuple(high))


@dataclass(frozen=True)
class LeafAxle:
    """A solid axle on leaf springs, as written down in ``oracle_motion``."""

    name: str
    axle: oracle_motion.Axle

    @property
    def travel(self) -> Travel:
        return axle_travel(self.name, self.axle)

    def frames(self, pose: Pose) -> Frames:
        poses = np.stack([pose[name] for name in self.travel.names], axis=1)
        shift = oracle_motion.shifts(self.axle, poses)
        return about_point(oracle_motion.turns(self.axle, poses), self.axle.centre_mm, shift)


@dataclass(frozen=True)
class Rod:
    """From a point of the body to a point of what moves, both at the scan pose; a length of its own when given."""

    body: Vector
    carried: Vector
    length_mm: float | None = None

    @property
    def length(self) -> float:
        return math.dist(self.body, self.carried) if self.length_mm is None else self.length_mm


@dataclass(frozen=True)
class LinkedAxle:
    """A solid axle on rods: heave and roll from the heights at the stops, the rest by least squares of lengths.

    p → Rz(yaw) Rx(roll) Ry(pitch) (p − centre) + centre + (fore, side, heave), where fore, side, yaw
    and pitch make Σ (|rod| − length)² least; then wind-up is added to pitch and lateral play to side.
    """

    name: str
    axle: oracle_motion.Axle
    rods: tuple[Rod, ...]

    @property
    def travel(self) -> Travel:
        return axle_travel(self.name, self.axle)

    def frames(self, pose: Pose) -> Frames:
        right, left, wind_up, lateral = (pose[name] for name in self.travel.names)
        roll = np.arctan((right - left) / (2.0 * self.axle.stops_mm))
        free = self.settled((right + left) / 2.0, roll)
        turn = self.turns(free[:, 2], roll, free[:, 3] + wind_up)
        shift = triples(free[:, 0], free[:, 1] + lateral, (right + left) / 2.0)
        return about_point(turn, self.axle.centre_mm, shift)

    @staticmethod
    def turns(yaw: Floats, roll: Floats, pitch: Floats) -> Floats:
        return turn_about(Z, yaw) @ turn_about(X, roll) @ turn_about(Y, pitch)

    def misfits(self, free: Floats, heave: Floats, roll: Floats) -> tuple[Floats, Floats]:
        """|rod| − length (n, rods) and its slopes (n, rods, 4) by fore, side, yaw and pitch."""
        centre = np.array(self.axle.centre_mm)
        arms = np.array([rod.carried for rod in self.rods]) - centre
        turn = self.turns(free[:, 2], roll, free[:, 3])
        moved = np.einsum("nij,kj->nki", turn, arms)
        along = moved + (centre + triples(free[:, 0], free[:, 1], heave))[:, None] - [rod.body for rod in self.rods]
        length = np.linalg.norm(along, axis=2)
        pitched = np.einsum("nij,kj->nki", turn, np.cross(Y, arms))
        ways = np.stack([np.broadcast_to(X, moved.shape), np.broadcast_to(Y, moved.shape), np.cross(Z, moved), pitched])
        slopes = np.einsum("nki,wnki->nkw", along / length[..., None], ways)
        return length - [rod.length for rod in self.rods], slopes

    def settled(self, heave: Floats, roll: Floats) -> Floats:
        """The least-squares place (n, 4): fore, side, yaw, pitch; NaN where no rest is found."""
        free = np.zeros((len(heave), 4))
        for _ in range(200):
            misfit, slopes = self.misfits(free, heave, roll)
            step = -np.einsum("nwk,nk->nw", np.linalg.pinv(slopes), misfit)
            free = free + step
            if (np.abs(step) * [1.0, 1.0, 500.0, 500.0]).max(initial=0.0) < 1e-10:
                break
        lost = (np.abs(step) * [1.0, 1.0, 500.0, 500.0]).max(axis=1) > 1e-6
        free[lost] = np.nan
        return free


# ------------------------------------------------------------------ independent suspension


@dataclass(frozen=True)
class SwingArm:
    """An arm on an axis through two pivots; the coordinate is how far the wheel centre has risen."""

    name: str
    wheel: Vector
    pivots: tuple[Vector, Vector]
    bump_mm: float
    droop_mm: float

    @property
    def travel(self) -> Travel:
        return Travel((f"{self.name}.bump",), (-self.droop_mm,), (self.bump_mm,))

    def angles(self, rise: Floats) -> Floats:
        """Right-handed angle about the axis from the first pivot to the second: ρ cos(θ − φ) = height over the axis."""
        axis = unit(np.subtract(self.pivots[1], self.pivots[0]))
        arm = np.subtract(self.wheel, self.pivots[0])
        across = arm - axis * (arm @ axis)
        sideways = np.cross(axis, arm)
        size, phase = math.hypot(across[2], sideways[2]), math.atan2(sideways[2], across[2])
        return np.asarray(phase - math.copysign(1.0, phase) * np.arccos((rise + across[2]) / size))

    def frames(self, pose: Pose) -> Frames:
        axis = unit(np.subtract(self.pivots[1], self.pivots[0]))
        return about_point(turn_about(axis, self.angles(pose[f"{self.name}.bump"])), self.pivots[0])


@dataclass(frozen=True)
class Upright:
    """A wheel on rods, and, as a strut, on an axis that is fixed to the upright and slides through ``top``.

    Five rods, or three with ``top`` (fixed to the body) and ``foot`` (a second point of the axis, fixed
    to the upright). Coordinates: the height of the wheel centre, and, with ``rack_mm``, how far the
    steering rod's body end has slid along y. ``steering``: which rod that is.
    """

    name: str
    wheel: Vector
    bump_mm: float
    droop_mm: float
    rods: tuple[Rod, ...]
    steering: int = -1
    rack_mm: float = 0.0
    top: Vector | None = None
    foot: Vector | None = None

    @property
    def travel(self) -> Travel:
        names, low, high = (f"{self.name}.bump",), (-self.droop_mm,), (self.bump_mm,)
        if self.rack_mm:
            return Travel((*names, f"{self.name}.rack"), (*low, -self.rack_mm), (*high, self.rack_mm))
        return Travel(names, low, high)

    def frames(self, pose: Pose) -> Frames:
        """Newton's method from the scan pose, followed to the pose in 12 steps, or in 200 where that does not do."""
        rise = pose[f"{self.name}.bump"]
        rack = pose[f"{self.name}.rack"] if self.rack_mm else np.zeros_like(rise)
        turn, shift = self.followed(rise, rack, 12)
        lost = self.missing((turn, shift), rack)
        if lost.any():
            turn[lost], shift[lost] = self.followed(rise[lost], rack[lost], 200)
            turn[self.missing((turn, shift), rack)] = np.nan
        return about_point(turn, self.wheel, shift)

    def missing(self, frame: Frames, rack: Floats) -> NDArray[np.bool_]:
        """Which frames (n,) do not meet the demands to 1e-7."""
        return ~(np.abs(self.misfits(frame, rack)[0]).max(axis=1) < 1e-7)

    def followed(self, rise: Floats, rack: Floats, steps: int) -> Frames:
        """Turns and shifts of the wheel centre, found in so many steps from the scan pose."""
        turn, shift = np.broadcast_to(np.eye(3), (len(rise), 3, 3)).copy(), np.zeros((len(rise), 3))
        for share in np.linspace(0.0, 1.0, steps + 1)[1:]:
            shift = triples(shift[:, 0], shift[:, 1], share * rise)
            for _ in range(12 if share == 1.0 else 3):
                misfit, slopes = self.misfits((turn, shift), share * rack)
                lost = ~(np.abs(slopes).max(axis=(1, 2)) < 1e6)  # gone astray
                slopes[lost] = np.eye(5)
                lost |= np.linalg.det(slopes) == 0.0
                step = np.linalg.solve(np.where(lost[:, None, None], np.eye(5), slopes), -misfit[..., None])[..., 0]
                step[lost] = np.nan
                size = np.linalg.norm(step[:, 2:], axis=1)
                turn = turn_about(step[:, 2:] / np.where(size > 0.0, size, 1.0)[:, None], size) @ turn
                shift = shift + triples(step[:, 0], step[:, 1], 0.0)
                if np.abs(step[~lost]).max(initial=0.0) < 1e-11:
                    break
        return turn, shift

    def misfits(self, frame: Frames, rack: Floats) -> tuple[Floats, Floats]:
        """The five demands (n, 5) and their slopes (n, 5, 5) by x, y and a small turn about the wheel centre."""
        turn, shift = frame
        wheel = np.array(self.wheel)
        body = np.broadcast_to([rod.body for rod in self.rods], (len(rack), len(self.rods), 3)).copy()
        body[:, self.steering, 1] += rack
        arms = np.einsum("nij,kj->nki", turn, [rod.carried for rod in self.rods] - wheel)
        along = arms + (wheel + shift)[:, None] - body
        length = np.linalg.norm(along, axis=2, keepdims=True)
        misfit = length[..., 0] - [rod.length for rod in self.rods]
        slopes = np.concatenate([(along / length)[..., :2], np.cross(arms, along / length)], axis=2)
        if self.top is None or self.foot is None:
            return misfit, slopes
        leg = np.subtract(self.top, self.foot)
        across = np.einsum("nij,kj->nki", turn, np.linalg.svd(leg[None])[2][1:])
        arm = turn @ (np.array(self.foot) - wheel)
        away = np.array(self.top) - (arm + wheel + shift)
        off = np.einsum("nki,ni->nk", across, away)
        turned = np.cross(across, away[:, None]) - np.cross(arm[:, None], across)
        off_slopes = np.concatenate([-across[..., :2], turned], axis=2)
        return np.concatenate([misfit, off], axis=1), np.concatenate([slopes, off_slopes], axis=1)


# ------------------------------------------------------------------ steering


def outer_angle(inner: float, spacing_mm: float, wheelbase_mm: float) -> float:
    """The outer wheel's angle by cot(outer) − cot(inner) = kingpin spacing / wheelbase."""
    return math.atan(1.0 / (1.0 / math.tan(inner) + spacing_mm / wheelbase_mm))


@dataclass(frozen=True)
class SteeredWheel:
    """A wheel about its kingpin. Coordinate ``NAME.steer`` t, positive to the right, −T … T, T = (inner + outer)/2.

    The wheel turns about its kingpin by a t + b t², such that at t = T and at t = −T its plane, seen from
    above, has turned by its locks: the right wheel by ``inner`` to the right and by ``outer`` to the left,
    the left wheel the other way about. Upright kingpins: a = 1, b = ± (inner − outer) / (2 T²).
    A positive turn about the UPWARD kingpin moves x toward y: the rear (+x) goes right and so the front
    goes left. A steer to the right is the negative turn.
    """

    name: str
    side: str
    lower: Vector
    upper: Vector
    inner: float
    outer: float

    @property
    def travel(self) -> Travel:
        most = (self.inner + self.outer) / 2.0
        return Travel((f"{self.name}.steer",), (-most,), (most,))

    @property
    def kingpin(self) -> Floats:
        """Its unit direction, upward."""
        kingpin = unit(np.subtract(self.upper, self.lower))
        return np.asarray(kingpin * math.copysign(1.0, kingpin[2]))

    def seen_from_above(self, turned: float) -> float:
        """How far to the right the wheel's plane has turned when the wheel turned by so much to the right.

        Its spindle along y at the scan pose; a turn to the right brings y toward x (rearward).
        """
        spindle = turn_about(self.kingpin, np.array([-turned]))[0] @ Y
        return math.atan2(spindle[0], spindle[1])

    def turned_at(self, seen: float) -> float:
        """The turn about the kingpin that is seen as so much."""
        return float(brentq(lambda turned: self.seen_from_above(turned) - seen, -1.6, 1.6, xtol=1e-14))

    def angles(self, steer: Floats) -> Floats:
        """The turn about the kingpin, positive to the right."""
        locks = (self.inner, self.outer) if self.side == "right" else (self.outer, self.inner)
        right, left, most = self.turned_at(locks[0]), -self.turned_at(-locks[1]), sum(locks) / 2.0
        return (right + left) / (2.0 * most) * steer + (right - left) / (2.0 * most**2) * steer**2

    def frames(self, pose: Pose) -> Frames:
        return about_point(turn_about(self.kingpin, -self.angles(pose[f"{self.name}.steer"])), self.lower)


@dataclass(frozen=True)
class Pitman:
    """An arm about its sector shaft whose tip a rod of fixed length joins to a point that moves.

    |a + r cos θ + s sin θ − o| = rod: A cos θ + B sin θ = C, θ = φ ± acos(C/√(A² + B²)), the branch of
    the scan pose; NaN past the dead centre.
    """

    centre: Vector
    axis: Vector
    tip: Vector
    other: Vector
    on: Motion

    @property
    def travel(self) -> Travel:
        return self.on.travel

    def angles(self, pose: Pose) -> Floats:
        axis, arm = unit(self.axis), np.subtract(self.tip, self.centre)
        hub = np.array(self.centre) + axis * (arm @ axis)
        along, sideways = self.tip - hub, np.cross(axis, self.tip - hub)
        rod = math.dist(self.tip, self.other)

        def halves(other: Floats) -> tuple[Floats, Floats]:
            away = hub - other
            a, b = 2.0 * away @ along, 2.0 * away @ sideways
            c = rod**2 - (away**2).sum(axis=-1) - along @ along
            with np.errstate(invalid="ignore"):
                return np.arctan2(b, a), np.arccos(c / np.hypot(a, b))

        phase, spread = halves(np.array([self.other], dtype=float))
        sign = -1.0 if abs(math.remainder(float(phase[0] - spread[0]), math.tau)) < 1e-6 else 1.0
        phase, spread = halves(points_at(self.on, pose, self.other)[:, 0])
        return np.asarray((phase + sign * spread + math.pi) % math.tau - math.pi)

    def frames(self, pose: Pose) -> Frames:
        return about_point(turn_about(unit(self.axis), self.angles(pose)), self.centre)


# ------------------------------------------------------------------ mounts and frame


@dataclass(frozen=True)
class RockingUnit:
    """A drive unit: turned about an axis by −reverse … drive, ± surge along x, and down by 0 … settle."""

    name: str
    point: Vector
    axis: Vector
    drive: float
    reverse: float
    surge_mm: float = 0.0
    settle_mm: float = 0.0

    @property
    def travel(self) -> Travel:
        names = tuple(f"{self.name}.{word}" for word in ("rock", "surge", "settle"))
        return Travel(names, (-self.reverse, -self.surge_mm, 0.0), (self.drive, self.surge_mm, self.settle_mm))

    def frames(self, pose: Pose) -> Frames:
        rock, surge, settle = (pose[name] for name in self.travel.names)
        return about_point(turn_about(unit(self.axis), rock), self.point, triples(surge, 0.0, -settle))


def rock_angle(torque_nm: float, mounts: list[tuple[float, float]]) -> float:
    """T / Σ k r², of (rate N/mm, distance from the axis mm)."""
    return torque_nm * 1000.0 / sum(rate * reach**2 for rate, reach in mounts)


@dataclass(frozen=True)
class Twisted:
    """A thing at station x is turned about the x axis through y = 0, z = height by twist · (x − from) / between."""

    name: str
    station_x: float
    half: float
    between_mm: float
    from_x: float
    height_z: float

    @property
    def travel(self) -> Travel:
        return Travel((f"{self.name}.twist",), (-self.half,), (self.half,))

    def frames(self, pose: Pose) -> Frames:
        angle = pose[f"{self.name}.twist"] * (self.station_x - self.from_x) / self.between_mm
        return about_point(turn_about(X, angle), (0.0, 0.0, self.height_z))
