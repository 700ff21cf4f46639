"""What is asked of a scan: its file, unit, what lays it into the vehicle frame, scale bars, and what comes off.

Everything here but the places of marks in the scan is in mm in the vehicle frame: x rearward
from the front-axle line, y to the vehicle's right, z up from the scan-day floor.
Whoever reads it from a file that was typed in another frame has turned it already.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fitcheck.vehicle.scene import Region, Vector

UNIT_MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
"""The units that a scan may be declared in, in mm."""

HUBS: tuple[str, ...] = ("front_left", "front_right", "rear_left", "rear_right")
"""The names of the four wheel centres."""

MaybeVector = tuple[float | None, float | None, float | None]

FRAMES: tuple[str, ...] = ("x rearward", "x forward")
"""The axes of a scan without targets. "x forward" is x forward, y left, z up (ISO 8855)."""


@dataclass(frozen=True)
class Target:
    """A mark seen in the scan whose place on the vehicle was taped, in one axis or more.

    ``scan`` is in the scan file's own axes and unit; ``vehicle`` in mm in the vehicle frame, None
    where it is not known. ``kind``: "target"; "ground" (a point whose height is known); "station"
    (a point whose x is known); "hub" (a wheel's centre, named by a word of :data:`HUBS`).
    ``tape_mm``: one sigma of its taped numbers, None: the scan's own. ``origin`` is file:line of its entry.
    """

    name: str
    scan: Vector
    vehicle: MaybeVector
    origin: str = ""
    kind: str = "target"
    tape_mm: float | None = None

    @property
    def complete(self) -> bool:
        """Whether its place is known in all three axes."""
        return None not in self.vehicle


@dataclass(frozen=True)
class SymmetricPair:
    """Two marks that mirror each other in the vehicle's middle plane, in the scan's own axes and unit."""

    name: str
    left: Vector
    right: Vector
    origin: str = ""


@dataclass(frozen=True)
class FloorPatch:
    """Scanned floor within ``radius_mm`` of a point, in the scan's own axes and unit."""

    at: Vector
    radius_mm: float
    origin: str = ""


@dataclass(frozen=True)
class Rearward:
    """Two points of the scan, in its own axes and unit, of which ``rear`` lies well behind ``front``."""

    front: Vector
    rear: Vector
    origin: str = ""


@dataclass(frozen=True)
class ScaleBar:
    """A length in mm that was taped between two targets, named by ``between``."""

    between: tuple[str, str]
    length_mm: float
    origin: str = ""


@dataclass(frozen=True)
class Removal:
    """Scanned metal that comes off the vehicle: every face wholly in ``region``, or else
    the connected piece nearest to ``piece_at``. Exactly one of the two is given."""

    name: str
    region: Region | None = None
    piece_at: Vector | None = None
    origin: str = ""


@dataclass(frozen=True)
class Shift:
    """Scanned metal that moves by ``by_mm`` and stays metal; chosen as in :class:`Removal`,
    by where it was scanned."""

    name: str
    by_mm: Vector
    region: Region | None = None
    piece_at: Vector | None = None
    origin: str = ""


@dataclass(frozen=True)
class Mirror:
    """One half of the vehicle stands for both: what was scanned on the ``scanned`` side ("left" or "right" of y = 0)
    is mirrored to the other, where all metal is assumed, ± ``asymmetry_mm`` (one sigma).
    ``in_file``: the file holds the mirrored half already."""

    scanned: str
    asymmetry_mm: float = 5.0
    in_file: bool = False
    origin: str = ""


@dataclass(frozen=True)
class ScanSpec:
    """Everything that shapes a prepared scan.

    ``unit`` is one of :data:`UNIT_MM`. With ``targets``, ``pairs`` or ``floor`` the scan is turned onto
    their places; without, it is taken as scanned, its axes being those that ``frame`` names,
    its origin on the floor under the front-axle line. A ``frame`` other than
    "x rearward" beside targets is refused, as the targets already say it.
    ``tape_mm`` is one sigma of a taped coordinate; a target off by more than
    ``within_mm`` along an axis is an error that names it.
    """

    file: Path
    unit: str
    targets: tuple[Target, ...] = ()
    frame: str = "x rearward"
    tape_mm: float = 2.0
    within_mm: float = 5.0
    scale_bars: tuple[ScaleBar, ...] = ()
    removals: tuple[Removal, ...] = ()
    shifts: tuple[Shift, ...] = ()
    pairs: tuple[SymmetricPair, ...] = ()
    floor: tuple[FloorPatch, ...] = ()
    rearward: Rearward | None = None
    seen_from: tuple[str, ...] = ()
    mirror: Mirror | None = None
    origin: str = ""

    @property
    def aligned(self) -> bool:
        """Whether anything lays the scan into the vehicle frame; else it is taken as scanned."""
        return bool(self.targets or self.pairs or self.floor)
