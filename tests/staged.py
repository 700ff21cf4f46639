"""A small truck to look at: a plate and a beam as its scan, boxes, a moving axle and a shaft; and a screen to look on.

The box "hit" stands in the scanned plate, "tight" hangs 12 mm below it, "far" is alone.
"""

from __future__ import annotations

import contextlib
import copy
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
from fitcheck.geometry.skin import skin
from fitcheck.geometry.solids import Solid, box, sphere
from fitcheck.result import Clearance, Result, Verdict
from fitcheck.vehicle.moving import axle_body, shaft_body
from fitcheck.vehicle.scene import LoadState, Measured, Region, Rule, Scene, ShaftPart, UnseenPlace
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
    """A level plate of small triangles, 25 mm apart, scanned from below."""
    xs, ys = np.arange(x[0], x[1] + 1, 25.0), np.arange(y[0], y[1] + 1, 25.0)
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, np.full(len(grid), z)])
    i, j = (part.ravel() for part in np.meshgrid(np.arange(len(xs) - 1), np.arange(len(ys) - 1), indexing="ij"))
    a = i * len(ys) + j
    b = a + len(ys)
    return points, np.concatenate([np.stack([a, b + 1, b], axis=1), np.stack([a, a + 1, b + 1], axis=1)])


def staged(**more: float) -> tuple[Scene, Result]:
    """The truck and what its check finds."""
    built = staged_scene(**more)
    return built, check_scene(built)


def arrangement(name: str = "one", **more: float) -> Arrangement:
    return Arrangement(*staged(**more), name)


OVER, HOLE = "over", "hole 1"
HOLE_MUST_MM = 20.0


def holed_scene() -> Scene:
    """A plate at z = 600 with a gap of 200 mm that the scan did not see, a lens of ± 30 mm over it, two taped places.

    The box "over" is under the gap, 40 mm below the plate and 10 mm below the lens; "hit" is elsewhere.
    """
    points, faces = _fine_plate((500, 1700), (-500, 500), 600.0)
    middles = points[faces].mean(axis=1)
    gap = (np.abs(middles[:, 0] - 1100.0) < 100.0) & (np.abs(middles[:, 1] + 100.0) < 100.0)
    scan = scanned((points, faces[~gap]), _raised(points))
    empty = Measured("taped", "empty", Region("box", lo=(1400, 150, 560), hi=(1600, 350, 600)), 2.0, "by hand")
    metal = Measured("felt", "metal", Region("cylinder", start=(700, 200, 590), end=(900, 200, 590), radius_mm=25.0))
    unseen = UnseenPlace(HOLE, "hole", "a gap of 200 mm in the plate", lens((1100, -100, 600), 141.0, 30.0))
    parts = (part(OVER, box((1000, -250, 430), (1300, 50, 560))), part(HIT, box((650, -400, 560), (800, -250, 620))))
    return scene(
        parts=parts,
        scan=dataclasses.replace(scan, unseen=(unseen,), measured=(empty, metal)),
        rules=(Rule(("any", "scan"), HOLE_MUST_MM, 30.0, "the test's"),),
    )


def _raised(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A lip that stands down from the plate's far edge, so that there is a side to see."""
    edge = points[points[:, 1] == 500.0]
    low = edge - [0.0, 0.0, 80.0]
    k = np.arange(len(edge) - 1)
    a, b = np.stack([k, k + 1, k + len(edge)], axis=1), np.stack([k + 1, k + 1 + len(edge), k + len(edge)], axis=1)
    return np.concatenate([edge, low]), np.concatenate([a, b])


def lens(middle: tuple[float, float, float], across_mm: float, high_mm: float) -> Solid:
    """A closed lens of triangles, so far across and so high, both measured from its middle."""
    ball = skin(sphere((0, 0, 0), 1.0))
    return Solid(ball.points_mm * [across_mm, across_mm, high_mm] + np.array(middle), ball.faces)


def open_row(row: Clearance, **fields: object) -> Clearance:
    """A row that an unseen place keeps from being proven: with these fields, whatever the check found."""
    found = copy.copy(row)
    for name, value in {"verdict": Verdict.NOT_PROVEN, "reason": "unseen place within the clearance", **fields}.items():
        object.__setattr__(found, name, value)
    return found


def holed(name: str = "holed") -> Arrangement:
    """The plate with the gap; the row of "over" and the scan is open for the place, 10 mm off."""
    built = holed_scene()
    found = check_scene(built)
    fields = {
        "unseen_mm": 10.0,
        "unseen_place": HOLE,
        "unseen_from_mm": (1100.0, -100.0, 560.0),
        "unseen_point_mm": (1100.0, -100.0, 570.0),
        "settle": "feel from below at x 1100, y -100 whether there is metal lower than z 580",
    }
    rows = tuple(open_row(row, **fields) if row.between == (OVER, "scan") else row for row in found.clearances)
    return Arrangement(built, dataclasses.replace(found, clearances=rows), name)


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
