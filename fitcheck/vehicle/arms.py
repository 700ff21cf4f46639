"""Swing arms: a wheel on an arm that turns about one axis.

A trailing arm (its axis across the vehicle), a front-view swing arm (its axis along it) and anything between.
The wheel's centre w turns about the unit axis a through c. With r = w − c its height over the scan pose is

    rise(θ) = P (cos θ − 1) + Q sin θ,   P = (r − a (a·r))_z,   Q = (a × r)_z ≥ 0

= B sin(θ + φ) − P with B = √(P² + Q²), φ = atan2(P, Q): from −(B + P) up to B − P, and closed to solve.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from fitcheck.errors import InputError
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.motion import STRAIGHT_BUMP, STRAIGHT_DROOP
from fitcheck.vehicle.scene import Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid

_SHORTEST_MM = 1.0
"""A wheel's centre that the arm lifts on a circle smaller than this is not carried by an arm."""


def swing_arm(
    name: str,
    wheel: Vector,
    pivots: tuple[Vector, Vector],
    bump_mm: float,
    droop_mm: float,
    *,
    carries: tuple[tuple[str, Solid], ...] = (),
    part_class: str = "axle",
    origin: str = "",
) -> Chain:
    """A wheel centre on an arm about the line through two pivots; its coordinate is the arm's angle, positive up.

    The angle's range is such that the wheel's centre rises by exactly ``bump_mm`` and falls by exactly ``droop_mm``
    (z, from the scan pose). Two virtual pivots do as well: see :func:`pivot_axis`. Raises InputError where the
    pivots coincide, the axis does not lift the wheel, or the travel is out of the arm's reach.
    """
    for word, travel in (("bump", bump_mm), ("droop", droop_mm)):
        if not travel >= 0.0:
            raise InputError(f"mechanism '{name}': {word}: expected a travel of 0 mm or more, found {travel:g} mm")
    axis, out, lift = _lever(name, wheel, pivots)
    up = _angle_at(name, bump_mm, out, lift)
    down = _angle_at(name, -droop_mm, out, lift)
    return Chain(
        name,
        (Coordinate("arm", down, up, "rad"),),
        (Joint("turn", axis, pivots[0]),),
        (Law((1.0,)),),
        labels=((STRAIGHT_BUMP, (0.0,), (up,)), (STRAIGHT_DROOP, (down,), (0.0,))),
        bump_mm=bump_mm,
        droop_mm=droop_mm,
        carries=carries,
        part_class=part_class,
        origin=origin,
        wheel=wheel,
    )


def pivot_axis(
    wheel: Vector,
    *,
    front_view: tuple[float, float] | None = None,
    side_view: tuple[float, float] | None = None,
) -> tuple[Vector, Vector]:
    """Two points of a wheel's axis of swing from its virtual pivots.

    ``front_view`` (y, z): about which the wheel swings as seen from the front, in the plane x of its centre;
    ``side_view`` (x, z): as seen from the side, in the plane y of its centre. The axis is the line through
    both (Milliken, Race Car Vehicle Dynamics, chapter 17: the instant axis); with one alone it is square to that
    view. Raises InputError for none.
    """
    x, y, _ = wheel
    front = None if front_view is None else (x, *front_view)
    side = None if side_view is None else (side_view[0], y, side_view[1])
    if front and side:
        return front, side
    if front:
        return front, (front[0] + 1000.0, *front[1:])
    if side:
        return side, (side[0], side[1] + 1000.0, side[2])
    raise InputError("expected a virtual pivot in the front view, in the side view or in both, found none")


def _lever(name: str, wheel: Vector, pivots: tuple[Vector, Vector]) -> tuple[Vector, float, float]:
    """The axis, so turned that a positive angle lifts the wheel, and P and Q of the rise."""
    numbers = np.array([wheel, *pivots], dtype=np.float64)
    if not np.isfinite(numbers).all():
        raise InputError(f"mechanism '{name}': expected finite places of wheel and pivots, found {wheel} and {pivots}")
    along = numbers[2] - numbers[1]
    if not np.linalg.norm(along) > 1e-6:
        raise InputError(f"mechanism '{name}': expected two pivots apart from each other, found {pivots[0]} twice")
    axis = along / np.linalg.norm(along)
    reach = numbers[0] - numbers[1]
    out, lift = float((reach - axis * (axis @ reach))[2]), float(np.cross(axis, reach)[2])
    if math.hypot(out, lift) < _SHORTEST_MM:
        raise InputError(
            f"mechanism '{name}': the pivots' axis does not lift the wheel: it is upright, or goes through its centre"
        )
    sense = math.copysign(1.0, lift)
    x, y, z = (sense * float(part) for part in axis)
    return (x, y, z), out, abs(lift)


def _angle_at(name: str, rise_mm: float, out: float, lift: float) -> float:
    """The angle at which the wheel has risen so much; 0 for none at all."""
    word, most = ("bump", math.hypot(out, lift) - out) if rise_mm > 0.0 else ("droop", math.hypot(out, lift) + out)
    if not (math.isfinite(rise_mm) and abs(rise_mm) <= most):
        raise InputError(
            f"mechanism '{name}': {word}: expected at most {most:.1f} mm, all that the arm can reach, "
            f"found {abs(rise_mm):g} mm"
        )
    if rise_mm == 0.0:
        return 0.0
    return math.asin(min(max((rise_mm + out) / math.hypot(out, lift), -1.0), 1.0)) - math.atan2(out, lift)
