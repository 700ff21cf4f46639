"""GLB files (glTF 2.0 in one file): the container, what it needs, and the scene's triangles (tables: mesh_glb_tables).

Source of the rules: the glTF 2.0 specification, ISO/IEC 12113:2022.
"""

from __future__ import annotations

import json
import struct
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_glb_tables import Tables, named
from fitcheck.geometry.meshes import Found, mesh_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Tree = dict[str, Any]

_COMPRESSED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression")
_MOVES_GEOMETRY = ("EXT_mesh_gpu_instancing",)
_READ = ("KHR_mesh_quantization", "KHR_materials", "KHR_texture", "KHR_lights", "EXT_texture")
_POINTS, _TRIANGLES, _STRIP, _FAN = 0, 4, 5, 6
_AGAIN = "The file is cut short or damaged: export or copy it again."
_MOST_VERTICES = 200_000_000
_BROKEN = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a description raises whose entries are missing, of another kind or out of range."""


def read_glb(path: Path) -> Found:
    """Vertices (n, 3) float64 and triangles (m, 3) of all meshes in the default scene, node transforms applied.

    A mesh that several nodes show comes as often. A mirroring node turns its triangles' winding, as the format
    demands. Points alone make a cloud; lines, and points beside triangles, are left out and counted. Raises
    MeshError for compressed, instanced, skinned or external data and for whatever does not hold together.
    """
    tree, data = _container(path)
    try:
        _check_extensions(path, tree)
        scene, notes = _scene(path, tree)
        return _assembled(path, tree, Tables(path, tree, data), (list(_shown(path, tree, scene)), notes))
    except _BROKEN as problem:
        kind = type(problem).__name__
        raise mesh_error(path, f"its contents do not hold together ({kind}: {str(problem)[:120]})", _AGAIN) from None


def _container(path: Path) -> tuple[Tree, bytes]:
    """The JSON chunk, and the bytes of the binary one."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(20)
        if len(head) < 20 or head[:4] != b"glTF":
            raise mesh_error(path, "it does not begin with 'glTF'", "It is not a GLB file: check its name.")
        version, length, json_bytes = struct.unpack("<III", head[4:16])
        if version != 2:
            raise mesh_error(path, f"it is of version {version}; 2 was expected", "Export it as glTF 2 (GLB).")
        if length != size or 20 + json_bytes > size or head[16:20] != b"JSON":
            raise mesh_error(path, f"its header promises {length} bytes, of them {json_bytes} of description; "
                             f"the file has {size}", _AGAIN)  # fmt: skip
        text, chunk = file.read(json_bytes), file.read(8)
        binary = struct.unpack("<I", chunk[:4])[0] if len(chunk) == 8 else 0
        if (chunk and 28 + json_bytes + binary > size) or 0 < len(chunk) < 8:
            raise mesh_error(path, f"its data promise {binary} bytes; {size - 28 - json_bytes} follow", _AGAIN)
        if chunk and chunk[4:] != b"BIN\0":
            raise mesh_error(path, f"its second part is {chunk[4:]!r}; 'BIN' was expected", _AGAIN)
        data = file.read(binary)
    try:
        tree = json.loads(text)
    except (ValueError, RecursionError):
        tree = None
    if not isinstance(tree, dict):
        raise mesh_error(path, "its description is not JSON", _AGAIN)
    return tree, data


def _check_extensions(path: Path, tree: Tree) -> None:
    required = list(tree.get("extensionsRequired", []))
    packed = [name for name in required if name in _COMPRESSED]
    if packed:
        raise mesh_error(path, f"its triangles are compressed ({packed[0]}), which is not read",
                         "Export it without compression.")  # fmt: skip
    moved = [name for name in [*required, *tree.get("extensionsUsed", [])] if name in _MOVES_GEOMETRY]
    if moved:
        raise mesh_error(path, f"it uses {moved[0]}, which is not read", "Export it without that option.")
    unknown = [name for name in required if not str(name).startswith(_READ)]
    if unknown:
        raise mesh_error(path, f"it requires {unknown[0]}, which is not known here", "Export it without that option.")


