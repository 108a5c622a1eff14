"""The box of a chart: its range buttons, the place where it is drawn, its read-out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.attrs import attrs
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.context import Context

RANGES = (
    ("hour", 3600),
    ("six_hours", 21600),
    ("day", 86400),
    ("week", 604800),
    ("month", 2592000),
    ("year", 31557600),
)
"""Ranges that have a button, by their text's key. [s]"""

SAVES = (("csv", "CSV"), ("parquet", "Parquet"), ("svg", "SVG"), ("png", "PNG"))
"""What a chart can be saved as."""

FIRST_RANGE = 21600
"""Range that a chart opens with: a working morning. [s]"""


def chart_box(
    context: Context, subject: str, what: str, *, ends: tuple[float, float] | None = None
) -> Component:
    """Return a chart's box; ``assets/chart.js`` finds it by its class and draws in it.

    Parameters
    ----------
    context : Context
        What the page is made from.
    subject : str
        What is drawn: ``head``, or ``zone/`` and a zone's name.
    what : str
        The same in words.
    ends : tuple of float, optional
        A period that the chart opens with, instead of the last hours. [s since 1970]

    Returns
    -------
    Component
        Buttons, chart and read-out.
    """
    ranges = [
        _button(say(f"chart.{key}"), "range", str(seconds), pressed=seconds == FIRST_RANGE and ends is None)
        for key, seconds in RANGES
    ]
    moves = [
        _button(say(f"chart.{key}"), "move", key) for key in ("earlier", "later", "closer", "wider", "live")
    ]
    return html.Div(
        [
            html.Div(
                [html.Div(ranges, className="buttons"), html.Div(moves, className="buttons")],
                role="group",
                className="chart-buttons",
                **attrs({"aria-label": say("chart.ranges")}),
            ),
            html.P(say("chart.cursor_hint"), className="readout", **attrs({"data-testid": "readout"})),
            html.Div(
                [
                    html.Div(
                        className="plot",
                        role="img",
                        tabIndex="0",
                        **attrs({"aria-label": say("chart.label", what=what), "data-testid": "chart"}),
                    ),
                    html.Div(className="cursor", hidden=True),
                ],
                className="plot-box",
            ),
            html.Div(
                [_button(word, "save", kind) for kind, word in SAVES],
                role="group",
                className="buttons saves",
                **attrs({"aria-label": say("chart.save")}),
            ),
            html.P("", className="quiet shown", role="status", **attrs({"data-testid": "shown"})),
        ],
        className="chart",
        **attrs(
            {
                "data-address": f"{context.prefix}api/chart/{subject}",
                "data-files": f"{context.prefix}api/file/{subject}",
                "data-units": context.units,
                "data-span": str(FIRST_RANGE),
                "data-ends": f"{ends[0]},{ends[1]}" if ends else None,
                "data-failed": say("chart.failed"),
                "data-none": say("chart.no_reading"),
                "data-hint": say("chart.cursor_hint"),
            }
        ),
    )


def _button(word: str, role: str, value: str, *, pressed: bool | None = None) -> Component:
    more = {} if pressed is None else {"aria-pressed": "true" if pressed else "false"}
    return html.Button(word, type="button", className="button", **attrs({f"data-{role}": value, **more}))
