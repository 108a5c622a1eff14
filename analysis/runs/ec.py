"""Runs told from EC alone, where a zone has neither a flow meter nor a valve sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.results import Interval, Run
from analysis.runs.detect import FLOW_POINTS, GATE_POINTS
from analysis.runs.injections import EC_POINTS, rises
from analysis.runs.slices import all_between

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Installation

BEFORE = pd.Timedelta(minutes=30)
"""How long before an injection the water is looked at. No source."""

AFTER = pd.Timedelta(hours=2)
"""How long after an injection it is looked at. No source."""

WET_GAP = pd.Timedelta(minutes=10)
"""A hole in the good readings of an EC cell longer than this is time out of the water. No source."""


def runs_by_ec(installation: Installation, zone: str, series: Mapping[str, pd.Series]) -> list[Run]:
    """Return the runs of a zone of which only EC is known: one for each injection.

    EC alone does not tell when water flows. A run is the time around an injection in which the cell stood in
    water: at most half an hour before and two hours after, and never into the next injection.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        The zone.
    series : mapping of str to pandas.Series
        Good readings by sensor. [stored units]

    Returns
    -------
    list of Run
        By start; empty where flow or valves can tell, or no injection shows.
    """
    if _others_tell(installation, zone):
        return []
    names = installation.sensors_of(zone, "conductivity", *EC_POINTS)
    name = next((n for n in names if len(series.get(n, ())) > 0), None)
    if name is None:
        return []
    runs = []
    for wet in _wet(series[name]):
        part = all_between(series, wet.start, wet.end)
        found = rises(installation, zone, part)
        for place, injected in enumerate(found):
            start, end = injected.interval.start, injected.interval.end
            begin = max(wet.start, start - BEFORE, found[place - 1].interval.end if place else wet.start)
            following = found[place + 1].interval.start if place + 1 < len(found) else wet.end
            stop = min(wet.end, end + AFTER, following)
            how = f"told by EC alone: the time around an injection; {injected.how}"
            runs.append(
                Run(zone, begin, stop, None, None, injected.interval, end < wet.end, injected.by, how)
            )
    return runs


def _others_tell(installation: Installation, zone: str) -> bool:
    """Return whether a flow meter, a register, a valve or a zone pressure could tell this zone's runs."""
    return bool(
        installation.sensors_of(zone, "flow", *FLOW_POINTS)
        or installation.sensors_of(zone, "volume", *FLOW_POINTS)
        or [
            name
            for quantity in ("valve state", "pressure")
            for name in installation.sensors_of(zone, quantity, *GATE_POINTS)
            if installation.sensor[name].zone == zone
        ]
    )


def _wet(ec: pd.Series) -> list[Interval]:
    """Return the stretches in which a cell stood in water: good readings without a long hole."""
    hole = ec.index.to_series().diff() > WET_GAP
    return [Interval(part.index[0], part.index[-1]) for _, part in ec.groupby(hole.cumsum().to_numpy())]
