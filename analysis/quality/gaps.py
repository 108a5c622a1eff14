"""Holes in a sensor's readings: which there are, and how much of a time is covered."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds
from analysis.runs.slices import place

GAP_INTERVALS = 5.0
"""Intervals without a reading that make a gap. [-] Common practice, no source."""

GAP_LEAST_S = 60.0
"""Shortest gap, whatever the interval. [s] A reconnecting device takes some tens of seconds. No source."""


def longest_gap_s(interval: float | None) -> float:
    """Return the longest time between two readings that is no gap.

    Parameters
    ----------
    interval : float or None
        Time between readings as configured; None where the sensor sends when it likes. [s]

    Returns
    -------
    float
        Infinity without an interval. [s]

    Examples
    --------
    >>> longest_gap_s(10.0), longest_gap_s(60.0), longest_gap_s(None)
    (60.0, 300.0, inf)
    """
    return math.inf if interval is None else max(GAP_INTERVALS * interval, GAP_LEAST_S)


def gaps(
    index: pd.DatetimeIndex, *, start: pd.Timestamp, end: pd.Timestamp, longest_s: float
) -> pd.DataFrame:
    """Return the holes in a sensor's readings: the gap test.

    Parameters
    ----------
    index : pandas.DatetimeIndex
        Times of its readings, ascending. [UTC]
    start, end : pandas.Timestamp
        When readings were due. [UTC]
    longest_s : float
        Longest time between readings that is no gap. [s]

    Returns
    -------
    pandas.DataFrame
        One row a gap, in order: ``start`` and ``end`` [UTC], from the last reading before to the first after,
        or to the ends of the time in which readings were due.

    Examples
    --------
    >>> times = pd.DatetimeIndex(["2026-01-01 00:00:10", "2026-01-01 00:05:00"], tz="UTC")
    >>> found = gaps(times, start=times[0], end=times[1] + pd.Timedelta("20s"), longest_s=30)
    >>> (found["end"] - found["start"]).dt.total_seconds().tolist()
    [290.0]
    """
    inside = index[place(index, start) : place(index, end)]
    edges = pd.DatetimeIndex(pd.DatetimeIndex([start]).append([inside, pd.DatetimeIndex([end])]))
    long = np.diff(seconds(edges)) > longest_s
    return pd.DataFrame({"start": edges[:-1][long], "end": edges[1:][long]})


def coverage(index: pd.DatetimeIndex, *, start: pd.Timestamp, end: pd.Timestamp, gap_s: float) -> float:
    """Return the share of a stretch of time that readings cover, holes left out. [-]

    Parameters
    ----------
    index : pandas.DatetimeIndex
        Times of good readings, ascending. [UTC]
    start, end : pandas.Timestamp
        The stretch. [UTC]
    gap_s : float
        Longest time between readings that is no hole. [s]

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=31, freq="10s", tz="UTC")
    >>> coverage(times, start=times[0], end=times[0] + pd.Timedelta("600s"), gap_s=60)
    0.5
    """
    whole = (end - start).total_seconds()
    if whole <= 0:
        return 0.0
    inside = index[place(index, start) : place(index, end, side="right")]
    edges = pd.DatetimeIndex([start]).append([inside, pd.DatetimeIndex([end])])
    steps = np.diff(seconds(pd.DatetimeIndex(edges)))
    return float(steps[steps <= gap_s].sum() / whole)
