"""Checks an archive: every file as its record says, the chain of manifests whole, every row in its place."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ingest import archive as parquet
from ingest import checkpoint as checkpoints
from ingest import manifest
from ingest.archive import SCHEMAS, US_PER_DAY, DamagedFileError
from ingest.checkpoint import Checkpoint, CheckpointError
from ingest.day_file import DayFile
from ingest.days import folders_of
from ingest.dedupe import order_of, repeats
from ingest.depot import Depot, depot_of
from ingest.files import locked
from ingest.layout import DAY_NAME, day_of, is_temporary, kind_of, rounds_of
from ingest.tables import in_order, sensors_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from ingest.checkpoint import FileRecord


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that is not as it should be.

    Attributes
    ----------
    kind : str
        ``removed file``, ``added file``, ``changed file``, ``unreadable file``, ``columns``, ``order``,
        ``duplicate``, ``wrong day``, ``changed manifest``, ``missing manifest``, ``unknown hash``,
        ``checkpoint`` or ``gap``; the last is no fault in itself.
    place : str
        File or folder, relative to the archive.
    detail : str
        For a person.
    """

    kind: str
    place: str
    detail: str

    @property
    def is_fault(self) -> bool:
        """Whether it makes the archive wrong."""
        return self.kind != "gap"


def verify(archive: Path, site: str, *, expected_head: str = "") -> list[Problem]:
    """Check a site's archive; nothing is changed.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    expected_head : str
        Hash of a manifest that was noted earlier: it must be in the chain. Empty for none.

    Returns
    -------
    list of Problem
        Empty where all is well.
    """
    with locked(checkpoints.lock_of(archive, site), wait=True):
        try:
            checkpoint = checkpoints.load(archive, site) or Checkpoint()
        except CheckpointError as error:
            return [Problem("checkpoint", f"state/site={site}/checkpoint.json", str(error))]
        depot = depot_of(archive)
        stands = {*folders_of(archive, site), *([] if depot is None else _folders_in(depot, site))}
        found = list(_chain(archive, site, checkpoint, expected_head))
        found += [] if depot is None else _copies(archive, site, depot)
        expected = manifest.expected_files(manifest.all_closed(archive, site), checkpoint)
        folders = sorted({*stands, *(f for f, records in expected.items() if records)})
        for folder in folders:
            found += _folder(archive, folder, expected.get(folder, []), checkpoint.generation)
    return [*found, *_gaps(folders)]


def _chain(archive: Path, site: str, checkpoint: Checkpoint, expected_head: str) -> Iterator[Problem]:
    """Check that each manifest carries the hash of the one before, and the last is the one we know."""
    before = ""
    seen = set()
    for place, (number, _, path) in enumerate(manifest.names(archive, site)):
        name = str(path.relative_to(archive))
        if number != place + 1:
            yield Problem("missing manifest", name, f"number {place + 1} of the chain is not there")
            return
        try:
            found = manifest.read(path)
        except ValueError as error:
            yield Problem("changed manifest", name, str(error))
            return
        if found.previous != before:
            yield Problem("changed manifest", name, "it does not carry the hash of the one before it")
            return
        before = manifest.digest(path)
        seen.add(before)
    if checkpoint.head and checkpoint.head not in seen:
        yield Problem(
            "changed manifest", f"manifest/site={site}", "the newest one is not the one that was written"
        )
    if expected_head and expected_head not in seen:
        detail = f"{expected_head} is not the hash of any manifest here"
        yield Problem("unknown hash", f"manifest/site={site}", detail)


def _folder(archive: Path, folder: str, records: list[FileRecord], generation: int) -> Iterator[Problem]:
    """Check one day's folder against its records, and its rows against each other."""
    there = _everything(archive, folder)
    known = {record.name for record in records}
    for name, file in sorted(there.items()):
        if name not in known and not (file.depot is None and _is_under_way(name, generation)):
            yield Problem("added file", f"{folder}/{name}", "no manifest and no checkpoint names it")
    tables = []
    for record in records:
        place = f"{folder}/{record.name}"
        if record.name not in there:
            yield Problem("removed file", place, f"it held {record.rows} rows")
            continue
        if hashlib.sha256(there[record.name].read_bytes()).hexdigest() != record.sha256:
            yield Problem("changed file", place, "its bytes are not those that were written")
        table, problems = _rows(there[record.name], place)
        yield from problems
        tables.append(table)
    if kind_of(folder) == "readings" and tables:
        yield from _duplicates(folder, tables)


