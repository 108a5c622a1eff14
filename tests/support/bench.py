"""A small bench with one sensor of each way to be heard, and messages for it."""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ingest.conversion import Curve
from ingest.load_installation import loads
from ingest.records import Message
from ingest.routing import Router

if TYPE_CHECKING:
    from ingest.installation import Installation
    from ingest.records import Decoded

NOW_US = 1_780_000_000_000_000
"""When every message of these tests was received. [µs since 1970, UTC]"""

NOW_S = NOW_US / 1e6

TEXT = """
name = "Bench"
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
accuracy = "2 %"
source = { senml = "urn:dev:mac:02005e0000530a01:flow" }

[sensor.total]
quantity = "volume"
point = "source"
unit = "L"
source = { senml = "urn:dev:mac:02005e0000530a01:flow", field = "s" }

[sensor.pulses]
quantity = "volume"
point = "source"
unit = "count"
pulses_per_litre = 10
rolls_over_at = 1000000
source = { senml = "urn:dev:mac:02005e0000530a01:pulses" }

[sensor.pressure]
quantity = "pressure"
point = "supply"
unit = "mA"
range = ["0 kPa", "600 kPa"]
accuracy = "0.5 % of 600 kPa"
calibration = [
  { from = 2026-01-01, points = [[4, "0 kPa"], [20, "600 kPa"]] },
  { from = 2026-05-01, points = [[4.1, "0 kPa"], [20.1, "600 kPa"]] },
]
source = { senml = "urn:dev:mac:02005e0000530a01:pressure" }

[sensor.valve]
quantity = "valve state"
point = "zone"
zone = "a"
unit = "1"
source = { senml = "urn:dev:mac:02005e0000530a01:valve" }

[sensor.short]
quantity = "temperature"
point = "source"
unit = "°C"
source = { senml = "t", topic = "bench/short/+" }

[sensor.plain]
quantity = "pressure"
point = "zone"
zone = "a"
unit = "bar"
source = { topic = "bench/plain/#" }

[sensor.field]
quantity = "conductivity"
point = "mixed"
unit = "mS/cm"
source = { topic = "bench/json", field = "probes[1].ec", time = "at" }

[sensor.metric]
quantity = "flow"
point = "stock"
unit = "L/h"
source = { sparkplug = "Flow/Stock", edge_node = "bench/node1", device = "plc" }
"""

DEVICE = "urn:dev:mac:02005e0000530a01:"


@cache
def bench(more: str = "") -> Installation:
    """Return the bench, with further tables where a test needs them."""
    return loads((TEXT + more).encode())


def message(content: Any, topic: str = "bench/a", *, retained: bool = False) -> Message:
    """Return one message; anything but bytes is written as JSON."""
    payload = content if isinstance(content, bytes) else json.dumps(content).encode()
    return Message(topic, payload, NOW_US, retained)


def decode(*messages: Message) -> Decoded:
    """Return what the bench makes of some messages."""
    return Router(bench()).decode(messages)


def readings(decoded: Decoded) -> list[tuple[str, Any, Any]]:
    """Return sensor, seconds since receipt and value of each reading."""
    ages = ((decoded.time_us - NOW_US) / 1e6).tolist()
    return list(zip(decoded.sensor, ages, decoded.value.tolist(), strict=True))


def transmitted(current_ma: float, full_scale: float) -> float:
    """Return what a 4 to 20 mA transmitter means by a current, as the bench would read it."""
    curve = Curve(0, np.array([4.0, 20.0]), np.array([0.0, full_scale]))
    return float(curve.apply(np.array([current_ma]))[0])
