"""Does a thing lie inside scanned metal? No distance shows it: a scanned rail is a skin round nothing.

A thing that no skin touches is wholly on one side of each, unless it passes through a gap. So points in it are
asked for their side: any inside, and none outside, is a FAIL; any that is not surely outside forbids a PASS.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.evidence import Evidence
from fitcheck.geometry.inside import winding_numbers
from fitcheck.geometry.sides import Side, SideTester, Votes, points_within
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import Contact, Region

Floats = NDArray[np.float64]

SPACING_MM = 25.0
MOST_POINTS = 120

CLEARLY_OUT = 0.3
"""A winding number of closed metal below this means outside."""

# kept as long as their surfaces live: one scene asks many parts
_testers: weakref.WeakKeyDictionary[TiledSurface, SideTester] = weakref.WeakKeyDictionary()


def with_side(row: Clearance, part: Sequence[Solid], evidence: Evidence, contacts: Sequence[Contact]) -> Clearance:
    """The row of a thing (closed solids) and the scan, with what its points say about inside and outside."""
    if row.contact not in ("apart", "declared", "unknown"):
        return row  # they touch or overlap: that is seen already
    touching = [(contact.at, contact.deeper_than_mm) for contact in contacts]
    points = _asked(part, [*touching, *((region, 0.0) for region in evidence.empty)])
    tester = tester_of(evidence)
    if len(points) == 0:
        return row
    if not tester.usable:
        if evidence.sight_told:
            return row  # what cannot be seen is a place not seen, and inside metal nothing is
        return _undecided(row, f"inside and outside cannot be told in this scan: {tester.reason}", points[0])
    votes = tester.votes(points)
    sides = _answers(points, votes, evidence.membranes)
    inside, out = sides == Side.INSIDE, sides == Side.OUT
    if inside.any() and not out.any():
        return _inside(row, points[inside], votes.distance_mm[inside])
    if not out.all():
        doubtful = points[~out][int(np.argmax(votes.distance_mm[~out]))]
        share = f"{int((~out).sum())} of {len(out)} points asked"
        return _undecided(
            row, f"whether it lies in scanned metal cannot be told: {share} are not surely outside", doubtful
        )
    return row


def _answers(points: Floats, votes: Votes, membranes: TiledSurface | None) -> NDArray[np.int8]:
    """The combined answers, and "outside" also where a gap confused them and closing it leaves no doubt.

    With its membranes the metal is closed, and the winding number of both is near 0 outside. So where the closest
    place does not say "inside" and less than half of what is seen from there are backs, the point is outside.
    """
    sides = votes.combined()
    open_ = (sides == Side.UNDECIDED) & (votes.pseudo_normal != Side.INSIDE)
    doubtful = np.flatnonzero(open_ & (votes.back_share < 0.5))
    if len(doubtful) == 0:
        return sides
    closed = votes.winding_number[doubtful] + votes.winding_error[doubtful]
    if membranes is not None:
        closed += winding_numbers(points[doubtful], np.asarray(membranes.vertices), np.asarray(membranes.faces))
    return np.where(np.isin(np.arange(len(sides)), doubtful[closed < CLEARLY_OUT]), Side.OUT, sides).astype(np.int8)


def tester_of(evidence: Evidence) -> SideTester:
    """The tester of all scanned metal, measured and assumed."""
    if evidence.metal not in _testers:
        _testers[evidence.metal] = SideTester(_joined(evidence))
    return _testers[evidence.metal]


def _joined(evidence: Evidence) -> TiledSurface:
    metal, assumed = evidence.metal, evidence.assumed
    if assumed is None:
        return metal
    vertices = np.concatenate([metal.vertices, assumed.vertices])
    return tile_surface(vertices, np.concatenate([metal.faces, assumed.faces + len(metal.vertices)]))


def _asked(part: Sequence[Solid], known: Sequence[tuple[Region, float]]) -> Floats:
    """Points in the part, but for those in places of which it is known what they are, grown by so much."""
    each = max(24, MOST_POINTS // max(1, len(part)))
    found = [points_within(solid, SPACING_MM, each) for solid in part]
    points = np.concatenate(found) if found else np.empty((0, 3))
    for region, grow_mm in known:
        points = points[~region.contains(points, grow_mm)]
    return points


def _inside(row: Clearance, points: Floats, distances: Floats) -> Clearance:
    deepest = int(np.argmax(distances))
    depth, at = float(distances[deepest]), _point(points[deepest])
    return replace(
        row,
        verdict=Verdict.FAIL,
        reason="lies inside scanned metal",
        distance_mm=-depth,
        at_least_mm=-depth,
        depth_mm=depth,
        contact="inside",
        points_mm=(at, at),
    )


def _undecided(row: Clearance, reason: str, at: Floats) -> Clearance:
    if row.verdict is not Verdict.PASS:
        return row
    where = ", ".join(f"{c:.0f}" for c in at)
    settle = f"look at ({where}): is that place in the open or inside metal? Enter it as measured, 'empty' or 'metal'"
    return replace(row, verdict=Verdict.NOT_PROVEN, reason=f"{reason}, such as ({where})", settle=settle)


def _point(values: Floats) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
