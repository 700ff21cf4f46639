"""Best fit with coordinates known in one or two axes only: the least squares of an independent solver, what is open
named, and a mistyped target named."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from test_align import PLACES, SCANNER, scanned
from test_align_campaign import KNOWN, partial_targets, scanner, taped

from fitcheck.errors import AlignmentError
from fitcheck.scan.align import AlignmentReport, align
from fitcheck.scan.align_equations import Equations, equations
from fitcheck.scan.align_rigid import fit_rigid
from fitcheck.scan.align_solve import best_fits, refined
from fitcheck.scan.spec import UNIT_MM, ScanSpec, Target

Floats = NDArray[np.float64]


def partial(known: dict[str, str] = KNOWN, **off: tuple[str, float]) -> ScanSpec:
    """The sample's targets scanned without noise, some coordinates taped; ``T5=("x", 90)`` mistypes one by 90 mm."""
    targets = []
    for line, (name, axes) in enumerate(known.items()):
        place = list(taped(PLACES[name], axes))
        if name in off:
            axis = "xyz".index(off[name][0])
            place[axis] = (place[axis] or 0.0) + off[name][1]
        x, y, z = scanned(np.array([PLACES[name]], dtype=np.float64))[0]
        targets.append(Target(name, (x, y, z), (place[0], place[1], place[2]), f"vehicle.yaml:{line + 1}"))
    return ScanSpec(Path("scan.ply"), "m", tuple(targets))


