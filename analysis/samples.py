"""The injection fraction from samples taken by hand: bottles for a laboratory, readings of a hand meter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.dilution import curve_of, fraction_of, sensitivity
from analysis.injection.ways import NoWay, Way, run_label, stock_name
from analysis.results import Interval
from analysis.uncertainty import COVERAGE_FACTOR, Source, Uncertain, rectangular

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.view import RunView
    from ingest.installation import Sensor, Stock

POINTS = ("mixed", "after filter", "zone", "lateral end")
"""Where a sample holds stock."""

WATER_POINTS = ("source", "supply")
"""Where it holds the water alone."""

SETTLED_SHARE = 0.5
"""Samples are taken as of the plateau after this share of the injection. [-] No source; whether the plateau
had come by then is for the person who took them to say, or for a logger at the same place."""

MOST_SPOTS = 60
"""A sensor without an interval and with no more readings than this around a run was read by hand. No source."""

LEAST_RISE = 3.0
"""A rise must stand this many of its standard uncertainties above nothing. [-] Common practice, no source."""

LABORATORY, HAND = "laboratory", "hand meter"


@dataclass(frozen=True, slots=True)
class Samples:
    """What was sampled at one point before and during one injection.

    Attributes
    ----------
    sensor : str
        The sampling point's name in the installation.
    before, during : numpy.ndarray
        Readings of the water alone, and of the plateau. [mg/L], or [mS/cm at 25 °C]
    taken : Interval
        First and last sample of the plateau. [UTC]
    """

    sensor: str
    before: np.ndarray
    during: np.ndarray
    taken: Interval

    @property
    def rise(self) -> float:
        """Mean of the plateau above the mean of the water. [as the samples]"""
        return float(self.during.mean() - self.before.mean())

    @property
    def scatter(self) -> float:
        """Standard deviation of single plateau samples; nan for one sample. [as the samples]"""
        return float(self.during.std(ddof=1)) if len(self.during) > 1 else math.nan


def is_spot(sensor: Sensor) -> bool:
    """Return whether a sensor is read by hand, when someone takes a sample."""
    return sensor.interval is None and sensor.quantity in ("concentration", "conductivity")


def tracer_balance(*, plateau: float, background: float, stock: float) -> float:
    """Return the volume fraction of stock by the mass balance of what it carries.

    Parameters
    ----------
    plateau, background, stock : float
        Concentration in the solution, in the water alone, and in the stock. [mg/L]

    Returns
    -------
    float
        f = (plateau - background) / (stock - background). [-]

    Raises
    ------
    ValueError
        If the stock is no stronger than the water.

    References
    ----------
    Mass balance of a conservative tracer at constant-rate injection: Rantz et al., USGS Water-Supply Paper
    2175 (1982), vol. 1, ch. 7, constant-rate dilution method; there as q/Q = (plateau - background) /
    (stock - plateau), which is f / (1 - f).

    Examples
    --------
    >>> round(1e5 * tracer_balance(plateau=1.154, background=0.43, stock=99280.0), 3)
    0.729
    """
    if not stock > background:
        msg = f"a stock of {stock} mg/L is no stronger than the water's {background} mg/L"
        raise ValueError(msg)
    return (plateau - background) / (stock - background)


def sampled(view: RunView) -> dict[str, list[Samples]]:
    """Return what was sampled by hand in a run, by kind, `LABORATORY` or `HAND`.

    Parameters
    ----------
    view : RunView
        One run with its injection.

    Returns
    -------
    dict
        Kind to the sampling points that have at least one sample of the plateau and one of the water.
    """
    found: dict[str, list[Samples]] = {LABORATORY: [], HAND: []}
    injection = view.run.injection
    if injection is None:
        return found
    for quantity, kind in (("concentration", LABORATORY), ("conductivity", HAND)):
        for name in view.sensors(quantity, *POINTS):
            series = view.series[name]
            if is_spot(view.installation.sensor[name]) and len(series) <= MOST_SPOTS:
                samples = _samples(view, name, series, injection)
                if samples is not None:
                    found[kind].append(samples)
    return found


def _samples(view: RunView, name: str, series: pd.Series, injection: Interval) -> Samples | None:
    """Return one point's samples; None where the plateau or the water is missing."""
    settled = injection.start + SETTLED_SHARE * (injection.end - injection.start)
    during = series[(series.index >= settled) & (series.index <= injection.end)]
    before = series[series.index < injection.start]
    if before.empty:
        before = _water(view, name, injection)
    if during.empty or before.empty:
        return None
    taken = Interval(pd.Timestamp(during.index[0]), pd.Timestamp(during.index[-1]))
    return Samples(name, before.to_numpy(dtype=float), during.to_numpy(dtype=float), taken)


def _water(view: RunView, name: str, injection: Interval) -> pd.Series:
    """Return the samples of the water alone that were taken at the source."""
    like = view.installation.sensor[name]
    for other in view.sensors(like.quantity, *WATER_POINTS):
        sensor = view.installation.sensor[other]
        if is_spot(sensor) and sensor.analyte == like.analyte:
            series = view.series[other]
            return series[series.index <= injection.end]
    return pd.Series(dtype=float, index=pd.DatetimeIndex([], tz="UTC"))


