"""Starts ingester processes in milliseconds: it loads everything once and forks for each.

Reads one JSON order a line and answers each with one line. ``start`` forks a receiver or an archiver and
answers its process id; ``wait`` answers the exit status of one. The forked processes are real: own memory,
own locks, own connection, killed with SIGKILL like any other.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import traceback
from pathlib import Path
from typing import Any

from ingest import archiver, failpoints, intake, receiver, upkeep
from ingest.address import Address
from ingest.journal import JournalWriter
from ingest.load_installation import load
from ingest.rounds import Rounds
from ingest.routing import Router
from ingest.status import StatusFile, receiver_path


def quicken() -> None:
    """Let upkeep and back-off take moments instead of minutes, so that a test sees many of them."""
    archiver.UPKEEP_S = 0.05
    archiver.LOOK_S = 0.01
    archiver.FULL_RETRY_S = archiver.PROBLEM_RETRY_S = 0.1
    upkeep.GRACE_S = upkeep.QUIET_S = 0.2
    upkeep.FOLD_FILES = 6
    receiver.FIRST_BACKOFF_S = 0.02
    receiver.LAST_BACKOFF_S = 0.2
    receiver.WAIT_S = 0.05
    intake.FULL_RETRY_S = 0.1


def run_receiver(order: dict[str, Any]) -> None:
    """Receive until SIGTERM."""
    archive = Path(order["archive"])
    address = Address(
        "127.0.0.1",
        order["port"],
        f"tricklebook-{order['writer']}",
        tuple(order["topics"]),
        level=order["level"],
        keepalive_s=order["keepalive"],
        group=order["group"],
    )
    options = {"reserve_bytes": order["reserve"], "segment_bytes": order["segment"]}
    with JournalWriter(archive, order["writer"], order["site"], **options) as journal:
        status = StatusFile(receiver_path(archive, order["site"], order["writer"]))
        work = receiver.Receiver(address, intake.Intake(journal, status.write))
        signal.signal(signal.SIGTERM, lambda *_: work.stop())
        work.run()


def run_archiver(order: dict[str, Any]) -> None:
    """Archive until SIGTERM."""
    told: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: told.append(1))
    installation = load(Path(order["installation"]))
    archive, site = Path(order["archive"]), installation.site
    rounds = Rounds(archive, installation)
    archiver.Archiver(archive, site, rounds, lambda: bool(told), every_s=order["every"]).run()


def child(order: dict[str, Any]) -> None:
    """Be the process that was ordered; never return."""
    log = os.open(order["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    os.dup2(log, 1)
    os.dup2(log, 2)
    status = 1
    try:
        failpoints.arm(order["fault"])
        {"receiver": run_receiver, "archiver": run_archiver}[order["role"]](order)
        status = 0
    except BaseException:  # noqa: BLE001 - a forked child must never run on into its parent's loop
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def main() -> None:
    """Take orders until standard input ends."""
    logging.basicConfig(format="%(process)d %(relativeCreated)d %(message)s")
    quicken()
    installation = load(Path(sys.argv[1]))
    Router(installation)
    for line in sys.stdin:
        order = json.loads(line)
        if order["do"] == "start":
            pid = os.fork()
            if pid == 0:
                child(order)
            answer = pid
        else:
            answer = os.waitstatus_to_exitcode(os.waitpid(order["pid"], 0)[1])
        sys.stdout.write(f"{answer}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
