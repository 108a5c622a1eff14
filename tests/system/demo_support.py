"""Start the real demo, look at it from outside, and see that nothing of it stays behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
import pytest

from tests.support.broker import free_port

if TYPE_CHECKING:
    from collections.abc import Callable

LIMIT_S = 120.0
"""Within this time of its start the demo's page must be live. [s]"""

END_S = 60.0
"""How long the demo may take to end. [s]"""

ROOT = Path(__file__).parents[2]


def wait(condition: Callable[[], bool], deadline: float, what: str) -> None:
    """Return once the condition holds; fail at the deadline [s of the monotonic clock]."""
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"{what} did not happen in time")
        time.sleep(0.05)


@dataclass
class Demo:
    """A running demo.

    Attributes
    ----------
    folder : Path
        Its data.
    port, broker_port : int
        Where the page and the broker listen.
    process : subprocess.Popen
        The command itself.
    began : float
        When it was started. [s of the monotonic clock]
    """

    folder: Path
    port: int
    broker_port: int
    process: subprocess.Popen[bytes]
    began: float

    @property
    def address(self) -> str:
        """The page's address."""
        return f"http://127.0.0.1:{self.port}/"

    @property
    def said(self) -> str:
        """What it has printed so far."""
        return (self.folder.with_name(f"{self.folder.name}.out")).read_text(encoding="utf-8")

    def family(self) -> list[psutil.Process]:
        """Return every process below it."""
        family: list[psutil.Process] = psutil.Process(self.process.pid).children(recursive=True)
        return family

    def child(self, name: str) -> psutil.Process:
        """Return the child whose command line has a word."""
        return next(one for one in self.family() if name in one.cmdline())

    def wait_until_said(self, text: str) -> None:
        """Return once it has printed something; fail if it ends before, or after `LIMIT_S`."""

        def heard() -> bool:
            if text not in self.said and self.process.poll() is not None:
                pytest.fail(f"the demo ended with status {self.process.returncode}: {self.said}")
            return text in self.said

        wait(heard, self.began + LIMIT_S, f"{text!r}")

    def end(self, signum: int = signal.SIGINT) -> int:
        """Send a signal as a terminal does, and return the exit status."""
        if self.process.poll() is None:
            self.process.send_signal(signum)
        return self.process.wait(END_S)


def command(folder: Path, *options: str) -> list[str]:
    """Return the command line of a demo in a folder."""
    return [sys.executable, "-m", "tricklebook", "run", "--data", str(folder), "--no-browser", *options]


def start(folder: Path, *options: str) -> Demo:
    """Start a demo on two free ports and return once it has printed its address."""
    port, broker_port = free_port(), free_port()
    argv = command(folder, "--port", str(port), "--broker-port", str(broker_port), *options)
    began = time.monotonic()
    with folder.with_name(f"{folder.name}.out").open("wb") as out:
        process = subprocess.Popen(
            argv, stdout=out, stderr=subprocess.STDOUT, cwd=ROOT, env={**os.environ, "TZ": "UTC"}
        )
    demo = Demo(folder, port, broker_port, process, began)
    demo.wait_until_said("The page is at")
    return demo
