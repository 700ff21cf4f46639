"""Errors that would pass unseen, from the layout file to the verdict: 10 to 15, places, weights, motion, stale shapes.

Source of the list: common practice in packaging work. Expected values are closed forms unless said otherwise.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
import scans
import shapes
from silent_layouts import (
    BASE_MM,
    GRAVITY,
    MOTION,
    PLAIN,
    SCALES,
    _far_sheet,
    _sleeve,
    check,
    distance,
    distant_plate,
    moving,
    noisy_sheet,
    plate,
    report,
    row,
    write,
)
from test_kept import LAYOUT, VEHICLE, edit, write_scan

from fitcheck.errors import LayoutError
from fitcheck.result import Clearance, Verdict

# --- 10: anchors, turns, mirrors --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("yaw", "x_mm", "y_mm"),
    [
        (0, (75, 525), (-325, 25)),
        (90, (-275, 75), (-325, 125)),
        (180, (-375, 75), (-675, -325)),
        (270, (75, 425), (-775, -325)),
    ],
)
def test_silent_error_10_anchors_and_turns_the_corner_stays_where_it_was_typed(
    tmp_path: Path, yaw: int, x_mm: tuple[float, float], y_mm: tuple[float, float]
) -> None:
    """Hand table: the part turns about the corner that was placed; yaw swings its rear to the right."""
    distant_plate(tmp_path)
    part = (
        "charger: {class: lv, box: {size: [450, 350, 120]}, "
        f"place: {{corner: front left bottom, at: [75, -325, 760]}}, turn: {{yaw: {yaw}}}}}"
    )
    (echo,) = check(write(tmp_path, part)).parts
    assert echo.x_mm == pytest.approx(x_mm, abs=1e-9)
    assert echo.y_mm == pytest.approx(y_mm, abs=1e-9)
    assert echo.z_mm == pytest.approx((760.0, 880.0), abs=1e-9)


def test_silent_error_10_anchors_and_turns_an_angle_in_radians_is_warned_of(tmp_path: Path) -> None:
    distant_plate(tmp_path)
    part = (
        "charger: {class: lv, box: {size: [450, 350, 120]}, "
        "place: {corner: front left bottom, at: [75, -325, 760]}, turn: {yaw: 1.57}}"
    )
    (warning,) = [text for text in check(write(tmp_path, part)).warnings if "radian" in text]
    assert "layout.yaml:" in warning
    assert "89.95°" in warning


def test_silent_error_10_anchors_and_turns_a_mirrored_bought_part_is_an_error(tmp_path: Path) -> None:
    distant_plate(tmp_path)
    mf.save(tmp_path, "unit.stl", mf.stl_text(*shapes.box_mesh([1300, -300, 400], [1500, -100, 500])))
    parts = "A1: {class: lv, bought: true, mesh: {file: unit.stl, units: mm}}\nA2: {mirror_of: A1}"
    with pytest.raises(LayoutError, match=r"layout\.yaml:6:(?s:.*)bought"):
        check(write(tmp_path, parts))
    mirrored = check(write(tmp_path, parts.replace("bought: true, ", "").replace("mm}", "mm, symmetric: true}")))
    assert {echo.name: echo.y_mm for echo in mirrored.parts}["A2"] == pytest.approx((100.0, 300.0))


# --- 11: weights ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x_mm", "front_kg", "rear_kg"),
    [(0.0, 100.0, 0.0), (BASE_MM / 2, 50.0, 50.0), (BASE_MM, 0.0, 100.0), (-BASE_MM / 2, 150.0, -50.0)],
)
def test_silent_error_11_weights_100_kg_at_four_places(
    tmp_path: Path, x_mm: float, front_kg: float, rear_kg: float
) -> None:
    """Moments about the rear axle (closed form); a mass ahead of the front axle lifts the rear."""
    bare = check(write(tmp_path, vehicle=SCALES)).loads["kerb"]
    found = check(write(tmp_path, f"ballast: {{mass: 100, cg: [{x_mm}, 0, 500]}}", SCALES)).loads["kerb"]
    assert (bare.front_kg, bare.rear_kg) == pytest.approx((800.0, 680.0))
    assert found.front_kg - bare.front_kg == pytest.approx(front_kg, abs=1e-9)
    assert found.rear_kg - bare.rear_kg == pytest.approx(rear_kg, abs=1e-9)


def test_silent_error_11_weights_strip_all_and_add_all_back_is_as_weighed(tmp_path: Path) -> None:
    things = [("engine", 238, [60, 0, 720]), ("tank", 44, [1880, -580, 560]), ("exhaust", 19, [1300, 300, 500])]
    entries = ", ".join(f"{name}: {{mass: {kg}, cg: {cg}}}" for name, kg, cg in things)
    parts = "\n".join(f"{name}_again: {{mass: {kg}, cg: {cg}}}" for name, kg, cg in things)
    loads = check(write(tmp_path, parts, f"{SCALES}  removed: {{{entries}}}\n")).loads["kerb"]
    assert (loads.mass_kg, loads.front_kg, loads.rear_kg) == pytest.approx((1480.0, 800.0, 680.0), abs=0.01)
    assert (loads.left_kg, loads.right_kg) == pytest.approx((744.0, 736.0), abs=0.01)
    stripped = check(write(tmp_path, vehicle=f"{SCALES}  removed: {{{entries}}}\n")).loads["kerb"]
    assert stripped.mass_kg == pytest.approx(1480.0 - 301.0, abs=0.01)


def test_silent_error_11_weights_a_part_removed_in_one_column_only_is_an_error(tmp_path: Path) -> None:
    """Off the scan but not off the scales is refused; off both, or said to stay, is not."""
    write_scan(tmp_path / "scan.ply", *mf.join(noisy_sheet(), shapes.box_mesh([1600, -700, 400], [2150, -460, 600])))
    tank = "tank: {box: {x: [1590, 2160], y: [-710, -450], z: [390, 610]}%s}"
    vehicle = PLAIN.replace("as_scanned}", f"as_scanned, remove: {{{tank}}}}}") + SCALES.partition("test\n")[2]
    with pytest.raises(LayoutError, match=r"vehicle\.yaml:3:(?s:.*)not off the scales"):
        check(write(tmp_path, vehicle=vehicle % ""))
    both = check(write(tmp_path, vehicle=vehicle % ", mass: 44, cg: [1880, -580, 560]"))
    assert both.loads["kerb"].mass_kg == pytest.approx(1480.0 - 44.0)
    stays = check(write(tmp_path, vehicle=vehicle % ", stays: it is moved later"))
    assert stays.loads["kerb"].mass_kg == pytest.approx(1480.0)


# --- 12: the ground ---------------------------------------------------------------------------------------------------

STATES = """\
load_states:
  kerb: {}
  nose: {ballast: {mass: 100, cg: [0, 0, 500]}}
  tail: {ballast: {mass: 100, cg: [2620, 0, 500]}}
