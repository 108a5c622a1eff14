"""Plain values on a topic, fields of JSON by path, and topic patterns."""

from __future__ import annotations

import gc
import tracemalloc
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.formats.topics import matches
from ingest.formats.values import steps
from ingest.load_installation import loads
from ingest.routing import Router
from tests.support.bench import NOW_S, bench, decode, message, readings


@pytest.mark.parametrize(
    ("payload", "kpa"),
    [
        (b"2.5", 250.0),
        (b" 2.5\n", 250.0),
        (b"250 kPa", 250.0),
        (b"250kPa", 250.0),
        (b"+.25e1", 250.0),
        (b"36 psi", pytest.approx(248.211, abs=1e-3)),
    ],
)
def test_plain_value_is_read_with_or_without_unit(payload: bytes, kpa: float) -> None:
    """A plain number has the sensor's own unit unless the payload names another of its quantity."""
    assert readings(decode(message(payload, "bench/plain/p1"))) == [("plain", 0.0, kpa)]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not a number"),
        (b"off", "not a number"),
        (b"2,5", "not a number"),
        (b"2.5 3.5", "not a number"),
        (b"[2.5]", "not a number"),
        (b"nan", "not finite"),
        (b"-Infinity", "not finite"),
        (b"2.5 furlong", "unit"),
        (b"2.5 L", "unit"),
    ],
)
def test_plain_value_that_is_none_is_told(payload: bytes, reason: str) -> None:
    """Words, commas, lists and foreign units are refused with their reason."""
    assert [r.reason for r in decode(message(payload, "bench/plain/p1")).rejects] == [reason]


def test_very_long_text_is_refused_at_once() -> None:
    """A megabyte of digits is no number and costs nothing."""
    decoded = decode(message(b"1" * 1_000_000, "bench/plain/p1"))

    assert [r.reason for r in decoded.rejects] == ["not a number"]


@pytest.mark.parametrize(
    ("at", "age"),
    [
        (NOW_S - 5, -5.0),
        (int(NOW_S * 1e3) - 5000, -5.0),
        (int(NOW_S * 1e6) - 5_000_000, -5.0),
        (int(NOW_S * 1e9) - 5_000_000_000, -5.0),
        ("2026-05-28T20:26:35Z", -5.0),
        ("2026-05-28T22:26:35+02:00", -5.0),
    ],
)
def test_time_of_a_field_is_read_as_written(at: Any, age: float) -> None:
    """Seconds, milli-, micro- and nanoseconds since 1970 and ISO 8601 with its offset mean the same instant."""
    decoded = decode(message({"probes": [0, {"ec": 1.31}], "at": at}, "bench/json"))

    assert readings(decoded) == [("field", pytest.approx(age, abs=1e-3), 1.31)]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ({"probes": [0, {"ec": None}], "at": NOW_S}, "no value"),
        ({"probes": [0, {}], "at": NOW_S}, "no value"),
        ({"probes": {"1": 1}, "at": NOW_S}, "no value"),
        ({"probes": [0, {"ec": 1.31}]}, "no value"),
        ({"probes": [0, {"ec": {}}], "at": NOW_S}, "not a number"),
        ({"probes": [0, {"ec": True}], "at": NOW_S}, "not a number"),
        ({"probes": [0, {"ec": "much"}], "at": NOW_S}, "not a number"),
        ({"probes": [0, {"ec": 1.31}], "at": "yesterday"}, "time"),
        ({"probes": [0, {"ec": 1.31}], "at": True}, "time"),
        ({"probes": [0, {"ec": 1.31}], "at": 0}, "clock"),
        ({"probes": [0, {"ec": 1.31}], "at": 10**400}, "clock"),
        (b"{", "syntax"),
    ],
)
def test_field_that_is_missing_or_wrong_is_told(content: Any, reason: str) -> None:
    """A missing, null or wrong field and a wrong time are refused with their reason."""
    assert [r.reason for r in decode(message(content, "bench/json")).rejects] == [reason]


def test_number_written_as_text_is_read() -> None:
    """A field that the installation points to may hold its number as text, with its unit."""
    decoded = decode(message({"probes": [0, {"ec": "1310 uS/cm"}], "at": NOW_S}, "bench/json"))

    assert readings(decoded) == [("field", 0.0, pytest.approx(1.31))]


