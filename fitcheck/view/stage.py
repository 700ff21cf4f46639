"""One arrangement in one 3D view: its things as layers, its heat, pins, pose, cuts and grounds.

Nothing is computed here but what can be seen: figures come from the Result and the engine. The
scan is reduced for display; what is written on the screen never is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.at_pose import Bodies, Poses, pose_of
from fitcheck.geometry.reduce import Reduced
from fitcheck.geometry.skin import skin
from fitcheck.result import Clearance, Result, Verdict, worst
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.scene import SCAN, Scene
from fitcheck.view import clouds, colours, evidence, hatching, shapes
from fitcheck.view.cameras import VIEW_ANGLE_DEG, Camera, distance_mm
from fitcheck.view.grounds import ground_actors
from fitcheck.view.pins import Pin, pin_actors
from fitcheck.view.unseen import left_open, place_actors, place_words, places_of

if TYPE_CHECKING:
    from fitcheck.checks.heat import HeatMap

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SCAN_LAYER, PARTS, MOVING, REMOVED, PINS, GROUND = "scan", "parts", "moving", "removed", "pins", "ground"
UNSEEN, MEASURED, ASSUMED = "unseen places", "measured", "assumed metal"
LAYERS = (SCAN_LAYER, PARTS, MOVING, REMOVED, PINS, GROUND, UNSEEN, MEASURED, ASSUMED)
AXES = ("x", "y", "z")
_CUT = (SCAN_LAYER, PARTS, MOVING, REMOVED, UNSEEN, MEASURED, ASSUMED)

SHARP_TRIANGLES = 400_000
"""The scan is shown with about so many triangles at most …"""
MOVING_TRIANGLES = 40_000
"""… and with so many while the view turns: fluid also where no graphics card helps."""


@dataclass
class Thing:
    """Something that is drawn: its surface, the lines that go with it, its mesh without heat, ink over its heat."""

    name: str
    surface: Any
    lines: list[Any] = field(default_factory=list)
    plain_mesh: Any = None
    plain_colour: str = colours.SCAN
    ink: list[Any] = field(default_factory=list)


class Stage:
    """The actors of one scene in one renderer."""

    def __init__(self, renderer: Any, scene: Scene, result: Result) -> None:
        self.renderer = renderer
        self.scene = scene
        self.result = result
        self.poses: Poses = {}
        self.parts: dict[str, Thing] = {}
        self.layers: dict[str, list[Any]] = {layer: [] for layer in LAYERS}
        self.hidden: set[str] = {REMOVED, GROUND}
        self.cuts: dict[str, Any] = {}
        self.fine: Reduced | None = None
        self.coarse: Reduced | None = None
        self.scan: Thing | None = None
        self.scan_while_turning: Thing | None = None
        self.heat: dict[str, HeatMap] = {}
        self.told: list[tuple[Any, str, str]] = []  # what a click says that is on no thing: actor, name, words
        self.assumed: Any = None
        self.unseen = places_of(scene)
        self._bodies: list[tuple[MovingBody, list[tuple[Any, Floats]]]] = []
        self._add_scan()
        self._add_evidence()
        self._add_parts()
        self._add_moving()

    # -- what is there --

    def _add(self, layer: str, actor: Any) -> Any:
        self.layers[layer].append(actor)
        actor.SetVisibility(layer not in self.hidden)
        self.renderer.AddActor(actor)
        if layer in _CUT:
            self._cut(actor)
        return actor

    def _add_scan(self) -> None:
        layers = self.scene.scan
        if layers is None or layers.metal.triangle_count == 0:
            return
        self.fine = clouds.for_the_eye(layers.metal, SHARP_TRIANGLES, cloud=layers.cloud)
        self.scan = self._scan_thing(self.fine)
        for surface in layers.removed.values():
            piece = clouds.for_the_eye(surface, MOVING_TRIANGLES, cloud=layers.cloud)
            mesh = clouds.mesh_of(piece, cloud=layers.cloud)
            self._add(REMOVED, shapes.surface_actor(mesh, colours.REMOVED, see_through=0.35))

    def _scan_thing(self, reduced: Reduced) -> Thing:
        mesh = clouds.mesh_of(reduced, cloud=self.cloud)
        mesh.point_data[shapes.LEVEL] = np.full(mesh.n_points, colours.TOP_LEVEL)
        actor = self._add(SCAN_LAYER, shapes.surface_actor(mesh, colours.SCAN))
        return Thing(SCAN, actor, plain_mesh=mesh)

    @property
    def cloud(self) -> bool:
        """Whether the scan is points without faces."""
        return self.scene.scan is not None and self.scene.scan.cloud

    def _add_evidence(self) -> None:
        """What was not seen, what was measured by hand, and metal that is assumed."""
        layers = self.scene.scan
        if layers is None:
            return
        camera = self.renderer.GetActiveCamera()
        for place in self.unseen:
            fill, over = place_actors(place)
            self._tell(UNSEEN, fill, over, (place.name, place_words(place)))
        for taped in layers.measured:
            fill, over = evidence.measured_actors(taped, camera)
            self._tell(MEASURED, fill, over, (taped.name, evidence.measured_words(taped)))
        found = evidence.assumed_actors(layers)
        if found is not None:
            self.assumed = found[0]
            self._tell(ASSUMED, *found, (SCAN, "metal that is assumed, not scanned"))

    def _tell(self, layer: str, fill: Any, over: list[Any], words: tuple[str, str]) -> None:
        self.told.append((fill, *words))
        for actor in (fill, *over):
            self._add(layer, actor)

    def _add_parts(self) -> None:
        carried = {body.name for body in self.scene.moving}
        for part in self.scene.parts:
            if not part.solids or part.name in carried:
                continue
            mesh = shapes.mesh_of(part.solids)
            colour = colours.VERDICT[self.verdict_of(part.name)]
            surface = self._add(PARTS, shapes.surface_actor(mesh, colour))
            lines = [self._add(PARTS, shapes.edges_actor(mesh))]
            self.parts[part.name] = Thing(part.name, surface, lines, mesh, colour)

    def verdict_of(self, name: str) -> Verdict:
        """The worst verdict of a thing's pairs; of a thing without pairs NOT PROVEN."""
        return worst([row.verdict for row in self.result.clearances if name in row.between])

    def _add_moving(self) -> None:
        """A moving part in the colour of its worst verdict, for it has no heat; mechanisms and shafts are grey."""
        parts = {part.name for part in self.scene.parts}
        for body in self.scene.moving:
            pieces = []
            colour = colours.VERDICT[self.verdict_of(body.name)] if body.name in parts else colours.MOVING
            for piece in body.shapes or body.pieces:
                shown = skin(piece.at(body.space.scan_pose))
                actor = shapes.surface_actor(shapes.polydata(shown.points_mm, shown.faces), colour)
                pieces.append((self._add(MOVING, actor), shown.points_mm))
            self._bodies.append((body, pieces))

    @property
    def cell_mm(self) -> float:
        """How far the scan's points were moved at most for display; 0 without a scan."""
        return 0.0 if self.fine is None else math.sqrt(3.0) * self.fine.cell_mm

    def thing_at(self, actor: Any) -> str | None:
        """The name of what an actor shows: a part, a moving body or the scan; None for anything else."""
        for thing in [*self.parts.values(), self.scan, self.scan_while_turning]:
            if thing is not None and thing.surface is actor:
                return thing.name
        for body, pieces in self._bodies:
            if any(shown is actor for shown, _ in pieces):
                return body.name
        return None

    def told_by(self, actor: Any) -> tuple[str, str] | None:
        """The name and the words of a place that was not seen, measured or assumed; None for anything else."""
        return next(((name, words) for shown, name, words in self.told if shown is actor), None)

    def let_pick(self, on: bool) -> None:
        """Whether a click finds places as well as things."""
        for actor, _, _ in self.told:
            actor.SetPickable(on)

    # -- what is shown --

    def show(self, layer: str, on: bool) -> None:
        """Switch a layer on or off."""
        (self.hidden.discard if on else self.hidden.add)(layer)
        for actor in self.layers[layer]:
            actor.SetVisibility(on)
        if layer == SCAN_LAYER:
            self.turning(False)

    def turning(self, on: bool) -> None:
        """While the view turns the scan is shown with few triangles; they are made when that is first asked for."""
        if self.scan is None:
            return
        if self.scan_while_turning is None:
            if not on or self.fine is None:
                return
            self.coarse = clouds.fewer(self.fine, MOVING_TRIANGLES, cloud=self.cloud)
            self.scan_while_turning = self._scan_thing(self.coarse)
            if SCAN in self.heat:
                self._paint_scan(self.heat[SCAN])
        shown = SCAN_LAYER not in self.hidden
        shapes.fade(self.scan_while_turning.surface, self.scan.surface.GetProperty().GetOpacity())
        for actor in (self.scan.surface, *self.scan.ink):
            actor.SetVisibility(shown and not on)
        for actor in (self.scan_while_turning.surface, *self.scan_while_turning.ink):
            actor.SetVisibility(shown and on)

    def only_part(self, name: str | None, share: float = 1.0) -> None:
        """Show one part alone, so solid, and no other; None: all again."""
        for thing in self.parts.values():
            shapes.fade(thing.surface, 1.0 if name is None else share)
            for actor in (thing.surface, *thing.lines, *thing.ink):
                actor.SetVisibility(PARTS not in self.hidden and name in (None, thing.name))

    def see_through(self, share: float) -> None:
        """How solid the scan is: 1 opaque."""
        for thing in (self.scan, self.scan_while_turning):
            if thing is not None:
                shapes.fade(thing.surface, share)
        if self.assumed is not None:
            shapes.fade(self.assumed, share)

    def pose(self, poses: Poses, seen: Bodies | None = None) -> None:
        """Put the moving bodies where mechanisms' poses put them; ``seen``: instead of the scene's own, by name."""
        self.poses = dict(poses)
        for own, pieces in self._bodies:
            body = (seen or {}).get(own.name, own)
            pose = pose_of(body, poses)
            for piece, (actor, scanned) in zip(body.shapes or body.pieces, pieces, strict=True):
                if isinstance(piece, RigidPiece):
                    points = piece.motion.place(pose[None], scanned)[0]
                else:
                    points = skin(piece.at(pose)).points_mm
                shapes.move_points(actor, points)

    def paint_heat(self, heat: HeatMap) -> None:
        """Colour a part, or the scan, by a heat map."""
        self.heat[heat.thing] = heat
        if heat.thing == SCAN:
            self._paint_scan(heat)
        elif heat.thing in self.parts:
            mesh = shapes.polydata(heat.points_mm, heat.faces)
            mesh.point_data[shapes.LEVEL] = heat.level
            thing = self.parts[heat.thing]
            self._swap(thing, shapes.heat_actor(mesh), PARTS)
            if heat.doubt is not None:
                self._ink(thing, PARTS, mesh, (heat.doubt.unseen, heat.doubt.assumed))

    def _ink(self, thing: Thing, layer: str, mesh: Any, where: tuple[Flags, Flags]) -> None:
        """The looks of what was not seen, and of assumed metal, over every face with such a point."""
        if mesh.n_points == 0 or (self.cloud and layer == SCAN_LAYER):
            return
        faces = mesh.regular_faces
        for flags, pattern in zip(where, (hatching.SLANTED, hatching.DOTTED), strict=True):
            some = faces[flags[faces].any(axis=1)]
            if len(some):
                over = hatching.hatch_actor(shapes.polydata(mesh.points, some), pattern)
                thing.ink.append(self._add(layer, over))

    def _paint_scan(self, heat: HeatMap) -> None:
        for reduced, thing in ((self.fine, self.scan), (self.coarse, self.scan_while_turning)):
            if reduced is None or thing is None or heat.rows is None:
                continue
            mesh = thing.plain_mesh
            mesh.point_data[shapes.LEVEL] = reduced.least(heat.rows, heat.level, colours.TOP_LEVEL)
            self._swap(thing, shapes.heat_actor(mesh, colours.SCAN_BEYOND), SCAN_LAYER)
            if heat.doubt is not None:
                unseen = reduced.least(heat.rows, np.where(heat.doubt.unseen, 0.0, 1.0), 1.0) < 0.5
                self._ink(thing, SCAN_LAYER, mesh, (unseen, np.zeros(len(unseen), dtype=bool)))
        self.turning(False)

    def paint_plain(self) -> None:
        """Without heat: the parts in the colour of their worst verdict, the scan in its own."""
        self.heat = {}
        for thing in self.parts.values():
            self._swap(thing, shapes.surface_actor(thing.plain_mesh, thing.plain_colour), PARTS)
        for scan in (self.scan, self.scan_while_turning):
            if scan is not None:
                self._swap(scan, shapes.surface_actor(scan.plain_mesh, colours.SCAN), SCAN_LAYER)
        self.turning(False)

    def _swap(self, thing: Thing, actor: Any, layer: str) -> None:
        shapes.fade(actor, thing.surface.GetProperty().GetOpacity())
        self.layers[layer].remove(thing.surface)
        self.renderer.RemoveActor(thing.surface)
        for old in thing.ink:
            self.layers[layer].remove(old)
            self.renderer.RemoveActor(old)
        thing.ink = []
        thing.surface = self._add(layer, actor)

    # -- marks --

    def pin(self, pins: list[Pin], marks: Sequence[Any] = ()) -> None:
        """Show these pins and marks and no others."""
        self._replace(PINS, [*(actor for pin in pins for actor in pin_actors(pin)), *marks])

    def follow(self, camera: Any) -> None:
        """Let outlines be those that this camera sees."""
        for actor in (some for actors in self.layers.values() for some in actors):
            shapes.follow(actor, camera)

    def stand_on(self, state: str | None) -> None:
        """Show the ground of a load state, with the owners of belly and angles; None: no ground."""
        found = self.result.ground.get(state or "")
        self._replace(GROUND, [] if found is None else ground_actors(self.scene, state or "", found))

    def _replace(self, layer: str, actors: list[Any]) -> None:
        for actor in self.layers[layer]:
            self.renderer.RemoveActor(actor)
        self.layers[layer] = []
        for actor in actors:
            self._add(layer, actor)

    # -- cuts --

    def cut(self, axis: str, at_mm: float | None, *, keep_above: bool = True) -> None:
        """Cut everything away on one side of a plane square to an axis; None: whole again."""
        from vtkmodules.vtkCommonDataModel import vtkPlane

        self.cuts.pop(axis, None)
        if at_mm is not None:
            normal = np.eye(3)[AXES.index(axis)] * (1.0 if keep_above else -1.0)
            plane = vtkPlane()
            plane.SetOrigin(*(at_mm * np.abs(normal)))
            plane.SetNormal(*normal)
            self.cuts[axis] = plane
        for layer in _CUT:
            for actor in self.layers[layer]:
                self._cut(actor)

    def _cut(self, actor: Any) -> None:
        mapper = actor.GetMapper()
        mapper.RemoveAllClippingPlanes()
        for plane in self.cuts.values():
            mapper.AddClippingPlane(plane)

    # -- where one looks from --

    def look(self, camera: Camera) -> None:
        """Look from a camera."""
        eye = self.renderer.GetActiveCamera()
        eye.SetParallelProjection(camera.flat)
        eye.SetViewAngle(VIEW_ANGLE_DEG)
        eye.SetParallelScale(camera.half_height_mm)
        eye.SetWindowCenter(camera.aside, 0.0)
        eye.SetFocalPoint(*camera.centre_mm)
        eye.SetPosition(*(camera.centre_mm - camera.look * distance_mm(camera)))
        eye.SetViewUp(*camera.up)

    def remove(self) -> None:
        """Take everything off the renderer."""
        for actors in self.layers.values():
            for actor in actors:
                self.renderer.RemoveActor(actor)


def worst_rows(result: Result, most: int) -> list[Clearance]:
    """The rows to pin: the worst ones that have a place, in the order of the table."""
    return [row for row in result.clearances if _has_place(row) and row.contact != "declared"][:most]


def _has_place(row: Clearance) -> bool:
    return row.points_mm is not None or (left_open(row) and row.unseen_point_mm is not None)
