"""Two look-backs in one analysis: the season for what needs it, the last days for runs and what was found lately."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from analysis.results import Results
    from analysis.service import Service
    from dashboard.feed import Feed

RUN_DAYS = 7.0
"""Runs, and findings that are over, are shown for so long. [d] No source."""

SEASON_DAYS = 120.0
"""Losses, forecasts, what a service gained and faults that grow look back so far at most: a season. [d] Chosen by
what it costs, see ``docs/scale.md``."""


def season_start(
    services: Iterable[Service], now: pd.Timestamp, *, days: float, season: float
) -> pd.Timestamp:
    """Return from when on the season is looked at.

    Parameters
    ----------
    services : iterable of Service
        The service log, in any order.
    now : pandas.Timestamp
        The present. [UTC]
    days : float
        How long runs are shown: the season is no shorter. [d]
    season : float
        How long the season is at most. [d]

    Returns
    -------
    pandas.Timestamp
        When the whole system was last set up anew, within these bounds, at midnight: a day that is looked at as a
        whole is worked out once. [UTC]

    Examples
    --------
    >>> import pandas as pd
    >>> now = pd.Timestamp("2026-08-30 12:00", tz="UTC")
    >>> season_start((), now, days=7, season=120).isoformat()
    '2026-05-02T00:00:00+00:00'
    """
    begun = [s.time for s in services if s.kind == "commissioned" and s.zone is None and s.time <= now]
    longest, shortest = now - timedelta(days=season), now - timedelta(days=days)
    return min(max([longest, *begun]), shortest).floor("D")


def of_late(
    feed: Feed, services: Iterable[Service], now: pd.Timestamp, *, days: float, season: float
) -> Results:
    """Return what the analysis says now: of the season, with the runs of the last days.

    Parameters
    ----------
    feed : Feed
        Where results come from.
    services, now, days, season
        As for `season_start`.

    Returns
    -------
    Results
        See `lately`.
    """
    start = season_start(services, now, days=days, season=season)
    return lately(feed.analyse(start, now), now - timedelta(days=days))


def lately(results: Results, since: pd.Timestamp) -> Results:
    """Return the results of a season with its runs of the last days alone.

    Parameters
    ----------
    results : Results
        Of the season.
    since : pandas.Timestamp
        When the last days begin. [UTC]

    Returns
    -------
    Results
        Of the same period; without runs that began sooner, their estimates, and what was over sooner.
    """
    return replace(
        results,
        runs=tuple(run for run in results.runs if run.start >= since),
        estimates=tuple(
            e
            for e in results.estimates
            if (e.run_start is None and (e.period is None or e.period.end > since))
            or (e.run_start is not None and e.run_start >= since)
        ),
        findings=tuple(f for f in results.findings if f.end >= since),
    )
