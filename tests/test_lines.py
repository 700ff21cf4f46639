"""The slack of flexible lines over the travel of their ends."""

from __future__ import annotations

import math

import pytest
from trucks import rear_axle, scene

from fitcheck.checks.lines import check_lines
from fitcheck.result import Limit, Verdict
from fitcheck.vehicle.ends import End
from fitcheck.vehicle.hoses import Line, hose_pieces
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Scene

AXLE = rear_axle()
X, Y, Z = AXLE.centre_mm
OVER = 300.0
STRETCHED = OVER + AXLE.droop_mm
"""Closed form: straight above the middle of an axle the ends are farthest apart with the axle at both droop stops;
wind-up about the axle's own centre and a lateral play of 0 move nothing there."""


def hung(length: float, name: str = "hose") -> MovingBody:
    """A line from the body straight down to the middle of the axle."""
    line = Line(name, End((X, Y, Z + OVER), Still()), End((X, Y, Z), AXLE), length, 12.0)
    return MovingBody(name, "brake_line", hose_pieces(line), (AXLE.name,))


def with_lines(*bodies: MovingBody) -> Scene:
    return scene(moving=bodies, mechanisms={AXLE.name: AXLE})


def slack_of(length: float) -> Limit:
    (found,) = check_lines(with_lines(hung(length)))
    return found


def reached_mm() -> float:
    """By the leaf's arc and the lateral play the axle also goes fore, aft and aside: in the closed form too."""
    aside = AXLE.lateral_mm
    flat = 0.0 if AXLE.leaf is None else AXLE.leaf.flat_at_mm
    along = 0.0
    if AXLE.leaf is not None:
        along = ((-AXLE.droop_mm - flat) ** 2 - flat**2) / (2.0 * AXLE.leaf.arc_mm)
    return math.hypot(STRETCHED, along, aside)


def test_a_line_keeps_what_its_length_leaves_at_full_droop():
    found = slack_of(reached_mm() + 12.0)
    assert found.name == "slack_hose_mm"
    assert found.state == "every"
    assert found.verdict is Verdict.PASS
    assert found.value is not None
    assert 12.0 - 0.11 <= found.value <= 12.0 + 1e-9
    assert "of slack" in found.reason


def test_a_line_that_is_too_short_fails_and_tells_the_pose_and_by_how_much():
    found = slack_of(reached_mm() - 7.0)
    assert found.verdict is Verdict.FAIL
    assert found.value == pytest.approx(-7.0, abs=0.11)
    assert "stretched by 7.0 mm" in found.reason
    assert f"{AXLE.name} down" in found.reason
    assert "at its droop stop" in found.reason


def test_a_slack_within_the_search_s_tolerance_of_nothing_does_not_pass():
    """Longer than any pose needs by less than is certain: never a PASS with a bound beyond the length."""
    for over in (0.0, 0.02, 0.05):
        found = slack_of(reached_mm() + over)
        assert found.value is not None
        assert (found.verdict is Verdict.PASS) == (found.value >= 0.0)
        assert found.verdict is not Verdict.FAIL or over == 0.0


def test_each_moving_line_has_a_row_and_other_bodies_none():
    rod = MovingBody("nothing", "steering", ())
    found = check_lines(with_lines(hung(900.0, "one"), rod, hung(300.0, "two")))
    assert [(one.name, one.verdict) for one in found] == [
        ("slack_one_mm", Verdict.PASS),
        ("slack_two_mm", Verdict.FAIL),
    ]
    assert check_lines(scene()) == ()
