"""What an archive holds, in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import manifest
from ingest.checkpoint import Checkpoint
from ingest.days import folders_of
from ingest.depot import depot_of
from ingest.layout import kind_of
from ingest.tail import backlog

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Info:
    """What one site's archive holds.

    Attributes
    ----------
    first, last : str
        First and last day with readings, empty where there is none.
    days, files : int
        Days with readings, and their files.
    readings, size : int
        Readings, and the length of their files. [bytes]
    quarantined : int
        Rows in quarantine.
    rejects : dict of str to int
        Records that were not stored, by reason.
    journal : int
        Journal that is not in the archive yet. [bytes]
    head : str
        Hash of the newest manifest, to be noted elsewhere; empty where there is none.
    """

    first: str
    last: str
    days: int
    files: int
    readings: int
    size: int
    quarantined: int
    rejects: dict[str, int]
    journal: int
    head: str

    @property
    def bytes_a_reading(self) -> float:
        """Length of the files by reading, 0 where there is none. [bytes]"""
        return self.size / self.readings if self.readings else 0.0


def sites(archive: Path) -> list[str]:
    """Return the installations that an archive holds, as they stand in its paths."""
    here = {path.name for path in (archive / "state").glob("site=*")}
    depot = depot_of(archive)
    far = [] if depot is None else depot.folders("manifest")
    return sorted(name.removeprefix("site=") for name in {*here, *far} if name.startswith("site="))


def info(archive: Path, site: str) -> Info:
    """Count what a site's archive holds.

    Raises
    ------
    CheckpointError
        If the checkpoint is damaged.
    """
    checkpoint = checkpoints.load(archive, site) or Checkpoint()
    folders_of(archive, site)  # fetches the manifests where this machine only reads
    files = manifest.expected_files(manifest.all_closed(archive, site), checkpoint)
    readings = {
        folder: records for folder, records in files.items() if kind_of(folder) == "readings" and records
    }
    records = [record for found in readings.values() for record in found]
    days = sorted(folder.rpartition("date=")[2] for folder in readings)
    return Info(
        first=days[0] if days else "",
        last=days[-1] if days else "",
        days=len(days),
        files=len(records),
        readings=sum(record.rows for record in records),
        size=sum(record.size for record in records),
        quarantined=sum(
            r.rows for folder, found in files.items() if kind_of(folder) == "quarantine" for r in found
        ),
        rejects={
            name.removeprefix("reject:"): count
            for name, count in sorted(checkpoint.counts.items())
            if name.startswith("reject:")
        },
        journal=backlog(archive, site, checkpoint.positions),
        head=checkpoint.head,
    )
