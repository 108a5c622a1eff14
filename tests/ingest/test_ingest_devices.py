"""What devices really send, through a real broker and a real ingester, into the archive."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import cbor2
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.formats.sparkplug_payload import Payload
from ingest.store import read_readings
from tests.support.bench import DEVICE, TEXT, bench
from tests.support.ingester import until

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from tests.support.broker import Broker

ROOT = Path(__file__).parents[2]


@contextmanager
def ingester(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run the ingester on the bench's installation while the block runs."""
    (folder / "installation.toml").write_text(TEXT, "utf-8")
    arguments = ["--installation", str(folder / "installation.toml"), "--archive", str(folder / "archive")]
    command = [sys.executable, "-m", "tricklebook", "ingest", *arguments, "--port", str(port)]
    process = subprocess.Popen(command, cwd=ROOT)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)


def messages(now: float) -> list[tuple[str, bytes]]:
    """Return one message in each way that a device may speak, all of one instant but the plain one."""
    now_ms = round(now * 1000)
    birth = Payload(
        timestamp=now_ms,
        seq=1,
        metrics=[{"name": "Flow/Stock", "alias": 7, "datatype": 9, "float_value": 5.5}],
    )
    data = Payload(timestamp=now_ms + 1000, seq=2, metrics=[{"alias": 7, "float_value": 6.25}])
    return [
        ("bench/json-pack", json.dumps([{"n": DEVICE + "flow", "u": "m3/s", "t": now, "v": 1e-4}]).encode()),
        ("bench/cbor-pack", cbor2.dumps([{-2: DEVICE, -3: now, 0: "pressure", 2: 12.1}])),
        ("bench/short/1", json.dumps([{"n": "t", "u": "Cel", "t": now, "v": 21.5}]).encode()),
        ("bench/json", json.dumps({"probes": [0, {"ec": 1.31}], "at": now_ms}).encode()),
        ("bench/plain/p1", b"36.2 psi"),
        ("spBv1.0/bench/DBIRTH/node1/plc", bytes(birth.SerializeToString())),
        ("spBv1.0/bench/DDATA/node1/plc", bytes(data.SerializeToString())),
        ("bench/broken", b'[{"n":'),
    ]


@pytest.fixture
def stored(tmp_path: Path, broker: Broker) -> pd.DataFrame:
    """Return what the archive holds once every device has been heard, some more than once."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    installation, now = bench(), float(round(time.time()))
    wanted = {"flow", "pressure", "short", "field", "plain", "metric"}

    def heard(process: subprocess.Popen[bytes]) -> bool:
        assert process.poll() is None, "the ingester has ended"
        for topic, payload in messages(now):
            client.publish(topic, payload, qos=1).wait_for_publish(10)
        found = read_readings(tmp_path / "archive", installation)
        return wanted <= set(found.sensor.astype(str)) and (found.sensor == "metric").sum() == 2

    with ingester(tmp_path, broker.port) as process:
        until(lambda: heard(process), "a reading of every device")
    client.disconnect()
    client.loop_stop()
    return read_readings(tmp_path / "archive", installation)


def test_every_way_to_speak_ends_in_stored_units(stored: pd.DataFrame) -> None:
    """Each device's value is in the archive in the stored unit, and none twice for one instant."""
    newest = stored.groupby(stored.sensor.astype(str)).value.last().to_dict()

    assert newest == {
        "flow": pytest.approx(360.0),
        "pressure": pytest.approx(300.0),
        "short": 21.5,
        "field": 1.31,
        "plain": pytest.approx(249.59, abs=0.01),
        "metric": 6.25,
    }
    assert not stored.duplicated(["sensor", "time"]).any()
