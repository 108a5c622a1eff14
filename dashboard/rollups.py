"""Readings summed up by the minute, ten minutes, hour and day, so that a year costs what a day costs.

Each summary keeps least, greatest, sum and count, so any coarser one made from it is exact: a peak of
one reading stands at every range. Times are microseconds since 1970 (UTC); see `dashboard.windows`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashboard.windows import SECOND, Readings, window

if TYPE_CHECKING:
    from collections.abc import Iterable

TIERS = tuple(SECOND * n for n in (60, 600, 3600, 86400))
"""Widths of the summaries that are kept. [us]"""

FINEST = TIERS[0]
"""Below this bucket width, readings themselves are read. [us]"""


def tier_for(step: int) -> int | None:
    """Return the coarsest summary that a bucket of some width can be made from.

    Parameters
    ----------
    step : int
        Bucket width. [us]

    Returns
    -------
    int or None
        One of `TIERS` that divides it [us]; None where readings themselves are needed.

    Examples
    --------
    >>> tier_for(30 * 60 * SECOND) // SECOND
    600
    >>> tier_for(5 * SECOND) is None
    True
    """
    return next((tier for tier in reversed(TIERS) if step % tier == 0), None)


def rolled(data: Readings, tier: int) -> Readings:
    """Sum up readings, or finer summaries, by the buckets of one tier.

    Parameters
    ----------
    data : Readings
        Of one sensor.
    tier : int
        Width of the buckets. [us]

    Returns
    -------
    Readings
        One row for each bucket that has readings, its time the bucket's start.

    Examples
    --------
    >>> from dashboard.windows import readings
    >>> rolled(readings(np.array([0, 1, 61]) * SECOND, np.array([1.0, 3.0, 5.0])), 60 * SECOND).total
    array([4., 5.])
    """
    if len(data.time) == 0:
        return data
    made = window(data, start=int(data.time[0]), end=int(data.time[-1]) + 1, step=tier)
    return Readings(
        made.start + made.index * tier, made.low, made.high, made.mean * made.count, made.count, made.flagged
    )


def joined(parts: Iterable[Readings]) -> Readings:
    """Put stretches of one sensor together, in their order in time.

    Parameters
    ----------
    parts : iterable of Readings
        That follow each other.

    Returns
    -------
    Readings
        As one.
    """
    kept = [part for part in parts if len(part.time)]
    if not kept:
        nothing, none = np.empty(0, np.int64), np.empty(0)
        return Readings(nothing, none, none, none, nothing, nothing)
    return Readings(
        np.concatenate([part.time for part in kept]),
        np.concatenate([part.low for part in kept]),
        np.concatenate([part.high for part in kept]),
        np.concatenate([part.total for part in kept]),
        np.concatenate([part.count for part in kept]),
        np.concatenate([part.flagged for part in kept]),
    )


def between(data: Readings, start: int, end: int) -> Readings:
    """Return the rows whose time lies in a stretch, start included, end excluded. [us]"""
    low, high = np.searchsorted(data.time, [start, end])
    return data.part(slice(int(low), int(high)))
