"""Replaces a day's folder by its merged form in one step, and finishes what a crash interrupted."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import failpoints
from ingest.files import exchange, sync_folder

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.checkpoint import Checkpoint, Swap


def building_place(site: str) -> str:
    """Return where merged folders are built, relative to the archive."""
    return f"state/site={site}/merged"


def swap_in(archive: Path, site: str, checkpoint: Checkpoint, swap: Swap) -> None:
    """Put a built folder in its place.

    The intent is durable first, so whoever comes after a crash goes on from wherever it stopped.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    checkpoint : Checkpoint
        Changed and made durable.
    swap : Swap
        The built folder, durable.
    """
    failpoints.reach("merge.built")
    checkpoint.swap = swap
    checkpoints.save(archive, site, checkpoint)
    failpoints.reach("merge.intent")
    finish(archive, site, checkpoint)


def finish(archive: Path, site: str, checkpoint: Checkpoint) -> None:
    """Bring a begun swap to its end; without one, only clear the building place."""
    swap = checkpoint.swap
    if swap is not None:
        _swap_folders(archive, swap)
        failpoints.reach("merge.exchanged")
        checkpoint.swap = None
        checkpoint.open[swap.folder] = swap.files
        if swap.is_whole and swap.folder not in checkpoint.reopened:
            checkpoint.reopened.append(swap.folder)
        checkpoints.save(archive, site, checkpoint)
        failpoints.reach("merge.committed")
    shutil.rmtree(archive / building_place(site), ignore_errors=True)


def _swap_folders(archive: Path, swap: Swap) -> None:
    """Exchange the two folders, unless that was done before the crash."""
    folder, built = archive / swap.folder, archive / swap.built
    aside = folder.with_name(f".{folder.name}")
    if not all((folder / record.name).exists() for record in swap.files):
        if folder.exists() and not exchange(folder, built):
            folder.rename(aside)
        if not folder.exists():
            built.rename(folder)
    if aside.exists():
        aside.rename(built)
    sync_folder(folder.parent)
    sync_folder(built.parent)
    _keep_strangers(built, folder)


def _keep_strangers(old: Path, new: Path) -> None:
    """Bring files that are not ours over from the old folder before it goes."""
    ours = {path.name for path in new.iterdir()}
    for path in old.iterdir() if old.is_dir() else ():
        if not path.name.startswith("part-") and path.name not in ours:
            path.rename(new / path.name)
