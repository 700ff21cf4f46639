"""How high does it stand over the ground, and over what does it pass?

Belly: least height of a sprung point between the axles and between the tyres' inner
faces. Approach and departure: least angle of the planes tangent to the statically loaded
tyres and touching a sprung point outside the axle. Breakover: least sum of the front and
the rear tangent angle over all sprung points between the axles. Sprung are the scan's metal
and the parts that are not marked otherwise; moving bodies, tyres, axles, keep-outs and
people's room are not. Tyres and axles must have been cut out of the scan.

Everything is taken over the tilted floor of the load state: heights are perpendicular to
it (under pitch the vertical difference in vehicle coordinates is larger, by 1/cos), and
distances run along it. Under an axle stand its carried solids between its tyres; they move
with the tyres only. A figure without a scan, an axle or a point is None.

Source of the angles' definitions: ISO 612; Directive 92/53/EEC, Annex II A, 4.5.1 to 4.5.4.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.underside import Found, Measure, Wheel, Zone, least_of, least_of_solid, least_of_surface, reaches
from fitcheck.geometry.solids import Solid, capsule
from fitcheck.geometry.surface import TiledSurface
from fitcheck.geometry.tangents import arc_height_mm
from fitcheck.result import Ground, Owned
from fitcheck.vehicle.masses import ledger, states_of
from fitcheck.vehicle.motion import Block
from fitcheck.vehicle.scene import SCAN, Axle, Scene, ShaftPart
from fitcheck.vehicle.stance import AxleStance, Stance, bump_left_mm, stance

Floats = NDArray[np.float64]

FIGURES = ("belly", "approach", "departure", "breakover")
"""Figures of the sprung underside, as named in :class:`fitcheck.result.Ground`."""

STEEPEST_DEG = {"approach": 90.0, "departure": 90.0, "breakover": 180.0}
"""A plane steeper than a wall limits nothing: angles are cut there."""

_NOT_LOW = frozenset({"keep_out", "occupant", "tyre", "brake_line", "coolant", "hv_cable", "lv"})
_NOT_BODY = frozenset({"keep_out", "occupant", "tyre", "axle"})


def check_ground(scene: Scene) -> dict[str, Ground]:
    """Heights and angles in every load state; all None where the ground is not known."""
    found = {}
    for state in states_of(scene):
        book = ledger(scene, state)
        found[state.name] = NO_GROUND if book is None else ground_in(scene, stance(book))
    return found


NO_GROUND = Ground(
    belly_mm=None,
    belly_owner=None,
    under_axle_mm={"front": None, "rear": None},
    approach_deg=None,
    departure_deg=None,
    breakover_deg=None,
    owners={name: Owned(None) for name in (*FIGURES, "under_front_axle", "under_rear_axle")},
    bump_left_mm={"front": None, "rear": None},
    floor_z_mm={},
)
"""The answer where an axle or the scales' readings are missing."""


def ground_in(scene: Scene, stood: Stance) -> Ground:
    """Heights and angles with the vehicle standing as given."""
    owners = {figure: lowest_owner(scene, figure, stood) for figure in FIGURES}
    owners |= {f"under_{axle}_axle": under_axle(scene, stood, axle) for axle in ("front", "rear")}
    return Ground(
        belly_mm=owners["belly"].value,
        belly_owner=owners["belly"].owner,
        under_axle_mm={axle: owners[f"under_{axle}_axle"].value for axle in ("front", "rear")},
        approach_deg=owners["approach"].value,
        departure_deg=owners["departure"].value,
        breakover_deg=owners["breakover"].value,
        owners=owners,
        bump_left_mm=bump_left_mm(scene, stood),
        floor_z_mm={"front": stood.front.body_drop_mm, "rear": stood.rear.body_drop_mm},
    )


def measure_of(scene: Scene, figure: str, stood: Stance) -> Measure:
    """What is least in the figure, and where to look for it."""
    front, rear = _wheel(stood, stood.front, -1.0), _wheel(stood, stood.rear, 1.0)
    if figure == "approach":
        return Measure(stood, Zone(s_high=front.s_mm), (front,))
    if figure == "departure":
        return Measure(stood, Zone(s_low=rear.s_mm), (rear,))
    if figure == "breakover":
        inward = (_wheel(stood, stood.front, 1.0), _wheel(stood, stood.rear, -1.0))
        return Measure(stood, Zone(front.s_mm, rear.s_mm), inward)
    half = min(_inner_face_mm(axle) for axle in scene.axles.values())
    return Measure(stood, Zone(front.s_mm, rear.s_mm, half))


def _wheel(stood: Stance, axle: AxleStance, outward: float) -> Wheel:
    return Wheel(stood.hub_s_mm(axle), axle.loaded_mm, outward)


def _inner_face_mm(axle: Axle) -> float:
    """|y| of the inner faces of an axle's tyres."""
    return axle.track_mm / 2.0 - axle.tyre.width_mm / 2.0


