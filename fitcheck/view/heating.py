"""Heat onto the stage, one thing at a time: what a window does between frames, and a picture at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from fitcheck.checks.heat import SPACING_MM, Heat, HeatMap
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import SCAN, Scene
from fitcheck.view.stage import Stage

SWEPT, STATIC = "swept", "as scanned"


class Hearth:
    """The heat of scenes, each map computed once and kept."""

    def __init__(self) -> None:
        self._heats: dict[int, tuple[Scene, Heat]] = {}
        self._maps: dict[tuple[int, str, str], HeatMap] = {}

    def map_of(self, scene: Scene, name: str, mode: str) -> HeatMap:
        """The map of a part or of the scan by distances. ``mode``: least of every pose (SWEPT), as scanned (STATIC)."""
        key = (id(scene), name, mode)
        if key not in self._maps:
            _, heat = self._heats.setdefault(id(scene), (scene, Heat(scene)))  # the scene is held: its id stays its own
            swept = mode == SWEPT
            self._maps[key] = heat.scan(swept=swept) if name == SCAN else heat.part(name, swept=swept)
        return self._maps[key]

    def steps(self, stages: Sequence[Stage], mode: str) -> Iterator[str]:
        """Paint every part and the scan of each stage; before each the words of what is being computed."""
        for stage in stages:
            for name in [*stage.parts, *([SCAN] if stage.scan is not None else [])]:
                yield f"heat of {name} …"
                heat = self.map_of(stage.scene, name, mode)
                rows = [row for row in stage.result.clearances if mode == SWEPT or not row.pose]
                stage.paint_heat(as_judged(heat, rows))


_FAILS_MOST, _OPEN_MOST = 0.99, 1.99
"""The highest levels of what FAILs, and of what is NOT PROVEN."""


def as_judged(heat: HeatMap, rows: Sequence[Clearance]) -> HeatMap:
    """The map with no colour better than the verdicts of the thing's pairs.

    A distance alone does not tell that a pair is undecided for another reason (an open mesh, no scanned metal
    near): what such a pair decides is too close to call all over. And the nearest place of a pair that is not
    PASS can lie between heat points: the one next to it shows the pair's own verdict.
    """
    level = heat.level.copy()
    for row in rows:
        if heat.thing not in row.between or row.verdict is Verdict.PASS:
            continue
        side = row.between.index(heat.thing)
        most = _FAILS_MOST if row.verdict is Verdict.FAIL else _OPEN_MOST
        if row.at_least_mm is None or row.at_least_mm - row.guard_mm >= row.must_mm:
            other = row.between[1 - side]
            decided = [number for number, name in enumerate(heat.others) if name == other]
            mine = np.isin(heat.other, decided)
            level[mine] = np.minimum(level[mine], most)
        if row.points_mm is not None and len(level):
            away = np.linalg.norm(heat.points_mm - np.array(row.points_mm[side]), axis=1)
            nearest = int(away.argmin())
            if away[nearest] <= 2.0 * SPACING_MM:
                level[nearest] = min(level[nearest], most)
    return replace(heat, level=level)
