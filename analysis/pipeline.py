"""The analysis as a pure function: readings in, runs, estimates and findings out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

import pandas as pd

from analysis import steps
from analysis.join import chained, joined, order
from analysis.prepare import Prepared, prepare
from analysis.results import Estimate, Feature, Finding, Results, Run
from analysis.runs.slices import all_between, place
from analysis.runs.windows import LEAD, LONGEST_RUN, TAIL, VIEW_LEAD, VIEW_TAIL, Stretch, walk
from analysis.samples import is_spot
from analysis.view import PeriodView, RunView, SeasonView

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.service import Service
    from ingest.installation import Installation

Reader = Callable[[pd.Timestamp, pd.Timestamp], pd.DataFrame]
"""Returns the readings from one instant to another, the second excluded: what an archive or a frame can."""

Watcher = Callable[[float], None]
"""Is told the share of the period that is done. [0..1]"""


@dataclass(slots=True)
class _Said:
    """What the steps have said so far.

    Findings of runs are kept with their run, to be chained from run to run; findings of stretches in
    `passing`, to be joined across midnight; `findings` are ready.
    """

    runs: list[Run] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    of_runs: list[tuple[Run, Finding]] = field(default_factory=list)
    passing: list[Finding] = field(default_factory=list)
    features: list[Feature] = field(default_factory=list)

    def hear(self, said: Iterable[Estimate | Finding | Feature], *, run: Run | None = None) -> None:
        """Sort what one step returned; an estimate of a run is placed in its zone and run."""
        for item in said:
            if isinstance(item, Estimate):
                placed = item if run is None or item.run_start is not None else item.of(run.zone, run.start)
                self.estimates.append(_finite(placed))
            elif isinstance(item, Feature):
                self.features.append(item)
            elif run is None:
                self.findings.append(_finite_finding(item))
            else:
                self.of_runs.append((run, _finite_finding(item)))


def analyse(
    installation: Installation, readings: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp
) -> Results:
    """Analyse the readings of one period.

    Parameters
    ----------
    installation : Installation
        The system.
    readings : pandas.DataFrame
        Columns ``time`` (UTC), ``sensor``, ``value`` (stored unit), ``quality``, any order. Readings
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
    said = _Said()
    for stretch in walk(start, end):
        _analyse_stretch(installation, read, stretch, end, said)
        if watch is not None:
            watch((stretch.end - start) / (end - start))
    findings = tuple(sorted([*chained(said.of_runs, said.runs), *joined(said.passing)], key=order))
    season = SeasonView(
        installation,
        start,
        end,
        tuple(said.runs),
        tuple(said.estimates),
        findings,
        tuple(sorted(said.features, key=lambda f: f.at)),
        services,
    )
    last = _Said(findings=list(findings), estimates=said.estimates)
    for season_step in steps.SEASON_STEPS:
        last.hear(season_step(season))
    return Results(
        installation.name,
        start,
        end,
        software(),
        tuple(said.runs),
        tuple(last.estimates),
        tuple(sorted(last.findings, key=order)),
    )


def software() -> str:
    """Return the name and version of this software."""
    try:
        return f"tricklebook {version('tricklebook')}"
    except PackageNotFoundError:
        return "tricklebook (not installed)"


def _analyse_stretch(
    installation: Installation, read: Reader, stretch: Stretch, end: pd.Timestamp, said: _Said
) -> None:
    """Run every step on one stretch."""
    ready = _ready(installation, read, stretch, end)
    for run in ready.runs:
        if not stretch.start <= run.start < stretch.end:
            continue
        said.runs.append(run)
        view = run_view(installation, ready, run)
        before = len(said.estimates)
        for run_step in steps.RUN_STEPS:
            said.hear(run_step(view), run=run)
        mine = tuple(said.estimates[before:])
        for judge in steps.RUN_JUDGES:
            said.hear(judge(view, mine), run=run)
    period = PeriodView(
        installation,
        stretch.start,
        stretch.end,
        all_between(ready.series, stretch.start, stretch.end, last="out"),
        all_between(ready.flags, stretch.start, stretch.end, last="out"),
        tuple(run for run in ready.runs if run.end > stretch.start and run.start < stretch.end),
    )
    own = _Said(estimates=said.estimates, features=said.features, findings=said.passing)
    for period_step in steps.PERIOD_STEPS:
        own.hear(period_step(period))


def _ready(installation: Installation, read: Reader, stretch: Stretch, end: pd.Timestamp) -> Prepared:
    """Return the stretch's readings made ready, read on while its last run goes on."""
    until = stretch.read_to
    while True:
        ready = prepare(installation, read(stretch.read_from, until))
        going = [r for r in ready.runs if r.start < stretch.end and r.end > until - VIEW_TAIL]
        if not going or until >= end or until >= stretch.end + LONGEST_RUN:
            return ready
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


def _finite(estimate: Estimate) -> Estimate:
    """Return the estimate, refused where its number or its interval is no finite number."""
    numbers = (estimate.value, estimate.low, estimate.high)
    if estimate.status == "refused" or all(n is not None and math.isfinite(n) for n in numbers):
        return estimate
    reason = "the computation gave no finite number from these readings"
    return replace(estimate, value=None, low=None, high=None, status="refused", reason=reason)


def _finite_finding(finding: Finding) -> Finding:
    """Return the finding, without its number where that is not finite."""
    if finding.value is None or math.isfinite(finding.value):
        return finding
    return replace(finding, value=None, unit=None)
