"""Findings with what people did about them: open, acknowledged, or past. Nothing is ever taken away.

A finding is told anew by every analysis. A case is what stays the same: it begins when a finding is
first seen, grows with it, and ends when no analysis tells it any more.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import pandas as pd

from analysis.backflow.latch import closes
from analysis.join import together, touch
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analysis.service import Service

CaseState = Literal["open", "acknowledged", "past"]

LATCHED = frozenset({"backflow"})
"""Kinds that stay open, seen or not, until a person has looked and cleared them."""

GROWN = pd.Timedelta(hours=6)
"""A case's end is written down anew when it has grown by so much; computed: a few rows a day. """

ACTIONS = ("acknowledge", "reopen", "note", "clear")
"""What a person can do to a case."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What a person did to a case.

    Attributes
    ----------
    case : str
        The case's mark.
    time : pandas.Timestamp
        When. [UTC]
    person : str
        Who.
    action : str
        One of `ACTIONS`.
    note : str
        What they wrote.
    """

    case: str
    time: pd.Timestamp
    person: str
    action: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """A finding with what people did about it.

    Attributes
    ----------
    mark : str
        Stays the same as long as the case lives.
    finding : Finding
        As told last.
    current : bool
        Whether the last analysis told it.
    remarks : tuple of Remark
        Oldest first.
    """

    mark: str
    finding: Finding
    current: bool
    remarks: tuple[Remark, ...] = ()

    @property
    def state(self) -> CaseState:
        """Whether somebody must look: open; has looked: acknowledged; or it is over: past."""
        acts = [r.action for r in self.remarks if r.action != "note"]
        last = acts[-1] if acts else ""
        if self.finding.kind in LATCHED:
            if last == "clear":
                return "past"
            return "acknowledged" if last == "acknowledge" and self.current else "open"
        if not self.current:
            return "past"
        return "acknowledged" if last == "acknowledge" else "open"


@dataclass(frozen=True, slots=True)
class Seen:
    """What is written down of a case: its mark and the finding as told then."""

    mark: str
    finding: Finding


@dataclass(frozen=True, slots=True)
class Book:
    """Everything that is written down.

    Attributes
    ----------
    seen : mapping of str to Seen
        Mark to the case, with the longest span that was written down.
    remarks : mapping of str to sequence of Remark
        Mark to what people did, oldest first.
    """

    seen: Mapping[str, Seen] = field(default_factory=dict)
    remarks: Mapping[str, Sequence[Remark]] = field(default_factory=dict)


def mark_of(finding: Finding) -> str:
    """Return the mark of a case that begins with this finding.

    Examples
    --------
    >>> now = pd.Timestamp("2026-05-01", tz="UTC")
    >>> len(mark_of(Finding("leak", "a", None, now, now, "act", None, None, "", (), "")))
    12
    """
    parts = (finding.kind, finding.zone or "", finding.sensor or "", finding.start.isoformat())
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def match(finding: Finding, book: Book) -> str | None:
    """Return the case that a finding belongs to: same kind and place, spans that touch.

    Parameters
    ----------
    finding : Finding
        As an analysis tells it.
    book : Book
        What is written down.

    Returns
    -------
    str or None
        Its mark; the oldest where several touch; None for a new case.
    """
    touching = [seen for seen in book.seen.values() if touch(seen.finding, finding)]
    return min(touching, key=lambda s: s.finding.start).mark if touching else None


def news(findings: Iterable[Finding], book: Book) -> list[Seen]:
    """Return what must be written down: new cases, and known ones that have grown or worsened.

    Parameters
    ----------
    findings : iterable of Finding
        As the last analysis tells them.
    book : Book
        What is written down.

    Returns
    -------
    list of Seen
        In the order of the findings.
    """
    rows = []
    for finding in together(findings):
        mark = match(finding, book)
        if mark is None:
            rows.append(Seen(mark_of(finding), finding))
            continue
        old = book.seen[mark].finding
        if finding.end - old.end >= GROWN or finding.severity != old.severity:
            rows.append(Seen(mark, _spanning(old, finding)))
    return rows


def _spanning(old: Finding, new: Finding) -> Finding:
    """Return the newer telling, from the older one's start."""
    return Finding(
        new.kind,
        new.zone,
        new.sensor,
        min(old.start, new.start),
        max(old.end, new.end),
        new.severity,
        new.value,
        new.unit,
        new.evidence,
        new.likely_causes,
        new.advice,
    )


def with_services(book: Book, services: Iterable[Service]) -> Book:
    """Return the book with what the service log clears: who cleared backflow there has cleared its case.

    Parameters
    ----------
    book : Book
        What is written down of cases.
    services : iterable of Service
        What was done to the system.

    Returns
    -------
    Book
        With one remark more for each case that an entry closes and the page did not.
    """
    done, remarks = list(services), dict(book.remarks)
    for mark, seen in book.seen.items():
        if seen.finding.kind not in LATCHED:
            continue
        mine = list(remarks.get(mark, ()))
        cleared = {remark.time for remark in mine if remark.action == "clear"}
        mine += [
            Remark(mark, one.time, one.person, "clear", one.note)
            for one in done
            if closes(one, seen.finding) and one.time not in cleared
        ]
        if mine:
            remarks[mark] = sorted(mine, key=lambda remark: remark.time)
    return Book(book.seen, remarks)


def cases(findings: Iterable[Finding], book: Book) -> list[Case]:
    """Return every case: those of the last analysis, then those that are past.

    Parameters
    ----------
    findings : iterable of Finding
        As the last analysis tells them.
    book : Book
        What is written down.

    Returns
    -------
    list of Case
        Each once.
    """
    told: dict[str, Finding] = {}
    for finding in together(findings):
        mark = match(finding, book) or mark_of(finding)
        told[mark] = _spanning(told[mark], finding) if mark in told else finding
    current = [
        Case(mark, f, current=True, remarks=tuple(book.remarks.get(mark, ()))) for mark, f in told.items()
    ]
    past = [
        Case(mark, seen.finding, current=False, remarks=tuple(book.remarks.get(mark, ())))
        for mark, seen in book.seen.items()
        if mark not in told
    ]
    return current + past
