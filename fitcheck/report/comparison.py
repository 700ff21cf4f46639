"""Arrangements side by side as a table that a family argues over at the kitchen table.

Columns are arrangements, the vehicle as weighed first. Under a figure stand its differences:
from the vehicle as weighed, and from the first arrangement. One that is smaller than its own
uncertainty is marked "≈" and dim, and is never called better or worse. There is no score.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TextIO

from fitcheck.comparison import NO_SCORE, Arrangement, Beaten, Cell, Comparison, Difference, Row, Standing
from fitcheck.report.cautions import CAUTIONS, UNCHECKED, UNSEEN_NOTE
from fitcheck.report.columns import wrap
from fitcheck.report.comparison_grid import DIM, Grid, GridRow, Line, Piece, grid_lines, plain
from fitcheck.report.wording import clean, floor_mm, number, pair_name, pose_words, short_name
from fitcheck.result import Clearance, Verdict

WIDTH = 120
WIDEST = 200
WORST_SHOWN = 5
_NAME_CELLS = 24
_COLOURS = {Verdict.FAIL: "bold red", Verdict.NOT_PROVEN: "bold yellow", Verdict.PASS: "green"}
_DECIMALS = {"mm": 1, "kg": 1, "deg": 1, "%": 1}
_UNITS = {"mm": " mm", "kg": " kg", "deg": "°", "%": " %", "": ""}
_FLOORED = ("ground", "bump", "clearances")  # room: what is printed is never more than there is

_TITLES = {
    "ground": "OVER THE GROUND, {state}: mm and degrees",
    "loads": "LOADS, {state}: kg",
    "light": "LOADS, {state}: kg",
    "bump": "BUMP TRAVEL LEFT, {state}: mm",
    "balance": "BALANCE, {state}: mm; stability factor = mean track / (2 × height of the centre of gravity)",
    "boxes": "HV BOXES",
}


def print_comparison(comparison: Comparison, stream: TextIO, *, width: int | None = None) -> None:
    """Write the table to ``stream``: in the terminal's own width (60 to 200 cells), 120 when it is no terminal."""
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)
    if width is None:
        width = max(60, min(WIDEST, console.width)) if console.is_terminal else WIDTH
    page = Text()
    for line in _lines(comparison, width):
        shown = Text()
        for text, style in line:
            shown.append(text, style=style or None)
        shown.rstrip()
        page.append_text(shown).append("\n")
    console.print(page, end="")


def comparison_lines(comparison: Comparison, *, width: int = WIDTH) -> list[str]:
    """The whole table as plain lines of at most ``width`` cells."""
    return plain(_lines(comparison, width))


def _lines(comparison: Comparison, width: int) -> list[Line]:
    sections = [
        _heading(comparison, width),
        _verdicts(comparison, width),
        _worst(comparison, width),
        *(_figures(comparison, group, width) for group in _TITLES),
        _beaten(comparison, width),
        _notes(comparison, width),
        _closing(comparison, width),
    ]
    lines: list[Line] = []
    for section in sections:
        lines += [[("", "")], *section] if lines and section else section
    return lines


def _said(text: str, width: int, indent: str = "", hanging: str = "  ", style: str = "") -> list[Line]:
    return [[(line, style)] for line in wrap(text, width, indent, hanging)]


def _heading(comparison: Comparison, width: int) -> list[Line]:
    """Whose arrangements, which, and how the marks are to be read."""
    baseline = comparison.baseline
    lines = _said(f"{clean(comparison.vehicle) or 'Arrangements'}: side by side", width, style="bold")
    columns = [(_name(item.name), f"{clean(item.title)} ({clean(item.layout)})") for item in comparison.arrangements]
    lines += _said(f"{baseline.name}: {clean(baseline.measured) or 'what stood on the scales'}", width, "  ", "    ")
    for name, title in columns:
        lines += _said(f"{name}: {title}", width, "  ", "    ")
    return lines + _said(
        f"±: two standard uncertainties. Under a figure: what it differs by from {baseline.name}, and from "
        f"{_name(comparison.arrangements[0].name)}. ≈: a difference below its own uncertainty, so nobody is better. "
        f"{baseline.name}: nothing is taken off, put in or aboard. x rearward, y right, z up; mm, kg, degrees.",
        width,
        style=DIM,
    )


# --- verdicts and the worst clearances --------------------------------------------------------


