"""What the shaft page and the suspension page are in the Result document; see schema.py."""

from __future__ import annotations

from fitcheck.report.schema import MAYBE, NUMBER, TEXT, TEXT_OR_NULL, Schema, by_name, list_of, object_of, said

_POSE = "Mechanism and movement, with its unit → its value {}; empty as scanned."
_TWO: Schema = {"type": "array", "items": MAYBE, "minItems": 2, "maxItems": 2}
_TWO_OR_NULL: Schema = {"type": ["array", "null"], "items": NUMBER, "minItems": 2, "maxItems": 2}


def shaft_schema() -> Schema:
    """One shaft: angles, length, speed, practice."""
    carrier: Schema = {"type": "array", "items": TEXT_OR_NULL, "minItems": 2, "maxItems": 2}
    return object_of(
        joint_deg=by_name(_angles(), "Joint, front (where it starts) or rear → its angle."),
        length_mm=said(_length(), "Between the joint centres."),
        plunge_mm=said(MAYBE, "Longest less shortest, mm."),
        critical_rpm=said(MAYBE, "First whirling speed of the tube at its longest, 1/min; null: no wall is typed."),
        rides_on=said(carrier, "What carries the front and the rear joint; null: the body."),
        pairs=by_name(_pair(), "ride, or a load state → what both joints do together."),
        speed=said({"anyOf": [_speed(), {"type": "null"}]}, "At the highest road speed; null: not known."),
        loop=said({"anyOf": [_loop(), {"type": "null"}]}, "Where a retaining loop would sit."),
        phased=said({"type": ["boolean", "null"]}, "Whether the yokes stand alike; null: not said, taken as in phase."),
        constant_velocity=said({"type": "boolean"}, "Whether its joints turn evenly: a half shaft to a wheel."),
        angle_sigma_deg=said(MAYBE, "Standard uncertainty (k = 1) of an angle, from the taped joints, degrees."),
        practice=list_of(_practice(), "Figures beside what practice asks: no verdicts."),
    )


def _angles() -> Schema:
    return object_of(
        ride=said(MAYBE, "As scanned, degrees."),
        max=said(MAYBE, "Largest over the whole travel, degrees."),
        droop=said(MAYBE, "At straight droop, degrees; null: nothing with wheels carries the shaft."),
        laden=by_name(MAYBE, "Load state → the angle in it, degrees."),
        max_pose=by_name(NUMBER, _POSE.format("where the angle is largest")),
        swing_pct=said(MAYBE, "Output speed, greatest less least, % of the mean, at the largest standing angle."),
    )


def _length() -> Schema:
    return object_of(
        ride=said(MAYBE, "As scanned, mm."),
        min=said(MAYBE, "Least over the whole travel, mm."),
        max=said(MAYBE, "Most over the whole travel, mm."),
        min_pose=by_name(NUMBER, _POSE.format("where it is shortest")),
        max_pose=by_name(NUMBER, _POSE.format("where it is longest")),
    )


def _pair() -> Schema:
    return object_of(
        joints_deg=said(_TWO, "Front and rear joint, degrees."),
        left_deg=said(MAYBE, "The one joint that turns as unevenly as both together, degrees."),
        acceleration_rad_s2=said(_TWO, "Peak angular acceleration of the shaft and of what it drives, rad/s²."),
    )


def _speed() -> Schema:
    return object_of(
        road_km_h=said(MAYBE, "The vehicle's top speed, km/h."),
        ratio=said(MAYBE, "Turns of the shaft for one of the wheel."),
        wheel_radius_mm=said(MAYBE, "Loaded radius, the least of all load states, mm."),
        rpm=said(MAYBE, "Speed of the shaft, 1/min."),
        critical_share=said(MAYBE, "That speed over the critical one; null: its wall is not known."),
        half_critical_km_h=said(_TWO_OR_NULL, "Road speeds within 8 % of half the critical speed, from, to."),
        whip_mm=said(_TWO_OR_NULL, "Whirl of the middle for an eccentricity of 0.3 and 0.8 mm, mm; null: at critical."),
    )


def _loop() -> Schema:
    return object_of(
        x_mm=said(_TWO, "From, to, rearward of the front-axle line, mm."),
        room_mm=said(MAYBE, "From the shaft's line at ride to the loop, at least, mm."),
    )


