"""What each closing and opening of a valve was followed by, left as features of a day for the season to judge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.results import Feature
from analysis.runs.detect import ON_SHARE
from analysis.runs.slices import between
from analysis.valves.states import rested, running, spans, state_of
from analysis.valves.water import head_flow, head_meters, supply_there, zone_flow, zone_pressure

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from analysis.valves.states import State
    from analysis.valves.water import Water
    from analysis.view import PeriodView

    Mask = NDArray[np.bool_]

PAST = "flow past a closed valve"
"""Feature: water went on after the valve closed. Level [L/h] or [kPa] at its start."""

ROSE = "flow that began past a closed valve"
"""Feature: water came, and went or stayed, while the valve was closed all along."""

WHOLE = 0.5
"""Share of the usual flow or pressure from which a zone counts as being watered. [-] No source."""

COMPANY = "other zones watered meanwhile"
"""Feature beside `ROSE`: the share of its time in which others were. [-]"""

HELD = "closed valve without flow"
"""Feature: a valve closed and held."""

AT_REST = "flow with every zone closed"
"""Feature of a shared meter. Level at its start. [L/h]"""

STILL = "no flow with every zone closed"
"""Feature of a shared meter: the lines were still."""

DRY = "open valve without flow"
"""Feature: the valve was open, the supply there, and no water came."""

GONE = "open valve without flow, supply gone"
"""Feature: the same without the supply's pressure."""

UNSURE = "open valve without flow, supply not known"
"""Feature: the same where nothing tells whether the supply was there."""

FLOWED = "open valve with flow"
"""Feature: a valve opened and water came."""

WENT = "water that came and went while a valve was open"
"""Feature: within one opening the zone's water stopped, the supply being there: the valve sensor is not true."""

LASTS = " lasts"
"""What the name of the feature with an event's length [s] ends in."""

DRAIN_S = 300.0
"""Time that lines get to drain, a slow valve to close and a meter to come to rest. [s] No source."""

SUSTAINED_S = 600.0
"""Least length of flow past a closed valve. [s] A filter's flush and a tap are shorter. No source."""

OPENING_S = 300.0
"""Least time for which a valve must be open before missing water is spoken of. [s] No source."""

WENT_S = 1800.0
"""Least length of no flow, the supply being there, within an opening that also brought water. [s] A pump that
starts late is sooner there. No source."""


def valve_events(period: PeriodView) -> Sequence[Feature]:
    """Leave what followed each opening and closing of each zone's valve.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Feature
        Events by the names of this module, each with one more that tells how long it was.
    """
    found: list[Feature] = []
    for zone in period.installation.zone:
        water = zone_flow(period, zone)
        if water is not None:
            found += _zone(period, zone, water)
    meters = head_meters(period)
    seen = {zone for zones in meters.values() for zone in zones}
    for zone in period.installation.zone:
        if zone not in seen:
            found += _by_pressure(period, zone)
    for name, zones in meters.items():
        head = head_flow(period, name, zones)
        if head is not None:
            found += _head(period, zones, head)
            found += _without_meter(period, zones, head)
    return found


def _event(
    name: str, zone: str | None, water: Water, part: tuple[int, int], state: State | None
) -> list[Feature]:
    """Return an event and its length, of the readings from one place to another."""
    index, level = water.times, water.level.iloc[part[0] : part[1]]
    sensors = (*([state.sensor] if state is not None and state.sensor else []), water.sensor)
    size, scatter = float(level.median()), float(level.std(ddof=0))
    length = (index[part[1] - 1] - index[part[0]]).total_seconds()
    return [
        Feature(name, zone, index[part[0]], size, scatter, sensors),
        Feature(name + LASTS, zone, index[part[0]], length, 0.0, sensors),
    ]


def _zone(period: PeriodView, zone: str, water: Water) -> Iterator[Feature]:
    """Yield the events of a zone whose own meter sees its water."""
    state = state_of(period, zone, water.times)
    if state is None:
        return
    wet = (water.level > water.limit).to_numpy()
    yield from _closings(period, zone, water, state, wet)
    if state.sensor is not None:
        yield from _openings(period, zone, water, state)


def _by_pressure(period: PeriodView, zone: str) -> Iterator[Feature]:
    """Yield the events of a zone that no meter sees, but a pressure sensor of its own."""
    pressure = zone_pressure(period, zone)
    if pressure is not None and zone_flow(period, zone) is None:
        yield from _zone(period, zone, pressure._replace(limit=WHOLE * pressure.usual))


