"""Every mistake is answered with file, line, column, what was expected and found, and the nearest valid word."""

# ruff: noqa: E501  (tables of slips, one a line)

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from fitcheck.errors import FileProblem, LayoutError, Mistake
from fitcheck.layout import load_scene, read_layout
from tests.layout_texts import ARRANGEMENT, VEHICLE, write, write_pair


class Slip(NamedTuple):
    """Replace ``old`` by ``new`` in the arrangement; ``caret`` is what the caret must point at in the new text."""

    old: str
    new: str
    caret: str
    says: str
    hint: str = ""


SLIPS: dict[str, Slip] = {
    # keys
    "unknown key": Slip("mass: 55.5", "mas: 55.5", "mas: 55.5", "unknown key 'mas' in parts.A1", "did you mean 'mass'?"),
    "unknown top key": Slip("rules:", "rule:", "rule:", "unknown key 'rule'", "did you mean 'rules'?"),
    "unknown nested key": Slip("rim: {out: 20", "rim: {outt: 20", "outt: 20", "unknown key 'outt' in parts.A1.rim", "'out'"),
    "unknown key, nothing near": Slip("mass: 55.5", "qqq: 55.5", "qqq:", "unknown key 'qqq'", "valid here: class, box"),
    "duplicate key": Slip("mass: 55.5", "mass: 55.5\n    mass: 56", "mass: 56", "the key 'mass' is there twice (first on line 9)"),
    "duplicate part": Slip("  charger:", "  A1:", "A1:\n    class: lv", "the key 'A1' is there twice"),
    "number as key": Slip("mass: 55.5", "[1]: 55.5", "[1]: 55.5", "expected a word as key"),
    "merge key": Slip("mass: 55.5", "<<: 55.5", "<<:", "merge keys (<<) are not read"),
    "missing in a list": Slip(", why: it spins", "", "{between: [hv_box", "'why' is missing in rules.0"),
    "nothing under a section": Slip("targets:\n  breakover_deg: {laden: 32}", "targets:", "targets:", "there is nothing under 'targets'"),
    "wrong format": Slip("format: 1", "format: 2", "2\ntitle", "expected format 1, found 2"),
    "format as text": Slip("format: 1", "format: '1'", "'1'", "expected format 1, found '1'"),
    "format missing": Slip("format: 1\n", "", "title:", "'format' is missing", "a layout begins with 'format: 1'"),
    # quantities
    "comma": Slip("mass: 55.5", "mass: '55,5 kg'", "'55,5", "a comma in '55,5 kg' can be read two ways"),
    "wrong unit": Slip("out: 20,", "out: 20 milimetres,", "20 mili", "unknown unit 'milimetres'", "did you mean 'mm'?"),
    "unit in words": Slip("out: 20,", "out: 20 inches,", "20 inches", "unknown unit 'inches'", "did you mean 'in'?"),
    "mass for length": Slip("out: 20,", "out: 20 kg,", "20 kg", "expected a length (mm, cm, m, in, ft), found a mass"),
    "nan": Slip("mass: 55.5", "mass: .nan", ".nan", "expected a finite number, found '.nan'"),
    "inf": Slip("must: 15", "must: -.INF", "-.INF", "expected a finite number, found '-.INF'"),
    "nan without point": Slip("mass: 55.5", "mass: nan", "nan\n", "expected a mass, found 'nan'"),
    "too large": Slip("471.5, 630", "471.5, 1e300", "1e300", "1e+300 is too large for a length on a vehicle"),
    "true": Slip("mass: 55.5", "mass: true", "true", "expected a mass, found true"),
    "negative mass": Slip("mass: 55.5", "mass: -5", "-5\n", "a mass cannot be negative, found -5"),
    "zero size": Slip("height: 6", "height: 0", "0}", "a size must be more than 0, found 0"),
    "percent without sign": Slip("within: 3 %", "within: 3 pct", "3 pct", "unknown unit 'pct'", "did you mean '%'?"),
    "mass without value": Slip("{value: 21, within: 3 %}", "{within: 3 %}", "mass: {within", "a mass needs a value"),
    "unknown key in a mass": Slip("{value: 21,", "{valeu: 21,", "valeu", "unknown key 'valeu' in a mass", "did you mean 'value'?"),
    # lists
    "interval the wrong way": Slip("x: [1340, 2156]", "x: [2156, 1340]", "[2156, 1340]", "with from below to, found [2156, 1340]", "swap them"),
    "interval of three": Slip("x: [1340, 2156]", "x: [1340, 2156, 1]", "[1340, 2156, 1]", "two lengths [from, to], found 3 values"),
    "vector of two": Slip("cg: [1748, -222.5, 548]", "cg: [1748, -222.5]", "[1748, -222.5]", "three lengths [x, y, z], found 2 values"),
    "wrong item": Slip("cg: [1748, -222.5, 548]", "cg: [1748, left, 548]", "left,", "expected a length, found 'left'"),
    "text for a list": Slip("cg: [1748, -222.5, 548]", "cg: middle", "middle", "three lengths [x, y, z], found 'middle'"),
    "text for a mapping": Slip("rim: {out: 20, at: top, height: 6}", "rim: flat", "flat", "expected keys with values under 'rim', found 'flat'"),
    "mapping for a list": Slip("rules:\n  -", "rules:\n  one:", "rules:", "expected a list under 'rules'"),
    "one name in a pair": Slip("[hv_box, shaft]", "[hv_box]", "[hv_box]", "expected two names [one, other], found 1"),
    "number for text": Slip("title: Two boxes", "title: 2024", "2024", "expected text, found 2024", "put it in quotes: '2024'"),
    # words
    "unknown class": Slip("class: hv_box", "class: hv_bx", "hv_bx", "expected a known class, found 'hv_bx'", "did you mean 'hv_box'?"),
    "unknown word": Slip("at: top", "at: tpo", "tpo", "expected one of: top, bottom, found 'tpo'", "did you mean 'top'?"),
    "unknown face": Slip("front left bottom", "front left botom", "front left botom", "unknown face 'botom'", "did you mean 'bottom'?"),
    "two faces": Slip("front left bottom", "front left", "front left,", "expected 3 faces of different axes, found 'front left'"),
    "opposite faces": Slip("front left bottom", "front rear left", "front rear left", "expected 3 faces of different axes"),
    # what goes together
    "two shapes": Slip("rim:", "sphere: {centre: [0, 0, 0], diameter: 9}\n    rim:", "sphere:", "the shape is given twice, as 'box' and as 'sphere'", "'box: null'"),
    "extents and size": Slip("box: {size: [450", "box: {x: [0, 450], size: [450", "x: [0, 450]", "x has both extents and a size"),
    "place without at": Slip(", at: [75, -325, 760]", "", "place: {corner", "'at' is missing beside 'corner'", "like {corner:"),
    "place of two kinds": Slip("at: [75, -325, 760]", "at: [75, -325, 760], gap: 4", "gap: 4", "'gap' does not go with 'corner'"),
    "empty place": Slip("{corner: front left bottom, at: [75, -325, 760]}", "{at: [75, -325, 760]}", "place:", "a place needs one of: corner, edge, point, face, on"),
    "face of the scan": Slip("{corner: front left bottom, at: [75, -325, 760]}", "{face: right, gap: 9, to: scan.rail}", "scan.rail", "faces of the scan (scan.rail) cannot be placed against yet"),
    "unknown face of a part": Slip("{corner: front left bottom, at: [75, -325, 760]}", "{face: right, gap: 9, to: A1.lift}", "A1.lift", "unknown face 'lift' in 'A1.lift'", "did you mean 'left'?"),
    "want below must": Slip("want: 25", "want: 5", "5, why", "'want' cannot be less than 'must': 5 < 15 mm"),
    # names
    "unknown part in mirror_of": Slip("mirror_of: A1", "mirror_of: A11", "A11", "there is no part 'A11'", "did you mean 'A1'?"),
    "unknown token": Slip("[hv_box, shaft]", "[hv_bx, shaft]", "hv_bx", "'hv_bx' is no part, class or mechanism", "did you mean 'hv_box'?"),
    "any in a contact": Slip("[A1, A2], at", "[any, A2], at", "any, A2", "'any' cannot be declared to touch"),
    "unknown load state": Slip("{laden: 32}", "{laiden: 32}", "laiden", "there is no load state 'laiden'", "did you mean 'laden'?"),
    "part called like a class": Slip("  charger:", "  exhaust:", "exhaust:", "'exhaust' is a class already"),
    "part called scan": Slip("  charger:", "  scan:", "scan:", "'scan' is a word of rules already"),
    "part called like a mechanism": Slip("  charger:", "  rear_axle:", "rear_axle:", "'rear_axle' is a mechanism already"),
    "name with a space": Slip("  charger:", "  main charger:", "main charger:", "found 'main charger'", "like 'main_charger'"),
    "copy of itself": Slip("mirror_of: A1", "mirror_of: A2", "A2}", "these parts wait for each other: A2 → A2"),
    "copy of a shaft": Slip("mirror_of: A1", "mirror_of: rear_shaft", "rear_shaft", "'rear_shaft' is a shaft"),
    "on itself in a circle": Slip("{corner: front left bottom, at: [75, -325, 760]}\n    mass: {value: 21, within: 3 %}", "{on: D, face: rear, gap: 4}\n  D: {like: charger}", "D, face", "these parts wait for each other: charger → D → charger"),
    "nothing to take away": Slip("  charger:", "  A9: null\n  charger:", "A9: null", "there is nothing to take away: no 'A9' is inherited in parts"),
    "missing mesh": Slip("{mirror_of: A1}", "{mesh: {file: no.stl, units: mm}}", "no.stl", "is not there"),
    # syntax
    "tab": Slip("    class: hv_box", "\tclass: hv_box", "\tclass", "a tab cannot stand here", "indent with spaces"),
    "unclosed mapping": Slip("{mirror_of: A1}", "{mirror_of: A1", "{mirror_of: A1\n", "expected ',' or '}' in this {mapping}"),
    "unclosed quote": Slip("title: Two boxes", "title: 'Two boxes", "'Two boxes", "this quoted text is not closed"),
    "colon in text": Slip("title: Two boxes", "title: Two: boxes", ": boxes", "a ':' where no value can stand"),
    "wrong indentation": Slip("    mass: 55.5", "   mass: 55.5", "mass: 55.5", "this line does not fit the lines above it"),
    "unknown alias": Slip("mass: 55.5", "mass: *kilo", "*kilo", "an alias (*name) without its anchor"),
    "tag": Slip("mass: 55.5", "mass: !!python/name:os.system x", "!!python", "a tag (!!python/name:os.system) has no meaning here"),
    "second document": Slip("rules:", "---\nrules:", "---", "a second document begins here"),
}  # fmt: skip


