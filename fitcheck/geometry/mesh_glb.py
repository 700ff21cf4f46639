"""GLB files: the container is checked here, its scene graph is read by trimesh."""

from __future__ import annotations

import json
import logging
import struct
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.meshes import mesh_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_COMPRESSED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression")
_MOVES_GEOMETRY = ("KHR_mesh_quantization", "EXT_mesh_gpu_instancing")
_HARMLESS = ("KHR_materials", "KHR_texture", "KHR_lights")
_ITEM_BYTES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
_ITEMS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
_TRIANGLES, _STRIP = 4, 5
_AGAIN = "The file is cut short or damaged: export or copy it again."
_READER_ERRORS = (ArithmeticError, AssertionError, AttributeError, LookupError, NotImplementedError, RuntimeError,
                  TypeError, ValueError, struct.error)  # fmt: skip
"""What the library is known to raise on broken files; OSError and MemoryError are the caller's."""


def read_glb(path: Path) -> tuple[Floats, Ints, tuple[str, ...]]:
    """Vertices (n, 3) float64 and triangles (m, 3) int32 of all meshes in the scene, node transforms applied.

    A mirroring node turns its triangles' winding. Raises MeshError for compressed, quantised,
    instanced or external data, for lengths that do not agree, and for points and lines alone.
    """
    tree, binary = _container(path)
    try:
        _check_extensions(path, tree)
        _check_accessors(path, tree, binary)
        promised, left_out = _check_primitives(path, tree)
        vertices, faces = _by_trimesh(path)
    except _READER_ERRORS as problem:
        kind = type(problem).__name__
        raise mesh_error(path, f"its contents do not hold together ({kind}: {str(problem)[:120]})", _AGAIN) from None
    if len(vertices) != promised:
        raise mesh_error(path, f"its scene promises {promised} vertices; {len(vertices)} could be read", _AGAIN)
    notes = tuple(f"{count} primitives of points or lines were left out" for count in (left_out,) if count)
    return vertices, faces, notes


def _container(path: Path) -> tuple[dict[str, Any], int]:
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
        text = file.read(json_bytes)
        chunk = file.read(8)
    binary = struct.unpack("<I", chunk[:4])[0] if len(chunk) == 8 else 0
    if 28 + json_bytes + binary > size and chunk:
        raise mesh_error(path, f"its data promise {binary} bytes; {size - 28 - json_bytes} follow", _AGAIN)
    try:
        tree = json.loads(text)
    except (ValueError, RecursionError):
        tree = None
    if not isinstance(tree, dict):
        raise mesh_error(path, "its description is not JSON", _AGAIN)
    return tree, binary


def _check_extensions(path: Path, tree: dict[str, Any]) -> None:
    used = [*tree.get("extensionsRequired", []), *tree.get("extensionsUsed", [])]
    packed = [name for name in used if name in _COMPRESSED]
    if packed:
        raise mesh_error(path, f"its triangles are compressed ({packed[0]}), which is not read",
                         "Export it without compression.")  # fmt: skip
    moved = [name for name in used if name in _MOVES_GEOMETRY]
    if moved:
        raise mesh_error(path, f"it uses {moved[0]}, which is not read", "Export it without that option.")
    unknown = [name for name in tree.get("extensionsRequired", []) if not name.startswith(_HARMLESS)]
    if unknown:
        raise mesh_error(path, f"it requires {unknown[0]}, which is not known here", "Export it without that option.")
    if any("uri" in buffer for buffer in tree.get("buffers", [])):
        raise mesh_error(path, "it keeps its data outside of itself", "Export it as one GLB file.")


def _check_accessors(path: Path, tree: dict[str, Any], binary: int) -> None:
    views = tree.get("bufferViews", [])
    for number, accessor in enumerate(tree.get("accessors", [])):
        count = accessor["count"]
        needs = count * _ITEM_BYTES[accessor["componentType"]] * _ITEMS[accessor["type"]]
        if "bufferView" not in accessor or "sparse" in accessor:
            raise mesh_error(path, f"its table {number} of {count} entries has no data of its own, which is not read",
                             "Export it without sparse data.")  # fmt: skip
        view = views[accessor["bufferView"]]
        there = min(view["byteLength"], binary - view.get("byteOffset", 0)) - accessor.get("byteOffset", 0)
        if count < 0 or needs > there:
            wrong = f"its table {number} promises {count} entries, {needs} bytes; {there} are there"
            raise mesh_error(path, wrong, _AGAIN)


def _check_primitives(path: Path, tree: dict[str, Any]) -> tuple[int, int]:
    """Vertices that the scene's nodes promise together, and how many point and line primitives it has."""
    meshes, accessors = tree.get("meshes", []), tree.get("accessors", [])
    for mesh in meshes:
        for primitive in mesh["primitives"]:
            if primitive.get("mode", _TRIANGLES) > _STRIP:
                raise mesh_error(path, "it holds triangle fans, which are not read", "Export it with plain triangles.")
            position = accessors[primitive["attributes"]["POSITION"]]
            if position["componentType"] != 5126 or position["type"] != "VEC3":
                raise mesh_error(path, "its vertices are not three floats each", "Export it without quantisation.")
    nodes = _nodes_of_scene(tree)
    used = [p for node in nodes if "mesh" in node for p in meshes[node["mesh"]]["primitives"]]
    solid = [p for p in used if p.get("mode", _TRIANGLES) in (_TRIANGLES, _STRIP)]
    if used and not solid:
        raise mesh_error(path, "points and no faces: a point cloud, not a mesh: not read yet",
                         "Make a surface mesh of it in the scanner's software and export that.")  # fmt: skip
    if not solid:
        raise mesh_error(path, "its scene shows no mesh", "Export it again, as a mesh.")
    return sum(accessors[p["attributes"]["POSITION"]]["count"] for p in solid), len(used) - len(solid)


def _nodes_of_scene(tree: dict[str, Any]) -> list[dict[str, Any]]:
    nodes = tree.get("nodes", [])
    queue = list(tree["scenes"][tree.get("scene", 0)].get("nodes", []))
    found = []
    while queue:
        node = nodes[queue.pop()]
        found.append(node)
        queue += node.get("children", [])
        if len(found) > len(nodes):
            raise ValueError("a node is its own ancestor, or hangs in two places")
    return found


def _by_trimesh(path: Path) -> tuple[Floats, Ints]:
    import trimesh

    log = logging.getLogger("trimesh")
    log.addHandler(logging.NullHandler())  # else its warnings would go to the terminal
    with warnings.catch_warnings(), path.open("rb") as file:
        warnings.simplefilter("ignore")
        scene = trimesh.load_scene(file, file_type="glb", process=False, skip_materials=True)
    vertices, faces, count = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], 0
    for name in sorted(scene.graph.nodes_geometry):
        matrix, key = scene.graph[name]
        mesh = scene.geometry[key]
        if not isinstance(mesh, trimesh.Trimesh):
            continue
        turned = np.asarray(mesh.vertices, dtype=np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
        corners = np.asarray(mesh.faces, dtype=np.int64)
        if len(corners) and (corners.min() < 0 or corners.max() >= len(turned)):
            raise IndexError(f"a face names vertex {corners.max()} of {len(turned)}")
        if np.linalg.det(matrix[:3, :3]) < 0.0:
            corners = corners[:, ::-1]
        vertices.append(turned)
        faces.append((corners + count).astype(np.int32))
        count += len(turned)
    return np.concatenate(vertices), np.concatenate(faces)
