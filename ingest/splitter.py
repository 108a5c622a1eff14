"""Takes PUBLISH packets out of a broker's byte stream in bulk; everything else is left to the MQTT library.

A general client handles one packet at a time with a dozen calls each. Here the packets' ends are found, the
bytes are kept as they are, and the acknowledgements are prepared: about one microsecond a packet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from ingest import packets
from ingest.frames import Kind
from ingest.packets import DUP, PUBLISH, QOS_MASK, TYPE_MASK, V5

if TYPE_CHECKING:
    from collections.abc import Callable

MAX_PACKET = 1 << 20
"""A packet longer than this is not kept but for its beginning. [bytes]"""

KEPT = 1 << 16
"""Bytes that are kept of a packet that is too long. [bytes]"""

PUBACK_BYTES = 4
"""Length of an acknowledgement of success (MQTT 5.0, section 3.4). [bytes]"""

_PUBACK = b"\x40\x02"
_SHORT = 0x80
_PLAIN = TYPE_MASK | DUP


class Part(NamedTuple):
    """Bytes that become one frame of the journal."""

    kind: Kind
    body: bytearray
    messages: int


@dataclass(slots=True)
class Received:
    """PUBLISH packets that came in a row.

    Attributes
    ----------
    parts : list of Part
        Frames to be, in order.
    acks : bytearray
        PUBACK packets, in the order of what they acknowledge; to be sent once the frames are durable.
    messages : int
        PUBLISH packets, those that are in the journal already not counted.
    again : int
        Packets that are in the journal already: they are acknowledged and not stored again.
    too_large : int
        Packets of which only the beginning is kept.
    """

    parts: list[Part] = field(default_factory=list)
    acks: bytearray = field(default_factory=bytearray)
    messages: int = 0
    again: int = 0
    too_large: int = 0

    @property
    def size(self) -> int:
        """Bytes in it."""
        return sum(len(part.body) for part in self.parts)

    def add(self, kind: Kind, body: bytes | bytearray | memoryview, messages: int) -> None:
        """Add packets, in the last part where they are of its kind."""
        self.messages += messages
        if self.parts and self.parts[-1].kind == kind and kind != Kind.TOO_LARGE:
            last = self.parts[-1]
            last.body.extend(body)
            self.parts[-1] = last._replace(messages=last.messages + messages)
        else:
            self.parts.append(Part(kind, bytearray(body), messages))


class Splitter:
    """Splits one connection's byte stream.

    Parameters
    ----------
    level : int
        Protocol level, `ingest.packets.V311` or `ingest.packets.V5`.
    is_stored : callable
        Tells whether a packet that the broker marks as sent again is in the journal.
    max_packet : int
        See `MAX_PACKET`. [bytes]
    """

    def __init__(
        self, level: int, is_stored: Callable[[packets.Packet], bool], *, max_packet: int = MAX_PACKET
    ) -> None:
        self.control = bytearray()
        self.received = Received()
        self._level = level
        self._kind = Kind.PACKETS_V5 if level == V5 else Kind.PACKETS_V311
        self._is_stored = is_stored
        self._max = max_packet
        self._rest = b""
        self._skip = 0
        self._beginning = bytearray()
        self._full_size = 0

    def take(self) -> Received:
        """Return what has come since the last call."""
        taken, self.received = self.received, Received()
        return taken

    def feed(self, data: bytes) -> None:
        """Take bytes as they came from the socket.

        Raises
        ------
        PacketError
            If a length makes no sense: nothing after it can be understood, so end the connection.
        """
        if self._skip:
            data = self._skipped(data)
        if self._rest:
            data = self._rest + data
        self._rest = self._split(data)

    def _split(self, data: bytes) -> bytes:
        """Sort whole packets; return the bytes of the last, unfinished one."""
        at = run = count = 0
        end = len(data)
        acks, longest = self.received.acks, self._max
        while at + 1 < end:
            first, length, start = data[at], data[at + 1], at + 2
            if length >= _SHORT:
                length, start = packets.decode_length(data, at + 1)
                if length < 0:
                    break
            stop = start + length
            if stop > end and length <= longest:
                break
            if first & _PLAIN == PUBLISH and length <= longest:
                if first & QOS_MASK:
                    mid = start + 2 + (data[start] << 8 | data[start + 1])
                    if mid + 2 <= stop:
                        acks += _PUBACK + data[mid : mid + 2]
                count += 1
                at = stop
                continue
            self._keep(data[run:at], count)
            count = 0
            run = at = self._odd(data, at, start, stop)
        self._keep(data[run:at], count)
        return data[at:]

    def _keep(self, body: bytes, messages: int) -> None:
        if messages:
            self.received.add(self._kind, body, messages)

    def _odd(self, data: bytes, at: int, start: int, stop: int) -> int:
        """Handle a packet that is no plain PUBLISH; return where the next one begins."""
        if data[at] & TYPE_MASK != PUBLISH:
            if stop > len(data):
                msg = f"a control packet of {stop - start} bytes"
                raise packets.PacketError(msg)
            self.control += data[at:stop]
        elif stop - start > self._max:
            self._begin_skipping(data, at, start, stop)
        else:
            self._again(data[at:stop])
        return min(stop, len(data))

    def _again(self, packet: bytes) -> None:
        """Keep a packet that was sent again, unless the journal has it; acknowledge it either way."""
        read = next(iter(packets.split(packet, self._level)))
        if packet[0] & QOS_MASK:
            self.received.acks += _PUBACK + read.mid.to_bytes(2, "big")
        if self._is_stored(read):
            self.received.again += 1
        else:
            self.received.add(self._kind, packet, 1)

    def _begin_skipping(self, data: bytes, at: int, start: int, stop: int) -> None:
        self._full_size = stop - at
        self._beginning = bytearray(data[at : at + 1]) + data[start : start + KEPT]
        self._skip = stop - len(data)
        if self._skip <= 0:
            self._end_skipping()

    def _skipped(self, data: bytes) -> bytes:
        """Pass over the bytes of a packet that is too long; return what follows it."""
        room = KEPT + 1 - len(self._beginning)
        self._beginning += data[: min(self._skip, max(room, 0))]
        passed = min(self._skip, len(data))
        self._skip -= passed
        if not self._skip:
            self._end_skipping()
        return data[passed:]

    def _end_skipping(self) -> None:
        """Keep the beginning of a packet as a packet of its own, and acknowledge the whole."""
        first, body = self._beginning[0], bytes(self._beginning[1:])
        short = bytes([first]) + packets.encode_length(len(body)) + body
        read = next(iter(packets.split(short, self._level)))
        kept = packets.encode(read.topic, read.payload)
        self.received.add(Kind.TOO_LARGE, self._full_size.to_bytes(8, "big") + kept, 1)
        self.received.too_large += 1
        if first & QOS_MASK:
            self.received.acks += _PUBACK + read.mid.to_bytes(2, "big")
        self._skip, self._beginning = 0, bytearray()
