"""The entries under ``parts`` → placed parts and shafts.

What a person typed becomes :class:`PartRequest`; :mod:`fitcheck.layout.placement` finds
the places. Mass, class and tolerances of a copied part are taken over here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from fitcheck.errors import InputError
from fitcheck.layout import part_entries as typed
from fitcheck.layout.build_masses import point_mass
from fitcheck.layout.build_spans import Hanging, Joints, hanging, joints_of, shaft_part
from fitcheck.layout.load import Layout
from fitcheck.layout.placement import place_parts
from fitcheck.layout.requests import (
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
)
from fitcheck.layout.riding import Riding, riding_of
from fitcheck.layout.span_entries import TyreShape
from fitcheck.layout.values import Value
from fitcheck.units import LENGTH_MM
from fitcheck.vehicle.scene import Part, PointMass, ShaftPart, Vector

CLASS_NOT_GIVEN = "structure"
"""What a part without a class is checked as: a bolted part of the builder's own."""

_NO_MASS_NEEDED = ("keep_out", "brake_line", "hv_cable", "shaft", "axle", "tyre", "steering")


@dataclass
class BuiltParts:
    """Parts and shafts in file order, what they were read from (file → sha256), and remarks.

    ``hanging``: parts that are rods, drag links or hoses; ``tyres``: parts that are tyres, with their radii as they
    turn; ``joints``: those of shafts and of hanging parts.
    """

    parts: list[Part] = field(default_factory=list)
    shafts: list[ShaftPart] = field(default_factory=list)
    joints: dict[str, Joints] = field(default_factory=dict)
    hanging: dict[str, Hanging] = field(default_factory=dict)
    tyres: dict[str, float] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def build_parts(layout: Layout, riding: Riding | None = None) -> BuiltParts:
    """All parts of a layout, riding on its mechanisms.

    Mistakes join the layout's stack; parts that have one are left out.

    Raises FileProblem and MeshError where a part's mesh cannot be read.
    """
    built = BuiltParts()
    entries = layout.entries.parts
    riding = riding or riding_of(layout, {}, None)
    placed = _placed(layout, built, {name: entry for name, entry in entries.items() if entry.span is None})
    for name, entry in entries.items():
        if entry.span is not None:
            _add_span(layout, built, name, riding)
        elif name in placed:
            _add_part(layout, built, placed[name], riding)
    _remark_on_masses(built)
    return built


def _placed(layout: Layout, built: BuiltParts, entries: dict[str, typed.Part]) -> dict[str, PlacedPart]:
    """Where the parts are; what cannot be placed joins the mistakes."""
    requests = [_request(layout, built, name, entry) for name, entry in entries.items()]
    try:
        return place_parts(requests)
    except PlacementProblem as problem:
        for found in problem.every:
            entry = layout.typed.get("parts", found.part) or layout.typed
            at = _pointed_at(entry, found.key)
            whole = at is entry or isinstance(at.data, dict)
            layout.stack.mistake(at.spot if whole else at.place, f"part '{found.part}': {found.message}", found.hint)
        return {}


_TYPED_AS = {"start": "from", "end": "to", "diameter_mm": "diameter", "lo_mm": "from", "hi_mm": "to", "gap_mm": "gap"}


def _pointed_at(entry: Value, key: str) -> Value:
    """The value at a dotted path below a part, as far as the text has it."""
    for step in key.split(".") if key else ():
        entry = entry.child(step) or entry.child(_TYPED_AS.get(step, step)) or entry
    return entry


def _request(layout: Layout, built: BuiltParts, name: str, entry: typed.Part) -> PartRequest:
    return PartRequest(
        name=name,
        shape=_shape(layout, built, name, entry),
        rim=None if entry.rim is None else Rim(entry.rim.out, entry.rim.height, entry.rim.at, entry.rim.inset),
        place=tuple(_statement(place) for place in entry.place),
        turn=None if entry.turn is None else Turn(entry.turn.yaw, entry.turn.pitch, entry.turn.roll),
        nudge_mm=entry.nudge,
        cg_mm=entry.cg,
        mirror_of=entry.mirror_of,
        like=entry.like,
        bought=entry.bought,
    )


def _shape(layout: Layout, built: BuiltParts, name: str, entry: typed.Part) -> ShapeRequest | None:
    if entry.box is not None:
        return BoxShape(entry.box.x, entry.box.y, entry.box.z, entry.box.size or (None, None, None))
    if entry.cylinder is not None:
        return CylinderShape(entry.cylinder.start, entry.cylinder.end, entry.cylinder.diameter)
    if entry.capsule is not None:
        return CapsuleShape(entry.capsule.start, entry.capsule.end, entry.capsule.diameter)
    if entry.sphere is not None:
        return SphereShape(entry.sphere.centre, entry.sphere.diameter)
    if entry.outline is not None:
        flat = entry.outline
        return OutlineShape(flat.points, flat.plane, flat.start, flat.end, flat.symmetric)
    if entry.tyre is not None:
        return _tyre_shape(entry.tyre)
    return None if entry.mesh is None else _mesh(layout, built, name, entry.mesh)


def _mesh(layout: Layout, built: BuiltParts, name: str, mesh: typed.Mesh) -> MeshShape:
    from fitcheck.geometry.meshes import read_mesh

    file = layout.beside("parts", name, "mesh", "file")
    origin = layout.origin("parts", name, "mesh", "file")
    try:
        raw = read_mesh(file)
        built.inputs[file.as_posix()] = hashlib.sha256(file.read_bytes()).hexdigest()
    except InputError as problem:
        raise type(problem)(f"{origin}: part '{name}': {problem}") from problem
    built.warnings += [f"{origin}: part '{name}': {note}" for note in raw.notes]
    return MeshShape(raw.vertices * LENGTH_MM[mesh.units], raw.faces, file.as_posix(), mesh.symmetric)


