"""changes.py of study and report: what differs between two Results, as data and in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from example_results import clearance, example_result

from fitcheck.report.changes import MOST_LINES, NOTHING, change_lines, verdict_line
from fitcheck.result import Clearance, Coverage, CoverageRow, Limit, PartEcho, Result, Verdict
from fitcheck.study.changes import changes_between

CHARGER = ("charger", "bracket")


def result(*rows: Clearance, **more: object) -> Result:
    return Result("t", "t.yaml", rows, Coverage(()), **more)


def echo(name: str, x: tuple[float, float] = (0.0, 100.0), mass_kg: float | None = 5.0) -> PartEcho:
    return PartEcho(name, "lv", x, (0.0, 50.0), (0.0, 20.0), mass_kg, (50.0, 25.0, 10.0), "extents")


def limit(value: float, verdict: Verdict, bound: float = 32.0) -> Limit:
    return Limit("breakover_deg", "laden", value, 0.1, bound, "at least", verdict, "")


def lines(before: Result, after: Result) -> list[str]:
    return change_lines(changes_between(before, after))


def test_between_equal_results_nothing_changed_and_it_is_said():
    changes = changes_between(example_result(), example_result())
    assert changes.nothing
    assert change_lines(changes) == [NOTHING]


def test_other_inputs_and_times_alone_are_no_change():
    other = replace(example_result(), inputs={"sample/a.yaml": "2" * 64}, timing_s={})
    changes = changes_between(example_result(), other)
    assert changes.nothing
    assert changes.files == ("sample/a.yaml", "sample/scan.ply")


def test_a_verdict_that_turns_is_said_with_both_distances():
    before = result(clearance(CHARGER, Verdict.FAIL, 4.1))
    after = result(clearance(CHARGER, Verdict.PASS, 9.84))
    assert lines(before, after) == ["charger – bracket  4.1 → 9.8 mm: FAIL → PASS"]
    assert lines(after, before) == ["charger – bracket  9.8 → 4.1 mm: PASS → FAIL (4.1 against 15 with guard 7.4)"]


def test_an_overlap_is_said_as_minus_its_depth():
    before = result(clearance(CHARGER, Verdict.FAIL, 0.0, depth_mm=3.2, contact="overlap"))
    assert lines(before, result(clearance(CHARGER, distance_mm=40.0)))[0].startswith(
        "charger – bracket  -3.2 → 40.0 mm: FAIL → PASS"
    )


@pytest.mark.parametrize(("by_mm", "counts"), [(0.0499, False), (0.0501, True), (-0.0501, True)])
def test_a_distance_counts_from_a_twentieth_of_a_millimetre_on(by_mm, counts):
    changes = changes_between(result(clearance(CHARGER)), result(clearance(CHARGER, distance_mm=40.0 + by_mm)))
    assert bool(changes.pairs) is counts
    assert changes.nothing is not counts


def test_a_pair_is_the_same_whichever_of_its_two_is_named_first():
    changes = changes_between(result(clearance(CHARGER)), result(clearance(CHARGER[::-1], distance_mm=41.0)))
    assert [change.moved_mm for change in changes.pairs] == [1.0]


def test_a_distance_that_could_not_be_computed_any_more_counts():
    changes = changes_between(result(clearance(CHARGER)), result(clearance(CHARGER, Verdict.NOT_PROVEN, None)))
    assert changes.pairs[0].turned
    assert "40.0 → ? mm: PASS → NOT PROVEN" in change_lines(changes)[0]


def test_what_turned_to_fail_comes_first_then_not_proven_then_what_turned_to_pass():
    names = [("a", "s"), ("b", "s"), ("c", "s"), ("d", "s")]
    was = [Verdict.FAIL, Verdict.PASS, Verdict.PASS, Verdict.PASS]
    now = [Verdict.PASS, Verdict.NOT_PROVEN, Verdict.FAIL, Verdict.PASS]
    before = result(*(clearance(name, verdict) for name, verdict in zip(names, was, strict=True)))
    after = result(*(clearance(name, verdict, 30.0) for name, verdict in zip(names, now, strict=True)))
    assert [change.between[0] for change in changes_between(before, after).pairs] == ["c", "b", "a", "d"]


def test_of_distances_alone_those_with_the_least_room_come_first():
    before = result(*(clearance((name, "s"), distance_mm=100.0) for name in "abc"))
    after = result(*(clearance((name, "s"), distance_mm=mm) for name, mm in zip("abc", (60, 30, 90), strict=True)))
    assert [change.between[0] for change in changes_between(before, after).pairs] == ["b", "a", "c"]


def test_another_rule_with_the_same_verdict_is_one_line_for_all_its_pairs():
    before = result(*(clearance((f"A{k}", "scan")) for k in range(7)))
    after = result(*(clearance((f"A{k}", "scan"), must_mm=18.0) for k in range(7)))
    (line,) = lines(before, after)
    assert line.startswith("must+guard 15+7.4 (want 25) → 18+7.4 (want 25) mm: A0 – scan; A1 – scan; ")
    assert line.endswith(" and 3 more, verdict as before")


def test_parts_that_come_go_move_grow_and_weigh_something_else():
    before = result(parts=(echo("old"), echo("moved"), echo("longer"), echo("heavy")))
    moved, longer = echo("moved", (3.0, 103.0)), echo("longer", (0.0, 110.0))
    after = result(parts=(moved, longer, echo("heavy", mass_kg=7.5), echo("new")))
    assert lines(before, after) == [
        "new part: new",
        "part gone: old",
        "moved: moved x +3.0 mm; longer x +5.0 mm",
        "size: longer x +10.0 mm",
        "mass: heavy 5 → 7.5 kg",
    ]


def test_new_pairs_that_pass_are_counted_and_those_that_do_not_are_named():
    after = result(
        clearance(("new", "scan"), Verdict.FAIL, 2.0),
        clearance(("new", "A1"), distance_mm=80.0),
        clearance(("new", "A2"), distance_mm=50.0),
    )
    assert lines(result(), after) == [
        "new – scan  new: 2.0 mm, FAIL (2.0 against 15 with guard 7.4)",
        "2 pairs new, all PASS; the closest: new – A2 50.0 mm",
    ]
    assert lines(after, result()) == [
        "new – scan  gone: 2.0 mm, was FAIL (2.0 against 15 with guard 7.4)",
        "2 pairs no longer judged, all were PASS; the closest: new – A2 50.0 mm",
    ]


def test_a_target_that_turns_is_said_with_what_it_asks():
    before, after = (result(limits=(one,)) for one in (limit(33.5, Verdict.PASS), limit(31.2, Verdict.FAIL)))
    assert lines(before, after) == ["breakover_deg laden  33.5 → 31.2 (at least 32): PASS → FAIL"]
    asked = result(limits=(limit(33.5, Verdict.PASS, 33.0),))
    assert lines(before, asked) == ["breakover_deg laden  33.5 (at least 32 → at least 33): PASS"]
    assert lines(before, result()) == ["breakover_deg laden  asked no more: 33.5 (at least 32), PASS"]


def test_heights_and_loads_are_told_last_and_by_load_state():
    before = example_result()
    lower = {state: replace(ground, belly_mm=ground.belly_mm - 3.0) for state, ground in before.ground.items()}
    heavier = {state: replace(loads, mass_kg=loads.mass_kg + 10.0) for state, loads in before.loads.items()}
    found = lines(before, replace(before, ground=lower, loads=heavier))
    assert found == [
        "kerb: belly 326.0 → 323.0 mm",
        "laden: belly 295.0 → 292.0 mm",
        "kerb: mass 1600.0 → 1610.0 kg",
        "laden: mass 1985.0 → 1995.0 kg",
    ]


def test_warnings_that_come_and_go():
    before, after = result(warnings=("one",)), result(warnings=("two",))
    assert lines(before, after) == ["new warning: two", "no longer warned: one"]


def test_a_pair_that_is_excluded_from_now_on_is_said():
    before = Result("t", "t.yaml", (), Coverage((CoverageRow(CHARGER, "checked", "rule"),)))
    after = Result("t", "t.yaml", (), Coverage((CoverageRow(CHARGER, "excluded", "a.yaml:3: bolted"),)))
    assert lines(before, after) == ["checked → excluded: charger – bracket"]


def test_a_long_list_is_cut_and_the_rest_counted():
    before = result(*(clearance((f"part {k}", "scan"), distance_mm=50.0) for k in range(40)))
    after = result(*(clearance((f"part {k}", "scan"), distance_mm=40.0 + k / 10) for k in range(40)))
    found = lines(before, after)
    assert len(found) == MOST_LINES
    assert found[0] == "part 0 – scan  50.0 → 40.0 mm: PASS"
    assert found[-1] == "and 29 smaller changes"


def test_names_cannot_steer_the_terminal():
    before, after = result(), result(parts=(echo("a\x1b[31m\nb"),))
    assert "\x1b" not in "".join(lines(before, after))
    assert "\n" not in "".join(lines(before, after))


def test_the_verdict_line_counts_what_the_table_s_last_line_counts():
    from fitcheck.report.terminal import report_lines

    assert verdict_line(example_result()) == report_lines(example_result())[-1]
    assert verdict_line(result()) == report_lines(result())[-1]