def mistakes_of(path: Path) -> tuple[Mistake, ...]:
    with pytest.raises(LayoutError) as caught:
        load_scene(path)
    return caught.value.mistakes


def position(text: str, part: str) -> tuple[int, int]:
    """Line and column, from 1, at which ``part`` begins."""
    before = text[: text.index(part)]
    return before.count("\n") + 1, len(before) - before.rfind("\n")


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS.keys())
def test_a_slip_is_one_mistake_with_the_caret_under_it(slip: Slip, tmp_path: Path) -> None:
    assert ARRANGEMENT.count(slip.old) >= 1
    text = ARRANGEMENT.replace(slip.old, slip.new, 1)
    found = mistakes_of(write_pair(tmp_path, text))
    assert len(found) == 1, "\n".join(str(mistake) for mistake in found)
    mistake = found[0]
    assert slip.says in mistake.message
    assert slip.hint in mistake.hint
    assert (mistake.place.line, mistake.place.column) == position(text, slip.caret)
    assert Path(mistake.place.file).name == "a.yaml"
    assert mistake.text == text.splitlines()[mistake.place.line - 1].replace("\t", " ").rstrip()


VEHICLE_SLIPS: dict[str, Slip] = {
    "misspelt key that is needed": Slip("rear: {at: 2620, track:", "rear: {at: 2620, trak:", "trak:", "unknown key 'trak' in axles.rear", "did you mean 'track'?"),
    "missing key": Slip("centre: [2620, 0, 384]\n      ", "", "solid_axle:", "'centre' is missing in mechanisms.rear_axle.solid_axle"),
    "front axle elsewhere": Slip("front: {at: 0,", "front: {at: 100,", "100,", "the front axle is at 0, not 100 mm"),
    "rear axle ahead": Slip("rear: {at: 2620,", "rear: {at: -2620,", "-2620,", "the rear axle is behind the front one, not at -2620 mm"),
    "height given twice": Slip("  removed:", "  cg_height: 688\n  removed:", "cg_height", "the height of the centre of gravity is given twice"),
    "mass without cg": Slip(", cg: [60, 0, 720]", "", "engine:", "'cg' is missing in weights.removed.engine"),
    "unknown axle": Slip("axle: rear,", "axle: back,", "back", "expected one of: front, rear, found 'back'"),
    "unknown mechanism on a shaft": Slip("on: rear_axle", "on: rear_axel", "rear_axel", "there is no mechanism 'rear_axel'", "did you mean 'rear_axle'?"),
    "unknown mechanism on an axle": Slip("mechanism: rear_axle", "mechanism: axle_r", "axle_r", "there is no mechanism 'axle_r'"),
    "factor out of range": Slip("fixed_eye: front", "fixed_eye: front, radius_factor: 75", "75}", "expected a factor from 0.5 to 1"),
    "radians named": Slip("drive: 6", "drive: 0.1 rad", "0.1 rad", "unknown unit 'rad'", "units of angle: deg, °"),
    "carried without shape": Slip("{capsule: {from: [2620, -640, 384], to: [2620, 640, 384], diameter: 90}}", "{}", "tube:", "the shape is missing"),
    "rod without length": Slip("to: [2620, 640, 384]", "to: [2620, -640, 384]", "[2620, -640, 384], diameter", "'from' and 'to' are the same point"),
    "mechanism called like a class": Slip("mechanisms:\n  rear_axle:", "mechanisms:\n  axle: {}\n  rear_axle:", "axle: {}", "the kind of mechanism is missing", "exactly one of: solid_axle, link_axle"),
    "wall too thick": Slip("wall: 2.5", "wall: 40", "40}", "a wall of 40 mm does not go into a tube of 63.5 mm"),
    "shaft with a place": Slip("wall: 2.5}", "wall: 2.5}\n    place: {point: centre, at: [0, 0, 0]}", "place:", "'place' does not go with 'shaft'"),
    "shaft of another class": Slip("    shaft: {", "    class: lv\n    shaft: {", "lv", "a shaft is of class shaft, found 'lv'"),
}  # fmt: skip


