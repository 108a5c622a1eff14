"""Removes days of an archive for good, and leaves in the chain of manifests that it was done."""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import manifest
from ingest.days import files, folders_of
from ingest.errors import UserError
from ingest.recovery import changing, finish_pruning

if TYPE_CHECKING:
    from pathlib import Path

_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class Cut:
    """What pruning a period removes.

    Attributes
    ----------
    folders : tuple of str
        Day's folders, relative to the archive.
    files, size : int
        Files in them, and their length. [bytes]
    code : str
        Stands for exactly this; to be given back by who wants it done.
    """

    folders: tuple[str, ...]
    files: int
    size: int
    code: str


def plan(archive: Path, site: str, first: date, last: date) -> Cut:
    """Return what pruning would remove, without doing it.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    first, last : date
        First and last day, both included, in UTC.

    Raises
    ------
    UserError
        If the period is not over, or ends before it begins.
    """
    if last < first:
        msg = f"the period ends on {last}, before it begins on {first}"
        raise UserError(msg)
    today = datetime.fromtimestamp(time.time(), UTC).date()
    if last >= today - timedelta(days=1):
        msg = f"{last} is not over long enough; only days up to {today - timedelta(days=2)} can be pruned"
        raise UserError(msg)
    folders = tuple(
        folder
        for folder in folders_of(archive, site)
        if str(first) <= folder.rpartition("date=")[2] <= str(last)
    )
    sizes = [file.size for folder in folders for file in files(archive, folder)]
    text = repr((folders, sizes))
    return Cut(folders, len(sizes), sum(sizes), hashlib.sha256(text.encode()).hexdigest()[:8])


def prune(archive: Path, site: str, first: date, last: date, code: str) -> Cut:
    """Remove a period. Parameters and errors as for `plan`.

    Parameters
    ----------
    code : str
        What `plan` gave for the same period.

    Raises
    ------
    UserError
        If the code is another: the archive has changed since, so look again.
    """
    with changing(archive, site) as checkpoint:
        cut = plan(archive, site, first, last)
        found = [file for folder in cut.folders for file in files(archive, folder)]
        far = [f"{file.folder}/{file.name}" for file in found if file.depot is not None]
        if cut.code != code:
            msg = f"{code!r} does not stand for what would be removed now; run it without --confirm first"
            raise UserError(msg)
        for day in sorted({folder.rpartition("date=")[2] for folder in cut.folders}):
            path = manifest.write(
                archive,
                site,
                day=day,
                why="pruned",
                written=datetime.now(UTC).isoformat(timespec="seconds"),
                folders={},
            )
            checkpoint.head = manifest.digest(path)
        checkpoint.doomed_far += far
        for folder in cut.folders:
            checkpoint.open.pop(folder, None)
            if folder in checkpoint.reopened:
                checkpoint.reopened.remove(folder)
        checkpoint.doomed = list(cut.folders)
        checkpoint.generation += 1
        checkpoints.save(archive, site, checkpoint)
        finish_pruning(archive, site, checkpoint)
    return cut
