"""The daily summary: what is open, what is over, the water of the last day, and whether everything still watches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis.amounts import in_units
from dashboard.display import day as written_day
from dashboard.display import scale
from dashboard.notices.decide import open_cases
from dashboard.notices.words import Words, case_data, foot, listed, one_line, sentences
from dashboard.snapshot import ordered
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.results import Results
    from dashboard.cases import Case
    from dashboard.notices.log import Log, Notice
    from dashboard.notices.words import Place

DAY = pd.Timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Matter:
    """What a summary is made from.

    Attributes
    ----------
    cases : mapping of str to Case
        By mark.
    log : Log
        What was seen and told.
    results : Results or None
        Of the last analysis.
    problems : tuple of str
        What keeps the installation from being watched, one sentence each.
    waiting : int
        Messages that could not be delivered yet. [-]
    """

    cases: Mapping[str, Case]
    log: Log
    results: Results | None
    problems: tuple[str, ...] = ()
    waiting: int = 0


def digest_words(notice: Notice, matter: Matter, place: Place) -> Words:
    """Return what a daily summary says.

    Parameters
    ----------
    notice : Notice
        Of kind ``digest``.
    matter : Matter
        What is known.
    place : Place
        Where.

    Returns
    -------
    Words
        Stops come first, with what to do.
    """
    standing = ordered(open_cases(matter.cases.values(), matter.log))
    over = [
        matter.cases[mark]
        for mark, track in matter.log.tracks.items()
        if track.over and mark in matter.cases and track.away is not None and notice.time - track.away <= DAY
    ]
    danger = [
        sentences(in_units(case.finding.advice, place.installation.units))
        for case in standing
        if case.finding.severity == "stop" and case.state == "open"
    ]
    parts = [
        *dict.fromkeys(danger),
        f"{place.installation.name}, {written_day(notice.time, place.installation.tz)}",
    ]
    parts.append(_block(say("notice.digest_open"), listed(standing, place, notice.time)))
    if over:
        parts.append(_block(say("notice.digest_over"), listed(over, place, notice.time)))
    parts.append(_block(say("notice.digest_water"), _water(matter.results, notice.time, place)))
    parts.append(_block(say("notice.digest_watch"), _watching(matter)))
    worst = standing[0].finding if standing else None
    count = say("notice.digest_count", count=len(standing)) if worst else say("notice.digest_none")
    headline = say("notice.digest_subject", count=count)
    if worst and worst.severity == "stop":
        headline = f"{say('severity.stop').upper()}: {headline}"
    subject = one_line(f"{headline} \N{MIDDLE DOT} {place.installation.name}")
    data = {
        "installation": place.installation.name,
        "site": place.installation.site,
        "day": notice.day.isoformat() if notice.day else None,
        "open": [case_data(case) for case in standing],
        "over": [case_data(case) for case in over],
        "problems": list(matter.problems),
    }
    return Words(subject, "\n\n".join([*parts, foot(notice, place)]), data)


def _block(title: str, lines: list[str]) -> str:
    return "\n".join([title, *(f"- {line}" for line in lines or [say("notice.digest_nothing")])])


def _water(results: Results | None, now: pd.Timestamp, place: Place) -> list[str]:
    """Return runs and water of each zone in the last day."""
    if results is None:
        return [say("notice.digest_unknown")]
    lines = []
    for zone in place.installation.zone:
        runs = [run for run in results.runs if run.zone == zone and run.start > now - DAY]
        measured = [run.volume_l for run in runs if run.volume_l is not None]
        volume = scale("L", place.installation.units).text(sum(measured))
        key = "notice.digest_zone" if len(measured) == len(runs) else "notice.digest_zone_least"
        lines.append(say(key, zone=zone, runs=len(runs), volume=volume))
    return lines


def _watching(matter: Matter) -> list[str]:
    """Return whether everything still watches, and whether messages get through."""
    lines = list(matter.problems) or [say("notice.digest_well")]
    return [*lines, say("notice.digest_waiting", count=matter.waiting)] if matter.waiting else lines
