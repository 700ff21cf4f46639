"""The equations of a thing held by rods: where it must be for every rod to have its length.

The thing's placement is six values: a shift (x, y, z) of its centre, and turns yaw, roll, pitch about it:

    p → R_z(yaw) · R_x(roll) · R_y(pitch) · (p − centre) + centre + shift

(roll and pitch as those of an axle on leaf springs, yaw outermost). Some of the six are given by the
mechanism's coordinates q; the others, u, follow from F(u, q) = 0. Two kinds of F:

- *lengths*: (|v|² − l²) / 2l = 0 for each rod vector v of length l (and two equations of a slide, if any):
  as many equations as unknowns;
- *least*: the gradient of ½ Σ (|v| − l)², where there are more rods than freedoms and the bushes give.

All of it is written over jets (``geometry/intervals.py``): the same lines yield values, derivatives along
paths, and certified enclosures of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.intervals import (
    Jet,
    Number,
    jet_arctangent,
    jet_inverse_root,
    jet_sine,
    jet_sum,
    jets_side_by_side,
)
from fitcheck.vehicle.scene import Vector

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Slide:
    """A sliding pair: the line through ``foot``, square to ``first`` and ``second``, keeps passing through ``top``.

    The line is fixed to the thing, the top to the body; both as they are at the scan pose, from the centre.
    """

    top: Vector
    foot: Vector
    first: Vector
    second: Vector


@dataclass(frozen=True)
class Linkage:
    """Rods from ``bodies`` to ``carried`` (k ends each, from the thing's centre, at the scan pose).

    ``given``: what the coordinates are. "bump": z, and the rack's shift along y if there are two; "sides": the
    heights of both sides at y = ± ``stops_mm``, right first; "heave": both sides' common height.
    ``gains`` (k,): how far a rod's body end goes along y with the rack. ``origin``: where it stands in its file.
    """

    name: str
    rods: tuple[str, ...]
    bodies: tuple[Vector, ...]
    carried: tuple[Vector, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    given: str = "bump"
    stops_mm: float = 1.0
    gains: tuple[float, ...] = ()
    slide: Slide | None = None
    origin: str = field(default="", compare=False, repr=False)

    @property
    def least(self) -> bool:
        """By least squares: what an axle's rods leave free is x, y, yaw and pitch."""
        return self.given != "bump"

    @property
    def unknowns(self) -> tuple[str, ...]:
        return ("x", "y", "yaw", "pitch") if self.least else ("x", "y", "yaw", "roll", "pitch")

    @property
    def lengths_mm(self) -> Floats:
        """(k,) as at the scan pose."""
        return np.asarray(np.linalg.norm(np.array(self.carried) - np.array(self.bodies), axis=1))

    @property
    def size_mm(self) -> float:
        """What a radian is worth: how far the rods' ends are from the centre, on the whole."""
        return max(float(np.sqrt((np.array(self.carried) ** 2).sum(axis=1).mean())), 1.0)

    @property
    def scale(self) -> Floats:
        """(m,): an unknown times this is in mm."""
        return np.array([1.0 if name in "xy" else self.size_mm for name in self.unknowns])


@dataclass(frozen=True, eq=False)
class Placement:
    """The six values as jets, and the rack's shift."""

    shift: tuple[Jet, Jet, Jet]
    yaw: Jet
    roll: Jet
    pitch: Jet
    rack: Jet | None = None


def columns(*parts: Number) -> list[Jet]:
    """Values (n, m), first derivatives (d, n, m), … → m jets of (…, n, 1)."""
    return [Jet(tuple(part[..., k : k + 1] for part in parts)) for k in range(parts[0].shape[-1])]


def placement(linkage: Linkage, unknown: Sequence[Jet], given: Sequence[Jet]) -> Placement:
    """The six values from u and q."""
    if not linkage.least:
        x, y, yaw, roll, pitch = unknown
        return Placement((x, y, given[0]), yaw, roll, pitch, given[1] if len(given) > 1 else None)
    x, y, yaw, pitch = unknown
    if linkage.given == "heave":
        return Placement((x, y, given[0]), yaw, 0.0 * given[0], pitch)
    right, left = given
    roll = jet_arctangent((right - left) * (0.5 / linkage.stops_mm))
    return Placement((x, y, (right + left) * 0.5), yaw, roll, pitch)


@dataclass(frozen=True, eq=False)
class Turned:
    """Points (k, 3) from the centre after the turn of a placement, and half-way through it."""

    pitched: tuple[Jet, Jet, Jet]
    whole: tuple[Jet, Jet, Jet]
    yaw: tuple[Jet, Jet]
    roll: tuple[Jet, Jet]


def turned(at: Placement, points: Floats) -> Turned:
    """R_z R_x R_y p, each component a jet of (…, n, k)."""
    px, py, pz = points.T
    (sa, ca), (sb, cb), (sg, cg) = jet_sine(at.yaw), jet_sine(at.roll), jet_sine(at.pitch)
    pitched = (cg * px + sg * pz, cg * 0.0 + py, cg * pz - sg * px)
    across, up = cb * py - sb * pitched[2], sb * py + cb * pitched[2]
    whole = (ca * pitched[0] - sa * across, sa * pitched[0] + ca * across, up)
    return Turned(pitched, whole, (sa, ca), (sb, cb))


def equations(linkage: Linkage, unknown: Sequence[Jet], given: Sequence[Jet]) -> Jet:
    """F(u, q) as a jet of (…, n, m): m equations for m unknowns."""
    at = placement(linkage, unknown, given)
    ends = turned(at, np.array(linkage.carried))
    if linkage.least:
        return _least(linkage, at, ends)
    # |v₀ + δ|² − |v₀|² = δ·(δ + 2 v₀): without the difference of two large squares.
    before = np.array(linkage.carried) - np.array(linkage.bodies)
    steps = [p - side + shift for p, side, shift in zip(ends.whole, np.array(linkage.carried).T, at.shift, strict=True)]
    if at.rack is not None:
        steps[1] = steps[1] - at.rack * np.array(linkage.gains)
    x, y, z = (step * (step + 2.0 * side) for step, side in zip(steps, before.T, strict=True))
    own = (x + y + z) * (0.5 / linkage.lengths_mm)
    return own if linkage.slide is None else jets_side_by_side([own, *_sliding(linkage.slide, at)])


def _from_body(linkage: Linkage, at: Placement) -> tuple[Jet, Jet, Jet]:
    """The thing's centre as seen from each rod's body end."""
    x, y, z = (shift + (-side) for shift, side in zip(at.shift, np.array(linkage.bodies).T, strict=True))
    if at.rack is not None:
        y = y - at.rack * np.array(linkage.gains)
    return x, y, z


def _least(linkage: Linkage, at: Placement, ends: Turned) -> Jet:
    """The gradient along x, y, yaw, pitch: Σ (1 − l/|v|) v·∂v. Of a turn, v·∂p = w·∂p, as p·∂p = 0."""
    away = _from_body(linkage, at)
    (px, py, pz), (sa, ca), (sb, cb) = ends.whole, ends.yaw, ends.roll
    rods = (px + away[0], py + away[1], pz + away[2])
    square = rods[0] * rods[0] + rods[1] * rods[1] + rods[2] * rods[2]
    strain = jet_inverse_root(square) * (-linkage.lengths_mm) + 1.0
    forth, _, up = ends.pitched
    by_yaw = away[1] * px - away[0] * py
    leaned = sb * forth
    by_pitch = away[0] * (ca * up - sa * leaned) + away[1] * (sa * up + ca * leaned) - away[2] * (cb * forth)
    return jets_side_by_side([jet_sum(strain * by) for by in (rods[0], rods[1], by_yaw, by_pitch)])


def _sliding(slide: Slide, at: Placement) -> list[Jet]:
    """The top's distance from the line, along two directions square to it: (R e)·(top − shift) − e·foot."""
    axes = turned(at, np.array([slide.first, slide.second])).whole
    away = [-(shift + (-top)) for shift, top in zip(at.shift, slide.top, strict=True)]
    reach = axes[0] * away[0] + axes[1] * away[1] + axes[2] * away[2]
    return [reach + (-(np.array([slide.first, slide.second]) @ np.array(slide.foot)))]


def rod_errors(linkage: Linkage, unknown: Floats, given: Floats) -> Floats:
    """(n, m), (n, d) → (n, k): by how much each rod is longer than it should be; with a slide, its two errors too."""
    at = placement(linkage, columns(unknown), columns(given))
    ends = turned(at, np.array(linkage.carried)).whole
    rods = [(p + w).parts[0] for p, w in zip(ends, _from_body(linkage, at), strict=True)]
    found = np.sqrt(rods[0] ** 2 + rods[1] ** 2 + rods[2] ** 2) - linkage.lengths_mm
    if linkage.slide is None:
        return np.asarray(found)
    return np.concatenate([found, _sliding(linkage.slide, at)[0].parts[0]], axis=-1)
