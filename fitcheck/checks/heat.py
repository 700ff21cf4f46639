"""Heat: at every point of a part, or of the scan, how near the nearest other thing comes, by the pair's own rule.

The pairs are those of the check, and a place that is declared to touch is left out as the check leaves it
out; excluded pairs give no heat. Heat is computed on parts and on the scan; moving bodies count in it, as
scanned or over their whole travel, but have no map of their own.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.contacts import cut_out, too_deep
from fitcheck.checks.evidence import evidence_of
from fitcheck.checks.heat_places import Samples, samples_of, skin_of
from fitcheck.checks.heat_unseen import OPEN_LEVEL, Doubt, Doubts
from fitcheck.checks.pairing import Pairing, pair_up
from fitcheck.checks.pairs import StillPair
from fitcheck.checks.swept import MovingPair
from fitcheck.errors import InternalError
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.heat import StillField
from fitcheck.geometry.overlap import meet
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface
from fitcheck.geometry.sweep import corners_of
from fitcheck.result import Clearance
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import SCAN, Contact, Scene
from fitcheck.vehicle.swept_field import SweptField

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

SPACING_MM = 5.0
"""No edge of a heat map on a part is longer than this; the scan's longer edges are sampled between."""

TOP_LEVEL = 4.0
_ALMOST_NOTHING_MM = 1e-9


@dataclass(frozen=True, eq=False)
class HeatMap:
    """Heat on one thing, for n points in the vehicle frame.

    ``found_mm``: the least distance found to the thing that decides there, negative inside it, infinite
    with nothing within reach. ``at_least_mm``: no pose is below it; equal to ``found_mm`` for still pairs, and
    where they overlap. ``level``: see :func:`level_of`, of the pair that is lowest on it (of equals: the
    nearer). ``other``: that thing's row in ``others``, −1 for none. ``cover_mm``: no point of the thing's
    surface that the map covers is farther than this from a point asked. ``pose_bound_mm``: the greatest
    ``found_mm − at_least_mm``. ``rows``: for the scan, which vertices of its metal the points are; there
    a value is the least over the samples round the vertex. ``doubt``: what was not seen, or is assumed, near each
    point; on a part no level passes there, whatever the distance to metal. None: all was seen.
    """

    thing: str
    points_mm: Floats
    faces: Ints
    found_mm: Floats
    at_least_mm: Floats
    level: Floats
    other: Ints
    others: tuple[str, ...]
    cover_mm: float
    pose_bound_mm: float
    rows: Rows | None = None
    doubt: Doubt | None = None


def level_of(distance_mm: Floats, must_mm: float, want_mm: float, guard_mm: float) -> Floats:
    """Distances (n,) on a scale from 0 to 4 that goes with the verdict of the pair.

    0: inside or overlapping. Below 1 the pair fails (distance < must − guard), at 1.5 the distance is must, from 2
    on the pair passes (≥ must + guard), 3: want is met as well, 4 (and clipped there): twice that. Straight lines
    between. A distance above 0 is never below 1 where must − guard ≤ 0. Raises InternalError for NaN.
    """
    distance = np.asarray(distance_mm, dtype=np.float64)
    if np.isnan(distance).any():
        raise InternalError("a distance of heat must be a number")
    fails, passes = max(0.0, must_mm - guard_mm), must_mm + guard_mm
    wanted = max(want_mm, passes)
    knots = ((0.0, 0.0), (fails, 1.0), (must_mm, 1.5), (passes, 2.0), (wanted, 3.0), (2.0 * wanted, 4.0))
    level = np.zeros(distance.shape)
    for (low, bottom), (high, top) in itertools.pairwise(knots):
        share = (distance - low) / (high - low) if high > low else np.ones(distance.shape)
        level = np.where(distance >= low, bottom + np.clip(share, 0.0, 1.0) * (top - bottom), level)
    return np.where(distance <= 0.0, 0.0, level)


def top_mm(must_mm: float, want_mm: float, guard_mm: float) -> float:
    """The distance of level 4, beyond which a pair gives no heat."""
    return 2.0 * max(want_mm, must_mm + guard_mm, 0.5)


