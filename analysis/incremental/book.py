"""What was said of each stretch of an archive, looked up where its input is the same, else worked out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pandas as pd

from analysis.incremental.codec import pack, unpack, unpack_estimates
from analysis.incremental.days import Days
from analysis.incremental.keys import beginning, key
from analysis.incremental.shelf import Shelf
from analysis.pieces import Pieces, Spool
from analysis.pipeline import look_at_run, open_stretch
from analysis.said import together

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from analysis.pipeline import Opened
    from analysis.results import Estimate
    from analysis.runs.windows import Stretch
    from analysis.said import StretchSaid
    from ingest.installation import Installation

FOLDER = "analysis"
"""Where results are kept, within the archive."""


class Entry(msgspec.Struct, frozen=True, array_like=True):
    """What is kept of one stretch. Instants in nanoseconds since 1970, UTC.

    Attributes
    ----------
    key : bytes
        Of all that it depends on.
    start, end : int
        The stretch.
    until : int
        Readings up to here were looked at.
    period_end : int
        Where the readings of that analysis ended at the latest.
    count : int
        Number of estimates.
    estimates, rest : bytes
        See `analysis.incremental.codec.pack`.
    """

    key: bytes
    start: int
    end: int
    until: int
    period_end: int
    count: int
    estimates: bytes
    rest: bytes

    def serves(self, stretch: Stretch, end: pd.Timestamp) -> bool:
        """Tell whether this stretch would be looked at up to the same instant in a period with this end.

        Readings are read on while a run goes on, but never past the period's end. Where that end was not
        reached, another one changes nothing, unless it comes sooner.
        """
        if (self.start, self.end) != (stretch.start.value, stretch.end.value):
            return False
        return self.period_end == end.value or self.until < min(self.period_end, end.value + 1)


class Book:
    """The results of one archive, stretch by stretch.

    Parameters
    ----------
    archive : Path
        The archive's folder; what is worked out is kept in its folder `FOLDER`.
    installation : Installation
        The system.
    """

    def __init__(self, archive: Path, installation: Installation) -> None:
        self._installation = installation
        self._shelf = shelf_of(archive, installation)
        self._days = Days(archive, installation, self._shelf)
        self._begun = beginning(installation)

    def kept(self, stretch: Stretch, end: pd.Timestamp) -> Entry | None:
        """Return what is kept of a stretch of a period with this end; None where nothing is that holds."""
        content = self._shelf.get(_name_of(stretch.start.value))
        try:
            entry = None if content is None else msgspec.msgpack.decode(content, type=Entry)
        except msgspec.MsgspecError:
            return None
        if entry is None or not entry.serves(stretch, end):
            return None
        until = pd.Timestamp(entry.until, unit="ns", tz="UTC")
        return entry if entry.key == self._key(stretch, until) else None

    def work_out(self, stretch: Stretch, end: pd.Timestamp) -> Entry:
        """Look at a stretch of a period with this end, and keep what is said."""
        key, opened = self.begin(stretch, end)
        runs = [look_at_run(view) for view in opened.views]
        return put(self._shelf, key, stretch, end, together(opened.until, runs, opened.passing))

    def begin(self, stretch: Stretch, end: pd.Timestamp) -> tuple[bytes, Opened]:
        """Make a stretch of a period with this end ready; return the key of what will be said, and the stretch."""
        opened = open_stretch(self._installation, self._days.read, stretch, end)
        return self._key(stretch, opened.until), opened

    def close(self) -> None:
        """Keep what is known of the readings."""
        self._days.keep()

    def _key(self, stretch: Stretch, until: pd.Timestamp) -> bytes:
        return key(self._begun, self._days.digest(stretch.read_from, until))


def shelf_of(archive: Path, installation: Installation) -> Shelf:
    """Return where results of an archive are kept."""
    return Shelf(archive / FOLDER / f"site={installation.site}")


def put(shelf: Shelf, key: bytes, stretch: Stretch, end: pd.Timestamp, said: StretchSaid) -> Entry:
    """Keep what was said of a stretch of a period with this end.

    Parameters
    ----------
    shelf : Shelf
        Of the archive.
    key : bytes
        As `Book.begin` gave it.
    stretch : Stretch
        The stretch.
    end : pandas.Timestamp
        Of the period. [UTC]
    said : StretchSaid
        What was said.
    """
    entry = Entry(
        key,
        stretch.start.value,
        stretch.end.value,
        said.until.value,
        end.value,
        len(said.estimates),
        *pack(said),
    )
    shelf.put(_name_of(stretch.start.value), msgspec.msgpack.encode(entry))
    return entry


class Reading:
    """Goes through entries once; their estimates are put aside, to be gone through as often as wanted.

    Attributes
    ----------
    estimates : Pieces of Estimate
        Those of the entries so far.
    """

    def __init__(self) -> None:
        self.estimates: Pieces[Estimate] = Pieces()
        self._spool = Spool()

    def through(self, entries: Iterable[Entry]) -> Iterator[StretchSaid]:
        """Yield what was said in each entry, without its estimates."""
        for entry in entries:
            self._put_aside(entry)
            yield unpack(entry.rest)

    def _put_aside(self, entry: Entry) -> None:
        get = self._spool.put(entry.estimates)
        self.estimates.add(entry.count, lambda: unpack_estimates(get()))


def _name_of(start: int) -> str:
    """Return the name on the shelf of a stretch that starts then [ns]: one a day, so that nothing piles up."""
    return f"stretch-{pd.Timestamp(start):%Y-%m-%d}"
