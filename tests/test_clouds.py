"""Point clouds: how far the surface can be from its nearest point, and the loops along which the points stop."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from triangle_pairs import rotations

from fitcheck.geometry.cloud_chains import joined
from fitcheck.geometry.clouds import cloud_borders, cover_mm

Floats = NDArray[np.float64]

STEP = 3.0


def sheet(columns: int, rows: int, step: float = STEP) -> Floats:
    """A square grid in the plane z = 0, begun at the origin."""
    x, y = np.meshgrid(np.arange(columns) * step, np.arange(rows) * step, indexing="ij")
    return np.stack([x, y, 0.0 * x], axis=-1).reshape(-1, 3)


def tube(around: int, along: int, step: float = STEP) -> Floats:
    """A square grid rolled up round z."""
    turn, z = np.meshgrid(2 * np.pi * np.arange(around) / around, np.arange(along) * step, indexing="ij")
    radius = around * step / (2 * np.pi)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), z], axis=-1).reshape(-1, 3)


def open_box(cells: int, step: float = STEP) -> Floats:
    """A cube of grids with its top face (z at its highest) missing; its edges are there once."""
    at = np.stack(np.meshgrid(*[np.arange(cells + 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    skin = ((at[:, :2] == 0) | (at[:, :2] == cells)).any(axis=1) | (at[:, 2] == 0)
    return at[skin] * step


def noisy(points: Floats, seed: int, share: float = 0.1) -> Floats:
    return points + np.random.default_rng(seed).normal(0.0, share * STEP, points.shape)


def within(points: Floats, margin: float) -> NDArray[np.bool_]:
    """Which points of a flat sheet are that far from its border."""
    lo, hi = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    return np.asarray(((points[:, :2] > lo + margin) & (points[:, :2] < hi - margin)).all(axis=1))


# --- cover ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 5.0, 7.5, 15.0, 22.5, 30.0, 45.0])
def test_the_cover_of_a_square_grid(angle: float) -> None:
    """True value s/√2 (half the diagonal of a square): never less, at most 1.16 times that, turned or not."""
    flat = sheet(30, 26)
    turn = np.radians(angle)
    plane = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    tilted = flat @ plane @ rotations(np.random.default_rng(3), 1)[0] + [2000.0, -800, 400]
    cover = cover_mm(tilted)[within(flat, 3 * STEP)]
    assert cover.min() >= STEP / np.sqrt(2.0) * (1 - 1e-6)
    assert cover.max() <= 1.16 * STEP / np.sqrt(2.0)


def test_the_cover_of_a_grid_of_triangles() -> None:
    """True value s/√3, the circumradius of an equilateral triangle."""
    flat = sheet(40, 40)
    points = flat @ np.array([[1, 0, 0], [0.5, np.sqrt(0.75), 0], [0, 0, 1]])
    cover = cover_mm(points)[within(flat, 4 * STEP)]
    assert cover.min() >= STEP / np.sqrt(3.0) * (1 - 1e-6)
    assert cover.max() <= 1.25 * STEP / np.sqrt(3.0)


def test_the_cover_at_a_border_reaches_a_spacing_beyond_it() -> None:
    """1.1 to 2.04 spacings on an edge and at a corner of a sheet: the surface ends within the next spacing."""
    flat = sheet(30, 26)
    border = ~within(flat, 0.5 * STEP)
    cover = cover_mm(flat)[border]
    assert cover.min() >= np.sqrt(1.25) * STEP * 0.9
    assert cover.max() <= 2.04 * STEP


SAMPLINGS = {
    "grid with noise of 10 %": noisy(sheet(70, 70), 1),
    "grid with noise of 25 %": noisy(sheet(70, 70), 2, 0.25),
    "points by chance": np.random.default_rng(3).uniform(0, 69 * STEP, (4900, 3)) * [1, 1, 0],
    "points by chance, noise of 10 %": noisy(np.random.default_rng(4).uniform(0, 69 * STEP, (4900, 3)) * [1, 1, 0], 5),
    "scan lines 10 times apart": sheet(700, 8) * [0.1, 9, 1],
    "scan lines 50 times apart": sheet(1800, 12) * [0.04, 2, 1] * [1, 3, 1],
}


@pytest.mark.parametrize("name", SAMPLINGS)
def test_hardly_a_place_of_the_surface_is_farther_than_the_cover(name: str) -> None:
    """Of 200 000 true places away from the border fewer than 0.1 % lie beyond the cover of their nearest point."""
    from scipy.spatial import cKDTree

    points = SAMPLINGS[name]
    lo, hi = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    margin = 0.1 * (hi - lo)
    flat = np.random.default_rng(6).uniform(lo + margin, hi - margin, (200_000, 2))
    true = np.column_stack([flat, np.zeros(200_000)])
    far, nearest = cKDTree(points).query(true)
    assert np.mean(far > cover_mm(points)[nearest]) < 1e-3


@pytest.mark.parametrize("name", ["grid with noise of 10 %", "grid with noise of 25 %"])
def test_the_cover_stays_near_the_spacing(name: str) -> None:
    """Its median is below 1.5 mean spacings, so that a guard made of it does not swallow every gap."""
    points = SAMPLINGS[name]
    assert np.median(cover_mm(points)[within(points, 3 * STEP)]) <= 1.5 * STEP


@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0, 3.0])
def test_the_cover_holds_between_two_sheets(apart: float) -> None:
    """However close another sheet stands behind: no true place of either is beyond the cover of its nearest point."""
    from scipy.spatial import cKDTree

    points = noisy(np.concatenate([sheet(60, 60), sheet(60, 60) + [1.0, 0.7, -apart * STEP]]), 1)
    tree, cover = cKDTree(points), cover_mm(points)
    flat = np.random.default_rng(2).uniform(5 * STEP, 54 * STEP, (50_000, 2))
    for z in (0.0, -apart * STEP):
        far, nearest = tree.query(np.column_stack([flat, np.full(len(flat), z)]))
        assert (far <= cover[nearest]).all()


def test_the_cover_on_a_tube_holds_on_its_true_surface() -> None:
    """No place of the cylinder is beyond the cover of its nearest point: the curve is in the distance off the plane."""
    from scipy.spatial import cKDTree

    points = tube(60, 40)
    radius = 60 * STEP / (2 * np.pi)
    rng = np.random.default_rng(7)
    turn, z = rng.uniform(0, 2 * np.pi, 50_000), rng.uniform(10 * STEP, 30 * STEP, 50_000)
    far, nearest = cKDTree(points).query(np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z]))
    cover = cover_mm(points)
    assert (far <= cover[nearest]).all()
    assert cover[nearest].max() <= 1.5 * STEP


def test_rows_repeats_and_order_change_nothing() -> None:
    """Asked for some rows, with each place there three times, shuffled: the same numbers."""
    points = noisy(sheet(25, 25), 8)
    whole = cover_mm(points)
    rows = np.array([3, 300, 77, 3])
    assert np.allclose(cover_mm(points, rows=rows), whole[rows], rtol=1e-6)
    order = np.random.default_rng(9).permutation(3 * len(points))
    assert np.allclose(cover_mm(np.tile(points, (3, 1))[order]), np.tile(whole, 3)[order], rtol=1e-6)


def test_of_too_few_places_nothing_is_known() -> None:
    """Three places, however often: infinite; none: none; four: a number."""
    few = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    assert np.isinf(cover_mm(np.tile(few, (9, 1)))).all()
    assert cover_mm(np.empty((0, 3))).shape == (0,)
    assert cover_mm(few, rows=[]).shape == (0,)
    assert np.isfinite(cover_mm([*few.tolist(), [1.0, 1, 0]])).all()
    assert cloud_borders(few, 1.0) == ()
    assert cloud_borders(np.empty((0, 3)), 1.0) == ()


def test_a_few_points_that_float_keep_their_own_measure() -> None:
    """Four points 1 m over a sheet: 1.1 times their own distance, not that of the sheet; the sheet's cover stays."""
    flat = noisy(sheet(30, 30), 10)
    four = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [4, 4, 0]]) + [40.0, 40, 1000]
    cover = cover_mm(np.concatenate([flat, four]))
    assert np.allclose(cover[-4:], 1.1 * 4 * np.sqrt(2.0))
    assert np.allclose(cover[:-4], cover_mm(flat), rtol=1e-6)


