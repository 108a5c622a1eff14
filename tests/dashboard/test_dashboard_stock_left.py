"""How long the stock lasts: told from use and level, or refused with what is missing."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from analysis.results import Estimate, Interval, Results, Run
from dashboard.snapshot import SensorState, Snapshot
from dashboard.stock_left import a_day, open_tank, pressure_tank
from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")
TANK = {
    "name": "Test Beds",
    "timezone": "Europe/Lisbon",
    "supply": {"kind": "potable", "backflow_preventer": "reduced pressure"},
    "injector": {
        "pump": {"kind": "proportional pump", "ratio": "1:100", "tank_area": "0.1 m2"},
        "tank": {"kind": "displacement tank", "tank_volume": "6 L"},
    },
    "zone": {"bed": {"injector": "pump"}, "border": {"injector": "tank"}},
    "sensor": {
        "level": {
            "quantity": "level",
            "point": "stock",
            "unit": "mm",
            "injector": "pump",
            "source": {"csv": "level"},
        }
    },
}


def _estimate(quantity: str, zone: str, start: pd.Timestamp, value: float, unit: str) -> Estimate:
    return Estimate(quantity, zone, start, value, unit, value * 0.9, value * 1.1, "measured", ())


def _results(zone: str, extra: tuple[Estimate, ...] = (), days: int = 4) -> Results:
    """Return one run of 1.5 L of stock a day, the last of them an hour ago."""
    starts = [NOW - pd.Timedelta(days=k, hours=1) for k in range(days, -1, -1)]
    minutes = pd.Timedelta(minutes=20)
    runs = tuple(Run(zone, s, s + minutes, 300.0, 900.0, Interval(s, s + minutes / 2)) for s in starts)
    used = tuple(_estimate("stock volume", zone, s, 1.5, "L") for s in starts)
    return Results("Test Beds", NOW - pd.Timedelta(days=7), NOW, "test", runs, (*used, *extra), ())


def _snapshot(results: Results, freshness: str = "fresh") -> Snapshot:
    state = SensorState("level", NOW, 300.0, 1, freshness)  # type: ignore[arg-type]  # one of the four
    return Snapshot(NOW, {"level": state}, results)


@pytest.fixture
def installation() -> Installation:
    """Return a pump with an open tank of 0.1 m2, and a displacement tank."""
    return Installation.model_validate(TANK)


def test_use_is_the_stock_of_all_runs_over_their_time() -> None:
    """Five runs of 1.5 L in 4 days and an hour are 1.86 L a day."""
    assert a_day(_results("bed"), ["bed"]) == pytest.approx(5 * 1.5 / (4 + 1 / 24))


def test_use_is_not_told_from_a_day_or_with_a_run_unknown() -> None:
    """Less than two days of runs, or one run whose stock nobody knows, give no use a day."""
    whole = _results("bed")
    unknown = replace(whole, estimates=whole.estimates[1:])

    assert a_day(_results("bed", days=1), ["bed"]) is None
    assert a_day(unknown, ["bed"]) is None


def test_open_tank_empties_when_level_and_use_say(installation: Installation) -> None:
    """300 mm on 0.1 m2 are 30 L, which at 1.86 L a day last 16.2 days."""
    found = open_tank(installation, _snapshot(_results("bed")), "pump", NOW)

    assert found.left_l == pytest.approx(30.0)
    assert found.empty is not None
    assert (found.empty - NOW) / pd.Timedelta(days=1) == pytest.approx(30.0 / (7.5 / (4 + 1 / 24)))


def test_open_tank_without_a_living_level_has_no_forecast(installation: Installation) -> None:
    """A silent level sensor, or a tank without its cross-section, is told as what is missing."""
    silent = open_tank(installation, _snapshot(_results("bed"), "silent"), "pump", NOW)
    text = {**TANK, "injector": {**TANK["injector"], "pump": {"kind": "proportional pump", "ratio": "1:100"}}}  # type: ignore[dict-item]
    bare = open_tank(Installation.model_validate(text), _snapshot(_results("bed")), "pump", NOW)

    assert (silent.empty, silent.reason) == (None, "head.level_silent")
    assert (bare.empty, bare.reason) == (None, "head.area_unknown")


@pytest.mark.parametrize(("water_l", "refill"), [(100.0, True), (200.0, False)])
def test_displacement_tank_asks_for_a_refill_before_it_falls_short(
    installation: Installation, water_l: float, *, refill: bool
) -> None:
    """Ten minutes of feeding at 900 L/h take 150 L: 100 L to depletion ask for a refill, 200 L do not."""
    start = NOW - pd.Timedelta(hours=1)
    extra = (_estimate("water to depletion", "border", start, water_l, "L"),)
    found = pressure_tank(installation, _snapshot(_results("border", extra)), "tank")

    assert found is not None
    assert found.fed_l == pytest.approx(150.0)
    assert found.refill is refill
