"""Cut, stalled, refused, restarted: the ingester comes back by itself and loses nothing."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import receiver
from tests.support.broker import OPEN_LISTENER
from tests.support.ingester import Devices, Zygote, lost_and_doubled, until, zygote
from tests.support.proxy import Wire

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.conftest import StartBroker
    from tests.support.broker import Broker

PERSISTENT = OPEN_LISTENER + "persistence true\npersistence_location {folder}/\nautosave_interval 1\n"


@pytest.fixture
def wire(broker: Broker) -> Iterator[Wire]:
    """Return a wire to the private broker."""
    made = Wire(broker.port)
    yield made
    made.close()


@pytest.fixture
def wired(tmp_path: Path, wire: Wire) -> Iterator[Zygote]:
    """Return a source of ingesters that reach the broker over the wire."""
    with zygote(tmp_path, wire.port) as made:
        yield made


def receiving(ingester: Zygote) -> bool:
    """Tell whether the receiver is connected and subscribed."""
    return bool(ingester.status()["state"] == "receiving")


def settled(ingester: Zygote, devices: Devices) -> tuple[int, int]:
    """Return what is lost and doubled once everything published is archived."""
    devices.settle()
    wanted = devices.published

    def is_all_there() -> bool:
        ingester.archive_all()
        try:
            return len(ingester.readings()) >= wanted * 4
        except OSError:
            return False

    until(is_all_there, f"{wanted} messages; log:\n{ingester.log[-2000:]}")
    ingester.end("receiver", signal.SIGTERM)
    ingester.archive_all()
    return lost_and_doubled(ingester.readings(), wanted)


def test_cut_connections_lose_nothing(wired: Zygote, wire: Wire, devices: Devices) -> None:
    """Cut again and again in the middle of the traffic, the receiver reconnects and stores all once."""
    wired.begin()

    for _ in range(20):
        devices.publish(100)
        before = wire.connections
        wire.cut()
        until(lambda before=before: wire.connections > before, "a new connection")  # type: ignore[misc] # bound now

    assert settled(wired, devices) == (0, 0)


def test_stream_in_single_bytes_is_understood(wired: Zygote, wire: Wire, devices: Devices) -> None:
    """A network that delivers byte by byte changes nothing."""
    wire.piece = 1
    wired.begin()
    devices.publish(50)

    assert settled(wired, devices) == (0, 0)


@pytest.mark.slow
def test_half_open_connection_is_given_up(wired: Zygote, wire: Wire, devices: Devices) -> None:
    """A connection on which nothing comes any more is given up after two keepalives, and made anew."""
    wired.start("receiver", keepalive=2)
    until(lambda: receiving(wired), "the subscription")
    devices.publish(10)
    wire.stall()
    devices.publish(10)
    until(lambda: not receiving(wired), "the end of the stalled connection", 10)
    wire.resume()

    assert settled(wired, devices) == (0, 0)


def test_broker_restart_with_persistence_loses_nothing(tmp_path: Path, start_broker: StartBroker) -> None:
    """A broker that keeps its sessions on disk goes on where it was, and no gap is noted."""
    broker = start_broker(PERSISTENT)
    with zygote(tmp_path, broker.port) as ingester:
        devices = Devices(broker.port)
        ingester.begin()
        devices.publish(200)
        devices.settle()
        ingester.end("receiver")
        devices.publish(200)
        devices.settle()
        broker.stop()
        broker.start()
        ingester.start("receiver")

        assert settled(ingester, devices) == (0, 0)
        assert not (ingester.archive / "events").exists()
        devices.close()


def test_broker_that_lost_its_sessions_is_noted(ingester: Zygote, broker: Broker, devices: Devices) -> None:
    """A broker that forgot the session is subscribed anew, and the gap stands in the archive's events."""
    ingester.begin()
    devices.publish(50)
    devices.settle()
    broker.kill()
    until(lambda: not receiving(ingester), "the end of the connection")
    broker.start()
    until(lambda: receiving(ingester), "a new subscription")
    until(devices.is_connected, "the devices' connection")
    devices.publish(50)

    assert settled(ingester, devices) == (0, 0)
    events = pd.read_parquet(ingester.archive / "events")
    assert list(events["kind"]) == ["gap"]
    assert events["detail"][0].startswith("the broker lost the session: messages since 20")


