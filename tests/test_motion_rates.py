"""What motions tell of mixed second derivatives and of turning rates is never less than finite differences show."""

from __future__ import annotations

import math

import numpy as np
import pytest
from span_motions import Slide, Swing

from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.mechanisms import Leaf, SolidAxle, Still
from fitcheck.vehicle.motion import Carried, Motion, mixed_of, spin_of
from fitcheck.vehicle.steering import Kingpin, steered_wheels

AXLE = SolidAxle("axle", (2600.0, 0.0, 380.0), 80.0, 90.0, 380.0, 6.0, Leaf(550.0, "front", 20.0), 7.0, 5.0)
STEERING = steered_wheels(
    "steering", Kingpin((2600.0, -690.0, 300.0), (2610.0, -670.0, 460.0)),
    Kingpin((2600.0, 690.0, 300.0), (2610.0, 670.0, 460.0)), 35.0, 28.0,
)  # fmt: skip


def random_chain(chance: np.random.Generator, name: str = "chain") -> Chain:
    """Three to four joints of either kind, laws with squares, two or three coordinates in rad and mm."""
    units = ("rad", "mm", "rad")[: chance.integers(2, 4)]
    own = tuple(
        Coordinate(f"q{k}", -reach, reach, unit)
        for k, (unit, reach) in enumerate((unit, 0.5 if unit == "rad" else 60.0) for unit in units)
    )
    kinds = chance.choice(["turn", "slide"], size=chance.integers(3, 5), p=[0.7, 0.3])
    joints = tuple(
        Joint(str(kind), tuple(chance.normal(size=3).tolist()), tuple(chance.normal(size=3) * 200.0)) for kind in kinds
    )
    per = {("turn", "rad"): 1.0, ("turn", "mm"): 1e-3, ("slide", "rad"): 80.0, ("slide", "mm"): 1.0}
    scales = [np.array([per[str(kind), unit] for unit in units]) for kind in kinds]
    reaches = np.array([one.high for one in own])
    laws = tuple(
        Law(tuple(chance.normal(size=len(units)) * s), tuple(0.3 * chance.normal(size=len(units)) * s / reaches))
        for s in scales
    )
    return Chain(name, own, joints, laws)


def some_motion(seed: int) -> tuple[Motion, np.random.Generator]:
    chance = np.random.default_rng(seed)
    pool = (
        AXLE,
        AXLE.straight(),
        STEERING.left,
        random_chain(chance),
        Carried(AXLE, STEERING.right),
        Carried(random_chain(chance), AXLE),
        Carried(random_chain(chance, "outer"), random_chain(chance)),
        Carried(random_chain(chance, "outer"), Carried(AXLE, STEERING.left)),
    )
    return pool[seed % len(pool)], chance


def steps_of(motion: Motion) -> np.ndarray:
    return np.maximum(1e-4 * (motion.high - motion.low), 1e-6)


@pytest.mark.parametrize("seed", range(24))
def test_mixed_and_spin_are_never_below_finite_differences(seed):
    """Eight boxes of all sizes, five poses in each, two points; every pair of coordinates."""
    motion, chance = some_motion(seed)
    points = np.array([2550.0, 0.0, 400.0]) + chance.normal(size=(2, 3)) * (300.0, 500.0, 200.0)
    offset, steps = motion.offsets(points), steps_of(motion)
    width, count = motion.high - motion.low, len(motion.low)
    size = 10.0 ** chance.uniform(-2.0, 0.0, (8, 1)) * width
    low = motion.low + chance.random((8, count)) * (width - size)
    high = low + size
    mixed, spin = mixed_of(motion, low, high, offset), spin_of(motion, low, high)
    assert np.isfinite(mixed).all()
    assert mixed == pytest.approx(mixed.transpose(0, 2, 1), rel=1e-12)
    diagonal = np.einsum("nii->ni", mixed)
    assert diagonal == pytest.approx(motion.bend(low, high, offset), rel=1e-12)
    for row in range(8):
        poses = low[row] + chance.random((5, count)) * (high[row] - low[row])
        for i in range(count):
            one = np.eye(count)[i] * steps[i]
            turned = motion.turn(poses + one) @ motion.turn(poses - one).transpose(0, 2, 1)
            sine = np.linalg.norm(turned - turned.transpose(0, 2, 1), axis=(1, 2)) / math.sqrt(8.0)
            assert (sine / (2.0 * steps[i]) <= spin[row, i] * (1.0 + 1e-5) + 1e-9).all()
            for j in range(count):
                other = np.eye(count)[j] * steps[j]
                found = sum(
                    s * t * motion.place(poses + s * one + t * other, points) for s in (1, -1) for t in (1, -1)
                ) / (4.0 * steps[i] * steps[j])
                noise = 2e-11 / (steps[i] * steps[j])
                assert np.linalg.norm(found, axis=2).max() <= mixed[row, i, j] * (1.0 + 1e-4) + noise, (i, j)


def test_mixed_bounds_are_met_where_they_can_be():
    """Closed forms: a turn inside a turn, axes square to each other, gives ρ; an axle's roll turns its wind-up."""
    joints = (Joint("turn", (0.0, 0.0, 1.0)), Joint("turn", (0.0, 1.0, 0.0)))
    own = (Coordinate("a", -0.1, 0.1, "rad"), Coordinate("b", -0.1, 0.1, "rad"))
    chain = Chain("c", own, joints, (Law((1.0, 0.0)), Law((0.0, 1.0))))
    none = np.zeros((1, 2))
    mixed = mixed_of(chain, none, none, chain.offsets(np.array([[0.0, 0.0, 250.0]])))
    assert mixed[0] == pytest.approx(np.array([[0.0, 250.0], [250.0, 250.0]]))
    off = AXLE.offsets(np.array([[2700.0, 0.0, 380.0]]))
    found = mixed_of(AXLE, np.zeros((1, 4)), np.zeros((1, 4)), off)[0]
    assert found[0, 2] == pytest.approx(100.0 / (2.0 * 380.0))
    assert found[0, 3] == found[2, 3] == found[3, 3] == 0.0


def test_a_motion_that_tells_nothing_leaves_no_bound_beside_its_bend():
    swing = Swing("swing", (-0.1, 0.1))
    none = np.zeros((1, 1))
    assert mixed_of(swing, none, none, np.array([40.0])) == pytest.approx(np.array([[[40.0]]]))
    assert spin_of(swing, none, none)[0, 0] == np.inf
    carried = Carried(swing, Slide("slide", (-5.0, 5.0)))
    mixed = mixed_of(carried, np.zeros((1, 2)), np.zeros((1, 2)), carried.offsets(np.zeros((1, 3))))
    assert mixed[0, 0, 1] == np.inf
    still = Carried(swing, Still())
    assert mixed_of(still, none, none, still.offsets(np.zeros((1, 3)))).shape == (1, 1, 1)