"""


def test_silent_error_12_ground_follows_springs_and_tyres(tmp_path: Path) -> None:
    """100 kg over an axle lower it by 100 g/2k_w + 100 g/2k_t (closed form), the other not at all."""
    plate(tmp_path, x=(-600, 3300), y=(-500, 500), z=300.0)
    found = check(write(tmp_path, vehicle=PLAIN + SCALES.partition("test\n")[2] + STATES))
    spring, tyre = 100 * GRAVITY / (2 * 40.0), 100 * GRAVITY / (2 * 300.0)
    assert found.loads["kerb"].body_drop_mm == pytest.approx({"front": 0.0, "rear": 0.0}, abs=1e-9)
    assert found.loads["nose"].body_drop_mm == pytest.approx({"front": spring + tyre, "rear": 0.0}, abs=1e-9)
    rear = 100 * GRAVITY / (2 * 48.0) + tyre
    assert found.loads["tail"].body_drop_mm == pytest.approx({"front": 0.0, "rear": rear}, abs=1e-9)
    assert found.ground["kerb"].belly_mm == pytest.approx(300.0, abs=1e-6)
    for state in ("nose", "tail"):
        belly = found.ground[state].belly_mm
        assert belly is not None
        assert belly < 295.0, "the floor is not where it was scanned"
    tail, kerb = found.ground["tail"], found.ground["kerb"]
    assert (tail.departure_deg or 0.0) < (kerb.departure_deg or 0.0), "a load in the tail lowers the tail"
    assert (tail.approach_deg or 0.0) > (kerb.approach_deg or 0.0)


def test_silent_error_12_ground_heavier_wheels_squash_the_tyre_and_not_the_spring(tmp_path: Path) -> None:
    vehicle = SCALES
    wheels = "wheels: {class: tyre, sprung: SPRUNG, mass: 20, cg: [0, 0, 382]}"
    unsprung = check(write(tmp_path, wheels.replace("SPRUNG", "false"), vehicle)).loads["kerb"]
    assert unsprung.body_drop_mm["front"] == pytest.approx(20 * GRAVITY / 600.0, abs=1e-9)
    sprung = check(write(tmp_path, wheels.replace("SPRUNG", "true"), vehicle)).loads["kerb"]
    assert sprung.body_drop_mm["front"] == pytest.approx(20 * GRAVITY * (1 / 600.0 + 1 / 80.0), abs=1e-9)


# --- 13: the range of the sweep ---------------------------------------------------------------------------------------


def _without_laden(row: Clearance) -> Clearance:
    """A row without the pose that the load leaves it in: all that is swept between the stops."""
    return replace(row, causes=tuple(cause for cause in row.causes if cause.name != "laden"))


def _laden_heave(rows: Sequence[Clearance]) -> float:
    """Where the load lets the axle come up to, as the causes tell it."""
    return next(cause.pose["rear_axle.heave_mm"] for row in rows for cause in row.causes if cause.name == "laden")


def test_silent_error_13_sweep_range_is_between_the_stops_whatever_the_springs(tmp_path: Path) -> None:
    """Spring rates doubled: every clearance is the same, and bump travel left is not."""
    write_scan(tmp_path / "scan.ply", *noisy_sheet())
    axles = SCALES.partition("test\n")[2].replace("48, tyre", "RATE, mechanism: rear_axle, tyre")
    shaft = VEHICLE[VEHICLE.index("mechanisms:") :]
    states = "load_states: {laden: {cargo: {mass: 300, cg: [2620, 0, 900]}}}\n"
    boxes = "\n".join(line.strip() for line in LAYOUT.splitlines() if line.startswith("  A"))
    soft, stiff = (
        check(write(tmp_path, boxes, PLAIN + axles.replace("RATE", str(rate)) + states + shaft), f"cache{rate}")
        for rate in (48, 96)
    )
    assert len(soft.clearances) == 6
    swept, unmoved = ([_without_laden(row) for row in found.clearances] for found in (soft, stiff))
    assert swept == unmoved
    heaves = [_laden_heave(found.clearances) for found in (soft, stiff)]
    assert heaves == [pytest.approx(300 * GRAVITY / 96.0, abs=0.5), pytest.approx(300 * GRAVITY / 192.0, abs=0.5)]
    left = [found.ground["laden"].bump_left_mm["rear"] for found in (soft, stiff)]
    # Bump travel less the spring's share of the load (closed form).
    assert left == pytest.approx([80 - 300 * GRAVITY / 96.0, 80 - 300 * GRAVITY / 192.0], abs=1e-6)


def test_silent_error_13_sweep_range_a_tyre_rises_149_at_crossed_axles_and_not_80(tmp_path: Path) -> None:
    """z_mid + (t/2)·sin φ with stops at ±400, 80 up and 90 down, track 1480 (closed form)."""
    roll = math.atan((80.0 + 90.0) / 800.0)
    rise = -5.0 + 740.0 * math.sin(roll)
    assert rise == pytest.approx(149.0, abs=0.5)
    plate(tmp_path, x=(2000, 3200), y=(300, 1200), z=700.0)
    ball = "{tyre: {sphere: {centre: [2620, 740, 384], diameter: 20}}}"
    found = row(check(write(tmp_path, vehicle=moving(ball))), "scan", "rear_axle")
    assert found.distance_mm == pytest.approx(700.0 - (384.0 + 10.0 + rise), abs=0.1)
    assert found.straight_bump_mm == pytest.approx(700.0 - (384.0 + 10.0 + 80.0), abs=0.1)
    assert found.static_mm == pytest.approx(700.0 - 394.0, abs=1e-3)


# --- 14: the shaft ----------------------------------------------------------------------------------------------------

FIXED_SHAFT = """\
parts:
  shaft:
    class: shaft
    shaft: {from: [1330, 0, 480], to: [2390, 0, 480], diameter: 63.5, yokes: {diameter: 100, length: 60}, whip: WHIP}
