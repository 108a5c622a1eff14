"""``tricklebook archive``: look after what is stored."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Iterable

EVENTS_SHOWN = 5
"""Newest events that are told."""

Archive = Annotated[Path, typer.Option(help="Folder that keeps the readings.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the front door."""
    group = typer.Typer(
        no_args_is_help=True,
        help="Look after the archive: check it, merge its small files, count what it holds, remove old days, "
        "send days that are closed to an object store. "
        "All of it may be done while the ingester runs.",
    )
    group.command("verify")(verify)
    group.command("merge")(merge)
    group.command("info")(info)
    group.command("prune")(prune)
    group.command("depot")(depot)
    app.add_typer(group, name="archive")


def _sites(archive: Path) -> list[str]:
    """Return the archive's installations, or refuse a folder that is none."""
    from ingest.archive_info import sites  # noqa: PLC0415 - loads only when needed
    from ingest.errors import UserError  # noqa: PLC0415 - as above

    found = sites(archive)
    if not found:
        msg = f"{archive} is no archive; name the folder that `tricklebook ingest --archive` writes to"
        raise UserError(msg)
    return found


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        sys.stdout.write(line + "\n")


def verify(
    *,
    archive: Archive,
    head: Annotated[
        str, typer.Option(help="Hash of a manifest that was noted earlier; it must still be in the chain.")
    ] = "",
) -> None:
    """Check every file, every row and the chain of manifests; each fault is named, and ends with status 1."""
    from ingest.archive_info import info as count  # noqa: PLC0415 - loads only when needed
    from ingest.verify import verify as check  # noqa: PLC0415 - as above

    faults = 0
    for site in _sites(archive):
        found = check(archive, site, expected_head=head)
        _say(f"{problem.kind}: {problem.place}: {problem.detail}" for problem in found)
        wrong = sum(problem.is_fault for problem in found)
        faults += wrong
        if not wrong:
            told = count(archive, site)
            _say([f"{site}: {told.readings} readings of {told.days} days are as they were written"])
            _say([f"hash of the newest manifest, to be noted elsewhere: {told.head or 'none yet'}"])
    if faults:
        raise typer.Exit(1)


def merge(*, archive: Archive) -> None:
    """Merge small files and close every day that is over; readers see no difference."""
    from ingest.upkeep import upkeep  # noqa: PLC0415 - loads only when needed

    for site in _sites(archive):
        merged = closed = shipped = 0
        while True:
            done = upkeep(archive, site, everything=True)
            if not done:
                break
            merged += len(done.folders)
            closed += len(done.closed)
            shipped += len(done.shipped)
        sent = f", {shipped} folders sent to the depot" if shipped else ""
        _say([f"{site}: {merged} folders merged, {closed} days closed{sent}"])


def info(*, archive: Archive) -> None:
    """Count what the archive holds, and tell the last gaps and other events."""
    from ingest.archive_info import info as count  # noqa: PLC0415 - loads only when needed
    from ingest.told import read_told  # noqa: PLC0415 - as above

    for site in _sites(archive):
        told = count(archive, site)
        rejects = ", ".join(f"{count} {reason}" for reason, count in told.rejects.items()) or "none"
        _say(
            (
                f"{site}",
                f"  readings    {told.readings} of {told.days} days, {told.first} to {told.last}",
                f"  files       {told.files}, {told.size} bytes, {told.bytes_a_reading:.2f} a reading",
                f"  quarantine  {told.quarantined} rows; rejects: {rejects}",
                f"  journal     {told.journal} bytes are not in the archive yet",
                f"  manifest    {told.head or 'none yet'}",
            )
        )
        events = read_told(archive, site, "events").tail(EVENTS_SHOWN)
        _say(f"  event       {row.time:%Y-%m-%d %H:%M} UTC: {row.detail}" for row in events.itertuples())


def depot(
    *,
    archive: Archive,
    url: Annotated[
        str, typer.Option(help="Where to: s3://bucket/prefix, or file:///folder for another disk.")
    ],
    endpoint: Annotated[
        str, typer.Option(help="Address of an object store of your own, like https://objects.example:9000.")
    ] = "",
    region: Annotated[str, typer.Option(help="Region of the bucket, where the store has regions.")] = "",
) -> None:
    """Let closed days go to a depot, an object store or another disk, where every command reads them.

    What is still changing stays in the folder. On another machine the same command, with an empty folder,
    lets the archive be read. User and password of an object store come from AWS_ACCESS_KEY_ID and
    AWS_SECRET_ACCESS_KEY, the file of its own tools, or the machine's role.
    """
    from ingest.depot import Description, describe  # noqa: PLC0415 - loads only when needed

    path = describe(archive, Description(url=url, endpoint=endpoint, region=region))
    _say([f"{path}: closed days go to {url} from now on"])


def prune(
    *,
    archive: Archive,
    first: Annotated[str, typer.Option("--from", help="First day to remove, like 2025-01-01, in UTC.")],
    last: Annotated[str, typer.Option("--to", help="Last day to remove, in UTC.")],
    confirm: Annotated[
        str, typer.Option(help="The code that a first run without it shows; only then anything is removed.")
    ] = "",
) -> None:
    """Remove days for good. The first run only shows what would go, and a code to confirm it with."""
    from ingest.prune import plan  # noqa: PLC0415 - loads only when needed
    from ingest.prune import prune as remove  # noqa: PLC0415 - as above

    period = _day(first, "--from"), _day(last, "--to")
    for site in _sites(archive):
        cut = remove(archive, site, *period, confirm) if confirm else plan(archive, site, *period)
        what = f"{site}: {len(cut.folders)} folders, {cut.files} files, {cut.size} bytes"
        if confirm:
            _say([f"{what}: removed"])
        else:
            _say([f"{what} would be removed; nothing has been", f"to do it, add: --confirm {cut.code}"])


def _day(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        msg = f"{text!r} is no day; expected one like 2025-01-01"
        raise typer.BadParameter(msg, param_hint=option) from error
