"""From a frame of readings to series and quality flags by sensor, and to the runs in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis.dilution import curve_of
from analysis.quality.flags import flag, flag_dry, flag_stuck
from analysis.quality.limits import limits_of
from analysis.results import Interval, Run
from analysis.runs.detect import runs_of
from analysis.runs.ec import runs_by_ec
from analysis.runs.injections import injection_of
from analysis.runs.volume import delivered
from analysis.runs.volumes import running_total
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.runs.detect import Told
    from ingest.installation import Installation


@dataclass(frozen=True, slots=True)
class Prepared:
    """Readings made ready.

    Attributes
    ----------
    series : mapping of str to pandas.Series
        Good readings by sensor, by ascending time (UTC, unique). [stored units]
    flags : mapping of str to pandas.Series of int8
        The flag of each reading, good or not.
    runs : tuple of Run
        By start, then zone.
    delays : mapping of str to pandas.Series
        The time from each reading, good or not, to its receipt. [s]
    bad : mapping of str to pandas.Series
        Readings that are flagged bad, of sensors that have some. [stored units]
    """

    series: Mapping[str, pd.Series]
    flags: Mapping[str, pd.Series]
    runs: tuple[Run, ...]
    delays: Mapping[str, pd.Series]
    bad: Mapping[str, pd.Series]


def prepare(installation: Installation, readings: pd.DataFrame) -> Prepared:
    """Flag readings, keep the good ones, find the runs.

    Parameters
    ----------
    installation : Installation
        The system.
    readings : pandas.DataFrame
        Columns ``time`` (UTC), ``sensor``, ``value`` (stored unit), ``quality`` and, where it is known,
        ``received`` (UTC); sensors that the installation does not name are left out.

    Returns
    -------
    Prepared
        With every sensor that has readings.
    """
    values, flags, delays = _flagged(installation, readings)
    good = {name: _good(installation, name, s, flags[name]) for name, s in values.items()}
    runs = find_runs(installation, good)
    for name, s in values.items():
        sensor = installation.sensor[name]
        moving = [Interval(r.start, r.end) for r in runs if sensor.zone in (None, r.zone)]
        after = flag_stuck(s, flags[name], moving, sensor)
        if after is not flags[name]:
            flags[name], good[name] = after, _good(installation, name, s, after)
    bad = {name: s[flags[name] == Quality.BAD] for name, s in values.items()}
    return Prepared(good, flags, runs, delays, {name: s for name, s in bad.items() if len(s)})


def _good(installation: Installation, name: str, readings: pd.Series, flags: pd.Series) -> pd.Series:
    """Return a sensor's good readings, a volume as a register that only rises."""
    good, sensor = readings[flags == Quality.GOOD], installation.sensor[name]
    if sensor.quantity != "volume":
        return good
    return running_total(good, increments=sensor.counter == "increment", rolls_over_at=sensor.rolls_over_at)


def _flagged(
    installation: Installation, readings: pd.DataFrame
) -> tuple[dict[str, pd.Series], dict[str, pd.Series], dict[str, pd.Series]]:
    """Return every reading, its flag and its delay, by sensor."""
    values: dict[str, pd.Series] = {}
    flags: dict[str, pd.Series] = {}
    delays: dict[str, pd.Series] = {}
    for key, part in readings.groupby("sensor", observed=True, sort=True):
        name = str(key)
        if name not in installation.sensor:
            continue
        part = part.drop_duplicates("time", keep="last").sort_values("time")  # noqa: PLW2901 - same rows, in order
        index = pd.DatetimeIndex(part["time"], name="time").as_unit("us")
        series = pd.Series(part["value"].to_numpy(dtype=float), index=index, name=name)
        stored = pd.Series(part["quality"].to_numpy(dtype="int8"), index=index)
        sensor = installation.sensor[name]
        found = flag(series, stored, limits_of(sensor))
        values[name] = series
        flags[name] = (
            flag_dry(series, found, _water_ec(installation)) if sensor.quantity == "conductivity" else found
        )
        if "received" in part:
            late = (pd.DatetimeIndex(part["received"]) - pd.DatetimeIndex(part["time"])).total_seconds()
            delays[name] = pd.Series(late.to_numpy(dtype=float), index=index, name=name)
    return values, flags, delays


def _water_ec(installation: Installation) -> float | None:
    """Return the EC of the water alone as the weakest of the dilution curves tells it. [mS/cm]"""
    curves = [curve_of(stock) for stock in installation.stock.values()]
    known = [curve.water for curve in curves if curve is not None]
    return min(known) if known else None


def find_runs(installation: Installation, series: Mapping[str, pd.Series]) -> tuple[Run, ...]:
    """Return every run of every zone with its injection and its volume.

    Parameters
    ----------
    installation : Installation
        The system.
    series : mapping of str to pandas.Series
        Good readings by sensor. [stored units]

    Returns
    -------
    tuple of Run
        By start, then zone.
    """
    told = [t for zone in installation.zone for t in runs_of(installation, zone, series)]
    runs = [_with_injection(installation, t, told, series) for t in told]
    for zone in installation.zone:
        runs += runs_by_ec(installation, zone, series)
    return tuple(sorted(runs, key=lambda run: (run.start, run.zone)))


def _with_injection(
    installation: Installation, told: Told, others: list[Told], series: Mapping[str, pd.Series]
) -> Run:
    """Return one run with its injection and its volume."""
    span = Interval(told.start, told.end)
    injected = injection_of(installation, told.zone, span, series)
    volume = delivered(installation, told, others, series)
    litres = None if volume is None else volume.litres
    hours = (told.end - told.start).total_seconds() / 3600.0
    return Run(
        zone=told.zone,
        start=told.start,
        end=told.end,
        volume_l=litres,
        mean_flow_l_h=None if litres is None or hours <= 0 else litres / hours,
        injection=None if injected is None else injected.interval,
        complete=told.complete,
        seen_by=(*told.by, *(() if injected is None else injected.by)),
        told=told.how if injected is None else f"{told.how}; {injected.how}",
    )
