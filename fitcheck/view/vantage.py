"""From where a place can be seen: among many directions the one with the least scanned metal before it."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.view.cameras import Camera, onto

Floats = NDArray[np.float64]

_SPOTS = 40
_OFF_MM = 4.0
_SQUARE_BONUS = 0.15
_WEIGHTS = (0.62, 0.58, 0.53)


def vantage(points_mm: Floats | None, box: Floats, spots_mm: Floats, metal: Any) -> Camera:
    """A close-up on a box (2, 3), from where most of the spots (n, 3) are not hidden by a mesh of metal.

    Only what stands nearer before the middle than half the picture's height hides: a close-up leaves out the rest.
    ``points_mm`` (2, 3): a line that is best seen square to its length; None: none. ``metal`` None: seen obliquely from
    below.
    """
    views = [_view(np.array(signs) * _WEIGHTS) for signs in itertools.product((-1.0, 1.0), (1.0, -1.0), (1.0, -1.0))]
    cameras = [(onto(points_mm, box, view), _SQUARE_BONUS) for view in views]
    cameras += [(onto(None, box, view), 0.0) for view in views] if points_mm is not None else []
    if metal is None or metal.n_cells == 0:
        return cameras[0][0]
    locator = _locator(metal)
    step = max(1, len(spots_mm) // _SPOTS)
    return max(cameras, key=lambda one: one[1] + _free_share(locator, spots_mm[::step], one[0]))[0]


def _view(look: Floats) -> Camera:
    look = look / np.linalg.norm(look)
    up = np.array([0.0, 0.0, 1.0])
    up = up - (up @ look) * look
    return Camera("close", np.zeros(3), look, up / np.linalg.norm(up), 0.0, True)


def _locator(metal: Any) -> Any:
    from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator

    locator = vtkStaticCellLocator()
    locator.SetDataSet(metal)
    locator.BuildLocator()
    return locator


def _free_share(locator: Any, spots_mm: Floats, camera: Camera) -> float:
    """Which share of the spots a line from them toward the eye leaves without meeting metal."""
    from vtkmodules.vtkCommonCore import reference

    share, place, local, inner, cell = reference(0.0), [0.0] * 3, [0.0] * 3, reference(0), reference(0)
    met = 0
    for spot in spots_mm:
        start, end = spot - _OFF_MM * camera.look, spot - camera.half_height_mm * camera.look
        met += locator.IntersectWithLine(start, end, 0.0, share, place, local, inner, cell)
    return 1.0 - met / max(1, len(spots_mm))
