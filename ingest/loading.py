"""Load loggers' files: through the same checks and the same journal as what devices publish."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field
from io import TextIOWrapper
from itertools import chain, islice
from typing import TYPE_CHECKING

from ingest.errors import UserError
from ingest.formats.batch import LATEST_AHEAD_US
from ingest.formats.logger import pack, refused, topic
from ingest.journal import JournalWriter
from ingest.logger_files import BadRow, LoggerFile
from ingest.records import Message
from ingest.rounds import Rounds
from ingest.routing import Router

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from ingest.installation import Installation
    from ingest.logger_files import Decimal, Entry
    from ingest.logger_stamps import Stamps

WRITER = "load"
"""Name of the loader's journal; one load at a time writes it."""

ROWS_A_PACK = 500
"""Readings in one message of the journal. Computed: well below the largest payload."""

PACKS_A_STEP = 400
"""Messages between two rounds of the archiver, so that the journal stays small. Computed: about 16 MiB."""

LOOKED_AT = 200
"""Rows that are read before anything is stored: if none of them is a reading, the options are wrong."""

TOLD = 5
"""Refused rows that are told to the person who loads; all are in the quarantine."""


class NothingToLoadError(UserError):
    """Raised when a file cannot be read, or its first rows hold no reading."""


@dataclass(frozen=True, slots=True)
class How:
    """How a file is written.

    Attributes
    ----------
    stamps : Stamps
        Its times.
    decimal : {"auto", "point", "comma"}
        What separates the decimals.
    encoding : str
        Its encoding.
    """

    stamps: Stamps
    decimal: Decimal = "auto"
    encoding: str = "utf-8-sig"


@dataclass(slots=True)
class Loaded:
    """What came of one file.

    Attributes
    ----------
    source : str
        The file's name.
    readings : int
        Readings that passed every check.
    refused : Counter of str
        Rows and cells that did not, by reason.
    told : list of str
        The first of them, for a person.
    empty : int
        Cells without a value.
    unused : tuple of str
        Columns that belong to no sensor.
    """

    source: str
    readings: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)
    empty: int = 0
    unused: tuple[str, ...] = ()


def load_file(
    path: Path,
    installation: Installation,
    archive: Path | None,
    how: How,
    *,
    watch: Callable[[int], None] | None = None,
) -> Loaded:
    """Load one file.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    installation : Installation
        Whose sensors it has.
    archive : pathlib.Path or None
        The archive's folder; None only reads and checks.
    how : How
        How it is written.
    watch : callable, optional
        Is told how many bytes have been read.

    Returns
    -------
    Loaded
        What came of it. Loading the same file again changes nothing.

    Raises
    ------
    NothingToLoadError
        If it cannot be read, or its first rows hold no reading.
    UserError
        If its columns or times are not understood, or the archive cannot take it.
    """
    loaded = Loaded(path.name)
    now_us = time.time_ns() // 1000
    try:
        with path.open("rb") as raw, TextIOWrapper(raw, encoding=how.encoding) as file:
            latest = now_us + LATEST_AHEAD_US
            logger = LoggerFile(path.name, file, installation, how.stamps, latest, how.decimal)
            steps = _steps(_messages(_looked_at(logger.read(), path.name), topic(path.name)))
            _store(steps, installation, archive, loaded, lambda: watch and watch(raw.tell()))
            loaded.empty = logger.empty
            loaded.unused = logger.layout.unused if logger.layout else ()
    except OSError as error:
        msg = f"{path}: cannot be read: {(error.strerror or str(error)).lower()}"
        raise NothingToLoadError(msg) from error
    except (UnicodeDecodeError, LookupError) as error:
        msg = f"{path.name}: not in the encoding {how.encoding}: {error}; say which with --encoding, like latin-1"
        raise NothingToLoadError(msg) from error
    return loaded


def _looked_at(rows: Iterator[Entry | BadRow], source: str) -> Iterator[Entry | BadRow]:
    """Return the same rows, once the first ones hold a reading."""
    head = list(islice(rows, LOOKED_AT))
    bad = [row for row in head if isinstance(row, BadRow)]
    if bad and len(bad) == len(head):
        msg = f"nothing was loaded: none of the first {len(head)} rows is a reading.\n  {bad[0].detail}"
        raise NothingToLoadError(msg)
    if not head:
        msg = f"{source}: there is no reading in it"
        raise NothingToLoadError(msg)
    return chain(head, rows)


def _messages(rows: Iterable[Entry | BadRow], where: str) -> Iterator[tuple[str, bytes]]:
    """Yield the rows as messages for the journal: packs of readings, and each bad row by itself."""
    waiting: list[Entry] = []
    for row in rows:
        if isinstance(row, BadRow):
            yield where, refused(row)
            continue
        waiting.append(row)
        if len(waiting) == ROWS_A_PACK:
            yield where, pack(waiting)
            waiting = []
    if waiting:
        yield where, pack(waiting)


def _steps(messages: Iterator[tuple[str, bytes]]) -> Iterator[list[tuple[str, bytes]]]:
    """Yield messages some hundred at a time."""
    while step := list(islice(messages, PACKS_A_STEP)):
        yield step


def _store(
    steps: Iterable[list[tuple[str, bytes]]],
    installation: Installation,
    archive: Path | None,
    loaded: Loaded,
    tick: Callable[[], object],
) -> None:
    """Check and store messages step by step, each durable before the next is read."""
    router = Router(installation)
    if archive is None:
        for step in steps:
            _count(router, step, loaded)
            tick()
        return
    rounds = Rounds(archive, installation)
    with JournalWriter(archive, WRITER, installation.site) as journal:
        for step in steps:
            _count(router, step, loaded)
            journal.append(step)
            rounds.run()
            tick()
    while rounds.run().size:
        pass


def _count(router: Router, step: list[tuple[str, bytes]], loaded: Loaded) -> None:
    """Count what a step holds, as the archiver will see it."""
    now_us = time.time_ns() // 1000
    decoded = router.decode([Message(where, payload, now_us) for where, payload in step])
    loaded.readings += len(decoded)
    for reject in decoded.rejects:
        loaded.refused[reject.reason] += reject.count
        if len(loaded.told) < TOLD:
            loaded.told.append(reject.detail)
