"""Only who may write writes, with the session's own token, signed by who logged in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboard.app import Settings, create_app
from dashboard.roles import Person
from dashboard.watch import Watch
from dashboard.writes import ROLE
from ingest.installation import Installation
from tests.dashboard import field
from tests.dashboard.access.gate import ENTRY, NASTY, log_in, write


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


def test_installation_is_the_one_of_the_field(installation: Installation) -> None:
    """The tests above write about sensors and zones that are described."""
    assert set(field.SENSORS) == set(installation.sensor)
