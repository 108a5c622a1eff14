"""The receiver: broker to journal, and an acknowledgement only for what is on stable storage.

One thread, one loop. It knows nothing of payloads, so no payload can stop it.
"""

from __future__ import annotations

import json
import logging
import random
import selectors
import ssl
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from ingest import failpoints, session
from ingest.address import tls_context
from ingest.connection import RECEIVE_MAXIMUM, Connection, Stage
from ingest.errors import UserError
from ingest.frames import Kind
from ingest.journal import DiskFullError
from ingest.packets import V311
from ingest.splitter import PUBACK_BYTES, Received

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest.address import Address
    from ingest.journal import JournalWriter
    from ingest.link import Link

log = logging.getLogger(__name__)

WAIT_S = 0.5
"""Longest wait for news, so that orders to stop and timers are seen. [s]"""

ANSWER_S = 10.0
"""Time that the broker has to answer a greeting or a subscription. [s]"""

STEADY_S = 10.0
"""Time after which a connection counts as good, and the next wait begins small again. [s]"""

FIRST_BACKOFF_S = 0.5
LAST_BACKOFF_S = 60.0
"""Shortest and longest wait before the next attempt; each is twice the one before, times 0.5 to 1. [s]"""

FULL_RETRY_S = 1.0
"""Time between attempts to write while the disk is full. [s]"""


class TakenOverError(UserError):
    """Raised when another client came with the same identifier: two that fight would lose messages."""


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
    next_try: float = 0.0


