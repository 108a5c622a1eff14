"""Where the broker is, as whom to connect, and what is kept from everyone else."""

from __future__ import annotations

import os
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import UserError
from ingest.packets import V5, V311

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation_sources import Broker

USER = "TRICKLEBOOK_MQTT_USER"
PASSWORD = "TRICKLEBOOK_MQTT_PASSWORD"  # noqa: S105 - the name of the variable
"""Environment variables with the user's name and the password; with ``_FILE``, of files that hold them."""

KEEPALIVE_S = 15
"""Silence after which the broker is asked for a sign of life; as long again and it is given up. [s]"""

SESSION_EXPIRY_S = 7 * 86_400
"""How long the broker keeps messages for an ingester that is away. [s]"""


@dataclass(frozen=True, slots=True)
class Address:
    """Where and as whom to connect.

    Attributes
    ----------
    host, port : str, int
        The broker.
    client_id : str
        Fixed, so that the broker knows the session again.
    topics : sequence of str
        Topic filters.
    group : str, optional
        Name of the shared subscription, where several ingesters split the load.
    level : int
        Protocol level to begin with.
    keepalive_s : int
        See `KEEPALIVE_S`. [s]
    tls : bool
        Whether to use TLS.
    ca, certificate, key : Path, optional
        PEM files.
    user, password : str, optional
        Never shown.
    """

    host: str
    port: int
    client_id: str
    topics: tuple[str, ...]
    group: str | None = None
    level: int = V5
    keepalive_s: int = KEEPALIVE_S
    tls: bool = False
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    user: str | None = field(default=None, repr=False)
    password: str | None = field(default=None, repr=False)

    @property
    def filters(self) -> tuple[str, ...]:
        """Topic filters as they are subscribed."""
        return tuple(f"$share/{self.group}/{topic}" if self.group else topic for topic in self.topics)


def read_secret(
    name: str, file: Path | None = None, environment: Mapping[str, str] = os.environ
) -> str | None:
    """Return a secret from a file or the environment; never from a command line, where others see it.

    Parameters
    ----------
    name : str
        Variable that holds it; with ``_FILE`` appended, the variable that names a file.
    file : Path, optional
        The file that the installation names; the environment goes before it.
    environment : mapping of str to str
        Where to look.

    Raises
    ------
    UserError
        If a file cannot be read; the text does not hold the secret.

    Examples
    --------
    >>> read_secret("KEY", environment={"KEY": "abc"})
    'abc'
    """
    if name in environment:
        return environment[name]
    named = environment.get(f"{name}_FILE")
    path = Path(named) if named else file
    if path is None:
        return None
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: the secret that stands there cannot be read: {plain(error)}"
        raise UserError(msg) from None


def address_of(
    broker: Broker, folder: Path, writer: str, *, host: str | None = None, port: int | None = None
) -> Address:
    """Return the address that an installation or a fleet names.

    Parameters
    ----------
    broker : Broker
        The installation's table ``[broker]``, or the fleet's.
    folder : Path
        Where the file stands that describes it: its relative paths begin there.
    writer : str
        Name of this ingester's journal, part of its identifier.
    host, port : str, int, optional
        Where the broker is, where not where `broker` says.

    Raises
    ------
    UserError
        If a secret cannot be read.
    """

    def place(name: str | None) -> Path | None:
        return None if name is None else folder / name

    return Address(
        host=host or broker.host,
        port=port or broker.port,
        client_id=broker.client_id or f"tricklebook-{writer}",
        topics=broker.topics,
        group=broker.group,
        level=V5 if broker.protocol == "5" else V311,
        tls=broker.tls,
        ca=place(broker.ca_file),
        certificate=place(broker.certificate_file),
        key=place(broker.key_file),
        user=read_secret(USER, place(broker.username_file)),
        password=read_secret(PASSWORD, place(broker.password_file)),
    )


def tls_context(address: Address) -> ssl.SSLContext | None:
    """Return the TLS settings, or None for a plain connection.

    Raises
    ------
    UserError
        If a file cannot be used; the text names it.
    """
    if not address.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=address.ca)
    except (OSError, ssl.SSLError) as error:
        msg = f"{address.ca}: no certificates of an authority could be read ({plain(error)})"
        raise UserError(msg) from None
    if address.certificate:
        try:
            context.load_cert_chain(address.certificate, address.key, password=_no_passphrase)
        except (OSError, ssl.SSLError) as error:
            msg = f"{address.certificate}: certificate and key cannot be used ({plain(error)})"
            raise UserError(msg) from None
    return context


def _no_passphrase() -> str:
    msg = "the key has a passphrase; store it without one, readable by the ingester alone"
    raise UserError(msg)


def plain(error: BaseException) -> str:
    """Return what is wrong without what was read."""
    return str(getattr(error, "reason", None) or getattr(error, "strerror", None) or type(error).__name__)
