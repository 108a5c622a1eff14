"""Two threads that keep the snapshot new, so that no page waits for the archive or for the analysis."""

from __future__ import annotations

import logging
import threading
import time
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.cases import Book, cases, with_services
from dashboard.lately import RUN_DAYS, SEASON_DAYS, of_late
from dashboard.readings import raw_windows
from dashboard.snapshot import Snapshot, sensor_states
from dashboard.windows import SECOND
from ingest.memory import give_back, is_small

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.results import Finding, Results
    from dashboard.feed import Feed
    from dashboard.keeper import Keeper
    from dashboard.records import Records
    from dashboard.windows import Window

DAY = 86400 * SECOND
"""[us]"""

log = logging.getLogger(__name__)

REST = 4.0
"""Each thread rests at least so many times as long as it worked, so that pages stay quick. [-]"""


FLAGS_EVERY = pd.Timedelta(minutes=1)
"""Flags are counted this often at most: a day of 24 sensors costs a second or two (measured)."""


def share_of(drawn: Window, interval_s: float) -> float:
    """Return the share of the readings that a day of buckets should have, at most 1. [-]"""
    return min(1.0, float(drawn.count.sum()) * interval_s / 86400.0)


def utc_now() -> pd.Timestamp:
    """Return the present. [UTC]"""
    return pd.Timestamp.now("UTC")


@dataclass(frozen=True, slots=True)
class Pace:
    """How often the watch looks, and how far back the analysis goes.

    Attributes
    ----------
    look_s, analyse_s, keep_s : float
        Between two looks at the newest readings, two analyses, two rounds of summing up. [s]
    days : float
        How long runs and what was found are shown, up to the present. [d]
    season : float
        How far losses, forecasts, services and faults that grow look back, at most. [d]
    ahead : bool
        Whether the last days are shown before a season is worked out that nobody has looked at yet.
    """

    look_s: float = 0.5
    analyse_s: float = 15.0
    keep_s: float = 10.0
    days: float = RUN_DAYS
    season: float = SEASON_DAYS
    ahead: bool = False


