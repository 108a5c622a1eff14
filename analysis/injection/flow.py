"""The injection fraction from the totals of the main meters and the stock meter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.injection.totals import LEAST_SHARE, Total, between_edges, total
from analysis.injection.ways import NoWay, Way, disagreement, gain_term, limit_of, pooled, run_label
from analysis.results import Interval
from analysis.runs.volume import OVERLAP_SHARE, overlap_s
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

GAP_LIMIT = 0.1
"""Flow over a gap is taken to differ from a straight line by at most this share. [-] No source."""


def meters(view: RunView, *, window: Interval | None = None) -> Way | NoWay:
    """Estimate ln f from the totals of the meters over the injection.

    f = stock / total where the main meter stands after the injection, stock / (stock + water) where it
    stands before it. A pulse register is read between its own counts. Several main meters are combined; where
    they contradict each other the balance does not close and there is no answer.

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
    stock, mains = stock_meter(view), main_meters(view)
    if stock is None or not mains:
        missing = "stock meter" if stock is None else "main meter that sees this injector's water alone"
        return NoWay(NAME, f"there is no {missing} with readings; it would give the ratio by volume")
    part = window or inner(view)
    if part is None:
        return NoWay(NAME, "the injection is too short for the meters' totals", (stock, *mains))
    tried = [_pair(view, stock, main, part) for main in mains]
    found = [one for one in tried if isinstance(one, Way)]
    if not found:
        return next(one for one in tried if isinstance(one, NoWay))
    apart = disagreement(found)
    if apart is not None:
        return NoWay(
            NAME,
            f"the main meters do not balance: {apart[0].method} and {apart[1].method} differ by "
            f"{abs(apart[2]):.1%}; look for a leak or a bypass between them, then check both meters",
            (stock, *mains),
        )
    return found[0] if len(found) == 1 else pooled(found, NAME, " and ".join(one.method for one in found))


def stock_meter(view: RunView) -> str | None:
    """Return the stock meter of a run with the tightest limits, or None."""
    found = view.sensors("volume", "stock") + view.sensors("flow", "stock")
    return min(found, key=lambda n: limit_of(view.installation.sensor[n], 10.0), default=None)


def main_meters(view: RunView) -> list[str]:
    """Return the meters that saw the water that the stock went into, and no other injector's water.

    A meter at the supply counts only where none stands nearer, because it may feed other uses.
    """
    own = view.installation.injector_of(view.run.zone)
    length = (view.run.end - view.run.start).total_seconds()
    foreign = [r for r in view.others if view.installation.injector_of(r.zone) != own]
    crowded = overlap_s("", view.run.start, view.run.end, view.others) > OVERLAP_SHARE * length
    shared = overlap_s("", view.run.start, view.run.end, foreign) > OVERLAP_SHARE * length
    points = ("source", "mixed", "after filter", "zone")
    found = view.sensors("volume", *points) + view.sensors("flow", *points)
    found = found or view.sensors("volume", "supply") + view.sensors("flow", "supply")
    kept = []
    for name in found:
        sensor = view.installation.sensor[name]
        if not (crowded if sensor.zone else shared and sensor.point in WATER_ONLY):
            kept.append(name)
    return kept


def inner(view: RunView, *, settle_s: float = SETTLE_S) -> Interval | None:
    """Return the injection without its ends, or None where nothing is left."""
    injection = view.run.injection
    if injection is None:
        return None
    cut = pd.Timedelta(seconds=settle_s)
    start, end = injection.start + cut, min(injection.end, view.run.end) - cut
    return Interval(start, end) if end - start > cut else None


def _pair(view: RunView, stock: str, main: str, part: Interval) -> Way | NoWay:
    """Return ln f from the stock meter and one main meter."""
    read = _both(view, stock, main, part)
    if isinstance(read, str):
        return NoWay(NAME, read, (stock, main))
    totals, part = read
    logs = [log_total(view, name, totals[name], part) for name in (stock, main)]
    water_only = view.installation.sensor[main].point in WATER_ONLY
    entered, passed = totals[stock].litres, totals[main].litres
    fraction = entered / (entered + passed) if water_only else entered / passed
    lever = 1.0 - fraction if water_only else 1.0
    value = linear([lever, -lever], logs)
    where = "water before the injection" if water_only else "the mixed solution"
    method = f"totals of {stock} over {main}, which reads {where}"
    return Way(NAME, Uncertain(math.log(fraction), value.terms), part, (stock, main), method)


def _both(view: RunView, stock: str, main: str, part: Interval) -> tuple[dict[str, Total], Interval] | str:
    """Return both totals over one stretch, aligned to the counts of the coarser register; or why not."""
    sensors = view.installation.sensor
    totals = {name: total(view.series[name], sensors[name], part) for name in (stock, main)}
    coarse = max((stock, main), key=lambda n: totals[n].sd / max(totals[n].litres, 1e-9))
    edges = between_edges(view.series[coarse], part) if sensors[coarse].pulses_per_litre else None
    if edges is not None:
        part, litres, sd_s = edges
        length = max((part.end - part.start).total_seconds(), 1e-9)
        totals = {name: total(view.series[name], sensors[name], part) for name in (stock, main)}
        totals[coarse] = Total(litres, litres * sd_s / length, totals[coarse].share)
    faults = [fault_of(view, name, seen) for name, seen in totals.items()]
    return next((fault for fault in faults if fault), None) or (totals, part)


def fault_of(view: RunView, name: str, seen: Total) -> str | None:
    """Return why a total cannot be used, or None."""
    pulses = view.installation.sensor[name].pulses_per_litre
    if seen.share < LEAST_SHARE:
        return (
            f"{name} has readings over only {seen.share:.0%} of the injection; totals need {LEAST_SHARE:.0%}"
        )
    if seen.litres <= 0:
        return f"{name} counted nothing during the injection"
    if pulses and seen.litres * pulses < LEAST_COUNTS:
        return (
            f"{name} counted fewer than {LEAST_COUNTS} pulses; a finer meter or a longer injection is needed"
        )
    return None


def log_total(view: RunView, name: str, seen: Total, part: Interval) -> Uncertain:
    """Return ln of one total with its contributions: gain by its limits, repeatability, counts, gaps."""
    hours = (part.end - part.start).total_seconds() / 3600.0
    sensor = view.installation.sensor[name]
    reading = seen.litres if sensor.quantity == "volume" else seen.litres / hours
    source, gain = gain_term(view.installation, name, reading)
    run, piece = run_label(view), run_label(view, part)
    terms = {
        source: gain,
        Source("meter repeatability", name, run): REPEATABILITY,
        Source("counts and their timing", name, piece): seen.sd / seen.litres,
        Source("gaps", name, piece): rectangular(GAP_LIMIT * (1.0 - seen.share)),
    }
    return Uncertain(math.log(seen.litres), {s: u for s, u in terms.items() if u > 0.0})
