"""Forms: what a person writes down. ``assets/forms.js`` sends them and keeps drafts until they are kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from dash import html

from dashboard.attrs import attrs
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from dashboard.context import Context


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to fill in.

    Attributes
    ----------
    name : str
        As it is sent.
    label : str
        As it is asked.
    kind : {"line", "text", "file", "choice"}
        One line, many lines, many lines that a file may fill, or one of `options`.
    hint : str
        How it is written.
    options : sequence of tuple of str
        Value and word of each choice.
    """

    name: str
    label: str
    kind: Literal["line", "text", "file", "choice"] = "line"
    hint: str = ""
    options: Sequence[tuple[str, str]] = ()


def entry_form(
    context: Context, kind: str, fields: Sequence[Field], buttons: Sequence[tuple[str, str]], *, key: str = ""
) -> Component:
    """Return a form that writes one entry down.

    Parameters
    ----------
    context : Context
        What the page is made from; the form asks for a name where nobody has logged in.
    kind : str
        What is entered; the last part of the address that the form is sent to.
    fields : sequence of Field
        What to fill in.
    buttons : sequence of tuple of str
        Value and word of each button; the value is sent as ``action``.
    key : str
        Tells forms of one kind apart: sent as ``about``.

    Returns
    -------
    Component
        The form.
    """
    asked = list(fields)
    if not context.person.name:
        asked.append(Field("person", say("form.person"), hint=say("form.person_hint")))
    press = [
        html.Button(word, type="submit", className="button", name="action", value=value)
        for value, word in buttons
    ]
    return html.Form(
        [
            *(_row(field) for field in asked),
            html.Div(press, className="buttons"),
            html.P("", role="status", className="answer"),
        ],
        className="entry",
        **attrs(
            {
                "data-address": context.path("api", "entry", kind),
                "data-about": key,
                "data-failed": say("form.failed"),
                "data-testid": f"form-{kind}",
            }
        ),
    )


def _row(field: Field) -> Component:
    """Return a field under its label; the hint is part of the label, so that readers hear it."""
    label: list[Component | str] = [field.label]
    if field.hint:
        label.append(html.Span(f" ({field.hint})", className="quiet"))
    asked = html.Label([html.Span(label), _control(field)], className="field")
    if field.kind != "file":
        return asked
    word = attrs({"data-file-into": field.name, "data-word": say("form.from_file")})
    return html.Div([asked, html.Div(className="from-file", **word)])


def _control(field: Field) -> Component:
    """Return what is filled in; plain HTML, because Dash's own input takes typed text back on a redraw."""
    if field.kind == "choice":
        options = [html.Option(word, value=value) for value, word in field.options]
        return html.Select(options, name=field.name)
    if field.kind in {"text", "file"}:
        return html.Textarea(name=field.name, rows="3")
    return html.Textarea(name=field.name, rows="1", className="line")
