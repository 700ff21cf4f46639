"""Solid shapes as meshes: box, prism, cylinder, capsule, sphere, extruded outline.

A solid is a *core* mesh grown by a ball: ``core ⊕ ball(radius_mm)``. A box is its
own core (radius 0). A sphere's core is a point and a capsule's core is a segment,
both written as degenerate triangles, so that their distances are exact. A
cylinder's core is a circumscribed prism: the true round surface lies inside it, by
no more than ``chord_error_mm``.

All lengths in mm, float64; faces wind counter-clockwise seen from outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InternalError

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

CHORD_ERROR_MM = 0.01
"""How far a tessellated round surface may stand outside the true one."""

_BOX_FACES = np.array(
    [
        [0, 2, 1], [1, 2, 3],  # z low
        [4, 5, 6], [5, 7, 6],  # z high
        [0, 1, 4], [1, 5, 4],  # y low
        [2, 6, 3], [3, 6, 7],  # y high
        [0, 4, 2], [2, 4, 6],  # x low
        [1, 3, 5], [3, 7, 5],  # x high
    ],
    dtype=np.int32,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Solid:
    """``core ⊕ ball``: vertices (n, 3) mm, faces (m, 3), ball radius in mm.

    ``convex``: the core is the convex hull of its vertices. ``frame`` (3, 3): rows are
    the solid's own axes; boxes measured along them bound it tightly. A mesh that is not
    ``closed`` has no inside: only its surface can be asked.
    """

    vertices: Floats
    faces: Ints
    radius_mm: float = 0.0
    convex: bool = False
    chord_error_mm: float = 0.0
    frame: Floats = field(default_factory=lambda: np.eye(3))
    closed: bool = True

    def moved(self, rotation: ArrayLike, shift: ArrayLike) -> Solid:
        """The same solid with every point p at ``rotation @ p + shift``.

        Raises InternalError when ``rotation`` is not proper (|RᵀR − 1| > 1e-9 or det < 0).
        """
        rotation = proper_rotation(rotation)
        return Solid(
            self.vertices @ rotation.T + np.asarray(shift, dtype=np.float64),
            self.faces,
            self.radius_mm,
            self.convex,
            self.chord_error_mm,
            self.frame @ rotation.T,
            self.closed,
        )

    def extents(self) -> Floats:
        """Least and greatest corner (2, 3) along the vehicle axes, ball included."""
        return np.array([self.vertices.min(axis=0) - self.radius_mm, self.vertices.max(axis=0) + self.radius_mm])


def proper_rotation(rotation: ArrayLike) -> Floats:
    """Check that a (3, 3) matrix is orthonormal within 1e-9 and not a reflection."""
    matrix = np.asarray(rotation, dtype=np.float64)
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all():
        raise InternalError("a pose needs a finite 3 by 3 rotation")
    if np.abs(matrix.T @ matrix - np.eye(3)).max() > 1e-9:
        raise InternalError("a pose must be orthonormal within 1e-9")
    if np.linalg.det(matrix) < 0:
        raise InternalError("a pose must not mirror")
    return matrix


def box(lo: ArrayLike, hi: ArrayLike) -> Solid:
    """The axis-aligned box between two corners; ``lo`` < ``hi`` in every axis."""
    lo, hi = np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)
    if not (lo < hi).all():
        raise InternalError(f"a box needs lo < hi, not {lo} … {hi}")
    corners = [[(lo, hi)[i][0], (lo, hi)[j][1], (lo, hi)[k][2]] for k in (0, 1) for j in (0, 1) for i in (0, 1)]
    return Solid(np.array(corners), _BOX_FACES.copy(), convex=True)


def sphere(centre: ArrayLike, radius_mm: float) -> Solid:
    """A sphere: its core is one point."""
    point = np.asarray(centre, dtype=np.float64).reshape(1, 3)
    return Solid(point, np.zeros((1, 3), np.int32), float(radius_mm), convex=True)


def capsule(start: ArrayLike, end: ArrayLike, radius_mm: float) -> Solid:
    """All points within ``radius_mm`` of the segment from ``start`` to ``end``."""
    core = np.array([start, end], dtype=np.float64)
    return Solid(
        core, np.array([[0, 1, 1]], np.int32), float(radius_mm), convex=True, frame=axis_frame(core[1] - core[0])
    )


def sides_for(radius_mm: float, chord_error_mm: float = CHORD_ERROR_MM) -> int:
    """How many sides keep a circumscribed polygon within ``chord_error_mm``: n = ⌈π / acos(1 − e/r)⌉.

    Measured at the corners: a corner at r/cos(π/n) stands r(1/cos(π/n) − 1) ≤ e outside.
    """
    if radius_mm <= chord_error_mm:
        return 8
    return max(8, math.ceil(math.pi / math.acos(radius_mm / (radius_mm + chord_error_mm))))


def cylinder(start: ArrayLike, end: ArrayLike, radius_mm: float, chord_error_mm: float = CHORD_ERROR_MM) -> Solid:
    """A flat-ended cylinder as a circumscribed prism: the true cylinder lies inside it.

    ``start`` and ``end`` are the centres of its end faces and must differ.
    """
    start, end = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    frame = axis_frame(end - start)
    sides = sides_for(radius_mm, chord_error_mm)
    turn = 2.0 * math.pi * np.arange(sides) / sides
    ring = radius_mm / math.cos(math.pi / sides) * (np.outer(np.cos(turn), frame[1]) + np.outer(np.sin(turn), frame[2]))
    solid = prism(ring + start, ring + end)
    chord = radius_mm * (1.0 / math.cos(math.pi / sides) - 1.0)
    return Solid(solid.vertices, solid.faces, 0.0, True, chord, frame)


def prism(bottom: Floats, top: Floats) -> Solid:
    """A convex prism between two rings of n corners, counter-clockwise about bottom → top."""
    sides = len(bottom)
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    k = np.arange(1, sides - 1)
    faces = np.concatenate(
        [
            np.stack([i, j, j + sides], axis=1),
            np.stack([i, j + sides, i + sides], axis=1),
            np.stack([np.zeros_like(k), k + 1, k], axis=1),
            np.stack([np.full_like(k, sides), k + sides, k + 1 + sides], axis=1),
        ]
    ).astype(np.int32)
    return Solid(np.concatenate([bottom, top]), faces, convex=True)


def axis_frame(axis: ArrayLike) -> Floats:
    """A right-handed frame (3, 3) whose first row is along ``axis``; a zero axis gives x, y, z."""
    axis = np.asarray(axis, dtype=np.float64)
    length = float(np.linalg.norm(axis))
    if length == 0.0:
        return np.eye(3)
    first = axis / length
    helper = np.eye(3)[int(np.argmin(np.abs(first)))]
    second = np.cross(helper, first)
    second /= np.linalg.norm(second)
    return np.array([first, second, np.cross(first, second)])
