"""From the readings of a run to what its far point saw: excess over the drifting source water, in shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout import FarShare, NotCarriedError
from analysis.conductivity import DEFAULT_COEFFICIENT, compensate
from analysis.dilution import curve_of, fraction_of
from analysis.quality import seconds as since_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

FAR_POINTS = ("lateral end", "zone", "after filter", "mixed")
"""Where clear-out can be seen, the farthest first."""

FEWEST = 3
"""Readings that a level needs. [-]"""

NO_LAG = (0.0, 12.0)
"""Response time taken where none is stated. [s] Conductivity cells, 0 to 12 s: from memory."""

LEAST_STEP = 0.05
"""Smallest step that can be told from the source water. [mS/cm] No source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A far curve with what it came from.

    Attributes
    ----------
    far : FarShare
        The curve.
    sensors : tuple of str
        Far sensor first.
    base : str
        How the source water's EC was told, in words.
    scale : str
        ``"concentration"`` where a dilution curve turned EC into it, else ``"EC"``.
    lag_s, lag_u : float
        Response time of the far sensor, its middle and its standard uncertainty. [s]
    sampling_u : float
        Standard uncertainty from the time between readings. [s]
    """

    far: FarShare
    sensors: tuple[str, ...]
    base: str
    scale: str
    lag_s: float
    lag_u: float
    sampling_u: float


def ec_at_25(view: RunView, sensor: str) -> pd.Series:
    """Return a sensor's EC at 25 °C, compensated here where the device does not. [mS/cm]"""
    series = view.series[sensor]
    described = view.installation.sensor[sensor]
    if described.compensated:
        return series
    warm = view.sensors("temperature", described.point, "mixed", "source", "supply")
    if not warm:
        msg = f"{sensor} does not compensate to 25 °C and no temperature was read"
        raise NotCarriedError(msg)
    coefficient = view.stock.temperature_coefficient if view.stock else DEFAULT_COEFFICIENT
    t = _at(view.series[warm[0]], series.index)
    return pd.Series(compensate(series, t, coefficient=coefficient), index=series.index)


def _at(series: pd.Series, times: pd.Index, *, later_s: float = 0.0) -> Array:
    """Return a series interpolated at other times, delayed by `later_s`."""
    own, wanted = pd.DatetimeIndex(series.index), pd.DatetimeIndex(times)
    x = wanted.as_unit("us").asi8 / 1e6 - later_s
    return np.asarray(np.interp(x, own.as_unit("us").asi8 / 1e6, series.to_numpy(float)))


def far_curve(view: RunView) -> Seen:
    """Return what the farthest EC sensor of a run saw of its injection.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    Seen
        The curve in shares of the step.

    Raises
    ------
    NotCarriedError
        If there is no injection, no far sensor, or no step.
    """
    injection = view.run.injection
    if injection is None:
        msg = "no injection was seen in this run"
        raise NotCarriedError(msg)
    sensors = view.sensors("conductivity", *FAR_POINTS)
    if not sensors:
        msg = "no EC sensor after the injector has readings in this run"
        raise NotCarriedError(msg)
    far = ec_at_25(view, sensors[0]).loc[: view.run.end]
    t = _seconds(far.index, injection.start)
    d = (injection.end - injection.start).total_seconds()
    base, base_words, base_sensor = _base(view, sensors[0], far, t, d)
    mixed = [name for name in view.sensors("conductivity", "mixed", "after filter") if name != sensors[0]]
    scale, words = _to_share(view, far.to_numpy(float) - base, base, t, d)
    inside = t >= -d
    described = view.installation.sensor[sensors[0]]
    low, high = described.lag or NO_LAG
    return Seen(
        FarShare(t[inside], scale[inside], d, step_u=0.005, base_u=0.002),
        tuple(dict.fromkeys((sensors[0], *mixed[:1], *base_sensor))),
        base_words,
        words,
        (low + high) / 2.0,
        (high - low) / np.sqrt(12.0),
        float(np.median(np.diff(since_first(pd.DatetimeIndex(far.index))))) / np.sqrt(12.0),
    )


def _seconds(index: pd.Index, start: pd.Timestamp) -> Array:
    """Return times as seconds after an instant. [s]"""
    return np.asarray((pd.DatetimeIndex(index) - start).total_seconds(), float)


def _base(view: RunView, name: str, far: pd.Series, t: Array, d: float) -> tuple[Array, str, tuple[str, ...]]:
    """Return the source water's EC as the far sensor would read it, at the far readings. [mS/cm]"""
    delay = _half_rise(far.to_numpy(float), t)
    before = (t > -d) & (t < 0.5 * delay) & (_seconds(far.index, view.run.start) >= 0)
    level = float(np.median(far.to_numpy(float)[before])) if before.sum() >= FEWEST else None
    source = view.sensors("conductivity", "source", "supply")
    if source:
        water = _at(ec_at_25(view, source[0]), far.index, later_s=delay)
        gain = 1.0 if level is None else level / float(np.median(water[before]))
        return gain * water, f"{source[0]} delayed by {delay:.0f} s", (source[0],)
    if level is None:
        msg = f"{name} saw no source water before the injection arrived, and there is no source EC sensor"
        raise NotCarriedError(msg)
    return np.full(t.size, level), f"{name} before the injection arrived", ()


def _half_rise(values: Array, t: Array) -> float:
    """Return when the far point had risen half way to its top. [s]"""
    window = t >= 0
    if window.sum() < FEWEST:
        msg = "the far point has too few readings after the injection began"
        raise NotCarriedError(msg)
    start = float(np.median(values[window][:FEWEST]))
    top = float(np.max(np.convolve(values[window], np.ones(FEWEST) / FEWEST, mode="valid")))
    if top - start < LEAST_STEP:
        msg = f"EC at the far point rose by {top - start:.2g} mS/cm only: no step to judge by"
        raise NotCarriedError(msg)
    return max(float(t[window][int(np.argmax(values[window] > 0.5 * (start + top)))]), 0.0)


def _to_share(view: RunView, excess: Array, base: Array, t: Array, d: float) -> tuple[Array, str]:
    """Return the excess as a share of the step, in concentration where a dilution curve allows."""
    curve = curve_of(view.stock) if view.stock else None
    amount, words = excess, "EC"
    if curve is not None and not curve.linear:
        turned = fraction_of(curve, excess)
        if not np.isnan(turned).any():
            amount, words = turned, "concentration"
    delay = _half_rise(base + excess, t)
    plateau = (t > d + 0.2 * delay) & (t < d + 0.6 * delay) & (t > 1.5 * delay)
    if plateau.sum() < FEWEST:
        msg = "plateau not reached: the injection was too short for the far point to show its step"
        raise NotCarriedError(msg)
    return amount / float(np.median(amount[plateau])), words
