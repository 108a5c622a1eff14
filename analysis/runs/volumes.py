"""Volumes from flow meters and from registers, holes and resets counted instead of bridged in silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds

SECONDS_PER_HOUR = 3600.0

WRAP_NEAR = 0.9
"""A register whose size nobody stated and that falls from above this share of a power of ten to below the rest of
it is taken to have rolled over; from anywhere else it was reset. [-] No source."""

PACE = 3.0
"""A register has rolled over where that takes at most this many times the quickest rise of its other readings; a
quicker one was a reset. [-] No source."""


@dataclass(frozen=True, slots=True)
class Volume:
    """How much passed between two instants.

    Attributes
    ----------
    litres : float
        What was seen. [L]
    unseen_s : float
        Time in holes of the readings, for which nothing is counted. [s]
    resets : int
        Falls of a register that lost an unknown volume.
    wraps : int
        Times that a register went over its last digit; nothing is lost.
    readings : int
        Readings that it rests on.
    resolution : float
        Least step of a register; 0 for a flow. [L]
    """

    litres: float
    unseen_s: float
    resets: int = 0
    wraps: int = 0
    readings: int = 0
    resolution: float = 0.0


def integrate(flow: pd.Series, start: pd.Timestamp, end: pd.Timestamp, *, longest_gap_s: float) -> Volume:
    """Integrate a flow over time by the trapezoid rule.

    Parameters
    ----------
    flow : pandas.Series
        Flow by ascending time, good readings only. [L/h]
    start, end : pandas.Timestamp
        Ends of the integral. [UTC] At each end the flow is interpolated between the readings around it,
        where they are no further apart than a gap.
    longest_gap_s : float
        Longest time between readings that is no hole. [s]

    Returns
    -------
    Volume
        With the time in holes, which adds nothing to the volume.

    Raises
    ------
    ValueError
        If `end` is before `start`.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=7, freq="10s", tz="UTC")
    >>> integrate(pd.Series(360.0, times), times[0], times[-1], longest_gap_s=60).litres
    6.0
    """
    if end < start:
        msg = f"the integral runs from {start} back to {end}"
        raise ValueError(msg)
    times, values = _known(flow)
    if len(times) == 0:
        return Volume(0.0, (end - start).total_seconds())
    first, last = _offset(flow, start), _offset(flow, end)
    grid = np.unique(np.concatenate(([first, last], times[(times > first) & (times < last)])))
    level = np.interp(grid, times, values)
    step, middle = np.diff(grid), (grid[:-1] + grid[1:]) / 2
    right = np.searchsorted(times, middle)
    seen = (right > 0) & (right < len(times))
    width = np.where(seen, times[np.minimum(right, len(times) - 1)] - times[np.maximum(right - 1, 0)], np.inf)
    counted = width <= longest_gap_s
    litres = float(((level[:-1] + level[1:]) / 2 * step)[counted].sum() / SECONDS_PER_HOUR)
    inside = int(((times >= first) & (times <= last)).sum())
    return Volume(litres, float(step[~counted].sum()), readings=inside)


def register_volume(
    register: pd.Series, start: pd.Timestamp, end: pd.Timestamp, *, size_known: bool
) -> Volume:
    """Return what a totalising register counted between two instants.

    Parameters
    ----------
    register : pandas.Series
        Register readings by ascending time, good readings only, as `running_total` gives them. [L]
    start, end : pandas.Timestamp
        Ends. [UTC] The register is read at the last reading up to each end, or the first one in between
        where there is none before.
    size_known : bool
        Whether the installation states where the register begins again: then its roll-overs have been taken
        out, and what still falls was reset.

    Returns
    -------
    Volume
        As `register_steps` counts it.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> counts = pd.Series([9990.0, 9998.0, 6.0, 14.0], times)
    >>> register_volume(counts, times[0], times[-1], size_known=False).litres
    24.0
    """
    known = register.dropna()
    before = known[known.index <= start].iloc[-1:]
    part = pd.concat([before, known[(known.index > start) & (known.index <= end)]])
    values = part.to_numpy(dtype=float)
    if len(values) < 2:  # noqa: PLR2004 - a difference takes two readings
        return Volume(0.0, (end - start).total_seconds(), readings=len(values))
    step, resets, wraps = register_steps(values, size_known=size_known)
    late = max(0.0, (part.index[0] - start).total_seconds())
    rises = step[step > 0]
    return Volume(
        float(step.sum()),
        late,
        resets=resets,
        wraps=wraps,
        readings=len(values),
        resolution=float(rises.min()) if len(rises) else 0.0,
    )


def register_steps(values: np.ndarray, *, size_known: bool) -> tuple[np.ndarray, int, int]:
    """Return what a register counted between its readings, with the resets and roll-overs among them.

    Parameters
    ----------
    values : numpy.ndarray
        Readings in order, shape (n,), n of 1 or more. [L]
    size_known : bool
        As in `register_volume`.

    Returns
    -------
    steps : numpy.ndarray
        Volume between readings, none negative, shape (n - 1,). [L] Where the register's size is not
        stated, a fall from just below a power of ten to a small reading is a roll-over and counted
        through. Any other fall is a reset: after one to near zero what was counted since stands, after one
        to another reading nothing does; what was lost is not known.
    resets, wraps : int
        How many of each.

    Examples
    --------
    >>> register_steps(np.array([9998.0, 6.0, 3.0]), size_known=False)
    (array([8., 0.]), 1, 1)
    >>> register_steps(np.array([9998.0, 6.0, 3.0]), size_known=True)
    (array([6., 0.]), 2, 0)
    """
    steps, wraps = np.diff(values), 0
    falls = np.nonzero(steps < 0)[0]
    for place in falls:
        last, new = float(values[place]), float(values[place + 1])
        modulus = 10.0 ** np.ceil(np.log10(max(last, 1e-9)))
        rolled = not size_known and last >= WRAP_NEAR * modulus and new <= (1 - WRAP_NEAR) * modulus
        since = new if new <= (1 - WRAP_NEAR) * last else 0.0
        steps[place] = modulus + steps[place] if rolled else since
        wraps += int(rolled)
    return steps, len(falls) - wraps, wraps


def running_total(readings: pd.Series, *, increments: bool, rolls_over_at: float | None) -> pd.Series:
    """Return a volume sensor's readings as a register that only rises, but for resets.

    Parameters
    ----------
    readings : pandas.Series
        By ascending time, good readings only. [L]
    increments : bool
        Whether the device sends what passed since its last reading, instead of a total.
    rolls_over_at : float or None
        Where its register begins again at zero, where that is known. [L] A fall is a roll-over only where the
        water that it takes could have passed: a register that a power cut sets to zero is left falling.

    Returns
    -------
    pandas.Series
        On the index of `readings`. An increment that was lost is not made up for. [L]

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=3, freq="10s", tz="UTC")
    >>> running_total(pd.Series([998.0, 999.0, 1.0], times), increments=False, rolls_over_at=1000).tolist()
    [998.0, 999.0, 1001.0]
    >>> running_total(pd.Series([298.0, 299.0, 1.0], times), increments=False, rolls_over_at=1000).tolist()
    [298.0, 299.0, 1.0]
    >>> running_total(pd.Series([2.0, 0.0, 1.0], times), increments=True, rolls_over_at=None).tolist()
    [2.0, 2.0, 3.0]
    """
    if increments:
        return readings.cumsum()
    if rolls_over_at is None or len(readings) < 2:  # noqa: PLR2004 - a fall takes two readings
        return readings
    values = readings.to_numpy(dtype=float)
    width, steps = np.diff(seconds(pd.DatetimeIndex(readings.index))), np.diff(values)
    rises = steps[steps > 0]
    pace = float(np.max(steps[steps > 0] / width[steps > 0])) if len(rises) else 0.0
    taken = steps + rolls_over_at
    room = np.maximum(PACE * pace * width, rises.max() if len(rises) else (1.0 - WRAP_NEAR) * rolls_over_at)
    rolled = (steps < 0) & (taken <= room)
    return pd.Series(readings + rolls_over_at * np.concatenate(([0], np.cumsum(rolled))))


def register_flow(register: pd.Series, *, window_s: float) -> pd.Series:
    """Return the flow that a register's rise over a window implies.

    Parameters
    ----------
    register : pandas.Series
        Register readings by ascending time, good readings only. [L]
    window_s : float
        Window, centred on each reading; long enough to hold several pulses of the least flow that
        matters, because the difference of two neighbouring readings of a pulse meter is noise. [s]

    Returns
    -------
    pandas.Series
        On the index of `register`; falls of the register count as no flow. [L/h]

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=9, freq="10s", tz="UTC")
    >>> register_flow(pd.Series(np.arange(9.0), times), window_s=40).tolist()[4]
    360.0
    """
    known = register.dropna()
    times, values = _known(known)
    if len(times) < 2:  # noqa: PLR2004 - a difference takes two readings
        return pd.Series(0.0, index=known.index)
    rise = np.concatenate(([0.0], np.cumsum(np.maximum(np.diff(values), 0.0))))
    left = np.maximum(times - window_s / 2, times[0])
    right = np.minimum(times + window_s / 2, times[-1])
    litres = np.interp(right, times, rise) - np.interp(left, times, rise)
    return pd.Series(litres / (right - left) * SECONDS_PER_HOUR, index=known.index)


def _known(series: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return times [s] since the first known reading, and the known values."""
    known = series.dropna()
    return seconds(pd.DatetimeIndex(known.index)), known.to_numpy(dtype=float)


def _offset(series: pd.Series, instant: pd.Timestamp) -> float:
    """Return an instant as seconds after the first known reading."""
    return float((instant - series.dropna().index[0]).total_seconds())
