"""Straight bodies between two points that may both move: rods, dampers, shafts with their joints.

Nothing carries such a body rigidly: over a box of poses its remainder follows from how far its two
ends stray from the blend of the box's corner poses (:class:`Rates`), derived beside each piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.separation import Hulls
from fitcheck.geometry.solids import Solid, capsule, cylinder, sides_for
from fitcheck.geometry.sweep import corners_of
from fitcheck.vehicle.ends import End, Ends, rows_of, stray, times
from fitcheck.vehicle.motion import Together
from fitcheck.vehicle.reach import meeting_pose

Floats = NDArray[np.float64]

__all__ = ["End", "RodPiece", "Span", "shaft_spans"]

_TUBE_PIECES = 4
_TURN_LIMIT_RAD = 0.34
"""Up to this turn from a box's middle the bound on a disc's second derivative holds (see :class:`Span`)."""

_MEET_MM = 1e-3
"""Joints nearer than this leave a shaft without a direction."""

_TOO_NEAR_MM = 1.0
"""Joints that come nearer than this are no shaft's."""


@dataclass(frozen=True, eq=False)
class RodPiece:
    """A part of a straight capsule between two points: of a tie rod, a drag link, a damper, a stretched line.

    It reaches from ``cut[0]`` to ``cut[1]`` of the way from start to end. Its points are blends of the two
    ends with fixed weights, so they stray from the blend of the corner poses as the ends do, and no further.
    """

    name: str
    start: End
    end: End
    radius_mm: float
    cut: tuple[float, float] = (0.0, 1.0)

    @cached_property
    def _ends(self) -> Ends:
        return Ends(self.start, self.end)

    @property
    def space(self) -> Together:
        return self._ends.space

    @property
    def reach_mm(self) -> float:
        return self.radius_mm

    def straight(self) -> RodPiece:
        """The same between ends that go straight up and down only."""
        return replace(self, start=self.start.straight(), end=self.end.straight())

    def facts(self) -> tuple[object, ...]:
        """What shapes it."""
        return ("rod", self.name, self.start, self.end, self.radius_mm, self.cut)

    def _points(self, poses: Floats) -> Floats:
        """(n, d) → the middle line's ends (n, 2, 3)."""
        first, last = self._ends.at(poses)
        return np.stack([first + share * (last - first) for share in self.cut], axis=1)

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        points = self._points(rows_of(corners_of(low, high)))
        rates = self._ends.rates(low, high)
        grow = np.maximum(*(rates.between(share) for share in self.cut))
        return Hulls(points.reshape(len(low), -1, 3), None, 0.0, self.radius_mm, grow)

    def at(self, pose: Floats) -> Solid:
        """The piece in a pose (d,)."""
        start, end = self._points(pose[None])[0]
        return capsule(start, end, self.radius_mm)


