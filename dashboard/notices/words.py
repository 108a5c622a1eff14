"""What a notice says: subject, text for a tired person on a phone, and the same as data for a machine."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from analysis.amounts import finding_in
from dashboard.display import clock, finding_place, scale, when, zone_name
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analysis.results import Finding
    from dashboard.cases import Case
    from dashboard.notices.log import Entry, Notice
    from ingest.installation import Installation

LONGEST_SUBJECT = 60
"""Letters of a subject: what a phone shows in one or two lines. Common practice, no source. [-]"""

MOST = 20
"""Findings that one text spells out; the page has the rest. No source. [-]"""


@dataclass(frozen=True, slots=True)
class Words:
    """What one notice says, whichever way it goes.

    Attributes
    ----------
    subject : str
        One line.
    text : str
        Paragraphs as single lines, so that any screen breaks them itself.
    data : dict
        What JSON can carry.
    """

    subject: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Place:
    """What words need to know of the installation.

    Attributes
    ----------
    installation : Installation
        The system.
    page : str or None
        Address of the dashboard.
    """

    installation: Installation
    page: str | None = None


def one_line(text: str, longest: int = LONGEST_SUBJECT) -> str:
    r"""Return a text as one line without control characters, cut where it is too long.

    Parameters
    ----------
    text : str
        Anything.
    longest : int
        Letters kept. [-]

    Returns
    -------
    str
        Nothing in it can end a header.

    Examples
    --------
    >>> one_line("leak\r\nBcc: all@example.org")
    'leak Bcc: all@example.org'
    """
    plain = "".join(
        " " if unicodedata.category(letter) in ("Cc", "Cf", "Zl", "Zp", "Cs") else letter for letter in text
    )
    line = " ".join(plain.split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


def subject(notice: Notice, cases: Mapping[str, Case], place: Place) -> str:
    """Return the subject: how grave, what and where first, because phones cut the end."""
    first, *more = notice.entries
    finding = cases[first.mark].finding
    where = finding.zone or say("finding.where_head")
    key = {"again": "notice.subject_again", "over": "notice.subject_over"}.get(first.reason, "notice.subject")
    said = say(key, severity=say(f"severity.{first.severity}").upper(), kind=finding.kind, where=where)
    others = say("notice.subject_more", count=len(more)) if more else ""
    return one_line(f"{said}{others} \N{MIDDLE DOT} {place.installation.name}")


def finding_words(notice: Notice, cases: Mapping[str, Case], place: Place) -> Words:
    """Return what a notice of findings says.

    Parameters
    ----------
    notice : Notice
        Of kind ``stop`` or ``group``.
    cases : mapping of str to Case
        By mark; holds every finding of the notice.
    place : Place
        Where.

    Returns
    -------
    Words
        The text begins with what to do about the gravest finding.
    """
    parts = [_finding(entry, cases[entry.mark], place, notice.time) for entry in notice.entries[:MOST]]
    many = len(notice.entries)
    if many > 1:
        heads = (
            [say("notice.several", count=many, name=place.installation.name)] if notice.kind != "stop" else []
        )
        parts = [*heads, *(f"{n}. {part}" for n, part in enumerate(parts, start=1))]
    if many > MOST:
        parts.append(say("notice.further", count=many - MOST))
    text = "\n\n".join([*parts, foot(notice, place)])
    data = {**_frame(place), "findings": [finding_data(e, cases[e.mark]) for e in notice.entries]}
    return Words(subject(notice, cases, place), text, data)


def _finding(entry: Entry, case: Case, place: Place, now: pd.Timestamp) -> str:
    """Return one finding: what to do, then what it is, when, how large, and the likely causes."""
    finding = case.finding
    head = say(
        f"notice.head_{entry.reason}",
        severity=say(f"severity.{entry.severity}").upper(),
        kind=finding.kind,
        place=finding_place(finding),
        count=entry.count,
    )
    if entry.reason == "over":
        return head
    finding, tz = finding_in(finding, place.installation.units), place.installation.tz
    one_day = finding.start.tz_convert(tz).date() == finding.end.tz_convert(tz).date()
    until = clock(finding.end, tz) if one_day else when(finding.end, tz, now)
    span = say("notice.seen", start=when(finding.start, tz, now), end=until)
    causes = [say("finding.causes") + ":", *(f"- {cause}" for cause in finding.likely_causes)]
    lines = [span, _size(finding, place), finding.evidence, *(causes if finding.likely_causes else [])]
    stop = entry.severity == "stop"
    first = sentences(finding.advice) if stop else say("notice.first", advice=finding.advice)
    begin = [first, "", head] if stop else [head, first]
    return "\n".join([*begin, *(line for line in lines if line)])


def sentences(text: str) -> str:
    r"""Return a text with each sentence on a line of its own, so that steps stand apart on a small screen.

    Examples
    --------
    >>> sentences("NOW: shut it. Do not drink.")
    'NOW: shut it.\nDo not drink.'
    """
    return re.sub(r"(?<=[.!?]) +(?=[A-Z])", "\n", text)


def _size(finding: Finding, place: Place) -> str:
    """Return how large a finding is, in the installation's units; nothing where that is no number to read."""
    if finding.value is None or finding.unit in (None, "1", "s"):
        return ""
    return say("notice.size", value=scale(str(finding.unit), place.installation.units).text(finding.value))


