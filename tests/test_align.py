"""Alignment by targets: known moves are found again, and a wrong target is named, never hidden by a mirror."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fitcheck.errors import AlignmentError, InternalError
from fitcheck.scan.align import AlignmentReport, align
from fitcheck.scan.align_rigid import fit_rigid
from fitcheck.scan.spec import ScanSpec, Target

Floats = NDArray[np.float64]

PLACES: dict[str, tuple[float, float, float]] = {
    "T1": (-300, -400, 520),
    "T2": (-300, 400, 520),
    "T3": (3200, -400, 520),
    "T4": (3200, 400, 520),
    "T5": (3450, -850, 690),
    "T6": (1200, 700, 1150),
    "F1": (0, -900, 0),
    "F2": (0, 900, 0),
    "F3": (2620, -900, 0),
    "F4": (2620, 900, 0),
}
"""The sample truck's datum targets, mm, in the vehicle frame."""


def turn(axis: str, degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    R = np.eye(3)
    R[i, i], R[i, j], R[j, i], R[j, j] = c, -s, s, c
    return R


SCANNER = turn("z", 1.1) @ turn("y", 23.4) @ np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
"""Vehicle axes to the scanner's: y up, turned 23.4° about the vertical and tilted by 1.1°."""
ORIGIN_M = np.array([-0.71, 0.35, -1.42])


def scanned(places: Floats, noise_mm: float = 0.0, seed: int = 1) -> Floats:
    """Where the scanner sees vehicle places, in its own axes, in metres."""
    noise = np.random.default_rng(seed).normal(0.0, noise_mm, places.shape)
    return (places + noise) @ SCANNER.T / 1000.0 + ORIGIN_M


def make_targets(
    taped: dict[str, tuple[float, float, float]], noise_mm: float = 0.0, seed: int = 1
) -> tuple[Target, ...]:
    """Targets whose marks are scanned at their true places, whatever the tape says."""
    marks = scanned(np.array([PLACES[name] for name in taped], dtype=np.float64).reshape(-1, 3), noise_mm, seed)
    rows = zip(taped.items(), marks, strict=True)
    return tuple(Target(name, tuple(mark), place, f"vehicle.yaml:{n}") for n, ((name, place), mark) in enumerate(rows))


def aligned(
    targets: tuple[Target, ...], unit: str = "m", tape_mm: float = 2.0, within_mm: float = 5.0
) -> AlignmentReport:
    """The fit of targets alone; no scan file is opened for that."""
    return align(ScanSpec(Path("scan.ply"), unit, targets, tape_mm=tape_mm, within_mm=within_mm))


def fitted(
    taped: dict[str, tuple[float, float, float]], within_mm: float = 5.0, noise_mm: float = 0.0
) -> AlignmentReport:
    return aligned(make_targets(taped, noise_mm), within_mm=within_mm)


def off(**changes: tuple[int, float]) -> dict[str, tuple[float, float, float]]:
    """The taped places with some coordinates mistyped: ``T5=(0, 90)`` adds 90 to T5's x."""
    taped = dict(PLACES)
    for name, (axis, by_mm) in changes.items():
        place = list(taped[name])
        place[axis] += by_mm
        taped[name] = (place[0], place[1], place[2])
    return taped


def only(*names: str, of: dict[str, tuple[float, float, float]] = PLACES) -> dict[str, tuple[float, float, float]]:
    return {name: of[name] for name in names}


# --- the fit ----------------------------------------------------------------------------------------------------------


def test_the_sample_is_aligned_to_rounding_without_noise() -> None:
    """Exact marks give the scanner's own move back (closed form)."""
    report = fitted(PLACES)
    assert np.allclose(report.fit.rotation, SCANNER.T, atol=1e-12)
    assert report.rms_mm < 1e-9
    assert np.linalg.det(report.fit.rotation) == pytest.approx(1.0, abs=1e-12)
    assert report.notes == ()


def test_the_sample_is_aligned_within_1_5_mm_with_noise() -> None:
    """Marks scanned with σ 0.4 mm: every datum target within 1.5 mm of its true place, rotation proper."""
    report = fitted(PLACES, noise_mm=0.4)
    assert max(np.linalg.norm(e) for e in report.residuals_mm.values()) < 1.5
    assert np.allclose(report.fit.rotation.T @ report.fit.rotation, np.eye(3), atol=1e-12)
    assert np.linalg.det(report.fit.rotation) > 0


def test_the_estimated_sigma_is_the_noise() -> None:
    """σ̂ = √(Σe²/(3n − 6)) averages to the noise put in (closed form; 200 draws of σ = 2 mm)."""
    squares = []
    for seed in range(200):
        report = aligned(make_targets(PLACES, 2.0, seed), within_mm=50.0)
        squares.append(report.sigma_mm**2)
        residuals = np.array(list(report.residuals_mm.values()))
        assert report.sigma_mm == pytest.approx(math.sqrt((residuals**2).sum() / (3 * 10 - 6)), rel=1e-12)
        assert report.rms_mm == pytest.approx(math.sqrt((residuals**2).sum() / 10), rel=1e-12)
    assert math.sqrt(float(np.mean(squares))) == pytest.approx(2.0, rel=0.04)


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 10**6), count=st.integers(3, 12), flat=st.booleans())
def test_a_known_move_is_found_again_and_is_never_a_reflection(seed: int, count: int, flat: bool) -> None:
    """Random points, coplanar ones among them: R and t come back; with any second set det R = +1 (silent error 5)."""
    chance = np.random.default_rng(seed)
    points = chance.normal(0, 1000, (count, 3)) * ([1, 1, 0] if flat else [1, 1, 1])
    R = turn("x", chance.uniform(0, 360)) @ turn("y", chance.uniform(0, 360)) @ turn("z", chance.uniform(0, 360))
    shift = chance.normal(0, 3000, 3)
    fit = fit_rigid(points, points @ R.T + shift)
    assert np.allclose(fit.moved(points), points @ R.T + shift, atol=1e-6)
    assert np.allclose(fit.rotation, R, atol=1e-6)
    for other in (chance.normal(0, 1000, (count, 3)), points * [1, -1, 1], points * [1, -1, 0]):
        assert np.linalg.det(fit_rigid(points, other).rotation) == pytest.approx(1.0, abs=1e-9)


