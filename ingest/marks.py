"""Marks of days: short words that change whenever a day's readings may have, archived or not.

They cost a look at the names of files and the journal's newest part, not at the readings.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from ingest.days import days_of, mark_of
from ingest.decoding import Decoder
from ingest.layout import day_folder, split_days
from ingest.store import read_tail

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.installation import Installation


def marks(archive: Path, installation: Installation) -> dict[str, str]:
    """Return a mark of each day that has readings.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.

    Returns
    -------
    dict of str to str
        Day (UTC, ISO) to its mark. Equal marks mean equal readings; moving a reading from the journal into a
        file, or files into one, may change a mark though the readings are the same.

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
    >>> marks(Path("nowhere"), Installation.model_validate(tomllib.loads(text)))
    {}
    """
    fresh = _journal_marks(archive, installation)
    site = installation.site
    stored = {day: mark_of(archive, f"readings/site={site}/date={day}") for day in days_of(archive, site)}
    return {day: stored.get(day, "") + fresh.get(day, "") for day in sorted({*stored, *fresh})}


def _journal_marks(archive: Path, installation: Installation) -> dict[str, str]:
    """Return a mark of each day's readings that are in no file yet."""
    if not (archive / "journal").is_dir():
        return {}
    batch, memory = read_tail(archive, installation.site)
    if not batch.messages:
        return {}
    decoded, _ = Decoder(installation, memory).decode(batch.messages)
    names = np.array(decoded.names, dtype="U")
    found = {}
    for day, rows in split_days(decoded.time_us):
        said = hashlib.sha256("\n".join(names[decoded.code[rows]].tolist()).encode())
        for column in (decoded.time_us, decoded.value, decoded.quality):
            said.update(np.ascontiguousarray(column[rows]).tobytes())
        found[day_folder("readings", installation.site, day).rpartition("date=")[2]] = said.hexdigest()[:16]
    return found
