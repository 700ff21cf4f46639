"""The true shape of the Hollin 262, an invented flat-bed farm truck, piece by piece.

Vehicle frame in mm: x rearward from the front-axle line, y to the right, z up from the floor.
Outside faces only, as a scanner sees them: rails and crossmembers are open tubes, the bed is a
single skin seen from below. Axles, wheels, springs and shafts were masked for scanning.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from .grid import Floats, Mesh, Row, box_surface, cut, flat_patch, loft, split, stations

FINE_MM, COARSE_MM = 5.0, 10.0
"""Longest edge within about 60 mm of a box of any arrangement or a shaft, and elsewhere."""

BOX_ZONE = (1135.0, 2241.0)
"""Where rails and exhaust run beside boxes: x 1200 to 2176 over their rims, and 65 more."""

NOT_SCANNED = ("hidden_bracket", "right_rail_unscanned")
"""Pieces that are on the truck and not in the scan."""

ARTEFACTS = ("left_rail_double", *(f"floater_{number:02d}" for number in range(1, 13)))
"""Pieces that are in the scan and not on the truck."""

# Inner-face span in y is ±370; name: (x from, x to, z from, z to, longest edge)
_CROSSMEMBERS = {
    "crossmember_front": (-350, -300, 520, 600, COARSE_MM),
    "crossmember_unit": (640, 690, 520, 600, FINE_MM),  # by the front shaft's joint
    "crossmember_shaft": (1250, 1300, 580, 640, FINE_MM),
    "crossmember_axle": (2330, 2380, 590, 640, FINE_MM),
    "crossmember_tail": (3350, 3400, 540, 640, FINE_MM),
}

JOISTS_MM = (1310, 1607, 1904, 2201, 2499, 2796, 3093, 3390)
"""Front edges of the bed's cross joists, each 60 wide: pitch 297.1 to the nearest millimetre."""

_BED_BREAKS = (-850.0, -600.0, -320.0, 320.0, 600.0, 850.0)
_WHEEL_BOX = (2180.0, 3060.0)

# Bits of dust and tape in mid-air, away from every box, shaft and angle: centre, kind, size.
_FLOATERS = (
    (1500, -500, 960, 2, 11), (1850, 300, 1010, 5, 8), (2250, -120, 905, 10, 7), (2500, 640, 930, 3, 12),
    (2900, -700, 990, 15, 9), (3200, 150, 1040, 2, 14), (3350, -420, 920, 4, 6), (-350, 700, 900, 6, 10),
    (200, -760, 1010, 2, 8), (500, 720, 880, 12, 13), (900, -690, 1120, 3, 5), (1150, 520, 1060, 8, 9),
)  # fmt: skip


def true_pieces() -> dict[str, Mesh]:
    """Every piece by name, without noise: vertices (n, 3) mm, faces (m, 3) facing outward.

    Each is connected in itself and shares no point with another. ``NOT_SCANNED`` names those that the
    scanner did not see, ``ARTEFACTS`` those that it made up.
    """
    right_rail, unscanned = split_right_rail(_rail(370, 430))
    return {
        "left_rail": _rail(-430, -370),
        "right_rail": right_rail,
        "right_rail_unscanned": unscanned,
        "hidden_bracket": box_surface((1660, 325, 560), (1720, 370, 600), FINE_MM),
        **{name: _crossmember(*spans) for name, spans in _CROSSMEMBERS.items()},
        "bumper": box_surface((-560, -700, 520), (-500, 700, 600), COARSE_MM),
        "bed": _bed(),
        "cab_sill_left": _cab_sill(-850, -600),
        "cab_sill_right": _cab_sill(600, 850),
        "tank": box_surface((1600, -700, 470), (2150, -460, 640), FINE_MM, missing=("+z",)),
        "exhaust": _exhaust(),
        "sensor_cube": box_surface((1728, 380, 560), (1768, 420, 600), FINE_MM),
        "left_rail_double": flat_patch((200, -434, 520), 0, 2, (400, 120), COARSE_MM),
        **{name: _floater(*spec) for name, spec in zip(ARTEFACTS[1:], _FLOATERS, strict=True)},
    }


