"""What speed does to a propeller shaft: uneven turning of its joints, critical speed, whirl, road speed.

Angles in degrees, lengths in mm, speeds in turns a minute unless said. Formulas are closed
forms; the chart of angles by speed is driveline makers' practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

ANGLE_CHART: tuple[tuple[float, float], ...] = (
    (5000.0, 3.2),
    (4500.0, 3.7),
    (4000.0, 4.2),
    (3500.0, 5.0),
    (3000.0, 5.8),
    (2500.0, 7.0),
    (2000.0, 8.7),
    (1500.0, 11.5),
)
"""Shaft speed and the largest joint angle at it. Source: driveline makers' chart; below 3500 rpm from memory."""

CHART_READ_RPM = 3500.0
"""From here up the chart's rows are as printed; below from memory."""

ACCELERATION_RAD_S2 = 1000.0
"""About the peak acceleration ω²θ² that the chart allows at any speed: its rows lie between 850 and 1025."""

BIND_DEG = 30.0
"""About where the metal of an ordinary cross joint meets metal. Source: a driveline maker's page."""

HALF_CRITICAL = 0.08
"""How far to keep from half the critical speed, as a part of it. Source: driveline makers' practice."""


@dataclass(frozen=True)
class AngleLimit:
    """The largest angle for a speed; ``note`` says where the chart does not hold it as printed."""

    deg: float
    note: str = ""


def angle_limit_deg(rpm: float) -> AngleLimit:
    """The chart's angle at a speed: between its rows linear in 1/rpm; beyond them angle × speed stays as at its end.

    Never more than the angle at which a joint binds; of a shaft that stands still: that one.
    """
    if rpm <= 0.0:
        return AngleLimit(BIND_DEG, "it does not turn")
    fastest, slowest = ANGLE_CHART[0], ANGLE_CHART[-1]
    if rpm > fastest[0]:
        return AngleLimit(fastest[0] * fastest[1] / rpm, f"beyond the chart, which ends at {fastest[0]:.0f} rpm")
    if rpm < slowest[0]:
        carried_on = min(slowest[0] * slowest[1] / rpm, BIND_DEG)
        return AngleLimit(carried_on, f"below the chart, which begins at {slowest[0]:.0f} rpm; from memory")
    found = _between_rows(1.0 / rpm)
    return AngleLimit(found, "" if rpm >= CHART_READ_RPM else "this part of the chart from memory")


def _between_rows(minutes: float) -> float:
    """The chart's angle where a turn takes so many minutes."""
    for (fast, small), (slow, large) in pairwise(ANGLE_CHART):
        if minutes <= 1.0 / slow:
            share = (minutes - 1.0 / fast) / (1.0 / slow - 1.0 / fast)
            return small + share * (large - small)
    return ANGLE_CHART[-1][1]


def speed_for_angle_rpm(angle_deg: float) -> float | None:
    """The greatest speed at which the chart allows an angle; None at no angle (any), 0 where a joint binds."""
    if angle_deg <= 0.0:
        return None
    if angle_deg >= BIND_DEG:
        return 0.0
    low, high = 0.0, 2.0 * ANGLE_CHART[0][0] * ANGLE_CHART[0][1] / angle_deg
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if angle_limit_deg(middle).deg >= angle_deg else (low, middle)
    return low


def angle_by_acceleration_deg(rpm: float) -> float:
    """The angle at which ω²θ² is :data:`ACCELERATION_RAD_S2`: √1000 / ω."""
    return math.degrees(math.sqrt(ACCELERATION_RAD_S2) / turn_rate_rad_s(rpm))


def turn_rate_rad_s(rpm: float) -> float:
    """ω = 2π n / 60."""
    return rpm * math.pi / 30.0


def output_speeds_rpm(speed_rpm: float, joint_deg: float) -> tuple[float, float]:
    """Least and greatest output speed of a cross joint over a turn: N cos b and N / cos b."""
    lean = math.cos(math.radians(joint_deg))
    return speed_rpm * lean, speed_rpm / lean


