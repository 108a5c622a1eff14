"""What is fuzzed: each decoder with good payloads to start from, and the installation file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cbor2
import numpy as np

from ingest.formats.logger import TOPIC
from ingest.formats.sparkplug_payload import Payload
from ingest.load_installation import InstallationError, loads
from ingest.records import REASONS, Message
from ingest.routing import Router

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

NOW_US = 1_780_000_000_000_000
"""When every payload was received. [µs since 1970, UTC]"""

DEVICE = "urn:dev:mac:02005e0000530a01:"

INSTALLATION = f"""
name = "Fuzzed"
timezone = "Europe/Lisbon"
[supply]
kind = "well"
backflow_preventer = "none"
[zone.a]
[sensor.flow]
quantity = "flow"
point = "source"
unit = "L/h"
range = ["0 L/h", "3000 L/h"]
source = {{ senml = "{DEVICE}flow" }}
[sensor.total]
quantity = "volume"
point = "source"
unit = "L"
source = {{ senml = "{DEVICE}flow", field = "s" }}
[sensor.pressure]
quantity = "pressure"
point = "supply"
unit = "mA"
calibration = [{{ from = 2026-01-01, points = [[4, "0 kPa"], [20, "600 kPa"]] }}]
source = {{ senml = "{DEVICE}pressure" }}
[sensor.valve]
quantity = "valve state"
point = "zone"
zone = "a"
unit = "1"
source = {{ senml = "{DEVICE}valve" }}
[sensor.plain]
quantity = "pressure"
point = "zone"
zone = "a"
unit = "bar"
source = {{ topic = "plain/#" }}
[sensor.field]
quantity = "conductivity"
point = "mixed"
unit = "mS/cm"
source = {{ topic = "json", field = "probes[1].ec", time = "at" }}
[sensor.metric]
quantity = "flow"
point = "stock"
unit = "L/h"
source = {{ sparkplug = "Flow", edge_node = "bench/node1", device = "plc" }}
"""

SENML: list[list[dict[str, Any]]] = [
    [{"bn": DEVICE, "bt": 1.78e9, "n": "flow", "u": "L/h", "v": 500.5}, {"n": "flow", "t": 10, "v": 501}],
    [{"n": DEVICE + "flow", "u": "m3/s", "v": 0.0001, "s": 0.25, "t": -3.5, "ut": 60}],
    [{"bn": DEVICE, "bver": 5, "bv": 2, "n": "pressure", "v": 10}, {"n": "pressure", "u": "A", "v": 0.012}],
    [{"bn": DEVICE}, {"n": "valve", "vb": True}, {"n": "flow", "vs": "x"}, {"n": "flow", "vd": "aGk"}],
    [{"n": "t", "v": -1e-3, "bs": 3, "x": [1, {"y": None}]}],
]

LABELS = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6}
LABELS |= {"n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8}

METRICS = [
    [{"name": "bdSeq", "long_value": 3}],
    [{"name": "Flow", "alias": 7, "datatype": 9, "float_value": 5.5}, {"name": "x", "alias": 8}],
    [{"alias": 7, "timestamp": 1_779_999_999_000, "int_value": 2**32 - 5, "datatype": 3}],
    [
        {
            "alias": 7,
            "double_value": 6.5,
            "is_historical": True,
            "properties": {"keys": ["Quality"], "values": [{"type": 3, "int_value": 500}]},
        }
    ],
]

TOKENS = (
    *(f'"{label}":'.encode() for label in (*LABELS, "odd_")),
    *b'[ ] { } , : " \\ - . e NaN Infinity 1e999 -0 null true false 0.1 1780000000 268435456'.split(),
    b"[" * 50,
    b"\\ud800",
    b"\xef\xbb\xbf",
    "🌱".encode(),
    DEVICE.encode(),
    bytes.fromhex("fb7ff0000000000000"),
    bytes.fromhex("c48221191000"),
    bytes.fromhex("d81c81d81d00"),
    bytes.fromhex("9f"),
    bytes.fromhex("ff"),
    bytes.fromhex("1bffffffffffffffff"),
    bytes.fromhex("5b7fffffffffffffff"),
    bytes.fromhex("ffffffffffffffffff01"),
)
"""Pieces that formats are made of, for mutations that get past the first byte."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one batch of payloads.

    Attributes
    ----------
    readings : int
        Readings.
    rejects : dict of str to int
        Rejects by reason.
    silent : int
        Payloads that gave neither a reading, nor a reject, nor a notice.
    """

    readings: int
    rejects: dict[str, int]
    silent: int


@dataclass(frozen=True, slots=True)
class Target:
    """Something that is fuzzed.

    Attributes
    ----------
    name : str
        What it is.
    seeds : sequence of bytes
        Good payloads.
    run : callable
        Decodes payloads and checks what must always hold.
    topics : int
        Topics on which payloads come in turn.
    """

    name: str
    seeds: Sequence[bytes]
    run: Callable[[Sequence[bytes]], Outcome]
    topics: int = 1


def _decoder(topics: Sequence[str]) -> Callable[[Sequence[bytes]], Outcome]:
    """Return a run that decodes payloads on topics in turn, with one router that lives on."""
    router = Router(loads(INSTALLATION.encode()))

    def run(payloads: Sequence[bytes]) -> Outcome:
        messages = [
            Message(topics[place % len(topics)], payload, NOW_US) for place, payload in enumerate(payloads)
        ]
        decoded = router.decode(messages)
        told = np.zeros(len(messages), bool)
        told[decoded.message] = True
        rejects: dict[str, int] = {}
        for reject in decoded.rejects:
            if reject.reason not in REASONS:
                msg = f"a reason that is not explained: {reject.reason}"
                raise AssertionError(msg)
            told[reject.message] = True
            rejects[reject.reason] = rejects.get(reject.reason, 0) + reject.count
        told[[notice.message for notice in decoded.notices]] = True
        if not (np.isfinite(decoded.value).all() and np.isin(decoded.quality, (2, 3, 4)).all()):
            msg = "a reading that is no number, or has no quality"
            raise AssertionError(msg)
        return Outcome(len(decoded), rejects, int((~told).sum()))

    return run


def _installation(payloads: Sequence[bytes]) -> Outcome:
    """Load installation files; each loads, or names what to mend."""
    loaded, rejects = 0, {"problems": 0}
    for payload in payloads:
        try:
            loads(payload)
            loaded += 1
        except InstallationError as error:
            rejects["problems"] += len(error.problems)
    return Outcome(loaded, rejects, 0)


def _cbor(pack: list[dict[str, Any]]) -> bytes:
    """Return a pack as SenML CBOR."""
    return cbor2.dumps([{LABELS.get(label, label): value for label, value in row.items()} for row in pack])


def targets() -> dict[str, Target]:
    """Return everything that is fuzzed, by name."""
    births = ["NBIRTH/node1", "DBIRTH/node1/plc", "DDATA/node1/plc", "NDATA/node1", "NDEATH/node1"]
    spark = [Payload(timestamp=1_779_999_999_000, seq=n, metrics=m) for n, m in enumerate(METRICS)]
    field = {"probes": [0, {"ec": 1.31}], "at": "2026-05-28T20:26:35Z"}
    row = b'{"reason":"time","detail":"a.csv, line 4: no time","row":"x;y"}'
    listed = (
        Target("SenML JSON", [json.dumps(pack).encode() for pack in SENML], _decoder(["a"])),
        Target("SenML CBOR", [_cbor(pack) for pack in SENML], _decoder(["a"])),
        Target(
            "Sparkplug B",
            [payload.SerializeToString() for payload in spark],
            _decoder([f"spBv1.0/bench/{birth}" for birth in births]),
            len(births),
        ),
        Target("plain value", [b"2.5", b"250 kPa", b" -1e3\n", b"36 psi"], _decoder(["plain/a"])),
        Target(
            "JSON field",
            [json.dumps(field).encode(), json.dumps(field | {"at": 1.78e9}).encode()],
            _decoder(["json"]),
        ),
        Target("logger row", [b'[{"n":"flow","t":1780000000.5,"v":7.5}]', row], _decoder([TOPIC + "a.csv"])),
        Target("installation file", [INSTALLATION.encode()], _installation),
    )
    return {target.name: target for target in listed}
