"""Layout files are read with the places of their values, and laid over each other key by key."""

# ruff: noqa: E501  (tables)

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitcheck.errors import FileProblem, LayoutError
from fitcheck.layout import read_layout
from fitcheck.layout.reader import read_source
from fitcheck.layout.values import Value
from tests.layout_texts import ARRANGEMENT, VEHICLE, write, write_pair


def plain(value: Value | None) -> Any:
    """The value without its places."""
    if value is None or not isinstance(value.data, (dict, list)):
        return None if value is None else value.data
    if isinstance(value.data, dict):
        return {key: plain(item) for key, item in value.data.items()}
    return [plain(item) for item in value.data]


def source_of(tmp_path: Path, text: str) -> Any:
    path = tmp_path / "x.yaml"
    path.write_bytes(text.encode("utf-8"))
    return read_source(path, "x.yaml")


# --- one file ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        # Source: YAML 1.2, section 10.3 (core schema), less octal and hexadecimal numbers
        ("12", 12), ("-7", -7), ("+3", 3), ("010", 10), ("1.5", 1.5), (".5", 0.5), ("5.", 5.0), ("1e3", 1000.0), ("-1.5E-2", -0.015),
        ("true", True), ("False", False), ("null", None), ("~", None), ("", None),
        ("yes", "yes"), ("on", "on"), ("off", "off"), ("1:30", "1:30"), ("1_000", "1_000"), ("0x1F", "0x1F"), ("0o17", "0o17"),
        ("2024-01-01", "2024-01-01"), ("'12'", "12"), ('"true"', "true"), ("!!str 12", "12"), ("55 lb", "55 lb"), ("4 3/4 in", "4 3/4 in"),
        ("5 %", "5 %"), ("|\n  two\n  lines", "two\nlines\n"), ("12345678901234567890", 12345678901234567890.0),
    ],
)  # fmt: skip
def test_plain_values_are_those_of_yaml_1_2(typed: str, value: object, tmp_path: Path) -> None:
    found = source_of(tmp_path, f"key: {typed}\n")
    assert found.mistakes == []
    data = found.root.get("key").data
    assert (data, type(data)) == (value, type(value))


def test_every_key_and_value_knows_its_line_and_column(tmp_path: Path) -> None:
    root = source_of(tmp_path, "# first\na: {b: [1, 'two']}\n\nc:\n  d:   3   # three\n").root
    places = {
        "a": root.get("a"), "b": root.get("a", "b"), "two": root.get("a", "b", 1), "c": root.get("c"), "d": root.get("c", "d"),
    }  # fmt: skip
    assert {name: (value.place.line, value.place.column) for name, value in places.items()} == {
        "a": (2, 4), "b": (2, 8), "two": (2, 12), "c": (5, 3), "d": (5, 8),
    }  # fmt: skip
    assert {name: (value.key.line, value.key.column) for name, value in places.items() if value.key} == {
        "a": (2, 1), "b": (2, 5), "c": (4, 1), "d": (5, 3),
    }  # fmt: skip


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_alike_whatever_ends_them(end: str, tmp_path: Path) -> None:
    source = source_of(tmp_path, end.join(["\ufeffformat: 1", "# ünï → 3", "a: 'é' ", "b: .nan"]))
    (mistake,) = source.mistakes
    assert (mistake.place.line, mistake.place.column, mistake.text) == (4, 4, "b: .nan")


def test_an_anchor_stands_for_its_value_wherever_it_is_named(tmp_path: Path) -> None:
    found = source_of(tmp_path, "a: &tyre {radius: 395}\nb: *tyre\n")
    assert plain(found.root) == {"a": {"radius": 395}, "b": {"radius": 395}}
    assert found.root.get("b", "radius").place.line == 1


def test_all_mistakes_of_a_file_are_noted_and_the_rest_is_read(tmp_path: Path) -> None:
    source = source_of(tmp_path, "a: 1\na: 2\nb: .inf\nc: !x 3\nd: 4\n")
    assert [mistake.place.line for mistake in source.mistakes] == [2, 3, 4]
    assert plain(source.root)["d"] == 4


def test_lines_are_shown_without_control_characters_and_not_endlessly(tmp_path: Path) -> None:
    source = source_of(tmp_path, "a: {b: .nan, c: '\x85" + "x" * 500 + "'}\n")
    (mistake,) = source.mistakes
    assert mistake.text.startswith("a: {b: .nan")
    assert "\x85" not in mistake.text
    assert len(mistake.text) <= 160


