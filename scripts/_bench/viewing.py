"""How long until a window stands, how long a frame takes, and how long the heat.

Run as a script it is the window's own process: it opens, draws and prints one JSON line.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

FRAMES = 5
STARTED = time.time()


def measure(layout: Path, cache: Path) -> dict[str, float] | None:
    """The second of two processes: scan and answers are kept. "first_s": how long the first took to open."""
    first, again = _process(layout, cache), _process(layout, cache)
    return None if first is None or again is None else {**again, "first_s": first["open_s"]}


def _process(layout: Path, cache: Path) -> dict[str, float] | None:
    """Seconds from the start of the process to the first full frame and the rest; None without a screen.

    Without a screen of its own (DISPLAY) it is asked of a virtual one, where Xvfb is installed.
    """
    command = [sys.executable, __file__, repr(time.time()), str(layout), str(cache)]
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        if shutil.which("xvfb-run") is None:
            return None
        command[2] = "0"  # the virtual screen's own start does not count
        command = ["xvfb-run", "-a", "-s", "-screen 0 1500x1000x24", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def show(found: dict[str, float] | None) -> None:
    """Print what was measured."""
    if found is None:
        print("  view: no screen, and no Xvfb to make one", flush=True)
        return
    frames = f"a frame {found['frame_s']:.3f} s, while it turns {found['turning_frame_s']:.3f} s"
    heat = f"all heat {found['swept_heat_s']:.2f} s swept, {found['static_heat_s']:.2f} s as scanned"
    print(
        f"  view: open after {found['open_s']:.2f} s (the first time {found['first_s']:.2f} s); {frames}; {heat}",
        flush=True,
    )


def _main() -> None:
    began, layout, cache = float(sys.argv[1]) or STARTED, sys.argv[2], sys.argv[3]
    from fitcheck import cli
    from fitcheck.view.window import Window

    window = Window(cli._arrangements(cli._all_checked([layout], cache)))
    window.open()
    found = {"open_s": time.time() - began}
    found["frame_s"] = _frame(window)
    window._turning(True)
    found["turning_frame_s"] = _frame(window)
    window._turning(False)
    start = time.perf_counter()
    window.heat_up()
    found["swept_heat_s"] = time.perf_counter() - start
    window.act("heat")
    start = time.perf_counter()
    window.heat_up()
    found["static_heat_s"] = time.perf_counter() - start
    window.close()
    print(json.dumps(found))


def _frame(window: object) -> float:
    """Seconds a frame, of a few with the camera turned between them."""
    columns, render = window.columns, window.render  # type: ignore[attr-defined]
    render()
    start = time.perf_counter()
    for _ in range(FRAMES):
        columns[0].renderer.GetActiveCamera().Azimuth(3.0)
        render()
    return (time.perf_counter() - start) / FRAMES


if __name__ == "__main__":
    _main()
