"""A shaft's figures beside what practice asks of them. None of it is a verdict.

Each row says where its limit comes from: a driveline maker's page, common practice, this
project's own judgement, or memory, where no page could be found again. What is not known is
"unknown", never "within practice".
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from fitcheck.checks import shaft_speed
from fitcheck.result import JointAngles, Practice, Shaft
from fitcheck.vehicle.scene import ShaftPart, Vector

WITHIN, EDGE, OVER, UNDER, UNKNOWN = "within practice", "at the edge", "over", "under", "unknown"

CHART = "driveline makers' chart of angle by speed"
RULES = "driveline makers' rules for cross joints (another maker: joints 1.5° apart, and never over 6°)"
BIND = "a driveline maker's page: metal meets metal near 30°; sooner in a slip yoke: turn it by hand at full droop"
CRITICAL = "driveline makers' practice, uniform tube on pinned ends at its longest: and 8 % off half the critical speed"
WHIRL = "e r²/(1 − r²), closed form of one mass on a light shaft; e up to 0.8 mm from memory"
SHORT = "a driveline maker's rule for short coupled shafts: inches of length over 5, over 10 where the ends cross"
HALF_SHAFT = "usual constant-velocity joints, fixed outer and plunging inner, from memory: the maker's figure counts"
JUDGEMENT = "this project's judgement"

LEAST_DEG, ALIKE_DEG, LEFT_DEG = 0.5, 1.0, 3.0
SHARE_PCT, SHARE_MOST_PCT = 70.0, 75.0
OUTER_DEG, INNER_DEG, PLUNGE_MM = (45.0, 50.0), (20.0, 26.0), (40.0, 50.0)
SHORT_BELOW_DEG = 6.0
"""A shaft of 30 in may stand at 6° by that rule: for longer ones other rules are the stricter (judgement)."""

SPLINE_DIAMETERS, BOTTOM_MM, SPARE_MM = 1.5, 10.0, 5.0
_SPEED_MISSING = "needs the shaft's ratio, the vehicle's top speed and the tyre"
_ROUNDING = 1e-9  # of a figure that stands at its limit


def practice_rows(shaft: Shaft, part: ShaftPart) -> tuple[Practice, ...]:
    """Every figure that practice has a word on, in the order in which a person measures them."""
    if shaft.constant_velocity:
        return tuple(_half_shaft(shaft, part))
    rows = [*_running_angles(shaft), *_joints(shaft), *_short(shaft, part), *_bind(shaft)]
    rows += [*_critical(shaft, part), *_half_critical(shaft), *_whirl(shaft, part), *_spline(shaft, part)]
    return tuple(rows)


def most(value: float | None, limit: float, edge: float | None = None, spread: float = 0.0) -> str:
    """The word for a figure that should be at most ``limit``.

    "At the edge": between that and ``edge``, or nearer to the limit than its own ``spread`` (two sigma).
    """
    if value is None or not (math.isfinite(value) and math.isfinite(limit)):
        return UNKNOWN
    if value + spread <= limit + _ROUNDING:
        return WITHIN
    return EDGE if value - spread <= (limit if edge is None else edge) + _ROUNDING else OVER


def least(value: float | None, limit: float, spread: float = 0.0) -> str:
    """The word for a figure that should be at least ``limit``."""
    word = most(None if value is None else -value, -limit, spread=spread)
    return UNDER if word == OVER else word


def running_deg(angles: JointAngles) -> tuple[float, str]:
    """The largest angle that a joint runs at for long, of ride and the load states, and the state. NaN stays NaN."""
    states = {"ride": angles.ride, **angles.laden}
    bad = [name for name, value in states.items() if math.isnan(value)]
    name = bad[0] if bad else max(states, key=lambda state: states[state])
    return states[name], name


def _running_angles(shaft: Shaft) -> Iterator[Practice]:
    for end, angles in shaft.joint_deg.items():
        value, state = running_deg(angles)
        figure = f"{end} joint, standing"
        if shaft.speed is None:
            note = f"{state}; {_SPEED_MISSING}; by the chart it may run {_allowed(value)}"
            yield Practice(figure, value, "deg", "by its speed", UNKNOWN, CHART, note)
            continue
        limit = shaft_speed.angle_limit_deg(shaft.speed.rpm)
        word = _running(value, limit.deg, shaft)
        life = "twice the angle, half the life" if word == OVER else ""
        note = "; ".join(part for part in (state, limit.note, life) if part)
        asks = f"at most {limit.deg:.1f}° at {shaft.speed.rpm:.0f} rpm"
        yield Practice(figure, value, "deg", asks, word, CHART, note)


def _allowed(angle_deg: float) -> str:
    """How fast a joint at that angle may turn, in words."""
    if not math.isfinite(angle_deg):
        return "at a speed that is not known"
    rpm = shaft_speed.speed_for_angle_rpm(angle_deg)
    return "at any speed" if rpm is None else f"up to {rpm:.0f} rpm"


def _running(value: float, limit: float, shaft: Shaft) -> str:
    return most(value, limit, spread=2.0 * shaft.angle_sigma_deg)


def _joints(shaft: Shaft) -> Iterator[Practice]:
    """Enough angle for the needles to roll, both angles alike, little left of one joint behind the other."""
    pairs = shaft.pairs.values()
    smallest = min((angle for pair in pairs for angle in pair.joints_deg), default=None)
    apart = max((abs(pair.joints_deg[0] - pair.joints_deg[1]) for pair in pairs), default=None)
    left = max((pair.left_deg for pair in pairs), default=None)
    yield Practice(
        "smallest, standing",
        smallest,
        "deg",
        f"at least {LEAST_DEG:g}°",
        least(smallest, LEAST_DEG, 2.0 * shaft.angle_sigma_deg),
        RULES,
    )
    yield Practice("joints alike", apart, "deg", f"within {ALIKE_DEG:g}°", most(apart, ALIKE_DEG), RULES)
    yield Practice("left over of both", left, "deg", f"at most {LEFT_DEG:g}°", most(left, LEFT_DEG), RULES)


def short_shaft_deg(length_mm: float, *, crossing: bool) -> float:
    """The largest angle of a short coupled shaft: its length in inches over 5; over 10 where its ends cross."""
    return length_mm / 25.4 / (10.0 if crossing else 5.0)


def _short(shaft: Shaft, part: ShaftPart) -> Iterator[Practice]:
    """A shaft so short that its length allows less than the chart's standing angle ever would."""
    crossing = _angle_between_deg(part.start_axis, part.end_axis) > ALIKE_DEG
    limit = short_shaft_deg(shaft.length_mm.ride, crossing=crossing)
    if not limit >= SHORT_BELOW_DEG:  # also where it is not a number
        found = [running_deg(angles) for angles in shaft.joint_deg.values()]
        value, state = max(found, key=lambda one: math.inf if math.isnan(one[0]) else one[0])
        asks = f"at most {limit:.1f}°"
        yield Practice("short shaft, standing", value, "deg", asks, _running(value, limit, shaft), SHORT, state)


