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
import pickle
import tempfile
import weakref
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from fitcheck.checks.evidence import Evidence
from fitcheck.checks.pairs import StillPair
from fitcheck.checks.swept import MovingPair
from fitcheck.geometry.distance import Shape
from fitcheck.geometry.solids import Solid
from fitcheck.result import Cause, Clearance, ClearingMove, Verdict
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.scene import ScanLayers, Scene

FILE = "answers.json"
MOST_ROWS = 4000
"""Those used longest ago go first."""

_MOST_FIGURES = 64
_Found = TypeVar("_Found")

_ROOMS = ("geometry", "vehicle", "checks")
_UNREADABLE = (OSError, ValueError, KeyError, TypeError)


@dataclass
class Kept:
    """The rows of one prepared scan. ``used`` and ``asked`` count what was found and looked for.

    ``figures``: answers that are no rows, held by a process that checks again and again; None: not held.
    ``measured``: in such a process, rows by what was measured, whatever the rule.
    """

    scan: ScanLayers | None
    rows: dict[str, dict[str, Any]] = field(default_factory=dict)
    used: int = 0
    asked: int = 0
    changed: bool = False
    fresh: bool = False
    figures: dict[tuple[str, bytes], Any] | None = None
    measured: dict[str, Clearance] = field(default_factory=dict)

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
        self.rows[key] = self.rows.pop(key)  # used last
        return row

    def recall(self, name: str, facts: object, compute: Callable[[], _Found]) -> _Found:
        """The answer to a question that ``facts`` alone shape: held from an earlier check of this process, or computed.

        ``facts`` None: they cannot be told apart from others, so nothing is held.
        """
        if self.figures is None or self.fresh or facts is None:
            return compute()
        key = name, hashlib.sha256(pickle.dumps(facts)).digest()  # equal bytes are equal facts
        found: _Found = self.figures.pop(key) if key in self.figures else compute()
        self.figures[key] = found
        if len(self.figures) > _MOST_FIGURES:
            del self.figures[next(iter(self.figures))]
        return found

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
            self.changed = False


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


def carried_on(held: Kept | None, scan: ScanLayers | None) -> Kept:
    """What a process that checks again and again holds on to for its next check, also when the scan has changed.

    Rows name all that shaped them, the scan by its key; of a scan without a key nothing is carried on.
    """
    if scan is not None and not scan.key:
        return Kept(scan, figures={})
    if held is None or held.figures is None or (held.scan is not None and not held.scan.key):
        return dataclasses.replace(open_kept(scan), figures={})
    same = (held.scan and held.scan.key) == (scan and scan.key)
    rows = held.rows if same else {**open_kept(scan).rows, **held.rows}
    rows = dict(list(rows.items())[-MOST_ROWS:]) if len(rows) > 2 * MOST_ROWS else rows
    measured = held.measured if len(held.measured) <= MOST_ROWS else {}
    return Kept(scan, rows, changed=held.changed, figures=held.figures, measured=measured)


def scene_facts(scene: Scene) -> object:
    """All of a scene that shapes its heights and loads, the scan by its key; None where that has none."""
    if scene.scan is not None and not scene.scan.key:
        return None
    shaping = dataclasses.replace(scene, scan=None, rules=(), contacts=(), exclusions=(), targets=())
    plain = dataclasses.replace(shaping, title="", layout_file="", inputs={}, warnings=())
    return plain, scene.scan and scene.scan.key


def key_of(
    pair: StillPair | MovingPair, body: MovingBody | None, scan: ScanLayers | None, *, demand: bool = True
) -> str:
    """A hash of everything that shapes the row of a pair; without its ``demand`` (rule, guard) of what is measured.

    Where an entry stands in its file shapes nothing but a rule's words.
    """
    digest = hashlib.sha256()
    shapes: tuple[Shape, ...] = (*pair.part, *pair.other) if isinstance(pair, StillPair) else pair.shapes
    parts = 0 if isinstance(pair, MovingPair) else len(pair.part)
    contacts = tuple(dataclasses.replace(contact, origin="") for contact in pair.contacts)
    laden = pair.laden if isinstance(pair, MovingPair) else pair.twist_mm
    facts = (pair.between, contacts, parts, len(shapes), laden)
    demanded = (pair.chosen, sorted(pair.terms.items())) if demand else ()
    digest.update(repr((facts, demanded)).encode())
    for shape in shapes:
        _add_shape(digest, shape, scan)
    for one in (body, pair.other if isinstance(pair, MovingPair) else pair.twisted):
        if one is not None:
            _add_body(digest, one)
    if pair.evidence is not None:
        digest.update(_evidence_digest(pair.evidence, scan))
    return digest.hexdigest()


# kept as long as the evidence lives: one scene has one, for all its pairs
_evidence_digests: weakref.WeakKeyDictionary[Evidence, bytes] = weakref.WeakKeyDictionary()


def _evidence_digest(evidence: Evidence, scan: ScanLayers | None) -> bytes:
    if evidence not in _evidence_digests:
        readings = [dataclasses.replace(reading, origin="") for _, reading in evidence.taped]
        places = [(place.name, place.kind, place.why) for place in evidence.unseen]
        assumed = (evidence.assumed_side, evidence.assumed_sigma_mm, evidence.seen is None)
        digest = hashlib.sha256(repr((readings, evidence.empty, places, assumed)).encode())
        for shape in evidence.shapes:
            _add_shape(digest, shape, scan)
        _evidence_digests[evidence] = digest.digest()
    return _evidence_digests[evidence]


def _add_shape(digest: hashlib._Hash, shape: Shape, scan: ScanLayers | None) -> None:
    if isinstance(shape, Solid):
        digest.update(_solid_digest(shape))
    else:
        # The only surface among the things of a scene is the scan: its entry is named by its content.
        digest.update(b"scan " + (scan.key if scan is not None else "").encode())


# kept as long as their solids live: a part meets every other
_digests: weakref.WeakKeyDictionary[Solid, bytes] = weakref.WeakKeyDictionary()


def _solid_digest(solid: Solid) -> bytes:
    if solid not in _digests:
        facts = (solid.vertices.shape, solid.faces.shape, solid.radius_mm, solid.convex, solid.closed)
        digest = hashlib.sha256(repr(facts).encode())
        for array in (solid.vertices, solid.faces, solid.frame):
            digest.update(np.ascontiguousarray(array).tobytes())
        _digests[solid] = digest.digest()
    return _digests[solid]


def _add_body(digest: hashlib._Hash, body: MovingBody) -> None:
    if body not in _body_digests:
        own = hashlib.sha256(repr((body.name, body.part_class, body.taped, len(body.pieces))).encode())
        for piece in (*body.pieces, *body.shapes):
            own.update(repr(piece.facts()).encode())
            if isinstance(piece, RigidPiece):
                _add_shape(own, piece.solid, None)
        _body_digests[body] = own.digest()
    digest.update(_body_digests[body])


_body_digests: weakref.WeakKeyDictionary[MovingBody, bytes] = weakref.WeakKeyDictionary()


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
            "causes": tuple(Cause(**cause) for cause in plain["causes"]),
            "points_mm": points,
            **{name: plain[name] and tuple(plain[name]) for name in ("unseen_point_mm", "unseen_from_mm")},
        }
    )