@pytest.mark.parametrize("slip", VEHICLE_SLIPS.values(), ids=VEHICLE_SLIPS.keys())
def test_a_slip_in_the_vehicle_file_names_that_file(slip: Slip, tmp_path: Path) -> None:
    assert VEHICLE.count(slip.old) >= 1
    text = VEHICLE.replace(slip.old, slip.new, 1)
    mistake = mistakes_of(write_pair(tmp_path, vehicle=text))[0]
    assert slip.says in mistake.message
    assert slip.hint in mistake.hint
    assert (mistake.place.line, mistake.place.column) == position(text, slip.caret)
    assert Path(mistake.place.file).name == "vehicle.yaml"


SCAN_SLIPS: dict[str, tuple[str, str, str]] = {
    # text after "scan:" → what the caret points at, what it says
    "no unit": ("{file: a.yaml, align: as_scanned}", "scan:", "'units' is missing in scan"),
    "no alignment": ("{file: a.yaml, units: m}", "scan:", "'align' is missing in scan"),
    "misspelt alignment": ("{file: a.yaml, units: m, align: as_scaned}", "as_scaned", "expected as_scanned or {targets: …}"),
    "missing file": ("{file: b.ply, units: m, align: as_scanned}", "b.ply", "the scan file"),
    "removed in one column": ("{file: a.yaml, units: m, align: as_scanned, remove: {tank: {piece: {at: [0, 0, 0]}}}}", "tank:", "it comes off the scan but not off the scales"),
    "removed without cg": ("{file: a.yaml, units: m, align: as_scanned, remove: {tank: {piece: {at: [0, 0, 0]}, mass: 4}}}", "tank:", "'cg' is missing: where was its mass?"),
    "removed and staying": ("{file: a.yaml, units: m, align: as_scanned, remove: {tank: {piece: {at: [0, 0, 0]}, stays: no, mass: 4}}}", "stays:", "it is still on the vehicle, so neither mass nor cg"),
    "removed twice": ("{file: a.yaml, units: m, align: as_scanned, remove: {engine: {piece: {at: [0, 0, 0]}, mass: 4, cg: [0, 0, 0]}}}", "engine:", "'engine' comes off the scales twice"),
    "bar to no target": ("{file: a.yaml, units: m, align: {targets: {T1: {scan: [0, 0, 0], vehicle: [0, 0, 0]}}}, scale_bars: [{between: [T1, T9], length: 3}]}", "T9", "'T9' is no target of the scan"),
    "target in no axis": ("{file: a.yaml, units: m, align: {targets: {T1: {scan: [0, 0, 0], vehicle: [null, null, null]}}}}", "[null, null, null]", "a target needs one taped coordinate at least"),
    "nothing aligns": ("{file: a.yaml, units: m, align: {tape: 2}}", "align:", "nothing lays the scan into the vehicle frame"),
    "centre of one": ("{file: a.yaml, units: m, align: {centre: [[[1, 2, 3]]]}}", "[[[1, 2, 3]]]", "expected a pair [left, right] of points of the scan, found 1 values"),
    "centre of two numbers": ("{file: a.yaml, units: m, align: {centre: [[[1, 2, 3], [1, 2]]]}}", "[[1, 2, 3], [1, 2]]", "expected three numbers [x, y, z], found 2 values"),
    "ground in words": ("{file: a.yaml, units: m, align: {ground: floor}}", "floor}}", "expected points of the scan [[x, y, z], …], or {points: …, height: …}, found 'floor'"),
    "hub of a fifth wheel": ("{file: a.yaml, units: m, align: {hubs: {front: {scan: [0, 0, 0], height: 380}}}}", "front:", "unknown key 'front' in scan.align.hubs"),
    "station without x": ("{file: a.yaml, units: m, align: {station: {scan: [0, 0, 0]}}}", "station:", "'x' is missing in scan.align.station"),
    "floor by one number": ("{file: a.yaml, units: m, align: {floor: [[0, 0, 0], 3]}}", "3]}}", "expected keys with values under '1', found 3"),
    "moved without reason": ("{file: a.yaml, units: m, align: as_scanned, move: {bed: {piece: {at: [0, 0, 0]}, by: [0, 0, 9]}}}", "bed:", "'why' is missing in scan.move.bed"),
}  # fmt: skip