@dataclass(frozen=True, eq=False)
class Span:
    """A flat-ended length of a shaft between two joints that may both move.

    Its ends lie at ``first[0] + first[1]·L`` and ``last[0] + last[1]·L`` from the start joint, L the
    momentary distance between the joints: (0, 0)–(60, 0) is the yoke at the start joint, (−60, 1)–(0, 1)
    the one at the end joint, and (0, 0)–(0, 1) a tube from joint to joint, which telescopes.

    Remainder. S and E are the joints, v = E − S, L = |v|, u = v/L. The point a + b·L along u is
    S + (a + b·L)·u = (1 − b)·S + b·E + a·u: a blend of the joints, and the unit vector for ``a``. Where v
    moves along a coordinate with speed ≤ G and second derivative ≤ M, |u′| ≤ G/L and
    |u″| ≤ M/L + (2/√3)·G²/L² (second derivative of v ↦ v/|v|: for unit w with sin² = s across u it is
    √(s(4 − 3s))/L², greatest at s = ⅔). A vector e square to u, carried by the least rotation from the
    box's middle, is e₀ − f·(u₀ + u) with f = e₀·u/(1 + u₀·u); while u stays within 0.34 rad of u₀,
    |f| ≤ 0.172, |f′| ≤ 0.523·|u′|, |f″| ≤ 0.523·|u″| + 0.180·|u′|², so |e″| ≤ 1.4·|u″| + 1.5·|u′|².
    Whatever the turn, a rim point is no farther from the hull of the corner discs than from their
    centres' blend, the radius; and a unit vector is never farther than 2 from a blend of unit vectors.
    """

    name: str
    start: End
    end: End
    first: tuple[float, float]
    last: tuple[float, float]
    radius_mm: float

    @cached_property
    def _ends(self) -> Ends:
        return Ends(self.start, self.end)

    @property
    def space(self) -> Together:
        return self._ends.space

    @property
    def reach_mm(self) -> float:
        return self.radius_mm

    def straight(self) -> Span:
        """The same between joints that go straight up and down only."""
        return replace(self, start=self.start.straight(), end=self.end.straight())

    def facts(self) -> tuple[object, ...]:
        """What shapes it."""
        return ("span", self.name, self.start, self.end, self.first, self.last, self.radius_mm)

    @cached_property
    def _outer_radius(self) -> float:
        """Radius of the circle round the tessellation, so that the bound holds for both."""
        return float(self.radius_mm / np.cos(np.pi / sides_for(self.radius_mm)))

    def _axis(self, poses: Floats) -> tuple[Floats, Floats, Floats]:
        """(n, d) → start joints (n, 3), unit vectors to the end joints (n, 3), distances (n,)."""
        start, end = self._ends.at(poses)
        length = np.linalg.norm(end - start, axis=1)
        if not (length > _MEET_MM).all():
            raise _meeting(self.name, self.space.describe(poses[int(length.argmin())]))
        return start, (end - start) / length[:, None], length

    def _centres(self, poses: Floats) -> tuple[Floats, Floats]:
        """(n, d) → centres of both end faces (n, 2, 3) and the axis (n, 3)."""
        start, axis, length = self._axis(poses)
        along = np.stack([offset + share * length for offset, share in (self.first, self.last)], axis=1)
        return start[:, None, :] + along[:, :, None] * axis[:, None, :], axis

    def hulls(self, low: Floats, high: Floats) -> Hulls:
        centres, axis = self._centres(rows_of(corners_of(low, high)))
        discs = np.repeat(axis[:, None, :], 2, axis=1).reshape(len(low), -1, 3)
        # The disc turns with the axis by the least rotation: a rim point swings no farther than the axis does.
        middle = self._axis((low + high) / 2.0)[1]
        swing = self._outer_radius * np.linalg.norm(discs - middle[:, None], axis=2).max(axis=1)
        return Hulls(
            centres.reshape(len(low), -1, 3), discs, self._outer_radius, 0.0, self._remainder(low, high), swing
        )

    def _remainder(self, low: Floats, high: Floats) -> Floats:
        """How far a point of the piece can stray from the hull of its corner poses (n,): see the class."""
        rates = self._ends.rates(low, high)
        _, _, length = self._axis((low + high) / 2.0)
        shortest = np.maximum(length - rates.travel(), 0.0)[:, None]
        known = shortest > 0.0
        over = np.where(known, shortest, 1.0)
        turn = np.where(known, rates.slope / over, np.inf)
        bend = np.where(known, rates.bend / over + 2.0 / np.sqrt(3.0) * turn**2, np.inf)
        tilt = np.minimum(stray(rates.half, turn, bend), 2.0)
        centre = np.maximum(*(rates.between(share) + abs(offset) * tilt for offset, share in (self.first, self.last)))
        rim = times(0.5 * rates.half**2, 1.4 * bend + 1.5 * turn**2).sum(axis=1)
        near = times(rates.half, turn).sum(axis=1) <= _TURN_LIMIT_RAD
        return np.asarray(centre + self._outer_radius * np.where(near, np.minimum(rim, 1.0), 1.0))

    def at(self, pose: Floats) -> Solid:
        """The piece in a pose (d,), as a circumscribed prism."""
        centres, _ = self._centres(pose[None])
        return cylinder(centres[0, 0], centres[0, 1], self.radius_mm)


def _meeting(name: str, pose: dict[str, float]) -> InputError:
    said = ", ".join(f"{word} {value:.6g}" for word, value in pose.items()) or "the scan pose"
    return InputError(f"the joints of the shaft ({name}) meet within their travel, at {said}: move one of them")


def shaft_spans(
    name: str,
    start: End,
    end: End,
    diameter_mm: float,
    yoke_diameter_mm: float | None = None,
    yoke_length_mm: float | None = None,
    whip_mm: float = 0.0,
    yoke_whip_mm: float = 0.0,
) -> tuple[Span, ...]:
    """A shaft from joint to joint: its tube in four lengths, and what swings round each joint, whip in the radii.

    A half shaft is the same: the "yokes" are its joints' bells. The tube slips: it always reaches from joint
    to joint. A yoke is at most half as long as the shaft at the scan pose; without a diameter or a length
    there is none. Raises InputError where the joints can meet within their travel.
    """
    ends = Ends(start, end)
    met = meeting_pose(start, end, within_mm=_TOO_NEAR_MM)
    if met is not None:
        raise _meeting(name, ends.space.describe(met))
    tube = diameter_mm / 2.0 + whip_mm
    cuts = [float(share) for share in np.linspace(0.0, 1.0, _TUBE_PIECES + 1)]
    spans = [Span("tube", start, end, (0.0, cuts[k]), (0.0, cuts[k + 1]), tube) for k in range(_TUBE_PIECES)]
    first, last = ends.at(ends.space.scan_pose[None])
    yoke = min(yoke_length_mm or 0.0, float(np.linalg.norm(last - first)) / 2.0) if yoke_diameter_mm else 0.0
    if yoke and yoke_diameter_mm:
        swing = yoke_diameter_mm / 2.0 + yoke_whip_mm
        spans.append(Span("front yoke", start, end, (0.0, 0.0), (yoke, 0.0), swing))
        spans.append(Span("rear yoke", start, end, (-yoke, 1.0), (0.0, 1.0), swing))
    return tuple(spans)
