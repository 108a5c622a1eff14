"""Clear-out: known tails, superposition without a model, the gate before a fit, refusals, virtual runs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.clearout.clock import UNSEEN_FLOW_U
from analysis.clearout.curve import far_curve
from analysis.clearout.edges import edges
from analysis.clearout.estimate import clear_out
from analysis.clearout.fit import fitted
from analysis.clearout.superpose import step_answer, superposed
from analysis.clearout.times import FarShare, NotCarriedError, falling_crossing, observed
from analysis.results import Estimate, Finding, Interval
from analysis.view import RunView
from benchmarks.residence import FOREIGN, VirtualRun, virtual_run

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


def _estimate(view: RunView) -> Estimate:
    """Return the clear-out estimate of a run."""
    return next(e for e in clear_out(view) if isinstance(e, Estimate))


def _findings(view: RunView) -> list[Finding]:
    """Return the findings of a run's clear-out."""
    return [f for f in clear_out(view) if isinstance(f, Finding)]


@pytest.mark.parametrize("shape", FOREIGN)
@pytest.mark.parametrize("short", [False, True])
def test_foreign_shapes_are_within_five_percent(shape: str, *, short: bool) -> None:
    """Six runs of a shape that no fit uses are each answered within 5 % or refused, at most one of them."""
    runs = [virtual_run(shape, 100 + seed, short=short) for seed in range(6)]
    said = [(_estimate(run.view), run.truth) for run in runs]

    answered = [(e, truth) for e, truth in said if e.value is not None]

    assert len(answered) >= 5
    assert max(abs((e.value or 0.0) / truth - 1.0) for e, truth in answered) < 0.05


@pytest.fixture(name="full", scope="module")
def _full() -> VirtualRun:
    """Return a run whose flush lasted."""
    return virtual_run("tanks and delay", 3, short=False)


@pytest.fixture(name="short", scope="module")
def _short() -> VirtualRun:
    """Return a run whose flush was cut short."""
    return virtual_run("tanks and delay", 3, short=True)


def test_short_flush_is_told_with_the_minutes_that_are_missing(short: VirtualRun) -> None:
    """A flush cut short is a finding whose value is about the time that was missing."""
    flushed = (short.view.run.end - short.view.run.injection.end).total_seconds()  # type: ignore[union-attr]

    (finding,) = _findings(short.view)

    assert finding.kind == "short flush"
    assert finding.value == pytest.approx(short.truth - flushed, abs=0.03 * short.truth)
    assert "min longer" in finding.advice


def test_long_flush_is_no_finding(full: VirtualRun) -> None:
    """A flush that lasted raises nothing."""
    assert _findings(full.view) == []


def test_interval_names_its_parts(full: VirtualRun) -> None:
    """The budget sums to one and names lag and clocks."""
    estimate = _estimate(full.view)

    assert sum(estimate.budget.values()) == pytest.approx(1.0)
    assert {"response time of the far sensor", "clocks", "base"} <= estimate.budget.keys()
    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.low < (estimate.value or 0.0) < estimate.high


def test_method_states_threshold_base_and_lag(full: VirtualRun) -> None:
    """The method says what clear means, what the base is and what was taken off."""
    method = _estimate(full.view).method

    assert "down to 5 % of the step" in method
    assert "base source delayed by" in method
    assert "for its response time of 3 to 12 s taken off" in method


def _with(view: RunView, **series: Any) -> RunView:
    """Return a view with some sensors' readings replaced, or left out where None."""
    merged = {**view.series, **series}
    return replace(view, series={name: s for name, s in merged.items() if s is not None})


def test_cells_that_differ_are_matched_on_the_source_water(full: VirtualRun) -> None:
    """A far cell that reads 4 % high gives the same clear-out within 2 s."""
    high = _with(full.view, end=full.view.series["end"] * 1.04)

    assert _estimate(high).value == pytest.approx(_estimate(full.view).value, abs=2.0)


def test_without_source_cell_the_mixed_cell_tells_the_water(full: VirtualRun) -> None:
    """The mixed cell's own water before and after the injection serves; the interval is wider and holds the truth."""
    alone, both = _estimate(_with(full.view, source=None)), _estimate(full.view)

    assert (alone.low or 0) < full.truth < (alone.high or 0)
    assert (alone.high or 0) - (alone.low or 0) > (both.high or 0) - (both.low or 0)


def test_far_cell_alone_is_refused(full: VirtualRun) -> None:
    """With nothing near the injector the end of the injection is not known, and the refusal says what would tell it."""
    alone = _with(full.view, source=None, mixed=None)

    assert "a stock meter or an EC cell after the injector would" in (_estimate(alone).reason or "")


def test_faulty_cell_is_refused(full: VirtualRun) -> None:
    """A far cell 30 % off on the same water is not matched but refused."""
    off = _with(full.view, end=full.view.series["end"] * 1.3)

    assert "clean and check both cells" in (_estimate(off).reason or "")


def test_no_step_is_refused(full: VirtualRun) -> None:
    """A far cell that never saw the injection has no step to judge by."""
    flat = _with(full.view, end=full.view.series["source"])

    assert "no step to judge by" in (_estimate(flat).reason or "")


def test_cell_lifted_out_is_cut_there(short: VirtualRun) -> None:
    """Readings of air after the rise are not taken for clean water."""
    end = short.view.series["end"]
    cut = int(len(end) * 0.97)
    lifted = pd.Series(np.where(np.arange(len(end)) >= cut, 0.01, end), end.index)

    estimate = _estimate(_with(short.view, end=lifted))

    assert estimate.method.startswith("superposed")
    assert estimate.value == pytest.approx(short.truth, rel=0.05)


def test_run_without_injection_says_nothing(full: VirtualRun) -> None:
    """A run of clear water has no clear-out."""
    clear = replace(full.view, run=replace(full.view.run, injection=None))

    assert list(clear_out(clear)) == []


def test_rough_injection_times_are_sharpened(full: VirtualRun) -> None:
    """Injection times that are 20 s off move the answer by less than a second: the cell tells the edges."""
    run = full.view.run
    assert run.injection is not None
    rough = Interval(run.injection.start - pd.Timedelta("20s"), run.injection.end + pd.Timedelta("20s"))

    moved = _estimate(replace(full.view, run=replace(run, injection=rough)))

    assert moved.value == pytest.approx(_estimate(full.view).value, abs=1.0)


def test_edges_are_told_within_their_uncertainty(full: VirtualRun) -> None:
    """The fitted edges lie within three standard uncertainties of the truth."""
    truth, found = full.view.run.injection, edges(full.view)
    assert truth is not None
    assert found is not None

    assert abs(found.start - truth.start.timestamp()) < 3.0 * found.start_u
    assert abs(found.end - truth.end.timestamp()) < 3.0 * found.end_u


def test_flow_that_nobody_measured_widens_the_answer(short: VirtualRun) -> None:
    """Without a meter the wander of the flow is assumed, and stands in the budget of a superposed answer."""
    assert far_curve(short.view, "end").far.pace_u == UNSEEN_FLOW_U
    assert _estimate(short.view).budget["flow"] > 0.0
