"""Travel and clear-out from the pipes alone: measured flow, bounds that hold, descriptions that contradict."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from analysis.clearout.estimate import clear_out
from analysis.clearout.pipes import laminar_tail, predicted
from analysis.hydraulics.travel_estimate import pipe_travel, travel_in_pipes
from analysis.results import Estimate, Finding, Interval, Run
from analysis.view import RunView
from ingest.installation import Installation

if TYPE_CHECKING:
    from collections.abc import Sequence

START = pd.Timestamp("2026-05-04T06:00Z")


def _view(
    *, flow: float | None = 850.0, exponent: float = 0.5, minutes: float = 60.0, **zone: Any
) -> RunView:
    """Return a run of 400 emitters of 2 L/h, injected from minute 10 to 30; without a far cell."""
    table = {
        "emitters": [{"count": 400, "flow": "2 L/h", "exponent": exponent}],
        "main": [{"length": "30 m", "diameter": "28 mm"}],
        "manifold": {"length": "10 m", "diameter": "23 mm"},
        "laterals": {"count": 10, "length": "12 m", "diameter": "12 mm", "spacing": "0.3 m"},
    } | zone
    meter = {
        "quantity": "flow",
        "point": "mixed",
        "unit": "L/h",
        "accuracy": "2 %",
        "source": {"csv": "flow"},
    }
    installation = Installation.model_validate(
        {
            "name": "Pipes",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {"z": {name: value for name, value in table.items() if value is not None}},
            "sensor": {"meter": meter},
        }
    )
    times = pd.date_range(START, periods=int(6 * minutes), freq="10s")
    series = {} if flow is None else {"meter": pd.Series(flow, times)}
    injection = Interval(START + pd.Timedelta("10min"), START + pd.Timedelta("30min"))
    run = Run("z", START, START + pd.Timedelta(minutes=minutes), None, flow, injection)
    return RunView(installation, run, series)


def _estimate(said: Sequence[Any]) -> Estimate:
    """Return the first estimate."""
    return next(e for e in said if isinstance(e, Estimate))


def test_measured_flow_sets_the_travel_time() -> None:
    """A tenth more measured flow makes the travel time a tenth shorter, near enough."""
    slow, fast = (_estimate(travel_in_pipes(_view(flow=q))).value for q in (800.0, 880.0))

    assert slow is not None
    assert fast == pytest.approx(slow / 1.1, rel=2e-3)


def test_compensating_emitters_take_the_measured_flow() -> None:
    """Emitters that hold their flow leave no pressure for the measured flow; the split is scaled to it."""
    rated = _estimate(travel_in_pipes(_view(flow=800.0, exponent=0.0))).value
    less = _estimate(travel_in_pipes(_view(flow=720.0, exponent=0.0))).value

    assert rated is not None
    assert less == pytest.approx(rated / 0.9, rel=1e-6)


def test_interval_is_wider_without_a_meter() -> None:
    """Rated flow stands in for measured flow with a wider interval, and the method says so."""
    measured, rated = (_estimate(travel_in_pipes(_view(flow=q))) for q in (850.0, None))

    assert "no meter saw the run" in rated.method
    assert (rated.high or 0) - (rated.low or 0) > (measured.high or 0) - (measured.low or 0)
    assert sum(measured.budget.values()) == pytest.approx(1.0)


def test_pipes_that_contradict_each_other_are_refused() -> None:
    """Emitters that do not fit the laterals give a refusal that names the numbers."""
    said = _estimate(travel_in_pipes(_view(emitters=[{"count": 150, "flow": "2 L/h"}])))

    assert said.status == "refused"
    assert "150 emitters on 10 laterals" in (said.reason or "")


def test_pipes_that_are_not_described_are_not_estimated() -> None:
    """A zone without laterals says nothing of travel."""
    assert list(travel_in_pipes(_view(laterals=None))) == []


def test_laminar_pipe_holds_back_what_theory_says() -> None:
    """An undisturbed laminar pipe is clear to 5 % after 2.24 mean residence times, and loses no water."""
    t = np.arange(0.0, 4000.0, 0.01)
    left = laminar_tail(t, 1.0)

    assert t[np.flatnonzero(left > 0.05)[-1]] == pytest.approx(1.0 / (2.0 * np.sqrt(0.05)), abs=0.02)
    assert np.trapezoid(left, t) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("level", [0.01, 0.05, 0.2])
def test_prediction_lies_between_plug_and_laminar_flow(level: float) -> None:
    """The prediction lies above the travel time and below the bound of flow that nothing stirs."""
    pipes = pipe_travel(_view())

    found = predicted(pipes, level)

    assert found.low < pipes.times.last <= found.seconds < found.high
    assert 0.5 < found.laminar < 1.0


def test_lower_threshold_takes_longer() -> None:
    """Clear to 1 % takes longer than to 5 %, and that longer than to 20 %."""
    pipes = pipe_travel(_view())

    ordered = [predicted(pipes, level).seconds for level in (0.2, 0.05, 0.01)]

    assert ordered == sorted(ordered)


def test_zone_without_far_cell_gets_the_prediction() -> None:
    """Without a cell in the zone the clear-out is predicted, and the method names both bounds."""
    said = _estimate(clear_out(_view()))

    assert said.method.startswith("predicted from the pipes")
    assert "plug flow" in said.method
    assert said.sensors == ("meter",)


def test_predicted_clear_out_is_told_as_short_only_where_plug_flow_is_too_short() -> None:
    """A flush shorter than any mixing allows is a finding; one inside the interval is not."""
    estimate = _estimate(clear_out(_view()))
    assert estimate.low is not None
    surely, perhaps = (30.0 + s / 60.0 for s in (0.7 * estimate.low, 1.05 * estimate.low))

    told = [[f for f in clear_out(_view(minutes=m)) if isinstance(f, Finding)] for m in (surely, perhaps)]

    assert [len(found) for found in told] == [1, 0]
    assert "min longer" in told[0][0].advice


def test_run_that_still_goes_on_is_not_called_short() -> None:
    """While water still flows, nothing is missing yet."""
    view = _view(minutes=31.0)
    going = replace(view, run=replace(view.run, complete=False))

    assert not [f for f in clear_out(going) if isinstance(f, Finding)]
