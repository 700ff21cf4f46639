"""The entries of what hangs between two joints: shafts, rods, hoses; and of a tyre."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from fitcheck.layout.entries import Checked, Entry
from fitcheck.layout.quantities import AboveZero, Direction, Flag, Flaw, Point, Share, Size, Travel, Word

# --- ends ----------------------------------------------------------------------------------------


class JointEnd(Entry):
    """A joint's centre on scan day, and what carries it: a mechanism, or the part that it is bolted to."""

    on: Word | None = None
    at: Point


def read_joint(typed: Any) -> Any:
    """[x, y, z] alone is a joint on the body."""
    return {"at": typed} if isinstance(typed, (list, tuple)) else typed


_Typed = BeforeValidator(read_joint, json_schema_input_type=Point | JointEnd)
From = Annotated[JointEnd, Field(alias="from"), _Typed]
To = Annotated[JointEnd, Field(alias="to"), _Typed]


def no_length(start: JointEnd, end: JointEnd, what: str) -> list[Flaw]:
    """The flaw of a span with both joints at one point."""
    same = start.at == end.at
    return [Flaw(f"the {what} has no length: both joints are at the same point", "to")] if same else []


# --- shafts --------------------------------------------------------------------------------------


class Yokes(Entry):
    """What swings at each joint, and for how far along the shaft."""

    diameter: Size
    length: Size
    whip: Travel = 0.0


class Spline(Entry):
    """The slip: how far it goes in on scan day, and how much farther it could until it bottoms."""

    engaged: Travel
    free: Travel
    diameter: Size | None = None


class Shaft(Checked):
    """A propeller shaft between two joint centres. One in two pieces is two of them, the bearing a joint on the body.

    ``ratio``: turns of the shaft for one of the wheels. ``phased``: both yokes stand alike.
    """

    start: From
    end: To
    diameter: Size
    wall: Size | None = None
    yokes: Yokes | None = None
    whip: Travel = 0.0
    from_axis: Direction = (1.0, 0.0, 0.0)
    to_axis: Direction = (1.0, 0.0, 0.0)
    material: Literal["steel", "aluminium"] = "steel"
    ratio: AboveZero | None = None
    spline: Spline | None = None
    phased: Flag | None = None

    def flaws(self) -> list[Flaw]:
        found = no_length(self.start, self.end, "shaft")
        if self.wall is not None and self.wall > self.diameter / 2.0:
            found.append(Flaw(f"a wall of {self.wall:g} mm does not go into a tube of {self.diameter:g} mm", "wall"))
        return found


class HalfShaft(Checked):
    """A shaft to a wheel; its joints are boots and housings of one diameter and length."""

    start: From
    end: To
    diameter: Size
    joints: Yokes | None = None
    from_axis: Direction = (0.0, 1.0, 0.0)
    to_axis: Direction = (0.0, 1.0, 0.0)

    def flaws(self) -> list[Flaw]:
        return no_length(self.start, self.end, "half shaft")


# --- rods and hoses --------------------------------------------------------------------------------


class RodSpan(Checked):
    """A round rod between two joints: tie rod, damper, link, roll-bar end."""

    start: From
    end: To
    diameter: Size

    def flaws(self) -> list[Flaw]:
        return no_length(self.start, self.end, "rod")


class SteeringArm(Checked):
    """The arm on the steering box: it turns about ``axis`` through ``centre``; ``tip`` is its joint."""

    centre: Point
    axis: Direction
    tip: Point
    diameter: Size | None = None

    def flaws(self) -> list[Flaw]:
        return [Flaw("'centre' and 'tip' are the same point", "tip")] if self.centre == self.tip else []


class DragLink(Checked):
    """A rod of fixed length from the steering box's arm to what it steers."""

    arm: SteeringArm
    end: To
    diameter: Size

    def flaws(self) -> list[Flaw]:
        if self.end.on is None:
            hint = "like {on: steering.left, at: [x, y, z]}"
            return [Flaw("a drag link moves something: 'on' is missing", "to", hint)]
        same = self.arm.tip == self.end.at
        return [Flaw("the link has no length: both joints are at the same point", "to")] if same else []


class Hose(Checked):
    """A flexible line of a length between two ends: it sags, and is taut where they are farthest."""

    start: From
    end: To
    length: Size
    diameter: Size

    def flaws(self) -> list[Flaw]:
        found = no_length(self.start, self.end, "hose")
        apart = sum((a - b) ** 2 for a, b in zip(self.start.at, self.end.at, strict=True)) ** 0.5
        if self.length < apart:
            message = f"a hose of {self.length:g} mm does not reach: its ends are {apart:.1f} mm apart on scan day"
            found.append(Flaw(message, "length", "measure it straight, from end to end"))
        return found


# --- tyres -----------------------------------------------------------------------------------------


class TyreShape(Entry):
    """A tyre as it turns: unloaded size, and what adds to it. ``chains``: the class of room that chains need."""

    centre: Point
    axis: Direction = (0.0, 1.0, 0.0)
    radius: Size
    width: Size
    growth: Share = 0.0
    bulge: Travel = 0.0
    mud: Travel = 0.0
    chains: Literal["S", "U", "W"] | None = None