@dataclass(frozen=True, eq=False)
class _Side:
    """One pair seen from one of its two things: what it is measured to, and where it does not count."""

    pair: StillPair | MovingPair
    other: str
    target: tuple[Shape, ...]
    body: MovingBody | None
    skipped: tuple[Contact, ...] = ()  # places, grown, in which a point of this side does not count
    grow_mm: float = 0.0

    @property
    def reach_mm(self) -> float:
        rule = self.pair.chosen.rule
        return top_mm(rule.must_mm, rule.want_mm, self.pair.guard_mm)

    def level(self, found: Floats, at_least: Floats) -> Floats:
        """The level of the bound; only where an overlap was found it is 0."""
        rule = self.pair.chosen.rule
        sure = np.where(found <= 0.0, found, np.maximum(at_least, _ALMOST_NOTHING_MM))
        return level_of(sure, rule.must_mm, rule.want_mm, self.pair.guard_mm)

    def counts(self, points: Floats) -> Flags:
        keep = np.ones(len(points), dtype=bool)
        for contact in self.skipped:
            keep &= ~contact.at.contains(points, self.grow_mm)
        return keep


@dataclass(frozen=True, eq=False)
class PairHeat:
    """One pair on one of its things, without a reach: the bounds at each point, infinite where it does not count."""

    points_mm: Floats
    found_mm: Floats
    at_least_mm: Floats
    cover_mm: float

    @property
    def pose_bound_mm(self) -> float:
        """The greatest gap between what was found and the bound, among the points that can hold the least."""
        if len(self.found_mm) == 0 or not np.isfinite(self.found_mm).any():
            return 0.0
        near = self.at_least_mm <= self.found_mm.min() + self.cover_mm
        return float((self.found_mm[near] - self.at_least_mm[near]).max())


