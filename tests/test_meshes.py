"""Mesh files: what is read is exactly what the file says, and a broken file is a clear error, never a mesh."""

from __future__ import annotations

import struct
import subprocess
import sys
import textwrap
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapes import box_mesh

from fitcheck.errors import FileProblem, InputError, MeshError
from fitcheck.geometry.meshes import RawMesh, read_mesh, weld
from fitcheck.geometry.polygons import Polygons, triangulate

V, F = box_mesh([0, 0, 0], [1, 2, 4])
V = V.astype(np.float32).astype(np.float64) + 0.5  # exact in single precision, so that all formats hold it alike
TRIANGLES = [list(map(int, face)) for face in F]
QUAD = [[0.0, 0, 0], [2, 0, 0], [2, 1, 0], [0, 1, 0]]


def signed_volume(mesh: RawMesh) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


GOOD: dict[str, tuple[str, bytes]] = {
    "ply binary": ("b.ply", mf.ply_bytes(V, F)),
    "ply binary double": ("b.ply", mf.ply_bytes(V, F, number="double")),
    "ply big endian": ("b.ply", mf.ply_bytes(V, F, order=">")),
    "ply text": ("b.PLY", mf.ply_text(V, TRIANGLES)),
    "ply with DOS line ends": ("b.ply", mf.ply_text(V, TRIANGLES).replace(b"\n", b"\r\n")),
    "stl binary": ("b.stl", mf.stl_bytes(V, F)),
    "stl binary that begins with solid": ("b.stl", b"solid" + mf.stl_bytes(V, F)[5:]),
    "stl text": ("b.stl", mf.stl_text(V, F)),
    "obj": ("b.obj", mf.obj_text(V, TRIANGLES)),
    "glb": ("b.glb", mf.glb_bytes(*mf.glb_tree(V, F, {}))),
}


@pytest.mark.parametrize("case", GOOD)
def test_a_box_comes_back_from_every_format(tmp_path: Path, case: str) -> None:
    """Corners of every triangle equal to the last bit, in order; volume 8 (closed form), so nothing is turned over."""
    mesh = read_mesh(mf.save(tmp_path, *GOOD[case]))
    assert mesh.vertices.dtype == np.float64
    assert mesh.faces.dtype == np.int32
    assert np.array_equal(mesh.vertices[mesh.faces], V[F])
    assert signed_volume(mesh) == pytest.approx(8.0, abs=1e-12)
    assert mesh.notes == ()


@pytest.mark.parametrize("case", [name for name in GOOD if name != "ply with DOS line ends"])
def test_both_roads_give_the_same_arrays(tmp_path: Path, case: str) -> None:
    """Our reader and trimesh's, which shares no code with it, agree on triangles to the last bit."""
    import trimesh

    path = mf.save(tmp_path, *GOOD[case])
    other = trimesh.load(path, process=False, force="mesh")
    ours = read_mesh(path)
    assert np.array_equal(np.asarray(other.triangles), ours.vertices[ours.faces])
    if case.startswith("ply"):
        assert np.array_equal(np.asarray(other.vertices), ours.vertices)
        assert np.array_equal(np.asarray(other.faces), ours.faces)


