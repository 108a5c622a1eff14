"""Windows keep every peak, whatever the range."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.windows import SECOND, STEPS, WIDEST, gaps, readings, step_for, window

DAY = 86400 * SECOND


def test_window_one_sample_spike_in_a_year_survives() -> None:
    """A spike of one reading in a year of minutes is the greatest value of its bucket at full range."""
    time = np.arange(0, 365 * DAY, 60 * SECOND)
    value = np.ones(len(time))
    value[314159] = 50.0

    drawn = window(readings(time, value), start=0, end=365 * DAY, width=1000)

    assert drawn.high.max() == 50.0
    assert drawn.low.min() == 1.0
    at = drawn.middle[int(drawn.high.argmax())]
    assert abs(at - time[314159]) <= drawn.step // 2


@given(
    st.lists(st.tuples(st.integers(0, 10_000), st.floats(-1e6, 1e6)), min_size=1, max_size=200),
    st.integers(1, 50),
)
def test_window_least_and_greatest_are_exact(rows: list[tuple[int, float]], width: int) -> None:
    """Least, greatest, count and mean of all buckets together are those of the readings."""
    rows = sorted(dict(rows).items())
    time = np.array([t for t, _ in rows], np.int64) * SECOND
    value = np.array([v for _, v in rows])

    drawn = window(readings(time, value), start=0, end=10_001 * SECOND, width=width)

    assert drawn.low.min() == value.min()
    assert drawn.high.max() == value.max()
    assert drawn.count.sum() == len(value)
    assert np.average(drawn.mean, weights=drawn.count) == pytest.approx(value.mean(), rel=1e-9, abs=1e-6)


def test_window_moved_by_a_part_of_a_bucket_keeps_its_buckets() -> None:
    """Buckets lie on multiples of their width, so a pan shows the same values again."""
    time = np.arange(0, 5000) * SECOND
    data = readings(time, np.sin(time / SECOND))

    one = window(data, start=1000 * SECOND, end=2000 * SECOND, step=10 * SECOND)
    other = window(data, start=1003 * SECOND, end=2003 * SECOND, step=10 * SECOND)

    shared = np.intersect1d(one.middle, other.middle)
    assert len(shared) == 100
    assert np.array_equal(one.high[np.isin(one.middle, shared)], other.high[np.isin(other.middle, shared)])


def test_window_without_readings_is_empty() -> None:
    """Where there is nothing, nothing is drawn."""
    nothing = readings(np.empty(0, np.int64), np.empty(0))

    assert len(window(nothing, start=0, end=DAY).index) == 0


def test_readings_without_a_number_are_left_out() -> None:
    """NaN and infinity never become a point."""
    data = readings(np.arange(3) * SECOND, np.array([1.0, np.nan, np.inf]))

    assert data.count.sum() == 1


def test_window_counts_flagged_readings() -> None:
    """A bucket knows how many of its readings are flagged."""
    data = readings(np.arange(4) * SECOND, np.ones(4), np.array([False, True, True, False]))

    assert window(data, start=0, end=4 * SECOND, step=2 * SECOND).flagged.tolist() == [1, 1]


@given(st.integers(0, 10**17), st.integers(1, 31_000 * DAY), st.integers(-5, 5000))
def test_step_for_never_exceeds_the_bound(start: int, span: int, width: int) -> None:
    """Whatever is asked, a window has at most so many buckets as the bound allows, or is refused."""
    most = min(max(width, 1), WIDEST)
    if span / max(STEPS) > most - 1:
        with pytest.raises(ValueError, match="more than a window"):
            step_for(start, start + (most + 1) * max(STEPS), width)
        return

    step = step_for(start, start + span, width)

    assert (start + span) // step - start // step + 1 <= most


def test_step_for_refuses_a_window_that_ends_first() -> None:
    """An empty window is a caller's mistake."""
    with pytest.raises(ValueError, match="ends before it begins"):
        step_for(10, 10, 100)


def test_gaps_are_judged_by_the_sensors_interval() -> None:
    """Five minutes without a reading are a gap for a sensor of 10 s, and none for one of 10 min."""
    time = np.concatenate([np.arange(0, 300, 10), np.arange(600, 900, 10)]) * SECOND
    drawn = window(readings(time, np.ones(len(time))), start=0, end=900 * SECOND, step=10 * SECOND)

    assert [(a // SECOND, b // SECOND) for a, b in gaps(drawn, 10 * SECOND)] == [(300, 600)]
    assert gaps(drawn, 600 * SECOND) == []


def test_gaps_of_a_sensor_without_interval_use_its_own_rhythm() -> None:
    """Where no interval is described, the usual distance of the readings serves."""
    time = np.array([0, 10, 20, 30, 100, 110]) * SECOND
    drawn = window(readings(time, np.ones(6)), start=0, end=120 * SECOND, step=10 * SECOND)

    assert [(a // SECOND, b // SECOND) for a, b in gaps(drawn, None)] == [(40, 100)]