class Heat:
    """The heat of one scene, a thing at a time; what several maps rest on is built when first needed, and kept.

    ``rows``: what its check found, if that is known: no place of a pair comes nearer than what is proven of it all,
    which over many coordinates is sharper than the bound of a map.
    """

    def __init__(self, scene: Scene, rows: Sequence[Clearance] = ()) -> None:
        self.scene = scene
        self._proven = {row.between: row.at_least_mm or 0.0 for row in rows}
        self._pairing: Pairing | None = None
        self._swept: dict[int, tuple[MovingBody, SweptField]] = {}
        self._fields: dict[int, tuple[tuple[Shape, ...], StillField]] = {}
        self._skins: dict[str, tuple[Floats, Ints, float]] = {}
        self._still: dict[tuple[str, str], Floats] = {}
        self._grown: dict[int, float | None] = {}
        self._samples: Samples | None = None
        self._seen: dict[str, list[_Side]] = {}
        self._doubts: Doubts | None = None

    def things(self) -> tuple[str, ...]:
        """What heat can be computed on: every part with a shape, and the scan."""
        scan = (SCAN,) if self.scene.scan is not None and self.scene.scan.metal.triangle_count else ()
        carried = {body.name for body in self.scene.moving}
        return tuple(part.name for part in self.scene.parts if part.solids and part.name not in carried) + scan

    def maps(self, *, swept: bool) -> Iterator[HeatMap]:
        """The map of every thing, one at a time."""
        for name in self.things():
            yield self.scan(swept=swept) if name == SCAN else self.part(name, swept=swept)

    def part(self, name: str, *, swept: bool) -> HeatMap:
        """Heat on a part's surface, at ≤ 5 mm spacing.

        ``swept``: moving bodies at their worst pose for each point; else as the vehicle was scanned. Raises
        InternalError for a name that is not a part with a shape.
        """
        points, faces, cover = self._skin(name)
        sides = self._sides(name)
        asked = _Asked(self, name, points, swept)
        best = _least(sides, asked)
        return self._doubted(_map(name, points, faces, best, sides, cover), sides, asked)

    def scan(self, *, swept: bool) -> HeatMap:
        """Heat at the scanned metal's vertices that have something within reach; of those alone the map is made.

        Where the metal's triangles have edges above 5 mm, places between are asked as well and the least is
        given to the triangle's corners. Raises InternalError without a scan.
        """
        sides = self._sides(SCAN)
        samples = self._scan_samples(sides)
        best = _least(sides, _Asked(self, SCAN, samples.points, swept))
        best = best.of(samples.lowest(np.lexsort((best.found, best.level))))
        keep = best.other >= 0
        number = np.full(len(samples.rows), -1, dtype=np.int32)
        number[keep] = np.arange(keep.sum(), dtype=np.int32)
        faces = number[samples.faces]
        faces = faces[(faces >= 0).all(axis=1)]
        points, rows = samples.points[: len(samples.rows)][keep], samples.rows[keep]
        found = _map(SCAN, points, faces, best.of(keep), sides, samples.cover_mm, rows)
        if not sides or self.doubts().none:
            return found
        clear_mm = max(side.pair.chosen.rule.must_mm + side.pair.guard_mm for side in sides)
        return replace(found, doubt=self.doubts().near_unseen(points, clear_mm))

    def _doubted(self, found: HeatMap, sides: Sequence[_Side], asked: _Asked) -> HeatMap:
        """The map of a part with nothing that passes where the scan is no evidence."""
        side = next((side for side in sides if side.other == SCAN), None)
        if side is None or self.doubts().none:
            return found
        clear_mm = side.pair.chosen.rule.must_mm + side.pair.guard_mm
        doubt = self.doubts().near(asked.points, clear_mm, asked.bounds(side)[0])
        level = np.where(doubt.open, np.minimum(found.level, OPEN_LEVEL), found.level)
        return replace(found, level=level, doubt=doubt)

    def pair(self, name: str, other: str, *, swept: bool, reach_mm: float = np.inf) -> PairHeat | None:
        """One pair on the surface of ``name``, also beyond the reach of its rule; None where it is not judged.

        On the scan ``reach_mm`` should be finite: it decides which of its metal is asked at all.
        """
        sides = [side for side in self._sides(name) if side.other == other]
        if not sides:
            return None
        if name == SCAN:
            samples = samples_of(self._metal(), [(_around(sides[0]), reach_mm)], SPACING_MM)
            points, cover = samples.points, samples.cover_mm
        else:
            points, _, cover = self._skin(name)
        found, at_least = self.bounds(sides[0], points, reach_mm, swept=swept)
        return PairHeat(points, found, at_least, cover)

    # -- what the maps rest on --

    def doubts(self) -> Doubts:
        """What the scan did not see or assumes. Raises InternalError without a scan."""
        if self._doubts is None:
            if self.scene.scan is None:
                raise InternalError("there is no scan to compute heat on")
            self._doubts = Doubts(evidence_of(self.scene.scan))
        return self._doubts

    def bounds(self, side: _Side, points: Floats, reach_mm: float, *, swept: bool) -> tuple[Floats, Floats]:
        """Distance found and bound of one pair at points (n, 3); infinite beyond the reach or where not judged."""
        found, at_least = np.full(len(points), np.inf), np.full(len(points), np.inf)
        if side.body is None and not side.target:
            return found, at_least  # declared to touch, and nothing is left beside the place
        rows = np.flatnonzero(side.counts(points)) if side.skipped else slice(None)
        if side.body is not None and swept:
            found[rows], at_least[rows] = self._swept_field(side.body).bounds(points[rows], reach_mm)
            proven = 0.0 if side.pair.contacts else self._proven.get(side.pair.between, 0.0)
            at_least = np.where(found > proven, np.maximum(at_least, proven), at_least)
        else:
            found[rows] = at_least[rows] = self._field(side).distances(points[rows], reach_mm)
        return found, at_least

    def _skin(self, name: str) -> tuple[Floats, Ints, float]:
        if name not in self._skins:
            self._skins[name] = skin_of(_solids_of(self.scene, name), SPACING_MM)
        return self._skins[name]

    def _field(self, side: _Side) -> StillField:
        shapes = side.target if side.body is None else tuple(side.body.solids(side.body.space.scan_pose))
        key = id(shapes) if side.body is None else id(side.body)
        if key not in self._fields:
            self._fields[key] = (shapes, StillField(shapes))  # the shapes are kept, so that their id stays theirs
        return self._fields[key][1]

    def _swept_field(self, body: MovingBody) -> SweptField:
        if id(body) not in self._swept:
            self._swept[id(body)] = body, SweptField(body)  # the body is kept, so that its id stays its own
        return self._swept[id(body)][1]

    def _metal(self) -> TiledSurface:
        if self.scene.scan is None or not self.scene.scan.metal.triangle_count:
            raise InternalError("there is no scan to compute heat on")
        return self.scene.scan.metal

    def _scan_samples(self, sides: Sequence[_Side]) -> Samples:
        if self._samples is None:
            self._samples = samples_of(self._metal(), [(_around(side), side.reach_mm) for side in sides], SPACING_MM)
        return self._samples

    def _sides(self, name: str) -> list[_Side]:
        """Every pair of a thing, seen from it."""
        if name not in self._seen:
            self._seen[name] = self._seen_from(name)
        return self._seen[name]

    def _seen_from(self, name: str) -> list[_Side]:
        if self._pairing is None:
            self._pairing = pair_up(self.scene)
        sides = [self._still_side(pair, name) for pair in self._pairing.still if name in pair.between]
        moving = [(body, pair) for body, pair in self._pairing.moving if pair.between[0] == name and pair.other is None]
        sides += [self._moving_side(pair, body) for body, pair in moving]
        return sides

    def _still_side(self, pair: StillPair, name: str) -> _Side:
        own_is_part = pair.between[0] == name
        target = _all_metal(pair) if own_is_part else pair.part
        other = pair.between[1] if own_is_part else pair.between[0]
        grow = self._grow_still(pair) if pair.contacts else None
        if grow is None:
            return _Side(pair, other, target, None)
        if own_is_part == _cuts_part(pair):  # this side itself has the place cut out of it
            return _Side(pair, other, target, None, pair.contacts, grow)
        return _Side(pair, other, tuple(cut_out(target, pair.contacts, grow)), None)

    def _moving_side(self, pair: MovingPair, body: MovingBody) -> _Side:
        grow = self._grow_moving(pair, body) if pair.contacts else None
        if grow is None:
            return _Side(pair, body.name, (), body)
        return _Side(pair, body.name, (), body, pair.contacts, grow)

    def _grow_still(self, pair: StillPair) -> float | None:
        """How far round its places the check cuts: None, not at all, where it finds the pair too deep in them."""
        if id(pair) not in self._grown:
            self._grown[id(pair)] = _grow_of(pair)
        return self._grown[id(pair)]

    def _grow_moving(self, pair: MovingPair, body: MovingBody) -> float | None:
        if id(pair) not in self._grown:
            corners = corners_of(body.space.low[None], body.space.high[None])[0]
            poses = [body.space.scan_pose, *corners]
            deep = any(too_deep(body.solids(pose), list(pair.shapes), pair.contacts) for pose in poses)
            self._grown[id(pair)] = None if deep else pair.chosen.rule.must_mm + pair.guard_mm
        return self._grown[id(pair)]


