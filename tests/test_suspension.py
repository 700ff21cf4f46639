"""The suspension page: travel left, articulation, ride frequency, stiffer springs, wind-up, frame twist.

Expected values are closed forms unless said otherwise; "common practice" is marked as such.
"""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import jsonschema
import numpy as np
import pytest
from example_results import HOSTILE, example_result
from trucks import mass, part, rear_axle, weights

from fitcheck.checks.run import check_scene
from fitcheck.checks.shafts import check_shafts
from fitcheck.checks.suspension import (
    articulation,
    check_suspension,
    ride_frequency_hz,
    shackle_travel_mm,
)
from fitcheck.geometry.solids import Solid, box
from fitcheck.report.columns import cells
from fitcheck.report.json_document import to_document
from fitcheck.report.pages_schema import suspension_schema
from fitcheck.report.suspension_page import suspension_lines
from fitcheck.report.terminal import report_lines
from fitcheck.result import AxleSuspension, FrameRacking, Suspension, SuspensionState
from fitcheck.vehicle.leaves import axle_torque_nm, chord_mm, wind_up_nm_deg
from fitcheck.vehicle.masses import GRAVITY
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle
from fitcheck.vehicle.mounts import racking_mm, twist_torque_nm
from fitcheck.vehicle.moving import axle_body
from fitcheck.vehicle.scene import Axle, FrameTwist, LoadState, PointMass, Scene, ShaftPart, Tyre

CARGO = LoadState("laden", (mass("cargo", 300.0, (2620, 0, 1000), sigma=10.0),))
TWIST = FrameTwist("frame", 1000.0, 4400.0, 4.4, 2620.0, 0.0, 500.0, 800.0)


def rear(**more: Any) -> Axle:
    more.setdefault("mechanisms", ("rear_axle",))
    rate = more.pop("rate", 48.0)
    return Axle("rear", 2620.0, 1480.0, 1450.0, rate, Tyre(395.0, 205.0, 300.0), **more)


def truck(axle: Axle | None = None, **more: Any) -> Scene:
    """A light truck whose rear axle is on a mechanism; 680 kg on it as weighed, 300 more when laden."""
    front = Axle("front", 0.0, 1480.0, 1000.0, 40.0, Tyre(395.0, 205.0, 300.0))
    facts: dict[str, Any] = {
        "parts": (),
        "scan": None,
        "axles": {"front": front, "rear": axle or rear()},
        "weights": weights(),
        "mechanisms": {"rear_axle": rear_axle()},
        "load_states": (LoadState("kerb"), CARGO),
    }
    return Scene("truck", "truck.yaml", "truck", **{**facts, **more})


def page(one: Scene) -> AxleSuspension:
    return check_suspension(one).axles["rear"]


# -- travel left --


def test_bump_left_and_droop_left_of_each_load_state() -> None:
    """bump - g dF / 2k and droop + g dF / 2k."""
    states = page(truck()).states
    used = 300.0 * GRAVITY / (2.0 * 48.0)
    assert (states["kerb"].bump_left_mm, states["kerb"].droop_left_mm) == pytest.approx((80.0, 90.0))
    assert (states["laden"].bump_left_mm, states["laden"].droop_left_mm) == pytest.approx((80.0 - used, 90.0 + used))
    assert states["laden"].bump_left_sigma_mm == pytest.approx(10.0 * GRAVITY / (2.0 * 48.0))
    assert page(truck()).fullest == "laden"


def test_silent_error_13_a_stiffer_spring_moves_bump_left_and_nothing_that_is_swept() -> None:
    """Stops are fixed to the body: travel, articulation and the shaft's extremes stay to the last bit."""
    shaft = ShaftPart("shaft", (1330, 0, 480), (2390, 60, 404), "rear_axle", 63.5, 2.5, None, None)
    soft, stiff = truck(rear(rate=48.0), shafts=(shaft,)), truck(rear(rate=96.0), shafts=(shaft,))
    one, other = page(soft), page(stiff)
    for name in ("bump_mm", "droop_mm", "articulation_deg", "wheel_rise_mm", "wheel_fall_mm"):
        assert getattr(one, name) == getattr(other, name)
    swept = [check_shafts(scene)["shaft"] for scene in (soft, stiff)]
    for name in ("length_mm", "plunge_mm", "critical_rpm", "loop"):
        assert getattr(swept[0], name) == getattr(swept[1], name)
    assert swept[0].joint_deg["rear"].max == swept[1].joint_deg["rear"].max
    left = [found.states["laden"].bump_left_mm for found in (one, other)]
    assert left == pytest.approx([80.0 - 300.0 * GRAVITY / 96.0, 80.0 - 300.0 * GRAVITY / 192.0])


