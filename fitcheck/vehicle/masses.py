"""The ledger of masses: as weighed, less what came off, plus what went in, plus what is aboard.

Point masses in three dimensions. The first line is what stood on the four scales;
every other line is a change against it, negative where something came off. An axle
carries of a mass m at x the shares m (xr - x) / L and m (x - xf) / L, whatever x is:
a mass behind the rear axle takes load off the front.

The parts' ``sprung`` flag is kept: an unsprung part (wheel, axle) loads the tyre and
not the spring. Removed and added masses have no such flag and count as sprung.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError, InternalError
from fitcheck.vehicle.scene import Axle, LoadState, PointMass, Quantity, Scene, Vector, Weights

Floats = NDArray[np.float64]

GRAVITY = 9.80665
"""Standard gravity, N/kg. Source: 3rd General Conference on Weights and Measures, 1901."""

LEAST_LIFT_MM = 600.0
"""A lower lift makes the height of the centre of gravity too uncertain. Source: a maker's body-builder manual, 2015."""


@dataclass(frozen=True)
class Entry:
    """One change against the scales. ``mass_kg`` is negative for what came off."""

    name: str
    mass_kg: float
    cg_mm: Vector
    mass_sigma_kg: float = 0.0
    cg_sigma_mm: float = 0.0
    sprung: bool = True


@dataclass(frozen=True)
class Weighed:
    """The vehicle on the scales, in vehicle coordinates. ``height_mm`` None: it was not measured."""

    mass_kg: Quantity
    front_kg: Quantity
    rear_kg: Quantity
    right_kg: float
    x_mm: float
    y_mm: float
    height_mm: Quantity | None


@dataclass(frozen=True)
class Ledger:
    """What was weighed and every change since, for one load state."""

    front: Axle
    rear: Axle
    weighed: Weighed
    changes: tuple[Entry, ...]

    @property
    def wheelbase_mm(self) -> float:
        return self.rear.x_mm - self.front.x_mm

    @property
    def masses_kg(self) -> Floats:
        """Signed masses of the changes (n,)."""
        return np.array([entry.mass_kg for entry in self.changes], dtype=np.float64)

    @property
    def places_mm(self) -> Floats:
        """Centres of gravity of the changes (n, 3)."""
        return np.array([entry.cg_mm for entry in self.changes], dtype=np.float64).reshape(-1, 3)

    @property
    def sprung(self) -> NDArray[np.bool_]:
        """Which of the changes are carried by the springs (n,)."""
        return np.array([entry.sprung for entry in self.changes], dtype=np.bool_)

    @property
    def shares(self) -> Floats:
        """Part of each change's mass on the front and the rear axle (n, 2); each row adds up to 1."""
        rear = (self.places_mm[:, 0] - self.front.x_mm) / self.wheelbase_mm
        return np.stack([1.0 - rear, rear], axis=1)


@dataclass(frozen=True)
class Totals:
    """The sums of a ledger. ``cg_mm``'s height is None where the scales gave none."""

    mass_kg: float
    front_kg: float
    rear_kg: float
    left_kg: float
    right_kg: float
    cg_mm: tuple[float, float, float | None]


def states_of(scene: Scene) -> tuple[LoadState, ...]:
    """The scene's load states; where it names none, one with nobody aboard, called "kerb"."""
    return scene.load_states or (LoadState("kerb"),)


def ledger(scene: Scene, state: LoadState) -> Ledger | None:
    """All masses of one load state; None where an axle or the scales' readings are missing.

    Raises InputError where more came off than was weighed, or where the weighing does not hold.
    """
    front, rear = scene.axles.get("front"), scene.axles.get("rear")
    if front is None or rear is None or scene.weights is None:
        return None
    if rear.x_mm <= front.x_mm:
        raise InputError(f"axles: the rear axle at {rear.x_mm:g} mm must lie behind the front one at {front.x_mm:g} mm")
    book = Ledger(front, rear, weigh(scene.weights, front, rear), (*_changes(scene, scene.weights), *_aboard(state)))
    _refuse_nonsense(book)
    return book


