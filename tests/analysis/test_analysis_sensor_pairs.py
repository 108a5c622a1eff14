"""Pulses that are lost, meters that contradict each other, cells out of the water: planted, and clean."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from analysis.diagnosis.features import STEADY
from analysis.meter_pairs import meters_apart
from analysis.pipeline import analyse
from analysis.results import Feature
from analysis.view import SeasonView
from benchmarks.valve_plant import START, Plan, installation_of, readings
from ingest.installation import Installation
from tests.analysis.conftest import Garden, grown
from tests.support.plain import MIDNIGHT, frame

if TYPE_CHECKING:
    from analysis.results import Finding

PAIR = ("valves", "meters", "register", "gauge")
DAILY = tuple(("a", 24.0 * d + 6.0, 24.0 * d + 7.0, 24.0 * d + 6.2, 24.0 * d + 6.6) for d in range(5))


def _lossy(plan: Plan, share: float, days: range) -> list[Finding]:
    """Return sensor faults of a garden whose register loses a share of its pulses on some days."""
    sent, system = readings(plan), installation_of(plan)
    counted = sent["head"]
    steps = np.diff(counted.to_numpy(), prepend=counted.iloc[0])
    day = np.asarray((pd.DatetimeIndex(counted.index) - START).days)
    rng = np.random.default_rng(8)
    steps[(rng.random(steps.size) < share) & np.isin(day, list(days))] = 0.0
    sent["head"] = pd.Series(counted.iloc[0] + np.cumsum(steps), counted.index, name="head")
    said = analyse(system, frame(sent), START, START + pd.Timedelta(days=plan.days)).findings
    return [f for f in said if f.kind == "sensor fault"]


def test_register_that_counts_every_pulse_is_silent() -> None:
    """A register of 10 L a pulse beside meters in the zones agrees within what pulses and accuracies make."""
    assert _lossy(Plan(days=6, have=PAIR), 0.0, range(6)) == []


def test_lost_pulses_are_told_of_the_register() -> None:
    """A register that loses a third of its pulses from the first day on is the one that is named."""
    (said,) = _lossy(Plan(days=6, have=PAIR), 0.33, range(6))

    assert (said.sensor, said.severity) == ("head", "act")
    assert said.value == pytest.approx(-0.33, abs=0.08)


def test_pulses_lost_now_and_then_are_told() -> None:
    """Three days of loss among ten are told as such, to watch."""
    (said,) = _lossy(Plan(days=8, have=PAIR), 0.5, range(3, 5))

    assert (said.sensor, said.severity) == ("head", "watch")
    assert "now and then" in said.evidence


def _meters(*names: str) -> Installation:
    """Return an installation with flow meters of 2 % at one point."""
    meter: dict[str, Any] = {"quantity": "flow", "point": "source", "unit": "L/h", "accuracy": "2 %"}
    return Installation.model_validate(
        {
            "name": "Invented",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {"z": {}},
            "sensor": {n: {**meter, "source": {"csv": n}} for n in names},
        }
    )


def _season(days: int, **gains: np.ndarray) -> SeasonView:
    """Return a season of steady flows of 1000 L/h by meters of these gains, with their noise."""
    rng = np.random.default_rng(5)
    starts = pd.date_range(MIDNIGHT, periods=days, freq="D")
    features = [
        Feature(STEADY["flow"], "z", at, 1000.0 * float(g) * (1 + 0.003 * float(rng.normal())), 1.0, (name,))
        for name, gain in gains.items()
        for at, g in zip(starts, gain, strict=True)
    ]
    return SeasonView(
        _meters(*gains), MIDNIGHT, MIDNIGHT + pd.Timedelta(days=days), (), (), (), tuple(features)
    )


def test_meters_within_their_accuracy_are_silent() -> None:
    """Two meters of 2 % may differ by 4 %, and by 3 % of what lies between them."""
    assert meters_apart(_season(30, one=np.full(30, 0.98), two=np.full(30, 1.02))) == []


def test_third_meter_tells_which_is_wrong() -> None:
    """Of three meters the one that differs from both others is named."""
    (said,) = meters_apart(_season(10, one=np.ones(10), two=np.full(10, 1.15), three=np.ones(10)))

    assert (said.sensor, said.severity) == ("two", "act")
    assert said.value == pytest.approx(0.15, abs=0.01)


def test_of_two_meters_none_is_named() -> None:
    """Two meters only tell that they differ."""
    (said,) = meters_apart(_season(10, one=np.ones(10), two=np.full(10, 1.15)))

    assert said.severity == "watch"
    assert "do not decide" in said.evidence


def test_pair_that_parts_later_is_left_to_the_diagnosis() -> None:
    """After a baseline of agreement a drift is the diagnosis' to name."""
    gain = np.where(np.arange(60) < 40, 1.0, 1.15)

    assert meters_apart(_season(60, one=np.ones(60), two=gain)) == []


def _dried(garden: Garden, days: range, *, minutes: float = 30.0) -> list[Finding]:
    """Return sensor faults where the feed's cell reads air in the runs of some days."""
    feed = garden.readings["feed"].copy()
    for n in days:
        start = MIDNIGHT + pd.Timedelta(days=n, hours=6, minutes=10)
        feed.loc[start : start + pd.Timedelta(minutes=minutes)] = 0.004
    said = analyse(
        garden.installation, frame({**garden.readings, "feed": feed}), MIDNIGHT, garden.end
    ).findings
    return [f for f in said if f.kind == "sensor fault"]


@pytest.fixture(scope="module")
def daily() -> Garden:
    """Return a garden with one run a day."""
    return grown(DAILY, 120.0)


def test_cell_in_water_is_silent(daily: Garden) -> None:
    """Five runs with sound cells, and a bubble of two minutes, make no finding."""
    assert _dried(daily, range(0)) == []
    assert _dried(daily, range(1, 2), minutes=2.0) == []


def test_cell_out_of_the_water_is_told_from_the_first_run(daily: Garden) -> None:
    """One run is to watch; from the second on it is to be acted on, as one finding."""
    (first,) = _dried(daily, range(1, 2))
    (more,) = _dried(daily, range(1, 4))

    assert (first.sensor, first.severity) == ("feed", "watch")
    assert (more.sensor, more.severity) == ("feed", "act")
    assert "so in 3 runs" in more.evidence
    assert first.value == pytest.approx(1800.0, abs=30.0)
