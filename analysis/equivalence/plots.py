"""What each plot of a trial got in each run, and the mean over a treatment's plots and runs."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.dose.carried import DELIVERED
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN, rectangular
from ingest.installation_trial import area_of_plot, share_of_zone

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

    from analysis.results import Estimate, Run
    from ingest.installation import Installation

NUTRIENT, WATER = "nutrient dose per area", "water per area"
"""What a plot gets: grams, and litres, on a square metre of its ground."""

PIPES = "pipes as described"
"""Term of what stays in the pipes, as `analysis.dose.carried` names it."""

UNITS = {NUTRIENT: "g/m2", WATER: "L/m2"}
"""Their units."""

NO_STOCK = "no stock was seen to enter in this run"
"""Why a run has no dose where that is no fault of the meters."""

_OF_ZONE = {"nutrient dose": NUTRIENT, "water volume": WATER, DELIVERED: DELIVERED}


@dataclass(frozen=True, slots=True)
class PlotDose:
    """What one plot got in one run.

    Attributes
    ----------
    plot, treatment, zone : str
        The plot, what it is treated with, and the zone that waters it.
    run_start : pandas.Timestamp
        Start of the run. [UTC]
    quantity : str
        A key of `UNITS`.
    nutrient : str or None
        The element; None for water.
    value : float or None
        The dose; None where it is refused. [g/m2] or [L/m2]
    parts : mapping of str to float
        Relative standard uncertainty by term; the words of a term drawn anew in each run end in `EACH_RUN`. [-]
    reason : str or None
        Why there is no value.
    carried : bool
        True where stock stayed in the pipes or came out of them from an earlier run: then the dose is what the
        emitters gave off, and not what was injected.
    ways : int
        How many ways to the number contradict each other; the first one's stands. 1 where they agree.
    sensors : tuple of str
        What it rests on.
    """

    plot: str
    treatment: str
    zone: str
    run_start: pd.Timestamp
    quantity: str
    nutrient: str | None
    value: float | None
    parts: Mapping[str, float]
    reason: str | None
    carried: bool
    ways: int
    sensors: tuple[str, ...]

    def relative(self, *, random: bool) -> float:
        """Return the relative standard uncertainty of the random or of the shared terms alone. [-]"""
        return math.sqrt(sum(u * u for label, u in self.parts.items() if label.endswith(EACH_RUN) == random))

    def interval(self) -> tuple[float | None, float | None]:
        """Return the ends of the 95 % interval, symmetric in the logarithm. [as `value`]"""
        if self.value is None:
            return None, None
        half = COVERAGE_FACTOR * math.hypot(self.relative(random=True), self.relative(random=False))
        return self.value * math.exp(-half), self.value * math.exp(half)


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean over runs and plots.

    Attributes
    ----------
    value : float
        Each plot counts alike, and within it each run. [as the doses]
    shared_sd, random_sd : float
        Standard uncertainty from what all runs share, and from what is drawn anew in each. [as the doses]
    scatter : float or None
        Relative standard deviation from run to run; None with a single run. [-]
    runs : int
        Runs of zones that it rests on: plots of one zone do not count twice.
    """

    value: float
    shared_sd: float
    random_sd: float
    scatter: float | None
    runs: int

    def interval(self) -> tuple[float, float]:
        """Return the ends of the 95 % interval of the mean that these runs really had. [as `value`]"""
        half = COVERAGE_FACTOR * math.hypot(self.shared_sd, self.random_sd)
        return max(0.0, self.value - half), self.value + half


def plot_doses(
    installation: Installation, runs: Sequence[Run], estimates: Sequence[Estimate]
) -> tuple[PlotDose, ...]:
    """Return what every plot got in every run of its zone.

    Parameters
    ----------
    installation : Installation
        With treatments and plots.
    runs : sequence of Run
        What an analysis saw.
    estimates : sequence of Estimate
        What it estimated for them.

    Returns
    -------
    tuple of PlotDose
        By plot as in the file, then run, then water before the nutrients. A run without stock has a refused
        dose of each nutrient that the zone's stock states.

    Notes
    -----
    A plot gets its share of the zone's water and stock, by its ground or by the rated flow of its emitters. How
    well that is known is one more term, the same in all runs and not shared with other plots. Where stock stayed in
    the pipes or came out of them, the dose is what the emitters gave off, see `analysis.dose.carried`.

    References
    ----------
    Mass balance; limits as rectangular distributions, GUM (JCGM 100:2008) 4.3.7.
    """
    told: dict[tuple[object, ...], list[Estimate]] = defaultdict(list)
    for e in estimates:
        if e.quantity in _OF_ZONE and e.run_start is not None:
            told[e.zone, e.run_start, _OF_ZONE[e.quantity], e.nutrient].append(e)
    found: list[PlotDose] = []
    for name in installation.plot:
        zone = installation.plot[name].zone
        stock = installation.stock_of(zone)
        wanted: list[tuple[str, str | None]] = [(WATER, None)]
        wanted += [(NUTRIENT, element) for element in (stock.nutrients if stock else ())]
        for run in sorted((r for r in runs if r.zone == zone), key=lambda r: r.start):
            for quantity, nutrient in wanted:
                mine = told.get((zone, run.start, quantity, nutrient), [])
                moved = told.get((zone, run.start, DELIVERED, nutrient), []) if nutrient else []
                found.append(_dose(installation, name, run, (quantity, nutrient), mine, moved))
    return tuple(found)


