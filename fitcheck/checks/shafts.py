"""What do a propeller shaft's joints, its spline and its speed have to bear?

Joint angles are between shaft and joint axis as lines in space, so plan and side angle
combine; a joint's axis turns with what carries it. Angles and lengths are taken over all
that moves either end, every combination of its coordinates: the shortest length often lies
inside the travel. See :mod:`fitcheck.checks.shaft_travel` for how the extremes are found.

"Ride" is the pose in which the vehicle was scanned; a load state's pose has each axle
as far up against the body as the load has compressed its springs. "Front" is the joint
where the shaft starts, "rear" the one where it ends, also of a shaft that runs forward.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks import shaft_speed
from fitcheck.checks.shaft_practice import practice_rows
from fitcheck.checks.shaft_travel import FRONT, LENGTH, REAR, SWING, Ends, Extreme, extremes
from fitcheck.errors import InternalError
from fitcheck.result import JointAngles, JointPair, Shaft, ShaftLength, ShaftLoop, ShaftSpeed
from fitcheck.vehicle.masses import ledger, states_of
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.scene import Scene, ShaftPart
from fitcheck.vehicle.stance import Stance, stance

Floats = NDArray[np.float64]

RIDE = "ride"
LOOP_WITHIN_MM = 152.0
"""How near the first joint a retaining loop has to be. Source: a drag-race rule for fast classes, quoted by others."""

ECCENTRICITY_MM = (0.3, 0.8)
"""How far the mass of a sound shaft lies off its axis, from memory."""


@dataclass(frozen=True)
class Road:
    """What the vehicle has to say about a shaft: how far each load state lifts each mechanism, and its road speed.

    ``lifts_mm``: load state → mechanism → how far its wheels are up against the body. ``wheel_radius_mm``: loaded,
    the least of all load states; None: no axle is known. ``taped_sigma_mm``: of the place of a joint.
    """

    lifts_mm: dict[str, dict[str, float]] = field(default_factory=dict)
    top_speed_km_h: float | None = None
    wheel_radius_mm: float | None = None
    taped_sigma_mm: float = 0.0


def check_shafts(scene: Scene) -> dict[str, Shaft]:
    """Every shaft of the scene over the travel of what carries it; of no shafts: empty."""
    if not scene.shafts:
        return {}
    stances = _stances(scene)
    return {
        shaft.name: shaft_over_travel(shaft, ends_of(shaft, scene.mechanisms), _road(scene, stances, shaft))
        for shaft in scene.shafts
    }


def ends_of(shaft: ShaftPart, mechanisms: Mapping[str, object]) -> tuple[Motion, Motion]:
    """What carries the two joints of a shaft. Raises InternalError where one hangs on no mechanism."""
    first = _carrier(shaft, shaft.start_motion, shaft.start_on, mechanisms)
    return first, _carrier(shaft, shaft.end_motion, shaft.end_on, mechanisms)


def _carrier(shaft: ShaftPart, motion: Motion | None, on: str | None, mechanisms: Mapping[str, object]) -> Motion:
    if motion is not None:
        return motion
    if not on:
        return Still()
    if on not in mechanisms:
        raise InternalError(f"shaft {shaft.name} hangs on {on}, which is no mechanism")
    return cast(Motion, mechanisms[on])


def turns_a_wheel(shaft: ShaftPart) -> bool:
    """Whether it is a half shaft, on constant-velocity joints: the axes of both joints lie across the vehicle."""
    return all(abs(axis[1]) > 0.7 * math.hypot(*axis) for axis in (shaft.start_axis, shaft.end_axis))


def _stances(scene: Scene) -> dict[str, Stance]:
    """How the vehicle stands in each load state; empty without scales or axles."""
    books = {state.name: ledger(scene, state) for state in states_of(scene)}
    return {name: stance(book) for name, book in books.items() if book is not None}


def _road(scene: Scene, stances: Mapping[str, Stance], shaft: ShaftPart) -> Road:
    lifts: dict[str, dict[str, float]] = {}
    for state, stood in stances.items():
        lifts[state] = {
            name: axle.spring_mm
            for axle, of in ((stood.front, "front"), (stood.rear, "rear"))
            for name in scene.axles[of].mechanisms
        }
    radius = _wheel_radius_mm(scene, stances, shaft)
    return Road(lifts, scene.top_speed_km_h, radius, scene.uncertainties.taped_joint)


def _wheel_radius_mm(scene: Scene, stances: Mapping[str, Stance], shaft: ShaftPart) -> float | None:
    """The least loaded radius at the axle that the shaft drives; where none carries it, at any axle."""
    carried = {shaft.start_on, shaft.end_on}
    driven = [name for name, axle in scene.axles.items() if carried & set(axle.mechanisms)]
    radii = []
    for name in driven or scene.axles:
        axle = scene.axles[name]
        radii.append(axle.tyre.radius_mm if axle.hub_z_mm is None else axle.hub_z_mm)
        radii += [getattr(stood, name).loaded_mm for stood in stances.values()]
    return min((radius for radius in radii if radius > 0.0), default=None)


def shaft_over_travel(shaft: ShaftPart, ends: tuple[Motion, Motion], road: Road | None = None) -> Shaft:
    """Joint angles, lengths, plunge and speeds of one shaft whose joints these motions carry.

    Raises InputError where its joints coincide in some pose. The critical speed is that of
    the longest length (the lowest); None without a wall thickness.
    """
    road = road or Road()
    both = Ends(shaft, ends)
    poses = _named_poses(both, road)
    wanted = ((LENGTH, -1), (LENGTH, 1), (FRONT, 1), (REAR, 1), (SWING, 1))
    shortest, longest, front, rear, swing = extremes(both, wanted)
    critical = critical_speed_of(shaft, longest.value)
    speed = _speed(shaft, road, critical)
    found = Shaft(
        {"front": _angles(both, FRONT, poses, front), "rear": _angles(both, REAR, poses, rear)},
        _length(both, poses[RIDE], shortest, longest),
        longest.value - shortest.value,
        critical,
        (shaft.start_on or None, shaft.end_on or None),
        {name: _pair(both, poses[name], speed) for name in (RIDE, *road.lifts_mm)},
        speed,
        None if turns_a_wheel(shaft) else _loop(shaft, both, swing.value),
        shaft.phased,
        turns_a_wheel(shaft),
        math.degrees(math.sqrt(2.0) * road.taped_sigma_mm / longest.value),
    )
    return replace(found, practice=practice_rows(found, shaft))


_DROOP = "straight droop"


def _named_poses(ends: Ends, road: Road) -> dict[str, Floats]:
    """Ride, each load state, and straight droop where something with wheels moves the shaft."""
    space = ends.space
    found = {RIDE: space.scan_pose}
    for state, lifts in road.lifts_mm.items():
        moved = {block.name: block.at_heave(lifts[block.name]) for block in space.blocks if block.name in lifts}
        found[state] = space.joined(moved)
    hanging = {block.name: block.at_heave(-block.droop_mm) for block in space.blocks if block.droop_mm > 0.0}
    return {**found, _DROOP: space.joined(hanging)} if hanging else found


def _angles(ends: Ends, column: int, poses: Mapping[str, Floats], largest: Extreme) -> JointAngles:
    at = {name: float(ends.figures(pose[None])[0, column]) for name, pose in poses.items()}
    ride, droop = at.pop(RIDE), at.pop(_DROOP, None)
    swing = 0.0 if turns_a_wheel(ends.shaft) else shaft_speed.swing_pct(max([ride, *at.values()]))
    return JointAngles(ride, largest.value, droop, at, ends.space.describe(largest.pose), swing)


def _length(ends: Ends, ride: Floats, shortest: Extreme, longest: Extreme) -> ShaftLength:
    describe = ends.space.describe
    return ShaftLength(
        float(ends.figures(ride[None])[0, LENGTH]),
        shortest.value,
        longest.value,
        describe(shortest.pose),
        describe(longest.pose),
    )


def _pair(ends: Ends, pose: Floats, speed: ShaftSpeed | None) -> JointPair:
    """What is left of one joint's unevenness behind the other. Yokes of which nothing is said are taken as in phase."""
    figures = ends.figures(pose[None])[0]
    front, rear = float(figures[FRONT]), float(figures[REAR])
    between = float(ends.between_planes_deg(pose[None])[0])
    if turns_a_wheel(ends.shaft):
        return JointPair((front, rear), 0.0, (0.0, 0.0))
    left = shaft_speed.left_over_deg(front, rear, between, phased=ends.shaft.phased is not False)
    if speed is None:
        return JointPair((front, rear), left, (None, None))
    peaks = [shaft_speed.peak_acceleration_rad_s2(speed.rpm, angle) for angle in (front, left)]
    return JointPair((front, rear), left, (peaks[0], peaks[1]))