def test_scans_laid_over_each_other_are_no_groups() -> None:
    """Four scans of one sheet, 0.05 mm apart, so that neighbours jump from 0.1 to 3 mm: the cover holds."""
    from scipy.spatial import cKDTree

    flat = sheet(30, 30)
    points = np.concatenate([flat + np.random.default_rng(k).normal(0, 0.05, flat.shape) for k in range(4)])
    true = np.column_stack([np.random.default_rng(5).uniform(3 * STEP, 26 * STEP, (50_000, 2)), np.zeros(50_000)])
    far, nearest = cKDTree(points).query(true)
    assert (far <= cover_mm(points)[nearest]).all()
    assert cover_mm(points)[nearest].max() <= 1.5 * STEP


def test_points_on_a_line_cover_no_less_than_their_distance() -> None:
    """A wire of points, straight, along an axis and slanting: finite, and at least half a spacing."""
    along = np.arange(300.0)[:, None] * STEP
    for line in (along * [1.0, 0, 0], along * [0.6, 0, 0.8]):
        cover = cover_mm(line)
        assert np.isfinite(cover).all()
        assert cover.min() >= STEP / 2


# --- borders ----------------------------------------------------------------------------------------------------------


def loops_of(points: Floats, **least: float) -> list[Floats]:
    """The loops' places, the longest box first; each row there once, steps no longer than a disc allows or a tear."""
    loops = [points[rows] for rows in cloud_borders(points, STEP, **least)]
    for loop in loops:
        assert len(np.unique(loop, axis=0)) == len(loop)
        assert np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1).max() <= 4.08 * STEP
    return sorted(loops, key=lambda loop: -float(np.linalg.norm(np.ptp(loop, axis=0))))


