"""Clear-out of whole runs: within its interval on foreign shapes, refused where cells cannot carry it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.clearout.clock import UNSEEN_FLOW_U
from analysis.clearout.curve import far_curve
from analysis.clearout.edges import edges
from analysis.clearout.estimate import clear_out
from analysis.results import Estimate, Finding, Interval
from analysis.view import RunView
from benchmarks.residence import FOREIGN, VirtualRun, virtual_run

MEAN, SPREAD = 900.0, 0.12
"""Residence time of the pipes in these tests: mean [s] and relative spread of an inverse Gaussian."""


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
