"""From a scan file to prepared layers in the vehicle frame, through the cache."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, ScanError
from fitcheck.geometry.meshes import file_size, read_scan
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.scan.align import AlignmentReport, align, check_above_floor
from fitcheck.scan.align_figures import FloorFit, Straightness
from fitcheck.scan.align_rigid import RigidFit
from fitcheck.scan.cache import (
    Arrays,
    Entry,
    FileHash,
    default_cache_dir,
    entry_key,
    file_stamp,
    load_entry,
    start_hashing,
    store_entry,
)
from fitcheck.scan.cloud import check_cloud, covers_of
from fitcheck.scan.mirror import split_halves
from fitcheck.scan.remove import CutScan, cut_scan
from fitcheck.scan.spec import FRAMES, ScanSpec
from fitcheck.scan.units import check_scale, check_size, unit_mm
from fitcheck.scan.unseen import ScanDay, find_unseen, place_arrays, place_facts, places_from
from fitcheck.vehicle.scene import FrameCertainty, ScanLayers, SeenSpace

Floats = NDArray[np.float64]
Progress = Callable[[str], None]

FORMAT = 16
"""Part of every cache key: raise it when preparing gives other arrays for the same file and spec."""

_SAMPLED_FACES = 20_000
_SURFACE_ARRAYS = ("vertices", "faces", "starts", "boxes")


@dataclass(frozen=True)
class PreparedScan:
    """``sha256`` is that of the scan file. ``alignment`` is None for a scan taken as scanned.
    ``cache_notes`` says why a cache could not be used; what concerns the scan is in ``layers.notes``."""

    layers: ScanLayers
    sha256: str
    alignment: AlignmentReport | None
    from_cache: bool
    cache_notes: tuple[str, ...] = ()


def prepare_scan(
    spec: ScanSpec,
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    hashing: Future[FileHash] | None = None,
) -> PreparedScan:
    """The scan of ``spec``, in mm in the vehicle frame, tiled; from the cache where it was prepared before.

    ``cache_dir`` None: the user's own cache folder. ``hashing``: what ``start_hashing(spec.file)``
    returned, when the caller began early. ``progress`` is called with the name of each step.
    Raises FileProblem, MeshError, ScanError (unit, scale, removals) and AlignmentError (targets).
    """
    tell = progress or _silent
    file_size(spec.file)  # says at once what is there instead of a file
    hashed = (hashing or start_hashing(spec.file)).result()
    folder = cache_dir or default_cache_dir()
    key = entry_key({"format": FORMAT, "file": hashed.sha256, "spec": _shaping(spec)})
    entry = load_entry(folder, key) if folder is not None else None
    if entry is not None:
        alignment = _alignment_of(entry.facts["alignment"])
        certainty = None if alignment is None else alignment.certainty
        layers = dataclasses.replace(
            _layers_of(entry), key=key, entry=folder and folder / key, certainty=certainty
        )
        return PreparedScan(layers, hashed.sha256, alignment, True)
    layers, alignment = _prepare(spec, hashed, tell)
    notes: tuple[str, ...] = ("there is no cache folder: the scan is prepared each time",)
    if folder is not None:
        tell("storing the prepared scan")
        notes = store_entry(folder, key, _arrays_of(layers), _facts_of(layers, alignment))
        layers = dataclasses.replace(layers, key=key, entry=None if notes else folder / key)
    return PreparedScan(layers, hashed.sha256, alignment, False, notes)


def _silent(step: str) -> None:
    """Progress that nobody watches."""


def _prepare(spec: ScanSpec, hashed: FileHash, tell: Progress) -> tuple[ScanLayers, AlignmentReport | None]:
    check_scale(spec)
    alignment = None if spec.floor else _align(spec)  # a mistyped target is named before a mesh is read
    tell("reading the scan")
    raw = read_scan(spec.file)
    if raw.cloud:
        check_cloud(spec)
    if file_stamp(spec.file) != hashed.stamp:
        raise FileProblem(f"{spec.file}: it changed while it was read. Run again when it is written.")
    size_notes = check_size(raw.vertices, spec)
    if spec.floor:
        alignment = _align(spec, raw.vertices)
    vertices = _to_vehicle(raw.vertices, spec, alignment)
    cloud, faces, notes = raw.cloud, raw.faces, (*raw.notes, *size_notes, *(alignment.notes if alignment else ()))
    del raw
    tell("taking off what is removed")
    cut = cut_scan(vertices, faces, removals=spec.removals, shifts=spec.shifts)
    halves = split_halves(cut.vertices, cut.faces, spec.mirror)
    tell("sorting the triangles into tiles")
    removed = {name: tile_surface(cut.vertices, part) for name, part in cut.removed.items()}
    metal = tile_surface(cut.vertices, halves.measured)
    tell("looking for what was not seen")
    covers, spacing = covers_of(np.asarray(metal.vertices)) if cloud else (None, _spacing_mm(metal))
    unseen = find_unseen(metal, _scan_day(cut, metal, removed), spec, spacing if cloud else None)
    layers = ScanLayers(
        metal,
        removed,
        spacing,
        (*notes, *cut.notes, *halves.notes, *unseen.notes),
        unseen=unseen.places,
        seen=unseen.seen,
        seen_from=spec.seen_from,
        certainty=None if alignment is None else alignment.certainty,
        assumed=halves.assumed,
        assumed_side=halves.side,
        assumed_sigma_mm=0.0 if spec.mirror is None else spec.mirror.asymmetry_mm,
        cloud=cloud,
        cover_mm=covers,
    )
    return layers, alignment


def _scan_day(cut: CutScan, metal: TiledSurface, removed: dict[str, TiledSurface]) -> ScanDay:
    if not cut.stood:
        return ScanDay(metal, removed)
    stood = {f"{name} (before its move)": tile_surface(cut.vertices, faces) for name, faces in cut.stood.items()}
    return ScanDay(tile_surface(cut.vertices, cut.still), removed | stood)


def in_vehicle_frame(vertices: Floats, spec: ScanSpec) -> Floats:
    """Vertices (n, 3) of the file → mm in the vehicle frame, as :func:`prepare_scan` lays them; nothing is cut.

    Raises ScanError and AlignmentError.
    """
    return _to_vehicle(vertices, spec, _align(spec, vertices if spec.floor else None))


def _align(spec: ScanSpec, vertices: Floats | None = None) -> AlignmentReport | None:
    if spec.frame not in FRAMES:
        raise ScanError(f"{_at(spec)}frame {spec.frame!r} is not known. Write one of: {'; '.join(FRAMES)}.")
    if not spec.aligned:
        return None
    if spec.frame != FRAMES[0]:
        raise ScanError(
            f"{_at(spec)}frame {spec.frame!r} is for a scan that already stands in vehicle axes; this one is turned "
            "by its targets. Drop the one or the other."
        )
    return align(spec, vertices)


def _to_vehicle(vertices: Floats, spec: ScanSpec, alignment: AlignmentReport | None) -> Floats:
    unit = unit_mm(spec)
    if alignment is not None:
        placed = vertices @ (unit * alignment.fit.rotation).T
        placed += alignment.fit.shift
        check_above_floor(placed)
        return placed
    # x forward, y left, z up is the same frame turned by half a turn about z (ISO 8855, ISO 4130)
    return vertices * (np.array([-unit, -unit, unit]) if spec.frame == "x forward" else unit)


def _spacing_mm(surface: TiledSurface) -> float:
    """The median edge length of faces spread evenly over the surface; 0 of none."""
    step = max(1, surface.triangle_count // _SAMPLED_FACES)
    corners = surface.triangles(np.arange(0, surface.triangle_count, step, dtype=np.int64))
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    return float(np.median(edges)) if edges.size else 0.0


def _at(spec: ScanSpec) -> str:
    return f"{spec.origin}: " if spec.origin else ""


# --- to and from the cache --------------------------------------------------------------------------------------------


def _shaping(spec: ScanSpec) -> dict[str, Any]:
    """All of the spec but where it was typed; of the file's name only its kind, as its content is hashed."""
    return {**_without_origins(dataclasses.asdict(spec)), "file": spec.file.suffix.lower()}


