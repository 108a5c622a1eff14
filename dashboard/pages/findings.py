"""All findings: open, acknowledged, and past ones, each with what people did about it."""

from __future__ import annotations

from dash import html

from dashboard.case_box import case_box
from dashboard.context import Context, Page
from dashboard.parts import do_now, section
from dashboard.snapshot import ordered
from dashboard.texts import say

PAST_SHOWN = 100
"""Most past findings on the page; all of them stand in the file. [-]"""


def page(context: Context) -> Page:
    """Return the page of findings.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        Without a chart.
    """
    known = ordered(context.snapshot.cases)
    body = []
    for state in ("open", "acknowledged", "past"):
        found = [case for case in known if case.state == state]
        if state == "past":
            found = sorted(found, key=lambda case: case.finding.end, reverse=True)[:PAST_SHOWN]
        boxes = [case_box(context, case, place=True) for case in found] or [html.P(say("findings.none"))]
        title = say("findings.titled", state=say(f"case.{state}"), count=len(found))
        body.append(section(title, *boxes, testid=f"findings-{state}"))
    return Page(
        title=say("nav.findings"),
        live=do_now(case.finding for case in known if case.state != "past"),
        body=[html.P(say("findings.kept"), className="quiet"), *body],
    )
