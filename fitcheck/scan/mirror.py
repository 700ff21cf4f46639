"""One scanned half standing for both: mirroring about y = 0, and what that makes of the metal there: assumed.

Mirroring is a reflection, so every triangle is reversed, else normals would point inward.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import ScanError
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.scan.spec import Mirror

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

SIDES = {"left": -1.0, "right": 1.0}
"""The sign of y on each side."""


@dataclass(frozen=True, eq=False)
class Halves:
    """``measured``: faces into the scan's own vertices; ``assumed``: the other half as a surface, None where nothing is
    assumed; ``side`` is the assumed one."""

    measured: Ints
    assumed: TiledSurface | None = None
    side: str = ""
    notes: tuple[str, ...] = ()


def split_halves(vertices: Floats, faces: Ints, mirror: Mirror | None) -> Halves:
    """The measured half of (n, 3) vertices and (m, 3) faces in the vehicle frame, and its mirror image.

    A face belongs to the side on which its middle lies. Raises ScanError when the scanned side has no metal.
    """
    if mirror is None:
        return Halves(faces)
    sign = SIDES[mirror.scanned]
    middles = vertices[:, 1][faces].sum(axis=1) * sign
    measured, beyond = faces[middles > 0.0], faces[middles <= 0.0]
    where = f"{mirror.origin}: " if mirror.origin else ""
    if len(measured) == 0:
        raise ScanError(f"{where}mirror: no scanned metal lies on the {mirror.scanned} side. Correct 'scanned'.")
    side = "right" if mirror.scanned == "left" else "left"
    if mirror.in_file:
        if len(beyond) == 0:
            raise ScanError(f"{where}mirror: the file holds no metal on the {side} side. Write in_file: false.")
        words = f"all metal on the {side} side is assumed: the file holds it as a mirror image"
        return Halves(measured, tile_surface(vertices, beyond), side, (words,))
    words = f"the {side} side is assumed: {len(measured)} faces mirrored from the {mirror.scanned} side"
    dropped = (f"{len(beyond)} scanned faces on the {side} side were left out",) if len(beyond) else ()
    return Halves(measured, tile_surface(vertices * [1.0, -1.0, 1.0], measured[:, ::-1]), side, (words, *dropped))
