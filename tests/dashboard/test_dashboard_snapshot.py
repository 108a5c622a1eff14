"""What is known at one moment, and how sure the screen may be of it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from analysis.results import Estimate, Finding, Results, Run
from dashboard.cases import Case
from dashboard.snapshot import (
    SensorState,
    Snapshot,
    freshness,
    is_running,
    last_estimates,
    ordered,
    period_estimates,
    sensor_states,
)
from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")


def minutes(number: float) -> pd.Timedelta:
    """Return a duration."""
    return pd.Timedelta(minutes=number)


def results(*runs: Run, estimates: tuple[Estimate, ...] = ()) -> Results:
    """Return results that end now."""
    return Results("x", NOW - minutes(600), NOW, "0", runs, estimates, ())


def estimate(start: pd.Timestamp, value: float, nutrient: str | None = None) -> Estimate:
    """Return a dose of one run of bench1."""
    return Estimate(
        "nutrient dose", "bench1", start, value, "g", value, value, "by hand", (), nutrient=nutrient
    )


@pytest.mark.parametrize(
    ("age", "interval", "word"),
    [
        (None, 10, "never"),
        (14, 1, "fresh"),
        (29, 10, "fresh"),
        (31, 10, "late"),
        (121, 10, "silent"),
        (500, 3600, "fresh"),
    ],
)
def test_freshness_goes_by_the_sensors_interval(age: float | None, interval: float, word: str) -> None:
    """What is late for a sensor of ten seconds is fresh for one of an hour."""
    assert freshness(age, interval) == word


def test_sensor_states_cover_every_described_sensor(installation: Installation) -> None:
    """A sensor that never sent stands in the list as such; one that is not described does not."""
    latest = pd.DataFrame(
        {
            "time": [NOW, NOW],
            "sensor": ["feed_ec", "stranger"],
            "value": [2.0, 1.0],
            "quality": [1, 1],
            "received": [NOW, NOW],
        }
    )

    states = sensor_states(installation, latest, NOW + pd.Timedelta(seconds=5))

    assert set(states) == set(installation.sensor)
    assert states["feed_ec"].freshness == "fresh"
    assert states["head_flow"].freshness == "never"


def test_is_running_goes_by_the_valve(installation: Installation) -> None:
    """An open valve runs, a shut one does not, and one that is not heard of is not known."""
    for value, fresh, said in ((1.0, "fresh", True), (0.0, "fresh", False), (1.0, "silent", None)):
        state = SensorState("bench1_valve", NOW, value, 1, fresh)  # type: ignore[arg-type]  # words of the table above
        assert is_running(Snapshot(NOW, {"bench1_valve": state}), installation, "bench1") is said


def test_is_running_without_a_valve_goes_by_the_last_run(installation: Installation) -> None:
    """Without a valve sensor, a run that reaches the end of fresh results has not ended."""
    going = results(Run("bench1", NOW - minutes(20), NOW - minutes(0.5), None, None))

    assert is_running(Snapshot(NOW, {}, going), installation, "bench1") is True
    assert is_running(Snapshot(NOW, {}, results()), installation, "bench1") is False
    assert is_running(Snapshot(NOW + minutes(30), {}, going), installation, "bench1") is None


def test_last_estimates_are_of_one_run() -> None:
    """What only an older run tells is left out: it would stand under the wrong run."""
    old, new = NOW - minutes(300), NOW - minutes(60)
    found = last_estimates(
        results(estimates=(estimate(new, 2, "N"), estimate(old, 1, "N"), estimate(old, 3, "K2O"))), "bench1"
    )

    assert {(e.nutrient, e.value) for e in found} == {("N", 2)}


def test_last_estimates_leave_out_a_run_that_goes_on() -> None:
    """While water runs, the numbers shown are those of the run before; they are whole."""
    old, new = NOW - minutes(300), NOW - minutes(5)
    going = Run("bench1", new, NOW, 10.0, None, None, complete=False)
    found = last_estimates(results(going, estimates=(estimate(old, 1, "N"), estimate(new, 2, "N"))), "bench1")

    assert [e.value for e in found] == [1]


def test_numbers_of_a_week_never_stand_under_a_run() -> None:
    """A week's sum is kept apart from the last run's dose, though both are doses of N."""
    told = results(
        estimates=(estimate(NOW - minutes(60), 2, "N"), replace(estimate(NOW, 8, "N"), run_start=None))
    )

    assert [e.value for e in last_estimates(told, "bench1")] == [2]
    assert [e.value for e in period_estimates(told, "bench1")] == [8]


def test_findings_stand_worst_first_then_newest() -> None:
    """Stop stands above act above watch, and among equals the newest first."""

    def case(severity: str, end: pd.Timestamp) -> Case:
        found = Finding("leak", "a", None, end - minutes(1), end, severity, None, None, "", (), "")  # type: ignore[arg-type]  # words of the list below
        return Case("x", found, current=True)

    early = NOW - minutes(60)
    found = ordered([case("watch", NOW), case("act", early), case("stop", early), case("act", NOW)])

    assert [(c.finding.severity, c.finding.end) for c in found] == [
        ("stop", early),
        ("act", NOW),
        ("act", early),
        ("watch", NOW),
    ]
