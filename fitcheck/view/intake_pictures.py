"""A looked-at scan from below, left and above, what is odd about it drawn in and numbered as in the text."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.reduce import Reduced
from fitcheck.intake import Box, Intake
from fitcheck.scan.intake.look import Looked
from fitcheck.view import colours, lettering, shapes
from fitcheck.view.cameras import VIEW_ANGLE_DEG, Camera, camera_of, distance_mm
from fitcheck.view.canvas import Canvas, Pixels
from fitcheck.view.clouds import fewer, mesh_of, thinned
from fitcheck.view.graphics import NoGraphics, ready_for_pictures
from fitcheck.view.picture import write_png

Floats = NDArray[np.float64]
Progress = Callable[[str], None]

WIDTH, HEIGHT = 1800, 1000
VIEWS = (("below", "below"), ("side", "left"), ("above", "above"))
"""Cameras, and what their pictures are called."""

MOST_TRIANGLES = 400_000
LABELS = 20
"""So many places of a kind are numbered, the largest; all are drawn."""

HOLE, SHEET_END, DOUBLED, SPECK, WITHIN = "#5a1060", "#8d8577", "#c4530f", "#1f6fb0", "#111417"
_LETTER = 13
_CORNER, _ARROW = (110.0, 110.0), 70.0  # pixels
_EDGES = ((0, 1), (2, 3), (4, 5), (6, 7), (0, 2), (1, 3), (4, 6), (5, 7), (0, 4), (1, 5), (2, 6), (3, 7))


@dataclass(frozen=True, eq=False)
class Mark:
    """Something to be numbered: its word, its place (3,) and its colour."""

    word: str
    place_mm: Floats
    colour: str


def take_intake_pictures(looked: Looked, folder: Path, progress: Progress | None = None) -> list[Path]:
    """Draw the scan from below, from the left and from above; the files "scan_below.png" and so on, replaced whole.

    Raises NoGraphics where nothing can be drawn, FileProblem where a file cannot be written.
    """
    ready_for_pictures()
    canvas = Canvas((WIDTH, HEIGHT), [0.0, 1.0], off_screen=True)
    try:
        sheet = _Sheet(canvas, looked)
        written = []
        for view, name in VIEWS:
            (progress or (lambda _: None))(f"drawing the scan from {'the left' if name == 'left' else name}")
            written.append(write_png(sheet.taken(view, name), folder / f"scan_{name}.png"))
        return written
    finally:
        canvas.close()


class _Sheet:
    """The scan and its marks in one renderer, laid along its own axes."""

    def __init__(self, canvas: Canvas, looked: Looked) -> None:
        self.canvas, self.looked = canvas, looked
        self.points = looked.vertices @ looked.axes.T
        report = looked.report
        for actor in [self._scan(), *self._loops(), *self._boxes(report), *self._specks(report)]:
            canvas.views[0].AddActor(actor)
        self.marks = [self._turned(mark) for mark in marks_of(report)]
        self._labels: list[Any] = []

    def _turned(self, mark: Mark) -> Mark:
        return Mark(mark.word, self.looked.axes @ mark.place_mm, mark.colour)

    def _scan(self) -> Any:
        cloud = self.looked.report.cloud
        whole = Reduced(self.points, self.looked.faces, np.arange(len(self.points)), 0.0)
        shown = thinned(whole, MOST_TRIANGLES) if cloud else fewer(whole, MOST_TRIANGLES, cloud=False)
        return shapes.surface_actor(mesh_of(shown, cloud=cloud), colours.SCAN)

    def _loops(self) -> Iterator[Any]:
        """Holes as bold lines, the ends of sheets as thin ones; drawn over what stands before them."""
        for outer, colour, width in ((True, SHEET_END, 1.5), (False, HOLE, 4.0)):
            pairs = [
                _chain(self.points[loop.corners], closed=loop.closed)
                for hole, loop in zip(self.looked.report.holes, self.looked.loops, strict=True)
                if hole.outer == outer
            ]
            if pairs:
                yield shapes.line_actor(shapes.segments(np.concatenate(pairs)), colour, width=width, on_top=True)

    def _boxes(self, report: Intake) -> Iterator[Any]:
        """Doubled skins and pieces inside others, as the edges of their boxes."""
        doubled = [] if report.skins is None else [one.box_mm for one in report.skins.doubled]
        within = (
            [] if report.pieces is None else [_box_round(one.place_mm, one.sides_mm) for one in report.pieces.within]
        )
        for boxes, colour in ((doubled, DOUBLED), (within, WITHIN)):
            if boxes:
                lines = np.concatenate([_box_edges(box) for box in boxes]) @ self.looked.axes.T
                yield shapes.line_actor(shapes.segments(lines), colour, width=3.0, on_top=True)

    def _specks(self, report: Intake) -> Iterator[Any]:
        places = [] if report.pieces is None else [one.place_mm for one in report.pieces.specks]
        if places:
            yield shapes.dots_actor(np.array(places) @ self.looked.axes.T, SPECK, 11.0)

    def taken(self, view: str, name: str) -> Pixels:
        """The picture from one side. Raises NoGraphics where the drawing library gives an empty one."""
        camera = camera_of(view, self._box(), WIDTH / HEIGHT)
        renderer = self.canvas.views[0]
        for actor in self._labels:
            renderer.RemoveActor(actor)
        self._labels = [*label_actors(self.marks, camera), *_legend(self.looked.report, name),
                        *_arrows(self.looked.axes, camera)]  # fmt: skip
        for actor in self._labels:
            renderer.AddActor(actor)
        _look(renderer, camera)
        self.canvas.draw()
        pixels = self.canvas.pixels()
        if pixels.std() < 1.0:
            raise NoGraphics("the drawing library gave an empty picture: OpenGL does not work as it should here")
        return pixels

    def _box(self) -> Floats:
        """Of all that is drawn."""
        return np.array([self.points.min(axis=0), self.points.max(axis=0)])


def marks_of(report: Intake) -> list[Mark]:
    """What is numbered, with the numbers of the text: holes as they are, D doubled skins, S specks, I inside others."""
    holes = [hole for hole in report.holes if not hole.outer]
    marks = [Mark(str(one.number), np.array(one.place_mm), HOLE) for one in holes[:LABELS]]
    if report.skins is not None:
        marks += [Mark(f"D{one.number}", np.array(one.place_mm), DOUBLED) for one in report.skins.doubled[:LABELS]]
    if report.pieces is not None:
        marks += [Mark(f"I{one.number}", np.array(one.place_mm), WITHIN) for one in report.pieces.within[:LABELS]]
        marks += [Mark(f"S{one.number}", np.array(one.place_mm), SPECK) for one in report.pieces.specks[:LABELS]]
    return marks


def label_actors(marks: Sequence[Mark], camera: Camera) -> list[Any]:
    """A framed number beside each place, none over another as far as eight sides and three distances allow."""
    taken: list[tuple[float, float, float, float]] = []
    actors = []
    for mark in marks:
        x, y = pixel_of(mark.place_mm, camera)
        wide, high = 9.0 * len(mark.word) + 12.0, 20.0
        aside = _free_side((x, y), (wide, high), taken)
        taken.append((x + aside[0], y + aside[1], x + aside[0] + wide, y + aside[1] + high))
        text = lettering.label(f" {mark.word} ", _LETTER, font=lettering.BOLD, panel=colours.PANEL)
        style = text.GetTextProperty()
        style.SetFrame(True)
        style.SetFrameColor(*colours.rgb(mark.colour))
        style.SetFrameWidth(2)
        actors.append(lettering.at_place(text, mark.place_mm, aside=aside))
    return actors


def pixel_of(place_mm: Floats, camera: Camera) -> tuple[float, float]:
    """Where a place is on the picture, in pixels from the left and from below: parallel projection."""
    right = np.cross(camera.look, camera.up)
    scale, away = HEIGHT / 2.0 / camera.half_height_mm, place_mm - camera.centre_mm
    return WIDTH / 2.0 * (1.0 - camera.aside) + scale * float(away @ right), HEIGHT / 2.0 + scale * float(
        away @ camera.up
    )


def _free_side(
    at: tuple[float, float], size: tuple[float, float], taken: Sequence[tuple[float, float, float, float]]
) -> tuple[float, float]:
    """So many pixels beside a place, where a label of a size lies over no other; the first side where all are taken."""
    sides = [
        (_along(dx, reach, size[0]), _along(dy, reach, size[1]))
        for reach in (10.0, 28.0, 50.0)
        for dx, dy in ((1, 1), (1, -1), (-1, 1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))
    ]
    for dx, dy in sides:
        box = (at[0] + dx, at[1] + dy, at[0] + dx + size[0], at[1] + dy + size[1])
        if box[0] < 0.0 or box[1] < 0.0 or box[3] > HEIGHT:
            continue
        if all(box[2] < o[0] or box[0] > o[2] or box[3] < o[1] or box[1] > o[3] for o in taken):
            return dx, dy
    return sides[0]


def _along(side: int, reach: float, size: float) -> float:
    """Where a label of a size begins, so many pixels to one side of its place, or over its middle (0)."""
    return side * reach - (size if side < 0 else size / 2.0 if side == 0 else 0.0)


def _legend(report: Intake, name: str) -> list[Any]:
    """What the colours mean, at the right, and what is seen, at the top."""
    inner = [hole for hole in report.holes if not hole.outer]
    doubled = () if report.skins is None else report.skins.doubled
    specks = () if report.pieces is None else report.pieces.specks
    within = () if report.pieces is None else report.pieces.within
    rows = [(_several(inner, "hole"), HOLE), (_several(report.holes[len(inner):], "end", "of sheets"), SHEET_END),
            ("D  " + _several(doubled, "doubled skin"), DOUBLED), ("S  " + _several(specks, "speck"), SPECK),
            (f"I  {len(within)} inside others", WITHIN)]  # fmt: skip
    actors = []
    for row, (words, colour) in enumerate([] if report.cloud else rows):
        top = 0.80 - 0.045 * row
        actors.append(lettering.strip((0.972, top - 0.028), (0.986, top), colour))
        text = lettering.label(words, _LETTER, colours.INK)
        actors.append(lettering.at_share(text, 0.966, top - 0.014, across=lettering.RIGHT, up=lettering.MIDDLE))
    sight = f"from {'the left' if name == 'left' else name}"
    known = "" if report.layout else "; which end is the front, and which side the left, the file does not say"
    title = lettering.label(f"{Path(report.file).name}, {sight}{known}", 15, colours.INK, font=lettering.BOLD)
    frame = lettering.label(
        f"numbers as in the text; drawn over what stands before them. {report.frame}", 12, colours.FAINT_INK
    )
    return [*actors, lettering.at_share(title, 0.012, 0.965), lettering.at_share(frame, 0.012, 0.94)]


def _several(found: Sequence[object], what: str, more: str = "") -> str:
    return f"{len(found)} {what}{'' if len(found) == 1 else 's'} {more}".rstrip()


def _arrows(axes: Floats, camera: Camera) -> list[Any]:
    """The axes of the report's frame at the lower left; the one that is looked along is left out."""
    right, scale = np.cross(camera.look, camera.up), HEIGHT / 2.0 / camera.half_height_mm
    aside = (_CORNER[0] - WIDTH / 2.0 * (1.0 - camera.aside)) / scale
    start = camera.centre_mm + right * aside + camera.up * ((_CORNER[1] - HEIGHT / 2.0) / scale)
    shown = [axis for axis in range(3) if abs(float(axes[:, axis] @ camera.look)) < 0.95]
    ends = [start + axes[:, axis] * (_ARROW / scale) for axis in shown]
    lines = shapes.segments(np.array([[start, end] for end in ends]))
    words = [lettering.at_place(lettering.label("xyz"[axis], 15, font=lettering.BOLD), end, aside=(4.0, 2.0))
             for axis, end in zip(shown, ends, strict=True)]  # fmt: skip
    return [shapes.line_actor(lines, colours.MARK, width=3.0, on_top=True), *words]


