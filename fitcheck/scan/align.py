"""Turning the scan onto the vehicle frame by what was taped, and saying how well that is known.

Targets known in one, two or three axes, equal heights, left and right pairs, stations, hub
heights and the scanned floor all give equations (align_equations); one best fit holds them
all (align_solve). The mesh itself is never fitted to anything but its floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import AlignmentError
from fitcheck.scan.align_certainty import DEGREES, certainty_of, open_degrees, places_of
from fitcheck.scan.align_equations import BELOW_FLOOR_MM, Equations, at, equations
from fitcheck.scan.align_figures import FloorFit, Straightness, floor_fit, hub_warp_mm, straightness_of
from fitcheck.scan.align_judge import Judgement, holds, judge
from fitcheck.scan.align_misfit import mirror_fits, misfit
from fitcheck.scan.align_rigid import RigidFit, spread_of
from fitcheck.scan.align_solve import best_fits
from fitcheck.scan.floor import ScannedFloor, scanned_floor
from fitcheck.scan.spec import ScanSpec
from fitcheck.scan.units import unit_mm
from fitcheck.vehicle.scene import FrameCertainty

Floats = NDArray[np.float64]

LEAST_TARGETS = 3
_LINE_SHARE = 0.01  # targets spread off their line by less than this share of its length fix no turn about it
_WHY_THREE = "three marks that are not in one line fix the vehicle in space, a fourth finds a mistyped one"


@dataclass(frozen=True, eq=False)
class AlignmentReport:
    """How everything typed fitted. All in mm in the vehicle frame.

    ``fit`` takes scan points in mm to the vehicle frame. ``residuals_mm`` and
    ``leave_one_out_mm``: name → (3,), scan place less taped place, in the fit of all and in the
    fit of all others (NaN in an axis of which nothing was typed, and where the others do not fix the frame).
    ``places_mm``: one row each, as typed where it is. ``rms_mm`` = √(Σ e²/n) over the n names; ``sigma_mm`` =
    √(Σ (w e)²/``spare``), one sigma of a taped coordinate, ``spare`` the number of equations less 6; NaN where
    none is spare. ``certainty``: how well the frame is known, with the larger of it and the tape.
    """

    fit: RigidFit
    places_mm: Floats
    residuals_mm: dict[str, Floats]
    leave_one_out_mm: dict[str, Floats]
    rms_mm: float
    sigma_mm: float
    tape_mm: float
    certainty: FrameCertainty
    spare: int
    kinds: dict[str, str]
    notes: tuple[str, ...] = ()
    straightness: dict[str, Straightness] = field(default_factory=dict)
    hub_warp_mm: float | None = None
    floor: FloorFit | None = None


def align(spec: ScanSpec, vertices: Floats | None = None) -> AlignmentReport:
    """The best fit of the scan to everything that was typed to lay it into the vehicle frame.

    ``vertices`` (n, 3), the scan's in its own axes and unit, are needed where ``spec.floor`` asks for its floor.
    Raises AlignmentError where something of the frame is left open (it says what to add), where
    two placements fit alike, and when something is off by more than ``spec.within_mm`` along an axis in the fit
    of all others: it names the entry whose leaving out makes the others agree, or what else explains it.
    """
    unit = unit_mm(spec)
    floor = None
    if spec.floor:
        floor = scanned_floor(spec.floor, np.empty((0, 3)) if vertices is None else vertices, unit)
    eq = equations(spec, unit, None if floor is None else (floor.stand_ins, max(spec.tape_mm, floor.plane.sigma_mm)))
    _check_enough(eq)
    fit = _chosen(eq, spec)
    judgement = judge(eq, fit, spec.within_mm)
    if not judgement.agrees:
        raise misfit(eq, spec.within_mm, spec.unit)
    return _report(eq, fit, judgement, spec, floor)


def check_above_floor(vertices: Floats) -> None:
    """Raises AlignmentError where most of the (n, 3) vertices, aligned, lie below the floor: it stands on its head."""
    below = float((vertices[:, 2] < -BELOW_FLOOR_MM).mean()) if len(vertices) else 0.0
    if below > 0.5:
        raise AlignmentError(
            f"{100 * below:.0f} % of the scan would lie below the floor: aligned like this the vehicle stands on its "
            "head. Check that left and right are not swapped (right is the driver's right), and that heights count "
            "from the floor up."
        )


def _chosen(eq: Equations, spec: ScanSpec) -> RigidFit:
    """The one fit that holds, or the best that contradicts nothing."""
    fits = best_fits(eq)
    _check_fixed(eq, fits[0])
    likely = [fit for fit in fits if not eq.denied(fit)]
    holding = [fit for fit in likely if holds(eq, fit, spec.within_mm)]
    if len(holding) > 1:
        raise AlignmentError(_two_ways(eq, holding[0], holding[1]))
    if not likely:
        raise misfit(eq, spec.within_mm, spec.unit)
    _check_told(eq, spec.within_mm)
    return likely[0]


def _report(
    eq: Equations, fit: RigidFit, judgement: Judgement, spec: ScanSpec, floor: ScannedFloor | None
) -> AlignmentReport:
    residuals, spare = judgement.residuals, eq.count - 6
    sigma = math.sqrt(float(((eq.weights * residuals) ** 2).sum()) / spare) if spare > 0 else math.nan
    names = [datum.name for datum in eq.datums]
    places = places_of(eq, fit)
    return AlignmentReport(
        fit,
        np.array([places[(eq.of == k) & (eq.carried > 0.0)].mean(axis=0) for k in range(len(names))]),
        {name: eq.per_axis(residuals, k) for k, name in enumerate(names)},
        {name: eq.per_axis(judgement.left_out, k) for k, name in enumerate(names)},
        math.sqrt(float((residuals**2).sum()) / len(names)),
        sigma,
        spec.tape_mm,
        certainty_of(eq, fit, max(spec.tape_mm, 0.0 if math.isnan(sigma) else sigma)),
        spare,
        {datum.name: datum.kind for datum in eq.datums},
        _notes(eq, judgement, spec),
        straightness_of(spec, unit_mm(spec), fit),
        hub_warp_mm(eq, fit),
        floor_fit(floor),
    )


# --- is the frame fixed? ----------------------------------------------------------------------------------------------


def _check_enough(eq: Equations) -> None:
    if not eq.complete and eq.count:
        return
    count, given = len(eq.datums), ", ".join(datum.name for datum in eq.datums) or "none"
    if count < LEAST_TARGETS:
        missing = LEAST_TARGETS - count
        raise AlignmentError(f"{at(eq.datums)}{count} targets ({given}); at least {LEAST_TARGETS} are needed. "
                             f"Add {missing} more, better {missing + 1}: {_WHY_THREE}.")  # fmt: skip
    for points, where in ((eq.values.reshape(-1, 3), "taped places"), (eq.points[::3], "scanned marks")):
        spread = spread_of(points)
        if spread[1] <= _LINE_SHARE * spread[0]:
            raise AlignmentError(f"{at(eq.datums)}the {where} of {given} lie in one line: "
                                 "the turn about it is not fixed. Add a target well beside that line.")  # fmt: skip


def _check_fixed(eq: Equations, fit: RigidFit) -> None:
    missing = open_degrees(eq, fit)
    if missing:
        what = "; ".join(DEGREES[k][0] for k in missing)
        add = "; ".join(dict.fromkeys(DEGREES[k][1] for k in missing))
        raise AlignmentError(f"{at(eq.datums)}what was typed leaves open: {what}. Add: {add}.")


def _check_told(eq: Equations, within_mm: float) -> None:
    """Front and rear must be told apart: else left and right swapped would turn the vehicle round unnoticed."""
    if eq.complete:
        return
    stations = eq.values[(eq.axes == 0) & (eq.carried > 0.0)]
    if any(tell.axis == 0 for tell in eq.tells) or (len(stations) and np.ptp(stations) > 2.0 * within_mm):
        return
    raise AlignmentError(
        f"{at(eq.datums)}nothing typed tells the front from the rear. Add a second station, or "
        "'rearward: {from: […], to: […]}' with two points of the scan, the second well behind the first."
    )


_HALF_TURN_DEG = 150.0
_EXCHANGED = (
    "left and right, top and bottom",
    "front and rear, top and bottom",
    "front and rear, left and right",
)
_TELLS_APART = (
    "a target clearly above or below the others, with its taped z",
    "a target clearly above or below the others, with its taped z, or a second station",
    "a second station, or a target with its taped y, well ahead or behind",
)


def _two_ways(eq: Equations, one: RigidFit, other: RigidFit) -> str:
    turn = other.rotation @ one.rotation.T
    axis = int(np.argmax(np.diag(turn)))
    angle = math.degrees(math.acos(max(-1.0, min(1.0, (np.trace(turn) - 1.0) / 2.0))))
    how = f"is turned by {angle:.0f}° about {'xyz'[axis]}"
    if angle > _HALF_TURN_DEG:
        how = f"has {_EXCHANGED[axis]} exchanged"
    return f"{at(eq.datums)}two placements fit what was typed: the other one {how}. Add {_TELLS_APART[axis]}."


# --- remarks ----------------------------------------------------------------------------------------------------------


def _notes(eq: Equations, judgement: Judgement, spec: ScanSpec) -> tuple[str, ...]:
    if eq.complete and len(eq.datums) == LEAST_TARGETS:
        return (f"aligned by {LEAST_TARGETS} targets: a mistyped one cannot be told from the others; add a fourth",)
    if eq.complete:
        return _plane_note(eq, spec.tape_mm)
    notes = []
    alone = [d.label for k, d in enumerate(eq.datums) if np.isnan(judgement.left_out[eq.of == k]).any()]
    if alone:
        notes.append(f"aligned without a check on: {', '.join(alone)}; a slip there moves the vehicle unnoticed")
    if mirror_fits(eq, spec.within_mm):
        notes.append("left and right swapped would stand the vehicle on its head unnoticed; add a target clearly "
                     "above or below the others, with its taped z")  # fmt: skip
    return tuple(notes)


def _plane_note(eq: Equations, tape_mm: float) -> tuple[str, ...]:
    off_plane = float(spread_of(eq.points[::3])[2])
    if off_plane > 3.0 * tape_mm:
        return ()
    return (f"all targets lie in one plane to {off_plane:.1f} mm: left and right swapped would turn the vehicle "
            "upside down unnoticed; add a target off that plane",)  # fmt: skip
