"""Wheels, and what a tyre grows to: a cylinder carried rigidly, as its two faces.

Two discs a corner pose, where a prism would bring hundreds of points; nothing is hidden by a chord:
the prism that stands for the wheel in a pose holds the round wheel, and the discs hold the prism.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.separation import Hulls
from fitcheck.geometry.solids import Solid, axis_frame, cylinder
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import rows_of, stray
from fitcheck.vehicle.motion import Motion
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]

CHAIN_ROOM_MM = {"S": (37.0, 15.0), "U": (50.0, 23.0), "W": (64.0, 38.0)}
"""Room for chains at the tread's face and at each sidewall, by SAE class: makers' common practice."""


@dataclass(frozen=True, eq=False)
class WheelPiece:
    """A flat-ended cylinder on a motion: a wheel with its tyre, given at the scan pose.

    Its points are carried rigidly: each is a fixed blend of the corners of the prism round it, so none
    strays farther from the blend of the corner poses than the farthest of those corners may.
    """

    name: str
    motion: Motion
    centre: Vector
    axis: Vector  # of any length
    radius_mm: float
    width_mm: float

    @property
    def space(self) -> Motion:
        return self.motion

    @property
    def reach_mm(self) -> float:
        return self.radius_mm

    def straight(self) -> WheelPiece:
        """The same, carried straight up and down only."""
        return replace(self, motion=self.motion.straight())

    def facts(self) -> tuple[object, ...]:
        """What shapes it."""
        return ("wheel", self.name, self.motion, self.centre, self.axis, self.radius_mm, self.width_mm)

    @cached_property
    def _faces(self) -> Floats:
        """Centres of both faces (2, 3) at the scan pose. Raises InputError for an axis without a direction."""
        axis = np.asarray(self.axis, dtype=np.float64)
        length = float(np.linalg.norm(axis))
        if not (np.isfinite(length) and length > 0.0 and self.radius_mm > 0.0 and self.width_mm > 0.0):
            raise InputError(
                f"wheel '{self.name}': expected an axis with a direction, a radius and a width above 0, "
                f"not {self.axis}, {self.radius_mm} and {self.width_mm} mm"
            )
        half = axis / length * (self.width_mm / 2.0)
        return np.array([np.asarray(self.centre) - half, np.asarray(self.centre) + half])

    @cached_property
    def solid(self) -> Solid:
        """The prism round it at the scan pose."""
        return cylinder(self._faces[0], self._faces[1], self.radius_mm)

    @cached_property
    def _offset(self) -> Floats:
        return self.motion.offsets(self.solid.vertices)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        poses = rows_of(corners_of(low, high))
        faces = self.motion.place(poses, self._faces)
        axis = faces[:, 1] - faces[:, 0]
        discs = np.repeat((axis / np.linalg.norm(axis, axis=1)[:, None])[:, None], 2, axis=1)
        slope, bend = (bound(low, high, self._offset) for bound in (self.motion.slope, self.motion.bend))
        return Hulls(
            faces.reshape(len(low), -1, 3),
            discs.reshape(len(low), -1, 3),
            self.radius_mm + self.solid.chord_error_mm,
            0.0,
            stray((high - low) / 2.0, slope, bend),
            self._swing(low, high),
        )

    def _swing(self, low: Floats, high: Floats) -> Floats:
        """How far a rim point, seen from its disc's centre, is from the middle of its places at the corners (n,)."""
        corners = corners_of(low, high)
        turns = self.motion.turn(rows_of(corners)).reshape(*corners.shape[:2], 3, 3)
        levers = np.matmul(turns, axis_frame(self._faces[1] - self._faces[0])[1:].T)  # (n, corners, 3, 2)
        off = levers - levers.mean(axis=1, keepdims=True)
        most = np.sqrt((off**2).sum(axis=(2, 3)).max(axis=1))
        return np.asarray((self.radius_mm + self.solid.chord_error_mm) * most)

    def at(self, pose: Floats) -> Solid:
        """The prism round the wheel in a pose (d,)."""
        origin = self.motion.place(pose[None], np.zeros((1, 3)))[0, 0]
        return self.solid.moved(self.motion.turn(pose[None])[0], origin)


def tyre_size(
    radius_mm: float,
    width_mm: float,
    growth_pct: float = 0.0,
    bulge_mm: float = 0.0,
    mud_mm: float = 0.0,
    chains: str | None = None,
) -> tuple[float, float]:
    """Radius and width in mm of the cylinder that holds a tyre with all that it grows by.

    Typical are growth of 1 to 2 % of the radius at speed, 10 to 20 mm bulge of a soft loaded sidewall
    and 20 mm of packed mud (common practice). The radius grows by per cent, then by mud and chains on the
    tread; the width by bulge, mud and chains on *each* sidewall. Raises InputError for a chain class that
    there is not, and for anything negative or not finite.
    """
    sizes = {"radius": radius_mm, "width": width_mm, "growth": growth_pct, "bulge": bulge_mm, "mud": mud_mm}
    for what, size in sizes.items():
        if not (np.isfinite(size) and size >= 0.0):
            raise InputError(f"tyre: {what} must be 0 or more, not {size}")
    if chains is not None and chains not in CHAIN_ROOM_MM:
        raise InputError(f"tyre: chains must be one of {', '.join(CHAIN_ROOM_MM)}, not '{chains}'")
    tread, sidewall = (0.0, 0.0) if chains is None else CHAIN_ROOM_MM[chains]
    radius = radius_mm * (1.0 + growth_pct / 100.0) + mud_mm + tread
    return float(radius), float(width_mm + 2.0 * (bulge_mm + mud_mm + sidewall))
