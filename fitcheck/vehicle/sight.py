"""Two bodies as one of them sees the other: in the frame of what carries the one wholly and the other at one end.

A tyre and the drag link that ends on its steering arm hardly move against each other, but the axle swings both.
In the frame of the steered wheel the tyre stands still, and so does that end of the link; its other end is seen
to move (:class:`~fitcheck.vehicle.inverse.Inverse`). Distances are the same in any frame: exactly.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.separation import Hulls
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import Ends, rows_of, stray, times
from fitcheck.vehicle.hoses import SAGITTA, Drops, HosePiece
from fitcheck.vehicle.inverse import Following, Inverse, turning_bend
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Columns, Motion, Space, columns_of, spin_of
from fitcheck.vehicle.moving import MovingBody, Piece
from fitcheck.vehicle.shared import carriers_of, motions_of, one_motion, with_motions
from fitcheck.vehicle.spans import RodPiece, Span

Floats = NDArray[np.float64]

_HALVINGS = 8


def seen(one: MovingBody, other: MovingBody) -> tuple[MovingBody, MovingBody] | None:
    """Both in the frame of the longest chain that carries the one wholly and the other in part.

    None where there is none. The bodies' spaces have coordinates of the whole space of both, perhaps in another order:
    those that neither has do not matter.
    """
    ways = [_chain(first, second) for first, second in ((one, other), (other, one))]
    chain = max(ways, key=len)
    if not chain:
        return None
    bodies = _seen_by(one, chain), _seen_by(other, chain)
    return bodies if all(_of_one_space(body) for body in bodies) else None


def _chain(whole: MovingBody, part: MovingBody) -> list[Motion]:
    """The outermost carriers that all motions of one body share, as far as a motion of the other begins with them."""
    chains = [carriers_of(motion) for piece in _pieces(whole) for motion in motions_of(piece)]
    others = [carriers_of(motion) for piece in _pieces(part) for motion in motions_of(piece)]
    if not chains:
        return []
    shared = min((_common(chains[0], chain) for chain in chains), default=0)
    return chains[0][: max((_common(chains[0][:shared], chain) for chain in others), default=0)]


def _common(one: Sequence[Motion], other: Sequence[Motion]) -> int:
    count = 0
    while count < min(len(one), len(other)) and one[count] == other[count]:
        count += 1
    return count


def _pieces(body: MovingBody) -> tuple[Piece, ...]:
    return (*body.pieces, *body.shapes)


def _of_one_space(body: MovingBody) -> bool:
    return all(piece.space.coordinates == body.space.coordinates for piece in _pieces(body))


def _seen_by(body: MovingBody, chain: list[Motion]) -> MovingBody:
    known: list[tuple[Motion, Motion]] = []  # pieces share motions: what is worked out of one is kept with it

    def look(motion: Motion) -> Motion:
        for before, after in known:
            if before == motion:
                return after
        known.append((motion, _motion(motion, chain)))
        return known[-1][1]

    pieces, shapes = (tuple(s for p in some for s in _piece(p, chain, look)) for some in (body.pieces, body.shapes))
    return dataclasses.replace(body, pieces=pieces, shapes=shapes)


def _piece(piece: Any, chain: list[Motion], look: Callable[[Motion], Motion]) -> list[Any]:
    """A piece as what the chain carries sees it, in shorter lengths toward an end that it carries."""
    there = with_motions(piece, look)
    if isinstance(piece, HosePiece):
        return [SeenHose(piece, there, Inverse(one_motion(chain)))]
    if not isinstance(piece, RodPiece | Span):
        return [there]
    held = [_common(carriers_of(end.motion), chain) == len(chain) for end in (piece.start, piece.end)]
    return _shortened(there, held[0]) if held[0] != held[1] else [there]


def _motion(motion: Motion, chain: list[Motion]) -> Motion:
    """The chain undone after a motion; what both begin with falls out."""
    own = carriers_of(motion)
    same = _common(own, chain)
    inner = one_motion(own[same:])
    if same == len(chain):
        return inner
    undone = Inverse(one_motion(chain[same:]))
    return undone if isinstance(inner, Still) else Following(outer=undone, inner=inner)


def _shortened(piece: RodPiece | Span, at_start: bool) -> list[Any]:
    """The same in lengths that halve toward the end that hardly moves: near it a length strays as little as it."""
    begin, end = _shares(piece)
    if begin == end:
        return [piece]
    near, far = (begin, end) if at_start else (end, begin)
    if near != (0.0 if at_start else 1.0):
        return [piece]
    cuts = [near + (far - near) * share for share in (*(0.5**k for k in range(_HALVINGS)), 0.0)]
    return [_between(piece, *sorted(pair)) for pair in pairwise(cuts)]


def _shares(piece: RodPiece | Span) -> tuple[float, float]:
    """From where to where a piece reaches, as parts of the way; the same twice for one that keeps its length."""
    if isinstance(piece, RodPiece):
        return piece.cut
    return (piece.first[1], piece.last[1]) if piece.first[0] == piece.last[0] == 0.0 else (0.0, 0.0)


def _between(piece: RodPiece | Span, begin: float, end: float) -> RodPiece | Span:
    if isinstance(piece, RodPiece):
        return dataclasses.replace(piece, cut=(begin, end))
    return dataclasses.replace(piece, first=(0.0, begin), last=(0.0, end))


@dataclass(frozen=True, eq=False)
class SeenHose:
    """A stretch of a hanging line as a moving thing sees it: down is not the same way there in every pose.

    ``piece`` is the stretch itself, ``there`` the same with its ends as they are seen, ``by`` turns down with the
    view. Remainder. With d(q) that way and s(q) the drop, a point is a blend of the ends plus c·s·d. Over a box,
    with the weights w of the corners: d = Σ w·d_c + e, |e| as d strays; s = Σ w·s_c where each s_c lies between the
    drops of the corner c that the hull has, all of them as far from the middle between these. Then s·d − Σ w·s_c·d_c
    = s·e + Σ w·(s − s_c)·(d_c − m) for any m; with the middle's d for m that is at most
    s·|e| + ½·(range of s_c)·(how far d turns from the middle), for the mean distance of values from their mean is at
    most half their range.
    """

    piece: HosePiece
    there: HosePiece
    by: Inverse

    @property
    def name(self) -> str:
        return self.piece.name

    @property
    def space(self) -> Space:
        return self.piece.space

    @property
    def reach_mm(self) -> float:
        return self.piece.reach_mm

    @cached_property
    def _columns(self) -> tuple[Columns, Columns]:
        """Of the ends as seen, and of the view."""
        return columns_of(self.there.space, self.space), columns_of(self.by, self.space)

    @cached_property
    def _ends(self) -> Ends:
        return Ends(self.there.line.start, self.there.line.end)

    def straight(self) -> SeenHose:
        """The same in straight travel only."""
        return SeenHose(self.piece.straight(), self.there.straight(), self.by.straight())

    def facts(self) -> tuple[object, ...]:
        """What shapes it."""
        return ("seen", *self.piece.facts(), self.by)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        ends, view = self._columns
        poses = rows_of(corners_of(low, high))
        first, last = self._ends.at(poses[:, ends])
        down = -self.by.turn(poses[:, view])[:, :, 2]
        drops = self.piece.drops(low, high)
        share = self.piece.cut
        hang = 4.0 * share * (1.0 - share)
        level = first[:, None] + share[:, None] * (last - first)[:, None]
        deep = drops.corners.reshape(len(first), 1, -1, 1) * hang[:, None, None]
        points = level[:, :, None, :] + deep * down[:, None, None, :]
        rates = self._ends.rates(low[:, ends], high[:, ends])
        grow = np.maximum(*(rates.between(float(one)) for one in share)) + drops.most * SAGITTA
        turned = float(hang.max()) * turned_mm(self.by, low[:, view], high[:, view], drops)
        return Hulls(points.reshape(len(low), -1, 3), None, 0.0, self.reach_mm, grow + turned)

    def at(self, pose: Floats) -> Solid:
        """The stretch in a pose (d,), where it is seen."""
        own = pose[self._columns[1]][None]
        return self.piece.at(pose).moved(self.by.turn(own)[0], self.by.place(own, np.zeros((1, 3)))[0, 0])


def turned_mm(by: Inverse, low: Floats, high: Floats, drops: Drops) -> Floats:
    """What the turning of down makes of the greatest drop over boxes (n, d) of the view (n,): see :class:`SeenHose`."""
    half, spin = (high - low) / 2.0, spin_of(by, low, high)
    off = np.minimum(stray(half, spin, turning_bend(by.of, low, high)), 2.0)
    middles = drops.corners.mean(axis=2)
    swing = np.minimum(times(half, spin).sum(axis=1), 2.0)
    return np.asarray(drops.most * off + 0.5 * (middles.max(axis=1) - middles.min(axis=1)) * swing)
