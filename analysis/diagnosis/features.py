"""What every run leaves for the season: its steady flow and pressures, its temperature, the lines at rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import trim_mean

from analysis.injection.cells import Cell, cell
from analysis.results import Feature, Interval
from analysis.runs.slices import between
from analysis.runs.volumes import register_volume
from analysis.uncertainty import standard_error

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.view import RunView
    from ingest.installation import Sensor

STEADY = {
    "flow": "steady flow",
    "volume": "steady flow",
    "pressure": "steady pressure",
    "temperature": "steady temperature",
}
"""Quantity to the name of its feature; a register's is the flow that it counted."""

REST_PRESSURE = "rest pressure"
"""Name of the feature of a pressure sensor before a run. [kPa]"""

CELL_RATIO = "EC cell ratio"
"""Name of the feature of two cells in the same source water: ln of the second over the first. [-]"""

REST_EC = "EC at rest above running"
"""Name of the feature of a source cell: what it reads before a run above what it reads in it. [mS/cm]"""

SETTLE_SHARE, SETTLE_LEAST, SETTLE_MOST = 0.15, pd.Timedelta(minutes=2), pd.Timedelta(minutes=15)
"""Start of a run that is left out, while lines fill and valves settle: a share of it, within limits. Common
practice, no source."""

STOP_MARGIN = pd.Timedelta(seconds=30)
"""End of a run that is left out. Common practice, no source."""

AFTER_INJECTION = pd.Timedelta(minutes=2)
"""Time after an injection before flow counts as water alone. No source."""

LEAST_WINDOW = pd.Timedelta(minutes=2)
"""Shortest steady stretch that is used. No source."""

LEAST_READINGS = 5
"""Fewest readings of a steady stretch. No source."""

REST_BEFORE = (pd.Timedelta(minutes=6), pd.Timedelta(seconds=30))
"""When the lines are looked at before a run: from, to. No source."""

REST_FLOW = 0.02
"""Share of the run's flow above which the lines are not at rest. [-] No source."""

REST_SPREAD = 2.0
"""Spread of rest readings above which the lines are not at rest. [kPa] No source."""

TRIM = 0.1
"""Share of the readings left out at each end of a steady stretch's mean. [-] Common practice."""

POINTS = ("supply", "source", "mixed", "after filter", "zone", "lateral end")


def steady(view: RunView) -> Sequence[Feature]:
    """Return a run's steady flow, pressures and temperature, and the pressures before it.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Feature
        One a sensor of the zone's water: trimmed means over the longest steady stretch without injection,
        or over the whole run's steady part where injection fills it. Flows and pressures of a run that
        shares the head with another run are left out, since neither's flow is known.
    """
    window = steady_window(view)
    if window is None or view.others or not view.run.complete:
        return []
    found = []
    for quantity, name in STEADY.items():
        for sensor in view.sensors(quantity, *POINTS):
            register = view.installation.sensor[sensor] if quantity == "volume" else None
            value = _level(view.series[sensor], window, register=register)
            if value is not None:
                found.append(_feature(name, view, sensor, value))
    return [*found, *_rests(view), *_cells(view, window), *_standing(view, window)]


def steady_window(view: RunView) -> Interval | None:
    """Return the stretch of a run in which nothing changes; None where there is none.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    Interval or None
        After the lines have filled and before the run ends; the longest part without injection where that
        is long enough.
    """
    run = view.run
    lead = min(max(SETTLE_SHARE * (run.end - run.start), SETTLE_LEAST), SETTLE_MOST)
    whole = Interval(run.start + lead, run.end - STOP_MARGIN)
    if whole.end - whole.start < LEAST_WINDOW:
        return None
    if run.injection is None:
        return whole
    parts = (
        Interval(whole.start, min(whole.end, run.injection.start)),
        Interval(max(whole.start, run.injection.end + AFTER_INJECTION), whole.end),
    )
    best = max(parts, key=lambda part: part.end - part.start)
    return best if best.end - best.start >= LEAST_WINDOW else whole


def _level(
    series: pd.Series, window: Interval, *, register: Sensor | None = None
) -> tuple[float, float] | None:
    """Return the mean of a steady stretch and its standard uncertainty from noise."""
    if register is not None:
        stated = register.rolls_over_at is not None
        volume = register_volume(series, window.start, window.end, size_known=stated)
        hours = (window.end - window.start).total_seconds() / 3600.0
        if volume.readings < LEAST_READINGS or volume.resets or volume.litres <= 0:
            return None
        return volume.litres / hours, volume.resolution / hours
    part = between(series, window.start, window.end)
    if len(part) < LEAST_READINGS:
        return None
    values = part.to_numpy(dtype=float)
    return float(trim_mean(values, TRIM)), standard_error(values)


def _feature(name: str, view: RunView, sensor: str, value: tuple[float, float]) -> Feature:
    return Feature(name, view.run.zone, view.run.start, value[0], value[1], (sensor,))


def _rests(view: RunView) -> list[Feature]:
    """Return what the pressure sensors show before the run, where nothing flows then."""
    start, end = (view.run.start - before for before in REST_BEFORE)
    if _flows(view.series, view, start, end):
        return []
    found = []
    for sensor in view.sensors("pressure", *POINTS):
        part = between(view.series[sensor], start, end)
        if len(part) >= LEAST_READINGS and float(part.max() - part.min()) < REST_SPREAD:
            found.append(_feature(REST_PRESSURE, view, sensor, (float(part.median()), standard_error(part))))
    return found


def _flows(series: Mapping[str, pd.Series], view: RunView, start: pd.Timestamp, end: pd.Timestamp) -> bool:
    """Return whether a meter sees flow, or whether no meter can say."""
    meters = view.sensors("flow", *POINTS)
    parts = [between(series[meter], start, end) for meter in meters]
    limit = REST_FLOW * (view.run.mean_flow_l_h or 0.0)
    return any(len(part) and float(part.max()) > limit for part in parts)


def _cells(view: RunView, window: Interval) -> list[Feature]:
    """Return the ratio of each downstream cell to the source cell in water without stock."""
    injection = view.run.injection
    if injection is None or window.end > injection.start:
        return []
    levels: dict[str, tuple[float, float]] = {}
    for sensor in view.sensors("conductivity", "source", "mixed", "after filter"):
        seen = cell(view, sensor)
        level = _level(seen.series, window) if isinstance(seen, Cell) else None
        if level is not None and level[0] > 0:
            levels[sensor] = level
    names = list(levels)
    return [
        Feature(
            CELL_RATIO,
            view.run.zone,
            view.run.start,
            float(np.log(levels[other][0] / levels[names[0]][0])),
            math.hypot(*(levels[n][1] / levels[n][0] for n in (names[0], other))),
            (names[0], other),
        )
        for other in names[1:]
    ]


def _standing(view: RunView, window: Interval) -> list[Feature]:
    """Return by how much source cells read more in the water that stood before the run than in the run."""
    start, end = (view.run.start - before for before in REST_BEFORE)
    if _flows(view.series, view, start, end):
        return []
    found = []
    for sensor in view.sensors("conductivity", "supply", "source"):
        seen = cell(view, sensor)
        if not isinstance(seen, Cell):
            continue
        before = between(seen.series, start, end)
        running = _level(seen.series, window)
        if running is None or len(before) < LEAST_READINGS:
            continue
        noise = math.hypot(standard_error(before), running[1])
        found.append(_feature(REST_EC, view, sensor, (float(before.median()) - running[0], noise)))
    return found
