"""What speed does to a shaft, what practice asks of it, and the page that says so.

Row names (D2, D10 …) are those of the check values: "READ" stands in a maker's manual or a public page, "CALC" is a
closed form, recomputed, "MEM" is from memory.
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
from hypothesis import given
from hypothesis import strategies as st

from fitcheck import cli
from fitcheck.checks.shaft_practice import least, most, practice_rows, short_shaft_deg
from fitcheck.checks.shaft_speed import (
    ANGLE_CHART,
    angle_by_acceleration_deg,
    angle_limit_deg,
    critical_rpm,
    left_over_deg,
    output_speeds_rpm,
    peak_acceleration_rad_s2,
    shaft_rpm,
    small_angle_acceleration_rad_s2,
    speed_for_angle_rpm,
    swing_pct,
    turn_rate_rad_s,
    whirl_mm,
)
from fitcheck.checks.shafts import Road, shaft_over_travel
from fitcheck.report.columns import cells
from fitcheck.report.json_document import to_json
from fitcheck.report.pages_schema import shaft_schema
from fitcheck.report.shaft_page import shaft_lines
from fitcheck.report.terminal import report_lines
from fitcheck.result import Practice, Shaft
from fitcheck.vehicle.mechanisms import SolidAxle, Still
from fitcheck.vehicle.scene import ShaftPart

WORDS = {"within practice", "at the edge", "over", "under", "unknown"}

# -- the chart of angles by speed --


def test_d2_the_chart_at_its_own_rows() -> None:
    """Source: driveline makers' chart; 5000 to 3500 rpm READ, 3000 to 1500 MEM."""
    rows = [(5000, 3.2), (4500, 3.7), (4000, 4.2), (3500, 5.0), (3000, 5.8), (2500, 7.0), (2000, 8.7), (1500, 11.5)]
    for rpm, angle in rows:
        found = angle_limit_deg(rpm)
        assert found.deg == pytest.approx(angle, abs=1e-9)
        assert ("from memory" in found.note) == (rpm < 3500)


def test_d2_agrees_with_one_limit_on_the_acceleration() -> None:
    """w^2 a^2 of every row lies between 850 and 1025 rad/s2 (CALC): the chart is about 1000, never much over it."""
    for rpm, angle in ANGLE_CHART:
        assert 850.0 < small_angle_acceleration_rad_s2(rpm, angle) < 1025.0
        assert angle == pytest.approx(angle_by_acceleration_deg(rpm), rel=0.08)
    assert min(rpm * angle for rpm, angle in ANGLE_CHART) >= 16000.0
    assert max(rpm * angle for rpm, angle in ANGLE_CHART) <= 17500.0


@given(st.floats(100.0, 9000.0), st.floats(1.0, 1.5))
def test_a_faster_shaft_never_gets_a_larger_angle(rpm: float, faster: float) -> None:
    assert angle_limit_deg(rpm * faster).deg <= angle_limit_deg(rpm).deg + 1e-12


def test_between_two_rows_the_angle_is_linear_in_the_time_of_a_turn() -> None:
    middle = 2.0 / (1.0 / 4000.0 + 1.0 / 3500.0)
    assert angle_limit_deg(middle).deg == pytest.approx((4.2 + 5.0) / 2.0)


@pytest.mark.parametrize(
    ("rpm", "angle", "note"), [(8000.0, 2.0, "beyond"), (1000.0, 17.25, "below"), (400.0, 30.0, "below")]
)
def test_beyond_the_chart_it_is_said_and_the_joint_still_binds_at_30(rpm: float, angle: float, note: str) -> None:
    found = angle_limit_deg(rpm)
    assert found.deg == pytest.approx(angle)
    assert note in found.note


def test_a_shaft_that_stands_still_is_held_by_its_metal_alone() -> None:
    assert angle_limit_deg(0.0).deg == 30.0


