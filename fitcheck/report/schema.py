"""The published JSON Schema of the Result document.

``result.schema.json`` beside this file is what :func:`result_schema` returns, written
by ``fitcheck schema --result``; a test compares the two.
"""

from __future__ import annotations

import json
from typing import Any

from fitcheck.report.json_document import COVERAGE_STATES
from fitcheck.result import FORMAT, FRAME, Verdict

Schema = dict[str, Any]

_VERDICT: Schema = {"enum": [verdict.value for verdict in Verdict]}
_TEXT: Schema = {"type": "string"}
_TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
_NUMBER: Schema = {"type": "number"}
_MAYBE: Schema = {"type": ["number", "null"]}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_DISTANCE: Schema = {"type": "number", "minimum": 0}
_POINT: Schema = {"type": "array", "items": _NUMBER, "minItems": 3, "maxItems": 3}
_PAIR: Schema = {"type": "array", "items": _TEXT, "minItems": 2, "maxItems": 2}
_RANGE: Schema = {"type": ["array", "null"], "items": _NUMBER, "minItems": 2, "maxItems": 2}


def result_schema() -> Schema:
    """The schema of ``fitcheck-result/1``: every name described with its unit, no name left open."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "fitcheck result",
        "description": (
            "What one check of one layout found. Lengths in mm, masses in kg, angles in degrees, in the vehicle frame: "
            "x rearward from the front-axle line, y to the vehicle's right, z up from the scan-day floor. "
            "null: not computed, or none."
        ),
        **_object(
            format=_said({"const": FORMAT}, "Name and version of this format."),
            title=_said(_TEXT, "The layout's own title."),
            layout=_said(_TEXT, "The layout file that was checked."),
            frame=_said({"const": FRAME}, "Axes and units of every number."),
            verdict=_said(_VERDICT, "The worst of all clearances and limits."),
            counts=_said(_counts(), "How many clearances have which verdict."),
            limit_counts=_said(_counts(), "How many limits have which verdict."),
            clearances=_list(_clearance(), "Every judged pair."),
            ground=_by_name(_ground(), "Load state → heights over the ground and angles."),
            loads=_by_name(_loads(), "Load state → what each axle carries."),
            shafts=_by_name(_shaft(), "Shaft → joint angles, length, speed."),
            limits=_list(_limit(), "Targets of the owner and ratings, each in one load state."),
            parts=_list(_part(), "Where each part is, to be taped on the vehicle."),
            coverage=_said(_coverage(), "What was done with every pair: none is left out."),
            alignment=_said(
                {"anyOf": [_alignment(), {"type": "null"}]}, "How the scan was laid into the vehicle frame."
            ),
            notes=_list(_TEXT, "What was done to the scan."),
            warnings=_list(_TEXT, "What a person should look at, though it did not stop the check."),
            cautions=_list(_TEXT, "What the result does not say."),
            unchecked=_list(_TEXT, "Matters that no figure of this document speaks of."),
            inputs=_by_name(_TEXT, "File → SHA-256 of what was read."),
            timing_s=_by_name(_NUMBER, "Step → seconds."),
        ),
    }


def result_schema_text() -> str:
    """The schema as it is published."""
    return json.dumps(result_schema(), indent=2, ensure_ascii=False) + "\n"


def _clearance() -> Schema:
    return _object(
        between=_said(_PAIR, "The two names."),
        verdict=_said(_VERDICT, "PASS, FAIL or NOT PROVEN."),
        reason=_said(_TEXT, "Why, in words."),
        rule=_said(_TEXT, "The rule that the pair was judged by."),
        must_mm=_said(_DISTANCE, "The clearance that the rule demands, mm."),
        want_mm=_said(_DISTANCE, "The clearance that the rule would like, mm."),
        guard_mm=_said(_DISTANCE, "Expanded uncertainty (k = 2) of the distance, mm; taken off before judging."),
        distance_mm=_said(
            _MAYBE, "The least distance over all poses, mm; 0, or minus the depth of overlap, where they collide."
        ),
        at_least_mm=_said(_MAYBE, "Certified lower bound of the distance over all poses, mm."),
        static_mm=_said(_MAYBE, "Distance in the pose in which the vehicle was scanned, mm."),
        unseen_mm=_said(
            _MAYBE, "Distance to the nearest place that the scan did not see, mm; null where none, or not judged."
        ),
        straight_bump_mm=_said(
            _MAYBE, "The least over straight bump and droop, mm; null for a pair that does not move."
        ),
        pose=_by_name(
            _NUMBER, "Mechanism and movement, with its unit → its value in the worst pose; empty as scanned."
        ),
        points_mm=_said(
            {"type": ["array", "null"], "items": _POINT, "minItems": 2, "maxItems": 2},
            "The two nearest points [x, y, z] in the worst pose, mm.",
        ),
        depth_mm=_said(_MAYBE, "Where they overlap: the deepest point found, mm, a lower estimate; null when apart."),
        contact=_said(
            {"enum": ["apart", "touching", "overlap", "inside", "declared", "unknown"]},
            "How the two lie to each other.",
        ),
        moving_part=_said({"type": ["string", "null"]}, "The part that the moves would move; null: no moves."),
        moves=_list(_move(), "The shortest moves to a clear position: positions, not paths."),
        rule_reason=_said(_TEXT, "Why the rule asks for this."),
        rule_source=_said(_TEXT_OR_NULL, "Where the rule's figure comes from."),
        rule_label=_said(_TEXT, "code, practice, maker or judgement."),
        guard_parts=_by_name(_NUMBER, "Source of uncertainty → its standard uncertainty (k = 1), mm."),
    )


def _move() -> Schema:
    return _object(
        direction=_said(_TEXT, "+x, -x, +y, -y, +z, -z or exit."),
        vector=_said(_POINT, "The direction as a unit vector."),
        distance_mm=_said(_MAYBE, "How far to the first clear position, mm; null: none within limit_mm."),
        limit_mm=_said(_NUMBER, "How far was looked, mm."),
    )


def _ground() -> Schema:
    axle = "Axle → {}"
    return _object(
        belly_mm=_said(_MAYBE, "The lowest sprung point over the ground, mm."),
        belly_owner=_said(_TEXT_OR_NULL, "The part that owns it."),
        under_axle_mm=_by_name(_MAYBE, axle.format("clearance under it, mm.")),
        approach_deg=_said(_MAYBE, "Approach angle, tangent to the loaded front tyres, degrees."),
        departure_deg=_said(_MAYBE, "Departure angle, tangent to the loaded rear tyres, degrees."),
        breakover_deg=_said(_MAYBE, "Breakover (ramp) angle, degrees."),
        owners=_by_name(_owned(), "Height or angle → the part that owns it, and the runner-up."),
        bump_left_mm=_by_name(_MAYBE, axle.format("bump travel left in this load state, mm.")),
        floor_z_mm=_by_name(_MAYBE, axle.format("height of the ground in vehicle coordinates at its x, mm.")),
    )


def _owned() -> Schema:
    return _object(
        value=_said(_MAYBE, "mm for heights, degrees for angles."),
        owner=_said(_TEXT_OR_NULL, "The part that sets it."),
        point_mm=_said(
            {"type": ["array", "null"], "items": _NUMBER, "minItems": 3, "maxItems": 3}, "Where, [x, y, z] mm."
        ),
        runner_up=_said(_TEXT_OR_NULL, "The part that would set it next."),
        runner_up_value=_said(_MAYBE, "What it would be then."),
    )


def _loads() -> Schema:
    return _object(
        mass_kg=_said(_MAYBE, "Total mass, kg."),
        front_kg=_said(_MAYBE, "On the front axle, kg."),
        rear_kg=_said(_MAYBE, "On the rear axle, kg."),
        front_share_pct=_said(_MAYBE, "Share of the front axle, %."),
        left_kg=_said(_MAYBE, "On the left wheels, kg."),
        right_kg=_said(_MAYBE, "On the right wheels, kg."),
        cg_mm=_said(
            {"type": "array", "items": _MAYBE, "minItems": 3, "maxItems": 3},
            "Centre of gravity [x, y, z], mm; z null when the vehicle's height of it is not known.",
        ),
        ssf=_said(_MAYBE, "Static stability factor: half the track over the height of the centre of gravity."),
        front_sigma_kg=_said(_MAYBE, "Standard uncertainty (k = 1) of front_kg, kg."),
        body_drop_mm=_by_name(_MAYBE, "Axle → how far the body stands lower than on scan day, mm."),
        rear_sigma_kg=_said(_MAYBE, "Standard uncertainty (k = 1) of rear_kg, kg."),
        cg_height_over_ground_mm=_said(
            _MAYBE, "Height of the centre of gravity over the ground in this load state, mm."
        ),
        contributors=_list(
            _object(
                name=_said(_TEXT, "A line of the ledger."),
                front_sigma_kg=_said(_MAYBE, "What it adds to front_sigma_kg (in squares), kg."),
            ),
            "What makes most of the uncertainty of front_kg, largest first.",
        ),
    )


def _shaft() -> Schema:
    angles = _object(
        ride=_said(_MAYBE, "As scanned, degrees."),
        max=_said(_MAYBE, "Largest over the whole travel, degrees."),
    )
    length = _object(
        ride=_said(_MAYBE, "As scanned, mm."),
        min=_said(_MAYBE, "Least over the whole travel, mm."),
        max=_said(_MAYBE, "Most over the whole travel, mm."),
    )
    return _object(
        joint_deg=_by_name(angles, "Joint, front or rear → its angle."),
        length_mm=_said(length, "Between the joint centres."),
        plunge_mm=_said(_MAYBE, "Longest less shortest, mm."),
        critical_rpm=_said(_MAYBE, "First whirling speed of the tube, 1/min; null when its wall is not known."),
    )


def _limit() -> Schema:
    return _object(
        name=_said(_TEXT, "The figure that is limited; its unit is the end of its name."),
        state=_said(_TEXT, "The load state."),
        value=_said(_MAYBE, "What it is."),
        sigma=_said(_MAYBE, "Its standard uncertainty (k = 1)."),
        limit=_said(_NUMBER, "What it may be."),
        sense=_said({"enum": ["at least", "at most"]}, "Which side of the limit is good."),
        verdict=_said(_VERDICT, "PASS, FAIL or NOT PROVEN."),
        reason=_said(_TEXT, "Why, in words."),
        source=_said(_TEXT_OR_NULL, "Where the limit comes from."),
    )


def _part() -> Schema:
    return _object(
        name=_said(_TEXT, "The part."),
        part_class=_said(_TEXT, "Its class, by which rules know it."),
        x_mm=_said(_RANGE, "From, to, rearward of the front-axle line, mm."),
        y_mm=_said(_RANGE, "From, to, to the right of the middle, mm."),
        z_mm=_said(_RANGE, "From, to, above the scan-day floor, mm."),
        mass_kg=_said(_MAYBE, "Its mass, kg."),
        cg_mm=_said(
            {"type": ["array", "null"], "items": _NUMBER, "minItems": 3, "maxItems": 3}, "Its centre of gravity, mm."
        ),
        placed_by=_said(_TEXT, "What the layout placed it by, in words."),
    )


def _alignment() -> Schema:
    target = _object(
        residual_mm=_said(_POINT, "Scan place less taped place in the fit of all targets, mm."),
        left_out_mm=_said(
            {"anyOf": [_POINT, {"type": "null"}]}, "The same in the fit of all others, mm; null: no fit."
        ),
    )
    return _object(
        targets=_by_name(target, "Target → how it fitted."),
        rms_mm=_said(_NUMBER, "Root mean square of the residuals' lengths, mm."),
        sigma_mm=_said(_NUMBER, "One sigma of a coordinate, mm: √(Σe²/(3n − 6))."),
    )


def _coverage() -> Schema:
    row = _object(
        between=_said(_PAIR, "The two names."),
        status=_said({"enum": list(COVERAGE_STATES)}, "What was done with the pair."),
        by=_said(_TEXT, "The rule, the reason of the contact, or who left it out and why."),
    )
    return _object(
        pairs=_said(_COUNT, "All pairs: checked + declared_contact + excluded."),
        checked=_said(_COUNT, "Judged by a rule."),
        declared_contact=_said(_COUNT, "Meant to touch, at a place."),
        excluded=_said(_COUNT, "Left out by someone, for a reason."),
        rows=_list(row, "Every pair."),
    )


def _counts() -> Schema:
    return _object(
        **{"pass": _said(_COUNT, "PASS")},
        fail=_said(_COUNT, "FAIL"),
        not_proven=_said(_COUNT, "NOT PROVEN"),
    )


def _object(**properties: Schema) -> Schema:
    """An object in which every name is required and no other is allowed."""
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def _by_name(values: Schema, description: str) -> Schema:
    return {"description": description, "type": "object", "additionalProperties": values}


def _list(items: Schema, description: str) -> Schema:
    return {"description": description, "type": "array", "items": items}


def _said(schema: Schema, description: str) -> Schema:
    return {"description": description, **schema}