def test_the_fit_is_the_best_one_under_its_weights() -> None:
    """No small turn or shift lowers the weighted sum of squares (definition of the minimum)."""
    chance = np.random.default_rng(3)
    points, places, weights = chance.normal(0, 1000, (7, 3)), chance.normal(0, 1000, (7, 3)), chance.uniform(0.1, 5, 7)
    fit = fit_rigid(points, places, weights)

    def cost(R: Floats, t: Floats) -> float:
        return float(weights @ ((points @ R.T + t - places) ** 2).sum(axis=1))

    best = cost(fit.rotation, fit.shift)
    for axis in "xyz":
        for step in (-0.01, 0.01):
            assert cost(turn(axis, step) @ fit.rotation, fit.shift) > best
    for step in np.vstack([np.eye(3), -np.eye(3)]):
        assert cost(fit.rotation, fit.shift + step) > best


def test_a_heavy_weight_pulls_and_an_impossible_request_is_our_bug() -> None:
    """A point of weight 10⁹ is met; empty, unequal and non-positive input is refused as an InternalError."""
    points = np.array([[0.0, 0, 0], [1000, 0, 0], [0, 1000, 0], [0, 0, 1000]])
    places = points + np.array([[0.0, 0, 0], [30, 0, 0], [0, 0, 0], [0, 0, 0]])
    fit = fit_rigid(points, places, [1, 1e9, 1, 1])
    assert np.linalg.norm(fit.moved(points)[1] - places[1]) < 1e-3
    for bad in ((np.empty((0, 3)), np.empty((0, 3)), None), (points, places[:2], None), (points, places, [1, 1, 0, 1])):
        with pytest.raises(InternalError):
            fit_rigid(*bad)


