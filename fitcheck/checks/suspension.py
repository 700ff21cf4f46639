"""How much travel is left, how softly does it ride, what would a stiffer spring give, what does the frame's twist rack?

Stops are fixed to the body: travel counts from the scan pose to the metal stops, whatever the
spring. A load moves the rest point between them by what the springs give, so bump left =
bump − deflection and droop left = droop + deflection. Rates are per wheel, at the wheel, in
heave; both wheels of an axle are taken to stand alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.result import (
    AxleSuspension,
    FrameRacking,
    LeafSprings,
    Practice,
    StifferSpring,
    Suspension,
    SuspensionState,
    TwistedPart,
)
from fitcheck.vehicle.leaves import axle_torque_nm, chord_mm, wind_up_nm_deg
from fitcheck.vehicle.masses import Ledger, ledger, states_of, totals
from fitcheck.vehicle.mechanisms import Leaf
from fitcheck.vehicle.motion import Block
from fitcheck.vehicle.mounts import racking_mm, twist_torque_nm
from fitcheck.vehicle.scene import Axle, FrameTwist, Part, Scene
from fitcheck.vehicle.stance import AxleStance, drop_covariance, stance

Floats = NDArray[np.float64]

AXLES = ("front", "rear")
BUMP_LEFT_MM = 30.0
"""With less an axle lives on its stops. Common practice."""

COMMON_HZ = (1.3, 2.0)
"""Ride frequencies of light trucks under load. Common practice."""

GRIP = 0.8
"""Friction of a tyre on dry ground, for the torque that it can hold."""

_STIFFER = (1.1, 1.2, 1.3)
_NOT_BOLTED = ("keep_out", "occupant", "outer_skin", "axle", "tyre", "steering", "shaft", "brake_line", "hv_cable")


@dataclass(frozen=True)
class _Stood:
    """One axle in one load state."""

    state: str
    axle: AxleStance
    sigma_mm: float  # of the spring's deflection
    load_kg: float
    corner_kg: float  # sprung, the mean of both sides


def check_suspension(scene: Scene) -> Suspension:
    """The suspension page of a scene; without axles and twist an empty one."""
    books = {state.name: ledger(scene, state) for state in states_of(scene)}
    weighed = {name: book for name, book in books.items() if book is not None}
    axles = {name: _axle(scene, scene.axles[name], weighed) for name in AXLES if name in scene.axles}
    return Suspension(axles, _racking(scene, weighed))


def _axle(scene: Scene, axle: Axle, books: dict[str, Ledger]) -> AxleSuspension:
    carriers = [scene.mechanisms[word] for word in axle.mechanisms if word in scene.mechanisms]
    bump = min((carrier.bump_mm for carrier in carriers), default=None)
    droop = min((carrier.droop_mm for carrier in carriers), default=None)
    stood = [_stood(book, axle, name) for name, book in books.items()]
    fullest = max(stood, key=lambda one: one.axle.spring_mm, default=None)
    states = {one.state: _state(one, axle, bump, droop) for one in stood}
    tilt, rise, fall = _crossed(carriers, axle)
    return AxleSuspension(
        mechanism=" and ".join(carrier.name for carrier in carriers) or None,
        bump_mm=bump,
        droop_mm=droop,
        wheel_rate_n_mm=axle.wheel_rate_n_mm,
        articulation_deg=tilt,
        wheel_rise_mm=rise,
        wheel_fall_mm=fall,
        states=states,
        fullest=None if fullest is None else fullest.state,
        stiffer=() if fullest is None or bump is None else tuple(_stiffer(fullest, axle, bump)),
        leaf=_leaf_springs(carriers, axle, fullest),
        practice=() if fullest is None else tuple(_practice(fullest.state, states[fullest.state])),
        notes=tuple(_notes(axle, carriers)),
    )


def _stood(book: Ledger, axle: Axle, state: str) -> _Stood:
    column = AXLES.index(axle.name)
    change = book.masses_kg * book.shares[:, column]
    weighed = (book.weighed.front_kg, book.weighed.rear_kg)[column].value
    sprung = weighed - axle.unsprung_kg + float(change[book.sprung].sum())
    sigma = math.sqrt(float(np.diag(drop_covariance(book, springs_only=True))[column]))
    stood = getattr(stance(book), axle.name)
    return _Stood(state, stood, sigma, weighed + float(change.sum()), sprung / 2.0)


def _state(one: _Stood, axle: Axle, bump: float | None, droop: float | None) -> SuspensionState:
    deflection = one.axle.spring_mm
    return SuspensionState(
        bump_left_mm=None if bump is None else bump - deflection,
        bump_left_sigma_mm=one.sigma_mm,
        droop_left_mm=None if droop is None else droop + deflection,
        sprung_corner_kg=one.corner_kg,
        frequency_hz=ride_frequency_hz(axle.wheel_rate_n_mm, one.corner_kg),
    )


def ride_frequency_hz(rate_n_mm: float, corner_kg: float) -> float | None:
    """f = √(k / m) / 2π of one wheel's spring under its sprung mass; None of no mass, or less.

    The same as 15.76 / √(static deflection in mm), √g / 2π. Source: closed form.
    """
    if not (corner_kg > 0.0 and rate_n_mm > 0.0):
        return None
    return math.sqrt(rate_n_mm * 1000.0 / corner_kg) / (2.0 * math.pi)


def articulation(bump_mm: float, droop_mm: float, *, stops_mm: float, track_mm: float) -> tuple[float, float, float]:
    """A solid axle with one side at its bump stop and the other at full droop: angle deg, upper and lower wheel mm.

    tan φ = (bump + droop) / 2b, stops at ± b; a wheel centre at half the track rises (bump − droop)/2 ± (t/2) sin φ
    from the scan pose: more than straight bump does. Source: closed form.
    """
    angle = math.atan2(bump_mm + droop_mm, 2.0 * stops_mm)
    middle, side = (bump_mm - droop_mm) / 2.0, track_mm / 2.0 * math.sin(angle)
    return math.degrees(angle), middle + side, middle - side


def _crossed(carriers: list[Block], axle: Axle) -> tuple[float | None, float | None, float | None]:
    """Angle and both wheels of a solid axle; None where each wheel has its own mechanism, or none."""
    stops = getattr(carriers[0], "stops_mm", None) if len(carriers) == 1 else None
    if stops is None:
        return None, None, None
    return articulation(carriers[0].bump_mm, carriers[0].droop_mm, stops_mm=float(stops), track_mm=axle.track_mm)


def _stiffer(fullest: _Stood, axle: Axle, bump_mm: float) -> Iterator[StifferSpring]:
    """The axle in its fullest load state on the spring as fitted, on the one that leaves 30 mm, on stiffer ones.

    The new spring is taken to stand as scanned under the scan-day load (set, packed or arched so): it changes what
    the change of load does. Where no spring can leave 30 mm, or the fitted one does, that row is left out.
    """
    yield _on_spring("as fitted", 1.0, fullest, axle, bump_mm)
    room = bump_mm - BUMP_LEFT_MM
    if room > 0.0 and fullest.axle.spring_mm > room:
        yield _on_spring(f"leaves {BUMP_LEFT_MM:g} mm", fullest.axle.spring_mm / room, fullest, axle, bump_mm)
    for factor in _STIFFER:
        yield _on_spring(f"+{100.0 * (factor - 1.0):.0f} %", factor, fullest, axle, bump_mm)


def _on_spring(why: str, factor: float, stood: _Stood, axle: Axle, bump_mm: float) -> StifferSpring:
    deflection, rate = stood.axle.spring_mm / factor, factor * axle.wheel_rate_n_mm
    return StifferSpring(
        why, rate, bump_mm - deflection, deflection + stood.axle.tyre_mm, ride_frequency_hz(rate, stood.corner_kg)
    )


def shackle_travel_mm(leaf: Leaf, bump_mm: float, droop_mm: float) -> float:
    """How far the eye at the shackle travels from full droop to the metal stop: longest less shortest chord.

    The camber is what is missing to flat: ``flat_at`` less the heave. The spring is longest where it is flat.
    """
    strip = 2.0 * leaf.half_length_mm
    heaves = (-droop_mm, bump_mm, min(max(leaf.flat_at_mm, -droop_mm), bump_mm))
    chords = [chord_mm(strip, leaf.flat_at_mm - heave) for heave in heaves]
    return max(chords) - min(chords)


def _held_nm(stood: _Stood) -> float:
    """The most torque that the tyres hold."""
    loaded = stood.axle.loaded_mm
    return axle_torque_nm(None, grip=GRIP, axle_load_kg=stood.load_kg, loaded_radius_mm=loaded)


def _leaf_springs(carriers: list[Block], axle: Axle, fullest: _Stood | None) -> LeafSprings | None:
    leaf = getattr(carriers[0], "leaf", None) if len(carriers) == 1 else None
    if not isinstance(leaf, Leaf):
        return None
    half, length = axle.wheel_rate_n_mm / 2.0, leaf.half_length_mm  # a symmetrical spring: half its rate at each tip
    stiffness = wind_up_nm_deg((half, half), (length, length))
    torque = None if fullest is None else _held_nm(fullest)
    typed = [float(getattr(carriers[0], f"wind_up_{way}_deg", 0.0)) for way in ("drive", "brake")]
    return LeafSprings(
        stiffness,
        torque,
        None if torque is None else torque / stiffness,
        (typed[0], typed[1]),
        shackle_travel_mm(leaf, carriers[0].bump_mm, carriers[0].droop_mm),
    )


def _practice(state: str, found: SuspensionState) -> Iterator[Practice]:
    left, spread = found.bump_left_mm, 2.0 * found.bump_left_sigma_mm
    word = "unknown" if left is None or not math.isfinite(left) else "within practice"
    if left is not None and left - spread < BUMP_LEFT_MM:
        word = "under" if left + spread < BUMP_LEFT_MM else "at the edge"
    note = "with less it lives on its stops" if word != "unknown" else "no mechanism gives the axle a travel"
    asks = f"at least {BUMP_LEFT_MM:g} mm"
    yield Practice(f"bump left, {state}", left, "mm", asks, word, "common practice", note)
    rate, (low, high) = found.frequency_hz, COMMON_HZ
    word = "unknown" if rate is None else "under" if rate < low else "over" if rate > high else "within practice"
    note = "under it floats: stiffer springs; over it is hard"
    yield Practice(f"ride frequency, {state}", rate, "Hz", f"{low:g} to {high:g} Hz", word, "common practice", note)


def _notes(axle: Axle, carriers: list[Block]) -> Iterator[str]:
    if not carriers:
        yield f"no mechanism carries this axle: its travel is not known (axles.{axle.name}.mechanism)"
    if not axle.unsprung_kg:
        yield "unsprung mass is not typed: the frequency is of the whole axle load, so it is a little low"


def _racking(scene: Scene, books: dict[str, Ledger]) -> FrameRacking:
    lift = max((_lift_nm(book) for book in books.values()), default=None)
    twist = scene.twist
    if twist is None:
        return FrameRacking(lift)
    parts = [_twisted(part, twist) for part in scene.parts if _spans(part)]
    parts.sort(key=lambda one: -one.racked_mm)
    return FrameRacking(lift, twist.torque_nm, twist.half_deg, twist.between_mm, twist.rails_mm, tuple(parts))


def _lift_nm(book: Ledger) -> float:
    total = totals(book)
    return twist_torque_nm(total.front_kg, book.front.track_mm, total.rear_kg, book.rear.track_mm)


def _spans(part: Part) -> bool:
    """Whether a part is bolted to the vehicle and lies on both sides of the middle plane."""
    if not part.solids or part.on or part.part_class in _NOT_BOLTED:
        return False
    low, high = _extents(part)
    return bool(low[1] < 0.0 < high[1])


def _extents(part: Part) -> tuple[Floats, Floats]:
    boxes = np.array([solid.extents() for solid in part.solids])
    return boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)


def _twisted(part: Part, twist: FrameTwist) -> TwistedPart:
    low, high = _extents(part)
    across = float(high[1] - low[1]) if twist.rails_mm is None else twist.rails_mm
    length = float(high[0] - low[0])
    racked = racking_mm(twist.half_deg, twist.between_mm, length, across)
    return TwistedPart(part.name, length, across, racked)
