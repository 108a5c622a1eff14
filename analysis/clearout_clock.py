"""A clock that runs with the flow, so that superposition holds where the flow changes within a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.injection_totals import cumulative, seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.clearout_edges import Edges
    from analysis.view import RunView

    Array = NDArray[np.float64]

METER_POINTS = ("zone", "after filter", "mixed", "source", "supply")
"""Where a meter sees the zone's water, the nearest to the zone first."""

WATER_ONLY = frozenset({"supply", "source"})
"""Points where a meter reads water alone, before the stock enters."""

FEWEST = 8
"""Readings, or counts, of the meter that a clock needs. [-] No source."""

STEADY_FLOW_S = 120.0
"""Least time after the injection over which its flow is taken. [s] No source."""

BLOCK_S = 300.0
"""Blocks over which flow is compared to see how it wanders. [s] No source."""

LEAST_PACE_U = 0.002
"""Least wander of a flow that is taken into account. [-] Repeatability of flow meters; assumed."""

UNSEEN_FLOW_U = 0.005
"""How much a flow that no meter sees may wander within a run, standard deviation. [-] Assumed: a regulated
supply; no source."""


def flow_clock(view: RunView, edge: Edges, t: Array, fraction: float) -> tuple[Array | None, float]:
    """Return times on a clock that runs with the measured flow [s], and how uncertain its pace is [-].

    Parameters
    ----------
    view : RunView
        The run.
    edge : Edges
        The injection.
    t : ndarray
        Times after the start of the injection, ascending. [s]
    fraction : float
        Volume fraction of stock during the injection. [-]

    Returns
    -------
    clock : ndarray or None
        Zero at the start of the injection; at its own pace after the injection. None without a meter. A
        meter before the injector does not see the stock, so its volume during the injection is made up.
    pace_u : float
        Relative standard uncertainty of the pace. [-]
    """
    meters = view.sensors("volume", *METER_POINTS) + view.sensors("flow", *METER_POINTS)
    if not meters:
        return None, UNSEEN_FLOW_U
    sensor = view.installation.sensor[meters[0]]
    total = cumulative(view.series[meters[0]], sensor)
    counted = total[total.diff() != 0.0]  # between the counts of a register nothing is known
    if len(counted) < FEWEST:
        return None, UNSEEN_FLOW_U
    times, litres = seconds(pd.DatetimeIndex(counted.index)) - edge.start, counted.to_numpy(float)
    rate = _late_rate(times, litres, edge.end - edge.start, view.run.end.timestamp() - edge.start)
    if rate is None or times[0] > t[0] + STEADY_FLOW_S or times[-1] < t[-1] - STEADY_FLOW_S:
        return None, UNSEEN_FLOW_U
    passed = np.interp(t, times, litres) + rate * np.maximum(t - times[-1], 0.0)
    passed -= np.interp(0.0, times, litres)
    if sensor.point in WATER_ONLY:
        whole = np.interp(edge.end - edge.start, times, litres) - np.interp(0.0, times, litres)
        passed += fraction / (1.0 - fraction) * np.clip(passed, 0.0, whole)
    clock = np.asarray(passed / rate)
    return clock, _pace_u(t, clock, float(np.median(np.diff(litres))) / rate)


def _late_rate(times: Array, litres: Array, stop: float, end: float) -> float | None:
    """Return the flow after the injection, from count to count. [L/s]"""
    since = min(stop, end - STEADY_FLOW_S)
    late = np.flatnonzero((times >= since) & (times <= end))
    if late.size < FEWEST // 2:
        return None
    first, last = late[0], late[-1]
    rate = float((litres[last] - litres[first]) / (times[last] - times[first]))
    return rate if rate > 0 else None


def _pace_u(t: Array, clock: Array, count_s: float) -> float:
    """Return how uncertain the pace is from the wander of the flow, the meter's counting taken off. [-]

    The answer compares the flow of one travel time with that of another, each a mean over some blocks.
    """
    blocks = np.arange(0.0, t[-1], BLOCK_S)
    if blocks.size < 3:  # noqa: PLR2004 - two blocks
        return UNSEEN_FLOW_U
    paces = np.diff(np.interp(blocks, t, clock)) / BLOCK_S
    counting = count_s / BLOCK_S / np.sqrt(6.0)
    return float(np.sqrt(max(np.var(paces, ddof=1) - counting**2, LEAST_PACE_U**2) / 2.0))
