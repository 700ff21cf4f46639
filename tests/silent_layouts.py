"""Small layouts with a scan of a plate, from their files to the rows, for the errors that would pass unseen."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import shapes
from mesh_files import Faces, Floats
from test_kept import write_scan

from fitcheck.checks.run import check_scene
from fitcheck.layout import load_scene
from fitcheck.report.json_document import to_document
from fitcheck.result import Clearance, Result

GRAVITY = 9.80665  # m/s², by definition
UNIT_MM = {"m": 1000.0, "mm": 1.0, "in": 25.4}
BASE_MM = 2620.0

PLAIN = """\
format: 1
vehicle: test
scan: {file: scan.ply, units: mm, align: as_scanned}
"""
MOTION = """\
mechanisms:
  rear_axle:
    solid_axle: {centre: [2620, 0, 384], bump: 80, droop: 90, stops: 400, carries: {CARRIES}}
"""
SCALES = """\
format: 1
vehicle: test
axles:
  front: {at: 0, track: 1480, rating: 1500, wheel_rate: 40, tyre: {radius: 395, width: 205, rate: 300}}
  rear: {at: 2620, track: 1480, wheel_rate: 48, tyre: {radius: 395, width: 205, rate: 300}}
weights:
  as_weighed: {front_left: 402, front_right: 398, rear_left: 342, rear_right: 338}
"""


def moving(carries: str) -> str:
    return PLAIN + MOTION.replace("CARRIES", carries[1:-1])


def write(folder: Path, parts: str = "", vehicle: str = PLAIN, more: str = "") -> Path:
    """A layout and its vehicle file; ``parts`` are lines of the ``parts`` entry."""
    (folder / "vehicle.yaml").write_text(vehicle, encoding="utf-8")
    listed = "".join(f"  {line}\n" for line in parts.splitlines())
    text = "format: 1\ntitle: test\nvehicle: vehicle.yaml\n" + (f"parts:\n{listed}" if listed else "") + more
    (folder / "layout.yaml").write_text(text, encoding="utf-8")
    return folder / "layout.yaml"


def check(layout: Path, cache: str = "cache") -> Result:
    return check_scene(load_scene(layout, cache_dir=layout.parent / cache))


def row(result: Result, one: str, other: str) -> Clearance:
    (found,) = [row for row in result.clearances if set(row.between) == {one, other}]
    return found


def distance(result: Result, one: str, other: str) -> float:
    found = row(result, one, other).distance_mm
    assert found is not None
    return found


def report(layout: Path, cache: str = "cache") -> dict[str, Any]:
    document = to_document(check(layout, cache))
    document.pop("timing_s")
    return document


def plate(
    folder: Path, *, x: tuple[float, float], y: tuple[float, float], z: float, seen_from_below: bool = False
) -> None:
    """A scan of one level plate of two triangles, from above."""
    corners = np.array([[x[0], y[0], z], [x[1], y[0], z], [x[1], y[1], z], [x[0], y[1], z]])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    write_scan(folder / "scan.ply", corners, faces[:, ::-1] if seen_from_below else faces)


def distant_plate(folder: Path) -> None:
    """Metal that no part of a test comes near to."""
    plate(folder, x=(0, 2600), y=(-900, 900), z=3000.0, seen_from_below=True)


def noisy_sheet(dent_mm: float = 0.0) -> tuple[Floats, Faces]:
    """A noisy sheet over the boxes; its lowest vertex over A1, which decides that pair, lowered by ``dent_mm``."""
    vertices, faces = shapes.sheet_mesh(2400.0, 20, 3.0, np.random.default_rng(3))
    vertices = vertices + [1750.0, 0.0, 660.0]
    low, high = np.array([1340, -340]), np.array([2156, -105])
    over = np.flatnonzero(((vertices[:, :2] > low) & (vertices[:, :2] < high)).all(axis=1))
    vertices[over[vertices[over, 2].argmin()], 2] -= dent_mm
    return vertices, faces


def _far_sheet() -> tuple[Floats, Faces]:
    vertices, faces = noisy_sheet()
    return vertices + [0.0, 0.0, 1500.0], faces


def _sleeve(radius: float, half: float) -> tuple[Floats, Faces]:
    """An open tube of 360 flats along x whose flats touch the circle of ``radius``."""
    turn = 2.0 * np.pi * np.arange(360) / 360
    ring = radius / math.cos(math.pi / 360) * np.stack([0.0 * turn, np.cos(turn), np.sin(turn)], axis=1)
    i, j = np.arange(360), (np.arange(360) + 1) % 360
    faces = np.concatenate([np.stack([i, j, j + 360], 1), np.stack([i, j + 360, i + 360], 1)]).astype(np.int32)
    return np.concatenate([ring - [half, 0, 0], ring + [half, 0, 0]]), faces
