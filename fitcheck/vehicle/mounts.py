"""Drive units on rubber mounts, frames that twist, and the stiffness of what they hang on.

A unit on mounts of rates kᵢ at distances rᵢ from its elastic axis has K = Σ kᵢ·rᵢ² about it and turns by T / K. What
counts is the torque that acts on the unit from outside: a unit with its reduction inside reacts its output torque,
about x if it drives a propeller shaft, about y if it drives wheels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fitcheck.errors import InputError
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.masses import GRAVITY
from fitcheck.vehicle.motion import DRIVE, REVERSE, ROCKED, TWISTED
from fitcheck.vehicle.scene import Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid

STEEL_N_MM2 = 205_000.0
"""Young's modulus of structural steel. Source: common practice, 200 to 210 GPa."""

FREE_ENDS, BUILT_IN = 48.0, 192.0
"""Beam with a load in the middle, k = factor·E·I / L³: ends free to turn, ends built in. Source: beam bending."""

_MOST_ROCK_DEG = 45.0


@dataclass(frozen=True)
class Mount:
    """A rubber mount: where, and its rate across the line to the elastic axis."""

    at: Vector
    rate_n_mm: float


def rock_nm_deg(mounts: Sequence[Mount], axis_point: Vector, axis: Vector) -> float:
    """Torque for a degree of rock about an axis: Σ k·r². Raises InputError where no mount holds against it."""
    along = np.array(axis, dtype=np.float64)
    length = float(np.linalg.norm(along))
    if not (np.isfinite(along).all() and length > 1e-9):
        raise InputError(f"rocking: expected an axis with a direction, found {axis}")
    stiffness = 0.0
    for mount in mounts:
        if not (math.isfinite(mount.rate_n_mm) and mount.rate_n_mm > 0.0):
            raise InputError(f"mount at {mount.at}: expected a rate of more than 0 N/mm, found {mount.rate_n_mm:g}")
        off = np.linalg.norm(np.cross(np.subtract(mount.at, axis_point), along / length))
        stiffness += mount.rate_n_mm * float(off) ** 2
    if not (math.isfinite(stiffness) and stiffness > 1.0):
        raise InputError("rocking: expected mounts apart from the axis, which hold it against the torque; found none")
    return stiffness / 1000.0 * math.radians(1.0)


def rock_deg(torque_nm: float, mounts: Sequence[Mount], axis_point: Vector, axis: Vector) -> float:
    """How far a torque from outside turns a unit on its mounts, in degrees."""
    return torque_nm / rock_nm_deg(mounts, axis_point, axis)


def rocking_unit(
    name: str,
    axis_point: Vector,
    axis: Vector,
    *,
    mounts: tuple[Mount, ...] = (),
    torque_nm: tuple[float, float] | None = None,
    drive_deg: float | None = None,
    reverse_deg: float | None = None,
    surge_mm: float = 0.0,
    settle_mm: float = 0.0,
    carries: tuple[tuple[str, Solid], ...] = (),
    part_class: str = "drive_unit",
    origin: str = "",
) -> Chain:
    """A drive unit that rocks about its elastic axis, surges fore and aft, and settles.

    ``torque_nm`` (drive, reverse), each 0 or more, with ``mounts``; or the angles as measured, which come before
    the torques. Drive turns it right-handed about ``axis``. Coordinates: rock (rad, drive positive), surge (x),
    settle (down from the scan pose). Raises InputError for torques without mounts, neither torque nor angle, and
    angles of more than 45°.
    """
    drive, reverse = (
        _rock(name, (word, given), torque, (mounts, axis_point, axis))
        for word, given, torque in zip(
            ("drive", "reverse"), (drive_deg, reverse_deg), torque_nm or (None, None), strict=True
        )
    )
    for word, travel in (("surge", surge_mm), ("settle", settle_mm)):
        if not travel >= 0.0:
            raise InputError(f"mechanism '{name}': {word}: expected 0 mm or more, found {travel:g} mm")
    return Chain(
        name,
        (
            Coordinate("rock", -reverse, drive, "rad"),
            Coordinate("surge", -surge_mm, surge_mm),
            Coordinate("settle", 0.0, settle_mm),
        ),
        (Joint("slide", (1.0, 0.0, 0.0)), Joint("slide", (0.0, 0.0, -1.0)), Joint("turn", axis, axis_point)),
        (Law((0.0, 1.0, 0.0)), Law((0.0, 0.0, 1.0)), Law((1.0, 0.0, 0.0))),
        labels=(
            (DRIVE, (0.0, 0.0, 0.0), (drive, 0.0, 0.0)),
            (REVERSE, (-reverse, 0.0, 0.0), (0.0, 0.0, 0.0)),
            (ROCKED, (-reverse, -surge_mm, 0.0), (drive, surge_mm, settle_mm)),
        ),
        carries=carries,
        part_class=part_class,
        origin=origin,
    )


