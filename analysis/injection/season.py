"""The injection fraction and the dose of a zone over weeks and over the whole period."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis.results import ESTIMATE_UNITS, Estimate, Interval
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.view import SeasonView

LEAST_RUNS = 2
"""Runs that a mean over runs needs."""

MEANS, SUMS = ("injection fraction",), ("stock volume", "nutrient dose", "nutrient dose per area")
"""Quantities that are averaged over runs, and those that are summed."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """Several runs' values as one.

    Attributes
    ----------
    value, sd : float
        Mean or sum and its standard uncertainty.
    budget : dict of str to float
        Share of the variance by term. [-]
    """

    value: float
    sd: float
    budget: dict[str, float]


def pool(estimates: Sequence[Estimate], weights: Sequence[float]) -> Pooled:
    """Add up estimates of several runs with weights, systematic terms in step, random terms by their squares.

    Parameters
    ----------
    estimates : sequence of Estimate
        With value, interval and budget.
    weights : sequence of float
        One for each.

    Returns
    -------
    Pooled
        The weighted sum.

    Notes
    -----
    A term of the budget that is not marked as each run's own is taken to be the same error in every run. An
    estimate without a budget counts as systematic.

    References
    ----------
    GUM (JCGM 100:2008) F.1.2.3: a shared error does not average away.

    Examples
    --------
    >>> one = Estimate("stock volume", "z", None, 10.0, "L", 9.8, 10.2, "m", (), budget={"gain": 1.0})
    >>> round(pool([one, one], [1.0, 1.0]).sd, 3)
    0.204
    """
    common: dict[str, float] = defaultdict(float)
    own: dict[str, float] = defaultdict(float)
    total = 0.0
    for estimate, weight in zip(estimates, weights, strict=True):
        total += weight * (estimate.value or 0.0)
        sd = ((estimate.high or 0.0) - (estimate.low or 0.0)) / (2.0 * COVERAGE_FACTOR)
        for label, share in (estimate.budget or {"not told": 1.0}).items():
            part = weight * sd * math.sqrt(share)
            if label.endswith(EACH_RUN):
                own[label] += part * part
            else:
                common[label] += part
    variances = {**{label: u * u for label, u in common.items()}, **own}
    variance = sum(variances.values())
    shares = {label: v / variance for label, v in variances.items()} if variance > 0 else {}
    return Pooled(total, math.sqrt(variance), dict(sorted(shares.items(), key=lambda item: -item[1])))


def zone_totals(season: SeasonView) -> list[Estimate]:
    """Estimate each zone's fraction and doses over each week and over the whole period.

    Parameters
    ----------
    season : SeasonView
        The period.

    Returns
    -------
    list of Estimate
        Without a run's start, but with the period that they speak for; the method says which week and how many
        runs. A week runs from Monday to Sunday in the installation's time zone, as far as it was looked at.

    Notes
    -----
    Runs whose estimate was refused are counted in the method. Runs in which the ways disagree count with
    the first way.

    References
    ----------
    `pool`.
    """
    groups: dict[tuple[str, str, str | None], dict[Interval, list[Estimate]]] = {}
    for estimate in _first_of_each_run(season.estimates):
        if estimate.run_start is None or estimate.zone is None:
            continue
        key = (estimate.zone, estimate.quantity, estimate.nutrient)
        weeks = groups.setdefault(key, defaultdict(list))
        weeks[_week(season, estimate.run_start)].append(estimate)
    found = []
    for weeks in groups.values():
        for span, runs in weeks.items():
            found += _over(season, _name(season, span), span, runs)
        if len(weeks) > 1:
            whole = [e for part in weeks.values() for e in part]
            found += _over(season, "the whole period", Interval(season.start, season.end), whole)
    return found


def _week(season: SeasonView, instant: pd.Timestamp) -> Interval:
    """Return the week of an instant, Monday to Sunday at the site, as far as it lies in the period."""
    day = instant.tz_convert(season.installation.tz).normalize()
    monday = day - pd.DateOffset(days=day.weekday())
    ends = monday.tz_convert("UTC"), (monday + pd.DateOffset(days=7)).tz_convert("UTC")
    return Interval(max(ends[0], season.start), min(ends[1], season.end))


def _name(season: SeasonView, week: Interval) -> str:
    """Return what a week is called."""
    year, number, _ = week.start.tz_convert(season.installation.tz).isocalendar()
    return f"week {year}-W{number:02d}"


def _first_of_each_run(estimates: Iterable[Estimate]) -> list[Estimate]:
    """Return the first estimate of each quantity in each run."""
    firsts: dict[tuple[object, ...], Estimate] = {}
    for e in estimates:
        if e.quantity in MEANS + SUMS:
            firsts.setdefault((e.zone, e.run_start, e.quantity, e.nutrient), e)
    return list(firsts.values())


def _over(season: SeasonView, name: str, span: Interval, runs: Sequence[Estimate]) -> list[Estimate]:
    """Return one quantity of one zone over several runs; none where fewer than two have a number."""
    told = [e for e in runs if e.status == "ok"]
    if len(told) < LEAST_RUNS:
        return []
    first, mean = told[0], told[0].quantity in MEANS
    weights = _volumes(season, told) if mean else [1.0] * len(told)
    total = sum(weights)
    pooled = pool(told, [w / total for w in weights] if mean else weights)
    half = COVERAGE_FACTOR * pooled.sd
    what = "mean weighted by the run's water" if mean else "sum"
    refused = f", {len(runs) - len(told)} more refused" if len(runs) > len(told) else ""
    names = tuple(dict.fromkeys(s for e in told for s in e.sensors))
    return [
        Estimate(
            first.quantity,
            first.zone,
            None,
            pooled.value,
            ESTIMATE_UNITS[first.quantity],
            max(0.0, pooled.value - half),
            pooled.value + half,
            f"{what} of {len(told)} runs in {name}{refused}; errors of meters and stock taken as the same in all",
            names,
            nutrient=first.nutrient,
            budget=pooled.budget,
            period=span,
        )
    ]


def _volumes(season: SeasonView, told: Sequence[Estimate]) -> list[float]:
    """Return the water of each estimate's run, or 1 for each where a run has none. [L]"""
    water = {(run.zone, run.start): run.volume_l for run in season.runs}
    found = [water.get((e.zone or "", e.run_start)) if e.run_start is not None else None for e in told]
    return [v for v in found if v] if all(found) else [1.0] * len(told)
