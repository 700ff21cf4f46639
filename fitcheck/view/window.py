"""The window: one arrangement, or two to four side by side under one camera.

What a person does goes through :meth:`Window.act`: keys, buttons and tests alike. The heat is
computed one thing at a time between frames, so the window opens at once and stays alive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.at_pose import Poses
from fitcheck.errors import InputError
from fitcheck.vehicle.scene import SCAN
from fitcheck.view import colours, lettering
from fitcheck.view.cameras import VIEWS, Camera, across, box_of, camera_of, onto
from fitcheck.view.canvas import Canvas, Carrier
from fitcheck.view.column import Arrangement, Column
from fitcheck.view.controls import KEYS, Button, Movement, button
from fitcheck.view.graphics import ready_for_pictures, ready_for_window
from fitcheck.view.heating import STATIC, SWEPT, Hearth
from fitcheck.view.ruler import ruler_actors, verdict_actors
from fitcheck.view.sliders import Sliders
from fitcheck.view.stage import AXES, GROUND, LAYERS, UNSEEN

Floats = NDArray[np.float64]

MOST_COLUMNS = 4
OFF = "off"
HEAT_MODES = (SWEPT, STATIC, OFF)

_PANEL_PIXELS = 250
_BUTTON_STEP = 0.029
_CUT_STEPS = 60
_TICK_MS = 30
_CLICK_PIXELS = 4
_NOWHERE = (-99, -99)

News = Callable[[], "Sequence[Arrangement] | None"]
"""Asked between frames: the arrangements to show from now on, or None for no change."""


class Window:
    """Columns in one plotter, with what moves them. ``off_screen``: for pictures of it, without a screen."""

    def __init__(self, shown: Sequence[Arrangement], *, off_screen: bool = False, news: News | None = None) -> None:
        if not 1 <= len(shown) <= MOST_COLUMNS:
            raise InputError(f"a window shows 1 to {MOST_COLUMNS} arrangements side by side, not {len(shown)}")
        (ready_for_pictures if off_screen else ready_for_window)()
        self.canvas = _empty_canvas(shown, off_screen=off_screen)
        self.panel = self.canvas.views[0]
        self.carrier = Carrier(self.canvas.interactor.TerminateApp)
        self.news = news
        self.columns: list[Column] = []
        self.heat_mode = SWEPT
        self.hearth = Hearth()
        self.heat_left: Iterator[str] = iter(())
        self.status = ""
        self.cut_axis: str | None = None
        self.cut_share = dict.fromkeys(AXES, 0.5)
        self.cut_above = True
        self.state: str | None = None
        self.solid_scan = True
        self.view = VIEWS.index("three_quarter")
        self.buttons: list[Button] = []
        self.rack = Sliders(self.panel, self.canvas.interactor, self.carrier, self._slid)
        self._ruler: list[Any] = []
        self._pressed_at = _NOWHERE
        self._put(shown)
        self.box = box_of([one.scene for one in shown])
        self._link_cameras()
        self._fill_panel()
        self._ask_for_heat()
        self.look(VIEWS[self.view])

    @property
    def sliders(self) -> dict[str, tuple[Movement, Any]]:
        """Every movement that can be set, with its widget, by the movement's key."""
        return self.rack.widgets

    # -- building --

    def _put(self, shown: Sequence[Arrangement]) -> None:
        for column in self.columns:
            column.remove()
        self.columns = []
        for number, one in enumerate(shown, start=1):
            self.columns.append(Column(self.canvas.views[number], one))

    def _link_cameras(self) -> None:
        for column in self.columns[1:]:
            column.renderer.SetActiveCamera(self.columns[0].renderer.GetActiveCamera())
            column.stage.follow(column.renderer.GetActiveCamera())

    def _fill_panel(self) -> None:
        """Buttons from the top, the keys at the bottom, a line that says what goes on between them and the sliders."""
        for number, (words, name) in enumerate(_BUTTONS):
            made = button(words, partial(self.act, name), _place_of(number))
            self.buttons.append(made)
            self.panel.AddActor(made.actor)
        self._mark_layers()
        keys = lettering.label(KEYS, 10, colours.INK, font=lettering.EVEN)
        self.panel.AddActor(lettering.at_share(keys, 0.05, 0.012))
        self._status_line = lettering.at_share(lettering.label("", 12, colours.FAINT_INK), 0.05, 0.265)
        self.panel.AddActor(self._status_line)

    def _mark_layers(self) -> None:
        """The layers' buttons tell which are shown."""
        for layer, made in zip(LAYERS, self.buttons[-len(LAYERS) :], strict=True):
            made.write(f"{'□' if layer in self.columns[0].stage.hidden else '■'} {layer}")

    # -- what a person does --

    def act(self, name: str) -> None:
        """Do what a key or a button stands for, and draw. Raises KeyError for a name that is none of :data:`ACTS`."""
        word, _, argument = name.partition(" ")
        ACTS[word](self, *([argument] if argument else []))
        self.render()

    def _next(self, step: int) -> None:
        for column in self.columns:
            column.choose(column.chosen + step)

    def _worst_pose(self) -> None:
        """Each column into the worst pose of its own pair; the sliders show the first one's."""
        for column in self.columns:
            poses = column.worst_poses()
            column.stand(column.stage.poses if poses is None else {**column.stage.poses, **poses})
        self._show_on_sliders()

    def _next_cause(self) -> None:
        """Each column into the worst pose of the next cause of the first one's pair: one movement alone."""
        cause = self.columns[0].next_cause()
        for column in self.columns:
            column.stand_by(cause)
        self._show_on_sliders()
        self._say(f"{cause} alone" if cause else "no cause moves this pair")

    def _next_page(self) -> None:
        self.rack.turn()

    def _as_scanned(self) -> None:
        for column in self.columns:
            column.stand({})
        self._show_on_sliders()

    def _heat(self) -> None:
        self.heat_mode = HEAT_MODES[(HEAT_MODES.index(self.heat_mode) + 1) % len(HEAT_MODES)]
        self._ask_for_heat()

    def _layer(self, layer: str) -> None:
        on = layer in self.columns[0].stage.hidden
        if layer == GROUND and on and self.state is None:
            self._ground()
            return
        for column in self.columns:
            column.stage.show(layer, on)
        self._mark_layers()

    def _ground(self) -> None:
        """The ground of the next load state; after the last one none."""
        states = [None, *self.columns[0].shown.result.ground]
        if len(states) == 1:
            self._say("no ground: axles or load states are missing")
        self.state = states[(states.index(self.state) + 1) % len(states)]
        for column in self.columns:
            column.stage.show(GROUND, self.state is not None)
            column.stage.stand_on(self.state)
        self._mark_layers()

    def _cut(self, axis: str) -> None:
        on = axis not in self.columns[0].stage.cuts
        self.cut_axis = axis if on else next(iter(self.columns[0].stage.cuts.keys() - {axis}), None)
        self._cut_at(axis, on)

    def _cut_at(self, axis: str, on: bool) -> None:
        k = AXES.index(axis)
        at = float(self.box[0, k] + self.cut_share[axis] * (self.box[1, k] - self.box[0, k]))
        for column in self.columns:
            column.stage.cut(axis, at if on else None, keep_above=self.cut_above)
        self._say(f"cut at {axis} {at:.0f} mm" if on else "")

    def _move_cut(self, step: int) -> None:
        if self.cut_axis is not None:
            moved = self.cut_share[self.cut_axis] + step / _CUT_STEPS
            self.cut_share[self.cut_axis] = min(1.0, max(0.0, moved))
            self._cut_at(self.cut_axis, True)

    def _other_side(self) -> None:
        self.cut_above = not self.cut_above
        for axis in tuple(self.columns[0].stage.cuts):
            self._cut_at(axis, True)

    def _next_view(self) -> None:
        self.view = (self.view + 1) % len(VIEWS)
        self.look(VIEWS[self.view])

    def _close_up(self) -> None:
        row, found = self.columns[0].row, self.columns[0].unsettled
        if found is not None:
            self._look_from(onto(found.points_mm, found.box(), self._camera(VIEWS[self.view])))
        elif row is not None and row.points_mm is not None:
            self._look_from(across(np.array(row.points_mm), self._camera(VIEWS[self.view])))

    def _through(self) -> None:
        self.solid_scan = not self.solid_scan
        for column in self.columns:
            column.stage.see_through(1.0 if self.solid_scan else 0.3)

    def _close(self) -> None:
        self.canvas.interactor.TerminateApp()

    # -- cameras --

    def look(self, view: str) -> None:
        """Look from a named view at everything."""
        self._look_from(self._camera(view))

    def _camera(self, view: str) -> Camera:
        width, height = self.canvas.size
        left, low, right, high = self.columns[0].renderer.GetViewport()
        return camera_of(view, self.box, width * (right - left) / (height * (high - low)))

    def _look_from(self, camera: Camera) -> None:
        for column in self.columns:
            column.stage.look(camera)

    # -- heat --

    def _ask_for_heat(self) -> None:
        for actor in self._ruler:
            self.columns[-1].renderer.RemoveActor(actor)
        for column in self.columns:
            column.stage.paint_plain()  # no colour of the mode before
        self._ruler = verdict_actors() if self.heat_mode == OFF else ruler_actors(swept=self.heat_mode == SWEPT)
        for actor in self._ruler:
            self.columns[-1].renderer.AddActor(actor)
        if self.heat_mode == OFF:
            self.heat_left = iter(())
            return
        self.heat_left = self.hearth.steps([column.stage for column in self.columns], self.heat_mode)

    def heat_up(self, most: int | None = None) -> None:
        """Compute and paint the heat of so many more things; None: of all that are left."""
        done = 0
        for done, words in enumerate(self.heat_left, start=1):
            self._say(words)
            if done == most:
                return
        if self.status.startswith("heat of"):
            self._say("")

    def _say(self, words: str) -> None:
        self.status = words
        self._status_line.SetInput(lettering.plain(words))

    # -- the pose --

    def _slid(self, mechanism: str) -> None:
        """A slider moved: the pose is what all of the mechanism's sliders say, held within the stops."""
        described = self.rack.values()
        for column in self.columns:
            block = column.blocks.get(mechanism)
            if block is not None:
                pose = block.within(block.pose_of(described))
                column.stand({**column.stage.poses, mechanism: pose})
        self._show_on_sliders()
        if not self.status.startswith("heat of"):
            self._say("")  # it is no cause's pose any more
        self.render()

    def set_movement(self, key: str, value: float) -> None:
        """Move one slider, as a hand would. Raises KeyError for a movement that there is none of."""
        _movement, widget = self.sliders[key]
        widget.GetRepresentation().SetValue(value)
        widget.InvokeEvent("InteractionEvent")

    def _show_on_sliders(self) -> None:
        self.rack.say(self.columns[0].standing())

    # -- the life of the window --

    def open(self) -> None:
        """Draw, and begin to listen; returns at once."""
        self._listen()
        self.rack.make(self.columns[0].blocks)
        self._show_on_sliders()
        self.render()

    def _listen(self) -> None:
        interactor = self.canvas.interactor
        style = interactor.GetInteractorStyle()
        style.AddObserver("CharEvent", lambda *_: None)  # the library's own keys do other things
        wrapped = self.carrier.wrapped
        interactor.AddObserver("KeyPressEvent", wrapped(self._key))
        self._press_tag = interactor.AddObserver("LeftButtonPressEvent", wrapped(self._pressed), 10.0)
        interactor.AddObserver("TimerEvent", wrapped(self.tick))
        interactor.AddObserver("ConfigureEvent", wrapped(self._resized))
        self._resized()
        style.AddObserver("StartInteractionEvent", wrapped(self._turning, True))
        style.AddObserver("EndInteractionEvent", wrapped(self._turned))  # till then all events are the style's

    def _resized(self) -> None:
        """The panel keeps its width and the words their columns."""
        edges = _edges(self.canvas.size[0], len(self.columns))
        for view, left, right in zip(self.canvas.views, edges[:-1], edges[1:], strict=True):
            view.SetViewport(left, 0.0, right, 1.0)
        self.rack.fit()
        for column in self.columns:
            column.refresh()

    def run(self) -> None:
        """Stay until the window is closed."""
        self.canvas.interactor.CreateRepeatingTimer(_TICK_MS)
        self.canvas.interactor.Start()
        self.close()

    def close(self) -> None:
        """Take the window down; raise what went wrong while it was open."""
        self.rack.clear()
        self.heat_left, self.hearth = iter(()), Hearth()  # its trees must be gone before the interpreter is
        self.canvas.close()
        self.carrier.deliver()

    def render(self) -> None:
        """Draw."""
        for column in self.columns:
            column.renderer.ResetCameraClippingRange()
        self.canvas.draw()

    def tick(self) -> None:
        """What happens between frames: a little more heat, or news from the file."""
        before = self.status
        self.heat_up(1)
        arrived = self.news() if self.news is not None else None
        if arrived is not None:
            self.show(arrived)
        elif self.status != before:
            self.render()

    def show(self, shown: Sequence[Arrangement]) -> None:
        """Show other arrangements in the same places: the camera, the pose and the pair stay where they can."""
        pairs = [column.row.between if column.row is not None else None for column in self.columns]
        poses = [column.stage.poses for column in self.columns]
        hidden, cuts = self.columns[0].stage.hidden, tuple(self.columns[0].stage.cuts)
        self._put(shown)
        self._link_cameras()
        self.box = box_of([one.scene for one in shown])
        self.hearth = Hearth()
        if self.state not in self.columns[0].shown.result.ground:
            self.state = None
        for column, pair, kept in zip(self.columns, pairs, poses, strict=True):
            _take_up(column, pair, kept)
            for layer in LAYERS:
                column.stage.show(layer, layer not in hidden)
            column.stage.see_through(1.0 if self.solid_scan else 0.3)
            column.stage.stand_on(self.state if self.state in column.shown.result.ground else None)
        for axis in cuts:
            self._cut_at(axis, True)
        self.rack.make(self.columns[0].blocks)  # a mechanism can have come, gone, or got other stops
        self._ask_for_heat()
        self._show_on_sliders()
        self.render()

    # -- keys and mouse --

    def _key(self) -> None:
        key = self.canvas.interactor.GetKeySym()
        act = _KEYS.get(key.lower() if len(key) == 1 else key)
        if act is not None:
            self.act(act)

    def _pressed(self) -> None:
        interactor = self.canvas.interactor
        x, y = interactor.GetEventPosition()
        self._pressed_at = (x, y)
        for made in self.buttons:
            if made.holds(self.panel, x, y):
                interactor.GetCommand(self._press_tag).SetAbortFlag(1)
                self._pressed_at = _NOWHERE
                made.act()
                return

    def _turned(self) -> None:
        """The view was let go; where the mouse has not moved it was a click."""
        self._turning(False)
        x, y = self.canvas.interactor.GetEventPosition()
        still = np.hypot(x - self._pressed_at[0], y - self._pressed_at[1]) <= _CLICK_PIXELS
        self._pressed_at = _NOWHERE
        if still:
            self.click(x, y)

    def click(self, x: int, y: int) -> None:
        """A click at a place in pixels of the window: the row of what is there."""
        for column in self.columns:
            if not column.renderer.IsInViewport(x, y):
                continue
            actor, place = _picked(column, x, y)
            name, told = column.stage.thing_at(actor), column.stage.told_by(actor)
            if name is not None:
                column.choose_thing(name, place)
            elif told is not None:
                column.choose_place(*told)
            self.render()

    def _turning(self, on: bool) -> None:
        for column in self.columns:
            column.stage.turning(on)
        if not on:
            self.render()


