"""Measured salt injections, through a real broker, the real ingester and the real command, to numbers."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
import pandas as pd
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.load_installation import load
from ingest.status import read_all
from ingest.store import read_readings
from tests.support import neon
from tests.support.broker import Broker

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HERE = Path(__file__).parent / "neon"
TRICKLEBOOK = str(Path(sys.executable).with_name("tricklebook"))
DEADLINE_S = 60.0

ESTIMATE = set(
    "quantity,zone,run_start,value,unit,low,high,level,method,sensors,status,reason".split(",")  # noqa: SIM905 - read at a glance
)
FINDING = set("kind,zone,sensor,start,end,severity,value,unit,evidence,likely_causes,advice".split(","))  # noqa: SIM905 - as above

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not neon.FOLDER.is_dir(), reason=neon.WHY_SKIPPED),
]


@contextlib.contextmanager
def _ingester(description: Path, archive: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run the real ingester until the block ends; it must end well on an interrupt."""
    command = [TRICKLEBOOK, "ingest", "--installation", str(description), "--archive", str(archive)]
    process = subprocess.Popen([*command, "--port", str(port), "--every", "1"])
    try:
        yield process
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=DEADLINE_S) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def _until(condition: Callable[[], bool], what: str) -> None:
    """Return once a condition holds; fail when the deadline passes."""
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"{what} did not happen within {DEADLINE_S} s")
        time.sleep(0.05)


def _receives(archive: Path, site: str) -> bool:
    """Return whether an ingester has subscribed."""
    _, receivers = read_all(archive, site)
    return any(one["state"] == "receiving" for one in receivers.values())


def _publish(port: int, packs: list[tuple[str, bytes]]) -> None:
    """Publish every pack with QoS 1 and return when the broker has taken the last one."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = [client.publish(topic, payload, qos=1) for topic, payload in packs]
    for message in sent:
        message.wait_for_publish(timeout=DEADLINE_S)
    client.disconnect()
    client.loop_stop()


@contextlib.contextmanager
def _broker(folder: Path) -> Iterator[Broker]:
    """Run a private mosquitto."""
    broker = Broker(folder)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


def _analysed(event: neon.Event, folder: Path) -> dict[str, Any]:
    """Publish an event, ingest it, analyse it by command, and return the JSON document."""
    description, archive = HERE / f"{event.site.lower()}.toml", folder / "archive"
    wanted = sum(len(values) for values, _ in neon.series(event).values())
    installation = load(description)
    with _broker(folder) as broker, _ingester(description, archive, broker.port):
        _until(lambda: _receives(archive, installation.site), "the ingester's subscription")
        _publish(broker.port, neon.packs(event))
        _until(lambda: len(read_readings(archive, installation)) >= wanted, f"storing {wanted} readings")
    assert len(read_readings(archive, installation)) == wanted
    where = ["--installation", str(description), "--archive", str(archive)]
    done = subprocess.run(
        [TRICKLEBOOK, "analyse", *where, "--json"],
        capture_output=True,
        text=True,
        check=True,
        timeout=DEADLINE_S,
    )
    assert done.stderr == ""
    return dict(json.loads(done.stdout))


@pytest.fixture(scope="module")
def leco(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Tell what the command says of LECO on 7 December 2015: stations 2 to 4 mixed, station 1 not."""
    return _analysed(neon.LECO, tmp_path_factory.mktemp("leco"))


