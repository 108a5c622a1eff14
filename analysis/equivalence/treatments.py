"""Whether a trial's treatments got what they should: each against its target, and against one that should be alike."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.equivalence.comparison import TARGET, Comparison, Plan, tested
from analysis.equivalence.plots import NUTRIENT, WATER, by_zone, groups, weights
from analysis.uncertainty import EACH_RUN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.equivalence.plots import PlotDose
    from ingest.installation import Installation

LEAST_RUNS = 2
"""Runs with a dose that each zone needs: scatter takes two."""


@dataclass(frozen=True, slots=True)
class _Side:
    """The logarithm of a mean dose.

    Attributes
    ----------
    mean : float
        The mean of the logarithms.
    own : tuple of (float, int)
        Each zone's part of the variance of the mean, and its degrees of freedom.
    single : float
        Standard deviation that one more run of every zone brings. [-]
    shared : dict of str to float
        Relative contributions that all runs share, by term. [-]
    runs, least, left_out : int
        Runs in all, runs of the zone with the fewest, runs without a dose.
    sensors : frozenset of str
        What it rests on.
    """

    mean: float
    own: tuple[tuple[float, int], ...]
    single: float
    shared: dict[str, float]
    runs: int
    least: int
    left_out: int
    sensors: frozenset[str]


def compare(
    installation: Installation, doses: Sequence[PlotDose], *, margin: float | None = None
) -> tuple[Comparison, ...]:
    """Hold every treatment of a trial against its target, and against the treatment that should be the same.

    Parameters
    ----------
    installation : Installation
        With treatments, targets, margins and plots.
    doses : sequence of PlotDose
        From `analysis.equivalence.plots.plot_doses`.
    margin : float, optional
        Takes the place of every treatment's own margin. [-]

    Returns
    -------
    tuple of Comparison
        For each treatment and target: the mean of its plots, then each plot where there is more than one; then
        the treatment that it names as alike, for water and for each nutrient that both have.

    Notes
    -----
    The question is whether these plots got the dose, not whether all plots that could have been laid out would:
    plots are not drawn from a population. A run of a zone counts once, however many plots it waters. Terms
    that all runs share stand in the standard error against a target. Between two treatments they cancel where
    both rest on the same sensors; else they are added up, the worst that their signs can do.

    References
    ----------
    Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657, doi:10.1007/BF01068419; degrees of freedom: GUM (JCGM
    100:2008) eq. G.2b.
    """
    told = {(t, quantity, nutrient): rows for t, quantity, nutrient, rows in groups(doses)}
    found: list[Comparison] = []
    for name, treatment in installation.treatment.items():
        bound = treatment.margin if margin is None else margin
        wanted: dict[tuple[str, str | None], float] = {
            (NUTRIENT, element): dose for element, dose in treatment.target.nutrients.items()
        }
        if treatment.target.water is not None:
            wanted[WATER, None] = treatment.target.water
        for (quantity, nutrient), target in wanted.items():
            rows = told.get((name, quantity, nutrient), [])
            asked = Comparison(name, TARGET, None, quantity, nutrient, bound, "refused", "")
            found.append(_against_target(asked, rows, target))
            plots = list(dict.fromkeys(row.plot for row in rows))
            for plot in plots if len(plots) > 1 else ():
                own = [row for row in rows if row.plot == plot]
                found.append(_against_target(replace(asked, plot=plot), own, target))
        for (t, quantity, nutrient), rows in told.items():
            others = told.get((treatment.same_as or "", quantity, nutrient), [])
            seen = quantity == NUTRIENT or any(row.value is not None for row in rows)
            if t == name and others and seen:
                other = treatment.same_as or ""
                asked = Comparison(name, other, None, quantity, nutrient, bound, "refused", "")
                found.append(_against_other(asked, rows, others))
    return tuple(found)


def _against_target(asked: Comparison, rows: Sequence[PlotDose], target: float) -> Comparison:
    """Return a comparison with a target."""
    side = _side(rows)
    if isinstance(side, str):
        return replace(asked, words=side, left_out=sum(row.value is None for row in rows))
    asked = replace(asked, runs=side.runs, left_out=side.left_out)
    if target <= 0.0:
        return replace(asked, words="its target is zero, and no ratio to zero can be tested")
    shared = math.sqrt(sum(u * u for u in side.shared.values()))
    return tested(asked, side.mean - math.log(target), side.own, shared, Plan(side.single, side.least, 1))


def _against_other(asked: Comparison, rows: Sequence[PlotDose], others: Sequence[PlotDose]) -> Comparison:
    """Return a comparison with another treatment."""
    side, other = _side(rows), _side(others)
    if isinstance(side, str) or isinstance(other, str):
        words = side if isinstance(side, str) else f"treatment {asked.against}: {other}"
        return replace(asked, words=words, left_out=sum(row.value is None for row in [*rows, *others]))
    asked = replace(asked, runs=side.runs, left_out=side.left_out + other.left_out)
    single = math.sqrt(0.5 * (side.single**2 + other.single**2))
    plan = Plan(single, min(side.least, other.least), 2)
    return tested(asked, side.mean - other.mean, side.own + other.own, _unshared(side, other), plan)


def _unshared(side: _Side, other: _Side) -> float:
    """Return what of the shared terms does not cancel between two treatments. [-]"""
    same = side.sensors == other.sensors
    square = 0.0
    for label in {**side.shared, **other.shared}:
        one, two = side.shared.get(label, 0.0), other.shared.get(label, 0.0)
        square += (one - two) ** 2 if same else (one + two) ** 2
    return math.sqrt(square)


def _side(rows: Sequence[PlotDose]) -> _Side | str:
    """Return the mean of the logarithms of some doses with its uncertainty, or why there is none."""
    told = [row for row in rows if row.value is not None]
    if not told:
        reasons = list(dict.fromkeys(row.reason for row in rows if row.reason))
        return f"no run has a dose: {'; '.join(reasons[:2]) or 'the stock of its zones does not state it'}"
    zones = by_zone(told)
    few = {zone: len(logs) for zone, logs in zones.items() if len(logs) < LEAST_RUNS}
    if few:
        return "; ".join(
            f"zone {zone} has {n} run with a dose, and its scatter takes two" for zone, n in few.items()
        )
    of_zone: dict[str, float] = defaultdict(float)
    mean = 0.0
    shared: dict[str, float] = defaultdict(float)
    for row, weight in zip(told, weights(told), strict=True):
        of_zone[row.zone] += weight
        mean += weight * math.log(row.value or 1.0)
        for label, u in row.parts.items():
            if not label.endswith(EACH_RUN):
                shared[label] += weight * u
    parts = {zone: of_zone[zone] ** 2 * float(logs.var(ddof=1)) for zone, logs in zones.items()}
    runs = {(row.zone, row.run_start) for row in rows}
    return _Side(
        mean,
        tuple((parts[zone] / len(logs), len(logs) - 1) for zone, logs in zones.items()),
        math.sqrt(sum(parts.values())),
        dict(shared),
        sum(len(logs) for logs in zones.values()),
        min(len(logs) for logs in zones.values()),
        len(runs) - sum(len(logs) for logs in zones.values()),
        frozenset(name for row in told for name in row.sensors),
    )
