"""study/: arrangements side by side, what is refused, and when a difference is one.

Independent of the program: closed forms for sums of squares, and random sampling of the ledger.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from example_results import clearance
from hypothesis import given
from hypothesis import strategies as st
from trucks import axles, mass, part, plate, rear_axle, scanned, scene, weights

import fitcheck
from fitcheck.checks.limits import underside_sigma
from fitcheck.checks.loads import axle_sigma_kg, cg_over_ground_mm, mass_sigma_kg, share_sigma_pct, stability_sigma
from fitcheck.comparison import Cell, Comparison, Row
from fitcheck.errors import InputError
from fitcheck.geometry.solids import box
from fitcheck.layout import load_scene
from fitcheck.result import Alignment, Coverage, CoverageRow, Limit, Result, Verdict
from fitcheck.study.compare import alike_pairs, check_all, compare, left_mm
from fitcheck.study.compare_basis import short_names
from fitcheck.study.difference import (
    Judged,
    differences,
    expanded_difference,
    standings,
    unsure_flips,
)
from fitcheck.study.figures import Column, balance_cells, box_cells, bump_cells, load_cells
from fitcheck.vehicle.masses import ledger, totals
from fitcheck.vehicle.moving import axle_body
from fitcheck.vehicle.scene import LoadState, Measured, Quantity, Region, Rule, Scene, Uncertainties
from fitcheck.vehicle.stance import bump_left_mm, drop_covariance, stance

SAMPLE = Path(__file__).parents[1] / "sample_meshes" / "hollin262"
ARRANGEMENTS = ("a", "a2", "d", "b", "b2")
FLOOR = plate((-600, 3400), (-500, 500), 560.0)
LADEN = LoadState("laden", (mass("driver", 85, (1150, 350, 950), place=20.0), mass("cargo", 300, (2500, 0, 1000))))
STATES = (LoadState("kerb"), LADEN)


def truck(file: str = "a.yaml", at: tuple[float, float, float] = (1400, -300, 380), **more) -> Scene:
    """A truck under a scanned floor, with one box of 400 × 200 × 120 whose front left bottom is at ``at``."""
    low = np.array(at, dtype=float)
    size = np.array(more.pop("size", (400.0, 200.0, 120.0)))
    kg = more.pop("kg", 60.0)
    weighs = mass("B1", kg, low + size / 2.0, sigma=0.03 * kg, place=20.0)
    axle = rear_axle()
    both = axles(mechanism="rear_axle")
    more = {
        "parts": (part("B1", box(low, low + size), weighs=weighs),),
        "scan": scanned(FLOOR),
        "axles": both,
        "mechanisms": {"rear_axle": axle},
        "weights": weights(sigma=1.0, gain_sigma=1.0, removed=(mass("engine", 238, (60, 0, 720), sigma=11.9),)),
        "load_states": STATES,
        "inputs": {file: "0" * 64, "scan.ply": "1" * 64},
        **more,
    }
    return dataclasses.replace(scene(**more), layout_file=file, title=f"the box of {file}")


def moving_truck(file: str, at: tuple[float, float, float]) -> Scene:
    return dataclasses.replace(truck(file, at), moving=(axle_body(rear_axle()),))


def column(found: Scene, state: LoadState = LADEN) -> Column:
    return Column(found.layout_file, found, ledger(found, state), None)


def row(comparison: Comparison, name: str, state: str | None = None) -> Row:
    return next(item for item in comparison.rows if item.name == name and (state is None or item.state == state))


# -- the arithmetic of differences --


def cells(*terms: dict[str, float], values: tuple[float, ...] = (0.0, 0.0)) -> dict[str, Cell]:
    return {name: Cell(value, term) for name, value, term in zip("ABCDEF", values, terms, strict=False)}


def test_independent_errors_add_in_squares():
    """Closed form: 2·√(3² + 4²) = 10."""
    assert expanded_difference(*cells({"one": 3.0}, {"two": 4.0}).values()) == pytest.approx(10.0)


def test_a_common_error_leaves_only_what_it_does_differently():
    """Closed form: 2·√((5 − 2)² + 4²) = 10; the same one in both cancels altogether."""
    assert expanded_difference(Cell(0.0, {"scales": 5.0, "b": 4.0}), Cell(0.0, {"scales": 2.0})) == pytest.approx(10.0)
    assert expanded_difference(Cell(0.0, {"scales": 5.0}), Cell(0.0, {"scales": 5.0})) == 0.0


def test_what_a_stopped_search_leaves_open_is_added_in_full():
    assert expanded_difference(Cell(0.0, {"a": 3.0}, bracket=1.5), Cell(0.0, {"b": 4.0}, bracket=0.5)) == 12.0


@pytest.mark.parametrize(
    ("gap", "told_apart"), [(9.999, False), (10.0, False), (10.001, True), (-10.0, False), (-10.001, True)]
)
def test_a_difference_up_to_its_uncertainty_is_none(gap, told_apart):
    (first, _) = differences(cells({"a": 3.0}, {"b": 4.0}, values=(100.0 + gap, 100.0)), "higher")
    assert first.told_apart == told_apart
    assert first.better == ((("A" if gap > 0 else "B")) if told_apart else None)


def test_the_order_of_a_sum_is_no_difference():
    """Two ways to add 0.1 + 0.2 + 0.3, without any uncertainty."""
    (first, _) = differences(cells({}, {}, values=((0.1 + 0.2) + 0.3, 0.1 + (0.2 + 0.3))), "higher")
    assert first.difference != 0.0
    assert not first.told_apart


@pytest.mark.parametrize("missing", [None, math.nan, math.inf])
def test_what_is_not_known_differs_from_nothing(missing):
    for found in differences(cells({}, {}, values=(missing, 1.0)), "higher"):
        assert (found.difference, found.told_apart, found.better) == (None, False, None)


def test_a_row_without_a_direction_has_no_better():
    assert [item.better for item in differences(cells({}, {}, values=(1.0, 2.0)), None)] == [None, None]
    assert [item.better for item in differences(cells({}, {}, values=(1.0, 2.0)), "lower")] == ["A", "A"]


TERMS = st.dictionaries(st.sampled_from("abcdef"), st.floats(-9, 9), max_size=5)


@given(TERMS, TERMS, st.floats(-50, 50), st.floats(-50, 50), st.sampled_from(["higher", "lower", None]))
def test_swapping_two_columns_mirrors_their_difference_exactly(one, two, a, b, better):
    there, back = differences(cells(one, two, values=(a, b)), better)
    assert there.difference == -back.difference
    assert (there.expanded, there.told_apart, there.better) == (back.expanded, back.told_apart, back.better)


def test_a_count_differs_by_no_more_than_the_verdicts_that_are_sure():
    """Three pairs flip from NOT PROVEN to PASS; of one of them both distances lie within their common ±."""
    doubt, passed = Verdict.NOT_PROVEN, Verdict.PASS
    one = {name: Judged(doubt, 10.0, 3.0) for name in "xyz"}
    two = {"x": Judged(passed, 14.2, 3.0), "y": Judged(passed, 14.3, 3.0), "z": Judged(passed, 90.0, 3.0)}
    assert unsure_flips(one, two, {doubt}) == 1  # 2-norm of 3 and 3 is 4.243
    assert unsure_flips(two, one, {doubt}) == 1
    assert unsure_flips(one, {}, {doubt}) == 0
    assert unsure_flips({"x": Judged(doubt, None, 0.0)}, two, {doubt}) == 0


def made(name: str, better: str | None = "higher", /, **values: float) -> Row:
    found = {column: Cell(value, {f"{name} {column}": 0.5}) for column, value in values.items()}
    return Row(name, name, "ground", "mm", better, None, found, differences(found, better))


def test_what_each_is_beaten_in():
    """B beats A in both rows that differ; C is beaten by B in one and beats it in the other; "near" is a tie."""
    rows = [made("x", A=1, B=10, C=20), made("y", A=1, B=10, C=5)]
    rows += [made("near", A=1, B=2, C=1.5), made("n", None, A=1, B=9)]
    found = {item.arrangement: item for item in standings(rows, "ABC")}
    assert found["A"].beaten_everywhere_by == ("B", "C")
    assert [(one.row, one.by, one.difference) for one in found["A"].beaten_in] == [
        ("x", "B", 9.0),
        ("x", "C", 19.0),
        ("y", "B", 9.0),
        ("y", "C", 4.0),
    ]
    assert found["A"].beaten_in[0].expanded == pytest.approx(math.sqrt(2.0))
    assert found["B"].beaten_everywhere_by == found["C"].beaten_everywhere_by == ()
    assert [(one.row, one.by) for one in found["B"].beaten_in] == [("x", "C")]
    assert [(one.row, one.by) for one in found["C"].beaten_in] == [("y", "B")]


def test_alike_arrangements_do_not_beat_each_other():
    assert all(
        not item.beaten_in and not item.beaten_everywhere_by for item in standings([made("x", A=1, B=1)], "AB")
    )


# -- the ± of loads, line by line --


def test_the_lines_add_up_to_the_sigmas_of_the_check():
    """checks/loads.py and vehicle/stance.py compute the same ± by another road."""
    found = truck()
    book, of = ledger(found, LADEN), column(found)
    loads, balance, bump = load_cells(of), balance_cells(of), bump_cells(of)
    assert loads["mass_kg"].sigma == pytest.approx(mass_sigma_kg(book))
    assert loads["front_kg"].sigma == pytest.approx(axle_sigma_kg(book, "front"))
    assert loads["rear_kg"].sigma == pytest.approx(axle_sigma_kg(book, "rear"))
    assert loads["room_front_kg"].sigma == loads["front_kg"].sigma
    assert loads["front_share_pct"].sigma == pytest.approx(share_sigma_pct(book))
    assert bump["bump_left_rear_mm"].sigma == pytest.approx(math.sqrt(drop_covariance(book, springs_only=True)[1, 1]))
    assert balance["ssf"].sigma == pytest.approx(stability_sigma(book), rel=0.05)  # that one leaves the floor out


def test_the_values_are_those_of_the_check():
    found = truck()
    result = fitcheck.check_scene(found, only=["B1"])
    loads, of = result.loads["laden"], column(found)
    shown = load_cells(of) | balance_cells(of) | bump_cells(of)
    assert shown["front_kg"].value == loads.front_kg
    assert shown["room_rear_kg"].value == 1450.0 - loads.rear_kg
    assert shown["front_share_pct"].value == pytest.approx(loads.front_share_pct)
    assert (shown["cg_x_mm"].value, shown["cg_y_mm"].value) == loads.cg_mm[:2]
    assert (shown["cg_height_mm"].value, shown["ssf"].value) == (loads.cg_height_over_ground_mm, loads.ssf)
    assert shown["bump_left_rear_mm"].value == result.ground["laden"].bump_left_mm["rear"]
    assert "bump_left_front_mm" not in shown


def test_the_same_mass_at_the_same_place_cancels():
    """The cargo moves up by 90: same x, so neither its mass nor its place tells two axle loads apart."""
    up = dataclasses.replace(LADEN, aboard=(LADEN.aboard[0], mass("cargo", 300, (2500, 0, 1090))))
    one, two = column(truck()), column(truck("b.yaml", load_states=(STATES[0], up)), up)
    for name in ("front_kg", "rear_kg", "mass_kg", "front_share_pct"):
        assert expanded_difference(load_cells(one)[name], load_cells(two)[name]) == 0.0


def test_a_box_that_was_moved_takes_its_mass_error_along():
    """Closed form, 60 ± 1.8 kg moved by 800 of 2620 mm: mass 1.8·800/2620; two places at 20 mm, 60/2620 each."""
    one, two = column(truck()), column(truck("b.yaml", (2200, -300, 380)))
    found = expanded_difference(load_cells(one)["front_kg"], load_cells(two)["front_kg"])
    assert found == pytest.approx(2.0 * math.hypot(1.8 * 800 / 2620, math.sqrt(2.0) * 20.0 * 60 / 2620))


def test_another_mass_errs_by_itself():
    """Closed form: 60 ± 1.8 kg against 80 ± 2.4 kg at the same place; the total differs by 20 ± 2·√(1.8² + 2.4²)."""
    one, two = column(truck()), column(truck("b.yaml", kg=80.0))
    assert expanded_difference(load_cells(one)["mass_kg"], load_cells(two)["mass_kg"]) == pytest.approx(6.0)


def test_the_differences_spread_as_random_sampling_says():
    """2000 ledgers with each error drawn once and used in both arrangements; from the formulas' own side nothing."""
    rng = np.random.default_rng(5)
    pair = [truck(), truck("b.yaml", (2300, -300, 250), kg=60.0)]
    columns = [column(one) for one in pair]
    books = [one.book for one in columns]
    draws = {name: [] for name in ("front_kg", "front_share_pct", "cg_x_mm", "cg_height_mm")}
    for _ in range(2000):
        shared: dict[tuple[object, ...], float] = {}
        drawn = [_drawn(book, shared, rng) for book in books]
        sums = [totals(book) for book in drawn]
        draws["front_kg"].append(sums[0].front_kg - sums[1].front_kg)
        draws["front_share_pct"].append(np.subtract(*(100.0 * one.front_kg / one.mass_kg for one in sums)))
        draws["cg_x_mm"].append(sums[0].cg_mm[0] - sums[1].cg_mm[0])
        draws["cg_height_mm"].append(np.subtract(*(cg_over_ground_mm(book, stance(book)) for book in drawn)))
    found = [load_cells(one) | balance_cells(one) for one in columns]
    for name, values in draws.items():
        expanded = expanded_difference(found[0][name], found[1][name])
        assert 2.0 * np.std(values) == pytest.approx(expanded, rel=0.08), name
        assert np.mean(values) == pytest.approx(found[0][name].value - found[1][name].value, abs=0.1 * expanded)