def _changes(scene: Scene, weights: Weights) -> list[Entry]:
    entries = [_entry(mass, sign=-1.0) for mass in weights.removed]
    entries += [_entry(mass) for mass in weights.added]
    entries += [_entry(part.mass, sprung=part.sprung) for part in scene.parts if part.mass is not None]
    entries += [_entry(shaft.mass) for shaft in scene.shafts if shaft.mass is not None]
    return entries


def _aboard(state: LoadState) -> list[Entry]:
    return [_entry(mass) for mass in state.aboard]


def _entry(mass: PointMass, *, sign: float = 1.0, sprung: bool = True) -> Entry:
    return Entry(mass.name, sign * mass.mass_kg.value, mass.cg_mm, mass.mass_kg.sigma, mass.cg_sigma_mm, sprung)


def _refuse_nonsense(book: Ledger) -> None:
    if not (np.isfinite(book.masses_kg).all() and np.isfinite(book.places_mm).all()):
        raise InternalError("a mass or its place is not a finite number")
    mass = book.weighed.mass_kg.value + float(book.masses_kg.sum())
    if mass <= 0.0:
        raise InputError(
            f"weights: {mass:.1f} kg would be left of {book.weighed.mass_kg.value:.1f} kg as weighed; "
            "check the masses under 'removed'"
        )


def weigh(weights: Weights, front: Axle, rear: Axle) -> Weighed:
    """The vehicle as a point mass, from four scales and, where it was measured, the height.

    x = L Wr / W behind the front axle, y = (tf (FR - FL) + tr (RR - RL)) / (2 W).
    Source: moments about the front axle and the mid-plane (Jazar, Vehicle Dynamics, ch. 2).
    """
    scales = weights.as_weighed
    corners = (scales.front_left, scales.front_right, scales.rear_left, scales.rear_right)
    fl, fr, rl, rr = (corner.value for corner in corners)
    mass = fl + fr + rl + rr
    if not (math.isfinite(mass) and mass > 0.0):
        raise InputError(f"weights.as_weighed: the four corners must add up to more than 0 kg, not {mass} kg")
    x = front.x_mm + (rear.x_mm - front.x_mm) * (rl + rr) / mass
    y = (front.track_mm * (fr - fl) + rear.track_mm * (rr - rl)) / (2.0 * mass)
    return Weighed(
        Quantity(mass, math.hypot(*(corner.sigma for corner in corners))),
        Quantity(fl + fr, math.hypot(scales.front_left.sigma, scales.front_right.sigma)),
        Quantity(rl + rr, math.hypot(scales.rear_left.sigma, scales.rear_right.sigma)),
        fr + rr,
        x,
        y,
        _height(weights, front, rear),
    )


def _height(weights: Weights, front: Axle, rear: Axle) -> Quantity | None:
    """Height of the centre of gravity over the scan-day floor: given, or from the raised-axle weighing."""
    if weights.raised is None:
        return weights.cg_height_mm
    raised, base, scales = weights.raised, rear.x_mm - front.x_mm, weights.as_weighed
    on_front = scales.front_left.value + scales.front_right.value
    on_rear = scales.rear_left.value + scales.rear_right.value
    hubs = hub_height_mm(front, on_front), hub_height_mm(rear, on_rear)
    mass = on_front + on_rear
    line = hubs[0] + (hubs[1] - hubs[0]) * on_rear / mass
    gain = raised.other_axle_gains_kg
    height = cg_height_mm(line, mass_kg=mass, gain_kg=gain.value, wheelbase_mm=base, by_mm=raised.by_mm)
    per_kg = cg_height_mm(0.0, mass_kg=mass, gain_kg=1.0, wheelbase_mm=base, by_mm=raised.by_mm)
    return Quantity(height, per_kg * gain.sigma)


