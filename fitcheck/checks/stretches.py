"""Parts of the travel that a builder can tell apart: which movement alone brings two things how near?

A *stretch* is a box of poses: the ride pose, a load state's, straight bump, crossed, drive torque,
steered, … and everything together. A movement that a cause does not name stays as scanned.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.vehicle.masses import ledger
from fitcheck.vehicle.motion import CAUSES, STRAIGHT_BUMP, STRAIGHT_DROOP, Block, Space, Together, together
from fitcheck.vehicle.scene import Scene
from fitcheck.vehicle.stance import stance

Floats = NDArray[np.float64]

EVERYTHING = "everything together"
RIDE = "ride"
LADEN = "laden"

STRAIGHT = (STRAIGHT_BUMP, STRAIGHT_DROOP)
NAMES = (RIDE, LADEN, *CAUSES, EVERYTHING)
"""Every cause by name, in the order of a table."""

_HEAVE_STEP_MM = 1.0
"""A load state's heave is taken to the mm: a box moved by a hand's breadth then leaves it where it was."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """The poses between ``low`` and ``high`` (d,) of a space."""

    name: str
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Laden:
    """The heaviest load state: how far it lets each mechanism's wheels come up, mm from the scan pose."""

    state: str = ""
    heave_mm: tuple[tuple[str, float], ...] = ()


UNLADEN = Laden()
"""Nothing is known of a load state."""


def whole(space: Space) -> Stretch:
    """All poses."""
    return Stretch(EVERYTHING, space.low, space.high)


def stretches(space: Space, laden: Laden, *, straight: bool = False) -> list[Stretch]:
    """The parts of a space's travel by cause, without the whole; with ``straight`` those of straight travel alone.

    A cause that nothing in the space answers to is left out; a space without coordinates has the ride pose alone.
    """
    blocks = together(space)
    rest = blocks.scan_pose
    found = [] if straight else [Stretch(RIDE, rest, rest)]
    heaves = dict(laden.heave_mm)
    lifted = {block.name: block.at_heave(heaves[block.name]) for block in blocks.blocks if block.name in heaves}
    if lifted and not straight:
        pose = blocks.joined(lifted)
        found.append(Stretch(LADEN, pose, pose))
    for cause in STRAIGHT if straight else CAUSES:
        if straight or cause not in STRAIGHT:
            found += _stretch(cause, blocks)
    return found


def _stretch(cause: str, blocks: Together) -> list[Stretch]:
    ranges = {block.name: _range(block, cause) for block in blocks.blocks}
    named = {name: part for name, part in ranges.items() if part is not None}
    if not named:
        return []
    low, high = (blocks.joined({name: part[k] for name, part in named.items()}) for k in (0, 1))
    return [Stretch(cause, low, high)]


def _range(block: Block, cause: str) -> tuple[Floats, Floats] | None:
    """The block's part of a cause; None where it has none, or no travel to show for it."""
    part = block.causes().get(cause)
    if part is None or (np.array_equal(part[0], part[1]) and np.array_equal(part[0], block.scan_pose)):
        return None
    return part


def laden_of(scene: Scene) -> Laden:
    """The heaviest load state of a scene, by what its springs give; nothing where axles or scales are missing."""
    best: tuple[float, Laden] = (-np.inf, Laden())
    for state in scene.load_states:
        book = ledger(scene, state)
        if book is None:
            return Laden()
        stood = stance(book)
        heaves = {
            name: _HEAVE_STEP_MM * round(spring_mm / _HEAVE_STEP_MM)
            for axle, spring_mm in (("front", stood.front.spring_mm), ("rear", stood.rear.spring_mm))
            for name in scene.axles[axle].mechanisms
        }
        weight = float(book.masses_kg.sum())
        if weight > best[0]:
            best = weight, Laden(state.name, tuple(heaves.items()))
    return best[1]
