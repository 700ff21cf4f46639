"""A first look at a scan, before anything rests on it: how large, how noisy, how torn, how straight.

Nothing is changed. The whole is a few passes over the triangles and fixed samples of them,
so that it takes little longer than reading the file. The topology (pieces and loops) is
found in a thread of its own meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import ScanError
from fitcheck.geometry.borders import Loop, Topology, topology
from fitcheck.geometry.meshes import RawMesh, file_size, read_scan
from fitcheck.intake import FILE_FRAME, VEHICLE_FRAME, Hole, Intake, Mesh, Pieces, Size, Spacing, Unit
from fitcheck.scan.intake.drift import drift_of
from fitcheck.scan.intake.flaws import flaws_of
from fitcheck.scan.intake.floor_guess import floor_of
from fitcheck.scan.intake.holes import holes_of
from fitcheck.scan.intake.loose import boxes_of, loose_pieces
from fitcheck.scan.intake.noise import LEAST_PATCHES, noise_of
from fitcheck.scan.intake.paste import paste_for_file, paste_for_layout
from fitcheck.scan.intake.patches import Patches, patches_at
from fitcheck.scan.intake.places_boxes import vector
from fitcheck.scan.intake.samples import Places, places_of
from fitcheck.scan.intake.scale import guess_unit, with_question
from fitcheck.scan.intake.skins import skins_of
from fitcheck.scan.intake.symmetry import MirrorFit, Plane, farthest, mirror_of, starting_axes, symmetry_of
from fitcheck.scan.spec import UNIT_MM, ScanSpec
from fitcheck.scan.units import check_scale, check_size

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Progress = Callable[[str], None]

_PATCHES, _CLOUD_PATCHES = 2000, 8000  # of a cloud the patches are all that has a direction
_SPREAD_POINTS = 10_000
_NO_FACES = "holes, doubled skins, loose pieces, flaws of the mesh: a cloud of points has no faces"
_NO_UNIT = "all lengths, and no pictures drawn: which unit the file is in has to be said first"


@dataclass(frozen=True)
class Asked:
    """What to look at: a scan file alone (``unit`` may be declared), or the scan of a layout (``spec``) with what else
    the layout says of it."""

    file: Path
    unit: str = ""
    spec: ScanSpec | None = None
    layout: str = ""
    length_unit: str = "mm"
    wheelbase_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Looked:
    """The report, and what it was made from, to be drawn: ``vertices`` (n, 3) mm in the report's frame, ``faces``
    (m, 3) (none of a cloud), the ``loops`` in the order of the report's holes, ``pieces`` (m,) of the faces; ``axes``
    (3, 3): rows are which way is along, across and up, as far as that is known."""

    report: Intake
    vertices: Floats
    faces: Ints
    loops: tuple[Loop, ...]
    pieces: Ints
    axes: Floats


def look_at(asked: Asked, progress: Progress | None = None) -> Looked:
    """Read a scan and look at it.

    Raises FileProblem and MeshError (no usable scan), ScanError (a unit that is not known, or taped lengths
    that contradict it) and AlignmentError (targets of the layout that do not fit).
    """
    tell, begun = progress or _silent, time.perf_counter()
    if asked.unit and asked.unit not in UNIT_MM:
        raise ScanError(f"{asked.file}: unit {asked.unit!r} is not known. Write one of {', '.join(UNIT_MM)}.")
    if asked.spec is not None:
        check_scale(asked.spec)
    tell("reading the scan")
    file_size(asked.file)
    with ThreadPoolExecutor(2) as pool:
        pool.submit(_warm)
        raw = read_scan(asked.file)
        read = time.perf_counter()
        unit = guess_unit(raw.vertices, asked.unit if asked.spec is None else asked.spec.unit, asked.spec)
        bare = _bare(asked, raw, unit)
        if not unit.used:
            return _unknown(bare, raw)
        vertices, notes = _in_frame(asked, raw, unit)
        faces = np.empty((0, 3), dtype=np.int32) if raw.cloud else raw.faces
        tell("looking at the scan")
        found = pool.submit(topology, vertices, faces)
        look = _Look(asked, bare, places_of(vertices, faces), found)
        of_faces = pool.submit(look.of_faces)
        report, axes = look.report(notes, of_faces)
    timing = {"read": read - begun, "look": time.perf_counter() - read}
    loops = of_faces.result()[3]
    return Looked(replace(report, timing_s=timing), vertices, faces, loops, found.result().pieces, axes)


def _silent(step: str) -> None:
    """Progress that nobody watches."""


def _warm() -> None:
    """Load what will be needed while the file is read."""
    import scipy.sparse.csgraph
    import scipy.spatial  # noqa: F401


def _bare(asked: Asked, raw: RawMesh, unit: Unit) -> Intake:
    """What is known without a unit."""
    return Intake(
        file=asked.file.as_posix(),
        layout=asked.layout,
        frame=FILE_FRAME if asked.spec is None else VEHICLE_FRAME,
        cloud=raw.cloud,
        triangles=0 if raw.cloud else len(raw.faces),
        points=len(raw.vertices),
        unit=unit,
        notes=raw.notes,
    )


def _unknown(bare: Intake, raw: RawMesh) -> Looked:
    none = np.empty((0, 3), dtype=np.int32)
    return Looked(replace(bare, not_looked_at=(_NO_UNIT,)), raw.vertices, none, (), none[:, 0], np.eye(3))


def _in_frame(asked: Asked, raw: RawMesh, unit: Unit) -> tuple[Floats, tuple[str, ...]]:
    """The vertices in mm: in the vehicle frame where a layout says how, else in the file's axes."""
    if asked.spec is None:
        return raw.vertices * UNIT_MM[unit.used], ()
    from fitcheck.scan.prepare import in_vehicle_frame

    notes = check_size(raw.vertices, asked.spec)
    if asked.spec.removals or asked.spec.shifts or asked.spec.mirror is not None:
        notes += ("what the layout takes off, moves or mirrors is still as it was scanned here",)
    return in_vehicle_frame(raw.vertices, asked.spec), notes