def _verdicts(comparison: Comparison, width: int) -> list[Line]:
    names = tuple(item.name for item in comparison.arrangements)
    overall = tuple(((item.verdict.value, _COLOURS[item.verdict]),) for item in comparison.arrangements)
    rows = [GridRow("overall", overall)]
    for row in _of_group(comparison, "verdicts"):
        rows += _grid_rows(row, names, comparison)
    return [[("VERDICTS", "bold")], *grid_lines(_grid(names, rows), width)]


def _worst(comparison: Comparison, width: int) -> list[Line]:
    """The five worst clearances of each, with the pose; then what is left of the tightest pair."""
    names = tuple(item.name for item in comparison.arrangements)
    title = (
        "FIVE WORST CLEARANCES of each, mm: proven in any pose, against must + guard; =: this pair is alike in all"
    )
    alike = set(comparison.alike)
    rows = [
        GridRow(f"{k + 1}.", tuple(_worst_cell(item, k, alike) for item in comparison.arrangements))
        for k in range(min(WORST_SHOWN, max(len(item.clearances) for item in comparison.arrangements)))
    ]
    if not rows:
        return [*_said(title, width, style="bold"), [("no pair was judged", "")]]
    lines = _said(title, width, style="bold")
    lines += grid_lines(Grid(tuple(map(_name, names)), tuple(rows), least=20, most=32, label=3), width)
    rows = [row for item in _of_group(comparison, "clearances") for row in _grid_rows(item, names, comparison)]
    if rows:
        lines += [[("", "")], *_said("What is left of a clearance less must and guard, mm", width)]
        lines += grid_lines(_grid(names, rows), width)
    return lines


def _worst_cell(item: Arrangement, k: int, alike: set[tuple[str, str]]) -> tuple[Piece, ...]:
    if k >= len(item.clearances):
        return ()
    row = item.clearances[k]
    first, second = sorted(row.between)
    mark = "= " if (first, second) in alike else ""
    return (
        (f"{mark}{row.verdict.value}", _COLOURS[row.verdict]),
        (pair_name(row.between), ""),
        (f"{_found(row)}, must {row.must_mm:g}+{number(row.guard_mm)}", ""),
        (pose_words(row.pose), DIM),
    )


def _found(row: Clearance) -> str:
    """What is proven, with what was found where that is more; or how deep they overlap."""
    if row.depth_mm is not None:
        return f"overlaps {number(row.depth_mm)}"
    if row.at_least_mm is None and row.contact == "declared":
        return "touches as declared"
    proven, found = floor_mm(row.at_least_mm), floor_mm(row.distance_mm)
    return proven if found == proven else f"{proven} (found {found})"


# --- figures ---------------------------------------------------------------------------------


def _figures(comparison: Comparison, group: str, width: int) -> list[Line]:
    rows = _of_group(comparison, group)
    if not rows:
        return []
    names = tuple(rows[0].cells)
    pinned = int(names[0] == comparison.baseline.name)
    grid_rows = [line for row in rows for line in _grid_rows(row, names, comparison)]
    title = _TITLES[group].format(state=short_name(rows[0].state or ""))
    return [*_said(title, width, style="bold"), *grid_lines(_grid(names, grid_rows, pinned), width)]


def _of_group(comparison: Comparison, group: str) -> list[Row]:
    return [row for row in comparison.rows if row.group == group]


def _grid(names: Sequence[str], rows: Sequence[GridRow], pinned: int = 0) -> Grid:
    return Grid(tuple(map(_name, names)), tuple(rows), pinned)


def _grid_rows(row: Row, names: Sequence[str], comparison: Comparison) -> Iterator[GridRow]:
    """The figure with its owner, and under it the differences that there are."""
    yield GridRow(row.title, tuple(_cell(row, row.cells.get(name)) for name in names))
    first = comparison.arrangements[0].name
    for reference in (comparison.baseline.name, first):
        found = [None if name == comparison.baseline.name else row.difference(name, reference) for name in names]
        words = tuple(() if item is None else _difference(row, item) for item in found)
        if any(item is not None and item.difference for item in found):
            yield GridRow(f"from {_name(reference)}", words, below=True)


def _cell(row: Row, cell: Cell | None) -> tuple[Piece, ...]:
    if cell is None or cell.value is None:
        return ((cell.note if cell is not None and cell.note else "-", DIM),)
    spread = f" ±{_rounded(row, 2.0 * cell.sigma)}" if cell.sigma else ""
    lines: list[Piece] = [(_value(row, cell.value) + spread, "")]
    if cell.owner:
        lines.append((clean(cell.owner), DIM))
    if cell.note:
        lines.append((clean(cell.note), DIM))
    return tuple(lines)


