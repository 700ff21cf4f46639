"""Generates a scan, ten parts and a shaft: the same bytes every time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LAYOUT = "layout.yaml"
SCAN = "scan.ply"
SEED = 20260101
X_SPAN = (-500.0, 3400.0)
FLOOR_Z = 640.0
SHAFT_FROM, SHAFT_TO, SHAFT_DIAMETER = (1330.0, 0.0, 480.0), (2390.0, 60.0, 404.0), 63.5
AXLE_CENTRE = (2620.0, 0.0, 384.0)
BUMP, DROOP = 80.0, 90.0

_RAIL = np.array([(430.0, 520.0), (430.0, 638.0), (370.0, 638.0), (370.0, 520.0), (430.0, 520.0)])
"""The outline of the right rail in (y, z), outside faces only."""

_PLY_FACE = np.dtype([("n", "u1"), ("corners", "<i4", (3,))])


@dataclass(frozen=True)
class Made:
    """How many triangles the scan has, and the names of the parts."""

    triangles: int
    parts: tuple[str, ...]


def write(place: Path, triangles: int) -> Made:
    """Write scan, part meshes and layout into a folder (made if need be)."""
    place.mkdir(parents=True, exist_ok=True)
    vertices, faces = scan(triangles)
    write_ply(place / SCAN, vertices, faces)
    for name, (centre, size) in MESHES.items():
        write_stl(place / f"{name}.stl", *lump(np.asarray(centre), np.asarray(size)))
    (place / LAYOUT).write_text(layout(), encoding="utf-8")
    return Made(len(faces), (*BOXES, *MESHES))


BOXES: dict[str, tuple[tuple[float, float], ...]] = {
    "A1": ((1340.0, 2156.0), (-340.0, -105.0), (440.0, 598.0)),
    "A2": ((1340.0, 2036.0), (105.0, 340.0), (441.0, 597.0)),
    "A3": ((1340.0, 2156.0), (-710.0, -475.0), (452.0, 600.0)),
    "A4": ((1220.0, 2156.0), (475.0, 710.0), (443.0, 599.0)),
    "B2": ((2890.0, 3310.0), (-233.0, 233.0), (330.0, 590.0)),
    "inverter": ((470.0, 780.0), (60.0, 340.0), (470.0, 580.0)),
}
MESHES: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "pump": ((150.0, -200.0, 540.0), (120.0, 90.0, 60.0)),
    "motor": ((1010.0, 0.0, 430.0), (200.0, 170.0, 120.0)),
    "tank": ((2450.0, 600.0, 500.0), (180.0, 110.0, 80.0)),
    "charger": ((600.0, -180.0, 545.0), (200.0, 130.0, 60.0)),
}


def scan(triangles: int) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Two rails and a floor as wavy, noisy sheets of about so many triangles."""
    length = X_SPAN[1] - X_SPAN[0]
    outlines = [_RAIL, (_RAIL * (-1.0, 1.0))[::-1], np.array([(-850.0, FLOOR_Z), (850.0, FLOOR_Z)])]
    area = sum(length * _lengths(outline)[-1] for outline in outlines)
    step = float(np.sqrt(2.0 * area / triangles))
    rng = np.random.default_rng(SEED)
    vertices, faces, count = [], [], 0
    for outline in outlines:
        points, corners = _sheet(outline, step, rng)
        vertices.append(points)
        faces.append(corners + np.int32(count))
        count += len(points)
    return np.concatenate(vertices), np.concatenate(faces)


def _sheet(outline: Floats, step: float, rng: np.random.Generator) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """An outline in (y, z) drawn along x, with waves of 3 mm and noise of 0.4 mm."""
    along = _lengths(outline)
    rows, columns = round((X_SPAN[1] - X_SPAN[0]) / step) + 1, round(along[-1] / step) + 1
    x = np.linspace(*X_SPAN, rows)[:, None]
    s = np.linspace(0.0, along[-1], columns)[None, :]
    wave = 3.0 * np.sin(x / 90.0) * np.cos(s / 70.0)
    points = np.empty((rows, columns, 3))
    points[..., 0] = x
    points[..., 1] = np.interp(s, along, outline[:, 0])
    points[..., 2] = np.interp(s, along, outline[:, 1])
    points[..., 1:] += wave[..., None] + rng.normal(0.0, 0.4, (rows, columns, 2))
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).reshape(-1).astype(np.int32)
    first = np.stack([corner, corner + 1, corner + columns], axis=1)
    second = np.stack([corner + 1, corner + columns + 1, corner + columns], axis=1)
    return points.reshape(-1, 3).astype(np.float32), np.concatenate([first, second])


