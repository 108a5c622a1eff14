"""Who is told, by which way, and when: the model of ``notices.toml``. Secrets never stand in it."""

from __future__ import annotations

import re
from datetime import datetime, time
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from analysis.results import FINDING_KINDS
from ingest.installation_types import Duration, Slug, Table

Severity = Literal["watch", "act", "stop"]

HEAD = "head"
"""Stands in ``zones`` for what belongs to no single zone."""

KINDS = FINDING_KINDS
"""Kinds of finding that a rule may name."""

DEFAULT_PREFIX = "tricklebook/state/notices"
"""Below the topics that the ingester leaves alone."""

ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
"""A mail address without quotes, spaces or a line's end; RFC 5321 section 4.1.2, its plain form."""


def _clock(value: object) -> time:
    """Read a time of day."""
    if isinstance(value, time) and value.tzinfo is None:
        return value
    if isinstance(value, str):
        try:
            return datetime.strptime(value, "%H:%M").time()  # noqa: DTZ007 - a time of day, not an instant
        except ValueError:
            pass
    msg = 'expected a local time of day, like "07:00"'
    raise ValueError(msg)


def _address(value: object) -> str:
    """Read a mail address."""
    if isinstance(value, str) and ADDRESS.fullmatch(value):
        return value
    msg = 'expected one mail address, like "ana@example.org"'
    raise ValueError(msg)


def _example(text: str, what: str) -> Any:
    return WithJsonSchema({"type": "string", "description": what, "examples": [text]})


Clock = Annotated[time, BeforeValidator(_clock), _example("07:00", "a local time of day")]
Address = Annotated[str, BeforeValidator(_address), _example("ana@example.org", "a mail address")]
Hours = tuple[Clock, Clock]


class Mail(Table):
    """The server that takes mail; its name and certificate are checked, and nothing goes out without TLS."""

    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9.:-]+$")]
    """Name or address, as its certificate says."""
    sender: Address
    """Address that notices come from."""
    security: Literal["tls", "starttls"] = "tls"
    """TLS from the first byte (usual port 465), or by STARTTLS (usual port 587)."""
    port: Annotated[int, Field(gt=0, lt=65536)] | None = None
    """Port; the usual one of its security where none is given."""
    ca_file: str | None = None
    """Certificates of the authority that signed the server's; the system's own where none is given."""
    username_file: str | None = None
    """A file that holds the user's name only; without a user there is no login."""
    password_file: str | None = None
    """A file that holds the password only."""

    @property
    def door(self) -> int:
        """The port that is used."""
        return self.port or (465 if self.security == "tls" else 587)


class Webhook(Table):
    """A machine that takes signed messages by HTTP."""

    url: str
    """Where they are posted."""
    secret_file: str | None = None
    """A file with the signing secret; a second line is the one before, while it is changed."""
    private_addresses: bool = False
    """Whether the address may be one of the own network or machine; only then may it be http."""
    ca_file: str | None = None
    """Certificates of the authority that signed the server's; the system's own where none is given."""

    @model_validator(mode="after")
    def _sound(self) -> Self:
        parts = urlsplit(self.url)
        if (
            parts.scheme not in ("https", "http")
            or not parts.hostname
            or re.search(r"[\s\x00-\x1f]", self.url)
        ):
            msg = 'url: expected an address, like "https://hooks.example.org/drip"'
        elif parts.username or parts.password:
            msg = "url: a name or password never stands in an address; the signature tells who sends"
        elif parts.scheme == "http" and not self.private_addresses:
            msg = "url: expected https; http is for the own network only, with private_addresses = true"
        else:
            return self
        raise ValueError(msg)


class Mqtt(Table):
    """A broker that open findings are shown at. It is only told; nothing that it says is obeyed."""

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    """Name or address."""
    port: Annotated[int, Field(gt=0, lt=65536)] = 1883
    """Port; 8883 is usual with TLS."""
    prefix: Annotated[str, Field(pattern=r"^[^+#/$\x00][^+#\x00]*[^+#/\x00]$")] = DEFAULT_PREFIX
    """What the topics begin with; the installation's name follows."""
    severity: Severity = "watch"
    """The mildest findings that are shown."""
    stands: Duration = 600.0
    """How long a finding must stand before it is shown, 10 min where left out; stop is shown at once. [s]"""
    tls: bool = False
    """Whether to use TLS."""
    ca_file: str | None = None
    """Certificates of the authority that signed the broker's; the system's own where none is given."""
    certificate_file: str | None = None
    """The client's certificate, where the broker wants one."""
    key_file: str | None = None
    """The key of the client's certificate."""
    username_file: str | None = None
    """A file that holds the user's name only."""
    password_file: str | None = None
    """A file that holds the password only."""


class Recipient(Table):
    """A person or a machine that is told."""

    mail: Address | None = None
    """Where mail goes."""
    webhook: Slug | None = None
    """Which [webhook.NAME] messages go to."""
    quiet: Hours | None = None
    """Local hours in which nothing comes but stop, like ["21:00", "06:30"]; the rest waits for their end."""
    digest: Clock | None = None
    """Local time of a daily summary; none where left out."""

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        if self.mail is None and self.webhook is None:
            msg = "expected mail or webhook: there is no way to this recipient"
            raise ValueError(msg)
        return self


class Rule(Table):
    """Which findings go to whom, and how soon."""

    to: Annotated[tuple[Slug, ...], Field(min_length=1)]
    """Names of the recipients."""
    severity: Severity = "act"
    """The mildest findings that it takes, and worse ones; "act" where left out."""
    zones: tuple[str, ...] | None = None
    """Zones that it takes; "head" stands for what belongs to no single zone. All where left out."""
    kinds: tuple[str, ...] | None = None
    """Kinds of finding that it takes. All where left out."""
    hours: Hours | None = None
    """Local hours in which it holds, like ["07:00", "17:00"]; a stop goes at any hour."""
    stands: Duration = 600.0
    """How long a finding must stand before a notice, 10 min where left out; a stop goes at once. [s]"""
    group: Duration = 300.0
    """How long a notice waits for others that go with it, 5 min where left out; a stop does not wait. [s]"""
    repeat: Annotated[Duration, Field(ge=60.0)] | None = None
    """After what time it is told again, until somebody acknowledges it; once only where left out. [s]"""
    over: bool = False
    """Whether to tell, too, that a finding is over; the daily summary does in any case."""


class Heartbeat(Table):
    """A sign of life, so that somebody outside notices when it stops."""

    every: Annotated[Duration, Field(ge=1.0)] = 300.0
    """Time between two; 5 min where left out. [s]"""
    webhook: Slug | None = None
    """Which [webhook.NAME] it goes to; with [mqtt] it goes to the broker too."""


class Notices(Table):
    """Who is told, by which way, and when."""

    mail: Mail | None = None
    """The server that takes mail."""
    webhook: dict[Slug, Webhook] = Field(default_factory=dict)
    """Machines that take signed messages, by name."""
    mqtt: Mqtt | None = None
    """A broker that open findings are shown at."""
    recipient: dict[Slug, Recipient] = Field(default_factory=dict)
    """Who is told, by name."""
    rule: dict[Slug, Rule] = Field(default_factory=dict)
    """What goes to whom, by name."""
    heartbeat: Heartbeat | None = None
    """A sign of life."""
    gone: Duration = 1800.0
    """How long a finding must be gone before it counts as over; 30 min where left out. [s]"""
    page: Annotated[str, Field(pattern=r"^https?://[^\s]+$")] | None = None
    """Address of the dashboard, for the links in notices."""