def lowest_owner(scene: Scene, figure: str, stood: Stance) -> Owned:
    """Value, owner and point of one figure, and the next owner; the whole scan is one owner.

    No scan, an empty one, or nothing at all in the figure's zone: None.
    """
    metal = _metal(scene)
    if metal is None:
        return Owned(None)
    measure = measure_of(scene, figure, stood)
    found = {SCAN: least_of_surface(metal, measure)}
    for name, solids in _sprung_bodies(scene):
        found[name] = least_of([found.get(name), *(least_of_solid(solid, measure) for solid in solids)])
    return _owned(found, STEEPEST_DEG.get(figure, math.inf))


def scan_speaks(scene: Scene, figure: str, stood: Stance) -> bool:
    """Whether the scan holds any metal where the figure is measured: without it the figure is the parts' alone."""
    metal = _metal(scene)
    return metal is not None and reaches(metal, measure_of(scene, figure, stood))


def _metal(scene: Scene) -> TiledSurface | None:
    if scene.scan is None or scene.scan.metal.triangle_count == 0:
        return None
    return scene.scan.metal


def _sprung_bodies(scene: Scene) -> list[tuple[str, tuple[Solid, ...]]]:
    bodies = [(p.name, p.solids) for p in scene.parts if p.sprung and p.part_class not in _NOT_BODY and p.solids]
    fixed = [shaft for shaft in scene.shafts if not (shaft.end_on or shaft.start_on)]
    return bodies + [(shaft.name, _fixed_shaft(shaft)) for shaft in fixed]


def _fixed_shaft(shaft: ShaftPart) -> tuple[Solid, ...]:
    """A shaft between two joints on the body: its tube, and its yokes where they are given."""
    start, end = np.asarray(shaft.start_mm), np.asarray(shaft.end_mm)
    solids = [capsule(start, end, shaft.diameter_mm / 2.0)]
    if shaft.yoke_diameter_mm and shaft.yoke_length_mm:
        along = (end - start) / np.linalg.norm(end - start) * shaft.yoke_length_mm
        solids += [capsule(start, start + along, shaft.yoke_diameter_mm / 2.0)]
        solids += [capsule(end - along, end, shaft.yoke_diameter_mm / 2.0)]
    return tuple(solids)


def _owned(found: dict[str, Found | None], steepest: float = math.inf) -> Owned:
    """The least of the owners' figures, and the second."""
    ranked = sorted(((item.value, name) for name, item in found.items() if item is not None))
    if not ranked:
        return Owned(None)
    value, owner = ranked[0]
    least = found[owner]
    if value >= steepest or least is None:
        return Owned(steepest)
    point = (float(least.point[0]), float(least.point[1]), float(least.point[2]))
    if len(ranked) == 1:
        return Owned(value, owner, point)
    return Owned(value, owner, point, ranked[1][1], min(ranked[1][0], steepest))


def under_axle(scene: Scene, stood: Stance, name: str) -> Owned:
    """Lowest point of what an axle's mechanism carries between its tyres, over the ground.

    The axle stands on its tyres: its height on scan day less what the tyres gave since.
    A carried solid that lies beyond the tyres' inner faces is a wheel and is left out.
    """
    axle = scene.axles.get(name)
    mechanisms = (
        [] if axle is None else [scene.mechanisms[word] for word in axle.mechanisms if word in scene.mechanisms]
    )
    if axle is None or not mechanisms:
        return Owned(None)
    half = _inner_face_mm(axle)
    lift = stood.front.tyre_mm if name == "front" else stood.rear.tyre_mm
    measure = Measure(_level(stood, lift), Zone(half_width=half))
    found: dict[str, Found | None] = {}
    for owner, solid in _carried(scene, mechanisms):
        if abs(float(solid.extents()[:, 1].mean())) < half:
            found[owner] = least_of([found.get(owner), least_of_solid(solid, measure)])
    return _owned(found)


def _carried(scene: Scene, mechanisms: list[Block]) -> list[tuple[str, Solid]]:
    """What belongs to an axle, and the parts that ride on it."""
    names = {mechanism.name for mechanism in mechanisms}
    found = [piece for mechanism in mechanisms for piece in mechanism.carries]
    riders = {body.name for body in scene.moving if names & set(body.rides_on)}
    riding = [part for part in scene.parts if part.name in riders and part.part_class not in _NOT_LOW]
    return found + [(part.name, solid) for part in riding for solid in part.solids]


def _level(stood: Stance, floor_z_mm: float) -> Stance:
    """A level floor at one height in vehicle coordinates."""
    front = AxleStance(stood.front.x_mm, stood.front.scan_hub_z_mm, 0.0, floor_z_mm, 0.0)
    return Stance(front, AxleStance(stood.rear.x_mm, stood.rear.scan_hub_z_mm, 0.0, floor_z_mm, 0.0))


def arc_under_axle_mm(scene: Scene, ground: Ground, name: str) -> float | None:
    """Ground clearance under an axle in the sense of Directive 92/53/EEC, Annex II A, 4.5.5, at its lowest point.

    The plain height is what ``under_axle_mm`` holds; the arc through both tyre footprints
    gives more where that point lies off the middle. None where the height is None or not positive.
    """
    owned = ground.owners[f"under_{name}_axle"]
    if owned.value is None or owned.point_mm is None or owned.value <= 0.0:
        return None
    return arc_height_mm(scene.axles[name].track_mm, owned.point_mm[1], owned.value)
