"""The ledger of masses and the axle loads. Row names (W1 …) are those of the project's table of check values.

"READ": the value stands in the source named; "CALC": closed form, recomputed; inputs of an exercise may be read and
its answer calculated.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trucks import STIFF, WHEELBASE, axles, mass, part, scene, weights

from fitcheck.checks.loads import (
    SCALES,
    axle_sigma_kg,
    check_loads,
    contributors,
    mass_sigma_kg,
    share_sigma_pct,
    stability_factor,
    stability_sigma,
    tilt_deg,
)
from fitcheck.errors import InputError, InternalError
from fitcheck.layout import read_layout
from fitcheck.layout.build_masses import build_weights
from fitcheck.vehicle.masses import (
    Ledger,
    Weighed,
    axle_split_kg,
    cg_height_mm,
    hub_height_mm,
    ledger,
    parts_without_mass,
    states_of,
    totals,
    weigh,
    weighing_cautions,
)
from fitcheck.vehicle.scene import LoadState, PointMass, Quantity, RaisedAxle, Scene


def book_of(one: Scene) -> Ledger:
    book = ledger(one, states_of(one)[0])
    assert book is not None
    return book


def stood_on_scales(front_left: float, rear_left: float, wheelbase: float) -> Weighed:
    """A left-right symmetric vehicle on four scales."""
    both = axles(base=wheelbase)
    corners = (front_left, front_left, rear_left, rear_left)
    return weigh(weights(corners, cg_height_mm=None), both["front"], both["rear"])


def test_w1_centre_from_wheel_loads() -> None:
    # Source: Jazar, Vehicle Dynamics, example 40 (READ, CALC): 2000 N and 1800 N a wheel, l 2.34 m.
    found = stood_on_scales(2000.0, 1800.0, 2340.0)
    assert found.x_mm == pytest.approx(1108.4, abs=0.05)
    assert 2340.0 - found.x_mm == pytest.approx(1231.6, abs=0.05)


def test_w2_wheel_loads_from_centre() -> None:
    # Source: Jazar, Vehicle Dynamics, the example after it (READ, CALC): 890 kg, a1 0.78 m, l 2.35 m, g 9.81.
    front, rear = axle_split_kg(890.0, 780.0, 2350.0)
    assert front / 2 * 9.81 == pytest.approx(2916.5, abs=0.05)
    assert rear / 2 * 9.81 == pytest.approx(1449.0, abs=0.05)


@pytest.mark.parametrize(
    ("kg", "x_mm", "base_mm", "front", "rear"),
    [
        pytest.param(1765.0, 1220.0, 2840.0, 1006.80, 758.20, id="W3"),  # exercise, input READ, answer CALC
        pytest.param(1245.0, 1100.0, 2423.0, 679.79, 565.21, id="W4"),  # exercise, input READ, answer CALC
    ],
)
def test_axle_masses_of_textbook_exercises(kg: float, x_mm: float, base_mm: float, front: float, rear: float) -> None:
    assert axle_split_kg(kg, x_mm, base_mm) == pytest.approx((front, rear), abs=0.005)


def test_w5_centre_from_a_moment_equation() -> None:
    # READ and CALC: 4500 N front, 3500 N rear, l 2.4 m: 1.05 m behind the front axle.
    assert stood_on_scales(2250.0, 1750.0, 2400.0).x_mm == pytest.approx(1050.0)


def test_w6_height_formula_gives_the_hub_line_when_nothing_shifts() -> None:
    """h = r + (dW / W) l cot(t), sin t = H / l (READ): no gain leaves the hub's own height; gains add in proportion."""
    lift = {"mass_kg": 1500.0, "wheelbase_mm": 2600.0, "by_mm": 600.0}
    assert cg_height_mm(310.0, gain_kg=0.0, **lift) == 310.0
    one, two = (cg_height_mm(310.0, gain_kg=gain, **lift) - 310.0 for gain in (10.0, 20.0))
    assert two == pytest.approx(2.0 * one)
    assert one == pytest.approx(10.0 / 1500.0 * 2600.0 / math.tan(math.asin(600.0 / 2600.0)))


