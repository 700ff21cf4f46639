"""One broken or odd file, what a reader that cannot be fooled answers, and whether ours does."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, InputError
from fitcheck.geometry.meshes import RawMesh, read_mesh, read_scan

Floats = NDArray[np.float64]
Tree = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Case:
    """One file and what is expected of it.

    ``truth``: the triangles (m, 3, 3) that must come back, wound as given, or the points (n, 3) of a cloud; None: an
    error. ``says``: words that the error, or else one of the notes, must hold. ``data`` None: a folder.
    ``ground``: a flat polygon, which may be cut in any way: area, winding and count must be the truth's.
    """

    name: str
    file: str
    data: bytes | None
    says: str = ""
    truth: Floats | None = None
    scan: bool = False
    ground: bool = False

    @property
    def expected(self) -> str:
        if self.truth is None:
            return f"error: {self.says}"
        kind = f"{len(self.truth)} triangles" if self.truth.ndim == 3 else f"cloud of {len(self.truth)} points"
        return kind + (f"; note: {self.says}" if self.says else "")


def outcome(case: Case, folder: Path) -> tuple[str, bool]:
    """What reading the case's file gives, in words, and whether it is what was expected."""
    path = folder / case.file
    if case.data is None:
        path.mkdir()
    else:
        path.write_bytes(case.data)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            mesh = (read_scan if case.scan else read_mesh)(path)
        except InputError as problem:
            words = str(problem)
            told = words.startswith(f"{path}: ") and words.endswith(".") and words.count(". ") >= 1
            right = case.truth is None and case.says in words and (told or isinstance(problem, FileProblem))
            return "error: " + words.removeprefix(f"{path}: "), right
        except Exception as problem:  # noqa: BLE001 - what must never come is what is counted here
            return f"TRACEBACK {type(problem).__name__}: {problem}", False
    return _found(mesh), case.truth is not None and _is_true(mesh, case)


def _found(mesh: RawMesh) -> str:
    if mesh.cloud:
        kind = f"cloud of {len(mesh.vertices)} points"
    else:
        kind = f"{len(mesh.faces)} triangles, volume {_volume(mesh.vertices[mesh.faces]):.4g}"
    return "; ".join([kind, *(f"note: {note}" for note in mesh.notes)])


def _is_true(mesh: RawMesh, case: Case) -> bool:
    truth = case.truth
    assert truth is not None
    if case.says and not any(case.says in note for note in mesh.notes):
        return False
    if truth.ndim == 2:
        own = np.repeat(np.arange(len(truth))[:, None], 3, axis=1)
        return mesh.cloud and np.array_equal(mesh.vertices, truth) and np.array_equal(mesh.faces, own)
    found = mesh.vertices[mesh.faces]
    return (
        not mesh.cloud
        and len(found) == len(truth)
        and bool(np.allclose(found.min(axis=(0, 1)), truth.min(axis=(0, 1)), rtol=0, atol=1e-9))
        and bool(np.allclose(found.max(axis=(0, 1)), truth.max(axis=(0, 1)), rtol=0, atol=1e-9))
        and (_same_ground(found, truth) if case.ground else _same(found, truth))
        and abs(_volume(found) - _volume(truth)) <= 1e-9 * max(1.0, abs(_volume(truth)))
    )


def _volume(triangles: Floats) -> float:
    """Signed, by Gauss; from the middle, so that a far place does not round it away."""
    a, b, c = np.moveaxis(triangles - triangles.mean(axis=(0, 1)), 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _same(found: Floats, truth: Floats) -> bool:
    return bool(np.allclose(_in_order(found), _in_order(truth), rtol=0, atol=1e-9))


def _same_ground(found: Floats, truth: Floats) -> bool:
    """Every triangle wound the one way, and the areas together those of the truth: nothing bridged, nothing twice."""
    area, wanted = (np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])[:, 2] / 2.0 for t in (found, truth))
    return bool((area >= 0.0).all()) and abs(float(area.sum() - wanted.sum())) < 1e-12


def _in_order(triangles: Floats) -> Floats:
    """The triangles in an order of their own, each begun at its smallest corner and wound as it was."""
    rounded = np.round(triangles, 6) + 0.0
    rows = []
    for one, key in zip(triangles, rounded.tolist(), strict=True):
        start = min(range(3), key=lambda k, key=key: key[k])
        rows.append((tuple(map(tuple, key[start:] + key[:start])), np.roll(one, -start, axis=0)))
    return np.array([one for _, one in sorted(rows, key=lambda row: row[0])])
