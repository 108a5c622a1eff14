"""The injection fraction from the totals of the main meter and the stock meter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.injection_totals import LEAST_SHARE, Total, between_edges, total
from analysis.injection_ways import NoWay, Way, gain_term, limit_of
from analysis.results import Interval
from analysis.uncertainty import Source, Uncertain, linear, rectangular

if TYPE_CHECKING:
    from analysis.view import RunView

NAME = "meters"

WATER_ONLY = frozenset({"supply", "source"})
"""Points where a main meter reads water alone, before the stock enters."""

REPEATABILITY = 0.003
"""Standard deviation of a flow meter's gain from day to day. [-] Assumed, as in the prototypes; no source."""

SETTLE_S = 20.0
"""Left out at each end of the injection, for start-up and switching. [s] No source."""

LEAST_COUNTS = 5
"""A pulse register needs this many counts in an injection. No source."""


def meters(view: RunView, *, window: Interval | None = None) -> Way | NoWay:
    """Estimate ln f from the totals of both meters over the injection.

    f = stock / total where the main meter stands after the injection, stock / (stock + water) where it
    stands before it. A pulse register is read between its own counts.

    Parameters
    ----------
    view : RunView
        One run, with its injection.
    window : Interval, optional
        Part of the injection; all of it where left out. [UTC]

    Returns
    -------
    Way or NoWay
        The answer, or why there is none.

    References
    ----------
    Mass balance of two streams; uncertainty GUM (JCGM 100:2008) 5.1.6.
    """
    stock, main = pick_meters(view)
    if stock is None or main is None:
        missing = "stock meter" if stock is None else "main meter"
        return NoWay(NAME, f"there is no {missing} with readings; it would give the ratio by volume")
    names = (stock, main)
    part = window or inner(view)
    if part is None:
        return NoWay(NAME, "the injection is too short for the meters' totals", names)
    read = _both(view, stock, main, part)
    if isinstance(read, str):
        return NoWay(NAME, read, names)
    stock_total, main_total, part = read
    water_only = view.installation.sensor[main].point in WATER_ONLY
    return _answer(view, names, (stock_total, main_total), part, water_only=water_only)


def pick_meters(view: RunView) -> tuple[str | None, str | None]:
    """Return the stock meter and the main meter of a run, registers before flow readings, tighter first."""

    def best(*points: str) -> str | None:
        found = view.sensors("volume", *points) + view.sensors("flow", *points)
        alike = view.installation.sensor
        return min(found, key=lambda n: limit_of(alike[n], 1000.0), default=None)

    return best("stock"), best("source", "supply", "mixed", "after filter", "zone")


def inner(view: RunView, *, settle_s: float = SETTLE_S) -> Interval | None:
    """Return the injection without its ends, or None where nothing is left."""
    injection = view.run.injection
    if injection is None:
        return None
    cut = pd.Timedelta(seconds=settle_s)
    start, end = injection.start + cut, min(injection.end, view.run.end) - cut
    return Interval(start, end) if end - start > cut else None


def _both(view: RunView, stock: str, main: str, part: Interval) -> tuple[Total, Total, Interval] | str:
    """Return both totals over one stretch, aligned to the counts of the coarser register; or why not."""
    sensors = view.installation.sensor
    totals = {name: total(view.series[name], sensors[name], part) for name in (stock, main)}
    coarse = max((stock, main), key=lambda n: totals[n].sd / max(totals[n].litres, 1e-9))
    edges = between_edges(view.series[coarse], part) if sensors[coarse].pulses_per_litre else None
    exact: dict[str, Total] = {}
    if edges is not None:
        part, litres, sd_s = edges
        length = max((part.end - part.start).total_seconds(), 1e-9)
        exact[coarse] = Total(litres, litres * sd_s / length, 1.0)
    read = {n: exact.get(n) or total(view.series[n], sensors[n], part) for n in (stock, main)}
    for name, seen in read.items():
        fault = _fault(name, seen, sensors[name].pulses_per_litre)
        if fault:
            return fault
    return read[stock], read[main], part


def _fault(name: str, seen: Total, pulses_per_litre: float | None) -> str | None:
    """Return why a total cannot be used, or None."""
    if seen.share < LEAST_SHARE:
        return (
            f"{name} has readings over only {seen.share:.0%} of the injection; totals need {LEAST_SHARE:.0%}"
        )
    if seen.litres <= 0:
        return f"{name} counted nothing during the injection"
    if pulses_per_litre and seen.litres * pulses_per_litre < LEAST_COUNTS:
        return (
            f"{name} counted fewer than {LEAST_COUNTS} pulses; a finer meter or a longer injection is needed"
        )
    return None


def _answer(
    view: RunView, names: tuple[str, str], totals: tuple[Total, Total], part: Interval, *, water_only: bool
) -> Way:
    """Return ln f from both totals with its contributions."""
    logs = [_log_total(view, name, seen, part) for name, seen in zip(names, totals, strict=True)]
    stock, main = totals[0].litres, totals[1].litres
    fraction = stock / (stock + main) if water_only else stock / main
    lever = 1.0 - fraction if water_only else 1.0
    value = linear([lever, -lever], logs)
    where = "water before the injection" if water_only else "the mixed solution"
    method = f"totals of {names[0]} over {names[1]}, which reads {where}"
    return Way(NAME, Uncertain(math.log(fraction), value.terms), part, names, method)


def _log_total(view: RunView, name: str, seen: Total, part: Interval) -> Uncertain:
    """Return ln of one total: gain by its limits, repeatability, counts."""
    hours = (part.end - part.start).total_seconds() / 3600.0
    sensor = view.installation.sensor[name]
    reading = seen.litres if sensor.quantity == "volume" else seen.litres / hours
    source, gain = gain_term(view.installation, name, reading)
    run = f"{view.run.zone} {view.run.start.isoformat()}"
    terms = {
        source: gain,
        Source("meter repeatability", name, run): REPEATABILITY,
        Source("counts and their timing", name, run): seen.sd / seen.litres,
    }
    if seen.share < 1.0:
        terms[Source("gaps", name, run)] = rectangular(0.1 * (1.0 - seen.share))
    return Uncertain(math.log(seen.litres), terms)
