"""When and how fast each sensor answers to the two ends of a run or an injection, left for the season."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds
from analysis.quality.flags import noise
from analysis.quality.gaps import longest_gap_s
from analysis.results import Feature, Interval
from analysis.runs.slices import between

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

AT_START, AT_END = "edge at start", "edge at end"
"""Features of a sensor and run: when it passed half of its step, after the run's start or end. [s]"""

RESPONSE = "time of response"
"""Feature of a sensor and run: the sharper of its two edges as a first-order response time. [s]"""

QUICK = {
    "flow": ("supply", "source", "mixed", "after filter", "zone"),
    "pressure": ("supply", "source", "mixed", "after filter", "zone"),
    "valve state": ("zone",),
}
"""Quantity to the points at which a run's ends show within seconds: no lateral ends, which fill slowly."""

CELLS = ("mixed", "after filter")
"""Where a cell sees an injection's ends before the pipes have spread them."""

REACH = pd.Timedelta(minutes=10)
"""How far from a run's end an edge is looked for. No source: five minutes less than what a run's view has."""

LEAST_RUN = pd.Timedelta(minutes=10)
"""Shortest run or injection that is looked at. No source."""

STEP_SHARE, STEP_NOISES = 0.1, 8.0
"""Least step, as a share of the level and in deviations of the noise. [-] No source."""

LOW, HIGH = 0.1, 0.9
"""Shares of the step between which its rise is timed. [-]"""

RISE = float(np.log(HIGH / LOW))
"""What a first-order response takes from `LOW` to `HIGH`, in response times: ln 9. [-] Computed."""


class Edge(NamedTuple):
    """One edge of one sensor.

    Attributes
    ----------
    at : float
        When it passed half of its step, after the expected instant. [s]
    response : float or None
        First-order response time; None where readings are missing in the rise. [s]
    """

    at: float
    response: float | None


def edges(view: RunView) -> Sequence[Feature]:
    """Leave when each quick sensor answered to the run's ends, and how fast.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Feature
        `AT_START` and `AT_END` of each flow, pressure and valve sensor whose step is plain; `RESPONSE` of each of
        them, and of each cell near the injector. None of a run beside another one.
    """
    run = view.run
    if view.others or not run.complete or run.end - run.start < LEAST_RUN:
        return []
    found: list[Feature] = []
    for quantity, points in QUICK.items():
        for name in view.sensors(quantity, *points):
            if view.installation.sensor[name].zone in (None, run.zone):
                found += _of_sensor(view, name, Interval(run.start, run.end), timed=True)
    if run.injection is not None and run.injection.end - run.injection.start >= LEAST_RUN:
        for name in view.sensors("conductivity", *CELLS):
            found += _of_sensor(view, name, run.injection, timed=False)
    return found


def _of_sensor(view: RunView, name: str, span: Interval, *, timed: bool) -> Iterator[Feature]:
    """Yield the features of one sensor."""
    sensor, readings = view.installation.sensor[name], view.series[name]
    half = (span.end - span.start) / 2
    level = _median(readings, span.start + half / 2, span.end - half / 2)
    reach = min(REACH, half)
    before = _median(readings, span.start - 1.5 * REACH, span.start - REACH / 2)
    after = _median(readings, span.end + reach, span.end + 1.5 * REACH)
    after = before if after is None else after
    ends = []
    for rest, at in ((before, span.start), (after, span.end)):
        part = between(readings, at - reach, at + reach)
        ends.append(None if level is None or rest is None else edge(part, at, (rest, level), sensor.interval))
    start, end = ends
    if start is None or end is None:
        return
    place = (view.run.zone, view.run.start)
    if timed:
        yield Feature(AT_START, *place, start.at, 0.0, (name,))
        yield Feature(AT_END, *place, end.at, 0.0, (name,))
    responses = [e.response for e in (start, end) if e.response is not None]
    if responses:
        yield Feature(RESPONSE, *place, min(responses), 0.0, (name,))


def _median(readings: pd.Series, start: pd.Timestamp, end: pd.Timestamp) -> float | None:
    part = between(readings, start, end)
    return float(part.median()) if len(part) else None


def edge(
    part: pd.Series, expected: pd.Timestamp, ends: tuple[float, float], interval: float | None
) -> Edge | None:
    """Return when and how fast readings went from one level to another, or back.

    Parameters
    ----------
    part : pandas.Series
        Readings around the edge, by time. [any]
    expected : pandas.Timestamp
        What its instant is counted from. [UTC]
    ends : (float, float)
        The level at rest and the level in the run. [as `part`]
    interval : float or None
        Time between readings as configured. [s]

    Returns
    -------
    Edge or None
        None where the step is too small, is passed more than once, or falls into a hole.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=9, freq="10s", tz="UTC")
    >>> edge(pd.Series([0.0] * 4 + [10.0] * 5, times), times[4], (0.0, 10.0), 10.0).at
    -5.0
    """
    rest, level = ends
    step = level - rest
    if len(part) < 4 or abs(step) <= max(STEP_SHARE * abs(level), STEP_NOISES * noise(part)) or step == 0:  # noqa: PLR2004 - a step has two sides
        return None
    times, share = seconds(pd.DatetimeIndex(part.index)), (part.to_numpy(dtype=float) - rest) / step
    passed = np.flatnonzero(np.diff((share > 0.5).astype(np.int8)) != 0)  # noqa: PLR2004 - half way
    if passed.size != 1:
        return None
    place = int(passed[0])
    gap = np.inf if interval is None else longest_gap_s(interval)
    if times[place + 1] - times[place] > gap:
        return None
    half = times[place + 1] if interval is None else (times[place] + times[place + 1]) / 2.0
    at = float(half + (part.index[0] - expected).total_seconds())
    return Edge(at, _response(times, share, place, gap))


def _response(times: Array, share: Array, place: int, gap: float) -> float | None:
    """Return the response time of an edge that passes its middle after a place. [s]"""
    rising = share[place + 1] > share[place]
    way = share if rising else 1.0 - share
    before, after = np.flatnonzero(way[: place + 1] <= LOW), np.flatnonzero(way[place + 1 :] >= HIGH)
    if not before.size or not after.size:
        return None
    first, last = int(before[-1]), place + 1 + int(after[0])
    if float(np.diff(times[first : last + 1]).max()) > gap:
        return None
    low = float(np.interp(LOW, way[first : first + 2], times[first : first + 2]))
    high = float(np.interp(HIGH, way[last - 1 : last + 1], times[last - 1 : last + 1]))
    return max(high - low, 0.0) / RISE