def _drawn(book, shared, rng):
    """A ledger with its errors drawn; what is the same line at the same place gets the same error."""

    def error(*key: object) -> float:
        return shared.setdefault(key, rng.standard_normal())

    changes = []
    for entry in book.changes:
        kg = entry.mass_kg + entry.mass_sigma_kg * error("kg", entry.name)
        at = [c + entry.cg_sigma_mm * error(axis, entry.name, c) for axis, c in zip("xyz", entry.cg_mm, strict=True)]
        changes.append(dataclasses.replace(entry, mass_kg=kg, cg_mm=tuple(at)))
    return dataclasses.replace(book, changes=tuple(changes))


def test_boxes_are_counted_and_weighed():
    """Two of one size, one of them turned, and a third: three boxes of two sizes."""
    boxes = (
        part("A", box([0, 0, 0], [400, 200, 120]), weighs=mass("A", 50, (0, 0, 0), sigma=3.0)),
        part("B", box([0, 0, 0], [200, 400, 120]), weighs=mass("B", 70, (0, 0, 0), sigma=4.0)),
        part("C", box([0, 0, 0], [300, 400, 120])),
        part("rail", box([0, 0, 0], [9, 9, 9]), part_class="frame", weighs=mass("rail", 9, (0, 0, 0))),
    )
    found = truck(parts=boxes)
    shown = box_cells(fitcheck.check_scene(found, only=["rail"]).parts, found)
    assert (shown["hv_box_count"].value, shown["hv_box_sizes"].value) == (3.0, 2.0)
    assert (shown["hv_box_kg"].value, shown["hv_box_kg"].sigma) == (120.0, 5.0)
    assert shown["hv_box_kg"].note == "without C: no mass given"


