"""Scenes for weighing and for standing on the ground: a small truck with two axles, and what is put on it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fitcheck.geometry.solids import Solid, capsule, sphere
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle
from fitcheck.vehicle.scene import (
    Axle,
    CornerWeights,
    LoadState,
    Part,
    PointMass,
    Quantity,
    RaisedAxle,
    ScanLayers,
    Scene,
    Tyre,
    Weights,
)

WHEELBASE = 2620.0
STIFF = 1e12  # N/mm: a vehicle that does not move under its load


def mass(name: str, kg: float, at: ArrayLike, *, sigma: float = 0.0, place: float = 0.0) -> PointMass:
    x, y, z = (float(value) for value in np.asarray(at))
    return PointMass(name, Quantity(kg, sigma), (x, y, z), place)


def part(name: str, *solids: Solid, weighs: PointMass | None = None, **more: Any) -> Part:
    return Part(name, more.pop("part_class", "hv_box"), solids, weighs, "by the test", **more)


def axles(*, wheel_rate: tuple[float, float] = (40.0, 48.0), tyre_rate: float = 300.0, **more: Any) -> dict[str, Axle]:
    """Front and rear axle of the truck; ``more``: base, track, radius, mechanism of the rear axle."""
    base, track = more.pop("base", WHEELBASE), more.pop("track", 1480.0)
    tyre = Tyre(more.pop("radius", 395.0), more.pop("width", 205.0), tyre_rate)
    hubs, mechanism = more.pop("hubs", (None, None)), more.pop("mechanism", None)
    on = () if mechanism is None else (mechanism,)
    assert not more
    return {
        "front": Axle("front", 0.0, track, 1000.0, wheel_rate[0], tyre, hubs[0]),
        "rear": Axle("rear", base, track, 1450.0, wheel_rate[1], tyre, hubs[1], mechanisms=on),
    }


def weights(corners: tuple[float, float, float, float] = (402.0, 398.0, 342.0, 338.0), **more: Any) -> Weights:
    """Scales in the order front left, front right, rear left, rear right; ``sigma``: of each scale."""
    sigma = more.pop("sigma", 0.0)
    if "cg_height_mm" not in more:
        more.setdefault("raised", RaisedAxle("rear", 620.0, Quantity(42.0, more.pop("gain_sigma", 0.0))))
    return Weights(CornerWeights(*(Quantity(corner, sigma) for corner in corners)), **more)


def scene(**more: Any) -> Scene:
    """The truck, with what the test puts in place of its own."""
    more.setdefault("axles", axles())
    more.setdefault("weights", weights())
    more.setdefault("parts", ())
    more.setdefault("scan", None)
    more.setdefault("load_states", (LoadState("kerb"),))
    return Scene("truck", "truck.yaml", "truck", **more)


def scanned(*surfaces: tuple[ArrayLike, ArrayLike], tile_size: int = 256) -> ScanLayers:
    """A scan made of meshes (vertices, faces)."""
    vertices, faces, count = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], 0
    for points, triangles in surfaces:
        vertices.append(np.asarray(points, dtype=np.float64))
        faces.append(np.asarray(triangles) + count)
        count += len(vertices[-1])
    return ScanLayers(tile_surface(np.concatenate(vertices), np.concatenate(faces), tile_size))


def spots(*points: ArrayLike, size: float = 1e-6) -> ScanLayers:
    """A scan of tiny triangles, as good as points."""
    corners = np.array([[0, 0, 0], [size, 0, 0], [0, size, 0]])
    return scanned(*((np.asarray(point) + corners, [[0, 1, 2]]) for point in points))


def plate(x: tuple[float, float], y: tuple[float, float], z: float) -> tuple[ArrayLike, ArrayLike]:
    """A level plate of two triangles."""
    corners = np.array([[x[0], y[0], z], [x[1], y[0], z], [x[1], y[1], z], [x[0], y[1], z]])
    return corners, np.array([[0, 1, 2], [0, 2, 3]])


def nothing() -> ScanLayers:
    """A scan without a triangle."""
    empty = TiledSurface(np.empty((0, 3)), np.empty((0, 3), np.int32), np.zeros(1, np.int64), np.empty((0, 2, 3)))
    return ScanLayers(empty)


def rear_axle() -> SolidAxle:
    """The truck's rear axle: a tube, a differential off the middle, and both tyres."""
    tyres = tuple((f"tyre_{y:+.0f}", capsule((2620, y - 5, 384), (2620, y + 5, 384), 395)) for y in (-740.0, 740.0))
    tube = ("tube", capsule((2620, -600, 384), (2620, 600, 384), 45))
    return SolidAxle(
        name="rear_axle",
        centre_mm=(2620.0, 0.0, 384.0),
        bump_mm=80.0,
        droop_mm=90.0,
        stops_mm=400.0,
        lateral_mm=5.0,
        leaf=Leaf(600.0, "front"),
        wind_up_drive_deg=6.0,
        wind_up_brake_deg=4.0,
        carries=(tube, ("differential", sphere((2620, 60, 384), 130)), *tyres),
    )
