"""What a record rests on: hashes of the paper, its charts, the installation file and the days of the archive."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest import manifest
from ingest.days import days_of, each_file
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

FORM = "tricklebook evidence 1"
"""First line of every evidence file."""


class EvidenceError(UserError):
    """Raised when an evidence file cannot be read; names it and what was expected."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not as it was when the record was made.

    Attributes
    ----------
    what : str
        The file, as the evidence names it.
    how : str
        ``"changed"``, ``"missing"`` or ``"added"``.
    """

    what: str
    how: str


def sha256(path: Path) -> str:
    """Return a file's hash as hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def prefix(path: Path) -> dict[str, int | str]:
    """Return the hash of a file as it is, with its length: what is added behind it later does not matter.

    Parameters
    ----------
    path : Path
        A ledger, to which lines are only added; or any file.

    Returns
    -------
    dict
        ``bytes`` and ``sha256``.
    """
    content = path.read_bytes()
    return {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}


def days_of_period(
    archive: Path, site: str, start: pd.Timestamp, end: pd.Timestamp
) -> dict[str, dict[str, str]]:
    """Return the files that hold a period's readings, with their hashes.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name in paths.
    start, end : pandas.Timestamp
        The period. [UTC]

    Returns
    -------
    dict
        Folder of the day, relative to the archive, to file name to hash.
    """
    first, last = start.date().isoformat(), end.date().isoformat()
    folders = [f"readings/site={site}/date={day}" for day in days_of(archive, site) if first <= day <= last]
    return {folder: day_hashes(archive, folder) for folder in folders}


def day_hashes(archive: Path, folder: str) -> dict[str, str]:
    """Return file name to hash of one day, in the archive's folder or in its depot."""
    return dict(
        each_file(archive, folder, lambda file: (file.name, hashlib.sha256(file.read_bytes()).hexdigest()))
    )


def manifests_of_period(archive: Path, site: str, days: Iterable[str]) -> dict[str, str]:
    """Return the newest manifest of each closed day, relative to the archive, with its hash."""
    wanted = {day.rsplit("date=", 1)[-1] for day in days}
    return {
        path.relative_to(archive).as_posix(): manifest.digest(path)
        for day, path in sorted(manifest.latest(archive, site).items())
        if day in wanted
    }


def gather(papers: Iterable[Path], folder: Path, **keys: Any) -> dict[str, Any]:
    """Return the evidence of a record.

    Parameters
    ----------
    papers : iterable of Path
        The record's own files: paper, page, charts.
    folder : Path
        The folder in which the evidence file will stand; names are relative to it.
    **keys : Any
        What else it says: software, period, installation, days, manifests.

    Returns
    -------
    dict
        Plain values for JSON.
    """
    files = {path.relative_to(folder).as_posix(): sha256(path) for path in papers}
    return {"form": FORM, **keys, "files": dict(sorted(files.items()))}


def write(path: Path, evidence: Mapping[str, Any]) -> None:
    """Write an evidence file, the same bytes for the same evidence."""
    path.write_text(json.dumps(evidence, indent=1, sort_keys=True, ensure_ascii=False) + "\n", "utf-8")


def read(path: Path) -> dict[str, Any]:
    """Return what an evidence file says.

    Raises
    ------
    EvidenceError
        If it is not one.
    """
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        msg = f"{path}: cannot be read as evidence ({error}); expected the .evidence.json that stands beside a record"
        raise EvidenceError(msg) from error
    if not isinstance(content, dict) or content.get("form") != FORM:
        msg = f"{path}: its form is not {FORM!r}; expected the .evidence.json that stands beside a record"
        raise EvidenceError(msg)
    if not all(_is_map(content.get(name, {}), kind) for name, kind in SHAPES.items()):
        msg = f"{path}: {', '.join(SHAPES)} are not lists of names with hashes; the file was changed or cut"
        raise EvidenceError(msg)
    return content


SHAPES = {"files": str, "manifests": str, "days": dict, "ledgers": dict, "sources": dict}
"""What the parts of an evidence file map names to."""


def _is_map(part: object, kind: type) -> bool:
    """Return whether a part maps names to values of a kind."""
    if not isinstance(part, dict) or not all(isinstance(value, kind) for value in part.values()):
        return False
    inner = [value for value in part.values() if isinstance(value, dict)]
    return all(
        {"bytes", "sha256"} >= one.keys() or all(isinstance(v, str) for v in one.values()) for one in inner
    )


def differences(evidence: Mapping[str, Any], folder: Path, archive: Path | None) -> list[Difference]:
    """Compare the files as they are with what the evidence says of them.

    Parameters
    ----------
    evidence : mapping
        From `read`.
    folder : Path
        Where the record's files stand.
    archive : Path or None
        The archive, where it is at hand; its days and manifests are compared too.

    Returns
    -------
    list of Difference
        Everything that differs; empty where all is as it was.
    """
    found = _against(folder, evidence.get("files", {}))
    if archive is None:
        return found
    found += _against(archive, evidence.get("manifests", {}))
    found += _shortened(archive, evidence.get("ledgers", {}))
    for day, wanted in evidence.get("days", {}).items():
        present = day_hashes(archive, day)
        found += [Difference(f"{day}/{name}", "missing") for name in wanted if name not in present]
        found += [
            Difference(f"{day}/{name}", "changed")
            for name in wanted
            if present.get(name, wanted[name]) != wanted[name]
        ]
        found += [Difference(f"{day}/{name}", "added") for name in sorted(present.keys() - wanted.keys())]
    return found


def _shortened(folder: Path, prefixes: Mapping[str, Any]) -> list[Difference]:
    """Compare the beginnings of ledgers with their hashes; later lines are as they should be."""
    found = []
    for name, wanted in prefixes.items():
        path = folder / name
        if not path.is_file():
            found.append(Difference(name, "missing"))
        elif hashlib.sha256(path.read_bytes()[: wanted["bytes"]]).hexdigest() != wanted["sha256"]:
            found.append(Difference(name, "changed"))
    return found


def _against(folder: Path, hashes: Mapping[str, str]) -> list[Difference]:
    """Compare files with their hashes."""
    found = []
    for name, wanted in hashes.items():
        path = folder / name
        if not path.is_file():
            found.append(Difference(name, "missing"))
        elif sha256(path) != wanted:
            found.append(Difference(name, "changed"))
    return found
