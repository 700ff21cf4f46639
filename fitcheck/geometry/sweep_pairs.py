"""The least distance of two moving bodies over their joint travel, with a proof.

Both are unions of convex pieces, each with coordinates of its own; the bodies may share some of them (a wheel
and a shaft on one axle), or not. Over a box of joint poses the differences of their points lie in the hull of
the differences at the corners of the *shared* coordinates, grown by both remainders: along a direction n the
bound is the least over those corners of (min n·first − max n·second). Taken apart, the two would each choose
their own corner of a shared coordinate: a bound that gets better with the width of a box only, not with its
square, and that in four or five coordinates never arrives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.pose_boxes import Halfspaces
from fitcheck.geometry.sweep_front import Front
from fitcheck.geometry.sweep_tasks import MOST_BOXES, TOLERANCE_MM, Search, SweptLeast
from fitcheck.geometry.swept_hulls import Mover

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

__all__ = ["Mover", "Part", "least_between_motions"]


@dataclass(frozen=True)
class Part:
    """A part of the joint travel that is asked for: from ``low`` to ``high`` (d,), one pose where both are the same.

    ``start_mm`` is a distance known to be reached at ``start_pose``. The search leaves what is certainly at least
    ``enough_mm`` away as it is.
    """

    low: Floats
    high: Floats
    start_mm: float = np.inf
    start_pose: Floats | None = None
    tolerance_mm: float = TOLERANCE_MM
    enough_mm: float = np.inf


def least_between_motions(
    first: Mover,
    second: Mover,
    parts: Sequence[Part],
    most_boxes: int = MOST_BOXES,
    *,
    within: Halfspaces | None = None,
) -> list[SweptLeast]:
    """The least distance of two moving bodies over each part of their joint travel (d coordinates, d may be 0).

    ``within`` are linear limits on joint poses; each part takes at most ``most_boxes`` boxes. A body without
    pieces is refused by the caller: here the answer would be distance ∞, ``proven`` False.
    """
    search = Search(first, second, parts, within=within, most_boxes=most_boxes)
    search.run(_roots(parts, len(first.pieces), len(second.pieces)))
    return [search.answer(k) for k in range(len(parts))]


def _roots(parts: Sequence[Part], firsts: int, seconds: int) -> Front:
    """Each part of the travel, once for each pair of pieces."""
    part, first, second = np.indices((len(parts), firsts, seconds)).reshape(3, -1)
    low, high = (np.array([getattr(one, name) for one in parts], dtype=np.float64)[part] for name in ("low", "high"))
    nothing = np.zeros(1, dtype=np.intp), np.zeros((1, 3))
    lower = np.full(len(part), -np.inf)
    return Front(part, first, second, low, high, lower, np.zeros_like(low), [nothing] * len(part))