def split_right_rail(rail: Mesh) -> tuple[Mesh, Mesh]:
    """The right rail without the stretch of its inner face that the exhaust hid, and that stretch."""
    centres = rail[0][rail[1]].mean(axis=1)
    hidden = (np.abs(centres[:, 1] - 370) < 1e-6) & (centres[:, 0] > 1600) & (centres[:, 0] < 1760)
    return split(rail, hidden)


def _rail(y_lo: float, y_hi: float) -> Mesh:
    """A frame rail: 60 × 120 outside, open at both ends, with a ring of points at each end of the hidden stretch."""
    marks = (BOX_ZONE[0], 1600.0, 1760.0, BOX_ZONE[1])
    fine = [(a, b, FINE_MM) for a, b in pairwise(marks)]
    zones = [(-500.0, marks[0], COARSE_MM), *fine, (marks[-1], 3400.0, COARSE_MM)]
    return _tube([(y_lo, 520), (y_hi, 520), (y_hi, 640), (y_lo, 640)], (1, 2, 0), zones)


def _crossmember(x_lo: float, x_hi: float, z_lo: float, z_hi: float, step: float) -> Mesh:
    """A box tube across the truck, from one rail's inner face to the other's, open at both ends."""
    corners = [(z_lo, x_lo), (z_hi, x_lo), (z_hi, x_hi), (z_lo, x_hi)]
    return _tube(corners, (2, 0, 1), [(-370.0, 370.0, step)])


def _tube(
    corners: Sequence[tuple[float, float]], axes: tuple[int, int, int], zones: Sequence[tuple[float, float, float]]
) -> Mesh:
    """A profile swept along the third of ``axes``; its corners run counter-clockwise in the first two."""
    outline = np.array([*corners, corners[0]], dtype=np.float64)
    breaks = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(outline, axis=0)).sum(axis=1))])
    rows = []
    for number, (place, step) in enumerate(stations(zones)):
        along = cut(breaks.tolist(), [step] * len(corners), shifted=number % 2 == 1)
        points = np.empty((len(along), 3))
        points[:, axes[0]] = np.interp(along, breaks, outline[:, 0])
        points[:, axes[1]] = np.interp(along, breaks, outline[:, 1])
        points[:, axes[2]] = place
        rows.append(Row(along, points))
    return loft(rows, closed=True)


def _exhaust() -> Mesh:
    """The exhaust pipe: Ø 50 about y 300, z 500, x 300 to 2200, open at both ends."""
    rows = []
    for number, (place, step) in enumerate(stations([(300.0, BOX_ZONE[0], COARSE_MM), (BOX_ZONE[0], 2200.0, FINE_MM)])):
        along = cut((0.0, math.pi * 50), (step,), shifted=number % 2 == 1)
        y, z = _circle(along / 25.0, 25.0)
        rows.append(Row(along, np.column_stack([np.full(len(along), place), 300 + y, 500 + z])))
    return loft(rows, closed=True)


def _cab_sill(y_lo: float, y_hi: float) -> Mesh:
    """The underside of one cab sill, z 650; fine at its rear end, where an outboard box comes close."""
    rows = []
    zones = [(-500.0, BOX_ZONE[0], COARSE_MM), (BOX_ZONE[0], 1310.0, FINE_MM)]
    for number, (x, step) in enumerate(stations(zones)):
        along = cut((y_lo, y_hi), (step,), shifted=number % 2 == 1)
        rows.append(Row(along, np.column_stack([np.full(len(along), x), along, np.full(len(along), 650.0)])))
    return loft(rows)


