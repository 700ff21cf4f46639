"""The heat of the sample's arrangements beside the engine's rows: every pair, on both of its things."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import fitcheck
from fitcheck.checks.heat import Heat
from fitcheck.checks.heat_unseen import OPEN_LEVEL

SAMPLE = Path(__file__).parents[1] / "sample_meshes" / "hollin262"
_CHORD_MM = 0.02  # of a round piece's prism, and of the engine's own tolerance


@pytest.fixture(scope="module", params=["a", "a2", "d", "b", "b2"])
def arrangement(request):
    scene = fitcheck.load_scene(str(SAMPLE / f"{request.param}.yaml"))
    return scene, fitcheck.check_scene(scene), Heat(scene)


@pytest.fixture(scope="module")
def known():
    """What was asked in an arrangement before: most pairs are to the last bit the same in several."""
    return set()


def fingerprint(scene, row):
    """A pair by all that its heat rests on: the scan, the solids of both things, and every figure of its row."""
    parts = [part for part in scene.parts if part.name in row.between]
    solids = [(s.vertices.tobytes(), s.faces.tobytes(), s.radius_mm) for part in parts for s in part.solids]
    return hash((scene.scan.key, repr(solids), repr(row)))


def test_the_least_heat_of_every_pair_is_the_pairs_distance_within_the_stated_bounds(arrangement, known):
    scene, result, heat = arrangement
    bodies = {body.name for body in scene.moving}
    asked = 0
    for row in result.clearances:
        if row.distance_mm is None and row.contact == "declared":
            continue  # nothing is left beside the place
        if bodies.issuperset(row.between):
            continue  # what moves has no map of its own
        views = [row.between] if row.between[1] in bodies else [row.between, row.between[::-1]]
        asked += len(views)
        if fingerprint(scene, row) in known:
            continue
        known.add(fingerprint(scene, row))
        for name, other in views:
            reach = max(row.distance_mm, 0.0) + 4.0
            pair = heat.pair(name, other, swept=other in bodies, reach_mm=reach)
            least, bound = float(pair.found_mm.min()), pair.cover_mm + pair.pose_bound_mm
            words = f"{name} to {other}: heat {least:.3f}, row {row.distance_mm:.3f}, cover {pair.cover_mm:.3f}, "
            words += f"pose bound {pair.pose_bound_mm:.3f}"
            if row.distance_mm <= 0.0:
                assert least <= pair.cover_mm, words
            else:
                assert row.at_least_mm - bound - _CHORD_MM <= least <= row.distance_mm + bound + _CHORD_MM, words
                assert float(pair.at_least_mm.min()) <= row.distance_mm + pair.cover_mm + _CHORD_MM, words
            assert pair.cover_mm <= 5.0 / np.sqrt(3.0) + 0.1, words
            assert pair.pose_bound_mm <= 3.0, words
    assert asked >= sum(not bodies.issuperset(row.between) for row in result.clearances)


def test_the_maps_agree_with_the_verdicts(arrangement):
    """The lowest level on a part's map is below 1 only with a FAIL, and no pair that fails by more than the cover
    is missing on it."""
    _, result, heat = arrangement
    for made in heat.maps(swept=True):
        rows = [row for row in result.clearances if made.thing in row.between]
        low = made.level.min(initial=4.0)
        if low < 1.0:
            assert any(row.verdict.value == "FAIL" for row in rows), made.thing
        for row in rows:
            if row.distance_mm is not None and row.distance_mm <= row.must_mm - row.guard_mm - made.cover_mm - 3.0:
                assert low < 1.0, (made.thing, row.between)
        assert made.pose_bound_mm <= 3.0
        near = made.other >= 0
        assert (made.at_least_mm[near] <= made.found_mm[near]).all()
        far = ~near if made.doubt is None else ~near & ~made.doubt.open
        assert (made.level[far] == 4.0).all()
        assert (made.level[~near & ~far] == OPEN_LEVEL).all()
        assert np.isinf(made.found_mm[~near]).all()
        assert made.faces.max(initial=-1) < len(made.points_mm)
