"""Findings about the watching itself: the ingester has stopped, or the analysis has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.results import Finding
from dashboard.texts import say
from ingest.status import read_all

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from dashboard.snapshot import Snapshot

INGEST, ANALYSIS = "ingest stopped", "analysis stopped"
"""Kinds of these findings."""

INGEST_SILENT = pd.Timedelta(minutes=2)
"""Age of the ingester's newest sign of life after which it counts as stopped; it gives one every two seconds, and a
restart takes less than a minute. No source."""

ANALYSIS_SILENT = pd.Timedelta(minutes=15)
"""Age of the newest results after which the analysis counts as stopped, where it is called oftener. No source."""


TIMES_AS_LONG = 10
"""A system so large that its analysis takes long may be silent for so many times as long; it rests four times as long
as it works. No source. [-]"""


@dataclass(frozen=True, slots=True)
class Receivers:
    """What the ingester's receivers say of themselves.

    Attributes
    ----------
    alive : pandas.Timestamp or None
        Newest sign of life of one that receives [UTC]; None where none has ever run here.
    problem : str
        What the newest one complained of.
    """

    alive: pd.Timestamp | None
    problem: str = ""


def receivers_of(statuses: Mapping[str, Mapping[str, Any]]) -> Receivers:
    """Return what the status files of all receivers say together.

    A receiver that runs and cannot receive counts from its last acknowledgement on.

    Parameters
    ----------
    statuses : mapping of str to mapping
        Writer to status, as `ingest.status.read_all`.

    Returns
    -------
    Receivers
        The best of them: where several share the work, one that receives is enough.

    Examples
    --------
    >>> receivers_of({}).alive is None
    True
    """
    if not statuses:
        return Receivers(None)
    best = max(statuses.values(), key=_alive_s)
    return Receivers(pd.Timestamp(_alive_s(best), unit="s", tz="UTC"), str(best.get("problem") or ""))


def _alive_s(status: Mapping[str, Any]) -> float:
    """Return when a receiver last did its work. [s since 1970]"""
    if status.get("state") == "receiving":
        return float(status["time"])
    return float(status.get("last_ack_us") or 0) / 1e6


def ingest_finding(receivers: Receivers, began: pd.Timestamp, now: pd.Timestamp) -> Finding | None:
    """Return the finding that the ingester has stopped; None while it runs or has never run here.

    Parameters
    ----------
    receivers : Receivers
        As `receivers_of`.
    began : pandas.Timestamp
        Earliest start of the finding, for an ingester that has never received anything. [UTC]
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    Finding or None
        It begins with the last sign of life.
    """
    if receivers.alive is None or now - max(receivers.alive, began) < INGEST_SILENT:
        return None
    since = max(receivers.alive, began)
    problem = f": {receivers.problem}" if receivers.problem else ""
    return _finding(INGEST, since, now, say("own.ingest_evidence", problem=problem), "ingest")


def analysis_finding(snapshot: Snapshot, began: pd.Timestamp, now: pd.Timestamp) -> Finding | None:
    """Return the finding that the analysis has stopped; None while it is fresh.

    Parameters
    ----------
    snapshot : Snapshot
        What is known: when the last results came, and why no newer ones did.
    began : pandas.Timestamp
        When this program began, for an analysis that has never ended. [UTC]
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    Finding or None
        It begins with the last results.
    """
    since, allowed = snapshot.computed or began, ANALYSIS_SILENT
    if snapshot.computed is not None and snapshot.results is not None:
        allowed = max(allowed, TIMES_AS_LONG * (snapshot.computed - snapshot.results.end))
    if now - since < allowed:
        return None
    problem = f": {snapshot.problems['analyse']}" if "analyse" in snapshot.problems else ""
    return _finding(ANALYSIS, since, now, say("own.analysis_evidence", problem=problem), "analysis")


def ingest_watcher(
    archive: Path, site: str, began: pd.Timestamp
) -> Callable[[pd.Timestamp], tuple[Finding, ...]]:
    """Return what a watch asks for findings about the ingester: it reads what its receivers say of themselves.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    began : pandas.Timestamp
        As `ingest_finding`. [UTC]

    Returns
    -------
    callable
        From the present [UTC] to findings, none where all is well.
    """

    def ask(now: pd.Timestamp) -> tuple[Finding, ...]:
        found = ingest_finding(receivers_of(read_all(archive, site)[1]), began, now)
        return () if found is None else (found,)

    return ask


def _finding(kind: str, since: pd.Timestamp, now: pd.Timestamp, evidence: str, name: str) -> Finding:
    return Finding(
        kind=kind,
        zone=None,
        sensor=None,
        start=since,
        end=now,
        severity="act",
        value=(now - since).total_seconds(),
        unit="s",
        evidence=evidence,
        likely_causes=tuple(
            (say("own.ingest_causes") if name == "ingest" else say("own.analysis_causes")).split("|")
        ),
        advice=say("own.ingest_advice") if name == "ingest" else say("own.analysis_advice"),
    )
