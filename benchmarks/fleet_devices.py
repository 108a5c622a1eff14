"""Devices of many sites: each publishes what its sensors read every ten seconds, spread over the ten seconds."""

from __future__ import annotations

import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

SENSORS = 20
STEP_S = 10.0
"""Time between two readings of a sensor. [s]"""

DEADLINE_S = 120.0


def pack(first: int, last: int, when: float) -> bytes:
    """Return a SenML pack of some sensors' readings at one instant."""
    records = ",".join(f'{{"n":"s{k:02d}","v":{100 + (k * 7 + int(when)) % 50}}}' for k in range(first, last))
    return f'[{{"bt":{when:.6f},"bu":"kPa"}},{records}]'.encode()


def bodies(when: float, *, apart: bool) -> list[bytes]:
    """Return the messages of one site at one instant."""
    if apart:
        return [pack(k, k + 1, when) for k in range(SENSORS)]
    return [pack(0, SENSORS, when)]


def publish(port: int, sites: int, seconds: float, *, apart: bool) -> int:
    """Publish for some time, and return how many readings the broker has taken.

    Parameters
    ----------
    port : int
        The broker's.
    sites : int
        How many.
    seconds : float
        How long. [s]
    apart : bool
        Whether each reading is a message of its own.
    """
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "devices")
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    waiting: list[mqtt.MQTTMessageInfo] = []
    begun = time.time()
    count = 0
    while (due := begun + count * STEP_S / sites) < begun + seconds:
        time.sleep(max(due - time.time(), 0.0))
        topic = f"sites/site{count % sites:04d}/head"
        waiting += [client.publish(topic, body, qos=1) for body in bodies(time.time(), apart=apart)]
        count += 1
        if len(waiting) > 20_000:
            waiting = [info for info in waiting if not info.is_published()]
    for info in waiting:
        info.wait_for_publish(DEADLINE_S)
    client.disconnect()
    client.loop_stop()
    return count * SENSORS
