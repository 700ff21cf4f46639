"""Is one figure better than another, or is the difference below its own uncertainty?

A cell's ± is made of named independent errors. An error that both cells hold under the same
name is the same error, and only what it does differently to the two is left in their
difference: U = 2·√Σ(aᵢ − bᵢ)² over all names (k = 2). Cells without a common error come to the
root of the sum of the squares of both expanded uncertainties. What a stopped search leaves
open is added in full. A difference up to U is told apart by nobody, and is never better or worse.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

from fitcheck.comparison import Beaten, Cell, Difference, Row, Standing
from fitcheck.result import Verdict

Spread = Callable[[str, str], float | None]

_NOISE = 1e-9  # relative: sums taken in another order

HIGHER, LOWER = "higher", "lower"


def expanded_difference(of: Cell, against: Cell) -> float:
    """Two standard uncertainties of the difference of two cells; the same whichever is which."""
    names = sorted({*of.terms, *against.terms})
    left = [of.terms.get(name, 0.0) - against.terms.get(name, 0.0) for name in names]
    return 2.0 * math.hypot(*left) + (of.bracket + against.bracket)


def differences(cells: dict[str, Cell], better: str | None, spread: Spread | None = None) -> tuple[Difference, ...]:
    """Of every ordered pair of columns. ``spread`` gives the expanded uncertainty in place of the cells' own."""
    return tuple(_difference(pair, cells, better, spread) for pair in permutations(cells, 2))


def _difference(
    pair: tuple[str, str], cells: dict[str, Cell], better: str | None, spread: Spread | None
) -> Difference:
    of, against = pair
    a, b = cells[of].value, cells[against].value
    if a is None or b is None or not (math.isfinite(a) and math.isfinite(b)):
        return Difference(of, against, None, None, False, None)
    gap = a - b
    expanded = spread(of, against) if spread is not None else expanded_difference(cells[of], cells[against])
    if expanded is None or not math.isfinite(expanded):
        return Difference(of, against, gap, None, False, None)
    noise = _NOISE * max(1.0, abs(a), abs(b))
    told_apart = abs(gap) > expanded + noise
    winner = None
    if told_apart and better is not None:
        winner = of if (gap > 0.0) == (better == HIGHER) else against
    return Difference(of, against, gap, expanded, told_apart, winner)


# --- counts of verdicts --------------------------------------------------------------------


@dataclass(frozen=True)
class Judged:
    """A verdict, and the figure that it rests on with its expanded uncertainty."""

    verdict: Verdict
    value: float | None
    expanded: float


def unsure_flips(of: dict[str, Judged], against: dict[str, Judged], verdicts: Collection[Verdict]) -> int:
    """How many things have one of ``verdicts`` in one of the two alone, though their figures are not told apart.

    So much of a difference between two counts of verdicts may be nothing. A thing that only one
    of the two has counts in full.
    """
    shared = [(of[name], against[name]) for name in of if name in against]
    flipped = [pair for pair in shared if (pair[0].verdict in verdicts) != (pair[1].verdict in verdicts)]
    return sum(not _told_apart(*pair) for pair in flipped)


def _told_apart(of: Judged, against: Judged) -> bool:
    if of.value is None or against.value is None:
        return True
    gap = abs(of.value - against.value)
    return gap > math.hypot(of.expanded, against.expanded) + _NOISE * max(1.0, abs(of.value), abs(against.value))


# --- what each one is beaten in ------------------------------------------------------------


def standings(rows: Sequence[Row], names: Sequence[str]) -> tuple[Standing, ...]:
    """For each of the arrangements ``names`` the rows in which another is better, and who is better throughout."""
    found = []
    for name in names:
        others = [other for other in names if other != name]
        beaten = tuple(_beaten(rows, name, others))
        everywhere = tuple(other for other in others if _beats_everywhere(rows, other, name))
        found.append(Standing(name, beaten, everywhere))
    return tuple(found)


def _beaten(rows: Sequence[Row], name: str, others: Sequence[str]) -> Iterator[Beaten]:
    for row in rows:
        for other in others:
            found = row.difference(other, name)
            if found is not None and found.better == other:
                yield Beaten(row.name, row.state, other, found.difference or 0.0, found.expanded or 0.0)


def _beats_everywhere(rows: Sequence[Row], one: str, other: str) -> bool:
    winners = {found.better for row in rows if (found := row.difference(one, other)) is not None}
    return winners - {None} == {one}
