"""``fitcheck new``: a small project that checks as it stands, for a person to change."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from pathlib import Path

from fitcheck.errors import FileProblem, InputError
from fitcheck.layout.schema import SCHEMA_FILE, stored_schema

_EDITORS = f"# yaml-language-server: $schema={SCHEMA_FILE}\n"

_VEHICLE = """\
# The vehicle: what all arrangements share. mm, kg, degrees.
# x rearward from the front-axle line, y to the vehicle's right, z up from the floor on scan day.
format: 1
vehicle: Example pickup
units: {length: mm, mass: kg}          # a bare number means these; any value may say its own: "4 3/4 in", "55 lb"

scan:
  file: frame.ply                      # a ladder frame, made up: put your own scan here
  units: mm
  align: as_scanned                    # this file stands in the vehicle's axes already; yours will need targets:
  # align:
  #   targets:                         # marks seen in the scan (its own axes), and where they are on the vehicle
  #     T1: {scan: [1.204, 0.311, -0.87], vehicle: [-300, -400, 520]}
  #   tape: 2                          # one sigma of the taped numbers
  #   within: 5                        # a target off by more is an error that names it
  seen_from: [below, left, right]      # where the scanner was: what it could not see from there is not air
  # remove:                            # scanned things that come off: off the scan and off the scales
  #   tank: {box: {x: [1600, 2150], y: [-700, -460], z: [470, 640]}, mass: 44, cg: [1880, -580, 560]}

axles:                                 # ratings in kg, rates in N/mm for each wheel
  front: {at: 0, track: 1500, rating: 1100, wheel_rate: 40, tyre: {radius: 380, width: 205, rate: 300}}
  rear:
    {at: 2700, track: 1500, rating: 1500, wheel_rate: 50, tyre: {radius: 380, width: 205, rate: 300},
     mechanism: rear_axle}

weights:
  as_weighed: {front_left: 410, front_right: 405, rear_left: 330, rear_right: 335}
  cg_height: 680
  removed:
    engine: {mass: 230, within: 5 %, cg: [50, 0, 720]}
    tank: {mass: 40, cg: [1900, -550, 560]}

load_states:
  kerb: {}
  laden: {driver: {mass: 85, cg: [1150, 350, 950]}, cargo: {mass: 300, cg: [2500, 0, 1000]}}

mechanisms:
  rear_axle:
    solid_axle:
      centre: [2700, 0, 370]
      bump: 80                         # from where it was scanned up to the metal stop, rubber squashed
      droop: 90
      stops: 400                       # the stops are at y = -400 and 400
      lateral: 5
      leaf: {half_length: 600, fixed_eye: front}
      wind_up: {drive: 6, brake: 4}
      carries:
        tube: {capsule: {from: [2700, -650, 370], to: [2700, 650, 370], diameter: 90}}
        differential: {sphere: {centre: [2700, 0, 370], diameter: 250}}

parts:
  rear_shaft:
    shaft:
      {from: [1400, 0, 470], to: {on: rear_axle, at: [2480, 0, 385]}, diameter: 63.5, wall: 2.5, whip: 3,
       yokes: {diameter: 100, length: 60}}

exclude:
  - {between: [rear_shaft, rear_axle], why: joined at the pinion flange}
"""

_FIRST = """\
# An arrangement. Copy this file for the next one, or write 'based_on: first.yaml' and only what differs.
format: 1
title: Two boxes beside the shaft
vehicle: vehicle.yaml

parts:
  left_box:
    class: hv_box
    box: {x: [1450, 2050], y: [-340, -120], z: [420, 600]}     # extents, as read off a tape
    mass: 60                                                    # its centre of gravity: the middle, unless given
  right_box: {mirror_of: left_box}                              # the same part on the other side
  drive_unit:
    class: drive_unit
    box: {size: [400, 300, 280]}                                # a size, and where one point of it sits
    place: {corner: rear left bottom, at: [1400, -150, 360]}
    mass: {value: 95, within: 1 %}                              # weighed
    bought: true

rules:                                                          # a named pair or class of yours; the rest has defaults
  - {between: [hv_box, shaft], must: 15, want: 25, label: practice, why: nothing may touch a shaft that spins}

contacts:                                                       # meant to touch here; anywhere else still judged
  - {between: [drive_unit, rear_shaft], at: {sphere: {centre: [1400, 0, 470], diameter: 160}}, why: output flange,
     deeper_than: 12}          # the yoke tilts into the face
