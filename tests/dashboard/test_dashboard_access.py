"""Only who may gets in, and only who may write writes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from analysis.results import Finding
from dashboard.access.sessions import LASTS_S, Access
from dashboard.access.throttle import Throttle
from dashboard.access.users import User, check, load, made, save
from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.records import Records
from dashboard.roles import ROLES, Person
from dashboard.watch import Watch
from dashboard.writes import ROLE
from ingest.errors import UserError
from ingest.installation import Installation
from tests.dashboard import field

WORD = "quiet river stone"
NOW = pd.Timestamp("2026-11-25T12:00:00Z")
LEAK = Finding(
    "leak", "bench1", None, NOW - pd.Timedelta(hours=1), NOW, "act", None, None, "seen", (), "look"
)
NASTY = "<script>document.title='x'</script><img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def users(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a file with one user of each role, all with the same password."""
    path = tmp_path_factory.mktemp("access") / "users.toml"
    cheap = generate_password_hash(WORD, "pbkdf2:sha256:1000")
    save(path, {role: User(role, cheap) for role in ROLES})
    return path


class Clock:
    """A clock that a test may move."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> pd.Timestamp:
        """Return the present."""
        return self.now


@pytest.fixture
def clock() -> Clock:
    """Return a clock that stands at noon."""
    return Clock()


@pytest.fixture
def watch(installation: Installation, tmp_path: Path, clock: Clock) -> Watch:
    """Return a watch over an empty archive in which one leak was found."""
    feed = ArchiveFeed(tmp_path, installation)
    made_watch = Watch(feed, clock=clock, records=Records(tmp_path))
    assert made_watch.records is not None
    made_watch.records.cases.take_in([LEAK], NOW)
    made_watch.refresh()
    return made_watch


@pytest.fixture
def client(watch: Watch, users: Path) -> Iterator[FlaskClient]:
    """Return a browser that has not logged in."""
    with create_app(watch, Settings(users=users)).server.test_client() as asked:
        yield asked


def log_in(client: FlaskClient, name: str, word: str = WORD, onward: str = "/") -> int:
    """Log in as the login page does; return the status."""
    page = client.get("/login").get_data(as_text=True)
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found is not None
    form = {"name": name, "password": word, "token": found[1], "next": onward}
    return client.post("/login", data=form).status_code


def write(client: FlaskClient, kind: str, content: dict[str, object], **headers: str) -> int:
    """Send an entry with the session's own token; return the status."""
    token = json.loads(client.get("/api/pulse").data).get("token", "")
    answer = client.post(
        f"/api/entry/{kind}", json=content, headers={"X-Tricklebook-Token": token, **headers}
    )
    return answer.status_code


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


ENTRY = {
    "finding": {"about": "CASE", "action": "note", "note": "x"},
    "service": {"kind": "note", "note": "x"},
    "catch": {"zone": "bench1", "minutes": "3", "caught": "100 100 100 100"},
    "calibration": {"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 0"},
    "dilutions": {"stock": "A", "series": "water 0.48\n1:100 2.05"},
    "link": {"note": "client", "days": "7"},
    "unlink": {"about": "x"},
}


@pytest.mark.parametrize("kind", ROLE)
@pytest.mark.parametrize("role", ["look", "note", "manage"])
def test_writes_need_the_role(client: FlaskClient, watch: Watch, kind: str, role: str) -> None:
    """Each kind of entry is taken from those who may, and refused from the others with 403."""
    log_in(client, role)
    entry: dict[str, object] = {
        k: watch.snapshot.cases[0].mark if v == "CASE" else v for k, v in ENTRY[kind].items()
    }
    may = Person("x", role).may(ROLE[kind])  # type: ignore[arg-type]  # one of the roles above

    assert write(client, kind, entry) == (200 if may else 403)


@pytest.mark.parametrize("kind", ROLE)
def test_writes_need_the_token(client: FlaskClient, kind: str) -> None:
    """Without the session's own token no write is taken, whoever asks."""
    log_in(client, "manage")

    assert client.post(f"/api/entry/{kind}", json=ENTRY[kind]).status_code == 403
    assert write(client, kind, dict(ENTRY[kind]), **{"X-Tricklebook-Token": "0" * 32}) == 403


def test_writes_need_json_and_the_same_site(client: FlaskClient) -> None:
    """A plain form, or a page of another site, cannot write even with the token."""
    log_in(client, "manage")
    token = json.loads(client.get("/api/pulse").data)["token"]
    headers = {"X-Tricklebook-Token": token}

    assert client.post("/api/entry/service", data={"kind": "note"}, headers=headers).status_code == 400
    assert write(client, "service", {"kind": "note"}, Origin="https://elsewhere.example") == 403


def test_one_sessions_token_is_not_anothers(client: FlaskClient, watch: Watch, users: Path) -> None:
    """The token of one session does not serve another."""
    log_in(client, "manage")
    token = json.loads(client.get("/api/pulse").data)["token"]
    other = create_app(watch, Settings(users=users)).server.test_client()
    log_in(other, "manage")

    assert write(other, "service", {"kind": "note"}, **{"X-Tricklebook-Token": token}) == 403


def test_entries_are_signed_by_who_logged_in(client: FlaskClient, watch: Watch) -> None:
    """Nobody writes in another's name."""
    log_in(client, "note")
    assert write(client, "service", {"kind": "note", "note": "x", "person": "manage"}) == 200

    assert watch.records is not None
    assert watch.records.services()[0].person == "note"


def test_clearing_backflow_is_for_managers(client: FlaskClient, watch: Watch) -> None:
    """Who may note can acknowledge, but not clear."""
    log_in(client, "note")
    mark = watch.snapshot.cases[0].mark

    assert write(client, "finding", {"about": mark, "action": "clear", "note": "ok"}) == 400
    assert write(client, "finding", {"about": mark, "action": "acknowledge"}) == 200


