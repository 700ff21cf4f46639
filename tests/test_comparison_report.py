"""report/comparison*: the table at every width, the JSON document, its published schema, and the command."""

from __future__ import annotations

import dataclasses
import io
import json
import math
import re
import typing
from pathlib import Path

import jsonschema
import pytest
from example_results import HOSTILE, clearance
from layout_texts import write_pair

import fitcheck.report
from fitcheck import cli
from fitcheck import comparison as comparison_module
from fitcheck.comparison import NO_SCORE, Arrangement, Baseline, Cell, Comparison, Row
from fitcheck.report.cautions import CAUTIONS
from fitcheck.report.columns import cells
from fitcheck.report.comparison import comparison_lines, print_comparison
from fitcheck.report.comparison_document import (
    comparison_document,
    comparison_json,
    comparison_schema,
    comparison_schema_text,
)
from fitcheck.report.comparison_grid import Grid, GridRow, grid_lines, plain
from fitcheck.result import Verdict
from fitcheck.study.difference import differences, standings

PUBLISHED = Path(fitcheck.report.__file__).with_name("comparison.schema.json")
VALIDATOR = jsonschema.Draft202012Validator(comparison_schema())
NAMES = ("a", "b", "c", "d", "e")


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def row(name: str, values: list[float | None], *, sigma: float = 1.0, better: str | None = "higher", **more) -> Row:
    """A row of the arrangements, with the baseline in front where there is one value more than names."""
    columns = ("as weighed", *NAMES)[-len(values) :] if len(values) != 3 else ("as weighed", *NAMES[:2])
    found = {
        column: Cell(value, {f"{name} {column}": sigma}, more.get("owner"), more.get("note", ""))
        for column, value in zip(columns, values, strict=True)
    }
    group, unit = more.get("group", "ground"), more.get("unit", "mm")
    title, state = more.get("title", name), more.get("state", "laden")
    return Row(name, title, group, unit, better, state, found, differences(found, better))


def arrangement(name: str, /, **more) -> Arrangement:
    rows = (
        clearance(("A1", "scan"), Verdict.FAIL, 0.0, depth_mm=3.2, contact="overlap"),
        clearance(("A2", "rear_shaft"), Verdict.NOT_PROVEN, 16.04, pose={"rear_axle.heave_mm": 62.0}),
        clearance(("A3", "scan"), distance_mm=40.0),
    )
    counts = {"pass": 1, "fail": 1, "not_proven": 1}
    made = Arrangement(name, f"{name.upper()}, boxes", f"sample/{name}.yaml", Verdict.FAIL, counts, counts, rows)
    return dataclasses.replace(made, **more)


def comparison(count: int = 2, **more) -> Comparison:
    """Two arrangements (or five) and the vehicle as weighed, with invented figures."""
    names = NAMES[:count]
    rows = more.pop("rows", None) or (
        row("belly_mm", [468.0, 375.8, 284.4][: count + 1] if count == 2 else [468.0, *range(300, 305)], title="belly"),
        row("front_kg", [800.0, 722.7, 724.0] if count == 2 else [800.0, *range(700, 705)], unit="kg", better=None,
            group="loads", title="front axle"),
    )  # fmt: skip
    made = Comparison(
        "Hollin", "laden", Baseline("as weighed", "sample/a.yaml", "of what was scanned"),
        tuple(arrangement(name) for name in names), tuple(rows), standings(rows, names),
        (("A1", "scan"),), ("scan: b alone has moved bed",), {"sample/a.yaml": "0" * 64},
    )  # fmt: skip
    return dataclasses.replace(made, **more)


# -- the table --


