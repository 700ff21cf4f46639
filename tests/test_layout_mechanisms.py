"""What a person types for everything that moves becomes motions and bodies, and every slip is named at its line."""

# ruff: noqa: E501  (tables of slips, one a line)

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from fitcheck.errors import LayoutError, Mistake
from fitcheck.layout import load_scene, read_layout
from fitcheck.layout.build_mechanisms import build_mechanisms, build_twist
from fitcheck.layout.riding import Riding, riding_of
from fitcheck.vehicle.chains import Chain
from fitcheck.vehicle.linkages import FiveRods
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.scene import Scene
from tests.layout_texts import ARRANGEMENT, INDEPENDENT, RUNNING, VEHICLE, write, write_pair


def scene_of(folder: Path, text: str) -> Scene:
    return load_scene(write(folder, a=text))


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    return scene_of(tmp_path_factory.mktemp("running"), RUNNING)


@pytest.fixture(scope="module")
def independent(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    return scene_of(tmp_path_factory.mktemp("independent"), INDEPENDENT)


def riding(folder: Path, text: str) -> Riding:
    layout = read_layout(write(folder, a=text))
    return riding_of(layout, build_mechanisms(layout), build_twist(layout))


def body(scene: Scene, name: str) -> Any:
    return next(moving for moving in scene.moving if moving.name == name)


def part(scene: Scene, name: str) -> Any:
    return next(part for part in scene.parts if part.name == name)


def moved(motion: Motion, point: tuple[float, float, float], **coordinates: float) -> list[float]:
    """Where a point goes; coordinates by name with "__" for the dot, the others at the scan pose."""
    pose = motion.scan_pose.copy()
    for name, value in coordinates.items():
        pose[motion.coordinates.index(name.replace("__", "."))] = value
    return [float(x) for x in motion.place(pose[None], np.array([point]))[0, 0]]


# --- mechanisms ------------------------------------------------------------------------------


def test_all_kinds_are_built_by_name(running: Scene, independent: Scene) -> None:
    kinds = {name: type(block).__name__ for scene in (running, independent) for name, block in scene.mechanisms.items()}
    assert kinds == {
        "front_axle": "SolidAxle",
        "steering": "Steering",
        "rear_axle": "LinkedAxle",
        "unit": "Chain",
        "fl": "FiveRods",
        "fr": "Strut",
        "rl": "Chain",
        "rr": "Chain",
        "bed": "Chain",
    }
    travels = {name: (block.bump_mm, block.droop_mm) for name, block in running.mechanisms.items()}
    assert travels == {"front_axle": (70, 80), "steering": (0, 0), "rear_axle": (80, 90), "unit": (0, 0)}
    assert [axle.mechanisms for axle in independent.axles.values()] == [("fl", "fr"), ("rl", "rr")]
    assert running.axles["rear"].mechanisms == ("rear_axle",)


def test_every_mechanism_and_body_knows_its_line(running: Scene) -> None:
    lines = RUNNING.splitlines()
    origins = {name: block.origin for name, block in running.mechanisms.items()}
    for name, origin in [*origins.items(), *((moving.name, moving.origin) for moving in running.moving)]:
        assert lines[int(origin.rsplit(":", 1)[1]) - 1].strip().startswith(f"{name}:")


def test_wind_up_follows_from_springs_and_grip(running: Scene) -> None:
    """Closed form: 0.8·837 kg·g·0.384 m = 2522 N·m over 2·48 N/mm·(600 mm)²/2·… = 603 N·m/° is 4.18°, both ways."""
    axle: Any = running.mechanisms["front_axle"]
    assert axle.wind_up_drive_deg == pytest.approx(4.18, abs=0.01)
    assert axle.wind_up_brake_deg == axle.wind_up_drive_deg


@pytest.mark.parametrize(
    ("wind_up", "drive", "brake"),
    [
        ("{spring_rate: 48, torque: 603.2}", 1.0, 1.0),
        ("{spring_rate: 48, torque: 1206.4, grip: 0.8, axle_load: 837, loaded_radius: 384}", 2.0, 4.181),
        ("{drive: 5}", 5.0, 0.0),
    ],
)
def test_torque_gives_drive_and_grip_gives_brake(wind_up: str, drive: float, brake: float, tmp_path: Path) -> None:
    """Closed form: 603.2 N·m a degree."""
    text = RUNNING.replace("{spring_rate: 48, grip: 0.8, axle_load: 837, loaded_radius: 384}", wind_up)
    axle: Any = riding(tmp_path, text).mechanisms["front_axle"]
    assert (axle.wind_up_drive_deg, axle.wind_up_brake_deg) == pytest.approx((drive, brake), abs=2e-3)


def test_a_unit_rocks_by_torque_over_its_mounts(running: Scene) -> None:
    """Closed form: 600 N·m on two 300 N/mm mounts at ± 200 mm: 1.43°; 300 lb·ft is 406.7 N·m."""
    unit = running.mechanisms["unit"]
    assert np.degrees(unit.high[0]) == pytest.approx(1.432, abs=1e-3)
    assert np.degrees(-unit.low[0]) == pytest.approx(1.432 * 406.745 / 600, abs=1e-3)
    assert (unit.high[1], unit.low[1], unit.high[2], unit.low[2]) == (3, -3, 4, 0)


def test_locks_reach_the_steering_and_a_missing_side_is_the_mirror_image(running: Scene) -> None:
    """Closed form: cot(outer) − cot(33°) = 1300/2620, so the outer lock is 26.16°."""
    steering: Any = running.mechanisms["steering"]
    assert (steering.inner_deg, steering.outer_deg) == pytest.approx((33, 26.158), abs=0.001)
    left, right = steering.left_kingpin, steering.right_kingpin
    assert right.lower == (left.lower[0], -left.lower[1], left.lower[2])
    assert right.upper == (left.upper[0], -left.upper[1], left.upper[2])
    assert left.upper[1] > left.lower[1]  # the top leans inward
    assert left.upper[0] > left.lower[0]  # and rearward


def test_a_chain_turns_and_slides_by_its_laws(independent: Scene) -> None:
    """Closed form: tip 10°, slide 50 mm: turned by 10 + 0.02·50 = 11° about y at x 3000, then 50 rearward: up in front."""
    bed: Any = independent.mechanisms["bed"]
    found = moved(bed, (2000, 0, 700), bed__tip=math.radians(10), bed__slide=50)
    assert found == pytest.approx([3050 - 1000 * math.cos(math.radians(11)), 0, 700 + 1000 * math.sin(math.radians(11))])
    assert (bed.low[0], bed.high[0]) == pytest.approx((0, math.radians(50)))
    assert (bed.low[1], bed.high[1]) == (-20, 100)


def test_a_chains_limit_is_in_degrees_and_mm(independent: Scene) -> None:
    """At 40° tip and 80 mm slide the sum is 80, at most 80; at 41° it is more."""
    (limit,) = independent.mechanisms["bed"].limits
    sums = [sum(g * q for g, q in zip(limit.gains, (math.radians(tip), 80), strict=True)) for tip in (40, 41)]
    assert sums[0] == pytest.approx(limit.most)
    assert sums[1] > limit.most + 0.9
    assert set(independent.mechanisms["bed"].causes()) == {"rocked"}


def test_a_square_law_and_units_of_the_file(tmp_path: Path) -> None:
    """A coordinate of 4 in is 101.6 mm; 0.001 mm for each square mm lifts by 10.3 mm at its end."""
    chain = "{coordinates: {push: {length: [0, 4 in]}}, joints: [{slide: [0, 0, 2], by: {push: [0, 0.001]}}]}"
    found: Any = riding(tmp_path, f"format: 1\nvehicle: x\nmechanisms: {{seat: {{chain: {chain}}}}}\n")
    motion = found.motion("seat")
    assert moved(motion, (0, 0, 0), seat__push=101.6) == pytest.approx([0, 0, 0.001 * 101.6**2])


def test_swing_arms_lift_the_wheel_by_exactly_their_travel(independent: Scene) -> None:
    for name, wheel in (("rl", (2600, -740, 320)), ("rr", (2600, 740, 320))):
        arm: Any = independent.mechanisms[name]
        heights = [arm.place(pose[None], np.array([wheel]))[0, 0, 2] for pose in (arm.low, arm.high)]
        assert heights == pytest.approx([250, 390], abs=1e-6)


def test_the_other_wheel_is_the_mirror_image_with_every_point(tmp_path: Path) -> None:
    """Written as ``mirror_of``, and typed with every y the other way round: the same mechanisms."""
    keep = INDEPENDENT[: INDEPENDENT.index("  fr:\n")]
    tail = INDEPENDENT[INDEPENDENT.index("  bed:\n") : INDEPENDENT.index("parts:")]
    fl = keep[keep.index("  fl:\n") :].replace("rack: 60", "rack: 60\n      carries: {hub: {box: {x: [-9, 9], y: [-800, -700], z: [310, 330]}}}")
    flipped = re.sub(r"\[(-?\d+), (-?\d+), (-?\d+)\]", lambda m: f"[{m[1]}, {-int(m[2])}, {m[3]}]", fl)
    flipped = flipped.replace("y: [-800, -700]", "y: [700, 800]").replace("fl:", "fr:")
    arm = "swing_arm: {wheel: [2600, 740, 320], front_view: [-200, 300], side_view: [1900, 340], bump: 70, droop: 70}"
    other = arm.replace("740", "-740").replace("[-200", "[200")
    head = keep[: keep.index("  fl:\n")]
    short = riding(tmp_path, head + fl + f"  fr: {{mirror_of: fl}}\n  rr: {{{arm}}}\n  rl: {{mirror_of: rr}}\n" + tail)
    long = riding(tmp_path, head + fl + flipped + f"  rr: {{{arm}}}\n  rl: {{{other}}}\n" + tail)
    for name in ("fr", "rl"):
        one: Any = short.mechanisms[name]
        same: Any = long.mechanisms[name]
        assert isinstance(one, FiveRods if name == "fr" else Chain)
        assert replace(one, carries=(), origin="") == replace(same, carries=(), origin="")
        assert [solid.extents().tolist() for _, solid in one.carries] == [s.extents().tolist() for _, s in same.carries]


# --- what carries what -------------------------------------------------------------------------


def test_a_wheel_that_steers_rides_on_its_axle(tmp_path: Path) -> None:
    """Both sides up by 50 lift the knuckle by 50; steering alone leaves a point on the kingpin where it is."""
    text = RUNNING.replace("  frame:\n    frame_twist: {stiffness: 900, height: 560, rails: 740}\n", "")
    found = riding(tmp_path, text)
    motion = found.motion("steering.left")
    assert found.names("steering.left") == ("steering", "front_axle")
    up = moved(motion, (100, -700, 382), front_axle__right=50, front_axle__left=50)
    assert up[2] == pytest.approx(432)
    pin = (0, -650, 382)
    assert moved(motion, pin, steering__steer=0.4) == pytest.approx(pin)
    assert moved(motion, (0, -740, 382), steering__steer=0.4)[0] != pytest.approx(0, abs=5)


def test_each_steered_wheel_may_ride_on_a_mechanism_of_its_own(tmp_path: Path) -> None:
    steering = "  steering: {steered_wheels: {left: {at: [2600, -700, 320], inclination: 5}, inner: 3}, on: [rl, rr]}\n"
    found = riding(tmp_path, INDEPENDENT.replace("  bed:\n", steering + "  bed:\n"))
    assert found.names("steering.left") == ("steering", "rl")
    assert found.names("steering.right") == ("steering", "rr")
    assert set(found.motion("steering.right").coordinates) == {"steering.steer", "rr.arm"}


def test_the_frame_twists_what_it_carries_at_each_station(tmp_path: Path, running: Scene) -> None:
    """Closed form: the lighter axle, 680 kg at 1480, lifts a wheel at 4935 N·m: ± 5.48° at 900 N·m/° over 2620."""
    twist = running.twist
    assert twist is not None
    assert (twist.torque_nm, twist.half_deg) == pytest.approx((680 * 1.48 * 9.80665 / 2, 5.483), abs=1e-3)
    assert (twist.between_mm, twist.from_x_mm, twist.height_z_mm, twist.rails_mm) == (2620, 0, 560, 740)
    found = riding(tmp_path, RUNNING)
    angle = 0.09
    for word, x in (("rear_axle", 2620), ("unit", 1000), ("front_axle", 0)):
        part = angle * x / 2620
        at = moved(found.motion(word), (500, 700, 560), frame__twist=angle)
        assert at == pytest.approx([500, 700 * math.cos(part), 560 + 700 * math.sin(part)])
    assert moved(found.motion("", 1310), (0, 700, 560), frame__twist=angle)[2] == pytest.approx(560 + 700 * math.sin(angle / 2))


def test_what_wheels_carry_is_unsprung_and_what_a_unit_carries_is_not(running: Scene) -> None:
    sprung = {name: part(running, name).sprung for name in ("drive_unit", "knuckle", "tyre_fl", "tyre_fr", "box")}
    assert sprung == {"drive_unit": True, "knuckle": False, "tyre_fl": False, "tyre_fr": False, "box": True}


def test_carried_parts_name_what_carries_them(running: Scene) -> None:
    assert {part.name: part.on for part in running.parts} == {
        "drive_unit": "unit",
        "knuckle": "steering.left",
        "tyre_fl": "steering.left",
        "tyre_fr": "steering.right",
        "tie_rod": "steering.left",
        "drag_link": "steering.right",
        "brake_hose": "steering.left",
        "damper": "rear_axle",
        "box": "",
    }
    assert {moving.name for moving in running.moving} == {
        *(part.name for part in running.parts if part.on),
        "front_axle",
        "rear_shaft",
    }


def test_a_copy_rides_where_its_original_does_unless_it_says_otherwise(tmp_path: Path) -> None:
    """``like`` takes ``on`` over, ``on: null`` is on the body."""
    copies = "  second: {like: knuckle, nudge: [300, 0, 0]}\n  third: {like: knuckle, on: null, nudge: [600, 0, 0]}\n"
    scene = scene_of(tmp_path, RUNNING.replace("rules:\n", copies + "rules:\n"))
    assert [part(scene, name).on for name in ("second", "third")] == ["steering.left", ""]
    assert part(scene, "third").sprung


# --- bodies --------------------------------------------------------------------------------------


def test_a_tyre_turns_in_the_room_that_it_grows_to(running: Scene) -> None:
    """Closed form: radius 395·1.01 + 20; width 205 + 2·(10 + 20)."""
    (wheel,) = body(running, "tyre_fl").pieces
    assert (wheel.radius_mm, wheel.width_mm) == pytest.approx((395 * 1.01 + 20, 265))
    assert wheel.centre == pytest.approx((0, -740, 382))
    (mirrored,) = body(running, "tyre_fr").pieces
    assert mirrored.centre == pytest.approx((0, 740, 382))
    assert (mirrored.radius_mm, mirrored.width_mm) == pytest.approx((wheel.radius_mm, wheel.width_mm))
    assert part(running, "tyre_fr").mass.cg_mm == pytest.approx((0, 740, 382))
    assert part(running, "tyre_fr").part_class == "tyre"


def test_what_shares_a_joint_is_joined_and_a_tyre_is_not_joined_to_a_rod(running: Scene) -> None:
    joined = {moving.name: set(moving.joined_to) for moving in running.moving}
    assert joined["tie_rod"] == {"steering", "knuckle"}
    assert joined["tyre_fl"] == {"steering", "front_axle", "knuckle"}
    assert joined["brake_hose"] == {"steering", "knuckle"}
    assert joined["rear_shaft"] == {"unit", "drive_unit", "rear_axle"}
    assert joined["knuckle"] == {"steering", "front_axle"}
    assert joined["front_axle"] == set()


def test_a_body_moves_by_all_that_its_ends_are_on(running: Scene) -> None:
    rides = {moving.name: moving.rides_on for moving in running.moving}
    assert rides["rear_shaft"] == ("unit", "rear_axle")
    assert rides["tie_rod"] == ("steering", "front_axle")
    for moving in running.moving:
        blocks = [block.name for block in moving.space.blocks]
        assert set(blocks) == {*moving.rides_on, "frame"}, moving.name
        assert all(piece.space.coordinates == moving.space.coordinates for piece in moving.pieces), moving.name


def test_everything_stands_on_scan_day_where_it_was_typed(running: Scene, independent: Scene) -> None:
    """At the scan pose a body's pieces hold the part's own points."""
    for scene in (running, independent):
        for moving in scene.moving:
            at = moving.solids(moving.space.scan_pose)
            low = np.min([solid.extents()[0] for solid in at], axis=0)
            high = np.max([solid.extents()[1] for solid in at], axis=0)
            for solid in next((p.solids for p in scene.parts if p.name == moving.name), ()):
                assert (solid.extents()[0] >= low - 0.02).all()
                assert (solid.extents()[1] <= high + 0.02).all()
    (tie_rod,) = part(running, "tie_rod").solids
    assert tie_rod.extents().tolist() == [[144, -616, 364], [176, 616, 396]]


def test_a_shaft_on_a_part_rides_as_the_part_does(running: Scene) -> None:
    (shaft,) = running.shafts
    assert (shaft.start_on, shaft.end_on) == ("unit", "rear_axle")
    assert shaft.start_motion is not None
    assert set(shaft.start_motion.coordinates) == {"unit.rock", "unit.surge", "unit.settle", "frame.twist"}
    assert (shaft.ratio, shaft.spline_engaged_mm, shaft.spline_free_mm, shaft.spline_diameter_mm) == (3.9, 90, 40, 40)
    assert shaft.phased is True


def test_a_shaft_in_two_pieces_is_joined_at_its_bearing(tmp_path: Path) -> None:
    """Two shafts, the joint at the bearing on the body: they are not judged against each other."""
    second = "  front_piece: {shaft: {from: [800, 0, 480], to: [1330, 0, 480], diameter: 63.5}}\n"
    scene = load_scene(write_pair(tmp_path, vehicle=VEHICLE + second))
    assert body(scene, "rear_shaft").joined_to == ("rear_axle", "front_piece")
    assert body(scene, "front_piece").joined_to == ("rear_shaft",)


def test_a_half_shaft_is_a_shaft_across(independent: Scene) -> None:
    (shaft,) = independent.shafts
    assert (shaft.part_class, shaft.start_on, shaft.end_on) == ("shaft", None, "rl")
    assert (shaft.start_motion, shaft.start_axis, shaft.end_axis) == (None, (0, 1, 0), (0, 1, 0))
    assert (shaft.yoke_diameter_mm, shaft.yoke_length_mm) == (90, 60)


def test_a_rod_between_two_points_of_the_body_is_a_part_like_any_other(tmp_path: Path) -> None:
    text = VEHICLE + "  stay: {class: structure, rod: {from: [0, 0, 500], to: [100, 0, 500], diameter: 20}, mass: 1}\n"
    scene = load_scene(write_pair(tmp_path, vehicle=text))
    assert part(scene, "stay").on == ""
    assert part(scene, "stay").mass.cg_mm == (50, 0, 500)
    assert "stay" not in [moving.name for moving in scene.moving]


def test_speeds_and_causes_reach_the_scene(running: Scene, tmp_path: Path) -> None:
    assert running.top_speed_km_h == 100
    assert [rule.cause for rule in running.rules] == ["straight bump"]
    scene = scene_of(tmp_path, RUNNING.replace("100 km/h", "50 mph").replace("cause: straight bump", "cause: everything"))
    assert scene.top_speed_km_h == pytest.approx(80.4672)  # source: the international mile, 1609.344 m
    assert [rule.cause for rule in scene.rules] == [""]
    assert all(rule.cause == "" for rule in load_scene(write_pair(tmp_path, ARRANGEMENT)).rules)


# --- slips ------------------------------------------------------------------------------------------


class Slip(NamedTuple):
    """Replace ``old`` by ``new``; ``caret`` is what the caret must point at in the new text."""

    old: str
    new: str
    caret: str
    says: str
    hint: str = ""


SLIPS: dict[str, Slip] = {
    # what carries what
    "unknown on of a mechanism": Slip("    on: front_axle\n", "    on: front_axel\n", "front_axel", "there is no mechanism 'front_axel'", "did you mean 'front_axle'?"),
    "unknown on of a part": Slip("class: drive_unit, on: unit,", "class: drive_unit, on: unti,", "unti,", "there is no mechanism 'unti'", "did you mean 'unit'?"),
    "unknown on of a joint": Slip("{on: rear_axle, at: [2600, 400, 330]}", "{on: rear_axl, at: [2600, 400, 330]}", "rear_axl,", "there is no mechanism 'rear_axl'", "did you mean 'rear_axle'?"),
    "steering without a side": Slip("class: steering, on: steering.left", "class: steering, on: steering", "steering, box", "'steering' has a left and a right body: which one?", "steering.left or steering.right"),
    "an unknown side": Slip("class: steering, on: steering.left", "class: steering, on: steering.lift", "steering.lift", "'steering' has no 'lift'", "did you mean 'steering.left'?"),
    "a side of an axle": Slip("to: {on: rear_axle, at: [2600", "to: {on: rear_axle.left, at: [2600", "rear_axle.left", "'rear_axle' has no sides", "write on: rear_axle"),
    "on the frame's twist": Slip("class: drive_unit, on: unit,", "class: drive_unit, on: frame,", "frame, box", "'frame' twists the whole frame"),
    "on a part": Slip("class: drive_unit, on: unit,", "class: drive_unit, on: box,", "box, box", "'box' is no mechanism: nothing can ride on it"),
    "carried by itself": Slip("    on: front_axle\n", "    on: steering.left\n", "steering.left\n", "'steering' is carried by itself: steering → steering"),
    "an axle carried by itself": Slip("  rear_axle:\n    link_axle:", "  rear_axle:\n    on: rear_axle\n    link_axle:", "rear_axle\n    link_axle", "'rear_axle' is carried by itself"),
    "carried in a circle": Slip("  front_axle:\n", "  front_axle:\n    on: steering.right\n", "steering.right\n", "these mechanisms carry each other: front_axle → steering → front_axle"),
    "two carriers of an axle": Slip("  rear_axle:\n    link_axle:", "  rear_axle:\n    on: [unit, front_axle]\n    link_axle:", "[unit, front_axle]", "only steered wheels ride on two things"),
    "a mirror image that does not say": Slip("{mirror_of: tyre_fl, on: steering.right}", "{mirror_of: tyre_fl}", "tyre_fl}", "'tyre_fl' rides on 'steering.left': what does its mirror image 'tyre_fr' ride on?", "like on: steering.right"),
    "wheels on a unit": Slip("mechanism: rear_axle", "mechanism: unit", "unit}", "'unit' carries no wheels through their travel", "one of: front_axle, rear_axle"),
    "three wheels": Slip("mechanism: rear_axle", "mechanism: [rear_axle, rear_axle, rear_axle]", "[rear_axle, rear_axle, rear_axle]", "expected two names [one, other], found 3"),
    # axles
    "stops that cross": Slip("      bump: 70\n", "      bump: -70\n", "-70", "the stops cross", "neither is negative"),
    "angles beside springs": Slip("wind_up: {spring_rate: 48, grip: 0.8, axle_load: 837, loaded_radius: 384}", "wind_up: {drive: 4, spring_rate: 48}", "spring_rate: 48", "'spring_rate' does not go with degrees"),
    "grip without a load": Slip(", axle_load: 837", "", "wind_up: {spring_rate", "'axle_load' missing"),
    "springs without a rate": Slip("spring_rate: 48, ", "", "wind_up: {grip", "'spring_rate' is missing"),
    "springs without leaves": Slip("      leaf: {half_length: 600, fixed_eye: rear}\n", "", "spring_rate: 48", "'leaf' is missing: wind-up needs the springs' half length"),
    "torque in mm": Slip("spring_rate: 48, ", "spring_rate: 48, torque: 2500 mm, ", "2500 mm", "expected a torque (N·m, Nm, lb·ft, lb-ft), found a length"),
    "a rod of no length": Slip("body: [1900, -450, 420], axle: [2600, -500, 330]", "body: [1900, -450, 420], axle: [1900, -450, 420]", "[1900, -450, 420]}", "'body' and 'axle' are the same point"),
    "a rod of another length": Slip("length: 601.3", "length: 650", "upper_left:", "650"),
    "too few rods": Slip("        upper_right: {body: [2000, 200, 560], axle: [2600, 200, 520]}\n        lateral: {body: [2700, -430, 420], axle: [2700, 430, 420]}\n", "", "link_axle:", "'rear_axle': "),
    # steering
    "outer more than inner": Slip("      inner: 33\n", "      inner: 33\n      outer: 35\n", "35\n", "the outer wheel turns less than the inner one, found 35 > 33°", "swap them"),
    "kingpin by half": Slip("{at: [0, -650, 382], inclination: 8, caster: 3}", "{lower: [0, -650, 300]}", "left: {lower", "the kingpin's axis is missing"),
    "kingpin twice": Slip("{at: [0, -650, 382], inclination: 8, caster: 3}", "{at: [0, -650, 382], lower: [0, -650, 300], upper: [0, -640, 400]}", "at: [0, -650", "'at' does not go with 'lower'"),
    "kingpin upside down": Slip("{at: [0, -650, 382], inclination: 8, caster: 3}", "{lower: [0, -650, 300], upper: [0, -640, 200]}", "[0, -640, 200]", "'upper' must be above 'lower'"),
    "no kingpin": Slip("      left: {at: [0, -650, 382], inclination: 8, caster: 3}\n", "", "steered_wheels:", "the kingpins are missing"),
    "kingpin on the other side": Slip("left: {at: [0, -650, 382]", "left: {at: [0, 650, 382]", "steered_wheels:", "'steering': expected the left kingpin left of the right one"),
    # units and frame
    "a unit without mounts": Slip("      mounts: {left: {at: [1000, -200, 560], rate: 300}, right: {at: [1000, 200, 560], rate: 300}}\n", "", "rocking_unit:", "'mounts' is missing"),
    "rocked twice": Slip("      surge: 3\n", "      surge: 3\n      rock: {drive: 2}\n", "rock:", "how far it rocks is given twice"),
    "an axis in words": Slip("axis: x\n", "axis: along\n", "along", "expected x, y, z or a direction, found 'along'"),
    "mounts on the axis": Slip("[1000, -200, 560], rate: 300}, right: {at: [1000, 200, 560]", "[900, 0, 560], rate: 300}, right: {at: [1100, 0, 560]", "rocking_unit:", "expected mounts apart from the axis"),
    "a second twist": Slip("parts:\n", "  other: {frame_twist: {stiffness: 900, height: 500}}\nparts:\n", "other:", "the frame twists once: 'frame' is its twist already", "keep one of them"),
    "a twist on an axle": Slip("    frame_twist: {", "    on: unit\n    frame_twist: {", "on: unit\n    frame", "nothing carries the frame"),
    "two kinds": Slip("    frame_twist: {", "    rocking_unit: {axis: x, at: [0, 0, 0], rock: {drive: 1}}\n    frame_twist: {", "frame_twist:", "the kind of mechanism is given twice"),
    "a twist without weights": Slip("weights:\n  as_weighed: {front_left: 402, front_right: 398, rear_left: 342, rear_right: 338}\n  cg_height: 688\n", "", "frame_twist:", "without axles and weights none can be computed"),
    # spans
    "a hose too short": Slip("length: 420", "length: 240", "240", "a hose of 240 mm does not reach: its ends are 263.", "measure it straight"),
    "a link to nothing": Slip("to: {on: steering.right, at: [100, 560, 400]}", "to: [100, 560, 400]", "[100, 560, 400]", "a drag link moves something: 'on' is missing"),
    "a link in line": Slip("tip: [-300, 350, 400], diameter: 40}, to: {on: steering.right, at: [100, 560, 400]}", "tip: [-300, 350, 400], diameter: 40}, to: {on: steering.right, at: [-300, 560, 300]}", "drag_link: {arm", "'drag_link': arm and rod are in line"),
    "a shaft beside on": Slip("rear_shaft: {shaft", "rear_shaft: {on: unit, shaft", "on: unit, shaft", "'on' does not go with 'shaft'"),
    "a mirrored rod": Slip("rules:\n", "  other: {mirror_of: tie_rod, on: steering.left}\nrules:\n", "tie_rod, on", "'tie_rod' is a rod: it moves"),
    "an unknown class of chains": Slip("growth: 1 %", "growth: 1 %, chains: X", "X,", "expected one of: S, U, W, found 'X'"),
    "growth without a sign": Slip("growth: 1 %", "growth: 1", "1, bulge", "expected a percentage, found 1", "write '1 %'"),
    "a misspelt key within": Slip("growth: 1 %", "grwth: 1 %", "grwth", "unknown key 'grwth' in parts.tyre_fl.tyre", "did you mean 'growth'?"),
    "a tyre without a width": Slip("width: 205, growth", "growth", "tyre: {centre", "'width' is missing in parts.tyre_fl.tyre"),
    "an unknown cause": Slip("cause: straight bump", "cause: straight bumb", "straight bumb", "expected a known cause, found 'straight bumb'", "did you mean 'straight bump'?"),
    "a speed in kg": Slip("100 km/h", "100 kg", "100 kg", "expected a speed (km/h, mph), found a mass"),
}  # fmt: skip

INDEPENDENT_SLIPS: dict[str, Slip] = {
    "four rods": Slip("        upper_rear: {body: [150, -420, 480], upright: [10, -660, 470]}\n", "", "lower_front:", "expected 5 rods, two lower, two upper and the steering rod, found 4"),
    "four rods of a strut": Slip("        lower_rear: {body: [200, 350, 240], upright: [0, 690, 230]}\n", "        lower_rear: {body: [200, 350, 240], upright: [0, 690, 230]}\n        more: {body: [200, 350, 340], upright: [0, 690, 330]}\n", "lower_front: {body: [-150, 350", "expected 3 rods"),
    "no such steering rod": Slip("steering: track_rod", "steering: trak_rod", "trak_rod", "the steering rod 'trak_rod' is none of the rods", "did you mean 'track_rod'?"),
    "a rack that pushes nothing": Slip("      steering: track_rod\n", "", "rack: 60", "'rack' goes with 'steering'"),
    "a wheel out of reach": Slip("      bump: 60\n      droop: 60\n      rods:\n        lower_front: {body: [-150, -350", "      bump: 400\n      droop: 60\n      rods:\n        lower_front: {body: [-150, -350", "lower_front: {body: [-150, -350", "'fl': the rods cannot reach"),
    "an arm out of reach": Slip("[2200, -300, 330]], bump: 70", "[2200, -300, 330]], bump: 700", "bump: 700", "'rl': bump: expected at most"),
    "an arm without pivots": Slip("pivots: [[2200, -700, 330], [2200, -300, 330]], ", "", "swing_arm: {wheel: [2600, -740", "the pivot axis is missing"),
    "pivots twice": Slip("front_view: [-200, 300]", "pivots: [[0, 0, 0], [0, 1, 0]]", "side_view", "'side_view' does not go with 'pivots'"),
    "one pivot": Slip("[[2200, -700, 330], [2200, -300, 330]]", "[[2200, -700, 330]]", "[[2200, -700, 330]]", "expected two points of the pivot axis"),
    "a mirror image of nothing": Slip("  bed:\n", "  rx: {mirror_of: rlx}\n  bed:\n", "rlx}", "there is no mechanism 'rlx'", "did you mean 'rl'?"),
    "a mirror image of a bed": Slip("  bed:\n", "  rx: {mirror_of: bed}\n  bed:\n", "bed}", "'bed' holds no wheel by itself", "valid here: fl, fr, rl, rr"),
    "a mirror image beside a kind": Slip("  rl: {swing_arm", "  rl: {mirror_of: rr, swing_arm", "mirror_of: rr", "the kind of mechanism is given twice"),
    "a range the wrong way": Slip("angle: [0, 50]", "angle: [50, 0]", "[50, 0]", "with from below to, found [50, 0]", "swap them"),
    "a range without the scan pose": Slip("length: [-20, 100]", "length: [20, 100]", "[20, 100]", "does not hold 0, where this was on scan day"),
    "a limit that the scan pose breaks": Slip("most: 80", "most: -80", "-80", "the scan pose breaks this limit"),
    "a joint by nothing": Slip("by: slide}", "by: slode}", "slode", "there is no coordinate 'slode'", "did you mean 'slide'?"),
    "a limit on nothing": Slip("sum: {tip: 1,", "sum: {top: 1,", "1, slide: 0.5}", "there is no coordinate 'top'", "did you mean 'tip'?"),
    "a turn without a point": Slip("through: [3000, 0, 700], ", "", "{turn: [0, 1, 0]", "'through' is missing beside 'turn'"),
    "an unknown cause of a chain": Slip("causes: {rocked:", "causes: {rcked:", "rcked:", "rcked"),
}  # fmt: skip


def mistakes_of(path: Path) -> tuple[Mistake, ...]:
    with pytest.raises(LayoutError) as caught:
        load_scene(path)
    return caught.value.mistakes


def position(text: str, part: str) -> tuple[int, int]:
    """Line and column, from 1, at which ``part`` begins."""
    before = text[: text.index(part)]
    return before.count("\n") + 1, len(before) - before.rfind("\n")


@cache
def _cases() -> tuple[tuple[str, str, Slip], ...]:
    tables = (("", RUNNING, SLIPS), ("", INDEPENDENT, INDEPENDENT_SLIPS))
    return tuple((name, text, slip) for _, text, slips in tables for name, slip in slips.items())


@pytest.mark.parametrize(("text", "slip"), [case[1:] for case in _cases()], ids=[case[0] for case in _cases()])
def test_a_slip_is_one_mistake_with_the_caret_under_it(text: str, slip: Slip, tmp_path: Path) -> None:
    assert slip.old in text
    changed = text.replace(slip.old, slip.new, 1)
    found = mistakes_of(write(tmp_path, a=changed))
    assert len(found) == 1, "\n".join(str(mistake) for mistake in found)
    mistake = found[0]
    assert slip.says in mistake.message
    assert slip.hint in mistake.hint
    assert (mistake.place.line, mistake.place.column) == position(changed, slip.caret), str(mistake)


def test_a_rule_about_what_has_no_body_is_refused(tmp_path: Path) -> None:
    text = RUNNING.replace("  frame:\n", "  racking:\n").replace("[tyre, hv_box]", "[tyre, racking]")
    (mistake,) = mistakes_of(write(tmp_path, a=text))
    assert (mistake.place.line, mistake.place.column) == position(text, "racking], must")
    assert "'racking' has no body of its own" in mistake.message


RADIANS = {
    "inner: 33": "inner: 0.576",
    "inclination: 8": "inclination: 0.14",
    "torque: {drive: 600, reverse: 300 lb·ft}": "rock: {drive: 0.025}",
    "wind_up: {drive: 1, brake: 1}": "wind_up: {drive: 0.1, brake: 1}",
}


@pytest.mark.parametrize(("old", "new"), RADIANS.items())
def test_angles_that_look_like_radians_are_named(old: str, new: str, tmp_path: Path) -> None:
    text = RUNNING.replace(old, new)
    line = text[: text.index(new)].count("\n") + 1
    found = [warning for warning in scene_of(tmp_path, text).warnings if "looks like radians" in warning]
    assert len(found) == 1
    assert f"a.yaml:{line}:" in found[0]


def test_ordinary_running_gear_has_no_remark(running: Scene) -> None:
    assert [warning for warning in running.warnings if "no 'scan' is given" not in warning] == []
