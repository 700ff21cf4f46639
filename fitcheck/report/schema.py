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

VERDICT: Schema = {"enum": [verdict.value for verdict in Verdict]}
TEXT: Schema = {"type": "string"}
TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
NUMBER: Schema = {"type": "number"}
MAYBE: Schema = {"type": ["number", "null"]}
COUNT: Schema = {"type": "integer", "minimum": 0}
_DISTANCE: Schema = {"type": "number", "minimum": 0}
_POINT: Schema = {"type": "array", "items": NUMBER, "minItems": 3, "maxItems": 3}
PAIR: Schema = {"type": "array", "items": TEXT, "minItems": 2, "maxItems": 2}
_RANGE: Schema = {"type": ["array", "null"], "items": NUMBER, "minItems": 2, "maxItems": 2}


def result_schema() -> Schema:
    """The schema of ``fitcheck-result/1``: every name described with its unit, no name left open."""
    from fitcheck.report.pages_schema import shaft_schema, suspension_schema  # it is written in the words below

    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "fitcheck result",
        "description": (
            "What one check of one layout found. Lengths in mm, masses in kg, angles in degrees, in the vehicle frame: "
            "x rearward from the front-axle line, y to the vehicle's right, z up from the scan-day floor. "
            "null: not computed, or none."
        ),
        **object_of(
            format=said({"const": FORMAT}, "Name and version of this format."),
            title=said(TEXT, "The layout's own title."),
            layout=said(TEXT, "The layout file that was checked."),
            frame=said({"const": FRAME}, "Axes and units of every number."),
            verdict=said(VERDICT, "The worst of all clearances and limits."),
            counts=said(_counts(), "How many clearances have which verdict."),
            limit_counts=said(_counts(), "How many limits have which verdict."),
            clearances=list_of(_clearance(), "Every judged pair."),
            ground=by_name(_ground(), "Load state → heights over the ground and angles."),
            loads=by_name(_loads(), "Load state → what each axle carries."),
            shafts=by_name(shaft_schema(), "Shaft → joint angles, length, speed."),
            limits=list_of(_limit(), "Targets of the owner and ratings, each in one load state."),
            parts=list_of(_part(), "Where each part is, to be taped on the vehicle."),
            coverage=said(_coverage(), "What was done with every pair: none is left out."),
            alignment=said(
                {"anyOf": [_alignment(), {"type": "null"}]}, "How the scan was laid into the vehicle frame."
            ),
            notes=list_of(TEXT, "What was done to the scan."),
            warnings=list_of(TEXT, "What a person should look at, though it did not stop the check."),
            cautions=list_of(TEXT, "What the result does not say."),
            unchecked=list_of(TEXT, "Matters that no figure of this document speaks of."),
            inputs=by_name(TEXT, "File → SHA-256 of what was read."),
            timing_s=by_name(NUMBER, "Step → seconds."),
            as_weighed=said(
                {"anyOf": [_as_weighed(), {"type": "null"}]},
                "The vehicle as it stood on the scales, before anything came off or went in; null: not looked at.",
            ),
            suspension=said(suspension_schema(), "Travel left, springs, and what the frame's twist racks."),
        ),
    }


def result_schema_text() -> str:
    """The schema as it is published."""
    return json.dumps(result_schema(), indent=2, ensure_ascii=False) + "\n"


