"""Sparkplug B: births, aliases, data, deaths, gaps, and a memory that makes replay give the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.formats.sparkplug_payload import INT8, INT16, INT32, INT64, Payload, metric_value
from ingest.readings import Quality
from ingest.records import Decoded, Message
from ingest.routing import Router
from tests.support.bench import NOW_US, bench, decode, message, readings

NOW_MS = NOW_US // 1000
FLOAT = 9


def spark(kind: str, seq: int | None, metrics: list[dict[str, Any]], *, device: str = "plc") -> Message:
    """Return one Sparkplug message of the bench's edge node, a second old."""
    payload = Payload(timestamp=NOW_MS - 1000, metrics=metrics)
    if seq is not None:
        payload.seq = seq
    topic = f"spBv1.0/bench/{kind}/node1" + (f"/{device}" if kind.startswith("D") else "")
    return message(payload.SerializeToString(), topic)


def node_birth(session: int = 1) -> Message:
    """Return the birth of the edge node."""
    return spark("NBIRTH", 0, [{"name": "bdSeq", "long_value": session}])


def device_birth(seq: int = 1) -> Message:
    """Return the birth of the device, which announces the alias 7."""
    return spark(
        "DBIRTH",
        seq,
        [
            {"name": "Flow/Stock", "alias": 7, "datatype": FLOAT, "float_value": 5.0},
            {"name": "x", "alias": 8},
        ],
    )


def data(seq: int, value: float, **keys: Any) -> Message:
    """Return one value under its alias."""
    return spark("DDATA", seq, [{"alias": 7, "float_value": value, **keys}])


def columns(decoded: Decoded) -> list[list[Any]]:
    """Return everything that a batch gave, comparable."""
    arrays: list[np.ndarray] = [decoded.code, decoded.time_us, decoded.value, decoded.quality]
    return [array.tolist() for array in arrays]


def test_birth_is_read_and_its_alias_used() -> None:
    """A birth's own values are readings, and later data under its aliases go to the same sensor."""
    decoded = decode(node_birth(), device_birth(), data(2, 6.5))

    assert readings(decoded) == [("metric", -1.0, 5.0), ("metric", -1.0, 6.5)]
    assert (decoded.rejects, decoded.notices) == ([], [])


def test_metric_time_wins_over_message_time() -> None:
    """A metric with a time of its own, as history has it, keeps that time."""
    history = data(2, 6.5, timestamp=NOW_MS - 3_600_000, is_historical=True)
    decoded = decode(node_birth(), device_birth(), history)

    assert readings(decoded)[1] == ("metric", -3600.0, 6.5)


def test_alias_without_birth_is_refused() -> None:
    """Data under an alias that no birth announced is refused, and told by number."""
    decoded = decode(data(4, 6.5))

    assert [(r.reason, r.detail) for r in decoded.rejects] == [
        ("alias", "'bench/node1' device 'plc': no birth announced alias 7")
    ]


def test_named_metric_needs_no_birth() -> None:
    """Data that carry the metric's name are read without a birth."""
    decoded = decode(spark("DDATA", 9, [{"name": "Flow/Stock", "datatype": FLOAT, "float_value": 3.0}]))

    assert readings(decoded) == [("metric", -1.0, 3.0)]


def test_new_birth_of_the_node_ends_old_aliases() -> None:
    """After the edge node is born again, its devices' aliases count no longer."""
    decoded = decode(node_birth(), device_birth(), node_birth(2), data(1, 6.5))

    assert [r.reason for r in decoded.rejects] == ["alias"]


@pytest.mark.parametrize(
    ("seqs", "gaps"), [((0, 1, 2, 3), []), ((0, 1, 3), [2]), ((0, 1, 1, 2), []), ((254, 255, 0, 1), [])]
)
def test_missing_messages_are_noticed(seqs: tuple[int, ...], gaps: list[int]) -> None:
    """A gap in the sequence is a notice at the message after it; wrapping and repeats are none."""
    decoded = decode(*[spark("NDATA", seq, []) for seq in seqs])

    notices = [(n.reason, n.message) for n in decoded.notices]
    assert notices == [("sequence", message) for message in gaps]


def test_gap_tells_what_was_due() -> None:
    """The notice of a gap names the number that was due and the one that came."""
    decoded = decode(spark("NDATA", 3, []), spark("NDATA", 9, []))

    assert decoded.notices[0].detail == "'bench/node1': message 4 was due, 9 came"


def test_death_is_noticed_and_ends_aliases() -> None:
    """A device's death is told, and what comes under its aliases afterwards is refused."""
    decoded = decode(node_birth(), device_birth(), spark("DDEATH", 2, []), data(3, 6.5))

    assert [(n.reason, n.detail) for n in decoded.notices] == [
        ("death", "'bench/node1' device 'plc' has left")
    ]
    assert [r.reason for r in decoded.rejects] == ["alias"]


def test_death_of_an_earlier_session_is_none() -> None:
    """A will that the broker sends late, for a session before the last birth, changes nothing."""
    late_will = spark("NDEATH", None, [{"name": "bdSeq", "long_value": 1}])
    decoded = decode(node_birth(2), device_birth(), late_will, data(2, 6.5))

    assert decoded.notices == []
    assert readings(decoded)[-1] == ("metric", -1.0, 6.5)


