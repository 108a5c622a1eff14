"""When a front of stock passes a cell, and how long it travels from one cell to another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout.arrival import HALF, LARGEST_CREEP, NEAR_TOP, arrival
from analysis.injection.cells import Cell, cell
from analysis.quality.checks import seconds
from analysis.quality.flags import noise
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.samples import is_spot
from analysis.uncertainty import COVERAGE_FACTOR, Source, Uncertain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "travel time"

POINTS = ("mixed", "after filter", "zone", "lateral end")
"""Where a front can be seen, in the order that it passes."""

FAR_POINTS = ("zone", "lateral end")
"""Where it has travelled through pipes."""

DECAYS = (
    "a displacement tank's feed is strongest at its start and falls from then on, so its front has no half height; "
    "the time from the pipes tells"
)

COUNTS = "for the way between these two it counts before any time from the pipes"
"""Which travel time to trust, in the method's words."""

CREEP_GOING = 0.05
"""The same while the run goes on and the front may still be coming. [-] Fronts of the shapes of the error function and
the inverse Gaussian, cut anywhere, are then told to half of their interval (computed)."""

UNKNOWN_LAG = (0.0, 12.0)
"""Response time where none is stated. [s] Conductivity cells, from memory."""


@dataclass(frozen=True, slots=True)
class Front:
    """One front at one cell.

    Attributes
    ----------
    sensor : str
        The cell.
    at : pandas.Timestamp
        When EC had risen half way. [UTC]
    terms : dict of Source to float
        Standard uncertainty by its cause. [s]
    base, top : float
        EC of the water and of the plateau. [mS/cm at 25 °C]
    lag_s : float
        Middle of the cell's response time. [s]
    """

    sensor: str
    at: pd.Timestamp
    terms: dict[Source, float]
    base: float
    top: float
    lag_s: float


def front(view: RunView, name: str) -> Front | str:
    """Return when a run's front of stock passed one cell.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    name : str
        A conductivity cell.

    Returns
    -------
    Front or str
        The front with its uncertainty from noise, sampling, the plateau's height and lag; or why there is none.
    """
    injection, seen = view.run.injection, cell(view, name)
    if injection is None:
        return "no injection was found in this run"
    if not isinstance(seen, Cell):
        return seen
    start = injection.start - pd.Timedelta(minutes=2)  # an injection told from EC is told at half height
    largest = LARGEST_CREEP if view.run.complete else CREEP_GOING
    found = arrival(seen.series[seen.series.index < view.run.end], start, largest_creep=largest)
    if isinstance(found, str):
        return found
    at, slope, base, top = found
    sensor = view.installation.sensor[name]
    low, high = sensor.lag or UNKNOWN_LAG
    step = float(np.median(np.diff(seconds(pd.DatetimeIndex(seen.series.index)))))
    late = seen.series[(seen.series.index > at) & (seen.series >= base + NEAR_TOP * (top - base))]
    half = len(late) // 2
    creep = abs(float(late.iloc[half:].median() - late.iloc[:half].median())) if half else 0.0
    terms = {
        Source("noise", name): noise(seen.series) / slope,
        Source("time between readings", name): step / math.sqrt(12.0),
        Source("height of the plateau", name): HALF * creep / slope / math.sqrt(3.0),
        Source("lag of the cell", name): (high - low) / math.sqrt(12.0),
    }
    return Front(name, at, terms, base, top, (low + high) / 2.0)


def travel_between(view: RunView) -> Sequence[Estimate]:
    """Estimate how long stock travelled from the first cell that it passed to each later one.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        With a stock meter, from the start of the injection to each cell in the zone; else from the first cell
        that the front passed to each later one. A refusal where a cell saw no front. Nothing with one place
        only, or without injection.

    Notes
    -----
    The time to the instant at which EC has risen half way. It is the travel of the front, not the clear-out
    time, which is longer.

    References
    ----------
    Time of travel between half heights: Kilpatrick and Wilson, USGS Techniques of Water-Resources
    Investigations 3-A9 (1989).
    """
    if view.run.injection is None or view.injector is None:
        return []
    origin = _at_injector(view)
    points = FAR_POINTS if origin is not None else POINTS
    names = [n for n in view.sensors("conductivity", *points) if not is_spot(view.installation.sensor[n])]
    if len(names) < (1 if origin is not None else 2):
        return []
    method = "between the half heights of the front of EC"
    if view.injector.kind == "displacement tank":
        return [refused(QUANTITY, method, DECAYS, tuple(names))]
    fronts = {name: front(view, name) for name in names}
    seen = sorted((f for f in fronts.values() if isinstance(f, Front)), key=lambda f: f.at)
    missing = {name: f for name, f in fronts.items() if isinstance(f, str)}
    said = [refused(QUANTITY, method, f"{name}: {why}", tuple(names)) for name, why in missing.items()]
    if origin is not None:
        return [*[_estimate(origin, later) for later in seen], *said]
    return [*[_estimate(seen[0], later) for later in seen[1:]], *said]


def _at_injector(view: RunView) -> Front | None:
    """Return the front as the stock's meter saw it start; None without such a meter."""
    names = [*view.sensors("flow", "stock"), *view.sensors("volume", "stock")]
    if not names or view.run.injection is None:
        return None
    name = names[0]
    interval = view.installation.sensor[name].interval or 0.0
    terms = {Source("time between readings", name): interval / math.sqrt(12.0)}
    return Front(name, view.run.injection.start, terms, 0.0, 0.0, 0.0)


def _estimate(first: Front, later: Front) -> Estimate:
    """Return the travel time between two fronts, lags taken off."""
    value = (later.at - first.at).total_seconds() - (later.lag_s - first.lag_s)
    found = Uncertain(value, {**first.terms, **later.terms})
    half = COVERAGE_FACTOR * found.sd
    words = f"measured: {_seen(first)} to {_seen(later)}, lags of the cells taken off; {COUNTS}"
    return Estimate(
        QUANTITY,
        None,
        None,
        value,
        ESTIMATE_UNITS[QUANTITY],
        max(value - half, 0.0),
        value + half,
        words,
        (first.sensor, later.sensor),
        budget=found.budget(),
    )


def _seen(one: Front) -> str:
    """Return where and when a front was seen, in words."""
    if one.top == one.base:
        return f"from the start of the injection at {one.sensor} ({one.at:%H:%M:%S} UTC)"
    return (
        f"half height of the front of EC at {one.sensor} ({one.at:%H:%M:%S} UTC, {one.base:.4g} to "
        f"{one.top:.4g} mS/cm)"
    )
