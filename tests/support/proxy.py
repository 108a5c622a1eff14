"""A wire between a client and a broker that the test may cut, stall or chop."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress

_CHUNK = 65_536


class Wire:
    """Listens on a port of its own and passes bytes on to the broker's.

    Parameters
    ----------
    port : int
        The broker's.

    Attributes
    ----------
    port : int
        Where clients connect.
    piece : int
        Bytes passed on at a time: 1 chops every packet.
    """

    def __init__(self, port: int) -> None:
        self._target = port
        self._open = threading.Event()
        self._open.set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.piece = _CHUNK
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self._target))
                except OSError:
                    near.close()
                    continue
                self._pairs.append((near, far))
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(_CHUNK):
                step = self.piece
                for at in range(0, len(data), step):
                    self._open.wait()
                    other.sendall(data[at : at + step])
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    @property
    def connections(self) -> int:
        """How many connections have been made so far."""
        return len(self._pairs)

    def cut(self) -> None:
        """End every connection."""
        for pair in self._pairs:
            for end in pair:
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def stall(self) -> None:
        """Let nothing through, and tell nobody: a half-open connection."""
        self._open.clear()

    def resume(self) -> None:
        """Let bytes through again."""
        self._open.set()

    def close(self) -> None:
        """End everything."""
        self.resume()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._accepting.join()
        self.cut()
