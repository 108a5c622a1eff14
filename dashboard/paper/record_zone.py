"""One zone in the record: its numbers over the period, each against its target, and its pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.display import duration, scale
from dashboard.paper.document import Section, Table
from dashboard.paper.emitters import forecasts, latest
from dashboard.paper.record_numbers import percent, spread
from dashboard.paper.record_words import VERDICTS, amount, wanted, water_of
from dashboard.paper.verdicts import by_run, held, of_period, runs_of, verdict
from dashboard.paper.zone_charts import pictures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from analysis.results import Estimate, Results
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation

Row = tuple[str, str, str]

TREND = ("flow at reference pressure", "emitter flow loss", "filter pressure loss", "drain fraction")
"""Quantities whose newest number is told."""


def zone_section(
    name: str,
    results: Results,
    installation: Installation,
    units: Units,
    services: Sequence[Service] = (),
) -> Section:
    """Return one zone's section of the record.

    Parameters
    ----------
    name : str
        The zone.
    results : Results
        The analysis of the period.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.
    services : sequence of Service
        The period's service log; what touched the zone is marked in its pictures.

    Returns
    -------
    Section
        Numbers over the period with their intervals, and charts run by run or day by day.
    """
    if not runs_of(results, name):
        return Section(f"Zone {name}", words=("No run was seen in this period.",))
    found = held(results, name, installation)
    said = VERDICTS[verdict(found)] if found else ""
    words = (f"{said[0].upper()}{said[1:]}.",) if said else ()
    rows = [
        *_targets(name, results, installation, units),
        *_water(name, results, units),
        *_stock(name, results, installation, units),
        *_ec(name, results, units),
        *_clear_out(name, results),
        *_trend(name, results, units),
    ]
    return Section(
        f"Zone {name}",
        words=words,
        table=Table(("Quantity", "Value (95 % interval)", "Target"), tuple(rows), (1,)),
        pictures=tuple(pictures(name, results, installation, units, services)),
    )


def _targets(name: str, results: Results, installation: Installation, units: Units) -> Iterator[Row]:
    """Return what the zone got against what it should get, and of how many runs this is known."""
    for one in held(results, name, installation):
        what = "mean ratio" if one.what == "ratio" else f"{one.what}, mean of the runs"
        known = f"{one.told} of {one.fed} runs with stock"
        yield what, "not known" if one.value is None else amount(one, units), wanted(one, units)
        yield f"{'ratio' if one.what == 'ratio' else one.what} known in", known, ""


def _water(name: str, results: Results, units: Units) -> Iterator[Row]:
    """Return the zone's runs and its water."""
    runs = runs_of(results, name)
    yield "runs", str(len(runs)), ""
    yield "runs with stock", str(sum(r.injection is not None for r in runs)), ""
    water = water_of(runs)
    yield "water", "not metered in every run" if water is None else scale("L", units).text(water), ""


def _stock(name: str, results: Results, installation: Installation, units: Units) -> Iterator[Row]:
    """Return stock and nutrients over the period."""
    stock = of_period(results, name, "stock volume")
    if stock is not None:
        yield "stock, sum of the runs", spread(stock, units), ""
    described = installation.stock_of(name)
    for nutrient in described.nutrients if described is not None else ():
        for quantity, word in (("nutrient dose", "sum"), ("nutrient dose per area", "sum on the area")):
            dose = of_period(results, name, quantity, nutrient)
            if dose is not None:
                yield f"{nutrient}, {word}", spread(dose, units), ""


def _ec(name: str, results: Results, units: Units) -> Iterator[Row]:
    """Return the mean EC of the runs; it has no target, since the band is that of the feed alone."""
    told = [e for _, e in by_run(results, name, "mean EC") if e.status == "ok" and e.value is not None]
    if not told:
        return
    values = sorted(float(e.value or 0.0) for e in told)
    shown = scale("mS/cm", units)
    yield "mean EC of a run with its clear water, middle and extremes", _spanned(values, shown.text), ""


def _spanned(values: Sequence[float], text: Callable[[float], str]) -> str:
    """Return the middle of sorted values and their extremes."""
    return (
        f"{text(values[len(values) // 2])} ({text(values[0])} to {text(values[-1])} over {len(values)} runs)"
    )


def _clear_out(name: str, results: Results) -> Iterator[Row]:
    """Return how long the lines took to run clean, and in how many runs that was seen."""
    all_told = [e for _, e in by_run(results, name, "clear-out time")]
    told = [e for e in all_told if e.status == "ok"]
    if not all_told:
        return
    seen = sum("observed" in e.method for e in told)
    if told:
        seconds = sorted(float(e.value or 0.0) for e in told)
        yield "clear-out after the injection, middle and extremes", _spanned(seconds, duration), ""
    rest = len(all_told) - len(told)
    yield "clear-outs", f"{seen} seen to their end, {len(told) - seen} extrapolated, {rest} not told", ""


def _trend(name: str, results: Results, units: Units) -> Iterator[Row]:
    """Return the zone's newest trend numbers, refused ones as refused."""
    for quantity in TREND:
        newest = latest(results, name, quantity)
        if newest is not None:
            yield f"{quantity}, at the end", _told(newest, units), ""
    for said in forecasts(name, results):
        limit, _, rest = said.partition(" will be lost in ")
        yield f"days until {limit} is lost", rest.split(",")[0].removesuffix(" days"), ""
    effect = latest(results, name, "service effect")
    if effect is not None:
        yield "flow, after the last service of the emitters", _told(effect, units), ""


def _told(estimate: Estimate, units: Units) -> str:
    """Return a number with its interval, or that there is none."""
    if estimate.status == "refused":
        return "could not be told"
    if estimate.quantity == "service effect":
        return f"{percent(estimate.value)} ({percent(estimate.low)} to {percent(estimate.high)})"
    return spread(estimate, units)
