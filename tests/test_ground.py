"""Heights over the ground and angles of tangent planes. Row names (G25 …) are those of the project's check values.

"CALC": closed form, recomputed. For whole-vehicle angles with tyres no published pairs were found; those rows are
derived from the definitions of ISO 612 and Directive 92/53/EEC.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from trucks import STIFF, axles, mass, nothing, part, plate, rear_axle, scanned, scene, spots, weights

from fitcheck.checks.ground import arc_under_axle_mm, check_ground, ground_in, lowest_owner, scan_speaks
from fitcheck.checks.underside import Measure, Zone, least_of_solid, least_of_surface
from fitcheck.errors import InternalError
from fitcheck.geometry.solids import Solid, box, capsule, sphere
from fitcheck.geometry.surface import TiledSurface, tile_surface
from fitcheck.geometry.tangents import (
    APEX_ONE_IN_FIFTEEN_DEG,
    apex_deg,
    arc_height_mm,
    height_for_apex_mm,
    sagitta_mm,
    tangent_deg,
    turn_chord_mm,
    turn_shift_mm,
)
from fitcheck.result import Ground
from fitcheck.vehicle.masses import GRAVITY, ledger, states_of
from fitcheck.vehicle.scene import LoadState, ScanLayers, Scene, ShaftPart
from fitcheck.vehicle.stance import Stance, stance

Floats = NDArray[np.float64]


def flat_ground(scan: ScanLayers | None, *, base: float = 2700.0, loaded: float = 350.0, **more: Any) -> Ground:
    """A vehicle that stands as scanned, with one loaded tyre radius."""
    return check_ground(standing(scan, base=base, loaded=loaded, **more))["kerb"]


def standing(scan: ScanLayers | None, *, base: float = 2700.0, loaded: float = 350.0, **more: Any) -> Scene:
    stiff = axles(base=base, wheel_rate=(STIFF, STIFF), tyre_rate=STIFF, hubs=(loaded, loaded))
    return scene(axles=stiff, scan=scan, **more)


def stood(one: Scene) -> Stance:
    book = ledger(one, states_of(one)[0])
    assert book is not None
    return stance(book)


# --- Closed forms


@pytest.mark.parametrize(("height", "base", "angle"), [(12.0, 100.0, 26.99), (15.0, 120.0, 28.07)])
def test_g25_breakover_over_point_wheels(height: float, base: float, angle: float) -> None:
    # Source: 2 atan(2 h / L) (formula READ, CALC).
    assert apex_deg(base / 2, base / 2, height) == pytest.approx(angle, abs=0.005)


def test_x1_misprinted_breakover_is_not_reproduced() -> None:
    """A worked page prints 27.04 for 12 over a wheelbase of 100; 2 atan(0.24) is 26.99."""
    assert abs(apex_deg(50.0, 50.0, 12.0) - 27.04) > 0.04


def test_g26_breakover_with_tyres_in_the_middle() -> None:
    # Source: closed form (CALC).
    assert flat_ground(spots((1350, 0, 200))).breakover_deg == pytest.approx(17.18, abs=0.005)
    assert apex_deg(1350.0, 1350.0, 200.0) == pytest.approx(16.85, abs=0.005)


def test_g27_the_middle_is_critical_before_a_point_of_the_same_height_elsewhere() -> None:
    # Source: closed form (CALC).
    off, middle = spots((900, 0, 180)), spots((1350, 0, 180))
    assert flat_ground(off).breakover_deg == pytest.approx(17.54, abs=0.005)
    assert flat_ground(middle).breakover_deg == pytest.approx(15.46, abs=0.005)
    assert apex_deg(900.0, 1800.0, 180.0) == pytest.approx(17.02, abs=0.005)
    assert apex_deg(1350.0, 1350.0, 180.0) == pytest.approx(15.19, abs=0.005)


@pytest.mark.parametrize(
    ("figure", "x", "height", "loaded", "angle", "contact"),
    [
        pytest.param("approach", -800.0, 250.0, 350.0, 18.60, 17.35, id="G28"),  # CALC
        pytest.param("approach", -700.0, 200.0, 330.0, 17.09, 15.95, id="G29"),  # CALC
        pytest.param("departure", 3700.0, 300.0, 350.0, 17.60, 16.70, id="G30"),  # CALC
    ],
)
def test_angle_of_a_point_outside_an_axle(
    figure: str, x: float, height: float, loaded: float, angle: float, contact: float
) -> None:
    """The plane tangent to the tyre, which a line from the contact patch is not."""
    found = flat_ground(spots((x, 0, height)), loaded=loaded)
    out = -x if x < 0 else x - 2700.0
    assert getattr(found, f"{figure}_deg") == pytest.approx(angle, abs=0.005)
    assert math.degrees(math.atan2(height, out)) == pytest.approx(contact, abs=0.005)
    assert tangent_deg(out, height, loaded_mm=1e-9) == pytest.approx(contact, abs=0.005)


def test_tangent_against_the_contact_patch_of_the_sample_truck() -> None:
    # Source: closed form (CALC): d 690, h 416, r 384: 36.4 deg where the contact patch says 31.1.
    assert tangent_deg(690.0, 416.0, loaded_mm=384.0) == pytest.approx(36.4, abs=0.05)
    assert math.degrees(math.atan2(416.0, 690.0)) == pytest.approx(31.1, abs=0.05)


@pytest.mark.parametrize(
    ("base", "height"), [(2400.0, 79.99), (2500.0, 83.33), (2700.0, 89.99), (3000.0, 99.99)], ids="G31-{}".format
)
def test_g31_needed_height_at_mid_wheelbase(base: float, height: float) -> None:
    # Source: Australian Design Rule 43/04, 6.4.2, 33.33 mm a metre (READ-2, CALC): 6.4.3's apex at mid-span.
    assert height_for_apex_mm(base / 2, base / 2) == pytest.approx(height, abs=0.02)
    assert height_for_apex_mm(base / 2, base / 2) == pytest.approx(base / 30.0)


def test_g31_the_apex_is_seven_degrees_thirty_eight() -> None:
    # Source: the same, 6.4.3 (READ-2, CALC).
    assert apex_deg(15.0, 15.0, 1.0) == pytest.approx(7.628, abs=5e-4)
    assert apex_deg(15.0, 15.0, 1.0) == APEX_ONE_IN_FIFTEEN_DEG


@pytest.mark.parametrize(("behind", "height"), [(450.0, 50.1), (900.0, 80.1), (1350.0, 90.1)])
def test_g32_needed_height_along_the_wheelbase(behind: float, height: float) -> None:
    # Source: ADR 43/04, 6.4.3 (CALC, point wheels, with the rule's rounded 7 deg 38 min: hence 0.1).
    found = height_for_apex_mm(behind, 2700.0 - behind, 7.0 + 38.0 / 60.0)
    assert found == pytest.approx(height, abs=0.05)
    assert apex_deg(behind, 2700.0 - behind, found) == pytest.approx(7.0 + 38.0 / 60.0)


def test_g33_apex_over_a_flat_floor_and_single_points() -> None:
    # Source: ADR 43/04, 6.4.3 (CALC, point wheels).
    assert apex_deg(700.0, 2000.0, 110.0) == pytest.approx(12.08, abs=0.005)
    assert apex_deg(1900.0, 800.0, 110.0) == pytest.approx(11.14, abs=0.005)
    low, high = apex_deg(1350.0, 1350.0, 85.0), apex_deg(1350.0, 1350.0, 95.0)
    assert (low, high) == pytest.approx((7.21, 8.05), abs=0.006)
    assert low < APEX_ONE_IN_FIFTEEN_DEG < high


def test_g33_a_flat_floor_is_critical_between_its_ends() -> None:
    """Two big triangles from 700 to 1900: the least angle is at mid-wheelbase, where no corner is (closed form)."""
    found = flat_ground(scanned(plate((700, 1900), (-300, 300), 110.0)), loaded=1e-3)
    assert found.breakover_deg == pytest.approx(2.0 * math.degrees(math.atan(110.0 / 1350.0)), abs=1e-4)
    point = found.owners["breakover"].point_mm
    assert point is not None
    assert point[0] == pytest.approx(1350.0, abs=0.1)


@pytest.mark.parametrize(("y", "height"), [(0.0, 180.0), (200.0, 194.84), (400.0, 256.56)])
def test_g34_arc_under_an_axle(y: float, height: float) -> None:
    # Source: Directive 92/53/EEC, Annex II A, 4.5.5 (READ; CALC): track 1400, a point 180 over the ground.
    assert arc_height_mm(1400.0, y, 180.0) == pytest.approx(height, abs=0.005)


def test_g34_the_arc_touches_both_footprints_and_the_point() -> None:
    top = arc_height_mm(1400.0, 400.0, 180.0)
    radius = (700.0**2 + top**2) / (2.0 * top)
    assert math.hypot(400.0, 180.0 - (top - radius)) == pytest.approx(radius)


def test_g34_needs_a_point_over_the_ground() -> None:
    with pytest.raises(InternalError, match="over the ground"):
        arc_height_mm(1400.0, 0.0, 0.0)


def test_c21_rocking_chord() -> None:
    # Source: closed form (CALC): 3 deg at 400 mm.
    assert turn_chord_mm(400.0, 3.0) == pytest.approx(20.94, abs=0.005)
    assert turn_shift_mm(400.0, 3.0) == pytest.approx((20.93, 0.55), abs=0.005)


@pytest.mark.parametrize(("angle", "radius", "chord"), [(2.0, 350.0, 12.22), (5.0, 300.0, 26.17)])
def test_c22_rocking_chord(angle: float, radius: float, chord: float) -> None:
    assert turn_chord_mm(radius, angle) == pytest.approx(chord, abs=0.005)  # Source: closed form (CALC)


@pytest.mark.parametrize(("sides", "hidden"), [(16, 6.73), (32, 1.69), (64, 0.42), (128, 0.11)])
def test_c25_what_an_inscribed_polygon_hides(sides: int, hidden: float) -> None:
    assert sagitta_mm(350.0, sides) == pytest.approx(hidden, abs=0.006)  # Source: closed form (CALC)


# --- The angles' own corners


def test_a_point_on_the_floor_gives_zero_and_one_below_it_less() -> None:
    assert tangent_deg(700.0, 0.0, loaded_mm=384.0) == pytest.approx(0.0, abs=1e-12)
    assert tangent_deg(700.0, -5.0, loaded_mm=384.0) < 0.0
    assert flat_ground(spots((-700, 0, 0))).approach_deg == pytest.approx(0.0, abs=1e-6)
    assert flat_ground(spots((-700, 0, -20))).approach_deg < 0.0
    assert flat_ground(spots((1350, 0, -20))).belly_mm == pytest.approx(-20.0)


def test_a_point_above_the_tyre_is_steeper_than_a_wall_and_limits_nothing() -> None:
    assert tangent_deg(100.0, 900.0, loaded_mm=384.0) > 90.0
    found = flat_ground(spots((-100, 0, 900), (1350, 0, 400)))
    assert found.approach_deg == 90.0
    assert found.owners["approach"].owner is None


def test_a_point_beside_the_tyre_touches_no_tangent_plane() -> None:
    """Inside the tyre's outline seen from the side there is no such plane; the bumper ahead of it is what counts."""
    assert tangent_deg(50.0, 300.0, loaded_mm=384.0) == math.inf
    assert flat_ground(spots((-50, 0, 300), (-600, 0, 500))).owners["approach"].point_mm[0] == pytest.approx(-600.0)


