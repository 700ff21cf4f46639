"""The published schema: stored, shipped, and of one mind with the reader."""

# ruff: noqa: E501  (a layout with every key)

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from fitcheck.errors import LayoutError
from fitcheck.layout import read_layout
from fitcheck.layout.schema import json_schema, schema_text, stored_schema
from fitcheck.layout.starter import write_starter
from tests.layout_texts import ARRANGEMENT, VEHICLE, write, write_pair

SAMPLE = Path(__file__).parent.parent / "sample_meshes" / "hollin262"


def plain(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text)


def complaints(text: str) -> list[str]:
    return [error.message for error in jsonschema.Draft202012Validator(json_schema()).iter_errors(plain(text))]


def test_the_stored_schema_is_the_one_that_the_code_gives() -> None:
    assert stored_schema() == schema_text(), (
        "write fitcheck.layout.schema.schema_text() to fitcheck/layout/layout.schema.json"
    )
    assert json.loads(stored_schema()) == json_schema()


def test_the_schema_is_valid_and_closed() -> None:
    """Every mapping with fixed keys refuses other keys."""
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert all(entry["additionalProperties"] is False for entry in (schema, *schema["$defs"].values()))


@pytest.mark.parametrize("name", ["vehicle", "a", "a2", "b", "b2", "d"])
def test_the_sample_is_valid_under_it(name: str) -> None:
    assert complaints((SAMPLE / f"{name}.yaml").read_text(encoding="utf-8")) == []


def test_a_new_project_is_valid_under_it_and_points_to_its_copy(tmp_path: Path) -> None:
    for path in write_starter(tmp_path / "new"):
        if path.suffix == ".yaml":
            text = path.read_text(encoding="utf-8")
            assert complaints(text) == []
            schema = text.splitlines()[0].removeprefix("# yaml-language-server: $schema=")
            assert json.loads((path.parent / schema).read_text(encoding="utf-8")) == json_schema()


