"""The flags of an archive's days: where the files meet the tests of `analysis.quality`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.quality.daily import EDGE, DayFlags, counts, day_flags
from analysis.quality.outcomes import Count, Status
from ingest.closing import closed_days
from ingest.store import read_readings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from ingest.installation import Installation

DAY = pd.Timedelta(days=1)


def flagged_days(
    archive: Path, installation: Installation, start: pd.Timestamp, end: pd.Timestamp
) -> Iterator[DayFlags]:
    """Yield the flags of every day of a period that has readings, one day in memory at a time.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        The system.
    start, end : pandas.Timestamp
        The period, end excluded [UTC]; days that it only touches come whole.

    Yields
    ------
    DayFlags
        By day; final where the day is closed (`ingest.closing`), so that the same archive gives the same flags,
        whichever period is asked for.
    """
    days = _days(start, end)
    closed = closed_days(archive, installation, [_name(day) for day in days])
    for day in days:
        flags = _flagged(archive, installation, day, "final" if _name(day) in closed else "provisional")
        if len(flags.readings):
            yield flags


def _name(day: pd.Timestamp) -> str:
    """Return a day as it stands in paths."""
    return f"{day:%Y-%m-%d}"


def _flagged(archive: Path, installation: Installation, day: pd.Timestamp, status: Status) -> DayFlags:
    """Return the flags of one day."""
    readings = read_readings(archive, installation, start=day - EDGE, end=day + DAY + EDGE)
    return day_flags(installation, readings, day, status)


class FlagCounts:
    """How many readings of a day have which outcome, asked again and again; days that are closed are counted once.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        The system.
    """

    def __init__(self, archive: Path, installation: Installation) -> None:
        self._archive = archive
        self._installation = installation
        self._final: dict[str, tuple[datetime, tuple[Count, ...]]] = {}

    def of(self, start: pd.Timestamp, end: pd.Timestamp) -> tuple[Count, ...]:
        """Return the counts of every day of a period; days that it only touches count whole."""
        days = {_name(day): day for day in _days(start, end)}
        closed = closed_days(self._archive, self._installation, days)
        kept = {name: one for name, one in self._final.items() if closed.get(name) == one[0]}
        found: list[Count] = []
        for name, day in days.items():
            if name not in kept:
                status: Status = "final" if name in closed else "provisional"
                told = counts(_flagged(self._archive, self._installation, day, status))
                if name in closed:
                    kept[name] = closed[name], told
            else:
                told = kept[name][1]
            found += told
        self._final = kept
        return tuple(found)


def _days(start: pd.Timestamp, end: pd.Timestamp) -> pd.DatetimeIndex:
    """Return the days (UTC) that a period touches."""
    return pd.date_range(
        start.tz_convert("UTC").floor("D"), end.tz_convert("UTC"), freq="D", inclusive="left"
    )
