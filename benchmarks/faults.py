"""Faults of a zone: false alarms in healthy years, delays, sizes, dates, and names by effect size.

All on invented seasons of `benchmarks.seasons`, whose drift is not told to the detectors. Seeds are fixed
and were not used while the limits were set.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from analysis.diagnosis.baseline_line import CORRELATION
from analysis.diagnosis.clogging import LIMITS, forecast, loss_now
from analysis.diagnosis.episodes import judged, spans
from analysis.diagnosis.findings import findings_of
from analysis.diagnosis.season import diagnose
from analysis.diagnosis.study import Study, study
from analysis.results import Finding
from analysis.trend import ewma
from benchmarks.planted import KINDS, SEASON, points, seasons_with, worn_seasons
from benchmarks.season_plan import Array, Seasons, no_faults
from benchmarks.season_views import ALL, season_view
from benchmarks.seasons import correlated, make_plant, simulate

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

YEAR = np.arange(365.0)

CLEAR_EFFECT = 0.02
"""Effect on the flow from which a name is asked for. [-]"""

SUBSETS = {
    "all": ALL,
    "no rest readings": tuple(h for h in ALL if h != "rest"),
    "no thermometer": tuple(h for h in ALL if h != "temperature"),
    "flow, head, end": ("meter", "temperature", "rest", "mixed", "lateral end"),
    "flow, end": ("meter", "temperature", "rest", "lateral end"),
    "flow, head": ("meter", "temperature", "rest", "mixed"),
    "flow only": ("meter", "temperature"),
}


def look(seasons: Seasons, system: int, have: tuple[str, ...] = ALL) -> Study:
    """Return one system's study; every invented system has one."""
    view = season_view(seasons, system, have)
    found = study(view.installation, view, "z1")
    if found is None:
        msg = "an invented season left nothing to study"
        raise RuntimeError(msg)
    return found


def names_on(one: Study, day: int) -> set[str]:
    """Return the causes that the findings of a day name; ``"none"`` where there is no finding."""
    alarm = next((first for first, last in spans(one.ratio[: day + 1]) if last == day), None)
    if alarm is None:
        return {"none"}
    said = [f for e in judged(one, alarm, day) for f in findings_of(one, e, one.table.last[day], ())]
    return {f.kind for f in said if f.kind != "unexplained change"} if said else {"none"}


def healthy_years(seed: int, systems: int, zones: int) -> tuple[int, int, Counter[str]]:
    """Return system-years, findings, and findings by kind, of healthy systems."""
    rng = np.random.default_rng(seed)
    plant = make_plant(rng, systems, zones)
    seasons = simulate(rng, plant, no_faults(systems, zones, YEAR.size), YEAR, points=points(ALL))
    kinds: Counter[str] = Counter()
    for i in range(systems):
        kinds.update(x.kind for x in diagnose(season_view(seasons, i)) if isinstance(x, Finding))
    return systems, kinds.total(), kinds


def upper(count: int, years: float) -> float:
    """Return the 95 % upper bound of a rate, exact Poisson."""
    return float(chi2.ppf(0.95, 2 * (count + 1)) / 2.0 / years)


