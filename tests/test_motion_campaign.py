"""A short campaign of everything that moves against the oracle; scripts/campaign_motion.py runs the same for longer."""

from __future__ import annotations

import sys
from argparse import Namespace
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import motion_twins
import numpy as np
import pytest
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "scripts"))

import campaign_motion

SLOW = {"drag link", "pitman arm", "wheel and its axle"}
"""Many boxes where a level of distance runs through several coordinates: poses and boxes only."""


@pytest.mark.parametrize("kind", motion_twins.KINDS)
def test_a_moving_body_goes_where_the_oracle_says_and_is_never_nearer_than_proven(kind: str) -> None:
    """Poses agree, boxes hold the body at every pose in them, and no pose is found nearer than the lower bound."""
    tally = campaign_motion.Tally()
    campaign_motion.trial(kind, (5, 0), tally, Namespace(poses=150, boxes=30, bounds_only=kind in SLOW))
    assert tally.complaints == []
    assert tally.trials == 1
    assert 0.0 < tally.most("needed") <= 1.0


@dataclass(frozen=True)
class Flattered:
    """A motion whose bound on the second derivative is too small by a share."""

    motion: Any
    share: float

    def __getattr__(self, name: str) -> Any:
        return getattr(self.motion, name)

    def bend(self, low: NDArray[np.float64], high: NDArray[np.float64], offset: NDArray[np.float64]) -> Any:
        return self.share * self.motion.bend(low, high, offset)


@pytest.mark.parametrize("kind", ["frame twist", "swing arm", "chain"])
def test_a_bound_that_is_too_small_is_noticed(kind: str) -> None:
    """With a third of its bend some hull of ten bodies no longer holds the body."""
    worst = -np.inf
    for number in range(10):
        chance = np.random.default_rng([5, number])
        body = motion_twins.KINDS[kind](chance).first
        pieces = tuple(replace(piece, motion=Flattered(piece.motion, 0.33)) for piece in body.pieces)
        worst = max(worst, campaign_motion.leak(replace(body, pieces=pieces), chance).leak_mm)
    assert worst > campaign_motion.SAME_MM


def test_a_body_in_another_place_is_noticed() -> None:
    """The oracle's box 0.01 mm longer: poses no longer agree."""
    chance = np.random.default_rng(6)
    twin = motion_twins.leaf_axle(chance)
    form = motion_twins.shape(chance, twin.about)
    longer = replace(form, radius_mm=form.radius_mm + 0.01, end_mm=tuple(np.add(form.end_mm, 0.01)))
    body = replace(motion_twins.rigid(twin, form), body=motion_twins.rigid(twin, longer).body)
    assert campaign_motion.mismatch_mm(body, chance)[0] > 0.005
