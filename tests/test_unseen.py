"""Places not seen: kept between runs, and settled by what is measured since."""

from __future__ import annotations

import numpy as np
import pytest

from fitcheck.geometry import solids
from fitcheck.geometry.cushions import solid_of_balls, solid_of_small_balls
from fitcheck.geometry.inside import inside
from fitcheck.scan.unseen import place_arrays, place_facts, places_from, without_measured
from fitcheck.vehicle.regions import region_solid
from fitcheck.vehicle.scene import Measured, Region, UnseenPlace

BALL = UnseenPlace("gap", "hole", "not seen", solid_of_balls(np.array([[0.0, 0, 0, 50.0]])))
SMALL = UnseenPlace("small", "hole", "two", solid_of_small_balls(np.array([[200.0, 0, 0, 4.0], [300.0, 0, 0, 3.5]])))
BOX = UnseenPlace("shadow", "shadow", "behind", solids.box((400, 0, 0), (500, 50, 50)))


def felt(what: str, region: Region) -> Measured:
    return Measured("felt", what, region)


def box(lo: tuple[float, float, float], hi: tuple[float, float, float]) -> Region:
    return Region("box", lo=lo, hi=hi)


def test_places_come_back_as_they_were_stored():
    places = (BALL, SMALL, BOX)
    again = places_from(place_arrays(places), place_facts(places))
    for one, other in zip(places, again, strict=True):
        assert (one.name, one.kind, one.why) == (other.name, other.kind, other.why)
        assert np.array_equal(one.solid.vertices, other.solid.vertices)
        assert np.array_equal(one.solid.faces, other.solid.faces)
        assert (one.solid.radius_mm, one.solid.convex) == (other.solid.radius_mm, other.solid.convex)


def test_no_places_are_stored_as_none():
    assert places_from(place_arrays(()), place_facts(())) == ()


@pytest.mark.parametrize("what", ["empty", "metal"])
def test_what_was_measured_is_no_longer_unseen(what):
    left = without_measured((BALL,), [felt(what, box((-60, -60, -60), (0, 60, 60)))])
    asked = np.array([[-20.0, 0, 0], [20.0, 0, 0]])
    assert inside(asked, BALL.solid).tolist() == [True, True]
    assert inside(asked, left[0].solid).tolist() == [False, True]


def test_a_place_wholly_measured_is_gone_and_others_stay_as_they_are():
    left = without_measured((BALL, SMALL, BOX), [felt("empty", box((-60, -60, -60), (60, 60, 60)))])
    assert [place.name for place in left] == ["small", "shadow"]
    assert left[1] is BOX or np.array_equal(left[1].solid.vertices, BOX.solid.vertices)


@pytest.mark.parametrize(
    "region",
    [
        Region("sphere", start=(0.0, 0.0, 0.0), radius_mm=20.0),
        Region("capsule", start=(-60.0, 0.0, 0.0), end=(60.0, 0.0, 0.0), radius_mm=10.0),
        Region("cylinder", start=(-60.0, 0.0, 0.0), end=(60.0, 0.0, 0.0), radius_mm=10.0),
    ],
    ids=lambda region: region.kind,
)
def test_a_round_region_takes_no_more_than_itself(region):
    left = without_measured((BALL,), [felt("empty", region)])[0].solid
    random = np.random.default_rng(3).uniform(-50, 50, (4000, 3))
    random = random[np.linalg.norm(random, axis=1) < 45.0]
    outside = ~region.contains(random, 0.05)
    assert inside(random[outside], left).all()
    assert not inside(random[region.contains(random, -0.5)], left).any()


def test_a_box_is_cut_out_of_a_box_to_the_millimetre():
    cube = UnseenPlace("dark", "out of sight", "why", solids.box((0, 0, 0), (100, 100, 100)))
    left = without_measured((cube,), [felt("empty", box((20.5, 30, 40), (70, 200, 60)))])
    points = np.random.default_rng(0).uniform(0.01, 99.99, (4000, 3))
    empty = ((points > [20.5, 30, 40]) & (points < [70, 200, 60])).all(axis=1)
    assert (inside(points, left[0].solid) == ~empty).all()
    far = felt("empty", box((100, 0, 0), (300, 100, 100)))
    assert without_measured((cube,), [far])[0].solid is cube.solid


def test_small_gaps_go_one_by_one():
    left = without_measured((SMALL,), [felt("empty", box((190, -5, -5), (210, 5, 5)))])
    assert left[0].solid.vertices[:, 0].tolist() == [300.0]
    assert without_measured((SMALL,), [felt("empty", box((190, -5, -5), (310, 5, 5)))]) == ()


def test_a_region_as_a_solid_has_its_extents():
    solid = region_solid(Region("cylinder", start=(0.0, 0.0, 0.0), end=(0.0, 0.0, 80.0), radius_mm=10.0))
    assert solid.extents() == pytest.approx(np.array([[-10, -10, 0], [10, 10, 80]]), abs=0.02)