@settings(max_examples=80)
@given(out=st.floats(1.0, 3000.0), height=st.floats(-50.0, 3000.0), loaded=st.floats(200.0, 600.0))
def test_the_tangent_line_touches_the_tyre_and_passes_through_the_point(
    out: float, height: float, loaded: float
) -> None:
    """Its distance from the wheel centre is the radius; up to 180 deg, anywhere outside the tyre."""
    angle = float(tangent_deg(out, height, loaded_mm=loaded))
    if math.hypot(out, height - loaded) < loaded:
        assert angle == math.inf
    else:
        turn = math.radians(angle)
        off = -out * math.sin(turn) + (height - loaded) * math.cos(turn)
        assert off == pytest.approx(-loaded, abs=1e-6)


@settings(max_examples=50)
@given(height=st.floats(20.0, 900.0), base=st.floats(2000.0, 4000.0), loaded=st.floats(250.0, 450.0))
def test_breakover_of_a_symmetric_vehicle_is_twice_the_angle_of_its_middle(
    height: float, base: float, loaded: float
) -> None:
    found = flat_ground(spots((base / 2, 0, height), size=1e-9), base=base, loaded=loaded)
    assert found.breakover_deg == pytest.approx(2.0 * float(tangent_deg(base / 2, height, loaded_mm=loaded)), abs=1e-6)