def test_w7_height_of_a_known_vehicle_comes_back() -> None:
    # Source: closed form, round trip (CALC): t 13.342 deg, h 0.550 m.
    assert math.degrees(math.asin(600.0 / 2600.0)) == pytest.approx(13.342, abs=5e-4)
    height = cg_height_mm(310.0, mass_kg=1500.0, gain_kg=812.84 - 780.0, wheelbase_mm=2600.0, by_mm=600.0)
    assert height == pytest.approx(550.0, abs=0.1)


def book_example(front_n: float) -> float:
    """The textbook's CG-height example: 2000 kg, a1 1.10 m of l 2.30 m, R 0.30 m, raised by 30 deg, g 9.81."""
    level = axle_split_kg(2000.0, 1100.0, 2300.0)[0]
    lift = {"wheelbase_mm": 2300.0, "by_mm": 2300.0 * math.sin(math.radians(30.0))}
    return cg_height_mm(300.0, mass_kg=2000.0, gain_kg=front_n / 9.81 - level, **lift)


def test_w8_textbook_example_mended() -> None:
    # CALC: the front axle load that does give 0.340 m is 10433.5 N.
    assert book_example(10433.5) == pytest.approx(340.0, abs=0.05)


def test_x3_misprinted_textbook_height_is_not_reproduced() -> None:
    """The example prints h = 0.34 m for 18000 N; its own formula gives 1.876 m."""
    assert book_example(18000.0) == pytest.approx(1876.0, abs=0.5)


@pytest.mark.parametrize("axle", ["front", "rear"])
@pytest.mark.parametrize("by_mm", [300.0, 450.0, 620.0, 800.0])
def test_w9_every_lift_of_either_axle_gives_the_same_height(axle: str, by_mm: float) -> None:
    """A rigid model with h = 688.1: gain = W (h - r) tan(t) / L, so load against tan(t) is a line (ISO 10392 READ)."""
    both, corners = axles(hubs=(381.9, 383.9)), (402.0, 398.0, 342.0, 338.0)
    hub_line = 381.9 + 2.0 * 680.0 / 1480.0
    gain = 1480.0 * (688.1 - hub_line) * math.tan(math.asin(by_mm / WHEELBASE)) / WHEELBASE
    found = weigh(weights(corners, raised=RaisedAxle(axle, by_mm, Quantity(gain))), both["front"], both["rear"])
    assert found.height_mm is not None
    assert found.height_mm.value == pytest.approx(688.1, abs=1e-9)


def test_w10_a_low_lift_and_a_centre_outside_the_wheelbase_are_named() -> None:
    # Source: a maker's body-builder manual, 2015 (READ): lift 600 mm or more; the CG stays inside the wheelbase.
    low = weights(raised=RaisedAxle("rear", 590.0, Quantity(40.0)))
    assert "590 mm" in weighing_cautions(scene(weights=low))[0]
    outside = weighing_cautions(scene(weights=weights((-10.0, -10.0, 700.0, 700.0))))
    assert "outside the wheelbase" in outside[0]
    assert weighing_cautions(scene()) == ()
    assert weighing_cautions(scene(weights=None)) == ()


W11_PARTS = (
    part("motor", weighs=mass("motor", 90.0, (150, -50, 450))),
    part("front_pack", weighs=mass("front_pack", 120.0, (300, 100, 600))),
    part("rear_pack", weighs=mass("rear_pack", 200.0, (2200, -20, 400))),
)
"""W11 counts y to the left; the vehicle frame counts it to the right."""


def w11() -> Scene:
    """1000 kg at (1.10, 0, 0.52) m with three parts, l 2.50, T 1.45 m, on springs that do not give."""
    stiff = axles(base=2500.0, track=1450.0, wheel_rate=(STIFF, STIFF), tyre_rate=STIFF)
    scales = weights((280.0, 280.0, 220.0, 220.0), cg_height_mm=Quantity(520.0))
    return scene(axles=stiff, weights=scales, parts=W11_PARTS)


