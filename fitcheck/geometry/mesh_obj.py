"""OBJ files: vertices and faces; colours, normals, textures, materials and groups are passed over."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_ply import numbers_in
from fitcheck.geometry.meshes import mesh_error
from fitcheck.geometry.polygons import Polygons

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_AGAIN = "The file is cut short or damaged: export or copy it again."
_SURFACES = (b"curv", b"curv2", b"surf", b"trim", b"bzp", b"bsp")


def read_obj(path: Path) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    """Vertices (n, 3) float64 in file order and triangles, or Polygons where not all are triangles.

    Negative indices count back from the vertices read so far. Raises MeshError at a line that
    cannot be read and at free-form surfaces.
    """
    places: list[bytes] = []
    counts: list[int] = []
    corners: list[int] = []
    left_out: set[str] = set()
    data = path.read_bytes().replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    if b"\0" in data[:4096]:
        raise mesh_error(path, "it is not a text", "It is not an OBJ file: check its name, or export it again.")
    for number, line in enumerate(data.split(b"\n"), start=1):
        if line[:2] in (b"v ", b"v\t"):
            places.append(line[2:])
        elif line[:2] in (b"f ", b"f\t"):
            ring = _corners(path, number, line, len(places))
            counts.append(len(ring))
            corners += ring
        elif line[:2] in (b"p ", b"l "):
            left_out.add("points" if line[:1] == b"p" else "lines")
        elif line.split(maxsplit=1)[:1] and line.split(maxsplit=1)[0] in _SURFACES:
            raise mesh_error(path, f"line {number} is a free-form surface: not read", "Export triangles.")
    notes = tuple(f"{kind} in the file were left out" for kind in sorted(left_out))
    return _places(path, places), _faces(counts, corners), notes


def _corners(path: Path, number: int, line: bytes, known: int) -> list[int]:
    try:
        indices = [int(word.split(b"/", 1)[0]) for word in line[2:].split(b"#", 1)[0].split()]
    except ValueError:
        indices = []
    if len(indices) < 3:
        shown = line.strip()[:60].decode("latin-1")
        raise mesh_error(path, f"line {number} is not a face of three or more vertices: {shown!r}", _AGAIN)
    ring = [index - 1 if index > 0 else known + index for index in indices]
    if 0 in indices or min(ring) < 0 or max(ring) >= 2**31:
        raise mesh_error(path, f"line {number}: a face names vertex {min(indices)}; {known} were given so far", _AGAIN)
    return ring


def _places(path: Path, places: list[bytes]) -> Floats:
    if not places:
        return np.empty((0, 3))
    width = len(places[0].split())
    if width >= 3:
        numbers = numbers_in(path, b" ".join(places))
        if len(numbers) == width * len(places) and all(len(place.split()) == width for place in places):
            return np.ascontiguousarray(numbers.reshape(-1, width)[:, :3])
    rows = [place.split()[:3] for place in places]
    short = next((row for row, words in enumerate(rows) if len(words) < 3), None)
    if short is not None:
        raise mesh_error(path, f"vertex {short} (counting from 0) has fewer than three coordinates", _AGAIN)
    return numbers_in(path, b" ".join(b" ".join(row) for row in rows)).reshape(-1, 3)


def _faces(counts: list[int], corners: list[int]) -> Ints | Polygons:
    flat = np.array(corners, dtype=np.int32)
    if all(count == 3 for count in counts):
        return flat.reshape(-1, 3)
    return Polygons(np.array(counts, dtype=np.int64), flat)
