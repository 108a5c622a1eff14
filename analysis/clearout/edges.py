"""When an injection began and ended at the injector, as sharply as stock meter and mixed cell can tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout.edge_fit import Edge, fit_edges
from analysis.hydraulics.travel_estimate import pipe_travel
from analysis.injection.cells import Cell, cell
from analysis.injection.totals import cumulative, seconds, usual_step
from analysis.quality.flags import noise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.results import Interval
    from analysis.view import RunView

    Array = NDArray[np.float64]

NEAR_POINTS = ("mixed", "after filter")
"""Points whose EC cell sees the injection begin and end at once."""

NO_LAG = (0.0, 12.0)
"""Response time taken where none is stated. [s] Upper end of usual conductivity cells; no source."""

NEAR_DELAY = (0.0, 10.0)
"""Travel time from an injector to its mixed cell, where no stock meter tells it. [s] No source: the cell
stands within a few metres of the injector."""

FEWEST = 4
"""Readings around an edge that its fit needs. [-]"""

PULSES_APART = 60.0
"""Pulses further apart than this do not tell an edge. [s] No source."""


@dataclass(frozen=True, slots=True)
class Edges:
    """Start and end of an injection at the injector.

    Attributes
    ----------
    start, end : float
        [s since 1970]
    start_u, end_u : float
        Standard uncertainties. [s]
    sensors : tuple of str
        What told them; empty where no sensor near the injector did.
    how : str
        In words.
    """

    start: float
    end: float
    start_u: float
    end_u: float
    sensors: tuple[str, ...]
    how: str


def edges(view: RunView) -> Edges | None:
    """Return when stock entered during a run, from the sensors near the injector.

    Parameters
    ----------
    view : RunView
        The run, with its injection.

    Returns
    -------
    Edges or None
        From the stock meter, the mixed EC cell, or both: then the cell gives the sharpness and the meter
        the delay between injector and cell. None where neither has readings at the edges.
    """
    injection = view.run.injection
    if injection is None:
        return None
    metered = _metered(view, injection)
    seen = _seen(view, injection)
    if metered is not None and seen is not None:
        return _together(metered, seen)
    if metered is not None:
        return metered
    if seen is None:
        return None
    return _shifted(seen, *_PRIOR)


_PRIOR = (sum(NEAR_DELAY) / 2.0, (NEAR_DELAY[1] - NEAR_DELAY[0]) / float(np.sqrt(12.0)))
"""Delay from injector to mixed cell before any meter is asked: middle and standard uncertainty. [s]"""


def _shifted(seen: Edges, delay: float, delay_u: float) -> Edges:
    """Return edges brought from the cell back to the injector."""
    return replace(
        seen,
        start=seen.start - delay,
        end=seen.end - delay,
        start_u=float(np.hypot(seen.start_u, delay_u)),
        end_u=float(np.hypot(seen.end_u, delay_u)),
    )


def edges_by_pipes(view: RunView, name: str) -> Edges | None:
    """Return the edges from the front at a far cell, less the travel time in the pipes.

    Parameters
    ----------
    view : RunView
        The run, whose injection was told by that cell's own front.
    name : str
        The cell.

    Returns
    -------
    Edges or None
        None where something else told the injection, or the pipes are not described.
    """
    injection, sensor = view.run.injection, view.installation.sensor[name]
    if injection is None or name not in view.run.seen_by or view.zone.laterals is None:
        return None
    try:
        pipes = pipe_travel(view)
    except ValueError:
        return None
    travel = pipes.times.last if sensor.point == "lateral end" else pipes.times.main
    lag = sum(sensor.lag or NO_LAG) / 2.0
    u = pipes.relative_u * travel
    return Edges(
        injection.start.timestamp() - travel - lag,
        injection.end.timestamp() - travel - lag,
        u,
        u,
        pipes.sensors,
        f"injection edges by the front at {name}, {travel:.0f} s of travel in the pipes taken off",
    )


def _together(metered: Edges, seen: Edges) -> Edges:
    """Return both ways' edges combined, the cell's delay taken as the same at both edges.

    The delay that the meter tells is weighed with what is usual, unless the two contradict each other.
    """
    delay = (seen.start - metered.start + seen.end - metered.end) / 2.0
    delay_u = float(np.hypot(metered.start_u, metered.end_u)) / 2.0
    usual, usual_u = _PRIOR
    if abs(delay - usual) < 3.0 * np.hypot(delay_u, usual_u):
        weight = delay_u**-2 / (delay_u**-2 + usual_u**-2)
        delay, delay_u = weight * delay + (1.0 - weight) * usual, (delay_u**-2 + usual_u**-2) ** -0.5
    both = _shifted(seen, delay, delay_u)
    return replace(
        both, sensors=metered.sensors + seen.sensors, how="injection edges by stock meter and mixed EC"
    )


def _metered(view: RunView, injection: Interval) -> Edges | None:
    """Return the edges that the stock's meter tells."""
    for quantity in ("flow", "volume"):
        for name in view.sensors(quantity, "stock"):
            series = view.series[name]
            told = (
                _switch(series, injection)
                if quantity == "flow"
                else _register(cumulative(series, view.installation.sensor[name]), injection)
            )
            if told is not None:
                start, end = told
                return Edges(
                    start[0], end[0], start[1], end[1], (name,), f"injection edges by stock meter {name}"
                )
    return None