def test_leave_one_out_is_the_residual_in_the_fit_of_the_others() -> None:
    """Row 4 by hand: fit nine, carry the tenth."""
    places = np.array(list(PLACES.values()))
    marks = scanned(places, 2.0) * 1000.0
    others = np.arange(10) != 4
    by_hand = fit_rigid(marks[others], places[others]).moved(marks[4]) - places[4]
    found = fitted(PLACES, within_mm=50.0, noise_mm=2.0).leave_one_out_mm
    assert np.allclose(found["T5"], by_hand, atol=1e-9)
    three = fitted(only("T1", "T2", "T5")).leave_one_out_mm
    assert all(np.isnan(off).all() for off in three.values())


# --- wrong targets ----------------------------------------------------------------------------------------------------


def test_t5_mistyped_by_90_mm_is_named() -> None:
    """x typed 3540 instead of 3450: the error names T5, its line, the axis, and 90.0 mm."""
    with pytest.raises(AlignmentError) as caught:
        fitted(off(T5=(0, 90.0)))
    message = str(caught.value)
    assert message.startswith("vehicle.yaml:4: target T5 is off by 90.0 mm in x (limit 5 mm)")
    assert "x 3450.0, its entry says 3540" in message
    assert "instead" not in message


@pytest.mark.parametrize("name", PLACES)
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_any_mistyped_target_is_named(name: str, axis: int) -> None:
    """Every one of ten targets, in every axis, 90 mm off beside marks of σ 0.4 mm: it, its axis, and 90 ± 3 mm."""
    with pytest.raises(AlignmentError, match=rf"target {name} is off by (8[789]|9[0123])\.\d mm in {'xyz'[axis]} "):
        fitted(off(**{name: (axis, 90.0)}), noise_mm=0.4)


@pytest.mark.parametrize(("by_mm", "fails"), [(4.9, False), (5.1, True)])
def test_the_limit_is_within(by_mm: float, fails: bool) -> None:
    """4.9 mm pass and 5.1 mm fail at a limit of 5 mm; 5.1 pass at 6 (leave-one-out, exact otherwise)."""
    taped = off(T2=(1, by_mm))
    if fails:
        with pytest.raises(AlignmentError, match=r"T2 is off by 5\.1 mm in y"):
            fitted(taped)
        assert fitted(taped, within_mm=6.0).leave_one_out_mm["T2"][1] == pytest.approx(-5.1, abs=0.02)
    else:
        assert fitted(taped).leave_one_out_mm["T2"][1] == pytest.approx(-4.9, abs=0.02)


def test_left_and_right_swapped_is_an_error_and_not_a_mirrored_truck() -> None:
    """All y negated: an error that says so; the fit itself keeps its large residual (silent error 5)."""
    mirrored = {name: (x, -y, z) for name, (x, y, z) in PLACES.items()}
    with pytest.raises(AlignmentError, match="left and right are swapped"):
        fitted(mirrored)
    marks = scanned(np.array(list(PLACES.values())))
    fit = fit_rigid(marks * 1000, np.array(list(mirrored.values())))
    assert np.abs(fit.moved(marks * 1000) - list(mirrored.values())).max() > 200.0


def test_swapped_names_are_errors_that_say_what_to_look_at() -> None:
    """T1 and T2 exchanged is named as such; both pairs exchanged beside targets that are right is a large misfit."""
    swapped = {**PLACES, "T1": PLACES["T2"], "T2": PLACES["T1"]}
    with pytest.raises(AlignmentError, match="targets T1 and T2 look swapped"):
        fitted(swapped)
    with pytest.raises(AlignmentError, match="left and right are not swapped"):
        fitted({**swapped, "T3": PLACES["T4"], "T4": PLACES["T3"]})


