"""Targets and ratings, judged with two sigma to either side."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from trucks import WHEELBASE, axles, mass, part, rear_axle, scene, spots, weights

from fitcheck.checks.ground import check_ground, ground_in
from fitcheck.checks.limits import AT_MOST, Figure, check_limits, judge, point_sigma_mm, underside_sigma
from fitcheck.checks.loads import check_loads
from fitcheck.geometry.solids import box
from fitcheck.result import Limit, Verdict
from fitcheck.vehicle.masses import GRAVITY, ledger
from fitcheck.vehicle.scene import LoadState, Quantity, RaisedAxle, Scene, Target, Uncertainties
from fitcheck.vehicle.stance import stance

CARGO = mass("cargo", 300.0, (2500, 0, 1000), sigma=10.0, place=40.0)
SPOTS = ((-560.0, 0.0, 520.0), (1310.0, 0.0, 420.0), (3400.0, 0.0, 520.0))


def limits_of(one: Scene) -> dict[tuple[str, str], Limit]:
    found = check_limits(one, check_loads(one), check_ground(one))
    assert len({(limit.name, limit.state) for limit in found}) == len(found)
    return {(limit.name, limit.state): limit for limit in found}


def truck(*targets: Target, **more: Any) -> Scene:
    more.setdefault("axles", axles(mechanism="rear_axle", hubs=(381.9, 384.0)))
    more.setdefault("scan", spots(*SPOTS))
    more.setdefault("load_states", (LoadState("kerb"), LoadState("laden", (CARGO,))))
    return scene(targets=targets, mechanisms={"rear_axle": rear_axle()}, **more)


@pytest.mark.parametrize(
    ("value", "sigma", "verdict", "word"),
    [
        (42.0, 0.0, Verdict.PASS, "to spare"),
        (44.0, 1.0, Verdict.PASS, "to spare"),
        (43.9, 1.0, Verdict.NOT_PROVEN, "likely pass"),
        (42.0, 1.0, Verdict.NOT_PROVEN, "likely pass"),
        (41.9, 1.0, Verdict.NOT_PROVEN, "likely fail"),
        (40.0, 1.0, Verdict.NOT_PROVEN, "likely fail"),
        (39.9, 1.0, Verdict.FAIL, "misses it"),
        (41.9, 0.0, Verdict.FAIL, "misses it"),
    ],
)
@pytest.mark.parametrize("sense", ["at least", AT_MOST])
def test_three_answers_with_two_sigma(value: float, sigma: float, verdict: Verdict, word: str, sense: str) -> None:
    """The same room on the right side of an upper limit gives the same answer."""
    mirrored = value if sense == "at least" else 84.0 - value
    found = judge(Target("front_share_pct", "kerb", 42.0, sense), Figure(mirrored, sigma))
    assert found.verdict is verdict
    assert word in found.reason
    assert f"{sense} 42.0 %" in found.reason


@pytest.mark.parametrize(
    "figure",
    [Figure(None), Figure(math.nan, 1.0), Figure(math.inf, 1.0), Figure(50.0, math.nan), Figure(50.0, math.inf)],
    ids=str,
)
def test_a_missing_figure_or_one_that_is_no_number_is_not_proven(figure: Figure) -> None:
    found = judge(Target("belly_mm", "kerb", 42.0), figure)
    assert (found.verdict, found.value) == (Verdict.NOT_PROVEN, None)


def test_a_doubt_takes_a_pass_away_but_not_a_failure() -> None:
    target = Target("belly_mm", "kerb", 200.0)
    assert judge(target, Figure(300.0, 1.0, "nobody looked")).verdict is Verdict.NOT_PROVEN
    assert "nobody looked" in judge(target, Figure(300.0, 1.0, "nobody looked")).reason
    assert judge(target, Figure(100.0, 1.0, "nobody looked")).verdict is Verdict.FAIL


def test_both_ratings_are_judged_in_every_load_state() -> None:
    found = limits_of(truck(weights=weights(sigma=1.0)))
    assert set(found) == {(f"rating_{a}_kg", s) for a in ("front", "rear") for s in ("kerb", "laden")}
    laden = found["rating_rear_kg", "laden"]
    assert (laden.value, laden.limit, laden.sense) == (pytest.approx(680 + 300 * 2500 / WHEELBASE), 1450.0, AT_MOST)
    by_hand = math.hypot(math.sqrt(2.0), 10.0 * 2500 / WHEELBASE, 300 * 40 / WHEELBASE)
    assert laden.sigma == pytest.approx(by_hand)
    assert laden.verdict is Verdict.PASS


def test_an_overloaded_axle_fails_and_one_without_a_rating_has_no_row() -> None:
    both = axles()
    one = truck(axles={"front": replace(both["front"], rating_kg=None), "rear": replace(both["rear"], rating_kg=700.0)})
    found = limits_of(one)
    assert {name for name, _ in found} == {"rating_rear_kg"}
    assert found["rating_rear_kg", "kerb"].verdict is Verdict.PASS
    assert found["rating_rear_kg", "laden"].verdict is Verdict.FAIL


def test_without_scales_every_rating_and_target_is_not_proven() -> None:
    one = truck(Target("front_share_pct", "laden", 37.0), Target("belly_mm", "kerb", 200.0), weights=None)
    found = limits_of(one)
    assert len(found) == 6
    assert {limit.verdict for limit in found.values()} == {Verdict.NOT_PROVEN}


ALL = {
    "front_share_pct": 40.0,
    "front_kg": 500.0,
    "rear_kg": 500.0,
    "mass_kg": 1000.0,
    "ssf": 0.5,
    "breakover_deg": 20.0,
    "approach_deg": 20.0,
    "departure_deg": 15.0,
    "belly_mm": 200.0,
    "bump_left_rear_mm": 10.0,
    "bump_left_mm": 10.0,
}


@pytest.mark.parametrize("name", ALL)
def test_every_figure_can_be_a_target(name: str) -> None:
    """Its value is that of the loads or the ground; it passes an easy limit and fails an impossible one."""
    easy = Target(name, "laden", ALL[name], source="the owner", origin="a.yaml:9")
    one = truck(easy, replace(easy, limit=1e6, name=name), weights=weights(sigma=1.0, raised=None, cg_height_mm=HEIGHT))
    found = [limit for limit in check_limits(one, check_loads(one), check_ground(one)) if limit.name == name]
    assert [limit.verdict for limit in found] == [Verdict.PASS, Verdict.FAIL]
    assert found[0].source == "the owner"
    assert found[0].value == pytest.approx(reported(one, name))
    assert found[0].sigma > 0.0


HEIGHT = Quantity(688.0, 10.0)


def reported(one: Scene, name: str) -> float | None:
    loads, ground = check_loads(one)["laden"], check_ground(one)["laden"]
    if name.startswith("bump_left"):
        return ground.bump_left_mm["rear"]
    value = getattr(loads, name, None) or getattr(ground, name, None)
    assert value is None or isinstance(value, float)
    return value


def test_bump_left_counts_the_springs_share_of_the_load_and_its_spread() -> None:
    found = limits_of(truck(Target("bump_left_rear_mm", "laden", 30.0)))["bump_left_rear_mm", "laden"]
    give = GRAVITY / (2 * 48.0)
    assert found.value == pytest.approx(80.0 - give * 300 * 2500 / WHEELBASE)
    assert found.sigma == pytest.approx(give * math.hypot(10.0 * 2500 / WHEELBASE, 300 * 40 / WHEELBASE))


def test_bump_left_at_an_axle_without_a_mechanism_is_not_proven() -> None:
    found = limits_of(truck(Target("bump_left_front_mm", "laden", 30.0)))["bump_left_front_mm", "laden"]
    assert found.verdict is Verdict.NOT_PROVEN
    assert "no mechanism" in found.reason


@pytest.mark.parametrize(
    ("target", "words"),
    [
        (Target("belly_mm", "towing", 200.0), "load state 'towing'"),
        (Target("colour", "laden", 1.0), "'colour' is no figure"),
    ],
)
def test_what_is_not_known_is_not_proven(target: Target, words: str) -> None:
    found = limits_of(truck(target))[target.name, target.state]
    assert found.verdict is Verdict.NOT_PROVEN
    assert words in found.reason


def test_a_height_that_was_not_measured_leaves_stability_not_proven() -> None:
    one = truck(Target("ssf", "kerb", 0.5), weights=weights(cg_height_mm=None))
    found = limits_of(one)["ssf", "kerb"]
    assert found.verdict is Verdict.NOT_PROVEN
    assert "not measured" in found.reason


def test_an_angle_of_parts_alone_is_not_proven() -> None:
    """The scan has nothing behind the rear axle: the tail box's own angle is shown, and is no proof."""
    tail = part("tail", box((3000, -300, 700), (3300, 300, 800)))
    one = truck(Target("departure_deg", "kerb", 10.0), scan=spots(*SPOTS[:2]), parts=(tail,))
    found = limits_of(one)["departure_deg", "kerb"]
    assert found.value is not None
    assert found.value > 10.0
    assert found.verdict is Verdict.NOT_PROVEN
    assert "scan shows nothing there" in found.reason


