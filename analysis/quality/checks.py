"""Tests of one sensor's readings: a series goes in, a mask on the same index comes out, True means flagged.

The tests are those of the real-time quality manuals (gross range, spike, rate of change, flat line, gap),
written for readings that are unequally spaced and have holes. A missing value is never called good or bad
here: it stays unflagged by every test and is marked as missing by `analysis.quality.flags`.

References
----------
U.S. IOOS, Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data: gross range,
spike, rate of change, flat line and gap tests (definitions from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

SPIKE_WINDOW = 5
"""Readings in the running median. Excursions of up to two readings stand out; a step does not. Computed."""


def seconds(index: pd.DatetimeIndex) -> NDArray[np.float64]:
    """Return times as seconds after the first one.

    Parameters
    ----------
    index : pandas.DatetimeIndex
        Ascending times. [UTC]

    Returns
    -------
    numpy.ndarray
        One number a time; empty for an empty index. [s]

    Examples
    --------
    >>> seconds(pd.DatetimeIndex(["2026-01-01 00:00", "2026-01-01 00:01"], tz="UTC")).tolist()
    [0.0, 60.0]
    """
    if len(index) == 0:
        return np.empty(0)
    micro = index.as_unit("us").asi8
    return np.asarray((micro - micro[0]) / 1e6, dtype=np.float64)


def out_of_range(series: pd.Series, *, low: float, high: float) -> pd.Series:
    """Flag readings outside a span: the gross range test.

    Parameters
    ----------
    series : pandas.Series
        Readings by time. [any]
    low, high : float
        The span, ends included. [as `series`]

    Returns
    -------
    pandas.Series of bool
        On the index of `series`.

    Raises
    ------
    ValueError
        If `low` is above `high`.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=3, freq="10s", tz="UTC")
    >>> out_of_range(pd.Series([-1.0, 0.0, 9.0], times), low=0.0, high=5.0).tolist()
    [True, False, True]
    """
    if low > high:
        msg = f"the span runs from {low} down to {high}"
        raise ValueError(msg)
    return (series < low) | (series > high)


def spikes(series: pd.Series, *, limit: float, longest_s: float, share: float = 0.0) -> pd.Series:
    """Flag short excursions that come back: the spike test, blind to steps.

    A reading is a spike when it lies further than `limit` from the running median of five readings, its
    excursion lasts at most two readings, and the readings before and after it are within `limit` of each
    other or the reading lies outside both. The classic test against the mean of the two neighbours would
    also flag both sides of a step, which is what an injection is.

    Parameters
    ----------
    series : pandas.Series
        Readings by time, ascending. [any]
    limit : float
        Distance from the neighbours that is not noise. [as `series`]
    longest_s : float
        Longest time between the neighbours on both sides for which the excursion counts as one: with
        readings further apart, or across a gap, a short real event cannot be told from a spike. [s]
    share : float
        The same distance as a share of the greater of the two neighbours: where the level is high for a while, what
        is not noise grows with it, and the top of a pulse that falls at once is no spike. [-]

    Returns
    -------
    pandas.Series of bool
        On the index of `series`.

    Raises
    ------
    ValueError
        If `limit` is not positive.

    References
    ----------
    IOOS spike test (from memory), with a running median in place of the two neighbours' mean:
    J. W. Tukey, Exploratory Data Analysis (1977), running medians of 5.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=9, freq="10s", tz="UTC")
    >>> spikes(pd.Series([1, 1, 1, 9, 1, 1, 3, 3, 3.0], times), limit=1.0, longest_s=60).tolist()
    [False, False, False, True, False, False, False, False, False]
    """
    if not limit > 0:
        msg = f"the spike limit {limit} is not positive"
        raise ValueError(msg)
    known = series.dropna()
    flags = pd.Series(data=False, index=series.index)
    if len(known) < SPIKE_WINDOW:
        return flags
    median = known.rolling(SPIKE_WINDOW, center=True).median()
    far = ((known - median).abs() > limit).to_numpy()
    flags.loc[known.index[far]] = _brief(known, far, limit, longest_s, share)[far]
    return flags


def _brief(
    known: pd.Series, far: NDArray[np.bool_], limit: float, longest_s: float, share: float
) -> NDArray[np.bool_]:
    """Return where an excursion has a calm reading close by on both sides, and lies beyond both."""
    values, times = known.to_numpy(), seconds(pd.DatetimeIndex(known.index))
    order = np.arange(len(values))
    before = np.maximum.accumulate(np.where(~far, order, -1))
    after = np.minimum.accumulate(np.where(~far, order, len(values))[::-1])[::-1]
    inside = (before >= 0) & (after < len(values))
    left, right = values[np.maximum(before, 0)], values[np.minimum(after, len(values) - 1)]
    span = times[np.minimum(after, len(values) - 1)] - times[np.maximum(before, 0)]
    height = np.minimum(np.abs(values - left), np.abs(values - right))
    least = np.maximum(limit, share * np.maximum(np.abs(left), np.abs(right)))
    beyond = ((values - left) * (values - right) > 0) & (height > least)
    return np.asarray(inside & beyond & (span <= longest_s), dtype=np.bool_)


def too_fast(series: pd.Series, *, per_second: float, slack: float = 0.0) -> pd.Series:
    """Flag readings that changed faster than the quantity can: the rate of change test.

    Parameters
    ----------
    series : pandas.Series
        Readings by time, ascending. [any]
    per_second : float
        Fastest change that physics or the sensor's lag allows. [as `series` per s]
    slack : float
        Change that noise and resolution may make in no time. [as `series`]

    Returns
    -------
    pandas.Series of bool
        On the index of `series`; the later of the two readings is flagged. Across a gap the allowance grows
        with the time between the readings.

    Raises
    ------
    ValueError
        If `per_second` is not positive.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=3, freq="10s", tz="UTC")
    >>> too_fast(pd.Series([20.0, 21.0, 60.0], times), per_second=1.0).tolist()
    [False, False, True]
    """
    if not per_second > 0:
        msg = f"the fastest change {per_second} is not positive"
        raise ValueError(msg)
    known = series.dropna()
    flags = pd.Series(data=False, index=series.index)
    if len(known) > 1:
        change = np.abs(np.diff(known.to_numpy()))
        allowed = per_second * np.diff(seconds(pd.DatetimeIndex(known.index))) + slack
        flags.loc[known.index[1:][change > allowed]] = True
    return flags


def equal_stretches(series: pd.Series, *, eps: float, longest_gap_s: float) -> pd.DataFrame:
    """Return the stretches in which a sensor repeats itself.

    Parameters
    ----------
    series : pandas.Series
        Readings by time, ascending, none missing. [any]
    eps : float
        Change that counts as none. [as `series`]
    longest_gap_s : float
        A stretch ends at a hole in the readings longer than this. [s]

    Returns
    -------
    pandas.DataFrame
        One row a stretch, in order: ``first`` and ``last`` (positions in `series`) and ``lasts_s`` [s].

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> equal_stretches(pd.Series([1.0, 1.0, 1.0, 2.0], times), eps=0.0, longest_gap_s=60)["lasts_s"].tolist()
    [20.0, 0.0]
    """
    times = seconds(pd.DatetimeIndex(series.index))
    if len(times) == 0:
        return pd.DataFrame({"first": [], "last": [], "lasts_s": []})
    new = (np.abs(np.diff(series.to_numpy())) > eps) | (np.diff(times) > longest_gap_s)
    first = np.concatenate(([0], np.nonzero(new)[0] + 1))
    last = np.concatenate((first[1:] - 1, [len(times) - 1]))
    return pd.DataFrame({"first": first, "last": last, "lasts_s": times[last] - times[first]})


def stuck(
    series: pd.Series, *, eps: float, at_least_s: float, times_longer: float, longest_gap_s: float
) -> pd.Series:
    """Flag a sensor that repeats one value far longer than it does otherwise: the flat line test.

    A quiet, coarse sensor repeats itself all day and is healthy, so the length of a stretch is judged
    against the sensor's own: a stretch is flagged when it lasts `at_least_s` and `times_longer` times
    the longest of all other stretches.

    Parameters
    ----------
    series : pandas.Series
        Readings by time, ascending, of a time in which the quantity should move. [any]
    eps : float
        Change that counts as none. [as `series`]
    at_least_s : float
        Shortest stretch that is flagged. [s]
    times_longer : float
        How much longer than every other stretch. [-]
    longest_gap_s : float
        A stretch ends at a hole longer than this. [s]

    Returns
    -------
    pandas.Series of bool
        On the index of `series`.

    Notes
    -----
    A sensor that is stuck for all of `series` has no other stretch to be judged by and is not flagged:
    that takes a second sensor.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=200, freq="10s", tz="UTC")
    >>> moving = pd.Series(np.where(np.arange(200) < 50, np.arange(200) % 3, 1.0), times)
    >>> int(stuck(moving, eps=0.0, at_least_s=600, times_longer=10, longest_gap_s=60).sum())
    151
    """
    known = series.dropna()
    flags = pd.Series(data=False, index=series.index)
    table = equal_stretches(known, eps=eps, longest_gap_s=longest_gap_s)
    if len(table) <= 1:
        return flags
    lasts = table["lasts_s"].to_numpy()
    longest = int(lasts.argmax())
    others = np.delete(lasts, longest).max()
    if lasts[longest] >= at_least_s and lasts[longest] > times_longer * max(others, 1e-9):
        row = table.iloc[longest]
        flags.loc[known.index[int(row["first"]) : int(row["last"]) + 1]] = True
    return flags
