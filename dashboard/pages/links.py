"""Links that let a guest look: who made them, until when, and a form to make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from dash import html

from dashboard.display import when
from dashboard.forms import Field, entry_form
from dashboard.parts import section
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.access.sessions import Link
    from dashboard.context import Context


def link_form(context: Context) -> list[Component]:
    """Return the form that makes a link, for a part of a page that is made once.

    Its answer is the only time that the address is shown, so nothing may put the form in anew.
    """
    if context.links is None or not context.person.may("manage"):
        return []
    fields = [Field("note", say("link.note")), Field("days", say("link.days"), hint=say("link.days_hint"))]
    form = entry_form(context, "link", fields, [("make", say("link.make"))])
    return [html.Details([html.Summary(say("link.enter")), form])]


def links(context: Context) -> list[Component]:
    """Return the links that let guests look, for those who may make them."""
    if context.links is None or not context.person.may("manage"):
        return []
    rows = [
        html.Li(
            [
                say("link.until", when=_until(context, link), person=link.person) + f": {link.what}",
                entry_form(context, "unlink", [], [("end", say("link.end"))], key=link.mark),
            ]
        )
        for link in context.links
    ]
    return [
        section(
            say("link.title"),
            html.Ul(rows, className="remarks") if rows else html.P(say("link.none")),
            testid="links",
        )
    ]


def _until(context: Context, link: Link) -> str:
    return when(pd.Timestamp(link.until_s, unit="s", tz="UTC"), context.installation.tz, context.now)
