"""One zone: its sensors now, its trends on one time axis, its last run in numbers, its findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.at_25 import state_at_25
from dashboard.attrs import attrs
from dashboard.case_box import case_box
from dashboard.chart_box import Compare, chart_box, days_before
from dashboard.context import Context, Page
from dashboard.display import duration, scale, when
from dashboard.estimates import estimates_table, text
from dashboard.pages.plots import plots
from dashboard.pages.quality import quality_part
from dashboard.pages.run import run_path, save_numbers
from dashboard.panels import sensor_label, zone_panels
from dashboard.parts import (
    age,
    badge,
    do_now,
    section,
    sensor_badge,
    sensor_value,
    table,
)
from dashboard.snapshot import cases_of, ended_runs, is_running, last_estimates, period_estimates, zone_runs
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.panels import Panel

RUNS_SHOWN = 20
"""Most runs in the table of a zone. [-]"""


def page(context: Context, zone: str) -> Page:
    """Return the page of one zone.

    Parameters
    ----------
    context : Context
        What it is made from.
    zone : str
        One of the installation's zones.

    Returns
    -------
    Page
        With a chart.
    """
    found = cases_of(context.snapshot, zone)
    danger = [case.finding for case in (*found, *cases_of(context.snapshot, None))]
    return Page(
        title=say("zone.title", zone=zone),
        live=[
            *do_now(danger),
            section(say("zone.now"), _state(context, zone), sensors_now(context, zone), testid="now"),
        ],
        chart=section(
            say("zone.trends"),
            chart_box(
                context,
                f"zone/{zone}",
                say("zone.title", zone=zone),
                compare=Compare(
                    context.path("zone", zone),
                    [z for z in context.installation.zone if z != zone],
                    days_before(),
                ),
            ),
            testid="trends",
        ),
        body=[
            section(say("zone.estimates"), *_estimates(context, zone), testid="estimates-part"),
            *[part for run in ended_runs(context.snapshot.results, zone)[:1] for part in plots(context, run)],
            *period_section(context, zone),
            section(
                say("zone.findings"),
                *([case_box(context, case) for case in found] or [_nothing(context, "zone.no_findings")]),
                testid="findings",
            ),
            section(say("zone.runs"), _runs(context, zone), testid="runs-part"),
            quality_part(context, zone_panels(context.installation, zone)),
        ],
    )


def _nothing(context: Context, key: str) -> Component:
    return html.P(say(key, period=context.period))


def _state(context: Context, zone: str) -> Component:
    running = is_running(context.snapshot, context.installation, zone)
    state = "unknown" if running is None else "running" if running else "idle"
    return html.P(badge(state, say(f"state.{state}")), **attrs({"data-testid": "zone-state"}))


def sensors_now(context: Context, zone: str) -> Component:
    """Return the newest reading of each sensor that the zone's chart shows."""
    return sensor_tiles(context, zone_panels(context.installation, zone))


def sensor_tiles(context: Context, panels: list[Panel]) -> Component:
    """Return the newest readings of some sensors, as tiles; the state of each is a word and a symbol."""
    tiles = []
    for panel, name in [(p, name) for p in panels for name in p.sensors]:
        if name not in context.snapshot.sensors:
            continue
        state = state_at_25(context.installation, context.snapshot.sensors, name)
        tiles.append(
            html.Li(
                [
                    html.Span(f"{panel.title}, {sensor_label(context.installation, name)}", className="what"),
                    html.Span(sensor_value(context, state), className="number"),
                    html.Span([sensor_badge(state), " ", age(state.time)], className="how-old"),
                ],
                className=f"tile tile-{state.freshness}",
                **attrs({"data-sensor": name, "data-state": state.freshness}),
            )
        )
    return html.Ul(tiles, className="tiles", **attrs({"data-testid": "sensors"}))


def _estimates(context: Context, zone: str) -> list[Component]:
    """Return the table of the newest estimates, under the run that they belong to."""
    estimates = last_estimates(context.snapshot.results, zone)
    if not estimates:
        return [_nothing(context, "zone.no_estimates")]
    runs = ended_runs(context.snapshot.results, zone)
    tz = context.installation.tz
    lines: list[Component] = []
    if runs:
        span = say(
            "zone.estimates_of",
            start=when(runs[0].start, tz, context.now),
            end=when(runs[0].end, tz, context.now),
        )
        lines.append(html.P(span, className="quiet"))
        lines.append(save_numbers(context, runs[0]))
        see = html.A(say("finding.see_run"), href=run_path(context, runs[0]), className="inside button")
        lines.append(html.P(see))
    return [*lines, estimates_table(estimates, context.units, say("zone.estimates"))]


def period_section(context: Context, zone: str | None) -> list[Component]:
    """Return the numbers that belong to no single run, each with the runs that it is of."""
    found = period_estimates(context.snapshot.results, zone)
    if not found:
        return []
    made = estimates_table(found, context.units, say("zone.period"), of_what=True, testid="period-estimates")
    return [section(say("zone.period"), made, testid="period-part")]


def _runs(context: Context, zone: str) -> Component:
    """Return the table of the last runs."""
    runs = zone_runs(context.snapshot.results, zone)[:RUNS_SHOWN]
    if not runs:
        return _nothing(context, "zone.no_runs")
    results = context.snapshot.results
    ratios = {
        e.run_start: e
        for e in (results.estimates if results else ())
        if e.zone == zone and e.quantity == "injection fraction"
    }
    volume, flow = scale("L", context.units), scale("L/h", context.units)
    rows = []
    for run in runs:
        found = ratios.get(run.start)
        injection = say("table.none")
        if run.injection is not None:
            injection = duration((run.injection.end - run.injection.start).total_seconds())
        rows.append(
            (
                html.A(
                    when(run.start, context.installation.tz, context.now),
                    href=run_path(context, run),
                    className="inside target",
                ),
                duration((run.end - run.start).total_seconds()),
                volume.text(run.volume_l),
                flow.text(run.mean_flow_l_h),
                injection,
                text(found.value, found, context.units) if found else say("table.refused"),
            )
        )
    head = [say(f"table.{key}") for key in ("start", "length", "water", "mean_flow", "injection", "ratio")]
    return table(head, rows, caption=say("zone.runs"), testid="runs")