def _switch(flow: pd.Series, injection: Interval) -> tuple[Edge, Edge] | None:
    """Return where a stock flow goes on and off: half way between the readings that differ."""
    times, values = seconds(pd.DatetimeIndex(flow.index)), flow.to_numpy(float)
    inside = (flow.index >= injection.start) & (flow.index <= injection.end)
    if inside.sum() < FEWEST:
        return None
    on = np.flatnonzero((values > 0.5 * float(np.median(values[inside]))) & _around(times, injection))
    if len(on) == 0 or on[0] == 0 or on[-1] == len(values) - 1:
        return None
    first, last = int(on[0]), int(on[-1])
    return _between(times[first - 1], times[first]), _between(times[last], times[last + 1])


def _between(one: float, two: float) -> Edge:
    """Return the middle of two instants and the standard uncertainty of anything between them."""
    return float(one + two) / 2.0, float((two - one) / np.sqrt(12.0))


def _around(times: Array, injection: Interval) -> NDArray[np.bool_]:
    """Return the readings in the injection, a tenth of it added at both ends."""
    start, end = injection.start.timestamp(), injection.end.timestamp()
    margin = max(30.0, 0.1 * (end - start))
    return np.asarray((times >= start - margin) & (times <= end + margin))


def _register(litres: pd.Series, injection: Interval) -> tuple[Edge, Edge] | None:
    """Return where a register's counting begins and ends, half a pulse beyond its first and last count."""
    times, values = seconds(pd.DatetimeIndex(litres.index)), litres.to_numpy(float)
    near = _around(times, injection)
    counted = np.flatnonzero((np.diff(values) > 0) & near[1:])
    if len(counted) < FEWEST:
        return None
    first, last = int(counted[0]), int(counted[-1])
    if last + 2 >= len(times):
        return None
    smallest = float(np.min(np.diff(values)[counted]))
    rate = (values[last + 1] - values[first + 1]) / max(times[last + 1] - times[first + 1], 1e-9)
    apart = smallest / max(rate, 1e-12)
    if apart > PULSES_APART:
        return None
    start, start_u = _between(times[first], times[first + 1])
    end, end_u = _between(times[last], times[last + 1])
    half = min(apart, 1.0 * (times[last + 2] - times[last])) / 2.0 if apart > usual_step(times) else 0.0
    spread = apart / np.sqrt(12.0) if apart > usual_step(times) else 0.0
    return (start - half, float(np.hypot(start_u, spread))), (end + half, float(np.hypot(end_u, spread)))


def _seen(view: RunView, injection: Interval) -> Edges | None:
    """Return the edges as the mixed cell's water passes it, its response taken off."""
    for name in view.sensors("conductivity", *NEAR_POINTS):
        found = cell(view, name)
        if not isinstance(found, Cell):
            continue
        lag = view.installation.sensor[name].lag or NO_LAG
        fitted = fit_edges(found.series, injection, lag, noise(found.series))
        if fitted is not None:
            start, end = fitted
            how = f"injection edges by EC at {name}, its lag fitted"
            return Edges(start[0], end[0], start[1], end[1], (name,), how)
    return None
