"""Pairs with the scan: its measured metal, and all that it says beside it, make one row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.evidence import Evidence, Nearest, nearest_unseen, on_assumed, with_unseen, worse_of
from fitcheck.checks.guard import Terms
from fitcheck.checks.inside_metal import with_side
from fitcheck.checks.pairs import SCAN_REACH_MM, StillPair, check_still
from fitcheck.checks.swept import MovingPair, check_moving
from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance, Verdict
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Contact, Measured, UnseenPlace

Floats = NDArray[np.float64]

SWEPT_REACH_MM = 30.0
"""A place not seen that is farther than this beyond rule and guard from all that a body sweeps is not named."""


def check_scanned_still(pair: StillPair, evidence: Evidence) -> Clearance:
    """The row of a still part and the scan."""
    bare = replace(pair, evidence=None)
    row = check_still(bare)
    rows = [row]
    for solid, reading in evidence.taped:
        beside = replace(
            bare,
            between=(bare.between[0], reading.name),
            other=(solid,),
            terms=_taped(bare.terms, reading),
            contacts=_cuttable(bare.contacts, solid),
        )
        rows += _told(check_still(beside), row, reading)
    if evidence.assumed is not None:
        terms = {**bare.terms, "asymmetry": evidence.assumed_sigma_mm}
        assumed = check_still(replace(bare, other=(evidence.assumed,), terms=terms))
        rows += _joining(assumed, row, evidence, bare.part)
    row = with_unseen(worse_of(rows), nearest_unseen(bare.part, evidence.unseen), _whole_box(bare.part))
    return with_side(row, bare.part, evidence, bare.contacts)


def check_scanned_moving(body: MovingBody, pair: MovingPair, evidence: Evidence) -> Clearance:
    """The row of the scan and a moving body."""
    bare = replace(pair, evidence=None)
    solids = body.solids(body.space.scan_pose)
    row = check_moving(body, bare)
    rows = [row]
    for solid, reading in evidence.taped:
        contacts = _cuttable(bare.contacts, solid)
        beside = replace(bare, shapes=(solid,), terms=_taped(bare.terms, reading), contacts=contacts)
        rows += _told(check_moving(body, beside, by_cause=False), row, reading)
    if evidence.assumed is not None:
        terms = {**bare.terms, "asymmetry": evidence.assumed_sigma_mm}
        assumed = check_moving(body, replace(bare, shapes=(evidence.assumed,), terms=terms), by_cause=False)
        rows += _joining(assumed, row, evidence, solids)
    boxes = _swept_boxes(body)
    box = np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])
    row = with_unseen(worse_of(rows), _swept_unseen(body, bare, evidence, boxes), box)
    return with_side(row, solids, evidence, bare.contacts, moving=True)


def _taped(terms: Terms, reading: Measured) -> Terms:
    """The uncertainty beside metal that was taped: the tape's instead of the scan's and its alignment's."""
    kept = {name: sigma for name, sigma in terms.items() if name not in ("scan", "alignment")}
    return {**kept, f"{reading.name} taped": reading.tape_mm}


def _cuttable(contacts: tuple[Contact, ...], solid: Solid) -> tuple[Contact, ...]:
    """The declared places that can be cut out of taped metal: none of a ball or a rod, which is then judged whole."""
    return () if solid.radius_mm > 0.0 else contacts


def _told(taped: Clearance, measured: Clearance, reading: Measured) -> list[Clearance]:
    """The row against taped metal under the pair's own names; none where it is farther and passes."""
    far = measured.distance_mm if measured.distance_mm is not None else np.inf
    nearer = taped.distance_mm is not None and taped.distance_mm < far
    if taped.verdict is Verdict.PASS and not nearer:
        return []
    between = measured.between
    where = f"; the metal is {reading.name}, taped since the scan"
    return [replace(taped, between=between, reason=taped.reason + where, settle=measured.settle)]


def _joining(assumed: Clearance, measured: Clearance, evidence: Evidence, part: Sequence[Solid]) -> list[Clearance]:
    """The row against mirrored metal, where the answer rests on it: nearest, or on that side, or itself no PASS."""
    sign = 1.0 if evidence.assumed_side == "right" else -1.0
    reaches = max(float((sign * solid.extents()[:, 1]).max()) for solid in part) > 0.0
    far, near = measured.distance_mm, assumed.distance_mm
    nearest = far is None or near is None or near <= far + 2.0 * evidence.assumed_sigma_mm
    doubtful = assumed.verdict is not Verdict.PASS and near is not None and near <= SCAN_REACH_MM
    return [on_assumed(assumed, evidence.assumed_side)] if reaches or nearest or doubtful else []


def _whole_box(part: Sequence[Solid]) -> Floats:
    boxes = np.array([solid.extents() for solid in part])
    return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])


def _swept_boxes(body: MovingBody) -> Floats:
    """The box (n, 2, 3) of all that each piece sweeps."""
    low, high = body.space.low[None], body.space.high[None]
    return np.array([piece.hulls(low, high).boxes()[0] for piece in body.pieces])


def _swept_unseen(body: MovingBody, pair: MovingPair, evidence: Evidence, boxes: Floats) -> Nearest | None:
    """The nearest place not seen over the whole motion; None where none is near what the body sweeps."""
    reach = pair.chosen.rule.must_mm + pair.guard_mm + SWEPT_REACH_MM
    near = [p for p in evidence.unseen if box_gaps(boxes[:, 0], boxes[:, 1], *p.solid.extents()).min() <= reach]
    found = [_nearest_over_motion(body, pair, place) for place in near]
    return min((one for one in found if one is not None), key=lambda one: one.at_least_mm, default=None)


def _nearest_over_motion(body: MovingBody, pair: MovingPair, place: UnseenPlace) -> Nearest | None:
    row = check_moving(body, replace(pair, shapes=(place.solid,), contacts=()), by_cause=False)
    if row.distance_mm is None or row.at_least_mm is None or row.points_mm is None:
        return None
    inside = row.contact in ("overlap", "unknown")
    distance = 0.0 if inside else max(0.0, row.distance_mm)
    points = np.array([row.points_mm[1], row.points_mm[0]])
    return Nearest(place, distance, 0.0 if inside else row.at_least_mm, points)
