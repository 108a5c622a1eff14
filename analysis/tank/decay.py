"""A displacement tank over one run: its decay, what it gave, what is left and how long that lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.dilution_nodes import OWN_SHARE, adjusted
from analysis.injection.ec_terms import curve_tilt, ec_terms
from analysis.injection.flow import log_total, main_meters
from analysis.injection.signal import Signal, signal
from analysis.injection.totals import LEAST_SHARE, cumulative, seconds, total
from analysis.injection.ways import NoWay, limit_of, run_label
from analysis.results import Interval
from analysis.tank.fit import Decay, fit_decay
from analysis.uncertainty import Source, Uncertain

if TYPE_CHECKING:
    from analysis.view import RunView

CELLS = ("mixed", "after filter", "zone")
"""Where a cell shows the tank's decay."""

WEAKEST_SHARE = 0.03
"""Readings below this share of the start's strength are left out of the fit. No source."""

LARGEST_MISFIT = 0.05
"""Above this the strength does not fall as a stirred tank's: no fit is given. [-] No source."""

UNKNOWN_LAG = (0.0, 12.0)
"""Response time assumed for a cell that states none. [s] No source."""

DELAY_S = (0.0, 10.0)
"""Travel from the tank to a cell at the head, least and most. [s] No source."""

MOST_READINGS = 500
"""The fit takes every so manyth reading that about this many are used."""

ENDS_TOGETHER = pd.Timedelta(seconds=60)
"""An injection that ends this close to its run's end ended with it: the last readings are missing. No source."""

HALF_RISE = math.log(2.0)
"""A first-order cell shows half of a step after this many response times."""


@dataclass(frozen=True, slots=True)
class TankFit:
    """One run's decay, as logarithms with their contributions.

    Attributes
    ----------
    decay, initial, given, left : Uncertain
        ln of: decay volume Va [L]; strength at the start as fraction of stock [-]; stock given during the
        injection [L]; strength at the end over the start's [-].
    passed_l : float
        Water during the injection. [L]
    flow_l_h : float
        Its mean flow. [L/h]
    sensors : tuple of str
        What it rests on.
    method : str
        In words.
    """

    decay: Uncertain
    initial: Uncertain
    given: Uncertain
    left: Uncertain
    passed_l: float
    flow_l_h: float
    sensors: tuple[str, ...]
    method: str


@dataclass(frozen=True, slots=True)
class _Data:
    """What the fit sees: readings of one cell and one meter between the rise and the end."""

    seen: Signal
    step: pd.Series
    volume: np.ndarray
    passed_l: float
    flow: float
    lag_s: float
    delay_s: float
    meter: str


def tank_fit(view: RunView) -> TankFit | NoWay:
    """Fit the decay of a displacement tank's strength in one run.

    Parameters
    ----------
    view : RunView
        One run through a displacement tank, with its injection.

    Returns
    -------
    TankFit or NoWay
        The decay with its uncertainty, or why there is none.

    Notes
    -----
    The strength is read through the dilution curve, never from EC itself. The volume is taken back by the
    cell's delay and response time. Contributions are found by repeating the fit with each source of error
    shifted by its standard uncertainty (GUM 5.1.3, note 2). What the readings identify is Va = tank volume /
    share of the flow that passes the tank, not the tank's volume.

    References
    ----------
    As `analysis.tank.fit.fit_decay`; GUM (JCGM 100:2008) 5.1.3.
    """
    data = _data(view)
    if isinstance(data, NoWay):
        return data
    try:
        fitted, outputs = _outputs(data)
    except ValueError as error:
        return NoWay("tank", str(error), data.seen.sensors)
    if fitted.misfit > LARGEST_MISFIT:
        return NoWay(
            "tank",
            f"the strength does not fall as a stirred tank's (it leaves the curve by {fitted.misfit:.0%}): the "
            "tank was refilled or its valves were turned during the run, or its content is layered",
            data.seen.sensors,
        )
    terms = _contributions(view, data, outputs)
    _scatter(view, data, fitted, terms)
    decay, initial, given, left = (
        Uncertain(float(value), {s: float(u[i]) for s, u in terms.items() if u[i] != 0.0})
        for i, value in enumerate(outputs)
    )
    cell = data.seen.mixed.name
    method = f"C = C0 exp(-V/Va) fitted to {cell} through the dilution curve over the volume of {data.meter}"
    names = (*data.seen.sensors, data.meter)
    return TankFit(decay, initial, given, left, data.passed_l, data.flow, names, method)