@pytest.mark.parametrize(("scan", "caret", "says"), SCAN_SLIPS.values(), ids=SCAN_SLIPS.keys())
def test_a_slip_about_the_scan_is_found_before_the_scan_is_read(
    scan: str, caret: str, says: str, tmp_path: Path
) -> None:
    # a.yaml is no mesh: had it been read as one, the error would be another
    text = VEHICLE + f"scan: {scan}\n"
    found = [mistake for mistake in mistakes_of(write_pair(tmp_path, vehicle=text)) if says in mistake.message]
    assert len(found) == 1
    place = found[0].place
    expected = position(text, "engine:") if says.startswith("'engine'") else position(text[len(VEHICLE) :], caret)
    first = 0 if says.startswith("'engine'") else VEHICLE.count("\n")
    assert (place.line, place.column) == (expected[0] + first, expected[1])


PLACEMENT_SLIPS: dict[str, tuple[str, str, str]] = {
    "no place": ("    place: {corner: front left bottom, at: [75, -325, 760]}\n", "", "charger"),
    "axis without a place": ("at: [75, -325, 760]", "at: [75, null, 760]", "charger"),
    "incomplete box": ("box: {size: [450, 350, 120]}", "box: {}", "charger"),
    "incomplete rim": ("rim: {out: 20, at: top, height: 6}", "rim: {out: 20, at: top}", "A1"),
    "turned beside extents": (
        "    mass: 55.5",
        "    place: {corner: front left bottom, at: [0, 0, 0]}\n    mass: 55.5",
        "A1",
    ),
}


