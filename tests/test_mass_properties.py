"""Volume, centroid, inertia and area against closed forms, a printed canonical body and trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from shapes import box_mesh

from fitcheck.errors import InputError
from fitcheck.geometry.mass_properties import (
    area_mm2,
    inertia_of,
    is_closed,
    mass_properties,
    signed_volume_mm3,
    solid_moments,
    surface_moments,
)
from fitcheck.geometry.solids import box, prism

TETRAHEDRON = (np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]), [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])


def joined(*meshes):
    vertices, faces, count = [], [], 0
    for points, triangles in meshes:
        vertices.append(points)
        faces.append(np.asarray(triangles) + count)
        count += len(points)
    return np.concatenate(vertices), np.concatenate(faces)


def test_M60_canonical_tetrahedron():
    """Source: Blow and Binstock 2004 (volume, covariance, read); inertia and area by closed form."""
    moments = solid_moments(*TETRAHEDRON)
    properties = mass_properties(*TETRAHEDRON)
    assert moments.content == pytest.approx(1 / 6, rel=1e-14)
    assert properties.volume_mm3 == pytest.approx(1 / 6, rel=1e-14)
    np.testing.assert_allclose(properties.centroid_mm, [0.25] * 3, rtol=1e-14)
    np.testing.assert_allclose(moments.second, np.array([[2, 1, 1], [1, 2, 1], [1, 1, 2]]) / 120, rtol=1e-14)
    off = np.ones((3, 3)) - np.eye(3)
    np.testing.assert_allclose(inertia_of(moments), np.eye(3) / 30 - off / 120, rtol=1e-13)
    np.testing.assert_allclose(properties.inertia_mm5, np.eye(3) / 80 + off / 480, rtol=1e-12)
    np.testing.assert_allclose(properties.inertia_about([0, 0, 0]), np.eye(3) / 30 - off / 120, rtol=1e-12)
    assert properties.area_mm2 == pytest.approx(1.5 + np.sqrt(3) / 2, rel=1e-14)


def test_M61_canonical_triangle():
    """Source: Blow and Binstock 2004, covariance of a thin sheet (read)."""
    moments = surface_moments([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    assert moments.content == pytest.approx(0.5, rel=1e-15)
    np.testing.assert_allclose(moments.first, [1 / 6, 1 / 6, 0], rtol=1e-14)
    np.testing.assert_allclose(moments.second, np.array([[2, 1, 0], [1, 2, 0], [0, 0, 0]]) / 24, rtol=1e-14)


def test_M62_box():
    """Closed form: V = abc, I = m(b² + c²)/12 …, A = 2(ab + bc + ca)."""
    properties = mass_properties(*box_mesh([0, 0, 0], [0.8, 0.4, 0.3]))
    assert properties.volume_mm3 == pytest.approx(0.096, rel=1e-13)
    np.testing.assert_allclose(properties.inertia_mm5, np.diag([0.002, 0.00584, 0.0064]), atol=1e-15)
    assert properties.area_mm2 == pytest.approx(1.36, rel=1e-14)


def test_M63_angle_of_two_boxes():
    """Closed form: 200 000 mm³ at (50, 50, 10) and 160 000 mm³ at (10, 50, 60)."""
    angle = joined(box_mesh([0, 0, 0], [100, 100, 20]), box_mesh([0, 0, 20], [20, 100, 100]))
    properties = mass_properties(*angle)
    assert properties.volume_mm3 == pytest.approx(360000, rel=1e-13)
    np.testing.assert_allclose(properties.centroid_mm, [290 / 9, 50, 290 / 9], rtol=1e-13)


def test_M64_box_shell_of_sheet():
    """Closed form: 600·400·200 − 594·394·194 mm³; aluminium 2.70 and steel 7.85 kg/dm³ (common values)."""
    outer, (points, faces) = box_mesh([0, 0, 0], [600, 400, 200]), box_mesh([3, 3, 3], [597, 397, 197])
    shell = mass_properties(*joined(outer, (points, faces[:, ::-1])))
    assert shell.volume_mm3 == pytest.approx(2_597_016, rel=1e-12)
    assert shell.volume_mm3 * 2.70e-6 == pytest.approx(7.012, abs=5e-4)
    assert shell.volume_mm3 * 7.85e-6 == pytest.approx(20.387, abs=5e-4)
    np.testing.assert_allclose(shell.centroid_mm, [300, 200, 100], rtol=1e-13)


def test_M65_a_closed_mesh_keeps_its_volume_when_moved_and_an_open_one_does_not():
    """Closed form; the method as in Blow and Binstock 2004 (read)."""
    vertices, faces = box_mesh([10, 20, 30], [60, 80, 100])
    moved = vertices + np.array([100, 0, 0])
    assert signed_volume_mm3(vertices, faces) == pytest.approx(210000, rel=1e-13)
    assert signed_volume_mm3(moved, faces) == pytest.approx(210000, rel=1e-13)
    assert is_closed(vertices, faces)
    normal_x = np.cross(*(vertices[faces[:, k]] - vertices[faces[:, 0]] for k in (1, 2)))[:, 0]
    open_faces = faces[normal_x <= 0]  # without its rear wall, 60 × 70: loses 100·4200/3 of volume
    change = signed_volume_mm3(moved, open_faces) - signed_volume_mm3(vertices, open_faces)
    assert change == pytest.approx(-100 * 60 * 70 / 3, rel=1e-12)
    assert not is_closed(vertices, open_faces)


@pytest.mark.parametrize(("sides", "kept"), [(16, 0.97450), (32, 0.99359), (64, 0.99839)])
def test_M66_an_inscribed_prism_keeps_this_much_of_a_cylinder(sides, kept):
    """Closed form: N/(2π)·sin(2π/N)."""
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack([40 * np.cos(turn), 40 * np.sin(turn), np.zeros(sides)], axis=1)
    solid = prism(ring, ring + np.array([0, 0, 500]))
    ratio = mass_properties(solid.vertices, solid.faces).volume_mm3 / (np.pi * 40**2 * 500)
    assert ratio == pytest.approx(sides / (2 * np.pi) * np.sin(2 * np.pi / sides), rel=1e-12)
    assert ratio == pytest.approx(kept, abs=5e-6)


@pytest.mark.parametrize("seed", range(8))
def test_agrees_with_trimesh_far_from_the_origin(seed):
    """A second road: trimesh's own integrals, on random convex bodies 3 m from the origin."""
    chance = np.random.default_rng(seed)
    hull = trimesh.convex.convex_hull(chance.normal(size=(30, 3)) * [300, 120, 60])
    away = np.array([3000, -800, 500])
    far = hull.vertices + away
    properties, near = mass_properties(far, hull.faces), trimesh.Trimesh(hull.vertices, hull.faces)
    assert properties.volume_mm3 == pytest.approx(near.volume, rel=1e-11)
    np.testing.assert_allclose(properties.centroid_mm, near.center_mass + away, rtol=1e-11)
    np.testing.assert_allclose(properties.inertia_mm5, near.moment_inertia, atol=1e-9 * near.moment_inertia.max())
    assert properties.area_mm2 == pytest.approx(near.area, rel=1e-12)


