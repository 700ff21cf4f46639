"""The certified least of a moving pair over each part of the travel: what the engine is asked, and how."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.movers import Movers
from fitcheck.checks.stretches import Stretch
from fitcheck.geometry.distance import Closest, Shape, box_gaps
from fitcheck.geometry.separation import separate
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface
from fitcheck.geometry.sweep import (
    MOST_BOXES,
    TOLERANCE_MM,
    Halfspaces,
    Obstacle,
    SweptLeast,
    corners_of,
    least_over_motion,
)
from fitcheck.geometry.sweep_pairs import Mover, Part, least_between_motions
from fitcheck.vehicle.motion import Space, Together, columns_of, together
from fitcheck.vehicle.moving import MovingBody

Floats = NDArray[np.float64]

_FIRST_BOXES, _MORE_BOXES, _MANY_BOXES = 600, 4_000, 12_000
"""What a search may take in one frame before the other is tried."""

_CONTACT_MM = 1e-3
_SCOUT_TILES = 3
_SCOUT_POSES = 4


@dataclass(frozen=True, eq=False)
class Found:
    """The least over a part of the travel: reached at ``pose`` (d,) of ``space``; no pose is below ``at_least_mm``."""

    stretch: Stretch
    distance_mm: float
    at_least_mm: float
    pose: Floats
    space: Space

    def described(self) -> dict[str, float]:
        """The pose in words of the trade."""
        return self.space.describe(self.pose)


def search(movers: Movers, parts: Sequence[Stretch], static: Closest, enough_mm: float = np.inf) -> list[Found]:
    """The least over each part of the travel, in their order; ``static`` is the pair at the scan pose.

    A part of the travel that is shown to stay farther than ``enough_mm`` keeps the honest bracket that it has then.
    """
    if not parts:
        return []
    found = [_Best(movers, part, static, enough_mm) for part in parts]
    if movers.other is not None:
        _search_other(movers, movers.other, found)
    else:
        for shape in movers.shapes:
            _search_shape(movers.body, shape, found)
    return [best.found() for best in found]


class _Best:
    """What is known of one part of the travel so far; a union's least is the least of its members."""

    def __init__(self, movers: Movers, part: Stretch, static: Closest, enough_mm: float) -> None:
        self.part, self.space, self.enough_mm = part, movers.space, enough_mm
        pose = movers.space.scan_pose
        scanned = bool(((part.low <= pose) & (pose <= part.high)).all())
        self.distance_mm = static.distance_mm if scanned else np.inf
        self.pose = pose if scanned else (part.low + part.high) / 2.0
        self.at_least_mm = np.inf

    @property
    def start(self) -> tuple[float, Floats]:
        return self.distance_mm, self.pose

    def is_open(self, bound_mm: float) -> bool:
        """Whether a bound leaves something to look for."""
        near = self.distance_mm - bound_mm > TOLERANCE_MM and bound_mm < self.enough_mm
        return bool(near and self.distance_mm > _CONTACT_MM)

    def asked(self) -> Part:
        """The question to the engine, from what is known."""
        return Part(self.part.low, self.part.high, *self.start, enough_mm=self.enough_mm)

    def reached(self, least: SweptLeast) -> None:
        """Take over a pose that comes nearer."""
        if least.distance_mm < self.distance_mm:
            self.distance_mm, self.pose = least.distance_mm, least.pose

    def take(self, least: SweptLeast) -> None:
        """Join what one member of the union, or one pair of bodies, yields."""
        self.at_least_mm = min(self.at_least_mm, least.at_least_mm)
        self.reached(least)

    def found(self) -> Found:
        at_least = min(self.at_least_mm, self.distance_mm)
        return Found(self.part, self.distance_mm, at_least, self.pose, self.space)


def _search_shape(body: MovingBody, shape: Shape, found: list[_Best]) -> None:
    """A body against one still shape."""
    asked = [(best, _obstacle(body, shape, best)) for best in found]
    asked = [(best, obstacle) for best, obstacle in asked if len(obstacle.atoms)]
    if not asked:
        return
    obstacles, limits = [obstacle for _, obstacle in asked], (body.space.low, body.space.high)
    least = least_over_motion(body.pieces, obstacles, limits, within=halfspaces(body.space))
    for (best, _), one in zip(asked, least, strict=True):
        best.take(one)


