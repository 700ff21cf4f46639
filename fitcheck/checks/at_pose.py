"""How close is a moving body to a still thing in one pose? What a window shows while somebody moves the axle.

The same shapes, declared places cut out, and the same distance as the check; without a
verdict, for one pose proves nothing about the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.movers import Movers
from fitcheck.checks.pairing import pair_up
from fitcheck.checks.swept import MovingPair, movers_of
from fitcheck.checks.twisted import beside
from fitcheck.errors import InternalError
from fitcheck.geometry.distance import Closest
from fitcheck.geometry.solids import Solid
from fitcheck.vehicle.motion import Block, together
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Scene

Floats = NDArray[np.float64]
Between = tuple[str, str]
Poses = dict[str, Floats]
"""Mechanism → pose in its own coordinates; one that is not named stands as scanned."""


Bodies = dict[str, MovingBody]
"""Moving bodies by name."""


@dataclass(frozen=True, eq=False)
class PosedPairs:
    """The judged pairs of a scene that move, by their names, ready to be asked in any pose."""

    pairs: dict[Between, tuple[MovingBody, MovingPair]]
    _movers: dict[Between, Movers | None] = field(default_factory=dict)

    def distance(self, between: Between, poses: Poses) -> Closest | None:
        """The least distance of a pair, 0 where the surfaces meet; points in the order of ``between``.

        None where everything is declared to touch. Raises InternalError for a pair that does not move.
        """
        if between not in self.pairs:
            raise InternalError(f"{between} is no pair that moves")
        body, pair = self.pairs[between]
        if between not in self._movers:
            self._movers[between] = movers_of(body, pair)
        movers = self._movers[between]
        found = None if movers is None else movers.closest(movers.blocks.joined(poses))
        return None if found is None else Closest(found.distance_mm, found.points_mm[::-1], found.triangles[::-1])

    def seen_from(self, between: Between, scene: Scene) -> Bodies:
        """Every moving body as the still thing of a pair sees it over the frame's twist.

        Drawn so, beside things that stand still, what is seen of the pair is what is measured. Empty where the
        bodies are as the scene has them: no twist, or a pair of two that move.
        """
        body, pair = self.pairs[between]
        if scene.twist is None or pair.other is not None:
            return {}
        still = [shape for shape in pair.shapes if isinstance(shape, Solid)] or body.solids(body.space.scan_pose)
        return {one.name: beside(one, still, scene.twist) for one in scene.moving}


def posed_pairs(scene: Scene) -> PosedPairs:
    """All judged pairs of a scene that have a moving body."""
    return PosedPairs({pair.between: (body, pair) for body, pair in pair_up(scene).moving})


def pose_of(body: MovingBody, poses: Poses) -> Floats:
    """Where a body stands: in its mechanisms' poses, those that are not named as scanned."""
    return together(body.space).joined(poses)


def described_poses(scene: Scene, described: dict[str, float]) -> Poses:
    """The poses that a row names ("rear_axle.heave_mm": …), for the mechanisms that it names."""
    named = {key.rpartition(".")[0] for key in described}
    return {name: block.pose_of(described) for name, block in blocks_of(scene).items() if name in named}


def blocks_of(scene: Scene) -> dict[str, Block]:
    """Everything whose pose can be set, by name: the mechanisms, and the frame's twist."""
    found = together(*(body.space for body in scene.moving)).blocks
    return {**scene.mechanisms, **{block.name: block for block in found}}