@dataclass(slots=True)
class Receiver:
    """Receives until it is told to stop.

    Parameters
    ----------
    address : Address
        The broker.
    journal : JournalWriter
        Where messages go.
    on_change : callable
        Called with the tally every time round, and at once when the state changes.
    """

    address: Address
    journal: JournalWriter
    on_change: Callable[[Tally], None]
    tally: Tally = field(default_factory=Tally)
    _stopping: bool = False
    _held: _Held | None = None
    _failures: int = 0
    _watch_drops: bool = True

    def stop(self) -> None:
        """End the loop soon; safe to call from a signal handler."""
        self._stopping = True

    def run(self) -> None:
        """Receive until told to stop.

        Raises
        ------
        TakenOverError
            If another client came with the same identifier.
        BrokenDiskError
            If the disk fails: end the process, and what is not acknowledged comes again.
        """
        context = tls_context(self.address)
        while not self._stopping:
            began = time.monotonic()
            self._attempt(context)
            if time.monotonic() - began > STEADY_S:
                self._failures = 0
            if not self._stopping:
                self._back_off()
        self._change("stopped", "")

    def _change(self, state: str, problem: str) -> None:
        if (state, problem) != (self.tally.state, self.tally.problem):
            log.log(logging.WARNING if problem else logging.INFO, "%s%s", state, problem and f": {problem}")
        self.tally.state, self.tally.problem = state, problem
        self.on_change(self.tally)

    def _back_off(self) -> None:
        """Wait before the next attempt, longer each time, and not in step with other clients."""
        wait = min(FIRST_BACKOFF_S * 2**self._failures, LAST_BACKOFF_S) * random.uniform(0.5, 1.0)  # noqa: S311 - no secret
        self._failures = min(self._failures + 1, 16)
        until = time.monotonic() + wait
        while not self._stopping and (time.monotonic() < until or self._held is not None):
            time.sleep(min(WAIT_S, max(until - time.monotonic(), 0.01)))
            self._try_held()
            self.on_change(self.tally)

    def _attempt(self, context: ssl.SSLContext | None) -> None:
        """Be connected as long as it lasts."""
        redelivery = session.Redelivery(self.journal.folder, RECEIVE_MAXIMUM)
        connection = Connection(
            self.address,
            self.address.level,
            redelivery.is_stored,
            context=context,
            watch_drops=self._watch_drops,
        )
        try:
            connection.open()
            self.tally.connections += 1
            with selectors.DefaultSelector() as selector:
                self._serve(connection, selector)
        except ssl.SSLCertVerificationError as error:
            connection.drop(f"the broker's certificate is not accepted: {error.verify_message}")
        except ssl.SSLError as error:
            connection.drop(f"no TLS connection: {error.reason or 'refused'}")
        except OSError as error:
            reason = error.strerror or str(error) or type(error).__name__
            connection.drop(f"no connection to {self.address.host}:{self.address.port}: {reason}")
        self._ended(connection)

    def _ended(self, connection: Connection) -> None:
        if connection.taken_over:
            msg = (
                f"another client came to the broker as {self.address.client_id!r}; "
                "two ingesters need two names: give one of them another --writer"
            )
            raise TakenOverError(msg)
        if connection.choked:
            self._watch_drops = False
        wrong = connection.wrong_version or (connection.unanswered and self._failures > 0)
        if wrong and self.address.level != V311:
            log.warning("the broker does not speak MQTT 5; going on with MQTT 3.1.1")
            self.address = replace(self.address, level=V311)
            self._failures = 0
        if not self._stopping and self._held is None:
            self._change("disconnected", connection.problem)

    def _serve(self, connection: Connection, selector: selectors.BaseSelector) -> None:
        """Receive, store, acknowledge, until the connection ends or the order to stop comes."""
        link = connection.link
        selector.register(link, selectors.EVENT_READ)
        deadline, stage = time.monotonic() + ANSWER_S, connection.stage
        while not self._stopping and connection.stage is not Stage.CLOSED:
            self._wait(connection, selector, link)
            if self._held is None:
                self._store(link.fill(), link)
            else:
                self._try_held()
            connection.attend()
            if connection.stage is not stage:
                stage, deadline = connection.stage, time.monotonic() + ANSWER_S
                self._progress(connection)
            elif stage is not Stage.READY and time.monotonic() > deadline:
                connection.drop(f"the broker is silent, {stage.value}")
            self.on_change(self.tally)
        if self._stopping:
            self._say_good_bye(connection)

    def _wait(self, connection: Connection, selector: selectors.BaseSelector, link: Link) -> None:
        """Wait until there is something to read, room to send, or half a second is over."""
        wanted = 0 if self._held else selectors.EVENT_READ
        if connection.wants_to_send:
            wanted |= selectors.EVENT_WRITE
        if not wanted:
            time.sleep(WAIT_S)
            return
        selector.modify(link, wanted)
        selector.select(0 if link.pending() else WAIT_S)

    def _progress(self, connection: Connection) -> None:
        """Do what a new stage of the connection asks for."""
        if connection.stage is Stage.SUBSCRIBING:
            self._note_gap(connection)
        elif connection.stage is Stage.READY:
            failpoints.reach("receiver.subscribe")
            folder, address = self.journal.folder, self.address
            connection.forget(session.stale_filters(session.remembered(folder), address.filters))
            broker = f"{address.host}:{address.port}"
            session.remember(folder, session.Known(address.client_id, broker, list(address.filters)))
            connection.tell({"state": "receiving"})
            self._change("receiving", "")

    def _note_gap(self, connection: Connection) -> None:
        """Where the broker has lost the session that it should have kept, write that down."""
        known = session.remembered(self.journal.folder)
        if connection.session_present or known is None or known.client_id != self.address.client_id:
            return
        self.tally.gaps += 1
        frames = session.last_frames(self.journal.folder, 1)
        event = session.gap_event(frames[-1].received_us if frames else None)
        log.warning("%s", event["detail"])
        try:
            self.journal.append_frame(Kind.EVENT, json.dumps(event).encode(), 1)
        except DiskFullError as error:
            log.warning("%s", error)

    def _store(self, received: Received, link: Link) -> None:
        """Make a batch durable, then acknowledge it; where the disk is full, hold it."""
        if not received.parts and not received.acks:
            return
        try:
            while received.parts:
                part = received.parts[0]
                self.journal.append_frame(part.kind, part.body, part.messages)
                del received.parts[0]
        except DiskFullError as error:
            self._held = _Held(received, link, time.monotonic() + FULL_RETRY_S)
            self._change("disk full", str(error))
            return
        failpoints.reach("receiver.ack")
        link.acknowledge(received.acks)
        failpoints.reach("receiver.acked")
        now = time.time_ns() // 1000
        tally = self.tally
        tally.messages += received.messages
        tally.again += received.again
        tally.too_large += received.too_large
        tally.acknowledged += len(received.acks) // PUBACK_BYTES
        tally.last_message_us = tally.last_ack_us = now

    def _try_held(self) -> None:
        """Try again what the full disk did not take."""
        held = self._held
        if held is None or time.monotonic() < held.next_try:
            return
        self._held = None
        self._store(held.received, held.link)
        if self._held is None:
            self._change("receiving" if held.link.is_open else "disconnected", "")

    def _say_good_bye(self, connection: Connection) -> None:
        """Leave the broker with the state it should show, and close the connection in order."""
        if connection.stage is not Stage.READY:
            connection.drop("stopped")
            return
        connection.tell({"state": "stopped"})
        connection.close()
        connection.attend()