# --- Owners, zones, and what is not the body


def test_owner_and_runner_up_are_different_owners() -> None:
    """The whole scan is one owner: the second-lowest scan point is not the runner-up."""
    boxes = (part("A1", box((1000, -300, 300), (1600, -100, 500))), part("A2", box((1000, 100, 280), (1600, 300, 500))))
    found = flat_ground(spots((1200, 0, 310), (1300, 0, 311), (1400, 0, 312)), parts=boxes).owners["belly"]
    assert (found.owner, found.value) == ("A2", pytest.approx(280.0))
    assert (found.runner_up, found.runner_up_value) == ("A1", pytest.approx(300.0))
    assert found.point_mm is not None
    assert found.point_mm[2] == pytest.approx(280.0)


def test_removing_the_owner_gains_the_difference_to_the_runner_up() -> None:
    first = part("A2", box((1000, 100, 280), (1600, 300, 500)))
    scan = spots((1200, 0, 310))
    both, one = flat_ground(scan, parts=(first,)), flat_ground(scan)
    assert both.owners["belly"].runner_up_value == pytest.approx(one.belly_mm)


@pytest.mark.parametrize(
    "unlike",
    [{"sprung": False}, *({"part_class": name} for name in ("keep_out", "occupant", "tyre", "axle"))],
    ids=str,
)
def test_what_is_not_sprung_metal_is_not_the_belly(unlike: dict[str, Any]) -> None:
    low = part("low", box((1000, -100, 100), (1600, 100, 500)), **unlike)
    assert flat_ground(spots((1200, 0, 310)), parts=(low,)).belly_mm == pytest.approx(310.0)


