"""Pictures without a screen: the same cameras for every arrangement of a vehicle."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, InputError
from fitcheck.report.wording import number as figure
from fitcheck.report.wording import pair_name
from fitcheck.result import Clearance
from fitcheck.view import colours, lettering
from fitcheck.view.cameras import PICTURED, Camera, across, box_of, camera_of, distance_mm
from fitcheck.view.canvas import Canvas, Pixels
from fitcheck.view.column import Arrangement, Column
from fitcheck.view.graphics import NoGraphics, ready_for_pictures
from fitcheck.view.heating import STATIC, SWEPT, Hearth
from fitcheck.view.ruler import ruler_actors
from fitcheck.view.stage import GROUND, MOVING
from fitcheck.view.unseen import Unsettled, cross_actors, mark_actors, part_of, places_of, unsettled_by
from fitcheck.view.vantage import vantage

Floats = NDArray[np.float64]
Progress = Callable[[str], None]

WIDTH, HEIGHT = 1500, 940
PANEL_WIDTH, PANEL_HEIGHT = 900, 700
CLOSE_UPS = 3
MOST_SIDE_BY_SIDE = 8
HEATED = (("heat_swept", SWEPT, ("below", "three_quarter")), ("heat_as_scanned", STATIC, ("below",)))

_NOT_IN_NAMES = re.compile(r"[^\w-]+")
_LONGEST_NAME = 60
_LONGEST_IN_PAIR = 24
_CAPTION_LETTERS = 150
_INSET, _RIM = 4, 12
_PART_SHARE = 0.32
_COLOURS = 256


def take_pictures(shown: Sequence[Arrangement], folder: Path, progress: Progress | None = None) -> list[Path]:
    """Draw the set of each arrangement, and of several the same views side by side; the files, in that order.

    One arrangement's pictures go into ``folder`` itself, those of several into a folder for each.
    Files with the same names are replaced, each whole. Raises NoGraphics where nothing can be drawn,
    FileProblem where a file cannot be written.
    """
    if len(shown) > MOST_SIDE_BY_SIDE:
        raise InputError(f"pictures show at most {MOST_SIDE_BY_SIDE} arrangements side by side, not {len(shown)}")
    ready_for_pictures()
    say = progress or (lambda _: None)
    box, hearth = box_of([one.scene for one in shown]), Hearth()
    written: list[Path] = []
    for one, name in zip(shown, _names(shown), strict=True):
        inner = folder if len(shown) == 1 else folder / name
        forget_measures(one, inner)
        for number in range(len(one.result.clearances), CLOSE_UPS):  # no picture of an earlier worst place is left
            (inner / f"worst_{number + 1}.png").unlink(missing_ok=True)
        for file, pixels in _set_of(one, box, hearth):
            say(f"{one.name}: {file}")
            written.append(write_png(pixels, inner / f"{file}.png"))
    if len(shown) > 1:
        for file, pixels in _side_by_side(shown, box, hearth):
            say(file)
            written.append(write_png(pixels, folder / f"{file}.png"))
    return written


def measure_pictures(arrangement: Arrangement, folder: Path) -> list[Path]:
    """A close-up of every unseen place that keeps a pair from being proven: where to put the tape. The files.

    They are named after the pair ("measure-A2-scan.png"); one of a pair that needs none any more is taken away.
    Of a layout without such a pair: no file. Raises what :func:`take_pictures` raises.
    """
    ready_for_pictures()
    forget_measures(arrangement, folder)
    if not _to_measure(arrangement):
        return []
    with _sheet([arrangement], Hearth(), (WIDTH, HEIGHT)) as sheet:
        return [write_png(pixels, folder / f"{name}.png") for name, pixels in _measures(sheet)]


def forget_measures(arrangement: Arrangement, folder: Path) -> None:
    """Take away the close-ups of pairs that have nothing to measure any more."""
    if not folder.is_dir():
        return
    needed = set(_to_measure(arrangement))
    for name in set(_measure_names(arrangement.result.clearances)) - needed:
        (folder / f"{name}.png").unlink(missing_ok=True)


def _measure_names(rows: Sequence[Clearance]) -> list[str]:
    """The name of each row's close-up, in their order, no two the same."""
    found: list[str] = []
    for row in rows:
        name = "-".join(["measure", *(file_name(one)[:_LONGEST_IN_PAIR] for one in row.between)])
        found.append(name if name not in found else f"{name}-{len(found) + 1}")
    return found