ACTS: dict[str, Callable[..., None]] = {
    "next": lambda window: window._next(1),
    "previous": lambda window: window._next(-1),
    "worst_pose": Window._worst_pose,
    "as_scanned": Window._as_scanned,
    "cause": Window._next_cause,
    "page": Window._next_page,
    "heat": Window._heat,
    "layer": Window._layer,
    "cut": Window._cut,
    "cut_up": lambda window: window._move_cut(1),
    "cut_down": lambda window: window._move_cut(-1),
    "other_side": Window._other_side,
    "ground": Window._ground,
    "view": Window._next_view,
    "close_up": Window._close_up,
    "through": Window._through,
    "close": Window._close,
}
"""What can be done in a window, by name; "layer" and "cut" take the layer's or axis's name after a blank."""

_KEYS = {
    "n": "next", "Right": "next", "b": "previous", "Left": "previous", "p": "worst_pose", "o": "as_scanned",
    "m": "cause", "k": "page",
    "h": "heat", "x": "cut x", "y": "cut y", "z": "cut z", "Up": "cut_up", "Down": "cut_down", "i": "other_side",
    "g": "ground", "v": "view", "c": "close_up", "t": "through", "q": "close", "Escape": "close",
    "u": f"layer {UNSEEN}",
    **{str(number + 1): f"layer {layer}" for number, layer in enumerate(LAYERS)},
}  # fmt: skip


