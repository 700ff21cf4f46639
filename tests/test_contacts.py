"""Declared contact is a place: what it lets through, and what on the same pair is judged all the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trucks
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapes import box_mesh

from fitcheck.checks.contacts import planes_of
from fitcheck.checks.run import check_scene
from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.moving import shaft_body
from fitcheck.vehicle.scene import Contact, Region, Rule, Scene, ShaftPart, Uncertainties

CERTAIN = Uncertainties(0.0, 0.0, 0.0, 0.0, 0.0)
NEAR = Rule(("any", "any"), 2.0, 5.0, "test", origin="a.yaml:9")


def region(lo: Any, hi: Any) -> Region:
    return Region("box", lo=tuple(map(float, lo)), hi=tuple(map(float, hi)))


def contact(one: str, other: str, at: Region, deeper: float = 1.0) -> Contact:
    return Contact((one, other), at, "meant to touch", deeper, "a.yaml:7")


def judged(scene: Scene, one: str, other: str) -> Clearance:
    (found,) = [row for row in check_scene(scene).clearances if set(row.between) == {one, other}]
    return found


def two(first: Solid, second: Solid, *contacts: Contact, rule: Rule = NEAR) -> Clearance:
    """The row of two parts without any uncertainty."""
    parts = (trucks.part("A1", first, part_class="structure"), trucks.part("B1", second, part_class="structure"))
    scene = trucks.scene(parts=parts, contacts=contacts, uncertainties=CERTAIN, rules=(rule,))
    return judged(scene, "A1", "B1")


BLOCK = solids.box((0, 0, 0), (100, 100, 100))
ON_TOP = region((30, 30, 95), (70, 70, 105))


def standing(depth: float, *, x: float = 40.0) -> Solid:
    """A foot of 20 × 20 on the block, ``depth`` mm in it."""
    return solids.box((x, 40, 100 - depth), (x + 20, 60, 140))


# ------------------------------------------------------------------ depth


@pytest.mark.parametrize(("depth", "verdict"), [(0.0, "PASS"), (0.9, "PASS"), (1.1, "FAIL"), (5.0, "FAIL")])
def test_deeper_than_1_mm_is_judged_in_the_place_itself(depth: float, verdict: str) -> None:
    row = two(BLOCK, standing(depth), contact("A1", "B1", ON_TOP))
    assert row.verdict.value == verdict
    if verdict == "FAIL":
        assert row.depth_mm == pytest.approx(depth, abs=1e-6)


@pytest.mark.parametrize(("depth", "verdict"), [(2.9, "PASS"), (3.1, "FAIL")])
def test_a_place_may_allow_more(depth: float, verdict: str) -> None:
    """A rubber foot."""
    row = two(BLOCK, standing(depth), contact("A1", "B1", ON_TOP, deeper=3.0))
    assert row.verdict.value == verdict


def test_what_one_place_allows_it_does_not_allow_in_another() -> None:
    """A rubber foot elsewhere on the pair lets no steel foot sink in by 5 mm."""
    rubber = contact("A1", "B1", region((0, 0, 95), (10, 10, 105)), deeper=20.0)
    row = two(BLOCK, standing(5.0), contact("A1", "B1", ON_TOP), rubber)
    assert row.verdict.value == "FAIL"


# ------------------------------------------------------------------ place


@given(x=st.floats(0.0, 80.0))
@settings(max_examples=25)
def test_a_foot_is_let_through_where_declared_and_nowhere_else(x: float) -> None:
    """The place reaches from x 30 to 70: a foot of 20 passes from 30 to 50, and not where any of it stands outside."""
    assume(min(abs(x - 30.0), abs(x - 50.0)) > 0.01)
    row = two(BLOCK, standing(0.0, x=x), contact("A1", "B1", ON_TOP))
    assert (row.verdict.value == "PASS") == (30.0 <= x <= 50.0), row


def test_a_place_lets_through_no_more_than_itself_whatever_room_the_rule_asks() -> None:
    """A hose lies along an exhaust for 100 mm; the clip that was declared is 20 wide, the rule asks for 75."""
    rule = Rule(("any", "any"), 75.0, 200.0, "test", origin="a.yaml:9")
    hose, exhaust = solids.capsule((0, 110, 50), (100, 110, 50), 10), BLOCK
    clip = contact("A1", "B1", region((40, 90, 40), (60, 130, 60)))
    assert two(hose, exhaust, clip, rule=rule).verdict.value == "FAIL"


@pytest.mark.parametrize("gap", [0.0, 1.0, 1.9, 2.1, 40.0])
def test_a_second_thing_on_the_same_pair_is_judged_by_the_rule(gap: float) -> None:
    """A lip beside the block, ``gap`` mm off it, far from the place: must 2. Of the foot, what is above the place
    and the rule's 2 mm round it is 7 off."""
    part = trucks.part("A1", BLOCK, part_class="structure")
    lip = solids.box((100 + gap, 0, 0), (150 + gap, 100, 20))
    other = trucks.part("B1", standing(0.0), lip, part_class="structure")
    row = judged(
        trucks.scene(
            parts=(part, other), contacts=(contact("A1", "B1", ON_TOP),), uncertainties=CERTAIN, rules=(NEAR,)
        ),
        "A1",
        "B1",
    )
    assert row.verdict.value == ("PASS" if gap > 2.0 else "FAIL")
    assert row.distance_mm == pytest.approx(min(gap, 7.0), abs=1e-6)


