"""The splitter keeps PUBLISH packets as they are, acknowledges them in order, and leaves the rest."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import packets
from ingest.frames import Kind
from ingest.packets import DUP, V5, V311, Packet, PacketError, encode_length
from ingest.splitter import KEPT, Splitter

PINGRESP = b"\xd0\x00"


def published(
    mid: int, payload: bytes = b"1", *, topic: str = "a/b", level: int = V5, again: bool = False
) -> bytes:
    """Return a QoS 1 PUBLISH packet as a broker sends it."""
    name = topic.encode()
    body = (
        len(name).to_bytes(2, "big")
        + name
        + mid.to_bytes(2, "big")
        + (b"\x00" if level == V5 else b"")
        + payload
    )
    return bytes([0x32 | (DUP if again else 0)]) + encode_length(len(body)) + body


def nothing_is_stored(_packet: Packet) -> bool:
    """Stand for an empty journal."""
    return False


@given(
    st.lists(st.tuples(st.integers(1, 65_535), st.binary(max_size=200), st.booleans()), max_size=20),
    st.lists(st.integers(1, 40), min_size=1, max_size=50),
    st.sampled_from([V311, V5]),
)
def test_any_cut_of_the_stream_gives_the_same(
    messages: list[tuple[int, bytes, bool]], cuts: list[int], level: int
) -> None:
    """However the network cuts the stream, packets, acknowledgements and control packets are the same."""
    stream = b"".join(
        (PINGRESP if ping else b"") + published(mid, payload, level=level) for mid, payload, ping in messages
    )
    splitter = Splitter(level, nothing_is_stored)
    at = turn = 0
    while at < len(stream):
        step = cuts[turn % len(cuts)]
        splitter.feed(stream[at : at + step])
        at, turn = at + step, turn + 1

    received = splitter.take()

    body = b"".join(part.body for part in received.parts)
    assert [packet.payload for packet in packets.split(body, level)] == [
        payload for _, payload, _ in messages
    ]
    assert bytes(received.acks) == b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid, _, _ in messages)
    assert splitter.control == PINGRESP * sum(ping for _, _, ping in messages)
    assert received.messages == len(messages)


def test_qos_0_is_kept_and_not_acknowledged() -> None:
    """A packet without identifier goes to the journal, and no acknowledgement goes out."""
    splitter = Splitter(V311, nothing_is_stored)

    splitter.feed(packets.encode("a", b"1"))
    received = splitter.take()

    assert received.messages == 1
    assert not received.acks


def test_packet_sent_again_that_is_stored_is_only_acknowledged() -> None:
    """What the journal has is not stored twice, but the broker is told."""
    splitter = Splitter(V5, lambda packet: packet.mid == 7)

    splitter.feed(published(6) + published(7, again=True) + published(8, again=True))
    received = splitter.take()

    mids = [p.mid for part in received.parts for p in packets.split(bytes(part.body), V5)]
    assert mids == [6, 8]
    assert received.again == 1
    assert bytes(received.acks) == b"\x40\x02\x00\x06\x40\x02\x00\x07\x40\x02\x00\x08"


@pytest.mark.parametrize("step", [1_000, 65_536, 10**7])
def test_packet_that_is_too_large_keeps_its_beginning(step: int) -> None:
    """Of a packet over the limit the beginning is kept with the full size; memory stays small; it is acknowledged."""
    payload = bytes(range(256)) * 8_000
    stream = published(1) + published(2, payload) + published(3)
    splitter = Splitter(V5, nothing_is_stored, max_packet=1_000_000)

    most = 0
    for at in range(0, len(stream), step):
        splitter.feed(stream[at : at + step])
        most = max(most, len(splitter._rest))  # noqa: SLF001 - what it holds back is the claim
    received = splitter.take()

    assert [part.kind for part in received.parts] == [Kind.PACKETS_V5, Kind.TOO_LARGE, Kind.PACKETS_V5]
    body = received.parts[1].body
    (kept,) = packets.split(bytes(body[8:]), V311)
    assert int.from_bytes(body[:8], "big") == len(published(2, payload))
    assert kept.topic == "a/b"
    assert kept.payload == payload[: len(kept.payload)]
    assert KEPT - 100 < len(kept.payload) <= KEPT
    assert bytes(received.acks) == b"\x40\x02\x00\x01\x40\x02\x00\x02\x40\x02\x00\x03"
    assert most <= 1_000_000


def test_length_without_sense_ends_the_connection() -> None:
    """After a length that cannot be, nothing can be understood any more."""
    splitter = Splitter(V5, nothing_is_stored)

    with pytest.raises(PacketError, match="more than four bytes"):
        splitter.feed(b"\x30\xff\xff\xff\xff\x01")


def test_control_packet_that_is_too_large_ends_the_connection() -> None:
    """No control packet has megabytes."""
    splitter = Splitter(V5, nothing_is_stored, max_packet=1_000)

    with pytest.raises(PacketError, match="a control packet of 2097151 bytes"):
        splitter.feed(b"\xd0" + encode_length(2_097_151) + b"x")
