"""``fitcheck view`` and ``fitcheck picture`` as commands: real processes, with and without what they need."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from layout_texts import VEHICLE, write_pair
from PIL import Image
from staged import needs_drawing, screen

from fitcheck.view import graphics

LINUX = sys.platform.startswith("linux")
NO_OPENGL = {"__EGL_VENDOR_LIBRARY_DIRS": "/nonexistent", "LIBGL_DRIVERS_PATH": "/nonexistent", "DISPLAY": ""}


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "fitcheck", *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**os.environ, **environment},
    )


@pytest.fixture
def layout(tmp_path: Path) -> str:
    return str(write_pair(tmp_path))


def one_sentence(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """Exit code 2, nothing on standard output, one line of ours on standard error and no traceback."""
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    said = [
        line for line in done.stderr.splitlines() if not line.startswith(("libEGL warning", "libGL error")) and line
    ]
    assert len(said) == 1, done.stderr
    assert said[0].startswith("fitcheck: ")
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in said[0]


@needs_drawing
def test_pictures_are_written_and_named(layout, tmp_path):
    done = run("picture", layout, "-o", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    written = [line.removeprefix("wrote ") for line in done.stdout.splitlines()]
    assert len(written) >= 7
    for path in written:
        assert np.asarray(Image.open(path).convert("RGB")).std() > 3.0, path


@pytest.mark.skipif(not LINUX, reason="other systems always have a screen and bring OpenGL")
def test_a_window_without_a_screen_is_one_clear_sentence(layout):
    one_sentence(run("view", layout, DISPLAY=""), "no", "DISPLAY is not set", "fitcheck picture")


@pytest.mark.skipif(not LINUX, reason="other systems always have a screen and bring OpenGL")
def test_a_screen_that_is_not_there_is_one_clear_sentence(layout):
    one_sentence(run("view", layout, DISPLAY=":973"), ":973", "cannot be reached")


@pytest.mark.skipif(not LINUX, reason="other systems bring OpenGL")
def test_without_opengl_pictures_are_one_clear_sentence(layout, tmp_path):
    one_sentence(run("picture", layout, "-o", str(tmp_path / "out"), **NO_OPENGL), "OpenGL", "install")
    assert not (tmp_path / "out").exists()


def test_without_the_drawing_librarys_own_libraries_it_is_one_clear_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "vtkmodules.vtkRenderingOpenGL2", None)  # as where libGL cannot be loaded
    with pytest.raises(graphics.NoGraphics, match="OpenGL libraries that are not there"):
        graphics._need_libraries()


def test_a_mistake_in_the_layout_is_said_as_by_check(tmp_path):
    (tmp_path / "bad.yaml").write_text("format: 1\nparts: [\n")
    for command in (
        ["picture", str(tmp_path / "bad.yaml"), "-o", str(tmp_path / "out")],
        ["check", str(tmp_path / "bad.yaml")],
    ):
        done = run(*command)
        assert done.returncode == 2
        assert "bad.yaml:" in done.stderr
        assert "Traceback" not in done.stderr


@needs_drawing
@pytest.mark.skipif(os.name == "nt", reason="a shell with pipes")
def test_over_a_closed_pipe_the_pictures_are_still_written_and_the_code_is_0(layout, tmp_path):
    command = f'"{sys.executable}" -m fitcheck picture "{layout}" -o "{tmp_path}/out" | true; echo ${{PIPESTATUS[0]}}'
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.split() == ["0"]
    assert "Traceback" not in done.stderr
    assert len(list((tmp_path / "out").glob("*.png"))) >= 7


def test_check_never_loads_the_drawing_library(layout):
    command = (
        "import sys; from fitcheck import cli; code = cli.run(sys.argv[1:]); "
        "print(sorted(name for name in sys.modules if name.split('.')[0] in ('pyvista', 'vtk', 'vtkmodules', 'PIL')))"
    )
    for arguments in (["check", layout, "--json"], ["check", layout], ["--help"]):
        done = subprocess.run([sys.executable, "-c", command, *arguments], capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == "[]", arguments
    json.loads(run("check", layout, "--json").stdout)


def driven_window(driver: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A command run on a screen by a script that presses its keys; left out where there is no screen to be had."""
    with screen() as there_is_one:
        if not there_is_one:
            pytest.skip("no screen, and no Xvfb to make one")
        command = [sys.executable, "-c", driver, *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done


@needs_drawing
def test_a_real_window_opens_listens_and_closes(layout):
    """On a screen: the command's own window, told by a timer of the test to press a key and then q."""
    done = driven_window(
        (
            "import sys\n"
            "from fitcheck import cli\n"
            "from fitcheck.view.window import Window\n"
            "seen = []\n"
            "tick = Window.tick\n"
            "def driven(window):\n"
            "    tick(window)\n"
            "    seen.append(window.canvas.pixels().std())\n"
            "    key = {3: 'n', 4: 'x', 5: 'q'}.get(len(seen))\n"
            "    if key:\n"
            "        window.canvas.interactor.SetKeySym(key)\n"
            "        window.canvas.interactor.InvokeEvent('KeyPressEvent')\n"
            "Window.tick = driven\n"
            "code = cli.run(sys.argv[1:])\n"
            "print(code, len(seen), min(seen) > 5)\n"
        ),
        "view",
        layout,
    )
    assert done.stdout.split() == ["0", "5", "True"]


@needs_drawing
def test_a_watched_layout_is_shown_again_after_a_save(layout):
    """The window of ``watch --window`` goes over to what was saved; closing it ends the watch with its exit code."""
    done = driven_window(
        (
            "import sys, time\n"
            "from pathlib import Path\n"
            "from fitcheck import cli\n"
            "from fitcheck.view.window import Window\n"
            "layout = Path(sys.argv[2])\n"
            "titles, tick, began = [], Window.tick, time.monotonic()\n"
            "def driven(window):\n"
            "    tick(window)\n"
            "    title = window.columns[0].shown.result.title\n"
            "    if not titles:\n"
            "        text = layout.read_text(encoding='utf-8')\n"
            "        text = 'title: saved again\\n' + text.replace('title:', '# title:', 1)\n"
            "        layout.write_text(text, encoding='utf-8')\n"
            "    if title not in titles:\n"
            "        titles.append(title)\n"
            "    if title == 'saved again' or time.monotonic() - began > 60:\n"
            "        window.act('close')\n"
            "Window.tick = driven\n"
            "code = cli.run(sys.argv[1:])\n"
            "print('\\n' + repr((code, titles[-1])))\n"
        ),
        "watch",
        layout,
        "--window",
    )
    code, title = ast.literal_eval(done.stdout.splitlines()[-1])
    assert title == "saved again"
    assert code in (0, 1, 3)
    assert "Traceback" not in done.stderr


def test_pictures_of_what_cannot_be_compared_and_into_nowhere_are_refused(layout, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    unlike = write_pair(other, vehicle=VEHICLE.replace("Test truck", "Another truck"))
    done = run("picture", layout, str(unlike), "-o", str(tmp_path / "out"))
    assert done.returncode == 2
    assert "another vehicle" in done.stderr.lower() or "cannot be compared" in done.stderr
    assert not (tmp_path / "out").exists()
    done = run("picture", layout, "-o", "")
    assert done.returncode == 2
    assert "expected the name of a folder" in done.stderr
