"""When each zone was watered, told from flow, from valves or from EC, in that order of preference."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.runs.counting import counting
from analysis.runs.stretches import gated, stretches, switched
from analysis.runs.volumes import SECONDS_PER_HOUR, register_flow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Installation, Sensor

FLOW_POINTS = ("zone", "mixed", "after filter", "source", "supply")
"""Where a meter sees a zone's water, the nearest to the zone first."""

GATE_POINTS = ("zone", "lateral end")
"""Where a pressure sensor sees that its zone is being watered."""

ON_SHARE = 0.1
"""Flow that counts as a run, as a share of what the zone's emitters draw. [-] A leak or a filling line stays
below it, a zone that is half clogged stays above. Common practice, no source."""

ON_SHARE_OF_RANGE = 0.02
"""The same as a share of the meter's range, where no emitters are described. [-] No source."""

GATE_SHARE = 0.3
"""Zone pressure that counts as watered, as a share of the pressure at which its emitters' flow is given. [-]
Common practice, no source."""

HOLD_S = 30.0
"""Pauses of the flow up to this long do not end a run. [s] Common practice, no source."""

SHORTEST_S = 20.0
"""Shorter runs are noise. [s] Common practice, no source."""

INTERVALS = 3.0
"""A pause must be longer than this many intervals of the sensor. [-] No source."""

PULSES = 4.0
"""Pulses of a meter, at the flow that counts as a run, that its window holds. [-] No source."""


@dataclass(frozen=True, slots=True)
class Told:
    """One run before its injection is looked for.

    Attributes
    ----------
    zone : str
        Its zone.
    start, end : pandas.Timestamp
        When water flowed. [UTC]
    complete : bool
        False where it still flows at the last reading.
    by : tuple of str
        Sensors that told it.
    how : str
        In words.
    """

    zone: str
    start: pd.Timestamp
    end: pd.Timestamp
    complete: bool
    by: tuple[str, ...]
    how: str


def nominal_flow(installation: Installation, zone: str) -> float | None:
    """Return what a zone's emitters draw at the pressure at which their flow is given.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        A zone's name.

    Returns
    -------
    float or None
        None without emitters. [L/h]
    """
    emitters = installation.zone[zone].emitters
    return sum(group.count * group.flow for group in emitters) if emitters else None


def on_level(installation: Installation, zone: str, sensor: Sensor, flow: pd.Series) -> float:
    """Return the flow above which a zone counts as watered.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        A zone's name.
    sensor : Sensor
        The meter.
    flow : pandas.Series
        Its readings. [L/h]

    Returns
    -------
    float
        From the emitters, else from the meter's range, else from the largest flows seen. [L/h]
    """
    nominal = nominal_flow(installation, zone)
    if nominal:
        return ON_SHARE * nominal
    if sensor.quantity == "flow" and sensor.range is not None:
        return ON_SHARE_OF_RANGE * sensor.range[1]
    return max(ON_SHARE * float(np.quantile(flow.to_numpy(), 0.98)), 1e-6)


def runs_of(installation: Installation, zone: str, series: Mapping[str, pd.Series]) -> list[Told]:
    """Return the runs of one zone that flow meters or valves tell.

    A flow meter is preferred: water that does not flow is no run, whatever the valve says. A meter that the
    zone shares with others needs the zone's own valve, or else its own pressure, to tell whose run it is. A
    valve alone is the last way; without any of them EC may tell (`analysis.runs.ec`).

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        A zone's name.
    series : mapping of str to pandas.Series
        Good readings by sensor. [stored units]

    Returns
    -------
    list of Told
        By start; empty where nothing flowed, or no sensor can tell.
    """
    meter = _meter(installation, zone, series)
    gate = _gate(installation, zone, series)
    if meter is not None:
        name, flow = meter
        sensor = installation.sensor[name]
        on = switched(flow, on=on_level(installation, zone, sensor, flow))
        if sensor.zone == zone or len(installation.zone) == 1:
            found = _runs(zone, on, sensor.interval, (name,), "flow")
            return found if sensor.quantity == "flow" else [_sharpened(t, series[name]) for t in found]
        if gate is not None:
            both, told = gated(on, gate[1]), (name, gate[0])
            return _runs(zone, both, sensor.interval, told, f"the shared meter's flow while {gate[2]}")
        return []
    if gate is not None:
        interval = installation.sensor[gate[0]].interval
        return _runs(zone, gate[1], interval, (gate[0],), gate[2])
    return []


def _runs(zone: str, on: pd.Series, interval: float | None, by: tuple[str, ...], how: str) -> list[Told]:
    """Return the stretches of one signal as runs."""
    hold = max(HOLD_S, INTERVALS * (interval or 0.0))
    shortest = max(SHORTEST_S, 2.0 * (interval or 0.0))
    found = stretches(on, interval_s=interval, hold_s=hold, shortest_s=shortest)
    return [Told(zone, start, end, complete, by, f"told by {how}") for start, end, complete in found]


def _sharpened(told: Told, register: pd.Series) -> Told:
    """Return a run that a register told with the ends of its counting."""
    start, end = counting(register, told.start, told.end)
    return replace(told, start=start, end=end if told.complete else told.end)


def _meter(
    installation: Installation, zone: str, series: Mapping[str, pd.Series]
) -> tuple[str, pd.Series] | None:
    """Return the nearest meter that has readings, as a flow [L/h]: flow meters first, then registers."""
    for quantity in ("flow", "volume"):
        for name in installation.sensors_of(zone, quantity, *FLOW_POINTS):
            readings = series.get(name)
            if readings is None or len(readings) < 2:  # noqa: PLR2004 - a flow takes two readings
                continue
            if quantity == "flow":
                return name, readings
            return name, register_flow(readings, window_s=_window(installation, zone, name))
    return None


def _window(installation: Installation, zone: str, name: str) -> float:
    """Return the time over which a register's rise is taken as flow. [s]"""
    sensor = installation.sensor[name]
    least = ON_SHARE * (nominal_flow(installation, zone) or math.inf)
    per_pulse = 1.0 / sensor.pulses_per_litre if sensor.pulses_per_litre else 0.0
    waiting = PULSES * per_pulse / least * SECONDS_PER_HOUR
    return float(np.clip(waiting, 2.0 * max(sensor.interval or 0.0, 10.0), 600.0))


def _gate(
    installation: Installation, zone: str, series: Mapping[str, pd.Series]
) -> tuple[str, pd.Series, str] | None:
    """Return the sensor that tells this zone's runs from the others', as on or off, and its words."""
    for name in installation.sensors_of(zone, "valve state", *GATE_POINTS):
        if installation.sensor[name].zone == zone and len(series.get(name, ())) > 0:
            return name, switched(series[name], on=0.5), "its valve is open"
    emitters = installation.zone[zone].emitters
    if not emitters:
        return None
    level = GATE_SHARE * min(group.at for group in emitters)
    for name in installation.sensors_of(zone, "pressure", *GATE_POINTS):
        if installation.sensor[name].zone == zone and len(series.get(name, ())) > 0:
            return name, switched(series[name], on=level), "the zone is under pressure"
    return None
