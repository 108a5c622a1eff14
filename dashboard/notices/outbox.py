"""The outbox: every notice and every attempt, one line each, on the disk before anything else happens.

It is one of the append-only files beside the archive (`analysis.ledger`): a line is flushed to the disk before
the next step, a line torn by a crash is left out and makes room, and people can read the file as the log of
what was sent. A database would survive the same crashes; it would be a second way to keep what is written down.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from analysis import ledger
from dashboard.notices.deliveries import (
    Answer,
    Delivery,
    Message,
    due,
    hopeless,
    message_of,
    message_row,
    row,
    step,
)
from dashboard.notices.log import (
    MOVES,
    Log,
    Moved,
    Notice,
    instant,
    moved,
    moved_of,
    moved_row,
    notice_of,
    notice_row,
    noticed,
)
from ingest import failpoints

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    import pandas as pd

LOGGER = logging.getLogger(__name__)

FILE = "notices.jsonl"
"""Name of the file in the archive's folder."""

SHOWN = "shown"
"""Line of what is shown at the broker: told before it is published."""


def replay(lines: Iterable[Mapping[str, Any]]) -> tuple[Log, dict[str, Delivery], set[str]]:
    """Return what the lines of the file say, oldest first: the log, the deliveries, what was shown."""
    log, deliveries, shown = Log(), dict[str, Delivery](), set[str]()
    for line in lines:
        log = take(log, deliveries, shown, line)
    return log, deliveries, shown


def take(log: Log, deliveries: dict[str, Delivery], shown: set[str], line: Mapping[str, Any]) -> Log:
    """Take one line into account; one that says nothing known is left alone."""
    what = line.get("what")
    if what in MOVES:
        return moved(log, [moved_of(line)])
    if what == "notice":
        for part in line["messages"]:
            message = message_of(line, part)
            deliveries[message.id] = Delivery(message, "queued", 0, message.time)
        return noticed(log, notice_of(line))
    if what == "began":
        return replace(log, began=instant(line["time"]))
    if what == SHOWN:
        shown.add(line["key"])
    elif line.get("message") in deliveries:
        after = step(deliveries[line["message"]], line)
        if after.settled:  # what it said is on the disk; a long-lived process need not carry it
            after = replace(after, message=replace(after.message, text="", data={}))
        deliveries[line["message"]] = after
    return log


class Outbox:
    """The file of one archive; several threads may use it, one process at a time.

    Parameters
    ----------
    archive : Path
        Its folder.
    now : pandas.Timestamp
        The present. [UTC]

    Attributes
    ----------
    problem : str
        Why lines cannot be written; empty where they can.
    """

    def __init__(self, archive: Path, now: pd.Timestamp) -> None:
        self.path = archive / FILE
        self._lock = threading.Lock()
        self._unwritten: list[dict[str, Any]] = []
        self.problem = ""
        archive.mkdir(parents=True, exist_ok=True)
        self._log, self._deliveries, self._shown = replay(ledger.rows(self.path))
        if self._log.began is None:
            self._write({"what": "began", "time": now.isoformat()})
        for delivery in list(self._deliveries.values()):
            if delivery.state == "attempting":
                answer = Answer(arrived=False, said="the program ended during the attempt", sure=False)
                self._write(row(delivery.message.id, "queued", delivery.last, answer))

    @property
    def log(self) -> Log:
        """What was seen and told."""
        with self._lock:
            going = {d.message.notice for d in self._deliveries.values() if not d.settled}
            done = {d.message.notice for d in self._deliveries.values() if d.state == "delivered"}
            return replace(self._log, waiting=frozenset(going - done))

    def deliveries(self) -> list[Delivery]:
        """Return every message and how far it has come."""
        with self._lock:
            return list(self._deliveries.values())

    def due(self, channel: str, now: pd.Timestamp) -> list[Delivery]:
        """Return what may be tried by one way; gives up what has failed for too long."""
        with self._lock:
            for delivery in list(self._deliveries.values()):
                if delivery.message.channel == channel and hopeless(delivery, now):
                    answer = Answer(arrived=False, said=delivery.said)
                    self._write(row(delivery.message.id, "given up", now, answer))
            return due(self._deliveries.values(), channel, now)

    def queue(self, notice: Notice, messages: Sequence[Message]) -> None:
        """Write a notice down; when this returns it will be sent, whatever happens to this process."""
        with self._lock:
            failpoints.reach("notices.queue")
            self._write(
                {"what": "notice", **notice_row(notice), "messages": [message_row(m) for m in messages]}
            )
            failpoints.reach("notices.queued")

    def move(self, moves: Iterable[Moved]) -> None:
        """Write down what happened to findings."""
        with self._lock:
            for one in moves:
                self._write(moved_row(one))

    def attempt(self, message: Message, now: pd.Timestamp) -> None:
        """Write down that an attempt begins."""
        with self._lock:
            failpoints.reach("notices.attempt")
            self._write(row(message.id, "attempting", now))
            failpoints.reach("notices.attempting")

    def ended(self, message: Message, answer: Answer, now: pd.Timestamp) -> None:
        """Write down how an attempt ended."""
        with self._lock:
            failpoints.reach("notices.accepted")
            self._write(row(message.id, "delivered" if answer.arrived else "failed", now, answer))
            failpoints.reach("notices.ended")

    def abandon(self, message: Message, why: str, now: pd.Timestamp) -> None:
        """Give a message up."""
        with self._lock:
            self._write(row(message.id, "given up", now, Answer(arrived=False, said=why)))

    def show(self, key: str, now: pd.Timestamp) -> bool:
        """Write down that something is about to be shown at the broker; return whether it may have been before."""
        with self._lock:
            before = key in self._shown
            if not before:
                self._write({"what": SHOWN, "key": key, "time": now.isoformat()})
            return before

    def _write(self, line: dict[str, Any]) -> None:
        """Write a line, and take it into account; on a disk that takes none, remember it and go on.

        Then a message may arrive twice, unmarked, if the process ends before the disk takes the line. That is
        better than silence.
        """
        self._log = take(self._log, self._deliveries, self._shown, line)
        self._unwritten.append(line)
        try:
            while self._unwritten:
                ledger.append(self.path, self._unwritten[0])
                self._unwritten.pop(0)
        except OSError as error:
            self.problem = f"{self.path.name} cannot be written: {error.strerror or error}"
            LOGGER.error("%s", self.problem)  # noqa: TRY400 - the trace says nothing more
        else:
            self.problem = ""
