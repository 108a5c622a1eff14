"""Clocks without receipts and slow sensors, told from the ends of runs and injections: planted, and clean."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest

from analysis.clocks.edges import RESPONSE, edge, edges
from analysis.clocks.slow import slow_sensors
from analysis.results import Feature, Interval, Run
from analysis.view import RunView, SeasonView
from benchmarks.edges import clocked, damped, found
from benchmarks.scenarios.sensors import lagged
from benchmarks.valve_plant import Plan
from tests.support.plain import MIDNIGHT, day, installation, on, sensor, series, zone

FOUR = Plan(days=14)
CELL = installation(
    zone("a"),
    sensor("feed", "conductivity", "mixed", "mS/cm", lag='["3 s", "5 s"]'),
    sensor("twin", "conductivity", "mixed", "mS/cm", lag='["3 s", "5 s"]'),
)


def test_sound_garden_is_silent() -> None:
    """A fortnight of runs with jitter, holes and slow valves tells nothing of clocks or lags."""
    assert found(FOUR) == []


@pytest.mark.parametrize("jump", [40.0, -120.0])
def test_clock_that_jumps_shows_at_both_ends_of_the_runs(jump: float) -> None:
    """Among four sensors the one whose clock jumped is named, by its size, with the day."""
    (said,) = found(FOUR, partial(clocked, name="gauge", jump=jump))

    assert (said.kind, said.sensor, said.severity) == ("clock fault", "gauge", "act")
    assert said.value == pytest.approx(jump, abs=15.0)
    assert abs(said.start - pd.Timestamp("2026-05-07", tz="UTC")) < pd.Timedelta("24h")


def test_of_two_sensors_which_is_wrong_stays_open() -> None:
    """Two sensors only tell that their clocks part."""
    plan = Plan(days=14, have=("head", "gauge", "gauges"))
    (said,) = found(plan, partial(clocked, name="gauge", rate=8.0))

    assert said.kind == "clock fault"
    assert said.sensor == "gauge"


def test_slow_sensor_is_no_clock() -> None:
    """A gauge that comes to answer in 40 s is late at both ends, and yet told as slow."""
    (said,) = found(FOUR, partial(damped, name="gauge", lag_s=40.0))

    assert (said.kind, said.sensor, said.severity) == ("sensor fault", "gauge", "act")
    assert said.value == pytest.approx(40.0, rel=0.25)


def _responses(lag_s: float, *, injections: int = 6, step_s: int = 10) -> list[Feature]:
    """Return what two cells at one point leave of injections, the first with a lag of its own."""
    features: list[Feature] = []
    rng = np.random.default_rng(3)
    for n in range(injections):
        start = MIDNIGHT + pd.Timedelta(days=n, hours=6)
        times = pd.date_range(start, periods=5400, freq="1s")
        fed = 0.5 + 1.6 * np.asarray(
            (times >= start + pd.Timedelta("25min")) & (times < start + pd.Timedelta("50min")), dtype=float
        )
        seen = {
            name: pd.Series(lagged(fed, lag, 1.0) + rng.normal(0.0, 0.003, 5400), times)[::step_s]
            for name, lag in (("feed", lag_s), ("twin", 4.0))
        }
        fed_in = Interval(start + pd.Timedelta("25min"), start + pd.Timedelta("50min"))
        run = Run(
            "a", start + pd.Timedelta("15min"), start + pd.Timedelta("65min"), None, None, injection=fed_in
        )
        features += edges(RunView(CELL, run, seen))
    return features


def _season(features: list[Feature]) -> SeasonView:
    return SeasonView(CELL, MIDNIGHT, MIDNIGHT + pd.Timedelta(days=9), (), (), (), tuple(features))


@pytest.mark.parametrize("lag_s", [20.0, 60.0])
def test_slow_cell_is_told_beside_its_twin(lag_s: float) -> None:
    """From 20 s on, with 5 s described and readings every 10 s, a cell is slow that its twin is not."""
    (said,) = slow_sensors(_season(_responses(lag_s)))

    assert (said.kind, said.sensor, said.severity, said.unit) == ("sensor fault", "feed", "act", "s")
    assert said.value == pytest.approx(lag_s, rel=0.3)


def test_cell_within_its_lag_is_not_told() -> None:
    """A cell as quick as described, and one of twice its lag that the interval hides, are left alone."""
    assert slow_sensors(_season(_responses(4.0))) == []
    assert slow_sensors(_season(_responses(9.0))) == []


def test_few_injections_tell_nothing() -> None:
    """Four runs are not enough for a verdict."""
    assert slow_sensors(_season(_responses(60.0, injections=4))) == []


def test_response_is_that_of_a_first_order_sensor() -> None:
    """The rise of a known lag gives it back within the readings' interval."""
    times = day(1.0)
    fine = pd.date_range(MIDNIGHT, periods=3600, freq="1s")
    stepped = pd.Series(lagged((np.arange(3600) >= 1800).astype(float), 60.0, 1.0), fine)[times]
    seen = edge(stepped, MIDNIGHT + pd.Timedelta("30min"), (0.0, 1.0), 10.0)

    assert seen is not None
    assert seen.response == pytest.approx(60.0, abs=5.0)


def test_edge_in_a_hole_is_not_timed() -> None:
    """Readings that are missing at the edge leave no instant."""
    times = day(1.0)
    step = series(on(times, 0.5, 1.0), times)
    holed = step[
        (step.index < MIDNIGHT + pd.Timedelta("28min")) | (step.index > MIDNIGHT + pd.Timedelta("31min"))
    ]

    assert edge(holed, MIDNIGHT + pd.Timedelta("30min"), (0.0, 1.0), 10.0) is None


def test_response_has_its_name() -> None:
    """What is left for the season is the response alone for cells, which have no edge of a run."""
    assert {f.name for f in _responses(4.0, injections=1)} == {RESPONSE}