def test_broker_that_drops_messages_is_noted(tmp_path: Path, start_broker: StartBroker) -> None:
    """A broker whose queue was too short says how many it dropped, and that stands in the events."""
    conf = OPEN_LISTENER.replace("max_queued_messages 1000000", "max_queued_messages 20") + "sys_interval 1\n"
    broker = start_broker(conf)
    with zygote(tmp_path, broker.port) as ingester:
        devices = Devices(broker.port)
        ingester.begin()
        until(lambda: ingester.status()["messages"] >= 1, "the broker's first count")
        ingester.end("receiver", signal.SIGTERM)
        devices.publish(200)
        devices.settle()
        ingester.start("receiver")

        def is_noted() -> bool:
            ingester.archive_all()
            return (ingester.archive / "events").exists()

        until(is_noted, "the event")
        detail = str(pd.read_parquet(ingester.archive / "events")["detail"][0])
        assert detail.startswith("the broker dropped 1")
        assert detail.endswith("messages that it could not queue")
        devices.close()


def test_no_broker_means_waiting_with_patience(tmp_path: Path, start_broker: StartBroker) -> None:
    """Without a broker the receiver tries again, longer apart each time, and is there once it comes."""
    broker = start_broker()
    broker.kill()
    with zygote(tmp_path, broker.port) as ingester:
        ingester.start("receiver")
        until(lambda: ingester.status()["state"] == "disconnected", "the first failure")
        assert "Connection refused" in ingester.status()["problem"]

        broker.start()

        until(lambda: receiving(ingester), "the subscription")


def test_second_process_on_one_journal_ends(ingester: Zygote) -> None:
    """Of two ingesters with one name on one archive, the second ends with the reason."""
    first = ingester.start("receiver")
    until(lambda: receiving(ingester), "the subscription")
    ingester.start("receiver")

    assert ingester.reap("receiver") == 1
    assert "another process writes the journal 'home'" in ingester.log
    ingester.adopt("receiver", first)


def test_second_client_of_one_name_is_named(tmp_path: Path, ingester: Zygote, broker: Broker) -> None:
    """Two ingesters of one name on two archives: the problem is named, and no message is lost or doubled."""
    (tmp_path / "other").mkdir()
    with zygote(tmp_path / "other", broker.port) as other:
        ingester.begin()
        other.start("receiver")
        devices = Devices(broker.port)
        named = "is another client using the name 'tricklebook-home'?"
        until(lambda: named in ingester.status()["problem"] + other.status().get("problem", ""), "the name")
        devices.publish(100)
        devices.settle()
        devices.close()
        other.end("receiver", signal.SIGTERM)
        until(lambda: receiving(ingester), "the subscription")
        ingester.end("receiver", signal.SIGTERM)
        for each in (ingester, other):
            each.archive_all()
        found = [each.readings() for each in (ingester, other) if (each.archive / "readings").exists()]

    both = pd.concat(found).drop_duplicates(["sensor", "time", "value"])
    assert lost_and_doubled(both, 100) == (0, 0)


def test_back_off_grows_to_its_limit_and_is_not_in_step() -> None:
    """Waits double up to a minute, and two clients do not wait alike."""
    waits = [receiver.back_off_s(failures) for failures in range(20) for _ in range(50)]

    assert max(waits) <= receiver.LAST_BACKOFF_S
    assert min(waits) >= receiver.FIRST_BACKOFF_S / 2
    assert min(waits[-50:]) >= receiver.LAST_BACKOFF_S / 2
    assert len(set(waits[-50:])) == 50


def test_version_3_1_1_stores_the_same(tmp_path: Path, start_broker: StartBroker) -> None:
    """Over MQTT 3.1.1, by choice, the same messages come to the same readings."""
    broker = start_broker()
    with zygote(tmp_path, broker.port) as ingester:
        devices = Devices(broker.port)
        ingester.start("receiver", level=4)
        until(lambda: receiving(ingester), "the subscription")
        devices.publish(100)
        ingester.end("receiver")
        ingester.start("receiver", level=4)

        assert settled(ingester, devices) == (0, 0)
        devices.close()
