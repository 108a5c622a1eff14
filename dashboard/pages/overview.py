"""All zones at a glance: what is running, what is wrong, what needs a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.attrs import attrs
from dashboard.context import Context, Page
from dashboard.display import scale, when
from dashboard.estimates import interval_text, text, value_text
from dashboard.parts import badge, do_now, finding_box, section
from dashboard.snapshot import ended_runs, is_running, last_estimates, ordered, zone_findings
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.results import Finding


def page(context: Context) -> Page:
    """Return the page of all zones.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        Without a chart.
    """
    results = context.snapshot.results
    findings = ordered(list(results.findings)) if results else []
    urgent = [f for f in findings if f.severity != "watch"]
    watch = [f for f in findings if f.severity == "watch"]
    return Page(
        title=say("overview.title"),
        live=[*do_now(findings), _running(context), _silent(context)],
        body=[
            section(say("overview.attention"), *_attention(context, urgent, watch), testid="attention"),
            section(
                say("overview.zones"),
                html.Div([_card(context, zone) for zone in context.installation.zone], className="cards"),
                testid="zones",
            ),
        ],
    )


def _running(context: Context) -> Component:
    """Say which zones run now."""
    zones = [z for z in context.installation.zone if is_running(context.snapshot, context.installation, z)]
    words = say("overview.running", zones=", ".join(zones)) if zones else say("overview.none_running")
    return html.P(words, className="lead", **attrs({"data-testid": "running"}))


def _silent(context: Context) -> Component:
    """Name the sensors that are silent."""
    names = [s.sensor for s in context.snapshot.sensors.values() if s.freshness in {"silent", "never"}]
    if not names:
        return html.P([], hidden=True)
    said = say("overview.silent_sensors", names=", ".join(names))
    return html.P(badge("silent", said), **attrs({"data-testid": "silent"}))


def _attention(context: Context, urgent: list[Finding], watch: list[Finding]) -> list[Component]:
    """List what needs a person, and fold away what is only to be watched."""
    if context.snapshot.results is None:
        return [html.P(say("overview.unsure"))]
    boxes = [finding_box(context, f, place=True) for f in urgent]
    if not boxes:
        quiet = all(s.freshness in {"fresh", "late"} for s in context.snapshot.sensors.values())
        boxes = [html.P(say("overview.nothing" if quiet else "overview.only_silent"))]
    if watch:
        more = html.Summary(say("overview.more", count=len(watch)))
        boxes.append(html.Details([more, *(finding_box(context, f, place=True) for f in watch)]))
    return boxes


def _card(context: Context, zone: str) -> Component:
    """Return one zone in a few lines, as one link."""
    running = is_running(context.snapshot, context.installation, zone)
    state = "unknown" if running is None else "running" if running else "idle"
    worst = zone_findings(context.snapshot.results, zone)[:1]
    head = [html.H3(zone), badge(state, say(f"state.{state}"))]
    head += [badge(f.severity, f"{say(f'severity.{f.severity}')}: {f.kind}") for f in worst]
    facts = [part for term, said in _facts(context, zone) for part in (html.Dt(term), html.Dd(said))]
    link = html.A(
        say("overview.open_zone", zone=zone), href=context.path("zone", zone), className="inside button"
    )
    return html.Article(
        [html.Div(head, className="card-head"), html.Dl(facts), link],
        className="card",
        **attrs({"data-zone": zone}),
    )


def _facts(context: Context, zone: str) -> list[tuple[str, str]]:
    """Return what a card says of the last run."""
    runs = ended_runs(context.snapshot.results, zone)
    if not runs:
        return [(say("overview.last_run"), say("overview.no_run", days=f"{context.days:g}"))]
    facts = [(say("overview.last_run"), when(runs[0].start, context.installation.tz, context.now))]
    if runs[0].volume_l is not None:
        facts.append((say("overview.water"), scale("L", context.units).text(runs[0].volume_l)))
    estimates = {e.quantity: e for e in last_estimates(context.snapshot.results, zone) if e.nutrient is None}
    if (found := estimates.get("injection fraction")) is not None:
        interval = interval_text(found, context.units)
        said = (
            f"{value_text(found, context.units)}, {interval}"
            if found.status == "ok"
            else say("table.refused")
        )
        facts.append((say("overview.ratio"), said))
    if (found := estimates.get("clear-out time")) is not None:
        said = text(found.value, found, context.units) if found.status == "ok" else say("table.refused")
        facts.append((say("overview.clear_out"), said))
    return facts
