"""Pins: a number, a distance, and a line between the two nearest points of a pair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.report.wording import floor_mm
from fitcheck.result import Clearance, Verdict
from fitcheck.view import colours, lettering, shapes
from fitcheck.view.unseen import only_unseen

Floats = NDArray[np.float64]

_NEAR_MM = 250.0
"""Pins nearer than this have their labels below each other."""
_LABEL_PIXELS = 22.0


@dataclass(frozen=True, eq=False)
class Pin:
    """What is pinned: its number in the table, the distance, and the two points (2, 3) in the vehicle frame."""

    number: int
    distance_mm: float | None
    points_mm: Floats
    verdict: Verdict
    chosen: bool = False
    step: int = 0  # how many labels down its own is, below those of pins next to it

    @property
    def words(self) -> str:
        """ "3   16.6 mm"."""
        return f"{self.number}   {floor_mm(self.distance_mm)} mm"


def pin_of(number: int, row: Clearance, *, chosen: bool = False) -> Pin | None:
    """The pin of a row at its worst pose, or at the unseen place that alone keeps it open; None without a place."""
    if only_unseen(row) and row.unseen_from_mm is not None and row.unseen_point_mm is not None:
        return Pin(number, row.unseen_mm, np.array([row.unseen_from_mm, row.unseen_point_mm]), row.verdict, chosen)
    if row.points_mm is None:
        return None
    shown = -row.depth_mm if row.depth_mm is not None else row.at_least_mm
    return Pin(number, shown, np.array(row.points_mm), row.verdict, chosen)


def apart(pins: Sequence[Pin]) -> list[Pin]:
    """The pins with their labels one below the other where several are at one place, the chosen one on top of all."""
    found: list[Pin] = []
    for pin in sorted(pins, key=lambda pin: not pin.chosen):
        near = [other for other in found if _away_mm(pin, other) < _NEAR_MM]
        found.append(replace(pin, step=max((other.step + 1 for other in near), default=0)))
    return found[::-1]


def _away_mm(pin: Pin, other: Pin) -> float:
    return float(np.linalg.norm(pin.points_mm.mean(axis=0) - other.points_mm.mean(axis=0)))


def pin_actors(pin: Pin) -> list[Any]:
    """Dots on both points, the line between them, and the label."""
    colour = colours.VERDICT[pin.verdict]
    size = 15 if pin.chosen else 12
    line = shapes.line_actor(
        shapes.segments(pin.points_mm), colours.MARK, width=4.0 if pin.chosen else 2.5, on_top=True
    )
    dots = shapes.dots_actor(pin.points_mm, colour, 11.0 if pin.chosen else 8.0)
    rim = shapes.dots_actor(pin.points_mm, colours.PANEL, 15.0 if pin.chosen else 12.0)
    words = lettering.label(
        f" {pin.words} ", size, font=lettering.BOLD if pin.chosen else lettering.PLAIN, panel=colours.PANEL
    )
    style = words.GetTextProperty()
    style.SetFrame(True)
    style.SetFrameColor(*colours.rgb(colour))
    style.SetFrameWidth(3 if pin.chosen else 2)
    aside = (18.0, -20.0 - _LABEL_PIXELS * pin.step)
    return [rim, line, dots, lettering.at_place(words, pin.points_mm.mean(axis=0), aside=aside, up=lettering.TOP)]


def now_actors(distance_mm: float, points_mm: Floats) -> list[Any]:
    """The line between the two nearest points in the pose shown, and how long it is."""
    line = shapes.line_actor(shapes.segments(points_mm), colours.MOVING, width=3.0, on_top=True)
    words = lettering.label(f" now {floor_mm(distance_mm)} mm ", 13, font=lettering.BOLD, panel=colours.PANEL)
    place = lettering.at_place(words, points_mm.mean(axis=0), aside=(14.0, 10.0))
    return [line, shapes.dots_actor(points_mm, colours.MOVING, 9.0), place]
