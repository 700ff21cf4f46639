"""Makers of mesh and point files as no program ought to write them, byte by byte, and of cases with them."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import mesh_files as mf
import numpy as np
from numpy.typing import NDArray
from reading_case import Case, Floats, Tree
from shapes import box_mesh

# --- the shapes they hold ---------------------------------------------------------------------------------------------

V, F = box_mesh([0.5, 0.5, 0.5], [1.5, 2.5, 4.5])
V = V.astype(np.float64)
BOX = V[F]  # volume 8, outward
RINGS = [list(map(int, face)) for face in F]
QUADS = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
POINTS = np.random.default_rng(4).uniform(-500, 500, (40, 3)).astype(np.float32).astype(np.float64)
NAN = V.copy()
NAN[5, 1] = np.nan
INF = V.copy()
INF[2, 0] = np.inf
GONE = POINTS.copy()
GONE[[3, 7, 20]] = np.nan
NO_RETURNS = POINTS.copy()
NO_RETURNS[[1, 2]] = 0.0
OUTSIDE = F.copy()
OUTSIDE[4, 2] = 8
TURNED = F[:, ::-1]
SOUP_V, SOUP_F = V[F].reshape(-1, 3), np.arange(36, dtype=np.int32).reshape(-1, 3)
TWO_V, TWO_F = mf.join((V, F), (V + [10, 0, 0], F))
LINE = np.column_stack([np.arange(8.0), np.zeros(8), np.zeros(8)])
DART = np.array([[0.0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]])
ELL = np.array([[0.0, 0, 0], [3, 0, 0], [3, 1, 0], [1, 1, 0], [1, 3, 0], [0, 3, 0]])
FRAME = np.array([[0.0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0], [1, 1, 0], [1, 3, 0], [3, 3, 0], [3, 1, 0]])
FRAME_RING = [0, 1, 2, 3, 0, 4, 5, 6, 7, 4]  # round a window, with a slit to it


def far(offset: float) -> Floats:
    """The box at a place so far away that single precision is coarse there, as the file can hold it."""
    return (V + [offset, 0, 0]).astype(np.float32).astype(np.float64)


# --- makers -----------------------------------------------------------------------------------------------------------


def ply(*, form: str, vertex: str, face: str, body: bytes, faces: int = 12, first: str = "") -> bytes:
    """A PLY of 8 vertices whose properties are given as text; ``first``: elements before the vertices."""
    head = f"ply\nformat {form} 1.0\n{first}element vertex 8\n{vertex}element face {faces}\n{face}end_header\n"
    return head.encode() + body


XYZ = "property float x\nproperty float y\nproperty float z\n"
LIST = "property list uchar int vertex_indices\n"


def ply_rows(order: str, count: str, index: str) -> bytes:
    return b"".join(struct.pack(order + count + 3 * index, 3, *ring) for ring in RINGS)


def ply_vertices(order: str = "<") -> bytes:
    return V.astype(order + "f4").tobytes()


def faces_first() -> bytes:
    head = f"ply\nformat binary_little_endian 1.0\nelement face 12\n{LIST}element vertex 8\n{XYZ}end_header\n"
    return head.encode() + ply_rows("<", "B", "i") + ply_vertices()


def with_properties() -> bytes:
    vertex = f"property uchar red\n{XYZ}property double quality\n"
    body = b"".join(struct.pack("<B3fd", 9, *row, 0.5) for row in V)
    face = "property uchar flag\n" + LIST + "property list uchar float texcoord\n"
    body += b"".join(struct.pack("<BB3iB6f", 1, 3, *ring, 6, *range(6)) for ring in RINGS)
    return ply(form="binary_little_endian", vertex=vertex, face=face, body=body)


def glb(change: Callable[[Tree], Any] = lambda tree: None, v: Floats = V, f: NDArray[Any] = F) -> bytes:
    """The box in one node, its description changed."""
    tree, data = mf.glb_tree(v, f, {})
    change(tree)
    return mf.glb_bytes(tree, data)


def glb_nodes(*nodes: Tree, roots: tuple[int, ...] = (0,)) -> bytes:
    return glb(lambda tree: tree.update(nodes=list(nodes), scenes=[{"nodes": list(roots)}]))


def glb_primitives(*primitives: Tree, tables: tuple[NDArray[Any], ...], change: Tree | None = None) -> bytes:
    tree, data = mf.glb_tables(*tables)
    tree["meshes"] = [{"primitives": list(primitives)}]
    tree.update(change or {})
    return mf.glb_bytes(tree, data)


def draco(fallback: bool) -> bytes:
    """Named as used but not required; the plain copy beside it is there, or is not."""

    def change(tree: Tree) -> None:
        tree["extensionsUsed"] = ["KHR_draco_mesh_compression"]
        packed = {"bufferView": 0, "attributes": {"POSITION": 0}}
        tree["meshes"][0]["primitives"][0]["extensions"] = {"KHR_draco_mesh_compression": packed}
        if not fallback:
            for accessor in tree["accessors"]:
                del accessor["bufferView"]

    return glb(change)


def glb_meshopt(fallback: bool) -> bytes:
    def change(tree: Tree) -> None:
        tree["extensionsUsed"] = ["EXT_meshopt_compression"]
        for view in tree["bufferViews"]:
            view["extensions"] = {"EXT_meshopt_compression": {"buffer": 0, "count": 8, "byteStride": 12}}
            view["buffer"] = 0 if fallback else 1
        if not fallback:
            tree["buffers"].append({"byteLength": 10**6, "extensions": {"EXT_meshopt_compression": {"fallback": True}}})

    return glb(change)


def glb_sparse() -> bytes:
    """The box with one corner elsewhere, put right by a sparse entry."""
    spoilt = V.copy()
    spoilt[7] = [9, 9, 9]
    tree, data = mf.glb_tables(
        spoilt.astype("<f4"), F.astype("<u2").ravel(), np.array([7], "<u2"), V[7:8].astype("<f4")
    )
    tree["meshes"] = [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}]
    tree["accessors"][0]["sparse"] = {
        "count": 1,
        "indices": {"bufferView": 2, "componentType": 5123},
        "values": {"bufferView": 3},
    }
    return mf.glb_bytes(tree, data)


def glb_interleaved() -> bytes:
    """Positions and normals in turn, 24 bytes a vertex; indices of 8 bits."""
    rows = np.concatenate([V, np.ones_like(V)], axis=1).astype("<f4")
    tree, _ = mf.glb_tables(rows[:, :3].copy(), F.astype("<u1").ravel())
    places, indices = rows.tobytes(), F.astype("<u1").tobytes()
    tree["bufferViews"] = [
        {"buffer": 0, "byteLength": len(places), "byteStride": 24},
        {"buffer": 0, "byteOffset": len(places), "byteLength": len(indices)},
    ]
    tree["buffers"] = [{"byteLength": len(places) + len(indices)}]
    tree["meshes"] = [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}]
    return mf.glb_bytes(tree, places + indices)


def chunk(at: int, value: int) -> bytes:
    """A GLB with one of its four-byte lengths replaced."""
    data = bytearray(glb())
    data[at : at + 4] = struct.pack("<I", value)
    return bytes(data)


def without_bin() -> bytes:
    whole = glb()
    end = 20 + struct.unpack("<I", whole[12:16])[0]
    return whole[:8] + struct.pack("<I", end) + whole[12:end]


MIRROR = {"scale": [1, -1, 1]}
MIRRORED = (BOX * [1, -1, 1])[:, ::-1]  # wound back, so that it is outward again
QUARTER = 2**-0.5
TREE_POINTS = {"attributes": {"POSITION": 0}, "mode": 0}
TRIANGLES = {"attributes": {"POSITION": 0}, "indices": 1}
V32, F16 = V.astype("<f4"), F.astype("<u2").ravel()
BINARY = mf.ply_bytes(V, F)
TEXT = mf.ply_text(V, RINGS)
STL = mf.stl_bytes(V, F)
STL_TEXT = mf.stl_text(V, F)
OBJ = mf.obj_text(V, RINGS)
CLOUD_HEAD = "ply\nformat {} 1.0\nelement vertex 40\nproperty float x\nproperty float y\nproperty float z\nend_header\n"


def ply_cloud(order: str) -> bytes:
    form = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    return CLOUD_HEAD.format(form).encode() + POINTS.astype(order + "f4").tobytes()


def obj_backwards() -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in V.tolist()]
    return "\n".join(lines + [f"f {a - 8} {b - 8} {c - 8}" for a, b, c in F] + [""]).encode()


def second_solid() -> bytes:
    return STL_TEXT + mf.stl_text(V + [10, 0, 0], F)


def stl_jumbled() -> bytes:
    """Four corners in the first facet and two in the second: the sums are right."""
    lines = STL_TEXT.split(b"\n")
    at = [number for number, line in enumerate(lines) if b"vertex" in line]
    lines.insert(at[2], lines.pop(at[3]))
    return b"\n".join(lines)


def glb_quantised() -> bytes:
    whole = (V * 1000).astype("<i2")  # whole numbers; the node makes thousandths of them
    padded = np.column_stack([whole, np.zeros(8, "<i2")]).tobytes()
    tree, data = mf.glb_tables(np.frombuffer(padded, "<u2").copy(), F16)
    tree["accessors"][0] = {"bufferView": 0, "componentType": 5122, "count": 8, "type": "VEC3"}
    tree["bufferViews"][0]["byteStride"] = 8
    tree["nodes"] = [{"mesh": 0, "scale": [0.001, 0.001, 0.001]}]
    tree["meshes"] = [{"primitives": [TRIANGLES]}]
    tree["extensionsRequired"] = tree["extensionsUsed"] = ["KHR_mesh_quantization"]
    return mf.glb_bytes(tree, data)


def ascii_cloud(points: Floats = POINTS) -> bytes:
    return CLOUD_HEAD.format("ascii").encode() + mf.xyz_text(points)


def packed_cloud(change: Callable[[bytearray], Any]) -> bytes:
    data = bytearray(mf.pcd_bytes(POINTS, "binary_compressed"))
    at = data.index(b"binary_compressed\n") + len(b"binary_compressed\n")
    body = data[at:]
    change(body)
    return bytes(data[:at] + body)


# --- the corpus -------------------------------------------------------------------------------------------------------


def good(name: str, file: str, data: bytes, truth: Floats = BOX, says: str = "") -> Case:
    return Case(name, file, data, says, truth)


def flat_case(name: str, file: str, data: bytes, truth: Floats, says: str = "were cut") -> Case:
    return Case(name, file, data, says, truth, ground=True)


def bad(name: str, file: str, data: bytes | None, says: str) -> Case:
    return Case(name, file, data, says)


def scan_case(name: str, file: str, data: bytes, truth: Floats = POINTS, says: str = "") -> Case:
    return Case(name, file, data, says, truth, scan=True)


def no_scan(name: str, file: str, data: bytes, says: str) -> Case:
    return Case(name, file, data, says, scan=True)


def ring_of(points: Floats, *triangles: tuple[int, int, int]) -> Floats:
    return points[np.array(triangles)]
