"""From what was said of every stretch to the results of a period: joined, judged over the season, in order."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from analysis import steps
from analysis.join import chained, joined, order
from analysis.pieces import followed_by
from analysis.results import Feature, Finding, Results, Run
from analysis.said import Heard
from analysis.view import SeasonView

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from analysis.results import Estimate
    from analysis.said import StretchSaid
    from analysis.service import Service
    from ingest.installation import Installation


def conclude(
    installation: Installation,
    start: pd.Timestamp,
    end: pd.Timestamp,
    parts: Iterable[StretchSaid],
    estimates: Sequence[Estimate],
    services: tuple[Service, ...] = (),
) -> Results:
    """Judge a whole period from what was said of its stretches.

    Parameters
    ----------
    installation : Installation
        The system.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]
    parts : iterable of StretchSaid
        In the order of time; gone through once, first.
    estimates : sequence of Estimate
        All of theirs, in their order; looked at after `parts`, so that it may be filled meanwhile.
    services : tuple of Service, optional
        What people wrote down that they did.

    Returns
    -------
    Results
        Of the period.
    """
    runs: list[Run] = []
    of_runs: list[tuple[Run, Finding]] = []
    passing: list[Finding] = []
    features: list[Feature] = []
    for part in parts:
        runs += part.runs
        of_runs += [(part.runs[at], finding) for at, finding in part.of_runs]
        passing += part.passing
        features += part.features
    findings = tuple(sorted([*chained(of_runs, runs), *joined(passing)], key=order))
    by_time = tuple(sorted(features, key=lambda feature: feature.at))
    season = SeasonView(installation, start, end, tuple(runs), estimates, findings, by_time, services)
    last = Heard(findings=list(findings))
    for step in steps.SEASON_STEPS:
        last.ask(step, season)
    return Results(
        installation.name,
        start,
        end,
        software(),
        season.runs,
        followed_by(estimates, last.estimates),
        tuple(sorted(last.findings, key=order)),
    )


def software() -> str:
    """Return the name and version of this software."""
    try:
        return f"tricklebook {version('tricklebook')}"
    except PackageNotFoundError:
        return "tricklebook (not installed)"
