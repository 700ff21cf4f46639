"""What a hand-held scanner makes of the truck: drift, noise, axes of its own, a PLY file.

Random numbers come from numpy's ``RandomState``, whose streams are frozen, as sums of twelve
uniform ones; all else is sums and products taken one at a time. So the file is the same to the byte
with every numpy on every machine.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from .grid import Floats, Ints, Mesh, joined
from .truck import NOT_SCANNED, true_pieces

NOISE_MM = 0.4  # one sigma, along the surface normal
DRIFT = 0.2e-3  # the scan grows by 0.2 mm a metre along the truck
TURN_DEG, TILT_DEG = 23.4, 1.1
ORIGIN_MM = (412.0, -136.0, 37.0)  # the scanner's origin: under the cab, a little off the floor
_NOISE_SEED, _TARGET_SEED, _TAPE_SEED = 262, 2620, 382
_TARGET_NOISE_MM, _TAPE_ERROR_MM = 0.2, 1.2

TARGETS_MM = {
    "T1": (-300, -400, 520), "T2": (-300, 400, 520), "T3": (3200, -400, 520), "T4": (3200, 400, 520),
    "T5": (3450, -850, 690), "T6": (1200, 700, 1150),
    "F1": (0, -900, 0), "F2": (0, 900, 0), "F3": (2620, -900, 0), "F4": (2620, 900, 0),
}  # fmt: skip
"""Where the coded targets truly are, in the vehicle frame."""


def to_scanner_m(points_mm: Floats) -> Floats:
    """True points (n, 3) in the vehicle frame → the scanner's axes in metres, Y up, drift included."""
    drifted = np.asarray(points_mm, dtype=np.float64) * [1 + DRIFT, 1, 1] - ORIGIN_MM
    return _times(scanner_rotation(), drifted) / 1000


def scanner_rotation() -> Floats:
    """Rotation (3, 3) from the vehicle frame to the scanner's axes: Y up, turned about it, then tilted."""
    turn, tilt = math.radians(TURN_DEG), math.radians(TILT_DEG)
    y_up = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]], dtype=np.float64)
    about_y = np.array([[math.cos(turn), 0, math.sin(turn)], [0, 1, 0], [-math.sin(turn), 0, math.cos(turn)]])
    about_x = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])
    return np.asarray(np.round(about_x @ about_y @ y_up, 13))


def _times(matrix: Floats, points: Floats) -> Floats:
    """``matrix @ p`` for each point, summed in one fixed order."""
    x, y, z = points.T
    return np.column_stack([row[0] * x + row[1] * y + row[2] * z for row in matrix])


def scan_m() -> Mesh:
    """The scan as the file holds it: vertices (n, 3) in metres in the scanner's axes, faces (m, 3)."""
    pieces = true_pieces()
    vertices, faces = joined([mesh for name, mesh in pieces.items() if name not in NOT_SCANNED])
    noise = _bell(np.random.RandomState(_NOISE_SEED), len(vertices)) * NOISE_MM
    return to_scanner_m(vertices + noise[:, None] * vertex_normals(vertices, faces)), faces


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Unit normals (n, 3), each the mean of the faces around the point by their area."""
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    u, v = b - a, c - a
    sums = np.empty_like(vertices)
    for axis in range(3):
        one, two = (axis + 1) % 3, (axis + 2) % 3
        normal = u[:, one] * v[:, two] - u[:, two] * v[:, one]
        sums[:, axis] = np.bincount(faces.ravel(), np.repeat(normal, 3), minlength=len(vertices))
    length = np.sqrt(sums[:, 0] * sums[:, 0] + sums[:, 1] * sums[:, 1] + sums[:, 2] * sums[:, 2])
    return sums / length[:, None]


def _bell(random: np.random.RandomState, count: int) -> Floats:
    """Bell-shaped random numbers (count,) of sigma 1, never beyond 6: twelve uniform ones less six."""
    total = np.full(count, -6.0)
    for _ in range(12):
        total += random.random_sample(count)
    return total


def target_lines() -> dict[str, str]:
    """The targets as vehicle.yaml holds them: name → ``{scan: […], vehicle: […]}``.

    Scan coordinates are to 0.1 mm; the vehicle's were "taped" with a sigma of 1.2 mm, to whole millimetres.
    """
    true = np.array(list(TARGETS_MM.values()), dtype=np.float64)
    seen = _bell(np.random.RandomState(_TARGET_SEED), true.size).reshape(true.shape) * _TARGET_NOISE_MM
    taped = true + _bell(np.random.RandomState(_TAPE_SEED), true.size).reshape(true.shape) * _TAPE_ERROR_MM
    scan = to_scanner_m(true + seen)
    return {
        name: f"{{scan: {_row(here, '7.4f')}, vehicle: {_row(np.round(there) + 0.0, '4.0f')}}}"
        for name, here, there in zip(TARGETS_MM, scan, taped, strict=True)
    }


def _row(numbers: Floats, form: str) -> str:
    return "[" + ", ".join(format(number, form) for number in numbers) + "]"


def write_ply(path: Path, mesh: Mesh) -> None:
    """Write a binary little-endian PLY: 32-bit floats, 32-bit indices."""
    vertices, faces = mesh
    rows = np.empty(len(faces), dtype=[("count", "u1"), ("corners", "<i4", (3,))])
    rows["count"], rows["corners"] = 3, faces
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        "comment Hollin 262, an invented truck; metres, Y up, the scanner's own axes\n"
        f"element vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(header.encode("ascii") + vertices.astype("<f4").tobytes() + rows.tobytes())