def test_w11_sum_of_parts() -> None:
    # Source: closed form (CALC).
    found = check_loads(w11())["kerb"]
    assert found.mass_kg == pytest.approx(1410.0)
    assert found.cg_mm == pytest.approx((1127.30, 2.48, 505.32), abs=0.005)
    assert (found.front_kg, found.rear_kg) == pytest.approx((774.2, 635.8), abs=0.05)
    assert found.front_share_pct == pytest.approx(54.91, abs=0.005)
    assert 100.0 * found.left_kg / found.mass_kg == pytest.approx(49.83, abs=0.005)
    assert found.ssf == pytest.approx(1.4347, abs=5e-5)
    assert found.cg_height_over_ground_mm == pytest.approx(505.32, abs=0.005)


def test_w16_and_w22_rigid_tilt_angle() -> None:
    # Source: closed form (CALC): the W11 car tips to the left at 55.22 and to the right at 55.03 deg.
    _, y, z = check_loads(w11())["kerb"].cg_mm
    assert z is not None
    assert tilt_deg(1450.0, z, -y) == pytest.approx(55.22, abs=0.005)
    assert tilt_deg(1450.0, z, y) == pytest.approx(55.03, abs=0.005)


@pytest.mark.parametrize(
    ("factor", "tilt"),
    [(1.04, 46.12), (1.13, 48.49), (1.17, 49.48), (1.25, 51.34), (1.41, 54.65), (1.45, 55.41)],
)
def test_w21_tilt_of_a_stability_factor(factor: float, tilt: float) -> None:
    # Source: closed form (CALC).
    height = 1480.0 / (2.0 * factor)
    assert stability_factor(1480.0, height) == pytest.approx(factor)
    assert tilt_deg(1480.0, height) == pytest.approx(tilt, abs=0.005)


@pytest.mark.parametrize(
    ("x", "front", "rear"), [(0.0, 100.0, 0.0), (1310.0, 50.0, 50.0), (2620.0, 0.0, 100.0), (-1310.0, 150.0, -50.0)]
)
def test_silent_error_11_sign_and_datum_of_one_mass(x: float, front: float, rear: float) -> None:
    """100 kg over the front axle, in the middle, over the rear axle and half a wheelbase ahead."""
    before = check_loads(scene())["kerb"]
    after = check_loads(scene(parts=(part("ballast", weighs=mass("ballast", 100.0, (x, 0, 500))),)))["kerb"]
    assert after.front_kg - before.front_kg == pytest.approx(front)
    assert after.rear_kg - before.rear_kg == pytest.approx(rear)


REMOVED = (
    mass("engine", 238.0, (60, 0, 720)),
    mass("gearbox", 96.0, (1010, 0, 560)),
    mass("radiator", 24.0, (-420, 0, 800)),
    mass("exhaust", 19.0, (1300, 300, 500)),
    mass("tank", 44.0, (1880, -580, 560)),
    mass("battery", 18.0, (150, -400, 900)),
)


def test_silent_error_11_strip_all_and_add_all_back_is_as_weighed() -> None:
    before = totals(book_of(scene()))
    after = totals(book_of(scene(weights=weights(removed=REMOVED, added=REMOVED))))
    for name in ("mass_kg", "front_kg", "rear_kg", "left_kg", "right_kg"):
        assert getattr(after, name) == pytest.approx(getattr(before, name), abs=0.01), name
    assert after.cg_mm == pytest.approx(before.cg_mm, abs=0.01)


def test_as_weighed_is_what_the_scales_say() -> None:
    found = check_loads(scene())["kerb"]
    assert (found.front_kg, found.rear_kg, found.left_kg, found.right_kg) == (800.0, 680.0, 744.0, 736.0)
    # Height: hubs at 395 - g W / (2 k), and the raised-axle formula written out.
    hubs = [395.0 - 9.80665 * load / 600.0 for load in (800.0, 680.0)]
    line = hubs[0] + (hubs[1] - hubs[0]) * 680.0 / 1480.0
    expected = line + 42.0 * 2620.0 / (1480.0 * math.tan(math.asin(620.0 / 2620.0)))
    assert found.cg_mm[2] == pytest.approx(expected)
    assert expected == pytest.approx(688.0, abs=0.5)  # the truck's own data sheet