class Watch:
    """Keeps what is known of one installation.

    Parameters
    ----------
    feed : Feed
        Where readings and results come from.
    pace : Pace
        How often.
    clock : callable
        Gives the present. [UTC]
    keeper : Keeper, optional
        Keeps summaries, so that long ranges cost little.
    records : Records, optional
        What people write down.
    also : callable, optional
        Is given the present and returns findings that are none of the analysis's, such as a stopped ingester.
    """

    def __init__(
        self,
        feed: Feed,
        pace: Pace | None = None,
        clock: Callable[[], pd.Timestamp] = utc_now,
        keeper: Keeper | None = None,
        records: Records | None = None,
        also: Callable[[pd.Timestamp], Sequence[Finding]] | None = None,
    ) -> None:
        self.also = also
        self.feed = feed
        self.pace = pace or Pace()
        self.clock = clock
        self.keeper = keeper
        self.records = records
        self._snapshot = Snapshot(clock())
        self._flagged: pd.Timestamp | None = None
        self._lock = threading.Lock()
        self._end = threading.Event()
        self._in_turn: AbstractContextManager[object] = threading.Lock() if is_small() else nullcontext()
        works = [(self.look, self.pace.look_s), (self.analyse, self.pace.analyse_s)]
        works += [(keeper.keep, self.pace.keep_s)] if keeper else []
        self._threads = [
            threading.Thread(target=self._repeat, args=(work, pause), name=work.__name__, daemon=True)
            for work, pause in works
        ]

    @property
    def snapshot(self) -> Snapshot:
        """What is known now."""
        return self._snapshot

    def windows(self, sensors: Sequence[str], start: int, end: int, width: int) -> dict[str, Window]:
        """Return the windows of some sensors; as `dashboard.keeper.Keeper.windows`."""
        if self.keeper is None:
            return raw_windows(self.feed, sensors, start, end, width)
        return self.keeper.windows(sensors, start, end, width)

    @property
    def pending(self) -> frozenset[int]:
        """Days that are not summed up yet. [days since 1970]"""
        return frozenset() if self.keeper is None else self.keeper.pending

    def start(self) -> None:
        """Begin to watch."""
        for thread in self._threads:
            thread.start()

    def begin_to_stop(self) -> None:
        """Let nothing new begin, and what fails from now on fail in silence."""
        self._end.set()

    def stop(self, timeout: float = 5.0) -> None:
        """End the threads; an analysis that is under way is not waited for beyond `timeout`. [s]"""
        self._end.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout)

    def look(self) -> None:
        """Take in the newest readings."""
        now = self.clock()
        sensors = sensor_states(self.feed.installation, self.feed.latest(), now)
        with self._lock:
            old = self._snapshot
            changed = sensors != old.sensors
            self._snapshot = replace(old, looked=now, sensors=sensors, live=old.live + changed)

    def analyse(self) -> None:
        """Take in the results of the period up to the present."""
        now = self.clock()
        services = () if self.records is None else self.records.services()
        days, season = self.pace.days, self.pace.season
        if self.pace.ahead and self._snapshot.results is None:
            self._take(of_late(self.feed, services, now, days=days, season=days), now, whole=False)
        self._take(of_late(self.feed, services, now, days=days, season=season), now, whole=True)
        self._take_flags(now)

    def _take(self, results: Results, now: pd.Timestamp, *, whole: bool) -> None:
        """Take in results: of the whole season, or of the last days for the time being."""
        if self.also is not None:
            results = replace(results, findings=(*results.findings, *self.also(now)))
        if self.records is not None and whole:
            self.records.cases.take_in(results.findings, now)
        with self._lock:
            self._snapshot = replace(
                self._snapshot,
                results=results,
                whole=whole,
                computed=self.clock(),
                completeness=self._completeness(now),
            )
        self.refresh()
        give_back()

    def _take_flags(self, now: pd.Timestamp) -> None:
        """Take in how many readings of today and of the day before (UTC) are flagged, and why."""
        if self._flagged is not None and now - self._flagged < FLAGS_EVERY:
            return
        counted = self.feed.flags(now - pd.Timedelta(days=1), now)
        self._flagged = now
        with self._lock:
            old = self._snapshot
            if counted != old.flags:
                self._snapshot = replace(old, flags=counted, version=old.version + 1)

    def refresh(self) -> None:
        """Take in what people wrote down."""
        with self._lock:
            old = self._snapshot
            book = Book() if self.records is None else self.records.cases.book()
            services = () if self.records is None else self.records.services()
            entries = () if self.records is None else tuple(self.records.entries())
            known = cases(old.results.findings if old.results else (), with_services(book, services))
            self._snapshot = replace(
                old, cases=tuple(known), services=services, entries=entries, version=old.version + 1
            )

    def _completeness(self, now: pd.Timestamp) -> dict[str, float]:
        """Return each sensor's share of the readings that the last day should have."""
        end = int(now.timestamp() * SECOND)
        described = self.feed.installation.sensor
        names = [name for name, sensor in described.items() if sensor.interval]
        drawn = self.windows(names, end - DAY, end, 24)
        return {name: share_of(drawn[name], described[name].interval or 1.0) for name in names}

    def _repeat(self, work: Callable[[], None], pause: float) -> None:
        """Repeat `work` until the end; what it cannot do is kept as a problem and tried again."""
        while not self._end.is_set():
            began = time.monotonic()
            try:
                with nullcontext() if work == self.look else self._in_turn:
                    work()
            except Exception as error:
                if self._end.is_set():
                    return
                log.exception("the dashboard could not %s", work.__name__)
                self._note(work.__name__, str(error) or type(error).__name__)
            else:
                self._note(work.__name__, None)
            self._end.wait(max(pause, REST * (time.monotonic() - began)))

    def _note(self, work: str, problem: str | None) -> None:
        """Keep or clear the problem of one thread."""
        with self._lock:
            old = self._snapshot
            if old.problems.get(work) == problem:
                return
            kept = (
                {**old.problems, work: problem}
                if problem
                else {k: v for k, v in old.problems.items() if k != work}
            )
            self._snapshot = replace(old, problems=kept, version=old.version + 1)