def test_belly_is_cut_at_the_tyres_inner_faces_and_at_the_axles() -> None:
    """Inner faces at 740 - 102.5 = 637.5; lower metal beyond them, ahead and behind is not the belly."""
    outside = [(1350, 638, 90), (1350, -638, 90), (-1, 0, 90), (2701, 0, 90)]
    assert flat_ground(spots(*outside, (1350, 637, 310))).belly_mm == pytest.approx(310.0)


def test_a_skid_plate_wider_than_the_track_has_no_corner_in_the_zone_but_counts() -> None:
    wide = part("skid", box((-800, -900, 240), (3500, 900, 246)))
    found = flat_ground(spots((1200, 0, 310)), parts=(wide,))
    assert found.belly_mm == pytest.approx(240.0)
    assert found.belly_owner == "skid"


def test_coarse_sloping_triangles_are_cut_at_the_zone() -> None:
    """A sheet that falls outward: its lowest place in the zone is on the zone's edge, between its corners."""
    corners = [[1000.0, 0.0, 500.0], [1400.0, 2000.0, 100.0], [1800.0, 0.0, 500.0]]
    found = flat_ground(scanned((corners, [[0, 1, 2]])))
    assert found.belly_mm == pytest.approx(500.0 - 400.0 * 637.5 / 2000.0)


def test_a_moving_shaft_is_no_belly_and_a_fixed_one_is() -> None:
    shaft = ShaftPart("shaft", (700, 0, 260), (1300, 0, 260), None, 60.0, 2.0, 100.0, 60.0)
    moving = ShaftPart("shaft", (700, 0, 260), (1300, 0, 260), "rear_axle", 60.0, 2.0, 100.0, 60.0)
    scan = spots((1200, 0, 310))
    assert flat_ground(scan, shafts=(shaft,)).belly_mm == pytest.approx(260.0 - 50.0)
    assert flat_ground(scan, shafts=(moving,)).belly_mm == pytest.approx(310.0)