def test_plane_targets_give_a_note_that_a_swap_would_not_be_seen() -> None:
    """Four frame targets at one height fit also when swapped, upside down: nothing but another target can tell."""
    report = fitted(only("T1", "T2", "T3", "T4"))
    assert "one plane" in report.notes[0]
    assert np.linalg.det(report.fit.rotation) > 0


def test_too_few_targets_say_what_is_missing() -> None:
    """None, one, two, and three with the first two at one place or in one line."""
    for names in ((), ("T1",), ("T1", "T2")):
        with pytest.raises(
            AlignmentError, match=f"{len(names)} targets .*at least 3 are needed. Add {3 - len(names)} more"
        ):
            fitted(only(*names))
    line = {"T1": (0.0, 0.0, 500.0), "T2": (1000.0, 1.0, 500.0), "T3": (3000.0, 0.0, 501.0), "T4": (2000.0, 0.0, 500.0)}
    with pytest.raises(AlignmentError, match=r"in one line: the turn about it is not fixed\. Add a target"):
        fitted(line)


def test_one_target_off_the_line_cannot_be_checked_by_leaving_it_out() -> None:
    """Three in a line and one beside: its leave-one-out residual is NaN, not a wild number."""
    places = {"A": (0.0, 0, 0), "B": (1000.0, 0, 0), "C": (3000.0, 0, 0), "D": (1500.0, 900, 300)}
    marks = scanned(np.array(list(places.values())))
    targets = tuple(Target(n, tuple(m), p) for (n, p), m in zip(places.items(), marks, strict=True))
    report = aligned(targets)
    assert np.isnan(report.leave_one_out_mm["D"]).all()
    assert np.isfinite(report.leave_one_out_mm["A"]).all()


def test_three_targets_are_a_note_and_a_misfit_names_the_length() -> None:
    """With three there is no leaving out: 90 mm too long a side is still an error, with both lengths."""
    report = fitted(only("T1", "T4", "T6"))
    assert "a mistyped one cannot be told" in report.notes[0]
    with pytest.raises(AlignmentError, match=r"From T1 to T4 the scan has 3590\.3 mm, the tape 3678\.\d mm"):
        fitted(only("T1", "T4", "T6", of=off(T4=(0, 90.0))))


def test_four_targets_say_when_two_entries_could_be_the_wrong_one() -> None:
    """Near a plane, a height off by 30 mm can be blamed on any of the four: the error says so, the best guess first."""
    with pytest.raises(AlignmentError, match=r"target T3 is off by .* in z .*Leaving out .* instead would make"):
        fitted(only("T1", "T2", "T3", "T4", of=off(T3=(2, 30.0))))


def test_a_target_given_twice_or_without_numbers_is_refused() -> None:
    """The same name twice; NaN and infinity in a mark or a place."""
    targets = make_targets(PLACES)
    with pytest.raises(AlignmentError, match="T1 is given twice"):
        aligned((*targets, targets[0]))
    for bad in (Target("X", (math.nan, 0, 0), (0, 0, 0)), Target("X", (0, 0, 0), (0, math.inf, 0))):
        with pytest.raises(AlignmentError, match="not numbers"):
            aligned((*targets, bad))


# --- how well it is known ---------------------------------------------------------------------------------------------


def _report_of(places: Floats, tape_mm: float) -> AlignmentReport:
    targets = tuple(Target(f"P{i}", tuple(p), tuple(p)) for i, p in enumerate(places))
    return aligned(targets, "mm", tape_mm)


@pytest.mark.parametrize(("half", "at_3_m"), [(1000.0, 0.79), (150.0, 5.0)])
def test_uncertainty_grows_with_the_lever_arm(half: float, at_3_m: float) -> None:
    """Four points ±1000 mm at 0.5 mm: σ_θ = σ/(b√n) = 0.25 mrad, √(σ²/n + r²σ_θ²) = 0.79 mm at 3 m; ±150 mm: 5 mm.

    Closed form for height points spread evenly about their middle; at the middle σ/√n = 0.25 mm.
    """
    report = _report_of(np.array([[x, y, 500.0] for x in (-half, half) for y in (-half, half)]), 0.5)
    expected = math.sqrt(0.5**2 / 4 + (3000 * 0.5 / (half * 2)) ** 2)
    assert expected == pytest.approx(at_3_m, abs=0.02)
    assert report.certainty.sigma_mm((3000, 0, 500)) == pytest.approx(expected, rel=1e-9)
    assert report.certainty.sigma_mm((0, 0, 500)) == pytest.approx(0.25, rel=1e-9)


