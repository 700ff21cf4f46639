"""A small truck to look at: a plate and a beam as its scan, boxes, a moving axle and a shaft; and a screen to look on.

The box "hit" stands in the scanned plate, "tight" hangs 12 mm below it, "far" is alone.
"""

from __future__ import annotations

import contextlib
import ctypes
import dataclasses
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import pytest
from trucks import part, plate, rear_axle, scanned, scene

from fitcheck.checks.run import check_scene
from fitcheck.geometry.solids import box
from fitcheck.result import Result
from fitcheck.vehicle.moving import axle_body, shaft_body
from fitcheck.vehicle.scene import LoadState, Scene, ShaftPart
from fitcheck.view.column import Arrangement
from fitcheck.view.graphics import NoGraphics, ready_for_pictures

HIT, TIGHT, BESIDE = "hit", "tight", "beside"


def staged_scene(*, tight_z: float = 588.0) -> Scene:
    """The truck; the top of "tight" is at ``tight_z``, under a plate at z = 600."""
    axle = rear_axle()
    axle = dataclasses.replace(axle, carries=axle.carries[:2])  # tube and differential; the tyres would hide all
    shaft = ShaftPart("rear_shaft", (1330, 0, 480), (2390, 60, 404), "rear_axle", 63.5, 2.5, 100.0, 60.0, 3.0, 1.0)
    parts = (
        part(HIT, box((200, -300, 560), (700, -100, 650))),
        part(TIGHT, box((200, 150, 450), (700, 400, tight_z))),
        part(BESIDE, box((1500, 110, 430), (2200, 300, 560))),
    )
    return scene(
        parts=parts,
        scan=scanned(_fine_plate((-100, 2900), (-500, 500), 600.0)),
        mechanisms={"rear_axle": axle},
        shafts=(shaft,),
        moving=(axle_body(axle), shaft_body(shaft, {"rear_axle": axle})),
        load_states=(LoadState("kerb"), LoadState("laden")),
    )


def _fine_plate(x: tuple[float, float], y: tuple[float, float], z: float) -> tuple[np.ndarray, np.ndarray]:
    """A level plate of small triangles, 25 mm apart."""
    xs, ys = np.arange(x[0], x[1] + 1, 25.0), np.arange(y[0], y[1] + 1, 25.0)
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, np.full(len(grid), z)])
    i, j = (part.ravel() for part in np.meshgrid(np.arange(len(xs) - 1), np.arange(len(ys) - 1), indexing="ij"))
    a = i * len(ys) + j
    b = a + len(ys)
    return points, np.concatenate([np.stack([a, b, b + 1], axis=1), np.stack([a, b + 1, a + 1], axis=1)])


def staged(**more: float) -> tuple[Scene, Result]:
    """The truck and what its check finds."""
    built = staged_scene(**more)
    return built, check_scene(built)


def arrangement(name: str = "one", **more: float) -> Arrangement:
    return Arrangement(*staged(**more), name)


def plain_plate() -> Scene:
    """Nothing but a plate: no part, nothing that moves."""
    return scene(scan=scanned(plate((0, 1000), (-300, 300), 500.0)))


REQUIRED = os.environ.get("FITCHECK_TEST_DRAWING") == "required"
"""Set where tests must draw, on a screen: there a machine that cannot makes them fail, elsewhere they are left out."""


def _can_draw() -> bool:
    try:
        ready_for_pictures()
    except NoGraphics:
        return False
    return True


needs_drawing = pytest.mark.skipif(not REQUIRED and not _can_draw(), reason="this machine has no OpenGL")


@contextlib.contextmanager
def screen() -> Iterator[bool]:
    """A screen for windows: the machine's own, or a virtual one (Xvfb); yields False where there is none."""
    if not sys.platform.startswith("linux") or os.environ.get("DISPLAY"):
        yield True
        return
    if shutil.which("Xvfb") is None:
        assert not REQUIRED, "Xvfb is not installed"
        yield False
        return
    read, write = os.pipe()
    # It ends by itself when the last window of this process is gone: ended before, it would end this process too.
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1500x1000x24", "-nolisten", "tcp", "-terminate"]
    server = subprocess.Popen(command, pass_fds=[write], stderr=subprocess.DEVNULL)
    os.close(write)
    with os.fdopen(read) as pipe:
        os.environ["DISPLAY"] = ":" + pipe.readline().strip()
    held = ctypes.CDLL("libX11.so.6").XOpenDisplay(None)
    assert held
    assert server.poll() is None
    try:
        yield True
    finally:
        del os.environ["DISPLAY"]
