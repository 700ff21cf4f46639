"""What bites: which movement brings a pair nearest, and in which pose, in words to try on the vehicle."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from fitcheck.checks.stretches import EVERYTHING, LADEN, RIDE
from fitcheck.result import Cause
from fitcheck.vehicle.motion import Block, Space

_SAME_MM = 0.5
_FULL = 0.95
"""From this share of its limit on a movement is called full."""

_FOLLOWS = ("left_wheel", "right_wheel", "wheel")
"""Words of a pose that follow from others: told in the pose, not among the movements."""

_NOTHING = {"mm": 0.5, "deg": 0.05}
"""Less than this is not told."""


def bites(causes: Sequence[Cause], space: Space, pose: dict[str, float]) -> str:
    """E.g. "straight bump alone brings it to 23.1 mm (rear_axle up 80)"; "" where nothing brings it nearer."""
    told = {cause.name: cause.distance_mm for cause in causes if cause.distance_mm is not None}
    ride, least = told.get(RIDE), told.get(EVERYTHING)
    if ride is None or least is None or ride - least < _SAME_MM:
        return ""
    alone = [name for name, mm in told.items() if name not in (RIDE, LADEN, EVERYTHING) and mm <= least + _SAME_MM]
    words = pose_words(space, pose)
    if alone:
        return f"{alone[0]} alone: {words}" if words else f"{alone[0]} alone"
    parts = sorted((mm, name) for name, mm in told.items() if name not in (RIDE, EVERYTHING) and ride - mm >= _SAME_MM)
    most = f"; alone, {parts[0][1]} takes the most" if parts else ""
    return f"all together: {words}{most}"


def pose_words(space: Space, pose: dict[str, float]) -> str:
    """A described pose as one says it: "rear_axle up 30 with the left side up 4° under full drive torque"."""
    return "; ".join(words for words in (_block_words(block, pose) for block in space.blocks) if words)


def _block_words(block: Block, pose: dict[str, float]) -> str:
    low, high = block.describe(block.low), block.describe(block.high)
    own = {key.rpartition(".")[2]: (value, key) for key, value in pose.items() if key.startswith(f"{block.name}.")}
    said = []
    for movement, (value, key) in own.items():
        word, _, unit = movement.rpartition("_")
        if word not in _FOLLOWS and abs(value) >= _NOTHING.get(unit, 0.05):
            limit = high.get(key, 0.0) if value > 0.0 else low.get(key, 0.0)
            full = limit != 0.0 and abs(value) >= _FULL * abs(limit)
            say = _SAID.get(word)
            plain = f"{word.replace('_', '-')} {value:+.1f}{'°' if unit == 'deg' else ' mm'}"
            said.append(plain if say is None else say(value, full))
    return f"{block.name} {' '.join(said)}" if said else ""


_Say = Callable[[float, bool], str]


def _up(value: float, full: bool) -> str:
    stop = (", at its bump stop" if value > 0.0 else ", at its droop stop") if full else ""
    return f"{'up' if value > 0.0 else 'down'} {abs(value):.0f}{stop}"


def _roll(value: float, full: bool) -> str:
    del full
    return f"with the {'right' if value > 0.0 else 'left'} side up {abs(value):.1f}°"


def _torque(value: float, full: bool) -> str:
    return f"under {'full ' if full else ''}{'drive' if value > 0.0 else 'reverse'} torque ({abs(value):.1f}°)"


def _side(value: float, full: bool) -> str:
    del full
    return f"{abs(value):.0f} to the {'right' if value > 0.0 else 'left'}"


def _steer(value: float, full: bool) -> str:
    return f"steered {'fully ' if full else ''}{'right' if value > 0.0 else 'left'} ({abs(value):.0f}°)"


def _rock(value: float, full: bool) -> str:
    return f"rocked {abs(value):.1f}° under {'full ' if full else ''}{'drive' if value > 0.0 else 'reverse'} torque"


def _twist(value: float, full: bool) -> str:
    del full
    return f"twisted {abs(value):.2f}° {'right' if value > 0.0 else 'left'} side up at the rear"


_SAID: dict[str, _Say] = {
    "heave": _up,
    "bump": _up,
    "roll": _roll,
    "wind_up": _torque,
    "lateral": _side,
    "steer": _steer,
    "rock": _rock,
    "twist": _twist,
}