def _clearance() -> Schema:
    return object_of(
        between=said(PAIR, "The two names."),
        verdict=said(VERDICT, "PASS, FAIL or NOT PROVEN."),
        reason=said(TEXT, "Why, in words."),
        rule=said(TEXT, "The rule that the pair was judged by."),
        must_mm=said(_DISTANCE, "The clearance that the rule demands, mm."),
        want_mm=said(_DISTANCE, "The clearance that the rule would like, mm."),
        guard_mm=said(_DISTANCE, "Expanded uncertainty (k = 2) of the distance, mm; taken off before judging."),
        distance_mm=said(
            MAYBE, "The least distance over all poses, mm; 0, or minus the depth of overlap, where they collide."
        ),
        at_least_mm=said(MAYBE, "Certified lower bound of the distance over all poses, mm."),
        static_mm=said(MAYBE, "Distance in the pose in which the vehicle was scanned, mm."),
        unseen_mm=said(
            MAYBE, "Distance to the nearest place that the scan did not see, mm, 0 in it; null where none is near."
        ),
        unseen_place=said(TEXT, "The name of that place; empty where none is near."),
        unseen_point_mm=said(
            {"type": ["array", "null"], "items": NUMBER, "minItems": 3, "maxItems": 3},
            "Where that place comes nearest, [x, y, z] mm.",
        ),
        unseen_from_mm=said(
            {"type": ["array", "null"], "items": NUMBER, "minItems": 3, "maxItems": 3},
            "The point of the part or moving body that it comes nearest to, [x, y, z] mm.",
        ),
        settle=said(TEXT, "What reading would settle the answer; empty where nothing is to be read."),
        assumed=said({"type": "boolean"}, "Whether the nearest metal is assumed: mirrored, not measured."),
        causes=list_of(
            _cause(), "The pair part by part of the travel: what one movement alone does; none where nothing moves."
        ),
        judged=said(TEXT, "The cause that the rule judges; empty: everything together."),
        bites=said(TEXT, "In words, which motion brings the pair nearest; empty: none does."),
        straight_bump_mm=said(
            MAYBE, "The least over straight bump and droop, mm; null for a pair that does not move."
        ),
        pose=by_name(
            NUMBER, "Mechanism and movement, with its unit → its value in the worst pose; empty as scanned."
        ),
        points_mm=said(
            {"type": ["array", "null"], "items": _POINT, "minItems": 2, "maxItems": 2},
            "The two nearest points [x, y, z] in the worst pose, mm: the first on the first of between.",
        ),
        depth_mm=said(MAYBE, "Where they overlap: the deepest point found, mm, a lower estimate; null when apart."),
        contact=said(
            {"enum": ["apart", "touching", "overlap", "inside", "declared", "unknown"]},
            "How the two lie to each other.",
        ),
        moving_part=said({"type": ["string", "null"]}, "The part that the moves would move; null: no moves."),
        moves=list_of(_move(), "The shortest moves to a clear position: positions, not paths."),
        rule_reason=said(TEXT, "Why the rule asks for this."),
        rule_source=said(TEXT_OR_NULL, "Where the rule's figure comes from."),
        rule_label=said(TEXT, "code, practice, maker or judgement."),
        guard_parts=by_name(NUMBER, "Source of uncertainty → its standard uncertainty (k = 1), mm."),
    )


def _cause() -> Schema:
    return object_of(
        name=said(TEXT, "The movement: ride, laden, straight bump, drive torque, … or everything together."),
        distance_mm=said(MAYBE, "The least distance over that part of the travel, mm; null: not computed."),
        at_least_mm=said(MAYBE, "Certified lower bound of it, mm."),
        pose=by_name(NUMBER, "Mechanism and movement, with its unit → its value in that part's worst pose."),
    )


def _move() -> Schema:
    return object_of(
        direction=said(TEXT, "+x, -x, +y, -y, +z, -z or exit."),
        vector=said(_POINT, "The direction as a unit vector."),
        distance_mm=said(MAYBE, "How far to the first clear position, mm; null: none within limit_mm."),
        limit_mm=said(NUMBER, "How far was looked, mm."),
    )


