"""Cells of several lines under column headings, in blocks of as many columns as a terminal holds.

A line is a list of pieces (text, style), so that a dim cell can stand beside a bright one;
the text alone says everything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fitcheck.report.columns import GAP, cells, cut, wrap

Piece = tuple[str, str]
Line = list[Piece]

DIM = "dim"


@dataclass(frozen=True)
class GridRow:
    """A label, and for each column the lines of its cell; "" for a column without one."""

    label: str
    cells: tuple[tuple[Piece, ...], ...]
    below: bool = False  # belongs to the row above it


@dataclass(frozen=True)
class Grid:
    """Rows under headings. ``pinned`` columns come first in every block; ``least`` cells is the narrowest column."""

    headings: tuple[str, ...]
    rows: tuple[GridRow, ...]
    pinned: int = 0
    least: int = 13
    most: int = 30
    label: int = 26


def plain(lines: Sequence[Line]) -> list[str]:
    """The text of the lines, without blanks at their ends."""
    return ["".join(text for text, _ in line).rstrip() for line in lines]


def grid_lines(grid: Grid, width: int) -> list[Line]:
    """The grid in at most ``width`` cells a line; the label column gives way where the terminal is narrow."""
    label = min(grid.label, max(12, width // 4))
    room = width - label
    fitting = max(grid.pinned + 1, room // (grid.least + len(GAP)))
    free = list(range(grid.pinned, len(grid.headings)))
    per_block = max(1, fitting - grid.pinned)
    blocks = -(-len(free) // per_block)
    per_block = -(-len(free) // blocks) if blocks else per_block  # of five in two blocks: three and two
    each = max(8, min(grid.most, room // (grid.pinned + per_block) - len(GAP)))
    lines: list[Line] = []
    for start in range(0, len(free), per_block):
        shown = [*range(grid.pinned), *free[start : start + per_block]]
        lines += [[("", "")]] if lines else []
        lines += _block(grid, shown, label, each)
    return lines


def _block(grid: Grid, shown: list[int], label: int, each: int) -> list[Line]:
    heading = GridRow("", tuple(((cut(name, each), "bold"),) for name in grid.headings))
    return [line for row in (heading, *grid.rows) for line in _row_lines(row, shown, label, each)]


def _row_lines(row: GridRow, shown: list[int], label: int, each: int) -> list[Line]:
    """All lines of one row; nothing where no shown column has a cell, and no label stands for itself."""
    columns = [_wrapped(row.cells[k], each) for k in shown]
    if not any(columns) and any(row.cells):
        return []
    names = wrap(row.label, label, "  " * row.below, "  ") if row.label else []
    lines: list[Line] = []
    for at in range(max([len(names), *map(len, columns)])):
        pieces: Line = [(_filled(names[at] if at < len(names) else "", label), "")]
        for column in columns:
            text, style = column[at] if at < len(column) else ("", "")
            pieces.append((GAP + _filled(text, each), style))
        lines.append(pieces)
    return lines


def _wrapped(cell: tuple[Piece, ...], each: int) -> list[Piece]:
    found: list[Piece] = []
    for text, style in cell:
        found += [(line, style) for line in wrap(text, each, "", " ")]
    return found


def _filled(text: str, width: int) -> str:
    return text + " " * (width - cells(text))