# --- the scene graph ------------------------------------------------------------------------------------------------


def _scene(path: Path, tree: Tree) -> tuple[list[int], tuple[str, ...]]:
    """The roots of the scene that is shown by default; a note where the file has others."""
    scenes = tree.get("scenes", [])
    if not scenes:
        raise mesh_error(path, "it has no scene, so nothing says which of its meshes stand where", "Export it again.")
    if "scene" not in tree and len(scenes) > 1:
        raise mesh_error(path, f"it has {len(scenes)} scenes and names none as the one to show",
                         "Export the one that is meant.")  # fmt: skip
    which = tree.get("scene", 0)
    roots = list(named(scenes, which).get("nodes", []))
    if len(scenes) == 1:
        return roots, ()
    return roots, (f"it has {len(scenes)} scenes: only scene {which} (counting from 0) was read",)


def _shown(path: Path, tree: Tree, roots: list[int]) -> Iterator[tuple[int, Floats]]:
    """Each mesh shown, by number, and the (4, 4) matrix that places it."""
    nodes = tree.get("nodes", [])
    queue = deque((root, np.eye(4)) for root in roots)
    visits = 0
    while queue:
        number, above = queue.popleft()
        node = named(nodes, number)
        matrix = above @ _local(node)
        if not np.isfinite(matrix).all():
            raise ValueError(f"node {number} is moved by something that is not a number")
        if "skin" in node:
            raise mesh_error(path, f"node {number} is bent by a skeleton, which is not read", "Export it as posed.")
        if any(node.get("weights", [])):
            raise mesh_error(path, f"node {number} is morphed, which is not read", "Export it as posed.")
        if "mesh" in node:
            yield node["mesh"], matrix
        queue += [(child, matrix) for child in node.get("children", [])]
        visits += 1
        if visits > len(nodes):
            raise ValueError("a node is its own ancestor, or hangs in two places")


def _local(node: Tree) -> Floats:
    if "matrix" in node:
        if len(node["matrix"]) != 16:
            raise ValueError("a matrix of other than 16 numbers")
        matrix = np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
        if not np.allclose(matrix[3], [0, 0, 0, 1], rtol=0, atol=1e-9):
            raise ValueError("a matrix that draws in perspective")
        return matrix
    matrix = np.eye(4)
    turn = _rotation(np.array(node.get("rotation", [0, 0, 0, 1]), dtype=np.float64))
    matrix[:3, :3] = turn * _triple(node, "scale", [1, 1, 1])
    matrix[:3, 3] = _triple(node, "translation", [0, 0, 0])
    return matrix


def _triple(node: Tree, key: str, default: list[int]) -> Floats:
    value = np.array(node.get(key, default), dtype=np.float64)
    if value.shape != (3,):
        raise ValueError(f"a {key} of other than 3 numbers")
    return value


def _rotation(turn: Floats) -> Floats:
    """The matrix of a quaternion x, y, z, w, brought to length 1."""
    length = float(np.linalg.norm(turn))
    if turn.shape != (4,) or not 0.5 < length < 2.0:
        raise ValueError(f"a rotation {turn.tolist()} that is no unit quaternion")
    x, y, z, w = turn / length
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip


# --- the meshes -----------------------------------------------------------------------------------------------------


