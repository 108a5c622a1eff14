"""How long after their own time readings came in, hour by hour, where they came in live."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds
from analysis.results import Feature

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from analysis.view import PeriodView

    Array = NDArray[np.float64]

DELAY = "receipt after a reading's own time"
"""Name of the feature of a sensor and a few hours: median over messages of the newest reading's delay. [s]"""

BIN_S = 7200.0
"""Time over which a delay is taken. [s] No source."""

LEAST_MESSAGES = 4
"""Messages that it needs. No source."""

LIVE = (0.5, 2.0)
"""Time of receipt over time of the readings, within which they came in live and not from a store. [-] No source."""

STAMPED_S = 0.001
"""Delay up to which a reading has the time of its receipt, and tells nothing of a clock. [s]"""

APART_S, APART_SCATTERS = 2.0, 4.0
"""Change of the delay within a day that is left as a further feature. [s], [-] No source."""


class Level(NamedTuple):
    """A sensor's delay over some time."""

    at: pd.Timestamp
    delay: float
    scatter: float


def clock_levels(period: PeriodView) -> Sequence[Feature]:
    """Leave by how much the receipt of each sensor's readings lags behind their own time.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Feature
        One a sensor and day, and one more whenever the delay has changed; negative where readings came from
        the future. None for readings that were loaded from a file, were held back, or have no time of their own.
    """
    found = []
    for name, delays in period.delays.items():
        last: Level | None = None
        for level in levels(delays):
            if last is None or _apart(last, level):
                zone = period.installation.sensor[name].zone
                found.append(Feature(DELAY, zone, level.at, level.delay, level.scatter, (name,)))
                last = level
    return found


def _apart(one: Level, two: Level) -> bool:
    scatter = max(one.scatter, two.scatter)
    return abs(two.delay - one.delay) > max(APART_S, APART_SCATTERS * scatter)


def levels(delays: pd.Series) -> Iterator[Level]:
    """Yield the delay of live messages, `BIN_S` at a time.

    Parameters
    ----------
    delays : pandas.Series
        Receipt minus time of each reading, by time. [s]

    Yields
    ------
    Level
        In the order of time; a message counts once, by its newest reading.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=6, freq="10min", tz="UTC")
    >>> [(level.delay, level.scatter) for level in levels(pd.Series(1.5, times))]
    [(1.5, 0.0)]
    """
    index = pd.DatetimeIndex(delays.index)
    times, values = seconds(index), delays.to_numpy(dtype=float)
    if times.size < LEAST_MESSAGES or float(np.abs(values).max()) < STAMPED_S:
        return
    received = np.round(times + values, 6)
    newest = _newest(received)
    bins = np.floor(times[newest] / BIN_S).astype(np.int64)
    for number in np.unique(bins):
        part = newest[bins == number]
        span, receipt = np.ptp(times[part]), np.ptp(received[part])
        if part.size < LEAST_MESSAGES or span <= 0 or not LIVE[0] <= receipt / span <= LIVE[1]:
            continue
        middle = float(np.median(values[part]))
        scatter = float(1.4826 * np.median(np.abs(values[part] - middle)))
        yield Level(pd.Timestamp(index[part[0]]), middle, scatter)


def between_messages(delays: pd.Series) -> float | None:
    """Return the usual time from one live message to the next: a device may keep many readings for one message.

    Parameters
    ----------
    delays : pandas.Series
        Receipt minus time of each reading, by time. [s]

    Returns
    -------
    float or None
        Median over the messages [s]; None where the readings did not come in live.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=360, freq="10s", tz="UTC")
    >>> receipts = times.ceil("15min")
    >>> between_messages(pd.Series((receipts - times).total_seconds(), times))
    900.0
    """
    times, values = seconds(pd.DatetimeIndex(delays.index)), delays.to_numpy(dtype=float)
    if times.size < LEAST_MESSAGES or float(np.abs(values).max()) < STAMPED_S:
        return None
    received = np.round(times + values, 6)
    newest = _newest(received)
    span, receipt = np.ptp(times[newest]), np.ptp(received[newest])
    if newest.size < LEAST_MESSAGES or span <= 0 or not LIVE[0] <= receipt / span <= LIVE[1]:
        return None
    return float(np.median(np.diff(np.sort(received[newest]))))


def _newest(received: Array) -> NDArray[np.int64]:
    """Return the places, by time, of the newest reading of each message: of those received at one instant."""
    order = np.lexsort((np.arange(received.size), received))
    last = np.concatenate((np.diff(received[order]) > 0, [True]))
    return np.sort(order[last])