def _value(row: Row, value: float) -> str:
    return floor_mm(value) if row.group in _FLOORED else _rounded(row, value)


def _rounded(row: Row, value: float) -> str:
    decimals = 3 if row.name == "ssf" else _DECIMALS.get(row.unit, 0)
    return number(value, decimals)


def _difference(row: Row, item: Difference) -> tuple[Piece, ...]:
    """ "+12.3 better", "≈ -0.1", "same"; nothing where there is none to tell."""
    if item.difference is None:
        return ()
    if item.difference == 0.0:
        return (("same", DIM),)
    shown = _signed(row, item.difference)
    if not item.told_apart:
        return ((f"≈ {shown}", DIM),)
    if item.better is None:
        return ((shown, ""),)
    return ((f"{shown} {'better' if item.better == item.of else 'worse'}", "bold" if item.better == item.of else ""),)


def _decimals(row: Row, value: float, expanded: float = 0.0) -> int:
    """As many as show that a difference is not nought, and not its own uncertainty; 4 at most."""
    decimals = 3 if row.name == "ssf" else _DECIMALS.get(row.unit, 0)
    while decimals < 4 and number(abs(value), decimals) in (number(0.0, decimals), number(expanded, decimals)):
        decimals += 1
    return decimals


def _signed(row: Row, value: float, expanded: float = 0.0) -> str:
    """With its sign."""
    shown = number(value, _decimals(row, value, expanded))
    return shown if shown.startswith("-") else f"+{shown}"


# --- what each is beaten in ------------------------------------------------------------------


def _beaten(comparison: Comparison, width: int) -> list[Line]:
    lines = _said("WHAT EACH IS BEATEN IN, by more than the uncertainty", width, style="bold")
    rows = {(row.name, row.state): row for row in comparison.rows}
    for standing in comparison.standings:
        lines += _said(f"{_name(standing.arrangement)}: {_standing_words(standing)}", width)
        for key, found in _by_row(standing).items():
            lines += _said(_beaten_words(rows[key], found), width, "    ", "      ")
    return lines


def _standing_words(standing: Standing) -> str:
    if standing.beaten_everywhere_by:
        names = " and ".join(_name(name) for name in standing.beaten_everywhere_by)
        return f"beaten by {names} in every row that tells the two apart"
    if not standing.beaten_in:
        return "beaten in nothing"
    return "no other one beats it in every row; what it gives up:"


def _by_row(standing: Standing) -> dict[tuple[str, str | None], list[Beaten]]:
    found: dict[tuple[str, str | None], list[Beaten]] = {}
    for item in standing.beaten_in:
        found.setdefault((item.row, item.state), []).append(item)
    return found


def _beaten_words(row: Row, found: Sequence[Beaten]) -> str:
    """ "belly: a +91.4 mm (±5.7), b +91.4 mm (±5.7)": by whom, and by how much the other one's figure differs."""
    others = ", ".join(
        f"{_name(item.by)} {_signed(row, item.difference, item.expanded)}{_UNITS[row.unit]}"
        + (f" (±{number(item.expanded, _decimals(row, item.difference, item.expanded))})" if item.expanded else "")
        for item in found
    )
    return f"{row.title}: {others}"


# --- the end ---------------------------------------------------------------------------------


def _notes(comparison: Comparison, width: int) -> list[Line]:
    """What differs besides the figures, and each warning once with the columns that it concerns."""
    lines = [line for note in comparison.notes for line in _said(f"Note: {clean(note)}", width)]
    concerned: dict[str, list[str]] = {}
    for item in comparison.arrangements:
        for warning in item.warnings:
            concerned.setdefault(clean(warning), []).append(_name(item.name))
    for warning, names in concerned.items():
        whose = "" if len(names) == len(comparison.arrangements) else f" ({', '.join(names)})"
        lines += _said(f"Warning{whose}: {warning}", width)
    return lines


def _closing(comparison: Comparison, width: int) -> list[Line]:
    texts = (UNSEEN_NOTE, " ".join(CAUTIONS), "Not looked at: " + "; ".join(UNCHECKED) + ".", NO_SCORE)
    return [line for text in texts for line in _said(text, width)]


def _name(name: str) -> str:
    return short_name(name, _NAME_CELLS)