def test_too_many_writes_are_stopped(client: FlaskClient) -> None:
    """A script that writes without end is stopped after a minute's worth."""
    log_in(client, "note")
    statuses = [write(client, "service", {"kind": "note", "note": str(n)}) for n in range(61)]

    assert statuses[:60] == [200] * 60
    assert statuses[60] == 429


def test_stored_markup_stays_text(client: FlaskClient, watch: Watch) -> None:
    """A script in a note, a name, a calibration or a finding is kept as written and shown as text."""
    log_in(client, "manage")
    assert write(client, "service", {"kind": "note", "note": NASTY}) == 200
    assert (
        write(client, "finding", {"about": watch.snapshot.cases[0].mark, "action": "note", "note": NASTY})
        == 200
    )

    assert watch.records is not None
    assert watch.records.services()[0].note == NASTY
    assert watch.snapshot.cases[0].remarks[0].note == NASTY


def test_guest_link_lets_somebody_look_and_no_more(
    client: FlaskClient, watch: Watch, users: Path, clock: Clock
) -> None:
    """A link opens the pages without a password, lets nobody write, ends with its time and by hand."""
    log_in(client, "manage")
    token = json.loads(client.get("/api/pulse").data)["token"]
    headers = {"X-Tricklebook-Token": token}
    answer = client.post("/api/entry/link", json={"note": "the client", "days": "2"}, headers=headers)
    address = re.search(r"/share/\S+", json.loads(answer.data)["message"])
    assert address is not None
    guest = create_app(watch, Settings(users=users)).server.test_client()

    assert guest.get(address[0]).status_code == 303
    assert guest.get("/").status_code == 200
    assert all(write(guest, kind, dict(ENTRY[kind])) == 403 for kind in ROLE)
    clock.now = NOW + pd.Timedelta(days=2, seconds=1)
    assert guest.get("/api/pulse").status_code == 401
    assert guest.get(address[0]).status_code == 403
    clock.now = NOW
    (mark,) = (m for m, link in Access(users, NOW.timestamp).links().items() if link.what == "the client")
    assert write(client, "unlink", {"about": mark}) == 200
    assert guest.get("/api/pulse").status_code == 401


def test_forged_links_are_refused_and_counted(client: FlaskClient) -> None:
    """A made-up link opens nothing, and trying many is stopped."""
    statuses = [client.get(f"/share/made-up-{n}").status_code for n in range(21)]

    assert statuses[0] == 403
    assert statuses[-1] == 429


@pytest.mark.parametrize("days", ["0", "367", "-1", "a", "1e3", "٣"])
def test_links_have_an_end(client: FlaskClient, days: str) -> None:
    """No link lasts for ever."""
    log_in(client, "manage")

    assert write(client, "link", {"note": "x", "days": days}) == 400


def test_secrets_are_never_shown(client: FlaskClient, users: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Neither password, hash nor key stands in a page, an answer or the log."""
    log_in(client, "manage")
    secrets = [WORD, *(user.password for user in load(users).values())]
    shown = [
        client.get(path).get_data(as_text=True) for path in ("/", "/login", "/_dash-layout", "/api/pulse")
    ]

    assert not [
        secret for secret in secrets if secret in caplog.text or any(secret in page for page in shown)
    ]


def test_users_file_is_for_its_owner_alone(users: Path) -> None:
    """Neither the file of users nor the key can be read by others."""
    Access(users, lambda: 0.0)

    for path in (users, users.with_name("users.toml.key")):
        assert path.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("name", "word"),
    [("", WORD), ('a"b', WORD), ("a\nb", WORD), ("x" * 81, WORD), ("a", "short"), ("a", "x" * 201)],
)
def test_users_need_a_name_and_a_password(name: str, word: str) -> None:
    """A name that cannot be written, or a short password, is refused."""
    with pytest.raises(UserError, match=r"will not do|are needed"):
        made(name, word, "look")


@pytest.mark.parametrize(
    "text", ["[user.a]\nrole = 'boss'\npassword = 'x'", "user = 3", "[user", "[user.a]\nrole = 'look'"]
)
def test_broken_users_file_is_named(tmp_path: Path, text: str) -> None:
    """A file that says something else than users is refused by name; nobody gets in."""
    path = tmp_path / "users.toml"
    path.write_text(text, "utf-8")

    with pytest.raises(UserError, match=r"users\.toml"):
        load(path)


def test_check_takes_no_wrong_word(tmp_path: Path) -> None:
    """Unknown names, wrong and overlong passwords are nobody; what is kept is a scrypt hash."""
    save(tmp_path / "users.toml", {"look": made("look", WORD, "look")})
    known = load(tmp_path / "users.toml")

    assert known["look"].password.startswith("scrypt:")
    assert check(known, "look", WORD) == Person("look", "look")
    assert check(known, "look", WORD + "x") is None
    assert check(known, "nobody", "nobody has this password") is None
    assert check(known, "look", WORD + "x" * 300) is None


def test_throttle_forgets_after_its_time() -> None:
    """Tries count for their stretch of time only."""
    now = [0.0]
    throttle = Throttle(2, 10.0, lambda: now[0])
    assert [throttle.count("a") for _ in range(3)] == [False, False, True]
    now[0] = 10.1

    assert throttle.count("a") is False
    assert throttle.count("b") is False


def test_installation_is_the_one_of_the_field(installation: Installation) -> None:
    """The tests above write about sensors and zones that are described."""
    assert set(field.SENSORS) == set(installation.sensor)
