"""What was typed to lay the scan into the vehicle frame, as equations: each says one coordinate of one place.

An equation holds for a mixture of marks: a mark by itself, the middle between the two
marks of a pair (y = 0), or the way from one to the other (none along x). With rotation R and
shift t it leaves the residual e·(R p + c t) − value, where p is the mixture and c the sum of its shares.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import AlignmentError
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.scan.spec import HUBS, MaybeVector, ScanSpec, SymmetricPair, Target

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BELOW_FLOOR_MM = 50.0
"""Nothing of a vehicle lies further below the floor."""

_CLEARLY = 0.5  # a way that is known to lead rearward or to the right has at least this share of its length there


@dataclass(frozen=True)
class Datum:
    """One thing that was typed. ``label`` names it in a sentence; ``typed``: what it says, None where nothing."""

    name: str
    kind: str
    label: str
    typed: MaybeVector
    origin: str = ""


@dataclass(frozen=True)
class Tell:
    """The way from mark ``start`` to mark ``end`` leads along +``axis``: what tells left from right, front from rear.
    ``of``: the datums that say so."""

    start: int
    end: int
    axis: int
    of: tuple[int, ...]
    words: str


@dataclass(frozen=True, eq=False)
class Equations:
    """All that was typed. ``marks`` (m, 3): mm in the scan's axes. For each of n equations: ``mix`` (n, m) the shares
    of the marks, ``axes`` and ``values`` which coordinate is known and its value in mm, ``weights`` the tape's sigma
    over the equation's own, ``of`` the number of its datum. ``untyped_heights``: marks of which no height was typed."""

    datums: tuple[Datum, ...]
    marks: Floats
    mix: Floats
    of: Ints
    axes: Ints
    values: Floats
    weights: Floats
    tells: tuple[Tell, ...]
    untyped_heights: tuple[tuple[int, int], ...]  # (mark, datum)

    @property
    def count(self) -> int:
        """How many equations there are."""
        return len(self.values)

    @cached_property
    def points(self) -> Floats:
        """(n, 3) mixtures of marks."""
        return self.mix @ self.marks

    @cached_property
    def carried(self) -> Floats:
        """(n,) 1 for a place, which the shift carries along, 0 for a way from one mark to another."""
        return np.asarray(self.mix.sum(axis=1).round(12))

    @cached_property
    def complete(self) -> bool:
        """Whether all are targets known in all three axes, so that the closed form gives the best fit."""
        return self.count > 0 and all(d.kind == "target" and None not in d.typed for d in self.datums)

    def residuals(self, fit: RigidFit) -> Floats:
        """(n,) mm: what the fit makes of each coordinate, less what was typed."""
        places = self.points @ fit.rotation.T + self.carried[:, None] * fit.shift
        return np.asarray(places[np.arange(self.count), self.axes] - self.values)

    def per_axis(self, residuals: Floats, datum: int) -> Floats:
        """(3,) the residual of a datum in each axis, the greatest where it has several; NaN where it says nothing."""
        found = np.full(3, np.nan)
        rows = np.flatnonzero(self.of == datum)
        for row in rows[np.argsort(np.abs(residuals[rows]))]:
            found[self.axes[row]] = residuals[row]
        return found

    def without(self, *datums: int) -> Equations:
        """The others. The datums keep their numbers."""
        kept = ~np.isin(self.of, datums)
        return replace(
            self,
            mix=self.mix[kept],
            of=self.of[kept],
            axes=self.axes[kept],
            values=self.values[kept],
            weights=self.weights[kept],
            tells=tuple(tell for tell in self.tells if not set(tell.of) & set(datums)),
            untyped_heights=tuple(one for one in self.untyped_heights if one[1] not in datums),
        )

    def with_marks(self, marks: Floats) -> Equations:
        """The same equations of other marks."""
        return replace(self, marks=marks)

    def denied(self, fit: RigidFit) -> tuple[str, ...]:
        """What a fit contradicts, in words: which side is left, which end is front, and that the floor is below."""
        found = []
        for tell in self.tells:
            way = self.marks[tell.end] - self.marks[tell.start]
            if fit.rotation[tell.axis] @ way <= _CLEARLY * np.linalg.norm(way):
                found.append(tell.words)
        rows = [mark for mark, _ in self.untyped_heights]
        if rows and fit.moved(self.marks[rows])[:, 2].min() < -BELOW_FLOOR_MM:
            found.append("nothing lies below the floor")
        return tuple(found)


def equations(spec: ScanSpec, unit_mm: float, floor: tuple[Floats, float] | None = None) -> Equations:
    """The equations of all that a scan's entries say.

    ``floor``: three points (3, 3) in mm in the scan's axes that stand for the scanned floor, and their sigma
    in mm. Raises AlignmentError for a name that is given twice and for numbers that are not finite.
    """
    rows = _Rows(spec.tape_mm, unit_mm)
    for target in spec.targets:
        rows.add_target(target)
    for pair in spec.pairs:
        rows.add_pair(pair)
    if floor is not None:
        rows.add_floor(*floor, origin=spec.floor[0].origin if spec.floor else "")
    rows.add_hub_tells()
    if spec.rearward is not None:
        start, end = rows.mark(spec.rearward.front), rows.mark(spec.rearward.rear)
        rows.tells.append(Tell(start, end, 0, (), "'rearward' leads from the front to the rear"))
    _check(rows)
    return rows.equations()