def _area(loop: Floats) -> float:
    """By the shoelace formula, in x and y: a loop out of order would have less."""
    x, y = loop[:, 0], loop[:, 1]
    return abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())) / 2.0


def test_a_square_window_and_the_outer_border() -> None:
    """Two loops: all 216 rim points of the sheet in order; the window's rim but for its corners, where no disc goes."""
    points = sheet(60, 50)
    middle = np.array([30.0, 25.0]) * STEP
    off = np.abs(points[:, :2] - middle).max(axis=1)
    kept = points[off > 7.5 * STEP]
    outer, window = loops_of(kept)
    assert len(outer) == 2 * (60 + 50) - 4
    assert _area(outer) == pytest.approx(59 * 49 * STEP**2, rel=1e-12)
    assert np.allclose(np.abs(window[:, :2] - middle).max(axis=1), 8 * STEP)
    assert 0.95 * (16 * STEP) ** 2 <= _area(window) <= (16 * STEP) ** 2


@pytest.mark.parametrize("seed", range(6))
def test_a_round_window_in_a_noisy_sheet(seed: int) -> None:
    """Noise of 10 % of the spacing: still two loops, the window's area that of its circle within one row of points."""
    points = noisy(sheet(60, 50), seed)
    middle = np.array([30.0, 25.0]) * STEP
    points = points[np.hypot(*(points[:, :2] - middle).T) > 9 * STEP]
    outer, window = loops_of(points)
    assert np.pi * (9 * STEP) ** 2 <= _area(window) <= np.pi * (10.2 * STEP) ** 2
    assert 0.97 * 59 * 49 * STEP**2 <= _area(outer) <= 1.03 * 59 * 49 * STEP**2


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [0.0, 0.1])
def test_a_sheet_without_a_window_has_its_outer_border_only(seed: int, share: float) -> None:
    """Curved, 10 000 points: one loop, along the sheet's edge; nothing inside."""
    flat = sheet(100, 100)
    points = noisy(flat + np.sin(flat[:, [0]] / 60.0) * [0, 0, 20.0], seed, share)
    (outer,) = loops_of(points)
    edge = np.minimum(outer[:, :2], 99 * STEP - outer[:, :2]).min(axis=1)
    assert edge.max() <= 1.5 * STEP
    assert _area(outer) >= 0.97 * (99 * STEP) ** 2