def false_alarms(systems: int) -> None:
    """Print findings in healthy years."""
    for zones in (1, 3):
        years, count, kinds = healthy_years(811 + zones, systems if zones == 1 else systems // 3, zones)
        print(
            f"  {zones} zone(s): {count} findings in {years} system-years ({years * zones} zone-years): "
            f"{count / years:.3f} a system-year, 95 % upper bound {upper(count, years):.3f} {dict(kinds)}"
        )


def clogging(systems: int) -> None:
    """Print how early clogging is found."""
    seasons, (loss,) = seasons_with(821, systems, ("emitter clogging",))
    at_alarm = np.full(systems, np.inf)
    for i in range(systems):
        alarm = np.flatnonzero(look(seasons, i).ratio > 1.0)
        at_alarm[i] = loss[i, alarm[0]] if alarm.size else max(loss[i, -1], 0.03)
    print(
        f"  loss at the alarm: median {np.median(at_alarm):.2%}, 90 % of seasons by {np.quantile(at_alarm, 0.9):.2%}"
    )


def loss_and_date(systems: int) -> None:
    """Print how well the loss at the season's end is known, and whether the dates hold."""
    seasons, lost = worn_seasons(822, systems)
    error, held, dates = np.full(systems, np.nan), [], []
    for i in range(systems):
        now, truth = loss_now(look(seasons, i)), float(lost[i, SEASON.size - 1])
        if now is not None:
            error[i] = now.value - truth
            held.append(now.low <= truth <= now.high)
        dates += _dates(seasons, i, lost[i])
    print(
        f"  loss at the season's end: bias {np.nanmean(error):+.2%}, median error {np.nanmedian(np.abs(error)):.2%}, "
        f"p95 {np.nanquantile(np.abs(error), 0.95):.2%}; interval covers {np.mean(held):.1%} of {len(held)}"
    )
    print(
        f"  date of a limit, forecast 15 days before the season's end: interval covers {np.mean(dates):.1%} of {len(dates)}"
    )


def _dates(seasons: Seasons, system: int, lost: Array) -> list[bool]:
    """Return whether the intervals of the dates hold the truth, for limits not yet crossed."""
    cut = SEASON.size - 15
    early = replace(
        seasons,
        days=seasons.days[:cut],
        flow=seasons.flow[..., :cut],
        pressure={k: v[..., :cut] for k, v in seasons.pressure.items()},
        rest={k: v[..., :cut] for k, v in seasons.rest.items()},
        temperature=seasons.temperature[..., :cut],
    )
    now = loss_now(look(early, system))
    out = []
    for limit in LIMITS:
        told = None if now is None or lost[cut - 1] >= limit else forecast(now, limit)
        if told is not None:
            truth = float(np.interp(limit, lost, np.arange(lost.size), right=np.inf)) - (cut - 1)
            out.append(told.low <= truth <= told.high)
    return out


def causes(systems: int, have: tuple[str, ...] = ALL, kinds: Sequence[str] = KINDS) -> None:
    """Print names by effect on the flow and, above 2 %, by age; on every fifth day after the onset."""
    every: Counter[str] = Counter()
    for kind in kinds:
        if kind == "sensor fault" and "lateral end" not in have:
            continue
        rows: dict[str, Counter[str]] = {}
        ages: dict[str, Counter[str]] = {}
        for size, age, grade in _graded(systems, have, kind):
            rows.setdefault(_band(size), Counter())[grade] += 1
            if size >= CLEAR_EFFECT:
                ages.setdefault(_age(age), Counter())[grade] += 1
                every[grade] += 1
        print(f"  {kind}: " + "; ".join(f"{band} {_shares(rows[band])}" for band in sorted(rows)))
        print("    by age above 2 %: " + "; ".join(f"{age} {_shares(ages[age])}" for age in sorted(ages)))
    print(f"  all kinds above 2 %: {_shares(every)}")


def _graded(systems: int, have: tuple[str, ...], kind: str) -> Iterator[tuple[float, float, str]]:
    """Yield effect, days since it passed 2 %, and grade of the name on the days that are looked at."""
    seasons, (effect,) = seasons_with(831, systems, (kind,), have)
    for i in range(systems):
        one = look(seasons, i, have)
        clear = int(np.argmax(effect[i] >= CLEAR_EFFECT))
        for day in range(34, SEASON.size, 5):
            if effect[i, day] > 0.0 and effect[i, day - 4] > 0.0:
                yield effect[i, day], float(day - clear), _grade(names_on(one, day), {kind})


def _age(days: float) -> str:
    return next(
        words
        for limit, words in ((5, "0-4 d"), (10, "05-9 d"), (20, "10-19 d"), (np.inf, "20 d on"))
        if days < limit
    )


def _band(size: float) -> str:
    return next(
        b
        for limit, b in ((0.01, "0-1 %"), (0.02, "1-2 %"), (0.04, "2-4 %"), (np.inf, "> 4 %"))
        if size < limit
    )


def _grade(told: set[str], truth: set[str]) -> str:
    """Return how a name compares with the truth; a name that is not true is wrong, whatever stands beside it."""
    if told == {"none"}:
        return "none"
    if told - truth:
        return "wrong"
    return "undecided" if not told else "right"


def _shares(row: Counter[str], names: Sequence[str] = ("right", "wrong", "undecided", "none")) -> str:
    total = row.total()
    return ", ".join(f"{name} {row[name] / total:.0%}" for name in names if row[name]) + f" of {total}"


def pairs(systems: int) -> None:
    """Print what is said of two faults at once, at the season's end."""
    for i, first in enumerate(KINDS):
        for second in KINDS[i + 1 :]:
            seasons, _ = seasons_with(841 + i, systems, (first, second))
            row: Counter[str] = Counter()
            for system in range(systems):
                one = look(seasons, system)
                told = names_on(one, SEASON.size - 1)
                grade = _grade(told, {first, second})
                row["both" if len(told) == 2 and grade == "right" else grade] += 1
            names = ("both", "right", "wrong", "undecided", "none")
            print(f"  {first} + {second}: {_shares(row, names)}")


def ideal(seeds: int) -> None:
    """Print the delay on ramps without drift, against the likelihood ratio that knows everything but the onset."""
    rng = np.random.default_rng(851)
    for noise, size in ((0.0033, 0.05), (0.0067, 0.05), (0.01, 0.05), (0.0067, 0.10)):
        null = noise * correlated(rng, (4 * seeds, 365), CORRELATION)
        slope = size / 60.0
        shape = -slope * np.arange(365.0)
        fault = noise * correlated(rng, (seeds, 365), CORRELATION)
        grown = fault + np.minimum(shape, 0.0)
        delays = []
        for statistic in (_moving, _oracle):
            limit = np.quantile(statistic(null, slope, noise).max(axis=1), 1.0 - 0.095)
            over = statistic(grown, slope, noise) > limit
            delays.append(np.where(over.any(axis=1), over.argmax(axis=1), 365) + 1)
        mine, best = delays
        print(
            f"  scatter {noise:.2%}, {size:.0%} in 60 d: median {np.median(mine):.0f} d against {np.median(best):.0f} d "
            f"({np.median(mine) / np.median(best):.2f}), p90 {np.quantile(mine, 0.9):.0f} against {np.quantile(best, 0.9):.0f}"
        )


def _moving(y: Array, slope: float, noise: float) -> Array:
    """Return the detector's moving mean, downwards."""
    del slope, noise
    return np.stack([-ewma(row, weight=0.15) for row in y])


def _oracle(y: Array, slope: float, noise: float) -> Array:
    """Return the largest log likelihood ratio over the ramp's onset, everything else known."""
    rho = CORRELATION
    white = (y[:, 1:] - rho * y[:, :-1]) / (noise * np.sqrt(1.0 - rho**2))
    n = white.shape[1]
    out = np.full(y.shape, -np.inf)
    age = np.arange(n, dtype=float)
    drift = -slope * ((age + 1.0) - rho * age) / (noise * np.sqrt(1.0 - rho**2))
    for onset in range(n):
        part = np.cumsum(white[:, onset:] * drift[: n - onset] - 0.5 * drift[: n - onset] ** 2, axis=1)
        out[:, onset + 1 :] = np.maximum(out[:, onset + 1 :], part)
    return out


def main(*, quick: bool = False) -> None:
    """Print every table."""
    print("healthy years: findings of all kinds of a zone's hydraulics")
    false_alarms(12 if quick else 108)
    print("clogging, ramps of 2 to 20 % in 45 days")
    clogging(20 if quick else 120)
    print("the same with a pace that changes by 15 % in a month, and an exponent stated 0.02 off")
    loss_and_date(20 if quick else 300)
    print("delay without drift, same alarms a year")
    ideal(200 if quick else 500)
    print("names by effect on the flow, every fifth day; all sensors")
    causes(8 if quick else 44)
    for name, have in SUBSETS.items():
        if name != "all":
            print(f"names by effect on the flow; {name}")
            causes(6 if quick else 20, have, KINDS[:4])
    print("two faults at once")
    pairs(4 if quick else 16)


if __name__ == "__main__":
    main()
