"""When a front of stock passes a cell, and how long it travels from one cell to another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from analysis.injection.cells import Cell, cell
from analysis.quality.checks import seconds
from analysis.quality.flags import noise
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.samples import is_spot
from analysis.uncertainty import COVERAGE_FACTOR, Source, Uncertain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

QUANTITY = "travel time"

POINTS = ("mixed", "after filter", "zone", "lateral end")
"""Where a front can be seen, in the order that it passes."""

FAR_POINTS = ("zone", "lateral end")
"""Where it has travelled through pipes."""

DECAYS = (
    "a displacement tank's feed is strongest at its start and falls from then on, so its front has no half height; "
    "the time from the pipes tells"
)

COUNTS = "for the way between these two it counts before any time from the pipes"
"""Which travel time to trust, in the method's words."""

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

CREEP_GOING = 0.05
"""The same while the run goes on and the front may still be coming. [-] Fronts of the shapes of the error function and
the inverse Gaussian, cut anywhere, are then told to half of their interval (computed)."""

LEAST_BASE = 3
"""Readings of the water before the front. No source."""

LEAST_NOISES = 8.0
"""The rise must stand this many standard deviations of the cell's noise above the water. [-] As a plateau in
`analysis.injection.window`."""

LEAST_SHARE = 0.02
"""The rise must be at least this share of the water's EC: it wanders by as much. [-] No source."""

UNKNOWN_LAG = (0.0, 12.0)
"""Response time where none is stated. [s] Conductivity cells, from memory."""


@dataclass(frozen=True, slots=True)
class Front:
    """One front at one cell.

    Attributes
    ----------
    sensor : str
        The cell.
    at : pandas.Timestamp
        When EC had risen half way. [UTC]
    terms : dict of Source to float
        Standard uncertainty by its cause. [s]
    base, top : float
        EC of the water and of the plateau. [mS/cm at 25 °C]
    lag_s : float
        Middle of the cell's response time. [s]
    """

    sensor: str
    at: pd.Timestamp
    terms: dict[Source, float]
    base: float
    top: float
    lag_s: float


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


def front(view: RunView, name: str) -> Front | str:
    """Return when a run's front of stock passed one cell.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    name : str
        A conductivity cell.

    Returns
    -------
    Front or str
        The front with its uncertainty from noise, sampling, the plateau's height and lag; or why there is none.
    """
    injection, seen = view.run.injection, cell(view, name)
    if injection is None:
        return "no injection was found in this run"
    if not isinstance(seen, Cell):
        return seen
    start = injection.start - pd.Timedelta(minutes=2)  # an injection told from EC is told at half height
    largest = LARGEST_CREEP if view.run.complete else CREEP_GOING
    found = arrival(seen.series[seen.series.index < view.run.end], start, largest_creep=largest)
    if isinstance(found, str):
        return found
    at, slope, base, top = found
    sensor = view.installation.sensor[name]
    low, high = sensor.lag or UNKNOWN_LAG
    step = float(np.median(np.diff(seconds(pd.DatetimeIndex(seen.series.index)))))
    late = seen.series[(seen.series.index > at) & (seen.series >= base + NEAR_TOP * (top - base))]
    half = len(late) // 2
    creep = abs(float(late.iloc[half:].median() - late.iloc[:half].median())) if half else 0.0
    terms = {
        Source("noise", name): noise(seen.series) / slope,
        Source("time between readings", name): step / math.sqrt(12.0),
        Source("height of the plateau", name): HALF * creep / slope / math.sqrt(3.0),
        Source("lag of the cell", name): (high - low) / math.sqrt(12.0),
    }
    return Front(name, at, terms, base, top, (low + high) / 2.0)


def travel_between(view: RunView) -> Sequence[Estimate]:
    """Estimate how long stock travelled from the first cell that it passed to each later one.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        With a stock meter, from the start of the injection to each cell in the zone; else from the first cell
        that the front passed to each later one. A refusal where a cell saw no front. Nothing with one place
        only, or without injection.

    Notes
    -----
    The time to the instant at which EC has risen half way. It is the travel of the front, not the clear-out
    time, which is longer.

    References
    ----------
    Time of travel between half heights: Kilpatrick and Wilson, USGS Techniques of Water-Resources
    Investigations 3-A9 (1989).
    """
    if view.run.injection is None or view.injector is None:
        return []
    origin = _at_injector(view)
    points = FAR_POINTS if origin is not None else POINTS
    names = [n for n in view.sensors("conductivity", *points) if not is_spot(view.installation.sensor[n])]
    if len(names) < (1 if origin is not None else 2):
        return []
    method = "between the half heights of the front of EC"
    if view.injector.kind == "displacement tank":
        return [refused(QUANTITY, method, DECAYS, tuple(names))]
    fronts = {name: front(view, name) for name in names}
    seen = sorted((f for f in fronts.values() if isinstance(f, Front)), key=lambda f: f.at)
    missing = {name: f for name, f in fronts.items() if isinstance(f, str)}
    said = [refused(QUANTITY, method, f"{name}: {why}", tuple(names)) for name, why in missing.items()]
    if origin is not None:
        return [*[_estimate(origin, later) for later in seen], *said]
    return [*[_estimate(seen[0], later) for later in seen[1:]], *said]


def _at_injector(view: RunView) -> Front | None:
    """Return the front as the stock's meter saw it start; None without such a meter."""
    names = [*view.sensors("flow", "stock"), *view.sensors("volume", "stock")]
    if not names or view.run.injection is None:
        return None
    name = names[0]
    interval = view.installation.sensor[name].interval or 0.0
    terms = {Source("time between readings", name): interval / math.sqrt(12.0)}
    return Front(name, view.run.injection.start, terms, 0.0, 0.0, 0.0)


def _estimate(first: Front, later: Front) -> Estimate:
    """Return the travel time between two fronts, lags taken off."""
    value = (later.at - first.at).total_seconds() - (later.lag_s - first.lag_s)
    found = Uncertain(value, {**first.terms, **later.terms})
    half = COVERAGE_FACTOR * found.sd
    words = f"measured: {_seen(first)} to {_seen(later)}, lags of the cells taken off; {COUNTS}"
    return Estimate(
        QUANTITY,
        None,
        None,
        value,
        ESTIMATE_UNITS[QUANTITY],
        max(value - half, 0.0),
        value + half,
        words,
        (first.sensor, later.sensor),
        budget=found.budget(),
    )


def _seen(one: Front) -> str:
    """Return where and when a front was seen, in words."""
    if one.top == one.base:
        return f"from the start of the injection at {one.sensor} ({one.at:%H:%M:%S} UTC)"
    return (
        f"half height of the front of EC at {one.sensor} ({one.at:%H:%M:%S} UTC, {one.base:.4g} to "
        f"{one.top:.4g} mS/cm)"
    )
