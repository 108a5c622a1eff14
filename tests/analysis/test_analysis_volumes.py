"""Volumes come out as they went in; holes, roll-overs and resets are told, never bridged in silence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.injection.totals import cumulative
from analysis.runs.volumes import Volume, integrate, register_flow, register_volume, running_total
from ingest.installation import Sensor
from tests.support.plain import MIDNIGHT, day, series


@given(st.lists(st.floats(0, 3000), min_size=2, max_size=60), st.floats(0, 1))
def test_parts_add_up(flows: list[float], share: float) -> None:
    """The volume over two parts of a time is the volume over all of it, wherever the cut lies."""
    flow = series(flows)
    start, end = flow.index[0], flow.index[-1]
    cut = start + share * (end - start)

    whole = integrate(flow, start, end, longest_gap_s=60.0).litres
    parts = [integrate(flow, a, b, longest_gap_s=60.0).litres for a, b in ((start, cut), (cut, end))]

    assert sum(parts) == pytest.approx(whole, rel=1e-6, abs=1e-6)


def test_unevenly_spaced_readings_of_a_ramp() -> None:
    """A ramp is integrated exactly whatever the spacing of its readings."""
    times = MIDNIGHT + pd.to_timedelta([0, 7, 9, 30, 31, 55, 60], unit="s")
    ramp = series([0, 70, 90, 300, 310, 550, 600], pd.DatetimeIndex(times))

    assert integrate(ramp, times[0], times[-1], longest_gap_s=60.0).litres == pytest.approx(300 * 60 / 3600)


def test_hole_is_counted_and_not_filled() -> None:
    """Nothing is counted over a hole, and its length is told."""
    times = day(1)
    kept = pd.DatetimeIndex(times[:100].append(times[160:]))

    found = integrate(series(np.full(len(kept), 360.0), kept), times[0], times[-1], longest_gap_s=60.0)

    assert found.unseen_s == pytest.approx(610.0)
    assert found.litres == pytest.approx((3590.0 - 610.0) / 10.0)


def test_time_outside_the_readings_is_unseen() -> None:
    """Before the first and after the last reading nothing is known, so nothing is counted."""
    times = day(1)[60:120]

    found = integrate(
        series(np.full(60, 360.0), times), MIDNIGHT, MIDNIGHT + pd.Timedelta("1h"), longest_gap_s=60.0
    )

    assert found.litres == pytest.approx(59.0)
    assert found.unseen_s == pytest.approx(3600.0 - 590.0)


def test_no_reading_is_all_unseen() -> None:
    """A meter without readings has seen nothing of the time."""
    empty = series([], pd.DatetimeIndex([], tz="UTC"))

    assert integrate(empty, MIDNIGHT, MIDNIGHT + pd.Timedelta("60s"), longest_gap_s=60.0).unseen_s == 60.0


def test_integral_runs_forward() -> None:
    """An end before the start is a caller's mistake."""
    with pytest.raises(ValueError, match="back to"):
        integrate(series([1.0, 1.0]), MIDNIGHT + pd.Timedelta("10s"), MIDNIGHT, longest_gap_s=60.0)


@pytest.mark.parametrize("modulus", [1e3, 1e4, 1e5, 1e6])
def test_roll_over_loses_nothing(modulus: float) -> None:
    """A register that goes over its last digit is counted through."""
    counts = (modulus - 25.0 + np.arange(60)) % modulus

    found = register_volume(series(counts), MIDNIGHT, MIDNIGHT + pd.Timedelta("590s"), size_known=False)

    assert found.litres == pytest.approx(59.0)
    assert (found.wraps, found.resets) == (1, 0)


def test_reset_is_told() -> None:
    """A register set to zero in the middle is a reset: what came after counts, and a person is told."""
    counts = np.concatenate((4321.0 + np.arange(30), np.arange(30)))

    found = register_volume(series(counts), MIDNIGHT, MIDNIGHT + pd.Timedelta("590s"), size_known=False)

    assert (found.resets, found.wraps) == (1, 0)
    assert found.litres == pytest.approx(29.0 + 29.0)


def _sensor(**changes: object) -> Sensor:
    """Return a register with a stated size of 6553.6 L, or changed."""
    table = {
        "quantity": "volume",
        "point": "mixed",
        "unit": "L",
        "source": {"topic": "m"},
        "counter": "total",
        "rolls_over_at": "6553.6 L",
        **changes,
    }
    return Sensor.model_validate({key: value for key, value in table.items() if value is not None})


