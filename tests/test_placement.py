"""Where parts sit: anchors, turns, faces, other parts, rims."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapes import box_mesh

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
    Rim,
    SphereShape,
    Turn,
    place_parts,
)

BLOCK = BoxShape(size=(100, 60, 30))
AT = (1000.0, 200.0, 500.0)


def three_arms():
    """A corner with arms of 100 along x, 60 along y, 30 along z, each 10 thick: no two directions alike."""
    boxes = (((0, 0, 0), (100, 10, 10)), ((0, 10, 0), (10, 60, 10)), ((0, 0, 10), (10, 10, 30)))
    arms = [box_mesh(lo, hi) for lo, hi in boxes]
    return MeshShape(
        np.concatenate([points for points, _ in arms]),
        np.concatenate([faces + 8 * i for i, (_, faces) in enumerate(arms)]).astype(np.int32),
        file="arms.stl",
    )


TIPS = (4, 10, 17)
"""Vertices at (100, 0, 0), (0, 60, 0) and (0, 0, 30)."""


def placed(*requests):
    return place_parts(requests)


def one(shape, *place, **more):
    return placed(PartRequest("P", shape, place=place, **more))["P"]


# --- anchors and turns -----------------------------------------------------------------------

# By hand. An anchor word says at which end of the part its point lies; the table says where, beside the anchor,
# the part then reaches in vehicle axes. Not turned, the part reaches 100 rearward, 60 to the right and 30 up
# of its front left bottom corner.
#   roll 90:  right goes up, up goes left       so y' = −z, z' = y
#   pitch 90: front goes up, up goes rearward   so x' = z,  z' = −x
#   yaw 90:   rear goes right, right goes front so x' = −y, y' = x
ALONG_X = {"front": (0, 100), "": (-50, 50), "rear": (-100, 0)}
ALONG_Y = {"left": (0, 60), "": (-30, 30), "right": (-60, 0)}
ALONG_Z = {"bottom": (0, 30), "": (-15, 15), "top": (-30, 0)}
AGAINST_X = {"front": (-100, 0), "": (-50, 50), "rear": (0, 100)}
AGAINST_Y = {"left": (-60, 0), "": (-30, 30), "right": (0, 60)}
AGAINST_Z = {"bottom": (-30, 0), "": (-15, 15), "top": (0, 30)}

# Turn → for each vehicle axis: which word of the anchor counts (0 = x word, 1 = y word, 2 = z word), and its table;
# then at which end (0 low, 1 high) of the turned part the tips of the x, y and z arm lie.
BY_HAND = {
    "none": (Turn(), ((0, ALONG_X), (1, ALONG_Y), (2, ALONG_Z)), ((1, 0, 0), (0, 1, 0), (0, 0, 1))),
    "roll": (Turn(roll=90), ((0, ALONG_X), (2, AGAINST_Z), (1, ALONG_Y)), ((1, 1, 0), (0, 1, 1), (0, 0, 0))),
    "pitch": (Turn(pitch=90), ((2, ALONG_Z), (1, ALONG_Y), (0, AGAINST_X)), ((0, 0, 0), (0, 1, 1), (1, 0, 1))),
    "yaw": (Turn(yaw=90), ((1, AGAINST_Y), (0, ALONG_X), (2, ALONG_Z)), ((1, 1, 0), (0, 0, 0), (1, 0, 1))),
}
ANCHORS = list(itertools.product(ALONG_X, ALONG_Y, ALONG_Z))


@pytest.mark.parametrize("turned", BY_HAND)
@pytest.mark.parametrize("words", ANCHORS, ids=lambda words: " ".join(filter(None, words)) or "centre")
def test_three_unequal_arms_at_every_anchor_and_quarter_turn(words, turned):
    """Corners, edges, faces and the centre (27 anchors), turned 90° about each axis, against a table by hand."""
    turn, table, tips = BY_HAND[turned]
    point = " ".join(filter(None, words)) or "centre"
    part = one(three_arms(), Anchor(point, AT), turn=turn)
    reach = np.array([by_word[words[which]] for which, by_word in table]).T + AT
    np.testing.assert_array_equal(part.body_extents_mm, reach)
    for vertex, tip in zip(TIPS, tips, strict=True):
        hand = [reach[end, axis] for axis, end in enumerate(tip)]
        np.testing.assert_array_equal(part.solids[0].vertices[vertex], hand)


def test_turns_go_roll_then_pitch_then_yaw():
    """By hand: the z arm's tip, up; rolled 90° it points left; yawed 90° it then points rearward."""
    part = one(BLOCK, Anchor("front left bottom", (0, 0, 0)), turn=Turn(yaw=90, roll=90))
    np.testing.assert_array_equal(part.body_extents_mm, [[0, 0, 0], [30, 100, 60]])
    # And pitch after roll: right goes up, then up goes rearward.
    part = one(BLOCK, Anchor("front left bottom", (0, 0, 0)), turn=Turn(pitch=90, roll=90))
    np.testing.assert_array_equal(part.body_extents_mm, [[0, -30, -100], [60, 0, 0]])


