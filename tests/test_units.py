"""A quantity is read exactly as typed, or refused: nothing is guessed."""

# ruff: noqa: E501  (tables)

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitcheck.errors import InputError
from fitcheck.units import (
    LENGTH_MM,
    UnitError,
    angle_deg,
    did_you_mean,
    is_percent,
    length_mm,
    mass_kg,
    nearest,
    rate_n_mm,
    share,
    spoken,
)


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        # Source: the international inch is 25.4 mm exactly, the foot 12 of them
        (120, 120.0), (-0.5, -0.5), ("120", 120.0), ("120 mm", 120.0), ("120mm", 120.0), ("  +12.5 cm ", 125.0),
        ("1.5 m", 1500.0), (".5 m", 500.0), ("5. mm", 5.0), ("1 in", 25.4), ("2 ft", 609.6), ("1/2 in", 12.7),
        ("4 3/4 in", 120.65), ("-4 3/4 in", -120.65), ("1 1/2 in", 38.1), ("63/64 in", 25.003125), ("5 1/2 ft", 1676.4),
        ("-0 mm", 0.0),
    ],
)  # fmt: skip
def test_a_length_is_read(typed: float | str, mm: float) -> None:
    assert length_mm(typed) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(("unit", "mm"), LENGTH_MM.items())
def test_a_bare_number_is_in_the_declared_unit_and_text_in_its_own(unit: str, mm: float) -> None:
    assert length_mm(3, unit) == length_mm("3", unit) == 3 * mm
    assert length_mm("3 cm", unit) == 30.0


def test_masses_angles_rates_and_shares_are_read() -> None:
    """Source: the international pound is 0.45359237 kg exactly; standard gravity 9.80665 m/s²."""
    assert mass_kg("55 lb") == pytest.approx(24.94758035, abs=1e-12)
    assert mass_kg(2, "lb") == 0.90718474
    assert angle_deg("12.5°") == angle_deg("12.5 deg") == angle_deg(12.5) == 12.5
    assert rate_n_mm("100 lb/in") == pytest.approx(17.5126835, abs=1e-6)
    assert rate_n_mm("40 N/mm") == rate_n_mm(40) == 40.0
    assert share("5 %") == share("5%") == 0.05
    assert is_percent("5 %")
    assert not is_percent("5 kg")
    assert not is_percent(5)


@pytest.mark.parametrize(
    "typed",
    [
        "12,5 mm", "1,500 mm", "1 500 mm", "1.5e3 mm", "1e3", "5 ft 3 in", "5'3\"", "4-3/4 in", "4¾ in", "4 3 in", "3/4 mm", "3/4",
        "5/4 in", "3/5 in", "0/4 in", "1/0 in", "4/4 in", "4 .5 in", "1_000 mm", "0x10 mm", "５ mm", "٣ mm", "12 parsec", "mm",
        "", " ", "--5 mm", "+-5 mm", "5 - mm", "nan", "inf", "nan mm", "infinity m", "1..5 mm", "5 mm mm", "12 kg", "5 %", "5 deg",
        "120 MM", "120 Mm", True, False, math.nan, math.inf, -math.inf, 10**400, 1e300, "9" * 400 + " mm", "1000.001 m", None, [1], {},
    ],
)  # fmt: skip
def test_what_could_be_read_two_ways_or_not_at_all_is_refused(typed: object) -> None:
    with pytest.raises(UnitError) as caught:
        length_mm(typed)  # type: ignore[arg-type]
    assert isinstance(caught.value, InputError)
    assert isinstance(caught.value, ValueError)
    assert caught.value.message


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("120 inch", "did you mean 'in'?"),
        ("120 inches", "did you mean 'in'?"),
        ("120 milimetres", "did you mean 'mm'?"),
        ("120 MM", "did you mean 'mm'?"),
        ("12,5 mm", "write decimals with a point"),
        ("1.5e3 mm", "write the number out"),
        ("3/4", "write '3/4 in'"),
        ("12 kg", "expected a length (mm, cm, m, in, ft), found a mass, '12 kg'"),
        ("12 parsec", "units of length: mm, cm, m, in, ft"),
        (True, "expected a length, found true"),
        (math.nan, "expected a length, found NaN"),
    ],
)
def test_a_refusal_says_what_to_write(typed: str, says: str) -> None:
    with pytest.raises(UnitError) as caught:
        length_mm(typed)
    assert says in str(caught.value)


def test_radians_and_bare_percentages_are_refused() -> None:
    with pytest.raises(UnitError, match="unknown unit 'rad'"):
        angle_deg("1.57 rad")
    with pytest.raises(UnitError, match=r"361 is too large for an angle on a vehicle"):
        angle_deg(361)
    for bare in (5, 0.05, "5"):
        with pytest.raises(UnitError, match=r"write '.* %'"):
            share(bare)


@given(st.text(max_size=12) | st.from_regex(r"\A[-+ 0-9./,eE]{0,8} ?(mm|cm|m|in|ft|kg)?\Z"))
def test_any_text_is_a_finite_length_or_refused(text: str) -> None:
    try:
        read = length_mm(text)
    except UnitError:
        read = 0.0
    assert math.isfinite(read)


@given(st.integers(-999, 999), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_fractions_agree_with_exact_arithmetic(whole: int, above: int, below: int) -> None:
    above = above % below or 1
    sign = -1 if whole < 0 else 1
    assert length_mm(f"{whole} {above}/{below} in") == pytest.approx(
        (whole + sign * above / below) * 25.4 if whole else above / below * 25.4
    )


def test_the_nearest_word_is_found_whatever_its_case() -> None:
    assert nearest("TRAK", ["track", "rating"]) == "track"
    assert nearest("zzz", ["track", "rating"]) is None
    assert did_you_mean("trak", ["track"]) == "did you mean 'track'?"
    assert did_you_mean("zzz", ["track", "rating"]) == "valid here: track, rating"
    assert did_you_mean("zzz", []) == ""


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "nothing"), (True, "true"), (1.5, "1.5"), (2, "2"), ("a", "'a'"), ([1, 2], "a list of 2"), ({}, "an empty mapping {}"),
        ({"a": 1}, "a mapping {key: value}"), ("x" * 99, "'" + "x" * 56 + "…'"),
    ],
)  # fmt: skip
def test_values_are_spoken_shortly(value: object, words: str) -> None:
    assert spoken(value) == words
