"""The head: its sensors now, its trends on one time axis, what was found there."""

from __future__ import annotations

from dash import html

from dashboard.case_box import case_box
from dashboard.chart_box import Compare, chart_box, days_before
from dashboard.context import Context, Page
from dashboard.pages.injectors import injectors
from dashboard.pages.quality import quality_part
from dashboard.pages.zone import period_section, sensor_tiles
from dashboard.panels import head_panels
from dashboard.parts import do_now, section
from dashboard.snapshot import cases_of
from dashboard.texts import say


def page(context: Context) -> Page:
    """Return the page of the head.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        With a chart.
    """
    found = cases_of(context.snapshot, None)
    return Page(
        title=say("head.title"),
        live=[
            *do_now(case.finding for case in found),
            section(say("zone.now"), sensor_tiles(context, head_panels(context.installation)), testid="now"),
        ],
        chart=section(
            say("zone.trends"),
            chart_box(
                context,
                "head",
                say("head.title"),
                compare=Compare(context.path("head"), earlier=days_before()),
            ),
            testid="trends",
        ),
        body=[
            *injectors(context),
            *period_section(context, None),
            section(
                say("zone.findings"),
                *(
                    [case_box(context, case) for case in found]
                    or [html.P(say("zone.no_findings", period=context.period))]
                ),
                testid="findings",
            ),
            quality_part(context, head_panels(context.installation)),
        ],
    )