def test_several_sensors_share_one_document() -> None:
    """Each sensor takes its own field of one document, and one bad field spoils no other."""
    more = """
[sensor.second]
quantity = "valve state"
point = "zone"
zone = "a"
unit = "1"
source = { topic = "bench/json", field = "valve", time = "at" }
"""
    content = {"probes": [0, {"ec": "?"}], "valve": "open", "at": NOW_S}
    decoded = Router(bench(more)).decode([message(content, "bench/json")])

    assert readings(decoded) == [("second", 0.0, 1.0)]
    assert [r.reason for r in decoded.rejects] == ["not a number"]


@pytest.mark.parametrize(
    ("pattern", "topic", "fits"),
    [
        ("a/b", "a/b", True),
        ("a/+", "a/b", True),
        ("a/+", "a/b/c", False),
        ("a/+/c", "a//c", True),
        ("a/#", "a", True),
        ("a/#", "a/b/c", True),
        ("+", "a", True),
        ("+", "/a", False),
        ("#", "a/b", True),
        ("#", "$SYS/x", False),
        ("+/x", "$SYS/x", False),
        ("$SYS/#", "$SYS/x", True),
        ("a/b", "a", False),
    ],
)
def test_topic_filter_fits_as_the_standard_says(pattern: str, topic: str, *, fits: bool) -> None:
    """Filters fit topics as in MQTT 5.0 section 4.7, its own examples among these."""
    assert matches(pattern.split("/"), topic.split("/")) is fits


@pytest.mark.parametrize(
    ("path", "way"),
    [("a", ("a",)), ("a.b[0].c", ("a", "b", 0, "c")), ("[1][2].x", (1, 2, "x")), (None, None)],
)
def test_path_is_taken_apart(path: str | None, way: tuple[str | int, ...] | None) -> None:
    """Names and list places of a path come in their order."""
    assert steps(path) == way


@given(value=st.floats(-1e6, 1e6), unit=st.sampled_from(["", " bar", "kPa", "  psi"]))
def test_plain_number_is_the_field_s_number(value: float, unit: str) -> None:
    """A number is the same whether it stands plain or as text in JSON."""
    plain = decode(message(f"{value!r}{unit}".encode(), "bench/plain/p1")).value.tolist()

    factor = {"": 100.0, "bar": 100.0, "kPa": 1.0, "psi": 6.8947572931684}[unit.strip()]
    assert plain == pytest.approx([value * factor], rel=1e-9)


def test_topics_and_names_without_end_leave_nothing_behind() -> None:
    """Thousands of topics and names that nobody described do not fill the memory."""
    router = Router(bench())
    router.decode([message([{"n": "warm", "v": 1}], f"up/{n}") for n in range(4500)])
    tracemalloc.start()
    for start in range(0, 8000, 2000):
        sent = [
            message([{"bn": f"b{n}:", "n": f"n{n}", "v": 1}], f"t/{n}") for n in range(start, start + 2000)
        ]
        router.decode(sent)
        del sent
    gc.collect()
    ours = tracemalloc.take_snapshot().filter_traces(
        [tracemalloc.Filter(inclusive=True, filename_pattern="*/ingest/*")]
    )
    tracemalloc.stop()

    assert (
        sum(one.size for one in ours.statistics("filename")) < 2**18
    )  # 17 kB; with all that is decoded 1.5 MB


def test_short_name_counts_on_its_topic_only() -> None:
    """A SenML name that is bound to a topic is unknown on any other."""
    pack = [{"n": "t", "u": "Cel", "v": 20}]
    decoded = decode(message(pack, "bench/short/x"), message(pack, "bench/a"))

    assert decoded.message.tolist() == [0]
    assert [(r.reason, r.message) for r in decoded.rejects] == [("unknown sensor", 1)]


def test_topic_that_nobody_described_is_told_where_no_name_is_known_everywhere() -> None:
    """Without any SenML sensor, a message on an undescribed topic is refused by its topic."""
    text = """
name = "Plain"
timezone = "UTC"
[supply]
kind = "well"
backflow_preventer = "none"
[zone.a]
[sensor.p]
quantity = "pressure"
point = "supply"
unit = "bar"
source = { topic = "p" }
"""
    decoded = Router(loads(text.encode())).decode([message(b"1", "q"), message(b"1", "p")])

    assert [(r.reason, r.detail) for r in decoded.rejects] == [
        ("unknown topic", "no sensor has source topic = 'q'")
    ]
    assert readings(decoded) == [("p", 0.0, 100.0)]