@given(st.floats(0.2, 29.0))
def test_the_speed_that_an_angle_allows_is_the_chart_read_the_other_way(angle: float) -> None:
    rpm = speed_for_angle_rpm(angle)
    assert rpm is not None
    assert angle_limit_deg(rpm).deg >= angle - 1e-6
    assert angle_limit_deg(rpm * 1.001).deg < angle


def test_no_angle_may_run_at_any_speed_and_a_bound_joint_at_none() -> None:
    assert speed_for_angle_rpm(0.0) is None
    assert speed_for_angle_rpm(30.0) == 0.0


# -- uneven turning --


def test_d10_output_speed_swing() -> None:
    """25 deg, 100 rad/s: 110.34 and 90.63; 20 deg: 12.448 % = sin b tan b (formula READ, CALC)."""
    assert output_speeds_rpm(100.0, 25.0) == pytest.approx((90.63, 110.34), abs=0.005)
    assert swing_pct(20.0) == pytest.approx(12.448, abs=6e-4)
    low, high = output_speeds_rpm(1.0, 20.0)
    assert 100.0 * (high - low) == pytest.approx(swing_pct(20.0))


def turned_by(joint_deg: float, turn: np.ndarray) -> np.ndarray:
    """Angle behind a cross joint: tan(out) = tan(in) cos b, without jumps."""
    return np.unwrap(np.arctan2(np.sin(turn) * math.cos(math.radians(joint_deg)), np.cos(turn)))


@pytest.mark.parametrize("joint", [0.5, 3.0, 10.0, 25.0, 45.0])
def test_peak_acceleration_against_differences_of_the_joints_own_equation(joint: float) -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 4001)
    step = turn[1] - turn[0]
    out = turned_by(joint, turn)
    second = (out[2:] - 2.0 * out[1:-1] + out[:-2]) / step**2
    omega = turn_rate_rad_s(3000.0)
    assert peak_acceleration_rad_s2(3000.0, joint) == pytest.approx(omega**2 * np.abs(second).max(), rel=2e-4)


def test_small_angles_leave_w2_a2_of_the_peak_acceleration() -> None:
    """Closed form: the ratio goes to 1 with the square of the angle."""
    for joint, close in ((0.1, 1e-5), (1.0, 5e-4), (5.0, 0.01)):
        exact = peak_acceleration_rad_s2(3000.0, joint)
        assert small_angle_acceleration_rad_s2(3000.0, joint) == pytest.approx(exact, rel=close)
    assert peak_acceleration_rad_s2(3000.0, 0.0) == 0.0


@pytest.mark.parametrize("between", [0.0, 30.0, 90.0, 140.0])
@pytest.mark.parametrize("phased", [True, False])
def test_what_is_left_of_two_joints_is_one_joint_as_uneven(between: float, phased: bool) -> None:
    """Both joints' own equations, one after the other; the single joint has the same amplitude within 1 %."""
    turn = np.linspace(0.0, 2.0 * math.pi, 7201)
    shift = math.radians(between) + (0.0 if phased else math.pi / 2.0)
    first, second = turned_by(6.0, turn) - turn, turned_by(4.0, turn - shift) - (turn - shift)
    second = second - np.round((second - 0.0) / (2.0 * math.pi)) * 2.0 * math.pi
    uneven = np.abs(first - second).max()
    single = left_over_deg(6.0, 4.0, between, phased=phased)
    assert uneven == pytest.approx(math.radians(single) ** 2 / 4.0, rel=0.01)


def test_equal_joints_in_one_plane_cancel() -> None:
    assert left_over_deg(7.0, 7.0) == 0.0
    assert left_over_deg(7.0, 7.0, 180.0) == pytest.approx(0.0, abs=1e-6)
    assert left_over_deg(5.0, 4.0) == pytest.approx(3.0)
    assert left_over_deg(3.0, 4.0, 90.0) == pytest.approx(5.0)


# -- speed --


@pytest.mark.parametrize(("share", "times"), [(0.5, 0.33), (0.7, 0.96), (0.8, 1.8)])
def test_whirl_grows_with_the_share_of_the_critical_speed(share: float, times: float) -> None:
    assert whirl_mm(1.0, share) == pytest.approx(times, rel=0.02)  # Source: closed form (CALC)


