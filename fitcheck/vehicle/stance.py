"""Where the ground is: springs and tyres under a changed load, and the floor in vehicle coordinates.

The scan's floor was z = 0 with the vehicle as it stood on the scales: *as weighed and as
scanned are taken to be the same state*. What came off, went in or is aboard since then
changes the load of each axle; the springs carry the sprung change alone, the tyres all
of it:

    spring = g dF_sprung / (2 k_w)    tyre = g dF / (2 k_t)    body drop = spring + tyre

Seen from the body the floor rises by the body drop, linearly between the axles. Left and
right are reported but do not tilt the floor. A hub goes down with the tyre only: its height
over the floor, the loaded radius, is the scan-day hub height less the tyre's part.

Rates are the file's, taken as exact and linear; a two-stage spring needs a measured rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.vehicle.masses import GRAVITY, Ledger, hub_height_mm
from fitcheck.vehicle.scene import Axle, Scene

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AxleStance:
    """One axle in one load state; positive deflections compress."""

    x_mm: float
    scan_hub_z_mm: float
    load_change_kg: float
    spring_mm: float
    tyre_mm: float

    @property
    def body_drop_mm(self) -> float:
        return self.spring_mm + self.tyre_mm

    @property
    def loaded_mm(self) -> float:
        """Height of the wheel centre over the ground."""
        return self.scan_hub_z_mm - self.tyre_mm

    @property
    def hub_z_mm(self) -> float:
        """Wheel-centre height in vehicle coordinates: up by what the spring gave."""
        return self.scan_hub_z_mm + self.spring_mm


@dataclass(frozen=True)
class Stance:
    """Both axles of one load state, and the floor under them.

    Floor coordinates of a point: s along the floor from under the front-axle line,
    positive rearward, and n, the perpendicular height over it. Under pitch n is less
    than the vertical difference in vehicle coordinates by the cosine of the pitch.
    """

    front: AxleStance
    rear: AxleStance

    @property
    def slope(self) -> float:
        """Rise of the floor per mm rearward, in vehicle coordinates: positive when the tail sits lower."""
        return (self.rear.body_drop_mm - self.front.body_drop_mm) / (self.rear.x_mm - self.front.x_mm)

    def floor_z_mm(self, x_mm: float) -> float:
        """Height of the floor in vehicle coordinates at x."""
        return self.front.body_drop_mm + self.slope * (x_mm - self.front.x_mm)

    @property
    def normal(self) -> Floats:
        """Unit vector (3,) up from the floor, in vehicle coordinates."""
        return np.array([-self.slope, 0.0, 1.0]) / math.hypot(1.0, self.slope)

    @property
    def tangent(self) -> Floats:
        """Unit vector (3,) rearward along the floor, in vehicle coordinates."""
        return np.array([1.0, 0.0, self.slope]) / math.hypot(1.0, self.slope)

    def to_floor(self, points: Floats) -> Floats:
        """Points (…, 3) in vehicle coordinates → (…, 2): s and n in mm."""
        points = np.asarray(points, dtype=np.float64)
        along, up = points[..., 0] - self.front.x_mm, points[..., 2] - self.front.body_drop_mm
        cosine = 1.0 / math.hypot(1.0, self.slope)
        sine = self.slope * cosine
        return np.stack([cosine * along + sine * up, cosine * up - sine * along], axis=-1)

    def hub_s_mm(self, axle: AxleStance) -> float:
        """Where along the floor a wheel centre stands."""
        return float(self.to_floor(np.array([axle.x_mm, 0.0, axle.hub_z_mm]))[0])

    def settled(self, front_mm: float, rear_mm: float) -> Stance:
        """The same with the springs giving so much more at each axle: for asking how a figure changes."""
        return Stance(
            replace(self.front, spring_mm=self.front.spring_mm + front_mm),
            replace(self.rear, spring_mm=self.rear.spring_mm + rear_mm),
        )


def stance(book: Ledger) -> Stance:
    """How the vehicle stands with the ledger's changes against the state in which it was weighed and scanned."""
    return Stance(_axle_stance(book, book.front, 0), _axle_stance(book, book.rear, 1))


def _axle_stance(book: Ledger, axle: Axle, column: int) -> AxleStance:
    change = book.masses_kg * book.shares[:, column]
    spring, tyre = give_mm_per_kg(axle)
    weighed = (book.weighed.front_kg, book.weighed.rear_kg)[column].value
    total = float(change.sum())
    sprung = float(change[book.sprung].sum())
    return AxleStance(axle.x_mm, hub_height_mm(axle, weighed), total, spring * sprung, tyre * total)


def give_mm_per_kg(axle: Axle) -> tuple[float, float]:
    """Deflection of springs and of tyres for one kg more on the axle: g / (2 k) each.

    Raises InputError unless both rates are positive.
    """
    for name, rate in (("wheel_rate", axle.wheel_rate_n_mm), ("tyre.rate", axle.tyre.rate_n_mm)):
        if not (math.isfinite(rate) and rate > 0.0):
            raise InputError(f"axles.{axle.name}.{name}: expected more than 0 N/mm, found {rate}")
    return GRAVITY / (2.0 * axle.wheel_rate_n_mm), GRAVITY / (2.0 * axle.tyre.rate_n_mm)


def drop_covariance(book: Ledger, springs_only: bool = False) -> Floats:
    """Covariance (2, 2) in mm² of the body drop at the front and the rear axle, from the changes' ±.

    The scales' own ± is no part of it: a change is counted from the state that was weighed.
    ``springs_only``: of the springs' part, for the bump travel left.
    """
    give = np.array([give_mm_per_kg(book.front), give_mm_per_kg(book.rear)])  # axle × (spring, tyre)
    per_kg = np.where(book.sprung[:, None], give[:, 0], 0.0) + (0.0 if springs_only else give[:, 1])
    by_mass = per_kg * book.shares * np.array([[entry.mass_sigma_kg] for entry in book.changes]).reshape(-1, 1)
    arm = book.masses_kg / book.wheelbase_mm * np.array([entry.cg_sigma_mm for entry in book.changes])
    by_place = per_kg * np.array([-1.0, 1.0]) * arm.reshape(-1, 1)
    return np.asarray(by_mass.T @ by_mass + by_place.T @ by_place)


def bump_left_mm(scene: Scene, stood: Stance) -> dict[str, float | None]:
    """Bump travel of each axle less what the load has used of it: the lesser of two wheels; None: no mechanism."""
    left: dict[str, float | None] = {}
    for name, axle in (("front", stood.front), ("rear", stood.rear)):
        found = [scene.mechanisms[word] for word in scene.axles[name].mechanisms if word in scene.mechanisms]
        left[name] = min((mechanism.bump_mm - axle.spring_mm for mechanism in found), default=None)
    return left
