"""A first look at a scan as one JSON document, ``fitcheck-intake/1``, and its published schema.

``intake.schema.json`` beside this file is what :func:`intake_schema` returns, written by
``fitcheck schema --intake``; a test compares the two.
"""

from __future__ import annotations

import json
from typing import Any

from fitcheck.intake import FILE_FRAME, FORMAT, VEHICLE_FRAME, Intake
from fitcheck.report.json_document import plain
from fitcheck.report.schema import COUNT, MAYBE, NUMBER, TEXT, Schema, by_name, list_of, object_of, said

_POINT: Schema = {"type": "array", "items": NUMBER, "minItems": 3, "maxItems": 3}
_BOX: Schema = {"type": "array", "items": _POINT, "minItems": 2, "maxItems": 2}
_LENGTH: Schema = {"type": "number", "minimum": 0}
_SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
_YES_NO: Schema = {"type": "boolean"}


def intake_document(found: Intake) -> dict[str, Any]:
    """The report as dictionaries, lists, text, numbers and None, under the names of the format; numbers are not
    rounded, and what is not finite is None."""
    document: dict[str, Any] = plain(found)
    return {"format": FORMAT, **document}


def intake_json(found: Intake) -> str:
    """The document as text, two spaces an indent, ending in a line feed; only ASCII, so that any pipe carries it."""
    return json.dumps(intake_document(found), indent=2, allow_nan=False) + "\n"


def intake_schema_text() -> str:
    """The schema as it is published."""
    return json.dumps(intake_schema(), indent=2, ensure_ascii=False) + "\n"


