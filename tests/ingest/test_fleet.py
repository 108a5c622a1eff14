"""One ingester takes in many sites: each site's archive gets what is its own, once, whatever is killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import checkpoint as checkpoints
from ingest import failpoints
from ingest.errors import UserError
from ingest.fleet import BROKER, FLEET, Dispatch, Site, fleet_broker, load_sites
from ingest.fleet_rounds import FleetRounds
from ingest.frames import Kind
from ingest.journal import JournalWriter
from ingest.load_installation import load
from ingest.store import latest, read_readings
from ingest.told import read_told
from ingest.verify import verify
from tests.support.ingester import DEADLINE_S, ROOT, Devices, until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.broker import Broker

NAMES = ("north", "south", "west")
BASE = 1_700_000_000
"""Instant of the first reading. [s since 1970, UTC]"""


def describe(folder: Path, name: str, topic: str | None = None) -> None:
    """Write a site's description."""
    text = (
        f'name = "{name}"\ntimezone = "UTC"\nsupply = {{ kind = "well", backflow_preventer = "none" }}\nzone.a = {{}}\n'
        'sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { senml = "ec" } }\n'
        f'[broker]\ntopics = ["{topic or f"sites/{name}/#"}"]\n'
    )
    (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / name / "installation.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """Return the folder of a fleet of three sites."""
    for name in NAMES:
        describe(tmp_path / "fleet", name)
    return tmp_path / "fleet"


def message(name: str, number: int) -> tuple[str, bytes]:
    """Return a site's message with one reading, whose value is its number."""
    return f"sites/{name}/ec", json.dumps(
        [{"n": "ec", "u": "mS/cm", "t": BASE + number, "v": number}]
    ).encode()


def publish(fleet: Path, messages: list[tuple[str, bytes]], *, event: bool = False) -> None:
    """Append messages to the journal that the sites share."""
    with JournalWriter(fleet, "fleet", FLEET, reserve_bytes=0) as journal:
        journal.append(messages)
        if event:
            journal.append_frame(Kind.EVENT, b'{"kind": "session lost", "detail": "x"}', 1)


def archives(fleet: Path) -> Iterator[tuple[Site, pd.DataFrame]]:
    """Yield each site with what its files hold."""
    for site, _ in load_sites(fleet):
        folder = site.archive / "readings"
        yield site, pd.read_parquet(folder) if folder.is_dir() else pd.DataFrame()


def test_each_site_gets_its_own_readings(fleet: Path) -> None:
    """Messages go to the site of their topic, a site's archive needs nothing of the fleet, all is in order."""
    publish(fleet, [message(name, number) for number in range(20) for name in NAMES[:2]])

    report = FleetRounds(fleet, load_sites(fleet)).run()

    assert report.counts["readings"] == 40
    found = {site.name: len(rows) for site, rows in archives(fleet)}
    assert found == {"north": 20, "south": 20, "west": 0}
    assert [p for site, _ in archives(fleet) for p in verify(site.archive, site.name) if p.is_fault] == []


def test_readings_that_wait_in_the_shared_journal_are_seen(fleet: Path) -> None:
    """What is not archived yet is read with the rest, of the one site alone, before and after a round."""
    rounds = FleetRounds(fleet, load_sites(fleet))
    north, described = load_sites(fleet)[0]
    publish(fleet, [message("north", 1), message("south", 2)])

    before = read_readings(north.archive, described)
    rounds.run()
    publish(fleet, [message("north", 3)])

    assert before["value"].tolist() == [1.0]
    assert read_readings(north.archive, described)["value"].tolist() == [1.0, 3.0]
    assert latest(north.archive, described)["value"].tolist() == [3.0]


def test_message_of_no_site_is_set_aside_with_its_reason(fleet: Path) -> None:
    """A topic that no site takes is kept with the fleet, counted, and blocks nothing."""
    publish(fleet, [("sites/east/ec", b"[]"), message("north", 1)])

    FleetRounds(fleet, load_sites(fleet)).run()

    aside = read_told(fleet, FLEET, "quarantine")
    assert aside["topic"].tolist() == ["sites/east/ec"]
    assert aside["reason"].tolist() == ["unknown topic"]
    floor = checkpoints.load(fleet, FLEET)
    assert floor is not None
    assert floor.counts == {"reject:unknown topic": 1}


@pytest.mark.parametrize("place", ["round.published", "round.committed"])
def test_stretch_that_was_broken_off_is_finished_once(fleet: Path, place: str) -> None:
    """When the second site fails midway, the next round gives each site its part once, told events too."""
    rounds = FleetRounds(fleet, load_sites(fleet))
    publish(fleet, [message(name, number) for number in range(5) for name in NAMES], event=True)
    publish(fleet, [("sites/north/ec", b"{broken")])

    failpoints.arm(f"{place}:2:EIO")
    with pytest.raises(OSError, match=place):
        rounds.run()
    failpoints.arm("")
    publish(fleet, [message(name, 7) for name in NAMES])
    again = FleetRounds(fleet, load_sites(fleet))
    again.run()

    for site, rows in archives(fleet):
        assert sorted(rows["value"]) == [0.0, 1.0, 2.0, 3.0, 4.0, 7.0]
        assert len(read_told(site.archive, site.name, "events")) == 1
        assert [p for p in verify(site.archive, site.name) if p.is_fault] == []
        told = checkpoints.load(site.archive, site.name)
        assert told is not None
        assert told.counts.get("duplicates", 0) == 0
    assert len(read_told(fleet / "north" / "archive", "north", "quarantine")) == 1
    assert again.run().size == 0


def test_sites_whose_messages_cannot_be_told_apart_are_refused(fleet: Path) -> None:
    """Topics that fit two sites are named, with what to write instead."""
    describe(fleet, "east", "sites/#")
    with pytest.raises(
        UserError, match=r"east/installation\.toml, \[broker\] topics: 'sites/#' takes messages"
    ):
        load_sites(fleet)


def test_every_wrong_description_of_a_fleet_is_told_at_once(fleet: Path) -> None:
    """Two sites with mistakes give both, each with its file."""
    for name in NAMES[:2]:
        path = fleet / name / "installation.toml"
        path.write_text(path.read_text("utf-8").replace('"well"', '"wel"'), encoding="utf-8")
    with pytest.raises(UserError, match=r"(?s)installation\.toml, line 3.*installation\.toml, line 3"):
        load_sites(fleet)


def test_broker_of_a_fleet_is_read_from_its_file(fleet: Path) -> None:
    """The file says where, the sites say what to subscribe to, and a wrong key is named."""
    (fleet / BROKER).write_text('host = "broker.example"\nport = 1884\n', encoding="utf-8")
    broker = fleet_broker(fleet)
    assert (broker.host, broker.port) == ("broker.example", 1884)
    assert broker.topics == tuple(f"sites/{name}/#" for name in NAMES)

    (fleet / BROKER).write_text('hots = "broker.example"\n', encoding="utf-8")
    with pytest.raises(UserError, match=r'broker\.toml, line 1, hots: unknown key; did you mean "host"'):
        fleet_broker(fleet)


def test_dispatch_knows_nested_topics() -> None:
    """The site of a topic is found whether its filter is exact, nested in another, or with a wildcard."""
    whose = Dispatch([("a/#", 0), ("a/b/+", 0), ("b/+/x", 1), ("c", 2)])
    topics = ("a", "a/b/c", "a/z/z", "b/1/x", "b/1/y", "c", "c/d", "", "zz")
    assert [whose(topic) for topic in topics] == [0, 0, 0, 1, None, 2, None, None, None]


@pytest.mark.slow
def test_fleet_is_taken_in_through_the_broker_while_the_archiver_dies(fleet: Path, broker: Broker) -> None:
    """Killed after every second site's commit, the one ingester still archives every site's messages once."""
    command = [
        sys.executable,
        "-m",
        "tricklebook",
        "ingest",
        "--fleet",
        str(fleet),
        "--port",
        str(broker.port),
    ]
    process = subprocess.Popen(
        [*command, "--every", "0.2"],
        cwd=ROOT,
        env={**os.environ, failpoints.VARIABLE: "round.committed:2:kill"},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        status = fleet / "state" / f"site={FLEET}" / "receiver.fleet.json"
        until(
            lambda: status.exists() and json.loads(status.read_text())["state"] == "receiving", "the receiver"
        )
        devices = Devices(broker.port)
        for number in range(50):
            for name in NAMES:
                topic, body = message(name, number)
                devices.publish_raw(body, topic)
        devices.settle()
        devices.close()
        north = fleet / "north"
        described = load(north / "installation.toml")
        until(lambda: len(read_readings(north / "archive", described)) == 50, "readings seen at once")
        until(lambda: all(len(rows) == 50 for _, rows in archives(fleet)), "every reading archived")
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 0, said
    assert "the archiver ended with status -9" in said
    for site, rows in archives(fleet):
        assert sorted(rows["value"]) == [float(number) for number in range(50)]
        assert [p for p in verify(site.archive, site.name) if p.is_fault] == []
