"""The receiver: broker to journal, and an acknowledgement only for what is on stable storage.

One thread, one loop. It knows nothing of payloads, so no payload can stop it.
"""

from __future__ import annotations

import logging
import random
import selectors
import ssl
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ingest import failpoints, session
from ingest.address import tls_context
from ingest.connection import RECEIVE_MAXIMUM, Connection, Stage
from ingest.errors import UserError
from ingest.packets import V5, V311

if TYPE_CHECKING:
    from ingest.address import Address
    from ingest.intake import Intake
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

RIVAL_AFTER = 3
"""Connections in a row that end soon after they began, after which another client of our name is likely."""

_MOST_DOUBLINGS = 16


class TakenOverError(UserError):
    """Raised when another client came with the same identifier: two that fight would lose messages."""


@dataclass(slots=True)
class Receiver:
    """Receives until it is told to stop.

    Parameters
    ----------
    address : Address
        The broker.
    intake : Intake
        Where messages go.
    """

    address: Address
    intake: Intake
    _stopping: bool = False
    _failures: int = 0
    _watch_drops: bool = True
    _began: float = 0.0
    _short_lived: int = 0

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
            self._began = time.monotonic()
            self._attempt(context)
            if time.monotonic() - self._began > STEADY_S:
                self._failures = 0
            if not self._stopping:
                self._back_off()
        self.intake.change("stopped")

    def _back_off(self) -> None:
        """Wait before the next attempt, longer each time, and not in step with other clients."""
        wait = back_off_s(self._failures)
        self._failures += 1
        until = time.monotonic() + wait
        while not self._stopping and (time.monotonic() < until or self.intake.is_holding):
            time.sleep(min(WAIT_S, max(until - time.monotonic(), 0.01)))
            self.intake.try_held()
            self.intake.on_change(self.intake.tally)

    def _attempt(self, context: ssl.SSLContext | None) -> None:
        """Be connected as long as it lasts."""
        redelivery = session.Redelivery(self.intake.journal.folder, RECEIVE_MAXIMUM)
        connection = Connection(
            self.address, redelivery.is_stored, context=context, watch_drops=self._watch_drops
        )
        try:
            connection.open()
            self.intake.tally.connections += 1
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
        self._choose_level(connection)
        if not self._stopping and not self.intake.is_holding:
            self.intake.change("disconnected", connection.problem + self._rival(connection))

    def _choose_level(self, connection: Connection) -> None:
        """Where the broker does not speak this version, or gives no answer again and again, try the other."""
        if connection.wrong_version or (connection.unanswered and self._failures > 0):
            level = V5 if self.address.level == V311 else V311
            log.warning("the broker gives no answer to this MQTT version; trying the other")
            self.address = replace(self.address, level=level)

    def _rival(self, connection: Connection) -> str:
        """Return what to add to the problem where somebody else may be using our name.

        Brokers end the older of two connections of one name, and not all say why. The growing waits between
        the attempts keep two such clients from fighting.
        """
        if not connection.was_ready or time.monotonic() - self._began > STEADY_S:
            self._short_lived = 0
            return ""
        self._short_lived += 1
        if self._short_lived < RIVAL_AFTER:
            return ""
        return (
            f", {self._short_lived} times in a row soon after it began; "
            f"is another client using the name {self.address.client_id!r}?"
        )

    def _serve(self, connection: Connection, selector: selectors.BaseSelector) -> None:
        """Receive, store, acknowledge, until the connection ends or the order to stop comes."""
        link, intake = connection.link, self.intake
        selector.register(link, selectors.EVENT_READ)
        deadline, stage = time.monotonic() + ANSWER_S, connection.stage
        while not self._stopping and connection.stage is not Stage.CLOSED:
            self._wait(connection, selector, link)
            if intake.is_holding:
                intake.try_held()
            else:
                intake.store(link.fill(), link)
            connection.attend()
            if connection.stage is not stage:
                stage, deadline = connection.stage, time.monotonic() + ANSWER_S
                self._progress(connection)
            elif stage is not Stage.READY and time.monotonic() > deadline:
                connection.drop(f"the broker is silent, {stage.value}")
            intake.on_change(intake.tally)
        if self._stopping:
            _say_good_bye(connection)

    def _wait(self, connection: Connection, selector: selectors.BaseSelector, link: Link) -> None:
        """Wait until there is something to read, room to send, or half a second is over."""
        wanted = 0 if self.intake.is_holding else selectors.EVENT_READ
        if connection.wants_to_send:
            wanted |= selectors.EVENT_WRITE
        if not wanted:
            time.sleep(WAIT_S)
            return
        selector.modify(link, wanted)
        selector.select(0 if link.pending() else WAIT_S)

    def _progress(self, connection: Connection) -> None:
        """Do what a new stage of the connection asks for."""
        folder, address = self.intake.journal.folder, self.address
        known = session.remembered(folder)
        if connection.stage is Stage.SUBSCRIBING:
            if not connection.session_present and known and known.client_id == address.client_id:
                frames = session.last_frames(folder, 1)
                self.intake.tally.gaps += 1
                self.intake.note(session.gap_event(frames[-1].received_us if frames else None))
        elif connection.stage is Stage.READY:
            failpoints.reach("receiver.subscribe")
            connection.forget(session.stale_filters(known, address.filters))
            broker = f"{address.host}:{address.port}"
            session.remember(
                folder, session.Known(address.client_id, broker, list(address.filters), bool(address.group))
            )
            connection.tell({"state": "receiving"})
            self.intake.change("receiving")


def back_off_s(failures: int) -> float:
    """Return how long to wait before the next attempt. [s]

    Parameters
    ----------
    failures : int
        Attempts that failed before.
    """
    longest: float = min(FIRST_BACKOFF_S * 2 ** min(failures, _MOST_DOUBLINGS), LAST_BACKOFF_S)
    return longest * random.uniform(0.5, 1.0)  # noqa: S311 - no secret


def _say_good_bye(connection: Connection) -> None:
    """Leave the broker with the state it should show, and close the connection in order."""
    if connection.stage is not Stage.READY:
        connection.drop("stopped")
        return
    connection.tell({"state": "stopped"})
    connection.close()
    connection.attend()
