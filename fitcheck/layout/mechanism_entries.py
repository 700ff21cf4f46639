"""The entries of what moves: axles, independent suspension, steering, mounts, the frame's twist."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, WithJsonSchema

from fitcheck.layout.chain_entries import ChainEntry
from fitcheck.layout.entries import Checked, Entry, Region, exactly_one
from fitcheck.layout.lazily import Lazily
from fitcheck.layout.quantities import (
    AboveZero,
    Angle,
    Carriers,
    Flaw,
    Length,
    Number,
    Opening,
    Point,
    Point2,
    PositiveMass,
    Rate,
    Size,
    Stiffness,
    Stop,
    Torque,
    Travel,
    Vector3,
    Word,
    read_direction,
)
from fitcheck.units import UnitError, did_you_mean, spoken

# --- solid axles -----------------------------------------------------------------------------


class Leaf(Entry):
    """A leaf spring: half length from eye to seat, and which eye is fixed."""

    half_length: Size
    fixed_eye: Literal["front", "rear"]
    flat_at: Length = 0.0
    radius_factor: Number = 0.75


class WindUp(Checked):
    """How far the axle turns under torque, drive lifting the nose: degrees, or what the springs give."""

    drive: Opening | None = None
    brake: Opening | None = None
    spring_rate: Rate | None = None
    torque: Torque | None = None
    grip: AboveZero | None = None
    axle_load: PositiveMass | None = None
    loaded_radius: Size | None = None

    def flaws(self) -> list[Flaw]:
        computed = ("spring_rate", "torque", *_GRIP)
        given = [key for key in computed if getattr(self, key) is not None]
        if self.drive is not None or self.brake is not None:
            hint = "give the angles, or what gives them"
            return [Flaw(f"'{key}' does not go with degrees", key, hint, True) for key in given]
        if given and self.spring_rate is None:
            return [Flaw("'spring_rate' is missing: the rate of one spring", hint="like spring_rate: 48")]
        missing = [key for key in _GRIP if getattr(self, key) is None]
        if given and (len(missing) < 3 or self.torque is None) and missing:
            words = ", ".join(f"'{key}'" for key in missing)
            hint = "the torque ends where the tyres slip: grip (0.8), axle_load and loaded_radius; or give torque alone"
            return [Flaw(f"{words} missing: what torque the springs have to take is not known", hint=hint)]
        return []


_GRIP = ("grip", "axle_load", "loaded_radius")


class SolidAxle(Checked):
    """A solid axle; travel counts from the scan pose to the metal stops."""

    centre: Point
    bump: Stop
    droop: Stop
    stops: Size
    lateral: Travel = 0.0
    leaf: Leaf | None = None
    wind_up: WindUp | None = None
    carries: dict[str, Region] = {}

    def flaws(self) -> list[Flaw]:
        if self.leaf is not None and not 0.5 <= self.leaf.radius_factor <= 1.0:
            found = f"expected a factor from 0.5 to 1, found {self.leaf.radius_factor:g}"
            return [Flaw(found, "leaf.radius_factor", "0.75: strip of uniform strength; 0.833: one uniform strip")]
        if self.leaf is None and self.wind_up is not None and self.wind_up.spring_rate is not None:
            message = "'leaf' is missing: wind-up needs the springs' half length"
            return [Flaw(message, "wind_up.spring_rate", "like leaf: {half_length: 600, fixed_eye: front}", True)]
        return []


class WindUpAngles(Entry):
    """Degrees that the axle turns in its bushes under torque; drive lifts the nose."""

    drive: Opening = 0.0
    brake: Opening = 0.0


class AxleRod(Checked):
    """A rod from a point on the chassis to a point on the axle; ``length`` where it was measured by itself."""

    body: Point
    axle: Point
    length: Size | None = None

    def flaws(self) -> list[Flaw]:
        return [Flaw("'body' and 'axle' are the same point", "axle")] if self.body == self.axle else []


class LinkAxle(Entry):
    """A solid axle on rods: 3-link, 4-link, radius arms, lateral rod."""

    centre: Point
    bump: Stop
    droop: Stop
    stops: Size
    lateral: Travel = 0.0
    wind_up: WindUpAngles = WindUpAngles()
    rods: dict[str, AxleRod]
    carries: dict[str, Region] = {}


# --- independent suspension -------------------------------------------------------------------


class WheelRod(Checked):
    """A rod from a point on the chassis to a point on the upright."""

    body: Point
    upright: Point
    length: Size | None = None

    def flaws(self) -> list[Flaw]:
        return [Flaw("'body' and 'upright' are the same point", "upright")] if self.body == self.upright else []


class RoddedWheel(Checked):
    """What five rods and a strut have in common."""

    wheel: Point
    bump: Stop
    droop: Stop
    rods: dict[str, WheelRod]
    steering: Word | None = None
    rack: Size | None = None
    carries: dict[str, Region] = {}

    def _rod_flaws(self, count: int, what: str) -> list[Flaw]:
        found = []
        if len(self.rods) != count:
            found.append(Flaw(f"expected {count} rods, {what}, found {len(self.rods)}", "rods"))
        if self.steering is not None and self.steering not in self.rods:
            hint = did_you_mean(self.steering, tuple(self.rods))
            found.append(Flaw(f"the steering rod '{self.steering}' is none of the rods", "steering", hint))
        if self.rack is not None and self.steering is None:
            hint = "steering: the name of the rod that the rack pushes"
            found.append(Flaw("'rack' goes with 'steering'", "rack", hint, True))
        return found


class FiveRods(RoddedWheel):
    """A wheel on five rods, double wishbones among them; ``rack``: how far the steering rod is pushed each way."""

    def flaws(self) -> list[Flaw]:
        return self._rod_flaws(5, "two lower, two upper and the steering rod")


class Strut(RoddedWheel):
    """A wheel on a strut: ``top`` its upper mount, ``foot`` a second point of the sliding axis; and three rods."""

    top: Point
    foot: Point

    def flaws(self) -> list[Flaw]:
        found = self._rod_flaws(3, "two of the lower arm and the steering rod")
        return found + ([Flaw("'top' and 'foot' are the same point", "foot")] if self.top == self.foot else [])


class SwingArm(Checked):
    """A wheel on an arm: two points of its pivot axis, or virtual pivots seen from front [y, z] and side [x, z]."""

    wheel: Point
    bump: Stop
    droop: Stop
    pivots: tuple[Point, ...] | None = None
    front_view: Point2 | None = None
    side_view: Point2 | None = None
    carries: dict[str, Region] = {}

    def flaws(self) -> list[Flaw]:
        views = [key for key in ("front_view", "side_view") if getattr(self, key) is not None]
        if self.pivots is None:
            hint = "pivots: two points of the axis; or front_view: [y, z], side_view: [x, z]"
            return [] if views else [Flaw("the pivot axis is missing", hint=hint)]
        found = [Flaw(f"'{key}' does not go with 'pivots'", key, "keep one of the two", True) for key in views]
        if len(self.pivots) != 2 or self.pivots[0] == self.pivots[1]:
            found.append(Flaw("expected two points of the pivot axis, apart from each other", "pivots"))
        return found


# --- steering ----------------------------------------------------------------------------------


class KingpinEntry(Checked):
    """A kingpin axis: two points of it, or one with its inclination (top inward) and caster (top rearward)."""

    lower: Point | None = None
    upper: Point | None = None
    at: Point | None = None
    inclination: Angle | None = None
    caster: Angle | None = None

    def flaws(self) -> list[Flaw]:
        points = [key for key in ("lower", "upper") if getattr(self, key) is not None]
        angles = [key for key in ("at", "inclination", "caster") if getattr(self, key) is not None]
        if points and angles:
            return [Flaw(f"'{key}' does not go with '{points[0]}'", key, _KINGPIN, True) for key in angles]
        if len(points) != 2 and "at" not in angles:
            return [Flaw("the kingpin's axis is missing", hint=_KINGPIN)]
        if points and self.upper is not None and self.lower is not None and not self.lower[2] < self.upper[2]:
            return [Flaw("'upper' must be above 'lower'", "upper", "swap them")]
        steep = [key for key in angles if key != "at" and abs(getattr(self, key)) >= _STEEPEST_DEG]
        return [Flaw(f"a kingpin does not lean by {getattr(self, key):g}°", key) for key in steep]


_KINGPIN = "lower and upper: two points of it; or at: a point of it, inclination and caster in degrees"
_STEEPEST_DEG = 45.0


class SteeredWheels(Checked):
    """Two wheels that steer about their kingpins; a side that is left out is the other's mirror image."""

    left: KingpinEntry | None = None
    right: KingpinEntry | None = None
    inner: Opening
    outer: Opening | None = None
    wheelbase: Size | None = None

    def flaws(self) -> list[Flaw]:
        found = []
        if self.left is None and self.right is None:
            found.append(Flaw("the kingpins are missing", hint="left: {lower: [x, y, z], upper: [x, y, z]}"))
        if not 0.0 < self.inner < 80.0:
            found.append(Flaw(f"expected a lock between 0 and 80°, found {self.inner:g}", "inner"))
        if self.outer is not None and self.outer > self.inner:
            message = f"the outer wheel turns less than the inner one, found {self.outer:g} > {self.inner:g}°"
            found.append(Flaw(message, "outer", "swap them"))
        return found