def test_death_of_this_session_is_told() -> None:
    """The will of the session that is running ends it."""
    decoded = decode(node_birth(2), spark("NDEATH", None, [{"name": "bdSeq", "long_value": 2}]))

    assert [n.reason for n in decoded.notices] == ["death"]


def test_birth_without_a_wanted_metric_is_noticed() -> None:
    """A birth that lacks a metric which a sensor reads is told, for a name may be misspelled."""
    decoded = decode(node_birth(), spark("DBIRTH", 1, [{"name": "Flow/Stok"}]))

    assert [(n.reason, n.detail) for n in decoded.notices] == [
        ("missing metric", "the birth of 'bench/node1' device 'plc' has no metric 'Flow/Stock'")
    ]


def test_metrics_that_no_sensor_reads_are_passed_over() -> None:
    """An edge node has many metrics; those that the installation does not name are no rejects."""
    decoded = decode(node_birth(), device_birth(), spark("DDATA", 2, [{"alias": 8, "int_value": 1}]))

    assert decoded.rejects == []
    assert len(decoded) == 1


def test_unknown_edge_node_is_refused() -> None:
    """Messages of an edge node that no sensor names are told by its name."""
    decoded = decode(message(b"", "spBv1.0/bench/NDATA/other"))

    assert [(r.reason, r.detail) for r in decoded.rejects] == [
        ("unknown topic", "no sensor has source edge_node = 'bench/other'")
    ]


def test_commands_and_host_state_are_no_readings() -> None:
    """Commands and the state of a host application are passed over."""
    decoded = decode(message(b"", "spBv1.0/bench/NCMD/node1"), message(b"{}", "spBv1.0/STATE/host"))

    assert (len(decoded), decoded.rejects, decoded.notices) == (0, [], [])


def test_null_metric_has_no_value() -> None:
    """A metric that says it is null is refused, not taken for zero."""
    decoded = decode(node_birth(), device_birth(), spark("DDATA", 2, [{"alias": 7, "is_null": True}]))

    assert [(r.reason, r.message) for r in decoded.rejects] == [("no value", 2)]


@pytest.mark.parametrize(
    ("code", "quality"), [(0, Quality.BAD), (192, Quality.NOT_EVALUATED), (500, Quality.SUSPECT)]
)
def test_quality_of_the_edge_node_is_kept(code: int, quality: Quality) -> None:
    """What an edge node thinks of its own value stays with the reading."""
    properties = {"keys": ["Quality"], "values": [{"type": INT32, "int_value": code}]}
    decoded = decode(node_birth(), device_birth(), data(2, 6.5, properties=properties))

    assert decoded.quality.tolist() == [Quality.NOT_EVALUATED, quality]


@pytest.mark.parametrize(
    ("field", "raw", "datatype", "value"),
    [
        ("int_value", 0xFB, INT8, -5),
        ("int_value", 0xFFFFFFFB, INT8, -5),
        ("int_value", 0xFFFB, INT16, -5),
        ("int_value", 0xFFFFFFFB, INT32, -5),
        ("long_value", 2**64 - 5, INT64, -5),
        ("int_value", 5, INT32, 5),
        ("int_value", 0xFFFFFFFB, 7, 0xFFFFFFFB),
    ],
)
def test_signed_numbers_are_twos_complement(field: str, raw: int, datatype: int, value: int) -> None:
    """Signed whole numbers arrive in unsigned fields; an unsigned one of the same bits is large."""
    metric = Payload(metrics=[{field: raw}]).metrics[0]

    assert metric_value(metric, datatype) == value


def test_single_precision_reads_as_written() -> None:
    """A single-precision 1.31 is 1.31, not the double nearest to its bits."""
    assert metric_value(Payload(metrics=[{"float_value": 1.31}]).metrics[0], FLOAT) == 1.31


@given(
    values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=10),
    ages=st.lists(st.integers(0, 10**9), min_size=10, max_size=10),
)
def test_values_and_times_come_through_as_sent(values: list[float], ages: list[int]) -> None:
    """Double-precision values and milliseconds are the same before and after, in the order of the metrics."""
    metrics = [
        {"name": "Flow/Stock", "double_value": value, "timestamp": NOW_MS - age}
        for value, age in zip(values, ages, strict=False)
    ]
    decoded = decode(spark("DDATA", 1, metrics))

    assert decoded.value.tolist() == values
    assert decoded.time_us.tolist() == [(NOW_MS - age) * 1000 for age in ages[: len(values)]]


@pytest.mark.parametrize("cut", range(1, 7))
def test_replay_from_the_middle_gives_the_same(cut: int) -> None:
    """A journal decoded in two parts, the second with the memory of the cut, gives what one pass gives."""
    stream = [
        node_birth(),
        device_birth(),
        data(2, 6.5),
        data(4, 7.0),
        spark("DDEATH", 5, []),
        device_birth(6),
        data(7, 8.0),
    ]
    whole = Router(bench()).decode(stream)
    first = Router(bench())
    head = first.decode(stream[:cut])
    tail = Router(bench(), first.memory()).decode(stream[cut:])

    joined = [left + right for left, right in zip(columns(head), columns(tail), strict=True)]
    assert joined == columns(whole)
    assert len(head.notices) + len(tail.notices) == len(whole.notices)
    assert len(head.rejects) + len(tail.rejects) == len(whole.rejects)