def test_at_its_critical_speed_a_shaft_bows_without_bound() -> None:
    assert whirl_mm(0.3, 1.0) is None
    assert whirl_mm(0.3, 1.4) is None


def test_road_speed_to_shaft_speed() -> None:
    """3.6 km/h on a wheel of 1 m circumference is 60 turns a minute (closed form)."""
    assert shaft_rpm(3.6, wheel_radius_mm=1000.0 / (2.0 * math.pi), ratio=4.0) == pytest.approx(240.0)


# -- practice --

TUBE = ShaftPart("rear", (0, 0, 460), (1190, 0, 400), "axle", 76.2, 3.0, None, None, whip_mm=3.0, ratio=4.1)
AXLE = SolidAxle("axle", (1190.0, 0.0, 400.0), 80.0, 80.0, 400.0)


def found(road: Road | None = None, **more: Any) -> Shaft:
    return shaft_over_travel(dataclasses.replace(TUBE, **more), (Still(), AXLE), road)


def at(km_h: float, **more: Any) -> Shaft:
    return found(Road({}, km_h, 380.0), **more)


def row(shaft: Shaft, figure: str) -> Practice:
    return next(one for one in shaft.practice if one.figure == figure)


@pytest.mark.parametrize(
    ("value", "spread", "word"),
    [
        (2.9, 0.0, "within practice"),
        (3.0, 0.0, "within practice"),
        (3.01, 0.0, "over"),
        (2.9, 0.2, "at the edge"),
        (3.1, 0.2, "at the edge"),
        (3.3, 0.2, "over"),
        (None, 0.0, "unknown"),
        (math.nan, 0.0, "unknown"),
        (math.inf, 0.0, "unknown"),
    ],
)
def test_the_word_for_a_figure_of_at_most_three(value: float | None, spread: float, word: str) -> None:
    assert most(value, 3.0, spread=spread) == word
    mirrored = None if value is None else -value
    assert least(mirrored, -3.0, spread) == {"over": "under"}.get(word, word)


@pytest.mark.parametrize(
    ("share", "word"), [(0.699, "within practice"), (0.72, "at the edge"), (0.76, "over"), (1.2, "over")]
)
def test_d15_share_of_the_critical_speed(share: float, word: str) -> None:
    """Run below 0.70 to 0.75 of critical. Source: driveline makers' practice (READ)."""
    critical = found().critical_rpm
    assert critical is not None
    per_km_h = shaft_rpm(1.0, wheel_radius_mm=380.0, ratio=4.1)
    shaft = at(share * critical / per_km_h)
    assert shaft.speed is not None
    assert shaft.speed.critical_share == pytest.approx(share)
    assert row(shaft, "share of critical").word == word
    assert row(shaft, "whirl at top speed").word == ("over" if share > 1.0 else "within practice")


@pytest.mark.parametrize(
    ("part", "word"),
    [(0.9, "within practice"), (0.93, "over"), (1.0, "over"), (1.07, "over"), (1.1, "within practice")],
)
def test_d15_eight_per_cent_off_half_the_critical_speed(part: float, word: str) -> None:
    """Source: driveline makers' practice (READ)."""
    critical = found().critical_rpm
    assert critical is not None
    half = 0.5 * critical / shaft_rpm(1.0, wheel_radius_mm=380.0, ratio=4.1)
    shaft = at(part * half)
    assert row(shaft, "top speed").word == word
    assert shaft.speed is not None
    assert shaft.speed.half_critical_km_h == pytest.approx((0.92 * half, 1.08 * half))


@pytest.mark.parametrize(("km_h", "word"), [(110.0, "within practice"), (220.0, "over")])
def test_the_angle_is_held_against_the_chart_at_its_speed(km_h: float, word: str) -> None:
    """2.89 deg (D17): allowed up to 5536 rpm; 110 km/h turns 3148 rpm, 220 km/h 6296 rpm."""
    shaft = at(km_h)
    assert row(shaft, "front joint, standing").value == pytest.approx(2.89, abs=0.005)
    assert row(shaft, "front joint, standing").word == word
    assert "beyond the chart" in row(shaft, "front joint, standing").note or km_h < 200.0


