"""Entries that hang between two joints → shafts, rods, drag links and hoses, with the pieces that the sweep moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fitcheck.errors import InternalError
from fitcheck.layout import part_entries as typed
from fitcheck.layout import span_entries as spans
from fitcheck.layout.build_masses import point_mass
from fitcheck.layout.build_mechanisms import told
from fitcheck.layout.load import Layout
from fitcheck.layout.riding import Riding
from fitcheck.units import spoken
from fitcheck.vehicle.scene import Part, PointMass, ShaftPart, Vector

if TYPE_CHECKING:
    from fitcheck.geometry.solids import Solid
    from fitcheck.vehicle.ends import End
    from fitcheck.vehicle.motion import Motion
    from fitcheck.vehicle.moving import Piece

SPEED_OF_SOUND_M_S = {"steel": 5110.0, "aluminium": 5090.0}
"""√(E/ρ) of a shaft's tube."""

_CLASSES = {"shaft": "shaft", "half_shaft": "shaft", "drag_link": "steering"}
"""What a span is where no class is given; a rod or a hose is what the person says."""


_ONE_JOINT_MM = 1.0
"""Joints typed nearer than this are one."""


@dataclass(frozen=True, eq=False)
class Hanging:
    """A rod, drag link or hose. ``words``: what its joints ride on.

    Without pieces both joints are on the body, and it is a part like any other.
    """

    part: Part
    pieces: tuple[Piece, ...]
    words: tuple[str, ...]


def own_class(layout: Layout, name: str, entry: typed.Part) -> str | None:
    """The class of a span; None where none is given. A shaft of another class is a mistake."""
    meant = _CLASSES.get(entry.span or "")
    if meant == "shaft" and entry.part_class not in (None, "shaft"):
        value = layout.typed.get("parts", name, "class") or layout.typed
        layout.stack.mistake(
            value.place, f"a shaft is of class shaft, found {spoken(entry.part_class)}", "leave 'class' out"
        )
    return entry.part_class or meant


def mass_of(name: str, entry: typed.Part, ends: tuple[Vector, Vector]) -> PointMass | None:
    """Its mass, in the middle of both joints unless ``cg`` says otherwise."""
    if entry.mass is None:
        return None
    first, last = ends
    middle = ((first[0] + last[0]) / 2.0, (first[1] + last[1]) / 2.0, (first[2] + last[2]) / 2.0)
    return point_mass(name, entry.mass, entry.cg or middle, cg_within=entry.cg_within)


# --- shafts ----------------------------------------------------------------------------------------


def shaft_part(layout: Layout, name: str, entry: typed.Part, riding: Riding) -> ShaftPart | None:
    """A propeller shaft or a half shaft; None where something that carries a joint was not built."""
    shaft, half = entry.shaft, entry.half_shaft
    either = shaft or half
    if either is None or not _known(riding, (either.start, either.end)):
        return None
    start, end = either.start.at, either.end.at
    own_class(layout, name, entry)
    first, last = (riding.word_of(joint.on) or None for joint in (either.start, either.end))
    yokes = shaft.yokes if shaft is not None else half.joints if half is not None else None
    plain = ShaftPart(
        name=name,
        start_mm=start,
        end_mm=end,
        end_on=last,
        diameter_mm=either.diameter,
        wall_mm=None if shaft is None else shaft.wall,
        yoke_diameter_mm=None if yokes is None else yokes.diameter,
        yoke_length_mm=None if yokes is None else yokes.length,
        whip_mm=0.0 if shaft is None else shaft.whip,
        yoke_whip_mm=0.0 if yokes is None else yokes.whip,
        start_axis=either.from_axis,
        end_axis=either.to_axis,
        origin=layout.origin("parts", name),
        mass=mass_of(name, entry, (start, end)),
        start_on=first,
        start_motion=_motion(riding, either.start),
        end_motion=_motion(riding, either.end),
    )
    return plain if shaft is None else _told_more(plain, shaft)


def _told_more(plain: ShaftPart, shaft: spans.Shaft) -> ShaftPart:
    """With what only a propeller shaft has."""
    from dataclasses import replace

    spline = shaft.spline
    return replace(
        plain,
        speed_of_sound_m_s=SPEED_OF_SOUND_M_S[shaft.material],
        ratio=shaft.ratio,
        spline_engaged_mm=None if spline is None else spline.engaged,
        spline_free_mm=None if spline is None else spline.free,
        spline_diameter_mm=None if spline is None else spline.diameter,
        phased=shaft.phased,
    )


def _motion(riding: Riding, joint: spans.JointEnd) -> Motion | None:
    """How a joint is carried; None: it stands still."""
    motion = riding.motion(riding.word_of(joint.on), joint.at[0])
    return motion if motion.coordinates else None


# --- rods, drag links, hoses ------------------------------------------------------------------------


def hanging(layout: Layout, name: str, entry: typed.Part, riding: Riding) -> Hanging | None:
    """A rod, drag link or hose; None where it, or something that carries a joint, was not built."""
    joints = _joints(entry)
    if not _known(riding, joints):
        return None
    pieces = told(layout, ("parts", name, entry.span or ""), _pieces, name, entry, riding)
    if pieces is None:
        return None
    solids = tuple(piece.at(np.empty(0)) for piece in _pieces_at_rest(name, entry))
    words = tuple(riding.word_of(joint.on) for joint in joints)
    sprung = not any(riding.unsprung(word) for word in words)  # an end on a wheel goes down where the wheel does
    part = _part(layout, name, entry, (solids, next((word for word in words if word), "")), sprung=sprung)
    return Hanging(part, pieces if any(words) else (), words)


