"""Which motion bites: for each moving pair the least clearance part by part of the travel, side by side."""

from __future__ import annotations

from fitcheck.report.columns import Column, lay_out, wrap
from fitcheck.report.wording import clean, floor_mm, pair_name, pose_words
from fitcheck.result import Cause, Clearance, Result, Verdict

MOST_ROWS = 24
"""Pairs that are shown: all that did not pass come first."""

_HEADINGS = {
    "ride": "ride",
    "laden": "laden",
    "straight bump": "bump",
    "straight droop": "droop",
    "crossed, right side up": "R up",
    "crossed, left side up": "L up",
    "drive torque": "drive",
    "reverse torque": "rev",
    "steered left": "st L",
    "steered right": "st R",
    "rocked": "rock",
    "twisted": "twist",
    "everything together": "all",
}
TOLERANCE_MM = 0.11
"""A bracket wider than this is told by its lower end."""

_WIDE = 8
"""Cells that one column of figures takes at most."""


def cause_lines(result: Result, width: int) -> list[str]:
    """The page as lines of at most ``width`` cells; without moving pairs a sentence."""
    rows = [row for row in result.clearances if row.causes]
    title = "WHAT BITES, mm (the least of each pair while one movement alone acts; all: everything together)"
    if not rows:
        return [*wrap(title, width, "", "  "), "  no pair moves"]
    shown = rows[: max(MOST_ROWS, sum(row.verdict is not Verdict.PASS for row in rows))]
    lines = wrap(title, width, "", "  ")
    for names in _pages(shown, width):
        lines += _table(shown, names, width)
    if len(rows) > len(shown):
        lines.append(f"  and {len(rows) - len(shown)} more, farther from their limits (--json lists them)")
    return lines


def _pages(rows: list[Clearance], width: int) -> list[list[str]]:
    """The causes in as many tables as the width asks for."""
    used = {cause.name for row in rows for cause in row.causes}
    names = [name for name in _HEADINGS if name in used]
    each = max(3, (width - 24) // _WIDE)
    return [names[i : i + each] for i in range(0, len(names), each)]


def _table(rows: list[Clearance], names: list[str], width: int) -> list[str]:
    columns = [Column("between", left=True, gives_way=True), *(Column(_HEADINGS[name]) for name in names)]
    heading, *body = lay_out(columns, [_row(row, names, width) for row in rows], width)
    lines = [heading]
    for row, line in zip(rows, body, strict=True):
        last = names[-1] == "everything together"
        lines += [line, *(wrap(_words(row), width, "      ") if last and row.verdict is not Verdict.PASS else [])]
    return lines


def _row(row: Clearance, names: list[str], width: int) -> tuple[str, ...]:
    found = {cause.name: cause for cause in row.causes}
    cells = [_cell(found[name]) if name in found else "" for name in names]
    return pair_name(row.between, max(20, width - 7 * len(names) - 4)), *cells


def _cell(cause: Cause) -> str:
    """The least, or at least how much, where the search ended early because it is far from all that a rule asks."""
    low, high = cause.at_least_mm, cause.distance_mm
    wide = low is not None and high is not None and high - low > TOLERANCE_MM
    return f">{floor_mm(low)}" if wide else floor_mm(high)


def _words(row: Clearance) -> str:
    return clean(row.bites) if row.bites else f"pose: {pose_words(row.pose)}"
