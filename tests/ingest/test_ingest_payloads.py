"""Ten broken payloads, each with its own clear message, and the good one after them."""

from __future__ import annotations

import pytest

from ingest.formats.sparkplug_payload import Payload
from ingest.records import FOLDED_AFTER, REASONS, Message
from ingest.routing import MAX_PAYLOAD
from tests.support.bench import DEVICE, NOW_S, NOW_US, decode, message, readings

PLC = "spBv1.0/bench/DDATA/node1/plc"

BROKEN = [
    (
        message(b'[{"n":"flow","v":1'),
        "syntax",
        """topic 'bench/a': broken JSON at place 18: expecting ',' delimiter; it begins b'[{"n":"flow","v":1'""",
    ),
    (
        message(b"\xff\xfe7"),
        "syntax",
        "topic 'bench/a': byte 0xff at place 0 is no UTF-8; it begins b'\\xff\\xfe7'",
    ),
    (
        message(b"[" * 200_000),
        "too deep",
        "topic 'bench/a': b'[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[…",
    ),
    (
        message(b"0" * (MAX_PAYLOAD + 1)),
        "too large",
        "topic 'bench/a': 1048577 bytes; at most 1048576",
    ),
    (
        message(bytes.fromhex("81a20064666c6f7702f93c00") + b"##"),
        "syntax",
        r"topic 'bench/a': 2 bytes after the end of the CBOR; it begins b'\x81\xa2\x00dflow\x02\xf9<\x00##'",
    ),
    (
        message(b"12,5", "bench/plain/x"),
        "not a number",
        "topic 'bench/plain/x': '12,5' for sensor plain, which takes pressure in bar",
    ),
    (
        message({"probes": [{"ec": 1.2}], "at": NOW_S}, "bench/json"),
        "no value",
        "topic 'bench/json' field probes[1].ec: there is no probes[1]",
    ),
    (
        message({"probes": [{}, {"ec": 1.2}], "at": "2026-05-01T06:00:00"}, "bench/json"),
        "time",
        (
            "topic 'bench/json' field probes[1].ec: the time '2026-05-01T06:00:00' has no time zone; "
            "expected one at its end, like Z or +01:00"
        ),
    ),
    (
        message(b"\x12\x05", PLC),
        "syntax",
        "topic 'spBv1.0/bench/DDATA/node1/plc': no Sparkplug payload; it begins b'\\x12\\x05'",
    ),
    (
        message(Payload(metrics=[{"alias": 9, "float_value": 1.0}]).SerializeToString(), PLC),
        "alias",
        "'bench/node1' device 'plc': no birth announced alias 9",
    ),
]


@pytest.mark.parametrize(
    ("broken", "reason", "detail"), [pytest.param(*row, id=f"{n}-{row[1]}") for n, row in enumerate(BROKEN)]
)
def test_broken_payload_gets_its_own_message(broken: Message, reason: str, detail: str) -> None:
    """A broken payload is one reject with its reason and detail, and the next good one is read."""
    good = message([{"n": DEVICE + "flow", "v": 500}])
    decoded = decode(broken, good)

    assert [(r.reason, r.detail, r.message, r.count) for r in decoded.rejects] == [(reason, detail, 0, 1)]
    assert readings(decoded) == [("flow", 0.0, 500.0)]
    assert decoded.message.tolist() == [1]


def test_all_broken_payloads_at_once_leave_the_good_ones() -> None:
    """Broken payloads between good ones cost nothing but themselves."""
    good = message([{"n": DEVICE + "flow", "v": 500}])
    mixed = [entry for broken, _, _ in BROKEN for entry in (broken, good)]
    decoded = decode(*mixed)

    assert len(decoded.rejects) == len(BROKEN)
    assert decoded.message.tolist() == list(range(1, 2 * len(BROKEN), 2))


def test_every_reason_is_explained() -> None:
    """Each reason that a broken payload is given has its meaning in the table of reasons."""
    assert {reason for _, reason, _ in BROKEN} <= REASONS.keys()


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (b'[{"n":"x"', b',"v":1}]'),
        (b'[{"n":"x","v":1}', b"]"),
        (b'[]],[[{"n":"x","v":1}]', b"[]"),
        (b"[]]\n[[]", b"[]"),
        (b'[{"n":"x', b'","v":1}]'),
    ],
)
def test_payloads_never_run_into_each_other(first: bytes, second: bytes) -> None:
    """Halves of a pack in two messages, or two packs in one, are no pack, however they are decoded together."""
    good = [{"n": DEVICE + "flow", "v": 500}]
    decoded = decode(message(first), message(second), message(good))

    assert decoded.message.tolist() == [2]
    assert {r.message for r in decoded.rejects} <= {0, 1}
    assert 0 in {r.message for r in decoded.rejects}


def test_number_that_is_none_is_told_by_record() -> None:
    """NaN, an infinity and a number too large for one are rejects of their records, not of the pack."""
    pack = b'[{"bn":"%s","n":"flow","v":NaN},{"n":"flow","v":1e999},{"n":"flow","v":-Infinity},{"n":"flow","v":7}]'
    decoded = decode(message(pack % DEVICE.encode()))

    assert [r.reason for r in decoded.rejects] == ["not finite"] * 3
    assert readings(decoded) == [("flow", 0.0, 7.0)]


def test_thousand_bad_records_of_one_message_are_counted_in_few_entries() -> None:
    """Rejects of one message are bounded in memory and complete in number."""
    decoded = decode(message([{"n": "x", "v": 1}] * 1000))

    assert len(decoded.rejects) == FOLDED_AFTER + 1
    assert sum(r.count for r in decoded.rejects) == 1000


def test_retained_message_without_time_is_refused() -> None:
    """What the broker kept has no known age unless it says so itself."""
    stale = message([{"n": DEVICE + "flow", "v": 1}], retained=True)
    dated = message([{"n": DEVICE + "flow", "v": 2, "t": NOW_S - 3600}], retained=True)
    decoded = decode(stale, dated)

    assert [(r.reason, r.message) for r in decoded.rejects] == [("retained", 0)]
    assert readings(decoded) == [("flow", -3600.0, 2.0)]


def test_clock_a_little_ahead_is_suspect() -> None:
    """A time minutes ahead of receipt is kept and marked; one within a minute is not marked."""
    pack = [{"bn": DEVICE, "n": "flow", "v": 1, "t": NOW_S + 300}, {"n": "flow", "v": 2, "t": NOW_S + 30}]
    decoded = decode(message(pack))

    assert decoded.quality.tolist() == [3, 2]


def test_message_keeps_when_it_was_received() -> None:
    """Every reading carries the moment of receipt of its message, whatever its own time."""
    early = Message("bench/a", b'[{"n":"%sflow","v":1,"t":-60}]' % DEVICE.encode(), NOW_US - 5)
    decoded = decode(early, message([{"n": DEVICE + "flow", "v": 1}]))

    assert decoded.received_us.tolist() == [NOW_US - 5, NOW_US]
    assert decoded.time_us.tolist() == [NOW_US - 5 - 60_000_000, NOW_US]
