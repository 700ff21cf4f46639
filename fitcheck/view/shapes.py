"""Arrays of the engine as meshes and actors of the drawing library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.skin import skin
from fitcheck.geometry.solids import Solid
from fitcheck.view.colours import BEYOND, MARK, TOP_LEVEL, heat_table, rgb

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

LEVEL = "level"
_EDGE_ANGLE_DEG = 30.0
_POINT_PIXELS = 3.0


def polydata(points_mm: Floats, faces: NDArray[np.integer[Any]]) -> Any:
    """Triangles as a mesh; no faces: an empty mesh."""
    import pyvista

    if len(faces) == 0:
        return pyvista.PolyData()
    return pyvista.PolyData.from_regular_faces(
        np.asarray(points_mm, dtype=np.float32), np.asarray(faces, dtype=np.int64)
    )


def segments(points_mm: Floats) -> Any:
    """Line segments (n, 2, 3) as a mesh."""
    import pyvista

    points = np.asarray(points_mm, dtype=np.float32).reshape(-1, 3)
    lines = np.insert(np.arange(len(points)).reshape(-1, 2), 0, 2, axis=1)
    return pyvista.PolyData(points, lines=lines.ravel())


def cloud(points_mm: Floats) -> Any:
    """Points (n, 3) as a mesh of points; none: an empty mesh."""
    import pyvista

    if len(points_mm) == 0:
        return pyvista.PolyData()
    return pyvista.PolyData(np.asarray(points_mm, dtype=np.float32))


def mesh_of(solids: Sequence[Solid]) -> Any:
    """The outer surfaces of solids as one mesh to look at."""
    points, faces = joined([(found.points_mm, found.faces) for found in map(skin, solids)])
    return polydata(points, faces)


def joined(meshes: Sequence[tuple[Floats, Ints]]) -> tuple[Floats, Ints]:
    """Several (points, faces) as one; of none: empty."""
    if not meshes:
        return np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)
    starts = np.cumsum([0, *(len(points) for points, _ in meshes[:-1])])
    faces = [some + start for (_, some), start in zip(meshes, starts, strict=True)]
    return np.concatenate([points for points, _ in meshes]), np.concatenate(faces).astype(np.int32)


def surface_actor(mesh: Any, colour: str, *, see_through: float = 1.0) -> Any:
    """A shaded surface in one colour."""
    actor = _actor(mesh)
    actor.GetMapper().SetScalarVisibility(False)
    _matt(actor)
    paint(actor, colour)
    fade(actor, see_through)
    return actor


def heat_actor(mesh: Any, beyond: str = BEYOND) -> Any:
    """A surface coloured by its points' "level" on the heat scale, ``beyond`` where that ends."""
    actor = _actor(mesh)
    mapper = actor.GetMapper()
    mapper.SetScalarModeToUsePointFieldData()
    mapper.SelectColorArray(LEVEL)
    mapper.SetScalarVisibility(True)
    mapper.SetLookupTable(_heat_lookup(beyond))
    mapper.SetUseLookupTableScalarRange(True)
    mapper.SetInterpolateScalarsBeforeMapping(True)
    _matt(actor)
    return actor


def _actor(mesh: Any) -> Any:
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    mapper = vtkPolyDataMapper()
    mapper.SetInputDataObject(mesh)
    actor = vtkActor()
    actor.SetMapper(mapper)
    return actor


def _heat_lookup(beyond: str) -> Any:
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonCore import vtkLookupTable

    table = vtkLookupTable()
    table.SetTable(numpy_to_vtk(heat_table(beyond), deep=True))
    table.SetTableRange(0.0, TOP_LEVEL)
    return table


def _matt(actor: Any) -> None:
    """Light that tells faces apart and leaves colours readable against the scale."""
    look = actor.GetProperty()
    look.SetAmbient(0.45)
    look.SetDiffuse(0.6)
    look.SetSpecular(0.0)
    look.SetPointSize(_POINT_PIXELS)  # of a cloud; triangles have none


