"""PLY files: vertices and faces, binary or text, as the header (mesh_ply_header) promises them."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import MeshError
from fitcheck.geometry.mesh_ply_header import Element, Header, read_header
from fitcheck.geometry.mesh_text import numbers_in, open_end
from fitcheck.geometry.meshes import Found, float_step, mesh_error
from fitcheck.geometry.polygons import Polygons

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_AXES = ("x", "y", "z")
_ROWS = 1 << 19  # rows a chunk: a few ten MB
_AGAIN = "The file is cut short or damaged: export or copy it again."


def read_ply(path: Path) -> Found:
    """Vertices (n, 3) float64 and triangles (m, 3) int32, or Polygons where not all are triangles; a cloud has none.

    Raises MeshError for a header that cannot be read or promises more, or less, than the file holds.
    """
    with path.open("rb") as file:
        header = read_header(path, file)
        file.seek(header.data_start)
        vertices, faces, notes = (_read_binary if header.order else _read_text)(path, file, header)
    grid = ("its rows and columns (range_grid) were left out",) if any(
        e.name == "range_grid" for e in header.elements) else ()  # fmt: skip
    return Found(vertices, faces, (*notes, *grid), _step(header, vertices))


def _step(header: Header, vertices: Floats) -> float:
    """How far apart the file's own numbers lie at its vertices; 0 for double precision."""
    element = next(e for e in header.elements if e.name == "vertex")
    kinds = {np.dtype(p.type) for p in element.properties if p.name in _AXES}
    if not header.order or not len(vertices):
        return 0.0
    if any(kind.kind in "iu" for kind in kinds):
        return 1.0
    return float_step(float(max(-vertices.min(), vertices.max()))) if np.float32 in {k.type for k in kinds} else 0.0


# --- binary ---------------------------------------------------------------------------------------------------------


def _read_binary(path: Path, file: BinaryIO, header: Header) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    vertices: Floats = np.empty((0, 3))
    faces: Ints | Polygons = np.empty((0, 3), np.int32)
    for element in header.elements:
        if element.count == 0:
            continue
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


def _binary_vertices(path: Path, file: BinaryIO, element: Element) -> Floats:
    names = [p.name if p.name in _AXES else f"{i} {p.name}" for i, p in enumerate(element.properties)]
    dtype = np.dtype([(name, p.type) for name, p in zip(names, element.properties, strict=True)])
    vertices = np.empty((element.count, 3))
    for start in range(0, element.count, _ROWS):
        rows = _rows(path, file, dtype, min(_ROWS, element.count - start))
        for axis, name in enumerate("xyz"):
            vertices[start : start + len(rows), axis] = rows[name]
    return vertices


def _binary_faces(path: Path, file: BinaryIO, element: Element) -> Ints | Polygons | None:
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


def _first_lengths(file: BinaryIO, element: Element) -> dict[str, int]:
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


def _walk(path: Path, file: BinaryIO, element: Element) -> Polygons:
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


def _read_text(path: Path, file: BinaryIO, header: Header) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    text = file.read()
    numbers = numbers_in(path, text)
    vertices: Floats = np.empty((0, 3))
    faces: Ints | Polygons = np.empty((0, 3), np.int32)
    at = 0
    for element in header.elements:
        if element.count == 0:
            continue
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
    return vertices, faces, open_end(text)


def _short(path: Path, element: Element, found: int) -> MeshError:
    return mesh_error(path, f"its header promises {element.count} × {element.name}, but it ends after {found}", _AGAIN)


def _text_lists(path: Path, element: Element, numbers: Floats, at: int) -> tuple[Ints | Polygons, int]:
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
