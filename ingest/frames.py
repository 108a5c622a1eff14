"""Frames, the unit of the journal: a header with length and checksum, then raw packets or one record.

A frame is written with one call and made durable before anything in it is acknowledged, so after a crash
the journal is a row of whole frames and at most one torn one at its end.
"""

from __future__ import annotations

import struct
import zlib
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

MAGIC = b"TBJ1"
MAX_BODY = 64 * 2**20
"""Bytes of a body at most; a longer length is damage, not a frame."""

_HEADER = struct.Struct("<4sBBHIIQQI")
HEADER_BYTES = _HEADER.size
_CRC = struct.Struct("<I")


class Kind(IntEnum):
    """What a frame's body holds."""

    PACKETS_V311 = 1
    """PUBLISH packets of MQTT 3.1.1."""
    PACKETS_V5 = 2
    """PUBLISH packets of MQTT 5."""
    TOO_LARGE = 3
    """The first bytes of a packet too large to keep, after its full size as 8 bytes."""
    EVENT = 4
    """Something the ingester itself has to tell, as a JSON object."""


class Frame(NamedTuple):
    """One whole frame.

    Attributes
    ----------
    kind : int
        A value of `Kind`.
    messages : int
        How many it holds.
    sequence : int
        Number of the frame in its segment, from 0.
    received_us : int
        When its messages were received. [µs since 1970, UTC]
    body : bytes
        As its kind says.
    start, end : int
        Where it stands in its segment. [bytes]
    """

    kind: int
    messages: int
    sequence: int
    received_us: int
    body: bytes
    start: int
    end: int


class Damage(NamedTuple):
    """Bytes of a segment that are no whole frame.

    Attributes
    ----------
    start, end : int
        Where they stand. [bytes]
    tail : bool
        Whether they reach the end of the segment: then it is a torn last write, or one going on.
    """

    start: int
    end: int
    tail: bool


def encode(kind: Kind, count: int, sequence: int, received_us: int, body: bytes | bytearray) -> bytes:
    """Return a frame's bytes.

    Examples
    --------
    >>> frame = encode(Kind.EVENT, 1, 0, 0, b"{}")
    >>> next(scan(frame)).body
    b'{}'
    """
    header = _HEADER.pack(MAGIC, kind, 0, HEADER_BYTES + 4, len(body), count, sequence, received_us, 0)
    crc = zlib.crc32(body, zlib.crc32(header))
    return b"".join((header, _CRC.pack(crc), body))


def _frame_at(data: bytes | memoryview, at: int) -> Frame | None:
    """Return the whole frame that begins here, or None."""
    body_start = at + HEADER_BYTES + 4
    if body_start > len(data) or data[at : at + 4] != MAGIC:
        return None
    header = data[at : at + HEADER_BYTES]
    _, kind, _, _, length, count, sequence, received_us, _ = _HEADER.unpack(header)
    end = body_start + length
    if length > MAX_BODY or end > len(data):
        return None
    body = data[body_start:end]
    if zlib.crc32(body, zlib.crc32(header)) != _CRC.unpack_from(data, at + HEADER_BYTES)[0]:
        return None
    return Frame(kind, count, sequence, received_us, bytes(body), at, end)


def scan(data: bytes | memoryview, offset: int = 0) -> Iterator[Frame | Damage]:
    """Read the frames of a segment, or of its end.

    Parameters
    ----------
    data : bytes or memoryview
        A segment from a frame's start on.
    offset : int
        Where `data` begins in the segment. [bytes]

    Yields
    ------
    Frame or Damage
        In order; bytes that are no frame are skipped to the next whole one, never silently.

    Examples
    --------
    >>> whole = encode(Kind.EVENT, 1, 0, 0, b"{}")
    >>> [type(found).__name__ for found in scan(whole + b"torn" + whole + whole[:9])]
    ['Frame', 'Damage', 'Frame', 'Damage']
    """
    at = 0
    while at < len(data):
        frame = _frame_at(data, at)
        if frame is not None:
            at = frame.end
            yield frame._replace(start=frame.start + offset, end=frame.end + offset)
            continue
        after = _next_frame(data, at + 1)
        end = len(data) if after is None else after
        yield Damage(at + offset, end + offset, tail=after is None)
        at = end


def _next_frame(data: bytes | memoryview, at: int) -> int | None:
    """Return where the next whole frame begins."""
    raw = bytes(data)
    while (at := raw.find(MAGIC, at)) >= 0:
        if _frame_at(raw, at) is not None:
            return at
        at += 1
    return None
