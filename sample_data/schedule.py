"""When the simulated garden irrigates, and what was planted to go wrong.

Everything here is a pure function of the scenario: the same scenario gives the same runs, whoever asks and
for whichever window of time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from zoneinfo import ZoneInfo

DAY_S = 86400
"""A day. [s]"""

PARTS_S: Mapping[str, tuple[int, int, int]] = MappingProxyType(
    {"bench1": (180, 540, 720), "bench2": (180, 540, 720), "border": (120, 900, 780)}
)
"""Zone to seconds of water before, with, and after the stock. [s]"""

DAILY = (time(6, 0), time(10, 0), time(14, 0), time(18, 0))
"""Local times at which an irrigation round of all zones begins."""

ROUND_S: Mapping[str, int] = MappingProxyType({"bench1": 0, "bench2": 1680, "border": 3360})
"""Zone to its start within a round. [s]"""

CYCLE_S = 5400
"""From one round to the next while somebody tries the system by hand. [s]"""

LEAD_S = 30
"""How soon after a session's anchor a run begins. [s]"""

SESSION_S = 12 * 3600
"""How long the rounds by hand go on. [s]"""

SHORT_FLUSH_S = 90
"""Flush of the run that was stopped too early. [s]"""

WEAK = 0.82
"""Share of the nominal ratio that a worn pump seal leaves. [-]"""

CLOGGING_PER_DAY = 0.015
"""Loss of bench2's emitters from the second day on, a share of the clean flow. [1/day]"""

CLOGGING_LIMIT = 0.25
"""Where the loss stops. [-]"""

SILENT_SENSOR = "border_end_pressure"
"""The sensor whose battery runs flat."""

SILENT_S = (-7 * 3600, 12 * 3600)
"""When it is silent, from the first anchor. [s]"""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One simulated history.

    Attributes
    ----------
    seed : int
        Of every random number.
    days : int
        Days of history before the anchor.
    sessions : tuple of (int, int)
        Anchor and first second of each session of rounds by hand, in order; the first anchor is when the
        demo was first started. [s since 1970, UTC]
    """

    seed: int
    days: int
    sessions: tuple[tuple[int, int], ...]

    @property
    def anchor(self) -> int:
        """When the demo was first started. [s since 1970]"""
        return self.sessions[0][0]

    def origin(self, tz: ZoneInfo) -> int:
        """Return local midnight where the history begins. [s since 1970]"""
        day = datetime.fromtimestamp(self.anchor, tz).date() - timedelta(days=self.days)
        return int(datetime.combine(day, time(), tz).timestamp())


@dataclass(frozen=True, slots=True)
class Irrigation:
    """One run as the controller drives it.

    Attributes
    ----------
    zone : str
        The zone.
    start : int
        Valve opens. [s since 1970]
    before, injecting, flush : int
        Seconds of water alone, of stock, and of water again. [s]
    strength : float
        Stock as a share of what the injector should give; 0 for none. [-]
    planted : str
        What was planted in this run, in words; empty for none.
    """

    zone: str
    start: int
    before: int
    injecting: int
    flush: int
    strength: float = 1.0
    planted: str = ""

    @property
    def injection(self) -> tuple[int, int]:
        """When stock enters. [s since 1970]"""
        begin = self.start + self.before
        return begin, begin + self.injecting

    @property
    def end(self) -> int:
        """Valve closes. [s since 1970]"""
        return self.injection[1] + self.flush


def session(anchor: int, *, not_before: int = 0) -> tuple[int, int]:
    """Return a session that has a run begin just after `anchor`, and a whole round just before it.

    Examples
    --------
    >>> session(1_000_000)
    (1000000, 994630)
    """
    return anchor, max(anchor + LEAD_S - CYCLE_S, not_before)


def irrigations(scenario: Scenario, tz: ZoneInfo, until: int) -> tuple[Irrigation, ...]:
    """Return every run from the scenario's origin to a moment.

    Parameters
    ----------
    scenario : Scenario
        The history.
    tz : ZoneInfo
        The installation's time zone.
    until : int
        Runs that begin before this. [s since 1970]

    Returns
    -------
    tuple of Irrigation
        By start; two runs never overlap.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> runs = irrigations(Scenario(1, 1, (session(1_000_000),)), ZoneInfo("UTC"), 1_000_031)
    >>> runs[-1].zone, runs[-1].start - 1_000_000
    ('bench1', 30)
    """
    daily = [
        run
        for run in _daily(scenario, tz, until)
        if not any(begin <= run.start < _session_end(anchor) for anchor, begin in scenario.sessions)
    ]
    by_hand = [
        run
        for run in _by_hand(scenario, until)
        if not any(run.start < other.end and other.start < run.end for other in daily)
    ]
    planted = _plant([run for run in daily if run.start < scenario.anchor])
    runs = [planted.get(run.start, run) for run in daily] + by_hand
    return tuple(sorted((run for run in runs if run.start < until), key=lambda run: run.start))


def open_share(scenario: Scenario, tz: ZoneInfo, zone: str, at: int) -> float:
    """Return what is left of a zone's emitter flow, once its clogging has begun. [-]

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> long = Scenario(1, 3, ((30 * 86400, 30 * 86400),))
    >>> open_share(long, ZoneInfo("UTC"), "bench2", 30 * 86400)
    0.97
    """
    if zone != "bench2":
        return 1.0
    days = max(0.0, (at - scenario.origin(tz)) / DAY_S - 1.0)
    return 1.0 - min(CLOGGING_LIMIT, CLOGGING_PER_DAY * days)


def silent(scenario: Scenario) -> tuple[int, int]:
    """Return from when to when `SILENT_SENSOR` says nothing. [s since 1970]"""
    return scenario.anchor + SILENT_S[0], scenario.anchor + SILENT_S[1]


def _session_end(anchor: int) -> int:
    return anchor + SESSION_S


def _round(start: int) -> Iterator[Irrigation]:
    for zone, offset in ROUND_S.items():
        yield Irrigation(zone, start + offset, *PARTS_S[zone])


def _by_hand(scenario: Scenario, until: int) -> Iterator[Irrigation]:
    for anchor, begin in scenario.sessions:
        first = anchor + LEAD_S - CYCLE_S
        for start in range(first, min(until, _session_end(anchor)), CYCLE_S):
            yield from (
                run for run in _round(start) if begin <= run.start and run.end <= _session_end(anchor)
            )


def _daily(scenario: Scenario, tz: ZoneInfo, until: int) -> Iterator[Irrigation]:
    origin = scenario.origin(tz)
    day = datetime.fromtimestamp(origin, tz).date()
    while datetime.combine(day, time(), UTC).timestamp() < until + DAY_S:
        for moment in DAILY:
            yield from _round(int(datetime.combine(day, moment, tz).timestamp()))
        day += timedelta(days=1)


def _plant(past: list[Irrigation]) -> dict[int, Irrigation]:
    """Return start to the changed run, for the runs that carry a planted fault."""
    plan = (
        ("bench1", 2, {"strength": 0.0, "planted": "no injection"}),
        ("bench1", 4, {"strength": WEAK, "planted": "weak injection"}),
        ("bench2", 3, {"flush": SHORT_FLUSH_S, "planted": "short flush"}),
    )
    changed = {}
    for zone, back, change in plan:
        mine = [run for run in past if run.zone == zone]
        if len(mine) >= back:
            changed[mine[-back].start] = replace(mine[-back], **change)  # type: ignore[arg-type]
    return changed