def _search_other(movers: Movers, other: MovingBody, found: list[_Best]) -> None:
    """Two bodies that both move, by turns in the frames in which their distance can be looked at."""
    bounds = np.full(len(found), -np.inf)
    within = halfspaces(movers.space)
    for seen, most_boxes in _turns(movers, other):
        still_open = [k for k, best in enumerate(found) if best.is_open(bounds[k])]
        if not still_open:
            break
        first, second = (Mover(body.pieces, columns_of(body.space, movers.space)) for body in seen)
        parts = [found[k].asked() for k in still_open]
        answers = least_between_motions(first, second, parts, most_boxes, within=within)
        for k, least in zip(still_open, answers, strict=True):
            bounds[k] = max(bounds[k], least.at_least_mm)
            found[k].reached(least)
    for best, bound in zip(found, bounds, strict=True):
        best.at_least_mm = 0.0 if best.distance_mm <= _CONTACT_MM else float(bound)


_Bodies = tuple[MovingBody, MovingBody]


def _turns(movers: Movers, other: MovingBody) -> Iterator[tuple[_Bodies, int]]:
    """Frames, and how many boxes a search in them may take: a hard pair is mostly hard in one of them alone."""
    own = movers.body, other
    yield own, _FIRST_BOXES
    if movers.seen is None:
        yield own, MOST_BOXES
        return
    yield movers.seen, _MORE_BOXES
    yield own, _MANY_BOXES
    yield movers.seen, MOST_BOXES


def halfspaces(space: Space) -> Halfspaces | None:
    """The limits on sums of coordinates of all blocks, as rows over the space; None where there are none."""
    gains, most = [], []
    for block in together(space).blocks:
        columns = columns_of(Together((block,)), space)
        for limit in block.limits:
            row = np.zeros(len(space.coordinates))
            row[columns] = limit.gains
            gains.append(row)
            most.append(limit.most)
    return Halfspaces(np.array(gains), np.array(most), space.scan_pose) if gains else None


def _obstacle(body: MovingBody, shape: Shape, best: _Best) -> Obstacle:
    """A still thing as convex atoms; of a surface only what that part of the travel can bring near enough."""
    low, high = best.part.low, best.part.high
    start_mm, pose = best.start
    if isinstance(shape, Solid):
        atoms = shape.vertices[None] if shape.convex else shape.vertices[shape.faces]
        return Obstacle(atoms, shape.radius_mm, start_mm, pose, low=low, high=high, enough_mm=best.enough_mm)
    start_mm, pose = _scouted(body, shape, best)
    near = np.zeros(shape.tile_count, dtype=bool)
    for piece in body.pieces:
        outer = piece.hulls(low[None], high[None]).boxes()[0]
        near |= box_gaps(shape.boxes[:, 0], shape.boxes[:, 1], outer[0], outer[1]) <= start_mm
    atoms = shape.triangles(shape.face_rows(np.flatnonzero(near)))
    return Obstacle(atoms, 0.0, start_mm, pose, low=low, high=high, enough_mm=best.enough_mm)


def _scouted(body: MovingBody, surface: TiledSurface, best: _Best) -> tuple[float, Floats]:
    """A better start: for each piece in its likeliest extreme poses, its distance to the nearest-looking tiles."""
    best_mm, pose = best.start
    corners = corners_of(best.part.low[None], best.part.high[None])[0]
    for piece in body.pieces:
        hulls = piece.hulls(corners, corners)
        outer = hulls.boxes()
        gaps = box_gaps(surface.boxes[None, :, 0], surface.boxes[None, :, 1], outer[:, None, 0], outer[:, None, 1])
        tiles = np.argsort(gaps, axis=1)[:, :_SCOUT_TILES]
        poses = np.sort(np.take_along_axis(gaps, tiles, axis=1).sum(axis=1).argsort()[:_SCOUT_POSES])
        atoms = [surface.triangles(surface.face_rows(np.sort(tiles[k]))) for k in poses]
        rows = np.repeat(poses, [len(some) for some in atoms])
        bounds = separate(hulls, rows, np.concatenate(atoms), np.full(len(rows), best_mm))
        k = int(bounds.upper_mm.argmin())
        if bounds.upper_mm[k] < best_mm:
            best_mm, pose = float(bounds.upper_mm[k]), corners[rows[k]]
    return best_mm, pose