# --- Nothing to measure is no number


@pytest.mark.parametrize("scan", [None, nothing()], ids=["no scan", "empty scan"])
def test_without_scan_metal_there_are_no_figures_even_with_parts(scan: ScanLayers | None) -> None:
    found = flat_ground(scan, parts=(part("A", box((-900, -300, 300), (3600, 300, 500))),))
    assert [found.belly_mm, found.approach_deg, found.departure_deg, found.breakover_deg] == [None] * 4
    assert found.belly_owner is None


def test_without_an_axle_or_scales_the_ground_is_not_known() -> None:
    scan = spots((1200, 0, 310))
    for one in (scene(scan=scan, axles={}), scene(scan=scan, weights=None)):
        found = check_ground(one)["kerb"]
        assert [found.belly_mm, found.approach_deg, found.departure_deg, found.breakover_deg] == [None] * 4
        assert found.under_axle_mm == {"front": None, "rear": None}
        assert found.bump_left_mm == {"front": None, "rear": None}


def test_nothing_ahead_of_the_front_axle_is_no_approach_angle() -> None:
    found = flat_ground(spots((1200, 0, 310)))
    assert found.approach_deg is None
    assert found.departure_deg is None
    assert found.breakover_deg is not None


def test_the_scan_is_silent_where_it_has_no_metal() -> None:
    one = standing(spots((1200, 0, 310)))
    stands = stood(one)
    assert scan_speaks(one, "belly", stands)
    assert scan_speaks(one, "breakover", stands)
    assert not scan_speaks(one, "approach", stands)
    assert not scan_speaks(standing(None), "belly", stands)


def test_a_point_that_is_no_number_is_never_a_height() -> None:
    bad = tile_surface(np.array([[1000.0, 0, 300], [1010, 0, 300], [1000, 10, 300]]), np.array([[0, 1, 2]]))
    bad.vertices[1, 2] = math.nan
    with pytest.raises(InternalError, match="not finite"):
        flat_ground(ScanLayers(bad))
    bad.boxes[0, 0, 0] = math.nan
    with pytest.raises(InternalError, match="no finite box"):
        flat_ground(ScanLayers(bad))


# --- Load states


def laden(*aboard: tuple[float, float], **more: Any) -> Scene:
    """The truck on its own springs with masses (kg, x) aboard."""
    masses = tuple(mass(f"m{i}", kg, (x, 0, 900)) for i, (kg, x) in enumerate(aboard))
    return scene(load_states=(LoadState("kerb"), LoadState("laden", masses)), **more)


def test_silent_error_12_the_ground_is_not_frozen_at_scan_stance() -> None:
    """100 kg on each axle lower belly and angles by what spring and tyre give; kerb stays as scanned."""
    one = laden((100.0, 0.0), (100.0, 2620.0), axles=axles(wheel_rate=(40.0, 40.0)), scan=spots((1310, 0, 326)))
    found = check_ground(one)
    drop = 100.0 * GRAVITY * (1 / 80.0 + 1 / 600.0)
    assert found["kerb"].belly_mm == pytest.approx(326.0)
    assert found["laden"].belly_mm == pytest.approx(326.0 - drop)
    assert found["laden"].floor_z_mm == pytest.approx({"front": drop, "rear": drop})
    assert found["laden"].breakover_deg < found["kerb"].breakover_deg


def test_a_load_in_the_tail_steals_departure_and_gives_approach() -> None:
    one = laden((300.0, 2620.0), scan=spots((-560, 0, 520), (3400, 0, 520)))
    kerb, full = check_ground(one)["kerb"], check_ground(one)["laden"]
    assert full.departure_deg < kerb.departure_deg - 1.0
    assert full.approach_deg > kerb.approach_deg + 0.5


def axled(**more: Any) -> Scene:
    both = axles(mechanism="rear_axle", hubs=(381.9, 384.0))
    return laden((200.0, 2620.0), axles=both, mechanisms={"rear_axle": rear_axle()}, **more)


