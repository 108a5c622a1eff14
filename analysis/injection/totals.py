"""Volumes between two instants, from totals of pulse registers or from flow readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.results import Interval
from analysis.runs.volumes import register_steps

if TYPE_CHECKING:
    from ingest.installation import Sensor

LONGEST_GAP = 4.0
"""A silence longer than this many usual steps is a gap: flow over it is a guess. No source."""

LEAST_SHARE = 0.9
"""A total from flow readings needs readings over at least this share of the time. No source."""


@dataclass(frozen=True, slots=True)
class Total:
    """A volume that passed between two instants.

    Attributes
    ----------
    litres : float
        The volume. [L]
    sd : float
        Standard uncertainty from resolution in count and time alone. [L]
    share : float
        Share of the time that readings cover. [-]
    """

    litres: float
    sd: float
    share: float


def seconds(index: pd.DatetimeIndex) -> np.ndarray:
    """Return times as seconds since 1970, float64, shape (n,)."""
    return np.asarray(index.as_unit("us").asi8) / 1e6


def usual_step(times: np.ndarray) -> float:
    """Return the median time between readings; nan where there are fewer than two. [s]"""
    return float(np.median(np.diff(times))) if len(times) > 1 else math.nan


def cumulative(series: pd.Series, sensor: Sensor) -> pd.Series:
    """Return the running total of a meter.

    Parameters
    ----------
    series : pandas.Series
        Readings by time: flow, or litres of a register as `running_total` gives them. [L/h] or [L]
    sensor : Sensor
        The meter; its quantity says which.

    Returns
    -------
    pandas.Series
        Total since the first reading, same index. A register that falls is counted as `register_steps` says. Flow
        is integrated by trapezoids, over a gap by a straight line (`Total.share` tells how much of the time
        readings cover). [L]

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> times = pd.date_range("2026-06-01", periods=3, freq="30min", tz="UTC")
    >>> flow = pd.Series([100.0, 100.0, 200.0], times)
    >>> cumulative(flow, SimpleNamespace(quantity="flow")).tolist()
    [0.0, 50.0, 125.0]
    """
    values = series.to_numpy(float)
    if len(values) == 0:
        return series
    if sensor.quantity == "volume":
        steps, _, _ = register_steps(values, size_known=sensor.rolls_over_at is not None)
    else:
        width = np.diff(seconds(pd.DatetimeIndex(series.index)))
        steps = 0.5 * (values[1:] + values[:-1]) * width / 3600.0
    return pd.Series(np.concatenate([[0.0], np.cumsum(steps)]), series.index)


def total(series: pd.Series, sensor: Sensor, window: Interval) -> Total:
    """Return the volume that a meter saw between two instants.

    Parameters
    ----------
    series : pandas.Series
        Readings by time. [stored unit]
    sensor : Sensor
        The meter.
    window : Interval
        From and to. [UTC]

    Returns
    -------
    Total
        The volume; its `sd` is that of one count at each end for a pulse register. Where the readings begin or
        end within the window, the mean rate of the rest is taken for what is missing, and `share` is without it.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> times = pd.date_range("2026-06-01", periods=55, freq="1min", tz="UTC")
    >>> meter = SimpleNamespace(quantity="flow", pulses_per_litre=None)
    >>> hour = Interval(times[0], times[0] + pd.Timedelta("60min"))
    >>> seen = total(pd.Series(100.0, times), meter, hour)
    >>> round(seen.litres, 6), round(seen.share, 6)
    (100.0, 0.9)
    """
    running = cumulative(series, sensor)
    times = seconds(pd.DatetimeIndex(running.index))
    start, end = window.start.timestamp(), window.end.timestamp()
    pulse = 0.0 if sensor.pulses_per_litre is None else 1.0 / sensor.pulses_per_litre
    first, last = (max(start, times[0]), min(end, times[-1])) if len(times) else (end, start)
    if last <= first:
        return Total(0.0, pulse / math.sqrt(6.0), 0.0)
    span = float(last - first) / (end - start)
    at = np.interp([first, last], times, running.to_numpy(float))
    inside = times[(times >= start) & (times <= end)]
    return Total(
        float(at[1] - at[0]) / span, pulse / math.sqrt(6.0), span * _share(inside, times, first, last)
    )


def _share(inside: np.ndarray, times: np.ndarray, start: float, end: float) -> float:
    """Return the share of a window that readings no further apart than a gap cover."""
    if len(inside) == 0 or end <= start:
        return 0.0
    longest = LONGEST_GAP * usual_step(times)
    steps = np.diff(np.concatenate([[start], inside, [end]]))
    return float(steps[steps <= longest].sum() / (end - start))


def between_edges(series: pd.Series, window: Interval) -> tuple[Interval, float, float] | None:
    """Return the widest stretch between two counts of a register inside a window.

    Between two counts a whole number of pulses passed, so that the volume is exact and only the instants
    are uncertain, by the time between readings. A slow stock meter is read far better so than by its
    counts between two arbitrary instants.

    Parameters
    ----------
    series : pandas.Series
        Register readings by time. [L]
    window : Interval
        From and to. [UTC]

    Returns
    -------
    tuple or None
        The stretch, the litres in it, and the standard uncertainty of its length; None where fewer than
        two readings counted up. [UTC], [L], [s]

    Examples
    --------
    >>> times = pd.date_range("2026-06-01", periods=7, freq="10s", tz="UTC")
    >>> register = pd.Series([0.0, 0.0, 0.1, 0.1, 0.2, 0.2, 0.2], times)
    >>> stretch, litres, sd = between_edges(register, Interval(times[0], times[-1]))
    >>> (stretch.end - stretch.start).total_seconds(), round(litres, 3), round(sd, 2)
    (20.0, 0.1, 4.08)
    """
    part = series[(series.index >= window.start) & (series.index <= window.end)]
    values, times = part.to_numpy(float), seconds(pd.DatetimeIndex(part.index))
    rises = np.flatnonzero(np.diff(values) > 0) + 1
    if len(rises) < 2 or (np.diff(values) < 0).any():  # noqa: PLR2004 - a first and a last count
        return None
    first, last = int(rises[0]), int(rises[-1])
    smallest = float(np.diff(values)[rises - 1].min())
    ends, spread = [], 0.0
    for i in (first, last):
        width = (times[i] - times[i - 1]) / max(1.0, round((values[i] - values[i - 1]) / smallest))
        ends.append(times[i] - 0.5 * width)
        spread += width * width / 12.0
    stretch = Interval(*(pd.Timestamp(t, unit="s", tz="UTC") for t in ends))
    return stretch, float(values[last] - values[first]), math.sqrt(spread)
