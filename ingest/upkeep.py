"""Upkeep of the archive: small files become few, days that are over are closed, late readings folded in."""

from __future__ import annotations

import logging
import os
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest import checkpoint as checkpoints
from ingest import failpoints, manifest
from ingest.checkpoint import Checkpoint, FileRecord, Swap
from ingest.dedupe import repeats
from ingest.depot import Depot, DepotError, depot_of
from ingest.files import make_folder, sync_folder
from ingest.layout import day_of, kind_of, part_name, rounds_of
from ingest.parts import write_merged
from ingest.recovery import changing
from ingest.shipping import ship
from ingest.swap import building_place, swap_in
from ingest.tables import in_order, sensors_in

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

log = logging.getLogger(__name__)

FOLD_FILES = 32
"""Small files of a day at which they are merged before the day is over."""

FOLD_RATIO = 4
"""A file this many times larger than all newer ones together is left alone until the day is over, so that
a row is rewritten a few times a day at most."""

MERGE_BYTES = 128 * 2**20
"""Rows' length in memory that a merged file has at most, so that merging has bounded memory. [bytes]"""

GRACE_S = 3600.0
"""Time after its end at which a day is closed: most readings that come late have come by then. [s]"""

QUIET_S = 600.0
"""Time without a new file after which a day that is over is closed. [s]"""

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Done:
    """What upkeep did.

    Attributes
    ----------
    folders : list of str
        Day's folders that were merged.
    closed : list of str
        Days that got a manifest.
    shipped : list of str
        Day's folders whose files went to the depot.
    """

    folders: list[str]
    closed: list[str]
    shipped: list[str]

    def __bool__(self) -> bool:
        """Tell whether anything was done."""
        return bool(self.folders or self.closed or self.shipped)


def upkeep(archive: Path, site: str, *, everything: bool = False, limit: int = 1) -> Done:
    """Merge and close what is due.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    everything : bool
        Whether every day that is over is due, however lately it got new files.
    limit : int
        How many days are seen to at most, so that a caller with other work gets back to it.

    Returns
    -------
    Done
        Empty where nothing was due.

    Raises
    ------
    OSError
        If the disk is full or broken; readers see the old files until the new ones are whole.
    DepotError
        If the archive's depot does not answer; what it has not taken stays here.
    """
    done = Done([], [], [])
    with changing(archive, site) as checkpoint:
        work = _Work(archive, site, checkpoint, depot_of(archive))
        silent = _ship(work, done, limit)
        by_day = groupby(sorted(checkpoint.open, key=day_of), day_of)
        for day, folders in [(day, list(folders)) for day, folders in by_day]:
            if len(done.folders) + len(done.closed) + len(done.shipped) >= limit:
                break
            if work.is_over(day, folders, everything=everything):
                done.folders.extend(folder for folder in folders if work.merge(folder))
                work.close(day)
                done.closed.append(str(np.datetime64(day, "D")))
            else:
                done.folders.extend(folder for folder in folders if work.fold(folder))
    if silent and not done:
        raise silent
    return done


def _ship(work: _Work, done: Done, limit: int) -> DepotError | None:
    """Send what is closed to the depot; return why it does not take it, so that other work comes first."""
    if work.depot is None:
        return None
    try:
        done.shipped.extend(ship(work.archive, work.site, work.checkpoint, work.depot, limit=limit))
    except DepotError as error:
        return error
    return None


