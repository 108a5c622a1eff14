"""Findings that are one thing become one: across midnight, and from run to run."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.results import Finding, Run

TOUCH = pd.Timedelta(minutes=10)
"""Findings of stretches of time this near to each other are one. No source."""

SEVERITIES = ("watch", "act", "stop")
"""From mild to grave."""


def joined(findings: Iterable[Finding]) -> list[Finding]:
    """Join findings of the same kind, zone, sensor and unit whose times touch.

    Parameters
    ----------
    findings : iterable of Finding
        Of stretches of time, in any order.

    Returns
    -------
    list of Finding
        By start, then kind, zone and sensor. A joined one spans its parts and speaks with the words of the
        gravest, of those the largest.
    """
    going: dict[tuple[str, ...], Finding] = {}
    done: list[Finding] = []
    for finding in sorted(findings, key=order):
        key = (finding.kind, finding.zone or "", finding.sensor or "", finding.unit or "")
        earlier = going.get(key)
        if earlier is not None and finding.start - earlier.end <= TOUCH:
            going[key] = _one(earlier, finding)
            continue
        if earlier is not None:
            done.append(earlier)
        going[key] = finding
    return sorted([*done, *going.values()], key=order)


def chained(findings: Iterable[tuple[Run, Finding]], runs: Sequence[Run]) -> list[Finding]:
    """Join what is found in one run of a zone after the other.

    A fault that lasts shows in every run until it is mended; told run by run it would bury what is new.

    Parameters
    ----------
    findings : iterable of (Run, Finding)
        Each with the run in which it was found.
    runs : sequence of Run
        Every run of every zone, by start: a run without the finding ends the chain.

    Returns
    -------
    list of Finding
        By start, then kind, zone and sensor. A chain spans its runs, has the gravest severity, and speaks of
        the latest run, with how many there were.
    """
    place = {
        (run.zone, run.start): n for zone in {r.zone for r in runs} for n, run in enumerate(_of(runs, zone))
    }
    chains: list[tuple[Finding, int, int]] = []
    last: dict[tuple[object, ...], int] = {}
    for run, finding in findings:
        key = (run.zone, finding.kind, finding.sensor, finding.unit, finding.likely_causes)
        here, at = place[run.zone, run.start], last.get(key)
        if at is not None and here - chains[at][1] == 1:
            first, _, count = chains[at]
            chains[at] = (_follow(first, finding), here, count + 1)
            continue
        last[key] = len(chains)
        chains.append((finding, here, 1))
    return sorted((_told(finding, count) for finding, _, count in chains), key=order)


def place(finding: Finding) -> tuple[str, str | None, str | None]:
    """Return what two tellings of one thing share."""
    return finding.kind, finding.zone, finding.sensor


def together(findings: Iterable[Finding]) -> list[Finding]:
    """Join what one analysis tells of one thing in several ways: same kind and place, spans that touch.

    Parameters
    ----------
    findings : iterable of Finding
        As one analysis tells them.

    Returns
    -------
    list of Finding
        In their order; of those that belong together one stays, with the words of all and the gravest severity.

    Examples
    --------
    >>> from analysis.results import Finding
    >>> now = pd.Timestamp("2026-05-01", tz="UTC")
    >>> by_ratio = Finding("leak", "a", None, now, now, "watch", None, None, "wet soil", (), "look")
    >>> by_flow = Finding("leak", "a", None, now, now, "act", None, None, "more flow", (), "look")
    >>> [(one.severity, one.evidence) for one in together([by_ratio, by_flow])]
    [('act', 'more flow. Also: wet soil')]
    """
    joined: list[Finding] = []
    for finding in findings:
        beside = next((i for i, other in enumerate(joined) if touch(other, finding)), None)
        if beside is None:
            joined.append(finding)
        else:
            joined[beside] = _with(joined[beside], finding)
    return joined


def touch(one: Finding, other: Finding) -> bool:
    """Return whether two findings are of the same kind and place, and their spans touch."""
    return place(one) == place(other) and one.start <= other.end and other.start <= one.end


def _with(first: Finding, other: Finding) -> Finding:
    """Return two tellings of one thing as one; numbers and words of the graver come first."""
    if SEVERITIES.index(other.severity) > SEVERITIES.index(first.severity):
        first, other = other, first
    more = other.evidence not in first.evidence
    return replace(
        first,
        start=min(first.start, other.start),
        end=max(first.end, other.end),
        evidence=f"{first.evidence.rstrip('.')}. Also: {other.evidence}" if more else first.evidence,
        likely_causes=tuple(dict.fromkeys((*first.likely_causes, *other.likely_causes))),
        advice=first.advice if other.advice in first.advice else f"{first.advice} {other.advice}",
    )


def order(finding: Finding) -> tuple[pd.Timestamp, str, str, str]:
    """Return what findings are sorted by."""
    return finding.start, finding.kind, finding.zone or "", finding.sensor or ""


def _of(runs: Iterable[Run], zone: str) -> list[Run]:
    """Return the runs of one zone."""
    return [run for run in runs if run.zone == zone]


def _follow(first: Finding, latest: Finding) -> Finding:
    """Return the latest finding of a chain, begun with the first."""
    gravest = max(first.severity, latest.severity, key=SEVERITIES.index)
    return replace(latest, start=first.start, severity=gravest)


def _told(finding: Finding, count: int) -> Finding:
    """Return a finding that says in how many runs it was found."""
    if count == 1:
        return finding
    since = f"{finding.start:%Y-%m-%d %H:%M} UTC"
    return replace(finding, evidence=f"{finding.evidence} (so in {count} runs in a row, since {since})")


def _one(one: Finding, two: Finding) -> Finding:
    """Return two findings as one."""
    worse = max(one, two, key=lambda f: (SEVERITIES.index(f.severity), abs(f.value or 0.0)))
    return replace(worse, start=min(one.start, two.start), end=max(one.end, two.end))
