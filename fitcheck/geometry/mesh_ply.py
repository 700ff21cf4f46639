"""PLY files: the header as a promise, then vertices and faces, binary or text."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import MeshError
from fitcheck.geometry.meshes import mesh_error
from fitcheck.geometry.polygons import Polygons

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8", "int64": "i8", "uint64": "u8",
}  # fmt: skip
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_INDEX_NAMES = ("vertex_indices", "vertex_index")
_AXES = ("x", "y", "z")
_HEADER_LIMIT = 1 << 18
_ROWS = 1 << 19  # rows a chunk: a few ten MB
_AGAIN = "The file is cut short or damaged: export or copy it again."


@dataclass(frozen=True)
class _Property:
    """``count_type`` is set for a list. Types are numpy codes with byte order."""

    name: str
    type: str
    count_type: str | None = None


@dataclass(frozen=True)
class _Element:
    name: str
    count: int
    properties: tuple[_Property, ...]

    @property
    def index(self) -> _Property:
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


@dataclass(frozen=True)
class _Header:
    order: str  # "<", ">" or "" for text
    elements: tuple[_Element, ...]
    data_start: int


def read_ply(path: Path) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    """Vertices (n, 3) float64 and triangles (m, 3) int32, or Polygons where not all are triangles.

    Raises MeshError for a header that cannot be read or promises more, or less, than the file holds.
    """
    with path.open("rb") as file:
        header = _read_header(path, file)
        _check_promise(path, header)
        file.seek(header.data_start)
        return (_read_binary if header.order else _read_text)(path, file, header)


def _read_header(path: Path, file: BinaryIO) -> _Header:
    head = file.read(_HEADER_LIMIT)
    if not head.startswith(b"ply"):
        raise mesh_error(path, "it does not begin with 'ply'", "It is not a PLY file: check its name.")
    end = head.find(b"end_header")
    stop = head.find(b"\n", end)
    if end < 0 or stop < 0:
        raise mesh_error(path, "its header has no end ('end_header' was expected)", _AGAIN)
    lines = head[:end].decode("latin-1").splitlines()
    order, elements = "?", []
    for number, line in enumerate(lines, start=1):
        words = line.split()
        try:
            if words[:1] == ["format"]:
                order = _FORMATS[words[1]]
            elif words[:1] == ["element"]:
                elements.append(_Element(words[1], _count(words[2]), ()))
            elif words[:1] == ["property"]:
                last = elements[-1]
                elements[-1] = _Element(last.name, last.count, (*last.properties, _property(words, order)))
        except (KeyError, IndexError, ValueError):
            raise mesh_error(path, f"header line {number} cannot be read: {line.strip()!r}", _AGAIN) from None
    if order == "?":
        raise mesh_error(path, "its header names no format", _AGAIN)
    return _Header(order, tuple(elements), stop + 1)


def _count(word: str) -> int:
    if not word.isdecimal():
        raise ValueError(word)
    return int(word)


def _property(words: list[str], order: str) -> _Property:
    if words[1] == "list":
        return _Property(words[4], order + _TYPES[words[3]], order + _TYPES[words[2]])
    return _Property(words[2], order + _TYPES[words[1]])


def _check_promise(path: Path, header: _Header) -> None:
    names = [e.name for e in header.elements]
    if names.count("vertex") != 1 or not {"x", "y", "z"} <= {p.name for e in header.elements if e.name == "vertex"
                                                            for p in e.properties if not p.count_type}:  # fmt: skip
        raise mesh_error(path, "its header has no vertices with x, y and z", "Export it again, as a mesh.")
    counts = {e.name: e.count for e in header.elements}
    twice = next((e for e in header.elements if len({p.name for p in e.properties}) < len(e.properties)), None)
    if twice is not None or len(counts) < len(header.elements):
        raise mesh_error(path, "its header names something twice", _AGAIN)
    if "tristrips" in counts:
        raise mesh_error(path, "it holds triangle strips, which are not read", "Export it with plain faces.")
    if not counts.get("face"):
        raise mesh_error(path, f"{counts['vertex']} points and no faces: a point cloud, not a mesh: not read yet",
                         "Make a surface mesh of it in the scanner's software and export that.")  # fmt: skip
    for element in header.elements:
        if element.name == "face" and not any(p.count_type for p in element.properties):
            raise mesh_error(path, "its faces have no list of vertices", _AGAIN)
    there = path.stat().st_size - header.data_start
    per_row = [_least_text(e) if not header.order else e.least_bytes() for e in header.elements]
    least = sum(e.count * row for e, row in zip(header.elements, per_row, strict=True)) - (not header.order)
    if least > there or max(e.count for e in header.elements) >= 2**31:
        promised = ", ".join(f"{e.count} × {e.name}" for e in header.elements)
        raise mesh_error(path, f"its header promises {promised}: at least {least} bytes; {there} bytes follow", _AGAIN)


def _least_text(element: _Element) -> int:
    """A text row cannot be shorter: a digit and a blank for each number."""
    return 2 * sum(1 + (3 if element.name == "face" and p is element.index else 0) if p.count_type else 1
                   for p in element.properties)  # fmt: skip


# --- binary ---------------------------------------------------------------------------------------------------------


def _read_binary(path: Path, file: BinaryIO, header: _Header) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    vertices: Floats = np.empty((0, 3))
    faces: Ints | Polygons = np.empty((0, 3), np.int32)
    for element in header.elements:
        if element.name == "vertex" and not any(p.count_type for p in element.properties):
            vertices = _binary_vertices(path, file, element)
        elif element.name == "face":
            found = _binary_faces(path, file, element)
            faces = _walk(path, file, element) if found is None else found
        else:
            walked = _walk(path, file, element)
            if element.name == "vertex":
                raise mesh_error(path, f"its {len(walked)} vertices carry lists", "Export plain vertices.")
    left = path.stat().st_size - file.tell()
    if left > 2:  # a final line end is harmless
        raise mesh_error(path, f"{left} bytes follow after everything that its header promises", _AGAIN)
    return vertices, faces, ()


def _rows(path: Path, file: BinaryIO, dtype: np.dtype[np.void], count: int) -> NDArray[np.void]:
    rows = np.fromfile(file, dtype=dtype, count=count)
    if len(rows) < count:
        raise mesh_error(path, "it ends before everything that its header promises", _AGAIN)
    return rows


def _binary_vertices(path: Path, file: BinaryIO, element: _Element) -> Floats:
    names = [p.name if p.name in _AXES else f"{i} {p.name}" for i, p in enumerate(element.properties)]
    dtype = np.dtype([(name, p.type) for name, p in zip(names, element.properties, strict=True)])
    vertices = np.empty((element.count, 3))
    for start in range(0, element.count, _ROWS):
        rows = _rows(path, file, dtype, min(_ROWS, element.count - start))
        for axis, name in enumerate("xyz"):
            vertices[start : start + len(rows), axis] = rows[name]
    return vertices


def _binary_faces(path: Path, file: BinaryIO, element: _Element) -> Ints | Polygons | None:
    """All faces where every row has as many corners as the first, as nearly always; None (and rewound) otherwise."""
    begin = file.tell()
    lengths = _first_lengths(file, element)
    file.seek(begin)
    corners = lengths[element.index.name]
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for p in element.properties:
        if p.count_type:
            fields += [(f"n {p.name}", p.count_type), (p.name, p.type, (lengths[p.name],))]
        else:
            fields.append((f"s {p.name}", p.type))
    dtype = np.dtype(fields)
    if corners < 3 or dtype.itemsize * element.count > path.stat().st_size - begin:
        return None
    faces = np.empty((element.count, corners), dtype=np.int32)
    for start in range(0, element.count, _ROWS):
        rows = _rows(path, file, dtype, min(_ROWS, element.count - start))
        if any((rows[f"n {name}"] != length).any() for name, length in lengths.items()):
            file.seek(begin)
            return None
        faces[start : start + len(rows)] = _as_int32(path, rows[element.index.name])
    return faces if corners == 3 else Polygons(np.full(len(faces), corners, np.int64), faces.ravel())


def _first_lengths(file: BinaryIO, element: _Element) -> dict[str, int]:
    lengths: dict[str, int] = {}
    for p in element.properties:
        size = np.dtype(p.type).itemsize
        if p.count_type is None:
            file.seek(size, 1)
            continue
        raw = file.read(np.dtype(p.count_type).itemsize)
        length = int(np.frombuffer(raw, p.count_type)[0]) if len(raw) == np.dtype(p.count_type).itemsize else 0
        lengths[p.name] = length if 0 <= length < 1 << 16 else 0
        file.seek(lengths[p.name] * size, 1)
    return lengths


def _as_int32(path: Path, indices: NDArray[np.generic]) -> Ints:
    if indices.dtype.kind not in "iu":
        raise mesh_error(path, "its faces name vertices by fractions", _AGAIN)
    wide = indices.dtype.itemsize > 4 or indices.dtype.kind == "u"  # could wrap round into a valid index
    if wide and indices.size and not -(2**31) <= int(indices.min()) <= int(indices.max()) < 2**31:
        raise mesh_error(path, f"a face names vertex {indices.max()}", _AGAIN)
    return indices.astype(np.int32)


def _walk(path: Path, file: BinaryIO, element: _Element) -> Polygons:
    """Row by row, for lists of changing length. Leaves the file after the element."""
    begin = file.tell()
    data = file.read()
    index = element.index if any(p.count_type for p in element.properties) else None
    counts: list[int] = []
    corners: list[bytes] = []
    at = 0
    for row in range(element.count):
        for p in element.properties:
            size, items = np.dtype(p.type).itemsize, 1
            if p.count_type:
                wide = np.dtype(p.count_type).itemsize
                items = int.from_bytes(data[at : at + wide], "big" if p.count_type[0] == ">" else "little")
                at += wide
            if at + items * size > len(data):
                raise mesh_error(path, f"it ends in {element.name} {row} of {element.count}", _AGAIN)
            if p is index:
                counts.append(items)
                corners.append(data[at : at + items * size])
            at += items * size
    file.seek(begin + at)
    flat = np.frombuffer(b"".join(corners), dtype=index.type if index else "<i4")
    if element.name != "face":
        return Polygons(np.zeros(element.count, np.int64), np.empty(0, np.int32))
    return _polygons(path, np.array(counts, np.int64), _as_int32(path, flat))


def _polygons(path: Path, counts: NDArray[np.int64], corners: Ints) -> Polygons:
    if counts.min() < 3:
        row = int(np.argmin(counts))
        wrong = f"face {row} (counting from 0) has {counts[row]} corners; at least 3 were expected"
        raise mesh_error(path, wrong, _AGAIN)
    return Polygons(counts, corners)


# --- text -----------------------------------------------------------------------------------------------------------


def numbers_in(path: Path, text: bytes) -> Floats:
    """All numbers of a text of numbers and blanks. Raises MeshError at anything else."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(text.decode("latin-1"), dtype=np.float64, sep=" ")
        except (DeprecationWarning, ValueError):
            pass
    word, number = _first_non_number(text)
    raise mesh_error(path, f"value {number} of its data is {word!r}; a number was expected", _AGAIN)


