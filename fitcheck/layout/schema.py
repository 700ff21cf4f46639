"""What a layout file may hold, and the JSON Schema that editors complete and check it by.

The models describe a *merged* layout: the vehicle file, what a layout is based on, and
the layout itself. A single file may leave out what it takes over, so the published
schema asks for less (:func:`json_schema`).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

from fitcheck.layout.entries import Checked, Entry, Region, exactly_one
from fitcheck.layout.mechanism_entries import Mechanism
from fitcheck.layout.part_entries import Part
from fitcheck.layout.quantities import Angle, Flaw, Length, Number, Pair, Speed, Travel, Word
from fitcheck.layout.vehicle_entries import Axles, MassEntry, Scan, Units, Weights
from fitcheck.vehicle.motion import CAUSES

FORMAT = 1


EVERYTHING = "everything"
CAUSE_WORDS = ("ride", "laden", *CAUSES, EVERYTHING)
"""What a rule may judge: rest, a named part of the travel, or all of it together."""


class RuleEntry(Checked):
    """How much room a pair needs, at every pose or at those of one cause."""

    between: Pair
    must: Travel
    want: Travel | None = None
    why: Word
    label: Literal["code", "practice", "maker", "judgement"] = "judgement"
    source: Word | None = None
    cause: Literal[CAUSE_WORDS] = EVERYTHING  # type: ignore[valid-type]

    def flaws(self) -> list[Flaw]:
        if self.want is None or self.want >= self.must:
            return []
        return [Flaw(f"'want' cannot be less than 'must': {self.want:g} < {self.must:g} mm", "want")]


class ContactEntry(Entry):
    """A place where two things are meant to touch."""

    between: Pair
    at: Region
    why: Word
    deeper_than: Travel = 1.0


class ExcludeEntry(Entry):
    """A pair that is taken out of the check, and why."""

    between: Pair
    why: Word


class MeasuredEntry(Checked):
    """A place looked at or taped since the scan: empty, or metal. ``tape``: one sigma; ``note``: who and how."""

    empty: Region | None = None
    metal: Region | None = None
    tape: Travel = 2.0
    note: Word | None = None

    def flaws(self) -> list[Flaw]:
        return exactly_one(self, ("empty", "metal"), "what was found there")


class UncertaintyEntry(Entry):
    """One sigma, in mm, of each source; a pair's guard is 2·√(sum of the squares that apply)."""

    scan: Travel | None = None
    alignment: Travel | None = None
    taped_joint: Travel | None = None
    fabrication: Travel | None = None
    motion: Travel | None = None


class Targets(Entry):
    """The owner's limits, each for load states by name; all are least values."""

    front_share_pct: dict[str, Number] = {}
    approach_deg: dict[str, Angle] = {}
    breakover_deg: dict[str, Angle] = {}
    departure_deg: dict[str, Angle] = {}
    belly_mm: dict[str, Length] = {}
    bump_left_mm: dict[str, Length] = {}
    bump_left_front_mm: dict[str, Length] = {}
    bump_left_rear_mm: dict[str, Length] = {}
    ssf: dict[str, Number] = {}


class LayoutEntries(Entry):
    """A whole layout."""

    format: Literal[1]
    title: Word = ""
    vehicle: Word = ""
    based_on: Word | None = None
    units: Units | None = None
    scan: Scan | None = None
    axles: Axles | None = None
    weights: Weights | None = None
    load_states: dict[str, dict[str, MassEntry]] = {}
    mechanisms: dict[str, Mechanism] = {}
    top_speed: Speed | None = None
    parts: dict[str, Part] = {}
    measured: dict[str, MeasuredEntry] = {}
    rules: tuple[RuleEntry, ...] = ()
    contacts: tuple[ContactEntry, ...] = ()
    exclude: tuple[ExcludeEntry, ...] = ()
    uncertainty: UncertaintyEntry | None = None
    targets: Targets | None = None


# --- the published schema ------------------------------------------------------------------

_WHOLE = ("RuleEntry", "ContactEntry", "ExcludeEntry", "ScaleBar")
"""Entries of lists: they are never laid over another one, so they are complete in their file."""


def json_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of one layout file.

    A file may leave out what it takes over from another, and take an inherited entry away
    with null; so only the entries of lists, and ``format``, are asked for.
    """
    made = LayoutEntries.model_json_schema(by_alias=True)
    for name, entry in made["$defs"].items():
        if name not in _WHOLE:
            entry.pop("required", None)
        entry.pop("title", None)
        entry["properties"] = {key: _tidy(form) for key, form in entry["properties"].items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "fitcheck layout",
        "description": "One layout file of fitcheck: a vehicle, or an arrangement of parts in it.",
        "type": "object",
        "properties": {key: _never_null(_tidy(form)) for key, form in made["properties"].items()},
        "required": ["format"],
        "additionalProperties": False,
        "$defs": made["$defs"],
    }


def _tidy(form: dict[str, Any]) -> dict[str, Any]:
    """Without titles that repeat the key and defaults that say nothing; a named entry may be null: taken away."""
    kept = {key: value for key, value in form.items() if key != "title" and (key, value) not in _EMPTY_DEFAULTS}
    named = kept.get("additionalProperties")
    if isinstance(named, dict) and "$ref" in named:
        kept["additionalProperties"] = {"anyOf": [named, {"type": "null"}]}
    elif isinstance(named, dict) and named.get("type") == "object":
        kept["additionalProperties"] = {"anyOf": [_tidy(named), {"type": "null"}]}
    return kept


_EMPTY_DEFAULTS: tuple[tuple[str, Any], ...] = (("default", None), ("default", {}), ("default", []), ("default", ""))


def _never_null(form: dict[str, Any]) -> dict[str, Any]:
    """A section with nothing under it is a mistake."""
    kinds = [kind for kind in form.get("anyOf", ()) if kind != {"type": "null"}]
    return kinds[0] if len(kinds) == 1 else form


SCHEMA_FILE = "layout.schema.json"
"""The stored copy, beside this module: what is shipped, and what a new project gets."""


def stored_schema() -> str:
    """The text of the stored copy."""
    return (Path(__file__).parent / SCHEMA_FILE).read_text(encoding="utf-8")


def schema_text() -> str:
    """The schema as it is stored: two spaces, a newline at the end."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
