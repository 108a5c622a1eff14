"""From the readings of a run to what its far point saw: excess over the drifting source water, in shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout import FarShare, NotCarriedError
from analysis.clearout_base import FarBase, far_base
from analysis.clearout_edges import NEAR_POINTS, NO_LAG, Edges, edges
from analysis.dilution import curve_of, fraction_of
from analysis.injection_base import Base, base
from analysis.injection_cells import Cell, cell
from analysis.injection_totals import cumulative, seconds, usual_step
from analysis.uncertainty import rectangular

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

FEWEST = 8
"""Readings after the start of the injection that a far curve needs. [-] No source."""

KNOTS = 9
"""Places along the injection at which its strength is looked at. [-] No source."""

STEADY_LEVEL = 0.01
"""Changes of strength within an injection below which it is taken as constant. [-] Noise of nine medians
of a usual conductivity cell; computed."""

STEP_SHARE = 0.1
"""Last part of the injection whose mean is the step. [-] No source."""

MATCH_U = 0.003
"""How far two cells that agree on the source water may disagree on the solution. [-] Assumed: linearity of
conductivity cells; no source."""

LEAST_STEP = 0.05
"""Smallest step at the far point that can be told from the source water. [mS/cm] No source."""

OUT_OF_WATER = 0.5
"""Share of the source water's EC below which a cell is not in the water. [-] No source."""

STEADY_FLOW_S = 120.0
"""Least time after the injection over which its flow is taken. [s] No source."""

METER_POINTS = ("zone", "after filter", "mixed", "source", "supply")
"""Where a meter sees the zone's water, the nearest to the zone first."""

WATER_ONLY = frozenset({"supply", "source"})
"""Points where a meter reads water alone, before the stock enters."""

BLOCK_S = 300.0
"""Blocks over which flow is compared to see how it wanders. [s] No source."""

LEAST_PACE_U = 0.002
"""Least wander of a flow that is taken into account. [-] Repeatability of flow meters; assumed."""

UNSEEN_FLOW_U = 0.005
"""How much a flow that no meter sees may wander within a run, standard deviation. [-] Assumed: a regulated
supply; no source."""

AGREE = 0.03
"""Largest difference between the step at the head and the far point's plateau that mixing allows. [-]
No source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A far curve with what it came from.

    Attributes
    ----------
    far : FarShare
        The curve.
    sensors : tuple of str
        Far sensor first.
    how : str
        Base, scale and edges, in words.
    linear : bool
        True where EC was taken as concentration for want of a dilution curve.
    lag_s, lag_u : float
        Response time of the far sensor, its middle and its standard uncertainty. [s]
    start_u, end_u : float
        Standard uncertainties of the injection's start and end. [s]
    step_s : float
        Time between readings. [s]
    silent_s : float
        How long before the end of the run the far sensor's readings end. [s]
    """

    far: FarShare
    sensors: tuple[str, ...]
    how: str
    linear: bool
    lag_s: float
    lag_u: float
    start_u: float
    end_u: float
    step_s: float
    silent_s: float


@dataclass(frozen=True, slots=True)
class Head:
    """What the cell after the injector tells: the source water in its scale and its own excess.

    Attributes
    ----------
    name : str
        The cell.
    base : Base
        The source water in its scale.
    times, excess : ndarray
        EC above the source water. [s since 1970], [mS/cm]
    """

    name: str
    base: Base
    times: Array
    excess: Array


