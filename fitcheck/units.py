"""What a person writes on a bench sheet → mm, kg, degrees, N/mm, N·m. Strict, with a closed list of units.

A bare number means the unit that the file declares. Text is one number and one unit:
"120 mm", "-1.5 in", "4 3/4 in", "1/2 in", "55 lb". Anything that could be read two ways
is refused rather than guessed: "12,5 mm", "1 500 mm", "1.5e3 mm", "5 ft 3 in".
"""

from __future__ import annotations

import math
import re
from difflib import get_close_matches

from fitcheck.errors import InputError

Typed = float | int | str
"""What a file may hold for a quantity: a bare number, or text with a unit."""

LENGTH_MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
"""Length units in mm; exact (international inch of 1959: 25.4 mm)."""

MASS_KG: dict[str, float] = {"kg": 1.0, "lb": 0.45359237}
"""Mass units in kg; exact (international pound of 1959)."""

ANGLE_DEG: dict[str, float] = {"deg": 1.0, "°": 1.0}
"""Angle units in degrees. Radians are not in the list: nobody reads them off a protractor."""

RATE_N_MM: dict[str, float] = {"N/mm": 1.0, "lb/in": 0.45359237 * 9.80665 / 25.4}
"""Spring rates in N/mm; "lb/in" is pounds-force an inch, as springs are sold."""

_LB_FT = 0.45359237 * 9.80665 * 0.3048

TORQUE_N_M: dict[str, float] = {"N·m": 1.0, "Nm": 1.0, "lb·ft": _LB_FT, "lb-ft": _LB_FT}
"""Torques in N·m; "lb·ft" is pounds-force times feet."""

STIFFNESS_N_M_DEG: dict[str, float] = {
    f"{torque}/{angle}": scale for torque, scale in TORQUE_N_M.items() for angle in ("°", "deg")
}
"""How hard a thing is to twist, in N·m a degree."""

SPEED_KM_H: dict[str, float] = {"km/h": 1.0, "mph": 1.609344}
"""Road speeds in km/h; exact (international mile)."""

PERCENT: dict[str, float] = {"%": 0.01}

KINDS: dict[str, dict[str, float]] = {
    "length": LENGTH_MM,
    "mass": MASS_KG,
    "angle": ANGLE_DEG,
    "spring rate": RATE_N_MM,
    "share": PERCENT,
    "torque": TORQUE_N_M,
    "stiffness": STIFFNESS_N_M_DEG,
    "speed": SPEED_KM_H,
}

LARGEST: dict[str, float] = {
    "length": 1e6, "mass": 1e6, "angle": 360.0, "spring rate": 1e6, "share": 10.0,
    "torque": 1e6, "stiffness": 1e7, "speed": 1000.0,
}  # fmt: skip
"""Nothing on a vehicle is larger: 1 km, 1000 t, a whole turn, 1 MN/mm, 1000 %, 1 MN·m, 10 MN·m/°, 1000 km/h."""

_SAID_OTHERWISE = {
    "inch": "in", "inches": "in", '"': "in", "″": "in", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft",
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm", "metre": "m", "metres": "m",
    "meter": "m", "meters": "m", "kilo": "kg", "kilos": "kg", "kgs": "kg", "kilogram": "kg", "kilograms": "kg",
    "lbs": "lb", "pound": "lb", "pounds": "lb", "degree": "deg", "degrees": "deg", "percent": "%", "pct": "%",
}  # fmt: skip

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
FRACTION = r"[+-]?(?:[0-9]+ +)?[0-9]+/[0-9]+"
_TEXT = re.compile(rf"(?P<number>{FRACTION}|{NUMBER}) *(?P<unit>\S.*)?")
_DENOMINATORS = (2, 4, 8, 16, 32, 64)


class UnitError(InputError, ValueError):
    """A quantity that cannot be read. ``hint`` says what to write instead, or ''."""

    def __init__(self, message: str, hint: str = "") -> None:
        self.message, self.hint = message, hint
        super().__init__(f"{message} ({hint})" if hint else message)


def length_mm(typed: Typed, unit: str = "mm") -> float:
    """A length in mm; a bare number is in ``unit``. Raises UnitError."""
    return read_quantity(typed, "length", unit)


def mass_kg(typed: Typed, unit: str = "kg") -> float:
    """A mass in kg; a bare number is in ``unit``. Raises UnitError."""
    return read_quantity(typed, "mass", unit)


def angle_deg(typed: Typed) -> float:
    """An angle in degrees. Raises UnitError."""
    return read_quantity(typed, "angle", "deg")


def rate_n_mm(typed: Typed) -> float:
    """A spring rate in N/mm. Raises UnitError."""
    return read_quantity(typed, "spring rate", "N/mm")


def torque_n_m(typed: Typed) -> float:
    """A torque in N·m. Raises UnitError."""
    return read_quantity(typed, "torque", "N·m")


def stiffness_n_m_deg(typed: Typed) -> float:
    """A stiffness against twist in N·m a degree. Raises UnitError."""
    return read_quantity(typed, "stiffness", "N·m/°")


def speed_km_h(typed: Typed) -> float:
    """A road speed in km/h. Raises UnitError."""
    return read_quantity(typed, "speed", "km/h")


def is_percent(typed: Typed) -> bool:
    """Whether text ends in a per-cent sign, so that :func:`share` should read it."""
    return isinstance(typed, str) and typed.rstrip().endswith(("%", "percent", "pct"))


