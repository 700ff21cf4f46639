"""``mirror_of`` and ``like``: a part's request taken over from another, and what is typed beside it laid over.

Mirroring is a matter of *places*: every coordinate y becomes −y, left becomes right,
yaw and roll change sign. The *shape* is never reflected. A box, cylinder, capsule or
sphere is its own mirror image; an outline or a mesh is only taken when somebody says
that it is, and then the shape itself stands on the other side, not its reflection.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np

from fitcheck.layout.requests import (
    FACES,
    Anchor,
    BoxShape,
    CapsuleShape,
    CylinderShape,
    FaceGap,
    FaceRef,
    Interval,
    MaybeVector,
    MeshShape,
    OnPart,
    OutlineShape,
    PartRequest,
    PlacementProblem,
    PlaceStatement,
    Rim,
    ShapeRequest,
    SphereShape,
    Turn,
    Vector,
)
from fitcheck.layout.shapes import intervals_of

Fields = TypeVar("Fields", Rim, Turn)

_OTHER_SIDE = {"left": "right", "right": "left"}


def taken_over(request: PartRequest, original: PartRequest) -> PartRequest:
    """The request with everything it does not state taken over from ``original`` (itself complete).

    ``cg_mm`` is not taken over here: it belongs to the placed part. Raises
    PlacementProblem when a shape would have to be reflected.
    """
    source = original
    if request.mirror_of is not None:
        if not _replaces_shape(request.shape, original.shape):
            _refuse_reflection(request, original)
        source = mirrored(original)
    place, released = _places(request, source)
    return replace(
        request,
        shape=_overlaid_shape(source.shape, request.shape, released),
        rim=_overlaid(source.rim, request.rim),
        turn=_overlaid(source.turn, request.turn),
        place=place,
        nudge_mm=source.nudge_mm if request.nudge_mm is None else request.nudge_mm,
        bought=source.bought if request.bought is None else request.bought,
    )


def mirrored(request: PartRequest) -> PartRequest:
    """The same part on the other side of y = 0; mirrored twice is the request itself."""
    turn, nudge = request.turn, request.nudge_mm
    return replace(
        request,
        shape=None if request.shape is None else _mirrored_shape(request.shape),
        place=tuple(_mirrored_statement(statement) for statement in request.place),
        turn=None if turn is None else Turn(_negative(turn.yaw), turn.pitch, _negative(turn.roll)),
        nudge_mm=None if nudge is None else _other_side(nudge),
        cg_mm=None if request.cg_mm is None else _other_side(request.cg_mm),
    )


def mirrored_word(face: str) -> str:
    """left ↔ right; every other face word is its own mirror image."""
    return _OTHER_SIDE.get(face, face)


def axes_of(statement: PlaceStatement) -> tuple[int, ...]:
    """The axes (0, 1, 2) along which a statement says where the part sits."""
    if isinstance(statement, Anchor):
        return tuple(i for i, value in enumerate(statement.at) if value is not None)
    if isinstance(statement, FaceGap):
        return (FACES[statement.face][0],) if statement.face in FACES else ()
    return (0, 1, 2)


def _refuse_reflection(request: PartRequest, original: PartRequest) -> None:
    """Raise when the original's shape has a left and a right of its own."""
    shape, bought = original.shape, request.bought or original.bought
    if not isinstance(shape, OutlineShape | MeshShape) or shape.symmetric:
        return
    if isinstance(shape, OutlineShape) and shape.plane == "xz" and not bought:
        return  # pulled straight from left to right: its own mirror image
    what = "a bought part" if bought else "a mesh" if isinstance(shape, MeshShape) else "an outline"
    raise PlacementProblem(
        request.name,
        "mirror_of",
        f"the mirror image of '{original.name}' would be another part: {what} has a left and a right of its own",
        f"declare the shape of '{original.name}' symmetric if it is, or use 'like: {original.name}' with its own place",
    )


def _replaces_shape(typed: ShapeRequest | None, original: ShapeRequest | None) -> bool:
    if typed is None:
        return False
    return type(typed) is not type(original) or isinstance(typed, MeshShape)


# --- mirror images -----------------------------------------------------------------------


def _mirrored_shape(shape: ShapeRequest) -> ShapeRequest:
    if isinstance(shape, BoxShape):
        return replace(shape, y=None if shape.y is None else _other_interval(shape.y))
    if isinstance(shape, CylinderShape):
        return replace(shape, start=_maybe_other_side(shape.start), end=_maybe_other_side(shape.end))
    if isinstance(shape, CapsuleShape):
        return replace(shape, start=_maybe_other_side(shape.start), end=_maybe_other_side(shape.end))
    if isinstance(shape, SphereShape):
        return replace(shape, centre=_maybe_other_side(shape.centre))
    if isinstance(shape, OutlineShape):
        return _outline_on_other_side(shape)
    return _mesh_on_other_side(shape)