def edges_actor(mesh: Any, colour: str = MARK) -> Any:
    """The sharp edges of a mesh as thin lines."""
    lines = mesh.extract_feature_edges(
        feature_angle=_EDGE_ANGLE_DEG, boundary_edges=False, non_manifold_edges=False, manifold_edges=False
    )
    actor = line_actor(lines, colour, width=1.0)
    fade(actor, 0.55)
    return actor


def line_actor(mesh: Any, colour: str, *, width: float, on_top: bool = False) -> Any:
    """Lines in one colour; ``on_top``: drawn over whatever stands before them."""
    actor = flat_actor(mesh, colour)
    actor.GetProperty().SetLineWidth(width)
    if on_top:
        keep_on_top(actor)
    return actor


def outline_actor(mesh: Any, camera: Any, colour: str, *, width: float, on_top: bool = True) -> Any:
    """The outline of a closed mesh as a camera sees it, drawn anew as it turns; not ``on_top``: with sharp edges."""
    from vtkmodules.vtkFiltersHybrid import vtkPolyDataSilhouette

    outline = vtkPolyDataSilhouette()
    outline.SetInputData(mesh)
    outline.SetCamera(camera)
    outline.SetEnableFeatureAngle(not on_top)
    outline.SetFeatureAngle(50.0)
    actor = line_actor(mesh, colour, width=width, on_top=on_top)
    actor.GetMapper().SetInputConnection(outline.GetOutputPort())
    return actor


def follow(actor: Any, camera: Any) -> None:
    """Let an outline be that which another camera sees; anything else is left as it is."""
    mapper = actor.GetMapper() if hasattr(actor, "GetMapper") else None
    source = mapper.GetInputAlgorithm() if mapper is not None and mapper.GetNumberOfInputConnections(0) else None
    if source is not None and source.IsA("vtkPolyDataSilhouette"):
        source.SetCamera(camera)


def dots_actor(points_mm: Floats, colour: str, size: float) -> Any:
    """Round dots of so many pixels, drawn over whatever stands before them."""
    import pyvista

    actor = flat_actor(pyvista.PolyData(np.asarray(points_mm, dtype=np.float32).reshape(-1, 3)), colour)
    actor.GetProperty().SetPointSize(size)
    actor.GetProperty().SetRenderPointsAsSpheres(True)
    keep_on_top(actor)
    return actor


def flat_actor(mesh: Any, colour: str) -> Any:
    """Without light, and not to be picked."""
    actor = _actor(mesh)
    actor.GetMapper().SetScalarVisibility(False)
    actor.GetProperty().SetLighting(False)
    actor.SetPickable(False)
    paint(actor, colour)
    return actor


def keep_on_top(actor: Any) -> None:
    """Shift what an actor draws to the front of the depth buffer."""
    mapper = actor.GetMapper()
    mapper.SetResolveCoincidentTopologyToPolygonOffset()
    mapper.SetRelativeCoincidentTopologyLineOffsetParameters(0.0, -66000.0)
    mapper.SetRelativeCoincidentTopologyPointOffsetParameter(-66000.0)
    mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(0.0, -66000.0)


def lay_over(actor: Any) -> None:
    """Shift what an actor draws a hair to the front: over a surface in the same place, behind what stands before it."""
    mapper = actor.GetMapper()
    mapper.SetResolveCoincidentTopologyToPolygonOffset()
    mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(-1.0, -4.0)


def paint(actor: Any, colour: str) -> None:
    """Give an actor one colour."""
    actor.GetProperty().SetColor(*rgb(colour))


def fade(actor: Any, share: float) -> None:
    """How solid an actor is: 1 opaque."""
    actor.GetProperty().SetOpacity(share)


def move_points(actor: Any, points_mm: Floats) -> None:
    """Put the points of an actor's mesh elsewhere."""
    actor.GetMapper().GetInput().points = np.asarray(points_mm, dtype=np.float32)
