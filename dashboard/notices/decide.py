"""Who shall be told what now: a pure function of findings, of what was told, of the rules, and of a clock.

What holds, whatever the rules say: a stop is told at once, at any hour, also to those who were told when it
was milder; nothing that was told is told again unless it is marked so; what was acknowledged is not repeated.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.notices.hours import last_daily, within
from dashboard.notices.log import Entry, Log, Moved, Notice, Told, Track, moved, rank
from dashboard.notices.settings import HEAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from analysis.results import Finding
    from dashboard.cases import Case
    from dashboard.notices.log import Reason
    from dashboard.notices.settings import Notices, Recipient, Rule


@dataclass(frozen=True, slots=True)
class Decision:
    """What shall be written down and done.

    Attributes
    ----------
    moves : tuple of Moved
        What happened to findings.
    notices : tuple of Notice
        What recipients shall be told.
    """

    moves: tuple[Moved, ...] = ()
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Terms:
    """What the rules that take a finding say together: the soonest of each.

    Attributes
    ----------
    stands, group : pandas.Timedelta
        As in `dashboard.notices.settings.Rule`.
    repeat : pandas.Timedelta or None
        None for once only.
    over : bool
        Whether the end is told.
    """

    stands: pd.Timedelta
    group: pd.Timedelta
    repeat: pd.Timedelta | None
    over: bool


@dataclass(frozen=True, slots=True)
class _Ready:
    """An entry that may go, since when, and how long it waits for others."""

    entry: Entry
    since: pd.Timestamp
    group: pd.Timedelta


def decide(cases: Iterable[Case], log: Log, settings: Notices, tz: ZoneInfo, now: pd.Timestamp) -> Decision:
    """Return what shall be written down and sent now.

    Parameters
    ----------
    cases : iterable of Case
        Findings with what people did about them: those that are told, and past ones.
    log : Log
        What was seen and told before.
    settings : Notices
        Recipients and rules.
    tz : ZoneInfo
        The installation's time zone, for hours and daily summaries.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    Decision
        Nothing in it where nothing is due; the same question with what it says written down gives nothing.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> from dashboard.notices.settings import Notices
    >>> decide((), Log(), Notices(), ZoneInfo("UTC"), pd.Timestamp("2026-05-01", tz="UTC"))
    Decision(moves=(), notices=())
    """
    known = {case.mark: case for case in cases}
    moves = tuple(follow(known.values(), log, pd.Timedelta(seconds=settings.gone), now))
    seen = moved(log, moves)
    notices: list[Notice] = []
    for name, recipient in settings.recipient.items():
        ready = list(_ready(name, known, seen, settings, tz, now))
        notices += _messages(name, recipient, ready, tz, now)
        notices += _digest(name, recipient, log, tz, now)
    return Decision(moves, tuple(notices))


def follow(cases: Iterable[Case], log: Log, gone: pd.Timedelta, now: pd.Timestamp) -> Iterator[Moved]:
    """Yield what has happened to findings since the log was written.

    A finding that is not told for less than `gone` and then is told again has stood all the time.
    """
    told = {case.mark: case.finding.severity for case in cases if case.state != "past"}
    for mark, severity in told.items():
        track = log.tracks.get(mark)
        if track is None or track.over:
            yield Moved(mark, "told", now, 1 if track is None else track.episode + 1, severity)
            continue
        if track.away is not None:
            yield Moved(mark, "back", now, track.episode, severity)
        if severity != track.level:
            yield Moved(mark, "level", now, track.episode, severity)
    yield from _leaving(
        {mark: t for mark, t in log.tracks.items() if mark not in told and not t.over}, gone, now
    )


def _leaving(tracks: Mapping[str, Track], gone: pd.Timedelta, now: pd.Timestamp) -> Iterator[Moved]:
    """Yield what happens to findings that nothing tells any more."""
    for mark, track in tracks.items():
        if track.away is None:
            yield Moved(mark, "away", now, track.episode, track.level)
        if now - (track.away or now) >= gone:
            yield Moved(mark, "over", now, track.episode, track.level)


def open_cases(cases: Iterable[Case], log: Log) -> list[Case]:
    """Return the cases that stand: told, or away for too short a time to be over."""
    return [c for c in cases if (track := log.tracks.get(c.mark)) is not None and not track.over]


def takes(rule: Rule, finding: Finding) -> bool:
    """Return whether a rule takes a finding, whatever the hour."""
    return (
        rank(finding.severity) >= rank(rule.severity)
        and (rule.zones is None or (finding.zone or HEAD) in rule.zones)
        and (rule.kinds is None or finding.kind in rule.kinds)
    )


def terms(
    recipient: str, finding: Finding, rules: Iterable[Rule], tz: ZoneInfo, now: pd.Timestamp
) -> Terms | None:
    """Return on what terms a recipient is told of a finding; None where no rule says so at this hour.

    The hours of a rule never hold back a stop.
    """
    stop = finding.severity == "stop"
    mine = [
        rule
        for rule in rules
        if recipient in rule.to
        and takes(rule, finding)
        and (stop or rule.hours is None or within(now, rule.hours, tz))
    ]
    if not mine:
        return None
    repeats = [rule.repeat for rule in mine if rule.repeat is not None]
    return Terms(
        pd.Timedelta(seconds=min(rule.stands for rule in mine)),
        pd.Timedelta(seconds=min(rule.group for rule in mine)),
        pd.Timedelta(seconds=min(repeats)) if repeats else None,
        any(rule.over for rule in mine),
    )


def _ready(
    recipient: str, cases: dict[str, Case], log: Log, settings: Notices, tz: ZoneInfo, now: pd.Timestamp
) -> Iterator[_Ready]:
    """Yield what a recipient may be told now, as far as each finding alone decides it."""
    rules = [rule for rule in settings.rule.values() if recipient in rule.to]
    for mark, case in cases.items():
        track = log.tracks.get(mark)
        on = terms(recipient, case.finding, rules, tz, now) if track is not None else None
        if track is None or on is None:
            continue
        past = log.told.get((recipient, mark, track.episode))
        due = _first(case, track, on) if past is None else _later(case, track, past, on, log)
        if due is None or due[1] > now:
            continue
        reason, since = due
        entry = Entry(mark, track.episode, reason, track.level, 1 + (past.count if past else 0))
        yield _Ready(entry, since, on.group)


def _first(case: Case, track: Track, on: Terms) -> tuple[Reason, pd.Timestamp] | None:
    """Return why and since when a finding may be told for the first time."""
    if track.away is not None or track.over:
        return None
    if track.level == "stop":
        return "new", track.level_since
    return None if case.state == "acknowledged" else ("new", track.since + on.stands)


def _later(case: Case, track: Track, past: Told, on: Terms, log: Log) -> tuple[Reason, pd.Timestamp] | None:
    """Return why and since when a finding that was told may be told once more."""
    if track.over:
        return ("over", track.away or past.last) if on.over and not past.over else None
    if track.away is not None:
        return None
    if rank(track.level) > rank(past.level):
        return "worse", track.level_since
    if on.repeat is None or case.state != "open" or past.notices[-1] in log.waiting:
        return None
    return "again", past.last + on.repeat


def _messages(
    name: str, recipient: Recipient, ready: Sequence[_Ready], tz: ZoneInfo, now: pd.Timestamp
) -> Iterator[Notice]:
    """Yield the notices that what is ready makes: dangers at once, the rest together and outside quiet hours."""
    danger = [r for r in ready if r.entry.severity == "stop" and r.entry.reason != "over"]
    if danger:
        yield _notice(name, "stop", danger, now)
    rest = [r for r in ready if r not in danger]
    quiet = recipient.quiet is not None and within(now, recipient.quiet, tz)
    if rest and not quiet and any(now >= r.since + r.group for r in rest):
        yield _notice(name, "group", rest, now)


def _notice(name: str, kind: str, ready: Iterable[_Ready], now: pd.Timestamp) -> Notice:
    entries = tuple(
        r.entry for r in sorted(ready, key=lambda r: (-rank(r.entry.severity), r.since, r.entry.mark))
    )
    said = [f"{e.mark}/{e.episode}/{e.reason}/{e.severity}/{e.count}" for e in entries]
    return Notice(_id(name, kind, *said), name, kind, now, entries)  # type: ignore[arg-type] # two of its words


def _digest(name: str, recipient: Recipient, log: Log, tz: ZoneInfo, now: pd.Timestamp) -> Iterator[Notice]:
    """Yield the daily summary, once a day; one that was missed comes late, an older one never."""
    if recipient.digest is None or log.began is None:
        return
    day, due = last_daily(now, recipient.digest, tz)
    last = log.digests.get(name)
    if due > log.began and (last is None or last.day is None or last.day < day):
        yield Notice(_id(name, "digest", day.isoformat()), name, "digest", now, day=day)


def _id(*parts: str) -> str:
    """Return the identifier of a notice: the same for the same content."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
