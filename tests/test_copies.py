"""``mirror_of`` and ``like``: the same part on the other side, or again, with typed keys laid over."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import box_mesh

from fitcheck.geometry.mass_properties import mass_properties
from fitcheck.layout.copies import mirrored
from fitcheck.layout.placement import (
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
    PlacementProblem,
    Rim,
    SphereShape,
    Turn,
    place_parts,
)

A1 = PartRequest(
    "A1", BoxShape((1340, 2156), (-340, -105), (471.5, 630)), rim=Rim(20, 6, "top", 6), cg_mm=(1748, -222.5, 548)
)
RAIL = PartRequest("rail", BoxShape((0, 2000), (-400, -340), (400, 520)))
ANGLE = ((0, 0), (100, 0), (100, 20), (20, 20), (20, 100), (0, 100))
TURNED = Turn(yaw=25, pitch=-10, roll=5)


def wedge(symmetric=False, y=0.0):
    """A closed mesh without any symmetry: a box with one corner pulled out."""
    vertices, faces = box_mesh([0, y, 0], [80, y + 40, 20])
    vertices[-1] += [15, 10, 5]
    return MeshShape(vertices, faces, "wedge.stl", symmetric)


def same_points(one, other):
    """Both arrays hold the same points, in any order, within 1e-9."""
    apart = np.linalg.norm(one[:, None] - other[None], axis=2)
    return len(one) == len(other) and apart.min(axis=0).max() < 1e-9 and apart.min(axis=1).max() < 1e-9


REQUESTS = {
    "extents and rim": A1,
    "turned about a corner": PartRequest(
        "P", BoxShape(size=(450, 350, 120)), place=(Anchor("front left bottom", (75, -325, 760)),), turn=TURNED
    ),
    "faces": PartRequest("P", BoxShape(size=(None, 50, 30)), place=(
        FaceGap("left", FaceRef("rail", "right"), 10), FaceGap("top", 600.0),
        FaceGap("front", 0.0), FaceGap("rear", 90.0),
    )),
    "on another part": PartRequest("P", BoxShape(size=(70, 50, 30)), place=(OnPart("rail", "right", 12),), turn=TURNED),
    "cylinder": PartRequest("P", CylinderShape((0, 10, 0), (300, 40, 20), 50), turn=TURNED),
    "capsule nudged": PartRequest("P", CapsuleShape((0, 10, 0), (300, 40, 20), 50), nudge_mm=(1, 2, 3)),
    "sphere": PartRequest("P", SphereShape((5, 6, 7), 8), cg_mm=(5, 7, 7)),
}  # fmt: skip


@pytest.mark.parametrize("request_", REQUESTS.values(), ids=REQUESTS)
def test_mirror_is_the_image_and_mirror_twice_is_identity(request_):
    """Every solid and the cg lie at −y; the mirror image of the mirror image is the part itself."""
    name = request_.name
    parts = place_parts([RAIL, request_, PartRequest("M", mirror_of=name), PartRequest("MM", mirror_of="M")])
    part, image, twice = parts[name], parts["M"], parts["MM"]
    side = np.array([1.0, -1.0, 1.0])
    np.testing.assert_allclose(image.body_extents_mm, np.sort(part.body_extents_mm * side, axis=0), atol=1e-9)
    np.testing.assert_allclose(image.extents_mm, np.sort(part.extents_mm * side, axis=0), atol=1e-9)
    np.testing.assert_allclose(image.cg_mm, np.array(part.cg_mm) * side, atol=1e-9)
    assert (image.copy_of, image.placed_by.startswith(f"mirror of {name}: ")) == (name, True)
    for one, other, again in zip(part.solids, image.solids, twice.solids, strict=True):
        if not isinstance(request_.shape, CylinderShape):  # its many-sided ring stands elsewhere, its extents do not
            assert same_points(one.vertices * side, other.vertices)
        np.testing.assert_allclose(again.vertices, one.vertices, atol=1e-9)
        np.testing.assert_array_equal(again.faces, one.faces)
    np.testing.assert_allclose(twice.cg_mm, part.cg_mm, atol=1e-9)


def test_a_mirrored_solid_still_winds_outward():
    """The shape is never reflected, so its signed volume stays positive."""
    image = place_parts([A1, PartRequest("M", mirror_of="A1", turn=TURNED)])["M"]
    solid = image.solids[0]
    assert mass_properties(solid.vertices, solid.faces).volume_mm3 == pytest.approx(816 * 235 * 158.5, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.floats(-180, 180)] * 3), st.tuples(*[st.floats(-2000, 2000)] * 3))
def test_mirrored_turns_are_those_of_the_mirror(turn, at):
    """yaw → −yaw, roll → −roll, pitch as it is: the box's corners are the mirror image, whatever the angles."""
    part = PartRequest("P", BoxShape(size=(90, 50, 20)), place=(Anchor("rear right", at),), turn=Turn(*turn))
    parts = place_parts([part, PartRequest("M", mirror_of="P")])
    assert same_points(parts["P"].solids[0].vertices * [1, -1, 1], parts["M"].solids[0].vertices)
    assert mirrored(mirrored(part)) == part


