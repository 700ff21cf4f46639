"""The base of all entries of a layout file, and the shapes that several of them share."""

from __future__ import annotations

import os
from typing import Annotated, Literal, Self

# No plugin of somebody's environment changes how a layout is read, nor is one looked for (40 ms).
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitcheck.layout.quantities import Flaw, Interval, Point, Size, refuse

LengthUnit = Literal["mm", "cm", "m", "in", "ft"]


class Entry(BaseModel):
    """A mapping of a layout file: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    def flaws(self) -> list[Flaw]:
        """What is wrong between the keys; each key by itself has been read."""
        return []


class Checked(Entry):
    """An entry whose keys have to fit together."""

    @model_validator(mode="after")
    def _refuse_flaws(self) -> Self:
        flaws = self.flaws()
        if flaws:
            raise refuse(*flaws)
        return self


def exactly_one(entry: Entry, names: tuple[str, ...], what: str) -> list[Flaw]:
    """Flaws of an entry that needs exactly one of these keys."""
    given = [name for name in names if getattr(entry, name) is not None]
    if not given:
        return [Flaw(f"{what} is missing", hint=f"expected exactly one of: {', '.join(names)}")]
    return at_most_one(entry, names, what)


def at_most_one(entry: Entry, names: tuple[str, ...], what: str) -> list[Flaw]:
    """Flaws of an entry that may have one of these keys."""
    given = [name for name in names if getattr(entry, name) is not None]
    hint = f"keep one; '{given[0]}: null' takes an inherited one away" if given else ""
    return [Flaw(f"{what} is given twice, as '{given[0]}' and as '{extra}'", extra, hint, True) for extra in given[1:]]


class BoxRegion(Entry):
    """Extents along the vehicle's axes."""

    x: Interval
    y: Interval
    z: Interval


class Rod(Checked):
    """A cylinder or capsule, from the centre of one end to the centre of the other."""

    start: Annotated[Point, Field(alias="from")]
    end: Annotated[Point, Field(alias="to")]
    diameter: Size

    def flaws(self) -> list[Flaw]:
        return [Flaw("'from' and 'to' are the same point", "to")] if self.start == self.end else []


class Ball(Entry):
    """A sphere."""

    centre: Point
    diameter: Size


class Region(Checked):
    """A place on the vehicle."""

    box: BoxRegion | None = None
    cylinder: Rod | None = None
    capsule: Rod | None = None
    sphere: Ball | None = None

    def flaws(self) -> list[Flaw]:
        return exactly_one(self, ("box", "cylinder", "capsule", "sphere"), "the shape")