def _both(counts: np.ndarray, sensor: Sensor) -> tuple[float, Volume]:
    """Return what the dose's running total and a run's volume make of a register, prepared as the analysis does."""
    increments = sensor.counter == "increment"
    made = running_total(series(counts), increments=increments, rolls_over_at=sensor.rolls_over_at)
    whole = cumulative(made, sensor)
    end = MIDNIGHT + pd.Timedelta(seconds=10 * (len(counts) - 1))
    found = register_volume(made, MIDNIGHT, end, size_known=sensor.rolls_over_at is not None)
    return float(whole.iloc[-1]), found


def test_register_of_stated_size_rolls_over_there_and_is_reset_elsewhere() -> None:
    """At its own odd size a register is counted through; one that a power cut zeroes is not given its size."""
    flowing = np.arange(60.0)
    rolled, over = _both((6530.0 + flowing) % 6553.6, _sensor())

    assert rolled == pytest.approx(59.0)
    assert over.litres == pytest.approx(59.0)
    assert over.resets == 0
    for before in (300.0, 999.0, 3000.0, 6000.0):
        zeroed, reset = _both(np.concatenate((before - 29.0 + flowing[:30], flowing[:30])), _sensor())

        assert zeroed == pytest.approx(29.0 + 29.0)
        assert reset.litres == pytest.approx(58.0)
        assert (reset.resets, reset.wraps) == (1, 0)


def test_power_of_ten_is_guessed_only_where_no_size_is_stated() -> None:
    """From 999 to 0 a register of unstated size is taken to have rolled over, one that holds 6553.6 L was reset."""
    counts = np.concatenate((990.0 + np.arange(10), np.arange(10.0)))
    _, guessed = _both(counts, _sensor(rolls_over_at=None))
    _, known = _both(counts, _sensor())

    assert (guessed.wraps, guessed.resets) == (1, 0)
    assert (known.wraps, known.resets) == (0, 1)


def test_register_that_steps_back_gives_no_volume_of_its_own() -> None:
    """A register that falls by a count, or is set to another number, does not pass its whole reading as water."""
    for back in (4999.0, 2000.0):
        litres, found = _both(np.array([4999.0, 5000.0, back, back + 1.0]), _sensor(rolls_over_at=None))

        assert litres == pytest.approx(2.0)
        assert found.litres == pytest.approx(2.0)
        assert found.resets == 1


def test_increments_are_added_up_and_never_reset() -> None:
    """A device that sends what passed since its last reading neither rolls over nor resets."""
    litres, found = _both(np.array([5.0, 0.0, 3.0, 1.0]), _sensor(counter="increment", rolls_over_at=None))

    assert litres == pytest.approx(4.0)
    assert found.litres == pytest.approx(4.0)
    assert (found.resets, found.wraps) == (0, 0)


def test_register_is_read_from_the_reading_before() -> None:
    """The register's state at the start is the last reading before it, so no pulse is lost."""
    found = register_volume(
        series([10.0, 11.0, 12.0, 13.0]),
        MIDNIGHT + pd.Timedelta("12s"),
        MIDNIGHT + pd.Timedelta("25s"),
        size_known=False,
    )

    assert found.litres == 1.0


def test_register_without_two_readings_has_seen_nothing() -> None:
    """One reading of a register is no volume."""
    found = register_volume(series([10.0]), MIDNIGHT, MIDNIGHT + pd.Timedelta("60s"), size_known=False)

    assert (found.litres, found.unseen_s) == (0.0, 60.0)


@pytest.mark.parametrize("litres_per_pulse", [0.1, 1.0, 10.0])
def test_flow_of_a_coarse_register(litres_per_pulse: float) -> None:
    """Over a window of many pulses a register gives the flow, however coarse its pulses."""
    true = np.arange(2000) * 10.0 * 900.0 / 3600.0
    counted = np.floor(true / litres_per_pulse) * litres_per_pulse

    flow = register_flow(series(counted), window_s=600.0).iloc[100:-100]

    assert flow.to_numpy() == pytest.approx(np.full(len(flow), 900.0), rel=0.07)


def test_falling_register_is_no_negative_flow() -> None:
    """A reset or a roll-over makes no negative flow."""
    counts = np.concatenate((np.arange(50.0), np.arange(50.0)))

    assert register_flow(series(counts), window_s=60.0).min() >= 0.0
