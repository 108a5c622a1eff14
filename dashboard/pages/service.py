"""The service log: what people did to the system, and a form to write it down."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from analysis.amounts import estimate_in
from analysis.service import SERVICE_KINDS
from dashboard.context import Context, Page
from dashboard.display import NO_VALUE, when
from dashboard.estimates import interval_text, value_text
from dashboard.forms import Field, entry_form
from dashboard.pages.links import link_form, links
from dashboard.pages.measured import measured, measured_forms
from dashboard.parts import badge, section, table
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.service import Service

SHOWN = 200
"""Most entries on the page; all of them stand in the file. [-]"""


def page(context: Context) -> Page:
    """Return the page of the service log.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        With a form for those who may write.
    """
    services = context.snapshot.services[:SHOWN]
    rows = [_row(context, entry) for entry in services]
    head = [say(f"service.{key}") for key in ("time", "kind", "where", "person", "note")]
    log = (
        table(head, rows, caption=say("nav.service"), testid="services")
        if rows
        else html.P(say("service.none"))
    )
    return Page(
        title=say("nav.service"),
        live=(),
        lead=[
            *_entry(context),
            html.P(html.A(say("catch.go"), href=context.path("catch"), className="inside target")),
        ],
        body=[
            section(say("service.gained"), *_gained(context), testid="service-effects"),
            section(say("service.log"), log, testid="service-log"),
            section(say("service.measured_log"), *measured(context), testid="entries"),
            *links(context),
        ],
    )


def _entry(context: Context) -> list[Component]:
    """Return what people enter here, folded away, so that what was done stands first; nothing for guests."""
    if not context.person.may("note"):
        return []
    return [
        html.Details(
            [html.Summary(say("service.enter")), *_form(context)], open=not context.snapshot.services
        ),
        html.Details([html.Summary(say("service.measured")), *measured_forms(context)]),
        *link_form(context),
    ]


def _gained(context: Context) -> list[Component]:
    """Return for each zone what its last service gained, with its interval, or that it is not known."""
    results = context.snapshot.results
    found = {e.zone: e for e in (results.estimates if results else ()) if e.quantity == "service effect"}
    rows = []
    for zone in context.installation.zone:
        one = None if zone not in found else estimate_in(found[zone], context.units)
        if one is None or one.status != "ok":
            why = (
                one.reason
                if one is not None and one.reason
                else say("service.not_known", since=context.since)
            )
            rows.append(
                (zone, html.Span([badge("refused", say("table.refused")), " ", why]), NO_VALUE, NO_VALUE)
            )
            continue
        number = html.Span(value_text(one, context.units), className="number")
        rows.append((zone, number, interval_text(one, context.units), one.method))
    head = [say("service.zone"), say("service.gain"), say("table.interval"), say("table.method")]
    return [table(head, rows, caption=say("service.gained"), testid="service-gained")]


def _row(context: Context, entry: Service) -> tuple[str | Component, ...]:
    places = [entry.zone or say("finding.where_head")] + ([entry.sensor] if entry.sensor else [])
    moment = when(entry.time, context.installation.tz, context.now)
    return moment, entry.kind, ", ".join(places), entry.person, html.Span(entry.note, className="note")


def _form(context: Context) -> list[Component]:
    kinds = [
        ("", say("service.choose")),
        *((kind, f"{kind}: {what}") for kind, what in SERVICE_KINDS.items()),
    ]
    zones = [("", say("service.all_zones")), *((zone, zone) for zone in context.installation.zone)]
    sensors = [("", say("service.no_sensor")), *((name, name) for name in context.installation.sensor)]
    fields = [
        Field(
            "kind",
            say("service.kind"),
            "choice",
            options=kinds,
        ),
        Field("when", say("service.time"), hint=say("service.time_hint", zone=context.installation.timezone)),
        Field("zone", say("service.zone"), "choice", options=zones),
        Field("sensor", say("service.sensor"), "choice", options=sensors),
        Field("note", say("service.note"), "text"),
    ]
    cautions = html.P(say("service.cautions"), className="quiet")
    return [cautions, entry_form(context, "service", fields, [("keep", say("form.keep"))])]
