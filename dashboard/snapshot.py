"""What is known at one moment: the newest reading of each sensor, and the newest results."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from analysis.quality.outcomes import Count
    from analysis.results import Estimate, Results, Run
    from analysis.service import Service
    from dashboard.cases import Case
    from ingest.installation import Installation

Freshness = Literal["fresh", "late", "silent", "never"]

LATE_INTERVALS, LATE_AT_LEAST_S = 3.0, 15.0
"""A sensor is late after so many of its intervals, and so many seconds; common practice, no source."""

SILENT_INTERVALS, SILENT_AT_LEAST_S = 10.0, 120.0
"""... and silent after so many; common practice, no source."""

USUAL_INTERVAL_S = 60.0
"""Interval of a sensor whose description names none; common practice, no source. [s]"""

RUNNING_WITHIN = pd.Timedelta(minutes=2)
"""A run that ends so close to the end of the results has not ended; common practice, no source."""

SEVERITIES = ("stop", "act", "watch")
"""From worst to least."""


@dataclass(frozen=True, slots=True)
class SensorState:
    """The newest reading of one sensor.

    Attributes
    ----------
    sensor : str
        Its name.
    time : pandas.Timestamp or None
        Of the reading. [UTC]
    value : float or None
        [stored unit]
    quality : int
        Its flag.
    freshness : {"fresh", "late", "silent", "never"}
        How old it is, against the sensor's interval.
    """

    sensor: str
    time: pd.Timestamp | None
    value: float | None
    quality: int
    freshness: Freshness


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is known at one moment.

    Attributes
    ----------
    looked : pandas.Timestamp
        When. [UTC]
    sensors : mapping of str to SensorState
        Every sensor that is described.
    results : Results or None
        Of the last analysis; None before the first.
    whole : bool
        False while these are of the last days alone, and the season is still being worked out.
    cases : tuple of Case
        The findings, with what people did about them.
    services : tuple of Service
        What people wrote down that they did to the system, newest first.
    entries : tuple of dict
        Calibrations, dilution series and catch tests that people wrote down, newest first.
    completeness : mapping of str to float
        Sensor to its share of the readings that the last day should have. [-]
    flags : tuple of Count
        How many readings of today and of the day before (UTC) have which outcome of the quality tests.
    computed : pandas.Timestamp or None
        When it ended. [UTC]
    problems : mapping of str to str
        ``look`` or ``analyse`` to why it could not be done.
    live, version : int
        Grow with each change of the sensors, and of the results.
    """

    looked: pd.Timestamp
    sensors: Mapping[str, SensorState] = field(default_factory=dict)
    results: Results | None = None
    cases: tuple[Case, ...] = ()
    services: tuple[Service, ...] = ()
    entries: tuple[dict[str, Any], ...] = ()
    completeness: Mapping[str, float] = field(default_factory=dict)
    flags: tuple[Count, ...] = ()
    computed: pd.Timestamp | None = None
    problems: Mapping[str, str] = field(default_factory=dict)
    whole: bool = True
    live: int = 0
    version: int = 0


def freshness(age_s: float | None, interval_s: float | None) -> Freshness:
    """Return how old a reading is, against its sensor's interval.

    Parameters
    ----------
    age_s : float or None
        Time since the reading; None where there is none. [s]
    interval_s : float or None
        Usual time between readings. [s]

    Returns
    -------
    {"fresh", "late", "silent", "never"}
        In the order of concern.

    Examples
    --------
    >>> freshness(12, 10), freshness(40, 10), freshness(130, 10)
    ('fresh', 'late', 'silent')
    """
    if age_s is None:
        return "never"
    interval = interval_s or USUAL_INTERVAL_S
    if age_s > max(SILENT_INTERVALS * interval, SILENT_AT_LEAST_S):
        return "silent"
    return "late" if age_s > max(LATE_INTERVALS * interval, LATE_AT_LEAST_S) else "fresh"


