"""All zones at a glance: what is running, what is wrong, what needs a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.attrs import attrs
from dashboard.case_box import case_box
from dashboard.context import Context, Page
from dashboard.display import scale, when
from dashboard.estimates import interval_text, text, value_text
from dashboard.parts import badge, do_now, section
from dashboard.snapshot import cases_of, ended_runs, is_running, last_estimates, ordered
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from analysis.results import Estimate
    from dashboard.cases import Case


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
    present = ordered(case for case in context.snapshot.cases if case.state != "past")
    urgent = [case for case in present if case.finding.severity != "watch" and case.state == "open"]
    rest = [case for case in present if case not in urgent]
    return Page(
        title=say("overview.title"),
        live=[*do_now(case.finding for case in present), _running(context), _silent(context)],
        body=[
            section(say("overview.attention"), *_attention(context, urgent, rest), testid="attention"),
            section(
                say("overview.zones"),
                html.Div([_card(context, zone) for zone in context.installation.zone], className="cards"),
                testid="zones",
            ),
        ],
    )


def _running(context: Context) -> Component:
    """Say which zones run now."""
    known = {z: is_running(context.snapshot, context.installation, z) for z in context.installation.zone}
    zones, unsure = ([z for z, runs in known.items() if runs is answer] for answer in (True, None))
    said = [say("overview.running", zones=", ".join(zones))] if zones else []
    said += [say("overview.not_known", zones=", ".join(unsure))] if unsure else []
    words = " ".join(said) or say("overview.none_running")
    return html.P(words, className="lead", **attrs({"data-testid": "running"}))


def _silent(context: Context) -> Component:
    """Name the sensors that are silent."""
    names = [s.sensor for s in context.snapshot.sensors.values() if s.freshness in {"silent", "never"}]
    if not names:
        return html.P([], hidden=True)
    said = say("overview.silent_sensors", names=", ".join(names))
    return html.P(badge("silent", said), **attrs({"data-testid": "silent"}))


def _attention(context: Context, urgent: list[Case], rest: list[Case]) -> list[Component]:
    """List what needs a person, and fold away what is only to be watched."""
    if context.snapshot.results is None:
        return [html.P(say("overview.unsure"))]
    boxes = [case_box(context, case, place=True) for case in urgent]
    if not boxes and not context.snapshot.whole:
        boxes = [html.P(say("overview.unsure"))]
    elif not boxes:
        quiet = all(s.freshness in {"fresh", "late"} for s in context.snapshot.sensors.values())
        boxes = [html.P(say("overview.nothing" if quiet else "overview.only_silent"))]
    if rest:
        more = html.Summary(say("overview.more", count=len(rest)))
        boxes.append(html.Details([more, *(case_box(context, case, place=True) for case in rest)]))
    return boxes


def _card(context: Context, zone: str) -> Component:
    """Return one zone in a few lines, as one link."""
    running = is_running(context.snapshot, context.installation, zone)
    state = "unknown" if running is None else "running" if running else "idle"
    worst = [case.finding for case in cases_of(context.snapshot, zone)[:1]]
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
        return [(say("overview.last_run"), say("overview.no_run", period=context.period))]
    facts = [(say("overview.last_run"), when(runs[0].start, context.installation.tz, context.now))]
    if runs[0].volume_l is not None:
        facts.append((say("overview.water"), scale("L", context.units).text(runs[0].volume_l)))
    estimates = {e.quantity: e for e in last_estimates(context.snapshot.results, zone) if e.nutrient is None}
    facts += _ratio(estimates, context)
    facts += _dose(context, zone)
    if (found := estimates.get("clear-out time")) is not None:
        said = text(found.value, found, context.units) if found.status == "ok" else say("table.refused")
        facts.append((say("overview.clear_out"), said))
    return facts


def _dose(context: Context, zone: str) -> list[tuple[str, str]]:
    """Return what a card says of the dose: the first nutrient of the target, or else of the stock."""
    doses = {
        e.nutrient: e
        for e in last_estimates(context.snapshot.results, zone)
        if e.quantity == "nutrient dose" and e.status == "ok"
    }
    stock, target = context.installation.stock_of(zone), context.installation.zone[zone].target
    asked = [*(target.nutrients if target else {}), *(stock.nutrients if stock else {})]
    first = next((doses[name] for name in asked if name in doses), None)
    if first is None:
        return []
    said = f"{value_text(first, context.units)}, {interval_text(first, context.units)}"
    return [(say("overview.dose", nutrient=first.nutrient), said)]


def _ratio(estimates: Mapping[str, Estimate], context: Context) -> list[tuple[str, str]]:
    """Return what a card says of the ratio; a tank's falls, so where it began and where it ended."""
    parts = (("ratio_at_start", "tank strength at start"), ("strength_left", "tank strength left"))
    told = [
        (say(f"overview.{key}"), f"{value_text(found, context.units)}, {interval_text(found, context.units)}")
        for key, found in (
            *((k, estimates.get(q)) for k, q in parts),
            ("ratio", estimates.get("injection fraction")),
        )
        if found is not None and found.status == "ok"
    ]
    return told or (
        [(say("overview.ratio"), say("table.refused"))] if "injection fraction" in estimates else []
    )
