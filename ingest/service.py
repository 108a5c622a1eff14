"""The ingester as one service: the receiver in this process, the archiver in a child, health beside them."""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.address import PASSWORD, USER
from ingest.heir import orphans
from ingest.intake import Intake, Tally
from ingest.journal import JournalWriter
from ingest.receiver import Receiver
from ingest.status import StatusFile, receiver_path

if TYPE_CHECKING:
    from ingest.address import Address

log = logging.getLogger(__name__)

FIRST_WAIT_S = 1.0
LAST_WAIT_S = 60.0
"""Shortest and longest wait before an archiver that ended by itself is started again. [s]"""

HEIRS_S = 5.0
"""Time between looks for other ingesters that are gone. [s]"""

END_S = 30.0
"""Time that the archiver has to finish when the service ends. [s]"""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to run.

    Attributes
    ----------
    installation : Path
        The installation's file.
    archive : Path
        The archive's folder.
    site, writer : str
        The installation's name as it stands in archive paths, and the name of this ingester's journal.
    address : Address
        The broker.
    every_s : float
        Time between the archiver's rounds. [s]
    health_port : int, optional
        Port of the health page on this machine's own address; none where left out.
    """

    installation: Path
    archive: Path
    site: str
    writer: str
    address: Address
    every_s: float
    health_port: int | None = None


class Child:
    """The archiver's process, started again when it ends by itself.

    Parameters
    ----------
    plan : Plan
        What to run.
    """

    def __init__(self, plan: Plan) -> None:
        self._command = [
            sys.executable,
            "-m",
            "ingest.archiver_process",
            str(plan.installation),
            str(plan.archive),
            str(plan.every_s),
        ]
        self._environment = {
            name: value
            for name, value in os.environ.items()
            if name not in (USER, PASSWORD, f"{USER}_FILE", f"{PASSWORD}_FILE")
        }
        self._process: subprocess.Popen[bytes] | None = None
        self._wait = FIRST_WAIT_S
        self._due = 0.0

    def attend(self) -> None:
        """Start it where it is due."""
        now = time.monotonic()
        if self._process is not None:
            if self._process.poll() is None:
                return
            log.error(
                "the archiver ended with status %d; again in %.0f s", self._process.returncode, self._wait
            )
            self._process = None
            self._due, self._wait = now + self._wait, min(self._wait * 2, LAST_WAIT_S)
        if now >= self._due:
            self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE, env=self._environment)  # noqa: S603 - our own module

    def end(self) -> None:
        """Tell it to finish, and wait."""
        if self._process is None:
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            log.warning("the archiver did not finish in %.0f s; what is left is in the journal", END_S)
            self._process.kill()
            self._process.wait()


class Heirs:
    """Sees to it that what waits for ingesters that are gone is taken over, where a subscription is shared.

    Parameters
    ----------
    plan : Plan
        What runs here.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._due = 0.0
        self._process: subprocess.Popen[bytes] | None = None

    def attend(self) -> None:
        """Look for one that is gone, now and then, and send an heir."""
        plan, now = self._plan, time.monotonic()
        busy = self._process is not None and self._process.poll() is None
        if plan.address.group is None or now < self._due or busy:
            return
        self._due = now + HEIRS_S
        for writer in orphans(plan.archive, plan.site, plan.writer, time.time())[:1]:
            log.warning("%s is gone; what waits for it is taken over", writer)
            where = [str(plan.installation), str(plan.archive), writer]
            broker = [plan.address.host, str(plan.address.port)]
            self._process = subprocess.Popen([sys.executable, "-m", "ingest.heir_process", *where, *broker])  # noqa: S603 - our own module


def tell_manager(message: str) -> None:
    """Tell the service manager how we are, where there is one that listens.

    References
    ----------
    sd_notify(3): a datagram to the socket that NOTIFY_SOCKET names.
    """
    name = os.environ.get("NOTIFY_SOCKET")
    if not name:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        try:
            sender.sendto(message.encode(), f"\0{name[1:]}" if name[0] == "@" else name)
        except OSError:
            log.debug("the service manager does not listen")


def run(plan: Plan) -> None:
    """Run the ingester until SIGTERM or SIGINT.

    Raises
    ------
    UserError
        If something must be mended by a person.
    """
    with JournalWriter(plan.archive, plan.writer, plan.site) as journal:
        status = StatusFile(receiver_path(plan.archive, plan.site, plan.writer))
        child, heirs = Child(plan), Heirs(plan)

        def attend(tally: Tally) -> None:
            status.write(tally)
            child.attend()
            heirs.attend()
            tell_manager("READY=1\nWATCHDOG=1")

        receiver = Receiver(plan.address, Intake(journal, attend))
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: receiver.stop())
        if plan.health_port is not None:
            from ingest.health import serve  # noqa: PLC0415 - only who asks for it pays for it

            serve(plan.archive, plan.site, plan.health_port)
        try:
            receiver.run()
        finally:
            tell_manager("STOPPING=1")
            child.end()