def _lengths(outline: Floats) -> Floats:
    """Distance along an outline at each of its corners."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(outline, axis=0), axis=1))])


def lump(centre: Floats, size: Floats) -> tuple[Floats, NDArray[np.int32]]:
    """A closed, bumpy ellipsoid of 4,600 triangles, so that parts are not only boxes."""
    rings, sides = 48, 49
    polar = np.pi * np.arange(1, rings) / rings
    turn = 2.0 * np.pi * np.arange(sides) / sides
    radius = 1.0 + 0.04 * np.sin(5.0 * polar)[:, None] * np.cos(6.0 * turn)
    across = np.sin(polar)[:, None]
    unit = np.stack(np.broadcast_arrays(across * np.cos(turn), across * np.sin(turn), np.cos(polar)[:, None]), axis=-1)
    body = (radius[..., None] * unit).reshape(-1, 3)
    points = np.concatenate([body, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]]) * size + centre
    i = np.arange(sides, dtype=np.int32)
    j = (i + 1) % sides
    bands = [_band(r + i, r + j, sides) for r in range(0, (rings - 2) * sides, sides)]
    last = (rings - 2) * sides
    top = np.stack([np.full_like(i, len(body)), i, j], axis=1)
    bottom = np.stack([np.full_like(i, len(body) + 1), last + j, last + i], axis=1)
    return points, np.concatenate([*bands, top, bottom]).astype(np.int32)


def _band(near: NDArray[np.int32], far: NDArray[np.int32], sides: int) -> NDArray[np.int32]:
    """The triangles between one ring of corners and the next."""
    return np.concatenate(
        [np.stack([near, near + sides, far], axis=1), np.stack([far, near + sides, far + sides], axis=1)]
    )


def write_ply(path: Path, vertices: NDArray[np.float32], faces: NDArray[np.int32]) -> None:
    """Binary little-endian PLY with float32 vertices, mm."""
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=_PLY_FACE)
    rows["n"] = 3
    rows["corners"] = faces
    with path.open("wb") as file:
        file.write(header.encode("ascii"))
        vertices.astype("<f4").tofile(file)
        rows.tofile(file)


def write_stl(path: Path, vertices: Floats, faces: NDArray[np.int32]) -> None:
    """Binary STL, mm; normals are left to the reader."""
    rows = np.zeros(len(faces), dtype=[("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    rows["corners"] = vertices[faces]
    with path.open("wb") as file:
        file.write(b"fitcheck bench".ljust(80))
        file.write(np.uint32(len(faces)).tobytes())
        rows.tofile(file)


def layout() -> str:
    """The layout file; the scan is already in the vehicle frame, so that peers see the same numbers."""
    lines = [
        "format: 1",
        "title: bench",
        f"scan: {{file: {SCAN}, units: mm, align: as_scanned}}",
        "mechanisms:",
        "  rear_axle:",
        f"    solid_axle: {{centre: {list(AXLE_CENTRE)}, bump: {BUMP}, droop: {DROOP}, stops: 400, lateral: 5,",
        "                 leaf: {half_length: 600, fixed_eye: front}, wind_up: {drive: 6, brake: 4}}",
        "parts:",
        "  rear_shaft:",
        "    class: shaft",
        f"    shaft: {{from: {list(SHAFT_FROM)}, to: {{on: rear_axle, at: {list(SHAFT_TO)}}}, "
        f"diameter: {SHAFT_DIAMETER}, wall: 2.5}}",
    ]
    for name, (x, y, z) in BOXES.items():
        lines += [f"  {name}:", "    class: hv_box", f"    box: {{x: {list(x)}, y: {list(y)}, z: {list(z)}}}"]
    for name in MESHES:
        lines += [f"  {name}:", "    class: lv", f"    mesh: {{file: {name}.stl, units: mm}}"]
    return "\n".join(lines) + "\n"
