"""The header of a PLY file as a promise: what it names, and that the file is long enough for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from fitcheck.geometry.mesh_text import BOM
from fitcheck.geometry.meshes import mesh_error

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8", "int64": "i8", "uint64": "u8",
}  # fmt: skip
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_INDEX_NAMES = ("vertex_indices", "vertex_index")
_REMARKS = ("comment", "obj_info")
_HEADER_LIMIT = 1 << 18
_AGAIN = "The file is cut short or damaged: export or copy it again."


@dataclass(frozen=True)
class Property:
    """``count_type`` is set for a list. Types are numpy codes with byte order."""

    name: str
    type: str
    count_type: str | None = None


@dataclass(frozen=True)
class Element:
    """One kind of row, and how many of them follow."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def index(self) -> Property:
        """The list that holds a face's corners: by name, else the only list there is."""
        lists = [p for p in self.properties if p.count_type]
        named = [p for p in lists if p.name in _INDEX_NAMES]
        return (named or lists)[0]

    def least_bytes(self) -> int:
        """A row cannot be shorter; a face's corners are at least three."""
        total = 0
        for p in self.properties:
            size = np.dtype(p.type).itemsize
            corners = 3 if self.name == "face" and p is self.index else 0
            total += np.dtype(p.count_type).itemsize + corners * size if p.count_type else size
        return total

    def least_text(self) -> int:
        """A text row cannot be shorter: a digit and a blank for each number."""
        return 2 * sum(1 + (3 if self.name == "face" and p is self.index else 0) if p.count_type else 1
                       for p in self.properties)  # fmt: skip


@dataclass(frozen=True)
class Header:
    """``order`` "<", ">" or "" for text; ``data_start`` the first byte after it."""

    order: str
    elements: tuple[Element, ...]
    data_start: int


def read_header(path: Path, file: BinaryIO) -> Header:
    """The header. Raises MeshError for one that cannot be read, or promises more, or less, than the file holds."""
    head = file.read(_HEADER_LIMIT)
    start = len(BOM) if head.startswith(BOM) else 0
    if not head.startswith(b"ply", start):
        raise mesh_error(path, "it does not begin with 'ply'", "It is not a PLY file: check its name.")
    end = head.find(b"end_header")
    stop = _after_line(head, end)
    if end < 0 or stop < 0:
        raise mesh_error(path, "its header has no end ('end_header' was expected)", _AGAIN)
    order, elements = _lines(path, head[start:end].decode("latin-1").splitlines())
    header = Header(order, tuple(elements), stop)
    _check_names(path, header)
    _check_promise(path, header)
    return header


def _after_line(head: bytes, end: int) -> int:
    """Where the line that holds ``end`` is over. A lone carriage return ends it only where all lines end so."""
    feed = head.find(b"\n", end)
    if b"\n" not in head[:end] and b"\r" in head[:end]:
        return head.find(b"\r", end) + 1 or -1
    return feed + 1 or -1


def _lines(path: Path, lines: list[str]) -> tuple[str, list[Element]]:
    order: str | None = None
    elements: list[Element] = []
    for number, line in enumerate(lines[1:], start=2):
        words = line.split()
        try:
            if words[:1] == ["format"] and order is None:
                order = _FORMATS[words[1]]
            elif words[:1] == ["element"]:
                elements.append(Element(words[1], _count(words[2]), ()))
            elif words[:1] == ["property"] and order is not None:
                last = elements[-1]
                elements[-1] = Element(last.name, last.count, (*last.properties, _property(words, order)))
            elif words and words[0] not in _REMARKS:
                raise ValueError(line)
        except (KeyError, IndexError, ValueError):
            raise mesh_error(path, f"header line {number} cannot be read: {line.strip()[:60]!r}", _AGAIN) from None
    if order is None:
        raise mesh_error(path, "its header names no format", _AGAIN)
    return order, elements


def _count(word: str) -> int:
    if not (word.isascii() and word.isdecimal()):
        raise ValueError(word)
    return int(word)


def _property(words: list[str], order: str) -> Property:
    if words[1] == "list":
        count = _TYPES[words[2]]
        if count[0] == "f":
            raise ValueError("a list as long as a fraction")
        return Property(words[4], order + _TYPES[words[3]], order + count)
    return Property(words[2], order + _TYPES[words[1]])


def _check_names(path: Path, header: Header) -> None:
    names = [e.name for e in header.elements]
    if names.count("vertex") != 1 or not {"x", "y", "z"} <= {p.name for e in header.elements if e.name == "vertex"
                                                            for p in e.properties if not p.count_type}:  # fmt: skip
        raise mesh_error(path, "its header has no vertices with x, y and z", "Export it again, as a mesh.")
    twice = next((e for e in header.elements if len({p.name for p in e.properties}) < len(e.properties)), None)
    if twice is not None or len(set(names)) < len(names):
        raise mesh_error(path, "its header names something twice", _AGAIN)
    if "tristrips" in names:
        raise mesh_error(path, "it holds triangle strips, which are not read", "Export it with plain faces.")
    for element in header.elements:
        lists = any(p.count_type for p in element.properties)
        if element.name == "face" and not lists:
            raise mesh_error(path, "its faces have no list of vertices", _AGAIN)
        if "face" not in names and lists and element.name not in ("vertex", "range_grid"):
            wrong = f"it has no faces, but {element.count} × {element.name!r} with lists, which are not known here"
            raise mesh_error(path, wrong, "Export it with plain faces.")


def _check_promise(path: Path, header: Header) -> None:
    there = path.stat().st_size - header.data_start
    per_row = [e.least_bytes() if header.order else e.least_text() for e in header.elements]
    least = sum(e.count * row for e, row in zip(header.elements, per_row, strict=True)) - (not header.order)
    if least > there or max(e.count for e in header.elements) >= 2**31:
        promised = ", ".join(f"{e.count} × {e.name}" for e in header.elements)
        raise mesh_error(path, f"its header promises {promised}: at least {least} bytes; {there} bytes follow", _AGAIN)
