"""What a check found: data only, and the owner of the exit code.

The names of the fields are the names in the JSON document (``fitcheck-result/1``).
Lengths in mm, masses in kg, angles in degrees, in the vehicle frame: x rearward
from the front-axle line, y to the vehicle's right, z up from the scan-day floor.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

FORMAT = "fitcheck-result/1"
FRAME = "x rearward, y right, z up; mm, kg, deg"


class Verdict(str, Enum):
    """Three answers, not two."""

    PASS = "PASS"
    FAIL = "FAIL"
    NOT_PROVEN = "NOT PROVEN"

    @property
    def severity(self) -> int:
        return {Verdict.PASS: 0, Verdict.NOT_PROVEN: 1, Verdict.FAIL: 2}[self]


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of several verdicts; of none at all: NOT PROVEN (nothing was shown)."""
    if not verdicts:
        return Verdict.NOT_PROVEN
    return max(verdicts, key=lambda verdict: verdict.severity)


@dataclass(frozen=True)
class ClearingMove:
    """The first clear position along a direction: a position, not a path to it."""

    direction: str  # "+x", "-x", … or "exit"
    vector: tuple[float, float, float]  # unit vector
    distance_mm: float | None  # None: no clear position within limit_mm
    limit_mm: float


@dataclass(frozen=True)
class Clearance:
    """One judged pair."""

    between: tuple[str, str]
    verdict: Verdict
    reason: str
    rule: str  # e.g. "hv_box – shaft (default: common practice)"
    must_mm: float
    want_mm: float
    guard_mm: float
    distance_mm: float | None  # least over all poses; ≤ 0: minus the overlap depth; None: not computed
    at_least_mm: float | None  # certified lower bound over all poses
    static_mm: float | None  # at the pose in which the vehicle was scanned
    unseen_mm: float | None = None  # to the nearest place that the scan did not see, 0 in it; None: none within reach
    straight_bump_mm: float | None = None  # least over straight bump and droop; None for still pairs
    pose: dict[str, float] = field(default_factory=dict)
    points_mm: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None
    depth_mm: float | None = None  # where they overlap: the deepest point found, a lower estimate; None: apart
    contact: str = "apart"  # "apart" | "touching" | "overlap" | "inside" | "declared" | "unknown"
    moves: tuple[ClearingMove, ...] = ()
    moving_part: str | None = None  # the part that ``moves`` would move
    rule_reason: str = ""
    rule_source: str | None = None
    rule_label: str = ""
    guard_parts: dict[str, float] = field(default_factory=dict)  # name → one sigma, mm
    unseen_place: str = ""  # the name of the nearest place that the scan did not see; "": none
    unseen_point_mm: tuple[float, float, float] | None = None  # where it comes nearest
    unseen_from_mm: tuple[float, float, float] | None = None  # and to which point of the pair's other side
    settle: str = ""  # what reading would settle a NOT PROVEN; "": nothing to read
    assumed: bool = False  # the nearest metal was mirrored from the other side, not measured


@dataclass(frozen=True)
class Owned:
    """A height or angle with the part that owns it and the runner-up."""

    value: float | None
    owner: str | None = None
    point_mm: tuple[float, float, float] | None = None
    runner_up: str | None = None
    runner_up_value: float | None = None


@dataclass(frozen=True)
class Ground:
    """Heights over the ground and angles in one load state."""

    belly_mm: float | None
    belly_owner: str | None
    under_axle_mm: dict[str, float | None]  # "front", "rear"
    approach_deg: float | None
    departure_deg: float | None
    breakover_deg: float | None
    owners: dict[str, Owned]  # "belly", "approach", "departure", "breakover", "under_front_axle", "under_rear_axle"
    bump_left_mm: dict[str, float | None]
    floor_z_mm: dict[str, float]  # floor height in vehicle coordinates at each axle's x


@dataclass(frozen=True)
class Contributor:
    """One line of the ± on the front axle load."""

    name: str
    front_sigma_kg: float


@dataclass(frozen=True)
class Loads:
    """What each axle carries in one load state."""

    mass_kg: float
    front_kg: float
    rear_kg: float
    front_share_pct: float
    left_kg: float
    right_kg: float
    cg_mm: tuple[float, float, float | None]
    ssf: float | None
    front_sigma_kg: float
    body_drop_mm: dict[str, float]
    rear_sigma_kg: float = 0.0
    cg_height_over_ground_mm: float | None = None
    contributors: tuple[Contributor, ...] = ()


@dataclass(frozen=True)
class JointAngles:
    ride: float
    max: float


@dataclass(frozen=True)
class ShaftLength:
    ride: float
    min: float
    max: float


@dataclass(frozen=True)
class Shaft:
    """Joint angles, plunge and critical speed of one shaft over its axle's whole travel."""

    joint_deg: dict[str, JointAngles]  # "front", "rear"
    length_mm: ShaftLength
    plunge_mm: float
    critical_rpm: float | None


