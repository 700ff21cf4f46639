"""What a format's reader found, checked: a usable mesh or cloud comes out, or an error; what is odd is counted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.meshes import Found, RawMesh, mesh_error, weld
from fitcheck.geometry.polygons import RING_LIMIT, Polygons, triangulate

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_CHUNK = 1 << 16
_COUNTED_FACES = 300_000  # doubled and inverted faces are counted up to here: a part, not a scan
_COARSEST = 3000  # number steps over the length of the whole: below, its shape is not in the file
_NOTED = 100_000


def checked(path: Path, found: Found) -> RawMesh:
    """The mesh, or without faces the cloud, with polygons cut. Raises MeshError for one that cannot be used."""
    vertices, faces, notes = found.vertices, found.faces, found.notes
    if len(vertices) == 0:
        raise mesh_error(path, f"it holds 0 vertices and {len(faces)} faces", "Export it again.")
    _check_vertices(path, vertices)
    notes += _check_step(path, vertices, found.step)
    if len(faces) == 0:
        rows = np.arange(len(vertices), dtype=np.int32)
        notes += _at_origin(vertices)
        return RawMesh(vertices, np.repeat(rows[:, None], 3, axis=1), notes, True, found.step)
    _check_indices(path, faces.corners if isinstance(faces, Polygons) else faces, len(vertices))
    if isinstance(faces, Polygons):
        faces, more = _cut(path, faces, vertices)
        notes += more
    faces, dropped = _without_repeats(faces)
    if not _any_area(vertices, faces):
        raise mesh_error(path, "none of its faces has an area", "Export it again, as a surface.")
    if dropped:
        notes += (f"{dropped} faces that name a vertex twice were left out",)
    if len(faces) <= _COUNTED_FACES:
        notes += _odd(vertices, faces)
    return RawMesh(vertices, faces, notes, step=found.step)


def _check_vertices(path: Path, vertices: Floats) -> None:
    lo, hi = vertices.min(axis=0), vertices.max(axis=0)  # NaN and infinities come through both
    if not (np.isfinite(lo).all() and np.isfinite(hi).all()):
        bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
        raise mesh_error(path, f"{len(bad)} of {len(vertices)} vertices are not numbers (NaN or infinite), the first "
                         f"is vertex {bad[0]} (counting from 0)", "Repair the mesh or export it again.")  # fmt: skip
    span = float((hi - lo).max())
    if not span > 0.0:
        where = "at 0, 0, 0" if not hi.any() else "at one point"
        raise mesh_error(path, f"all {len(vertices)} vertices lie {where}", "Export it again.")
    if span > 1e12:
        raise mesh_error(path, f"it is {span:.3g} units long", "Repair the mesh or export it again.")


def _check_step(path: Path, vertices: Floats, step: float) -> tuple[str, ...]:
    """Refuses numbers too coarse for the shape they hold, and says how coarse they are from a finer step on."""
    span = float((vertices.max(axis=0) - vertices.min(axis=0)).max())
    if step * _NOTED <= span:
        return ()
    away = float(np.abs(vertices).max())
    coarse = f"its numbers step by {step:.3g} at {away:.3g} units from the origin, and it is {span:.3g} units long"
    if step * _COARSEST > span:
        raise mesh_error(path, f"{coarse}: its shape is lost", "Move it near the origin, then export it again.")
    return (f"{coarse}: nothing finer is in the file",)


def _at_origin(vertices: Floats) -> tuple[str, ...]:
    """Points without a return are often written as zeros."""
    count = int(np.count_nonzero(~vertices.any(axis=1)))
    return (f"{count} points lie at exactly 0, 0, 0: no returns?",) if count > 1 else ()


def _check_indices(path: Path, corners: NDArray[np.int32], count: int) -> None:
    lo, hi = int(corners.min()), int(corners.max())
    if lo < 0 or hi >= count:
        worst = lo if lo < 0 else hi
        raise mesh_error(path, f"a face names vertex {worst}, but the vertices are 0 to {count - 1}",
                         "The file is damaged: export it again.")  # fmt: skip


def _cut(path: Path, polygons: Polygons, vertices: Floats) -> tuple[Ints, tuple[str, ...]]:
    if int(polygons.counts.max()) > RING_LIMIT:
        wrong = f"one of its faces has {polygons.counts.max()} corners; at most {RING_LIMIT} are read"
        raise mesh_error(path, wrong, "Export it as triangles.")
    faces, crossing = triangulate(polygons, vertices)
    notes: tuple[str, ...] = (f"{len(polygons)} polygons were cut into {len(faces)} triangles",)
    if crossing:
        notes += (f"{crossing} polygons cross themselves or have no area: their triangles may cover ground outside",)
    return faces, notes


def _without_repeats(faces: Ints) -> tuple[Ints, int]:
    a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
    repeats = (a == b) | (b == c) | (c == a)
    dropped = int(np.count_nonzero(repeats))
    return (faces[~repeats] if dropped else faces), dropped


def _any_area(vertices: Floats, faces: Ints) -> bool:
    for start in range(0, len(faces), _CHUNK):
        corners = vertices[faces[start : start + _CHUNK]]
        if np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).any():
            return True
    return False


# --- what is kept but odd -------------------------------------------------------------------------------------------


def _odd(vertices: Floats, faces: Ints) -> tuple[str, ...]:
    places = weld(vertices)[faces]
    notes = []
    doubled = _doubled(places)
    if doubled:
        notes.append(f"{doubled} faces are there twice or more: kept")
    inverted = _inverted_bodies(vertices, faces, places)
    if inverted:
        notes.append(f"{inverted} closed bodies are wound inside out (cavities, or turned over): kept")
    return tuple(notes)


def _doubled(places: NDArray[np.int64]) -> int:
    """Faces beyond the first on the same three places, whichever way they are wound."""
    ordered = np.sort(places, axis=1)
    rows = ordered[np.lexsort(ordered.T)]
    return int(np.count_nonzero((rows[1:] == rows[:-1]).all(axis=1)))


def _inverted_bodies(vertices: Floats, faces: Ints, places: NDArray[np.int64]) -> int:
    """Connected pieces whose every edge is run once each way and whose signed volume (Gauss) is below zero."""
    piece = _pieces(places)
    edges = np.concatenate([places[:, [0, 1]], places[:, [1, 2]], places[:, [2, 0]]])
    width = int(places.max()) + 1
    forth, back = edges[:, 0] * width + edges[:, 1], edges[:, 1] * width + edges[:, 0]
    alone = ~np.isin(forth, back)
    open_piece = np.zeros(int(piece.max()) + 1, dtype=bool)
    open_piece[np.tile(piece, 3)[alone]] = True
    p = vertices[faces] - vertices.mean(axis=0)
    six = np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2]))
    volume = np.bincount(piece, weights=six, minlength=len(open_piece))
    sure = np.bincount(piece, weights=np.abs(six), minlength=len(open_piece)) * -1e-9  # rounding is not a volume
    return int(np.count_nonzero(~open_piece & (volume < sure)))


def _pieces(places: NDArray[np.int64]) -> NDArray[np.int64]:
    """(m,) the smallest place number that each face's piece reaches: labels spread along edges, chains cut short."""
    label = np.arange(int(places.max()) + 1)
    while True:
        low = label[places].min(axis=1)
        before = label.copy()
        for corner in range(3):
            np.minimum.at(label, label[places[:, corner]], low)
            np.minimum.at(label, places[:, corner], low)
        while (label != label[label]).any():
            label = label[label]
        if np.array_equal(before, label):
            return np.asarray(label[places[:, 0]])
