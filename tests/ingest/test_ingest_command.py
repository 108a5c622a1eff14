"""``tricklebook ingest`` as people start, ask and end it."""

from __future__ import annotations

import signal
import socket
import subprocess
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from typer.testing import CliRunner

from ingest.service import tell_manager
from tests.support.command import Running, run_ingest
from tests.support.ingester import DEADLINE_S, INSTALLATION, Devices, lost_and_doubled, until
from tricklebook import app

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.broker import Broker


@pytest.fixture
def running(tmp_path: Path, broker: Broker) -> Iterator[Running]:
    """Return a running ingester with its health page."""
    path = tmp_path / "installation.toml"
    path.write_text(INSTALLATION + f"[broker]\nport = {broker.port}\n", encoding="utf-8")
    started = run_ingest(path, tmp_path / "archive", {}, health=True)
    yield started
    started.end(signal.SIGKILL)


@pytest.mark.parametrize("signum", [signal.SIGTERM, signal.SIGINT])
def test_ends_in_order_with_everything_archived(running: Running, broker: Broker, signum: int) -> None:
    """Told to end, it archives what it has, says good-bye to the broker and ends with status 0."""
    running.wait_for("receiving")
    devices = Devices(broker.port)
    devices.publish(100)
    devices.settle()
    devices.close()
    until(lambda: running.status()["messages"] >= 100, "the messages")

    assert running.end(signum) == 0
    assert running.status()["state"] == "stopped"
    assert lost_and_doubled(pd.read_parquet(running.archive / "readings"), 100) == (0, 0)


def test_health_page_tells_how_it_is(running: Running, broker: Broker) -> None:
    """The page is good while it receives, and names the problem when the broker is gone."""
    running.wait_for("receiving")
    until(lambda: '"healthy": true' in running.fetch("/health"), "health")
    broker.kill()

    until(lambda: "home: disconnected: " in running.fetch("/health"), "the problem")
    assert 'tricklebook_receiving{writer="home"} 0.0' in running.fetch("/metrics")


def test_dead_archiver_is_started_again(running: Running, broker: Broker) -> None:
    """An archiver that is killed is started again, and what came meanwhile is archived."""
    running.wait_for("receiving")
    until(lambda: len(running.children()) == 1, "the archiver")
    running.children()[0].kill()
    devices = Devices(broker.port)
    devices.publish(10)
    devices.settle()
    devices.close()

    until((running.archive / "readings").exists, "a new archiver's work")
    assert "the archiver ended with status -9; again in 1 s" in running.log()


def test_archiver_ends_with_its_parent(running: Running) -> None:
    """When the ingester is killed, its archiver does not live on."""
    running.wait_for("receiving")
    until(lambda: len(running.children()) == 1, "the archiver")
    (child,) = running.children()
    running.end(signal.SIGKILL)

    until(lambda: not child.is_running(), "the archiver's end")


def test_second_on_one_journal_is_told_what_to_do(running: Running, tmp_path: Path) -> None:
    """A second start on the same archive ends with status 2 and one line that helps."""
    running.wait_for("receiving")
    second = run_ingest(tmp_path / "installation.toml", running.archive, {}, writer="home")

    assert second.process.wait(DEADLINE_S) == 2
    assert "tricklebook: " in second.log()
    assert (
        "another process writes the journal 'home'; stop it, or give this one another --writer"
        in second.log()
    )
    assert "Traceback" not in second.log()


def test_service_manager_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where a service manager listens it hears that the service is up; where none does, nothing happens."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        tell_manager("READY=1")

        assert manager.recv(100) == b"READY=1"
    tell_manager("READY=1")
    monkeypatch.delenv("NOTIFY_SOCKET")
    tell_manager("READY=1")


def test_help_is_for_people() -> None:
    """The help says what it does, what is safe, and where secrets come from."""
    shown = CliRunner().invoke(app, ["ingest", "--help"], env={"COLUMNS": "200", "TERM": "dumb"}).output

    assert "Take what the devices publish into the archive, until Ctrl-C." in shown
    assert "TRICKLEBOOK_MQTT_USER" in shown
    assert subprocess.list2cmdline(["--password"]) not in shown
