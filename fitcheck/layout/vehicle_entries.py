"""The entries of a vehicle file: scan, axles, weights, load states. What moves is in mechanism_entries."""

from __future__ import annotations

from typing import Literal

from fitcheck.layout.align_entries import MaybeAlign
from fitcheck.layout.entries import BoxRegion, Checked, Entry, LengthUnit, Rod, exactly_one
from fitcheck.layout.quantities import (
    Carriers,
    Flag,
    Flaw,
    Length,
    Mass,
    Pair,
    Point,
    PositiveMass,
    Rate,
    Size,
    SpreadIn,
    Travel,
    WeighedIn,
    Word,
)

MassUnit = Literal["kg", "lb"]
End = Literal["front", "rear"]


class Units(Entry):
    """What a bare number means, in this file and in those that are based on it."""

    length: LengthUnit = "mm"
    mass: MassUnit = "kg"


# --- scan ------------------------------------------------------------------------------


class Accuracy(Entry):
    """One sigma of the scan: near by, and more for each metre."""

    local: Travel
    per_metre: Travel = 0.0


class ScaleBar(Entry):
    """A length that was taped between two targets."""

    between: Pair
    length: Size


class Piece(Entry):
    """The connected piece of the scan nearest to a point."""

    at: Point


class Removal(Checked):
    """Off the scan, and off the scales (``mass``, ``cg``) or still on the vehicle (``stays``: why)."""

    box: BoxRegion | None = None
    cylinder: Rod | None = None
    piece: Piece | None = None
    mass: WeighedIn | None = None
    within: SpreadIn | None = None
    cg: Point | None = None
    cg_within: Travel | None = None
    stays: Word | None = None

    def flaws(self) -> list[Flaw]:
        return exactly_one(self, ("box", "cylinder", "piece"), "what to cut out of the scan") + self._other_column()

    def _other_column(self) -> list[Flaw]:
        """The ledger has two columns: a part removed in only one of them is a mistake."""
        if self.stays is not None:
            if self.mass is None and self.cg is None:
                return []
            return [
                Flaw(
                    "'stays' says that it is still on the vehicle, so neither mass nor cg comes off", "stays", "", True
                )
            ]
        if self.mass is None:
            hint = "give its mass and cg, or stays: why it is still on the vehicle"
            return [Flaw("it comes off the scan but not off the scales: 'mass' is missing", hint=hint)]
        if self.cg is None:
            return [Flaw("'cg' is missing: where was its mass?", hint="like cg: [1300, 300, 500]")]
        return []


class Move(Checked):
    """Scanned metal that the arrangement shifts, and its mass where that is known (``cg``: before the move)."""

    box: BoxRegion | None = None
    piece: Piece | None = None
    by: Point
    why: Word
    mass: WeighedIn | None = None
    within: SpreadIn | None = None
    cg: Point | None = None
    cg_within: Travel | None = None

    def flaws(self) -> list[Flaw]:
        flaws = exactly_one(self, ("box", "piece"), "what to move")
        if (self.mass is None) != (self.cg is None):
            flaws.append(Flaw("'mass' and 'cg' go together: how heavy it is, and where it was before the move"))
        return flaws


class Mirror(Entry):
    """One scanned half that stands for both; ``asymmetry`` is one sigma of how far the other side may differ."""

    scanned: Literal["left", "right"]
    asymmetry: Travel = 5.0
    in_file: Flag = False


class Scan(Entry):
    """The scan file and everything that shapes it."""

    file: Word
    units: LengthUnit
    frame: Literal["x rearward", "x forward"] = "x rearward"
    accuracy: Accuracy | None = None
    align: MaybeAlign
    scale_bars: tuple[ScaleBar, ...] = ()
    seen_from: tuple[Literal["below", "above", "left", "right", "front", "rear"], ...] = ()
    remove: dict[str, Removal] = {}
    move: dict[str, Move] = {}
    mirror: Mirror | None = None


# --- running gear and weights ----------------------------------------------------------


class Tyre(Entry):
    """Unloaded radius, width, and vertical rate of one tyre."""

    radius: Size
    width: Size
    rate: Rate


class Axle(Entry):
    """One axle as weighed; rates are for each wheel, at the wheel."""

    at: Length
    track: Size
    rating: PositiveMass | None = None
    wheel_rate: Rate
    tyre: Tyre
    hub: Size | None = None
    unsprung: Mass = 0.0
    mechanism: Carriers = ()


class Axles(Checked):
    """Front and rear."""

    front: Axle
    rear: Axle

    def flaws(self) -> list[Flaw]:
        found = []
        if self.front.at != 0.0:
            message = f"x counts from the front-axle line: the front axle is at 0, not {self.front.at:g} mm"
            found.append(Flaw(message, "front.at", "write at: 0"))
        if self.rear.at <= self.front.at:
            message = f"x runs rearward: the rear axle is behind the front one, not at {self.rear.at:g} mm"
            found.append(Flaw(message, "rear.at", "write the wheelbase"))
        return found


class AsWeighed(Entry):
    """What stood on the four scales."""

    front_left: WeighedIn
    front_right: WeighedIn
    rear_left: WeighedIn
    rear_right: WeighedIn


class Raised(Entry):
    """The weighing with one axle raised ``by``: gives the height of the centre of gravity."""

    axle: End
    by: Size
    other_axle_gains: WeighedIn


class MassEntry(Entry):
    """A mass at a place; ``within`` and ``cg_within`` are one sigma."""

    mass: WeighedIn
    within: SpreadIn | None = None
    cg: Point
    cg_within: Travel | None = None


class Weights(Checked):
    """The ledger: as weighed, less what came off, plus what has no shape."""

    as_weighed: AsWeighed
    within: SpreadIn | None = None
    raised: Raised | None = None
    cg_height: Size | None = None
    gross_rating: PositiveMass | None = None
    removed: dict[str, MassEntry] = {}
    added: dict[str, MassEntry] = {}

    def flaws(self) -> list[Flaw]:
        if self.raised is None or self.cg_height is None:
            return []
        message = "the height of the centre of gravity is given twice, as 'raised' and as 'cg_height'"
        return [Flaw(message, "cg_height", "keep one; 'raised: null' takes an inherited one away", True)]