def test_under_the_axle_moves_with_the_tyre_only_and_leaves_the_tyres_out() -> None:
    found = check_ground(axled(scan=spots((1310, 0, 326))))
    assert found["kerb"].under_axle_mm == {"front": None, "rear": pytest.approx(384.0 - 130.0)}
    tyre = 200.0 * GRAVITY / 600.0
    assert found["laden"].under_axle_mm["rear"] == pytest.approx(384.0 - 130.0 - tyre)
    owned = found["laden"].owners["under_rear_axle"]
    assert (owned.owner, owned.runner_up) == ("differential", "tube")
    assert found["laden"].bump_left_mm["rear"] == pytest.approx(80.0 - 200.0 * GRAVITY / 96.0)


def test_the_arc_under_the_axle_gives_more_off_the_middle() -> None:
    one = axled(scan=spots((1310, 0, 326)))
    kerb = check_ground(one)["kerb"]
    assert arc_under_axle_mm(one, kerb, "rear") == pytest.approx(arc_height_mm(1480.0, 60.0, 254.0))
    assert arc_under_axle_mm(one, kerb, "rear") > 254.0
    assert arc_under_axle_mm(one, kerb, "front") is None


# --- By another road: every triangle, without tiles


@dataclass(frozen=True)
class Rough:
    """A random rough underside and a random pitch."""

    surface: TiledSurface
    stands: Stance
    scene: Scene = field(repr=False)


def rough(seed: int) -> Rough:
    """About 400 triangles from 20 to 400 mm, tiled eight at a time; with even seeds some are under the floor."""
    chance = np.random.default_rng(seed)
    count = 400
    centre = chance.uniform((-900, -900, 150), (3600, 900, 900), (count, 1, 3))
    size = chance.choice([20.0, 80.0, 400.0], count)[:, None, None]
    corners = (centre + chance.normal(0.0, 0.4, (count, 3, 3)) * size).reshape(-1, 3)
    if seed % 2:
        corners[:, 2] += 150.0 - corners[:, 2].min()
    layers = scanned((corners, np.arange(3 * count).reshape(-1, 3)), tile_size=8)
    one = scene(scan=layers, axles=axles(hubs=(381.9, 383.9)))
    return Rough(layers.metal, stood(one).settled(*chance.uniform(-30.0, 60.0, 2)), one)


def tilted(points: Floats, stands: Stance) -> tuple[Floats, Floats]:
    """Along and over the floor, by the distance to a line through the floor's two known points."""
    a, b = np.array([0.0, stands.front.body_drop_mm]), np.array([2620.0, stands.rear.body_drop_mm])
    unit = (b - a) / np.linalg.norm(b - a)
    off = points[:, [0, 2]] - a
    return off @ unit, off @ np.array([-unit[1], unit[0]])


def hub(stands: Stance, axle: str) -> tuple[float, float]:
    """Where a wheel centre stands along the floor, and its loaded radius."""
    one = getattr(stands, axle)
    along, _ = tilted(np.array([[one.x_mm, 0.0, one.scan_hub_z_mm + one.spring_mm]]), stands)
    return float(along[0]), one.scan_hub_z_mm - one.tyre_mm


def slow_tangent(out: Floats, up: Floats, loaded: float) -> Floats:
    """asin(R / D) - atan((R - h) / d); no plane for points inside the tyre."""
    reach = np.hypot(out, up - loaded)
    outside = reach >= loaded
    angle = np.degrees(np.arcsin(np.minimum(loaded / reach, 1.0)) - np.arctan2(loaded - up, out))
    return np.where(outside, angle, np.inf)


Side = Callable[[Floats], float]


def slow_clip(corners: Floats, inside: list[Side]) -> list[Floats]:
    """A polygon cut by half-spaces one after the other (Sutherland and Hodgman)."""
    polygon = list(corners)
    for limit in inside:
        cut: list[Floats] = []
        for i, here in enumerate(polygon):
            after = polygon[(i + 1) % len(polygon)]
            a, b = limit(here), limit(after)
            if a >= 0:
                cut.append(here)
            if (a < 0) != (b < 0):
                cut.append(here + (after - here) * a / (a - b))
        polygon = cut
    return polygon


