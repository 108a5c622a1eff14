"""Where things stand in an archive, and how its files are called."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from ingest.archive import SCHEMAS, US_PER_DAY
from ingest.files import TEMPORARY

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DAY_NAME = re.compile(r"date=\d{4}-\d{2}-\d{2}")
"""Name of a day's folder."""

_PART = re.compile(r"part-(\d{10})(?:-(\d{10}))?\.parquet")


def part_name(first: int, last: int | None = None) -> str:
    """Return the name of the file of a round, or of a row of rounds merged.

    Examples
    --------
    >>> part_name(7), part_name(7, 9)
    ('part-0000000007.parquet', 'part-0000000007-0000000009.parquet')
    """
    return f"part-{first:010d}.parquet" if last is None else f"part-{first:010d}-{last:010d}.parquet"


def rounds_of(name: str) -> tuple[int, int] | None:
    """Return the first and the last round that a file holds, or None where the name is not ours.

    Examples
    --------
    >>> rounds_of("part-0000000007.parquet"), rounds_of("other.parquet")
    ((7, 7), None)
    """
    match = _PART.fullmatch(name)
    return match and (int(match[1]), int(match[2] or match[1]))


def day_folder(kind: str, site: str, day: int) -> str:
    """Return a day's folder relative to the archive.

    Parameters
    ----------
    kind : str
        A key of `ingest.archive.SCHEMAS`.
    site : str
        The installation's name as it stands in archive paths.
    day : int
        Days since 1970-01-01.

    Examples
    --------
    >>> day_folder("readings", "home", 20_000)
    'readings/site=home/date=2024-10-04'
    """
    return f"{kind}/site={site}/date={np.datetime64(int(day), 'D')}"


def day_of(folder: str) -> int:
    """Return the day of a folder that `day_folder` made. [days since 1970-01-01]"""
    return int(np.datetime64(folder.rpartition("date=")[2], "D").astype(np.int64))


def kind_of(folder: str) -> str:
    """Return the kind of a folder that `day_folder` made."""
    return folder.partition("/")[0]


def split_days(times_us: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Yield each day with the indices of its instants, in their order.

    Examples
    --------
    >>> [(day, rows.tolist()) for day, rows in split_days(np.array([US_PER_DAY, 5, US_PER_DAY + 1]))]
    [(0, [1]), (1, [0, 2])]
    """
    if len(times_us) == 0:
        return
    days = np.floor_divide(times_us, US_PER_DAY)
    order = np.argsort(days, kind="stable")
    found, starts = np.unique(days[order], return_index=True)
    yield from zip(found.tolist(), np.split(order, starts[1:]), strict=True)


def day_folders(archive: Path, site: str) -> Iterator[str]:
    """Yield every day's folder of a site, relative to the archive."""
    for kind in SCHEMAS:
        for path in sorted((archive / kind / f"site={site}").glob("date=*")):
            if path.is_dir():
                yield f"{kind}/site={site}/{path.name}"


def is_temporary(name: str) -> bool:
    """Tell whether a file is one that was being written."""
    return name.startswith(TEMPORARY)
