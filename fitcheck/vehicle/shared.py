"""What carries two bodies alike moves neither against the other: it is taken off both.

A tie rod and the tube of its axle ride on the axle together; between them only the steering moves. Distances are
the same in the axle's own frame, where the axle stands still: exactly, and with four coordinates fewer.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Any

from fitcheck.vehicle.hoses import HosePiece
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Carried, Motion
from fitcheck.vehicle.moving import MovingBody


def without_shared(one: MovingBody, other: MovingBody) -> tuple[MovingBody, MovingBody]:
    """Both bodies in the frame of all that carries them alike; as they are where nothing does.

    A hose hangs straight down however its ends are carried, so it keeps what carries it.
    """
    pieces = [piece for body in (one, other) for piece in (*body.pieces, *body.shapes)]
    if any(isinstance(piece, HosePiece) for piece in pieces):
        return one, other
    chains = [carriers_of(motion) for piece in pieces for motion in motions_of(piece)]
    count = 0
    while chains and all(len(chain) > count and chain[count] == chains[0][count] for chain in chains):
        count += 1
    return (_stripped(one, count), _stripped(other, count)) if count else (one, other)


def carriers_of(motion: Motion) -> list[Motion]:
    """What carries a point, the outermost first."""
    if isinstance(motion, Carried):
        return [*carriers_of(motion.outer), *carriers_of(motion.inner)]
    return [] if isinstance(motion, Still) else [motion]


def _is_motion(thing: Any) -> bool:
    return hasattr(thing, "place") and hasattr(thing, "bend")


def motions_of(thing: Any) -> Iterator[Motion]:
    """The motions that a piece names itself; what a motion rests on in its turn is its own affair."""
    for field in dataclasses.fields(thing):
        value = getattr(thing, field.name)
        if _is_motion(value):
            yield value
        elif dataclasses.is_dataclass(value) and not isinstance(value, type):
            yield from motions_of(value)


def _stripped(body: MovingBody, count: int) -> MovingBody:
    def less(motion: Motion) -> Motion:
        return one_motion(carriers_of(motion)[count:])

    pieces, shapes = (tuple(with_motions(piece, less) for piece in some) for some in (body.pieces, body.shapes))
    return dataclasses.replace(body, pieces=pieces, shapes=shapes)


def with_motions(thing: Any, change: Callable[[Motion], Motion]) -> Any:
    """A piece with each of its motions (see :func:`motions_of`) changed."""
    changed = {}
    for field in dataclasses.fields(thing):
        value = getattr(thing, field.name)
        if _is_motion(value):
            changed[field.name] = change(value)
        elif dataclasses.is_dataclass(value) and not isinstance(value, type):
            changed[field.name] = with_motions(value, change)
    return dataclasses.replace(thing, **changed) if changed else thing


def one_motion(carriers: list[Motion]) -> Motion:
    """What they do together, the outermost first; none: nothing."""
    if not carriers:
        return Still()
    return carriers[0] if len(carriers) == 1 else Carried(outer=carriers[0], inner=one_motion(carriers[1:]))
