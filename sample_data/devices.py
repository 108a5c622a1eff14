"""The devices: they empty their memories into the broker first, then send every reading as it is made."""

from __future__ import annotations

import json
import logging
import signal
import time
from threading import Event
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.load_installation import load
from ingest.store import latest
from sample_data.folder import INSTALLATION, TRUTH, read_scenario, write_whole
from sample_data.packs import MOMENTS, Pack, packs
from sample_data.plant import Plant, build
from sample_data.ports import HOST
from sample_data.schedule import DAY_S, SILENT_SENSOR
from sample_data.truth import truth

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from ingest.installation import Installation
    from sample_data.schedule import Scenario

log = logging.getLogger(__name__)

CHUNK_S = MOMENTS * 10 * 12
"""Time that is simulated at once while memories are emptied. [s]"""

IN_FLIGHT = 50
"""Messages that may wait for the broker's acknowledgement."""

KEEPALIVE_S = 60
"""Keepalive of the connection; some brokers refuse 0. [s]"""

TICK_S = 1.0
"""How often the devices look whether a reading is due. [s]"""

OVERLAP_S = 600
"""What is sent again after a restart, because devices do not reach the archive in step. [s]"""

RETRY_S = (1, 5)
"""Shortest and longest pause before the devices try a lost broker again. [s]"""


def connect(host: str, port: int) -> mqtt.Client:
    """Return a client that keeps itself connected, MQTT 3.1.1, and queues what it cannot send."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id="tricklebook-sample-devices", protocol=mqtt.MQTTv311
    )
    client.max_inflight_messages_set(IN_FLIGHT)
    client.reconnect_delay_set(*RETRY_S)
    client.connect(host, port, keepalive=KEEPALIVE_S)
    client.loop_start()
    return client


def send(client: mqtt.Client, messages: Iterable[Pack], ending: Event) -> None:
    """Publish packs with QoS 1 and return when the broker has acknowledged them, or the end is near."""
    sent: list[Any] = [client.publish(pack.topic, pack.payload, qos=1) for pack in messages]
    for info in sent:
        while not info.is_published() and not ending.is_set():
            ending.wait(0.01)


def keep_truth(folder: Path, plant: Plant, until: int) -> None:
    """Write what really happened beside the data."""
    write_whole(folder / TRUTH, json.dumps(truth(plant, until=until), indent=1))


def run(
    installation: Installation,
    scenario: Scenario,
    client: mqtt.Client,
    *,
    folder: Path,
    since: int,
    ending: Event,
) -> None:
    """Send the history from a moment to the present, then go on live until told to end.

    Parameters
    ----------
    installation : Installation
        Whose devices.
    scenario : Scenario
        The history.
    client : paho.mqtt.client.Client
        Connected to the broker.
    folder : Path
        Where the truth is written.
    since : int
        First reading to send. [s since 1970]
    ending : threading.Event
        Set when it is time to end.
    """
    plant = build(installation, scenario, until=int(time.time()) + DAY_S)
    keep_truth(folder, plant, int(time.time()))
    sent = since
    while not ending.is_set():
        now = int(time.time())
        upto = min(now, sent + CHUNK_S)
        if upto > plant.until:
            plant = build(installation, scenario, until=upto + DAY_S)
        send(client, packs(plant, sent, upto), ending)
        if any(sent < run.plan.end <= upto for run in plant.runs):
            keep_truth(folder, plant, upto)
        if upto < now:
            log.info("sent the readings up to %s", time.strftime("%Y-%m-%d %H:%M", time.gmtime(upto)))
        else:
            ending.wait(TICK_S)
        sent = upto


def resume_from(archive: Path, installation: Installation, scenario: Scenario) -> int:
    """Return the first reading that still has to be sent: what is stored is the only memory.

    Returns
    -------
    int
        The origin for an empty archive; else `OVERLAP_S` before the moment that all sensors have reached.
        What is sent twice is stored once. [s since 1970]
    """
    newest = latest(archive, installation).set_index("sensor")["time"]
    reached = []
    for sensor in installation.sensor:
        if sensor not in newest.index:
            return scenario.origin(installation.tz)
        if sensor != SILENT_SENSOR:
            reached.append(int(newest[sensor].timestamp()))
    return min(reached) - OVERLAP_S


def main(folder: Path, archive: Path, port: int) -> None:
    """Send until SIGTERM or SIGINT; see `run`."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    ending = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ending.set())
    installation, scenario = load(INSTALLATION), read_scenario(folder)
    client = connect(HOST, port)
    try:
        since = resume_from(archive, installation, scenario)
        run(installation, scenario, client, folder=folder, since=since, ending=ending)
    finally:
        client.disconnect()
        client.loop_stop()
