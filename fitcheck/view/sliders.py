"""The sliders of a window: a line for each movement under the name of what moves, in pages where they are many."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fitcheck.vehicle.motion import Block
from fitcheck.view import colours, lettering
from fitcheck.view.canvas import Carrier
from fitcheck.view.controls import Movement, movements_of, place, slider

_TOP, _STEP = 0.705, 0.0195
MOST_LINES = 21
"""So many lines are between the buttons and the line that says what goes on."""

_LEFT, _INDENT = 0.05, 0.09
_LONGEST_NAME = 30


@dataclass(frozen=True)
class Line:
    """A line of a page: a mechanism's name, or one movement of it."""

    mechanism: str
    movement: Movement | None = None


def pages_of(movements: Iterable[Movement], most: int = MOST_LINES) -> list[list[Line]]:
    """Lines in pages of at most ``most``; a mechanism that goes on overleaf has its name there again. None: no page."""
    pages: list[list[Line]] = []
    groups: dict[str, list[Movement]] = {}
    for movement in movements:
        groups.setdefault(movement.mechanism, []).append(movement)
    for name, group in groups.items():
        room = most - len(pages[-1]) if pages else 0
        if room < min(len(group) + 1, most):
            pages.append([])
        for movement in group:
            if len(pages[-1]) >= most:
                pages.append([])
            if not pages[-1] or pages[-1][-1].mechanism != name:
                pages[-1].append(Line(name))
            pages[-1].append(Line(name, movement))
    return pages


class Sliders:
    """Widgets on a panel, with their words. ``moved`` makes what happens when one of a mechanism's sliders moves."""

    def __init__(self, panel: Any, interactor: Any, carrier: Carrier, moved: Callable[[str], None]) -> None:
        self.panel, self.interactor = panel, interactor
        self.carrier, self.moved = carrier, moved
        self.widgets: dict[str, tuple[Movement, Any]] = {}
        self.pages: list[list[Line]] = []
        self.page = 0
        self._words: dict[str, Any] = {}
        self._heads: list[Any] = []

    def make(self, mechanisms: Mapping[str, Block]) -> None:
        """A slider for each movement, instead of those that there were."""
        self.clear()
        self.pages = pages_of(one for block in mechanisms.values() for one in movements_of(block))
        self.page = min(self.page, max(0, len(self.pages) - 1))
        for page in self.pages:
            for number, line in enumerate(page):
                if line.movement is not None:
                    self._add(line.movement, _TOP - _STEP * number)
        self._show()

    def _add(self, movement: Movement, height: float) -> None:
        from vtkmodules.vtkInteractionWidgets import vtkSliderWidget

        widget = vtkSliderWidget()
        widget.SetInteractor(self.interactor)
        widget.SetRepresentation(slider(movement, height, self.panel.GetViewport()[2]))
        widget.SetAnimationModeToJump()
        widget.SetCurrentRenderer(self.panel)
        widget.AddObserver("InteractionEvent", self.carrier.wrapped(self.moved, movement.mechanism))
        self.widgets[movement.key] = movement, widget
        words = lettering.at_share(lettering.label("", 11), _INDENT, height, up=lettering.MIDDLE)
        self._words[movement.key] = words
        self.panel.AddActor(words)

    def turn(self) -> None:
        """To the next page; after the last one the first."""
        self.page = (self.page + 1) % max(1, len(self.pages))
        self._show()

    def _show(self) -> None:
        """The widgets, words and names of the page, and no others."""
        for actor in self._heads:
            self.panel.RemoveActor(actor)
        self._heads = []
        lines = self.pages[self.page] if self.pages else []
        shown = {line.movement.key for line in lines if line.movement is not None}
        for key, (_, widget) in self.widgets.items():
            widget.SetEnabled(key in shown)
            self._words[key].SetVisibility(key in shown)
        for number, line in enumerate(lines):
            if line.movement is None:
                self._heads.append(self._head(line.mechanism, number))
        for actor in self._heads:
            self.panel.AddActor(actor)

    def _head(self, name: str, number: int) -> Any:
        more = f"   page {self.page + 1} of {len(self.pages)}" if number == 0 and len(self.pages) > 1 else ""
        short = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
        text = lettering.label(f"{short}{more}", 11, colours.INK, font=lettering.BOLD)
        return lettering.at_share(text, _LEFT, _TOP - _STEP * number, up=lettering.MIDDLE)

    def values(self) -> dict[str, float]:
        """What all sliders say, in the words of a pose."""
        return {key: float(widget.GetRepresentation().GetValue()) for key, (_, widget) in self.widgets.items()}

    def say(self, described: Mapping[str, float]) -> None:
        """Put every slider where a pose is, and write its number."""
        for key, (movement, widget) in self.widgets.items():
            widget.GetRepresentation().SetValue(described[key])
            self._words[key].SetInput(lettering.plain(movement.words(described[key])))

    def fit(self) -> None:
        """Reach over the panel as wide as it is now."""
        for _, widget in self.widgets.values():
            place(widget.GetRepresentation(), self.panel.GetViewport()[2])

    def clear(self) -> None:
        """Take all away."""
        for key, (_, widget) in self.widgets.items():
            widget.Off()
            self.panel.RemoveActor(self._words[key])
        for actor in self._heads:
            self.panel.RemoveActor(actor)
        self.widgets, self._words, self._heads, self.pages = {}, {}, [], []
