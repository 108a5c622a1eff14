"""``tricklebook report``: the record of a period, of commissioning, or before and after a service; and its proof."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard import cli_sign
from ingest.errors import UserError

if TYPE_CHECKING:
    from analysis.service import Service
    from dashboard.display import Units
    from dashboard.paper.document import Document
    from dashboard.paper.gather import Asked
    from dashboard.paper.record import Matter

KINDS = ("periodic", "commissioning", "service")
"""Kinds of record."""


def register(app: typer.Typer) -> None:
    """Add the commands to the front door."""
    app.command("report")(report)
    cli_sign.register(app)


def report(  # noqa: PLR0913 - one for each option of the command line
    installation: Annotated[Path, typer.Option(help="The installation file.")],
    archive: Annotated[Path, typer.Option(help="Folder of the archive.")],
    output: Annotated[
        Path, typer.Option(help="The record, as .pdf or .html; evidence and charts go beside it.")
    ],
    *,
    kind: Annotated[
        str, typer.Option(help="periodic, commissioning, or service: before and after one entry.")
    ] = "periodic",
    begin: Annotated[
        str | None, typer.Option("--from", help="Begin, local: 2026-11-01.", show_default=False)
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="End, local, not included: 2026-12-01.", show_default=False)
    ] = None,
    entry: Annotated[
        str | None,
        typer.Option(
            help="With --kind service: the entry's local day or moment; the last one where left out.",
            show_default=False,
        ),
    ] = None,
    client: Annotated[str, typer.Option(help="For whom.")] = "",
    contractor: Annotated[
        Path | None,
        typer.Option(help="A TOML file with [contractor] name, contact lines and logo.", show_default=False),
    ] = None,
    units: Annotated[
        str | None, typer.Option(help="metric or us; the installation's own where left out.")
    ] = None,
) -> None:
    """Write the service record of a period, with the evidence that it rests on."""
    from analysis.instants import in_order, instant  # noqa: PLC0415 - other commands do not pay for it
    from dashboard.paper.gather import Asked, gather  # noqa: PLC0415 - as above
    from dashboard.paper.publish import evidence_path, publish  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    _known(output, kind, entry)
    system = load(installation)
    shown = _units(units or system.units)
    start, stop = instant(begin, system, "--from"), instant(end, system, "--to")
    in_order(start, stop)
    asked = Asked(archive, installation, system, start, stop, client, contractor)
    matter, rests = gather(asked)
    document = _document(kind, entry, matter, asked, shown)
    publish(document, output, rests | {"kind": kind}, matter.results.end.to_pydatetime(warn=False))
    sys.stdout.write(f"{output}\n{evidence_path(output)}\n")


def _known(output: Path, kind: str, entry: str | None) -> None:
    """Refuse what cannot be made."""
    if output.suffix not in (".pdf", ".html"):
        msg = f"--output {output}: expected a name that ends in .pdf or .html"
        raise UserError(msg)
    if kind not in KINDS:
        msg = f"--kind {kind}: expected one of {', '.join(KINDS)}"
        raise UserError(msg)
    if entry is not None and kind != "service":
        msg = f"--entry {entry}: goes with --kind service; leave it out, or name that kind"
        raise UserError(msg)


def _units(shown: str) -> Units:
    """Return the reader's units."""
    if shown not in ("metric", "us"):
        msg = f"--units {shown}: expected metric or us"
        raise UserError(msg)
    return "us" if shown == "us" else "metric"


def _document(kind: str, entry: str | None, matter: Matter, asked: Asked, units: Units) -> Document:
    """Return the record that is asked for."""
    system = asked.installation
    if kind == "commissioning":
        from analysis.cli_commission import first_readings  # noqa: PLC0415 - loaded only where it is wanted
        from analysis.commissioning.first_runs import checks  # noqa: PLC0415 - as above
        from analysis.commissioning.sheet import sheet  # noqa: PLC0415 - as above
        from dashboard.paper.commissioned import commissioned  # noqa: PLC0415 - as above

        results = matter.results
        made = sheet(system, results.end.tz_convert(system.tz).date())
        found = checks(system, results, first_readings(asked.archive, system, results))
        return commissioned(matter, made, found, system, units)
    if kind == "service":
        from dashboard.paper.serviced import serviced  # noqa: PLC0415 - as above

        return serviced(matter, chosen(matter, asked, entry), system, units)
    from dashboard.paper.record import record  # noqa: PLC0415 - as above

    return record(matter, system, units)


def chosen(matter: Matter, asked: Asked, entry: str | None) -> Service:
    """Return the entry of the service log that a record is about.

    Raises
    ------
    UserError
        If the period has no entry, or the day or moment names none or several; the message lists them.
    """
    from analysis.instants import instant  # noqa: PLC0415 - loaded only where it is wanted

    log, system = matter.logged, asked.installation
    if not log:
        msg = f"{asked.archive}: no service is entered in this period; write it down with `tricklebook service add`"
        raise UserError(msg)
    if entry is None:
        return log[-1]
    moment = instant(entry, system, "--entry")
    assert moment is not None  # noqa: S101 - an entry was named
    day = moment.tz_convert(system.tz).date()
    same_day = [s for s in log if s.time.tz_convert(system.tz).date() == day]
    exact = [s for s in same_day if abs((s.time - moment).total_seconds()) < 60]  # noqa: PLR2004 - written to the minute
    found = exact or same_day
    if len(found) != 1:
        local = [f"{s.time.tz_convert(system.tz):%Y-%m-%d %H:%M} {s.kind} ({s.zone or 'head'})" for s in log]
        msg = f"--entry {entry}: names {len(found)} entries; name one of: {'; '.join(local)}"
        raise UserError(msg)
    return found[0]
