"""Broken and odd mesh and point files, each made here, with what a reader that cannot be fooled answers.

``CORPUS`` holds the cases; ``outcome`` reads one and says what was found and whether that is what was expected. Used by
tests/test_reader_corpus.py and scripts/reader_table.py.
"""

from __future__ import annotations

import struct
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
from numpy.typing import NDArray
from shapes import box_mesh

from fitcheck.errors import FileProblem, InputError
from fitcheck.geometry.meshes import RawMesh, read_mesh, read_scan

Floats = NDArray[np.float64]
Tree = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Case:
    """One file and what is expected of it.

    ``truth``: the triangles (m, 3, 3) that must come back, wound as given, or the points (n, 3) of a cloud; None: an
    error. ``says``: words that the error, or else one of the notes, must hold. ``data`` None: a folder.
    ``ground``: a flat polygon, which may be cut in any way: area, winding and count must be the truth's.
    """

    name: str
    file: str
    data: bytes | None
    says: str = ""
    truth: Floats | None = None
    scan: bool = False
    ground: bool = False

    @property
    def expected(self) -> str:
        if self.truth is None:
            return f"error: {self.says}"
        kind = f"{len(self.truth)} triangles" if self.truth.ndim == 3 else f"cloud of {len(self.truth)} points"
        return kind + (f"; note: {self.says}" if self.says else "")


def outcome(case: Case, folder: Path) -> tuple[str, bool]:
    """What reading the case's file gives, in words, and whether it is what was expected."""
    path = folder / case.file
    if case.data is None:
        path.mkdir()
    else:
        path.write_bytes(case.data)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            mesh = (read_scan if case.scan else read_mesh)(path)
        except InputError as problem:
            words = str(problem)
            told = words.startswith(f"{path}: ") and words.endswith(".") and words.count(". ") >= 1
            right = case.truth is None and case.says in words and (told or isinstance(problem, FileProblem))
            return "error: " + words.removeprefix(f"{path}: "), right
        except Exception as problem:  # noqa: BLE001 - what must never come is what is counted here
            return f"TRACEBACK {type(problem).__name__}: {problem}", False
    return _found(mesh), case.truth is not None and _is_true(mesh, case)


def _found(mesh: RawMesh) -> str:
    if mesh.cloud:
        kind = f"cloud of {len(mesh.vertices)} points"
    else:
        kind = f"{len(mesh.faces)} triangles, volume {_volume(mesh.vertices[mesh.faces]):.4g}"
    return "; ".join([kind, *(f"note: {note}" for note in mesh.notes)])


def _is_true(mesh: RawMesh, case: Case) -> bool:
    truth = case.truth
    assert truth is not None
    if case.says and not any(case.says in note for note in mesh.notes):
        return False
    if truth.ndim == 2:
        own = np.repeat(np.arange(len(truth))[:, None], 3, axis=1)
        return mesh.cloud and np.array_equal(mesh.vertices, truth) and np.array_equal(mesh.faces, own)
    found = mesh.vertices[mesh.faces]
    return (
        not mesh.cloud
        and len(found) == len(truth)
        and bool(np.allclose(found.min(axis=(0, 1)), truth.min(axis=(0, 1)), rtol=0, atol=1e-9))
        and bool(np.allclose(found.max(axis=(0, 1)), truth.max(axis=(0, 1)), rtol=0, atol=1e-9))
        and (_same_ground(found, truth) if case.ground else _same(found, truth))
        and abs(_volume(found) - _volume(truth)) <= 1e-9 * max(1.0, abs(_volume(truth)))
    )


def _volume(triangles: Floats) -> float:
    """Signed, by Gauss; from the middle, so that a far place does not round it away."""
    a, b, c = np.moveaxis(triangles - triangles.mean(axis=(0, 1)), 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _same(found: Floats, truth: Floats) -> bool:
    return bool(np.allclose(_in_order(found), _in_order(truth), rtol=0, atol=1e-9))


def _same_ground(found: Floats, truth: Floats) -> bool:
    """Every triangle wound the one way, and the areas together those of the truth: nothing bridged, nothing twice."""
    area, wanted = (np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])[:, 2] / 2.0 for t in (found, truth))
    return bool((area >= 0.0).all()) and abs(float(area.sum() - wanted.sum())) < 1e-12


def _in_order(triangles: Floats) -> Floats:
    """The triangles in an order of their own, each begun at its smallest corner and wound as it was."""
    rounded = np.round(triangles, 6) + 0.0
    rows = []
    for one, key in zip(triangles, rounded.tolist(), strict=True):
        start = min(range(3), key=lambda k, key=key: key[k])
        rows.append((tuple(map(tuple, key[start:] + key[:start])), np.roll(one, -start, axis=0)))
    return np.array([one for _, one in sorted(rows, key=lambda row: row[0])])


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


def _rows(order: str, count: str, index: str) -> bytes:
    return b"".join(struct.pack(order + count + 3 * index, 3, *ring) for ring in RINGS)


def _vertices(order: str = "<") -> bytes:
    return V.astype(order + "f4").tobytes()


def _faces_first() -> bytes:
    head = f"ply\nformat binary_little_endian 1.0\nelement face 12\n{LIST}element vertex 8\n{XYZ}end_header\n"
    return head.encode() + _rows("<", "B", "i") + _vertices()


def _with_properties() -> bytes:
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


