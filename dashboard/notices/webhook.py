"""Notices for machines: JSON by HTTP POST, signed, and never to the own network unless the file allows it."""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import json
from typing import TYPE_CHECKING, Any

import requests
from requests.adapters import HTTPAdapter
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool, PoolManager
from urllib3.connection import HTTPConnection, HTTPSConnection

from dashboard.notices.deliveries import Answer, Delivery
from dashboard.notices.words import one_line

if TYPE_CHECKING:
    import socket
    from collections.abc import Sequence
    from pathlib import Path

    import pandas as pd

    from dashboard.notices.settings import Webhook

PATIENCE_S = (5.0, 15.0)
"""How long connecting and answering may take; the Standard Webhooks specification advises 15 to 30 s. [s]"""

LONGEST_ANSWER = 200
_NAT64 = ipaddress.ip_network("64:ff9b::/96")
"""Addresses that stand for IPv4 ones; RFC 6052 section 2.1."""


class PrivateAddressError(OSError):
    """Raised when a name leads to an address of the own network or machine."""


def signature(secrets: Sequence[bytes], message: str, moment_s: int, body: bytes) -> str:
    """Return the signature header of a message.

    Parameters
    ----------
    secrets : sequence of bytes
        One signature is made with each.
    message : str
        Identifier, the same at every attempt.
    moment_s : int
        When it is sent. [s since 1970, UTC]
    body : bytes
        What is sent.

    Returns
    -------
    str
        Versions and signatures, parted by blanks.

    References
    ----------
    Standard Webhooks specification 1.0.0, "Signature scheme": HMAC-SHA256 over ``id.timestamp.body``, base64.

    Examples
    --------
    >>> secret = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    >>> signature([secret], "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    'v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE='
    """
    signed = message.encode() + b"." + str(moment_s).encode() + b"." + body
    made = (base64.b64encode(hmac.digest(secret, signed, hashlib.sha256)).decode() for secret in secrets)
    return " ".join(f"v1,{text}" for text in made)


def is_public(address: str) -> bool:
    """Return whether an IP address belongs to the public network, however it is written.

    Examples
    --------
    >>> [is_public(a) for a in ("9.9.9.9", "10.0.0.7", "127.0.0.1", "::ffff:192.168.1.1", "169.254.1.1", "64:ff9b::a00:1")]
    [True, False, False, False, False, False]
    """
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address):
        inner = ip.ipv4_mapped or ip.sixtofour or (ip.teredo[1] if ip.teredo else None)
        if inner is None and ip in _NAT64:
            inner = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        ip = inner or ip
    return ip.is_global and not ip.is_multicast


def _guarded(made: socket.socket) -> socket.socket:
    """Return a connection, or close it where it leads to the own network: nothing has been sent by then."""
    there = made.getpeername()[0]
    if not is_public(there):
        made.close()
        msg = f"{there} is an address of the own network; private_addresses = true allows it"
        raise PrivateAddressError(msg)
    return made


class _Connection(HTTPConnection):
    def _new_conn(self) -> socket.socket:
        return _guarded(super()._new_conn())


class _SecureConnection(HTTPSConnection):
    def _new_conn(self) -> socket.socket:
        return _guarded(super()._new_conn())


class _Pool(HTTPConnectionPool):
    ConnectionCls = _Connection


class _SecurePool(HTTPSConnectionPool):
    ConnectionCls = _SecureConnection


class _Guard(HTTPAdapter):
    """Looks at the address after the name was looked up and before a byte is sent, so that no name can lie."""

    def init_poolmanager(self, *arguments: Any, **keywords: Any) -> None:
        super().init_poolmanager(*arguments, **keywords)
        manager: PoolManager = self.poolmanager
        manager.pool_classes_by_scheme = {"http": _Pool, "https": _SecurePool}


