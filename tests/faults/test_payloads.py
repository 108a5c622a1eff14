"""Whatever is published: the good is stored, the bad is kept with its reason, and nothing stops."""

from __future__ import annotations

import json
import signal
from typing import TYPE_CHECKING

import pandas as pd
import psutil
import pytest

from ingest import checkpoint as checkpoints
from ingest.store import read_readings
from tests.support.archives import DAY_S, NOON, pack, small_installation, store
from tests.support.ingester import Devices, Zygote, lost_and_doubled, payload, until

if TYPE_CHECKING:
    from pathlib import Path

MIB = 2**20

BAD: dict[str, tuple[bytes, str]] = {
    "broken JSON": (b'[{"n": "s0", "u": "kPa", "t": 1.0e9, "v": 1', "syntax"),
    "no JSON at all": (b"\x00\xff\xfe garbage", "syntax"),
    "empty": (b"", "syntax"),
    "deep JSON": (b"[" * 100_000 + b"]" * 100_000, "too deep"),
    "not a number": (b'[{"n": "s0", "u": "kPa", "t": 1000000001, "v": NaN}]', "not finite"),
    "infinite": (b'[{"n": "s0", "u": "kPa", "t": 1000000001, "v": 1e999}]', "not finite"),
    "huge number": (b'[{"n": "s0", "u": "kPa", "t": 1000000001, "v": ' + b"9" * 5000 + b"}]", "syntax"),
    "text for a number": (b'[{"n": "s0", "u": "kPa", "t": 1000000001, "vs": "high"}]', "not a number"),
    "wrong unit": (b'[{"n": "s0", "u": "Cel", "t": 1000000001, "v": 1}]', "unit"),
    "unknown sensor": (b'[{"n": "nobody", "u": "kPa", "t": 1000000001, "v": 1}]', "unknown sensor"),
    "no value": (b'[{"n": "s0", "u": "kPa", "t": 1000000001}]', "no value"),
    "far future": (b'[{"n": "s0", "u": "kPa", "t": 9000000000, "v": 1}]', "clock"),
    "other value": (payload(0).replace(b'"v": 0', b'"v": 77'), "conflict"),
}
"""What a device can get wrong, and the reason with which it is kept."""


def archived(ingester: Zygote, messages: int) -> None:
    """Return when so many messages have been archived, or set aside."""

    def is_done() -> bool:
        ingester.archive_all()
        found = checkpoints.load(ingester.archive, "home")
        return found is not None and found.counts.get("messages", 0) >= messages

    until(is_done, f"{messages} messages; log:\n{ingester.log[-2000:]}")


@pytest.mark.parametrize("case", BAD)
def test_bad_message_is_kept_and_the_next_is_stored(ingester: Zygote, devices: Devices, case: str) -> None:
    """Each kind of bad message is in quarantine with its bytes and reason, the good one after it is stored."""
    body, reason = BAD[case]
    ingester.begin()
    devices.publish(1)
    devices.settle()
    devices.publish_raw(body)
    devices.publish(1)
    devices.settle()
    archived(ingester, 3)

    kept = pd.read_parquet(ingester.archive / "quarantine")
    assert set(kept["reason"]) == {reason}
    assert kept["payload"][0] == body
    assert lost_and_doubled(ingester.readings(), 2) == (0, 0)


def test_flood_of_bad_messages_stops_nothing(ingester: Zygote, devices: Devices, *, full: bool) -> None:
    """Half of everything malformed, in a flood: every good reading is stored, every bad message counted."""
    times = 20 if full else 3
    ingester.begin()
    ingester.start("archiver")
    bad = [body for body, _ in BAD.values() if len(body) < 10_000][:-1]
    for _ in range(times):
        for body in bad * 10:
            devices.publish(1)
            devices.publish_raw(body)
        devices.settle()
    wanted = devices.published

    until(lambda: ingester.stored() >= wanted * 4, f"{wanted} messages")
    for role in ("receiver", "archiver"):
        assert ingester.end(role, signal.SIGTERM) == 0
    archived(ingester, 2 * wanted)
    found = checkpoints.load(ingester.archive, "home")
    assert found is not None
    assert sum(count for name, count in found.counts.items() if name.startswith("reject:")) == wanted
    assert lost_and_doubled(ingester.readings(), wanted) == (0, 0)


def test_huge_message_takes_no_memory(ingester: Zygote, devices: Devices) -> None:
    """A payload of 50 MB is kept in part and told, the receiver stays small, the next message is stored."""
    ingester.begin()
    devices.publish(1)
    devices.settle()
    receiver = psutil.Process(ingester.pid("receiver"))
    before = receiver.memory_info().rss
    devices.publish_raw(b"x" * 50_000_000, topic="garden/camera")
    devices.publish(1)
    devices.settle()
    until(lambda: ingester.status()["messages"] >= 3, "the message after the huge one")
    after = receiver.memory_info().rss
    archived(ingester, 3)

    (row,) = pd.read_parquet(ingester.archive / "quarantine").itertuples()
    assert row.reason == "too large"
    assert str(row.detail).startswith("5000002")
    assert after - before < 16 * MIB
    assert lost_and_doubled(ingester.readings(), 2) == (0, 0)


def test_retained_message_is_stored_once(ingester: Zygote, devices: Devices) -> None:
    """What the broker keeps and sends on every new subscription is stored once."""
    devices.publish_raw(payload(0), retain=True)
    devices.settle()
    ingester.begin()
    until(lambda: ingester.status()["messages"] >= 1, "the retained message")
    for _ in range(3):
        ingester.end("receiver")
        ingester.start("receiver", level=4)
        until(lambda: ingester.status()["messages"] >= 1, "the retained message again")
    ingester.archive_all()

    assert lost_and_doubled(ingester.readings(), 1) == (0, 0)


def test_device_clock_that_jumps_is_stored_as_told(ingester: Zygote, devices: Devices) -> None:
    """A device whose clock jumps a day back and forth: each reading at its told time, receipt beside it."""
    ingester.begin()
    times = [1_000_000_000, 1_000_000_001, 999_913_602, 1_000_000_003, 1_000_086_000]
    for when in times:
        devices.publish_raw(json.dumps([{"n": "s0", "u": "kPa", "t": when, "v": 1.0}]).encode())
    devices.settle()
    archived(ingester, len(times))

    found = ingester.readings().sort_values("received")
    assert sorted(found["time"].astype("int64") // 10**6) == sorted(times)
    assert (found["received"] > pd.Timestamp("2020-01-01", tz="UTC")).all()


def test_ingesters_clock_that_jumps_loses_nothing(tmp_path: Path) -> None:
    """Times of receipt that run back, as after a clock was set, change neither order nor number."""
    for number, received in enumerate((NOON, NOON + DAY_S, NOON - DAY_S // 2, NOON + 1)):
        store(tmp_path, [pack(("ec", NOON + number, float(number)))], received_s=received)
        store(tmp_path, [pack(("ec", NOON + number, float(number)))], received_s=received - 5)

    assert list(read_readings(tmp_path, small_installation())["value"]) == [0.0, 1.0, 2.0, 3.0]
