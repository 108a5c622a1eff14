"""Several ingesters split a fleet; readers that look all the while see every reading, and none twice."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest.address import Address
from ingest.heir import inherit
from ingest.load_installation import load
from ingest.store import read_readings
from tests.support.command import Running, run_ingest
from tests.support.ingester import (
    INSTALLATION,
    SENSORS,
    Devices,
    Zygote,
    lost_and_doubled,
    until,
    zygote,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.support.broker import Broker


def stored(archive: Path) -> int:
    """Return how many readings the archive has just now; 0 where it is being changed."""
    try:
        return len(pd.read_parquet(archive / "readings"))
    except (OSError, ValueError):
        return 0


@pytest.mark.slow
def test_two_ingesters_split_the_load_and_take_over(
    tmp_path: Path, broker: Broker, devices: Devices, running: list[Running]
) -> None:
    """Two share a subscription and an archive: both work, all is there once, a killed one's share is taken over."""
    path, archive = tmp_path / "installation.toml", tmp_path / "archive"
    text = f'[broker]\nport = {broker.port}\ngroup = "garden"\n'
    path.write_text(INSTALLATION + text, encoding="utf-8")
    one, other = (run_ingest(path, archive, {}, writer=name) for name in ("one", "other"))
    running += [one, other]
    for each in running:
        each.wait_for("receiving")
    devices.publish(400)
    devices.settle()
    until(lambda: stored(archive) == 400 * SENSORS, "the first messages")
    until(lambda: min(each.status()["acknowledged"] for each in running) > 100, "both at work")

    devices.publish(200)
    other.end(signal.SIGKILL)
    devices.publish(200)
    devices.settle()
    until(lambda: stored(archive) == 800 * SENSORS, f"the dead one's share; log:\n{one.log()[-2000:]}")
    devices.publish(100)
    devices.settle()
    until(lambda: stored(archive) == 900 * SENSORS, "the survivor's work")
    assert one.end() == 0

    assert lost_and_doubled(pd.read_parquet(archive / "readings"), 900) == (0, 0)
    assert "other is gone; what waits for it is taken over" in one.log()


def test_member_that_comes_back_joins_again(tmp_path: Path, broker: Broker, devices: Devices) -> None:
    """One that was taken over for comes back, joins again, and no gap is told."""
    archive = tmp_path / "archive"
    address = Address("127.0.0.1", broker.port, "tricklebook-one", ("#",), group="garden")
    with zygote(tmp_path, broker.port) as ingester:
        ingester.start("receiver", writer="one", group="garden")
        until(lambda: ingester.status("one")["state"] == "receiving", "the subscription")
        ingester.end("receiver")
        devices.publish(50)
        devices.settle()

        assert inherit(archive, "home", "one", address) >= 50  # and its own last will
        assert inherit(archive, "home", "one", address) == 0

        ingester.start("receiver", writer="one", group="garden")
        until(lambda: ingester.status("one")["pid"] == ingester.pid("receiver"), "its own status")
        until(lambda: ingester.status("one")["state"] == "receiving", "the way back")
        devices.publish(50)
        devices.settle()
        until(lambda: ingester.status("one")["messages"] >= 50, "its work")
        ingester.end("receiver", signal.SIGTERM)
        ingester.archive_all()

    assert lost_and_doubled(ingester.readings(), 100) == (0, 0)
    assert not (archive / "events").exists()


def test_reader_sees_every_reading_once_all_the_while(ingester: Zygote, devices: Devices) -> None:
    """While files are published, merged and days closed, a reader never misses a reading and never sees two."""
    installation = load(ingester.installation)
    ingester.begin()
    ingester.start("archiver")
    seen = 0
    for _ in range(30):
        devices.publish(40)
        devices.settle()
        until(lambda: ingester.status()["state"] == "receiving", "the receiver")
        readings = read_readings(ingester.archive, installation)

        assert len(readings) >= seen
        assert not readings.duplicated(["sensor", "time"]).any()
        seen = len(readings)
    wanted = devices.published * 4
    until(lambda: len(read_readings(ingester.archive, installation)) == wanted, "everything")
    until(lambda: ingester.stored() == wanted, "everything archived")
    until((ingester.archive / "manifest").exists, "a closed day")
    ingester.end("archiver", signal.SIGTERM)

    assert not pd.read_parquet(ingester.archive / "readings").duplicated(["sensor", "time"]).any()