def test_points_are_named_in_the_order_of_the_pair_also_where_the_first_is_cut() -> None:
    """A rod on a block: the rod is round, so the place is cut out of the block; the first point lies on the block."""
    rod = solids.capsule((50, -80, 105), (50, 180, 105), 5)
    row = two(BLOCK, rod, contact("A1", "B1", region((40, -1, 95), (60, 101, 105))), rule=NEAR)
    other = two(rod, BLOCK, contact("A1", "B1", region((40, -1, 95), (60, 101, 105))), rule=NEAR)
    assert (row.verdict, row.distance_mm) == (other.verdict, pytest.approx(other.distance_mm))
    assert row.points_mm is not None
    assert other.points_mm is not None
    assert row.points_mm[0] == pytest.approx(other.points_mm[1], abs=1e-6)
    on_block = np.array(row.points_mm[0])
    assert ((on_block >= -1e-6) & (on_block <= 100 + 1e-6)).all()


# ------------------------------------------------------------------ moving things

SHAFT = ShaftPart("rear_shaft", (1330.0, 0.0, 480.0), (2390.0, 0.0, 480.0), "rear_axle", 63.5, None, None, None)
AXLE = SolidAxle("rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0)


def beside_shaft(part: Solid, *contacts: Contact, part_class: str = "drive_unit") -> Clearance:
    body = shaft_body(SHAFT, {"rear_axle": AXLE})
    scene = trucks.scene(
        parts=(trucks.part("unit", part, part_class=part_class),), moving=(body,), contacts=contacts,
        uncertainties=CERTAIN,
    )  # fmt: skip
    return judged(scene, "unit", "rear_shaft")


FLANGE = region((1280, -60, 420), (1345, 60, 540))


def test_a_moving_shaft_may_touch_the_flange_that_it_is_bolted_to() -> None:
    """The tube begins at x 1330, and tilted by 4.6° its edge reaches 2.5 before it: the unit ends at 1327."""
    unit = solids.box((900, -150, 400), (1327, 150, 560))
    assert beside_shaft(unit).verdict.value == "FAIL"
    assert beside_shaft(unit, contact("unit", "rear_shaft", FLANGE)).verdict.value == "PASS"


def test_a_moving_shaft_through_a_solid_unit_is_judged_in_the_place_as_well() -> None:
    """100 mm of shaft inside the unit, all of it within a large declared place."""
    unit = solids.box((900, -150, 400), (1430, 150, 560))
    large = region((800, -200, 300), (1600, 200, 700))
    assert beside_shaft(unit, contact("unit", "rear_shaft", large)).verdict.value == "FAIL"


def test_a_moving_shaft_beside_another_face_of_the_unit_is_judged() -> None:
    """A shield of the same unit over the shaft, 40 away where it is scanned: its axle lifts the shaft into it."""
    parts = (solids.box((900, -150, 400), (1327, 150, 560)), solids.box((1500, -50, 551.75), (2300, 50, 560)))
    body = shaft_body(SHAFT, {"rear_axle": AXLE})
    scene = trucks.scene(
        parts=(trucks.part("unit", *parts, part_class="drive_unit"),), moving=(body,), uncertainties=CERTAIN,
        contacts=(contact("unit", "rear_shaft", FLANGE),),
    )  # fmt: skip
    row = judged(scene, "unit", "rear_shaft")
    assert row.verdict.value == "FAIL"
    assert row.static_mm == pytest.approx(40.0, abs=0.01)


def test_a_pipe_clipped_to_a_moving_shaft_is_refused_in_words() -> None:
    """A round part has nothing to cut a place out of: an error that the person can mend, as for two still ones."""
    pipe = solids.capsule((1340, 0, 480), (1340, 300, 480), 5)
    with pytest.raises(InputError, match="exclude the pair"):
        beside_shaft(pipe, contact("unit", "rear_shaft", FLANGE), part_class="lv")


# ------------------------------------------------------------------ the scan


def test_only_the_declared_place_of_the_scan_is_cut_out() -> None:
    """Rail under two feet of a box, one declared: the other still fails; with both declared it passes."""
    scan = trucks.scanned(box_mesh([0, -30, 0], [1000, 30, 100]))
    feet = [solids.box((x, -10, 100), (x + 20, 10, 150)) for x in (200, 700)]
    body = solids.box((150, -50, 150), (770, 50, 300))
    places = [region((x - 5, -15, 90), (x + 25, 15, 110)) for x in (200, 700)]
    part = trucks.part("A1", body, *feet, part_class="structure")

    def row(*at: Region) -> Clearance:
        contacts = tuple(contact("scan", "A1", place) for place in at)
        return judged(
            trucks.scene(parts=(part,), scan=scan, contacts=contacts, uncertainties=CERTAIN, rules=(NEAR,)),
            "A1",
            "scan",
        )

    assert row().verdict.value == "FAIL"
    assert row(places[0]).verdict.value == "FAIL"
    assert row(*places).verdict.value == "PASS"
    assert row(*places).distance_mm == pytest.approx(np.hypot(5.0 + 2.0, 0.0), abs=0.1)


# ------------------------------------------------------------------ regions as planes

REGIONS = {
    "box": region((-20, -30, -40), (20, 30, 40)),
    "cylinder": Region("cylinder", start=(-30.0, -10.0, 5.0), end=(40.0, 20.0, 15.0), radius_mm=25.0),
    "capsule": Region("capsule", start=(-30.0, -10.0, 5.0), end=(40.0, 20.0, 15.0), radius_mm=25.0),
    "sphere": Region("sphere", start=(5.0, -5.0, 8.0), radius_mm=30.0),
}


@pytest.mark.parametrize("grow", [0.0, 6.5])
@pytest.mark.parametrize("kind", REGIONS)
def test_planes_hold_their_region_and_little_more(kind: str, grow: float) -> None:
    """No point of the region is outside its planes; a prism of 24 sides stands out by 1/cos 7.5° − 1 = 0.9 % of r."""
    points = np.random.default_rng(7).uniform(-90, 90, (20_000, 3))
    planes = planes_of(REGIONS[kind], grow)
    within = (points @ planes.normals.T <= planes.offsets).all(axis=1)
    assert within[REGIONS[kind].contains(points, grow)].all()
    box = planes.box
    assert ((points[within] >= box[0] - 1e-9) & (points[within] <= box[1] + 1e-9)).all()
    if kind in ("box", "cylinder"):
        assert REGIONS[kind].contains(points[within], grow + 0.01 * (25.0 + grow)).all()
