"""The readings day by day, few days in memory at once, with what tells whether a day has changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.incremental.codec import packed, unpacked
from analysis.incremental.digests import HOURS, hourly, of_sensors
from ingest.marks import Marks
from ingest.store import read_readings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from analysis.incremental.digests import Words
    from analysis.incremental.shelf import Shelf
    from ingest.installation import Installation

AT_ONCE = 3
"""Days in memory at once: a stretch sees its own, the end of the one before and the start of the next. [d]"""

DAY, HOUR = pd.Timedelta(days=1), pd.Timedelta(hours=1)

COLUMNS = ["time", "sensor", "value", "quality", "received"]
"""What the analysis looks at."""


class Days:
    """The days of one archive.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.
    shelf : Shelf
        Where digests are kept.
    """

    def __init__(self, archive: Path, installation: Installation, shelf: Shelf) -> None:
        self._archive = archive
        self._installation = installation
        self._shelf = shelf
        self._sensors = pd.Index(sorted(installation.sensor), dtype="str")
        self._frames: dict[str, pd.DataFrame] = {}
        self._marks = Marks(archive, installation)
        self._months: dict[str, dict[str, Any]] = {}
        self._hours: dict[str, Words] = {}
        self._new: set[str] = set()

    def read(self, since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
        """Return the readings from one instant to another, the second excluded; see `ingest.store`."""
        parts = [_part(self._frame(day), since, until) for day in _days(since, until)]
        alike = [p.assign(sensor=p["sensor"].cat.set_categories(self._sensors)) for p in parts]
        return pd.concat(alike, ignore_index=True)

    def digest(self, since: pd.Timestamp, until: pd.Timestamp) -> bytes:
        """Return a digest of the readings from one instant to another, widened to whole hours.

        Two archives with the same readings of this installation's sensors in those hours have the same one.
        """
        first = since.floor("h")
        found = [b""]
        for day in _days(first, until):
            midnight = pd.Timestamp(day, tz="UTC")
            begin = max(0, round((first - midnight) / HOUR))
            end = min(HOURS, -((midnight - until) // HOUR))
            found.append(self._digests(day)[begin:end].tobytes())
        return b"".join(found)

    def keep(self) -> None:
        """Put the digests that are new on the shelf."""
        for month in sorted(self._new):
            self._shelf.put(_name(month), packed(self._months[month]))
        self._new.clear()

    def _frame(self, day: str) -> pd.DataFrame:
        """Return one day's readings."""
        if day not in self._frames:
            start = pd.Timestamp(day, tz="UTC")
            found = read_readings(self._archive, self._installation, start=start, end=start + DAY)
            while len(self._frames) >= AT_ONCE:
                self._frames.pop(next(iter(self._frames)))
            self._frames[day] = found[COLUMNS]
        return self._frames[day]

    def _digests(self, day: str) -> Words:
        """Return the digests of a day's hours, of all sensors of the installation together."""
        mark = self._marks.of(day)
        if mark is None:
            return np.zeros((HOURS, 2), np.uint64)
        if day not in self._hours:
            kept = self._month(day[:7])
            known = _known(kept.get(day), mark)
            if known is None:
                known = hourly(self._frame(day), pd.Timestamp(day, tz="UTC").value // 1000)
                kept[day] = [mark, {name: words.tobytes() for name, words in known.items()}]
                self._new.add(day[:7])
            self._hours[day] = of_sensors(known, self._installation.sensor)
        return self._hours[day]

    def _month(self, month: str) -> dict[str, Any]:
        """Return what is kept of a month's days; the months before are let go."""
        if month not in self._months:
            self.keep()
            self._months.clear()
            content = self._shelf.get(_name(month))
            self._months[month] = _read(content)
        return self._months[month]


def _read(content: bytes | None) -> dict[str, Any]:
    """Return a month's digests; none where the file is not whole."""
    try:
        kept = {} if content is None else unpacked(content)
    except ValueError:
        return {}
    return kept if isinstance(kept, dict) else {}


def _known(kept: Any, mark: str) -> dict[str, Words] | None:
    """Return a day's digests as they were kept under this mark; None where they were not."""
    try:
        then, by_sensor = kept
        if then != mark:
            return None
        return {str(n): np.frombuffer(b, np.uint64).reshape(HOURS, 2) for n, b in by_sensor.items()}
    except (TypeError, ValueError, AttributeError):
        return None


def _name(month: str) -> str:
    return f"readings-{month}"


def _day(instant: pd.Timestamp) -> str:
    return f"{instant.tz_convert('UTC'):%Y-%m-%d}"


def _days(since: pd.Timestamp, until: pd.Timestamp) -> Iterator[str]:
    """Yield every day (UTC) that has a part of a time."""
    midnight = since.tz_convert("UTC").floor("D")
    while midnight < until:
        yield _day(midnight)
        midnight += DAY


def _part(frame: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
    """Return a day's readings from one instant to another."""
    inside = (frame["time"] >= since) & (frame["time"] < until)
    return frame if bool(inside.all()) else frame[inside]
