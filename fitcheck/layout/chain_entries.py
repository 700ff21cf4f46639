"""The entries of the general mechanism: a chain of turns and slides, its coordinates, and what bounds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import PlainValidator, WithJsonSchema

from fitcheck.layout.entries import Checked, Region, exactly_one
from fitcheck.layout.quantities import AngleRange, Direction, Flaw, Interval, Number, Point, Stop, read_number, refuse
from fitcheck.units import UnitError, did_you_mean, spoken
from fitcheck.vehicle.motion import CAUSES


class CoordinateEntry(Checked):
    """What a person can change: a length or an angle, from its value at one end to the other; 0 is scan day."""

    length: Interval | None = None
    angle: AngleRange | None = None

    @property
    def span(self) -> tuple[float, float]:
        """Least and greatest value, mm or degrees."""
        return self.length or self.angle or (0.0, 0.0)

    def flaws(self) -> list[Flaw]:
        found = exactly_one(self, ("length", "angle"), "the range")
        if not found and not self.span[0] <= 0.0 <= self.span[1]:
            low, high = self.span
            key = "length" if self.length is not None else "angle"
            message = f"the range [{low:g}, {high:g}] does not hold 0, where this was on scan day"
            found.append(Flaw(message, key, "count from the scan pose"))
        return found


@dataclass(frozen=True)
class Driven:
    """How a coordinate drives a joint: gain·q + square·q²."""

    coordinate: str
    gain: float = 1.0
    square: float = 0.0


def read_driven(typed: Any) -> tuple[Driven, ...]:
    """ "lift", {lift: 0.02} or {lift: [0.02, 0.0001]}."""
    if isinstance(typed, str) and typed.strip():
        return (Driven(typed),)
    if not isinstance(typed, dict) or not typed:
        raise UnitError(f"expected a coordinate, found {spoken(typed)}", "like lift, or {lift: 0.5}")
    found, flaws = [], []
    for name, gains in typed.items():
        try:
            numbers = [read_number(gain) for gain in (gains if isinstance(gains, (list, tuple)) else [gains])]
            if not 1 <= len(numbers) <= 2:
                raise UnitError(f"expected [gain, gain of the square], found {spoken(gains)}")
            found.append(Driven(str(name), *numbers))
        except UnitError as problem:
            flaws.append(Flaw(problem.message, str(name), problem.hint))
    if flaws:
        raise refuse(*flaws)
    return tuple(found)


_NUMBER = {"type": "number"}
_PAIR = {"type": "array", "items": _NUMBER, "minItems": 1, "maxItems": 2}
_GAINS = {"type": "object", "additionalProperties": {"anyOf": [_NUMBER, _PAIR]}}
DrivenBy = Annotated[
    tuple[Driven, ...],
    PlainValidator(read_driven),
    WithJsonSchema({"anyOf": [{"type": "string", "minLength": 1}, _GAINS]}),
]


class JointEntry(Checked):
    """One slide along, or one right-handed turn about, a direction; degrees and mm for each degree or mm of ``by``."""

    slide: Direction | None = None
    turn: Direction | None = None
    through: Point | None = None
    by: DrivenBy

    def flaws(self) -> list[Flaw]:
        found = exactly_one(self, ("slide", "turn"), "how the joint moves")
        if self.turn is not None and self.through is None:
            found.append(Flaw("'through' is missing beside 'turn'", hint="a point of its axis, like [0, 0, 400]"))
        if self.slide is not None and self.through is not None:
            found.append(Flaw("'through' does not go with 'slide'", "through", "a slide needs a direction alone", True))
        return found


class LimitEntry(Checked):
    """A bound on a sum of coordinates, each times its number."""

    sum: dict[str, Number]
    most: Number

    def flaws(self) -> list[Flaw]:
        if self.most >= 0.0:
            return []
        message = f"the scan pose breaks this limit: the sum is 0 there, and at most {self.most:g} is allowed"
        return [Flaw(message, "most", "all coordinates are 0 at the scan pose")]


Cause = Literal[CAUSES]  # type: ignore[valid-type]
Reached = Literal["low", "high", "whole"]


class ChainEntry(Checked):
    """Turns and slides, outermost first, by coordinates with ranges and linear limits.

    ``causes``: which end of which coordinates a named movement reaches from the scan pose.
    """

    coordinates: dict[str, CoordinateEntry]
    joints: tuple[JointEntry, ...]
    limits: tuple[LimitEntry, ...] = ()
    causes: dict[Cause, dict[str, Reached]] = {}
    wheel: Point | None = None
    bump: Stop = 0.0
    droop: Stop = 0.0
    carries: dict[str, Region] = {}

    def flaws(self) -> list[Flaw]:
        empty = [key for key in ("coordinates", "joints") if not getattr(self, key)]
        found = [Flaw(f"there is nothing in '{key}'", key) for key in empty]
        if self.wheel is None and (self.bump or self.droop):
            message = "'bump' and 'droop' are travel of a wheel: 'wheel' is missing"
            found.append(Flaw(message, hint="its centre [x, y, z]"))
        return found + [
            Flaw(f"there is no coordinate '{name}'", at, did_you_mean(name, tuple(self.coordinates)))
            for name, at in self._named()
            if name not in self.coordinates
        ]

    def _named(self) -> list[tuple[str, str]]:
        """(coordinate, where it is named)."""
        joints = [(way.coordinate, f"joints.{k}.by") for k, joint in enumerate(self.joints) for way in joint.by]
        limits = [(name, f"limits.{k}.sum.{name}") for k, limit in enumerate(self.limits) for name in limit.sum]
        causes = [(name, f"causes.{cause}.{name}") for cause, part in self.causes.items() for name in part]
        return joints + limits + causes
