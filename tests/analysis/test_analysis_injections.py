"""Injections are told from the stock's meter or from EC; clean water has none."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.results import Interval
from analysis.runs.injections import Injected, injection_of
from tests.support.plain import MIDNIGHT, PUMP, day, installation, on, sensor, series, zone

TANK = """
[injector.pump]
kind = "displacement tank"
tank_volume = "60 L"
[stock.A]
injector = "pump"
nutrients = { N = "20 g/L" }
dilutions = [["water", "0.50 mS/cm"], ["1:200", "1.33 mS/cm"], ["1:50", "3.68 mS/cm"], ["1:20", "8.00 mS/cm"]]
"""
MIXED = sensor("feed", "conductivity", "mixed", "mS/cm", lag='["4 s", "6 s"]')
SOURCE = sensor("water", "conductivity", "source", "mS/cm")
FAR = sensor("far", "conductivity", "lateral end", "mS/cm", zone='"a"')
STOCK = sensor("stock", "flow", "stock", "L/h", injector='"pump"', range='["0 L/h", "30 L/h"]')
RUN = Interval(MIDNIGHT + pd.Timedelta("6h"), MIDNIGHT + pd.Timedelta("7h"))


def _noisy(values: np.ndarray, seed: int = 1) -> pd.Series:
    """Return EC readings with the noise of a cell. [mS/cm]"""
    times = day()
    return series(values + np.random.default_rng(seed).normal(0, 0.003, len(times)), times)


def _ends(found: Injected) -> tuple[float, float]:
    """Return the ends of what was injected as minutes after the run's start."""
    start, end = found.interval.start - RUN.start, found.interval.end - RUN.start
    return start.total_seconds() / 60, end.total_seconds() / 60


def test_stock_meter_is_preferred() -> None:
    """Where a stock meter has readings it tells, whatever EC does."""
    plain = installation(PUMP, zone("a"), MIXED, STOCK)
    times = day()
    readings = {
        "stock": series(10.0 * on(times, 6.25, 6.75), times),
        "feed": _noisy(np.full(len(times), 0.5)),
    }

    found = injection_of(plain, "a", RUN, readings)

    assert found is not None
    assert found.by == ("stock",)
    assert _ends(found) == pytest.approx((15.0, 45.0), abs=0.1)


def test_stock_meter_tells_without_an_injector_described() -> None:
    """A meter on the stock's line tells also where nobody has described what drives the stock."""
    plain = installation(zone("a"), sensor("stock", "flow", "stock", "L/h"))
    times = day()

    found = injection_of(plain, "a", RUN, {"stock": series(10.0 * on(times, 6.25, 6.75), times)})

    assert found is not None
    assert _ends(found) == pytest.approx((15.0, 45.0), abs=0.1)


def test_strokes_of_a_pump_are_one_injection() -> None:
    """A metering pump that strokes once in two minutes injects all along, not sixty times."""
    plain = installation(PUMP, zone("a"), STOCK)
    times = day()
    strokes = on(times, 6.25, 6.75) * (np.arange(len(times)) % 12 == 0)

    found = injection_of(plain, "a", RUN, {"stock": series(25.0 * strokes, times)})

    assert found is not None
    assert _ends(found) == pytest.approx((15.0, 45.0), abs=2.1)


@pytest.mark.parametrize("pulses", [100.0, 10.0])
def test_stock_register(pulses: float) -> None:
    """A register of pulses on the stock line tells the injection within a minute, though it ticks slowly."""
    counter = sensor("dose", "volume", "stock", "count", injector='"pump"', pulses_per_litre=str(pulses))
    plain = installation(PUMP, zone("a"), counter)
    litres = np.cumsum(on(day(), 6.25, 6.75)) * 10.0 * 10 / 3600

    found = injection_of(plain, "a", RUN, {"dose": series(np.floor(litres * pulses) / pulses)})

    assert found is not None
    assert _ends(found) == pytest.approx((15.0, 45.0), abs=1.0)


def test_silent_stock_meter_means_none() -> None:
    """A stock meter that reads nothing all through the run says that nothing entered."""
    plain = installation(PUMP, zone("a"), STOCK, MIXED)
    times = day()
    readings = {"stock": series(np.zeros(len(times)), times), "feed": _noisy(np.full(len(times), 0.5))}

    assert injection_of(plain, "a", RUN, readings) is None


