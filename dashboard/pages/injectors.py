"""The injectors on the head's page: their flow against their range, and how long their stock lasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.attrs import attrs
from dashboard.display import day, scale, when
from dashboard.estimates import interval_text, label, value_text
from dashboard.parts import badge, section
from dashboard.snapshot import ended_runs
from dashboard.stock_left import open_tank, pressure_tank, zones_of
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.context import Context

SOON_D = 3.0
"""A tank that is empty within so many days is told as something to do. [d] Common practice, no source."""


def injectors(context: Context) -> list[Component]:
    """Return a card for each injector."""
    cards = [_card(context, name) for name in context.installation.injector]
    if not cards:
        return []
    return [section(say("head.injectors"), html.Div(cards, className="cards wide"), testid="injectors")]


def _card(context: Context, name: str) -> Component:
    kind = context.installation.injector[name].kind
    tank = _pressure_tank(context, name) if kind == "displacement tank" else _open_tank(context, name)
    return html.Article(
        [
            html.Div(
                [html.H3(say("installation.injector_named", name=name)), html.Span(kind)],
                className="card-head",
            ),
            *_flows(context, name),
            *tank,
        ],
        className="card",
        **attrs({"data-injector": name}),
    )


def _flows(context: Context, name: str) -> list[Component]:
    """Return the flow of each zone's last run against the injector's range, in words and as a bar."""
    bounds = context.installation.injector[name].flow_range
    flow = scale("L/h", context.units)
    last = {z: ended_runs(context.snapshot.results, z)[:1] for z in zones_of(context.installation, name)}
    seen = {z: run.mean_flow_l_h for z, runs in last.items() for run in runs if run.mean_flow_l_h is not None}
    if bounds is None:
        return [html.P(say("head.no_range"), className="quiet")]
    ends = say("estimate.between", low=flow.text(bounds[0]), high=flow.text(bounds[1]))
    lines: list[Component] = [html.P(say("head.works", range=ends))]
    for zone, value in seen.items():
        within = bounds[0] <= value <= bounds[1]
        words = say("head.flow_of", zone=zone, flow=flow.text(value))
        state = badge("fresh" if within else "act", say("head.within" if within else "head.outside"))
        lines.append(html.P([words, " ", state]))
        lines.append(_gauge(value, bounds))
    return lines if seen else [*lines, html.P(say("zone.no_runs", period=context.period), className="quiet")]


def _gauge(value: float, bounds: tuple[float, float]) -> Component:
    """Return a bar with the range and a mark at the flow; the words beside it say the same."""
    whole = 1.2 * max(bounds[1], value)
    band = {
        "left": f"{100 * bounds[0] / whole:.1f}%",
        "width": f"{100 * (bounds[1] - bounds[0]) / whole:.1f}%",
    }
    parts = [
        html.Span(className="gauge-range", style=band),
        html.Span(className="gauge-mark", style={"left": f"{100 * value / whole:.1f}%"}),
    ]
    return html.Div(parts, className="gauge", **attrs({"aria-hidden": "true"}))


def _open_tank(context: Context, name: str) -> list[Component]:
    found = open_tank(context.installation, context.snapshot, name, context.now)
    volume = scale("L", context.units)
    facts = []
    if found.left_l is not None:
        facts.append((say("head.left"), volume.text(found.left_l)))
    if found.a_day_l is not None:
        facts.append((say("head.use"), say("head.a_day", volume=volume.text(found.a_day_l))))
    lines: list[Component] = [_facts(facts)] if facts else []
    if found.empty is not None:
        days = (found.empty - context.now).total_seconds() / 86400.0
        words = say("head.empty", when=day(found.empty, context.installation.tz), days=f"{days:.0f}")
        lines.append(html.P(badge("act", words) if days < SOON_D else words))
    if found.reason:
        lines.append(html.P([badge("refused", say("head.no_forecast")), " ", say(found.reason)]))
    return lines


def _pressure_tank(context: Context, name: str) -> list[Component]:
    found = pressure_tank(context.installation, context.snapshot, name)
    if found is None or not found.told:
        return [html.P([badge("refused", say("head.no_forecast")), " ", say("head.tank_untold")])]
    units = context.units
    of = say(
        "head.after_run", zone=found.zone, start=when(found.run_start, context.installation.tz, context.now)
    )
    facts = [(label(e), f"{value_text(e, units)}, {interval_text(e, units)}") for e in found.told]
    lines = [html.P(of, className="quiet"), _facts(facts)]
    if found.fed_l is not None:
        words = say(
            "head.refill" if found.refill else "head.lasts", water=scale("L", units).text(found.fed_l)
        )
        lines.append(html.P(badge("act", words) if found.refill else words))
    return lines


def _facts(facts: list[tuple[str, str]]) -> Component:
    return html.Dl([part for term, said in facts for part in (html.Dt(term), html.Dd(said))])