def test_taped_joints_leave_the_edge_of_a_limit_open() -> None:
    """At 5500 rpm the limit is 2.91 deg: 2.89 is within it, but not with joints taped to 2 mm (0.27 deg)."""
    km_h = 5500.0 / shaft_rpm(1.0, wheel_radius_mm=380.0, ratio=4.1)
    sure, taped = at(km_h), found(Road({}, km_h, 380.0, taped_sigma_mm=2.0))
    assert row(sure, "front joint, standing").word == "within practice"
    assert row(taped, "front joint, standing").word == "at the edge"
    assert taped.angle_sigma_deg == pytest.approx(math.degrees(math.sqrt(8.0) / 1198.2), rel=1e-3)


def test_without_a_speed_the_angle_is_unknown_and_the_chart_says_what_it_would_bear() -> None:
    shaft = found(ratio=None)
    one = row(shaft, "front joint, standing")
    assert one.word == row(shaft, "share of critical").word == "unknown"
    assert "up to 5" in one.note
    assert "ratio" in one.note


def test_d1_joints_alike_and_not_quite_straight() -> None:
    """At least half a degree each, alike within one, at most 3 left over. Source: driveline makers' rules (READ)."""
    good = found()
    assert {row(good, name).word for name in ("smallest, standing", "joints alike", "left over of both")} == {
        "within practice"
    }
    straight = found(start_mm=(0, 0, 400))
    assert row(straight, "smallest, standing").word == "under"
    down = found(end_axis=(1.0, 0.0, math.tan(math.radians(3.0))))
    assert row(down, "joints alike").word == "over"
    assert row(down, "left over of both").word == "over"


def test_d11_a_joint_that_binds_in_the_travel_is_over() -> None:
    """Metal meets metal near 30 deg. Source: a driveline maker's page (READ)."""
    short = found(start_mm=(1000, 0, 460))
    assert short.joint_deg["front"].max == pytest.approx(math.degrees(math.atan(140.0 / 190.0)), abs=0.01)
    assert row(short, "front joint, largest").word == "over"
    assert row(found(), "front joint, largest").word == "within practice"


def test_the_spline_at_both_ends_of_the_travel() -> None:
    """D17: 6.69 longer and 1.51 shorter than at ride; 1.5 diameters + 5 engaged, 15 free (judgement)."""
    shaft = found(spline_engaged_mm=60.0, spline_free_mm=16.0, spline_diameter_mm=32.0)
    assert row(shaft, "spline engaged").value == pytest.approx(60.0 - 6.69, abs=0.01)
    assert row(shaft, "spline engaged").word == "within practice"
    assert row(shaft, "spline free").value == pytest.approx(16.0 - 1.51, abs=0.01)
    assert row(shaft, "spline free").word == "under"
    assert row(found(spline_engaged_mm=60.0, spline_diameter_mm=36.0), "spline engaged").word == "under"


def test_a_spline_of_which_the_diameter_is_not_known_is_unknown_unless_it_falls_out() -> None:
    unknown = row(found(spline_engaged_mm=60.0), "spline engaged")
    assert unknown.word == "unknown"
    assert "up to 32 mm" in unknown.note
    assert row(found(spline_engaged_mm=6.0), "spline engaged").word == "under"


def test_nan_is_unknown_in_every_row() -> None:
    bare = at(110.0, spline_engaged_mm=60.0, spline_free_mm=20.0)
    nan = math.nan
    joints = {end: dataclasses.replace(one, ride=nan, max=nan) for end, one in bare.joint_deg.items()}
    pairs = {name: dataclasses.replace(pair, joints_deg=(nan, nan), left_deg=nan) for name, pair in bare.pairs.items()}
    length = dataclasses.replace(bare.length_mm, min=nan, max=nan)
    assert bare.speed is not None
    speed = dataclasses.replace(bare.speed, critical_share=nan, half_critical_km_h=None, whip_mm=(nan, nan))
    spoilt = dataclasses.replace(bare, joint_deg=joints, pairs=pairs, length_mm=length, speed=speed)
    rows = practice_rows(spoilt, dataclasses.replace(TUBE, spline_engaged_mm=60.0, spline_free_mm=20.0))
    assert len(rows) == len(bare.practice) - 1  # without the row on half the critical speed
    assert {one.word for one in rows} == {"unknown"}