def _draco(fallback: bool) -> bytes:
    """Named as used but not required; the plain copy beside it is there, or is not."""

    def change(tree: Tree) -> None:
        tree["extensionsUsed"] = ["KHR_draco_mesh_compression"]
        packed = {"bufferView": 0, "attributes": {"POSITION": 0}}
        tree["meshes"][0]["primitives"][0]["extensions"] = {"KHR_draco_mesh_compression": packed}
        if not fallback:
            for accessor in tree["accessors"]:
                del accessor["bufferView"]

    return glb(change)


def _meshopt(fallback: bool) -> bytes:
    def change(tree: Tree) -> None:
        tree["extensionsUsed"] = ["EXT_meshopt_compression"]
        for view in tree["bufferViews"]:
            view["extensions"] = {"EXT_meshopt_compression": {"buffer": 0, "count": 8, "byteStride": 12}}
            view["buffer"] = 0 if fallback else 1
        if not fallback:
            tree["buffers"].append({"byteLength": 10**6, "extensions": {"EXT_meshopt_compression": {"fallback": True}}})

    return glb(change)


def _sparse() -> bytes:
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


def _interleaved() -> bytes:
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


def _chunk(at: int, value: int) -> bytes:
    """A GLB with one of its four-byte lengths replaced."""
    data = bytearray(glb())
    data[at : at + 4] = struct.pack("<I", value)
    return bytes(data)


def _without_bin() -> bytes:
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


def _cloud(order: str) -> bytes:
    form = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    return CLOUD_HEAD.format(form).encode() + POINTS.astype(order + "f4").tobytes()


def _obj_backwards() -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in V.tolist()]
    return "\n".join(lines + [f"f {a - 8} {b - 8} {c - 8}" for a, b, c in F] + [""]).encode()


def _second_solid() -> bytes:
    return STL_TEXT + mf.stl_text(V + [10, 0, 0], F)


def _stl_jumbled() -> bytes:
    """Four corners in the first facet and two in the second: the sums are right."""
    lines = STL_TEXT.split(b"\n")
    at = [number for number, line in enumerate(lines) if b"vertex" in line]
    lines.insert(at[2], lines.pop(at[3]))
    return b"\n".join(lines)


def _quantised() -> bytes:
    whole = (V * 1000).astype("<i2")  # whole numbers; the node makes thousandths of them
    padded = np.column_stack([whole, np.zeros(8, "<i2")]).tobytes()
    tree, data = mf.glb_tables(np.frombuffer(padded, "<u2").copy(), F16)
    tree["accessors"][0] = {"bufferView": 0, "componentType": 5122, "count": 8, "type": "VEC3"}
    tree["bufferViews"][0]["byteStride"] = 8
    tree["nodes"] = [{"mesh": 0, "scale": [0.001, 0.001, 0.001]}]
    tree["meshes"] = [{"primitives": [TRIANGLES]}]
    tree["extensionsRequired"] = tree["extensionsUsed"] = ["KHR_mesh_quantization"]
    return mf.glb_bytes(tree, data)


def _ascii_cloud(points: Floats = POINTS) -> bytes:
    return CLOUD_HEAD.format("ascii").encode() + mf.xyz_text(points)


def _packed(change: Callable[[bytearray], Any]) -> bytes:
    data = bytearray(mf.pcd_bytes(POINTS, "binary_compressed"))
    at = data.index(b"binary_compressed\n") + len(b"binary_compressed\n")
    body = data[at:]
    change(body)
    return bytes(data[:at] + body)


# --- the corpus -------------------------------------------------------------------------------------------------------


def _good(name: str, file: str, data: bytes, truth: Floats = BOX, says: str = "") -> Case:
    return Case(name, file, data, says, truth)


def _flat(name: str, file: str, data: bytes, truth: Floats, says: str = "were cut") -> Case:
    return Case(name, file, data, says, truth, ground=True)


def _bad(name: str, file: str, data: bytes | None, says: str) -> Case:
    return Case(name, file, data, says)


def _scan(name: str, file: str, data: bytes, truth: Floats = POINTS, says: str = "") -> Case:
    return Case(name, file, data, says, truth, scan=True)


def _no_scan(name: str, file: str, data: bytes, says: str) -> Case:
    return Case(name, file, data, says, scan=True)


def _ring(points: Floats, *triangles: tuple[int, int, int]) -> Floats:
    return points[np.array(triangles)]


