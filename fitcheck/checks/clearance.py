"""The verdict on one clearance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

from fitcheck.checks.guard import Terms
from fitcheck.checks.rules import ChosenRule
from fitcheck.result import Clearance, Verdict


@dataclass(frozen=True)
class Judgement:
    verdict: Verdict
    reason: str


def judge(distance_mm: float | None, at_least_mm: float | None, guard_mm: float, must_mm: float) -> Judgement:
    """PASS, FAIL or NOT PROVEN for a distance found and a bound below which it cannot be.

    With guard u: distance + u < must is a FAIL, at_least − u ≥ must is a PASS, everything
    else is NOT PROVEN with its reason. None, NaN and infinite distances are NOT PROVEN:
    nothing was shown.
    """
    if distance_mm is None or at_least_mm is None or not math.isfinite(distance_mm) or not math.isfinite(at_least_mm):
        return Judgement(Verdict.NOT_PROVEN, "could not be computed")
    if distance_mm + guard_mm < must_mm:
        words = "overlaps" if distance_mm < 0.0 else "touches" if distance_mm == 0.0 else "nearer than the rule allows"
        return Judgement(Verdict.FAIL, words)
    if at_least_mm - guard_mm >= must_mm:
        return Judgement(Verdict.PASS, "clear by the rule and the guard")
    if distance_mm - guard_mm >= must_mm:
        return Judgement(Verdict.NOT_PROVEN, "the search ended before the bound did: no pose found is too near")
    side = "likely fail" if distance_mm < must_mm else "likely pass"
    return Judgement(Verdict.NOT_PROVEN, f"too close to call: {side}")


def undecided(judgement: Judgement) -> Judgement:
    """The judgement where a mesh is not closed, so that inside and outside cannot be told: no PASS."""
    if judgement.verdict is Verdict.PASS:
        return Judgement(Verdict.NOT_PROVEN, "a part's mesh is open: whether one lies inside the other cannot be told")
    return judgement


class Pair(Protocol):
    """What a row says of its pair, whatever was measured."""

    @property
    def between(self) -> tuple[str, str]: ...
    @property
    def chosen(self) -> ChosenRule: ...
    @property
    def terms(self) -> Terms: ...
    @property
    def guard_mm(self) -> float: ...


def row_of(pair: Pair, judgement: Judgement, **figures: Any) -> Clearance:
    """The row of a pair: its verdict, its rule and guard, and the ``figures`` that were measured."""
    rule = pair.chosen.rule
    measured = {"distance_mm": None, "at_least_mm": None, "static_mm": None, **figures}
    return Clearance(
        between=pair.between,
        verdict=judgement.verdict,
        reason=judgement.reason,
        rule=pair.chosen.words,
        must_mm=rule.must_mm,
        want_mm=rule.want_mm,
        guard_mm=pair.guard_mm,
        rule_reason=rule.why,
        rule_source=rule.source,
        rule_label=rule.label,
        guard_parts=dict(pair.terms),
        **measured,
    )