def half_shaft(**more: Any) -> Shaft:
    """From a still inner joint out to a wheel that goes 80 up and 80 down: 500 across, level at ride."""
    across = (0.0, 1.0, 0.0)
    more = {"start_axis": across, "end_axis": across, **more}
    return found(start_mm=(0, 150, 400), end_mm=(0, 650, 400), **more)


def test_a_half_shaft_is_held_against_what_its_joints_bend_and_plunge() -> None:
    """Usual joints: outer 45 to 50, inner 20 to 26 deg, 40 to 50 mm end to end (from memory)."""
    shaft = half_shaft()
    assert shaft.constant_velocity
    figures = [one.figure for one in shaft.practice]
    assert figures == ["inner joint, largest", "outer joint, largest", "plunge, end to end"]
    assert {one.word for one in shaft.practice} == {"within practice"}
    assert all("from memory" in one.source for one in shaft.practice)
    assert (shaft.loop, shaft.pairs["ride"].left_deg) == (None, 0.0)
    steep = half_shaft(start_axis=(0.0, math.cos(0.5), math.sin(0.5)))
    assert row(steep, "inner joint, largest").word == "over"


def test_the_page_of_a_half_shaft_has_no_word_on_uneven_turning() -> None:
    text = "\n".join(shaft_lines({"half": half_shaft()}, 80))
    assert "rad/s²" not in text
    assert "taken to turn evenly" in " ".join(text.split())


def test_every_limit_names_its_source() -> None:
    rows = at(110.0, spline_engaged_mm=60.0, spline_free_mm=20.0).practice
    assert len(rows) == 12
    assert all(one.source and one.asks and one.word in WORDS for one in rows)


# -- the page --


def pages(width: int = 100) -> list[str]:
    shafts = {"rear": at(110.0, spline_engaged_mm=60.0), "spare": found(ratio=None, wall_mm=None), HOSTILE: found()}
    return shaft_lines(shafts, width)


@pytest.mark.parametrize("width", [80, 100, 120])
def test_no_line_of_the_page_is_longer_than_the_terminal(width: int) -> None:
    lines = pages(width)
    assert max(map(cells, lines)) <= width
    assert not any("\x1b" in line for line in lines)


@pytest.mark.parametrize("width", [80, 120])
def test_figures_are_named_in_full(width: int) -> None:
    rows = [line for line in pages(width) if any(line.rstrip().endswith(word) for word in WORDS)]
    assert len(rows) > 20
    assert not any("…" in line for line in rows)


def test_the_page_names_poses_sources_and_that_it_is_no_verdict() -> None:
    text = " ".join(line.strip() for line in pages())
    assert "SHAFT rear, from the body to axle" in text
    assert "longest 1198.2 mm: axle heave -80.0 mm" in text
    assert "shortest 1190.0 mm: axle heave +60.0 mm" in text
    assert "driveline makers' chart of angle by speed" in text
    assert "from memory" in text
    assert "retaining loop: at x 0 to 152" in text
    assert "change neither PASS nor FAIL" in text
    assert "type the wall of the tube" in text
    assert "type the shaft's ratio and the vehicle's top speed" in text


def test_a_figure_that_is_not_known_is_a_question_mark() -> None:
    shaft = found()
    joints = {end: dataclasses.replace(one, max=math.nan) for end, one in shaft.joint_deg.items()}
    text = "\n".join(shaft_lines({"rear": dataclasses.replace(shaft, joint_deg=joints)}, 100))
    assert "largest front joint ?°" in text
    assert "nan" not in text