PLY_CASES = (
    _good("ply binary", "a.ply", BINARY),
    _good("ply big-endian", "a.ply", mf.ply_bytes(V, F, order=">")),
    _good("ply double", "a.ply", mf.ply_bytes(V, F, number="double")),
    _good("ply text, DOS line ends", "a.ply", TEXT.replace(b"\n", b"\r\n")),
    _good("ply text, old Mac line ends", "a.ply", TEXT.replace(b"\n", b"\r")),
    _good(
        "ply binary, header with carriage returns",
        "a.ply",
        BINARY[: BINARY.index(b"end_header") + 11].replace(b"\n", b"\r") + BINARY[BINARY.index(b"end_header") + 11 :],
    ),
    _good("ply with a byte order mark", "a.ply", b"\xef\xbb\xbf" + TEXT),
    _good(
        "ply int16 counts and uint16 indices",
        "a.ply",
        ply(
            form="binary_little_endian",
            vertex=XYZ,
            face="property list short ushort vertex_indices\n",
            body=_vertices() + _rows("<", "h", "H"),
        ),
    ),
    _good(
        "ply uint8 counts and indices, big-endian, vertex_index",
        "a.ply",
        ply(
            form="binary_big_endian",
            vertex=XYZ,
            face="property list uint8 uint8 vertex_index\n",
            body=_vertices(">") + _rows(">", "B", "B"),
        ),
    ),
    _good("ply further properties round what is wanted", "a.ply", _with_properties()),
    _good("ply faces before vertices", "a.ply", _faces_first()),
    _good("ply quads", "a.ply", mf.ply_polygons(V, QUADS), says="6 polygons were cut into 12 triangles"),
    _good("ply text quads and triangles", "a.ply", mf.ply_text(V, QUADS[:3] + RINGS[6:]), says="were cut"),
    _good("ply dart: a hollow quad", "a.ply", mf.ply_text(DART, [[0, 1, 2, 3]]), _ring(DART, (0, 1, 2), (0, 2, 3))),
    _flat(
        "ply polygon round a window, slit",
        "a.ply",
        mf.ply_polygons(FRAME, [FRAME_RING]),
        _ring(FRAME, *[(0, 1, 7), (0, 7, 4), (1, 2, 6), (1, 6, 7), (2, 3, 5), (2, 5, 6), (3, 0, 4), (3, 4, 5)]),
    ),
    _good(
        "ply inverted body", "a.ply", mf.ply_bytes(V, TURNED), V[TURNED], says="1 closed bodies are wound inside out"
    ),
    _good(
        "ply one body of two inverted",
        "a.ply",
        mf.ply_bytes(TWO_V, np.concatenate([F, TURNED + 8])),
        np.concatenate([BOX, V[TURNED] + [10, 0, 0]]),
        says="1 closed bodies are wound inside out",
    ),
    _good(
        "ply doubled faces",
        "a.ply",
        mf.ply_bytes(V, np.concatenate([F, F[:5], F[5:7, ::-1]])),
        np.concatenate([BOX, BOX[:5], BOX[5:7, ::-1]]),
        says="7 faces are there twice",
    ),
    _good(
        "ply faces that name a vertex twice",
        "a.ply",
        mf.ply_bytes(V, np.vstack([F, [[1, 1, 2]]])),
        says="1 faces that name a vertex twice",
    ),
    _good("ply without line end", "a.ply", TEXT[:-1], says="no line end"),
    _bad("ply zero length", "a.ply", b"", "0 bytes"),
    _bad("ply folder", "a.ply", None, "is a folder"),
    _bad(
        "ply count too high", "a.ply", BINARY.replace(b"face 12", b"face 13"), "header promises 8 × vertex, 13 × face"
    ),
    _bad("ply count too low", "a.ply", BINARY.replace(b"face 12", b"face 11"), "13 bytes follow after"),
    _bad("ply text count too low", "a.ply", TEXT.replace(b"face 12", b"face 11"), "4 numbers follow after"),
    _bad("ply vertex count too low", "a.ply", BINARY.replace(b"vertex 8", b"vertex 7"), ""),
    _bad("ply end missing", "a.ply", BINARY[:-20], "header promises"),
    _bad("ply header alone", "a.ply", BINARY[: BINARY.index(b"end_header") + 11], "0 bytes follow"),
    _bad("ply header cut", "a.ply", BINARY[:70], "no end"),
    _bad("ply text cut in a face", "a.ply", TEXT[:-6], "ends after 11"),
    _bad("ply text cut in a number of a vertex", "a.ply", TEXT[: TEXT.index(b"4.5") + 2], "header promises"),
    _bad(
        "ply text with two numbers run together",
        "a.ply",
        TEXT.replace(b"0.5 4.5", b"0.5-4.5", 1).replace(b"\n3 ", b"\n3 0 ", 1),
        "'0.5-4.5'",
    ),
    _bad("ply text with a comment among the data", "a.ply", TEXT.replace(b"\n3 ", b"\ncomment\n3 ", 1), "is 'comment'"),
    _bad("ply text with a zero byte", "a.ply", TEXT.replace(b" 4.5", b"\0 4.5", 1), "a number was expected"),
    _bad("ply misspelt header line", "a.ply", BINARY.replace(b"element face", b"elemend face"), "header line 8"),
    _bad(
        "ply format after the properties",
        "a.ply",
        BINARY.replace(b"format binary_little_endian 1.0\n", b"").replace(
            b"end_header", b"format binary_little_endian 1.0\nend_header"
        ),
        "header line",
    ),
    _bad(
        "ply list as long as a fraction", "a.ply", BINARY.replace(b"list uchar int", b"list float int"), "header line"
    ),
    _bad(
        "ply indices that are fractions", "a.ply", BINARY.replace(b"list uchar int", b"list uchar float"), "fractions"
    ),
    _bad("ply faces by another name", "a.ply", BINARY.replace(b"element face", b"element triangle"), "'triangle'"),
    _bad("ply triangle strips", "a.ply", BINARY.replace(b"element face", b"element tristrips"), "strips"),
    _bad("ply NaN", "a.ply", mf.ply_bytes(NAN, F), "1 of 8 vertices are not numbers"),
    _bad("ply infinite", "a.ply", mf.ply_bytes(INF, F), "1 of 8 vertices are not numbers"),
    _bad("ply index out of range", "a.ply", mf.ply_bytes(V, OUTSIDE), "names vertex 8"),
    _bad("ply negative index", "a.ply", mf.ply_bytes(V, np.where(OUTSIDE == 8, -1, OUTSIDE)), "names vertex -1"),
    _bad(
        "ply index beyond 32 bits",
        "a.ply",
        ply(
            form="binary_little_endian",
            vertex=XYZ,
            face="property list uchar int64 vertex_indices\n",
            body=_vertices() + _rows("<", "B", "q")[:-8] + struct.pack("<q", 2**32),
        ),
        "names vertex 4294967296",
    ),
    _bad("ply polygon of two corners", "a.ply", mf.ply_polygons(V, [[0, 1, 2, 3], [0, 1]]), "has 2 corners"),
    _bad("ply no area", "a.ply", mf.ply_bytes(LINE, F), "none of its faces has an area"),
    _bad("ply all zero", "a.ply", mf.ply_bytes(V * 0, F), "all 8 vertices lie at 0, 0, 0"),
    _bad("ply points where a part is wanted", "a.ply", _cloud("<"), "a part needs a surface"),
    _bad("ply that is an STL", "a.ply", STL, "does not begin with 'ply'"),
    _good(
        "ply single precision 1e6 units away",
        "a.ply",
        mf.ply_bytes(far(1e6) * [1, 400, 400], F),
        (far(1e6) * [1, 400, 400])[F],
        says="its numbers step by 0.0625",
    ),
    _bad("ply single precision 2e7 units away", "a.ply", mf.ply_bytes(far(2e7) * [1, 400, 400], F), "step by 2"),
    _good("ply double 1e7 units away", "a.ply", mf.ply_bytes(V + [1e7, 0, 0], F, number="double"), BOX + [1e7, 0, 0]),
)

