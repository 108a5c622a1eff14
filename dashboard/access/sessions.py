"""Sessions and guest links: signed, so that they outlive a restart of the server and cannot be made up.

Beside the file of users stand its key (``.key``), the sessions that were ended (``.ended.jsonl``) and the
guest links (``.links.jsonl``).
"""

from __future__ import annotations

import hmac
import os
import secrets
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from itsdangerous import BadSignature, URLSafeSerializer

from analysis import ledger
from dashboard.access.users import User, load
from dashboard.roles import GUEST, Person

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LASTS_S = 7 * 86400.0
"""How long a session lasts; common practice, no source. [s]"""


@dataclass(frozen=True, slots=True)
class Session:
    """Who asks, and by which session.

    Attributes
    ----------
    person : Person
        Who.
    mark : str
        Of the session or the guest link.
    """

    person: Person
    mark: str


@dataclass(frozen=True, slots=True)
class Link:
    """A link that lets somebody look without a password.

    Attributes
    ----------
    mark : str
        Tells links apart.
    person : str
        Who made it.
    made_s, until_s : float
        When it was made, and when it ends. [s since 1970]
    what : str
        For whom, in words.
    """

    mark: str
    person: str
    made_s: float
    until_s: float
    what: str


class Access:
    """Users, sessions and links of one file of users.

    Parameters
    ----------
    path : Path
        The file of users.
    clock : callable
        Gives the present. [s since 1970]
    scope : str
        What a guest link lets somebody look at, where several systems share the users: it opens no other one.
    """

    def __init__(self, path: Path, clock: Callable[[], float], scope: str = "") -> None:
        self.path = path
        self.scope = scope
        self.clock = clock
        self.key = _key(path.with_name(path.name + ".key"))
        self._sign = URLSafeSerializer(self.key, salt="session")
        self._sign_link = URLSafeSerializer(self.key, salt="link")
        self._lock = threading.Lock()
        self._users: tuple[int, dict[str, User]] = (-1, {})
        self.users()

    def users(self) -> dict[str, User]:
        """Return the users as the file says now."""
        stamp = self.path.stat().st_mtime_ns if self.path.exists() else 0
        with self._lock:
            if stamp != self._users[0]:
                self._users = (stamp, load(self.path))
            return self._users[1]

    def open(self, person: Person) -> str:
        """Return the cookie of a new session."""
        mark = secrets.token_urlsafe(12)
        content = {"n": person.name, "m": mark, "t": self.clock(), "f": self.users()[person.name].fingerprint}
        return str(self._sign.dumps(content))

    def session(self, cookie: str | None) -> Session | None:
        """Return whose cookie this is; None for one that is forged, ended, or too old."""
        content = _read(self._sign, cookie)
        if content is None:
            return None
        mark = str(content.get("m", ""))
        if "g" in content:
            link = self.links().get(str(content["g"]))
            return None if link is None else Session(GUEST, link.mark)
        user = self.users().get(str(content.get("n")))
        fresh = 0 <= self.clock() - float(content.get("t", 0)) <= LASTS_S
        if user is None or not fresh or content.get("f") != user.fingerprint or mark in self._ended():
            return None
        return Session(Person(str(content["n"]), user.role), mark)

    def end(self, session: Session) -> None:
        """End a session for good."""
        with self._lock:
            ledger.append(self._beside(".ended.jsonl"), {"m": session.mark, "t": self.clock()})

    def _ended(self) -> set[str]:
        return {str(row.get("m")) for row in ledger.rows(self._beside(".ended.jsonl"))}

    def _beside(self, ending: str) -> Path:
        return self.path.with_name(self.path.name + ending)

    def make_link(self, person: str, until_s: float, what: str) -> str:
        """Make a link that lets somebody look until a moment [s since 1970]; return its secret part."""
        mark = secrets.token_urlsafe(9)
        row = {
            "do": "make",
            "m": mark,
            "person": person,
            "made": self.clock(),
            "until": until_s,
            "what": what,
            "scope": self.scope,
        }
        with self._lock:
            ledger.append(self._beside(".links.jsonl"), row)
        return str(self._sign_link.dumps(mark))

    def end_link(self, mark: str, person: str) -> None:
        """End a link before its time."""
        with self._lock:
            ledger.append(
                self._beside(".links.jsonl"), {"do": "end", "m": mark, "person": person, "t": self.clock()}
            )

    def links(self) -> dict[str, Link]:
        """Return the links that still let somebody in."""
        found: dict[str, Link] = {}
        for row in ledger.rows(self._beside(".links.jsonl")):
            mark = str(row["m"])
            if row["do"] == "make" and row.get("scope", "") != self.scope:
                continue
            if row["do"] == "end":
                found.pop(mark, None)
            else:
                found[mark] = Link(
                    mark, str(row["person"]), float(row["made"]), float(row["until"]), str(row["what"])
                )
        return {mark: link for mark, link in found.items() if link.until_s > self.clock()}

    def guest(self, secret: str) -> str | None:
        """Return the cookie for who comes by a link; None where it is forged, ended or over."""
        try:
            mark = str(self._sign_link.loads(secret))
        except BadSignature:
            return None
        return str(self._sign.dumps({"g": mark})) if mark in self.links() else None

    def token(self, mark: str) -> str:
        """Return what a session's writes must carry."""
        return token(self.key, mark)


def token(key: bytes, mark: str) -> str:
    """Return what the writes of a session must carry, so that no other page can make them."""
    return hmac.new(key, f"write {mark}".encode(), "sha256").hexdigest()[:32]


def _read(sign: URLSafeSerializer, cookie: str | None) -> dict[str, Any] | None:
    try:
        content = sign.loads(cookie or "")
    except BadSignature:
        return None
    return content if isinstance(content, dict) else None


def _key(path: Path) -> bytes:
    """Return the key that signs sessions; made once, readable for its owner alone."""
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(secrets.token_bytes(32))
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        pass
    return path.read_bytes()
