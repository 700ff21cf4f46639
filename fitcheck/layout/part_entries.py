"""The entries of a part: its shape, its place, its mass."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainValidator, WithJsonSchema

from fitcheck.layout.entries import Checked, Entry, LengthUnit, at_most_one
from fitcheck.layout.lazily import Lazily
from fitcheck.layout.quantities import (
    Angle,
    Flag,
    Flaw,
    Interval,
    Length,
    MaybePoint,
    MaybeSizes,
    Point,
    Point2,
    Size,
    Travel,
    WeighedIn,
    Word,
    read_length,
    refuse,
)
from fitcheck.layout.requests import FACES
from fitcheck.layout.span_entries import DragLink, HalfShaft, Hose, RodSpan, Shaft, TyreShape
from fitcheck.units import UnitError, did_you_mean, nearest, spoken
from fitcheck.vehicle.scene import PART_CLASSES

Face = Literal["front", "rear", "left", "right", "bottom", "top"]
Plane = Literal["xy", "xz", "yz"]
SPANS = ("shaft", "half_shaft", "rod", "drag_link", "hose")
"""What its joints place."""

SHAPES = ("box", "cylinder", "capsule", "sphere", "outline", "mesh", "tyre", *SPANS)


class Box(Checked):
    """Extents, or a size with a place; beside mirror_of or like only what differs."""

    x: Interval | None = None
    y: Interval | None = None
    z: Interval | None = None
    size: MaybeSizes | None = None

    def flaws(self) -> list[Flaw]:
        sizes = self.size or (None, None, None)
        hint = "give from-to or a size; null in 'size' leaves an axis to the other"
        return [
            Flaw(f"{axis} has both extents and a size", axis, hint, True)
            for axis, size in zip("xyz", sizes, strict=True)
            if size is not None and getattr(self, axis) is not None
        ]


class RodShape(Checked):
    """A cylinder or capsule between the centres of its ends."""

    start: Annotated[Point | None, Field(alias="from")] = None
    end: Annotated[Point | None, Field(alias="to")] = None
    diameter: Size | None = None

    def flaws(self) -> list[Flaw]:
        same = self.start is not None and self.start == self.end
        return [Flaw("'from' and 'to' are the same point", "to")] if same else []


class SphereShape(Entry):
    """A ball."""

    centre: Point | None = None
    diameter: Size | None = None


class Outline(Checked):
    """A closed outline in a plane, extruded along the third axis."""

    points: tuple[Point2, ...] | None = None
    plane: Plane | None = None
    start: Annotated[Length | None, Field(alias="from")] = None
    end: Annotated[Length | None, Field(alias="to")] = None
    symmetric: Flag = False

    def flaws(self) -> list[Flaw]:
        found = []
        if self.points is not None and len(self.points) < 3:
            found.append(Flaw(f"an outline needs at least 3 points, found {len(self.points)}", "points"))
        if self.start is not None and self.end is not None and not self.start < self.end:
            found.append(Flaw(f"'from' must be below 'to', found {self.start:g} and {self.end:g} mm", "to"))
        return found


class Mesh(Entry):
    """A mesh file; its own coordinates are vehicle coordinates unless there is a place."""

    file: Word
    units: LengthUnit
    symmetric: Flag = False


class Rim(Entry):
    """A flat rim all round a box, at its top or bottom."""

    out: Size | None = None
    height: Size | None = None
    at: Literal["top", "bottom"] | None = None
    inset: Travel | None = None


class Turn(Entry):
    """Degrees about z (yaw), y (pitch), x (roll); applied roll, then pitch, then yaw, about the anchor."""

    yaw: Angle | None = None
    pitch: Angle | None = None
    roll: Angle | None = None


# --- place -----------------------------------------------------------------------------


class FaceOf:
    """ "A1.left": a face of another part."""

    def __init__(self, part: str, face: str) -> None:
        self.part, self.face = part, face


def read_face_target(typed: Any) -> float | FaceOf:
    """A coordinate, or a face of another part as PART.face."""
    if not isinstance(typed, str) or not any(char.isalpha() or char == "_" for char in typed.split(".")[0]):
        return read_length(typed)
    part, dot, face = typed.partition(".")
    if not dot:
        return _length_or_face(typed)
    if part == "scan":
        raise refuse(
            Flaw(
                f"faces of the scan ({typed}) cannot be placed against yet", hint="measure it and write the coordinate"
            )
        )
    if face not in FACES:
        raise refuse(Flaw(f"unknown face '{face}' in {spoken(typed)}", hint=did_you_mean(face, tuple(FACES))))
    return FaceOf(part, face)


def _length_or_face(typed: str) -> float:
    try:
        return read_length(typed)
    except UnitError as problem:
        hint = f"like 340 or {typed}.left" if typed.isidentifier() else problem.hint
        raise UnitError("expected a coordinate or a face PART.face, found " + spoken(typed), hint) from problem


def read_corner(count: int) -> Any:
    """A reader of ``count`` face words of different axes, in any order."""

    def read(typed: Any) -> str:
        words = typed.split() if isinstance(typed, str) else []
        wrong = [word for word in words if word not in FACES]
        example = " ".join(("front", "left", "bottom")[:count])
        if wrong:
            near = nearest(wrong[0], tuple(FACES))
            raise refuse(
                Flaw(
                    f"unknown face '{wrong[0]}'",
                    hint=f"did you mean '{near}'?" if near else f"faces: {', '.join(FACES)}",
                )
            )
        if len(words) != count or len({FACES[word][0] for word in words}) != count:
            raise refuse(
                Flaw(f"expected {count} faces of different axes, found {spoken(typed)}", hint=f"like '{example}'")
            )
        return " ".join(words)

    return read


_FACE_WORDS = "(front|rear|left|right|bottom|top)"
Corner = Annotated[
    str,
    PlainValidator(read_corner(3)),
    WithJsonSchema({"type": "string", "pattern": rf"^{_FACE_WORDS}( {_FACE_WORDS}){{2}}$"}),
]
Edge = Annotated[
    str,
    PlainValidator(read_corner(2)),
    WithJsonSchema({"type": "string", "pattern": rf"^{_FACE_WORDS} {_FACE_WORDS}$"}),
]
FaceTarget = Annotated[
    float | FaceOf,
    PlainValidator(read_face_target),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string"}]}),
]

_KEYS_OF = {"corner": ("at",), "edge": ("at",), "point": ("at",), "face": ("to", "gap"), "on": ("face", "gap")}


class Place(Checked):
    """One statement: a corner, edge or point at a coordinate; a face with a gap; or on another part."""

    corner: Corner | None = None
    edge: Edge | None = None
    point: Literal["centre", "cg", "front", "rear", "left", "right", "bottom", "top"] | None = None
    at: MaybePoint | None = None
    face: Face | None = None
    gap: Length | None = None
    to: FaceTarget | None = None
    on: Word | None = None

    @property
    def kind(self) -> str:
        """Which of the statements it is, by its key; '' if none."""
        return next((key for key in ("corner", "edge", "point", "on", "face") if getattr(self, key) is not None), "")

    def flaws(self) -> list[Flaw]:
        kind = self.kind
        if not kind:
            return [
                Flaw(
                    "a place needs one of: corner, edge, point, face, on",
                    hint="like {corner: front left bottom, at: [75, -325, 760]}",
                )
            ]
        needed = "face" if kind == "on" else _KEYS_OF[kind][0]
        missing = (
            [Flaw(f"'{needed}' is missing beside '{kind}'", hint=_EXAMPLES[kind])]
            if getattr(self, needed) is None
            else []
        )
        allowed = (kind, *_KEYS_OF[kind])
        given = [key for key in type(self).model_fields if getattr(self, key) is not None]
        return missing + [
            Flaw(f"'{key}' does not go with '{kind}'", key, _EXAMPLES[kind], True)
            for key in given
            if key not in allowed
        ]


_EXAMPLES = {
    "corner": "like {corner: front left bottom, at: [75, -325, 760]}",
    "edge": "like {edge: front bottom, at: [75, null, 760]}",
    "point": "like {point: centre, at: [75, -325, 760]}",
    "face": "like {face: right, gap: 10, to: 340} or {face: right, gap: 10, to: A1.left}",
    "on": "like {on: A1, face: rear, gap: 40}",
}


def read_places(typed: Any) -> Any:
    """One statement alone is a list of one."""
    return [typed] if isinstance(typed, dict) else typed


class Part(Checked):
    """A thing placed by a layout; without a shape it is a mass alone. ``on``: the mechanism that carries it."""

    part_class: Annotated[Literal[PART_CLASSES] | None, Field(alias="class")] = None  # type: ignore[valid-type]
    box: Box | None = None
    cylinder: RodShape | None = None
    capsule: RodShape | None = None
    sphere: SphereShape | None = None
    outline: Outline | None = None
    mesh: Mesh | None = None
    tyre: Annotated[TyreShape | None, Lazily(TyreShape)] = None
    shaft: Annotated[Shaft | None, Lazily(Shaft)] = None
    half_shaft: Annotated[HalfShaft | None, Lazily(HalfShaft)] = None
    rod: Annotated[RodSpan | None, Lazily(RodSpan)] = None
    drag_link: Annotated[DragLink | None, Lazily(DragLink)] = None
    hose: Annotated[Hose | None, Lazily(Hose)] = None
    on: Word | None = None
    mirror_of: Word | None = None
    like: Word | None = None
    rim: Rim | None = None
    place: Annotated[
        tuple[Place, ...], BeforeValidator(read_places, json_schema_input_type=Place | tuple[Place, ...])
    ] = ()
    turn: Turn | None = None
    nudge: Point | None = None
    mass: WeighedIn | None = None
    within: Travel | None = None
    cg: Point | None = None
    cg_within: Travel | None = None
    tape: Travel | None = None
    bought: Flag | None = None
    sprung: Flag | None = None

    @property
    def copied(self) -> str | None:
        """The part that this one is taken from, if any."""
        return self.mirror_of or self.like

    @property
    def span(self) -> str | None:
        """Which of :data:`SPANS` it is, if any."""
        return next((key for key in SPANS if getattr(self, key) is not None), None)

    def flaws(self) -> list[Flaw]:
        found = at_most_one(self, SHAPES, "the shape") + at_most_one(self, ("mirror_of", "like"), "what it copies")
        if self.span is not None:
            found += [
                Flaw(f"'{key}' does not go with '{self.span}': its joints say where it is", key, on_key=True)
                for key in ("rim", "turn", "nudge", "like", "mirror_of", "place", "on")
                if getattr(self, key)
            ]
        return found