STL_CASES = (
    _good("stl binary", "a.stl", STL),
    _good("stl binary that begins with solid", "a.stl", b"solid" + STL[5:]),
    _good("stl text", "a.stl", STL_TEXT),
    _good("stl text, old Mac line ends, capitals", "a.stl", STL_TEXT.replace(b"\n", b"\r").upper()),
    _good("stl text with a byte order mark", "a.stl", b"\xef\xbb\xbf" + STL_TEXT.replace(b"\n", b"\r\n")),
    _good(
        "stl text, normals that are not numbers", "a.stl", STL_TEXT.replace(b"normal 0 0 1", b"normal -nan(ind) nan 0")
    ),
    _good("stl text, two bodies", "a.stl", _second_solid(), TWO_V[TWO_F], says="its 2 bodies"),
    _good("stl binary, two bodies", "a.stl", mf.stl_bytes(TWO_V, TWO_F), TWO_V[TWO_F]),
    _good("stl inverted", "a.stl", mf.stl_bytes(V, TURNED), V[TURNED], says="inside out"),
    _good(
        "stl binary 1e6 units away",
        "a.stl",
        mf.stl_bytes(far(1e6) * [1, 400, 400], F),
        (far(1e6) * [1, 400, 400])[F],
        says="its numbers step by",
    ),
    _bad("stl binary 1e7 units away", "a.stl", mf.stl_bytes(far(1e7), F), "its shape is lost"),
    _bad("stl count too high", "a.stl", mf.stl_bytes(V, F, count=13), "promises 13 triangles"),
    _bad("stl count too low", "a.stl", mf.stl_bytes(V, F, count=11), "promises 11 triangles"),
    _bad("stl two binary files in one", "a.stl", STL + STL, "promises 12 triangles"),
    _bad("stl cut", "a.stl", STL[:-30], "promises 12 triangles"),
    _bad("stl stub", "a.stl", STL[:60], "too few"),
    _bad("stl empty", "a.stl", mf.stl_bytes(V, F[:0]), "0 vertices"),
    _bad("stl text, end missing", "a.stl", STL_TEXT[: STL_TEXT.rindex(b"endsolid")], "ends too soon"),
    _bad("stl text, second body cut", "a.stl", _second_solid()[:-200], "ends too soon"),
    _bad(
        "stl text, a corner missing",
        "a.stl",
        STL_TEXT.replace(b"vertex 0.5 0.5 0.5\n", b"", 1),
        "'vertex' was expected",
    ),
    _bad("stl text, corners moved to the facet before", "a.stl", _stl_jumbled(), "'endloop' was expected"),
    _bad("stl text, decimal commas", "a.stl", STL_TEXT.replace(b"4.5", b"4,5"), "a number was expected"),
    _bad("stl text, all on the first line", "a.stl", STL_TEXT.replace(b"\n", b" "), ""),
    _bad("stl text, UTF-16", "a.stl", STL_TEXT.decode().encode("utf-16"), ""),
    _bad("stl that is a PLY", "a.stl", BINARY, "its content is that of a .ply file"),
    _bad("stl that is a GLB", "a.stl", glb(), "its content is that of a .glb file"),
    _bad("stl that is a zip", "a.stl", b"PK\3\4" + STL, "a zip archive"),
    _bad("stl infinite", "a.stl", mf.stl_bytes(INF, F), "are not numbers"),
    _bad("stl no area", "a.stl", mf.stl_bytes(LINE, F), "has an area"),
    _bad("stl missing folder name as a file", "a.stl", None, "is a folder"),
)

