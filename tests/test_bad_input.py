"""Bad input, from the command line: a message that says where and what to do, exit code 2, nothing else.

A cache that is damaged, contended or cannot be written is no bad input: the report is that of a run without one.
"""

from __future__ import annotations

import json
import os
import re
import struct
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
import shapes
from test_align import PLACES
from test_kept import edit, write_scan

from fitcheck import cli

PARTS = """\
format: 1
title: test
vehicle: vehicle.yaml
parts:
  A1: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 600]}}
  W: {class: structure, mesh: {file: part.stl, units: mm}}
"""
BOX = shapes.box_mesh([1300, 500, 400], [1500, 600, 500])
TARGETS = "".join(f"      {name}: {{scan: {list(p)}, vehicle: {list(p)}}}\n" for name, p in PLACES.items())
VEHICLE = f"""\
format: 1
vehicle: test
scan:
  file: scan.ply
  units: mm
  scale_bars: [{{between: [T1, T3], length: 3500}}]
  align:
    targets:
{TARGETS}"""

Spoil = Callable[[Path], Any]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A sheet scanned from below, with targets and a scale bar, over a box and a mesh part."""
    vertices, faces = shapes.sheet_mesh(2400.0, 20, 3.0, np.random.default_rng(3))
    write_scan(tmp_path / "scan.ply", vertices + [1750.0, 0.0, 660.0], faces[:, ::-1])
    mf.save(tmp_path, "part.stl", mf.stl_bytes(*BOX))
    (tmp_path / "vehicle.yaml").write_text(VEHICLE, encoding="utf-8")
    (tmp_path / "layout.yaml").write_text(PARTS, encoding="utf-8")
    return tmp_path


def arguments(project: Path, cache: str = "cache") -> list[str]:
    return ["check", str(project / "layout.yaml"), "--json", "--cache-dir", str(project / cache)]


def part(data: bytes, name: str = "part.stl") -> Spoil:
    """The part's mesh file is this instead."""

    def spoil(folder: Path) -> None:
        mf.save(folder, name, data)
        edit(folder / "layout.yaml", "part.stl", name)

    return spoil


def scan(data: bytes) -> Spoil:
    return lambda folder: mf.save(folder, "scan.ply", data)


def layout(old: str, new: str) -> Spoil:
    return lambda folder: edit(folder / "layout.yaml", old, new)


def vehicle(old: str, new: str) -> Spoil:
    return lambda folder: edit(folder / "vehicle.yaml", old, new)


def swapped(folder: Path) -> None:
    """Left and right targets of each pair change places on the tape."""
    text = (folder / "vehicle.yaml").read_text(encoding="utf-8")
    mirrored = re.sub(r"vehicle: \[(-?\d+), (-?\d+),", lambda m: f"vehicle: [{m[1]}, {-int(m[2])},", text)
    (folder / "vehicle.yaml").write_text(mirrored, encoding="utf-8")


def targets_in_metres(folder: Path) -> None:
    """The places that the scanner gave are in metres, as its file would be."""
    text = (folder / "vehicle.yaml").read_text(encoding="utf-8")
    in_metres = re.sub(r"scan: \[(.*?)\]", lambda m: f"scan: {[float(c) / 1000 for c in m[1].split(',')]}", text)
    (folder / "vehicle.yaml").write_text(in_metres, encoding="utf-8")


def not_finite(value: float) -> bytes:
    """A PLY whose vertex 3 has this for its y."""
    vertices = BOX[0].copy()
    vertices[3, 1] = value
    return mf.ply_bytes(vertices, BOX[1])


def giant_stl() -> bytes:
    """84 bytes that promise 21.5 million triangles, which is 1 GB."""
    return b"made by a test".ljust(80) + struct.pack("<I", 21_474_836)


PLY, STL = mf.ply_bytes(*BOX), mf.stl_bytes(*BOX)
FACELESS = mf.ply_bytes(BOX[0], BOX[1][:0])
GIANT = mf.ply_header(89_478_485, 1) + b"\0" * 99
CYCLE = """\
  C1: {class: lv, box: {size: [9, 9, 9]}, place: {on: C2, face: rear}}
  C2: {class: lv, box: {size: [9, 9, 9]}, place: {on: C1, face: rear}}
  W:"""
BESIDE = "files are found relative to the file that names them"
CUT_SHORT = "cut short or damaged: export or copy it again"

