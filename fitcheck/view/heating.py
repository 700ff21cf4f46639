"""Heat onto the stage, one thing at a time: what a window does between frames, and a picture at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fitcheck.checks.heat import Heat, HeatMap
from fitcheck.vehicle.scene import SCAN, Scene
from fitcheck.view.stage import Stage

SWEPT, STATIC = "swept", "as scanned"


class Hearth:
    """The heat of scenes, each map computed once and kept."""

    def __init__(self) -> None:
        self._heats: dict[int, tuple[Scene, Heat]] = {}
        self._maps: dict[tuple[int, str, str], HeatMap] = {}

    def map_of(self, scene: Scene, name: str, mode: str) -> HeatMap:
        """The map of a part or of the scan. ``mode``: the least of every pose (SWEPT), or as scanned (STATIC)."""
        key = (id(scene), name, mode)
        if key not in self._maps:
            _, heat = self._heats.setdefault(id(scene), (scene, Heat(scene)))  # the scene is held: its id stays its own
            swept = mode == SWEPT
            self._maps[key] = heat.scan(swept=swept) if name == SCAN else heat.part(name, swept=swept)
        return self._maps[key]

    def steps(self, shown: Sequence[tuple[Scene, Stage]], mode: str) -> Iterator[str]:
        """Paint every part and the scan of each stage; before each the words of what is being computed."""
        for scene, stage in shown:
            for name in [*stage.parts, *([SCAN] if stage.scan is not None else [])]:
                yield f"heat of {name} …"
                stage.paint_heat(self.map_of(scene, name, mode))