@pytest.mark.parametrize("place", [(1748.0, -222.0, 548.0), (-560.0, 0.0, 520.0), (3400.0, 850.0, 1200.0)])
def test_uncertainty_is_what_many_draws_scatter(place: tuple[float, float, float]) -> None:
    """3000 draws of taped places with σ 2 mm: the worst-axis scatter agrees within 6 % (Monte Carlo)."""
    true = np.array(list(PLACES.values()))
    chance = np.random.default_rng(8)
    moved = np.array([fit_rigid(true, true + chance.normal(0, 2.0, true.shape)).moved([place])[0] for _ in range(3000)])
    scatter = math.sqrt(float(np.linalg.eigvalsh(np.cov(moved.T))[-1]))
    assert _report_of(true, 2.0).certainty.sigma_mm(place) == pytest.approx(scatter, rel=0.06)


def lever_arm_sigma_mm(report: AlignmentReport, place: tuple[float, float, float]) -> float:
    """By another road, for targets known in all axes: s²/n · 1 + [a]ₓ s² J⁻¹ [a]ₓᵀ, J = Σ (|r|² 1 − r rᵀ), a from the
    middle of the taped places (closed form of linear propagation)."""
    middle = report.places_mm.mean(axis=0)
    arms = report.places_mm - middle
    inertia = (arms**2).sum() * np.eye(3) - arms.T @ arms
    x, y, z = np.asarray(place) - middle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    covariance = np.eye(3) / len(arms) + cross @ np.linalg.inv(inertia) @ cross.T
    return max(report.sigma_mm, report.tape_mm) * math.sqrt(np.linalg.eigvalsh(covariance)[-1])


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), noise_mm=st.sampled_from([0.0, 0.5, 4.0]))
def test_the_certainty_of_full_targets_is_the_lever_arm_formula(seed: int, noise_mm: float) -> None:
    """Sample targets with noise below and above the tape: the same sigma to 1e-9 at random places up to 6 m away."""
    report = aligned(make_targets(PLACES, noise_mm, seed), within_mm=60.0)
    for place in np.random.default_rng(seed).uniform(-3000, 6000, (4, 3)):
        spot = (float(place[0]), float(place[1]), float(place[2]))
        assert report.certainty.sigma_mm(spot) == pytest.approx(lever_arm_sigma_mm(report, spot), rel=1e-9)


def test_half_the_tape_counts_four_times() -> None:
    """A target taped to 1 mm among others taped to 2: Kabsch's fit with weight 4 (closed form), and sigma shrinks."""
    targets = make_targets(PLACES, 2.0, seed=5)
    finer = tuple(replace(t, tape_mm=1.0) if t.name == "T5" else t for t in targets)
    report = aligned(finer, within_mm=60.0)
    marks = np.array([t.scan for t in targets]) * 1000.0
    weights = [4.0 if t.name == "T5" else 1.0 for t in targets]
    expected = fit_rigid(marks, list(PLACES.values()), weights)
    assert np.abs(report.fit.moved(marks) - expected.moved(marks)).max() < 1e-9
    coarse = aligned(make_targets(PLACES), tape_mm=2.0)
    fine = aligned(tuple(replace(t, tape_mm=1.0) if t.name == "T5" else t for t in make_targets(PLACES)), tape_mm=2.0)
    assert fine.certainty.sigma_mm(PLACES["T5"]) < coarse.certainty.sigma_mm(PLACES["T5"])
