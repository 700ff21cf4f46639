"""Drift: does the scan grow or shrink with length? The slope of (scan − tape) against taped lengths."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from fitcheck.intake import Drift
from fitcheck.scan.spec import ScanSpec
from fitcheck.scan.units import unit_mm

LEAST_LENGTHS = 3


def drift_of(spec: ScanSpec) -> Drift | None:
    """Over the scale bars and all pairs of targets taped in all three axes; None for fewer than three lengths."""
    unit = unit_mm(spec)
    marks = {target.name: np.asarray(target.scan, dtype=np.float64) * unit for target in spec.targets}
    taped = {t.name: np.asarray(t.vehicle, dtype=np.float64) for t in spec.targets if None not in tuple(t.vehicle)}
    lengths = [(bar.between, float(bar.length_mm)) for bar in spec.scale_bars if set(bar.between) <= set(marks)]
    pairs = [
        (pair, float(np.linalg.norm(taped[pair[0]] - taped[pair[1]]))) for pair in itertools.combinations(taped, 2)
    ]
    found = [(_between(marks, between), length) for between, length in [*lengths, *pairs] if length > 0.0]
    free = len(lengths) + max(0, 3 * len(taped) - 6)
    return slope_of([tape for _, tape in found], [scan - tape for scan, tape in found], free)


def _between(marks: dict[str, np.ndarray], between: Sequence[str]) -> float:
    return float(np.linalg.norm(marks[between[0]] - marks[between[1]]))


def slope_of(lengths_mm: ArrayLike, off_mm: ArrayLike, free: int | None = None) -> Drift | None:
    """The straight line through (length, scan − tape) by least squares.

    slope = Σ(L − L̄)(e − ē) / Σ(L − L̄)², its variance s² / Σ(L − L̄)² with s² = Σr² / (m − 2) (common formula
    of simple linear regression). n targets give n(n − 1)/2 lengths of which only ``free`` are independent
    (3n − 6, and each scale bar): the variance is m / free times as large. None for fewer than three lengths, or all
    alike.
    """
    lengths, off = np.asarray(lengths_mm, dtype=np.float64), np.asarray(off_mm, dtype=np.float64)
    count = len(lengths)
    if count < LEAST_LENGTHS or np.ptp(lengths) < 1e-6 * lengths.max():
        return None
    away = lengths - lengths.mean()
    square = float(away @ away)
    slope = float(away @ off) / square
    left = off - off.mean() - slope * away
    shared = max(1.0, count / free) if free else 1.0
    sigma = math.sqrt(float(left @ left) / (count - 2) / square * shared)
    rms = float(np.sqrt((off**2).mean()))
    return Drift(1000.0 * slope, 2000.0 * sigma, count, float(lengths.max()), rms)
