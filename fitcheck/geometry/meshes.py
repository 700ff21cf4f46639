"""Mesh files read with suspicion: PLY and STL (binary and text), OBJ, GLB; point clouds in PLY, XYZ, CSV, PCD, GLB.

What a file promises is checked against its size before memory is taken; what a
reader returned is checked afterwards (mesh_checks). The outcome is a usable mesh, or
cloud, or a MeshError that names the file, what was wrong with it and what to do; no
warning is printed and no lower library's error comes through.

All formats are read here with numpy (mesh_ply, mesh_stl, mesh_obj, mesh_glb, mesh_xyz,
mesh_pcd). A general reader was tried first: it turns several broken files into a
plausible mesh, cannot read a binary PLY of mixed triangles and quads, and its import
alone costs more time than reading 1.7 million triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, MeshError
from fitcheck.geometry.polygons import Polygons

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

SUFFIXES: tuple[str, ...] = (".ply", ".stl", ".obj", ".glb")
"""The mesh files that are read, by the end of their name."""
SCAN_SUFFIXES: tuple[str, ...] = (*SUFFIXES, ".xyz", ".csv", ".pcd")
"""The files that are read as a scan: meshes and point clouds."""

_SURFACE_NEEDED = "Make a surface mesh of it in the scanner's software and export that."


@dataclass(frozen=True, eq=False)
class RawMesh:
    """A mesh, or a point cloud, as its file has it, checked.

    ``vertices`` (n, 3) float64, finite, in the file's own unit and axes; ``faces`` (m, 3)
    int32, m ≥ 1, indices in range, at least one face with an area. ``notes`` says what was
    left out, cut up or found odd on the way. In a ``cloud`` every point i is the face
    [i, i, i] and no face has an area. ``step``: neighbouring numbers at the mesh's place lie this
    far apart in the file's own number format (file unit); nothing finer can be in it. 0: unknown,
    or finer than it matters.
    """

    vertices: Floats
    faces: Ints
    notes: tuple[str, ...] = ()
    cloud: bool = False
    step: float = 0.0


@dataclass(frozen=True, eq=False)
class Found:
    """What a format's reader found, not yet checked; no faces: a point cloud. The fields are those of RawMesh."""

    vertices: Floats
    faces: Ints | Polygons
    notes: tuple[str, ...] = ()
    step: float = 0.0


def read_mesh(path: Path | str) -> RawMesh:
    """The surface mesh in a PLY, STL, OBJ or GLB file, in the file's unit.

    Polygons are cut into triangles; a GLB's node transforms are applied. Faces that name
    a vertex twice are dropped and counted in the notes; every other face is kept, doubled
    and inverted ones too, which are counted in the notes of meshes of up to 300 000 faces.
    Raises FileProblem (missing, a folder, not readable) and MeshError (no usable mesh; a cloud).
    """
    path = Path(path)
    suffix = path.suffix.lower()
    size = file_size(path)
    if suffix in SCAN_SUFFIXES and suffix not in SUFFIXES:
        raise mesh_error(path, f"{suffix} is a point cloud, not a mesh: a part needs a surface", _SURFACE_NEEDED)
    if suffix not in SUFFIXES:
        raise mesh_error(path, f"{path.suffix or 'no suffix'} is not a mesh file that is read",
                         "Export the mesh as " + ", ".join(SUFFIXES) + ".")  # fmt: skip
    mesh = _read_checked(path, size)
    if mesh.cloud:
        wrong = f"{len(mesh.vertices)} points and no faces: a point cloud, not a mesh: a part needs a surface"
        raise mesh_error(path, wrong, _SURFACE_NEEDED)
    return mesh


def read_scan(path: Path | str) -> RawMesh:
    """The surface mesh or the point cloud in a file, in the file's unit.

    As read_mesh, but a PLY or GLB without faces, an XYZ, CSV or PCD file is a cloud: each of its
    points becomes the face [i, i, i]. Points that are exactly alike are all kept. Points of a PCD
    that are NaN (no return) are dropped and counted in the notes.
    Raises FileProblem and MeshError as read_mesh does.
    """
    path = Path(path)
    size = file_size(path)
    if path.suffix.lower() not in SCAN_SUFFIXES:
        raise mesh_error(path, f"{path.suffix or 'no suffix'} is not a scan file that is read",
                         "Export the scan as " + ", ".join(SCAN_SUFFIXES) + ".")  # fmt: skip
    return _read_checked(path, size)


