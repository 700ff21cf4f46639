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


def glb_tables(*tables: NDArray[Any]) -> tuple[dict[str, Any], bytes]:
    """A description with one table per array (floats of 3 columns, else unsigned whole numbers), one node."""
    kinds = {"f4": 5126, "u4": 5125, "u2": 5123, "u1": 5121, "i2": 5122}
    tree: dict[str, Any] = {"asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}], "nodes": [{"mesh": 0}]}
    tree |= {"meshes": [], "accessors": [], "bufferViews": []}
    data = b""
    for number, table in enumerate(tables):
        kind = table.dtype.str[1:]
        shape = {"type": "VEC3", "count": len(table)} if table.ndim == 2 else {"type": "SCALAR", "count": table.size}
        tree["accessors"].append({"bufferView": number, "componentType": kinds[kind], **shape})
        tree["bufferViews"].append({"buffer": 0, "byteOffset": len(data), "byteLength": table.nbytes})
        data += table.tobytes() + b"\0" * (-table.nbytes % 4)
    tree["buffers"] = [{"byteLength": len(data)}]
    return tree, data


def pcd_bytes(
    points: ArrayLike, kind: str = "binary", *, extra: str = "", header: dict[str, str] | None = None
) -> bytes:
    """A PCD of x, y, z in single precision, with an "extra" field of four bytes before them if one is named."""
    p = np.asarray(points, dtype="<f4")
    names, count = ["x", "y", "z"], 3
    rows = [p[:, 0], p[:, 1], p[:, 2]]
    if extra:
        names, count, rows = [extra, *names], 4, [np.full(len(p), 7, "<u4").view("<f4"), *rows]
    said = {
        "VERSION": "0.7", "FIELDS": " ".join(names), "SIZE": " ".join(["4"] * count),
        "TYPE": " ".join(["U"] * (count - 3) + ["F"] * 3), "COUNT": " ".join(["1"] * count), "WIDTH": str(len(p)),
        "HEIGHT": "1", "VIEWPOINT": "0 0 0 1 0 0 0", "POINTS": str(len(p)), "DATA": kind, **(header or {}),
    }  # fmt: skip
    head = "# .PCD v0.7 - Point Cloud Data file format\n" + "".join(f"{k} {v}\n" for k, v in said.items())
    if kind == "ascii":
        lines = [" ".join(["7"] * (count - 3) + [repr(float(c)) for c in row]) for row in p]
        return (head + "\n".join([*lines, ""])).encode()
    if kind == "binary":
        return head.encode() + np.stack(rows, axis=1).tobytes()
    whole = b"".join(row.tobytes() for row in rows)
    packed = lzf(whole)
    return head.encode() + struct.pack("<II", len(packed), len(whole)) + packed


def lzf(data: bytes) -> bytes:
    """LZF, written from its description: literal runs of up to 32 bytes, copies of 3 to 264 from up to 8192 before."""
    out, run, at = bytearray(), bytearray(), 0
    seen: dict[bytes, int] = {}

    def flush() -> None:
        for start in range(0, len(run), 32):
            piece = run[start : start + 32]
            out.append(len(piece) - 1)
            out.extend(piece)
        run.clear()

    while at < len(data):
        key = data[at : at + 3]
        start = seen.get(key, -1)
        seen[key] = at
        if len(key) < 3 or start < 0 or at - start > 8192:
            run.append(data[at])
            at += 1
            continue
        flush()
        length = 3
        while length < 264 and at + length < len(data) and data[start + length] == data[at + length]:
            length += 1
        back, short = at - start - 1, length - 2
        out.append((min(short, 7) << 5) | (back >> 8))
        if short >= 7:
            out.append(short - 7)
        out.append(back & 255)
        at += length
    flush()
    return bytes(out)


def xyz_text(points: ArrayLike, mark: str = " ", *, header: str = "", comma: bool = False) -> bytes:
    """Points as lines of numbers, with a decimal comma if asked."""
    lines = [mark.join(repr(float(c)).replace(".", "," if comma else ".") for c in row) for row in np.asarray(points)]
    return "\n".join(([header] if header else []) + [*lines, ""]).encode()
