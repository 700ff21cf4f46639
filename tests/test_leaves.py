"""Leaf springs: the seat's arc from beam bending integrated here, the chord, the shackle, the wind-up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.errors import InputError
from fitcheck.vehicle.leaves import (
    UNIFORM_STRENGTH,
    UNIFORM_STRIP,
    axle_torque_nm,
    chord_mm,
    half_rates_n_mm,
    leaf_wind_up_deg,
    seat_shift_mm,
    shackle_swing_mm,
    wind_up_nm_deg,
)
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle


def bent_tip(curvature, length: float, tip_across: float) -> tuple[float, float]:
    """(across, along) of the tip of a cantilever, clamped flat at s = 0, bent in the shape of ``curvature``.

    Integrates the curvature to the slope and the slope to the path, without small angles; the
    amount is the one with which the tip stands ``tip_across`` off.
    """
    s = np.linspace(0.0, length, 20_001)
    shape = curvature(s / length)

    def tip(amount: float) -> tuple[float, float]:
        slope = np.concatenate([[0.0], np.cumsum((shape[1:] + shape[:-1]) / 2.0 * np.diff(s))]) * amount
        across, along = np.trapezoid(np.sin(slope), s), np.trapezoid(1.0 - np.cos(slope), s)
        return float(across), float(along)

    low, high = 0.0, 4.0 * tip_across / length**2
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if tip(middle)[0] < tip_across else (low, middle)
    return tip(low)


@pytest.mark.parametrize(
    ("factor", "curvature"), [(UNIFORM_STRENGTH, np.ones_like), (UNIFORM_STRIP, lambda share: 1.0 - share)]
)
@pytest.mark.parametrize("height", [20.0, 80.0, 120.0])
def test_the_seats_arc_follows_from_beam_bending(factor: float, curvature, height: float) -> None:
    """¾·a for a strip of the same curvature everywhere, ⅚·a for a uniform strip, whose curvature falls to the tip."""
    across, along = bent_tip(curvature, 600.0, height)
    assert across == pytest.approx(height)
    assert across**2 / (2.0 * along) == pytest.approx(factor * 600.0, rel=0.02)
    assert seat_shift_mm(height, 600.0, factor) == pytest.approx(along, rel=0.02)


def test_the_factors_are_the_limits_for_small_heights() -> None:
    """At 2 mm of 600 the integrated arc is ¾ and ⅚ to five digits."""
    for factor, curvature in ((UNIFORM_STRENGTH, np.ones_like), (UNIFORM_STRIP, lambda share: 1.0 - share)):
        across, along = bent_tip(curvature, 600.0, 2.0)
        assert across**2 / (2.0 * along) / 600.0 == pytest.approx(factor, rel=1e-5)


def test_the_seat_shifts_by_7_1_mm_and_the_axle_moves_alike() -> None:
    """a = 600, z = 80: 80² / (2 · 450) = 7.1 (closed form), as the axle's own leaf has it."""
    assert seat_shift_mm(80.0, 600.0) == pytest.approx(7.111, abs=1e-3)
    axle = SolidAxle("axle", (0.0, 0.0, 0.0), 80.0, 80.0, 400.0, leaf=Leaf(600.0, "rear"))
    assert axle.shift(np.array([[80.0, 80.0, 0.0, 0.0]]))[0, 0] == pytest.approx(seat_shift_mm(80.0, 600.0))


@pytest.mark.parametrize("camber", [30.0, 90.0, 130.0])
def test_the_chord_is_that_of_an_arc_of_the_same_length(camber: float) -> None:
    """A circular arc of length S with height c: chord 2R·sin(S/2R), c = R(1 − cos(S/2R)), solved for R."""
    low, high = 1e-6, 3.0
    for _ in range(80):
        half = (low + high) / 2.0  # S / 2R
        low, high = (half, high) if 1200.0 / (2.0 * half) * (1.0 - math.cos(half)) < camber else (low, half)
    exact = 1200.0 / half * math.sin(half)
    assert chord_mm(1200.0, camber) == pytest.approx(exact, abs=0.025 * (1200.0 - exact))


def test_the_shackle_swings_by_32_mm() -> None:
    """S = 1200, camber 130 → 50: 8/(3·1200)·(130² − 50²) = 32.0 (closed form)."""
    assert shackle_swing_mm(1200.0, 130.0, 50.0) == pytest.approx(32.0)
    assert shackle_swing_mm(1200.0, 50.0, 130.0) == pytest.approx(-32.0)


def test_two_springs_of_48_on_600_take_603_nm_for_a_degree() -> None:
    """2·k·a² = 2 · 48 000 · 0.36 = 34 560 N·m/rad = 603 N·m/° (closed form)."""
    assert wind_up_nm_deg(half_rates_n_mm(48.0, 600.0, 600.0), (600.0, 600.0)) == pytest.approx(603.2, abs=0.1)


@pytest.mark.parametrize(("kg", "torque", "degrees"), [(837.0, 2522.0, 4.18), (1123.0, 3383.0, 5.61)])
def test_wind_up_ends_where_the_tyres_slip(kg: float, torque: float, degrees: float) -> None:
    """μ·m·g·r with μ = 0.8, r = 0.384 over 603 N·m/° (closed form)."""
    assert axle_torque_nm(None, grip=0.8, axle_load_kg=kg, loaded_radius_mm=384.0) == pytest.approx(torque, abs=1.0)
    assert leaf_wind_up_deg(48.0, 600.0, None, 0.8, kg, 384.0) == pytest.approx(degrees, abs=0.01)
    assert leaf_wind_up_deg(48.0, 600.0, 1e6, 0.8, kg, 384.0) == pytest.approx(degrees, abs=0.01)
    assert leaf_wind_up_deg(48.0, 600.0, 603.19, 0.8, kg, 384.0) == pytest.approx(1.0, abs=1e-4)


def test_unequal_halves_add_up_by_rate_and_length_squared() -> None:
    """k_f·a_f² + k_r·a_r², the tips' rates as 1/a³ and together the seat's: 500 and 700 (closed form)."""
    front, rear = half_rates_n_mm(48.0, 500.0, 700.0)
    assert front + rear == pytest.approx(48.0)
    assert front / rear == pytest.approx((700.0 / 500.0) ** 3)
    torque = math.radians(1.0) * 2.0 * (front * 0.5**2 + rear * 0.7**2) * 1000.0
    assert leaf_wind_up_deg(48.0, (500.0, 700.0), torque, 0.8, 837.0, 384.0) == pytest.approx(1.0)


GOOD = {
    "rate_n_mm": 48.0, "half_length_mm": 600.0, "torque_nm": None, "grip": 0.8, "axle_load_kg": 837.0,
    "loaded_radius_mm": 384.0, "springs": 2,
}  # fmt: skip


@pytest.mark.parametrize("key", sorted(set(GOOD) - {"torque_nm"}))
@pytest.mark.parametrize("number", [0, -1.0, math.nan, math.inf])
def test_wind_up_of_what_cannot_be_is_refused(key: str, number: float) -> None:
    with pytest.raises(InputError, match="expected more than 0"):
        leaf_wind_up_deg(**(GOOD | {key: number}))


@pytest.mark.parametrize("torque", [-5.0, math.nan])
def test_a_torque_that_is_none_is_refused(torque: float) -> None:
    with pytest.raises(InputError, match="torque: expected 0"):
        leaf_wind_up_deg(**(GOOD | {"torque_nm": torque}))