# --- mounts and frame ----------------------------------------------------------------------------


class MountEntry(Entry):
    """A rubber mount: where it is and its rate square to the unit's axis."""

    at: Point
    rate: Rate


class Torques(Entry):
    """What the unit's mounts react."""

    drive: Torque
    reverse: Torque | None = None


class RockAngles(Entry):
    """How far the unit rocks, where that was measured."""

    drive: Opening
    reverse: Opening | None = None


def read_axis(typed: Any) -> Vector3:
    """x, y or z, or a direction."""
    if not isinstance(typed, str):
        return read_direction(typed)
    if typed not in ("x", "y", "z"):
        hint = "x: the unit drives a shaft; y: it drives wheels"
        raise UnitError(f"expected x, y, z or a direction, found {spoken(typed)}", hint)
    x, y, z = (float(typed == axis) for axis in "xyz")
    return x, y, z


_DIRECTION_FORM = {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}
AxisWord = Annotated[
    Vector3,
    PlainValidator(read_axis),
    WithJsonSchema({"anyOf": [{"enum": ["x", "y", "z"]}, _DIRECTION_FORM]}),
]


class RockingUnit(Checked):
    """A drive unit on rubber: it turns about an axis under torque, surges fore and aft, and settles."""

    axis: AxisWord
    at: Point
    mounts: dict[str, MountEntry] = {}
    torque: Torques | None = None
    rock: RockAngles | None = None
    surge: Travel = 0.0
    settle: Travel = 0.0
    carries: dict[str, Region] = {}

    def flaws(self) -> list[Flaw]:
        found = exactly_one(self, ("torque", "rock"), "how far it rocks")
        if self.torque is not None and not self.mounts:
            hint = "mounts: {front_left: {at: [x, y, z], rate: 300}, …}; or give rock: {drive: 2} in degrees"
            found.append(Flaw("'mounts' is missing: torque over their rates gives the angle", hint=hint))
        return found


