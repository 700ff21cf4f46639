"""Are the owner's targets and the axles' ratings kept?

A figure v with one sigma s is judged with 2 s to either side: wholly on the right side of
the limit PASS, wholly on the wrong side FAIL, else NOT PROVEN, too close to call. A figure
that is missing is NOT PROVEN.

Sigmas. Loads: from the ledger's own ± (scales, masses, places). Bump travel left: from the
± of the springs' load. Heights and angles: the ± of the changes' loads through springs and
tyres to the floor at both axles, with their correlation, and the ± of the owning point
itself (scan: local and alignment; part: size, place and alignment); first order, at the
owning point, the whole drop counted as the springs'. The spring and tyre rates are taken as exact.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.ground import FIGURES, measure_of, scan_speaks
from fitcheck.checks.guard import alignment_sigma_mm
from fitcheck.checks.loads import axle_sigma_kg, mass_sigma_kg, share_sigma_pct, stability_sigma
from fitcheck.result import Ground, Limit, Loads, Owned, Verdict
from fitcheck.vehicle.masses import Ledger, ledger, states_of
from fitcheck.vehicle.scene import SCAN, Scene, Target
from fitcheck.vehicle.stance import drop_covariance, stance

Floats = NDArray[np.float64]

AT_LEAST, AT_MOST = "at least", "at most"

_BUMP = "bump_left"
_UNITS = {"pct": "%", "deg": "°", "mm": "mm", "kg": "kg"}


@dataclass(frozen=True)
class Figure:
    """A value with one sigma, or the reason why there is none. ``doubt``: why it can not pass."""

    value: float | None
    sigma: float = 0.0
    doubt: str = ""


@dataclass(frozen=True)
class _State:
    """What is known of one load state."""

    scene: Scene
    book: Ledger
    loads: Loads
    ground: Ground


def check_limits(scene: Scene, loads: dict[str, Loads], ground: dict[str, Ground]) -> tuple[Limit, ...]:
    """Every rating in every load state, then every target. ``loads`` and ``ground`` by load state."""
    states = {}
    for state in states_of(scene):
        book = ledger(scene, state)
        if book is not None and state.name in loads and state.name in ground:
            states[state.name] = _State(scene, book, loads[state.name], ground[state.name])
    whats = ("front", "rear", "gross")
    rated = [_rating(scene, name, what, states.get(name)) for name in _names(scene) for what in whats]
    judged = [limit for limit in rated if limit is not None] + [_target(target, states) for target in scene.targets]
    return (*judged, *(limit for name, state in states.items() for limit in _impossible(name, state)))


def _impossible(state: str, known: _State) -> Iterator[Limit]:
    """What no target has to ask for: wheels that lift, metal below the ground, an axle past its stop."""
    figures: list[tuple[str, float | None]] = [
        ("front_kg", known.loads.front_kg),
        ("rear_kg", known.loads.rear_kg),
        ("belly_mm", known.ground.belly_mm),
    ]
    figures += [(f"{_BUMP}_{axle}_mm", left) for axle, left in known.ground.bump_left_mm.items()]
    for name, value in figures:
        if value is not None and value < 0.0:
            words = f"{_written(name, value)}: below 0"
            yield Limit(name, state, value, 0.0, 0.0, "at least", Verdict.FAIL, words)


def _names(scene: Scene) -> list[str]:
    return [state.name for state in states_of(scene)]


def _rating(scene: Scene, state: str, what: str, known: _State | None) -> Limit | None:
    """The rating of an axle ("front", "rear") or of the whole vehicle ("gross"); None where none is given."""
    if what == "gross":
        rating = scene.weights.gross_rating_kg if scene.weights else None
    else:
        rating = scene.axles[what].rating_kg if what in scene.axles else None
    if rating is None:
        return None
    name = "mass_kg" if what == "gross" else f"{what}_kg"
    figure = Figure(None, doubt="the axle loads are not known") if known is None else figure_of(name, known)
    return judge(Target(f"rating_{what}_kg", state, rating, AT_MOST), figure)


def _target(target: Target, states: dict[str, _State]) -> Limit:
    known = states.get(target.state)
    if known is None:
        return judge(target, Figure(None, doubt=f"nothing is known of the load state '{target.state}'"))
    return judge(target, figure_of(target.name, known))


def figure_of(name: str, known: _State) -> Figure:
    """The figure that a target names, with its sigma."""
    book, loads = known.book, known.loads
    simple = {
        "front_share_pct": lambda: Figure(loads.front_share_pct, share_sigma_pct(book)),
        "front_kg": lambda: Figure(loads.front_kg, axle_sigma_kg(book, "front")),
        "rear_kg": lambda: Figure(loads.rear_kg, axle_sigma_kg(book, "rear")),
        "mass_kg": lambda: Figure(loads.mass_kg, mass_sigma_kg(book)),
        "ssf": lambda: _stability(known),
    }
    if name in simple:
        return simple[name]()
    if name.startswith(_BUMP):
        return _bump_left(name, known)
    stem = name.rsplit("_", 1)[0]
    if stem in FIGURES:
        return _underside(stem, known)
    return Figure(None, doubt=f"'{name}' is no figure that is computed")


def _stability(known: _State) -> Figure:
    sigma = stability_sigma(known.book)
    if known.loads.ssf is None or sigma is None:
        return Figure(None, doubt="the height of the centre of gravity was not measured")
    return Figure(known.loads.ssf, sigma)


def _bump_left(name: str, known: _State) -> Figure:
    """Bump left at one axle ("bump_left_rear_mm"), or the lesser of both ("bump_left_mm")."""
    spread = np.sqrt(np.diag(drop_covariance(known.book, springs_only=True)))
    asked = [axle for axle in ("front", "rear") if name in (f"{_BUMP}_{axle}_mm", f"{_BUMP}_mm")]
    found = [(known.ground.bump_left_mm[axle], float(spread[("front", "rear").index(axle)])) for axle in asked]
    known_ones = [Figure(value, sigma) for value, sigma in found if value is not None]
    if not known_ones:
        return Figure(None, doubt="no mechanism gives the axle a bump travel")
    return min(known_ones, key=lambda figure: figure.value or 0.0)


def _underside(figure: str, known: _State) -> Figure:
    owned, stood = known.ground.owners[figure], stance(known.book)
    if owned.value is None:
        return Figure(None, doubt="no scan metal or part to measure")
    doubt = ""
    if not scan_speaks(known.scene, figure, stood):
        doubt = "the scan shows nothing there, so the figure is the parts' alone"
    return Figure(owned.value, underside_sigma(figure, owned, known.scene, known.book), doubt)


def underside_sigma(figure: str, owned: Owned, scene: Scene, book: Ledger) -> float:
    """One sigma of a height or an angle at its owning point, first order; 0 where no point owns it."""
    if owned.point_mm is None or owned.owner is None:
        return 0.0
    point, stood = np.asarray(owned.point_mm), stance(book)

    def change(step: Floats) -> float:
        """Of the figure when front and rear drop and the point moves by a step (5,) of 1 mm."""
        ends = [
            measure_of(scene, figure, stood.settled(half[0], half[1])).at(point + half[2:])
            for half in (step / 2.0, -step / 2.0)
        ]
        return ends[0] - ends[1]

    slopes = np.array([change(step) for step in np.eye(5)])
    by_load = float(slopes[:2] @ drop_covariance(book) @ slopes[:2])
    by_place = point_sigma_mm(owned.owner, scene, point) ** 2 * float(slopes[2:] @ slopes[2:])
    return math.sqrt(by_load + by_place)


def point_sigma_mm(owner: str, scene: Scene, place_mm: Floats) -> float:
    """One sigma of a point (3,) of the scan or of a part, in each direction."""
    known, frame = scene.uncertainties, alignment_sigma_mm(scene, place_mm[None])
    if owner == SCAN:
        return math.hypot(known.scan, frame)
    part = next((part for part in scene.parts if part.name == owner), None)
    if part is None:
        return math.hypot(known.fabrication, frame)
    size = known.fabrication if part.size_sigma_mm is None else part.size_sigma_mm
    return math.hypot(size, part.taped_sigma_mm, frame)


def judge(target: Target, figure: Figure) -> Limit:
    """The verdict on one figure, and its reason in words."""
    value, sigma = figure.value, figure.sigma
    if value is None or not (math.isfinite(value) and math.isfinite(sigma)):
        reason = figure.doubt or "the figure could not be computed"
        return _limit(target, Figure(None), Verdict.NOT_PROVEN, reason)
    room = value - target.limit if target.sense == AT_LEAST else target.limit - value
    said = f"{_written(target.name, value)} ± {_written(target.name, 2.0 * sigma)}, {target.sense} " + _written(
        target.name, target.limit
    )
    if room + 2.0 * sigma < 0.0:
        return _limit(target, figure, Verdict.FAIL, f"{said}: misses it by {_written(target.name, -room)}")
    if room - 2.0 * sigma < 0.0:
        likely = "likely pass" if room >= 0.0 else "likely fail"
        return _limit(target, figure, Verdict.NOT_PROVEN, f"{said}: too close to call, {likely}")
    if figure.doubt:
        return _limit(target, figure, Verdict.NOT_PROVEN, f"{said}: {figure.doubt}")
    return _limit(target, figure, Verdict.PASS, f"{said}: {_written(target.name, room)} to spare")


def _limit(target: Target, figure: Figure, verdict: Verdict, reason: str) -> Limit:
    return Limit(
        name=target.name,
        state=target.state,
        value=figure.value,
        sigma=figure.sigma,
        limit=target.limit,
        sense=target.sense,
        verdict=verdict,
        reason=reason,
        source=target.source,
    )


def _written(name: str, value: float) -> str:
    """A number with the unit that the figure's name ends in."""
    unit = _UNITS.get(name.rsplit("_", 1)[-1], "")
    if not unit:
        return f"{value:.3f}"
    return f"{value:.1f}{'' if unit == '°' else ' '}{unit}"
