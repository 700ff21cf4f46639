"""Angles of mechanisms so small that they were likely typed in radians."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fitcheck.layout import mechanism_entries as typed
from fitcheck.layout.load import Layout

SMALL_WIND_UP_DEG = 0.5
"""A leaf spring gives more, and in radians it would be usual."""

SMALL_LOCK_DEG = 2.0
"""No wheel steers less; 33° are 0.58 rad."""

SMALL_LEAN_DEG = 0.3
"""Kingpins lean by 5 to 12°, which are 0.09 to 0.21 rad."""

SMALL_ROCK_DEG = 0.1
"""Rubber gives more; 2° are 0.035 rad."""

SMALL_TURN_DEG = 1.0
"""What turns on purpose turns further; 45° are 0.79 rad."""


def small_angles(layout: Layout) -> list[str]:
    """A remark for each angle above zero that is smaller than its kind ever is."""
    found = []
    for name, mechanism in layout.entries.mechanisms.items():
        for path, angle, least in _angles(mechanism):
            if 0.0 < abs(angle) < least:
                origin = layout.origin("mechanisms", name, mechanism.kind, *path)
                looks = f"angles are in degrees, and this looks like radians ({math.degrees(angle):.3g}°)"
                found.append(f"{origin}: {'.'.join(path)} is {angle:g}: {looks}")
    return found


_Angle = tuple[tuple[str, ...], float, float]


def _angles(mechanism: typed.Mechanism) -> Iterator[_Angle]:
    """(path, degrees, the least that is usual) of each angle that was typed."""
    axle = mechanism.solid_axle or mechanism.link_axle
    if axle is not None and axle.wind_up is not None:
        yield ("wind_up", "drive"), axle.wind_up.drive or 0.0, SMALL_WIND_UP_DEG
        yield ("wind_up", "brake"), axle.wind_up.brake or 0.0, SMALL_WIND_UP_DEG
    if mechanism.steered_wheels is not None:
        yield from _steering_angles(mechanism.steered_wheels)
    rock = None if mechanism.rocking_unit is None else mechanism.rocking_unit.rock
    if rock is not None:
        yield ("rock", "drive"), rock.drive, SMALL_ROCK_DEG
        yield ("rock", "reverse"), rock.reverse or 0.0, SMALL_ROCK_DEG
    for word, coordinate in ({} if mechanism.chain is None else mechanism.chain.coordinates).items():
        if coordinate.angle is not None:
            yield ("coordinates", word), max(coordinate.angle, key=abs), SMALL_TURN_DEG


def _steering_angles(steering: typed.SteeredWheels) -> Iterator[_Angle]:
    yield ("inner",), steering.inner, SMALL_LOCK_DEG
    yield ("outer",), steering.outer or 0.0, SMALL_LOCK_DEG
    for side in ("left", "right"):
        kingpin = getattr(steering, side)
        if kingpin is not None:
            yield (side, "inclination"), kingpin.inclination or 0.0, SMALL_LEAN_DEG
            yield (side, "caster"), kingpin.caster or 0.0, SMALL_LEAN_DEG