def lines_of(found: Comparison, width: int = 120) -> list[str]:
    return comparison_lines(found, width=width)


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("count", [2, 5])
def test_no_line_is_longer_than_the_terminal_and_no_column_is_lost(width, count):
    lines = lines_of(comparison(count), width)
    assert max(map(cells, lines)) <= width
    start = lines.index("OVER THE GROUND, laden: mm and degrees")
    section = lines[start + 1 : lines.index("LOADS, laden: kg")]
    headings = [line.split() for line in section if "as weighed" in line and "from" not in line]
    assert [name for heading in headings for name in heading[2:]] == list(NAMES[:count])
    assert all(heading[:2] == ["as", "weighed"] for heading in headings)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_hostile_titles_come_out_as_text_and_keep_the_lines_straight(width):
    hostile = arrangement("a", name=HOSTILE, title=HOSTILE, layout=HOSTILE, warnings=(HOSTILE,))
    belly = row("belly_mm", [468.0, 375.8, 284.4], owner=HOSTILE, note=HOSTILE)
    found = {HOSTILE if key == "a" else key: cell for key, cell in belly.cells.items()}
    belly = dataclasses.replace(belly, cells=found, differences=differences(found, "higher"))
    whole = comparison(arrangements=(hostile, arrangement("b")), rows=(belly,), vehicle=HOSTILE, notes=(HOSTILE,))
    whole = dataclasses.replace(whole, standings=standings([belly], (HOSTILE, "b")))
    lines = lines_of(whole, width)
    assert max(map(cells, lines)) <= width
    assert "\x1b" not in "".join(lines)
    assert "\u202e" not in "".join(lines)
    assert any("[red]x[/red]" in line for line in lines)
    page = io.StringIO()
    print_comparison(whole, page, width=width)
    assert page.getvalue().splitlines() == lines
    VALIDATOR.validate(json.loads(comparison_json(whole)))


def figure(found: Comparison, title: str, width: int = 120) -> list[list[str]]:
    """The words of a figure's row and of the rows under it, a list for each column after the label."""
    lines = lines_of(found, width)
    start = next(k for k, line in enumerate(lines) if line.startswith(title))
    block = [lines[start]]
    for line in lines[start + 1 :]:
        if not line.startswith("  "):
            break
        block.append(line)
    return [re.split(r"\s{2,}", line.strip()) for line in block]


def test_a_difference_below_its_uncertainty_is_marked_and_nobody_is_better():
    """1 mm under ±2.8: "≈", in both directions; 8 mm with the same ± is better for the higher one."""
    found = comparison(rows=(row("belly_mm", [300.0, 301.0, 309.0], title="belly"),))
    assert figure(found, "belly") == [
        ["belly", "300.0 ±2.0", "301.0 ±2.0", "309.0 ±2.0"],
        ["from as weighed", "≈ +1.0", "+9.0 better"],
        ["from a", "+8.0 better"],
    ]


def test_the_mark_is_there_without_colour_and_dim_where_there_is_colour(monkeypatch):
    found = comparison(rows=(row("belly_mm", [300.0, 301.0, 302.0], title="belly"),))
    for name, value in (("TERM", "xterm-256color"), ("COLUMNS", "100")):
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("NO_COLOR", raising=False)
    page, paper = Terminal(), io.StringIO()
    print_comparison(found, page)
    print_comparison(found, paper)
    assert re.search(r"\x1b\[2m\s*≈ \+1\.0", page.getvalue())
    assert "≈ +1.0" in paper.getvalue()
    assert "\x1b" not in paper.getvalue()
    assert "better" not in "".join(" ".join(line) for line in figure(found, "belly"))


def test_worse_is_said_of_the_lower_one_and_nothing_of_a_figure_without_direction():
    rows = (
        row("belly_mm", [300.0, 280.0, 250.0], title="belly"),
        row("front_kg", [800.0, 700.0, 650.0], unit="kg", better=None, title="front axle"),
    )
    assert figure(comparison(rows=rows), "belly")[1:] == [
        ["from as weighed", "-20.0 worse", "-50.0 worse"],
        ["from a", "-30.0 worse"],
    ]
    assert figure(comparison(rows=rows), "front axle")[1:] == [
        ["from as weighed", "-100.0", "-150.0"],
        ["from a", "-50.0"],
    ]


def test_small_differences_show_that_they_are_not_nought():
    found = comparison(rows=(row("belly_mm", [300.0, 300.0, 300.004], sigma=0.0, title="belly"),))
    assert figure(found, "belly")[1:] == [["from as weighed", "same", "+0.004 better"], ["from a", "+0.004 better"]]


def test_a_figure_that_is_not_known_is_a_dash():
    found = comparison(rows=(row("belly_mm", [300.0, None, 309.0], title="belly"),))
    assert figure(found, "belly")[0] == ["belly", "300.0 ±2.0", "-", "309.0 ±2.0"]


def test_heights_are_rounded_down_and_loads_to_the_nearest():
    rows = (
        row("belly_mm", [1.0, 375.99, 284.4], title="belly"),
        row("front_kg", [1.0, 722.96, 720.0], unit="kg", title="front axle", group="loads"),
    )
    assert figure(comparison(rows=rows), "belly")[0][2] == "375.9 ±2.0"
    assert figure(comparison(rows=rows), "front axle")[0][2] == "723.0 ±2.0"


