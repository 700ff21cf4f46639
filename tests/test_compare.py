"""study/: arrangements side by side, what is refused and what is noted."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path

import pytest
from boxed_trucks import ARRANGEMENTS, FLOOR, LADEN, SAMPLE, STATES, moving_truck, row, truck
from example_results import clearance
from trucks import axles, plate, rear_axle, scanned, weights

import fitcheck
from fitcheck.checks.limits import underside_sigma
from fitcheck.comparison import Comparison
from fitcheck.errors import InputError
from fitcheck.layout import load_scene
from fitcheck.result import Alignment, Coverage, CoverageRow, Limit, Result, Verdict
from fitcheck.study.compare import alike_pairs, check_all, compare, left_mm
from fitcheck.study.compare_basis import short_names
from fitcheck.vehicle.masses import ledger
from fitcheck.vehicle.scene import LoadState, Measured, Quantity, Region, Rule, Scene, Uncertainties
from fitcheck.vehicle.stance import bump_left_mm, stance

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
