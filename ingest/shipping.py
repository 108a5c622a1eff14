"""Takes closed days to the depot: put there, read back, and only then let go here.

Nothing has to be remembered for it: a file that stands here and that a manifest names is still to go. So it
can be broken off anywhere and begun again.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import failpoints, manifest
from ingest.checkpoint import Checkpoint, FileRecord
from ingest.depot import Depot, DepotError
from ingest.files import sync_folder
from ingest.layout import day_folders

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def ship(archive: Path, site: str, checkpoint: Checkpoint, depot: Depot, *, limit: int = 1) -> list[str]:
    """Send closed days' files to the depot.

    Parameters
    ----------
    archive : Path
        The archive's folder, which the caller has the right to change.
    site : str
        The installation's name as it stands in archive paths.
    checkpoint : Checkpoint
        Says which files no manifest names yet; they stay.
    depot : Depot
        Where to.
    limit : int
        How many day's folders are seen to at most.

    Returns
    -------
    list of str
        The folders, relative to the archive.

    Raises
    ------
    DepotError
        If the depot does not take a file, or gives back another one, or if nothing is left to be sent but
        files that are not as they were written; they stay here.
    """
    _remove_pruned(archive, site, checkpoint, depot)
    done: list[str] = []
    damaged = ""
    for folder, records in _waiting(archive, site, checkpoint):
        if len(done) >= limit:
            break
        changed = [record.name for record in records if not _is_whole(archive / folder, record)]
        if changed:
            damaged = f"{archive / folder / changed[0]}"
            continue
        for record in records:
            _send(archive, folder, record, depot)
        send_manifests(archive, site, depot)
        failpoints.reach("depot.sent")
        for record in records:
            (archive / folder / record.name).unlink()
        if not any((archive / folder).iterdir()):
            (archive / folder).rmdir()
        sync_folder((archive / folder).parent)
        failpoints.reach("depot.let_go")
        done.append(folder)
    if damaged and not done:
        msg = f"{damaged} is not as it was written and is not sent; run: tricklebook archive verify"
        raise DepotError(msg)
    return done


def _is_whole(folder: Path, record: FileRecord) -> bool:
    return hashlib.sha256((folder / record.name).read_bytes()).hexdigest() == record.sha256


def _remove_pruned(archive: Path, site: str, checkpoint: Checkpoint, depot: Depot) -> None:
    """Remove from the depot what was pruned."""
    if not checkpoint.doomed_far:
        return
    send_manifests(archive, site, depot)
    for name in checkpoint.doomed_far:
        depot.remove(name)
    checkpoint.doomed_far = []
    checkpoints.save(archive, site, checkpoint)


def _waiting(archive: Path, site: str, checkpoint: Checkpoint) -> Iterator[tuple[str, list[FileRecord]]]:
    """Yield the day's folders that hold files which are closed, with these files."""
    for folder in sorted(day_folders(archive, site)):
        if folder in checkpoint.reopened:
            continue
        closed = manifest.closed_files(archive, site, folder.rpartition("date=")[2])
        fresh = {record.name for record in checkpoint.open.get(folder, [])}
        records = [
            record
            for record in closed.get(folder, [])
            if record.name not in fresh and (archive / folder / record.name).exists()
        ]
        if records:
            yield folder, records


def _send(archive: Path, folder: str, record: FileRecord, depot: Depot) -> None:
    """Put one file into the depot and read it back."""
    name = f"{folder}/{record.name}"
    depot.put(name, (archive / name).read_bytes())
    failpoints.reach("depot.back")
    if hashlib.sha256(depot.read(name)).hexdigest() != record.sha256:
        msg = f"the depot {depot.url} gives back other bytes of {name} than it was given; the file stays here"
        raise DepotError(msg)


def send_manifests(archive: Path, site: str, depot: Depot) -> None:
    """Put the manifests that the depot lacks there. Errors as for `ship`."""
    there = depot.names(f"manifest/site={site}")
    for _, _, path in manifest.names(archive, site):
        if path.name not in there:
            depot.put(f"manifest/site={site}/{path.name}", path.read_bytes())
