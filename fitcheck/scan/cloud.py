"""A point cloud as a scan: its points are the metal, and what lies between them is known to the spacing."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import ScanError
from fitcheck.geometry.clouds import cloud_borders, cover_mm
from fitcheck.geometry.cushions import cushion, least_to_segments, small_balls
from fitcheck.geometry.membranes import membrane
from fitcheck.geometry.sampling import points_on_triangles
from fitcheck.scan.gaps import Gaps, from_fixed_start
from fitcheck.scan.spec import Removal, ScanSpec, Shift

Floats = NDArray[np.float64]

OUTER_SAG = 0.05
"""A surface may bend away from the membrane over its own outer border by this share of its size (judgement)."""

_LEAST_OUTER_SPACINGS = 8.0
_RIM_SPACINGS = 2.5  # nearer to the loop than this its own points are near


def check_cloud(spec: ScanSpec) -> None:
    """Raises ScanError for what cannot be asked of a cloud: it has no connected pieces, and no sides to mirror."""
    entries: tuple[Removal | Shift, ...] = (*spec.removals, *spec.shifts)
    for entry in entries:
        if entry.piece_at is not None:
            where = f"{entry.origin}: " if entry.origin else ""
            raise ScanError(
                f"{where}{entry.name!r} names a connected piece, and {spec.file.name} is a point cloud without "
                "any. Give a box or a cylinder instead."
            )


def covers_of(points: Floats) -> tuple[Floats, float]:
    """How far the surface near each of (n, 3) points may be from the points, and its median: the spacing, mm."""
    covers = cover_mm(points)
    known = covers[np.isfinite(covers)]
    if len(known) == 0:
        raise ScanError("the scan has fewer than four points: nothing can be measured against it. Export it again.")
    return np.where(np.isfinite(covers), covers, known.max()), float(np.median(known))


def find_cloud_gaps(points: Floats, spacing_mm: float) -> Gaps:
    """The gaps of a cloud (n, 3): loops of its points, but for outer borders, which have points over their inside."""
    rims = cloud_borders(points, spacing_mm * np.sqrt(2.0))
    loops = [from_fixed_start(points[rows]) for rows in rims if len(rows) >= 3]
    near = _nearness(points)
    wide, small, outer = [], [], 0
    for loop in loops:
        if _is_outer(loop, near, spacing_mm):
            outer += 1
            continue
        over = cushion(loop)
        wide += [] if over is None else [over]
        small += [small_balls(loop)] if over is None else []
    wide.sort(key=lambda over: (-round(over.width_mm, 3), *over.middle_mm.round(3)))
    note = (
        f"the point cloud has {len(wide)} gaps that count as not seen; {outer} outer borders are left out (nothing was "
        "scanned beyond them); gaps of a few points are part of the spacing"
    )
    return Gaps(tuple(wide), np.concatenate([np.empty((0, 4)), *small]), (note,))


def _nearness(points: Floats) -> Callable[[Floats], Floats]:
    from scipy.spatial import cKDTree

    tree = cKDTree(points, balanced_tree=False)
    return lambda asked: np.asarray(tree.query(asked)[0])


def _is_outer(loop: Floats, near: Callable[[Floats], Floats], spacing_mm: float) -> bool:
    """Whether the cloud lies within a loop rather than around it."""
    cover = membrane(loop)
    size = float(np.ptp(loop, axis=0).max())
    if len(cover.faces) == 0 or size < _LEAST_OUTER_SPACINGS * spacing_mm:
        return False
    spots = points_on_triangles(cover.corners, max(size / 30.0, spacing_mm))
    inner = spots[least_to_segments(spots, loop, np.roll(loop, -1, axis=0)) > _RIM_SPACINGS * spacing_mm]
    if len(inner) == 0:
        return False
    return bool((near(inner) <= max(_RIM_SPACINGS * spacing_mm, OUTER_SAG * size)).mean() > 0.5)