def _angle_between_deg(one: Vector, other: Vector) -> float:
    """Between two joint axes as lines, 0 to 90."""
    along = abs(sum(a * b for a, b in zip(one, other, strict=True))) / (math.hypot(*one) * math.hypot(*other))
    return math.degrees(math.acos(min(1.0, along)))


def _bind(shaft: Shaft) -> Iterator[Practice]:
    limit = shaft_speed.BIND_DEG
    for end, angles in shaft.joint_deg.items():
        word = _running(angles.max, limit, shaft)
        yield Practice(f"{end} joint, largest", angles.max, "deg", f"under {limit:g}°", word, BIND)


def _half_shaft(shaft: Shaft, part: ShaftPart) -> Iterator[Practice]:
    """A half shaft's joints turn evenly: what counts is how far they bend, and how far the inner one plunges."""
    ends = dict(zip(("front", "rear"), (part.start_mm, part.end_mm), strict=True))
    outer = max(ends, key=lambda end: abs(ends[end][1]))
    for end, angles in shaft.joint_deg.items():
        name, (low, high) = ("outer", OUTER_DEG) if end == outer else ("inner", INNER_DEG)
        asks, word = f"at most {low:g} to {high:g}°", most(angles.max, low, high, 2.0 * shaft.angle_sigma_deg)
        yield Practice(f"{name} joint, largest", angles.max, "deg", asks, word, HALF_SHAFT, f"the {end} one")
    low, high = PLUNGE_MM
    asks = f"at most {low:g} to {high:g} mm"
    yield Practice("plunge, end to end", shaft.plunge_mm, "mm", asks, most(shaft.plunge_mm, low, high), HALF_SHAFT)


