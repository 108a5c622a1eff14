"""A stretch of readings as at most a thousand buckets of least, mean and greatest, so that no peak vanishes.

All times are microseconds since 1970 (UTC). Buckets lie on whole multiples of their width, so that
the same bucket has the same readings however the window is moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SECOND = 1_000_000
"""Microseconds in a second."""

_MINUTE, _HOUR, _DAY = 60 * SECOND, 3600 * SECOND, 86400 * SECOND
STEPS = (
    *(SECOND // n for n in (100, 50, 20, 10, 5, 2)),
    *(SECOND * n for n in (1, 2, 5, 10, 15, 30)),
    *(_MINUTE * n for n in (1, 2, 5, 10, 15, 30)),
    *(_HOUR * n for n in (1, 2, 4, 6, 12)),
    *(_DAY * n for n in (1, 2, 4, 8, 16, 32, 64)),
)
"""Bucket widths in use, each a width that people say. [us]"""

WIDEST = 1000
"""Most buckets in one window: one for each pixel of a large screen, and a bound on the work. [-]"""

GAP_STEPS = 3.0
"""Intervals without a reading that make a gap; computed: one lost reading makes two intervals. [-]"""


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one sensor, or stretches of them already summed up.

    Attributes
    ----------
    time : numpy.ndarray of int64
        Ascending; of a stretch, its start. [us]
    low, high, total : numpy.ndarray of float64
        Least, greatest and sum of the values. [stored unit]
    count : numpy.ndarray of int64
        How many readings. [-]
    flagged : numpy.ndarray of int64
        How many of them carry a quality flag that is not good. [-]
    """

    time: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    total: NDArray[np.float64]
    count: NDArray[np.int64]
    flagged: NDArray[np.int64]

    def part(self, which: slice | NDArray[np.bool_] | NDArray[np.int64]) -> Readings:
        """Return some of the rows."""
        return Readings(
            self.time[which],
            self.low[which],
            self.high[which],
            self.total[which],
            self.count[which],
            self.flagged[which],
        )


@dataclass(frozen=True, slots=True)
class Window:
    """One sensor in one stretch of time, ready to be drawn.

    Attributes
    ----------
    start : int
        Left edge of bucket 0. [us]
    step : int
        Width of a bucket. [us]
    index : numpy.ndarray of int64
        Number of each bucket that has readings, ascending.
    low, mean, high : numpy.ndarray of float64
        Of each such bucket. [stored unit]
    count, flagged : numpy.ndarray of int64
        Readings in it, and those of them that are flagged. [-]
    """

    start: int
    step: int
    index: NDArray[np.int64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]
    count: NDArray[np.int64]
    flagged: NDArray[np.int64]

    @property
    def middle(self) -> NDArray[np.int64]:
        """Middle of each bucket that has readings. [us]"""
        return self.start + self.index * self.step + self.step // 2


def step_for(start: int, end: int, width: int) -> int:
    """Return the bucket width that makes at most `width` buckets.

    Parameters
    ----------
    start, end : int
        The window. [us]
    width : int
        Most buckets wanted; no more than `WIDEST` are given. [-]

    Returns
    -------
    int
        One of `STEPS`. [us]

    Raises
    ------
    ValueError
        If the window is empty or wider than the widest step allows.

    Examples
    --------
    >>> step_for(0, 3600 * SECOND, 1000) // SECOND
    5
    """
    span, most = end - start, min(max(width, 1), WIDEST)
    if span <= 0:
        msg = f"the window ends before it begins: {start} to {end} us"
        raise ValueError(msg)
    for step in STEPS:
        if end // step - start // step + 1 <= most:
            return step
    msg = f"{span / _DAY:.0f} days are more than a window of {most} buckets can show"
    raise ValueError(msg)