def test_large_binary_ply_is_the_same_by_both_roads_and_needs_no_library(tmp_path: Path) -> None:
    """1.1 million faces span several chunks; reading them does not import trimesh (0.6 s saved)."""
    import trimesh

    v, f = mf.grid(760, 760, lo=[0, 0, 0], hi=[4000, 1800, 0], wave=50.0)
    path = mf.save(tmp_path, "large.ply", mf.ply_bytes(v, f))
    ours = read_mesh(path)
    other = trimesh.load(path, process=False)
    assert np.array_equal(ours.vertices, other.vertices)
    assert np.array_equal(ours.faces, other.faces)
    code = (
        "import sys; from fitcheck.geometry.meshes import read_mesh; read_mesh(sys.argv[1]);"
        "sys.exit('trimesh' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path)], check=False).returncode == 0


def test_reading_a_large_ply_takes_little_memory(tmp_path: Path) -> None:
    """1.7 million triangles in memory below 6 times the file: 10 million stay under 2 GB."""
    v, f = mf.grid(1400, 608, lo=[0, 0, 0], hi=[4000, 1800, 0], wave=50.0)
    path = mf.save(tmp_path, "scan.ply", mf.ply_bytes(v, f))
    code = (
        "import resource, sys; from fitcheck.geometry.meshes import read_mesh\n"
        "unit = 1 if sys.platform == 'darwin' else 1024\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit; mesh = read_mesh(sys.argv[1])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit - before)"
    )
    if sys.platform != "win32":  # no such counter there
        run = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
        assert int(run.stdout) < 6 * path.stat().st_size


# --- polygons ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("writer", [mf.ply_polygons, mf.ply_text, mf.obj_text])
@pytest.mark.parametrize(
    "rings", [[[0, 1, 2, 3]], [[0, 1, 2], [0, 2, 3]], [[0, 1, 2, 3], [3, 4, 0]], [[3, 4, 0], [0, 1, 2, 3]]]
)
def test_triangles_quads_and_mixtures_cover_the_same_ground(
    tmp_path: Path, writer: Callable[[Any, Any], bytes], rings: list[list[int]]
) -> None:
    """The area of a quad 2 × 1 (and a triangle of area 1 beside it), however it is written."""
    suffix = ".obj" if writer is mf.obj_text else ".ply"
    mesh = read_mesh(mf.save(tmp_path, "q" + suffix, writer([*QUAD, [-2.0, 0, 0]], rings)))
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    z = np.cross(b - a, c - a)[:, 2] / 2.0
    assert (z > 0).all()
    assert z.sum() == pytest.approx(2.0 + (1.0 if any(4 in ring for ring in rings) else 0.0), abs=1e-12)
    assert (mesh.notes != ()) == any(len(ring) > 3 for ring in rings)


def test_a_ply_with_other_properties_around_the_list_is_read(tmp_path: Path) -> None:
    """Colours at the vertices, a flag before and texture places after the list: the same two triangles."""
    head = (
        "ply\nformat binary_little_endian 1.0\nelement vertex 4\nproperty uchar red\nproperty float x\n"
        "property float y\nproperty float z\nproperty float confidence\nelement face 2\nproperty uchar flag\n"
        "property list uchar uint vertex_indices\nproperty list uchar float texcoord\n"
        "element edge 1\nproperty int vertex1\nproperty int vertex2\nend_header\n"
    )
    body = b"".join(struct.pack("<B4f", 7, *place, 0.5) for place in QUAD)
    body += b"".join(struct.pack("<BB3IB6f", 1, 3, *ring, 6, *range(6)) for ring in [(0, 1, 2), (0, 2, 3)])
    mesh = read_mesh(mf.save(tmp_path, "p.ply", head.encode() + body + struct.pack("<2i", 0, 1)))
    assert mesh.faces.tolist() == [[0, 1, 2], [0, 2, 3]]
    assert mesh.vertices.tolist() == QUAD


def _area(points: NDArray[np.float64], faces: NDArray[np.int32]) -> NDArray[np.float64]:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a)[:, 2] / 2.0)


