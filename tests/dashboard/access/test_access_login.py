"""Nothing is shown without a session, and a session is got, kept and lost by the rules."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from flask.testing import FlaskClient

from dashboard.access.sessions import LASTS_S, Access
from dashboard.access.users import made, save
from dashboard.app import Settings, create_app
from dashboard.roles import Person
from dashboard.watch import Watch
from dashboard.writes import ROLE
from tests.dashboard.access.gate import NOW, WORD, Clock, log_in

CLOSED = [
    "/",
    "/zone/bench1",
    "/findings",
    "/api/pulse",
    "/api/chart/head",
    "/api/file/head.csv",
    "/assets/base.js",
    "/_dash-layout",
    "/_dash-dependencies",
    "/_dash-component-suites/dash/deps/react@18.3.1.min.js",
    "/_favicon.ico",
    "/_reload-hash",
    "/nowhere",
]


@pytest.mark.parametrize("path", CLOSED)
def test_everything_is_closed_without_a_session(client: FlaskClient, path: str) -> None:
    """Pages lead to the login page, everything else is refused."""
    answer = client.get(path)

    assert answer.status_code in {303, 401}
    assert answer.status_code == 401 or answer.headers["Location"].startswith("/login?next=")


def test_every_route_but_the_login_is_closed(client: FlaskClient) -> None:
    """No address that the program knows answers without a session, except the few that must."""
    rules = [rule for rule in client.application.url_map.iter_rules() if "<" not in rule.rule]
    open_ones = {rule.rule for rule in rules if client.open(rule.rule, method="GET").status_code == 200}

    assert open_ones == {"/login", "/healthz", "/api/theme.css"}


def test_posts_are_closed_without_a_session(client: FlaskClient) -> None:
    """No write and no callback is answered without a session."""
    for path in ("/_dash-update-component", "/logout", *(f"/api/entry/{kind}" for kind in ROLE)):
        assert client.post(path, json={}).status_code == 401


def test_login_opens_the_pages(client: FlaskClient) -> None:
    """Name and password open the pages; the cookie cannot be read by scripts or sent from elsewhere."""
    assert log_in(client, "look", onward="/zone/bench1") == 303
    cookie = client.get_cookie("tricklebook_session")

    assert cookie is not None
    assert cookie.http_only
    assert cookie.same_site == "Lax"
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    "onward", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:x"]
)
def test_login_leads_nowhere_else(client: FlaskClient, onward: str) -> None:
    """After the login the browser stays on these pages, whatever the address says."""
    page = client.get("/login").get_data(as_text=True)
    token = re.search(r'name="token" value="([^"]+)"', page)
    assert token is not None
    answer = client.post("/login", data={"name": "look", "password": WORD, "token": token[1], "next": onward})

    assert answer.headers["Location"] in {"/", "/\\elsewhere.example"[:1]}


def test_login_page_shows_what_it_is_given_as_text(client: FlaskClient) -> None:
    """Markup in the address does not become markup on the page."""
    page = client.get("/login", query_string={"next": '"><script>x</script>'}).get_data(as_text=True)

    assert "<script>" not in page


def test_login_without_its_token_is_refused(client: FlaskClient) -> None:
    """A form on another page cannot log somebody in."""
    client.get("/login")

    assert client.post("/login", data={"name": "look", "password": WORD, "token": "x"}).status_code == 400


def test_brute_force_is_stopped(client: FlaskClient) -> None:
    """After five wrong passwords the right one is not taken either, for a while."""
    statuses = [log_in(client, "note", f"wrong number {n}") for n in range(5)]

    assert statuses == [403] * 5
    assert log_in(client, "note") == 429
    assert log_in(client, "look") == 303


def test_brute_force_over_many_names_is_stopped(client: FlaskClient) -> None:
    """Trying many names from one address is stopped too."""
    statuses = [log_in(client, f"name{n}", "wrong number") for n in range(21)]

    assert statuses[-1] == 429


@pytest.mark.parametrize(
    "cookie", ["", "x", "eyJuIjoibWFuYWdlIn0.x", "eyJuIjoibWFuYWdlIiwibSI6IngiLCJ0IjoxfQ.AAAA"]
)
def test_forged_sessions_are_refused(client: FlaskClient, cookie: str) -> None:
    """A cookie that this server did not sign opens nothing."""
    client.set_cookie("tricklebook_session", cookie)

    assert client.get("/api/pulse").status_code == 401


def test_sessions_end(client: FlaskClient, clock: Clock) -> None:
    """A session ends after its time, by logging out, and for good."""
    log_in(client, "look")
    cookie = client.get_cookie("tricklebook_session")
    assert cookie is not None
    token = json.loads(client.get("/api/pulse").data)["token"]
    clock.now = NOW + pd.Timedelta(seconds=LASTS_S + 1)
    assert client.get("/api/pulse").status_code == 401
    clock.now = NOW

    assert client.post("/logout", headers={"X-Tricklebook-Token": token}).status_code == 200

    client.set_cookie("tricklebook_session", cookie.value)
    assert client.get("/api/pulse").status_code == 401


def test_login_makes_a_new_session(client: FlaskClient) -> None:
    """A session that somebody slipped in before the login is not the one after it."""
    log_in(client, "look")
    first = client.get_cookie("tricklebook_session")
    log_in(client, "look")
    second = client.get_cookie("tricklebook_session")

    assert first is not None
    assert second is not None
    assert first.value != second.value


def test_sessions_outlive_a_restart(watch: Watch, users: Path, client: FlaskClient) -> None:
    """Who was logged in stays so when the server begins anew."""
    log_in(client, "note")
    cookie = client.get_cookie("tricklebook_session")
    assert cookie is not None

    again = create_app(watch, Settings(users=users)).server.test_client()
    again.set_cookie("tricklebook_session", cookie.value)

    assert again.get("/api/pulse").status_code == 200


def test_new_password_or_role_ends_sessions(tmp_path: Path) -> None:
    """A changed password or role, or a user taken out, ends that user's sessions at once."""
    path = tmp_path / "users.toml"
    save(path, {"a": made("a", WORD, "note")})
    access = Access(path, lambda: 1000.0)
    cookie = access.open(Person("a", "note"))
    assert access.session(cookie) is not None

    save(path, {"a": made("a", WORD, "manage")})
    assert access.session(cookie) is None
    save(path, {})
    assert access.session(cookie) is None