def test_a_layout_without_shafts_prints_a_sentence() -> None:
    assert any("has no shaft" in line for line in shaft_lines({}, 80))


def test_the_page_comes_only_when_it_is_asked_for() -> None:
    result = example_result()
    assert "Practice is no verdict" not in "\n".join(report_lines(result))
    with_page = report_lines(result, pages=("shafts",))
    assert "Practice is no verdict" in "\n".join(with_page)
    assert with_page[-1] == report_lines(result)[-1]


def test_practice_never_changes_the_exit_code() -> None:
    bad = Practice("share of critical", 99.0, "%", "at most 70 to 75 %", "over", "practice")
    one = example_result()
    shafts = {"rear_shaft": dataclasses.replace(one.shafts["rear_shaft"], practice=(bad,))}
    for clearances in (one.clearances, one.clearances[:9]):
        plain = dataclasses.replace(one, clearances=clearances, limits=())
        assert dataclasses.replace(plain, shafts=shafts).exit_code == plain.exit_code


def test_the_document_holds_the_page_under_the_names_of_the_format() -> None:
    result = dataclasses.replace(example_result(), shafts={"rear": at(110.0), "spare": found(ratio=None)})
    document = json.loads(to_json(result))
    for shaft in document["shafts"].values():
        jsonschema.Draft202012Validator(shaft_schema()).validate(shaft)
    rear = document["shafts"]["rear"]
    assert rear["joint_deg"]["rear"]["ride"] == pytest.approx(2.89, abs=0.005)
    assert set(rear) >= {"joint_deg", "length_mm", "plunge_mm", "critical_rpm", "practice", "speed", "pairs", "loop"}
    assert rear["length_mm"]["max_pose"]["axle.heave_mm"] == pytest.approx(-80.0)
    assert document["shafts"]["spare"]["speed"] is None


def test_the_options_print_the_pages(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("fitcheck.layout.load_scene", lambda *_, **__: "scene")
    monkeypatch.setattr("fitcheck.checks.run.check_scene", lambda *_, **__: example_result())
    for options, shown in (((), (0, 0)), (("--shafts",), (1, 0)), (("--suspension",), (0, 1))):
        assert cli.run(["check", "t.yaml", *options]) == 1
        text = capsys.readouterr().out
        assert (text.count("SHAFT rear_shaft, from"), text.count("FRAME TWIST")) == shown


def test_d13_speed_of_the_page_is_that_of_the_longest_length() -> None:
    shaft = found()
    expected = critical_rpm(shaft.length_mm.max, 76.2, wall_mm=3.0, sound_m_s=5110.0)
    assert shaft.critical_rpm == pytest.approx(expected)


@pytest.mark.parametrize(("inches", "crossing", "angle"), [(15.0, False, 3.0), (30.0, False, 6.0), (30.0, True, 3.0)])
def test_a_short_shaft_may_stand_at_its_length_over_five_or_over_ten(inches: float, crossing: bool, angle: float):
    """Source: a driveline maker's rule for short coupled shafts (READ), check value D5."""
    assert short_shaft_deg(25.4 * inches, crossing=crossing) == pytest.approx(angle)


def test_the_row_of_a_short_shaft_stands_where_its_length_is_the_stricter_rule():
    """12 in: at most 2.4°, and 1.2° where the ends cross; a shaft of 1190 mm has no such row."""
    short = dataclasses.replace(TUBE, end_mm=(304.0, 0.0, 444.0))
    still = Still()
    for axis, asks in (((1.0, 0.0, 0.0), "at most 2.4°"), ((1.0, 0.2, 0.0), "at most 1.2°")):
        part = dataclasses.replace(short, end_axis=axis, end_on=None)
        rows = practice_rows(shaft_over_travel(part, (still, still)), part)
        row = next(row for row in rows if row.figure == "short shaft, standing")
        assert row.asks == asks
    long = dataclasses.replace(TUBE, end_on=None)
    rows = practice_rows(shaft_over_travel(long, (still, still)), long)
    assert not [row for row in rows if row.figure.startswith("short")]