@pytest.mark.parametrize(
    ("ring", "area"),
    [
        ([[0, 0], [4, 0], [1, 1], [0, 4]], 4.0),  # a dart: one diagonal lies outside
        ([[1, 1], [0, 4], [0, 0], [4, 0]], 4.0),  # the same, begun at its notch
        ([[0, 4], [0, 0], [4, 0], [1, 1]], 4.0),  # the same, begun at a tip: the diagonal 0–2 is the one outside
        ([[0, 0], [4, 0], [4, 4], [2, 1], [0, 4]], 10.0),  # an M
        ([[0, 0], [3, 0], [3, 1], [1, 1], [1, 3], [0, 3]], 5.0),  # an L
    ],
)
def test_a_hollow_polygon_is_not_bridged(ring: list[list[float]], area: float) -> None:
    """The triangles' areas are all positive and sum to the polygon's (shoelace formula): no opening is covered."""
    points = np.column_stack([np.array(ring, dtype=np.float64), np.zeros(len(ring))])
    polygons = Polygons(np.array([len(ring)]), np.arange(len(ring), dtype=np.int32))
    areas = _area(points, triangulate(polygons, points)[0])
    assert len(areas) == len(ring) - 2
    assert (areas > 0).all()
    assert areas.sum() == pytest.approx(area, abs=1e-12)


@pytest.mark.parametrize(
    "ring",
    [
        [[np.cos(t), np.sin(t), 0.0] for t in 2 * np.pi * np.array([0, 2, 4, 1, 3]) / 5],
        [[0.0, 0, 0], [2, 2, 0], [2, 0, 0], [0, 2, 0]],
    ],
    ids=["star", "bow tie"],
)
def test_a_polygon_that_crosses_itself_is_said(tmp_path: Path, ring: list[list[float]]) -> None:
    """It has no inside that triangles could cover: its corners are kept, and a note says so."""
    mesh = read_mesh(mf.save(tmp_path, "c.ply", mf.ply_polygons(ring, [list(range(len(ring)))])))
    assert len(mesh.faces) == len(ring) - 2
    assert any("1 polygons cross themselves" in note for note in mesh.notes)


def test_a_large_polygon_is_cut_in_no_time_and_a_larger_one_refused(tmp_path: Path) -> None:
    """A comb of 2000 corners (area by the shoelace formula); 4001 corners are an error."""
    teeth = 500
    x = np.repeat(np.arange(2.0 * teeth), 2)
    comb = np.column_stack([x, np.where(np.arange(len(x)) % 4 < 2, 1.0, 5.0), np.zeros(len(x))])
    ring = np.concatenate([[[x[-1], 0.0, 0.0], [0.0, 0.0, 0.0]][::-1], comb[::-1]])[::-1]
    mesh = read_mesh(mf.save(tmp_path, "c.ply", mf.ply_text(ring, [list(range(len(ring)))])))
    x, y = ring[:, 0], ring[:, 1]
    shoelace = 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    assert float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0) == pytest.approx(abs(shoelace), rel=1e-12)
    many = np.column_stack([np.arange(4001.0), np.arange(4001.0) ** 2, np.zeros(4001)])
    with pytest.raises(MeshError, match="4001 corners"):
        read_mesh(mf.save(tmp_path, "m.ply", mf.ply_text(many, [list(range(4001))])))


# --- GLB --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("node", "expected"),
    [
        ({"translation": [10, 20, 30]}, V + np.array([10, 20, 30])),
        ({"scale": [2, 2, 2]}, V * 2),
        ({"scale": [1, -1, 1]}, V * [1, -1, 1]),
        ({"rotation": [0, 0, 2**-0.5, 2**-0.5]}, V[:, [1, 0, 2]] * [-1, 1, 1]),  # a quarter turn about z
        ({"matrix": [0, 1, 0, 0, -1, 0, 0, 0, 0, 0, 1, 0, 5, 6, 7, 1]}, V[:, [1, 0, 2]] * [-1, 1, 1] + [5, 6, 7]),
    ],
)
def test_node_transforms_are_applied_and_a_mirror_turns_the_winding(
    tmp_path: Path, node: dict[str, Any], expected: NDArray[np.float64]
) -> None:
    """Closed forms of the transforms; the volume stays positive (silent error 5: reflected winding)."""
    mesh = read_mesh(mf.save(tmp_path, "n.glb", mf.glb_bytes(*mf.glb_tree(V, F, node))))
    assert np.allclose(mesh.vertices, expected, atol=1e-9)
    assert signed_volume(mesh) > 0


