"""The entries under ``mechanisms`` → mechanisms, and the twist of the frame.

What a mechanism's own module refuses (rods that do not reach, locks that no steering has)
joins the layout's mistakes at the line of the entry that it is about.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fitcheck.errors import InputError
from fitcheck.layout import mechanism_entries as typed
from fitcheck.layout.build_regions import solid_of
from fitcheck.layout.chain_entries import ChainEntry, CoordinateEntry, JointEntry
from fitcheck.layout.entries import Region
from fitcheck.layout.load import Layout
from fitcheck.layout.values import Value
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle
from fitcheck.vehicle.motion import Block, Limit
from fitcheck.vehicle.scene import FrameTwist, Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid
    from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Label, Law
    from fitcheck.vehicle.linkages import Rod
    from fitcheck.vehicle.steering import Kingpin

LEFT, RIGHT = "left", "right"
DEFAULT_OVER_MM = 1000.0
"""The frame's twist is told over this length where neither ``over`` nor axles are given."""


def build_mechanisms(layout: Layout) -> dict[str, Block]:
    """All mechanisms by name, but the frame's twist. Mistakes join the layout's; who has one is left out."""
    found = {}
    for name, entry in layout.entries.mechanisms.items():
        if entry.frame_twist is None:
            mechanism = told(layout, ("mechanisms", name, entry.kind), _build, layout, name, entry)
            if mechanism is not None:
                found[name] = mechanism
    return found


def told(layout: Layout, path: tuple[str | int, ...], build: Callable[..., Any], *given: Any) -> Any:
    """What ``build(*given)`` gives. What it refuses becomes a mistake at the entry at a path; then None."""
    try:
        return build(*given)
    except InputError as problem:
        entry = layout.typed.get(*path) or layout.typed.get(*path[:2]) or layout.typed
        words = re.sub(rf"^(mechanism |line )?'?{re.escape(str(path[1]))}'?: ", "", str(problem))
        layout.stack.mistake(_spoken_of(entry, words).spot, f"'{path[1]}': {words}")
        return None


def _spoken_of(entry: Value, words: str) -> Value:
    """The rod that a message names, or the key that it names before "expected"; else the entry."""
    head = words.split("expected")[0] if "expected" in words else ""
    for holder, said in ((entry.child("rods"), words), (entry, head)):
        for key, value in holder.items() if holder is not None else ():
            if re.search(rf"\b{re.escape(key)}\b", said):
                return value
    return entry


def _build(layout: Layout, name: str, entry: typed.Mechanism) -> Block:
    origin = layout.origin("mechanisms", name)
    makers: dict[str, Callable[[str, Any, str], Block]] = {
        "solid_axle": _solid_axle,
        "link_axle": _link_axle,
        "five_rods": _five_rods,
        "strut": _strut,
        "swing_arm": _swing_arm,
        "rocking_unit": _rocking_unit,
        "chain": _chain,
    }
    if entry.steered_wheels is not None:
        return _steering(layout, name, entry.steered_wheels, origin)
    return makers[entry.kind](name, getattr(entry, entry.kind), origin)


def _carried(carries: dict[str, Region]) -> tuple[tuple[str, Solid], ...]:
    return tuple((name, solid_of(shape)) for name, shape in carries.items())


# --- solid axles -----------------------------------------------------------------------------


def _solid_axle(name: str, entry: typed.SolidAxle, origin: str) -> SolidAxle:
    leaf = entry.leaf
    drive, brake = wind_up_deg(entry)
    return SolidAxle(
        name=name,
        centre_mm=entry.centre,
        bump_mm=entry.bump,
        droop_mm=entry.droop,
        stops_mm=entry.stops,
        lateral_mm=entry.lateral,
        leaf=None if leaf is None else Leaf(leaf.half_length, leaf.fixed_eye, leaf.flat_at, leaf.radius_factor),
        wind_up_drive_deg=drive,
        wind_up_brake_deg=brake,
        carries=_carried(entry.carries),
        origin=origin,
    )


def wind_up_deg(entry: typed.SolidAxle) -> tuple[float, float]:
    """Degrees under drive and under brake: as typed, or from springs, torque and grip; brakes are held by grip alone.

    Raises InputError for figures that give no angle.
    """
    wind_up = entry.wind_up
    if wind_up is None:
        return 0.0, 0.0
    if wind_up.spring_rate is None or entry.leaf is None:
        return wind_up.drive or 0.0, wind_up.brake or 0.0
    drive = _leaf_wind_up_deg(wind_up, wind_up.spring_rate, entry.leaf.half_length, wind_up.torque)
    brake = _leaf_wind_up_deg(wind_up, wind_up.spring_rate, entry.leaf.half_length, None)
    return drive, drive if math.isnan(brake) else brake


def _leaf_wind_up_deg(entry: typed.WindUp, rate: float, half_length: float, torque: float | None) -> float:
    """NaN without a torque and without what ends it."""
    from fitcheck.vehicle import leaves

    if entry.grip is None or entry.axle_load is None or entry.loaded_radius is None:
        halves = leaves.half_rates_n_mm(rate, half_length, half_length)
        return math.nan if torque is None else torque / leaves.wind_up_nm_deg(halves, (half_length, half_length))
    return leaves.leaf_wind_up_deg(rate, half_length, torque, entry.grip, entry.axle_load, entry.loaded_radius)


