"""The page on what moves says what there is: examples are built, all keys are named, figures are true."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fitcheck import units
from fitcheck.layout import build, chain_entries, load_scene, mechanism_entries, span_entries
from fitcheck.layout.entries import Entry
from fitcheck.layout.schema import CAUSE_WORDS
from fitcheck.vehicle.discs import CHAIN_ROOM_MM
from fitcheck.vehicle.hoses import sag_mm
from fitcheck.vehicle.scene import Scene

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGE = (ROOT / "sample_meshes" / "MECHANISMS.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
SECTIONS = dict(re.findall(r"^##+ ([^\n]+)\n(.*?)(?=^##|\Z)", PAGE, re.DOTALL | re.MULTILINE))

KEYS: dict[str, tuple[type[Entry], ...]] = {
    "Solid axle on leaf springs": (mechanism_entries.SolidAxle, mechanism_entries.Leaf, mechanism_entries.WindUp),
    "Solid axle on links": (
        mechanism_entries.LinkAxle,
        mechanism_entries.AxleRod,
        mechanism_entries.WindUpAngles,
    ),
    "Wheel on five rods": (mechanism_entries.FiveRods, mechanism_entries.WheelRod),
    "Wheel on a strut": (mechanism_entries.Strut,),
    "Wheel on a swing arm": (mechanism_entries.SwingArm,),
    "Steered wheels": (mechanism_entries.SteeredWheels, mechanism_entries.KingpinEntry),
    "Drive unit on rubber mounts": (
        mechanism_entries.RockingUnit,
        mechanism_entries.MountEntry,
        mechanism_entries.Torques,
        mechanism_entries.RockAngles,
    ),
    "Frame that twists": (mechanism_entries.FrameTwistEntry,),
    "Tyre": (span_entries.TyreShape,),
    "Propeller shaft": (span_entries.Shaft, span_entries.Yokes, span_entries.Spline),
    "Half shaft": (span_entries.HalfShaft, span_entries.Yokes),
    "Rod: tie rod, damper, link": (span_entries.RodSpan, span_entries.JointEnd),
    "Drag link": (span_entries.DragLink, span_entries.SteeringArm),
    "Hose": (span_entries.Hose,),
    "Anything else: a chain": (
        chain_entries.ChainEntry,
        chain_entries.CoordinateEntry,
        chain_entries.JointEntry,
        chain_entries.LimitEntry,
    ),
    "What holds for all of them": (),
}
SAID_ONCE = {"Drive unit on rubber mounts": {"carries"}}
"""Keys that the page explains for all kinds alike."""


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """All examples as one vehicle: each block is a file that is based on the one before."""
    folder = tmp_path_factory.mktemp("page")
    for number, block in enumerate(BLOCKS):
        head = f"title: example {number}\nbased_on: b{number - 1}.yaml\n" if number else "vehicle: Odd\n"
        (folder / f"b{number}.yaml").write_text(f"format: 1\n{head}{block}", encoding="utf-8")
    return load_scene(folder / f"b{len(BLOCKS) - 1}.yaml")


def fields_of(entry: type[Entry]) -> set[str]:
    """The keys as a person types them."""
    return {field.alias or name for name, field in entry.model_fields.items()}


def moved(block: Any, point: tuple[float, float, float], pose: Any) -> Any:
    return block.place(np.asarray(pose, dtype=np.float64)[None], np.array([point]))[0, 0]


# --- what it shows -------------------------------------------------------------------------------


def test_every_example_is_built_and_every_kind_has_one(scene: Scene) -> None:
    text = "".join(BLOCKS)
    for kind in (*mechanism_entries.KINDS, "mirror_of", "shaft", "half_shaft", "rod", "drag_link", "hose", "tyre"):
        assert re.search(rf"\b{kind}:", text), kind
    typed = re.findall(r"^  (\w+):", text, re.MULTILINE)
    built = {*scene.mechanisms, *(part.name for part in scene.parts), *(shaft.name for shaft in scene.shafts)}
    assert built | {"frame"} == set(typed)
    assert scene.twist is not None
    missing_on_purpose = "is given"  # scan, axles, weights
    assert not [warning for warning in scene.warnings if missing_on_purpose not in warning]


def test_examples_that_are_alone_do_not_move_by_accident(scene: Scene) -> None:
    """Whatever names a mechanism rides on it; the rest is the body's."""
    moving = {body.name: body.rides_on for body in scene.moving}
    assert moving["front_left_tyre"] == ("steering", "front_axle")
    assert moving["two_piece_rear"] == ("front_axle",)
    assert moving["rear_shaft"] == ("unit", "rear_axle")
    assert moving["tie_rod"] == ("steering", "front_axle")
    assert moving["half_shaft"] == ("rl",)
    assert moving["bed"] == ("bed",)


@pytest.mark.parametrize("heading", KEYS)
def test_a_section_names_every_key_of_its_entries(heading: str) -> None:
    text = SECTIONS[heading]
    wanted = set().union(*(fields_of(entry) for entry in KEYS[heading])) - SAID_ONCE.get(heading, set())
    missing = [key for key in sorted(wanted) if not re.search(rf"\b{key}\b", _code_of(text))]
    assert not missing, f"{heading}: {missing}"


def _code_of(text: str) -> str:
    """What stands in back-ticks or in an example."""
    fenced = "".join(re.findall(r"```yaml\n(.*?)```", text, re.DOTALL))
    return fenced + " ".join(re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL)))