def far_curve(view: RunView, name: str) -> Seen:
    """Return what one far EC sensor of a run saw of its injection.

    Parameters
    ----------
    view : RunView
        The run.
    name : str
        The far sensor.

    Returns
    -------
    Seen
        The curve in shares of the step.

    Raises
    ------
    NotCarriedError
        If there is no step, no source water to judge by, or nothing tells when the injection ended.
    """
    edge = edges(view)
    if edge is None or edge.sensors == (name,):
        msg = (
            "no sensor near the injector tells when the injection ended; "
            "a stock meter or an EC cell after the injector would"
        )
        raise NotCarriedError(msg)
    far = _far_cell(view, name)
    head = _head(view, name)
    delay = _half_rise(seconds(pd.DatetimeIndex(far.series.index)) - edge.start, far.series.to_numpy(float))
    ground = far_base(view, far, head.base if head else None, edge.start, delay)
    far, ground = _in_the_water(far, ground)
    t = seconds(pd.DatetimeIndex(far.series.index)) - edge.start
    amount, step, linear = _amounts(view, far.series.to_numpy(float) - ground.water, head, ground, edge)
    share, known = _scaled(amount, step, t, edge.end - edge.start, delay)
    lag = view.installation.sensor[name].lag or NO_LAG
    inside = t >= -delay
    passed, pace_u = _passed(view, edge, t[inside], _fraction(view, step, linear=linear))
    curve = FarShare(
        seconds=t[inside],
        share=share[inside],
        injection_s=edge.end - edge.start,
        passed=passed,
        pace_u=pace_u,
        level=_level(view, head, edge),
        step_u=_step_u(view, far.name, ground) if known else None,
        base_u=ground.u / max(float(np.quantile(far.series.to_numpy(float) - ground.water, 0.9)), 1e-9),
    )
    return Seen(
        far=curve,
        sensors=tuple(dict.fromkeys((name, *ground.sensors, *((head.name,) if head else ()), *edge.sensors))),
        how=f"base {ground.how}; {edge.how}",
        linear=linear,
        lag_s=(lag[0] + lag[1]) / 2.0,
        lag_u=(lag[1] - lag[0]) / float(np.sqrt(12.0)),
        start_u=edge.start_u,
        end_u=edge.end_u,
        step_s=usual_step(t),
        silent_s=view.run.end.timestamp() - edge.start - float(t[-1]),
    )


def _step_u(view: RunView, name: str, ground: FarBase) -> float:
    """Return the relative standard uncertainty of the head's step in the far cell's scale. [-]"""
    if ground.gain is not None:
        return MATCH_U
    share = view.installation.sensor[name].accuracy.share
    return float(np.hypot(MATCH_U, rectangular(share) * np.sqrt(2.0)))


def _far_cell(view: RunView, name: str) -> Cell:
    """Return the far cell while water flowed, or say why it cannot be used."""
    found = cell(view, name)
    if isinstance(found, str):
        raise NotCarriedError(found)
    flowing = found.series.loc[: view.run.end]
    if len(flowing) < FEWEST:
        msg = f"{name} has {len(flowing)} readings while water flowed; {FEWEST} are needed"
        raise NotCarriedError(msg)
    return Cell(name, flowing, found.temperature, found.thermometer, found.limited)


def _head(view: RunView, far: str) -> Head | None:
    """Return the first cell after the injector, other than the far one, whose source water is known."""
    for name in view.sensors("conductivity", *NEAR_POINTS):
        if name == far:
            continue
        found = cell(view, name)
        if isinstance(found, str):
            continue
        lag = view.installation.sensor[name].lag or NO_LAG
        ground = base(view, found, lag_s=lag[1])
        if isinstance(ground, str):
            continue
        times = seconds(pd.DatetimeIndex(found.series.index))
        return Head(name, ground, times, found.series.to_numpy(float) - ground.series.to_numpy(float))
    return None


