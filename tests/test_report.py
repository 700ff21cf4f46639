"""report/: the JSON document, its published schema, and the table for the terminal."""

from __future__ import annotations

import dataclasses
import io
import json
import math
import typing
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from example_results import HOSTILE, clearance, example_result
from hypothesis import given
from hypothesis import strategies as st

import fitcheck.report
from fitcheck import result as result_module
from fitcheck.errors import InternalError
from fitcheck.report.cautions import CAUTIONS, UNSEEN_NOTE
from fitcheck.report.columns import Column, cells, cut, lay_out, wrap
from fitcheck.report.json_document import to_document, to_json
from fitcheck.report.progress import Progress
from fitcheck.report.schema import result_schema, result_schema_text
from fitcheck.report.terminal import print_result, report_lines
from fitcheck.report.wording import apart, clean, floor_mm, number, pair_name, pose_words, short_name
from fitcheck.result import Coverage, CoverageRow, Limit, PartEcho, Result, Verdict

PUBLISHED = Path(fitcheck.report.__file__).with_name("result.schema.json")
EMPTY = Result("", "empty.yaml", (), Coverage(()))
VALIDATOR = jsonschema.Draft202012Validator(result_schema())


def with_clearance(**changes) -> Result:
    return dataclasses.replace(
        example_result(), clearances=(dataclasses.replace(clearance(("A1", "scan")), **changes),)
    )


# -- the JSON document --


@pytest.mark.parametrize("result", [example_result(), EMPTY], ids=["full", "empty"])
def test_documents_are_valid_under_the_schema(result):
    VALIDATOR.validate(json.loads(to_json(result)))


def test_the_names_of_the_format_are_there():
    """The names that scripts rely on, in one list."""
    document = to_document(example_result())
    assert document["format"] == "fitcheck-result/1"
    assert document["frame"] == "x rearward, y right, z up; mm, kg, deg"
    assert document["verdict"] == "FAIL"
    assert document["counts"] == {"pass": 9, "fail": 1, "not_proven": 1}
    doubtful = next(row for row in document["clearances"] if row["between"] == ["A2", "rear_shaft"])
    assert doubtful["verdict"] == "NOT PROVEN"
    assert doubtful["pose"]["rear_axle.heave_mm"] == 62.0
    assert doubtful["points_mm"] == [[1720.4, 105.0, 501.2], [1721.0, 89.0, 500.0]]
    assert (doubtful["distance_mm"], doubtful["at_least_mm"], doubtful["unseen_mm"]) == (16.04, 15.98, None)
    assert document["ground"]["laden"]["under_axle_mm"] == {"front": 205.4, "rear": 204.1}
    assert document["ground"]["kerb"]["bump_left_mm"] == {"front": 61.0, "rear": None}
    assert document["loads"]["kerb"]["cg_mm"] == [1519.6, 2.0, 668.0]
    rear = document["shafts"]["rear_shaft"]["joint_deg"]["rear"]
    assert {key: rear[key] for key in ("ride", "max")} == {"ride": 4.3, "max": 12.0}
    assert document["inputs"]["sample/scan.ply"] == "1" * 64
    coverage = document["coverage"]
    assert {key: coverage[key] for key in coverage if key != "rows"} == {
        "pairs": 13,
        "checked": 11,
        "declared_contact": 1,
        "excluded": 1,
    }


def test_numbers_are_not_rounded():
    third = 100.0 / 3.0
    document = json.loads(to_json(with_clearance(distance_mm=third, at_least_mm=math.nextafter(third, 0.0))))
    assert document["clearances"][0]["distance_mm"] == third
    assert document["clearances"][0]["at_least_mm"] == math.nextafter(third, 0.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, np.float64("nan")])
def test_what_is_not_finite_is_null_and_the_document_stays_valid(bad):
    document = json.loads(to_json(with_clearance(verdict=Verdict.NOT_PROVEN, distance_mm=bad, static_mm=bad)))
    assert document["clearances"][0]["distance_mm"] is None
    assert document["clearances"][0]["static_mm"] is None
    VALIDATOR.validate(document)


def test_numpy_numbers_and_arrays_become_plain_ones():
    document = to_document(with_clearance(distance_mm=np.float64(3.5), points_mm=np.zeros((2, 3))))
    assert type(document["clearances"][0]["distance_mm"]) is float
    assert document["clearances"][0]["points_mm"] == [[0.0] * 3] * 2


