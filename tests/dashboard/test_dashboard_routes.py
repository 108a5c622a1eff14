"""Every address that the program knows, found by asking it: closed, bounded, with its headers, writing nothing by itself."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pandas as pd
import pytest
from dash import Dash
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.security import generate_password_hash

from dashboard.access.users import User, save
from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.questions import outputs_of
from dashboard.records import Records
from dashboard.roles import ROLES
from dashboard.watch import Watch
from dashboard.writes import ROLE
from ingest.installation import Installation

WORD = "quiet river stone"
PREFIX = "/drip/"
NOW = pd.Timestamp("2026-11-25T12:00:00Z")
WRITING = ("POST", "PUT", "PATCH", "DELETE")
NAMES = {"kind": [*ROLE, "nothing"], "zone": ["bench1", "nowhere"], "secret": ["made-up"]}
"""What stands in the places of the addresses that have some; other places get a word that means nothing."""

LOOKING = "/_dash-update-component"
"""The one address that is asked by POST and only looks; see the test of the callbacks."""

fuzz = settings(
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture], max_examples=60
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write users, one of each role."""
    path = tmp_path_factory.mktemp("routes")
    cheap = generate_password_hash(WORD, "pbkdf2:sha256:1000")
    save(path / "users.toml", {role: User(role, cheap) for role in ROLES})
    return path


@pytest.fixture(scope="module")
def app(folder: Path, installation: Installation) -> Dash:
    """Return the application with everything that it can have: users, records, a prefix."""
    feed = ArchiveFeed(folder / "archive", installation)
    watch = Watch(feed, clock=lambda: NOW, records=Records(folder / "archive"))
    watch.refresh()
    return create_app(watch, Settings(PREFIX, folder / "users.toml"))


@pytest.fixture
def client(app: Dash) -> Iterator[FlaskClient]:
    """Return a browser that has not logged in."""
    with app.server.test_client() as asked:
        yield asked


def log_in(client: FlaskClient, name: str, onward: str = PREFIX) -> str:
    """Log in; return where the browser is sent."""
    page = client.get(PREFIX + "login").get_data(as_text=True)
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found is not None
    form = {"name": name, "password": WORD, "token": found[1], "next": onward}
    answer = client.post(PREFIX + "login", data=form)
    assert answer.status_code == 303
    return answer.headers["Location"]


@pytest.fixture
def manager(client: FlaskClient) -> FlaskClient:
    """Return a browser in which a manager has logged in."""
    log_in(client, "manage")
    return client


