"""Arrangements side by side: data only.

The names of the fields are the names in the JSON document (``fitcheck-comparison/1``).
Figures stand in rows; a row has a cell for each column, the vehicle as weighed first. All
numbers of a row are in the row's unit. Lengths in mm, masses in kg, angles in degrees, in
the vehicle frame: x rearward from the front-axle line, y right, z up from the scan-day floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from fitcheck.result import Clearance, Verdict

FORMAT = "fitcheck-comparison/1"

BASELINE = "as weighed"
"""The name of the first column."""

NO_SCORE = (
    "Nothing here ranks the arrangements: there is no score, and a longer list is not a worse arrangement. "
    "What counts for more is yours to say."
)
"""Said by every report of a comparison."""


@dataclass(frozen=True)
class Cell:
    """One figure of one column.

    ``terms``: the independent errors that make its ±, each with its one sigma (signed) in
    the row's unit; two cells that hold the same name hold the same error, and it cancels in
    their difference. ``bracket``: how far above ``value`` the true figure may lie because a
    search was stopped once the verdict was sure.
    """

    value: float | None
    terms: dict[str, float] = field(default_factory=dict)
    owner: str | None = None  # what sets the figure
    note: str = ""
    bracket: float = 0.0

    @property
    def sigma(self) -> float:
        """One sigma of the value."""
        return math.hypot(*self.terms.values())


@dataclass(frozen=True)
class Difference:
    """``of`` less ``against``, two columns of one row."""

    of: str
    against: str
    difference: float | None  # None: one of the two is not known
    expanded: float | None  # two standard uncertainties (k = 2) of the difference; None: not known
    told_apart: bool  # the difference is larger than that
    better: str | None  # the better column of the two, where they are told apart and the row has a direction


@dataclass(frozen=True)
class Row:
    """One figure in all columns. ``better``: "higher", "lower", or None where more is neither."""

    name: str
    title: str
    group: str
    unit: str  # "mm", "kg", "deg", "%", or "" for counts and ratios
    better: str | None
    state: str | None  # the load state
    cells: dict[str, Cell]
    differences: tuple[Difference, ...]

    def difference(self, of: str, against: str) -> Difference | None:
        """The difference between two columns; None where one is not in the row."""
        return next((item for item in self.differences if (item.of, item.against) == (of, against)), None)


@dataclass(frozen=True)
class Baseline:
    """The first column: the vehicle as it stood on the scales. ``measured``: what its heights and angles are of."""

    name: str
    layout: str  # the layout whose scan and scales it was taken from
    measured: str


@dataclass(frozen=True)
class Arrangement:
    """One column. ``clearances``: every judged pair, worst first."""

    name: str
    title: str
    layout: str
    verdict: Verdict
    counts: dict[str, int]
    limit_counts: dict[str, int]
    clearances: tuple[Clearance, ...]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Beaten:
    """A row in which another arrangement is better by more than the uncertainty."""

    row: str
    state: str | None
    by: str
    difference: float  # the better one's figure less this one's
    expanded: float


@dataclass(frozen=True)
class Standing:
    """What an arrangement is beaten in: for a survivor, what it gives up.

    ``beaten_everywhere_by``: others that are better in every row (with a direction) in
    which the two are told apart, of which there is at least one.
    """

    arrangement: str
    beaten_in: tuple[Beaten, ...]
    beaten_everywhere_by: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """Everything that two or more arrangements of one vehicle are told apart by. No score, no ranking."""

    vehicle: str
    state: str  # the load state of the figures that stand for one state alone
    baseline: Baseline
    arrangements: tuple[Arrangement, ...]
    rows: tuple[Row, ...]
    standings: tuple[Standing, ...]
    alike: tuple[tuple[str, str], ...] = ()  # pairs with the same clearance and rule in every arrangement
    notes: tuple[str, ...] = ()  # what differs between the layouts besides the figures
    inputs: dict[str, str] = field(default_factory=dict)  # file → sha256

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of all columns, the baseline first."""
        return (self.baseline.name, *(arrangement.name for arrangement in self.arrangements))