def _rods(rods: dict[str, Any], end: str) -> tuple[Rod, ...]:
    from fitcheck.vehicle.linkages import Rod

    return tuple(Rod(name, rod.body, getattr(rod, end), rod.length) for name, rod in rods.items())


def _link_axle(name: str, entry: typed.LinkAxle, origin: str) -> Block:
    from fitcheck.vehicle.linkages import LinkedAxle

    return LinkedAxle(
        name=name,
        centre=entry.centre,
        bump_mm=entry.bump,
        droop_mm=entry.droop,
        stops_mm=entry.stops,
        rods=_rods(entry.rods, "axle"),
        lateral_mm=entry.lateral,
        wind_up_drive_deg=entry.wind_up.drive,
        wind_up_brake_deg=entry.wind_up.brake,
        carries=_carried(entry.carries),
        origin=origin,
    ).validated()


# --- independent suspension -------------------------------------------------------------------


def _five_rods(name: str, entry: typed.FiveRods, origin: str) -> Block:
    from fitcheck.vehicle.linkages import FiveRods

    return FiveRods(
        name=name,
        wheel=entry.wheel,
        bump_mm=entry.bump,
        droop_mm=entry.droop,
        rods=_rods(entry.rods, "upright"),
        steering_rod=entry.steering or "",
        rack_mm=entry.rack or 0.0,
        carries=_carried(entry.carries),
        origin=origin,
    ).validated()


def _strut(name: str, entry: typed.Strut, origin: str) -> Block:
    from fitcheck.vehicle.linkages import Strut

    return Strut(
        name=name,
        wheel=entry.wheel,
        bump_mm=entry.bump,
        droop_mm=entry.droop,
        top=entry.top,
        foot=entry.foot,
        rods=_rods(entry.rods, "upright"),
        steering_rod=entry.steering or "",
        rack_mm=entry.rack or 0.0,
        carries=_carried(entry.carries),
        origin=origin,
    ).validated()


def _swing_arm(name: str, entry: typed.SwingArm, origin: str) -> Block:
    from fitcheck.vehicle.arms import pivot_axis, swing_arm

    if entry.pivots is not None:
        pivots = entry.pivots[0], entry.pivots[1]
    else:
        pivots = pivot_axis(entry.wheel, front_view=entry.front_view, side_view=entry.side_view)
    carries = _carried(entry.carries)
    return swing_arm(name, entry.wheel, pivots, entry.bump, entry.droop, carries=carries, origin=origin)


# --- steering, mounts ----------------------------------------------------------------------------


def _steering(layout: Layout, name: str, entry: typed.SteeredWheels, origin: str) -> Block:
    from dataclasses import replace

    from fitcheck.vehicle.steering import steered_wheels

    axles = layout.entries.axles
    wheelbase = entry.wheelbase or (axles.rear.at if axles is not None else None)
    left = _kingpin(entry.left, LEFT) or _other_side(_kingpin(entry.right, RIGHT))
    right = _kingpin(entry.right, RIGHT) or _other_side(left)
    if left is None or right is None:
        raise InputError("the kingpins are missing")
    return replace(steered_wheels(name, left, right, entry.inner, entry.outer, wheelbase), origin=origin)


def _kingpin(entry: typed.KingpinEntry | None, side: str) -> Kingpin | None:
    from fitcheck.vehicle.steering import Kingpin, leaning_kingpin

    if entry is None:
        return None
    if entry.lower is not None and entry.upper is not None:
        return Kingpin(entry.lower, entry.upper)
    inclination, caster = entry.inclination or 0.0, entry.caster or 0.0
    return leaning_kingpin(entry.at or (0.0, 0.0, 0.0), inclination_deg=inclination, caster_deg=caster, side=side)


def _other_side(kingpin: Kingpin | None) -> Kingpin | None:
    from fitcheck.vehicle.steering import Kingpin

    return None if kingpin is None else Kingpin(_mirrored(kingpin.lower), _mirrored(kingpin.upper))


def _mirrored(point: Vector) -> Vector:
    return point[0], 0.0 - point[1], point[2]


def _both_ways(ways: typed.Torques | typed.RockAngles) -> tuple[float, float]:
    """Drive and reverse; an electric unit reverses at once, so what is not typed is as much as drive."""
    return ways.drive, ways.drive if ways.reverse is None else ways.reverse


def _rocking_unit(name: str, entry: typed.RockingUnit, origin: str) -> Block:
    from fitcheck.vehicle.mounts import Mount, rocking_unit

    torque, rock = entry.torque, entry.rock
    return rocking_unit(
        name,
        entry.at,
        entry.axis,
        mounts=tuple(Mount(mount.at, mount.rate) for mount in entry.mounts.values()),
        torque_nm=None if torque is None else _both_ways(torque),
        drive_deg=None if rock is None else _both_ways(rock)[0],
        reverse_deg=None if rock is None else _both_ways(rock)[1],
        surge_mm=entry.surge,
        settle_mm=entry.settle,
        carries=_carried(entry.carries),
        origin=origin,
    )