# --- shapes that have a left and a right -------------------------------------------------------


@pytest.mark.parametrize(
    ("shape", "bought"),
    [
        (wedge(), None),
        (wedge(), True),
        (OutlineShape(ANGLE, "xy", 0, 10), None),
        (OutlineShape(ANGLE, "yz", 0, 10), None),
        (OutlineShape(ANGLE, "xz", 0, 10), True),
    ],
    ids=["mesh", "bought mesh", "outline from above", "outline from ahead", "bought outline"],
)
def test_a_shape_with_a_left_and_a_right_is_not_mirrored(shape, bought):
    with pytest.raises(PlacementProblem, match="mirror image of 'P' would be another part") as caught:
        place_parts([PartRequest("P", shape, bought=bought), PartRequest("M", mirror_of="P")])
    assert (caught.value.part, caught.value.key) == ("M", "mirror_of")


def test_an_outline_pulled_from_left_to_right_is_its_own_mirror_image():
    part = PartRequest("P", OutlineShape(ANGLE, "xz", 30, 50), turn=Turn(roll=15))
    parts = place_parts([part, PartRequest("M", mirror_of="P")])
    assert same_points(parts["P"].solids[0].vertices * [1, -1, 1], parts["M"].solids[0].vertices)


@pytest.mark.parametrize("plane", ["xy", "yz"])
def test_a_symmetric_outline_stands_on_the_other_side(plane):
    points = ((0, 10), (50, 30), (0, 50)) if plane == "xy" else ((10, 0), (30, 50), (50, 0))
    part = PartRequest("P", OutlineShape(points, plane, 5, 9, symmetric=True), turn=TURNED)
    parts = place_parts([part, PartRequest("M", mirror_of="P")])
    assert same_points(parts["P"].solids[0].vertices * [1, -1, 1], parts["M"].solids[0].vertices)
    assert parts["M"].warnings == ()


def test_a_mesh_declared_symmetric_is_placed_not_reflected_and_a_false_claim_is_warned_of():
    """By hand: y from 100 to 150 becomes −150 to −100 by a shift of −250; the pulled-out corner stays right."""
    parts = place_parts([PartRequest("P", wedge(True, 100.0), bought=True), PartRequest("M", mirror_of="P")])
    moved = parts["P"].solids[0].vertices - [0, 250, 0]
    np.testing.assert_allclose(parts["M"].solids[0].vertices, moved, atol=1e-9)
    np.testing.assert_array_equal(parts["M"].solids[0].faces, parts["P"].solids[0].faces)
    assert any("declared symmetric" in warning for warning in parts["M"].warnings)


def test_a_bought_part_keeps_its_cg_where_it_is_in_the_part():
    """By hand: a bought box from y 100 to 140 with its cg at 110, so 10 from its left; placed at −140 to −100."""
    box = BoxShape((0, 80), (100, 140), (0, 20))
    for bought, cg_y in ((True, -130), (False, -110)):
        part = PartRequest("P", box, cg_mm=(40, 110, 10), bought=bought)
        assert place_parts([part, PartRequest("M", mirror_of="P")])["M"].cg_mm == (40, cg_y, 10)


# --- typed keys laid over ----------------------------------------------------------------------