def _assembled(
    path: Path, tree: Tree, tables: Tables, shown: tuple[list[tuple[int, Floats]], tuple[str, ...]]
) -> Found:
    instances, notes = shown
    meshes = tree.get("meshes", [])
    used = [(p, matrix) for mesh, matrix in instances for p in _primitives(path, named(meshes, mesh))]
    hidden = [p for p, matrix in used if np.linalg.det(matrix[:3, :3]) == 0.0]
    used = [(p, matrix) for p, matrix in used if np.linalg.det(matrix[:3, :3]) != 0.0]
    solid = [item for item in used if item[0].get("mode", _TRIANGLES) in (_TRIANGLES, _STRIP, _FAN)]
    points = [item for item in used if item[0].get("mode", _TRIANGLES) == _POINTS]
    if not solid and not points:
        wrong = "its scene shows lines and no faces" if used else "its scene shows no mesh"
        raise mesh_error(path, wrong, "Export it again, as a mesh.")
    taken = solid or points
    notes += _left_out(len(used) - len(taken), len(hidden), len(meshes) - len({mesh for mesh, _ in instances}))
    vertices, faces, step, count = [], [np.empty((0, 3), np.int32)], 0.0, 0
    for primitive, matrix in taken:
        places, corners, coarse = _placed(path, tables, primitive, matrix)
        vertices.append(places)
        faces.append((corners + count).astype(np.int32))
        step, count = max(step, coarse), count + len(places)
        if count > _MOST_VERTICES:
            raise mesh_error(path, f"its nodes show more than {_MOST_VERTICES} vertices", "Export a smaller piece.")
    return Found(np.concatenate(vertices), np.concatenate(faces), notes, step)


def _left_out(primitives: int, hidden: int, unshown: int) -> tuple[str, ...]:
    said = (
        (primitives, "primitives of points or lines were left out"),
        (hidden, "meshes scaled to nothing were left out"),
        (unshown, "meshes that the scene does not show were left out"),
    )
    return tuple(f"{count} {what}" for count, what in said if count > 0)


def _primitives(path: Path, mesh: Tree) -> list[Tree]:
    if any(mesh.get("weights", [])):
        raise mesh_error(path, "it holds a mesh that is morphed, which is not read", "Export it as posed.")
    for primitive in mesh["primitives"]:
        if primitive.get("mode", _TRIANGLES) not in range(7):
            raise ValueError(f"a primitive of mode {primitive['mode']}")
    return list(mesh["primitives"])


def _placed(path: Path, tables: Tables, primitive: Tree, matrix: Floats) -> tuple[Floats, Ints, float]:
    """Vertices (n, 3) in the scene, triangles (m, 3) by their own numbers, and the step of their numbers."""
    packed = [name for name in primitive.get("extensions", {}) if name in _COMPRESSED]
    places, coarse = tables.places(primitive["attributes"]["POSITION"], packed[0] if packed else "")
    mode = primitive.get("mode", _TRIANGLES)
    if mode == _POINTS:
        corners = np.empty((0, 3), np.int64)
    else:
        ring = tables.indices(primitive["indices"], packed[0] if packed else "") if "indices" in primitive else None
        corners = _triangles(path, mode, np.arange(len(places)) if ring is None else ring)
    if len(corners) and corners.max() >= len(places):
        wrong = f"a face names vertex {corners.max()}, but the vertices are 0 to {len(places) - 1}"
        raise mesh_error(path, wrong, _AGAIN)
    if np.linalg.det(matrix[:3, :3]) < 0.0:
        corners = corners[:, ::-1]
    scale = float(np.linalg.norm(matrix[:3, :3], axis=0).max())
    return places @ matrix[:3, :3].T + matrix[:3, 3], corners, coarse * scale


def _triangles(path: Path, mode: int, ring: Ints) -> Ints:
    if mode == _TRIANGLES:
        if len(ring) % 3:
            raise mesh_error(path, f"{len(ring)} corners do not make whole triangles", _AGAIN)
        return ring.reshape(-1, 3)
    rows = np.arange(max(len(ring) - 2, 0))
    if mode == _FAN:
        return np.stack([ring[rows + 1], ring[rows + 2], ring[np.zeros_like(rows)]], axis=1)
    odd = rows % 2  # every other triangle of a strip is wound the other way
    return np.stack([ring[rows], ring[rows + 1 + odd], ring[rows + 2 - odd]], axis=1)