def _rock(
    name: str,
    measured: tuple[str, float | None],
    torque_nm: float | None,
    held: tuple[tuple[Mount, ...], Vector, Vector],
) -> float:
    """How far it rocks one way, in rad: the angle as measured, or from the torque."""
    word, angle_deg = measured
    if angle_deg is None:
        if torque_nm is None or not (math.isfinite(torque_nm) and torque_nm >= 0.0):
            found = "nothing" if torque_nm is None else f"{torque_nm:g} N·m"
            raise InputError(
                f"mechanism '{name}': {word}: expected an angle, or a torque of 0 N·m or more; found {found}"
            )
        angle_deg = rock_deg(torque_nm, *held) if torque_nm else 0.0
    if not 0.0 <= angle_deg <= _MOST_ROCK_DEG:
        raise InputError(
            f"mechanism '{name}': {word}: expected a rock of 0° to {_MOST_ROCK_DEG:g}°, found {angle_deg:g}°"
        )
    return math.radians(angle_deg)


def surge_mm(mass_kg: float, acceleration_g: float, rates_n_mm: Sequence[float]) -> float:
    """How far a mass on mounts goes in a bump or in a stop: m·a / Σk."""
    return mass_kg * acceleration_g * GRAVITY / sum(rates_n_mm)


# -- frames --


def twist_at(
    name: str,
    station_x: float,
    half_deg: float,
    between_mm: float,
    from_x: float,
    height_z: float,
    *,
    origin: str = "",
) -> Chain:
    """What is fixed to a twisting frame at x = ``station_x``; all of a frame share the coordinate "NAME.twist".

    The frame twists by ± ``half_deg`` over ``between_mm``, about the x axis through y = 0, z = ``height_z``; at
    ``from_x`` it stands still. Raises InputError for a length that is not above 0 and an angle that is no angle.
    """
    if not (math.isfinite(between_mm) and between_mm > 0.0):
        raise InputError(f"mechanism '{name}': expected its ends more than 0 mm apart, found {between_mm:g} mm")
    if not 0.0 <= half_deg <= _MOST_ROCK_DEG:
        raise InputError(f"mechanism '{name}': expected a twist of 0° to {_MOST_ROCK_DEG:g}°, found {half_deg:g}°")
    half = math.radians(half_deg)
    return Chain(
        name,
        (Coordinate("twist", -half, half, "rad"),),
        (Joint("turn", (1.0, 0.0, 0.0), (0.0, 0.0, height_z)),),
        (Law(((station_x - from_x) / between_mm,)),),
        labels=((TWISTED, (-half,), (half,)),),
        part_class="frame",
        origin=origin,
    )


def twist_torque_nm(front_kg: float, front_track_mm: float, rear_kg: float, rear_track_mm: float) -> float:
    """The most torque that can go through a frame: the lighter axle lifts a wheel, min(W·t)·g / 2."""
    return min(front_kg * front_track_mm, rear_kg * rear_track_mm) / 1000.0 * GRAVITY / 2.0


def axle_roll_nm_deg(rate_n_mm: float, spring_spacing_mm: float) -> float:
    """Roll stiffness of an axle on two springs: k·t² / 2, k of one spring."""
    return rate_n_mm * spring_spacing_mm**2 / 2.0 / 1000.0 * math.radians(1.0)


def wheel_lift_mm(torque_nm: float, track_mm: float, stiffnesses_nm_deg: Sequence[float]) -> float:
    """How far one wheel must be lifted for so much torque through the frame: h = t·T·Σ 1/K.

    ``stiffnesses_nm_deg``: what gives way one after the other, the front axle's springs, the frame, the rear axle's.
    """
    return track_mm * torque_nm * sum(math.radians(1.0) / each for each in stiffnesses_nm_deg)


def racking_mm(twist_deg: float, between_mm: float, length_mm: float, spacing_mm: float) -> float:
    """How far the fourth corner of a rigid box is pulled off its rail: twist / length × its length × the spacing."""
    return math.radians(twist_deg) / between_mm * length_mm * spacing_mm


# -- crossmembers --


def box_section_mm4(width_mm: float, height_mm: float, wall_mm: float) -> float:
    """Second moment of area of a rectangular tube that bends across its height; corners taken as sharp."""
    inner = max(width_mm - 2.0 * wall_mm, 0.0) * max(height_mm - 2.0 * wall_mm, 0.0) ** 3
    return float(width_mm * height_mm**3 - inner) / 12.0


def crossmember_n_mm(
    section_mm4: float, length_mm: float, *, ends: float = FREE_ENDS, modulus_n_mm2: float = STEEL_N_MM2
) -> float:
    """Stiffness of a crossmember loaded in its middle. ``ends``: FREE_ENDS or BUILT_IN."""
    return ends * modulus_n_mm2 * section_mm4 / length_mm**3
