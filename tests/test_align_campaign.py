"""Random rigid moves with noise: true errors stay within what the lever arm foretells, and sigma is neither flattered
nor inflated. scripts/campaign_alignment.py runs the same for longer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from test_align import PLACES

from fitcheck.scan.align import align
from fitcheck.scan.spec import MaybeVector, Rearward, ScanSpec, SymmetricPair, Target

Floats = NDArray[np.float64]
Place = tuple[float, float, float]

KNOWN: dict[str, str] = {"T1": "xyz", "T2": "yz", "T3": "y", "T4": "z", "T5": "x", "T6": "yz", "F1": "z", "F2": "z",
                         "F3": "xz", "F4": "yz"}  # fmt: skip
"""Which coordinates of the sample truck's targets were taped, in the trials with partial ones: 16 of 30."""

GROUND: tuple[Place, ...] = ((0, -900, 0), (0, 900, 0), (2620, -900, 0), (2620, 900, 0), (1300, -700, 0),
                             (1300, 800, 0))  # fmt: skip
PAIRS: dict[str, tuple[Place, Place]] = {
    "spring_eyes": ((-300, -400, 520), (-300, 400, 520)),
    "cab_mounts": ((1200, -430, 560), (1200, 430, 560)),
    "bed_bolts": ((2300, -500, 640), (2300, 500, 640)),
    "frame_ends": ((3200, -400, 520), (3200, 400, 520)),
}
STATIONS: tuple[Place, ...] = ((0, -740, 382), (2620, 740, 384))
VEHICLE_BOX = np.array([[-600.0, -900.0, 0.0], [3500.0, 900.0, 1800.0]])


@dataclass
class Scanner:
    """Sees places of the vehicle in axes of its own, each coordinate with noise."""

    rotation: Floats
    shift: Floats
    noise_mm: float
    chance: np.random.Generator

    def sees(self, place: Place, noise: bool = True) -> Place:
        off = self.chance.normal(0.0, self.noise_mm, 3) if noise else 0.0
        x, y, z = self.rotation @ (np.asarray(place, dtype=np.float64) + off) + self.shift
        return float(x), float(y), float(z)


def scanner(seed: int, noise_mm: float) -> Scanner:
    """One that stands anywhere, turned anyhow (a random unit quaternion)."""
    chance = np.random.default_rng(seed)
    x, y, z, w = (q := chance.normal(size=4)) / np.linalg.norm(q)
    rotation = np.array([[1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
                         [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
                         [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)]])  # fmt: skip
    return Scanner(rotation, chance.normal(0.0, 3000.0, 3), noise_mm, chance)


def taped(place: Place, axes: str = "xyz") -> MaybeVector:
    x, y, z = (float(value) if axis in axes else None for axis, value in zip("xyz", place, strict=True))
    return x, y, z


def full_targets(eye: Scanner) -> ScanSpec:
    """Ten targets in all three axes."""
    return _spec(eye, tuple(Target(name, eye.sees(place), place) for name, place in PLACES.items()))


def partial_targets(eye: Scanner) -> ScanSpec:
    """The same ten marks, 16 of 30 coordinates known."""
    return _spec(eye, tuple(Target(n, eye.sees(place), taped(place, KNOWN[n])) for n, place in PLACES.items()))


def three_two_one(eye: Scanner) -> ScanSpec:
    """Six floor points, four left and right pairs, two stations: 16 equations."""
    marks = [Target(f"ground {k}", eye.sees(p), taped(p, "z"), kind="ground") for k, p in enumerate(GROUND)]
    marks += [Target(f"station {k}", eye.sees(p), taped(p, "x"), kind="station") for k, p in enumerate(STATIONS)]
    pairs = tuple(SymmetricPair(name, eye.sees(left), eye.sees(right)) for name, (left, right) in PAIRS.items())
    rearward = Rearward(eye.sees((0, 0, 500)), eye.sees((2500, 0, 500)))
    return _spec(eye, tuple(marks), pairs, rearward)


def _spec(
    eye: Scanner,
    targets: tuple[Target, ...],
    pairs: tuple[SymmetricPair, ...] = (),
    rearward: Rearward | None = None,
) -> ScanSpec:
    return ScanSpec(
        Path("scan.ply"), "mm", targets, tape_mm=eye.noise_mm, within_mm=40.0, pairs=pairs, rearward=rearward
    )


WAYS = {"full targets": full_targets, "partial axes": partial_targets, "3-2-1": three_two_one}


@dataclass(frozen=True)
class Outcome:
    """``coordinates``, ``lengths``: the share of places whose error is within 3 sigma, each coordinate and the whole;
    ``sigmas_mm`` (trials,): each trial's own estimate."""

    coordinates: float
    lengths: float
    sigmas_mm: Floats


def campaign(way: str, trials: int, noise_mm: float, seed: int = 0, places: int = 20) -> Outcome:
    """``trials`` random moves, each asked about ``places`` random places within the vehicle's box."""
    each, whole, sigmas = [], [], []
    for trial in range(trials):
        eye = scanner(seed + trial, noise_mm)
        report = align(WAYS[way](eye))
        assert abs(np.linalg.det(report.fit.rotation) - 1.0) < 1e-9
        true = eye.chance.uniform(*VEHICLE_BOX, (places, 3))
        found = report.fit.moved(np.array([eye.sees(tuple(place), noise=False) for place in true]))
        foretold = np.array([report.certainty.sigma_mm(place) for place in true])
        each.append((np.abs(found - true).max(axis=1) <= 3.0 * foretold).mean())
        whole.append((np.linalg.norm(found - true, axis=1) <= 3.0 * foretold).mean())
        sigmas.append(report.sigma_mm)
    return Outcome(float(np.mean(each)), float(np.mean(whole)), np.array(sigmas))


@pytest.mark.parametrize("way", WAYS)
def test_errors_stay_within_three_sigma_and_sigma_is_the_noise(way: str) -> None:
    """50 moves, σ 1.5 mm: 99 % of places within 3σ of the lever-arm formula, σ̂ within 10 % on average, σ̂² unbiased."""
    noise_mm = 1.5
    found = campaign(way, 50, noise_mm)
    assert found.coordinates >= 0.99
    assert float(found.sigmas_mm.mean()) == pytest.approx(noise_mm, rel=0.10)
    assert float((found.sigmas_mm**2).mean()) == pytest.approx(noise_mm**2, rel=0.15)