def test_no_scan_leaves_the_underside_not_proven() -> None:
    found = limits_of(truck(Target("belly_mm", "kerb", 10.0), scan=None))["belly_mm", "kerb"]
    assert (found.verdict, found.value) == (Verdict.NOT_PROVEN, None)


def test_sigma_of_a_point_is_that_of_the_scan_or_of_its_part() -> None:
    own = part("own", box((0, 0, 0), (1, 1, 1)), size_sigma_mm=0.2)
    taped = part("taped", box((0, 0, 0), (1, 1, 1)), taped_sigma_mm=3.0)
    one = truck(parts=(own, taped), uncertainties=Uncertainties(scan=0.5, alignment=0.8, fabrication=1.5))
    assert point_sigma_mm("scan", one, np.zeros(3)) == pytest.approx(math.hypot(0.5, 0.8))
    assert point_sigma_mm("own", one, np.zeros(3)) == pytest.approx(math.hypot(0.2, 0.8))
    assert point_sigma_mm("taped", one, np.zeros(3)) == pytest.approx(math.hypot(1.5, 3.0, 0.8))


@pytest.mark.parametrize("figure", ["belly", "approach", "departure", "breakover"])
def test_sigma_of_a_height_or_an_angle_against_random_sampling(figure: str) -> None:
    """First order against 400 vehicles with random cargo and a random point: within 12 % (a sample's own 3.5 %)."""
    one = truck()
    book = ledger(one, one.load_states[1])
    assert book is not None
    before = ground_in(one, stance(book)).owners[figure]
    assert before.point_mm is not None
    chance, values = np.random.default_rng(11), []
    for _ in range(400):
        moved = np.array(before.point_mm) + chance.normal(0.0, math.hypot(0.5, 0.8), 3)
        cargo = mass("cargo", chance.normal(300.0, 10.0), (chance.normal(2500.0, 40.0), 0, 1000))
        other = replace(one, scan=spots(moved), load_states=(LoadState("laden", (cargo,)),))
        values.append(check_ground(other)["laden"].owners[figure].value)
    assert underside_sigma(figure, before, one, book) == pytest.approx(np.std(np.array(values, float)), rel=0.12)


