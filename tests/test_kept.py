"""Kept answers: the report is that of a cold run, and nothing stale is ever found."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapes

from fitcheck.checks import kept as kept_module
from fitcheck.checks.run import check_scene
from fitcheck.layout import load_scene
from fitcheck.report.json_document import to_document

VEHICLE = """\
format: 1
vehicle: test
scan: {file: scan.ply, units: mm, align: as_scanned}
mechanisms:
  rear_axle:
    solid_axle: {centre: [2620, 0, 384], bump: 80, droop: 90, stops: 400}
parts:
  shaft: {class: shaft, shaft: {from: [1330, 0, 480], to: {on: rear_axle, at: [2390, 60, 404]}, diameter: 63.5}}
rules:
  - {between: [hv_box, shaft], must: 15, want: 25, why: "test"}
"""
LAYOUT = """\
format: 1
title: test
vehicle: vehicle.yaml
parts:
  A1: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}}
  A2: {class: hv_box, box: {x: [1340, 2156], y: [105, 340], z: [471.5, 630]}}
"""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A sheet above two boxes beside a shaft."""
    vertices, faces = shapes.sheet_mesh(2400.0, 30, 3.0, np.random.default_rng(3))
    write_scan(tmp_path / "scan.ply", vertices + [1750.0, 0.0, 660.0], faces)
    (tmp_path / "vehicle.yaml").write_text(VEHICLE, encoding="utf-8")
    (tmp_path / "layout.yaml").write_text(LAYOUT, encoding="utf-8")
    return tmp_path


def write_scan(path: Path, vertices: Any, faces: Any) -> None:
    lines = ["ply", "format ascii 1.0", f"element vertex {len(vertices)}"]
    lines += [f"property double {axis}" for axis in "xyz"]
    lines += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    lines += [" ".join(repr(float(value)) for value in vertex) for vertex in vertices]
    lines += [f"3 {' '.join(str(corner) for corner in face)}" for face in faces]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def check(project: Path, *, fresh: bool = False) -> tuple[str, str]:
    """The report without its timing, and what was said of kept pairs."""
    said: list[str] = []
    scene = load_scene(project / "layout.yaml", cache_dir=project / "cache")
    document = to_document(check_scene(scene, fresh=fresh, progress=said.append))
    document.pop("timing_s")
    return json.dumps(document), next((text for text in said if "kept" in text), "")


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_second_run_keeps_all_and_says_the_same(project: Path) -> None:
    """Byte for byte, timing apart."""
    first, said = check(project)
    assert said == ""
    second, said = check(project)
    assert said == "6 of 6 pairs kept from an earlier check"
    assert second == first
    assert check(project, fresh=True) == (first, "")


EDITS = {
    "a box moved": ("layout.yaml", "y: [105, 340]", "y: [120, 340]", 3),
    "a rule": ("vehicle.yaml", "must: 15", "must: 18", 4),
    "the travel": ("vehicle.yaml", "bump: 80", "bump: 85", 3),
    "the shaft": ("vehicle.yaml", "diameter: 63.5", "diameter: 70", 3),
    "an uncertainty": ("vehicle.yaml", "rules:", "uncertainty: {motion: 3}\nrules:", 3),
}


@pytest.mark.parametrize("name", EDITS)
def test_after_an_edit_only_what_it_touches_is_computed(project: Path, name: str) -> None:
    """And the report is that of a cold run."""
    file, old, new, left = EDITS[name]
    before, _ = check(project)
    edit(project / file, old, new)
    after, said = check(project)
    assert said == f"{left} of 6 pairs kept from an earlier check"
    assert after == check(project, fresh=True)[0]
    assert after != before


def test_another_scan_keeps_nothing(project: Path) -> None:
    """One vertex moved by 1 mm is another scan."""
    check(project)
    vertices, faces = shapes.sheet_mesh(2400.0, 30, 3.0, np.random.default_rng(3))
    vertices = vertices + [1750.0, 0.0, 660.0]
    vertices[5, 2] -= 1.0
    write_scan(project / "scan.ply", vertices, faces)
    after, said = check(project)
    assert said == ""
    assert after == check(project, fresh=True)[0]


@pytest.mark.parametrize("damage", ["", "{", '{"engine": "other", "rows": {}}', "[]", '{"rows": 3}', "null"])
def test_a_damaged_file_of_answers_is_as_good_as_none(project: Path, damage: str) -> None:
    first, _ = check(project)
    (stored,) = (project / "cache").glob(f"*/{kept_module.FILE}")
    stored.write_text(damage, encoding="utf-8")
    assert check(project) == (first, "")


def test_a_damaged_row_is_computed_again(project: Path) -> None:
    first, _ = check(project)
    (stored,) = (project / "cache").glob(f"*/{kept_module.FILE}")
    document = json.loads(stored.read_text(encoding="utf-8"))
    for row in document["rows"].values():
        row["verdict"] = "MAYBE"
    stored.write_text(json.dumps(document), encoding="utf-8")
    assert check(project) == (first, "")


def test_another_engine_keeps_nothing(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of other source code are not found."""
    first, _ = check(project)
    monkeypatch.setattr(kept_module, "_engine", lambda: "another")
    assert check(project) == (first, "")


def test_a_folder_that_cannot_be_written_is_done_without(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError

    monkeypatch.setattr("fitcheck.checks.kept.tempfile.mkstemp", refuse)
    first, _ = check(project)
    assert check(project) == (first, "")


def test_a_fresh_run_leaves_other_layouts_their_answers(project: Path) -> None:
    """Computing one layout anew does not take away what is kept for another on the same scan."""
    check(project)
    (project / "other.yaml").write_text(LAYOUT.replace("y: [105, 340]", "y: [150, 340]"), encoding="utf-8")
    check_scene(load_scene(project / "other.yaml", cache_dir=project / "cache"), fresh=True)
    assert check(project)[1] == "6 of 6 pairs kept from an earlier check"


def test_a_changed_digit_in_a_kept_answer_is_noticed(project: Path) -> None:
    """The file is valid JSON, with one distance changed: none of it is believed."""
    first, _ = check(project)
    (stored,) = (project / "cache").glob(f"*/{kept_module.FILE}")
    document = json.loads(stored.read_text(encoding="utf-8"))
    next(iter(document["rows"].values()))["distance_mm"] = 954.488
    stored.write_text(json.dumps(document), encoding="utf-8")
    assert check(project) == (first, "")
