"""The least distance of a moving body to still things over a whole motion, with a proof.

Branch and bound on the motion's parameters. Over a box of parameters a convex piece lies
inside the hull of its corner poses grown by a second-order remainder (see
``vehicle/motion.py``): its distance is a lower bound. Upper bounds are distances at real
poses: the blend of the corners' poses that the nearest points are the blend of. What is returned is
the least distance found, its pose, and ``at_least_mm``, below which no pose can be: the least bound
of all open *and all discarded* boxes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.distance import boxes_of
from fitcheck.geometry.pose_boxes import Halfspaces, corners_of
from fitcheck.geometry.supports import Hulls, Stack
from fitcheck.geometry.sweep_front import Front
from fitcheck.geometry.sweep_tasks import MOST_BOXES, TOLERANCE_MM, Atoms, Search, SweptLeast
from fitcheck.geometry.swept_hulls import Mover, SweptPiece

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

__all__ = [
    "MOST_BOXES",
    "TOLERANCE_MM",
    "Halfspaces",
    "Hulls",
    "Obstacle",
    "SweptLeast",
    "SweptPiece",
    "corners_of",
    "least_over_motion",
]


@dataclass(frozen=True)
class Obstacle:
    """Something still: a union of convex atoms (a, k, 3), each the hull of k points, grown by a ball.

    ``start_mm`` is a distance known to be reached at ``start_pose``. ``low`` and ``high`` (d,) are the part of
    the travel that is asked for (None: all of it; both the same: one pose). The search leaves what is certainly
    at least ``enough_mm`` away as it is. The same atoms, asked about for several parts, are best the same array.
    """

    atoms: Floats
    ball_mm: float = 0.0
    start_mm: float = np.inf
    start_pose: Floats | None = None
    low: Floats | None = None
    high: Floats | None = None
    tolerance_mm: float = TOLERANCE_MM
    enough_mm: float = np.inf


def _atoms(obstacles: Sequence[Obstacle]) -> tuple[Atoms, list[Rows]]:
    """The atoms of all obstacles, each array once, and the numbers of each obstacle's own."""
    arrays = {id(one.atoms): one.atoms for one in obstacles if len(one.atoms)}
    most = max((atoms.shape[1] for atoms in arrays.values()), default=1)
    padded = [atoms[:, np.arange(most) % atoms.shape[1]] for atoms in arrays.values()]
    atoms = np.concatenate([np.empty((0, most, 3)), *padded])
    nothing = np.zeros(len(atoms))
    starts = dict(zip(arrays, np.cumsum([0, *(len(some) for some in padded)]), strict=False))
    numbers = [starts.get(id(one.atoms), 0) + np.arange(len(one.atoms)) for one in obstacles]
    balls = np.array([one.ball_mm for one in obstacles], dtype=np.float64)
    return Atoms(Stack(atoms[:, None], None, nothing, nothing), boxes_of(atoms), balls), numbers


def least_over_motion(
    pieces: Sequence[SweptPiece],
    obstacles: Sequence[Obstacle],
    limits: tuple[Floats, Floats],
    most_boxes: int = MOST_BOXES,
    *,
    within: Halfspaces | None = None,
) -> list[SweptLeast]:
    """The least distance of a moving body (its pieces) to each obstacle over all poses in its part of the travel.

    ``limits`` are the least and greatest parameters (d,), d may be 0; ``within`` are linear limits beside them;
    each question takes at most ``most_boxes`` boxes. An obstacle without atoms, or a body without pieces,
    is refused by the caller: here its answer would be distance ∞, ``proven`` False.
    """
    atoms, numbers = _atoms(obstacles)
    mover = Mover(pieces, np.arange(len(limits[0])))
    search = Search(mover, atoms, obstacles, within=within, most_boxes=most_boxes)
    search.run(_roots(obstacles, len(pieces), limits, numbers))
    return [search.answer(o) for o in range(len(obstacles))]


def _roots(obstacles: Sequence[Obstacle], pieces: int, limits: tuple[Floats, Floats], numbers: list[Rows]) -> Front:
    """Each obstacle's part of the travel, once for each piece."""
    asked = [o for o in range(len(obstacles)) if len(numbers[o])]
    question = np.repeat(np.array(asked, dtype=np.intp), pieces)
    first = np.tile(np.arange(pieces), len(asked))
    size = len(limits[0])
    low = np.array([limits[0] if one.low is None else one.low for one in obstacles], dtype=np.float64)
    high = np.array([limits[1] if one.high is None else one.high for one in obstacles], dtype=np.float64)
    low, high = (ends.reshape(len(obstacles), size)[question] for ends in (low, high))
    near = [(numbers[o], np.zeros((len(numbers[o]), 3))) for o in question]
    lower = np.full(len(question), -np.inf)
    return Front(question, first, np.zeros_like(first), low, high, lower, np.zeros_like(low), near)
