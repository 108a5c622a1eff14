"""The flags of an archive's days: where the files meet the tests of `analysis.quality`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.quality.daily import EDGE, DayFlags, Status, day_flags
from ingest.closing import closed_days
from ingest.store import read_readings

if TYPE_CHECKING:
    from collections.abc import Iterator
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
    days = pd.date_range(
        start.tz_convert("UTC").floor("D"), end.tz_convert("UTC"), freq="D", inclusive="left"
    )
    closed = closed_days(archive, installation, [f"{day:%Y-%m-%d}" for day in days])
    for day in days:
        readings = read_readings(archive, installation, start=day - EDGE, end=day + DAY + EDGE)
        status: Status = "final" if f"{day:%Y-%m-%d}" in closed else "provisional"
        flags = day_flags(installation, readings, day, status)
        if len(flags.readings):
            yield flags