@pytest.fixture(scope="module")
def guil(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Tell what the command says of GUIL on 22 July 2016: the front passes station 1 at 13:42:40."""
    return _analysed(neon.GUIL, tmp_path_factory.mktemp("guil"))


def _estimates(document: dict[str, Any], quantity: str, *sensors: str) -> list[dict[str, Any]]:
    """Return the estimates of a quantity that rest on exactly these sensors, numbers only."""
    return [
        e
        for e in document["estimates"]
        if e["quantity"] == quantity and e["status"] == "ok" and set(e["sensors"]) == set(sensors)
    ]


@pytest.mark.parametrize(
    ("station", "laboratory"), [(2, 0.721e-5), (3, 0.729e-5), (4, 0.705e-5)], ids=["2", "3", "4"]
)
def test_leco_fraction_by_bottles(leco: dict[str, Any], station: int, laboratory: float) -> None:
    """The bottles at a mixed station give the laboratory's ratio within 10 %, inside the interval."""
    (found,) = _estimates(leco, "injection fraction", f"bottle_{station}")

    assert found["value"] == pytest.approx(laboratory, rel=0.10)
    assert found["low"] < laboratory < found["high"]


@pytest.mark.parametrize(
    ("station", "laboratory"), [(2, 0.721e-5), (3, 0.729e-5), (4, 0.705e-5)], ids=["2", "3", "4"]
)
def test_leco_fraction_by_hand_meter(leco: dict[str, Any], station: int, laboratory: float) -> None:
    """EC by hand, through the salt's dilution curve, gives the same ratio within 10 %: no bottle needed."""
    (found,) = _estimates(leco, "injection fraction", f"hand_{station}")

    assert found["value"] == pytest.approx(laboratory, rel=0.10)
    assert found["low"] < laboratory < found["high"]


def test_leco_logger_admits_its_steps(leco: dict[str, Any]) -> None:
    """The logger's EC moves in steps of a third of the rise: its interval is wide and covers the laboratory."""
    (found,) = _estimates(leco, "injection fraction", "ec_1")

    assert found["low"] < 0.718e-5 < found["high"]
    assert found["high"] / found["low"] > 2.0


def test_leco_station_1_disagrees(leco: dict[str, Any]) -> None:
    """Station 1 is marked as disagreeing, with its own number, and the mean leaves it out."""
    (finding,) = [f for f in leco["findings"] if f["kind"] == "sensor fault"]
    (alone,) = _estimates(leco, "injection fraction", "bottle_1")
    (mean,) = _estimates(leco, "injection fraction", "bottle_2", "bottle_3", "bottle_4")

    assert finding["sensor"] == "bottle_1"
    assert "not mixed" in finding["evidence"]
    assert alone["value"] == pytest.approx(0.937e-5, rel=0.01)
    assert "disagrees" in alone["method"]
    assert mean["low"] < 0.718e-5 < mean["high"]
    assert mean["high"] < alone["value"]


def test_guil_front_at_station_1(guil: dict[str, Any]) -> None:
    """EC at station 1 has risen half way within 20 s of 13:42:40."""
    (run,) = guil["runs"]

    rise = pd.Timestamp(run["injection"]["start"])

    assert abs((rise - pd.Timestamp("2016-07-22T13:42:40Z")).total_seconds()) <= 20.0


def test_guil_travel_time(guil: dict[str, Any]) -> None:
    """From station 1 to station 4 the front takes 40 min 20 s within 60 s, and the interval says how sure."""
    (found,) = _estimates(guil, "travel time", "ec_1", "ec_4")

    assert found["value"] == pytest.approx(2420.0, abs=60.0)
    assert found["low"] < 2420.0 < found["high"]


def test_guil_clear_out_at_station_1(guil: dict[str, Any]) -> None:
    """The clear-out at station 1 is told with its threshold; it lies within the fall that was measured."""
    (found,) = _estimates(guil, "clear-out time", "ec_1")

    said = [e for e in guil["estimates"] if e["quantity"] == "clear-out time" and e["sensors"] == ["ec_1"]]

    assert said == [found]
    assert "0.1 of its step" in found["method"]
    assert 60.0 < found["low"] < found["value"] < found["high"] < 300.0


def test_guil_fraction_by_two_ways(guil: dict[str, Any]) -> None:
    """At station 1 the logger's EC and the bottles agree within their intervals."""
    (logger,) = _estimates(guil, "injection fraction", "ec_1")
    (bottles,) = _estimates(guil, "injection fraction", "bottle_1")

    assert logger["low"] < bottles["value"] < logger["high"]
    assert bottles["low"] < logger["value"] < bottles["high"]


def test_guil_station_4_is_refused(guil: dict[str, Any]) -> None:
    """EC at station 4 had not settled when the injection ended, so it gives a reason and no number."""
    said = [
        e for e in guil["estimates"] if e["sensors"] == ["ec_4"] and e["quantity"] == "injection fraction"
    ]

    assert [e["status"] for e in said] == ["refused"]
    assert "settled" in said[0]["reason"]


@pytest.mark.parametrize("name", ["leco", "guil"])
def test_document_has_the_contracts_keys(name: str, request: pytest.FixtureRequest) -> None:
    """The document has the contract's keys and each estimate's time, intervals in order, and no number that is none."""
    document = request.getfixturevalue(name)
    assert set(document) == {"installation", "from", "to", "software", "runs", "estimates", "findings"}
    assert all(set(e) - {"nutrient"} == ESTIMATE | {"from", "to"} for e in document["estimates"])
    assert all(set(f) == FINDING for f in document["findings"])
    assert all(e["low"] <= e["value"] <= e["high"] for e in document["estimates"] if e["status"] == "ok")
