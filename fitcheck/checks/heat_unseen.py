"""Where the colours of heat cannot rest on the scan: near a place that it did not see, or on metal that is assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.evidence import Evidence
from fitcheck.geometry.heat import StillField
from fitcheck.geometry.surface import TiledSurface

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Flags = NDArray[np.bool_]

OPEN_LEVEL = 1.99
"""The highest level of what is not proven; from 2 on it would pass."""

_SAME_MM = 1e-9


@dataclass(frozen=True, eq=False)
class Doubt:
    """What speaks against each of n points of a heat map.

    ``unseen_mm`` (n,): the distance to the nearest unseen place, 0 inside one, infinite where none is nearer than
    rule and guard of the pair with the scan demand. ``place`` (n,): its row in ``places``, −1 for none.
    ``assumed`` (n,): the nearest metal is assumed, not scanned, or may be.
    """

    unseen_mm: Floats
    place: Ints
    assumed: Flags
    places: tuple[str, ...] = ()

    @property
    def unseen(self) -> Flags:
        """Where an unseen place is nearer than rule and guard demand."""
        return np.asarray(self.place >= 0)

    @property
    def open(self) -> Flags:
        """Where nothing may pass."""
        return np.asarray(self.unseen | self.assumed)

    def only(self, keep: Flags) -> Doubt:
        """The same at these points (n,), and nothing in doubt at the others."""
        away = np.where(keep, self.unseen_mm, np.inf)
        return Doubt(away, np.where(keep, self.place, -1).astype(np.int32), self.assumed & keep, self.places)

    def with_point(self, number: int, unseen_mm: float, place: str) -> Doubt:
        """The same with an unseen place known near one point; a name that is not among ``places`` is added."""
        places = self.places if place in self.places else (*self.places, place)
        away, which = self.unseen_mm.copy(), self.place.copy()
        if unseen_mm < away[number]:
            away[number], which[number] = unseen_mm, places.index(place)
        return replace(self, unseen_mm=away, place=which, places=places)


def no_doubt(count: int) -> Doubt:
    """Of so many points none near an unseen place, none on assumed metal."""
    return Doubt(np.full(count, np.inf), np.full(count, -1, np.int32), np.zeros(count, dtype=bool))


class Doubts:
    """What a scan did not see and what it assumes, ready to be asked for many points; trees are built when asked."""

    def __init__(self, evidence: Evidence) -> None:
        self.places = tuple(place for place in evidence.unseen if len(place.solid.faces))
        self._fields = [StillField([place.solid]) for place in self.places]
        self._assumed = _field_of(evidence.assumed)
        self._side = {"right": 1.0, "left": -1.0}.get(evidence.assumed_side, 0.0)
        self._slack_mm = 2.0 * evidence.assumed_sigma_mm + _SAME_MM

    @property
    def none(self) -> bool:
        """Whether there is neither an unseen place nor assumed metal."""
        return not self.places and self._assumed is None

    def near_unseen(self, points: Floats, clear_mm: float) -> Doubt:
        """Points (n, 3) nearer than ``clear_mm`` to an unseen place, or inside one; of equals the first place."""
        found = no_doubt(len(points))
        least, place = found.unseen_mm, found.place
        for number, field in enumerate(self._fields):
            away = np.maximum(field.distances(points, max(clear_mm, _SAME_MM)), 0.0)
            nearer = away < least
            least[nearer], place[nearer] = away[nearer], number
        return replace(found, places=tuple(some.name for some in self.places))

    def near(self, points: Floats, clear_mm: float, metal_mm: Floats) -> Doubt:
        """:meth:`near_unseen`, and the points whose nearest metal is assumed, as far as can be told, or on its side.

        ``metal_mm`` (n,): the distance to all metal, infinite where none is near.
        """
        found = self.near_unseen(points, clear_mm)
        if self._assumed is None:
            return found
        reached = np.flatnonzero(np.isfinite(metal_mm))
        limit = np.maximum(metal_mm[reached], 0.0) + self._slack_mm
        away = self._assumed.distances(points[reached], float(limit.max(initial=0.0)) + 1.0)
        found.assumed[reached] = away <= limit
        return replace(found, assumed=found.assumed | (self._side * points[:, 1] > 0.0))


def _field_of(assumed: TiledSurface | None) -> StillField | None:
    return None if assumed is None or assumed.triangle_count == 0 else StillField([assumed])
