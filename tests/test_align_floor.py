"""The scanned floor: a plane through the majority of points, whatever stands on it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from test_align import turn

from fitcheck.errors import AlignmentError
from fitcheck.scan.floor import FloorPlane, floor_plane, scanned_floor
from fitcheck.scan.spec import FloorPatch

Floats = NDArray[np.float64]


def bare_floor(count: int, noise_mm: float, seed: int = 0, size_mm: float = 3000.0) -> Floats:
    chance = np.random.default_rng(seed)
    flat = chance.uniform(-size_mm / 2, size_mm / 2, (count, 2))
    return np.column_stack([flat, chance.normal(0.0, noise_mm, count)])


def tilt_mrad(plane: FloorPlane, normal: Floats) -> float:
    return 1000.0 * math.acos(min(1.0, abs(float(plane.normal @ normal))))


def test_an_exact_floor_is_found_exactly() -> None:
    """z = 12 without noise: normal (0, 0, 1), offset 12, sigma 0, nothing rejected (closed form)."""
    plane = floor_plane(bare_floor(300, 0.0) + [0, 0, 12])
    assert plane.normal == pytest.approx([0, 0, 1], abs=1e-12)
    assert plane.offset_mm == pytest.approx(12.0, abs=1e-9)
    assert (plane.sigma_mm, plane.rejected) == (pytest.approx(0.0, abs=1e-9), 0.0)


def test_the_flatness_of_a_bare_floor_is_its_noise() -> None:
    """20 000 points with σ 1.2 mm: sigma within 3 %, fewer than 1 % rejected (0.3 % lie beyond 3σ)."""
    plane = floor_plane(bare_floor(20_000, 1.2))
    assert plane.sigma_mm == pytest.approx(1.2, rel=0.03)
    assert plane.rejected < 0.01
    assert tilt_mrad(plane, np.array([0, 0, 1.0])) < 0.05


def clutter(kind: str, count: int, chance: np.random.Generator) -> Floats:
    """What stands on a floor: feet and jack heads in a heap, cables just above it, a pallet as flat as the floor."""
    if kind == "heap":
        return np.column_stack([chance.normal(600, 150, (count, 2)), chance.uniform(5, 400, count)])
    if kind == "cables":
        return np.column_stack([chance.uniform(-1500, 1500, (count, 2)), chance.uniform(6, 14, count)])
    return np.column_stack([chance.uniform(-400, 1500, (count, 2)), chance.normal(140, 0.8, count)])


@pytest.mark.parametrize("kind", ["heap", "cables", "pallet"])
@pytest.mark.parametrize("share", [0.1, 0.25, 0.4])
def test_up_to_forty_percent_of_other_things_are_rejected(kind: str, share: float) -> None:
    """Turned anyhow, five draws each: within 0.5 mm of the floor all over it, and the share rejected is theirs."""
    for seed in range(5):
        chance = np.random.default_rng(seed)
        count = int(2000 * share)
        flat = np.concatenate([bare_floor(2000 - count, 0.8, seed), clutter(kind, count, chance)])
        R = turn("x", chance.uniform(0, 360)) @ turn("y", chance.uniform(0, 360))
        plane = floor_plane(flat @ R.T + [100, -200, 300])
        corners = np.array([[x, y, 0.0] for x in (-1500, 1500) for y in (-1500, 1500)])
        off = plane.heights_mm(corners @ R.T + [100, -200, 300])
        assert np.abs(off).max() < 0.5
        assert plane.rejected == pytest.approx(share, abs=0.015)
        assert not plane.used[2000 - count :][flat[2000 - count :, 2] > 6].any()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), share=st.floats(0.0, 0.4))
def test_the_answer_turns_with_the_points(seed: int, share: float) -> None:
    """A rigid move of all points moves the plane with them: heights of the same points agree."""
    chance = np.random.default_rng(seed)
    count = int(300 * share)
    points = np.concatenate([bare_floor(300 - count, 1.0, seed), clutter("heap", count, chance)])
    R = turn("z", chance.uniform(0, 360)) @ turn("x", chance.uniform(0, 360))
    here, there = floor_plane(points), floor_plane(points @ R.T + chance.normal(0, 2000, 3))
    assert (here.used == there.used).mean() > 0.98
    assert np.abs(np.abs(here.normal @ R.T @ there.normal) - 1.0) < 1e-5


def test_what_is_no_floor_is_refused() -> None:
    """Too few points, not finite ones, a line, and a heap in which no plane holds half."""
    with pytest.raises(AlignmentError, match="9 scanned points were given as floor; at least 10"):
        floor_plane(bare_floor(9, 0.0))
    with pytest.raises(AlignmentError, match="finite"):
        floor_plane(np.full((20, 3), math.nan))
    with pytest.raises(AlignmentError, match="in one line"):
        floor_plane(np.outer(np.arange(50.0), [1, 2, 0]))
    with pytest.raises(AlignmentError, match=r"lie in no plane: the best holds \d+ % of them to \d+\.\d mm"):
        floor_plane(two_sheets())


def two_sheets() -> Floats:
    """Five steps 100 mm apart with a fifth of the points each."""
    return np.concatenate([bare_floor(200, 0.1, k) + [0, 0, 100.0 * k * k] for k in range(5)])


# --- patches ---------------------------------------------------------------------------------------------------------


def patches(*places: tuple[float, float, float], radius_mm: float = 200.0) -> tuple[FloorPatch, ...]:
    return tuple(FloorPatch(place, radius_mm, f"vehicle.yaml:{n + 1}") for n, place in enumerate(places))


CORNERS = ((-1.2, -0.8, 0.0), (-1.2, 0.8, 0.0), (1.2, -0.8, 0.0), (1.2, 0.8, 0.0))


def test_patches_are_read_in_the_scan_s_unit_and_stand_for_their_plane() -> None:
    """In metres: the stand-ins lie in the plane, have the middle of its points, and their spread along each axis."""
    cloud = bare_floor(60_000, 1.0) / 1000.0
    found = scanned_floor(patches(*CORNERS), cloud, 1000.0)
    assert np.abs(found.plane.heights_mm(found.stand_ins)).max() < 1e-9
    near = np.concatenate([cloud[np.linalg.norm(cloud - place, axis=1) <= 0.2] for place in CORNERS]) * 1000.0
    near = near[found.plane.used]
    assert found.stand_ins.mean(axis=0)[:2] == pytest.approx(near.mean(axis=0)[:2], abs=0.01)
    own = found.stand_ins - found.stand_ins.mean(axis=0)
    assert (own.T @ own / 3.0)[:2, :2] == pytest.approx(np.cov(near.T, bias=True)[:2, :2], rel=1e-3, abs=50.0)


def test_a_patch_beside_the_floor_on_a_box_or_in_a_line_is_named() -> None:
    """Too few points within the radius; a patch on a box 80 mm high; all patches along one side."""
    cloud = bare_floor(60_000, 1.0) / 1000.0
    with pytest.raises(AlignmentError, match=r"^vehicle\.yaml:2: the floor patch at \[9, 0, 0\] holds 0 points"):
        scanned_floor(patches(CORNERS[0], (9.0, 0.0, 0.0)), cloud, 1000.0)
    box = cloud.copy()
    box[np.linalg.norm(box[:, :2] - [1.2, 0.8], axis=1) < 0.4, 2] += 0.08
    with pytest.raises(AlignmentError, match=r"^vehicle\.yaml:4: .* lies (79|80)\.\d mm off the plane of the other"):
        scanned_floor(patches(*CORNERS[:3], (1.2, 0.8, 0.08)), box, 1000.0)
    with pytest.raises(AlignmentError, match="in one line"):
        scanned_floor(patches((0.0, 0.0, 0.0), (1.2, 0.0, 0.0), radius_mm=4.0), _rows(), 1000.0)


def _rows() -> Floats:
    return np.array([[x, y, 0.0] for x in np.linspace(-0.1, 1.3, 1401) for y in (-0.0005, 0.0, 0.0005)])