def _practice() -> Schema:
    words = ["within practice", "at the edge", "over", "under", "unknown"]
    return object_of(
        figure=said(TEXT, "What is looked at."),
        value=said(MAYBE, "What it is; null: not known."),
        unit=said(TEXT, "Its unit: deg, mm, %, km/h or Hz."),
        asks=said(TEXT, "What practice asks, in words."),
        word=said({"enum": words}, "How it stands to that: no verdict."),
        source=said(TEXT, "Where the limit comes from."),
        note=said(TEXT, "What to mind, or to do; empty: nothing."),
    )


def suspension_schema() -> Schema:
    """Both axles and the frame's twist."""
    return object_of(
        axles=by_name(_axle(), "Axle → its travel and springs."),
        racking=said(_racking(), "What the frame's twist does to parts bolted to both rails."),
    )


def _axle() -> Schema:
    return object_of(
        mechanism=said(TEXT_OR_NULL, "What carries it; null: none, and its travel is not known."),
        bump_mm=said(MAYBE, "Travel up from the scan pose to the metal stop, mm."),
        droop_mm=said(MAYBE, "Travel down from the scan pose, mm."),
        wheel_rate_n_mm=said(MAYBE, "Spring rate of one wheel, at the wheel, N/mm."),
        articulation_deg=said(MAYBE, "One side at its bump stop, the other hanging, degrees; null: no solid axle."),
        wheel_rise_mm=said(MAYBE, "How far the upper wheel is up then from the scan pose, mm."),
        wheel_fall_mm=said(MAYBE, "The same of the lower wheel, negative: down, mm."),
        states=by_name(_state(), "Load state → what it leaves."),
        fullest=said(TEXT_OR_NULL, "The load state that leaves least bump travel."),
        stiffer=list_of(_stiffer(), "The fullest load state on other springs."),
        leaf=said({"anyOf": [_leaf(), {"type": "null"}]}, "Of an axle on leaf springs; null: it is not."),
        practice=list_of(_practice(), "Figures beside what practice asks: no verdicts."),
        notes=list_of(TEXT, "What to mind."),
    )


def _state() -> Schema:
    return object_of(
        bump_left_mm=said(MAYBE, "Bump travel left, mm."),
        bump_left_sigma_mm=said(MAYBE, "Its standard uncertainty (k = 1), from the masses, mm; also that of droop."),
        droop_left_mm=said(MAYBE, "Droop left, mm."),
        sprung_corner_kg=said(MAYBE, "Sprung mass of one wheel, the mean of both sides, kg."),
        frequency_hz=said(MAYBE, "Ride frequency, 1/s."),
    )


def _stiffer() -> Schema:
    return object_of(
        why=said(TEXT, "Which spring: as fitted, the one that leaves 30 mm, or a stiffer one."),
        wheel_rate_n_mm=said(MAYBE, "Spring rate of one wheel, at the wheel, N/mm."),
        bump_left_mm=said(MAYBE, "Bump travel left, mm."),
        body_drop_mm=said(MAYBE, "How far the body stands lower than on scan day, mm."),
        frequency_hz=said(MAYBE, "Ride frequency, 1/s."),
    )


def _leaf() -> Schema:
    return object_of(
        stiffness_nm_deg=said(MAYBE, "Of both springs against wind-up, N·m a degree."),
        grip_torque_nm=said(MAYBE, "The most the tyres hold in the fullest load state, N·m."),
        grip_deg=said(MAYBE, "Wind-up under that torque, degrees."),
        typed_deg=said(_TWO, "Wind-up under drive and braking as the layout has it, degrees."),
        shackle_mm=said(MAYBE, "How far the eye at the shackle travels, mm."),
    )


def _racking() -> Schema:
    part = object_of(
        name=said(TEXT, "The part."),
        length_mm=said(MAYBE, "Its length along the vehicle, mm."),
        across_mm=said(MAYBE, "Spacing of the rails, or its own width where that is not typed, mm."),
        racked_mm=said(MAYBE, "How far its fourth corner comes off the plane of the others, to either side, mm."),
    )
    return object_of(
        lift_torque_nm=said(MAYBE, "At which the lighter axle lifts a wheel, N·m; null: no scales."),
        torque_nm=said(MAYBE, "That the layout reckons with, N·m; null: no twist is typed."),
        twist_deg=said(MAYBE, "Twist to either side, degrees."),
        between_mm=said(MAYBE, "Between places so far apart, mm."),
        rails_mm=said(MAYBE, "Spacing of the rails, mm; null: not said."),
        parts=list_of(part, "Parts on both sides of the middle, the most racked first."),
    )