def share(typed: Typed) -> float:
    """ "5 %" → 0.05. A bare number is refused, as 5 and 0.05 are both plausible. Raises UnitError."""
    if not isinstance(typed, str):
        raise UnitError(f"expected a percentage, found {spoken(typed)}", f"write '{typed} %'")
    return read_quantity(typed, "share", "")


def read_quantity(typed: Typed, kind: str, unit: str) -> float:
    """A quantity of one of :data:`KINDS` in its base unit; a bare number is in ``unit``.

    Raises UnitError on other types (true and false too), NaN, infinities, and numbers
    beyond :data:`LARGEST`.
    """
    if isinstance(typed, str):
        value = _read_text(typed, kind, unit)
    elif isinstance(typed, (int, float)) and not isinstance(typed, bool):
        value = _finite(typed, kind) * KINDS[kind][unit]
    else:
        raise UnitError(f"expected {_a(kind)}, found {spoken(typed)}", f"like {_example(kind)}")
    if abs(value) > LARGEST[kind]:
        raise UnitError(f"{spoken(typed)} is too large for {_a(kind)} on a vehicle", "is the unit right?")
    return value


def spoken(value: object) -> str:
    """A value as a message shows it: short, and its kind named where it is not a word or a number."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a mapping {key: value}" if value else "an empty mapping {}"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    text = f"'{value}'" if isinstance(value, str) else f"{value:.15g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 60 else text[:57] + "…" + text[0] * isinstance(value, str)


def nearest(word: str, valid: list[str] | tuple[str, ...]) -> str | None:
    """The valid word nearest to a mistyped one, upper and lower case alike; None if none is near."""
    by_folded = {item.casefold(): item for item in reversed(valid)}
    found = get_close_matches(word.casefold(), list(by_folded), n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def did_you_mean(word: str, valid: list[str] | tuple[str, ...]) -> str:
    """ "did you mean 'track'?", else the list of valid words, else ''."""
    near = nearest(word, valid)
    if near is not None:
        return f"did you mean '{near}'?"
    return f"valid here: {', '.join(valid)}" if valid else ""


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def _finite(number: float, kind: str) -> float:
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise UnitError(
            f"expected {_a(kind)}, found {'NaN' if math.isnan(value) else 'infinity'}", "write a finite number"
        )
    return value


def _read_text(text: str, kind: str, bare_unit: str) -> float:
    found = _TEXT.fullmatch(text.strip())
    if found is None:
        raise UnitError(f"expected {_a(kind)}, found {spoken(text)}", f"like {_example(kind)}")
    number, unit = found["number"], found["unit"]
    if unit is None:
        if "/" in number:
            raise UnitError(f"{spoken(text)} has no unit", f"write '{text.strip()} in'")
        if not bare_unit:
            raise UnitError(f"{spoken(text)} has no unit", f"write '{text.strip()} %'")
        unit = bare_unit
    scale = _scale_of(text, unit, kind)
    if "/" in number:
        return _read_fraction(text, number, unit) * scale
    return _finite(float(number), kind) * scale


def _scale_of(text: str, unit: str, kind: str) -> float:
    units = KINDS[kind]
    if unit in units:
        return units[unit]
    _refuse_confusing(text, unit)
    for other, others in KINDS.items():
        if unit in others:
            raise UnitError(f"expected {_a(kind)} ({', '.join(units)}), found {_a(other)}, {spoken(text)}")
    word = unit.casefold()
    spelled = nearest(word, tuple(_SAID_OTHERWISE)) if len(word) > 3 else word
    meant = _SAID_OTHERWISE.get(spelled or word) or nearest(unit, tuple(units))
    hint = f"did you mean '{meant}'?" if meant in units else f"units of {kind}: {', '.join(units)}"
    raise UnitError(f"unknown unit '{unit}' in {spoken(text)}", hint)


def _refuse_confusing(text: str, unit: str) -> None:
    """Spellings that other readers take for something else get a message of their own."""
    if unit.startswith(","):
        raise UnitError(
            f"a comma in {spoken(text)} can be read two ways", "write decimals with a point, thousands without a mark"
        )
    if re.match(r"[eE][+-]?[0-9]", unit):
        raise UnitError(f"{spoken(text)} has an exponent", "write the number out, like '1500 mm'")
    if re.match(r"[0-9¼½¾⅛⅜⅝⅞./+-]", unit) or re.search(r"[0-9]", unit):
        raise UnitError(f"expected one number and one unit, found {spoken(text)}", "like '120 mm' or '4 3/4 in'")


def _read_fraction(text: str, number: str, unit: str) -> float:
    """ "4 3/4" → 4.75; the sign counts for all of it."""
    if unit not in ("in", "ft"):
        raise UnitError(f"fractions are for inches and feet, found {spoken(text)}", "write decimals with a point")
    *whole, fraction = number.lstrip("+-").split()
    above, below = (int(part) if len(part) < 6 else 0 for part in fraction.split("/"))
    if below not in _DENOMINATORS or not 0 < above < below:
        raise UnitError(f"'{fraction}' in {spoken(text)} is no fraction of a rule", "halves to 64ths, like '4 3/4 in'")
    value = (float(whole[0]) if whole else 0.0) + above / below
    return -value if number.startswith("-") else value


def _example(kind: str) -> str:
    return {
        "length": "120, '120 mm' or '4 3/4 in'",
        "mass": "25 or '55 lb'",
        "angle": "30 or '30 deg'",
        "spring rate": "40 or '230 lb/in'",
        "share": "'5 %'",
        "torque": "600 or '440 lb·ft'",
        "stiffness": "900 or '900 N·m/°'",
        "speed": "100 or '60 mph'",
    }[kind]
