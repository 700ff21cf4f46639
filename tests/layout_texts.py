"""Layout texts that tests start from. Nothing here names a scan, so nothing but text is read."""

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
