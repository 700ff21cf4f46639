"""How far a scan's points stand off smooth metal: the noise, told from edges and corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.intake import Noise
from fitcheck.scan.intake.patches import LEAST_POINTS, Patches

Floats = NDArray[np.float64]

LEAST_PATCHES = 20
_CROWD = 0.1
_ALIKE = float(np.log(1.4))  # patches of one surface differ by chance: some 14 % (one sigma) with 30 points


def noise_of(patches: Patches, patch_radius_mm: float) -> Noise | None:
    """The noise of smooth patches; None where fewer than twenty are alike.

    Patches across an edge, a step or a doubled skin are off by more; only smooth metal is off by noise alone.
    So: among the values of log sigma the lowest crowd, which is a window a factor 1.4 to either side
    that holds at least a tenth of all patches and more than any window that it touches; of it the root mean square.
    """
    found = patches.smooth_mm[patches.counts >= LEAST_POINTS + 6]
    found = found[np.isfinite(found)]
    if len(found) < LEAST_PATCHES:
        return None
    wide = 2.0 * patch_radius_mm
    if float(np.quantile(found, 0.5)) < 1e-5 * wide:  # drawn, not scanned
        return Noise(0.0, wide, int((found < 1e-5 * wide).sum()), len(patches.counts))
    ranked = np.sort(np.log(np.maximum(found, 1e-5 * wide)))
    held = np.searchsorted(ranked, ranked + 2.0 * _ALIKE, side="right") - np.arange(len(ranked))
    begin = _lowest_crowd(ranked, held)
    if begin < 0:
        return None
    alike = np.exp(ranked[begin : begin + held[begin]])
    return Noise(float(np.sqrt((alike**2).mean())), wide, len(alike), len(patches.counts))


def _lowest_crowd(ranked: Floats, held: NDArray[np.int64]) -> int:
    """Where the lowest window begins that holds as many values as any that it touches, and enough; −1: none does."""
    least = max(LEAST_PATCHES, _CROWD * len(ranked))
    for begin in np.flatnonzero(held >= least).tolist():
        first, last = np.searchsorted(ranked, ranked[begin] + 2.0 * _ALIKE * np.array([-1.0, 1.0]))
        if held[begin] >= held[first:last].max():
            return int(begin)
    return -1