class FrameTwistEntry(Entry):
    """How far the frame twists off-road: ± torque over stiffness, between the axles unless ``over`` says otherwise."""

    stiffness: Stiffness
    torque: Torque | None = None
    start: Annotated[Length, Field(alias="from")] = 0.0
    over: Size | None = None
    height: Length
    rails: Size | None = None


# --- one mechanism ---------------------------------------------------------------------------------

KINDS = (
    "solid_axle",
    "link_axle",
    "five_rods",
    "strut",
    "swing_arm",
    "steered_wheels",
    "rocking_unit",
    "frame_twist",
    "chain",
)
WHEELS = ("solid_axle", "link_axle", "five_rods", "strut", "swing_arm", "steered_wheels")
"""Kinds that carry wheels: what rides on them is unsprung."""

MIRRORED = ("five_rods", "strut", "swing_arm")
"""Kinds of one wheel: the other side's may be its mirror image."""


class Mechanism(Checked):
    """One mechanism of one kind, or the mirror image of a wheel's.

    ``on``: the mechanism that carries it, for steered wheels also [left, right].
    """

    solid_axle: SolidAxle | None = None
    link_axle: Annotated[LinkAxle | None, Lazily(LinkAxle)] = None
    five_rods: Annotated[FiveRods | None, Lazily(FiveRods)] = None
    strut: Annotated[Strut | None, Lazily(Strut)] = None
    swing_arm: Annotated[SwingArm | None, Lazily(SwingArm)] = None
    steered_wheels: Annotated[SteeredWheels | None, Lazily(SteeredWheels)] = None
    rocking_unit: Annotated[RockingUnit | None, Lazily(RockingUnit)] = None
    frame_twist: Annotated[FrameTwistEntry | None, Lazily(FrameTwistEntry)] = None
    chain: Annotated[ChainEntry | None, Lazily(ChainEntry)] = None
    mirror_of: Word | None = None
    on: Carriers = ()

    @property
    def kind(self) -> str:
        """Which of :data:`KINDS` it is; "" for a mirror image that is not written out."""
        return next((kind for kind in KINDS if getattr(self, kind) is not None), "")

    def flaws(self) -> list[Flaw]:
        found = exactly_one(self, (*KINDS, "mirror_of"), "the kind of mechanism")
        if len(self.on) == 2 and self.steered_wheels is None:
            found.append(Flaw("only steered wheels ride on two things, [left, right]", "on", "name one mechanism"))
        if self.frame_twist is not None and self.on:
            found.append(Flaw("nothing carries the frame: it twists by itself", "on", "take 'on' out", True))
        return found
