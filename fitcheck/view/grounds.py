"""The ground under a load state, and what owns its height and its angles."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.report.wording import clean, number
from fitcheck.result import Ground, Owned
from fitcheck.vehicle.scene import Scene
from fitcheck.view import colours, lettering, shapes

Floats = NDArray[np.float64]

_BEYOND_MM = 900.0
_FAR_MM = 5000.0
_TURN = 72
_ANGLES = ("approach", "departure", "breakover")


def ground_actors(scene: Scene, state: str, found: Ground) -> list[Any]:
    """The floor of a load state as a see-through plane, a plumb line at the lowest point, a line along each angle.

    Nothing where the floor is not known.
    """
    if len(found.floor_z_mm) != 2 or len(scene.axles) != 2:
        return []
    floor = _Floor(scene, found)
    actors = [*floor.plane(), *_tyres(scene, floor), *_named(floor.name_place(), f"ground, {clean(state)}")]
    belly = found.owners.get("belly")
    if belly is not None and belly.point_mm is not None:
        low = np.array(belly.point_mm)
        actors += _line(low, floor.under(low), f"belly {number(belly.value)} mm, {clean(belly.owner or '')}")
    for figure in _ANGLES:
        actors += _angle(floor, figure, found.owners.get(figure))
    return actors


class _Floor:
    """The plane through both axles' floor heights."""

    def __init__(self, scene: Scene, found: Ground) -> None:
        self.front, self.rear = scene.axles["front"], scene.axles["rear"]
        self.heights = found.floor_z_mm

    @property
    def slope(self) -> float:
        return (self.heights["rear"] - self.heights["front"]) / (self.rear.x_mm - self.front.x_mm)

    def z(self, x_mm: float) -> float:
        return self.heights["front"] + self.slope * (x_mm - self.front.x_mm)

    def under(self, point: Floats) -> Floats:
        """The foot of the perpendicular from a point."""
        normal = np.array([-self.slope, 0.0, 1.0]) / math.hypot(1.0, self.slope)
        return np.asarray(point - normal * (point[2] - self.z(point[0])) * normal[2])

    def foot(self, point: Floats, angle_deg: float, toward_x_mm: float) -> Floats:
        """Where the plane through a point meets the floor, at an angle to it, on the side of an axle."""
        below = self.under(point)
        along = np.array([1.0, 0.0, self.slope]) / math.hypot(1.0, self.slope)
        run = float(np.linalg.norm(point - below)) / max(math.tan(math.radians(angle_deg)), 1e-3)
        return np.asarray(below + along * math.copysign(min(run, _FAR_MM), toward_x_mm - point[0]))

    def stand(self, point: Floats, x_mm: float) -> Floats:
        """Where the wheels of an axle stand, in the length plane of a point."""
        return np.array([x_mm, point[1], self.z(x_mm)])

    def ends(self) -> tuple[float, float, float]:
        half = max(self.front.track_mm, self.rear.track_mm) / 2.0 + 250.0
        return self.front.x_mm - _BEYOND_MM, self.rear.x_mm + _BEYOND_MM, half

    def name_place(self) -> Floats:
        """Where its name stands: under the middle between the axles, on the left."""
        middle = (self.front.x_mm + self.rear.x_mm) / 2.0 + 350.0
        return np.array([middle, -self.ends()[2], self.z(middle)])

    def plane(self) -> list[Any]:
        """The floor and its rim: seen from the side it is a line."""
        start, end, half = self.ends()
        corners = np.array([[x, y, self.z(x)] for x, y in ((start, -half), (end, -half), (end, half), (start, half))])
        mesh = shapes.polydata(corners, np.array([[0, 1, 2], [0, 2, 3]]))
        actor = shapes.surface_actor(mesh, colours.FLOOR, see_through=0.28)
        actor.SetPickable(False)
        rim = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
        return [actor, shapes.line_actor(shapes.segments(rim), colours.FLOOR, width=2.0)]


def _tyres(scene: Scene, floor: _Floor) -> list[Any]:
    """The tyres' outlines on the floor of the load state: where wheels are, no more."""
    turn = np.linspace(0.0, 2.0 * np.pi, _TURN + 1)
    rings = []
    for axle in scene.axles.values():
        radius = axle.tyre.radius_mm
        hub = radius if axle.hub_z_mm is None else axle.hub_z_mm
        for side in (-1.0, 1.0):
            y = np.full_like(turn, side * axle.track_mm / 2.0)
            height = np.maximum(hub + radius * np.sin(turn), 0.0)  # flat where it stands
            ring = np.stack([axle.x_mm + radius * np.cos(turn), y, floor.z(axle.x_mm) + height], axis=1)
            rings.append(np.stack([ring[:-1], ring[1:]], axis=1))
    return [shapes.line_actor(shapes.segments(np.concatenate(rings)), colours.FAINT_INK, width=1.5)]


def _angle(floor: _Floor, figure: str, owned: Owned | None) -> list[Any]:
    """The line that touches the tyre, down from the owning point; for breakover to where both wheels stand.

    Nothing for an angle that nothing owns.
    """
    if owned is None or owned.point_mm is None or owned.value is None:
        return []
    point = np.array(owned.point_mm)
    axles = {"approach": (floor.front,), "departure": (floor.rear,), "breakover": (floor.front, floor.rear)}[figure]
    text = f"{figure} {number(owned.value)}°, {clean(owned.owner or '')}"
    actors: list[Any] = []
    for axle in axles:
        foot = floor.foot(point, owned.value, axle.x_mm) if figure != "breakover" else floor.stand(point, axle.x_mm)
        actors.append(shapes.line_actor(shapes.segments(np.array([[point, foot]])), colours.FLOOR, width=2.0))
    return [*actors, shapes.dots_actor(point[None], colours.FLOOR, 9.0), *_named(point, text)]


def _line(start: Floats, end: Floats, words: str) -> list[Any]:
    line = shapes.line_actor(shapes.segments(np.array([[start, end]])), colours.MARK, width=2.5, on_top=True)
    return [line, shapes.dots_actor(start[None], colours.MARK, 9.0), *_named((start + end) / 2.0, words)]


def _named(place: Floats, words: str) -> list[Any]:
    text = lettering.label(f" {words} ", 12, panel=colours.PANEL)
    return [lettering.at_place(text, place)]