def _half_rise(t: Array, values: Array) -> float:
    """Return when the far point had risen half way to its top, after the injection began. [s]"""
    window = t >= 0
    if window.sum() < FEWEST:
        msg = "the far point has too few readings after the injection began"
        raise NotCarriedError(msg)
    smooth = pd.Series(values[window]).rolling(5, center=True, min_periods=1).median().to_numpy(float)
    start = float(np.median(values[(t < 0) | (t <= t[window][FEWEST // 2])][-FEWEST:]))
    top = float(smooth.max())
    if top - start < LEAST_STEP:
        msg = f"EC at the far point rose by {top - start:.2g} mS/cm only: no step to judge by"
        raise NotCarriedError(msg)
    return max(float(t[window][int(np.argmax(smooth > 0.5 * (start + top)))]), 0.0)


def _in_the_water(far: Cell, ground: FarBase) -> tuple[Cell, FarBase]:
    """Return the cell's readings up to where it was lifted out of the water, and the base with them."""
    dry = np.flatnonzero(far.series.to_numpy(float) < OUT_OF_WATER * ground.water)
    dry = dry[dry > FEWEST]
    if dry.size == 0:
        return far, ground
    wet = int(dry[0])
    cut = Cell(far.name, far.series.iloc[:wet], far.temperature, far.thermometer, far.limited)
    return cut, FarBase(ground.water[:wet], ground.gain, ground.u, ground.sensors, ground.how)


def _amounts(
    view: RunView, excess: Array, head: Head | None, ground: FarBase, edge: Edges
) -> tuple[Array, float | None, bool]:
    """Return the far excess and the head's step as amounts of stock, and whether EC was taken as linear."""
    step = None
    if head is not None:
        length = edge.end - edge.start
        last = (head.times > edge.end - max(STEP_SHARE * length, 60.0)) & (head.times < edge.end)
        if last.any():
            step = float(np.mean(head.excess[last])) * (ground.gain or 1.0)
    curve = curve_of(view.stock) if view.stock else None
    if curve is None or curve.linear:
        return excess, step, True
    turned = fraction_of(curve, excess)
    turned_step = None if step is None else float(fraction_of(curve, step))
    if np.isnan(turned).any() or (turned_step is not None and np.isnan(turned_step)):
        return excess, step, True
    return turned, turned_step, False


def _scaled(amount: Array, step: float | None, t: Array, d: float, delay: float) -> tuple[Array, bool]:
    """Return shares of the step, and whether the head's step was used and agrees with the far plateau."""
    plateau = (t > 1.5 * delay) & (t < d + BEFORE_FALL * delay)
    own = float(np.mean(amount[plateau])) if plateau.sum() >= FEWEST else None
    if step is not None and step > 0 and (own is None or abs(own / step - 1.0) < AGREE):
        return amount / step, True
    if own is None or own <= 0:
        msg = "plateau not reached: the injection was too short for the far point to show its step"
        raise NotCarriedError(msg)
    return amount / own, False


BEFORE_FALL = 0.6
"""Part of the travel time after the end of the injection in which the far point is still at its plateau.
[-] As for the front at the start."""


def _level(view: RunView, head: Head | None, edge: Edges) -> Array:
    """Return the strength along the injection, relative to its end; constant where nothing shows a change."""
    if head is None:
        return np.ones(2)
    slowest = (view.installation.sensor[head.name].lag or NO_LAG)[1]
    settled = edge.start + NEAR_SETTLES + 5.0 * slowest
    knots = np.linspace(edge.start, edge.end, KNOTS)
    width = knots[1] - knots[0]
    inside = (head.times > settled) & (head.times < edge.end)
    values = []
    for knot in knots:
        near = inside & (np.abs(head.times - knot) <= width / 2.0)
        values.append(float(np.median(head.excess[near])) if near.any() else np.nan)
    level = pd.Series(values).bfill().ffill().to_numpy(float)
    if np.isnan(level).any() or level[-1] <= 0:
        return np.ones(2)
    level = level / level[-1]
    return level if np.ptp(level) > STEADY_LEVEL else np.ones(2)


NEAR_SETTLES = 10.0
"""Time after the start of the injection in which its front reaches the mixed cell. [s] No source."""


def _fraction(view: RunView, step: float | None, *, linear: bool) -> float:
    """Return the volume fraction of stock: from the dilution curve, or as the injector is set. [-]"""
    if step is not None and not linear:
        return step
    return (view.injector.ratio if view.injector else None) or 0.0


def _passed(view: RunView, edge: Edges, t: Array, fraction: float) -> tuple[Array | None, float]:
    """Return times on a clock that runs with the measured flow [s], and how uncertain its pace is [-].

    It runs at its own pace after the injection. A meter before the injector does not see the stock,
    so its volume during the injection is made up.
    """
    meters = view.sensors("volume", *METER_POINTS) + view.sensors("flow", *METER_POINTS)
    if not meters:
        return None, UNSEEN_FLOW_U
    main = meters[0]
    total = cumulative(view.series[main], view.installation.sensor[main])
    counted = total[total.diff() != 0.0]
    if len(counted) < FEWEST:
        return None, UNSEEN_FLOW_U
    times, litres = seconds(pd.DatetimeIndex(counted.index)) - edge.start, counted.to_numpy(float)
    end = view.run.end.timestamp() - edge.start
    since = min(edge.end - edge.start, end - STEADY_FLOW_S)
    late = np.flatnonzero((times >= since) & (times <= end))
    if times[0] > t[0] + STEADY_FLOW_S or late.size < FEWEST or times[late[-1]] < t[-1] - STEADY_FLOW_S:
        return None, UNSEEN_FLOW_U
    first, last = late[0], late[-1]
    rate = float((litres[last] - litres[first]) / (times[last] - times[first]))
    passed = np.interp(t, times, litres) + rate * np.maximum(t - times[last], 0.0)
    passed -= np.interp(0.0, times, litres)
    if view.installation.sensor[main].point in WATER_ONLY:
        whole = np.interp(edge.end - edge.start, times, litres) - np.interp(0.0, times, litres)
        passed += fraction / (1.0 - fraction) * np.clip(passed, 0.0, whole)
    clock = np.asarray(passed / rate)
    return clock, _pace_u(t, clock, float(np.min(np.diff(litres[litres.size // 2 :]))) / rate)


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
