"""Stretches of time in which a signal is on, from readings that are noisy, unevenly spaced and have holes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

OFF_SHARE = 0.5
"""A signal that is on goes off below this share of the level that turned it on, so that noise at the
level does not make it flicker. [-] Common practice, no source."""

BRIDGE_S = 600.0
"""Longest hole in the readings across which a signal that is on before and after is taken as on. [s]
A shorter one is a lost connection more often than two short runs. No source."""


def switched(series: pd.Series, *, on: float) -> pd.Series:
    """Return where a signal is on, with hysteresis.

    Parameters
    ----------
    series : pandas.Series
        Readings by ascending time, none missing. [any]
    on : float
        Level above which it is on; it goes off below `OFF_SHARE` of it. [as `series`]

    Returns
    -------
    pandas.Series of bool
        On the index of `series`; off until it first is on.

    Raises
    ------
    ValueError
        If `on` is not positive.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> switched(pd.Series([0.0, 12.0, 7.0, 2.0], times), on=10.0).tolist()
    [False, True, True, False]
    """
    if not on > 0:
        msg = f"the level {on} is not positive"
        raise ValueError(msg)
    values = series.to_numpy(dtype=float)
    state = np.where(values > on, 1.0, np.where(values < OFF_SHARE * on, 0.0, np.nan))
    filled = pd.Series(state, index=series.index).ffill().fillna(0.0)
    return filled > 0.5  # noqa: PLR2004 - half way between off and on


def gated(on: pd.Series, gate: pd.Series) -> pd.Series:
    """Return where a signal is on while a gate is open.

    Parameters
    ----------
    on : pandas.Series of bool
        The signal, by ascending time.
    gate : pandas.Series of bool
        The gate, by ascending time; it keeps its state until its next reading, and is shut before its first.

    Returns
    -------
    pandas.Series of bool
        On the times of both.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=3, freq="10s", tz="UTC")
    >>> gated(pd.Series(True, times), pd.Series([True], times[1:2])).tolist()
    [False, True, True]
    """
    times = on.index.union(gate.index)
    signal = on.reindex(times, method="ffill").fillna(value=False).astype(bool)
    open_ = gate.reindex(times, method="ffill").fillna(value=False).astype(bool)
    return signal & open_


def stretches(
    on: pd.Series, *, interval_s: float | None, hold_s: float, shortest_s: float
) -> list[tuple[pd.Timestamp, pd.Timestamp, bool]]:
    """Return when a signal was on.

    Parameters
    ----------
    on : pandas.Series of bool
        The signal, by ascending time.
    interval_s : float or None
        Time between readings as configured; None where the sensor reports changes only, so that a state
        holds until the next reading. [s]
    hold_s : float
        Pauses up to this long do not end a stretch. [s]
    shortest_s : float
        Shorter stretches are noise. [s]

    Returns
    -------
    list of (start, end, complete)
        In order. [UTC] A regular sensor's start and end lie half way between the readings that differ; one
        that reports changes gives them exactly. A hole longer than `BRIDGE_S` ends a stretch at the last
        reading before it. ``complete`` is False where it is still on at the last reading.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=9, freq="10s", tz="UTC")
    >>> signal = pd.Series([0, 0, 1, 1, 1, 1, 0, 0, 0], times).astype(bool)
    >>> [(a.second, b.second, c) for a, b, c in stretches(signal, interval_s=10, hold_s=30, shortest_s=20)]
    [(15, 55, True)]
    """
    if not on.any():
        return []
    times = seconds(pd.DatetimeIndex(on.index))
    bridge = np.inf if interval_s is None else max(BRIDGE_S, 3.0 * interval_s)
    starts, ends = _edges(on.to_numpy(dtype=bool), times, bridge, exact=interval_s is None)
    pauses = starts[1:] - ends[:-1]
    split = pauses > hold_s
    starts = starts[np.concatenate(([True], split))]
    ends = ends[np.concatenate((split, [True]))]
    running = bool(on.iloc[-1])
    found = []
    for place, (start, end) in enumerate(zip(starts, ends, strict=True)):
        complete = not (running and place == len(starts) - 1)
        if end - start >= shortest_s or not complete:
            found.append((_at(on, start), _at(on, end), complete))
    return found


def _edges(
    on: NDArray[np.bool_], times: NDArray[np.float64], bridge: float, *, exact: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return starts and ends in seconds, in order, of every stretch without a pause."""
    step = np.diff(times, prepend=times[0])
    hole = step > bridge
    before = np.concatenate(([False], on[:-1]))
    rises = on & (~before | hole)
    falls = before & (~on | hole)
    half = np.where(hole, 0.0, 0.0 if exact else step / 2.0)
    starts = (times - half)[rises]
    last_before = times - step
    ends = np.where(hole, last_before, times - half)[falls]
    return starts, np.concatenate((ends, times[-1:])) if on[-1] else ends


def _at(on: pd.Series, offset: float) -> pd.Timestamp:
    """Return the instant that lies so many seconds after the first reading."""
    return pd.Timestamp(on.index[0] + pd.to_timedelta(round(offset * 1e6), unit="us"))