# -- clearances, from results made by hand --


def result(file: str, *rows, **more) -> Result:
    coverage = Coverage(tuple(CoverageRow(item.between, "checked", item.rule) for item in rows))
    return Result(file, file, rows, coverage, **more)


def side_by_side(*lists, **more) -> Comparison:
    """Trucks with the given clearances instead of their own."""
    files = [f"{name}.yaml" for name in "abcdef"[: len(lists)]]
    scenes = [truck(file) for file in files]
    return compare(scenes, results=[result(file, *rows) for file, rows in zip(files, lists, strict=True)], **more)


def test_the_tightest_pair_is_the_one_with_the_least_left():
    """Rule 15, guard 7.39594: of 40 and 30 mm the 30 leaves 7.604; its ± is the guard."""
    rows = [clearance(("A", "x"), distance_mm=40.0), clearance(("A", "y"), distance_mm=30.0)]
    found = row(side_by_side(rows, []), "least_left_mm")
    assert found.cells["a"].value == pytest.approx(30.0 - 15.0 - 7.39594)
    assert found.cells["a"].owner == "A – y"
    assert 2.0 * found.cells["a"].sigma == pytest.approx(7.39594)
    assert (found.cells["b"].value, found.cells["b"].note) == (None, "no pair")


@pytest.mark.parametrize(("other", "better"), [(40.4, None), (40.5, "b")])
def test_two_worst_clearances_are_told_apart_beyond_both_guards(other, better):
    """√2 · 7.39594 = 10.4594: 30 against 40.4 is a tie, against 40.5 not."""
    found = row(
        side_by_side([clearance(("A", "x"), distance_mm=30.0)], [clearance(("A", "x"), distance_mm=other)]),
        "least_left_mm",
    )
    assert found.difference("b", "a").expanded == pytest.approx(math.sqrt(2.0) * 7.39594)
    assert found.difference("a", "b").better == found.difference("b", "a").better == better


