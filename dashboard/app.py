"""The application factory: pages by Dash, charts by a small interface of their own.

Plotly draws the charts without Dash's graph component: that one redraws a chart three times for each
zoom, and its date axis shows the time zone of whoever looks.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import plotly
from dash import Dash, Input, Output, State, no_update
from flask import Flask, Response, abort, request

from dashboard import guard
from dashboard.charts import chart_json, wanted
from dashboard.context import Context
from dashboard.layout import bar, page_body, page_for, saying, shell, zone_note
from dashboard.parts import computed_line
from dashboard.texts import LANGUAGE, say
from dashboard.theme import style_sheet

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from dashboard.watch import Watch

INDEX = """<!DOCTYPE html>
<html lang="{language}" data-prefix="{prefix}" data-plotly="{plotly}" data-name="{name}" data-ago="{ago}">
<head>
{{%metas%}}
<title>{{%title%}}</title>
{{%favicon%}}
<link rel="stylesheet" href="{prefix}api/theme.css">
{{%css%}}
</head>
<body>
<noscript>{noscript}</noscript>
{{%app_entry%}}
{{%config%}}
{{%scripts%}}
{{%renderer%}}
</body>
</html>"""
"""The page that carries all others."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How the dashboard is served.

    Attributes
    ----------
    prefix : str
        Path under which the pages stand, with a slash at both ends.
    """

    prefix: str = "/"


def create_app(watch: Watch, settings: Settings | None = None) -> Dash:
    """Return the application.

    Parameters
    ----------
    watch : Watch
        Keeps what is known; the caller starts and stops it.
    settings : Settings, optional
        How it is served.

    Returns
    -------
    Dash
        Its ``server`` is a WSGI application.
    """
    settings = settings or Settings()
    installation = watch.feed.installation
    server = Flask("dashboard", static_folder=None)
    app = Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]  # Dash takes an application, its annotation does not say so
        url_base_pathname=settings.prefix,
        assets_folder=str(_here() / "assets"),
        title=installation.name,
        update_title="",
        suppress_callback_exceptions=True,
        enable_mcp=False,
        add_log_handler=False,
        index_string=_index(settings.prefix, installation.name),
    )
    app.layout = shell(prefix=settings.prefix, units=installation.units)
    _callbacks(app, watch, settings)
    _interface(server, watch, settings)
    guard.protect(server, installation, prefix=settings.prefix, policy=guard.content_policy(app.csp_hashes()))
    return app


def _here() -> Path:
    return files("dashboard")  # type: ignore[return-value]  # the package is a folder, never a zip


def _index(prefix: str, name: str) -> str:
    return INDEX.format(
        language=LANGUAGE,
        prefix=escape(prefix),
        plotly=escape(f"{prefix}api/plotly-{plotly.__version__}.js"),
        name=escape(name),
        ago=escape(say("time.ago", span="{span}")),
        noscript=escape(say("app.needs_script")),
    )


def _callbacks(app: Dash, watch: Watch, settings: Settings) -> None:
    """Make the pages, and make their changing parts again when something has changed."""

    def context(units: str | None) -> Context:
        chosen = units if units in {"metric", "us"} else watch.feed.installation.units
        return Context(
            watch.feed.installation,
            watch.snapshot,
            chosen,  # type: ignore[arg-type]  # one of two words, by the line above
            watch.clock(),
            watch.pace.days,
            settings.prefix,
        )

    @app.callback(
        Output("bar", "children"),
        Output("page", "children"),
        Output("zone-note", "children"),
        Input("where", "pathname"),
        Input("units", "data"),
    )
    def open_page(path: str | None, units: str | None) -> tuple[Any, Any, str]:
        now = context(units)
        path = path or settings.prefix
        page = page_for(now, path)
        return bar(now, path), no_update if page is None else page_body(now, page, path), zone_note(now)

    _refreshers(app, context)


def _refreshers(app: Dash, context: Callable[[str | None], Context]) -> None:
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


def _interface(server: Flask, watch: Watch, settings: Settings) -> None:
    """Serve charts, the pulse, the colours and the drawing library."""
    base = settings.prefix + "api/"
    instance = secrets.token_hex(4)
    library = (files("plotly") / "package_data" / "plotly.min.js").read_bytes()

    @server.get(base + "pulse")
    def pulse() -> Response:
        snapshot = watch.snapshot
        return _json(
            {
                "live": f"{instance}-{snapshot.live}-{len(watch.pending)}",
                "results": f"{instance}-{snapshot.version}",
                "now": int(watch.clock().timestamp() * 1000),
            }
        )

    @server.get(base + "chart/head", defaults={"zone": None})
    @server.get(base + "chart/zone/<zone>")
    def chart(zone: str | None) -> Response:
        installation = watch.feed.installation
        if zone is not None and zone not in installation.zone:
            abort(404)
        now = watch.clock().timestamp()
        try:
            asked = wanted(request.args, now)
        except ValueError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        made = chart_json(
            installation,
            watch.snapshot.results,
            zone,
            asked,
            now,
            watch.windows,
            watch.pending,
        )
        return _json(made)

    @server.get(base + "theme.css")
    def theme() -> Response:
        return Response(style_sheet(), mimetype="text/css")

    @server.get(base + f"plotly-{plotly.__version__}.js")
    def drawing() -> Response:
        packed = "gzip" in request.headers.get("Accept-Encoding", "")
        answer = Response(guard.packed_once(library) if packed else library, mimetype="text/javascript")
        answer.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        answer.headers["Vary"] = "Accept-Encoding"
        if packed:
            answer.headers["Content-Encoding"] = "gzip"
        return answer


def _json(value: object) -> Response:
    return Response(json.dumps(value, allow_nan=False, separators=(",", ":")), mimetype="application/json")