def cut_by_hand(one: Rough, inside: list[Side]) -> list[list[Floats]]:
    """Every triangle cut to a zone; those wholly outside are gone."""
    triangles = one.surface.vertices[one.surface.faces]
    return [polygon for polygon in (slow_clip(corners, inside) for corners in triangles) if polygon]


def beyond(one: Rough, axle: str, sign: float) -> Side:
    """Positive behind (+1) or ahead of (-1) an axle, along the floor."""
    at = hub(one.stands, axle)[0]
    return lambda point: sign * (float(tilted(point[None], one.stands)[0][0]) - at)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("figure", "axle", "sign"), [("approach", "front", -1.0), ("departure", "rear", 1.0)])
def test_approach_and_departure_against_every_triangle_cut_by_hand(
    seed: int, figure: str, axle: str, sign: float
) -> None:
    one = rough(seed)
    corners = np.array([p for polygon in cut_by_hand(one, [beyond(one, axle, sign)]) for p in polygon])
    along, up = tilted(corners, one.stands)
    at, loaded = hub(one.stands, axle)
    expected = slow_tangent(np.maximum(sign * (along - at), 0.0), up, loaded).min()
    assert lowest_owner(one.scene, figure, one.stands).value == pytest.approx(min(expected, 90.0), abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_breakover_against_many_points_on_every_edge(seed: int) -> None:
    """No sampled point lies below the answer, and the answer is no lower than the sampling explains."""
    one = rough(seed)
    polygons = cut_by_hand(one, [beyond(one, "front", 1.0), beyond(one, "rear", -1.0)])
    edges = np.array([(p[i - 1], p[i]) for p in polygons for i in range(len(p))])
    part_of = np.linspace(0.0, 1.0, 401)[:, None]
    points = (edges[:, :1] * (1.0 - part_of) + edges[:, 1:] * part_of).reshape(-1, 3)
    along, up = tilted(points, one.stands)
    (front, front_radius), (rear, rear_radius) = hub(one.stands, "front"), hub(one.stands, "rear")
    sums = slow_tangent(np.maximum(along - front, 0.0), up, front_radius)
    sums += slow_tangent(np.maximum(rear - along, 0.0), up, rear_radius)
    found = lowest_owner(one.scene, "breakover", one.stands).value
    assert found is not None
    assert sums.min() - 0.02 <= found <= sums.min() + 1e-9


@pytest.mark.parametrize("seed", range(6))
def test_belly_against_every_triangle_cut_by_hand(seed: int) -> None:
    one = rough(seed)
    sides = [beyond(one, "front", 1.0), beyond(one, "rear", -1.0), lambda p: 637.5 - p[1], lambda p: 637.5 + p[1]]
    kept = [point for polygon in cut_by_hand(one, sides) for point in polygon]
    expected = tilted(np.array(kept), one.stands)[1].min()
    assert lowest_owner(one.scene, "belly", one.stands).value == pytest.approx(expected, abs=1e-9)


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), tile_size=st.integers(1, 400))
def test_tiles_change_no_answer(seed: int, tile_size: int) -> None:
    """The same triangles in any tiling, or in one tile, give the same heights and angles."""
    one = rough(seed)
    corners = one.surface.vertices[one.surface.faces].reshape(-1, 3)
    tiled = scanned((corners, np.arange(len(corners)).reshape(-1, 3)), tile_size=tile_size)
    again = scene(scan=tiled, axles=one.scene.axles)
    for figure in ("belly", "approach", "departure", "breakover"):
        first, second = (lowest_owner(each, figure, one.stands).value for each in (one.scene, again))
        assert first == pytest.approx(second, abs=1e-7), figure


