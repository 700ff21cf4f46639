"""From relations to places: where every part sits in the vehicle frame.

:func:`place_parts` takes what a person typed (:mod:`fitcheck.layout.requests`) and
answers with solids in vehicle coordinates. In each of x, y, z exactly one statement
may say where a part sits:

- extents typed in the shape itself (a box's ``x: [from, to]``);
- an anchor: a corner, edge, face, the centre or the centre of volume at a coordinate;
- a face with a gap to a coordinate or to another part's face; two opposite faces give
  a box without a size its size;
- ``on``: the face of another part; across that face it only offers "centred";
- the coordinates in which a cylinder, capsule, sphere, outline or mesh is written are
  only an offer too: any statement moves the part.

Nothing in one direction, or two statements in one direction, is a mistake.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from graphlib import CycleError, TopologicalSorter

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InternalError
from fitcheck.layout.copies import taken_over
from fitcheck.layout.pins import anchor_of, pins_of, point_words, shift_of, signs_of, sized_by_faces
from fitcheck.layout.requests import (
    FACES,
    Anchor,
    BoxShape,
    CapsuleShape,
    CylinderShape,
    FaceGap,
    FaceRef,
    MeshShape,
    OnPart,
    OutlineShape,
    PartRequest,
    PlacedPart,
    PlacementProblem,
    PlaceStatement,
    Rim,
    ShapeRequest,
    SphereShape,
    Turn,
    Vector,
)
from fitcheck.layout.shapes import Body, body_of, intervals_of
from fitcheck.layout.turns import radians_warnings, rotation_of, turn_words

__all__ = [
    "FACES",
    "Anchor",
    "BoxShape",
    "CapsuleShape",
    "CylinderShape",
    "FaceGap",
    "FaceRef",
    "MeshShape",
    "OnPart",
    "OutlineShape",
    "PartRequest",
    "PlaceStatement",
    "PlacedPart",
    "PlacementProblem",
    "Rim",
    "ShapeRequest",
    "SphereShape",
    "Turn",
    "place_parts",
]

Floats = NDArray[np.float64]


def place_parts(requests: Sequence[PartRequest]) -> dict[str, PlacedPart]:
    """Place all parts; the answer is in the order of the requests. No requests: {}.

    Raises PlacementProblem: unknown parts, cycles, parts that too few or too many
    statements place, shapes that cannot be built, reflected shapes. Its ``every`` holds
    all problems found in one go; parts that wait for a broken one are left out of it.
    """
    problems = list(_reference_problems(requests))
    by_name = {request.name: request for request in requests}
    resolved: dict[str, PartRequest] = {}
    placed: dict[str, PlacedPart] = {}
    for name in _in_order(by_name, problems):
        request = by_name[name]
        if any(other not in placed for _, other in _references(request)):
            continue
        try:
            original = request.mirror_of or request.like
            resolved[name] = taken_over(request, resolved[original]) if original else request
            placed[name] = _place(request, resolved[name], placed)
        except PlacementProblem as problem:
            problems.append(problem)
    if problems:
        problems[0].every = tuple(problems)
        raise problems[0]
    return {name: placed[name] for name in by_name}


# --- who waits for whom --------------------------------------------------------------------


def _references(request: PartRequest) -> Iterator[tuple[str, str]]:
    """(key, part) for every other part that a request names."""
    if request.mirror_of is not None:
        yield "mirror_of", request.mirror_of
    if request.like is not None:
        yield "like", request.like
    for i, statement in enumerate(request.place):
        if isinstance(statement, OnPart):
            yield f"place.{i}.on", statement.part
        elif isinstance(statement, FaceGap) and isinstance(statement.to, FaceRef):
            yield f"place.{i}.to", statement.to.part


def _reference_problems(requests: Sequence[PartRequest]) -> Iterator[PlacementProblem]:
    """Names given twice, unknown parts, and parts that copy two others."""
    names = [request.name for request in requests]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield PlacementProblem(name, "", "two parts have this name", "rename one of them")
    for request in requests:
        if request.mirror_of is not None and request.like is not None:
            yield PlacementProblem(request.name, "like", "a part has either mirror_of or like, not both")
        for key, other in _references(request):
            if other not in names:
                near = difflib.get_close_matches(other, names, 1)
                hint = f"did you mean '{near[0]}'?" if near else "known parts: " + ", ".join(names)
                yield PlacementProblem(request.name, key, f"there is no part '{other}'", hint)


def _in_order(by_name: Mapping[str, PartRequest], problems: list[PlacementProblem]) -> list[str]:
    """Names so that every part comes after those it names; parts in a cycle are reported and left out."""
    waits = {name: [other for _, other in _references(request)] for name, request in by_name.items()}
    while True:
        try:
            return [name for name in TopologicalSorter(waits).static_order() if name in waits]
        except CycleError as error:
            circle = list(reversed(error.args[1]))
            keys = {other: key for key, other in _references(by_name[circle[0]])}
            message = f"its place goes in a circle: {' → '.join(circle)}"
            hint = "give one of them its own coordinates"
            problems.append(PlacementProblem(circle[0], keys[circle[1]], message, hint))
            for name in circle:
                waits.pop(name, None)


# --- one part ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pose:
    """A body's point p stands at ``rotation @ p + shift``."""

    rotation: Floats
    shift: Floats

    def at(self, point: Floats) -> Floats:
        return self.rotation @ point + self.shift


