"""What sees a zone's water, and from how much on it counts as flowing."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.quality.gaps import longest_gap_s
from analysis.runs.detect import FLOW_POINTS, GATE_POINTS, GATE_SHARE, PULSES, nominal_flow
from analysis.runs.slices import between
from analysis.runs.volumes import SECONDS_PER_HOUR, register_flow

if TYPE_CHECKING:
    from analysis.view import PeriodView
    from ingest.installation import Sensor

FLOW_SHARE = 0.03
"""Share of a zone's usual flow from which water counts as flowing at rest. [-] Below it a meter's zero and a
dripping joint cannot be told from a valve. No source."""

RANGE_SHARE = 0.01
"""The same as a share of the meter's range: the zero of meters whose accuracy is told of the reading. [-] No
source."""

LARGEST_SHARE = 0.01
"""The same as a share of the usual flow of the largest zone on a shared meter. [-] No source."""

ABSOLUTES = 2.0
"""The same in absolute limits of error of the meter. [-] No source."""

CALM = 5
"""Readings in the running median that is compared. [-] No source."""

SUPPLY_SHARE, SUPPLY_LEAST = 0.5, 30.0
"""Share of its usual pressure, and least pressure [kPa], with which the supply counts as there. No source: a tap
barely runs at 30 kPa."""

HEAD_POINTS = ("after filter", "mixed", "source", "supply")
"""Where a sensor sees whether the supply is there, the nearest to the zones first."""


class Water(NamedTuple):
    """What one sensor shows of some zones' water.

    Attributes
    ----------
    sensor : str
        Its name.
    level : pandas.Series
        Its readings, calmed. [L/h] or [kPa]
    limit : float
        From where water counts as flowing at rest. [as `level`]
    usual : float
        What it shows while the zone is watered. [as `level`]
    gap_s : float
        Longest time between its readings that is no hole. [s]
    blur_s : float
        Time over which a level is taken. [s]
    """

    sensor: str
    level: pd.Series
    limit: float
    usual: float
    gap_s: float
    blur_s: float

    @property
    def times(self) -> pd.DatetimeIndex:
        """When it was read. [UTC]"""
        return pd.DatetimeIndex(self.level.index)


def usual_flow(period: PeriodView, zone: str) -> float | None:
    """Return the flow of a zone that is watered: of its emitters, else of the stretch's runs. [L/h]"""
    nominal = nominal_flow(period.installation, zone)
    seen = [r.mean_flow_l_h for r in period.runs if r.zone == zone and r.mean_flow_l_h]
    return nominal or (float(np.median(seen)) if seen else None)


def zone_flow(period: PeriodView, zone: str) -> Water | None:
    """Return what the zone's own meter shows; None without one, or where nothing tells its usual flow."""
    usual = usual_flow(period, zone)
    names = [n for n in _meters(period, zone, ("zone",)) if period.installation.sensor[n].zone == zone]
    if not names or usual is None:
        return None
    sensor = period.installation.sensor[names[0]]
    return _flow(period, names[0], _limit(sensor, FLOW_SHARE * usual), usual)


def head_flow(period: PeriodView, name: str, zones: tuple[str, ...]) -> Water | None:
    """Return what a meter shared by some zones shows; None where nothing tells their usual flow."""
    flows = [f for f in (usual_flow(period, zone) for zone in zones) if f is not None]
    if not flows:
        return None
    least = max(FLOW_SHARE * min(flows), LARGEST_SHARE * max(flows))
    return _flow(period, name, _limit(period.installation.sensor[name], least), min(flows))


def head_meters(period: PeriodView) -> dict[str, tuple[str, ...]]:
    """Return the shared meters with readings that are nearest to the zones, each with the zones that it sees."""
    found: dict[str, list[str]] = {}
    for zone in period.installation.zone:
        shared = [
            n for n in _meters(period, zone, FLOW_POINTS[1:]) if period.installation.sensor[n].zone is None
        ]
        if shared:
            found.setdefault(shared[0], []).append(zone)
    return {name: tuple(zones) for name, zones in found.items()}


def _meters(period: PeriodView, zone: str, points: tuple[str, ...]) -> list[str]:
    """Return the meters of a zone's water with readings, flow meters first."""
    return [
        name
        for quantity in ("flow", "volume")
        for name in period.installation.sensors_of(zone, quantity, *points)
        if len(period.series.get(name, ())) > CALM
    ]


def _limit(sensor: Sensor, least: float) -> float:
    top = sensor.range[1] if sensor.quantity == "flow" and sensor.range is not None else 0.0
    error = sensor.accuracy.absolute if sensor.quantity == "flow" else 0.0
    return max(least, RANGE_SHARE * top, ABSOLUTES * error)


def _flow(period: PeriodView, name: str, limit: float, usual: float) -> Water:
    """Return a meter's readings as calmed flow; a register's over the time of some pulses at the limit."""
    sensor, readings = period.installation.sensor[name], period.series[name]
    gap = longest_gap_s(sensor.interval)
    if sensor.quantity == "flow":
        return Water(name, _calm(readings), limit, usual, gap, 0.0)
    per_pulse = 1.0 / sensor.pulses_per_litre if sensor.pulses_per_litre else 0.0
    least = 2.0 * max(sensor.interval or 0.0, 30.0)
    window = float(np.clip(PULSES * per_pulse / limit * SECONDS_PER_HOUR, least, SECONDS_PER_HOUR))
    return Water(name, register_flow(readings, window_s=window), limit, usual, gap, window)


def zone_pressure(period: PeriodView, zone: str) -> Water | None:
    """Return what the zone's own pressure sensor shows; None without one, or without emitters."""
    emitters = period.installation.zone[zone].emitters
    for name in period.installation.sensors_of(zone, "pressure", *GATE_POINTS):
        sensor, readings = period.installation.sensor[name], period.series.get(name)
        if sensor.zone == zone and emitters and readings is not None and len(readings) > CALM:
            at = min(group.at for group in emitters)
            return Water(name, _calm(readings), GATE_SHARE * at, at, longest_gap_s(sensor.interval), 0.0)
    return None


def _calm(readings: pd.Series) -> pd.Series:
    return readings.rolling(CALM, center=True, min_periods=1).median()


def supply_there(period: PeriodView, zone: str, start: pd.Timestamp, end: pd.Timestamp) -> bool | None:
    """Return whether the supply's pressure stood at the head from one instant to another.

    Parameters
    ----------
    period : PeriodView
        The stretch.
    zone : str
        The zone that should have got water.
    start, end : pandas.Timestamp
        When. [UTC]

    Returns
    -------
    bool or None
        None where no pressure sensor of the head can tell, and no other zone had water then.
    """
    for name in period.installation.sensors_of(zone, "pressure", *HEAD_POINTS):
        readings = period.series.get(name)
        if readings is None or period.installation.sensor[name].zone is not None:
            continue
        then = between(readings, start, end)
        usual = _usual_pressure(period, readings)
        if len(then) and usual is not None:
            return float(then.median()) >= max(SUPPLY_SHARE * usual, SUPPLY_LEAST)
    watered = any(r.zone != zone and r.start < end and r.end > start for r in period.runs)
    return True if watered else None


def _usual_pressure(period: PeriodView, readings: pd.Series) -> float | None:
    """Return a head sensor's pressure in the stretch's runs, else its upper quarter in the stretch. [kPa]"""
    inside = [between(readings, run.start, run.end) for run in period.runs]
    levels = [float(part.median()) for part in inside if len(part)]
    if levels:
        return float(np.median(levels))
    return float(readings.quantile(0.75)) if len(readings) else None