@pytest.mark.parametrize("radius", [5.0, 60.0])
def test_round_solids_against_many_points_on_them(radius: float) -> None:
    """A capsule's belly, approach, departure and breakover against 40000 points of its surface, on a pitched floor."""
    chance = np.random.default_rng(3)
    turned = chance.normal(size=(40000, 3))
    turned *= radius / np.linalg.norm(turned, axis=1, keepdims=True)
    one = rough(0)
    front, rear = hub(one.stands, "front"), hub(one.stands, "rear")
    ahead, behind = ((-700, 0, 380), (-650, 200, 420)), ((3200, 100, 400), (3300, 0, 380))
    for ends in (ahead, behind, ((1000, 0, 350), (1900, 100, 340))):
        solid = capsule(*ends, radius)
        between = chance.uniform(0.0, 1.0, (40000, 1))
        between[:8000], between[8000:16000] = 0.0, 1.0
        along, up = tilted(np.array(ends[0]) * (1 - between) + np.array(ends[1]) * between + turned, one.stands)
        expected = {
            "approach": slow_tangent(front[0] - along, up, front[1]).min() if ends[0][0] < 0 else None,
            "departure": slow_tangent(along - rear[0], up, rear[1]).min() if ends[0][0] > 2620 else None,
        }
        if 0 < ends[0][0] < 2620:
            sums = slow_tangent(along - front[0], up, front[1]) + slow_tangent(rear[0] - along, up, rear[1])
            expected |= {"breakover": sums.min(), "belly": up.min()}
        assert_near(solid, one, expected)


def assert_near(solid: Solid, one: Rough, expected: dict[str, float | None]) -> None:
    bare = scene(scan=spots((1310, 0, 5000)), axles=one.scene.axles, parts=(part("rod", solid),))
    for figure, value in expected.items():
        if value is not None:
            owned = lowest_owner(bare, figure, one.stands)
            assert owned.owner == "rod"
            assert value - 0.15 <= owned.value <= value + 1e-9, figure


def test_point_of_a_ball_is_where_the_plane_touches_it() -> None:
    found = flat_ground(spots((1350, 0, 900)), parts=(part("ball", sphere((-800, 0, 400), 100)),)).owners["approach"]
    assert found.value is not None
    assert found.point_mm is not None
    assert math.dist(found.point_mm, (-800, 0, 400)) == pytest.approx(100.0)
    assert tangent_deg(-found.point_mm[0], found.point_mm[2], loaded_mm=350.0) == pytest.approx(found.value)


def test_a_solid_outside_the_zone_has_no_figure() -> None:
    measure = Measure(stood(standing(None)), Zone(0.0, 2700.0, 600.0))
    assert least_of_solid(box((-500, 0, 100), (-400, 100, 200)), measure) is None
    assert least_of_surface(nothing().metal, measure) is None


class CountedSurface(TiledSurface):
    """Remembers how many triangles were read."""

    read = 0

    def face_rows(self, tiles: NDArray[np.intp]) -> NDArray[np.int64]:
        rows = super().face_rows(tiles)
        CountedSurface.read += len(rows)
        return rows


def test_few_tiles_of_a_large_scan_are_read() -> None:
    """An underside of 200 000 triangles: all four figures together read less than a tenth of them."""
    x, y = np.meshgrid(np.linspace(-560, 3450, 501), np.linspace(-850, 850, 201), indexing="ij")
    noise = np.random.default_rng(1).normal(0.0, 0.4, x.shape)
    z = 520 + 60 * np.sin(x / 180) * np.cos(y / 140) + noise
    corner = np.arange(x.size).reshape(x.shape)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]
    faces = np.concatenate([np.stack(each, axis=-1).reshape(-1, 3) for each in ((a, b, c), (a, c, d))])
    tiled = tile_surface(np.stack([x, y, z], axis=-1).reshape(-1, 3), faces)
    counted = CountedSurface(tiled.vertices, tiled.faces, tiled.starts, tiled.boxes)
    CountedSurface.read = 0
    found = check_ground(scene(scan=ScanLayers(counted)))["kerb"]
    assert found.breakover_deg is not None
    assert 0 < CountedSurface.read < 0.1 * len(faces)


def test_ground_of_a_stance_is_the_ground_of_its_load_state() -> None:
    one = laden((300.0, 2500.0), scan=spots((-560, 0, 520), (1310, 0, 400), (3400, 0, 520)), weights=weights())
    book = ledger(one, one.load_states[1])
    assert book is not None
    assert ground_in(one, stance(book)) == check_ground(one)["laden"]
