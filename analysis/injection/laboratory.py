"""The injection fraction from concentrations of a nutrient or tracer: samples or ion probes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.injection.ways import NoWay, Way, gain_term, limit_of, run_label, stock_name
from analysis.results import Interval
from analysis.samples import is_spot
from analysis.uncertainty import Source, Uncertain, rectangular, standard_error

if TYPE_CHECKING:
    from analysis.view import RunView

NAME = "laboratory"

AFTER = ("mixed", "after filter", "zone", "lateral end")
"""Where a sample of the solution is taken."""

SETTLE_SHARE = 0.5
"""Samples from the first half of an injection are left out: the plateau may not have come. No source."""

LEAST_MANY = 4
"""From this many samples on their own spread tells the error of the mean."""


def laboratory(view: RunView) -> list[Way | NoWay]:
    """Estimate ln f from concentrations: f = (C - Cw) / (Cs - Cw).

    Parameters
    ----------
    view : RunView
        One run with its injection.

    Returns
    -------
    list of Way or NoWay
        One for each substance that is both sampled and stated in the stock; empty where none is, and where
        several points were sampled by hand, because `analysis.stations` tells them apart.

    References
    ----------
    Dilution of a conserved tracer, mass balance; as in constant-rate salt injection, Kilpatrick and Cobb,
    USGS Techniques of Water-Resources Investigations 3-A16 (1985).
    """
    stock = view.stock
    names = view.sensors("concentration", *AFTER)
    by_hand = [name for name in names if is_spot(view.installation.sensor[name])]
    if stock is None or view.run.injection is None or len(by_hand) > 1:
        return []
    strengths = {**stock.nutrients, **stock.tracers}
    answers: list[Way | NoWay] = []
    for name in names:
        analyte = view.installation.sensor[name].analyte or ""
        if analyte in strengths:
            answers.append(_from(view, name, strengths[analyte] * 1000.0))
    return answers[:1]


def _from(view: RunView, name: str, strength: float) -> Way | NoWay:
    """Return ln f from one concentration sensor; `strength` is the stock's. [mg/L]"""
    injection, readings = view.run.injection, view.series[name]
    if injection is None:
        return NoWay(NAME, "no injection was found in this run", (name,))
    late = injection.start + SETTLE_SHARE * (injection.end - injection.start)
    during = readings[(readings.index >= late) & (readings.index <= injection.end)]
    before = readings[readings.index < injection.start]
    source, water = _water(view, name, before)
    if during.empty or water is None:
        missing = (
            "sample from the second half of the injection" if during.empty else "sample of the source water"
        )
        return NoWay(NAME, f"{name} has no {missing}", (name,))
    rise = float(during.mean()) - water
    if rise <= 0:
        return NoWay(NAME, f"{name} does not rise above the source water", (name, *source))
    fraction = rise / (strength - water)
    sensor, stock = view.installation.sensor[name], view.stock
    gain, share = gain_term(view.installation, name, rise)
    terms = {
        gain: share,
        Source("stock strength", stock_name(view)): rectangular(stock.strength_accuracy if stock else 0.0),
        Source("source water sample", name, run_label(view)): rectangular(limit_of(sensor, water)) / rise,
    }
    if len(during) >= LEAST_MANY:
        terms[Source("scatter of samples", name, run_label(view))] = standard_error(during) / rise
    window = Interval(pd.Timestamp(during.index[0]), pd.Timestamp(during.index[-1]))
    method = f"concentration of {sensor.analyte} at {name} above the water's, over the stock's strength"
    return Way(NAME, Uncertain(math.log(fraction), terms), window, (name, *source), method)


def _water(view: RunView, name: str, before: pd.Series) -> tuple[tuple[str, ...], float | None]:
    """Return the source water's concentration and the sensor that gave it."""
    analyte = view.installation.sensor[name].analyte
    for other in view.sensors("concentration", "source", "supply"):
        if view.installation.sensor[other].analyte == analyte:
            return (other,), float(view.series[other].mean())
    return (), float(before.mean()) if len(before) else None
