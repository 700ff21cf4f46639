"""One arrangement in a window: its stage, the pair that is looked at, and the words beside it."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.at_pose import Bodies, Poses, blocks_of, described_poses, posed_pairs
from fitcheck.geometry.distance import Closest
from fitcheck.report.wording import NOT_COMPUTED, clean, floor_mm, number, pair_name, pose_words
from fitcheck.result import Cause, Clearance, Result
from fitcheck.vehicle.motion import Block
from fitcheck.vehicle.scene import Scene
from fitcheck.view import colours, evidence, lettering
from fitcheck.view.pins import Pin, apart, now_actors, pin_of
from fitcheck.view.stage import PINS, Stage, worst_rows
from fitcheck.view.unseen import Unsettled, mark_actors, only_unseen, unsettled_by

if TYPE_CHECKING:
    from fitcheck.checks.heat import HeatMap
    from fitcheck.checks.heat_unseen import Doubt

Floats = NDArray[np.float64]

PINNED = 5
_LETTER_PIXELS = 8.4
_NEAR_MM = 15.0
"""A place further than this from every heat point has no heat: the map leaves out what nothing is near to."""


@dataclass(frozen=True)
class Arrangement:
    """What a column shows: a scene and what its check found."""

    scene: Scene
    result: Result
    name: str


class Column:
    """One arrangement on the screen. ``chosen`` is the row of the table that is looked at."""

    def __init__(self, renderer: Any, shown: Arrangement) -> None:
        self.renderer = renderer
        self.shown = shown
        self.stage = Stage(renderer, shown.scene, shown.result)
        self.pairs = posed_pairs(shown.scene)
        self.rows: list[Clearance] = worst_rows(shown.result, len(shown.result.clearances))
        self.chosen = 0
        self.cause = ""
        self.now: Closest | None = None
        self.here = ""
        self._now_actors: list[Any] = []
        self._seen_from: dict[tuple[str, str], Bodies] = {}
        self._legend = [self._text(actor) for actor in evidence.legend_actors(shown.scene.scan)]
        self._heading = self._text(
            lettering.at_share(lettering.label("", 14, panel=colours.BACKGROUND), 0.012, 0.988, up=lettering.TOP)
        )
        self._words = self._text(
            lettering.at_share(lettering.label("", 13, panel=colours.PANEL), 0.012, 0.012, up=lettering.BOTTOM)
        )
        self.refresh()

    def _text(self, actor: Any) -> Any:
        self.renderer.AddActor(actor)
        return actor

    @cached_property
    def blocks(self) -> dict[str, Block]:
        """Every mechanism whose pose can be set, by name."""
        return blocks_of(self.shown.scene)

    @property
    def row(self) -> Clearance | None:
        """The row that is looked at; None where no pair was judged."""
        return self.rows[self.chosen] if self.rows else None

    @property
    def unsettled(self) -> Unsettled | None:
        """The unseen place that keeps the chosen row from being proven; None where it is nothing of the kind."""
        return None if self.row is None else unsettled_by(self.stage.unseen, self.row)

    def choose(self, number: int) -> None:
        """Look at another row of the table, counted from 0; beyond the ends it goes round."""
        if self.rows:
            self.chosen = number % len(self.rows)
        self.here, self.cause = "", ""
        self.refresh()

    def choose_thing(self, name: str, place_mm: Floats | None = None) -> None:
        """Look at the worst row of a part, a moving body or the scan; say what its heat is at a place (3,)."""
        number = next((number for number, row in enumerate(self.rows) if name in row.between), None)
        if number is not None:
            self.chosen = number
        self.here = "" if number is not None else f"{name}: no pair of it has a place to show"
        heat = self.stage.heat.get(name)
        if heat is not None and place_mm is not None:
            self.here = _heat_words(heat, place_mm, _NEAR_MM + self.stage.cell_mm)
        self.refresh()

    def choose_place(self, name: str, words: str) -> None:
        """Say what a place is; look at the worst row that it keeps from being proven, where there is one."""
        found = [unsettled_by(self.stage.unseen, row) for row in self.rows]
        number = next((number for number, one in enumerate(found) if one is not None and one.name == name), None)
        if number is not None:
            self.chosen = number
        self.here = words
        self.refresh()

    def worst_poses(self) -> Poses | None:
        """The poses that the chosen row names; None for one that does not move."""
        row = self.row
        return described_poses(self.shown.scene, row.pose) if row is not None and row.pose else None

    def stand(self, poses: Poses, cause: str = "") -> None:
        """Put the moving bodies into poses and measure the chosen pair there; ``cause``: what those are the pose of."""
        self.cause = cause
        self.stage.poses = dict(poses)
        self.refresh()

    def next_cause(self) -> str:
        """The part of the travel after the one that is shown, of the chosen pair; "" for a pair without any."""
        names = [cause.name for cause in self._causes()]
        return names[(names.index(self.cause) + 1) % len(names) if self.cause in names else 0] if names else ""

    def stand_by(self, name: str) -> None:
        """Into the worst pose of one part of the travel, all else as scanned; a pair that has none such stays."""
        found = next((cause for cause in self._causes() if cause.name == name), None)
        if found is not None:
            self.stand(described_poses(self.shown.scene, found.pose), name)

    def _causes(self) -> list[Cause]:
        return [] if self.row is None else [cause for cause in self.row.causes if cause.distance_mm is not None]

    @property
    def now_mm(self) -> float | None:
        """The chosen pair's distance in the pose shown, by the engine; of a still pair its distance."""
        row = self.row
        if row is None:
            return None
        if row.between in self.pairs.pairs:
            return None if self.now is None else self.now.distance_mm
        return row.distance_mm

    def refresh(self) -> None:
        """Pose, measure, and write and pin anew."""
        row = self.row
        self.stage.pose(self.stage.poses, self._seen())
        self.now = None
        if row is not None and row.between in self.pairs.pairs:
            self.now = self.pairs.distance(row.between, self.stage.poses)
        found = self.unsettled
        marks = [] if found is None else mark_actors(found, self.renderer.GetActiveCamera())
        self.stage.pin(self._pins(), marks)
        self._show_now()
        self._heading.SetInput(lettering.plain(self.heading()))
        self._words.SetInput(lettering.plain(self.words()))

    def _seen(self) -> Bodies:
        """The moving bodies as the chosen pair's still thing sees them: its station of a twisted frame is at rest."""
        row = self.row
        if row is None or row.between not in self.pairs.pairs:
            return {}
        if row.between not in self._seen_from:
            self._seen_from[row.between] = self.pairs.seen_from(row.between, self.shown.scene)
        return self._seen_from[row.between]

    def _pins(self) -> list[Pin]:
        numbers = sorted({*range(min(PINNED, len(self.rows))), self.chosen} if self.rows else set())
        pins = [pin_of(k + 1, self.rows[k], chosen=k == self.chosen) for k in numbers]
        return apart([pin for pin in pins if pin is not None])

    def _show_now(self) -> None:
        for actor in self._now_actors:
            self.renderer.RemoveActor(actor)
        self._now_actors = []
        if self.now is not None and not self._at_worst(self.now) and PINS not in self.stage.hidden:
            self._now_actors = now_actors(self.now.distance_mm, self.now.points_mm)
        for actor in self._now_actors:
            self.renderer.AddActor(actor)

    def _at_worst(self, now: Closest) -> bool:
        """Whether the pose shown is the worst one: then the row's own pin says it."""
        row = self.row
        return row is not None and row.points_mm is not None and np.allclose(now.points_mm, row.points_mm, atol=0.05)

    def heading(self) -> str:
        """Title, verdict, and how many pairs got which."""
        result = self.shown.result
        counts = result.counts
        pairs = f"{counts['pass']} pairs PASS, {counts['fail']} FAIL, {counts['not_proven']} NOT PROVEN"
        limits = result.limit_counts
        kept = f"targets and ratings: {limits['pass']} PASS, {limits['fail']} FAIL, {limits['not_proven']} NOT PROVEN"
        return f"{self.shown.name}: {result.title}\n{result.verdict.value}\n{pairs}\n{kept}"

    def words(self) -> str:
        """The chosen row in words, with the distance at the pose shown."""
        row = self.row
        if row is None:
            return self.here or "no pair with a place was judged"
        lines = [
            f"{self.chosen + 1}   {pair_name(row.between, 60)}: {row.verdict.value}",
            row.reason,
            self._figures(row),
            f"worst pose: {pose_words(row.pose)}" if row.pose else "neither of the two moves",
        ]
        if row.bites:  # tells the pose as well
            lines[-1] = f"what bites: {row.bites}"
        lines += [self._causes_words()] if len(self._causes()) > 1 else []
        lines += [] if self.unsettled is None else self.unsettled.lines(told=only_unseen(row))
        if row.settle and self.unsettled is None:
            lines.append(f"what settles it: {clean(row.settle)}")
        if row.between in self.pairs.pairs:
            lines.append(f"pose shown: {pose_words(self.described())}: {_now_words(self.now_mm)}")
        return "\n".join(part for line in [*lines, self.here] for part in self._wrapped(line))

    def _causes_words(self) -> str:
        """ "by cause: ride 31.2; straight bump 22.0; [drive torque 16.6]", the one whose pose is shown in brackets."""
        said = [(cause.name, f"{cause.name} {floor_mm(cause.distance_mm)}") for cause in self._causes()]
        return "by cause: " + "; ".join(f"[{words}]" if name == self.cause else words for name, words in said)

    def standing(self) -> dict[str, float]:
        """The pose of every mechanism, in the words of a row."""
        poses = self.stage.poses
        shown = [block.describe(poses.get(name, block.scan_pose)) for name, block in self.blocks.items()]
        return {key: value for one in shown for key, value in one.items()}

    def described(self) -> dict[str, float]:
        """The pose shown, in the words of a row."""
        mechanisms = self.blocks
        shown = [mechanisms[name].describe(pose) for name, pose in self.stage.poses.items()]
        return {key: value for one in shown for key, value in one.items()}

    def _wrapped(self, line: str) -> list[str]:
        """A line, broken where the column ends."""
        return textwrap.wrap(line, max(24, int(self.renderer.GetSize()[0] / _LETTER_PIXELS)))

    @staticmethod
    def _figures(row: Clearance) -> str:
        found = f"least {_floor_words(row.distance_mm)} mm, proven not below {floor_mm(row.at_least_mm)}"
        if row.depth_mm is not None:
            found = f"they overlap, at least {number(row.depth_mm, 1)} mm deep"
        return f"{found}; must {number(row.must_mm)}, want {number(row.want_mm)}, guard {number(row.guard_mm)}"

    def say(self, on: bool) -> None:
        """Whether the words of the chosen row are shown."""
        self._words.SetVisibility(on)

    def show_heading(self, on: bool) -> None:
        """Whether the heading and the legend are shown."""
        for actor in (self._heading, *self._legend):
            actor.SetVisibility(on)

    def remove(self) -> None:
        """Take everything off the view."""
        for actor in (*self._now_actors, *self._legend, self._heading, self._words):
            self.renderer.RemoveActor(actor)
        self.stage.remove()


