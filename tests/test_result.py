"""result.py: the three verdicts, the worst of them, and the exit code."""

from __future__ import annotations

import dataclasses
import itertools

import pytest
from example_results import clearance, example_result

from fitcheck.result import Coverage, CoverageRow, Limit, Result, Verdict, worst

PASS, FAIL, NOT_PROVEN = Verdict.PASS, Verdict.FAIL, Verdict.NOT_PROVEN


def of(*verdicts: Verdict, limits: tuple[Verdict, ...] = ()) -> Result:
    clearances = tuple(clearance((f"A{i}", "scan"), verdict) for i, verdict in enumerate(verdicts))
    judged = tuple(Limit("front_share_pct", "kerb", 41.0, 0.0, 42.0, "at least", verdict, "") for verdict in limits)
    return Result("t", "t.yaml", clearances, Coverage(()), limits=judged)


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        ([PASS], PASS),
        ([PASS, NOT_PROVEN], NOT_PROVEN),
        ([NOT_PROVEN, FAIL], FAIL),
        ([PASS, FAIL], FAIL),
        ([], NOT_PROVEN),
    ],
)
def test_the_worst_verdict_counts_in_any_order_and_nothing_is_not_proven(verdicts, expected):
    for order in itertools.permutations(verdicts):
        assert worst(list(order)) is expected


@pytest.mark.parametrize(
    ("result", "code"),
    [
        (of(PASS, PASS), 0),
        (of(PASS, FAIL, NOT_PROVEN), 1),
        (of(PASS, NOT_PROVEN), 3),
        (of(), 3),
        (of(PASS, limits=(FAIL,)), 1),
        (of(PASS, limits=(NOT_PROVEN,)), 3),
        (of(PASS, limits=(PASS,)), 0),
        (of(NOT_PROVEN, limits=(FAIL,)), 1),
    ],
)
def test_the_exit_code_is_that_of_the_worst_clearance_or_limit(result, code):
    assert result.exit_code == code


def test_counts_are_of_clearances_and_limit_counts_of_limits():
    result = of(PASS, PASS, FAIL, NOT_PROVEN, limits=(PASS, NOT_PROVEN, NOT_PROVEN))
    assert result.counts == {"pass": 2, "fail": 1, "not_proven": 1}
    assert result.limit_counts == {"pass": 1, "fail": 0, "not_proven": 2}


def test_a_verdict_is_its_own_text():
    assert [verdict.value for verdict in Verdict] == ["PASS", "FAIL", "NOT PROVEN"]
    assert Verdict("NOT PROVEN") is NOT_PROVEN


def test_coverage_counts_each_status():
    rows = [CoverageRow(("a", "b"), status, "") for status in ("checked", "excluded", "checked", "declared_contact")]
    coverage = Coverage(tuple(rows))
    assert [coverage.count(status) for status in ("checked", "declared_contact", "excluded")] == [2, 1, 1]


def test_nobody_changes_a_result_afterwards():
    with pytest.raises(dataclasses.FrozenInstanceError):
        example_result().title = "better"
