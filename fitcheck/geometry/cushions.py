"""What may hide where a scanned surface has a gap: volumes that stand out on both sides of it.

A membrane over a gap is a guess, and nothing is less flat than what a scanner missed. So each gap
gets a *cushion*: all balls whose middle lies on the membrane and that reach to the gap's border.

- Over a flat gap it stands out by half the gap's width: what stands out further would have hidden
  scanned metal beside the gap as well, seen at 45° (judgement).
- Over a gap that runs round a right-angled edge it holds the lost edge, whichever way the gap was
  cut (Thales: the edge lies on the ball over the chord), where the membrane alone cuts the corner.

A notch in the outer border of a surface, narrower than ``BAY_MM``, is a gap as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.membranes import Membrane, membrane, segment_distances
from fitcheck.geometry.sampling import points_on_triangles
from fitcheck.geometry.solids import Solid

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

SMALLEST_MM = 10.0
"""Through a gap less than this across no part passes: it gets one ball round it, and no membrane (judgement)."""

FULL = 1.1
"""Balls are larger by this than what just reaches the border: room for noise and for the spacing of balls."""

MOST_MM = 150.0
"""The most that a cushion stands out, however wide the gap (judgement)."""

BAY_MM = 250.0
"""A notch in an outer border with a mouth narrower than this is taken for a gap (judgement)."""

DENT_MM = 500.0
"""So is a shallow one with a mouth up to this, where the border runs straight on beyond it (judgement)."""

_ALIKE, _HAIR_MM = 5, 1e-6  # decimals, and mm: no choice hangs on the last bits of a scan
_BAY_SHARE = 0.3  # its area over the square of its mouth: a half disc has 0.39, a right-angled corner 0.25
_BAY_AREA_MM2 = 5.0
_DENT_SHARE = 0.02
_DENT_DEPTH_MM = 8.0  # its area over its mouth
_DENT_RUN_MM = 50.0  # the border is looked at this far beyond a dent
_DENT_TURN = 0.94  # least cosine between the border there and the mouth: 20°
_LEAST_SEGMENTS = 24  # of a ball's mesh: its faces are within 0.93 of the radius, more than 1/FULL
_SHARE_APART = 0.3  # balls stand this share of their radius apart: between two, 0.99 of it still stands
_LEAST_SHARE = 0.2  # balls smaller than this share of the largest are left out: they stand out least


@dataclass(frozen=True, eq=False)
class Cushion:
    """``balls`` (n, 4): middles and radii in mm; ``width_mm``: of the gap, the widest ball that passes it."""

    membrane: Membrane
    balls: Floats
    width_mm: float

    @property
    def middle_mm(self) -> Floats:
        """The middle of its largest ball."""
        return np.asarray(self.balls[0, :3])

    def extents(self) -> Floats:
        """Least and greatest corner (2, 3)."""
        middles, radii = self.balls[:, :3], self.balls[:, 3:]
        return np.array([(middles - radii).min(axis=0), (middles + radii).max(axis=0)])


def cushion(loop: Floats, *, mouth: bool = False) -> Cushion | None:
    """The cushion over a closed loop (k, 3); None where no ball of ``SMALLEST_MM`` passes it: see :func:`small_balls`.

    ``mouth``: from its last corner to its first the loop is closed by a straight mouth, to which balls need not reach.
    """
    cover = membrane(loop)
    if len(cover.faces) == 0:
        return None
    size = float(np.ptp(cover.border, axis=0).max())
    if size < SMALLEST_MM:
        return None
    border = cover.border  # as near to the loop as its slack, and of far fewer corners
    starts, ends = (border[:-1], border[1:]) if mouth else (border, np.roll(border, -1, axis=0))
    spots = points_on_triangles(cover.corners, max(size / 40.0, SMALLEST_MM / 4.0))
    reach = least_to_segments(spots, starts, ends)
    width = 2.0 * float(reach.max())
    if width < SMALLEST_MM:
        return None
    balls = _balls(spots, np.minimum(FULL * reach + cover.slack_mm, MOST_MM))
    return Cushion(cover, balls, width)


def small_balls(loop: Floats) -> Floats:
    """Balls (n, 4) that hold a gap too narrow for a cushion, and stand out of it no further than it is wide.

    One ball round a small gap; along a slit one every few millimetres of its border.
    """
    middle = loop.mean(axis=0)
    radius = FULL * float(np.linalg.norm(loop - middle, axis=1).max())
    if radius <= SMALLEST_MM:
        return np.append(middle, radius)[None]
    rim = _ruled(loop, SMALLEST_MM / 2.0)
    return np.column_stack([rim, np.full(len(rim), FULL * SMALLEST_MM / 2.0)])


def _ruled(loop: Floats, step_mm: float) -> Floats:
    """Points along a closed loop (k, 3), no farther apart than a step; its corners are among them."""
    ways = np.roll(loop, -1, axis=0) - loop
    counts = np.maximum(1, np.ceil(np.linalg.norm(ways, axis=1) / step_mm)).astype(int)
    return np.concatenate([a + np.arange(n)[:, None] / n * way for a, way, n in zip(loop, ways, counts, strict=True)])


def solid_of_small_balls(balls: Floats) -> Solid:
    """Balls (n, 4) of about one size as one solid: points grown by the largest radius."""
    rows = np.arange(len(balls), dtype=np.int32)
    return Solid(np.ascontiguousarray(balls[:, :3]), np.stack([rows] * 3, axis=1), radius_mm=float(balls[:, 3].max()))


def least_to_segments(points: Floats, starts: Floats, ends: Floats) -> Floats:
    """Least distance (n,) of each point (n, 3) to any of the segments (k, 3) to (k, 3); of none: infinite."""
    least = np.full(len(points), np.inf)
    step = max(1, 400_000 // max(1, len(starts)))
    for first in range(0, len(points), step):
        some = points[first : first + step, None]
        least[first : first + step] = segment_distances(some, starts[None], ends[None]).min(axis=1)
    return least


def _balls(spots: Floats, radii: Floats) -> Floats:
    """The balls (n, 4) that matter, largest first: no middle within a share of a larger one's radius."""
    free = radii >= max(SMALLEST_MM / 4.0, _LEAST_SHARE * float(radii.max()))
    chosen: list[Floats] = []
    alike = np.round(np.column_stack([spots, -radii]), _ALIKE)  # balls that are alike come by their place
    order = np.lexsort(alike.T)
    order = order[free[order]]
    spots, radii = spots[order], radii[order]
    left = np.ones(len(order), dtype=bool)
    while left.any():
        k = int(left.argmax())
        chosen.append(np.append(spots[k], radii[k]))
        apart = np.linalg.norm(spots - spots[k], axis=1)
        # a smaller ball inside a larger one adds nothing, however far its middle is
        left &= (apart > _SHARE_APART * radii[k] + _HAIR_MM) & (apart + radii > radii[k] + _HAIR_MM)
    return np.array(chosen)


