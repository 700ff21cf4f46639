"""STL files, binary and text. STL shares no vertices: each triangle brings its own three."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_ply import numbers_in
from fitcheck.geometry.meshes import mesh_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_HEADER, _RECORD = 84, 50  # bytes: 80 of text and the count; normal, three corners, two of attributes
_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_ROWS = 1 << 19
_AGAIN = "The file is cut short or damaged: export or copy it again."
_WORDS = ((b"facet", 1), (b"normal", 1), (b"outer", 1), (b"loop", 2), (b"vertex", 3), (b"endloop", 1), (b"endfacet", 1))
"""Keywords of a text STL and how often each stands in one facet ("loop" also inside "endloop")."""


def read_stl(path: Path) -> tuple[Floats, Ints, tuple[str, ...]]:
    """Vertices (3m, 3) float64 and triangles (m, 3) int32 of an STL file.

    Raises MeshError when a binary file's size is not 84 + 50 × its triangle count, or a
    text is not whole facets to its end.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(1024)
    promised = int.from_bytes(head[80:84], "little") if size >= _HEADER else None
    if promised is not None and size == _HEADER + _RECORD * promised:
        return _read_binary(path, promised)
    if head.lstrip().lower().startswith(b"solid") and b"\0" not in head:
        return _read_text(path)
    if promised is None:
        raise mesh_error(path, f"{size} bytes are too few for an STL file, which begins with {_HEADER}", _AGAIN)
    needed = _HEADER + _RECORD * promised
    room = (size - _HEADER) // _RECORD
    wrong = f"its header promises {promised} triangles, which take {needed} bytes (84 + 50 each)"
    raise mesh_error(path, f"{wrong}; the file has {size} bytes, room for {room}", _AGAIN)


def _read_binary(path: Path, count: int) -> tuple[Floats, Ints, tuple[str, ...]]:
    if count >= 2**31 // 3:
        raise mesh_error(path, f"{count} triangles are more than can be numbered", "Export a smaller piece.")
    vertices = np.empty((count, 3, 3))
    with path.open("rb") as file:
        file.seek(_HEADER)
        for start in range(0, count, _ROWS):
            rows = np.fromfile(file, dtype=_TRIANGLE, count=min(_ROWS, count - start))
            if len(rows) < min(_ROWS, count - start):
                raise mesh_error(path, "it ends before everything that its header promises", _AGAIN)
            vertices[start : start + len(rows)] = rows["corners"]
    return vertices.reshape(-1, 3), _in_threes(count), ()


def _in_threes(count: int) -> Ints:
    return np.arange(3 * count, dtype=np.int32).reshape(-1, 3)


def _read_text(path: Path) -> tuple[Floats, Ints, tuple[str, ...]]:
    text = path.read_bytes().lower()
    lines = [line for line in text.splitlines() if not line.lstrip().startswith((b"solid", b"endsolid"))]
    solids = sum(line.lstrip().startswith(b"solid") for line in text.splitlines())
    ends = sum(line.lstrip().startswith(b"endsolid") for line in text.splitlines())
    body = b"\n".join(lines)
    count = body.count(b"endfacet")
    if solids != ends:
        raise mesh_error(path, f"{solids} 'solid' and {ends} 'endsolid' lines: it ends too soon", _AGAIN)
    for word, times in _WORDS:
        expected = times * count + (count if word == b"facet" else 0)  # "facet" also inside "endfacet"
        if body.count(word) != expected:
            raise mesh_error(path, f"{count} × 'endfacet' but {body.count(word)} × {word.decode()!r} "
                             f"({expected} were expected)", _AGAIN)  # fmt: skip
    for word in (b"endfacet", b"endloop", b"facet", b"normal", b"outer", b"loop", b"vertex"):
        body = body.replace(word, b" ")
    numbers = numbers_in(path, body)
    if len(numbers) != 12 * count:
        raise mesh_error(path, f"{count} facets need {12 * count} numbers; it has {len(numbers)}", _AGAIN)
    vertices = np.ascontiguousarray(numbers.reshape(-1, 12)[:, 3:]).reshape(-1, 3)
    return vertices, _in_threes(count), ()