def _circle(angles: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """Points on a circle, to the nanometre: machines differ in the last digit of a cosine."""
    return np.round(radius_mm * np.cos(angles), 6), np.round(radius_mm * np.sin(angles), 6)


def _bed() -> Mesh:
    """The bed from below: joist undersides at z 640, floor sheet at z 690 between them, open wheel boxes."""
    rows: list[Row] = []
    for number, (x, z, steps) in enumerate(_bed_rows()):
        inside_wheel_box = _WHEEL_BOX[0] < x < _WHEEL_BOX[1]
        breaks, steps = (_BED_BREAKS[1:-1], steps[1:-1]) if inside_wheel_box else (_BED_BREAKS, steps)
        along = cut(breaks, steps, shifted=number % 2 == 1)
        rows.append(Row(along, np.column_stack([np.full(len(along), x), along, np.full(len(along), z)])))
    return loft(rows)


def _bed_rows() -> list[tuple[float, float, tuple[float, ...]]]:
    """Rows across the truck, front to rear: x, z and the longest edge in each stretch between the breaks."""
    corners, steps = _bed_profile()
    lengths = [abs(b[0] - a[0]) + abs(b[1] - a[1]) for a, b in pairwise(corners)]
    breaks = np.concatenate([[0.0], np.cumsum(lengths)])
    zones = [(a, b, min(s)) for (a, b), s in zip(pairwise(breaks.tolist()), steps, strict=True)]
    rows = []
    for place, _ in stations(zones):
        x, z = (float(np.interp(place, breaks, [corner[axis] for corner in corners])) for axis in (0, 1))
        near = [s for (a, b, _), s in zip(zones, steps, strict=True) if a <= place <= b]
        rows.append((x, z, tuple(min(choice) for choice in zip(*near, strict=True))))
    return rows


def _bed_profile() -> tuple[list[tuple[float, float]], list[tuple[float, ...]]]:
    """The bed's section along x as corners (x, z), and the longest edges of each side between them."""
    sheet = (COARSE_MM,) * 5
    corners: list[tuple[float, float]] = []
    steps: list[tuple[float, ...]] = []
    for start in JOISTS_MM:
        end = start + 60
        corners += [(start, 690.0), (start, 640.0), (end, 640.0), (end, 690.0)]
        steps += [_joist_steps(start)] * 3
        if end < 3450:
            corners += [(x, 690.0) for x in _WHEEL_BOX if end < x < end + 250]
            steps += [sheet] * (1 + any(end < x < end + 250 for x in _WHEEL_BOX))
    return corners, steps


def _joist_steps(start: float) -> tuple[float, ...]:
    """Fine across the truck above the boxes at the rails, fine in the middle by the box behind the axle."""
    if start < BOX_ZONE[1]:
        return (FINE_MM,) * 5
    by_rear_box = start > 2700
    return (COARSE_MM, COARSE_MM, FINE_MM if by_rear_box else COARSE_MM, COARSE_MM, COARSE_MM)


def _floater(x: float, y: float, z: float, sides: int, size: float) -> Mesh:
    """A double pyramid of 2 × ``sides`` faces; with two sides, a tetrahedron of 4."""
    if sides == 2:
        signs = np.array([[1, 1, 1], [-1, -1, 1], [-1, 1, -1], [1, -1, -1]], dtype=np.float64)
        return signs * (size / 2) + [x, y, z], np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    u, v = _circle(np.arange(sides, dtype=np.float64) * (2 * math.pi / sides), size)
    ring = np.column_stack([u, v, np.zeros(sides)])
    vertices = np.vstack([ring, [0, 0, 0.6 * size], [0, 0, -0.4 * size]]) + np.array([x, y, z])
    here, there = np.arange(sides), (np.arange(sides) + 1) % sides
    top, bottom = np.full(sides, sides), np.full(sides, sides + 1)
    return vertices, np.concatenate([np.column_stack([here, there, top]), np.column_stack([there, here, bottom])])
