"""Serve the dashboard: one process, a few threads, until it is told to end."""

from __future__ import annotations

import errno
import logging
import socket
import sys
from dataclasses import dataclass
from ipaddress import ip_address
from typing import TYPE_CHECKING

import waitress

from dashboard.analyst import Analyst
from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.guard import LARGEST_BODY
from dashboard.keeper import Keeper
from dashboard.notices.own import ingest_watcher
from dashboard.records import Records
from dashboard.watch import Pace, Watch, utc_now
from ingest.errors import UserError
from ingest.memory import be_frugal, is_small

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from waitress.server import BaseWSGIServer

    from ingest.installation import Installation

THREADS = 6
"""Threads that answer; charts are short work, so a few serve many readers. [-]"""


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens, or say why there is none.

    Parameters
    ----------
    host : str
        Address or name to listen at.
    port : int
        Port; 0 takes any that is free.

    Returns
    -------
    socket.socket
        Bound, not yet accepting.

    Raises
    ------
    UserError
        If the port is in use, or may not be used, or the host is not one of this machine.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        server = socket.create_server(address[:2], family=family)
    except OSError as error:
        reason = {
            errno.EADDRINUSE: f"port {port} is in use; name another one with --port",
            errno.EACCES: f"port {port} may not be used; name one above 1023 with --port",
            errno.EADDRNOTAVAIL: f"{host} is no address of this machine; name one with --host",
        }.get(error.errno or 0, f"cannot listen at {host}, port {port}: {error.strerror or error}")
        raise UserError(reason) from error
    return server


def check_reach(host: str, settings: Settings) -> None:
    """Refuse pages that others can reach and that ask nobody who they are.

    Raises
    ------
    UserError
        If the host is not this machine alone, there are no users, and no proxy stands before the pages.
    """
    alone = host == "localhost" or _is_loopback(host)
    if alone or settings.users is not None or settings.behind_proxy:
        return
    msg = (
        f"others could reach the pages at {host}, and nobody would be asked who they are; give --users FILE "
        "(made by `tricklebook users add`), or --behind-proxy where a proxy asks"
    )
    raise UserError(msg)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def serve(
    archive: Path,
    installation: Installation,
    *,
    host: str = "127.0.0.1",
    port: int = 8050,
    settings: Settings | None = None,
    pace: Pace | None = None,
) -> None:
    """Serve the dashboard until interrupted.

    Parameters
    ----------
    archive : Path
        Folder of the archive.
    installation : Installation
        The system.
    host : str
        Where to listen; this machine alone by default.
    port : int
        Port to listen at.
    settings : Settings, optional
        How the pages are served.
    pace : Pace, optional
        How often readings and results are looked at.

    Raises
    ------
    UserError
        If the port cannot be had.
    """
    settings = settings or Settings()
    check_reach(host, settings)
    be_frugal()
    listener = listen(host, port)
    shown = opened(archive, installation, settings, pace)
    shown.watch.start()
    try:
        answer(shown.application, listener, host, settings)
    finally:
        shown.close()


@dataclass(frozen=True, slots=True)
class Shown:
    """The pages of one installation, and what keeps them new.

    Attributes
    ----------
    application : callable
        WSGI application.
    watch : Watch
        To be started.
    analyst : Analyst or None
        Its process ends with `close`; None where memory is scarce and the server analyses by itself.
    """

    application: Callable[..., Iterable[bytes]]
    watch: Watch
    analyst: Analyst | None

    def close(self) -> None:
        """End what keeps the pages new."""
        self.watch.begin_to_stop()
        if self.analyst is not None:
            self.analyst.end()
        self.watch.stop()


def opened(archive: Path, installation: Installation, settings: Settings, pace: Pace | None = None) -> Shown:
    """Return the pages of an installation. Parameters as for `serve`."""
    analyst = None if is_small() else Analyst(archive, installation)
    feed = ArchiveFeed(archive, installation, analyst)
    watch = Watch(
        feed,
        pace,
        keeper=Keeper(archive, feed, utc_now),
        records=Records(archive),
        also=ingest_watcher(archive, installation.site, utc_now()),
    )
    return Shown(create_app(watch, settings).server, watch, analyst)


def answering(
    application: Callable[..., Iterable[bytes]], listener: socket.socket, settings: Settings
) -> BaseWSGIServer:
    """Return what answers at a socket once it is told to run.

    Parameters
    ----------
    application : callable
        WSGI application.
    listener : socket.socket
        Where it is asked.
    settings : Settings
        Whether a proxy's headers are let through; from anybody else they are dropped.
    """
    server: BaseWSGIServer = waitress.create_server(
        application,
        sockets=[listener],
        threads=THREADS,
        max_request_body_size=LARGEST_BODY,
        ident=None,
        clear_untrusted_proxy_headers=not settings.behind_proxy,
    )
    return server


def answer(
    application: Callable[..., Iterable[bytes]], listener: socket.socket, host: str, settings: Settings
) -> None:
    """Answer with an application at a socket until interrupted, and say where."""
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    server = answering(application, listener, settings)
    where = f"http://{host}:{listener.getsockname()[1]}{settings.prefix}"
    sys.stderr.write(f"tricklebook: the dashboard is at {where} (Ctrl-C ends it)\n")
    sys.stderr.flush()
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()
