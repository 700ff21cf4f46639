"""Circles seen from the side: planes tangent to a tyre, apexes over two wheels, chords of a turn.

Two-dimensional. ``along`` is the horizontal distance of a point outside an axle in
mm (0 under the wheel centre, growing away from it), ``height`` its height over the
ground in mm; the wheel stands on the ground with its loaded radius. Angles in degrees.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InternalError

Floats = NDArray[np.float64]

APEX_ONE_IN_FIFTEEN_DEG = 2.0 * math.degrees(math.atan(1.0 / 15.0))
"""7 deg 38 min: two planes that rise 1 in 15 to an apex. Source: Australian Design Rule 43/04, 6.4.3."""


def tangent_deg(along_mm: ArrayLike, height_mm: ArrayLike, *, loaded_mm: float, ball_mm: float = 0.0) -> Floats:
    """Angle to the ground of the plane that is tangent to a tyre and touches a point outside its axle.

    With D the distance from the wheel centre and e the elevation of the point seen from
    there: angle = e + asin(R / D), the same as asin(R / D) - atan((R - h) / d). A point on
    the ground gives 0, below it a negative angle. A ball round the point: asin((R - q) / D),
    the outer common tangent. Inside the tyre's circle no tangent plane meets the point: +inf.
    ``along_mm`` >= 0 and ``height_mm`` broadcast against each other; the answer has their shape.

    Source: closed form from the wording of ISO 612 (planes tangent to the statically loaded tyres).
    """
    along = np.asarray(along_mm, dtype=np.float64)
    rise = np.asarray(height_mm, dtype=np.float64) - loaded_mm
    reach = np.hypot(along, rise)
    lean = loaded_mm - ball_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        sine = np.clip(np.where(reach > 0.0, lean / reach, np.inf), -1.0, 1.0)
    angle = np.degrees(np.arctan2(rise, along) + np.arcsin(sine))
    return np.asarray(np.where(reach < lean, np.inf, angle))


def apex_deg(front_mm: float, rear_mm: float, height_mm: float) -> float:
    """Ramp angle over a point between two wheels without size: atan(h / a) + atan(h / b).

    ``front_mm`` and ``rear_mm`` are the distances to the two axles. In the middle of
    a wheelbase L this is 2 atan(2 h / L). Real tyres allow more: see :func:`tangent_deg`.
    """
    return math.degrees(math.atan2(height_mm, front_mm) + math.atan2(height_mm, rear_mm))


def height_for_apex_mm(front_mm: float, rear_mm: float, apex: float = APEX_ONE_IN_FIFTEEN_DEG) -> float:
    """Least height of a point that still passes over an apex: the inverse of :func:`apex_deg`.

    From tan(apex) = h (a + b) / (a b - h^2); 0 < ``apex`` < 90 degrees.
    """
    if not 0.0 < apex < 90.0:
        raise InternalError(f"an apex lies between 0 and 90 degrees, not at {apex}")
    tangent, base = math.tan(math.radians(apex)), front_mm + rear_mm
    return (math.sqrt(base**2 + 4.0 * front_mm * rear_mm * tangent**2) - base) / (2.0 * tangent)


def arc_height_mm(track_mm: float, lateral_mm: float, height_mm: float) -> float:
    """Height of the top of the arc through both tyre footprints of an axle and one point under it.

    ``lateral_mm`` from the middle of the axle, ``height_mm`` > 0 over the ground. With
    k = (T^2/4 - y^2 - z^2) / (2 z), the depth of the arc's centre below the ground, the
    top is at sqrt(k^2 + T^2/4) - k. Source: Directive 92/53/EEC, Annex II A, 4.5.5.
    """
    if height_mm <= 0.0:
        raise InternalError("the arc under an axle needs a point over the ground")
    quarter = track_mm**2 / 4.0
    depth = (quarter - lateral_mm**2 - height_mm**2) / (2.0 * height_mm)
    return math.hypot(depth, track_mm / 2.0) - depth


def turn_chord_mm(radius_mm: float, angle_deg: float) -> float:
    """How far a point moves that turns by an angle: 2 r sin(angle / 2)."""
    return 2.0 * radius_mm * math.sin(math.radians(abs(angle_deg)) / 2.0)


def turn_shift_mm(radius_mm: float, angle_deg: float) -> tuple[float, float]:
    """The same turn as (across the radius, towards the axis): r sin(angle), r (1 - cos(angle))."""
    turn = math.radians(abs(angle_deg))
    return radius_mm * math.sin(turn), radius_mm * (1.0 - math.cos(turn))


def sagitta_mm(radius_mm: float, sides: int) -> float:
    """What an inscribed polygon hides of a circle: R (1 - cos(pi / N)); a clearance to it is too large by this."""
    return radius_mm * (1.0 - math.cos(math.pi / sides))