_BUTTONS = (
    ("worst pose of this pair", "worst_pose"),
    ("as scanned", "as_scanned"), ("next cause", "cause"), ("next pair", "next"), ("heat", "heat"),
    ("ground", "ground"), ("next view", "view"),
    *((layer, f"layer {layer}") for layer in LAYERS),
)  # fmt: skip
_WIDE, _FIRST_LAYER = 1, len(_BUTTONS) - len(LAYERS)
"""So many buttons take a row of their own; from which one on the rows are the layers'."""


def show_window(shown: Sequence[Arrangement], news: News | None = None) -> None:
    """Show arrangements in a window until it is closed."""
    window = Window(shown, news=news)
    window.open()
    window.run()


def _empty_canvas(shown: Sequence[Arrangement], *, off_screen: bool) -> Canvas:
    """A window with a panel on the left and a view for each arrangement, on the screen while it fills."""
    count = len(shown)
    wanted = min(1900, 1400 if count == 1 else _PANEL_PIXELS + 640 * count), 900
    canvas = Canvas(wanted, _edges(wanted[0], count), off_screen=off_screen, interactive=True, title=_title(shown))
    if not off_screen:
        canvas.shrink_to_screen()
    canvas.views[0].SetBackground(*colours.rgb(colours.PANEL))
    canvas.views[0].InteractiveOff()
    canvas.draw()
    return canvas


