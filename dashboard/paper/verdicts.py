"""Was the dose right: each target of a zone held against what the runs of a period got."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from analysis.dose.findings import DOSE_TOLERANCE
from analysis.injection.season import MEANS
from analysis.results import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.results import Estimate, Results, Run
    from ingest.installation import Installation

FEW = 0.05
"""Share of runs that may lie outside by chance while the dose is called right. [-] From 95 % intervals."""

Word = Literal["right", "mixed", "too low", "too high", "not sure", "not known"]


@dataclass(frozen=True, slots=True)
class Held:
    """One target of a zone against what it got.

    Attributes
    ----------
    what : str
        ``"ratio"`` or a nutrient.
    value, low, high : float or None
        Mean of the runs and its 95 % interval; None where no run told it. [volume fraction, or g/m2 a run]
    target, tolerance : float
        What is wanted [same], and the accepted deviation [share of it].
    told, fed : int
        Runs that told it, and runs with stock.
    reason : str
        Why the other runs did not; the reason given most often.
    off : int
        Runs whose own whole interval lies outside the tolerance: a mean may be right while they are not.
    """

    what: str
    value: float | None
    low: float | None
    high: float | None
    target: float
    tolerance: float
    told: int
    fed: int
    reason: str = ""
    off: int = 0

    @property
    def word(self) -> Word:
        """What the interval allows to be said."""
        if self.value is None or self.low is None or self.high is None:
            return "not known"
        least, most = self.target * (1.0 - self.tolerance), self.target * (1.0 + self.tolerance)
        if least <= self.low and self.high <= most:
            return "mixed" if self.off > FEW * self.told else "right"
        if self.high < least:
            return "too low"
        return "too high" if self.low > most else "not sure"


def runs_of(results: Results, zone: str) -> list[Run]:
    """Return a zone's runs."""
    return [run for run in results.runs if run.zone == zone]


def by_run(
    results: Results, zone: str, quantity: str, nutrient: str | None = None
) -> list[tuple[Run, Estimate]]:
    """Return a zone's runs that have an estimate of a quantity, with the first one of each, refused or not."""
    runs = {run.start: run for run in runs_of(results, zone)}
    firsts: dict[object, tuple[Run, Estimate]] = {}
    for e in results.estimates:
        if (e.quantity, e.zone, e.nutrient) == (quantity, zone, nutrient) and e.run_start in runs:
            firsts.setdefault(e.run_start, (runs[e.run_start], e))
    return list(firsts.values())


def of_period(results: Results, zone: str, quantity: str, nutrient: str | None = None) -> Estimate | None:
    """Return a zone's estimate over the longest time that one speaks for.

    Parameters
    ----------
    results : Results
        The analysis.
    zone, quantity, nutrient : str
        What is looked for.

    Returns
    -------
    Estimate or None
        Over the whole period, which one without a period of its own speaks for; of a period within one week that
        week's; of a single run the run's own. None where there is no number.
    """
    whole = Interval(results.start, results.end)
    mine = [
        e
        for e in results.estimates
        if (e.quantity, e.zone, e.nutrient, e.status) == (quantity, zone, nutrient, "ok")
    ]
    spans = [e for e in mine if e.run_start is None]
    if spans:
        return max(spans, key=lambda e: _length(e.period or whole))
    single = [e for _, e in by_run(results, zone, quantity, nutrient) if e.status == "ok"]
    return (
        single[0]
        if len(single) == 1
        and quantity in (*MEANS, "stock volume", "nutrient dose", "nutrient dose per area")
        else None
    )


def _length(period: Interval) -> pd.Timedelta:
    return period.end - period.start


def held(results: Results, zone: str, installation: Installation) -> list[Held]:
    """Return every target of a zone's dose against what it got.

    Parameters
    ----------
    results : Results
        The analysis of the period.
    zone : str
        The zone.
    installation : Installation
        Whose targets.

    Returns
    -------
    list of Held
        The ratio of a pump first, then the nutrients; empty where the zone has no injector or no target.

    References
    ----------
    `analysis.injection.season.pool` for the intervals of means and sums.
    """
    key = installation.injector_of(zone)
    if key is None:
        return []
    injector, found = installation.injector[key], []
    if injector.ratio is not None and injector.kind != "displacement tank":
        wanted = injector.ratio, injector.ratio_tolerance
        found.append(_held(results, zone, "injection fraction", None, wanted))
    target = installation.zone[zone].target
    for nutrient, grams in (target.nutrients if target is not None else {}).items():
        if grams > 0:
            wanted = grams, DOSE_TOLERANCE
            found.append(_held(results, zone, "nutrient dose per area", nutrient, wanted))
    return found


def _held(
    results: Results, zone: str, quantity: str, nutrient: str | None, wanted: tuple[float, float]
) -> Held:
    """Return one target against the mean of the runs that told it."""
    fed = {run.start for run in runs_of(results, zone) if run.injection is not None}
    estimates = [e for _, e in by_run(results, zone, quantity, nutrient)]
    told = sum(e.status == "ok" for e in estimates)
    reasons = Counter(e.reason for e in estimates if e.status == "refused" and e.reason)
    reason = reasons.most_common(1)[0][0] if reasons else ""
    whole = of_period(results, zone, quantity, nutrient)
    ends = (None, None, None) if whole is None else (whole.value, whole.low, whole.high)
    share = 1.0 if quantity in MEANS else 1.0 / max(told, 1)
    value, low, high = (None if end is None else end * share for end in ends)
    least, most = wanted[0] * (1.0 - wanted[1]), wanted[0] * (1.0 + wanted[1])
    off = sum(
        e.status == "ok" and e.high is not None and e.low is not None and (e.high < least or e.low > most)
        for e in estimates
    )
    return Held(nutrient or "ratio", value, low, high, *wanted, told, len(fed), reason, off)


def verdict(found: Sequence[Held]) -> Word:
    """Return what can be said of a zone's dose: the worst of its targets.

    Examples
    --------
    >>> verdict([Held("ratio", 0.0088, 0.0087, 0.0089, 0.01, 0.05, 3, 3)])
    'too low'
    """
    words = [one.word for one in found]
    order: tuple[Word, ...] = ("too low", "too high", "not sure", "mixed", "not known", "right")
    return next((word for word in order if word in words), "not known")
