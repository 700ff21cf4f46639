"""What a first look at a scan found: data only.

The names of the fields are the names in the JSON document (``fitcheck-intake/1``). Lengths
in mm, areas in cm². Places are in the vehicle frame (x rearward from the front-axle line, y
right, z up from the scan-day floor) where a layout says how the scan lies in it, else in
the scan file's own axes. None: not computed, and ``not_looked_at`` says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field

FORMAT = "fitcheck-intake/1"

Vector = tuple[float, float, float]
Box = tuple[Vector, Vector]

VEHICLE_FRAME = "vehicle: x rearward, y right, z up; mm"
FILE_FRAME = "the scan file's own axes; mm"


@dataclass(frozen=True)
class Unit:
    """``used``: the unit that all lengths rest on; '' where several are possible, and no length is given.

    ``guesses``: what the longest side suggests. ``confirmed_by``: what taped length agrees with it; '' when
    nothing does, and ``ask`` is the one question that would.
    """

    declared: str
    guesses: tuple[str, ...]
    used: str
    longest_side: float  # the longest side of the bounding box as the file's bare number
    reason: str
    confirmed_by: str
    ask: str


@dataclass(frozen=True)
class Size:
    """``own_sides_mm``: length, width and height along the scan's own axes, specks left out: they do not turn with
    the file's axes. ``longest_mm`` is the straight line between the two places that lie furthest apart."""

    box_mm: Box
    own_sides_mm: Vector
    longest_mm: float
    longest_ends_mm: Box
    area_cm2: float | None  # None: a cloud has none


@dataclass(frozen=True)
class Spacing:
    """Edge lengths of the triangles, or of a cloud the distances from point to nearest point."""

    median_mm: float
    low_mm: float  # 5 % are shorter
    high_mm: float  # 5 % are longer


@dataclass(frozen=True)
class Noise:
    """One sigma of points off smooth patches about ``patch_mm`` wide, their curvature taken out."""

    sigma_mm: float
    patch_mm: float
    patches: int  # smooth ones, which the figure rests on
    looked_at: int


@dataclass(frozen=True)
class Hole:
    """A loop where the surface ends. ``across_mm`` by ``narrow_mm``: its two longer sides along its own axes.

    ``outer``: it runs around its piece, which is where a sheet ends and not a hole in it. ``closed`` False: tangled,
    its ends do not meet.
    """

    number: int
    across_mm: float
    narrow_mm: float
    edge_mm: float  # once around
    edges: int
    place_mm: Vector
    box_mm: Box
    piece: int
    outer: bool
    closed: bool


@dataclass(frozen=True)
class Doubled:
    """Two skins that face the same way, close together: the scanner drifted between two passes."""

    number: int
    separation_mm: float
    area_cm2: float
    place_mm: Vector
    box_mm: Box


@dataclass(frozen=True)
class BothSides:
    """Metal that was seen from both sides: two skins back to back."""

    thickness_mm: float
    area_cm2: float


@dataclass(frozen=True)
class Skins:
    """``least_cm2``: a doubled skin smaller than this may have been missed."""

    doubled: tuple[Doubled, ...]
    both_sides: BothSides | None
    within_mm: float
    least_cm2: float


@dataclass(frozen=True)
class Speck:
    """A small piece with nothing near it: dust in mid-air, or a clip whose bracket was not scanned."""

    number: int
    place_mm: Vector
    sides_mm: Vector
    faces: int
    piece: int


@dataclass(frozen=True)
class Within:
    """A piece that lies inside another one. ``share``: the least winding number found in it; 1: closed all around."""

    number: int
    place_mm: Vector
    sides_mm: Vector
    faces: int
    share: float
    around_mm: Box


@dataclass(frozen=True)
class Pieces:
    """Connected pieces. ``small_near_metal``: as small as specks, but beside larger metal."""

    count: int
    specks: tuple[Speck, ...]
    small_near_metal: int
    within: tuple[Within, ...]
    few_faces: int
    alone_mm: float


@dataclass(frozen=True)
class Mesh:
    """Flaws of the mesh itself. ``inward_faces``: of closed pieces (and tubes) that are turned inside out;
    ``closed_faces``: all faces of such pieces; which way open sheets should face cannot be told."""

    edges: int
    border_edges: int
    crowded_edges: int
    flipped_edges: int
    flat_faces: int
    doubled_faces: int
    closed_faces: int
    inward_faces: int


@dataclass(frozen=True)
class Floor:
    """A large plane with all metal above it. ``height_mm``: along ``normal`` from the origin of the frame."""

    normal: Vector
    height_mm: float
    area_cm2: float
    off_mm: float  # one sigma of the patches about the plane
    tilt_deg: float | None  # against the z axis of the vehicle frame; None in the file's axes


@dataclass(frozen=True)
class Uneven:
    """A place whose mirror image is off by ``off_mm``."""

    place_mm: Vector
    other_mm: Vector
    off_mm: float


@dataclass(frozen=True)
class Station:
    """How far the middle between left and right lies beside the plane, + along its normal; at ``at_mm`` along it."""

    at_mm: float
    off_mm: float
    pairs: int


@dataclass(frozen=True)
class Symmetry:
    """Left against right, over the mirror plane ``normal`` · p = ``offset_mm``.

    ``by``: "the vehicle frame", or "the scan itself", which is only a hypothesis. ``mirrored_share``: the share
    of the metal whose mirror image lies on metal. ``median_mm`` and ``most_mm`` (95 % lie below): distances from
    mirrored metal to the metal of the other side. ``own_offset_mm``, ``own_turn_deg``: how the plane that suits the
    scan best lies to it.
    """

    by: str
    normal: Vector
    offset_mm: float
    mirrored_share: float
    median_mm: float
    most_mm: float
    worst: tuple[Uneven, ...]
    stations: tuple[Station, ...]
    bow_mm: float | None  # the largest distance of a station from the straight line through them; None: too few
    own_offset_mm: float
    own_turn_deg: float


@dataclass(frozen=True)
class Drift:
    """The slope of (scan − tape) against length. ``expanded_mm_per_m``: two standard uncertainties of it."""

    mm_per_m: float
    expanded_mm_per_m: float
    lengths: int
    longest_mm: float
    off_mm: float  # root mean square of scan − tape


@dataclass(frozen=True)
class Intake:
    """The whole first look. ``paste``: YAML for a layout's scan entry; nothing of it has been done."""

    file: str
    layout: str
    frame: str
    cloud: bool
    triangles: int
    points: int
    unit: Unit
    size: Size | None = None
    spacing: Spacing | None = None
    noise: Noise | None = None
    holes: tuple[Hole, ...] = ()
    skins: Skins | None = None
    pieces: Pieces | None = None
    mesh: Mesh | None = None
    floor: Floor | None = None
    floor_words: str = ""
    symmetry: Symmetry | None = None
    drift: Drift | None = None
    notes: tuple[str, ...] = ()
    not_looked_at: tuple[str, ...] = ()
    paste: str = ""
    timing_s: dict[str, float] = field(default_factory=dict)