def _to_measure(one: Arrangement) -> dict[str, tuple[Clearance, Unsettled]]:
    """File name → row and place, of the rows that an unseen place keeps from being proven."""
    rows, places = one.result.clearances, places_of(one.scene)
    found = [(name, row, unsettled_by(places, row)) for name, row in zip(_measure_names(rows), rows, strict=True)]
    return {name: (row, place) for name, row, place in found if place is not None}


def _measures(sheet: _Sheet) -> Iterator[tuple[str, Pixels]]:
    for name, (row, place) in _to_measure(sheet.columns[0].shown).items():
        yield name, sheet.measure(row, place)


def _caption(row: Clearance, place: Unsettled) -> str:
    """What stands under the close-up of a place: which pair, where, and what to tape."""
    head = f"measure here: {pair_name(row.between, 60)}: {row.verdict.value}, must {figure(row.must_mm)} mm"
    lines = [wrapped for line in place.lines() for wrapped in textwrap.wrap(line, _CAPTION_LETTERS)]
    return "\n".join([head, *lines])


def _names(shown: Sequence[Arrangement]) -> list[str]:
    """A folder's name for each arrangement, no two the same."""
    found: list[str] = []
    for one in shown:
        name = file_name(one.name)
        found.append(name if name not in found else f"{name}_{len(found) + 1}")
    return found


def file_name(text: str) -> str:
    """What a title or a name leaves for a file: letters, digits, "_" and "-", at most 60 bytes of them; never empty."""
    kept = _NOT_IN_NAMES.sub("_", text).strip("_").encode("utf-8", "ignore")[:_LONGEST_NAME]
    return kept.decode("utf-8", "ignore") or "unnamed"


def _set_of(one: Arrangement, box: Floats, hearth: Hearth) -> Iterator[tuple[str, Pixels]]:
    """All pictures of one arrangement, as (name, pixels)."""
    with _sheet([one], hearth, (WIDTH, HEIGHT)) as sheet:
        column = sheet.columns[0]
        for view in PICTURED:
            sheet.ground(_heaviest(one) if view == "side" else None)
            yield view, sheet.taken(camera_of(view, box, WIDTH / HEIGHT))
        sheet.ground(None)
        for number in range(min(CLOSE_UPS, len(column.rows))):
            yield f"worst_{number + 1}", sheet.close_up(number)
        yield from _measures(sheet)
        column.choose(0)
        column.stand({})
        for name, mode, views in HEATED:
            sheet.heat(mode)
            for view in views:
                yield f"{name}_{view}", sheet.taken(camera_of(view, box, WIDTH / HEIGHT))


def _side_by_side(shown: Sequence[Arrangement], box: Floats, hearth: Hearth) -> Iterator[tuple[str, Pixels]]:
    with _sheet(shown, hearth, (PANEL_WIDTH * len(shown), PANEL_HEIGHT)) as sheet:
        sheet.heat(SWEPT)
        for view in PICTURED:
            yield f"compare_{view}", sheet.taken(camera_of(view, box, PANEL_WIDTH / PANEL_HEIGHT))


def _heaviest(one: Arrangement) -> str | None:
    loads = one.result.loads
    return max(loads, key=lambda state: loads[state].mass_kg) if loads else None


