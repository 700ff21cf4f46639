"""What a check works on: frozen data in mm, kg and degrees, in the vehicle frame.

x rearward from the front-axle line, y to the vehicle's right, z up from the
scan-day floor. Whoever builds a :class:`Scene` has validated it: names are unique,
classes exist, masses and positions are finite.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitcheck.result import Alignment

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid
    from fitcheck.geometry.surface import TiledSurface
    from fitcheck.vehicle.motion import Block, Motion
    from fitcheck.vehicle.moving import MovingBody

Vector = tuple[float, float, float]

SCAN = "scan"
"""The name of the scanned surface in pairs, rules and contacts."""

PART_CLASSES: tuple[str, ...] = (
    "frame",
    "body",
    "axle",
    "tyre",
    "steering",
    "shaft",
    "drive_unit",
    "exhaust",
    "brake_line",
    "fuel",
    "hv_box",
    "hv_cable",
    "lv",
    "coolant",
    "structure",
    "keep_out",
    "occupant",
    "outer_skin",
)
"""Every class a part may have; a word outside this list is an error."""


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty (one sigma), same unit."""

    value: float
    sigma: float = 0.0


@dataclass(frozen=True)
class PointMass:
    """A mass at a place. ``cg_sigma_mm`` is one sigma in each axis."""

    name: str
    mass_kg: Quantity
    cg_mm: Vector
    cg_sigma_mm: float = 0.0


@dataclass(frozen=True)
class Part:
    """A thing placed by a layout, as a union of solids; no solids: a mass without a shape."""

    name: str
    part_class: str
    solids: tuple[Solid, ...]
    mass: PointMass | None
    placed_by: str  # in words, for the echo: "extents", "corner front left bottom at …"
    origin: str = ""  # file:line of its entry
    taped_sigma_mm: float = 0.0  # > 0: its place was taped on the vehicle, one sigma
    size_sigma_mm: float | None = None  # None: the scene's fabrication uncertainty
    sprung: bool = True
    on: str = ""  # what carries it: a mechanism ("rear_axle"), or a side of one ("steering.left"); "": the body


@dataclass(frozen=True)
class Region:
    """A box, cylinder, sphere or capsule in vehicle coordinates, for contacts and removals.

    ``kind`` "box": ``lo``, ``hi``; "cylinder" and "capsule": ``start``, ``end``,
    ``radius_mm``; "sphere": ``start``, ``radius_mm``.
    """

    kind: str
    lo: Vector | None = None
    hi: Vector | None = None
    start: Vector | None = None
    end: Vector | None = None
    radius_mm: float | None = None

    def contains(self, points: NDArray[np.float64], grow_mm: float = 0.0) -> NDArray[np.bool_]:
        """Which of the (n, 3) points lie in the region grown by ``grow_mm``; of none: none."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        if self.kind == "box":
            lo, hi = np.asarray(self.lo) - grow_mm, np.asarray(self.hi) + grow_mm
            return np.asarray(np.all((points >= lo) & (points <= hi), axis=1))
        start = np.asarray(self.start, dtype=np.float64)
        radius = float(self.radius_mm or 0.0) + grow_mm
        if self.kind == "sphere":
            return np.asarray(np.linalg.norm(points - start, axis=1) <= radius)
        axis = np.asarray(self.end, dtype=np.float64) - start
        length = float(np.linalg.norm(axis))
        along = (points - start) @ (axis / length)
        if self.kind == "cylinder":
            off = np.linalg.norm(points - start - along[:, None] * axis / length, axis=1)
            return np.asarray((off <= radius) & (along >= -grow_mm) & (along <= length + grow_mm))
        along = np.clip(along, 0.0, length)
        return np.asarray(np.linalg.norm(points - start - along[:, None] * axis / length, axis=1) <= radius)


@dataclass(frozen=True)
class Rule:
    """How much room a pair needs. ``between`` holds part names, classes, "scan" or "any"."""

    between: tuple[str, str]
    must_mm: float
    want_mm: float
    why: str
    label: str = ""  # "code" | "practice" | "maker" | "judgement"
    source: str | None = None
    origin: str = "default"  # "default" or file:line
    cause: str = ""  # the part of the travel that it judges ("straight bump"); "": everything together


@dataclass(frozen=True)
class Contact:
    """A place where two things are meant to touch; anywhere else the pair is still judged."""

    between: tuple[str, str]
    at: Region
    why: str
    deeper_than_mm: float = 1.0  # an overlap deeper than this is judged, even in the place
    origin: str = ""


@dataclass(frozen=True)
class Exclusion:
    """A pair that somebody takes out of the check, with the reason."""

    between: tuple[str, str]
    why: str
    origin: str = ""


@dataclass(frozen=True)
class Uncertainties:
    """Named one-sigma uncertainties in mm; a pair's guard is 2·√(sum of the squares that apply)."""

    scan: float = 0.5
    alignment: float | None = None  # None: from how well the targets fix the frame at the place; see checks/guard.py
    taped_joint: float = 2.0
    fabrication: float = 1.5
    motion: float = 2.0


