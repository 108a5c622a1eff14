"""Whether a day is closed: its manifest written, nothing come since, and the hour after it known."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from ingest import checkpoint, manifest
from ingest.archive import US_PER_DAY
from ingest.checkpoint import CheckpointError
from ingest.store import Span, tail_table

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from ingest.installation import Installation

EDGE = timedelta(hours=1)
"""Time after a day that is known when the day counts as closed: that of `ingest.upkeep.GRACE_S`."""

ALWAYS: Span = (-(2**62), 2**62)
"""Every instant. [µs since 1970, UTC]"""


def closed_days(archive: Path, installation: Installation, days: Iterable[str]) -> dict[str, datetime]:
    """Return which of some days are closed for good, as far as anybody knows now.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose days.
    days : iterable of str
        Days, in UTC, like ``"2026-05-01"``.

    Returns
    -------
    dict of str to datetime
        Day to when its newest manifest was written. A day is open, and left out, while no manifest names it, while late
        readings of it wait in the journal or in files that no manifest names, and where the manifest was written less
        than `EDGE` after the day's end.

    Raises
    ------
    BusyArchiveError
        If the archive changed every time that it was read.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ingest.installation import Installation
    >>> import tomllib
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> closed_days(Path("nowhere"), Installation.model_validate(tomllib.loads(text)), ["2026-05-01"])
    {}
    """
    named = manifest.latest(archive, installation.site)
    wanted = {day: named[day] for day in days if day in named}
    if not wanted:
        return {}
    try:
        fresh = _fresh_days(archive, installation)
    except CheckpointError:
        return {}
    found = {}
    for day, path in wanted.items():
        written = _written(path)
        end = np.datetime64(day, "D") + 1
        if written is not None and day not in fresh and written >= _instant(end) + EDGE:
            found[day] = written
    return found


def _written(path: Path) -> datetime | None:
    """Return when a manifest was written; None where it is none."""
    try:
        return datetime.fromisoformat(manifest.read(path).written)
    except ValueError:
        return None


def _instant(day: np.datetime64) -> datetime:
    return datetime.fromisoformat(f"{day}T00:00:00+00:00")


def _fresh_days(archive: Path, installation: Installation) -> set[str]:
    """Return the days that hold readings which no manifest names, in files or in the journal."""
    known = checkpoint.load(archive, installation.site)
    folders = () if known is None else (*known.open, *known.reopened)
    waiting = tail_table(archive, installation, None, ALWAYS).column("time").cast("int64").to_numpy()
    days = np.unique(np.floor_divide(waiting, US_PER_DAY))
    return {folder.rpartition("date=")[2] for folder in folders} | {
        str(np.datetime64(int(d), "D")) for d in days
    }