def _place(typed: PartRequest, request: PartRequest, placed: Mapping[str, PlacedPart]) -> PlacedPart:
    """Place one part. ``typed``: as typed; ``request``: with everything taken over."""
    _refuse_non_finite(typed)
    original = placed.get(request.mirror_of or request.like or "")
    if request.shape is None:
        return _place_mass(request, original)
    statements = pins_of(request, placed)
    sized, pins = sized_by_faces(request, statements)
    body = _body(sized)
    offset = _cg_offset(request, original)
    anchor = _anchor_point(request, body, offset)
    rotation = rotation_of(request.turn)
    shift = shift_of(request, body, pins, rotation, anchor) + (request.nudge_mm or 0.0)
    answer = _stand(request, body, _Pose(rotation, shift), offset)
    firm = [pin.words for pin in statements if not pin.offer]
    return replace(
        answer, placed_by=_words(request, sized, body, firm), warnings=_warnings(typed, request, body, answer)
    )


def _body(request: PartRequest) -> Body:
    if request.shape is None:
        raise InternalError("a mass without a shape has no body")
    body = body_of(request.name, request.shape, request.rim)
    if isinstance(request.shape, MeshShape) and request.place:
        return replace(body, offered=(False, False, False))  # a file's own origin is no place that anybody typed
    return body


def _stand(request: PartRequest, body: Body, pose: _Pose, offset: Floats | None) -> PlacedPart:
    """The body in its pose, without the words about it."""
    solids = tuple(solid.moved(pose.rotation, pose.shift) for solid in body.solids)
    bounds = body.extents(pose.rotation) + pose.shift + 0.0  # no −0 in what people read
    whole = np.array([bounds, *(solid.extents() for solid in solids[1:])])
    cg, cg_from = _cg(request, body, pose, offset)
    return PlacedPart(
        name=request.name,
        solids=solids,
        extents_mm=np.array([whole[:, 0].min(axis=0), whole[:, 1].max(axis=0)]),
        body_extents_mm=bounds,
        middle_mm=_vector(pose.at(body.point((0, 0, 0)))),
        cg_mm=cg,
        cg_from=cg_from,
        placed_by="",
        frame=pose.rotation.T + 0.0,
        nudge_mm=request.nudge_mm or (0.0, 0.0, 0.0),
        copy_of=request.mirror_of or request.like,
    )


def _anchor_point(request: PartRequest, body: Body, offset: Floats | None) -> Floats:
    """The point (3,) of the body, in its own axes, that the anchor names and the turn goes about."""
    anchor, key = anchor_of(request)
    middle = body.point((0, 0, 0))
    if anchor is None:
        return middle
    if anchor.point != "cg":
        return body.point(signs_of(request.name, key, anchor.point))
    if request.cg_mm is not None:
        raise PlacementProblem(
            request.name, key, "its cg is typed, and the place puts its cg at a coordinate too",
            "leave cg out, or place the part by a corner",
        )  # fmt: skip
    if offset is not None:
        return middle + offset
    if body.centroid is None:
        raise PlacementProblem(request.name, key, "its open mesh has no centre of volume", "place it by a corner")
    return body.centroid


def _place_mass(request: PartRequest, original: PlacedPart | None) -> PlacedPart:
    """A mass without a shape: only its centre of gravity has a place."""
    for key, value in (("rim", request.rim), ("turn", request.turn)):
        if value is not None:
            raise PlacementProblem(request.name, key, f"a mass without a shape has no {key}", "give it a shape")
    for i, statement in enumerate(request.place):
        if not isinstance(statement, Anchor) or statement.point != "cg" or None in statement.at:
            raise PlacementProblem(
                request.name, f"place.{i}", "a mass without a shape can only be placed by its cg", "give it a shape"
            )
    nudge = request.nudge_mm or (0.0, 0.0, 0.0)
    cg, cg_from = _mass_cg(request, original)
    return PlacedPart(
        name=request.name,
        solids=(),
        extents_mm=None,
        body_extents_mm=None,
        middle_mm=None,
        cg_mm=None if cg is None else _vector(cg + nudge),
        cg_from=cg_from,
        placed_by=_joined(request, ["its cg"] if cg is not None else ["nothing"]),
        frame=np.eye(3),
        nudge_mm=nudge,
        copy_of=request.mirror_of or request.like,
    )


# --- centre of gravity ---------------------------------------------------------------------


def _mass_cg(request: PartRequest, original: PlacedPart | None) -> tuple[Floats | None, str]:
    """Where a mass without a shape is, its nudge aside, and from where we know."""
    anchor, key = anchor_of(request)
    if request.cg_mm is not None:
        if anchor is not None:
            raise PlacementProblem(request.name, key, "its cg is typed twice", "leave cg or place out")
        return np.array(request.cg_mm), "typed"
    if anchor is not None:
        return np.array(anchor.at, dtype=np.float64), "typed"
    if original is None or original.cg_mm is None:
        return None, ""
    side = (1.0, -1.0, 1.0) if request.mirror_of else (1.0, 1.0, 1.0)
    return (np.array(original.cg_mm) - original.nudge_mm) * side + 0.0, f"taken over from {original.name}"