def test_the_worst_clearances_say_pair_must_pose_and_whether_they_are_alike_in_all():
    lines = lines_of(comparison())
    start = next(k for k, line in enumerate(lines) if line.startswith("FIVE WORST"))
    text = "\n".join(lines[start:])
    for words in ("= FAIL", "A1 – scan", "overlaps 3.2, must 15+7.4", "A2 – rear_shaft", "16.0, must 15+7.4"):
        assert words in text
    assert "rear_axle heave +62.0 mm" in " ".join(text.split())
    assert not re.search(r"= NOT PROVEN", text)
    assert not re.search(r"^4\.", text, re.MULTILINE)


def test_what_each_is_beaten_in_is_told_with_by_whom_and_how_much():
    lines = lines_of(comparison())
    start = lines.index("WHAT EACH IS BEATEN IN, by more than the uncertainty")
    assert lines[start + 1] == "a: beaten in nothing"
    assert lines[start + 2] == "b: beaten by a in every row that tells the two apart"
    assert lines[start + 3] == "    belly: a +91.4 mm (±2.8)"


def test_a_survivor_gives_something_up():
    rows = (row("belly_mm", [1.0, 300.0, 200.0], title="belly"), row("approach_deg", [1.0, 20.0, 40.0], unit="deg"))
    lines = lines_of(comparison(rows=rows, standings=standings(rows, ("a", "b"))))
    assert "a: no other one beats it in every row; what it gives up:" in lines
    assert "    approach_deg: b +20.0° (±2.8)" in lines


def test_a_difference_just_over_its_uncertainty_is_printed_as_larger():
    """0.24 ± 0.19 would both round to 0.2."""
    rows = (row("belly_mm", [1.0, 300.24, 300.0], sigma=0.0672, title="belly"),)
    lines = lines_of(comparison(rows=rows, standings=standings(rows, ("a", "b"))))
    assert "    belly: a +0.24 mm (±0.19)" in lines


def test_the_end_says_cautions_and_that_nothing_ranks():
    text = " ".join(" ".join(lines_of(comparison())).split())
    assert text.endswith(NO_SCORE)
    assert all(caution in text for caution in CAUTIONS)
    for word in ("winner", "score:", "rank:", "best"):
        assert word not in text


def test_a_warning_of_all_is_said_once_and_one_of_some_names_them():
    arrangements = (arrangement("a", warnings=("low lift", "bare")), arrangement("b", warnings=("low lift",)))
    lines = lines_of(comparison(arrangements=arrangements))
    assert [line for line in lines if line.startswith("Warning")] == ["Warning: low lift", "Warning (a): bare"]


def test_without_a_pair_there_is_nothing_to_list():
    arrangements = tuple(arrangement(name, clearances=()) for name in "ab")
    assert "no pair was judged" in lines_of(comparison(arrangements=arrangements))


def test_a_grid_splits_into_blocks_of_like_size_with_the_pinned_column_in_each():
    """Seven columns, one pinned, 50 cells: label 12, two free columns a block."""
    headings = ("base", *(f"c{k}" for k in range(1, 7)))
    grid = Grid(headings, (GridRow("row", tuple((("x", ""),) for _ in headings)),), pinned=1, least=10, label=12)
    lines = plain(grid_lines(grid, 50))
    headings = [line.split() for line in lines if "base" in line]
    assert headings == [["base", "c1", "c2"], ["base", "c3", "c4"], ["base", "c5", "c6"]]


# -- the document --


def test_the_document_is_valid_and_carries_all():
    document = json.loads(comparison_json(comparison(5)))
    VALIDATOR.validate(document)
    assert document["format"] == "fitcheck-comparison/1"
    assert document["columns"] == ["as weighed", *NAMES]
    belly = document["rows"][0]
    assert belly["cells"]["a"] == {
        "value": 300,
        "sigma": 1.0,
        "terms": {"belly_mm a": 1.0},
        "owner": None,
        "note": "",
        "bracket": 0.0,
    }
    assert len(belly["differences"]) == 6 * 5
    assert document["arrangements"][0]["worst"] == document["arrangements"][0]["clearances"]
    assert document["cautions"][-1] == NO_SCORE
    assert not any(word in key for key in _names(document) for word in ("score", "rank"))


