"""Yaw, pitch and roll in degrees: the one order of rotation, and angles that look like radians."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fitcheck.layout.requests import Turn

Floats = NDArray[np.float64]

RADIANS_WITHIN = 2e-3
"""How near a typed angle must be to a round fraction of π to look like radians: 3.14 does, 5.5 does not."""


def rotation_of(turn: Turn | None) -> Floats:
    """R = Rz(yaw)·Ry(pitch)·Rx(roll), (3, 3): roll first, then pitch, then yaw; exact at multiples of 90°."""
    if turn is None:
        return np.eye(3)
    yaw, pitch, roll = (_about(axis, angle or 0.0) for axis, angle in ((2, turn.yaw), (1, turn.pitch), (0, turn.roll)))
    return yaw @ pitch @ roll


def turn_words(turn: Turn | None) -> str:
    """The turn in words, in the order in which it is applied; '' when nothing turns."""
    if turn is None:
        return ""
    angles = (("roll", turn.roll), ("pitch", turn.pitch), ("yaw", turn.yaw))
    return ", then ".join(f"{word} {angle:.10g}°" for word, angle in angles if angle)


def radians_warnings(turn: Turn | None) -> list[str]:
    """One warning for each angle within ±2π that is a multiple of π/6 or π/4, as nobody types degrees."""
    if turn is None:
        return []
    angles = (("yaw", turn.yaw), ("pitch", turn.pitch), ("roll", turn.roll))
    return [
        f"turn.{word} is {angle:g}: turns are in degrees, and this looks like radians ({math.degrees(angle):.4g}°)"
        for word, angle in angles
        if angle is not None and _looks_like_radians(angle)
    ]


def _looks_like_radians(angle: float) -> bool:
    if not 0.1 < abs(angle) < 2.0 * math.pi + RADIANS_WITHIN:
        return False
    return any(abs(angle - round(angle / step) * step) <= RADIANS_WITHIN for step in (math.pi / 6, math.pi / 4))


def _about(axis: int, degrees: float) -> Floats:
    """Right-handed turn about one vehicle axis."""
    matrix = np.eye(3)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    cos, sin = _cos_sin(degrees)
    matrix[i, i], matrix[i, j], matrix[j, i], matrix[j, j] = cos, -sin, sin, cos
    return matrix


def _cos_sin(degrees: float) -> tuple[float, float]:
    quarter, rest = divmod(degrees, 90.0)
    if rest == 0.0:  # so that a right angle gives round coordinates
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    return math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