EVERY_KEY = """\
format: 1
vehicle: Everything
units: {length: cm, mass: lb}
scan:
  file: {file}
  units: in
  frame: x forward
  accuracy: {local: 0.4, per_metre: "1/64 in"}
  align:
    targets: {T1: {scan: [1, 2.5, -3], vehicle: ["4 3/4 in", 2, 1 m]}, T2: {scan: [1, 2.5, -3], vehicle: [null, null, 2], tape: 1 mm}}
    ground: {points: [[0, 0, 1], [1, 0, 1]], height: 12 cm}
    centre: {eye: [[0, 1, 2], [0, 2, 2]], hole: {left: [1, 1, 2], right: [1, 2, 2]}}
    station: [{scan: [0, 0, 0], x: 262}, {scan: [1, 0, 0], x: 0}]
    hubs: {front_left: {scan: [0, 0, 0], height: 38}, front_right: {scan: [0, 1, 0], height: 38},
           rear_left: {scan: [2, 0, 0], height: 38}, rear_right: {scan: [2, 1, 0], height: 38}}
    floor: [[0, 0, 0], {at: [1, 0, 0], radius: 20 cm}]
    rearward: {from: [0, 0, 0], to: [2, 0, 0]}
    tape: 2
    within: 5
  scale_bars: [{between: [T1, T1], length: 3590 mm}]
  seen_from: [below, above, left, right, front, rear]
  remove:
    tank: {box: {x: [0, 1], y: [0, 1], z: [0, 1]}, mass: 44, within: 5 %, cg: [0, 0, 0], cg_within: 5}
    axle: {cylinder: {from: [0, 0, 0], to: [1, 0, 0], diameter: 7}, stays: it moves}
  move: {bed: {piece: {at: [0, 0, 0]}, by: [0, 0, 9], why: packed up}}
  mirror: {scanned: left, asymmetry: 5 mm, in_file: false}
measured:
  behind: {empty: {box: {x: [0, 1], y: [0, 1], z: [0, 1]}}, tape: 2 mm, note: by hand}
  clip: {metal: {sphere: {centre: [0, 0, 0], diameter: 3}}}
axles:
  front: {at: 0, track: 148, rating: 1000, wheel_rate: 230 lb/in, tyre: {radius: 39.5, width: 20.5, rate: 300}, hub: 38, unsprung: 100}
  rear: {at: 262, track: 148, wheel_rate: 48, tyre: {radius: 39.5, width: 20.5, rate: 300}, mechanism: [rl, rr]}
top_speed: 60 mph
weights:
  as_weighed: {front_left: 402 kg, front_right: {value: 398, within: 2}, rear_left: 342, rear_right: 338}
  within: 0.5 %
  cg_height: 688 mm
  gross_rating: 2250 kg
  removed: {engine: {mass: 238, cg: [6, 0, 72]}}
  added: {cables: {mass: 12, cg: [130, 0, 60]}}
load_states: {kerb: {}, laden: {cargo: {mass: 300, cg: [250, 0, 100]}}}
mechanisms:
  ax:
    solid_axle:
      {centre: [262, 0, 38], bump: 8, droop: 9, stops: 40, lateral: 0.5, wind_up: {drive: 6 deg, brake: 4°},
       leaf: {half_length: 60, fixed_eye: rear, flat_at: -1, radius_factor: 0.8},
       carries: {b: {box: {x: [260, 264], y: [-9, 9], z: [30, 40]}}, s: {sphere: {centre: [262, 0, 38], diameter: 26}}}}
  springs: {solid_axle: {centre: [0, 0, 38], bump: 8, droop: 9, stops: 40, leaf: {half_length: 60, fixed_eye: front}, wind_up: {spring_rate: 270 lb/in, torque: 1800 lb·ft, grip: 0.8, axle_load: 900 kg, loaded_radius: 38}}}
  wheels: {steered_wheels: {left: {lower: [0, -65, 30], upper: [0, -64, 44]}, right: {at: [0, 65, 38], inclination: 8 deg, caster: 3}, inner: 33, outer: 27, wheelbase: 262}, on: springs}
  links: {link_axle: {centre: [262, 0, 38], bump: 8, droop: 9, stops: 40, lateral: 0.1, wind_up: {drive: 1, brake: 1}, rods: {one: {body: [190, -45, 42], axle: [260, -50, 33], length: 70.8}}, carries: {}}}
  fl: {five_rods: {wheel: [0, -74, 32], bump: 6, droop: 6, rods: {r1: {body: [0, -35, 24], upright: [0, -69, 24]}, r2: {body: [9, -35, 24], upright: [0, -69, 24]}, r3: {body: [0, -35, 48], upright: [0, -69, 48]}, r4: {body: [9, -35, 48], upright: [0, -69, 48]}, r5: {body: [14, -35, 24], upright: [13, -69, 24]}}, steering: r5, rack: 6}}
  fr: {strut: {wheel: [0, 74, 32], bump: 6, droop: 6, top: [0, 56, 80], foot: [0, 66, 35], rods: {r1: {body: [0, 35, 24], upright: [0, 69, 24]}, r2: {body: [9, 35, 24], upright: [0, 69, 24]}, r5: {body: [14, 35, 24], upright: [13, 69, 24]}}}}
  rl: {swing_arm: {wheel: [262, -74, 32], pivots: [[220, -70, 33], [220, -30, 33]], bump: 7, droop: 7}}
  rr: {swing_arm: {wheel: [262, 74, 32], front_view: [-20, 30], side_view: [190, 34], bump: 7, droop: 7}}
  rr2: {mirror_of: rl}
  unit: {rocking_unit: {axis: [1, 0, 0.1], at: [100, 0, 56], mounts: {left: {at: [100, -20, 56], rate: 300}}, torque: {drive: 600, reverse: 400 N·m}, surge: 3 mm, settle: 4 mm}}
  motor: {rocking_unit: {axis: y, at: [0, 0, 50], rock: {drive: 2, reverse: 1.5}}}
  twist: {frame_twist: {stiffness: 900 N·m/°, torque: 3000, from: 0, over: 262, height: 56, rails: 74}}
  bed: {on: unit, chain: {coordinates: {tip: {angle: [0, 50 deg]}, push: {length: [-2, 10]}}, joints: [{slide: [1, 0, 0], by: push}, {turn: [0, 1, 0], through: [300, 0, 70], by: {tip: [-1, 0.001], push: 0.02}}], limits: [{sum: {tip: 1}, most: 60}], causes: {rocked: {tip: high, push: whole}}, wheel: [300, 0, 40]}}
parts:
  A: {class: hv_box, box: {x: [1, 9], y: [-9, -1], z: [1, 9]}, rim: {out: 2, height: 0.5, at: top, inset: 1}, mass: 9, tape: 1, within: 0.2}
  B: {mirror_of: A, nudge: [0, 0, 1], bought: false}
  C: {like: A, place: {on: A, face: rear, gap: 4}}
  D: {box: {size: [1, null, 3]}, place: [{face: left, gap: 1, to: A.right}, {face: right, gap: 1, to: 30}, {point: centre, at: [50, null, 5]}], mass: 1}
  E: {cylinder: {from: [0, 0, 90], to: [9, 0, 90], diameter: 4}, turn: {yaw: 30, pitch: -5 deg, roll: 0}, sprung: false, mass: 1}
  F: {capsule: {from: [0, 0, 99], to: [9, 0, 99], diameter: 4}, class: brake_line}
  G: {sphere: {diameter: 4}, place: {edge: front bottom, at: [20, 80, 70]}, class: keep_out}
  H: {outline: {points: [[0, 0], [9, 0], [0, 9]], plane: xz, from: 100, to: 109, symmetric: true}, mass: 2}
  I: {mass: {value: 3 kg, within: 1 kg}, cg: [1, 2, 3], cg_within: 0}
  S:
    shaft:
      {from: [133, 0, 48], to: {on: ax, at: [239, 6, 40]}, diameter: 6, wall: 0.2, yokes: {diameter: 10, length: 6, whip: 0.1},
       whip: 0.3, from_axis: [1, 0, 0], to_axis: [1, 0, 0.1], material: aluminium}
    mass: 9
  S2: {shaft: {from: {on: A, at: [133, 0, 48]}, to: [239, 6, 40], diameter: 6, ratio: 3.9, spline: {engaged: 9, free: 4, diameter: 4}, phased: true}}
  H1: {half_shaft: {from: [262, -20, 33], to: {on: rl, at: [262, -64, 32]}, diameter: 2.8, joints: {diameter: 9, length: 6, whip: 0}, from_axis: [0, 1, 0], to_axis: [0, 1, 0]}}
  T: {on: wheels.left, tyre: {centre: [0, -74, 38], axis: [0, 1, 0], radius: 39, width: 20, growth: 1.5 %, bulge: 1, mud: 2, chains: U}, mass: 30}
  R: {class: steering, rod: {from: {on: wheels.left, at: [16, -60, 38]}, to: {on: wheels.right, at: [16, 60, 38]}, diameter: 3}}
  L: {drag_link: {arm: {centre: [-30, 35, 56], axis: [0, 1, 0], tip: [-30, 35, 40], diameter: 4}, to: {on: wheels.right, at: [10, 56, 40]}, diameter: 3}}
  P: {class: brake_line, hose: {from: [10, -38, 56], to: {on: wheels.left, at: [6, -60, 42]}, length: 42, diameter: 1.1}}
rules: [{between: [A, any], must: 1, want: 2, why: because, cause: steered left, label: maker, source: null}]
contacts: [{between: [A, scan], at: {capsule: {from: [0, 0, 0], to: [1, 0, 0], diameter: 2}}, why: foot, deeper_than: 0}]
exclude: [{between: [S, ax], why: joined}]
uncertainty: {scan: 0.05, alignment: 0.08, taped_joint: 0.2, fabrication: 0.15, motion: 0.2}
targets:
  {front_share_pct: {kerb: 42}, approach_deg: {kerb: 30}, breakover_deg: {kerb: 30}, departure_deg: {kerb: 30}, belly_mm: {kerb: 200 mm},
   bump_left_mm: {kerb: 30 mm}, bump_left_front_mm: {kerb: 30 mm}, bump_left_rear_mm: {kerb: 30 mm}, ssf: {kerb: 1}}
"""