def _heat_words(heat: HeatMap, place_mm: Floats, near_mm: float) -> str:
    """ "at the place clicked: 12.3 mm to rear_shaft, over its travel"."""
    away = np.linalg.norm(heat.points_mm - place_mm, axis=1)
    nearest = int(away.argmin()) if len(away) else -1
    if nearest >= 0 and away[nearest] <= near_mm and heat.doubt is not None and heat.doubt.open[nearest]:
        return _doubt_words(heat.doubt, nearest)
    other = int(heat.other[nearest]) if nearest >= 0 and away[nearest] <= near_mm else -1
    if other < 0:
        return "at the place clicked: nothing within twice what its rules want"
    over = ", in its worst pose at least" if heat.at_least_mm[nearest] < heat.found_mm[nearest] else ""
    return f"at the place clicked{over}: {floor_mm(float(heat.at_least_mm[nearest]))} mm to {heat.others[other]}"


def _doubt_words(doubt: Doubt, nearest: int) -> str:
    """ "at the place clicked: 12.3 mm to a place that was not seen: U1"."""
    if not doubt.unseen[nearest]:
        return "at the place clicked: the nearest metal is assumed, not scanned"
    away, name = float(doubt.unseen_mm[nearest]), doubt.places[doubt.place[nearest]]
    return f"at the place clicked: {floor_mm(away)} mm to a place that was not seen: {name}"


def _now_words(distance_mm: float | None) -> str:
    if distance_mm is None:
        return "declared to touch"
    return f"{_floor_words(distance_mm)} mm" if distance_mm > 0.0 else "they overlap"


def _floor_words(distance_mm: float | None) -> str:
    """Two decimals, rounded down: never more room than there is."""
    return NOT_COMPUTED if distance_mm is None else f"{math.floor(distance_mm * 100.0 + 1e-6) / 100.0:.2f}"
