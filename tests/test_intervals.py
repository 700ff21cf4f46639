"""Balls hold every value they stand for, and jets are derivatives."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from fitcheck.geometry import intervals
from fitcheck.geometry.intervals import Ball, Jet

RNG = np.random.default_rng(7)


def random_ball(low: float, high: float, count: int = 4000) -> tuple[Ball, np.ndarray, np.ndarray]:
    """A ball with two lines, and true values in it: at the corners of what it holds, where most goes wrong."""
    middle = RNG.uniform(low, high, count)
    lines = tuple(RNG.uniform(-0.1, 0.1, count) for _ in range(2))
    radius = RNG.uniform(0.0, 0.05, count)
    return Ball(middle, lines, radius), middle, radius


SIGNS = RNG.choice([-1.0, 1.0], (2, 4000))


def value_in(ball: Ball) -> np.ndarray:
    """One of a ball's values, at the same ε for all balls."""
    return ball.middle + ball.lines[0] * SIGNS[0] + ball.lines[1] * SIGNS[1] + ball.radius * RNG.choice([-1, 1], 4000)


def holds(ball: Ball, value: np.ndarray) -> bool:
    """Whether the rest beside the common lines is within the radius (the last few places are the test's own)."""
    there = ball.middle + ball.lines[0] * SIGNS[0] + ball.lines[1] * SIGNS[1]
    return bool((np.abs(value - there) <= ball.radius + 4e-16 * (1.0 + np.abs(value))).all())


@pytest.mark.parametrize(
    ("work", "low", "high"),
    [
        (lambda a, b: a + b, -2.0, 2.0),
        (lambda a, b: a - b, -2.0, 2.0),
        (lambda a, b: 3.0 - a * b, -2.0, 2.0),
        (lambda a, b: 2.0 * a + b * -0.5, -2.0, 2.0),
        (lambda a, b: intervals.sine(a) * intervals.cosine(b), -4.0, 4.0),
        (lambda a, b: intervals.arctangent(a + b), -2.0, 2.0),
        (lambda a, b: intervals.inverse(a) * b, 0.4, 3.0),
        (lambda a, b: intervals.inverse_root(a * a + b * b), 0.4, 3.0),
    ],
    ids=["sum", "difference", "product", "scaled", "sine", "arctangent", "inverse", "root"],
)
def test_every_possible_result_lies_in_the_ball(work, low, high):
    """For values at the far corners of both operands, with the same ε in both."""
    (one, *_), (other, *_) = random_ball(low, high), random_ball(low, high)
    for _ in range(4):
        assert holds(work(one, other), work(value_in(one), value_in(other)))


def test_a_difference_of_like_lines_is_nothing():
    """x − x of one line is 0, not twice its width: why lines are kept."""
    ball = Ball(np.array([2.0]), (np.array([0.5]),), np.array([0.0]))
    assert (ball - ball).most[0] < 1e-14


def test_rounding_is_part_of_the_radius():
    """(1/3 + 1e16) − 1e16 of exact numbers: the exact result is in the ball, though the middle has lost it."""
    third = Ball(np.array([1.0 / 3.0]), (), np.array([0.0]))
    found = (third + 1e16) - 1e16
    exact = Fraction(1.0 / 3.0)
    assert abs(Fraction(float(found.middle[0])) - exact) <= Fraction(float(found.radius[0]))
    assert found.middle[0] != 1.0 / 3.0


def test_a_ball_that_holds_zero_has_no_inverse():
    assert not np.isfinite(intervals.inverse(Ball(np.array([0.1]), (), np.array([0.2]))).radius).any()
    assert not np.isfinite(intervals.inverse_root(Ball(np.array([0.1]), (), np.array([0.2]))).radius).any()


def test_sums_and_matrices_hold_their_results():
    """Σ and A·x over all corners of small balls."""
    ball = Ball(RNG.normal(size=(5, 3)), (RNG.normal(size=(5, 3)),), RNG.uniform(0, 1, (5, 3)))
    matrix = RNG.normal(size=(5, 3, 3))
    for sign in (-1.0, 1.0):
        value = ball.middle + sign * ball.lines[0] + ball.radius * RNG.choice([-1, 1], (5, 3))
        total = intervals.add_up(ball)
        assert (np.abs(value.sum(-1) - total.middle - sign * total.lines[0]) <= total.radius + 1e-14).all()
        turned = intervals.times_matrix(matrix, ball[None])
        exact = np.einsum("nij,nj->ni", matrix, value)
        assert (np.abs(exact - turned.middle[0] - sign * turned.lines[0][0]) <= turned.radius[0] + 1e-14).all()
        assert (np.abs(exact) <= turned.most[0] + 1e-14).all()


@pytest.mark.parametrize(
    "work",
    [
        lambda x: x * x - 3.0 * x + 1.0,
        lambda x: intervals.jet_sine(x)[0] * x,
        lambda x: intervals.jet_sine(x * x)[1],
        lambda x: intervals.jet_arctangent(2.0 * x),
        lambda x: intervals.jet_inverse_root(x * x + 1.0),
        lambda x: intervals.jet_sum(intervals.jets_side_by_side([x, x * x])),
    ],
    ids=["polynomial", "sine", "cosine", "arctangent", "root", "sum"],
)
def test_jets_are_the_derivatives(work):
    """Against central differences of the values along the path x(t) = 0.7 + 0.9 t + 0.4 t²."""

    def value(t: float) -> float:
        return float(work(Jet((np.array([0.7 + 0.9 * t + 0.4 * t * t]),))).parts[0][0])

    jet = work(Jet((np.array([0.7]), np.array([0.9]), np.array([0.8]))))
    step = 1e-4
    assert jet.parts[0][0] == pytest.approx(value(0.0), abs=1e-14)
    assert jet.parts[1][0] == pytest.approx((value(step) - value(-step)) / (2 * step), abs=1e-7)
    assert jet.parts[2][0] == pytest.approx((value(step) + value(-step) - 2 * value(0.0)) / step**2, abs=1e-6)