@pytest.mark.parametrize("bad", [None, math.nan, math.inf])
def test_a_pass_without_a_distance_is_refused(bad):
    with pytest.raises(InternalError, match="A1 – scan was called PASS without a distance"):
        to_document(with_clearance(distance_mm=bad))


def test_a_declared_contact_may_pass_without_a_distance():
    document = to_document(with_clearance(distance_mm=None, at_least_mm=None, contact="declared"))
    VALIDATOR.validate(document)


def test_a_limit_that_passes_without_a_value_is_refused():
    limit = Limit("ssf", "kerb", None, 0.0, 1.0, "at least", Verdict.PASS, "")
    with pytest.raises(InternalError, match="ssf in kerb"):
        to_document(dataclasses.replace(example_result(), limits=(limit,)))


def test_an_unknown_coverage_status_is_refused():
    coverage = Coverage((CoverageRow(("A1", "scan"), "forgotten", ""),))
    with pytest.raises(InternalError, match="forgotten"):
        to_document(dataclasses.replace(example_result(), coverage=coverage))


def test_the_document_carries_the_cautions_and_the_word_on_unseen_places():
    document = to_document(EMPTY)
    assert document["cautions"] == [*CAUTIONS, UNSEEN_NOTE]
    assert document["unchecked"]


# -- the schema --


def test_the_published_schema_is_the_one_that_is_used():
    """After a change: fitcheck schema --result > fitcheck/report/result.schema.json"""
    assert PUBLISHED.read_text(encoding="utf-8") == result_schema_text()


def test_the_schema_is_itself_valid():
    jsonschema.Draft202012Validator.check_schema(result_schema())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda document: document.pop("verdict"),
        lambda document: document.update(verdict="MAYBE"),
        lambda document: document.update(extra=1),
        lambda document: document["clearances"][0].pop("must_mm"),
        lambda document: document["clearances"][0].update(between=["A1"]),
        lambda document: document["clearances"][0].update(distance_mm="12"),
        lambda document: document["coverage"].update(pairs=-1),
        lambda document: document["loads"]["kerb"].update(cg_mm=[0.0, 0.0]),
    ],
)
def test_the_schema_refuses_a_spoilt_document(spoil):
    document = json.loads(to_json(example_result()))
    spoil(document)
    assert not VALIDATOR.is_valid(document)


def test_every_field_of_the_result_is_in_the_schema_with_its_unit():
    """The names in result.py, found in the schema, each with a description."""
    names = {}
    for schema in _schemas(result_schema()):
        for name, inner in schema.get("properties", {}).items():
            names[name] = inner.get("description", "")
    for kind in vars(result_module).values():
        if dataclasses.is_dataclass(kind):
            for field in dataclasses.fields(kind):
                assert names.get(field.name), f"{kind.__name__}.{field.name}"
    units = {"_mm": "mm", "_kg": "kg", "_deg": "egree", "_pct": "%", "_s": "second", "_rpm": "1/min"}
    scalars = {name: text for name, text in names.items() if not name.startswith(("cg_", "length_", "joint_"))}
    for name, text in scalars.items():
        for ending, unit in units.items():
            assert not name.endswith(ending) or unit in text, f"{name}: {text}"