def test_a_source_carries_the_hash_of_its_bytes(tmp_path: Path) -> None:
    assert source_of(tmp_path, "a: 1\n").sha256 == hashlib.sha256(b"a: 1\n").hexdigest()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(max_size=60) | st.text(alphabet="abc:{}[],&*!|>'\"-#%@`\\\n\t 01.?~<", max_size=40) | st.binary(max_size=40)
)
def test_whatever_a_file_holds_the_answer_is_a_layout_error(tmp_path: Path, content: str | bytes) -> None:
    path = tmp_path / "x.yaml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))
    with pytest.raises(LayoutError) as caught:
        read_layout(path)
    assert caught.value.mistakes
    assert all(
        mistake.place.line >= 1 and mistake.place.column >= 1 and mistake.message for mistake in caught.value.mistakes
    )
    assert str(caught.value).isprintable() or "\n" in str(caught.value)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, len(ARRANGEMENT)), st.integers(0, 12), st.text(alphabet="a1:{}[],.-# \n'\"&*~", max_size=6))
def test_a_damaged_layout_is_read_or_a_layout_error(tmp_path: Path, at: int, cut: int, put: str) -> None:
    """A slip of the keyboard anywhere in a good file never becomes another kind of error."""
    text = ARRANGEMENT[:at] + put + ARRANGEMENT[at + cut :]
    try:
        mistakes = read_layout(write_pair(tmp_path, text)).stack.mistakes()
    except LayoutError as problem:
        mistakes = list(problem.mistakes)[1:]
    assert all(mistake.message for mistake in mistakes)


# --- laid over each other ----------------------------------------------------------------


def merged(tmp_path: Path, change: str, base: str = ARRANGEMENT) -> Any:
    path = write(tmp_path, a=f"format: 1\nbased_on: base.yaml\n{change}", base=base, vehicle=VEHICLE)
    return read_layout(path)


def test_what_a_file_says_is_laid_over_what_it_is_based_on_key_by_key(tmp_path: Path) -> None:
    layout = merged(tmp_path, "parts:\n  A2: {box: {x: [1340, 2036]}, mass: 48.3, cg: [1688, 222.5, 548]}\n")
    part = layout.entries.parts["A2"]
    assert (part.mirror_of, part.box.x, part.box.y, part.mass.kg) == ("A1", (1340.0, 2036.0), None, 48.3)
    assert list(layout.entries.parts) == ["rear_shaft", "A1", "A2", "charger"]
    assert layout.origin("parts", "A2").endswith("a.yaml:4")
    assert layout.origin("parts", "charger").endswith("base.yaml:12")
    assert layout.origin("axles", "rear").endswith("vehicle.yaml:5")


def test_null_takes_an_inherited_entry_away(tmp_path: Path) -> None:
    layout = merged(
        tmp_path,
        "parts: {charger: null, A2: {mirror_of: null, mass: 3, cg: [1, 2, 3]}}\nweights: {raised: null, removed: {engine: null}}\nload_states: {laden: {cargo: null}}\n",
    )
    assert list(layout.entries.parts) == ["rear_shaft", "A1", "A2"]
    assert layout.entries.parts["A2"].mirror_of is None
    assert layout.entries.weights.removed == {}
    assert layout.entries.weights.raised is None
    assert layout.entries.load_states["laden"] == {}


def test_rules_contacts_and_exclusions_are_joined_and_other_lists_replaced(tmp_path: Path) -> None:
    change = (
        "rules: [{between: [lv, shaft], must: 5, why: mine}]\n"
        "exclude: [{between: [rear_shaft, rear_axle], why: joined}]\n"
        "parts: {A1: {cg: [1, 2, 3]}}\n"
    )
    layout = merged(tmp_path, change)
    assert [rule.why for rule in layout.entries.rules] == ["it spins", "mine"]
    assert [Path(layout.origin("rules", index).rsplit(":", 1)[0]).name for index in (0, 1)] == ["base.yaml", "a.yaml"]
    assert len(layout.entries.contacts) == len(layout.entries.exclude) == 1
    assert layout.entries.parts["A1"].cg == (1.0, 2.0, 3.0)


