"""What each place statement says about each axis, and whether together they say where a part sits.

A pin holds one thing of a part at one coordinate of one axis: its anchor, one of its
faces as it stands after turning, or its middle. A part sits where three pins hold it,
one an axis.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.layout.requests import (
    FACES,
    Anchor,
    BoxShape,
    FaceGap,
    FaceRef,
    Interval,
    MaybeVector,
    OnPart,
    PartRequest,
    PlacedPart,
    PlacementProblem,
)
from fitcheck.layout.shapes import AXIS_WORDS, Body, intervals_of

Floats = NDArray[np.float64]

_FACE_OF = {-1: "low", 1: "high"}


@dataclass(frozen=True)
class Pin:
    """``holds`` ("anchor", "low", "high", "middle") of a part is at ``at_mm`` along ``axis``.

    ``offer``: gives way to any pin that is none. ``key``: the statement that says so.
    """

    axis: int
    holds: str
    at_mm: float
    key: str
    words: str
    offer: bool = False


def pins_of(request: PartRequest, placed: Mapping[str, PlacedPart]) -> list[Pin]:
    """The pins of all place statements, in their order. Raises PlacementProblem for words that are none."""
    pins: list[Pin] = []
    for i, statement in enumerate(request.place):
        key = f"place.{i}"
        if isinstance(statement, Anchor):
            pins += _anchor_pins(statement, key)
        elif isinstance(statement, FaceGap):
            pins.append(_face_pin(request.name, statement, key, placed))
        else:
            pins += _on_pins(request.name, statement, key, placed)
    return pins


def anchor_of(request: PartRequest) -> tuple[Anchor | None, str]:
    """The one anchor of a request and its key; None when there is none. Raises PlacementProblem for two."""
    found = [(item, f"place.{i}") for i, item in enumerate(request.place) if isinstance(item, Anchor)]
    if len(found) > 1:
        raise PlacementProblem(
            request.name, found[1][1], "a second point is given: one point at a coordinate places a part",
            "keep one of them, and say the rest with faces",
        )  # fmt: skip
    return found[0] if found else (None, "place")


def signs_of(part: str, key: str, words: str) -> tuple[int, int, int]:
    """Corner, edge or face words → −1, 0 or +1 an axis; "centre" is (0, 0, 0). Raises PlacementProblem."""
    signs = [0, 0, 0]
    for word in [] if words == "centre" else words.split():
        axis, sign = FACES[face_word(part, key, word)]
        if signs[axis]:
            raise PlacementProblem(part, key, f"'{words}' names two ends of {AXIS_WORDS[axis]}", "give one of them")
        signs[axis] = sign
    if words != "centre" and not any(signs):
        raise PlacementProblem(part, key, "a point needs words such as 'front left bottom', 'centre' or 'cg'")
    return signs[0], signs[1], signs[2]


def face_word(part: str, key: str, word: str) -> str:
    """The word itself when it names a face; otherwise raises PlacementProblem with the nearest one."""
    if word in FACES:
        return word
    near = difflib.get_close_matches(word, [*FACES, "centre", "cg"], 1)
    hint = f"did you mean '{near[0]}'?" if near else ""
    raise PlacementProblem(part, key, f"expected {', '.join(FACES)}, found '{word}'", hint)


def sized_by_faces(request: PartRequest, pins: list[Pin]) -> tuple[PartRequest, list[Pin]]:
    """A box without a size in an axis takes it from two opposite faces; their pins become its extents.

    Raises PlacementProblem when the size is given already, when the part is turned (a
    turned part's faces do not give its size), or when the faces leave no room.
    """
    for axis in range(3):
        low = next((pin for pin in pins if pin.axis == axis and pin.holds == "low"), None)
        high = next((pin for pin in pins if pin.axis == axis and pin.holds == "high"), None)
        if low is None or high is None:
            continue
        shape = request.shape
        _refuse_second_size(request, low, high)
        if isinstance(shape, BoxShape):
            request = replace(request, shape=_with_interval(shape, axis, (low.at_mm, high.at_mm)))
            pins = [pin for pin in pins if pin is not low and pin is not high]
    return request, pins


def _with_interval(shape: BoxShape, axis: int, interval: Interval) -> BoxShape:
    x, y, z = (interval if i == axis else old for i, old in enumerate(intervals_of(shape)))
    return replace(shape, x=x, y=y, z=z)


def _refuse_second_size(request: PartRequest, low: Pin, high: Pin) -> None:
    axis, room, key = low.axis, high.at_mm - low.at_mm, max(low.key, high.key)
    along = AXIS_WORDS[axis]
    shape = request.shape
    if not isinstance(shape, BoxShape):
        raise PlacementProblem(
            request.name, key, f"two faces hold it along {along}, {room:.10g} apart, and its shape has its own size",
            "keep one of the two faces",
        )  # fmt: skip
    interval, size = intervals_of(shape)[axis], shape.size[axis]
    own = size if interval is None else interval[1] - interval[0]
    if own is not None:
        raise PlacementProblem(
            request.name, key,
            f"two faces leave {room:.10g} along {along} and the box is {own:.10g} long there: {room - own:.10g} over",
            "keep one of the faces, or take the size away",
        )  # fmt: skip
    if request.turn is not None and (request.turn.yaw or request.turn.pitch or request.turn.roll):
        raise PlacementProblem(
            request.name, key, f"two faces along {along} cannot give the size of a part that is turned", "give its size"
        )
    if not room > 0.0:
        raise PlacementProblem(request.name, key, f"its two faces along {along} leave no room: {room:.10g}")


def shift_of(request: PartRequest, body: Body, pins: list[Pin], rotation: Floats, anchor: Floats) -> Floats:
    """Shift (3,) mm that puts the body, turned by ``rotation``, where its pins hold it.

    Raises PlacementProblem for an axis with no pin or with two.
    """
    own = [
        Pin(i, "anchor", float(anchor[i]), "", body.stated_by, offer=not body.fixed[i])
        for i in range(3)
        if body.fixed[i] or body.offered[i]
    ]
    turned, pivot = body.extents(rotation), rotation @ anchor
    stands = {"anchor": pivot, "low": turned[0], "high": turned[1], "middle": turned.mean(axis=0)}
    every = [*pins, *own]
    _refuse_unheld(request, every)
    held = [_one_pin(request, every, axis) for axis in range(3)]
    return np.array([pin.at_mm - stands[pin.holds][pin.axis] for pin in held])


def _refuse_unheld(request: PartRequest, pins: list[Pin]) -> None:
    missing = [AXIS_WORDS[axis] for axis in range(3) if all(pin.axis != axis for pin in pins)]
    if missing:
        raise PlacementProblem(
            request.name, "place" if request.place else "", f"nothing says where it sits along {' and '.join(missing)}",
            "add extents, a point at a coordinate, or a face with a gap in each of these directions",
        )  # fmt: skip


def _one_pin(request: PartRequest, pins: list[Pin], axis: int) -> Pin:
    here = [pin for pin in pins if pin.axis == axis]
    firm = [pin for pin in here if not pin.offer]
    if len(firm) > 1:
        shown = firm[0] if firm[1].key == "" else firm[1]
        raise PlacementProblem(
            request.name, shown.key,
            f"two statements place it along {AXIS_WORDS[axis]}: {firm[0].words}, and {firm[1].words}",
            "keep one of them",
        )  # fmt: skip
    return firm[0] if firm else here[0]


def _anchor_pins(anchor: Anchor, key: str) -> Iterator[Pin]:
    words = f"{point_words(anchor.point)} at {_at(anchor.at)}"
    return (Pin(i, "anchor", value, key, words) for i, value in enumerate(anchor.at) if value is not None)


def _face_pin(part: str, gap: FaceGap, key: str, placed: Mapping[str, PlacedPart]) -> Pin:
    axis, sign = FACES[face_word(part, f"{key}.face", gap.face)]
    if isinstance(gap.to, FaceRef):
        other_axis, other_sign = FACES[face_word(part, f"{key}.to", gap.to.face)]
        if other_axis != axis:
            raise PlacementProblem(
                part, f"{key}.to",
                f"the {gap.face} face is a place along {AXIS_WORDS[axis]}, "
                f"{gap.to.part}.{gap.to.face} one along {AXIS_WORDS[other_axis]}",
            )  # fmt: skip
        plane = _extents_of(part, f"{key}.to", gap.to, placed)[max(other_sign, 0), axis]
        named = f"{_image(gap.to)}{gap.to.part}.{gap.to.face}"
    else:
        plane, named = gap.to, f"{'xyz'[axis]} {gap.to:.10g}"
    words = f"{gap.face} face {gap.gap_mm:.10g} off {named}"
    return Pin(axis, _FACE_OF[sign], float(plane) - sign * gap.gap_mm, key, words)


def _on_pins(part: str, on: OnPart, key: str, placed: Mapping[str, PlacedPart]) -> Iterator[Pin]:
    axis, sign = FACES[face_word(part, f"{key}.face", on.face)]
    extents = _extents_of(part, f"{key}.on", on, placed)
    words = f"{on.gap_mm:.10g} off the {on.face} face of {_image(on)}{on.part}"
    yield Pin(axis, _FACE_OF[-sign], float(extents[max(sign, 0), axis]) + sign * on.gap_mm, key, words)
    for i in {0, 1, 2} - {axis}:
        yield Pin(i, "middle", float(extents[:, i].mean()), key, f"centred on {on.part}", offer=True)


def _extents_of(part: str, key: str, ref: FaceRef | OnPart, placed: Mapping[str, PlacedPart]) -> Floats:
    """The other part's bounds (2, 3), or those of its mirror image."""
    extents = placed[ref.part].body_extents_mm
    if extents is None:
        raise PlacementProblem(part, key, f"'{ref.part}' is a mass without a shape: it has no faces")
    if ref.mirrored:
        return np.sort(extents * (1.0, -1.0, 1.0), axis=0)
    return extents


def point_words(point: str) -> str:
    """ "corner front left bottom", "edge front top", "face right", "centre", "cg"."""
    if point in ("centre", "cg"):
        return point
    return f"{ {1: 'face', 2: 'edge', 3: 'corner'}.get(len(point.split()), 'point') } {point}"


def _image(ref: FaceRef | OnPart) -> str:
    return "the mirror image of " if ref.mirrored else ""


def _at(at: MaybeVector) -> str:
    return ", ".join("–" if value is None else f"{value:.10g}" for value in at)
