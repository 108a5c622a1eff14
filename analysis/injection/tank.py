"""The stock that left an open stock tank, by its level or its weight."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.injection.ways import NoWay, Way, limit_of, run_label, stock_name
from analysis.uncertainty import Source, Uncertain, rectangular, standard_error

if TYPE_CHECKING:
    from analysis.results import Interval
    from analysis.view import RunView

NAME = "stock tank"

STILL = pd.Timedelta(minutes=5)
"""The tank is read over this long before and after the injection. No source."""

LEAST_READINGS = 3
"""Readings needed on each side. No source."""

AREA_LIMIT = 0.02
"""Limit of error of a tank's stated cross-section. [-] Common practice, no source."""

DENSITY_LIMIT = 0.005
"""Limit of error of a stock's stated density. [-] Common practice, no source."""

LEAST_OVER_ERROR = 3.0
"""The fall must be this many times its standard uncertainty. No source."""


def stock_tank(view: RunView) -> Way | NoWay:
    """Return ln litres of stock that left the tank during the injection.

    Parameters
    ----------
    view : RunView
        One run with its injection.

    Returns
    -------
    Way or NoWay
        The answer, or why there is none.

    References
    ----------
    Volume = cross-section times fall of level, or loss of mass over density.
    """
    injection, injector = view.run.injection, view.injector
    if injection is None or injector is None:
        return NoWay(NAME, "no injection was found in this run")
    for name in view.sensors("level", "stock") + view.sensors("mass", "stock"):
        level = view.installation.sensor[name].quantity == "level"
        scale = injector.tank_area if level else view.stock and view.stock.density
        if scale:
            factor = scale if level else 1000.0 / scale  # mm times m2 is litres; kg over g/L is 1000 litres
            return _fall(view, injection, name, factor, AREA_LIMIT if level else DENSITY_LIMIT)
    return NoWay(NAME, "no level sensor with a stated tank_area, and no scale with the stock's density")


def _fall(view: RunView, injection: Interval, name: str, factor: float, scale_limit: float) -> Way | NoWay:
    """Return ln litres from a fall of level or mass."""
    series, sensor = view.series[name], view.installation.sensor[name]
    before = series[(series.index >= injection.start - STILL) & (series.index < injection.start)]
    after = series[(series.index > injection.end) & (series.index <= injection.end + STILL)]
    if min(len(before), len(after)) < LEAST_READINGS:
        return NoWay(NAME, f"{name} has too few readings before or after the injection", (name,))
    fall = float(before.mean() - after.mean())
    noise = math.hypot(*(_noise(part) for part in (before, after)))
    limit = rectangular(limit_of(sensor, float(before.mean())))
    spread = math.hypot(noise, math.sqrt(2.0) * limit)
    if fall < LEAST_OVER_ERROR * spread:
        return NoWay(
            NAME,
            f"{name} fell by {fall:.3g}, too little against its error of {spread:.2g}, or the tank was refilled",
            (name,),
        )
    run = run_label(view)
    terms = {
        Source("reading before and after", name, run): spread / fall,
        Source("tank's cross-section or stock's density", stock_name(view)): rectangular(scale_limit),
    }
    what = "level" if sensor.quantity == "level" else "weight"
    return Way(
        NAME, Uncertain(math.log(fall * factor), terms), injection, (name,), f"fall of {what} of {name}"
    )


def _noise(part: pd.Series) -> float:
    """Return the standard error of a mean, 0 where there are too few readings to tell."""
    error = standard_error(part.to_numpy(float))
    return error if math.isfinite(error) else 0.0
