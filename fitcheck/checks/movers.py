"""A moving body and what it is judged against, still or moving as well, in any pose of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.contacts import cut_out
from fitcheck.errors import InputError
from fitcheck.geometry.distance import Closest, Shape, least_between
from fitcheck.geometry.solids import Solid
from fitcheck.vehicle.motion import Columns, Space, Together, columns_of, together
from fitcheck.vehicle.moving import MovingBody, RigidPiece, facets
from fitcheck.vehicle.scene import Contact
from fitcheck.vehicle.shared import without_shared
from fitcheck.vehicle.sight import seen

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Movers:
    """``body`` against ``shapes`` that stand still, or against an ``other`` body. Poses (d,) are of ``space``.

    A mechanism that moves both is in the space once: they share its coordinates.
    """

    body: MovingBody
    shapes: tuple[Shape, ...] = ()
    other: MovingBody | None = None

    @cached_property
    def space(self) -> Space:
        return self.body.space if self.other is None else together(self.body.space, self.other.space)

    @cached_property
    def columns(self) -> Columns:
        """Of the body's own coordinates."""
        return columns_of(self.body.space, self.space)

    @cached_property
    def other_columns(self) -> Columns:
        return np.empty(0, dtype=np.intp) if self.other is None else columns_of(self.other.space, self.space)

    @property
    def blocks(self) -> Together:
        return together(self.space)

    @cached_property
    def seen(self) -> tuple[MovingBody, MovingBody] | None:
        """Both bodies in the frame in which one sees the other; None against still things, and where there is none.

        It is the same distance in every pose of ``space``, but not in the same place.
        """
        return None if self.other is None else seen(self.body, self.other)

    def within(self, poses: Floats) -> Floats:
        """Poses (n, d), each held within the limits of its blocks: nothing is asked of a pose that cannot be."""
        blocks = self.blocks
        held = [
            blocks.joined({block.name: block.within(part) for block, part in zip(blocks.blocks, parts, strict=True)})
            for parts in map(blocks.split, poses)
        ]
        return np.array(held).reshape(poses.shape)

    def here(self, pose: Floats) -> list[Solid]:
        """The body in a pose."""
        return self.body.solids(pose[self.columns])

    def there(self, pose: Floats) -> Sequence[Shape]:
        """What it is judged against, in the same pose."""
        return self.shapes if self.other is None else self.other.solids(pose[self.other_columns])

    def closest(self, pose: Floats) -> Closest | None:
        """The exact distance in a pose, body first; None where there is nothing left to judge."""
        there = self.there(pose)
        return least_between(self.here(pose), there) if there else None

    def alone(self) -> Movers:
        """The same distances without what carries both alike: in its frame, and with its pose as scanned."""
        if self.other is None:
            return self
        body, other = without_shared(self.body, self.other)
        return self if body is self.body else replace(self, body=body, other=other)

    def straight(self) -> Movers | None:
        """The same with straight bump and droop only; None where neither has any."""
        body = self.body.straight()
        other = None if self.other is None else self.other.straight()
        if body is None and other is None:
            return None
        return replace(self, body=body or _held(self.body), other=other or (self.other and _held(self.other)))


def _held(body: MovingBody) -> MovingBody:
    """A body without wheels beside one with them: as it is, for its own movements are at rest in straight travel."""
    return replace(
        body,
        pieces=tuple(piece.straight() for piece in body.pieces),
        shapes=tuple(piece.straight() for piece in body.shapes),
    )


def without_places(body: MovingBody, contacts: Sequence[Contact], grow_mm: float) -> MovingBody | None:
    """A rigid body less the declared places, grown, as pieces of what is left; None where nothing is left.

    The places are given at scan pose, and are carried along. Raises InputError for what is not rigid, or round.
    """
    pieces: list[RigidPiece] = []
    for shape in body.shapes or body.pieces:
        if not isinstance(shape, RigidPiece):
            raise InputError(
                f"{contacts[0].origin}: contact between {' and '.join(contacts[0].between)}: a place cannot be cut out "
                f"of {body.name}, which changes its length as it moves. Exclude the pair with a reason"
            )
        for left in cut_out([shape.solid], contacts, grow_mm):
            pieces += facets(shape, np.asarray(left.vertices)[np.asarray(left.faces)])
    return replace(body, pieces=tuple(pieces), shapes=()) if pieces else None


def can_be_cut(body: MovingBody) -> bool:
    """Whether declared places can be cut out of it: rigid, and made of plain meshes."""
    return all(isinstance(shape, RigidPiece) and shape.solid.radius_mm == 0.0 for shape in body.shapes or body.pieces)
