"""A finding on the screen: what, where, evidence, causes, first advice, and what people did about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from dash import html

from analysis.amounts import finding_in
from dashboard.attrs import attrs
from dashboard.cases import LATCHED
from dashboard.display import finding_place, when
from dashboard.forms import Field, entry_form
from dashboard.parts import badge
from dashboard.snapshot import zone_runs
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.results import Finding
    from dashboard.cases import Case
    from dashboard.context import Context


STRETCHES = frozenset({"sensor silent"})
"""Kinds of finding that belong to a stretch of time and to no run."""

LONGEST_OF_RUNS = pd.Timedelta(hours=12)
"""A finding of a run may go on over the runs of a day; a longer one is looked at on the curve. No source."""

ROUND_ABOUT, LEAST_AROUND = 0.25, pd.Timedelta(minutes=30)
"""What a chart shows before and after a finding: a share of its length, and at least so much. No source."""


def case_box(context: Context, case: Case, *, place: bool = False) -> Component:
    """Return one case.

    Parameters
    ----------
    context : Context
        What the page is made from.
    case : Case
        The finding with what people did about it.
    place : bool
        Whether to say where it was seen.

    Returns
    -------
    Component
        A box.
    """
    finding = finding_in(case.finding, context.units)
    tz = context.installation.tz
    span = say(
        "finding.since", start=when(finding.start, tz, context.now), end=when(finding.end, tz, context.now)
    )
    causes = html.Details(
        [html.Summary(say("finding.causes")), html.Ol([html.Li(cause) for cause in finding.likely_causes])]
    )
    return html.Article(
        [
            html.P(_head(case, place=place), className="finding-head"),
            html.P(span, className="quiet"),
            html.P([html.Strong(say("finding.seen") + ": "), finding.evidence]),
            html.P([html.Strong(say("finding.first") + ": "), finding.advice]),
            *([causes] if finding.likely_causes else []),
            *_where_seen(context, finding),
            *_remarks(context, case),
            *_reply(context, case),
        ],
        className=f"finding finding-{finding.severity} case-{case.state}",
        **attrs({"data-kind": finding.kind, "data-case": case.mark, "data-state": case.state}),
    )


def _where_seen(context: Context, finding: Finding) -> list[Component]:
    """Return a link to the run in which a finding was seen, or to the stretch of the chart."""
    runs = [] if finding.zone is None else zone_runs(context.snapshot.results, finding.zone)
    length = finding.end - finding.start
    of_run = finding.kind not in STRETCHES and length <= LONGEST_OF_RUNS
    during = [run for run in runs if of_run and run.start <= finding.end and finding.start <= run.end]
    if during:
        begun = int(during[0].start.timestamp())
        path, word = context.path("run", during[0].zone, str(begun)), say("finding.see_run")
    else:
        place = ("head",) if finding.zone is None else ("zone", finding.zone)
        around = max(length * ROUND_ABOUT, LEAST_AROUND)
        ends = int((finding.start - around).timestamp()), int((finding.end + around).timestamp())
        path, word = context.path(*place) + f"?from={ends[0]}&to={ends[1]}", say("finding.see_curve")
    return [html.P(html.A(word, href=path, className="inside target"))]


def _head(case: Case, *, place: bool) -> list[Component]:
    finding = case.finding
    head: list[Component] = [badge(finding.severity, say(f"severity.{finding.severity}"))]
    head.append(html.Strong(finding.kind))
    if place:
        head.append(html.Span(finding_place(finding)))
    elif finding.sensor:
        head.append(html.Span(say("finding.where_sensor", sensor=finding.sensor)))
    if case.state != "open":
        head.append(badge("idle", say(f"case.{case.state}")))
    return head


def _remarks(context: Context, case: Case) -> list[Component]:
    """Return what people did, oldest first, as plain text."""
    if not case.remarks:
        return []
    rows = []
    for remark in case.remarks:
        said = say(
            f"case.did_{remark.action}",
            person=remark.person,
            when=when(remark.time, context.installation.tz, context.now),
        )
        note = [html.Span(remark.note, className="note")] if remark.note else []
        rows.append(html.Li([html.Span(said), *note]))
    return [html.Ul(rows, className="remarks")]


def _reply(context: Context, case: Case) -> list[Component]:
    """Return what the reader may do about it."""
    if not context.person.may("note"):
        return []
    buttons = [("note", say("case.add_note"))]
    if case.state == "open":
        buttons.insert(0, ("acknowledge", say("case.acknowledge")))
    if case.state == "acknowledged":
        buttons.insert(0, ("reopen", say("case.reopen")))
    if case.finding.kind in LATCHED and case.state != "past" and context.person.may("manage"):
        buttons.append(("clear", say("case.clear")))
    form = entry_form(context, "finding", [Field("note", say("case.note"), "text")], buttons, key=case.mark)
    return [html.Details([html.Summary(say("case.answer")), form])]
