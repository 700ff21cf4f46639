"""Where the ground is under a changed load. Expected values are closed forms unless said otherwise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from trucks import WHEELBASE, axles, mass, part, rear_axle, scene, weights

from fitcheck.checks.loads import check_loads
from fitcheck.checks.shafts import check_shafts
from fitcheck.errors import InputError
from fitcheck.vehicle.masses import GRAVITY, Ledger, ledger, states_of
from fitcheck.vehicle.scene import LoadState, PointMass, Scene, ShaftPart
from fitcheck.vehicle.stance import Stance, bump_left_mm, drop_covariance, stance


def book_of(one: Scene) -> Ledger:
    book = ledger(one, states_of(one)[0])
    assert book is not None
    return book


def stand(*aboard: PointMass, **more: object) -> Stance:
    return stance(book_of(scene(load_states=(LoadState("kerb", aboard),), **more)))


def test_as_weighed_the_floor_is_where_it_was_scanned() -> None:
    found = stand()
    assert found.floor_z_mm(0.0) == found.floor_z_mm(WHEELBASE) == 0.0
    assert found.slope == 0.0
    assert found.to_floor(np.array([100.0, 20.0, 300.0])) == pytest.approx([100.0, 300.0])


def test_silent_error_12_hundred_kilograms_over_the_front_axle() -> None:
    """The front drops by 100 g / (2 k_w) + 100 g / (2 k_t), the rear not at all."""
    found = stand(mass("ballast", 100.0, (0, 0, 500)))
    assert found.front.spring_mm == pytest.approx(100.0 * 9.80665 / (2 * 40.0))
    assert found.front.tyre_mm == pytest.approx(100.0 * 9.80665 / (2 * 300.0))
    assert found.front.body_drop_mm == pytest.approx(100.0 * 9.80665 / 80.0 + 100.0 * 9.80665 / 600.0)
    assert found.rear.body_drop_mm == pytest.approx(0.0)


def test_silent_error_12_heavier_wheels_load_the_tyre_and_not_the_spring() -> None:
    wheels = part("wheels", weighs=mass("wheels", 20.0, (0, 0, 382)), part_class="tyre", sprung=False)
    found = stand(parts=(wheels,))
    assert found.front.spring_mm == 0.0
    assert found.front.tyre_mm == pytest.approx(20.0 * GRAVITY / 600.0)
    assert found.front.load_change_kg == pytest.approx(20.0)


def test_silent_error_12_sign_of_the_pitch() -> None:
    """A load in the tail lowers the tail: from the body, the floor rises toward the rear."""
    found = stand(mass("cargo", 300.0, (2500, 0, 1000)))
    assert found.slope > 0.0
    assert found.floor_z_mm(WHEELBASE) == pytest.approx(found.rear.body_drop_mm)
    tail, nose = np.array([3400.0, 0.0, 500.0]), np.array([-500.0, 0.0, 500.0])
    assert found.to_floor(tail)[1] < found.to_floor(nose)[1]
    behind = stand(mass("cargo", 300.0, (WHEELBASE + 600, 0, 1000)))
    assert behind.front.body_drop_mm < 0.0, "a load behind the rear axle lifts the front"


def test_taking_off_raises_the_body() -> None:
    found = stand(weights=weights(removed=(mass("engine", 238.0, (60, 0, 720)),)))
    front = 238.0 * (1.0 - 60.0 / WHEELBASE)
    assert found.front.body_drop_mm == pytest.approx(-front * GRAVITY * (1 / 80.0 + 1 / 600.0))


def test_hubs_go_down_with_the_tyre_and_up_against_the_body_by_the_spring() -> None:
    found = stand(mass("ballast", 100.0, (0, 0, 500)))
    scan_day = 395.0 - 800.0 * GRAVITY / 600.0
    assert found.front.loaded_mm == pytest.approx(scan_day - 100.0 * GRAVITY / 600.0)
    assert found.front.loaded_mm == pytest.approx(395.0 - 900.0 * GRAVITY / 600.0)
    assert found.front.hub_z_mm - found.front.body_drop_mm == pytest.approx(found.front.loaded_mm)


def test_floor_coordinates_keep_lengths_and_put_the_floor_at_zero() -> None:
    found = stand(mass("cargo", 300.0, (2500, 0, 1000)))
    floor = np.array([[x, 0.0, found.floor_z_mm(x)] for x in (-500.0, 0.0, 1310.0, 3400.0)])
    assert found.to_floor(floor)[:, 1] == pytest.approx(np.zeros(4), abs=1e-9)
    chance = np.random.default_rng(5)
    side = chance.uniform(-1000, 3000, (20, 3)) * [1, 0, 1]
    before = np.linalg.norm(side[1:] - side[:-1], axis=1)
    after = np.linalg.norm(np.diff(found.to_floor(side), axis=0), axis=1)
    assert after == pytest.approx(before)
    assert found.normal @ found.tangent == pytest.approx(0.0)


def test_perpendicular_height_is_less_than_the_vertical_one_by_the_cosine_of_the_pitch() -> None:
    found = stand(mass("cargo", 600.0, (WHEELBASE, 0, 1000)))
    point = np.array([2000.0, 0.0, 500.0])
    vertical = 500.0 - found.floor_z_mm(2000.0)
    assert found.to_floor(point)[1] == pytest.approx(vertical * math.cos(math.atan(found.slope)))


def test_silent_error_13_spring_rate_moves_the_rest_point_and_not_the_stops() -> None:
    """Twice the rear spring rate: half the bump travel is used, the shaft's travel stays what it was."""
    shaft = ShaftPart("shaft", (1330, 0, 480), (2390, 60, 404), "rear_axle", 63.5, 2.5, None, None)
    cargo = LoadState("laden", (mass("cargo", 300.0, (WHEELBASE, 0, 1000)),))
    left, lengths = [], []
    for rate in (48.0, 96.0):
        one = scene(
            axles=axles(wheel_rate=(40.0, rate), mechanism="rear_axle"),
            mechanisms={"rear_axle": rear_axle()},
            shafts=(shaft,),
            load_states=(cargo,),
        )
        left.append(bump_left_mm(one, stance(book_of(one)))["rear"])
        lengths.append(check_shafts(one)["shaft"].length_mm)
    assert left == pytest.approx([80.0 - 300.0 * GRAVITY / 96.0, 80.0 - 300.0 * GRAVITY / 192.0])
    assert lengths[0] == lengths[1]


