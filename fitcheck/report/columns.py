"""Rows of text in columns, measured in terminal cells, so that wide letters and emoji keep the lines straight."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

GAP = "  "


@dataclass(frozen=True)
class Column:
    """A heading, the side its cells keep to, and whether it gives way when the lines are too long."""

    heading: str
    left: bool = False
    gives_way: bool = False


def cells(text: str) -> int:
    """How many terminal cells a text takes: two for wide letters and emoji, none for marks that combine."""
    return sum(_cells_of(character) for character in text)


def _cells_of(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def cut(text: str, width: int) -> str:
    """The text in at most ``width`` cells, its middle left out when it is longer."""
    if cells(text) <= width:
        return text
    if width < 3:
        return "…"[:width]
    head = tail = ""
    for near, far in zip(text, reversed(text), strict=True):
        if cells(head + near + tail) > width - 1:
            break
        head += near
        if cells(head + far + tail) > width - 1:
            break
        tail = far + tail
    return head + "…" + tail


def lay_out(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """The heading and the rows as lines of at most ``width`` cells, where the columns that give way allow it.

    Of no rows: no lines.
    """
    if not rows:
        return []
    table = [[column.heading for column in columns], *rows]
    widths = [max(cells(row[i]) for row in table) for i in range(len(columns))]
    widths = _narrowed(columns, widths, width)
    return [GAP.join(_fill(row[i], widths[i], columns[i].left) for i in range(len(columns))).rstrip() for row in table]


def _narrowed(columns: Sequence[Column], widths: list[int], width: int) -> list[int]:
    """Take what is too much from the columns that give way, the widest first, down to 8 cells each."""
    widths = list(widths)
    excess = sum(widths) + len(GAP) * (len(widths) - 1) - width
    yielding = [i for i, column in enumerate(columns) if column.gives_way]
    while excess > 0 and yielding:
        widest = max(yielding, key=lambda i: widths[i])
        if widths[widest] <= 8:
            break
        widths[widest] -= 1
        excess -= 1
    return widths


def _fill(text: str, width: int, left: bool) -> str:
    text = cut(text, width)
    blank = " " * (width - cells(text))
    return text + blank if left else blank + text


def wrap(text: str, width: int, indent: str = "  ", hanging: str | None = None) -> list[str]:
    """The text in lines of at most ``width`` cells, broken at blanks (and inside a word that is longer than a line).

    The first line starts with ``indent``, the others with ``hanging`` (``indent`` when not given).
    """
    hanging = indent if hanging is None else hanging
    lines, line = [], indent
    for word in text.split():
        for piece in _pieces(word, max(8, width - cells(hanging))):
            start = line in (indent, hanging)
            if not start and cells(line) + 1 + cells(piece) > width:
                lines.append(line)
                line, start = hanging, True
            line += piece if start else " " + piece
    return [*lines, line] if line.strip() else lines


def _pieces(word: str, width: int) -> list[str]:
    """A word cut into pieces of at most ``width`` cells."""
    pieces = [""]
    for character in word:
        if cells(pieces[-1]) + _cells_of(character) > width:
            pieces.append("")
        pieces[-1] += character
    return pieces