class _Sheet:
    """A drawing surface without a screen, with a column for each arrangement."""

    def __init__(self, canvas: Canvas, shown: Sequence[Arrangement], hearth: Hearth) -> None:
        self.canvas = canvas
        self.hearth = hearth
        self.columns = [Column(canvas.views[k], one) for k, one in enumerate(shown)]
        self._ruler: list[Any] = []

    def taken(self, camera: Camera, *, words: bool = False, reach_mm: float | None = None) -> Pixels:
        """The picture from a camera; ``reach_mm``: what stands further than that before the centre is left out."""
        for column in self.columns:
            column.say(words)
            column.stage.look(camera)
            column.renderer.ResetCameraClippingRange()
            if reach_mm is not None:
                eye, back = column.renderer.GetActiveCamera(), distance_mm(camera)
                eye.SetClippingRange(back - reach_mm, back + 8000.0)
        self.canvas.draw()
        pixels = self.canvas.pixels()
        if pixels.std() < 1.0:
            raise NoGraphics("the drawing library gave an empty picture: OpenGL does not work as it should here")
        return pixels

    def close_up(self, number: int) -> Pixels:
        """A pair in its worst pose, cut free of what stands before it."""
        column = self.columns[0]
        column.choose(number)
        column.stand(column.worst_poses() or {})
        row, found = column.rows[number], column.unsettled
        if row.points_mm is None and found is not None:
            return self.measure(row, found)
        points = np.array(row.points_mm)
        camera = across(points, camera_of("three_quarter", np.array([points.min(axis=0), points.max(axis=0)]), 1.5))
        return self.taken(camera, words=True, reach_mm=camera.half_height_mm)

    def measure(self, row: Clearance, place: Unsettled) -> Pixels:
        """An unseen place with the part beside it, the distance between them, and in words what to tape."""
        column = self.columns[0]
        if row in column.rows:
            column.choose(column.rows.index(row))
        column.stand(column.worst_poses() or {})
        column.stage.pin([], mark_actors(place, column.renderer.GetActiveCamera()))
        text = lettering.label(_caption(row, place), 14, panel=colours.PANEL)
        column.renderer.AddActor(lettering.at_share(text, 0.012, 0.014))
        column.stage.only_part(part_of(row), _PART_SHARE)
        column.stage.show(MOVING, part_of(row) not in column.stage.parts)
        metal = None if column.stage.scan is None or column.stage.cloud else column.stage.scan.plain_mesh
        camera = vantage(place.points_mm, place.box(), place.spots(), metal)
        close = self.taken(camera, reach_mm=camera.half_height_mm)
        column.renderer.RemoveActor(text)
        column.stage.only_part(None)
        column.stage.show(MOVING, True)
        return inset(close, self._whereabouts(camera.centre_mm))

    def _whereabouts(self, point_mm: Floats) -> Pixels:
        """The whole vehicle with a cross at a point (3,)."""
        column = self.columns[0]
        column.stage.pin([], cross_actors(point_mm))
        column.show_heading(False)
        whole = self.taken(camera_of("three_quarter", box_of([column.shown.scene]), WIDTH / HEIGHT))
        column.show_heading(True)
        return whole

    def ground(self, state: str | None) -> None:
        for column in self.columns:
            column.stage.show(GROUND, state is not None)
            column.stage.stand_on(state)

    def heat(self, mode: str) -> None:
        for actor in self._ruler:
            self.columns[-1].renderer.RemoveActor(actor)
        self._ruler = ruler_actors(swept=mode == SWEPT)
        for actor in self._ruler:
            self.columns[-1].renderer.AddActor(actor)
        for _ in self.hearth.steps([column.stage for column in self.columns], mode):
            pass


def inset(pixels: Pixels, other: Pixels) -> Pixels:
    """A picture with another one of the same size, a quarter as wide, in its upper right corner."""
    height, width = (size // _INSET for size in other.shape[:2])
    small = other[: height * _INSET, : width * _INSET].reshape(height, _INSET, width, _INSET, 3).mean(axis=(1, 3))
    found, ink = pixels.copy(), np.round(255.0 * colours.rgb(colours.INK))
    found[_RIM : _RIM + height + 4, -_RIM - width - 4 : -_RIM] = ink
    found[_RIM + 2 : _RIM + 2 + height, -_RIM - width - 2 : -_RIM - 2] = np.round(small)
    return found


@contextmanager
def _sheet(shown: Sequence[Arrangement], hearth: Hearth, size: tuple[int, int]) -> Iterator[_Sheet]:
    canvas = Canvas(size, list(np.linspace(0.0, 1.0, len(shown) + 1)), off_screen=True)
    try:
        yield _Sheet(canvas, shown, hearth)
    finally:
        canvas.close()


def write_png(pixels: Pixels, path: Path) -> Path:
    """Write a PNG, whole or not at all; few colours keep it small. Raises FileProblem where that fails."""
    from PIL import Image

    image = Image.fromarray(pixels).quantize(_COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    half = path.with_name(f".new-{os.getpid()}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with half.open("wb") as file:
                image.save(file, format="PNG", optimize=True)
            os.replace(half, path)
        finally:
            half.unlink(missing_ok=True)
    except OSError as error:
        raise FileProblem(f"{path}: the picture cannot be written: {error.strerror or error}") from error
    return path