# What is done to the project → the place, what was found, what to do, as the message must hold them.
MISTAKES: dict[str, tuple[Spoil, tuple[str, ...]]] = {
    # files
    "missing layout": (lambda f: (f / "layout.yaml").unlink(), ("layout.yaml", "no such file")),
    "missing vehicle": (lambda f: (f / "vehicle.yaml").unlink(), ("layout.yaml:3:10:", "vehicle.yaml", BESIDE)),
    "missing scan": (lambda f: (f / "scan.ply").unlink(), ("vehicle.yaml:4:9:", "scan.ply is not there", BESIDE)),
    "missing part": (lambda f: (f / "part.stl").unlink(), ("layout.yaml:6:38:", "part.stl is not there", BESIDE)),
    "empty layout": (lambda f: (f / "layout.yaml").write_text(""), ("layout.yaml:1:1:", "empty", "'format: 1'")),
    # meshes
    "empty part": (part(b""), ("layout.yaml:6", "part.stl", "empty", "Export it again")),
    "empty scan": (scan(b""), ("scan.ply", "empty", "Export it again")),
    "truncated PLY": (part(PLY[:-20], "part.ply"), ("layout.yaml:6", "part.ply", "232 bytes follow", CUT_SHORT)),
    "truncated STL": (part(STL[:-20]), ("layout.yaml:6", "part.stl", "12 triangles", "664 bytes", CUT_SHORT)),
    "truncated scan": (scan(PLY[:-20]), ("scan.ply", "232 bytes follow", CUT_SHORT)),
    "truncated in the header": (part(PLY[:60], "part.ply"), ("layout.yaml:6", "part.ply", "end_header", CUT_SHORT)),
    "NaN": (part(not_finite(np.nan), "part.ply"), ("layout.yaml:6", "part.ply", "1 of 8 vertices", "Repair the mesh")),
    "infinity": (part(not_finite(np.inf), "part.ply"), ("layout.yaml:6", "part.ply", "vertex 3", "Repair the mesh")),
    "NaN in the scan": (scan(not_finite(np.nan)), ("scan.ply", "1 of 8 vertices", "Repair the mesh")),
    "all zero": (part(mf.stl_bytes(BOX[0] * 0.0, BOX[1])), ("layout.yaml:6", "part.stl", "at 0, 0, 0", "Export it")),
    "all-zero scan": (scan(mf.ply_bytes(BOX[0] * 0.0, BOX[1])), ("scan.ply", "at 0, 0, 0", "Export it")),
    "faceless": (part(FACELESS, "part.ply"), ("layout.yaml:6", "part.ply", "no faces", "Make a surface mesh")),
    "faceless STL": (part(mf.stl_bytes(BOX[0], BOX[1][:0])), ("layout.yaml:6", "part.stl", "0 faces", "Export it")),
    "points only": (part(mf.obj_text(BOX[0], []), "part.obj"), ("layout.yaml:6", "8 points and no faces")),
    "a cloud of eight points": (scan(FACELESS), ("scan.ply", "0.2 m long", "Correct the scan's unit")),
    "STL with less than it says": (
        part(mf.stl_bytes(*BOX, count=13)),
        ("part.stl", "13 tri", "room for 12", CUT_SHORT),
    ),
    "STL with more than it says": (
        part(mf.stl_bytes(*BOX, count=11)),
        ("part.stl", "11 tri", "room for 12", CUT_SHORT),
    ),
    "STL header of 1 GB": (part(giant_stl()), ("layout.yaml:6", "part.stl", "21474836", CUT_SHORT)),
    "PLY header of 1 GB": (part(GIANT, "part.ply"), ("layout.yaml:6", "part.ply", "89478485", CUT_SHORT)),
    "scan header of 1 GB": (scan(mf.ply_header(8, 82_595_524) + b"\0" * 999), ("scan.ply", "82595524", CUT_SHORT)),
    # layouts
    "unknown key": (layout("class: hv_box", "clas: hv_box"), ("layout.yaml:5:8:", "'clas'", "did you mean 'class'?")),
    "unknown key of the vehicle": (vehicle("units: mm", "unit: mm"), ("vehicle.yaml:5:3:", "did you mean 'units'?")),
    "duplicate key": (layout("  W:", "  A1:"), ("layout.yaml:6:3:", "'A1' is there twice", "line 5", "keep one")),
    "cycle in on": (layout("  W:", CYCLE), ("layout.yaml:6:55:", "C1 → C2 → C1", "place one of them by coordinates")),
    "unknown class": (layout("hv_box", "hv_bx"), ("layout.yaml:5:15:", "'hv_bx'", "did you mean 'hv_box'?")),
    "unknown part": (layout("  A1:", "  A2: {mirror_of: A3}\n  A1:"), ("layout.yaml:5:19:", "'A3'", "valid here: A1")),
    "not a number": (layout("471.5", ".nan"), ("layout.yaml:5:67:", "'.nan'", "leave the key out")),
    "an infinity": (layout("471.5", "-.inf"), ("layout.yaml:5:67:", "'-.inf'", "leave the key out")),
    "wrong unit of a value": (layout("471.5", "471.5 lb"), ("layout.yaml:5:67:", "(mm, cm, m, in, ft)", "'471.5 lb'")),
    "unknown unit": (vehicle("units: mm", "units: mn"), ("vehicle.yaml:5:10:", "mm, cm, m, in, ft", "did you mean 'm")),
    "no YAML": (layout("parts:", "parts: ["), ("layout.yaml:4:8:", "']'", "missing?")),
    # size and alignment
    "mm read as metres": (
        vehicle("units: mm", "units: m"),
        ("vehicle.yaml:6:", "1000 times too long", "looks like mm read as metres", "Write unit mm"),
    ),
    "metres read as mm": (
        targets_in_metres,
        ("vehicle.yaml:6:", "1000 times too short", "looks like metres read as mm", "Write unit m,"),
    ),
    "mm read as inches": (
        vehicle("units: mm", "units: in"),
        ("vehicle.yaml:6:", "25.4 times too long", "looks like mm read as inches", "Write unit mm"),
    ),
    "scale bar 25.4 off": (
        vehicle("3500", "88900"),
        ("vehicle.yaml:6:", "25.4 times too short", "looks like inches read as mm", "Write unit in"),
    ),
    "scale bar 1000 off": (vehicle("3500", "3500000"), ("vehicle.yaml:6:44:", "3500000 is too large", "unit right?")),
    "scale bar 0.51 % off": (vehicle("3500", "3482.2"), ("vehicle.yaml:6:", "T1 to T3", "+0.51 %", "Check both marks")),
    "scale bar 0.51 % short": (vehicle("3500", "3518"), ("vehicle.yaml:6:", "T1 to T3", "-0.51 %", "Check both marks")),
    "targets swapped left and right": (
        swapped,
        ("vehicle.yaml:9:", "only as a mirror image", "left and right are swapped", "Correct the taped y"),
    ),
    "a mistyped target": (
        vehicle("vehicle: [3450, ", "vehicle: [3540, "),
        ("vehicle.yaml:13:", "T5 is off by 90.0 mm in x", "Tape it again"),
    ),
}


