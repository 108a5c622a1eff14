"""``tricklebook service``: write down what was done to the system, and read it back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from ingest.errors import UserError

service = typer.Typer(no_args_is_help=True, help="Write down what was done to the system, and read it back.")


def register(app: typer.Typer) -> None:
    """Add the subcommands to the front door."""
    app.add_typer(service, name="service")


@service.command("add")
def add(
    archive: Annotated[Path, typer.Option(help="The folder with the stored readings.")],
    kind: Annotated[str, typer.Option(help="What was done, like 'acid flush' or 'filter cleaned'.")],
    person: Annotated[str, typer.Option(help="Who did it.")],
    zone: Annotated[str | None, typer.Option(help="In which zone; the head where left out.")] = None,
    sensor: Annotated[str | None, typer.Option(help="Which sensor, where one was touched.")] = None,
    time: Annotated[str | None, typer.Option(help="When; now where left out. Name the time zone.")] = None,
    note: Annotated[str, typer.Option(help="What else there is to say.")] = "",
) -> None:
    """Add one entry to the service log beside the archive; entries are never changed or removed."""
    import pandas as pd  # noqa: PLC0415 - loads only when the command runs

    from analysis.ledger import add_service  # noqa: PLC0415 - as above
    from analysis.service import Service  # noqa: PLC0415 - as above

    try:
        when = pd.Timestamp.now("UTC") if time is None else pd.Timestamp(time)
    except ValueError as error:
        msg = f'--time: {time!r} is no time; write it like "2026-05-01T06:00+01:00"'
        raise UserError(msg) from error
    if when.tzinfo is None:
        msg = f'--time: {time!r} names no time zone; write it like "2026-05-01T06:00+01:00"'
        raise UserError(msg)
    if kind == "backflow cleared" and not note.strip():
        msg = (
            "--note is empty; a backflow finding is closed only with a note on what was found and who tested"
        )
        raise UserError(msg)
    add_service(archive, Service(when.tz_convert("UTC"), person, kind, zone, sensor, note))
    sys.stdout.write(f"written: {kind}, {when:%Y-%m-%d %H:%M %Z}, {person}\n")


@service.command("list")
def show(archive: Annotated[Path, typer.Option(help="The folder with the stored readings.")]) -> None:
    """Print the service log, oldest first."""
    from analysis.ledger import read_services  # noqa: PLC0415 - pandas loads only when the command runs

    for entry in read_services(archive):
        where = ", ".join(part for part in (entry.zone, entry.sensor) if part) or "head"
        note = f": {entry.note}" if entry.note else ""
        sys.stdout.write(f"{entry.time:%Y-%m-%d %H:%M} UTC  {entry.kind} ({where}), {entry.person}{note}\n")


@service.command("kinds")
def kinds() -> None:
    """Print what can be entered, and what it means."""
    from analysis.service import SERVICE_KINDS  # noqa: PLC0415 - loads only when the command runs

    for name, meaning in SERVICE_KINDS.items():
        sys.stdout.write(f"{name:20} {meaning}\n")
