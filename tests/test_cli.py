"""cli.py: what is printed where, and which exit code a command ends with.

The rooms behind the command line are replaced by stand-ins here; what they find in
real files is the matter of their own tests.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import pytest
from example_results import clearance, example_result

import fitcheck
from fitcheck import cli
from fitcheck.errors import InternalError, LayoutError, Mistake, Place
from fitcheck.report.schema import result_schema
from fitcheck.result import Coverage, Result, Verdict

HERE = Path(__file__).parent


def answer(*verdicts: Verdict) -> Result:
    return Result("t", "t.yaml", tuple(clearance(("A1", "scan"), verdict) for verdict in verdicts), Coverage(()))


@pytest.fixture
def rooms(monkeypatch):
    """Stand-ins for reading and checking; ``rooms.asked`` holds what the command line asked of them."""
    rooms = SimpleNamespace(asked={}, result=example_result(), error=None)

    def load_scene(path, *, cache_dir=None, progress=None):
        rooms.asked.update(path=path, cache_dir=cache_dir, progress=progress)
        if rooms.error is not None:
            raise rooms.error
        return "scene"

    def check_scene(scene, **options):
        rooms.asked.update(options)
        return rooms.result

    monkeypatch.setattr("fitcheck.layout.load_scene", load_scene)
    monkeypatch.setattr("fitcheck.checks.run.check_scene", check_scene)
    return rooms


# -- check --


@pytest.mark.parametrize(
    ("verdicts", "code"),
    [
        ((Verdict.PASS,), 0),
        ((Verdict.PASS, Verdict.FAIL, Verdict.NOT_PROVEN), 1),
        ((Verdict.PASS, Verdict.NOT_PROVEN), 3),
        ((), 3),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_the_exit_code_is_the_verdict(rooms, capsys, verdicts, code, form):
    rooms.result = answer(*verdicts)
    assert cli.run(["check", "t.yaml", *form]) == code


def test_json_is_one_valid_document_and_nothing_else(rooms, capfd):
    assert cli.run(["check", "t.yaml", "--json"]) == 1
    printed = capfd.readouterr()
    jsonschema.validate(json.loads(printed.out), result_schema())
    assert printed.err == ""


def test_the_table_ends_with_the_overall_verdict(rooms, capfd):
    cli.run(["check", "t.yaml"])
    assert capfd.readouterr().out.splitlines()[-1].startswith("FAIL: clearances")


def test_options_reach_the_rooms(rooms, capsys):
    arguments = ["--load-state", "kerb", "--load-state", "laden", "--only", "A2", "--cache-dir", "c"]
    cli.run(["check", "t.yaml", *arguments])
    assert rooms.asked["path"] == Path("t.yaml")
    assert rooms.asked["cache_dir"] == Path("c")
    assert rooms.asked["load_states"] == ("kerb", "laden")
    assert rooms.asked["only"] == ("A2",)
    cli.run(["check", "t.yaml"])
    assert (rooms.asked["cache_dir"], rooms.asked["load_states"], rooms.asked["only"]) == (None, None, None)


def test_parts_are_printed_on_demand(rooms, capsys):
    cli.run(["check", "t.yaml", "--parts"])
    assert "tape these on the vehicle" in capsys.readouterr().out


# -- errors --


def test_a_mistake_in_a_file_is_shown_with_its_place_and_exit_code_2(rooms, capsys):
    mistake = Mistake(
        Place("a.yaml", 7, 3), "unknown key 'trak'", text="  trak: 1480 # \x1b[31m", hint="did you mean 'track'?"
    )
    rooms.error = LayoutError((mistake,))
    assert cli.run(["check", "a.yaml"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "a.yaml:7:3: unknown key 'trak'" in printed.err
    assert "did you mean 'track'?" in printed.err
    assert "Traceback" not in printed.err
    assert "\x1b" not in printed.err


@pytest.mark.parametrize("error", [InternalError("a promise was broken"), ZeroDivisionError("division by zero")])
def test_a_bug_is_called_a_bug_with_a_file_to_send_and_exit_code_70(rooms, capsys, error, monkeypatch, tmp_path):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.delenv("FITCHECK_TRACEBACK", raising=False)
    rooms.error = error
    assert cli.run(["check", "a.yaml", "--json"]) == 70
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "this is a bug of fitcheck, not of your files" in printed.err
    assert "Traceback" not in printed.err
    (report,) = tmp_path.glob("fitcheck-*.txt")
    assert str(report) in printed.err
    assert "Traceback" in report.read_text(encoding="utf-8")
    assert str(error) in report.read_text(encoding="utf-8")


def test_the_traceback_is_shown_on_demand(rooms, capsys, monkeypatch):
    monkeypatch.setenv("FITCHECK_TRACEBACK", "1")
    rooms.error = ZeroDivisionError("division by zero")
    assert cli.run(["check", "a.yaml"]) == 70
    assert "Traceback" in capsys.readouterr().err


def test_an_interrupt_is_one_line_and_exit_code_130(rooms, capsys):
    rooms.error = KeyboardInterrupt()
    assert cli.run(["check", "a.yaml"]) == 130
    assert capsys.readouterr().err.strip() == "fitcheck: stopped"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["chekc"], "chekc"),
        (["check"], "LAYOUT"),
        (["check", "a.yaml", "--jsno"], "--json"),
        (["check", "a.yaml", "b.yaml"], "b.yaml"),
        (["new"], "DIR"),
    ],
)
def test_a_wrong_command_line_says_what_and_ends_with_2(arguments, said, capsys):
    assert cli.run(arguments) == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.out == ""


# -- whole processes --


def process(code: str, **options) -> subprocess.Popen:
    """A Python process that has this folder's modules at hand."""
    environment = {**os.environ, "PYTHONPATH": str(HERE), **options.pop("env", {})}
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        cwd=HERE.parent,
        **options,
    )