def _look(renderer: Any, camera: Camera) -> None:
    eye = renderer.GetActiveCamera()
    eye.SetParallelProjection(camera.flat)
    eye.SetViewAngle(VIEW_ANGLE_DEG)
    eye.SetParallelScale(camera.half_height_mm)
    eye.SetWindowCenter(camera.aside, 0.0)
    eye.SetFocalPoint(*camera.centre_mm)
    eye.SetPosition(*(camera.centre_mm - camera.look * distance_mm(camera)))
    eye.SetViewUp(*camera.up)
    renderer.ResetCameraClippingRange()


def _chain(corners: Floats, *, closed: bool) -> Floats:
    """The sides (k, 2, 3) of a loop."""
    ahead = np.roll(corners, -1, axis=0)
    pairs = np.stack([corners, ahead], axis=1)
    return np.asarray(pairs if closed else pairs[:-1])


def _box_round(place: Sequence[float], sides: Sequence[float]) -> Box:
    half = np.asarray(sides) / 2.0
    low, high = (np.asarray(place) - half).tolist(), (np.asarray(place) + half).tolist()
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def _box_edges(box: Box) -> Floats:
    """The twelve edges (12, 2, 3) of a box."""
    low, high = np.asarray(box)
    corners = np.array([[(low, high)[k >> axis & 1][axis] for axis in range(3)] for k in range(8)])
    return np.asarray(corners[np.array(_EDGES)])
