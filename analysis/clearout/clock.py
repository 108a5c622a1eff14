"""A clock that runs with the flow, so that superposition holds where the flow changes within a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.interpolate import LSQUnivariateSpline

from analysis.injection.totals import cumulative, seconds

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from analysis.clearout.edges import Edges
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
"""Distance of the knots of the clock: flow is a mean over about so long. [s] No source."""

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
    counted = total[(total.diff() != 0.0) & (total.index <= view.run.end)]
    times, litres = seconds(pd.DatetimeIndex(counted.index)) - edge.start, counted.to_numpy(float)
    since = max(t[0], -BLOCK_S, view.run.start.timestamp() - edge.start)
    inside = times >= since  # between the counts of a register nothing is known
    if inside.sum() < FEWEST or times[-1] < t[-1] - STEADY_FLOW_S or times[inside][0] > STEADY_FLOW_S:
        return None, UNSEEN_FLOW_U
    times, litres = times[inside], litres[inside]
    knots = np.arange(times[0] + BLOCK_S, times[-1] - BLOCK_S / 2.0, BLOCK_S)
    spline = LSQUnivariateSpline(times, litres, knots, k=1)

    def volume(at: ArrayLike) -> Array:
        return np.asarray(spline(np.atleast_1d(np.asarray(at, float))), float)

    length, end = edge.end - edge.start, float(times[-1])
    begin, over, late, last = volume([0.0, length, min(length, end - STEADY_FLOW_S), end])
    rate = float(last - late) / (end - min(length, end - STEADY_FLOW_S))
    if not rate > 0:
        return None, UNSEEN_FLOW_U
    passed = volume(t) - begin
    if sensor.point in WATER_ONLY:
        passed += fraction / (1.0 - fraction) * np.clip(passed, 0.0, over - begin)
    clock = passed / rate
    return clock, _pace_u(t, clock, _timing(times) if sensor.quantity == "volume" else 0.0)


def _timing(times: Array) -> float:
    """Return how well a register's volume is timed on the smoothed clock. [s]

    A count may have come at any time since the reading before; a block's line averages over its counts.
    """
    step = float(np.min(np.diff(times)))
    counts = max(times.size * BLOCK_S / float(times[-1] - times[0]), 1.0)
    return float(2.0 * step / np.sqrt(12.0 * counts))


def _pace_u(t: Array, clock: Array, timing_s: float) -> float:
    """Return how uncertain the pace is, from the wander of the flow between blocks and the clock's timing. [-]

    The answer compares the flow of one travel time with that of another, each a mean over some blocks.
    """
    blocks = np.arange(0.0, t[-1], BLOCK_S)
    if blocks.size < 3:  # noqa: PLR2004 - two blocks
        return UNSEEN_FLOW_U
    paces = np.diff(np.interp(blocks, t, clock)) / BLOCK_S
    counting = timing_s * np.sqrt(2.0) / BLOCK_S
    wander = np.sqrt(max(np.var(paces, ddof=1) - counting**2, LEAST_PACE_U**2) / 2.0)
    return float(np.hypot(wander, 2.0 * timing_s / t[-1]))
