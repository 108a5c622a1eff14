"""What the notices know of the past: which findings stand since when, and who was told what. A fold of lines.

The lines stand in ``ARCHIVE/notices.jsonl``; this module only says what they mean.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from analysis.join import SEVERITIES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from dashboard.notices.settings import Severity

Move = Literal["told", "away", "back", "level", "over"]
"""What happens to a finding: told first, not told any more, told again, milder or worse, over."""

Reason = Literal["new", "worse", "again", "over"]
"""Why somebody is told of a finding; ``again`` is what was told before, marked as repeated."""

MOVES = ("told", "away", "back", "level", "over")


@dataclass(frozen=True, slots=True)
class Moved:
    """One thing that happened to a finding.

    Attributes
    ----------
    mark : str
        Of its case.
    move : str
        What.
    time : pandas.Timestamp
        When it was noticed. [UTC]
    episode : int
        Counts how often the finding has come, over, and come again.
    severity : {"watch", "act", "stop"}
        As told then.
    """

    mark: str
    move: Move
    time: pd.Timestamp
    episode: int
    severity: Severity


@dataclass(frozen=True, slots=True)
class Track:
    """How a finding stands.

    Attributes
    ----------
    episode : int
        As in `Moved`.
    since : pandas.Timestamp
        Told since. [UTC]
    level, level_since : str, pandas.Timestamp
        Its severity, and since when.
    away : pandas.Timestamp or None
        Not told any more since; None while it is told. [UTC]
    over : bool
        Whether it has been away for long enough.
    """

    episode: int
    since: pd.Timestamp
    level: Severity
    level_since: pd.Timestamp
    away: pd.Timestamp | None = None
    over: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One finding in a notice.

    Attributes
    ----------
    mark, episode, severity
        As in `Moved`.
    reason : str
        Why it stands there.
    count : int
        How often this recipient is told of it, this time included. [-]
    """

    mark: str
    episode: int
    reason: Reason
    severity: Severity
    count: int = 1


@dataclass(frozen=True, slots=True)
class Notice:
    """What one recipient shall be told at one time.

    Attributes
    ----------
    id : str
        The same for the same content, so that it is never written down twice.
    recipient : str
        Who.
    kind : {"stop", "group", "digest"}
        Danger, everything else, or the daily summary.
    time : pandas.Timestamp
        When it was decided. [UTC]
    entries : tuple of Entry
        The findings, gravest first; none in a summary.
    day : datetime.date or None
        The local day of a summary.
    """

    id: str
    recipient: str
    kind: Literal["stop", "group", "digest"]
    time: pd.Timestamp
    entries: tuple[Entry, ...] = ()
    day: date | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What one recipient was told of one finding.

    Attributes
    ----------
    level : {"watch", "act", "stop"}
        The gravest that was told.
    count : int
        How often. [-]
    last : pandas.Timestamp
        When last. [UTC]
    notices : tuple of str
        In which notices, oldest first.
    over : bool
        Whether they were told that it is over.
    """

    level: Severity
    count: int
    last: pd.Timestamp
    notices: tuple[str, ...]
    over: bool = False


TellKey = tuple[str, str, int]
"""Recipient, mark and episode."""


@dataclass(frozen=True, slots=True)
class Log:
    """What is known of the past.

    Attributes
    ----------
    began : pandas.Timestamp or None
        When notices first ran here. [UTC]
    tracks : mapping of str to Track
        By mark.
    told : mapping of (str, str, int) to Told
        By recipient, mark and episode.
    digests : mapping of str to Notice
        Recipient to the last daily summary.
    waiting : frozenset of str
        Notices that are not delivered, nor given up, by any way yet.
    """

    began: pd.Timestamp | None = None
    tracks: Mapping[str, Track] = field(default_factory=dict)
    told: Mapping[TellKey, Told] = field(default_factory=dict)
    digests: Mapping[str, Notice] = field(default_factory=dict)
    waiting: frozenset[str] = frozenset()


def rank(severity: str) -> int:
    """Return how grave a severity is: 0, 1 or 2."""
    return SEVERITIES.index(severity)


def moved(log: Log, moves: Iterable[Moved]) -> Log:
    """Return the log after some moves."""
    tracks = dict(log.tracks)
    for one in moves:
        tracks[one.mark] = _moved(tracks.get(one.mark), one)
    return replace(log, tracks=tracks)


def _moved(track: Track | None, one: Moved) -> Track:
    if track is None or one.move == "told":
        return Track(one.episode, one.time, one.severity, one.time)
    if one.move == "away":
        return replace(track, away=one.time)
    if one.move == "back":
        return replace(track, away=None)
    if one.move == "level":
        return replace(track, level=one.severity, level_since=one.time)
    return replace(track, over=True)


def noticed(log: Log, notice: Notice) -> Log:
    """Return the log after a notice was written down to be sent."""
    if notice.kind == "digest":
        return replace(log, digests={**log.digests, notice.recipient: notice})
    told = dict(log.told)
    for entry in notice.entries:
        key = (notice.recipient, entry.mark, entry.episode)
        told[key] = _told(told.get(key), entry, notice)
    return replace(log, told=told)


def _told(old: Told | None, entry: Entry, notice: Notice) -> Told:
    if old is None:
        return Told(entry.severity, entry.count, notice.time, (notice.id,), entry.reason == "over")
    level = max(old.level, entry.severity, key=rank)
    return Told(
        level, entry.count, notice.time, (*old.notices, notice.id), old.over or entry.reason == "over"
    )


def moved_row(one: Moved) -> dict[str, Any]:
    """Return the line of a move."""
    return {
        "what": one.move,
        "case": one.mark,
        "time": one.time.isoformat(),
        "episode": one.episode,
        "severity": one.severity,
    }


def moved_of(row: Mapping[str, Any]) -> Moved:
    """Return the move that a line tells."""
    return Moved(row["case"], row["what"], instant(row["time"]), int(row["episode"]), row["severity"])


def notice_row(notice: Notice) -> dict[str, Any]:
    """Return what a line says of a notice."""
    return {
        "notice": notice.id,
        "recipient": notice.recipient,
        "kind": notice.kind,
        "time": notice.time.isoformat(),
        "entries": [[e.mark, e.episode, e.reason, e.severity, e.count] for e in notice.entries],
        "day": notice.day.isoformat() if notice.day else None,
    }


def notice_of(row: Mapping[str, Any]) -> Notice:
    """Return the notice that a line tells."""
    return Notice(
        row["notice"],
        row["recipient"],
        row["kind"],
        instant(row["time"]),
        tuple(Entry(*entry) for entry in row["entries"]),
        date.fromisoformat(row["day"]) if row.get("day") else None,
    )


def instant(text: str) -> pd.Timestamp:
    """Return an instant as a line writes it. [UTC]"""
    return pd.Timestamp(text).tz_convert("UTC")