def test_typed_extents_override_one_axis_alone():
    """The re-cut right box of the sample vehicle: shorter in x, all else mirrored from the left one."""
    parts = place_parts([A1, PartRequest("A2", BoxShape(x=(1340, 2036)), mirror_of="A1", cg_mm=(1688, 222.5, 548))])
    np.testing.assert_array_equal(parts["A2"].body_extents_mm, [[1340, 105, 471.5], [2036, 340, 630]])
    np.testing.assert_array_equal(parts["A2"].solids[1].extents(), [[1320, 85, 618], [2056, 360, 624]])
    assert (parts["A2"].cg_mm, parts["A2"].cg_from) == ((1688, 222.5, 548), "typed")
    assert parts["A2"].warnings == ()


def test_a_cg_taken_over_by_another_shape_is_warned_of():
    part = place_parts([A1, PartRequest("A2", BoxShape(x=(1340, 2036)), mirror_of="A1")])["A2"]
    assert part.cg_mm == (1688, 222.5, 548)
    assert "taken over from A1 although its shape differs" in part.warnings[0]


def test_turn_rim_and_diameter_are_overridden_field_by_field():
    base = PartRequest("P", BoxShape((0, 9), (0, 9), (0, 9)), rim=Rim(5, 2, "top", 1), turn=Turn(yaw=90, roll=90))
    rod = PartRequest("R", CapsuleShape((0, 0, 0), (9, 0, 0), 4))
    parts = place_parts([
        base, rod, PartRequest("Q", like="P", rim=Rim(height_mm=3), turn=Turn(roll=0)),
        PartRequest("S", CapsuleShape(diameter_mm=6), like="R"),
    ])  # fmt: skip
    np.testing.assert_array_equal(parts["Q"].solids[1].extents(), [[-5, -5, 5], [14, 14, 8]])
    np.testing.assert_array_equal(parts["S"].extents_mm, [[-3, -3, -3], [12, 3, 3]])


def test_like_with_its_own_place_carries_size_and_cg_along():
    """By hand: A1 again, 40 behind itself and turned a quarter: 235 in x, 816 in y; cg 2.75 under the middle."""
    part = place_parts([A1, PartRequest("B", like="A1", place=(OnPart("A1", "rear", 40),), turn=Turn(yaw=90))])["B"]
    np.testing.assert_allclose(part.body_extents_mm, [[2196, -630.5, 471.5], [2431, 185.5, 630]], atol=1e-9)
    np.testing.assert_allclose(part.cg_mm, [2313.5, -222.5, 548], atol=1e-9)


def test_a_typed_place_replaces_what_is_taken_over_in_its_own_axes_only():
    """By hand: the same box further back, its y and z as A1's; or with x typed over a corner at x 75."""
    part = place_parts([A1, PartRequest("B", like="A1", place=(FaceGap("front", FaceRef("A1", "rear"), 40),))])["B"]
    np.testing.assert_array_equal(part.body_extents_mm, [[2196, -340, 471.5], [3012, -105, 630]])
    corner = PartRequest("P", BoxShape(size=(450, 350, 120)), place=(Anchor("front left bottom", (75, -325, 760)),))
    part = place_parts([corner, PartRequest("B", BoxShape(x=(0, 99)), like="P")])["B"]
    np.testing.assert_array_equal(part.body_extents_mm, [[0, -325, 760], [99, 25, 880]])


def test_nudges_are_taken_over_mirrored_unless_typed():
    base = PartRequest("P", BoxShape((0, 9), (10, 20), (0, 9)), nudge_mm=(1, 2, 3))
    parts = place_parts([base, PartRequest("M", mirror_of="P"), PartRequest("N", mirror_of="P", nudge_mm=(0, 0, 0))])
    assert parts["M"].nudge_mm == (1, -2, 3)
    np.testing.assert_array_equal(parts["M"].extents_mm, [[1, -22, 3], [10, -12, 12]])
    np.testing.assert_array_equal(parts["N"].extents_mm, [[0, -20, 0], [9, -10, 9]])


def test_a_mass_without_a_shape_is_mirrored_by_its_cg():
    parts = place_parts([PartRequest("P", cg_mm=(1, 2, 3), nudge_mm=(0, 5, 0)), PartRequest("M", mirror_of="P")])
    assert parts["M"].cg_mm == (1, -7, 3)
