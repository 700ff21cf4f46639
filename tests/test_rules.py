"""Which rule judges a pair, and the guard that is taken off before it does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from trucks import scene as scene_of

from fitcheck.checks.clearance import Judgement, judge, undecided
from fitcheck.checks.guard import (
    USUAL_ALIGNMENT_MM,
    alignment_sigma_mm,
    guard_mm,
    moving_terms,
    part_terms,
    scan_terms,
)
from fitcheck.checks.rules import DEFAULT_RULES, Party, choose_rule
from fitcheck.geometry.surface import tile_surface
from fitcheck.result import Verdict
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.moving import axle_body
from fitcheck.vehicle.scene import PART_CLASSES, SCAN, FrameCertainty, Part, Rule, ScanLayers, Uncertainties

BOX = Party("A1", "hv_box")
SHAFT = Party("rear_shaft", "shaft")
METAL = Party(SCAN, SCAN)
OURS = Uncertainties()


def own(first: str, second: str, must: float, want: float = 50.0) -> Rule:
    return Rule((first, second), must, want, "test", origin="a.yaml:9")


@pytest.mark.parametrize("one", [*PART_CLASSES, SCAN])
@pytest.mark.parametrize("other", [*PART_CLASSES, SCAN])
def test_every_pair_of_classes_has_a_rule_whichever_comes_first(one: str, other: str) -> None:
    here, there = Party("a", one), Party("b", other)
    assert choose_rule(here, there, ()).rule == choose_rule(there, here, ()).rule


@pytest.mark.parametrize(
    ("rules", "must"),
    [
        ([own("any", "any", 1), own("any", "shaft", 2), own("hv_box", "shaft", 3), own("A1", "shaft", 4)], 4),
        ([own("A1", "rear_shaft", 1), own("hv_box", "shaft", 30)], 1),
        ([own("hv_box", "shaft", 3), own("any", "shaft", 30)], 3),
        ([own("any", "any", 30)], 15),
        ([], 15),
    ],
)
def test_the_most_specific_rule_wins(rules: list[Rule], must: float) -> None:
    """A named pair before classes, a class before any, and a typed rule before a default as specific."""
    assert choose_rule(BOX, SHAFT, tuple(rules)).rule.must_mm == must
    assert choose_rule(SHAFT, BOX, tuple(reversed(rules))).rule.must_mm == must


def test_of_two_that_fit_alike_the_stricter_judges_and_it_is_said() -> None:
    chosen = choose_rule(BOX, SHAFT, (own("hv_box", "shaft", 12), own("shaft", "hv_box", 18)))
    assert chosen.rule.must_mm == 18
    assert "the stricter of two that fit" in chosen.words
    assert "stricter" not in choose_rule(BOX, SHAFT, (own("hv_box", "shaft", 12),)).words


def test_metal_beside_a_shaft_is_judged_by_the_shafts_rule() -> None:
    """Scan and shaft are both classes: the stricter default, 15, not the 2 of a bolted part."""
    assert choose_rule(METAL, SHAFT, ()).rule.must_mm == 15.0


def test_a_part_named_like_its_class_is_no_more_special_than_the_class() -> None:
    unit = Party("drive_unit", "drive_unit")
    assert choose_rule(unit, SHAFT, ()).rule.must_mm == 15.0


def test_every_default_says_why_and_what_it_rests_on() -> None:
    assert all(rule.why and rule.label in ("practice", "judgement") for rule in DEFAULT_RULES)
    assert all(rule.want_mm >= rule.must_mm >= 0.0 for rule in DEFAULT_RULES)


def part(**more: float) -> Part:
    return Part("A1", "hv_box", (), None, "extents", **more)  # type: ignore[arg-type]


def test_guard_of_the_samples_shaft_and_rail() -> None:
    """The sample's own: u² = 0.5² + 0.8² + 2² + 1.5² + 2² gives 2u = 6.68; scan, alignment and fabrication 3.54."""
    body = axle_body(SolidAxle("rear_axle", (0.0, 0.0, 0.0), 80, 90, 400))
    scene = scene_of(uncertainties=replace(OURS, alignment=0.8))
    shaft = {**moving_terms(body, scene), **part_terms(part(), OURS)}
    assert guard_mm(shaft) == pytest.approx(2.0 * math.sqrt(0.25 + 0.64 + 4.0 + 2.25 + 4.0))
    rail = {**scan_terms(scene, np.zeros((1, 3))), **part_terms(part(), OURS)}
    assert guard_mm(rail) == pytest.approx(3.54, abs=0.01)
    assert guard_mm({}) == 0.0


