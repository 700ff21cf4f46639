"""Small scans of a truck that never was, for tests of preparing, cutting and caching."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import mesh_files as mf
import numpy as np
from mesh_files import Faces, Floats, grid, join
from shapes import box_mesh, cylinder_mesh
from test_align import PLACES, scanned

from fitcheck.geometry.surface import TiledSurface
from fitcheck.scan.spec import Removal, ScanSpec, Target
from fitcheck.vehicle.scene import Region

ROD_MM, WINDOW_MM = 6.0, 60.0
WINDOW_AT = (1510.0, 10.0)  # its edges run along the sheet's triangles
TANK = Region("box", lo=(1590, -310, 490), hi=(1710, -240, 570))  # round that of the piece


def truck() -> tuple[Floats, Faces]:
    """In mm in the vehicle frame: a floor sheet with a 60 mm window, a tank, and a rod of 6 mm standing apart."""
    vertices, faces = grid(201, 91, lo=[-500, -900, 640], hi=[3500, 900, 640], wave=20.0)
    centres = vertices[faces].mean(axis=1)
    window = (np.abs(centres[:, :2] - WINDOW_AT) < WINDOW_MM / 2).all(axis=1)
    rod_v, rod_f = cylinder_mesh(ROD_MM / 2, 800.0, 12)
    rod_v = rod_v[:, [2, 1, 0]] + [1000.0, 300.0, 500.0]
    tank = box_mesh([1600, -700, 470], [2150, -460, 600])
    return join((vertices, faces[~window]), tank, (rod_v, rod_f[:, ::-1].copy()))


def piece() -> tuple[Floats, Faces]:
    """The same in 1.2 m: a sheet with a window and a small tank, for what does not depend on the size of a scan."""
    vertices, faces = grid(61, 41, lo=[900, -400, 640], hi=[2100, 400, 640], wave=20.0)
    centres = vertices[faces].mean(axis=1)
    window = (np.abs(centres[:, :2] - WINDOW_AT) < WINDOW_MM / 2).all(axis=1)
    return join((vertices, faces[~window]), box_mesh([1600, -300, 500], [1700, -250, 560]))


def write_scan(path: Path, vertices: Floats, faces: Faces, unit_mm: float = 1.0) -> Path:
    """A binary PLY in double precision, in the given unit."""
    path.write_bytes(mf.ply_bytes(vertices / unit_mm, faces, number="double"))
    return path


def scanner_scan(folder: Path) -> ScanSpec:
    """The truck in the scanner's own axes and metres, with the ten datum targets; written once."""
    return _in_scanner_axes(folder / "scanner.ply", truck)


def small_scan(folder: Path) -> ScanSpec:
    """The piece in the scanner's own axes and metres, with all targets, and its tank taken off; written once."""
    spec = _in_scanner_axes(folder / "piece.ply", piece)
    return replace(spec, removals=(Removal("tank", region=TANK),))


def _in_scanner_axes(path: Path, shape: Callable[[], tuple[Floats, Faces]]) -> ScanSpec:
    if not path.exists():
        vertices, faces = shape()
        write_scan(path, scanned(vertices), faces)
    marks = scanned(np.array(list(PLACES.values())))
    targets = tuple(Target(n, tuple(m), p) for (n, p), m in zip(PLACES.items(), marks, strict=True))
    return ScanSpec(path, "m", targets)


def triangle_set(surface: TiledSurface) -> Floats:
    """(m, 9) corners of all triangles, sorted, so that two surfaces can be compared whatever their order."""
    corners = surface.vertices[surface.faces].reshape(-1, 9)
    return corners[np.lexsort(corners.round(3).T)]