def _speed(shaft: ShaftPart, road: Road, critical: float | None) -> ShaftSpeed | None:
    """The shaft at the highest road speed; None where its ratio, that speed or the tyre is not known."""
    ratio, fastest, radius = shaft.ratio, road.top_speed_km_h, road.wheel_radius_mm
    if ratio is None or fastest is None or radius is None:
        return None
    rpm = shaft_speed.shaft_rpm(fastest, wheel_radius_mm=radius, ratio=ratio)
    if critical is None:
        return ShaftSpeed(fastest, ratio, radius, rpm, None, None, None)
    share = rpm / critical
    half = 0.5 * fastest / share
    near = (half * (1.0 - shaft_speed.HALF_CRITICAL), half * (1.0 + shaft_speed.HALF_CRITICAL))
    whirl = [shaft_speed.whirl_mm(off, share) for off in ECCENTRICITY_MM]
    bows = None if whirl[0] is None or whirl[1] is None else (whirl[0], whirl[1])
    return ShaftSpeed(fastest, ratio, radius, rpm, share, near, bows)


def _loop(shaft: ShaftPart, ends: Ends, swing_deg: float) -> ShaftLoop:
    """From the first joint as far along the shaft at ride as the loop may be."""
    reach = min(LOOP_WITHIN_MM, float(np.linalg.norm(ends.ride_line)))
    along = reach * float(ends.ride_line[0]) / float(np.linalg.norm(ends.ride_line))
    start = shaft.start_mm[0]
    radius = shaft.diameter_mm / 2.0 + shaft.whip_mm
    room = swing_half_height_mm(reach, radius_mm=radius, swing_deg=min(swing_deg, 80.0))
    return ShaftLoop((min(start, start + along), max(start, start + along)), room)


