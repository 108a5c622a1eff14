"""Readings a CPU-second from payload to columns in stored units, beside the bare decoding libraries.

``python -m benchmarks.decode``; both columns of a line are measured in turn in one run, so that a busy
machine slows them alike. The ratio is what checks, units, calibration and clocks cost.
"""

from __future__ import annotations

import json
import statistics
import time
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import cbor2
import msgspec

from ingest.formats.senml_cbor import LABELS
from ingest.formats.sparkplug_payload import Payload
from ingest.load_installation import loads
from ingest.records import Message
from ingest.routing import Router

if TYPE_CHECKING:
    from collections.abc import Callable

NOW_US = 1_780_000_000_000_000
REPEATS = 7
RECORDS = 50_000
"""Readings of each case."""

DEVICE = "urn:dev:mac:02005e0000530a01:"
INSTALLATION = f"""
name = "Bench"
timezone = "UTC"
supply = {{ kind = "well", backflow_preventer = "none" }}
zone.a = {{}}
[sensor.flow]
quantity = "flow"
point = "source"
unit = "L/h"
range = ["0 L/h", "3000 L/h"]
source = {{ senml = "{DEVICE}flow" }}
[sensor.plain]
quantity = "flow"
point = "stock"
unit = "L/h"
source = {{ topic = "plain" }}
[sensor.metric]
quantity = "flow"
point = "mixed"
unit = "L/h"
source = {{ sparkplug = "Flow", edge_node = "bench/node" }}
"""


@dataclass(frozen=True, slots=True)
class Case:
    """Messages, the readings in them, and what the bare library does with one payload."""

    name: str
    messages: list[Message]
    readings: int
    bare: Callable[[bytes], Any]


def pack(size: int) -> list[dict[str, Any]]:
    """Return a SenML pack as a device sends it: base fields once, one value every 10 s."""
    head = {"bn": DEVICE, "bt": 1.78e9 - 1e4, "n": "flow", "u": "L/h", "v": 500.25}
    return [head, *({"n": "flow", "t": 10 * n, "v": 500 + n % 40 / 8} for n in range(1, size))]


def cases() -> list[Case]:
    """Return every case, about `RECORDS` readings in each."""
    found = []
    numbers = {label: number for number, label in LABELS.items()}
    for size in (1, 10, 100):
        rows, count = pack(size), RECORDS // size
        text = json.dumps(rows, separators=(",", ":")).encode()
        binary = cbor2.dumps([{numbers[key]: value for key, value in row.items()} for row in rows])
        metrics = [
            {"name": "Flow", "timestamp": NOW_US // 1000 - n, "double_value": 5.5} for n in range(size)
        ]
        spark = Payload(metrics=metrics).SerializeToString()
        sent = Message("spBv1.0/bench/NDATA/node", spark, NOW_US)
        found += [
            Case(
                f"SenML JSON, {size} a message",
                [Message("a", text, NOW_US)] * count,
                RECORDS,
                msgspec.json.decode,
            ),
            Case(
                f"SenML CBOR, {size} a message", [Message("a", binary, NOW_US)] * count, RECORDS, cbor2.loads
            ),
            Case(f"Sparkplug B, {size} a message", [sent] * count, RECORDS, Payload.FromString),
        ]
    found.append(Case("plain value", [Message("plain", b"500.25", NOW_US)] * RECORDS, RECORDS, float))
    half = [Message("a", json.dumps(pack(1)).encode(), NOW_US), Message("a", b'[{"n":"flow","v":', NOW_US)]
    found.append(Case("SenML JSON, every second broken", half * (RECORDS // 2), RECORDS // 2, _try_json))
    return found


def _try_json(payload: bytes) -> Any:
    """Decode JSON or find that it is none."""
    try:
        return msgspec.json.decode(payload)
    except msgspec.DecodeError:
        return None


def alone(case: Case) -> None:
    """Decode every payload of a case with the bare library."""
    for message in case.messages:
        case.bare(message.payload)


def seconds(work: Callable[[], object]) -> float:
    """Return the CPU time of some work. [s]"""
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    """Measure every case and print the table."""
    router = Router(loads(INSTALLATION.encode()))
    print("| case | bare library, M readings/s | decoded, checked, converted, M readings/s | ratio |")
    print("|---|---|---|---|")
    for case in cases():
        bare, whole = [], []
        for _ in range(REPEATS):
            bare.append(seconds(partial(alone, case)))
            whole.append(seconds(partial(router.decode, case.messages)))
        left, right = (case.readings / statistics.median(times) / 1e6 for times in (bare, whole))
        print(f"| {case.name} | {left:.2f} | {right:.2f} | {right / left:.2f} |", flush=True)


if __name__ == "__main__":
    main()
