"""What Dash calls: make a page, and make its changing parts again when something has changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from dash import Input, Output, State, no_update

from dashboard.context import Context
from dashboard.display import UNITS
from dashboard.layout import bar, page_body, page_for, saying, zone_note
from dashboard.parts import computed_line

if TYPE_CHECKING:
    from collections.abc import Callable

    from dash import Dash

    from dashboard.access.gate import Gate
    from dashboard.watch import Watch


def contexts(watch: Watch, gate: Gate) -> Callable[..., Context]:
    """Return how a page's context is made, given the reader's units and what follows the ``?`` of the address."""

    def context(units: str | None, search: str | None = None) -> Context:
        installation = watch.feed.installation
        return Context(
            installation,
            watch.snapshot,
            UNITS.get(units or "", installation.units),
            watch.clock(),
            watch.pace.days,
            gate.prefix,
            gate.session().person,
            tuple(gate.access.links().values()) if gate.access else None,
            dict(parse_qsl((search or "").removeprefix("?"))),
        )

    return context


def register(app: Dash, context: Callable[..., Context]) -> None:
    """Make the pages, and keep them new.

    Parameters
    ----------
    app : Dash
        The application.
    context : callable
        What pages are made from.
    """

    @app.callback(
        Output("bar", "children"),
        Output("page", "children"),
        Output("zone-note", "children"),
        Input("where", "pathname"),
        Input("where", "search"),
        Input("units", "data"),
    )
    def open_page(path: str | None, search: str | None, units: str | None) -> tuple[Any, Any, str]:
        now = context(units, search)
        path = path or now.prefix
        page = page_for(now, path)
        return bar(now, path), no_update if page is None else page_body(now, page, path), zone_note(now)

    _refreshers(app, context)


def _refreshers(app: Dash, context: Callable[..., Context]) -> None:
    """Make a page's changing parts again; what says the same as before is left alone."""

    @app.callback(
        Output("live", "children"),
        Input("pulse-live", "data"),
        State("where", "pathname"),
        State("units", "data"),
        prevent_initial_call=True,
    )
    def live(_pulse: object, path: str | None, units: str | None) -> Any:
        page = page_for(context(units), path or "")
        return no_update if page is None else list(page.live)

    @app.callback(
        Output("body", "children"),
        Output("body", "data-said"),
        Output("computed", "children"),
        Input("pulse-results", "data"),
        State("where", "pathname"),
        State("units", "data"),
        State("body", "data-said"),
        prevent_initial_call=True,
    )
    def body(_pulse: object, path: str | None, units: str | None, said: str | None) -> Any:
        now = context(units)
        page = page_for(now, path or "")
        if page is None:
            return no_update, no_update, no_update
        says = saying(page.body)
        fresh = (no_update, no_update) if says == said else (list(page.body), says)
        return *fresh, computed_line(now)
