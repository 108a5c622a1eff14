"""One run: its curve with injection and clear-out, every number of it, and where each doubt comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from dash import html

from analysis.amounts import in_units
from dashboard.case_box import case_box
from dashboard.chart_box import Compare, chart_box
from dashboard.context import Context, Page
from dashboard.display import clock, duration, scale, share, when
from dashboard.estimates import estimates_table, label
from dashboard.pages.plots import plots
from dashboard.parts import section, table
from dashboard.snapshot import cases_of, run_at, zone_runs
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.results import Estimate, Run

NOTHING = ""
"""Where an event needs no more words."""

WORTH_NAMING = 0.05
"""Share of the variance below which a term is not named: without it an interval is 3 % narrower (computed). [-]"""

RUNS_BESIDE = 4
"""How many earlier runs can be laid beside a run: a day or two of them. [-]"""

BEFORE, AFTER = pd.Timedelta(minutes=5), pd.Timedelta(minutes=15)
"""What the chart shows before and after a run; common practice, no source."""


def page(context: Context, zone: str, start_s: int) -> Page:
    """Return the page of one run.

    Parameters
    ----------
    context : Context
        What it is made from.
    zone : str
        One of the installation's zones.
    start_s : int
        When the run began. [s since 1970]

    Returns
    -------
    Page
        With a chart of the run; without one where no such run is known.
    """
    run = run_at(context.snapshot.results, zone, start_s)
    if run is None:
        return Page(
            say("run.title", zone=zone), live=(), body=[html.P(say("run.gone", period=context.period))]
        )
    estimates = _estimates(context, run)
    touching = [
        case
        for case in cases_of(context.snapshot, zone)
        if case.finding.start <= run.end + AFTER and run.start <= case.finding.end
    ]
    ends = (run.start - BEFORE).timestamp(), (run.end + AFTER).timestamp()
    return Page(
        title=say("run.title", zone=zone),
        lead=[html.P(_span(context, run), className="lead"), html.P(_neighbours(context, run))],
        live=(),
        chart=html.Div([_clear_out(context, run, estimates, ends), _curve(context, run, ends)]),
        body=[
            section(say("run.events"), _events(context, run, estimates), testid="events"),
            section(
                say("run.numbers"),
                estimates_table(estimates, context.units, say("run.numbers")),
                save_numbers(context, run),
                testid="estimates-part",
            ),
            *plots(context, run),
            section(say("run.budget"), *_budgets(estimates), testid="budget"),
            *(
                [section(say("zone.findings"), *(case_box(context, c) for c in touching), testid="findings")]
                if touching
                else []
            ),
        ],
    )


def _clear_out(context: Context, run: Run, estimates: list[Estimate], ends: tuple[float, float]) -> Component:
    """Return the injection and the clear-out, with what the time was read from."""
    title = say("run.clear_out")
    refused = [e.reason for e in estimates if e.quantity == "clear-out time" and e.status == "refused"]
    words = (
        say("run.no_clear_out", reason=in_units(refused[0] or "", context.units))
        if refused
        else say("run.clear_out_note")
    )
    where = f"run/{run.zone}/{int(run.start.timestamp())}"
    return section(
        title,
        html.P(words, className="quiet"),
        chart_box(context, where, title, ends=ends, compare=Compare(run_path(context, run))),
        testid="clear-out",
    )


def _curve(context: Context, run: Run, ends: tuple[float, float]) -> Component:
    """Return everything that was measured during the run; beside it, where it is asked for, an earlier run."""
    title = say("run.title", zone=run.zone)
    earlier = [other for other in zone_runs(context.snapshot.results, run.zone) if other.start < run.start]
    times = [
        (
            round((run.start - other.start).total_seconds()),
            say("run.of", start=when(other.start, context.installation.tz, context.now)),
        )
        for other in earlier[:RUNS_BESIDE]
    ]
    compare = Compare(run_path(context, run), earlier=times)
    return section(
        say("run.curve"),
        chart_box(context, f"zone/{run.zone}", title, ends=ends, compare=compare),
        testid="trends",
    )


def _span(context: Context, run: Run) -> str:
    tz = context.installation.tz
    return say(
        "run.span",
        start=when(run.start, tz, context.now),
        end=when(run.end, tz, context.now),
        length=duration((run.end - run.start).total_seconds()),
    )


def run_path(context: Context, run: Run) -> str:
    """Return the address of a run's page."""
    return context.path("run", run.zone, str(int(run.start.timestamp())))


