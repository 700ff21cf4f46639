"""Layout texts that tests start from. Nothing here names a scan, so nothing but text is read."""

# ruff: noqa: E501  (layouts)

from __future__ import annotations

from pathlib import Path

VEHICLE = """\
format: 1
vehicle: Test truck
axles:
  front: {at: 0, track: 1480, rating: 1000, wheel_rate: 40, tyre: {radius: 395, width: 205, rate: 300}}
  rear: {at: 2620, track: 1480, wheel_rate: 48, tyre: {radius: 395, width: 205, rate: 300}, mechanism: rear_axle}
weights:
  as_weighed: {front_left: 402, front_right: 398, rear_left: 342, rear_right: 338}
  raised: {axle: rear, by: 620, other_axle_gains: 42}
  removed:
    engine: {mass: 238, within: 5 %, cg: [60, 0, 720]}
load_states:
  kerb: {}
  laden: {cargo: {mass: 300, cg: [2500, 0, 1000]}}
mechanisms:
  rear_axle:
    solid_axle:
      centre: [2620, 0, 384]
      bump: 80
      droop: 90
      stops: 400
      leaf: {half_length: 600, fixed_eye: front}
      wind_up: {drive: 6, brake: 4}
      carries:
        tube: {capsule: {from: [2620, -640, 384], to: [2620, 640, 384], diameter: 90}}
parts:
  rear_shaft:
    shaft: {from: [1330, 0, 480], to: {on: rear_axle, at: [2390, 60, 404]}, diameter: 63.5, wall: 2.5}
"""

ARRANGEMENT = """\
format: 1
title: Two boxes
vehicle: vehicle.yaml
parts:
  A1:
    class: hv_box
    box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}
    rim: {out: 20, at: top, height: 6}
    mass: 55.5
    cg: [1748, -222.5, 548]
  A2: {mirror_of: A1}
  charger:
    class: lv
    box: {size: [450, 350, 120]}
    place: {corner: front left bottom, at: [75, -325, 760]}
    mass: {value: 21, within: 3 %}
rules:
  - {between: [hv_box, shaft], must: 15, want: 25, why: it spins}
contacts:
  - {between: [A1, A2], at: {box: {x: [1400, 1460], y: [-10, 10], z: [560, 620]}}, why: strap}
targets:
  breakover_deg: {laden: 32}
"""


def write(folder: Path, **texts: str) -> Path:
    """Write ``name.yaml`` for each text into the folder; the answer is the folder's a.yaml."""
    for name, text in texts.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder / "a.yaml"


def write_pair(folder: Path, arrangement: str = ARRANGEMENT, vehicle: str = VEHICLE) -> Path:
    """The arrangement as a.yaml and its vehicle.yaml."""
    return write(folder, a=arrangement, vehicle=vehicle)


