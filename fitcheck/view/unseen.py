"""Places that the scan did not see: how they look, and which of them keeps a pair from being proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.evidence import evidence_of
from fitcheck.geometry.skin import skin
from fitcheck.geometry.solids import Solid, sphere
from fitcheck.report.wording import clean, floor_mm, number, point_words, short_name
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import SCAN, Scene, UnseenPlace
from fitcheck.view import colours, hatching, lettering, shapes

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

_SEE_THROUGH = 0.45
_INK_SHARE = 0.6
_DASHES = 9
_NAME_CELLS = 44
_CROSS_MM = 300.0


@dataclass(frozen=True, eq=False)
class Unsettled:
    """What keeps a row from being proven: an unseen place nearer than the rule demands.

    ``place``: None where the scene has none of that name. ``points_mm`` (2, 3): the point of the thing that is
    nearest to the place, then the point of the place; None where they are not known. ``settle``: the reading
    that would settle it, in words.
    """

    name: str
    place: UnseenPlace | None
    distance_mm: float
    points_mm: Floats | None
    settle: str

    @property
    def reaches_in(self) -> bool:
        """Whether the thing stands in the place."""
        return self.distance_mm <= 0.0

    def lines(self, *, told: bool = False) -> list[str]:
        """What the words beside the picture say: where the place is, and what would settle it.

        ``told``: its name and why it was not seen have been said already.
        """
        return [*([] if told else [self._head()]), *self._places(), f"what settles it: {clean(self.settle)}"]

    def _head(self) -> str:
        kind = f" ({self.place.kind})" if self.place is not None else ""
        how = "the part reaches into it" if self.reaches_in else f"{floor_mm(self.distance_mm)} mm away"
        why = f": {clean(self.place.why)}" if self.place is not None and self.place.why else ""
        return f"not seen: {short_name(self.name, _NAME_CELLS)}{kind}, {how}{why}"

    def _places(self) -> list[str]:
        if self.points_mm is None:
            return []
        part, begins = spot(self.points_mm[0]), spot(self.points_mm[1])
        if part == begins:
            return [f"reached at {part}"]
        return [f"it begins at {begins}; the part's nearest point is {part}"]

    def spots(self) -> Floats:
        """Points (n, 3) on the place, and those of the line to it: what a close-up wants to show."""
        found = [] if self.points_mm is None else [self.points_mm]
        if self.place is not None:
            found.append(self.place.solid.vertices)
        return np.concatenate(found)

    def box(self) -> Floats:
        """A box (2, 3) round what a close-up has to show: both points, and the place as far as 300 mm from them."""
        points = np.empty((0, 3)) if self.points_mm is None else self.points_mm
        if self.place is None:
            return np.array([points.min(axis=0), points.max(axis=0)])
        extents = self.place.solid.extents()
        if len(points):
            extents = np.clip(extents, points.min(axis=0) - 300.0, points.max(axis=0) + 300.0)
        both = np.concatenate([points, extents])
        return np.array([both.min(axis=0), both.max(axis=0)])


def places_of(scene: Scene) -> tuple[UnseenPlace, ...]:
    """What the scan did not see, less what was measured since; nothing without a scan."""
    found = () if scene.scan is None else evidence_of(scene.scan).unseen
    return tuple(place for place in found if len(place.solid.faces))


def unsettled_by(places: Sequence[UnseenPlace], row: Clearance) -> Unsettled | None:
    """What keeps a row from being proven, where that is an unseen place; None for any other row."""
    if row.unseen_mm is None or not left_open(row):
        return None
    place = next((some for some in places if some.name == row.unseen_place), None)
    points = _points(row.unseen_from_mm, row.unseen_point_mm)
    if points is None and place is None:
        return None
    settle = row.settle if only_unseen(row) and row.settle else _reading(row, points)
    return Unsettled(row.unseen_place, place, max(0.0, row.unseen_mm), points, settle)


def left_open(row: Clearance) -> bool:
    """Whether an unseen place nearer than the rule demands keeps a row from being proven, and the row says where."""
    if row.verdict is not Verdict.NOT_PROVEN or not row.unseen_place or row.unseen_mm is None:
        return False
    return only_unseen(row) or row.unseen_mm <= 0.0 or row.unseen_mm < row.must_mm + row.guard_mm


def only_unseen(row: Clearance) -> bool:
    """Whether a row would pass but for an unseen place: its reason says so."""
    return row.verdict is Verdict.NOT_PROVEN and row.reason.startswith("unseen place")


def _points(start: Point | None, end: Point | None) -> Floats | None:
    if end is None:
        return None
    found = np.array([end if start is None else start, end], dtype=np.float64)
    return found if np.isfinite(found).all() else None


def _reading(row: Clearance, points: Floats | None) -> str:
    """What to tape, where the row does not say it."""
    where = "at the place" if points is None else f"at {spot(points[1])}"
    clear_mm = number(row.must_mm + row.guard_mm)
    return f"tape or feel {where}: is there metal within {clear_mm} mm of {clean(part_of(row))}?"


def part_of(row: Clearance) -> str:
    """The thing of a pair that is not the scan."""
    return row.between[0] if row.between[0] != SCAN else row.between[1]


def spot(point_mm: Floats) -> str:
    """ "x 1748, y -105, z 480"."""
    x, y, z = (float(value) for value in point_mm)
    return point_words((x, y, z))


def place_words(place: UnseenPlace) -> str:
    """What a click on a place says."""
    why = f": {clean(place.why)}" if place.why else ""
    low, high = place.solid.extents()
    name = short_name(place.name, _NAME_CELLS)
    return f"not seen: {name} ({clean(place.kind)}){why}; from {spot(low)} to {spot(high)} mm"


# -- how it looks --


def place_actors(place: UnseenPlace) -> tuple[Any, list[Any]]:
    """A place as blank paper that one sees through, and slanted ink over it. The first alone can be picked."""
    mesh = mesh_of_place(place.solid)
    fill = shapes.surface_actor(mesh, colours.UNSEEN, see_through=_SEE_THROUGH)
    fill.GetProperty().SetBackfaceCulling(True)
    fill.SetPickable(False)
    return fill, [hatching.hatch_actor(mesh, hatching.SLANTED, share=_INK_SHARE)]


def mesh_of_place(solid: Solid) -> Any:
    """The surface of a place; of a cloud of small balls (a solid that is not convex, with a radius) that of each."""
    if solid.radius_mm == 0.0 or solid.convex:
        shown = skin(solid)
        return shapes.polydata(shown.points_mm, shown.faces)
    one = skin(sphere((0.0, 0.0, 0.0), solid.radius_mm))
    middles = np.unique(solid.vertices[np.unique(solid.faces)], axis=0)
    points = (middles[:, None] + one.points_mm[None]).reshape(-1, 3)
    faces = np.arange(len(middles))[:, None, None] * len(one.points_mm) + one.faces[None]
    return shapes.polydata(points, faces.reshape(-1, 3))


def cross_actors(point_mm: Floats) -> list[Any]:
    """A cross along x, y and z at a point (3,), on top of everything: where on the vehicle a close-up was taken."""
    ends = np.asarray(point_mm) + np.stack([-_CROSS_MM * np.eye(3), _CROSS_MM * np.eye(3)], axis=1)
    line = shapes.line_actor(shapes.segments(ends), colours.MARK, width=8.0, on_top=True)
    rim, dot = shapes.dots_actor(point_mm, colours.MARK, 44.0), shapes.dots_actor(point_mm, colours.UNSEEN, 26.0)
    return [line, rim, dot]


def mark_actors(found: Unsettled, camera: Any) -> list[Any]:
    """The place that a row names: outline and ink on top of everything, and the dashed line from the part to it."""
    actors = []
    if found.place is not None:
        mesh = mesh_of_place(found.place.solid)
        actors.append(shapes.outline_actor(mesh, camera, colours.MARK, width=2.5))
        actors.append(hatching.hatch_actor(mesh, hatching.SLANTED, share=_INK_SHARE))
        shapes.keep_on_top(actors[-1])
    if found.points_mm is not None:
        actors += _dimension(found, found.points_mm)
    return actors


def _dimension(found: Unsettled, points_mm: Floats) -> list[Any]:
    """Dashes: up to there nobody has looked. Hollow dots at both ends, and how long it is."""
    share = np.linspace(0.0, 1.0, 2 * _DASHES)[:, None]
    ends = (points_mm[0] + share * (points_mm[1] - points_mm[0])).reshape(-1, 2, 3)
    line = shapes.line_actor(shapes.segments(ends), colours.MARK, width=3.0, on_top=True)
    rim = shapes.dots_actor(points_mm, colours.MARK, 15.0)
    middle = shapes.dots_actor(points_mm, colours.UNSEEN, 9.0)
    how = "reaches into" if found.reaches_in else f"{floor_mm(found.distance_mm)} mm to"
    words = lettering.label(
        f" {how} {short_name(found.name, _NAME_CELLS)}, not seen ", 14, font=lettering.BOLD, panel=colours.PANEL
    )
    style = words.GetTextProperty()
    style.SetFrame(True)
    style.SetFrameColor(*colours.rgb(colours.MARK))
    style.SetFrameWidth(2)
    return [line, rim, middle, lettering.at_place(words, points_mm[1], aside=(18.0, 16.0))]