def test_silent_error_13_no_swept_clearance_knows_the_springs() -> None:
    """Twice the spring rate: the least over all poses, its bound and its pose stay to the last bit."""
    axle = rear_axle()
    above = part("box", box((2500.0, -100.0, 560.0), (2740.0, 100.0, 640.0)))
    swept, left = [], []
    for rate in (48.0, 96.0):
        one = truck(rear(rate=rate), parts=(above,), moving=(axle_body(axle, axle),))
        found = check_scene(one)
        row = next(row for row in found.clearances if set(row.between) == {"box", "rear_axle"})
        swept.append((row.distance_mm, row.at_least_mm, row.static_mm, row.straight_bump_mm, row.pose))
        left.append(found.ground["laden"].bump_left_mm["rear"])
    assert swept[0] == swept[1]
    assert swept[0][4] != {}
    assert left == pytest.approx([80.0 - 300.0 * GRAVITY / 96.0, 80.0 - 300.0 * GRAVITY / 192.0])


def test_an_unsprung_part_takes_no_bump_travel() -> None:
    wheels = part("wheels", weighs=mass("wheels", 60.0, (2620, 0, 382)), part_class="tyre", sprung=False)
    found = page(truck(parts=(wheels,))).states["kerb"]
    assert found.bump_left_mm == pytest.approx(80.0)
    assert found.sprung_corner_kg == pytest.approx(340.0)


def test_two_wheels_on_their_own_mechanisms_have_the_lesser_travel_and_no_articulation() -> None:
    left, right = (dataclasses.replace(rear_axle(), name=name, bump_mm=up) for name, up in (("l", 70.0), ("r", 75.0)))
    found = page(truck(rear(mechanisms=("l", "r")), mechanisms={"l": left, "r": right}))
    assert (found.bump_mm, found.droop_mm, found.mechanism) == (70.0, 90.0, "l and r")
    assert (found.articulation_deg, found.wheel_rise_mm, found.leaf) == (None, None, None)


# -- articulation --


def test_articulation_angle_and_wheel_rise() -> None:
    """Stops at +-400, travel 80 and 90, track 1480: 12.0 deg, the wheel rises 149 mm against 80 in straight bump."""
    angle, rise, fall = articulation(80.0, 90.0, stops_mm=400.0, track_mm=1480.0)
    assert angle == pytest.approx(12.0, abs=0.05)
    assert rise == pytest.approx(149.0, abs=0.5)
    assert rise + fall == pytest.approx(80.0 - 90.0)
    found = page(truck())
    assert (found.articulation_deg, found.wheel_rise_mm, found.wheel_fall_mm) == (angle, rise, fall)