def test_a_title_is_not_inherited(tmp_path: Path) -> None:
    assert merged(tmp_path, "").title == "a"
    assert merged(tmp_path, "title: Mine\n").title == "Mine"


def test_the_nearest_file_names_the_vehicle_and_the_vehicle_file_its_name(tmp_path: Path) -> None:
    write(tmp_path, other=VEHICLE.replace("Test truck", "Other truck").replace("track: 1480", "track: 1500"))
    layout = merged(tmp_path, "vehicle: other.yaml\n")
    assert layout.vehicle == "Other truck"
    assert layout.entries.axles.rear.track == 1500.0
    assert [Path(source.name).name for source in layout.stack.sources] == ["a.yaml", "base.yaml", "other.yaml"]


def test_a_vehicle_file_may_be_based_on_another_and_can_be_read_alone(tmp_path: Path) -> None:
    write(tmp_path, van="format: 1\nvehicle: Van\nbased_on: vehicle.yaml\naxles: {rear: {at: 2800}}\n", vehicle=VEHICLE)
    path = write(tmp_path, a=ARRANGEMENT.replace("vehicle.yaml", "van.yaml"))
    layout = read_layout(path)
    assert layout.entries.axles is not None
    assert (layout.vehicle, layout.entries.axles.rear.at, layout.entries.axles.rear.track) == (
        "Test truck",
        2800.0,
        1480.0,
    )
    assert read_layout(tmp_path / "vehicle.yaml").vehicle == "Test truck"


def test_files_are_found_relative_to_the_file_that_names_them(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "vehicle.yaml").write_text(VEHICLE + "scan: {file: here.ply, units: m, align: as_scanned}\n")
    (tmp_path / "deep" / "here.ply").write_text("not read")
    path = write(tmp_path, a="format: 1\nvehicle: deep/vehicle.yaml\n")
    assert read_layout(path).beside("scan", "file") == tmp_path / "deep" / "here.ply"


def test_two_layouts_may_share_a_vehicle_file_that_is_read_once(tmp_path: Path) -> None:
    layout = merged(tmp_path, "vehicle: ./vehicle.yaml\n")
    assert [Path(source.name).name for source in layout.stack.sources] == ["a.yaml", "base.yaml", "vehicle.yaml"]


def test_a_bare_number_is_in_the_unit_of_its_own_file(tmp_path: Path) -> None:
    """A vehicle in millimetres and an arrangement in inches; text says its own unit in both."""
    layout = read_layout(
        write_pair(
            tmp_path,
            ARRANGEMENT.replace("parts:", "units: {length: in, mass: lb}\nparts:", 1).replace(
                "mass: 55.5", "mass: 55.5 kg"
            ),
        )
    )
    axles, parts = layout.entries.axles, layout.entries.parts
    assert axles is not None
    assert axles.rear.at == 2620.0
    assert parts["A1"].cg == pytest.approx((1748 * 25.4, -222.5 * 25.4, 548 * 25.4))
    assert parts["A1"].mass is not None
    assert parts["A1"].mass.kg == 55.5
    assert layout.entries.rules[0].must == pytest.approx(15 * 25.4)


def test_units_are_inherited_by_what_lies_above(tmp_path: Path) -> None:
    vehicle = "format: 1\nvehicle: V\nunits: {length: in}\nparts: {X: {sphere: {centre: [1, 0, 0], diameter: 2}}}\n"
    write(
        tmp_path, vehicle=vehicle, base="format: 1\nvehicle: vehicle.yaml\nunits: {mass: lb}\nparts: {X: {mass: 1}}\n"
    )
    layout = read_layout(
        write(tmp_path, a="format: 1\nbased_on: base.yaml\nparts: {X: {sphere: {diameter: 4}, tape: 1 mm}}\n")
    )
    part = layout.entries.parts["X"]
    assert part.sphere is not None
    assert part.mass is not None
    assert (part.sphere.centre, part.sphere.diameter, part.tape) == ((25.4, 0.0, 0.0), 101.6, 1.0)
    assert part.mass.kg == 0.45359237


def test_a_folder_and_a_huge_file_are_file_problems(tmp_path: Path) -> None:
    with pytest.raises(FileProblem, match="is a folder"):
        read_layout(tmp_path)
    (tmp_path / "big.yaml").write_bytes(b"#" * 4_000_001)
    with pytest.raises(FileProblem, match="larger than 4 MB"):
        read_layout(tmp_path / "big.yaml")