def test_a_certificate_that_stopped_early_is_not_a_worse_clearance():
    """At least 30, found 45: the 15 in between belong to the uncertainty."""
    early = clearance(("A", "x"), distance_mm=45.0, at_least_mm=30.0)
    found = row(side_by_side([early], [clearance(("A", "x"), distance_mm=45.0)]), "least_left_mm").difference("b", "a")
    assert found.expanded == pytest.approx(math.sqrt(2.0) * 7.39594 + 15.0)
    assert not found.told_apart


def test_two_overlaps_are_not_told_apart_by_their_depths():
    """A depth is a lower estimate: 3 and 90 deep say nothing about which is deeper; against a gap it is."""
    shallow, deep = (
        clearance(("A", "x"), Verdict.FAIL, 0.0, depth_mm=depth, contact="overlap") for depth in (3.0, 90.0)
    )
    found = row(side_by_side([shallow], [deep], [clearance(("A", "x"), distance_mm=30.0)]), "least_left_mm")
    assert found.difference("a", "b").told_apart is False
    assert found.difference("a", "b").expanded is None
    assert found.difference("c", "b").better == "c"
    assert left_mm(deep) == pytest.approx(-90.0 - 15.0 - 7.39594)


def test_a_pair_that_was_not_computed_is_the_tightest_and_beats_nobody():
    lost = clearance(("A", "x"), Verdict.NOT_PROVEN, None)
    found = row(side_by_side([lost, clearance(("A", "y"))], [clearance(("A", "x"))]), "least_left_mm")
    assert (found.cells["a"].value, found.cells["a"].note) == (None, "not computed")
    assert not found.difference("a", "b").told_apart


