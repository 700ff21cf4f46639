"""Every pair of a scene is there, once, with what is done about it; nothing is unchecked by accident."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import trucks
from hypothesis import given
from hypothesis import strategies as st
from shapes import box_mesh

from fitcheck.checks.guard import guard_mm
from fitcheck.checks.pairing import GROUND, Pairing, pair_up
from fitcheck.checks.run import check_scene
from fitcheck.errors import InputError
from fitcheck.geometry import solids
from fitcheck.result import CoverageRow
from fitcheck.vehicle.mechanisms import SolidAxle
from fitcheck.vehicle.moving import MovingBody, axle_body, carried_body, shaft_body
from fitcheck.vehicle.scene import SCAN, Contact, Exclusion, Part, Region, Rule, Scene, ShaftPart

AXLE = SolidAxle(
    "rear_axle", (2620.0, 0.0, 384.0), 80.0, 90.0, 400.0, carries=(("ball", solids.sphere((2620, 0, 384), 130)),)
)
SHAFT = ShaftPart("rear_shaft", (1330.0, 0.0, 480.0), (2390.0, 60.0, 404.0), "rear_axle", 63.5, None, None, None)
FIXED = ShaftPart("fixed_shaft", (200.0, 0.0, 480.0), (900.0, 0.0, 480.0), None, 63.5, None, None, None)


def bodies(count: int) -> tuple[MovingBody, ...]:
    made = (axle_body(AXLE), shaft_body(SHAFT, {"rear_axle": AXLE}), shaft_body(FIXED, {}))
    return made[:count]


def boxes(count: int, **more: object) -> tuple[Part, ...]:
    return tuple(
        trucks.part(f"A{k}", solids.box((300 * k, 500, 500), (300 * k + 100, 600, 600)), **more) for k in range(count)
    )


def a_scan() -> object:
    return trucks.scanned(box_mesh([-500, 370, 520], [3400, 430, 640]))


def row_of(pairing: Pairing, one: str, other: str) -> CoverageRow:
    (found,) = [row for row in pairing.rows if set(row.between) == {one, other}]
    return found


def names_of(scene: Scene) -> set[str]:
    names = {part.name for part in scene.parts if part.solids} | {body.name for body in scene.moving} | {GROUND}
    return names | ({SCAN} if scene.scan is not None else set())


def pairs_of(pairing: Pairing) -> list[frozenset[str]]:
    return [frozenset(row.between) for row in pairing.rows]


@given(parts=st.integers(0, 6), moving=st.integers(0, 3), scanned=st.booleans(), axled=st.booleans())
def test_every_pair_has_one_row_and_every_row_says_by_what(parts: int, moving: int, scanned: bool, axled: bool) -> None:
    """All pairs of parts, moving bodies, scan and ground, closed form n(n − 1)/2 of all of them."""
    scene = trucks.scene(
        parts=boxes(parts), moving=bodies(moving), scan=a_scan() if scanned else None,
        axles=trucks.axles() if axled else {},
    )  # fmt: skip
    pairing = pair_up(scene)
    pairs, names = pairs_of(pairing), names_of(scene)
    assert len(pairs) == len(set(pairs)) == len(names) * (len(names) - 1) // 2
    assert set(pairs) == {frozenset(pair) for pair in itertools.combinations(names, 2)}
    assert all(row.by.strip() and row.status in ("checked", "declared_contact", "excluded") for row in pairing.rows)
    of_parts = [pair for pair in pairs if any(name.startswith("A") for name in pair)]
    assert len(of_parts) == parts * (parts - 1) // 2 + parts * (scanned + 1 + moving)


@given(parts=st.integers(1, 4), moving=st.integers(0, 2), scanned=st.booleans())
def test_what_is_called_checked_is_checked(parts: int, moving: int, scanned: bool) -> None:
    """Each "checked" row that is not about the ground has its pair to compute, and the other way round."""
    scene = trucks.scene(parts=boxes(parts), moving=bodies(moving), scan=a_scan() if scanned else None)
    pairing = pair_up(scene)
    computed = [frozenset(pair.between) for pair in pairing.still]
    computed += [frozenset(pair.between) for _, pair in pairing.moving]
    said = {frozenset(row.between) for row in pairing.rows if row.status != "excluded" and GROUND not in row.between}
    assert len(computed) == len(set(computed))
    assert set(computed) == said


def test_a_mass_without_a_shape_is_no_part_of_a_pair() -> None:
    scene = trucks.scene(parts=(*boxes(1), trucks.part("lump", weighs=trucks.mass("lump", 9.0, (0, 0, 0)))))
    assert pairs_of(pair_up(scene)) == [frozenset({"A0", GROUND})]


def test_without_axles_the_ground_is_excluded_and_says_why() -> None:
    row = row_of(pair_up(trucks.scene(parts=boxes(1), axles={})), "A0", GROUND)
    assert (row.status, "no axles" in row.by) == ("excluded", True)


def test_two_moving_things_are_judged_but_for_those_that_are_joined() -> None:
    """Joined ones are excluded in words; the others have their pair to compute, each once."""
    apart = replace(axle_body(AXLE), name="other_axle")
    pairing = pair_up(trucks.scene(moving=(*bodies(2), apart)))
    joined, both_move = (row_of(pairing, "rear_shaft", other) for other in ("rear_axle", "other_axle"))
    assert (joined.status, joined.by) == ("excluded", "fitcheck: joined to each other")
    assert both_move.status == "checked"
    pairs = [pair for _, pair in pairing.moving if set(pair.between) == {"rear_shaft", "other_axle"}]
    assert [pair.other is not None for pair in pairs] == [True]


def test_a_part_that_a_mechanism_carries_is_a_moving_body_and_no_still_part() -> None:
    """Each pair of it once: it stands in no still pair, and meets everything else as it moves."""
    bracket = replace(boxes(1)[0], name="bracket", on="rear_axle")
    scene = trucks.scene(
        parts=(*boxes(2), bracket), moving=(carried_body(bracket, AXLE, ("rear_axle",)),), scan=a_scan()
    )
    pairing = pair_up(scene)
    assert [pair.between for pair in pairing.still if "bracket" in pair.between] == []
    assert {pair.between[0] for _, pair in pairing.moving} == {"A0", "A1", SCAN}
    terms = next(pair.terms for _, pair in pairing.moving if pair.between[0] == "A0")
    assert {"bracket fabrication", "bracket motion", "A0 fabrication"} <= set(terms)


def test_what_shares_a_joint_is_judged_beside_a_declared_contact() -> None:
    """Joined as a whole is left out; with a place where they touch the rest of them is judged."""
    place = Contact(
        ("rear_shaft", "rear_axle"), Region("sphere", start=(2390.0, 60.0, 404.0), radius_mm=80.0), "flange"
    )
    pairing = pair_up(trucks.scene(moving=bodies(2), contacts=(place,)))
    assert row_of(pairing, "rear_shaft", "rear_axle").status == "declared_contact"
    assert len(pairing.moving) == 1


@pytest.mark.parametrize(
    "between", [("A0", "A1"), ("A1", "A0"), (SCAN, "A0"), ("rear_shaft", "A0"), (SCAN, "rear_axle")]
)
def test_an_exclusion_takes_its_pair_alone_and_says_who_and_why(between: tuple[str, str]) -> None:
    """In either order of the two names."""
    scene = trucks.scene(parts=boxes(3), moving=bodies(2), scan=a_scan())
    every = pair_up(scene)
    pairing = pair_up(replace(scene, exclusions=(Exclusion(between, "stands on it", "a.yaml:12"),)))
    row = row_of(pairing, *between)
    assert (row.status, row.by) == ("excluded", "a.yaml:12: stands on it")
    assert pairs_of(pairing) == pairs_of(every)
    rest = [row for row in pairing.rows if set(row.between) != set(between)]
    assert rest == [row for row in every.rows if set(row.between) != set(between)]
    assert not [pair for pair in pairing.still if set(pair.between) == set(between)]


@pytest.mark.parametrize("between", [("A0", "A1"), (SCAN, "A1"), ("rear_shaft", "A0")])
def test_a_declared_contact_is_its_own_status_and_still_names_the_rule(between: tuple[str, str]) -> None:
    place = Region("sphere", start=(0.0, 0.0, 0.0), radius_mm=5.0)
    scene = trucks.scene(parts=boxes(2), moving=bodies(2), scan=a_scan())
    contacts = (Contact(between, place, "bolted", origin="a.yaml:20"),)
    row = row_of(pair_up(replace(scene, contacts=contacts)), *between)
    assert row.status == "declared_contact"
    assert row.by.startswith("a.yaml:20: bolted; elsewhere by ")
    assert sum(row.status == "declared_contact" for row in pair_up(replace(scene, contacts=contacts)).rows) == 1


def test_an_exclusion_goes_before_a_contact_and_a_rule() -> None:
    place = Region("sphere", start=(0.0, 0.0, 0.0), radius_mm=5.0)
    scene = trucks.scene(
        parts=boxes(2), contacts=(Contact(("A0", "A1"), place, "bolted"),),
        rules=(Rule(("A0", "A1"), 3.0, 5.0, "test", origin="a.yaml:3"),),
        exclusions=(Exclusion(("A0", "A1"), "one part", "a.yaml:5"),),
    )  # fmt: skip
    assert row_of(pair_up(scene), "A0", "A1").by == "a.yaml:5: one part"


def test_the_rule_of_a_pair_is_named_with_its_line() -> None:
    rules = (Rule(("A0", "A1"), 7.0, 9.0, "test", origin="a.yaml:31"),)
    pairing = pair_up(trucks.scene(parts=boxes(3), rules=rules))
    assert row_of(pairing, "A0", "A1").by == "A0 – A1 (a.yaml:31)"
    assert "(default)" in row_of(pairing, "A0", "A2").by


# ------------------------------------------------------------------ only


@pytest.mark.parametrize("only", [("A1",), (SCAN,), ("rear_shaft",), ("A0", "rear_axle")])
def test_only_keeps_the_rows_of_the_full_list_that_name_one_of_them(only: tuple[str, ...]) -> None:
    scene = trucks.scene(parts=boxes(3), moving=bodies(2), scan=a_scan())
    every = [row for row in pair_up(scene).rows if set(row.between) & set(only)]
    assert sorted(pair_up(scene, only).rows, key=str) == sorted(every, key=str)


@pytest.mark.parametrize(
    ("name", "hint"), [("A9", "it knows A0, A1, scan"), ("ground", "it knows "), ("scam", "'scan'")]
)
def test_only_an_unknown_name_is_an_error_and_not_an_empty_pass(name: str, hint: str) -> None:
    with pytest.raises(InputError, match="is not a part with a shape") as caught:
        check_scene(trucks.scene(parts=boxes(2), scan=a_scan()), only=[name])
    assert hint in str(caught.value)


def test_a_scene_of_which_no_pair_is_judged_is_not_proven() -> None:
    """The minimum of nothing is not a PASS."""
    alone = check_scene(trucks.scene(parts=boxes(1), axles={}, weights=None))
    assert alone.clearances == ()
    assert alone.exit_code == 3


# ------------------------------------------------------------------ guards


def guards(scene: Scene) -> dict[frozenset[str], float]:
    pairing = pair_up(scene)
    moving = [pair for _, pair in pairing.moving]
    return {frozenset(pair.between): pair.guard_mm for pair in (*pairing.still, *moving)}


def test_the_guard_of_each_kind_of_pair_is_what_applies_to_it_and_nothing_twice() -> None:
    """2·√Σu² with the scene's u: scan 0.5, alignment 0.8, taped joint 2, fabrication 1.5, motion 2."""
    parts = (*boxes(2), *(replace(part, name="taped", taped_sigma_mm=3.0) for part in boxes(1)))
    found = guards(trucks.scene(parts=parts, moving=bodies(2), scan=a_scan()))
    by_hand = {
        ("A0", "A1"): [1.5, 1.5],
        ("A0", "taped"): [1.5, 3.0],
        ("A0", SCAN): [0.5, 0.8, 1.5],
        ("taped", SCAN): [0.5, 0.8, 3.0],
        ("A0", "rear_shaft"): [0.5, 0.8, 2.0, 1.5, 2.0],
        ("taped", "rear_shaft"): [0.5, 0.8, 2.0, 3.0, 2.0],
        (SCAN, "rear_shaft"): [0.5, 0.8, 2.0, 2.0],
    }
    for pair, sigmas in by_hand.items():
        assert found[frozenset(pair)] == pytest.approx(2.0 * math.sqrt(np.square(sigmas).sum())), pair
    assert found[frozenset(("A0", "rear_shaft"))] == pytest.approx(6.675, abs=5e-4), "the sample's shaft: 2·√11.14"
    assert found[frozenset(("A0", SCAN))] == pytest.approx(3.544, abs=5e-4), "and rail"


