"""Clear-out: known tails, superposition without a model, the gate before a fit, refusals, virtual runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analysis.clearout.fit import fitted
from analysis.clearout.superpose import step_answer, superposed
from analysis.clearout.times import FarShare, NotCarriedError, falling_crossing, observed

MEAN, SPREAD = 900.0, 0.12
"""Residence time of the pipes in these tests: mean [s] and relative spread of an inverse Gaussian."""


def _rise(seconds: np.ndarray) -> np.ndarray:
    """Return the answer of the pipes to a step."""
    late = np.maximum(seconds, 0.0)
    return np.asarray(stats.invgauss.cdf(late, SPREAD**2, scale=MEAN / SPREAD**2))


def _left(level: float, length: float) -> float:
    """Return the true clear-out time after an injection of a length."""
    grid = np.arange(0.0, 6000.0, 0.25)
    left = _rise(grid + length) - _rise(grid)
    return float(grid[np.flatnonzero(left > level)[-1]])


def _far(length: float, until: float, *, noise: float = 0.0, step_u: float | None = 0.003) -> FarShare:
    """Return what a far point sees of an injection until the water stops."""
    t = np.arange(-300.0, until, 5.0)
    scatter = np.random.default_rng(7).normal(0.0, noise, t.size)
    return FarShare(t, _rise(t) - _rise(t - length) + scatter, length, step_u=step_u)


@pytest.mark.parametrize("interval", [5.0, 10.0])
@pytest.mark.parametrize("noise", [0.0, 0.003])
def test_crossing_is_unbiased_and_its_uncertainty_true(noise: float, interval: float) -> None:
    """Over 200 noisy tails the crossing is right on average, and scatters as it says."""
    rng, errors, said = np.random.default_rng(1), [], []
    truth = float(stats.invgauss.ppf(0.95, SPREAD**2, scale=MEAN / SPREAD**2))
    for _ in range(200):
        t = np.arange(600.0 + rng.uniform(0.0, interval), 2000.0, interval)
        found = falling_crossing(t, 1.0 - _rise(t) + rng.normal(0.0, noise, t.size), 0.05)
        errors.append(found.seconds - truth)
        said.append(found.seconds_u)

    assert abs(np.mean(errors)) < 0.05 + 3 * np.std(errors) / np.sqrt(200)
    assert np.std(errors) == pytest.approx(np.mean(said), rel=0.25, abs=0.05)


def test_tail_that_does_not_reach_the_level_has_no_crossing() -> None:
    """A tail that stays above the level is refused."""
    with pytest.raises(ValueError, match="does not cross"):
        falling_crossing(np.arange(10.0), np.linspace(1.0, 0.2, 10), 0.05)


def test_observed_to_the_end_is_the_truth() -> None:
    """Where the water ran on, the crossing is the clear-out time."""
    found = observed(_far(1500.0, 3500.0, noise=0.002), 0.05)

    assert found.seconds == pytest.approx(_left(0.05, 1500.0), abs=3.0)


def test_excess_that_comes_back_is_not_clear() -> None:
    """A second front after the first fall moves the clear-out to the last fall."""
    far = _far(1500.0, 6000.0)
    again = np.where((far.seconds > 3200.0) & (far.seconds < 3800.0), 0.3, far.share)

    assert observed(replace(far, share=again), 0.05).seconds > 2290.0


def test_water_that_stops_too_early_is_not_observed() -> None:
    """Below the level for less than 20 s is not sustained."""
    until = 1500.0 + _left(0.05, 1500.0) + 10.0

    with pytest.raises(NotCarriedError, match="the water stopped before"):
        observed(_far(1500.0, until), 0.05)


@pytest.mark.parametrize("length", [500.0, 1000.0, 2000.0])
def test_superposition_needs_no_model(length: float) -> None:
    """From a run cut short at three quarters of the travel time, the true clear-out comes back within 0.4 %."""
    until = max(length + 0.75 * MEAN, 1.7 * MEAN)
    found = superposed(_far(length, until), 0.05)

    assert found.seconds == pytest.approx(_left(0.05, length), rel=0.004)


def test_superposition_undoes_a_strength_that_sags() -> None:
    """With a feed that falls by a third during the injection, the pipes' own answer comes back within 0.01."""
    length, t = 1500.0, np.arange(0.0, 2600.0, 5.0)
    fine = np.arange(0.0, 2600.0, 1.0)
    fed = np.where(fine < length, 1.5 - 0.5 * fine / length, 0.0)
    seen = np.convolve(fed, np.diff(_rise(np.arange(0.0, 2601.0))))[: fine.size]
    far = FarShare(t, np.interp(t, fine, seen), length, level=np.linspace(1.5, 1.0, 9), step_u=0.003)

    answer = step_answer(far)

    assert np.abs(answer.rise - _rise(answer.seconds)).max() < 0.01


def test_clear_out_after_a_strength_that_sags() -> None:
    """The clear-out after a sagging feed is that of the feed's own convolution."""
    length, fine = 1500.0, np.arange(0.0, 8000.0, 1.0)
    fed = np.where(fine < length, 1.5 - 0.5 * fine / length, 0.0)
    seen = np.convolve(fed, np.diff(_rise(np.arange(0.0, 8001.0))))[: fine.size]
    truth = float(fine[np.flatnonzero(seen > 0.05)[-1]]) - length
    t = np.arange(0.0, 2600.0, 5.0)
    far = FarShare(t, np.interp(t, fine, seen), length, level=np.linspace(1.5, 1.0, 9), step_u=0.003)

    assert superposed(far, 0.05).seconds == pytest.approx(truth, rel=0.005)


def test_superposition_follows_the_flow() -> None:
    """Flow that halves between rise and fall is followed on the clock that runs with it."""
    far = _far(2000.0, 2700.0)
    slow = replace(far, seconds=np.where(far.seconds > 1900.0, 2 * far.seconds - 1900.0, far.seconds))
    slow = replace(slow, passed=far.seconds, injection_s=2100.0)

    assert superposed(slow, 0.05).seconds == pytest.approx(_left(0.05, 2000.0), rel=0.005)


def test_rise_that_is_not_over_is_refused() -> None:
    """When much of the rise is still to come, the refusal says how much."""
    with pytest.raises(NotCarriedError, match="plateau not reached: when the water stopped"):
        superposed(_far(400.0, 1.05 * MEAN), 0.05)


def test_fit_passes_its_gate_for_the_right_family() -> None:
    """Where the rise was not over but the curve is inverse Gaussian, the fit is within 1 %."""
    found = fitted(_far(800.0, 1.15 * MEAN, noise=0.002), 0.05, noise=0.002)

    assert "inverse Gaussian" in found.method
    assert found.seconds == pytest.approx(_left(0.05, 800.0), rel=0.01)


def test_fit_refuses_a_shape_of_no_family() -> None:
    """Two paths of different length pass no family's test."""
    t = np.arange(-300.0, 1250.0, 5.0)
    two = 0.7 * _rise(t) + 0.3 * _rise(t / 1.35)
    far = FarShare(t, two + np.random.default_rng(2).normal(0.0, 0.002, t.size), 3000.0, step_u=0.003)

    with pytest.raises(NotCarriedError, match="no residence-time curve follows"):
        fitted(far, 0.05, noise=0.002)


def test_fit_needs_the_step_from_the_head() -> None:
    """Without the step the plateau is a guess, and so is the fit."""
    with pytest.raises(NotCarriedError, match="no cell at the head tells the step"):
        fitted(_far(800.0, 1.15 * MEAN, step_u=None), 0.05, noise=0.002)
