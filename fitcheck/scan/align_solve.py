"""The best fit: the rotation and shift that leave the least weighted squares of all equations.

In closed form where every target is known in all three axes; else by Levenberg's damped
Gauss–Newton steps on the rotation vector (Levenberg, Q. Appl. Math. 2 (1944) 164), from starts all
over the rotations, as half a turn often fits nearly as well. Steps are rotations, so no
answer is ever mirrored.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fitcheck.scan.align_equations import Equations
from fitcheck.scan.align_rigid import RigidFit, fit_rigid, spread_of

Floats = NDArray[np.float64]

_STARTS, _FIRST_STEPS, _STEPS, _POLISH = 64, 12, 60, 12
_SAME_TURN = 0.02  # radians: nearer together, two minima are one
_SMALL, _SETTLED = 1e-9, 1e-12  # a step, as a share of the size of it all: then polish; then it changes nothing


def best_fits(eq: Equations) -> tuple[RigidFit, ...]:
    """All rotations and shifts that are least squares among their neighbours, the best first; at least one.

    Where the equations do not fix the six degrees of freedom they are some of many. No equations at all:
    the fit that moves nothing.
    """
    if eq.count == 0:
        return (RigidFit(np.eye(3), np.zeros(3), np.zeros(3)),)
    if eq.complete:
        return (_closed_form(eq),)
    near = _apart(*_descend(eq, _rotations_all_over(_STARTS), _FIRST_STEPS))
    fits = [_polished(eq, rotation) for rotation in _apart(*_descend(eq, near, _STEPS))]
    return tuple(sorted(fits, key=lambda fit: cost_of(eq, fit)))


def _apart(rotations: Floats, costs: Floats) -> Floats:
    """Of rotations that are one and the same, the best; the best of all first."""
    found: list[Floats] = []
    for k in np.argsort(costs, kind="stable"):
        if all(_angle_between(rotations[k], other) > _SAME_TURN for other in found):
            found.append(rotations[k])
    return np.array(found)


def refined(eq: Equations, start: RigidFit) -> RigidFit:
    """The least squares near a fit."""
    if eq.complete:
        return _closed_form(eq)
    rotations, _ = _descend(eq, start.rotation[None], _STEPS)
    return _polished(eq, rotations[0])


def cost_of(eq: Equations, fit: RigidFit) -> float:
    """Σ (weight · residual)² in mm²."""
    return float(((eq.weights * eq.residuals(fit)) ** 2).sum())


def same_turn(one: RigidFit, other: RigidFit) -> bool:
    """Whether two fits are one and the same but for rounding."""
    return _angle_between(one.rotation, other.rotation) <= _SAME_TURN


def _closed_form(eq: Equations) -> RigidFit:
    """Three equations a target, in the order of the axes."""
    return fit_rigid(eq.points[::3], eq.values.reshape(-1, 3), eq.weights[::3] ** 2)


def _rotations_all_over(count: int) -> Floats:
    """(count, 3, 3) rotations spread evenly, the first turning nothing (Alexa, super-Fibonacci spirals, CVPR 2022)."""
    s = np.arange(count) + 0.5
    turns = 2.0 * np.pi * s[:, None] / np.array([math.sqrt(2.0), 1.533751168755204288118041])
    small, large = np.sqrt(s / count)[:, None], np.sqrt(1.0 - s / count)[:, None]
    one, other = turns[:, :1], turns[:, 1:]
    quaternions = np.hstack([small * np.sin(one), small * np.cos(one), large * np.sin(other), large * np.cos(other)])
    spread = np.array([_of_quaternion(q) for q in quaternions])
    return np.concatenate([np.eye(3)[None], spread])


def _of_quaternion(q: Floats) -> Floats:
    x, y, z, w = q
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def _angle_between(one: Floats, other: Floats) -> float:
    return float(np.linalg.norm(one - other)) / math.sqrt(2.0)  # |R − R′| = 2√2 sin(angle/2)


def _turned(vectors: Floats) -> Floats:
    """(s, 3, 3) rotations about (s, 3) rotation vectors in radians (Rodrigues)."""
    angles = np.linalg.norm(vectors, axis=1)[:, None, None]
    x, y, z = vectors.T
    zero = np.zeros(len(vectors))
    cross = np.array([[zero, -z, y], [z, zero, -x], [-y, x, zero]]).transpose(2, 0, 1)
    first = np.sinc(angles / np.pi)
    second = 0.5 * np.sinc(angles / (2.0 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


class _Frame:
    """The equations about the middle of their marks, lengths over ``size``, so that turns and shifts weigh alike."""

    def __init__(self, eq: Equations) -> None:
        places = eq.points[eq.carried > 0.0]
        self.middle = places.mean(axis=0) if len(places) else np.zeros(3)
        self.points = eq.points - eq.carried[:, None] * self.middle
        self.size = max(1e-9, float(np.sqrt((self.points**2).sum(axis=1).max())))
        self.units = np.eye(3)[eq.axes]
        self.eq = eq

    def placed(self, rotations: Floats) -> Floats:
        """(s, 3) the best place of the middle for each rotation; 0 along an axis of which nothing is known."""
        eq = self.eq
        missing = eq.weights**2 * eq.carried * (eq.values - self._along(rotations))
        axes = np.eye(3)[eq.axes]
        share = (eq.weights**2 * eq.carried**2) @ axes
        return np.asarray((missing @ axes) / np.where(share > 0.0, share, 1.0))

    def residuals(self, rotations: Floats, places: Floats) -> Floats:
        """(s, n) weighted."""
        eq = self.eq
        return np.asarray(eq.weights * (self._along(rotations) + eq.carried * places[:, eq.axes] - eq.values))

    def slopes(self, rotations: Floats) -> Floats:
        """(s, n, 6) of the weighted residuals by shift of the middle and by turn · size."""
        turned = self.points @ rotations.transpose(0, 2, 1)
        turning = np.cross(turned, self.units) / self.size
        shifting = np.broadcast_to(self.eq.carried[:, None] * self.units, turning.shape)
        return np.asarray(self.eq.weights[:, None] * np.concatenate([shifting, turning], axis=2))

    def _along(self, rotations: Floats) -> Floats:
        return np.asarray(np.einsum("snj,nj->sn", rotations[:, self.eq.axes], self.points))


def _descend(eq: Equations, rotations: Floats, most: int) -> tuple[Floats, Floats]:
    """(s, 3, 3) and (s,): where at most so many damped Gauss–Newton steps lead from each of (s, 3, 3) rotations, and
    the cost there."""
    frame = _Frame(eq)
    places = frame.placed(rotations)
    now = frame.residuals(rotations, places)
    costs, damping = (now**2).sum(axis=1), np.full(len(rotations), 1e-3)
    for _ in range(most):
        slopes = frame.slopes(rotations)
        square = np.einsum("sni,snj->sij", slopes, slopes)
        scale = np.trace(square, axis1=1, axis2=2) / 6.0 + 1e-300
        downhill = -np.einsum("sni,sn->si", slopes, now)
        steps = np.linalg.solve(square + (damping * scale)[:, None, None] * np.eye(6), downhill[..., None])[..., 0]
        tried = _turned(steps[:, 3:] / frame.size) @ rotations
        placed = places + steps[:, :3]
        then = frame.residuals(tried, placed)
        better = (then**2).sum(axis=1) < costs
        rotations = np.where(better[:, None, None], tried, rotations)
        places, now = np.where(better[:, None], placed, places), np.where(better[:, None], then, now)
        costs = (now**2).sum(axis=1)
        damping = np.clip(np.where(better, damping * 0.1, damping * 10.0), 1e-12, 1e6)
        if (np.linalg.norm(steps, axis=1) <= _SMALL * frame.size).all():
            break
    return rotations, costs


def _polished(eq: Equations, rotation: Floats) -> RigidFit:
    """Undamped steps to rounding as long as they lead down, and the rotation made exactly one again."""
    frame = _Frame(eq)
    rotations = rotation[None]
    places = frame.placed(rotations)
    now = frame.residuals(rotations, places)
    for _ in range(_POLISH):
        step = np.linalg.lstsq(frame.slopes(rotations)[0], -now[0], rcond=1e-9)[0]
        tried, placed = _turned(step[None, 3:] / frame.size) @ rotations, places + step[:3]
        then = frame.residuals(tried, placed)
        if np.linalg.norm(then) > np.linalg.norm(now) * (1.0 + 1e-12) + 1e-9:
            break
        rotations, places, now = tried, placed, then
        if np.linalg.norm(step) <= _SETTLED * frame.size:
            break
    u, _, vt = np.linalg.svd(rotations[0])
    exact = u @ vt
    marks = eq.marks[eq.mix.any(axis=0)]
    return RigidFit(exact, frame.placed(exact[None])[0] - exact @ frame.middle, spread_of(marks))
