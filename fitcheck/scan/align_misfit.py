"""When what was typed does not agree: which entry is the wrong one, in words."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import AlignmentError
from fitcheck.scan.align_certainty import open_degrees
from fitcheck.scan.align_equations import Datum, Equations, at
from fitcheck.scan.align_judge import holding_fits, holds, judge, likely_fits
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.scan.align_solve import best_fits, cost_of
from fitcheck.scan.spec import UNIT_MM

Floats = NDArray[np.float64]

_SPREAD_MM = 300.0  # typed coordinates nearer together than this say nothing of the scan's unit
_SIZE_MM = (500.0, 30_000.0)


def misfit(eq: Equations, within_mm: float, unit: str) -> AlignmentError:
    """What is wrong with equations of which no fit holds, as an error to raise."""
    if holding_fits(_mirrored(eq), within_mm):
        return AlignmentError(_mirror_words(eq))
    if (other := _unit_that_fits(eq, within_mm, unit)) is not None:
        return AlignmentError(
            f"{at(eq.datums)}the targets do not fit with the scan read in {unit}, but they do in {other}. "
            f"Write the scan's units as {other}, or export it in {unit}."
        )
    suspects = _suspects(eq, within_mm)
    swapped = _swapped(eq, within_mm) if len(suspects) != 1 else None
    if suspects and swapped is None:
        return _mistyped(eq, suspects, within_mm)
    if swapped is not None:
        a, b = (eq.datums[k] for k in swapped)
        both = f"targets {a.name} and {b.name}" if a.kind == b.kind == "target" else f"{a.label} and {b.label}"
        return AlignmentError(
            f"{at([a])}{both} look swapped: with their places exchanged all targets agree "
            f"within {within_mm:g} mm. Correct the two entries."
        )
    return _contradiction(eq, within_mm) or _many_off(eq, within_mm)


def mirror_fits(eq: Equations, within_mm: float) -> bool:
    """Whether the mirrored scan would fit as well, so that left and right swapped would go unnoticed."""
    return bool(holding_fits(_mirrored(eq), within_mm))


def _mirrored(eq: Equations) -> Equations:
    return eq.with_marks(eq.marks * [1.0, 1.0, -1.0])


def _mirror_words(eq: Equations) -> str:
    if eq.complete:
        return (
            f"{at(eq.datums)}the targets fit only as a mirror image: left and right are swapped (or an axis of the "
            "scan is reversed). y is positive to the vehicle's right, which is the driver's right. Correct the taped y."
        )
    said = "; ".join(dict.fromkeys(tell.words for tell in eq.tells))
    return (
        f"{at(eq.datums)}what was typed fits only as a mirror image: left and right are swapped, or front and rear, or "
        "an axis of the scan is reversed. Right is the driver's right, and x counts to the rear. Correct the entries"
        + (f" ({said})." if said else ".")
    )


def _suspects(eq: Equations, within_mm: float) -> list[tuple[int, RigidFit]]:
    """Datums without which the others agree, with the fit of these, the best explanation first."""
    found: list[tuple[float, int, RigidFit]] = []
    for k in range(len(eq.datums)):
        others = eq.without(k)
        fit = next(iter(likely_fits(others)), None)
        if fit is None or open_degrees(others, fit) or not judge(others, fit, within_mm).agrees:
            continue
        if np.nanmax(np.abs(eq.per_axis(eq.residuals(fit), k))) > within_mm:  # else its figures are not what is wrong
            found.append((cost_of(others, fit), k, fit))
    return [(k, fit) for _, k, fit in sorted(found, key=lambda one: one[0])]


def _mistyped(eq: Equations, suspects: list[tuple[int, RigidFit]], within_mm: float) -> AlignmentError:
    worst, fit = suspects[0]
    datum = eq.datums[worst]
    off = eq.per_axis(eq.residuals(fit), worst)
    axis = int(np.nanargmax(np.abs(off)))
    rest = [eq.datums[k] for k, _ in suspects[1:]]
    names = [other.name if other.kind == datum.kind else other.label for other in rest]
    return AlignmentError(
        f"{at([datum])}{datum.label} is off by {abs(off[axis]):.1f} mm in {'xyz'[axis]} (limit {within_mm:g} mm): "
        + _placed_words(datum, axis, float(off[axis]))
        + (f" Leaving out {', '.join(names)} instead would make the others agree as well." if names else "")
    )


def _placed_words(datum: Datum, axis: int, off_mm: float) -> str:
    if datum.kind == "pair":
        where = (
            f"its right mark lies {abs(off_mm):.1f} mm {'behind' if off_mm > 0 else 'ahead of'} its left one"
            if axis == 0
            else f"its middle lies {abs(off_mm):.1f} mm to the {'right' if off_mm > 0 else 'left'} of the middle plane"
        )
        return f"by the others, {where}. Check that its two marks are the same hole left and right, or leave it out."
    if datum.kind == "floor":
        return "the other heights and the scanned floor do not agree. Check the heights, and pick other patches."
    typed = datum.typed[axis]
    others = "the other targets place" if datum.kind == "target" else "the others place"
    return (
        f"{others} it at {'xyz'[axis]} {(typed or 0.0) + off_mm:.1f}, its entry says "
        f"{typed:g}. Tape it again and correct its entry, or leave it out."
    )


def _swapped(eq: Equations, within_mm: float) -> tuple[int, int] | None:
    """Two single marks with whose places exchanged a fit holds."""
    single = np.flatnonzero((eq.carried > 0.0) & (eq.mix.max(axis=1) == 1.0))
    mark = {int(eq.of[row]): int(np.argmax(eq.mix[row])) for row in single if eq.datums[eq.of[row]].kind != "floor"}
    for a, b in itertools.combinations(sorted(mark), 2):
        if eq.datums[a].typed == eq.datums[b].typed and eq.datums[a].kind != "hub":
            continue
        marks = eq.marks.copy()
        marks[[mark[a], mark[b]]] = marks[[mark[b], mark[a]]]
        if holding_fits(eq.with_marks(marks), within_mm):
            return a, b
    return None


def _unit_that_fits(eq: Equations, within_mm: float, unit: str) -> str | None:
    """The other unit with which a fit would hold, where what was typed says how large the vehicle is."""
    single = (eq.carried > 0.0) & (eq.mix.max(axis=1) == 1.0)
    typed = [eq.values[single & (eq.axes == axis)] for axis in range(3)]
    if eq.complete or unit not in UNIT_MM or max(map(_spread, typed)) < _SPREAD_MM:
        return None
    for other, mm in UNIT_MM.items():
        marks = eq.marks * (mm / UNIT_MM[unit])
        size = float(np.ptp(marks, axis=0).max())
        if other != unit and _SIZE_MM[0] <= size <= _SIZE_MM[1] and holding_fits(eq.with_marks(marks), within_mm):
            return other
    return None


def _spread(values: Floats) -> float:
    return float(np.ptp(values)) if len(values) else 0.0


def _contradiction(eq: Equations, within_mm: float) -> AlignmentError | None:
    """Every length agrees, but not which side is which."""
    fits = [fit for fit in best_fits(eq) if holds(eq, fit, within_mm)]
    if not fits:
        return None
    denied = min((eq.denied(fit) for fit in fits), key=len)
    return AlignmentError(
        f"{at(eq.datums)}the lengths that were typed agree, but not with this: {'; '.join(denied)}. Correct the one or "
        "the other."
    )


def _many_off(eq: Equations, within_mm: float) -> AlignmentError:
    residuals = eq.residuals(best_fits(eq)[0])
    off = [float(np.sqrt(np.nansum(eq.per_axis(residuals, k) ** 2))) for k in range(len(eq.datums))]
    ranked = np.argsort(-np.array(off), kind="stable")[:5]
    listed = ", ".join(f"{_short(eq.datums[i])} {off[i]:.1f} mm" for i in ranked)
    what = "the targets do" if eq.complete else "what was typed does"
    return AlignmentError(
        f"{at(eq.datums)}{what} not fit together within {within_mm:g} mm: {listed}. More than one is wrong, or there "
        f"are too few to tell which. {_length_words(eq)}"
    )


def _short(datum: Datum) -> str:
    return datum.name if datum.kind == "target" else datum.label


def _length_words(eq: Equations) -> str:
    """The distance between two targets in which scan and tape differ most."""
    if not eq.complete:
        return "Check the worst of them first, and that left and right, front and rear are not swapped."
    marks, places = eq.points[::3], eq.values.reshape(-1, 3)
    a, b = max(itertools.combinations(range(len(marks)), 2), key=lambda pair: _length_error(marks, places, pair))
    scanned, taped = (float(np.linalg.norm(points[a] - points[b])) for points in (marks, places))
    return (
        f"From {eq.datums[a].name} to {eq.datums[b].name} the scan has {scanned:.1f} mm, the tape "
        f"{taped:.1f} mm: check these first, and that left and right are not swapped."
    )


def _length_error(marks: Floats, places: Floats, pair: tuple[int, int]) -> float:
    a, b = pair
    return abs(float(np.linalg.norm(marks[a] - marks[b]) - np.linalg.norm(places[a] - places[b])))