@pytest.mark.parametrize(("old", "new", "part"), PLACEMENT_SLIPS.values(), ids=PLACEMENT_SLIPS.keys())
def test_a_part_that_cannot_be_placed_is_named_where_it_was_typed(
    old: str, new: str, part: str, tmp_path: Path
) -> None:
    text = ARRANGEMENT.replace(old, new, 1)
    assert text != ARRANGEMENT
    found = mistakes_of(write_pair(tmp_path, text))
    entry = position(text, f"  {part}:")[0]
    assert all(f"part '{part}'" in mistake.message for mistake in found)
    assert all(entry <= mistake.place.line <= entry + 7 for mistake in found)


def test_all_mistakes_of_all_files_come_at_once_in_file_order(tmp_path: Path) -> None:
    """Keys, values, names and files; the layout first, then its vehicle file."""
    layout = ARRANGEMENT.replace("mass: 55.5", "mas: 55.5").replace("hv_box, shaft", "hv_box, shafd")
    layout = layout.replace("front left bottom", "front left botom").replace("want: 25", "want: 25 lb")
    vehicle = VEHICLE.replace("track: 1480, wheel_rate", "trak: 1480, wheel_rate").replace("droop: 90", "droop: -90")
    found = mistakes_of(write_pair(tmp_path, layout, vehicle))
    said = [(Path(mistake.place.file).name, mistake.place.line) for mistake in found]
    assert said == [
        ("a.yaml", 9),
        ("a.yaml", 15),
        ("a.yaml", 18),
        ("a.yaml", 18),
        ("vehicle.yaml", 5),
        ("vehicle.yaml", 19),
    ]


