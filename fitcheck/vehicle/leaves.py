"""Leaf springs in figures: the arc of the seat, the length from eye to eye, and how far an axle winds up.

The half of a spring between fixed eye and seat is a cantilever that the seat clamps and the eye loads at its tip.
With curvature κ(s) at s from the seat, the slope is θ = ∫κ, the tip moves z = ∫θ across and ½∫θ² along. A strip of
uniform strength has the same κ everywhere: z = κa²/2, along = κ²a³/6, so z²/(2·along) = ¾·a. A single uniform strip
has κ(1 − s/a): z = κa²/3, along = κ²a³/15: ⅚·a. So the seat goes along a circle of that radius about a point on the
fixed eye's side. (Beam bending; the tests integrate it.)
"""

from __future__ import annotations

import math

from fitcheck.errors import InputError
from fitcheck.vehicle.masses import GRAVITY

UNIFORM_STRENGTH, UNIFORM_STRIP = 3.0 / 4.0, 5.0 / 6.0
"""The seat's arc over the half length, for a spring that tapers like its bending moment, and for one single strip."""


def seat_shift_mm(height_mm: float, half_length_mm: float, factor: float = UNIFORM_STRENGTH) -> float:
    """How far the seat has gone toward the fixed eye when it stands so high over the flat spring: z² / (2R)."""
    return height_mm**2 / (2.0 * factor * half_length_mm)


def chord_mm(strip_mm: float, camber_mm: float) -> float:
    """Eye to eye in a straight line, of a strip bent to a flat arc: S − 8c² / (3S) (series of the arc's length)."""
    return strip_mm - 8.0 * camber_mm**2 / (3.0 * strip_mm)


def shackle_swing_mm(strip_mm: float, from_camber_mm: float, to_camber_mm: float) -> float:
    """How far the shackle's eye goes away from the fixed eye between two cambers; toward it: negative."""
    return chord_mm(strip_mm, to_camber_mm) - chord_mm(strip_mm, from_camber_mm)


def wind_up_nm_deg(rates_n_mm: tuple[float, float], lengths_mm: tuple[float, float], springs: int = 2) -> float:
    """Torque for a degree of an axle on leaf springs: Σ k·a² of the front and the rear half of each spring.

    ``rates_n_mm``: of each half alone at its tip. A symmetrical spring of rate k at its seat has halves of k/2.
    """
    each = sum(rate * length**2 for rate, length in zip(rates_n_mm, lengths_mm, strict=True))
    return springs * each / 1000.0 * math.radians(1.0)


def axle_torque_nm(torque_nm: float | None, *, grip: float, axle_load_kg: float, loaded_radius_mm: float) -> float:
    """What can turn an axle: what drives it (None: not said), but no more than its tyres hold, μ·m·g·r."""
    held = grip * axle_load_kg * GRAVITY * loaded_radius_mm / 1000.0
    return held if torque_nm is None else min(torque_nm, held)


def leaf_wind_up_deg(
    rate_n_mm: float,
    half_length_mm: float | tuple[float, float],
    torque_nm: float | None,
    grip: float,
    axle_load_kg: float,
    loaded_radius_mm: float,
    springs: int = 2,
) -> float:
    """How far an axle turns on its leaf springs under full torque, in degrees.

    ``rate_n_mm``: of one spring at its seat. ``half_length_mm``: from the seat to either eye, or (front, rear)
    where they differ: a strip of uniform strength is then as stiff at a tip as 1 / a³, and both tips together at the
    seat give the rate. Raises InputError for a rate, length, grip, load or radius that is not above 0.
    """
    front, rear = (half_length_mm, half_length_mm) if isinstance(half_length_mm, (int, float)) else half_length_mm
    given = {
        "rate": rate_n_mm, "front half length": front, "rear half length": rear, "grip": grip,
        "axle load": axle_load_kg, "loaded radius": loaded_radius_mm, "springs": springs,
    }  # fmt: skip
    for word, number in given.items():
        if not (math.isfinite(number) and number > 0.0):
            raise InputError(f"wind-up: {word}: expected more than 0, found {number:g}")
    if torque_nm is not None and not (math.isfinite(torque_nm) and torque_nm >= 0.0):
        raise InputError(f"wind-up: torque: expected 0 N·m or more, found {torque_nm:g}")
    torque = axle_torque_nm(torque_nm, grip=grip, axle_load_kg=axle_load_kg, loaded_radius_mm=loaded_radius_mm)
    return torque / wind_up_nm_deg(half_rates_n_mm(rate_n_mm, front, rear), (front, rear), springs)


def half_rates_n_mm(rate_n_mm: float, front_mm: float, rear_mm: float) -> tuple[float, float]:
    """Tip rates of both halves of a spring whose seat has a rate of ``rate_n_mm`` and does not turn."""
    front, rear = front_mm**-3, rear_mm**-3
    return rate_n_mm * front / (front + rear), rate_n_mm * rear / (front + rear)
