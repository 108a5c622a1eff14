"""A backflow finding stays until a person closes it: the file of open ones, and what closes them."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.ledger import append, rows
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from analysis.service import Service

LATCH_FILE = "backflow.jsonl"
"""Name of the file of backflow findings in the archive's folder."""

CLEARED = "backflow cleared"
"""Kind of the service entry that closes."""

OPEN = "not closed by a person yet"


def latched(
    findings: Iterable[Finding],
    earlier: Iterable[Finding],
    services: Sequence[Service],
    *,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> tuple[Finding, ...]:
    """Return findings with open backflow carried on to the period's end.

    Parameters
    ----------
    findings : iterable of Finding
        Of this analysis.
    earlier : iterable of Finding
        Backflow findings that earlier analyses kept.
    services : sequence of Service
        What people did; `CLEARED` entries, with a note, close what began before them.
    start, end : pandas.Timestamp
        The period of this analysis. [UTC]

    Returns
    -------
    tuple of Finding
        By start, kind, zone and sensor. Open ones end with the period and say so; closed ones end as they were
        and name who closed them; what was closed before the period began is left out.
    """
    own = list(findings)
    mine = {_key(f) for f in own}
    old = [f for f in earlier if _key(f) not in mine and f.start < end]
    out = [f for f in own if not _holds(f)]
    for finding in [*(f for f in own if _holds(f)), *old]:
        closed = next((s for s in services if closes(s, finding)), None)
        if closed is None:
            told = f"{finding.evidence}; {OPEN}"
            out.append(replace(finding, end=max(end, finding.end), evidence=told))
        elif closed.time >= start:
            told = f"{finding.evidence}; closed by {closed.person} on {closed.time:%Y-%m-%d}: {closed.note}"
            out.append(replace(finding, evidence=told))
    return tuple(sorted(out, key=lambda f: (f.start, f.kind, f.zone or "", f.sensor or "")))


def _holds(finding: Finding) -> bool:
    """Return whether a finding stays until a person closes it."""
    return finding.kind == "backflow"


def closes(service: Service, finding: Finding) -> bool:
    """Return whether a service entry, with its note, closes a backflow finding that began before it."""
    right = service.kind == CLEARED and bool(service.note.strip())
    return right and service.time >= finding.start and service.zone in (None, finding.zone)


def _key(finding: Finding) -> tuple[str, str, str, str]:
    return finding.kind, finding.zone or "", finding.sensor or "", finding.start.isoformat()


def remember(archive: Path, findings: Iterable[Finding]) -> None:
    """Write backflow findings that are new into the archive's file.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    findings : iterable of Finding
        Of an analysis, before `latched`.
    """
    known = {_key(f) for f in kept(archive)}
    for finding in findings:
        if _holds(finding) and _key(finding) not in known:
            row = asdict(finding)
            row["start"], row["end"] = finding.start.isoformat(), finding.end.isoformat()
            append(archive / LATCH_FILE, row)


def kept(archive: Path) -> tuple[Finding, ...]:
    """Return the backflow findings that earlier analyses wrote.

    Parameters
    ----------
    archive : Path
        The archive's folder.

    Returns
    -------
    tuple of Finding
        Each once.
    """
    found: dict[tuple[str, str, str, str], Finding] = {}
    for row in rows(archive / LATCH_FILE):
        finding = _read(row)
        found.setdefault(_key(finding), finding)
    return tuple(found.values())


def _read(row: dict[str, Any]) -> Finding:
    values = dict(row)
    values["start"], values["end"] = pd.Timestamp(row["start"]), pd.Timestamp(row["end"])
    values["likely_causes"] = tuple(row["likely_causes"])
    return Finding(**values)