"""


def test_silent_error_14_shaft_is_more_than_its_tube_at_rest(tmp_path: Path) -> None:
    """A box beside a yoke is nearer than one beside the tube by the radius difference; whip comes off the tube's."""
    distant_plate(tmp_path)
    boxes = (
        "at_yoke: {class: hv_box, box: {x: [1335, 1385], y: [100, 200], z: [470, 490]}}\n"
        "at_tube: {class: hv_box, box: {x: [1800, 1850], y: [100, 200], z: [470, 490]}}"
    )
    found = check(write(tmp_path, boxes, PLAIN + FIXED_SHAFT.replace("WHIP", "0")))
    yoke, tube = distance(found, "at_yoke", "shaft"), distance(found, "at_tube", "shaft")
    assert yoke == pytest.approx(50.0, abs=0.02)
    assert tube - yoke == pytest.approx((100.0 - 63.5) / 2, abs=0.04)
    whipped = check(write(tmp_path, boxes, PLAIN + FIXED_SHAFT.replace("WHIP", "3")))
    assert tube - distance(whipped, "at_tube", "shaft") == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize(("bump", "droop"), [(0, 0), (80, 90)])
def test_silent_error_14_shaft_in_a_sleeve_keeps_the_radius_difference_less_whip(
    tmp_path: Path, bump: int, droop: int
) -> None:
    """Closed form: 60 − 31.75 − 3 in a long sleeve without travel.

    Over the whole travel the sleeve is a ring round the still joint, and a shaft that leans by
    θ = atan(90/1060) at full droop is nearer to it by 60·(1 − cos θ).
    """
    half = 0.01 if bump else 300.0
    middle = 0.0 if bump else 530.0
    start, end = np.array([1330.0, 0.0, 480.0]), np.array([2390.0, 0.0, 480.0])
    ring, faces = _sleeve(60.0, half)
    write_scan(tmp_path / "scan.ply", *mf.join((ring + start + [middle, 0, 0], faces), _far_sheet()))
    vehicle = PLAIN + MOTION.replace("80", str(bump)).replace("90", str(droop)).replace("CARRIES", "")
    shaft = (
        f"parts:\n  shaft: {{class: shaft, shaft: {{from: {start.tolist()}, to: {{on: rear_axle, at: {end.tolist()}}}, "
        "diameter: 63.5, whip: 3}}\n"
    )
    found = row(check(write(tmp_path, vehicle=vehicle + shaft)), "scan", "shaft")
    assert found.static_mm == pytest.approx(25.25, abs=0.02)
    least = 60.0 * math.cos(math.atan(droop / 1060.0)) - 34.75
    assert found.distance_mm == pytest.approx(least, abs=0.02)
    assert found.at_least_mm == pytest.approx(least, abs=0.1)