def test_the_guard_of_two_parts_does_not_depend_on_their_order() -> None:
    first, second = boxes(2)
    second = replace(second, size_sigma_mm=0.3)
    one = guards(trucks.scene(parts=(first, second)))
    assert one == guards(trucks.scene(parts=(second, first)))
    assert one[frozenset({"A0", "A1"})] == pytest.approx(2.0 * math.hypot(1.5, 0.3))
    assert guard_mm({}) == 0.0


def test_classes_and_any_mean_every_pair_that_they_fit() -> None:
    """An exclusion or a contact by class holds for each of its parts, in either order."""
    from fitcheck.vehicle.scene import Exclusion

    parts = (
        trucks.part("A1", solids.box((0, 0, 0), (9, 9, 9)), part_class="hv_box"),
        trucks.part("A2", solids.box((20, 0, 0), (29, 9, 9)), part_class="hv_box"),
        trucks.part("B", solids.box((40, 0, 0), (49, 9, 9)), part_class="lv"),
    )
    for between, left in ((("lv", "hv_box"), 1), (("hv_box", "hv_box"), 2), (("any", "B"), 1), (("any", "any"), 0)):
        scene = trucks.scene(parts=parts, exclusions=(Exclusion(between, "test"),), scan=None)
        assert len(pair_up(scene).still) == left, between
