"""Text and flat marks laid over a 3D view, at a share of it or at a place on the vehicle.

The font is one with the letters of many scripts, where it is there. Whatever a layout's
author typed is shown as text: the drawing library would read "|" as columns and "$" as formulas.
"""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fitcheck.report.wording import clean
from fitcheck.view.colours import INK, rgb

TOP, MIDDLE, BOTTOM = "top", "middle", "bottom"
LEFT, RIGHT = "left", "right"
PLAIN, BOLD, EVEN = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"
"""Fonts: plain, bold, and one with letters of even width."""

_SURELY_THERE = "\u0250"  # Latin: no look into the font's file for it
_FONT_FROM_FILE = 4  # VTK_FONT_FILE


@cache
def font_file(name: str = PLAIN) -> str | None:
    """A font with most letters, as a file; None: the library's own."""
    found = importlib.util.find_spec("matplotlib")
    if found is None or not found.submodule_search_locations:
        return None
    path = Path(next(iter(found.submodule_search_locations))) / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf"
    return str(path) if path.is_file() else None


def plain(text: str) -> str:
    """The text without what the drawing library or a screen would take for a command; line feeds stay.

    A letter that the font does not have is shown as an empty box: it must not vanish.
    """
    lines = (clean(line).replace("|", "¦").replace("\\", "∖") for line in text.split("\n"))
    return "\n".join("".join(_drawable(letter) for letter in line) for line in lines)


def _drawable(letter: str) -> str:
    return letter if letter < _SURELY_THERE or ord(letter) in _letters() else "□"


@cache
def _letters() -> frozenset[int]:
    """The letters that the font has; without the font those that any has."""
    path = font_file()
    if path is None:
        return frozenset()
    from fontTools.ttLib import TTFont

    with TTFont(path, lazy=True) as font:
        return frozenset(font.getBestCmap())


def label(text: str, size: int = 14, colour: str = INK, *, font: str = PLAIN, panel: str | None = None) -> Any:
    """A text actor, not yet placed; ``panel``: a colour behind it."""
    from vtkmodules.vtkRenderingCore import vtkTextActor

    actor = vtkTextActor()
    actor.SetInput(plain(text))
    style = actor.GetTextProperty()
    use_font(style, font)
    style.SetFontSize(size)
    style.SetColor(*rgb(colour))
    style.SetLineSpacing(1.15)
    if panel is not None:
        style.SetBackgroundColor(*rgb(panel))
        style.SetBackgroundOpacity(0.85)
    return actor


def use_font(style: Any, font: str) -> None:
    """Let a text property write in a font, where it is there."""
    if font_file(font) is not None:
        style.SetFontFamily(_FONT_FROM_FILE)
        style.SetFontFile(font_file(font))


def at_share(actor: Any, x: float, y: float, *, across: str = LEFT, up: str = BOTTOM) -> Any:
    """Place a text actor at a share (0 to 1) of its view's width and height."""
    actor.GetPositionCoordinate().SetCoordinateSystemToNormalizedViewport()
    actor.SetPosition(float(x), float(y))
    _justify(actor, across, up)
    return actor


def at_place(actor: Any, point_mm: ArrayLike, *, aside: tuple[float, float] = (0.0, 0.0), up: str = BOTTOM) -> Any:
    """Place a text actor so many pixels beside a point (3,) of the vehicle: it stays there, on top of everything."""
    from vtkmodules.vtkRenderingCore import vtkCoordinate

    anchor = vtkCoordinate()
    anchor.SetCoordinateSystemToWorld()
    anchor.SetValue(*(float(value) for value in np.asarray(point_mm)))
    place = actor.GetPositionCoordinate()
    place.SetCoordinateSystemToViewport()
    place.SetReferenceCoordinate(anchor)
    place.SetValue(float(aside[0]), float(aside[1]), 0.0)
    _justify(actor, LEFT, up)
    return actor


def _justify(actor: Any, across: str, up: str) -> None:
    style = actor.GetTextProperty()
    {
        LEFT: style.SetJustificationToLeft,
        RIGHT: style.SetJustificationToRight,
    }[across]()
    {
        TOP: style.SetVerticalJustificationToTop,
        MIDDLE: style.SetVerticalJustificationToCentered,
        BOTTOM: style.SetVerticalJustificationToBottom,
    }[up]()


def box_on_screen(actor: Any, renderer: Any) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of a text actor in pixels of its view."""
    bounds = [0.0] * 4
    actor.GetBoundingBox(renderer, bounds)
    x, y = actor.GetPositionCoordinate().GetComputedViewportValue(renderer)
    return x + bounds[0], y + bounds[2], x + bounds[1], y + bounds[3]


def strip(low: tuple[float, float], high: tuple[float, float], colour: str) -> Any:
    """A filled rectangle between two corners, each a share (0 to 1) of the view."""
    from fitcheck.view.shapes import polydata

    corners = np.array([[low[0], low[1], 0], [high[0], low[1], 0], [high[0], high[1], 0], [low[0], high[1], 0]])
    return _at_shares(polydata(corners, np.array([[0, 1, 2], [0, 2, 3]])), colour)


def flat_lines(ends: ArrayLike, colour: str) -> Any:
    """Line segments (n, 2, 2) between places, each a share (0 to 1) of the view."""
    from fitcheck.view.shapes import segments

    flat = np.asarray(ends, dtype=np.float64)
    return _at_shares(segments(np.concatenate([flat, np.zeros((*flat.shape[:2], 1))], axis=2)), colour)


def _at_shares(mesh: Any, colour: str) -> Any:
    """A flat mesh whose places are shares of the view."""
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkCoordinate, vtkPolyDataMapper2D

    mapper = vtkPolyDataMapper2D()
    mapper.SetInputData(mesh)
    share = vtkCoordinate()
    share.SetCoordinateSystemToNormalizedViewport()
    mapper.SetTransformCoordinate(share)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*rgb(colour))
    return actor
