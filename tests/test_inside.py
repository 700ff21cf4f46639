"""One thing wholly or partly in another, through the whole check: nothing inside reads as clear.

Row M49, closed form: a box wholly inside another has a surface distance above 0 and is a collision.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trucks
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import box_mesh
from triangle_pairs import rotations

from fitcheck.checks.run import check_scene
from fitcheck.geometry import solids
from fitcheck.geometry.outline import extruded_outline
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.moving import axle_body, shaft_body
from fitcheck.vehicle.scene import Rule, ShaftPart, Uncertainties

CERTAIN = Uncertainties(0.0, 0.0, 0.0, 0.0, 0.0)
NO_ROOM = tuple(
    Rule(("any", other), 0.0, 0.0, "anything but overlap", origin="a.yaml:9")
    for other in ("any", "scan", "shaft", "axle")
)
BOX = solids.box((0, 0, 0), (100, 100, 100))
L_SHAPE = extruded_outline([(0, 0), (100, 0), (100, 40), (40, 40), (40, 100), (0, 100)], "xy", 0.0, 100.0)


def judged(one: str, other: str, **scene: Any) -> Clearance:
    """The row of a pair under the mildest rule, without any uncertainty: only an overlap fails."""
    result = check_scene(trucks.scene(uncertainties=CERTAIN, rules=NO_ROOM, axles={}, weights=None, **scene))
    (found,) = [row for row in result.clearances if set(row.between) == {one, other}]
    return found


def two(first: Solid, second: Solid) -> Clearance:
    one, other = (trucks.part(name, solid, part_class="structure") for name, solid in (("A1", first), ("B1", second)))
    found = judged("A1", "B1", parts=(one, other))
    back = judged("A1", "B1", parts=(other, one))
    assert (back.verdict, back.contact) == (found.verdict, found.contact), "whichever comes first"
    return found


# ------------------------------------------------------------------ still things

WITHIN = {
    "M49 box in box": (BOX, solids.box((40, 40, 40), (60, 60, 60))),
    "box in an outline": (L_SHAPE, solids.box((10, 10, 10), (30, 30, 30))),
    "bolt in a box": (BOX, solids.cylinder((45, 50, 50), (55, 50, 50), 3)),
    "ball in a box": (BOX, solids.sphere((50, 50, 50), 5)),
    "box in a ball": (solids.sphere((50, 50, 50), 100), solids.box((40, 40, 40), (60, 60, 60))),
    "box in a capsule, off its axis": (
        solids.capsule((0, 0, 0), (400, 0, 0), 50), solids.box((190, 20, -3), (210, 30, 3))),
    "capsule in a capsule": (solids.capsule((0, 0, 0), (400, 0, 0), 50), solids.capsule((100, 20, 0), (300, 20, 0), 4)),
}  # fmt: skip


@pytest.mark.parametrize("name", WITHIN)
def test_a_thing_wholly_inside_another_fails_whichever_it_is(name: str) -> None:
    row = two(*WITHIN[name])
    assert row.verdict.value == "FAIL"
    assert row.depth_mm is not None
    assert row.depth_mm > 0.0
    assert row.distance_mm == -row.depth_mm


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=8)
def test_inside_does_not_depend_on_how_the_two_stand_together(seed: int) -> None:
    """A box in the foot of an L, and the same box in its notch, turned and moved at random, up to 10 m away."""
    rng = np.random.default_rng(seed)
    turn, shift = rotations(rng, 1)[0], rng.uniform(-1e4, 1e4, 3)
    held, free = solids.box((60, 10, 40), (80, 30, 60)), solids.box((60, 60, 40), (80, 80, 60))
    shell = L_SHAPE.moved(turn, shift)
    inside, beside = two(shell, held.moved(turn, shift)), two(shell, free.moved(turn, shift))
    assert (inside.verdict.value, inside.contact) == ("FAIL", "inside")
    assert (beside.verdict.value, beside.contact) == ("PASS", "apart")
    assert beside.distance_mm == pytest.approx(20.0, abs=1e-6)


@pytest.mark.parametrize("at", [(50, 50, 50), (3, 3, 3), (97, 50, 2)])
def test_a_scanned_piece_wholly_inside_a_part_fails(at: tuple[float, float, float]) -> None:
    """A bolt head of 2 mm that the scanner saw, anywhere in the part; far metal does not hide it."""
    spot = np.array(at, dtype=np.float64)
    scan = trucks.scanned(box_mesh([300, 0, 0], [400, 100, 100]), box_mesh(spot - 1, spot + 1))
    row = judged("A1", "scan", parts=(trucks.part("A1", BOX, part_class="structure"),), scan=scan)
    assert (row.verdict.value, row.contact) == ("FAIL", "inside")


@pytest.mark.parametrize("diameter", [3.0, 5.0, 12.0])
@pytest.mark.parametrize("size", [20.0, 200.0])
def test_a_thin_rod_through_a_plate_is_an_overlap_however_coarse_the_plate(size: float, diameter: float) -> None:
    """A scanned plate of two triangles, a rod right through it: not "touching", and deeper than half its radius."""
    half = size / 2
    plate = trucks.plate((-half, half), (-half, half), 0.0)
    rod = solids.capsule((0.3141 * half, 0.1337 * half, -50), (0.3141 * half, 0.1337 * half, 50), diameter / 2)
    row = judged("A1", "scan", parts=(trucks.part("A1", rod, part_class="structure"),), scan=trucks.scanned(plate))
    assert (row.verdict.value, row.contact) == ("FAIL", "overlap")
    assert row.depth_mm is not None
    assert diameter / 4 <= row.depth_mm <= diameter / 2 + 1e-6


# ------------------------------------------------------------------ moving things

SHAFT = ShaftPart("rear_shaft", (1330.0, 0.0, 480.0), (2390.0, 0.0, 480.0), "rear_axle", 63.5, None, None, None)
FIXED = ShaftPart("rear_shaft", (1330.0, 0.0, 480.0), (2390.0, 800.0, 404.0), None, 63.5, None, None, None)


def axle(*carries: tuple[str, Solid]) -> SolidAxle:
    return SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, carries=carries)


def with_axle(part: Solid, *carries: tuple[str, Solid]) -> Clearance:
    thing = trucks.part("A1", part, part_class="structure")
    return judged("A1", "rear_axle", parts=(thing,), moving=(axle_body(axle(*carries)),))


HOUSE = solids.box((1500, -1500, -700), (3700, 1500, 1500))
NUT = solids.box((2615, -5, 380), (2625, 5, 390))
MOVED_IN_OUT = {
    "a ball in a box": (HOUSE, solids.sphere((2620, 60, 384), 130)),
    "a box in a box": (HOUSE, solids.box((2600, -20, 360), (2640, 20, 400))),
    "a part in a carried box": (NUT, solids.box((2400, -200, 100), (2840, 200, 700))),
    "a part in a carried ball": (NUT, solids.sphere((2620, 0, 384), 200)),
}  # fmt: skip


@pytest.mark.parametrize("name", MOVED_IN_OUT)
def test_what_moves_inside_of_a_part_or_round_it_fails(name: str) -> None:
    """Both ways; the surfaces never meet in any pose."""
    part, carried = MOVED_IN_OUT[name]
    row = with_axle(part, ("thing", carried))
    assert row.verdict.value == "FAIL"
    assert row.contact != "apart"
    assert row.depth_mm is not None
    assert row.depth_mm > 0.0


def test_what_moves_in_the_notch_of_a_part_is_apart() -> None:
    """A U over the axle: 200 above the ball at ride, 80 of bump; the hull of the U would hold it."""
    corners = [(-400, 200), (-300, 200), (-300, 714), (300, 714), (300, 200), (400, 200), (400, 800), (-400, 800)]
    over = extruded_outline(corners, "yz", 2400.0, 2900.0)
    row = with_axle(over, ("ball", solids.sphere((2620, 0, 384), 130)))
    assert (row.verdict.value, row.contact) == ("PASS", "apart")
    assert row.static_mm == pytest.approx(170.0, abs=0.01)
    assert row.distance_mm == pytest.approx(120.0, abs=0.1)


def test_a_shaft_inside_of_a_closed_part_fails() -> None:
    tunnel = solids.box((1000, -600, 0), (2800, 600, 1000))
    body = shaft_body(SHAFT, {"rear_axle": axle()})
    part = trucks.part("A1", tunnel, part_class="structure")
    assert judged("A1", "rear_shaft", parts=(part,), moving=(body,)).verdict.value == "FAIL"


def test_a_shaft_that_does_not_move_is_proven_as_near_as_it_is_however_many_triangles_it_passes() -> None:
    """No pose to search: the bound is the distance. 6000 spots round a slanting tube, 20.0 off it or a little more.

    Spots by themselves have no inside and no outside, so nothing passes.
    """
    start, end = np.array(FIXED.start_mm), np.array(FIXED.end_mm)
    along = (end - start) / np.linalg.norm(end - start)
    aside = np.cross(along, [0.0, 0.0, 1.0])
    aside /= np.linalg.norm(aside)
    turn = np.linspace(0, 40 * np.pi, 6000)[:, None]
    off = (np.cos(turn) * aside + np.sin(turn) * np.cross(along, aside)) * np.linspace(51.75, 60.0, 6000)[:, None]
    scan = trucks.spots(*(start + np.linspace(100, 1200, 6000)[:, None] * along + off), size=0.01)
    row = judged("scan", "rear_shaft", scan=scan, moving=(shaft_body(FIXED, {}),))
    assert row.distance_mm == pytest.approx(20.0, abs=0.05)
    assert row.at_least_mm == pytest.approx(row.distance_mm, abs=0.1)
    assert row.verdict.value == "NOT PROVEN"
    assert "cannot be told" in row.reason