def solid_of_balls(balls: Floats) -> Solid:
    """The union of balls (n, 4), n ≥ 1, as one closed mesh that lies in them and holds 1/``FULL`` of each."""
    import manifold3d

    meshes = [_ball(ball) for ball in balls]
    whole = manifold3d.Manifold.batch_boolean(meshes, manifold3d.OpType.Add) if len(meshes) > 1 else meshes[0]
    return as_solid(whole)


def _ball(ball: Floats) -> Any:
    import manifold3d

    segments = int(np.clip(4 * np.ceil(np.sqrt(ball[3]) / 1.2), _LEAST_SEGMENTS, 48))
    return manifold3d.Manifold.sphere(float(ball[3]), segments).translate(tuple(float(c) for c in ball[:3]))


def inner_hull(middles: Floats, radius_mm: float) -> Any:
    """The convex hull of equal balls about (n, 3) middles, tessellated inside the true surface."""
    import manifold3d

    ball = manifold3d.Manifold.sphere(radius_mm, 64)
    return manifold3d.Manifold.batch_hull([ball.translate(tuple(float(c) for c in middle)) for middle in middles])


def as_solid(whole: Any) -> Solid:
    """A manifold of the library as a solid; an empty one has no faces."""
    mesh = whole.to_mesh64()
    vertices = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
    return Solid(np.array(vertices), np.array(mesh.tri_verts, dtype=np.int32), convex=False)


