"""Payloads that are well formed and say strange things, so that fuzzing gets past the first byte."""

from __future__ import annotations

import json
import random
from typing import TYPE_CHECKING, Any

import cbor2

from ingest.formats.senml_cbor import LABELS
from ingest.formats.sparkplug_payload import Payload

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

DEVICE = "urn:dev:mac:02005e0000530a01:"
"""Base name of the fuzzed installation's SenML sensors."""

NUMBERS: tuple[Any, ...] = (
    *(0, 1, -1, 0.5, -0.0, 12, 500.25, 3e9, -3e9, 1e308, -1e308, 5e-324, 2**53, 2**64, 2**28, 2**28 - 1),
    *(1.78e9, 1.78e9 - 1e6, 1.78e9 + 90, 1.78e9 + 1e6, float("nan"), float("inf"), 10**30, 10**400),
)
ODD: tuple[Any, ...] = (*NUMBERS, None, True, False, "", "7", "x" * 50, "é🌱", [], [[1]], {}, {"a": 1})
WORDS = (
    "flow",
    "pressure",
    "valve",
    "nothing",
    "",
    "é",
    DEVICE,
    DEVICE + "flow",
    "urn:",
    "Flow",
    "x/y",
    "bdSeq",
)
UNITS = ("L/h", "m3/s", "l/s", "mA", "A", "/", "%", "kPa", "count", "", "furlong", "m3/s s")
TEXTS = ("n", "u", "bn", "bu", "vs", "vd")


def _value(label: str, source: random.Random) -> Any:
    """Return a value for a label: mostly of its kind, sometimes anything."""
    if source.random() < 0.1:
        return source.choice(ODD)
    if label in ("n", "bn"):
        return source.choice(WORDS)
    if label in ("u", "bu"):
        return source.choice(UNITS)
    if label == "bver":
        return source.choice((5, 10, 11, 26, 42, -1))
    return source.random() < 0.5 if label == "vb" else source.choice(NUMBERS)


def pack(source: random.Random) -> list[Any]:
    """Return a SenML pack that is well formed as far as its format goes."""
    rows: list[Any] = []
    for number in range(source.randrange(5)):
        labels = {"n", "v"} | set(source.sample(sorted(LABELS.values()), source.randrange(4)))
        labels |= {"bn"} if number == 0 and source.random() < 0.7 else set()
        labels -= {"v"} if source.random() < 0.1 else set()
        row = {label: _value(label, source) for label in sorted(labels)}
        if source.random() < 0.02:
            row[source.choice(("odd_", "odd", "_"))] = source.choice(ODD)
        rows.append(source.choice(ODD) if source.random() < 0.02 else row)
    return rows


def senml_json(source: random.Random) -> bytes:
    """Return a SenML pack as JSON."""
    return json.dumps(pack(source)).encode()


def senml_cbor(source: random.Random) -> bytes:
    """Return a SenML pack as CBOR, one in a hundred marked as such."""
    numbers = {label: number for number, label in LABELS.items()}
    rows = [
        {numbers.get(label, label): value for label, value in row.items()} if isinstance(row, dict) else row
        for row in pack(source)
    ]
    return (b"\xd9\xd9\xf7" if source.random() < 0.01 else b"") + cbor2.dumps(rows)


def sparkplug(source: random.Random) -> bytes:
    """Return a Sparkplug payload."""
    metrics = []
    for _ in range(source.randrange(4)):
        metric: dict[str, Any] = {}
        if source.random() < 0.6:
            metric["name"] = source.choice(WORDS)
        if source.random() < 0.6:
            metric["alias"] = source.choice((0, 7, 8, 2**64 - 1))
        if source.random() < 0.4:
            metric["timestamp"] = source.choice((0, 1_780_000_000_000, 1_779_999_000_000, 2**64 - 1))
        if source.random() < 0.6:
            metric["datatype"] = source.choice((0, 1, 2, 3, 4, 7, 9, 10, 11, 12, 99))
        metric |= source.choice(_SPARK_VALUES)
        metrics.append(metric)
    sent = Payload(metrics=metrics)
    if source.random() < 0.8:
        sent.seq = source.choice((0, 1, 2, 255, 256, 2**64 - 1))
    if source.random() < 0.8:
        sent.timestamp = 1_779_999_999_000
    return bytes(sent.SerializeToString())


_SPARK_VALUES: Sequence[dict[str, Any]] = (
    {},
    {"int_value": 2**32 - 1},
    {"long_value": 2**64 - 1},
    {"float_value": float("nan")},
    {"float_value": 500.25},
    {"double_value": 1e308},
    {"double_value": -3.5},
    {"boolean_value": True},
    {"string_value": "7"},
    {"bytes_value": b"\xff"},
    {"is_null": True},
    {"float_value": 1.0, "properties": {"keys": ["Quality", "x"], "values": [{"int_value": 0}]}},
)


def plain(source: random.Random) -> bytes:
    """Return a plain value with a unit or without."""
    number = source.choice(NUMBERS) if source.random() < 0.9 else source.choice(ODD)
    text = f"{number!r:.50}{source.choice(('', ' ', '  '))}{source.choice(UNITS)}"
    return text.encode("utf-8", "replace")


def document(source: random.Random) -> bytes:
    """Return a JSON document with or without what is looked for."""
    times = (*NUMBERS, "2026-05-28T20:26:35Z", "2026-05-28", "0001-01-01T00:00:00+23:59", "soon", None)
    found: Any = {"ec": source.choice(ODD)} if source.random() < 0.8 else source.choice(ODD)
    content = {"probes": [0, found][: source.choice((1, 2, 2, 2))], "at": source.choice(times)}
    return json.dumps(content).encode()


def row(source: random.Random) -> bytes:
    """Return what the loader may have put into the journal, and what it never would."""
    if source.random() < 0.5:
        return senml_json(source)
    told = {"reason": source.choice(("time", "clock", "odd", "")), "detail": source.choice(WORDS), "row": ""}
    told |= {source.choice(("row", "reason", "more")): source.choice(ODD)} if source.random() < 0.3 else {}
    return json.dumps(told).encode()


GROWN: dict[str, Callable[[random.Random], bytes]] = {
    "SenML JSON": senml_json,
    "SenML CBOR": senml_cbor,
    "Sparkplug B": sparkplug,
    "plain value": plain,
    "JSON field": document,
    "logger row": row,
}
"""Decoder to the function that grows payloads for it."""
