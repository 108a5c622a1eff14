"""Events of valves and meters as they come out of a season's features, and rows of them that belong together."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.runs.detect import nominal_flow
from analysis.valves.events import COMPANY, LASTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.view import SeasonView


CUT = pd.Timedelta(minutes=75)
"""Longest time between two halves of an event on both sides of midnight: drain-down and a register's window are
waited for anew each day."""


class Event(NamedTuple):
    """One thing that a valve or a meter did.

    Attributes
    ----------
    name : str
        Its name in `analysis.valves.events`.
    zone : str or None
        The zone.
    sensors : tuple of str
        The valve sensor where there is one, and the sensor of the water.
    start, end : pandas.Timestamp
        When. [UTC]
    level : float
        What the sensor of the water showed. [L/h] or [kPa]
    company : float
        Share of the time in which other zones were watered. [-]
    """

    name: str
    zone: str | None
    sensors: tuple[str, ...]
    start: pd.Timestamp
    end: pd.Timestamp
    level: float
    company: float

    @property
    def hours(self) -> float:
        """How long. [h]"""
        return float((self.end - self.start).total_seconds() / 3600.0)


def events_of(season: SeasonView) -> dict[tuple[str | None, tuple[str, ...]], list[Event]]:
    """Return every event of a season by zone and sensors, in the order of time."""
    beside: dict[tuple[str, str | None, tuple[str, ...], pd.Timestamp], float] = {}
    for f in season.features:
        if f.name.endswith(LASTS) or f.name == COMPANY:
            beside[f.name, f.zone, f.sensors, f.at] = f.value
    found: dict[tuple[str | None, tuple[str, ...]], list[Event]] = {}
    for f in season.features:
        length = beside.get((f.name + LASTS, f.zone, f.sensors, f.at))
        if length is None:
            continue
        company = beside.get((COMPANY, f.zone, f.sensors, f.at), 0.0)
        end = f.at + pd.Timedelta(seconds=length)
        found.setdefault((f.zone, f.sensors), []).append(
            Event(f.name, f.zone, f.sensors, f.at, end, f.value, company)
        )
    return {key: _over_midnight(sorted(events, key=lambda e: e.start)) for key, events in found.items()}


def _over_midnight(events: Sequence[Event]) -> list[Event]:
    """Return events, those that one day's end cut as one."""
    out: list[Event] = []
    for event in events:
        last = out[-1] if out else None
        cut = last is not None and last.end.floor("D") < event.start.floor("D")
        if last is not None and cut and last.name == event.name and event.start - last.end <= CUT:
            out[-1] = last._replace(end=event.end, level=max(last.level, event.level))
        else:
            out.append(event)
    return out


def rows(
    events: Iterable[Event], wanted: frozenset[str], against: frozenset[str], *, pardon: int
) -> list[list[Event]]:
    """Return wanted events in rows; so many events against them in a row end one.

    Examples
    --------
    >>> at = pd.Timestamp("2026-05-01", tz="UTC")
    >>> said = [Event(n, "a", ("v",), at, at, 1.0, 0.0) for n in ("bad", "good", "bad", "good", "good", "bad")]
    >>> [len(r) for r in rows(said, frozenset({"bad"}), frozenset({"good"}), pardon=2)]
    [2, 1]
    """
    found: list[list[Event]] = []
    calm = pardon
    for event in events:
        if event.name in against:
            calm += 1
        elif event.name in wanted:
            if calm >= pardon:
                found.append([])
            found[-1].append(event)
            calm = 0
    return found


def usual_flow(season: SeasonView, zone: str | None) -> float | None:
    """Return the flow of a zone that is watered, or the smallest of all zones'. [L/h]"""
    zones = season.installation.zone if zone is None else (zone,)
    known = [f for f in (_usual(season, name) for name in zones) if f is not None]
    return min(known, default=None)


def _usual(season: SeasonView, zone: str) -> float | None:
    seen = [r.mean_flow_l_h for r in season.runs if r.zone == zone and r.mean_flow_l_h]
    return nominal_flow(season.installation, zone) or (float(np.median(seen)) if seen else None)


def litres(events: Sequence[Event]) -> float:
    """Return how much water some events let through. [L]"""
    return sum(event.level * event.hours for event in events)
