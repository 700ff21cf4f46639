"""What does each axle carry, and how sure is that?

σ²(front) = Σ [(1 − x/L)² σ_m² + (m/L)² σ_x²], with the front scales' own σ beside it.
The height of the centre of gravity is that over the ground in the load state, with the
springs and tyres as that state leaves them; the static stability factor is the mean track
over twice that height. It is a rigid figure: springs and tyres take some of it off.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fitcheck.result import Contributor, Loads
from fitcheck.vehicle.masses import Ledger, ledger, states_of, totals
from fitcheck.vehicle.scene import Scene
from fitcheck.vehicle.stance import Stance, stance

Floats = NDArray[np.float64]

SCALES = "scales"
"""The name under which the four scales stand among the contributors."""

TOP_CONTRIBUTORS = 5


def check_loads(scene: Scene) -> dict[str, Loads]:
    """The loads of every load state; empty where an axle or the scales' readings are missing."""
    books = {state.name: ledger(scene, state) for state in states_of(scene)}
    return {name: loads_of(book) for name, book in books.items() if book is not None}


def loads_of(book: Ledger) -> Loads:
    """Axle loads, sides, centre of gravity and their ± for one ledger. Loads are not clamped at zero."""
    total, stood = totals(book), stance(book)
    height = cg_over_ground_mm(book, stood)
    return Loads(
        mass_kg=total.mass_kg,
        front_kg=total.front_kg,
        rear_kg=total.rear_kg,
        front_share_pct=100.0 * total.front_kg / total.mass_kg,
        left_kg=total.left_kg,
        right_kg=total.right_kg,
        cg_mm=total.cg_mm,
        ssf=None if height is None else stability_factor(mean_track_mm(book), height),
        front_sigma_kg=axle_sigma_kg(book, "front"),
        body_drop_mm={"front": stood.front.body_drop_mm, "rear": stood.rear.body_drop_mm},
        rear_sigma_kg=axle_sigma_kg(book, "rear"),
        cg_height_over_ground_mm=height,
        contributors=contributors(book),
    )


def mean_track_mm(book: Ledger) -> float:
    """The mean of both axles' tracks, as the static stability factor takes it."""
    return (book.front.track_mm + book.rear.track_mm) / 2.0


def cg_over_ground_mm(book: Ledger, stood: Stance) -> float | None:
    """Perpendicular height of the centre of gravity over the floor of the load state; None if not measured.

    Unsprung masses are taken to follow the body; over 50 mm of spring that is a few mm on the answer.
    """
    x, y, z = totals(book).cg_mm
    return None if z is None else float(stood.to_floor(np.array([x, y, z]))[1])


def stability_factor(track_mm: float, height_mm: float) -> float:
    """SSF = T / (2 h). Source: US rollover rating, static stability factor."""
    return track_mm / (2.0 * height_mm)


def tilt_deg(track_mm: float, height_mm: float, toward_mm: float = 0.0) -> float:
    """Sideways slope on which a rigid vehicle tips: tan = (T/2 − y) / h, y toward the low side."""
    return math.degrees(math.atan2(track_mm / 2.0 - toward_mm, height_mm))


def axle_sigma_kg(book: Ledger, axle: str) -> float:
    """One sigma of an axle's load: the changes' masses and places, and the scales under that axle."""
    column = ("front", "rear").index(axle)
    scale = (book.weighed.front_kg, book.weighed.rear_kg)[column].sigma
    return math.hypot(scale, *_sigmas(book, column))


def _sigmas(book: Ledger, column: int) -> Floats:
    """One sigma (n,) of an axle's load from each change."""
    by_mass = book.shares[:, column] * np.array([entry.mass_sigma_kg for entry in book.changes])
    by_place = book.masses_kg / book.wheelbase_mm * np.array([entry.cg_sigma_mm for entry in book.changes])
    return np.asarray(np.hypot(by_mass, by_place))


def contributors(book: Ledger) -> tuple[Contributor, ...]:
    """The largest five sources of the ± on the front axle: what to weigh to be surer. Exact masses are left out."""
    found = [Contributor(SCALES, book.weighed.front_kg.sigma)]
    sigmas = _sigmas(book, 0)
    found += [Contributor(entry.name, float(sigma)) for entry, sigma in zip(book.changes, sigmas, strict=True)]
    found.sort(key=lambda item: -item.front_sigma_kg)
    return tuple(item for item in found[:TOP_CONTRIBUTORS] if item.front_sigma_kg > 0.0)


def share_sigma_pct(book: Ledger) -> float:
    """One sigma of the front share in per cent: dp = (dF − p dW) / W, term by term."""
    total = totals(book)
    share, mass = total.front_kg / total.mass_kg, total.mass_kg
    terms = [(1.0 - share) * book.weighed.front_kg.sigma, share * book.weighed.rear_kg.sigma]
    for entry, part in zip(book.changes, book.shares[:, 0], strict=True):
        terms += [(part - share) * entry.mass_sigma_kg, entry.mass_kg / book.wheelbase_mm * entry.cg_sigma_mm]
    return 100.0 * math.hypot(*terms) / mass


def mass_sigma_kg(book: Ledger) -> float:
    """One sigma of the whole mass."""
    return math.hypot(book.weighed.mass_kg.sigma, *(entry.mass_sigma_kg for entry in book.changes))


def stability_sigma(book: Ledger) -> float | None:
    """One sigma of the static stability factor, from the height of the centre of gravity alone.

    dh = ((z − h) dm + m dz) / M, term by term; the tracks and the stance are taken as exact.
    """
    total, weighed = totals(book), book.weighed
    height = cg_over_ground_mm(book, stance(book))
    if height is None or weighed.height_mm is None or total.cg_mm[2] is None:
        return None
    centre = total.cg_mm[2]
    terms = [
        (weighed.height_mm.value - centre) * weighed.mass_kg.sigma,
        weighed.mass_kg.value * weighed.height_mm.sigma,
    ]
    for entry in book.changes:
        terms += [(entry.cg_mm[2] - centre) * entry.mass_sigma_kg, entry.mass_kg * entry.cg_sigma_mm]
    return stability_factor(mean_track_mm(book), height) * math.hypot(*terms) / total.mass_kg / height