def test_positive_turns_lift_the_right_lift_the_front_and_swing_the_rear_right():
    plate = BoxShape((-100, 100), (-100, 100), (-1, 1))
    corners = {name: one(plate, turn=turn).solids[0].vertices for name, turn in
               (("roll", Turn(roll=5)), ("pitch", Turn(pitch=5)), ("yaw", Turn(yaw=5)))}  # fmt: skip
    right, front, rear = [2, 3, 6, 7], [0, 2, 4, 6], [1, 3, 5, 7]
    assert corners["roll"][right, 2].min() > 5
    assert corners["pitch"][front, 2].min() > 5
    assert corners["yaw"][rear, 1].mean() > 5


def test_the_frame_is_the_parts_own_axes():
    part = one(BLOCK, Anchor("centre", AT), turn=Turn(yaw=30))
    own = (part.solids[0].vertices - AT) @ part.frame.T
    np.testing.assert_allclose([own.min(axis=0), own.max(axis=0)], [[-50, -30, -15], [50, 30, 15]], atol=1e-9)
    np.testing.assert_allclose(part.frame[0], [math.cos(math.pi / 6), 0.5, 0], atol=1e-15)


lengths = st.floats(1, 3000)
places = st.floats(-3000, 3000)
angles = st.floats(-180, 180)
SIGN = {"front": 0, "rear": 1, "left": 0, "right": 1, "bottom": 0, "top": 1}


