"""Every address of the program, found by asking it, and how a browser logs in and marks what it may write."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import pandas as pd
from dash import Dash
from flask.testing import FlaskClient
from hypothesis import HealthCheck, settings

from dashboard.writes import ROLE

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


def log_in(client: FlaskClient, name: str, onward: str = PREFIX) -> str:
    """Log in; return where the browser is sent."""
    page = client.get(PREFIX + "login").get_data(as_text=True)
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found is not None
    form = {"name": name, "password": WORD, "token": found[1], "next": onward}
    answer = client.post(PREFIX + "login", data=form)
    assert answer.status_code == 303
    return answer.headers["Location"]


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
