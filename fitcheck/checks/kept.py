"""Answers kept between runs: a pair's row is used again while nothing that it depends on has changed.

A row is filed under a hash of everything that shaped it: both shapes, to the last bit, the
rule, the uncertainties, the declared contacts, the mechanism, the prepared scan, and the
source of the rooms that compute it. So a stale one is never found, and a report with kept
rows is the report of a cold run. The file lies in the prepared scan's own cache entry and goes
with it; a damaged one is as good as none, and one that cannot be written is done without.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import tempfile
import zlib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from fitcheck.checks.pairs import StillPair
from fitcheck.checks.swept import MovingPair
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance, ClearingMove, Verdict
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.moving import MovingBody, RigidPiece, ShaftPiece
from fitcheck.vehicle.scene import ScanLayers

FILE = "answers.json"
MOST_ROWS = 4000
"""The oldest rows go first."""

_ROOMS = ("geometry", "vehicle", "checks")
_UNREADABLE = (OSError, ValueError, KeyError, TypeError)


@dataclass
class Kept:
    """The rows of one prepared scan. ``used`` and ``asked`` count what was found and looked for."""

    scan: ScanLayers | None
    rows: dict[str, dict[str, Any]] = field(default_factory=dict)
    used: int = 0
    asked: int = 0
    changed: bool = False
    fresh: bool = False

    def find(self, key: str) -> Clearance | None:
        """The row filed under ``key``, or None."""
        self.asked += 1
        plain = None if self.fresh else self.rows.get(key)
        if plain is None:
            return None
        try:
            row = _row(plain)
        except _UNREADABLE:
            return None
        self.used += 1
        return row

    def keep(self, key: str, row: Clearance) -> None:
        """File a row; one that is not all finite is computed again each time."""
        plain = dataclasses.asdict(row)
        with contextlib.suppress(ValueError):
            json.dumps(plain, allow_nan=False)
            self.rows[key] = plain
            self.changed = True

    def store(self) -> None:
        """Write the rows beside the prepared scan: whole or not at all."""
        place = None if self.scan is None else self.scan.entry
        if place is None or not self.changed or not place.is_dir():
            return
        rows = dict(list(self.rows.items())[-MOST_ROWS:])
        with contextlib.suppress(OSError):
            handle, name = tempfile.mkstemp(prefix=".new-", dir=place)
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    json.dump({"engine": _engine(), "crc": _crc(rows), "rows": rows}, file, allow_nan=False)
                os.replace(name, place / FILE)
            except OSError:
                os.unlink(name)
                raise


def open_kept(scan: ScanLayers | None, *, fresh: bool = False) -> Kept:
    """The rows kept for a prepared scan; none without one or from another engine; ``fresh`` finds none of them."""
    kept = Kept(scan, fresh=fresh)
    if scan is None or scan.entry is None:
        return kept
    with contextlib.suppress(*_UNREADABLE):
        stored = json.loads((scan.entry / FILE).read_text("utf-8"))
        if stored["engine"] == _engine() and stored["crc"] == _crc(stored["rows"]):
            kept.rows = dict(stored["rows"])
    return kept


def key_of(pair: StillPair | MovingPair, body: MovingBody | None, scan: ScanLayers | None) -> str:
    """A hash of everything that shapes the row of a pair."""
    digest = hashlib.sha256()
    shapes: tuple[Shape, ...] = (*pair.part, *pair.other) if isinstance(pair, StillPair) else pair.shapes
    parts = 0 if isinstance(pair, MovingPair) else len(pair.part)
    facts = (pair.between, pair.chosen, sorted(pair.terms.items()), pair.contacts, parts, len(shapes))
    digest.update(repr(facts).encode())
    for shape in shapes:
        _add_shape(digest, shape, scan)
    if body is not None:
        _add_body(digest, body)
    return digest.hexdigest()


def _add_shape(digest: hashlib._Hash, shape: Shape, scan: ScanLayers | None) -> None:
    if isinstance(shape, Solid):
        digest.update(
            repr((shape.vertices.shape, shape.faces.shape, shape.radius_mm, shape.convex, shape.closed)).encode()
        )
        for array in (shape.vertices, shape.faces, shape.frame):
            digest.update(np.ascontiguousarray(array).tobytes())
    else:
        # The only surface among the things of a scene is the scan: its entry is named by its content.
        digest.update(b"scan " + (scan.key if scan is not None else "").encode())


def _add_body(digest: hashlib._Hash, body: MovingBody) -> None:
    motion = body.motion
    words = repr(dataclasses.replace(motion, carries=())) if isinstance(motion, SolidAxle) else repr(motion)
    digest.update(repr((body.name, body.part_class, body.taped, words, len(body.pieces))).encode())
    for piece in body.pieces:
        if isinstance(piece, RigidPiece):
            _add_shape(digest, piece.solid, None)
        elif isinstance(piece, ShaftPiece):
            facts = (piece.still_joint, piece.moving_joint, piece.start, piece.end, piece.radius_mm)
            digest.update(repr(facts).encode())


def _crc(rows: dict[str, dict[str, Any]]) -> int:
    return zlib.crc32(json.dumps(rows, sort_keys=True, allow_nan=False).encode())


@cache
def _engine() -> str:
    """A hash of the source that computes rows, and of the libraries under it."""
    digest = hashlib.sha256(np.__version__.encode())
    home = Path(__file__).resolve().parents[1]
    for room in _ROOMS:
        for path in sorted((home / room).glob("*.py")):
            digest.update(path.read_bytes())
    digest.update((home / "result.py").read_bytes())
    return digest.hexdigest()


def _row(plain: dict[str, Any]) -> Clearance:
    """A row as it was before it was written: lists become tuples again."""
    moves = tuple(ClearingMove(**{**move, "vector": tuple(move["vector"])}) for move in plain["moves"])
    points = plain["points_mm"] and tuple(tuple(point) for point in plain["points_mm"])
    return Clearance(
        **{
            **plain,
            "between": tuple(plain["between"]),
            "verdict": Verdict(plain["verdict"]),
            "moves": moves,
            "points_mm": points,
        }
    )