def _first_non_number(text: bytes) -> tuple[str, int]:
    for number, word in enumerate(text.split(), start=1):
        try:
            float(word)
        except ValueError:
            return word[:40].decode("latin-1"), number
    return "", 0


def _read_text(path: Path, file: BinaryIO, header: _Header) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    numbers = numbers_in(path, file.read())
    vertices: Floats = np.empty((0, 3))
    faces: Ints | Polygons = np.empty((0, 3), np.int32)
    at = 0
    for element in header.elements:
        if any(p.count_type for p in element.properties):
            polygons, at = _text_lists(path, element, numbers, at)
            faces = polygons if element.name == "face" else faces
            continue
        width = len(element.properties)
        block = numbers[at : at + element.count * width]
        if len(block) < element.count * width:
            raise _short(path, element, len(block) // max(width, 1))
        at += len(block)
        if element.name == "vertex":
            names = [p.name for p in element.properties]
            vertices = np.ascontiguousarray(block.reshape(-1, width)[:, [names.index(n) for n in "xyz"]])
    if at != len(numbers):
        raise mesh_error(path, f"{len(numbers) - at} numbers follow after everything that its header promises", _AGAIN)
    return vertices, faces, ()


def _short(path: Path, element: _Element, found: int) -> MeshError:
    return mesh_error(path, f"its header promises {element.count} × {element.name}, but it ends after {found}", _AGAIN)


def _text_lists(path: Path, element: _Element, numbers: Floats, at: int) -> tuple[Ints | Polygons, int]:
    if len(element.properties) == 1:  # all triangles, as nearly always: one reshape
        block = numbers[at : at + 4 * element.count].reshape(-1, 4) if len(numbers) >= at + 4 * element.count else None
        if block is not None and (block[:, 0] == 3).all():
            return _whole(path, block[:, 1:]), at + 4 * element.count
    counts: list[int] = []
    corners: list[Floats] = []
    for row in range(element.count):
        for p in element.properties:
            items = 1
            if p.count_type:
                items = int(numbers[at]) if at < len(numbers) and 0 <= numbers[at] < 2**31 else -1
                at += 1
            if items < 0 or at + items > len(numbers):
                raise _short(path, element, row)
            if p.count_type and p is element.index:
                counts.append(items)
                corners.append(numbers[at : at + items])
            at += items
    flat = _whole(path, np.concatenate(corners) if corners else np.empty(0))
    return (_polygons(path, np.array(counts, np.int64), flat) if element.name == "face" else Polygons(
        np.zeros(0, np.int64), flat)), at  # fmt: skip


def _whole(path: Path, values: Floats) -> Ints:
    if not (np.isfinite(values).all() and (np.abs(values) < 2**31).all() and (values == np.floor(values)).all()):
        raise mesh_error(path, "a face names a vertex by something that is not a whole number", _AGAIN)
    return values.astype(np.int32)