def test_a_figure_that_nothing_limits_has_no_spread_and_passes() -> None:
    """All metal ahead of the axle is steeper than a wall: approach is 90 deg, owned by nothing."""
    one = truck(Target("approach_deg", "kerb", 40.0), scan=spots((-100, 0, 950), *SPOTS[1:]))
    found = limits_of(one)["approach_deg", "kerb"]
    assert (found.value, found.sigma, found.verdict) == (90.0, 0.0, Verdict.PASS)


def test_reasons_carry_units() -> None:
    targets = (Target("belly_mm", "kerb", 200.0), Target("approach_deg", "kerb", 20.0), Target("ssf", "kerb", 0.5))
    scales = weights(raised=RaisedAxle("rear", 620.0, Quantity(42.0, 2.0)))
    found = limits_of(truck(*targets, weights=scales))
    assert "420.0 mm ± 1.9 mm, at least 200.0 mm: 220.0 mm to spare" in found["belly_mm", "kerb"].reason
    assert "°, at least 20.0°" in found["approach_deg", "kerb"].reason
    assert "at least 0.500" in found["ssf", "kerb"].reason


def test_the_gross_rating_is_judged_in_every_load_state() -> None:
    """Total mass against the vehicle's gross rating: 100 kg is too little for any."""
    rated = truck(weights=weights(gross_rating_kg=100.0))
    loads, found = check_loads(rated), limits_of(rated)
    for state in ("kerb", "laden"):
        limit = found["rating_gross_kg", state]
        assert limit.verdict is Verdict.FAIL
        assert limit.value == loads[state].mass_kg