OBJ_CASES = (
    _good("obj", "a.obj", OBJ),
    _good("obj negative indices", "a.obj", _obj_backwards()),
    _good("obj quads", "a.obj", mf.obj_text(V, QUADS), says="6 polygons were cut into 12 triangles"),
    _flat(
        "obj hollow polygon",
        "a.obj",
        mf.obj_text(ELL, [[0, 1, 2, 3, 4, 5]]),
        _ring(ELL, (0, 1, 3), (1, 2, 3), (0, 3, 5), (3, 4, 5)),
    ),
    _good(
        "obj indented, tabs, comments",
        "a.obj",
        b"# a\n" + b"\n".join(b" \t" + line.replace(b" ", b"\t") + b" # x" for line in OBJ.split(b"\n")[3:]),
    ),
    _good("obj old Mac line ends", "a.obj", OBJ.replace(b"\n", b"\r")),
    _good("obj DOS line ends, byte order mark", "a.obj", b"\xef\xbb\xbf" + OBJ.replace(b"\n", b"\r\n")),
    _good(
        "obj faces before vertices", "a.obj", b"\n".join(sorted(OBJ.split(b"\n"), key=lambda line: line[:2] != b"f "))
    ),
    _good("obj continued lines", "a.obj", OBJ.replace(b"f 1//1 ", b"f 1//1 \\\n")),
    _good("obj soup", "a.obj", mf.obj_text(SOUP_V, SOUP_F.tolist())),
    _good(
        "obj unwelded and inverted",
        "a.obj",
        mf.obj_text(SOUP_V, SOUP_F[:, ::-1].tolist()),
        BOX[:, ::-1],
        says="inside out",
    ),
    _good("obj lines beside faces", "a.obj", OBJ + b"l 1 2\n", says="lines in the file were left out"),
    _good("obj colours after the places", "a.obj", OBJ.replace(b"4.5\n", b"4.5 0.1 0.2 0.3\n")),
    _good(
        "obj far, from single precision",
        "a.obj",
        mf.obj_text(far(1e6) * [1, 400, 400.1], RINGS),
        (far(1e6) * [1, 400, 400.1])[F],
    ),
    _bad("obj index too high", "a.obj", mf.obj_text(V, [[0, 1, 8]]), "names vertex 8"),
    _bad("obj index zero", "a.obj", mf.obj_text(V, [[0, 1, -1]]), "names vertex 0"),
    _bad("obj index back beyond the first", "a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -1 -2 -4\n", "names vertex -4"),
    _bad("obj a vertex line damaged", "a.obj", OBJ.replace(b"\nv ", b"\nw ", 1), "begins with 'w'"),
    _bad("obj cut in a face", "a.obj", OBJ[:-7], "not a face of three"),
    _bad("obj vertex of two coordinates", "a.obj", OBJ.replace(b"v 0.5 0.5 0.5", b"v 0.5 0.5", 1), "fewer than three"),
    _bad("obj decimal commas", "a.obj", OBJ.replace(b"0.5", b"0,5"), "a number was expected"),
    _bad("obj NaN", "a.obj", mf.obj_text(NAN, RINGS), "are not numbers"),
    _bad("obj only points", "a.obj", mf.obj_text(V, []), "a point cloud"),
    _bad("obj free-form surface", "a.obj", OBJ + b"surf 0 1 0 1 1 2 3\n", "free-form"),
    _bad("obj that calls another file", "a.obj", OBJ + b"call more.obj\n", "calls another file"),
    _bad("obj binary", "a.obj", STL, "not a text"),
    _bad("obj all zero", "a.obj", mf.obj_text(V * 0, RINGS), "lie at 0, 0, 0"),
    _bad("no mesh file", "a.step", b"ISO-10303-21;", "not a mesh file"),
    _bad("no suffix", "a", BINARY, "no suffix"),
)

