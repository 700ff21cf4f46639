"""What a person types under ``scan.align``: targets, or floor, middle plane and station (3-2-1), in any mixture."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from fitcheck.layout.entries import Checked, Entry
from fitcheck.layout.quantities import Flaw, Length, MaybePoint, Numbers3, Size, refuse
from fitcheck.units import did_you_mean, spoken


class ScanTarget(Checked):
    """A mark: its place in the scan (the scan's own axes and unit) and taped on the vehicle, null where it was not;
    ``tape``: one sigma of its taped numbers, where it is not that of all."""

    scan: Numbers3
    vehicle: MaybePoint
    tape: Size | None = None

    def flaws(self) -> list[Flaw]:
        if any(value is not None for value in self.vehicle):
            return []
        message = "a target needs one taped coordinate at least, found three nulls"
        return [Flaw(message, "vehicle", "like [null, null, 520]")]


class Ground(Entry):
    """Points of the scan at one known height: on the floor, or holes at equal height."""

    points: tuple[Numbers3, ...]
    height: Length = 0.0


class CentrePair(Entry):
    """A mark on the left and the one that mirrors it on the right, in the scan."""

    left: Numbers3
    right: Numbers3


class Station(Entry):
    """A point of the scan with its taped x."""

    scan: Numbers3
    x: Length


class Hub(Entry):
    """A wheel's centre in the scan, and its taped height over the floor."""

    scan: Numbers3
    height: Size


class Hubs(Entry):
    """The wheels' centres."""

    front_left: Hub | None = None
    front_right: Hub | None = None
    rear_left: Hub | None = None
    rear_right: Hub | None = None


class Patch(Entry):
    """Bare floor in the scan, within ``radius`` of a point of it."""

    at: Numbers3
    radius: Size = 150.0


class RearwardWay(Entry):
    """Two points of the scan, the second well behind the first."""

    front: Annotated[Numbers3, Field(alias="from")]
    rear: Annotated[Numbers3, Field(alias="to")]


def read_ground(typed: Any) -> Any:
    """A list of points is floor."""
    if isinstance(typed, (list, tuple)):
        return {"points": typed}
    return _mapping(typed, "points of the scan [[x, y, z], …], or {points: …, height: …}")


def read_pairs(typed: Any) -> Any:
    """A list of [left, right], or such lists by name, as entries; a list's own are named by their number."""
    if isinstance(typed, (list, tuple)):
        typed = {str(index): pair for index, pair in enumerate(typed)}
    typed = _mapping(typed, "pairs of points of the scan [[left, right], …], or {name: [left, right]}")
    return {name: _sides(pair) for name, pair in (typed or {}).items()}


def _sides(pair: Any) -> Any:
    if isinstance(pair, (list, tuple)) and len(pair) == 2:
        return {"left": pair[0], "right": pair[1]}
    if isinstance(pair, (list, tuple)):
        raise refuse(Flaw(f"expected a pair [left, right] of points of the scan, found {len(pair)} values"))
    return pair


def read_stations(typed: Any) -> Any:
    """One station is a list of one."""
    return typed if isinstance(typed, (list, tuple)) else [_mapping(typed, "{scan: [x, y, z], x: …}")]


def read_patches(typed: Any) -> Any:
    """A bare point is a patch of the usual radius; one patch is a list of one."""
    if not isinstance(typed, (list, tuple)):
        typed = [_mapping(typed, "patches of floor [{at: [x, y, z], radius: …}, …]")]
    return [{"at": patch} if isinstance(patch, (list, tuple)) else patch for patch in typed]


def _mapping(typed: Any, expected: str) -> Any:
    if isinstance(typed, (dict, Entry)) or typed is None:
        return typed
    raise refuse(Flaw(f"expected {expected}, found {spoken(typed)}"))


Sides = tuple[Numbers3, Numbers3]
Pairs = Annotated[
    dict[str, CentrePair],
    BeforeValidator(
        read_pairs,
        json_schema_input_type=dict[str, CentrePair | Sides | None] | list[Sides],
    ),
]


class Align(Checked):
    """What lays the scan into the vehicle frame; ``tape`` is one sigma of the tape, ``within`` the most that anything
    may be off."""

    targets: dict[str, ScanTarget] = {}
    ground: Annotated[
        Ground | None, BeforeValidator(read_ground, json_schema_input_type=Ground | list[Numbers3])
    ] = None
    centre: Pairs = {}
    station: Annotated[
        tuple[Station, ...], BeforeValidator(read_stations, json_schema_input_type=Station | list[Station])
    ] = ()
    hubs: Hubs | None = None
    floor: Annotated[
        tuple[Patch, ...], BeforeValidator(read_patches, json_schema_input_type=Patch | list[Patch | Numbers3])
    ] = ()
    rearward: RearwardWay | None = None
    tape: Size = 2.0
    within: Size = 5.0

    def flaws(self) -> list[Flaw]:
        if self.targets or self.ground or self.centre or self.station or self.hubs or self.floor:
            return []
        hint = "targets; or ground, hubs or floor for the heights, centre for the middle plane and station for x"
        return [Flaw("nothing lays the scan into the vehicle frame", hint=f"give {hint}")]


def read_align(typed: Any) -> Any:
    """ "as_scanned" is no alignment at all: None."""
    if typed == "as_scanned":
        return None
    if isinstance(typed, str):
        hint = did_you_mean(typed, ("as_scanned",))
        raise refuse(Flaw(f"expected as_scanned or {{targets: …}}, found {spoken(typed)}", hint=hint))
    if typed is None:
        raise refuse(Flaw("expected as_scanned or {targets: …}, found nothing"))
    return typed


MaybeAlign = Annotated[
    Align | None, BeforeValidator(read_align, json_schema_input_type=Literal["as_scanned"] | Align)
]
"""as_scanned, or what lays the scan into the vehicle frame."""