@dataclass(frozen=True)
class Limit:
    """A target of the owner's, or a rating, judged in one load state."""

    name: str  # "front_share_pct", "rating_rear_kg", …
    state: str
    value: float | None
    sigma: float
    limit: float
    sense: str  # "at least" | "at most"
    verdict: Verdict
    reason: str
    source: str | None = None


MaybeVector = tuple[float | None, float | None, float | None]


@dataclass(frozen=True)
class TargetFit:
    """How one target, or whatever else was typed, fitted: scan place less taped place, x, y, z in mm.

    None in an axis of which nothing was typed. ``left_out_mm``: the same in the fit of all others; None where
    these do not fix the frame. ``kind``: "target", "ground", "station", "hub", "pair" (y: its middle; x: its
    right mark against its left one) or "floor".
    """

    residual_mm: MaybeVector
    left_out_mm: MaybeVector | None
    kind: str = "target"


@dataclass(frozen=True)
class Straightness:
    """A left and right pair in the aligned scan: how straight the frame is. All in mm."""

    x_mm: float  # where along the vehicle
    middle_mm: float  # its middle, to the right of the middle plane
    skew_mm: float  # its right mark behind its left one
    lean_mm: float  # its right mark above its left one


@dataclass(frozen=True)
class FloorFit:
    """The floor that was found in the scan."""

    patches: int
    points: int
    rejected: float  # share of the points in the patches that is not floor, 0 to 1
    sigma_mm: float  # flatness of the rest, one sigma


@dataclass(frozen=True)
class Alignment:
    """How the scan was laid into the vehicle frame. ``sigma_mm`` is one sigma of a coordinate."""

    targets: dict[str, TargetFit]
    rms_mm: float
    sigma_mm: float | None  # None: no equation is left over to tell
    spare: int | None = None  # equations less the six unknowns
    straightness: dict[str, Straightness] = field(default_factory=dict)
    hub_warp_mm: float | None = None  # one wheel centre off the plane of the other three, scanned less taped
    floor: FloorFit | None = None
    place_sigma_mm: dict[str, float] = field(default_factory=dict, compare=False)  # "middle", "front end", "rear end"


@dataclass(frozen=True)
class CoverageRow:
    """One pair and what was done with it: nothing is left blank."""

    between: tuple[str, str]
    status: str  # "checked" | "declared_contact" | "excluded"
    by: str  # the rule, the contact's reason, or who excluded it and why


@dataclass(frozen=True)
class Coverage:
    rows: tuple[CoverageRow, ...]

    def count(self, status: str) -> int:
        return sum(row.status == status for row in self.rows)


@dataclass(frozen=True)
class PartEcho:
    """What a person tapes on the vehicle to check that a part is where the layout says."""

    name: str
    part_class: str
    x_mm: tuple[float, float] | None
    y_mm: tuple[float, float] | None
    z_mm: tuple[float, float] | None
    mass_kg: float | None
    cg_mm: tuple[float, float, float] | None
    placed_by: str


@dataclass(frozen=True)
class AsWeighed:
    """The vehicle as it stood on the scales: nothing taken off, put in or aboard since."""

    loads: Loads | None  # None: no scales, or an axle is missing
    ground: Ground | None  # of the scanned metal, with the scanned pieces that came off since
    measured: str = ""  # what ``ground`` is of, in words


@dataclass(frozen=True)
class Result:
    """Everything that one check of one layout found."""

    title: str
    layout: str
    clearances: tuple[Clearance, ...]
    coverage: Coverage
    ground: dict[str, Ground] = field(default_factory=dict)
    loads: dict[str, Loads] = field(default_factory=dict)
    shafts: dict[str, Shaft] = field(default_factory=dict)
    limits: tuple[Limit, ...] = ()
    parts: tuple[PartEcho, ...] = ()
    alignment: Alignment | None = None  # None: the scan was already in the vehicle frame, or there is none
    notes: tuple[str, ...] = ()  # what was done to the scan
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)  # file → sha256
    timing_s: dict[str, float] = field(default_factory=dict)
    as_weighed: AsWeighed | None = None

    @property
    def verdict(self) -> Verdict:
        """The worst of all clearances and limits."""
        return worst([*(row.verdict for row in self.clearances), *(limit.verdict for limit in self.limits)])

    @property
    def counts(self) -> dict[str, int]:
        """How many clearances passed, failed, were not proven."""
        return _count([clearance.verdict for clearance in self.clearances])

    @property
    def limit_counts(self) -> dict[str, int]:
        """The same for targets and ratings."""
        return _count([limit.verdict for limit in self.limits])

    @property
    def exit_code(self) -> int:
        """0 all PASS · 1 a FAIL · 3 no FAIL, but something NOT PROVEN."""
        return {Verdict.PASS: 0, Verdict.FAIL: 1, Verdict.NOT_PROVEN: 3}[self.verdict]


def _count(verdicts: list[Verdict]) -> dict[str, int]:
    return {
        "pass": verdicts.count(Verdict.PASS),
        "fail": verdicts.count(Verdict.FAIL),
        "not_proven": verdicts.count(Verdict.NOT_PROVEN),
    }
