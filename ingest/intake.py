"""The order that matters: on the disk first, acknowledged after; and what to do while the disk is full."""

from __future__ import annotations

import json
import logging
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ingest import failpoints
from ingest.frames import Kind
from ingest.journal import DiskFullError
from ingest.splitter import PUBACK_BYTES, Received

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest.journal import JournalWriter
    from ingest.link import Link

log = logging.getLogger(__name__)

FULL_RETRY_S = 1.0
"""Time between attempts to write while the disk is full. [s]"""


@dataclass(slots=True)
class Tally:
    """What the receiver has done and how it stands.

    Attributes
    ----------
    state : str
        ``starting``, ``receiving``, ``disconnected``, ``disk full`` or ``stopped``.
    problem : str
        Why it is not receiving, for a person.
    messages, acknowledged, again, too_large : int
        Messages journalled, acknowledged, sent again but in the journal, too large to keep.
    connections, gaps : int
        Connections made, sessions that the broker lost.
    last_message_us, last_ack_us : int
        When the last one came, and was acknowledged; 0 where none. [µs since 1970, UTC]
    """

    state: str = "starting"
    problem: str = ""
    messages: int = 0
    acknowledged: int = 0
    again: int = 0
    too_large: int = 0
    connections: int = 0
    gaps: int = 0
    last_message_us: int = 0
    last_ack_us: int = 0


@dataclass(slots=True)
class _Held:
    """A batch that the full disk did not take, and where its acknowledgements belong."""

    received: Received
    link: Link
    next_try: float


@dataclass(slots=True)
class Intake:
    """Takes batches in.

    Parameters
    ----------
    journal : JournalWriter
        Where they go.
    on_change : callable
        Called with the tally whenever there may be news.
    """

    journal: JournalWriter
    on_change: Callable[[Tally], None]
    tally: Tally = field(default_factory=Tally)
    _held: _Held | None = None

    @property
    def is_holding(self) -> bool:
        """Whether a batch waits for room on the disk; until then nothing more is read."""
        return self._held is not None

    def change(self, state: str, problem: str = "") -> None:
        """Note a new state, and log it."""
        if (state, problem) != (self.tally.state, self.tally.problem):
            log.log(logging.WARNING if problem else logging.INFO, "%s%s", state, problem and f": {problem}")
        self.tally.state, self.tally.problem = state, problem
        self.on_change(self.tally)

    def store(self, received: Received, link: Link) -> None:
        """Make a batch durable, then acknowledge it; where the disk is full, hold it.

        Raises
        ------
        BrokenDiskError
            If the disk fails.
        """
        if not received.parts and not received.acks:
            return
        try:
            while received.parts:
                part = received.parts[0]
                self.journal.append_frame(part.kind, part.body, part.messages)
                del received.parts[0]
        except DiskFullError as error:
            self._held = _Held(received, link, time.monotonic() + FULL_RETRY_S)
            self.change("disk full", str(error))
            return
        failpoints.reach("receiver.ack")
        link.acknowledge(received.acks)
        failpoints.reach("receiver.acked")
        tally = self.tally
        tally.messages += received.messages
        tally.again += received.again
        tally.too_large += received.too_large
        tally.acknowledged += len(received.acks) // PUBACK_BYTES
        tally.last_message_us = tally.last_ack_us = time.time_ns() // 1000

    def try_held(self) -> None:
        """Try again what the full disk did not take, when it is time to."""
        held = self._held
        if held is None or time.monotonic() < held.next_try:
            return
        self._held = None
        self.store(held.received, held.link)
        if self._held is None:
            self.change("receiving" if held.link.is_open else "disconnected")

    def note(self, event: dict[str, str]) -> None:
        """Write an event of the ingester's own into the journal."""
        log.warning("%s", event["detail"])
        try:
            self.journal.append_frame(Kind.EVENT, json.dumps(event).encode(), 1)
        except DiskFullError as error:
            log.warning("%s", error)
