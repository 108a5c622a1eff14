"""``tricklebook export``: the data that a paper cites, as tidy tables with dictionary and provenance."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("export")(export)


def export(
    installation: Annotated[Path, typer.Option(help="The installation file.")],
    archive: Annotated[Path, typer.Option(help="Folder of the archive.")],
    out: Annotated[Path, typer.Option(help="A new folder, or a file that ends in .zip.")],
    begin: Annotated[
        str | None, typer.Option("--from", help="Begin, local: 2026-06-01.", show_default=False)
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="End, local, not included: 2026-07-01.", show_default=False)
    ] = None,
    formats: Annotated[
        str, typer.Option(help="csv, parquet, xlsx, with commas between.")
    ] = "csv,parquet,xlsx",
    resolution: Annotated[
        str, typer.Option(help="Length of a bucket of readings, which divides a day: 10s, 1min, 1h.")
    ] = "1min",
    margin: Annotated[
        str | None,
        typer.Option(
            help='Largest deviation that counts as the same dose, like "10 %"; each treatment\'s own else.'
        ),
    ] = None,
) -> None:
    """Export runs, estimates, findings, the doses and comparisons of a trial, and readings, for research.

    The same archive and description give the same bytes, in every format. Nothing is changed in them.
    """
    from analysis.archive import analyse_archive, span_of  # noqa: PLC0415 - other commands do not pay for it
    from analysis.cli_equivalence import read_margin  # noqa: PLC0415 - as above
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from dashboard.export.bundle import export_bundle, export_folder  # noqa: PLC0415 - as above
    from dashboard.export.order import Order, read_formats  # noqa: PLC0415 - as above
    from dashboard.export.readings import resolution_s  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    kinds, bucket, bound = read_formats(formats), resolution_s(resolution), read_margin(margin)
    system = load(installation)
    start, stop = instant(begin, system, "--from"), instant(end, system, "--to")
    if start is None or stop is None:
        first, last = span_of(archive, system)
        start, stop = start or first, stop or last
    in_order(start, stop)
    results = analyse_archive(archive, system, start, stop)
    order = Order(
        archive, system, installation.read_bytes(), installation.name, start, stop, kinds, bucket, bound
    )
    made = export_bundle(order, results, out) if out.suffix == ".zip" else export_folder(order, results, out)
    if not system.plot:
        sys.stderr.write("tricklebook: no trial is described, so the tables of treatments are empty\n")
    sys.stdout.write(f"{made}\n")
