"""The guard of a pair: 2·√(Σ u²) over the uncertainties that apply to it (k = 2).

Which apply: where a part stands against the scan, the scan's own noise, its alignment and
the part's fabrication; against a moving body also the taped joints and the motion model (between
two moving bodies those of both, and no scan);
between two parts the fabrication of both, since they are placed in the same frame. A part
whose place was taped brings that instead of a fabrication.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.solids import Solid
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Part, ScanLayers, Scene, Uncertainties

Floats = NDArray[np.float64]
Terms = dict[str, float]

USUAL_ALIGNMENT_MM = 0.8
"""One sigma of an alignment of which nothing is known (judgement)."""


def guard_mm(terms: Terms) -> float:
    """The expanded uncertainty (k = 2) of named one-sigma terms in mm; of none: 0."""
    return 2.0 * math.sqrt(sum(sigma**2 for sigma in terms.values()))


def part_terms(part: Part, uncertainties: Uncertainties) -> Terms:
    """What a part's own place and size are uncertain by."""
    if part.taped_sigma_mm > 0.0:
        return {f"{part.name} taped": part.taped_sigma_mm}
    size = uncertainties.fabrication if part.size_sigma_mm is None else part.size_sigma_mm
    return {f"{part.name} fabrication": size}


NEAR_POINTS_MM = 50.0
"""Points of a cloud this near to a thing's box say how fine the cloud is beside it."""

MOST_COVERED = 99.0
"""Percentile: of the spacings beside a thing the widest few are lone points, not surface (judgement)."""


def alignment_sigma_mm(scene: Scene, places: Floats) -> float:
    """One sigma of where the scan's alignment puts a thing: as typed, else the worst over (n, 3) places of it.

    Without targets a usual figure stands in. It grows with the lever arm from the middle of the targets.
    """
    if scene.uncertainties.alignment is not None:
        return scene.uncertainties.alignment
    certainty = None if scene.scan is None else scene.scan.certainty
    if certainty is None or len(places) == 0:
        return USUAL_ALIGNMENT_MM
    return max(certainty.sigma_mm(place) for place in places)


def scan_terms(scene: Scene, places: Floats) -> Terms:
    """What scanned metal is uncertain by in the vehicle frame, beside a thing whose box has these corners (n, 3)."""
    terms = {"scan": scene.uncertainties.scan, "alignment": alignment_sigma_mm(scene, places)}
    cloud = scene.scan is not None and scene.scan.cover_mm is not None
    return {**terms, **_between_points(scene.scan, places)} if cloud and scene.scan is not None else terms


def _between_points(scan: ScanLayers, places: Floats) -> Terms:
    """How far the surface beside a thing may be from the points of a cloud: all of it, as k = 2."""
    covers = np.asarray(scan.cover_mm)
    if len(places):
        low, high = places.min(axis=0) - NEAR_POINTS_MM, places.max(axis=0) + NEAR_POINTS_MM
        points = np.asarray(scan.metal.vertices)
        near = ((points >= low) & (points <= high)).all(axis=1)
        covers = covers[near] if near.any() else covers
    return {"between points": float(np.percentile(covers, MOST_COVERED)) / 2.0}


def moving_terms(body: MovingBody, scene: Scene) -> Terms:
    """What a moving body brings: its taped joints, its motion model, and the frame they stand in."""
    frame = scan_terms(scene, box_corners(body.solids(body.space.scan_pose)))
    return {**frame, **own_terms(body, scene)}


def own_terms(body: MovingBody, scene: Scene) -> Terms:
    """The same without the frame: between two moving bodies, both taped in it, the scan has no say."""
    part = next((part for part in scene.parts if part.name == body.name), None)
    terms = {} if part is None else part_terms(part, scene.uncertainties)
    if body.taped:
        terms[f"{body.name} taped joint"] = scene.uncertainties.taped_joint
    terms[f"{body.name} motion"] = scene.uncertainties.motion
    return terms


def box_corners(things: Sequence[Solid]) -> Floats:
    """The corners (8, 3) of the box round several solids; of none: none."""
    if not things:
        return np.empty((0, 3))
    boxes = np.array([solid.extents() for solid in things])
    low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    return np.array(list(itertools.product(*zip(low, high, strict=True))))