def finished(code: str, **options) -> tuple[int, str, str]:
    with process(code, **options) as running:
        out, err = running.communicate(timeout=60)
        return running.returncode, out.decode("utf-8"), err.decode("utf-8")


STAND_INS = """
import sys
import fitcheck.layout, fitcheck.checks.run
from example_results import example_result
from fitcheck import cli
fitcheck.layout.load_scene = lambda path, **options: None
fitcheck.checks.run.check_scene = lambda scene, **options: example_result()
"""


@pytest.mark.parametrize(
    ("command", "code"),
    [
        (f"{STAND_INS}\nsys.argv = ['fitcheck', 'check', 'a.yaml']\ncli.main()", 1),
        (f"{STAND_INS}\nsys.argv = ['fitcheck', 'check', 'a.yaml', '--json']\ncli.main()", 1),
        ("import sys\nfrom fitcheck import cli\nsys.argv = ['fitcheck', 'schema', '--result']\ncli.main()", 0),
    ],
    ids=["table", "json", "schema"],
)
def test_a_reader_that_leaves_early_changes_nothing(command, code):
    """As with ``fitcheck … | head -1``: no traceback, and the exit code is still the verdict."""
    with process(command) as running:
        running.stdout.close()
        err = running.stderr.read().decode("utf-8")
        assert running.wait(timeout=60) == code
    assert err == ""


def test_what_a_library_prints_goes_to_standard_error():
    """Also when it is C code that writes to file descriptor 1: a document stays a document."""
    chatty = """
import os
def chatty(scene, **options):
    os.write(1, b"too many iterations")
    print("hello")
    return example_result()
fitcheck.checks.run.check_scene = chatty
sys.argv = ['fitcheck', 'check', 'a.yaml', '--json']
cli.main()
"""
    code, out, err = finished(STAND_INS + chatty)
    assert code == 1
    assert json.loads(out)["title"] == "A, four slim boxes"
    assert "too many iterations" in err
    assert "hello" in err


def test_a_closed_standard_output_changes_nothing():
    closing = "import os\nos.close(1)"
    command = f"{closing}\n{STAND_INS}\nsys.stdout = None\nsys.argv = ['fitcheck', 'check', 'a.yaml']\ncli.main()"
    code, out, err = finished(command)
    assert (code, out, err) == (1, "", "")


def test_a_terminal_that_lacks_letters_gets_question_marks():
    command = f"{STAND_INS}\nsys.argv = ['fitcheck', 'check', 'a.yaml']\ncli.main()"
    code, out, err = finished(command, env={"PYTHONIOENCODING": "ascii"})
    assert (code, err) == (1, "")
    assert "A2 ? rear_shaft" in out


def test_help_is_quick_and_loads_no_library():
    """``fitcheck --help`` costs at most 0.15 s of processor time, and no numpy, rich or pydantic."""
    command = """
import sys, time
from fitcheck import cli
code = cli.run(['--help'])
heavy = {'numpy', 'scipy', 'rich', 'pydantic', 'ruamel', 'trimesh', 'fcl', 'pyvista'} & set(sys.modules)
sys.stderr.write(f"{code} {sorted(heavy)} {time.process_time()}")
"""
    runs = [finished(command) for _ in range(3)]
    for _, out, err in runs:
        assert "Exit codes:" in out
        assert err.startswith("0 [] ")
    assert min(float(err.split()[-1]) for _, _, err in runs) <= 0.15


def test_every_command_has_help(capsys):
    for name, command in cli.commands.commands.items():
        assert cli.run([name, "--help"]) == 0
        assert command.help.splitlines()[0] in " ".join(capsys.readouterr().out.split())


def test_the_version_is_the_package_s(capsys):
    assert cli.run(["--version"]) == 0
    assert re.search(rf"\b{re.escape(fitcheck.__version__)}$", capsys.readouterr().out.strip())


def test_python_m_fitcheck_is_the_command():
    done = subprocess.run([sys.executable, "-m", "fitcheck", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("fitcheck")


# -- schema, new --


def test_schema_prints_the_schema_of_results(capsys):
    assert cli.run(["schema", "--result"]) == 0
    assert json.loads(capsys.readouterr().out) == result_schema()


def test_schema_prints_the_schema_of_layouts(capsys):
    assert cli.run(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert "parts" in json.dumps(schema)


def test_new_writes_a_project_that_checks_as_it_stands(tmp_path, capsys):
    """And the check of it loads no 3D window library."""
    folder = tmp_path / "my truck"
    assert cli.run(["new", str(folder)]) == 0
    printed = capsys.readouterr().out
    layout = re.search(r'fitcheck check "(.*)"', printed).group(1)
    command = f"""
import sys
from fitcheck import cli
code = cli.run(['check', {layout!r}, '--json'])
sys.stderr.write(f"\\n{{code}} {{sorted({{'pyvista', 'vtk', 'matplotlib', 'rich'}} & set(sys.modules))}}")
"""
    _, out, err = finished(command)
    jsonschema.validate(json.loads(out), result_schema())
    assert re.fullmatch(r"[013] \[\]", err.splitlines()[-1])


def test_new_does_not_overwrite(tmp_path, capsys):
    (tmp_path / "vehicle.yaml").write_text("mine", encoding="utf-8")
    assert cli.run(["new", str(tmp_path)]) == 2
    assert (tmp_path / "vehicle.yaml").read_text(encoding="utf-8") == "mine"
    assert "Traceback" not in capsys.readouterr().err