def heat_of_part(scene: Scene, name: str, *, swept: bool) -> HeatMap:
    """Heat on one part; for several maps of one scene make a :class:`Heat`, which keeps what they share."""
    return Heat(scene).part(name, swept=swept)


def heat_of_scan(scene: Scene, *, swept: bool) -> HeatMap:
    """Heat on the scan; for several maps of one scene make a :class:`Heat`."""
    return Heat(scene).scan(swept=swept)


def heat_of_pair(scene: Scene, name: str, other: str, *, swept: bool) -> PairHeat | None:
    """One pair on the surface of ``name``; None where the check does not judge it."""
    return Heat(scene).pair(name, other, swept=swept)


def _all_metal(pair: StillPair) -> tuple[Shape, ...]:
    """What a part is measured to: of the scan also what was taped since, and metal that is assumed."""
    if pair.evidence is None:
        return pair.other
    assumed = [] if pair.evidence.assumed is None else [pair.evidence.assumed]
    return (*pair.other, *(solid for solid, _ in pair.evidence.taped), *assumed)


# -- contacts --


def _cuts_part(pair: StillPair) -> bool:
    """Whether the check cuts the places out of the first thing: where the second is round and the first is not."""
    round_other = any(isinstance(shape, Solid) and shape.radius_mm for shape in pair.other)
    return round_other and not any(solid.radius_mm for solid in pair.part)


