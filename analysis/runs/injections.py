"""When stock entered during a run: from the stock's own meter, or else from the step it makes in EC."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.dilution import curve_of, step_of
from analysis.quality.flags import noise
from analysis.results import Interval
from analysis.runs.counting import counting
from analysis.runs.detect import nominal_flow
from analysis.runs.slices import all_between, between
from analysis.runs.stretches import stretches, switched
from analysis.runs.volumes import register_flow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Installation

EC_POINTS = ("mixed", "after filter", "zone", "lateral end")
"""Where an injection shows in EC, the nearest to the injector first."""

WATER_POINTS = ("source", "supply")
"""Where the water is seen without stock."""

STOCK_ON_SHARE = 0.1
"""Stock flow that counts as injecting, as a share of what the ratio asks for. [-] No source."""

STOCK_ON_OF_RANGE = 0.02
"""The same as a share of the meter's range, where no ratio is described. [-] No source."""

PAUSE_S = 300.0
"""Pauses of an injection up to this long do not end it: strokes of a pump, a sampling hole. [s] No source."""

CARRIED_OVER = pd.Timedelta(minutes=1)
"""A cell that is high so soon after the start of a run still holds the feed of the run before, where it falls
and rises again later. No source."""

SHORTEST_S = 30.0
"""Shorter rises are no injection. [s] No source."""

LEAST_READINGS = 12
"""Readings that a cell needs to show an injection; fewer are samples taken by hand. No source."""

STEP_SHARE = 0.05
"""Least EC step that counts as stock, as a share of the water's EC: source water wanders by less
within a run. [-] Common practice, no source."""

STEP_NOISES = 6.0
"""The same in standard deviations of the cell's noise. [-] Computed: below one false step in 10 years."""

STEP_OF_EXPECTED = 0.2
"""The same as a share of the step that the set ratio makes by the stock's dilution curve. [-] No source."""

BASE_QUANTILE = 0.1
"""Low end of a run's own EC that stands for the water where nothing else tells it. [-] No source."""

LOCAL_SHARE = 0.5
"""An injection starts and ends where EC passes this share of its step: the middle of a front that
dispersion has spread. [-] Half height of a symmetric front: Levenspiel, Chemical Reaction Engineering,
ch. 13."""


@dataclass(frozen=True, slots=True)
class Injected:
    """An injection and how it was told.

    Attributes
    ----------
    interval : Interval
        When stock entered. [UTC]
    by : tuple of str
        Sensors.
    how : str
        In words.
    """

    interval: Interval
    by: tuple[str, ...]
    how: str


def injection_of(
    installation: Installation,
    zone: str,
    span: Interval,
    series: Mapping[str, pd.Series],
) -> Injected | None:
    """Return when stock entered during one run.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        The run's zone.
    span : Interval
        The run. [UTC]
    series : mapping of str to pandas.Series
        Good readings by sensor. [stored units]

    Returns
    -------
    Injected or None
        None where none entered, or where no sensor could tell.
    """
    part = all_between(series, span.start, span.end)
    metered = _by_stock_meter(installation, zone, part)
    if metered is not None:
        return metered[1]
    found = [i for i in rises(installation, zone, part) if i.interval.end > span.start]
    if len(found) > 1 and found[0].interval.start - span.start < CARRIED_OVER:
        found = found[1:]
    if not found:
        return None
    whole = Interval(max(found[0].interval.start, span.start), min(found[-1].interval.end, span.end))
    return Injected(whole, found[0].by, found[0].how) if whole.end > whole.start else None


def can_tell(installation: Installation, zone: str, series: Mapping[str, pd.Series]) -> tuple[str, ...]:
    """Return the sensors that would show an injection into this zone, if one came."""
    names = installation.sensors_of(zone, "flow", "stock") + installation.sensors_of(zone, "volume", "stock")
    names += installation.sensors_of(zone, "conductivity", *EC_POINTS)
    return tuple(name for name in names if len(series.get(name, ())) > 1)