def save_numbers(context: Context, run: Run) -> Component:
    """Return the link that saves a run's numbers as a file."""
    path = context.path("api", "numbers", run.zone, f"{int(run.start.timestamp())}.csv")
    link = html.A(say("run.save"), href=f"{path}?units={context.units}", className="button", download="")
    return html.P(link, className="saves")


def _neighbours(context: Context, run: Run) -> list[Component | str]:
    """Return links to the zone, and to the runs before and after."""
    runs = zone_runs(context.snapshot.results, run.zone)
    at = next((i for i, other in enumerate(runs) if other.start == run.start), 0)
    links: list[Component | str] = [
        html.A(
            say("zone.title", zone=run.zone), href=context.path("zone", run.zone), className="inside button"
        )
    ]
    for key, number in (("run.before", at + 1), ("run.after", at - 1)):
        if 0 <= number < len(runs):
            links += [" ", html.A(say(key), href=run_path(context, runs[number]), className="inside button")]
    return links


def _estimates(context: Context, run: Run) -> list[Estimate]:
    results = context.snapshot.results
    return (
        []
        if results is None
        else [e for e in results.estimates if e.zone == run.zone and e.run_start == run.start]
    )


def _events(context: Context, run: Run, estimates: list[Estimate]) -> Component:
    """Return what happened when: the run, the injection, the lines running clean."""
    tz = context.installation.tz
    rows: list[tuple[str, str, str]] = [(say("run.began"), clock(run.start, tz, seconds=True), NOTHING)]
    if run.injection is not None:
        length = (run.injection.end - run.injection.start).total_seconds()
        rows.append((say("run.stock_began"), clock(run.injection.start, tz, seconds=True), NOTHING))
        rows.append((say("run.stock_ended"), clock(run.injection.end, tz, seconds=True), duration(length)))
        rows += [
            (
                say("run.clean"),
                clock(run.injection.end + pd.Timedelta(seconds=e.value), tz, seconds=True),
                duration(e.value),
            )
            for e in estimates
            if e.quantity == "clear-out time" and e.value is not None
        ]
    flow = scale("L/h", context.units).text(run.mean_flow_l_h)
    rows.append((say("run.ended"), clock(run.end, tz, seconds=True), say("run.at_flow", flow=flow)))
    return table(
        [say("run.event"), say("run.time"), say("run.what")],
        rows,
        caption=say("run.events"),
        testid="run-events",
    )


def _budgets(estimates: list[Estimate]) -> list[Component]:
    """Return, for each number, which terms make its interval wide: the largest first."""
    told = [e for e in estimates if e.budget and e.status == "ok"]
    if not told:
        return [html.P(say("run.no_budget"))]
    rows = [_budget_row(estimate) for estimate in told]
    head = [say("table.quantity"), say("run.term"), say("run.part"), say("run.others")]
    return [
        html.P(say("run.budget_note"), className="quiet"),
        table(head, rows, caption=say("run.budget"), testid="budgets"),
    ]


def _budget_row(estimate: Estimate) -> tuple[str, str, Component, str]:
    """Return a number's largest term with its share, and the next ones that count."""
    (first, part), *others = sorted(estimate.budget.items(), key=lambda item: -item[1])
    rest = [f"{term} {share(size, 0)}" for term, size in others if size >= WORTH_NAMING]
    return label(estimate), first, _bar(part), ", ".join(rest)


def _bar(part: float) -> Component:
    """Return a share as a number and a bar."""
    bar = html.Span(className="share-bar", style={"width": f"{100 * part:.0f}%"})
    return html.Span(
        [html.Span(share(part, 0), className="share-number"), html.Span(bar, className="share-room")],
        className="share",
    )
