"""The one way in which the pages write: checked for role and token, then for sense, then kept for good."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any

from flask import Response, request

from analysis.ledger import SERVICE_FILE
from dashboard import entries
from dashboard import entries_measured as measured
from dashboard.access.throttle import Throttle
from dashboard.casebook import FILE as CASES
from dashboard.once import Once
from dashboard.records import ENTRIES
from dashboard.texts import say
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from flask import Flask

    from dashboard.access.gate import Gate
    from dashboard.records import Records
    from dashboard.roles import Role
    from dashboard.watch import Watch

WRITES, WRITES_S = 60, 60.0
"""Most entries of one session in a minute: far more than a person writes. Computed."""

ROLE: Mapping[str, Role] = {
    "finding": "note",
    "service": "note",
    "catch": "note",
    "calibration": "manage",
    "dilutions": "manage",
    "link": "manage",
    "unlink": "manage",
}
"""What each kind of entry needs."""

SAID_ONCE = ("link", "unlink")
"""Kinds whose answer is a secret, or whose repetition changes nothing: what is said of them is not kept."""


class Writer:
    """Keeps what forms send.

    Parameters
    ----------
    watch : Watch
        Knows the installation, and takes in what was written.
    records : Records
        Where it is kept.
    gate : Gate
        Knows who asks.
    """

    def __init__(self, watch: Watch, records: Records, gate: Gate) -> None:
        self.watch = watch
        self.records = records
        self.gate = gate
        self._once = Once(records.archive, (SERVICE_FILE, ENTRIES, CASES))
        self._throttle = Throttle(WRITES, WRITES_S, time.monotonic)

    def stand_at(self, server: Flask, prefix: str) -> None:
        """Take entries at their addresses."""
        server.add_url_rule(prefix + "api/entry/<kind>", "entry", self._entry, methods=["POST"])

    def _entry(self, kind: str) -> Response:
        refused = self._refusal(kind)
        if refused is not None:
            return refused
        form = request.get_json(silent=True)
        if not isinstance(form, dict):
            form = {}
        mark = request.headers.get("X-Tricklebook-Entry", "") if kind not in SAID_ONCE else ""
        try:
            kept = say("form.kept")
            said = self._once.keep(mark, kind, form, lambda: self._keep(kind, form) or kept) or kept
        except (ValueError, UserError) as problem:
            return _answer(400, str(problem))
        self.watch.refresh()
        return _answer(200, said)

    def _refusal(self, kind: str) -> Response | None:
        """Return why a write is not even read: unknown, without token or role, or too often."""
        if kind not in ROLE:
            return _answer(404, say("form.unknown"))
        if not self.gate.has_token():
            return _answer(403, say("form.stale"))
        if not self.gate.session().person.may(ROLE[kind]):
            return _answer(403, say("form.not_allowed"))
        if self._throttle.count(self.gate.session().mark or (request.remote_addr or "")):
            return _answer(429, say("form.too_often"))
        return None

    def _keep(self, kind: str, form: dict[str, Any]) -> str | None:
        """Check one entry and write it down."""
        now = self.watch.clock()
        person = entries.name_of(form, self.gate.session().person.name)
        installation = self.watch.feed.installation
        keepers: dict[str, Callable[[], str | None]] = {
            "finding": lambda: self._finding(form, person),
            "service": lambda: self.records.add_service(entries.service(form, installation, person, now)),
            "catch": lambda: self._other("catch test", person, measured.catch_test(form, installation, now)),
            "calibration": lambda: self._other(
                "calibration", person, measured.calibration(form, installation, now)
            ),
            "dilutions": lambda: self._other(
                "dilution series", person, measured.dilutions(form, installation)
            ),
            "link": lambda: self._link(form, person),
            "unlink": lambda: self._unlink(form, person),
        }
        return keepers[kind]()

    def _finding(self, form: dict[str, Any], person: str) -> str | None:
        remark = entries.remark(form, person, self.watch.clock())
        if remark.action == "clear" and not self.gate.session().person.may("manage"):
            msg = say("form.not_allowed")
            raise ValueError(msg)
        self.records.remark(remark)
        return None

    def _other(self, kind: str, person: str, content: dict[str, Any]) -> str | None:
        self.records.add_entry(kind, person, self.watch.clock(), content)
        return say("form.kept_file", lines=content["file"]) if "file" in content else None

    def _link(self, form: dict[str, Any], person: str) -> str:
        access = self.gate.access
        if access is None:
            msg = say("link.no_users")
            raise ValueError(msg)
        days = entries.text(form, "days", 10) or USUAL_LINK_D
        if not days.isascii() or not days.isdigit() or not 1 <= int(days) <= LONGEST_LINK_D:
            msg = say("link.days_bound", most=LONGEST_LINK_D)
            raise ValueError(msg)
        secret = access.make_link(
            person, access.clock() + int(days) * 86400.0, entries.text(form, "note", 200)
        )
        return say("link.made", address=request.host_url.rstrip("/") + self.gate.prefix + "share/" + secret)

    def _unlink(self, form: dict[str, Any], person: str) -> None:
        if self.gate.access is not None:
            self.gate.access.end_link(entries.text(form, "about", 40), person)


USUAL_LINK_D = "14"
"""How long a guest's link lasts where nobody says how long. [d]"""

LONGEST_LINK_D = 366
"""How long a guest's link may last. [d]"""


def _answer(status: int, message: str) -> Response:
    return Response(json.dumps({"message": message}), status, mimetype="application/json")