def test_a_hub_that_was_measured_is_not_computed() -> None:
    both = axles(hubs=(380.0, None))
    assert hub_height_mm(both["front"], 800.0) == 380.0
    assert hub_height_mm(both["rear"], 680.0) == pytest.approx(395.0 - 680.0 * 9.80665 / 600.0)


ADDED = (
    mass("drive_unit", 118.0, (1010, 0, 560)),
    mass("inverter", 14.0, (480, 200, 780)),
    mass("charger", 21.0, (300, -150, 820)),
    mass("junction", 9.0, (620, 0, 760)),
    mass("battery_12v", 8.0, (150, -400, 900)),
    mass("cooler", 16.0, (-380, 0, 760)),
    mass("cables", 12.0, (1300, 0, 600)),
    mass("sundries", 6.0, (700, 0, 800)),
)
BOXES = tuple(mass(f"A{i}", 55.5, (1748, y, 548)) for i, y in enumerate((-222.5, 222.5, -592.5, 592.5), 1))
DRIVER, CARGO = mass("driver", 85.0, (1150, 350, 950)), mass("cargo", 300.0, (2500, 0, 1000))


@pytest.mark.parametrize(("state", "aboard"), [("kerb", ()), ("laden", (DRIVER, CARGO))])
def test_four_slim_boxes_against_plain_arithmetic(state: str, aboard: tuple[PointMass, ...]) -> None:
    """The sample truck's arrangement A, each axle's load by moments about the other axle, item by item."""
    put_in = tuple(part(box.name, weighs=box) for box in BOXES)
    one = scene(weights=weights(removed=REMOVED, added=ADDED), parts=put_in, load_states=(LoadState(state, aboard),))
    found = check_loads(one)[state]
    front, rear, right, moment_y = 800.0, 680.0, 736.0, 740.0 * (736.0 - 744.0)
    for sign, items in ((-1, REMOVED), (1, ADDED), (1, BOXES), (1, aboard)):
        for item in items:
            kg = sign * item.mass_kg.value
            front += kg * (2620.0 - item.cg_mm[0]) / 2620.0
            rear += kg * item.cg_mm[0] / 2620.0
            right += kg * (740.0 + item.cg_mm[1]) / 1480.0
            moment_y += kg * item.cg_mm[1]
    assert (found.front_kg, found.rear_kg, found.right_kg) == pytest.approx((front, rear, right), abs=1e-9)
    assert found.left_kg == pytest.approx(front + rear - right, abs=1e-9)
    assert found.cg_mm[:2] == pytest.approx((2620.0 * rear / (front + rear), moment_y / (front + rear)), abs=1e-9)
    assert found.front_share_pct == pytest.approx(100.0 * front / (front + rear))