def test_the_documents_numbers_are_not_rounded_and_what_is_not_finite_is_null():
    third = 100.0 / 3.0
    document = comparison_document(comparison(rows=(row("belly_mm", [1.0, third, math.nan]),)))
    found = document["rows"][0]["cells"]
    assert (found["a"]["value"], found["b"]["value"]) == (third, None)
    VALIDATOR.validate(json.loads(json.dumps(document, allow_nan=False)))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda document: document.pop("rows"),
        lambda document: document.update(score=1),
        lambda document: document["rows"][0].update(better="left"),
        lambda document: document["rows"][0]["cells"]["a"].update(value="12"),
        lambda document: document["rows"][0]["differences"][0].pop("expanded"),
        lambda document: document["standings"][0].update(rank=1),
        lambda document: document["arrangements"][0]["clearances"][0].pop("must_mm"),
    ],
)
def test_the_schema_refuses_a_spoilt_document(spoil):
    document = json.loads(comparison_json(comparison()))
    spoil(document)
    assert not VALIDATOR.is_valid(document)


def test_the_published_schema_is_the_one_that_is_used(capsys):
    """After a change: fitcheck schema --comparison > fitcheck/report/comparison.schema.json"""
    assert PUBLISHED.read_text(encoding="utf-8") == comparison_schema_text()
    jsonschema.Draft202012Validator.check_schema(comparison_schema())
    assert cli.run(["schema", "--comparison"]) == 0
    assert capsys.readouterr().out == comparison_schema_text()
    assert cli.run(["schema", "--comparison", "--result"]) == 2


def test_every_field_of_the_comparison_is_in_the_schema_with_words():
    names = {}
    for schema in _schemas(comparison_schema()):
        for name, inner in schema.get("properties", {}).items():
            names[name] = inner.get("description", "")
    for kind in vars(comparison_module).values():
        if dataclasses.is_dataclass(kind):
            for field in dataclasses.fields(kind):
                assert names.get(field.name), f"{kind.__name__}.{field.name}"
    for name in ("value", "sigma", "difference", "expanded", "bracket"):
        assert "unit" in names[name]


def _schemas(schema: object) -> typing.Iterator[dict]:
    if isinstance(schema, dict):
        yield schema
        for inner in schema.values():
            yield from _schemas(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _schemas(inner)


def _names(document: object) -> typing.Iterator[str]:
    if isinstance(document, dict):
        yield from document
    for inner in document.values() if isinstance(document, dict) else document if isinstance(document, list) else ():
        yield from _names(inner)


# -- the command --


@pytest.fixture
def project(tmp_path):
    """Two layouts without a scan, the second one with its first box 300 mm further back and lighter."""
    first = write_pair(tmp_path)
    second = tmp_path / "b.yaml"
    moved = first.read_text("utf-8").replace("[1340, 2156]", "[1640, 2456]").replace("55.5", "44.5")
    second.write_text(moved.replace("Two boxes", "'[red]Two boxes, back[/red]'"), encoding="utf-8")
    return first, second


def test_the_command_compares_and_ends_with_0_whatever_the_verdicts(project, capsys):
    assert cli.run(["compare", *map(str, project)]) == 0
    printed = capsys.readouterr().out
    assert "Test truck: side by side" in printed
    assert "[red]Two boxes, back[/red]" in printed
    assert "WHAT EACH IS BEATEN IN" in printed


def test_the_command_prints_one_document_and_nothing_else(project, capfd):
    assert cli.run(["compare", *map(str, project), "--json", "--load-state", "kerb"]) == 0
    document = json.loads(capfd.readouterr().out)
    VALIDATOR.validate(document)
    assert document["state"] == "kerb"
    assert [one["name"] for one in document["arrangements"]] == ["a", "b"]


def test_the_command_refuses_with_2_and_words(project, capsys, tmp_path):
    first, _ = project
    assert cli.run(["compare", str(first)]) == 2
    assert cli.run(["compare", str(first), str(first)]) == 2
    assert "named twice" in capsys.readouterr().err
    other = tmp_path / "other"
    other.mkdir()
    text = (tmp_path / "vehicle.yaml").read_text("utf-8").replace("Test truck", "Van").replace("mass: 300", "mass: 200")
    (other / "vehicle.yaml").write_text(text, encoding="utf-8")
    (other / "a.yaml").write_text(first.read_text("utf-8"), encoding="utf-8")
    assert cli.run(["compare", str(first), str(other / "a.yaml")]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "vehicle: Test truck" in printed.err.replace("'", "")
    assert "cargo 300 kg" in printed.err
    assert "cargo 200 kg" in printed.err


def test_help_says_what_the_exit_code_means(capsys):
    assert cli.run(["compare", "--help"]) == 0
    assert "exit code is 0 when the comparison was made" in " ".join(capsys.readouterr().out.split())
