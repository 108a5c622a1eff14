"""How long the stock lasts: what is left of it, how fast it goes, and when somebody has to refill."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.snapshot import ended_runs

if TYPE_CHECKING:
    from analysis.results import Estimate, Results
    from dashboard.snapshot import Snapshot
    from ingest.installation import Installation

SHORTEST = pd.Timedelta(days=2)
"""Time over which the use of stock must have been seen before it is told on. No source."""

TOLD = frozenset({"tank volume left", "tank strength left", "water to depletion", "time to depletion"})
"""Estimates of a displacement tank that tell what is left in it."""


@dataclass(frozen=True, slots=True)
class OpenTank:
    """What is left in an open stock tank, and how long that lasts.

    Attributes
    ----------
    left_l : float or None
        [L]; None where nothing measures it.
    a_day_l : float or None
        Use of stock, a mean over the runs of the results. [L/d]
    empty : pandas.Timestamp or None
        When it will be empty at that use. [UTC]
    reason : str
        Key of the text that says what is missing; empty where nothing is.
    """

    left_l: float | None
    a_day_l: float | None
    empty: pd.Timestamp | None
    reason: str


@dataclass(frozen=True, slots=True)
class PressureTank:
    """What is left in a displacement tank after its last run.

    Attributes
    ----------
    told : tuple of Estimate
        What is left, with its intervals; empty where the last run told nothing.
    zone : str
        The zone of that run.
    run_start : pandas.Timestamp
        Its start. [UTC]
    fed_l : float or None
        Water that this zone got after its stock began in that run: what the next run will ask. [L]
    refill : bool
        Whether what is left falls short of such a run.
    """

    told: tuple[Estimate, ...]
    zone: str
    run_start: pd.Timestamp
    fed_l: float | None
    refill: bool


def zones_of(installation: Installation, injector: str) -> list[str]:
    """Return the zones that an injector feeds."""
    return [zone for zone in installation.zone if installation.injector_of(zone) == injector]


def open_tank(installation: Installation, snapshot: Snapshot, injector: str, now: pd.Timestamp) -> OpenTank:
    """Return how long the stock of an open tank lasts.

    Parameters
    ----------
    installation : Installation
        The system.
    snapshot : Snapshot
        What is known.
    injector : str
        Its injector.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    OpenTank
        With what is missing, where something is.
    """
    use = a_day(snapshot.results, zones_of(installation, injector))
    left, reason = _left(installation, snapshot, injector)
    if left is None or use is None:
        return OpenTank(left, use, None, reason or "head.use_unknown")
    return OpenTank(left, use, now + pd.Timedelta(days=left / use) if use > 0 else None, "")


def a_day(results: Results | None, zones: list[str]) -> float | None:
    """Return the stock that some zones use in a day; None before it was seen for long enough. [L/d]

    Parameters
    ----------
    results : Results or None
        Of the last analysis.
    zones : list of str
        Whose runs count; a run whose stock is not known makes the sum unknown.

    Returns
    -------
    float or None
        Sum over the runs, over the time from the first of them to the end of the results.
    """
    if results is None:
        return None
    fed = [r for r in results.runs if r.zone in zones and r.injection is not None]
    used = {
        (e.zone, e.run_start): e.value
        for e in results.estimates
        if e.quantity == "stock volume" and e.status == "ok" and e.run_start is not None
    }
    litres = [used.get((r.zone, r.start)) for r in fed]
    known = [value for value in litres if value is not None]
    if not fed or len(known) < len(litres) or results.end - fed[0].start < SHORTEST:
        return None
    return float(sum(known)) / ((results.end - fed[0].start) / pd.Timedelta(days=1))


def _left(installation: Installation, snapshot: Snapshot, injector: str) -> tuple[float | None, str]:
    """Return the litres in an open tank by its level, or the key of what is missing."""
    area = installation.injector[injector].tank_area
    for name, sensor in installation.sensor.items():
        if sensor.quantity != "level" or sensor.point != "stock" or sensor.injector not in {injector, None}:
            continue
        state = snapshot.sensors.get(name)
        if area is None:
            return None, "head.area_unknown"
        if state is None or state.value is None or state.freshness in {"silent", "never"}:
            return None, "head.level_silent"
        return max(state.value * area, 0.0), ""
    return None, "head.level_unknown"


def pressure_tank(installation: Installation, snapshot: Snapshot, injector: str) -> PressureTank | None:
    """Return what is left in a displacement tank; None before its first run."""
    zones = zones_of(installation, injector)
    runs = [
        r for zone in zones for r in ended_runs(snapshot.results, zone)[:RUNS_BACK] if r.injection is not None
    ]
    last = max(runs, key=lambda r: r.start, default=None)
    if last is None or snapshot.results is None:
        return None
    told = tuple(
        e
        for e in snapshot.results.estimates
        if e.zone == last.zone and e.run_start == last.start and e.quantity in TOLD and e.status == "ok"
    )
    fed = None
    if last.injection is not None and last.mean_flow_l_h is not None:
        fed = last.mean_flow_l_h * (last.injection.end - last.injection.start).total_seconds() / 3600.0
    water = next((e.value for e in told if e.quantity == "water to depletion"), None)
    return PressureTank(
        told, last.zone, last.start, fed, water is not None and fed is not None and water < fed
    )


RUNS_BACK = 10
"""How far back a run with stock is looked for, in runs of each zone. [-]"""