def test_schema_and_reader_both_take_every_key_and_way_to_write_it(tmp_path: Path) -> None:
    text = EVERY_KEY.replace("{file}", "a.yaml", 1)
    assert complaints(text) == []
    layout = read_layout(write(tmp_path, a=text))
    assert layout.entries.parts["A"].tape == 10.0  # 1 cm
    assert layout.entries.weights is not None
    assert layout.entries.weights.as_weighed.front_left.kg == 402.0
    assert layout.entries.weights.as_weighed.rear_left.kg == pytest.approx(342 * 0.45359237)
    used = {
        line.strip(" {").split(":")[0]
        for line in text.replace("{", "\n").replace(",", "\n").splitlines()
        if ":" in line
    }
    keys = {key for entry in (json_schema(), *json_schema()["$defs"].values()) for key in entry["properties"]}
    assert keys - used == {"based_on", "title", "raised", "axle", "by", "other_axle_gains", "mesh", "corner"} - used


@pytest.mark.parametrize(
    "change",
    [
        "parts: {A1: null}\n",
        "parts: {A1: {box: {x: [1, 2]}}}\n",
        "scan: {remove: {tank: null}}\n",
        "load_states: {laden: {cargo: null}}\n",
        "weights: {removed: {engine: {mass: 5}}}\n",
        "axles: {rear: {at: 2700}}\n",
        "parts: {A1: {box: null, rim: null}}\n",
    ],
)
def test_a_file_that_says_only_what_differs_is_valid(change: str) -> None:
    assert complaints("format: 1\nbased_on: a.yaml\n" + change) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("mass: 55.5", "mas: 55.5"),
        ("mass: 55.5", "mass: 55,5 kg"),
        ("mass: 55.5", "mass: -5"),
        ("mass: 55.5", "mass: 5 mm"),
        ("out: 20", "out: 20 kg"),
        ("out: 20", "out: 0"),
        ("cg: [1748, -222.5, 548]", "cg: [1748, -222.5]"),
        ("at: top", "at: tpo"),
        ("class: hv_box", "class: hv_bx"),
        ("front left bottom", "front left"),
        (", why: it spins", ""),
        ("targets:", "targets:\n#"),
        ("format: 1", "format: 2"),
        ("[hv_box, shaft]", "[hv_box]"),
    ],
)
def test_what_the_reader_refuses_an_editor_underlines(old: str, new: str, tmp_path: Path) -> None:
    text = ARRANGEMENT.replace(old, new, 1) if old != "targets:" else ARRANGEMENT.split("targets:")[0] + "targets:\n"
    assert complaints(text) != []
    with pytest.raises(LayoutError):
        read_layout(write_pair(tmp_path, text, VEHICLE))
