"""OBJ files: vertices and faces; colours, normals, textures, materials and groups are passed over."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import MeshError
from fitcheck.geometry.mesh_text import numbers_in, open_end, plain_text
from fitcheck.geometry.meshes import Found, mesh_error
from fitcheck.geometry.polygons import Polygons

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_AGAIN = "The file is cut short or damaged: export or copy it again."
_SURFACES = (b"curv", b"curv2", b"surf", b"trim", b"bzp", b"bsp", b"cdp", b"cdc", b"res")
_PASSED_OVER = frozenset(
    b"vt vn vp g o s mg usemtl mtllib usemap maplib bevel c_interp d_interp lod shadow_obj trace_obj".split()
)


def read_obj(path: Path) -> Found:
    """Vertices (n, 3) float64 in file order and triangles, or Polygons where not all are triangles.

    Negative indices count back from the vertices read so far. Raises MeshError at a line that
    cannot be read, at free-form surfaces, at a word that is not known, and without faces.
    """
    places: list[bytes] = []
    counts: list[int] = []
    corners: list[int] = []
    left_out: set[str] = set()
    data = path.read_bytes()
    if b"\0" in data:
        raise mesh_error(path, "it is not a text", "It is not an OBJ file: check its name, or export it again.")
    text = plain_text(data)
    for number, line in _lines(text):
        word, _, rest = line.partition(b" ")
        if word == b"v":
            places.append(rest)
        elif word == b"f":
            ring = _corners(path, number, rest, len(places))
            counts.append(len(ring))
            corners += ring
        elif word in (b"p", b"l"):
            left_out.add("points" if word == b"p" else "lines")
        elif word not in _PASSED_OVER:
            raise _refused(path, number, word)
    if not counts and places:
        wrong = f"{len(places)} points and no faces: a point cloud, not a mesh"
        raise mesh_error(path, wrong, "Export a surface mesh; as a scan, points are read from PLY, XYZ, CSV and PCD.")
    notes = tuple(f"{kind} in the file were left out" for kind in sorted(left_out))
    return Found(_places(path, places), _faces(counts, corners), notes + open_end(text))


def _lines(text: bytes) -> Iterator[tuple[int, bytes]]:
    """Each line's number and content without blanks around, remarks and continuations; empty ones are passed over."""
    held, begun = b"", 0
    for number, raw in enumerate(text.split(b"\n"), start=1):
        line = raw.partition(b"#")[0].strip().replace(b"\t", b" ")
        begun = begun if held else number
        if line.endswith(b"\\"):
            held += line[:-1] + b" "
        elif held or line:
            yield begun, held + line
            held = b""
    if held:
        yield begun, held


def _refused(path: Path, number: int, word: bytes) -> MeshError:
    if word in _SURFACES:
        return mesh_error(path, f"line {number} is a free-form surface: not read", "Export triangles.")
    if word == b"call":
        return mesh_error(path, f"line {number} calls another file: not read", "Export all into one file.")
    shown = word[:30].decode("latin-1")
    return mesh_error(path, f"line {number} begins with {shown!r}, which is not known in an OBJ file",
                      "The file is damaged or of another kind: export it again.")  # fmt: skip


def _corners(path: Path, number: int, line: bytes, known: int) -> list[int]:
    try:
        indices = [int(word.split(b"/", 1)[0]) for word in line.split()]
    except ValueError:
        indices = []
    if len(indices) < 3:
        shown = line[:60].decode("latin-1")
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