def _statement(place: typed.Place) -> PlaceStatement:
    """One statement of a place; the schema has seen to it that its keys go together."""
    if place.on is not None and place.face is not None:
        return OnPart(place.on, place.face, place.gap or 0.0)
    if place.face is not None and place.to is not None:
        to = FaceRef(place.to.part, place.to.face) if isinstance(place.to, typed.FaceOf) else place.to
        return FaceGap(place.face, to, place.gap or 0.0)
    return Anchor(place.corner or place.edge or place.point or "", place.at or (None, None, None))


# --- into the scene ----------------------------------------------------------------------


def _add_part(layout: Layout, built: BuiltParts, placed: PlacedPart, riding: Riding) -> None:
    name = placed.name
    origin = layout.origin("parts", name)
    chain = tuple(_copied_from(layout, name))
    tyre = _tyre_of(chain)
    part_class = next((entry.part_class for entry in chain if entry.part_class is not None), None)
    if part_class is None and tyre is not None:
        part_class = "tyre"
    mass = _mass(layout, name, chain, placed.cg_mm)
    if not placed.solids and mass is None:
        layout.stack.mistake(
            _spot(layout, name).spot,
            f"part '{name}' has neither a shape nor a mass",
            f"shapes: {', '.join(typed.SHAPES)}",
        )
        return
    built.warnings += [f"{origin}: part '{name}': {words}" for words in placed.warnings]
    if part_class is None:
        if placed.solids:
            built.warnings.append(_no_class(layout, name))
        part_class = CLASS_NOT_GIVEN
    tape = next((entry.tape for entry in chain if entry.tape is not None), 0.0)
    size = next((entry.within for entry in chain if entry.within is not None), None)
    word = riding.word_of(name)
    sprung = next((entry.sprung for entry in chain if entry.sprung is not None), not riding.unsprung(word))
    built.parts.append(Part(name, part_class, placed.solids, mass, placed.placed_by, origin, tape, size, sprung, word))
    if tyre is not None:
        built.tyres[name] = tyre_size(tyre)[0]


def _tyre_of(chain: tuple[typed.Part, ...]) -> TyreShape | None:
    """The tyre that a part is, or the part that it copies."""
    shaped = next((entry for entry in chain if any(getattr(entry, key) is not None for key in typed.SHAPES)), None)
    return None if shaped is None else shaped.tyre


def tyre_size(tyre: TyreShape) -> tuple[float, float]:
    """Radius and width as it turns, with all that adds to it."""
    from fitcheck.vehicle import discs

    return discs.tyre_size(tyre.radius, tyre.width, 100.0 * tyre.growth, tyre.bulge, tyre.mud, tyre.chains)


def _tyre_shape(tyre: TyreShape) -> CylinderShape:
    """The cylinder that it turns in."""
    radius, width = tyre_size(tyre)
    centre, axis = np.array(tyre.centre), np.array(tyre.axis)
    half = axis / np.linalg.norm(axis) * width / 2.0
    (x0, y0, z0), (x1, y1, z1) = centre - half, centre + half
    return CylinderShape((float(x0), float(y0), float(z0)), (float(x1), float(y1), float(z1)), 2.0 * radius)


def _spot(layout: Layout, name: str) -> Value:
    return layout.typed.get("parts", name) or layout.typed


def _copied_from(layout: Layout, name: str) -> Iterator[typed.Part]:
    """A part's entry, then the entry that it copies, and so on: cycles were refused before."""
    entry: typed.Part | None = layout.entries.parts[name]
    while entry is not None:
        yield entry
        entry = layout.entries.parts[entry.copied] if entry.copied else None


def _mass(layout: Layout, name: str, chain: tuple[typed.Part, ...], cg: Vector | None) -> PointMass | None:
    weighed = next((entry.mass for entry in chain if entry.mass is not None), None)
    if weighed is None:
        return None
    if cg is None:
        layout.stack.mistake(
            _spot(layout, name).spot,
            f"part '{name}' has a mass but no place for it",
            "give its centre of gravity, cg: [x, y, z]",
        )
        return None
    cg_within = next((entry.cg_within for entry in chain if entry.cg_within is not None), None)
    return point_mass(name, weighed, cg, cg_within=cg_within)


def _add_span(layout: Layout, built: BuiltParts, name: str, riding: Riding) -> None:
    entry = layout.entries.parts[name]
    built.joints[name] = joints_of(entry, riding)
    if entry.span in ("shaft", "half_shaft"):
        shaft = shaft_part(layout, name, entry, riding)
        built.shafts += [] if shaft is None else [shaft]
        return
    found = hanging(layout, name, entry, riding)
    if found is None:
        return
    if not found.part.part_class:
        found = replace(found, part=replace(found.part, part_class=CLASS_NOT_GIVEN))
        built.warnings.append(_no_class(layout, name))
    built.parts.append(found.part)
    built.hanging[name] = found


def _no_class(layout: Layout, name: str) -> str:
    return f"{layout.origin('parts', name)}: part '{name}' has no class: it is checked as '{CLASS_NOT_GIVEN}'"


def _remark_on_masses(built: BuiltParts) -> None:
    light = [part.name for part in built.parts if part.mass is None and part.part_class not in _NO_MASS_NEEDED]
    if light:
        built.warnings.append(f"no mass is given for {', '.join(light)}: they weigh nothing in the loads")
