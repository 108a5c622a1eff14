"""When a rise of EC has come half way to its plateau, and whether the plateau was seen at all."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from analysis.quality.checks import seconds
from analysis.quality.flags import noise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

HALF = 0.5
"""A front has arrived when EC has risen half way: half of the stock's first minute is still to come, half
has passed, for a symmetric front. [-] Levenspiel, Chemical Reaction Engineering, ch. 13."""

NEAR_TOP = 0.9
"""Readings above this share of the rise belong to the plateau. [-] No source."""

SLOPE_BAND = 0.1
"""Half width of the band around the half height in which the front's steepness is taken. [of the rise]"""

LEAST_PLATEAU = 4
"""Readings that a plateau needs, two in each half. No source."""

LARGEST_CREEP = 0.1
"""A plateau whose halves differ by more than this share of the rise is none. [-] No source."""

LEAST_BASE = 3
"""Readings of the water before the front. No source."""

LEAST_NOISES = 8.0
"""The rise must stand this many standard deviations of the cell's noise above the water. [-] As a plateau in
`analysis.injection.window`."""

LEAST_SHARE = 0.02
"""The rise must be at least this share of the water's EC: it wanders by as much. [-] No source."""


def arrival(
    series: pd.Series, start: pd.Timestamp, *, largest_creep: float = LARGEST_CREEP
) -> tuple[pd.Timestamp, float, float, float] | str:
    """Return when a series has risen half way from its level before an instant to its plateau.

    Parameters
    ----------
    series : pandas.Series
        EC by ascending time, from before the front to its plateau or beyond. [mS/cm at 25 °C]
    start : pandas.Timestamp
        An instant before the front, to which the series is the water's. [UTC]
    largest_creep : float, optional
        How much of the rise the plateau's halves may differ by. [-]

    Returns
    -------
    tuple or str
        When [UTC], slope there [mS/cm per s], the water's EC and the plateau's [mS/cm]; or why there is none.

    References
    ----------
    Isotonic regression of the rise, Barlow et al., Statistical Inference under Order Restrictions (1972), so
    that noise does not cross the level twice; linear between readings.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=120, freq="10s", tz="UTC")
    >>> rise = pd.Series(0.5 + 1.5 / (1 + np.exp(-(np.arange(120) - 60.0) / 3)), times)
    >>> arrival(rise, times[20])[0].round("1s").strftime("%H:%M:%S")
    '00:10:00'
    """
    before = series[series.index < start]
    after = series[series.index >= start]
    if len(before) < LEAST_BASE or len(after) < LEAST_BASE:
        return "it saw too little of the water before the front, or of the front"
    base = float(before.median())
    calm = after.rolling(5, center=True, min_periods=1).median()
    peak = float(calm.quantile(0.9)) - base
    if not peak > max(LEAST_NOISES * noise(series), LEAST_SHARE * base):
        return f"its EC rose by {max(peak, 0.0):.2g} mS/cm only, which is no front"
    high = np.flatnonzero((calm >= base + NEAR_TOP * peak).to_numpy())
    top = float(calm.iloc[high].median())
    limb = after.iloc[: int(high[0]) + 1]
    times, level = seconds(pd.DatetimeIndex(limb.index)), base + HALF * (top - base)
    rise = np.asarray(isotonic_regression(limb.to_numpy(dtype=float)).x, dtype=float)
    halves = np.array_split(calm.iloc[high].to_numpy(dtype=float), 2)
    creep = (
        abs(float(np.median(halves[1]) - np.median(halves[0]))) if len(high) >= LEAST_PLATEAU else math.inf
    )
    if creep > largest_creep * (top - base):
        return "its front had not come to its whole height; a longer injection would show it"
    if not rise[0] < level <= rise[-1]:
        return "its front came before the injection was seen to begin"
    at, band = crossing(times, rise, level), SLOPE_BAND * (top - base)
    width = max(crossing(times, rise, level + band) - crossing(times, rise, level - band), 1e-9)
    return (
        pd.Timestamp(limb.index[0] + pd.to_timedelta(round(at * 1e6), unit="us")),
        2 * band / width,
        base,
        top,
    )


def crossing(times: Array, rise: Array, level: float) -> float:
    """Return when a rise passes a level: between readings on a line, on a flat in its middle.

    Parameters
    ----------
    times, rise : numpy.ndarray
        Times, ascending, and values that never fall; shape (n,). [s], [any]
    level : float
        The level. [as `rise`]

    Returns
    -------
    float
        When; the first time where the rise begins above the level. [s]

    Examples
    --------
    >>> crossing(np.array([0.0, 10.0, 20.0]), np.array([0.0, 1.0, 3.0]), 2.0)
    15.0
    """
    left = int(np.searchsorted(rise, level, side="left")) - 1
    right = min(int(np.searchsorted(rise, level, side="right")), len(rise) - 1)
    if left < 0:
        return float(times[0])
    if right - left > 1:  # readings at the level itself
        return float(times[left + 1] + times[right - 1]) / 2.0
    share = (level - rise[left]) / max(rise[right] - rise[left], 1e-300)
    return float(times[left] + min(share, 1.0) * (times[right] - times[left]))