RUNNING = """\
format: 1
vehicle: Everything that moves
top_speed: 100 km/h
axles:
  front: {at: 0, track: 1480, wheel_rate: 40, tyre: {radius: 395, width: 205, rate: 300}, mechanism: front_axle}
  rear: {at: 2620, track: 1480, wheel_rate: 48, tyre: {radius: 395, width: 205, rate: 300}, mechanism: rear_axle}
weights:
  as_weighed: {front_left: 402, front_right: 398, rear_left: 342, rear_right: 338}
  cg_height: 688
mechanisms:
  front_axle:
    solid_axle:
      centre: [0, 0, 382]
      bump: 70
      droop: 80
      stops: 400
      leaf: {half_length: 600, fixed_eye: rear}
      wind_up: {spring_rate: 48, grip: 0.8, axle_load: 837, loaded_radius: 384}
      carries: {tube: {capsule: {from: [0, -600, 382], to: [0, 600, 382], diameter: 90}}}
  steering:
    steered_wheels:
      left: {at: [0, -650, 382], inclination: 8, caster: 3}
      inner: 33
    on: front_axle
  rear_axle:
    link_axle:
      centre: [2620, 0, 384]
      bump: 80
      droop: 90
      stops: 400
      lateral: 2
      wind_up: {drive: 1, brake: 1}
      rods:
        lower_left: {body: [1900, -450, 420], axle: [2600, -500, 330]}
        lower_right: {body: [1900, 450, 420], axle: [2600, 500, 330]}
        upper_left: {body: [2000, -200, 560], axle: [2600, -200, 520], length: 601.3}
        upper_right: {body: [2000, 200, 560], axle: [2600, 200, 520]}
        lateral: {body: [2700, -430, 420], axle: [2700, 430, 420]}
  unit:
    rocking_unit:
      axis: x
      at: [1000, 0, 560]
      mounts: {left: {at: [1000, -200, 560], rate: 300}, right: {at: [1000, 200, 560], rate: 300}}
      torque: {drive: 600, reverse: 300 lb·ft}
      surge: 3
      settle: 4
  frame:
    frame_twist: {stiffness: 900, height: 560, rails: 740}
parts:
  drive_unit: {class: drive_unit, on: unit, box: {x: [800, 1200], y: [-150, 150], z: [400, 700]}, mass: 118, cg: [1000, 0, 560]}
  knuckle: {class: steering, on: steering.left, box: {x: [-60, 60], y: [-720, -640], z: [320, 440]}, mass: 9}
  tyre_fl: {on: steering.left, tyre: {centre: [0, -740, 382], radius: 395, width: 205, growth: 1 %, bulge: 10, mud: 20}, mass: 30}
  tyre_fr: {mirror_of: tyre_fl, on: steering.right}
  tie_rod: {class: steering, rod: {from: {on: steering.left, at: [160, -600, 380]}, to: {on: steering.right, at: [160, 600, 380]}, diameter: 32}}
  drag_link: {drag_link: {arm: {centre: [-300, 350, 560], axis: [0, 1, 0], tip: [-300, 350, 400], diameter: 40}, to: {on: steering.right, at: [100, 560, 400]}, diameter: 32}}
  brake_hose: {class: brake_line, hose: {from: [100, -380, 560], to: {on: steering.left, at: [60, -600, 420]}, length: 420, diameter: 11}}
  box: {class: hv_box, box: {x: [1340, 2156], y: [-340, -105], z: [471.5, 630]}, mass: 55}
  rear_shaft: {shaft: {from: {on: drive_unit, at: [1330, 0, 480]}, to: {on: rear_axle, at: [2390, 60, 404]}, diameter: 63.5, wall: 2.5, ratio: 3.9, spline: {engaged: 90, free: 40, diameter: 40}, phased: true}}
  damper: {class: axle, rod: {from: [2400, 300, 700], to: {on: rear_axle, at: [2600, 400, 330]}, diameter: 60}, mass: 3}
rules:
  - {between: [tyre, hv_box], must: 5, cause: straight bump, why: a liner may be touched when crossed up}
"""
"""A front axle that steers, a rear axle on links, a unit on rubber, a frame that twists, and what hangs between them."""

INDEPENDENT = """\
format: 1
vehicle: Four wheels apart
axles:
  front: {at: 0, track: 1480, wheel_rate: 30, tyre: {radius: 330, width: 205, rate: 250}, mechanism: [fl, fr]}
  rear: {at: 2600, track: 1480, wheel_rate: 30, tyre: {radius: 330, width: 205, rate: 250}, mechanism: [rl, rr]}
mechanisms:
  fl:
    five_rods:
      wheel: [0, -740, 320]
      bump: 60
      droop: 60
      rods:
        lower_front: {body: [-150, -350, 240], upright: [0, -690, 230]}
        lower_rear: {body: [200, -350, 240], upright: [0, -690, 230]}
        upper_front: {body: [-100, -420, 480], upright: [10, -660, 470]}
        upper_rear: {body: [150, -420, 480], upright: [10, -660, 470]}
        track_rod: {body: [140, -360, 290], upright: [130, -690, 290]}
      steering: track_rod
      rack: 60
  fr:
    strut:
      wheel: [0, 740, 320]
      bump: 60
      droop: 60
      top: [20, 560, 800]
      foot: [5, 660, 350]
      rods:
        lower_front: {body: [-150, 350, 240], upright: [0, 690, 230]}
        lower_rear: {body: [200, 350, 240], upright: [0, 690, 230]}
        track_rod: {body: [140, 360, 290], upright: [130, 690, 290]}
      steering: track_rod
      rack: 60
  rl: {swing_arm: {wheel: [2600, -740, 320], pivots: [[2200, -700, 330], [2200, -300, 330]], bump: 70, droop: 70}}
  rr: {swing_arm: {wheel: [2600, 740, 320], front_view: [-200, 300], side_view: [1900, 340], bump: 70, droop: 70}}
  bed:
    chain:
      coordinates: {tip: {angle: [0, 50]}, slide: {length: [-20, 100]}}
      joints:
        - {slide: [1, 0, 0], by: slide}
        - {turn: [0, 1, 0], through: [3000, 0, 700], by: {tip: 1, slide: 0.02}}
      limits: [{sum: {tip: 1, slide: 0.5}, most: 80}]
      causes: {rocked: {tip: high}}
      carries: {floor: {box: {x: [1500, 3000], y: [-800, 800], z: [700, 720]}}}
parts:
  half_shaft: {half_shaft: {from: [2600, -200, 330], to: {on: rl, at: [2600, -640, 320]}, diameter: 28, joints: {diameter: 90, length: 60}}}
"""
"""Five rods, a strut, a trailing arm, a swing arm by its virtual pivots; a tipping bed that slides."""
