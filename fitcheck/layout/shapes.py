"""From a typed shape to a body in its own axes: solids, bounds, middle, centre of volume.

A body's own axes are parallel to the vehicle's as long as the part is not turned.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import InputError
from fitcheck.geometry.mass_properties import is_closed, mass_properties, signed_volume_mm3
from fitcheck.geometry.outline import extruded_outline
from fitcheck.geometry.solids import Solid, box, capsule, cylinder, sphere
from fitcheck.layout.requests import (
    BoxShape,
    CapsuleShape,
    CylinderShape,
    Interval,
    MeshShape,
    OutlineShape,
    PlacementProblem,
    Rim,
    ShapeRequest,
    SphereShape,
    Vector,
)

Floats = NDArray[np.float64]
Axes = tuple[bool, bool, bool]

AXIS_WORDS = ("x (front to rear)", "y (left to right)", "z (up and down)")
_ALL: Axes = (True, True, True)
_NONE: Axes = (False, False, False)


@dataclass(frozen=True, eq=False)
class Body:
    """A shape in its own axes.

    ``points`` (n, 3) grown by a ball, and by a flat disc square to ``axis``, bound it
    exactly. ``fixed``: axes whose place the shape itself states, so that no other
    statement may; ``offered``: axes whose place it states unless another statement does.
    ``centroid`` (3,): centre of volume, None when the shape is not closed.
    """

    solids: tuple[Solid, ...]
    points: Floats
    ball_mm: float = 0.0
    disc_mm: float = 0.0
    axis: Floats = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))
    fixed: Axes = _NONE
    offered: Axes = _NONE
    centroid: Floats | None = None
    stated_by: str = ""
    warnings: tuple[str, ...] = ()

    def extents(self, rotation: Floats | None = None) -> Floats:
        """Least and greatest corner (2, 3) of the body turned about its own origin; its rim aside."""
        points, axis = self.points, self.axis
        if rotation is not None:
            points, axis = points @ rotation.T, rotation @ axis
        reach = self.ball_mm + self.disc_mm * np.sqrt(np.clip(1.0 - axis**2, 0.0, None))
        return np.array([points.min(axis=0) - reach, points.max(axis=0) + reach])

    def point(self, signs: tuple[int, int, int]) -> Floats:
        """The point (3,) at the low (−1), middle (0) or high (+1) end of each axis."""
        lo, hi = self.extents()
        ends = {-1: lo, 0: (lo + hi) / 2.0, 1: hi}
        return np.array([ends[sign][i] for i, sign in enumerate(signs)])


def body_of(part: str, shape: ShapeRequest, rim: Rim | None = None) -> Body:
    """The body of a complete shape.

    A box needs an interval or a size in each axis; axes with a size only start at 0.
    Raises PlacementProblem for missing, impossible or non-finite values, and for a rim
    round anything but a box.
    """
    if rim is not None and not isinstance(shape, BoxShape):
        raise PlacementProblem(part, "rim", "a rim goes round a box, and this part is none", "model it as its own part")
    if isinstance(shape, BoxShape):
        return _box_body(part, shape, rim)
    if isinstance(shape, CylinderShape | CapsuleShape):
        return _rod_body(part, shape)
    if isinstance(shape, SphereShape):
        return _ball_body(part, shape)
    if isinstance(shape, OutlineShape):
        return _outline_body(part, shape)
    return _mesh_body(part, shape)


def intervals_of(shape: BoxShape) -> tuple[Interval | None, Interval | None, Interval | None]:
    """The typed intervals of a box in x, y, z."""
    return shape.x, shape.y, shape.z


def _box_body(part: str, shape: BoxShape, rim: Rim | None) -> Body:
    ends = [_box_axis(part, shape, i) for i in range(3)]
    solid = box([lo for lo, _ in ends], [hi for _, hi in ends])
    lo, hi = solid.extents()
    solids = (solid,) if rim is None else (solid, _rim_solid(part, lo, hi, rim))
    x, y, z = (interval is not None for interval in intervals_of(shape))
    fixed = (x, y, z)
    return Body(solids, solid.vertices, fixed=fixed, centroid=(lo + hi) / 2.0, stated_by=_extents_words(fixed))


def _box_axis(part: str, shape: BoxShape, i: int) -> Interval:
    interval, size, letter = intervals_of(shape)[i], shape.size[i], "xyz"[i]
    if interval is not None and size is not None:
        raise PlacementProblem(
            part, f"box.{letter}", f"{letter} has both extents and a size ({_n(size)})", "keep one of the two"
        )
    if interval is not None:
        if not (np.isfinite(interval).all() and interval[0] < interval[1]):
            message = f"extents run from the lower to the higher value, not {_n(interval[0])} to {_n(interval[1])}"
            raise PlacementProblem(part, f"box.{letter}", message, "swap the two values" * (interval[0] > interval[1]))
        return interval
    if size is None:
        raise PlacementProblem(
            part, "box", f"nothing gives its size along {AXIS_WORDS[i]}",
            f"add {letter}: [from, to], a size, or two faces",
        )  # fmt: skip
    return 0.0, _positive(part, "box.size", size)


def _extents_words(fixed: Axes) -> str:
    named = [letter for letter, here in zip("xyz", fixed, strict=True) if here]
    return "" if not named else "extents" if len(named) == 3 else "extents in " + " and ".join(named)


def _rim_solid(part: str, lo: Floats, hi: Floats, rim: Rim) -> Solid:
    """The flat box ``height_mm`` thick, ``out_mm`` wider than the body, ``inset_mm`` inside its face."""
    if rim.at not in ("top", "bottom"):
        raise PlacementProblem(part, "rim.at", f"a rim sits at top or bottom, not at {rim.at}")
    out, height = _positive(part, "rim.out", rim.out_mm), _positive(part, "rim.height", rim.height_mm)
    inset = rim.inset_mm or 0.0
    if not (np.isfinite(inset) and 0.0 <= inset <= hi[2] - lo[2] - height):
        raise PlacementProblem(
            part, "rim.inset",
            f"a rim {_n(height)} high, {_n(inset)} inside its face, does not lie within a box {_n(hi[2] - lo[2])} high",
        )  # fmt: skip
    low = hi[2] - inset - height if rim.at == "top" else lo[2] + inset
    return box([lo[0] - out, lo[1] - out, low], [hi[0] + out, hi[1] + out, low + height])


def _rod_body(part: str, shape: CylinderShape | CapsuleShape) -> Body:
    kind = "cylinder" if isinstance(shape, CylinderShape) else "capsule"
    start, end = _point(part, f"{kind}.from", shape.start), _point(part, f"{kind}.to", shape.end)
    radius = _positive(part, f"{kind}.diameter", shape.diameter_mm) / 2.0
    length = float(np.linalg.norm(end - start))
    if kind == "cylinder" and length == 0.0:
        raise PlacementProblem(part, "cylinder.to", "a cylinder's two ends are the same point", "or use a sphere")
    points, middle = np.array([start, end]), (start + end) / 2.0
    if kind == "capsule":
        solid = capsule(start, end, radius)
        return Body((solid,), points, ball_mm=radius, offered=_ALL, centroid=middle, stated_by="its two ends")
    return Body(
        (cylinder(start, end, radius),),
        points,
        disc_mm=radius,
        axis=(end - start) / length,
        offered=_ALL,
        centroid=middle,
        stated_by="its two ends",
    )


def _ball_body(part: str, shape: SphereShape) -> Body:
    radius = _positive(part, "sphere.diameter", shape.diameter_mm) / 2.0
    typed = shape.centre is not None
    centre = _point(part, "sphere.centre", shape.centre) if typed else np.zeros(3)
    return Body(
        (sphere(centre, radius),),
        centre.reshape(1, 3),
        ball_mm=radius,
        offered=_ALL if typed else _NONE,
        centroid=centre,
        stated_by="its centre" if typed else "",
    )


def _outline_body(part: str, shape: OutlineShape) -> Body:
    for key, value in (("points", shape.points), ("plane", shape.plane), ("from", shape.lo_mm), ("to", shape.hi_mm)):
        if value is None:
            raise PlacementProblem(part, f"outline.{key}", f"an outline needs '{key}'")
    try:
        solid = extruded_outline(shape.points or (), shape.plane or "", shape.lo_mm or 0.0, shape.hi_mm or 0.0)
    except InputError as problem:
        raise PlacementProblem(part, "outline", str(problem)) from problem
    properties = mass_properties(solid.vertices, solid.faces)
    return Body(
        (solid,), solid.vertices, offered=_ALL, centroid=properties.centroid_mm, stated_by="its outline's coordinates"
    )


def _mesh_body(part: str, shape: MeshShape) -> Body:
    vertices = np.asarray(shape.vertices, dtype=np.float64).reshape(-1, 3)
    faces = np.asarray(shape.faces, dtype=np.int32).reshape(-1, 3)
    if len(faces) == 0 or not np.isfinite(vertices).all() or faces.min() < 0 or faces.max() >= len(vertices):
        raise PlacementProblem(part, "mesh", "the mesh has no triangles, or broken ones", "export it again")
    used = np.unique(faces)
    centroid: Floats | None = None
    warnings: tuple[str, ...] = ()
    closed = is_closed(vertices, faces)
    if not closed:
        warnings = ("its mesh is open: it has no inside and no centre of volume; type its cg",)
    elif signed_volume_mm3(vertices - vertices[used].mean(axis=0), faces) < 0.0:
        faces = np.ascontiguousarray(faces[:, ::-1])  # inside out, as mirrored exports are
        warnings = ("its mesh was inside out: its faces were turned round",)
    if closed:
        centroid = _mesh_centroid(part, vertices, faces)
    words = f"the coordinates of {shape.file or 'its mesh'}"
    solid = Solid(vertices, faces, closed=closed)
    return Body((solid,), vertices[used], offered=_ALL, centroid=centroid, stated_by=words, warnings=warnings)


def _mesh_centroid(part: str, vertices: Floats, faces: NDArray[np.int32]) -> Floats:
    try:
        return mass_properties(vertices, faces, known_closed=True).centroid_mm
    except InputError as problem:
        raise PlacementProblem(part, "mesh", str(problem)) from problem


def _positive(part: str, key: str, value: float | None) -> float:
    if value is None or not (np.isfinite(value) and value > 0.0):
        found = "nothing" if value is None else _n(value)
        raise PlacementProblem(part, key, f"expected a length above 0, found {found}")
    return float(value)


def _point(part: str, key: str, value: Vector | None) -> Floats:
    if value is None or not np.isfinite(value).all():
        raise PlacementProblem(part, key, f"expected three finite numbers, found {value or 'nothing'}")
    return np.array(value, dtype=np.float64)


def _n(value: float) -> str:
    return f"{value:.10g}"
