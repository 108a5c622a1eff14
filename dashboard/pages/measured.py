"""What people measured by hand: calibrations, dilution series, catch tests; forms and what was kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from dash import html

from dashboard.display import quantity_scale, when
from dashboard.forms import Field, entry_form
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.context import Context

SHOWN = 50
"""Most entries on the page; all of them stand in the file. [-]"""


def measured_forms(context: Context) -> list[Component]:
    """Return the forms, each for those who may use it."""
    if not context.person.may("note"):
        return [html.P(say("form.not_allowed"))]
    zones = [(zone, zone) for zone in context.installation.zone]
    catch = [
        Field("zone", say("service.zone"), "choice", options=zones),
        Field("minutes", say("measured.minutes")),
        Field("caught", say("measured.caught"), "text", hint=say("measured.caught_hint")),
    ]
    keep = [("keep", say("form.keep"))]
    forms: list[Component] = [html.H3(say("measured.catch")), entry_form(context, "catch", catch, keep)]
    if context.person.may("manage"):
        forms += _manager_forms(context, keep)
    return forms


def _manager_forms(context: Context, keep: list[tuple[str, str]]) -> list[Component]:
    sensors = [(name, name) for name in context.installation.sensor]
    stocks = [(name, name) for name in context.installation.stock]
    pairs = [
        Field("sensor", say("service.sensor"), "choice", options=sensors),
        Field("when", say("measured.day"), hint="2026-11-25"),
        Field("pairs", say("measured.pairs"), "text", hint=say("measured.pairs_hint")),
    ]
    series = [
        Field("stock", say("measured.stock"), "choice", options=stocks),
        Field("series", say("measured.series"), "text", hint=say("measured.series_hint")),
    ]
    forms: list[Component] = [
        html.H3(say("measured.calibration")),
        entry_form(context, "calibration", pairs, keep),
    ]
    if stocks:
        forms += [html.H3(say("measured.dilutions")), entry_form(context, "dilutions", series, keep)]
    return forms


def measured(context: Context) -> list[Component]:
    """Return what was kept, newest first."""
    rows = context.snapshot.entries[:SHOWN]
    if not rows:
        return [html.P(say("service.none"))]
    return [html.Ul([html.Li(_line(context, row)) for row in rows], className="remarks")]


def _line(context: Context, row: dict[str, Any]) -> list[Component | str]:
    moment = when(pd.Timestamp(row["time"]).tz_convert("UTC"), context.installation.tz, context.now)
    about = row.get("sensor") or row.get("stock") or row.get("zone") or ""
    head = say("measured.line", when=moment, person=row["person"], what=row["what"], about=about)
    if "flow_l_h" in row:
        flows = pd.Series(row["flow_l_h"], dtype=float)
        scale = quantity_scale("flow", context.units)
        mean = f"{flows.mean() * scale.factor:.3g}\N{NO-BREAK SPACE}{scale.unit}"
        return [head, html.Span(say("measured.catches", count=len(flows), mean=mean), className="note")]
    return [head, html.Span(str(row.get("file", "")), className="note")]
