"""Flags follow the primary scheme, keep what the door said, and spare healthy sensors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.quality.flags import flag, flag_dry, flag_stuck, noise
from analysis.quality.gaps import coverage, longest_gap_s
from analysis.quality.limits import limits_of
from analysis.results import Interval
from ingest.installation import Sensor
from ingest.readings import Quality
from tests.support import neon
from tests.support.plain import day, on, series


def _sensor(quantity: str, unit: str, **keys: object) -> Sensor:
    """Return a sensor of a quantity that sends every 10 s."""
    given = {"point": "mixed", "source": {"csv": "x"}, "interval": "10 s", **keys}
    return Sensor.model_validate({"quantity": quantity, "unit": unit, **given})


def _flags(readings: pd.Series, sensor: Sensor, stored: int = Quality.GOOD) -> pd.Series:
    """Return the flags of readings that the door called all alike."""
    return flag(readings, pd.Series(stored, readings.index), limits_of(sensor))


@pytest.mark.parametrize(
    ("stored", "expected"),
    [
        (Quality.GOOD, Quality.GOOD),
        (Quality.NOT_EVALUATED, Quality.GOOD),
        (Quality.SUSPECT, Quality.SUSPECT),
        (Quality.BAD, Quality.BAD),
        (Quality.MISSING, Quality.MISSING),
    ],
)
def test_what_the_door_said_stays(stored: Quality, expected: Quality) -> None:
    """A reading called suspect, bad or missing at the door stays so; the others are judged here."""
    readings = series(np.full(20, 300.0))

    assert _flags(readings, _sensor("pressure", "kPa"), stored).unique().tolist() == [expected]


def test_outside_the_range_is_bad_but_its_error_is_allowed() -> None:
    """A reading beyond the range by no more than the sensor's error passes; farther out it is bad."""
    sensor = _sensor("pressure", "kPa", range=["0 kPa", "600 kPa"], accuracy="1 % of 600 kPa")

    assert _flags(series([-5.0, -7.0, 605.0, 607.0]), sensor).tolist() == [1, 4, 1, 4]


def test_missing_is_missing() -> None:
    """A missing value is flagged 9, never good."""
    assert _flags(series([1.0, np.nan]), _sensor("flow", "L/h")).tolist() == [1, 9]


def test_flow_that_starts_and_stops_is_good() -> None:
    """Valves that open and close at once make steps in flow and pressure, which are all good."""
    times = day(6)
    running = on(times, 1, 2) + on(times, 3, 3.5)
    rng = np.random.default_rng(2)
    flow = series(800.0 * running * (1 + 0.003 * rng.standard_normal(len(times))), times)
    pressure = series(300.0 - 60.0 * running + rng.normal(0, 0.4, len(times)), times)

    assert (_flags(flow, _sensor("flow", "L/h", accuracy="2 %")) == Quality.GOOD).all()
    assert (_flags(pressure, _sensor("pressure", "kPa")) == Quality.GOOD).all()


def test_injection_is_good_and_a_bubble_in_it_is_not() -> None:
    """Of an injection with an air bubble at the cell only the bubble is suspect."""
    times = day(2)
    values = 0.5 + 1.6 * on(times, 0.5, 1.2) + np.random.default_rng(3).normal(0, 0.004, len(times))
    values[300] = 0.9

    flags = _flags(series(values, times), _sensor("conductivity", "mS/cm", accuracy="1 %"))

    assert np.flatnonzero(flags != Quality.GOOD).tolist() == [300]
    assert flags.iloc[300] == Quality.SUSPECT


def test_top_of_a_tank_s_pulse_is_good_and_a_spike_on_it_is_not() -> None:
    """The feed of a displacement tank rises at once and falls at once: that is no spike, but one reading far beyond it is."""
    times = day(3)
    since = (np.arange(len(times)) - 360.0) * 10.0
    values = 0.47 + np.where(
        since >= 0, 5.0 * np.exp(-since / 500.0) * (1 - np.exp(-(since + 5.0) / 8.0)), 0.0
    )
    values += np.random.default_rng(7).normal(0, 0.002, len(times))
    clean = _flags(series(values, times), _sensor("conductivity", "mS/cm", accuracy="1 %"))
    values[380] += 1.5
    planted = _flags(series(values, times), _sensor("conductivity", "mS/cm", accuracy="1 %"))

    assert (clean == Quality.GOOD).all()
    assert np.flatnonzero(planted != Quality.GOOD).tolist() == [380]


def test_register_that_ticks_and_rolls_over_is_good() -> None:
    """A pulse meter's register that steps, stands and rolls over is read as it is."""
    ticks = series(np.repeat(np.arange(9800.0, 10200.0) % 10000.0, 4))

    assert (_flags(ticks, _sensor("volume", "count", pulses_per_litre=1)) == Quality.GOOD).all()