class Poster:
    """Posts to one webhook.

    Parameters
    ----------
    settings : Webhook
        Where.
    secrets : sequence of bytes
        For the signature.
    folder : Path
        Where relative paths of the file begin.
    """

    def __init__(self, settings: Webhook, secrets: Sequence[bytes], folder: Path) -> None:
        self._settings = settings
        self._secrets = tuple(secrets)
        self._verify = str(folder / settings.ca_file) if settings.ca_file else True

    def send(self, delivery: Delivery, now: pd.Timestamp) -> Answer:
        """Try to deliver a message once; as `dashboard.notices.mail.Mailer.send`."""
        message = delivery.message
        content = {
            "type": f"tricklebook.{message.kind}",
            "timestamp": message.time.isoformat(),
            "repeated": delivery.doubt is not None,
            "first_attempt": delivery.doubt.isoformat() if delivery.doubt is not None else None,
            "data": {**message.data, "subject": message.subject, "text": message.text},
        }
        return self.post(message.id, content, now)

    def post(self, message: str, content: dict[str, Any], now: pd.Timestamp) -> Answer:
        """Post one JSON object.

        Parameters
        ----------
        message : str
            Identifier: who gets the same one twice may drop the second.
        content : dict
            What JSON can carry.
        now : pandas.Timestamp
            The present. [UTC]

        Returns
        -------
        Answer
            Not sure where the connection broke after the request was sent, or a server between had trouble.
        """
        body = json.dumps(content, ensure_ascii=False).encode()
        moment = int(now.timestamp())
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "tricklebook",
            "webhook-id": message,
            "webhook-timestamp": str(moment),
            "webhook-signature": signature(self._secrets, message, moment, body),
        }
        try:
            with requests.Session() as session:
                self._prepare(session)
                with session.post(
                    self._settings.url,
                    data=body,
                    headers=headers,
                    timeout=PATIENCE_S,
                    allow_redirects=False,
                    verify=self._verify,
                    stream=True,
                ) as answer:
                    return _answer(answer)
        except (requests.RequestException, OSError) as error:
            sure = _never_sent(error)
            return Answer(arrived=False, said=one_line(_why(error), LONGEST_ANSWER), sure=sure)

    def _prepare(self, session: requests.Session) -> None:
        session.trust_env = False  # a proxy of the environment would look names up itself
        if not self._settings.private_addresses:
            session.mount("https://", _Guard())
            session.mount("http://", _Guard())


def _answer(answer: requests.Response) -> Answer:
    """Return what a status says; of the body only the beginning is read."""
    begin = next(answer.iter_content(LONGEST_ANSWER), b"").decode("utf-8", "replace")
    said = one_line(f"{answer.status_code} {answer.reason or ''} {begin}", LONGEST_ANSWER)
    if 200 <= answer.status_code < 300:  # noqa: PLR2004 - success; RFC 9110 section 15.3
        return Answer(arrived=True, said=said)
    return Answer(arrived=False, said=said, sure=answer.status_code < 500)  # noqa: PLR2004 - RFC 9110 section 15.6


def _chain(error: BaseException | None) -> list[BaseException]:
    """Return an error and what led to it, as the libraries wrap them."""
    found: list[BaseException] = []
    while error is not None and error not in found:
        found.append(error)
        inner = getattr(error, "reason", None)
        first = error.args[0] if error.args else None
        wrapped = next((e for e in (inner, first) if isinstance(e, BaseException)), None)
        error = wrapped or error.__cause__ or error.__context__
    return found


_BEFORE = (
    "ConnectTimeout",
    "NewConnectionError",
    "NameResolutionError",
    "SSLError",
    "SSLCertVerificationError",
)
"""Names of errors after which nothing was sent."""


def _never_sent(error: Exception) -> bool:
    """Return whether nothing was sent, for sure."""
    return any(type(e).__name__ in _BEFORE or isinstance(e, PrivateAddressError) for e in _chain(error))


def _why(error: Exception) -> str:
    """Return what went wrong, in the words of the innermost error that has any."""
    for inner in reversed(_chain(error)):
        text = getattr(inner, "verify_message", "") or getattr(inner, "strerror", "") or str(inner)
        if text:
            return str(text)
    return type(error).__name__
