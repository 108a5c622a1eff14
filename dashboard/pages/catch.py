"""Catch tests: how evenly each zone waters, test by test over the years, and the form to enter one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from dash import html

from analysis.uniformity.catch import causes, change, sample_size, uniformity
from dashboard.attrs import attrs
from dashboard.context import Context, Page
from dashboard.display import NO_VALUE, day, quantity_scale
from dashboard.entries_measured import exponent_of
from dashboard.forms import Field, entry_form
from dashboard.parts import badge, section, table
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dash.development.base_component import Component

    from analysis.uniformity.catch import Uniformity

Row = dict[str, Any]

SURE = 0.05
"""Chance of a change by sampling alone, below which it is told as a change. [-] Common practice."""

MEAN_WITHIN = 0.05
"""Relative error of the mean flow that the page's advice on the number of emitters is for. [-]"""


def page(context: Context) -> Page:
    """Return the page of catch tests.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        With a form for those who may write.
    """
    tests = [row for row in context.snapshot.entries if row.get("what") == "catch test" and "flow_l_h" in row]
    zones = [
        _zone(context, zone, [t for t in tests if t.get("zone") == zone])
        for zone in context.installation.zone
    ]
    return Page(
        title=say("nav.catch"),
        live=(),
        lead=[
            html.P(say("catch.what"), className="quiet"),
            html.Details(
                [html.Summary(say("catch.enter")), *_form(context)], open=not tests, id="catch-form"
            ),
        ],
        body=zones,
    )


def _form(context: Context) -> list[Component]:
    if not context.person.may("note"):
        return [html.P(say("form.not_allowed"))]
    fields = [
        Field(
            "zone",
            say("service.zone"),
            "choice",
            options=[(zone, zone) for zone in context.installation.zone],
        ),
        Field("when", say("catch.when"), hint=say("service.time_hint", zone=context.installation.timezone)),
        Field("caught", say("catch.caught"), "file", hint=say("catch.caught_hint")),
        Field("minutes", say("catch.minutes"), hint=say("catch.minutes_hint")),
    ]
    return [entry_form(context, "catch", fields, [("keep", say("form.keep"))])]


def _zone(context: Context, zone: str, tests: Sequence[Row]) -> Component:
    """Return a zone's tests, newest first, each against the one before it."""
    title, mark = say("zone.title", zone=zone), f"catch-{zone}"
    if not tests:
        return section(title, html.P(say("catch.none")), testid=mark)
    newest_first = sorted(tests, key=_moment, reverse=True)
    earlier: list[Row | None] = [*newest_first[1:], None]
    rows = [_row(context, one, before) for one, before in zip(newest_first, earlier, strict=True)]
    head = [say(f"catch.{key}") for key in ("when", "emitters", "du", "cu", "us", "since", "cause")]
    found = uniformity(newest_first[0]["flow_l_h"])
    return section(
        title,
        *([html.P(badge("watch", found.warning))] if found.warning else []),
        html.P(_verdict(context, found)),
        table(head, rows, caption=say("catch.caption", zone=zone), testid=f"{mark}-tests"),
        testid=mark,
    )


def _moment(test: Mapping[str, Any]) -> pd.Timestamp:
    return pd.Timestamp(test["time"]).tz_convert("UTC")


def _verdict(context: Context, found: Uniformity) -> str:
    """Return the newest test in one sentence, and how many emitters would tell the mean flow well."""
    flow = quantity_scale("flow", context.units)
    return say(
        "catch.verdict",
        us_class=found.us_class,
        mean=f"{found.mean * flow.factor:.3g}\N{NO-BREAK SPACE}{flow.unit}",
        absolute=f"{found.absolute_emission:.1f}\N{NO-BREAK SPACE}%",
        count=sample_size(found.variation, MEAN_WITHIN),
        within=f"{100 * MEAN_WITHIN:.0f}\N{NO-BREAK SPACE}%",
    )


def _row(context: Context, test: Row, before: Row | None) -> tuple[Component | str, ...]:
    found = uniformity(test["flow_l_h"])
    low, high = found.statistical_limits
    moment = html.Span(
        [
            day(_moment(test), context.installation.tz),
            html.Span(str(test["person"]), className="quiet clause"),
        ]
    )
    us = say("catch.us_of", value=f"{found.statistical:.1f}", low=f"{max(low, 0.0):.1f}", high=f"{high:.1f}")
    return (
        moment,
        str(found.count),
        f"{found.low_quarter:.1f}\N{NO-BREAK SPACE}% ({found.eu_class})",
        f"{found.christiansen:.1f}\N{NO-BREAK SPACE}%",
        html.Span([html.Span(f"{us} ({found.us_class})", className="clause"), _bar(found)]),
        _since(test, before),
        _cause(context, test),
    )


def _bar(found: Uniformity) -> Component:
    """Return Us as a bar from 0 to 100 %, its limits as a band; the number beside it says the same."""
    low, high = (min(max(end, 0.0), 100.0) for end in found.statistical_limits)
    parts = [
        html.Span(className="gauge-range", style={"left": f"{low:.1f}%", "width": f"{high - low:.1f}%"}),
        html.Span(className="gauge-mark", style={"left": f"{min(max(found.statistical, 0.0), 100.0):.1f}%"}),
    ]
    return html.Span(parts, className="gauge", **attrs({"aria-hidden": "true"}))


def _since(test: Row, before: Row | None) -> str:
    """Return what changed since the test before, and whether it is more than chance."""
    if before is None:
        return say("catch.first")
    moved = change(before["flow_l_h"], test["flow_l_h"])
    return say(
        "catch.moved",
        mean=f"{100 * moved.mean:+.1f}\N{NO-BREAK SPACE}%".replace("-", "\N{MINUS SIGN}"),
        mean_sure=say("catch.sure" if moved.mean_p < SURE else "catch.chance"),
        us=f"{moved.statistical:+.1f}".replace("-", "\N{MINUS SIGN}"),
        us_sure=say("catch.sure" if moved.variation_p < SURE else "catch.chance"),
    )


def _cause(context: Context, test: Row) -> str:
    """Return what makes the zone uneven, where pressures were measured too."""
    if "pressure_kpa" not in test:
        return NO_VALUE
    exponent = exponent_of(context.installation, str(test["zone"]))
    split = causes(test["flow_l_h"], test["pressure_kpa"], exponent=exponent)
    return say(
        "catch.split",
        share=f"{100 * split.pressure_share:.0f}\N{NO-BREAK SPACE}%",
        emitters=f"{split.emitter_quarter:.1f}\N{NO-BREAK SPACE}%",
        pressure=f"{split.pressure_quarter:.1f}\N{NO-BREAK SPACE}%",
    )