def test_water_cannot_warm_at_once() -> None:
    """A thermometer that jumps by 30 degrees within 10 s is suspect, a slow warming is not."""
    warming = np.linspace(15.0, 25.0, 300)
    warming[200:] += 30.0

    flags = _flags(series(warming), _sensor("temperature", "°C"))

    assert np.flatnonzero(flags != Quality.GOOD).tolist() == [200]


def test_still_pressure_at_rest_is_not_stuck() -> None:
    """A static pressure that repeats itself for hours while nothing runs is health."""
    times = day(6)
    readings = series(
        np.where(on(times, 1, 2) > 0, 180 + np.random.default_rng(4).normal(0, 1, len(times)), 310.0)
    )
    good = pd.Series(np.int8(1), readings.index)

    flags = flag_stuck(readings, good, [Interval(times[360], times[720])], _sensor("pressure", "kPa"))

    assert (flags == Quality.GOOD).all()


def test_pressure_frozen_during_a_run_is_suspect() -> None:
    """A pressure that freezes for half an hour of a run is suspect there."""
    times = day(6)
    values = 180 + np.random.default_rng(5).normal(0, 1, len(times))
    values[400:600] = values[400]
    good = pd.Series(np.int8(1), times)

    flags = flag_stuck(
        series(values, times), good, [Interval(times[360], times[1080])], _sensor("pressure", "kPa")
    )

    assert np.flatnonzero(flags == Quality.SUSPECT).tolist() == list(range(400, 600))


def test_dry_cell_is_bad_and_its_edges_suspect() -> None:
    """A cell in air is bad, and suspect for the minute around."""
    times = day(1)
    values = np.where(on(times, 0.25, 0.75) > 0, 0.5, 0.004)
    good = pd.Series(np.int8(1), times)

    flags = flag_dry(series(values, times), good)

    assert set(flags[values < 0.1]) == {Quality.BAD}
    assert int((flags == Quality.SUSPECT).sum()) == 12


def test_pure_water_is_not_dry() -> None:
    """A cell in rain water of known 0.015 mS/cm is in water."""
    readings = series(np.full(50, 0.014))

    assert (flag_dry(readings, pd.Series(np.int8(1), readings.index), 0.015) == Quality.GOOD).all()


def test_noise_is_blind_to_steps_and_to_quantised_rest() -> None:
    """Noise is the scatter between neighbours: a step does not raise it, a quiet coarse sensor has none."""
    rng = np.random.default_rng(6)
    stepped = np.where(np.arange(2000) > 1000, 2.0, 0.5) + rng.normal(0, 0.01, 2000)

    assert noise(series(stepped)) == pytest.approx(0.01, rel=0.1)
    assert noise(series(np.full(100, 3.0))) == 0.0


def test_gap_follows_the_interval() -> None:
    """Five intervals make a gap, at least a minute; without an interval nothing does."""
    assert [longest_gap_s(i) for i in (5.0, 30.0, None)] == [60.0, 150.0, np.inf]


def test_coverage_leaves_holes_out() -> None:
    """Readings over half of a stretch cover half of it."""
    times = day(1)

    assert coverage(times[:181], start=times[0], end=times[0] + pd.Timedelta("1h"), gap_s=60.0) == 0.5


@pytest.mark.skipif(not neon.FOLDER.is_dir(), reason=neon.WHY_SKIPPED)
@pytest.mark.parametrize(
    ("event", "station", "span", "low", "high"),
    [
        (neon.LECO, 1, ["12 uS/cm", "60 uS/cm"], 0.0135, 0.0402),
        (neon.GUIL, 1, ["185 uS/cm", "260 uS/cm"], 0.178, 0.212),
        (neon.GUIL, 4, ["185 uS/cm", "260 uS/cm"], 0.190, 0.211),
    ],
    ids=["LECO 1", "GUIL 1", "GUIL 4"],
)
def test_measured_probe_out_of_water_goes(
    event: neon.Event, station: int, span: list[str], low: float, high: float
) -> None:
    """Of the measured series, readings in air and from the wet bank go, the stream's own stay."""
    readings = neon.logger(event, station) / 1000.0
    sensor = _sensor("conductivity", "mS/cm", range=span, accuracy="3 % + 0.5 uS/cm")

    flags = flag_dry(readings, _flags(readings, sensor), low)
    kept = readings[flags == Quality.GOOD]
    stream = readings[(readings >= low) & (readings <= high)]

    assert low <= kept.min()
    assert kept.max() <= high
    assert len(kept) > 0.97 * len(stream[stream.index <= kept.index[-1]])
