"""What is known of each zone's valve at any instant: open, closed, or not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.quality.checks import seconds
from analysis.quality.gaps import longest_gap_s
from analysis.runs.detect import FLOW_POINTS, GATE_POINTS
from analysis.runs.stretches import switched

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analysis.view import PeriodView

    Mask = NDArray[np.bool_]
    Array = NDArray[np.float64]

OPEN_FROM = 0.5
"""Valve state from which a valve counts as open, as for runs. [-]"""


class State(NamedTuple):
    """One zone's valve on given times.

    Attributes
    ----------
    open, closed : ndarray of bool
        Both False where it is not known.
    sensor : str or None
        The valve sensor that says so; None where the runs say so.
    """

    open: Mask
    closed: Mask
    sensor: str | None


def state_of(period: PeriodView, zone: str, index: pd.DatetimeIndex) -> State | None:
    """Return whether a zone's valve is open or closed at given times.

    Parameters
    ----------
    period : PeriodView
        The stretch.
    zone : str
        A zone's name.
    index : pandas.DatetimeIndex
        When, ascending. [UTC]

    Returns
    -------
    State or None
        By its valve sensor, else by its runs; None where neither can tell.
    """
    name = valve_sensor(period, zone)
    if name is not None:
        sensor, readings = period.installation.sensor[name], period.series[name]
        known = fresh(pd.DatetimeIndex(readings.index), index, longest_gap_s(sensor.interval))
        on = (
            switched(readings, on=OPEN_FROM).reindex(index, method="ffill").fillna(value=False).to_numpy(bool)
        )
        return State(on & known, ~on & known, name)
    told_by = _teller(period, zone)
    if told_by is None:
        return None
    limit = longest_gap_s(period.installation.sensor[told_by].interval)
    known = fresh(pd.DatetimeIndex(period.series[told_by].index), index, limit)
    on = running(period, (zone,), index)
    return State(on, ~on & known, None)


def valve_sensor(period: PeriodView, zone: str) -> str | None:
    """Return the zone's own valve sensor that has readings."""
    return next(_own(period, zone, "valve state", *GATE_POINTS, least=1), None)


def _teller(period: PeriodView, zone: str) -> str | None:
    """Return the sensor by which a zone without a valve sensor has its runs told (`analysis.runs.detect`)."""
    for quantity in ("flow", "volume"):
        for name in _own(period, zone, quantity, "zone"):
            return name
    shared = [
        n
        for quantity in ("flow", "volume")
        for n in period.installation.sensors_of(zone, quantity, *FLOW_POINTS)
        if len(period.series.get(n, ())) > 1
    ]
    if shared and len(period.installation.zone) == 1:
        return shared[0]
    if shared and period.installation.zone[zone].emitters:
        return next(_own(period, zone, "pressure", *GATE_POINTS), None)
    return None


def _own(period: PeriodView, zone: str, quantity: str, *points: str, least: int = 2) -> Iterator[str]:
    """Yield the zone's own sensors of a quantity that have readings enough, the nearest first."""
    for name in period.installation.sensors_of(zone, quantity, *points):
        if period.installation.sensor[name].zone == zone and len(period.series.get(name, ())) >= least:
            yield name


def running(period: PeriodView, zones: tuple[str, ...], index: pd.DatetimeIndex) -> Mask:
    """Return where one of some zones has a run."""
    on = np.zeros(len(index), dtype=bool)
    for run in period.runs:
        if run.zone in zones:
            on |= np.asarray((index >= run.start) & (index <= run.end))
    return on


def fresh(known: pd.DatetimeIndex, index: pd.DatetimeIndex, longest_s: float) -> Mask:
    """Return where the newest of some readings is not older than a gap.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=4, freq="60s", tz="UTC")
    >>> fresh(times[1:2], times, 60.0).tolist()
    [False, True, True, False]
    """
    place = np.searchsorted(known.as_unit("us").asi8, index.as_unit("us").asi8, side="right") - 1
    age = (index.as_unit("us").asi8 - known.as_unit("us").asi8[np.maximum(place, 0)]) / 1e6
    return np.asarray((place >= 0) & (age <= longest_s), dtype=np.bool_)


def lasting(mask: Mask, index: pd.DatetimeIndex) -> Array:
    """Return for how long a mask has been True without a break, nought where it is not. [s]

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=5, freq="10s", tz="UTC")
    >>> lasting(np.array([False, True, True, False, True]), times).tolist()
    [0.0, 0.0, 10.0, 0.0, 0.0]
    """
    times = seconds(index)
    begins = mask & ~np.concatenate(([False], mask[:-1]))
    since = np.maximum.accumulate(np.where(begins, times, -np.inf)) if times.size else times
    return np.asarray(np.where(mask, times - since, 0.0), dtype=np.float64)


def rested(mask: Mask, index: pd.DatetimeIndex, *, drain_s: float, blur_s: float) -> Mask:
    """Return where a mask has been True for long enough, and stays so for as long as a level is blurred.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=5, freq="10s", tz="UTC")
    >>> rested(np.array([False, True, True, True, True]), times, drain_s=5.0, blur_s=0.0).tolist()
    [False, False, True, True, True]
    """
    before = lasting(mask, index) > drain_s + blur_s
    times = seconds(index)
    falls = np.where(~mask, times, np.inf)
    ahead = np.minimum.accumulate(falls[::-1])[::-1] - times
    return np.asarray(before & (ahead > blur_s), dtype=np.bool_)


def spans(mask: Mask, index: pd.DatetimeIndex, longest_s: float) -> Iterator[tuple[int, int]]:
    """Yield first and one past the last place of every unbroken True stretch; a hole in the readings breaks it.

    Examples
    --------
    >>> times = pd.DatetimeIndex(["2026-01-01 00:00", "2026-01-01 00:01", "2026-01-01 01:00"], tz="UTC")
    >>> list(spans(np.array([True, True, True]), times, 60.0))
    [(0, 2), (2, 3)]
    """
    if not mask.any():
        return
    hole = np.diff(seconds(index), prepend=0.0) > longest_s
    begins = mask & (~np.concatenate(([False], mask[:-1])) | hole)
    after = np.concatenate((mask[1:] & ~hole[1:], [False]))
    ends = mask & ~after
    yield from zip(np.flatnonzero(begins).tolist(), (np.flatnonzero(ends) + 1).tolist(), strict=True)
