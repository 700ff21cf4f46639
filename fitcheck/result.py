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
class Cause:
    """A pair over a part of the travel: what one movement alone does to it."""

    name: str  # "ride", "laden", "straight bump", "drive torque", …
    distance_mm: float | None  # least over that part; None: not computed
    at_least_mm: float | None  # certified lower bound
    pose: dict[str, float] = field(default_factory=dict)


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
    causes: tuple[Cause, ...] = ()  # part by part of the travel; none for still pairs
    judged: str = ""  # the cause that the rule judges; "": everything together
    bites: str = ""  # in words, which motion brings the pair nearest; "": none does


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
    """The angle of one joint, degrees, between the shaft and the joint's own axis as lines in space."""

    ride: float
    max: float
    droop: float | None = None  # straight droop; None: nothing that carries a wheel moves the shaft
    laden: dict[str, float] = field(default_factory=dict)  # load state → angle
    max_pose: dict[str, float] = field(default_factory=dict)
    swing_pct: float | None = None  # output speed, greatest less least, at the largest standing angle


@dataclass(frozen=True)
class ShaftLength:
    ride: float
    min: float
    max: float
    min_pose: dict[str, float] = field(default_factory=dict)
    max_pose: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Practice:
    """A figure beside what practice asks of it. It is no verdict: the exit code does not know it."""

    figure: str
    value: float | None
    unit: str
    asks: str  # in words: "at most 5.8°"
    word: str  # "within practice" | "at the edge" | "over" | "unknown"
    source: str
    note: str = ""


@dataclass(frozen=True)
class JointPair:
    """What both joints of a shaft do together in one state; angles in degrees."""

    joints_deg: tuple[float, float]
    left_deg: float  # the one joint that turns as unevenly as both together do
    acceleration_rad_s2: tuple[float | None, float | None]  # peak: of the shaft, of what it drives; None: speed unknown


@dataclass(frozen=True)
class ShaftSpeed:
    """How fast a shaft turns at the highest road speed. A ratio is shaft turns for one of the wheel."""

    road_km_h: float
    ratio: float
    wheel_radius_mm: float  # loaded, the least of all load states
    rpm: float
    critical_share: float | None  # of the critical speed at the longest length
    half_critical_km_h: tuple[float, float] | None  # road speeds within 8 % of half the critical speed
    whip_mm: tuple[float, float] | None  # whirl of the middle, for an eccentricity of 0.3 and of 0.8; None: at or over


@dataclass(frozen=True)
class ShaftLoop:
    """Where a loop holds the shaft up if its first joint lets go: along x, and how much room it has to leave."""

    x_mm: tuple[float, float]
    room_mm: float  # from the shaft's line at ride, at the far end, for the tube at its widest swing


@dataclass(frozen=True)
class Shaft:
    """Joint angles, plunge and critical speed of one shaft over the whole travel of what carries its joints."""

    joint_deg: dict[str, JointAngles]  # "front": where it starts, "rear": where it ends
    length_mm: ShaftLength
    plunge_mm: float
    critical_rpm: float | None
    rides_on: tuple[str | None, str | None] = (None, None)  # what carries each joint; None: the body
    pairs: dict[str, JointPair] = field(default_factory=dict)  # "ride" and each load state
    speed: ShaftSpeed | None = None  # None: ratio, top speed or tyre are not known
    loop: ShaftLoop | None = None
    phased: bool | None = None  # as typed; None: not said, and taken as in phase
    constant_velocity: bool = False  # a half shaft: its joints turn evenly
    angle_sigma_deg: float = 0.0  # one sigma of an angle, from the taped joints
    practice: tuple[Practice, ...] = ()


@dataclass(frozen=True)
class SuspensionState:
    """How one axle stands in one load state. Travel counts to the metal stops."""

    bump_left_mm: float | None
    bump_left_sigma_mm: float
    droop_left_mm: float | None
    sprung_corner_kg: float | None  # the mean of left and right
    frequency_hz: float | None


@dataclass(frozen=True)
class StifferSpring:
    """The same axle in its fullest load state on another spring that stands as scanned under the scan-day load."""

    why: str  # "as fitted", "+10 %", "leaves 30 mm"
    wheel_rate_n_mm: float
    bump_left_mm: float
    body_drop_mm: float
    frequency_hz: float | None


@dataclass(frozen=True)
class LeafSprings:
    """What a pair of leaf springs, taken as symmetric, does under torque and over its travel. Closed forms."""

    stiffness_nm_deg: float  # against turning about the axle's own line
    grip_torque_nm: float | None  # what the tyres hold in the fullest load state, friction 0.8; None: not weighed
    grip_deg: float | None
    typed_deg: tuple[float, float]  # wind-up under drive and braking as the layout has it
    shackle_mm: float  # how far the eye at the shackle travels, metal stop to full droop


@dataclass(frozen=True)
class AxleSuspension:
    """Travel of one axle: as its mechanism has it, and what each load state leaves."""

    mechanism: str | None
    bump_mm: float | None
    droop_mm: float | None
    wheel_rate_n_mm: float
    articulation_deg: float | None = None  # one side at its bump stop, the other at full droop; None: no solid axle
    wheel_rise_mm: float | None = None  # of the upper wheel then, from the scan pose
    wheel_fall_mm: float | None = None  # of the lower wheel
    states: dict[str, SuspensionState] = field(default_factory=dict)
    fullest: str | None = None  # the load state that leaves least bump travel
    stiffer: tuple[StifferSpring, ...] = ()
    leaf: LeafSprings | None = None
    practice: tuple[Practice, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class TwistedPart:
    """A part that lies on both sides of the middle, and how far the frame would rack it."""

    name: str
    length_mm: float
    across_mm: float  # the spacing of the rails; its own width where that is not typed
    racked_mm: float


@dataclass(frozen=True)
class FrameRacking:
    """What the frame's twist does to parts that are bolted to both rails."""

    lift_torque_nm: float | None  # the lighter axle lifts a wheel at it; of all load states the most
    torque_nm: float | None = None  # that the layout reckons with; None: no twist is typed
    twist_deg: float | None = None  # to either side, between two places ``between_mm`` apart
    between_mm: float | None = None
    rails_mm: float | None = None
    parts: tuple[TwistedPart, ...] = ()


@dataclass(frozen=True)
class Suspension:
    """The suspension page."""

    axles: dict[str, AxleSuspension] = field(default_factory=dict)  # "front", "rear"
    racking: FrameRacking = FrameRacking(None)


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
    suspension: Suspension = Suspension()

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
