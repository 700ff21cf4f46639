"""Axis systems of vehicles and the maps between them.

::

    ISO 8855              x forward,  y left,  z up
    ISO 4130              x rearward, y right, z up      fitcheck's own
    SAE J670, z down      x forward,  y right, z down

All three are right-handed, so that every map between them is a turn. A map with
determinant −1 is a mirror: it makes a left box a right one and turns the triangles
of a mesh inside out. It is refused.
"""

from __future__ import annotations

import difflib

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InputError

Floats = NDArray[np.float64]
Directions = tuple[str, str, str]

WORDS: dict[str, tuple[int, int]] = {
    "rearward": (0, 1),
    "forward": (0, -1),
    "right": (1, 1),
    "left": (1, -1),
    "up": (2, 1),
    "down": (2, -1),
}
"""Direction word → (axis, sign) in fitcheck's frame."""

ISO_8855: Directions = ("forward", "left", "up")
ISO_4130: Directions = ("rearward", "right", "up")
SAE_J670_Z_DOWN: Directions = ("forward", "right", "down")


def direction_map(source: Directions, target: Directions) -> Floats:
    """The (3, 3) matrix that takes coordinates in ``source`` to coordinates in ``target``.

    Each system is the three words of its +x, +y, +z. The answer is a turn: entries
    −1, 0, 1 and determinant +1. Raises InputError for an unknown word, two axes along
    one line, or systems of which one is the other's mirror image.
    """
    matrix = _axes(target) @ _axes(source).T
    if round(float(np.linalg.det(matrix))) != 1:
        raise InputError(
            f"going from ({', '.join(source)}) to ({', '.join(target)}) would mirror the vehicle: left becomes right. "
            "Expected axes that are both right-handed, as +x, +y, +z: forward, left, up or rearward, right, up"
        )
    return matrix


def converted(points: ArrayLike, source: Directions, target: Directions = ISO_4130) -> Floats:
    """Points (n, 3) or one point (3,) given in ``source`` axes, in ``target`` axes; same origin.

    No points: none. Raises InputError as :func:`direction_map` does.
    """
    return np.asarray(np.asarray(points, dtype=np.float64) @ direction_map(source, target).T)


def _axes(system: Directions) -> Floats:
    """Rows: the system's +x, +y, +z written in fitcheck's frame."""
    rows = np.zeros((3, 3))
    for row, word in zip(rows, system, strict=True):
        if word not in WORDS:
            near = difflib.get_close_matches(word, WORDS, 1)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            raise InputError(f"an axis points {', '.join(WORDS)}, not '{word}'{hint}")
        axis, sign = WORDS[word]
        row[axis] = sign
    if len({WORDS[word][0] for word in system}) < 3:
        raise InputError(f"axes ({', '.join(system)}) run along one line twice: expected three different directions")
    return rows
