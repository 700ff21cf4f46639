"""The guard of a pair: 2·√(Σ u²) over the uncertainties that apply to it (k = 2).

Which apply: where a part stands against the scan, the scan's own noise, its alignment and
the part's fabrication; against a moving body also the taped joints and the motion model;
between two parts the fabrication of both, since they are placed in the same frame. A part
whose place was taped brings that instead of a fabrication.
"""

from __future__ import annotations

import math

from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import Part, Uncertainties

Terms = dict[str, float]


def guard_mm(terms: Terms) -> float:
    """The expanded uncertainty (k = 2) of named one-sigma terms in mm; of none: 0."""
    return 2.0 * math.sqrt(sum(sigma**2 for sigma in terms.values()))


def part_terms(part: Part, uncertainties: Uncertainties) -> Terms:
    """What a part's own place and size are uncertain by."""
    if part.taped_sigma_mm > 0.0:
        return {f"{part.name} taped": part.taped_sigma_mm}
    size = uncertainties.fabrication if part.size_sigma_mm is None else part.size_sigma_mm
    return {f"{part.name} fabrication": size}


def scan_terms(uncertainties: Uncertainties) -> Terms:
    """What scanned metal is uncertain by, in the vehicle frame."""
    return {"scan": uncertainties.scan, "alignment": uncertainties.alignment}


def moving_terms(body: MovingBody, uncertainties: Uncertainties) -> Terms:
    """What a moving body brings: its taped joints, its motion model, and the frame they stand in."""
    terms = scan_terms(uncertainties)
    if body.taped:
        terms[f"{body.name} taped joint"] = uncertainties.taped_joint
    terms[f"{body.name} motion"] = uncertainties.motion
    return terms