def _without_origins(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_origins(item) for key, item in value.items() if key != "origin"}
    if isinstance(value, (list, tuple)):
        return [_without_origins(item) for item in value]
    if isinstance(value, Path):
        return value.name
    return float(value) if isinstance(value, (int, float, np.number)) and not isinstance(value, bool) else value


def _arrays_of(layers: ScanLayers) -> Arrays:
    surfaces = {"metal": layers.metal, **{f"removed{k}": s for k, s in enumerate(layers.removed.values())}}
    surfaces |= {} if layers.assumed is None else {"assumed": layers.assumed}
    arrays = {f"{name}.{part}": getattr(s, part) for name, s in surfaces.items() for part in _SURFACE_ARRAYS}
    arrays |= {} if layers.cover_mm is None else {"cover": layers.cover_mm}
    if layers.seen is not None:
        arrays |= {"seen.frame": np.append(layers.seen.origin_mm, layers.seen.cell_mm), "seen.cells": layers.seen.seen}
    return arrays | place_arrays(layers.unseen)


def _facts_of(layers: ScanLayers, alignment: AlignmentReport | None) -> dict[str, Any]:
    return {
        "removed": list(layers.removed),
        "spacing_mm": layers.spacing_mm,
        "notes": list(layers.notes),
        "unseen": place_facts(layers.unseen),
        "seen_from": list(layers.seen_from),
        "assumed": [layers.assumed_side, layers.assumed_sigma_mm] if layers.assumed is not None else None,
        "alignment": None if alignment is None else _plain(alignment),
    }