MASSES = st.lists(
    st.tuples(st.floats(0.001, 400.0), st.floats(-1500.0, 4500.0), st.floats(-900.0, 900.0), st.floats(0.0, 1500.0)),
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(added=MASSES, aboard=MASSES)
def test_totals_are_conserved_to_the_gram(added: list[tuple[float, ...]], aboard: list[tuple[float, ...]]) -> None:
    """Whatever is put in: mass, front + rear and left + right agree, and no load is clamped."""
    items = tuple(mass(f"item{i}", row[0], row[1:]) for i, row in enumerate(added))
    people = tuple(mass(f"person{i}", row[0], row[1:]) for i, row in enumerate(aboard))
    one = scene(weights=weights(added=items), load_states=(LoadState("full", people),))
    found = totals(book_of(one))
    expected = 1480.0 + math.fsum(row[0] for row in added + aboard)
    assert found.mass_kg == pytest.approx(expected, abs=1e-3)
    assert found.front_kg + found.rear_kg == pytest.approx(expected, abs=1e-3)
    assert found.left_kg + found.right_kg == pytest.approx(expected, abs=1e-3)
    assert found.rear_kg * WHEELBASE == pytest.approx(found.mass_kg * found.cg_mm[0], rel=1e-9, abs=1e-3)
    assert (found.right_kg - found.left_kg) * 740.0 == pytest.approx(found.mass_kg * found.cg_mm[1], rel=1e-9, abs=1e-3)


UNSURE = (
    mass("pack", 222.0, (1748, 0, 548), sigma=6.0, place=20.0),
    mass("motor", 118.0, (1010, 0, 560), sigma=3.5, place=15.0),
    mass("cargo", 300.0, (3100, 0, 1000), sigma=9.0, place=60.0),
)


def test_sigmas_against_random_sampling() -> None:
    """Front load, front share, mass and stability factor: linear sigma against 20000 random vehicles, 3 %."""
    stiff = axles(wheel_rate=(STIFF, STIFF), tyre_rate=STIFF)
    one = scene(axles=stiff, weights=weights(sigma=1.5, added=UNSURE, cg_height_mm=Quantity(688.0, 12.0)))
    chance, count = np.random.default_rng(262), 20000
    corners = chance.normal([402.0, 398.0, 342.0, 338.0], 1.5, (count, 4))
    front, rear = corners[:, :2].sum(axis=1), corners[:, 2:].sum(axis=1)
    lift = (front + rear) * chance.normal(688.0, 12.0, count)
    for item in UNSURE:
        kg = chance.normal(item.mass_kg.value, item.mass_kg.sigma, count)
        x, z = (chance.normal(item.cg_mm[axis], item.cg_sigma_mm, count) for axis in (0, 2))
        front, rear, lift = front + kg * (1.0 - x / WHEELBASE), rear + kg * x / WHEELBASE, lift + kg * z
    book, found = book_of(one), check_loads(one)["kerb"]
    factor = 1480.0 / 2.0 / (lift / (front + rear))
    assert found.front_sigma_kg == pytest.approx(front.std(), rel=0.03)
    assert found.rear_sigma_kg == pytest.approx(rear.std(), rel=0.03)
    assert share_sigma_pct(book) == pytest.approx(100.0 * (front / (front + rear)).std(), rel=0.03)
    assert mass_sigma_kg(book) == pytest.approx((front + rear).std(), rel=0.03)
    assert stability_sigma(book) == pytest.approx(factor.std(), rel=0.03)


def test_front_sigma_is_the_closed_form_and_its_largest_sources_are_named() -> None:
    one = scene(weights=weights(sigma=1.0, added=UNSURE))
    book = book_of(one)
    terms = {SCALES: math.hypot(1.0, 1.0)}
    for item in UNSURE:
        by_mass = (1.0 - item.cg_mm[0] / WHEELBASE) * item.mass_kg.sigma
        terms[item.name] = math.hypot(by_mass, item.mass_kg.value / WHEELBASE * item.cg_sigma_mm)
    assert axle_sigma_kg(book, "front") == pytest.approx(math.hypot(*terms.values()))
    listed = contributors(book)
    assert [item.name for item in listed] == sorted(terms, key=lambda name: -terms[name])
    assert [item.front_sigma_kg for item in listed] == pytest.approx(sorted(terms.values(), reverse=True))


def test_no_more_than_five_contributors_and_no_exact_ones() -> None:
    many = tuple(mass(f"m{i}", 10.0, (0, 0, 500), sigma=float(i)) for i in range(8))
    listed = contributors(book_of(scene(weights=weights(added=many))))
    assert [item.name for item in listed] == ["m7", "m6", "m5", "m4", "m3"]
    assert contributors(book_of(scene())) == ()


def test_different_tracks_still_give_the_scales_own_sides() -> None:
    """With tracks of 1400 and 1600 a mass loads each axle by that axle's own track."""
    both = axles()
    both["front"], both["rear"] = (
        type(axle)(axle.name, axle.x_mm, track, axle.rating_kg, axle.wheel_rate_n_mm, axle.tyre)
        for axle, track in ((both["front"], 1400.0), (both["rear"], 1600.0))
    )
    one = scene(axles=both, weights=weights(added=(mass("box", 100.0, (1310, 200, 500)),)))
    found = totals(book_of(one))
    assert found.right_kg == pytest.approx(736.0 + 50.0 * (0.5 + 200 / 1400) + 50.0 * (0.5 + 200 / 1600))
    moment = 700.0 * (398.0 - 402.0) + 800.0 * (338.0 - 342.0) + 100.0 * 200.0
    assert found.cg_mm[1] == pytest.approx(moment / 1580.0)


def test_without_a_height_there_is_no_stability_factor_but_there_are_loads() -> None:
    found = check_loads(scene(weights=weights(cg_height_mm=None)))["kerb"]
    assert found.cg_mm[2] is None
    assert found.ssf is None
    assert found.cg_height_over_ground_mm is None
    assert found.front_kg == 800.0
    assert stability_sigma(book_of(scene(weights=weights(cg_height_mm=None)))) is None


def test_without_scales_or_an_axle_there_are_no_loads() -> None:
    assert check_loads(scene(weights=None)) == {}
    assert check_loads(scene(axles={"front": axles()["front"]})) == {}


def test_a_scene_without_load_states_has_one_called_kerb() -> None:
    assert list(check_loads(scene(load_states=()))) == ["kerb"]


def test_more_taken_off_than_was_weighed_is_refused() -> None:
    with pytest.raises(InputError, match=r"-20\.0 kg would be left of 1480\.0 kg.*'removed'"):
        check_loads(scene(weights=weights(removed=(mass("cab", 1500.0, (0, 0, 0)),))))


@pytest.mark.parametrize("by_mm", [0.0, -5.0, 2620.0, 9000.0])
def test_an_impossible_lift_is_refused(by_mm: float) -> None:
    with pytest.raises(InputError, match="less than the wheelbase of 2620 mm"):
        check_loads(scene(weights=weights(raised=RaisedAxle("rear", by_mm, Quantity(42.0)))))


def test_axles_in_the_wrong_order_and_empty_scales_are_refused() -> None:
    with pytest.raises(InputError, match="must lie behind"):
        check_loads(scene(axles=axles(base=-2620.0)))
    with pytest.raises(InputError, match="more than 0 kg"):
        check_loads(scene(weights=weights((0.0, 0.0, 0.0, 0.0))))


def test_a_mass_that_is_no_number_never_becomes_a_load() -> None:
    with pytest.raises(InternalError, match="not a finite number"):
        check_loads(scene(weights=weights(added=(mass("ghost", math.nan, (0, 0, 0)),))))


def test_parts_that_weigh_nothing_are_named_but_not_room_for_people() -> None:
    parts = (
        part("pipe", part_class="brake_line"),
        part("seat", part_class="occupant"),
        part("hatch", part_class="keep_out"),
        part("pack", weighs=mass("pack", 1.0, (0, 0, 0))),
    )
    assert parts_without_mass(scene(parts=parts)) == ("pipe",)


def test_scanned_metal_that_is_moved_takes_its_mass_along(tmp_path: Path) -> None:
    """150 kg lifted by 90: the total stays, the centre of gravity rises by 150·90/total."""
    text = (
        "format: 1\nvehicle: v\nscan: {file: s.ply, units: mm, align: as_scanned, move: {bed: {piece: {at: [0, 0, 0]}, "
        "by: [0, 0, 90], why: packers%s}}}\naxles:\n  front: {at: 0, track: 1480, wheel_rate: 40, tyre: {radius: 395, "
        "width: 205, rate: 300}}\n  rear: {at: 2620, track: 1480, wheel_rate: 48, tyre: {radius: 395, width: 205, "
        "rate: 300}}\nweights:\n  as_weighed: {front_left: 400, front_right: 400, rear_left: 340, rear_right: 340}\n"
        "  cg_height: 688\n"
    )
    (tmp_path / "s.ply").write_bytes(b"looked at later")
    found = []
    for moved in ("", ", mass: 150, cg: [2300, 0, 700]"):
        (tmp_path / "v.yaml").write_text(text % moved, encoding="utf-8")
        scale = build_weights(read_layout(tmp_path / "v.yaml"))
        book = ledger(scene(weights=scale, axles=axles()), LoadState("kerb"))
        assert book is not None
        found.append(totals(book))
    assert found[1].mass_kg == pytest.approx(found[0].mass_kg)
    assert found[1].cg_mm[2] - found[0].cg_mm[2] == pytest.approx(150.0 * 90.0 / found[0].mass_kg)
