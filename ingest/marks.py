"""Marks of days: short words that change whenever a day's readings may have, archived or not.

They cost a look at the names of files and the journal's newest part, not at the readings.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from ingest.days import mark_of
from ingest.decoding import Decoder
from ingest.layout import day_folder, split_days
from ingest.store import read_tail

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.installation import Installation


class Marks:
    """The marks of an archive's days, as they are when they are asked for first.

    Equal marks mean equal readings; moving a reading from the journal into a file, or files into one, may
    change a mark though the readings are the same.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.

    Raises
    ------
    BusyArchiveError
        If the journal moved every time that it was read.

    Examples
    --------
    >>> from pathlib import Path
    >>> import tomllib
    >>> from ingest.installation import Installation
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> Marks(Path("nowhere"), Installation.model_validate(tomllib.loads(text))).of("2026-05-01") is None
    True
    """

    def __init__(self, archive: Path, installation: Installation) -> None:
        self._archive = archive
        self._site = installation.site
        self._fresh = _journal_marks(archive, installation)
        self._known: dict[str, str | None] = {}

    def of(self, day: str) -> str | None:
        """Return the mark of a day (UTC, ISO); None where it has no reading.

        Raises
        ------
        BusyArchiveError
            If the day's files were moved every time that they were looked for.
        DepotError
            If some stand in a depot that does not answer.
        """
        if day not in self._known:
            folder = f"readings/site={self._site}/date={day}"
            said = mark_of(self._archive, folder) + self._fresh.get(day, "")
            self._known[day] = said or None
        return self._known[day]


def _journal_marks(archive: Path, installation: Installation) -> dict[str, str]:
    """Return a mark of each day's readings that are in no file yet."""
    batch, memory = read_tail(archive, installation.site)
    if not batch.messages:
        return {}
    decoded, _ = Decoder(installation, memory).decode(batch.messages)
    names = np.array(decoded.names, dtype="U")
    found = {}
    for day, rows in split_days(decoded.time_us):
        said = hashlib.sha256("\n".join(names[decoded.code[rows]].tolist()).encode())
        for column in (decoded.time_us, decoded.value, decoded.quality, decoded.received_us):
            said.update(np.ascontiguousarray(column[rows]).tobytes())
        found[day_folder("readings", installation.site, day).rpartition("date=")[2]] = said.hexdigest()[:16]
    return found
