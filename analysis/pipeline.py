"""The analysis as a pure function: readings in, runs, estimates and findings out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis import steps
from analysis.prepare import Prepared, prepare
from analysis.runs.slices import all_between, place
from analysis.runs.windows import LEAD, LONGEST_RUN, TAIL, VIEW_LEAD, VIEW_TAIL, Stretch, walk
from analysis.said import Heard, StretchSaid, together
from analysis.samples import is_spot
from analysis.season import conclude
from analysis.view import PeriodView, RunView

if TYPE_CHECKING:
    from analysis.results import Results, Run
    from analysis.service import Service
    from ingest.installation import Installation

Reader = Callable[[pd.Timestamp, pd.Timestamp], pd.DataFrame]
"""Returns the readings from one instant to another, the second excluded: what an archive or a frame can."""

Watcher = Callable[[float], None]
"""Is told the share of the period that is done. [0..1]"""


def analyse(
    installation: Installation, readings: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp
) -> Results:
    """Analyse the readings of one period.

    Parameters
    ----------
    installation : Installation
        The system.
    readings : pandas.DataFrame
        Columns ``time`` (UTC), ``sensor``, ``value`` (stored unit), ``quality`` and, where it is known,
        ``received`` (UTC), any order. Readings
        from an hour before `start` on are used to find what was going on at `start`.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]

    Returns
    -------
    Results
        Runs that start in the period, estimates, findings; the same input gives the same output.

    Raises
    ------
    ValueError
        If an end of the period has no time zone, or `end` is before `start`.
    """
    frame = readings.sort_values("time", kind="stable")
    times = pd.DatetimeIndex(frame["time"]).as_unit("us")

    def read(since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
        return frame.iloc[place(times, since) : place(times, until)]

    return analyse_stretches(installation, read, start, end)


def analyse_stretches(
    installation: Installation,
    read: Reader,
    start: pd.Timestamp,
    end: pd.Timestamp,
    *,
    watch: Watcher | None = None,
    services: tuple[Service, ...] = (),
) -> Results:
    """Analyse a period of any length, stretch by stretch, holding one stretch of readings at a time.

    Parameters
    ----------
    installation : Installation
        The system.
    read : Reader
        Returns the readings between two instants.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]
    watch : Watcher, optional
        Is told the share that is done after every stretch.
    services : tuple of Service, optional
        What people wrote down that they did.

    Returns
    -------
    Results
        As `analyse` on all readings at once.
    """
    parts = []
    for stretch in walk(start, end):
        parts.append(look(installation, read, stretch, end))
        if watch is not None:
            watch((stretch.end - start) / (end - start))
    estimates = tuple(e for part in parts for e in part.estimates)
    return conclude(installation, start, end, parts, estimates, services)


@dataclass(frozen=True, slots=True)
class Opened:
    """One stretch made ready: each of its runs can be looked at anywhere, by itself.

    Attributes
    ----------
    until : pandas.Timestamp
        Readings up to here were looked at. [UTC]
    views : tuple of RunView
        Runs that start in the stretch, with the readings around them.
    passing : Heard
        What the steps over the whole stretch say.
    """

    until: pd.Timestamp
    views: tuple[RunView, ...]
    passing: Heard


def look(installation: Installation, read: Reader, stretch: Stretch, end: pd.Timestamp) -> StretchSaid:
    """Run every step on one stretch.

    Parameters
    ----------
    installation : Installation
        The system.
    read : Reader
        Returns the readings between two instants.
    stretch : Stretch
        The stretch.
    end : pandas.Timestamp
        End of the whole period: no reading after it is looked at. [UTC]

    Returns
    -------
    StretchSaid
        What they say; it depends on nothing but the installation and the readings from an hour before the
        stretch to its `until`.
    """
    opened = open_stretch(installation, read, stretch, end)
    return together(opened.until, [look_at_run(view) for view in opened.views], opened.passing)


def open_stretch(installation: Installation, read: Reader, stretch: Stretch, end: pd.Timestamp) -> Opened:
    """Make one stretch ready, and run the steps over all of it. Parameters as for `look`."""
    ready, until = _ready(installation, read, stretch, end)
    period = PeriodView(
        installation,
        stretch.start,
        stretch.end,
        all_between(ready.series, stretch.start, stretch.end, last="out"),
        all_between(ready.flags, stretch.start, stretch.end, last="out"),
        tuple(run for run in ready.runs if run.end > stretch.start and run.start < stretch.end),
        all_between(ready.delays, stretch.start, stretch.end, last="out"),
        all_between(ready.bad, stretch.start, stretch.end, last="out"),
    )
    passing = Heard()
    for step in steps.PERIOD_STEPS:
        passing.ask(step, period)
    mine = [run for run in ready.runs if stretch.start <= run.start < stretch.end]
    return Opened(until, tuple(run_view(installation, ready, run) for run in mine), passing)


def look_at_run(view: RunView) -> Heard:
    """Run every step on one run; what they say depends on nothing but what is seen of it."""
    heard = Heard(runs=[view.run])
    for step in steps.RUN_STEPS:
        heard.ask(step, view, run=view.run)
    mine = tuple(heard.estimates)
    for judge in steps.RUN_JUDGES:
        heard.ask(judge, view, mine, run=view.run)
    return heard


def _ready(
    installation: Installation, read: Reader, stretch: Stretch, end: pd.Timestamp
) -> tuple[Prepared, pd.Timestamp]:
    """Return the stretch's readings made ready, read on while its last run goes on, and up to where."""
    until = stretch.read_to
    while True:
        ready = prepare(installation, read(stretch.read_from, until))
        going = [r for r in ready.runs if r.start < stretch.end and r.end > until - VIEW_TAIL]
        if not going or until >= end or until >= stretch.end + LONGEST_RUN:
            return ready, until
        until = min(until + TAIL, end)


def run_view(installation: Installation, ready: Prepared, run: Run) -> RunView:
    """Return what the estimators of one run get to see of a stretch that holds it."""
    return RunView(installation, run, _around(ready, run, installation), _beside(ready, run))


def _around(ready: Prepared, run: Run, installation: Installation) -> dict[str, pd.Series]:
    """Return the readings that the estimators of one run see."""
    following = [r.start for r in ready.runs if r.start >= run.end]
    until = min([run.end + VIEW_TAIL, *following])
    found = all_between(ready.series, run.start - VIEW_LEAD, until, last="out")
    since = max([run.start - LEAD, *(r.end for r in ready.runs if r.end <= run.start)])
    spots = {n: s for n, s in ready.series.items() if is_spot(installation.sensor[n])}
    return found | all_between(spots, since, until, last="out")


def _beside(ready: Prepared, run: Run) -> tuple[Run, ...]:
    """Return the runs of other zones that overlap a run."""
    return tuple(r for r in ready.runs if r.zone != run.zone and r.start < run.end and r.end > run.start)
