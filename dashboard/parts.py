"""The parts that pages share: badges, tables, findings, the first words when something is unsafe."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.attrs import attrs
from dashboard.display import NO_VALUE, finding_place, quantity_scale
from dashboard.texts import say
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd
    from dash.development.base_component import Component

    from analysis.results import Finding
    from dashboard.context import Context
    from dashboard.snapshot import SensorState

SAFETY = {
    "backflow": "safety.backflow",
    "preventer test failed": "safety.preventer",
    "over pressure": "safety.over_pressure",
}
"""Kinds of finding that can hurt somebody, and the words that come first."""


def section(title: str, *children: Component, testid: str, level: int = 2) -> Component:
    """Return a titled part of a page."""
    heading = html.H2(title) if level == 2 else html.H3(title)  # noqa: PLR2004 - heading level
    return html.Section([heading, *children], **attrs({"data-testid": testid}))


def badge(kind: str, word: str) -> Component:
    """Return a word with its symbol; the colour only repeats what both say."""
    return html.Span(
        [html.Span(className=f"mark mark-{kind}", **attrs({"aria-hidden": "true"})), html.Span(word)],
        className=f"badge badge-{kind}",
    )


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    caption: str,
    testid: str,
    row_ids: Sequence[str] = (),
) -> Component:
    """Return a table whose rows become boxes on a phone; the first cell of a row is its heading."""
    body = []
    for number, row in enumerate(rows):
        first, *rest = row
        cells: list[Component] = [html.Th(first, scope="row", role="rowheader")]
        cells += [
            html.Td(cell, role="cell", **attrs({"data-label": label}))
            for label, cell in zip(head[1:], rest, strict=True)
        ]
        mark = {"data-row": row_ids[number]} if row_ids else {}
        body.append(html.Tr(cells, role="row", **attrs(mark)))
    columns = [html.Th(label, scope="col", role="columnheader") for label in head]
    return html.Table(
        [
            html.Caption(caption, className="for-readers"),
            html.Thead(html.Tr(columns, role="row"), role="rowgroup"),
            html.Tbody(body, role="rowgroup"),
        ],
        role="table",
        **attrs({"data-testid": testid}),
    )


def age(moment: pd.Timestamp | None) -> Component:
    """Return how long ago something was; the page counts on by itself."""
    if moment is None:
        return html.Span(NO_VALUE)
    return html.Span("", className="age", **attrs({"data-since": str(int(moment.timestamp() * 1000))}))


def sensor_badge(state: SensorState) -> Component:
    """Return how fresh a sensor is."""
    if state.freshness == "fresh" and state.quality >= Quality.SUSPECT:
        return badge("late", say("chart.flagged"))
    return badge(state.freshness, say(f"state.{state.freshness}"))


def sensor_value(context: Context, state: SensorState) -> str:
    """Return a sensor's newest value, in the reader's units."""
    quantity = context.installation.sensor[state.sensor].quantity
    if quantity == "valve state" and state.value is not None:
        return say("state.open" if state.value > 0.5 else "state.shut")  # noqa: PLR2004 - half open
    return quantity_scale(quantity, context.units).text(state.value)


def do_now(findings: Iterable[Finding]) -> list[Component]:
    """Return the first words for findings that can hurt somebody; nothing where there are none."""
    boxes: list[Component] = []
    findings = list(findings)
    for kind, key in SAFETY.items():
        places = sorted({finding_place(f) for f in findings if f.kind == kind and f.severity == "stop"})
        if not places:
            continue
        first, *steps = say(key).split("|")
        boxes.append(
            html.Div(
                [
                    html.H2([badge("stop", say("finding.do_now")), f" {kind}: {'; '.join(places)}"]),
                    html.P(first),
                    html.Ol([html.Li(step) for step in steps[:-1]]),
                    html.P(steps[-1]),
                ],
                role="alert",
                className="do-now",
                **attrs({"data-testid": "do-now"}),
            )
        )
    return boxes


def computed_line(context: Context) -> Component:
    """Return when the results were computed, or why they were not."""
    snapshot = context.snapshot
    lines: list[Component] = []
    if snapshot.computed is None:
        lines.append(html.Span(say("app.not_computed")))
    else:
        season = say("app.season", since=context.since) if snapshot.whole else say("app.season_later")
        lines += [
            html.Span(say("app.computed", period=context.period, season=season)),
            age(snapshot.computed),
        ]
    for problem in snapshot.problems.values():
        lines.append(badge("act", say("app.failed", problem=problem)))
    return html.P(lines, className="quiet", **attrs({"data-testid": "computed"}))
