"""Outlines pulled into closed solids, in all three planes, and outlines that are none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fitcheck.errors import InputError
from fitcheck.geometry.mass_properties import is_closed, mass_properties
from fitcheck.geometry.outline import extruded_outline

ANGLE = ((0, 0), (100, 0), (100, 20), (20, 20), (20, 100), (0, 100))  # 3600 mm²
SQUARE = ((0, 0), (0, 50), (50, 50), (50, 0))  # clockwise
U_SHAPE = ((0, 0), (10, 0), (10, 10), (6, 10), (6, 4), (4, 4), (4, 10), (0, 10))  # 88 mm²
ON_ONE_EDGE = ((0, 0), (50, 0), (100, 0), (100, 20), (0, 20))  # a corner in the middle of an edge
PLANES = {"xy": (0, 1, 2), "xz": (0, 2, 1), "yz": (1, 2, 0)}


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize(
    ("points", "area", "convex"),
    [(ANGLE, 3600, False), (SQUARE, 2500, True), (U_SHAPE, 88, False), (ON_ONE_EDGE, 2000, True)],
    ids=["angle", "clockwise square", "u", "point on an edge"],
)
def test_outline_becomes_a_closed_solid_wound_outward(points, area, convex, plane):
    """Volume is area times length, the sense of rotation does not matter, concave outlines stay concave."""
    first, second, along = PLANES[plane]
    for ring in (points, points[::-1]):
        solid = extruded_outline(ring, plane, 30, 70)
        assert is_closed(solid.vertices, solid.faces)
        assert mass_properties(solid.vertices, solid.faces).volume_mm3 == pytest.approx(40 * area, rel=1e-12)
        assert solid.convex is convex
        lo, hi = solid.extents()
        assert (lo[along], hi[along]) == (30, 70)
        assert lo[[first, second]].tolist() == np.min(points, axis=0).tolist()
        assert hi[[first, second]].tolist() == np.max(points, axis=0).tolist()


@pytest.mark.parametrize(("plane", "centroid"), [("xy", (290 / 9, 290 / 9, 50)), ("xz", (290 / 9, 50, 290 / 9))])
def test_M63_angle_as_an_outline(plane, centroid):
    """Closed form: the angle 100 × 100 × 20 with an upright 20 × 100 × 80 has 360 000 mm³."""
    solid = extruded_outline(ANGLE, plane, 0, 100)
    properties = mass_properties(solid.vertices, solid.faces)
    assert properties.volume_mm3 == pytest.approx(360000, rel=1e-13)
    np.testing.assert_allclose(properties.centroid_mm, centroid, rtol=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.1, 1.0), st.floats(10, 400)), min_size=4, max_size=40),
    st.sampled_from(sorted(PLANES)),
)
def test_star_outlines_close_and_keep_their_area(rays, plane):
    """Any outline that can be seen from one inner point: volume is the shoelace area times length."""
    steps = np.array([step for step, _ in rays])
    angle = 2 * np.pi * np.cumsum(steps) / steps.sum()
    assume(np.diff(angle, append=angle[0] + 2 * np.pi).max() < 3.0)
    ring = np.array([r for _, r in rays])[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    area = 0.5 * np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1))
    solid = extruded_outline(ring, plane, -1.0, 1.0)
    assert mass_properties(solid.vertices, solid.faces).volume_mm3 == pytest.approx(2 * area, rel=1e-9)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (((0, 0), (10, 10), (10, 0), (0, 10)), r"crosses or touches itself near \(5, 5\)"),
        (((0, 0), (4, 0), (2, 2), (4, 4), (0, 4), (2, 2)), r"touches itself near \(2, 2\)"),
        (((0, 0), (10, 0), (10, 10), (0, 0)), "last point repeats its first"),
        (((0, 0), (10, 0), (10, 0), (10, 10)), "points 2 and 3"),
        (((0, 0), (5, 0), (10, 0)), "no area"),
        (((0, 0), (5, 0)), "at least three points"),
        (((0, 0, 0), (5, 0, 0), (5, 5, 0)), "two numbers"),
        (((0, 0), (5, float("nan")), (5, 5)), "finite"),
    ],
    ids=["bow tie", "touching", "closed twice", "repeated", "on a line", "two", "three numbers", "nan"],
)
def test_outlines_that_are_none_are_refused(points, said):
    """The error says what is wrong and where, and no solid is made."""
    with pytest.raises(InputError, match=said):
        extruded_outline(points, "xy", 0, 10)


@pytest.mark.parametrize(("plane", "lo", "hi"), [("zx", 0, 1), ("xy", 1, 1), ("xy", 2, 1), ("xy", 0, float("inf"))])
def test_planes_and_lengths_that_are_none_are_refused(plane, lo, hi):
    with pytest.raises(InputError, match="an outline"):
        extruded_outline(SQUARE, plane, lo, hi)
