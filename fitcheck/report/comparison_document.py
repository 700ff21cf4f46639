"""A Comparison as one JSON document, ``fitcheck-comparison/1``, and the published schema of it.

``comparison.schema.json`` beside this file is what :func:`comparison_schema` returns, written
by ``fitcheck schema --comparison``; a test compares the two.
"""

from __future__ import annotations

import json
from typing import Any

from fitcheck.comparison import FORMAT, NO_SCORE, Arrangement, Cell, Comparison, Row
from fitcheck.report.cautions import CAUTIONS, UNCHECKED, UNSEEN_NOTE
from fitcheck.report.json_document import plain
from fitcheck.report.schema import (
    COUNT,
    MAYBE,
    NUMBER,
    PAIR,
    TEXT,
    TEXT_OR_NULL,
    VERDICT,
    Schema,
    by_name,
    list_of,
    object_of,
    result_schema,
    said,
)
from fitcheck.result import FRAME

WORST = 5
"""So many of the worst clearances are listed by themselves."""


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """The Comparison as dictionaries, lists, text, numbers and None.

    Numbers are not rounded; what is not finite becomes None.
    """
    return {
        "format": FORMAT,
        "vehicle": comparison.vehicle,
        "frame": FRAME,
        "state": comparison.state,
        "columns": list(comparison.columns),
        "baseline": plain(comparison.baseline),
        "arrangements": [_arrangement(item) for item in comparison.arrangements],
        "rows": [_row(row) for row in comparison.rows],
        "standings": plain(comparison.standings),
        "alike": plain(comparison.alike),
        "notes": plain(comparison.notes),
        "cautions": [*CAUTIONS, UNSEEN_NOTE, NO_SCORE],
        "unchecked": list(UNCHECKED),
        "inputs": plain(comparison.inputs),
    }


def comparison_json(comparison: Comparison) -> str:
    """The document as text, two spaces an indent, ending in a line feed; only ASCII, so that any pipe carries it."""
    return json.dumps(comparison_document(comparison), indent=2, allow_nan=False) + "\n"


def _arrangement(item: Arrangement) -> dict[str, Any]:
    document: dict[str, Any] = plain(item)
    return {**document, "worst": document["clearances"][:WORST]}


def _row(row: Row) -> dict[str, Any]:
    document: dict[str, Any] = plain(row)
    return {**document, "cells": {name: _cell(cell) for name, cell in row.cells.items()}}


def _cell(cell: Cell) -> dict[str, Any]:
    return {**plain(cell), "sigma": plain(cell.sigma)}


# --- the schema ------------------------------------------------------------------------------


