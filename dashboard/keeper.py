"""Keeps the summaries of an archive up to date, and makes every window from the least that it needs.

Closed days come from files (`dashboard.rollup_files`), the open day from memory, the last seconds from
the readings. What is not summed up yet is left blank and said so; it is never read at large.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashboard.readings import readings_of
from dashboard.rollup_files import RollupFiles
from dashboard.rollup_periods import period_of
from dashboard.rollups import FINEST, TIERS, between, joined, rolled, tier_for
from dashboard.windows import SECOND, Readings, Window, step_for, window
from ingest.days import days_of, mark_of
from ingest.memory import give_back, is_small

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    import pandas as pd

    from dashboard.feed import Feed

log = logging.getLogger(__name__)

DAY = 86400 * SECOND
"""[us]"""

AT_ONCE = 4
"""Sensors whose readings of a day are in memory at once: about 100 MB at a reading a second (measured)."""

READERS = 2
"""Most windows that read single readings at the same time, so that many viewers need no more memory. [-]"""

RAW_DAYS = 2
"""Most days that a window may read as readings where summaries are missing. [d]"""


@dataclass(frozen=True, slots=True)
class _Open:
    """The open day in memory: summaries by the minute, complete up to a moment. [us]"""

    day: int
    until: int
    rows: Mapping[str, Readings] = field(default_factory=dict)


class Keeper:
    """The summaries of one archive.

    Parameters
    ----------
    archive : Path
        Its folder.
    feed : Feed
        Reads it.
    clock : callable
        Gives the present. [UTC]
    """

    def __init__(self, archive: Path, feed: Feed, clock: Callable[[], pd.Timestamp]) -> None:
        self.feed = feed
        self.clock = clock
        self.archive = archive
        self._at_once = 1 if is_small() else AT_ONCE
        self.files = RollupFiles(archive / "rollups" / f"site={feed.installation.site}")
        self._known = self.files.known_days()
        self._open = _Open(-1, 0)
        self._pending: frozenset[int] = frozenset()
        self._few = threading.BoundedSemaphore(READERS)

    def keep(self) -> None:
        """Sum up what has changed: the open day in memory, each month with changed days in its files."""
        today = int(self.clock().timestamp()) // 86400
        found = {day: self._mark(day) for day in days_of(self.archive, self.feed.installation.site)}
        found |= {day: "" for day in self._known if day not in found}
        stale = [day for day, mark in found.items() if self._known.get(day) != mark and _number(day) != today]
        self._pending = frozenset(_number(day) for day in stale)
        self._sum_up_today(today)
        for month in sorted({day[:7] for day in stale}, reverse=True):
            days = [day for day in stale if day[:7] == month]
            self._sum_up(days)
            self._known |= {day: found[day] for day in days}
            self._known = {day: mark for day, mark in self._known.items() if mark}
            self.files.note_days(self._known)
            self._pending -= {_number(day) for day in days}
            self._sum_up_today(today)
        give_back()

    @property
    def pending(self) -> frozenset[int]:
        """Days whose summaries are missing or old. [days since 1970]"""
        return self._pending

    def _mark(self, day: str) -> str:
        """Return a mark of a day's files that changes whenever their rows do."""
        return mark_of(self.archive, f"readings/site={self.feed.installation.site}/date={day}")

    def _sum_up_today(self, today: int) -> None:
        now = int(self.clock().timestamp() * SECOND)
        rows = self._day(today)
        self._open = _Open(today, now // FINEST * FINEST, rows)

    def _day(self, day: int) -> dict[str, Readings]:
        """Return one day's summaries by the minute."""
        names = list(self.feed.installation.sensor)
        made: dict[str, Readings] = {}
        for first in range(0, len(names), self._at_once):
            found = readings_of(self.feed, names[first : first + self._at_once], day * DAY, (day + 1) * DAY)
            made |= {sensor: rolled(data, FINEST) for sensor, data in found.items() if len(data.time)}
        return made

    def _sum_up(self, days: Sequence[str]) -> None:
        """Write the summaries of some days of one month."""
        rows = {_number(day): self._day(_number(day)) for day in days}
        period_start = min(rows) * DAY
        for tier in TIERS:
            coarse = {
                day: {sensor: rolled(data, tier) for sensor, data in found.items()}
                for day, found in rows.items()
            }
            self.files.replace(tier, period_of(period_start, tier), coarse)

    def windows(self, sensors: Sequence[str], start: int, end: int, width: int) -> dict[str, Window]:
        """Return the windows of some sensors, from summaries where they serve.

        Parameters
        ----------
        sensors : sequence of str
            Their names.
        start, end : int
            The window. [us]
        width : int
            Most buckets. [-]

        Returns
        -------
        dict of str to Window
            Each sensor's window.
        """
        step = step_for(start, end, width)
        first, last = start // step * step, -(-end // step) * step
        tier = tier_for(step)
        found = self._raw(sensors, first, last) if tier is None else self._summed(sensors, tier, first, last)
        return {name: window(found[name], start=start, end=end, step=step) for name in sensors}

    def _raw(self, sensors: Sequence[str], start: int, end: int) -> dict[str, Readings]:
        with self._few:
            return readings_of(self.feed, sensors, start, end)

    def _summed(self, sensors: Sequence[str], tier: int, start: int, end: int) -> dict[str, Readings]:
        """Put a window together from files, from the open day, and from the last readings."""
        today = self._open
        open_start, open_end = today.day * DAY, (today.day + 1) * DAY
        pending = sorted(day for day in self._pending if start < (day + 1) * DAY and day * DAY < end)
        filed = self.files.read(sensors, tier, start, end)
        latest = max(start, today.until), min(end, open_end)
        raw = [self._raw(sensors, day * DAY, (day + 1) * DAY) for day in pending[-RAW_DAYS:]]
        raw += [self._raw(sensors, *latest)] if latest[0] < latest[1] else []
        made = {}
        for name in sensors:
            parts = [_without(filed[name], [*pending, today.day])]
            parts += (
                [between(today.rows[name], max(start, open_start), today.until)] if name in today.rows else []
            )
            parts += [found[name] for found in raw]
            made[name] = _in_time(joined(parts))
        return made


def _number(day: str) -> int:
    """Return a date as days since 1970."""
    return int(np.datetime64(day, "D").astype(np.int64))


def _without(data: Readings, days: Sequence[int]) -> Readings:
    return data.part(~np.isin(data.time // DAY, np.array(days)))


def _in_time(data: Readings) -> Readings:
    if bool((np.diff(data.time) >= 0).all()):
        return data
    return data.part(np.argsort(data.time, kind="stable"))
