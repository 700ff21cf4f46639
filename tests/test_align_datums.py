"""3-2-1 by floor points, left and right pairs and a station; hub heights; the scanned floor; mixtures of them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from test_align import PLACES, SCANNER, scanned
from test_align_campaign import GROUND, PAIRS, STATIONS, Place, full_targets, scanner, taped, three_two_one

from fitcheck.errors import AlignmentError
from fitcheck.scan.align import align, check_above_floor
from fitcheck.scan.spec import FloorPatch, Rearward, ScanSpec, SymmetricPair, Target

Floats = NDArray[np.float64]

HUBS: dict[str, Place] = {"front_left": (0, -740, 382), "front_right": (0, 740, 382),
                          "rear_left": (2620, -740, 384), "rear_right": (2620, 740, 384)}  # fmt: skip


def seen(place: Place) -> Place:
    x, y, z = scanned(np.array([place], dtype=np.float64))[0]
    return float(x), float(y), float(z)


def ground(*places: Place, height_mm: float = 0.0) -> tuple[Target, ...]:
    """Floor points as scanned; a typed height that is not their own is a slip."""
    return tuple(
        Target(f"ground {k}", seen(p), (None, None, height_mm), f"vehicle.yaml:{10 + k}", "ground")
        for k, p in enumerate(places, 1)
    )


def hubs(**off_mm: float) -> tuple[Target, ...]:
    return tuple(
        Target(f"hub {n}", seen(p), (None, None, p[2] + off_mm.get(n, 0.0)), f"vehicle.yaml:{20 + k}", "hub")
        for k, (n, p) in enumerate(HUBS.items())
    )


def stations(*places: Place) -> tuple[Target, ...]:
    return tuple(
        Target(f"station {k}", seen(p), taped(p, "x"), f"vehicle.yaml:{30 + k}", "station")
        for k, p in enumerate(places, 1)
    )


def pairs(**right_off: Place) -> tuple[SymmetricPair, ...]:
    """The sample's pairs; ``frame_ends=(0, 3, 0)`` moves that pair's right mark by 3 mm along y."""
    made = []
    for k, (name, (left, right)) in enumerate(PAIRS.items()):
        x, y, z = np.add(right, right_off.get(name, (0, 0, 0)))
        made.append(SymmetricPair(name, seen(left), seen((x, y, z)), f"vehicle.yaml:{40 + k}"))
    return tuple(made)


REARWARD = Rearward(seen((0, 0, 500)), seen((2500, 100, 500)), "vehicle.yaml:50")


def spec(targets: tuple[Target, ...] = (*ground(*GROUND), *stations(*STATIONS)), **changes: Any) -> ScanSpec:
    made = ScanSpec(Path("scan.ply"), "m", targets, pairs=pairs(), rearward=REARWARD)
    return replace(made, **changes)


def true_marks() -> tuple[Floats, Floats]:
    places = np.array(list(PLACES.values()), dtype=np.float64)
    return scanned(places) * 1000.0, places


# --- 3-2-1 -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "made",
    [
        spec(),
        spec(rearward=None),
        spec((*ground(*GROUND[:3]), *stations(STATIONS[1]))),
        spec(ground(*GROUND) + (Target("T6", seen(PLACES["T6"]), PLACES["T6"]),)),
        spec((*hubs(), *stations(STATIONS[0])), rearward=None),
        spec((*ground((-300, -400, 520), (-300, 400, 520), (3200, 0, 520), height_mm=520), *stations(STATIONS[0]))),
    ],
    ids=["3-2-1", "two stations for the way rearward", "the least", "with a target", "hubs", "holes at equal height"],
)
def test_exact_marks_give_the_scanner_s_move_back(made: ScanSpec) -> None:
    """Every mixture that fixes the frame finds the same rotation and places, det +1 (closed form)."""
    report = align(made)
    marks, places = true_marks()
    assert np.allclose(report.fit.rotation, SCANNER.T, atol=1e-11)
    assert np.abs(report.fit.moved(marks) - places).max() < 1e-7
    assert np.linalg.det(report.fit.rotation) == pytest.approx(1.0, abs=1e-12)


def test_the_middle_plane_is_that_of_the_pairs_by_another_road() -> None:
    """Noise of 1 mm: its normal is the best mirror plane's: the least eigenvector of 4 Σ (m − m̄)(m − m̄)ᵀ − Σ v vᵀ
    over vectors level with the floor, offset mean(n · m) (closed form of least squares over reflections)."""
    eye = scanner(11, 1.0)
    made = three_two_one(eye)
    made = replace(made, targets=made.targets[:-1])  # one station alone says nothing of the heading
    report = align(made)
    level = report.fit.rotation[2]
    left, right = (np.array([getattr(pair, side) for pair in made.pairs]) for side in ("left", "right"))
    middles, ways = (left + right) / 2.0, right - left
    arms = middles - middles.mean(axis=0)
    basis = np.linalg.svd(level[None])[2][1:]
    form = basis @ (4.0 * arms.T @ arms - ways.T @ ways) @ basis.T
    normal = np.linalg.eigh(form)[1][:, 0] @ basis
    normal *= np.sign(normal @ ways.sum(axis=0))
    assert report.fit.rotation[1] == pytest.approx(normal, abs=2e-6)
    assert float(report.fit.moved(middles)[:, 1].mean()) == pytest.approx(0.0, abs=1e-6)


def test_straightness_is_each_middle_s_place_beside_the_plane() -> None:
    """The right mark at the rear 6 mm too far right, 4 back, 2 up: its middle 3 mm off, less what the plane follows."""
    report = align(spec((*ground(*GROUND), *stations(STATIONS[0])), pairs=pairs(frame_ends=(4, 6, 2)), within_mm=50.0))
    names = list(report.straightness)
    assert names == list(PAIRS)
    found = np.array([report.straightness[name].middle_mm for name in names])
    x = np.array([PAIRS[name][0][0] for name in names])
    assert found.sum() == pytest.approx(0.0, abs=1e-6)
    bend = np.array([0.0, 0.0, 0.0, 3.0])
    line = np.polynomial.Polynomial.fit(x, bend, 1)
    assert found == pytest.approx(bend - line(x), abs=0.45)  # the skew pulls the heading a little
    ends = report.straightness["frame_ends"]
    assert (ends.x_mm, ends.lean_mm) == (pytest.approx(3202, abs=1.0), pytest.approx(2.0, abs=0.2))
    assert ends.skew_mm == pytest.approx(4.0, abs=1.5)
    assert report.residuals_mm["frame_ends"][:2] == pytest.approx([ends.skew_mm, ends.middle_mm], abs=1e-9)


def test_a_station_alone_is_said_to_be_unchecked_and_two_are_not() -> None:
    one = align(spec((*ground(*GROUND), *stations(STATIONS[0]))))
    assert one.notes == ("aligned without a check on: station 1; a slip there moves the vehicle unnoticed",)
    assert np.isnan(one.leave_one_out_mm["station 1"]).all()
    assert align(spec()).notes == ()


def test_the_least_that_fixes_the_frame_has_no_sigma_of_its_own() -> None:
    """Three heights, one pair, one station: six equations, nothing spare, sigma is not a number and the tape counts."""
    report = align(spec((*ground(*GROUND[:3]), *stations(STATIONS[0])), pairs=pairs()[:1]))
    assert report.spare == 0
    assert math.isnan(report.sigma_mm)
    assert report.certainty.sigma_mm((3200, 400, 520)) > 2.0
    assert "ground 1, ground 2, ground 3" in report.notes[0]


# --- sides and ends --------------------------------------------------------------------------------------------------


def swapped(made: tuple[SymmetricPair, ...]) -> tuple[SymmetricPair, ...]:
    return tuple(replace(pair, left=pair.right, right=pair.left) for pair in made)


def test_left_and_right_swapped_is_refused_and_never_a_mirrored_or_turned_truck() -> None:
    """All pairs typed [right, left]: the error says so, by floor, by two stations and by hubs (silent error 5)."""
    for made in (spec(), spec(rearward=None), spec((*hubs(), *stations(STATIONS[0])), rearward=None)):
        with pytest.raises(AlignmentError, match=r"swapped|agree, but not with this"):
            align(replace(made, pairs=swapped(pairs())))


def test_one_pair_swapped_is_named() -> None:
    """Beside three that are right."""
    made = pairs()
    with pytest.raises(AlignmentError, match=r"not with this: pair cab_mounts is \[left, right\]"):
        align(spec(pairs=(made[0], *swapped(made[1:2]), *made[2:])))


def test_front_and_rear_must_be_told() -> None:
    """One station and no 'rearward': an error with both ways out; a hint that leads forward or across is refused."""
    one = (*ground(*GROUND), *stations(STATIONS[0]))
    with pytest.raises(AlignmentError, match=r"the front from the rear\. Add a second station, or 'rearward: \{from"):
        align(spec(one, rearward=None))
    with pytest.raises(AlignmentError, match="mirror image: left and right are swapped, or front and rear"):
        align(spec(one, rearward=Rearward(REARWARD.rear, REARWARD.front)))
    with pytest.raises(AlignmentError, match="not with this: 'rearward' leads from the front to the rear"):
        align(spec(one, rearward=Rearward(seen((0, -500, 500)), seen((0, 500, 500)))))


def test_stations_the_wrong_way_round_are_refused() -> None:
    """x of the two stations exchanged: as if the truck drove backwards."""
    front, rear = stations(*STATIONS)
    mixed = (replace(front, vehicle=rear.vehicle), replace(rear, vehicle=front.vehicle))
    with pytest.raises(AlignmentError, match="station 1 and station 2 look swapped"):
        align(spec((*ground(*GROUND), *mixed)))


def test_holes_at_equal_height_are_a_note_that_a_swap_would_not_be_seen() -> None:
    """Nothing typed lies on the floor, so upside down with sides swapped fits as well; the scan itself tells."""
    heights = ground((-300, -400, 520), (-300, 400, 520), (3200, -400, 520), (3200, 400, 520), height_mm=520)
    report = align(spec((*heights, *stations(STATIONS[0]))))
    assert any("on its head unnoticed" in note for note in report.notes)
    standing = np.array([[0, 0, 100.0], [0, 0, 500.0], [0, 0, -400.0]])
    check_above_floor(standing)
    with pytest.raises(AlignmentError, match="67 % of the scan would lie below the floor"):
        check_above_floor(standing * [1, -1, -1])


def test_what_is_missing_is_named() -> None:
    """No station, no pairs, no heights."""
    for made, opened in (
        (spec(ground(*GROUND)), "leaves open: x, its place along the vehicle. Add: a station"),
        (spec((*ground(*GROUND), *stations(STATIONS[0])), pairs=()), "y, its place across; heading, the turn about z."),
        (spec(pairs=()), "leaves open: y, its place across. Add: a left and right pair under 'centre'"),
        (spec(stations(*STATIONS)), "z, its height"),
    ):
        with pytest.raises(AlignmentError, match="what was typed leaves open") as caught:
            align(made)
        assert opened in str(caught.value)


# --- wrong entries ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("k", range(1, 7))
def test_a_point_that_is_not_on_the_floor_is_named(k: int) -> None:
    """Each of six floor points picked on a block 60 mm high: refused, and it is the one named or named beside."""
    lifted = tuple((x, y, 60.0 if n == k else z) for n, (x, y, z) in enumerate(GROUND, 1))
    with pytest.raises(AlignmentError) as caught:
        align(spec((*ground(*lifted), *stations(*STATIONS))))
    assert f"ground {k}" in str(caught.value)


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize(("off", "words"), [((0, 60, 0), "its middle lies"), ((50, 0, 0), "its right mark lies")])
def test_a_pair_of_two_different_holes_is_named(name: str, off: Place, words: str) -> None:
    """Its right mark 60 mm too far out, or 50 mm too far back."""
    with pytest.raises(AlignmentError) as caught:
        align(spec(pairs=pairs(**{name: off})))
    message = str(caught.value)
    assert message.startswith(f"vehicle.yaml:{40 + list(PAIRS).index(name)}: pair {name} is off by ")
    assert words in message
    assert "same hole left and right" in message


# --- hubs ------------------------------------------------------------------------------------------------------------


def test_four_hubs_leave_one_residual_and_it_is_shown() -> None:
    """Front left taped 12 mm low: a quarter of it at each wheel, the warp is 12 mm, sigma is √(4 · 3²/spare)."""
    report = align(spec((*hubs(front_left=-12.0), *stations(STATIONS[0])), rearward=None))
    assert report.hub_warp_mm == pytest.approx(12.0, abs=0.01)
    assert [abs(report.residuals_mm[f"hub {name}"][2]) for name in HUBS] == pytest.approx([3.0] * 4, abs=0.03)
    assert report.sigma_mm == pytest.approx(math.sqrt(4 * 9.0 / report.spare), rel=0.01)
    assert align(spec((*hubs(), *stations(STATIONS[0])), rearward=None)).hub_warp_mm == pytest.approx(0.0, abs=1e-6)
    assert align(spec()).hub_warp_mm is None


def test_a_hub_far_off_is_refused_and_two_swapped_ones_are_named() -> None:
    """30 mm at one wheel is 7.5 mm in the plane, more than 5; left and right hub exchanged."""
    with pytest.raises(AlignmentError, match=r"hub \w+ is off by 30\.0 mm in z .*Leaving out hub"):
        align(spec((*hubs(rear_right=30.0), *stations(STATIONS[0])), rearward=None))
    left, right, *rest = hubs()
    mixed = (replace(left, scan=right.scan), replace(right, scan=left.scan), *rest, *stations(STATIONS[0]))
    with pytest.raises(AlignmentError, match="hub front_left and hub front_right look swapped"):
        align(spec(mixed, rearward=None))


# --- the scanned floor -----------------------------------------------------------------------------------------------


def floor_vertices(noise_mm: float = 1.0, seed: int = 4) -> Floats:
    """A floor with a quarter of its points on feet and cables, as the scanner sees it, in metres."""
    chance = np.random.default_rng(seed)
    over = chance.uniform([-800, -1300], [3400, 1300], (40_000, 2))
    flat = np.column_stack([over, chance.normal(0, noise_mm, 40_000)])
    flat[:10_000, 2] = chance.uniform(5, 200, 10_000)
    return scanned(flat)


PATCHES = tuple(
    FloorPatch(seen(place), 250.0, f"vehicle.yaml:{60 + k}")
    for k, place in enumerate([(-400, -1000, 0), (-400, 1000, 0), (3000, -1000, 0), (3000, 1000, 0)])
)


def test_the_scanned_floor_gives_level_and_height() -> None:
    """Four patches with a fifth of other things: within 0.3 mm of the true floor all over; both figures stated."""
    report = align(spec(stations(*STATIONS), floor=PATCHES), floor_vertices())
    marks, places = true_marks()
    assert np.abs(report.fit.moved(marks) - places)[:, 2].max() < 0.3
    assert report.floor is not None
    assert report.floor.patches == 4
    assert report.floor.rejected == pytest.approx(0.22, abs=0.03)  # the highest clutter is beyond the radius
    assert report.floor.sigma_mm == pytest.approx(1.0, rel=0.1)
    assert report.kinds["floor"] == "floor"


def test_heights_that_contradict_the_scanned_floor_are_refused() -> None:
    """Hub heights typed 40 mm too high beside the floor: not averaged away."""
    raised = tuple(replace(hub, vehicle=(None, None, (hub.vehicle[2] or 0.0) + 40.0)) for hub in hubs())
    with pytest.raises(AlignmentError, match="the floor"):
        align(spec((*raised, *stations(*STATIONS)), floor=PATCHES), floor_vertices())


# --- agreement of the ways -------------------------------------------------------------------------------------------


def test_the_ways_agree_within_their_sigmas() -> None:
    """One noisy scanner, full targets and 3-2-1: the two frames differ by less than 3 joint sigmas anywhere."""
    for seed in range(5):
        eye = scanner(seed, 1.0)
        one, other = align(full_targets(eye)), align(three_two_one(eye))
        for place in ((-500.0, -800.0, 300.0), (3400.0, 800.0, 1200.0), (1500.0, 0.0, 600.0)):
            mark = np.array([eye.sees(place, noise=False)])
            apart = np.abs(one.fit.moved(mark) - other.fit.moved(mark)).max()
            assert apart < 3.0 * math.hypot(one.certainty.sigma_mm(place), other.certainty.sigma_mm(place))
