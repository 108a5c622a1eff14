"""Serves a fleet: its own page at the root, the pages of a site below ``site/NAME/``, made when they are asked for."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from dataclasses import replace
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pandas as pd
from flask import Flask, Request, Response, abort, redirect, request, send_from_directory
from jinja2 import Environment, PackageLoader
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard import guard
from dashboard.access.gate import COOKIE, Gate
from dashboard.access.sessions import Access
from dashboard.display import duration
from dashboard.fleet.patrol import read_notes
from dashboard.fleet.standing import LEVELS, chosen, is_silent, ordered
from dashboard.notices.own import INGEST_SILENT, receivers_of
from dashboard.serve import Shown, answer, check_reach, listen, opened
from dashboard.texts import LANGUAGE, say
from dashboard.theme import style_sheet
from dashboard.watch import Pace, utc_now
from ingest.errors import UserError
from ingest.fleet import FLEET, sites_in
from ingest.load_installation import load
from ingest.memory import be_frugal
from ingest.status import read_all

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from dashboard.app import Settings

OPEN_SITES = 4
"""Sites whose pages are kept ready; each has threads and a process that analyses. Measured for the sample garden
(benchmarks, small_computer): that process takes 150 to 210 MB."""

AGAIN_S = 30
"""Time after which the fleet's page shows itself anew. [s]"""

MARKS = {"failed": "stop", "good": "fresh", "unseen": "unknown"}
"""How a site stands to its symbol, where that is not of the same name."""

SITE = "site/"
"""What stands between the prefix and a site's name."""

log = logging.getLogger(__name__)


class Sites:
    """The pages of sites, the last few that were asked for.

    Parameters
    ----------
    folder : Path
        The fleet's.
    settings : Settings
        How the fleet's page is served.
    pace : Pace
        How often a site's readings and results are looked at.
    """

    def __init__(self, folder: Path, settings: Settings, pace: Pace) -> None:
        self._folder = folder
        self._settings = settings
        self._pace = pace
        self._lock = threading.Lock()
        self._open: OrderedDict[str, Shown] = OrderedDict()

    def application(self, name: str) -> Callable[..., Iterable[bytes]] | None:
        """Return the pages of a site, or None where there is no such site."""
        with self._lock:
            if name not in self._open:
                site = next((site for site in sites_in(self._folder) if site.name == name), None)
                if site is None:
                    return None
                prefix = f"{self._settings.prefix}{SITE}{name}/"
                settings = replace(self._settings, prefix=prefix, scope=f"{SITE}{name}", behind_proxy=False)
                shown = opened(site.archive, load(site.description), settings, self._pace)
                shown.watch.start()
                self._open[name] = shown
                while len(self._open) > OPEN_SITES:
                    _, old = self._open.popitem(last=False)
                    threading.Thread(target=old.close, daemon=True).start()
            self._open.move_to_end(name)
            return self._open[name].application

    @property
    def names(self) -> tuple[str, ...]:
        """The sites whose pages are ready, the one asked for last at the end."""
        return tuple(self._open)

    def close(self) -> None:
        """End what keeps the pages new."""
        with self._lock:
            for shown in self._open.values():
                shown.close()
            self._open.clear()


class Dispatch:
    """Gives each request to the fleet's page or to a site's pages.

    Parameters
    ----------
    fleet : Flask
        The fleet's page.
    sites : Sites
        The sites' pages.
    settings : Settings
        How all are served.
    clock : callable
        Gives the present. [UTC]
    """

    def __init__(
        self,
        fleet: Flask,
        sites: Sites,
        settings: Settings,
        clock: Callable[[], pd.Timestamp] = utc_now,
    ) -> None:
        self._fleet = fleet
        self._sites = sites
        self._users = settings.users
        self._clock = clock
        self._below = settings.prefix + SITE

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer a request."""
        path = str(environ.get("PATH_INFO", ""))
        name, slash, leaf = path.removeprefix(self._below).partition("/")
        if path.startswith(self._below) and slash and self._may_enter(environ, name, leaf):
            try:
                found = self._sites.application(name)
            except UserError as error:
                log.warning("the pages of %r could not be made: %s", name, error)
                said = say("fleet.site_failed", problem=str(error))
                return Response(said + "\n", 503, mimetype="text/plain")(environ, start_response)
            if found is not None:
                return found(environ, start_response)
        return self._fleet(environ, start_response)

    def _may_enter(self, environ: dict[str, Any], name: str, leaf: str) -> bool:
        """Tell whether who asks has a session or a guest's link: a stranger lets no site be opened."""
        if self._users is None:
            return True
        scopes = [
            Access(self._users, lambda: self._clock().timestamp(), scope) for scope in ("", SITE + name)
        ]
        cookie = Request(environ).cookies.get(COOKIE)
        secret = leaf.removeprefix("share/")
        return any(access.session(cookie) is not None for access in scopes) or (
            secret != leaf and scopes[1].guest(secret) is not None
        )