def way_of(view: RunView, samples: Samples, kind: str) -> Way | NoWay:
    """Return the injection fraction that one point's samples tell.

    Parameters
    ----------
    view : RunView
        The run.
    samples : Samples
        One sampling point's.
    kind : str
        `LABORATORY` for a tracer's mass balance, `HAND` for EC through the dilution curve.

    Returns
    -------
    Way or NoWay
        ln f with its terms: the scatter between samples with Student's factor, the water's samples, the
        meter's or laboratory's gain and resolution, and the stock's strength or the dilutions.

    References
    ----------
    GUM (JCGM 100:2008) 4.2.3 for the mean of repeats, G.3.2 for Student's factor, 4.3.7 for limits.
    """
    sensor, stock = view.installation.sensor[samples.sensor], view.stock
    if stock is None:
        return NoWay(kind, "no stock is described for this zone's injector", (samples.sensor,))
    spread = _spread(samples, sensor)
    total = math.sqrt(sum(u * u for u in spread.values()))
    if not samples.rise > LEAST_RISE * total:
        reason = f"{samples.sensor}: the samples rise by {samples.rise:.3g}, no more than they scatter"
        return NoWay(kind, reason, (samples.sensor,))
    answer = _balance(samples, sensor, stock) if kind == LABORATORY else _by_curve(samples, stock)
    if isinstance(answer, str):
        return NoWay(kind, answer, (samples.sensor,))
    fraction, lever, last = answer
    run = run_label(view)
    terms = {
        Source(term, samples.sensor, run): lever * u / samples.rise for term, u in spread.items() if u > 0.0
    }
    gain = Source("gain of the laboratory" if kind == LABORATORY else "gain of the hand meter")
    terms[gain] = lever * rectangular(sensor.accuracy.share)
    terms[Source(last[0], stock_name(view))] = lever * last[1]
    return Way(
        kind,
        Uncertain(math.log(fraction), terms),
        samples.taken,
        (samples.sensor,),
        _words(samples, sensor, kind),
    )


def _spread(samples: Samples, sensor: Sensor) -> dict[str, float]:
    """Return standard uncertainties of the rise that each point has for itself. [as the samples]"""
    resolution = rectangular(sensor.accuracy.absolute)
    means: Mapping[str, np.ndarray] = {"plateau": samples.during, "water": samples.before}
    found = {}
    for which, values in means.items():
        count = len(values)
        if count > 1:
            student = float(stats.t.ppf(0.975, count - 1)) / COVERAGE_FACTOR
            found[f"scatter of the {which}'s samples"] = (
                student * float(values.std(ddof=1)) / math.sqrt(count)
            )
        found[f"resolution of the {which}'s samples"] = resolution / math.sqrt(count)
    return found


def _balance(samples: Samples, sensor: Sensor, stock: Stock) -> tuple[float, float, tuple[str, float]] | str:
    """Return fraction, lever and the stock's own term by a tracer's mass balance."""
    analyte = sensor.analyte
    strengths = {**stock.nutrients, **stock.tracers}
    if analyte is None or analyte not in strengths:
        known = ", ".join(strengths) or "none"
        return (
            f"{samples.sensor} gives {analyte or 'no analyte'}, whose strength in the stock is not described "
            f"(described: {known})"
        )
    fraction = tracer_balance(
        plateau=float(samples.during.mean()),
        background=float(samples.before.mean()),
        stock=1000.0 * strengths[analyte],
    )
    return fraction, 1.0, ("strength of the stock", rectangular(stock.strength_accuracy))


def _by_curve(samples: Samples, stock: Stock) -> tuple[float, float, tuple[str, float]] | str:
    """Return fraction, lever and the curve's own term by EC."""
    curve = curve_of(stock)
    if curve is None or not stock.conducting:
        return "the stock has no dilution curve that EC could be read on"
    if not curve.covers(samples.rise):
        return (
            f"{samples.sensor}: EC rose by {samples.rise:.3g} mS/cm, outside the dilutions' "
            f"{curve.steps[0]:.3g} to {curve.steps[-1]:.3g}; the curve is not extrapolated"
        )
    fraction = float(fraction_of(curve, samples.rise))
    return fraction, sensitivity(curve, samples.rise), ("dilutions as made", stock.dilution_accuracy)


def _words(samples: Samples, sensor: Sensor, kind: str) -> str:
    """Return the method in words."""
    counts = f"{len(samples.during)} at the plateau, {len(samples.before)} of the water"
    if kind == LABORATORY:
        how = f"laboratory samples at {samples.sensor}: {sensor.analyte} mass balance"
        return f"{how} (plateau - water) / (stock - water), {counts}"
    return f"hand meter at {samples.sensor}: EC step through the dilution curve, {counts}"