def sensor_states(
    installation: Installation, latest: pd.DataFrame, now: pd.Timestamp
) -> dict[str, SensorState]:
    """Return the state of every sensor that is described.

    Parameters
    ----------
    installation : Installation
        The system.
    latest : pandas.DataFrame
        The newest reading of each sensor that has one.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    dict of str to SensorState
        In the order of the description.
    """
    rows = {str(row.sensor): row for row in latest.itertuples(index=False)}
    states = {}
    for name, sensor in installation.sensor.items():
        row: Any = rows.get(name)
        if row is None:
            states[name] = SensorState(name, None, None, 9, "never")
            continue
        moment = pd.Timestamp(row.time)
        age = (now - moment).total_seconds()
        states[name] = SensorState(
            name, moment, float(row.value), int(row.quality), freshness(age, sensor.interval)
        )
    return states


def zone_runs(results: Results | None, zone: str) -> list[Run]:
    """Return a zone's runs, newest first."""
    runs = [] if results is None else [run for run in results.runs if run.zone == zone]
    return sorted(runs, key=lambda run: run.start, reverse=True)


def ended_runs(results: Results | None, zone: str) -> list[Run]:
    """Return a zone's runs that are over, newest first: the numbers of one that goes on still change."""
    return [run for run in zone_runs(results, zone) if run.complete]


def is_running(snapshot: Snapshot, installation: Installation, zone: str) -> bool | None:
    """Return whether a zone is being watered: by its valve where one is read, by its last run otherwise.

    Parameters
    ----------
    snapshot : Snapshot
        What is known.
    installation : Installation
        The system.
    zone : str
        One of its zones.

    Returns
    -------
    bool or None
        None where it is not known.
    """
    for name, sensor in installation.sensor.items():
        state = snapshot.sensors.get(name)
        if sensor.zone == zone and sensor.quantity == "valve state" and state is not None:
            if state.freshness != "fresh" or state.value is None:
                return None
            return state.value > 0.5  # noqa: PLR2004 - half open
    if snapshot.results is None or snapshot.looked - snapshot.results.end > RUNNING_WITHIN:
        return None
    runs = zone_runs(snapshot.results, zone)
    return bool(runs) and snapshot.results.end - runs[0].end < RUNNING_WITHIN


def run_at(results: Results | None, zone: str, start_s: int) -> Run | None:
    """Return a zone's run that began in a second [s since 1970]; None where none is known."""
    runs = zone_runs(results, zone)
    return next((run for run in runs if int(run.start.timestamp()) == start_s), None)


def last_estimates(results: Results | None, zone: str) -> list[Estimate]:
    """Return the estimates of a zone's last run that is over.

    Neither a number of an older run nor one of a whole week ever stands among them.
    """
    going = {run.start for run in zone_runs(results, zone) if not run.complete}
    of_runs = [
        e for e in (results.estimates if results else ()) if e.zone == zone and e.run_start is not None
    ]
    over = [e for e in of_runs if e.run_start not in going]
    last = max((e.run_start for e in over if e.run_start is not None), default=None)
    return [e for e in over if e.run_start == last]


def period_estimates(results: Results | None, zone: str | None) -> list[Estimate]:
    """Return the newest estimates of a zone (None: of the head) that belong to no single run."""
    mine = [e for e in (results.estimates if results else ()) if e.zone == zone and e.run_start is None]
    return list({(e.quantity, e.nutrient): e for e in mine}.values())


def cases_of(snapshot: Snapshot, zone: str | None) -> list[Case]:
    """Return cases of a zone (None: of the head) that are not past: open ones first."""
    return ordered([c for c in snapshot.cases if c.finding.zone == zone and c.state != "past"])


def ordered(cases: Iterable[Case]) -> list[Case]:
    """Return cases: open before acknowledged, then worst first, then newest first."""
    newest_first = sorted(cases, key=lambda c: c.finding.end, reverse=True)
    worst_first = sorted(newest_first, key=lambda c: SEVERITIES.index(c.finding.severity))
    return sorted(worst_first, key=lambda c: c.state != "open")