@dataclass(slots=True)
class _Work:
    """One holder of the right to change the archive, at its upkeep."""

    archive: Path
    site: str
    checkpoint: Checkpoint
    depot: Depot | None

    def is_over(self, day: int, folders: Sequence[str], *, everything: bool) -> bool:
        """Tell whether a day is over and, unless everything is due, quiet."""
        now = time.time()
        if everything:
            return now > (day + 1) * _DAY_S
        newest = max(
            (self.archive / folder / self.checkpoint.open[folder][-1].name).stat().st_mtime
            for folder in folders
        )
        return now > (day + 1) * _DAY_S + GRACE_S and now > newest + QUIET_S

    def _closed(self, folder: str) -> list[FileRecord]:
        """Return the folder's files that a manifest names and the checkpoint does not.

        Both name them where a crash came between the two.
        """
        if folder in self.checkpoint.reopened:
            return []
        day = str(np.datetime64(day_of(folder), "D"))
        fresh = {record.name for record in self.checkpoint.open.get(folder, [])}
        closed = manifest.closed_files(self.archive, self.site, day).get(folder, [])
        return [record for record in closed if record.name not in fresh]

    def merge(self, folder: str) -> bool:
        """Merge all files of a day as far as memory allows; tell whether there was anything to merge."""
        fresh = self.checkpoint.open[folder]
        kept = [] if self.depot is None else [[record] for record in self._beside(folder)]
        files = [*self._closed(folder), *fresh] if self.depot is None else fresh
        return self._rewrite(folder, [*kept, *_groups(sorted(files, key=_rounds))])

    def _beside(self, folder: str) -> list[FileRecord]:
        """Return the closed files that stand in the folder; those in a depot are never written again."""
        return [r for r in self._closed(folder) if (self.archive / folder / r.name).exists()]

    def fold(self, folder: str) -> bool:
        """Merge a day's newest small files where there are many; tell whether there were."""
        files = sorted(self.checkpoint.open[folder], key=_rounds)
        small = _small(files)
        if len(small) < FOLD_FILES:
            return False
        before = [[record] for record in files[: len(files) - len(small)]]
        kept = [[record] for record in self._beside(folder)]
        return self._rewrite(folder, [*kept, *before, *_groups(small)])

    def _rewrite(self, folder: str, groups: list[list[FileRecord]]) -> bool:
        """Build the day's folder anew, each group one file, and swap it in."""
        if all(len(group) == 1 for group in groups):
            return False
        place = f"{building_place(self.site)}/{folder.rpartition('/')[2]}"
        built = self.archive / place
        make_folder(built)
        files = [self._put(group, folder, built) for group in groups]
        sync_folder(built)
        swap_in(self.archive, self.site, self.checkpoint, Swap(folder, place, files, self.depot is None))
        return True

    def _put(self, group: list[FileRecord], folder: str, built: Path) -> FileRecord:
        """Put one group's file into the built folder: the same file, or a merged one."""
        if len(group) == 1:
            os.link(self.archive / folder / group[0].name, built / group[0].name)
            return group[0]
        kind = kind_of(folder)
        paths = [self.archive / folder / record.name for record in group]
        table = merged([parquet.read_file(path, kind=kind) for path in paths], kind)
        if kind == "readings":
            table = table.replace_schema_metadata(parquet.joined_description(paths))
        name = part_name(_rounds(group[0])[0], max(_rounds(record)[1] for record in group))
        return write_merged(built / name, kind, table)

    def close(self, day: int) -> None:
        """Write the day's manifest, then let the checkpoint forget its files."""
        text = str(np.datetime64(day, "D"))
        folders = {
            folder: [*self._closed(folder), *self.checkpoint.open.get(folder, [])]
            for folder in self._folders_of(day, text)
        }
        again = text in manifest.latest(self.archive, self.site)
        path = manifest.write(
            self.archive,
            self.site,
            day=text,
            why="late readings" if again else "day closed",
            written=datetime.now(UTC).isoformat(timespec="seconds"),
            folders=folders,
        )
        failpoints.reach("merge.manifest")
        self.checkpoint.head = manifest.digest(path)
        for folder in folders:
            self.checkpoint.open.pop(folder, None)
            if folder in self.checkpoint.reopened:
                self.checkpoint.reopened.remove(folder)
        checkpoints.save(self.archive, self.site, self.checkpoint)

    def _folders_of(self, day: int, text: str) -> list[str]:
        closed = manifest.closed_files(self.archive, self.site, text)
        fresh = [folder for folder in self.checkpoint.open if day_of(folder) == day]
        return sorted({*closed, *fresh})


def _rounds(record: FileRecord) -> tuple[int, int]:
    return rounds_of(record.name) or (0, 0)


def _groups(files: Sequence[FileRecord]) -> list[list[FileRecord]]:
    """Split a row of files into groups that fit into memory."""
    groups: list[list[FileRecord]] = []
    weight = 0
    for record in files:
        if not groups or weight + record.weight > MERGE_BYTES:
            groups.append([])
            weight = 0
        groups[-1].append(record)
        weight += record.weight
    return groups


def _small(files: Sequence[FileRecord]) -> list[FileRecord]:
    """Return the newest files, up to the first that is much larger than all after it."""
    weight = 0
    for index in range(len(files) - 1, -1, -1):
        record = files[index]
        if weight + record.weight > MERGE_BYTES or (weight and record.weight > FOLD_RATIO * weight):
            return list(files[index + 1 :])
        weight += record.weight
    return list(files)


def merged(tables: Sequence[pa.Table], kind: str) -> pa.Table:
    """Put files' rows together in the order of a file; a reading that is there twice stays once.

    Parameters
    ----------
    tables : sequence of pyarrow.Table
        In the order they were written.
    kind : str
        A key of `ingest.archive.SCHEMAS`.
    """
    table = pa.concat_tables(tables)
    if kind != "readings":
        table = table.unify_dictionaries()
        return table.take(pa.array(np.argsort(table.column(0).cast(pa.int64()).to_numpy(), kind="stable")))
    table = in_order(table)
    _, codes = sensors_in(table)
    again = repeats(codes, table.column("time").cast(pa.int64()).to_numpy())
    if again.any():
        log.error("%d readings were in the archive twice; the first of each stays", int(again.sum()))
        table = table.filter(pa.array(~again))
    return table