def test_articulation_is_that_of_the_mechanism_in_its_crossed_pose() -> None:
    axle = SolidAxle("axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0)
    crossed = np.array([[80.0, -90.0, 0.0, 0.0]])
    wheels = np.array([[2620.0, 740.0, 384.0], [2620.0, -740.0, 384.0]])
    heights = axle.place(crossed, wheels)[0, :, 2] - 384.0
    angle, rise, fall = articulation(80.0, 90.0, stops_mm=400.0, track_mm=1480.0)
    assert heights == pytest.approx([rise, fall])
    assert math.degrees(float(axle.roll_rad(crossed)[0])) == pytest.approx(angle)


# -- ride frequency --


@pytest.mark.parametrize("static_mm", [25.0, 100.0, 200.0])
def test_ride_frequency_from_the_static_deflection(static_mm: float) -> None:
    """f = 15.8 / sqrt(static deflection in mm); 15.76 with standard gravity."""
    frequency = ride_frequency_hz(48.0, static_mm * 48.0 / GRAVITY)
    assert frequency == pytest.approx(math.sqrt(GRAVITY * 1000.0) / (2.0 * math.pi) / math.sqrt(static_mm))
    assert frequency == pytest.approx(15.8 / math.sqrt(static_mm), rel=0.003)


def test_ride_frequency_is_of_the_sprung_mass_alone() -> None:
    found = page(truck(rear(unsprung_kg=120.0)))
    assert found.states["kerb"].sprung_corner_kg == pytest.approx((680.0 - 120.0) / 2.0)
    assert found.states["laden"].sprung_corner_kg == pytest.approx((980.0 - 120.0) / 2.0)
    assert found.states["laden"].frequency_hz == pytest.approx(math.sqrt(48000.0 / 430.0) / (2.0 * math.pi))
    assert found.notes == ()
    assert any("unsprung mass is not typed" in note for note in page(truck()).notes)


@pytest.mark.parametrize(("rate", "kg"), [(48.0, 0.0), (48.0, -5.0), (0.0, 300.0), (math.nan, 300.0), (48.0, math.nan)])
def test_no_mass_or_no_spring_has_no_frequency(rate: float, kg: float) -> None:
    assert ride_frequency_hz(rate, kg) is None


# -- practice --


@pytest.mark.parametrize(
    ("cargo", "sigma", "word"),
    [
        (300.0, 0.0, "within practice"),
        (480.0, 0.0, "within practice"),
        (480.0, 40.0, "at the edge"),
        (500.0, 0.0, "under"),
        (500.0, 40.0, "at the edge"),
    ],
)
def test_less_than_30_mm_of_bump_left_is_under_practice_unless_the_spread_covers_it(
    cargo: float, sigma: float, word: str
) -> None:
    """489.5 kg use 50 of 80 mm. Common practice: 30 mm or it lives on its stops."""
    state = LoadState("laden", (mass("cargo", cargo, (2620, 0, 1000), sigma=sigma),))
    row = page(truck(load_states=(state,))).practice[0]
    assert (row.figure, row.word) == ("bump left, laden", word)


@pytest.mark.parametrize(("rate", "word"), [(25.0, "under"), (48.0, "within practice"), (96.0, "over")])
def test_ride_frequency_beside_that_of_light_trucks(rate: float, word: str) -> None:
    """490 kg a corner: 1.14, 1.58 and 2.23 Hz; 1.3 to 2 is common practice."""
    assert page(truck(rear(rate=rate))).practice[1].word == word


def test_without_a_mechanism_bump_left_is_unknown() -> None:
    found = page(truck(rear(mechanisms=())))
    assert (found.mechanism, found.bump_mm, found.droop_mm, found.stiffer) == (None, None, None, ())
    assert found.states["laden"].bump_left_mm is None
    assert found.states["laden"].frequency_hz is not None
    assert found.practice[0].word == "unknown"


# -- stiffer springs --


def test_a_stiffer_spring_takes_less_of_the_change_of_load() -> None:
    """+20 %: deflection / 1.2, the tyre's part as before, frequency times sqrt(1.2)."""
    found = page(truck())
    fitted, stiff = found.stiffer[0], next(one for one in found.stiffer if one.why == "+20 %")
    spring, tyre = 300.0 * GRAVITY / 96.0, 300.0 * GRAVITY / 600.0
    assert (fitted.why, fitted.wheel_rate_n_mm) == ("as fitted", 48.0)
    assert fitted.bump_left_mm == pytest.approx(80.0 - spring)
    assert stiff.wheel_rate_n_mm == pytest.approx(57.6)
    assert stiff.bump_left_mm == pytest.approx(80.0 - spring / 1.2)
    assert stiff.body_drop_mm == pytest.approx(spring / 1.2 + tyre)
    assert fitted.frequency_hz is not None
    assert stiff.frequency_hz == pytest.approx(fitted.frequency_hz * math.sqrt(1.2))


def test_the_rate_that_leaves_30_mm_leaves_30_mm() -> None:
    """600 kg: k = 600 g / (2 x 50) = 58.84 N/mm; the same answer when that spring is fitted."""
    state = LoadState("laden", (mass("cargo", 600.0, (2620, 0, 1000)),))
    needed = next(one for one in page(truck(load_states=(state,))).stiffer if one.why == "leaves 30 mm")
    assert needed.wheel_rate_n_mm == pytest.approx(600.0 * GRAVITY / 100.0)
    assert needed.bump_left_mm == pytest.approx(30.0)
    fitted = page(truck(rear(rate=needed.wheel_rate_n_mm), load_states=(state,)))
    assert fitted.states["laden"].bump_left_mm == pytest.approx(30.0)


def test_no_such_row_where_the_fitted_spring_leaves_30_or_none_could() -> None:
    assert "leaves 30 mm" not in [one.why for one in page(truck()).stiffer]
    short = dataclasses.replace(rear_axle(), bump_mm=25.0)
    assert "leaves 30 mm" not in [one.why for one in page(truck(mechanisms={"rear_axle": short})).stiffer]


# -- leaf springs --


@pytest.mark.parametrize(("load", "degrees", "torque"), [(837.0, 4.2, 2522.0), (1123.0, 5.6, 3383.0)])
def test_wind_up_of_two_symmetric_springs_at_the_tyres_grip(load: float, degrees: float, torque: float) -> None:
    """48 N/mm, half length 0.6 m: 603 N.m a degree; friction 0.8 on a loaded radius of 0.384 m."""
    stiffness = wind_up_nm_deg((24.0, 24.0), (600.0, 600.0))
    assert stiffness == pytest.approx(603.0, abs=0.5)
    held = axle_torque_nm(None, grip=0.8, axle_load_kg=load, loaded_radius_mm=384.0)
    assert held == pytest.approx(torque, abs=1.0)
    assert held / stiffness == pytest.approx(degrees, abs=0.05)


def test_flattening_a_cambered_leaf_swings_its_shackle() -> None:
    """Camber 130 to 50 lengthens a 1200 spring by 32 mm; flat is the longest."""
    assert chord_mm(1200.0, 50.0) - chord_mm(1200.0, 130.0) == pytest.approx(32.0)
    assert shackle_travel_mm(Leaf(600.0, "front", flat_at_mm=130.0), 80.0, 0.0) == pytest.approx(32.0)
    through_flat = shackle_travel_mm(Leaf(600.0, "front", flat_at_mm=20.0), 80.0, 90.0)
    assert through_flat == pytest.approx(8.0 * 110.0**2 / 3600.0)


def test_the_chord_agrees_with_a_circular_arc_of_that_length() -> None:
    """A flat arc of strip S and half angle u: chord S sin(u)/u, camber S (1 - cos u)/2u; 0.2 % of the shortening."""
    half = 0.12
    camber, chord = 1200.0 * (1.0 - math.cos(half)) / (2.0 * half), 1200.0 * math.sin(half) / half
    assert 1200.0 - chord_mm(1200.0, camber) == pytest.approx(1200.0 - chord, rel=0.002)


def test_the_leaf_springs_of_the_page() -> None:
    leaf = page(truck()).leaf
    assert leaf is not None
    assert leaf.stiffness_nm_deg == pytest.approx(603.2, abs=0.1)
    assert leaf.typed_deg == (6.0, 4.0)
    loaded = 395.0 - 980.0 * GRAVITY / 600.0
    assert leaf.grip_torque_nm == pytest.approx(0.8 * 980.0 * GRAVITY * loaded / 1000.0)
    links = dataclasses.replace(rear_axle(), leaf=None)
    assert page(truck(mechanisms={"rear_axle": links})).leaf is None


# -- frame twist --


def test_most_torque_through_the_frame_lifts_a_wheel_of_the_lighter_axle() -> None:
    """min(W t) g / 2: 600 kg on 1.48 m against 900 on 1.5."""
    found = twist_torque_nm(600.0, 1480.0, 900.0, 1500.0)
    assert found == pytest.approx(600.0 * 1.48 * GRAVITY / 2.0)
    assert check_suspension(truck()).racking.lift_torque_nm == pytest.approx(800.0 * 1.48 * GRAVITY / 2.0)


def cuboid(x: tuple[float, float], y: tuple[float, float]) -> Solid:
    return box((x[0], y[0], 470.0), (x[1], y[1], 630.0))


def test_twist_racks_the_fourth_corner_of_what_is_bolted_to_both_rails() -> None:
    """4.4 deg over 2620 mm, 816 long, rails 800 apart: 19.1 mm; by turning four corners of a rectangle."""
    per_mm = math.radians(4.4) / 2620.0
    corners = np.array([[x, y, y * math.tan(per_mm * x)] for x in (0, 816) for y in (-400, 400)])
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    off = abs((corners[3] - corners[0]) @ normal) / np.linalg.norm(normal)
    assert racking_mm(4.4, 2620.0, 816.0, 800.0) == pytest.approx(off, rel=0.002)
    assert racking_mm(4.4, 2620.0, 816.0, 800.0) == pytest.approx(19.1, abs=0.05)


def test_only_bolted_parts_on_both_sides_of_the_middle_are_racked() -> None:
    parts = (
        part("across", cuboid((1300, 2116), (-300, 300))),
        part("short", cuboid((1300, 1400), (-300, 300))),
        part("one_side", cuboid((1300, 2116), (100, 300))),
        part("room", cuboid((1300, 2116), (-300, 300)), part_class="keep_out"),
        part("hose", cuboid((1300, 2116), (-300, 300)), part_class="brake_line"),
        part("carried", cuboid((1300, 2116), (-300, 300)), on="rear_axle"),
        part("mass_alone", weighs=mass("mass_alone", 5.0, (0, 0, 0))),
    )
    racking = check_suspension(truck(parts=parts, twist=TWIST)).racking
    assert [one.name for one in racking.parts] == ["across", "short"]
    assert racking.parts[0].racked_mm == pytest.approx(racking_mm(4.4, 2620.0, 816.0, 800.0))
    bare = check_suspension(truck(parts=parts, twist=dataclasses.replace(TWIST, rails_mm=None))).racking
    assert bare.parts[0].across_mm == 600.0
    assert check_suspension(truck(parts=parts)).racking.parts == ()


# -- what is not there --


def test_a_vehicle_without_scales_has_its_travel_and_no_load_states() -> None:
    found = check_suspension(truck(weights=None))
    assert found.racking.lift_torque_nm is None
    assert found.axles["rear"].bump_mm == 80.0
    assert found.axles["rear"].states == {}
    assert (found.axles["rear"].fullest, found.axles["rear"].stiffer, found.axles["rear"].practice) == (None, (), ())


def test_a_vehicle_without_axles_has_an_empty_page() -> None:
    assert check_suspension(truck(axles={}, mechanisms={})) == Suspension()


# -- the page --

SPAN = part("across", cuboid((1300, 2116), (-300, 300)))


def heavy(aboard: PointMass) -> Scene:
    return truck(load_states=(LoadState("kerb"), LoadState(HOSTILE, (aboard,))), parts=(SPAN,), twist=TWIST)


@pytest.mark.parametrize("width", [80, 100, 120])
def test_no_line_of_the_page_is_longer_than_the_terminal(width: int) -> None:
    lines = suspension_lines(check_suspension(heavy(mass("cargo", 600.0, (2620, 0, 1000)))), width)
    assert max(map(cells, lines)) <= width
    assert not any("\x1b" in line for line in lines)
    assert len(lines) > 40


def test_the_page_says_travel_articulation_springs_twist_and_that_it_is_no_verdict() -> None:
    text = " ".join(line.strip() for line in suspension_lines(check_suspension(truck(parts=(SPAN,), twist=TWIST)), 100))
    for words in (
        "SUSPENSION, rear axle, on rear_axle",
        "80 mm up to the metal stop, 90 mm down",
        "12.0°, one wheel 149 mm up and the other 159 mm down",
        "603 N·m a degree",
        "4400 N·m twists it ±4.4° over 2620 mm",
        "no mechanism carries this axle",
        "change neither PASS nor FAIL",
    ):
        assert words in text
    assert "laden 49.4 ±2.0 120.6 ±2.0" in " ".join(text.split())
    assert "across 816 800 ±19.1" in " ".join(text.split())


def test_a_gain_within_the_loads_own_spread_is_marked() -> None:
    """+10 % gains 2.8 mm: less than the loads' own spread of 4.1, more than one of 2.0."""
    for sigma, marked in ((20.0, True), (10.0, False)):
        state = LoadState("laden", (mass("cargo", 300.0, (2620, 0, 1000), sigma=sigma),))
        lines = suspension_lines(check_suspension(truck(load_states=(state,))), 100)
        row = next(line for line in lines if line.strip().startswith("+10 %"))
        assert ("≈" in row) == marked


def test_what_is_not_known_is_a_question_mark_or_a_sentence() -> None:
    states = {"kerb": SuspensionState(math.nan, math.nan, None, None, None)}
    axle = AxleSuspension(None, math.nan, None, 48.0, states=states, fullest="kerb")
    text = "\n".join(suspension_lines(Suspension({"rear": axle}), 100))
    assert "nan" not in text
    assert "kerb" in text
    assert "no frame_twist is typed" in text
    empty = "\n".join(suspension_lines(Suspension(), 80))
    assert "names no axles" in empty
    bare = "\n".join(suspension_lines(check_suspension(truck(weights=None)), 80))
    assert "not weighed" in bare


def test_twist_without_such_parts_says_so() -> None:
    lines = suspension_lines(check_suspension(truck(twist=TWIST)), 100)
    assert any("no part lies on both sides" in line for line in lines)


def test_the_page_comes_only_when_it_is_asked_for() -> None:
    result = dataclasses.replace(example_result(), suspension=check_suspension(truck()))
    assert "SUSPENSION, rear" not in "\n".join(report_lines(result))
    assert "SUSPENSION, rear" in "\n".join(report_lines(result, pages=("suspension",)))


@pytest.mark.parametrize(
    "found",
    [check_suspension(truck(parts=(SPAN,), twist=TWIST)), Suspension(), Suspension({}, FrameRacking(math.nan))],
    ids=["full", "empty", "nan"],
)
def test_the_document_holds_the_page(found: Suspension) -> None:
    document = json.loads(json.dumps(to_document(dataclasses.replace(example_result(), suspension=found))))
    jsonschema.Draft202012Validator(suspension_schema()).validate(document["suspension"])
    if found.axles:
        assert document["suspension"]["axles"]["rear"]["wheel_rise_mm"] == pytest.approx(149.0, abs=0.5)