def test_unspoilt_the_project_is_judged(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """So each refusal below is of what was done to it."""
    assert cli.run(arguments(project)) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "PASS"


@pytest.mark.parametrize("name", MISTAKES)
@pytest.mark.parametrize("warm", [False, True], ids=["cold", "after a good run"])
def test_bad_input_is_answered_with_a_place_and_exit_code_2(
    project: Path, capsys: pytest.CaptureFixture[str], name: str, warm: bool
) -> None:
    """Message on standard error, nothing on standard output, no traceback, no kept scan to hide behind."""
    spoil, words = MISTAKES[name]
    if warm:
        assert cli.run(arguments(project)) == 0
    spoil(project)
    capsys.readouterr()
    code = cli.run(arguments(project))
    printed = capsys.readouterr()
    assert code == 2, printed.err
    assert printed.out == ""
    assert "Traceback" not in printed.err
    assert printed.err.startswith("fitcheck: ")
    missing = [word for word in words if word not in printed.err]
    assert not missing, printed.err
    assert not list(project.glob("**/.new-*")), "nothing half-written is left"


@pytest.mark.parametrize(("bar", "code"), [("3483.2", 0), ("3517", 0), ("3482.2", 2), ("3518", 2)])
def test_a_scale_bar_may_be_off_by_less_than_half_a_percent(
    project: Path, capsys: pytest.CaptureFixture[str], bar: str, code: int
) -> None:
    edit(project / "vehicle.yaml", "3500", bar)
    assert cli.run(arguments(project)) == code


# --- the cache --------------------------------------------------------------------------------------------------------


def judged(
    project: Path, capsys: pytest.CaptureFixture[str], cache: str = "cache", *options: str
) -> tuple[int, dict[str, Any], str]:
    """Exit code, the report without what a cache may change (times and its notes), and standard error."""
    capsys.readouterr()
    code = cli.run([*arguments(project, cache), *options])
    printed = capsys.readouterr()
    assert "Traceback" not in printed.err
    return code, plain(printed.out), printed.err


def plain(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    document.pop("timing_s")
    for key in ("notes", "warnings"):
        document[key] = [line for line in document[key] if "cache" not in line]
    return document


def test_a_cache_folder_that_cannot_be_written_changes_no_answer(
    project: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file stands where the folder should be, or where its parent should be: it is done without, and said."""
    expected = judged(project, capsys)[:2]
    (project / "taken").write_text("a file", encoding="utf-8")
    for cache in ("taken", "taken/below"):
        for _ in range(2):
            assert judged(project, capsys, cache)[:2] == expected
        cli.run(arguments(project, cache))
        document = json.loads(capsys.readouterr().out)
        said = [line for line in (*document["notes"], *document["warnings"]) if "cache" in line]
        assert any("taken" in line and "prepared each time" in line for line in said)
    assert (project / "taken").read_text(encoding="utf-8") == "a file"


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[-1] ^= 0xFF
    path.write_bytes(data)


def _scramble(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + data[: len(data) // 2 - 1 : -1])


def _empty(path: Path) -> None:
    path.write_bytes(b"")


DAMAGES = {"cut": _cut, "flipped": _flip, "scrambled": _scramble, "empty": _empty, "gone": Path.unlink}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_cache_changes_no_answer(project: Path, capsys: pytest.CaptureFixture[str], damage: str) -> None:
    """Each file of the entry in turn, and then all of them, with the answers kept and with all computed anew."""
    expected = judged(project, capsys)[:2]
    names = [path.relative_to(project) for path in (project / "cache").rglob("*") if path.is_file()]
    assert len(names) > 3
    for options in ((), ("--fresh",)):
        for hurt in [[name] for name in names] + [names]:
            for name in hurt:
                assert (project / name).is_file(), "the run before has mended the entry"
                DAMAGES[damage](project / name)
            assert judged(project, capsys, "cache", *options)[:2] == expected, hurt


RUN = """
    import os, signal, sys, time
    from pathlib import Path
    def die(*args, **kwargs):
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    from fitcheck import cli
    from fitcheck.scan import cache
    from fitcheck.checks import kept
    {extra}
    sys.exit(cli.run(sys.argv[1:]))
"""


def start(project: Path, extra: str = "") -> subprocess.Popen[str]:
    code = textwrap.dedent(RUN).replace("{extra}", extra)
    command = [sys.executable, "-c", code, *arguments(project)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


MEET = """
write = cache._write
def together(*args, **kwargs):
    write(*args, **kwargs)
    Path({mine!r}).touch()
    until = time.monotonic() + 20
    while not Path({other!r}).exists() and time.monotonic() < until: time.sleep(0.005)
cache._write = together
"""


def test_two_runs_at_once_on_one_cache_agree(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both have written their entry before either renames it: each gives the answer, and one whole entry is left."""
    expected = judged(project, capsys, "undisturbed")[:2]
    marks = [str(project / "first"), str(project / "second")]
    runs = [start(project, MEET.format(mine=mine, other=other)) for mine, other in (marks, marks[::-1])]
    for run in runs:
        out, err = run.communicate(timeout=60)
        assert all(line.startswith("fitcheck: ") for line in err.splitlines()), err  # what goes on, where it is slow
        assert (run.returncode, plain(out)) == expected
    assert all(Path(mark).exists() for mark in marks), "they did meet"
    assert len(list((project / "cache").iterdir())) == 1
    assert judged(project, capsys)[:2] == expected


KILLS = {
    "before the first array": "cache.np.save = die",
    "in the middle of the arrays": (
        "save, names = cache.np.save, []\n"
        "def half(path, array, **k):\n"
        "    names.append(path)\n"
        "    save(path, array, **k)\n"
        "    if len(names) == 3: os.truncate(path, 100); die()\n"
        "cache.np.save = half"
    ),
    "before the renaming": "cache._rename = die",
    "after the renaming": "cache._tidy = die",
    "while the answers are kept": (
        "replace = os.replace\n"
        "def last(old, new):\n"
        "    die() if str(new).endswith(kept.FILE) else replace(old, new)\n"
        "os.replace = last"
    ),
}


@pytest.mark.parametrize("moment", KILLS)
def test_a_run_killed_while_it_writes_the_cache_spoils_no_later_answer(
    project: Path, capsys: pytest.CaptureFixture[str], moment: str
) -> None:
    """SIGKILL at a known moment: nothing on standard output, and the next run says what an undisturbed one says."""
    run = start(project, KILLS[moment])
    out, _ = run.communicate(timeout=60)
    assert run.returncode not in (0, 1, 2, 3, 70)
    assert out == ""
    assert any((project / "cache").iterdir()), "it was killed while it wrote"
    expected = judged(project, capsys, "undisturbed")[:2]
    assert judged(project, capsys)[:2] == expected
    assert judged(project, capsys)[:2] == expected
