"""Runs the notices: looks at the findings, decides, and hands what is due to one thread for each way."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from dashboard.cases import Case, cases, mark_of, with_services
from dashboard.notices.board import Board, Card
from dashboard.notices.decide import decide, open_cases
from dashboard.notices.digest import Matter
from dashboard.notices.log import rank
from dashboard.notices.messages import messages, ways
from dashboard.notices.own import INGEST, analysis_finding
from dashboard.notices.state import Status
from dashboard.notices.words import case_data
from ingest.service import tell_manager

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dashboard.notices.deliveries import Answer, Delivery
    from dashboard.notices.outbox import Outbox
    from dashboard.notices.settings import Notices
    from dashboard.notices.words import Place
    from dashboard.records import Records
    from dashboard.watch import Watch
    from ingest.status import StatusFile

log = logging.getLogger(__name__)

LOOK_S = 1.0
"""How often it is decided, and how often a way looks for what is due. [s]"""

STUCK = pd.Timedelta(seconds=60)
"""Age of the last decision after which there is no sign of life any more. No source."""


class Sender(Protocol):
    """One way to deliver a message."""

    def send(self, delivery: Delivery, now: pd.Timestamp) -> Answer:
        """Try once."""


class Poster(Protocol):
    """Where signs of life are posted."""

    def post(self, message: str, content: dict[str, Any], now: pd.Timestamp) -> Answer:
        """Post one JSON object."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What the notices are made of.

    Attributes
    ----------
    settings : Notices
        What the file says.
    place : Place
        The installation.
    watch : Watch
        Keeps the findings fresh.
    records : Records
        What people write down.
    outbox : Outbox
        What was decided and sent.
    senders : mapping of str to Sender
        By channel.
    board : Board or None
        Where open findings are shown.
    beat : Poster or None
        Where signs of life are posted.
    status : StatusFile
        Where the pages read how it goes.
    """

    settings: Notices
    place: Place
    watch: Watch
    records: Records
    outbox: Outbox
    senders: Mapping[str, Sender]
    board: Board | None
    beat: Poster | None
    status: StatusFile


class Runner:
    """The notices of one installation, until they are told to end.

    Parameters
    ----------
    parts : Parts
        What it is made of.
    clock : callable
        Gives the present. [UTC]
    """

    def __init__(self, parts: Parts, clock: Callable[[], pd.Timestamp]) -> None:
        self._parts = parts
        self._clock = clock
        self._end = threading.Event()
        self._began = self._decided = clock()
        self._problems: tuple[str, ...] = ()
        self._counts: dict[str, int] = {}
        self._beaten: pd.Timestamp | None = None
        self._news = {channel: threading.Event() for channel in parts.senders}

    def stop(self) -> None:
        """End soon; a message under way is not cut off."""
        self._end.set()
        for news in self._news.values():
            news.set()

    def run(self) -> None:
        """Run until `stop`."""
        parts = self._parts
        self.let_go()
        threads = [
            threading.Thread(target=self._deliver, args=(channel,), name=channel, daemon=True)
            for channel in parts.senders
        ]
        if parts.settings.heartbeat is not None:
            threads.append(threading.Thread(target=self._beat, name="heartbeat", daemon=True))
        if parts.board is not None:
            parts.board.start()
        parts.watch.start()
        for thread in threads:
            thread.start()
        while not self._end.is_set():
            self._step()
            self._end.wait(LOOK_S)
        tell_manager("STOPPING=1")
        parts.watch.stop()
        for thread in threads:
            thread.join()
        if parts.board is not None:
            parts.board.stop()
        self._tell("ended")

    def _step(self) -> None:
        """Decide once; a fault is written to the log and tried again, and keeps the signs of life from coming."""
        try:
            self.look(self._clock())
        except Exception:
            log.exception("the notices could not decide")
            return
        self._decided = self._clock()
        self._tell("watching")
        tell_manager("READY=1\nWATCHDOG=1")

    def look(self, now: pd.Timestamp) -> None:
        """Decide, write down, and show what is open."""
        parts = self._parts
        known = {case.mark: case for case in self._cases(now)}
        decision = decide(known.values(), parts.outbox.log, parts.settings, parts.place.installation.tz, now)
        deliveries = parts.outbox.deliveries()
        self._problems = self._wrong(known.values())
        waiting = sum(not d.settled for d in deliveries)
        matter = Matter(known, parts.outbox.log, parts.watch.snapshot.results, self._problems, waiting)
        # Notices before moves: without its moves a finding is followed anew, without its notice it would be lost.
        for notice in decision.notices:
            recipient = parts.settings.recipient[notice.recipient]
            parts.outbox.queue(notice, messages(notice, recipient, matter, deliveries, parts.place))
            for channel, _ in ways(recipient):
                self._news[channel].set()
        parts.outbox.move(decision.moves)
        standing = open_cases(known.values(), parts.outbox.log)
        self._counts = {s: sum(c.finding.severity == s for c in standing) for s in ("stop", "act", "watch")}
        if parts.board is not None:
            parts.board.show(self._cards(standing, now))

    def _cases(self, now: pd.Timestamp) -> list[Case]:
        """Return the findings with what people did; until a first analysis has ended, those known before."""
        snapshot, records = self._parts.watch.snapshot, self._parts.records
        book = with_services(records.cases.book(), records.services())
        if snapshot.results is None:
            tracks = self._parts.outbox.log.tracks
            known = [
                Case(mark, seen.finding, current=True, remarks=tuple(book.remarks.get(mark, ())))
                for mark, seen in book.seen.items()
                if mark in tracks and not tracks[mark].over
            ]
        else:
            known = cases(snapshot.results.findings, book)
        stopped = analysis_finding(snapshot, self._began, now)
        return known if stopped is None else [*known, Case(mark_of(stopped), stopped, current=True)]

    def _wrong(self, known: Any) -> tuple[str, ...]:
        """Return what keeps the installation from being watched, one sentence each."""
        own = [c.finding for c in known if c.current and c.finding.kind in (INGEST, "analysis stopped")]
        box = self._parts.outbox.problem
        return (*(f"{f.kind}: {f.evidence}" for f in own), *([box] if box else []))

    def _cards(self, standing: list[Case], now: pd.Timestamp) -> dict[str, Card]:
        """Return what the broker shall show."""
        mqtt, tracks = self._parts.settings.mqtt, self._parts.outbox.log.tracks
        cards = {}
        for case in standing:
            track = tracks[case.mark]
            stood = now - track.since >= pd.Timedelta(seconds=mqtt.stands if mqtt else 0.0)
            if (
                mqtt is None
                or rank(track.level) < rank(mqtt.severity)
                or not (stood or track.level == "stop")
            ):
                continue
            state = "open" if case.state == "past" else case.state
            content = {"installation": self._parts.place.installation.name, **case_data(case), "state": state}
            content |= {"severity": track.level, "since": track.since.isoformat()}
            cards[case.mark] = Card(f"{case.mark}/{track.episode}/{track.level}/{state}", content)
        return cards

    def let_go(self) -> None:
        """Give up messages whose way or recipient the file does not have any more."""
        for delivery in self._parts.outbox.deliveries():
            message = delivery.message
            known = message.recipient in self._parts.settings.recipient
            if not delivery.settled and not (known and message.channel in self._parts.senders):
                self._parts.outbox.abandon(
                    message, "the file has this way or recipient no more", self._clock()
                )

    def _deliver(self, channel: str) -> None:
        """Deliver by one way what is due, until the end."""
        news = self._news[channel]
        while not self._end.is_set():
            news.clear()
            try:
                self._deliver_due(channel)
            except Exception:
                log.exception("%s: a message could not be tried", channel)
            news.wait(LOOK_S)

    def _deliver_due(self, channel: str) -> None:
        outbox, sender = self._parts.outbox, self._parts.senders[channel]
        for delivery in outbox.due(channel, self._clock()):
            if self._end.is_set():
                return
            outbox.attempt(delivery.message, self._clock())
            answer = sender.send(delivery, self._clock())
            outbox.ended(delivery.message, answer, self._clock())
            level = logging.INFO if answer.arrived else logging.WARNING
            verb = "delivered" if answer.arrived else "not delivered"
            log.log(level, "%s to %s %s: %s", channel, delivery.message.recipient, verb, answer.said)

    def _beat(self) -> None:
        """Give signs of life, as long as it is decided."""
        beat = self._parts.settings.heartbeat
        while beat is not None and not self._end.is_set():
            now = self._clock()
            if now - self._decided < STUCK:
                try:
                    self._beat_once(beat.every, now)
                except Exception:
                    log.exception("the sign of life could not be given")
            self._end.wait(beat.every)

    def _beat_once(self, every: float, now: pd.Timestamp) -> None:
        content = {
            "installation": self._parts.place.installation.name,
            "time": now.isoformat(),
            "every_s": every,
            "well": not self._problems,
            "problems": list(self._problems),
            "open": self._counts,
        }
        if self._parts.board is not None:
            self._parts.board.beat(content)
        if self._parts.beat is not None:
            message = {"type": "tricklebook.heartbeat", "timestamp": now.isoformat(), "data": content}
            answer = self._parts.beat.post(f"beat.{now.value}", message, now)
            if not answer.arrived:
                log.warning("the sign of life did not get through: %s", answer.said)
                return
        self._beaten = now

    def _tell(self, state: str) -> None:
        board = self._parts.board
        self._parts.status.write(
            Status(
                state,
                "; ".join(self._problems),
                None if self._beaten is None else self._beaten.isoformat(),
                None if board is None else board.connected,
                "" if board is None else board.problem,
            )
        )
