"""watch.py: after every save the answer of a cold check; half-typed files are survived; no edit is lost."""

from __future__ import annotations

import copy
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapes
from mesh_files import ply_bytes
from random_edits import random_edit

from fitcheck.checks.run import check_scene
from fitcheck.errors import InputError
from fitcheck.layout import KnownHashes, load_scene, named_files
from fitcheck.report.json_document import to_document
from fitcheck.study.watch import Answer, Reading, Session, Trouble

VEHICLE: dict[str, Any] = {
    "format": 1,
    "vehicle": "test truck",
    "scan": {"file": "scan.ply", "units": "mm", "align": "as_scanned"},
    "axles": {
        "front": {"at": 0, "track": 1480, "wheel_rate": 40, "tyre": {"radius": 395, "width": 205, "rate": 300}},
        "rear": {
            "at": 2620, "track": 1480, "rating": 1450, "wheel_rate": 48, "mechanism": "rear_axle",
            "tyre": {"radius": 395, "width": 205, "rate": 300},
        },
    },
    "weights": {
        "as_weighed": {"front_left": 402, "front_right": 398, "rear_left": 342, "rear_right": 338},
        "raised": {"axle": "rear", "by": 620, "other_axle_gains": 42},
    },
    "load_states": {"kerb": {}, "laden": {"cargo": {"mass": 300, "cg": [2500, 0, 1000]}}},
    "mechanisms": {
        "rear_axle": {
            "solid_axle": {
                "centre": [2620, 0, 384], "bump": 80, "droop": 90, "stops": 400,
                "carries": {"tube": {"capsule": {"from": [2620, -640, 384], "to": [2620, 640, 384], "diameter": 90}}},
            }
        }
    },
    "parts": {
        "rear_shaft": {"shaft": {"from": [1330, 0, 480], "to": {"on": "rear_axle", "at": [2390, 60, 404]},
                                 "diameter": 63.5, "wall": 2.5}},
    },
    "rules": [{"between": ["hv_box", "shaft"], "must": 15, "want": 25, "why": "it spins"}],
    "targets": {"breakover_deg": {"laden": 30}},
}  # fmt: skip
LAYOUT: dict[str, Any] = {
    "format": 1,
    "title": "test",
    "vehicle": "vehicle.yaml",
    "parts": {
        "A1": {"class": "hv_box", "box": {"x": [1340, 2156], "y": [-340, -105], "z": [471.5, 630]}, "mass": 55.5},
        "A2": {"mirror_of": "A1"},
        "charger": {"class": "lv", "box": {"x": [300, 700], "y": [-200, 100], "z": [700, 800]}, "mass": 21},
        "pump": {"class": "lv", "mesh": {"file": "pump.ply", "units": "mm"}, "mass": 3, "cg": [150, -300, 540]},
    },
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sheet of scanned metal above boxes, a pump of triangles, a shaft to a solid axle; checked once."""
    folder = tmp_path_factory.mktemp("made")
    vertices, faces = shapes.sheet_mesh(2400.0, 24, 3.0, np.random.default_rng(3))
    (folder / "scan.ply").write_bytes(ply_bytes(vertices + [1750.0, 0.0, 660.0], faces, number="double"))
    write_pump(folder, 0.0)
    save(folder / "vehicle.yaml", VEHICLE)
    save(folder / "a.yaml", LAYOUT)
    check_scene(load_scene(folder / "a.yaml", cache_dir=folder / "cache"))
    return folder


@pytest.fixture
def project(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of its own, with what the first check kept; the folder in which the test runs."""
    folder = tmp_path / "project"
    shutil.copytree(made, folder)
    time.sleep(0.06)  # no file is so new that it may be being written
    monkeypatch.chdir(folder)
    return folder


def write_pump(folder: Path, higher_mm: float) -> None:
    vertices, faces = shapes.box_mesh([100.0, -350.0, 500.0], [200.0, -250.0, 580.0])
    (folder / "pump.ply").write_bytes(ply_bytes(np.asarray(vertices) + [0.0, 0.0, higher_mm], faces, number="double"))


def save(path: Path, data: dict[str, Any]) -> None:
    """JSON is YAML."""
    path.write_text(json.dumps(data, indent=1), encoding="utf-8")


def edited(data: dict[str, Any], value: Any, *path: Any) -> dict[str, Any]:
    """A copy with another value at a path."""
    found = copy.deepcopy(data)
    here = found
    for step in path[:-1]:
        here = here[step]
    here[path[-1]] = value
    return found


def open_session(layout: Path, cache: Path, **chosen: Any) -> Session:
    hashes = KnownHashes()
    return Session(
        layout,
        Reading(lambda path, progress: load_scene(path, cache_dir=cache, hashes=hashes), named_files),
        **chosen,
    )


@pytest.fixture
def session(project: Path) -> Iterator[Session]:
    with open_session(Path("a.yaml"), project / "cache") as opened:
        assert isinstance(opened.recheck(), Answer)
        yield opened


def document(result: Any) -> dict[str, Any]:
    found = to_document(result)
    del found["timing_s"]
    return found


def cold(layout: Path, cache: Path) -> dict[str, Any] | str:
    """What a check says that keeps nothing; the words of the error where it cannot."""
    try:
        return document(check_scene(load_scene(layout, cache_dir=cache), fresh=True))
    except InputError as problem:
        return str(problem)


def after_save(session: Session) -> Answer | Trouble:
    """The answer to an edit that has to be noticed."""
    assert session.wait(10.0)
    return session.recheck()


def said(found: Answer | Trouble) -> dict[str, Any] | str:
    return document(found.result) if isinstance(found, Answer) else found.words


# -- one edit --


def test_the_first_answer_has_no_changes_and_the_next_has_those_of_the_edit(project, session):
    assert session.last.changes is None
    assert not session.touched()
    save(project / "a.yaml", edited(LAYOUT, [300, 710], "parts", "charger", "box", "x"))
    answer = after_save(session)
    assert [(part.name, part.moved_mm, part.grown_mm) for part in answer.changes.parts] == [
        ("charger", (5.0, 0.0, 0.0), (10.0, 0.0, 0.0))
    ]
    assert answer.changes.files == ("a.yaml",)
    assert session.last is answer
    while session.touched():
        assert session.recheck().again


def test_only_what_the_edit_touches_is_computed(project, session):
    """Of the pairs of a moved box with everything, and no others; of a rule, none of those that move."""
    told: list[str] = []
    save(project / "a.yaml", edited(LAYOUT, [-200, 105], "parts", "charger", "box", "y"))
    assert session.wait(10.0)
    session.recheck(told.append)
    pairs = len(session.last.result.clearances)
    touched = sum("charger" in row.between for row in session.last.result.clearances)
    assert f"{pairs - touched} of {pairs} pairs kept from an earlier check" in told


def test_a_rule_is_judged_anew_without_a_search(project, session, monkeypatch):
    before = session.last.result
    save(project / "vehicle.yaml", edited(VEHICLE, {**VEHICLE["rules"][0], "must": 90, "want": 95}, "rules", 0))
    with monkeypatch.context() as patch:
        patch.setattr("fitcheck.checks.crew.check_moving", None)
        answer = after_save(session)
    assert answer.result.counts != before.counts
    assert document(answer.result) == cold(Path("a.yaml"), project / "other")


def test_lines_that_shift_in_the_vehicle_file_cost_no_search(project, session, monkeypatch):
    """A rule's words name its line, and nothing else is new: overlaps and their moves are as they were."""
    text = (project / "vehicle.yaml").read_text(encoding="utf-8")
    (project / "vehicle.yaml").write_text("# one\n# two\n" + text, encoding="utf-8")
    with monkeypatch.context() as patch:
        patch.setattr("fitcheck.checks.crew.check_moving", None)
        patch.setattr("fitcheck.checks.run.check_still", None)
        answer = after_save(session)
    assert document(answer.result) == cold(Path("a.yaml"), project / "other")
    assert answer.changes.nothing


def test_whatever_a_rule_demands_the_answer_is_that_of_a_cold_check(project, session):
    """Also of pairs that overlap, of a part far from the scan, and of a pair with a declared place."""
    parts = {
        **LAYOUT["parts"],
        "far": {"class": "lv", "box": {"x": [-2000, -1900], "y": [0, 100], "z": [600, 700]}},
        "deep": {"class": "lv", "box": {"x": [1400, 1500], "y": [-300, -200], "z": [600, 700]}},
    }
    at = {"sphere": {"centre": [1450, -250, 620], "diameter": 100}}
    layout = {**LAYOUT, "parts": parts, "contacts": [{"between": ["A1", "deep"], "at": at, "why": "tried"}]}
    save(project / "a.yaml", layout)
    after_save(session)
    for must, between in ((0.0, ["any", "any"]), (17.0, ["lv", "any"]), (300.0, ["any", "any"])):
        save(project / "a.yaml", {**layout, "rules": [{"between": between, "must": must, "why": "tried"}]})
        found = after_save(session)
        assert document(found.result) == cold(Path("a.yaml"), project / "other")
        contacts = {row.contact for row in found.result.clearances}
        assert {"apart", "overlap"} <= contacts
        assert any("no scanned metal within" in row.reason for row in found.result.clearances) or must > 200.0


def test_a_mesh_and_the_vehicle_file_count_as_well(project, session):
    write_pump(project, 12.0)
    changes = after_save(session).changes
    assert changes.files == ("pump.ply",)
    assert [part.name for part in changes.parts] == ["pump"]
    assert changes.parts[0].moved_mm == pytest.approx((0.0, 0.0, 12.0))
    save(project / "vehicle.yaml", edited(VEHICLE, 70, "mechanisms", "rear_axle", "solid_axle", "bump"))
    changes = after_save(session).changes
    assert changes.files == ("vehicle.yaml",)
    assert any(change.name.startswith("bump_left") for change in changes.figures)


def test_another_scan_of_the_same_name_is_seen(project, session):
    """One vertex 300 mm lower, the file's size the same, and its time put back."""
    file = project / "scan.ply"
    before = file.stat()
    vertices, faces = shapes.sheet_mesh(2400.0, 24, 3.0, np.random.default_rng(3))
    vertices = vertices + [1750.0, 0.0, 660.0]
    vertices[np.abs(vertices[:, :2] - [500.0, 0.0]).sum(axis=1).argmin(), 2] -= 300.0
    file.write_bytes(ply_bytes(vertices, faces, number="double"))
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert file.stat().st_size == before.st_size
    answer = after_save(session)
    assert answer.changes.files == ("scan.ply",)
    assert document(answer.result) == cold(Path("a.yaml"), project / "other")


def test_a_save_by_rename_is_noticed(project, session):
    new = project / "a.yaml~"
    save(new, edited(LAYOUT, 58, "parts", "charger", "mass"))
    os.replace(new, project / "a.yaml")
    assert after_save(session).result.parts[-2].mass_kg == 58
    assert [part.mass_kg for part in session.last.result.parts if part.name == "charger"] == [58]


def test_a_layout_behind_a_link_is_watched_where_it_is(project):
    (project / "real").mkdir()
    save(project / "real" / "b.yaml", LAYOUT)
    try:
        (project / "link.yaml").symlink_to(project / "real" / "b.yaml")
    except OSError:
        return  # a system that grants no links has none to watch
    with open_session(Path("link.yaml"), project / "cache") as session:
        session.recheck()
        save(project / "real" / "b.yaml", edited(LAYOUT, 33, "parts", "charger", "mass"))
        assert [part.mass_kg for part in after_save(session).result.parts if part.name == "charger"] == [33]


# -- trouble --


def test_a_half_typed_file_is_trouble_in_the_words_of_check_and_the_last_answer_stays(project, session):
    good = session.last
    text = (project / "a.yaml").read_text(encoding="utf-8")
    (project / "a.yaml").write_text(text[: len(text) // 2], encoding="utf-8")
    trouble = after_save(session)
    assert isinstance(trouble, Trouble)
    assert trouble.words == cold(Path("a.yaml"), project / "other")
    assert trouble.words.startswith("a.yaml:")
    assert session.last is good
    save(project / "a.yaml", edited(LAYOUT, 25, "parts", "charger", "mass"))
    answer = after_save(session)
    assert [part.name for part in answer.changes.parts] == ["charger"]


@pytest.mark.parametrize("name", ["a.yaml", "vehicle.yaml", "pump.ply", "scan.ply"])
def test_a_file_that_is_gone_for_a_moment_is_waited_for(project, session, name):
    kept = (project / name).read_bytes()
    (project / name).unlink()
    trouble = after_save(session)
    assert isinstance(trouble, Trouble)
    assert name in trouble.words
    (project / name).write_bytes(kept)
    answer = after_save(session)
    assert answer.changes.nothing
    assert not answer.again


def test_a_file_that_is_not_there_yet_is_waited_for_where_it_is_named(project, session):
    """Also in a folder that is not there yet."""
    save(project / "a.yaml", edited(LAYOUT, "meshes/new.ply", "parts", "pump", "mesh", "file"))
    assert isinstance(after_save(session), Trouble)
    (project / "meshes").mkdir()
    os.replace(project / "pump.ply", project / "meshes" / "new.ply")
    deadline = time.monotonic() + 10.0
    answer = after_save(session)
    while isinstance(answer, Trouble) and time.monotonic() < deadline:
        answer = after_save(session)
    assert answer.changes.nothing
    assert Path("meshes/new.ply").as_posix() in answer.result.inputs


def test_a_part_that_was_asked_for_and_went_is_trouble(project):
    with open_session(Path("a.yaml"), project / "cache", only=("charger",)) as session:
        first = session.recheck()
        assert all("charger" in row.between for row in first.result.clearances)
        parts = {name: part for name, part in LAYOUT["parts"].items() if name != "charger"}
        save(project / "a.yaml", edited(LAYOUT, parts, "parts"))
        assert "charger" in after_save(session).words


# -- noticing --


def test_the_same_text_saved_again_changes_nothing(project, session):
    save(project / "a.yaml", LAYOUT)
    answer = after_save(session)
    assert answer.changes.nothing
    assert answer.changes.files == ()


def test_a_check_that_nobody_asked_for_says_that_it_is_the_same_again(session):
    assert session.recheck().again


def test_an_edit_during_a_check_asks_for_another(project, session, monkeypatch):
    """Saved after the file was read, and long before the answer."""
    from fitcheck.study import watch

    def slow(scene, kept, **options):
        save(project / "a.yaml", edited(LAYOUT, 44, "parts", "charger", "mass"))
        return real(scene, kept, **options)

    real = watch.check_with
    with monkeypatch.context() as patch:
        patch.setattr(watch, "check_with", slow)
        session.recheck()
    assert session.touched() or session.wait(5.0)
    assert [part.mass_kg for part in session.recheck().result.parts if part.name == "charger"] == [44]


def test_without_events_the_stamps_are_enough(project, session):
    """As in a shared folder of which the system tells nothing."""
    session._ears.close()
    time.sleep(0.1)
    session._ears.heard.clear()
    save(project / "a.yaml", edited(LAYOUT, 26, "parts", "charger", "mass"))
    began = time.monotonic()
    assert session.wait(10.0)
    assert time.monotonic() - began < 5.0


def test_waiting_ends_when_the_time_is_over(session):
    assert not session.wait(0.05)


def test_what_a_session_computed_is_there_for_the_next(project, session):
    save(project / "a.yaml", edited(LAYOUT, [-200, 108], "parts", "charger", "box", "y"))
    after_save(session)
    session.close()
    told: list[str] = []
    check_scene(load_scene(Path("a.yaml"), cache_dir=project / "cache"), progress=told.append)
    pairs = len(session.last.result.clearances)
    assert f"{pairs} of {pairs} pairs kept from an earlier check" in told


# -- many edits --


def test_after_a_dozen_random_edits_each_answer_is_that_of_a_cold_check(project, session):
    """With files cut off and mistakes in between. scripts/campaign_watch.py does the same by the hundred."""
    rng = random.Random(20260101)
    layout, vehicle = LAYOUT, VEHICLE
    done, answered = [], 0
    for trial in range(12):
        if trial % 4 == 3:
            (project / "a.yaml").write_text(json.dumps(layout)[: rng.randrange(1, 400)], encoding="utf-8")
            assert said(after_save(session)) == cold(Path("a.yaml"), project / "other")
        name, layout, vehicle = random_edit(rng, layout, vehicle)
        done.append(name)
        save(project / "vehicle.yaml", vehicle)
        save(project / "a.yaml", {**layout, "title": f"trial {trial}"})
        found = after_save(session)
        while session.wait(0.1):
            found = session.recheck()
        assert said(found) == cold(Path("a.yaml"), project / "other"), done
        answered += isinstance(found, Answer)
    assert answered >= 8
    assert len(set(done)) >= 6


# -- the command --


@contextmanager
def started(project: Path, layout: str, *, code: str = "", **options: Any) -> Iterator[subprocess.Popen[str]]:
    """``fitcheck watch`` as a process, ``code`` run before it; it ends with the test, or after a minute."""
    program = f"import sys\nfrom fitcheck import cli\n{code}\nsys.exit(cli.run())"
    command = [sys.executable, "-c", program, "watch", layout, "--cache-dir", str(project / "cache")]
    with subprocess.Popen(command, cwd=project, text=True, encoding="utf-8", stderr=subprocess.PIPE, **options) as run:
        limit = threading.Timer(60.0, run.kill)
        limit.start()
        try:
            yield run
        finally:
            limit.cancel()
            run.kill()


def lines_until(stream: Any, end: str) -> list[str]:
    """Lines read until one holds ``end``."""
    found = [stream.readline()]
    while end not in found[-1]:
        assert found[-1], f"{end!r} did not come: {''.join(found)}"
        found.append(stream.readline())
    return found


if os.name == "posix":  # Ctrl-C and terminals are driven in the POSIX way

    def test_through_a_pipe_the_command_prints_the_table_then_the_changes_and_ends_with_the_last_verdict(project):
        with started(project, "a.yaml", stdout=subprocess.PIPE) as process:
            table = lines_until(process.stdout, "Ctrl-C ends")
            assert any(line.startswith("CLEARANCES") for line in table)
            (project / "a.yaml").write_text("{", encoding="utf-8")
            error = lines_until(process.stderr, "1 mistake")
            assert any("a.yaml:1:" in line for line in error)
            save(project / "a.yaml", edited(LAYOUT, [-340, -10], "parts", "A1", "box", "y"))
            change = lines_until(process.stdout, "FAIL: clearances")
            assert any("A1 – rear_shaft" in line and "→ FAIL" in line for line in change)
            assert any("moved: A1 y +47.5 mm; A2 y -47.5 mm" in line for line in change)
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 1
            assert process.stdout.read() == ""

    def test_in_a_terminal_a_save_is_answered_and_ctrl_c_ends_it(project):
        """Under a real pseudo-terminal, Ctrl-C as the key; a wrong file at the end is exit code 2."""
        import pty

        near, far = pty.openpty()
        with started(project, "a.yaml", stdout=far, stdin=far, start_new_session=True) as process:
            os.close(far)
            seen = _read_until(near, "Ctrl-C ends")
            assert "CLEARANCES" in seen
            save(project / "a.yaml", edited(LAYOUT, 60, "parts", "charger", "mass"))
            assert "mass: charger 21 → 60 kg" in _read_until(near, "clearances")
            (project / "a.yaml").write_text("parts: [", encoding="utf-8")
            lines_until(process.stderr, "mistake")
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 2
        os.close(near)

    def test_a_ctrl_c_that_python_swallows_ends_it_all_the_same(project):
        """As one does that falls into a weak reference's callback: it is raised there, and goes no further."""
        swallowed = """
import gc, os, signal, time
def collect():
    try:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(1.0)
    except KeyboardInterrupt:
        return
gc.collect = collect
"""
        with started(project, "a.yaml", code=swallowed, stdout=subprocess.PIPE) as process:
            assert lines_until(process.stdout, "Ctrl-C ends")
            assert process.wait(30) in (0, 1, 3)

    def _read_until(terminal: int, end: str) -> str:
        seen = b""
        while end not in seen.decode("utf-8", "replace"):
            seen += os.read(terminal, 4096)  # an OSError when the process is gone
        return seen.decode("utf-8")

    def test_a_reader_that_leaves_ends_the_watch_with_the_verdict_s_code(project):
        """Without another save, and without a word."""
        with started(project, "a.yaml", stdout=subprocess.PIPE) as process:
            lines_until(process.stdout, "Ctrl-C ends")
            process.stdout.close()
            code = process.wait(30)
            assert code in (0, 1, 3)
            assert "Traceback" not in process.stderr.read()


def test_a_layout_that_is_not_there_is_not_waited_for(project):
    with started(project, "b.yaml", stdout=subprocess.PIPE) as process:
        out, err = process.communicate(timeout=60)
        assert (process.returncode, out) == (2, "")
        assert "b.yaml: no such file" in err
