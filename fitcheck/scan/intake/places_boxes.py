"""Places and boxes of points, as plain numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitcheck.intake import Box, Vector

Floats = NDArray[np.float64]


def vector(numbers: ArrayLike) -> Vector:
    """Three numbers as a tuple; never −0.0."""
    x, y, z = (float(number) + 0.0 for number in np.asarray(numbers))
    return x, y, z


def box_of(points: Floats) -> Box:
    """Least and greatest corner of (n, 3) points, n ≥ 1."""
    return vector(points.min(axis=0)), vector(points.max(axis=0))


def own_axes(points: Floats) -> tuple[Floats, Floats]:
    """The axes (3, 3), one a row, along which (n, 3) points spread most, less and least, and how far they reach
    along each (3,)."""
    away = points - points.mean(axis=0)
    axes = np.linalg.svd(away.T @ away)[0].T
    along = away @ axes.T
    return axes, np.asarray(along.max(axis=0) - along.min(axis=0))