def test_no_entry_class_is_forgotten() -> None:
    """All entries of the three modules are on the page, but for bases and the one that holds the kinds."""
    known = {entry for entries in KEYS.values() for entry in entries}
    for module in (mechanism_entries, chain_entries, span_entries):
        for value in vars(module).values():
            if isinstance(value, type) and issubclass(value, Entry) and value.__module__ == module.__name__:
                assert value in known | {mechanism_entries.RoddedWheel, mechanism_entries.Mechanism}, value


def test_the_causes_of_the_page_are_those_of_rules() -> None:
    table = SECTIONS["What holds for all of them"].split("| cause |")[1]
    rows = [row for row in table.splitlines() if row.startswith("| `")]
    said = [word for row in rows for word in re.findall(r"`([^`]+)`", row.split("|")[1])]
    assert said == list(CAUSE_WORDS)


def test_the_links_lead_to_headings() -> None:
    headings = [heading.lower() for heading in re.findall(r"^#+ (.+)", PAGE, re.MULTILINE)]
    anchors = {re.sub(r"[^\w\- ]", "", heading).replace(" ", "-") for heading in headings}
    links = re.findall(r"\]\(#([^)]+)\)", PAGE)
    assert len(links) >= 14
    assert set(links) <= anchors


def test_the_readme_leads_to_the_page() -> None:
    assert "(sample_meshes/MECHANISMS.md)" in README


def test_what_the_readme_shows_of_what_moves_is_built(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Laid over the sample's arrangement A, without its scan."""
    (block,) = re.findall(r"```yaml\n(mechanisms:.*?)```", README, re.DOTALL)
    for name in ("vehicle", "a"):
        text = (ROOT / "sample_meshes" / "hollin262" / f"{name}.yaml").read_text(encoding="utf-8")
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "hollin262_scan.ply").touch()
    (tmp_path / "moves.yaml").write_text(f"format: 1\ntitle: x\nbased_on: a.yaml\n{block}", encoding="utf-8")
    monkeypatch.setattr(build, "scan_spec", lambda layout: None)
    scene = load_scene(tmp_path / "moves.yaml")
    assert {"unit", "rear_axle"} <= set(scene.mechanisms)
    assert {body.name: body.rides_on for body in scene.moving}["drive_unit"] == ("unit",)
    assert scene.rules[-1].cause == "straight bump"


# --- what it says --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "read", "value"),
    [
        ("4 3/4 in", units.length_mm, 120.65),
        ("275 lb/in", units.rate_n_mm, 48.16),
        ("440 lb·ft", units.torque_n_m, 596.6),
        ("650 lb·ft/°", units.stiffness_n_m_deg, 881.3),
        ("60 mph", units.speed_km_h, 96.56),
        ("1.5 %", units.share, 0.015),
    ],
)
def test_the_units_of_the_page_are_read(typed: str, read: Any, value: float) -> None:
    """1 in = 25.4 mm, 1 lbf = 4.44822 N, 1 mi = 1.609344 km."""
    assert f"`{typed}`" in PAGE
    assert read(typed) == pytest.approx(value, rel=1e-4)


def test_an_axle_winds_up_and_crosses_as_the_page_says(scene: Scene) -> None:
    """Closed form: 0.8·837·g·0.384 = 2522 N·m on 603 N·m/°; atan(170/800) = 12.0°, −5 + 740·sin 12.0° = 149 mm."""
    axle: Any = scene.mechanisms["rear_axle"]
    assert axle.wind_up_drive_deg == pytest.approx(4.18, abs=0.01)
    wheel = moved(axle, (2620, 740, 384), [80, -90, 0, 0])
    assert wheel[2] - 384 == pytest.approx(149, abs=0.5)
    assert axle.describe(np.array([80, -90, 0, 0]))["rear_axle.roll_deg"] == pytest.approx(12.0, abs=0.05)
    assert "12.0° and 149 mm" in PAGE


def test_a_unit_rocks_as_the_page_says(scene: Scene) -> None:
    """Closed form: 600 N·m / (2·300·0.2² kN·m) = 0.025 rad = 1.43°; the right side comes up, about y the front."""
    unit: Any = scene.mechanisms["unit"]
    assert math.degrees(unit.high[0]) == pytest.approx(1.43, abs=0.005)
    assert moved(unit, (1000, 300, 560), [unit.high[0], 0, 0])[2] - 560 == pytest.approx(7.5, abs=0.01)
    front: Any = scene.mechanisms["front_unit"]
    assert moved(front, (0, 0, 400), [front.high[0], 0, 0])[2] > 410


def test_the_locks_of_the_page_are_ackermanns() -> None:
    """Closed form: cot(outer) − cot(33°) = 1300/2620: 26.2°."""
    outer = math.degrees(math.atan(1 / (1 / math.tan(math.radians(33)) + 1300 / 2620)))
    assert f"outer: {outer:.1f}" in PAGE


def test_a_chains_wheel_goes_as_far_as_its_stops(scene: Scene) -> None:
    castor: Any = scene.mechanisms["castor"]
    for cause, travel in (("straight bump", castor.bump_mm), ("straight droop", -castor.droop_mm)):
        low, high = castor.causes()[cause]
        end = high if travel > 0 else low
        assert moved(castor, castor.wheel, end)[2] - 300 == pytest.approx(travel, abs=0.5)


def test_the_room_for_chains_and_the_sag_are_those_of_the_page() -> None:
    for word, (tread, side) in CHAIN_ROOM_MM.items():
        assert re.search(rf"`{word}` {tread:g}\b[^`]*\b{side:g}\b", PAGE.replace("\n", " ")), word
    assert float(sag_mm(np.array([600.0]), 627.0)[0]) == pytest.approx(78, abs=0.5)
