"""What the tests of access share: a word, a moment, a clock, and how a browser logs in and writes."""

from __future__ import annotations

import json
import re

import pandas as pd
from flask.testing import FlaskClient

from analysis.results import Finding

WORD = "quiet river stone"
NOW = pd.Timestamp("2026-11-25T12:00:00Z")
LEAK = Finding(
    "leak", "bench1", None, NOW - pd.Timedelta(hours=1), NOW, "act", None, None, "seen", (), "look"
)
NASTY = "<script>document.title='x'</script><img src=x onerror=alert(1)>"
ENTRY = {
    "finding": {"about": "CASE", "action": "note", "note": "x"},
    "service": {"kind": "note", "note": "x"},
    "catch": {"zone": "bench1", "minutes": "3", "caught": "100 100 100 100"},
    "calibration": {"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 0"},
    "dilutions": {"stock": "A", "series": "water 0.48\n1:100 2.05"},
    "link": {"note": "client", "days": "7"},
    "unlink": {"about": "x"},
}
"""An entry of each kind; CASE stands for the leak's mark."""


class Clock:
    """A clock that a test may move."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> pd.Timestamp:
        """Return the present."""
        return self.now


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
