"""A private mosquitto on a port of its own, for tests that need a real broker."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

START_DEADLINE_S = 15.0
"""How long a broker may take to open its port before the test fails."""

_PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))

OPEN_LISTENER = "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\n"
"""The usual configuration: anyone on this machine, and a queue that drops nothing in a test."""


def free_port() -> int:
    """Return a port of the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int, process: subprocess.Popen[bytes]) -> None:
    """Return once the port takes connections; fail if the process ends or the deadline passes."""
    deadline = time.monotonic() + START_DEADLINE_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            pytest.fail(f"the broker ended with status {process.returncode} before it opened port {port}")
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.01)
    pytest.fail(f"the broker did not open port {port} within {START_DEADLINE_S} s")


@dataclass
class Broker:
    """A mosquitto that the test may stop, kill and start again on the same port.

    Attributes
    ----------
    folder : Path
        Its configuration, log and, with persistence, its database.
    conf : str
        Configuration text; ``{port}`` and ``{folder}`` are filled in.
    """

    folder: Path
    conf: str = OPEN_LISTENER
    host: str = "127.0.0.1"
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and return when its port is open."""
        program = shutil.which("mosquitto", path=_PLACES)
        if program is None:
            pytest.skip("mosquitto is not installed on this machine")
        path = self.folder / "mosquitto.conf"
        text = self.conf.format(port=self.port, folder=self.folder)
        path.write_text(text + "log_dest stdout\nuser root\n", encoding="utf-8")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(path)], stdout=log, stderr=log)
        wait_for_port(self.port, self._process)

    def _end(self, signum: int) -> None:
        process, self._process = self._process, None
        if process is not None and process.poll() is None:
            process.send_signal(signum)
            process.wait(timeout=START_DEADLINE_S)

    def stop(self) -> None:
        """End it cleanly, so that it writes what it persists."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    @property
    def log(self) -> str:
        """What it has logged so far."""
        return (self.folder / "mosquitto.log").read_text(encoding="utf-8", errors="replace")