def hub_height_mm(axle: Axle, load_kg: float) -> float:
    """Wheel-centre height on scan day: as measured, or unloaded radius less g W / (2 k) for an axle load W."""
    if axle.hub_z_mm is not None:
        return axle.hub_z_mm
    return axle.tyre.radius_mm - GRAVITY * load_kg / (2.0 * axle.tyre.rate_n_mm)


def cg_height_mm(hub_mm: float, *, mass_kg: float, gain_kg: float, wheelbase_mm: float, by_mm: float) -> float:
    """Height of the centre of gravity from lifting one axle: h = r + dW L / (W tan(t)), sin(t) = by / L.

    ``hub_mm`` is the height of the line through the wheel centres below the centre of
    gravity, vehicle level; ``gain_kg`` what the axle on the ground gained; ``by_mm`` the
    difference in height of the wheel centres. Raises InputError unless 0 < by < L.
    Source: the axle-lift method, ISO 10392; Jazar, Vehicle Dynamics, eq. 2.32.
    """
    if not 0.0 < by_mm < wheelbase_mm:
        raise InputError(
            f"weights.raised: 'by' must be more than 0 and less than the wheelbase of {wheelbase_mm:g} mm, "
            f"not {by_mm:g} mm"
        )
    return hub_mm + gain_kg * wheelbase_mm / (mass_kg * math.tan(math.asin(by_mm / wheelbase_mm)))


def axle_split_kg(mass_kg: float, x_mm: float, wheelbase_mm: float) -> tuple[float, float]:
    """What front and rear axle carry of a mass ``x_mm`` behind the front axle: never clamped."""
    rear = mass_kg * x_mm / wheelbase_mm
    return mass_kg - rear, rear


def totals(book: Ledger) -> Totals:
    """Sums, axle loads, sides and centre of gravity of a ledger.

    A mass at y loads the right wheel of its axle with the share 1/2 + y / track.
    """
    masses, places = book.masses_kg, book.places_mm
    weighed, base = book.weighed, book.weighed.mass_kg.value
    mass = base + float(masses.sum())
    front = weighed.front_kg.value + float(masses @ book.shares[:, 0])
    rear = weighed.rear_kg.value + float(masses @ book.shares[:, 1])
    tracks = np.array([book.front.track_mm, book.rear.track_mm])
    right = weighed.right_kg + float(np.sum(masses[:, None] * book.shares * (0.5 + places[:, 1:2] / tracks)))
    x = (base * weighed.x_mm + float(masses @ places[:, 0])) / mass
    y = (base * weighed.y_mm + float(masses @ places[:, 1])) / mass
    z = None
    if weighed.height_mm is not None:
        z = (base * weighed.height_mm.value + float(masses @ places[:, 2])) / mass
    return Totals(mass, front, rear, mass - right, right, (x, y, z))


def parts_without_mass(scene: Scene) -> tuple[str, ...]:
    """Names of parts that weigh nothing in the ledger, other than keep-outs and people's room.

    Right for things that stood on the scales with the vehicle; wrong for anything that goes in.
    """
    bare = [part.name for part in scene.parts if part.mass is None and part.part_class not in ("keep_out", "occupant")]
    return tuple(bare)


def weighing_cautions(scene: Scene) -> tuple[str, ...]:
    """What makes the weighing less sure than it looks: a low lift, a centre of gravity outside the wheelbase."""
    front, rear, weights = scene.axles.get("front"), scene.axles.get("rear"), scene.weights
    if front is None or rear is None or weights is None:
        return ()
    said = []
    if weights.raised is not None and weights.raised.by_mm < LEAST_LIFT_MM:
        said.append(
            f"weights.raised: a lift of {weights.raised.by_mm:g} mm is low; lift {LEAST_LIFT_MM:g} mm or more, "
            "or the height of the centre of gravity is a guess"
        )
    if not front.x_mm < weigh(weights, front, rear).x_mm < rear.x_mm:
        said.append("weights.as_weighed: the centre of gravity lies outside the wheelbase; check the readings")
    return tuple(said)
