"""The injection fraction and the dose of a zone over weeks and over the whole period."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from analysis.results import ESTIMATE_UNITS, Estimate, Interval
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

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
    sums = _Sums()
    for estimate, weight in zip(estimates, weights, strict=True):
        sums.add(estimate, weight)
    return sums.pooled()


@dataclass(slots=True)
class _Sums:
    """What estimates of several runs add up to, one after the other, so that none need be kept."""

    value: float = 0.0
    weight: float = 0.0
    common: dict[str, float] = field(default_factory=dict)
    own: dict[str, float] = field(default_factory=dict)

    def add(self, estimate: Estimate, weight: float) -> None:
        """Add one with its weight."""
        self.value += weight * (estimate.value or 0.0)
        self.weight += weight
        sd = ((estimate.high or 0.0) - (estimate.low or 0.0)) / (2.0 * COVERAGE_FACTOR)
        for label, share in (estimate.budget or {"not told": 1.0}).items():
            part = weight * sd * math.sqrt(share)
            if label.endswith(EACH_RUN):
                self.own[label] = self.own.get(label, 0.0) + part * part
            else:
                self.common[label] = self.common.get(label, 0.0) + part

    def pooled(self, scale: float = 1.0) -> Pooled:
        """Return the sum, times a factor."""
        variances = {**{label: u * u for label, u in self.common.items()}, **self.own}
        variance = sum(variances.values())
        shares = {label: v / variance for label, v in variances.items()} if variance > 0 else {}
        ordered = dict(sorted(shares.items(), key=lambda item: -item[1]))
        return Pooled(self.value * scale, math.sqrt(variance) * scale, ordered)


@dataclass(slots=True)
class _Span:
    """One quantity of one zone over a week or the whole period, as its runs are added."""

    of: Interval
    first: Estimate | None = None
    told: int = 0
    refused: int = 0
    all_measured: bool = True
    by_water: _Sums = field(default_factory=_Sums)
    alike: _Sums = field(default_factory=_Sums)
    sensors: dict[str, None] = field(default_factory=dict)

    def add(self, estimate: Estimate, water_l: float | None) -> None:
        """Add one run's estimate and its water. [L]"""
        if estimate.status != "ok":
            self.refused += 1
            return
        self.first = self.first or estimate
        self.told += 1
        self.all_measured = self.all_measured and bool(water_l)
        self.by_water.add(estimate, water_l or 0.0)
        self.alike.add(estimate, 1.0)
        self.sensors.update(dict.fromkeys(estimate.sensors))


@dataclass(slots=True)
class _Group:
    """One quantity of one zone: the weeks that are over, the one that goes on, and the whole period."""

    whole: _Span
    week: _Span
    said: list[Estimate] = field(default_factory=list)
    weeks: int = 1


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
    water = {(run.zone, run.start): run.volume_l for run in season.runs}
    weeks: dict[pd.Timestamp, Interval] = {}
    groups: dict[tuple[str, str, str | None], _Group] = {}
    for e in _first_of_each_run(season.estimates):
        if e.run_start is None or e.zone is None:
            continue
        if e.run_start not in weeks:
            weeks[e.run_start] = _week(season, e.run_start)
        week = weeks[e.run_start]
        key = (e.zone, e.quantity, e.nutrient)
        if key not in groups:
            groups[key] = _Group(_Span(Interval(season.start, season.end)), _Span(week))
        _add(season, groups[key], week, e, water.get((e.zone, e.run_start)))
    found = []
    for group in groups.values():
        found += [*group.said, *_over(_name(season, group.week.of), group.week)]
        if group.weeks > 1:
            found += _over("the whole period", group.whole)
    return found


def _add(
    season: SeasonView, group: _Group, week: Interval, estimate: Estimate, water_l: float | None
) -> None:
    """Add one run to its group; a new week ends the one before."""
    if week != group.week.of:
        group.said += _over(_name(season, group.week.of), group.week)
        group.week = _Span(week)
        group.weeks += 1
    for span in (group.week, group.whole):
        span.add(estimate, water_l)


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


def _first_of_each_run(estimates: Iterable[Estimate]) -> Iterator[Estimate]:
    """Yield the first estimate of each quantity in each run; those of a run stand together."""
    here: tuple[object, ...] = ()
    seen: set[tuple[str, str | None]] = set()
    for e in estimates:
        if e.quantity not in MEANS + SUMS:
            continue
        if (e.zone, e.run_start) != here:
            here = (e.zone, e.run_start)
            seen.clear()
        if (e.quantity, e.nutrient) not in seen:
            seen.add((e.quantity, e.nutrient))
            yield e


def _over(name: str, span: _Span) -> list[Estimate]:
    """Return one quantity of one zone over several runs; none where fewer than two have a number."""
    first = span.first
    if first is None or span.told < LEAST_RUNS:
        return []
    mean = first.quantity in MEANS
    sums = span.by_water if mean and span.all_measured else span.alike
    pooled = sums.pooled(1.0 / sums.weight if mean else 1.0)
    half = COVERAGE_FACTOR * pooled.sd
    what = "mean weighted by the run's water" if mean else "sum"
    refused = f", {span.refused} more refused" if span.refused else ""
    return [
        Estimate(
            first.quantity,
            first.zone,
            None,
            pooled.value,
            ESTIMATE_UNITS[first.quantity],
            max(0.0, pooled.value - half),
            pooled.value + half,
            f"{what} of {span.told} runs in {name}{refused}; errors of meters and stock taken as the same in all",
            tuple(span.sensors),
            nutrient=first.nutrient,
            budget=pooled.budget,
            period=span.of,
        )
    ]
