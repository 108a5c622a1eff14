"""``tricklebook ingest`` as people run it: its own process, its log, its health page."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

from tests.support.broker import free_port
from tests.support.ingester import DEADLINE_S, ROOT, until


@dataclass
class Running:
    """A running command."""

    process: subprocess.Popen[bytes]
    archive: Path
    log_path: Path
    writer: str
    health_port: int | None

    def status(self) -> dict[str, Any]:
        """Return the receiver's status."""
        path = self.archive / "state" / "site=home" / f"receiver.{self.writer}.json"
        content: dict[str, Any] = json.loads(path.read_text("utf-8")) if path.exists() else {"state": "none"}
        return content

    def wait_for(self, state: str) -> None:
        """Return when the receiver is in a state."""
        until(lambda: self.status()["state"] == state, f"{state}; log:\n{self.log()[-2000:]}")

    def is_running(self) -> bool:
        """Tell whether it has not ended."""
        return self.process.poll() is None

    def log(self) -> str:
        """Return what it has written to its terminal."""
        return self.log_path.read_text("utf-8")

    def fetch(self, page: str) -> str:
        """Return a page of its health port, whatever its status."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.health_port}{page}", timeout=10) as answer:
                return str(answer.read().decode())
        except urllib.error.HTTPError as error:
            with error:
                return error.read().decode()

    def _family(self) -> list[psutil.Process]:
        parent = psutil.Process(self.process.pid)
        return [parent, *parent.children(recursive=True)]

    def command_lines(self) -> str:
        """Return the command lines of its processes, as any user of the machine sees them."""
        return "\n".join(" ".join(process.cmdline()) for process in self._family())

    def children(self) -> list[psutil.Process]:
        """Return its child processes."""
        return self._family()[1:]

    def children_environments(self) -> list[str]:
        """Return the environments that it hands on to its children."""
        until(lambda: len(self._family()) > 1, "the archiver")
        return [json.dumps(process.environ()) for process in self._family()[1:]]

    def end(self, signum: int = signal.SIGTERM) -> int:
        """End it and return its exit status."""
        if self.is_running():
            self.process.send_signal(signum)
        return self.process.wait(DEADLINE_S)


def run_ingest(
    installation: Path,
    archive: Path,
    environment: dict[str, str],
    *,
    writer: str = "home",
    health: bool = False,
    every: float = 0.2,
) -> Running:
    """Start ``tricklebook ingest``."""
    port = free_port() if health else None
    command = [sys.executable, "-m", "tricklebook", "ingest", "--every", str(every), "--writer", writer]
    command += ["--installation", str(installation), "--archive", str(archive)]
    command += ["--health-port", str(port)] if health else []
    log_path = installation.parent / f"{writer}.log"
    with log_path.open("ab") as log:
        process = subprocess.Popen(
            command, cwd=ROOT, stdout=log, stderr=log, env={**os.environ, **environment}
        )
    return Running(process, archive, log_path, writer, port)
