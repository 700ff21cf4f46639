"""Writers of small mesh files for tests, independent of the program's readers."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]


def grid(nx: int, ny: int, *, lo: ArrayLike, hi: ArrayLike, wave: float = 0.0) -> tuple[Floats, Faces]:
    """A sheet of 2 (nx − 1)(ny − 1) triangles over x and y between two corners, at the height of ``lo``."""
    lo, hi = np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)
    x, y = np.meshgrid(np.linspace(lo[0], hi[0], nx), np.linspace(lo[1], hi[1], ny), indexing="ij")
    z = np.linspace(lo[2], hi[2], nx)[:, None] + wave * np.sin(0.01 * x) * np.cos(0.013 * y)
    rows = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = rows[:-1, :-1].ravel(), rows[1:, :-1].ravel(), rows[1:, 1:].ravel(), rows[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return np.stack([x, y, z], axis=-1).reshape(-1, 3), faces.astype(np.int32)


def join(*meshes: tuple[Floats, Faces]) -> tuple[Floats, Faces]:
    """Several meshes as one, not welded."""
    counts = np.cumsum([0, *(len(vertices) for vertices, _ in meshes)])
    faces = [part + count for (_, part), count in zip(meshes, counts[:-1], strict=True)]
    return np.concatenate([vertices for vertices, _ in meshes]), np.concatenate(faces).astype(np.int32)


def ply_header(vertices: int, faces: int, form: str = "binary_little_endian", number: str = "float") -> bytes:
    return (
        f"ply\nformat {form} 1.0\ncomment made by a test\nelement vertex {vertices}\n"
        f"property {number} x\nproperty {number} y\nproperty {number} z\n"
        f"element face {faces}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode()


def ply_bytes(vertices: ArrayLike, faces: ArrayLike, *, number: str = "float", order: str = "<") -> bytes:
    """A binary PLY of triangles."""
    v, f = np.asarray(vertices), np.asarray(faces)
    rows = np.empty(len(f), np.dtype([("n", "u1"), ("i", order + "i4", (3,))]))
    rows["n"], rows["i"] = 3, f.reshape(-1, 3)
    form = "binary_little_endian" if order == "<" else "binary_big_endian"
    kind = order + ("f4" if number == "float" else "f8")
    return ply_header(len(v), len(f), form, number) + v.astype(kind).tobytes() + rows.tobytes()


def ply_polygons(vertices: ArrayLike, polygons: Sequence[Sequence[int]]) -> bytes:
    """A binary PLY of polygons of any sizes."""
    v = np.asarray(vertices, dtype="<f8")
    body = b"".join(struct.pack(f"<B{len(p)}i", len(p), *p) for p in polygons)
    return ply_header(len(v), len(polygons), number="double") + v.tobytes() + body


def ply_text(vertices: ArrayLike, polygons: Sequence[Sequence[int]]) -> bytes:
    v = np.asarray(vertices, dtype=np.float64)
    lines = [" ".join(repr(float(c)) for c in row) for row in v]
    lines += [" ".join(str(int(i)) for i in (len(p), *p)) for p in polygons]
    return ply_header(len(v), len(polygons), "ascii", "double") + "\n".join([*lines, ""]).encode()


def stl_bytes(vertices: ArrayLike, faces: ArrayLike, *, count: int | None = None) -> bytes:
    corners = np.asarray(vertices, dtype=np.float64)[np.asarray(faces)]
    rows = np.zeros(len(corners), np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]))
    rows["c"] = corners
    return b"made by a test".ljust(80) + struct.pack("<I", len(rows) if count is None else count) + rows.tobytes()


def stl_text(vertices: ArrayLike, faces: ArrayLike) -> bytes:
    lines = ["solid test facet"]
    for corners in np.asarray(vertices, dtype=np.float64)[np.asarray(faces)]:
        lines += ["  facet normal 0 0 1", "    outer loop"]
        lines += [f"      vertex {x!r} {y!r} {z!r}" for x, y, z in corners.tolist()]
        lines += ["    endloop", "  endfacet"]
    return "\n".join([*lines, "endsolid test facet", ""]).encode()


def obj_text(vertices: ArrayLike, polygons: Sequence[Sequence[int]]) -> bytes:
    v = np.asarray(vertices, dtype=np.float64).tolist()
    lines = ["# made by a test", "mtllib nothing.mtl", "o thing"]
    lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in v]
    lines += ["vn 0 0 1", "usemtl grey"] + ["f " + " ".join(f"{i + 1}//1" for i in p) for p in polygons]
    return "\n".join([*lines, ""]).encode()


def glb_tree(vertices: NDArray[Any], faces: NDArray[Any], node: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
    """Description and data of a GLB of one mesh in one node."""
    v, f = vertices.astype("<f4").tobytes(), faces.astype("<u4").tobytes()
    tree: dict[str, Any] = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, **node}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(vertices), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": faces.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(v)},
            {"buffer": 0, "byteOffset": len(v), "byteLength": len(f)},
        ],
        "buffers": [{"byteLength": len(v) + len(f)}],
    }
    return tree, v + f


def glb_bytes(tree: dict[str, Any], data: bytes) -> bytes:
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<I", len(text)) + b"JSON" + text + struct.pack("<I", len(data)) + b"BIN\0" + data
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body


def save(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path
