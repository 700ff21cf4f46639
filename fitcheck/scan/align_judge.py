"""Whether what was typed agrees: each datum against the fit of all others, and which fits hold at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.scan.align_certainty import open_degrees, prediction_sigmas
from fitcheck.scan.align_equations import Equations
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.scan.align_solve import best_fits, refined

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Judgement:
    """One value an equation, in mm. ``residuals``: in the fit of all; ``left_out``: in the fit without their datum,
    NaN where the others do not fix the frame; ``limits``: how far off each may be."""

    residuals: Floats
    left_out: Floats
    limits: Floats
    judged: Floats

    @property
    def agrees(self) -> bool:
        """Whether nothing is off by more than its limit."""
        return bool((np.abs(self.judged) <= self.limits).all())


def judge(eq: Equations, fit: RigidFit, within_mm: float) -> Judgement:
    """Every datum against the others.

    A datum counts by its residual in the fit without it, where there is one. Hubs count by their residual in the fit of
    all: a warped floor or frame shows in them and is a figure, not a slip. Where the others are
    too near together to foretell a coordinate as well as the tape does, its limit grows in proportion;
    that of a target known in all axes does not.
    """
    residuals = eq.residuals(fit)
    left_out, limits = np.full(eq.count, np.nan), np.full(eq.count, float(within_mm))
    for k, datum in enumerate(eq.datums):
        others, rows = eq.without(k), eq.of == k
        if open_degrees(others, fit):
            continue
        left_out[rows] = eq.residuals(refined(others, fit))[rows]
        if datum.kind != "target" or None in datum.typed:
            limits[rows] *= np.maximum(1.0, prediction_sigmas(eq, others, fit, k) / np.sqrt(2.0))
    hubs = np.array([datum.kind == "hub" for datum in eq.datums], dtype=bool)[eq.of]
    limits[hubs] = within_mm
    judged = np.where(np.isfinite(left_out) & ~hubs, left_out, residuals)
    return Judgement(residuals, left_out, limits, judged)


def likely_fits(eq: Equations) -> tuple[RigidFit, ...]:
    """The best fits that contradict nothing else that was typed, the best first."""
    return tuple(fit for fit in best_fits(eq) if not eq.denied(fit))


def holds(eq: Equations, fit: RigidFit, within_mm: float) -> bool:
    """Whether a fit leaves no residual above the limit."""
    return bool((np.abs(eq.residuals(fit)) <= within_mm).all())


def holding_fits(eq: Equations, within_mm: float) -> tuple[RigidFit, ...]:
    """The likely fits that hold."""
    return tuple(fit for fit in likely_fits(eq) if holds(eq, fit, within_mm))
