"""Manifests: what a closed day consists of, each carrying the hash of the one before.

They form one chain, in the order they were written. A day whose files change after it was closed, because
late readings came or old ones were removed, gets a further manifest that says so; none is ever changed.
Who notes the hash of the newest one, on paper or elsewhere, can tell later whether anything before it was
altered.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from ingest.checkpoint import FileRecord
from ingest.files import publish

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from ingest.checkpoint import Checkpoint

_NAME = re.compile(r"(\d{8})\.(\d{4}-\d{2}-\d{2})\.json")

Files = dict[str, list[FileRecord]]
"""Day's folder, relative to the archive, to its files."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What one day consists of.

    Attributes
    ----------
    number : int
        Place in the chain, from 1.
    day : str
        The day, in UTC.
    why : str
        ``day closed``, ``late readings`` or ``pruned``.
    written : str
        When, by this machine's clock.
    previous : str
        SHA-256 of the manifest before, empty for the first.
    folders : dict of str to list of FileRecord
        The day's files.
    """

    number: int
    day: str
    why: str
    written: str
    previous: str
    folders: Files


def folder_of(archive: Path, site: str) -> Path:
    """Return where a site's manifests stand."""
    return archive / "manifest" / f"site={site}"


def names(archive: Path, site: str) -> list[tuple[int, str, Path]]:
    """Return number, day and path of every manifest, in the order of the chain."""
    folder = folder_of(archive, site)
    found = ((_NAME.fullmatch(path.name), path) for path in (folder.iterdir() if folder.is_dir() else ()))
    return sorted((int(match[1]), match[2], path) for match, path in found if match)


def latest(archive: Path, site: str) -> dict[str, Path]:
    """Return each day's newest manifest."""
    return {day: path for _, day, path in names(archive, site)}


def digest(path: Path) -> str:
    """Return a manifest's hash, the one that the next carries."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read(path: Path) -> Manifest:
    """Read a manifest.

    Raises
    ------
    ValueError
        If it is none.
    """
    try:
        content: dict[str, Any] = json.loads(path.read_bytes())
        folders = {
            folder: [FileRecord(**record) for record in records]
            for folder, records in content.pop("folders").items()
        }
        return Manifest(**content, folders=folders)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        msg = f"{path} is no manifest"
        raise ValueError(msg) from error


def write(archive: Path, site: str, *, day: str, why: str, written: str, folders: Files) -> Path:
    """Add a manifest to the chain; where the day's newest one says the same, leave it at that."""
    chain = names(archive, site)
    before = latest(archive, site).get(day)
    if before is not None and closed_files(archive, site, day) == folders:
        return before
    number, previous = (chain[-1][0], digest(chain[-1][2])) if chain else (0, "")
    manifest = Manifest(number + 1, day, why, written, previous, folders)
    path = folder_of(archive, site) / f"{number + 1:08d}.{day}.json"
    publish(path, json.dumps(asdict(manifest), indent=1).encode(), "manifest")
    return path


def closed_files(archive: Path, site: str, day: str) -> Files:
    """Return what the newest manifest says of a day; nothing where there is none, or none that is one."""
    path = latest(archive, site).get(day)
    try:
        return {} if path is None else read(path).folders
    except ValueError:
        return {}


def all_closed(archive: Path, site: str) -> Files:
    """Return what the newest manifests say of all days."""
    found: Files = {}
    for day in latest(archive, site):
        found.update(closed_files(archive, site, day))
    return found


def expected_files(closed: Mapping[str, list[FileRecord]], checkpoint: Checkpoint) -> Files:
    """Return what should stand in the folders: what the manifests name, and what is new since.

    Parameters
    ----------
    closed : mapping of str to list of FileRecord
        What the newest manifests say.
    checkpoint : Checkpoint
        What has changed since.
    """
    files = {folder: list(records) for folder, records in closed.items() if folder not in checkpoint.reopened}
    for folder, records in checkpoint.open.items():
        fresh = {record.name for record in records}
        files[folder] = [*(r for r in files.get(folder, []) if r.name not in fresh), *records]
    return files
