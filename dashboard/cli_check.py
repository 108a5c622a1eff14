"""``tricklebook check``: what a description says, what is wrong with it, and the commissioning sheet."""

from __future__ import annotations

import json
import sys
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    from analysis.commissioning.sheet import Sheet
    from ingest.installation import Installation

STOP_STATUS = 3
"""Exit status where something says stop."""


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("check")(check)


def check(
    installation: Annotated[
        Path, typer.Argument(help="The installation.toml that describes the system.")
    ] = Path("installation.toml"),
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print the commissioning sheet as JSON.")] = False,
    sheet: Annotated[
        Path | None,
        typer.Option(help="Write the commissioning sheet here, as .html or .pdf.", show_default=False),
    ] = None,
    units: Annotated[
        str | None, typer.Option(help="metric or us; the file's own where left out.", show_default=False)
    ] = None,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the file's JSON Schema, for an editor, and end.")
    ] = False,
) -> None:
    """Read the description of a drip system, and say what it says and what would go wrong.

    Exit status: 0 where nothing says stop, 2 where the file cannot be read, 3 where something says stop.
    """
    if schema:
        from ingest.installation_schema import schema_text  # noqa: PLC0415 - loaded only where it is wanted

        sys.stdout.write(schema_text() + "\n")
        return
    from analysis.commissioning.sheet import sheet as make  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system = load(installation)
    made = make(system, _today())
    if as_json:
        sys.stdout.write(json.dumps(made.document(), ensure_ascii=False, indent=1) + "\n")
    else:
        sys.stdout.write(_words(system, made))
    if sheet is not None:
        _write(system, made, sheet, units or system.units)
    if made.stops:
        raise typer.Exit(STOP_STATUS)


def _today() -> date:
    """Return today; the clock is read here, at the rim."""
    return datetime.now(UTC).date()


def _words(system: Installation, made: Sheet) -> str:
    """Return the description and the remarks for a terminal."""
    from analysis.amounts import in_units  # noqa: PLC0415 - loaded only where it is wanted
    from dashboard.paper.sheet import SEVERITY, value, verdict  # noqa: PLC0415 - loaded only where it is wanted
    from ingest.description import describe  # noqa: PLC0415 - as above

    lines = [describe(system), ""]
    width = max((len(f"{f.place} {f.name}") for f in made.facts), default=0)
    lines += [f"{f'{f.place} {f.name}':<{width}}  {value(f, system.units)}" for f in made.facts]
    lines += _water(made)
    lines += ["", verdict(made)]
    for remark in made.remarks:
        lines += [
            f"{SEVERITY[remark.severity]}: {remark.place}: {in_units(remark.what, system.units)}",
            f"    mend: {in_units(remark.mend, system.units)}",
            f"    after: {remark.source}",
        ]
    return "\n".join(lines) + "\n"


def _water(made: Sheet) -> list[str]:
    """Return the water's clogging hazard, item by item, for a terminal."""
    from analysis.water_report import amount, limits  # noqa: PLC0415 - loaded only where it is wanted

    if not made.water:
        return []
    cells = [
        (i.hazard.factor, amount(i), i.hazard.verdict, limits(i), str(i.found.sampled)) for i in made.water
    ]
    rows = [("water", "value", "hazard", "classes", "sampled"), *cells]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    lines = [
        "",
        *("  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[4]]) for row in rows),
    ]
    return [*lines, f"after: {'; '.join(dict.fromkeys(item.hazard.source for item in made.water))}"]


def _write(system: Installation, made: Sheet, path: Path, units: str) -> None:
    """Write the sheet as HTML or PDF."""
    from dashboard.paper.press import html, pdf  # noqa: PLC0415 - the press is loaded only for paper
    from dashboard.paper.sheet import document  # noqa: PLC0415 - as above

    if units not in ("metric", "us"):
        msg = f"--units {units}: expected metric or us"
        raise UserError(msg)
    if path.suffix not in (".html", ".pdf"):
        msg = f"--sheet {path}: expected a name that ends in .html or .pdf"
        raise UserError(msg)
    paper = document(system, made, "us" if units == "us" else "metric")
    if path.suffix == ".html":
        path.write_text(html(paper), "utf-8")
    else:
        path.write_bytes(pdf(paper, datetime.combine(made.day, time(), UTC)))