def _ground() -> Schema:
    axle = "Axle → {}"
    return object_of(
        belly_mm=said(MAYBE, "The lowest sprung point over the ground, mm."),
        belly_owner=said(TEXT_OR_NULL, "The part that owns it."),
        under_axle_mm=by_name(MAYBE, axle.format("clearance under it, mm.")),
        approach_deg=said(MAYBE, "Approach angle, tangent to the loaded front tyres, degrees."),
        departure_deg=said(MAYBE, "Departure angle, tangent to the loaded rear tyres, degrees."),
        breakover_deg=said(MAYBE, "Breakover (ramp) angle, degrees."),
        owners=by_name(_owned(), "Height or angle → the part that owns it, and the runner-up."),
        bump_left_mm=by_name(MAYBE, axle.format("bump travel left in this load state, mm.")),
        floor_z_mm=by_name(MAYBE, axle.format("height of the ground in vehicle coordinates at its x, mm.")),
    )


def _owned() -> Schema:
    return object_of(
        value=said(MAYBE, "mm for heights, degrees for angles."),
        owner=said(TEXT_OR_NULL, "The part that sets it."),
        point_mm=said(
            {"type": ["array", "null"], "items": NUMBER, "minItems": 3, "maxItems": 3}, "Where, [x, y, z] mm."
        ),
        runner_up=said(TEXT_OR_NULL, "The part that would set it next."),
        runner_up_value=said(MAYBE, "What it would be then."),
    )


def _loads() -> Schema:
    return object_of(
        mass_kg=said(MAYBE, "Total mass, kg."),
        front_kg=said(MAYBE, "On the front axle, kg."),
        rear_kg=said(MAYBE, "On the rear axle, kg."),
        front_share_pct=said(MAYBE, "Share of the front axle, %."),
        left_kg=said(MAYBE, "On the left wheels, kg."),
        right_kg=said(MAYBE, "On the right wheels, kg."),
        cg_mm=said(
            {"type": "array", "items": MAYBE, "minItems": 3, "maxItems": 3},
            "Centre of gravity [x, y, z], mm; z null when the vehicle's height of it is not known.",
        ),
        ssf=said(MAYBE, "Static stability factor: half the track over the height of the centre of gravity."),
        front_sigma_kg=said(MAYBE, "Standard uncertainty (k = 1) of front_kg, kg."),
        body_drop_mm=by_name(MAYBE, "Axle → how far the body stands lower than on scan day, mm."),
        rear_sigma_kg=said(MAYBE, "Standard uncertainty (k = 1) of rear_kg, kg."),
        cg_height_over_ground_mm=said(
            MAYBE, "Height of the centre of gravity over the ground in this load state, mm."
        ),
        contributors=list_of(
            object_of(
                name=said(TEXT, "A line of the ledger."),
                front_sigma_kg=said(MAYBE, "What it adds to front_sigma_kg (in squares), kg."),
            ),
            "What makes most of the uncertainty of front_kg, largest first.",
        ),
    )


def _as_weighed() -> Schema:
    return object_of(
        loads=said({"anyOf": [_loads(), {"type": "null"}]}, "What each axle carried; null: no scales or axles."),
        ground=said(
            {"anyOf": [_ground(), {"type": "null"}]},
            "Heights and angles of what was scanned, with what came off since; null: no scales or axles.",
        ),
        measured=said(TEXT, "What the heights and angles are of, in words; empty where there are none."),
    )


def _limit() -> Schema:
    return object_of(
        name=said(TEXT, "The figure that is limited; its unit is the end of its name."),
        state=said(TEXT, "The load state."),
        value=said(MAYBE, "What it is."),
        sigma=said(MAYBE, "Its standard uncertainty (k = 1)."),
        limit=said(NUMBER, "What it may be."),
        sense=said({"enum": ["at least", "at most"]}, "Which side of the limit is good."),
        verdict=said(VERDICT, "PASS, FAIL or NOT PROVEN."),
        reason=said(TEXT, "Why, in words."),
        source=said(TEXT_OR_NULL, "Where the limit comes from."),
    )