def rises(installation: Installation, zone: str, series: Mapping[str, pd.Series]) -> list[Injected]:
    """Return the stretches in which a zone's EC stands above its water's.

    The cells at the first of `EC_POINTS` that has readings are looked at; of several the one that the stock
    reaches first tells. The water's EC is the source cell's
    where one has readings; else the run's own low end, or the water of the dilution curve where the run's own
    low end lies well above that, because then stock ran all the time.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        The zone.
    series : mapping of str to pandas.Series
        Good readings by sensor, within the time to be looked at. [stored units]

    Returns
    -------
    list of Injected
        By start, ends at `LOCAL_SHARE` of each one's own step, the middle of the cell's stated lag taken off.
    """
    told = [_rises_at(installation, zone, name, series) for name in first_cells(installation, zone, series)]
    return min(filter(None, told), key=lambda found: found[0].interval.start, default=[])


def first_cells(installation: Installation, zone: str, series: Mapping[str, pd.Series]) -> list[str]:
    """Return the EC cells with readings at the first point after the injector that has any."""
    names = [
        name
        for name in installation.sensors_of(zone, "conductivity", *EC_POINTS)
        if len(series.get(name, ())) >= LEAST_READINGS
    ]
    return [n for n in names if installation.sensor[n].point == installation.sensor[names[0]].point]


def _rises_at(
    installation: Installation, zone: str, name: str, series: Mapping[str, pd.Series]
) -> list[Injected]:
    """Return the stretches in which one cell stands above its water."""
    ec = series[name]
    base, by, how = _water_ec(installation, zone, name, series)
    step = ec - base
    threshold = max(
        STEP_SHARE * float(np.median(base)), STEP_NOISES * noise(step), _expected(installation, zone)
    )
    interval = installation.sensor[name].interval or 10.0
    on = switched(step, on=threshold)
    found = stretches(on, interval_s=interval, hold_s=PAUSE_S, shortest_s=max(SHORTEST_S, 2 * interval))
    injector = installation.injector_of(zone)
    decays = injector is not None and installation.injector[injector].kind == "displacement tank"
    spans = [_sharpened(step, Interval(a, b), complete=c, decays=decays) for a, b, c in found]
    lag = pd.Timedelta(seconds=sum(installation.sensor[name].lag or (0.0, 0.0)) / 2.0)
    told = [Interval(span.start - lag, span.end - lag) for span in spans]
    return [Injected(span, (name, *by), how) for span in told]


def _by_stock_meter(
    installation: Installation, zone: str, series: Mapping[str, pd.Series]
) -> tuple[str, Injected | None] | None:
    """Return the stock meter that has readings and the injection it saw; None without such a meter."""
    for quantity in ("flow", "volume"):
        for name in installation.sensors_of(zone, quantity, "stock"):
            readings = series.get(name)
            if readings is None or len(readings) < 2:  # noqa: PLR2004 - a flow takes two readings
                continue
            flow = readings if quantity == "flow" else register_flow(readings, window_s=PAUSE_S / 5)
            on = switched(flow, on=_stock_level(installation, zone, name, flow))
            interval = installation.sensor[name].interval
            found = stretches(on, interval_s=interval, hold_s=PAUSE_S, shortest_s=2.0 * (interval or 0.0))
            if not found:
                return name, None
            span = Interval(found[0][0], found[-1][1])
            if quantity == "volume":
                span = Interval(*counting(readings, span.start, span.end))
            parts = "" if len(found) == 1 else f", in {len(found)} parts"
            return name, Injected(span, (name,), f"injection told by the stock's meter{parts}")
    return None