def addresses(app: Dash, methods: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return method and address of all that the program answers, each place filled in every way."""
    found = []
    for rule in app.server.url_map.iter_rules():
        filled = [rule.rule]
        for place in re.findall(r"<(?:[^:<>]+:)?([^<>]+)>", rule.rule):
            hole = re.compile(rf"<(?:[^:<>]+:)?{place}>")
            filled = [hole.sub(word, text) for text in filled for word in NAMES.get(place, ["x"])]
        found += [(m, text) for text in filled for m in methods if m in (rule.methods or set())]
    return sorted(set(found))


def state(folder: Path) -> str:
    """Return a mark of every file."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return hashlib.sha256(b"".join(str(p).encode() + p.read_bytes() for p in files)).hexdigest()


def token(client: FlaskClient) -> str:
    """Return what the session's writes must carry."""
    return str(json.loads(client.get(PREFIX + "api/pulse").data)["token"])


FORM = {
    "kind": "note",
    "note": "x",
    "about": "x",
    "action": "note",
    "days": "2",
    "zone": "bench1",
    "person": "x",
}


def test_the_crawl_finds_the_writes(app: Dash) -> None:
    """The addresses that can write are found by asking the program, and are these."""
    found = {address for _, address in addresses(app, WRITING)}

    assert {f"{PREFIX}api/entry/{kind}" for kind in ROLE} < found
    assert {PREFIX + "login", PREFIX + "logout", PREFIX[:-1] + LOOKING} < found


def test_no_write_without_a_session(app: Dash, client: FlaskClient, folder: Path) -> None:
    """Whoever has not logged in is refused at every address that can write, and no file changes."""
    before = state(folder)
    statuses = {
        address: client.open(address, method=method, json=FORM).status_code
        for method, address in addresses(app, WRITING)
    }

    assert statuses.pop(PREFIX + "login") == 400
    assert set(statuses.values()) == {401}
    assert state(folder) == before


def test_no_write_without_its_token(app: Dash, manager: FlaskClient, folder: Path) -> None:
    """A manager's browser that is made to send without the token, or with another one, changes nothing."""
    before = state(folder)
    for headers in ({}, {"X-Tricklebook-Token": "0" * 32}, {"X-Tricklebook-Token": "\u00e9"}):
        for method, address in addresses(app, WRITING):
            if address.endswith((LOOKING, "/login")):
                continue
            status = manager.open(address, method=method, json=FORM, headers=headers).status_code
            assert status in {403, 404}, (method, address, status)

    assert state(folder) == before


def test_no_write_without_the_role(app: Dash, client: FlaskClient, folder: Path) -> None:
    """Who may only look, with session and token, is refused at every address that can write."""
    log_in(client, "look")
    headers = {"X-Tricklebook-Token": token(client)}
    before = state(folder)
    for method, address in addresses(app, WRITING):
        if address.endswith((LOOKING, "/login", "/logout")):
            continue
        status = client.open(address, method=method, json=FORM, headers=headers).status_code
        assert status in {403, 404}, (method, address, status)

    assert state(folder) == before


@pytest.mark.parametrize(
    "value", [None, "", "x" * 5000, -1, [], {}, "../../etc/passwd", "/drip/zone/<script>"]
)
def test_callbacks_write_nothing_and_never_fail(
    app: Dash, manager: FlaskClient, folder: Path, value: object
) -> None:
    """Every callback, whatever it is given, is answered or refused, and no file changes."""
    before = state(folder)
    assert len(app.callback_map) > 0
    for output, callback in app.callback_map.items():
        asked: dict[str, Any] = {
            "output": output,
            "outputs": outputs_of(output),
            "inputs": [{**given, "value": value} for given in callback["inputs"]],
            "state": [{**given, "value": value} for given in callback["state"]],
            "changedPropIds": [],
        }
        status = manager.post(PREFIX[:-1] + LOOKING, json=asked).status_code
        assert status in {200, 204, 400}, output

    assert state(folder) == before


@pytest.mark.parametrize(
    "asked",
    [
        {},
        [],
        "x",
        None,
        {"output": "nothing.children", "inputs": [], "changedPropIds": []},
        {"output": 5},
        {"output": "live.children", "outputs": [], "inputs": []},
    ],
)
def test_unknown_callbacks_are_refused(manager: FlaskClient, asked: object) -> None:
    """A question that no page asks is refused, and is no failure of the server."""
    assert manager.post(PREFIX[:-1] + LOOKING, json=asked).status_code == 400


def test_every_answer_carries_its_headers(app: Dash, client: FlaskClient) -> None:
    """Pages, files, refusals and mistakes: the content policy and its companions stand on every answer."""
    answers = []
    for logged_in in (False, True):
        if logged_in:
            log_in(client, "note")
        asked = [
            *addresses(app, ("GET", *WRITING)),
            ("GET", "/"),
            ("GET", PREFIX + "a/b/c"),
            ("DELETE", PREFIX),
        ]
        answers += [client.open(address, method=method) for method, address in asked]
        answers.append(client.post(PREFIX + "login", data=b"x" * 300_000))

    assert {answer.status_code for answer in answers} >= {200, 303, 400, 401, 403, 404, 405, 413}
    for answer in answers:
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert answer.headers["Referrer-Policy"] == "same-origin"
        assert "Cache-Control" in answer.headers
        assert answer.status_code < 500
        answer.close()


def test_large_bodies_are_refused_everywhere(app: Dash, manager: FlaskClient, folder: Path) -> None:
    """No address reads a body beyond the bound."""
    before = state(folder)
    headers = {"X-Tricklebook-Token": token(manager)}
    for method, address in addresses(app, WRITING):
        if address.endswith(("/logout", "/nothing")):
            continue
        body = json.dumps({"note": "x" * 300_000})
        status = manager.open(
            address, method=method, data=body, content_type="application/json", headers=headers
        )
        assert status.status_code in {400, 413}, address

    assert state(folder) == before


@fuzz
@given(
    zone=st.text(max_size=40)
    | st.sampled_from(["..", ".", "%00", "bench1/..", "bench1\n", "BENCH1", "../../x"])
)
def test_zones_are_those_that_are_described(app: Dash, zone: str) -> None:
    """Whatever stands in a zone's place, only described zones are found, and nothing fails."""
    with app.server.test_client() as asked:
        log_in(asked, "look")
        for address in ("zone/{}", "api/chart/zone/{}", "api/file/zone/{}.csv", "run/{}/1764057600"):
            answer = asked.get(PREFIX + address.format(quote(zone, safe="")))
            assert answer.status_code == 404 or (zone.strip("/") in {"bench1", "bench2"}), address
            assert "passwd" not in answer.get_data(as_text=True)


EDGES = [
    "nan",
    "inf",
    "-inf",
    "1e300",
    "-1e300",
    "0",
    "-0",
    "1764057600",
    "253402300800",
    "1e999",
    "",
    "x",
    "٣",
    "0x10",
    "1_0",
]


@fuzz
@given(
    query=st.dictionaries(
        st.sampled_from(["from", "to", "span", "width", "units", "theme", "beside", "earlier", "zone"]),
        st.sampled_from(EDGES) | st.floats().map(repr) | st.text(max_size=8),
        max_size=6,
    )
)
def test_hostile_ranges_are_answered_or_refused(app: Dash, query: dict[str, str]) -> None:
    """Whatever range, width or unit is asked for, charts and files answer or refuse; nothing fails."""
    with app.server.test_client() as asked:
        log_in(asked, "look")
        for address in (
            "api/chart/head",
            "api/chart/zone/bench1",
            "api/file/head.csv",
            "api/file/head.parquet",
        ):
            answer = asked.get(PREFIX + address, query_string=query)
            assert answer.status_code in {200, 400, 404}, (address, answer.get_data(as_text=True)[:200])


ELSEWHERE = [
    "https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "\\\\elsewhere.example", "javascript:x",
    "/drip//elsewhere.example", "/drip/\t/elsewhere.example", "/drip/../../elsewhere", "\t//elsewhere.example",
    "/drip/%2e%2e//elsewhere.example", "/drip/\r\nSet-Cookie: a=b", "/drip/@elsewhere.example", "http:elsewhere.example",
]  # fmt: skip


@pytest.mark.parametrize("onward", ELSEWHERE)
def test_login_leads_only_to_these_pages(client: FlaskClient, onward: str) -> None:
    """After the login the browser stays below the prefix, whatever the address said."""
    inside(log_in(client, "look", onward))


@fuzz
@given(
    onward=st.text(max_size=30) | st.text(alphabet="/\\:.@?#%\t drip", max_size=20).map(lambda t: PREFIX + t)
)
def test_login_leads_nowhere_else(app: Dash, onward: str) -> None:
    """Nor does it with any other text."""
    with app.server.test_client() as asked:
        inside(log_in(asked, "look", onward))


def inside(location: str) -> None:
    """Check that an address leads below the prefix as a browser reads it: tabs dropped, backslashes turned."""
    read = re.sub(r"[\t\r\n]", "", location).replace("\\", "/")
    parts = urlsplit(read)
    assert (parts.scheme, parts.netloc) == ("", "")
    assert parts.path.startswith(PREFIX)
    assert not read.startswith("//")
    assert "/../" not in parts.path.replace("%2e", ".").replace("%2E", ".") + "/"


def test_many_guesses_under_other_names_are_stopped(folder: Path, installation: Installation) -> None:
    """Headers that claim another address do not start the count anew where no proxy is said to be there."""
    watch = Watch(ArchiveFeed(folder / "archive", installation), clock=lambda: NOW)
    client = create_app(watch, Settings(PREFIX, folder / "users.toml")).server.test_client()
    statuses = []
    for n in range(21):
        page = client.get(PREFIX + "login").get_data(as_text=True)
        found = re.search(r'name="token" value="([^"]+)"', page)
        form = {"name": f"name{n}", "password": "wrong", "token": found[1] if found else ""}
        headers = {"X-Forwarded-For": f"192.0.2.{n}", "Forwarded": f"for=192.0.2.{n}"}
        statuses.append(client.post(PREFIX + "login", data=form, headers=headers).status_code)

    assert statuses[:20] == [403] * 20
    assert statuses[20] == 429
