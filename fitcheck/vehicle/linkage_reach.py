"""Whether a linkage's rods hold the thing at all, and reach all over its travel; and what to say if not."""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.intervals import Jet
from fitcheck.vehicle.linkage_equations import Linkage, columns, placement, rod_errors, turned
from fitcheck.vehicle.linkage_solve import follow

Floats = NDArray[np.float64]

_NODES = 9
_FREE = 0.05
"""A movement of 1 mm that changes no rod's length by more than so much is as good as free (judgement)."""

_BUSH_MM = 40.0
"""What the bushes of a rod give, both ends together, before it is called unreachable (judgement)."""

_EXACT_MM = 0.01
_OTHER_WAY_MM = 0.5
_APART_MM = 1e-3
_FIRST_STRIDE = 0.25
_BEYOND = 1.25
"""So far past a pose that is not proven a dead centre is looked for, as the reason."""

_WAYS = {
    "x": "move fore and aft",
    "y": "move sideways",
    "yaw": "turn as seen from above",
    "roll": "lean as seen from the front",
    "pitch": "turn as seen from the side",
}


@lru_cache(maxsize=64)
def nodes_of(linkage: Linkage) -> tuple[Floats, Floats]:
    """Poses (n, d) spread over the travel, its ends among them, and their u (n, m).

    Raises InputError when the rods leave the thing free, or cannot reach one of the poses, or lock before it.
    """
    _refuse_free(linkage)
    sides = [
        np.linspace(low, high, _NODES) if high > low else np.array([low])
        for low, high in zip(linkage.low, linkage.high, strict=True)
    ]
    poses = np.array(list(itertools.product(*sides)))
    unknown, reached = follow(linkage, _scan_of(linkage), poses, stride=_FIRST_STRIDE)
    short = np.flatnonzero(reached < 1.0)
    if len(short):
        nearest = short[_nearest(linkage, poses[short])]
        raise InputError(_out_of_reach(linkage, poses[nearest], unknown[nearest], float(reached[nearest])))
    _refuse_strain(linkage, poses, unknown)
    _refuse_two_ways(linkage, poses.reshape(*map(len, sides), -1), unknown)
    return poses, unknown


def _refuse_two_ways(linkage: Linkage, poses: Floats, unknown: Floats) -> None:
    """Raise where neighbours on the grid (…, d), u (n, m), do not lead to each other: a dead centre lies between."""
    found = unknown.reshape(*poses.shape[:-1], -1)
    for axis in range(poses.ndim - 1):
        ways = [np.moveaxis(part, axis, 0) for part in (poses, found)]
        (start, before), (end, there) = (
            [way[cut].reshape(-1, way.shape[-1]) for way in ways] for cut in (slice(None, -1), slice(1, None))
        )
        after, reached = follow(linkage, (start, before), end)
        apart = (np.abs(after - there) * linkage.scale).max(axis=1, initial=0.0) > _APART_MM
        stopped = start + reached[:, None] * (end - start)
        if (reached < 1.0).any():
            row = np.flatnonzero(reached < 1.0)[_nearest(linkage, stopped[reached < 1.0])]
            raise InputError(_locked(linkage, stopped[row], after[row]))
        if apart.any():
            raise unproven(linkage, end[apart])


def _scan_of(linkage: Linkage) -> tuple[Floats, Floats]:
    return np.zeros((1, len(linkage.low))), np.zeros((1, len(linkage.unknowns)))


def _nearest(linkage: Linkage, poses: Floats) -> int:
    """Which of (n, d) poses is the nearest to the scan pose, as shares of the travel."""
    ends = np.maximum(np.maximum(np.abs(linkage.low), np.abs(linkage.high)), 1e-9)
    return int(np.abs(poses / ends).max(axis=1).argmin())


def unproven(linkage: Linkage, poses: Floats) -> InputError:
    """What to say of a linkage that is not proven to move in one way around (n, d) poses: whether it locks there."""
    pose = poses[_nearest(linkage, poses)]
    beyond = _BEYOND * pose
    unknown, reached = follow(linkage, _scan_of(linkage), beyond[None], stride=_FIRST_STRIDE)
    if reached[0] < 1.0:
        return InputError(_locked(linkage, reached[0] * beyond, unknown[0]))
    return InputError(
        f"{linkage.name}: it could not be proven that the {_thing(linkage)} moves in one way only near "
        f"{in_words(linkage, pose)}; check the ends of {', '.join(linkage.rods)}, or give less travel"
    )


def _locked(linkage: Linkage, pose: Floats, unknown: Floats) -> str:
    """Where the rods lock at a pose (d,)."""
    names = " and ".join(_locking(linkage, pose, unknown))
    return (
        f"{linkage.name}: the rods cannot reach: they lock at {in_words(linkage, pose)} ({names}), and the "
        f"{_thing(linkage)} could go either of two ways from there; its travel has to end well before that: "
        f"check the ends of {names}, or give less travel"
    )


def _locking(linkage: Linkage, pose: Floats, unknown: Floats) -> list[str]:
    """The rods that stand in each other's way at a pose where they lock: the forces that balance with no load."""
    slopes = _rod_slopes(linkage, unknown[None], pose[None])[0] / linkage.scale
    forces = np.abs(np.linalg.svd(slopes)[0][:, slopes.shape[1] - 1])[: len(linkage.rods)]
    return [name for name, force in zip(linkage.rods, forces, strict=True) if force >= 0.4 * forces.max()]


def _thing(linkage: Linkage) -> str:
    return "axle" if linkage.least else "wheel"


