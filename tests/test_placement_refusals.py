"""Places and shapes that are none: what is refused, which key is named, and in what words."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from shapes import box_mesh

from fitcheck.errors import InputError
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

PARENT = PartRequest("rail", BoxShape((0, 2000), (340, 400), (400, 520)))


def refused(*requests):
    with pytest.raises(PlacementProblem) as caught:
        place_parts(requests)
    return caught.value


FREE = BoxShape(size=(100, 60, 30))
CORNER = Anchor("front left bottom", (0, 0, 0))


def part(shape=FREE, *place, **more):
    return PartRequest("P", shape, place=place, **more)


@pytest.mark.parametrize(
    ("request_", "key", "said"),
    [
        (part(FREE), "", "along x .* and y .* and z"),
        (part(FREE, FaceGap("front", 0.0), FaceGap("top", 0.0)), "place", r"along y \(left to right\)$"),
        (part(MeshShape(*box_mesh([0, 0, 0], [9, 9, 9])), FaceGap("right", 300.0)), "place", "along x .* and z"),
        (part(BoxShape(x=(0, 1), size=(None, 1, 1)), CORNER), "place.0", "two statements .* along x"),
        (part(FREE, CORNER, FaceGap("right", 60.0)), "place.1", "two statements .* along y"),
        (part(FREE, CORNER, Anchor("rear", (1, 1, 1))), "place.1", "second point"),
        (part(FREE, CORNER, FaceGap("left", 0.0), FaceGap("right", 65.0)), "place.2", "leave 65 .* 60 long .* 5 over"),
        (part(BoxShape((0, 9), (0, 9), (0, 9)), FaceGap("front", 0.0), FaceGap("rear", 8.0)), "place.1", "is 9 long"),
        (part(SphereShape(None, 9), FaceGap("top", 0.0), FaceGap("bottom", 8.0)), "place.1", "its own size"),
        (part(BoxShape(size=(None, 1, 1)), FaceGap("front", 5.0), FaceGap("rear", 4.0)), "place.1", "no room"),
        (part(BoxShape(size=(None, 1, 1)), FaceGap("front", 0.0), FaceGap("rear", 4.0), turn=Turn(yaw=1)), "place.1",
         "turned"),
        (part(BoxShape(size=(None, 1, 1)), CORNER), "box", "size along x"),
        (part(BoxShape(x=(2, 1), y=(0, 1), z=(0, 1))), "box.x", "lower to the higher"),
        (part(BoxShape(x=(0, 1), y=(0, 1), z=(0, 1), size=(1, None, None))), "box.x", "extents and a size"),
        (part(BoxShape(size=(1, -1, 1)), CORNER), "box.size", "above 0"),
        (part(BoxShape(size=(1, math.nan, 1)), CORNER), "box.size", "above 0"),
        (part(FREE, Anchor("front left bottom", (0, math.inf, 0))), "place.0", "finite"),
        (part(FREE, CORNER, turn=Turn(yaw=math.nan)), "turn", "finite"),
        (part(FREE, Anchor("frnt left", (0, 0, 0))), "place.0", "did you mean 'front'"),
        (part(FREE, Anchor("front rear", (0, 0, 0))), "place.0", "two ends of x"),
        (part(FREE, Anchor("", (0, 0, 0))), "place.0", "a point needs words"),
        (part(FREE, Anchor("cg", (0, 0, 0)), cg_mm=(1, 1, 1)), "place.0", "cg is typed"),
        (part(FREE, FaceGap("rihgt", 0.0)), "place.0.face", "did you mean 'right'"),
        (part(FREE, CORNER, rim=Rim(5, 40, "top")), "rim.inset", "does not lie within"),
        (part(FREE, CORNER, rim=Rim(5, 4, "left")), "rim.at", "top or bottom"),
        (part(SphereShape((0, 0, 0), 5), rim=Rim(5, 4, "top")), "rim", "round a box"),
        (part(CylinderShape((0, 0, 0), (0, 0, 0), 5)), "cylinder.to", "same point"),
        (part(CapsuleShape((0, 0, 0), None, 5)), "capsule.to", "three finite numbers"),
        (part(OutlineShape(((0, 0), (1, 1), (1, 0), (0, 1)), "xy", 0, 1)), "outline", "crosses"),
        (part(OutlineShape(((0, 0), (1, 1), (1, 0)), "xy", 0)), "outline.to", "needs 'to'"),
        (part(MeshShape(np.zeros((0, 3)), np.zeros((0, 3), np.int32))), "mesh", "no triangles"),
        (part(None, CORNER), "place.0", "only be placed by its cg"),
        (part(None, turn=Turn(yaw=3)), "turn", "without a shape"),
    ],
)  # fmt: skip
def test_places_and_shapes_that_are_none_are_refused(request_, key, said):
    """The problem names the part, points at the entry's key and says what is missing or too much."""
    problem = refused(request_)
    assert (problem.part, problem.key) == ("P", key)
    assert isinstance(problem, InputError)
    assert re.search(said, problem.hint if "mean" in said else problem.message)


def test_unknown_parts_get_the_nearest_name():
    problem = refused(PARENT, part(FREE, OnPart("rial", "top")))
    assert (problem.key, problem.hint) == ("place.0.on", "did you mean 'rail'?")
    problem = refused(PARENT, part(FREE, FaceGap("front", FaceRef("xyz", "rear"))))
    assert (problem.key, problem.hint) == ("place.0.to", "known parts: rail, P")


def test_a_plane_across_the_faces_direction_is_refused():
    problem = refused(PARENT, part(FREE, FaceGap("front", FaceRef("rail", "top"))))
    assert (problem.key, "one along z" in problem.message) == ("place.0.to", True)
    problem = refused(PartRequest("fuel", cg_mm=(0, 0, 0)), part(FREE, OnPart("fuel", "top")))
    assert "without a shape" in problem.message


def test_cycles_are_refused_and_shown():
    """A circle of three, a part on itself; what hangs on a circle is not reported on top."""
    circle = [PartRequest(a, FREE, place=(OnPart(b, "top"),)) for a, b in ("ab", "bc", "ca")]
    problem = refused(*circle, PartRequest("d", like="a"), PartRequest("e", like="e"))
    assert len(problem.every) == 2
    assert {each.key for each in problem.every} == {"place.0.on", "like"}
    shown = problem.every[0].message.rpartition(": ")[2].split(" → ")
    assert len(shown) == 4
    assert shown[0] == shown[3]
    assert all(b == {"a": "b", "b": "c", "c": "a"}[a] for a, b in itertools.pairwise(shown))


def test_all_problems_are_found_in_one_go():
    both = PartRequest("b", like="rail", mirror_of="rail")
    problem = refused(PARENT, PartRequest("a", FREE), both, PartRequest("rail"))
    assert problem is problem.every[0]
    assert {each.part for each in problem.every} == {"a", "b", "rail"}
