"""How close is a moving body to a still thing in one pose? What a window shows while somebody moves the axle.

The same shapes, declared places cut out, and the same distance as the check; without a
verdict, for one pose proves nothing about the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.pairing import pair_up
from fitcheck.checks.swept import MovingPair
from fitcheck.errors import InternalError
from fitcheck.geometry.distance import Closest, Shape, least_between
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Scene

Floats = NDArray[np.float64]
Between = tuple[str, str]
Poses = dict[str, Floats]
"""Mechanism → pose in its own coordinates; one that is not named stands as scanned."""


@dataclass(frozen=True, eq=False)
class PosedPairs:
    """The judged pairs of a scene that move, by their names, ready to be asked in any pose."""

    pairs: dict[Between, tuple[MovingBody, MovingPair]]
    _shapes: dict[Between, tuple[Shape, ...]] = field(default_factory=dict)

    def distance(self, between: Between, poses: Poses) -> Closest | None:
        """The least distance of a pair, 0 where the surfaces meet; points in the order of ``between``.

        None where everything is declared to touch. Raises InternalError for a pair that does not move.
        """
        if between not in self.pairs:
            raise InternalError(f"{between} is no pair that moves")
        body, pair = self.pairs[between]
        if between not in self._shapes:
            self._shapes[between] = pair.judged_shapes()
        found = least_between(body.solids(pose_of(body, poses)), self._shapes[between])
        return None if found is None else Closest(found.distance_mm, found.points_mm[::-1], found.triangles[::-1])


def posed_pairs(scene: Scene) -> PosedPairs:
    """All judged pairs of a scene that have a moving body."""
    return PosedPairs({pair.between: (body, pair) for body, pairs in pair_up(scene).moving for pair in pairs})


def pose_of(body: MovingBody, poses: Poses) -> Floats:
    """Where a body stands: its mechanism's pose, or as scanned."""
    pose = poses.get(body.mechanism or "")
    return body.motion.scan_pose if pose is None else pose


def described_poses(scene: Scene, described: dict[str, float]) -> Poses:
    """The poses that a row names ("rear_axle.heave_mm": …), for the mechanisms that it names."""
    named = {key.rpartition(".")[0] for key in described}
    return {name: axle.pose_of(described) for name, axle in scene.mechanisms.items() if name in named}