def _grow_of(pair: StillPair) -> float | None:
    if too_deep(pair.part, pair.other, pair.contacts) is not None:
        return None
    cut = cut_out(pair.part if _cuts_part(pair) else pair.other, pair.contacts, 0.0)
    if not cut:
        return pair.clear_mm
    whole = [shape for shape in pair.other if isinstance(shape, Solid)] if _cuts_part(pair) else list(pair.part)
    return pair.clear_mm if meet(whole, cut).contact == "apart" else 0.0


# -- the least of many pairs --


@dataclass(frozen=True, eq=False)
class _Best:
    """Per point the pair that decides: its bounds, its level, its number (−1: none)."""

    found: Floats
    at_least: Floats
    level: Floats
    other: Ints

    def of(self, which: Flags | Rows) -> _Best:
        return _Best(self.found[which], self.at_least[which], self.level[which], self.other[which])


@dataclass(frozen=True, eq=False)
class _Asked:
    """Points of one thing, to be asked against all its pairs."""

    heat: Heat
    name: str
    points: Floats
    swept: bool

    def bounds(self, side: _Side) -> tuple[Floats, Floats]:
        """Bounds of a pair within its reach; of still pairs of a part the answer is kept for the other map."""
        if side.body is not None or self.name == SCAN:
            return self.heat.bounds(side, self.points, side.reach_mm, swept=self.swept)
        key = (self.name, side.other)
        if key not in self.heat._still:
            self.heat._still[key] = self.heat.bounds(side, self.points, side.reach_mm, swept=False)[0]
        return self.heat._still[key], self.heat._still[key]


def _least(sides: Sequence[_Side], asked: _Asked) -> _Best:
    count = len(asked.points)
    far = np.full(count, np.inf)
    best = _Best(far.copy(), far.copy(), np.full(count, TOP_LEVEL), np.full(count, -1, dtype=np.int32))
    for number, side in enumerate(sides):
        found, at_least = asked.bounds(side)
        rows = np.flatnonzero(at_least < side.reach_mm)
        found, at_least = found[rows], at_least[rows]
        level = side.level(found, at_least)
        nearer = (level < best.level[rows]) | ((level == best.level[rows]) & (found < best.found[rows]))
        rows = rows[nearer]
        best.found[rows], best.at_least[rows] = found[nearer], at_least[nearer]
        best.level[rows], best.other[rows] = level[nearer], number
    return best


def _map(
    name: str, points: Floats, faces: Ints, best: _Best, sides: Sequence[_Side], cover: float, rows: Rows | None = None
) -> HeatMap:
    near = best.other >= 0
    if np.isnan(best.found).any() or (best.at_least > best.found).any() or not np.isfinite(best.found[near]).all():
        raise InternalError(f"heat of {name}: a distance is missing")
    bound = float((best.found[near] - best.at_least[near]).max(initial=0.0))
    others = tuple(side.other for side in sides)
    return HeatMap(
        name, points, faces, best.found, best.at_least, best.level, best.other, others, cover, bound, rows
    )


# -- where it is asked --


def _solids_of(scene: Scene, name: str) -> tuple[Solid, ...]:
    for part in scene.parts:
        if part.name == name and part.solids:
            return part.solids
    raise InternalError(f"{name!r} is not a part with a shape")


def _around(side: _Side) -> Floats:
    """A box (2, 3) round all that a side is measured to, over the whole travel; of nothing: one that holds nothing."""
    if side.body is not None:
        motion = side.body.space
        boxes = [piece.hulls(motion.low[None], motion.high[None]).boxes()[0] for piece in side.body.pieces]
        boxes += [solid.extents() for solid in side.body.solids(motion.scan_pose)]
    else:
        boxes = [shape.extents() for shape in side.target if isinstance(shape, Solid)]
        tiles = [shape.boxes for shape in side.target if isinstance(shape, TiledSurface)]
        boxes += [np.array([some[:, 0].min(axis=0), some[:, 1].max(axis=0)]) for some in tiles if len(some)]
    if not boxes:
        return np.array([np.full(3, np.inf), np.full(3, -np.inf)])
    return np.array([np.min([box[0] for box in boxes], axis=0), np.max([box[1] for box in boxes], axis=0)])