GLB_CASES = (
    _good("glb", "a.glb", glb()),
    _good(
        "glb node moved, turned, scaled",
        "a.glb",
        glb_nodes({"mesh": 0, "translation": [10, 20, 30], "rotation": [0, 0, QUARTER, QUARTER], "scale": [2, 3, 4]}),
        ((BOX * [2, 3, 4])[..., [1, 0, 2]] * [-1, 1, 1]) + [10, 20, 30],
    ),
    _good(
        "glb node matrix",
        "a.glb",
        glb_nodes({"mesh": 0, "matrix": [0, 1, 0, 0, -1, 0, 0, 0, 0, 0, 1, 0, 5, 6, 7, 1]}),
        BOX[..., [1, 0, 2]] * [-1, 1, 1] + [5, 6, 7],
    ),
    _good(
        "glb nodes within nodes",
        "a.glb",
        glb_nodes({"children": [1], "scale": [2, 2, 2]}, {"children": [2], "translation": [1, 0, 0]}, {"mesh": 0}),
        (BOX + [1, 0, 0]) * 2,
    ),
    _good("glb mirrored node", "a.glb", glb_nodes({"mesh": 0, **MIRROR}), MIRRORED),
    _good(
        "glb mirrored by a matrix, outer node",
        "a.glb",
        glb_nodes({"children": [1], "matrix": [1, 0, 0, 0, 0, -1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]}, {"mesh": 0}),
        MIRRORED,
    ),
    _good("glb mirrored twice", "a.glb", glb_nodes({"children": [1], **MIRROR}, {"mesh": 0, **MIRROR}), BOX),
    _good(
        "glb mesh shown three times, once mirrored",
        "a.glb",
        glb_nodes({"mesh": 0}, {"mesh": 0, "translation": [10, 0, 0]}, {"mesh": 0, **MIRROR}, roots=(0, 1, 2)),
        np.concatenate([BOX, BOX + [10, 0, 0], MIRRORED]),
    ),
    _good(
        "glb two scenes, the second is shown",
        "a.glb",
        glb(
            lambda t: t.update(
                nodes=[{"mesh": 0}, {"mesh": 0, "translation": [10, 0, 0]}],
                scenes=[{"nodes": [0]}, {"nodes": [1]}],
                scene=1,
            )
        ),
        BOX + [10, 0, 0],
        says="2 scenes: only scene 1",
    ),
    _good(
        "glb a mesh that no node shows",
        "a.glb",
        glb(lambda t: t["meshes"].append(t["meshes"][0])),
        says="1 meshes that the scene does not show",
    ),
    _good(
        "glb node scaled to nothing beside another",
        "a.glb",
        glb_nodes({"mesh": 0}, {"mesh": 0, "scale": [0, 1, 1]}, roots=(0, 1)),
        says="1 meshes scaled to nothing",
    ),
    _good("glb sparse", "a.glb", _sparse()),
    _good("glb interleaved, indices of 8 bits", "a.glb", _interleaved()),
    _good("glb quantised", "a.glb", _quantised(), says="its numbers step by 0.001"),
    _good(
        "glb without indices",
        "a.glb",
        glb_primitives({"attributes": {"POSITION": 0}}, tables=(SOUP_V.astype("<f4"),)),
        BOX,
    ),
    _good(
        "glb strip",
        "a.glb",
        glb_primitives({**TRIANGLES, "mode": 5}, tables=(V32, np.array([0, 1, 2, 3], "<u2"))),
        V[np.array([(0, 1, 2), (1, 3, 2)])],
    ),
    _good(
        "glb fan",
        "a.glb",
        glb_primitives({**TRIANGLES, "mode": 6}, tables=(V32, np.array([0, 1, 3, 2], "<u2"))),
        V[np.array([(1, 3, 0), (3, 2, 0)])],
    ),
    _good(
        "glb lines beside triangles",
        "a.glb",
        glb_primitives(TRIANGLES, {**TRIANGLES, "mode": 1}, tables=(V32, F16)),
        says="1 primitives of points or lines",
    ),
    _good("glb Draco named, plain copy there", "a.glb", _draco(True)),
    _good("glb meshopt named, plain copy there", "a.glb", _meshopt(True)),
    _bad(
        "glb Draco required",
        "a.glb",
        glb(lambda t: t.update(extensionsRequired=["KHR_draco_mesh_compression"])),
        "compressed (KHR_draco_mesh_compression)",
    ),
    _bad("glb Draco named, no plain copy", "a.glb", _draco(False), "compressed (KHR_draco_mesh_compression)"),
    _bad(
        "glb meshopt required",
        "a.glb",
        glb(lambda t: t.update(extensionsRequired=["EXT_meshopt_compression"])),
        "Export it without compression",
    ),
    _bad("glb meshopt named, no plain copy", "a.glb", _meshopt(False), "compressed (EXT_meshopt_compression)"),
    _bad(
        "glb instances on the graphics card",
        "a.glb",
        glb(lambda t: t.update(extensionsUsed=["EXT_mesh_gpu_instancing"])),
        "EXT_mesh_gpu_instancing",
    ),
    _bad("glb unknown need", "a.glb", glb(lambda t: t.update(extensionsRequired=["X_odd"])), "requires X_odd"),
    _bad(
        "glb several scenes, none named",
        "a.glb",
        glb(lambda t: (t.pop("scene"), t["scenes"].append({"nodes": []}))),
        "names none as the one to show",
    ),
    _bad("glb empty scene", "a.glb", glb(lambda t: t.update(scenes=[{}])), "shows no mesh"),
    _bad("glb no scene", "a.glb", glb(lambda t: t.pop("scenes")), "has no scene"),
    _bad("glb points", "a.glb", glb_primitives(TREE_POINTS, tables=(V32,)), "a part needs a surface"),
    _bad("glb lines", "a.glb", glb_primitives({**TRIANGLES, "mode": 3}, tables=(V32, F16)), "lines and no faces"),
    _bad("glb skeleton", "a.glb", glb_nodes({"mesh": 0, "skin": 0}), "skeleton"),
    _bad("glb morphed", "a.glb", glb(lambda t: t["meshes"][0].update(weights=[0.5])), "morphed"),
    _bad("glb ring of nodes", "a.glb", glb_nodes({"mesh": 0, "children": [0]}), "do not hold together"),
    _bad("glb node that is not there", "a.glb", glb_nodes({"children": [7]}), "do not hold together"),
    _bad(
        "glb matrix with NaN",
        "a.glb",
        glb_nodes({"mesh": 0, "matrix": [float("nan")] + [0.0] * 14 + [1]}),
        "do not hold together",
    ),
    _bad(
        "glb matrix in perspective",
        "a.glb",
        glb_nodes({"mesh": 0, "matrix": [1, 0, 0, 0.5, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]}),
        "perspective",
    ),
    _bad("glb everything scaled to nothing", "a.glb", glb_nodes({"mesh": 0, "scale": [0, 0, 0]}), "no mesh"),
    _bad(
        "glb index of the neighbour's vertices",
        "a.glb",
        glb_primitives(TRIANGLES, {"attributes": {"POSITION": 2}, "indices": 1}, tables=(V32, F16, V32[:4].copy())),
        "names vertex 7",
    ),
    _bad(
        "glb index in two and a half triangles",
        "a.glb",
        glb_primitives(TRIANGLES, tables=(V32, F16[:10].copy())),
        "whole triangles",
    ),
    _bad(
        "glb table beyond the data",
        "a.glb",
        glb(lambda t: t["accessors"][0].update(count=9000)),
        "promises 9000 entries",
    ),
    _bad(
        "glb table beyond its view",
        "a.glb",
        glb(lambda t: t["accessors"][0].update(byteOffset=8)),
        "promises 8 entries",
    ),
    _bad("glb table of minus one", "a.glb", glb(lambda t: t["accessors"][0].update(count=-1)), "do not hold together"),
    _bad("glb buffer outside", "a.glb", glb(lambda t: t["buffers"][0].update(uri="a.bin")), "outside of itself"),
    _bad("glb buffer longer than the data", "a.glb", glb(lambda t: t["buffers"][0].update(byteLength=9999)), "9999"),
    _bad("glb no data", "a.glb", _without_bin(), "0 are there"),
    _bad("glb whole length wrong", "a.glb", _chunk(8, 99), "header promises 99 bytes"),
    _bad("glb description length wrong", "a.glb", _chunk(12, 10**6), "of them 1000000 of description"),
    _bad(
        "glb data length wrong",
        "a.glb",
        _chunk(20 + struct.unpack("<I", glb()[12:16])[0], 10**6),
        "data promise 1000000",
    ),
    _bad("glb cut", "a.glb", glb()[:-40], "header promises"),
    _bad("glb NaN", "a.glb", glb(v=NAN), "are not numbers"),
    _bad("glb all zero", "a.glb", glb(v=V * 0), "lie at 0, 0, 0"),
    _bad("glb 2e7 units away", "a.glb", glb(v=far(2e7)), "its shape is lost"),
    _good(
        "glb placed 1e7 units away by its node",
        "a.glb",
        glb_nodes({"mesh": 0, "translation": [1e7, 0, 0]}),
        BOX + [1e7, 0, 0],
    ),
)