def _data(view: RunView) -> _Data | NoWay:
    """Return the readings to fit, or why there are none."""
    injection, mains = view.run.injection, main_meters(view)
    if injection is None or not mains:
        reason = "no injection was found in this run" if injection is None else "no main meter saw the water"
        return NoWay("tank", reason)
    if abs(view.run.end - injection.end) < ENDS_TOGETHER:
        injection = Interval(injection.start, view.run.end)
    meter = min(mains, key=lambda n: limit_of(view.installation.sensor[n], 1000.0))
    reasons: list[NoWay] = []
    for name in view.sensors("conductivity", *CELLS):
        seen = signal(view, name)
        if isinstance(seen, Signal):
            return _between(view, seen, meter, injection)
        reasons.append(seen)
    if reasons:
        return reasons[0]
    return NoWay("tank", "no conductivity cell after the tank has readings")


def _between(view: RunView, seen: Signal, meter: str, injection: Interval) -> _Data | NoWay:
    """Return the readings between the rise and the end of the injection."""
    sensor = view.installation.sensor[meter]
    share = total(view.series[meter], sensor, injection).share
    if share < LEAST_SHARE:
        return NoWay("tank", f"{meter} has readings over only {share:.0%} of the injection", (meter,))
    injection = replace(injection, end=min(injection.end, view.series[meter].index[-1]))
    lag = view.installation.sensor[seen.mixed.name].lag or UNKNOWN_LAG
    calm = seen.step.rolling(5, center=True, min_periods=1).median()
    during = calm[(calm.index >= injection.start - pd.Timedelta(minutes=2)) & (calm.index <= injection.end)]
    if len(during) < 2:  # noqa: PLR2004 - a rise takes two readings
        return NoWay("tank", "no EC readings during the injection", seen.sensors)
    half = _half_rise(during)
    settled = half + pd.Timedelta(seconds=5.0 * lag[1])
    step = seen.step[(seen.step.index >= settled) & (seen.step.index <= injection.end)]
    step = step.iloc[:: max(1, len(step) // MOST_READINGS)]
    running = cumulative(view.series[meter], sensor)
    known, litres = seconds(pd.DatetimeIndex(running.index)), running.to_numpy(float)
    start, end = np.interp([half.timestamp(), injection.end.timestamp()], known, litres)
    hours = max((injection.end - half).total_seconds(), 1.0) / 3600.0
    volume = np.interp(seconds(pd.DatetimeIndex(step.index)), known, litres) - start
    middle, delay = 0.5 * (lag[0] + lag[1]), 0.5 * (DELAY_S[0] + DELAY_S[1])
    return _Data(seen, step, volume, float(end - start), float(end - start) / hours, middle, delay, meter)


def _half_rise(step: pd.Series) -> pd.Timestamp:
    """Return when a step first passes half of its greatest height, interpolated."""
    level = 0.5 * float(step.max())
    at = int(np.argmax(step.to_numpy(float) >= level))
    if at == 0:
        return pd.Timestamp(step.index[0])
    low, high = float(step.iloc[at - 1]), float(step.iloc[at])
    width = step.index[at] - step.index[at - 1]
    return pd.Timestamp(step.index[at - 1] + (level - low) / (high - low) * width)


def _strengths(data: _Data) -> tuple[np.ndarray, np.ndarray]:
    """Return the fraction at each reading, and which of them are strong enough to be fitted."""
    values = data.seen.fractions(data.step)
    least = max(data.seen.curve.fractions[0], WEAKEST_SHARE * float(np.nanmax(values, initial=0.0)))
    return values, np.isfinite(values) & (values >= least)


def _outputs(data: _Data) -> tuple[Decay, np.ndarray]:
    """Return the fit and ln of Va, C0, stock given and strength left; shape (4,)."""
    values, kept = _strengths(data)
    if np.isnan(values).sum() > LEAST_SHARE * len(values):
        msg = "EC lies beyond the strongest dilution; add a stronger one: the curve is not extrapolated"
        raise ValueError(msg)
    per_second = data.flow / 3600.0
    behind = (1.0 - HALF_RISE) * data.lag_s * per_second  # the cell shows at V what the tank gave before
    fitted = fit_decay(data.volume[kept] - behind, values[kept])
    passed = data.passed_l + per_second * (HALF_RISE * data.lag_s + data.delay_s)
    decay_l = math.exp(fitted.log_decay)
    gone = passed / decay_l
    given = fitted.log_initial + fitted.log_decay + math.log(-math.expm1(-gone))
    return fitted, np.array([fitted.log_decay, fitted.log_initial, given, -gone])


def _contributions(view: RunView, data: _Data, outputs: np.ndarray) -> dict[Source, np.ndarray]:
    """Return each source's contribution to the four outputs; what is not a plain factor by fitting again."""
    found: dict[Source, np.ndarray] = {}
    for source, u in ec_terms(view, data.seen, float(data.step.median())).items():
        found[source] = np.array([0.0, u, u, 0.0])
    window = Interval(data.step.index[0], data.step.index[-1])
    seen = total(view.series[data.meter], view.installation.sensor[data.meter], window)
    for source, u in log_total(view, data.meter, seen, window).terms.items():
        found[source] = np.array([u, 0.0, u, 0.0])
    run, name = run_label(view), data.seen.mixed.name
    lag = view.installation.sensor[name].lag or UNKNOWN_LAG
    slow, late = ((high - low) / math.sqrt(12.0) for low, high in (lag, DELAY_S))
    ground = data.seen.ground
    moved = {
        Source("source water reading", run=run): replace(data, step=data.step + ground.sd),
        Source("unseen drift of the source water", run=run): replace(data, step=data.step + ground.drift_sd),
        Source("response time", name): replace(data, lag_s=data.lag_s + slow),
        Source("delay from the tank", run=run): replace(data, delay_s=data.delay_s + late),
    }
    found.update({source: _outputs(other)[1] - outputs for source, other in moved.items()})
    _nodes(data, outputs, view, found)
    gone = -float(outputs[3])
    values, kept = _strengths(data)
    ends = float(values[kept].min()), float(values[kept].max())
    for source, u in curve_tilt(view, data.seen, ends).items():
        found[source] = np.array([u / gone, 0.0, u / gone * (1.0 - gone / math.expm1(gone)), u])
    return found


def _nodes(data: _Data, outputs: np.ndarray, view: RunView, found: dict[Source, np.ndarray]) -> None:
    """Add what the single dilutions' errors, each on its own, do to the decay's pace; what they share does not."""
    stock, curve = view.installation.stock[data.seen.stock], data.seen.curve
    read = tuple(ec - curve.water for _, ec in stock.dilutions[1:])
    sd = OWN_SHARE * stock.dilution_accuracy
    base = np.array(adjusted(curve.fractions, read, stock.dilution_accuracy))
    for i in range(len(read)):
        steps = tuple(s * (1.0 + sd * (i == j)) for j, s in enumerate(read))
        change = np.array(adjusted(curve.fractions, steps, stock.dilution_accuracy)) / base
        steps = tuple((np.array(curve.steps) * change).tolist())
        if list(steps) != sorted(steps):
            continue
        moved = replace(data, seen=replace(data.seen, curve=replace(curve, steps=steps)))
        change = _outputs(moved)[1] - outputs
        found[Source("single dilutions", f"{data.seen.stock} {i}")] = np.array(
            [change[0], 0.0, 0.0, change[3]]
        )


def _scatter(view: RunView, data: _Data, fitted: Decay, terms: dict[Source, np.ndarray]) -> None:
    """Add the readings' own scatter, from the fit's covariance."""
    decay_sd, initial_sd = math.sqrt(fitted.covariance[1, 1]), math.sqrt(fitted.covariance[0, 0])
    gone = data.passed_l / math.exp(fitted.log_decay)
    share = gone / math.expm1(gone) if gone > 0 else 1.0
    source = Source("scatter of EC", data.seen.mixed.name, run_label(view))
    given = math.hypot(initial_sd, (1.0 - share) * decay_sd)
    terms[source] = np.array([decay_sd, initial_sd, given, gone * decay_sd])