# --- chains ----------------------------------------------------------------------------------------


def _chain(name: str, entry: ChainEntry, origin: str) -> Chain:
    from fitcheck.vehicle.chains import Chain

    own = tuple(_coordinate(word, coordinate) for word, coordinate in entry.coordinates.items())
    return Chain(
        name,
        own,
        tuple(_joint(joint) for joint in entry.joints),
        tuple(_law(joint, entry.coordinates) for joint in entry.joints),
        limits=tuple(
            Limit(tuple(limit.sum.get(word, 0.0) / _unit(c) for word, c in entry.coordinates.items()), limit.most)
            for limit in entry.limits
        ),
        labels=_labels(entry, own),
        bump_mm=entry.bump,
        droop_mm=entry.droop,
        carries=_carried(entry.carries),
        origin=origin,
        wheel=entry.wheel,
    )


def _unit(coordinate: CoordinateEntry) -> float:
    """What one typed unit of a coordinate is in the chain's own: 1 mm, or a degree in radians."""
    return 1.0 if coordinate.length is not None else math.radians(1.0)


def _coordinate(word: str, entry: CoordinateEntry) -> Coordinate:
    from fitcheck.vehicle.chains import Coordinate

    low, high = (value * _unit(entry) for value in entry.span)
    return Coordinate(word, low, high, "mm" if entry.length is not None else "rad")


def _joint(entry: JointEntry) -> Joint:
    from fitcheck.vehicle.chains import Joint

    if entry.turn is not None:
        return Joint("turn", entry.turn, entry.through or (0.0, 0.0, 0.0))
    return Joint("slide", entry.slide or (0.0, 0.0, 0.0))


def _law(joint: JointEntry, coordinates: dict[str, CoordinateEntry]) -> Law:
    """mm or degrees for each mm or degree of a coordinate, and for its square → in mm and radians."""
    from fitcheck.vehicle.chains import Law

    own = 1.0 if joint.turn is None else math.radians(1.0)
    ways = {way.coordinate: way for way in joint.by}
    gains, squares = [], []
    for word, coordinate in coordinates.items():
        way, unit = ways.get(word), _unit(coordinate)
        gains.append(0.0 if way is None else way.gain * own / unit)
        squares.append(0.0 if way is None else way.square * own / unit**2)
    return Law(tuple(gains), tuple(squares) if any(squares) else ())


def _labels(entry: ChainEntry, own: tuple[Coordinate, ...]) -> tuple[Label, ...]:
    return tuple(
        (
            str(cause),
            tuple(c.low if reached.get(c.word) in ("low", "whole") else 0.0 for c in own),
            tuple(c.high if reached.get(c.word) in ("high", "whole") else 0.0 for c in own),
        )
        for cause, reached in entry.causes.items()
    )


# --- the frame ---------------------------------------------------------------------------------------


def build_twist(layout: Layout) -> FrameTwist | None:
    """The twist of the frame, if it is declared. Without a torque: what lifts a wheel of the lighter axle.

    A second one, and a torque that cannot be told, join the layout's mistakes.
    """
    twists = [(name, mechanism.frame_twist) for name, mechanism in layout.entries.mechanisms.items()]
    found = [(name, entry) for name, entry in twists if entry is not None]
    for name, _ in found[1:]:
        at = layout.typed.get("mechanisms", name) or layout.typed
        message = f"the frame twists once: '{found[0][0]}' is its twist already"
        layout.stack.mistake(at.spot, message, "keep one of them")
    return _twist(layout, *found[0]) if len(found) == 1 else None


def _twist(layout: Layout, name: str, entry: typed.FrameTwistEntry) -> FrameTwist | None:
    axles = layout.entries.axles
    torque = entry.torque or _twist_torque(layout)
    if torque is None:
        at = layout.typed.get("mechanisms", name, "frame_twist") or layout.typed
        hint = "give torque, or the vehicle's axles and weights: the torque that lifts a wheel follows from them"
        layout.stack.mistake(at.spot, "'torque' is missing, and without axles and weights none can be computed", hint)
        return None
    return FrameTwist(
        name=name,
        stiffness_nm_deg=entry.stiffness,
        torque_nm=torque,
        half_deg=torque / entry.stiffness,
        between_mm=entry.over or (axles.rear.at if axles is not None else DEFAULT_OVER_MM),
        from_x_mm=entry.start,
        height_z_mm=entry.height,
        rails_mm=entry.rails,
        origin=layout.origin("mechanisms", name),
    )


def _twist_torque(layout: Layout) -> float | None:
    from fitcheck.vehicle.mounts import twist_torque_nm

    axles, weights = layout.entries.axles, layout.entries.weights
    if axles is None or weights is None:
        return None
    corners = weights.as_weighed
    front, rear = corners.front_left.kg + corners.front_right.kg, corners.rear_left.kg + corners.rear_right.kg
    return twist_torque_nm(front, axles.front.track, rear, axles.rear.track)