def test_syntax_mistakes_of_all_files_that_can_be_found_come_at_once(tmp_path: Path) -> None:
    change = "format: 1\nbased_on: base.yaml\nvehicle: vehicle.yaml\n"
    write(tmp_path, a=change, base=ARRANGEMENT + "x: {\n", vehicle=VEHICLE + "y: [\n")
    assert [Path(mistake.place.file).name for mistake in mistakes_of(tmp_path / "a.yaml")] == [
        "base.yaml",
        "vehicle.yaml",
    ]


def test_a_message_shows_the_line_and_a_caret_below_the_mistake(tmp_path: Path) -> None:
    write_pair(tmp_path, ARRANGEMENT.replace("at: top", "at: tpo"))
    with pytest.raises(LayoutError) as caught:
        read_layout(tmp_path / "a.yaml")
    head, line, caret, hint, count = str(caught.value).splitlines()
    assert head.endswith("a.yaml:8:24: expected one of: top, bottom, found 'tpo'")
    assert line[caret.index("^") :].startswith("tpo")
    assert (hint.strip(), count) == ("did you mean 'top'?", "1 mistake")


def test_an_inherited_shape_beside_a_new_one_says_how_to_take_it_away(tmp_path: Path) -> None:
    change = "format: 1\nbased_on: base.yaml\nparts:\n  A1: {sphere: {centre: [0, 0, 0], diameter: 9}}\n"
    write(tmp_path, base=ARRANGEMENT, vehicle=VEHICLE, a=change)
    (mistake,) = mistakes_of(tmp_path / "a.yaml")
    assert "'box: null' takes an inherited one away" in mistake.hint
    assert (Path(mistake.place.file).name, mistake.place.line) == ("a.yaml", 4)


