"""Where the archive and the science meet: the one module of this folder that reads files."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from analysis.backflow.latch import kept, latched, remember
from analysis.incremental.book import Book, Reading
from analysis.ledger import read_services
from analysis.runs.windows import walk
from analysis.season import conclude
from ingest.errors import UserError
from ingest.store import first_time, latest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from analysis.incremental.book import Entry
    from analysis.pipeline import Watcher
    from analysis.results import Results
    from analysis.service import Service
    from ingest.installation import Installation

LOG = logging.getLogger(__name__)

INSTANT = pd.Timedelta(microseconds=1)
"""Times are stored to the microsecond, so this is just after a reading."""


class NothingStoredError(UserError):
    """Raised when the archive holds no reading of the installation; says where it looked."""

    def __init__(self, archive: Path, installation: Installation) -> None:
        self.archive = archive
        super().__init__(
            f"{archive}: there is no reading of {installation.name!r} here (site={installation.site}); "
            "check the folder, and that the ingester or `tricklebook load` has stored something"
        )


def span_of(archive: Path, installation: Installation) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return the period that an archive's readings span.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.

    Returns
    -------
    tuple of pandas.Timestamp
        The first reading, and just after the last one. [UTC]

    Raises
    ------
    NothingStoredError
        If there is no reading.
    """
    newest = latest(archive, installation)
    first = first_time(archive, installation)
    if first is None or newest.empty:
        raise NothingStoredError(archive, installation)
    return first, pd.Timestamp(newest["time"].max()) + INSTANT


def analyse_archive(
    archive: Path,
    installation: Installation,
    start: pd.Timestamp | None = None,
    end: pd.Timestamp | None = None,
    *,
    watch: Watcher | None = None,
) -> Results:
    """Analyse what an archive holds of one period, with every estimate in memory.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        The system.
    start, end : pandas.Timestamp, optional
        The period, end excluded [UTC]; from the first reading and to the last one where left out.
    watch : callable, optional
        Is told the share that is done. [0..1]

    Returns
    -------
    Results
        As `analysis.pipeline.analyse` on the same readings.

    Raises
    ------
    NothingStoredError
        If an end was left out and there is no reading.
    """
    results = review(archive, installation, start, end, watch=watch)
    return replace(results, estimates=tuple(results.estimates))


def review(
    archive: Path,
    installation: Installation,
    start: pd.Timestamp | None = None,
    end: pd.Timestamp | None = None,
    *,
    watch: Watcher | None = None,
) -> Results:
    """Analyse what an archive holds of one period, however long.

    As `analyse_archive`, but the estimates are read anew from a file each time that they are gone through:
    memory is bounded by a day of readings and the hours around it. What was worked out before from the same
    readings, description and program is kept beside the readings and taken from there.
    """
    start, end = period_of(archive, installation, start, end)
    book, reading = Book(archive, installation), Reading()
    services = read_services(archive)
    try:
        parts = reading.through(_entries(book, start, end, watch))
        results = conclude(installation, start, end, parts, reading.estimates, services)
    finally:
        book.close()
    return with_latched(archive, results, services)


def with_latched(archive: Path, results: Results, services: Sequence[Service]) -> Results:
    """Return results with the backflow that nobody has closed yet, and write down what is new of it.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    results : Results
        Of a period of it.
    services : sequence of Service
        What people wrote down that they did.
    """
    earlier = kept(archive)
    try:
        remember(archive, results.findings)
    except OSError as error:
        LOG.warning("%s: open backflow findings cannot be kept beside the readings: %s", archive, error)
    carried = latched(results.findings, earlier, services, start=results.start, end=results.end)
    return replace(results, findings=carried)


def period_of(
    archive: Path, installation: Installation, start: pd.Timestamp | None, end: pd.Timestamp | None
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return a period with both ends, from the first reading and to the last one where they are left out.

    Raises
    ------
    NothingStoredError
        If an end was left out and there is no reading.
    """
    if start is None or end is None:
        first, last = span_of(archive, installation)
        start, end = first if start is None else start, last if end is None else end
    return start, max(start, end)


def _entries(book: Book, start: pd.Timestamp, end: pd.Timestamp, watch: Watcher | None) -> Iterator[Entry]:
    """Yield what is said of each stretch of a period."""
    for stretch in walk(start, end):
        yield book.kept(stretch, end) or book.work_out(stretch, end)
        if watch is not None:
            watch((stretch.end - start) / (end - start))
