"""When a register counted: from its first count to its last, single counts of a leak left out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds
from analysis.runs.slices import between

FEWEST_COUNTS = 3
"""Counts that show a register's usual time between counts. No source."""

STEADY = 3.0
"""Counts further apart than this many usual times are a leak's, not a run's. [-] No source."""


def counting(
    register: pd.Series, start: pd.Timestamp, end: pd.Timestamp
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return when a register began and ceased to count, half a pulse before its first and after its last one.

    Parameters
    ----------
    register : pandas.Series
        Register readings by ascending time, good readings only. [L]
    start, end : pandas.Timestamp
        A stretch that holds the counting, and may hold single counts of a leak around it. [UTC]

    Returns
    -------
    tuple of pandas.Timestamp
        Within the stretch; the stretch itself where it holds fewer than three counts. [UTC]

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=9, freq="10s", tz="UTC")
    >>> register = pd.Series([0, 0, 0, 1, 2, 3, 4, 4, 4.0], times)
    >>> [t.second for t in counting(register, times[0], times[-1])]
    [25, 5]
    """
    part = between(register, start, end)
    counts = part.index[1:][np.diff(part.to_numpy(dtype=float)) > 0]
    if len(counts) < FEWEST_COUNTS:
        return start, end
    apart = np.diff(seconds(pd.DatetimeIndex(counts)))
    usual = float(np.median(apart))
    steady = np.flatnonzero(apart <= STEADY * usual)
    half = pd.Timedelta(seconds=usual / 2.0)
    return max(counts[steady[0]] - half, start), min(counts[steady[-1] + 1] + half, end)
