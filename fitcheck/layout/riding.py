"""What carries what: "rear_axle", "steering.left", a part → the motion of a point that is fixed to it.

A mechanism may ride on another (steering on an axle): the inner motion is carried by the
outer one. Where the frame twists, it carries all of them, each at its own station.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import cast

from fitcheck.errors import InternalError
from fitcheck.layout import mechanism_entries as typed
from fitcheck.layout.load import Layout
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Block, Carried, Motion
from fitcheck.vehicle.scene import FrameTwist

SIDES = ("left", "right")


@dataclass(frozen=True, eq=False)
class Riding:
    """All mechanisms, and what each rides on.

    ``on``: mechanism, or a side of one ("steering.left") → the word of what carries it, where something does.
    ``parts``: part → the word that it rides on, "" for the body. ``stations_mm``: where along x a mechanism is
    fixed to the frame. ``wheels``: the mechanisms that carry wheels.
    """

    mechanisms: Mapping[str, Block]
    on: Mapping[str, str] = field(default_factory=dict)
    parts: Mapping[str, str] = field(default_factory=dict)
    stations_mm: Mapping[str, float] = field(default_factory=dict)
    wheels: frozenset[str] = frozenset()
    twist: FrameTwist | None = None

    def word_of(self, on: str | None) -> str:
        """The word of a mechanism, for one or for a part that rides on it; "" for the body."""
        return self.parts.get(on or "", on or "")

    def knows(self, word: str) -> bool:
        """Whether all that carries a word was built; the body always was."""
        return word == "" or all(name in self.mechanisms for name in self.names(word))

    def names(self, word: str) -> tuple[str, ...]:
        """The mechanisms that move a word, the innermost first; of the body: none."""
        found: list[str] = []
        while word and name_of(word) not in found:
            found.append(name_of(word))
            word = carrier_of(self.on, word)
        return tuple(found)

    def motion(self, word: str, x_mm: float | None = None) -> Motion:
        """How a word carries a point: with what it rides on, and the frame's twist where it is fixed to the frame.

        ``x_mm``: where the thing itself is, for a word whose station is not known. "": the body.
        """
        carried = motion_on(self.mechanisms, self.on, word)
        root = self.names(word)[-1:]
        return self.twisted(carried, self.stations_mm.get(root[0], x_mm) if root else x_mm)

    def twisted(self, motion: Motion, x_mm: float | None) -> Motion:
        """The same, carried by the frame as it twists at x; the same itself where no frame twists."""
        if self.twist is None or x_mm is None:
            return motion
        from fitcheck.vehicle.mounts import twist_at

        twist = self.twist
        place = (twist.half_deg, twist.between_mm, twist.from_x_mm, twist.height_z_mm)
        outer = twist_at(twist.name, x_mm, *place, origin=twist.origin)
        return outer if isinstance(motion, Still) else Carried(outer=outer, inner=motion)

    def unsprung(self, word: str) -> bool:
        """Whether wheels carry it."""
        return any(name in self.wheels for name in self.names(word))


def motion_on(mechanisms: Mapping[str, Block], on: Mapping[str, str], word: str) -> Motion:
    """How "rear_axle" or "steering.left" carries a point, with all that it rides on; "" is the body, which is still."""
    if not word:
        return Still()
    name, _, side = word.partition(".")
    block = mechanisms[name]
    if side and side not in SIDES:
        raise InternalError(f"'{word}' got past the names")
    inner = cast(Motion, getattr(block, side) if side else block)
    outer = carrier_of(on, word)
    return inner if not outer else Carried(outer=motion_on(mechanisms, on, outer), inner=inner)


def carrier_of(on: Mapping[str, str], word: str) -> str:
    """What carries a word; "": the body."""
    return on.get(word) or on.get(name_of(word), "")


def name_of(word: str) -> str:
    """The mechanism of a word: "steering" of "steering.left"."""
    return word.partition(".")[0]


def riding_of(layout: Layout, mechanisms: Mapping[str, Block], twist: FrameTwist | None) -> Riding:
    """What rides on what in a layout."""
    entries = layout.entries
    on: dict[str, str] = {}
    for name, entry in entries.mechanisms.items():
        on |= {name: entry.on[0]} if len(entry.on) == 1 else _by_side(name, entry.on)
    stations = {name: _station_mm(entry) for name, entry in entries.mechanisms.items()}
    return Riding(
        mechanisms,
        on,
        {name: _word_of(layout, name) for name in entries.parts},
        {name: x for name, x in stations.items() if x is not None},
        frozenset(name for name, entry in entries.mechanisms.items() if _has_wheels(entry)),
        twist,
    )


def _by_side(name: str, on: tuple[str, ...]) -> dict[str, str]:
    return {f"{name}.{side}": word for side, word in zip(SIDES, on, strict=False)}


def _word_of(layout: Layout, name: str) -> str:
    """What a part rides on; a copy on what its original rides on, unless it says otherwise. "": the body."""
    entry = layout.entries.parts[name]
    while entry.copied is not None and "on" not in entry.model_fields_set:
        entry = layout.entries.parts[entry.copied]
    return entry.on or ""


def _has_wheels(entry: typed.Mechanism) -> bool:
    return entry.kind in typed.WHEELS or (entry.chain is not None and entry.chain.wheel is not None)


def _station_mm(entry: typed.Mechanism) -> float | None:
    """Where along x a mechanism is fixed to the frame; None: it does not say."""
    if entry.solid_axle is not None or entry.link_axle is not None:
        axle = entry.solid_axle or entry.link_axle
        return None if axle is None else axle.centre[0]
    if entry.rocking_unit is not None:
        return entry.rocking_unit.at[0]
    wheel = entry.five_rods or entry.strut or entry.swing_arm
    return None if wheel is None else wheel.wheel[0]