def readings(
    time: NDArray[np.int64], value: NDArray[np.float64], flagged: NDArray[np.bool_] | None = None
) -> Readings:
    """Return single readings in the form that `window` takes; those without a number are left out.

    Parameters
    ----------
    time : numpy.ndarray of int64
        Ascending. [us]
    value : numpy.ndarray of float64
        Of the same length. [stored unit]
    flagged : numpy.ndarray of bool, optional
        True where the quality flag is not good.

    Returns
    -------
    Readings
        Each a stretch of one reading.

    Examples
    --------
    >>> readings(np.array([0, 1]), np.array([2.0, np.nan])).count
    array([1])
    """
    keep = np.isfinite(value)
    if not keep.all():
        time, value, flagged = time[keep], value[keep], None if flagged is None else flagged[keep]
    one, none = (np.broadcast_to(np.int64(each), len(time)) for each in (1, 0))
    return Readings(time, value, value, value, one, none if flagged is None else flagged.astype(np.int64))


def window(data: Readings, *, start: int, end: int, width: int = WIDEST, step: int | None = None) -> Window:
    """Sum up readings in buckets; the least and the greatest of each stay exact.

    Parameters
    ----------
    data : Readings
        Of one sensor.
    start, end : int
        The window, start included, end excluded; whole buckets are given at both ends. [us]
    width : int
        Most buckets wanted. [-]
    step : int, optional
        Bucket width, where it is already chosen. [us]

    Returns
    -------
    Window
        Only buckets that have readings.

    Raises
    ------
    ValueError
        As `step_for`.

    Examples
    --------
    >>> data = readings(np.arange(10) * SECOND, np.array([0, 0, 9, 0, 0, 0, 0, 0, 0, 0.0]))
    >>> drawn = window(data, start=0, end=10 * SECOND, width=3)
    >>> drawn.high
    array([9., 0.])
    """
    step = step_for(start, end, width) if step is None else step
    first, last = start // step, -(-end // step)
    edges = np.searchsorted(data.time, np.arange(first, last + 1) * step)
    index = np.flatnonzero(edges[1:] > edges[:-1])
    if len(index) == 0:
        none, nothing = np.empty(0), np.empty(0, np.int64)
        return Window(first * step, step, nothing, none, none, none, nothing, nothing)
    part, starts = slice(int(edges[0]), int(edges[-1])), edges[index] - edges[0]
    count = np.add.reduceat(data.count[part], starts)
    return Window(
        start=int(first * step),
        step=step,
        index=index,
        low=np.minimum.reduceat(data.low[part], starts),
        mean=np.add.reduceat(data.total[part], starts) / count,
        high=np.maximum.reduceat(data.high[part], starts),
        count=count,
        flagged=np.add.reduceat(data.flagged[part], starts),
    )


def gaps(drawn: Window, interval: int | None) -> list[tuple[int, int]]:
    """Return the stretches between readings that are too long for the sensor's interval.

    Parameters
    ----------
    drawn : Window
        What is drawn.
    interval : int or None
        Usual time between readings; None where it is not known. [us]

    Returns
    -------
    list of tuple of int
        End of the bucket before, start of the bucket after. [us]

    Examples
    --------
    >>> data = readings(np.array([0, 10, 20, 90, 100]) * SECOND, np.ones(5))
    >>> drawn = window(data, start=0, end=110 * SECOND, width=11)
    >>> [(a // SECOND, b // SECOND) for a, b in gaps(drawn, 10 * SECOND)]
    [(30, 90)]
    """
    usual = usual_interval(drawn) if interval is None else interval
    limit = GAP_STEPS * max(usual, drawn.step)
    apart = np.diff(drawn.index) * drawn.step
    return [
        (
            int(drawn.start + (drawn.index[i] + 1) * drawn.step),
            int(drawn.start + drawn.index[i + 1] * drawn.step),
        )
        for i in np.flatnonzero(apart >= limit)
    ]


def usual_interval(drawn: Window) -> int:
    """Return the middle distance between buckets that have readings, at least one bucket. [us]"""
    if len(drawn.index) < 2:  # noqa: PLR2004 - a distance needs two
        return drawn.step
    return int(np.median(np.diff(drawn.index))) * drawn.step