def test_an_alignment_that_was_not_typed_grows_with_the_lever_arm_and_a_typed_one_stays() -> None:
    """Shift 1, turn 1 mrad about y, all one sigma: at 3 m along x √(1² + 3²) mm; closed form."""
    covariance = np.diag([1.0, 1.0, 1.0, 0.0, 1e-6, 0.0])
    metal = tile_surface(np.eye(3), np.array([[0, 1, 2]]))
    scan = ScanLayers(metal, certainty=FrameCertainty((0.0, 0.0, 0.0), covariance))
    place = np.array([[3000.0, 0.0, 0.0]])
    scene = replace(scene_of(), scan=scan, uncertainties=Uncertainties())
    assert alignment_sigma_mm(scene, place) == pytest.approx(math.sqrt(10.0))
    assert alignment_sigma_mm(scene, np.concatenate([np.zeros((1, 3)), place])) == pytest.approx(math.sqrt(10.0))
    assert alignment_sigma_mm(replace(scene, uncertainties=Uncertainties(alignment=0.2)), place) == 0.2
    assert alignment_sigma_mm(replace(scene, scan=None), place) == USUAL_ALIGNMENT_MM


def test_a_taped_part_brings_its_tape_and_a_sized_one_its_size() -> None:
    assert part_terms(part(taped_sigma_mm=2.0), OURS) == {"A1 taped": 2.0}
    assert part_terms(part(size_sigma_mm=0.5), OURS) == {"A1 fabrication": 0.5}
    assert part_terms(part(), OURS) == {"A1 fabrication": 1.5}


NAN, INF = math.nan, math.inf


@pytest.mark.parametrize(
    ("distance", "at_least", "guard", "must", "verdict", "word"),
    [
        (20.0, 20.0, 3.0, 15.0, Verdict.PASS, "clear"),
        (18.0, 18.0, 3.0, 15.0, Verdict.PASS, "clear"),
        (17.999, 17.999, 3.0, 15.0, Verdict.NOT_PROVEN, "likely pass"),
        (14.0, 14.0, 3.0, 15.0, Verdict.NOT_PROVEN, "likely fail"),
        (12.0, 12.0, 3.0, 15.0, Verdict.NOT_PROVEN, "likely fail"),
        (11.999, 11.999, 3.0, 15.0, Verdict.FAIL, "nearer"),
        (-4.0, -4.0, 3.0, 0.0, Verdict.FAIL, "overlaps"),
        (-2.0, -2.0, 3.0, 0.0, Verdict.NOT_PROVEN, "likely fail"),
        (40.0, 2.0, 3.0, 15.0, Verdict.NOT_PROVEN, "the search ended"),
        (None, None, 3.0, 15.0, Verdict.NOT_PROVEN, "could not be computed"),
        (NAN, NAN, 3.0, 15.0, Verdict.NOT_PROVEN, "could not be computed"),
        (INF, INF, 3.0, 15.0, Verdict.NOT_PROVEN, "could not be computed"),
        (40.0, NAN, 3.0, 15.0, Verdict.NOT_PROVEN, "could not be computed"),
        (40.0, None, 3.0, 15.0, Verdict.NOT_PROVEN, "could not be computed"),
    ],
)
def test_verdicts(
    distance: float | None, at_least: float | None, guard: float, must: float, verdict: Verdict, word: str
) -> None:
    """d + u < must: FAIL; at_least − u ≥ must: PASS; everything else NOT PROVEN, also what is not finite."""
    found = judge(distance, at_least, guard, must)
    assert found.verdict is verdict
    assert word in found.reason


def test_an_open_mesh_turns_a_pass_and_nothing_else() -> None:
    for verdict in Verdict:
        expected = Verdict.NOT_PROVEN if verdict is Verdict.PASS else verdict
        assert undecided(Judgement(verdict, "")).verdict is expected
