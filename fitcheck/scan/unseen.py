"""All places of which a scan says nothing, how they are kept between runs, and what the tape says about them since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.cushions import less
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.scan.cloud import find_cloud_gaps
from fitcheck.scan.gaps import find_gaps, gap_places
from fitcheck.scan.spec import ScanSpec
from fitcheck.scan.visibility import SEEN, sight_grid, sight_places
from fitcheck.vehicle.regions import region_solid
from fitcheck.vehicle.scene import Measured, Region, SeenSpace, UnseenPlace

Arrays = dict[str, NDArray[Any]]

_PARTS = ("vertices", "faces", "ends")


@dataclass(frozen=True, eq=False)
class Unseen:
    """``places`` that the scan says nothing about; ``seen``: the space known to be empty, None where it was not
    said from where the scanner looked; ``notes``: what was left out."""

    places: tuple[UnseenPlace, ...]
    seen: SeenSpace | None
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class ScanDay:
    """What stood in the way of the scanner: ``still`` is the metal that nobody moved since, ``gone`` all that was
    removed, or moved, where it stood then."""

    still: TiledSurface
    gone: dict[str, TiledSurface]


def find_unseen(
    metal: TiledSurface, scan_day: ScanDay, spec: ScanSpec, cloud_spacing_mm: float | None = None
) -> Unseen:
    """All that a scan does not show. ``cloud_spacing_mm``: the metal is a point cloud with this spacing.

    Without stations and without anything that is gone, nothing is looked for but gaps.
    """
    if cloud_spacing_mm is None:
        gaps = find_gaps(np.asarray(metal.vertices), np.asarray(metal.faces), mirrored=spec.mirror is not None)
    else:
        gaps = find_cloud_gaps(np.asarray(metal.vertices), cloud_spacing_mm)
    corners = gaps.membranes
    faces = np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
    membranes = tile_surface(corners.reshape(-1, 3), faces) if len(corners) else None
    places, notes, seen = gap_places(gaps), gaps.notes, None
    if spec.seen_from or scan_day.gone:
        grid = sight_grid(scan_day.still, scan_day.gone, spec.seen_from, membranes=membranes)
        places, notes = (*places, *sight_places(grid)), (*notes, *grid.notes)
        if spec.seen_from:
            seen = SeenSpace(grid.origin_mm, grid.cell_mm, grid.state == SEEN)
    return Unseen(places, seen, notes)


def place_arrays(places: Sequence[UnseenPlace]) -> Arrays:
    """The places' meshes as three arrays; ``ends`` (n, 2): where each one's vertices and faces end."""
    meshes = [place.solid for place in places]
    ends = np.cumsum([[len(mesh.vertices), len(mesh.faces)] for mesh in meshes], axis=0) if meshes else np.empty((0, 2))
    return {
        "unseen.vertices": np.concatenate([np.empty((0, 3)), *(mesh.vertices for mesh in meshes)]),
        "unseen.faces": np.concatenate([np.empty((0, 3), np.int32), *(mesh.faces for mesh in meshes)]).astype(np.int32),
        "unseen.ends": np.asarray(ends, dtype=np.int64),
    }


def place_facts(places: Sequence[UnseenPlace]) -> list[list[Any]]:
    """What of the places is no array, as JSON."""
    return [[p.name, p.kind, p.why, p.solid.radius_mm, p.solid.convex] for p in places]


def places_from(arrays: Arrays, facts: Sequence[Sequence[Any]]) -> tuple[UnseenPlace, ...]:
    """The places that were stored by :func:`place_arrays` and :func:`place_facts`."""
    vertices, faces, ends = (arrays[f"unseen.{part}"] for part in _PARTS)
    begins = np.concatenate([np.zeros((1, 2), np.int64), np.asarray(ends).reshape(-1, 2)])
    found = []
    for k, (name, kind, why, radius_mm, convex) in enumerate(facts):
        (v0, f0), (v1, f1) = begins[k], begins[k + 1]
        solid = Solid(np.array(vertices[v0:v1]), np.array(faces[f0:f1]), radius_mm=radius_mm, convex=convex)
        found.append(UnseenPlace(name, kind, why, solid))
    return tuple(found)


def without_measured(places: Sequence[UnseenPlace], measured: Sequence[Measured]) -> tuple[UnseenPlace, ...]:
    """The places less what was measured since, empty or metal: both are known now.

    A place that is a cloud of balls (small gaps) loses those whose middle is in a measured region.
    """
    regions = [entry.region for entry in measured]
    left = []
    for place in places:
        solid: Solid | None = place.solid
        touching = [region for region in regions if _meets(place.solid, region)]
        if touching:
            solid = _less(place.solid, touching)
        if solid is not None:
            left.append(UnseenPlace(place.name, place.kind, place.why, solid))
    return tuple(left)


def _meets(solid: Solid, region: Region) -> bool:
    (low, high), (other_low, other_high) = solid.extents(), region_solid(region).extents()
    return bool((low < other_high).all() and (high > other_low).all())


def _less(solid: Solid, regions: Sequence[Region]) -> Solid | None:
    if solid.radius_mm > 0.0:
        keep = ~np.any([region.contains(solid.vertices) for region in regions], axis=0)
        rows = np.arange(int(keep.sum()), dtype=np.int32)
        return Solid(solid.vertices[keep], np.stack([rows] * 3, axis=1), solid.radius_mm) if keep.any() else None
    return less(solid, [_mesh_of(region) for region in regions])


def _mesh_of(region: Region) -> Solid:
    """A region as a plain closed mesh: of a capsule or sphere the balls are tessellated inside the true surface."""
    solid = region_solid(region)
    if solid.radius_mm == 0.0:
        return solid
    from fitcheck.geometry.cushions import as_solid, inner_hull

    return as_solid(inner_hull(solid.vertices, solid.radius_mm))