def fleet_page(folder: Path, settings: Settings, clock: Callable[[], pd.Timestamp] = utc_now) -> Flask:
    """Return the fleet's page as an application.

    Parameters
    ----------
    folder : Path
        The fleet's.
    settings : Settings
        How it is served.
    clock : callable
        Gives the present. [UTC]
    """
    server = Flask("fleet", static_folder=None)
    prefix = settings.prefix
    access = None if settings.users is None else Access(settings.users, lambda: clock().timestamp())
    gate = Gate(access, prefix=prefix, name=say("fleet.title"))
    gate.stand_before(server)
    guard.shield(server, guard.content_policy([]))
    environment = Environment(loader=PackageLoader("dashboard.fleet", "templates"), autoescape=True)
    environment.globals.update(
        say=say, language=LANGUAGE, prefix=prefix, kinds=(*LEVELS, "silent"), again=AGAIN_S
    )

    @server.get(prefix)
    def overview() -> str:
        now = clock()
        level, find = request.args.get("level", ""), request.args.get("find", "")[:80]
        every = ordered(read_notes(folder), now)
        counts = {name: len(chosen(every, now, level=name)) for name in (*LEVELS, "silent")}
        return environment.get_template("fleet.html").render(
            rows=[_row(one, now) for one in chosen(every, now, level=level, find=find)],
            total=len(every),
            counts=counts,
            level=level,
            find=find,
            ingest=_ingest(folder, now),
        )

    @server.get(prefix + "api/theme.css")
    def theme() -> Response:
        return Response(style_sheet(), mimetype="text/css", headers={"Cache-Control": "no-cache"})

    @server.get(prefix + "assets/style.css")
    def style() -> Response:
        return send_from_directory(str(files("dashboard") / "assets"), "style.css")

    @server.get(prefix + "assets/fleet.js")
    def script() -> Response:
        return send_from_directory(str(files("dashboard.fleet") / "static"), "fleet.js")

    @server.get(f"{prefix}{SITE}<name>")
    def site(name: str) -> Any:
        if name not in {one.name for one in sites_in(folder)}:
            abort(404)
        return redirect(f"{prefix}{SITE}{name}/", 308)

    return server


def _row(one: Any, now: pd.Timestamp) -> dict[str, Any]:
    """Return what the page shows of a site."""

    def age(text: str) -> str:
        return duration((now - pd.Timestamp(text)).total_seconds()) if text else ""

    return {
        "one": one,
        "level": one.level,
        "mark": MARKS.get(one.level, one.level),
        "open": one.open or {},
        "newest": age(one.newest),
        "looked": age(one.looked),
        "silent": is_silent(one, now),
    }


def _ingest(folder: Path, now: pd.Timestamp) -> str:
    """Return what is wrong with the one ingester of the fleet, empty where all is well or there is none."""
    _, statuses = read_all(folder, FLEET)
    if not statuses:
        return ""
    found = receivers_of(statuses)
    if found.alive is not None and now - found.alive < INGEST_SILENT:
        return ""
    since = say("fleet.never") if found.alive is None else duration((now - found.alive).total_seconds())
    return say("fleet.ingest_stopped", since=since, problem=found.problem)


def serve_fleet(folder: Path, *, host: str, port: int, settings: Settings, pace: Pace) -> None:
    """Serve a fleet until interrupted. Parameters and errors as for `dashboard.serve.serve`."""
    sites_in(folder)
    check_reach(host, settings)
    be_frugal()
    listener = listen(host, port)
    sites = Sites(folder, settings, pace)
    application: Any = Dispatch(fleet_page(folder, settings), sites, settings)
    if settings.behind_proxy:
        application = ProxyFix(application, x_for=1, x_proto=1, x_host=1)
    command = [
        sys.executable,
        "-m",
        "dashboard.fleet.patrol",
        str(folder),
        *(str(d) for d in (pace.days, pace.season)),
    ]
    done = threading.Event()
    patrol = threading.Thread(target=_keep, args=(command, done), daemon=True)
    patrol.start()
    try:
        answer(application, listener, host, settings)
    finally:
        done.set()
        patrol.join()
        sites.close()


def _keep(command: list[str], done: threading.Event) -> None:
    """Keep the patrol going until the end, and start it again where it ends by itself."""
    while not done.is_set():
        process = subprocess.Popen(command, stdin=subprocess.PIPE)  # noqa: S603 - our own module
        while process.poll() is None and not done.wait(0.5):
            pass
        if process.stdin is not None:
            process.stdin.close()
        process.terminate()
        process.wait()
        begun = time.monotonic()
        while not done.wait(0.5) and time.monotonic() < begun + 10.0:
            pass