def _edges(width: int, count: int) -> list[float]:
    """The panel keeps its width; what is left is shared out."""
    return [0.0, *np.linspace(min(0.5, _PANEL_PIXELS / width), 1.0, count + 1)]


def _place_of(number: int) -> tuple[float, float]:
    """Where a button is in the panel: two in a row; the layers down the left side, then down the right."""
    if number < _FIRST_LAYER:
        row, right = (number, 0) if number < _WIDE else divmod(number + _WIDE, 2)
    else:
        down = (len(LAYERS) + 1) // 2
        right, row = divmod(number - _FIRST_LAYER, down)
        row += (_FIRST_LAYER + _WIDE + 1) // 2
    return (0.46 if right else 0.05), 0.985 - _BUTTON_STEP * row


def _picked(column: Column, x: int, y: int) -> tuple[Any, Floats]:
    """What is at a place in pixels, and where: a part also through a place that one sees through."""
    from vtkmodules.vtkRenderingCore import vtkCellPicker

    picker = vtkCellPicker()
    picker.Pick(x, y, 0.0, column.renderer)
    if column.stage.told and column.stage.thing_at(picker.GetActor()) in (None, SCAN):
        column.stage.let_pick(True)
        picker.Pick(x, y, 0.0, column.renderer)
        column.stage.let_pick(False)
    return picker.GetActor(), np.array(picker.GetPickPosition())


def _title(shown: Sequence[Arrangement]) -> str:
    return "fitcheck: " + ", ".join(lettering.plain(one.result.title) for one in shown)


def _take_up(column: Column, pair: tuple[str, str] | None, poses: Poses) -> None:
    """Go on with the pair that was looked at, and with the poses of mechanisms that are still there."""
    for number, row in enumerate(column.rows):
        if row.between == pair:
            column.chosen = number
    mechanisms = column.blocks
    column.stand({name: mechanisms[name].within(pose) for name, pose in poses.items() if name in mechanisms})
