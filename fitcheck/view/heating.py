"""Heat onto the stage, one thing at a time: what a window does between frames, and a picture at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.heat import SPACING_MM, Heat, HeatMap
from fitcheck.checks.heat_unseen import OPEN_LEVEL, no_doubt
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import SCAN, Scene
from fitcheck.view.stage import Stage
from fitcheck.view.unseen import only_unseen

SWEPT, STATIC = "swept", "as scanned"


class Hearth:
    """The heat of scenes, each map computed once and kept."""

    def __init__(self) -> None:
        self._heats: dict[int, tuple[Scene, Heat]] = {}
        self._maps: dict[tuple[int, str, str], HeatMap] = {}

    def map_of(self, scene: Scene, name: str, mode: str, rows: Sequence[Clearance] = ()) -> HeatMap:
        """The map of a part or of the scan by distances. ``mode``: least of every pose (SWEPT), as scanned (STATIC).

        ``rows``: what the scene's check found.
        """
        key = (id(scene), name, mode)
        if key not in self._maps:
            # the scene is held, so that its id stays its own
            _, heat = self._heats.setdefault(id(scene), (scene, Heat(scene, rows)))
            swept = mode == SWEPT
            self._maps[key] = heat.scan(swept=swept) if name == SCAN else heat.part(name, swept=swept)
        return self._maps[key]

    def steps(self, stages: Sequence[Stage], mode: str) -> Iterator[str]:
        """Paint every part and the scan of each stage; before each the words of what is being computed."""
        for stage in stages:
            for name in [*stage.parts, *([SCAN] if stage.scan is not None else [])]:
                yield f"heat of {name} …"
                heat = self.map_of(stage.scene, name, mode, stage.result.clearances)
                rows = [row for row in stage.result.clearances if mode == SWEPT or not row.pose]
                stage.paint_heat(as_judged(heat, rows))


_FAILS_MOST = 0.99
"""The highest level of what FAILs."""


def as_judged(heat: HeatMap, rows: Sequence[Clearance]) -> HeatMap:
    """The map with no colour better than the verdicts of the thing's pairs.

    A distance alone does not tell that a pair is undecided for another reason (an open mesh, no scanned metal
    near): what such a pair decides is too close to call all over. And the nearest place of a pair that is not
    PASS can lie between heat points: the one next to it shows the pair's own verdict. Where a pair is undecided
    only by what was not seen, or by assumed metal, its colours do not pass near that, and elsewhere are its own.
    """
    open_rows = [row for row in rows if heat.thing in row.between and row.verdict is not Verdict.PASS]
    unseen = [row for row in open_rows if _by_evidence(row)]
    for row in open_rows:
        if row not in unseen:
            heat = _capped(heat, row)
    if heat.thing == SCAN:
        return _edges_marked(heat, unseen)
    for row in unseen:
        heat = _with_doubt(heat, row)
    return heat


def _clear_of_metal(row: Clearance) -> bool:
    return row.at_least_mm is not None and row.at_least_mm - row.guard_mm >= row.must_mm


def _by_evidence(row: Clearance) -> bool:
    """Whether nothing but an unseen place, or assumed metal, keeps a row from being proven."""
    return _clear_of_metal(row) and (only_unseen(row) or (row.assumed and row.verdict is Verdict.NOT_PROVEN))


def _capped(heat: HeatMap, row: Clearance) -> HeatMap:
    side, level = row.between.index(heat.thing), heat.level.copy()
    most = _FAILS_MOST if row.verdict is Verdict.FAIL else OPEN_LEVEL
    if row.at_least_mm is None or _clear_of_metal(row):
        mine = _decided_by(heat, row)
        level[mine] = np.minimum(level[mine], most)
    if row.points_mm is not None:
        nearest = _nearest(heat, row.points_mm[side])
        if nearest is not None:
            level[nearest] = min(level[nearest], most)
    return replace(heat, level=level)


def _with_doubt(heat: HeatMap, row: Clearance) -> HeatMap:
    """On a part the map is capped already, but for a place between its points."""
    doubt, level = heat.doubt or no_doubt(len(heat.level)), heat.level.copy()
    nearest = None if row.unseen_from_mm is None else _nearest(heat, row.unseen_from_mm)
    if nearest is not None and row.unseen_mm is not None and only_unseen(row):
        doubt = doubt.with_point(nearest, row.unseen_mm, row.unseen_place)
    if not doubt.open.any():
        return _capped(heat, row)  # where it is cannot be shown: nowhere, then
    level[doubt.open] = np.minimum(level[doubt.open], OPEN_LEVEL)
    return replace(heat, level=level, doubt=doubt)


def _edges_marked(heat: HeatMap, rows: Sequence[Clearance]) -> HeatMap:
    """On the scan: what such a pair decides is open along the edge of the place, and there alone."""
    if heat.doubt is None:
        return heat
    edge = np.zeros(len(heat.level), dtype=bool)
    for row in rows:
        edge |= _decided_by(heat, row) & (heat.doubt.unseen_mm < row.must_mm + row.guard_mm)
    level = np.where(edge, np.minimum(heat.level, OPEN_LEVEL), heat.level)
    return replace(heat, level=level, doubt=heat.doubt.only(edge))


def _decided_by(heat: HeatMap, row: Clearance) -> NDArray[np.bool_]:
    """The points that the other thing of a row decides."""
    other = row.between[1 - row.between.index(heat.thing)]
    return np.isin(heat.other, [number for number, name in enumerate(heat.others) if name == other])


def _nearest(heat: HeatMap, point_mm: Sequence[float]) -> int | None:
    """The point next to a place; None where none is near."""
    if len(heat.points_mm) == 0:
        return None
    away = np.linalg.norm(heat.points_mm - np.array(point_mm), axis=1)
    return int(away.argmin()) if away.min() <= 2.0 * SPACING_MM else None
