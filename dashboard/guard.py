"""What every answer carries and every question must pass: headers, origin, size, known addresses."""

from __future__ import annotations

import gzip
from functools import lru_cache
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from dash.exceptions import DependencyException
from flask import Response, abort, request

from dashboard.layout import is_known, parts_of
from dashboard.questions import is_sensible

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from flask import Flask

    from ingest.installation import Installation

LARGEST_BODY = 256 * 1024
"""Largest request that is read; the largest form of these pages is far below it. [B]"""

_WORTH_PACKING = 1024
_PACKED_TYPES = ("application/json", "text/html", "text/css", "text/javascript", "application/javascript")


def content_policy(script_hashes: Sequence[str]) -> str:
    """Return the content policy: everything from this server, nothing from elsewhere.

    Examples
    --------
    >>> "default-src 'self'" in content_policy([])
    True
    """
    return "; ".join(
        (
            "default-src 'self'",
            "script-src 'self' " + " ".join(script_hashes),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "connect-src 'self'",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def same_origin(origin: str | None, site: str | None, host: str) -> bool:
    """Return whether a request comes from these pages, as far as the browser tells.

    Parameters
    ----------
    origin, site : str or None
        Headers Origin and Sec-Fetch-Site.
    host : str
        Header Host.

    Returns
    -------
    bool
        False where either header names another place.

    Examples
    --------
    >>> same_origin("https://elsewhere.example", None, "drip.example")
    False
    """
    if site is not None and site not in {"same-origin", "none"}:
        return False
    return origin is None or urlsplit(origin).netloc == host


def protect(
    server: Flask, installation: Installation, *, prefix: str, policy: str, callbacks: Container[str]
) -> None:
    """Shield the pages of an installation, and answer no question but their own.

    Parameters
    ----------
    server : Flask
        The application.
    installation : Installation
        Whose names are known.
    prefix : str
        Path under which the pages stand.
    policy : str
        Content policy.
    callbacks : container of str
        Outputs that Dash has callbacks for.
    """
    shield(server, policy)
    pages = {prefix, prefix + "<path:path>"}

    @server.before_request
    def check() -> None:
        rule = request.url_rule.rule if request.url_rule else ""
        if rule == prefix + "_dash-update-component" and not is_sensible(
            request.get_json(silent=True), callbacks
        ):
            abort(Response("No page asks this.\n", 400, mimetype="text/plain"))
        if rule in pages and not is_known(installation, parts_of(request.path, prefix)):
            abort(404)


def shield(server: Flask, policy: str) -> None:
    """Put the check of origin before every question and the headers on every answer.

    Parameters
    ----------
    server : Flask
        The application.
    policy : str
        Content policy.
    """
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    headers = {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=()",
    }

    @server.before_request
    def same() -> None:
        if request.method not in {"GET", "HEAD"} and not same_origin(
            request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site"), request.host
        ):
            abort(Response("This request came from another site.\n", 403, mimetype="text/plain"))

    @server.after_request
    def finish(answer: Response) -> Response:
        for name, value in headers.items():
            answer.headers.setdefault(name, value)
        answer.headers.setdefault("Cache-Control", "no-store")
        return pack(answer)

    @server.errorhandler(DependencyException)
    @server.errorhandler(404)
    def missing(_error: Exception) -> Response:
        return Response("There is no such page here.\n", 404, mimetype="text/plain")


def pack(answer: Response) -> Response:
    """Return the answer compressed, where the browser takes it and it is worth it."""
    if (
        "gzip" not in request.headers.get("Accept-Encoding", "")
        or answer.direct_passthrough
        or answer.mimetype not in _PACKED_TYPES
        or "Content-Encoding" in answer.headers
    ):
        return answer
    body = answer.get_data()
    if len(body) > _WORTH_PACKING:
        fixed = "_dash-component-suites" in request.path
        answer.set_data(packed_once(body) if fixed else gzip.compress(body, 4, mtime=0))
        answer.headers["Content-Encoding"] = "gzip"
        answer.headers["Vary"] = "Accept-Encoding"
    return answer


@lru_cache(maxsize=64)
def packed_once(body: bytes) -> bytes:
    """Return a body compressed; the work is done once for each that never changes."""
    return gzip.compress(body, 6, mtime=0)
