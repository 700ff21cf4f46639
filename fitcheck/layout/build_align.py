"""The ``scan.align`` entry → marks, pairs and floor patches of the scan with what is known of them."""

from __future__ import annotations

from dataclasses import dataclass

from fitcheck.layout.align_entries import Align
from fitcheck.layout.load import Layout
from fitcheck.scan import spec

_AT = ("scan", "align")


@dataclass(frozen=True)
class Datums:
    """What lays a scan into the vehicle frame; all empty where it is taken as scanned."""

    targets: tuple[spec.Target, ...] = ()
    pairs: tuple[spec.SymmetricPair, ...] = ()
    floor: tuple[spec.FloorPatch, ...] = ()
    rearward: spec.Rearward | None = None


def build_datums(layout: Layout, align: Align | None) -> Datums:
    """Everything that was typed, each with the line it stands on."""
    if align is None:
        return Datums()
    return Datums(
        (*_targets(layout, align), *_ground(layout, align), *_stations(layout, align), *_hubs(layout, align)),
        _pairs(layout, align),
        tuple(
            spec.FloorPatch(patch.at, patch.radius, _origin(layout, "floor", index))
            for index, patch in enumerate(align.floor)
        ),
        None
        if align.rearward is None
        else spec.Rearward(align.rearward.front, align.rearward.rear, _origin(layout, "rearward")),
    )


def _origin(layout: Layout, *path: str | int) -> str:
    """file:line of the entry, or of the nearest one around it: a list's form may leave steps out."""
    for length in range(len(path), -1, -1):
        found = layout.origin(*_AT, *path[:length])
        if found:
            return found
    return ""


def _targets(layout: Layout, align: Align) -> list[spec.Target]:
    return [
        spec.Target(name, entry.scan, entry.vehicle, _origin(layout, "targets", name), tape_mm=entry.tape)
        for name, entry in align.targets.items()
    ]


def _ground(layout: Layout, align: Align) -> list[spec.Target]:
    if align.ground is None:
        return []
    typed = layout.typed.get(*_AT, "ground", "points")
    path = ("ground",) if typed is None else ("ground", "points")
    height = align.ground.height
    return [
        spec.Target(f"ground {index + 1}", point, (None, None, height), _origin(layout, *path, index), "ground")
        for index, point in enumerate(align.ground.points)
    ]


def _stations(layout: Layout, align: Align) -> list[spec.Target]:
    alone = len(align.station) == 1
    return [
        spec.Target(
            "station" if alone else f"station {index + 1}",
            station.scan,
            (station.x, None, None),
            _origin(layout, "station", index),
            "station",
        )
        for index, station in enumerate(align.station)
    ]


def _hubs(layout: Layout, align: Align) -> list[spec.Target]:
    found = []
    for name in spec.HUBS if align.hubs is not None else ():
        hub = getattr(align.hubs, name)
        if hub is not None:
            place = (None, None, hub.height)
            found.append(spec.Target(f"hub {name}", hub.scan, place, _origin(layout, "hubs", name), "hub"))
    return found


def _pairs(layout: Layout, align: Align) -> tuple[spec.SymmetricPair, ...]:
    typed = layout.typed.get(*_AT, "centre")
    listed = typed is not None and bool(typed.members())
    return tuple(
        spec.SymmetricPair(
            f"pair {int(name) + 1}" if listed else name, pair.left, pair.right, _origin(layout, "centre", name)
        )
        for name, pair in align.centre.items()
    )