def _refuse_free(linkage: Linkage) -> None:
    """Raise when a movement is left free at the scan pose: a small singular value of the rods' slopes."""
    slopes = _rod_slopes(linkage, np.zeros((1, len(linkage.unknowns))), np.zeros((1, len(linkage.low))))[0]
    scaled = slopes / linkage.scale
    _, sizes, ways = np.linalg.svd(scaled)
    if len(scaled) >= scaled.shape[1] and sizes[scaled.shape[1] - 1] > _FREE:
        return
    way = np.abs(ways[-1])
    free = [_WAYS[name] for name, share in zip(linkage.unknowns, way, strict=True) if share >= 0.5 * way.max()]
    raise InputError(
        f"{linkage.name}: these rods leave the {_thing(linkage)} free to {' and '.join(free)}: "
        f"add a rod, or check the ends of {', '.join(linkage.rods)}"
    )


def _rod_slopes(linkage: Linkage, unknown: Floats, given: Floats) -> Floats:
    """∂(rod errors)/∂u (n, k, m) by central differences: it decides on words and starts only, never on a bound."""
    found = []
    for k, scale in enumerate(linkage.scale):
        step = np.zeros(unknown.shape[1])
        step[k] = 1e-3 / scale
        ahead, behind = (rod_errors(linkage, unknown + sign * step, given) for sign in (1.0, -1.0))
        found.append((ahead - behind) * (scale / 2e-3))
    return np.stack(found, axis=-1)


def _refuse_strain(linkage: Linkage, poses: Floats, unknown: Floats) -> None:
    """Raise where least squares would have to stretch a rod by more than bushes give."""
    off = rod_errors(linkage, unknown, poses)
    allowed = _BUSH_MM if len(linkage.rods) > len(linkage.unknowns) else _EXACT_MM
    worst = np.abs(off).max(axis=1)
    if worst.max() > allowed:
        pose = int(worst.argmax())
        raise InputError(_too_far(linkage, poses[pose], off[pose]))


def _out_of_reach(linkage: Linkage, pose: Floats, unknown: Floats, reached: float) -> str:
    """A pose (d,) on the way to which the rods lock; where no other way leads there, the rod that is too short."""
    off = _closest_errors(linkage, pose, unknown)
    if np.abs(off).max() < _OTHER_WAY_MM:
        return _locked(linkage, reached * pose, unknown)
    return f"{_too_far(linkage, pose, off)} (they lock at {in_words(linkage, reached * pose)})"


def _closest_errors(linkage: Linkage, pose: Floats, start: Floats) -> Floats:
    """Rod errors (k,) where the thing comes closest to holding all rods at a pose (d,): damped least squares."""
    unknown, given, damping = start[None], pose[None], 1.0
    off = rod_errors(linkage, unknown, given)
    for _ in range(60):
        slopes = _rod_slopes(linkage, unknown, given)[0] / linkage.scale
        square = slopes.T @ slopes + damping * np.eye(slopes.shape[1])
        trial = unknown - np.linalg.solve(square, slopes.T @ off[0]) / linkage.scale
        new = rod_errors(linkage, trial, given)
        better = (new**2).sum() < (off**2).sum()
        damping *= 0.3 if better else 4.0
        if better:
            unknown, off = trial, new
    return np.asarray(off[0])


def _too_far(linkage: Linkage, pose: Floats, off: Floats) -> str:
    worst = int(np.abs(off).argmax())
    where = in_words(linkage, pose)
    if worst >= len(linkage.rods):
        missed = f"at {where} the strut would miss its top by {abs(off[worst]):.0f} mm"
        return f"{linkage.name}: the rods cannot reach: {missed}; check its top and foot, or give less travel"
    way = "longer" if off[worst] > 0.0 else "shorter"
    return (
        f"{linkage.name}: the rods cannot reach: at {where} the rod {linkage.rods[worst]} would have to be "
        f"{abs(off[worst]):.0f} mm {way}; check its ends, or give less travel"
    )


def in_words(linkage: Linkage, pose: Floats) -> str:
    """A pose (d,) in words: "bump 80", "right side down 90, left side up 80"."""
    heights = {"bump": ("",), "heave": ("",), "sides": ("right side ", "left side ")}[linkage.given]
    said = [f"{side}{_height(value, bool(side))}" for side, value in zip(heights, pose, strict=False)]
    if linkage.given == "bump" and len(pose) > 1 and pose[1]:
        said.append(f"rack {pose[1]:+.0f}")
    return ", ".join(said)


def _height(value: float, of_side: bool) -> str:
    up, down = ("up", "down") if of_side else ("bump", "droop")
    return f"{up if value >= 0.0 else down} {abs(value):.0f}"


def turn_of(linkage: Linkage, unknown: Floats, given: Floats) -> Floats:
    """(n, m), (n, d) → the rotation (n, 3, 3)."""
    rows = turned(placement(linkage, columns(unknown), columns(given)), np.eye(3)).whole
    return _stacked(rows, len(given), 3)


def shift_of(linkage: Linkage, unknown: Floats, given: Floats) -> Floats:
    """(n, m), (n, d) → the centre's shift (n, 3)."""
    return _stacked(placement(linkage, columns(unknown), columns(given)).shift, len(given), 1)[:, :, 0]


def _stacked(rows: tuple[Jet, ...], count: int, width: int) -> Floats:
    return np.stack([np.broadcast_to(row.parts[0], (count, width)) for row in rows], axis=1)