def _schemas(schema) -> typing.Iterator[dict]:
    if isinstance(schema, dict):
        yield schema
        for inner in schema.values():
            yield from _schemas(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _schemas(inner)


# -- the table for the terminal --


def table(result: Result, width: int = 100, *, parts: bool = False) -> list[str]:
    return report_lines(result, parts=parts, width=width)


@pytest.mark.parametrize("width", [80, 100])
def test_no_line_is_longer_than_the_terminal(width):
    result = dataclasses.replace(
        example_result(),
        title=HOSTILE,
        warnings=(HOSTILE, "x" * 300),
        clearances=(clearance((HOSTILE, HOSTILE), Verdict.FAIL, reason=HOSTILE), *example_result().clearances),
        ground={HOSTILE: example_result().ground["kerb"]},
        loads={HOSTILE: example_result().loads["kerb"]},
        shafts={HOSTILE: example_result().shafts["rear_shaft"]},
    )
    lines = table(result, width, parts=True)
    assert max(map(cells, lines)) <= width
    assert len(lines) > 50


def test_the_overall_verdict_is_the_last_line():
    assert table(example_result())[-1].startswith("FAIL: clearances 1 FAIL, 1 NOT PROVEN, 9 PASS")
    assert table(EMPTY)[-1] == "NOT PROVEN: nothing was judged"


def test_the_worst_comes_first_and_only_the_closest_passes_are_listed():
    rows = [line for line in table(example_result()) if line.startswith(("FAIL ", "NOT PROVEN ", "PASS "))]
    pairs = [row.split(" – ")[0].split()[-1] for row in rows[:7]]
    assert pairs == ["B1", "A2", "A1", "A2", "A3", "A4", "A5"]
    assert "  and 4 more PASS, farther from their limits (--json lists them)" in table(example_result())


def test_every_open_pair_is_listed_however_many():
    many = tuple(clearance((f"P{i}", "scan"), Verdict.NOT_PROVEN, 10.0 + i) for i in range(40))
    text = "\n".join(table(dataclasses.replace(example_result(), clearances=many)))
    assert all(f"P{i} – scan" in text for i in range(40))


def test_an_open_pair_says_why_where_in_which_pose_and_what_would_clear_it():
    text = " ".join(" ".join(table(example_result())).split())
    assert "too close to call: likely fail" in text
    assert "at x 1720, y 105, z 501" in text
    assert "rear_axle heave +62.0 mm, roll -3.0°, wind-up +6.0°" in text
    assert "collides; at least 12.3 deep" in text
    assert "first clear position: -y 52.4, exit 130.0 (a position, not a path)" in text


def test_a_pair_that_nothing_clears_says_so():
    blocked = tuple(dataclasses.replace(move, distance_mm=None) for move in example_result().clearances[-1].moves)
    result = with_clearance(verdict=Verdict.FAIL, contact="overlap", depth_mm=3.0, moves=blocked)
    assert "no clear position within 500 mm in any direction tried" in "\n".join(table(result))


def test_the_report_says_what_it_does_not_say():
    text = " ".join(" ".join(table(example_result())).split())
    for caution in (*CAUTIONS, UNSEEN_NOTE):
        assert caution in text
    assert "Coverage: 13 pairs = 11 checked + 1 declared to touch + 1 excluded" in text
    assert "excluded: A1 – A2: a.yaml:12: bolted to each other" in text
    assert "Warning: part 'cables' has no shape" in text


@pytest.mark.parametrize("result", [example_result(), EMPTY])
def test_reports_never_promise_more_than_a_fit(result):
    text = ("\n".join(table(result, parts=True)) + to_json(result)).lower()
    for word in ("safe", "strong enough", "legal", "approved"):
        assert word not in text


def test_parts_are_echoed_on_demand():
    assert not any("1340.0…2156.0" in line for line in table(example_result()))
    assert any("1340.0…2156.0" in line for line in table(example_result(), parts=True))


def test_a_hostile_name_is_shown_as_text():
    """Markup stays visible; escapes and direction marks are taken out; letters of any script stay."""
    stream = io.StringIO()
    print_result(dataclasses.replace(example_result(), title=HOSTILE, warnings=(HOSTILE,)), stream)
    text = stream.getvalue()
    assert "[red]x[/red]" in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "電 אבג" in text


def test_a_missing_figure_is_a_question_mark_not_a_number():
    result = with_clearance(verdict=Verdict.NOT_PROVEN, distance_mm=None, at_least_mm=math.nan, static_mm=math.inf)
    row = next(line for line in table(result) if line.startswith("NOT PROVEN"))
    assert row.split()[-4:-1] == ["?", "?", "?"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_only_on_a_terminal(monkeypatch):
    """The same words with and without colour; a file and NO_COLOR get none."""
    for name in ("NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "100")
    plain, coloured = io.StringIO(), Terminal()
    print_result(example_result(), plain)
    print_result(example_result(), coloured)
    assert "\x1b[" not in plain.getvalue()
    assert "\x1b[1;31mFAIL" in coloured.getvalue()


# -- wording --


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (14.96, "14.9"),
        (15.0, "15.0"),
        (14.9999999999, "15.0"),
        (15.04, "15.0"),
        (-0.01, "-0.1"),
        (0.0, "0.0"),
        (None, "?"),
        (math.nan, "?"),
    ],
)
def test_distances_are_rounded_down(value, shown):
    assert floor_mm(value) == shown


@given(st.floats(-1e4, 1e4))
def test_what_is_printed_is_never_more_than_there_is(value):
    assert float(floor_mm(value)) <= value + 1e-6
    assert float(floor_mm(value)) > value - 0.1 - 1e-9


def test_minus_nought_is_nought():
    assert number(-0.001) == "0.0"
    assert floor_mm(-0.0) == "0.0"


@pytest.mark.parametrize(
    ("value", "limit", "shown"),
    [
        (31.96, 32.0, ("31.96", "32.00")),
        (31.9, 32.0, ("31.9", "32.0")),
        (32.0, 32.0, ("32.0", "32.0")),
        (None, 3.0, ("?", "3.0")),
    ],
)
def test_a_value_and_its_limit_show_which_is_larger(value, limit, shown):
    assert apart(value, limit) == shown


def test_a_pose_in_words():
    assert pose_words({"rear_axle.heave_mm": -90.0, "rear_axle.lateral_mm": 0.0}) == "rear_axle heave -90.0 mm"
    assert pose_words({"rear_axle.heave_mm": 0.0}) == "as scanned"
    assert pose_words({}) == "as scanned"


def test_long_names_keep_both_ends():
    assert short_name("front_left_outboard_box_with_a_long_name_1", 20).startswith("front_lef")
    assert short_name("front_left_outboard_box_with_a_long_name_1", 20).endswith("_name_1")
    assert pair_name(("A1", "scan")) == "A1 – scan"
    assert len(pair_name(("x" * 200, "y" * 200), 40)) <= 40
    assert pair_name(("A1", "y" * 200), 40).startswith("A1 – y")


@given(st.text())
def test_no_text_can_steer_a_terminal(text):
    shown = clean(text)
    assert len(shown) == len(text)
    assert all(
        character.isprintable() or character in " \u200d\u3000" or character.isspace()
        for character in shown
        if ord(character) < 0xE0
    )
    assert "\x1b" not in shown
    assert "\n" not in shown


# -- columns --


@given(st.text(), st.integers(3, 40))
def test_cut_text_fits(text, width):
    shown = cut(clean(text), width)
    assert cells(shown) <= width
    assert shown == clean(text) or "…" in shown


@given(st.lists(st.text("ab🔋電 ", max_size=60), max_size=6), st.integers(20, 100))
def test_wrapped_text_fits_and_loses_nothing(words, width):
    text = " ".join(words)
    lines = wrap(text, width, "  ", "    ")
    assert all(cells(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_columns_stay_straight_beside_wide_letters():
    columns = (Column("name", left=True, gives_way=True), Column("mm"))
    lines = lay_out(columns, [("電池", "1.0"), ("a", "12.0"), ("🔋", "3.0")], 40)
    assert len({cells(line) for line in lines}) == 1


def test_of_no_rows_no_table():
    assert lay_out((Column("name"),), [], 40) == []


def test_a_part_without_a_shape_has_no_extents():
    result = dataclasses.replace(
        example_result(), parts=(PartEcho("wire", "lv", None, None, None, None, None, "mass only"),)
    )
    row = next(line for line in table(result, parts=True) if line.startswith("wire"))
    assert row.split() == ["wire", "-", "-", "-", "-", "-"]


# -- progress --


def test_progress_is_silent_until_patience_ends():
    stream = io.StringIO()
    with Progress(stream, patience_s=60.0) as progress:
        progress("aligning")
    assert stream.getvalue() == ""


def test_progress_tells_the_step_that_is_under_way_and_those_after_it():
    stream = io.StringIO()
    with Progress(stream, patience_s=0.0) as progress:
        progress._timer.join()
        for step in ("tiling", "tiling", "rear_shaft \x1b[31m"):
            progress(step)
    assert stream.getvalue() == "fitcheck: tiling\nfitcheck: rear_shaft \ufffd[31m\n"


def test_progress_on_a_terminal_leaves_nothing_behind():
    stream = Terminal()
    with Progress(stream, patience_s=0.0) as progress:
        progress._timer.join()
        progress("tiling")
    shown = stream.getvalue()
    assert "tiling" in shown
    assert "\n" not in shown
    assert shown.endswith("\r")
    assert shown.rstrip("\r").rpartition("\r")[2].strip() == ""


def test_progress_survives_a_closed_stream():
    stream = io.StringIO()
    with Progress(stream, patience_s=0.0) as progress:
        progress._timer.join()
        stream.close()
        progress("tiling")
        progress("measuring")