def by_scipy(eq: Equations, start: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """(R, t) of the least squares by another road: scipy's trust region over a rotation vector and a shift."""
    from scipy.optimize import least_squares
    from scipy.spatial.transform import Rotation

    def off(unknown: Floats) -> Floats:
        placed = eq.points @ Rotation.from_rotvec(unknown[:3]).as_matrix().T + unknown[3:] * 1000.0
        return np.asarray(weights * (placed[np.arange(eq.count), eq.axes] - eq.values))

    first = np.concatenate([Rotation.from_matrix(start).as_rotvec(), np.zeros(3)])
    found = least_squares(off, first, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return np.asarray(Rotation.from_rotvec(found[:3]).as_matrix()), found[3:] * 1000.0


def test_exact_marks_give_the_scanner_s_move_back() -> None:
    """16 of 30 coordinates, no noise: the rotation and every mark's whole place (closed form)."""
    report = align(partial())
    assert np.allclose(report.fit.rotation, SCANNER.T, atol=1e-12)
    marks = scanned(np.array(list(PLACES.values()))) * 1000.0
    assert np.abs(report.fit.moved(marks) - list(PLACES.values())).max() < 1e-8
    assert np.linalg.det(report.fit.rotation) == pytest.approx(1.0, abs=1e-12)
    assert report.spare == 16 - 6
    assert report.notes == ()


def test_what_was_not_typed_has_no_residual() -> None:
    """T5 is known in x only: y and z are NaN, in the fit of all and of the others."""
    report = align(partial())
    for found in (report.residuals_mm["T5"], report.leave_one_out_mm["T5"]):
        assert np.isfinite(found).tolist() == [True, False, False]
    assert report.places_mm[list(KNOWN).index("T5")] == pytest.approx(PLACES["T5"], abs=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_the_fit_is_that_of_an_independent_solver(seed: int) -> None:
    """Noise of 3 mm, a random move, weights from each target's own tape: marks where scipy has them, to 1e-5 mm."""
    eye = scanner(seed, 3.0)
    spec = partial_targets(eye)
    tapes = eye.chance.uniform(0.5, 4.0, len(spec.targets))
    spec = replace(spec, targets=tuple(replace(t, tape_mm=s) for t, s in zip(spec.targets, tapes, strict=True)))
    report = align(spec)
    eq = equations(spec, 1.0)
    weights = spec.tape_mm / tapes[eq.of]
    R, t = by_scipy(eq, eye.rotation.T, weights)
    marks = np.array([target.scan for target in spec.targets])
    assert np.abs(report.fit.moved(marks) - (marks @ R.T + t)).max() < 1e-5
    cost = float(((weights * eq.residuals(report.fit)) ** 2).sum())
    other = eq.points @ R.T + t
    assert cost <= float(((weights * (other[np.arange(eq.count), eq.axes] - eq.values)) ** 2).sum()) * (1 + 1e-9)
    assert report.sigma_mm == pytest.approx(math.sqrt(cost / (eq.count - 6)), rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), count=st.integers(4, 12), flat=st.booleans())
def test_with_all_coordinates_the_steps_end_in_the_closed_form(seed: int, count: int, flat: bool) -> None:
    """Damped steps from all over the rotations against Kabsch's closed form: to 1e-9 mm, det +1, flat sets too."""
    chance = np.random.default_rng(seed)
    places = chance.normal(0, 1000, (count, 3)) * ([1, 1, 0] if flat else [1, 1, 1])
    eye = scanner(seed, 0.0)
    marks = (places + chance.normal(0, 5.0, places.shape)) @ eye.rotation.T + eye.shift
    rows = zip(marks, places, strict=True)
    targets = [Target(f"P{k}", tuple(mark), tuple(place)) for k, (mark, place) in enumerate(rows)]
    extra = Target("G", tuple(marks[0]), (None, None, places[0][2]), tape_mm=2e12)  # weighs nothing: steps are taken
    eq = equations(ScanSpec(Path("scan.ply"), "mm", (*targets, extra)), 1.0)
    assert not eq.complete
    best, closed = best_fits(eq)[0], fit_rigid(marks, places)
    assert np.abs(best.moved(marks) - closed.moved(marks)).max() < 1e-9
    assert np.linalg.det(best.rotation) == pytest.approx(1.0, abs=1e-12)
    assert np.abs(refined(eq, closed).moved(marks) - closed.moved(marks)).max() < 1e-9


# --- what is left open -----------------------------------------------------------------------------------------------


HEIGHTS = dict.fromkeys(PLACES, "z")
OPEN: dict[str, tuple[dict[str, str], str, str]] = {
    # targets → what is open, what to add
    "heights only": (HEIGHTS, "x, its place along the vehicle; y, its place across; heading", "a station"),
    "no x": ({**HEIGHTS, "T1": "yz", "T4": "yz"}, "leaves open: x, its place along the vehicle. Add", "its taped x"),
    "no heading": ({**HEIGHTS, "T1": "xyz"}, "leaves open: heading, the turn about z. Add: another pair", ""),
    "no height": ({"T1": "xy", "T3": "xy", "T6": "y", "T5": "x"}, "z, its height", "ground points, hub heights"),
    "one line": ({"T1": "xyz", "T2": "yz", "F1": "x"}, "", "heights well to the front"),
    "no roll": ({"T1": "xyz", "T3": "xyz", "F1": "x"}, "leaves open: roll, the turn about x. Add: heights well", ""),
    "two marks": ({"T1": "xyz", "T4": "xy"}, "leaves open", "Add:"),
}  # fmt: skip


@pytest.mark.parametrize(("known", "opened", "add"), OPEN.values(), ids=OPEN.keys())
def test_what_is_not_fixed_is_named_with_what_to_add(known: dict[str, str], opened: str, add: str) -> None:
    with pytest.raises(AlignmentError) as caught:
        align(partial(known))
    message = str(caught.value)
    assert message.startswith("vehicle.yaml:1: what was typed leaves open: ")
    assert opened in message
    assert add in message


TWO_WAYS = {
    # what is known of which target, the height of the last one → how the other placement differs
    "rolled over": (500, {"A": "xyz", "B": "z", "C": "xyz", "D": "z"}, "has left and right, top and bottom exchanged"),
    "skewed": (800, {"A": "xz", "B": "z", "C": "xyz", "D": "z"}, "is turned by 15° about z. Add a second station"),
}  # fmt: skip


@pytest.mark.parametrize(("height", "known", "other"), TWO_WAYS.values(), ids=TWO_WAYS.keys())
def test_two_placements_that_fit_alike_are_an_error_that_says_what_to_add(
    height: int, known: dict[str, str], other: str
) -> None:
    """Of four equal heights half a turn about a line through two of them fits as well; so does a turn of
    2 atan(400/3000) = 15.2° where the first mark is known in x alone (closed form)."""
    places = {"A": (0, -400, 500), "B": (0, 400, 500), "C": (3000, 0, 500), "D": (2000, 300, height)}
    rows = [(n, scanned(np.array([p], dtype=np.float64))[0], taped(p, known[n])) for n, p in places.items()]
    spec = ScanSpec(Path("scan.ply"), "m", tuple(Target(n, tuple(mark), typed) for n, mark, typed in rows))
    with pytest.raises(AlignmentError, match="two placements fit what was typed: the other one " + other):
        align(spec)


def test_front_and_rear_must_be_told_apart() -> None:
    """One x alone: it is said what tells them."""
    known = {**KNOWN, "T5": "y", "F3": "z"}
    with pytest.raises(AlignmentError, match=r"nothing typed tells the front from the rear\. Add a second station"):
        align(partial(known))


# --- wrong targets ---------------------------------------------------------------------------------------------------


SLIPS = [(name, axis) for name, axes in KNOWN.items() for axis in axes]


@pytest.mark.parametrize(("name", "axis"), SLIPS)
def test_a_mistyped_coordinate_never_passes_and_is_named(name: str, axis: str) -> None:
    """Each of 16 coordinates 90 mm off: refused, and the entry is named, alone or beside others; where nothing else
    knows that coordinate there, it is said that the entry was not checked."""
    try:
        report = align(partial(**{name: (axis, 90.0)}))
    except AlignmentError as problem:
        message = str(problem)
        assert f"target {name} is off by" in message or f"{name}" in message.partition("Leaving out")[2]
        return
    assert any(f"without a check on: target {name}" in note or f", target {name}" in note for note in report.notes)


def test_a_mistyped_height_is_named_with_its_line_and_both_figures() -> None:
    """T4's z typed 550 instead of 520: its line, 30.0 mm, 520 and 550."""
    known = {**KNOWN, "T1": "xyz", "T2": "xyz", "T3": "xyz"}
    with pytest.raises(AlignmentError) as caught:
        align(partial(known, T4=("z", 30.0)))
    message = str(caught.value)
    assert message.startswith("vehicle.yaml:4: target T4 is off by 30.0 mm in z (limit 5 mm)")
    assert "at z 520.0, its entry says 550" in message


def test_left_and_right_swapped_is_an_error_and_not_a_mirrored_truck() -> None:
    """All typed y negated: an error that says so (silent error 5)."""
    spec = partial()
    negated = tuple(replace(t, vehicle=(t.vehicle[0], _negative(t.vehicle[1]), t.vehicle[2])) for t in spec.targets)
    with pytest.raises(AlignmentError, match="fits only as a mirror image: left and right are swapped"):
        align(replace(spec, targets=negated))


def _negative(value: float | None) -> float | None:
    return None if value is None else -value


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_whatever_was_typed_the_answer_is_a_rotation(seed: int) -> None:
    """Two coordinates each of a mirrored copy: every fit has det +1, and align refuses (silent error 5)."""
    chance = np.random.default_rng(seed)
    places = chance.normal(0, 1000, (8, 3))
    targets = tuple(
        Target(f"P{k}", tuple(place * [1, -1, 1]), taped(tuple(place), "".join(chance.permutation(list("xyz"))[:2])))
        for k, place in enumerate(places)
    )
    spec = ScanSpec(Path("scan.ply"), "mm", targets)
    fits = best_fits(equations(spec, 1.0))
    assert all(np.linalg.det(fit.rotation) == pytest.approx(1.0, abs=1e-9) for fit in fits)
    with pytest.raises(AlignmentError):
        align(spec)


@pytest.mark.parametrize("unit", UNIT_MM)
def test_every_unit_gives_the_same_frame_and_a_wrong_one_is_named(unit: str) -> None:
    """Marks in mm, cm, m, in and ft: the same rotation and places; declared wrongly, the right unit is in the error."""
    spec = partial()
    scaled = tuple(replace(t, scan=tuple(v * 1000.0 / UNIT_MM[unit] for v in t.scan)) for t in spec.targets)
    report = align(replace(spec, unit=unit, targets=scaled))
    same: AlignmentReport = align(spec)
    assert np.allclose(report.fit.rotation, same.fit.rotation, atol=1e-9)
    assert np.allclose(report.places_mm, same.places_mm, atol=1e-6)
    wrong = "in" if unit == "mm" else "mm"
    with pytest.raises(AlignmentError, match=rf"not fit with the scan read in {wrong}, but they do in {unit}\. Write"):
        align(replace(spec, unit=wrong, targets=scaled))