def foot(notice: Notice, place: Place) -> str:
    """Return what stands under every notice: where to answer, the time zone, and what the tool is not."""
    page = [say("notice.page", page=place.page)] if place.page else []
    until = [say("notice.until")] if notice.kind != "digest" else []
    marks = (
        [say("notice.marks", marks=" ".join(e.mark for e in notice.entries[:MOST]))] if notice.entries else []
    )
    at = clock(notice.time, place.installation.tz)
    sent = say("notice.made", clock=at, zone=zone_name(notice.time, place.installation.tz))
    return "\n".join(["-- ", *page, *until, sent, *marks, say("app.watch_only")])


def _frame(place: Place) -> dict[str, Any]:
    """Return what every message to a machine holds."""
    return {
        "installation": place.installation.name,
        "site": place.installation.site,
        "timezone": place.installation.timezone,
        "page": place.page,
    }


def finding_data(entry: Entry, case: Case) -> dict[str, Any]:
    """Return one finding as data, values in stored units."""
    return {
        "id": entry.mark,
        "reason": entry.reason,
        "repeated": entry.reason == "again",
        "count": entry.count,
        **case_data(case),
        "severity": entry.severity,
    }


def case_data(case: Case) -> dict[str, Any]:
    """Return a case as data: the finding, and how it stands."""
    finding = case.finding
    return {
        "id": case.mark,
        "state": case.state,
        "kind": finding.kind,
        "zone": finding.zone,
        "sensor": finding.sensor,
        "severity": finding.severity,
        "start": finding.start.isoformat(),
        "end": finding.end.isoformat(),
        "value": finding.value,
        "unit": finding.unit,
        "evidence": finding.evidence,
        "likely_causes": list(finding.likely_causes),
        "advice": finding.advice,
    }


def trial_words(recipient: str, place: Place, now: pd.Timestamp) -> Words:
    """Return the message of ``tricklebook notices test``."""
    at = f"{clock(now, place.installation.tz)} ({zone_name(now, place.installation.tz)})"
    text = say("notice.test_text", name=place.installation.name, recipient=recipient, at=at)
    subject_line = one_line(say("notice.test_subject", name=place.installation.name))
    return Words(subject_line, text + "\n\n" + say("app.watch_only"), {**_frame(place), "text": text})


def repeat_words(subject_line: str, text: str, doubt: pd.Timestamp, place: Place) -> tuple[str, str]:
    """Return subject and text of a second attempt after one whose end is not known.

    Parameters
    ----------
    subject_line, text : str
        Of the first attempt.
    doubt : pandas.Timestamp
        When that was. [UTC]
    place : Place
        Where.

    Returns
    -------
    tuple of str
        Marked as what may have come before. What to do still comes first in the text.
    """
    at = clock(doubt, place.installation.tz)
    marked = say("notice.doubt_text", clock=at)
    return one_line(say("notice.doubt_subject", subject=subject_line)), f"{text}\n{marked}"


def listed(cases: Sequence[Case], place: Place, now: pd.Timestamp) -> list[str]:
    """Return one line for each case: how grave, what, where, since when, and whether somebody has seen it."""
    return [
        say(
            f"notice.line_{'acknowledged' if case.state == 'acknowledged' else 'open'}",
            severity=say(f"severity.{case.finding.severity}").upper(),
            kind=case.finding.kind,
            place=finding_place(case.finding),
            since=when(case.finding.start, place.installation.tz, now),
        )
        for case in cases
    ]
