"""A Result as one JSON document, ``fitcheck-result/1``; its schema is in schema.py."""

from __future__ import annotations

import dataclasses
import json
import math
from enum import Enum
from typing import Any

from fitcheck.errors import InternalError
from fitcheck.report.cautions import CAUTIONS, UNCHECKED, UNSEEN_NOTE
from fitcheck.result import FORMAT, FRAME, Coverage, Result, Verdict

COVERAGE_STATES = ("checked", "declared_contact", "excluded")


def to_document(result: Result) -> dict[str, Any]:
    """The Result as dictionaries, lists, text, numbers and None, under the names of the format.

    Numbers are not rounded. What is not finite becomes None: a figure that could not be
    computed is null in JSON, never NaN. An empty Result gives a valid document with
    verdict NOT PROVEN. Raises InternalError when a clearance (other than a declared contact)
    or a limit is called PASS without a finite figure, or a pair of the coverage table has no
    known status.
    """
    _refuse_unfounded(result)
    return {
        "format": FORMAT,
        "title": result.title,
        "layout": result.layout,
        "frame": FRAME,
        "verdict": result.verdict.value,
        "counts": result.counts,
        "limit_counts": result.limit_counts,
        "clearances": plain(result.clearances),
        "ground": plain(result.ground),
        "loads": plain(result.loads),
        "shafts": plain(result.shafts),
        "limits": plain(result.limits),
        "parts": plain(result.parts),
        "coverage": _coverage(result.coverage),
        "alignment": plain(result.alignment),
        "notes": plain(result.notes),
        "warnings": plain(result.warnings),
        "cautions": [
            *CAUTIONS,
            UNSEEN_NOTE,
            *(text for text in result.cautions if text not in (*CAUTIONS, UNSEEN_NOTE)),
        ],
        "unchecked": list(UNCHECKED),
        "inputs": plain(result.inputs),
        "timing_s": plain(result.timing_s),
        "as_weighed": plain(result.as_weighed),
        "suspension": plain(result.suspension),
    }


def to_json(result: Result) -> str:
    """The document as text, two spaces an indent, ending in a line feed; only ASCII, so that any pipe carries it."""
    return json.dumps(to_document(result), indent=2, allow_nan=False) + "\n"


def _refuse_unfounded(result: Result) -> None:
    """The last net under the promise that nothing missing, empty or failed is a PASS."""
    for clearance in result.clearances:
        declared = clearance.contact == "declared"  # touches where it is meant to, and nothing is left elsewhere
        if clearance.verdict is Verdict.PASS and not declared and plain(clearance.distance_mm) is None:
            raise InternalError(f"{' – '.join(clearance.between)} was called PASS without a distance")
    for limit in result.limits:
        if limit.verdict is Verdict.PASS and plain(limit.value) is None:
            raise InternalError(f"{limit.name} in {limit.state} was called PASS without a value")
    for row in result.coverage.rows:
        if row.status not in COVERAGE_STATES:
            raise InternalError(f"{' – '.join(row.between)} has the unknown coverage status {row.status!r}")


def _coverage(coverage: Coverage) -> dict[str, Any]:
    counts = {status: coverage.count(status) for status in COVERAGE_STATES}
    return {"pairs": len(coverage.rows), **counts, "rows": plain(coverage.rows)}


def plain(value: Any) -> Any:
    """Dataclasses to dictionaries, tuples and arrays to lists, what is not finite to None."""
    if hasattr(value, "tolist"):  # numpy, without importing it
        value = value.tolist()
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
