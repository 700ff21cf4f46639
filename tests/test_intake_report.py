"""fitcheck scan, what is said: text, JSON with its published schema, the YAML to paste, the command and its errors."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import mesh_files as mf
import numpy as np
import pytest
from shapes import box_mesh

from fitcheck import cli
from fitcheck.intake import (
    FILE_FRAME,
    VEHICLE_FRAME,
    BothSides,
    Doubled,
    Drift,
    Floor,
    Hole,
    Intake,
    Mesh,
    Noise,
    Pieces,
    Size,
    Skins,
    Spacing,
    Speck,
    Station,
    Symmetry,
    Uneven,
    Unit,
    Within,
)
from fitcheck.layout import read_layout
from fitcheck.layout.build_scan import scan_spec
from fitcheck.report.columns import cells
from fitcheck.report.intake import HOLES_SHOWN, intake_lines
from fitcheck.report.intake_document import intake_document, intake_schema, intake_schema_text
from fitcheck.scan.intake.paste import paste_for_file, paste_for_layout
from fitcheck.scan.prepare import prepare_scan

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_meshes" / "hollin262"
PUBLISHED = ROOT / "fitcheck" / "report" / "intake.schema.json"

BOX = ((0.0, -850.0, 0.0), (3600.0, 850.0, 700.0))
HOLE = Hole(2, 160.0, 120.0, 560.0, 120, (1680.0, 370.0, 580.0), BOX, 1, False, True)


def full(**changes: object) -> Intake:
    """A report in which every section says something."""
    specks = tuple(Speck(k, (100.0 * k, 50.0, 900.0), (12.0, 9.0, 8.0), 40 - k, k + 3) for k in range(1, 4))
    found = Intake(
        file="truck.ply", layout="a.yaml", frame=VEHICLE_FRAME, cloud=False, triangles=517976, points=261015,
        unit=Unit("m", ("m",), "m", 4.302, "declared; the longest side is 4.302", "scale bar T1 to T4", ""),
        size=Size(BOX, (3600.0, 1700.0, 700.0), 4012.0, BOX, 102546.7),
        spacing=Spacing(5.0, 4.6, 10.0),
        noise=Noise(0.4, 30.1, 1220, 3000),
        holes=(Hole(1, 2143.0, 1700.0, 9000.0, 900, (2400.0, 0.0, 680.0), BOX, 0, True, True), HOLE,
               replace(HOLE, number=3, closed=False)),
        skins=Skins((Doubled(1, 4.02, 480.3, (400.0, -432.0, 580.0), BOX),), BothSides(1.2, 660.0), 15.0, 120.0),
        pieces=Pieces(27, specks, 2, (Within(1, (1748.0, 400.0, 580.0), (41.0, 41.0, 41.0), 1260, 0.88, BOX),),
                      500, 30.0),
        mesh=Mesh(778959, 3990, 3, 4, 5, 6, 231342, 12),
        floor=Floor((0.0, 0.0, 1.0), 0.4, 12000.0, 0.8, 0.02),
        symmetry=Symmetry("the vehicle frame", (0.0, 1.0, 0.0), 0.0, 0.82, 0.2, 0.9,
                          (Uneven((0.0, -430.0, 580.0), (0.0, 430.0, 580.0), 1.6),), (Station(-400.0, 0.7, 10),),
                          0.1, 0.3, 0.01),
        drift=Drift(1.44, 0.2, 46, 3955.0, 1.8),
        notes=("3 faces were odd",),
        not_looked_at=("the moon",),
        paste="scan:\n  accuracy: {local: 0.40}\n",
    )  # fmt: skip
    return replace(found, **changes)


# -- text --


def test_every_section_says_its_figures():
    text = "\n".join(intake_lines(full(), width=100))
    for words in (
        "517 976 triangles", "confirmed by scale bar T1 to T4", "3600 × 1700 × 700", "one sigma 0.40 mm", "160 × 120",
        "x 1680, y 370, z 580", "tangled", "D1        4.0        480", "660 cm² back to back", "S3  12 × 9 × 8",
        "2 other small pieces", "I1  41 × 41 × 41", "3 edges with more than two faces", "12 of these look inward",
        "likely: 1.20 m² at 0.4 mm along +z", "y = 0", "82 %", "95 % within 0.9", "+1.44 ± 0.20 mm a metre",
        "Note: 3 faces were odd",
        "Not looked at: the moon.", "accuracy: {local: 0.40}",
    ):  # fmt: skip
        assert words in text, words
    assert text.splitlines()[-2].startswith("Look at: faces turned inside out; 2 holes, the largest 160 mm")
    assert "the drift" in text.splitlines()[-1]


@pytest.mark.parametrize("width", [40, 72, 100])
def test_no_line_is_longer_than_the_terminal_but_what_is_to_be_pasted(width):
    lines = intake_lines(full(), width=width)
    lines = [line for line in lines if line not in full().paste.splitlines()]
    tables = ("no.", "D", "S", "I", "  ", " ")  # a table's figures do not give way
    assert all(cells(line) <= width or line.startswith(tables) for line in lines)
    assert all(cells(line) <= width for line in lines) or width == 40


def test_many_holes_are_counted_and_the_largest_shown():
    holes = tuple(replace(HOLE, number=k, across_mm=1000.0 - k) for k in range(1, 41))
    text = "\n".join(intake_lines(full(holes=holes)))
    assert f"and {40 - HOLES_SHOWN} smaller ones" in text
    assert "40 holes" in text


def test_an_unknown_unit_is_asked_for_and_nothing_is_made_up():
    unit = Unit("", ("in", "cm"), "", 265.0, "the longest side is 265", "", "which unit is it? Say it with --units in")
    bare = Intake("which.ply", "", FILE_FRAME, False, 10, 12, unit, not_looked_at=("all lengths",))
    text = "\n".join(intake_lines(bare))
    assert "not known" in text
    assert "To confirm: which unit is it?" in text
    assert "Look at: the unit, which is not known." in text
    assert "HOLES" not in text


def test_nothing_odd_is_said_to_be_nothing():
    calm = full(holes=(), skins=None, pieces=None, mesh=None, drift=None)
    assert intake_lines(calm)[-1] == "Look at: nothing in particular."


def test_a_name_that_could_steer_the_terminal_is_shown_as_text():
    assert all("\x1b" not in line for line in intake_lines(full(file="a\x1b[2Jb.ply", notes=("\x1b[31m",))))


# -- JSON --


def test_the_document_fits_its_schema_and_the_schema_is_the_published_one():
    jsonschema.Draft202012Validator.check_schema(intake_schema())
    jsonschema.validate(intake_document(full()), intake_schema())
    cloud = full(cloud=True, holes=(), skins=None, pieces=None, mesh=None, floor=None, symmetry=None, drift=None)
    jsonschema.validate(intake_document(cloud), intake_schema())
    assert PUBLISHED.read_text(encoding="utf-8") == intake_schema_text(), (
        "write what fitcheck schema --intake prints to fitcheck/report/intake.schema.json"
    )


def test_a_name_that_the_schema_does_not_know_is_refused():
    document = intake_document(full())
    document["noise"]["sigma"] = 1.0
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, intake_schema())


def test_schema_intake_prints_it_and_two_schemas_at_once_are_refused(capsys):
    assert cli.run(["schema", "--intake"]) == 0
    assert capsys.readouterr().out == intake_schema_text()
    assert cli.run(["schema", "--intake", "--result"]) == 2


# -- what is to be pasted --


def test_what_is_pasted_for_a_file_is_a_layout_that_is_read(tmp_path):
    """With a file name that YAML would read otherwise."""
    scan = tmp_path / "yes: #1.ply"
    found = full(file=scan.as_posix(), layout="", unit=Unit("", ("ft",), "ft", 14.0, "", "", "tape it"))
    scan.touch()
    (tmp_path / "new.yaml").write_text("format: 1\n" + paste_for_file(found), encoding="utf-8")
    entries = read_layout(tmp_path / "new.yaml").entries.scan
    assert (entries.file, entries.units, entries.align) == (scan.name, "ft", None)
    assert entries.accuracy.local == pytest.approx(0.4)


@pytest.mark.parametrize("unit", ["mm", "in", "ft", "m", "cm"])
def test_what_is_pasted_over_a_layout_means_the_same_in_its_own_unit(tmp_path, unit):
    """A drift of 1.44 mm a metre that the tape tells from nothing goes in as well."""
    text = f"format: 1\nunits: {{length: {unit}}}\n" + paste_for_layout(full(), unit, ("speck_2",))
    base = "format: 1\nscan: {file: truck.ply, units: m, align: as_scanned}\n"
    (tmp_path / "base.yaml").write_text(base, encoding="utf-8")
    (tmp_path / "truck.ply").touch()
    (tmp_path / "over.yaml").write_text(
        text.replace("format: 1", "format: 1\nbased_on: base.yaml", 1), encoding="utf-8"
    )
    entries = read_layout(tmp_path / "over.yaml").entries.scan
    assert entries.accuracy.local == pytest.approx(0.4, rel=0.02)
    assert entries.accuracy.per_metre == pytest.approx(1.44, rel=0.02)
    assert list(entries.remove) == ["speck_1", "speck_2_more", "speck_3"]
    assert entries.remove["speck_3"].piece.at == pytest.approx((300.0, 50.0, 900.0), abs=0.1)
    assert entries.remove["speck_3"].mass.kg == 0.0


def test_a_drift_that_is_not_told_from_none_is_not_pasted():
    assert "per_metre" not in paste_for_layout(full(drift=Drift(0.4, 0.6, 46, 3955.0, 1.8)), "mm", ())


def test_pasting_over_the_sample_takes_its_specks_off_and_nothing_else(tmp_path, capfd):
    folder = tmp_path / "sample"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("pictures"))
    assert cli.run(["scan", str(folder / "a.yaml"), "--json"]) == 0
    document = json.loads(capfd.readouterr().out)
    jsonschema.validate(document, intake_schema())
    (folder / "clean.yaml").write_text("format: 1\nbased_on: a.yaml\n" + document["paste"], encoding="utf-8")
    layers = prepare_scan(scan_spec(read_layout(folder / "clean.yaml")), cache_dir=tmp_path / "cache").layers
    taken = {name: surface.triangle_count for name, surface in layers.removed.items() if name.startswith("speck")}
    assert taken == {f"speck_{one['number']}": one["faces"] for one in document["pieces"]["specks"]}
    assert len(taken) == 12


# -- the command --


@pytest.fixture
def box_file(tmp_path) -> Path:
    path = tmp_path / "box.ply"
    path.write_bytes(mf.ply_bytes(*box_mesh([0, 0, 0], [4000, 1600, 700])))
    return path


def test_the_command_prints_the_report_and_ends_with_0(box_file, capfd):
    assert cli.run(["scan", str(box_file)]) == 0
    printed = capfd.readouterr()
    assert "mm, a guess: the longest side is 4000" in printed.out
    assert "units: mm" in printed.out
    assert printed.out.splitlines()[-1].startswith("Look at: the unit")


def test_json_is_one_valid_document_and_nothing_else(box_file, capfd):
    assert cli.run(["scan", str(box_file), "--json", "--units", "cm"]) == 0
    printed = capfd.readouterr()
    document = json.loads(printed.out)
    jsonschema.validate(document, intake_schema())
    assert (document["unit"]["used"], document["size"]["box_mm"][1]) == ("cm", [40000.0, 16000.0, 7000.0])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["gone.ply"], "there is no such file"),
        (["gone.yaml"], "gone.yaml"),
        (["."], "is a folder"),
        (["box.ply", "--units", "yard"], "'yard' is not known"),
        (["bare.yaml"], "names no scan"),
        (["bare.yaml", "--units", "mm"], "Leave the option out"),
        (["box.ply", "--pictures", " "], "expected the name of a folder"),
        (["cut.ply"], "cut.ply"),
    ],
)
def test_a_wrong_file_or_option_is_one_error_and_exit_code_2(box_file, monkeypatch, capfd, arguments, words):
    monkeypatch.chdir(box_file.parent)
    Path("bare.yaml").write_text("format: 1\n", encoding="utf-8")
    Path("cut.ply").write_bytes(box_file.read_bytes()[:-40])
    assert cli.run(["scan", *arguments]) == 2
    printed = capfd.readouterr()
    assert printed.out == ""
    complaint = [line for line in printed.err.splitlines() if words in line]
    assert complaint, printed.err
    assert "Traceback" not in printed.err


def test_a_scan_in_one_of_two_units_is_asked_about_and_not_drawn(tmp_path, monkeypatch, capfd):
    monkeypatch.setattr("fitcheck.view.graphics.ready_for_pictures", lambda: None)
    path = tmp_path / "which.ply"
    path.write_bytes(mf.ply_bytes(*box_mesh([0, 0, 0], [265, 110, 50])))
    assert cli.run(["scan", str(path), "--pictures", str(tmp_path / "drawn")]) == 0
    printed = capfd.readouterr().out
    assert "--units in or --units cm" in printed
    assert "no pictures drawn" in " ".join(printed.split())
    assert not (tmp_path / "drawn").exists()


def test_a_scan_with_nothing_to_sample_is_reported_all_the_same(tmp_path, capfd):
    """One triangle: no noise, no mirror plane, no unit that makes it a vehicle but the one that is said."""
    path = tmp_path / "one.ply"
    path.write_bytes(mf.ply_bytes(np.array([[0, 0, 0], [900, 0, 0], [0, 500, 0]], float), [[0, 1, 2]]))
    assert cli.run(["scan", str(path), "--units", "mm", "--json"]) == 0
    document = json.loads(capfd.readouterr().out)
    jsonschema.validate(document, intake_schema())
    assert (document["noise"], document["symmetry"]) == (None, None)
    assert len(document["holes"]) == 1
