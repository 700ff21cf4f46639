"""Gaps in the scanned surface: places where there may be metal that the scanner did not see.

Border loops of the metal that stays are gaps, but for the outer border of a piece (the loop that
spans it along its two longest directions); notches in an outer border are gaps. Gaps too small for
any part to pass get no membrane: what stands out of them is bounded by their own size. What was cut
off where a region was removed leaves a gap like any other: nobody saw what is behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.borders import Loop, Topology, topology
from fitcheck.geometry.cushions import (
    FULL,
    SMALLEST_MM,
    Cushion,
    bays,
    cushion,
    small_balls,
    solid_of_balls,
    solid_of_small_balls,
)
from fitcheck.vehicle.scene import UnseenPlace

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

HOLE = "hole"
OUTER_SHARE = 0.8
"""A loop is the outer border of its piece if it spans this share of the piece along its two longest directions."""

NOTCH_STEP_MM = 5.0
"""An outer border is looked at for notches at every corner, or as finely as this."""

SEAM_MM = 25.0
"""A border all of whose corners are this near to the mirror plane is where the halves meet."""

_FEW_PIECES = 40
_SKEW = np.array([0.5721, 0.3094, 0.7596])

MOST_GAPS = 1000
"""The widest are kept; a scan with more is torn, and says so."""


@dataclass(frozen=True, eq=False)
class Gaps:
    """``cushions`` over all gaps, the widest first; ``small`` (n, 4): balls round those that no part passes; what was
    left out, and why, in ``notes``."""

    cushions: tuple[Cushion, ...]
    small: Floats
    notes: tuple[str, ...]

    @property
    def membranes(self) -> Floats:
        """The triangles (k, 3, 3) over the gaps, facing as the surface round them does."""
        found = [over.membrane.corners[:, ::-1] for over in self.cushions]
        return np.concatenate([np.empty((0, 3, 3)), *found])


def find_gaps(vertices: Floats, faces: Ints, *, mirrored: bool = False) -> Gaps:
    """The gaps of a scanned surface: (n, 3) mm and (m, 3) faces. A closed surface, and none at all, have none.

    ``mirrored``: the other half is a mirror image, so what ends at y = 0 goes on beyond it.
    """
    found = topology(vertices, faces)
    outer = outer_borders(vertices, faces, found)
    rims = [from_fixed_start(vertices[loop.corners]) for k, loop in enumerate(found.loops) if k not in outer]
    if mirrored:
        rims = [rim for rim in rims if np.abs(rim[:, 1]).max() > SEAM_MM]
    covered: list[tuple[Cushion | None, Floats]] = [(cushion(rim), rim) for rim in rims if len(rim) >= 3]
    for k in sorted(outer):
        covered += [(cushion(rim, mouth=True), rim) for rim in _notches(vertices, faces, found.loops[k])]
    wide = [over for over, _ in covered if over is not None]
    wide.sort(key=lambda over: (-round(over.width_mm, 3), *over.middle_mm.round(3)))
    small = [small_balls(rim) for over, rim in covered if over is None]
    notes = _notes(found, len(outer), len(small), wide)
    return Gaps(tuple(wide[:MOST_GAPS]), np.concatenate([np.empty((0, 4)), *small]), tuple(notes))


def from_fixed_start(rim: Floats) -> Floats:
    """A loop (k, 3) begun at its corner farthest along a skew direction: not where the order of faces happens to.

    So the last bits of a scan, as another unit has them, choose no other membrane.
    """
    return np.roll(rim, -int((rim @ _SKEW).argmax()), axis=0)


def gap_places(gaps: Gaps) -> tuple[UnseenPlace, ...]:
    """The gaps as places of a scene; small ones together, by size."""
    return (*(_place(over) for over in gaps.cushions), *_small_places(gaps.small))


def _place(over: Cushion) -> UnseenPlace:
    at = ", ".join(f"{c:.0f}" for c in over.middle_mm)
    size = np.sort(np.ptp(over.membrane.border, axis=0))[::-1]
    words = f"{size[0]:.0f} × {size[1]:.0f} mm: what is in it or stands out of it was not seen"
    return UnseenPlace(f"gap in the scan at ({at})", HOLE, words, solid_of_balls(over.balls))


def _small_places(balls: Floats) -> tuple[UnseenPlace, ...]:
    """Small gaps in groups whose radii differ by at most a millimetre, so that one radius may stand for all."""
    found = []
    for size in np.unique(np.ceil(balls[:, 3])):
        group = balls[np.ceil(balls[:, 3]) == size]
        words = f"there are {len(group)} of about {2 * size / FULL:.0f} mm across"
        found.append(UnseenPlace(f"small gaps in the scan ({size:.0f} mm)", HOLE, words, solid_of_small_balls(group)))
    return tuple(found)


def outer_borders(vertices: Floats, faces: Ints, found: Topology) -> set[int]:
    """Which loops are the outer border of their piece, at most one each."""
    spans = piece_extents(vertices, faces, found)
    best: dict[int, tuple[float, int]] = {}
    for k, loop in enumerate(found.loops):
        size = spans[loop.piece, 1] - spans[loop.piece, 0]
        longest = np.argsort(-size)[:2]
        own = np.ptp(vertices[loop.corners], axis=0)
        if (own[longest] >= OUTER_SHARE * size[longest]).all():
            length = _length(vertices[loop.corners])
            if length > best.get(loop.piece, (0.0, -1))[0]:
                best[loop.piece] = length, k
    return {k for _, k in best.values()}


def piece_extents(vertices: Floats, faces: Ints, found: Topology) -> Floats:
    """Least and greatest corner (pieces, 2, 3) of each connected piece."""
    if found.piece_count <= _FEW_PIECES:
        return np.array([_extents_of(vertices, faces[found.pieces == piece]) for piece in range(found.piece_count)])
    order = np.argsort(found.pieces, kind="stable")
    starts = np.searchsorted(found.pieces[order], np.arange(found.piece_count))
    spans = np.empty((found.piece_count, 2, 3))
    for axis in range(3):
        values = vertices[:, axis][faces]
        spans[:, 0, axis] = np.minimum.reduceat(values.min(axis=1)[order], starts)
        spans[:, 1, axis] = np.maximum.reduceat(values.max(axis=1)[order], starts)
    return spans


def _extents_of(vertices: Floats, faces: Ints) -> Floats:
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    return np.array([vertices[used].min(axis=0), vertices[used].max(axis=0)])


def _length(corners: Floats) -> float:
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).sum())


def _notches(vertices: Floats, faces: Ints, loop: Loop) -> list[Floats]:
    """The rims (k, 3) of the notches in an outer border."""
    whole, normals = vertices[loop.corners], _border_normals(vertices, faces, loop)
    step = max(1, int(NOTCH_STEP_MM * len(whole) / max(_length(whole), 1e-9)))
    border = whole[::step]
    found = bays(border, normals[::step])
    return [border[np.arange(first, last + 1) % len(border)] for first, last in found if last - first >= 2]


def _border_normals(vertices: Floats, faces: Ints, loop: Loop) -> Floats:
    """The summed area vectors (k, 3) of the faces at each corner of a loop."""
    place = np.full(len(vertices), -1, dtype=np.int64)
    place[loop.corners] = np.arange(len(loop.corners))
    at = place[faces]
    near = np.flatnonzero((at >= 0).any(axis=1))
    corners = vertices[faces[near]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sums = np.zeros((len(loop.corners), 3))
    for side in range(3):
        rows = at[near, side]
        np.add.at(sums, rows[rows >= 0], normals[rows >= 0])
    return sums


def _notes(found: Topology, outer: int, small: int, wide: list[Cushion]) -> list[str]:
    if not found.loops:
        return ["the scanned surface has no gaps"]
    text = (
        f"the scanned surface has {len(wide)} gaps that count as not seen; {outer} outer borders are left out "
        f"(nothing was scanned beyond them), and {small} gaps less than {SMALLEST_MM:g} mm across count only as far "
        "as they are wide"
    )
    torn = len(wide) - MOST_GAPS
    return (
        [text, f"the scan is torn: only the {MOST_GAPS} widest gaps are kept, {torn} are not"] if torn > 0 else [text]
    )
