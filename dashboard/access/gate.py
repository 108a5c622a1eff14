"""The gate before every address: log in, come by a link, log out; who passes, and who does not."""

from __future__ import annotations

import hmac
import secrets
import time
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from flask import Response, abort, g, redirect, request

from dashboard.access.sessions import Access, Session, token
from dashboard.access.throttle import Throttle
from dashboard.access.users import check
from dashboard.questions import is_inside
from dashboard.roles import ANYONE
from dashboard.texts import LANGUAGE, say

if TYPE_CHECKING:
    from flask import Flask
    from werkzeug.wrappers import Response as AnyResponse

COOKIE, LOGIN_COOKIE = "tricklebook_session", "tricklebook_login"
TRIES, TRIES_S, ADDRESS_TRIES = 5, 300.0, 20
"""Wrong passwords for one name, and from one address, in five minutes; common practice, no source."""

OPEN_LEAVES = ("login", "api/theme.css", "assets/style.css", "healthz")
"""Addresses below the prefix that need no session."""

LOGIN = """<!DOCTYPE html>
<html lang="{language}"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="{prefix}api/theme.css"><link rel="stylesheet" href="{prefix}assets/style.css">
</head><body><main id="shell"><h1>{name}</h1><p class="answer refused" role="alert">{problem}</p>
<form class="entry" method="post" action="{prefix}login">
<label class="field"><span>{who}</span><input name="name" autocomplete="username" required maxlength="80"></label>
<label class="field"><span>{word}</span>
<input name="password" type="password" autocomplete="current-password" required maxlength="200"></label>
<input type="hidden" name="token" value="{token}"><input type="hidden" name="next" value="{next}">
<div class="buttons"><button class="button">{press}</button></div>
</form></main></body></html>"""
"""The one page that works without a script."""


class Gate:
    """Decides who passes.

    Parameters
    ----------
    access : Access or None
        Users and sessions; None where nobody has to log in.
    prefix : str
        Path under which the pages stand.
    name : str
        Of the installation, for the login page.
    """

    def __init__(self, access: Access | None, *, prefix: str, name: str) -> None:
        self.access = access
        self.prefix = prefix
        self.name = name
        self._key = access.key if access else secrets.token_bytes(32)
        self._names = Throttle(TRIES, TRIES_S, time.monotonic)
        self._addresses = Throttle(ADDRESS_TRIES, TRIES_S, time.monotonic)

    def session(self) -> Session:
        """Return who asks now; the gate has let them in."""
        found: Session = g.get("session") or Session(ANYONE, "")
        return found

    def token(self) -> str:
        """Return what the writes of who asks now must carry."""
        return token(self._key, self.session().mark)

    def has_token(self) -> bool:
        """Return whether a write carries its token."""
        given = request.headers.get("X-Tricklebook-Token", "")
        return hmac.compare_digest(given.encode(), self.token().encode())

    def stand_before(self, server: Flask) -> None:
        """Put the gate before every address of an application."""
        server.add_url_rule(
            self.prefix + "healthz", "healthz", lambda: Response("ok\n", mimetype="text/plain")
        )
        if self.access is None:
            return
        server.before_request(self._let_in)
        server.add_url_rule(self.prefix + "login", "login", self._login, methods=["GET", "POST"])
        server.add_url_rule(self.prefix + "logout", "logout", self._logout, methods=["POST"])
        server.add_url_rule(self.prefix + "share/<secret>", "share", self._share)

    def _let_in(self) -> AnyResponse | None:
        """Pass who has a session; send the others to the login page, or refuse them."""
        assert self.access is not None  # noqa: S101 - only called where it is set
        leaf = request.path.removeprefix(self.prefix)
        if leaf in OPEN_LEAVES or leaf.startswith("share/"):
            return None
        g.session = self.access.session(request.cookies.get(COOKIE))
        if g.session is not None:
            return None
        if not request.path.startswith(self.prefix):
            abort(404)
        wants_page = request.method == "GET" and not leaf.startswith(("api/", "_", "assets/"))
        if wants_page:
            return redirect(self.prefix + "login?" + urlencode({"next": request.full_path.rstrip("?")}), 303)
        return Response("Log in first.\n", 401, mimetype="text/plain")

    def _login(self) -> AnyResponse:
        assert self.access is not None  # noqa: S101 - only called where it is set
        if request.method == "GET":
            return self._login_page("", request.args.get("next", ""))
        name, word = (request.form.get(key, "") for key in ("name", "password"))
        onward = request.form.get("next", "")
        held = request.cookies.get(LOGIN_COOKIE, "")
        if not held or not hmac.compare_digest(held.encode(), request.form.get("token", "").encode()):
            return self._login_page(say("login.stale"), onward, 400)
        where = request.remote_addr or ""
        if self._names.is_spent(name) or self._addresses.is_spent(where):
            return self._login_page(say("login.too_often", minutes=round(TRIES_S / 60)), onward, 429)
        person = check(self.access.users(), name, word)
        if person is None:
            self._names.count(name)
            self._addresses.count(where)
            return self._login_page(say("login.wrong"), onward, 403)
        self._names.forget(name)
        return self._enter(self.access.open(person), onward)

    def _enter(self, cookie: str, onward: str) -> AnyResponse:
        """Give a new session its cookie and go on; only to addresses of these pages."""
        answer = redirect(onward if is_inside(onward, self.prefix) else self.prefix, 303)
        answer.set_cookie(
            COOKIE,
            cookie,
            path=self.prefix,
            httponly=True,
            samesite="Lax",
            secure=request.is_secure,
            max_age=7 * 86400,
        )
        answer.delete_cookie(LOGIN_COOKIE, path=self.prefix)
        return answer

    def _login_page(self, problem: str, onward: str, status: int = 200) -> AnyResponse:
        held = request.cookies.get(LOGIN_COOKIE) or secrets.token_urlsafe(18)
        page = LOGIN.format(
            language=LANGUAGE,
            prefix=escape(self.prefix),
            title=escape(say("login.title", name=self.name)),
            name=escape(self.name),
            problem=escape(problem),
            who=escape(say("login.name")),
            word=escape(say("login.password")),
            press=escape(say("login.press")),
            token=escape(held),
            next=escape(onward[:500]),
        )
        answer = Response(page, status, mimetype="text/html")
        answer.set_cookie(
            LOGIN_COOKIE, held, path=self.prefix, httponly=True, samesite="Strict", secure=request.is_secure
        )
        return answer

    def _logout(self) -> AnyResponse:
        if not self.has_token():
            abort(403)
        assert self.access is not None  # noqa: S101 - only called where it is set
        self.access.end(self.session())
        answer = Response("{}", mimetype="application/json")
        answer.delete_cookie(COOKIE, path=self.prefix)
        return answer

    def _share(self, secret: str) -> AnyResponse:
        assert self.access is not None  # noqa: S101 - only called where it is set
        where = request.remote_addr or ""
        if self._addresses.is_spent(where):
            return Response(
                say("login.too_often", minutes=round(TRIES_S / 60)) + "\n", 429, mimetype="text/plain"
            )
        cookie = self.access.guest(secret)
        if cookie is None:
            self._addresses.count(where)
            return Response(say("login.link_over") + "\n", 403, mimetype="text/plain")
        return self._enter(cookie, self.prefix)