def swing_pct(joint_deg: float) -> float:
    """Greatest less least output speed of a cross joint, % of the input's: sin b · tan b."""
    angle = math.radians(joint_deg)
    return 100.0 * math.sin(angle) * math.tan(angle)


def peak_acceleration_rad_s2(rpm: float, joint_deg: float) -> float:
    """Greatest angular acceleration behind a cross joint that is driven evenly, exact.

    From tan(out) = tan(in) cos b: a = ω² cos b · s² sin 2f / (1 − s² cos² f)² with s = sin b, greatest where
    cos 2f = √(k² + 2) − k, k = (1 − s²/2)/s² (its derivative set to nought; closed form).
    """
    angle = math.radians(joint_deg)
    square = math.sin(angle) ** 2
    if square == 0.0:
        return 0.0
    steep = (1.0 - square / 2.0) / square
    cosine = 2.0 / (steep + math.sqrt(steep**2 + 2.0))
    under = (1.0 - square / 2.0 * (1.0 + cosine)) ** 2
    return turn_rate_rad_s(rpm) ** 2 * math.cos(angle) * square * math.sqrt(1.0 - cosine**2) / under


def small_angle_acceleration_rad_s2(rpm: float, joint_deg: float) -> float:
    """The same for small angles: ω² θ²."""
    return (turn_rate_rad_s(rpm) * math.radians(joint_deg)) ** 2


def left_over_deg(first_deg: float, second_deg: float, between_deg: float = 0.0, *, phased: bool = True) -> float:
    """The one joint that turns as unevenly as two on one shaft: √|θ₁² − θ₂² e^{2iγ}|, good for small angles.

    ``between_deg`` is γ, the angle about the shaft between the planes in which the two joints bend: 0 in one plane
    (√|θ₁² − θ₂²|), 90 adds both up as yokes a quarter turn out of phase do. Each joint adds θ²/4 · sin 2(ψ − plane)
    to the angle of turning ψ: second harmonics that add like vectors (closed form to second order).
    """
    turn = 2.0 * math.radians(between_deg)
    first, second = first_deg**2, second_deg**2 * (1.0 if phased else -1.0)
    return math.sqrt(math.hypot(first - second * math.cos(turn), second * math.sin(turn)))


def critical_rpm(length_mm: float, diameter_mm: float, *, wall_mm: float, sound_m_s: float) -> float:
    """First critical speed of a uniform tube on pinned ends: (30 π / L²) √(E/ρ) ¼ √(Do² + Di²).

    ``sound_m_s`` is √(E/ρ). Source: Euler-Bernoulli beam, closed form. Other models of the
    same shaft (mass lumped at mid-span, sag) give other speeds.
    """
    inner = diameter_mm - 2.0 * wall_mm
    gyration = math.hypot(diameter_mm, inner) / 4.0 / 1000.0
    return 30.0 * math.pi / (length_mm / 1000.0) ** 2 * sound_m_s * gyration


def whirl_mm(eccentricity_mm: float, share: float) -> float | None:
    """How far the middle of a shaft bows out whose mass is off its axis: e r² / (1 − r²), r the share of critical.

    None at or over the critical speed. Source: one mass on a light shaft, closed form.
    """
    return None if share >= 1.0 else eccentricity_mm * share**2 / (1.0 - share**2)


def shaft_rpm(road_km_h: float, *, wheel_radius_mm: float, ratio: float) -> float:
    """Turns a minute at a road speed: v / (2 π r) · ratio, r the loaded radius.

    A tyre rolls on a radius a little larger than that: the speed is a few per cent too high, which is the safe side.
    """
    return road_km_h / 3.6 * 1000.0 / (2.0 * math.pi * wheel_radius_mm) * 60.0 * ratio
