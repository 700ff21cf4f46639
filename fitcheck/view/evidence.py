"""What stands beside the scan: places measured by hand, metal that is assumed, and the legend of their looks."""

from __future__ import annotations

from typing import Any

from fitcheck.checks.evidence import EMPTY, METAL
from fitcheck.geometry.skin import skin
from fitcheck.report.wording import clean, number, short_name
from fitcheck.vehicle.regions import region_solid
from fitcheck.vehicle.scene import Measured, ScanLayers
from fitcheck.view import clouds, colours, hatching, lettering, shapes

_ASSUMED_TRIANGLES = 120_000
_CLEAR = 0.16
_LEFT, _RIGHT, _TOP, _STEP, _HEIGHT = 0.012, 0.034, 0.86, 0.032, 0.022


def measured_actors(place: Measured, camera: Any) -> tuple[Any, list[Any]]:
    """A measured place: metal is solid with level lines of ink, empty is clear with a rim. The first can be picked."""
    shown = skin(region_solid(place.region), 40.0 if place.region.kind in ("sphere", "capsule") else float("inf"))
    mesh = shapes.polydata(shown.points_mm, shown.faces)
    outline = shapes.outline_actor(mesh, camera, colours.INK, width=1.8, on_top=False)
    if place.what == EMPTY:
        clear = shapes.surface_actor(mesh, colours.UNSEEN, see_through=_CLEAR)
        clear.SetPickable(False)
        return clear, [outline]
    solid = shapes.surface_actor(mesh, colours.MEASURED)
    solid.SetPickable(False)
    return solid, [hatching.hatch_actor(mesh, hatching.LEVEL, share=0.55), outline]


def measured_words(place: Measured) -> str:
    """What a click on a measured place says."""
    note = f", {clean(place.note)}" if place.note else ""
    return f"measured: {short_name(place.name, 40)}: {place.what}, ± {number(place.tape_mm)} mm{note}"


def assumed_actors(scan: ScanLayers) -> tuple[Any, list[Any]] | None:
    """Assumed metal: paler than what was scanned, with dots of ink; None without any."""
    if scan.assumed is None or scan.assumed.triangle_count == 0:
        return None
    reduced = clouds.for_the_eye(scan.assumed, _ASSUMED_TRIANGLES, cloud=scan.cloud)
    mesh = clouds.mesh_of(reduced, cloud=scan.cloud)
    surface = shapes.surface_actor(mesh, colours.ASSUMED)
    return surface, [] if scan.cloud else [hatching.hatch_actor(mesh, hatching.DOTTED, share=0.7)]


def legend_actors(scan: ScanLayers | None) -> list[Any]:
    """A patch and words for each look that is in the view beside scanned metal; nothing where there is none."""
    actors: list[Any] = []
    for number_, (words, fill, pattern) in enumerate(_entries(scan) if scan is not None else []):
        top = _TOP - _STEP * number_
        actors += hatching.swatch_actors((_LEFT, top - _HEIGHT), (_RIGHT, top), pattern, fill)
        text = lettering.label(words, 12, colours.INK, panel=colours.BACKGROUND)
        actors.append(lettering.at_share(text, _RIGHT + 0.006, top - _HEIGHT / 2.0, up=lettering.MIDDLE))
    return actors


def _entries(scan: ScanLayers) -> list[tuple[str, str, str | None]]:
    entries: list[tuple[str, str, str | None]] = []
    if scan.unseen:
        entries.append(("not seen: metal or air; nothing passes near it", colours.UNSEEN, hatching.SLANTED))
    if scan.assumed is not None and scan.assumed.triangle_count:
        entries.append(("metal assumed, not scanned; nothing passes by it", colours.ASSUMED, hatching.DOTTED))
    found = {place.what for place in scan.measured}
    if METAL in found:
        entries.append(("measured by hand: metal", colours.MEASURED, hatching.LEVEL))
    if EMPTY in found:
        entries.append(("measured by hand: empty", colours.BACKGROUND, None))
    return entries
