"""The connection keeps to the protocol with brokers of every kind, and its link never mixes two packets."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from ingest.address import PASSWORD, USER, Address, address_of, read_secret, tls_context
from ingest.connection import Connection, Stage
from ingest.errors import UserError
from ingest.link import Link
from ingest.packets import V5, V311
from ingest.session import Known, last_frames, remember, remembered
from ingest.splitter import Received
from tests.support.archives import NOON, SITE, pack, small_installation, write
from tests.support.ingester import until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

CONNACK_V5 = b"\x20\x03\x00\x00\x00"
SUBACK_V5 = b"\x90\x04\x00\x01\x00\x01"
TAKEN_OVER = b"\xe0\x02\x8e\x00"
WRONG_VERSION = b"\x20\x02\x00\x01"
REFUSED_SUBSCRIPTION = b"\x90\x04\x00\x01\x00\x87"


@pytest.fixture
def broker() -> Iterator[Callable[[list[bytes]], int]]:
    """Start brokers that give fixed answers, one to each packet that comes, and then close."""
    listeners: list[socket.socket] = []

    def start(answers: list[bytes]) -> int:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)

        def serve() -> None:
            link, _ = listener.accept()
            with link:
                for answer in answers:
                    link.recv(4096)
                    link.sendall(answer)

        threading.Thread(target=serve, daemon=True).start()
        return int(listener.getsockname()[1])

    yield start
    for listener in listeners:
        listener.close()


def connect(port: int, level: int = V5) -> Connection:
    """Return a connection that has sent its greeting."""
    address = Address("127.0.0.1", port, "me", ("garden/#",), level=level)
    connection = Connection(address, lambda _: False, watch_drops=False)
    connection.open()
    return connection


def attend(connection: Connection) -> bool:
    """Let a connection do its work once; tell whether it has ended."""
    if connection.stage is not Stage.CLOSED:
        connection.link.fill()
        connection.attend()
    return connection.stage is Stage.CLOSED


def test_taken_over_is_told_apart(broker: Callable[[list[bytes]], int]) -> None:
    """A broker that says that another client took the session over is believed."""
    connection = connect(broker([CONNACK_V5, SUBACK_V5 + TAKEN_OVER]))

    until(lambda: attend(connection), "the end")

    assert connection.taken_over
    assert connection.was_ready


def test_other_version_is_told_apart(broker: Callable[[list[bytes]], int]) -> None:
    """A broker that knows no MQTT 5 is not tried with it again."""
    connection = connect(broker([WRONG_VERSION]))

    until(lambda: attend(connection), "the end")

    assert connection.wrong_version


def test_refused_subscription_is_named(broker: Callable[[list[bytes]], int]) -> None:
    """A subscription that the broker refuses is a problem with a name, not a silence."""
    connection = connect(broker([CONNACK_V5, REFUSED_SUBSCRIPTION]))

    until(lambda: attend(connection), "the end")

    assert connection.problem == "the broker refused the subscription to garden/#"


def test_link_lets_no_packet_into_another() -> None:
    """With a socket that takes few bytes at a time, acknowledgements and the library's packets stay whole."""
    near, far = socket.socketpair()
    near.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    near.settimeout(0)
    far.settimeout(0)
    link = Link(near, V311, lambda _: False)
    ours = b"".join(b"\x40\x02" + number.to_bytes(2, "big") for number in range(8000))
    half = len(ours) // 2
    left = theirs = b"\x30\x82\x7d" + b"L" * 16_002
    got = bytearray()
    pieces = []

    link.acknowledge(ours[:half])
    while left or link.is_waiting_to_send:
        with suppress(BlockingIOError):
            pieces.append(link.send(left) if left else 0)
            left = left[pieces[-1] :]
            if len(pieces) == 1:
                link.acknowledge(ours[half:])
        link.flush()
        with suppress(BlockingIOError):
            got += far.recv(1024)
    link.close()
    while data := far.recv(65_536):
        got += data
    far.close()

    assert pieces[0] < len(theirs)
    assert bytes(got) == ours[:half] + theirs + ours[half:]


def test_link_that_ended_keeps_quiet() -> None:
    """After the end nothing is received, sent or acknowledged, and the library is told."""
    near, far = socket.socketpair()
    near.settimeout(0)
    link = Link(near, V5, lambda _: False)
    far.close()

    assert link.fill() == Received()
    link.acknowledge(b"\x40\x02\x00\x01")

    assert link.has_news
    assert not link.is_open
    assert link.recv(1) == b""
    link.close()


def test_session_is_remembered(tmp_path: Path) -> None:
    """What was asked of the broker is known after a restart; nonsense in its place is none."""
    known = Known("me", "here:1883", ["garden/#"], shared=True)
    remember(tmp_path, known)

    assert remembered(tmp_path) == known
    (tmp_path / "session.json").write_text("{", encoding="utf-8")
    assert remembered(tmp_path) is None


def test_last_frames_are_the_newest(tmp_path: Path) -> None:
    """The newest frames are found over segments, as many as hold the messages asked for."""
    for number in range(4):
        write(tmp_path, [pack(("ec", NOON + number, 1.0))], received_s=NOON + number)

    frames = last_frames(tmp_path / "journal" / SITE, 2)

    assert [frame.received_us for frame in frames] == [(NOON + 2) * 10**6, (NOON + 3) * 10**6]


def test_secret_comes_from_environment_before_file(tmp_path: Path) -> None:
    """The variable, the file that a variable names, the installation's file: in this order."""
    file, other = tmp_path / "file", tmp_path / "other"
    file.write_text("from file\n", encoding="utf-8")
    other.write_text("from other\n", encoding="utf-8")

    assert read_secret("KEY", file, {"KEY": "plain", "KEY_FILE": str(other)}) == "plain"
    assert read_secret("KEY", file, {"KEY_FILE": str(other)}) == "from other"
    assert read_secret("KEY", file, {}) == "from file"
    assert read_secret("KEY", None, {}) is None


def test_secret_that_cannot_be_read_is_told_without_it(tmp_path: Path) -> None:
    """The error names the file and not what stands in it."""
    path = tmp_path / "secret"
    path.write_bytes(b"\xff\xfe hidden")

    with pytest.raises(UserError, match="cannot be read") as raised:
        read_secret("KEY", path, {})
    assert "hidden" not in str(raised.value)
    with pytest.raises(UserError, match="none: the secret that stands there cannot be read: No such file"):
        read_secret("KEY", tmp_path / "none", {})


def test_secrets_are_never_shown(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An address that is printed, as in a log, hides user and password."""
    monkeypatch.setenv(USER, "gardener")
    monkeypatch.setenv(PASSWORD, "hidden")

    address = address_of(small_installation().broker, tmp_path, "one")

    assert (address.user, address.password) == ("gardener", "hidden")
    assert address.client_id == "tricklebook-one"
    assert "hidden" not in repr(address)
    assert "gardener" not in repr(address)


@pytest.mark.parametrize(
    ("field", "match"),
    [
        ("ca", "no certificates of an authority could be read"),
        ("certificate", "certificate and key cannot be used"),
    ],
)
def test_certificate_file_that_is_none_is_named(tmp_path: Path, field: str, match: str) -> None:
    """A file that holds no certificate is named."""
    path = tmp_path / "file.pem"
    path.write_text("nothing", encoding="utf-8")
    address = Address("127.0.0.1", 8883, "me", ("#",), tls=True, **{field: path})  # type: ignore[arg-type] # one of two

    with pytest.raises(UserError, match=f"file.pem: {match}"):
        tls_context(address)
