"""The values of a layout file: lengths, masses, angles, spreads. Text and numbers in, mm, kg, degrees out.

Each is an annotated type for :mod:`fitcheck.layout.schema`, whose published form accepts
numbers and text. A bare number may be a :class:`Bare`, which carries the units that its
file declares.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from fitcheck import units
from fitcheck.units import FRACTION, NUMBER, UnitError, spoken


class Bare(float):
    """A bare number from a file that declares units other than mm and kg."""

    length_unit = "mm"
    mass_unit = "kg"


def bare_type(length_unit: str, mass_unit: str) -> type[Bare]:
    """The type of bare numbers of a file with these units."""
    return type("Bare", (Bare,), {"length_unit": length_unit, "mass_unit": mass_unit})


@dataclass(frozen=True)
class Flaw:
    """What is wrong with one value.

    ``at``: the dotted path of a key below the value that is validated. ``on_key``: it is
    the key that should not be there, so a caret points at the key, not at its value.
    """

    message: str
    at: str = ""
    hint: str = ""
    on_key: bool = False


def refuse(*flaws: Flaw) -> PydanticCustomError:
    """The error for a validator to raise. Its ``ctx["flaws"]`` holds all of them."""
    return PydanticCustomError("layout", "{message}", {"message": flaws[0].message, "flaws": flaws})


def read_length(typed: Any) -> float:
    """A length or coordinate → mm."""
    return units.length_mm(typed, getattr(typed, "length_unit", "mm"))


def read_size(typed: Any) -> float:
    """A length above 0 → mm."""
    return _above_zero(typed, read_length(typed), "a size")


def read_travel(typed: Any) -> float:
    """A length of 0 or more → mm."""
    return _not_below_zero(typed, read_length(typed), "a distance")


def read_mass(typed: Any) -> float:
    """A mass of 0 or more → kg."""
    return _not_below_zero(typed, units.mass_kg(typed, getattr(typed, "mass_unit", "kg")), "a mass")


def read_positive_mass(typed: Any) -> float:
    """A mass above 0 → kg."""
    return _above_zero(typed, read_mass(typed), "a mass")


def read_rate(typed: Any) -> float:
    """A spring or tyre rate above 0 → N/mm."""
    return _above_zero(typed, units.rate_n_mm(typed), "a spring rate")


def read_angle(typed: Any) -> float:
    """An angle → degrees."""
    return units.angle_deg(typed)


def read_opening(typed: Any) -> float:
    """An angle of 0 or more → degrees."""
    return _not_below_zero(typed, units.angle_deg(typed), "this angle")


def read_stop(typed: Any) -> float:
    """Travel from the scan pose to a stop, 0 or more → mm."""
    value = read_length(typed)
    if value < 0.0:
        hint = "bump and droop both count away from the scan pose, and neither is negative"
        raise UnitError(f"the stops cross: the scan pose is beyond this one, found {spoken(typed)}", hint)
    return value


def read_torque(typed: Any) -> float:
    """A torque above 0 → N·m."""
    return _above_zero(typed, units.torque_n_m(typed), "a torque")


def read_stiffness(typed: Any) -> float:
    """A stiffness above 0 → N·m a degree."""
    return _above_zero(typed, units.stiffness_n_m_deg(typed), "a stiffness")


def read_speed(typed: Any) -> float:
    """A speed above 0 → km/h."""
    return _above_zero(typed, units.speed_km_h(typed), "a speed")


def read_share(typed: Any) -> float:
    """ "1.5 %" → 0.015."""
    return _not_below_zero(typed, units.share(typed), "a share")


def read_above_zero(typed: Any) -> float:
    """A number above 0 without a unit."""
    return _above_zero(typed, read_number(typed), "this number")


def read_flag(typed: Any) -> bool:
    """true or false; in YAML 1.2 yes and no are words."""
    if isinstance(typed, bool):
        return typed
    raise UnitError(f"expected true or false, found {spoken(typed)}")


def read_word(typed: Any) -> str:
    """Text that is not empty."""
    if isinstance(typed, str) and typed.strip():
        return typed
    hint = f"put it in quotes: '{typed:g}'" if isinstance(typed, (int, float)) and not isinstance(typed, bool) else ""
    raise UnitError(f"expected text, found {spoken(typed)}", hint)


def read_pair(typed: Any) -> tuple[str, str]:
    """[name, name]."""
    if not isinstance(typed, (list, tuple)) or len(typed) != 2:
        found = f"{len(typed)}" if isinstance(typed, (list, tuple)) else spoken(typed)
        raise refuse(Flaw(f"expected two names [one, other], found {found}"))
    flaws: list[Flaw] = []
    one, other = (_inner(read_word, item, str(index), flaws) for index, item in enumerate(typed))
    if flaws:
        raise refuse(*flaws)
    return one, other


def read_carriers(typed: Any) -> tuple[str, ...]:
    """A mechanism, or [left, right]."""
    if isinstance(typed, (list, tuple)):
        return read_pair(typed)
    return () if typed is None else (read_word(typed),)


def read_number(typed: Any) -> float:
    """A finite number without a unit."""
    if isinstance(typed, (int, float)) and not isinstance(typed, bool) and abs(typed) <= 1e9:
        return float(typed)
    raise UnitError(f"expected a number, found {spoken(typed)}", "like 1.204")


def _above_zero(typed: Any, value: float, what: str) -> float:
    if value <= 0.0:
        raise UnitError(f"{what} must be more than 0, found {spoken(typed)}")
    return value


def _not_below_zero(typed: Any, value: float, what: str) -> float:
    if value < 0.0:
        raise UnitError(f"{what} cannot be negative, found {spoken(typed)}")
    return value


@dataclass(frozen=True)
class Spread:
    """One sigma, as a share of the value or in kg; exactly one of the two."""

    share: float | None = None
    kg: float | None = None

    def of(self, value_kg: float) -> float:
        """One sigma in kg of a mass."""
        return self.kg if self.kg is not None else abs(value_kg) * (self.share or 0.0)


def read_spread(typed: Any) -> Spread:
    """ "3 %" or a mass."""
    if units.is_percent(typed):
        return Spread(share=_not_below_zero(typed, units.share(typed), "a spread"))
    return Spread(kg=read_mass(typed))


@dataclass(frozen=True)
class Weighed:
    """A mass and its spread; None: whatever the entry around it says."""

    kg: float
    within: Spread | None = None


def read_weighed(typed: Any) -> Weighed:
    """55.5, "55 lb" or {value: 21, within: 3 %}."""
    if not isinstance(typed, dict):
        return Weighed(read_mass(typed))
    flaws = [
        Flaw(f"unknown key '{key}' in a mass", str(key), units.did_you_mean(str(key), ("value", "within")), True)
        for key in typed
        if key not in ("value", "within")
    ]
    if "value" not in typed and not flaws:
        flaws.append(Flaw("a mass needs a value", hint="like {value: 21, within: 3 %}"))
    value = _inner(read_mass, typed["value"], "value", flaws) if "value" in typed else None
    within = _inner(read_spread, typed["within"], "within", flaws) if "within" in typed else None
    if flaws or value is None:
        raise refuse(*flaws)
    return Weighed(value, within)


def list_reader(count: int, read: Callable[[Any], float], words: str) -> Callable[[Any], tuple[float, ...]]:
    """A reader of exactly ``count`` values, each with ``read``; all that are wrong are named at once."""

    def read_list(typed: Any) -> tuple[float, ...]:
        if not isinstance(typed, (list, tuple)) or len(typed) != count:
            found = f"{len(typed)} values" if isinstance(typed, (list, tuple)) else spoken(typed)
            raise refuse(Flaw(f"expected {words}, found {found}"))
        flaws: list[Flaw] = []
        values = tuple(_inner(read, item, str(index), flaws) for index, item in enumerate(typed))
        if flaws:
            raise refuse(*flaws)
        return values

    return read_list


def _inner(read: Callable[[Any], Any], typed: Any, key: str, flaws: list[Flaw]) -> Any:
    """Read one value inside another; what is wrong with it joins ``flaws``, and the answer is None."""
    try:
        return read(typed)
    except UnitError as problem:
        flaws.append(Flaw(problem.message, key, problem.hint))
    return None


def read_maybe(read: Callable[[Any], float]) -> Callable[[Any], Any]:
    """The same reader, with null for "not known"."""
    return lambda typed: None if typed is None else read(typed)


def read_interval(typed: Any) -> tuple[float, float]:
    """[from, to] with from < to."""
    low, high = _PAIR(typed)
    if not low < high:
        raise refuse(Flaw(f"expected [from, to] with from below to, found [{typed[0]}, {typed[1]}]", hint="swap them"))
    return low, high


def read_angle_range(typed: Any) -> tuple[float, float]:
    """[from, to] in degrees with from < to."""
    low, high = list_reader(2, read_angle, "two angles [from, to]")(typed)
    if not low < high:
        raise refuse(Flaw(f"expected [from, to] with from below to, found [{typed[0]}, {typed[1]}]", hint="swap them"))
    return low, high


def _pattern(kind: str) -> str:
    words = "|".join(unit.replace("/", "\\/") for unit in units.KINDS[kind])
    return rf"^ *({FRACTION}|{NUMBER}) *({words})? *$"


def _form(kind: str, **bounds: float) -> dict[str, Any]:
    """How the published schema writes a quantity: a number, or text with a unit."""
    return {"anyOf": [{"type": "number", **bounds}, {"type": "string", "pattern": _pattern(kind)}]}


def _published(kind: str, **bounds: float) -> WithJsonSchema:
    return WithJsonSchema(_form(kind, **bounds))


_SPREAD_FORM: dict[str, Any] = {
    "anyOf": [
        {"type": "number", "minimum": 0},
        {"type": "string", "pattern": rf"^ *({FRACTION}|{NUMBER}) *(%|kg|lb)? *$"},
    ],
    "description": "One sigma: a percentage like '3 %', or a mass.",
}
_MASS_FORM = _form("mass", minimum=0)

Length = Annotated[float, PlainValidator(read_length), _published("length")]
Size = Annotated[float, PlainValidator(read_size), _published("length", exclusiveMinimum=0)]
Travel = Annotated[float, PlainValidator(read_travel), _published("length", minimum=0)]
Stop = Annotated[float, PlainValidator(read_stop), _published("length", minimum=0)]
Torque = Annotated[float, PlainValidator(read_torque), _published("torque", exclusiveMinimum=0)]
Stiffness = Annotated[float, PlainValidator(read_stiffness), _published("stiffness", exclusiveMinimum=0)]
Speed = Annotated[float, PlainValidator(read_speed), _published("speed", exclusiveMinimum=0)]
Share = Annotated[
    float, PlainValidator(read_share), WithJsonSchema({"type": "string", "pattern": rf"^ *{NUMBER} *% *$"})
]
AboveZero = Annotated[
    float, PlainValidator(read_above_zero), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})
]
Mass = Annotated[float, PlainValidator(read_mass), WithJsonSchema(_MASS_FORM)]
PositiveMass = Annotated[float, PlainValidator(read_positive_mass), WithJsonSchema(_MASS_FORM)]
Rate = Annotated[float, PlainValidator(read_rate), _published("spring rate", exclusiveMinimum=0)]
Angle = Annotated[float, PlainValidator(read_angle), _published("angle", minimum=-360, maximum=360)]
Opening = Annotated[float, PlainValidator(read_opening), _published("angle", minimum=0, maximum=360)]
Flag = Annotated[bool, PlainValidator(read_flag), WithJsonSchema({"type": "boolean"})]
Word = Annotated[str, PlainValidator(read_word), WithJsonSchema({"type": "string", "minLength": 1})]
Pair = Annotated[
    tuple[str, str],
    PlainValidator(read_pair),
    WithJsonSchema({"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2}),
]
_WORD_FORM = {"type": "string", "minLength": 1}
Carriers = Annotated[
    tuple[str, ...],
    PlainValidator(read_carriers),
    WithJsonSchema(
        {"anyOf": [_WORD_FORM, {"type": "array", "items": _WORD_FORM, "minItems": 2, "maxItems": 2}, {"type": "null"}]}
    ),
]
Number = Annotated[float, PlainValidator(read_number), WithJsonSchema({"type": "number"})]
SpreadIn = Annotated[Spread, PlainValidator(read_spread), WithJsonSchema(_SPREAD_FORM)]
WeighedIn = Annotated[
    Weighed,
    PlainValidator(read_weighed),
    WithJsonSchema(
        {
            "anyOf": [
                *_MASS_FORM["anyOf"],
                {
                    "type": "object",
                    "properties": {"value": _MASS_FORM, "within": _SPREAD_FORM},
                    "required": ["value"],
                    "additionalProperties": False,
                },
            ]
        }
    ),
]


_PAIR = list_reader(2, read_length, "two lengths [from, to]")


def _list_form(count: int, item: dict[str, Any]) -> WithJsonSchema:
    return WithJsonSchema({"type": "array", "items": item, "minItems": count, "maxItems": count})


def _or_null(form: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [*form["anyOf"], {"type": "null"}]}


_LENGTH_FORM = _form("length")
Vector3 = tuple[float, float, float]
MaybeVector3 = tuple[float | None, float | None, float | None]

Interval = Annotated[tuple[float, float], PlainValidator(read_interval), _list_form(2, _LENGTH_FORM)]
AngleRange = Annotated[
    tuple[float, float], PlainValidator(read_angle_range), _list_form(2, _form("angle", minimum=-360, maximum=360))
]
Point2 = Annotated[
    tuple[float, float], PlainValidator(list_reader(2, read_length, "two lengths [a, b]")), _list_form(2, _LENGTH_FORM)
]
Point = Annotated[
    Vector3, PlainValidator(list_reader(3, read_length, "three lengths [x, y, z]")), _list_form(3, _LENGTH_FORM)
]
MaybePoint = Annotated[
    MaybeVector3,
    PlainValidator(list_reader(3, read_maybe(read_length), "three lengths [x, y, z]")),
    _list_form(3, _or_null(_LENGTH_FORM)),
]
MaybeSizes = Annotated[
    MaybeVector3,
    PlainValidator(list_reader(3, read_maybe(read_size), "three sizes [along x, along y, along z]")),
    _list_form(3, _or_null(_form("length", exclusiveMinimum=0))),
]
Numbers3 = Annotated[
    Vector3, PlainValidator(list_reader(3, read_number, "three numbers [x, y, z]")), _list_form(3, {"type": "number"})
]


def read_direction(typed: Any) -> Vector3:
    """[x, y, z], any length but zero."""
    x, y, z = list_reader(3, read_number, "a direction [x, y, z]")(typed)
    if x == y == z == 0.0:
        raise refuse(Flaw("a direction needs a length, found [0, 0, 0]", hint="like [1, 0, 0]"))
    return x, y, z


Direction = Annotated[Vector3, PlainValidator(read_direction), _list_form(3, {"type": "number"})]
