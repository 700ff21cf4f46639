"""The ledger and what is aboard: weights, load states, axles."""

from __future__ import annotations

from fitcheck.layout import vehicle_entries as typed
from fitcheck.layout.load import Layout
from fitcheck.layout.quantities import Spread, Weighed
from fitcheck.vehicle.scene import (
    Axle,
    CornerWeights,
    LoadState,
    PointMass,
    Quantity,
    RaisedAxle,
    Tyre,
    Vector,
    Weights,
)

MASS_WITHIN = Spread(share=0.03)
"""One sigma of a mass without ``within``: like a part maker's figure (trade practice)."""

SCALE_WITHIN = Spread(kg=1.0)
"""One sigma of a reading of the scales."""

CG_WITHIN_MM = 20.0
"""One sigma of a centre of gravity, each axis: like a bought unit (trade practice)."""

CG_HEIGHT_WITHIN_MM = 15.0
"""One sigma of a typed height of the centre of gravity: what a raised-axle weighing reaches."""


def quantity(weighed: Weighed, within: Spread) -> Quantity:
    """A mass with its sigma; its own ``within`` wins over the one around it."""
    return Quantity(weighed.kg, (weighed.within or within).of(weighed.kg))


def point_mass(
    name: str, weighed: Weighed, cg: Vector, *, within: Spread | None = None, cg_within: float | None = None
) -> PointMass:
    """A mass at a place, with the default spreads where none are typed."""
    return PointMass(
        name, quantity(weighed, within or MASS_WITHIN), cg, CG_WITHIN_MM if cg_within is None else cg_within
    )


def _masses(entries: dict[str, typed.MassEntry]) -> tuple[PointMass, ...]:
    return tuple(
        point_mass(name, entry.mass, entry.cg, within=entry.within, cg_within=entry.cg_within)
        for name, entry in entries.items()
    )


def build_weights(layout: Layout) -> Weights | None:
    """The ledger; both what was weighed and is gone, and what is cut out of the scan, comes off."""
    entry = layout.entries.weights
    if entry is None:
        return None
    within = entry.within or SCALE_WITHIN
    corners = entry.as_weighed
    height = None if entry.cg_height is None else Quantity(entry.cg_height, CG_HEIGHT_WITHIN_MM)
    return Weights(
        as_weighed=CornerWeights(
            quantity(corners.front_left, within),
            quantity(corners.front_right, within),
            quantity(corners.rear_left, within),
            quantity(corners.rear_right, within),
        ),
        raised=_raised(entry.raised, within),
        cg_height_mm=height,
        removed=_masses(entry.removed) + _off_the_scan(layout) + _moved(layout, after=False),
        added=_masses(entry.added) + _moved(layout, after=True),
        gross_rating_kg=entry.gross_rating,
    )


def _raised(entry: typed.Raised | None, within: Spread) -> RaisedAxle | None:
    return None if entry is None else RaisedAxle(entry.axle, entry.by, quantity(entry.other_axle_gains, within))


def _off_the_scan(layout: Layout) -> tuple[PointMass, ...]:
    """What is cut out of the scan and does not stay on the vehicle."""
    removals = layout.entries.scan.remove if layout.entries.scan is not None else {}
    return tuple(
        point_mass(name, entry.mass, entry.cg, within=entry.within, cg_within=entry.cg_within)
        for name, entry in removals.items()
        if entry.mass is not None and entry.cg is not None
    )


def _moved(layout: Layout, *, after: bool) -> tuple[PointMass, ...]:
    """What ``scan.move`` shifts, where its mass was before or is after; the same mass leaves and comes."""
    moves = layout.entries.scan.move if layout.entries.scan is not None else {}
    found = []
    for name, entry in moves.items():
        if entry.mass is not None and entry.cg is not None:
            by = entry.by if after else (0.0, 0.0, 0.0)
            cg = (entry.cg[0] + by[0], entry.cg[1] + by[1], entry.cg[2] + by[2])
            found.append(point_mass(name, entry.mass, cg, within=entry.within, cg_within=entry.cg_within))
    return tuple(found)


def build_load_states(layout: Layout) -> tuple[LoadState, ...]:
    """As declared; where none is, the vehicle as it stands ("kerb")."""
    states = tuple(LoadState(name, _masses(aboard)) for name, aboard in layout.entries.load_states.items())
    return states or (LoadState("kerb"),)


def build_axles(layout: Layout) -> dict[str, Axle]:
    """ "front" and "rear"; {} where none are declared."""
    axles = layout.entries.axles
    if axles is None:
        return {}
    return {name: _axle(name, entry) for name, entry in (("front", axles.front), ("rear", axles.rear))}


def _axle(name: str, entry: typed.Axle) -> Axle:
    return Axle(
        name=name,
        x_mm=entry.at,
        track_mm=entry.track,
        rating_kg=entry.rating,
        wheel_rate_n_mm=entry.wheel_rate,
        tyre=Tyre(entry.tyre.radius, entry.tyre.width, entry.tyre.rate),
        hub_z_mm=entry.hub,
        unsprung_kg=entry.unsprung,
        mechanisms=entry.mechanism,
    )