@pytest.mark.parametrize("share", [0.0, 0.1])
def test_a_tube_ends_in_two_loops_and_a_box_without_lid_in_one(share: float) -> None:
    """The tube's rims at both ends, the box's rim at the top; the box's edges are no borders."""
    rims = loops_of(noisy(tube(40, 40), 3, share))
    assert sorted(round(float(loop[:, 2].mean()) / STEP) for loop in rims) == [0, 39]
    assert all(_area(loop) == pytest.approx(np.pi * (40 * STEP / (2 * np.pi)) ** 2, rel=0.05) for loop in rims)
    (rim,) = loops_of(noisy(open_box(30), 4, share))
    assert rim[:, 2].min() >= 29 * STEP - 0.5 * STEP
    assert _area(rim) == pytest.approx((30 * STEP) ** 2, rel=0.05)


def test_a_closed_surface_has_no_border() -> None:
    """A sphere of evenly spread points (golden spiral)."""
    count = 6000
    k = np.arange(count) + 0.5
    height, turn = 1 - 2 * k / count, np.pi * (1 + 5**0.5) * k
    flat = np.sqrt(1 - height**2)
    radius = STEP * np.sqrt(count / (4 * np.pi))
    points = radius * np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    assert cloud_borders(points, STEP, least_mm=0.0) == ()


def test_narrow_gaps_and_small_loops_are_left_out() -> None:
    """A slot three spacings wide is none; a window of seven is one, but not where loops of that size are dropped."""
    points = sheet(50, 50)
    slot = points[~((np.abs(points[:, 0] - 24.5 * STEP) < STEP) & (np.abs(points[:, 1] - 25 * STEP) < 8 * STEP))]
    assert len(loops_of(slot, least_mm=0.0)) == 1
    window = points[np.abs(points[:, :2] - 25 * STEP).max(axis=1) > 3.5 * STEP]
    assert len(loops_of(window)) == 2
    assert len(loops_of(window, least_mm=20 * STEP)) == 1


def test_a_second_sheet_behind_neither_hides_a_window_nor_joins_its_border_to_its_own() -> None:
    """A window in a sheet, another sheet three spacings behind: the window, and the outer border of each."""
    front = sheet(60, 50)
    middle = np.array([30.0, 25.0]) * STEP
    front = front[np.abs(front[:, :2] - middle).max(axis=1) > 9.5 * STEP]
    back = sheet(60, 50) + [1.0, 0.7, -3 * STEP]
    points = noisy(np.concatenate([front, back]), 1)
    *outer, window = loops_of(points)
    assert len(outer) == 2
    assert window[:, 2].min() > -STEP
    assert all(np.ptp(loop[:, 2]) < STEP for loop in outer)


def test_each_point_may_have_a_spacing_of_its_own() -> None:
    """Half of a sheet three times as coarse: with its own spacings there is the one outer border, no window."""
    fine = sheet(60, 60, STEP / 3.0)
    coarse = sheet(20, 20) + [60 * STEP / 3.0, 0, 0]
    points = np.concatenate([fine, coarse])
    spacing = np.concatenate([np.full(len(fine), STEP / 3.0), np.full(len(coarse), STEP)])
    loops = [points[rows] for rows in cloud_borders(points, spacing)]
    assert len(loops) == 1
    assert _area(loops[0]) == pytest.approx(39 * 19 * STEP**2, rel=0.05)


def test_a_torn_loop_is_joined_and_an_open_chain_stays() -> None:
    """Two halves of a circle, one given backwards, become one ring; a chain far away stays as it is."""
    turn = 2 * np.pi * np.arange(40) / 40
    circle = np.column_stack([10 * np.cos(turn), 10 * np.sin(turn), 0 * turn])
    places = np.concatenate([circle, [[90.0, 0, 0], [91, 0, 0]]])
    one, other, away = np.arange(0, 19), np.arange(20, 39)[::-1], np.array([40, 41])
    found = joined([one, other, away], places, 4.0)
    assert sorted(map(len, found)) == [2, 38]
    ring = max(found, key=len)
    assert np.linalg.norm(places[ring] - np.roll(places[ring], 1, axis=0), axis=1).max() <= 4.0
    assert joined([], places, 4.0) == []
