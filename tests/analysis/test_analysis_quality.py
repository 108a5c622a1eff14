"""Each quality test flags what it is for, and nothing that is sound."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.quality.checks import equal_stretches, out_of_range, seconds, spikes, stuck, too_fast
from analysis.quality.gaps import gaps
from tests.support.plain import MIDNIGHT, day, series


def _noisy(count: int = 400, level: float = 2.0, sd: float = 0.005, seed: int = 1) -> np.ndarray:
    """Return readings that wander about a level."""
    return level + sd * np.random.default_rng(seed).standard_normal(count)


def test_range_flags_both_sides_and_keeps_the_ends() -> None:
    """Values on the ends of the span pass, values beyond either end are flagged, missing ones are not."""
    readings = series([-0.1, 0.0, 3.0, 5.0, 5.1, np.nan])

    assert out_of_range(readings, low=0.0, high=5.0).tolist() == [True, False, False, False, True, False]


def test_range_refuses_a_span_turned_round() -> None:
    """A span whose low end is above its high end is a caller's mistake."""
    with pytest.raises(ValueError, match="down to"):
        out_of_range(series([1.0]), low=2.0, high=1.0)


@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("height", [0.5, -0.5])
def test_spike_of_one_or_two_readings_is_flagged(width: int, height: float) -> None:
    """An excursion of one or two readings that comes back is flagged, exactly those readings."""
    values = _noisy()
    values[100 : 100 + width] += height

    flagged = np.flatnonzero(spikes(series(values), limit=0.1, longest_s=60.0))

    assert flagged.tolist() == list(range(100, 100 + width))


@pytest.mark.parametrize("rise_s", [0, 10, 30, 120])
def test_step_is_no_spike(rise_s: int) -> None:
    """An injection's step up and down, sharp or spread, is not flagged anywhere."""
    times = np.arange(400) * 10.0
    up = np.clip((times - 1000.0) / max(rise_s, 1e-9), 0.0, 1.0)
    down = np.clip((times - 2000.0) / max(rise_s, 1e-9), 0.0, 1.0)

    assert not spikes(series(_noisy() + 1.6 * (up - down)), limit=0.1, longest_s=180.0).any()


def test_spike_on_the_edge_of_a_step_is_flagged_and_the_step_is_not() -> None:
    """A spike just after an injection's rise is told from the rise."""
    values = _noisy() + np.where(np.arange(400) >= 200, 1.6, 0.0)
    values[203] += 2.0

    assert np.flatnonzero(spikes(series(values), limit=0.1, longest_s=180.0)).tolist() == [203]


def test_spike_test_leaves_readings_far_apart_alone() -> None:
    """Where the readings around an excursion are further apart than a spike lasts, it may be real."""
    values = _noisy(50)
    values[20] += 1.0
    slow = series(values, pd.date_range(MIDNIGHT, periods=50, freq="5min"))

    assert not spikes(slow, limit=0.1, longest_s=180.0).any()


def test_spike_next_to_a_gap_is_left_alone() -> None:
    """An excursion whose calm neighbour lies beyond a hole cannot be told from an event."""
    values = _noisy(100)
    values[49] += 1.0
    times = day()[:100].delete(range(50, 80))
    holed = series(np.delete(values, range(50, 80)), times)

    assert not spikes(holed, limit=0.1, longest_s=180.0).any()


def test_missing_values_are_never_spikes() -> None:
    """A missing value is not flagged, and does not hide the spike beside it."""
    values = _noisy(60)
    values[30], values[31] = 5.0, np.nan

    flagged = spikes(series(values), limit=0.1, longest_s=60.0)

    assert np.flatnonzero(flagged).tolist() == [30]


def test_no_spike_in_a_day_of_noise() -> None:
    """Eight standard deviations are not reached by normal noise in a day of readings."""
    values = _noisy(8640)

    assert not spikes(series(values), limit=8 * 0.005, longest_s=180.0).any()


def test_rate_allows_more_across_a_gap() -> None:
    """Across a hole the allowed change grows with the time, so a slow drift over it passes."""
    times = day()[[0, 1, 60, 61]]

    assert too_fast(series([20.0, 20.1, 40.0, 90.0], times), per_second=0.1).tolist() == [
        False,
        False,
        False,
        True,
    ]


@pytest.mark.parametrize("values", [[], [1.0]])
def test_rate_needs_two_readings(values: list[float]) -> None:
    """None or one reading has no rate."""
    assert not too_fast(series(values), per_second=0.1).any()


def test_stuck_sensor_is_flagged_where_it_stands() -> None:
    """A sensor that freezes for half an hour is flagged there and nowhere else."""
    values = _noisy(600)
    values[300:500] = values[300]

    flagged = np.flatnonzero(
        stuck(series(values), eps=0.0, at_least_s=900.0, times_longer=20.0, longest_gap_s=60.0)
    )

    assert (flagged[0], flagged[-1], len(flagged)) == (300, 499, 200)


def test_coarse_quiet_sensor_is_not_stuck() -> None:
    """A sensor whose steps are larger than its noise repeats itself for long and is healthy."""
    values = np.round(_noisy(4000, sd=0.02) / 0.1) * 0.1

    assert not stuck(series(values), eps=1e-9, at_least_s=900.0, times_longer=20.0, longest_gap_s=60.0).any()


def test_equal_stretches_end_at_a_gap() -> None:
    """The same value before and after a hole is not one stretch."""
    times = day()[[0, 1, 2, 50, 51]]

    found = equal_stretches(series([1.0] * 5, times), eps=0.0, longest_gap_s=60.0)

    assert found["lasts_s"].tolist() == [20.0, 10.0]


def test_gaps_at_both_ends_and_within() -> None:
    """Silence before the first reading, within and after the last one are gaps."""
    times = day()
    index = pd.DatetimeIndex(times[60:120].append(times[200:300]))

    found = gaps(index, start=times[0], end=times[400], longest_s=60.0)

    assert found["start"].tolist() == [times[0], times[119], times[299]]
    assert found["end"].tolist() == [times[60], times[200], times[400]]


def test_no_reading_is_one_gap() -> None:
    """A sensor without any reading has one gap, the whole time."""
    times = day()

    found = gaps(pd.DatetimeIndex([], tz="UTC"), start=times[0], end=times[-1], longest_s=60.0)

    assert [(a, b) for a, b in found.itertuples(index=False)] == [(times[0], times[-1])]


def test_seconds_do_not_depend_on_the_resolution() -> None:
    """Times in nanoseconds, microseconds or seconds give the same seconds."""
    index = day()[:3]

    assert [seconds(index.as_unit(u)).tolist() for u in ("ns", "us", "s")] == [[0.0, 10.0, 20.0]] * 3


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda s: spikes(s, limit=0.0, longest_s=60.0), "spike limit"),
        (lambda s: too_fast(s, per_second=0.0), "fastest change"),
    ],
)
def test_limits_must_be_positive(call: object, words: str) -> None:
    """A limit that is not positive is a caller's mistake and says which."""
    with pytest.raises(ValueError, match=words):
        call(series([1.0, 2.0]))  # type: ignore[operator]