def _cg_offset(request: PartRequest, original: PlacedPart | None) -> Floats | None:
    """A typed cg that is taken over keeps its place in the part: its offset from the middle, in the part's axes.

    A bought part is the same part on the other side, so its offset is not mirrored.
    """
    if request.cg_mm is not None or original is None or original.cg_from in ("", "centre of volume"):
        return None
    if original.cg_mm is None or original.middle_mm is None:
        return None
    offset = original.frame @ (np.array(original.cg_mm) - original.middle_mm)
    if request.mirror_of and not request.bought:
        offset = offset * (1.0, -1.0, 1.0)
    return np.asarray(offset)


def _cg(request: PartRequest, body: Body, pose: _Pose, offset: Floats | None) -> tuple[Vector | None, str]:
    """The cg (3,) mm in vehicle coordinates, nudge included, and from where we know."""
    if request.cg_mm is not None:
        return _vector(np.array(request.cg_mm) + (request.nudge_mm or 0.0)), "typed"
    if offset is not None:
        middle = body.point((0, 0, 0))
        return _vector(pose.at(middle + offset)), f"taken over from {request.mirror_of or request.like}"
    if body.centroid is None:
        return None, ""
    return _vector(pose.at(body.centroid)), "centre of volume"


# --- words ---------------------------------------------------------------------------------


def _words(request: PartRequest, sized: PartRequest, body: Body, firm: Sequence[str]) -> str:
    """What places the part, as one reads it out beside a tape."""
    said = list(dict.fromkeys(firm))
    if any(body.fixed) or not said:
        said = said if sized is not request else [body.stated_by, *said]
    if isinstance(sized.shape, BoxShape) and isinstance(request.shape, BoxShape) and sized is not request:
        said += _sizes_from_faces(request.shape, sized.shape)
    turn = turn_words(request.turn)
    if turn:
        anchor, _ = anchor_of(request)
        said.append(f"turned {turn} about its {point_words(anchor.point) if anchor else 'centre'}")
    return _joined(request, said)


def _sizes_from_faces(before: BoxShape, after: BoxShape) -> list[str]:
    pairs = zip("xyz", intervals_of(before), intervals_of(after), strict=True)
    return [f"{letter} size {new[1] - new[0]:.10g} from its two faces" for letter, old, new in pairs if new and not old]


def _joined(request: PartRequest, said: Sequence[str]) -> str:
    head = f"mirror of {request.mirror_of}: " if request.mirror_of else f"like {request.like}: " if request.like else ""
    nudge = request.nudge_mm
    tail = "" if nudge is None or not any(nudge) else f"; nudged {', '.join(f'{value:.10g}' for value in nudge)}"
    return head + "; ".join(said) + tail


def _warnings(typed: PartRequest, request: PartRequest, body: Body, answer: PlacedPart) -> tuple[str, ...]:
    """What is likely a slip, though it can be computed."""
    found = [*radians_warnings(typed.turn), *body.warnings]
    if answer.cg_from.startswith("taken over") and typed.shape is not None:
        found.append(f"its cg is {answer.cg_from} although its shape differs: type its cg")
    cg, bounds = answer.cg_mm, answer.extents_mm
    if cg is not None and bounds is not None and not ((bounds[0] <= cg) & (cg <= bounds[1])).all():
        found.append(f"its cg ({', '.join(f'{value:.10g}' for value in cg)}) lies outside its own extents")
    if request.mirror_of and isinstance(request.shape, MeshShape | OutlineShape) and body.centroid is not None:
        lo, hi = body.extents()[:, 1]
        off = abs(float(body.centroid[1]) - (lo + hi) / 2.0)
        if off > max(0.5, 0.01 * (hi - lo)):
            found.append(f"its shape is declared symmetric, but its centre of volume is {off:.1f} mm off its middle")
    return tuple(found)


def _refuse_non_finite(request: PartRequest) -> None:
    """Raise for NaN and infinite numbers in everything but the shape, which checks its own."""
    typed: list[tuple[str, object]] = [("turn", request.turn), ("nudge", request.nudge_mm), ("cg", request.cg_mm)]
    typed += [(f"place.{i}", statement) for i, statement in enumerate(request.place)]
    for key, value in typed:
        if not all(np.isfinite(number) for number in _numbers(value)):
            raise PlacementProblem(request.name, key, "expected finite numbers, found NaN or an infinite one")


def _numbers(value: object) -> Iterator[float]:
    if isinstance(value, int | float):
        yield float(value)
    elif isinstance(value, tuple):
        for item in value:
            yield from _numbers(item)
    elif is_dataclass(value):
        for item in fields(value):
            yield from _numbers(getattr(value, item.name))


def _vector(point: Floats) -> Vector:
    x, y, z = (float(value) + 0.0 for value in point)
    return x, y, z
