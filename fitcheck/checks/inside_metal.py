"""Does a thing lie inside scanned metal? No distance shows it: a scanned rail is a skin round nothing.

A thing that no skin touches is wholly on one side of each, unless it passes through a gap. So points in it are
asked for their side: any inside, and none outside, is a FAIL; one inside, or too many that are not surely
outside, forbid a PASS.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.evidence import Evidence
from fitcheck.geometry.sides import Side, SideTester, Votes, points_within
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.scene import Contact, Region

Floats = NDArray[np.float64]

SPACING_MM = 25.0
MOST_POINTS = 32
"""Points asked of a thing, spread over it. It touches no metal, so they differ only where it passes through a gap."""

LEAST_NOISE_MM = 0.5
"""However fine a scan is said to be: nearer to its surface than three of these no side is told."""

SURELY_OUT = 0.75
"""No PASS unless this share of them is surely outside and none inside (judgement). The others are those that look into
a gap: what it may hold is judged as a place not seen."""

# One scene asks many parts, and a watched layout is read again and again: by the scan's content the last two are kept,
# of a scan without a key as long as its surface lives.
_testers: weakref.WeakKeyDictionary[TiledSurface, SideTester] = weakref.WeakKeyDictionary()
_MOST_TESTERS = 2
_by_key: dict[str, SideTester] = {}
_MOST_VOTES = 200
_votes_of: weakref.WeakKeyDictionary[SideTester, dict[bytes, Votes]] = weakref.WeakKeyDictionary()


def with_side(
    row: Clearance, part: Sequence[Solid], evidence: Evidence, contacts: Sequence[Contact], *, moving: bool = False
) -> Clearance:
    """The row of a thing (closed solids) and the scan, with what its points say about inside and outside.

    A ``moving`` thing came with the vehicle: inside scanned metal it may run in a sleeve or a tunnel, so it is not
    called a FAIL for that, and not a PASS.
    """
    if row.contact not in ("apart", "declared", "unknown"):
        return row  # they touch or overlap: that is seen already
    within = _within(part)
    if len(within) == 0:
        at = part[0].vertices.mean(axis=0)
        return _undecided(row, "it has no inside to ask whether it lies in scanned metal", at)
    touching = [(contact.at, contact.deeper_than_mm) for contact in contacts]
    points = _asked(within, [*touching, *((region, 0.0) for region in evidence.empty)])
    if len(points) == 0:
        return row  # all of it stands where it is meant to touch, or in what was found empty
    tester = tester_of(evidence)
    if not tester.usable:
        return _by_sight(row, points, evidence, tester.reason)
    tester.expect(evidence.boxes)
    votes = _votes(tester, points)
    sides = votes.combined()
    inside, out = sides == Side.INSIDE, sides == Side.OUT
    if inside.any() and not out.any() and moving:
        where = points[inside][0]
        return _undecided(row, "it runs inside scanned metal, or in a sleeve of which only the outside was seen", where)
    if inside.any() and not out.any():
        return _inside(row, points[inside], votes.distance_mm[inside])
    if inside.any() or out.mean() < SURELY_OUT:
        doubtful = points[~out][int(np.argmax(votes.distance_mm[~out]))]
        share = f"{int((~out).sum())} of {len(out)} points asked"
        return _undecided(
            row, f"whether it lies in scanned metal cannot be told: {share} are not surely outside", doubtful
        )
    return row


def _by_sight(row: Clearance, points: Floats, evidence: Evidence, reason: str) -> Clearance:
    """Where the metal has no sides, only space that was seen along a free line is surely not in it."""
    why = f"inside and outside cannot be told in this scan ({reason}), "
    if evidence.seen is None:
        return _undecided(row, f"{why}nor is it said from where it was seen (seen_from)", points[0])
    seen = evidence.seen.at(points)
    if seen.mean() >= SURELY_OUT:
        return row
    return _undecided(row, f"{why}and {int((~seen).sum())} of {len(seen)} points asked were not seen", points[~seen][0])


def _votes(tester: SideTester, points: Floats) -> Votes:
    """The votes on these points, remembered: a rule may change and the thing stay."""
    remembered = _votes_of.setdefault(tester, {})
    asked = points.tobytes()
    if asked not in remembered:
        remembered[asked] = tester.votes(points)
        if len(remembered) > _MOST_VOTES:
            del remembered[next(iter(remembered))]
    return remembered[asked]


def tester_of(evidence: Evidence) -> SideTester:
    """The tester of all scanned metal, measured and assumed."""
    noise = max(evidence.noise_mm, LEAST_NOISE_MM)
    if evidence.key:
        asked = f"{evidence.key} {noise}"
        tester = _by_key.pop(asked, None) or SideTester(_joined(evidence), noise)
        _by_key[asked] = tester
        for key in list(_by_key)[:-_MOST_TESTERS]:
            del _by_key[key]
        return tester
    if evidence.metal not in _testers:
        _testers[evidence.metal] = SideTester(_joined(evidence), noise)
    return _testers[evidence.metal]


def _joined(evidence: Evidence) -> TiledSurface:
    metal, assumed = evidence.metal, evidence.assumed
    if assumed is None:
        return metal
    vertices = np.concatenate([metal.vertices, assumed.vertices])
    return tile_surface(vertices, np.concatenate([metal.faces, assumed.faces + len(metal.vertices)]))


def _within(part: Sequence[Solid]) -> Floats:
    found = [points_within(solid, SPACING_MM, 4 * MOST_POINTS) for solid in part]
    return np.concatenate(found) if found else np.empty((0, 3))


def _asked(points: Floats, known: Sequence[tuple[Region, float]]) -> Floats:
    """The points but for those in places of which it is known what they are, grown by so much; few, well spread."""
    for region, grow_mm in known:
        points = points[~region.contains(points, grow_mm)]
    return _spread(points)


def _spread(points: Floats) -> Floats:
    """Some of the points, each as far as can be from those before it; the first is the one nearest to their middle."""
    if len(points) <= MOST_POINTS:
        return points
    chosen = [int(np.linalg.norm(points - points.mean(axis=0), axis=1).argmin())]
    apart = np.linalg.norm(points - points[chosen[0]], axis=1)
    while len(chosen) < MOST_POINTS:
        chosen.append(int(apart.argmax()))
        apart = np.minimum(apart, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return points[chosen]


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
