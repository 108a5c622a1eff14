"""The application factory: pages by Dash, charts by a small interface of their own.

Plotly draws the charts without Dash's graph component: that one redraws a chart three times for each
zoom, and its date axis shows the time zone of whoever looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING

from dash import Dash
from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard import callbacks, drawing, guard, interface
from dashboard.access.gate import Gate
from dashboard.access.sessions import Access
from dashboard.layout import shell
from dashboard.texts import LANGUAGE, say
from dashboard.writes import Writer

if TYPE_CHECKING:
    from pathlib import Path

    from dashboard.watch import Watch

INDEX = """<!DOCTYPE html>
<html lang="{language}" data-prefix="{prefix}" data-plotly="{plotly}" data-name="{name}" data-ago="{ago}">
<head>
{{%metas%}}
<title>{{%title%}}</title>
<link rel="icon" href="data:,">
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
    users : Path or None
        File of users; without it nobody has to log in.
    behind_proxy : bool
        Whether the headers of a reverse proxy are believed.
    scope : str
        What a guest link opens, where several systems share the users.
    """

    prefix: str = "/"
    users: Path | None = None
    behind_proxy: bool = False
    scope: str = ""


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
    prefix = settings.prefix
    installation = watch.feed.installation
    server = Flask("dashboard", static_folder=None)
    app = Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]  # Dash takes an application, its annotation does not say so
        url_base_pathname=prefix,
        assets_folder=str(_here() / "assets"),
        title=installation.name,
        update_title="",
        suppress_callback_exceptions=True,
        enable_mcp=False,
        add_log_handler=False,
        index_string=_index(prefix, installation.name),
    )
    app.layout = shell(prefix=prefix, units=installation.units)
    access = (
        None
        if settings.users is None
        else Access(settings.users, lambda: watch.clock().timestamp(), settings.scope)
    )
    gate = Gate(access, prefix=prefix, name=installation.name)
    gate.stand_before(server)
    policy = guard.content_policy(app.csp_hashes())
    guard.protect(server, installation, prefix=prefix, policy=policy, callbacks=app.callback_map)
    callbacks.register(app, callbacks.contexts(watch, gate))
    interface.register(server, watch, gate)
    if settings.behind_proxy:
        server.wsgi_app = ProxyFix(server.wsgi_app, x_for=1, x_proto=1, x_host=1)  # type: ignore[method-assign]  # as its documentation says
    if watch.records is not None:
        Writer(watch, watch.records, gate).stand_at(server, prefix)
    return app


def _here() -> Path:
    return files("dashboard")  # type: ignore[return-value]  # the package is a folder, never a zip


def _index(prefix: str, name: str) -> str:
    return INDEX.format(
        language=LANGUAGE,
        prefix=escape(prefix),
        plotly=escape(f"{prefix}api/{drawing.name()}"),
        name=escape(name),
        ago=escape(say("time.ago", span="{span}")),
        noscript=escape(say("app.needs_script")),
    )
