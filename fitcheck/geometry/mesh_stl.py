"""STL files, binary and text. STL shares no vertices: each triangle brings its own three."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_text import BOM, numbers_in, plain_text
from fitcheck.geometry.meshes import Found, float_step, mesh_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_HEADER, _RECORD = 84, 50  # bytes: 80 of text and the count; normal, three corners, two of attributes
_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_ROWS = 1 << 19
_AGAIN = "The file is cut short or damaged: export or copy it again."
_FACET = (b"facet", b"normal", *[b""] * 3, b"outer", b"loop", *[b"vertex", *[b""] * 3] * 3, b"endloop", b"endfacet")
"""The words of one facet of a text STL in their order; empty: a number."""
_PLACES = (8, 9, 10, 12, 13, 14, 16, 17, 18)
"""Which of those words are the corners' numbers."""
_PART = 1 << 24


def read_stl(path: Path) -> Found:
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
    if head.removeprefix(BOM).lstrip().lower().startswith(b"solid") and b"\0" not in head:
        return _read_text(path)
    if promised is None:
        raise mesh_error(path, f"{size} bytes are too few for an STL file, which begins with {_HEADER}", _AGAIN)
    needed = _HEADER + _RECORD * promised
    room = (size - _HEADER) // _RECORD
    wrong = f"its header promises {promised} triangles, which take {needed} bytes (84 + 50 each)"
    raise mesh_error(path, f"{wrong}; the file has {size} bytes, room for {room}", _AGAIN)


def _read_binary(path: Path, count: int) -> Found:
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
    largest = float(max(-vertices.min(), vertices.max())) if count else 0.0
    return Found(vertices.reshape(-1, 3), _in_threes(count), step=float_step(largest))


def _in_threes(count: int) -> Ints:
    return np.arange(3 * count, dtype=np.int32).reshape(-1, 3)


def _read_text(path: Path) -> Found:
    text = plain_text(path.read_bytes()).lower()
    lines = text.split(b"\n")
    solids = sum(line.lstrip().startswith(b"solid") for line in lines)
    ends = sum(line.lstrip().startswith(b"endsolid") for line in lines)
    if solids != ends:
        raise mesh_error(path, f"{solids} 'solid' and {ends} 'endsolid' lines: it ends too soon", _AGAIN)
    body = b"\n".join(line for line in lines if not line.lstrip().startswith((b"solid", b"endsolid")))
    del text, lines
    corners = [_facets(path, part) for part in _parts(body)]
    vertices = np.concatenate(corners).reshape(-1, 3) if corners else np.empty((0, 3))
    notes = (f"its {solids} bodies ('solid') were read as one mesh",) if solids > 1 else ()
    return Found(vertices, _in_threes(len(vertices) // 3), notes)


def _parts(body: bytes) -> Iterator[bytes]:
    """The text in pieces of a few MB that end with a facet."""
    start = 0
    while start < len(body):
        end = body.find(b"endfacet", start + _PART)
        end = len(body) if end < 0 else end + len(b"endfacet")
        yield body[start:end]
        start = end


def _facets(path: Path, part: bytes) -> Floats:
    """The corners of whole facets, word by word in their one order; the normals are passed over."""
    words = part.split()
    if not words:
        return np.empty((0, 9))
    words += [b"the end"] * (-len(words) % len(_FACET))
    wrong = [at for at in range(len(_FACET)) if _FACET[at] and set(words[at :: len(_FACET)]) - {_FACET[at]}]
    if wrong:
        at = next(i for i, word in enumerate(words) if _FACET[i % len(_FACET)] not in (b"", word))
        expected, found = _FACET[at % len(_FACET)].decode(), words[at][:20].decode("latin-1")
        raise mesh_error(path, f"{expected!r} was expected in a facet, {found!r} was found", _AGAIN)
    numbers = [words[at :: len(_FACET)] for at in _PLACES]
    ordered = b" ".join(word for corner in zip(*numbers, strict=True) for word in corner)
    return numbers_in(path, ordered).reshape(-1, 9)
