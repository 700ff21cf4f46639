"""What a person typed for one part, after units are resolved: the request for a place.

Lengths in mm, angles in degrees, vehicle frame: x rearward from the front-axle
line, y to the right, z up. Plain frozen data; nothing here computes a place.

Six face words name directions: front = −x, rear = +x, left = −y, right = +y,
bottom = −z, top = +z. A field that is None was not typed: beside ``mirror_of`` or
``like`` it is taken over, anywhere else it is a mistake or has the default stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.solids import Solid

Vector = tuple[float, float, float]
Interval = tuple[float, float]
MaybeVector = tuple[float | None, float | None, float | None]

FACES: dict[str, tuple[int, int]] = {
    "front": (0, -1),
    "rear": (0, 1),
    "left": (1, -1),
    "right": (1, 1),
    "bottom": (2, -1),
    "top": (2, 1),
}
"""Face word → (axis, sign of its outward direction)."""


class PlacementProblem(InputError):
    """A part that cannot be placed.

    ``part``: its name. ``key``: dotted path below the part's entry, list items counted
    from 0, so that a reader of the file can point at it ("place.1.to", "mirror_of",
    "box.x", "" for the part itself); a key that the entry does not have was taken over
    from another part: then point at the entry. ``message``: what was expected and found.
    ``hint``: what to do, or "". ``every``: all problems found in one go, this one first.
    """

    def __init__(self, part: str, key: str, message: str, hint: str = "") -> None:
        self.part, self.key, self.message, self.hint = part, key, message, hint
        self.every: tuple[PlacementProblem, ...] = (self,)
        where = f"part '{part}'" + (f", {key}" if key else "")
        super().__init__(f"{where}: {message}" + (f" ({hint})" if hint else ""))


# --- shapes ----------------------------------------------------------------------------


@dataclass(frozen=True)
class BoxShape:
    """A box. Each axis has an interval (lo, hi), or a size, or neither (two ``FaceGap``s give it)."""

    x: Interval | None = None
    y: Interval | None = None
    z: Interval | None = None
    size: MaybeVector = (None, None, None)


@dataclass(frozen=True)
class CylinderShape:
    """A flat-ended cylinder between the centres of its end faces."""

    start: Vector | None = None
    end: Vector | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True)
class CapsuleShape:
    """All points within half the diameter of the segment from ``start`` to ``end``."""

    start: Vector | None = None
    end: Vector | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True)
class SphereShape:
    """A ball. ``centre`` None: the place gives it."""

    centre: Vector | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True)
class OutlineShape:
    """An outline in ``plane`` ("xy", "xz", "yz"), extruded along the third axis from ``lo_mm`` to ``hi_mm``.

    ``symmetric``: the person says that the shape is its own left-right mirror image.
    """

    points: tuple[tuple[float, float], ...] | None = None
    plane: str | None = None
    lo_mm: float | None = None  # typed as "from"
    hi_mm: float | None = None  # typed as "to"
    symmetric: bool = False


@dataclass(frozen=True, eq=False)
class MeshShape:
    """A mesh already in mm: vertices (n, 3), faces (m, 3), in the axes of its own file.

    Without a ``place`` its own coordinates are vehicle coordinates.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    file: str = ""
    symmetric: bool = False


ShapeRequest = BoxShape | CylinderShape | CapsuleShape | SphereShape | OutlineShape | MeshShape


@dataclass(frozen=True)
class Rim:
    """A flat box all round a box: ``out_mm`` wider on each side, ``height_mm`` thick.

    It starts ``inset_mm`` inside the face ``at`` ("top" or "bottom"). None: 0 for
    ``inset_mm``, otherwise a mistake.
    """

    out_mm: float | None = None
    height_mm: float | None = None
    at: str | None = None
    inset_mm: float | None = None


# --- place -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Turn:
    """Degrees about z (yaw), y (pitch), x (roll), right-handed; applied roll, then pitch, then yaw.

    They turn about the anchor and about the vehicle's axes. Positive roll lifts the
    right side, positive pitch lifts the front, positive yaw swings the rear to the
    right. None is 0.
    """

    yaw: float | None = None
    pitch: float | None = None
    roll: float | None = None


@dataclass(frozen=True)
class Anchor:
    """One point of the part sits at a coordinate.

    ``point``: three face words name a corner ("front left bottom"), two the middle of
    an edge, one the middle of a face; "centre" is the middle of the shape, "cg" its
    centre of volume. The words name the point of the part *before* it is turned.
    A None in ``at`` leaves that axis to another statement.
    """

    point: str
    at: MaybeVector


@dataclass(frozen=True)
class FaceRef:
    """The plane of another part's outermost face (its rim aside).

    ``mirrored``: of that part's mirror image in y = 0; only ``mirror_of`` makes such references.
    """

    part: str
    face: str
    mirrored: bool = False


@dataclass(frozen=True)
class FaceGap:
    """A face of the part, as it stands after turning, is ``gap_mm`` short of ``to``.

    ``to``: a coordinate along the face's axis, or a face of another part along the same
    axis. The gap is measured outward from the face: right face, gap 10, to y 340 → 330.
    """

    face: str
    to: float | FaceRef
    gap_mm: float = 0.0


@dataclass(frozen=True)
class OnPart:
    """The part sits ``gap_mm`` off the face of another part and is centred on it.

    A ``FaceGap`` or an ``Anchor`` beside it takes over from the centring in its own axis.
    """

    part: str
    face: str
    gap_mm: float = 0.0
    mirrored: bool = False


PlaceStatement = Anchor | FaceGap | OnPart


@dataclass(frozen=True)
class PartRequest:
    """One part's entry. ``mirror_of``: the same part on the other side of y = 0; ``like``: the same part again.

    ``cg_mm`` is typed in vehicle coordinates, with the part where its place puts it and
    before the nudge. None: taken over with the part (keeping its place in the part),
    else the centre of volume. ``shape`` None without ``mirror_of`` or ``like``: a mass
    without a shape. ``bought`` None: taken over, else False.
    """

    name: str
    shape: ShapeRequest | None = None
    rim: Rim | None = None
    place: tuple[PlaceStatement, ...] = ()
    turn: Turn | None = None
    nudge_mm: Vector | None = None
    cg_mm: Vector | None = None
    mirror_of: str | None = None
    like: str | None = None
    bought: bool | None = None


# --- answer ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class PlacedPart:
    """A part in the vehicle frame.

    ``solids``: the body, then its rim if it has one; () for a mass without a shape.
    ``extents_mm`` (2, 3): least and greatest corner with the rim; ``body_extents_mm``
    without it (what anchors and faces refer to); both None without a shape.
    ``middle_mm``: the middle of the body. ``frame`` (3, 3): rows are the part's own axes.
    ``placed_by``: in words, with the nudge last. ``copy_of``: the part named by
    ``mirror_of`` or ``like``, from which mass and class are taken over too.
    """

    name: str
    solids: tuple[Solid, ...]
    extents_mm: NDArray[np.float64] | None
    body_extents_mm: NDArray[np.float64] | None
    middle_mm: Vector | None
    cg_mm: Vector | None
    cg_from: str  # "typed", "centre of volume", "taken over from A1", "" (none)
    placed_by: str
    frame: NDArray[np.float64]
    nudge_mm: Vector = (0.0, 0.0, 0.0)
    copy_of: str | None = None
    warnings: tuple[str, ...] = ()
