"""Where in a run the conductivity stands at its plateau: delays, lags and switching cut away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.injection.totals import seconds
from analysis.results import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_READINGS = 6
"""Readings that a plateau needs. No source."""

LEAST_RISE = 8.0
"""The step must stand this many standard deviations of the base above it. No source."""

TOLD_LATE_S = 120.0
"""An injection that was told from EC itself may be told this much after its rise began. [s] No source."""

LATE_READINGS = 20
"""Readings before the fall that tell the step's height there. No source."""

STEADY_PLATEAU = 0.03
"""A far cell's plateau is reached while its halves agree within this share of the step. No source."""


NO_RISE = "EC does not rise above the source water: no stock reached this cell, or it does not conduct"
"""Why there is no plateau where there is not even a step."""


@dataclass(frozen=True, slots=True)
class Plateau:
    """The usable part of an injection at one cell.

    Attributes
    ----------
    window : Interval
        From and to. [UTC]
    front : Interval
        From the rise's 50 % to the fall's, or to the end of the injection where no fall was seen. Delay and
        response time move both alike, so that its length is the injection's own. [UTC]
    rise_s : float
        Time from 50 to 90 % of the step at the rise. [s]
    drift : float
        Mean of the second half over the first, minus 1. [-]
    """

    window: Interval
    front: Interval
    rise_s: float
    drift: float


def plateau(step: pd.Series, injection: Interval, *, noise: float, lag_s: float, near: bool) -> Plateau | str:
    """Find the plateau of an EC step, or say why there is none.

    Parameters
    ----------
    step : pandas.Series
        EC above the source water, by time. [mS/cm at 25 °C]
    injection : Interval
        When stock enters at the injector. [UTC]
    noise : float
        Standard deviation of single readings of the step. [mS/cm]
    lag_s : float
        Longest response time of the cell. [s]
    near : bool
        True for a cell at the head, whose delay is short and whose step may sag with the ratio; False for
        a cell in the zone, whose front is spread and whose plateau must be flat to count.

    Returns
    -------
    Plateau or str
        The plateau, or the reason.
    """
    times = seconds(pd.DatetimeIndex(step.index))
    values = step.rolling(5, center=True, min_periods=1).median().to_numpy(float)
    start, end = injection.start.timestamp(), injection.end.timestamp()
    seen = (times >= start) & ((times <= end) | (not near))
    if int(seen.sum()) < LEAST_READINGS:
        return f"only {int(seen.sum())} EC readings during the injection; {LEAST_READINGS} are needed"
    level = _level(values[seen], near=near)
    if not level > LEAST_RISE * noise:
        return NO_RISE
    bounds = _bounds(times, values, start, level)
    if bounds is None:
        return "the rise of EC was not seen"
    half, high, fall = bounds
    rise = max(high - half, 0.0)
    first = high + 2.0 * rise + lag_s
    last = min(end, times[-1]) if near else times[-1]
    if fall is not None:
        last = min(last, fall - rise - lag_s) if near else fall - rise - lag_s
    inside = (times >= first) & (times <= last)
    if int(inside.sum()) < LEAST_READINGS:
        return (
            "the injection is too short for this cell: EC had not settled before it ended; "
            "state the cell's lag, or inject longer"
        )
    front = injection if fall is None else Interval(_instant(half), _instant(fall))
    return _judge(step, times, inside, front, rise, near=near)


def _instant(second: float) -> pd.Timestamp:
    """Return seconds since 1970 as an instant. [UTC]"""
    return pd.Timestamp(second, unit="s", tz="UTC").round("us")


def _level(values: NDArray[np.float64], *, near: bool) -> float:
    """Return the step's height: its early median near the injector, its upper part far from it."""
    if near:
        early = values[len(values) // 10 : max(len(values) // 3, len(values) // 10 + 3)]
        return float(np.median(early))
    return float(np.quantile(values, 0.9))


def _bounds(
    times: NDArray[np.float64], values: NDArray[np.float64], start: float, level: float
) -> tuple[float, float, float | None] | None:
    """Return when the rise passes 50 and 90 % of the step, and when the fall passes 50 %, if it was seen."""
    later = times >= start - TOLD_LATE_S
    over = np.flatnonzero(later & (values >= 0.5 * level))
    high = np.flatnonzero(later & (values >= 0.9 * level))
    if len(over) == 0 or len(high) == 0:
        return None
    half = _crossing(times, values, int(over[0]), 0.5 * level)
    after = np.arange(len(values)) > int(high[0])
    under = np.flatnonzero(after & (values < 0.5 * level))
    if len(under) == 0:
        return half, float(times[int(high[0])]), None
    down = int(under[0])
    late = float(
        np.median(values[max(int(high[0]), down - LATE_READINGS - 3) : max(down - 3, int(high[0]) + 1)])
    )
    below = np.flatnonzero(after & (values < 0.5 * late))
    fall = _crossing(times, values, int(below[0]), 0.5 * late) if len(below) else None
    return half, float(times[int(high[0])]), fall


def _crossing(times: NDArray[np.float64], values: NDArray[np.float64], at: int, level: float) -> float:
    """Return when a level is passed between a reading and the one before it. [s]"""
    if at == 0 or values[at] == values[at - 1]:
        return float(times[at])
    share = (level - values[at - 1]) / (values[at] - values[at - 1])
    return float(times[at - 1] + np.clip(share, 0.0, 1.0) * (times[at] - times[at - 1]))


def _judge(
    step: pd.Series,
    times: NDArray[np.float64],
    inside: NDArray[np.bool_],
    front: Interval,
    rise: float,
    *,
    near: bool,
) -> Plateau | str:
    """Return the plateau with its drift; a far cell's must be flat."""
    part = step.to_numpy(float)[inside]
    half = len(part) // 2
    drift = float(np.mean(part[half:]) / np.mean(part[:half]) - 1.0)
    if not near and abs(drift) > STEADY_PLATEAU:
        return f"the plateau was not reached: EC still changed by {drift:+.1%} between its halves"
    kept = times[inside]
    return Plateau(Interval(_instant(kept[0]), _instant(kept[-1])), front, rise, drift)