def _outline_on_other_side(shape: OutlineShape) -> OutlineShape:
    """The outline itself, shifted so that the middle of its extents in y changes sign."""
    if shape.plane == "xz":
        if shape.lo_mm is None or shape.hi_mm is None:
            return shape
        return replace(shape, lo_mm=0.0 - shape.hi_mm, hi_mm=0.0 - shape.lo_mm)
    column = 0 if shape.plane == "yz" else 1
    if not shape.points:
        return shape
    values = [point[column] for point in shape.points]
    shift = -(min(values) + max(values))
    moved = [(a + shift, b) if column == 0 else (a, b + shift) for a, b in shape.points]
    return replace(shape, points=tuple(moved))


def _mesh_on_other_side(shape: MeshShape) -> MeshShape:
    """The mesh itself, not its reflection, shifted so that the middle of its extents in y changes sign."""
    vertices = np.array(shape.vertices, dtype=np.float64).reshape(-1, 3)
    used = vertices[np.unique(shape.faces)] if len(shape.faces) else vertices
    if len(used):
        vertices[:, 1] -= used[:, 1].min() + used[:, 1].max()
    return replace(shape, vertices=vertices)


def _mirrored_statement(statement: PlaceStatement) -> PlaceStatement:
    if isinstance(statement, Anchor):
        x, y, z = statement.at
        words = " ".join(mirrored_word(word) for word in statement.point.split())
        return Anchor(words, (x, _negative(y), z))
    if isinstance(statement, OnPart):
        return replace(statement, face=mirrored_word(statement.face), mirrored=not statement.mirrored)
    to = statement.to
    if isinstance(to, FaceRef):
        to = FaceRef(to.part, mirrored_word(to.face), not to.mirrored)
    elif statement.face in _OTHER_SIDE:
        to = 0.0 - to
    return FaceGap(mirrored_word(statement.face), to, statement.gap_mm)


def _negative(value: float | None) -> float | None:
    return None if value is None else 0.0 - value


def _other_side(point: Vector) -> Vector:
    return point[0], 0.0 - point[1], point[2]


def _maybe_other_side(point: Vector | None) -> Vector | None:
    return None if point is None else _other_side(point)


def _other_interval(interval: Interval) -> Interval:
    return 0.0 - interval[1], 0.0 - interval[0]


# --- what is typed beside, laid over -------------------------------------------------------


def _places(request: PartRequest, source: PartRequest) -> tuple[tuple[PlaceStatement, ...], set[int]]:
    """The place statements that hold, and the axes in which the taken-over shape gives up its own place."""
    if request.place:
        return request.place, {i for statement in request.place for i in axes_of(statement)}
    typed = request.shape if isinstance(request.shape, BoxShape) else BoxShape()
    stated = {i for i, interval in enumerate(intervals_of(typed)) if interval is not None}
    left = (_without(statement, stated) for statement in source.place)
    return tuple(statement for statement in left if statement is not None), set()


def _without(statement: PlaceStatement, axes: set[int]) -> PlaceStatement | None:
    """A taken-over statement that no longer speaks about ``axes``; None when nothing is left of it."""
    if isinstance(statement, Anchor):
        x, y, z = (None if i in axes else value for i, value in enumerate(statement.at))
        return Anchor(statement.point, (x, y, z))
    if isinstance(statement, FaceGap) and axes.intersection(axes_of(statement)):
        return None
    return statement


def _overlaid_shape(source: ShapeRequest | None, typed: ShapeRequest | None, released: set[int]) -> ShapeRequest | None:
    if isinstance(source, BoxShape) and (typed is None or isinstance(typed, BoxShape)):
        return _overlaid_box(source, typed or BoxShape(), released)
    if source is None or typed is None or type(typed) is not type(source) or isinstance(typed, MeshShape):
        return source if typed is None else typed
    shape = replace(source, **_typed_fields(typed))
    if isinstance(shape, OutlineShape) and isinstance(source, OutlineShape):
        return replace(shape, symmetric=shape.symmetric or source.symmetric)
    return shape


def _overlaid_box(source: BoxShape, typed: BoxShape, released: set[int]) -> BoxShape:
    """Axis by axis: what is typed, else what is taken over; in a released axis only its size."""
    intervals: list[Interval | None] = []
    sizes: list[float | None] = []
    for i in range(3):
        interval, size = intervals_of(typed)[i], typed.size[i]
        if interval is None and size is None:
            interval, size = _axis_of(source, i, i in released)
        intervals.append(interval)
        sizes.append(size)
    size_vector: MaybeVector = (sizes[0], sizes[1], sizes[2])
    return BoxShape(intervals[0], intervals[1], intervals[2], size_vector)


def _axis_of(box: BoxShape, i: int, released: bool) -> tuple[Interval | None, float | None]:
    """A box's interval and size in one axis; released: the size alone."""
    interval = intervals_of(box)[i]
    if interval is not None and released:
        return None, interval[1] - interval[0]
    return interval, box.size[i]


def _overlaid(source: Fields | None, typed: Fields | None) -> Fields | None:
    """Field by field: what is typed, else what is taken over."""
    if source is None or typed is None:
        return source if typed is None else typed
    return replace(source, **_typed_fields(typed))


def _typed_fields(typed: Rim | Turn | ShapeRequest) -> dict[str, Any]:
    return {f.name: getattr(typed, f.name) for f in fields(typed) if getattr(typed, f.name) is not None}