def test_a_common_worst_pair_does_not_hide_the_others():
    """The same pair collides in both; without it 30 mm stand against 60."""
    common = clearance(("scan", "shaft"), Verdict.FAIL, 0.0, depth_mm=9.0, contact="overlap")
    found = side_by_side(
        [common, clearance(("A", "x"), distance_mm=30.0)], [common, clearance(("A", "x"), distance_mm=60.0)]
    )
    assert found.alike == (("scan", "shaft"),)
    assert row(found, "least_left_mm").difference("a", "b").difference == 0.0
    assert row(found, "least_left_own_mm").difference("a", "b").better == "b"
    assert alike_pairs([]) == ()


def test_verdicts_are_counted_and_targets_by_themselves():
    fail = clearance(("A", "x"), Verdict.FAIL, 0.0)
    limit = Limit("ssf", "laden", 0.9, 0.01, 1.0, "at least", Verdict.FAIL, "")
    results = [result("a.yaml", fail, clearance(("A", "y")), limits=(limit,)), result("b.yaml", clearance(("A", "x")))]
    found = compare([truck("a.yaml"), truck("b.yaml")], results=results)
    rows = [item for item in found.rows if item.group == "verdicts"]
    counts = {item.name: [cell.value for cell in item.cells.values()] for item in rows}
    assert counts == {
        "clearances_pass": [1, 1],
        "clearances_not_proven": [0, 0],
        "clearances_fail": [1, 0],
        "clearances_open": [1, 0],
        "limits_pass": [0, 0],
        "limits_not_proven": [0, 0],
        "limits_fail": [1, 0],
        "limits_open": [1, 0],
    }
    assert row(found, "clearances_fail").difference("b", "a").better == "b"
    assert row(found, "limits_fail").difference("b", "a").better == "b"
    assert row(found, "clearances_pass").difference("b", "a").better is None
    assert found.arrangements[0].verdict is Verdict.FAIL


def test_a_not_proven_that_becomes_a_fail_is_no_gain():
    """One pair is NOT PROVEN in a and FAIL in b: b has fewer NOT PROVEN, and is better in nothing."""
    doubt = clearance(("A", "x"), Verdict.NOT_PROVEN, 16.0)
    found = side_by_side([doubt], [clearance(("A", "x"), Verdict.FAIL, 0.0)])
    assert row(found, "clearances_not_proven").difference("b", "a").difference == -1.0
    assert {item.by for standing in found.standings for item in standing.beaten_in} == {"a"}


# -- whole arrangements --


def test_a_box_moved_by_a_millimetre_makes_no_winner_anywhere():
    """Every figure of the two differs by less than its uncertainty; some do differ."""
    found = compare([moving_truck("a.yaml", (1400, -300, 380)), moving_truck("b.yaml", (1401, -299, 381))])
    between = [item for one in found.rows for item in one.differences if "as weighed" not in (item.of, item.against)]
    assert sum(bool(item.difference) for item in between) >= 20
    assert not any(item.told_apart or item.better for item in between)
    assert all(not one.beaten_in and not one.beaten_everywhere_by for one in found.standings)