# --- 15: stale or altered geometry ------------------------------------------------------------------------------------

WITH_MESH = LAYOUT + "  W: {class: structure, mesh: {file: part.stl, units: mm}}\n"


def _edit_layout(folder: Path) -> None:
    edit(folder / "layout.yaml", "y: [105, 340]", "y: [120, 340]")


def _edit_vehicle(folder: Path) -> None:
    edit(folder / "vehicle.yaml", "bump: 80", "bump: 85")


def _edit_scan(folder: Path) -> None:
    write_scan(folder / "scan.ply", *noisy_sheet(dent_mm=0.001))


def _edit_part(folder: Path) -> None:
    mf.save(folder, "part.stl", mf.stl_text(*shapes.box_mesh([1300, 500, 400], [1500, 600, 500.001])))


@pytest.mark.parametrize("change", [_edit_layout, _edit_vehicle, _edit_scan, _edit_part])
def test_silent_error_15_stale_geometry_each_input_edited_alone_is_a_cold_run(tmp_path: Path, change: Any) -> None:
    """The report after an edit, with whatever was kept, is that of a run that kept nothing."""
    write_scan(tmp_path / "scan.ply", *noisy_sheet())
    (tmp_path / "vehicle.yaml").write_text(VEHICLE, encoding="utf-8")
    (tmp_path / "layout.yaml").write_text(WITH_MESH, encoding="utf-8")
    mf.save(tmp_path, "part.stl", mf.stl_text(*shapes.box_mesh([1300, 500, 400], [1500, 600, 500])))
    layout = tmp_path / "layout.yaml"
    before = report(layout)
    assert report(layout) == before
    change(tmp_path)
    after = report(layout)
    assert after == report(layout, "cold")
    assert after["clearances"] != before["clearances"]
    assert after["inputs"] != before["inputs"]
    shutil.rmtree(tmp_path / "cache")
    assert report(layout) == after


def test_silent_error_15_stale_geometry_a_6_mm_rod_and_a_60_mm_window_survive(tmp_path: Path) -> None:
    """A box below the scanned rod meets the rod; one that stands in the scanned window meets no bridge over it."""
    vertices, faces = scans.truck()
    scans.write_scan(tmp_path / "scan.ply", vertices, faces)
    (x, y), half = scans.WINDOW_AT, scans.WINDOW_MM / 2 - 20.0
    parts = (
        "below: {class: structure, box: {x: [1000, 1100], y: [290, 310], z: [450, 487]}}\n"
        f"through: {{class: structure, box: {{x: [{x - half}, {x + half}], "
        f"y: [{y - half}, {y + half}], z: [600, 700]}}}}"
    )
    for cache in ("cache", "cache"):  # read, then kept
        found = check(write(tmp_path, parts), cache)
        assert distance(found, "below", "scan") == pytest.approx(10.0, abs=0.2)  # 500 − 3 − 487, a prism of 12 sides
        through = row(found, "through", "scan")
        assert (through.verdict, through.contact) == (Verdict.NOT_PROVEN, "apart")  # a window, or a gap in the scan?
        assert through.distance_mm == pytest.approx(20.0, abs=0.5)
    spans = f"{{x: [{x - 40}, {x + 40}], y: [{y - 40}, {y + 40}], z: [580, 720]}}"
    felt = f"measured: {{window: {{empty: {{box: {spans}}}}}}}\n"
    assert row(check(write(tmp_path, parts, more=felt)), "through", "scan").verdict is Verdict.PASS
