"""Every address that the program knows, found by asking it: closed, bounded, with its headers, writing nothing by itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from dash import Dash
from flask.testing import FlaskClient

from dashboard.questions import outputs_of
from dashboard.writes import ROLE
from tests.dashboard.routes.crawl import (
    FORM,
    LOOKING,
    PREFIX,
    WRITING,
    addresses,
    log_in,
    state,
    token,
)


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