def _layers_of(entry: Entry) -> ScanLayers:
    removed = {name: _surface_of(entry, f"removed{k}") for k, name in enumerate(entry.facts["removed"])}
    side, sigma_mm = entry.facts["assumed"] or ("", 0.0)
    return ScanLayers(
        _surface_of(entry, "metal"),
        removed,
        entry.facts["spacing_mm"],
        tuple(entry.facts["notes"]),
        seen_from=tuple(entry.facts["seen_from"]),
        seen=_seen_of(entry.arrays),
        cloud="cover" in entry.arrays,
        cover_mm=entry.arrays.get("cover"),
        unseen=places_from(entry.arrays, entry.facts["unseen"]),
        assumed=_surface_of(entry, "assumed") if side else None,
        assumed_side=side,
        assumed_sigma_mm=sigma_mm,
    )


def _seen_of(arrays: Arrays) -> SeenSpace | None:
    if "seen.cells" not in arrays:
        return None
    frame = np.array(arrays["seen.frame"])
    return SeenSpace(frame[:3], float(frame[3]), np.asarray(arrays["seen.cells"]))


def _surface_of(entry: Entry, name: str) -> TiledSurface:
    return TiledSurface(*(entry.arrays[f"{name}.{part}"] for part in _SURFACE_ARRAYS))


def _plain(value: Any) -> Any:
    """Dataclasses and arrays as JSON; numbers come back to the last bit."""
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return value.tolist()
    return list(value) if isinstance(value, tuple) else value


def _alignment_of(facts: dict[str, Any] | None) -> AlignmentReport | None:
    if facts is None:
        return None
    arrays = {name: {k: np.array(v) for k, v in facts[name].items()} for name in ("residuals_mm", "leave_one_out_mm")}
    x, y, z = facts["certainty"]["middle_mm"]
    made = {
        "fit": RigidFit(**{name: np.array(value) for name, value in facts["fit"].items()}),
        "places_mm": np.array(facts["places_mm"]),
        "certainty": FrameCertainty((x, y, z), np.array(facts["certainty"]["covariance"])),
        "notes": tuple(facts["notes"]),
        "straightness": {name: Straightness(**figures) for name, figures in facts["straightness"].items()},
        "floor": None if facts["floor"] is None else FloorFit(**facts["floor"]),
    }
    return AlignmentReport(**{**facts, **arrays, **made})
