"""What people measured by hand for the installation file: calibrations and dilution series, and their state."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from dash import html

from dashboard.display import when
from dashboard.forms import Field, entry_form
from dashboard.in_file import State, states
from dashboard.parts import badge
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.context import Context

SHOWN = 50
"""Most entries on the page; all of them stand in the file. [-]"""

BADGES: Mapping[State, str] = {"used": "fresh", "waiting": "act", "replaced": "idle", "gone": "idle"}
"""State of an entry to the badge that tells it."""


def measured_forms(context: Context) -> list[Component]:
    """Return the forms, for those who may change the installation file."""
    if not context.person.may("manage"):
        return [html.P(say("measured.managers"))]
    sensors = [(name, name) for name in context.installation.sensor]
    stocks = [(name, name) for name in context.installation.stock]
    keep = [("keep", say("form.keep"))]
    pairs = [
        Field("sensor", say("service.sensor"), "choice", options=sensors),
        Field("when", say("measured.day"), hint=say("measured.day_hint")),
        Field("pairs", say("measured.pairs"), "text", hint=say("measured.pairs_hint")),
    ]
    series = [
        Field("stock", say("measured.stock"), "choice", options=stocks),
        Field("series", say("measured.series"), "text", hint=say("measured.series_hint")),
    ]
    forms: list[Component] = [
        html.P(say("measured.how"), className="quiet"),
        html.H2(say("measured.calibration")),
        entry_form(context, "calibration", pairs, keep),
    ]
    if stocks:
        forms += [html.H2(say("measured.dilutions")), entry_form(context, "dilutions", series, keep)]
    return forms


def measured(context: Context) -> list[Component]:
    """Return what was kept, newest first, each with whether the analysis uses it."""
    rows = states(context.snapshot.entries, context.installation)[:SHOWN]
    if not rows:
        return [html.P(say("service.none"))]
    return [html.Ul([_line(context, row, state) for row, state in rows], className="remarks")]


def waiting(context: Context) -> list[Component]:
    """Return what still has to be put into the installation file; nothing where all of it is there."""
    rows = [(r, s) for r, s in states(context.snapshot.entries, context.installation) if s == "waiting"]
    return [html.Ul([_line(context, row, state) for row, state in rows], className="remarks")] if rows else []


def _line(context: Context, row: Mapping[str, Any], state: State) -> Component:
    moment = when(pd.Timestamp(row["time"]).tz_convert("UTC"), context.installation.tz, context.now)
    about = row.get("sensor") or row.get("stock") or ""
    head = say("measured.line", when=moment, person=row["person"], what=row["what"], about=about)
    lines = html.Pre(str(row["file"]), className="lines", tabIndex="0")
    return html.Li(
        [
            html.Span(head),
            html.P(badge(BADGES[state], say(f"measured.{state}"))),
            *([lines] if state == "waiting" else []),
        ]
    )