OfFaces = tuple[tuple[Hole, ...], Pieces | None, Mesh | None, tuple[Loop, ...]]
"""Holes, pieces, flaws, and the loops of the holes."""


@dataclass(eq=False)
class _Look:
    """The steps of one look, each resting on those before it."""

    asked: Asked
    bare: Intake
    places: Places
    topology: Future[Topology]

    def report(self, notes: tuple[str, ...], of_faces: Future[OfFaces]) -> tuple[Intake, Floats]:
        """The whole report, and which way the scan lies."""
        places = self.places
        patches = self._patches()
        noise = noise_of(patches, places.patch_mm)
        sigma = 0.0 if noise is None else noise.sigma_mm
        fit = mirror_of(places, patches, None if self.asked.spec is None else self._middle_plane())
        axes = self._axes(fit)
        guess = floor_of(patches, float(places.areas.sum(dtype=np.float64)), self._ups(), places.origin)
        report = replace(
            self.bare,
            notes=(*self.bare.notes, *notes),
            spacing=Spacing(*places.spacing),
            noise=noise,
            skins=None if places.cloud else skins_of(places, sigma),
            floor=None if places.cloud else guess.floor,
            floor_words="" if places.cloud else guess.words,
            symmetry=None if fit is None else symmetry_of(places, patches, fit, sigma),
            drift=None if self.asked.spec is None else drift_of(self.asked.spec),
        )
        holes, pieces, mesh, _ = of_faces.result()
        report = replace(report, holes=holes, pieces=pieces, mesh=mesh)
        size = self._size(axes, pieces)
        report = replace(report, size=size, unit=with_question(report.unit, size, self.asked.wheelbase_mm))
        return replace(report, not_looked_at=self._left_out(report), paste=self._paste(report)), axes

    def _patches(self) -> Patches:
        rows = self.places.drawn(_CLOUD_PATCHES if self.places.cloud else _PATCHES)
        ways = None if self.places.cloud else self.places.directions(rows)
        return patches_at(self.places, self.places.at(rows), ways)

    def of_faces(self) -> OfFaces:
        """What takes the edges of the faces to know; nothing of a cloud."""
        found = self.topology.result()
        if self.places.cloud:
            return (), None, None, ()
        holes, loops = holes_of(self.places, found)
        pieces = loose_pieces(self.places, found, boxes_of(self.places, found))
        return holes, pieces, flaws_of(self.places, found), loops

    def _middle_plane(self) -> Plane:
        """y = 0 of the vehicle frame, less the places' origin."""
        return Plane(np.array([0.0, 1.0, 0.0]), -float(self.places.origin[1]))

    def _ups(self) -> tuple[Floats, ...]:
        """Axes that may point up: z of the vehicle frame; in a file's own axes z or y, as scanners write."""
        up, other = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
        return (up,) if self.asked.spec is not None else (up, other)

    def _axes(self, fit: MirrorFit | None) -> Floats:
        """Rows: along, across, up. In a file's own axes as far as the mirror plane and the longest way tell."""
        if self.asked.spec is not None:
            return np.eye(3)
        axes = starting_axes(self.places.points_on(self.places.drawn(_PATCHES)))
        along, across = (axes[0], axes[1]) if fit is None else (fit.length, fit.plane.normal)
        up = np.cross(along, across)
        hint = max(self._ups(), key=lambda axis: abs(float(axis @ up)))
        across = across if up @ hint > 0.0 else -across
        return np.stack([along, across, np.cross(along, across)])

    def _size(self, axes: Floats, pieces: Pieces | None) -> Size:
        places = self.places
        keep = self._without_specks(pieces) if pieces is not None and pieces.specks else slice(None)
        points = places.vertices[keep]
        ends = farthest(points[:: max(1, len(points) // _SPREAD_POINTS)])
        return Size(
            box_mm=(vector(places.box[0]), vector(places.box[1])),
            own_sides_mm=vector([float(np.ptp(points @ axis)) for axis in axes]),
            longest_mm=float(np.linalg.norm(ends[1] - ends[0])),
            longest_ends_mm=(vector(ends[0]), vector(ends[1])),
            area_cm2=None if places.cloud else float(places.areas.sum(dtype=np.float64)) / 100.0,
        )

    def _without_specks(self, pieces: Pieces) -> NDArray[np.bool_]:
        """Which vertices are not of a speck."""
        labels = np.zeros(pieces.count, dtype=bool)
        labels[[speck.piece for speck in pieces.specks]] = True
        keep = np.ones(len(self.places.vertices), dtype=bool)
        keep[self.places.faces[labels[self.topology.result().pieces]].ravel()] = False
        return keep

    def _left_out(self, report: Intake) -> tuple[str, ...]:
        """What could not be looked at, and why."""
        found = [_NO_FACES] if report.cloud else []
        if report.noise is None:
            found.append(f"noise: fewer than {LEAST_PATCHES} smooth patches are alike")
        if report.symmetry is None:
            found.append("symmetry: hardly any metal has its mirror image on metal")
        if report.drift is None:
            found.append("drift: it takes at least three taped lengths (targets, scale bars)")
        return tuple(found)

    def _paste(self, report: Intake) -> str:
        if self.asked.spec is None:
            return paste_for_file(report)
        names = [removal.name for removal in self.asked.spec.removals]
        return paste_for_layout(report, self.asked.length_unit, names)
