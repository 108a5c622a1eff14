"""MQTT PUBLISH packets as bytes: put together, cut apart, read."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

PUBLISH = 0x30
"""First byte of a PUBLISH packet, flags not counted (MQTT 5.0, section 2.1.2)."""

RETAIN = 0x01
DUP = 0x08
QOS_MASK = 0x06
TYPE_MASK = 0xF0
MORE = 0x80
"""Bit of a length's byte that says that another follows (MQTT 5.0, section 1.5.5)."""

V311 = 4
"""Protocol level of MQTT 3.1.1."""
V5 = 5
"""Protocol level of MQTT 5."""

MALFORMED = "(malformed packet)"
"""Stands for the topic of a packet whose inner lengths contradict its outer one."""

MAX_TOPIC = 65_535
"""Bytes of a topic at most: its length is a 16-bit number (MQTT 5.0, section 1.5.4)."""


class PacketError(ValueError):
    """Raised when bytes are not a PUBLISH packet."""


class Packet(NamedTuple):
    """One PUBLISH packet, read.

    Attributes
    ----------
    topic : str
        Bytes that are not UTF-8 are shown as escapes.
    payload : bytes
        Untouched.
    retained, again : bool
        The RETAIN and the DUP flag.
    mid : int
        Packet identifier, 0 for QoS 0.
    """

    topic: str
    payload: bytes
    retained: bool
    again: bool
    mid: int


def encode_length(length: int) -> bytes:
    """Return a variable byte integer.

    References
    ----------
    MQTT 5.0 (OASIS, 2019), section 1.5.5.

    Examples
    --------
    >>> encode_length(16384).hex()
    '808001'
    """
    out = bytearray()
    while True:
        length, byte = divmod(length, 128)
        out.append(byte | MORE if length else byte)
        if not length:
            return bytes(out)


def decode_length(data: bytes | bytearray | memoryview, at: int) -> tuple[int, int]:
    """Read a variable byte integer.

    Parameters
    ----------
    data : bytes-like
        Where it stands.
    at : int
        Index of its first byte.

    Returns
    -------
    tuple of int
        The number, and the index after it; ``(-1, at)`` where its end is not there yet.

    Raises
    ------
    PacketError
        If it has more than four bytes.

    Examples
    --------
    >>> decode_length(bytes.fromhex("808001"), 0)
    (16384, 3)
    """
    value = 0
    for place in range(4):
        if at + place >= len(data):
            return -1, at
        byte = data[at + place]
        value |= (byte & 0x7F) << (7 * place)
        if not byte & MORE:
            return value, at + place + 1
    msg = "a length of more than four bytes"
    raise PacketError(msg)


def encode(topic: str, payload: bytes, *, retained: bool = False) -> bytes:
    """Return a PUBLISH packet of MQTT 3.1.1, QoS 0.

    Raises
    ------
    PacketError
        If the topic is longer than 65,535 bytes.

    Examples
    --------
    >>> encode("a/b", b"1").hex()
    '30060003612f6231'
    """
    name = topic.encode("utf-8", "surrogateescape")
    if len(name) > MAX_TOPIC:
        msg = f"a topic of {len(name)} bytes; at most {MAX_TOPIC} fit"
        raise PacketError(msg)
    first = PUBLISH | (RETAIN if retained else 0)
    body = len(name) + 2 + len(payload)
    return b"%c%b%b%b%b" % (first, encode_length(body), len(name).to_bytes(2, "big"), name, payload)


def split(body: bytes | memoryview, level: int) -> Iterator[Packet]:
    """Read whole PUBLISH packets that stand one after the other.

    Parameters
    ----------
    body : bytes or memoryview
        Whole packets and nothing else.
    level : int
        `V311` or `V5`: the latter has properties before the payload.

    Yields
    ------
    Packet
        In order.

    Raises
    ------
    PacketError
        If the bytes end inside a packet.

    Examples
    --------
    >>> [packet.payload for packet in split(encode("a", b"1") + encode("a", b"2"), V311)]
    [b'1', b'2']
    """
    at, end, data = 0, len(body), bytes(body)
    while at < end:
        first = data[at]
        length, start = decode_length(data, at + 1)
        at = start + length
        if length < 0 or at > end or first & TYPE_MASK != PUBLISH:
            msg = "the bytes end inside a packet"
            raise PacketError(msg)
        yield _read(data, first, start, at, level)


def _read(data: bytes, first: int, start: int, end: int, level: int) -> Packet:
    """Read the packet whose variable header begins at `start`; one that contradicts itself is kept whole."""
    name_end = start + 2 + int.from_bytes(data[start : start + 2], "big")
    topic = data[start + 2 : name_end].decode("utf-8", "backslashreplace")
    mid, at = 0, name_end
    if first & QOS_MASK:
        mid = int.from_bytes(data[at : at + 2], "big")
        at += 2
    if level == V5:
        properties, at = _decode_properties(data, at)
        at += properties
    if at > end:
        return Packet(MALFORMED, data[start:end], retained=False, again=False, mid=mid)
    return Packet(topic, data[at:end], bool(first & RETAIN), bool(first & DUP), mid)


def _decode_properties(data: bytes, at: int) -> tuple[int, int]:
    """Return the length of the properties and where they begin; a length without sense leads past the end."""
    try:
        length, start = decode_length(data, at)
    except PacketError:
        length = -1
    return (length, start) if length >= 0 else (len(data), at)
