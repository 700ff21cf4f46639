"""Turning the scan onto the vehicle frame by its targets, and saying how well that is known.

The best fit is the weighted least-squares rotation and shift in closed form: Kabsch,
Acta Cryst. A32 (1976) 922; Umeyama, IEEE PAMI 13 (1991) 376, whose determinant term
keeps it a rotation: without it, nearly plane or swapped targets give a mirrored truck.
The mesh itself is never fitted to anything.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.errors import AlignmentError, InternalError
from fitcheck.scan.spec import Target

Floats = NDArray[np.float64]

LEAST_TARGETS = 3
_LINE_SHARE = 0.01  # targets spread off their line by less than this share of its length fix no turn about it
_WHY_THREE = "three marks that are not in one line fix the vehicle in space, a fourth finds a mistyped one"


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


@dataclass(frozen=True, eq=False)
class AlignmentReport:
    """How the targets fitted. All in mm in the vehicle frame.

    ``fit`` takes scan points in mm to the vehicle frame. ``residuals_mm`` and
    ``leave_one_out_mm``: name → (3,), scan place less taped place, in the fit of all and in the
    fit of all others (NaN with three targets or where the others lie in a line).
    ``rms_mm`` = √(Σ|e|²/n); ``sigma_mm`` = √(Σ|e|²/(3n − 6)), one sigma of a coordinate.
    """

    fit: RigidFit
    places_mm: Floats
    residuals_mm: dict[str, Floats]
    leave_one_out_mm: dict[str, Floats]
    rms_mm: float
    sigma_mm: float
    tape_mm: float
    notes: tuple[str, ...] = ()


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
    spread = np.zeros(3)
    singular = np.linalg.svd(np.sqrt(w)[:, None] * (p - p_mean), compute_uv=False)
    spread[: len(singular)] = singular
    return RigidFit(rotation, q_mean - rotation @ p_mean, spread)


def align(targets: Sequence[Target], unit_mm: float, *, tape_mm: float, within_mm: float) -> AlignmentReport:
    """The best fit of the targets' scanned marks to their taped places.

    Raises AlignmentError for fewer than three targets, for targets in one line, and when a
    target's leave-one-out residual is more than ``within_mm`` along an axis: it names
    the target whose leaving out makes the others agree, or what else explains it.
    """
    _check_names(targets)
    marks = np.array([t.scan for t in targets], dtype=np.float64).reshape(-1, 3) * unit_mm
    places = np.array([t.vehicle for t in targets], dtype=np.float64).reshape(-1, 3)
    if not (np.isfinite(marks).all() and np.isfinite(places).all()):
        raise AlignmentError("a target's coordinates are not numbers. Give three finite numbers each.")
    _check_arrangement(targets, marks, places)
    fit = fit_rigid(marks, places)
    residuals = fit.moved(marks) - places
    left_out = leave_one_out(marks, places)
    judged = np.where(np.isfinite(left_out), left_out, residuals)
    if (np.abs(judged) > within_mm).any():
        raise _misfit(targets, marks, places, within_mm)
    squares = float((residuals**2).sum())
    names = [t.name for t in targets]
    return AlignmentReport(
        fit,
        places,
        dict(zip(names, residuals, strict=True)),
        dict(zip(names, left_out, strict=True)),
        math.sqrt(squares / len(targets)),
        math.sqrt(squares / (3 * len(targets) - 6)),
        tape_mm,
        _plane_note(fit, tape_mm) if len(targets) > LEAST_TARGETS else _few_note(),
    )


def leave_one_out(marks: Floats, places: Floats) -> Floats:
    """Row i of (n, 3): how far target i lies from its place in the fit of all others.

    NaN where the others are fewer than three or lie in one line.
    """
    off = np.full(marks.shape, np.nan)
    for i in range(len(marks)):
        others = np.arange(len(marks)) != i
        if others.sum() >= LEAST_TARGETS and not _in_line(places[others]):
            off[i] = fit_rigid(marks[others], places[others]).moved(marks[i : i + 1])[0] - places[i]
    return off


def alignment_sigma_mm(report: AlignmentReport, place_mm: ArrayLike) -> float:
    """One sigma, along the worst axis, of where the alignment puts a place (3,) of the vehicle frame.

    It grows with the lever arm. For n marks with one sigma s a coordinate the shift of their
    middle has covariance s²/n · 1 and the turn about it s² · J⁻¹, J = Σ (|r|² 1 − r rᵀ); at
    arm a the place has s²/n · 1 + [a]ₓ s² J⁻¹ [a]ₓᵀ (linear propagation, closed form). s is
    the larger of the fit's sigma and the tape's.
    """
    sigma = max(report.sigma_mm, report.tape_mm)
    middle = report.places_mm.mean(axis=0)
    arms = report.places_mm - middle
    inertia = (arms**2).sum() * np.eye(3) - arms.T @ arms
    x, y, z = np.asarray(place_mm, dtype=np.float64) - middle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    covariance = np.eye(3) / len(arms) + cross @ np.linalg.inv(inertia) @ cross.T
    return float(sigma * math.sqrt(np.linalg.eigvalsh(covariance)[-1]))


def _check_names(targets: Sequence[Target]) -> None:
    names = [t.name for t in targets]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise AlignmentError(f"target {twice} is given twice. Give each target once.")
    if len(targets) < LEAST_TARGETS:
        given = ", ".join(names) or "none"
        missing = LEAST_TARGETS - len(targets)
        raise AlignmentError(f"{_at(targets)}{len(targets)} targets ({given}); at least {LEAST_TARGETS} are needed. "
                             f"Add {missing} more, better {missing + 1}: {_WHY_THREE}.")  # fmt: skip


def _at(targets: Sequence[Target]) -> str:
    origin = next((t.origin for t in targets if t.origin), "")
    return f"{origin}: " if origin else ""


def _spread(points: Floats) -> Floats:
    return np.asarray(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)) / math.sqrt(len(points))


def _in_line(points: Floats) -> bool:
    spread = _spread(points)
    return bool(spread[1] <= _LINE_SHARE * spread[0])


def _check_arrangement(targets: Sequence[Target], marks: Floats, places: Floats) -> None:
    for points, where in ((places, "taped places"), (marks, "scanned marks")):
        if _in_line(points):
            raise AlignmentError(f"{_at(targets)}the {where} of {', '.join(t.name for t in targets)} lie in one line: "
                                 "the turn about it is not fixed. Add a target well beside that line.")  # fmt: skip


def _few_note() -> tuple[str, ...]:
    return (f"aligned by {LEAST_TARGETS} targets: a mistyped one cannot be told from the others; add a fourth",)


def _plane_note(fit: RigidFit, tape_mm: float) -> tuple[str, ...]:
    if fit.spread_mm[2] > 3.0 * tape_mm:
        return ()
    return (f"all targets lie in one plane to {fit.spread_mm[2]:.1f} mm: left and right swapped would turn the vehicle "
            "upside down unnoticed; add a target off that plane",)  # fmt: skip


# --- when they do not fit ---------------------------------------------------------------------------------------------


def _misfit(targets: Sequence[Target], marks: Floats, places: Floats, within_mm: float) -> AlignmentError:
    limit = f"{within_mm:g} mm"
    if _fits_mirrored(marks, places, within_mm):
        return AlignmentError(
            f"{_at(targets)}the targets fit only as a mirror image: left and right are swapped (or an axis of the "
            "scan is reversed). y is positive to the vehicle's right, which is the driver's right. Correct the taped y."
        )
    suspects = _suspects(marks, places, within_mm)
    if suspects:
        return _mistyped(targets, leave_one_out(marks, places), suspects, limit)
    swapped = _swapped_pair(marks, places, within_mm)
    if swapped is not None:
        a, b = targets[swapped[0]], targets[swapped[1]]
        return AlignmentError(
            f"{_at([a])}targets {a.name} and {b.name} look swapped: with their places exchanged all targets agree "
            f"within {limit}. Correct the two entries."
        )
    return _many_off(targets, marks, places, limit)


def _fits_mirrored(marks: Floats, places: Floats, within_mm: float) -> bool:
    mirrored = marks * [1.0, 1.0, -1.0]
    return bool((np.abs(fit_rigid(mirrored, places).moved(mirrored) - places) <= within_mm).all())


def _suspects(marks: Floats, places: Floats, within_mm: float) -> list[int]:
    """Targets without which the others agree, the best explanation first."""
    found: list[tuple[float, int]] = []
    for i in range(len(marks)):
        others = np.arange(len(marks)) != i
        if others.sum() < LEAST_TARGETS or _in_line(places[others]):
            continue
        p, q = marks[others], places[others]
        off = fit_rigid(p, q).moved(p) - q
        left_out = leave_one_out(p, q)
        if (np.abs(np.where(np.isfinite(left_out), left_out, off)) <= within_mm).all():
            found.append((float((off**2).sum()), i))
    return [i for _, i in sorted(found)]


def _mistyped(targets: Sequence[Target], left_out: Floats, suspects: list[int], limit: str) -> AlignmentError:
    worst = suspects[0]
    target, off = targets[worst], left_out[worst]
    axis = int(np.argmax(np.abs(off)))
    placed = target.vehicle[axis] + off[axis]
    also = ", ".join(targets[i].name for i in suspects[1:])
    return AlignmentError(
        f"{_at([target])}target {target.name} is off by {abs(off[axis]):.1f} mm in "
        f"{'xyz'[axis]} (limit {limit}): the other targets place it at {'xyz'[axis]} {placed:.1f}, its entry says "
        f"{target.vehicle[axis]:g}. Tape it again and correct its entry, or leave it out."
        + (f" Leaving out {also} instead would make the others agree as well." if also else "")
    )


def _swapped_pair(marks: Floats, places: Floats, within_mm: float) -> tuple[int, int] | None:
    for a, b in itertools.combinations(range(len(marks)), 2):
        order = np.arange(len(marks))
        order[[a, b]] = b, a
        if (np.abs(fit_rigid(marks, places[order]).moved(marks) - places[order]) <= within_mm).all():
            return a, b
    return None


def _many_off(targets: Sequence[Target], marks: Floats, places: Floats, limit: str) -> AlignmentError:
    off = np.linalg.norm(fit_rigid(marks, places).moved(marks) - places, axis=1)
    ranked = np.argsort(-off)[:5]
    listed = ", ".join(f"{targets[i].name} {off[i]:.1f} mm" for i in ranked)
    a, b = max(itertools.combinations(range(len(marks)), 2), key=lambda pair: _length_error(marks, places, pair))
    scanned, taped = (float(np.linalg.norm(points[a] - points[b])) for points in (marks, places))
    return AlignmentError(
        f"{_at(targets)}the targets do not fit together within {limit}: {listed}. More than one is wrong, or there are "
        f"too few to tell which. From {targets[a].name} to {targets[b].name} the scan has {scanned:.1f} mm, the tape "
        f"{taped:.1f} mm: check these first, and that left and right are not swapped."
    )


def _length_error(marks: Floats, places: Floats, pair: tuple[int, int]) -> float:
    a, b = pair
    return abs(float(np.linalg.norm(marks[a] - marks[b]) - np.linalg.norm(places[a] - places[b])))