class _Rows:
    """Equations while they are put together."""

    def __init__(self, tape_mm: float, unit_mm: float) -> None:
        self.tape_mm, self.unit_mm = tape_mm, unit_mm
        self.datums: list[Datum] = []
        self.marks: list[Floats] = []
        self.rows: list[tuple[int, dict[int, float], int, float, float]] = []  # datum, shares, axis, value, weight
        self.tells: list[Tell] = []
        self.untyped_heights: list[tuple[int, int]] = []
        self.hubs: dict[str, tuple[int, int]] = {}  # name → mark, datum

    def mark(self, place: Iterable[float]) -> int:
        self.marks.append(np.asarray(tuple(place), dtype=np.float64) * self.unit_mm)
        return len(self.marks) - 1

    def datum(self, datum: Datum) -> int:
        self.datums.append(datum)
        return len(self.datums) - 1

    def say(self, datum: int, shares: dict[int, float], axis: int, value: float, weight: float = 1.0) -> None:
        self.rows.append((datum, shares, axis, value, weight))

    def add_target(self, target: Target) -> None:
        mark = self.mark(target.scan)
        k = self.datum(Datum(target.name, target.kind, _label(target), target.vehicle, target.origin))
        weight = 1.0 if target.tape_mm is None else self.tape_mm / target.tape_mm
        for axis, value in enumerate(target.vehicle):
            if value is not None:
                self.say(k, {mark: 1.0}, axis, value, weight)
        if target.vehicle[2] is None:
            self.untyped_heights.append((mark, k))
        if target.kind == "hub":
            self.hubs[target.name.removeprefix("hub ")] = mark, k

    def add_pair(self, pair: SymmetricPair) -> None:
        """The middle lies on y = 0, known to σ/√2 if each mark is to σ; the way across has no x, known to √2 σ."""
        left, right = self.mark(pair.left), self.mark(pair.right)
        label = pair.name if pair.name.startswith("pair ") else f"pair {pair.name}"
        k = self.datum(Datum(pair.name, "pair", label, (0.0, 0.0, None), pair.origin))
        self.say(k, {left: 0.5, right: 0.5}, 1, 0.0, np.sqrt(2.0))
        self.say(k, {left: -1.0, right: 1.0}, 0, 0.0, np.sqrt(0.5))
        self.tells.append(Tell(left, right, 1, (k,), f"{label} is [left, right]"))
        self.untyped_heights += [(left, k), (right, k)]

    def add_floor(self, points: Floats, sigma_mm: float, origin: str) -> None:
        k = self.datum(Datum("floor", "floor", "the floor", (None, None, 0.0), origin))
        for point in points:
            self.say(k, {self.mark(point / self.unit_mm): 1.0}, 2, 0.0, self.tape_mm / sigma_mm)

    def add_hub_tells(self) -> None:
        for start, end, axis in ((0, 1, 1), (2, 3, 1), (0, 2, 0), (1, 3, 0)):
            one, other = self.hubs.get(HUBS[start]), self.hubs.get(HUBS[end])
            if one is not None and other is not None:
                where = "right of" if axis else "behind"
                words = f"hub {HUBS[end]} is {where} hub {HUBS[start]}"
                self.tells.append(Tell(one[0], other[0], axis, (one[1], other[1]), words))

    def equations(self) -> Equations:
        mix = np.zeros((len(self.rows), len(self.marks)))
        for row, (_, shares, _, _, _) in enumerate(self.rows):
            for mark, share in shares.items():
                mix[row, mark] = share
        of, _, axes, values, weights = zip(*self.rows, strict=True) if self.rows else ((),) * 5
        return Equations(
            tuple(self.datums),
            np.array(self.marks, dtype=np.float64).reshape(-1, 3),
            mix,
            np.array(of, dtype=np.int64),
            np.array(axes, dtype=np.int64),
            np.array(values, dtype=np.float64),
            np.array(weights, dtype=np.float64),
            tuple(self.tells),
            tuple(self.untyped_heights),
        )


def _label(target: Target) -> str:
    """ "target T1"; other kinds carry theirs in their name: "ground 2", "station", "hub front_left"."""
    return f"target {target.name}" if target.kind == "target" else target.name


def _check(rows: _Rows) -> None:
    names = [datum.name for datum in rows.datums]
    twice = next((datum for datum in rows.datums if names.count(datum.name) > 1), None)
    if twice is not None:
        raise AlignmentError(f"{at([twice])}{twice.label} is given twice. Give each target once.")
    numbers = [*(value for mark in rows.marks for value in mark), *(row[3] for row in rows.rows)]
    if not np.isfinite(numbers).all():
        raise AlignmentError("a target's coordinates are not numbers. Give three finite numbers each.")


def at(datums: Iterable[Datum]) -> str:
    """ "file:line: " of the first that has one, else ''."""
    origin = next((datum.origin for datum in datums if datum.origin), "")
    return f"{origin}: " if origin else ""