def _critical(shaft: Shaft, part: ShaftPart) -> Iterator[Practice]:
    asks = f"at most {SHARE_PCT:g} to {SHARE_MOST_PCT:g} %"
    share = None if shaft.speed is None or shaft.speed.critical_share is None else 100.0 * shaft.speed.critical_share
    note = _SPEED_MISSING if shaft.speed is None else ""
    note = "needs the wall of the tube" if part.wall_mm is None else note
    word = most(share, SHARE_PCT, SHARE_MOST_PCT)
    note = note or ("thicker, or two pieces with a bearing between (a body-builder manual)" if word == OVER else "")
    yield Practice("share of critical", share, "%", asks, word, CRITICAL, note)


def _half_critical(shaft: Shaft) -> Iterator[Practice]:
    speed = shaft.speed
    if speed is None or speed.half_critical_km_h is None:
        return
    low, high = speed.half_critical_km_h
    asks = f"not from {low:.0f} to {high:.0f} km/h"
    within = low < speed.road_km_h < high
    note = "no long stretch there: half the critical speed" if speed.road_km_h >= high else ""
    yield Practice("top speed", speed.road_km_h, "km/h", asks, OVER if within else WITHIN, CRITICAL, note)


def _whirl(shaft: Shaft, part: ShaftPart) -> Iterator[Practice]:
    if shaft.speed is None or shaft.speed.critical_share is None:
        return
    bow = None if shaft.speed.whip_mm is None else shaft.speed.whip_mm[1]
    asks = f"at most {part.whip_mm:g} mm, as typed"
    word = OVER if bow is None else most(bow, part.whip_mm)  # at its critical speed it bows without bound
    yield Practice("whirl at top speed", bow, "mm", asks, word, WHIRL)


def _spline(shaft: Shaft, part: ShaftPart) -> Iterator[Practice]:
    """How much of the slip's spline is still engaged at the longest, and free at the shortest, with 5 mm to spare."""
    length = shaft.length_mm
    if part.spline_engaged_mm is not None:
        value = part.spline_engaged_mm - (length.max - length.ride)
        yield _engaged(value, part.spline_diameter_mm)
    if part.spline_free_mm is not None:
        value = part.spline_free_mm - (length.ride - length.min)
        limit = BOTTOM_MM + SPARE_MM
        note = f"{BOTTOM_MM:g} mm before it bottoms at the shortest, and {SPARE_MM:g} to spare"
        yield Practice("spline free", value, "mm", f"at least {limit:g} mm", least(value, limit), JUDGEMENT, note)


def _engaged(value: float, diameter_mm: float | None) -> Practice:
    figure, why = "spline engaged", f"{SPLINE_DIAMETERS:g} × its diameter at the longest, and {SPARE_MM:g} mm to spare"
    if diameter_mm is not None:
        limit = SPLINE_DIAMETERS * diameter_mm + SPARE_MM
        return Practice(figure, value, "mm", f"at least {limit:.0f} mm", least(value, limit), JUDGEMENT, why)
    asks = f"{SPLINE_DIAMETERS:g} × diameter + {SPARE_MM:g} mm"
    if not value > SPARE_MM:
        return Practice(figure, value, "mm", asks, UNKNOWN if math.isnan(value) else UNDER, JUDGEMENT, why)
    note = f"enough for a spline of up to {(value - SPARE_MM) / SPLINE_DIAMETERS:.0f} mm: type its diameter"
    return Practice(figure, value, "mm", asks, UNKNOWN, JUDGEMENT, note)
