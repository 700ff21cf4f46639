"""Buttons and sliders on a view, and the words of the keys."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.motion import Block
from fitcheck.view import colours, lettering

KEYS = """n b      next, previous pair
p o      worst pose, as scanned
m        next cause: its own pose
h        heat: swept, as scanned,
         off
1 … 9    layers on, off
u        unseen places
x y z    cut; i: other side
up down  move the cut
g        next ground
v c      next view, close up
t        see through the scan
q        close
k        next page of sliders
click a part: its row"""


@dataclass
class Button:
    """Words that do something when they are clicked."""

    actor: Any
    act: Callable[[], None]

    def write(self, words: str) -> None:
        """Give it other words."""
        self.actor.SetInput(f" {lettering.plain(words)} ")

    def holds(self, renderer: Any, x: float, y: float) -> bool:
        """Whether a place in pixels of the view lies on it."""
        left, low, right, high = lettering.box_on_screen(self.actor, renderer)
        return left <= x <= right and low <= y <= high


def button(words: str, act: Callable[[], None], place: tuple[float, float], size: int = 12) -> Button:
    """A button, its upper left corner at a share (0 to 1) of the view."""
    actor = lettering.label("", size, panel=colours.PANEL)
    style = actor.GetTextProperty()
    style.SetFrame(True)
    style.SetFrameColor(*colours.rgb(colours.FAINT_INK))
    made = Button(lettering.at_share(actor, *place, up=lettering.TOP), act)
    made.write(words)
    return made


@dataclass(frozen=True)
class Movement:
    """One number of a mechanism's pose, in the words of the trade: "rear_axle.heave_mm" from ``low`` to ``high``."""

    mechanism: str
    name: str
    low: float
    high: float

    @property
    def key(self) -> str:
        return f"{self.mechanism}.{self.name}"

    def words(self, value: float) -> str:
        """ "heave +42.8 mm"."""
        movement, _, unit = self.name.rpartition("_")
        return f"{movement.replace('_', '-')} {value:+.1f}{'°' if unit == 'deg' else ' ' + unit}"


def movements_of(mechanism: Block) -> list[Movement]:
    """The movements of a mechanism that have any travel, between their least and their greatest at the ends of it.

    A movement that follows from others, and cannot be set, has no slider: the pose that it is in is not the pose
    that its words alone lead back to.
    """
    corners = corners_of(mechanism.low[None], mechanism.high[None])[0]
    described = [mechanism.describe(mechanism.within(pose)) for pose in corners]
    found = []
    for key in described[0]:
        values = [one[key] for one in described]
        low, high = min(values), max(values)
        if high - low > 1e-9 and _can_be_set(mechanism, key, high if abs(high) > abs(low) else low):
            found.append(Movement(mechanism.name, key.rpartition(".")[2], low, high))
    return found


def _can_be_set(mechanism: Block, key: str, value: float) -> bool:
    pose = mechanism.pose_of({key: value})
    return abs(mechanism.describe(pose)[key] - value) < 1e-6 * max(1.0, abs(value))


def place(shown: Any, panel: float) -> None:
    """Let a slider reach over a panel so wide: a share (0 to 1) of the window."""
    for end, x in ((shown.GetPoint1Coordinate(), 0.54 * panel), (shown.GetPoint2Coordinate(), 0.95 * panel)):
        end.SetValue(x, end.GetValue()[1])


def slider(movement: Movement, height: float, panel: float) -> Any:
    """A slider widget's representation at a height, in a panel so wide: shares (0 to 1) of the window."""
    from vtkmodules.vtkInteractionWidgets import vtkSliderRepresentation2D

    shown = vtkSliderRepresentation2D()
    shown.SetMinimumValue(movement.low)
    shown.SetMaximumValue(movement.high)
    shown.SetValue(0.0)
    shown.ShowSliderLabelOff()
    for end in (shown.GetPoint1Coordinate(), shown.GetPoint2Coordinate()):
        end.SetCoordinateSystemToNormalizedDisplay()
        end.SetValue(0.0, height)
    place(shown, panel)
    shown.SetTubeWidth(0.003)
    shown.SetSliderLength(0.01)
    shown.SetSliderWidth(0.012)
    shown.SetEndCapLength(0.002)
    shown.SetEndCapWidth(0.008)
    for part in (shown.GetTubeProperty(), shown.GetCapProperty()):
        part.SetColor(*colours.rgb(colours.FAINT_INK))
    shown.GetSliderProperty().SetColor(*colours.rgb(colours.MOVING))
    shown.GetSelectedProperty().SetColor(*colours.rgb(colours.MARK))
    return shown