def intake_schema() -> Schema:
    """The schema of ``fitcheck-intake/1``: every name described with its unit, no name left open."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "fitcheck intake",
        "description": (
            "What a first look at a scan found. Lengths in mm, areas in cm², angles in degrees; places in the frame "
            "that 'frame' names. null: not computed; 'not_looked_at' says why."
        ),
        **object_of(
            format=said({"const": FORMAT}, "Name and version of this format."),
            file=said(TEXT, "The scan file."),
            layout=said(TEXT, "The layout that named it; empty: the file alone was looked at."),
            frame=said({"enum": [FILE_FRAME, VEHICLE_FRAME]}, "Axes and unit of every place."),
            cloud=said(_YES_NO, "Whether it is a cloud of points without faces."),
            triangles=said(COUNT, "How many triangles it has."),
            points=said(COUNT, "How many points (vertices) it has."),
            unit=said(_unit(), "Which unit it is in."),
            size=_maybe(_size(), "How large it is."),
            spacing=_maybe(_spacing(), "How fine it is."),
            noise=_maybe(_noise(), "How far its points stand off smooth metal."),
            holes=list_of(_hole(), "Loops where the surface ends, the longest across first."),
            skins=_maybe(_skins(), "Skins close over each other; null: a cloud."),
            pieces=_maybe(_pieces(), "Connected pieces; null: a cloud."),
            mesh=_maybe(_mesh(), "Flaws of the mesh; null: a cloud."),
            floor=_maybe(_floor(), "The likely floor; null: none found, or not looked for."),
            floor_words=said(TEXT, "Why there is no floor, in words."),
            symmetry=_maybe(_symmetry(), "Left against right."),
            drift=_maybe(_drift(), "Drift with length; null: too few taped lengths."),
            notes=list_of(TEXT, "What the reader of the file found odd."),
            not_looked_at=list_of(TEXT, "What could not be looked at, and why."),
            paste=said(TEXT, "YAML for the scan entry of a layout: a proposal, nothing of it has been done."),
            timing_s=by_name(NUMBER, "Step → seconds."),
        ),
    }


def _maybe(schema: Schema, description: str) -> Schema:
    return said({"anyOf": [schema, {"type": "null"}]}, description)


def _unit() -> Schema:
    units = {"enum": ["mm", "cm", "m", "in", "ft"]}
    return object_of(
        declared=said({"enum": ["", *units["enum"]]}, "What was said to be its unit; empty: nothing."),
        guesses=list_of(units, "Units that the longest side suggests."),
        used=said({"enum": ["", *units["enum"]]}, "The unit that all lengths rest on; empty: not known, no lengths."),
        longest_side=said(_LENGTH, "The longest side of the bounding box, as the file's bare number."),
        reason=said(TEXT, "Why, in words."),
        confirmed_by=said(TEXT, "The taped length that agrees; empty: none does yet."),
        ask=said(TEXT, "The one question that would settle it; empty: it is settled."),
    )


def _size() -> Schema:
    return object_of(
        box_mm=said(_BOX, "Least and greatest corner of everything."),
        own_sides_mm=said(_POINT, "Length, width, height along its own axes, specks left out."),
        longest_mm=said(_LENGTH, "Between the two places furthest apart."),
        longest_ends_mm=said(_BOX, "These two places."),
        area_cm2=said(MAYBE, "Area of all triangles; null: a cloud."),
    )


def _spacing() -> Schema:
    return object_of(
        median_mm=said(_LENGTH, "Half of the edges (of a cloud: of the nearest distances) are shorter."),
        low_mm=said(_LENGTH, "5 % are shorter."),
        high_mm=said(_LENGTH, "5 % are longer."),
    )


def _noise() -> Schema:
    return object_of(
        sigma_mm=said(_LENGTH, "One sigma off smooth patches."),
        patch_mm=said(_LENGTH, "How wide a patch is."),
        patches=said(COUNT, "How many smooth patches it rests on."),
        looked_at=said(COUNT, "How many patches were looked at."),
    )


def _hole() -> Schema:
    return object_of(
        number=said(COUNT, "Its number in text and pictures."),
        across_mm=said(_LENGTH, "Its longest side along its own axes."),
        narrow_mm=said(_LENGTH, "The next one."),
        edge_mm=said(_LENGTH, "Once around."),
        edges=said(COUNT, "How many edges it has."),
        place_mm=said(_POINT, "The middle of its edge."),
        box_mm=said(_BOX, "Its box."),
        piece=said(COUNT, "The connected piece that it bounds."),
        outer=said(_YES_NO, "Whether it runs around its piece: the end of a sheet, not a hole."),
        closed=said(_YES_NO, "False: tangled, its ends do not meet."),
    )


def _skins() -> Schema:
    doubled = object_of(
        number=said(COUNT, "Its number in text and pictures."),
        separation_mm=said(_LENGTH, "How far the two are apart: a direct estimate of drift."),
        area_cm2=said(_LENGTH, "The area of one of them, where they lie over each other."),
        place_mm=said(_POINT, "Its middle."),
        box_mm=said(_BOX, "Its box."),
    )
    both = object_of(
        thickness_mm=said(_LENGTH, "How far the two sides are apart, in the middle."),
        area_cm2=said(_LENGTH, "The area of one side."),
    )
    return object_of(
        doubled=list_of(doubled, "Two skins that face the same way, the largest first."),
        both_sides=_maybe(both, "Skins back to back, as sheet metal is; null: none."),
        within_mm=said(_LENGTH, "Skins further apart are two things."),
        least_cm2=said(_LENGTH, "A doubled skin smaller than this may have been missed."),
    )


def _pieces() -> Schema:
    speck = object_of(
        number=said(COUNT, "Its number in text and pictures."),
        place_mm=said(_POINT, "Its middle."),
        sides_mm=said(_POINT, "The sides of its box."),
        faces=said(COUNT, "How many faces it has."),
        piece=said(COUNT, "Which connected piece it is."),
    )
    within = object_of(
        number=said(COUNT, "Its number in the text."),
        place_mm=said(_POINT, "Its middle."),
        sides_mm=said(_POINT, "The sides of its box."),
        faces=said(COUNT, "How many faces it has."),
        share=said(NUMBER, "The least winding number of the other piece in it; 1: closed all around."),
        around_mm=said(_BOX, "The box of the piece that it lies in."),
    )
    return object_of(
        count=said(COUNT, "How many there are."),
        specks=list_of(speck, "Small pieces with nothing near them: listed, never taken off."),
        small_near_metal=said(COUNT, "Pieces as small, beside larger ones."),
        within=list_of(within, "Pieces that lie inside others."),
        few_faces=said(COUNT, "A speck has at most so many faces."),
        alone_mm=said(_LENGTH, "A speck has no larger piece within this."),
    )


def _mesh() -> Schema:
    return object_of(
        edges=said(COUNT, "Edges, each once."),
        border_edges=said(COUNT, "Edges of one face."),
        crowded_edges=said(COUNT, "Edges of more than two faces."),
        flipped_edges=said(COUNT, "Edges of two faces of which one is turned over."),
        flat_faces=said(COUNT, "Faces without an area."),
        doubled_faces=said(COUNT, "Faces whose three corners are those of an earlier one."),
        closed_faces=said(COUNT, "Faces of pieces that close around something, tubes included."),
        inward_faces=said(COUNT, "Those of them that are turned inside out."),
    )


def _floor() -> Schema:
    return object_of(
        normal=said(_POINT, "Its unit normal, upwards."),
        height_mm=said(NUMBER, "Along the normal from the origin of the frame."),
        area_cm2=said(_LENGTH, "How much of it was scanned."),
        off_mm=said(_LENGTH, "One sigma of its patches about the plane."),
        tilt_deg=said(MAYBE, "Against the z axis of the vehicle frame; null in the file's axes."),
    )


def _symmetry() -> Schema:
    worst = object_of(
        place_mm=said(_POINT, "A place."),
        other_mm=said(_POINT, "The place on the other side that it was held against."),
        off_mm=said(_LENGTH, "How far its mirror image is off the metal there."),
    )
    station = object_of(
        at_mm=said(NUMBER, "Along the length."),
        off_mm=said(NUMBER, "How far the middle between left and right lies beside the plane, + along its normal."),
        pairs=said(COUNT, "How many places that rests on."),
    )
    return object_of(
        by=said({"enum": ["the vehicle frame", "the scan itself"]}, "Whose mirror plane; of the scan: a hypothesis."),
        normal=said(_POINT, "The plane's unit normal."),
        offset_mm=said(NUMBER, "normal · p of its points."),
        mirrored_share=said(_SHARE, "The share of the smooth metal whose mirror image lies on metal."),
        median_mm=said(_LENGTH, "Half of that is off by less."),
        most_mm=said(_LENGTH, "95 % are off by less."),
        worst=list_of(worst, "Where it is off most."),
        stations=list_of(station, "The middle between left and right along the length."),
        bow_mm=said(MAYBE, "The largest distance of a station from a straight line through them; null: too few."),
        own_offset_mm=said(NUMBER, "How far the scan's own mirror plane lies beside this one."),
        own_turn_deg=said(_LENGTH, "How far it is turned against this one."),
    )


def _drift() -> Schema:
    return object_of(
        mm_per_m=said(NUMBER, "The slope of scan − tape against length, mm a metre."),
        expanded_mm_per_m=said(_LENGTH, "Two standard uncertainties of it."),
        lengths=said(COUNT, "How many taped lengths."),
        longest_mm=said(_LENGTH, "The longest of them."),
        off_mm=said(_LENGTH, "Root mean square of scan − tape."),
    )