def _glb(change: Callable[[dict[str, Any]], Any]) -> bytes:
    tree, data = mf.glb_tree(V, F, {})
    change(tree)
    return mf.glb_bytes(tree, data)


# --- broken files -----------------------------------------------------------------------------------------------------

NAN = V.copy()
NAN[5, 1] = np.nan
INF = V.copy()
INF[2, 0], INF[3, 0] = np.inf, -np.inf
WHOLE = mf.ply_bytes(V, F)
GLB = GOOD["glb"][1]
OUTSIDE = F.copy()
OUTSIDE[4, 2] = 8
LINE = np.column_stack([np.arange(8.0), np.zeros(8), np.zeros(8)])

NOT_NUMBERS = "{} of 8 vertices are not numbers (NaN or infinite), the first is vertex {} (counting from 0)"

BROKEN: dict[str, tuple[str, bytes, str]] = {
    "empty ply": ("x.ply", b"", "empty"),
    "empty stl": ("x.stl", b"", "empty"),
    "empty obj": ("x.obj", b"", "empty"),
    "empty glb": ("x.glb", b"", "empty"),
    "unknown kind": ("x.step", b"ISO", "not a mesh file"),
    "not a ply": ("x.ply", b"solid nothing", "does not begin with 'ply'"),
    "header cut": ("x.ply", WHOLE[:60], "no end"),
    "header line": ("x.ply", WHOLE.replace(b"property float y", b"property floot y"), "line 6"),
    "header names x twice": ("x.ply", WHOLE.replace(b"float y", b"float x"), "no vertices with x, y and z"),
    "header names a thing twice": (
        "x.ply", WHOLE.replace(b"element face", b"property float x\nelement face"), "names something twice"),
    "ply signalling NaN": ("x.ply", WHOLE[:-252] + b"\xff\xff\xbf\x7f" + WHOLE[-248:], NOT_NUMBERS.format(1, 0)),
    "ply cut in faces": ("x.ply", WHOLE[:-7], "promises 8 × vertex, 12 × face: at least 252 bytes; 245 bytes follow"),
    "ply cut in vertices": ("x.ply", WHOLE[:-200], "promises"),
    "ply with more than promised": ("x.ply", WHOLE + b"\0" * 13, "13 bytes follow after"),
    "1 GB header": ("x.ply", mf.ply_header(90_000_000, 2) + b"\0" * 500, "at least 1080000026 bytes; 500 bytes follow"),
    "1 GB header in text": ("x.ply", mf.ply_header(500_000_000, 2, "ascii") + b"0 0 0\n", "at least 3000000015 bytes"),
    "negative count": ("x.ply", WHOLE.replace(b"face 12", b"face -1"), "cannot be read"),
    "ply points only": ("x.ply", mf.ply_header(8, 0) + V.astype("<f4").tobytes(), "a point cloud, not a mesh"),
    "ply without faces": (
        "x.ply",
        WHOLE[: WHOLE.index(b"element face")] + b"end_header\n" + V.astype("<f4").tobytes(),
        "a point cloud, not a mesh",
    ),
    "ply nothing": ("x.ply", mf.ply_header(0, 0), "0 vertices and 0 faces"),
    "ply NaN": ("x.ply", mf.ply_bytes(NAN, F), NOT_NUMBERS.format(1, 5)),
    "ply infinite": ("x.ply", mf.ply_bytes(INF, F), NOT_NUMBERS.format(2, 2)),
    "ply all zero": ("x.ply", mf.ply_bytes(V * 0, F), "all 8 vertices lie at 0, 0, 0"),
    "ply one place": ("x.ply", mf.ply_bytes(V * 0 + 3, F), "lie at one point"),
    "ply index too high": ("x.ply", mf.ply_bytes(V, OUTSIDE), "names vertex 8, but the vertices are 0 to 7"),
    "ply index negative": ("x.ply", mf.ply_bytes(V, np.where(OUTSIDE == 8, -1, OUTSIDE)), "names vertex -1"),
    "ply no area": ("x.ply", mf.ply_bytes(LINE, F), "none of its faces has an area"),
    "ply every face repeats a vertex": ("x.ply", mf.ply_bytes(V, F[:, [0, 0, 1]]), "none of its faces has an area"),
    "ply two corners": ("x.ply", mf.ply_polygons(V, [[0, 1, 2, 3], [0, 1]]), "face 1 (counting from 0) has 2 corners"),
    "ply polygon cut": ("x.ply", mf.ply_polygons(V, [[0, 1, 2], [0, 1, 2, 3, 4]])[:-2], "it ends in face 1 of 2"),
    "ply text word": ("x.ply", mf.ply_text(V, TRIANGLES).replace(b"4.5", b"four", 1), "is 'four'; a number"),
    "ply text cut": ("x.ply", mf.ply_text(V, TRIANGLES)[:-9], "ends after 11"),
    "ply text NaN": ("x.ply", mf.ply_text(NAN, TRIANGLES), "the first is vertex 5"),
    "ply text fraction": ("x.ply", mf.ply_text(V, TRIANGLES)[:-2] + b".5\n", "not a whole number"),
    "stl count too high": ("x.stl", mf.stl_bytes(V, F, count=13), "promises 13 triangles, which take 734 bytes (84 + "
                           "50 each); the file has 684 bytes, room for 12"),
    "stl count too low": ("x.stl", mf.stl_bytes(V, F, count=2), "promises 2 triangles"),
    "stl count of gigabytes": ("x.stl", mf.stl_bytes(V, F, count=2**32 - 1), "promises 4294967295 triangles"),
    "stl cut": ("x.stl", mf.stl_bytes(V, F)[:-10], "promises 12 triangles"),
    "stl stub": ("x.stl", b"\0" * 20, "too few"),
    "stl no triangles": ("x.stl", mf.stl_bytes(V, F[:0]), "0 vertices and 0 faces"),
    "stl NaN": ("x.stl", mf.stl_bytes(NAN, F), "are not numbers"),
    "stl all zero": ("x.stl", mf.stl_bytes(V * 0, F), "lie at 0, 0, 0"),
    "stl text cut": ("x.stl", mf.stl_text(V, F)[:-100], "'endsolid'"),
    "stl text short facet": ("x.stl", mf.stl_text(V, F).replace(b"      vertex 0.5 0.5 0.5\n", b"", 1), "'vertex'"),
    "stl text word": ("x.stl", mf.stl_text(V, F).replace(b"4.5", b"4,5", 1), "a number was expected"),
    "stl text nothing": ("x.stl", b"solid a\nendsolid a\n", "0 vertices and 0 faces"),
    "obj points only": ("x.obj", mf.obj_text(V, []), "8 points and no faces: a point cloud, not a mesh"),
    "obj NaN": ("x.obj", mf.obj_text(NAN, TRIANGLES), "are not numbers"),
    "obj all zero": ("x.obj", mf.obj_text(V * 0, TRIANGLES), "lie at 0, 0, 0"),
    "obj index": ("x.obj", mf.obj_text(V, [[0, 1, 9]]), "names vertex 9, but the vertices are 0 to 7"),
    "obj index zero": ("x.obj", mf.obj_text(V, [[0, 1, -1]]), "line 14"),
    "obj cut line": ("x.obj", mf.obj_text(V, TRIANGLES)[:-8], "is not a face of three or more vertices"),
    "obj vertex cut": ("x.obj", b"v 1 2\nv 1 2\nv 1 3\nf 1 2 3\n", "fewer than three coordinates"),
    "obj binary": ("x.obj", mf.stl_bytes(V, F), "not a text"),
    "obj only words": ("x.obj", b"hello\nthere\n", "begins with 'hello'"),
    "glb other": ("x.glb", b"x" * 200, "does not begin with 'glTF'"),
    "glb cut": ("x.glb", GLB[:-30], f"promises {len(GLB)} bytes"),
    "glb stub": ("x.glb", GLB[:10], "does not begin"),
    "glb length lies": ("x.glb", GLB[:8] + struct.pack("<I", 2**31) + GLB[12:], "promises 2147483648 bytes"),
    "glb version": ("x.glb", GLB[:4] + struct.pack("<I", 1) + GLB[8:], "version 1"),
    "glb no JSON": ("x.glb", GLB.replace(b'{"asset"', b"##asset#"), "is not JSON"),
    "glb compressed": (
        "x.glb",
        _glb(lambda t: t.update(extensionsRequired=["KHR_draco_mesh_compression"])),
        "compressed (KHR_draco_mesh_compression)",
    ),
    "glb whole numbers": ("x.glb", _glb(lambda t: t["accessors"][0].update(componentType=5125)), "three floats"),
    "glb unknown need": ("x.glb", _glb(lambda t: t.update(extensionsRequired=["X_odd"])), "requires X_odd"),
    "glb promises gigabytes": ("x.glb", _glb(lambda t: t["accessors"][0].update(count=10**9)), "promises 1000000000"),
    "glb empty table": ("x.glb", _glb(lambda t: t["accessors"][0].pop("bufferView")), "has no data of its own"),
    "glb outside": ("x.glb", _glb(lambda t: t["buffers"][0].update(uri="a.bin")), "outside of itself"),
    "glb points": ("x.glb", _glb(lambda t: t["meshes"][0]["primitives"][0].update(mode=0)), "a point cloud"),
    "glb mode": ("x.glb", _glb(lambda t: t["meshes"][0]["primitives"][0].update(mode=7)), "do not hold together"),
    "glb no scene": ("x.glb", _glb(lambda t: t.pop("scenes")), "has no scene"),
    "glb empty scene": ("x.glb", _glb(lambda t: t["scenes"][0].update(nodes=[])), "shows no mesh"),
    "glb ring of nodes": ("x.glb", _glb(lambda t: t["nodes"][0].update(children=[0])), "do not hold together"),
    "glb NaN": ("x.glb", mf.glb_bytes(*mf.glb_tree(NAN, F, {})), "are not numbers"),
    "glb index": ("x.glb", mf.glb_bytes(*mf.glb_tree(V, OUTSIDE, {})), "names vertex 8"),
    "glb all zero": ("x.glb", mf.glb_bytes(*mf.glb_tree(V * 0, F, {})), "lie at 0, 0, 0"),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_file_is_a_clear_error(
    tmp_path: Path, case: str, capfd: pytest.CaptureFixture[str], recwarn: pytest.WarningsRecorder
) -> None:
    """The message names the file and what is wrong, says what to do, and nothing else is printed."""
    name, data, wrong = BROKEN[case]
    path = mf.save(tmp_path, name, data)
    with pytest.raises(MeshError) as caught:
        read_mesh(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert wrong in message
    assert message.count(". ") >= 1, "says what to do"
    assert message.endswith(".")
    assert capfd.readouterr() == ("", "")
    assert not recwarn.list


def test_no_broken_file_ends_the_process_or_takes_gigabytes(tmp_path: Path) -> None:
    """All of them in one fresh process with 2 GB of address space above what it starts with: it lives to the end."""
    for number, (name, data, _) in enumerate(BROKEN.values()):
        folder = tmp_path / str(number)
        folder.mkdir()
        mf.save(folder, name, data)
    code = textwrap.dedent("""
        import pathlib, sys
        import trimesh
        from fitcheck.errors import MeshError
        from fitcheck.geometry.meshes import read_mesh
        if sys.platform.startswith("linux"):
            import resource
            pages = int(pathlib.Path("/proc/self/statm").read_text().split()[0])
            limit = pages * resource.getpagesize() + (2 << 30)
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
        for path in sorted(pathlib.Path(sys.argv[1]).glob("*/x.*")):
            try:
                read_mesh(path)
            except MeshError as error:
                assert "memory" not in str(error), error
            else:
                sys.exit(f"{path} was read")
        print("lived")
    """)
    run = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout, run.stderr) == (0, "lived\n", "")


def test_what_is_no_file_is_said(tmp_path: Path) -> None:
    """A missing file, a folder and an impossible name are file problems, each with what to do."""
    with pytest.raises(FileProblem, match="there is no such file"):
        read_mesh(tmp_path / "gone.ply")
    (tmp_path / "folder.ply").mkdir()
    with pytest.raises(FileProblem, match="is a folder"):
        read_mesh(tmp_path / "folder.ply")
    with pytest.raises(FileProblem, match="cannot be read"):
        read_mesh(tmp_path / "nul\0.ply")


def test_faces_that_name_a_vertex_twice_are_left_out_and_counted(tmp_path: Path) -> None:
    """They have no area; every other face stays, slivers among them."""
    sliver = np.vstack([V, [[0.5, 0.5, 0.5 + 1e-9]]])
    faces = np.vstack([F, [[1, 1, 2], [3, 4, 3], [0, 8, 1]]])
    mesh = read_mesh(mf.save(tmp_path, "d.ply", mf.ply_bytes(sliver, faces, number="double")))
    assert np.array_equal(mesh.faces, np.vstack([F, [[0, 8, 1]]]))
    assert mesh.notes == ("2 faces that name a vertex twice were left out",)


def test_obj_counts_backwards_from_the_vertices_read_so_far(tmp_path: Path) -> None:
    """Relative indices in the middle of a file, a continued line, lines and comments beside the faces."""
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1 # first\nv 5 5 5\nv 6 5 5\nv 5 6 5 1.0\nl 1 2\nf -3 \\\n-2 -1\n"
    mesh = read_mesh(mf.save(tmp_path, "r.obj", text))
    assert mesh.faces.tolist() == [[0, 1, 2], [3, 4, 5]]
    assert mesh.notes == ("lines in the file were left out",)


def test_weld_numbers_positions() -> None:
    """Equal positions share a number, 0.0 and −0.0 are equal, a hair's difference is another; of none: none."""
    numbers = weld(np.array([[0.0, 1, 2], [3, 4, 5], [-0.0, 1, 2], [0, 1, 2 + 1e-15], [3, 4, 5]]))
    assert numbers[0] == numbers[2] != numbers[1]
    assert numbers[1] == numbers[4]
    assert len(set(numbers.tolist())) == 2 + (2 + 1e-15 != 2)
    assert len(weld(np.empty((0, 3)))) == 0


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(case=st.sampled_from(sorted(GOOD)), data=st.data())
def test_a_file_with_a_damaged_byte_is_a_mesh_or_a_clear_error(tmp_path: Path, case: str, data: st.DataObject) -> None:
    """Any one byte changed, or the end cut anywhere: a checked mesh or an InputError, never another exception."""
    name, content = GOOD[case]
    at = data.draw(st.integers(0, len(content) - 1))
    if data.draw(st.booleans()):
        content = content[:at]
    else:
        content = content[:at] + bytes([data.draw(st.integers(0, 255))]) + content[at + 1 :]
    path = mf.save(tmp_path, name, content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            mesh = read_mesh(path)
        except InputError:
            return
    assert np.isfinite(mesh.vertices).all()
    assert len(mesh.faces) >= 1
    assert 0 <= mesh.faces.min() <= mesh.faces.max() < len(mesh.vertices)