@dataclass(frozen=True)
class Joints:
    """Where a span's joints are on scan day, and the parts that they name."""

    places_mm: tuple[Vector, ...]
    bolted_to: tuple[str, ...]

    def meets(self, other: Joints) -> bool:
        """Whether they have a joint in common: both pieces of a shaft at the centre bearing."""
        return any(math.dist(one, two) < _ONE_JOINT_MM for one in self.places_mm for two in other.places_mm)


def joints_of(entry: typed.Part, riding: Riding) -> Joints:
    """The joints of a span."""
    parts = tuple(joint.on for joint in _joints(entry) if joint.on is not None and joint.on in riding.parts)
    return Joints(_ends_mm(entry), parts)


def _joints(entry: typed.Part) -> tuple[spans.JointEnd, ...]:
    """Its joints; the steering box of a drag link is on the body."""
    between = entry.shaft or entry.half_shaft or entry.rod or entry.hose
    if between is not None:
        return between.start, between.end
    return () if entry.drag_link is None else (entry.drag_link.end,)


def _known(riding: Riding, joints: tuple[spans.JointEnd, ...]) -> bool:
    return all(riding.knows(riding.word_of(joint.on)) for joint in joints)


def _pieces_at_rest(name: str, entry: typed.Part) -> tuple[Piece, ...]:
    """The same as it hangs on scan day: nothing has to be solved for that."""
    from fitcheck.vehicle.ends import End
    from fitcheck.vehicle.mechanisms import Still
    from fitcheck.vehicle.spans import RodPiece

    first, last = (End(point, Still()) for point in _ends_mm(entry))
    if entry.hose is not None:
        return _hose_pieces(name, entry.hose, first, last)
    if entry.rod is not None:
        return (RodPiece(name, first, last, entry.rod.diameter / 2.0),)
    return () if entry.drag_link is None else _link_pieces(entry.drag_link, first, last)


def _pieces(name: str, entry: typed.Part, riding: Riding) -> tuple[Piece, ...]:
    from fitcheck.vehicle.spans import RodPiece

    if entry.drag_link is not None:
        return _drag_link(name, entry.drag_link, riding)
    first, last = (_end(riding, joint) for joint in _joints(entry))
    if entry.rod is not None:
        return (RodPiece(name, first, last, entry.rod.diameter / 2.0),)
    return _hose_pieces(name, entry.hose, first, last)


def _drag_link(name: str, link: spans.DragLink, riding: Riding) -> tuple[Piece, ...]:
    """The rod, and the arm where its diameter is given; the rod's fixed length turns the arm."""
    from fitcheck.vehicle.drag_link import Pitman
    from fitcheck.vehicle.ends import End

    arm, other = link.arm, _end(riding, link.end)
    return _link_pieces(link, End(arm.tip, Pitman(name, arm.centre, arm.axis, arm.tip, other)), other)


def _link_pieces(link: spans.DragLink, tip: End, other: End) -> tuple[Piece, ...]:
    from fitcheck.vehicle.ends import End
    from fitcheck.vehicle.mechanisms import Still
    from fitcheck.vehicle.spans import RodPiece

    arm = link.arm
    rod = RodPiece("link", tip, other, link.diameter / 2.0)
    if arm.diameter is None:
        return (rod,)
    return rod, RodPiece("arm", End(arm.centre, Still()), tip, arm.diameter / 2.0)


def _hose_pieces(name: str, hose: spans.Hose | None, first: End, last: End) -> tuple[Piece, ...]:
    from fitcheck.vehicle.hoses import Line, hose_pieces

    if hose is None:
        raise InternalError(f"'{name}' is no rod, drag link or hose")
    return hose_pieces(Line(name, first, last, hose.length, hose.diameter))


def _end(riding: Riding, joint: spans.JointEnd) -> End:
    from fitcheck.vehicle.ends import End

    return End(joint.at, riding.motion(riding.word_of(joint.on), joint.at[0]))


def _part(
    layout: Layout, name: str, entry: typed.Part, shape: tuple[tuple[Solid, ...], str], *, sprung: bool
) -> Part:
    """As a part: where it is on scan day, what it weighs, what carries it."""
    solids, word = shape
    ends = _ends_mm(entry)
    return Part(
        name=name,
        part_class=own_class(layout, name, entry) or "",
        solids=solids,
        mass=mass_of(name, entry, ends),
        placed_by="its joints",
        origin=layout.origin("parts", name),
        taped_sigma_mm=entry.tape or 0.0,
        size_sigma_mm=entry.within,
        sprung=sprung if entry.sprung is None else entry.sprung,
        on=word,
    )


def _ends_mm(entry: typed.Part) -> tuple[Vector, Vector]:
    if entry.drag_link is not None:
        return entry.drag_link.arm.tip, entry.drag_link.end.at
    first, last = _joints(entry)
    return first.at, last.at