@pytest.mark.parametrize("source", [True, False], ids=["with source EC", "without"])
def test_step_of_the_feed(source: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """A step at the mixed cell is an injection, its ends at half height less the cell's lag."""
    plain = installation(PUMP, zone("a"), MIXED, *([SOURCE] if source else []))
    times = day()
    drift = 0.5 + 0.02 * np.sin(np.arange(len(times)) / 500)
    readings = {"feed": _noisy(drift + 1.6 * on(times, 6.25, 6.75)), "water": _noisy(drift, 2)}
    if not source:
        del readings["water"]

    found = injection_of(plain, "a", RUN, readings)

    assert found is not None
    assert found.by == (("feed", "water") if source else ("feed",))
    assert _ends(found) == pytest.approx((15.0 - 10 / 60, 45.0 - 10 / 60), abs=0.1)


def test_stock_all_through_the_run() -> None:
    """Feed from the first to the last minute is told by the water of the dilution curve."""
    plain = installation(PUMP, zone("a"), MIXED)
    times = day()

    found = injection_of(plain, "a", RUN, {"feed": _noisy(0.5 + 1.6 * on(times, 5.9, 7.1))})

    assert found is not None
    assert "dilution curve" in found.how
    assert _ends(found) == pytest.approx((0.0, 60.0), abs=0.3)


@pytest.mark.parametrize("seed", range(8))
def test_clean_water_has_no_injection(seed: int) -> None:
    """Water alone, its EC wandering by 3 % within the run, shows no injection, with and without a source."""
    times = day()
    drift = 0.5 * (1 + 0.015 * np.sin(np.arange(len(times)) / 60 + seed))
    readings = {"feed": _noisy(drift, seed), "water": _noisy(drift, seed + 100)}

    for tables in ([MIXED, SOURCE], [MIXED]):
        plain = installation(PUMP, zone("a"), *tables)
        assert injection_of(plain, "a", RUN, {n: readings[n] for n in plain.sensor}) is None


def test_decaying_tank_ends_where_it_is_shut() -> None:
    """A displacement tank's feed falls all along; its end is where the tank is shut, not where half is gone."""
    plain = installation(TANK, zone("a"), MIXED)
    times = day()
    hours = (times - MIDNIGHT).total_seconds().to_numpy() / 3600
    strength = 6.0 * np.exp(-(hours - 6.1) / 0.2) * on(times, 6.1, 6.8)

    found = injection_of(plain, "a", RUN, {"feed": _noisy(0.5 + strength)})

    assert found is not None
    assert _ends(found) == pytest.approx((6.0 - 10 / 60, 48.0 - 10 / 60), abs=0.3)


def test_feed_left_from_the_run_before_is_not_this_runs() -> None:
    """A far cell that still holds old feed, then runs clean, then sees this run's: only the last counts."""
    plain = installation(PUMP, zone("a"), FAR, SOURCE)
    times = day()
    far = _noisy(0.5 + 1.6 * (on(times, 5.0, 6.15) + on(times, 6.5, 6.9)))

    found = injection_of(plain, "a", RUN, {"far": far, "water": _noisy(np.full(len(times), 0.5), 2)})

    assert found is not None
    assert _ends(found) == pytest.approx((30.0, 54.0), abs=0.3)


def test_near_cell_is_preferred_to_the_far_one() -> None:
    """The injection is when stock enters, so the cell next to the injector tells it."""
    plain = installation(PUMP, zone("a"), FAR, MIXED)
    times = day()
    readings = {
        "far": _noisy(0.5 + 1.6 * on(times, 6.4, 6.9)),
        "feed": _noisy(0.5 + 1.6 * on(times, 6.25, 6.75)),
    }

    found = injection_of(plain, "a", RUN, readings)

    assert found is not None
    assert found.by == ("feed",)


def test_no_sensor_no_injection() -> None:
    """Without a stock meter or a cell after the injector nothing is told."""
    plain = installation(PUMP, zone("a"), SOURCE)

    assert injection_of(plain, "a", RUN, {"water": _noisy(np.full(8640, 0.5))}) is None
