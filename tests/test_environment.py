"""scripts/_environment.py: what a fresh machine meets first, and scripts/bench.py's generated scene."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[1] / "scripts"


@pytest.fixture
def environment(tmp_path):
    """The module, with its folder moved into the test's own."""
    spec = importlib.util.spec_from_file_location("environment_under_test", SCRIPTS / "_environment.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.ROOT = str(tmp_path)
    module.ENVIRONMENT = str(tmp_path / ".venv")
    for name, file in (("STAMP", "fitcheck-ready"), ("MAKING", "fitcheck-making"), ("LOG", "pip.log")):
        setattr(module, name, str(tmp_path / ".venv" / file))
    for name in ("requirements.txt", "pyproject.toml"):
        (tmp_path / name).write_text("click==8\n", encoding="utf-8")
    return module


def stand_in(module, *, fails: str = ""):
    """Replace the commands that make an environment; ``fails``: what pip prints before it fails."""
    calls = []

    def run_quietly(command, failure):
        calls.append(command)
        if "venv" in command:
            python = Path(module.program("python"))
            python.parent.mkdir(parents=True, exist_ok=True)
            python.touch()
        elif fails:
            raise module.CannotPrepare(module.explain(failure, fails.splitlines()))

    module.run_quietly = run_quietly
    return calls


@pytest.mark.parametrize("version", [(3, 6), (3, 10), (2, 7)])
def test_an_old_python_is_told_so(environment, version):
    with pytest.raises(
        environment.CannotPrepare, match=rf"this is Python {version[0]}\.{version[1]} .* 3\.11 or newer"
    ):
        environment.check_python(version)


def test_a_new_python_is_good(environment):
    environment.check_python((3, 11))
    environment.check_python((3, 14))


def test_it_is_made_once_and_reused_while_nothing_changed(environment, capsys):
    calls = stand_in(environment)
    assert environment.prepare() == environment.program("python")
    assert len(calls) == 3
    environment.prepare()
    assert len(calls) == 3


@pytest.mark.parametrize("file", ["requirements.txt", "pyproject.toml"])
def test_it_is_made_anew_when_what_it_is_made_of_has_changed(environment, tmp_path, file, capsys):
    calls = stand_in(environment)
    environment.prepare()
    (tmp_path / file).write_text("click==9\n", encoding="utf-8")
    environment.prepare()
    assert len(calls) == 6


def test_a_half_made_one_is_made_anew(environment, capsys):
    """As after a kill: the mark is there and the stamp is not."""
    left = Path(environment.ENVIRONMENT) / "lib" / "half"
    left.parent.mkdir(parents=True)
    left.touch()
    Path(environment.MAKING).touch()
    stand_in(environment)
    environment.prepare()
    assert not left.exists()
    assert not Path(environment.MAKING).exists()
    assert environment.is_ready()


def test_somebody_else_s_environment_is_left_alone(environment, capsys):
    mine = Path(environment.ENVIRONMENT) / "pyvenv.cfg"
    mine.parent.mkdir()
    mine.write_text("mine", encoding="utf-8")
    stand_in(environment)
    with pytest.raises(SystemExit) as ended:
        environment.prepare()
    assert ended.value.code == 2
    assert "was not made by this script" in capsys.readouterr().err
    assert mine.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("printed", "said"),
    [
        ("WARNING: Retrying ... NewConnectionError('...')\nERROR: No matching distribution", "cannot be reached"),
        ("ERROR: No matching distribution found for vtk==9", "for Python"),
        ("ERROR: [Errno 28] No space left on device", "No space left on device"),
        ("", "it said nothing"),
    ],
)
def test_a_pip_that_fails_is_one_line_and_exit_code_2(environment, capsys, printed, said):
    stand_in(environment, fails=printed or " ")
    with pytest.raises(SystemExit) as ended:
        environment.prepare()
    assert ended.value.code == 2
    message = capsys.readouterr().err
    assert message.startswith("cannot set up fitcheck: ")
    assert said in message
    assert message.count("\n") == 1
    assert not environment.is_ready()


def test_the_bench_agrees_with_the_peers_on_a_small_scan(tmp_path):
    """One round of every process at 4,000 triangles, to the end; the peers agree with each other too."""
    command = [
        sys.executable,
        str(SCRIPTS / "bench.py"),
        "--sizes",
        "0.004",
        "--repeat",
        "1",
        "--check-only",
        "--keep",
        str(tmp_path),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONUTF8": "1"})
    assert done.returncode == 0, done.stdout + done.stderr
    assert "static distances of 10 parts agree" in done.stdout
    assert all(f"\n  {name} " in done.stdout for name in ("cold", "again", "fcl", "trimesh"))
    answers = []
    for peer in ("fcl", "trimesh"):
        said = subprocess.run(
            [sys.executable, str(SCRIPTS / "_bench" / "peers.py"), peer, str(tmp_path / "0.004M")],
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(json.loads(said.stdout))
    for name, least in answers[0]["static_mm"].items():
        assert answers[1]["static_mm"][name] == pytest.approx(least, abs=1e-9)
    assert answers[1]["shaft_mm"] == pytest.approx(answers[0]["shaft_mm"], abs=1e-9)