@pytest.fixture(scope="module")
def five() -> tuple[list[Scene], list[Result], Comparison]:
    """The sample's five arrangements, each checked once."""
    scenes = [load_scene(SAMPLE / f"{name}.yaml") for name in ARRANGEMENTS]
    results = list(check_all(scenes))
    return scenes, results, compare(scenes, results=results)


def test_the_samples_five_arrangements_stand_in_one_table(five):
    _, results, found = five
    assert found.columns == ("as weighed", *ARRANGEMENTS)
    assert found.state == "laden"
    assert [one.verdict for one in found.arrangements] == [one.verdict for one in results]
    order = list(dict.fromkeys(one.group for one in found.rows))
    assert order == ["verdicts", "clearances", "ground", "loads", "light", "bump", "balance", "boxes"]
    for name, figures in zip(ARRANGEMENTS, results, strict=True):
        ground, loads = figures.ground["laden"], figures.loads["laden"]
        assert row(found, "belly_mm").cells[name].value == ground.belly_mm
        assert row(found, "belly_mm").cells[name].owner == ground.belly_owner
        assert row(found, "departure_deg").cells[name].value == ground.departure_deg
        assert row(found, "under_rear_axle_mm").cells[name].value == ground.under_axle_mm["rear"]
        assert row(found, "rear_kg", "laden").cells[name].value == loads.rear_kg
        assert row(found, "front_share_pct", "kerb").cells[name].value == pytest.approx(
            figures.loads["kerb"].front_share_pct
        )


def test_the_sample_as_weighed_is_the_first_column(five):
    """Four corners 402, 398, 342, 338 (the sample's vehicle.yaml); the tank hangs lowest of what was scanned."""
    _, _, found = five
    assert found.baseline.layout.endswith("a.yaml")
    base = {one.name: one.cells["as weighed"] for one in found.rows if "as weighed" in one.cells}
    assert (base["mass_kg"].value, base["front_kg"].value) == (1480.0, 800.0)
    assert base["belly_mm"].owner == "tank"
    assert base["bump_left_rear_mm"].value == 80.0
    assert "hv_box_kg" not in base
    assert "with exhaust, tank" in found.baseline.measured


def test_the_sample_tells_apart_what_its_arrangements_are_about(five):
    """D hangs deeper than A: its boxes at x 2156, z 326 over the tilted floor, A's drive unit at x 1220, z 395."""
    _, results, found = five
    belly = row(found, "belly_mm")
    heights = []
    for k, x, z in ((0, 1220.0, 395.0), (2, 2156.0, 326.0)):  # closed form: over a straight floor, perpendicular to it
        drop = results[k].loads["laden"].body_drop_mm
        slope = (drop["rear"] - drop["front"]) / 2620.0
        heights.append((z - drop["front"] - slope * x) / math.hypot(1.0, slope))
    assert belly.difference("a", "d").difference == pytest.approx(heights[0] - heights[1], abs=0.01)
    assert belly.difference("a", "d").better == "a"
    assert belly.difference("a", "a2").told_apart is False
    assert row(found, "departure_deg").difference("a", "b").better == "a"
    assert row(found, "room_rear_kg").difference("a", "b").better == "a"
    assert row(found, "front_share_pct", "laden").better is None
    assert all(item.beaten_everywhere_by == () for item in found.standings)
    everyone_but_d = {one.by for one in found.standings[2].beaten_in if one.row == "belly_mm"}
    assert everyone_but_d == {"a", "a2", "b", "b2"}


def test_the_sample_says_what_else_differs(five):
    _, _, found = five
    assert "scan: b, b2 alone have moved bed" in found.notes
    assert any("cargo lies at x 2500, y 0, z 1000 in a, a2, d; x 2500, y 0, z 1090 in b, b2" in n for n in found.notes)
    assert any("charger, hv_junction, inverter too" in note for note in found.notes)


