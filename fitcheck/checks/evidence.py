"""What a scan says beside the metal that it measured: places not seen, metal assumed, readings taken since.

A row of a pair with the scan is first judged on measured metal. Here the rest joins it:

- metal that was taped since, judged as metal with the tape's own uncertainty;
- metal that was mirrored from the other side, judged with the measured asymmetry, and never a PASS;
- whether the thing lies inside scanned metal, which no distance shows;
- the nearest place that was not seen: no PASS while it is nearer than rule and guard demand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import CONTACT_TOLERANCE_MM, Shape, box_gaps, least_between
from fitcheck.geometry.overlap import any_inside, meet
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface
from fitcheck.result import Clearance, Verdict
from fitcheck.scan.unseen import without_measured
from fitcheck.vehicle.regions import region_solid
from fitcheck.vehicle.scene import Measured, Part, Region, ScanLayers, SeenSpace, UnseenPlace

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

UNSEEN_REACH_MM = 500.0
"""A place not seen that is farther from a part than this is not named."""

METAL, EMPTY = "metal", "empty"


@dataclass(frozen=True, eq=False)
class Evidence:
    """``empty``: regions that were found empty since; ``taped``: (region as a solid, the reading); ``assumed``: the
    mirrored half, one sigma ``assumed_sigma_mm``."""

    metal: TiledSurface
    unseen: tuple[UnseenPlace, ...] = ()
    empty: tuple[Region, ...] = ()
    taped: tuple[tuple[Solid, Measured], ...] = ()
    assumed: TiledSurface | None = None
    assumed_side: str = ""
    assumed_sigma_mm: float = 0.0
    noise_mm: float = 0.5  # one sigma of the scanned surface
    boxes: Floats = field(default_factory=lambda: np.empty((0, 2, 3)))  # of all that may be asked about it
    key: str = ""  # of the prepared scan, by content; "": unknown
    seen: SeenSpace | None = None  # the space that was seen; None: it was not said where the scanner looked from

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """All that shapes an answer beside the measured metal."""
        found: list[Shape] = [*(place.solid for place in self.unseen), *(solid for solid, _ in self.taped)]
        return (*found, *([] if self.assumed is None else [self.assumed]))


def evidence_of(scan: ScanLayers, noise_mm: float = 0.5, parts: Sequence[Part] = ()) -> Evidence:
    """What a prepared scan, one sigma of its surface in mm, and the readings since say about some parts."""
    taped = tuple((region_solid(entry.region), entry) for entry in scan.measured if entry.what == METAL)
    return Evidence(
        scan.metal,
        without_measured(scan.unseen, scan.measured),
        tuple(entry.region for entry in scan.measured if entry.what == EMPTY),
        taped,
        scan.assumed,
        scan.assumed_side,
        scan.assumed_sigma_mm,
        noise_mm,
        np.array([solid.extents() for part in parts for solid in part.solids]).reshape(-1, 2, 3),
        scan.key,
        scan.seen,
    )


@dataclass(frozen=True, eq=False)
class Nearest:
    """The nearest place not seen: 0 where the thing reaches into it; no pose brings it nearer than ``at_least_mm``."""

    place: UnseenPlace
    distance_mm: float
    at_least_mm: float
    points_mm: Floats  # (2, 3): of the thing, of the place


def nearest_unseen(part: Sequence[Solid], places: Sequence[UnseenPlace]) -> Nearest | None:
    """The nearest place to a still part; None where none is within 500 mm."""
    boxes = np.array([solid.extents() for solid in part])
    gaps = [float(box_gaps(boxes[:, 0], boxes[:, 1], *place.solid.extents()).min()) for place in places]
    best: Nearest | None = None
    for k in np.argsort(gaps, kind="stable"):
        limit = UNSEEN_REACH_MM if best is None else best.distance_mm
        if gaps[k] > limit or (best is not None and best.distance_mm == 0.0):
            break
        found = _to_place(part, places[k])
        if found.distance_mm <= limit:
            best = found
    return best


def _to_place(part: Sequence[Solid], place: UnseenPlace) -> Nearest:
    near = least_between(part, [place.solid])
    held = any_inside(np.concatenate([solid.vertices for solid in part]), [place.solid])
    if near is None or near.distance_mm <= CONTACT_TOLERANCE_MM or held:
        points = meet(part, [place.solid]).points_mm
        return Nearest(place, 0.0, 0.0, np.array([points[1], points[1]]))
    return Nearest(place, near.distance_mm, near.distance_mm, near.points_mm)


# --- what it makes of a row -----------------------------------------------------------------------------------------


def worse_of(rows: Sequence[Clearance]) -> Clearance:
    """The row that decides: the worst verdict, then the least left over what is demanded."""
    return min(rows, key=urgency)


def urgency(row: Clearance) -> tuple[int, float]:
    """Worst verdict first, then the least left over what the rule and its guard demand."""
    found = row.at_least_mm if row.depth_mm is None else -row.depth_mm
    left = -np.inf if found is None else found - row.guard_mm - row.must_mm
    return -row.verdict.severity, float(left)


def on_assumed(row: Clearance, side: str) -> Clearance:
    """A row that rests on mirrored metal: never a PASS."""
    words = f"rests on metal that is assumed: the {side} side was mirrored, not scanned"
    if row.verdict is Verdict.PASS:
        return replace(row, verdict=Verdict.NOT_PROVEN, reason=words, assumed=True, settle=_tape_it(row))
    return replace(row, reason=f"{row.reason}; {words}", assumed=True)


def _tape_it(row: Clearance) -> str:
    if row.points_mm is None:
        return ""
    return f"tape from {_at(row.points_mm[0])} to the metal near {_at(row.points_mm[1])}"


def with_unseen(row: Clearance, nearest: Nearest | None, thing: Floats) -> Clearance:
    """The row with its nearest place not seen; a PASS that this could overturn becomes NOT PROVEN.

    ``thing`` (2, 3): the box of what the row is about, over all its poses.
    """
    if nearest is None:
        return row
    told = replace(
        row,
        unseen_mm=nearest.distance_mm,
        unseen_place=nearest.place.name,
        unseen_point_mm=_point(nearest.points_mm[1]),
        unseen_from_mm=_point(nearest.points_mm[0]),
    )
    clear = nearest.distance_mm > 0.0 and nearest.at_least_mm >= row.must_mm + row.guard_mm
    if row.verdict is not Verdict.PASS or clear:
        return told
    how = "reaches into" if nearest.distance_mm <= 0.0 else f"{nearest.distance_mm:.1f} mm from"
    reason = f"unseen place within the clearance: {how} the {nearest.place.name}, {nearest.place.why}"
    return replace(told, verdict=Verdict.NOT_PROVEN, reason=reason, settle=_look_there(row, nearest, thing))


def _look_there(row: Clearance, nearest: Nearest, thing: Floats) -> str:
    """Where to look, and what to enter: the box of the place as far as rule and guard reach round the thing."""
    clear = row.must_mm + row.guard_mm
    low, high = nearest.place.solid.extents()
    low, high = np.maximum(low, thing[0] - clear - 1.0), np.minimum(high, thing[1] + clear + 1.0)
    spans = zip("xyz", np.floor(low), np.ceil(high), strict=True)
    box = ", ".join(f"{axis}: [{a:.0f}, {b:.0f}]" for axis, a, b in spans)
    return (
        f"look and feel at {_at(nearest.points_mm[1])}; if it is empty there, enter under measured: "
        f"{{empty: {{box: {{{box}}}}}}}; if metal is there, tape it and enter it as metal"
    )


def _at(point: Sequence[float] | Floats) -> str:
    return "(" + ", ".join(f"{c:.0f}" for c in point) + ")"


def _point(values: Floats) -> Point:
    return float(values[0]), float(values[1]), float(values[2])
