"""Where one looks from: the same places for every arrangement of a vehicle."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.vehicle.scene import Axle, Scene

Floats = NDArray[np.float64]

MARGIN = 1.06
VIEW_ANGLE_DEG = 26.0

_TAN = math.tan(math.radians(VIEW_ANGLE_DEG) / 2.0)


@dataclass(frozen=True)
class Camera:
    """A view of the box round ``centre_mm``: looking along ``look``, ``up`` on the picture, in the vehicle frame.

    ``half_height_mm``: half of what the picture's height shows at the centre. ``flat``: parallel projection, as
    on a drawing. ``aside``: how far to the left the centre appears, as a share of half the picture's width.
    """

    name: str
    centre_mm: Floats
    look: Floats
    up: Floats
    half_height_mm: float
    flat: bool
    aside: float = 0.0

    def moved_to(self, centre_mm: Floats, half_height_mm: float) -> Camera:
        """The same direction with another middle and size."""
        return Camera(self.name, np.asarray(centre_mm), self.look, self.up, half_height_mm, self.flat)


_WAYS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float], bool]] = {
    # name: (looking along, up, parallel); the front is to the left from the side and from below
    "side": ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0), True),
    "below": ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), True),
    "rear": ((-1.0, 0.0, 0.0), (0.0, 0.0, 1.0), True),
    "three_quarter": ((-0.62, 0.58, 0.53), (0.0, 0.0, 1.0), False),
    "above": ((0.0, 0.0, -1.0), (0.0, 1.0, 0.0), True),
}
VIEWS = tuple(_WAYS)
PICTURED = ("side", "below", "rear", "three_quarter")


BAR_ROOM = 0.13
"""The share of a picture's width that stays free on the right, for the heat bar and the words beside it."""


def camera_of(view: str, box: Floats, aspect: float) -> Camera:
    """A named view that shows a box (2, 3) whole in a picture ``aspect`` times as wide as high, left of the bar."""
    look, up, flat = _WAYS[view]
    return _framed(view, (np.array(look), np.array(up)), flat, box, aspect)


def _framed(name: str, axes: tuple[Floats, Floats], flat: bool, box: Floats, aspect: float) -> Camera:
    look, up = axes
    look = look / np.linalg.norm(look)
    right = np.cross(look, up)
    right /= np.linalg.norm(right)
    up = np.cross(right, look)
    corners = (np.array(list(itertools.product((-0.5, 0.5), repeat=3))) * (box[1] - box[0])) @ np.array(
        [right, up, look]
    ).T
    needed = np.maximum(np.abs(corners[:, 0]) / (aspect * (1.0 - BAR_ROOM)), np.abs(corners[:, 1]))
    if not flat:  # what is nearer looks larger: how far back the eye must stand for each corner
        needed = (needed / _TAN - corners[:, 2]) * _TAN
    size = MARGIN * max(float(needed.max()), 1.0)
    return Camera(name, box.mean(axis=0), look, up, size, flat, BAR_ROOM)


def across(points_mm: Floats, view: Camera) -> Camera:
    """Close up on two points (2, 3): seen square to the line between them, as nearly as can be along ``view``.

    Points that coincide are seen along ``view`` itself.
    """
    middle, line = points_mm.mean(axis=0), points_mm[1] - points_mm[0]
    length = float(np.linalg.norm(line))
    half = float(np.clip(4.0 * length, 90.0, 400.0))
    if length < 1e-3:
        return view.moved_to(middle, half)
    line = line / length
    look = view.look - (view.look @ line) * line
    if np.linalg.norm(look) < 0.2:  # the view looks along the line: take the axis most nearly square to it
        axis = np.eye(3)[int(np.abs(line).argmin())]
        look = axis - (axis @ line) * line
    look = look / np.linalg.norm(look)
    up = view.up - (view.up @ look) * look
    up = line if np.linalg.norm(up) < 1e-6 else up / np.linalg.norm(up)
    return Camera("close", middle, look, up, half, True)


def onto(points_mm: Floats | None, box: Floats, view: Camera) -> Camera:
    """Close up on a box (2, 3), with two points (2, 3) in the middle where they are known, seen square to it."""
    middle = box.mean(axis=0)
    close = view.moved_to(middle, 0.0) if points_mm is None else across(points_mm, view)
    right = np.cross(close.look, close.up)
    corners = np.array(list(itertools.product(*zip(box[0], box[1], strict=True)))) - close.centre_mm
    reach = max(float(np.abs(corners @ axis).max()) for axis in (right / np.linalg.norm(right), close.up))
    return close.moved_to(close.centre_mm, float(np.clip(1.25 * reach, max(close.half_height_mm, 90.0), 700.0)))


def box_of(scenes: Sequence[Scene]) -> Floats:
    """The box (2, 3) of all that is in the scenes: of arrangements whose parts stay within the vehicle always the same.

    Scanned specks far off do not count: of the scan's tiles the middle 99 % along each axis. Of nothing at
    all: a metre's cube.
    """
    boxes = [box for scene in scenes for box in _boxes(scene)]
    if not boxes:
        return np.array([[-500.0] * 3, [500.0] * 3])
    found = np.array(boxes)
    return np.array([found[:, 0].min(axis=0), found[:, 1].max(axis=0)])


def _boxes(scene: Scene) -> list[Floats]:
    boxes = []
    scanned = [] if scene.scan is None else [scene.scan.metal, scene.scan.assumed]
    for tiles in (surface.boxes for surface in scanned if surface is not None and surface.tile_count):
        boxes.append(np.array([np.quantile(tiles[:, 0], 0.005, axis=0), np.quantile(tiles[:, 1], 0.995, axis=0)]))
    for body in scene.moving:
        boxes += [solid.extents() for solid in body.solids(body.space.scan_pose)]
    boxes += [solid.extents() for part in scene.parts for solid in part.solids]
    return boxes + [_tyres_box(axle) for axle in scene.axles.values()]


def _tyres_box(axle: Axle) -> Floats:
    radius, half = axle.tyre.radius_mm, (axle.track_mm + axle.tyre.width_mm) / 2.0
    hub = radius if axle.hub_z_mm is None else axle.hub_z_mm
    return np.array([[axle.x_mm - radius, -half, 0.0], [axle.x_mm + radius, half, hub + radius]])


def distance_mm(camera: Camera) -> float:
    """How far back from the centre the eye stands: there the picture's height shows ``half_height_mm`` twice."""
    return camera.half_height_mm / _TAN