def test_swapping_columns_mirrors_all_differences_exactly(five):
    """In every row of the sample's table: sign, ±, and better or worse; also with the files in another order."""
    scenes, results, found = five
    for one in found.rows:
        for of, against in itertools.permutations(one.cells, 2):
            there, back = one.difference(of, against), one.difference(against, of)
            assert (there.difference is None) == (back.difference is None)
            assert there.difference is None or there.difference == -back.difference
            assert (there.expanded, there.told_apart, there.better) == (back.expanded, back.told_apart, back.better)
    turned = compare(scenes[::-1], results=results[::-1])
    for one, other in zip(found.rows, turned.rows, strict=True):
        assert {(d.of, d.against): d for d in one.differences} == {(d.of, d.against): d for d in other.differences}
    assert {one.arrangement: set(one.beaten_in) for one in found.standings} == {
        one.arrangement: set(one.beaten_in) for one in turned.standings
    }


def test_heights_do_not_cancel(five):
    """U = 2·√(s_a² + s_d²) of the two one-sigma figures that the targets are judged by."""
    scenes, results, found = five
    sigmas = []
    for k in (0, 2):
        laden = next(state for state in scenes[k].load_states if state.name == "laden")
        owned = results[k].ground["laden"].owners["breakover"]
        sigmas.append(underside_sigma("breakover", owned, scenes[k], ledger(scenes[k], laden)))
    assert row(found, "breakover_deg").difference("a", "d").expanded == pytest.approx(2.0 * math.hypot(*sigmas))


def test_one_load_state_can_be_asked_for(five):
    scenes, results, _ = five
    found = compare(scenes[:2], results=results[:2], load_state="driver")
    assert found.state == "driver"
    assert {one.state for one in found.rows} == {None, "driver"}
    assert row(found, "belly_mm").cells["a"].value == results[0].ground["driver"].belly_mm
    with pytest.raises(InputError, match="load state 'drvier' is in none of these layouts: did you mean 'driver'"):
        compare(scenes[:2], results=results[:2], load_state="drvier")


def test_without_scales_there_are_clearances_and_counts_alone():
    bare = [truck(file, weights=None) for file in ("a.yaml", "b.yaml")]
    found = compare(bare)
    assert {one.group for one in found.rows} == {"verdicts", "clearances", "boxes"}
    assert "no axles or scales: no heights, angles or loads" in found.notes


# -- what is refused --


def other_mechanism() -> Scene:
    return truck("b.yaml", mechanisms={"rear_axle": dataclasses.replace(rear_axle(), bump_mm=70.0)})


def with_alignment(found: Scene, rms: float) -> Scene:
    return dataclasses.replace(found, scan=dataclasses.replace(found.scan, alignment=Alignment({}, rms, 1.0)))


