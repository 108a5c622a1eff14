"""One zone in the record: its numbers over the period, run by run, and its pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dashboard.display import NO_VALUE, Units, clock, day, duration, ratio, scale
from dashboard.paper.press import Section, Table
from dashboard.paper.record_words import of_period, runs_of, spread, water_of
from dashboard.paper.svg import Axis, Line, line_chart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Estimate, Results, Run
    from ingest.installation import Installation

MOST_RUNS = 60
"""Runs listed one by one; a longer period is listed by day. [-] Two pages of paper."""

TICKS = 6
"""Dates below a chart. [-]"""


def zone_section(name: str, results: Results, installation: Installation, units: Units) -> Section:
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

    Returns
    -------
    Section
        Numbers over the period with their intervals, and charts run by run.
    """
    runs = runs_of(results, name)
    if not runs:
        return Section(f"Zone {name}", words=("No run was seen in this period.",))
    return Section(
        f"Zone {name}",
        table=Table(
            ("Quantity", "Value (95 % interval)", "Target"),
            tuple(_rows(name, results, installation, units)),
            (1,),
        ),
        pictures=tuple(_pictures(name, results, installation, units)),
    )


def _rows(
    name: str, results: Results, installation: Installation, units: Units
) -> list[tuple[str, str, str]]:
    """Return the zone's numbers over the period."""
    zone, runs = installation.zone[name], runs_of(results, name)
    rows = [
        ("runs", str(len(runs)), ""),
        ("runs with stock", str(sum(r.injection is not None for r in runs)), ""),
    ]
    water = water_of(runs)
    if water is not None:
        rows.append(("water", scale("L", units).text(water), ""))
    key = installation.injector_of(name)
    target = None if key is None else installation.injector[key].ratio
    fraction = of_period(results, name, "injection fraction")
    if fraction is not None:
        rows.append(("mean injection ratio", spread(fraction, units), ratio(target)))
    stock = of_period(results, name, "stock volume")
    if stock is not None:
        rows.append(("stock", spread(stock, units), ""))
    wanted = zone.target.nutrients if zone.target is not None else {}
    described = installation.stock_of(name)
    for nutrient in described.nutrients if described is not None else ():
        for quantity, word in (("nutrient dose", "dose"), ("nutrient dose per area", "dose on the area")):
            dose = of_period(results, name, quantity, nutrient)
            if dose is not None:
                aim = f"{scale('g/m2', units).text(wanted[nutrient])} a run" if nutrient in wanted else ""
                rows.append((f"{nutrient} {word}", spread(dose, units), aim if "area" in quantity else ""))
    return rows + _clear_out_rows(name, results) + _latest_rows(name, results, units)


def _clear_out_rows(name: str, results: Results) -> list[tuple[str, str, str]]:
    """Return how long the lines took to run clean, over the runs."""
    times = [
        e for e in results.estimates if e.quantity == "clear-out time" and e.zone == name and e.status == "ok"
    ]
    if not times:
        return []
    seconds = sorted(float(e.value or 0.0) for e in times)
    middle = seconds[len(seconds) // 2]
    text = f"{duration(middle)} ({duration(seconds[0])} to {duration(seconds[-1])} over {len(seconds)} runs)"
    return [("clear-out time, middle of the runs", text, "")]


def _latest_rows(name: str, results: Results, units: Units) -> list[tuple[str, str, str]]:
    """Return the zone's newest trend numbers."""
    rows = []
    for quantity in (
        "emitter flow loss",
        "flow at reference pressure",
        "filter pressure loss",
        "drain fraction",
    ):
        found = [e for e in results.estimates if (e.quantity, e.zone, e.status) == (quantity, name, "ok")]
        if found:
            rows.append((quantity, spread(found[-1], units), ""))
    return rows


def _by_run(name: str, results: Results, quantity: str) -> list[tuple[Run, Estimate]]:
    """Return one estimate for each run that has it."""
    runs = {run.start: run for run in runs_of(results, name)}
    return [
        (runs[e.run_start], e)
        for e in results.estimates
        if (e.quantity, e.zone, e.status) == (quantity, name, "ok") and e.run_start in runs
    ]


def _pictures(name: str, results: Results, installation: Installation, units: Units) -> list[tuple[str, str]]:
    """Return the charts of ratio and water, run by run."""
    found = []
    ratios = _by_run(name, results, "injection fraction")
    if len(ratios) > 1:
        found.append(_ratio_chart(name, ratios, installation))
    volumes = [(run, run.volume_l) for run in runs_of(results, name) if run.volume_l is not None]
    if len(volumes) > 1:
        shown = scale("L", units)
        values = np.array([volume for _, volume in volumes]) * shown.factor
        line = Line("water", _days([run for run, _ in volumes]), values, marks=True)
        chart = line_chart(
            [line], _dates([run for run, _ in volumes], installation), Axis(f"water a run [{shown.unit}]", zero=True),
            size=(640, 170), title=f"Water a run of {name}",
        )  # fmt: skip
        found.append((chart, f"{name}: water a run [{shown.unit}]"))
    return found


def _ratio_chart(
    name: str, ratios: Sequence[tuple[Run, Estimate]], installation: Installation
) -> tuple[str, str]:
    """Return the chart of the injected share with its intervals and the band that is accepted."""
    key = installation.injector_of(name)
    injector = None if key is None else installation.injector[key]
    bands = []
    if injector is not None and injector.ratio is not None:
        half = injector.ratio * injector.ratio_tolerance
        bands.append((100.0 * (injector.ratio - half), 100.0 * (injector.ratio + half)))
    ends = [
        np.array([100.0 * float(getattr(e, part) or np.nan) for _, e in ratios])
        for part in ("value", "low", "high")
    ]
    runs = [run for run, _ in ratios]
    line = Line("share", _days(runs), ends[0], ends[1], ends[2], marks=True)
    chart = line_chart(
        [line],
        _dates(runs, installation),
        Axis("stock [%]"),
        bands=bands,
        size=(640, 190),
        title=f"Injected share of {name}",
    )
    aim = "" if injector is None else f"; band: {ratio(injector.ratio)} with its tolerance"
    return chart, f"{name}: stock in the delivered solution, run by run, with 95 % intervals [%]{aim}"


def _days(runs: Sequence[Run]) -> np.ndarray:
    """Return the runs' starts in days since the first. [d]"""
    first = runs[0].start
    return np.array([(run.start - first) / pd.Timedelta(days=1) for run in runs])


def _dates(runs: Sequence[Run], installation: Installation) -> Axis:
    """Return the time axis with local dates."""
    first, last = runs[0].start, runs[-1].start
    if last - first < pd.Timedelta(days=2):
        marks = [run.start for run in runs][:: max(1, len(runs) // TICKS)]
        return Axis(
            "local time",
            tuple(((m - first) / pd.Timedelta(days=1), clock(m, installation.tz)) for m in marks),
        )
    midnights = pd.date_range(
        first.tz_convert(installation.tz).ceil("D"), last.tz_convert(installation.tz), freq="D"
    )
    step = max(1, -(-len(midnights) // TICKS))
    ticks = tuple(
        ((m - first) / pd.Timedelta(days=1), " ".join(day(m, installation.tz).split()[1:3]))
        for m in midnights[::step]
    )
    return Axis("", ticks) if ticks else Axis(NO_VALUE)
