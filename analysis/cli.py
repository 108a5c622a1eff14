"""Subcommands of this folder: ``tricklebook analyse``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from analysis import cli_service
from analysis.cli_commission import commission
from analysis.cli_equivalence import equivalence
from analysis.uniformity.cli import uniformity

BAR = 30
"""Columns of the progress bar."""


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    app.command("analyse")(analyse)
    cli_service.register(app)
    app.command("uniformity")(uniformity)
    app.command("commission")(commission)
    app.command("equivalence")(equivalence)


def analyse(
    installation: Annotated[Path, typer.Option(help="The installation.toml that describes the system.")],
    archive: Annotated[Path, typer.Option(help="The folder with the stored readings.")],
    since: Annotated[
        str | None, typer.Option("--from", help="First day or instant; local time unless it names a zone.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="Where to end, not included; local time as well.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,  # noqa: FBT002 - a switch of the command line
    explain: Annotated[bool, typer.Option("--explain", help="Show what makes each interval wide.")] = False,  # noqa: FBT002 - a switch of the command line
) -> None:
    """Say what the readings tell: runs, injection ratios, doses, clear-out times, and what is wrong."""
    from analysis.archive import analyse_archive  # noqa: PLC0415 - pandas and the store load only when needed
    from analysis.document import dumps  # noqa: PLC0415 - as above
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from analysis.table import table  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system = load(installation)
    start, end = instant(since, system, "--from"), instant(until, system, "--to")
    in_order(start, end)
    watch = _bar if sys.stderr.isatty() else None
    results = analyse_archive(archive, system, start, end, watch=watch)
    text = dumps(results, explain=explain) if json else table(results, system, explain=explain)
    sys.stdout.write(text + "\n")


def _bar(share: float) -> None:
    """Draw progress on standard error."""
    done = round(BAR * share)
    sys.stderr.write(f"\ranalysing [{'#' * done}{'.' * (BAR - done)}] {share:4.0%}")
    if share >= 1.0:
        sys.stderr.write("\r" + " " * (BAR + 20) + "\r")
    sys.stderr.flush()
