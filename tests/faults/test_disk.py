"""A full or failing disk stops the ingester from promising anything, and it goes on by itself."""

from __future__ import annotations

import signal
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.ingester import Devices, Zygote, lost_and_doubled, until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a disk of 3 MiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("this user may not mount a small disk")
    yield folder
    subprocess.run(["umount", "--lazy", folder], check=True)


def publish_until(ingester: Zygote, devices: Devices, state: str) -> None:
    """Publish until the receiver is in a state."""

    def is_there() -> bool:
        if devices.unsettled < 200:
            devices.publish(100)
        return bool(ingester.status()["state"] == state)

    until(is_there, f"{state}; log:\n{ingester.log[-2000:]}")


def test_full_disk_stops_the_acknowledgements_and_goes_on(
    ingester: Zygote, devices: Devices, small_disk: Path
) -> None:
    """With no room left nothing is acknowledged or lost; with room again it goes on without a person."""
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(2**20))
    ingester.archive = small_disk / "archive"
    ingester.begin()
    publish_until(ingester, devices, "disk full")

    full = ingester.status()
    assert "No space left on device; make room, and it goes on" in full["problem"]
    assert full["acknowledged"] <= full["messages"]

    ballast.unlink()
    until(lambda: ingester.status()["state"] == "receiving", "the way back")
    ingester.start("archiver")
    devices.settle()
    wanted = devices.published * 4
    until(lambda: ingester.stored() >= wanted, f"{wanted} readings; log:\n{ingester.log[-2000:]}")
    for role in ("receiver", "archiver"):
        assert ingester.end(role, signal.SIGTERM) == 0
    assert lost_and_doubled(ingester.readings(), devices.published) == (0, 0)


def test_reserve_lets_the_archiver_empty_the_journal(
    ingester: Zygote, devices: Devices, small_disk: Path
) -> None:
    """The journal leaves room for the archiver, so a disk that the journal filled becomes free by itself."""
    ingester.archive = small_disk / "archive"
    ingester.start("receiver", reserve=2**20)
    until(lambda: ingester.status()["state"] == "receiving", "the subscription")
    publish_until(ingester, devices, "disk full")
    assert "bytes are left on the disk" in ingester.status()["problem"]

    ingester.start("archiver")

    until(lambda: ingester.status()["state"] == "receiving", "the way back")
    devices.settle()
    wanted = devices.published * 4
    until(lambda: ingester.stored() >= wanted, f"{wanted} readings; log:\n{ingester.log[-2000:]}")
    for role in ("receiver", "archiver"):
        assert ingester.end(role, signal.SIGTERM) == 0
    assert lost_and_doubled(ingester.readings(), devices.published) == (0, 0)


@pytest.mark.parametrize("place", ["journal.write", "journal.fdatasync", "journal.rotate"])
def test_failing_disk_ends_the_receiver_before_it_promises(
    ingester: Zygote, devices: Devices, place: str
) -> None:
    """After an input/output error nothing is acknowledged; the next process gets it all again."""
    ingester.begin()
    devices.publish(100)
    devices.settle()
    until(lambda: ingester.status()["messages"] >= 100, "the first messages", 30)
    ingester.end("receiver")
    ingester.start("receiver", fault=f"{place}:{1 if place.endswith('rotate') else 2}:EIO")
    while ingester.is_running("receiver"):
        devices.publish(10)
        devices.settle()

    assert ingester.reap("receiver") == 1
    assert "Input/output error; check the disk, then start again" in ingester.log
    ingester.start("receiver")
    devices.settle()
    ingester.start("archiver")
    until(lambda: ingester.stored() >= devices.published * 4, "everything")
    assert lost_and_doubled(ingester.readings(), devices.published) == (0, 0)