def _dose(
    installation: Installation,
    name: str,
    run: Run,
    what: tuple[str, str | None],
    told: Sequence[Estimate],
    moved: Sequence[Estimate],
) -> PlotDose:
    """Return one plot's dose in one run from its zone's."""
    plot, zone = installation.plot[name], installation.zone[run.zone]
    alone = sum(other.zone == plot.zone for other in installation.plot.values()) == 1
    share, ground = share_of_zone(plot, zone, alone=alone), area_of_plot(plot, zone)
    value, parts, reason = _of_zone(told, run, nutrient=what[1])
    if moved and moved[0].value:
        value, parts, reason = moved[0].value, _with_pipes(moved[0], parts), None
    if value is not None:
        value = value * share / ground
        if share < 1.0:
            parts[f"share of the zone's water ({name})"] = rectangular(plot.share_accuracy)
    sensors = told[0].sensors if told else ()
    ways = max(1, sum(e.status == "ok" for e in told))
    return PlotDose(
        name, plot.treatment, run.zone, run.start, *what, value, parts, reason, bool(moved), ways, sensors
    )


def _of_zone(
    told: Sequence[Estimate], run: Run, *, nutrient: str | None
) -> tuple[float | None, dict[str, float], str | None]:
    """Return a zone's amount in one run, its relative terms, or why there is none."""
    if not told:
        return (
            None,
            {},
            NO_STOCK if nutrient and run.injection is None else "no meter is described that saw it",
        )
    first = told[0]
    if first.status == "refused" or first.value is None:
        return None, {}, first.reason
    if not first.low or not first.high or first.value <= 0.0:
        return None, {}, "its interval reaches zero"
    sd = math.log(first.high / first.low) / (2.0 * COVERAGE_FACTOR)
    budget = first.budget or {"not told": 1.0}
    return first.value, {label: sd * math.sqrt(share) for label, share in budget.items()}, None


def _with_pipes(delivered: Estimate, parts: Mapping[str, float]) -> dict[str, float]:
    """Return the relative terms of what the emitters gave off: those of the dose, and the pipes'. [-]"""
    value, high = delivered.value or 1.0, delivered.high or 0.0
    sd = (high - value) / (COVERAGE_FACTOR * value)
    of_delivered = {label: sd * math.sqrt(share) for label, share in delivered.budget.items()}
    return {**parts, PIPES: of_delivered.get(PIPES, sd)} if parts else of_delivered


def groups(doses: Sequence[PlotDose]) -> Iterator[tuple[str, str, str | None, list[PlotDose]]]:
    """Yield treatment, quantity, nutrient and the doses of each, in the order of the doses."""
    found: dict[tuple[str, str, str | None], list[PlotDose]] = {}
    for dose in doses:
        found.setdefault((dose.treatment, dose.quantity, dose.nutrient), []).append(dose)
    for (treatment, quantity, nutrient), rows in found.items():
        yield treatment, quantity, nutrient, rows


def weights(doses: Sequence[PlotDose]) -> list[float]:
    """Return each dose's weight in the mean: each plot alike, and within it each run. [-]"""
    count: dict[str, int] = defaultdict(int)
    for dose in doses:
        count[dose.plot] += 1
    return [1.0 / (len(count) * count[dose.plot]) for dose in doses]


def mean_dose(doses: Sequence[PlotDose]) -> Mean | None:
    """Return the mean of doses of one quantity, with what does not average away kept apart.

    Parameters
    ----------
    doses : sequence of PlotDose
        Of one or several plots; those without a value are passed over.

    Returns
    -------
    Mean or None
        None where no dose has a value.

    References
    ----------
    GUM (JCGM 100:2008) 5.2.2 and F.1.2.3: a shared error does not average away.

    Examples
    --------
    >>> import pandas as pd
    >>> at = [pd.Timestamp("2026-06-01", tz="UTC") + pd.Timedelta(days=n) for n in range(4)]
    >>> parts = {"meter gain (m)": 0.02, "noise, each run anew": 0.02}
    >>> mean = mean_dose([PlotDose("p", "t", "z", t, NUTRIENT, "N", 1.0, parts, None, False, 1, ()) for t in at])
    >>> mean.shared_sd, mean.random_sd
    (0.02, 0.01)
    """
    told = [dose for dose in doses if dose.value is not None]
    if not told:
        return None
    shared: dict[str, float] = defaultdict(float)
    random: dict[tuple[object, ...], float] = defaultdict(float)
    value = 0.0
    for dose, weight in zip(told, weights(told), strict=True):
        amount = weight * (dose.value or 0.0)
        value += amount
        for label, u in dose.parts.items():
            if label.endswith(EACH_RUN):
                random[label, dose.zone, dose.run_start] += amount * u
            else:
                shared[label] += amount * u
    sds = [math.sqrt(sum(u * u for u in part.values())) for part in (shared, random)]
    zones = by_zone(told)
    degrees = sum(len(logs) - 1 for logs in zones.values())
    squares = sum(float(((logs - logs.mean()) ** 2).sum()) for logs in zones.values())
    scatter = math.sqrt(squares / degrees) if degrees > 0 else None
    return Mean(value, sds[0], sds[1], scatter, sum(len(logs) for logs in zones.values()))


def by_zone(doses: Sequence[PlotDose]) -> dict[str, np.ndarray]:
    """Return the logarithms of the doses of each zone, one a run: its plots share the zone's runs."""
    first: dict[str, str] = {}
    for dose in doses:
        first.setdefault(dose.zone, dose.plot)
    return {
        zone: np.log([d.value for d in doses if d.zone == zone and d.plot == plot and d.value is not None])
        for zone, plot in first.items()
    }
