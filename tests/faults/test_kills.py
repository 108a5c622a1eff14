"""Killed at any moment, the ingester loses nothing and doubles nothing."""

from __future__ import annotations

import random
import signal
import time
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import failpoints
from ingest.frames import Kind
from ingest.journal import JournalWriter
from tests.support.ingester import DEADLINE_S, Devices, Zygote, lost_and_doubled, until

if TYPE_CHECKING:
    from pathlib import Path

RANDOM_KILLS = 200
"""Moments at which the ingester is killed under load."""

POINT_KILLS = 1000
"""Kills at named points in the full suite."""

ONCE = frozenset({"journal.truncate", "receiver.subscribe"})
"""Places that a process passes once."""

IN_FLIGHT = 100
"""Messages that the devices have under way at most."""

PACE = 10
"""Messages at a time, one of ten times with a bad one among them."""


def feed(devices: Devices, told: JournalWriter | None = None) -> None:
    """Keep the devices busy, a bad message among many good ones, and events where a journal is given."""
    if told is not None:
        told.append_frame(Kind.EVENT, b'{"kind": "test", "detail": "x"}', 1)
    if devices.unsettled < IN_FLIGHT:
        devices.publish(PACE)
        if devices.published % (10 * PACE) == 0:
            devices.publish_raw(b"{broken")


def finish(ingester: Zygote, devices: Devices) -> pd.DataFrame:
    """Let the ingester run until everything is in the archive; return the archive."""
    devices.settle()
    for role in ("receiver", "archiver"):
        if not ingester.is_running(role):
            ingester.start(role)
    wanted = devices.published * 4

    def is_complete() -> bool:
        assert ingester.is_running("receiver"), ingester.log[-3000:]
        assert ingester.is_running("archiver"), ingester.log[-3000:]
        try:
            return len(ingester.readings()) >= wanted
        except (OSError, ValueError):
            return False

    until(is_complete, f"{wanted} readings in the archive")
    for role in ("receiver", "archiver"):
        assert ingester.end(role, signal.SIGTERM) == 0, ingester.log[-3000:]
    ingester.archive_all()
    return ingester.readings()


def seen_twice(folder: Path) -> int:
    """Return how many readings a stranger sees twice who reads the folder just now."""
    try:
        found = pd.read_parquet(folder, columns=["sensor", "time"])
    except (OSError, ValueError):
        return 0
    return int(found.duplicated().sum())


@pytest.mark.slow
def test_random_kills_lose_and_double_nothing(ingester: Zygote, devices: Devices) -> None:
    """Killed at 200 random moments under load, devices and broker going on: lost 0, doubled 0."""
    chance = random.Random(20151210)  # noqa: S311 - the same moments every time
    twice = 0
    ingester.begin()

    for kill in range(RANDOM_KILLS):
        for role in ("receiver", "archiver"):
            if not ingester.is_running(role):
                ingester.start(role)
        moment = time.monotonic() + chance.uniform(0.005, 0.2)
        while time.monotonic() < moment:
            feed(devices)
            time.sleep(0.01)
        for role in chance.choice((("receiver",), ("archiver",), ("receiver", "archiver"))):
            if ingester.is_running(role):
                ingester.end(role)
        if kill % 20 == 0:
            twice += seen_twice(ingester.archive / "readings")
    readings = finish(ingester, devices)

    assert lost_and_doubled(readings, devices.published) == (0, 0)
    assert twice == 0
    assert devices.published > 1000
    reasons = set(pd.read_parquet(ingester.archive / "quarantine")["reason"])
    assert reasons == {"syntax"}


def role_of(place: str) -> str:
    """Return which process passes a place."""
    return "receiver" if place.startswith(("journal.", "receiver.")) else "archiver"


def faults_for(place: str, times: int, chance: random.Random) -> list[str]:
    """Return planted faults for a place: at the first, second or third pass; writes also half done."""
    ways = ["half", "kill"] if place.endswith(".write") else ["kill"]
    passes = (1,) if place in ONCE else (1, 1, 2, 3)
    return [f"{place}:{chance.choice(passes)}:{ways[i % len(ways)]}" for i in range(max(times, len(ways)))]


@pytest.mark.slow
def test_kills_at_every_named_point(ingester: Zygote, devices: Devices, *, full: bool) -> None:
    """Killed at each step of the protocol, half-done writes among them: lost 0, doubled 0."""
    chance = random.Random(20160727)  # noqa: S311 - the same plan every time
    places = [place for place in failpoints.PLACES if not place.startswith("depot.")]
    times = -(-POINT_KILLS // len(places)) if full else 1
    plan = [fault for place in places for fault in faults_for(place, times, chance)]
    chance.shuffle(plan)
    missed: dict[str, int] = {}
    killed = 0
    ingester.begin()

    with JournalWriter(ingester.archive, "events", "home", reserve_bytes=0) as told:
        for fault in plan:
            place = fault.partition(":")[0]
            role = role_of(place)
            other = "archiver" if role == "receiver" else "receiver"
            if place == "journal.truncate":
                kill_at(ingester, devices, "receiver", "journal.write:1:half", told)
                fault = "journal.truncate:1:kill"  # noqa: PLW2901 - it is passed once, after a torn write
            if not ingester.is_running(other):
                ingester.start(other)
            if kill_at(ingester, devices, role, fault, told):
                killed += 1
            else:
                missed[place] = missed.get(place, 0) + 1
    readings = finish(ingester, devices)

    assert lost_and_doubled(readings, devices.published) == (0, 0)
    assert missed == {}
    assert killed == len(plan)


def kill_at(ingester: Zygote, devices: Devices, role: str, fault: str, told: JournalWriter) -> bool:
    """Run a process with a planted fault until it dies of it; tell whether it did."""
    if ingester.is_running(role):
        ingester.end(role)
    ingester.start(role, fault)
    end = time.monotonic() + DEADLINE_S / 4
    while ingester.is_running(role):
        if time.monotonic() > end:
            return False
        feed(devices, told)
        time.sleep(0.01)
    return ingester.reap(role) == -signal.SIGKILL