REFUSED = {
    "vehicle": (dataclasses.replace(truck("b.yaml"), vehicle="van"), "vehicle: 'truck' in a.yaml, 'van' in b.yaml"),
    "scan": (truck("b.yaml", inputs={"b.yaml": "0", "scan2.ply": "2" * 64}), "scan: scan.ply .* scan2.ply"),
    "triangles": (
        truck("b.yaml", scan=scanned(FLOOR, FLOOR)),
        r"scan: scan.ply \(2 triangles\) in a.yaml, scan.ply \(4 triangles\) in b.yaml",
    ),
    "alignment": (
        with_alignment(truck("b.yaml"), 2.0),
        "alignment of the scan: taken as scanned in a.yaml, 0 targets, rms 2.000 mm in b.yaml",
    ),
    "axes": (
        truck("b.yaml", scan=scanned(plate((600, -3400), (-500, 500), 560.0))),
        "units or axes of the scan: it spans x -600…3400, y -500…500, z 560…560 in a.yaml",
    ),
    "track": (
        truck("b.yaml", axles=axles(mechanism="rear_axle", track=1500.0)),
        "axles.rear.track_mm: 1480 in a.yaml, 1500 in b.yaml",
    ),
    "tyre": (
        truck("b.yaml", axles=axles(mechanism="rear_axle", tyre_rate=250.0)),
        "axles.front.tyre.rate_n_mm: 300 in a.yaml, 250 in b.yaml",
    ),
    "mechanism": (other_mechanism(), "mechanisms.rear_axle.bump_mm: 80 in a.yaml, 70 in b.yaml"),
    "no mechanism": (truck("b.yaml", mechanisms={}), "mechanisms.rear_axle: one in a.yaml, none in b.yaml"),
    "carries": (
        truck("b.yaml", mechanisms={"rear_axle": dataclasses.replace(rear_axle(), carries=())}),
        "mechanisms.rear_axle.carries: tube 90.0 × 1290.0 × 90.0, .* in a.yaml, nothing in b.yaml",
    ),
    "scales": (
        truck("b.yaml", weights=weights((403.0, 398.0, 342.0, 338.0), sigma=1.0, gain_sigma=1.0)),
        r"weights.as_weighed.front_left.value \(kg\): 402 in a.yaml, 403 in b.yaml",
    ),
    "height": (
        truck("b.yaml", weights=weights(sigma=1.0, cg_height_mm=Quantity(700.0, 15.0))),
        "weights.cg_height_mm: none in a.yaml, value 700, sigma 15 in b.yaml",
    ),
    "no weights": (truck("b.yaml", weights=None), "weights: one in a.yaml, none in b.yaml"),
    "states": (truck("b.yaml", load_states=(LADEN,)), "load states: kerb, laden in a.yaml, laden in b.yaml"),
    "aboard": (
        truck("b.yaml", load_states=(STATES[0], LoadState("laden", LADEN.aboard[:1]))),
        "load state 'laden': cargo 300 kg, driver 85 kg in a.yaml, driver 85 kg in b.yaml",
    ),
    "no scan": (truck("b.yaml", scan=None), "scan: one in a.yaml, none in b.yaml"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_not_comparable_is_refused_with_words(what):
    other, words = REFUSED[what]
    with pytest.raises(InputError, match=words) as caught:
        compare([truck("a.yaml"), other])
    assert caught.value.exit_code == 2
    assert "cannot be compared" in str(caught.value)


def test_all_differences_are_told_at_once():
    other = truck("b.yaml", weights=None, load_states=(LADEN,), mechanisms={})
    with pytest.raises(InputError) as caught:
        compare([truck("a.yaml"), truck("c.yaml"), dataclasses.replace(other, vehicle="van")])
    said = str(caught.value)
    assert all(word in said for word in ("vehicle:", "mechanisms.rear_axle:", "weights:", "load states:"))
    assert "c.yaml" not in said


def test_one_layout_alone_or_twice_is_refused(tmp_path):
    with pytest.raises(InputError, match="two layouts or more"):
        compare([truck("a.yaml")])
    with pytest.raises(InputError, match="named twice"):
        compare([truck("a.yaml"), truck(str(Path("a.yaml").resolve()))])


def test_layouts_of_one_name_get_their_folders():
    assert short_names(["x/a.yaml", "x/b.yaml"]) == ("a", "b")
    assert short_names(["x/a.yaml", "y/a.yaml", "y/b.yaml"]) == ("x/a", "y/a", "y/b")


# -- what is noted --


def test_other_rules_uncertainties_and_targets_are_noted():
    rule = Rule(("hv_box", "scan"), 40.0, 50.0, "the owner's")
    other = truck("b.yaml", rules=(rule,), uncertainties=Uncertainties(scan=0.9))
    notes = compare([truck("a.yaml"), other]).notes
    assert any(note.startswith("pairs under different rules (must, mm): B1 – scan") for note in notes)
    assert any("40 in b" in note for note in notes)
    assert any(note.startswith("uncertainties differ") and "scan 0.9" in note for note in notes)


def test_what_was_measured_since_the_scan_in_one_alone_is_noted():
    felt = Measured("felt", "empty", Region("sphere", start=(0.0, 0.0, 0.0), radius_mm=10.0))
    other = truck("b.yaml", scan=dataclasses.replace(scanned(FLOOR), measured=(felt,), seen_from=("below",)))
    notes = compare([truck("a.yaml"), other]).notes
    assert "measured since the scan differs: nothing in a; felt (empty) in b" in notes
    assert any(note.startswith("the scanner's stations (seen_from) differ") for note in notes)


def test_a_half_that_is_assumed_is_not_compared_with_one_that_was_scanned():
    other = truck("b.yaml", scan=dataclasses.replace(scanned(FLOOR), assumed_side="right"))
    with pytest.raises(InputError, match="the side that is assumed"):
        compare([truck("a.yaml"), other])


def test_alike_layouts_have_no_note_but_of_the_boxes():
    notes = compare([truck("a.yaml"), truck("b.yaml", (1700, -300, 380))]).notes
    assert notes == ()


def test_the_face_compares():
    assert fitcheck.compare is compare
    assert isinstance(fitcheck.compare([truck("a.yaml"), truck("b.yaml")]), fitcheck.Comparison)


def test_bump_left_of_the_axle_without_a_mechanism_is_no_row():
    found = compare([truck("a.yaml"), truck("b.yaml")])
    assert [one.name for one in found.rows if one.group == "bump"] == ["bump_left_rear_mm"]
    assert bump_left_mm(truck(), stance(ledger(truck(), LADEN)))["front"] is None