def file_size(path: Path) -> int:
    """Bytes of a readable regular file. Raises FileProblem that says what is there instead."""
    try:
        if path.is_dir():
            raise FileProblem(f"{path}: is a folder; a file was expected. Name the file in it.")
        if path.exists() and not path.is_file():
            raise FileProblem(f"{path}: is not a regular file. Name a file.")
        with path.open("rb"):
            return path.stat().st_size
    except FileNotFoundError:
        raise FileProblem(f"{path}: there is no such file. Correct its name or put it there.") from None
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise FileProblem(f"{path}: cannot be read ({why}). Check its name and permissions.") from None


def mesh_error(path: Path, wrong: str, to_do: str) -> MeshError:
    """The one shape of a mesh message: file, what was wrong, what to do."""
    return MeshError(f"{path}: {wrong}. {to_do}")


def float_step(largest: float) -> float:
    """How far apart single-precision numbers lie at a size (IEEE 754: 24 bits); 0 of 0, NaN and infinity."""
    return float(np.spacing(np.float32(largest))) if 0.0 < largest < 3.4e38 else 0.0


def weld(vertices: Floats) -> NDArray[np.int64]:
    """For each of (n, 3) points, the number of its position: equal positions share a number.

    Only exactly equal coordinates are welded (0.0 and -0.0 are equal). Of none: none.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64).reshape(-1, 3) + 0.0  # -0.0 becomes 0.0
    order = np.lexsort(points.T)
    ordered = points[order]
    number = np.empty(len(points), dtype=np.int64)
    if len(points):
        number[order] = np.concatenate([[0], np.cumsum(np.any(ordered[1:] != ordered[:-1], axis=1))])
    return number


def _read_checked(path: Path, size: int) -> RawMesh:
    from fitcheck.geometry.mesh_checks import checked

    if size == 0:
        raise mesh_error(path, "the file is empty (0 bytes)", "Export it again.")
    try:
        with np.errstate(all="ignore"):  # numbers damaged beyond sense are found below, not warned of here
            _check_content(path)
            return checked(path, _read(path))
    except OSError as problem:
        raise FileProblem(f"{path}: cannot be read ({problem.strerror or problem})") from None
    except MemoryError:
        raise mesh_error(path, f"{size} bytes do not fit into memory", "Export a smaller piece.") from None


_BEGINNINGS = (
    (b"ply\n", ".ply"), (b"ply\r", ".ply"), (b"glTF", ".glb"), (b"# .PCD", ".pcd"), (b"PK\3\4", "a zip archive"),
    (b"\x1f\x8b", "a gzip archive"), (b"7z\xbc\xaf", "a 7z archive"), (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
)  # fmt: skip


def _check_content(path: Path) -> None:
    """Refuses a file whose first bytes say that it is another kind than its name says."""
    with path.open("rb") as file:
        head = file.read(8)
    kind = next((kind for begin, kind in _BEGINNINGS if head.startswith(begin)), path.suffix.lower())
    if kind == path.suffix.lower() or (path.suffix.lower() == ".stl" and head[:2] in (b"\xff\xfe", b"\xfe\xff")):
        return
    if kind.startswith("."):
        raise mesh_error(path, f"its content is that of a {kind} file", f"Give its name the end {kind}.")
    to_do = "Save it as UTF-8." if "text" in kind else "Unpack it and name the file in it."
    raise mesh_error(path, f"its content is {kind}", to_do)


def _read(path: Path) -> Found:
    suffix = path.suffix.lower()
    if suffix == ".ply":
        from fitcheck.geometry.mesh_ply import read_ply as read
    elif suffix == ".stl":
        from fitcheck.geometry.mesh_stl import read_stl as read
    elif suffix == ".obj":
        from fitcheck.geometry.mesh_obj import read_obj as read
    elif suffix == ".glb":
        from fitcheck.geometry.mesh_glb import read_glb as read
    elif suffix == ".pcd":
        from fitcheck.geometry.mesh_pcd import read_pcd as read
    else:
        from fitcheck.geometry.mesh_xyz import read_xyz as read
    return read(path)