def test_bump_left_of_an_axle_without_a_mechanism_is_unknown() -> None:
    one = scene()
    assert bump_left_mm(one, stance(book_of(one))) == {"front": None, "rear": None}


@pytest.mark.parametrize("axle", ["front", "rear"])
@pytest.mark.parametrize("rate", [0.0, -3.0, math.nan, math.inf])
def test_a_rate_that_is_no_rate_is_refused_and_named(axle: str, rate: float) -> None:
    both = axles()
    soft = {**both, axle: replace(both[axle], wheel_rate_n_mm=rate)}
    flat = {**both, axle: replace(both[axle], tyre=replace(both[axle].tyre, rate_n_mm=rate), hub_z_mm=380.0)}
    with pytest.raises(InputError, match=rf"axles\.{axle}\.wheel_rate"):
        check_loads(scene(axles=soft))
    with pytest.raises(InputError, match=rf"axles\.{axle}\.tyre\.rate"):
        check_loads(scene(axles=flat, weights=weights(cg_height_mm=None)))


def test_spread_of_the_body_drop_against_random_sampling() -> None:
    """Covariance of the front and rear drop: first order against 20000 random loads, 4 %."""
    unsure = (
        mass("pack", 222.0, (1748, 0, 548), sigma=8.0, place=30.0),
        mass("cargo", 300.0, (2500, 0, 1000), sigma=15.0, place=100.0),
    )
    hubs = part("hubs", weighs=mass("hubs", 40.0, (2620, 0, 380), sigma=4.0), sprung=False)
    one = scene(weights=weights(sigma=5.0, added=unsure), parts=(hubs,))
    chance, count = np.random.default_rng(7), 20000
    drops = np.zeros((2, count))
    for item, sprung in ((unsure[0], True), (unsure[1], True), (hubs.mass, False)):
        assert item is not None
        kg = chance.normal(item.mass_kg.value, item.mass_kg.sigma, count)
        share = chance.normal(item.cg_mm[0], item.cg_sigma_mm, count) / WHEELBASE
        for row, part_of, rate in ((0, 1.0 - share, 40.0), (1, share, 48.0)):
            drops[row] += kg * part_of * GRAVITY * (1 / 600.0 + (1 / (2 * rate) if sprung else 0.0))
    found, expected = drop_covariance(book_of(one)), np.cov(drops)
    assert np.diag(found) == pytest.approx(np.diag(expected), rel=0.04)
    assert found[0, 1] == pytest.approx(expected[0, 1], abs=0.04 * math.sqrt(expected[0, 0] * expected[1, 1]))


def test_nothing_changed_leaves_no_spread() -> None:
    assert drop_covariance(book_of(scene(weights=weights(sigma=5.0)))) == pytest.approx(np.zeros((2, 2)))
