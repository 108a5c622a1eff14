"""Killed while days go to the depot, on either side, nothing is lost and nothing is doubled."""

from __future__ import annotations

import random
import signal
import time
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest.depot import DESCRIPTION
from ingest.load_installation import load
from ingest.store import read_readings
from ingest.verify import verify
from tests.support.ingester import DEADLINE_S, Devices, Zygote, lost_and_doubled, until, zygote
from tests.support.objects import PASSWORD, USER, ObjectStore

if TYPE_CHECKING:
    from pathlib import Path

    from tests.support.broker import Broker

PLACES = ("depot.put", "depot.back", "depot.sent", "depot.let_go", "merge.exchanged", "merge.manifest")
"""Where the ingester is killed: at each step of sending a day, and where it could meet one."""

SERVER_KILLS = 6
"""Times that the object store is killed while days go to it."""

PACE_S = 0.01
"""Time between looks. [s]"""


def feed(devices: Devices) -> None:
    """Keep the devices busy: a day's readings in every 200 messages."""
    if devices.unsettled < 100:
        devices.publish(20)


def stored(ingester: Zygote) -> pd.DataFrame:
    """Return what the archive holds, here and in its depot."""
    return read_readings(ingester.archive, load(ingester.installation))


def finish(ingester: Zygote, devices: Devices) -> pd.DataFrame:
    """Let everything be archived and sent; return what the archive holds."""
    devices.settle()
    for role in ("receiver", "archiver"):
        if not ingester.is_running(role):
            ingester.start(role)
    until(lambda: len(stored(ingester)) >= devices.published * 4, "every reading")
    until(lambda: len(days_here(ingester.archive)) <= 1, "every day sent")
    for role in ("receiver", "archiver"):
        assert ingester.end(role, signal.SIGTERM) == 0, ingester.log[-3000:]
    return stored(ingester)


def days_here(archive: Path) -> list[Path]:
    """Return the folders of days that hold files here."""
    return [path for path in (archive / "readings").glob("site=*/date=*") if any(path.glob("*.parquet"))]


@pytest.mark.slow
def test_kills_at_every_step_of_sending_lose_and_double_nothing(
    ingester: Zygote, devices: Devices, tmp_path: Path
) -> None:
    """Killed twice at each step of sending a day, under load: lost 0, doubled 0, verified whole."""
    ingester.begin()
    (ingester.archive / DESCRIPTION).write_text(f'url = "file://{tmp_path}/far"\n', encoding="utf-8")
    chance = random.Random(20261125)  # noqa: S311 - the same plan every time
    plan = [f"{place}:{chance.choice((1, 2))}:kill" for place in PLACES for _ in range(2)]
    chance.shuffle(plan)

    for fault in plan:
        ingester.start("archiver", fault)
        end = time.monotonic() + DEADLINE_S / 2
        while ingester.is_running("archiver"):
            assert time.monotonic() < end, f"{fault} was never reached; {ingester.log[-2000:]}"
            feed(devices)
            time.sleep(PACE_S)
        assert ingester.reap("archiver") == -signal.SIGKILL
    readings = finish(ingester, devices)

    assert lost_and_doubled(readings, devices.published) == (0, 0)
    assert not pd.read_parquet(tmp_path / "far" / "readings", columns=["sensor", "time"]).duplicated().any()
    assert [p for p in verify(ingester.archive, "home") if p.is_fault] == []


@pytest.mark.slow
def test_object_store_killed_under_load_loses_nothing(
    broker: Broker, devices: Devices, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The object store is killed while days go to it and comes back each time: lost 0, doubled 0."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", USER)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", PASSWORD)
    objects = ObjectStore(tmp_path)
    objects.start()
    with zygote(tmp_path, broker.port) as sender:
        objects.describe(sender.archive)
        sender.begin()
        sender.start("archiver")
        chance = random.Random(7)  # noqa: S311 - the same moments every time
        for _ in range(SERVER_KILLS):
            had = len(objects.kept())
            end = time.monotonic() + DEADLINE_S
            while len(objects.kept()) < had + 2:
                assert time.monotonic() < end, sender.log[-2000:]
                feed(devices)
                time.sleep(PACE_S)
            time.sleep(chance.uniform(0.0, 0.1))  # so that it dies at another step each time
            objects.kill()
            devices.publish(50)
            devices.settle()
            assert sender.is_running("archiver"), sender.log[-3000:]
            objects.start()
        readings = finish(sender, devices)

    assert lost_and_doubled(readings, devices.published) == (0, 0)
    assert [p for p in verify(sender.archive, "home") if p.is_fault] == []
    objects.kill()
