"""The socket that stands between the broker and the MQTT library: PUBLISH packets never get through to it."""

from __future__ import annotations

import socket
import ssl
from typing import TYPE_CHECKING

from ingest.packets import PacketError
from ingest.splitter import Received, Splitter

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest import packets

READ_BYTES = 256 * 1024
"""Bytes asked of the socket at a time."""

BATCH_BYTES = 1 << 20
"""Bytes after which a batch goes to the journal although more are waiting: bounds memory and delay."""

_NOT_NOW = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Link:
    """One connection; a new one makes a new link, so an old one's acknowledgements go nowhere.

    Parameters
    ----------
    inner : socket.socket
        Connected, with or without TLS.
    level : int
        Protocol level.
    is_stored : callable
        As for `ingest.splitter.Splitter`.
    """

    def __init__(self, inner: socket.socket, level: int, is_stored: Callable[[packets.Packet], bool]) -> None:
        self._inner = inner
        self._splitter = Splitter(level, is_stored)
        self._out = bytearray()
        self._library_is_mid_packet = False
        self._error: Exception | None = None
        self._ended = False

    def fill(self) -> Received:
        """Read what has come, up to a batch; control packets wait for the library."""
        taken = 0
        try:
            while taken < BATCH_BYTES and not self._ended:
                data = self._inner.recv(READ_BYTES)
                self._ended = not data
                taken += len(data)
                self._splitter.feed(data)
        except _NOT_NOW:
            pass
        except OSError as error:
            self._error = error
        except PacketError as error:
            self._error = ConnectionError(str(error))
        return self._splitter.take()

    @property
    def has_news(self) -> bool:
        """Whether the library has something to read: a control packet, the end, or an error."""
        return bool(self._splitter.control) or self._ended or self._error is not None

    def acknowledge(self, acks: bytes | bytearray) -> None:
        """Send acknowledgements, as far as the socket takes them now."""
        self._out += acks
        self.flush()

    @property
    def is_open(self) -> bool:
        """Whether the connection has not ended."""
        return not self._ended and self._error is None

    @property
    def is_waiting_to_send(self) -> bool:
        """Whether acknowledgements are not out yet."""
        return bool(self._out)

    def flush(self) -> None:
        """Send what is not out yet, unless the library is in the middle of a packet of its own."""
        if self._library_is_mid_packet or not self.is_open:
            return
        try:
            while self._out:
                del self._out[: self._inner.send(self._out)]
        except _NOT_NOW:
            pass
        except OSError as error:
            self._error = error

    def recv(self, size: int) -> bytes:
        """Give the library the bytes of control packets."""
        control = self._splitter.control
        if control:
            data = bytes(control[:size])
            del control[:size]
            return data
        if self._error is not None:
            raise self._error
        if self._ended:
            return b""
        raise BlockingIOError

    def send(self, data: bytes) -> int:
        """Send bytes for the library, after the acknowledgements that are half out."""
        if not self._library_is_mid_packet:
            self.flush()
            if self._out:
                raise BlockingIOError
        sent = self._inner.send(data)
        self._library_is_mid_packet = sent < len(data)
        return sent

    def close(self) -> None:
        """Close the connection."""
        self._ended = True
        self._inner.close()

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return self._inner.fileno()

    def setblocking(self, flag: bool) -> None:  # noqa: FBT001 - the signature of a socket
        """Set whether calls wait."""
        self._inner.setblocking(flag)

    def pending(self) -> int:
        """Return how many bytes TLS has ready that the descriptor does not show."""
        return self._inner.pending() if isinstance(self._inner, ssl.SSLSocket) else 0
