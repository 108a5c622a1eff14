"""The box of a chart: its range buttons, the place where it is drawn, its read-out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from dash import html

from dashboard.attrs import attrs
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

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


BESIDE_DAYS = (1, 7, 28, 364)
"""Earlier times that have a button: yesterday, last week, four weeks, the same weekday a year ago. [d]"""


@dataclass(frozen=True, slots=True)
class Compare:
    """What a chart may be held against, besides earlier times.

    Attributes
    ----------
    path : str
        Address of the page that the chart stands on.
    zones : sequence of str
        Other zones.
    earlier : sequence of tuple
        Earlier times that have a button: seconds, and what it says; without any, only the axes are chosen.
    """

    path: str
    zones: Sequence[str] = ()
    earlier: Sequence[tuple[int, str]] = ()


def chart_box(
    context: Context,
    subject: str,
    what: str,
    *,
    ends: tuple[float, float] | None = None,
    compare: Compare | None = None,
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
        A period that the chart opens with, and goes back to, instead of the last hours. [s since 1970]
    compare : Compare, optional
        What it may be held against.

    Returns
    -------
    Component
        Buttons, chart and read-out.
    """
    whole = ends is not None
    ends = ends or (_stretch(context) if compare else None)
    ranges = [
        _button(say(f"chart.{key}"), "range", str(seconds), pressed=seconds == FIRST_RANGE and ends is None)
        for key, seconds in RANGES
    ]
    moves = [_button(say(f"chart.{key}"), "move", key) for key in ("earlier", "later", "closer", "wider")]
    moves.append(_button(say("chart.whole" if whole else "chart.live"), "move", "whole" if whole else "live"))
    return html.Div(
        [
            html.Div(
                [
                    *([] if whole else [html.Div(ranges, className="buttons")]),
                    html.Div(moves, className="buttons"),
                ],
                role="group",
                className="chart-buttons",
                **attrs({"aria-label": say("chart.ranges")}),
            ),
            *([_choices(context, compare)] if compare else []),
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
                "data-options": urlencode(_asked(context, compare)) if compare else None,
                "data-failed": say("chart.failed"),
                "data-none": say("chart.no_reading"),
                "data-hint": say("chart.cursor_hint"),
            }
        ),
    )


def days_before() -> list[tuple[int, str]]:
    """Return the earlier times that every zone's chart can be held against."""
    return [(days * 86400, say("chart.before", span=f"{days}\N{NO-BREAK SPACE}d")) for days in BESIDE_DAYS]


def _stretch(context: Context) -> tuple[float, float] | None:
    """Return the stretch of time that the address names, in seconds since 1970."""
    said = [context.query.get(key, "") for key in ("from", "to")]
    if not all(word.isascii() and word.isdigit() and len(word) < 12 for word in said):  # noqa: PLR2004 - digits of a second
        return None
    start, end = (float(word) for word in said)
    return (start, end) if start < end else None


def options(context: Context) -> dict[str, str]:
    """Return what the address chose for the chart, as far as it makes sense."""
    query = context.query
    chosen = {}
    if query.get("beside") in context.installation.zone:
        chosen["beside"] = query["beside"]
    earlier = query.get("earlier", "")
    if earlier.isascii() and earlier.isdigit() and len(earlier) < 10:  # noqa: PLR2004 - digits of a century in seconds
        chosen["earlier"] = earlier
    if query.get("axis") == "fit":
        chosen["axis"] = "fit"
    return chosen


def _asked(context: Context, compare: Compare) -> dict[str, str]:
    """Return what the address chose and this chart can do."""
    chosen = options(context)
    return chosen if compare.earlier else {key: chosen[key] for key in ("axis",) if key in chosen}


def _choices(context: Context, compare: Compare) -> Component:
    """Return what to hold the chart against and how its value axes lie: links, so that the address carries both."""
    now = options(context)
    axes = [
        _choice(compare, now, say("chart.axis_fixed"), {"axis": None}),
        _choice(compare, now, say("chart.axis_fit"), {"axis": "fit"}),
    ]
    times = [_choice(compare, now, word, {"earlier": str(seconds)}) for seconds, word in compare.earlier]
    zones = [_choice(compare, now, zone, {"beside": zone}) for zone in compare.zones]
    nothing = _choice(compare, now, say("chart.nothing"), {"beside": None, "earlier": None})
    return html.Details(
        [
            html.Summary(say("chart.compare" if compare.earlier else "chart.axes_only")),
            *([_group(say("chart.beside"), [nothing, *times, *zones])] if compare.earlier else []),
            _group(say("chart.axes"), axes),
        ],
        className="chart-choices",
        open=bool(_asked(context, compare)),
        **attrs({"data-testid": "chart-choices"}),
    )


def _group(label: str, links: list[Component]) -> Component:
    return html.Div(
        [html.Span(label, className="quiet"), *links],
        role="group",
        className="buttons labelled",
        **attrs({"aria-label": label}),
    )


def _choice(compare: Compare, now: dict[str, str], word: str, change: dict[str, str | None]) -> Component:
    """Return a link to the same page with one thing chosen otherwise."""
    chosen = all(now.get(key) == value for key, value in change.items())
    query = urlencode({key: value for key, value in {**now, **change}.items() if value is not None})
    return html.A(
        word,
        href=compare.path + ("?" + query if query else ""),
        className="inside button",
        **attrs({"aria-current": "true"} if chosen else {}),
    )


def _button(word: str, role: str, value: str, *, pressed: bool | None = None) -> Component:
    more = {} if pressed is None else {"aria-pressed": "true" if pressed else "false"}
    return html.Button(word, type="button", className="button", **attrs({f"data-{role}": value, **more}))
