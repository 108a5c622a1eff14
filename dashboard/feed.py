"""The one door to the archive and to the analysis; everything else in this folder takes values."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import pandas as pd

from ingest import store
from ingest.series import read_series

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.flagged import FlagCounts
    from analysis.quality.outcomes import Count
    from analysis.results import Results
    from dashboard.analyst import Analyst
    from ingest.installation import Installation
    from ingest.series import Series


class Feed(Protocol):
    """What the dashboard asks of the world."""

    @property
    def installation(self) -> Installation:
        """The system that the readings belong to."""

    def read(self, sensors: Sequence[str], start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
        """Return readings: columns time, sensor, value, quality, received; sorted by sensor, time."""

    def series(self, sensors: Sequence[str], start: int, end: int) -> dict[str, Series]:
        """Return the same readings as arrays, of the sensors that have any in a stretch. [us]"""

    def latest(self) -> pd.DataFrame:
        """Return the newest reading of each sensor, in the columns of `read`."""

    def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
        """Return what the analysis says of a period."""

    def flags(self, start: pd.Timestamp, end: pd.Timestamp) -> tuple[Count, ...]:
        """Return how many readings of each day that a period touches have which outcome of the quality tests."""


@dataclass(frozen=True, slots=True)
class ArchiveFeed:
    """The archive of one installation.

    Attributes
    ----------
    archive : Path
        Its folder.
    installation : Installation
        The system that it belongs to.
    analyst : Analyst or None
        Analyses in a process of its own; None for analysing here.
    counters : list of FlagCounts
        What counts flags here, once it was needed: it remembers the days that are closed.
    """

    archive: Path
    installation: Installation
    analyst: Analyst | None = None
    counters: list[FlagCounts] = field(default_factory=list, compare=False, repr=False)

    def read(self, sensors: Sequence[str], start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
        """Return readings of some sensors; as `ingest.store.read_readings`."""
        return store.read_readings(
            self.archive, self.installation, sensors=list(sensors), start=start, end=end
        )

    def series(self, sensors: Sequence[str], start: int, end: int) -> dict[str, Series]:
        """Return readings of some sensors as arrays; as `ingest.series.read_series`."""
        return read_series(self.archive, self.installation, sensors, start, end)

    def latest(self) -> pd.DataFrame:
        """Return the newest reading of each sensor; as `ingest.store.latest`."""
        return store.latest(self.archive, self.installation)

    def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
        """Return runs, estimates and findings; as `analysis.archive.analyse_archive`."""
        # before the first reading nobody logged, so no sensor was silent then
        first = store.first_time(self.archive, self.installation)
        since = start if first is None else max(start, min(first, end))
        if self.analyst is not None:
            return self.analyst.analyse(since, end)
        from analysis.archive import analyse_archive  # noqa: PLC0415 - a server with an analyst does not pay for it

        return analyse_archive(self.archive, self.installation, since, end)

    def flags(self, start: pd.Timestamp, end: pd.Timestamp) -> tuple[Count, ...]:
        """Return counts of flags; as `analysis.flagged.FlagCounts.of`."""
        if self.analyst is not None:
            return self.analyst.flags(start, end)
        from analysis.flagged import FlagCounts  # noqa: PLC0415 - as above

        if not self.counters:
            self.counters.append(FlagCounts(self.archive, self.installation))
        return self.counters[0].of(start, end)