def _everything(archive: Path, folder: str) -> dict[str, DayFile]:
    """Return all that stands in a day's folder by name, whether a reader would take it or not."""
    depot = depot_of(archive)
    far = {} if depot is None else depot.names(folder)
    found = {name: DayFile(folder, name, size, depot=depot) for name, size in far.items()}
    place = archive / folder
    here = (
        {path.name: DayFile(folder, path.name, 0, path=path) for path in place.iterdir()}
        if place.is_dir()
        else {}
    )
    return found | here


def _folders_in(depot: Depot, site: str) -> list[str]:
    """Return the day's folders that a depot has of a site, whether a manifest names them or not."""
    return [
        f"{kind}/site={site}/{name}"
        for kind in SCHEMAS
        for name in depot.folders(f"{kind}/site={site}")
        if DAY_NAME.fullmatch(name)
    ]


def _copies(archive: Path, site: str, depot: Depot) -> Iterator[Problem]:
    """Check that the depot's manifests are those of the archive's folder."""
    there = depot.names(f"manifest/site={site}")
    for _, _, path in manifest.names(archive, site):
        name = f"manifest/site={site}/{path.name}"
        if path.name in there and depot.read(name) != path.read_bytes():
            yield Problem(
                "changed manifest", f"{depot.url}/{name}", "it is not the one in the archive's folder"
            )
    known = {path.name for _, _, path in manifest.names(archive, site)}
    for name in sorted(there.keys() - known):
        place = f"{depot.url}/manifest/site={site}/{name}"
        yield Problem("added file", place, "the archive's folder has no such manifest")


def _is_under_way(name: str, generation: int) -> bool:
    """Tell whether a file belongs to a round that is not finished."""
    rounds = rounds_of(name)
    return is_temporary(name) or (rounds is not None and rounds[1] == generation)


def _rows(file: DayFile, place: str) -> tuple[pa.Table, list[Problem]]:
    """Read a file and check its columns, its order, and that its rows belong to its day."""
    kind = kind_of(place)
    empty = SCHEMAS[kind].empty_table()
    try:
        schema = pq.read_schema(file.open())
        if not schema.remove_metadata().equals(SCHEMAS[kind]):
            return empty, [
                Problem("columns", place, f"they are {', '.join(schema.names)}, or of other types")
            ]
        table = parquet.read_file(file, kind=kind)
    except (OSError, pa.ArrowException, DamagedFileError) as error:
        return empty, [Problem("unreadable file", place, str(error).partition("\n")[0])]
    problems = []
    times = table.column(parquet.SORTED_BY[kind][-1]).cast(pa.int64()).to_numpy()
    _, codes = sensors_in(table) if kind == "readings" else ([], np.zeros(len(times), np.int32))
    if not np.array_equal(order_of(codes, times), np.arange(len(times))):
        problems.append(
            Problem("order", place, f"its rows are not sorted by {', '.join(parquet.SORTED_BY[kind])}")
        )
    away = int((np.floor_divide(times, US_PER_DAY) != day_of(place.rpartition("/")[0])).sum())
    if away:
        problems.append(Problem("wrong day", place, f"{away} rows are of another day"))
    return table, problems


def _duplicates(folder: str, tables: list[pa.Table]) -> Iterator[Problem]:
    table = in_order(pa.concat_tables(tables))
    _, codes = sensors_in(table)
    again = int(repeats(codes, table.column("time").cast(pa.int64()).to_numpy()).sum())
    if again:
        yield Problem("duplicate", folder, f"{again} readings are there more than once")


def _gaps(folders: list[str]) -> Iterator[Problem]:
    """Tell of days without any reading between days that have some."""
    days = sorted(day_of(folder) for folder in folders if kind_of(folder) == "readings")
    for one, next_one in pairwise(days):
        if next_one > one + 1:
            first, last = np.datetime64(one + 1, "D"), np.datetime64(next_one - 1, "D")
            yield Problem("gap", "readings", f"no reading from {first} to {last}")