def comparison_schema() -> Schema:
    """The schema of ``fitcheck-comparison/1``: every name described with its unit, no name left open."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "fitcheck comparison",
        "description": (
            "Arrangements of one vehicle side by side. Lengths in mm, masses in kg, angles in degrees, in the vehicle "
            "frame: x rearward from the front-axle line, y to the vehicle's right, z up from the scan-day floor. "
            "null: not known, or none. There is no score."
        ),
        **object_of(
            format=said({"const": FORMAT}, "Name and version of this format."),
            vehicle=said(TEXT, "The vehicle's name."),
            frame=said({"const": FRAME}, "Axes and units of every number."),
            state=said(TEXT, "The load state of heights, angles, bump and balance."),
            columns=list_of(TEXT, "Names of the columns: the vehicle as weighed, then the arrangements as named."),
            baseline=said(_baseline_schema(), "The first column: the vehicle as it stood on the scales."),
            arrangements=list_of(_arrangement_schema(), "The other columns."),
            rows=list_of(_row_schema(), "One figure in all columns, with the differences between them."),
            standings=list_of(_standing_schema(), "For each arrangement what it is beaten in."),
            alike=list_of(PAIR, "Pairs with the same clearance, rule and guard in every arrangement."),
            notes=list_of(TEXT, "What differs between the layouts besides their figures."),
            cautions=list_of(TEXT, "What the comparison does not say."),
            unchecked=list_of(TEXT, "Matters that no figure of this document speaks of."),
            inputs=by_name(TEXT, "File → SHA-256 of what was read."),
        ),
    }


def comparison_schema_text() -> str:
    """The schema as it is published."""
    return json.dumps(comparison_schema(), indent=2, ensure_ascii=False) + "\n"


def _baseline_schema() -> Schema:
    return object_of(
        name=said(TEXT, "The column's name."),
        layout=said(TEXT, "The layout whose scan and scales it was taken from."),
        measured=said(TEXT, "What its heights and angles are of, in words; empty where there are none."),
    )


def _arrangement_schema() -> Schema:
    clearance: Schema = result_schema()["properties"]["clearances"]["items"]
    counts: Schema = object_of(
        **{"pass": said(COUNT, "PASS")}, fail=said(COUNT, "FAIL"), not_proven=said(COUNT, "NOT PROVEN")
    )
    return object_of(
        name=said(TEXT, "The column's name: the layout file's, short."),
        title=said(TEXT, "The layout's own title."),
        layout=said(TEXT, "The layout file."),
        verdict=said(VERDICT, "The worst of all its clearances and limits."),
        counts=said(counts, "How many clearances have which verdict."),
        limit_counts=said(counts, "How many targets and ratings have which verdict."),
        clearances=list_of(clearance, "Every judged pair, worst first."),
        warnings=list_of(TEXT, "What a person should look at."),
        worst=list_of(clearance, f"The first {WORST} of them."),
    )


def _row_schema() -> Schema:
    return object_of(
        name=said(TEXT, "The figure; its unit is the end of its name."),
        title=said(TEXT, "The same in words."),
        group=said(TEXT, "The section of the table."),
        unit=said({"enum": ["mm", "kg", "deg", "%", ""]}, "Unit of every number in this row; empty: a count or ratio."),
        better=said({"enum": ["higher", "lower", None]}, "Which way is better; null: neither."),
        state=said(TEXT_OR_NULL, "The load state; null: the figure has none."),
        cells=by_name(_cell_schema(), "Column → its figure."),
        differences=list_of(_difference_schema(), "Every ordered pair of columns."),
    )


def _cell_schema() -> Schema:
    return object_of(
        value=said(MAYBE, "The figure, in the row's unit."),
        sigma=said(NUMBER, "Its standard uncertainty (k = 1), in the row's unit."),
        terms=by_name(
            NUMBER,
            "Independent error → its signed standard uncertainty (k = 1) in the row's unit; "
            "the same name in two cells is the same error.",
        ),
        owner=said(TEXT_OR_NULL, "What sets the figure."),
        note=said(TEXT, "What is to be known about it, or empty."),
        bracket=said(NUMBER, "How much more it may be, in the row's unit: the search stopped there."),
    )


def _difference_schema() -> Schema:
    return object_of(
        of=said(TEXT, "A column."),
        against=said(TEXT, "Another column."),
        difference=said(MAYBE, "The first less the second, in the row's unit."),
        expanded=said(MAYBE, "Expanded uncertainty (k = 2) of the difference, in the row's unit; null: not known."),
        told_apart=said({"type": "boolean"}, "Whether the difference is larger than that."),
        better=said(TEXT_OR_NULL, "The better column; null: not told apart, or the row has no direction."),
    )


def _standing_schema() -> Schema:
    beaten = object_of(
        row=said(TEXT, "The row's name."),
        state=said(TEXT_OR_NULL, "The row's load state."),
        by=said(TEXT, "The better arrangement."),
        difference=said(NUMBER, "Its figure less this one's, in the row's unit."),
        expanded=said(NUMBER, "Expanded uncertainty (k = 2) of that, in the row's unit."),
    )
    return object_of(
        arrangement=said(TEXT, "The column's name."),
        beaten_in=list_of(beaten, "Rows in which another is better by more than the uncertainty."),
        beaten_everywhere_by=list_of(TEXT, "Others that are better in every row that tells the two apart."),
    )