def _closings(period: PeriodView, zone: str, water: Water, state: State, wet: Mask) -> Iterator[Feature]:
    """Yield what flowed past a closed valve, and that it held where nothing did."""
    index = water.times
    for first, last in spans(state.closed, index, water.gap_s):
        mine = index[first:last]
        calm = rested(state.closed[first:last], mine, drain_s=DRAIN_S, blur_s=water.blur_s)
        flows = wet[first:last] & calm
        long = [p for p in spans(flows, mine, water.gap_s) if _length(mine, p) >= SUSTAINED_S]
        if not long and _length(index, (first, last)) >= DRAIN_S + SUSTAINED_S:
            yield from _event(HELD, zone, water, (first, last), state)
        for start, stop in long:
            part = (first + start, first + stop)
            carried = bool(wet[first : first + start].all())
            yield from _event(PAST if carried else ROSE, zone, water, part, state)
            if not carried:
                yield _company(period, zone, water, part, state)


def _company(period: PeriodView, zone: str, water: Water, part: tuple[int, int], state: State) -> Feature:
    others = tuple(z for z in period.installation.zone if z != zone)
    share = float(running(period, others, water.times[part[0] : part[1]]).mean())
    sensors = (*([state.sensor] if state.sensor else []), water.sensor)
    return Feature(COMPANY, zone, water.times[part[0]], share, 0.0, sensors)


def _openings(period: PeriodView, zone: str, water: Water, state: State) -> Iterator[Feature]:
    """Yield what an open valve brought."""
    index, low = water.times, (water.level < ON_SHARE * water.usual).to_numpy()
    for first, last in spans(state.open, index, water.gap_s):
        if _length(index, (first, last)) < OPENING_S + water.blur_s:
            continue
        dry = [(first + a, first + b) for a, b in spans(low[first:last], index[first:last], water.gap_s)]
        longest = max(dry, key=lambda p: _length(index, p), default=(first, first))
        if low[first:last].all() and _length(index, longest) >= OPENING_S:
            yield from _event(_dry(period, zone, index, longest), zone, water, longest, state)
        elif _length(index, longest) < WENT_S:
            yield from _event(FLOWED, zone, water, (first, last), state)
        elif _dry(period, zone, index, longest) == DRY:
            yield from _event(WENT, zone, water, longest, state)


def _dry(period: PeriodView, zone: str, index: pd.DatetimeIndex, part: tuple[int, int]) -> str:
    """Return what an open valve without water is called, by what the supply did."""
    there = supply_there(period, zone, index[part[0]], index[part[1] - 1])
    return UNSURE if there is None else DRY if there else GONE


def _head(period: PeriodView, zones: tuple[str, ...], water: Water) -> Iterator[Feature]:
    """Yield what a shared meter shows while every zone that it sees is closed."""
    index = water.times
    states = [state_of(period, zone, index) for zone in zones]
    if any(state is None for state in states) or not zones:
        return
    shut = np.logical_and.reduce([s.closed for s in states if s is not None])
    resting = rested(shut, index, drain_s=DRAIN_S, blur_s=water.blur_s)
    wet = (water.level > water.limit).to_numpy() & resting
    long = [p for p in spans(wet, index, water.gap_s) if _length(index, p) >= SUSTAINED_S]
    for part in long:
        zone = _whose(period, zones, index[part[0]], index[part[1] - 1])
        state = None if zone is None else states[zones.index(zone)]
        yield from _event(AT_REST if zone is None else PAST, zone, water, part, state)
    still = [p for p in spans(resting & ~wet, index, water.gap_s) if _length(index, p) >= SUSTAINED_S]
    if still and not long:
        yield from _event(STILL, None, water, max(still, key=lambda p: p[1] - p[0]), None)


def _whose(period: PeriodView, zones: tuple[str, ...], start: pd.Timestamp, end: pd.Timestamp) -> str | None:
    """Return the one zone of several that stayed under pressure, where every zone's pressure is seen."""
    levels = {zone: zone_pressure(period, zone) for zone in zones}
    if len(zones) < 2 or any(level is None for level in levels.values()):  # noqa: PLR2004 - one zone of several
        return None
    high = []
    for zone, level in levels.items():
        part = None if level is None else between(level.level, start, end)
        if level is None or part is None or part.empty:
            return None
        if float(np.median(part)) > level.limit:
            high.append(zone)
    return high[0] if len(high) == 1 else None


def _without_meter(period: PeriodView, zones: tuple[str, ...], head: Water) -> Iterator[Feature]:
    """Yield what open valves brought to zones that have no meter of their own, while each was open alone."""
    states = {zone: state_of(period, zone, head.times) for zone in zones}
    for zone, state in states.items():
        if state is None or state.sensor is None or zone_flow(period, zone) is not None:
            continue
        others = [s for z, s in states.items() if z != zone]
        if any(other is None for other in others):
            continue
        alone = np.logical_and.reduce([state.open, *(o.closed for o in others if o is not None)])
        yield from _openings(period, zone, head, state._replace(open=alone))


def _length(index: pd.DatetimeIndex, part: tuple[int, int]) -> float:
    """Return the time from the first to the last of some readings. [s]"""
    return float((index[part[1] - 1] - index[part[0]]).total_seconds()) if part[1] > part[0] else 0.0
