"""Volumes come out as they went in; holes, roll-overs and resets are told, never bridged in silence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.runs.volumes import integrate, register_flow, register_volume
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

    found = register_volume(series(counts), MIDNIGHT, MIDNIGHT + pd.Timedelta("590s"))

    assert found.litres == pytest.approx(59.0)
    assert (found.wraps, found.resets) == (1, 0)


def test_reset_is_told() -> None:
    """A register set to zero in the middle is a reset: what came after counts, and a person is told."""
    counts = np.concatenate((4321.0 + np.arange(30), np.arange(30)))

    found = register_volume(series(counts), MIDNIGHT, MIDNIGHT + pd.Timedelta("590s"))

    assert (found.resets, found.wraps) == (1, 0)
    assert found.litres == pytest.approx(29.0 + 29.0)


def test_register_is_read_from_the_reading_before() -> None:
    """The register's state at the start is the last reading before it, so no pulse is lost."""
    found = register_volume(
        series([10.0, 11.0, 12.0, 13.0]), MIDNIGHT + pd.Timedelta("12s"), MIDNIGHT + pd.Timedelta("25s")
    )

    assert found.litres == 1.0


def test_register_without_two_readings_has_seen_nothing() -> None:
    """One reading of a register is no volume."""
    found = register_volume(series([10.0]), MIDNIGHT, MIDNIGHT + pd.Timedelta("60s"))

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