def test_vertices_repeated_by_a_file_count_as_one():
    """A mesh with three vertices of its own a triangle, as STL files have, is closed all the same."""
    vertices, faces = box_mesh([0, 0, 0], [1, 2, 3])
    assert is_closed(vertices[faces].reshape(-1, 3), np.arange(36).reshape(-1, 3))


def test_a_flipped_triangle_is_not_closed():
    vertices, faces = box_mesh([0, 0, 0], [1, 2, 3])
    faces = faces.copy()
    faces[3] = faces[3][::-1]
    assert not is_closed(vertices, faces)


@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        ((np.empty((0, 3)), np.empty((0, 3), int)), "no triangles"),
        ((TETRAHEDRON[0], TETRAHEDRON[1][:3]), "open"),
        ((np.where(TETRAHEDRON[0] == 1, np.nan, 0), TETRAHEDRON[1]), "not numbers"),
        ((TETRAHEDRON[0], np.array(TETRAHEDRON[1])[:, ::-1]), "encloses no volume"),
        ((TETRAHEDRON[0] * [1, 1, 0], TETRAHEDRON[1]), "encloses no volume"),
    ],
    ids=["empty", "open", "nan", "inside out", "flat"],
)
def test_what_encloses_no_volume_is_refused(mesh, said):
    """No answer is made up for a mesh that has none."""
    with pytest.raises(InputError, match=said):
        mass_properties(*mesh)


def test_empty_surfaces_have_no_area_and_no_volume():
    assert area_mm2(np.empty((0, 3)), np.empty((0, 3), int)) == 0.0
    assert signed_volume_mm3(np.empty((0, 3)), np.empty((0, 3), int)) == 0.0
    assert not is_closed(np.empty((0, 3)), np.empty((0, 3), int))


def test_the_programs_own_box_encloses_its_volume():
    solid = box([1, 2, 3], [4, 6, 8])
    assert mass_properties(solid.vertices, solid.faces).volume_mm3 == pytest.approx(60, rel=1e-14)