def _part() -> Schema:
    return object_of(
        name=said(TEXT, "The part."),
        part_class=said(TEXT, "Its class, by which rules know it."),
        x_mm=said(_RANGE, "From, to, rearward of the front-axle line, mm."),
        y_mm=said(_RANGE, "From, to, to the right of the middle, mm."),
        z_mm=said(_RANGE, "From, to, above the scan-day floor, mm."),
        mass_kg=said(MAYBE, "Its mass, kg."),
        cg_mm=said(
            {"type": ["array", "null"], "items": NUMBER, "minItems": 3, "maxItems": 3}, "Its centre of gravity, mm."
        ),
        placed_by=said(TEXT, "What the layout placed it by, in words."),
    )


def _alignment() -> Schema:
    known = {"type": "array", "items": MAYBE, "minItems": 3, "maxItems": 3}
    target = object_of(
        residual_mm=said(known, "Scan place less taped place in the fit of all, mm; null in an axis not typed."),
        left_out_mm=said({"anyOf": [known, {"type": "null"}]}, "The same in the fit of all others, mm; null: no fit."),
        kind=said({"enum": ["target", "ground", "station", "hub", "pair", "floor"]}, "What was typed."),
    )
    pair = object_of(
        x_mm=said(NUMBER, "Where along the vehicle, mm."),
        middle_mm=said(NUMBER, "Its middle, to the right of the middle plane, mm."),
        skew_mm=said(NUMBER, "Its right mark behind its left one, mm."),
        lean_mm=said(NUMBER, "Its right mark above its left one, mm."),
    )
    floor = object_of(
        patches=said(COUNT, "Patches that were looked at."),
        points=said(COUNT, "Points of floor in them."),
        rejected=said(NUMBER, "Share of the points in them that is not floor, 0 to 1."),
        sigma_mm=said(NUMBER, "Flatness of the floor, one sigma, mm."),
    )
    return object_of(
        targets=by_name(target, "Target, or whatever else was typed → how it fitted."),
        rms_mm=said(NUMBER, "Root mean square of the residuals' lengths, mm."),
        sigma_mm=said(MAYBE, "One sigma of a taped coordinate, mm: √(Σe²/spare); null: nothing is spare."),
        spare=said({"type": ["integer", "null"]}, "Typed coordinates less the six unknowns of a rigid move."),
        straightness=by_name(pair, "Left and right pair → how straight the frame is there."),
        hub_warp_mm=said(
            MAYBE,
            "One wheel centre off the plane of the other three, scanned less taped, mm: floor warp, frame twist and "
            "unequal tyres together; null without four hubs.",
        ),
        floor=said({"anyOf": [floor, {"type": "null"}]}, "The floor found in the scan; null: not asked for."),
        place_sigma_mm=by_name(
            NUMBER, "Place (middle, front end, rear end) → one sigma of where the alignment puts it, worst axis, mm."
        ),
    )


def _coverage() -> Schema:
    row = object_of(
        between=said(PAIR, "The two names."),
        status=said({"enum": list(COVERAGE_STATES)}, "What was done with the pair."),
        by=said(TEXT, "The rule, the reason of the contact, or who left it out and why."),
    )
    return object_of(
        pairs=said(COUNT, "All pairs: checked + declared_contact + excluded."),
        checked=said(COUNT, "Judged by a rule."),
        declared_contact=said(COUNT, "Meant to touch, at a place."),
        excluded=said(COUNT, "Left out by someone, for a reason."),
        rows=list_of(row, "Every pair."),
    )


def _counts() -> Schema:
    return object_of(
        **{"pass": said(COUNT, "PASS")},
        fail=said(COUNT, "FAIL"),
        not_proven=said(COUNT, "NOT PROVEN"),
    )


def object_of(**properties: Schema) -> Schema:
    """An object in which every name is required and no other is allowed."""
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def by_name(values: Schema, description: str) -> Schema:
    """An object that may have any names, all with values of one kind."""
    return {"description": description, "type": "object", "additionalProperties": values}


def list_of(items: Schema, description: str) -> Schema:
    """A list of any length, all of one kind."""
    return {"description": description, "type": "array", "items": items}


def said(schema: Schema, description: str) -> Schema:
    """A schema with what it means, in words."""
    return {"description": description, **schema}
