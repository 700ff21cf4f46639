"""A rule that judges one cause of the travel: the verdict is that cause's, the figures are everything's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trucks

from fitcheck.checks.kept import Kept
from fitcheck.checks.movers import Movers
from fitcheck.checks.pairing import pair_up
from fitcheck.checks.run import check_scene, check_with
from fitcheck.checks.swept import check_moving
from fitcheck.geometry.solids import box, sphere
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.motion import Limit
from fitcheck.vehicle.moving import MovingBody, RigidPiece, axle_body
from fitcheck.vehicle.scene import Contact, Region, Rule, Scene

AXLE = SolidAxle(
    "rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, carries=(("ball", sphere((2620.0, 700.0, 384.0), 30.0)),)
)
BLOCK = trucks.part("A0", box((2520.0, 600.0, 534.0), (2720.0, 800.0, 634.0)))


def judged(cause: str, must: float) -> Clearance:
    """The ball rises 80 in straight bump: 534 − 384 − 30 − 80 = 40 mm to the block. Crossed, far more: it hits."""
    rule = Rule(("hv_box", "axle"), must, must, "as typed", origin="a.yaml:9", cause=cause)
    return next(row for row in check_scene(scene(rules=(rule,))).clearances if "A0" in row.between)


def scene(**more: object) -> Scene:
    return trucks.scene(parts=(BLOCK,), moving=(axle_body(AXLE),), mechanisms={"rear_axle": AXLE}, **more)


def test_everything_together_is_judged_unless_the_rule_says_otherwise():
    row = judged("", 10.0)
    assert (row.verdict, row.judged) == (Verdict.FAIL, "")
    assert row.distance_mm == 0.0


def test_a_rule_for_straight_bump_judges_straight_bump():
    row = judged("straight bump", 10.0)
    assert row.verdict is Verdict.PASS
    assert row.judged == "straight bump"
    assert row.reason.endswith("judged: straight bump")
    assert row.distance_mm == 0.0, "the figures still say what everything together does"
    bump = next(cause for cause in row.causes if cause.name == "straight bump")
    assert bump.distance_mm == pytest.approx(40.0, abs=0.01)


def test_and_fails_where_straight_bump_alone_is_too_near():
    assert judged("straight bump", 60.0).verdict is Verdict.FAIL


def test_a_cause_that_moves_neither_is_judged_as_scanned():
    row = judged("steered left", 10.0)
    assert row.verdict is Verdict.PASS
    assert "'steered left' moves neither: judged as scanned" in row.reason


def test_each_cause_is_at_least_what_everything_together_is_and_ride_is_the_static_distance():
    row = judged("", 10.0)
    found = {cause.name: cause for cause in row.causes}
    assert found["ride"].distance_mm == pytest.approx(row.static_mm, abs=0.01)
    assert all(cause.distance_mm >= row.at_least_mm for cause in row.causes)
    assert found["crossed, right side up"].distance_mm == 0.0
    assert found["crossed, left side up"].distance_mm > found["ride"].distance_mm


def test_two_moving_bodies_bring_what_both_are_uncertain_by_and_no_scan():
    """2·√(2² + 2² + 2² + 2²): two taped joints, two motion models."""
    other = replace(AXLE, name="front_axle", centre_mm=(0.0, 0.0, 384.0))
    bodies = axle_body(AXLE), replace(axle_body(replace(other, carries=AXLE.carries)), name="front_axle")
    row = check_scene(trucks.scene(moving=bodies)).clearances[0]
    assert row.guard_mm == pytest.approx(8.0)
    assert not [name for name in row.guard_parts if name in ("scan", "alignment")]


def test_an_answer_that_is_held_serves_no_rule_for_another_cause():
    """Held for everything together, asked for straight bump at the same distance: as a cold check answers."""
    held = Kept(None, figures={})
    for cause in ("", "straight bump", "crossed, left side up", ""):
        rules = (Rule(("hv_box", "axle"), 10.0, 10.0, "as typed", origin="a.yaml:9", cause=cause),)
        assert check_with(scene(rules=rules), held).clearances == check_scene(scene(rules=rules)).clearances


def test_a_depth_is_asked_of_no_pose_that_a_limit_forbids():
    """Lift and reach to 100 each, together at most 100: their common end would lie 60 deep in the block, and cannot be.

    What can be comes as near as 40 along each way alone: the distance to the block stays that of the two ends.
    """
    arm = Chain(
        "arm",
        (Coordinate("lift", 0.0, 100.0, "mm"), Coordinate("reach", 0.0, 100.0, "mm")),
        (Joint("slide", (0.0, 0.0, 1.0)), Joint("slide", (1.0, 0.0, 0.0))),
        (Law((1.0, 0.0)), Law((0.0, 1.0))),
        limits=(Limit((1.0, 1.0), 100.0),),
    )
    knob = MovingBody("knob", "lv", (RigidPiece("knob", arm, box((0.0, 0.0, 0.0), (40.0, 40.0, 40.0))),))
    movers = Movers(knob, (box((80.0, 0.0, 80.0), (200.0, 40.0, 200.0)),))
    ends = movers.within(np.array([[100.0, 100.0], [100.0, 0.0], [0.0, 0.0]]))
    assert (ends.sum(axis=1) <= 100.0 + 1e-9).all()
    assert ends[1:].tolist() == [[100.0, 0.0], [0.0, 0.0]]
    place = Contact(("A0", "knob"), Region("box", lo=(60.0, -10.0, 60.0), hi=(220.0, 50.0, 220.0)), "stop", 30.0)
    block = trucks.part("A0", box((80.0, 0.0, 80.0), (200.0, 40.0, 200.0)))
    row = check_scene(trucks.scene(parts=(block,), moving=(knob,), contacts=(place,))).clearances[0]
    assert row.verdict is Verdict.PASS
    assert row.contact == "declared"


def test_a_rule_for_a_cause_judges_it_also_where_no_table_by_cause_is_asked_for():
    """Metal taped since the scan is judged so: 40 mm in straight bump is too near for 60, 120 as scanned is not."""
    rule = Rule(("hv_box", "axle"), 60.0, 60.0, "as typed", origin="a.yaml:9", cause="straight bump")
    body, pair = pair_up(scene(rules=(rule,))).moving[0]
    for by_cause in (True, False):
        row = check_moving(body, pair, by_cause=by_cause)
        assert (row.verdict, row.reason) == (Verdict.FAIL, "nearer than the rule allows; judged: straight bump")