@dataclass(frozen=True)
class Tyre:
    radius_mm: float  # unloaded
    width_mm: float
    rate_n_mm: float


@dataclass(frozen=True)
class Axle:
    """One axle as weighed. ``name`` is "front" or "rear"; rates are per wheel, at the wheel."""

    name: str
    x_mm: float
    track_mm: float
    rating_kg: float | None
    wheel_rate_n_mm: float
    tyre: Tyre
    hub_z_mm: float | None = None  # wheel-centre height on scan day; None: from the tyre's deflection
    unsprung_kg: float = 0.0
    mechanisms: tuple[str, ...] = ()  # what carries its wheels: one, or the left and the right one; gives bump travel


@dataclass(frozen=True)
class CornerWeights:
    """Scale readings in kg with one sigma each."""

    front_left: Quantity
    front_right: Quantity
    rear_left: Quantity
    rear_right: Quantity


@dataclass(frozen=True)
class RaisedAxle:
    """The raised-axle weighing: ``axle`` went up ``by_mm`` at the wheel centres, the other gained."""

    axle: str  # the axle that was raised
    by_mm: float
    other_axle_gains_kg: Quantity


@dataclass(frozen=True)
class Weights:
    """The ledger's first column: what stood on the scales, and what came off since."""

    as_weighed: CornerWeights
    raised: RaisedAxle | None = None
    cg_height_mm: Quantity | None = None  # instead of ``raised``
    removed: tuple[PointMass, ...] = ()  # both weights.removed and scan.remove
    added: tuple[PointMass, ...] = ()  # masses without a shape
    gross_rating_kg: float | None = None


@dataclass(frozen=True)
class LoadState:
    """Who and what is aboard, on top of the arrangement's own parts."""

    name: str
    aboard: tuple[PointMass, ...] = ()


@dataclass(frozen=True)
class Target:
    """An owner's limit: ``name`` is a figure ("front_share_pct", "breakover_deg", "departure_deg",
    "approach_deg", "belly_mm", "bump_left_front_mm", "bump_left_rear_mm"), in one load state."""

    name: str
    state: str
    limit: float
    sense: str = "at least"
    source: str | None = None
    origin: str = ""


@dataclass(frozen=True)
class ShaftPart:
    """A propeller shaft between a joint on the body and a joint on a mechanism (or two fixed joints)."""

    name: str
    start_mm: Vector  # joint centre at scan pose
    end_mm: Vector
    end_on: str | None  # the mechanism that carries the end joint
    diameter_mm: float
    wall_mm: float | None
    yoke_diameter_mm: float | None
    yoke_length_mm: float | None
    whip_mm: float = 0.0
    yoke_whip_mm: float = 0.0
    start_axis: Vector = (1.0, 0.0, 0.0)  # the joint's own shaft axis on the body side
    end_axis: Vector = (1.0, 0.0, 0.0)  # the pinion axis at scan pose; turns with the mechanism
    speed_of_sound_m_s: float = 5110.0  # √(E/ρ) of the tube; steel
    origin: str = ""
    part_class: str = "shaft"
    mass: PointMass | None = None
    start_on: str | None = None
    start_motion: Motion | None = None  # how ``start_on`` carries the joint; None: it is on the body
    end_motion: Motion | None = None
    ratio: float | None = None  # turns of the shaft for one of the wheels
    spline_engaged_mm: float | None = None  # how far the slip goes in at scan pose
    spline_free_mm: float | None = None  # and how much farther it could go before it bottoms
    spline_diameter_mm: float | None = None
    phased: bool | None = None  # whether both yokes stand alike; None: not said


@dataclass(frozen=True)
class FrameTwist:
    """How far the frame twists off-road: ± ``half_deg`` over ``between_mm``, about the x axis at ``height_z_mm``.

    ``torque_nm`` through the frame turns it by torque / ``stiffness_nm_deg``. What is fixed at x stands turned by
    (x − ``from_x_mm``) / ``between_mm`` of that. ``rails_mm``: spacing of the rails; None: not said.
    """

    name: str
    stiffness_nm_deg: float
    torque_nm: float
    half_deg: float
    between_mm: float
    from_x_mm: float
    height_z_mm: float
    rails_mm: float | None = None
    origin: str = ""