"""

_BEAMS = (  # (x from, to), (y from, to), (z from, to) in mm
    ((-400, 3300), (-430, -370), (520, 640)),
    ((-400, 3300), (370, 430), (520, 640)),
    ((-400, -350), (-370, 370), (540, 600)),
    ((850, 900), (-370, 370), (660, 710)),
    ((2300, 2350), (-370, 370), (590, 640)),
    ((3250, 3300), (-370, 370), (540, 600)),
)
_STEP_MM = 50


def write_starter(folder: Path) -> list[Path]:
    """Write the project into a folder, made if need be; the answer is what was written.

    Raises InputError where one of its files is there already, FileProblem where the folder
    cannot be written. Either way nothing is left behind.
    """
    folder = Path(folder)
    contents = {
        "vehicle.yaml": _EDITORS + _VEHICLE,
        "first.yaml": _EDITORS + _FIRST,
        "frame.ply": frame_ply(),
        SCHEMA_FILE: stored_schema(),
    }
    there = [name for name in contents if os.path.lexists(folder / name)]
    if there:
        raise InputError(
            f"{folder.as_posix()} holds {', '.join(there)} already: name another folder; nothing was written"
        )
    try:
        _write(folder, contents)
    except OSError as problem:
        raise FileProblem(f"{folder.as_posix()} cannot be written: {problem.strerror or problem}") from problem
    return [folder / name for name in contents]


def _write(folder: Path, contents: dict[str, str]) -> None:
    """All files or none: they are made beside the folder, then moved into it."""
    new = not folder.exists()
    made = _missing_parents(folder)
    folder.mkdir(parents=True, exist_ok=True)
    moved: list[Path] = []
    try:
        with tempfile.TemporaryDirectory(prefix=".fitcheck-new-", dir=folder) as staging:
            for name, text in contents.items():
                (Path(staging) / name).write_text(text, encoding="utf-8", newline="\n")
            for name in contents:
                shutil.move(Path(staging) / name, folder / name)
                moved.append(folder / name)
    except BaseException:
        for path in moved:
            path.unlink(missing_ok=True)
        for path in made if new else ():
            with contextlib.suppress(OSError):
                path.rmdir()
        raise


def _missing_parents(folder: Path) -> list[Path]:
    """The folders that have to be made, innermost first."""
    return [path for path in (folder, *folder.parents) if not path.exists()]


def frame_ply() -> str:
    """A two-rail frame of box beams as an ASCII PLY in mm: outside faces, cut into triangles along their length."""
    vertices: list[tuple[float, float, float]] = []
    faces: list[tuple[int, int, int]] = []
    for beam in _BEAMS:
        _add_beam(vertices, faces, beam)
    head = [
        "ply", "format ascii 1.0", "comment made-up frame, mm, x rearward, y right, z up",
        f"element vertex {len(vertices)}", "property float x", "property float y", "property float z",
        f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header",
    ]  # fmt: skip
    rows = [f"{x:g} {y:g} {z:g}" for x, y, z in vertices] + [f"3 {a} {b} {c}" for a, b, c in faces]
    return "\n".join([*head, *rows]) + "\n"


def _add_beam(
    vertices: list[tuple[float, float, float]],
    faces: list[tuple[int, int, int]],
    beam: tuple[tuple[int, int], tuple[int, int], tuple[int, int]],
) -> None:
    """A beam as rings of four corners along its longest axis, skinned, with both ends closed."""
    spans = [high - low for low, high in beam]
    along = spans.index(max(spans))
    one, two = (along + 1) % 3, (along + 2) % 3
    steps = max(1, round(spans[along] / _STEP_MM))
    first = len(vertices)
    for step in range(steps + 1):
        for i, j in ((0, 0), (1, 0), (1, 1), (0, 1)):
            point = [0.0, 0.0, 0.0]
            point[along] = beam[along][0] + spans[along] * step / steps
            point[one], point[two] = float(beam[one][i]), float(beam[two][j])
            vertices.append((point[0], point[1], point[2]))
    for step in range(steps):
        base = first + 4 * step
        for k in range(4):
            a, b = base + k, base + (k + 1) % 4
            faces.extend([(a, b, b + 4), (a, b + 4, a + 4)])
    last = first + 4 * steps
    faces.extend([(first, first + 2, first + 1), (first, first + 3, first + 2)])
    faces.extend([(last, last + 1, last + 2), (last, last + 2, last + 3)])
