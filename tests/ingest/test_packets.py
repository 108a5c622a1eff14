"""PUBLISH packets are put together, cut apart and read as MQTT says."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import packets


@pytest.mark.parametrize(
    ("number", "text"),
    [(0, "00"), (127, "7f"), (128, "8001"), (16_383, "ff7f"), (16_384, "808001"), (268_435_455, "ffffff7f")],
)
def test_lengths_are_those_of_the_standard(number: int, text: str) -> None:
    """Table 1-1 of MQTT 5.0, section 1.5.5: the smallest and largest number of each number of bytes."""
    assert packets.encode_length(number).hex() == text
    assert packets.decode_length(bytes.fromhex(text), 0) == (number, len(text) // 2)


def test_length_of_five_bytes_is_refused() -> None:
    """A length never has more than four bytes."""
    with pytest.raises(packets.PacketError, match="more than four bytes"):
        packets.decode_length(bytes.fromhex("8080808001"), 0)


def test_length_that_is_not_there_yet_is_waited_for() -> None:
    """Half a length is no error."""
    assert packets.decode_length(b"\x80", 0) == (-1, 0)


@given(st.lists(st.tuples(st.text(max_size=20), st.binary(max_size=300), st.booleans())))
def test_packets_come_back_as_they_went(messages: list[tuple[str, bytes, bool]]) -> None:
    """Whatever is published is read back."""
    body = b"".join(packets.encode(topic, payload, retained=kept) for topic, payload, kept in messages)

    read = [(packet.topic, packet.payload, packet.retained) for packet in packets.split(body, packets.V311)]

    assert read == messages


def test_version_5_has_properties_before_the_payload() -> None:
    """The properties of an MQTT 5 packet are passed over, and its identifier read."""
    body = bytes.fromhex("3a0c0003612f6201020323000131")

    (packet,) = packets.split(body, packets.V5)

    assert packet == packets.Packet("a/b", b"1", retained=False, again=True, mid=0x0102)


@pytest.mark.parametrize("text", ["3000", "3001ff", "3003ffff61", "3205000361", "32020000", "30030000ff"])
def test_packet_that_contradicts_itself_is_kept_whole(text: str) -> None:
    """A packet with inner lengths beyond its end blocks nothing: its bytes are kept under a stand-in topic."""
    whole = bytes.fromhex(text)
    whole = whole[:1] + packets.encode_length(len(whole) - 2) + whole[2:]

    read = list(packets.split(whole + packets.encode("a", b"1"), packets.V5))

    assert len(read) == 2 or read[0].topic == packets.MALFORMED


def test_bytes_that_end_inside_a_packet_are_refused() -> None:
    """A body holds whole packets and nothing else."""
    with pytest.raises(packets.PacketError, match="end inside a packet"):
        list(packets.split(packets.encode("a", b"123")[:-1], packets.V311))


def test_topic_that_does_not_fit_is_refused() -> None:
    """A topic's length is a 16-bit number."""
    with pytest.raises(packets.PacketError, match="at most 65535"):
        packets.encode("x" * 65_536, b"")
