"""The water's analysis on the installation's page: hazard by item, and what the water does with the stocks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from analysis.water_report import amount, limits, newest, report
from dashboard.parts import badge, section, table
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.water_report import Item
    from dashboard.context import Context

MARKS = {"slight": "fresh", "moderate": "watch", "severe": "act"}
"""Class of a hazard to the mark beside its word."""


def water_part(context: Context) -> Component:
    """Return what laboratories found in the water, item by item, the worst first; or that nobody did.

    Parameters
    ----------
    context : Context
        What the page is made from.
    """
    items = report(context.installation.water)
    if not items:
        return section(say("water.title"), html.P(say("water.none")), testid="water")
    sources = "; ".join(dict.fromkeys(item.hazard.source for item in items))
    head = [say(f"water.{key}") for key in ("item", "found", "hazard", "limits", "sampled", "to_do")]
    shown = table(
        head,
        [_row(item) for item in items],
        caption=say("water.title"),
        testid="water-table",
        row_ids=[item.hazard.factor for item in items],
    )
    return section(
        say("water.title"),
        html.P(say("water.classes", source=sources)),
        shown,
        html.P(say("water.caution")),
        *_stocks(context),
        testid="water",
    )


def _row(item: Item) -> tuple[object, ...]:
    """Return one item as a row."""
    hazard = item.hazard
    return (
        hazard.factor,
        html.Span(amount(item), className="number"),
        badge(MARKS[hazard.verdict], say(f"water.{hazard.verdict}")),
        limits(item),
        item.found.sampled.isoformat(),
        item.to_do or say("water.nothing"),
    )


def _stocks(context: Context) -> list[Component]:
    """Return what falls out where this water meets the stocks; nothing where nothing does."""
    from analysis.commissioning import mixtures  # noqa: PLC0415 - its chemistry is loaded for this page only
    from analysis.commissioning.items import worst_first  # noqa: PLC0415 - as above

    found = mixtures.remarks(context.installation, newest(context.installation.water))
    if not found:
        return []
    rows = [
        (r.place, badge(r.severity, say(f"severity.{r.severity}")), r.what, r.mend)
        for r in worst_first(found)
    ]
    head = [say(f"water.{key}") for key in ("where", "grave", "what", "to_do")]
    made = table(head, rows, caption=say("water.stocks"), testid="water-stocks")
    return [html.H3(say("water.stocks")), made]