@settings(max_examples=80, deadline=None)
@given(
    st.tuples(lengths, lengths, lengths),
    st.tuples(places, places, places),
    st.tuples(*map(st.sampled_from, (["front", "rear"], ["left", "right"], ["bottom", "top"]))),
    st.tuples(angles, angles, angles),
)
def test_the_corner_that_was_placed_is_read_back_where_it_was_typed(size, at, words, turn):
    """Whatever the size and the turn; and the turned part keeps its edges."""
    part = one(BoxShape(size=size), Anchor(" ".join(words), at), turn=Turn(*turn))
    x, y, z = (SIGN[word] for word in words)
    vertices = part.solids[0].vertices
    np.testing.assert_allclose(vertices[x + 2 * y + 4 * z], at, atol=1e-9)
    edges = [np.linalg.norm(vertices[i] - vertices[0]) for i in (1, 2, 4)]
    np.testing.assert_allclose(edges, size, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("angle", [1.57, -1.5708, 0.785, 3.14, 3.1416, 0.5236, 4.712])
def test_an_angle_in_radians_is_warned_of(angle):
    part = one(BLOCK, Anchor("centre", AT), turn=Turn(pitch=angle))
    assert any("looks like radians" in warning and "turn.pitch" in warning for warning in part.warnings)


@pytest.mark.parametrize("angle", [0, 0.5, 1, 1.5, 2, 2.5, 3, 5.5, 10, 30, 45, 90, 180, -90, 360])
def test_an_angle_in_degrees_is_not(angle):
    assert one(BLOCK, Anchor("centre", AT), turn=Turn(pitch=angle)).warnings == ()


# --- boxes, rims, round things ---------------------------------------------------------------


def test_box_with_a_rim_from_the_sample_vehicle():
    """By hand: the rim starts 6 under the top at 630, is 6 high and 20 wider all round."""
    shape = BoxShape((1340, 2156), (-340, -105), (471.5, 630))
    part = one(shape, rim=Rim(out_mm=20, height_mm=6, inset_mm=6, at="top"), cg_mm=(1748, -222.5, 548))
    np.testing.assert_array_equal(part.solids[0].extents(), [[1340, -340, 471.5], [2156, -105, 630]])
    np.testing.assert_array_equal(part.solids[1].extents(), [[1320, -360, 618], [2176, -85, 624]])
    np.testing.assert_array_equal(part.extents_mm, [[1320, -360, 471.5], [2176, -85, 630]])
    np.testing.assert_array_equal(part.body_extents_mm, part.solids[0].extents())
    assert (part.cg_mm, part.cg_from, part.placed_by) == ((1748, -222.5, 548), "typed", "extents")


def test_a_rim_at_the_bottom_and_its_turn_with_the_box():
    part = one(BLOCK, Anchor("front left bottom", (0, 0, 0)), rim=Rim(5, 3, "bottom", 2))
    np.testing.assert_array_equal(part.solids[1].extents(), [[-5, -5, 2], [105, 65, 5]])
    part = one(BLOCK, Anchor("front left bottom", (0, 0, 0)), rim=Rim(5, 3, "bottom"), turn=Turn(yaw=90))
    np.testing.assert_array_equal(part.solids[1].extents(), [[-65, -5, 0], [5, 105, 3]])


def test_extents_of_round_shapes_are_the_true_ones():
    """Closed form: a tilted cylinder reaches r·√(1 − u²) beside its axis; the mesh round it may stand out 0.01 more."""
    rod = one(CylinderShape((0, 0, 0), (300, 0, 400), 50))
    np.testing.assert_allclose(rod.body_extents_mm, [[-20, -25, -15], [320, 25, 415]], atol=1e-12)
    np.testing.assert_allclose(rod.solids[0].extents(), rod.body_extents_mm, atol=0.02)
    assert rod.cg_mm == (150, 0, 200)
    pill = one(CapsuleShape((0, 0, 0), (100, 0, 0), 40))
    np.testing.assert_array_equal(pill.body_extents_mm, [[-20, -20, -20], [120, 20, 20]])
    ball = one(SphereShape(None, 40), Anchor("bottom", (10, 20, 30)))
    np.testing.assert_array_equal(ball.body_extents_mm, [[-10, 0, 30], [30, 40, 70]])


def test_a_cylinder_turned_and_put_against_a_face_touches_it_with_its_true_surface():
    """By hand: upright after a quarter pitch, radius 25, so its axis is 25 + 10 left of the plane y = 100."""
    rod = one(CylinderShape((0, 0, 0), (300, 0, 0), 50), FaceGap("right", 100.0, 10), turn=Turn(pitch=90))
    np.testing.assert_allclose(rod.body_extents_mm, [[125, 40, -150], [175, 90, 150]], atol=1e-12)
    np.testing.assert_allclose(rod.middle_mm, [150, 65, 0], atol=1e-12)


def test_outline_and_mesh_have_their_centre_of_volume():
    """Closed form: an angle 100 × 100 × 20; three arms of 10 000, 5000 and 2000 mm³."""
    angle = OutlineShape(((0, 0), (100, 0), (100, 20), (20, 20), (20, 100), (0, 100)), "xz", 0, 100)
    np.testing.assert_allclose(one(angle).cg_mm, [290 / 9, 50, 290 / 9], rtol=1e-12)
    arms = one(three_arms())
    np.testing.assert_allclose(arms.cg_mm, np.array([535, 235, 115]) / 17, rtol=1e-12)
    np.testing.assert_allclose(one(three_arms(), Anchor("cg", AT), turn=Turn(roll=40)).cg_mm, AT, atol=1e-9)


def test_an_open_mesh_has_no_centre_of_volume_and_says_so():
    vertices, faces = box_mesh([0, 0, 0], [10, 10, 10])
    part = one(MeshShape(vertices, faces[1:]))
    assert part.cg_mm is None
    assert "open" in part.warnings[0]


def test_a_mesh_that_is_inside_out_is_turned_round():
    vertices, faces = box_mesh([500, 0, 0], [510, 10, 10])
    part = one(MeshShape(vertices, faces[:, ::-1]))
    np.testing.assert_array_equal(np.sort(part.solids[0].faces, axis=0), np.sort(faces, axis=0))
    assert "inside out" in part.warnings[0]


def test_a_cg_outside_the_part_is_warned_of():
    part = one(BoxShape((0, 10), (0, 10), (0, 10)), cg_mm=(5, 5, 11))
    assert "outside its own extents" in part.warnings[0]


# --- faces and other parts -------------------------------------------------------------------

PARENT = PartRequest("rail", BoxShape((0, 2000), (340, 400), (400, 520)))


def test_a_gap_is_free_room_outward_of_the_parts_own_face():
    """By hand: right face 10 short of the rail's left face at y 340, top 5 short of 520, front at 700."""
    request = PartRequest("box", BLOCK, place=(
        FaceGap("right", FaceRef("rail", "left"), 10), FaceGap("top", FaceRef("rail", "top"), 5),
        FaceGap("front", 700.0),
    ))  # fmt: skip
    box = placed(PARENT, request)["box"]
    np.testing.assert_array_equal(box.body_extents_mm, [[700, 270, 485], [800, 330, 515]])
    assert box.placed_by == "right face 10 off rail.left; top face 5 off rail.top; front face 0 off x 700"


@pytest.mark.parametrize(
    ("face", "reach"),
    [
        ("front", [[-140, 340, 445], [-40, 400, 475]]),
        ("rear", [[2040, 340, 445], [2140, 400, 475]]),
        ("left", [[950, 240, 445], [1050, 300, 475]]),
        ("right", [[950, 440, 445], [1050, 500, 475]]),
        ("bottom", [[950, 340, 330], [1050, 400, 360]]),
        ("top", [[950, 340, 560], [1050, 400, 590]]),
    ],
)
def test_on_a_face_of_another_part_is_centred_and_off_by_the_gap(face, reach):
    """By hand, for all six faces of a rail centred at (1000, 370, 460)."""
    box = placed(PARENT, PartRequest("box", BLOCK, place=(OnPart("rail", face, 40),)))["box"]
    np.testing.assert_array_equal(box.body_extents_mm, reach)


def test_a_face_beside_on_takes_over_from_the_centring():
    place = (OnPart("rail", "top", 0), FaceGap("front", FaceRef("rail", "front"), 100))
    box = placed(PARENT, PartRequest("box", BLOCK, place=place))["box"]
    np.testing.assert_array_equal(box.body_extents_mm, [[100, 340, 520], [200, 400, 550]])


def test_a_turned_parts_faces_are_those_it_shows_after_turning():
    box = placed(PARENT, PartRequest("box", BLOCK, place=(OnPart("rail", "left", 10),), turn=Turn(yaw=90)))["box"]
    np.testing.assert_array_equal(box.body_extents_mm, [[970, 230, 445], [1030, 330, 475]])


def test_a_crooked_turned_part_is_centred_by_its_extents():
    """What it shows to both sides is alike, though its own middle is not in the middle then."""
    request = PartRequest("arms", three_arms(), place=(OnPart("rail", "top", 4),), turn=Turn(yaw=30))
    arms = placed(PARENT, request)["arms"]
    lo, hi = arms.body_extents_mm
    np.testing.assert_allclose((lo + hi)[:2] / 2, [1000, 370], atol=1e-9)
    assert lo[2] == pytest.approx(524)
    assert np.abs(np.subtract(arms.middle_mm, (lo + hi) / 2)).max() > 5


def test_two_faces_give_a_box_its_size_and_the_echo_says_so():
    place = (FaceGap("front", 100.0, 5), FaceGap("rear", 900.0, 7), Anchor("left bottom", (None, 0, 0)))
    box = one(BoxShape(size=(None, 60, 30)), *place)
    np.testing.assert_array_equal(box.body_extents_mm, [[105, 0, 0], [893, 60, 30]])
    assert "x size 788 from its two faces" in box.placed_by


def family(dx, nudge=None):
    """A parent and five kinds of children, the parent ``dx`` further to the rear."""
    return placed(
        PartRequest("child of child", BLOCK, place=(OnPart("child", "rear", 5),)),
        PartRequest("child", BLOCK, place=(OnPart("rail", "top"),)),
        PartRequest("by faces", BoxShape(None, (0, 10), (0, 10), size=(30, None, None)),
                    place=(FaceGap("rear", FaceRef("rail", "front"), 12),)),
        PartRequest("twin", mirror_of="rail"),
        PartRequest("child of twin", BLOCK, place=(OnPart("twin", "bottom", 3),), turn=Turn(yaw=20)),
        PartRequest("rail", BoxShape((dx, 2000 + dx), (340, 400), (400, 520)), nudge_mm=nudge),
    )  # fmt: skip


@pytest.mark.parametrize(("dx", "nudge"), [(10, None), (0, (10, 0, 0))], ids=["placed", "nudged"])
def test_parent_moved_10_moves_all_children_10(dx, nudge):
    """Also through chains, whatever the order of the entries, and when the parent is only nudged."""
    before, after = family(0), family(dx, nudge)
    assert list(after) == ["child of child", "child", "by faces", "twin", "child of twin", "rail"]
    for name, part in after.items():
        moved = np.add(before[name].solids[0].vertices, [10, 0, 0])
        np.testing.assert_allclose(part.solids[0].vertices, moved, atol=1e-9)
        np.testing.assert_allclose(part.cg_mm, np.add(before[name].cg_mm, [10, 0, 0]), atol=1e-9)


def test_a_nudge_is_listed_separately_and_carries_the_cg():
    part = one(BLOCK, Anchor("front left bottom", AT), nudge_mm=(0, -3, 2.5), cg_mm=(1050, 230, 510))
    np.testing.assert_array_equal(part.body_extents_mm, [[1000, 197, 502.5], [1100, 257, 532.5]])
    assert part.nudge_mm == (0, -3, 2.5)
    assert part.cg_mm == (1050, 227, 512.5)
    assert part.placed_by == "corner front left bottom at 1000, 200, 500; nudged 0, -3, 2.5"


def test_a_mass_without_a_shape_has_a_cg_and_nothing_else():
    part = placed(PartRequest("fuel", cg_mm=(1, 2, 3), nudge_mm=(1, 0, 0)))["fuel"]
    assert (part.solids, part.extents_mm, part.cg_mm) == ((), None, (2, 2, 3))
    assert placed(PartRequest("fuel", place=(Anchor("cg", (1, 2, 3)),)))["fuel"].cg_mm == (1, 2, 3)
    assert place_parts([]) == {}


@settings(max_examples=40, deadline=None)
@given(st.permutations(range(6)), st.lists(st.floats(-50, 50), min_size=6, max_size=6))
def test_the_order_of_the_entries_does_not_matter(order, gaps):
    """A chain of six parts, each on the next, is placed alike however it is written down."""
    assume(len(set(gaps)) == 6)
    chain = [PARENT] + [
        PartRequest(str(i), BLOCK, place=(OnPart(str(i - 1) if i else "rail", "top", gaps[i]),)) for i in range(6)
    ]
    straight, shuffled = placed(*chain), placed(*(chain[i + 1] for i in order), chain[0])
    np.testing.assert_allclose(straight["5"].body_extents_mm[0, 2], 520 + 5 * 30 + sum(gaps), atol=1e-9)
    for name, part_ in shuffled.items():
        np.testing.assert_array_equal(part_.body_extents_mm, straight[name].body_extents_mm)
