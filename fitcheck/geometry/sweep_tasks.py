"""Branch and bound over boxes of poses, for many questions at once.

A *question* is: the least distance of two things over a part of the travel. All questions' boxes are
bounded together, because a call costs far more than a box. What is found for one question
is not used for another: no answer depends on its company.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.pose_boxes import Halfspaces
from fitcheck.geometry.separation import Aim, Separation, separate_all
from fitcheck.geometry.supports import Difference, Stack, mixtures
from fitcheck.geometry.sweep_front import (
    Front,
    Question,
    between_boxes,
    nearest_looking,
    portions,
    spans,
    without,
)
from fitcheck.geometry.swept_hulls import Boxes, Mover, SweptHulls, likely_bends, swept_hulls
from fitcheck.geometry.turned_bounds import Pairs, turned_bounds

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

TOLERANCE_MM = 0.1
"""How far the distance found may stand above the bound."""

MOST_BOXES = 60_000
"""After so many boxes a question keeps the honest bracket that it has."""

CONTACT_MM = 1e-3
_NEAR_CONTACT_MM = 5e-3
_SLACK_SHARE = 0.3
"""Part of the tolerance kept for the tessellation of round pieces and the iteration's own gap."""

_BATCH = 64
_WISHED = 64
"""Boxes are cut further at once while they are fewer than this: a call costs more than a box."""

_MOST_CUTS = 4
_ATOMS_A_BATCH = 3_000
_FEW_ATOMS = 16
_STUBBORN = 100
"""From so many boxes on a question gets the dearer bounds that follow what turns, if they help."""

_TURNING = 4
_WORTH, _LATER = 0.15, 1.4
"""They help if they bring so much of what is missing; if not, they are tried again so many boxes later."""

_NARROW = 1e-12


@dataclass(frozen=True)
class SweptLeast:
    """``distance_mm`` is reached at ``pose`` by piece number ``piece``; no pose is below ``at_least_mm``.

    ``other`` is the piece of the second thing, where that has pieces. Where they collide both distances are 0:
    the search ends at the first contact, and claims nothing about depth. ``proven``: the two are within the
    tolerance; else the search was capped, or the bound was enough for who asked. No pose at all keeps the
    limits: both are infinite, ``proven`` is False, and ``boxes`` 0.
    """

    distance_mm: float
    at_least_mm: float
    pose: Floats
    piece: int
    boxes: int
    proven: bool
    other: int = 0


@dataclass(frozen=True, eq=False)
class Atoms:
    """What stands still: convex atoms, boxes (a, 2, 3) round them, and what grows those of each question (q,)."""

    stack: Stack
    boxes: Floats
    balls_mm: Floats

    def around(self, questions: Rows, atoms: Rows) -> Floats:
        """Boxes (m, 2, 3) round some atoms, each as its question grows it."""
        ball = self.balls_mm[questions][:, None]
        return np.stack([self.boxes[atoms, 0] - ball, self.boxes[atoms, 1] + ball], axis=1)


@dataclass(frozen=True, eq=False)
class _Ask:
    """The pairs of some boxes: box ``rows``, ``atoms``, first ``directions``; those left out: ``others_mm``."""

    rows: Rows
    atoms: Rows
    directions: Floats
    others_mm: Floats | None = None  # a bound on them, for each box


@dataclass(frozen=True, eq=False)
class _Sides:
    """Both hulls of some boxes; ``second`` is None where the second thing stands still."""

    first: SweptHulls
    second: SweptHulls | None
    stack: Stack

    def difference(self, ask: _Ask, size: int) -> Difference:
        return Difference(self.first.stack, ask.rows, self.stack, self.others(ask), size)

    def grown_mm(self) -> Floats:
        """The remainders of both together, for each box."""
        return self.first.grown_mm + self.second.grown_mm if self.second else self.first.grown_mm

    def led(self, lead: Rows, boxes: Rows) -> tuple[Stack, Stack]:
        """Both stacks of some of the boxes, in groups by other coordinates."""
        first = self.first.led(lead).at(boxes)
        return first, self.second.led(lead).at(boxes) if self.second else self.stack

    def others(self, ask: _Ask) -> Rows:
        """Which row of the second stack each pair is of."""
        return ask.atoms if self.second is None else ask.rows


