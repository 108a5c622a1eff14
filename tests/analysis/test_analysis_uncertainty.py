"""Uncertainty: shared errors cancel or add, weights, budgets, standard errors of alike neighbours."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.uncertainty import (
    Source,
    Uncertain,
    best_weights,
    combine,
    covariance,
    interval_of_log,
    linear,
    standard_error,
)

GAIN, OTHER, NOISE = Source("gain", "a"), Source("gain", "b"), Source("noise", "a", "run 1")
SMALL = st.floats(0.001, 0.1)


@given(SMALL, SMALL)
def test_shared_error_cancels_in_a_ratio_and_adds_in_a_product(one: float, other: float) -> None:
    """Two values with the same error: the difference keeps only what is not shared."""
    a, b = Uncertain(0.0, {GAIN: one, NOISE: other}), Uncertain(0.0, {GAIN: one})

    assert linear([1, -1], [a, b]).sd == pytest.approx(other)
    assert linear([1, 1], [a, b]).sd == pytest.approx(math.hypot(2 * one, other))


@given(SMALL, SMALL, SMALL)
def test_combination_is_never_worse_than_its_best_member(one: float, other: float, shared: float) -> None:
    """The combined uncertainty is at most that of the better of two values, and the weights sum to 1."""
    values = [Uncertain(1.0, {GAIN: one, NOISE: shared}), Uncertain(2.0, {OTHER: other, NOISE: shared})]
    weights = best_weights(values)

    assert sum(weights) == pytest.approx(1.0)
    assert min(weights) >= 0.0
    assert combine(values).sd <= min(v.sd for v in values) * (1 + 1e-9)


def test_negative_weight_is_left_out() -> None:
    """A value that would get a negative weight because it only repeats a better one gets none."""
    good = Uncertain(1.0, {GAIN: 0.01})
    worse = Uncertain(1.1, {GAIN: 0.02, OTHER: 0.005})

    assert best_weights([good, worse]) == pytest.approx([1.0, 0.0])


def test_covariance_of_independent_values_is_diagonal() -> None:
    """Values that share no source do not correlate."""
    matrix = covariance([Uncertain(0, {GAIN: 0.1}), Uncertain(0, {OTHER: 0.2})])

    assert matrix == pytest.approx(np.diag([0.01, 0.04]))


def test_random_and_systematic_parts_add_up_by_squares() -> None:
    """The two parts make the whole; only what names a run is random."""
    value = Uncertain(0.0, {GAIN: 0.03, NOISE: 0.04})

    assert value.part(random=True) == pytest.approx(0.04)
    assert value.part(random=False) == pytest.approx(0.03)
    assert sum(value.budget().values()) == pytest.approx(1.0)
    assert list(value.budget()) == ["noise (a), each run anew", "gain (a)"]


def test_interval_of_a_logarithm_covers_95_percent() -> None:
    """Drawn errors of the claimed size fall inside the interval in 95 % of the cases."""
    rng = np.random.default_rng(11)
    inside = 0
    for error in rng.normal(0.0, 0.02, 4000):
        _, low, high = interval_of_log(Uncertain(float(error), {GAIN: 0.02}))
        inside += low <= 1.0 <= high

    assert inside / 4000 == pytest.approx(0.95, abs=0.012)


def test_standard_error_sees_that_neighbours_are_alike() -> None:
    """For readings that wander, the error of the mean is far above that of independent ones."""
    rng = np.random.default_rng(3)
    wander = np.convolve(rng.standard_normal(4000), np.ones(100) / 100.0, mode="valid")
    naive = wander.std(ddof=1) / math.sqrt(len(wander))

    assert standard_error(wander) > 4.0 * naive
    assert math.isnan(standard_error([1.0, 2.0, 3.0]))