def _stock_level(installation: Installation, zone: str, name: str, flow: pd.Series) -> float:
    """Return the stock flow above which stock counts as entering. [L/h]"""
    injector = installation.injector.get(installation.injector_of(zone) or "")
    if injector is not None and injector.injection_flow:
        return float(STOCK_ON_SHARE * injector.injection_flow)
    nominal = nominal_flow(installation, zone)
    if injector is not None and injector.ratio and nominal:
        return float(STOCK_ON_SHARE * injector.ratio * nominal)
    limits = installation.sensor[name].range
    if limits is not None and installation.sensor[name].quantity == "flow":
        return float(STOCK_ON_OF_RANGE * limits[1])
    return max(STOCK_ON_SHARE * float(flow.max()), 1e-6)


def _water_ec(
    installation: Installation, zone: str, cell: str, series: Mapping[str, pd.Series]
) -> tuple[pd.Series, tuple[str, ...], str]:
    """Return the water's EC at the times of a cell's readings, the sensors it came from, and words."""
    ec, compensated = series[cell], _compensated(installation, cell)
    for name in installation.sensors_of(zone, "conductivity", *WATER_POINTS):
        source = series.get(name)
        if (
            source is not None
            and len(source) >= LEAST_READINGS
            and compensated == _compensated(installation, name)
        ):
            at = np.interp(ec.index.astype("int64"), source.index.astype("int64"), source.to_numpy())
            return pd.Series(at, index=ec.index), (name,), "injection told by EC above the source's"
    low = float(ec.quantile(BASE_QUANTILE))
    stock = installation.stock_of(zone)
    curve = curve_of(stock) if stock is not None else None
    if curve is not None and low > curve.water + max(_expected(installation, zone), STEP_SHARE * curve.water):
        how = "injection told by EC above the water of the dilution curve"
        return pd.Series(curve.water, index=ec.index), (), how
    return pd.Series(low, index=ec.index), (), "injection told by EC above the run's own low end"


def _compensated(installation: Installation, name: str) -> bool:
    """Return whether a cell brings its readings to 25 °C itself."""
    return installation.sensor[name].compensated


def _expected(installation: Installation, zone: str) -> float:
    """Return the least EC step by the set ratio and the dilution curve; 0 where either is missing. [mS/cm]"""
    name, stock = installation.injector_of(zone), installation.stock_of(zone)
    ratio = installation.injector[name].ratio if name is not None else None
    curve = curve_of(stock) if stock is not None else None
    if not ratio or curve is None:
        return 0.0
    step = float(step_of(curve, ratio))
    return STEP_OF_EXPECTED * step if np.isfinite(step) else 0.0


def _sharpened(step: pd.Series, rough: Interval, *, complete: bool, decays: bool) -> Interval:
    """Return where the step passes `LOCAL_SHARE` of its own height, interpolated between readings.

    The height is the median over the injection; at each end of a tank's, which decays, that of the readings
    next to it.
    """
    inside = between(step, rough.start, rough.end)
    near = max(len(inside) // 10, 4)
    early, late = (inside.iloc[:near], inside.iloc[-near:]) if decays else (inside, inside)
    rising, falling = LOCAL_SHARE * float(early.median()), LOCAL_SHARE * float(late.median())
    within = step.index.isin(inside.index)
    high = np.flatnonzero((step >= rising).to_numpy() & within)
    low = np.flatnonzero((step >= falling).to_numpy() & within)
    if len(high) == 0 or len(low) == 0:
        return rough
    start = _crossing(step, high[0] - 1, high[0], rising)
    end = _crossing(step, low[-1], low[-1] + 1, falling) if complete else rough.end
    return Interval(start, end)


def _crossing(step: pd.Series, one: int, two: int, level: float) -> pd.Timestamp:
    """Return when a series passes a level between two neighbouring readings."""
    if one < 0 or two >= len(step):
        return pd.Timestamp(step.index[max(one, 0) if one >= 0 else two])
    (a, b), (v, w) = step.index[[one, two]], step.iloc[[one, two]]
    share = 0.5 if v == w else float(np.clip((level - v) / (w - v), 0.0, 1.0))
    return pd.Timestamp(a + (b - a) * share).as_unit("us")