def as_manifold(solid: Solid) -> Any:
    """A closed solid without a ball radius, as a manifold of the library."""
    import manifold3d

    # the library wants arrays that it could write to
    mesh = manifold3d.Mesh64(np.array(solid.vertices, order="C"), np.array(solid.faces, dtype=np.uint64, order="C"))
    return manifold3d.Manifold(mesh)


def less(solid: Solid, taken: Sequence[Solid]) -> Solid | None:
    """A closed solid without what lies in others; None where nothing is left."""
    whole = as_manifold(solid)
    for other in taken:
        whole = whole - as_manifold(other)
    left = as_solid(whole)
    return left if len(left.faces) else None


# --- notches in an outer border -------------------------------------------------------------------------------------


def bays(border: Floats, normals: Floats) -> list[tuple[int, int]]:
    """Notches of a closed outer border (k, 3): (first, last) corners of each, counted on past k where it runs round.

    ``normals`` (k, 3) are those of the surface at the border, whose faces run the border forwards. A notch has a
    mouth of at most ``BAY_MM`` and is about as full as a half disc; or it is a shallow dent, up to ``DENT_MM`` wide, in
    a border that is straight on both sides of it. The largest first, none overlapping.
    """
    count = len(border)
    if count < 4:
        return []
    ring = np.concatenate([border, border])
    median = max(float(np.median(np.linalg.norm(np.diff(ring, axis=0), axis=1))), 1e-9)
    most = int(np.clip(np.ceil(2.0 * DENT_MM / median), 3, min(count - 1, 400)))
    run = int(np.clip(np.ceil(_DENT_RUN_MM / median), 1, max(1, count // 4)))
    before = _unit_rows(border - np.roll(border, run, axis=0))
    after = _unit_rows(np.roll(border, -run, axis=0) - border)
    first = np.arange(count)
    sums = np.concatenate([np.zeros((1, 3)), np.cumsum(np.cross(ring[:-1], ring[1:]), axis=0)])
    facing = np.concatenate([np.zeros((1, 3)), np.cumsum(np.concatenate([normals, normals]), axis=0)])
    found: list[tuple[float, int, int]] = []
    for length in range(2, most + 1):
        last = first + length
        mouth = ring[last] - ring[first]
        width = np.linalg.norm(mouth, axis=1)
        area = (sums[last] - sums[first] + np.cross(ring[last], ring[first])) / 2.0
        mean = facing[last + 1] - facing[first]
        size = -np.einsum("ki,ki->k", area, mean) / np.maximum(np.linalg.norm(mean, axis=1), 1e-12)
        straight = np.minimum(_along(before, mouth), _along(after[last % count], mouth)) >= _DENT_TURN * width
        full = (width <= BAY_MM) & (size >= _BAY_SHARE * width**2) & (size >= _BAY_AREA_MM2)
        dent = straight & (width <= DENT_MM) & (size >= _DENT_DEPTH_MM * width) & (size >= _DENT_SHARE * width**2)
        # of mouths that hold about the same, the narrower one: a strip of a millimetre does not count
        found += [(float(size[k] - width[k]), int(k), int(last[k])) for k in np.flatnonzero(full | dent)]
    return _apart(found, count)


def _unit_rows(ways: Floats) -> Floats:
    return np.asarray(ways / np.maximum(np.linalg.norm(ways, axis=1), 1e-12)[:, None])


def _along(ways: Floats, mouth: Floats) -> Floats:
    return np.asarray(np.einsum("ki,ki->k", ways, mouth))


def _apart(found: list[tuple[float, int, int]], count: int) -> list[tuple[int, int]]:
    taken = np.zeros(count, dtype=bool)
    kept = []
    for _, first, last in sorted(found, reverse=True):
        rows = np.arange(first, last) % count
        if not taken[rows].any():
            taken[rows] = True
            kept.append((first, last))
    return kept
