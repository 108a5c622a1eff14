"""Guest links, the file of users, and secrets that are never shown."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from flask.testing import FlaskClient

from dashboard.access.sessions import Access
from dashboard.access.throttle import Throttle
from dashboard.access.users import check, load, made, save
from dashboard.app import Settings, create_app
from dashboard.roles import Person
from dashboard.watch import Watch
from dashboard.writes import ROLE
from ingest.errors import UserError
from tests.dashboard.access.gate import ENTRY, NOW, WORD, Clock, log_in, write


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
