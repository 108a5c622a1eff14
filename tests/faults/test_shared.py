"""Several ingesters split a fleet; readers that look all the while see every reading, and none twice."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pandas as pd

from ingest.load_installation import load
from ingest.store import read_readings
from tests.support.ingester import Devices, Zygote, lost_and_doubled, until, zygote

if TYPE_CHECKING:
    from pathlib import Path

    from tests.support.broker import Broker


def test_two_ingesters_split_the_load_and_take_over(tmp_path: Path, broker: Broker, devices: Devices) -> None:
    """Two share a subscription and an archive: both work, all is there once, a killed one's share is taken over."""
    with zygote(tmp_path, broker.port) as one, zygote(tmp_path, broker.port) as other:
        one.start("receiver", writer="one", group="garden")
        other.start("receiver", writer="other", group="garden")
        for name in ("one", "other"):
            until(lambda name=name: one.status(name)["state"] == "receiving", name)  # type: ignore[misc] # bound now
        one.start("archiver")
        other.start("archiver")
        devices.publish(400)
        devices.settle()
        until(lambda: one.stored() >= 400 * 4, "the first messages")
        shares = [one.status(name)["acknowledged"] for name in ("one", "other")]

        devices.publish(200)
        other.end("receiver")
        other.end("archiver")
        devices.publish(200)
        devices.settle()
        until(lambda: one.stored() >= 800 * 4, f"the survivor's work; log:\n{one.log[-2000:]}")
        for role in ("receiver", "archiver"):
            assert one.end(role, signal.SIGTERM) == 0
        readings = one.readings()

    assert min(shares) > 100
    assert lost_and_doubled(readings, 800) == (0, 0)


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

    assert not pd.read_parquet(ingester.archive / "readings").duplicated(["sensor", "time"]).any()