@dataclass(frozen=True, eq=False)
class FrameCertainty:
    """How well the scan's place in the vehicle frame is known: a small shift and turn about ``middle_mm``.

    ``covariance`` (6, 6): shifts in mm along x, y, z, then turns in radians about them (one sigma squared).
    """

    middle_mm: Vector
    covariance: NDArray[np.float64]

    def sigma_mm(self, place_mm: NDArray[np.float64] | Vector) -> float:
        """One sigma, along the worst axis, of where a place (3,) of the vehicle frame truly is.

        It grows with the lever arm a from the middle: the covariance of shift + turn × a (linear propagation).
        """
        x, y, z = np.asarray(place_mm, dtype=np.float64) - np.asarray(self.middle_mm)
        cross = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])  # turn × arm, as a matrix on the turn
        carry = np.hstack([np.eye(3), cross])
        return float(np.sqrt(max(0.0, np.linalg.eigvalsh(carry @ self.covariance @ carry.T)[-1])))


@dataclass(frozen=True, eq=False)
class UnseenPlace:
    """A volume of which the scan says nothing: there may be metal in it, or air.

    ``kind``: "hole" (a gap in the scanned surface), "shadow" (behind something that was removed), "out of sight"
    (no free line from where the scanner was). ``solid`` is closed; ``name`` and ``why`` are for the reader.
    """

    name: str
    kind: str
    why: str
    solid: Solid


@dataclass(frozen=True, eq=False)
class SeenSpace:
    """Which cells of a grid were seen from the scanner's stations along a free line, on scan day.

    ``seen`` (nx, ny, nz) bool: cell (0, 0, 0) begins at ``origin_mm`` (3,). Beyond the grid all is seen.
    """

    origin_mm: NDArray[np.float64]
    cell_mm: float
    seen: NDArray[np.bool_]

    def at(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which of (n, 3) points lie in a cell that was seen; of none: none."""
        cells = np.floor((points - self.origin_mm) / self.cell_mm).astype(np.int64)
        within = ((cells >= 0) & (cells < self.seen.shape)).all(axis=1)
        found = np.ones(len(points), dtype=bool)
        found[within] = self.seen[tuple(cells[within].T)]
        return found


@dataclass(frozen=True)
class Measured:
    """A place that was taped or felt after the scan: ``what`` is "empty" or "metal", in ``region``, ± ``tape_mm`` (one
    sigma); ``note`` is who measured it and how."""

    name: str
    what: str
    region: Region
    tape_mm: float = 2.0
    note: str = ""
    origin: str = ""


@dataclass(frozen=True)
class ScanLayers:
    """The prepared scan in the vehicle frame: what is there, and what was cut out of it.

    ``metal`` holds what was measured; ``assumed`` is metal that was mirrored from the other side, one sigma
    ``assumed_sigma_mm``; ``assumed_side`` says on which side ("left" or "right") all metal is assumed. In a
    ``cloud`` each triangle is one point named three times, and ``cover_mm`` (vertices,) is how far the surface near a
    point may be from the points.
    """

    metal: TiledSurface
    removed: dict[str, TiledSurface] = field(default_factory=dict)
    spacing_mm: float = 0.0  # median edge length
    notes: tuple[str, ...] = ()
    alignment: Alignment | None = None
    key: str = ""  # names what was prepared, by content; "": unknown
    entry: Path | None = None  # its folder in the cache, where answers about it may be kept
    certainty: FrameCertainty | None = None  # None: taken as scanned
    unseen: tuple[UnseenPlace, ...] = ()  # as the scan leaves them, before ``measured``
    seen_from: tuple[str, ...] = ()  # where the scanner looked from; (): not said
    seen: SeenSpace | None = None  # what was seen from there; None: not said
    measured: tuple[Measured, ...] = ()
    assumed: TiledSurface | None = None
    assumed_side: str = ""
    assumed_sigma_mm: float = 0.0
    cloud: bool = False
    cover_mm: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Scene:
    """One arrangement in one vehicle, ready to be checked."""

    title: str
    layout_file: str
    vehicle: str
    parts: tuple[Part, ...]
    scan: ScanLayers | None
    mechanisms: dict[str, Block] = field(default_factory=dict)
    shafts: tuple[ShaftPart, ...] = ()
    moving: tuple[MovingBody, ...] = ()  # all that mechanisms move, as convex pieces
    axles: dict[str, Axle] = field(default_factory=dict)  # "front", "rear"
    weights: Weights | None = None
    load_states: tuple[LoadState, ...] = ()
    rules: tuple[Rule, ...] = ()  # the file's own; the defaults are in checks/rules.py
    contacts: tuple[Contact, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    uncertainties: Uncertainties = Uncertainties()
    targets: tuple[Target, ...] = ()
    twist: FrameTwist | None = None
    top_speed_km_h: float | None = None
    inputs: dict[str, str] = field(default_factory=dict)  # file → sha256
    warnings: tuple[str, ...] = ()
