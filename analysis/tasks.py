"""The tasks of an analysis that is spread over processes: a site's period made ready, one zone's runs, and conclusions.

What the zones of a site share, readings made ready and runs found, is done once a period. Each zone's runs are then
looked at with what is seen of each, so that nothing is done twice and the numbers are those of one process.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import msgspec

from analysis.incremental.book import Book, Entry, Reading, put, shelf_of
from analysis.incremental.keys import method
from analysis.pipeline import look_at_run
from analysis.said import together
from analysis.season import conclude
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import pandas as pd

    from analysis.results import Results
    from analysis.runs.windows import Stretch
    from analysis.said import Heard
    from analysis.service import Service
    from analysis.view import RunView
    from ingest.installation import Installation

ALL = ""
"""What is said of stretches beside their runs; no zone has such a name."""

Place = tuple[int, int]
"""Of a run: the number of its stretch, and of the run in it."""


class OtherProgramError(UserError):
    """Raised when a worker runs another version of this program than who asks."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A stretch whose runs are being looked at: the key of what will be said, and what is said of it so far."""

    key: bytes
    stretch: Stretch
    until: pd.Timestamp
    passing: Heard


def _check(program: str) -> None:
    """Refuse to work for another version of this program."""
    if method() != program:
        msg = "a worker runs another version of tricklebook or of its libraries; install the same on every machine"
        raise OtherProgramError(msg)


def make_ready(
    archive: Path, installation: Installation, end: pd.Timestamp, program: str, stretches: Sequence[Stretch]
) -> dict[str, list[Any]]:
    """Make some stretches of a site ready.

    Parameters
    ----------
    archive : Path
        The site's archive.
    installation : Installation
        Its system.
    end : pandas.Timestamp
        Of the whole period that is asked for. [UTC]
    program : str
        `analysis.incremental.keys.method` of who asks.
    stretches : sequence of Stretch
        In the order of time.

    Returns
    -------
    dict of str to list
        Under each zone its runs, each with its place and what is seen of it; under `ALL`, for each stretch, what was
        kept of it or what waits for its runs.

    Raises
    ------
    OtherProgramError
        If this is another version of the program.
    """
    _check(program)
    made: dict[str, list[Any]] = {name: [] for name in (ALL, *installation.zone)}
    book = Book(archive, installation)
    try:
        for number, stretch in enumerate(stretches):
            kept = book.kept(stretch, end)
            if kept is not None:
                made[ALL].append(msgspec.msgpack.encode(kept))
                continue
            key, opened = book.begin(stretch, end)
            made[ALL].append(Waiting(key, stretch, opened.until, opened.passing))
            for place, view in enumerate(opened.views):
                made[view.run.zone].append(((number, place), view))
        return made
    finally:
        book.close()


def look_at_zone(program: str, views: Sequence[tuple[Place, RunView]]) -> list[tuple[Place, Heard]]:
    """Look at one zone's runs of a period: the task.

    Parameters
    ----------
    program : str
        As for `make_ready`.
    views : sequence of (Place, RunView)
        The zone's, as `make_ready` gave them.

    Raises
    ------
    OtherProgramError
        As `make_ready`.
    """
    _check(program)
    return [(place, look_at_run(view)) for place, view in views]


def put_together(
    archive: Path,
    installation: Installation,
    end: pd.Timestamp,
    program: str,
    rest: Sequence[bytes | Waiting],
    told: Sequence[Sequence[tuple[Place, Heard]]],
) -> list[bytes]:
    """Return what is said of some stretches, their runs in order again, and keep what is new.

    Parameters
    ----------
    archive, installation, end, program
        As for `make_ready`.
    rest : sequence of bytes or Waiting
        What `make_ready` gave for all of the site.
    told : sequence of sequence of (Place, Heard)
        What `look_at_zone` gave for each zone.

    Raises
    ------
    OtherProgramError
        As `make_ready`.
    """
    _check(program)
    shelf, runs = shelf_of(archive, installation), sorted(chain(*told), key=itemgetter(0))
    entries = []
    for number, one in enumerate(rest):
        if isinstance(one, Waiting):
            mine = [heard for (stretch, _), heard in runs if stretch == number]
            entry = put(shelf, one.key, one.stretch, end, together(one.until, mine, one.passing))
            entries.append(msgspec.msgpack.encode(entry))
        else:
            entries.append(one)
    return entries


def conclude_site(
    installation: Installation,
    start: pd.Timestamp,
    end: pd.Timestamp,
    services: tuple[Service, ...],
    parts: Sequence[Sequence[bytes]],
) -> Results:
    """Return the results of a site.

    Parameters
    ----------
    installation : Installation
        Its system.
    start, end : pandas.Timestamp
        The whole period. [UTC]
    services : tuple of Service
        What people wrote down that they did.
    parts : sequence of sequence of bytes
        What `put_together` gave for each part of the period, in the order of time.
    """
    reading = Reading()
    entries = (msgspec.msgpack.decode(data, type=Entry) for part in parts for data in part)
    results = conclude(installation, start, end, reading.through(entries), reading.estimates, services)
    return replace(results, estimates=tuple(results.estimates))
