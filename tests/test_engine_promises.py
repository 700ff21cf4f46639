"""Promises of the distance engine, each a numbered test: accuracy, contact, refusal, sameness, witnesses, memory."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import numpy as np
import oracle
import pytest
import shapes
import triangle_pairs
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest, touching, triangle_pair_distances
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface

Floats = NDArray[np.float64]

PAIRS_A_KIND = 2000
BOUND_MM = 1e-9
"""Rounding of coordinates up to 1e4 is 2e-12; what is left is the solver's own."""
BOUND_OF_KIND_MM = {"needle": 2e-8, "needle_to_face": 2e-8, "near_parallel_edges": 1e-5}
"""Wider where the narrow phase itself is: it finds the point on an edge from 1 − cos²,
which loses digits on needles (7e-9 seen) and on edges parallel to 1e-9 rad (6e-7 seen)."""


# ------------------------------------------------------------------ 1: single triangle pairs


@pytest.mark.parametrize("offset_mm", [0.0, 1e4])
@pytest.mark.parametrize("kind", triangle_pairs.CATEGORIES)
def test_engine_1_triangle_oracle(kind: str, offset_mm: float) -> None:
    """The engine agrees with the oracle on every kind of pair, and misses no contact."""
    rng = np.random.default_rng([1, int(offset_mm)])
    made = triangle_pairs.CATEGORIES[kind](rng, PAIRS_A_KIND // 2)
    first, second = triangle_pairs.turned(made, rng, offset_mm)
    _agrees_with_oracle(kind, first, second)


@pytest.mark.parametrize("kind", triangle_pairs.CATEGORIES)
def test_engine_1_triangle_oracle_where_planes_and_edges_are_exactly_parallel(kind: str) -> None:
    """Not turned: coplanar means to the last bit, where special positions mislead a solver most."""
    _agrees_with_oracle(kind, *triangle_pairs.CATEGORIES[kind](np.random.default_rng(2), PAIRS_A_KIND // 2))


def _agrees_with_oracle(kind: str, first: Floats, second: Floats) -> None:
    found = triangle_pair_distances(first, second)
    truth = oracle.triangle_distances(first, second)
    assert np.abs(found - truth).max() <= BOUND_OF_KIND_MM.get(kind, BOUND_MM)
    assert (found[truth <= 1e-9] <= 1e-6).all()


def test_engine_1_covers_what_was_promised() -> None:
    """At least 15 kinds and 2000 pairs of each."""
    assert len(triangle_pairs.CATEGORIES) >= 15
    assert PAIRS_A_KIND >= 2000


MESH_PAIRS = 304
PART_KINDS = ("box", "cylinder", "needle_cylinder", "sphere", "torus")
SHEET_KINDS = ("noisy_sheet", "flat_sheet", "dirty")


@pytest.mark.parametrize("batch", range(8))
def test_engine_1_mesh_pairs_against_brute_force(batch: int) -> None:
    """304 pairs of parts and sheets, near, touching and overlapping: within 1e-6 mm, no missed contact."""
    rng = np.random.default_rng([3, batch])
    for _ in range(MESH_PAIRS // 8):
        sheet = shapes.ZOO[str(rng.choice(SHEET_KINDS))](rng)
        part = shapes.moved(shapes.ZOO[str(rng.choice(PART_KINDS))](rng), rng, float(rng.choice([50.0, 200.0, 2000.0])))
        assert_same_as_brute_force(sheet, part)


def assert_same_as_brute_force(first: shapes.Mesh, second: shapes.Mesh) -> None:
    found = closest(tile_surface(*first), Solid(*second)).distance_mm
    truth = oracle.mesh_distance(first, second)
    assert abs(found - truth) <= 1e-6
    assert touching(found) or truth > 1e-9


def test_engine_1_axis_parallel_triangles_beside_boxes() -> None:
    """Edges exactly parallel, as on a clean file: python-fcl alone is millimetres too large for one of these 800."""
    rng = np.random.default_rng(5)
    for _ in range(800):
        corners = np.zeros((3, 3))
        corners[1, rng.integers(3)] = rng.uniform(5, 300)
        corners[2] = rng.normal(size=3) * 60
        lone = corners + rng.normal(size=3) * 100, np.array([[0, 1, 2]], dtype=np.int32)
        half = rng.uniform(5, 60, size=3)
        assert_same_as_brute_force(lone, shapes.box_mesh(-half, half))


# ------------------------------------------------------------------ 2, 3: contact


def test_engine_2_coplanar_contained_is_zero() -> None:
    """One triangle inside another in one plane, every order of corners, and as two sheets.

    6000 questions, of which python-fcl alone gets 36 wrong (6 in 1000); scripts/campaign_distance.py asks more.
    """
    first, second = triangle_pairs.coplanar_contained(np.random.default_rng(5), 1000)
    for roll in range(3):
        assert triangle_pair_distances(first, np.roll(second, roll, axis=1)).max() <= 1e-9
        assert triangle_pair_distances(second, np.roll(first, roll, axis=1)).max() <= 1e-9
    for a, b in zip(first[:200], second[:200], strict=True):
        face = np.array([[0, 1, 2]], dtype=np.int32)
        assert touching(closest(tile_surface(a, face), Solid(b, face)).distance_mm)


@pytest.mark.parametrize(
    ("gap_mm", "contact"), [(0.0, True), (1e-9, True), (0.9e-6, True), (1e-3, False), (1e-2, False)]
)
def test_engine_3_gaps_on_turned_planes(gap_mm: float, contact: bool) -> None:
    """A box resting on, or just over, a sheet that is turned at random: the gap, and the verdict of it."""
    rng = np.random.default_rng(6)
    for _ in range(30):
        sheet = shapes.ZOO["flat_sheet"](rng)
        size = rng.uniform(2, 60, size=3)
        box = shapes.box_mesh((-size[0], -size[1], gap_mm), (size[0], size[1], gap_mm + size[2]))
        turn = triangle_pairs.rotations(rng, 1)[0]
        shift = rng.uniform(-1000, 1000, size=3)
        found = closest(
            tile_surface(sheet[0] @ turn.T + shift, sheet[1]), Solid(box[0] @ turn.T + shift, box[1])
        ).distance_mm
        assert found == pytest.approx(gap_mm, abs=2e-12 * 100)
        assert touching(found) is contact


def test_engine_3_a_gap_of_exactly_the_tolerance_is_contact() -> None:
    """1e-6 counts as contact where it can be written exactly: corner at z = 1e-6 over z = 0."""
    sheet = tile_surface(np.array([[-9.0, -9, 0], [9, -9, 0], [0, 9, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    assert touching(closest(sheet, solids.box((-1, -1, 1e-6), (1, 1, 5))).distance_mm)


# ------------------------------------------------------------------ 4: refusals and slivers


def rotation(changed: tuple[int, int], value: float) -> Floats:
    matrix = np.eye(3)
    matrix[changed] = value
    return matrix


@pytest.mark.parametrize(
    "pose",
    [rotation((0, 0), 1 + 1e-8), rotation((0, 1), 1e-8), rotation((2, 2), -1.0), rotation((1, 1), float("nan")),
     2 * np.eye(3), np.zeros((3, 3)), np.eye(2)],
    ids=["stretched", "sheared", "mirrored", "not a number", "doubled", "nothing", "two by two"],
)  # fmt: skip
def test_engine_4_a_pose_must_be_a_rotation(pose: Floats) -> None:
    with pytest.raises(InternalError):
        solids.box((0, 0, 0), (1, 1, 1)).moved(pose, (0, 0, 0))


def test_engine_4_a_pose_within_rounding_is_accepted() -> None:
    turn = triangle_pairs.rotations(np.random.default_rng(7), 1)[0]
    moved = solids.box((0, 0, 0), (1, 1, 1)).moved(turn, (1, 2, 3))
    assert np.allclose(moved.vertices[0], [1, 2, 3])


BAD_MESHES = {
    "no faces": "Solid(corners, np.empty((0, 3), np.int32))",
    "no corners": "Solid(np.empty((0, 3)), np.empty((0, 3), np.int32))",
    "all NaN": "Solid(np.full((3, 3), np.nan), face)",
    "one NaN": "Solid(np.array([[0, 0, 0], [1, 0, 0], [0, np.nan, 0.0]]), face)",
    "infinite": "Solid(np.array([[0, 0, 0], [1, 0, 0], [0, np.inf, 0.0]]), face)",
    "index too large": "Solid(corners, np.array([[0, 1, 3]], np.int32))",
    "index far too large": "Solid(corners, np.array([[0, 1, 2**30]], np.int32))",
    "negative index": "Solid(corners, np.array([[0, 1, -1]], np.int32))",
    "surface, index too large": "TiledSurface(corners, np.array([[0, 1, 3]], np.int32), starts, boxes)",
    "surface, negative index": "TiledSurface(corners, np.array([[0, 1, -1]], np.int32), starts, boxes)",
    "surface, NaN": "TiledSurface(np.full((3, 3), np.nan), face, starts, boxes)",
    "surface, empty": "tile_surface(np.empty((0, 3)), np.empty((0, 3), np.int32))",
}


def test_engine_4_bad_meshes_are_refused_without_a_crash() -> None:
    """In a process of its own: each is refused on either side, none ends the process or yields a number."""
    script = textwrap.dedent(
        """
        import numpy as np
        from fitcheck.errors import FitcheckError
        from fitcheck.geometry.distance import closest
        from fitcheck.geometry.solids import Solid
        from fitcheck.geometry.surface import TiledSurface, tile_surface

        corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]])
        face = np.array([[0, 1, 2]], np.int32)
        starts, boxes = np.array([0, 1]), np.array([[[0, 0, 0], [1, 1, 0.0]]])
        good = Solid(corners + 5.0, face)

        def refused(first, second):
            try:
                return f"gave {closest(first, second).distance_mm}"
            except FitcheckError:
                return "refused"
        """
    )
    script += "\n".join(
        f"bad = {expression}\nprint({name!r}, refused(bad, good), refused(good, bad), sep='|')"
        for name, expression in BAD_MESHES.items()
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [f"{name}|refused|refused" for name in BAD_MESHES]


@pytest.mark.parametrize("altitude_mm", [0.0, 1e-15, 1e-12, 1e-11, 1e-9, 1e-7, 1e-6])
def test_engine_4_slivers_are_measured(altitude_mm: float) -> None:
    """A fan of slivers is the only thing near the part: it must not be dropped nor misread."""
    rng = np.random.default_rng(8)
    for _ in range(25):
        far, faces = shapes.ZOO["noisy_sheet"](rng)
        start = np.array([-40.0, 0, 30]) + rng.normal(size=3)
        along = np.array([80.0, 5, 0])
        sliver = np.array([start, start + along, start + rng.uniform(0.1, 0.9) * along + [0, 0, altitude_mm]])
        mesh = np.concatenate([far, sliver]), np.concatenate([faces, [[len(far), len(far) + 1, len(far) + 2]]])
        part = shapes.box_mesh((-10, -10, 60), (10, 10, 80))
        turn = triangle_pairs.rotations(rng, 1)[0]
        assert_same_as_brute_force((mesh[0] @ turn.T, mesh[1].astype(np.int32)), (part[0] @ turn.T, part[1]))


# ------------------------------------------------------------------ 5, 6: sameness and witnesses


def scene(number: int) -> tuple[shapes.Mesh, shapes.Mesh]:
    """A larger noisy sheet (3200 faces) and a part beside it."""
    rng = np.random.default_rng([9, number])
    sheet = shapes.sheet_mesh(800.0, 40, 3.0, rng)
    return sheet, shapes.moved(shapes.ZOO[PART_KINDS[number % 5]](rng), rng, 250.0)


@pytest.mark.parametrize("number", range(15))
def test_engine_5_moved_together_tiled_otherwise_or_swapped_it_is_the_same_distance(number: int) -> None:
    """A shift of 1e4 rounds each coordinate by 1e-12; 1e-9 leaves room for a few hundred such roundings."""
    sheet, part = scene(number)
    truth = closest(tile_surface(*sheet), Solid(*part)).distance_mm
    for size in (64, 1024, len(sheet[1])):
        assert closest(tile_surface(*sheet, tile_size=size), Solid(*part)).distance_mm == pytest.approx(
            truth, abs=1e-12
        )
    assert closest(Solid(*part), tile_surface(*sheet)).distance_mm == pytest.approx(truth, abs=1e-11)
    turn = triangle_pairs.rotations(np.random.default_rng(number), 1)[0]
    shift = np.array([1e4, -1e4, 1e4])
    moved = closest(tile_surface(sheet[0] @ turn.T + shift, sheet[1]), Solid(*part).moved(turn, shift))
    assert abs(moved.distance_mm - truth) < 1e-9


def corners_of(shape: TiledSurface | Solid, row: int) -> Floats:
    return np.asarray(shape.vertices[shape.faces[row]])


@pytest.mark.parametrize("number", range(15))
@pytest.mark.parametrize("swap", [False, True])
def test_engine_6_witnesses_lie_on_the_named_triangles(number: int, swap: bool) -> None:
    """Both points on the triangles that are named, their distance is the distance, also in a swapped call."""
    sheet, part = scene(number)
    pair = (tile_surface(*sheet), Solid(*part))
    first, second = pair[::-1] if swap else pair
    found = closest(first, second)
    for side, shape in enumerate((first, second)):
        triangle = corners_of(shape, found.triangles[side])
        assert oracle.point_triangle_distances(found.points_mm[side], triangle)[0] < 1e-9
    assert np.linalg.norm(found.points_mm[0] - found.points_mm[1]) == pytest.approx(found.distance_mm, abs=1e-9)
    named = oracle.triangle_distances(
        *(corners_of(shape, row) for shape, row in zip((first, second), found.triangles, strict=True))
    )
    assert named[0] == pytest.approx(found.distance_mm, abs=1e-9)


def test_engine_6_witness_of_a_grown_solid_lies_on_its_ball() -> None:
    """A capsule of radius 7 above a sheet: its witness is 7 from the axis, the gap is height less 7."""
    rng = np.random.default_rng(10)
    for _ in range(20):
        start, end = rng.uniform(-50, 50, size=(2, 3)) + [0, 0, 90]
        found = closest(tile_surface(*shapes.ZOO["flat_sheet"](rng)), solids.capsule(start, end, 7.0))
        on_sheet, on_ball = found.points_mm
        axis_gap = np.linalg.norm(on_ball - oracle.segment_feet(on_ball, start, end))
        assert axis_gap == pytest.approx(7.0, abs=1e-9)
        assert np.linalg.norm(on_ball - on_sheet) == pytest.approx(found.distance_mm, abs=1e-9)


# ------------------------------------------------------------------ 10: round solids


CYLINDERS = [(0.3, 5.0, 0.01), (38.0, 200.0, 0.05), (38.0, 200.0, 0.01), (340.0, 215.0, 0.05), (1000.0, 40.0, 0.01)]


@pytest.mark.parametrize(("radius_mm", "length_mm", "chord_mm"), CYLINDERS)
def test_engine_10_tessellated_cylinder_encloses_the_true_one_and_exceeds_it_by_the_chord_at_most(
    radius_mm: float, length_mm: float, chord_mm: float
) -> None:
    """Every true rim point is within every side plane; every corner is within the chord error (convex: enough)
    and in an end plane."""
    rng = np.random.default_rng(11)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    start = rng.uniform(-1000, 1000, size=3)
    made = solids.cylinder(start, start + length_mm * axis, radius_mm, chord_mm)
    across = np.linalg.svd(axis[None])[2][1:]
    turn = np.linspace(0, 2 * np.pi, 1501)
    ring = radius_mm * (np.outer(np.cos(turn), across[0]) + np.outer(np.sin(turn), across[1]))
    truth = np.concatenate([start + ring, start + length_mm * axis + ring])
    assert outside_of_sides(truth, made, axis) <= 1e-9
    away = made.vertices - start
    along = away @ axis
    beyond = np.linalg.norm(away - np.outer(along, axis), axis=1) - radius_mm
    assert beyond.max() <= made.chord_error_mm + 1e-9
    assert made.chord_error_mm <= chord_mm + 1e-12
    assert np.abs(np.minimum(np.abs(along), np.abs(along - length_mm))).max() <= 1e-9


def outside_of_sides(points: Floats, made: Solid, axis: Floats) -> float:
    """How far any point stands outside the plane of any face that runs from end to end."""
    corners = made.vertices[made.faces]
    from_end_to_end = np.ptp(corners @ axis, axis=1) > 1e-3
    assert np.count_nonzero(from_end_to_end) == len(made.vertices)
    a, b, c = np.moveaxis(corners[from_end_to_end], 1, 0)
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return float(((points[:, None] - a) * normal).sum(axis=2).max())


def test_engine_10_a_tessellated_cylinder_is_closed_and_faces_outward() -> None:
    made = solids.cylinder((0, 0, 0), (0, 100, 0), 40)
    inside, outside = np.array([[0, 50, 0], [39.9, 99, 0]]), np.array([[0, 101, 0], [40.1, 50, 0]])
    assert np.allclose(oracle.winding_numbers(inside, made.vertices, made.faces), 1.0)
    assert np.allclose(oracle.winding_numbers(outside, made.vertices, made.faces), 0.0)


def test_engine_10_spheres_and_capsules_are_exact() -> None:
    """Their core is a point or a segment and their ball is a number: no chord at all (closed form)."""
    rng = np.random.default_rng(12)
    for _ in range(200):
        start, end, point = rng.uniform(-100, 100, size=(3, 3))
        lone = tile_surface(np.tile(point, (3, 1)), np.array([[0, 1, 2]], dtype=np.int32))
        to_axis = np.linalg.norm(point - oracle.segment_feet(point, start, end))
        assert closest(lone, solids.capsule(start, end, 20)).distance_mm == pytest.approx(
            max(to_axis - 20, 0), abs=1e-9
        )
        to_centre = np.linalg.norm(point - start)
        assert closest(solids.sphere(start, 30), lone).distance_mm == pytest.approx(max(to_centre - 30, 0), abs=1e-9)


# ------------------------------------------------------------------ 11: memory

MEMORY_SCRIPT = """
import sys
import numpy as np
from fitcheck.geometry import solids
from fitcheck.geometry.distance import closest
from fitcheck.geometry.separation import Hulls, separate
from fitcheck.geometry.surface import tile_surface

def peak_bytes():
    if sys.platform == "win32":
        import ctypes
        from ctypes import wintypes
        names = ("faults", "peak", "now", "qpp", "qp", "qpnp", "qnp", "page", "peak_page")
        class Counters(ctypes.Structure):
            _fields_ = [(n, wintypes.DWORD) for n in ("size", names[0])] + [(n, ctypes.c_size_t) for n in names[1:]]
        found = Counters()
        found.size = ctypes.sizeof(found)
        kernel = ctypes.windll.kernel32
        kernel.GetCurrentProcess.restype = wintypes.HANDLE
        kernel.K32GetProcessMemoryInfo.argtypes = [wintypes.HANDLE, ctypes.c_void_p, wintypes.DWORD]
        assert kernel.K32GetProcessMemoryInfo(kernel.GetCurrentProcess(), ctypes.byref(found), found.size)
        return found.peak
    import resource
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)

obstacle = solids.box((100, -50, -50), (200, 50, 50))
scan = tile_surface(obstacle.vertices, obstacle.faces)
part = solids.box((-20, -20, -20), (20, 20, 20))
atoms = np.repeat(obstacle.vertices[None], 1000, axis=0)

def turns(steps):
    turn = 0.01 * np.arange(steps)
    c, s, nil, one = np.cos(turn), np.sin(turn), np.zeros(steps), np.ones(steps)
    return np.array([[c, -s, nil], [s, c, nil], [nil, nil, one]]).transpose(2, 0, 1)

def turn_for(searched, measured):
    for first in range(0, searched, 1000):
        points = np.einsum("nij,kj->nki", turns(1000), part.vertices)
        hulls = Hulls(points, None, 0.0, 0.0, np.zeros(1000))
        separate(hulls, np.arange(1000), atoms, np.full(1000, np.inf))
    for turn in turns(measured):
        closest(scan, part.moved(turn, np.zeros(3)))

turn_for(5_000, 500)
before = peak_bytes()
turn_for(100_000, 5_000)
print(peak_bytes() - before)
"""


def test_engine_11_a_hundred_thousand_poses_do_not_grow_the_memory() -> None:
    """At most 5 MB more at the peak, in a process of its own: 100,000 poses searched, 5,000 measured: 1 kB a pose."""
    done = subprocess.run(
        [sys.executable, "-c", MEMORY_SCRIPT], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    assert 0 <= int(done.stdout) <= 5_000_000
