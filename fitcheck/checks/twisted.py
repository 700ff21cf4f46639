"""A frame that twists: seen from a thing that is fixed at one station, only the twist between the stations counts.

All that stands on the frame turns about one line along the vehicle, each by its own station. Turns about one line
add up, so the twist of a body against a thing is the twist of the stretch of frame between them: exactly.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.clearance import judge, undecided
from fitcheck.checks.pairs import StillPair
from fitcheck.checks.stretches import EVERYTHING
from fitcheck.checks.swept import MovingPair, check_moving
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance
from fitcheck.vehicle.chains import Chain, Law
from fitcheck.vehicle.mounts import twist_at
from fitcheck.vehicle.moving import MOST_FACETS, MovingBody, carried_body
from fitcheck.vehicle.scene import FrameTwist, Part

_HARDLY_MM = 0.05
"""Two parts that the twist moves less than this against each other are judged as scanned."""


def beside(body: MovingBody, shapes: Sequence[Shape], twist: FrameTwist | None) -> MovingBody:
    """The body as a still thing sees it over the twist.

    The station of a thing is the middle of its extents; the scan's is the body's own: metal beside it twists with it.
    """
    if twist is None:
        return body
    low, high = _extents(_solids(shapes) or body.solids(body.space.scan_pose))
    station = float(low[0] + high[0]) / 2.0
    gain = (station - twist.from_x_mm) / twist.between_mm
    pieces = tuple(_less(piece, f"{twist.name}.twist", gain) for piece in body.pieces)
    shapes_of_it = tuple(_less(piece, f"{twist.name}.twist", gain) for piece in body.shapes)
    return dataclasses.replace(body, pieces=pieces, shapes=shapes_of_it)


def twist_move_mm(part: Part, other: Part, twist: FrameTwist | None) -> float:
    """How far the twist moves any point of one part against another one on the same frame, at most."""
    if twist is None:
        return 0.0
    low, high = _extents(part.solids)
    most = np.maximum(np.abs(low), np.abs(high))
    radius = math.hypot(most[1], max(abs(low[2] - twist.height_z_mm), abs(high[2] - twist.height_z_mm)))
    return float(abs(_gain(part, other, twist)) * math.radians(twist.half_deg) * radius)


def _gain(part: Part, other: Part, twist: FrameTwist) -> float:
    """The share of the frame's twist that lies between the middles of two parts."""
    (low, high), (other_low, other_high) = (_extents(one.solids) for one in (part, other))
    return float((low + high - other_low - other_high)[0]) / 2.0 / twist.between_mm


def under_way(pair: StillPair, part: Part, other: Part, twist: FrameTwist | None) -> StillPair:
    """A pair of parts on one frame with what its twist does to them; as it is where they hardly move.

    What touches the other where that is declared is fastened to it, and not asked here.
    """
    move_mm = twist_move_mm(part, other, twist)
    if twist is None or pair.contacts or move_mm < _HARDLY_MM:
        return pair
    if sum(1 if solid.convex else len(solid.faces) for solid in part.solids) > MOST_FACETS:
        return replace(pair, twist_mm=move_mm)
    place = (twist.half_deg, twist.between_mm, twist.from_x_mm, twist.height_z_mm)
    station = twist.from_x_mm + _gain(part, other, twist) * twist.between_mm
    return replace(pair, twisted=carried_body(part, twist_at(twist.name, station, *place), (twist.name,)))


def under_twist(row: Clearance, pair: StillPair) -> Clearance:
    """The row of two parts on the frame, also over its twist; as it is where they meet already as scanned."""
    if row.distance_mm is None or row.depth_mm is not None or row.contact == "inside":
        return row
    if pair.twisted is None:
        return _less_twist(row, pair) if pair.twist_mm else row
    swept = check_moving(pair.twisted, MovingPair(pair.between, pair.other, pair.chosen, pair.terms))
    points = None if swept.points_mm is None else swept.points_mm[::-1]  # the part first, as in ``between``
    causes = tuple(cause for cause in swept.causes if cause.name != EVERYTHING)
    return replace(swept, between=pair.between, points_mm=points, static_mm=row.static_mm, causes=causes)


def _less_twist(row: Clearance, pair: StillPair) -> Clearance:
    """The row of a mesh of too many triangles to be swept: all that the twist can move it is taken off the bound."""
    found = row.distance_mm or 0.0
    bound = max(found - pair.twist_mm, 0.0)
    judgement = judge(found, bound, pair.guard_mm, pair.chosen.rule.must_mm)
    judgement = undecided(judgement) if row.contact == "unknown" else judgement
    told = f"its mesh is too fine to be swept, so the frame's twist is taken off whole: {pair.twist_mm:.1f} mm"
    return replace(row, at_least_mm=bound, verdict=judgement.verdict, reason=f"{judgement.reason}; {told}")


def _extents(solids: Sequence[Solid]) -> NDArray[np.float64]:
    boxes = np.array([solid.extents() for solid in solids])
    return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])


def _solids(shapes: Sequence[Shape]) -> list[Solid]:
    return [shape for shape in shapes if isinstance(shape, Solid)]


def _less(thing: Any, coordinate: str, gain: float) -> Any:
    """A piece or a motion with the gain taken off wherever it turns with the twist."""
    if isinstance(thing, Chain) and thing.coordinates == (coordinate,):
        return dataclasses.replace(thing, laws=(Law((thing.laws[0].gains[0] - gain,)),))
    if not dataclasses.is_dataclass(thing) or isinstance(thing, Solid | type):
        return thing
    found = {field.name: getattr(thing, field.name) for field in dataclasses.fields(thing) if field.init}
    changed = {name: _less(value, coordinate, gain) for name, value in found.items()}
    same = all(changed[name] is value for name, value in found.items())
    return thing if same else dataclasses.replace(thing, **changed)
