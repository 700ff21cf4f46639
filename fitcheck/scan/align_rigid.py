"""The rotation and shift that take one set of points nearest to another, in closed form.

Kabsch, Acta Cryst. A32 (1976) 922; Umeyama, IEEE PAMI 13 (1991) 376, whose determinant
term keeps it a rotation: without it, nearly plane or swapped points give a mirrored truck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import InternalError

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RigidFit:
    """``rotation @ p + shift`` takes a point p of the one set to the other. ``rotation`` (3, 3) is
    proper (det = +1); ``spread_mm`` (3,): root-mean-square extent of the first set along its own
    axes, greatest first."""

    rotation: Floats
    shift: Floats
    spread_mm: Floats

    def moved(self, points: ArrayLike) -> Floats:
        """(n, 3) points of the first set, carried over."""
        return np.asarray(points, dtype=np.float64) @ self.rotation.T + self.shift


def fit_rigid(points: ArrayLike, places: ArrayLike, weights: ArrayLike | None = None) -> RigidFit:
    """The rotation and shift that take (n, 3) ``points`` nearest to (n, 3) ``places``, by weighted squares.

    H = Σ w (p − p̄)(q − q̄)ᵀ = U S Vᵀ, R = V diag(1, 1, det VUᵀ) Uᵀ, t = q̄ − R p̄ (Kabsch 1976,
    Umeyama 1991). ``weights`` (n,) > 0, default all one. Points in one line, or one
    point, give one of the many best rotations; none at all is an InternalError.
    """
    p, q = np.asarray(points, dtype=np.float64), np.asarray(places, dtype=np.float64)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, dtype=np.float64)
    if len(p) == 0 or p.shape != q.shape or w.shape != (len(p),) or not (w > 0).all():
        raise InternalError(f"fit_rigid was given points {p.shape}, places {q.shape}, weights {w.shape}")
    w = w / w.sum()
    p_mean, q_mean = w @ p, w @ q
    u, _, vt = np.linalg.svd((w[:, None] * (p - p_mean)).T @ (q - q_mean))
    turn = np.diag([1.0, 1.0, np.sign(np.linalg.det(vt.T @ u.T))])
    rotation = vt.T @ turn @ u.T
    return RigidFit(rotation, q_mean - rotation @ p_mean, spread_of(p, w))


def spread_of(points: Floats, weights: Floats | None = None) -> Floats:
    """(3,) root-mean-square extent of (n, 3) points along their own axes, greatest first; of one point: zeros."""
    w = np.full(len(points), 1.0 / len(points)) if weights is None else weights
    spread = np.zeros(3)
    singular = np.linalg.svd(np.sqrt(w)[:, None] * (points - w @ points), compute_uv=False)
    spread[: len(singular)] = singular
    return spread
