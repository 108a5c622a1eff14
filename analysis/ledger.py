"""Append-only files beside the archive, one JSON object a line: what people did, and what they accepted."""

from __future__ import annotations

import fcntl
import json
import os
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, BinaryIO

import pandas as pd

from analysis.service import SERVICE_KINDS, Service
from ingest.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

SERVICE_FILE = "service.jsonl"
"""Name of the service log in the archive's folder."""

BASELINE_FILE = "baseline.jsonl"
"""Name of the accepted baselines in the archive's folder."""


MARK = "mark"
"""Key of the mark that a line carries where `SENT` names one."""

SENT: ContextVar[str | None] = ContextVar("SENT", default=None)
"""Mark of what is being entered: its lines carry it, so that what was sent twice can be told from two entries."""

BLOCK = 1 << 16
"""Bytes read at a time from the end of a file."""


class LedgerError(UserError):
    """Raised when a line of such a file cannot be read; names file and line."""


def append(path: Path, row: dict[str, Any]) -> None:
    """Add one line and return when it is on the disk.

    A last line that is no whole object was torn by a crash before anybody was told that it is kept; it makes
    room. A whole one that only lacks its end, as some editors leave it, gets it.

    Parameters
    ----------
    path : Path
        The file; its folder must exist.
    row : dict
        What to write.
    """
    sent = SENT.get()
    marked = row if sent is None else {**row, MARK: sent}
    line = (json.dumps(marked, ensure_ascii=False, sort_keys=True) + "\n").encode()
    with path.open("a+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        last = _unended(file)
        if _is_object(last):
            line = b"\n" + line
        elif last:
            file.truncate(file.seek(0, os.SEEK_END) - len(last))
        file.write(line)
        file.flush()
        os.fsync(file.fileno())


def _unended(file: BinaryIO) -> bytes:
    """Return what stands after the last line's end; reads no more of the file than that needs."""
    left, tail = file.seek(0, os.SEEK_END), b""
    while left and b"\n" not in tail:
        left, before = max(0, left - BLOCK), left
        file.seek(left)
        tail = file.read(before - left) + tail
    return tail[tail.rfind(b"\n") + 1 :]


def _is_object(line: bytes) -> bool:
    """Return whether a line is a whole JSON object."""
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


def rows(path: Path) -> list[dict[str, Any]]:
    """Return every line of a file, oldest first.

    Parameters
    ----------
    path : Path
        The file; none is the same as an empty one.

    Returns
    -------
    list of dict
        One a line. A last line that is no whole object, torn by a crash, is left out.

    Raises
    ------
    LedgerError
        If a whole line is not a JSON object.
    """
    if not path.exists():
        return []
    found = []
    *lines, last = path.read_bytes().split(b"\n")
    for number, line in enumerate([*lines, *([last] if _is_object(last) else [])], start=1):
        if not line.strip():
            continue
        try:
            row = json.loads(line)
        except ValueError as error:
            msg = f"{path}, line {number}: this is no JSON object ({error}); mend or remove the line"
            raise LedgerError(msg) from error
        if not isinstance(row, dict):
            shown = line.strip()[:40].decode("utf-8", "replace")
            msg = f"{path}, line {number}: expected an object in braces, found {shown!r}"
            raise LedgerError(msg)
        found.append(row)
    return found


def add_service(archive: Path, service: Service) -> None:
    """Write one entry into the service log.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    service : Service
        The entry.

    Raises
    ------
    UserError
        If the kind is not known or nobody signs.
    """
    if service.kind not in SERVICE_KINDS:
        msg = f"--kind {service.kind!r} is not known; expected one of: " + ", ".join(SERVICE_KINDS)
        raise UserError(msg)
    if not service.person.strip():
        msg = "--person is empty; an entry needs the name of who did it"
        raise UserError(msg)
    archive.mkdir(parents=True, exist_ok=True)
    append(
        archive / SERVICE_FILE,
        {
            "time": service.time.isoformat(),
            "person": service.person,
            "kind": service.kind,
            "zone": service.zone,
            "sensor": service.sensor,
            "note": service.note,
        },
    )


def read_services(archive: Path) -> tuple[Service, ...]:
    """Return the service log by time.

    Parameters
    ----------
    archive : Path
        The archive's folder.

    Returns
    -------
    tuple of Service
        Oldest first.

    Raises
    ------
    LedgerError
        If a line lacks its time, person or kind.
    """
    path = archive / SERVICE_FILE
    found = []
    for number, row in enumerate(rows(path), start=1):
        try:
            time = pd.Timestamp(row["time"])
            found.append(
                Service(
                    time.tz_convert("UTC") if time.tzinfo else time.tz_localize("UTC"),
                    str(row["person"]),
                    str(row["kind"]),
                    row.get("zone"),
                    row.get("sensor"),
                    str(row.get("note") or ""),
                )
            )
        except (KeyError, ValueError, TypeError) as error:
            msg = f"{path}, entry {number}: expected time, person and kind, found {row!r} ({error})"
            raise LedgerError(msg) from error
    return tuple(sorted(found, key=lambda s: s.time))