class Search:
    """State of one search: what is known of each question, and the boxes still open."""

    def __init__(
        self,
        first: Mover,
        second: Mover | Atoms,
        questions: Sequence[Question],
        *,
        within: Halfspaces | None,
        most_boxes: int,
    ) -> None:
        self.first, self.second, self.within, self.most_boxes = first, second, within, most_boxes
        self.upper = np.array([one.start_mm for one in questions], dtype=np.float64)
        self.pose: list[Floats | None] = [one.start_pose for one in questions]
        self.best = [(0, 0)] * len(questions)
        self.tolerance = np.array([one.tolerance_mm for one in questions], dtype=np.float64)
        self.enough = np.array([one.enough_mm for one in questions], dtype=np.float64)
        self.discarded = np.full(len(questions), np.inf)
        self.boxes = np.zeros(len(questions), dtype=np.int64)

    def run(self, roots: Front) -> None:
        """Bound the roots and cut what is open, until nothing can improve an answer by more than its tolerance."""
        if len(roots) == 0:
            return
        self._whole = roots.low.min(axis=0), roots.high.max(axis=0)
        self._bends: list[Floats] = []
        self._next_turn = 0
        self.open = roots.at(np.empty(0, dtype=np.intp))
        self._bound(roots)
        while len(self.open):
            some = self._next_boxes()
            if len(some):
                self._bound(self._cut(some))

    def target(self) -> Floats:
        """A box whose bound reaches this cannot improve its question's answer by more than the tolerance."""
        upper = self.upper
        # Near zero the question is whether they touch at all: a bracket round 0 does not answer it.
        close = np.maximum(upper - self.tolerance * (1.0 - _SLACK_SHARE), np.minimum(upper / 2.0, _NEAR_CONTACT_MM))
        goal = np.where(np.isfinite(upper), np.minimum(close, self.enough), np.inf)
        return np.where(upper <= CONTACT_MM, -np.inf, goal)  # found: nothing left to look for

    def answer(self, question: int) -> SweptLeast:
        """What was found, for the question of that number."""
        upper, lower = float(self.upper[question]), float(self.discarded[question])
        pose = self.pose[question]
        pose = (self._whole[0] + self._whole[1]) / 2.0 if pose is None else np.asarray(pose)
        first, other = self.best[question]
        boxes = int(self.boxes[question])
        if upper <= CONTACT_MM:
            return SweptLeast(max(upper, 0.0), 0.0, pose, first, boxes, True, other)
        lower = min(lower, upper)
        proven = bool(np.isfinite(upper) and upper - lower <= self.tolerance[question])
        return SweptLeast(upper, lower, pose, first, boxes, proven, other)

    def _drop(self, questions: Rows, lower_mm: Floats) -> None:
        """Remember bounds that are not looked at again: the certificate rests on them."""
        np.minimum.at(self.discarded, questions, lower_mm)

    def _next_boxes(self) -> Front:
        """The most promising open boxes: many at once, unless they hold many atoms."""
        front = self.open
        spent = self.boxes[front.question] >= self.most_boxes
        out = spent | (front.lower_mm >= self.target()[front.question])
        found = self.upper[front.question] <= CONTACT_MM
        self._drop(front.question[out & ~found], front.lower_mm[out & ~found])
        rows = np.flatnonzero(~out & ~found)
        order = front.lower_mm[rows] - np.minimum(self.upper[front.question[rows]], 1e300)
        rows = rows[np.argsort(order, kind="stable")]
        many = np.cumsum([len(front.near[k][0]) for k in rows[:_BATCH]])
        picked = rows[: max(1, int(np.searchsorted(many, _ATOMS_A_BATCH)))] if len(rows) > 1 else rows
        picked = picked[:_BATCH]
        some, self.open = front.at(picked), front.at(rows[len(picked) :])
        return some

    def _cut(self, front: Front) -> Front:
        """Halves of each box, and halves of those while there are few of them, where a cut is worth most."""
        pairs = sum(len(near[0]) for near in front.near)
        for _ in range(_MOST_CUTS):
            axis = np.where(front.high > front.low, front.gain, -1.0).argmax(axis=1)
            rows = np.arange(len(front))
            middle = (front.low[rows, axis] + front.high[rows, axis]) / 2.0
            front = front.and_also(front.at(rows))
            front.high[rows, axis], front.low[len(rows) + rows, axis] = middle, middle
            front.gain[np.concatenate([rows, len(rows) + rows]), np.concatenate([axis, axis])] *= 0.4
            pairs *= 2
            if len(front) * 2 > _WISHED or pairs * 2 > _ATOMS_A_BATCH:
                break
        return front

    def _bound(self, front: Front) -> None:
        """Bound each box from below, try a pose in it, and keep what is still open."""
        limits = np.empty((len(front), 0), dtype=np.intp)
        if self.within is not None:
            front.low, front.high, holds = self.within.tightened(front.low, front.high)
            front = front.at(np.flatnonzero(holds))
            limits = self.within.cutting(front.low, front.high)
        self.boxes += np.bincount(front.question, minlength=len(self.boxes))
        for kind in np.unique(limits, axis=0):
            alike = np.flatnonzero((limits == kind).all(axis=1))
            for rows in portions(alike, front):
                self._bound_portion(front.at(rows), kind[kind >= 0])

    def _lead(self, front: Front, limits: Rows) -> Rows:
        """Coordinates with a width that both hulls, or limits, depend on."""
        lead = np.zeros(front.low.shape[1], dtype=bool)
        if isinstance(self.second, Mover):
            lead[np.intersect1d(self.first.columns, self.second.columns)] = True
        if self.within is not None:
            lead |= (self.within.gains[limits] != 0.0).any(axis=0)
        return np.flatnonzero(lead & (front.high > front.low).any(axis=0))

    def _sides(self, front: Front, lead: Rows) -> _Sides:
        first = swept_hulls(self.first, Boxes(front.first, front.low, front.high), lead)
        if isinstance(self.second, Atoms):
            return _Sides(first, None, self.second.stack)
        second = swept_hulls(self.second, Boxes(front.second, front.low, front.high), lead)
        return _Sides(first, second, second.stack)

    def _bound_portion(self, front: Front, limits: Rows) -> None:
        lead = self._lead(front, limits)
        sides = self._sides(front, lead)
        ask = self._asked(front, sides)
        difference = sides.difference(ask, front.low.shape[1])
        if len(limits) and self.within is not None:
            slack = self.within.slack(front.low, front.high, limits, lead)
            difference = replace(difference, mixed=mixtures(slack))
        narrow = ~front.wide
        cutoff = np.where(narrow, self.upper[front.question], self.target()[front.question])[ask.rows]
        off = self._off(sides, ask, front.question)
        bounds = separate_all(difference, Aim(off, cutoff, ask.directions, narrow[ask.rows]))
        bounds = replace(bounds, lower_mm=self._turned(front, ask, bounds, sides))
        tries = self._learned(front, ask, bounds)
        twice = np.concatenate([tries, tries])
        poses = np.concatenate([bounds.tags[tries], bounds.ends[tries]])
        self._try_poses(front.at(ask.rows[twice]), ask.atoms[twice], (bounds, twice), poses)
        self._keep(front, sides)

    def _asked(self, front: Front, sides: _Sides) -> _Ask:
        """Which pairs are asked exactly: atoms whose own box is too far are as good as discarded."""
        counts = np.array([len(near[0]) for near in front.near])
        rows = np.repeat(np.arange(len(front)), counts)
        atoms = np.concatenate([near[0] for near in front.near])
        directions = np.concatenate([near[1] for near in front.near])
        others = np.full(len(front), np.inf)
        unknown = ~directions.any(axis=1, keepdims=True)
        if not unknown.any() and (counts <= _FEW_ATOMS).all():
            return _Ask(rows, atoms, directions, others)
        outer = sides.first.stack.boxes()[rows]
        around = self._around(front.question[rows], rows, atoms, sides)
        gaps = box_gaps(around[:, 0], around[:, 1], outer[:, 0], outer[:, 1])
        far = gaps >= self.target()[front.question[rows]]
        self._drop(front.question[rows[far]], gaps[far])
        keep = ~far & nearest_looking(front, rows, gaps, others)
        directions = np.where(unknown, between_boxes(around, outer), directions)
        left = ~far
        for k, span in spans(rows[left], len(front)):
            front.near[k] = atoms[left][span], directions[left][span]
        return _Ask(rows[keep], atoms[keep], directions[keep], others)

    def _around(self, questions: Rows, rows: Rows, atoms: Rows, sides: _Sides) -> Floats:
        """Boxes (m, 2, 3) round the second thing of each pair."""
        if isinstance(self.second, Atoms):
            return self.second.around(questions, atoms)
        return sides.stack.boxes()[rows]

    def _off(self, sides: _Sides, ask: _Ask, question: Rows) -> Floats:
        """What is taken off the distance of each pair: balls and remainders."""
        off = sides.first.stack.off_mm[ask.rows] + sides.stack.off_mm[sides.others(ask)]
        return off + self.second.balls_mm[question[ask.rows]] if isinstance(self.second, Atoms) else off

    def _turned(self, front: Front, ask: _Ask, bounds: Separation, sides: _Sides) -> Floats:
        """The lower bounds (m,), better for pairs that were cut often, from a direction for each corner pose."""
        lower, questions = bounds.lower_mm.copy(), front.question[ask.rows]
        target, spent = self.target()[questions], int(self.boxes.sum())
        # Where the remainder alone is more than what is missing, only cutting helps.
        known = np.isfinite(lower) & np.isfinite(target) & front.wide[ask.rows]
        stubborn = known & (self.boxes[questions] > _STUBBORN)
        stubborn[known] &= (sides.grown_mm()[ask.rows] < target - lower)[known]
        pairs = np.flatnonzero(stubborn)
        if len(pairs) == 0 or spent < self._next_turn:
            return lower
        boxes, rows = np.unique(ask.rows[pairs], return_inverse=True)
        first, second = sides.led(self._turning(front), boxes)
        others = ask.atoms[pairs] if sides.second is None else rows
        found = turned_bounds(Pairs(first, second, rows, others, bounds.directions[pairs]))
        missing = (target - lower)[pairs]
        lower[pairs] = np.maximum(lower[pairs], found - self._off(sides, ask, front.question)[pairs])
        gained = 1.0 - np.maximum((target - lower)[pairs], 0.0) / missing
        self._next_turn = 0 if gained.mean() >= _WORTH else int(_LATER * spent)
        return lower

    def _turning(self, front: Front) -> Rows:
        """The coordinates whose corners get directions of their own: all in common, and those that turn the most."""
        lead = self._lead(front, np.empty(0, dtype=np.intp))
        worth = np.where((front.high > front.low).any(axis=0), front.gain.sum(axis=0), -1.0)
        worth[lead] = np.inf
        best = np.argsort(-worth, kind="stable")[: max(_TURNING, len(lead))]
        return np.sort(best[worth[best] >= 0.0])

    def _learned(self, front: Front, ask: _Ask, bounds: Separation) -> Rows:
        """Take over bounds and directions, let go of atoms too far to matter; the nearest pair of each box asked."""
        far = bounds.lower_mm >= self.target()[front.question[ask.rows]]
        self._drop(front.question[ask.rows[far]], bounds.lower_mm[far])
        tries = []
        for k, span in spans(ask.rows, len(front)):
            lower = bounds.lower_mm[span]
            if len(lower) == 0:
                continue
            nearest = int(lower.argmin())
            tries.append(span.start + nearest)
            least = float(lower[nearest]) if ask.others_mm is None else min(lower[nearest], ask.others_mm[k])
            front.lower_mm[k] = max(front.lower_mm[k], least)
            front.near[k] = without(front.near[k], ask.atoms[span], bounds.directions[span], far[span])
        return np.array(tries, dtype=np.intp)

    def _try_poses(self, front: Front, atoms: Rows, known: tuple[Separation, Rows], poses: Floats) -> None:
        """An upper bound from each box: the pose that its nearest points are blended of, at its nearest atom."""
        bounds, pairs = known
        poses = np.clip(poses, front.low, front.high)
        good = bounds.lower_mm[pairs] < self.upper[front.question]
        if self.within is not None:
            poses, feasible = self.within.settled(poses, front.low, front.high)
            good &= feasible
        rows = np.flatnonzero(good)
        if len(rows) == 0:
            return
        there = front.at(rows)
        there.low = there.high = poses[rows]
        upper = self._reached(there, _Ask(np.arange(len(rows)), atoms[rows], bounds.directions[pairs[rows]]))
        for k in np.flatnonzero(upper < self.upper[there.question]):
            one = there.question[k]
            if upper[k] < self.upper[one]:
                self.upper[one], self.pose[one] = upper[k], there.low[k]
                self.best[one] = int(there.first[k]), int(there.second[k])

    def _reached(self, there: Front, ask: _Ask) -> Floats:
        """The distances of single poses, each no sharper than its question needs."""
        sides = self._sides(there, np.empty(0, dtype=np.intp))
        off = self._off(sides, ask, there.question)
        aim = Aim(off, self.upper[there.question], ask.directions, np.ones(len(there), dtype=bool))
        return np.where(np.isfinite(off), separate_all(sides.difference(ask, 0), aim).upper_mm, np.inf)

    def _keep(self, front: Front, sides: _Sides) -> None:
        """Open the boxes again, or discard them and remember their bounds."""
        wide = (front.high - front.low > _NARROW * (1.0 + np.abs(front.low) + np.abs(front.high))).any(axis=1)
        empty = np.array([len(near[0]) == 0 for near in front.near])
        out = ~wide | (front.lower_mm >= self.target()[front.question])
        self._drop(front.question[out & ~empty], front.lower_mm[out & ~empty])
        rows = np.flatnonzero(~out & ~empty)
        if len(rows) == 0:
            return
        kept = front.at(rows)
        kept.gain = self._gains(front, sides)[rows]
        self.open = self.open.and_also(kept)

    def _gains(self, front: Front, sides: _Sides) -> Floats:
        """Which cuts are likely to help the most (n, d)."""
        movers = [self.first, self.second] if isinstance(self.second, Mover) else [self.first]
        if not self._bends:
            self._bends = [likely_bends(mover, *self._whole) for mover in movers]
        size = front.low.shape[1]
        found = sides.first.gains(size, self._bends[0], front.first)
        if sides.second is not None:
            found += sides.second.gains(size, self._bends[1], front.second)
        return found
