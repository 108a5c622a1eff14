"""The files of days, wherever they stand: in the archive's folder, or in its depot once a day is closed.

The manifests say which files a depot holds, so nothing is asked of it for what is not there. On a machine
that only reads, they are fetched from the depot first.
"""

from __future__ import annotations

import functools
import hashlib
import os
import time
from typing import TYPE_CHECKING, TypeVar

from ingest import manifest
from ingest.checkpoint import FileRecord, path_of
from ingest.day_file import DayFile
from ingest.depot import Depot, depot_of
from ingest.files import publish
from ingest.layout import day_folders

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


TRIES = 100
"""How often a reader begins again because the archiver moved what it was reading; computed: a try takes
milliseconds, the archiver moves something every few seconds at most."""

LOOK_S = 5.0
"""Time between looks of a reading machine for new manifests in the depot. [s]"""


T = TypeVar("T")


class BusyArchiveError(RuntimeError):
    """Raised when a day's files were not where they should be every time that they were read."""

    def __init__(self, place: Path) -> None:
        super().__init__(
            f"{place}: its files are moved or missing every time that they are read; "
            "run: tricklebook archive verify"
        )


def local_files(archive: Path, folder: str) -> list[DayFile]:
    """Return the Parquet files that stand in the archive's folder for one day, as they are at one moment.

    Raises
    ------
    FileNotFoundError
        If the folder was swapped or removed meanwhile.
    """
    place = archive / folder
    number = place.stat().st_ino
    paths = sorted(path for path in place.iterdir() if path.suffix == ".parquet" and path.name[0] != ".")
    found = [_local(folder, path) for path in paths]
    if place.stat().st_ino != number:
        raise FileNotFoundError(place)
    return found


def _local(folder: str, path: Path) -> DayFile:
    status = path.stat()
    return DayFile(folder, path.name, status.st_size, path=path, written_ns=status.st_mtime_ns)


def files(archive: Path, folder: str) -> list[DayFile]:
    """Return the Parquet files of one day, wherever they stand.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    folder : str
        The day's folder relative to it, as `ingest.layout.day_folder` gives it.

    Returns
    -------
    list of DayFile
        By name; empty where there is no such day.

    Raises
    ------
    FileNotFoundError
        If the folder was swapped meanwhile: look again.
    DepotError
        If the archive's depot is not described as it should be, or does not answer a machine that must ask.

    Examples
    --------
    >>> from pathlib import Path
    >>> files(Path("nowhere"), "readings/site=home/date=2026-03-01")
    []
    """
    here = local_files(archive, folder) if (archive / folder).is_dir() else []
    depot = depot_of(archive)
    if depot is None:
        return here
    there = _in_depot(archive, depot, _site_of(folder)).get(folder, ())
    names = {file.name for file in here}
    far = [DayFile(folder, r.name, r.size, depot=depot) for r in there if r.name not in names]
    return sorted([*here, *far], key=lambda file: file.name)


def each_file(archive: Path, folder: str, read: Callable[[DayFile], T]) -> list[T]:
    """Read one day's files, again from the start where they were merged or moved meanwhile.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    folder : str
        The day's folder relative to it.
    read : callable
        Reads one file, and may find it gone.

    Returns
    -------
    list
        What each file gave; empty where the day is gone.

    Raises
    ------
    BusyArchiveError
        If the files changed every time that they were read.
    DepotError
        If some stand in a depot that does not answer.
    """
    for _ in range(TRIES):
        try:
            return [read(file) for file in files(archive, folder)]
        except FileNotFoundError:
            continue
    raise BusyArchiveError(archive / folder)


def days_of(archive: Path, site: str, kind: str = "readings") -> list[str]:
    """Return the days that a site has files of, oldest first.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    kind : str
        A key of `ingest.archive.SCHEMAS`.

    Raises
    ------
    DepotError
        As for `files`.

    Examples
    --------
    >>> from pathlib import Path
    >>> days_of(Path("nowhere"), "home")
    []
    """
    place = archive / kind / f"site={site}"
    here = set()
    if place.is_dir():
        with os.scandir(place) as found:
            here = {entry.name for entry in found if entry.name.startswith("date=") and entry.is_dir()}
    depot = depot_of(archive)
    if depot is not None:
        begin = f"{kind}/site={site}/"
        far = _in_depot(archive, depot, site)
        here |= {folder.removeprefix(begin) for folder in far if folder.startswith(begin)}
    return sorted(name.removeprefix("date=") for name in here)


def folders_of(archive: Path, site: str) -> list[str]:
    """Return every day's folder of a site, relative to the archive, wherever it stands."""
    depot = depot_of(archive)
    far = () if depot is None else _in_depot(archive, depot, site)
    return sorted({*day_folders(archive, site), *far})


def mark_of(archive: Path, folder: str) -> str:
    """Return a mark of a day's files that changes whenever their rows do, and not when they move.

    A file never changes once it has its name: rounds are counted up, and a merged file is named after the
    rounds in it. Empty where the day has no files. Errors as for `each_file`.
    """
    said = each_file(archive, folder, lambda file: f"{file.name} {file.size}")
    return hashlib.sha256("\n".join(said).encode()).hexdigest()[:16] if said else ""


def _site_of(folder: str) -> str:
    return folder.split("/")[1].removeprefix("site=")


def is_home(archive: Path, site: str) -> bool:
    """Tell whether an ingester works on this folder, so that its manifests are the first to be written."""
    return path_of(archive, site).exists()


def _in_depot(archive: Path, depot: Depot, site: str) -> dict[str, list[FileRecord]]:
    """Return the files that a depot holds, by day's folder, as the manifests have it."""
    if not is_home(archive, site):
        fetch_manifests(archive, depot, site, int(time.monotonic() / LOOK_S))
    folder = manifest.folder_of(archive, site)
    if not folder.is_dir():
        return {}
    names = [path.name for path in folder.iterdir() if path.name[0] != "."]
    return _closed(archive, site, max(names, default=""), folder.stat().st_mtime_ns)


@functools.lru_cache(maxsize=256)
def _closed(archive: Path, site: str, newest: str, changed_ns: int) -> dict[str, list[FileRecord]]:
    """Return what the manifests name; only a new manifest, which gets a higher name, changes that."""
    del newest, changed_ns
    closed = manifest.all_closed(archive, site)
    return {folder: records for folder, records in closed.items() if records}


@functools.lru_cache(maxsize=64)
def fetch_manifests(archive: Path, depot: Depot, site: str, look: int) -> int:
    """Bring the manifests that a depot has more than this folder; return how many.

    Parameters
    ----------
    archive : Path
        A folder that only reads.
    depot : Depot
        Where the ingester's machine puts them.
    site : str
        The installation's name as it stands in archive paths.
    look : int
        Number of the look: the same one is not done twice.

    Raises
    ------
    DepotError
        If the depot does not answer.
    """
    del look
    folder = manifest.folder_of(archive, site)
    have = {path.name for path in folder.iterdir()} if folder.is_dir() else set()
    new = [name for name in depot.names(f"manifest/site={site}") if name not in have]
    for name in new:
        publish(folder / name, depot.read(f"manifest/site={site}/{name}"), "manifest")
    return len(new)
