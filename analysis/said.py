"""What the steps say, sorted: of one stretch, so that it can be kept, and of everything together."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analysis import broken
from analysis.results import Estimate, Feature, Finding, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    import pandas as pd

    from analysis.view import PeriodView, RunView, SeasonView


@dataclass(frozen=True, slots=True)
class StretchSaid:
    """What the steps say of one stretch, with all that the season needs of it.

    Attributes
    ----------
    until : pandas.Timestamp
        Readings up to here were looked at. [UTC]
    runs : tuple of Run
        Runs that start in the stretch.
    estimates : tuple of Estimate
        Of those runs, run by run, then of the stretch.
    of_runs : tuple of (int, Finding)
        Findings of runs, each with the place of its run in `runs`, to be chained from run to run.
    passing : tuple of Finding
        Findings of the stretch, to be joined across midnight.
    features : tuple of Feature
        What is left for the season.
    """

    until: pd.Timestamp
    runs: tuple[Run, ...]
    estimates: tuple[Estimate, ...]
    of_runs: tuple[tuple[int, Finding], ...]
    passing: tuple[Finding, ...]
    features: tuple[Feature, ...]


@dataclass(slots=True)
class Heard:
    """What the steps have said so far; findings of runs with the place of their run."""

    runs: list[Run] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    of_runs: list[tuple[int, Finding]] = field(default_factory=list)
    features: list[Feature] = field(default_factory=list)

    def ask(
        self,
        step: Callable[..., Iterable[Estimate | Finding | Feature]],
        view: RunView | PeriodView | SeasonView,
        *more: Sequence[Estimate],
        run: Run | None = None,
    ) -> None:
        """Hear what one step says of a view; a step that breaks off is told of and takes nothing else with it."""
        try:
            said = tuple(step(view, *more))
        except broken.SURVIVED as error:
            said = (broken.not_judged(step, view, error),)
        self.hear(said, run=run)

    def hear(self, said: Iterable[Estimate | Finding | Feature], *, run: Run | None = None) -> None:
        """Sort what one step returned; an estimate of a run, the newest of `runs`, is placed in it."""
        for item in said:
            if isinstance(item, Estimate):
                placed = item if run is None or item.run_start is not None else item.of(run.zone, run.start)
                self.estimates.append(finite(placed))
            elif isinstance(item, Feature):
                self.features.append(item)
            elif run is None:
                self.findings.append(finite_finding(item))
            else:
                self.of_runs.append((len(self.runs) - 1, finite_finding(item)))


def together(until: pd.Timestamp, runs: Iterable[Heard], passing: Heard) -> StretchSaid:
    """Put together what was said of one stretch.

    Parameters
    ----------
    until : pandas.Timestamp
        Readings up to here were looked at. [UTC]
    runs : iterable of Heard
        What was said of each run that starts in it, by start.
    passing : Heard
        What was said of the stretch as a whole.
    """
    whole = Heard()
    for heard in (*runs, passing):
        first = len(whole.runs)
        whole.runs += heard.runs
        whole.estimates += heard.estimates
        whole.features += heard.features
        whole.of_runs += [(first + at, finding) for at, finding in heard.of_runs]
    return StretchSaid(
        until,
        tuple(whole.runs),
        tuple(whole.estimates),
        tuple(whole.of_runs),
        tuple(passing.findings),
        tuple(whole.features),
    )


def finite(estimate: Estimate) -> Estimate:
    """Return the estimate, refused where its number or its interval is no finite number."""
    numbers = (estimate.value, estimate.low, estimate.high)
    if estimate.status == "refused" or all(n is not None and math.isfinite(n) for n in numbers):
        return estimate
    reason = "the computation gave no finite number from these readings"
    return replace(estimate, value=None, low=None, high=None, status="refused", reason=reason)


def finite_finding(finding: Finding) -> Finding:
    """Return the finding, without its number where that is not finite."""
    if finding.value is None or math.isfinite(finding.value):
        return finding
    return replace(finding, value=None, unit=None)
