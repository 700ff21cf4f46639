"""Mesh files read with suspicion: PLY and STL (binary and text), OBJ, GLB.

What a file promises is checked against its size before memory is taken; what a
reader returned is checked afterwards. The outcome is a usable mesh or a MeshError
that names the file, what was wrong with it and what to do; no warning is printed
and no lower library's error comes through.

PLY, STL and OBJ are read here with numpy (mesh_ply, mesh_stl, mesh_obj). A general
reader was tried first: it turns several broken files into a plausible mesh, cannot
read a binary PLY of mixed triangles and quads, and its import alone costs more
time than reading 1.7 million triangles. GLB, whose scene graph is worth a library,
goes through trimesh after its own checks (mesh_glb).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, MeshError
from fitcheck.geometry.polygons import Polygons, triangulate

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

SUFFIXES: tuple[str, ...] = (".ply", ".stl", ".obj", ".glb")
"""The mesh files that are read, by the end of their name."""

_CHUNK = 1 << 20
_POINT_CLOUD = (
    "a point cloud, not a mesh: not read yet",
    "Make a surface mesh of it in the scanner's software and export that.",
)


@dataclass(frozen=True, eq=False)
class RawMesh:
    """A mesh as its file has it, checked.

    ``vertices`` (n, 3) float64, finite, in the file's own unit and axes; ``faces`` (m, 3)
    int32, m ≥ 1, indices in range, at least one face with an area. ``notes`` says what was
    left out or cut up on the way.
    """

    vertices: Floats
    faces: Ints
    notes: tuple[str, ...] = ()


def read_mesh(path: Path | str) -> RawMesh:
    """The mesh in a PLY, STL, OBJ or GLB file, in the file's unit.

    Polygons are cut into triangles; a GLB's node transforms are applied. Faces that name
    a vertex twice are dropped and counted in the notes; every other face is kept.
    Raises FileProblem (missing, a folder, not readable) and MeshError (no usable mesh).
    """
    path = Path(path)
    size = file_size(path)
    if path.suffix.lower() not in SUFFIXES:
        raise mesh_error(path, f"{path.suffix or 'no suffix'} is not a mesh file that is read",
                         "Export the mesh as " + ", ".join(SUFFIXES) + ".")  # fmt: skip
    if size == 0:
        raise mesh_error(path, "the file is empty (0 bytes)", "Export it again.")
    try:
        with np.errstate(all="ignore"):  # numbers damaged beyond sense are found below, not warned of here
            vertices, polygons, notes = _read(path)
            return _checked(path, vertices, polygons, notes)
    except OSError as problem:
        raise FileProblem(f"{path}: cannot be read ({problem.strerror or problem})") from None
    except MemoryError:
        raise mesh_error(path, f"{size} bytes do not fit into memory", "Export a smaller piece.") from None


def file_size(path: Path) -> int:
    """Bytes of a readable regular file. Raises FileProblem that says what is there instead."""
    try:
        if path.is_dir():
            raise FileProblem(f"{path}: is a folder; a file was expected. Name the file in it.")
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


def _read(path: Path) -> tuple[Floats, Ints | Polygons, tuple[str, ...]]:
    suffix = path.suffix.lower()
    if suffix == ".ply":
        from fitcheck.geometry.mesh_ply import read_ply

        return read_ply(path)
    if suffix == ".stl":
        from fitcheck.geometry.mesh_stl import read_stl

        return read_stl(path)
    if suffix == ".obj":
        from fitcheck.geometry.mesh_obj import read_obj

        return read_obj(path)
    from fitcheck.geometry.mesh_glb import read_glb

    return read_glb(path)


def _checked(path: Path, vertices: Floats, found: Ints | Polygons, notes: tuple[str, ...]) -> RawMesh:
    if len(found) == 0 and len(vertices):
        raise mesh_error(path, f"{len(vertices)} points and no faces: {_POINT_CLOUD[0]}", _POINT_CLOUD[1])
    if len(found) == 0 or len(vertices) == 0:
        raise mesh_error(path, f"it holds {len(vertices)} vertices and {len(found)} faces", "Export it again.")
    _check_vertices(path, vertices)
    _check_indices(path, found.corners if isinstance(found, Polygons) else found, len(vertices))
    if isinstance(found, Polygons):
        faces = triangulate(found, vertices)
        notes += (f"{len(found)} polygons were cut into {len(faces)} triangles",)
    else:
        faces = found
    faces, dropped = _without_repeats(faces)
    if not _any_area(vertices, faces):
        raise mesh_error(path, "none of its faces has an area", "Export it again, as a surface.")
    if dropped:
        notes += (f"{dropped} faces that name a vertex twice were left out",)
    return RawMesh(vertices, faces, notes)


def _check_vertices(path: Path, vertices: Floats) -> None:
    lo, hi = vertices.min(axis=0), vertices.max(axis=0)  # NaN and infinities come through both
    if not (np.isfinite(lo).all() and np.isfinite(hi).all()):
        bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
        raise mesh_error(path, f"{len(bad)} of {len(vertices)} vertices are not numbers (NaN or infinite), the first "
                         f"is vertex {bad[0]} (counting from 0)", "Repair the mesh or export it again.")  # fmt: skip
    span = float((hi - lo).max())
    if not span > 0.0:
        where = "at 0, 0, 0" if not hi.any() else "at one point"
        raise mesh_error(path, f"all {len(vertices)} vertices lie {where}", "Export it again.")
    if span > 1e12:
        raise mesh_error(path, f"it is {span:.3g} units long", "Repair the mesh or export it again.")


def _check_indices(path: Path, corners: NDArray[np.int32], count: int) -> None:
    lo, hi = int(corners.min()), int(corners.max())
    if lo < 0 or hi >= count:
        worst = lo if lo < 0 else hi
        raise mesh_error(path, f"a face names vertex {worst}, but the vertices are 0 to {count - 1}",
                         "The file is damaged: export it again.")  # fmt: skip


def _without_repeats(faces: Ints) -> tuple[Ints, int]:
    a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
    repeats = (a == b) | (b == c) | (c == a)
    dropped = int(np.count_nonzero(repeats))
    return (faces[~repeats] if dropped else faces), dropped


def _any_area(vertices: Floats, faces: Ints) -> bool:
    for start in range(0, len(faces), _CHUNK // 16):
        corners = vertices[faces[start : start + _CHUNK // 16]]
        if np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).any():
            return True
    return False
