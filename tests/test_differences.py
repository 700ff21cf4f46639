"""When a difference of two figures is one: what they share falls out, and what each has alone counts.

Independent of the program: closed forms for sums of squares, and random sampling of the ledger.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from boxed_trucks import LADEN, STATES, column, truck
from hypothesis import given
from hypothesis import strategies as st
from trucks import mass, part

import fitcheck
from fitcheck.checks.loads import axle_sigma_kg, cg_over_ground_mm, mass_sigma_kg, share_sigma_pct, stability_sigma
from fitcheck.comparison import Cell, Row
from fitcheck.geometry.solids import box
from fitcheck.result import Verdict
from fitcheck.study.difference import (
    Judged,
    differences,
    expanded_difference,
    standings,
    unsure_flips,
)
from fitcheck.study.figures import balance_cells, box_cells, bump_cells, load_cells
from fitcheck.vehicle.masses import ledger, totals
from fitcheck.vehicle.stance import drop_covariance, stance

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
    assert first.better == (("A" if gap > 0 else "B") if told_apart else None)


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
    assert all(not item.beaten_in and not item.beaten_everywhere_by for item in standings([made("x", A=1, B=1)], "AB"))


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
