"""XYZ and CSV files: one point a line. What parts the numbers is found out, and refused where that is not sure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_text import BLANKS, marks_per_line, numbers_in, open_end, plain_text, words_per_line
from fitcheck.geometry.meshes import Found, mesh_error

Floats = NDArray[np.float64]

_REMARKS = (b"#", b"//")
_AGAIN = "The file is cut short or damaged: export or copy it again."
_CLEAR = "Export it with points as decimal marks, and semicolons, tabs or single blanks between the columns."
_NAME = re.compile(r"([xyz])(?:[ _\[(].*)?$")


@dataclass(frozen=True)
class _Lines:
    """``names``: the words of a header line, if there is one; ``body``: the points' lines, the first of which is line
    ``first`` of the file (from 1)."""

    names: tuple[str, ...]
    body: bytes
    first: int


def read_xyz(path: Path) -> Found:
    """Points (n, 3) float64 of a text of columns; no faces.

    Columns are parted by blanks, tabs, commas or semicolons. A header line may name them: those called x, y
    and z are read; without one the first three. Lines that begin with # or // are remarks. Commas are taken for decimal
    marks only where semicolons or tabs part the columns and no point is there. Raises MeshError for lines of
    unlike columns, for anything that is not a number, and for whatever could be read in two ways.
    """
    data = path.read_bytes()
    if b"\0" in data:
        raise mesh_error(path, "it is not a text", "Check its name, or export it again.")
    text = plain_text(data)
    lines = _parted(text)
    if not lines.body.strip():
        raise mesh_error(path, "it holds 0 points", "Export it again.")
    mark = _mark(lines.body)
    body, notes = _decimal_points(path, lines.body, mark)
    body, promised = _count_line(body, mark)
    width = _width(path, body, mark, lines.first + (promised is not None))
    numbers = numbers_in(path, body if mark in b" \t" else body.replace(mark, b" ")).reshape(-1, width)
    if promised is not None and promised != len(numbers):
        raise mesh_error(path, f"its first line promises {promised} points; {len(numbers)} follow", _AGAIN)
    columns = _columns(path, lines.names, numbers, b"." in body or mark != b",")
    notes += _said(width, [lines.names[c] for c in columns] if lines.names else [])
    return Found(np.ascontiguousarray(numbers[:, columns]), np.empty((0, 3), np.int32), notes + open_end(text))


def _parted(text: bytes) -> _Lines:
    """The header, if any, and the lines of points without remarks."""
    names: tuple[str, ...] = ()
    start, number = 0, 1
    while start < len(text):
        end = text.find(b"\n", start) + 1 or len(text)
        line = text[start:end].strip()
        remark = line.startswith(_REMARKS)
        if line and not remark and _is_numbers(line):
            break
        words = _words(line.lstrip(b"#/")) if line else ()
        if words and (not remark or {"x", "y", "z"} <= {_plain(word) for word in words}):
            names = words
        start, number = end, number + 1
        if words and not remark:
            break
    body = text[start:]
    if any(mark in body for mark in _REMARKS):
        body = b"\n".join(re.split(rb"#|//", line, maxsplit=1)[0] for line in body.split(b"\n"))
    return _Lines(names, body, number)


def _is_numbers(line: bytes) -> bool:
    for word in re.split(rb"[;,\s]+", line.split(b"#")[0].strip(b" \t;,")):
        try:
            float(word)
        except ValueError:
            return False
    return True


def _words(line: bytes) -> tuple[str, ...]:
    text = line.strip().decode("latin-1")
    mark = next((mark for mark in ";\t," if mark in text), None)
    return tuple(word.strip().strip('"') for word in text.split(mark))


def _plain(name: str) -> str:
    match = _NAME.match(name.lower())
    return match.group(1) if match else name.lower()


def _mark(body: bytes) -> bytes:
    """What parts the columns, by the last of the first two lines (the first may be a count)."""
    lines = [line.strip() for line in body[: 1 << 14].split(b"\n") if line.strip()][:2]
    return next((mark for mark in (b";", b"\t", b",") if mark in lines[-1]), b" ")


def _decimal_points(path: Path, body: bytes, mark: bytes) -> tuple[bytes, tuple[str, ...]]:
    if mark == b"," or b"," not in body:
        return body, ()
    if mark == b" " or b"." in body:
        also = "blanks" if mark == b" " else "decimal points"
        raise mesh_error(path, f"it has commas beside {also}: which of them part numbers is not clear", _CLEAR)
    return body.replace(b",", b"."), ("its decimal commas were read as such",)


def _count_line(body: bytes, mark: bytes) -> tuple[bytes, int | None]:
    """Without a first line that holds one whole number only: the count of points."""
    first, _, rest = body.lstrip().partition(b"\n")
    alone = first.strip(b" \t" + mark)
    return (rest, int(alone)) if alone.isdigit() and rest.strip() else (body, None)


def _width(path: Path, body: bytes, mark: bytes, first: int) -> int:
    """Columns, alike in every line that is not empty."""
    compact = body.replace(b" ", b"") if mark != b" " and b" " in body else body
    if mark != b" " and (mark * 2 in compact or b"\n" + mark in compact or compact.startswith(mark)):
        raise mesh_error(path, "a line has an empty column", "Fill it in, or leave its lines out.")
    words = words_per_line(body, BLANKS + mark)
    width = int(words[np.flatnonzero(words)[0]]) if words.any() else 0
    odd = np.flatnonzero((words != width) & (words != 0))
    if len(odd):
        raise mesh_error(path, f"line {first + odd[0]} has {words[odd[0]]} columns; {width} were expected", _AGAIN)
    if mark != b" ":
        marks = marks_per_line(body, mark)[words != 0]
        if not ((marks == width - 1) | (marks == width)).all():
            raise mesh_error(path, "blanks stand between its numbers beside other marks: which part them is not clear",
                             _CLEAR)  # fmt: skip
    if width < 3:
        raise mesh_error(path, f"it has {width} columns; x, y and z were expected", "Export all three coordinates.")
    return width


def _columns(path: Path, names: tuple[str, ...], numbers: Floats, sure: bool) -> list[int]:
    """Which columns hold x, y and z."""
    width = numbers.shape[1]
    if names:
        if len(names) != width:
            wrong = f"its header names {len(names)} columns; {width} follow"
            raise mesh_error(path, wrong, "Correct the header line, or take it out.")
        found = [_column(names, axis) for axis in "xyz"]
        if any(column < 0 for column in found):
            wrong = f"its header names the columns {', '.join(names)[:80]}; x, y and z, once each, were expected"
            raise mesh_error(path, wrong, "Name them so in the header line.")
        return found
    if width > 3 and not sure:
        raise mesh_error(path, f"it has {width} columns, commas and no decimal point: the commas may be decimal marks",
                         _CLEAR)  # fmt: skip
    count = numbers[:, 0]
    if width > 3 and len(count) > 2 and count[0] in (0.0, 1.0) and (np.diff(count) == 1.0).all():
        raise mesh_error(path, "its first column counts the points", "Add a header line that names x, y and z.")
    return [0, 1, 2]


def _column(names: tuple[str, ...], axis: str) -> int:
    """The column called so exactly, else the one called so with a unit; -1 for none or several."""
    for found in ([name.lower() == axis for name in names], [_plain(name) == axis for name in names]):
        if any(found):
            return found.index(True) if sum(found) == 1 else -1
    return -1


def _said(width: int, names: list[str]) -> tuple[str, ...]:
    if width == 3:
        return ()
    which = ", ".join(names) if names else "the first three"
    return (f"of its {width} columns {which} were read as x, y, z; the others were left out",)