CLOUD_CASES = (
    _scan("cloud ply", "a.ply", _cloud("<")),
    _scan("cloud ply big-endian", "a.ply", _cloud(">")),
    _scan("cloud ply text", "a.ply", _ascii_cloud()),
    _scan("cloud ply with 0 faces", "a.ply", mf.ply_header(40, 0) + POINTS.astype("<f4").tobytes()),
    _scan(
        "cloud ply with places without return",
        "a.ply",
        CLOUD_HEAD.format("binary_little_endian").encode() + NO_RETURNS.astype("<f4").tobytes(),
        NO_RETURNS,
        says="2 points lie at exactly 0, 0, 0",
    ),
    _scan(
        "cloud ply, points that are alike",
        "a.ply",
        _ascii_cloud(np.concatenate([POINTS[:20], POINTS[:20]])),
        np.concatenate([POINTS[:20], POINTS[:20]]),
    ),
    _scan("mesh as a scan", "a.ply", BINARY, BOX),
    _scan("cloud glb", "a.glb", glb_primitives(TREE_POINTS, tables=(POINTS.astype("<f4"),))),
    _scan("cloud xyz", "a.xyz", mf.xyz_text(POINTS)),
    _scan(
        "cloud xyz with colours",
        "a.xyz",
        mf.xyz_text(np.column_stack([POINTS, np.tile([255.0, 128, 0], (40, 1))])),
        says="of its 6 columns the first three",
    ),
    _scan("cloud xyz with its count first", "a.xyz", b"40\n" + mf.xyz_text(POINTS)),
    _scan(
        "cloud xyz, header in a remark",
        "a.xyz",
        mf.xyz_text(np.roll(np.column_stack([POINTS, np.ones(40)]), 1, 1), header="//Intensity X Y Z"),
        says="X, Y, Z were read",
    ),
    _scan(
        "cloud xyz, remarks, blank lines, old Mac line ends",
        "a.xyz",
        (b"# made by a test\n\n" + mf.xyz_text(POINTS)).replace(b"\n", b"\r"),
    ),
    _scan("cloud csv, commas and header", "a.csv", mf.xyz_text(POINTS, ",", header="x,y,z")),
    _scan(
        "cloud csv, header in another order, byte order mark",
        "a.csv",
        b"\xef\xbb\xbf" + mf.xyz_text(POINTS[:, [2, 0, 1]], ",", header='"Z","X","Y"'),
    ),
    _scan(
        "cloud csv, semicolons and decimal commas", "a.csv", mf.xyz_text(POINTS, ";", comma=True), says="decimal commas"
    ),
    _scan("cloud csv, tabs and decimal commas", "a.csv", mf.xyz_text(POINTS, "\t", comma=True), says="decimal commas"),
    _scan("cloud csv, comma and blank, end marks", "a.csv", mf.xyz_text(POINTS, ", ").replace(b"\n", b",\n")),
    _scan("cloud csv, units in the header", "a.csv", mf.xyz_text(POINTS, ",", header="x [mm],y [mm],z [mm]")),
    _scan("cloud csv, last line open", "a.csv", mf.xyz_text(POINTS, ",")[:-1], says="no line end"),
    _scan("cloud pcd text", "a.pcd", mf.pcd_bytes(POINTS, "ascii")),
    _scan("cloud pcd binary", "a.pcd", mf.pcd_bytes(POINTS)),
    _scan("cloud pcd binary, colour before", "a.pcd", mf.pcd_bytes(POINTS, extra="rgb")),
    _scan("cloud pcd packed", "a.pcd", mf.pcd_bytes(POINTS, "binary_compressed", extra="rgb")),
    _scan(
        "cloud pcd without returns",
        "a.pcd",
        mf.pcd_bytes(GONE),
        np.delete(POINTS, [3, 7, 20], axis=0),
        says="3 of 40 points without a return (NaN) were left out",
    ),
    _scan(
        "cloud pcd text without returns",
        "a.pcd",
        mf.pcd_bytes(GONE, "ascii"),
        np.delete(POINTS, [3, 7, 20], axis=0),
        says="3 of 40 points",
    ),
    _scan("cloud pcd in rows", "a.pcd", mf.pcd_bytes(POINTS, header={"WIDTH": "8", "HEIGHT": "5"})),
    _scan(
        "cloud pcd with a viewpoint",
        "a.pcd",
        mf.pcd_bytes(POINTS, header={"VIEWPOINT": "1 2 3 1 0 0 0"}),
        says="viewpoint was not applied",
    ),
    _bad("xyz where a part is wanted", "a.xyz", mf.xyz_text(POINTS), "a part needs a surface"),
    _bad("pcd where a part is wanted", "a.pcd", mf.pcd_bytes(POINTS), "a part needs a surface"),
    _no_scan(
        "cloud ply NaN",
        "a.ply",
        CLOUD_HEAD.format("binary_little_endian").encode() + GONE.astype("<f4").tobytes(),
        "3 of 40 vertices are not numbers",
    ),
    _no_scan("cloud ply cut", "a.ply", _cloud("<")[:-5], "header promises 40 × vertex"),
    _no_scan("cloud ply all at one place", "a.ply", _ascii_cloud(POINTS * 0 + 3), "lie at one point"),
    _no_scan("cloud obj", "a.obj", mf.obj_text(POINTS, []), "points are read from PLY"),
    _no_scan("cloud stl is none", "a.stl", mf.stl_bytes(V, F[:0]), "0 vertices"),
    _no_scan("cloud xyz, decimal commas and blanks", "a.xyz", mf.xyz_text(POINTS, " ", comma=True), "is not clear"),
    _no_scan(
        "cloud csv, decimal commas and commas", "a.csv", mf.xyz_text(POINTS, ",", comma=True), "may be decimal marks"
    ),
    _no_scan("cloud csv, thousands marks", "a.csv", b"1.234,5;2;3\n1.234,6;2;3\n", "is not clear"),
    _no_scan(
        "cloud csv, row numbers first",
        "a.csv",
        mf.xyz_text(np.column_stack([np.arange(40), POINTS]), ","),
        "counts the points",
    ),
    _no_scan("cloud csv, header without x", "a.csv", mf.xyz_text(POINTS, ",", header="east,north,up"), "x, y and z"),
    _no_scan("cloud csv, an empty column", "a.csv", b"1.5,,2,3\n1.5,,2,4\n", "an empty column"),
    _no_scan("cloud csv, a line too short", "a.csv", mf.xyz_text(POINTS, ",") + b"1.0,2.0\n", "line 41 has 2 columns"),
    _no_scan("cloud csv, a word", "a.csv", mf.xyz_text(POINTS, ",") + b"1.0,2.0,n/a\n", "is 'n/a'"),
    _no_scan("cloud xyz, numbers run together", "a.xyz", b"1 2 3\n1.5-2 3 4\n5 6 7\n", "'1.5-2'"),
    _no_scan("cloud xyz, two columns", "a.xyz", mf.xyz_text(POINTS[:, :2]), "2 columns"),
    _no_scan("cloud xyz, elements by name", "a.xyz", b"2\n\nC 0 0 0\nH 1 0 0\n", "a number was expected"),
    _no_scan("cloud xyz, count wrong", "a.xyz", b"41\n" + mf.xyz_text(POINTS), "promises 41 points; 40 follow"),
    _no_scan("cloud xyz, only remarks", "a.xyz", b"# nothing\n// here\n", "0 points"),
    _no_scan("cloud xyz, infinite", "a.xyz", mf.xyz_text(POINTS) + b"inf 0 0\n", "are not numbers"),
    _no_scan("cloud xyz, UTF-16", "a.xyz", mf.xyz_text(POINTS).decode().encode("utf-16"), "UTF-16"),
    _no_scan("cloud xyz that is a PLY", "a.xyz", _ascii_cloud(), "content is that of a .ply file"),
    _no_scan("cloud pcd cut", "a.pcd", mf.pcd_bytes(POINTS)[:-9], "480; 471 bytes follow"),
    _no_scan("cloud pcd too long", "a.pcd", mf.pcd_bytes(POINTS) + b"\0" * 12, "492 bytes follow"),
    _no_scan(
        "cloud pcd text, line cut", "a.pcd", mf.pcd_bytes(POINTS, "ascii")[:-30], "promises 40 lines of 3 numbers"
    ),
    _no_scan("cloud pcd header cut", "a.pcd", mf.pcd_bytes(POINTS)[:90], "no end"),
    _no_scan("cloud pcd without z", "a.pcd", mf.pcd_bytes(POINTS).replace(b"x y z", b"x y w"), "x, y and z"),
    _no_scan("cloud pcd counts that differ", "a.pcd", mf.pcd_bytes(POINTS, header={"WIDTH": "41"}), "is not POINTS"),
    _no_scan(
        "cloud pcd gigabytes",
        "a.pcd",
        mf.pcd_bytes(POINTS, header={"WIDTH": "99999999", "POINTS": "99999999"}),
        "promises 99999999 points",
    ),
    _no_scan("cloud pcd odd type", "a.pcd", mf.pcd_bytes(POINTS, header={"TYPE": "F F Q"}), "does not hold together"),
    _no_scan("cloud pcd packed in another way", "a.pcd", mf.pcd_bytes(POINTS, header={"DATA": "binary_best"}), "DATA"),
    _no_scan("cloud pcd packed, cut", "a.pcd", mf.pcd_bytes(POINTS, "binary_compressed")[:-9], "packed data promise"),
    _no_scan(
        "cloud pcd packed, a copy from before the beginning",
        "a.pcd",
        _packed(lambda body: body.__setitem__(8, 0x3F)),
        "do not unpack",
    ),
    _no_scan(
        "cloud pcd packed, size wrong",
        "a.pcd",
        _packed(lambda body: body.__setitem__(slice(4, 8), struct.pack("<I", 9999))),
        "480; 9999 bytes",
    ),
    _no_scan("cloud pcd nothing but gaps", "a.pcd", mf.pcd_bytes(POINTS * np.nan), "none with numbers"),
)

CORPUS = (*PLY_CASES, *STL_CASES, *OBJ_CASES, *GLB_CASES, *CLOUD_CASES)
