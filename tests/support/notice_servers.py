"""Real servers for notices, on loopback: mail with TLS and login, and a receiver of webhooks; killed and restarted."""

from __future__ import annotations

import asyncio
import datetime as dt
import ipaddress
import json
import ssl
import threading
import warnings
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.support.broker import free_port

USER, PASSWORD = "drip", "a long secret of the tests"
ACCEPT, REFUSE, SWALLOW = "accept", "refuse", "swallow"
"""What a server does with a message: takes it, refuses it, takes it and breaks the connection without a word."""


@dataclass(frozen=True)
class Certificates:
    """An authority's certificate, and a server's certificate with its key."""

    authority: Path
    server: Path
    key: Path

    def context(self) -> ssl.SSLContext:
        """Return a server's TLS settings."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.server, self.key)
        return context


def certificates(folder: Path, *, name: str = "localhost") -> Certificates:
    """Make an authority and a certificate of a server on this machine, named `name` and 127.0.0.1."""
    now = dt.datetime.now(dt.UTC)
    authority_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    issuer = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "authority of the tests")])

    def begun(subject: x509.Name, public: ec.EllipticCurvePublicKey) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - dt.timedelta(hours=1))
            .not_valid_after(now + dt.timedelta(days=2))
        )

    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    identity = x509.SubjectKeyIdentifier.from_public_key(authority_key.public_key())
    root = (
        begun(issuer, authority_key.public_key())
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(identity, critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    names = x509.SubjectAlternativeName(
        [x509.DNSName(name), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
    )
    leaf = (
        begun(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]), key.public_key())
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identity), critical=False
        )
        .sign(authority_key, hashes.SHA256())
    )
    made = Certificates(folder / "authority.pem", folder / "server.pem", folder / "server.key")
    made.authority.write_bytes(root.public_bytes(serialization.Encoding.PEM))
    made.server.write_bytes(leaf.public_bytes(serialization.Encoding.PEM))
    made.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return made


class _MailHandler:
    """Keeps what comes in, and does with it what the test wants."""

    def __init__(self, owner: MailServer) -> None:
        self._owner = owner

    async def handle_DATA(  # noqa: N802 - the library's name for it
        self, server: SMTP, _session: Session, envelope: Envelope
    ) -> str:
        owner = self._owner
        if owner.manner == REFUSE:
            return "451 4.3.0 not now"
        owner.taken.append(message_from_bytes(envelope.original_content or b"", policy=default))
        if owner.manner == SWALLOW and isinstance(server.transport, asyncio.Transport):
            server.transport.abort()
        return "250 2.0.0 taken over"


class _Controller(Controller):
    """A controller whose server does not know that TLS stands before it, and need not warn of it."""

    def factory(self) -> SMTP:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            made: SMTP = super().factory()  # type: ignore[no-untyped-call] # the library has no types here
            return made


@dataclass
class MailServer:
    """A mail server with TLS and login that the test may stop and start again on the same port.

    Attributes
    ----------
    taken : list of EmailMessage
        What it has taken over.
    manner : str
        What it does next.
    """

    certificates: Certificates
    starttls: bool = False
    port: int = field(default_factory=free_port)
    manner: str = ACCEPT
    taken: list[EmailMessage] = field(default_factory=list)
    _controller: Controller | None = None

    def start(self) -> None:
        """Start it and return when it takes connections."""
        context = self.certificates.context()
        common: dict[str, Any] = {
            "hostname": "127.0.0.1",
            "port": self.port,
            "server_hostname": "localhost",
            "authenticator": _authenticate,
            "auth_required": True,
            "auth_require_tls": self.starttls,
        }
        common |= (
            {"tls_context": context, "require_starttls": True} if self.starttls else {"ssl_context": context}
        )
        self._controller = _Controller(_MailHandler(self), **common)
        self._controller.start()

    def stop(self) -> None:
        """End it; who connects is refused."""
        controller, self._controller = self._controller, None
        if controller is not None:
            controller.stop()


def _authenticate(_server: SMTP, _session: Session, _envelope: Envelope, _way: str, data: Any) -> AuthResult:
    good = (
        isinstance(data, LoginPassword) and data.login == USER.encode() and data.password == PASSWORD.encode()
    )
    return AuthResult(success=good, handled=False)


@dataclass(frozen=True)
class Post:
    """One message as a webhook's receiver gets it."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def content(self) -> dict[str, Any]:
        """The JSON object."""
        content: dict[str, Any] = json.loads(self.body)
        return content


@dataclass
class HookServer:
    """A receiver of webhooks that the test may stop and start again on the same port.

    Attributes
    ----------
    taken : list of Post
        What it has taken over.
    manner : str
        What it does next.
    """

    port: int = field(default_factory=free_port)
    manner: str = ACCEPT
    taken: list[Post] = field(default_factory=list)
    _server: ThreadingHTTPServer | None = None
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Start it and return when it takes connections."""
        owner = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if owner.manner == REFUSE:
                    self._answer(503, b"not now")
                    return
                owner.taken.append(Post(self.path, {k.lower(): v for k, v in self.headers.items()}, body))
                if owner.manner != SWALLOW:
                    self._answer(200, b"taken over")

            def _answer(self, status: int, body: bytes) -> None:
                self.send_response(status)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                """Keep quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End it; who connects is refused."""
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._server.server_close()
            self._thread.join()
        self._server = self._thread = None