def critical_speed_of(shaft: ShaftPart, length_mm: float) -> float | None:
    """Critical speed of a shaft's tube at a length; None where the wall is not known."""
    if shaft.wall_mm is None:
        return None
    return shaft_speed.critical_rpm(
        length_mm, shaft.diameter_mm, wall_mm=shaft.wall_mm, sound_m_s=shaft.speed_of_sound_m_s
    )


def compound_deg(first_deg: float, second_deg: float) -> float:
    """True joint angle from its plan and its side view: tan² = tan² + tan², exact."""
    first, second = math.tan(math.radians(first_deg)), math.tan(math.radians(second_deg))
    return math.degrees(math.atan(math.hypot(first, second)))


def compound_small_deg(first_deg: float, second_deg: float) -> float:
    """The same by the manuals' rule, the root of the squares: good for small angles."""
    return math.hypot(first_deg, second_deg)


def working_angles_deg(output_deg: float, shaft_deg: float, pinion_deg: float) -> tuple[float, float]:
    """Angles at the front and the rear joint from three slopes in side view."""
    return abs(output_deg - shaft_deg), abs(shaft_deg - pinion_deg)


def swing_longer_mm(length_mm: float, rise_mm: float) -> float:
    """How much longer a level shaft gets when one end moves straight up: √(L² + dz²) − L."""
    return math.hypot(length_mm, rise_mm) - length_mm


def swing_half_height_mm(along_mm: float, *, radius_mm: float, swing_deg: float) -> float:
    """Half height of the cone that a tube sweeps about its joint: x tan(a) + R / cos(a)."""
    swing = math.radians(swing_deg)
    return along_mm * math.tan(swing) + radius_mm / math.cos(swing)
