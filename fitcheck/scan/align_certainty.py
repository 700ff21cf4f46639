"""How well the equations fix the vehicle frame: which turns and shifts they leave open, and one sigma of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.scan.align_equations import Equations
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.vehicle.scene import FrameCertainty

Floats = NDArray[np.float64]

OPEN_SHARE = 0.01
"""Held this much more weakly than what is held best, a turn or shift is not held at all."""

_NAMED_SHARE = 0.1

DEGREES = (
    ("x, its place along the vehicle", "a station (a point of the scan with its taped x)"),
    ("y, its place across", "a left and right pair under 'centre', or a target with its taped y"),
    ("z, its height", "ground points, hub heights or a target with its taped z"),
    ("roll, the turn about x", "heights well to the left and to the right"),
    ("pitch, the turn about y", "heights well to the front and to the rear"),
    ("heading, the turn about z", "another pair under 'centre', or another taped y, well ahead or behind"),
)
"""The six degrees of freedom, in words, and what fixes each."""


def places_of(eq: Equations, fit: RigidFit) -> Floats:
    """(n, 3) where each equation's mixture of marks lies in the vehicle frame: as typed where it is, else as fitted."""
    places = eq.points @ fit.rotation.T + eq.carried[:, None] * fit.shift
    typed = np.array([[np.nan if v is None else v for v in datum.typed] for datum in eq.datums]).reshape(-1, 3)[eq.of]
    known = np.isfinite(typed) & (eq.carried > 0.0)[:, None]
    return np.where(known, typed, places)


def middle_of(eq: Equations, fit: RigidFit) -> Floats:
    """(3,) the mean of the places; of none: the origin."""
    places = places_of(eq, fit)[eq.carried > 0.0]
    return places.mean(axis=0) if len(places) else np.zeros(3)


def slopes(eq: Equations, fit: RigidFit, middle: Floats) -> Floats:
    """(n, 6) of the residuals by small shifts in mm along x, y, z and turns in radians about them through ``middle``.

    A place at arm r moves by shift + turn × r; e · (turn × r) = turn · (r × e).
    """
    arms = places_of(eq, fit) - eq.carried[:, None] * middle
    units = np.eye(3)[eq.axes]
    return np.hstack([eq.carried[:, None] * units, np.cross(arms, units)])


def open_degrees(eq: Equations, fit: RigidFit) -> tuple[int, ...]:
    """Which of the six :data:`DEGREES` the equations leave open; () where none.

    By the singular values of the slopes, turns taken over the size of it all. A turn about a mark off the
    middle counts as a turn alone, though it shifts the middle.
    """
    if eq.count == 0:
        return (0, 1, 2, 3, 4, 5)
    middle = middle_of(eq, fit)
    arms = places_of(eq, fit) - eq.carried[:, None] * middle
    size = max(1.0, float(np.sqrt((arms**2).sum(axis=1).mean())))
    scaled = slopes(eq, fit, middle) / np.array([1.0, 1.0, 1.0, size, size, size])
    _, singular, ways = np.linalg.svd(scaled)
    held = np.zeros(6)
    held[: len(singular)] = singular
    loose = ways[held <= OPEN_SHARE * held[0]]
    turning, strength, _ = np.linalg.svd(loose[:, 3:])
    still = turning[:, np.pad(strength, (0, max(0, len(loose) - 3))) <= OPEN_SHARE].T @ loose  # these turn nothing
    shares = np.concatenate([(still[:, :3] ** 2).sum(axis=0), (loose[:, 3:] ** 2).sum(axis=0)])
    return tuple(int(k) for k in np.flatnonzero(shares > _NAMED_SHARE))


def certainty_of(eq: Equations, fit: RigidFit, sigma_mm: float) -> FrameCertainty:
    """sigma² · (JᵀJ)⁻¹ about the middle of the marks, J the weighted slopes (linear propagation).

    ``sigma_mm``: one sigma of a coordinate of weight 1. The equations must leave nothing open.
    """
    middle = middle_of(eq, fit)
    weighted = eq.weights[:, None] * slopes(eq, fit, middle)
    covariance = sigma_mm**2 * np.linalg.inv(weighted.T @ weighted)
    x, y, z = (float(value) for value in middle)
    return FrameCertainty((x, y, z), 0.5 * (covariance + covariance.T))


def prediction_sigmas(eq: Equations, others: Equations, fit: RigidFit, datum: int) -> Floats:
    """(k,) one sigma of what the ``others`` and a reading say together about each equation of a datum, when one
    sigma of a coordinate of weight 1 is 1."""
    middle = middle_of(eq, fit)
    weighted = others.weights[:, None] * slopes(others, fit, middle)
    covariance = np.linalg.inv(weighted.T @ weighted)
    rows = eq.of == datum
    carry = slopes(eq, fit, middle)[rows]
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", carry, covariance, carry) + 1.0 / eq.weights[rows] ** 2))
