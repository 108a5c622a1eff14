"""The right to change an archive, and what has to be put right before it is used."""

from __future__ import annotations

import logging
import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import manifest, swap
from ingest.checkpoint import Checkpoint, CheckpointError
from ingest.days import files
from ingest.depot import depot_of
from ingest.files import locked, sync_folder
from ingest.journal import segments
from ingest.layout import day_folders, is_temporary, rounds_of
from ingest.parts import record_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

log = logging.getLogger(__name__)

_UNFINISHED = b"unfinished\n"
_seen: set[Path] = set()


@contextmanager
def changing(archive: Path, site: str) -> Iterator[Checkpoint]:
    """Hold the right to change a site's archive.

    The lock file says whether its last holder finished. The first time in a process, and after one that
    did not finish, what it left is put right.

    Yields
    ------
    Checkpoint
        As it is on the disk.
    """
    lock = checkpoints.lock_of(archive, site)
    with locked(lock, wait=True):
        unfinished = lock.read_bytes() != b""
        lock.write_bytes(_UNFINISHED)
        found = _readable(archive, site)
        if unfinished or lock not in _seen or found is None:
            found = put_right(archive, site)
            _seen.add(lock)
        yield found
        os.truncate(lock, 0)


def forget() -> None:
    """Be as a process that has just begun: look every archive over before it is changed."""
    _seen.clear()


def _readable(archive: Path, site: str) -> Checkpoint | None:
    """Return the checkpoint where there is one and it is whole."""
    try:
        return checkpoints.load(archive, site)
    except CheckpointError:
        return None


def put_right(archive: Path, site: str) -> Checkpoint:
    """Remove what an unfinished round left, finish an unfinished merge, replace a damaged checkpoint.

    Returns
    -------
    Checkpoint
        As it is on the disk.
    """
    folders = list(day_folders(archive, site))
    newest = _newest_round(archive, site, folders)
    found = _readable(archive, site)
    checkpoint = found or Checkpoint()
    if (found is None and newest >= 0) or (newest > checkpoint.generation and _is_old(archive, checkpoint)):
        log.error("the checkpoint of %s is damaged, lost or old; it is made again from the files", site)
        checkpoint = _rebuilt(archive, site, folders, newest + 1)
        checkpoints.save(archive, site, checkpoint)
    elif found is None:
        checkpoints.save(archive, site, checkpoint)  # so that what a first round leaves is known as such
    swap.finish(archive, site, checkpoint)
    finish_pruning(archive, site, checkpoint)
    for folder in folders:
        _remove_unfinished(archive / folder, checkpoint.generation)
    return checkpoint


def _newest_round(archive: Path, site: str, folders: list[str]) -> int:
    """Return the newest round that any file holds, here or where the manifests say; -1 where none does."""
    here = [rounds[1] for folder in folders for _, rounds in _parts(archive / folder)]
    closed = manifest.all_closed(archive, site).values() if depot_of(archive) else ()
    far = [rounds_of(record.name) for records in closed for record in records]
    return max([*here, *(rounds[1] for rounds in far if rounds)], default=-1)


def finish_pruning(archive: Path, site: str, checkpoint: Checkpoint) -> None:
    """Remove the folders that were pruned."""
    if not checkpoint.doomed:
        return
    for folder in checkpoint.doomed:
        shutil.rmtree(archive / folder, ignore_errors=True)
        if (archive / folder).parent.is_dir():
            sync_folder((archive / folder).parent)
    checkpoint.doomed = []
    checkpoints.save(archive, site, checkpoint)


def _is_old(archive: Path, checkpoint: Checkpoint) -> bool:
    """Tell whether journal is missing after a checkpoint: then a newer one has been here."""
    for writer, (number, _) in checkpoint.positions.items():
        folder = archive / "journal" / writer
        found = segments(folder) if folder.is_dir() else []
        if found and found[0][0] > number:
            return True
    return False


def _parts(folder: Path) -> Iterator[tuple[Path, tuple[int, int]]]:
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        rounds = rounds_of(path.name)
        if rounds is not None:
            yield path, rounds


def _remove_unfinished(folder: Path, generation: int) -> None:
    """Remove temporary files, and those of the one round that can have been under way."""
    if not folder.is_dir():
        return
    gone = [path for path in folder.iterdir() if is_temporary(path.name)]
    gone += [path for path, (_, last) in _parts(folder) if last == generation]
    for path in gone:
        path.unlink()
    if gone:
        sync_folder(folder)


def _rebuilt(archive: Path, site: str, folders: list[str], generation: int) -> Checkpoint:
    """Return a checkpoint made from what is found: every file counts, every journal is read again."""
    chain = manifest.names(archive, site)
    checkpoint = Checkpoint(generation=generation, head=manifest.digest(chain[-1][2]) if chain else "")
    known = manifest.all_closed(archive, site)
    for folder in folders:
        there = {path.name: path for path, _ in _parts(archive / folder)}
        named = {record.name for record in known.get(folder, [])}
        if not named <= {*there, *(file.name for file in files(archive, folder))}:
            checkpoint.reopened.append(folder)
            named = set()
        fresh = [record_of(path) for name, path in there.items() if name not in named]
        if fresh:
            checkpoint.open[folder] = fresh
    return checkpoint