def test_files_that_are_based_on_each_other_are_named_in_a_row(tmp_path: Path) -> None:
    write(
        tmp_path,
        a="format: 1\nbased_on: b.yaml\n",
        b="format: 1\nbased_on: c.yaml\n",
        c="format: 1\nbased_on: a.yaml\n",
    )
    (mistake,) = mistakes_of(tmp_path / "a.yaml")
    names = [Path(name).name for name in mistake.message.split(": ")[1].split(" → ")]
    assert names == ["a.yaml", "b.yaml", "c.yaml", "a.yaml"]
    assert (Path(mistake.place.file).name, mistake.place.line, mistake.place.column) == ("c.yaml", 2, 11)


@pytest.mark.parametrize(
    ("key", "text", "hint"),
    [
        ("vehicle", "vehicel.yaml", "did you mean 'vehicle.yaml'?"),
        ("vehicle", "vehicle", "did you mean 'vehicle.yaml'?"),
        ("vehicle", "a.yaml", "name the vehicle file"),
        ("based_on", "nothing_like_it.yaml", "relative to the file that names them"),
        ("based_on", "no_folder/b.yaml", "there is no folder"),
        ("based_on", "a.yaml", "take one of the based_on lines out"),
        ("based_on", "bad\\0name.yaml", ""),
    ],
)
def test_a_file_that_is_named_but_not_there(key: str, text: str, hint: str, tmp_path: Path) -> None:
    path = write(tmp_path, a=f'format: 1\n{key}: "{text}"\n', vehicle=VEHICLE)
    mistake = mistakes_of(path)[0]
    assert (mistake.place.line, mistake.place.column) == (2, len(key) + 3)
    assert hint in mistake.hint


_LAUGHS = b"a: &a [x, x, x, x, x, x, x, x, x]\n" + b"".join(
    b"%c: &%c [" % (c, c) + b", ".join([b"*%c" % (c - 1)] * 9) + b"]\n" for c in range(98, 106)
)


@pytest.mark.parametrize(
    ("raw", "line", "column", "says"),
    [
        (b"", 1, 1, "this file is empty"),
        (b"# nothing\n", 1, 1, "this file is empty"),
        (b"- format\n", 1, 1, "expected keys with values"),
        (b"text", 1, 1, "expected keys with values"),
        (b"format: 1\ntitle: \xff\n", 2, 8, "this is not UTF-8 text"),
        (b"format: 1\ntitle: a\x00b\n", 2, 9, "a character that no text editor shows (U+0000)"),
        (b"format: 1\ntitle: [\n", 2, 9, "a value is missing before this"),
        (b"[" * 500, 1, 1, "nested too deeply"),
        (b"[" * 60 + b"]" * 60, 1, 42, "nested too deeply"),
        (b"format: 1\nparts: &p {A: *p}\n", 2, 8, "this value holds itself"),
        (_LAUGHS, 1, 1, "too many values"),
    ],
    ids=["empty", "comment", "list", "word", "latin", "nul", "open list", "very deep", "deep", "recursive", "laughs"],
)
def test_files_that_are_no_layout_at_all(raw: bytes, line: int, column: int, says: str, tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_bytes(raw)
    places = {
        (mistake.place.line, mistake.place.column)
        for mistake in mistakes_of(tmp_path / "a.yaml")
        if says in mistake.message
    }
    assert places == {(line, column)}


@pytest.mark.parametrize("name", ["none.yaml", "", "a" * 300])
def test_a_layout_that_cannot_be_opened_is_a_file_problem(name: str, tmp_path: Path) -> None:
    with pytest.raises(FileProblem):
        read_layout(tmp_path / name)
